"""A scenario changed in a key is built anew only where it changed, and equals one that is built as a whole."""

import copy
import dataclasses
import functools
import pickle
import re

import numpy as np
import pytest
from conftest import ROOT
from pydantic import BaseModel

import simbank as sb
from simbank.duty import SampledDuty
from simbank.errors import InputError
from simbank.scenario.changes import changed
from simbank.studies.figures import headline

SHIPPED = sorted((ROOT / "scenarios").glob("*.toml"))


def held(thing):
    """All that an object holds, as plain data: of a bank every number, of a duty every command."""
    if isinstance(thing, BaseModel):
        return type(thing).__name__, held(dict(thing)), held(thing.__pydantic_private__)
    if dataclasses.is_dataclass(thing):
        return type(thing).__name__, [(field.name, held(getattr(thing, field.name))) for field in dataclasses.fields(thing)]
    if isinstance(thing, SampledDuty):
        return thing.step_s, thing.length, [(w.length, held(w.samples)) for w in thing.windows()]
    if isinstance(thing, sb.Curve):
        return held(vars(thing))
    if isinstance(thing, np.ndarray):
        return thing.dtype.str, thing.shape, thing.tobytes()
    if isinstance(thing, dict):
        return [(key, held(value)) for key, value in thing.items()]
    if isinstance(thing, (list, tuple)):
        return [held(value) for value in thing]
    if hasattr(thing, "__dict__") and not isinstance(thing, type) and not callable(thing):
        return type(thing).__name__, held({key: value for key, value in vars(thing).items() if not key.startswith("_")})
    return repr(thing)


def built(make):
    """A scenario, or the words in which it is refused."""
    try:
        return make()
    except InputError as error:
        return str(error)


def alike(scenario, changes):
    """The scenario with changes is the same, built where it changed and built as a whole; or both are refused in the same words."""
    whole = built(lambda: sb.from_dict(copy.deepcopy(scenario.data), changes, scenario.source))
    found = built(lambda: sb.with_changes(scenario, changes))
    if isinstance(whole, str):
        assert found == whole
        return False
    for name in ("name", "layout", "data", "source", "files", "own_layouts", "file", "bank", "duty"):
        assert held(getattr(found, name)) == held(getattr(whole, name)), (name, changes)
    return True


def keys_of(scenario):
    """Changes of a scenario, one at a time and some together: of packs, types, conductors, ports, duty, air."""
    first, last = (next(iter(scenario.bank.packs)).name, scenario.bank.packs[-1].name)
    kind = next(iter(scenario.data["pack_types"]))
    one = {
        f"packs.{first}.soc": 0.31, f"packs.{last}.resistance_growth": 1.7, "packs.*.soc": 0.4, f"packs.{last}.temperature": "5 degC",
        f"packs.{last}.capacity_left": 0.71, f"pack_types.{kind}.capacity": "77 Ah", f"pack_types.{kind}.cell_resistance": "1.1 milliohm",
        f"pack_types.{kind}.bms.over_voltage": {"limit": "3.6 V"}, f"pack_types.{kind}.chemistry": "nmc", "ambient": "3 degC",
        "wiring.layout": "busbar", "wiring.link.gauge": "2/0 AWG", "wiring.link.length": "1 m", "wiring.lead.joint": "0.3 milliohm",
        "wiring.added.*": "0.2 milliohm", "duty.c_rate": 0.3, "duty.repeat": 2, "duty.steps.0.hours": 1.5, "duty.days": 2,
        "name": "Another name", f"packs.{first}.soc ": 1, f"packs.{last}.soc": 1.5, "packs.none.soc": 0.5,
        "wiring.link.gauge ": "2 AWG", f"pack_types.{kind}.capacity ": "nothing", "rack": {"coupling": "1 W/K"},
    }  # fmt: skip
    yield from ({key: value} for key, value in one.items())
    yield {"packs.*.soc": 0.5, f"packs.{last}.soc": 0.6, "wiring.link.gauge": "4 AWG"}
    yield {"ambient": "30 degC", f"pack_types.{kind}.mass": "46 kg", f"packs.{first}.hysteresis": -1.0}
    yield {}


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_what_is_built_where_it_changed_is_what_is_built_as_a_whole(path):
    scenario = sb.load(path, {"duty.days": 3} if path.stem == "hilltop_clinic_days" else None)
    done = [alike(scenario, changes) for changes in keys_of(scenario)]
    assert sum(done) >= 8  # that are possible
    assert not all(done)


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_changes_one_upon_another(path):
    """Each scenario made of the one before: what was taken over from it is taken over again."""
    scenario = sb.load(path)
    for changes in keys_of(scenario):
        if "duty.days" not in changes and alike(scenario, changes):
            scenario = sb.with_changes(scenario, changes)


def test_a_pack_of_a_count_and_its_entry():
    chain = sb.example("classroom_chain")
    assert alike(chain, {"packs.P3.soc": 0.9, "packs.P4.capacity_left": 0.8})
    assert alike(
        sb.with_changes(chain, {"packs.P3.bms.charge_current.limit": "100 A"}), {"packs.P4.bms.charge_current.limit": "50 A"}
    )
    assert alike(sb.with_changes(chain, {"packs.P3.soc": 0.9}), {"packs.P.soc": 0.2})
    assert alike(chain, {"packs.P.count": 7, "packs.P7.soc": 0.9})
    assert alike(chain, {"packs.P.bms.charge_current.limit": "100 A", "packs.P2.bms.charge_current.limit": "50 A"})


def test_values_with_their_uncertainty_keep_it():
    chain = sb.example("classroom_chain")
    assert alike(chain, {"packs.P1.soc": {"value": 0.5, "within": 0.1}})
    assert alike(chain, {"wiring.link.joint": "0.2 ± 0.05 milliohm"})
    names = [value.key for value in sb.uncertain_values(sb.with_changes(chain, {"packs.P1.soc": 0.5}))]
    assert names == [value.key for value in sb.uncertain_values(sb.from_dict(chain.data, {"packs.P1.soc": 0.5}))]


def test_what_is_drawn_for_it_leaves_no_trace():
    """A bank drawn with other capacity keeps the amperes of the duty; what is built of it again is the file's."""
    chain = sb.example("classroom_chain")
    weak = sb.drawn(chain, {"packs.P3.capacity_left": 0.8})
    assert alike(weak, {"packs.P1.soc": 0.5})


def test_data_that_a_program_changed_counts():
    chain = sb.example("classroom_chain")
    sb.with_changes(chain, {"packs.P1.soc": 0.5})
    chain.data["packs"][0]["soc"] = 0.77
    assert sb.with_changes(chain, {"name": "x"}).bank.packs[0].soc == 0.77
    assert alike(chain, {"wiring.link.gauge": "2 AWG"})


def test_scenarios_share_no_data():
    chain = sb.example("classroom_chain")
    other = sb.with_changes(chain, {"name": "x"})
    other.data["wiring"]["link"]["gauge"] = "2 AWG"
    assert chain.data["wiring"]["link"]["gauge"] == "6 AWG"
    assert sb.with_changes(chain, {"name": "y"}).data["wiring"]["link"]["gauge"] == "6 AWG"
    given = copy.deepcopy(chain.data)
    made = sb.from_dict(given)
    given["packs"][0]["soc"] = 0.11
    assert made.data["packs"][0]["soc"] == chain.data["packs"][0]["soc"]


def test_copies_and_pickles_build_as_well():
    chain = sb.with_changes(sb.example("classroom_chain"), {"packs.P1.soc": 0.5})
    for other in (copy.deepcopy(chain), pickle.loads(pickle.dumps(chain)), copy.copy(chain)):
        assert held(other.bank) == held(chain.bank)
        assert alike(other, {"packs.P2.soc": 0.6})


def test_a_table_on_disk_that_changed_is_read_again(tmp_path):
    scenario = sb.load(ROOT / "scenarios" / "two_inverters.toml")
    text = (ROOT / "scenarios" / "two_inverters_load.csv").read_text(encoding="utf-8")
    path = tmp_path / "two_inverters.toml"
    path.write_text((ROOT / "scenarios" / "two_inverters.toml").read_text(encoding="utf-8"), encoding="utf-8")
    table = tmp_path / "two_inverters_load.csv"
    table.write_text(text, encoding="utf-8")
    scenario = sb.load(path)
    lines = text.splitlines()
    table.write_text("\n".join([*lines[:-1], lines[-1].replace(lines[-1].split(",")[0], "99", 1)]), encoding="utf-8")
    later = sb.with_changes(scenario, {"packs.*.soc": 0.5})
    assert later.duty.duration_s != scenario.duty.duration_s


def test_changed_copies_what_it_changes():
    data = {"packs": [{"name": "A", "soc": 0.5}, {"name": "B", "soc": 0.5}], "wiring": {"link": {"gauge": "2 AWG"}}}
    before = copy.deepcopy(data)
    made = changed(data, {"packs.A.soc": 0.3, "wiring.link.gauge": "4 AWG"})
    assert data == before
    assert made["packs"][1] is not data["packs"][1]


@pytest.mark.parametrize(
    "steps",
    [
        {
            "packs.P.soc": 0.4,
            "packs.P2.soc": 0.6,
            "packs.P.capacity_left": 0.9,
        },  # of the entry, of a pack written out of it, of both
        {"packs.*.soc": 0.4, "packs.1.name": "B", "packs.B.soc": 0.7, "packs.A.soc": 0.1},
        {"packs.*.t.a": 1, "packs.1": {"soc": 0.3}, "packs.1.name": "B", "packs.B.t.a": 2},
        {"wiring.link": {"gauge": "4 AWG"}, "wiring.link.gauge": "6 AWG", "wiring.link.length": "1 m"},
        {"packs.P.count": 1, "packs.P.soc": 0.4, "packs.P1.soc": 0.6},
    ],
)
def test_many_keys_at_once_are_set_as_one_after_another(steps):
    """Counts first, then what is said of all, then the rest in its order."""
    for packs in ([{"name": "P", "count": 3, "soc": 0.5}], [{"name": "A", "soc": 0.5}, {"name": "C", "soc": 0.5}]):
        data = {"packs": packs, "wiring": {"link": {"gauge": "2 AWG"}}}
        before = copy.deepcopy(data)
        try:
            one_by_one = functools.reduce(lambda so_far, step: changed(so_far, dict([step])), steps.items(), data)
        except InputError as error:
            with pytest.raises(InputError, match=re.escape(error.problem)):
                changed(data, steps)
            continue
        assert changed(data, steps) == one_by_one
        assert data == before


def test_a_zero_that_is_said_is_not_one_that_is_left_out():
    """Equal numbers, but a joint that is left out is told of and drawn."""
    chain = sb.example("classroom_chain")
    bare = sb.with_changes(chain, {"wiring.link": {"gauge": "2 AWG", "length": "30 cm"}})
    assert bare.bank.joints_left_out
    assert alike(bare, {"wiring.link.joint": "0 ohm"})
    assert not sb.with_changes(bare, {"wiring.link.joint": "0 ohm"}).bank.joints_left_out
    assert alike(sb.with_changes(bare, {"wiring.link.joint": "0 ohm"}), {"wiring.link": {"gauge": "2 AWG", "length": "30 cm"}})


def test_runs_of_changed_scenarios_equal_those_of_scenarios_built_as_a_whole():
    """What is kept of curves, graphs and switch patterns from one run to the next belongs to the bank that is run."""
    clinic = sb.load(ROOT / "scenarios" / "hilltop_clinic.toml")
    weak = {f"packs.{name}.resistance_growth": 1.0 + 0.3 * k for k, name in enumerate("ABCDE")}
    one_chemistry = dataclasses.replace(sb.load_chemistry("lfp"), name="own", ocv=sb.Curve([0, 0.5, 1], [3.0, 3.3, 3.5]))
    for changes in (
        weak, weak | {"packs.A.soc": 0.2}, weak | {"ambient": "41 °C"}, weak | {"wiring.link.gauge": "6 AWG"}, weak,
        {"chemistries.own": one_chemistry, "pack_types.*.chemistry": "own"}, weak,
    ):  # fmt: skip
        changed_one = sb.simulate(sb.with_changes(clinic, changes), integrator="fast", tolerance=1e-4)
        whole = sb.simulate(sb.from_dict(copy.deepcopy(clinic.data), changes, clinic.source), integrator="fast", tolerance=1e-4)
        assert held(changed_one.summary) == held(whole.summary), changes


def test_a_curve_is_not_written_to():
    curve = sb.Curve([0.0, 1.0], [3.0, 3.4])
    with pytest.raises(ValueError, match="read-only"):
        curve.rows[0, 1] = 0.0


def test_each_row_of_a_sweep_is_the_run_of_a_file_read_anew():
    """Nothing that is kept from run to run is taken for what a key has changed: every kind of key, one after the other and back again."""
    scenario = sb.load(ROOT / "scenarios" / "hilltop_clinic.toml", {"duty.repeat": 1})
    kind, port = scenario.file.packs[0].type, scenario.file.ports[0].name
    limit = {"limit": "3.4 V", "delay": "1 s", "release": "3.3 V"}
    changes = [
        {"packs.A.soc": 0.5, "packs.B.soc": 0.9}, {"packs.A.soc": 0.55, "packs.B.soc": 0.85}, {"packs.B.soc": 0.85, "packs.A.soc": 0.55},
        {"packs.A.resistance_growth": 1.5}, {"packs.A.resistance_growth": 3.0}, {"packs.A.capacity_left": 0.7}, {"packs.A.temperature": "5 degC"},
        {"packs.*.soc": 0.6}, {"packs.0.soc": 0.6}, {"packs.A.type": scenario.file.packs[2].type},
        {f"pack_types.{kind}.bms.over_voltage": limit}, {f"pack_types.{kind}.bms.over_voltage": limit | {"limit": "3.5 V"}},
        {f"pack_types.{kind}.bms.over_voltage": limit | {"limit": "3.45 V"}}, {"packs.A.bms.charge_current": {"limit": "20 A"}},
        {"packs.A.bms.charge_current": {"limit": "5 A"}}, {f"pack_types.{kind}.bms.stuck": "charge"}, {f"pack_types.{kind}.capacity": "77 Ah"},
        {f"pack_types.{kind}.cell_resistance": "1.1 milliohm"}, {f"pack_types.{kind}.chemistry": "nmc", f"pack_types.{kind}.cells_in_series": 14},
        {f"pack_types.{kind}.mass": "46 kg", f"pack_types.{kind}.heat_loss": "2 W/K"}, {"ambient": "3 degC"}, {"wiring.layout": "chain-opposite"},
        {"wiring.link.length": "2 m"}, {"wiring.added.*": "1 milliohm"}, {"duty.repeat": 2}, {f"ports.{port}.lead.length": "9 m"}, {},
    ]  # fmt: skip
    points = [*changes, *reversed(changes)]
    table = sb.sweep(scenario, points=points, tolerance=1e-5)
    fresh = []
    for point in changes:
        whole = built(lambda point=point: sb.from_dict(copy.deepcopy(scenario.data), point, scenario.source))
        assert not isinstance(whole, str), (point, whole)
        result = sb.simulate(whole, integrator="fast", tolerance=1e-5, output_step_s=600.0)
        fresh.append({name: value for name, value in headline(result.summary).items() if name in table})

    def told(value):
        return value if isinstance(value, str) else None if value is None or value != value else float(value)

    assert len(fresh[0]) > 10
    for row, point, expected in zip(table.to_dict("records"), points, [*fresh, *reversed(fresh)], strict=True):
        assert {name: told(row[name]) for name in expected} == {name: told(value) for name, value in expected.items()}, point
    different = {tuple(map(str, figures.values())) for figures in fresh}
    assert len(different) >= len(changes) - 4  # each key changes what comes of it, but those that say the same in other words

"""Own chemistries: numbers of a shipped one changed in the scenario, files of one's own, and where their paths count from."""

import json
import os
import shutil
import tomllib

import numpy as np
import pytest
from banks import SMALL
from typer.testing import CliRunner

import simbank
from simbank.cells import load_chemistry
from simbank.cli.program import app
from simbank.errors import InputError

ONE = """
name = "One"
[chemistries.mine]
base = "lfp"
[pack_types.slab]
chemistry = "mine"
capacity = "100 Ah"
cell_resistance = "0.5 milliohm"
[[packs]]
name = "A"
type = "slab"
soc = 0.79
[wiring]
layout = "chain"
[[ports]]
name = "inverter"
[duty]
kind = "constant"
discharge = "0.2 C"
hours = 1
"""


def own(changes=None, text=ONE):
    return simbank.from_dict(tomllib.loads(text), {f"chemistries.mine.{key}": value for key, value in (changes or {}).items()})


@pytest.mark.parametrize("integrator", ["reference", "fast"])
@pytest.mark.parametrize("scale", [1.0, 2.0])
def test_a_scale_of_resistance_by_its_closed_form(integrator, scale):
    """20 A through 16 cells of 0.5 mΩ for an hour: I² R t, times the scale. R0's factor over charge is 1 from 50 to 80 % (lfp.toml)."""
    result = simbank.simulate(own({"resistance.scale": scale}), integrator=integrator)
    assert result.summary["losses_wh"]["pack_ohmic"] == pytest.approx(scale * 20.0**2 * 16 * 0.5e-3, rel=1e-6)


def test_a_scale_of_relaxation_by_its_closed_form():
    """After an hour both pairs of lfp (30 and 900 s) carry R I (1 − exp(−t/τ)); the factor over charge stays within 2 % of 1."""
    voltage = {s: simbank.simulate(own({"relaxation.scale": s})).ports["voltage_v"]["inverter"].iloc[-1] for s in (0.0, 1.0, 3.0)}
    pairs = sum(ratio * (1 - np.exp(-3600.0 / tau)) for ratio, tau in ((0.4, 30.0), (0.6, 900.0)))
    drop = 16 * 0.5e-3 * 20.0 * pairs
    assert voltage[0.0] - voltage[1.0] == pytest.approx(drop, rel=0.02)
    assert voltage[0.0] - voltage[3.0] == pytest.approx(3 * drop, rel=0.02)


def test_a_time_scale_makes_the_pairs_slower():
    short = {"duty.hours": 60 / 3600}
    data = own().data

    def drop(scale):
        one = simbank.from_dict(data, {**short, "chemistries.mine.relaxation.time_scale": scale})
        return simbank.simulate(one).ports["voltage_v"]["inverter"].iloc[-1]

    for scale in (1.0, 4.0):
        pairs = sum(ratio * (1 - np.exp(-60.0 / (tau * scale))) for ratio, tau in ((0.4, 30.0), (0.6, 900.0)))
        assert drop(1e3) - drop(scale) == pytest.approx(16 * 0.5e-3 * 20.0 * pairs, rel=0.05)


@pytest.mark.parametrize("integrator", ["reference", "fast"])
def test_an_offset_of_the_curve_moves_the_port_by_cells_times_offset(integrator):
    base, moved = (simbank.simulate(own(c), integrator=integrator) for c in ({}, {"ocv.offset": "5 mV"}))
    shift = moved.ports["voltage_v"]["inverter"].to_numpy() - base.ports["voltage_v"]["inverter"].to_numpy()
    assert shift == pytest.approx(16 * 5e-3, abs=1e-6)


def test_every_key_changes_what_it_says():
    lfp = load_chemistry("lfp")
    half, z = 0.5, np.linspace(-0.05, 1.05, 111)

    def one(key, value, **more):
        return simbank.derived_chemistry("lfp", {key: value, **more})

    steep = one("ocv.scale", 0.9)
    assert steep.ocv(z[10:100]) - lfp.ocv(half) == pytest.approx(0.9 * (lfp.ocv(z[10:100]) - lfp.ocv(half)), abs=1e-12)
    assert one("hysteresis.scale", 3.0).half_width(z) == pytest.approx(3 * lfp.half_width(z))
    assert one("hysteresis.half_width", "7 mV").half_width(z) == pytest.approx(7e-3)
    assert simbank.derived_chemistry("lfp", {"hysteresis.half_width": "7 mV", "hysteresis.scale": 2}).half_width(
        z
    ) == pytest.approx(14e-3)
    assert one("hysteresis.decay_per_soc", 90.0).decay_per_soc == 90.0
    assert one("entropy.scale", -2.0).entropy(z) == pytest.approx(-2 * lfp.entropy(z))
    assert one("resistance.activation_energy", "8.314462618 kJ/mol").arrhenius_k == pytest.approx(1000.0)
    assert one("relaxation.activation_energy", "8.314462618 kJ/mol").arrhenius_rc_k == pytest.approx(1000.0)
    assert one("limits.volt_max", "3.7 V").volt_max == 3.7
    assert one("charge_rate.scale", 0.5).charge_rate(20.0) == pytest.approx(0.5 * lfp.charge_rate(20.0))
    assert one("typical.specific_heat", "900 J/kg/K").specific_heat_j_kg_k == pytest.approx(900.0)
    assert "hysteresis.scale = 3" in one("hysteresis.scale", 3.0).notes["hysteresis"]
    assert one("hysteresis.scale", 3.0).notes["ocv"] == lfp.notes["ocv"]


TWO = SMALL.replace('capacity = "280 Ah"', 'chemistry = "mine"\ncapacity = "280 Ah"').replace(
    "capacity_left = 0.8", "soc = 0.4"
) + ('[chemistries.mine]\nbase = "lfp"\n')
REST = {
    "packs.B.soc": 0.4,
    "duty": {"kind": "cycles", "steps": [{"discharge": "0.1 C", "hours": 0.5}, {"rest": True, "hours": 48}]},
}


def test_without_hysteresis_packs_level_out_again():
    def spread(scale):
        return simbank.simulate(
            simbank.from_dict(own(text=TWO).data, REST | {"chemistries.mine.hysteresis.scale": scale})
        ).spread_points

    kept, levelled = spread(1.0).iloc[-1], spread(0.0).iloc[-1]
    assert kept > 5
    assert levelled < 0.2 * kept


def test_a_sweep_of_the_hysteresis_changes_the_standing_spread_and_is_taken_up_again(tmp_path):
    scenario = simbank.from_dict(own(text=TWO).data, REST)
    over = {"chemistries.mine.hysteresis.scale": [0.0, 0.5, 1.0]}
    table = simbank.sweep(scenario, over, keep=tmp_path)
    assert np.all(np.diff(table["spread_end_points"]) > 0.1)
    rows = (tmp_path / "rows.jsonl").read_text()
    simbank.sweep(scenario, over, keep=tmp_path)
    assert (tmp_path / "rows.jsonl").read_text() == rows  # nothing was computed anew


def test_rows_of_a_changed_chemistry_file_are_stale(tmp_path):
    """The file behind a name of [chemistries] counts among all that a row was computed from."""
    shipped = simbank.cells.chemistry.LIBRARY / "lfp.toml"
    shutil.copy(shipped, tmp_path / "cell.toml")
    (tmp_path / "bank.toml").write_text(TWO.replace('base = "lfp"', 'base = "cell.toml"'))

    def ends():
        scenario = simbank.load(tmp_path / "bank.toml", REST)
        table = simbank.sweep(scenario, {"chemistries.mine.hysteresis.scale": [1.0]}, keep=tmp_path / "out")
        return table["spread_end_points"].iloc[0]

    before = ends()
    text = shipped.read_text(encoding="utf-8").replace(
        "half_width_volt = [0.014, 0.012, 0.010, 0.010]", "half_width_volt = [0, 0, 0, 0]"
    )
    (tmp_path / "cell.toml").write_text(text, encoding="utf-8")
    assert ends() < 0.2 * before


@pytest.mark.parametrize(
    ("key", "value", "says"),
    [
        ("hysterisis.scale", 2, 'unknown key "hysterisis"; did you mean "hysteresis"?'),
        ("hysteresis.decay_soc", 2, 'unknown key "decay_soc"; did you mean "decay_per_soc"?'),
        ("hysteresis.scale", -1, "chemistries.mine.hysteresis.scale: -1: must be at least 0"),
        ("resistance.scale", 0, "must be above 0"),
        ("ocv.offset", "5 mA", "wrong dimension"),
        ("ocv.offset", "100 mV", "a full cell would rest at 3.7 V, above the 3.65 V"),
        ("ocv.offset", "-200 mV", "an empty cell would rest at 2.4 V, below the 2.5 V"),
        ("limits.cutoff_volt", "3.6 V", "must satisfy"),
        ("base", "lpf", "chemistries.mine.base: 'lpf': unknown chemistry; did you mean \"lfp\"?"),
        ("base", "none.toml", "chemistries.mine.base: 'none.toml': no such file"),
    ],
)
def test_faults_of_own_chemistries(key, value, says):
    with pytest.raises(InputError) as caught:
        own({key: value})
    assert says in str(caught.value)


def test_names_of_own_chemistries():
    data = own().data
    with pytest.raises(InputError, match="a shipped chemistry has this name"):
        simbank.from_dict(data, {"chemistries.nmc": {"base": "lfp"}})
    with pytest.raises(InputError, match="base: is required"):
        simbank.from_dict(data, {"chemistries.mien.hysteresis.scale": 2})
    with pytest.raises(InputError, match='unknown chemistry; did you mean "mine"'):
        simbank.from_dict(data, {"pack_types.slab.chemistry": "mien"})


def test_a_chemistry_that_nobody_names_is_told():
    scenario = simbank.from_dict(own().data, {"chemistries.spare": {"base": "nmc"}})
    (told,) = [w for w in simbank.bank_warnings(scenario) if w.code == "chemistry-unused"]
    assert told.where == "spare"
    assert "chemistry-unused" in [w.code for w in simbank.simulate(scenario).warnings]
    assert "chemistry-unused" not in [w.code for w in simbank.bank_warnings(own())]


def bank_beside_its_cell(folder):
    """A scenario and a chemistry file in a folder below ``folder``."""
    (folder / "banks").mkdir()
    shutil.copy(simbank.cells.chemistry.LIBRARY / "nmc.toml", folder / "banks" / "cell.toml")
    path = folder / "banks" / "bank.toml"
    text = SMALL.replace('capacity = "280 Ah"', 'chemistry = "cell.toml"\ncells_in_series = 14\ncapacity = "280 Ah"')
    path.write_text(text)
    return path


@pytest.mark.parametrize("key", ["pack_types.slab.chemistry", "chemistries.mine.base"])
def test_a_path_counts_from_the_file_that_names_it(tmp_path, monkeypatch, key):
    path = bank_beside_its_cell(tmp_path)
    monkeypatch.chdir(tmp_path)
    scenario = simbank.load(path, {key: "cell.toml"})
    assert scenario.bank.packs[0].chemistry.name == "nmc"
    assert f"{key}" in scenario.files
    os.rename(tmp_path / "banks" / "cell.toml", tmp_path / "cell.toml")
    with pytest.raises(InputError) as caught:
        simbank.load(path, {"pack_types.slab.chemistry": "lfp", key: "cell.toml"})
    assert 'Paths count from the file that names them, not from the working folder; write "../cell.toml"' in str(caught.value)
    assert key in str(caught.value)
    simbank.load(path, {"pack_types.slab.chemistry": "lfp", key: "../cell.toml"})
    with pytest.raises(InputError, match="no such file"):
        simbank.load(path, {"pack_types.slab.chemistry": "lfp", key: "absent.toml"})


def test_drift_takes_own_names_and_files(tmp_path, monkeypatch):
    path = bank_beside_its_cell(tmp_path)
    path.write_text(path.read_text() + '[chemistries.wide]\nbase = "lfp"\nhysteresis.scale = 2\n')
    monkeypatch.chdir(tmp_path)
    words = ["drift", "banks/bank.toml", "--chemistry", "wide", "--chemistry", "lfp", "--chemistry", "banks/cell.toml", "--json"]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0, done.output
    found = json.loads(done.stdout)
    rows = {row["chemistry"]: row for row in found["rows"]}
    assert list(rows) == ["wide", "lfp", "banks/cell.toml"]
    assert rows["wide"]["half_width_mv"] == pytest.approx(2 * rows["lfp"]["half_width_mv"])
    assert rows["wide"]["spread_after_rest_points"] > rows["lfp"]["spread_after_rest_points"]
    assert rows["banks/cell.toml"]["half_width_mv"] == 0
    assert "chemistry-unused" not in [w["code"] for w in found["warnings"]]


# ---- simbank cell new ----


def says(*words, refused=False):
    """What a command prints, or the one line of its refusal."""
    done = CliRunner().invoke(app, [str(word) for word in words], env={"COLUMNS": "200"})
    if refused:
        assert isinstance(done.exception, InputError), done.output
        return str(done.exception)
    assert done.exit_code == 0, f"{done.output}{done.exception!r}"
    return done.output


@pytest.mark.parametrize("base", simbank.chemistry_library())
def test_a_new_cell_has_every_key_and_works_as_it_stands(tmp_path, monkeypatch, base):
    from simbank.cells.chemistry_schema import SECTIONS, ChemistryFile, Sourced

    monkeypatch.chdir(tmp_path)
    says("cell", "new", "my_cell.toml", "--base", base)
    text = (tmp_path / "my_cell.toml").read_text(encoding="utf-8")
    data = tomllib.loads(text)
    every = {
        section: set(ChemistryFile.model_fields[section].annotation.model_fields) - set(Sourced.model_fields)
        for section in SECTIONS
    }
    assert {section: set(data[section]) - set(Sourced.model_fields) for section in SECTIONS} == every
    assert set(data) == set(ChemistryFile.model_fields)
    for key in {"name", "family", *(key for keys in every.values() for key in keys)}:
        assert f"\n# {key}: " in text
    before = text.partition("\nvolt = [")[0].splitlines()[-4:]
    assert any("MEASURE" in line for line in before)
    assert max(map(len, [line for line in text.splitlines() if line.startswith("#")])) <= 110

    made, shipped = load_chemistry("my_cell.toml"), load_chemistry(base)
    z = np.linspace(-0.1, 1.1, 301)
    for curve in ("ocv", "half_width", "entropy", "r_factor", "rc_factor"):
        assert getattr(made, curve)(z) == pytest.approx(getattr(shipped, curve)(z), abs=0)
    for number in (
        "decay_per_soc",
        "rc",
        "volt_max",
        "volt_min",
        "charge_volt",
        "cutoff_volt",
        "arrhenius_k",
        "typical",
        "family",
    ):
        assert getattr(made, number) == getattr(shipped, number)
    assert "none of them measured" in made.source

    (tmp_path / "bank.toml").write_text(
        SMALL.replace(
            'capacity = "280 Ah"', f'chemistry = "my_cell.toml"\ncells_in_series = {made.series_48v()}\ncapacity = "280 Ah"'
        )
    )
    assert simbank.simulate(simbank.load("bank.toml"), integrator="fast").summary["closure"]["energy_relative"] < 1e-5
    assert "is there already" in says("cell", "new", "my_cell.toml", refused=True)


def test_a_new_bank_of_a_new_cell_names_it_from_where_it_stands(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "banks").mkdir()
    says("cell", "new", "cell.toml", "--base", "nmc")
    says("new", "banks/bank.toml", "--packs", "100,50", "--chemistry", "cell.toml")
    assert 'chemistry = "../cell.toml"' in (tmp_path / "banks" / "bank.toml").read_text(encoding="utf-8")
    assert {pack.chemistry.name for pack in simbank.load("banks/bank.toml").bank.packs} == {"cell"}
    assert "no such file" in says("new", "banks/other.toml", "--chemistry", "absent.toml", refused=True)
    assert not (tmp_path / "banks" / "other.toml").exists()


def test_faults_of_a_new_cell(tmp_path):
    assert 'did you mean "lfp"' in says("cell", "new", tmp_path / "a.toml", "--base", "lpf", refused=True)
    assert 'must end in ".toml"' in says("cell", "new", tmp_path / "a.txt", refused=True)
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_no_toml_is_said_to_be_one(tmp_path):
    path = tmp_path / "cell.csv"
    path.write_text("1,2\n", encoding="utf-8")
    for call in (
        lambda: simbank.load_chemistry("cell.csv", tmp_path),
        lambda: simbank.example("classroom_chain").chemistry(str(path)),
    ):
        with pytest.raises(simbank.InputError, match="a file, but not a chemistry file"):
            call()
    with pytest.raises(simbank.InputError, match="unknown chemistry"):
        simbank.load_chemistry("x" * 5000)

"""The file: what it accepts, and one clear line for each way in which it can be wrong."""

import copy
import json
import tomllib

import pytest
from banks import SMALL
from conftest import ROOT

import simbank
from simbank.duty import table_steps
from simbank.errors import InputError
from simbank.scenario import changed


@pytest.fixture
def data():
    return tomllib.loads(SMALL)


def fault(data, changes):
    with pytest.raises(InputError) as caught:
        simbank.from_dict(data, changes, source="bank.toml")
    text = str(caught.value)
    assert "\n" not in text
    assert text.startswith("bank.toml: ")
    return text


def test_the_smallest_useful_file_is_under_25_lines(data):
    assert len(SMALL.strip().splitlines()) < 25
    scenario = simbank.from_dict(data)
    assert scenario.bank.capacity_ah == 560
    assert simbank.simulate(scenario).summary["bank"]["charge_out_ah"] == pytest.approx(112)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"wiring.link.gague": "2 AWG"}, 'unknown key "gague"; did you mean "gauge"'),
        ({"wirring": {}}, 'did you mean "wiring"'),
        ({"wiring.link.length": "30 kg"}, "wiring.link.length: '30 kg': has the wrong dimension"),
        ({"wiring.link.length": 30}, "a number without a unit"),
        ({"wiring.link.length": "-30 cm"}, "must be above zero"),
        ({"wiring.link.length": "0 cm"}, "must be above zero"),
        ({"pack_types.slab.capacity": "0 Ah"}, "pack_types.slab.capacity: '0 Ah': must be above zero"),
        ({"pack_types.slab.capacity": "-1 Ah"}, "must be above zero"),
        ({"pack_types.slab.capacity": "1e-9 Ah"}, "pack_types.slab.capacity: '1e-09 Ah': a pack must hold at least 0.1 Ah"),
        ({"packs.A.soc": 1.5}, "packs.A.soc: 1.5: must be at least 0 and at most 1"),
        ({"packs.A.soc": -0.1}, "must be at least 0"),
        ({"packs.A.soc": float("nan")}, "must be a number"),
        ({"packs.A.soc": "half"}, "must be a number"),
        ({"packs.A.capacity_left": 0}, "must be above 0"),
        ({"packs.B.name": "A"}, "'A': two of them have this name"),
        ({"packs.A.type": "slap"}, 'did you mean "slab"'),
        ({"wiring.link.gauge": "45 AWG"}, "wiring.link.gauge: '45 AWG': this gauge does not exist"),
        ({"wiring.link.gauge": "33 mm2"}, "does not exist"),
        ({"wiring.link.material": "gold"}, "'gold'"),
        ({"wiring.layout": "ring"}, "wiring.layout: 'ring'"),
        ({"wiring.layout": "busbar"}, "wiring.lead"),
        ({"wiring.link": {"gauge": "2 AWG"}}, 'needs "gauge" and "length"'),
        ({"wiring.link.resistance": "1 milliohm"}, "not both"),
        ({"ports": []}, "ports"),
        ({"packs": []}, "packs"),
        ({"duty.kind": "sometimes"}, "use one of cycles, constant, table"),
        ({"duty.hours": 0}, "must be above 0"),
        ({"duty.discharge": "0.2"}, "write a C-rate"),
        ({"duty.discharge": "5 V"}, "write a C-rate"),
        ({"duty.charge": "0.2 C"}, "exactly one of"),
        ({"duty.port": "invertor"}, 'did you mean "inverter"'),
        ({"duty.cutoff": "60 V"}, "below the charge voltage"),
        ({"ports.inverter.positive": "Z+"}, "no such place"),
        ({"ports.inverter.positive": "A-"}, "short-circuited"),
        ({"packs.C.soc": 0.4}, "no such entry"),
        ({"name.x": 1}, "leads into a plain value"),
        ({"ambient": "25"}, "ambient"),
        ({"pack_types.slab.chemistry": "lpf"}, 'did you mean "lfp"'),
        ({"wiring.leads": {"Q": {"gauge": "2 AWG", "length": "1 m"}}}, "no such pack"),
        ({"wiring.strings": [{"name": "s", "packs": ["A"]}]}, "'B': isolated: it is in no string"),
        ({"wiring.conductors": [{"from": "A+", "to": "B+", "resistance": "1 milliohm"}]}, 'need layout = "graph"'),
    ],
)  # fmt: skip
def test_each_fault_gives_one_line(data, changes, says):
    assert says in fault(data, changes)


def test_one_line_names_all_that_is_missing(tmp_path):
    """ "source: is required (and 9 more)" named none of the nine."""
    (tmp_path / "mine.toml").write_text('name = "mine"\nsorce = "a sheet"\n[ocv]\nsoc = [0, 1]\nvolts = [3.0, 3.4]\n')
    with pytest.raises(InputError) as caught:
        simbank.load_chemistry(tmp_path / "mine.toml")
    text = str(caught.value)
    assert 'unknown key "sorce"; did you mean "source"?' in text
    assert 'ocv: unknown key "volts"; did you mean "volt"?' in text
    missing = text.partition("required, too: ")[2].partition(";")[0].split(", ")
    assert sorted(missing) == sorted(
        ["title", "licence", "reference_temperature", "ocv.source", "hysteresis", "entropy", "resistance", "relaxation", "limits",
         "charge_rate", "typical"]
    )  # fmt: skip
    (tmp_path / "mine.toml").write_text("")
    with pytest.raises(InputError, match="name: is required; so are title, source, licence, reference_temperature, ocv, "):
        simbank.load_chemistry(tmp_path / "mine.toml")


def test_what_contradicts_itself_in_a_chemistry_is_told_together(tmp_path, root):
    text = (root / "simbank" / "cells" / "library" / "lfp.toml").read_text(encoding="utf-8")
    for old, new in (
        ("3.2995", "3.1"),
        ("volt_max = 3.65", "volt_max = 3.0"),
        ("half_width_volt = [0.014", "half_width_volt = [-0.014"),
    ):
        text = text.replace(old, new, 1)
    (tmp_path / "mine.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        simbank.load_chemistry(tmp_path / "mine.toml")
    for says in ("ocv.volt: must rise", "hysteresis.half_width_volt: must not be below zero", "limits: must satisfy"):
        assert says in str(caught.value)


def test_faults_of_several_kinds_are_told_together(data):
    text = fault(data, {"packs.A.soc": 1.5, "wiring.link.length": "30 kg", "duty.hours": 0, "ports": [{}]})
    for says in (
        "packs.A.soc: 1.5: must be at least 0",
        "wiring.link.length: '30 kg': has the wrong",
        "ports.0.name",
        "duty.hours: 0: must",
    ):
        assert says in text


def test_a_fault_is_told_by_the_key_that_set_takes(data):
    """By its name where an entry has one of its own; by its number from 0 where it has none or shares it; a fault of the name itself by
    number."""
    assert ": packs.B.soc: 1.5: must" in fault(data, {"packs.B.soc": 1.5})
    bare = [{"type": "slab", "soc": 0.5}, {"name": "B", "type": "slab", "soc": 2}]
    assert "packs.0.name: is required" in fault(data, {"packs": bare})
    assert "packs.B.soc: 2" in fault(data, {"packs": bare})
    assert "packs.1.soc: 3" in fault(data, {"packs": [{"name": "A", "type": "slab"}, {"name": "A", "type": "slab", "soc": 3}]})
    assert "packs.P2.soc: 1.5" in fault(data, {"packs": [{"name": "P", "count": 3, "type": "slab"}], "packs.P2.soc": 1.5})


@pytest.mark.parametrize("begin", [-5, -0.001])
def test_a_table_begins_at_zero_or_later(tmp_path, begin):
    """Before the start nothing can be run: -5 h had been taken for the start, silently."""
    (tmp_path / "load.csv").write_text(f"time_h,power_w\n{begin},100\n1,0\n")
    with pytest.raises(InputError, match=r"row 2, time_h.*begin at 0"):
        table_steps(tmp_path / "load.csv", ["port"], "hold", {})
    (tmp_path / "load.csv").write_text("time_h,power_w\n5,100\n6,0\n")
    assert [step.duration_s for step in table_steps(tmp_path / "load.csv", ["port"], "hold", {})] == [3600.0]


def test_a_hundred_faults_are_counted_not_cut(data):
    text = fault(data, {"packs": [{"name": f"P{k}", "type": "slab", "soc": 2} for k in range(100)]})
    assert text.count("must be at least 0 and at most 1") > 5
    assert text.endswith(" more")
    assert len(text) < 900


def graph(data, conductors):
    data = copy.deepcopy(data)
    data["wiring"] = {"layout": "graph", "conductors": conductors}
    data["ports"] = [{"name": "inverter", "positive": "A+", "negative": "A-"}]
    return data


LINK = {"gauge": "2 AWG", "length": "30 cm"}


def test_an_explicit_graph_equals_the_layout_it_draws(data):
    drawn = graph(data, [{"from": "A+", "to": "B+", **LINK}, {"from": "A-", "to": "B-", **LINK}])
    one, two = (simbank.simulate(simbank.from_dict(d)).summary["packs"] for d in (data, drawn))
    assert [p["soc_end"] for p in one] == pytest.approx([p["soc_end"] for p in two], abs=1e-12)


def test_an_isolated_pack(data):
    assert "packs.B: isolated" in fault(graph(data, [{"from": "A+", "to": "B+", **LINK}]), {})


def test_a_port_short_circuited_by_zero_resistance(data):
    ends = [
        {"from": "A+", "to": "B+", **LINK},
        {"from": "A-", "to": "B-", **LINK},
        {"from": "A+", "to": "A-", "resistance": "0 ohm"},
    ]
    assert "short-circuited: zero resistance joins" in fault(graph(data, ends), {})


def test_zero_resistance_joins_two_places(data):
    ends = [{"from": "A+", "to": "B+", "resistance": "0 ohm"}, {"from": "A-", "to": "B-", "resistance": "0 ohm"}]
    scenario = simbank.from_dict(graph(data, ends))
    assert len(scenario.bank.graph.branches) == 0
    currents = simbank.simulate(scenario).packs["current_a"].iloc[5]
    assert currents["A"] == pytest.approx(currents["B"])


def test_ten_thousand_packs_say_their_limit(data):
    assert "at most 256 packs" in fault(data, {"packs": [{"name": "A", "type": "slab", "count": 10_000}]})
    many = [{"name": f"A{k}", "type": "slab"} for k in range(10_000)]
    assert "at most 256 packs" in fault(data, {"packs": many})


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("time_s,power_w\n0,100\n60,nan\n120,0\n", "row 3, power_w: 'nan'"),
        ("time_s,power_w\n0,100\n120,5\n60,0\n", "row 4, time_s: 60.0: times must rise"),
        ("time_s,power_w\n0,100\n60,oops\n120,0\n", "every value must be a finite number"),
        ("time_s,volts\n0,100\n60,1\n", "unknown column"),
        ("when,power_w\n0,100\n60,1\n", "needs one column time_s"),
        ("time_s,power_w\n0,100\n", "two rows or more"),
        ("time_s\n0\n1\n", "needs a column such as"),
        ("time_s,power_w,current_a\n0,1,1\n1,1,1\n", "not both"),
        ("", "the file is empty"),
    ],
)
def test_faults_in_a_table(tmp_path, text, says):
    (tmp_path / "load.csv").write_text(text)
    (tmp_path / "bank.toml").write_text(SMALL.split("[duty]")[0] + '[duty]\nkind = "table"\nfile = "load.csv"\n')
    with pytest.raises(InputError) as caught:
        simbank.load(tmp_path / "bank.toml")
    assert says in str(caught.value)
    assert "load.csv" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_the_tail_of_a_table_is_no_power(data):
    """100 W were taken for 100 A."""
    assert "C-rate or a current" in fault(data, {"duty": {"kind": "table", "file": "nowhere.csv", "tail": "100 W"}})


def test_missing_table(data):
    assert "no such file" in fault(data, {"duty": {"kind": "table", "file": "nowhere.csv"}})


def test_a_table_runs(tmp_path):
    (tmp_path / "load.csv").write_text("time_h, inverter_power_w\n0, 2000\n0.5, 2000\n1, -1000\n1.5, 0\n2, 0\n")
    (tmp_path / "bank.toml").write_text(SMALL.split("[duty]")[0] + '[duty]\nkind = "table"\nfile = "load.csv"\n')
    scenario = simbank.load(tmp_path / "bank.toml")
    assert len(scenario.duty.steps) == 3  # equal neighbours are merged
    bank = simbank.simulate(scenario).summary["bank"]
    assert bank["energy_out_wh"] == pytest.approx(2000, rel=1e-6)
    assert bank["energy_in_wh"] == pytest.approx(500, rel=1e-6)


@pytest.mark.parametrize(("text", "says"), [("name = ", "not TOML"), (b"\xff\xfe", "not TOML")])
def test_files_that_are_not_toml(tmp_path, text, says):
    path = tmp_path / "x.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(InputError, match=says):
        simbank.load(path)
    with pytest.raises(InputError, match="no such file"):
        simbank.load(tmp_path / "absent.toml")


def test_changes_leave_the_original_alone(data):
    before = copy.deepcopy(data)
    changed(data, {"packs.A.soc": 0.9, "wiring.link.gauge": "4 AWG", "packs.1.soc": 0.1})
    assert data == before


def test_c_rate_replaces_rates_stated_in_c(data):
    scenario = simbank.from_dict(data, {"duty.c_rate": 0.5})
    assert scenario.duty.steps[0].commands["inverter"].value == pytest.approx(280)


def test_schema_describes_the_shipped_scenarios():
    schema = simbank.json_schema()
    assert json.loads(json.dumps(schema)) == schema
    assert {"name", "pack_types", "packs", "wiring", "ports", "duty"} <= set(schema["properties"])


@pytest.mark.parametrize("path", sorted((ROOT / "scenarios").glob("*.toml")), ids=lambda p: p.stem)
def test_shipped_scenarios_say_what_they_are(path):
    text = path.read_text()
    assert "invented" in text
    assert "question" in text
    simbank.load(path)


def test_strings_on_a_distribution_bar():
    bank = simbank.load(ROOT / "scenarios" / "two_barn_strings.toml").bank
    kinds = [b.kind for b in bank.graph.branches]
    assert kinds.count("device") == 3
    assert kinds.count("link") == 8
    assert kinds.count("bar") == 2
    by_name = {b.name: b for b in bank.graph.branches}
    assert by_name["lead west +"].resistance_ohm > by_name["lead east +"].resistance_ohm


def test_leads_of_their_own_length(data):
    scenario = simbank.from_dict(
        data, {"wiring.layout": "busbar", "wiring.lead": LINK, "wiring.leads": {"B": {"length": "90 cm"}}}
    )
    ohm = {b.name: b.resistance_ohm for b in scenario.bank.graph.branches}
    assert ohm["lead B +"] == pytest.approx(3 * ohm["lead A +"])


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"name": "A\nB"}, "name: .*one line"),
        ({"name": "x" * 301}, "name: .*has 301 letters"),
        ({"packs.0.name": "A\nB"}, "packs.*name: .*one line"),
        ({"packs.0.name": "\u202eA"}, "packs.*name: .*one line"),
        ({"packs.0.name": "\x1b[2J"}, "packs.*name: .*one line"),
        ({"packs.0.name": "W" * 100000}, "packs.*name: .*has 100000 letters"),
        ({"ports.0.name": "\u2067x"}, "ports.*name: .*one line"),
        ({"chemistries": {"a\tb": {"base": "lfp"}}}, "chemistries: .*one line"),
        ({"chemistries": {"x": 5}}, "chemistries.x: 5: must be a table"),
        (
            {"chemistries": {"x": {"base": "y"}, "y": {"base": "lfp"}}},
            "chemistries.x.base: 'y': a chemistry of this file cannot be the base",
        ),
        ({"packs": []}, "packs: needs 1 entry or more"),
        ({"packs.P3.name": "P1"}, "packs: 'P1': two of them have this name"),
        ({"name": ""}, "name: .*must not be empty"),
    ],
)
def test_names_and_tables_that_cannot_be(changes, says):
    with pytest.raises(simbank.InputError, match=says) as caught:
        simbank.example("classroom_chain", changes)
    assert len(str(caught.value).splitlines()) == 1
    assert str(caught.value).isprintable()

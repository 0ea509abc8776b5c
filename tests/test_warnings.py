"""Warnings: what makes each, where they are shown, and that a sound bank carries none."""

import copy
import json

import numpy as np
import pytest
import tomli_w
from typer.testing import CliRunner

import simbank as sb
from simbank.cli import app
from simbank.simulation.operating_point import BankAtStart
from simbank.studies.described import bank_warnings
from simbank.warning import BankWarning, as_records, counted, from_records, gathered

FUSED = {"resistance": "0.2 milliohm", "rating": "125 A"}


def two_packs(**changes):
    """Two equal packs, each with a fuse, on one chain; dotted keys of ``changes`` use __ for the dot."""
    data = {
        "name": "two",
        "pack_types": {"own": {"capacity": "100 Ah", "cell_resistance": "1 milliohm", "internal_wiring": "4 milliohm"}},
        "packs": [{"name": name, "type": "own", "device": dict(FUSED)} for name in "AB"],
        "wiring": {
            "layout": "chain", "link": {"resistance": "0.5 milliohm"}, "lead": {"resistance": "1 milliohm"},
        },
        "ports": [{"name": "port"}],
        "duty": {"kind": "constant", "discharge": "0.1 C", "hours": 0.5},
    }  # fmt: skip
    return stated(sb.from_dict(data, {key.replace("__", "."): value for key, value in changes.items()}))


def stated(scenario):
    """The scenario with zero written out wherever its file leaves joints or wiring inside packs out."""
    data = copy.deepcopy(scenario.data)
    wiring = data["wiring"]
    conductors = [table[key] for table in (wiring, *wiring.get("strings", ())) for key in ("link", "lead") if key in table]
    for table in conductors:
        table.setdefault("joint", "0 ohm")
    for kind in data["pack_types"].values():
        kind.setdefault("internal_wiring", "0 ohm")
    return sb.from_dict(data)


def codes(warnings):
    return [warning.code for warning in warnings]


def shown(*arguments):
    done = CliRunner().invoke(app, [str(a) for a in arguments], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.stdout


# ---- where they are shown ----


@pytest.fixture(scope="module")
def bare(tmp_path_factory):
    """A file of two packs of which one has no device."""
    file = tmp_path_factory.mktemp("bare") / "two.toml"
    link = {"gauge": "2 AWG", "length": "30 cm"}
    file.write_text(tomli_w.dumps(two_packs(packs__B__device={"resistance": "0.2 milliohm"}, wiring__link=link).data))
    return file


@pytest.mark.parametrize(
    "arguments",
    [
        ["run"],
        ["compare", "--layout", "chain"],
        ["sweep", "--over", "packs.A.soc=0.4,0.6", "--jobs", "1"],
        ["sensitivity", "--vary", "packs.A.soc=uniform 0.4 0.5", "--vary", "packs.B.soc=uniform 0.4 0.5", "--runs",
         "4", "--jobs", "1"],
        ["size", "--share", "1.5", "--gauges", "2 AWG", "--layout", "chain"],
        ["drift", "--chemistry", "lfp"],
        ["usable", "--c-rate", "1"],
        ["age", "--windows", "1"],
        ["protect"],
    ],
    ids=lambda arguments: arguments[0],
)  # fmt: skip
def test_every_command_carries_warnings_in_json_and_before_its_tables(arguments, bare):
    arguments = [arguments[0], bare, *arguments[1:]]
    record = json.loads(shown(*arguments, "--json"))
    told = [warning for warning in record["warnings"] if warning["code"] == "no-own-device"]
    assert len(told) == 1
    assert set(told[0]) == {"code", "where", "text"}
    lines = shown(*arguments).splitlines()
    assert any("no-own-device" in line for line in lines)
    assert lines[0].startswith("WARNING ")


def test_report_says_them_at_its_head(tmp_path, bare):
    shown("run", bare, "--report", tmp_path / "report.html")
    page = (tmp_path / "report.html").read_text()
    assert page.index("no-own-device") < page.index('class="answer"')
    assert page.count("Warning: no-own-device") == 1  # from the run, the layouts and protection together


def test_results_carry_them_in_python():
    scenario = two_packs()
    bare = two_packs(packs__A__device={"resistance": "0.2 milliohm"})
    for study in (sb.simulate, sb.compare, lambda case: sb.protect(case, run=False), bank_warnings):
        found, sound = (x if isinstance(x, list) else x.warnings for x in (study(bare), study(scenario)))
        assert "no-own-device" in codes(found)
        assert sound == []
    table = sb.sweep(bare, {"duty.hours": [0.1, 0.2]})
    assert [w["code"] for w in table.attrs["warnings"]] == ["no-own-device"]
    assert list(table["warnings"]) == ["no-own-device"] * 2
    assert [w["code"] for w in sb.usable(bare).attrs["warnings"]] == ["no-own-device"]


def test_a_bank_without_warnings_prints_none_and_nothing_is_called_safe(tmp_path):
    file = tmp_path / "two.toml"
    file.write_text(tomli_w.dumps(two_packs().data))
    assert json.loads(shown("run", file, "--json"))["warnings"] == []
    text = shown("run", file)
    assert "warning" not in text.lower()
    assert "safe" not in text.lower()


def test_gathered_says_each_once_and_of_which_runs():
    one, other = BankWarning("a", "A", "first"), BankWarning("a", "A", "second")
    assert gathered([("x", [one, one]), ("y", [one])]) == [one]
    assert gathered([("x", [one]), ("y", [other])])[0].text == "first (In all 2 runs; the numbers are those of x.)"
    assert gathered([("x", []), ("y", [other])])[0].text == "second (In 1 of 2 runs: y; the numbers are those of y.)"
    assert from_records(as_records([one, one, other])) == [one, other]


# ---- no device of its own ----


def test_no_own_device_names_the_packs_and_a_single_pack_needs_none():
    assert bank_warnings(two_packs()) == []
    (warning,) = bank_warnings(two_packs(packs__B__device={"resistance": "0.2 milliohm"}))
    assert (warning.code, warning.where) == ("no-own-device", "B")
    alone = two_packs(packs=[{"name": "A", "type": "own"}])
    assert bank_warnings(alone) == []


def test_no_own_device_of_strings_and_a_string_of_one_pack_whose_device_is_the_packs():
    def strings(*devices):
        rows = [
            {"name": name, "packs": packs, "lead": {"resistance": "1 milliohm"}} | ({"device": dict(FUSED)} if has else {})
            for (name, packs), has in zip((("W", ["A"]), ("E", ["B", "C"])), devices, strict=True)
        ]
        fused = [{"name": name, "type": "own", "device": dict(FUSED)} for name in "BC"]
        return two_packs(packs=[{"name": "A", "type": "own"}, *fused], wiring__strings=rows)

    assert bank_warnings(strings(True, True)) == []
    (warning,) = bank_warnings(strings(True, False))
    assert (warning.code, warning.where) == ("no-own-device", "string E")
    (warning,) = bank_warnings(strings(False, False))
    assert warning.where == "A, string W, string E"
    assert warning.text.startswith("Pack A has no fuse or breaker of its own, and string W, string E have none before")


def test_no_own_device_of_the_pack_whose_poles_are_the_take_off_of_a_string():
    """What a string's device lets through, its other packs push into the pack at its head all the same."""
    bare = {"name": "A", "type": "own"}
    fused = [{"name": name, "type": "own", "device": dict(FUSED)} for name in "BC"]
    strings = [
        {"name": name, "packs": packs, "lead": {"resistance": "1 milliohm"}, "device": dict(FUSED)}
        for name, packs in (("W", ["A", "B"]), ("E", ["C"]))
    ]
    case = two_packs(packs=[bare, *fused], wiring__strings=strings)
    (warning,) = bank_warnings(case)
    assert (warning.code, warning.where) == ("no-own-device", "A")
    checks = sb.protect(case, run=False).checks
    assert checks[(checks["rule"] == "device present") & (checks["where"] == "A")]["status"].item() == "fail"


# ---- packs that do not belong together, or not yet ----


def test_mixed_chemistry_says_what_cells_stand_at_and_two_makes_of_one_kind_are_not_mixed():
    lead = {"chemistry": "lead_flooded", "cells_in_series": 24, "capacity": "100 Ah", "cell_resistance": "1 milliohm"}
    charge = {"kind": "constant", "charge": "0.1 C", "voltage": "56 V", "hours": 1}
    warned = bank_warnings(two_packs(pack_types__lead=lead, packs__B__type="lead", duty=charge))
    assert codes(warned) == ["mixed-chemistry"]
    assert "lfp (A) and lead_flooded (B)" in warned[0].text
    assert "lead_flooded cells stand at 2.33 V each (are charged at 2.4 V, limit 2.7 V)" in warned[0].text  # 56/24
    assert "lfp cells stand at 3.50 V each (are charged at 3.55 V, limit 3.65 V)" in warned[0].text  # 56/16
    power = {"chemistry": "lfp_power", "capacity": "100 Ah", "cell_resistance": "1 milliohm"}
    assert "mixed-chemistry" not in codes(bank_warnings(two_packs(pack_types__power=power, packs__B__type="power")))


def test_unequal_cell_count_says_what_flows_and_what_the_shorter_row_is_charged_to():
    short = {"cells_in_series": 14, "capacity": "100 Ah", "cell_resistance": "1 milliohm", "internal_wiring": "4 milliohm"}
    charge = {"kind": "constant", "charge": "0.1 C", "voltage": "56 V", "hours": 1}
    case = two_packs(pack_types__short=short, packs__B__type="short", duty=charge)
    warned = bank_warnings(case)
    assert codes(warned) == ["unequal-cell-count"]
    assert warned[0].where == "B"
    assert "14 lfp cells stand at 4.00 V each, OVER their limit of 3.65 V" in warned[0].text
    cell = float(case.bank.packs[0].chemistry.ocv(0.5))
    # Loop: both packs (cells and 4 milliohm each), two links of 0.5 milliohm, two devices of 0.2 milliohm.
    by_hand = 2 * cell / (16e-3 + 14e-3 + 8e-3 + 1e-3 + 0.4e-3)
    assert f"{by_hand:.3g} A ({by_hand / 100:.2g} C) flow at once out of A" in warned[0].text
    assert f"(125 A; {by_hand:.3g} A flow; 1 more likewise)" in warned[0].text  # of the two devices, alike
    short["cells_in_series"] = 16
    assert bank_warnings(two_packs(pack_types__short=short, packs__B__type="short")) == []


@pytest.mark.parametrize("with_lead", [True, False])
def test_a_mixed_bank_is_told_of_unequal_cells_and_unequal_charge_too(with_lead):
    """No warning hides another: cells are grouped by chemistry and number, and packs of one kind are judged by themselves."""
    own = {"capacity": "100 Ah", "cell_resistance": "1 milliohm", "internal_wiring": "4 milliohm"}
    kinds = {"own": own, "short": own | {"cells_in_series": 15}, "lead": own | {"chemistry": "lead_agm", "cells_in_series": 24}}
    packs = [("A", "own", 0.9), ("B", "own", 0.2), ("S", "short", 0.5)] + [("P", "lead", 0.9)] * with_lead
    rows = [{"name": name, "type": kind, "soc": soc, "device": dict(FUSED)} for name, kind, soc in packs]
    charge = {"kind": "constant", "charge": "0.1 C", "voltage": "56.8 V", "hours": 0.01}
    case = two_packs(pack_types=kinds, packs=rows, duty=charge)
    warned = {warning.code: warning for warning in bank_warnings(case)}
    assert list(warned) == ["mixed-chemistry"] * with_lead + ["unequal-cell-count", "unequal-charge"]
    if with_lead:
        mixed = warned["mixed-chemistry"]
        assert mixed.where == "P"
        assert "lfp of 16 cells (A, B), lfp of 15 cells (S) and lead_agm (P) lie in parallel" in mixed.text
        assert "16 lfp cells stand at 3.55 V each (are charged at 3.55 V, limit 3.65 V)" in mixed.text  # 56.8/16
        assert "15 lfp cells stand at 3.79 V each, OVER their limit of 3.65 V" in mixed.text  # 56.8/15
        assert "24 lead_agm cells stand at 2.37 V each" in mixed.text  # 56.8/24
        assert "give each of these 3 kinds a charger and an inverter of its own" in mixed.text
    assert warned["unequal-cell-count"].where == "S"
    assert "15 lfp cells stand at 3.79 V each, OVER" in warned["unequal-cell-count"].text
    assert ("flow at once" in warned["unequal-cell-count"].text) is not with_lead  # mixed-chemistry has said it
    lfp = case.bank.packs[0].chemistry
    volts = [16 * float(lfp.ocv(soc)) for soc in (0.9, 0.2)]
    ohms = [16e-3 * float(lfp.resistance_scale(soc, 298.15)) + 4e-3 for soc in (0.9, 0.2)]
    by_hand = (volts[0] - volts[1]) / (sum(ohms) + 2 * 0.5e-3 + 2 * 0.2e-3)  # the loop of A and B, the others open
    unequal = warned["unequal-charge"]
    assert unequal.where == "A, B"
    assert "A, B are of one kind, but at unequal charge. Joined as they stand, without the others, " in unequal.text
    assert (
        f"others, {by_hand:.3g} A ({by_hand / 100:.2g} C) flow at once out of A ({volts[0]:.2f} V open circuit)" in unequal.text
    )
    assert "Level them first, one at a time" in unequal.text
    assert set(sb.simulate(case).warnings) >= set(warned.values())
    (cold,) = [w for w in bank_warnings(sb.from_dict(case.data, {"ambient": "-8 degC"})) if w.code == "unequal-charge"]
    assert "over this limit: what the cells of B take at -8 °C (0 A; " in cold.text
    assert "Warm the packs until their cells take charge, then level them one at a time" in cold.text


def test_current_at_joining_is_the_difference_of_voltage_over_the_loop():
    case = two_packs(packs__A__soc=0.9, packs__B__soc=0.2)
    lfp = case.bank.packs[0].chemistry
    volts = [16 * float(lfp.ocv(soc)) for soc in (0.9, 0.2)]
    ohms = [16e-3 * float(lfp.resistance_scale(soc, 298.15)) + 4e-3 for soc in (0.9, 0.2)]
    by_hand = (volts[0] - volts[1]) / (sum(ohms) + 2 * 0.5e-3 + 2 * 0.2e-3)
    point = BankAtStart(case.bank).solve_operating_point({})
    assert point.pack_a == pytest.approx([by_hand, -by_hand], rel=1e-9)
    assert point.open_v == pytest.approx(volts, rel=1e-12)
    (warning,) = bank_warnings(case)
    assert (warning.code, warning.where) == ("unequal-charge", "A, B")
    assert f"{by_hand:.3g} A ({by_hand / 100:.2g} C) flow at once out of A ({volts[0]:.2f} V open circuit)" in warning.text
    assert "charge each to full with a charger that limits its current" in warning.text
    assert sb.simulate(case).warnings == [warning]


def test_unequal_charge_below_a_twentieth_of_c_is_no_warning_unless_something_is_overrun():
    near = {"packs__A__soc": 0.5, "packs__B__soc": 0.45}
    current = np.abs(BankAtStart(two_packs(**near).bank).solve_operating_point({}).pack_a).max()
    assert 1.0 < current < 5.0  # more than a hundredth of C, less than a twentieth
    assert bank_warnings(two_packs(**near)) == []
    limits = {"charge_current": {"limit": f"{current / 2} A"}}
    (warning,) = bank_warnings(two_packs(**near, pack_types__own__bms=limits))
    assert warning.code == "unequal-charge"
    assert f"over this limit: the charge limit of the BMS of B ({current / 2:.3g} A; {current:.3g} A flow)" in warning.text
    small = FUSED | {"rating": f"{current / 2} A"}
    (warning,) = bank_warnings(two_packs(**near, packs__A__device=small))
    assert f"the rating of device A ({current / 2:.3g} A; {current:.3g} A flow)" in warning.text
    thin = {"resistance": "0.5 milliohm", "ampacity": f"{current / 2} A"}
    (warning,) = bank_warnings(two_packs(**near, wiring__link=thin))
    assert f"({current / 2:.3g} A; {current:.3g} A flow; 1 more likewise)" in warning.text


# ---- cells in parallel ----

TWO_ROWS = {"cells_in_parallel": 2, "cell_resistance": "0.25 milliohm", "internal_wiring": "5 milliohm"}


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"capacity": "280 Ah"}, "if 280 Ah were one cell's capacity, or 0.25 mΩ the resistance of 2 cells in parallel"),
        ({"cell_capacity": "560 Ah"}, "if 560 Ah were the whole pack's capacity"),
        ({"capacity": "560 Ah"}, None),
        ({"cell_capacity": "280 Ah"}, None),
        ({"cell_capacity": "280 Ah", "cells_in_parallel": 1}, None),
        ({"cell_capacity": "280 Ah", "cell_resistance": "0.16 milliohm"}, None),  # a good make
        ({"cell_capacity": "280 Ah", "cell_resistance": "0.9 milliohm"}, None),  # poor, but not by the number in parallel
    ],
)
def test_unequal_parallel_cells(given, told):
    """Typical of the library's lfp cell: 0.25 milliohm at 280 Ah, 0.07 ohm·Ah."""
    rows = TWO_ROWS | given
    warned = bank_warnings(two_packs(pack_types={"own": rows}))
    if told is None:
        assert warned == []
        return
    (warning,) = warned
    assert (warning.code, warning.where) == ("unequal-parallel-cells", "A, B")
    assert "where 0.07 is usual for lfp. It would be 0.07 " + told in warning.text


def test_drift_does_not_judge_the_resistance_of_cells_that_it_puts_in():
    rows = TWO_ROWS | {"cell_capacity": "280 Ah"}
    found = sb.drift(two_packs(pack_types={"own": rows}), ("lead_flooded",))
    assert "unequal-parallel-cells" in {w.code for result in found.results.values() for w in result.warnings}
    assert "unequal-parallel-cells" not in codes(found.warnings)


def test_a_sweep_says_which_rows_should_not_be():
    rows = [{"pack_types.own.cells_in_series": 16}, {"pack_types.own.cells_in_series": 15}]
    other = {"capacity": "100 Ah", "cell_resistance": "1 milliohm", "internal_wiring": "4 milliohm"}
    table = sb.sweep(two_packs(pack_types__other=other, packs__B__type="other"), points=rows)
    assert list(table["warnings"]) == ["", "unequal-cell-count"]
    (warning,) = table.attrs["warnings"]
    assert warning["text"].endswith("(In 1 of 2 runs: row 1; the numbers are those of row 1.)")


# ---- cold ----


def test_charge_below_freezing_in_a_duty_of_real_days(root):
    days = root / "scenarios" / "hilltop_clinic_days.toml"
    loose = {"lowest": "-20 degC", "highest": "50 degC"}

    def cold(ambient, lowest):
        changes = {f"pack_types.{kind}.bms.charge_temperature": lowest for kind in ("slab", "rack")}
        return "charge-below-freezing" in codes(bank_warnings(sb.load(days, changes | {"ambient": ambient, "duty.days": 1})))

    assert cold("-5 degC", loose)
    assert not cold("5 degC", loose)
    assert not cold("-5 degC", loose | {"lowest": "0 degC"})


def test_charge_below_freezing_is_told_before_a_run_and_after_it_as_it_was():
    cold = {"ambient": "-5 degC", "duty": {"kind": "constant", "charge": "0.1 C", "hours": 2}}
    (before,) = bank_warnings(two_packs(**cold))
    assert (before.code, before.where) == ("charge-below-freezing", "A, B")
    result = sb.simulate(two_packs(**cold))
    (after,) = result.warnings
    assert (after.code, after.where) == ("charge-below-freezing", "A, B")
    assert "for 2.0 h (coldest -5 °C)" in after.text
    stops = {"charge_temperature": {"lowest": "0 degC", "highest": "50 degC"}}
    for sound in (
        cold | {"ambient": "5 degC"},
        cold | {"pack_types__own__bms": stops},
        cold | {"duty": {"kind": "constant", "discharge": "0.1 C", "hours": 2}},
        cold | {"pack_types__own__chemistry": "lead_flooded", "pack_types__own__cells_in_series": 24},
    ):
        assert bank_warnings(two_packs(**sound)) == []
        assert sb.simulate(two_packs(**sound)).warnings == []


# ---- tripped at once ----


@pytest.mark.parametrize("integrator", ["reference", "fast"])
def test_tripped_at_once_says_who_opened_first_and_what_followed(integrator):
    limits = {"discharge_current": {"limit": "60 A", "delay": "10 s"}}
    asked = {"kind": "constant", "discharge": "110 A", "hours": 0.5}
    uneven = {"pack_types__own__bms": limits, "wiring__link": {"resistance": "4 milliohm"}, "duty": asked}
    result = sb.simulate(two_packs(**uneven), integrator=integrator)
    (warning,) = result.warnings
    assert (warning.code, warning.where) == ("tripped-at-once", "A, B")
    first = result.events.iloc[0]
    assert first["time_s"] == pytest.approx(10.0, abs=1e-3)
    assert warning.text.startswith("10 s after the start A opened: ")
    assert "over its limit of 60 A, with 110 A drawn from the bank" in warning.text
    assert "B (110 A over 60 A) followed within 10 s, so that port port stopped" in warning.text
    amperes = float(warning.text.split("opened: ")[1].split(" A")[0])
    assert f"reaches its limit at about {110 * 60 / amperes:.0f}"[:-1] in warning.text  # within the rounding of the text
    even = sb.simulate(two_packs(**uneven | {"wiring__link": {"resistance": "0.01 milliohm"}}), integrator=integrator)
    assert even.warnings == []
    assert not len(even.events)


def _bears(**changes):
    """The tripped-at-once warning of two packs with a limit of 60 A that acts at once, or None."""
    limits = {"discharge_current": {"limit": "60 A", "delay": "0.1 s"}}
    case = two_packs(pack_types__own__bms=limits, wiring__link={"resistance": "1 milliohm"}, **changes)
    return next((w.text for w in sb.simulate(case).warnings if w.code == "tripped-at-once"), None)


def test_tripped_at_once_counts_what_flows_between_packs_at_no_load():
    """The load it names is one at which nothing opens when a little less is asked, and something does when a little more is."""

    def asked(amperes):
        return {"kind": "constant", "discharge": f"{amperes} A", "hours": 0.01}

    uneven = {"packs__A__soc": 0.6, "packs__B__soc": 0.3}
    text = _bears(**uneven, duty=asked(150))
    bears = float(text.split("reaches its limit at about ")[1].split(" A of all ports together")[0])
    between = float(text.split("packs at unequal charge alone drive ")[1].split(" A through it")[0])
    assert 5.0 < between < 55.0
    carried = float(text.split("opened: ")[1].split(" A")[0])
    assert bears == pytest.approx(150 * (60 - between) / (carried - between), abs=1.5)  # superposition, rounding of the text
    assert bears + 3.0 < 150 * 60 / carried  # in proportion to the load
    assert _bears(**uneven, duty=asked(bears - 3.0)) is None
    assert "A opened" in _bears(**uneven, duty=asked(bears + 3.0))


def test_tripped_at_once_over_its_limit_at_any_load():
    uneven = {"packs__A__soc": 0.95, "packs__B__soc": 0.05}
    duty = {"kind": "constant", "discharge": "120 A", "hours": 0.01}
    text = _bears(**uneven, duty=duty)
    assert "A is over its limit at any load: packs at unequal charge alone drive " in text
    assert "reaches its limit at about" not in text
    events = sb.simulate(
        two_packs(
            pack_types__own__bms={"discharge_current": {"limit": "60 A", "delay": "0.1 s"}},
            wiring__link={"resistance": "1 milliohm"}, duty={"kind": "constant", "rest": True, "hours": 0.01}, **uneven,
        )
    ).events  # fmt: skip
    assert "A" in set(events["where"])


def test_a_size_with_which_packs_trip_at_the_duty_does_not_fit():
    limits = {"discharge_current": {"limit": "60 A", "delay": "10 s"}}
    link = {"gauge": "10 AWG", "length": "1 m", "joint": "0.1 milliohm"}
    asked = {"kind": "constant", "discharge": "110 A", "hours": 0.2}
    case = two_packs(pack_types__own__bms=limits, wiring__link=link, duty=asked)
    table = sb.size(case, sb.Limits(share_ratio=2.0), gauges=["10 AWG", "4/0 AWG"], layouts=["chain"], sharing_only=True).table
    assert list(table["fits"]) == [False, True]
    assert table["why_not"][0] == "a port stops: A, B opened on over-current"


def test_tripped_at_once_by_a_device():
    asked = {"kind": "constant", "discharge": "200 A", "hours": 0.5}
    small = {"resistance": "0.2 milliohm", "rating": "50 A"}
    result = sb.simulate(two_packs(packs__A__device=small, packs__B__device=small, duty=asked))
    (warning,) = result.warnings
    assert (warning.code, warning.where) == ("tripped-at-once", "device A, device B")
    assert sb.simulate(two_packs(packs__B__device=small, duty=asked | {"discharge": "60 A"})).warnings == []


def test_one_of_something_is_one():
    """ "1 runs" stood in the note on shorted cells, in a warning of a key that changes nothing, and over a sensitivity."""
    assert [counted(n, "run") for n in (0, 1, 2)] == ["0 runs", "1 run", "2 runs"]


# ---- what the file leaves out ----


def left_out(**more):
    """Two packs of which the file gives neither joints nor wiring inside; ``more`` are keys of the pack type."""
    return sb.with_changes(
        two_packs(),
        {
            "pack_types.own": {"capacity": "100 Ah", "cell_resistance": "1 milliohm", **more},
            "wiring.link": {"gauge": "2 AWG", "length": "30 cm"},
        },
    )


def test_joints_and_wiring_left_out_are_told_and_an_explicit_zero_is_not():
    warned = {warning.code: warning for warning in bank_warnings(left_out())}
    assert warned["zero-by-default"].where == "joint, internal_wiring"
    assert "Joints of 2 conductors and wiring inside 2 packs are not given and count as zero" in warned["zero-by-default"].text
    assert "zero-by-default" in codes(sb.simulate(left_out()).warnings)
    only = {warning.code: warning for warning in bank_warnings(left_out(internal_wiring="0 ohm"))}
    assert only["zero-by-default"].text.startswith("Joints of 2 conductors are not given")
    wiring = sb.with_changes(left_out(), {"wiring.link": {"gauge": "2 AWG", "length": "30 cm", "joint": "0.1 milliohm"}})
    said = next(verdict for verdict in sb.verdicts(sb.simulate(wiring), most=99) if verdict.code == "zero-by-default")
    assert said.text.startswith("Resistances of wiring inside 2 packs are not given")
    assert "Give them (internal_wiring), or" in said.text
    zero = {"gauge": "2 AWG", "length": "30 cm", "joint": "0 ohm"}
    assert "zero-by-default" not in codes(
        bank_warnings(sb.with_changes(left_out(internal_wiring="0 ohm"), {"wiring.link": zero}))
    )


def test_a_lead_given_by_its_own_resistance_is_told_to_lack_the_joints_of_the_common_one():
    """0.4 milliohm typed in are 0.4 milliohm from end to end; the others have two joints of 0.05 besides their metal."""
    common = {"wiring.layout": "busbar", "wiring.lead": {"gauge": "2 AWG", "length": "1 m", "joint": "0.05 milliohm"}}

    def told(**own):
        made = sb.with_changes(left_out(internal_wiring="0 ohm"), {**common, "wiring.leads": {"B": own}} if own else common)
        ohm = {branch.name: branch.resistance_ohm for branch in made.bank.graph.branches}
        return ohm["lead B +"], [w.text for w in bank_warnings(made) if w.code == "zero-by-default"]

    assert told()[1] == []
    ohm, said = told(resistance="0.4 milliohm")
    assert ohm == pytest.approx(0.4e-3)
    assert len(said) == 1
    assert "The lead of B is given by its own resistance, to which the joints of the common lead are not added" in said[0]
    assert told(resistance="0.4 milliohm", joint="0 ohm") == (pytest.approx(0.4e-3), [])
    assert told(resistance="0.4 milliohm", joint="0.05 milliohm") == (pytest.approx(0.5e-3), [])
    assert told(length="2 m")[1] == []
    common["wiring.lead"] = {"gauge": "2 AWG", "length": "1 m", "joint": "0 ohm"}  # nothing that could be missed
    assert "its own resistance" not in told(resistance="0.4 milliohm")[1][0]


def test_what_is_told_as_left_out_is_what_draws_take_from_assumed_data():
    keys = {value.key for value in sb.uncertain_values(left_out())}
    assert {"wiring.added.link A-B +", "wiring.added.link A-B -", "pack_types.own.internal_wiring"} <= keys
    assert left_out().bank.joints_left_out == ("link A-B +", "link A-B -")
    assert left_out().bank.wiring_left_out == ("A", "B")

"""Verdicts: every rule on a bank that has it and on one that just has not, its numbers by hand, and none that comforts falsely."""

import copy
import json
import math
import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import tomli_w
from conftest import ROOT
from typer.testing import CliRunner

import simbank as sb
from simbank.caution import CAUTION
from simbank.cli import app
from simbank.cli.output import show_warnings
from simbank.judging import RULES, rules
from simbank.judging.rules import rules_markdown, verdict
from simbank.judging.run_packs import hysteresis_bound_points, levelling_h
from simbank.judging.words import energy, hours
from simbank.scenario import uncertain
from simbank.studies import Sweep, Usable
from simbank.studies.bands import drawn_points, sampling_step_s
from simbank.studies.protection.burning import first_to_burn
from simbank.studies.size import Limits
from simbank.verdict import ACT, DANGER, NOTE, SEVERITIES, UNKNOWN, Verdict, as_records
from simbank.warning import BankWarning

FUSE = {
    "class": "class_t",
    "rating": "125 A",
    "resistance": "0.3 milliohm",
    "interrupting_rating": "20 kA",
    "voltage_rating": "125 V",
}
LEAD = {"gauge": "1/0 AWG", "length": "90 cm", "joint": "0.05 milliohm", "insulation": "xlpe90"}


def bank(**changes):
    """Two equal packs on a bus bar with all that protection asks for; dotted keys of ``changes`` use __ for the dot."""
    data = {
        "name": "two",
        "pack_types": {"own": {"capacity": "100 Ah", "cell_resistance": "0.6 milliohm", "internal_wiring": "6 milliohm"}},
        "packs": [{"name": name, "type": "own", "soc": 0.6, "device": dict(FUSE)} for name in "AB"],
        "wiring": {"layout": "busbar", "lead": dict(LEAD), "link": dict(LEAD)},
        "ports": [{"name": "port", "lead": dict(LEAD), "device": dict(FUSE)}],
        "duty": {"kind": "constant", "discharge": "0.2 C", "hours": 1},
    }  # fmt: skip
    return sb.from_dict(data, {key.replace("__", "."): value for key, value in changes.items()})


def cycles(*steps, repeat=1):
    return {"kind": "cycles", "steps": list(steps), "repeat": repeat}


def run(**changes):
    return sb.simulate(bank(**changes), integrator="fast")


def protected(**changes):
    return sb.protect(bank(**changes), run=False)


def told(result, code, *others):
    """The verdict of a code; None if there is none."""
    return next((v for v in sb.verdicts(result, *others, most=99) if v.code == code), None)


def codes(result):
    return [v.code for v in sb.verdicts(result, most=99)]


@pytest.fixture(scope="module")
def sound():
    return run()


@pytest.fixture(scope="module")
def guarded():
    return protected()


# ---- what a verdict is, and how they are chosen ----


def test_a_verdict_has_a_known_severity():
    with pytest.raises(ValueError, match="severity must be one of danger, act, unknown, note"):
        Verdict("x", "grave", "A", "text")
    assert as_records([Verdict("x", NOTE, "A", "text", {"volt_v": 1.0})]) == [
        {"code": "x", "severity": "note", "where": "A", "text": "text", "numbers": {"volt_v": 1.0}}
    ]
    assert verdict("spread", "A", "text", b=math.inf, a=np.float64(2.0), n=3).numbers == {"b": None, "a": 2.0, "n": 3}


def test_more_verdicts():
    """Worst first, and the last says what is left out."""
    result = run(
        packs__A__device={"resistance": "0.3 milliohm"}, packs__A__soc=0.9, duty=cycles({"discharge": "1 C", "hours": 0.3})
    )
    every = sb.verdicts(result, most=99)
    rank = [list(SEVERITIES).index(v.severity) for v in every]
    assert rank == sorted(rank)
    assert len(every) > 3
    few = sb.verdicts(result, most=3)
    assert [v.code for v in few] == [*(v.code for v in every[:2]), "more-verdicts"]
    left = every[2:]
    assert few[-1].severity == left[0].severity  # no graver one is hidden behind a milder word
    assert f"{len(left)} more verdicts" in few[-1].text
    assert sum(few[-1].numbers.values()) == len(left)
    assert all(v.code in few[-1].text for v in left)
    assert [v.code for v in sb.verdicts(result, most=len(every))] == [v.code for v in every]  # of just as many none is left out
    assert sb.verdicts(result, most=1) == every[:1]
    for most in (None, 2.5, float("nan"), "x", 0, -1, True):
        with pytest.raises(sb.InputError, match=r"most: .*1 or more"):
            sb.verdicts(result, most=most)


def test_a_danger_is_never_left_for_a_milder_verdict_and_wide_tells_all(file):
    bare = {f"packs__{name}__device": {"resistance": "0.3 milliohm"} for name in "AB"}
    found = protected(**bare, packs__A__soc=0.95, ports__port__lead=LEAD | {"gauge": "14 AWG"})
    every, seven = sb.verdicts(found, most=99), sb.verdicts(found)
    dangers = [v.code for v in every if v.severity == DANGER]
    assert len(every) > 7
    assert len(dangers) > 2
    assert [v.code for v in seven][: min(len(dangers), 6)] == dangers[:6]
    assert "never-checked" in [v.code for v in seven] or "never-checked" in seven[-1].text
    assert "--wide" in seven[-1].text
    wide, narrow = (
        CliRunner().invoke(app, ["protect", str(file), *more], catch_exceptions=False).stdout for more in (["--wide"], [])
    )
    for text, whole in ((wide, True), (narrow, False)):
        assert ("more-verdicts" not in text) is whole
    assert "UNKNOWN never-checked" in wide


def test_warnings_stand_worst_first_and_are_not_told_twice(capsys):
    records = [
        {"code": "assumed-bms", "where": "A", "text": "One. Two."}, {"code": "a-code-of-tomorrow", "where": "A", "text": "One. Two."},
        {"code": "no-own-device", "where": "A", "text": "None of 1.5 kA. Put one."},
        {"code": "mixed-chemistry", "where": "A, B", "text": "One. Two."},
    ]  # fmt: skip
    again = [
        {"code": "no-own-device", "severity": DANGER, "where": "A"},
        {"code": "mixed-chemistry", "severity": DANGER, "where": "A"},
    ]
    show_warnings(records, again)
    lines = capsys.readouterr().out.splitlines()
    assert lines == [
        "WARNING mixed-chemistry (A, B): One. Two.",  # its verdict is not of B
        "WARNING no-own-device (A): None of 1.5 kA.", "WARNING a-code-of-tomorrow (A): One. Two.", "WARNING assumed-bms (A): One. Two.",
    ]  # fmt: skip


def test_of_a_code_there_is_one_and_protection_knows_better(guarded, sound):
    together = sb.verdicts(sound, guarded, most=99)
    assert len({v.code for v in together}) == len(together)
    assert "protection-not-looked-at" not in [v.code for v in together]
    assert "protection-not-looked-at" in codes(sound)
    bare = {f"packs__{name}__device": {"resistance": "0.3 milliohm"} for name in "AB"}
    both = told(run(**bare), "no-own-device", protected(**bare))
    assert "kA" in both.text  # which only protection knows


def test_only_results_have_verdicts():
    with pytest.raises(TypeError, match="no rules for str"):
        sb.verdicts("result")
    assert sb.verdicts() == []


def test_every_rule_has_a_test_and_is_listed():
    tests = {name.removeprefix("test_").replace("_", "-") for name in globals() if name.startswith("test_")}
    assert set(RULES) <= tests
    assert rules_markdown() in (ROOT / "simbank" / "cli" / "README.md").read_text(encoding="utf-8")
    for rule in RULES.values():
        assert rule.severity in SEVERITIES
        assert all(len(text) > 2 for text in (rule.meaning, rule.threshold, rule.source))
    assert [r.severity for r in RULES.values()] == sorted((r.severity for r in RULES.values()), key=list(SEVERITIES).index)


# ---- packs that do not belong together ----


def kinds(other, **more):
    base = {"capacity": "100 Ah", "cell_resistance": "0.6 milliohm", "internal_wiring": "6 milliohm"}
    return {"pack_types": {"own": base, "other": base | other | more}, "packs__B__type": "other"}


def test_mixed_chemistry():
    mixed = kinds({"chemistry": "lead_flooded", "cells_in_series": 24})
    for result in (run(**mixed), protected(**mixed)):
        first = sb.verdicts(result)[0]
        assert (first.code, first.severity) == ("mixed-chemistry", DANGER)
        for volt, count in ((56.8, 24), (56.8, 16)):
            assert f"{volt / count:.2f} V each" in first.text  # 16 × 3.55 V, the lower of what the two are charged at
        assert "Do not join them" in first.text
    assert "mixed-chemistry" not in codes(run(**kinds({"chemistry": "lfp_power"})))  # another make of the same voltage


def test_unequal_cell_count():
    first = sb.verdicts(run(**kinds({"cells_in_series": 15})))[0]
    assert (first.code, first.severity) == ("unequal-cell-count", DANGER)
    assert "15 lfp cells" in first.text
    assert "16 lfp cells" in first.text
    assert "unequal-cell-count" not in codes(run(**kinds({"cells_in_series": 16})))


def test_unequal_charge():
    near, far = told(run(packs__A__soc=0.605), "unequal-charge"), told(run(packs__A__soc=0.9), "unequal-charge")
    assert near is None
    assert far.severity == ACT
    over = told(run(packs__A__soc=1.0, packs__A__hysteresis=1.0, packs__B__soc=0.0), "unequal-charge")
    assert over.severity == DANGER  # more than cells take, or a fuse carries
    assert "over th" in over.text
    assert "Level them first" in over.text


def test_packs_that_are_joined_later_in_a_run_are_judged_as_at_the_start():
    """A stays full and at the top of its hysteresis while B is emptied; 48 V of cells close on 54 V through two fuses of 125 A."""
    order = [{"what": "A", "at": "0 s"}, {"what": "A", "at": "1.9 h", "close": True}]
    alike = {"packs__A__soc": 0.99, "packs__B__soc": 0.99}
    emptied = {"duty": cycles({"discharge": "0.25 C", "hours": 1.8}, {"rest": True, "hours": 0.5})}
    result = run(**alike, **emptied, switching=order)
    found = told(result, "unequal-charge")
    assert found.where == "A, B"
    assert "When A is closed 1.9 h after the start" in found.text
    inrush = result.packs["current_a"]["A"].loc[1.9 * 3600 :].max()
    assert float(re.search(r"([\d.]+) A \([\d.]+ C\) flow at once out of A", found.text)[1]) == pytest.approx(inrush, rel=0.05)
    assert found.severity == (DANGER if inrush > 125 or "over th" in found.text else ACT)
    still = {"duty": cycles({"rest": True, "hours": 2.5})}
    assert "unequal-charge" not in codes(run(**alike, **still, switching=order))


def test_unequal_parallel_cells():
    wrong = told(run(pack_types__own__cells_in_parallel=2), "unequal-parallel-cells")
    right = told(
        run(pack_types__own__cells_in_parallel=2, pack_types__own__cell_resistance="1.4 milliohm"), "unequal-parallel-cells"
    )
    assert wrong.severity == ACT
    assert "50 Ah" in wrong.text
    assert right is None


# ---- devices ----


def test_no_own_device(guarded):
    bare = {"packs__B__device": {"resistance": "0.3 milliohm"}}
    for result in (run(**bare), protected(**bare)):
        found = told(result, "no-own-device")
        assert found.severity == DANGER
        assert found.where == "B"
    assert "no-own-device" not in codes(guarded)
    fed = told(protected(**bare), "no-own-device").numbers["current_a"]
    faults = protected(**bare)
    row = faults.shares.loc[next(p for p in faults.faults.index if "terminals of B" in p)]
    assert fed == pytest.approx(abs(row["A"]))  # all that A gives, and nothing of B's own
    none = {**bare, "packs__A__device": {"resistance": "0.3 milliohm"}, "ports__port__device": {"resistance": "0.3 milliohm"}}
    found = told(protected(**none), "no-own-device")
    assert "no fuse or breaker at all" in found.text
    assert found.where == "A, B, port port"


def test_port_without_device(guarded):
    found = told(protected(ports__port__device={"resistance": "0.3 milliohm"}), "port-without-device")
    assert (found.severity, found.where) == (DANGER, "port port")
    assert "port-without-device" not in codes(guarded)


@pytest.mark.parametrize("rating", ["interrupting_rating", "voltage_rating"])
def test_device_cannot_break(rating, guarded):
    most, _ = guarded.breaks.worst["device A"]
    volt = 16 * 3.65  # limit of an LFP cell
    asked, unit = (most, "A") if rating == "interrupting_rating" else (volt, "V")
    for factor, fails in ((1.001, False), (0.999, True)):
        found = told(protected(packs__A__device=FUSE | {rating: f"{asked * factor} {unit}"}), "device-cannot-break")
        assert (found is not None) is fails
    assert (found.severity, found.where) == (DANGER, "device A")
    assert f"{most / 1e3:.1f} kA can flow" in found.text
    assert "58.4 V DC" in found.text


def test_device_ratings_unknown(guarded):
    found = told(
        protected(packs__A__device={key: FUSE[key] for key in FUSE if key != "interrupting_rating"}), "device-ratings-unknown"
    )
    assert (found.severity, found.where) == (UNKNOWN, "device A")
    assert "read both from its sheet" in found.text
    assert "device-ratings-unknown" not in codes(guarded)


def test_device_curve_unknown(guarded):
    bare = {key: value for key, value in FUSE.items() if key != "class"}
    found = told(protected(packs__A__device=bare), "device-curve-unknown")
    assert (found.severity, found.where) == (UNKNOWN, "device A")
    assert "device-curve-unknown" not in codes(guarded)
    short = bare | {"trip": [[1.35, "1 h"], [2.0, "100 s"], [10.0, "0.1 s"]]}
    assert told(protected(packs__A__device=short), "device-curve-unknown").where == "device A"  # ends at 1250 A


def test_rating_below_load():
    load = 0.2 * 200 / 2  # A of each pack at 0.2 C
    for rating, fails in ((1.26 * load, False), (1.24 * load, True)):
        found = told(protected(packs__A__device=FUSE | {"rating": f"{rating} A"}), "rating-below-load")
        assert (found is not None) is fails
    assert found.severity == ACT
    assert found.numbers["load_a"] == pytest.approx(load, rel=0.01)  # the second pack differs by its place on the bar


# ---- faults ----


def test_cable_burns_first(guarded):
    thin = {"gauge": "14 AWG", "length": "10 cm", "insulation": "xlpe90"}
    found = protected(ports__port__lead=thin, ports__port__device=FUSE | {"rating": "600 A"})
    said, first = told(found, "cable-burns-first"), first_to_burn(found)
    assert said.severity == DANGER
    assert first.conductor.startswith("lead port")
    # IEC 60364-5-54: k = 143 for copper in XLPE from 90 to 250 °C, from memory; 14 AWG is 2.08 mm² (ASTM B258)
    by_hand_s = (143.0 * 2.08) ** 2 / first.current_a**2
    assert first.time_s == pytest.approx(by_hand_s, rel=0.05)
    assert f"{first.current_a / 1e3:.2f} kA" in said.text
    assert "cable-burns-first" not in codes(guarded)
    # at the withstand: the time at which ∫ i² dt comes to it lies before or after the fuse opens
    limit = guarded.checks[guarded.checks["rule"] == "withstand"]
    assert (limit["value"] <= limit["limit"]).all()


def test_fault_not_cleared(guarded):
    far = {"gauge": "14 AWG", "length": "60 m", "insulation": "xlpe90"}
    found = protected(ports__port__lead=far, ports__port__device=FUSE | {"rating": "600 A"})
    said = told(found, "fault-not-cleared")
    assert said.severity == DANGER
    assert "too little for" in said.text
    never = found.checks[(found.checks["rule"] == "clears in time") & found.checks["value"].isna()]["where"]
    assert said.numbers["least_a"] == max(found.faults.loc[list(never), "least_a"])
    assert "fault-not-cleared" not in codes(guarded)
    rows = guarded.checks[guarded.checks["rule"] == "clears in time"]
    slowest = rows["value"].max()
    for wanted, fails in ((slowest * 1.01, False), (slowest * 0.99, True)):
        case = sb.Assumptions(wanted_s=float(wanted))
        late = told(sb.protect(bank(), case, run=False), "fault-not-cleared")
        assert (late is not None) is fails
    assert "cleared only after" in late.text


UNSURE = {"pack_types__own__cell_resistance": "0.6 ± 0.2 milliohm"}
THIN = {"gauge": "10 AWG", "length": "7 m", "insulation": "xlpe90"}


def drawn(draws=200, **changes):
    return sb.protect(bank(**{**UNSURE, **changes}), run=False, bands=draws)


def shared(found, rule, share):
    """The same study with another share of draws in which the checks of a rule do not pass."""
    checks, of_draws = found.checks.copy(), found.bands.checks.copy()
    checks.loc[(checks["rule"] == rule) & (checks["fails_in"] > 0), "fails_in"] = share
    of_draws.loc[(of_draws.index.get_level_values("rule") == rule) & (of_draws["fails_in"] > 0), "fails_in"] = share
    return replace(found, checks=checks, bands=replace(found.bands, checks=of_draws))


def graver_by_share(found, code, rule):
    """Unknown below 5 % of the draws, act from there, danger from half of them on."""
    for share, severity in ((0.049, UNKNOWN), (0.05, ACT), (0.499, ACT), (0.5, DANGER)):
        assert told(shared(found, rule, share), code).severity == severity
    assert told(shared(found, rule, 0.0), code) is None


def test_device_may_not_break():
    through = drawn().bands.through[:, 2]  # of device port
    for draws, severity in ((9, UNKNOWN), (11, ACT)):  # of 200 that it cannot break
        rating = float(np.sort(through)[-draws - 1]) + 0.1
        found = drawn(ports__port__device=FUSE | {"interrupting_rating": f"{rating} A"})
        said = told(found, "device-may-not-break")
        assert (said.severity, said.where, said.numbers["fails_in"]) == (severity, "device port", draws / 200)
        assert f"up to {through.max() / 1e3:.2f} kA" in said.text
        assert "device-cannot-break" not in codes(found)
    graver_by_share(found, "device-may-not-break", "interrupting rating")
    assert "device-may-not-break" not in codes(
        drawn(ports__port__device=FUSE | {"interrupting_rating": f"{through.max() + 0.1} A"})
    )


def test_cable_may_burn():
    found = drawn(60, ports__port__lead=THIN)
    said = told(found, "cable-may-burn")
    assert said.where == "lead port +, lead port -"
    row = found.checks[(found.checks["rule"] == "withstand") & (found.checks["where"] == "lead port +")].iloc[0]
    assert (row["status"], said.numbers["fails_in"]) == ("not checkable", row["fails_in"])
    assert "cable-burns-first" not in codes(found)
    graver_by_share(found, "cable-may-burn", "withstand")
    assert "cable-may-burn" not in codes(drawn(20))


def test_fault_may_not_clear():
    rows = drawn(60).checks
    rows = rows[rows["rule"] == "clears in time"]
    slowest = rows.loc[rows["value"].idxmax()]
    case = sb.Assumptions(wanted_s=float(slowest["value"] * 1.02))  # the file's middle values just do
    found = sb.protect(bank(**UNSURE), case, run=False, bands=60)
    said = told(found, "fault-may-not-clear")
    assert said.numbers["fails_in"] > 0.05
    assert slowest["where"] in said.where
    assert "fault-not-cleared" not in codes(found)
    graver_by_share(found, "fault-may-not-clear", "clears in time")
    assert "fault-may-not-clear" not in codes(drawn(20))


def without_joints(joint=None, wiring=None):
    """The two packs with joints and wiring inside packs as given, or left out."""
    lead = {key: value for key, value in LEAD.items() if key != "joint"} | ({"joint": joint} if joint else {})
    return bank(
        pack_types__own={"capacity": "100 Ah", "cell_resistance": "0.6 milliohm"} | ({"internal_wiring": wiring} if wiring else {}),
        wiring__lead=lead, wiring__link=lead, ports=[{"name": "port", "lead": lead, "device": dict(FUSE)}],
    )  # fmt: skip


def test_what_passes_only_with_joints_and_wiring_left_out_at_zero(tmp_path):
    """Against two banks that give them: none at all, and the upper ends of bank/assumed.toml."""
    none, most = without_joints("0 ohm", "0 ohm"), without_joints("0.3 milliohm", "12 milliohm")
    times = [
        sb.protect(one, run=False).checks.query("rule == 'clears in time'").set_index("where")["value"] for one in (none, most)
    ]
    place = (times[1] / times[0]).idxmax()
    assert times[1][place] > 1.1 * times[0][place]
    wanted_s = float(np.sqrt(times[0][place] * times[1][place]))
    case = sb.Assumptions(wanted_s=wanted_s)

    def at_place(scenario):
        checks = sb.protect(scenario, case, run=False).checks
        return checks[(checks["rule"] == "clears in time") & (checks["where"] == place)].iloc[0]

    assert [at_place(one)["status"] for one in (none, most)] == ["pass", "fail"]
    hangs = at_place(without_joints())
    assert hangs["status"] == "not checkable"
    assert "which the file leaves out, at the upper end of what is seen in practice" in hangs["text"]
    found = sb.protect(without_joints(), case, run=False)
    said = told(found, "fault-may-not-clear")
    assert said.severity == UNKNOWN
    assert place in said.where
    assert "counted as zero, since the file leaves them out" in said.text
    assert told(sb.protect(none, case, run=False), "fault-may-not-clear") is None
    file = tmp_path / "two.toml"
    file.write_text(tomli_w.dumps(without_joints().data))
    page = tmp_path / "page.html"
    printed = (
        CliRunner()
        .invoke(
            app,
            ["protect", str(file), "--within", f"{wanted_s} s", "--wide", "--bands", "0", "--report", str(page)],
            catch_exceptions=False,
        )
        .stdout
    )
    for text in (printed, re.sub("<[^>]*>", "", page.read_text())):
        plain = " ".join(text.split())
        assert "not given: currents, loads and drops of the tables count them as zero" in plain
        assert "which the file leaves out, at the upper end of what is seen in practice" in plain
        assert "clears in time only with joints of 6 conductors and wiring inside 2 packs counted as zero" in plain


def test_what_a_device_must_break_is_told_by_the_file_and_by_the_draws():
    """A device that the file's values ask too much of is replaced by one for the larger of both; independent: quantile of the draws."""
    found = drawn(60, ports__port__device=FUSE | {"interrupting_rating": "2 kA"})
    said = told(found, "device-cannot-break")
    high = np.quantile(found.bands.through[:, 2], 0.95)
    assert said.where == "device port"
    assert said.numbers["current_high_a"] == pytest.approx(high)
    assert f"{said.numbers['current_a'] / 1e3:.1f} kA can flow" in said.text
    assert f"{high / 1e3:.1f} kA at 95 % of the draws" in said.text
    need = max(high, said.numbers["current_a"])
    assert said.numbers["must_break_a"] == pytest.approx(need)
    fit = float(re.search(r"Fit devices that break ([\d.]+) kA", said.text)[1])
    assert need / 1e3 <= fit < need / 1e3 + 0.1  # rounded up, so that what is bought by it breaks it
    plain = told(protected(ports__port__device=FUSE | {"interrupting_rating": "2 kA"}), "device-cannot-break")
    assert "draws" not in plain.text


def test_fault_current_band(guarded):
    found = drawn(40)
    said = told(found, "fault-current-band")
    at = found.bands.table.loc[(said.where, "initial_a")]
    assert (said.severity, said.numbers["high_a"], said.numbers["low_a"]) == (NOTE, at["high"], at["low"])
    assert at["high"] == found.bands.table.xs("initial_a", level="figure")["high"].max()
    assert "fault-current-band" not in codes(guarded)
    assert f"Over the draws most can flow in a fault at {said.where}" in said.text
    assert told(found, "opens-first").text.startswith("In the greatest fault by the file's own values")


def test_a_band_inside_a_pack_has_devices_chosen_by_what_they_see():
    """A resistance in the device makes a fault behind it less than one between it and the cells, which feed themselves."""
    found = drawn(40, **{f"packs__{name}__device": FUSE | {"resistance": "3 milliohm"} for name in "AB"})
    said = told(found, "fault-current-band")
    high = found.bands.table.xs("initial_a", level="figure")["high"]
    assert said.where.startswith("inside ")
    seen = high.drop(["inside A", "inside B"])
    assert f"by the upper end at {seen.idxmax()}, {seen.max() / 1e3:.1f} kA." in said.text
    assert seen.max() < said.numbers["high_a"]
    assert len(said.text) <= rules.MOST_LETTERS


def test_fed_past_every_fuse(guarded):
    found = protected(packs__B__device={"resistance": "0.3 milliohm"})
    said = told(found, "fed-past-every-fuse")
    assert (said.severity, said.where) == (DANGER, "B")
    most = max(found.short_cases["B"], key=lambda row: row.energy_wh)
    assert said.numbers["energy_wh"] == most.energy_wh
    assert said.numbers["peak_a"] == max(row.peak_a for row in found.short_cases["B"])
    assert "fed-past-every-fuse" not in codes(guarded)


def test_up_to_is_the_greatest_of_all_that_are_named():
    bare = {f"packs__{name}__device": {"resistance": "0.3 milliohm"} for name in "AB"}
    found = protected(**bare, packs__A__soc=0.9, packs__B__resistance_growth=2.0)
    said = told(found, "fed-past-every-fuse")
    assert set(said.where.split(", ")) == {"A", "B"}
    peaks = [max(row.peak_a for row in found.short_cases[name]) for name in "AB"]
    assert peaks[0] != peaks[1]
    assert f"up to {max(peaks):.0f} A" in said.text


def test_a_verdict_begins_with_a_capital_or_a_name():
    assert verdict("spread", "A", "something").text == "Something"
    assert verdict("spread", "lead A +, B", "lead A + carries").text == "lead A + carries"
    assert verdict("size-found", "busbar 2 AWG", "busbar in 2 AWG").text == "busbar in 2 AWG"


def test_shorted_cell_goes_on(guarded):
    said = told(guarded, "shorted-cell-goes-on")  # 125 A is more than a neighbour feeds for long
    assert said.severity == ACT
    most = max(guarded.short_cases["A"], key=lambda row: row.energy_wh)
    assert said.numbers["energy_wh"] >= most.energy_wh
    assert "take such a pack off by hand" in said.text
    bare = {f"packs__{name}__device": {"resistance": "0.3 milliohm"} for name in "AB"}
    assert "shorted-cell-goes-on" not in codes(protected(**bare))  # that is fed past every fuse


CASE_TOLD = re.compile(
    r"If a cell in (?P<pack>\w+) shorts .* feed (?P<energy>[\d.]+ k?Wh) into it within (?P<hours>[\d.]+ \w+) "
    r"\(up to (?P<peak>\d+) A, mean (?P<mean>\d+) A\)"
)
OTHER_TOLD = re.compile(r"Another case: up to (?P<peak>\d+) A(?: into (?P<pack>\w+))?, (?P<end>.*)\.$")


@pytest.mark.parametrize("code", ["shorted-cell-goes-on", "fed-past-every-fuse"])
def test_current_energy_and_time_of_a_shorted_cell_are_of_one_case(code):
    """A start that its fuse ends at once has more amperes than the one that goes on for hours: they are told apart."""
    if code == "shorted-cell-goes-on":
        found = protected(packs__A__device__rating="63 A", packs__B__device__rating="63 A")
    else:
        found = protected(packs__A__device={"resistance": "0.3 milliohm"}, packs__B__device={"resistance": "0.3 milliohm"})
    said = told(found, code)
    of_case = CASE_TOLD.match(said.text)
    rows = [
        row
        for row in found.short_cases[of_case["pack"]]
        if (energy(row.energy_wh), hours(row.hours), f"{row.peak_a:.0f}")
        == (of_case["energy"], of_case["hours"], of_case["peak"])
    ]
    assert rows
    row = max(rows, key=lambda row: row.energy_wh)
    assert row.opens_s is None
    assert (said.numbers["energy_wh"], said.numbers["hours"], said.numbers["case_peak_a"]) == (
        row.energy_wh,
        row.hours,
        row.peak_a,
    )
    assert 1e3 * float(of_case["mean"]) == pytest.approx(1e3 * _mean_from_rows(row), rel=0.05)
    assert float(of_case["mean"]) < row.peak_a
    every = [other for rows in found.short_cases.values() for other in rows]
    other = OTHER_TOLD.search(said.text)
    most = max(every, key=lambda row: row.peak_a)
    assert (other is None) == (f"{most.peak_a:.0f}" == of_case["peak"])
    if code == "shorted-cell-goes-on":  # 63 A opens on what an empty pack draws
        assert most.stopped_by is not None
        assert other["peak"] == f"{most.peak_a:.0f}"
        assert other["end"].startswith(f"until {most.ended_by} ends it after")
        assert (other["pack"] or of_case["pack"]) == most.pack


def _mean_from_rows(row):
    """Mean of the feed over its time, from the samples of the table [A]."""
    time, feed = row.table.index.to_numpy(), row.table["feed_a"].to_numpy()
    until = time <= row.hours * 3600.0
    return np.trapezoid(feed[until], time[until]) / (row.hours * 3600.0)


@pytest.mark.parametrize(("rating", "fails"), [("170 A", False), ("175 A", True)])
def test_conductor_unprotected(rating, fails):
    """1/0 AWG copper at 90 °C carries 170 A (NFPA 70 table 310.16, from memory)."""
    names = ("packs__A__device", "packs__B__device", "ports__port__device")
    found = told(protected(**{name: FUSE | {"rating": rating, "class": "class_t"} for name in names}), "conductor-unprotected")
    assert (found is not None) is fails
    if fails:
        assert found.severity == DANGER
        assert found.numbers["ampacity_a"] == pytest.approx(170.0)


def test_opens_first(guarded):
    said = told(guarded, "opens-first")
    assert said.severity == NOTE
    assert said.where == guarded.faults["initial_a"].idxmax()
    assert said.numbers["current_a"] == guarded.faults["initial_a"].max()
    bare = {f"packs__{name}__device": {"resistance": "0.3 milliohm"} for name in "AB"}
    assert "opens-first" not in codes(protected(**bare, ports__port__device={"resistance": "0.3 milliohm"}))


def test_not_selective(guarded):
    found = protected(ports__port__device=FUSE | {"rating": "600 A"}, packs__A__device=FUSE | {"rating": "30 A"})
    said = told(found, "not-selective")
    assert said.severity == ACT
    wrong = [place for place, row in found.clearing.iterrows() if re.fullmatch("no: .* first", row["selective"])]
    assert said.where.split(", ")[0] == wrong[0].split(", ")[0]
    assert "not-selective" not in codes(guarded) or any(row.endswith(" first") for row in guarded.clearing["selective"])
    fast = protected(ports__port__device=FUSE | {"rating": "30 A"})
    assert "not-selective" not in codes(fast)


def test_one_out_cascade():
    load = {"duty": {"kind": "constant", "discharge": "100 A", "hours": 1}}
    small, large = (
        told(protected(packs__A__device=FUSE | {"rating": rating}, **load), "one-out-cascade") for rating in ("60 A", "125 A")
    )
    assert large is None  # a fuse carries its rating
    assert (small.severity, small.where) == (ACT, "B")
    assert small.numbers["current_a"] == pytest.approx(100.0)  # all that both carried
    assert "left in service: none" in small.text


def test_voltage_drop():
    found = protected(ports__port__lead=LEAD | {"length": "20 m"})
    row = found.checks[found.checks["rule"] == "voltage drop"].iloc[0]
    for limit, fails in ((row["value"] * 1.001, False), (row["value"] * 0.999, True)):
        case = sb.Assumptions(drop_share=float(limit) / 100.0)
        said = told(sb.protect(bank(ports__port__lead=LEAD | {"length": "20 m"}), case, run=False), "voltage-drop")
        assert (said is not None) is fails
    assert said.severity == ACT
    # 1/0 AWG: 0.3224 Ω/km at 20 °C (ASTM B258, from memory), two leads of 20 m, 40 A of the load
    assert said.numbers["drop_percent"] * 0.52 > 100 * 40 * 2 * 20 * 0.3224e-3 / 52.9 * 0.5


def test_ampacity_unknown(guarded):
    found = told(protected(wiring__lead={key: LEAD[key] for key in LEAD if key != "insulation"}), "ampacity-unknown")
    assert found.severity == UNKNOWN
    assert found.numbers["conductors"] == 4
    assert "Read the jacket" in found.text
    assert "ampacity-unknown" not in codes(guarded)


def test_ampacity_unknown_in_a_run(sound):
    """Overload is not looked for where only resistance is given, and the run does not say that it was."""
    lead = {"resistance": "0.3 milliohm"}
    result = run(ports__port__lead=lead)
    found = told(result, "ampacity-unknown")
    assert (found.severity, found.numbers["conductors"]) == (UNKNOWN, 2)
    assert found.where == "lead port +, lead port -"
    assert found.numbers["current_a"] == pytest.approx(40.0, rel=1e-6)  # 0.2 C of 200 Ah
    assert "loads of those cables whose ampacity is known" in told(result, "nothing-found").text
    assert "ampacity-unknown" not in codes(run(ports__port__lead=lead | {"ampacity": "150 A"}))
    none = run(ports__port__lead=lead, wiring__lead=lead, wiring__link=lead)
    assert "(no cable loads)" in told(none, "nothing-found").text
    assert "ampacity-unknown" not in codes(sound)
    assert "cable loads" in told(sound, "nothing-found").text


def test_not_checkable(guarded):
    assert "not-checkable" not in codes(guarded)
    checks = guarded.checks.copy()
    checks.loc[checks.index[0], "status"] = "not checkable"
    found = told(replace(guarded, checks=checks), "not-checkable")
    assert found.severity == UNKNOWN
    assert found.text.startswith("1 check could not")


def test_power_at_start_voltage():
    watts = {"duty": {"kind": "constant", "discharge": "2 kW", "hours": 1}}
    assert told(protected(**watts), "power-at-start-voltage").severity == UNKNOWN
    inverter = {"ports__port__inverter": {"rated_power": "3 kW", "cutoff": "48 V", "recovery": "51 V"}}
    assert "power-at-start-voltage" not in codes(protected(**watts, **inverter))


def test_never_checked(guarded, sound):
    assert told(guarded, "never-checked").severity == UNKNOWN
    assert "never-checked" not in codes(sound)


def test_protection_not_looked_at(guarded, sound):
    assert told(sound, "protection-not-looked-at").severity == UNKNOWN
    assert "protection-not-looked-at" not in codes(guarded)


def test_nothing_found(guarded, sound):
    for result in (sound, guarded):
        said = told(result, "nothing-found")
        assert said.severity == NOTE
        assert "leaves out" in said.text
    assert told(guarded, "nothing-found").numbers["checks"] == guarded.counts["pass"]
    assert "nothing-found" not in codes(run(packs__B__device={"resistance": "0.3 milliohm"}))
    assert "nothing-found" not in codes(protected(packs__B__device={"resistance": "0.3 milliohm"}))


# ---- what conductors carry ----


def overloaded_by(amperes, **lead):
    duty = {"duty": {"kind": "constant", "discharge": f"{amperes} A", "hours": 0.3}}
    return run(**duty, packs__A__soc=0.9, packs__B__soc=0.9, ports__port__lead=LEAD | {"gauge": "2 AWG"} | lead)


def test_conductor_overloaded():
    """2 AWG copper carries 95 A at 60, 130 A at 90 °C (NFPA 70 table 310.16)."""
    for amperes, fails in ((129.5, False), (130.5, True)):
        found = told(overloaded_by(amperes), "conductor-overloaded")
        assert (found is not None) is fails
    assert found.severity == DANGER
    assert found.numbers["current_a"] == pytest.approx(130.5, rel=1e-3)
    assert found.numbers["ampacity_a"] == pytest.approx(130.0)
    for amperes, severity in ((94.5, None), (95.5, ACT), (131.0, DANGER)):  # where no insulation is given
        found = told(overloaded_by(amperes, insulation=None), "conductor-overloaded")
        assert (found and found.severity) == severity
    short = {"duty": cycles({"discharge": "200 A", "hours": 60 / 3600}, {"rest": True, "hours": 0.5})}
    assert "conductor-overloaded" not in codes(run(**short))  # a minute is 200 √(1/15) = 52 A over 15 min


def test_a_cable_below_the_table_of_ampacities_is_overloaded_too():
    """NFPA 70 240.4(D)(1): 18 AWG copper is protected at 7 A and carries 5.6 A that last (from memory); table 310.16 begins at 14 AWG."""
    for amperes, fails in ((5.5, False), (7.1, True)):
        found = told(overloaded_by(amperes, gauge="18 AWG"), "conductor-overloaded")
        assert (found is not None) is fails
    assert found.severity == DANGER
    assert "by its area: the table begins at 14 AWG" in found.text
    guarded_thin = protected(ports__port__lead=LEAD | {"gauge": "18 AWG"})
    assert "lead port" in told(guarded_thin, "conductor-unprotected").where
    assert "ampacity-unknown" not in codes(guarded_thin)


def test_cable_loss(monkeypatch):
    result = run(ports__port__lead=LEAD | {"length": "20 m"})
    summary = result.summary["bank"]
    share = summary["conductor_loss_wh"] / (summary["energy_out_wh"] + summary["energy_in_wh"])
    for limit, fails in ((share * 1.001, False), (share * 0.999, True)):
        monkeypatch.setattr(rules, "CABLE_LOSS_SHARE", limit)
        found = told(result, "cable-loss")
        assert (found is not None) is fails
    assert found.severity == ACT
    assert found.where.startswith("lead port")


# ---- load and charge ----

SUN = {"port": "port", "latitude": 58, "longitude": 15, "peak_power": "500 W", "weather_seed": 7, "weather_mean": 0.3}


def days(soc, kwh, **more):
    port = {"rated_power": "5 kW", "idle": "20 W", "cutoff": "48 V", "recovery": "51 V"}
    charger = {"current_limit": "51 A", "absorb": "56 V", "float": "54 V", "tail": "0.03 C", "rebulk": "52 V"}
    duty = {
        "kind": "days", "days": 2, "start": "2025-06-01", "timezone": "Europe/Stockholm", "step": "5 min", "sun": SUN,
        "load": {"port": "port", "energy_per_day": f"{kwh} kWh"},
    } | more  # fmt: skip
    return run(duty=duty, packs__A__soc=soc, packs__B__soc=soc, ports__port__inverter=port, ports__port__charger=charger)


def test_empty_before_dawn():
    enough, short = (told(days(soc, 3.0), "empty-before-dawn") for soc in (0.9, 0.3))
    assert enough is None
    assert short.severity == ACT
    result = days(0.3, 3.0)
    port = result.summary["ports"][0]
    assert short.numbers["unmet_wh"] == port["ac_unmet_wh"]
    first = next(row for row in result.summary["events"] if row["code"] == "cut-off")
    clock = pd.Timestamp("2025-06-01", tz="Europe/Stockholm") + pd.Timedelta(minutes=round(first["time_s"] / 60))
    assert f"{clock:%H:%M}" in short.text
    assert f"day {1 + (clock.date() - pd.Timestamp('2025-06-01').date()).days}" in short.text
    assert clock.hour >= 18 or clock.hour < 9


def test_empty_by_day_22():
    """A month in which a bank runs empty in its fourth week and leaves kilowatt-hours unmet says so, with day, hour and energy."""
    result = sb.simulate(sb.load(ROOT / "tests" / "trials" / "summer_sun.toml"), integrator="fast")
    first = next(v for v in sb.verdicts(result) if v.severity == ACT)
    assert first.code == "empty-before-dawn"
    assert first.numbers["unmet_wh"] > 5000
    cut = next(row for row in result.summary["events"] if row["code"] == "cut-off")
    day = 1 + int(cut["time_s"] // 86400)
    assert day >= 22
    assert f"(day {day})" in first.text
    assert f"{result.summary['ports'][0]['ac_unmet_wh'] / 1e3:.1f} kWh" in first.text


def test_load_unmet(monkeypatch):
    table = {"duty": cycles({"discharge": "0.5 C", "cutoff": "48 V", "hours": 3})}
    result = run(**table)
    found = told(result, "load-unmet")
    assert found.severity == ACT
    port = result.summary["ports"][0]
    assert found.numbers["unmet_wh"] == port["unmet_wh"]
    assert found.numbers["dark_h"] == pytest.approx(3.0 - port["first_cutoff_h"])
    for limit, fails in ((port["unmet_wh"] + 0.1, False), (port["unmet_wh"] - 0.1, True)):
        monkeypatch.setattr(rules, "UNMET_WH", limit)
        assert (told(result, "load-unmet") is not None) is fails
    monkeypatch.undo()
    by_day = days(0.02, 3.0, start="2025-06-01 11:00", days=1)
    assert told(by_day, "load-unmet") is not None  # at noon it is no night
    assert told(by_day, "empty-before-dawn") is None


def test_one_dark_night_in_a_long_run_is_told_and_only_its_hours_count():
    """Discharge of 8 h that the bank gives for some, one time in ten days; then charge and all is given again."""
    light, full = {"discharge": "0.05 C", "hours": 8}, {"charge": "0.2 C", "voltage": "56.8 V", "hours": 8}
    steps = [light, full, {"rest": True, "hours": 8}]
    dark = [light | {"discharge": "0.1125 C", "cutoff": "48 V"}, *steps[1:]]
    whole = cycles(*(steps * 20), *dark, *(steps * 20))
    result = run(packs__A__soc=0.9, packs__B__soc=0.9, pack_types__own__capacity="100 Ah", duty=whole)
    assert not any(v.code in ("load-unmet", "cut-off-early") for v in sb.verdicts(result, most=99))
    dark[0] = dark[0] | {"discharge": "0.1215 C"}
    result = run(packs__A__soc=0.9, packs__B__soc=0.9, duty=cycles(*(steps * 20), *dark, *(steps * 20)))
    port = result.summary["ports"][0]
    found = told(result, "load-unmet")
    assert 0.5 < found.numbers["unmet_wh"] == port["unmet_wh"] < 1e-3 * port["asked_wh"]
    cut_h = port["first_cutoff_h"] - 20 * 24
    assert found.numbers["dark_h"] == pytest.approx(8.0 - cut_h, abs=1e-3)


def test_cut_off_early():
    long = {
        "ports__port__lead": LEAD | {"gauge": "8 AWG", "length": "20 m"},
        "duty": cycles({"discharge": "90 A", "cutoff": "47.9 V", "hours": 1}),
    }
    found = told(run(**long), "cut-off-early")
    assert found.severity == ACT
    assert found.numbers["bank_soc"] > rules.EMPTY_SOC
    empty = run(duty=cycles({"discharge": "0.5 C", "cutoff": "48 V", "hours": 3}))
    assert "cut-off-early" not in codes(empty)


def test_inverter_too_small():
    inverter = {"rated_power": "1 kW", "cutoff": "45 V", "recovery": "51 V"}
    over, under = (
        told(run(ports__port__inverter=inverter, duty=cycles({"discharge": watts, "hours": 1})), "inverter-too-small")
        for watts in ("1010 W", "1000 W")
    )
    assert under is None
    assert over.severity == ACT
    assert over.numbers["unmet_wh"] == pytest.approx(10.0, rel=1e-6)


def tripping(limit, **more):
    bms = {"pack_types__own__bms": {"discharge_current": {"limit": limit, "delay": "10 s", "hold": "60 s"}}}
    return run(**bms, duty=cycles({"discharge": "100 A", "hours": 0.5}), **more)


def test_tripped_at_once():
    found = told(tripping("49 A"), "tripped-at-once")
    assert found.severity == ACT
    assert "over 49 A" in found.text
    assert "tripped-at-once" not in codes(tripping("51 A"))
    assert told(tripping("49 A"), "load-unmet") is None  # which would say the same again
    # 300 A for an hour through one fuse of 125 A: what was asked after it opened is current × time × voltage before
    result = run(duty=cycles({"discharge": "300 A", "hours": 1}))
    lost, port = told(result, "tripped-at-once"), result.summary["ports"][0]
    given_ah = (
        result.summary["bank"]["charge_out_ah"] if "charge_out_ah" in result.summary["bank"] else port["energy_out_wh"] / 51.0
    )
    assert lost.numbers["unmet_wh"] == pytest.approx((300.0 - given_ah) * 51.0, rel=0.03)
    assert f"{energy(lost.numbers['unmet_wh'])} of {energy(lost.numbers['asked_wh'])} asked were not given" in lost.text
    assert " 0 Wh of" not in lost.text


def test_opened_on_over_current():
    one = {"packs__A__device": FUSE | {"rating": "15 A"}, "duty": cycles({"discharge": "60 A", "hours": 1})}
    found = told(run(**one), "opened-on-over-current")
    assert (found.severity, found.where) == (ACT, "device A")
    assert "opened-on-over-current" not in codes(run(duty=one["duty"]))


def charging(step, **more):
    return run(duty=cycles({"charge": "0.2 C", "voltage": "56.8 V", "hours": 6} | step, {"rest": True, "hours": 1}), **more)


def test_curtailed(monkeypatch):
    result = charging({})
    port = result.summary["ports"][0]
    share = port["curtailed_wh"] / port["offered_wh"]
    for limit, fails in ((share * 1.001, False), (share * 0.999, True)):
        monkeypatch.setattr(rules, "CURTAILED_SHARE", limit)
        found = told(result, "curtailed")
        assert (found is not None) is fails
    assert found.severity == NOTE


def test_charge_ended_low(monkeypatch):
    early = charging({"tail": "0.15 C", "voltage": "53.6 V"})
    found = told(early, "charge-ended-low")
    assert found.severity == ACT
    soc = found.numbers["bank_soc"]
    for limit, fails in ((soc * 0.999, False), (soc * 1.001, True)):
        monkeypatch.setattr(rules, "LOW_AT_END_SOC", limit)
        assert (told(early, "charge-ended-low") is not None) is fails
    monkeypatch.undo()
    assert "charge-ended-low" not in codes(charging({"tail": "0.02 C"}))


@pytest.fixture
def two_ports(tmp_path):
    """A run of two inverters, the far one's leads as long as asked [m]."""
    (tmp_path / "load.csv").write_text("time_h,near_power_w,far_power_w\n0,1500,1500\n0.5,0,0\n")
    inverter = {"rated_power": "5 kW", "cutoff": "40 V", "recovery": "51 V"}

    def simulated(far_m):
        ports = [
            {"name": name, "lead": LEAD | {"length": f"{metres} m"}, "device": FUSE, "inverter": inverter}
            for name, metres in (("near", 0.9), ("far", far_m))
        ]
        (tmp_path / "two.toml").write_text(
            tomli_w.dumps(bank().data | {"ports": ports, "duty": {"kind": "table", "file": "load.csv"}})
        )
        return sb.simulate(sb.load(tmp_path / "two.toml"), integrator="fast")

    return simulated


def test_ports_apart(two_ports, monkeypatch):
    result = two_ports(10.0)
    found = told(result, "ports-apart")
    assert found.severity == ACT
    apart = result.summary["pairs"][0]["voltage_apart_max_v"]
    # 1/0 AWG: 0.3224 Ω/km (ASTM B258, from memory); 9.1 m more of it there and back
    current = result.ports["current_a"]["far"].max()
    assert apart == pytest.approx(current * 2 * 9.1 * 0.3224e-3, rel=0.05)
    assert f"{apart:.2f} V apart" in found.text
    for limit, fails in ((apart * 1.001, False), (apart * 0.999, True)):
        monkeypatch.setattr(rules, "APART_V", limit)
        assert (told(result, "ports-apart") is not None) is fails
    monkeypatch.undo()
    assert "ports-apart" not in codes(two_ports(0.9))


# ---- packs in a run ----


def test_hardest_pack(monkeypatch):
    thick = run(packs__B__resistance_growth=3.0)
    found = told(thick, "hardest-pack")
    shares = {row["name"]: row["share_ratio_discharge"] for row in thick.summary["packs"]}
    assert (found.severity, found.where) == (NOTE, max(shares, key=shares.get))
    assert found.numbers["share_ratio"] == max(shares.values())
    peak = thick.summary["packs"][0]["current_peak_a"]
    assert found.numbers["nearest_share_of_limit"] == pytest.approx(peak / 100.0, rel=1e-6)  # 1 C is usual, the fuse more
    assert f"A, with up to {peak:.0f} A" in found.text
    assert "That is not near at this C-rate" in found.text
    assert "duty.c_rate=" in found.text
    for limit, fails in ((max(shares.values()) + 1e-6, False), (max(shares.values()) - 1e-6, True)):
        monkeypatch.setattr(rules, "SHARE_TOLD", limit)
        assert (told(thick, "hardest-pack") is not None) is fails


def test_hardest_pack_is_not_held_against_another_way_of_current_or_stretched_to_another_rate():
    """A charges and discharges most at once, yet B comes nearest to a limit: that of what its cells take."""
    small = {"wiring__leads": {"A": {"length": "10 cm"}, "B": {"length": "20 m"}}}
    duty = cycles({"discharge": "0.3 C", "hours": 0.2}, {"charge": "0.2 C", "hours": 0.05})
    result = run(duty=duty, packs__B__bms={"charge_current": {"limit": "20 A", "delay": "1 h"}}, **small)
    found = told(result, "hardest-pack")
    assert found.where == "A"
    most = float(-result.packs["current_a"]["B"].min())  # of charge
    assert found.numbers["nearest_share_of_limit"] == pytest.approx(most / 20.0)
    assert f"comes B, with up to {most:.0f} A" in found.text
    assert "of charge" in found.text
    assert "matters_from_bank_c_rate" not in found.numbers
    assert "from about" not in found.text
    near = told(run(duty=cycles({"discharge": "0.9 C", "hours": 0.1}), **small), "hardest-pack")
    assert "That matters now." in near.text


def test_shares_alike(sound, monkeypatch):
    found = told(sound, "shares-alike")
    assert found.severity == NOTE
    assert "over the whole discharge" in found.text
    large = {f"packs__{name}__device": FUSE | {"rating": "300 A"} for name in "AB"}
    for amperes, fails in ((158, False), (162, True)):  # 0.8 C of 1 C, shared by two alike
        near = codes(run(duty=cycles({"discharge": f"{amperes} A", "hours": 0.1}), **large))
        assert ("pack-near-limit" in near) is fails
        assert ("shares-alike" in near) is not fails
    share = found.numbers["share_ratio"]
    monkeypatch.setattr(rules, "SHARE_TOLD", share - 1e-9)
    assert "shares-alike" not in codes(sound)


def test_sharing_is_not_said_to_matter_little_where_a_cable_is_overloaded(sound):
    thin = run(wiring__lead=LEAD | {"ampacity": "10 A"})
    assert "conductor-overloaded" in codes(thin)
    assert told(thin, "shares-alike").text.endswith("No pack is near a limit of its own.")
    assert told(sound, "shares-alike").text.endswith("better sharing would change little at this duty.")


@pytest.mark.parametrize(("amperes", "fails"), [(158, False), (162, True)])
def test_pack_near_limit(amperes, fails):
    large = {f"packs__{name}__device": FUSE | {"rating": "300 A"} for name in "AB"}
    found = told(run(duty=cycles({"discharge": f"{amperes} A", "hours": 0.1}), **large), "pack-near-limit")
    assert (found is not None) is fails  # 0.8 C of 1 C, shared by two
    if fails:
        assert found.severity == ACT
        assert found.numbers["c_rate"] == pytest.approx(amperes / 200, rel=0.02)
    bms = {"pack_types__own__bms": {"discharge_current": {"limit": "50 A", "delay": "10 s"}}}
    of_bms = told(run(**bms, duty=cycles({"discharge": f"{amperes / 2} A", "hours": 0.1})), "pack-near-limit")
    assert (of_bms is not None) is fails  # 79 A and 81 A, of which each has half: 0.79 and 0.81 of 50 A
    assert not fails or "the limit of its BMS" in of_bms.text


def test_empties_first(monkeypatch):
    weak = run(
        packs__B__capacity_left=0.5,
        packs__B__device=FUSE,
        duty=cycles({"discharge": "0.4 C", "cutoff": "50 V", "hours": 4}),
        wiring__leads={"A": {"length": "40 m"}},
    )
    found = told(weak, "empties-first")
    assert found is not None
    assert found.severity == ACT
    cut = next(row for row in weak.summary["events"] if row["code"] == "cut-off")
    soc = weak.packs["soc"]
    at = {name: np.interp(cut["time_s"], soc.index, soc[name]) for name in "AB"}
    capacity = {row["name"]: row["capacity_ah"] for row in weak.summary["packs"]}
    left = sum(capacity[name] * (at[name] - min(at.values())) for name in "AB")
    assert found.numbers["left_ah"] == pytest.approx(left)
    for limit, fails in ((found.numbers["left_share"] + 1e-6, False), (found.numbers["left_share"] - 1e-6, True)):
        monkeypatch.setattr(rules, "LEFT_SHARE", limit)
        assert (told(weak, "empties-first") is not None) is fails


def test_fills_first(monkeypatch):
    uneven = run(packs__A__soc=0.95, packs__B__soc=0.3, duty=cycles({"charge": "0.3 C", "voltage": "54.4 V", "hours": 0.7}))
    found = told(uneven, "fills-first")
    assert (found.severity, found.where) == (ACT, "A")
    end = uneven.packs["soc"].iloc[-1]
    assert found.numbers["unfilled_ah"] == pytest.approx(100.0 * (end["A"] - end["B"]))
    assert "It costs charge" in (told(uneven, "spread") or told(uneven, "spread-stands")).text
    for limit, fails in ((found.numbers["unfilled_share"] + 1e-6, False), (found.numbers["unfilled_share"] - 1e-6, True)):
        monkeypatch.setattr(rules, "LEFT_SHARE", limit)
        assert (told(uneven, "fills-first") is not None) is fails


def test_a_charge_that_a_step_ended_is_not_blamed_on_the_fullest_pack():
    """The same charge, held at its voltage or ended by its step before it gets there."""
    unequal = {"packs__A__soc": 0.95, "packs__B__soc": 0.3, "packs__A__hysteresis": -1.0, "packs__B__hysteresis": 1.0}
    for volt, held in (("54.4 V", True), ("56.8 V", False)):
        result = run(**unequal, pack_types__own__bms=QUIET, duty=cycles({"charge": "0.3 C", "voltage": volt, "hours": 0.7}))
        found = told(result, "fills-first")
        assert (result.summary["ports"][0]["curtailed_wh"] > 0) is held
        assert (found.severity == ACT) is held
        assert ("before its voltage" in found.text) is not held
        assert ("Charge more slowly or hold the voltage longer" in found.text) is held
        assert ("It costs charge" in (told(result, "spread") or told(result, "spread-stands")).text) is held
    assert f"the bank at {100 * result.packs['soc'].iloc[-1].mean():.0f} %" in found.text


QUIET = {"over_voltage": {"limit": "5 V", "delay": "1 s", "release": "4 V"}}


def test_a_spread_is_not_called_free_where_load_went_unserved():
    duty = cycles({"discharge": "0.5 C", "cutoff": "48 V", "hours": 3})
    dark = told(run(duty=duty, packs__B__soc=0.64), "spread")
    assert "costs nothing" not in dark.text
    assert "Load went unserved: when port stopped" in dark.text
    assert "costs nothing" in told(run(packs__B__soc=0.64), "spread").text


def test_a_discharge_that_ended_at_its_cutoff_left_no_load_unserved():
    """What was asked was a discharge to the cut-off, then the next step: all was given, and the figure beside says 0 Wh."""
    duty = cycles({"discharge": "0.5 C", "cutoff": "48 V", "hours": 3, "then": "next"}, {"rest": True, "hours": 1})
    ended = run(duty=duty, packs__B__soc=0.64)
    assert abs(ended.summary["ports"][0]["unmet_wh"]) < 1e-6
    text = told(ended, "spread").text
    assert "unserved" not in text
    assert re.search(r"The discharge ended when port stopped: the packs stood (at \d+|between \d+ and \d+) %, [\d.]+ Ah \(", text)
    numbers = re.search(r"between (\d+) and (\d+) %", text)
    assert numbers is None or numbers[1] != numbers[2]


def test_the_caution_does_not_deny_what_a_verdict_says_of_cable():
    """A run compares the steady current of cable with its ampacity, so what stands below must not say that this was not done."""
    assert told(overloaded_by(131), "conductor-overloaded").severity == DANGER
    assert "cable heating" not in CAUTION
    assert "steady current is checked, where its ampacity is known" in CAUTION
    for left in ("fault currents", "break", "in a fault", "as it is laid", "simbank protect"):
        assert left in CAUTION


def rested(soc_a, soc_b, hours=3):
    return run(
        packs__A__soc=soc_a,
        packs__B__soc=soc_b,
        packs__A__hysteresis=-1.0,
        packs__B__hysteresis=1.0,
        duty=cycles({"rest": True, "hours": hours}),
    )


def test_spread_stands(monkeypatch):
    result = rested(0.5, 0.45)
    found = told(result, "spread-stands")
    assert found.severity == NOTE
    end = result.packs["soc"].iloc[-1]
    lfp = sb.load_chemistry("lfp")
    points = 100 * abs(end["A"] - end["B"])
    assert found.numbers["spread_points"] == pytest.approx(points)
    half = found.numbers["hysteresis_bound_points"] / 200
    mean = (end["A"] + end["B"]) / 2
    apart_v = float(lfp.ocv(mean + half) - lfp.ocv(mean - half))  # of opposite branches just held by both half-widths
    assert apart_v == pytest.approx(float(lfp.half_width(mean + half) + lfp.half_width(mean - half)), abs=1e-8)
    assert points < found.numbers["hysteresis_bound_points"]
    assert "hysteresis can hold" in found.text
    assert abs(result.packs["current_a"].iloc[-1]).max() < 0.05  # it stands
    for limit, fails in ((points + 1e-6, False), (points - 1e-6, True)):
        monkeypatch.setattr(rules, "SPREAD_TOLD_POINTS", limit)
        assert (told(result, "spread-stands") is not None) is fails
    monkeypatch.undo()
    loaded = run(packs__A__soc=0.65)
    assert "spread-stands" not in codes(loaded)  # under load it is another


def displayed(*steps, a=None, b=None, **changes):
    """A run of two packs with displays."""
    return run(packs__A__display=a or {}, packs__B__display=b or {}, duty=cycles(*steps), **changes)


def test_display_wrong(monkeypatch):
    wrong = displayed({"rest": True, "hours": 1}, a={"start": 0.75})
    found = told(wrong, "display-wrong")
    assert found.severity == ACT
    assert found.where == "A"
    error = 100 * (0.75 - wrong.packs["soc"]["A"].min())
    assert found.numbers["error_points"] == pytest.approx(error, abs=1e-6)
    assert "Nothing set it to 100 %" in found.text
    assert "showed 75 %" in found.text
    for limit, fails in ((error + 1e-6, False), (error - 1e-6, True)):
        monkeypatch.setattr(rules, "DISPLAY_WRONG_POINTS", limit)
        assert (told(wrong, "display-wrong") is not None) is fails
    monkeypatch.undo()
    assert told(displayed({"rest": True, "hours": 1}), "display-wrong") is None
    assert told(run(duty=cycles({"rest": True, "hours": 1})), "display-wrong") is None


def test_displays_apart(monkeypatch):
    """Level packs: what displays show apart is the counters', and beyond what hysteresis holds certainly so."""
    rest = {"rest": True, "hours": 1}
    soc = displayed(rest).packs["soc"].iloc[-1]["A"]
    far, near = (displayed(rest, a={"start": soc + apart}) for apart in (0.4, 0.05))
    found = told(far, "displays-apart")
    bound = found.numbers["hysteresis_bound_points"]
    assert found.severity == NOTE
    assert found.numbers["displayed_spread_points"] == pytest.approx(40.0, abs=0.1)
    assert found.numbers["counters_points"] == pytest.approx(40.0, abs=0.1)
    assert found.numbers["beyond_bound_points"] == pytest.approx(40.0 - bound, abs=0.1)
    assert f"{40 - bound:.0f} or more are the counters'" in found.text
    little = told(near, "displays-apart")
    assert little.numbers["beyond_bound_points"] == 0.0
    assert "displays alone do not tell" in little.text
    both = displayed(rest, a={"start": soc + bound / 100 + 0.01}), displayed(rest, a={"start": soc + bound / 100 - 0.01})
    assert ["or more are the counters'" in told(one, "displays-apart").text for one in both] == [True, False]
    points = little.numbers["displayed_spread_points"]
    for limit, fails in ((points + 1e-6, False), (points - 1e-6, True)):
        monkeypatch.setattr(rules, "SPREAD_TOLD_POINTS", limit)
        assert (told(near, "displays-apart") is not None) is fails
    monkeypatch.undo()
    loaded = displayed({"discharge": "0.1 C", "hours": 1}, a={"start": 0.9})
    assert told(loaded, "displays-apart") is None  # not at rest


def test_counters_drift(monkeypatch):
    """100 mA counted as charge for a day at rest, of A's capacity."""
    result = displayed({"rest": True, "hours": 24}, a={"offset": "-100 mA"})
    capacity = result.scenario.bank.packs[0].rated_capacity_ah
    found = told(result, "counters-drift")
    assert found.severity == NOTE
    assert found.where == "A"
    drift = found.numbers["points_per_day"]
    assert drift == pytest.approx(100 * 2.4 / capacity, abs=0.05)
    assert f"A {drift:+.1f}" in found.text
    for limit, fails in ((drift + 1e-6, False), (drift - 1e-6, True)):
        monkeypatch.setattr(rules, "COUNTER_DRIFT_POINTS", limit)
        assert (told(result, "counters-drift") is not None) is fails


def test_the_time_in_which_slope_alone_levels_is_that_of_a_run():
    """Two packs of a straight curve without hysteresis: their distance falls as exp(-t/τ)."""
    from banks import Case, affine_chemistry, constant, pack, wired

    from simbank.duty import Duty

    packs = [
        pack("A", affine_chemistry(0.2), 100.0, 8e-3, 0.6, cells=16),
        pack("B", affine_chemistry(0.2), 50.0, 4e-3, 0.5, cells=16),
    ]
    tau_h = levelling_h(*packs, 0.6, 0.5)
    assert tau_h == pytest.approx(0.012 / (16 * 0.2 * (1 / 100 + 1 / 50)))
    result = sb.simulate(Case(wired(packs, "busbar", lead=1e-9), Duty((constant(tau_h, 0.0),))), integrator="fast")
    end = result.packs["soc"].iloc[-1]
    assert (end["A"] - end["B"]) / 0.1 == pytest.approx(math.exp(-1), rel=1e-4)
    assert hysteresis_bound_points(packs[0], 0.6, 0.5) == 0.0


def test_spread(monkeypatch):
    loaded = run(packs__A__soc=0.65)
    found = told(loaded, "spread")
    assert found.severity == NOTE
    most = loaded.summary["bank"]["spread_max_points"]
    assert f"up to {most:.1f} points apart" in found.text
    for limit, fails in ((most + 1e-6, False), (most - 1e-6, True)):
        monkeypatch.setattr(rules, "SPREAD_TOLD_POINTS", limit)
        assert (told(loaded, "spread") is not None) is fails
    monkeypatch.undo()
    # never called harmless where one is full and the other is not
    full = run(**kinds({"cells_in_series": 15}), duty=cycles({"rest": True, "hours": 4}))
    found = told(full, "spread")
    assert found.severity == ACT
    assert "costs nothing" not in found.text


def cold(celsius, charge="0.1 C", hours=0.5):
    return run(ambient=f"{celsius} degC", duty=cycles({"charge": charge, "voltage": "56.8 V", "hours": hours}))


def test_charge_below_freezing():
    found = told(cold(-1.0), "charge-below-freezing")
    assert found.severity == DANGER
    assert found.numbers["hours"] == pytest.approx(0.5, rel=1e-3)
    assert "charge-below-freezing" not in codes(cold(1.0))


def test_charge_too_fast():
    """At 5 °C the library's cells take 0.12 C."""
    found = told(cold(5.0, "0.13 C"), "charge-too-fast")
    assert found.severity == ACT
    assert "charge-too-fast" not in codes(cold(5.0, "0.115 C"))
    assert "charge-too-fast" not in codes(cold(5.0, "0.13 C", hours=0.24))  # 0.25 h is what is told of
    assert "charge-too-fast" in codes(cold(5.0, "0.13 C", hours=0.26))


def heated(celsius):
    return run(ambient=f"{celsius} degC")


def test_pack_hot():
    assert "pack-hot" not in codes(heated(44.9))
    assert told(heated(45.1), "pack-hot").severity == ACT
    assert told(heated(60.2), "pack-hot").severity == DANGER  # where the library's cells take no charge


def test_blocked_by_temperature():
    bms = {"pack_types__own__bms": {"charge_temperature": {"lowest": "0 degC", "highest": "50 degC"}}}
    duty = {"duty": cycles({"charge": "0.02 C", "voltage": "56.8 V", "hours": 1})}
    found = told(run(**bms, **duty, ambient="-1 degC"), "blocked-by-temperature")
    assert found.severity == ACT
    assert found.numbers["blocked_h"] == pytest.approx(1.0, rel=0.01)
    assert "blocked-by-temperature" not in codes(run(**bms, **duty, ambient="1 degC"))


def stuck(soc):
    return run(
        pack_types__own__bms={"over_voltage": {"limit": "3.5 V", "delay": "1 s", "release": "3.4 V"}, "stuck": "both"},
        packs__A__soc=soc, packs__B__soc=soc, duty=cycles({"charge": "0.3 C", "voltage": "58 V", "hours": 0.5}),
    )  # fmt: skip


def test_switch_stuck():
    found = told(stuck(0.97), "switch-stuck")
    assert (found.severity, found.where) == (DANGER, "A, B")
    assert "ordered a block" in found.text
    quiet = told(stuck(0.6), "switch-stuck")  # known from the file, whether or not this run needs the switch
    assert (quiet.severity, quiet.where) == (DANGER, "A, B")
    assert "ordered" not in quiet.text
    assert told(protected(pack_types__own__bms={"stuck": "charge"}), "switch-stuck").severity == DANGER
    assert "switch-stuck" not in codes(run(pack_types__own__bms=GUARD))


GUARD = {"over_voltage": {"limit": "3.65 V", "delay": "1 s", "release": "3.4 V"}}


def test_charge_above_limit():
    """16 LFP cells stand 3.65 V each, 58.4 V in all (the library's; common practice, no source)."""
    charge = {"charge": "0.1 C", "hours": 0.1}
    for volt, fails in (("58.4 V", False), ("58.5 V", True)):
        found = told(run(duty=cycles(charge | {"voltage": volt})), "charge-above-limit")
        assert (found is not None) is fails
    assert (found.severity, found.where) == (DANGER, "A, B")
    assert "3.66 V for each of the 16 lfp cells" in found.text
    late = {"over_voltage": GUARD["over_voltage"] | {"limit": "3.66 V"}}
    for bms, fails in ((GUARD, False), (late, True)):
        found = told(run(pack_types__own__bms=bms), "charge-above-limit")
        assert (found is not None) is fails
    assert "opens at 3.66 V a cell" in found.text
    assert told(protected(pack_types__own__bms=late), "charge-above-limit").severity == DANGER


def test_a_block_at_100_percent_that_the_own_bms_would_not_make_is_told():
    late = {"over_voltage": GUARD["over_voltage"] | {"limit": "4.5 V"}}
    charge = {"packs__A__soc": 0.95, "packs__B__soc": 0.95, "duty": cycles({"charge": "0.5 C", "voltage": "70 V", "hours": 1})}
    result = run(pack_types__own__bms=late, **charge)
    assert told(result, "assumed-bms").where == "A, B"
    assert "would not have opened" in told(result, "assumed-bms").text
    assert "A limit did part of it" in told(result, "curtailed").text
    guarded = run(pack_types__own__bms=GUARD, **charge)
    assert "assumed-bms" not in codes(guarded)


def test_beyond_cell_model():
    result = stuck(0.97)
    found = told(result, "beyond-cell-model")
    assert found.severity == DANGER
    worst = max(result.summary["packs"], key=lambda row: row["overcharge_ah"])
    assert found.numbers["beyond_ah"] == worst["overcharge_ah"]
    assert f"{worst['cell_volt_max']:.2f} V" in found.text
    assert "beyond-cell-model" not in codes(stuck(0.6))
    lead = kinds({"chemistry": "lead_flooded", "cells_in_series": 24})["pack_types"]["other"]
    both = run(
        pack_types={"own": lead},
        packs__A__soc=0.99,
        packs__B__soc=0.99,
        duty=cycles({"charge": "0.1 C", "voltage": "60 V", "hours": 1}),
    )
    assert told(both, "beyond-cell-model").severity == ACT  # lead-acid gases when it is charged full: it is made to


def test_assumed_bms():
    full = run(packs__A__soc=0.99, packs__B__soc=0.99, duty=cycles({"charge": "0.3 C", "voltage": "60 V", "hours": 0.5}))
    assert told(full, "assumed-bms").severity == UNKNOWN
    assert "assumed-bms" not in codes(run())


def test_zero_by_default():
    bare = bank(pack_types__own={"capacity": "100 Ah", "cell_resistance": "1 milliohm"})
    assert told(sb.simulate(bare), "zero-by-default").severity == UNKNOWN


# ---- runs that failed ----


def test_run_not_complete(sound):
    result = run()
    result.complete = False
    found = told(result, "run-not-complete")
    assert found.severity == ACT
    assert found.numbers["stopped_h"] == pytest.approx(1.0)
    assert "run-not-complete" not in codes(sound)


def test_usable_unknown(monkeypatch):
    case = bank()
    assert "usable-unknown" not in codes(sb.age(case, 1.0, windows=1))

    def fails(aged):
        raise sb.SimulationError("the bank cannot be solved")

    monkeypatch.setattr("simbank.studies.ageing.aged.discharge_from_full", fails)
    found = told(sb.age(case, 1.0, windows=1), "usable-unknown")
    assert found.severity == UNKNOWN
    assert "not known of year 0, 1: the bank cannot be solved" in found.text


def test_usable_cut_short():
    """0.2 C of 200 Ah are 40 A: more than a device of 30 A lets through, less than the fuse of 125 A does."""
    found = told(
        sb.age(bank(ports__port__device={"rating": "30 A", "resistance": "0.3 milliohm"}), 1.0, windows=1), "usable-cut-short"
    )
    assert (found.severity, found.where) == (ACT, "device port")
    assert "Usable energy of every year is what device port lets through" in found.text
    assert "usable-cut-short" not in codes(sb.age(bank(), 1.0, windows=1))


@pytest.mark.parametrize("code", ["balance-missed", "reference-instead", "a-code-of-tomorrow"])
def test_a_warning_is_a_verdict(code, sound):
    result = run()
    result.warnings = [*result.warnings, BankWarning(code, "A", "something is wrong with 3 A of it: look")]
    found = told(result, code if code in RULES else "warned")
    assert found.severity == ACT
    assert "3 A" in found.text
    assert found.code not in codes(sound)


test_balance_missed = test_reference_instead = test_warned = None  # in the one above


def test_a_long_warning_is_cut_at_a_sentence():
    result = run()
    sentence = "This is a sentence of some length that says that something is wrong. "
    result.warnings = [BankWarning("a-code-of-tomorrow", "A", sentence * 10)]
    text = told(result, "warned").text
    assert len(text) < rules.MOST_LETTERS
    assert text.endswith("wrong.")


# ---- layouts ----


@pytest.fixture(scope="module")
def chains():
    thin = LEAD | {"gauge": "8 AWG", "length": "2 m"}
    packs = [{"name": f"P{k}", "type": "own", "soc": 0.8, "device": FUSE} for k in range(4)]
    return bank(packs=packs, wiring={"layout": "chain", "lead": thin, "link": thin})


def test_best_layout(chains, monkeypatch):
    chains = sb.from_dict(chains.data, {"duty.discharge": "0.1 C"})  # 30 A in the end links, which 8 AWG carries
    comparison = sb.compare(chains, ["chain", "busbar"], integrator="fast")
    found = told(comparison, "best-layout")
    assert found.severity == ACT  # the file has the worse one
    assert found.text.startswith("busbar is best")
    # 8 AWG is 8.37 mm² (ASTM B258), copper 8890 kg/m³: per metre 0.0744 kg; 6 links of 2 m, 8 leads of 2 m
    assert found.numbers["copper_more_kg"] == pytest.approx((8 - 6) * 2 * 8.37e-6 * 8890, rel=0.01)
    shares = [
        max(r.summary["packs"], key=lambda p: p["share_ratio_discharge"])["share_ratio_discharge"]
        for r in comparison.results.values()
    ]
    assert found.numbers["share_ratio_other"] == pytest.approx(max(shares))
    assert found.numbers["share_ratio"] == pytest.approx(min(shares))
    better = sb.compare(sb.from_dict(chains.data, {"wiring.layout": "busbar"}), ["chain", "busbar"], integrator="fast")
    assert told(better, "best-layout").severity == NOTE
    monkeypatch.setattr(rules, "ALIKE_SHARE", max(shares) - min(shares) + 1e-6)
    monkeypatch.setattr(rules, "ALIKE_POINTS", 100.0)
    monkeypatch.setattr(rules, "ALIKE_ENERGY", 1.0)
    assert told(comparison, "best-layout") is None
    assert told(comparison, "no-difference-that-matters") is not None


def test_no_difference_that_matters(chains):
    thick = {"wiring.link": LEAD | {"gauge": "4/0 AWG", "length": "10 cm"}, "wiring.lead": LEAD | {"gauge": "4/0 AWG"}}
    alike = sb.from_dict(chains.data, thick)
    found = told(sb.compare(alike, ["chain", "busbar"], integrator="fast"), "no-difference-that-matters")
    assert found.severity == NOTE
    assert "chain needs the fewest parts" in found.text
    assert found.numbers["share_ratio_apart"] < rules.ALIKE_SHARE
    assert told(sb.compare(chains, ["chain", "busbar"], integrator="fast"), "no-difference-that-matters") is None


def test_a_layout_that_overloads_a_pack_or_a_conductor_is_never_best(chains):
    """8 AWG at 90 °C carries 55 A (NFPA 70 table 310.16, from memory), with the margin of 1.25 a load of 44 A."""
    tried = sb.simulate(sb.from_dict(chains.data, {"duty.discharge": "60 A", "duty.hours": 0.05}), integrator="fast")
    most = max(row["current_peak_a"] for name, row in tried.branches.iterrows() if name.startswith("link"))
    for total_a, fails in ((60 * 44 / most * 0.98, False), (60 * 44 / most * 1.02, True)):
        comparison = sb.compare(
            sb.from_dict(chains.data, {"duty.discharge": f"{total_a} A", "duty.hours": 0.05}),
            ["chain", "busbar"],
            integrator="fast",
        )
        hot, best = told(comparison, "conductor-overloaded"), told(comparison, "best-layout")
        assert (hot is not None) is fails
        assert ("Out: chain: OVERLOADED link" in best.text) is fails
    assert hot.severity == DANGER
    assert hot.numbers["ampacity_a"] == pytest.approx(55.0)
    assert "then a device between load and ampacity" in hot.text
    assert best.text.startswith("Only busbar overloads no pack and no conductor")
    thick = {
        "wiring.link": LEAD | {"length": "2 m"},
        "wiring.lead": LEAD | {"length": "4 m"},
        "duty.discharge": "0.25 C",
        "duty.hours": 0.05,
    }
    plain = sb.compare(sb.from_dict(chains.data, thick), ["chain", "busbar"], integrator="fast")
    most = {name: result.summary["packs"] for name, result in plain.results.items()}
    peaks = {name: max(row["current_peak_a"] for row in packs) for name, packs in most.items()}
    assert peaks["chain"] > peaks["busbar"]
    between = (peaks["chain"] + peaks["busbar"]) / 2
    for limit, fails in ((peaks["chain"] * 1.01, ()), (between, ("chain",)), (peaks["busbar"] * 0.9, ("chain", "busbar"))):
        limited = thick | {f"packs.P{k}.bms": {"discharge_current": {"limit": f"{limit} A", "delay": "1 h"}} for k in range(4)}
        found = sb.compare(sb.from_dict(chains.data, limited), ["chain", "busbar"], integrator="fast")
        best = next(v for v in sb.verdicts(found, most=99) if v.code in ("best-layout", "no-difference-that-matters"))
        assert all(f"{name}: pack" in best.text for name in fails)
        assert ("No layout is best" in best.text) is (len(fails) == 2)
        assert ("Only busbar" in best.text) is (len(fails) == 1)
        assert best.numbers.get("layouts_out", 0) == len(fails)
    assert best.severity == ACT


def test_layouts_of_packs_that_start_apart_are_held_against_each_other_by_the_spread_at_the_end(chains):
    apart = sb.from_dict(chains.data, {"packs.P0.soc": 0.5, "duty.discharge": "0.1 C"})
    for case, which in ((apart, "spread_end_points"), (sb.from_dict(apart.data, {"packs.P0.soc": 0.8}), "spread_max_points")):
        found = sb.compare(case, ["chain", "busbar"], integrator="fast")
        best = next(v for v in sb.verdicts(found, most=99) if v.code in ("best-layout", "no-difference-that-matters"))
        points = {name: result.summary["bank"][which] for name, result in found.results.items()}
        assert best.code == "best-layout"
        assert best.numbers["spread_points"] == points["busbar"]
        assert best.numbers["spread_points_other"] == points["chain"]
        assert not math.isclose(points["busbar"], 30.0, abs_tol=0.1)


def test_a_bar_that_the_file_does_not_give_is_said(chains):
    words = "The bar is not in the file"
    mild = sb.from_dict(chains.data, {"duty.discharge": "0.1 C"})
    barred = sb.from_dict(mild.data, {"wiring.bar": {"segment_resistance": "0.02 milliohm"}})
    for case, bare in ((mild, True), (barred, False)):
        best = told(sb.compare(case, ["chain", "busbar"], integrator="fast"), "best-layout")
        assert best.text.startswith("busbar is best")
        assert (words in best.text) is bare


def test_protect_tells_of_conductors_that_the_load_overloads(guarded):
    """From the rows of the check: value is the load with its margin, limit the ampacity."""
    assert "conductor-overloaded" not in codes(guarded)
    row = guarded.checks[guarded.checks["rule"] == "rating ≤ ampacity"].iloc[0]
    for value, status in ((99.0, "pass"), (120.0, "fail")):
        over = row.to_dict() | {"rule": "ampacity ≥ load", "value": value, "limit": 100.0, "status": status}
        free = row.to_dict() | {"value": 150.0, "limit": 100.0, "status": "fail"}
        found = replace(guarded, checks=pd.concat([guarded.checks, pd.DataFrame([over, free])], ignore_index=True))
        said, free = told(found, "conductor-overloaded"), told(found, "conductor-unprotected")
        assert (said is not None) is (status == "fail")
        assert ("Its load is more than that already" in free.text) is (status == "fail")
        assert "rated at most that" not in free.text
    assert (said.severity, said.where) == (DANGER, row["where"])
    assert said.numbers["load_a"] == pytest.approx(120.0 / guarded.assumptions.margin)


def test_no_layout_is_praised_that_burns_or_that_nothing_protects(chains):
    heavy = sb.from_dict(chains.data, {"duty.discharge": "0.4 C"})
    assert "OVERLOADED" in told(sb.compare(heavy, ["chain", "busbar"], integrator="fast"), "best-layout").text
    bare = {f"packs.P{k}.device": {"resistance": "0.3 milliohm"} for k in range(4)} | {
        "ports.port.device": {"resistance": "0.3 milliohm"}
    }
    nothing = sb.from_dict(chains.data, bare)
    assert "NOT PROTECTED" in told(sb.compare(nothing, ["chain", "busbar"], integrator="fast"), "best-layout").text


def test_layout_left_out(chains):
    comparison = sb.compare(chains, ["chain"], integrator="fast")
    assert "layout-left-out" not in codes(comparison)
    comparison.left_out = [
        BankWarning("layout-left-out", "busbar", "Left out, since its bank cannot be built: wiring.added: there is no link")
    ]
    assert told(comparison, "layout-left-out").severity == UNKNOWN


# ---- sizes ----


def sized(limits=None, **changes):
    return sb.size(bank(**changes), limits, gauges=["2 AWG", "1/0 AWG"], layouts=["busbar"])


def test_size_found():
    found = told(sized(), "size-found")
    assert found.severity == NOTE
    assert found.where == "busbar 2 AWG"  # 130 A at 90 °C, fuses of 125 A
    assert "NOT PROTECTED" not in found.text
    assert "size-found" not in codes(sized(sb.Limits(spread_points=0.0)))


def test_no_size_fits():
    none = sized(duty={"kind": "constant", "discharge": "300 A", "hours": 0.1})
    found = told(none, "no-size-fits")
    assert found.severity == ACT
    assert "× 1.25" in found.text
    assert "size-found" not in codes(none)
    assert "no-size-fits" not in codes(sized())


def test_no_device_limits():
    bare = {f"packs__{name}__device": {"resistance": "0.3 milliohm"} for name in "AB"} | {
        "ports__port__device": {"resistance": "0.3 milliohm"}
    }
    found = sized(**bare)
    assert told(found, "no-device-limits").severity == DANGER
    assert "NOT PROTECTED" in told(found, "size-found").text
    assert "no-device-limits" not in codes(sized())


def test_sharing_only():
    found = sb.size(bank(), sb.Limits(share_ratio=1.5), gauges=["2 AWG"], layouts=["busbar"], sharing_only=True)
    assert told(found, "sharing-only").severity == DANGER
    assert "may burn" in told(found, "size-found").text
    assert "sharing-only" not in codes(sized())


def test_size_tells_of_devices_and_of_conductors_that_it_does_not_size():
    weak = sized(packs__A__device=FUSE | {"interrupting_rating": "1 kA"})
    assert told(weak, "device-cannot-break").severity == DANGER
    thin = sized(ports__port__lead=LEAD | {"gauge": "14 AWG"}, ports__port__device=FUSE)
    assert told(thin, "conductor-overloaded").severity == DANGER
    assert told(thin, "conductor-unprotected").severity == DANGER
    assert "do not do" in told(thin, "size-found").text
    assert not {"device-cannot-break", "conductor-overloaded", "conductor-unprotected"} & set(codes(sized()))


def test_more_copper_shares_better(chains, monkeypatch):
    small = {f"packs.P{k}.device": FUSE | {"rating": "30 A"} for k in range(4)}
    found = sb.size(sb.from_dict(chains.data, small), gauges=["2 AWG", "4/0 AWG"], layouts=["chain"])
    assert found.best["gauge"] == "2 AWG"
    fits = found.table[found.table["fits"]]
    gap = found.best["share_ratio"] - fits["share_ratio"].min()
    for limit, fails in ((gap + 1e-9, False), (gap - 1e-9, True)):
        monkeypatch.setattr(rules, "GAIN_SHARE", limit)
        said = told(found, "more-copper-shares-better")
        assert (said is not None) is fails
    assert said.severity == NOTE
    # 4/0 AWG is 107.2 mm², 2 AWG 33.6 mm² (ASTM B258), copper 8890 kg/m³; 6 links of 2 m
    assert said.numbers["copper_more_kg"] == pytest.approx(12 * (107.2 - 33.6) * 1e-6 * 8890, rel=0.01)


def test_size_hangs_on_unknown(chains):
    found = sb.size(chains, Limits(spread_points=50.0), gauges=["4/0 AWG"], layouts=["chain"], sharing_only=True)

    def drawn(values):
        bands = SimpleNamespace(figures=pd.DataFrame({"spread_points": values}), told={})
        return told(replace(found, bands=bands), "size-hangs-on-unknown")

    assert drawn([10.0] * 95 + [60.0] * 5) is None  # kept in 95 %
    few = drawn([10.0] * 94 + [60.0] * 6)
    assert few.severity == UNKNOWN
    assert few.numbers["kept_in"] == pytest.approx(0.94)
    assert drawn([10.0] * 50 + [60.0] * 50).severity == UNKNOWN
    most = drawn([10.0] * 49 + [60.0] * 51)
    assert most.severity == ACT
    assert "49 % of the draws" in most.text


# ---- studies of many runs ----


def test_usable_lost(monkeypatch):
    found = Usable(sb.usable(bank(wiring__leads={"B": {"length": "30 m", "gauge": "8 AWG"}}), 1.0, integrator="fast"))
    share = found.share
    for limit, fails in ((share - 1e-6, False), (share + 1e-6, True)):
        monkeypatch.setattr(rules, "USABLE_SHARE", limit)
        said = told(found, "usable-lost")
        assert (said is not None) is fails
        assert ("usable" in codes(found)) is not fails
    assert said.severity == ACT
    lost = found.table.loc["sum of packs", "energy_wh"] - found.table.loc["bank", "energy_wh"]
    assert said.numbers["lost_wh"] == pytest.approx(lost)


def test_usable():
    table = sb.usable(bank(), 0.2, integrator="fast")
    said = told(table, "usable")  # a bare table does, too
    assert said.severity == NOTE
    assert f"{100 * table.loc['bank', 'energy_wh'] / table.loc['sum of packs', 'energy_wh']:.1f} %" in said.text


@pytest.fixture(scope="module")
def swept():
    return Sweep(
        sb.sweep(
            bank(packs__B__resistance_growth=2.0), {"duty.discharge": ["0.1 C", "0.5 C"], "wiring.layout": ["busbar", "chain"]}
        )
    )


def test_over_the_runs(swept):
    said = told(swept, "over-the-runs")
    assert said.severity == NOTE
    assert said.numbers["greatest"] == swept.table["share_ratio_max"].max()
    worst = swept.table.loc[swept.table["share_ratio_max"].astype(float).idxmax()]
    assert f"discharge = {worst['duty.discharge']}" in said.text
    assert "over-the-runs" not in codes(run())


def test_runs_failed(swept):
    assert "runs-failed" not in codes(swept)
    failing = sb.sweep(bank(), vary={"packs.A.soc": "uniform 0.6 1.3"}, runs=4, jobs=1)
    assert failing["failure"].notna().any()
    assert told(failing, "runs-failed").severity == ACT


def test_key_changes_nothing(swept):
    assert "key-changes-nothing" not in codes(swept)
    idle = sb.sweep(bank(), {"wiring.link.length": ["10 cm", "20 cm"]})  # on a bus bar
    assert told(idle, "key-changes-nothing").severity == ACT


@pytest.fixture(scope="module")
def sensitive():
    vary = {"packs.A.soc": "uniform 0.5 0.7", "packs.B.capacity_left": "uniform 0.99 1.0"}
    return sb.sensitivity(bank(duty=cycles({"discharge": "0.2 C", "hours": 0.1})), vary, runs=16, jobs=1)


def test_moves_most(sensitive):
    said = told(sensitive, "moves-most")
    assert (said.severity, said.where) == (NOTE, "packs.A.soc")  # 20 points of charge against one of capacity
    assert said.numbers["total"] == sensitive.table["total"].iloc[0]
    assert "moves-most" not in codes(run())


def test_keys_not_told_apart(sensitive):
    assert "keys-not-told-apart" not in codes(sensitive)
    vary = {"packs.A.capacity_left": "uniform 0.9 1.0", "packs.B.capacity_left": "uniform 0.9 1.0"}
    alike = sb.sensitivity(bank(duty=cycles({"discharge": "0.2 C", "hours": 0.1})), vary, runs=4, jobs=1)
    assert told(alike, "keys-not-told-apart").severity == UNKNOWN


def test_drift_by_chemistry():
    uneven = bank(packs__B__resistance_growth=3.0)
    found = sb.drift(uneven, ["lfp", "nmc"], integrator="fast")
    said = told(found, "drift-by-chemistry")
    assert (said.severity, said.where) == (NOTE, "lfp")
    row = found.table.loc["lfp"]
    assert said.numbers["hysteresis_bound_points"] == pytest.approx(
        2 * row["half_width_mv"] / 1e3 * 16 / row["slope_v_per_soc"] * 100
    )
    assert f"{row['spread_after_rest_points']:.1f} points apart" in said.text
    assert "drift-by-chemistry" not in codes(run())


# ---- no false comfort ----


@pytest.mark.parametrize("name", ["old B", "port port", "string B"])
def test_no_name_of_a_pack_hides_that_it_has_no_device(name):
    bare = {"name": name, "type": "own", "soc": 0.6, "device": {"resistance": "0.3 milliohm"}}
    fused = {"name": "B", "type": "own", "soc": 0.6, "device": dict(FUSE)}
    found = protected(packs=[bare, fused])
    assert told(found, "no-own-device").where == name
    assert "port-without-device" not in codes(found)


def test_a_run_tells_of_a_port_without_a_device(sound):
    found = told(run(ports__port__device={"resistance": "0.3 milliohm"}), "port-without-device")
    assert (found.severity, found.where) == (DANGER, "port port")
    assert "port-without-device" not in codes(sound)


DANGEROUS = {
    "three_strings": {"run": "no-own-device", "protect": "device-cannot-break"},
    "stuck_switch": {"run": "unequal-cell-count", "protect": "unequal-cell-count"},
    "lead_beside_lfp": {"run": "mixed-chemistry", "protect": "mixed-chemistry"},
    "shorted_by_hand": {"run": "unequal-cell-count", "protect": "unequal-cell-count"},
    "valley_workshop_mistakes": {"run": "no-own-device", "protect": "device-cannot-break"},
}


def scenario(name):
    folders = (ROOT / "scenarios", ROOT / "tests" / "trials")
    return sb.load(next(folder / f"{name}.toml" for folder in folders if (folder / f"{name}.toml").exists()))


@pytest.mark.parametrize("name", DANGEROUS)
def test_the_danger_comes_first(name):
    case = scenario(name)
    result = sb.simulate(case, integrator="fast")
    protection = sb.protect(case, run=False)
    for found, results in (("run", (result,)), ("protect", (protection,)), ("protect", (result, protection))):
        first = sb.verdicts(*results)[0]
        assert (first.code, first.severity) == (DANGEROUS[name][found], DANGER)


# ---- packs that are added ----


def added(protection=False, at=None, c_rate=0.1, base=None, **pack):
    """The two packs of :func:`bank` with a third like them."""
    table = {"name": "N", "type": "own", "soc": 0.6, "device": dict(FUSE)} | pack
    return sb.join(base or bank(), {"packs": [table]}, at, c_rate=c_rate, protection=protection)


def test_joining_over_limit():
    """The charge limit of its BMS, just above and just below the current at once."""
    current = -float(added(soc=0.2).table.loc["N", "current_a"])
    for level, over in ((current * 0.99, True), (current * 1.01, False)):
        found = added(soc=0.2, bms={"charge_current": {"limit": f"{level} A"}})
        v = told(found, "joining-over-limit")
        assert (v is not None) is over
        assert (told(found, "joining-current") is None) is over  # said once
    v = told(added(soc=0.2, bms={"charge_current": {"limit": f"{current * 0.99} A"}}), "joining-over-limit")
    assert (v.severity, v.where) == (DANGER, "N")
    assert v.numbers["current_a"] == pytest.approx(current)
    assert "Do not join them so. Bring N to" in v.text


def test_joining_current():
    rate = float(added(soc=0.4).table["c_rate"].max())
    for asked, over in ((rate * 0.99, True), (rate * 1.01, False)):
        v = told(added(soc=0.4, c_rate=asked), "joining-current")
        assert (v is not None) is over
    assert told(added(soc=0.4, c_rate=rate * 0.99), "joining-current").severity == ACT


def test_level_bank_first():
    """Of two packs one of which drives the C-rate through the other; a third, of much greater resistance, takes or gives little."""
    for apart, told_of in ((0.35, True), (0.0, False)):
        base = bank(packs__A__soc=0.6 + apart, packs__B__soc=0.6 - apart)
        v = told(added(base=base, c_rate=0.05), "level-bank-first")
        assert (v is not None) is told_of
    assert v is None


def test_shares_worse():
    for growth, worse in ((4.0, True), (1.0, False)):
        v = told(added(resistance_growth=growth), "shares-worse")
        assert (v is not None) is worse
        if worse:
            assert v.severity == ACT
            assert v.numbers["share_ratio"] > v.numbers["share_ratio_before"] + rules.ALIKE_SHARE


def test_unequal_age():
    for left, growth, apart in ((0.88, 1.0, True), (0.92, 1.0, False), (1.0, 1.3, True), (1.0, 1.2, False)):
        v = told(added(capacity_left=left, resistance_growth=growth), "unequal-age")
        assert (v is not None) is apart
        assert v is None or (v.severity == ACT and v.where == "N" and v.text.endswith("watch each pack's current and charge."))


def test_voltage_hides_charge():
    assert told(added(), "voltage-hides-charge").severity == NOTE
    assert told(added(), "voltage-hides-charge").numbers["points"] > 10
    steep = {"chemistries__mine": {"base": "nmc", "hysteresis": {"scale": 0.0}}, "pack_types__own__chemistry": "mine",
             "pack_types__own__cells_in_series": 14}  # fmt: skip
    assert told(added(base=bank(**steep), c_rate=0.01), "voltage-hides-charge") is None


def test_best_place():
    chain = bank(wiring__layout="chain", wiring__link={"resistance": "3 milliohm"}, duty__discharge="0.5 C")
    v = told(added(base=chain, resistance_growth=5.0), "best-place")
    assert v.severity == NOTE
    assert "does least harm" in v.text
    alike = told(added(base=bank(wiring__layout="chain", wiring__link={"resistance": "1 microohm"})), "best-place")
    assert "All 3 places in the row are alike" in alike.text
    assert told(added(base=chain, at="end"), "best-place") is None  # nothing else was tried
    assert told(added(), "best-place") is None  # nor is there another on bars without resistance


def test_joining_fails_check():
    """What goes through the port's fuse before and after, with an interrupting rating between the two, and above both."""
    through = added(True).fault_currents.set_index("where").loc["device port"]
    between = (through["before_a"] + through["after_a"]) / 2
    for rating, fails in ((between, True), (through["after_a"] * 1.01, False)):
        found = added(True, base=bank(ports__port__device=FUSE | {"interrupting_rating": f"{rating} A"}))
        v = told(found, "joining-fails-check")
        assert (v is not None) is fails
        if fails:
            assert v.severity == DANGER
            assert "device port no longer passes (interrupting rating)" in v.text
    bare = told(added(True, device={"resistance": "0.3 milliohm"}), "joining-fails-check")
    assert bare.text.startswith("N, new with N, fails (device present)")


def test_joining_keeps_checks():
    found = added(True)
    v = told(found, "joining-keeps-checks")
    assert v.severity == NOTE
    assert v.numbers["failed_before"] == 0
    assert told(found, "protection-not-looked-at") is None
    assert told(added(), "joining-keeps-checks") is None
    assert told(added(), "protection-not-looked-at") is not None


# ---- a picture at rest ----


@pytest.fixture(scope="module")
def picture_at_rest():
    """What the two packs of a chain show after a charge, by a bank of sound joints."""
    chain = bank(wiring__layout="chain", duty=cycles({"charge": "0.2 C", "hours": 1}))
    return sb.at_rest(
        chain, pd.DataFrame({"pack": ["A", "B"], "displayed_soc": [0.8, 0.8], "rested_h": 5}), alike=True, draws=50
    )  # fmt: skip


def test_picture_fits(picture_at_rest):
    assert picture_at_rest.fits
    v = told(picture_at_rest, "picture-fits")
    assert v.severity == NOTE
    assert v.numbers["shown_points"] == 0.0
    assert told(replace(picture_at_rest, probability=picture_at_rest.probable * 0.99), "picture-fits") is None


def test_picture_fits_no_bank(picture_at_rest):
    for probability, none in ((picture_at_rest.probable * 0.99, True), (picture_at_rest.probable, False)):
        found = replace(picture_at_rest, probability=probability)
        v = told(found, "picture-fits-no-bank")
        assert (v is not None) is none
    apart = picture_at_rest.table.assign(read=[0.8 - 0.3, 0.8 + 0.3], off_sigma=[-9.0, 9.0])
    v = told(replace(picture_at_rest, probability=1e-9, table=apart), "picture-fits-no-bank")
    assert v.severity == ACT
    assert v.where == "A, B"
    assert "Displays differ by 60 points, hysteresis can hold" in v.text
    near = told(replace(picture_at_rest, probability=1e-9), "picture-fits-no-bank")
    assert "or what the file says of packs and charge, are wrong" in near.text


def test_joint_by_picture(picture_at_rest):
    limit = 1e3 * picture_at_rest.sound_ohm
    assert limit == pytest.approx(0.6)  # two joints of 0.3 milliohm
    for low, bad in ((limit * 1.01, True), (limit * 0.99, False)):
        v = told(replace(picture_at_rest, joints=picture_at_rest.joints.assign(low_mohm=low)), "joint-by-picture")
        assert (v is not None) is bad
        assert v is None or v.severity == ACT


SHIPPED = sorted(path.stem for path in (ROOT / "scenarios").glob("*.toml"))
COMMANDS = {
    "run": lambda case: sb.simulate(case, integrator="fast"),
    "compare": lambda case: sb.compare(case, integrator="fast"),
    "size": lambda case: sb.size(case, gauges=["2 AWG", "2/0 AWG"]),
    "drift": lambda case: sb.drift(case, ["lfp", "nmc"], integrator="fast"),
    "usable": lambda case: Usable(sb.usable(case, integrator="fast")),
    "sweep": lambda case: sb.sweep(case, {"packs.*.soc": [0.7, 0.8]}),
    "sensitivity": lambda case: sb.sensitivity(
        sb.from_dict(case.data | {"duty": SHORT_DUTY}), {f"packs.{case.bank.packs[k].name}.soc": "uniform 0.5 0.6" for k in (0, 1)}, runs=4
    ),
    "protect": lambda case: sb.protect(case, run=False),
    "age": lambda case: sb.age(case, 5.0, windows=1, window_days=1),
    "join": lambda case: sb.join(case, {"packs": [{"name": "new one", "type": next(iter(case.data["pack_types"]))}]}, protection=False),
}  # fmt: skip
SHORT_DUTY = {"kind": "constant", "discharge": "0.1 C", "hours": 0.1}


def check_verdicts(found):
    assert 1 <= len(found) <= 7
    for v in found:
        assert v.code in RULES
        assert len(v.text) < rules.MOST_LETTERS, (v.code, len(v.text), v.text)
        assert not re.search(r"\bsafe|\bOK\b|\bfine\b|nan|\binf\b|\bNone\b(?! of)|[ (]-0\b", v.text), v.text
        assert v.text[-1] == "."
        assert v.where
    json.dumps(as_records(found), allow_nan=False)


@pytest.mark.parametrize("name", SHIPPED)
@pytest.mark.parametrize("command", COMMANDS)
def test_verdicts_of_every_shipped_scenario_under_every_command(command, name):
    case = scenario(name)
    if name == "hilltop_clinic_days":
        case = sb.load(case.source, {"duty.days": 2, "duty.step": "10 min"})
    check_verdicts(sb.verdicts(COMMANDS[command](case)))


@pytest.mark.parametrize("path", sorted((ROOT / "tests" / "trials").glob("[l-z]*.toml")), ids=lambda path: path.stem)
def test_verdicts_of_trials(path):
    try:
        result = sb.simulate(sb.load(path), integrator="fast")
    except sb.InputError:
        pytest.skip("is refused")
    check_verdicts(sb.verdicts(result))


# ---- readings ----

CHAIN = {
    "wiring__layout": "chain", "packs": [{"name": name, "type": "own", "soc": 0.6, "device": dict(FUSE)} for name in "ABCD"],
}  # fmt: skip


def read(changes=None, total=100.0, times=None, since_s=0.0, **diagnosis):
    """Verdicts on currents that a chain of four packs has with some changes, for the chain without them."""
    sound = bank(**CHAIN)
    currents = sb.operating_point(sb.with_changes(sound, changes or {}), {"port": total}).pack_a
    table = pd.DataFrame({"pack": list("ABCD"), "current_a": currents, "time_since_change_s": since_s})
    for k, factor in (times or {}).items():
        table.loc[k, "current_a"] *= factor
    return sb.diagnose(sound, table, **diagnosis)


def test_readings_cannot_show(monkeypatch):
    verdict = told(read(), "readings-cannot-show")  # packs are known within 10 %, which hides a joint of 1 milliohm
    assert verdict.severity == UNKNOWN
    least = verdict.numbers["least_ohm"]
    assert least > 1e-3
    monkeypatch.setattr("simbank.studies.diagnosis.shown.STATED_OHM", least * 1.01)
    assert "readings-cannot-show" not in codes(read())


def test_readings_contradict():
    found = read(times={2: -1.0})
    verdict = told(found, "readings-contradict")
    assert verdict.severity == UNKNOWN
    assert "C fits with its sign turned" in verdict.text
    assert not {"pack-suspected", "readings-fit-nothing"} & set(codes(found))
    assert "readings-contradict" not in codes(read())


def test_readings_fit_sound(monkeypatch):
    assert "readings-fit-sound" not in codes(read())
    monkeypatch.setattr("simbank.studies.diagnosis.shown.STATED_OHM", 6e-3)
    found = read()
    verdict = told(found, "readings-fit-sound")
    assert verdict.severity == NOTE
    assert verdict.numbers["sound_probability"] == found.sound_probability > 0.5
    assert not {"joint-suspected", "pack-suspected", "pack-off-suspected", "readings-fit-nothing"} & set(codes(found))


def test_joint_suspected(monkeypatch):
    changes = {"wiring.added": {"link A-B +": "4 milliohm"}}
    found = read(changes)
    verdict = told(found, "joint-suspected")
    assert {"link A-B +", "link A-B -"} <= set(verdict.where.split(", "))  # both carry the same current
    assert verdict.numbers["extra_ohm"] == pytest.approx(4e-3, rel=0.2)
    sure = verdict.numbers["probability"] >= 0.9
    assert ("very pack isolated, retorque or clean" in verdict.text) == sure
    assert ("Do not take anything apart yet" in verdict.text) != sure
    flows = sb.operating_point(sb.with_changes(bank(**CHAIN), changes), {"port": 100.0}).branches["current_a"]["link A-B +"]
    assert verdict.numbers["heat_w"] == pytest.approx(flows**2 * verdict.numbers["extra_ohm"], rel=0.03)
    for limit, severity in ((verdict.numbers["heat_w"] * 0.99, DANGER), (verdict.numbers["heat_w"] * 1.01, ACT)):
        monkeypatch.setattr(rules, "HOT_JOINT_W", limit)
        assert told(found, "joint-suspected").severity == severity


def test_pack_off_suspected():
    found = read(times={2: 0.0})
    verdict = told(found, "pack-off-suspected")
    assert (verdict.severity, verdict.where) == (ACT, "C")
    assert verdict.numbers["probability"] > 0.9
    assert "look at its BMS, fuse, switch and lead first" in verdict.text
    assert "charge each pack to full by itself" in verdict.text
    first = told(found, "measure-next")
    assert first.where == "C"
    assert "before any new current" in first.text
    odd = read(times={0: 4.0, 1: 0.2, 2: 0.0, 3: 4.0})  # fits nothing, and the pack is looked at all the same
    assert not odd.fits
    assert told(odd, "pack-off-suspected").where == "C"
    assert told(odd, "pack-off-suspected").text.startswith("C carries nothing, where about")


def test_pack_suspected():
    found = read({"packs.C.soc": 0.75}, total=30.0)
    verdict = told(found, "pack-suspected")
    assert verdict.where == "C"
    assert verdict.numbers["points"] == pytest.approx(15, abs=5)
    assert "charge each pack to full by itself, as its maker says" in verdict.text


def test_readings_fit_nothing():
    found = read(times={0: 4.0, 1: 0.2, 2: -3.0, 3: 4.0})
    verdict = told(found, "readings-fit-nothing")
    assert verdict.severity == UNKNOWN
    assert verdict.numbers["fit_chance"] < 0.01
    assert "readings-fit-nothing" not in codes(read())


def test_instant_ill_chosen():
    assert "instant-ill-chosen" not in codes(read(since_s=1800.0))
    found = read()
    verdict = told(found, "instant-ill-chosen")
    assert verdict.severity == UNKNOWN
    assert verdict.numbers["drift_share"] > verdict.numbers["meter_share"] == pytest.approx(0.02 + 0.1 / 25, rel=0.1)
    assert "instant-ill-chosen" not in codes(read(accuracy=f"{verdict.numbers['drift_share'] * 101} %"))
    assert "instant-ill-chosen" in codes(read(accuracy=f"{verdict.numbers['drift_share'] * 99} %"))
    assert 60.0 <= verdict.numbers["wait_s"] <= 1800.0
    small = told(read(total=4.0, since_s=1800.0), "instant-ill-chosen")
    assert "small" in small.text


def test_displays_apart_among_readings():
    """What two packs of a chain may hold apart at rest, of their own curve: the least d at which U differs by both half-widths."""
    sound = bank(**CHAIN)
    table = pd.DataFrame({"pack": list("ABCD"), "current_a": read_currents(sound), "displayed_soc": [0.85, 0.45, 0.6, 0.5]})
    noon = table.assign(displayed_soc=[0.6, 0.55, 0.6, 0.6], instant="noon")
    found = sb.diagnose(sound, pd.concat([table.assign(instant="morning"), noon]))
    verdict = told(found, "displays-apart")
    cell, d = sound.bank.packs[0].chemistry, np.linspace(0.0, 0.6, 6001)
    mean = float(found.found.held.start[:4].mean())
    over = cell.ocv(mean + d / 2) - cell.ocv(mean - d / 2) - cell.half_width_at(mean + d / 2) - cell.half_width_at(mean - d / 2)
    assert verdict.numbers["hysteresis_bound_points"] == pytest.approx(100 * d[np.flatnonzero(over >= 0)[0]], abs=0.05)
    assert verdict.numbers["displayed_spread_points"] == pytest.approx(40.0)
    assert verdict.numbers["between_instants_points"] == pytest.approx(35.0)
    assert "A stands 40 and 5 points above B" in verdict.text
    alike = sb.diagnose(sound, table.assign(displayed_soc=[0.6, 0.61, 0.6, 0.6]))
    assert "displays-apart" not in codes(alike)


def read_currents(scenario, total=100.0):
    return sb.operating_point(scenario, {"port": total}).pack_a


def test_readings_after_work():
    """A small current after two hours at a large one: packs differ by charge, and none is bad. Of equal packs on equal leads none does."""
    changes = {f"packs.{name}.soc": 0.8 for name in "ABCD"}
    steps = [{"discharge": "75 A", "hours": 2}, {"discharge": "8 A", "hours": 1}]
    run = sb.simulate(
        sb.with_changes(bank(**CHAIN), changes | {"duty": {"kind": "cycles", "steps": steps}}),
        integrator="fast",
        output_step_s=60,
    )
    soc = float(run.packs["soc"].loc[7200.0].mean())
    sound = sb.with_changes(bank(**CHAIN), {key: soc for key in changes})
    table = pd.DataFrame(
        {"pack": list("ABCD"), "current_a": run.packs["current_a"].loc[7260.0].round(2), "time_since_change_s": 60.0}
    )
    clamp = {"accuracy": "1 % + 0.02 A"}
    found = sb.diagnose(sound, table, **clamp)
    verdict = told(found, "readings-after-work")
    assert verdict.severity == UNKNOWN
    assert verdict.numbers["worked_probability"] > 0.5
    assert not {"pack-suspected", "joint-suspected"} & set(codes(found))
    assert "readings-after-work" not in codes(sb.diagnose(sound, table, before="discharge 75 A for 2 h", **clamp))
    assert "readings-after-work" not in codes(read())


def test_measure_next(monkeypatch):
    found = read({"wiring.added": {"link A-B +": "4 milliohm"}})
    verdict = told(found, "measure-next")
    assert verdict.where in ("link A-B +", "link A-B -")
    most = max(c.bits for c in found.measure_next)
    assert verdict.numbers["tells_bits"] == pytest.approx(most, rel=1e-9)  # poles that tell alike differ in the last bits
    assert most > 0.5
    monkeypatch.setattr("simbank.judging.diagnosis.LEAST_BITS", most)
    assert "measure-next" not in codes(found)


def test_readings_undecided():
    found = read({"wiring.added": {"link B-C +": "1 milliohm"}})
    assert 0.1 < found.sound_probability < 0.5
    verdict = told(found, "readings-undecided")
    assert verdict.numbers["probability"] == found.suspects[0].probability
    assert not {"joint-suspected", "readings-fit-sound"} & set(codes(found))


# ---- logs ----


@pytest.fixture(scope="module")
def hill_log():
    """The fitted log of the hill barn, whose link H2-H3 has 1.2 mΩ more from 5 March on (tests/own_log.py)."""
    folder = ROOT / "scenarios"
    return sb.fit_log(sb.load(folder / "hill_barn.toml"), folder / "hill_barn_log.csv")


def again(found):
    """The same without what it has computed already."""
    fresh = copy.copy(found)
    for name in ("table", "drifts", "residuals"):
        fresh.__dict__.pop(name, None)
    return fresh


def test_share_drifts(hill_log, monkeypatch):
    verdict = told(hill_log, "share-drifts")
    assert verdict.severity == ACT
    assert "H2-H3" in verdict.text
    assert verdict.numbers["change_percent"] == hill_log.drifts["change_percent"].iloc[0] < 0
    monkeypatch.setattr("simbank.studies.logs.drifting.LEAST_PERCENT", 50.0)
    assert "share-drifts" not in codes(again(hill_log))


def test_log_against_file(hill_log, monkeypatch):
    table = hill_log.table
    own = np.abs(hill_log.fit.scores)[(table["known"] & table["key"].str.startswith(("packs.", "wiring."))).to_numpy()].max()
    monkeypatch.setattr("simbank.studies.logs.fitted.SURPRISING", own * 1.01)
    assert "log-against-file" not in codes(hill_log)
    monkeypatch.setattr("simbank.studies.logs.fitted.SURPRISING", own * 0.99)
    assert told(hill_log, "log-against-file").numbers["many"] == 1


def test_log_not_explained(hill_log, monkeypatch):
    worst = hill_log.residuals
    assert worst["is_noise"].all()
    assert "log-not-explained" not in codes(hill_log)
    monkeypatch.setattr("simbank.studies.logs.fitted.NOT_NOISE", 0.5)
    monkeypatch.setattr("simbank.studies.logs.fitted.NOT_NOISE_SHARE", 1e-3)
    verdict = told(again(hill_log), "log-not-explained")
    assert verdict.severity == UNKNOWN
    assert verdict.numbers["many"] >= 1


def test_log_leaves_unknown(hill_log, monkeypatch):
    own = hill_log.table[hill_log.table["key"].str.startswith(("packs.", "wiring."))]
    assert told(hill_log, "log-leaves-unknown").numbers["many"] == (own["width_ratio"] >= 0.8).sum() > 0
    monkeypatch.setattr("simbank.studies.logs.fitted.KNOWN", 1.5)
    assert "log-leaves-unknown" not in codes(again(hill_log))


# ---- where they are told ----


@pytest.fixture(scope="module")
def file(tmp_path_factory):
    path = tmp_path_factory.mktemp("verdicts") / "two.toml"
    path.write_text(tomli_w.dumps(bank(packs__B__device={"resistance": "0.3 milliohm"}).data))
    return path


@pytest.mark.parametrize(
    "arguments",
    [
        ["run"], ["compare", "--layout", "chain"], ["sweep", "--over", "packs.A.soc=0.4,0.6", "--jobs", "1"],
        ["sensitivity", "--vary", "packs.A.soc=uniform 0.4 0.5", "--vary", "packs.B.soc=uniform 0.4 0.5", "--runs", "4", "--jobs", "1"],
        ["size", "--gauges", "2 AWG", "--layout", "chain"], ["drift", "--chemistry", "lfp"], ["usable", "--c-rate", "1"], ["protect"],
    ],
    ids=lambda arguments: arguments[0],
)  # fmt: skip
def test_every_command_ends_in_verdicts(arguments, file, tmp_path):
    def shown(*more):
        done = CliRunner().invoke(app, [arguments[0], str(file), *arguments[1:], *more], catch_exceptions=False)
        assert done.exit_code == 0, done.output
        return done.stdout

    record = json.loads(shown("--json", "--out", str(tmp_path)))["verdicts"]
    assert set(record[0]) == {"code", "severity", "where", "text", "numbers"}
    assert record[0]["code"] == "no-own-device"
    assert json.loads((tmp_path / "verdicts.json").read_text(encoding="utf-8"))["verdicts"] == record
    assert "more-verdicts" not in [v["code"] for v in record]  # a program gets all of them
    for text, told in (
        (shown(), record if len(record) <= 7 else record[:6]),
        (shown("--wide"), record),
    ):
        text = " ".join(text.split())
        places = [text.rfind(" ".join(v["text"].split())) for v in told]
        assert -1 not in places
        assert places == sorted(places)
        assert text.find("Computed from the data given") > places[-1]  # the caution stands last


# ---- over draws of what is not known ----


def made_up(spread, share_a, share_b=1.0, warned=None):
    """Bands of the bank of two packs whose draws have these figures; by the file's own values nothing is amiss."""
    found = sb.bands(bank(), 2, jobs=1)
    count = len(spread)
    draws = pd.concat([found.draws.iloc[:1]] * count).reset_index(drop=True)
    draws["spread_max_points"] = draws["spread_end_points"] = np.asarray(spread, float)
    for pack, share in (("A", share_a), ("B", share_b)):
        draws[f"{pack}.share_ratio_discharge"] = np.broadcast_to(np.asarray(share, float), count)
    for key in found.uncertain.index:
        draws[key] = np.linspace(0.0, 1.0, count)
    draws["warnings"] = "" if warned is None else warned
    return replace(found, draws=draws, warnings=[], asked=count)


def test_a_verdict_says_in_which_share_of_the_draws_it_holds(sound):
    apart = run(packs__A__capacity_left=0.9, packs__A__soc=0.7)
    with_draws = sb.verdicts(apart, made_up([5.0] * 15 + [1.0] * 5, 1.0), most=99)
    spread = next(v for v in with_draws if v.code in ("spread", "spread-stands"))
    assert spread.numbers["holds_in"] == pytest.approx(0.75)  # 15 of 20 draws, by hand
    assert "True in 75 % of what the bank may be." in spread.text
    without = next(v for v in sb.verdicts(apart, most=99) if v.code == spread.code)
    assert "holds_in" not in without.numbers
    assert spread.text.startswith(without.text)
    json.dumps(as_records(with_draws), allow_nan=False)


def test_hangs_on_unknown():
    apart = run(packs__A__soc=0.7)
    hangs = told(apart, "hangs-on-unknown", made_up([5.0] * 90 + [1.0] * 10, 1.5))
    assert hangs.severity == UNKNOWN
    (share,) = (value for key, value in hangs.numbers.items() if key.endswith("_holds_in") and key.startswith("spread"))
    assert share == pytest.approx(0.9)
    assert "It hangs most on:" in hangs.text  # drawn values rise from draw to draw, so that the last two are the largest
    assert told(apart, "hangs-on-unknown", made_up([5.0] * 19 + [1.0], 1.5, warned="unequal-charge")) is None  # holds in 95 %


def test_may_happen(sound):
    warned = [""] * 18 + ["beyond-cell-model"] * 2
    warning = BankWarning("beyond-cell-model", "A", "A draw went beyond.")
    some = replace(made_up([0.0] * 20, 1.0, warned=warned), warnings=[warning])
    may = told(sound, "may-happen", some)
    assert may.numbers["in_beyond_cell_model"] == pytest.approx(0.1)
    assert may.severity == ACT  # a danger in one draw of ten
    most = replace(made_up([0.0] * 20, 1.0, warned=["beyond-cell-model"] * 10 + [""] * 10), warnings=[warning])
    assert told(sound, "may-happen", most).severity == DANGER  # in half of them
    one = replace(made_up([0.0] * 21, 1.0, warned=["beyond-cell-model"] + [""] * 20), warnings=[warning])
    assert told(sound, "may-happen", one) is None  # in less than 5 %
    hot = made_up([0.0] * 20, 1.0)
    hot.draws["A.temperature_max_c"] = [rules.WARM_C - 0.1] * 18 + [rules.WARM_C] * 2
    assert told(sound, "may-happen", hot).numbers["in_pack_hot"] == pytest.approx(0.1)


def of_doubtful_resistance(amperes, ampacity, duty=None):
    """Two packs of which one carries more than the other, which of them and by how much not known; their leads carry what is given."""
    duty = duty or {"kind": "constant", "discharge": f"{amperes} A", "hours": 0.5}
    changes = {f"packs__{name}__resistance_growth": {"value": 1.2, "within": 0.6} for name in "AB"}
    return bank(duty=duty, wiring__lead=LEAD | {"ampacity": f"{ampacity} A"}, **changes)


LONG = [{"discharge": "100 A", "hours": 0.3}, {"rest": True, "hours": 47}, {"discharge": "20 A", "hours": 1}]


@pytest.mark.parametrize("duty", [None, {"kind": "cycles", "steps": LONG}], ids=["short", "samples further apart than 15 min"])
def test_an_overloaded_conductor_says_in_which_share_of_the_draws(duty):
    """Against the rule itself on the run of every draw; the lead that the middle values let pass is told where some draws do not."""
    step = sampling_step_s(of_doubtful_resistance(100, 50, duty).duty.duration_s, 2, 40)
    assert duty is None or step > 300.0  # of draws; the run of a person has samples every minute
    for ampacity in (48.0, 52.0):
        scenario = of_doubtful_resistance(100, ampacity, duty)
        found, own = sb.bands(scenario, 40, explain=False, jobs=1), sb.simulate(scenario, integrator="fast")
        over = []
        for point in drawn_points(uncertain.uncertain_values(scenario), 40, 0)[0]:
            hot = told(sb.simulate(uncertain.drawn(scenario, point), integrator="fast", tolerance=1e-5), "conductor-overloaded")
            over.append([] if hot is None else hot.where.split(", "))
        if ampacity == 48.0:
            hot = told(own, "conductor-overloaded", found)
            name = hot.where.split(", ")[0]
            assert hot.severity == DANGER
            assert hot.numbers["holds_in"] == np.mean([name in names for names in over])
            assert 0.5 < hot.numbers["holds_in"] < 1.0
            assert f"True in {100 * hot.numbers['holds_in']:.0f} % of what the bank may be." in hot.text
        else:
            assert told(own, "conductor-overloaded", found) is None
            may = told(own, "may-happen", found)
            assert may.numbers["in_conductor_overloaded"] == np.mean([bool(names) for names in over])
            assert 0.05 < may.numbers["in_conductor_overloaded"] < 1.0
            assert may.severity == (DANGER if may.numbers["in_conductor_overloaded"] >= rules.HANGS_DANGER else ACT)
            assert re.search(r"lead [AB] [-+]\S* carries more than it may", may.text)


def test_what_draws_are_judged_by_is_what_a_run_is_judged_by(root):
    """Every rule with a share, on every draw, against the rule itself on that draw's own run."""
    from simbank.judging.drawn import HOLDS, _Draws

    alike = {"spread", "spread-stands"}  # which of the two is told hangs on the rest at the end
    spoke = set()
    for name in ("hilltop_clinic", "winter_hut", "valley_workshop_mistakes", "classroom_chain"):
        scenario = sb.load(root / "scenarios" / f"{name}.toml")
        draws = _Draws.of(sb.bands(scenario, 6, explain=False, jobs=1), sb.simulate(scenario, integrator="fast"))
        runs = [
            sb.simulate(uncertain.drawn(scenario, p), integrator="fast", tolerance=1e-5)
            for p in drawn_points(uncertain.uncertain_values(scenario), 6, 0)[0]
        ]
        of_runs = [codes(run) for run in runs]
        for code, (holds, _) in HOLDS.items():
            if code not in alike:
                assert list(holds(draws, None)) == [code in found for found in of_runs], (name, code)
                spoke |= {code} if any(code in found for found in of_runs) else set()
    assert {"conductor-overloaded", "pack-near-limit", "charge-too-fast", "blocked-by-temperature", "fills-first"} <= spoke


def test_the_hardest_pack_holds_where_it_is_the_same_pack():
    uneven = run(packs__A__resistance_growth=3.0)
    hardest = told(uneven, "hardest-pack", made_up([0.0] * 20, [1.0] * 4 + [1.0] * 16, [1.2] * 16 + [1.0] * 4))
    assert hardest.where == "B"
    assert hardest.numbers["holds_in"] == pytest.approx(0.8)


def test_layouts_say_in_which_share_of_the_draws_the_best_stays_unbeaten():
    thin = {"gauge": "8 AWG", "length": "60 cm", "joint": "0.2 milliohm", "insulation": "xlpe90"}
    found = sb.compare(bank(wiring__link=thin, wiring__layout="chain"), bands=20, integrator="fast")
    best = next(v for v in sb.verdicts(found, most=99) if v.code in ("best-layout", "no-difference-that-matters"))
    assert 0.0 <= best.numbers["holds_in"] <= 1.0
    assert "stays unbeaten in" in best.text


def test_an_overload_in_another_layout_has_no_share_of_the_draws_of_the_own_one():
    """The chain has no leads: that the busbar's are too thin is true in none of its draws, and was looked at in none."""
    thin = {"wiring__lead": LEAD | {"ampacity": "40 A"}, "wiring__link": LEAD | {"ampacity": "300 A"}}
    scenario = of_doubtful_resistance(100, 40).data
    scenario = sb.from_dict(scenario, {"wiring.layout": "chain", **{key.replace("__", "."): part for key, part in thin.items()}})
    drawn, own = sb.bands(scenario, 20, explain=False, jobs=1), sb.simulate(scenario, integrator="fast")
    layouts = sb.compare(scenario, ["chain", "busbar"], integrator="fast")
    hot = told(own, "conductor-overloaded", layouts, drawn)
    assert hot.numbers["layout"] == "busbar"
    assert hot.severity == DANGER
    assert "holds_in" not in hot.numbers
    assert "True in" not in hot.text
    assert "Of this layout no draws were made" in hot.text
    hangs = told(own, "hangs-on-unknown", layouts, drawn)
    assert hangs is None or "conductor-overloaded" not in hangs.text
    paired = sb.compare(scenario, ["chain", "busbar"], integrator="fast", bands=20)
    over = (1.25 * paired.bands.layouts["busbar"].limit_figures.xs("peak_of_ampacity", axis=1, level="figure")) > 1.0
    share = told(paired, "conductor-overloaded").numbers["holds_in"]
    assert share == over[hot.where.split(", ")[0]].mean() > 0.5
    assert told(own, "conductor-overloaded", paired, drawn).numbers["holds_in"] == share


def test_what_may_happen_in_the_own_layout_is_told_beside_the_overload_of_another():
    """The link carries less than it may by the file and more in some draws; the busbar's leads are too thin in any case."""
    parts = {"wiring.layout": "chain", "wiring.lead": LEAD | {"ampacity": "30 A"}}
    scenario = sb.from_dict(of_doubtful_resistance(100, 30).data, parts | {"wiring.link": LEAD | {"ampacity": "300 A"}})
    peak = max(row["current_peak_a"] for name, row in sb.simulate(scenario).branches.iterrows() if name.startswith("link"))
    limit = LEAD | {"ampacity": f"{1.3 * peak:.1f} A"}
    scenario = sb.from_dict(scenario.data, {"wiring.link": limit})
    drawn, own = sb.bands(scenario, 20, explain=False, jobs=1), sb.simulate(scenario, integrator="fast")
    drawn.draws["link A-B +.lasting_of_ampacity"] = [0.9] * 15 + [1.1] * 5
    may = told(own, "may-happen", sb.compare(scenario, ["chain", "busbar"], integrator="fast"), drawn)
    assert may.numbers["in_conductor_overloaded"] == 0.25
    assert "link A-B + carries more than it may" in may.text


def test_what_protection_says_of_a_load_has_no_share_of_the_draws_of_a_run():
    """Its load is that with the margin, at full power: another figure than the one that was kept of each draw."""
    scenario = of_doubtful_resistance(100, 52)
    drawn, own, protection = sb.bands(scenario, 10, explain=False, jobs=1), sb.simulate(scenario), sb.protect(scenario)
    hot = told(own, "conductor-overloaded", drawn, protection)
    assert hot.text == told(protection, "conductor-overloaded").text
    assert "holds_in" not in hot.numbers


def test_a_place_that_is_in_no_draw_gives_no_share():
    scenario = of_doubtful_resistance(100, 48)
    drawn, own = sb.bands(scenario, 10, explain=False, jobs=1), sb.simulate(scenario, integrator="fast")
    hot = told(own, "conductor-overloaded", drawn)
    place = hot.where.split(", ")[0]
    assert "holds_in" in hot.numbers
    without = replace(drawn, limits=drawn.limits.drop(index=place, level="where"))
    assert told(own, "conductor-overloaded", without).text == told(own, "conductor-overloaded").text


def test_empty_before_dawn_over_draws_counts_cut_offs_at_night():
    from simbank.judging.drawn import HOLDS, _Draws
    from simbank.judging.words import Clock

    class Days:
        data = {"duty": {"kind": "days", "start": "2026-01-01", "timezone": "UTC"}}  # noqa: RUF012

    figures = pd.DataFrame(
        {
            "unmet_wh": [100.0, 100.0, 0.0, 100.0], "ac_unmet_wh": [0.0] * 4, "first_cutoff_h": [3.0, 12.0, math.nan, 3.0],
            "cutoff_soc_percent": [10.0, 10.0, math.nan, 50.0],
        }
    )  # fmt: skip
    draws = _Draws(figures, pd.DataFrame(), None, Clock(Days()))
    speaks = {code: list(HOLDS[code][0](draws, None)) for code in ("empty-before-dawn", "load-unmet", "cut-off-early")}
    assert speaks["empty-before-dawn"] == [True, False, False, False]
    assert speaks["load-unmet"] == [False, True, False, False]
    assert speaks["cut-off-early"] == [False, False, False, True]


# ---- years ----


def aged(law="schimpe", years=10.0, others=None, **changes):
    """Two packs that go through a shallow cycle a day, half of the time near full."""
    day = cycles(
        {"discharge": "0.1 C", "hours": 3},
        {"charge": "0.1 C", "voltage": "56.8 V", "hours": 5},
        {"rest": True, "hours": 16},
        repeat=1,
    )
    return sb.age(bank(**{"duty": day} | changes), years, law=law, others=others, windows=2)


@pytest.fixture(scope="module")
def warm_years():
    return aged(packs__B__capacity_left=0.9)


def test_ages_first(warm_years):
    """B begins with a tenth lost: it comes to 80 % before A, which begins as new."""
    verdict = told(warm_years, "ages-first")
    assert (verdict.where, verdict.severity) == ("B", ACT)
    assert verdict.numbers["years_to_80"] == pytest.approx(warm_years.table.set_index("pack").loc["B", "years_to_80"])
    assert told(aged(years=0.5), "ages-first").severity == NOTE


def test_packs_grow_together(warm_years):
    """Losses go as the root of time: what is behind loses faster."""
    verdict = told(warm_years, "packs-grow-together")
    assert verdict.numbers["spread_start_points"] == pytest.approx(10.0)
    assert verdict.numbers["spread_end_points"] < 8.0
    assert "packs-grow-together" not in codes(aged(years=0.5))
    drawn = copy.copy(warm_years)
    years = pd.DataFrame(
        {"low": [0.0, 2.0], "mid": [0.0, 5.0], "high": [0.0, np.inf]},
        index=pd.MultiIndex.from_tuples([("bank", "first_to_80"), ("B", "years_to_80")]),
    )
    shares = {"capacities": {"together": 0.75, "apart": 0.25}, "ages_first": {"B": 0.6, "A": 0.4}}
    below = {"B": (0.25, 1.0)}
    drawn.bands = SimpleNamespace(shares=shares, warnings=[], table=years, until=20.0, begins_below_of=below.get)
    verdict = told(drawn, "packs-grow-together")
    assert verdict.numbers["holds_in"] == 0.75
    assert "in 75 % of the draws" in verdict.text
    first = told(drawn, "ages-first").text
    assert "(2.0 to more than 20 in nine draws of ten, 5.0 in the middle; in 25 % of them it begins at 80 % or less" in first
    assert (
        "in 100 % of them another pack begins at 80 % or less, which does not count here; it is first in 60 % of them)" in first
    )


def test_packs_grow_apart():
    hot = aged(packs__A__temperature="40 degC")  # without heat capacity it stays so
    assert told(hot, "packs-grow-apart").where == "A"
    assert "packs-grow-apart" not in codes(aged(years=0.5))


def test_cold_charge_ages():
    fast = cycles(
        {"discharge": "0.8 C", "hours": 0.5}, {"charge": "0.8 C", "voltage": "56.8 V", "hours": 1}, {"rest": True, "hours": 4}
    )
    assert told(aged(ambient="2 degC", duty=fast), "cold-charge-ages").numbers["share"] > rules.COLD_CHARGE_SHARE
    assert "cold-charge-ages" not in codes(aged())  # warm, at a tenth of C


def test_ages_by_high_charge(warm_years):
    verdict = told(warm_years, "ages-by-high-charge")
    assert verdict.numbers["mean_soc"] > rules.HIGH_CHARGE_SOC
    assert "a lower charge voltage" in verdict.text  # there is no charger that floats
    low = cycles({"rest": True, "hours": 24})
    assert "ages-by-high-charge" not in codes(aged(packs__A__soc=0.5, packs__B__soc=0.5, duty=low))


def test_unmet_from_start():
    """20 C for an hour asks ten times what the bank holds and more."""
    greedy = cycles({"discharge": "20 C", "hours": 1}, {"charge": "0.2 C", "voltage": "56.8 V", "hours": 8})
    verdict = told(aged(duty=greedy, years=0.5), "unmet-from-start")
    assert verdict.numbers["share_start"] > 0.9
    assert "unmet-from-start" not in codes(aged(years=0.5))


def test_unmet_grows():
    deep = cycles(
        {"discharge": "0.2 C", "hours": 4.7}, {"charge": "0.2 C", "voltage": "56.8 V", "hours": 7}, {"rest": True, "hours": 12.3}
    )
    verdict = told(aged(duty=deep), "unmet-grows")
    assert verdict.numbers["share_end"] - verdict.numbers["share_start"] > rules.UNMET_GROWS_SHARE
    assert "unmet-grows" not in codes(aged(years=0.5))


def test_laws_disagree(warm_years):
    assert told(warm_years, "laws-disagree").numbers["points"] >= rules.LAWS_APART_POINTS
    assert "laws-disagree" not in codes(aged(others=()))


def test_beyond_ageing_law(warm_years):
    """Schimpe's tests lasted 230 days (from memory)."""
    assert told(warm_years, "beyond-ageing-law").severity == UNKNOWN
    assert "beyond-ageing-law" not in codes(aged(years=0.5))


def test_other_cells_than_law():
    nmc = {
        "capacity": "100 Ah",
        "cell_resistance": "0.6 milliohm",
        "internal_wiring": "6 milliohm",
        "chemistry": "nmc",
        "cells_in_series": 14,
    }
    assert told(aged(pack_types__own=nmc, duty=cycles({"rest": True, "hours": 24})), "other-cells-than-law").where == "A, B"
    assert "other-cells-than-law" not in codes(aged(years=0.5))


def test_ageing_left_out(warm_years):
    assert "storage" not in told(aged(law="naumann"), "ageing-left-out").text
    assert "ageing-left-out" not in codes(warm_years)


def test_ageing_unknown(warm_years):
    """Of every years, by whatever law: nothing that says so is left out."""
    assert told(warm_years, "ageing-unknown").severity == UNKNOWN
    assert "knee" in told(aged(law="naumann+wang", years=0.5), "ageing-unknown").text


def test_begins_used(warm_years):
    verdict = told(warm_years, "begins-used")
    assert (verdict.where, verdict.severity) == ("B", UNKNOWN)
    assert "come together rests on it" in verdict.text
    assert "begins-used" not in codes(aged(years=0.5))


def test_change_beyond_years():
    late = [{"at": "3 years", "remove": ["B"]}]
    assert told(aged(years=0.5, changes=late), "change-beyond-years").severity == NOTE
    assert "change-beyond-years" not in codes(aged(years=3.5, changes=late))


def test_frost_charge_brief(warm_years):
    """Half an hour and 50 mAh in a year: what the file's own BMS lets through; without it, or above 2 h, a danger."""

    def frozen(hours, **changes):
        found = aged(years=0.5, **changes)
        for segment in found.segments:
            for _, stress in segment.stresses:
                stress.figures["frozen_charge_h"][:], stress.figures["frozen_charge_ah"][:] = hours, 0.05
        return found

    cold = {"charge_temperature": {"lowest": "0 degC", "highest": "50 degC"}}
    blocks = {"packs__A__bms": cold, "packs__B__bms": cold}
    brief = told(frozen(0.5, **blocks), "frost-charge-brief")
    assert brief.severity == NOTE
    assert "its delay and its retries" in brief.text
    assert "charge-below-freezing" not in codes(frozen(0.5, **blocks))
    long = told(frozen(2.1, **blocks), "charge-below-freezing")
    assert long.severity == DANGER
    assert "frost-charge-brief" not in codes(frozen(2.1, **blocks))
    assert "charge-below-freezing" in codes(frozen(0.5))
    assert "frost-charge-brief" not in codes(warm_years)


def test_temperature_at_start():
    """Of a pack with mass and heat_loss alone: without them it stays as warm as the file says."""
    own = {"capacity": "100 Ah", "cell_resistance": "0.6 milliohm", "internal_wiring": "6 milliohm"}
    heavy = own | {"mass": "46 kg", "heat_loss": "2 W/K"}
    verdict = told(aged(years=0.5, pack_types__own=heavy, packs__A__temperature="30 degC"), "temperature-at-start")
    assert (verdict.where, verdict.severity) == ("A", NOTE)
    assert "temperature-at-start" not in codes(aged(years=0.5, pack_types__own=own, packs__A__temperature="30 degC"))
    assert "temperature-at-start" not in codes(aged(years=0.5, pack_types__own=heavy))


def test_a_lower_float_is_not_advised_where_more_is_then_not_given(warm_years):
    found = copy.copy(warm_years)
    assert "a lower charge voltage, or an earlier end of the charge, while" in told(found, "ages-by-high-charge").text
    columns = {"change": ["as it is", "float 0.1 V a cell lower"], "unmet_saved_wh": [0.0, -50_000.0], "years_gained": [0.0, 1.0]}
    columns |= {
        "dangers": ["none", "none"],
        "by_all_laws": ["alike", "longer"],
        "unmet_share": [0.0, 0.01],
        "frozen_charge_h": [0.0, 0.0],
    }
    more = ("usable_wh", "usable_gained_wh", "years_to_80", "asked_wh", "years_gained_low", "years_gained_high")
    found.worth = pd.DataFrame(columns | {key: [1000.0, 1000.0] for key in more})
    assert "would leave more of what is asked not given" in told(found, "ages-by-high-charge").text


def test_ageing_steps_coarse(warm_years):
    coarse = copy.copy(warm_years)
    coarse.__dict__.pop("warnings", None)
    coarse.error_points = 0.51
    assert told(coarse, "ageing-steps-coarse")
    assert "ageing-steps-coarse" not in codes(warm_years)


def test_ageing_ended(warm_years):
    short = sb.age(warm_years.scenario, 10.0, until=0.85, windows=2)
    assert short.years < 10.0
    assert short.table["capacity_left"].min() == pytest.approx(0.85, abs=1e-3)
    assert told(short, "ageing-ended")
    assert "ageing-ended" not in codes(warm_years)


def test_ageing_windows_short():
    """Ten years of hilltop_clinic_days with stretches of one day are 0.6 points off those of a week."""
    case = sb.load(ROOT / "scenarios" / "hilltop_clinic_days.toml", {"duty.step": "1 h"})
    found = sb.age(case, 0.1, windows=1, window_days=1, others=())
    assert told(found, "ageing-windows-short").severity == UNKNOWN
    longer = copy.copy(found)
    longer.__dict__.pop("warnings", None)
    longer.made_by = found.made_by | {"window_days": 3}
    assert "ageing-windows-short" not in codes(longer)


def tried(found, *rows):
    """Years with a table of changes: their names, years to 80 %, usable energy at the end, what is not given in all years."""
    tried = copy.copy(found)
    frame = pd.DataFrame(rows, columns=["change", "years_to_80", "usable_wh", "unmet_wh"])
    tried.worth = frame.assign(
        years_gained=frame["years_to_80"] - frame["years_to_80"][0],
        usable_gained_wh=frame["usable_wh"] - frame["usable_wh"][0],
        unmet_saved_wh=frame["unmet_wh"][0] - frame["unmet_wh"],
        asked_wh=1e7,
        unmet_share=frame["unmet_wh"] / 1e7,
        dangers="none",
        by_all_laws="longer",
        years_gained_low=np.nan,
        years_gained_high=np.nan,
    )
    return tried


def test_worth_most(warm_years):
    base = ("as it is", 8.0, 4000.0, 50.0)
    v = told(tried(warm_years, base, ("5 K cooler", 10.0, 4030.0, 50.0), ("on a bus bar", 8.5, 4100.0, 50.0)), "worth-most")
    assert v.text == (
        "Of what was tried, 5 K cooler puts off 80 % most, by 2.0 years; on a bus bar has most more to use at the end, 100 Wh."
    )
    assert v.numbers == {"years_gained": 2.0, "years_gained_low": None, "years_gained_high": None, "usable_gained_wh": 100.0}
    far = told(tried(warm_years, base, ("5 K cooler", float("nan"), 4000.0, 1e6 + 50.0)), "worth-most")
    assert far.text == (
        "Of what was tried, 5 K cooler puts off 80 % most, to beyond 20 years, but 1,000 kWh more are not given "
        "(10 % of what is asked, as it is 1 %)."
    )
    none = told(tried(warm_years, base, ("5 K cooler", 8.1, 4001.0, 50.0)), "worth-most")
    assert none.text == "None of what was tried (5 K cooler) puts off 80 % by 0.2 years or has 1 % more energy."
    assert "worth-most" not in codes(warm_years)

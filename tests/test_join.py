"""Packs that are added to a bank: currents at joining, voltages to bring them to, places, and what no longer does."""

import json
import tomllib
from dataclasses import replace

import numpy as np
import pytest
import tomli_w
from banks import affine_chemistry
from conftest import ROOT
from scipy.linalg import expm
from scipy.optimize import brentq
from typer.testing import CliRunner

import simbank as sb
from simbank import cli
from simbank.cells.chemistry import RCPair
from simbank.scenario.addition import Addition, joined, place_of, places
from simbank.studies.joining import at_joining, over_time, windows

VALLEY, FIFTH = ROOT / "scenarios" / "valley_workshop.toml", ROOT / "scenarios" / "additions" / "valley_fifth_pack.toml"


def scenario(count=1, layout="busbar", chemistry=None, **changes):
    """Equal packs of 100 Ah and 10 mΩ, links and leads of 0.5 mΩ each, without any device."""
    data = {
        "name": "test",
        "pack_types": {"box": {"capacity": "100 Ah", "cells_in_series": 16, "cell_resistance": "0.5 milliohm", "internal_wiring": "2 milliohm"}},
        "packs": [{"name": "P", "count": count, "type": "box", "soc": 0.6}],
        "wiring": {"layout": layout, "link": {"resistance": "0.5 milliohm"}, "lead": {"resistance": "0.5 milliohm"}},
        "ports": [{"name": "port"}],
        "duty": {"kind": "cycles", "steps": [{"discharge": "0.2 C", "hours": 1}, {"charge": "0.2 C", "hours": 1}]},
    }  # fmt: skip
    more = {}
    if chemistry is not None:
        more = {"chemistries.own": chemistry, "pack_types.box.chemistry": "own", "duty.steps.1.voltage": "60 V"}
    return sb.from_dict(data, more | changes)


def straight(slope):
    """A straight curve without hysteresis, with two relaxations as a file's chemistry needs them."""
    return replace(affine_chemistry(slope), rc=(RCPair(0.5, 30.0), RCPair(0.5, 900.0)))


def new(soc=0.4, name="N", **more):
    return {"packs": [{"name": name, "type": "box", "soc": soc, **more}]}


# ---- at the moment of joining ----


def test_two_packs_by_hand():
    """Thevenin: ΔE over the sum of resistances at once; then the two relaxations of each pack, solved with a matrix exponential."""
    pairs = [(0.6e-3, 30.0), (0.9e-3, 900.0)]  # of one cell
    relaxation = [{"resistance": f"{ohm} ohm", "time_constant": f"{tau} s"} for ohm, tau in pairs]
    one = scenario(chemistry=straight(0.2), **{"pack_types.box.relaxation": relaxation})
    after = joined(one, Addition(new(0.4)))
    moment = at_joining(after.bank, ["N"])
    gap, ohm = 16 * 0.2 * 0.2, 2 * 10e-3 + 4 * 0.5e-3  # V; two packs, four leads
    assert moment.packs.loc["P1", "current_a"] == pytest.approx(gap / ohm, rel=1e-9)
    assert moment.packs.loc["N", "current_a"] == pytest.approx(-gap / ohm, rel=1e-9)
    assert moment.packs.loc["N", "before_a"] == 0.0
    assert moment.packs.loc["N", "open_v"] == pytest.approx(16 * (3.3 - 0.02), rel=1e-12)
    assert moment.packs.loc["N", "bank_v"] == pytest.approx(16 * (3.3 + 0.02), rel=1e-9)
    current_a, pack_s, _ = over_time(after.bank, moment)
    # x = (gap of open-circuit voltages, v1, v2 of both packs together): i = (x0 - x1 - x2) / ohm
    (r1, tau1), (r2, tau2) = pairs
    falls = 2 * 16 * 0.2 / (100 * 3600)  # V lost of the gap for each As
    out = np.array([1.0, -1.0, -1.0]) / ohm
    matrix = np.outer([-falls, 2 * 16 * r1 / tau1, 2 * 16 * r2 / tau2], out) - np.diag([0.0, 1 / tau1, 1 / tau2])
    for t in (10.0, 120.0, 1800.0, 7200.0):
        by_hand = out @ expm(matrix * t) @ [gap, 0.0, 0.0]
        assert current_a.loc[t, "P1"] == pytest.approx(by_hand, rel=2e-5)
    level = 0.7 * gap / ohm
    moment.packs["limit_a"] = level
    _, pack_s, _ = over_time(after.bank, moment)
    crossing = brentq(lambda t: out @ expm(matrix * t) @ [gap, 0.0, 0.0] - level, 0.0, 1800.0)
    assert pack_s["P1"] == pytest.approx(crossing, abs=0.03)
    assert pack_s["N"] == pytest.approx(crossing, abs=0.03)


def test_equal_voltages_drive_nothing_and_a_difference_goes_over_the_loop():
    """By hand: E equal, I = 0; else a new pack against two equal ones beside each other, I = ΔE / (R + leads + (R + leads) / 2)."""
    two = scenario(2, chemistry=straight(0.2))
    equal = at_joining(joined(two, Addition(new(0.6))).bank, ["N"])
    assert equal.packs["current_a"].abs().max() < 1e-9
    for soc in (0.2, 0.55, 0.9):
        moment = at_joining(joined(two, Addition(new(soc))).bank, ["N"])
        gap, own = 16 * 0.2 * (soc - 0.6), 10e-3 + 2 * 0.5e-3
        assert moment.packs.loc["N", "current_a"] == pytest.approx(gap / (1.5 * own), rel=1e-9)
        assert moment.packs.loc[["P1", "P2"], "current_a"].to_list() == pytest.approx([-gap / (3 * own)] * 2, rel=1e-9)


def test_limits_are_the_nearest_of_a_pack_and_those_of_devices_and_cables():
    bms = {"charge_current": {"limit": "20 A"}, "discharge_current": {"limit": "40 A"}}
    device = {"rating": "30 A", "class": "class_t", "resistance": "0.1 milliohm"}
    one = scenario(
        **{
            "pack_types.box.bms": bms,
            "packs.P.count": 1,
            "wiring.lead": {"gauge": "8 AWG", "length": "30 cm", "ampacity": "35 A"},
        }
    )
    moment = at_joining(joined(one, Addition(new(0.1, device=device))).bank, ["N"])
    row = moment.packs.loc["N"]
    assert (row["limit_a"], row["limit"]) == (20.0, "the charge limit of its BMS")
    assert row["over_ratio"] == pytest.approx(-row["current_a"] / 20.0)
    assert moment.packs.loc["P1", "limit_a"] == 40.0
    assert moment.branches.loc["device N", "limit_a"] == 30.0
    assert moment.branches.loc["lead N +", "limit_a"] == 35.0
    assert moment.branches.loc["lead N +", "current_a"] == pytest.approx(-row["current_a"])
    cold = at_joining(joined(one, Addition(new(0.1, temperature="-5 degC"))).bank, ["N"])
    assert cold.packs.loc["N", "limit_a"] == 0.0
    assert np.isinf(cold.packs.loc["N", "over_ratio"])


# ---- to which voltage first ----


@pytest.mark.parametrize("c_rate", [0.05, 0.1, 0.3])
def test_window_of_voltages_is_a_root_of_ohms_law(c_rate):
    """By hand: (V − E) / (resistances of pack, new pack at its own charge, and leads) = ± the limit, solved directly."""
    one = scenario(**{"packs.P1.hysteresis": 1.0})
    after = joined(one, Addition(new(0.5, hysteresis=-1.0)))
    kind = sb.load_chemistry("lfp")
    (found, _) = windows(after.bank, ["N"], c_rate)
    emf = 16 * float(kind.ocv(0.6) + kind.half_width(0.6))
    assert found.best_v == pytest.approx(emf, abs=1e-4)

    def volt(soc, h=-1.0):
        return 16 * float(kind.ocv(soc) + h * kind.half_width(soc))

    def ohm(soc):
        return 8e-3 * float(kind.r_factor(soc)) + 2e-3

    for sign, ends, edge in ((1.0, (0.3, 1.0), found.high_v), (-1.0, (0.01, 0.9), found.low_v)):

        def over(soc, sign=sign):
            return (volt(soc) - emf) / (ohm(soc) + ohm(0.6) + 2e-3) - sign * c_rate * 100.0

        assert edge == pytest.approx(volt(brentq(over, *ends)), abs=2e-4)
    for h, edge, soc in ((1.0, found.low_v, found.soc_low), (-1.0, found.high_v, found.soc_high)):
        assert soc == pytest.approx(brentq(lambda z, h=h, edge=edge: volt(z, h) - edge, 0.0, 1.0), abs=1e-6)
    assert found.soc_low < 0.6 < found.soc_high


def test_no_window_where_the_bank_itself_levels():
    two = scenario(2, **{"packs.P1.soc": 0.95, "packs.P2.soc": 0.1})
    found = sb.join(two, new(0.5), protection=False)
    assert all(np.isnan(window.low_v) for window in found.windows[:1])
    assert found.windows[0].least_share > 1.0
    assert found.hidden is None
    assert any("Level the bank's own packs first" in text for text in found.words)


def test_sloped_curve_hides_nothing_and_a_flat_one_much():
    sloped = sb.join(scenario(chemistry=straight(0.5)), new(0.6), protection=False)
    mean, low, high = sloped.hidden
    assert high - low < 0.2
    flat = sb.join(scenario(), new(0.6), protection=False).hidden
    assert flat[0] == mean == pytest.approx(0.6)
    assert flat[2] - flat[1] > 2 * (high - low)


# ---- where ----


def test_places_of_a_row_and_what_names_them():
    three = scenario(3, "chain")
    words = [place.words for place in places(three)]
    assert words == ["1, before P1", "2, after P1", "3, after P2", "4, after P3 (end)"]
    for at, number in ((1, 1), ("2", 2), ("end", 4), ("after P2", 3), ("before P2", 2), ("before P1", 1)):
        place = place_of(three, at)
        assert place.number == number
        names = [pack.name for pack in joined(three, Addition(new()), place).bank.packs]
        assert names.index("N") == number - 1
    assert place_of(three, "all") is None
    for at in ("0", "5", "middle", "after Q", True, 2.5, ""):
        with pytest.raises(sb.InputError) as caught:
            place_of(three, at)
        assert caught.value.key == "at"
    assert [place.words for place in places(scenario(2))] == ["on the bus bars"]
    barn = sb.example("two_barn_strings")
    place = place_of(barn, "after E2")
    kind = next(iter(barn.data["pack_types"]))
    grown = joined(barn, Addition({"packs": [{"name": "N", "type": kind}]}), place)
    assert grown.bank.strings["east"] == ("E1", "E2", "N", "E3")
    with pytest.raises(sb.InputError, match="bank of strings"):
        place_of(barn, "2")


def test_a_place_takes_nothing_from_the_others():
    """What is asked, cells drawn by a seed, and a bad joint stay what they are, wherever the new pack goes."""
    four = sb.example("one_bad_joint", {"packs.P.cell_capacity_scatter": 0.02, "ports.inverter.charger": {"tail": "0.02 C"}})
    cells = {pack.name: pack.cell_capacities for pack in four.bank.packs}
    new_cells = set()
    for place in places(four):
        grown = joined(four, Addition({"packs": [{"name": "N", "type": "equal", "cell_capacity_scatter": 0.02}]}), place)
        assert grown.duty == four.duty
        assert grown.bank.port_equipment["inverter"][1].tail_a == pytest.approx(0.02 * four.bank.capacity_ah)
        for pack in grown.bank.packs:
            if pack.name == "N":
                new_cells.add(pack.cell_capacities)
            else:
                assert pack.cell_capacities == pytest.approx(cells[pack.name], rel=1e-12)
        ohm = {branch.name: branch.resistance_ohm for branch in grown.bank.graph.branches}
        bad = "link P1-N +" if place.after == "P1" else "link P1-P2 +"
        assert ohm[bad] == pytest.approx(ohm["link P3-P4 -" if "link P3-P4 -" in ohm else "link P1-P2 -"] + 1.2e-3, rel=1e-9)
    assert len(new_cells) == 1


def test_an_equal_pack_on_equal_leads_carries_an_equal_share():
    found = sb.join(scenario(2), new(0.2), protection=False)
    row = found.positions.loc["on the bus bars"]
    assert row["share_ratio_max"] == pytest.approx(1.0, abs=1e-9)
    assert row["spread_max_points"] == pytest.approx(0.0, abs=1e-6)
    assert row["c_rate_max"] == pytest.approx(0.2 * 2 / 3, rel=1e-6)  # the load stays
    before = sb.simulate(scenario(2), integrator="fast").summary
    assert found.positions.iloc[0]["energy_out_wh"] == before["bank"]["energy_out_wh"]
    assert found.sharing.loc["N", "share_ratio_discharge_after"] == pytest.approx(1.0, abs=1e-9)
    assert np.isnan(float(found.sharing.loc["N", "share_ratio_discharge_before"] or np.nan))


def test_a_weak_pack_does_least_harm_where_little_current_passes():
    """Common practice, no source: the pack next to the take-off of a one-ended chain works hardest; the order follows from Ohm."""
    links = {"wiring.link": {"resistance": "2 milliohm"}, "duty.steps.0.discharge": "0.5 C"}
    found = sb.join(scenario(4, "chain", **links), new(0.6), protection=False)
    shares = found.positions["share_ratio_new"].dropna().astype(float)
    assert list(shares.filter(regex=r"^\d")) == sorted(shares.filter(regex=r"^\d"), reverse=True)
    assert shares["1, before P1"] > 1.3 > 0.9 > shares["5, after P4 (end)"]
    bar = found.positions.loc["all packs on a bus bar"]
    assert bar["share_ratio_max"] == pytest.approx(1.0, abs=1e-6)
    assert not found.places_alike or found.best.before is None


# ---- what no longer does ----


def test_fault_current_of_equal_packs_goes_with_their_number():
    """Thevenin: n equal packs behind equal leads drive n·E/(R + leads) at bars without resistance; one of (n + 1) more, (n + 1)/n."""
    device = {
        "class": "class_t",
        "rating": "125 A",
        "interrupting_rating": "20 kA",
        "voltage_rating": "125 V",
        "resistance": "0.5 milliohm",
    }
    base = scenario(3, **{"packs.P.device": device, "ports.port.device": device | {"interrupting_rating": "20 kA"}})
    found = sb.join(base, new(0.6, device=device))
    table = found.fault_currents.set_index("where")
    bar = table.loc["bus bar"]
    assert bar["after_a"] / bar["before_a"] == pytest.approx(4 / 3, rel=1e-9)
    at_port = table.loc["device port"]
    kind = found.after.bank.packs[0]
    warm = (
        kind.cell_path_ohm * kind.chemistry.resistance_scale(1.0, found.protection[0].assumptions.warm_k) + 2e-3 + 0.5e-3 + 1e-3
    )
    full = 16 * float(kind.chemistry.ocv(1.0) + kind.chemistry.half_width(1.0) + 20.0 * kind.chemistry.entropy(1.0))
    for count, column in ((3, "before_a"), (4, "after_a")):
        assert bar[column] == pytest.approx(count * full / warm, rel=1e-6)
    changes = found.changes.set_index(["rule", "where"])
    row = changes.loc[("interrupting rating", "device port")]
    assert at_port["before_a"] <= 20e3 < at_port["after_a"]
    assert (row["before"], row["after"]) == ("pass", "fail")
    assert at_port["breaks_a"] == 20e3


def test_other_cells_are_never_joined():
    found = sb.join(
        scenario(2), {"pack_types": {"short": {"capacity": "100 Ah", "cells_in_series": 15, "cell_resistance": "0.5 milliohm"}},
                      "packs": [{"name": "N", "type": "short"}]},
    )  # fmt: skip
    assert [w.code for w in found.warnings if w.code == "unequal-cell-count"]
    assert not found.windows
    assert not found.runs
    assert found.protection is None
    assert found.positions is None
    assert abs(found.table.loc["N", "current_a"]) > 100  # told all the same
    first = sb.verdicts(found)[0]
    assert (first.code, first.severity) == ("unequal-cell-count", "danger")
    json.dumps(found.summary, allow_nan=False)


# ---- the file of an addition ----


@pytest.mark.parametrize(
    ("given", "problem"),
    [
        ({}, "packs: is required"),
        ({"packs": []}, "1 entry or more"),
        ({"packs": [{"name": "N", "type": "boks"}]}, "no such pack type"),
        ({"packs": [{"name": "P1", "type": "box"}]}, "packs.name: 'P1': the bank has a pack of this name"),
        ({"packs": [{"name": "N", "type": "nope"}]}, "packs.0.type: 'nope'"),
        ({"packs": [{"name": "N", "type": "box", "sox": 0.4}]}, 'did you mean "soc"'),
        ({"packs": [{"name": "N", "type": "box"}], "ports": []}, "unknown key"),
        ({"pack_types": {"box": {"capacity": "50 Ah", "cell_resistance": "1 milliohm"}}, "packs": [{"name": "N", "type": "box"}]}, "other values"),
        ({"packs": [{"name": "N", "type": "box"}], "wiring": {"leads": {"M": {"resistance": "1 milliohm"}}}}, "no such pack"),
    ],
)  # fmt: skip
def test_what_is_wrong_with_an_addition_is_one_line_with_its_file(tmp_path, given, problem):
    file, add = tmp_path / "bank.toml", tmp_path / "new.toml"
    file.write_text(tomli_w.dumps(scenario().data))
    add.write_text(tomli_w.dumps(given))
    with pytest.raises(sb.InputError) as caught:
        sb.join(str(file) and sb.load(file), add)
    assert problem in str(caught.value)
    assert "new.toml" in str(caught.value)
    done = CliRunner().invoke(cli.app, ["join", str(file), "--add", str(add)])
    assert isinstance(done.exception, sb.InputError)


def test_an_addition_may_bring_a_type_a_chemistry_and_leads_of_its_own(tmp_path):
    (tmp_path / "cells").mkdir()
    text = (ROOT / "simbank" / "cells" / "library" / "lfp.toml").read_text(encoding="utf-8")
    (tmp_path / "cells" / "mine.toml").write_text(text.replace('name = "lfp"', 'name = "mine"'), encoding="utf-8")
    add = tmp_path / "cells" / "new.toml"
    add.write_text(tomli_w.dumps({
        "pack_types": {"own": {"chemistry": "mine.toml", "capacity": "50 Ah", "cell_resistance": "1 milliohm"}},
        "packs": [{"name": "N", "count": 2, "type": "own"}], "wiring": {"leads": {"N2": {"resistance": "3 milliohm"}}},
    }))  # fmt: skip
    found = sb.join(scenario(2), add, protection=False)
    assert found.addition.names == ["N1", "N2"]
    packs = {pack.name: pack for pack in found.after.bank.packs}
    assert packs["N2"].chemistry.name == "mine"
    ohm = {branch.name: branch.resistance_ohm for branch in found.after.bank.graph.branches}
    assert (ohm["lead N1 +"], ohm["lead N2 +"]) == pytest.approx((0.5e-3, 3e-3))


@pytest.mark.parametrize("c_rate", [0, -1, 20, True, "0.1"])
def test_a_rate_that_cannot_be(c_rate):
    with pytest.raises(sb.InputError, match="c_rate"):
        sb.join(scenario(), new(), c_rate=c_rate)


# ---- the command ----


@pytest.fixture(scope="module")
def shown(tmp_path_factory):
    out = tmp_path_factory.mktemp("join")
    arguments = ["join", str(VALLEY), "--add", str(FIFTH), "--out", str(out / "files"), "--report", str(out / "valley.html")]
    done = CliRunner().invoke(cli.app, arguments, env={"COLUMNS": "80"}, catch_exceptions=False)
    assert done.exit_code == 0
    return done.output, out


def test_the_worked_example_answers_its_question(shown):
    text, out = shown
    head = FIFTH.read_text(encoding="utf-8")
    assert "28 kA" in head
    assert "73 A" in head
    assert max(len(line) for line in text.splitlines() if str(out) not in line) <= 80
    found = sb.read(out / "files")
    assert found.title == "Valley workshop: joining E"
    fault = found.tables["fault_currents"].set_index("where").loc["device inverter"]
    assert round(fault["after_a"] / 1e3) == 28
    assert fault["breaks_a"] == 20e3 > fault["before_a"]
    assert round(-found.table.loc["E", "current_a"]) == 73
    verdicts = json.loads((out / "files" / "verdicts.json").read_text())["verdicts"]
    assert (verdicts[0]["code"], verdicts[0]["severity"]) == ("joining-fails-check", "danger")
    page = (out / "valley.html").read_text(encoding="utf-8")
    assert "Joining packs" in page
    assert "Equal voltage is not equal charge" in page
    assert "not a substitute" in page.lower()


def test_json_holds_all_of_it():
    arguments = ["join", str(VALLEY), "--add", str(FIFTH), "--no-protection", "--at", "after B", "--json"]
    record = json.loads(CliRunner().invoke(cli.app, arguments, catch_exceptions=False).stdout)
    assert record["at"] == "3, after B"
    assert record["new_packs"] == ["E"]
    assert {row["pack"] for row in record["joining"]} == set("ABCDE")
    assert [row["rule"] for row in record["windows"]] == ["0.1 C of every pack", "limits of packs, devices and cables"]
    assert [row["position"] for row in record["positions"]] == ["as it is", "3, after B"]
    assert record["check_changes"] == []
    assert "arc" in record["not_computed"][0]
    assert "protection-not-looked-at" in [v["code"] for v in record["verdicts"]]


def test_the_figure_shows_every_pack_and_place():
    figure = sb.join(sb.load(VALLEY), tomllib.loads(FIFTH.read_text(encoding="utf-8")), protection=False).plot()
    top, bottom = figure.axes[:2]
    assert "E (new)" in [text.get_text() for text in top.texts]
    assert len(bottom.get_xticklabels()) == 6


# ---- what is said ----


def test_words_promise_nothing_and_name_what_was_looked_at():
    """No word that a person could read as leave to join, no missing number, what was not looked at at the end."""
    found = sb.join(scenario(2), new(0.2), protection=False)
    said = " ".join(found.words)
    for word in ("nan", "can be joined", "safe", "may be joined"):
        assert word not in said.replace("allows them to be joined", "")
    assert "no current at the moment of joining is above 0.1 C of its pack" in said
    assert "Looked at, by the data of both files" in found.words[-2]
    assert "simbank protect" not in found.words[-2]
    assert found.words[-1].startswith("Not computed: energy and burn of the arc")
    assert "insulated tools" in found.CAUTION
    assert "manual and local codes" in found.CAUTION
    assert any("insulated tools" in text for text in found.section().text)


def test_a_device_that_is_missing_is_to_be_fitted_and_one_that_does_not_do_to_be_changed():
    device = {
        "class": "class_t",
        "rating": "125 A",
        "interrupting_rating": "20 kA",
        "voltage_rating": "125 V",
        "resistance": "0.5 milliohm",
    }
    base = scenario(2, **{"packs.P.device": device, "ports.port.device": device})
    for more, told in (
        ({}, "Fit the device that is missing"),
        ({"device": device | {"rating": "1 A"}}, "Change what does not do before"),
    ):
        (text,) = [v.text for v in sb.verdicts(sb.join(base, new(0.6, **more))) if v.code == "joining-fails-check"]
        assert told in text


def test_the_page_has_the_tables_of_the_terminal_with_units_and_digits(shown):
    """Headings and cells are those that people read; no name of a column of a file stands on the page."""
    page = (shown[1] / "valley.html").read_text(encoding="utf-8")
    for words in (
        "at once [A]",
        "Voltage to which to bring the new packs first",
        ">-72.7<",
        ">52.93<",
        ">27,762<",
        "Checks that are worse",
    ):
        assert words in page
    section = page.partition("<h2>Joining packs</h2>")[2].partition("<h2>")[0] or page
    for name in ("current_a", "open_v", "over_ratio", "e-13"):
        assert f">{name}<" not in section


NO_LIMIT = "your files give the maker's limit of no pack"
GIVEN = {"charge_current": {"limit": "50 A"}, "discharge_current": {"limit": "100 A"}}


def test_a_window_that_rests_on_assumed_limits_says_so():
    """Where no file gives a limit, 1 C out of a pack is assumed (makers allow 0.5 to 1 C; common practice, no source), and said to be."""
    found = sb.join(scenario(2), new(0.2), protection=False)
    table = found.table
    assert table["limit_assumed"].all()
    assert table.loc["P1", "limit"] == "assumed: 1 C, your file gives none"
    assert table.loc["P1", "limit_a"] == 100.0
    assert table.loc["N", "limit"].startswith("assumed: 0.5 C, what its cells take")
    said = " ".join(found.words)
    assert "a known limit" not in said
    assert "assumed (1 C out of a pack, 0.5 C into it)" in said
    assert "rests on an assumed limit alone: the maker's limit must be looked up first" in said
    shown = next(table for table in found.shown if table.title.startswith("Voltage to which"))
    assert shown.frame["rule"].iloc[-1] == "limits of packs, devices and cables, of packs assumed"
    joining = found.shown[0]
    assert "limit" in joining.columns


def test_limits_that_are_given_are_not_called_assumed():
    """One pack without a limit is named; with limits of all nothing is said to be assumed."""
    partly = sb.join(scenario(2, **{"packs.P.bms": GIVEN}), new(0.5), protection=False)
    assert list(partly.table.index[partly.table["limit_assumed"]]) == ["N"]
    said = " ".join(partly.words)
    assert "of N your files do not give the maker's limit" in said
    assert NO_LIMIT not in said
    known = sb.join(scenario(2, **{"pack_types.box.bms": GIVEN}), new(0.5), protection=False)
    assert not known.table["limit_assumed"].any()
    assert "assumed (" not in " ".join(known.words)
    assert "is above a limit that is known of a pack, device or cable" in " ".join(known.words)
    half = {"discharge_current": {"limit": "100 A"}}
    one_way = sb.join(scenario(2, **{"pack_types.box.bms": half}), new(0.2), protection=False)
    assert one_way.table["limit_assumed"].all()
    assert one_way.table.loc["N", "limit"].startswith("assumed: 0.5 C")


def test_what_is_over_an_assumed_limit_says_so():
    found = sb.join(scenario(2, chemistry=straight(1.0)), new(0.1), protection=False)
    assert any("over an assumed limit (" in text for text in found.words)
    verdict = next(v for v in sb.verdicts(found) if v.code == "joining-over-limit")
    assert "over an assumed limit (" in verdict.text


def test_least_harm_is_said_of_places_compared_and_by_which_measure():
    links = {"wiring.link": {"resistance": "2 milliohm"}, "duty.steps.0.discharge": "0.5 C"}
    four = scenario(4, "chain", **links)
    one = " ".join(sb.join(four, new(0.6), "after P2", protection=False).words)
    assert "At place 3, after P2" in one
    assert "Least harm" not in one
    every = sb.join(four, new(0.6), protection=False)
    said = " ".join(every.words)
    assert f"Least harm is done at place {every.best.words}" in said
    assert "Least harm is the smallest sum of largest share ÷ 0.05 and largest spread ÷ 2 points" in said


def test_a_place_that_the_spread_speaks_against_says_so():
    links = {"wiring.link": {"resistance": "2 milliohm"}, "duty.steps.0.discharge": "0.5 C"}
    found = sb.join(scenario(4, "chain", **links), new(0.6), protection=False)
    found.positions.loc[found.best.words, "spread_max_points"] += 5.0
    own = found.positions.iloc[1:-1]["spread_max_points"].astype(float)
    assert f"By spread alone place {own.idxmin()} is better: {own.min():.1f} instead of" in " ".join(found.words)


def test_the_answer_stands_before_the_tables(shown):
    text, _ = shown
    assert (
        text.index("Joined as they stand")
        < text.index("Equal voltage is not")
        < text.index("at the moment of joining, as they stand")
    )
    assert text.index("Sharing by place") < text.index("Looked at, by the data of both files")

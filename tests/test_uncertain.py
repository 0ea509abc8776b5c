"""How well values are known: what a file says of it, what it leaves to assumed data, and scenarios with values drawn."""

import copy
import json
import math
import tomllib
from dataclasses import replace

import numpy as np
import pytest
from conftest import ROOT
from scipy import stats
from typer.testing import CliRunner

import simbank as sb
from simbank import cli
from simbank.bank.assumed import assumed
from simbank.cells.chemistry import LIBRARY
from simbank.cells.chemistry_text import starter_chemistry
from simbank.distributions import measured, parse_draw, within_range
from simbank.errors import InputError
from simbank.filemodel import read_toml
from simbank.quantities import parse, parse_measured
from simbank.scenario.starter import starter_scenario
from simbank.scenario.uncertain import doubtful_values, known_times_assumed, too_wide
from simbank.studies.logs.unknowns import fit_base
from simbank.studies.possible_readings import possible_readings

SHARES = np.array([0.001, 0.01, 0.05, 0.3, 0.5, 0.7, 0.95, 0.99, 0.999])


# The classroom chain with its values stated as exact.
EXACT = {
    "pack_types.equal.cell_resistance": "0.6 milliohm", "pack_types.equal.internal_wiring": "8 milliohm", "packs.P.soc": 0.3,
    "wiring.link": {"gauge": "6 AWG", "length": "40 cm", "joint": "0.1 milliohm"}, "wiring.lead": {"resistance": "1 milliohm"},
}  # fmt: skip


def chain(changes=None):
    return sb.with_changes(sb.example("classroom_chain"), EXACT | (changes or {}))


def by_key(scenario):
    return {value.key: value for value in sb.uncertain_values(scenario)}


# ---- distributions ----


def test_an_expanded_uncertainty_is_two_standard_deviations():
    """JCGM 100:2008 6.2.1 and G.1.3: U = k u, with k = 2 some 95.45 % of a normal distribution lie within."""
    draw = parse_draw("0.25 ± 0.03 milliohm")
    inside = stats.norm.cdf(2) - stats.norm.cdf(-2)
    assert inside == pytest.approx(0.9545, abs=1e-4)
    assert draw.number(0.5 - inside / 2) == pytest.approx(0.22, rel=1e-12)
    assert draw.number(0.5 + inside / 2) == pytest.approx(0.28, rel=1e-12)
    for share in SHARES:
        assert draw.number(share) == pytest.approx(stats.norm(0.25, 0.015).ppf(share), rel=1e-12)


@pytest.mark.parametrize(("low", "typical", "high"), [(-15.0, 0.0, 15.0), (0.9, 1.0, 1.3), (-1.0, 2.0, 3.0)])
def test_a_range_is_a_normal_distribution_on_either_side_of_its_typical_value(low, typical, high):
    draw = within_range(low, high, typical)
    z = stats.norm.ppf(0.95)
    for share in SHARES:
        width = (typical - low if share < 0.5 else high - typical) / z
        assert draw.number(share) == pytest.approx(stats.norm(typical, width).ppf(share), rel=1e-12, abs=1e-12)
    assert [draw.number(share) for share in (0.05, 0.5, 0.95)] == pytest.approx([low, typical, high], abs=1e-12)


def test_a_wide_range_above_zero_is_lognormal():
    low, typical, high = 0.02, 0.05, 0.3
    draw = within_range(low, high, typical, "milliohm")
    z = stats.norm.ppf(0.95)
    for share in SHARES:
        width = math.log(typical / low if share < 0.5 else high / typical) / z
        assert draw.number(share) == pytest.approx(stats.lognorm(width, scale=typical).ppf(share), rel=1e-12)
    assert draw.value(0.5) == "0.05 milliohm"


def test_a_typical_value_outside_its_range_gives_way_to_the_middle():
    assert within_range(1.0, 1.5, 7.0).number(0.5) == pytest.approx(1.25, rel=1e-12)
    assert within_range(0.02, 0.3, 0.0).number(0.5) == pytest.approx(math.sqrt(0.02 * 0.3), rel=1e-12)


def test_draws_are_truncated_to_the_bounds_of_a_key():
    draw = measured(0.98, 0.04).bounded(0.0, 1.0)
    cut = stats.truncnorm((0.0 - 0.98) / 0.02, (1.0 - 0.98) / 0.02, loc=0.98, scale=0.02)
    for share in SHARES:
        assert draw.number(share) == pytest.approx(cut.ppf(share), rel=1e-9)
    assert draw.number(1 - 1e-9) <= 1.0
    wide = within_range(0.1, 5.0, 1.0).bounded(0.5, 2.0)
    below, above = (math.log(end) / stats.norm.ppf(0.95) for end in (10.0, 5.0))
    first, last = stats.norm.cdf(math.log(0.5) / below), stats.norm.cdf(math.log(2.0) / above)
    z = stats.norm.ppf(first + 0.3 * (last - first))
    assert wide.number(0.3) == pytest.approx(math.exp(z * (below if z < 0 else above)), rel=1e-12)


def test_a_number_added_and_a_factor():
    draw = within_range(0.02, 0.3, 0.05, "milliohm").times(2).shifted(-0.1)
    assert [draw.value(share) for share in (0.05, 0.5, 0.95)] == ["-0.06 milliohm", "0 milliohm", "0.5 milliohm"]


# ---- text ----


@pytest.mark.parametrize(
    ("text", "number", "half", "unit"),
    [
        ("0.25 ± 0.03 milliohm", 0.25, 0.03, "milliohm"),
        ("0.25 +/- 0.03 milliohm", 0.25, 0.03, "milliohm"),
        ("0.25 milliohm ± 12 %", 0.25, 0.03, "milliohm"),
        ("0.25 milliohm ±12%", 0.25, 0.03, "milliohm"),
        ("0.25 milliohm +/- 12 percent", 0.25, 0.03, "milliohm"),
        ("0.25 mΩ ± 0.03 mΩ", 0.25, 0.03, "mohm"),
        ("25 ± 5 degC", 25.0, 5.0, "degC"),
        ("25 °C ± 5 K", 25.0, 5.0, "degC"),
        ("-10 V ± 5 %", -10.0, 0.5, "V"),
        ("0.9 ± 0.05", 0.9, 0.05, ""),
    ],
)
def test_measured_text(text, number, half, unit):
    assert parse_measured(text)[1:] == (number, half, unit)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("0.25 ± -0.03 milliohm", "must be above zero"),
        ("0.25 ± 0 milliohm", "must be above zero"),
        ("0 V ± 5 %", "must be above zero"),
        ("0.25 V ± 0.03 milliohm", "has two units"),
        ("25 degC ± 3 %", "a percentage of a temperature says nothing"),
        ("± 3 V", "not a value with how well it is known"),
        ("1 ± 2 ± 3 V", "not a value with how well it is known"),
        ("1 V ± much", "not a value with how well it is known"),
    ],
)
def test_faults_of_measured_text(text, says):
    with pytest.raises(InputError, match=says):
        parse_measured(text)


def test_five_degrees_either_way_are_five_kelvin():
    (value,) = [v for v in sb.uncertain_values(chain({"ambient": "25 ± 5 degC"})) if v.key == "ambient"]
    kelvin = [parse(value.draw.value(share), "kelvin") for share in (stats.norm.cdf(-2), 0.5, stats.norm.cdf(2))]
    assert kelvin == pytest.approx([293.15, 298.15, 303.15], abs=1e-6)


# ---- the file ----


@pytest.mark.parametrize(
    ("key", "plain", "said"),
    [
        ("pack_types.equal.cell_resistance", "0.6 milliohm", "0.6 ± 0.05 milliohm"),
        (
            "pack_types.equal.cell_resistance",
            "0.6 milliohm",
            {"value": "0.6 milliohm", "range": ["500 microohm", "0.8 milliohm"]},
        ),
        ("packs.P.soc", 0.3, {"value": 0.3, "within": 0.05}),
        ("packs.P.soc", 0.3, {"value": 0.3, "range": [0.2, 0.4]}),
        ("ambient", "25 degC", {"value": "25 degC", "within": "5 K"}),
        ("wiring.link.length", "40 cm", "40 cm ± 5 %"),
        ("wiring.added", {"link P1-P2 +": "1 milliohm"}, {"link P1-P2 +": "1 ± 0.2 milliohm"}),
        ("duty.steps.0.voltage", "57.6 V", "57.6 ± 0.2 V"),
        ("chemistries.lfp.hysteresis.scale", 1.2, {"value": 1.2, "within": 0.3}),
    ],
)
def test_a_plain_run_takes_the_middle_value(key, plain, said):
    exact, known = chain({key: plain}), chain({key: said})
    point = [sb.operating_point(scenario, {"charger": 20.0}) for scenario in (exact, known)]
    assert point[0].packs.equals(point[1].packs)
    assert exact.duty == known.duty
    keys = [value.key for value in sb.uncertain_values(known) if value.source == "the file"]
    told = {"packs.P.soc": [f"packs.P{k}.soc" for k in range(1, 6)], "wiring.added": ["wiring.added.link P1-P2 +"]}
    assert keys == told.get(key, [key])
    assert not [value for value in sb.uncertain_values(exact) if value.source == "the file"]


@pytest.mark.parametrize(
    ("key", "value", "says"),
    [
        ("packs.P.soc", {"value": 0.3, "within": -0.05}, "packs.P.soc.within: -0.05: must be above zero"),
        ("packs.P.soc", {"value": 0.3, "within": "5 %"}, "packs.P.soc.within: '5 %': must be a number"),
        ("packs.P.soc", "0.3 ± 0.05", "write { value = 0.9, within = 0.05 }"),
        ("packs.P.soc", {"value": 1.3, "within": 0.05}, "packs.P.soc: 1.3: must be at most 1"),
        ("packs.P.soc", {"value": 0.3, "range": [0.5, 0.1]}, "its low end must lie below its high end"),
        ("packs.P.soc", {"value": 0.3, "range": [0.4, 0.5]}, "packs.P.soc.range: '0.4 to 0.5': must hold its value, 0.3"),
        ("packs.P.soc", {"value": 0.3, "range": [0.1, 0.2]}, "must hold its value, 0.3"),
        ("packs.P.soc", {"value": 0.3, "range": [-0.1, 0.5]}, "packs.P.soc.range: -0.1: must be at least 0"),
        ("packs.P.soc", {"value": 0.3, "range": [0.1, 1.5]}, "packs.P.soc.range: 1.5: must be at most 1"),
        ("packs.P.soc", {"value": 0.3, "range": [0.1]}, "must be a list of its low and its high end"),
        ("packs.P.soc", {"value": 0.3, "range": [0.1, 0.5], "within": 0.1}, 'needs "within" or "range"'),
        ("packs.P.soc", {"value": 0.3}, 'needs "within" or "range"'),
        ("packs.P.soc", {"value": 0.3, "rnge": [0.1, 0.5]}, 'unknown key "rnge"; did you mean "range"'),
        ("wiring.link.joint", {"value": "0.1 milliohm", "range": ["0.1 V", "0.3 V"]}, "has the wrong dimension"),
        ("wiring.link.joint", {"value": "0.1 milliohm", "range": [0.02, 0.3]}, "a number without a unit"),
        ("wiring.link.joint", {"value": "0.1 milliohm", "within": "-0.05 milliohm"}, "must be above zero"),
        ("wiring.link.joint", {"value": "0.1 milliohm", "within": "50 microohm"}, 'must have the unit of "value", milliohm'),
        ("wiring.link.joint", "0.1 ± 0.3 V", "has the wrong dimension"),
        ("pack_types.equal.cell_resistance", "-0.6 ± 0.05 milliohm", "must be at least 0 milliohm"),
        ("wiring.link.joint", "0.25 ± 0.03", 'has no unit; write "0.25 ± 0.03 milliohm"'),
        ("wiring.link.joint", "0.25 +- 0.03 milliohm", 'write "0.25 ± 0.03 milliohm" or'),
        ("wiring.link.joint", {}, 'needs "value"'),
        ("packs.P.soc", {"within": 0.1}, 'needs "value", such as { value = 0.9, within = 0.05 }'),
        ("duty.steps.0.charge", "0.2 ± 0.01 C", "how well it is known cannot be said here (rates, entries of lists"),
        ("packs.P.cell_capacities", ["1 ± 0.1"] * 16, "how well it is known cannot be said here"),
        ("pack_types.equal.bms", {"draw": "0.5 ± 0.1 W"}, "how well it is known cannot be said here"),
        ("ambient", "250 ± 5 degC", "must be at most 120 degC"),
        ("ambient", {"value": "25 degC", "range": ["-80 degC", "30 degC"]}, "must be at least -60 degC"),
    ],
)
def test_faults_of_what_a_file_says(key, value, says):
    with pytest.raises(InputError) as caught:
        chain({key: value})
    assert says in str(caught.value)
    assert str(caught.value).startswith(f"{sb.example('classroom_chain').source}: {key}")
    assert "\n" not in str(caught.value)


def test_a_chemistry_file_states_ranges_and_no_uncertainties(tmp_path):
    text = (LIBRARY / "lfp.toml").read_text(encoding="utf-8")
    for old, new, says in (
        ('"0.25 milliohm"', '"0.25 ± 0.03 milliohm"', "typical.resistance: .*the range of its section"),
        ("scale = [0.25, 1.9]", "scale = [1.9, 0.25]", "hysteresis.range.scale: .*its low end must lie below"),
        ("scale = [0.25, 1.9]", "scale = [-0.25, 1.9]", "hysteresis.range.scale: -0.25: must be at least 0"),
        ("scale = [0.25, 1.9]", "scael = [0.25, 1.9]", 'unknown key "scael"; did you mean "scale"'),
        ('offset = ["-15 mV", "15 mV"]', 'offset = ["-15 mA", "15 mA"]', "ocv.range.offset: '-15 mA': has the wrong dimension"),
    ):
        assert old in text
        path = tmp_path / "cell.toml"
        path.write_text(text.replace(old, new), encoding="utf-8")
        with pytest.raises(InputError, match=says):
            sb.load_chemistry(path)


# ---- what is left to assumed data ----


@pytest.mark.parametrize("name", sb.chemistry_library())
def test_what_a_shipped_chemistry_assumes_has_a_range(name):
    for section, table in read_toml(LIBRARY / f"{name}.toml").items():
        if isinstance(table, dict) and table.get("assumed"):
            assert table.get("range"), section
    for key, draw in sb.load_chemistry(name).ranges.items():
        assert draw.low <= draw.middle <= draw.high, key


@pytest.mark.parametrize("name", ["lfp", "lfp_power"])
def test_the_range_of_the_hysteresis_is_the_gap_that_its_text_tells(name):
    cell = sb.load_chemistry(name)
    gaps = [2e3 * float(cell.half_width(0.5)) * getattr(cell.ranges["hysteresis.scale"], end) for end in ("low", "high")]
    text = read_toml(LIBRARY / f"{name}.toml")["hysteresis"]["seen_in_practice"]
    assert f"gap {gaps[0]:.0f} to {gaps[1]:.0f} mV on the plateaus" in text[:1].lower() + text[1:]
    measured_mv = 2e3 * sb.load_chemistry("lfp_26650").half_width(np.linspace(0.2, 0.9, 71))
    assert "20 to 55 mV with a mean of 35" in text
    assert (measured_mv.min(), measured_mv.max(), measured_mv.mean()) == pytest.approx((20, 55, 35), abs=1)


def test_assumed_values_lie_in_their_ranges_or_stand_aside():
    """Zero, which a plain run takes of joints and of wiring within packs, lies in neither range; ``assumed.toml`` says so."""
    text = (ROOT / "simbank" / "bank" / "assumed.toml").read_text(encoding="utf-8")
    assert "value outside its range" in text
    assert parse(assumed().joint.value, "ohm") == 0.0 < parse(assumed().joint.range[0], "ohm")
    assert parse(assumed().internal_wiring.value, "ohm") == 0.0 < parse(assumed().internal_wiring.range[0], "ohm")
    assert assumed().label.capacity[1] == assumed().label.resistance[1] == 1.0


def test_joints_of_each_branch_are_drawn_for_themselves():
    values = by_key(chain({"wiring.link.joint": {"value": "0.1 milliohm", "range": ["0.02 milliohm", "0.3 milliohm"]}}))
    links = [key for key, value in values.items() if value.group == "joints"]
    assert sorted(links) == [f"wiring.added.link P{k}-P{k + 1} {sign}" for k in range(1, 5) for sign in "+-"]
    one = values["wiring.added.link P2-P3 -"]
    assert one.words == "joints of the link P2-P3, negative side"
    assert [one.draw.value(q) for q in (0.05, 0.5, 0.95)] == ["-0.16 milliohm", "0 milliohm", "0.4 milliohm"]


def test_joints_left_at_their_default_are_assumed_data():
    link = {"gauge": "6 AWG", "length": "40 cm"}
    scenario = chain({"wiring.link": link})
    values = [value for value in sb.uncertain_values(scenario) if value.group == "joints"]
    assert len(values) == 8
    assert {value.source for value in values} == {assumed().joint.source}
    assert [values[0].draw.value(q) for q in (0.05, 0.95)] == ["0.04 milliohm", "0.6 milliohm"]
    assert not [v for v in sb.uncertain_values(chain({"wiring.link": link | {"joint": "0 ohm"}})) if v.group == "joints"]
    low = sb.drawn(scenario, {values[0].key: values[0].draw.value(0.05)})
    metal = scenario.bank.graph.branches[0].resistance_ohm
    assert low.bank.graph.branches[0].resistance_ohm == pytest.approx(metal + 0.04e-3, rel=1e-9)


def test_added_resistance_takes_away_no_more_than_the_joints():
    at_most = chain({"wiring.added": {"link P1-P2 +": "-0.2 milliohm"}}).bank.graph.branches[0]
    assert at_most.resistance_ohm == pytest.approx(at_most.conductor.metal_ohm, rel=1e-12)
    with pytest.raises(
        InputError, match=r"wiring\.added\.link P1-P2 \+: .*below zero, by more than the 0.2 milliohm of its joints"
    ):
        chain({"wiring.added": {"link P1-P2 +": "-0.21 milliohm"}})


def test_what_the_file_adds_to_a_branch_stays_under_its_joints():
    joint = {"wiring.link.joint": "0.1 ± 0.02 milliohm"}
    values = by_key(chain(joint | {"wiring.added": {"link P1-P2 +": "0.5 milliohm"}}))
    assert values["wiring.added.link P1-P2 +"].draw.value(0.5) == "0.5 milliohm"
    values = by_key(chain(joint | {"wiring.added": {"link P1-P2 +": "0.5 ± 0.2 milliohm"}}))
    assert values["wiring.added.link P1-P2 +"].draw.high == 0.2


def test_a_grade_a_state_of_health_and_a_label():
    assert by_key(chain())["packs.P3.capacity_left"].source == assumed().label.source
    graded = by_key(chain({"packs.P3.grade": "used"}))
    draw = graded["packs.P3.capacity_left"].draw
    assert [draw.value(q) for q in (0.05, 0.5, 0.95)] == pytest.approx([0.6, 0.78, 0.9])
    assert graded["packs.P3.resistance_growth"].draw.value(0.5) == pytest.approx(1.6)
    aged = by_key(chain({"packs.P3.state_of_health": 0.9}))
    assert "packs.P3.capacity_left" not in aged
    assert [aged["packs.P3.resistance_growth"].draw.value(q) for q in (0.05, 0.5, 0.95)] == pytest.approx([1.15, 1.5, 1.75])
    stated = by_key(chain({"packs.P3.capacity_left": 0.9, "packs.P3.resistance_growth": 1.2}))
    assert not [key for key in stated if key.startswith("packs.P3")]
    typed = by_key(chain({"pack_types.equal.capacity": "100 ± 2 Ah"}))  # what a type says is shared; packs still differ
    assert {"pack_types.equal.capacity", "packs.P1.capacity_left", "packs.P5.resistance_growth"} <= set(typed)


# ---- resistance measured at the posts of a pack ----

AT_POSTS = "packs.P3.resistance_at_posts"


def test_a_resistance_measured_at_the_posts_is_that_of_the_pack():
    """16 cells of 0.6 mΩ and 8 mΩ of wiring are 17.6 mΩ as new; 24.32 mΩ leaves the cells 1.7 times theirs. Arrhenius, 18.8 kJ/mol."""
    scenario = chain({AT_POSTS: "24.32 ± 0.6 milliohm"})
    pack = scenario.bank.packs[2]
    assert pack.resistance_growth == pytest.approx((24.32 - 8.0) / 9.6, rel=1e-12)
    assert pack.half_charge_ohm == pytest.approx(24.32e-3, rel=1e-12)
    assert scenario.bank.packs[1].resistance_growth == 1.0
    cold = chain({AT_POSTS: "24.32 milliohm", "packs.P3.measured_at_temperature": "5 degC", "packs.P3.measured_at_soc": 0.1})
    factor = math.exp(18800.0 / 8.314462618 * (1 / 278.15 - 1 / 298.15)) * 1.2  # 1.2 times at 10 % in lfp.toml
    assert cold.bank.packs[2].resistance_growth == pytest.approx((24.32 - 8.0) / (9.6 * factor), rel=1e-9)
    read = next(
        r
        for r in possible_readings([wider(scenario.bank, k) for k in (1.0, 1.5)])
        if (r.what, r.where) == ("resistance", "of pack P3")
    )
    by_curve = 8.0 + 1.7 * 9.6 * float(pack.chemistry.r_factor(0.3))
    assert read.values[0, 0] == pytest.approx(by_curve, rel=1e-6)  # what a clamp meter and a voltmeter show at its 30 %


def wider(bank, factor):
    """The bank with one cell resistance changed, so that a reading of it is worth taking."""
    packs = list(bank.packs)
    packs[2] = replace(packs[2], resistance_growth=packs[2].resistance_growth * factor)
    return replace(bank, packs=tuple(packs))


def test_a_measured_resistance_stands_for_what_is_assumed_of_growth():
    values = by_key(chain({AT_POSTS: "24.32 ± 0.6 milliohm"}))
    draw = values[AT_POSTS].draw
    assert (values[AT_POSTS].words, values[AT_POSTS].group) == ("resistance of P3 at its posts", "resistance")
    assert draw.number(0.5) == pytest.approx(24.32)
    assert draw.number(stats.norm.cdf(2)) == pytest.approx(24.92, rel=1e-6)
    assert "packs.P3.resistance_growth" not in values
    assert {"packs.P2.resistance_growth", "packs.P3.capacity_left"} <= set(values)
    aged = by_key(chain({AT_POSTS: "24.32 milliohm", "packs.P3.state_of_health": 0.8}))
    assert not {AT_POSTS, "packs.P3.resistance_growth"} & set(aged)


def test_wiring_left_out_is_what_a_measured_resistance_leaves_of_it():
    """By Bayes' rule, done here by brute force: draws of wiring, growth and error of the meter, those that give what was read."""
    bare = sb.example("classroom_chain").data
    kind = {k: v for k, v in bare["pack_types"]["equal"].items() if k != "internal_wiring"} | {"cell_resistance": "0.6 milliohm"}
    scenario = sb.with_changes(sb.example("classroom_chain"), {"pack_types.equal": kind, AT_POSTS: "15.6 ± 0.6 milliohm"})
    key = "pack_types.equal.internal_wiring"
    assert not any("P3" in name for name in scenario.bank.wiring_left_out)
    found, prior = (
        by_key(scenario)[key].draw,
        by_key(sb.with_changes(sb.example("classroom_chain"), {"pack_types.equal": kind}))[key].draw,
    )
    random = np.random.default_rng(1)
    inside = np.array([prior.number(share) for share in random.random(40_000)])
    growth = np.array([within_range(0.9, 1.3, 1.0).number(share) for share in random.random(40_000)])
    kept = np.abs(inside + 9.6 * growth + 0.3 * random.standard_normal(40_000) - 15.6) < 0.1
    low, middle, high = np.quantile(inside[kept], [0.05, 0.5, 0.95])
    assert [found.number(share) for share in (0.05, 0.5, 0.95)] == pytest.approx([low, middle, high], abs=0.25)
    assert prior.number(0.95) - prior.number(0.05) > 2.0 * (high - low)
    assert found.stated == 0.0  # what a run without bands takes
    for given in ({key: {"value": "5 milliohm", "range": ["2 milliohm", "12 milliohm"]}}, {}):
        one = sb.with_changes(scenario, given)
        known = sb.uncertain_values(one)
        ohm = []
        for k in range(60):
            shares = np.random.default_rng(k).random(len(known))
            made = sb.drawn(one, {value.key: value.draw.value(share) for value, share in zip(known, shares, strict=True)})
            ohm.append(made.bank.packs[2].half_charge_ohm * 1e3)
            assert made.bank.packs[2].resistance_growth > 0.1
        assert np.mean(ohm) == pytest.approx(15.6, abs=0.2)
        assert np.std(ohm) == pytest.approx(0.3, rel=0.35)


def test_a_measured_value_that_an_assumed_age_multiplies_is_told():
    given = {"pack_types.equal.cell_resistance": "0.6 ± 0.05 milliohm"}
    told = known_times_assumed(chain(given))
    assert [(w.code, w.where) for w in told] == [("known-times-assumed", "pack_types.equal.cell_resistance")]
    assert "of the age of P1, P2" in told[0].text
    assert "(0.9 to 1.3 for P1)" in told[0].text
    assert "packs.P1.resistance_at_posts" in told[0].text
    some = chain(given | {AT_POSTS: "17 milliohm", "packs.P1.resistance_growth": 1.0})
    assert "of the age of P2, P4, P5 (" in known_times_assumed(some)[0].text
    ranged = {"value": "0.6 milliohm", "range": ["0.4 milliohm", "0.9 milliohm"]}  # what is assumed is no measurement
    assert not known_times_assumed(chain({"pack_types.equal.cell_resistance": ranged}))
    assert not known_times_assumed(chain(given | {"packs.*.resistance_growth": 1.0}))
    assert known_times_assumed(chain({"pack_types.equal.capacity": "100 ± 2 Ah"}))[0].text.endswith("packs.P1.capacity_left = 1.")
    found = sb.bands(chain(given), 3, explain=False)
    assert "known-times-assumed" in {warning.code for warning in found.warnings}
    assert "known-times-assumed" in values_command("--set", "pack_types.equal.cell_resistance=0.6 ± 0.05 milliohm")


def test_ohms_where_milliohms_are_meant_are_asked_for():
    asked = doubtful_values(chain({"wiring.link.joint": "0.30 ohm"}))
    assert [(w.code, w.where) for w in asked] == [("ohms-for-milliohms", "link P1-P2 +")]
    assert "Are milliohms meant?" in asked[0].text
    assert not doubtful_values(chain({"wiring.link.joint": "0.30 milliohm"}))
    for name in ("classroom_chain", "hilltop_clinic"):
        assert "ohms-for-milliohms" not in {w.code for w in doubtful_values(sb.example(name))}


def test_an_uncertainty_wider_than_its_value_is_told():
    def told(key, value):
        return [(w.code, w.where) for w in too_wide(chain({key: value}))]

    joint, soc = "wiring.link.joint", "packs.P.soc"
    assert told(joint, "0.1 ± 0.5 milliohm") == [("uncertainty-too-wide", joint)]
    assert told(soc, {"value": 0.5, "within": 3}) == [("uncertainty-too-wide", soc)]
    assert not told(joint, "0.1 ± 0.09 milliohm")
    assert not told(joint, {"value": "0.1 milliohm", "range": ["0.02 milliohm", "0.5 milliohm"]})
    assert not told(soc, {"value": 0.98, "within": 0.05})
    assert not told("ambient", "0 ± 5 degC")
    assert "cut off" in values_command("--set", f"{joint}=0.1 ± 0.5 milliohm")


@pytest.mark.parametrize(
    ("call", "key"),
    [
        (lambda chain: sb.uncertain_values(chain.source), "scenario"), (lambda chain: sb.drawn(3, {}), "scenario"),
        (lambda chain: sb.drawn(chain, [1]), "changes"), (lambda chain: sb.bands(chain, "many"), "draws"),
        (lambda chain: sb.bands(chain, 10, seed=True), "seed"), (lambda chain: sb.bands(chain, 10, tolerance="fine"), "tolerance"),
    ],
)  # fmt: skip
def test_what_a_program_hands_in_wrong_is_one_error(call, key):
    with pytest.raises(InputError) as caught:
        call(chain())
    assert caught.value.key == key


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--bands", "abc"], "--bands: 'abc': takes a whole number of draws"), (["--bands=2.5"], "--bands: '2.5': takes a whole number"),
        (["--bands", "-5"], "--bands: '-5': takes a whole number"), (["--seed", "3"], "--seed: does nothing without draws"),
        (["--bands", "1"], "--bands: '1': needs two draws or more"), (["--bands=1"], "--bands: '1': needs two draws or more"),
    ],
)  # fmt: skip
def test_what_bands_and_seed_take(words, says):
    told = CliRunner().invoke(cli.app, ["run", str(ROOT / "scenarios" / "classroom_chain.toml"), *words])
    assert isinstance(told.exception, InputError)
    assert str(told.exception).startswith(says)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        (
            {AT_POSTS: "24 milliohm", "packs.P3.resistance_growth": 1.2},
            'give "resistance_at_posts" or "resistance_growth", not both',
        ),
        (
            {"packs.P3.measured_at_soc": 0.4},
            'packs.P3.measured_at_soc: says how "resistance_at_posts" was measured, which is not given',
        ),
        (
            {AT_POSTS: "7 milliohm"},
            "packs.P3.resistance_at_posts: '7 milliohm': must be above the internal_wiring of its type, 8 milliohm",
        ),
        ({AT_POSTS: "24 ohm"}, "packs.P3.resistance_at_posts: '24000 milliohm': is 2.5e+03 times what its type states as new"),
    ],
)
def test_faults_of_a_measured_resistance(changes, says):
    with pytest.raises(InputError) as caught:
        chain(changes)
    assert says in str(caught.value)


def test_studies_that_fit_growth_take_a_measured_resistance_over():
    base = fit_base(chain({AT_POSTS: "24.32 ± 0.6 milliohm", "packs.P3.measured_at_soc": 0.5}))
    assert base.bank.packs[2].half_charge_ohm == pytest.approx(24.32e-3, rel=1e-9)
    draw = by_key(base)["packs.P3.resistance_growth"].draw
    assert draw.number(stats.norm.cdf(2)) == pytest.approx(1.7 + 0.6 / 9.6, rel=1e-3)


def test_packs_and_types_whose_names_have_dots_are_listed_and_drawn():
    data = copy.deepcopy(chain().data)
    data["pack_types"] = {"slab v1.2": data["pack_types"]["equal"]}
    data["packs"] = [{"name": f"P.{k}", "type": "slab v1.2", "soc": {"value": 0.3, "within": 0.02}} for k in range(1, 6)]
    scenario = sb.from_dict(data)
    values, plain = by_key(scenario), by_key(chain({"packs.P.soc": {"value": 0.3, "within": 0.02}}))
    assert len(values) == len(plain)
    assert values['packs."P.3".capacity_left'].words == "present capacity of P.3 over its label"
    assert values['packs."P.3".soc'].group == "start"
    made = sb.drawn(scenario, {'packs."P.3".capacity_left': 0.5, 'pack_types."slab v1.2".internal_wiring': "4 milliohm"})
    assert made.bank.packs[2].capacity_ah == pytest.approx(50.0)
    assert made.bank.packs[0].internal_wiring_ohm == pytest.approx(4e-3)
    assert len(sb.bands(scenario, 3, explain=False).uncertain) == len(values)


# ---- shipped chemistries changed for one file ----


def test_a_shipped_chemistry_is_changed_for_one_file():
    base, wide = chain(), chain({"chemistries.lfp.hysteresis.scale": 1.5})
    ratio = wide.bank.packs[0].chemistry.half_width(0.5) / base.bank.packs[0].chemistry.half_width(0.5)
    assert ratio == pytest.approx(1.5, rel=1e-12)
    assert wide.bank.unused_chemistries == ()
    assert "chemistries.lfp.hysteresis.scale" not in by_key(wide)  # the file states it
    mine = {"chemistries.mine": {"base": "lfp"}, "pack_types.equal.chemistry": "mine", "chemistries.lfp.hysteresis.scale": 1.5}
    assert chain(mine).bank.packs[0].chemistry.half_width(0.5) == base.bank.packs[0].chemistry.half_width(0.5)
    assert "chemistries.mine.hysteresis.scale" in by_key(chain(mine))


def test_a_chemistry_file_is_changed_by_its_name(tmp_path):
    cell = tmp_path / "mine.toml"
    cell.write_text((LIBRARY / "lfp.toml").read_text(encoding="utf-8"), encoding="utf-8")
    base = chain({"pack_types.equal.chemistry": str(cell)})
    assert "chemistries.mine.hysteresis.scale" in by_key(base)
    wide = sb.drawn(base, {"chemistries.mine.hysteresis.scale": 1.5})
    assert wide.bank.packs[0].chemistry.half_width(0.5) == pytest.approx(0.015, rel=1e-9)
    assert wide.bank.unused_chemistries == ()


# ---- drawn ----


def test_what_is_asked_and_set_stays_by_the_middle_values():
    changes = {
        "duty.steps": [{"charge": "0.2 C", "tail": "0.05 C", "hours": 3}],
        "pack_types.equal.bms": {"charge_current": {"limit": "1 C", "delay": "1 s"}},
        "ports.charger.charger": {"tail": "0.03 C", "float": "54 V"},
    }
    scenario = chain(changes)
    made = sb.drawn(scenario, {"packs.P1.capacity_left": 0.8, "pack_types.equal.capacity": "90 Ah"})
    assert made.bank.capacity_ah == pytest.approx(432.0)
    assert made.duty == scenario.duty
    assert made.bank.port_equipment == scenario.bank.port_equipment
    assert [pack.bms for pack in made.bank.packs] == [pack.bms for pack in scenario.bank.packs]
    asked = sb.drawn(scenario, {"packs.P1.capacity_left": 0.8, "duty.steps.0.hours": 2.0})
    assert asked.duty.steps[0].duration_s == 7200.0
    assert asked.duty.steps[0].commands == scenario.duty.steps[0].commands


@pytest.mark.parametrize("path", sorted((ROOT / "scenarios").glob("*.toml")), ids=lambda path: path.stem)
def test_every_uncertain_value_of_a_shipped_scenario_can_be_drawn(path):
    scenario = sb.load(path)
    values = sb.uncertain_values(scenario)
    assert len({value.key for value in values}) == len(values) > 0
    groups = {"joints", "hysteresis", "relaxation", "resistance", "capacity", "start", "ocv", "asked", "other"}
    assert {value.group for value in values} <= groups
    assert all(value.words and value.source for value in values)
    for share in (0.01, 0.5, 0.99):
        point = {value.key: value.draw.value(share) for value in values}
        sb.with_changes(scenario, point)
        made = sb.drawn(scenario, point)
        assert np.isfinite(sb.operating_point(made, {}).packs["current_a"]).all()


# ---- the command ----

CROSSED = {"value": "0.1 milliohm", "range": ["0.02 milliohm", "0.3 milliohm"]}
JOINT = 'wiring.link.joint={ value = "0.1 milliohm", range = ["0.02 milliohm", "0.3 milliohm"] }'


def values_command(*arguments):
    told = CliRunner().invoke(cli.app, ["values", str(ROOT / "scenarios" / "classroom_chain.toml"), *arguments])
    assert told.exit_code == 0, told.output
    return told.output


def test_values_command_lists_every_uncertain_value():
    rows = json.loads(values_command("--json", "--set", JOINT))["values"]
    known = sb.uncertain_values(sb.with_changes(sb.example("classroom_chain"), {"wiring.link.joint": CROSSED}))
    assert [row["key"] for row in rows] == [value.key for value in known]
    joint = next(row for row in rows if row["group"] == "joints")
    assert [joint[key] for key in ("value", "low", "high", "unit")] == [0.2, 0.04, 0.6, "milliohm"]
    assert [joint[key] for key in ("key_value", "key_low", "key_high")] == [0.0, -0.16, 0.4]
    assert all(row["source"] and row["low"] < row["high"] for row in rows)


def test_values_command_tells_people(monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    told = values_command("--set", JOINT)
    assert "joints of the link P1-P2, positive" in told
    assert "and 7 more" in told
    assert "present capacity of P1 over its label, and 4 more" in told
    assert max(map(len, told.splitlines())) <= 80
    assert "packs.P5.capacity_left" in values_command("--wide")
    stated = {"capacity_left": 1.0, "resistance_growth": 1.0}
    exact = [part for key, value in stated.items() for part in ("--set", f"packs.P.{key}={value}")]
    assert "present capacity of P1" not in values_command(*exact)


def test_the_card_of_a_cell_tells_its_ranges(monkeypatch):
    monkeypatch.setenv("COLUMNS", "120")
    told = CliRunner().invoke(cli.app, ["cell", "show", "lead_agm"])
    assert told.exit_code == 0, told.output
    assert "Drawn for bands, 5 to 95 %: scale 0.5 to 2, time_scale 0.3 to 3, activation_energy 10 to 25 kJ/mol." in told.output
    told = json.loads(CliRunner().invoke(cli.app, ["cell", "show", "lead_agm", "--json"]).output)
    assert told["ranges"]["relaxation.scale"] == [0.5, 2.0]


def test_a_new_bank_says_what_nobody_measured():
    values = by_key(sb.from_dict(tomllib.loads(starter_scenario())))
    given = {key for key, value in values.items() if value.source == "the file"}
    assert {"pack_types.pack_100ah.cell_resistance", "pack_types.pack_100ah.internal_wiring", "packs.A.soc"} <= given
    assert {"wiring.added.link A-B +", "wiring.added.lead inverter -"} <= given
    draw = values["pack_types.pack_100ah.cell_resistance"].draw  # of 280 Ah 0.17, 0.25 and 0.5 mΩ; over capacity
    assert [draw.number(share) for share in (0.05, 0.5, 0.95)] == pytest.approx([0.476, 0.7, 1.4], rel=1e-3)


def test_a_new_chemistry_keeps_ranges_of_what_it_keeps():
    assert (
        tomllib.loads(starter_chemistry("mine"))["hysteresis"]["range"] == read_toml(LIBRARY / "lfp.toml")["hysteresis"]["range"]
    )

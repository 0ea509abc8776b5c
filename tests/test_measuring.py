"""What a reading would tell: against Kalman's closed form, against a bank drawn again with what was read, and against chance."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

import simbank as sb
from simbank.cells import Curve
from simbank.cli.options import toml_value
from simbank.errors import InputError
from simbank.scenario import example, with_changes
from simbank.simulation import simulate
from simbank.studies.draws import draw_points
from simbank.studies.measuring import measure_first
from simbank.studies.possible_readings import Reading, possible_readings


def reading(where, values, error):
    """A reading of numbers that are made up."""
    values = np.asarray(values, float).reshape(len(values), -1)
    return Reading("volts", where, "", "", "", "V", values, np.broadcast_to(error, values.shape).astype(float))


COEFFICIENTS = np.array([3.0, 2.0, 1.0, 0.5] + [0.3] * 16)
LOOKED_AT = {  # what is read of x (rows), and the meter's standard uncertainty
    "x0, precisely": (np.eye(20)[:1], 0.05), "x0, roughly": (np.eye(20)[:1], 1.0), "x1": (np.eye(20)[1:2], 0.3),
    "x0 + x1": (np.eye(20)[:1] + np.eye(20)[1:2], 0.5), "x0 and x1": (np.eye(20)[:2], 0.3), "x0 to x3": (np.eye(20)[:4], 0.3),
}  # fmt: skip


def posterior_gain(looked, error):
    """1 − σ after ÷ σ before of y = a'x, x standard normal: Kalman's update, σ² = a'a − a'H'(HH' + s²I)⁻¹Ha."""
    a, before = COEFFICIENTS, COEFFICIENTS @ COEFFICIENTS
    told = looked @ a @ np.linalg.solve(looked @ looked.T + error**2 * np.eye(len(looked)), looked @ a)
    return 1.0 - np.sqrt((before - told) / before)


def linear(draws, seed, transformed=lambda y: y):
    random = np.random.default_rng(seed)
    x = random.standard_normal((draws, 20))
    readings = [reading(name, x @ looked.T, error) for name, (looked, error) in LOOKED_AT.items()]
    readings.append(reading("nothing of it", random.standard_normal(draws), 0.1))
    figures = pd.DataFrame({"y": transformed(x @ COEFFICIENTS)})
    return measure_first(pd.DataFrame(x, columns=[f"k{j}" for j in range(20)]), figures, readings, seed=seed)


def by_where(found):
    return found.table.set_index("where").loc[[*LOOKED_AT, "nothing of it"]]


@pytest.mark.parametrize("transformed", [lambda y: y, lambda y: np.exp(y / 4.0)])  # a gain does not hang on the figure's scale
def test_gains_are_those_of_kalman(transformed):
    """200 draws: each list within 0.15 of the closed form, their mean within 0.03, and the first among the two that tell most."""
    exact = np.array([*(posterior_gain(*looked) for looked in LOOKED_AT.values()), 0.0])
    gains = []
    for seed in range(8):
        table = by_where(linear(200, seed, transformed))
        gains.append(table["gain"].to_numpy())
        assert table["gain"].to_numpy() == pytest.approx(exact, abs=0.15)
        assert table["told"].tolist()[-1] is False
        assert table["informs"]["x0, precisely"][0] == "k0"
    assert np.mean(gains, axis=0) == pytest.approx(exact, abs=0.03)


def test_bands_are_those_of_kalman():
    """2000 draws: the band after a reading in the middle and the expected width are 2 · 1.645 σ of the closed form within 4 %."""
    found = linear(2000, 1)
    table, before = by_where(found), 2 * 1.6449 * np.linalg.norm(COEFFICIENTS)
    for name, looked in LOOKED_AT.items():
        exact = (1.0 - posterior_gain(*looked)) * before
        assert table.loc[name, "width_expected"] == pytest.approx(exact, rel=0.04)
        assert table.loc[name, "to_high"] - table.loc[name, "to_low"] == pytest.approx(exact, rel=0.08)
        assert table.loc[name, "gain"] == pytest.approx(posterior_gain(*looked), abs=0.025)
    assert found.table["where"][0] == "x0 to x3"
    second = found.seconds.iloc[0]
    assert second["where"] in ("x0, precisely", "x1", "x0 and x1", "x0 + x1")  # which sharpen what was read of x0 and x1


def range_quantiles(mean, deviation, shares):
    """Quantiles of the range of independent normals: P(range ≤ w) = Σᵢ ∫ φᵢ(x) Πⱼ [Φⱼ(x + w) − Φⱼ(x)] dx, i the lowest, j the others."""
    x, w = np.linspace(-7.0, 7.0, 561), np.linspace(0.0, 7.0, 281)
    share = np.zeros(len(w))
    for i, one in enumerate(mean):
        inside = [norm.cdf(x + w[:, None], m, deviation) - norm.cdf(x, m, deviation) for j, m in enumerate(mean) if j != i]
        share += np.trapezoid(norm.pdf(x, one, deviation) * np.prod(inside, axis=0), x, axis=1)
    return np.interp(shares, share, w)


@pytest.mark.parametrize(("draws", "seeds", "within"), [(200, 6, 0.15), (1000, 2, 0.1)])
def test_a_figure_that_is_v_shaped_in_its_readings(draws, seeds, within):
    """Range of three standard normals, each read with s = 0.4: the expected width is that of x | r ~ N(r/(1 + s²), s²/(1 + s²)).

    On a plane the three readings say nothing of their range: half as wide again.
    """
    s, random = 0.4, np.random.default_rng(5)
    read = random.standard_normal((60, 3)) * np.sqrt(1 + s**2)
    ends = np.array([range_quantiles(r / (1 + s**2), s / np.sqrt(1 + s**2), [0.05, 0.95]) for r in read])
    exact, widths = np.diff(ends, axis=1).mean(), []
    before = np.diff(range_quantiles(np.zeros(3), 1.0, [0.05, 0.95]))[0]
    for seed in range(seeds):
        x = np.random.default_rng(seed).standard_normal((draws, 3))
        figures = pd.DataFrame({"y": np.ptp(x, axis=1)})
        found = measure_first(
            pd.DataFrame(x, columns=list("abc")), figures, [reading("all", x, s), reading("a", x[:, 0], s)], seed=seed
        )
        assert found.table["where"][0] == "all"
        assert found.table["told"][0]
        widths.append(found.table["width_expected"][0])
    assert np.mean(widths) == pytest.approx(exact, rel=within)
    assert exact < 0.6 * before


def test_numbers_without_bearing_gain_nothing_together():
    """Eight readings of four numbers each, of something else: one list in twenty may name one, more than four of twenty do in 0.3 %."""
    named = 0
    for seed in range(20):
        random = np.random.default_rng(seed)
        readings = [reading(k, random.standard_normal((200, 4)), 0.1) for k in range(8)]
        y = pd.DataFrame({"y": np.abs(random.standard_normal(200))})
        named += bool(measure_first(pd.DataFrame({"x": random.random(200)}), y, readings, seed=seed).table["told"].any())
    assert named <= 4


def test_intervals_of_gains_cover_and_a_tie_is_said():
    covered, said = [], 0
    for seed in range(12):
        found = linear(200, seed)
        table = by_where(found)
        for name, looked in LOOKED_AT.items():
            if table.loc[name, "told"]:
                covered.append(table.loc[name, "gain_low"] <= posterior_gain(*looked) <= table.loc[name, "gain_high"])
        random = np.random.default_rng(seed)
        x = random.standard_normal((200, 2))
        twins = measure_first(
            pd.DataFrame(x, columns=["a", "b"]),
            pd.DataFrame({"y": x.sum(axis=1)}),
            [reading(k, x[:, k], 0.2) for k in (0, 1)],
            seed=seed,
        )
        told = " ".join(twins.words("y"))
        said += any(f"With 200 draws these cannot be told apart: volts {pair}." in told for pair in ("0; volts 1", "1; volts 0"))
    assert np.mean(covered) > 0.85
    assert said >= 9


def test_what_is_tied_is_named_and_never_with_a_part_of_itself():
    """Tied rows need not stand first: x0 and x1 together, their twin, then x0 alone, which is no match for both however few the draws."""
    told = []
    for seed in range(4):
        x = np.random.default_rng(seed).standard_normal((60, 2))
        both = reading("both", x, 0.3)
        readings = [replace(both, where="one", values=x[:, :1], error=both.error[:, :1]), both, replace(both, what="milliohms")]
        found = measure_first(pd.DataFrame(x, columns=["a", "b"]), pd.DataFrame({"y": x @ [1.0, 0.3]}), readings, seed=seed)
        tied = found.table[found.table["tied"]]
        names = set(zip(tied["what"], tied["where"], strict=True))
        assert not {("volts", "one"), ("volts", "both")} <= names
        words = [text for text in found.words("y") if "cannot be told apart" in text]
        if len(tied) > 1:
            assert all(f"{what} {where}" in words[0] for what, where in names)
            assert words[0].endswith("The easiest of them is milliohms both.")
        told += words
    assert told


def test_what_has_no_bearing_gains_nothing():
    """30 readings of something else, a figure with a long tail: one list in twenty may name one, so that more than five of thirty do in 0.3 %."""
    named, seconds = 0, 0
    for seed in range(30):
        random = np.random.default_rng(seed)
        x, y = random.standard_normal((200, 30)), random.standard_normal(200)
        readings = [reading(k, x[:, k], 0.1) for k in range(30)]
        values = pd.DataFrame(x, columns=[f"k{j}" for j in range(30)])
        found = measure_first(values, pd.DataFrame({"y": np.exp(y)}), readings, seed=seed)
        named += bool(found.table["told"].any())
        if not found.table["told"].any():
            assert found.words("y") == ["No single reading narrows it: none of 30 gains more than chance would with 200 draws."]
            assert not found.records
        if seed < 10:
            one = measure_first(values, pd.DataFrame({"y": x[:, 0] + y}), readings, seed=seed)
            assert one.table["where"][0] == 0
            seconds += bool(one.seconds["told"].any())
    assert named <= 5
    assert seconds <= 3


def test_a_time_that_may_never_come():
    """The later the larger x; beyond 1 never. After x is read it is known whether, and the band before has no upper end."""
    random = np.random.default_rng(0)
    x = random.standard_normal(300)
    hours = 5.0 + x
    figures = pd.DataFrame({"first_full_h": np.where(x < 1.0, hours, np.nan), "same": 1.0})
    found = measure_first(pd.DataFrame({"x": x}), figures, [reading("x", x, 0.05)])
    row = found.table.iloc[0]
    assert len(found.table) == 1  # of what does not move nothing is to be known
    assert np.isnan(row["from_high"])
    assert row["from_low"] == pytest.approx(5.0 - 1.645, abs=0.2)
    assert (row["to_low"], row["to_high"]) == pytest.approx((5.0, 5.0), abs=0.4)
    assert "–never to 4:" in row["words"]
    assert found.records[0]["narrows"]["from"][1] is None


def test_bad_input_is_refused():
    x = pd.DataFrame({"x": np.arange(50.0)})
    with pytest.raises(InputError, match="40 draws or more"):
        measure_first(x[:30], x[:30], [])
    with pytest.raises(InputError, match="same draws"):
        measure_first(x, x, [reading("x", np.arange(20.0), 0.1)])


# ---- readings of a bank ----


def drawn_banks(scenario, draws, seed, keys=None):
    """Values, figures and banks of draws of a scenario's uncertain values."""
    uncertain = [v for v in sb.uncertain_values(scenario) if keys is None or v.key in keys]
    points = draw_points({v.key: v.draw for v in uncertain}, draws, seed=seed)
    banks, figures = [], []
    for point in points:
        one = sb.drawn(scenario, point)
        result = simulate(one, integrator="fast", tolerance=1e-5)
        banks.append(one.bank)
        figures.append({"spread_max_points": result.summary["bank"]["spread_max_points"]})
    values = pd.DataFrame([{k: float(str(v).split()[0]) for k, v in point.items()} for point in points])
    return values, pd.DataFrame(figures), banks


LINK = "link P1-P2 +"


def test_a_reading_narrows_a_band_as_far_as_the_bank_drawn_again_with_it():
    """A joint that may be anything from 0.7 to 2.3 mΩ, read in its middle: the band that is promised is that of draws with the reading in the file.

    Ends within an eighth of the width before: two bands of 150 draws each, of which an end is uncertain by about a fifteenth.
    """
    keys = {f"wiring.added.{LINK}", "packs.P5.capacity_left"}
    wide = with_changes(example("classroom_chain"), {f"wiring.added.{LINK}": "1.5 ± 0.8 milliohm"})
    values, figures, banks = drawn_banks(wide, 150, 0, keys)
    readings = possible_readings(banks, currents=False)
    found = measure_first(values, figures, readings, called={"spread_max_points": "the spread"})
    first = found.table.iloc[0]
    assert (first["what"], first["where"]) == ("milliohms", "across the link P1-P2, positive side")
    assert first["informs"] == (f"wiring.added.{LINK}",)
    assert first["words"].startswith("milliohms across the link P1-P2, positive side: narrows the spread from ")
    middle = float(np.median(values[f"wiring.added.{LINK}"]))
    ohm = readings[[r.where for r in readings].index(first["where"])]
    expanded = 2.0 * float(np.median(ohm.error))
    read = with_changes(wide, {f"wiring.added.{LINK}": f"{middle:.4f} ± {expanded:.4f} milliohm"})
    _, again, _ = drawn_banks(read, 150, 1, keys)
    low, high = np.quantile(again["spread_max_points"], [0.05, 0.95])
    before = first["from_high"] - first["from_low"]
    assert first["to_low"] == pytest.approx(low, abs=before / 8)
    assert first["to_high"] == pytest.approx(high, abs=before / 8)
    assert high - low < 0.75 * before  # that there was something to gain


def test_readings_of_all_packs_together_narrow_as_far_as_bands_with_them_in_the_file():
    """The resistances of five packs as read in some draws, with the ± of the catalogue, in the file: bands made anew are as wide as promised.

    Within an eighth: promised of 120 draws, mean of three bands of 80 draws.
    """
    chain = example("classroom_chain")
    found = sb.bands(chain, 120, seed=0)
    first = found.measure_first.table.set_index(["figure", "what", "where"]).loc[
        "spread_max_points", "resistance", "of every pack"
    ]
    units = found.uncertain["unit"]
    points = [{k: f"{v} {units[k]}" if units[k] else v for k, v in row.items()} for _, row in found.values.iloc[::40].iterrows()]
    reading = next(
        r
        for r in possible_readings([sb.drawn(chain, point).bank for point in points], currents=False)
        if (r.what, r.where) == ("resistance", "of every pack")
    )
    seen = reading.values + reading.error * np.random.default_rng(3).standard_normal(reading.values.shape)
    widths = []
    for k in range(len(points)):
        at_posts = {
            f"packs.P{j + 1}.resistance_at_posts": f"{seen[k, j]:.4f} ± {2 * reading.error[k, j]:.4f} milliohm" for j in range(5)
        }
        at_charge = {f"packs.P{j + 1}.measured_at_soc": 0.3 for j in range(5)}
        again = sb.bands(with_changes(chain, at_posts | at_charge), 80, seed=k + 1, explain=False).table.loc["spread_max_points"]
        widths.append(again["high"] - again["low"])
    assert first["width_expected"] == pytest.approx(np.mean(widths), rel=0.125)
    assert np.mean(widths) < 0.95 * (first["from_high"] - first["from_low"])


def test_what_readings_show_of_a_bank_by_hand():
    """Each value against the file's numbers: Ohm, the curve, the gap; relaxation and currents against a run."""
    chain = example("classroom_chain")
    one = chain.bank
    packs = tuple(
        replace(
            p,
            capacity_left=0.9,
            soc=0.4,
            rated_capacity_ah=p.rated_capacity_ah * 0.9,
            cell_resistance_ohm=p.cell_resistance_ohm * 2,
        )
        for p in one.packs
    )
    chemistry = packs[0].chemistry
    softer = replace(chemistry, half_width=Curve(chemistry.half_width.soc, 2.0 * chemistry.half_width.value), decay_per_soc=80.0)
    other = replace(one, packs=tuple(replace(p, chemistry=softer) for p in packs), ambient_k=one.ambient_k + 10.0)
    found = {(r.what, r.where): r for r in possible_readings([one, other])}
    pack = other.packs[0]
    every = " (or of pack P2, of pack P3, of pack P4, of pack P5)"
    capacity = found["capacity", "of pack P1" + every]
    assert capacity.values[:, 0].tolist() == pytest.approx([100.0, 81.0])
    assert capacity.error[1, 0] == pytest.approx(0.02 * 81.0 / np.sqrt(3.0))
    gap = found["hysteresis gap", "of pack P1" + every]
    assert gap.values[1, 0] == pytest.approx(2.0 * 16 * float(softer.half_width(0.5)), rel=1e-6)
    assert gap.error[1, 0] == pytest.approx(0.016 / np.sqrt(3.0))
    short = found["hysteresis gap after a short discharge", "of pack P1" + every]
    assert short.values[1, 0] == pytest.approx(gap.values[1, 0] * (1.0 - np.exp(-80.0 * 0.025)), rel=1e-6)
    rest = found["resting voltage", "of pack P1" + every]
    assert rest.values[1, 0] == pytest.approx(16 * float(chemistry.ocv(0.4)), abs=0.05)
    ohmic = next(r for (what, _), r in found.items() if what == "resistance")
    assert ohmic.values[0, 0] == pytest.approx((16 * 0.6 * float(chemistry.r_factor(0.3)) + 8.0), rel=1e-6)
    assert found["temperature", "of the air between the packs"].values[:, 0].tolist() == pytest.approx([25.0, 35.0])
    slow = next(r for (what, _), r in found.items() if what == "voltage recovery after a load")
    ratio = sum(pair.resistance_ratio for pair in chemistry.rc)
    assert slow.values[0, 0] == pytest.approx(ratio * 16 * 0.6 * float(chemistry.rc_factor(0.3)), rel=1e-6)
    currents = found["current", "of every pack, an hour after 100 A into charger"]
    assert currents.values.sum(axis=1) == pytest.approx([-100.0, -100.0], abs=1e-6)
    assert currents.error[0] == pytest.approx((0.02 * np.abs(currents.values[0]) + 0.1) / np.sqrt(3.0))
    assert not any(what == "milliohms" for what, _ in found)  # conductors are the same in both
    assert pack.capacity_ah == pytest.approx(81.0)
    assert all(r.source and r.how and r.accuracy.startswith("±") for r in found.values())


def test_the_line_for_the_file_narrows_the_value_to_what_was_read():
    """What is proposed, with the reading in the place of …, is taken by the file and leaves what was read, ± twice its standard uncertainty."""
    chain = example("classroom_chain")
    other = with_changes(chain, {"packs.P2.resistance_growth": 2.0, "packs.P2.capacity_left": 0.8, "ambient": "35 degC"})
    other = with_changes(other, {f"wiring.added.{LINK}": "0.5 milliohm"})
    found = {(r.what, r.where): r for r in possible_readings([chain.bank, other.bank], currents=False)}
    pack = other.bank.packs[1]
    for what, where, value, of in (
        ("resistance", "of pack P2", f"{pack.half_charge_ohm * 1e3:.4f}", lambda bank: bank.packs[1].half_charge_ohm * 1e3),
        ("capacity", "of pack P2", f"{80 / 100:.3f}", lambda bank: bank.packs[1].capacity_left),
        ("milliohms", "across the link P1-P2, positive side", "0.5", lambda bank: branch_ohm(bank) - branch_ohm(chain.bank)),
        ("temperature", "of the air between the packs", "35", lambda bank: bank.ambient_k - 273.15),
    ):
        reading = found[what, where]
        key, _, text = reading.lines[0].split(" (… is")[0].replace("…", value).partition(" = ")
        read = with_changes(chain, {key: toml_value(text)})
        assert of(read.bank) == pytest.approx(float(value), rel=1e-4)
        draw = next(v.draw for v in sb.uncertain_values(read) if v.key == key)
        half = draw.high * (100.0 if what == "capacity" else 1.0)
        assert half == pytest.approx(2.0 * np.median(reading.error), rel=0.05)
        assert draw.kind == "measured"


def branch_ohm(bank):
    return next(b.resistance_ohm for b in bank.graph.branches if b.name == LINK) * 1e3


def test_milliohms_of_every_conductor_with_its_joints():
    chain = example("classroom_chain")
    banks = [with_changes(chain, {f"wiring.added.{LINK}": f"{x} milliohm"}).bank for x in (0.0, 0.5, 1.0)]
    found = [r for r in possible_readings(banks, currents=False) if r.what == "milliohms"]
    assert [r.where for r in found] == ["across the link P1-P2, positive side"]
    by_hand = next(b.resistance_ohm for b in banks[0].graph.branches if b.name == LINK) * 1e3
    assert found[0].values[:, 0] == pytest.approx(by_hand + np.array([0.0, 0.5, 1.0]))
    assert found[0].error[0, 0] == pytest.approx((0.02 * by_hand + 0.01) / np.sqrt(3.0))
    assert possible_readings([]) == []

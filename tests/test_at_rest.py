"""The question backwards from a picture at rest: values are found again, ranges cover, and a picture that no bank leaves is called so."""

import json

import numpy as np
import pandas as pd
import pytest
from conftest import ROOT
from scipy.stats import binom, norm
from typer.testing import CliRunner

import simbank as sb
from simbank import cli
from simbank.studies.at_rest import _Model, _until_rest
from simbank.studies.narrowing import narrowed, weighted_quantiles
from simbank.studies.packs_at_rest import PacksAtRest
from simbank.studies.rest_picture import read_picture


def chain(count=3, **changes):
    """Equal packs, of which capacity and resistance are known, on a one-ended chain of links without resistance but their joints."""
    data = {
        "name": "test",
        "pack_types": {"box": {"capacity": "100 Ah", "cell_resistance": "0.6 milliohm", "internal_wiring": "8 milliohm"}},
        "packs": [{"name": "P", "count": count, "type": "box", "soc": 0.3, "capacity_left": 1.0, "resistance_growth": 1.0}],
        "wiring": {"layout": "chain", "link": {"gauge": "2 AWG", "length": "30 cm", "joint": "0.1 milliohm"}},
        "ports": [{"name": "charger"}],
        "duty": {"kind": "cycles", "steps": [{"charge": "0.3 C", "voltage": "57 V", "hours": 2}, {"discharge": "0.1 C", "hours": 1}]},
    }  # fmt: skip
    return sb.from_dict(data, changes)


def picture(soc, rested_h=10.0):
    return pd.DataFrame({"pack": list(soc), "displayed_soc": list(soc.values()), "rested_h": rested_h})


EMPTY = picture({"P1": 0.9, "P2": 0.9, "P3": 0.9})


def model_of(scenario, alike):
    read = read_picture(EMPTY, scenario.bank)
    return _Model(_until_rest(scenario, read, 1)[0], read, alike)


# ---- the sampler ----


def test_a_linear_model_of_normal_values_by_its_closed_form():
    """Bayes' rule for normal values: covariance (I + AᵀA/σ²)⁻¹, mean that times Aᵀy/σ²."""
    rng = np.random.default_rng(3)
    matrix, sigma = rng.normal(size=(4, 7)), 0.3
    seen = matrix @ rng.normal(size=7) + sigma * rng.normal(size=4)
    found = narrowed(lambda u: matrix @ u, 7, seen, np.full(4, sigma), draws=3000, seed=1)
    covariance = np.linalg.inv(np.eye(7) + matrix.T @ matrix / sigma**2)
    mean = covariance @ matrix.T @ seen / sigma**2
    assert found.best_u == pytest.approx(mean, abs=1e-6)
    assert found.weights @ found.u == pytest.approx(mean, abs=0.06)
    apart = found.u - mean
    assert (apart.T * found.weights) @ apart == pytest.approx(covariance, abs=0.08)
    total = float(seen @ np.linalg.inv(sigma**2 * np.eye(4) + matrix @ matrix.T) @ seen)
    assert found.misfit == pytest.approx(total, rel=1e-6)
    low, high = weighted_quantiles(found.u[:, 0], found.weights, (0.05, 0.95))
    assert [low, high] == pytest.approx(norm.ppf([0.05, 0.95], mean[0], covariance[0, 0] ** 0.5), abs=0.1)


def test_a_value_that_a_bank_cannot_have_has_no_weight():
    found = narrowed(lambda u: None if u[0] > 1.0 else u[:1], 1, np.array([1.0]), np.array([0.5]), draws=1000)
    assert np.all(found.u[:, 0] <= 1.0)
    assert weighted_quantiles(found.u[:, 0], found.weights, (0.999,))[0] <= 1.0


def test_the_same_seed_gives_the_same():
    one, other = (narrowed(lambda u: u[:1], 2, np.array([1.0]), np.array([0.5]), draws=200, seed=5) for _ in range(2))
    assert np.array_equal(one.u, other.u)


# ---- banks ----


@pytest.fixture(scope="module")
def thin():
    """A picture that links with 2.5 milliohm in each polarity leave, by the reference integrator, without any error."""
    bank = chain(**{"wiring.link.joint": "0 ohm", "wiring.added.*": "2.5 milliohm"})
    soc = sb.simulate(bank).packs["soc"].loc[2 * 3600.0]
    rested = sb.simulate(sb.with_changes(bank, {"duty.steps": [bank.data["duty"]["steps"][0], {"rest": True, "hours": 10}]}))
    return soc, rested.packs["soc"].iloc[-1].to_dict()


def test_the_picture_is_that_of_the_rest_after_the_step(thin):
    """The model at the true joints shows what the reference integrator leaves ten hours after step 1."""
    _, shown = thin
    model = model_of(chain(), alike=True)
    u = np.zeros(len(model.values))
    draw = model.values[0].draw
    u[0] = np.log(2.5 / draw.low) / np.log(draw.high)
    assert model(u) == pytest.approx(list(shown.values()), abs=2e-3)
    assert [value.key for value in model.values[:1]] == ["wiring.added.link P1-P2 +"]
    bank = model.scenario_of(u).bank.graph.branches
    cable = chain(**{"wiring.link.joint": "0 ohm"}).bank.graph.branches
    assert [one.resistance_ohm - other.resistance_ohm for one, other in zip(bank, cable, strict=True)] == pytest.approx(
        [2.5e-3] * 4
    )


def test_thin_links_are_found_and_their_range_excludes_sound_ones(thin):
    _, shown = thin
    found = sb.at_rest(chain(), picture(shown), after=1, alike=True, display_points=2.0, draws=100)
    row = found.joints.set_index("where").loc["all"]
    assert row["low_mohm"] < 2.5 < row["high_mohm"]
    assert row["low_mohm"] > 0.6
    assert found.fits
    assert (row["before_low_mohm"], row["before_high_mohm"]) == pytest.approx((0.02, 3.0))
    assert list(found.bad["where"]) == ["all"]
    assert found.table["off_sigma"].abs().max() < 2.0


def test_a_picture_that_no_bank_leaves():
    """After a charge the far pack of a one-ended chain is never the fullest by much, whatever its joints are: Ohm."""
    found = sb.at_rest(chain(), picture({"P1": 0.75, "P2": 0.85, "P3": 0.97}), after=1, draws=60)
    assert not found.fits
    assert found.probability < 1e-6
    assert {"P1", "P3"} <= set(found.off)
    assert any("No bank of this kind leaves this picture" in text for text in found.words)
    assert found.shown_points == pytest.approx(22.0)
    told = [text for text in found.words if text.startswith("Displays differ by 22 points")]
    assert bool(told) is found.beyond_hysteresis


def test_the_bound_on_a_standing_difference_by_hand():
    """One pack after a charge, one after a discharge, at one voltage: solved on a grid of the curve and its half-width."""
    model = model_of(chain(), alike=True)
    lfp = sb.load_chemistry("lfp")
    z = np.linspace(0.0, 1.0, 200_001)
    charged, discharged = (16 * (lfp.ocv(z) + sign * lfp.half_width(z)) for sign in (1.0, -1.0))
    packs = PacksAtRest(model.case.bank)
    for volt in (52.6, 52.8, 53.2):
        low, high = (float(np.interp(volt, branch, z)) for branch in (charged, discharged))
        assert packs.soc_at(0, volt, 1.0) == pytest.approx(low, abs=2e-5)
        assert packs.soc_at(0, volt, -1.0) == pytest.approx(high, abs=2e-5)


def _covered(cases, draws, alike):
    """Of how many joints, and of how many sums of all, the range held the truth: pictures of drawn banks by the reference integrator."""
    rng = np.random.default_rng(11)
    scenario = chain()
    model = model_of(scenario, alike)
    inside, sums, count = 0, 0, 0
    for case in range(cases):
        u = rng.normal(size=len(model.values))
        soc = sb.simulate(model.scenario_of(u), tolerance=1e-8).packs["soc"].iloc[-1]
        shown = np.clip(soc.to_numpy() + rng.normal(0.0, 0.015, 3), 0.0, 1.0)
        read = picture(dict(zip(soc.index, shown, strict=True)))
        found = sb.at_rest(scenario, read, after=1, alike=alike, draws=draws, seed=case)
        draw = model.values[0].draw
        true = draw.low * draw.high ** u[: 1 if alike else len(model.branches)]
        rows = found.joints.iloc[: len(true)]
        inside += int(np.sum((rows["low_mohm"] <= true) & (true <= rows["high_mohm"])))
        last = found.joints.iloc[-1]
        sums += int(last["low_mohm"] <= true.sum() <= last["high_mohm"])
        count += len(true)
    return inside, count, sums


def test_few_ranges_cover():
    """Of 8 banks; 90 % is what is stated, and fewer than 5 would happen once in 2000 times."""
    inside, count, _ = _covered(8, 60, alike=True)
    assert binom.cdf(4, 8, 0.9) < 0.006
    assert inside >= 5
    assert count == 8


@pytest.mark.slow
def test_ranges_cover_as_stated():
    """Of 30 banks of individual joints: 90 % ± what chance allows (binomial, 1 in 200 on either side)."""
    inside, count, sums = _covered(30, 150, alike=False)
    low, high = binom.ppf([0.005, 0.995], 30, 0.9)
    assert low <= sums <= high
    assert inside / count >= low / 30


def _known_bank(rng):
    """A bank drawn by hand from what is stated, run by the reference integrator: what it shows, what its joints add, its hysteresis.

    Joints as the command's page says: log-normal, 5 % at 0.02 and 95 % at 3 milliohm. The duty is written out, the bank a file of its
    own: nothing of the search is used.
    """
    added = np.exp(rng.normal(np.log(np.sqrt(0.02 * 3.0)), np.log(3.0 / 0.02) / (2 * norm.ppf(0.95)), 4))
    links = ("link P1-P2 +", "link P2-P3 +", "link P1-P2 -", "link P2-P3 -")
    changes = {f"wiring.added.{name}": f"{ohm} milliohm" for name, ohm in zip(links, added, strict=True)}
    rest = [value for value in sb.uncertain_values(chain()) if value.group != "joints"]
    drawn = {value.key: value.draw.value(rng.uniform()) for value in rest}
    steps = [{"charge": "0.3 C", "voltage": "57 V", "hours": 2}, {"rest": True, "hours": 10}]
    bank = chain(**{"wiring.link.joint": "0 ohm", "duty.steps": steps} | changes | drawn)
    run = sb.simulate(bank, integrator="reference", tolerance=1e-10)
    shown = run.packs["soc"].iloc[-1] + rng.normal(0.0, 0.015, 3)
    return picture(shown.clip(0.0, 1.0).to_dict()), added, float(drawn["chemistries.lfp.hysteresis.scale"])


def _known_within(cases, draws):
    """Of how many known banks the stated 90 % ranges hold what all joints add, what those of a link do, and the hysteresis."""
    rng, inside = np.random.default_rng(2024), np.zeros(3, int)
    for case in range(cases):
        shown, added, scale = _known_bank(rng)
        found = sb.at_rest(chain(), shown, after=1, draws=draws, seed=case)
        joints, values = found.joints.set_index("where"), found.values.set_index("key")
        rows = (
            (joints.loc["all together"], "_mohm", added.sum()),
            (joints.loc["link P1-P2"], "_mohm", added[0] + added[2]),
            (values.loc["chemistries.lfp.hysteresis.scale"], "", scale),
        )
        inside += [row[f"low{end}"] <= true <= row[f"high{end}"] for row, end, true in rows]
    return inside


def test_few_known_banks_lie_within_the_ranges():
    """Of 3 banks and 3 values; 90 % is what is stated, and fewer than 6 of 9 would happen once in 1000 times if they were independent."""
    assert binom.cdf(5, 9, 0.9) < 0.01
    assert _known_within(3, 80).sum() >= 6


@pytest.mark.slow
def test_known_banks_lie_within_the_ranges():
    """Of 20 banks, each value on its own: 90 % less what chance allows (binomial, 1 in 200)."""
    assert np.all(_known_within(20, 150) >= binom.ppf(0.005, 20, 0.9))


# ---- what is said ----


def test_where_none_fits_there_are_no_ranges_but_how_far_the_nearest_is(capsys):
    from simbank.cli.atrest import _show

    found = sb.at_rest(chain(), picture({"P1": 0.75, "P2": 0.85, "P3": 0.97}), after=1, draws=60)
    assert found.words[0] == "No bank of this kind leaves this picture."
    best = found.table.set_index("pack")["best"]
    assert f"{100 * best['P3']:.1f} % at P3 where 97" in found.words[1]
    tried = next(text for text in found.words if text.startswith("Tried"))
    assert "every link and lead, each by itself that add 0.02 to 3 milliohm" in tried
    assert "half-width of the hysteresis of lfp" in tried
    assert "charge at 90 A to 57 V, 2 h at most" in tried
    assert len(found.shown) == 1
    assert "nearest banks, 5 to 95 %" in [text.get_text() for text in found.plot().axes[0].get_legend().get_texts()]
    _show(found, wide=True)
    printed = capsys.readouterr().out
    assert printed.lstrip().startswith("No bank of this kind")
    assert "joints of  " not in printed
    (verdict,) = [v for v in sb.verdicts(found) if v.code == "picture-fits-no-bank"]
    assert "No bank of this kind" in verdict.text


def test_where_some_fit_the_answer_names_joints_hysteresis_and_charge_rule(thin):
    _, shown = thin
    found = sb.at_rest(chain(**{"duty.steps.0.voltage": "57 ± 0.4 V"}), picture(shown), after=1, draws=60)
    said = " ".join(found.words)
    assert found.words[0].startswith("Banks of this kind leave this picture")
    row = found.joints.iloc[-1]
    assert f"Joints of all conductors together add {row['low_mohm']:.2g} to {row['high_mohm']:.2g} milliohm" in said
    assert "Hysteresis: half-width of the hysteresis of lfp ÷ that of its file" in said
    assert "voltage of step 1 of the duty, 5" in said
    assert [table.title for table in found.shown][1:] == [
        "What joints add, by the picture",
        "Other values, the most narrowed first",
    ]
    (verdict,) = [v for v in sb.verdicts(found) if v.code == "picture-fits"]
    for words in (
        "joints add",
        "milliohm in all, most those of link P",
        "both sides together",
        "hysteresis",
        "charge rule within its ±",
    ):
        assert words in verdict.text
    assert "banks that fit, 5 to 95 %" in [text.get_text() for text in found.plot().axes[0].get_legend().get_texts()]
    for text in (found.CAUTION, " ".join(found.section().text)):
        assert "insulated tools" in text


def test_the_odd_picture_fits_no_bank():
    """The worked picture with the fullest display in the middle of the row; all joints alike, so that few draws do."""
    odd = ROOT / "scenarios" / "classroom_chain_at_rest_odd.csv"
    found = sb.at_rest(sb.example("classroom_chain"), odd, after=1, alike=True, draws=50)
    assert found.words[0] == "No bank of this kind leaves this picture."
    assert found.off[0] in ("P1", "P3")
    assert any(
        text.startswith(("present capacity of P3", "cell resistance of P3", "state of charge of P3")) for text in found.strained
    )


# ---- files and options ----


@pytest.mark.parametrize(
    ("rows", "problem"),
    [
        ("pack,displayed_soc\nP1,90\nP2,80\n", 'needs a column "rested_h"'),
        ("pack,shown,rested_h\nP1,90,2\n", "unknown column"),
        ("pack,displayed_soc,rested_h\nP9,90,2\nP2,80,2\n", "row 2, pack: 'P9': no such pack"),
        ("pack,displayed_soc,rested_h\nP1,120,2\nP2,80,2\n", "row 2, displayed_soc: 120: must be a number from 0 to 100"),
        ("pack,displayed_soc,rested_h\nP1,90,2\nP1,80,2\n", "row 3, pack: 'P1': stands in two rows"),
        ("pack,displayed_soc,rested_h\nP1,90,\nP2,80,2\n", "how long has the bank rested"),
        ("pack,displayed_soc,rested_h\nP1,90,2\nP2,,2\n", "needs what two packs show"),
        (
            "pack,displayed_soc,rested_h\nP1,0.96,2\nP2,87,2\n",
            "row 2, displayed_soc: 0.96: stands among others in per cent, such as 87",
        ),
        ("pack,displayed_soc,rested_h\nP1,full,2\nP2,80,2\n", "must be a number"),
    ],
)
def test_what_is_wrong_with_a_picture_is_one_line(tmp_path, rows, problem):
    path = tmp_path / "rest.csv"
    path.write_text(rows)
    with pytest.raises(sb.InputError) as caught:
        read_picture(path, chain().bank)
    assert problem in str(caught.value)
    assert "rest.csv" in str(caught.value)


def test_shares_and_per_cent_and_voltages_are_understood():
    bank = chain().bank
    percent = read_picture(pd.DataFrame({"pack": ["P1", "P2"], "displayed_soc": [90, 1], "rested_h": 3}), bank)
    assert [reading.value for reading in percent.readings] == [0.9, 0.01]
    assert percent.understood
    both = read_picture(
        pd.DataFrame({"pack": ["P1", "P2"], "displayed_soc": [0.9, 0.8], "rest_voltage_v": [53.2, None], "rested_h": [3, 4]}),
        bank,
    )
    assert [(r.pack, r.kind, r.value, r.rested_h) for r in both.readings] == [
        ("P1", "display", 0.9, 3), ("P1", "voltage", 53.2, 3), ("P2", "display", 0.8, 4),
    ]  # fmt: skip


def test_voltages_at_rest_are_those_of_each_pack_by_itself():
    scenario = chain()
    frame = pd.DataFrame({"pack": ["P1", "P3"], "rest_voltage_v": [53.3, 53.2], "rested_h": [10, 5]})
    read = read_picture(frame, scenario.bank)
    model = _Model(_until_rest(scenario, read, 1)[0], read, True)
    u = np.zeros(len(model.values))
    run = sb.simulate(model.scenario_of(u), tolerance=1e-8)
    lfp, packs = model.scenario_of(u).bank.packs[0].chemistry, run.packs
    for reading, value in zip(read.readings, model(u), strict=True):
        at = (2 + reading.rested_h) * 3600.0
        soc, h = packs["soc"].loc[at, reading.pack], packs["hysteresis"].loc[at, reading.pack]
        assert value == pytest.approx(16 * float(lfp.ocv(soc) + h * lfp.half_width(soc)), abs=5e-3)


@pytest.mark.parametrize(
    ("options", "key"),
    [({"after": 0}, "after"), ({"after": 3}, "after"), ({"draws": 10}, "draws"), ({"display_points": 0}, "display_points"),
     ({"voltage_v": -1}, "voltage_v"), ({"draws": True}, "draws")],
)  # fmt: skip
def test_options_that_cannot_be(options, key):
    with pytest.raises(sb.InputError) as caught:
        sb.at_rest(chain(), EMPTY, **options)
    assert caught.value.key == key


def test_a_duty_of_days_and_a_bank_without_links_are_refused():
    days = sb.example("hilltop_clinic_days", {"duty.days": 1})
    names = [pack.name for pack in days.bank.packs]
    with pytest.raises(sb.InputError, match="real days"):
        sb.at_rest(days, pd.DataFrame({"pack": names, "displayed_soc": 0.9, "rested_h": 2}))


def test_the_command_prints_writes_and_is_read_back(tmp_path):
    add = ["--after", "1", "--alike", "--draws", "50", "--display-accuracy", "5"]
    files = [str(ROOT / "scenarios" / "classroom_chain.toml"), str(ROOT / "scenarios" / "classroom_chain_at_rest.csv")]
    out = ["--out", str(tmp_path / "out"), "--report", str(tmp_path / "rest.html")]
    done = CliRunner().invoke(cli.app, ["atrest", *files, *add, *out], env={"COLUMNS": "80"}, catch_exceptions=False)
    assert done.exit_code == 0
    assert max(len(line) for line in done.output.splitlines() if str(tmp_path) not in line) <= 80
    assert "Banks of this kind leave this picture" in " ".join(done.output.split())
    found = sb.read(tmp_path / "out")
    assert list(found.table["pack"]) == ["P1", "P2", "P3", "P4", "P5"]
    assert set(found.tables) == {"picture", "joints", "values"}
    verdicts = json.loads((tmp_path / "out" / "verdicts.json").read_text())["verdicts"]
    assert "picture-fits" in [v["code"] for v in verdicts]
    page = (tmp_path / "rest.html").read_text(encoding="utf-8")
    assert "A picture at rest, backwards" in page
    assert (tmp_path / "out" / "at_rest.png").stat().st_size > 1000

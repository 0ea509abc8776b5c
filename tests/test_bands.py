"""Bands: coverage of banks drawn from the stated priors, against direct quantiles and independent loops, and what the commands give."""

import json
import multiprocessing
import os
import signal
import subprocess
import sys
import time

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from typer.testing import CliRunner

import simbank
from simbank import cli
from simbank.studies import draw_runs, parallel
from simbank.studies.band_tables import quantiles

# What is left to data with a range, stated: a bank with these has nothing uncertain but what a test adds.
EXACT_CELL = {
    "ocv": {"offset": "0 mV"}, "hysteresis": {"scale": 1.0, "decay_per_soc": 40.0}, "relaxation": {"scale": 1.0, "time_scale": 1.0},
}  # fmt: skip
EXACT_PACK = {"capacity_left": 1.0, "resistance_growth": 1.0}
SLAB = {"capacity": "280 Ah", "cell_resistance": "0.25 milliohm", "internal_wiring": "4 milliohm"}
RACK = {"capacity": "100 Ah", "cell_resistance": "0.6 milliohm", "internal_wiring": "8 milliohm"}
LINK = {"gauge": "2 AWG", "length": "40 cm"}
LEAD = {"gauge": "2 AWG", "length": "80 cm"}


def bank(packs, types, wiring, amperes, hours=8.0, chemistries=None):
    """A bank that is charged until its packs are full, rests, and is discharged; amperes are stated, so that no capacity moves them."""
    steps = [
        {"charge": f"{amperes} A", "voltage": "57.6 V", "hours": hours}, {"rest": True, "hours": 4},
        {"discharge": f"{amperes} A", "hours": 2}, {"rest": True, "hours": 2},
    ]  # fmt: skip
    data = {
        "name": "made up", "pack_types": types, "packs": packs, "wiring": wiring, "ports": [{"name": "port"}],
        "duty": {"kind": "cycles", "steps": steps},
    }  # fmt: skip
    return simbank.from_dict(data | ({"chemistries": chemistries} if chemistries else {}))


def racks(names, **own):
    return [{"name": name, "type": "rack", "soc": 0.4} | own for name in names]


BANKS = {
    "five equal packs on a chain, all by the label": lambda: bank(
        racks("ABCDE"), {"rack": RACK}, {"layout": "chain", "link": LINK | {"joint": "0.1 milliohm"}, "lead": LEAD | {"joint": "0.1 milliohm"}}, 100
    ),
    "joints and starts measured": lambda: bank(
        racks("ABCD", soc={"value": 0.4, "within": 0.03}), {"rack": RACK},
        {"layout": "chain", "link": LINK | {"joint": "0.25 ± 0.1 milliohm"}, "lead": LEAD | {"joint": "0.25 ± 0.1 milliohm"}}, 80,
    ),
    "large and small packs on a bus bar, joints left out": lambda: bank(
        [{"name": "S", "type": "slab", "soc": 0.5}, *racks("AB", soc=0.5)], {"rack": RACK, "slab": SLAB},
        {"layout": "busbar", "lead": LEAD}, 100,
    ),
    "two packs, one of known health": lambda: bank(
        [{"name": "A", "type": "rack", "soc": 0.5}, {"name": "B", "type": "rack", "soc": 0.5, "state_of_health": 0.85}], {"rack": RACK},
        {"layout": "chain", "link": LINK, "lead": LEAD}, 40,
    ),
    "capacity measured, cell well known": lambda: bank(
        racks("ABC"), {"rack": RACK | {"capacity": "100 ± 6 Ah", "cell_resistance": "0.6 ± 0.2 milliohm"}},
        {"layout": "chain-opposite", "link": LINK, "lead": LEAD}, 60,
        chemistries={"lfp": {"hysteresis": {"scale": {"value": 1.0, "within": 0.2}, "decay_per_soc": 40.0}}},
    ),
    "wiring within packs left out": lambda: bank(
        racks("ABCD"), {"rack": {key: RACK[key] for key in ("capacity", "cell_resistance")}},
        {"layout": "chain-middle", "link": LINK, "lead": LEAD}, 70,
    ),
}  # fmt: skip
TRUTHS = 50  # banks drawn of each of six: 300 cases


def prior(draw, random):
    """One value from a stated prior: a truncated or two-piece normal distribution by scipy.stats, not by the project's own.

    A measured value x ± U is normal with standard deviation U/2 (JCGM 100:2008, 6.2.1, k = 2; from memory). A range has its 5 and 95 %
    at its ends and its typical value as median; in the logarithm if it is positive and its ends are more than twice apart.
    """
    log = draw.kind == "range" and draw.low > 0 and draw.high / draw.low > 2
    low, high, middle = draw.low, draw.high, draw.middle
    if draw.kind == "range":
        if middle is None or not low < middle < high:
            middle = np.sqrt(low * high) if log else (low + high) / 2
        low, high, middle = np.log([low, high, middle]) if log else (low, high, middle)
    for _ in range(1000):  # what lies beyond a bound is drawn again, which is what truncation means
        if draw.kind == "measured":
            value = stats.norm(draw.low, draw.high / 2).rvs(random_state=random)
        else:
            below = stats.bernoulli(0.5).rvs(random_state=random)
            scale = ((middle - low) if below else (high - middle)) / stats.norm.ppf(0.95)
            value = middle + (-1 if below else 1) * stats.halfnorm(0, scale).rvs(random_state=random)
            value = np.exp(value) if log else value
        if draw.least <= value <= draw.most:
            return value + draw.shift
    raise AssertionError(draw)


@pytest.fixture(scope="module")
def covered():
    """Of each figure, whether the truth lay within its band, in each of 300 cases."""
    found = {"spread_max_points": [], "share_ratio_max": [], "first_full_h": []}
    for number, (name, make) in enumerate(BANKS.items()):
        scenario = make()
        bands = simbank.bands(scenario, 200, seed=number, explain=False)
        assert bands.done == 200, name
        known = simbank.uncertain_values(scenario)
        random = np.random.default_rng([20261126, number])
        for _ in range(TRUTHS):
            values = {}
            for value in known:
                drawn = prior(value.draw, random)
                values[value.key] = f"{drawn} {value.draw.unit}" if value.draw.unit else drawn
            truth = simbank.simulate(simbank.with_changes(scenario, values), integrator="fast", tolerance=1e-9).summary
            first = [pack["first_full_h"] for pack in truth["packs"] if pack["first_full_h"] is not None]
            discharge = [pack["share_ratio_discharge"] for pack in truth["packs"]]
            figures = {
                "spread_max_points": truth["bank"]["spread_max_points"], "share_ratio_max": max(discharge),
                "first_full_h": min(first, default=np.inf),
            }  # fmt: skip
            for figure, at in figures.items():
                row = bands.table.loc[figure]
                found[figure].append((name, row["low"] <= at <= row["high"]))
    return {figure: pd.DataFrame(rows, columns=["bank", "inside"]) for figure, rows in found.items()}


@pytest.mark.parametrize("figure", ["spread_max_points", "share_ratio_max", "first_full_h"])
def test_nine_in_ten_banks_of_the_stated_priors_fall_into_their_band(covered, figure):
    """Six banks, fifty of each drawn by scipy.stats, run at a tolerance 10 000 times tighter: 86 to 94 % lie between 5 and 95 %."""
    inside = covered[figure]["inside"]
    assert len(inside) == 300
    assert 0.86 <= inside.mean() <= 0.94, covered[figure].groupby("bank")["inside"].mean()


# ---- against direct calculation ----


def exact(packs, layout="chain", **wiring):
    """Two racks or more of which all is stated exactly but what ``packs`` says."""
    rows = [{"name": name, "type": "rack", "soc": 0.4} | EXACT_PACK | own for name, own in packs.items()]
    parts = {"link": LINK | {"joint": "0.1 milliohm"}, "lead": LEAD | {"joint": "0.1 milliohm"}}
    return bank(rows, {"rack": RACK}, {"layout": layout} | parts | wiring, 20.0 * len(rows), 2.0, {"lfp": EXACT_CELL})


def test_one_uncertain_value_against_its_own_quantiles():
    """The spread falls as the near pack starts higher: its band is that of runs at the 95, 50 and 5 % points of the start."""
    scenario = exact({"A": {"soc": {"value": 0.4, "within": 0.04}}, "B": {"soc": 0.47}})
    assert [value.key for value in simbank.uncertain_values(scenario)] == ["packs.A.soc"]
    found = simbank.bands(scenario, explain=False).table.loc["spread_max_points"]
    at = [stats.norm(0.4, 0.02).ppf(share) for share in (0.95, 0.5, 0.05)]
    direct = [
        simbank.simulate(simbank.with_changes(scenario, {"packs.A.soc": soc}), integrator="fast").summary["bank"][
            "spread_max_points"
        ]
        for soc in at
    ]
    assert direct[0] < direct[1] < direct[2]
    width = direct[2] - direct[0]
    # of 200 strata of one value each holds one draw: a quantile errs by a stratum or so
    assert np.allclose([found["low"], found["mid"], found["high"]], direct, atol=0.03 * width)
    assert found["file"] == pytest.approx(direct[1], abs=1e-3 * width)


def test_where_all_is_symmetric_the_middle_is_too():
    """Two packs alike behind equal leads, each start known to ± 4 points: either may fill first, and neither is ahead in the middle."""
    start = {"soc": {"value": 0.5, "within": 0.04}}
    scenario = exact({"A": start, "B": start}, "busbar")
    found = simbank.bands(scenario, explain=False)
    ends = found.pack_figures
    apart = (ends["A", "soc_end"] - ends["B", "soc_end"]).to_numpy()
    # the standard error of a median of n normal values is 1.2533 σ/√n
    assert abs(np.median(apart)) < 3 * 1.2533 * apart.std() / np.sqrt(len(apart))
    assert stats.binomtest(int((apart > 0).sum()), len(apart)).pvalue > 0.01
    low, mid, high = (found.packs.loc[("A", "soc_end"), key] for key in ("low", "mid", "high"))
    assert abs((high - mid) - (mid - low)) < 0.35 * (high - low)


def test_an_uncertainty_of_zero_is_left_out_not_drawn():
    """What is known exactly is written without ±; a ± of zero is refused, and a bank without any has no band but the figure itself."""
    with pytest.raises(simbank.InputError, match=r"must be above zero; leave it out of what is known exactly"):
        exact({"A": {"soc": {"value": 0.4, "within": 0.0}}, "B": {}})
    found = simbank.bands(exact({"A": {}, "B": {"soc": 0.5}}))
    assert not len(found.uncertain)
    assert np.array_equal(found.table["low"], found.table["high"], equal_nan=True)  # NaN: what does not happen at all
    assert found.table.loc["spread_max_points", "mid"] == found.table.loc["spread_max_points", "file"] > 1.0
    assert found.told["drivers"] == found.told["measure_first"] == []


def test_quantiles_count_never_as_later_than_all():
    assert np.allclose(quantiles(np.arange(101.0)), [5.0, 50.0, 95.0])  # numpy's own, and by hand
    values = np.array([1.0, 2.0, 3.0, np.nan, np.nan])
    assert np.allclose(quantiles(values), np.quantile([1.0, 2.0, 3.0], [0.05, 0.5, 0.95]))
    assert quantiles(values, never_is_later=True)[1:] == [3.0, np.inf]
    assert np.isnan(quantiles([np.nan])).all()


def test_a_time_that_may_never_come_has_no_end_in_json():
    """A charge that ends when the pack is nearly full: in some draws it fills, in others it does not."""
    found = simbank.bands(exact({"A": {"soc": {"value": 0.622, "within": 0.03}}, "B": {"soc": 0.55}}), 60, explain=False)
    row = found.table.loc["first_full_h"]
    assert 0.1 < row["happens"] < 0.9
    assert np.isfinite(row["low"])
    assert np.isinf(row["high"])
    assert found.told["bands"]["first_full_h"]["high"] is None
    assert row["happens"] == found.draws["first_full_h"].notna().mean()
    shares = found.names.loc["first_full_pack"]["share"]
    assert shares.sum() == pytest.approx(row["happens"])


def test_what_is_asked_stays_as_it_is():
    """A duty of 0.2 C keeps the amperes of the file's own capacity in every draw, so that its charge is the same in all."""
    found = simbank.bands(simbank.example("classroom_chain"), 30, explain=False)
    assert np.ptp(found.figures["charge_out_ah"]) < 1e-6
    assert np.ptp(found.figures["spread_max_points"]) > 1.0


# ---- paired draws ----


def test_paired_differences_against_an_independent_loop():
    scenario = simbank.with_changes(
        simbank.example("hilltop_clinic"), {"wiring.link.joint": "0.2 ± 0.1 milliohm", "wiring.lead.joint": "0.2 ± 0.1 milliohm"}
    )
    names = ["chain", "busbar"]
    found = simbank.compare(scenario, names, bands=40, seed=5, integrator="fast").bands
    spread = {}
    for name in names:
        case = simbank.with_changes(scenario, {"wiring.layout": name})
        units, values = found.layouts[name].uncertain["unit"], found.layouts[name].values
        spread[name] = np.array(
            [
                simbank.simulate(
                    simbank.drawn(case, {key: f"{value!r} {units[key]}" if units[key] else value for key, value in row.items()}),
                    integrator="fast",
                ).summary["bank"]["spread_max_points"]
                for row in values.to_dict("records")
            ]
        )  # fmt: skip
    rows = found.paired[found.paired["figure"] == "spread_max_points"]
    assert len(rows) == 1
    row = rows.iloc[0]
    by = spread[row["other"]] - spread[row["layout"]]
    assert row["better"] == pytest.approx((by > 0.05).mean(), abs=1e-9)
    assert np.allclose([row["low"], row["mid"], row["high"]], np.quantile(by, [0.05, 0.5, 0.95]), atol=0.02)
    # what both have is the same in both, draw by draw; what one has alone is drawn for itself
    shared = [key for key in found.layouts["chain"].values if key in found.layouts["busbar"].values]
    assert {"packs.A.capacity_left", "chemistries.lfp.hysteresis.scale"} <= set(shared)
    own = [key for key in found.layouts["chain"].values if key not in shared]
    assert any("link" in key for key in own)
    assert found.layouts["chain"].values[shared].equals(found.layouts["busbar"].values[shared])
    assert any("in 9" in text or "in 100 %" in text or "not settled" in text for text in found.words)


def test_a_layout_against_itself_is_neither_better_nor_worse():
    from simbank.studies.paired import paired

    found = simbank.bands(exact({"A": {"soc": {"value": 0.4, "within": 0.04}}, "B": {}}), 30, explain=False)
    table = paired({"one": found, "other": found})
    assert (table[["better", "worse", "low", "mid", "high"]] == 0.0).all().all()


# ---- seeds, processes, failures, Ctrl-C ----


def test_the_same_seed_gives_the_same_bands_in_any_number_of_processes():
    scenario = simbank.example("one_bad_joint")
    one, again, other = (simbank.bands(scenario, 24, seed=seed, explain=False) for seed in (4, 4, 5))
    spread = simbank.bands(scenario, 24, seed=4, jobs=2, explain=False)
    pd.testing.assert_frame_equal(one.draws, again.draws)
    pd.testing.assert_frame_equal(one.draws, spread.draws)
    pd.testing.assert_frame_equal(one.soc, spread.soc)
    assert not one.draws.equals(other.draws)


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere a process is not copied")
def test_copies_of_this_process_make_the_same_bands(monkeypatch):
    scenario = simbank.example("classroom_chain")
    one = simbank.bands(scenario, 44, seed=4, jobs=1)
    monkeypatch.setattr(os, "sched_getaffinity", lambda process: {0, 1, 2})
    monkeypatch.setattr(parallel, "COPY_PAYS_S", 1e-6)
    used = []
    monkeypatch.setattr(draw_runs, "in_copies", lambda *told: used.append(told[-1]) or parallel.in_copies(*told))
    found = simbank.bands(scenario, 44, seed=4)
    assert used == [2]
    pd.testing.assert_frame_equal(one.draws, found.draws)
    pd.testing.assert_frame_equal(one.soc, found.soc)
    pd.testing.assert_frame_equal(one.measure_first.table, found.measure_first.table)
    assert not [child for child in multiprocessing.active_children() if type(child).__name__ == "ForkProcess"]


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere a process is not copied")
def test_what_a_copy_leaves_undone_is_done_here():
    here = os.getpid()

    def squared(k):
        if k == 5 and os.getpid() != here:  # a copy that the system kills
            os.kill(os.getpid(), signal.SIGKILL)
        return k * k, os.getpid() == here

    found = dict(parallel.in_copies(squared, [(k,) for k in range(12)], 1))
    assert [found[k][0] for k in range(12)] == [k * k for k in range(12)]
    assert [found[k][1] for k in range(12)] == [k % 2 == 0 or k >= 5 for k in range(12)]


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere a process is not copied")
@pytest.mark.parametrize("each_s", [None, 1.0])
def test_work_in_copies_comes_in_its_order(monkeypatch, each_s):
    monkeypatch.setattr(os, "sched_getaffinity", lambda process: {0, 1, 2})
    monkeypatch.setattr(parallel, "COPY_PAYS_S", 1e-9)
    told = []
    found = parallel.in_order(lambda k: (k * k, os.getpid()), [(k,) for k in range(12)], each_s, told.append)
    assert [square for square, _ in found] == [k * k for k in range(12)]
    assert len({process for _, process in found}) == 3
    assert told == sorted(told)
    assert told[-1] == 1.0
    monkeypatch.setattr(parallel, "COPY_PAYS_S", 1e9)
    assert {process for _, process in parallel.in_order(lambda k: (k, os.getpid()), [(1,), (2,)], each_s)} == {os.getpid()}
    assert parallel.in_order(abs, []) == []


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere a process is not copied")
def test_copies_of_this_process_find_the_same_protection_and_sizes(monkeypatch):
    bank, clinic = simbank.example("valley_workshop_mistakes"), simbank.example("hilltop_clinic")

    def found():
        protection = simbank.protect(bank).in_draws(20)
        tables = [getattr(protection, name) for name in ("faults", "checks", "order", "clearing")]
        cases = [case.record for cases in protection.short_cases.values() for case in cases]
        sizes = simbank.size(clinic, gauges=["2 AWG", "2/0 AWG"])
        return [*tables, protection.bands.table, protection.bands.checks, pd.DataFrame(cases), sizes.table]

    monkeypatch.setattr(parallel, "COPY_PAYS_S", 1e9)
    here = found()
    monkeypatch.setattr(os, "sched_getaffinity", lambda process: {0, 1})
    monkeypatch.setattr(parallel, "COPY_PAYS_S", 1e-9)
    for one, other in zip(here, found(), strict=True):
        pd.testing.assert_frame_equal(one, other, check_exact=True)


def test_draws_that_fail_are_counted_and_told(monkeypatch):
    drawn, calls = draw_runs.drawn, []

    def sometimes(scenario, values):
        calls.append(values)
        if len(calls) % 10 == 0:
            raise simbank.InputError("made to fail", key="packs.A.soc")
        return drawn(scenario, values)

    monkeypatch.setattr(draw_runs, "drawn", sometimes)
    found = simbank.bands(simbank.example("classroom_chain"), 40, explain=False, jobs=1)
    assert found.done == 36
    assert len(found.values) == len(found.figures) == 36
    assert len(found.draws) == 40
    warning = next(w for w in found.warnings if w.code == "draws-failed")
    assert warning.text.startswith("4 of 40 draws failed")
    assert "made to fail" in warning.text
    assert found.told["draws"] == {"asked": 40, "done": 36, "failed": 4, "seed": 0}


def test_where_every_draw_fails_it_is_an_error(monkeypatch):
    def never(scenario, values):
        raise simbank.InputError("made to fail")

    monkeypatch.setattr(draw_runs, "drawn", never)
    with pytest.raises(simbank.SimulationError, match="all 5 draws failed; the first: made to fail"):
        simbank.bands(simbank.example("classroom_chain"), 5)


def test_stopped_half_way_the_draws_so_far_are_kept():
    def stop(done):
        if done >= 0.5:
            raise KeyboardInterrupt

    scenario = simbank.example("classroom_chain")
    with pytest.raises(simbank.SimulationError, match="stopped with 25 draws done") as stopped:
        simbank.bands(scenario, 50, progress=stop, explain=False, jobs=1)
    kept = stopped.value.partial
    assert kept.done == 25
    whole = simbank.bands(scenario, 50, explain=False)
    pd.testing.assert_frame_equal(kept.figures, whole.figures.iloc[:25])
    with pytest.raises(simbank.SimulationError, match="each layout") as stopped:
        simbank.compare(
            scenario, ["chain", "chain-opposite"], bands=20, progress=lambda done: stop(done - 0.1), integrator="fast"
        )
    found = stopped.value.partial
    assert set(found.results) == {"chain", "chain-opposite"}
    assert 5 <= found.bands.layouts["chain"].done == found.bands.layouts["chain-opposite"].done < 20


@pytest.mark.parametrize("wrong", [{"draws": 1}, {"draws": 2.5}, {"seed": -1}, {"jobs": 0}, {"integrator": "slow"}])
def test_wrong_settings_are_one_clear_error(wrong):
    with pytest.raises(simbank.InputError):
        simbank.bands(simbank.example("classroom_chain"), **wrong)


# ---- usable energy and sizes ----


def test_usable_energy_of_packs_whose_capacity_alone_is_uncertain():
    """Energy goes with capacity: ± 6 % of each of two packs is ± 6/√2 % of their sum."""
    packs = {name: {"capacity_left": {"value": 0.9, "within": 0.054}} for name in "AB"}
    scenario = exact(packs, "busbar")
    table = simbank.usable(scenario, bands=100)
    found = table.attrs["bands"]
    row = found.table.loc["alone_wh"]
    half = 1.645 * 0.03 / np.sqrt(2) * row["mid"]
    assert (row["high"] - row["low"]) / 2 == pytest.approx(half, rel=0.15)
    assert row["file"] == pytest.approx(table.loc["sum of packs", "energy_wh"], rel=1e-3)
    assert set(simbank.Usable(table).summary["bands"]) == {"usable_percent", "charge_out_ah", "energy_out_wh", "alone_wh"}


def test_a_size_says_in_how_many_draws_it_keeps_the_limits():
    scenario = simbank.example("hilltop_clinic")
    limits = simbank.Limits(spread_points=12.0)
    found = simbank.size(scenario, limits, layouts=["busbar"], gauges=["2/0 AWG"], sharing_only=True, bands=30)
    assert found.best is not None
    assert found.kept["spread_points"] == (found.bands.figures["spread_points"] <= 12.0).mean()
    assert found.bands.table.loc["spread_points", "file"] == pytest.approx(found.best["spread_points"], rel=1e-3)
    assert "The size was not searched for again in each draw" in found.kept_words[-1]


# ---- written and read, commands ----


def same(one, other):
    pd.testing.assert_frame_equal(
        one, other, check_dtype=False, check_index_type=False, check_column_type=False, check_exact=True
    )


def test_what_was_written_reads_back_the_same(tmp_path):
    found = simbank.bands(simbank.example("classroom_chain"), 45)
    again = simbank.read(found.write(tmp_path / "bands"))
    for table in ("table", "packs", "names", "draws", "uncertain", "soc", "spread"):
        same(getattr(found, table), getattr(again, table))
    assert (again.words, again.title, again.told) == (found.words, found.title, found.told)
    assert again.drivers.words("spread_max_points") == found.drivers.words("spread_max_points")
    assert again.measure_first.words("spread_max_points") == found.measure_first.words("spread_max_points")
    layouts = simbank.compare(simbank.example("classroom_chain"), ["chain", "chain-opposite"], bands=10, integrator="fast")
    read = simbank.read(layouts.write(tmp_path / "layouts"))
    same(read.bands.paired, layouts.bands.paired)
    assert read.bands.words == layouts.bands.words


def invoke(root, command, name, *rest):
    return CliRunner().invoke(cli.app, [command, *rest, str(root / "scenarios" / f"{name}.toml")])


def test_the_commands_give_bands_as_json(root, tmp_path):
    done = invoke(
        root, "run", "classroom_chain", "--integrator", "fast", "--json", "--out", str(tmp_path), "--bands", "40", "--seed", "3"
    )
    told = json.loads(done.stdout)
    assert {"low", "mid", "high"} <= set(told["bands"]["spread_max_points"])
    assert told["bands"]["first_empty_h"]["high"] is None
    assert {"key", "figure", "share", "low", "high"} <= set(told["drivers"][0])
    assert {"what", "where", "narrows"} <= set(told["measure_first"][0])
    assert {"figure", "from", "to"} <= set(told["measure_first"][0]["narrows"])
    assert told["draws"] == {"asked": 40, "done": 40, "failed": 0, "seed": 3}
    files = {path.name for path in (tmp_path / "bands").iterdir()}
    assert {"bands.csv", "draws.csv", "drivers.csv", "measure_first.csv"} <= files
    direct = simbank.bands(simbank.load(root / "scenarios" / "classroom_chain.toml"), 40, seed=3)
    assert told["bands"] == direct.told["bands"]
    assert simbank.read(tmp_path).bands.told["bands"] == told["bands"]
    assert simbank.read(tmp_path).bands.told["measure_first"] == told["measure_first"]
    assert told["drivers_ranked"].keys() == told["drivers_r2"].keys()
    compared = json.loads(invoke(root, "compare", "classroom_chain", "--integrator", "fast", "--json", "--bands", "4").stdout)
    assert {row["figure"] for row in compared["paired"]} >= {"spread_max_points", "share_ratio_max"}
    assert set(compared["bands"]) == {row["layout"] for row in compared["rows"]}


@pytest.mark.parametrize("columns", [60, 80, 132])
def test_the_tables_keep_to_the_terminal(root, monkeypatch, columns):
    monkeypatch.setenv("COLUMNS", str(columns))
    done = invoke(root, "run", "classroom_chain", "--integrator", "fast", "--bands", "120")
    assert done.exit_code == 0, done.output
    assert max(map(len, done.output.splitlines())) <= columns
    said = " ".join(done.output.split())
    for words in ("largest spread", "in nine draws of ten", "What explains the largest spread", "Measure first"):
        assert words in said


def test_bands_may_stand_without_a_number(root):
    done = invoke(root, "run", "classroom_chain", "--integrator", "fast", "--json", "--bands")  # the file's name follows it
    assert json.loads(done.stdout)["draws"]["asked"] == 200


def test_nothing_uncertain_is_said_in_one_line(tmp_path):
    import tomli_w

    path = tmp_path / "exact.toml"
    path.write_text(tomli_w.dumps(exact({"A": {}, "B": {}}).data), encoding="utf-8")
    done = CliRunner().invoke(cli.app, ["run", str(path), "--integrator", "fast", "--bands"])
    assert done.exit_code == 0, done.output
    assert "Nothing in the file is uncertain" in done.output


@pytest.mark.skipif(os.name != "posix", reason="sends Ctrl-C as a signal")
def test_ctrl_c_leaves_the_run_and_the_bands_so_far(root, tmp_path):
    path = root / "scenarios" / "hilltop_clinic_days.toml"
    command = [
        sys.executable,
        "-m",
        "simbank",
        "run",
        str(path),
        "--integrator",
        "fast",
        "--json",
        "--bands",
        "2000",
        "--out",
        str(tmp_path),
    ]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        until = time.monotonic() + 240
        while not (tmp_path / "throughput.png").exists() and time.monotonic() < until:
            time.sleep(0.2)
        time.sleep(8)  # some draws
        process.send_signal(signal.SIGINT)
        stdout, stderr = process.communicate(timeout=120)
    finally:
        process.kill()
    assert process.returncode == 130, stderr
    told = json.loads(stdout)
    assert 0 < told["draws"]["done"] < 2000
    assert told["bands"]["spread_max_points"]["mid"] > 0
    assert "draws done; the bands are of these" in stderr


def test_draws_of_unequal_length():
    """A duty of uncertain hours: time runs to the file's own end; a draw that ended sooner stays as it ended."""
    scenario = simbank.with_changes(
        simbank.example("classroom_chain"),
        {"duty": {"kind": "constant", "discharge": "0.1 C", "hours": {"value": 2, "within": 0.5}}},
    )
    found = simbank.bands(scenario, 20, explain=False)
    assert found.soc.index[-1] == pytest.approx(2 * 3600.0)
    assert np.all(np.isfinite(found.soc.to_numpy()))
    with pytest.raises(simbank.InputError, match=r"sb\.load"):
        simbank.bands("nosuch.toml")
    with pytest.raises(simbank.InputError, match="kept in memory"):
        simbank.bands(scenario, 1_000_000_001)


def test_what_draws_warn_of_is_told_once_with_its_share():
    """Packs whose charge is known to 10 points begin unequal in some draws, at other packs each time."""
    packs = {name: {"soc": {"value": 0.2, "within": 0.1}} for name in "ABC"}
    found = simbank.bands(exact(packs), 30, explain=False)
    told = [warning for warning in found.warnings if warning.code == "unequal-charge"]
    assert len(told) == 1
    many = int(found.draws["warnings"].str.contains("unequal-charge").sum())
    assert 1 < many < 30
    assert told[0].text.startswith(f"In {many} of 30 draws, not by the file's own values. In draw ")
    assert len({warning.code for warning in found.warnings}) == len(found.warnings)

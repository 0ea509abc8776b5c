"""Timings of the fast integrator and of many runs, against references measured in the same run. Asserts accuracy, not time.

Run with: pytest -m bench -s tests/bench/test_bench_fast.py
"""

import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from banks import REFERENCE_END, REFERENCE_OCV, REFERENCE_SOC, Case, pack, reference_case, wired
from numba import njit
from spice import needs_ngspice, netlist, run_deck

import simbank
from simbank.cells import load_chemistry
from simbank.duty import Command, Duty, Step
from simbank.network import Network
from simbank.simulation import fast

pytestmark = pytest.mark.bench
ROOT = Path(__file__).parent.parent.parent


@njit
def bare_loop(days, step, soc_points, volt_points, capacity, r0, r1, r2, share, amperes, z):
    """A second-order loop of fixed steps over the reference circuit and nothing else: what there is room for."""
    n = z.size
    v1, v2, e, current, mean = np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n)
    f1, f2 = np.exp(-step / 30.0), np.exp(-step / 1200.0)
    for _ in range(days):
        for hours, sign in ((8, 1.0), (2, 0.0), (8, -1.0), (6, 0.0)):
            for _ in range(int(hours * 3600 / step)):
                for half in range(2):
                    for k in range(n):
                        at = z[k] - (current[k] * step / capacity[k] if half else 0.0)
                        i = min(max(np.searchsorted(soc_points, at) - 1, 0), soc_points.size - 2)
                        slope = (volt_points[i + 1] - volt_points[i]) / (soc_points[i + 1] - soc_points[i])
                        e[k] = volt_points[i] + slope * (at - soc_points[i])
                        if half:
                            e[k] -= v1[k] * f1 + r1[k] * current[k] * (1 - f1) + v2[k] * f2 + r2[k] * current[k] * (1 - f2)
                        else:
                            e[k] -= v1[k] + v2[k]
                    for k in range(n):
                        value = share[k, n] * sign * amperes
                        for m in range(n):
                            value += share[k, m] * e[m]
                        mean[k] = 0.5 * (current[k] + value) if half else value
                    for k in range(n):
                        current[k] = mean[k]
                for k in range(n):
                    z[k] -= current[k] * step / capacity[k]
                    v1[k] = v1[k] * f1 + r1[k] * current[k] * (1 - f1)
                    v2[k] = v2[k] * f2 + r2[k] * current[k] * (1 - f2)
    return z


class Timed:
    """A compiled entry that adds up the wall time of its calls."""

    def __init__(self, entry):
        self.entry, self.spent_s = entry, 0.0

    def __call__(self, *arguments):
        begin = time.perf_counter()
        found = self.entry(*arguments)
        self.spent_s += time.perf_counter() - begin
        return found

    def __getattr__(self, name):
        return getattr(self.entry, name)


def timed(case, tolerance, monkeypatch):
    """A function that makes one fast run and returns it with the time [s] that the compiled loop took, without tables."""
    simbank.simulate(case, integrator="fast", tolerance=tolerance, output_step_s=86400.0)  # loads or compiles what it needs
    advance = Timed(fast.advance)
    monkeypatch.setattr(fast, "advance", advance)

    def work():
        advance.spent_s = 0.0
        result = simbank.simulate(case, integrator="fast", tolerance=tolerance, output_step_s=86400.0)
        return result, advance.spent_s

    return work


def bare(case):
    """A function that runs the bare loop over the reference circuit; returns its wall time [s] and its error of state of charge."""
    packs = case.bank.packs
    rc = np.array([p.pack_rc_pairs for p in packs])
    ohmic = np.array([p.ohmic_ohm for p in packs])
    share = np.ascontiguousarray(Network(case.bank.graph, ohmic).reduce().hybrid[:5])
    capacity = np.array([3600.0 * p.capacity_ah for p in packs])
    args = (np.array(REFERENCE_SOC), 16 * np.array(REFERENCE_OCV), capacity, ohmic, rc[:, 0, 0], rc[:, 1, 0], share)

    def work():
        begin = time.perf_counter()
        end = bare_loop(7, 60.0, *args, 40.0, np.full(5, 0.9))
        return time.perf_counter() - begin, np.abs(end - REFERENCE_END).max()

    work()
    return work


@needs_ngspice
def test_seven_days_of_five_packs(speed, monkeypatch):
    """Turn by turn, since the machine's speed changes while it measures. State of charge against scipy's Radau by other hands."""
    case = reference_case()
    decks = {step: netlist(case, step) for step in (60, 600)}
    tolerances = (1e-4, 3e-5, 1e-5, 1e-6, 1e-7, 1e-8)
    loop_run, loop = bare(case), []
    spice, ours, ends = {step: [] for step in decks}, {tolerance: [] for tolerance in tolerances}, {}
    for _ in range(9):
        for step, deck in decks.items():
            begin = time.perf_counter()
            run_deck(deck)
            spice[step].append(time.perf_counter() - begin)
        for tolerance in tolerances:
            with monkeypatch.context() as patched:
                work = timed(case, tolerance, patched)
                work()  # one that does not count, after another program has had the caches
                for _ in range(3):
                    result, took = work()
                    ours[tolerance].append(took)
            ends[tolerance] = result.packs["soc"].iloc[-1].to_numpy()
        loop += [loop_run()[0] for _ in range(3)]
    spice = {step: float(np.median(found)) for step, found in spice.items()}
    loop, error = float(np.median(loop)), loop_run()[1]
    assert error < 2e-5
    for tolerance in tolerances:
        took, error = float(np.median(ours[tolerance])), np.abs(ends[tolerance] - REFERENCE_END).max()
        speed(
            f"7 days of five packs, circuit only, fast integrator without its tables, tolerance {tolerance:.0e}",
            f"{took * 1e3:.1f} ms, state of charge within {error:.1e}",
            f"ngspice takes {spice[600] / took:.1f} × as long at steps of 600 s ({spice[600] * 1e3:.0f} ms), {spice[60] / took:.1f} × "
            f"at 60 s; a bare loop of 60 s steps {loop / took:.2f} × ({loop * 1e3:.2f} ms)",
        )
        assert error < 2e-5


def test_full_physics_against_the_bare_loop(speed, monkeypatch):
    """The clinic's five packs with hysteresis, R(SOC), heat, BMS and charger limits watched, over the same seven days. State of
    charge against the reference integrator."""
    loop_run = bare(reference_case())
    changes = {"duty.repeat": 7}
    for kind in simbank.load(ROOT / "scenarios" / "hilltop_clinic.toml").data["pack_types"]:
        changes |= {f"pack_types.{kind}.mass": "46 kg", f"pack_types.{kind}.heat_loss": "2 W/K"}
        changes |= {f"pack_types.{kind}.bms.over_voltage": {"limit": "3.65 V", "delay": "1 s", "release": "3.45 V"}}
        changes |= {f"pack_types.{kind}.bms.under_voltage": {"limit": "2.6 V", "delay": "2 s", "release": "3.0 V"}}
        changes |= {f"pack_types.{kind}.bms.charge_temperature": {"lowest": "0 degC", "highest": "50 degC"}}
    full = simbank.load(ROOT / "scenarios" / "hilltop_clinic.toml", changes)
    exact = simbank.simulate(full, tolerance=1e-9).packs["soc"].iloc[-1].to_numpy()
    for tolerance in (1e-4, 1e-5, 1e-6):
        loop, ours = [], []
        with monkeypatch.context() as patched:
            work = timed(full, tolerance, patched)
            for _ in range(15):
                result, took = work()
                ours.append(took)
                loop.append(loop_run()[0])
        ours, loop = float(np.median(ours)), float(np.median(loop))
        error = np.abs(result.packs["soc"].iloc[-1].to_numpy() - exact).max()
        speed(
            f"7 days of five packs, hysteresis, R(SOC), heat, BMS, fast integrator, tolerance {tolerance:.0e}",
            f"{ours * 1e3:.1f} ms, state of charge within {error:.0e}, {len(result.events)} events",
            f"{ours / loop:.1f} × the bare loop over the reference circuit ({loop * 1e3:.2f} ms)",
        )
        assert error < 1e-4


YEARS = """
import json, sys, time
from speed_table import own_peak_mb
import simbank
from simbank import days as days_of_sun
from simbank.simulation.setup import duty_windows

path, days = sys.argv[1], int(sys.argv[2])
simbank.simulate(simbank.load(path, {"duty.days": 2}), integrator="fast")
case = simbank.load(path, {"duty.days": days})
begin = time.perf_counter()
rows = sum(len(window[0]) for window in duty_windows(case.duty, list(case.bank.graph.ports)))
sun = time.perf_counter() - begin
days_of_sun._plane_irradiance.cache_clear()  # what a run takes has its sun in it
begin = time.perf_counter()
result = simbank.simulate(case, integrator="fast", tolerance=float(sys.argv[3]), output_step_s=3600.0 * days / 365)
took = time.perf_counter() - begin
print(json.dumps({
    "took": took, "sun": sun, "rows": rows, "peak_mb": own_peak_mb(),
    "events": len(result.events), "closure": result.summary["closure"], "soc": list(result.packs["soc"].iloc[-1]),
}))
"""


def test_a_year_and_ten(speed):
    """Each in a process of its own, so that its peak memory is its own. Energy closes; a finer tolerance ends in the same state."""
    loop_run, ends = bare(reference_case()), {}
    for days, tolerance in ((30, 1e-5), (365, 1e-5), (365, 1e-7), (3650, 1e-5)):
        path = ROOT / "scenarios" / "hilltop_clinic_days.toml"
        words = [sys.executable, "-W", "ignore", "-c", YEARS, path, str(days), str(tolerance)]
        done = subprocess.run(words, capture_output=True, text=True, check=True, cwd=Path(__file__).parent)
        done = json.loads(done.stdout)
        loop = float(np.median([loop_run()[0] for _ in range(9)])) * days / 7
        closure = done["closure"]
        speed(
            f"{days} days at one minute, five packs, full physics, tolerance {tolerance:.0e}",
            f"{done['took']:.1f} s, of which {done['sun']:.1f} s sun and load; {done['peak_mb']:.0f} MB; {done['events']} events; energy "
            f"closes to {closure['energy_relative']:.0e}",
            f"{done['took'] / loop:.1f} × the bare loop over as many days ({loop * 1e3:.0f} ms)",
        )
        assert done["rows"] >= days * 24
        assert closure["energy_relative"] < 1e-5
        assert closure["charge_relative"] < 1e-4
        ends[days, tolerance] = done["soc"]
    assert ends[365, 1e-5] == pytest.approx(ends[365, 1e-7], abs=1e-3)


def test_many_runs(speed):
    """Monte Carlo of a week on five packs: runs a second on one process and on two. Both make the same table."""
    case = simbank.load(ROOT / "scenarios" / "hilltop_clinic.toml", {"duty.repeat": 7})
    vary = {"packs.*.soc": "uniform 0.7 0.9", "packs.*.resistance_growth": "lognormal 1.2 1.2"}
    count = int(os.environ.get("SIMBANK_BENCH_RUNS", "400"))
    for tolerance in (1e-4, 1e-5):
        simbank.sweep(case, vary=vary, runs=16, jobs=2, tolerance=tolerance)
        took, tables = {}, {}
        for jobs in (1, 2):
            begin = time.perf_counter()
            tables[jobs] = simbank.sweep(case, vary=vary, runs=count, seed=1, jobs=jobs, tolerance=tolerance)
            took[jobs] = time.perf_counter() - begin
            assert tables[jobs]["failure"].isna().all()
        pd.testing.assert_frame_equal(tables[1], tables[2])
        speed(
            f"many runs of a week on five packs, tolerance {tolerance:.0e}",
            f"{took[2] / count * 1e3:.1f} ms each on two processes: 10 000 in {took[2] / count * 1e4:.0f} s, from {count}",
            f"{took[1] / took[2]:.2f} × as fast as one process ({took[1] / count * 1e3:.1f} ms each)",
        )


@pytest.mark.parametrize("name", ["classroom_chain", "hilltop_clinic_days"])
def test_bands(speed, name):
    """200 draws beside as many runs by the file's own values, in processor time, turn by turn. The same seed makes the same table."""
    case, draws, tolerance = simbank.load(ROOT / "scenarios" / f"{name}.toml"), 200, 1e-5
    took, tables = {"runs": [], "bands": [], "explained": []}, []
    for _ in range(3):
        for what, spent in took.items():
            begin = time.process_time()
            if what == "runs":
                for _ in range(draws):
                    simbank.simulate(case, integrator="fast", tolerance=tolerance)
            else:
                tables.append(simbank.bands(case, draws=draws, tolerance=tolerance, jobs=1, explain=what == "explained").table)
            spent.append(time.process_time() - begin)
    for table in tables[1:]:
        pd.testing.assert_frame_equal(tables[0], table)
    runs, plain, whole = (min(spent) for spent in took.values())
    for what, spent in (("", plain), (", what explains them and what to measure first", whole)):
        speed(
            f"bands of {name}, 200 draws, one process{what}, tolerance 1e-05", f"{spent:.1f} s of processor time",
            f"{spent / runs:.2f} × 200 runs by the file's own values ({runs:.1f} s)",
        )  # fmt: skip


def test_growth_with_packs(speed, monkeypatch):
    """Charge is counted by hand: 12 A a pack for 3 h."""
    chemistry, took = load_chemistry("lfp"), {}
    for n in (4, 8, 16, 32, 64, 128, 256):
        packs = [
            pack(f"P{k}", chemistry, 100, (18 + k % 5) * 1e-3, 0.8, ((8e-3, 30.0), (10e-3, 900.0)), cells=16) for k in range(n)
        ]
        duty = Duty((Step(3 * 3600.0, {"port": Command("current", 12.0 * n)}), Step(3600.0)))
        with monkeypatch.context() as patched:
            work = timed(Case(wired(packs, "busbar", lead=1e-3), duty), 1e-6, patched)
            work()
            result, took[n] = work()
        assert 100 * (0.8 - result.packs["soc"].iloc[-1].to_numpy()).sum() == pytest.approx(36.0 * n, rel=1e-6)
    speed(
        "4 hours, 4 to 256 packs, fast integrator, tolerance 1e-06",
        f"{took[4] * 1e3:.1f} ms to {took[256] * 1e3:.0f} ms",
        ", ".join(f"{n} packs {took[n] / took[4]:.0f} ×" for n in list(took)[1:]) + " four packs; cubic would be 262144 ×",
    )


def seconds_of(*words, **options):
    """Wall time [s] of a process that must succeed, and what it printed."""
    begin = time.perf_counter()
    done = subprocess.run([sys.executable, *words], check=True, capture_output=True, text=True, **options)
    return time.perf_counter() - begin, done.stdout


def test_first_call_and_whole_process(speed):
    """Cold cache, warm cache, help: each a process of its own, beside one that only loads the libraries. Cold and warm tell the
    same."""
    code = "import simbank as sb; print(sb.simulate(sb.load(r'{}'), integrator='{}').packs['soc'].iloc[-1].tolist())"
    path = ROOT / "scenarios" / "valley_workshop.toml"
    libraries = float(np.median([seconds_of("-c", "import numba, pandas, pydantic, scipy.integrate")[0] for _ in range(3)]))
    against = f"× loading numba, pandas, pydantic and scipy.integrate ({libraries:.1f} s)"
    bare = float(np.median([seconds_of("-c", "import numpy")[0] for _ in range(3)]))
    speed("the bare interpreter with numpy", f"{bare:.2f} s", f"{bare / libraries:.2f} {against}")
    for integrator in ("reference", "fast"):
        with tempfile.TemporaryDirectory() as folder:
            here = {**os.environ, "NUMBA_CACHE_DIR": folder}
            (cold, first), (warm, second) = (seconds_of("-c", code.format(path, integrator), env=here) for _ in range(2))
        assert first == second
        speed(
            f"whole process of a small run, {integrator}, from a cold cache", f"{cold:.1f} s", f"{cold / libraries:.1f} {against}"
        )
        speed(
            f"whole process of a small run, {integrator}, from a warm cache", f"{warm:.1f} s", f"{warm / libraries:.1f} {against}"
        )
    took, shown = seconds_of("-c", "from simbank.cli import main; main()", "--help")
    assert "protect" in shown
    speed("simbank --help", f"{took:.2f} s", f"{took / libraries:.2f} {against}")

"""Timings of the fast integrator and of many runs, against references measured in the same run. Asserts accuracy, not time.

Run with: pytest -m bench -s tests/bench/test_bench_fast.py
"""

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pytest
from banks import REFERENCE_END, REFERENCE_OCV, REFERENCE_SOC, Case, pack, reference_case, wired
from numba import njit
from spice import needs_ngspice, netlist, run_deck

import simbank
from simbank.cells import load_chemistry
from simbank.duty import Command, Duty, Step
from simbank.simulation import run as runs
from simbank.simulation.bank_state import BankState

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


def prepared(case, tolerance):
    """A function that makes one fast run without its tables, and the run it made last."""
    last = []

    def work():
        run = runs._Run(case, True, tolerance, [], "LSODA", 86400.0, 1800.0, None, None)
        run.state.rewire()
        with runs._linear_algebra().limit(limits=1):
            begin = time.perf_counter()
            run._go_fast()
            last[:] = [run, time.perf_counter() - begin]

    return work, last


def bare(case):
    """A function that runs the bare loop over the reference circuit; returns its wall time [s] and its error of state of charge."""
    state = BankState(case.bank)
    state.rewire()
    rc = np.array([p.pack_rc_pairs for p in case.bank.packs])
    args = (
        np.array(REFERENCE_SOC),
        16 * np.array(REFERENCE_OCV),
        state.packs.cells[0],
        state.packs.cells[2],
        rc[:, 0, 0],
        rc[:, 1, 0],
    )
    share = np.ascontiguousarray(state.reduced.hybrid[:5])

    def work():
        begin = time.perf_counter()
        end = bare_loop(7, 60.0, *args, share, 40.0, np.full(5, 0.9))
        return time.perf_counter() - begin, np.abs(end - REFERENCE_END).max()

    work()
    return work


@needs_ngspice
def test_seven_days_of_five_packs():
    """Turn by turn, since the machine's speed changes while it measures."""
    case = reference_case()
    decks = {step: netlist(case, step) for step in (60, 600)}
    tolerances = (1e-4, 3e-5, 1e-5, 1e-6, 1e-7, 3e-8, 1e-8)
    runs_of = {tolerance: prepared(case, tolerance) for tolerance in tolerances}
    loop_run, loop = bare(case), []
    spice, ours = {step: [] for step in decks}, {tolerance: [] for tolerance in tolerances}
    for _ in range(9):
        for step, deck in decks.items():
            begin = time.perf_counter()
            run_deck(deck)
            spice[step].append(time.perf_counter() - begin)
        for tolerance, (work, last) in runs_of.items():
            work()  # one that does not count, after another program has had the caches
            for _ in range(3):
                work()
                ours[tolerance].append(last[1])
        loop += [loop_run()[0] for _ in range(3)]
    spice = {step: float(np.median(found)) for step, found in spice.items()}
    loop, error = float(np.median(loop)), loop_run()[1]
    print(f"\n7 days, 5 packs: ngspice {spice[60] * 1e3:.0f} ms at 60 s, {spice[600] * 1e3:.0f} ms at 600 s (whole process)")
    print(f"  bare loop, 60 s: {loop * 1e3:.2f} ms, SOC within {error:.0e}")
    for tolerance in tolerances:
        took, run = float(np.median(ours[tolerance])), runs_of[tolerance][1][0]
        error = np.abs(run.state.y[:5] - REFERENCE_END).max()
        print(
            f"  fast, tolerance {tolerance:.0e}: {took * 1e3:.1f} ms, SOC within {error:.1e}: ngspice at 600 s takes "
            f"{spice[600] / took:.1f} ×, bare loop {loop / took:.2f} ×"
        )
        assert error < 2e-5


def test_full_physics_against_the_bare_loop():
    """The clinic's five packs with hysteresis, R(SOC), heat, BMS and charger limits watched, over the same seven days."""
    loop_run = bare(reference_case())
    changes = {"duty.repeat": 7}
    for kind in simbank.load(ROOT / "scenarios" / "hilltop_clinic.toml").data["pack_types"]:
        changes |= {f"pack_types.{kind}.mass": "46 kg", f"pack_types.{kind}.heat_loss": "2 W/K"}
        changes |= {f"pack_types.{kind}.bms.over_voltage": {"limit": "3.65 V", "delay": "1 s", "release": "3.45 V"}}
        changes |= {f"pack_types.{kind}.bms.under_voltage": {"limit": "2.6 V", "delay": "2 s", "release": "3.0 V"}}
        changes |= {f"pack_types.{kind}.bms.charge_temperature": {"lowest": "0 degC", "highest": "50 degC"}}
    full = simbank.load(ROOT / "scenarios" / "hilltop_clinic.toml", changes)
    exact = simbank.simulate(full, tolerance=1e-9)
    print()
    for tolerance in (1e-4, 1e-5, 1e-6):
        work, last = prepared(full, tolerance)
        loop, ours = [], []
        for _ in range(15):
            work()
            ours.append(last[1])
            loop.append(loop_run()[0])
        ours, loop, run = float(np.median(ours)), float(np.median(loop)), last[0]
        error = max(abs(run.state.y[k] - p["soc_end"]) for k, p in enumerate(exact.summary["packs"]))
        print(
            f"  7 days, hysteresis, R(SOC), heat, BMS, tolerance {tolerance:.0e}: {ours * 1e3:.1f} ms, {ours / loop:.1f} × the bare "
            f"loop ({loop * 1e3:.2f} ms); SOC within {error:.0e}, {len(run.events)} events"
        )
        assert error < 1e-4


YEARS = """
import resource, sys, time
import simbank
from simbank.simulation.setup import duty_windows

path, days = sys.argv[1], int(sys.argv[2])
simbank.simulate(simbank.load(path, {"duty.days": 2}), integrator="fast")
case = simbank.load(path, {"duty.days": days})
begin = time.perf_counter()
rows = sum(len(window[0]) for window in duty_windows(case.duty, list(case.bank.graph.ports)))
sun = time.perf_counter() - begin
begin = time.perf_counter()
result = simbank.simulate(case, integrator="fast", tolerance=float(sys.argv[3]), output_step_s=3600.0 * days / 365)
took = time.perf_counter() - begin
peak, closure = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3, result.summary["closure"]
print(
    f"  {days} days at one minute ({rows} rows), tolerance {sys.argv[3]}: {took:.1f} s, of which {sun:.1f} s sun and load; peak memory "
    f"{peak:.0f} MB; {len(result.events)} events; charge closes to {closure['charge_relative']:.0e}, energy to "
    f"{closure['energy_relative']:.0e}"
)
assert closure["energy_relative"] < 1e-5
"""


def test_a_year_and_ten():
    """Each in a process of its own, so that its peak memory is its own."""
    print()
    for days, tolerance in ((30, 1e-5), (365, 1e-5), (365, 1e-7), (3650, 1e-5)):
        words = [
            sys.executable,
            "-W",
            "ignore",
            "-c",
            YEARS,
            ROOT / "scenarios" / "hilltop_clinic_days.toml",
            str(days),
            str(tolerance),
        ]
        done = subprocess.run(words, capture_output=True, text=True, check=True)
        print(done.stdout, end="")


def test_many_runs():
    """Monte Carlo of a week on five packs: runs a second on one process and on two."""
    case = simbank.load(ROOT / "scenarios" / "hilltop_clinic.toml", {"duty.repeat": 7})
    vary = {"packs.*.soc": "uniform 0.7 0.9", "packs.*.resistance_growth": "lognormal 1.2 1.2"}
    count = int(os.environ.get("SIMBANK_BENCH_RUNS", "400"))
    print()
    for tolerance in (1e-4, 1e-5):
        simbank.sweep(case, vary=vary, runs=16, jobs=2, tolerance=tolerance)
        took = {}
        for jobs in (1, 2):
            begin = time.perf_counter()
            table = simbank.sweep(case, vary=vary, runs=count, seed=1, jobs=jobs, tolerance=tolerance)
            took[jobs] = time.perf_counter() - begin
            assert table["failure"].isna().all()
        print(
            f"  {count} runs of a week, tolerance {tolerance:.0e}: {took[1] / count * 1e3:.1f} ms each on one process, "
            f"{took[2] / count * 1e3:.1f} ms on two (efficiency {took[1] / took[2] / 2:.0%}); 10 000 runs: {took[2] / count * 1e4:.0f} s"
        )


def test_growth_with_packs():
    print()
    chemistry, first = load_chemistry("lfp"), None
    for n in (4, 8, 16, 32, 64, 128, 256):
        packs = [
            pack(f"P{k}", chemistry, 100, (18 + k % 5) * 1e-3, 0.8, ((8e-3, 30.0), (10e-3, 900.0)), cells=16) for k in range(n)
        ]
        duty = Duty((Step(3 * 3600.0, {"port": Command("current", 12.0 * n)}), Step(3600.0)))
        work, last = prepared(Case(wired(packs, "busbar", lead=1e-3), duty), 1e-6)
        work()
        first = first or last[1]
        print(
            f"  {n:3d} packs: {last[1] * 1e3:8.1f} ms, {last[1] / first:7.1f} × four packs; cubic would be {(n / 4) ** 3:.0f} ×"
        )


def test_first_call_and_whole_process():
    """Cold cache, warm cache, help: each a process of its own."""
    code = "import simbank as sb; sb.simulate(sb.load(r'{}'), integrator='{}')"
    path = ROOT / "scenarios" / "valley_workshop.toml"
    print()
    for integrator in ("reference", "fast"):
        with tempfile.TemporaryDirectory() as folder:
            words = [sys.executable, "-c", code.format(path, integrator)]
            here = {**os.environ, "NUMBA_CACHE_DIR": folder}
            times = []
            for _ in range(2):
                begin = time.perf_counter()
                subprocess.run(words, check=True, env=here)
                times.append(time.perf_counter() - begin)
        print(f"  {integrator}: {times[0]:.1f} s from a cold cache, {times[1]:.1f} s from a warm one (whole process)")
    begin = time.perf_counter()
    subprocess.run([sys.executable, "-c", "from simbank.cli import main; main()", "--help"], check=True, capture_output=True)
    print(f"  simbank --help: {time.perf_counter() - begin:.2f} s")

"""Timings against a reference measured in the same run. Prints ratios; asserts accuracy, never wall time.

Run with: pytest -m bench -s tests/bench
"""

import statistics
import time

import numpy as np
import pytest
from banks import REFERENCE_END, Case, constant, pack, reference_case, table_chemistry, wired
from spice import needs_ngspice, netlist, run_deck

import simbank
from simbank.cells import load_chemistry
from simbank.duty import Duty

pytestmark = pytest.mark.bench


def wall(work, repeats=5):
    """Median wall time [s] of some runs after one that is not counted."""
    work()
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


@needs_ngspice
def test_seven_days_of_five_packs_against_ngspice():
    case = reference_case()
    tight = [p["soc_end"] for p in simbank.simulate(case, tolerance=1e-10).summary["packs"]]
    decks = {step: netlist(case, step) for step in (60, 600)}
    spice = {step: wall(lambda deck=deck: run_deck(deck)) for step, deck in decks.items()}
    print(f"\n7 days, 5 packs: ngspice {spice[60] * 1e3:.0f} ms at 60 s, {spice[600] * 1e3:.0f} ms at 600 s")
    for tolerance in (1e-6, 1e-7, 3e-10):
        ours = wall(lambda tolerance=tolerance: simbank.simulate(case, tolerance=tolerance))
        result = simbank.simulate(case, tolerance=tolerance)
        soc = [p["soc_end"] for p in result.summary["packs"]]
        error = np.abs(np.array(soc) - tight).max()
        ratio = ours / spice[60]
        print(f"  LSODA, tolerance {tolerance:.0e}: {ours * 1e3:.0f} ms, {ratio:.1f} × ngspice at 60 s, SOC within {error:.0e}")
        assert error < 1e-6
        assert soc == pytest.approx(REFERENCE_END, abs=1e-6)


def test_growth_with_packs():
    print()
    for kind, chemistry in (("table OCV", table_chemistry([0, 0.5, 1], [3.0, 3.3, 3.4])), ("shipped LFP", load_chemistry("lfp"))):
        first = None
        for n in (5, 10, 20, 40, 64):
            packs = [
                pack(f"P{k}", chemistry, 100, (18 + k % 5) * 1e-3, 0.8, ((8e-3, 30.0), (10e-3, 900.0)), cells=16)
                for k in range(n)
            ]
            duty = Duty((constant(3, 12.0 * n), constant(1, 0), constant(3, -12.0 * n, volt_limit=99.0), constant(5, 0)))
            case = Case(wired(packs, "busbar", lead=1e-3), duty)
            seconds = wall(lambda case=case: simbank.simulate(case, tolerance=1e-7), repeats=1)
            first = first or seconds
            print(f"  {kind}: {n:3d} packs {seconds:7.2f} s, {seconds / first:6.1f} × five packs")

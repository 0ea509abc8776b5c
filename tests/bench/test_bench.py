"""Timings of the reference integrator against ngspice and against itself in the same run. Asserts accuracy, never wall time."""

import numpy as np
import pytest
from banks import REFERENCE_END, Case, constant, pack, reference_case, table_chemistry, wired
from speed_table import wall
from spice import needs_ngspice, netlist, run_deck

import simbank
from simbank.cells import load_chemistry
from simbank.duty import Duty

pytestmark = pytest.mark.bench


@needs_ngspice
def test_seven_days_of_five_packs_against_ngspice(speed):
    case = reference_case()
    tight = [p["soc_end"] for p in simbank.simulate(case, tolerance=1e-10).summary["packs"]]
    decks = {step: netlist(case, step) for step in (60, 600)}
    spice = {step: wall(lambda deck=deck: run_deck(deck)) for step, deck in decks.items()}
    for tolerance in (1e-6, 1e-7, 3e-10):
        ours = wall(lambda tolerance=tolerance: simbank.simulate(case, tolerance=tolerance))
        soc = [p["soc_end"] for p in simbank.simulate(case, tolerance=tolerance).summary["packs"]]
        error = np.abs(np.array(soc) - tight).max()
        speed(
            f"7 days of five packs, circuit only, reference integrator, tolerance {tolerance:.0e}",
            f"{ours * 1e3:.0f} ms, state of charge within {error:.0e}",
            f"{ours / spice[60]:.2g} × ngspice at steps of 60 s ({spice[60] * 1e3:.0f} ms), {ours / spice[600]:.2g} × at 600 s",
        )
        assert error < 1e-6
        assert soc == pytest.approx(REFERENCE_END, abs=1e-6)


@pytest.mark.parametrize("kind", ["straight open-circuit voltage", "shipped LFP"])
def test_growth_with_packs(speed, kind):
    """Charge is counted by hand: 12 A a pack for 3 h out, as much back in."""
    chemistry = load_chemistry("lfp") if kind == "shipped LFP" else table_chemistry([0, 0.5, 1], [3.0, 3.3, 3.4])
    took = {}
    for n in (5, 10, 20, 40, 64):
        packs = [
            pack(f"P{k}", chemistry, 100, (18 + k % 5) * 1e-3, 0.8, ((8e-3, 30.0), (10e-3, 900.0)), cells=16) for k in range(n)
        ]
        duty = Duty((constant(3, 12.0 * n), constant(1, 0), constant(3, -12.0 * n, volt_limit=99.0), constant(5, 0)))
        case = Case(wired(packs, "busbar", lead=1e-3), duty)
        took[n] = wall(lambda case=case: simbank.simulate(case, tolerance=1e-7), repeats=1)
        bank = simbank.simulate(case, tolerance=1e-7).summary["bank"]
        assert bank["charge_out_ah"] == pytest.approx(36.0 * n, rel=1e-6)
        assert bank["charge_in_ah"] == pytest.approx(36.0 * n, rel=1e-6)
    speed(
        f"12 hours, 5 to 64 packs, {kind}, reference integrator",
        f"{took[5]:.2f} s to {took[64]:.2f} s",
        ", ".join(f"{n} packs {took[n] / took[5]:.1f} ×" for n in list(took)[1:]) + " five packs; cubic would be 2100 ×",
    )

"""The full bank discharged at a constant current until its port is cut off: what is told as usable energy of a year."""

from __future__ import annotations

from dataclasses import replace

from simbank.bank import Bank
from simbank.duty import Command, Duty, Step
from simbank.simulation import simulate
from simbank.studies.case import Case

__all__ = ["USABLE_C", "usable_wh"]

USABLE_C = 0.2  # rate at which usable energy is told


def usable_wh(bank: Bank) -> float:
    """Energy that the full bank gives at ``USABLE_C`` of its capacity as new until its first port is cut off [Wh]."""
    cutoff = max(pack.chemistry.cutoff_volt * pack.cells_in_series for pack in bank.packs)
    port = next(iter(bank.graph.ports))
    full = tuple(replace(pack, soc=1.0, hysteresis=1.0) for pack in bank.packs)
    current = USABLE_C * sum(pack.rated_capacity_ah for pack in bank.packs)
    duty = Duty((Step(1.5 / USABLE_C * 3600.0, {port: Command("current", current, cutoff_volt=cutoff)}),))
    case = Case("full to cut-off", replace(bank, packs=full, port_equipment={}, switching=()), duty)
    return float(simulate(case, integrator="fast", output_step_s=3600.0).summary["bank"]["energy_out_wh"])

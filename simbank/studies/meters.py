"""What meters would show of one bank, without their errors: milliohms, volts and amperes that a person can read."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from simbank.bank import Bank
from simbank.duty import Command, Duty, Step
from simbank.errors import SimulationError
from simbank.simulation import arrays as ar
from simbank.simulation import simulate
from simbank.simulation.operating_point import BankAtStart
from simbank.studies.case import Case

__all__ = ["AFTER_S", "TURN_SOC", "Shown", "current_read_at", "shown_by"]

MIDDLE_SOC = 0.5  # at which both branches of the hysteresis are read
TURN_SOC = 0.025  # discharged after a charge to see how fast hysteresis follows: near 1/γ of LFP, where it tells most
C_RATE = 0.2  # of the bank, at which currents are read; common practice, no source
AFTER_S = 3600.0  # after a change, when currents drift no more


@dataclass(frozen=True, eq=False)
class Shown:
    """What meters would show of one bank of n packs.

    Attributes
    ----------
    branch_ohm : dict of str to float
        Resistance of each branch with its joints [ohm].
    ambient_k : float
        [K]
    packs : dict of str to ndarray, shape (n,)
        ``pack_a``: step of its current as the bank's comes on [A]; ``ohmic_ohm``: step of its voltage over that [ohm]; ``rest_v``: as it
        stands at the start, without current [V]; ``after_charge_v``, ``after_discharge_v``, ``after_turn_v``: the same half full, after a
        charge, a discharge, and a short discharge after a charge [V]; ``relaxation_ohm``: of both pairs together [ohm];
        ``capacity_ah``, ``as_new_ah``: present capacity, and that as new [Ah].
    later_a : ndarray, shape (n,), or None
        Pack currents ``AFTER_S`` after the bank's came on [A]; None where they were not asked for, or the bank cannot be run that far.
    """

    branch_ohm: Mapping[str, float]
    ambient_k: float
    packs: Mapping[str, np.ndarray]
    later_a: np.ndarray | None


def current_read_at(bank: Bank) -> dict[str, float]:
    """0.2 C at the first port [A], out where packs are half full or more, else in: the current at which packs are read."""
    sign = 1.0 if np.mean([pack.soc for pack in bank.packs]) >= 0.5 else -1.0
    return {next(iter(bank.graph.ports)): sign * float(f"{C_RATE * bank.capacity_ah:.2g}")}


def shown_by(bank: Bank, port_a: Mapping[str, float], currents: bool = True) -> Shown:
    """What meters would show of a bank.

    Parameters
    ----------
    bank : Bank
        As it stands at the start.
    port_a : mapping of str to float
        Port → current [A] at which packs are read, positive out of the bank.
    currents : bool
        Whether currents an hour after a change are simulated, which takes about 2 ms.
    """
    return Shown(
        {branch.name: branch.resistance_ohm for branch in bank.graph.branches}, bank.ambient_k, _of_packs(bank, port_a),
        _later(bank, port_a) if currents else None,
    )  # fmt: skip


def _of_packs(bank, port_a):
    """What pack by pack would be read."""
    n, out = len(bank.packs), {}
    start = BankAtStart(bank)
    loaded = start.solve_operating_point({port: ("current", float(a)) for port, a in port_a.items()})
    still = start.solve_operating_point({})
    out["pack_a"] = loaded.pack_a - still.pack_a
    with np.errstate(divide="ignore", invalid="ignore"):
        out["ohmic_ohm"] = (still.terminal_v - loaded.terminal_v) / out["pack_a"]
    out["rest_v"] = loaded.open_v
    turned = [-1.0 + 2.0 * math.exp(-pack.chemistry.decay_per_soc * TURN_SOC) for pack in bank.packs]
    for name, hysteresis in (("after_charge_v", 1.0), ("after_discharge_v", -1.0), ("after_turn_v", turned)):
        start.y[ar.SOC * n : ar.SOC * n + n] = MIDDLE_SOC
        start.y[ar.HYSTERESIS * n : ar.HYSTERESIS * n + n] = hysteresis
        out[name] = start.solve_operating_point({}).open_v
    out["relaxation_ohm"] = np.array([_relaxation_ohm(pack, bank.ambient_k) for pack in bank.packs])
    out["capacity_ah"] = np.array([pack.capacity_ah for pack in bank.packs])
    out["as_new_ah"] = np.array([pack.capacity_ah / pack.capacity_left for pack in bank.packs])
    return out


def _relaxation_ohm(pack, ambient_k):
    """Resistance of both pairs together [ohm], as the head of :mod:`simbank.simulation.pack_model` has it."""
    chemistry, temperature = pack.chemistry, pack.temperature_k or ambient_k
    factor = math.exp(chemistry.arrhenius_rc_k * (1.0 / temperature - 1.0 / chemistry.reference_k))
    return sum(resistance for resistance, _ in pack.pack_rc_pairs) * float(chemistry.rc_factor(pack.soc)) * factor


def _later(bank, port_a):
    """Currents of all packs an hour after a change [A], by a run; None where the bank cannot be run that far."""
    duty = Duty((Step(AFTER_S, {port: Command("current", float(a)) for port, a in port_a.items()}),))
    case = Case(bank.name, replace(bank, port_equipment={}, switching=()), duty)
    try:
        return simulate(case, integrator="fast", tolerance=1e-5, output_step_s=AFTER_S).pack_samples.current_a[-1]
    except SimulationError:
        return None

"""How well a bank is known that nothing is wrong with: scatter of packs and joints, what packs have in common, what meters have in common."""

from __future__ import annotations

import math

import numpy as np

from simbank.bank import Bank

__all__ = ["SCALES", "UNKNOWN_TIME_S", "Knowledge", "shifted"]

RESISTANCE_SHARE = (
    0.1  # scatter of packs' resistance about that of their type; common practice, no source: grading leaves 5 to 15 %
)
JOINT_TIMES = 1.5  # scatter of good joints, as a factor; common practice, no source
CABLE_SHARE = 0.05  # of a conductor's own resistance: its length and temperature; chosen here
CHARGE_POINTS = (
    0.5  # of packs that have rested in parallel about the charge of the file, as far as it makes a voltage; chosen here
)
LEVEL_CELL_V, LEVEL_SOC = 0.015, 0.1  # of all packs together: rest voltage by the chemistry's range, charge; chosen here
# A file's resistances are measured or are those of a data sheet, and it does not say: times RESISTANCE_SHARE, each as likely.
SCALES = (0.15, 1.0)
UNKNOWN_TIME_S = (
    20.0,
    120.0,
    600.0,
)  # where the time since the change is not told: the middle one, the others a deviation from it; chosen here


class Knowledge:
    """Standard deviations of what is not known of a sound bank.

    Parameters
    ----------
    bank : Bank
    voltmeter_share : float
        Of the voltmeter, the same for all of its readings.

    Attributes
    ----------
    soc : ndarray, shape (n,)
        Of each pack's state of charge.
    level_v, level_soc : float
        Of all packs' rest voltage [V] and of all displays together.
    """

    def __init__(self, bank: Bank, voltmeter_share: float):
        self.voltmeter_share = voltmeter_share
        self.soc = np.full(len(bank.packs), CHARGE_POINTS / 100.0)
        self.level_v = LEVEL_CELL_V * max(pack.cells_in_series for pack in bank.packs)
        self.level_soc = LEVEL_SOC
        self.resistance_share = np.full(len(bank.packs), RESISTANCE_SHARE)
        joints = [0.0 if b.conductor is None else b.conductor.joints * b.conductor.joint_ohm for b in bank.graph.branches]
        self.joint_ohm = np.array(joints) * math.log(JOINT_TIMES)
        self.shifts = {}

    def ohm(self, ohm: np.ndarray, scale: float) -> np.ndarray:
        """Of each element [ohm], for elements of resistance ``ohm``; ``scale`` times the usual scatter of packs."""
        n = len(self.resistance_share)
        return np.concatenate([ohm[:n] * self.resistance_share * scale, np.hypot(self.joint_ohm, CABLE_SHARE * ohm[n:])])

    def shared(self, at, what: str, k: int) -> list[float]:
        """What one standard deviation of each value that packs have in common does to a reading."""
        return [shift.get((id(at), what, k), 0.0) for shift in self.shifts.values()]

    def share_time(self, held, instants) -> None:
        """Where the time since the change is not told: what a deviation of it does to each reading, as of a value shared by all."""
        shift = {}
        for at, time_s, read in instants:
            if time_s is not None:
                continue
            early, late = (held.response(at.port_a, seconds) for seconds in (UNKNOWN_TIME_S[0], UNKNOWN_TIME_S[2]))
            shift |= shifted(at, read, held, early, late)
        if shift:
            self.shifts["time since the change"] = shift


def shifted(at, read, held, early, late) -> dict:
    """Half of what lies between two states of a bank, for each reading of an instant: (id of the instant, kind, element) → shift."""
    n = held.n
    place = {pack.name: k for k, pack in enumerate(held.bank.packs)} | {
        branch.name: n + k for k, branch in enumerate(held.bank.graph.branches)
    }
    out = {}
    for reading in read:
        k = place.get(reading.name, 0)
        values = []
        for state in (early, late):
            current = state.current_a[k]
            if reading.kind == "current":
                values.append(current)
            elif reading.kind == "drop":
                values.append(abs(current) * state.ohm[k])
            elif reading.kind == "voltage":
                values.append(state.emf_v[k] - state.ohm[k] * current)
            else:
                values.append(0.0)
        out[(id(at), reading.kind, k)] = 0.5 * (values[1] - values[0])
    return out

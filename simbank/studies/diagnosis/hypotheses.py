"""What may be wrong with a bank: each place and kind of fault, how large it may be, and how likely it is before anything was read."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from simbank.bank import Bank

__all__ = [
    "CHARGE_HIGH", "CHARGE_LOW", "JOINT", "KINDS", "NO_FAULT", "OFF", "PRIOR", "RESISTANCE", "Fault", "Faults", "pairs_of",
    "single_faults", "size_of",
]  # fmt: skip

NO_FAULT, JOINT, RESISTANCE, CHARGE_LOW, CHARGE_HIGH, OFF = range(6)
KINDS = ("sound", "joint", "pack-resistance", "charge-low", "charge-high", "off")

# How large a fault may be: every size within these is as likely as any other, in the logarithm for the first two.
# A joint: below it nothing shows, beyond it the joint glows. Common practice, no source.
JOINT_OHM = 0.1e-3, 10e-3
# A pack's resistance over that of the file: below it is scatter, beyond it its cells are done. Chosen here.
RESISTANCE_TIMES = 1.2, 3.0
# Of charge: below it is scatter; more cannot be in parallel for long on any but a flat curve. Chosen here.
CHARGE_POINTS = 2.0, 30.0

# How likely before any reading, over all places together; in all 1. Whoever takes a clamp meter to a bank has some reason, so that sound
# and not sound are near to even; of what goes wrong in parallel banks bolted joints are the most. Common practice, no source.
PRIOR = {
    "sound": 0.45,
    "joint": 0.37,
    "pack-resistance": 0.06,
    "charge-low": 0.025,
    "charge-high": 0.015,
    "off": 0.04,
    "pairs": 0.04,
}


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong: ``kind`` is a number, :data:`KINDS` its word; ``element`` its place among packs and then conductors."""

    kind: int
    element: int
    name: str

    @property
    def word(self) -> str:
        """Its kind in a word."""
        return KINDS[self.kind]


@dataclass(frozen=True)
class Faults:
    """Hypotheses side by side, each of as many faults as the others.

    Attributes
    ----------
    each : tuple of tuple of Fault
        The faults of each of h hypotheses.
    prior : ndarray, shape (h,)
        Probability of each before the readings.
    """

    each: tuple[tuple[Fault, ...], ...]
    prior: np.ndarray

    @property
    def kind(self) -> np.ndarray:
        """Shape (h, s)."""
        return np.array([[fault.kind for fault in faults] for faults in self.each], int)

    @property
    def element(self) -> np.ndarray:
        """Shape (h, s)."""
        return np.array([[fault.element for fault in faults] for faults in self.each], int)


def single_faults(bank: Bank) -> Faults:
    """No fault, and every single fault that a bank can have.

    A joint is that of any conductor or device, of either pole; a bar has none but those of the leads that are bolted to it. What is off is a
    pack, by its BMS or by a device or lead of its own, or the device of a string.
    """
    packs, branches = bank.packs, bank.graph.branches
    n = len(packs)
    found = [Fault(NO_FAULT, 0, "")]
    found += [Fault(JOINT, n + k, branch.name) for k, branch in enumerate(branches) if branch.kind != "bar"]
    for kind in (RESISTANCE, CHARGE_LOW, CHARGE_HIGH, OFF):
        found += [Fault(kind, k, pack.name) for k, pack in enumerate(packs)]
    found += [
        Fault(OFF, n + k, branch.name) for k, branch in enumerate(branches) if branch.kind == "device" and branch.role == "string"
    ]
    counts = {kind: sum(fault.word == kind for fault in found) for kind in KINDS}
    return Faults(tuple((fault,) for fault in found), np.array([PRIOR[fault.word] / counts[fault.word] for fault in found]))


def pairs_of(singles: Faults, chosen: list[int], with_these: list[int]) -> Faults:
    """Pairs of single faults: each of ``chosen`` with each of ``with_these``, but no place with itself; places in ``singles``.

    A pair has the probability before the readings that its two kinds give it among all pairs of the bank.
    """
    faults = [each[0] for each in singles.each]
    share = {
        k: singles.prior[k] / (1.0 - PRIOR["sound"] - PRIOR["pairs"]) for k in range(len(faults)) if faults[k].kind != NO_FAULT
    }
    every = sum(share[a] * share[b] for a, b in combinations(share, 2) if faults[a].element != faults[b].element)
    pairs = {tuple(sorted((a, b))) for a in chosen for b in with_these if faults[a].element != faults[b].element}
    pairs = sorted(pair for pair in pairs if all(k in share for k in pair))
    return Faults(
        tuple((faults[a], faults[b]) for a, b in pairs),
        np.array([PRIOR["pairs"] * share[a] * share[b] / every for a, b in pairs]),
    )


def size_of(kind: np.ndarray | int, share: np.ndarray | float) -> np.ndarray:
    """Size of a fault at a share from 0 to 1 of its range: extra ohms of a joint, times the resistance, or a change of state of charge.

    >>> float(size_of(JOINT, 0.5)), float(size_of(CHARGE_LOW, 1.0))
    (0.001, -0.3)
    """
    kind, share = np.asarray(kind), np.asarray(share, float)
    least, most = CHARGE_POINTS
    points = (least + (most - least) * share) / 100.0
    size = np.where(kind == JOINT, JOINT_OHM[0] * (JOINT_OHM[1] / JOINT_OHM[0]) ** share, 0.0)
    size = np.where(kind == RESISTANCE, RESISTANCE_TIMES[0] * (RESISTANCE_TIMES[1] / RESISTANCE_TIMES[0]) ** share, size)
    size = np.where(kind == CHARGE_LOW, -points, size)
    return np.round(np.where(kind == CHARGE_HIGH, points, size), 12)

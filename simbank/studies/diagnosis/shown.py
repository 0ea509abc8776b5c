"""What readings could have shown: how large a joint's resistance too much must be before it stands out, and what hides a smaller one."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from simbank.studies.diagnosis.hypotheses import JOINT, NO_FAULT, Faults, size_of
from simbank.studies.diagnosis.observation import Expected

__all__ = ["STANDS_OUT", "STATED_OHM", "Shown", "shown"]

STATED_OHM = (
    1e-3  # too much in a joint: at 100 A it makes 10 W. Chosen here: readings that would not show it tell of no sound bank
)
STANDS_OUT = 2.0  # standard deviations of what is expected of a sound bank: what moves readings by less is swallowed by it
SIZES = 41  # of extra resistance that are tried


@dataclass(frozen=True)
class Shown:
    """What readings could have shown of joints.

    Attributes
    ----------
    least_ohm : dict of str to float
        Conductor → the least resistance too much in its joints that would have stood out [ohm]; infinite if even the largest would not.
    meter_ohm : dict of str to float
        The same if the meter's error were all that is not known [ohm].
    hides : dict of str to dict of str to float
        Conductor → what hides a smaller one there, as parts of one: the "meter", the resistance of "packs" and of good "joints", "charge",
        and what packs or readings have in "common".
    """

    least_ohm: dict[str, float]
    meter_ohm: dict[str, float]
    hides: dict[str, dict[str, float]]

    @property
    def by_meter(self) -> bool:
        """Whether the meter alone would let :data:`STATED_OHM` stand out everywhere."""
        return max(self.meter_ohm.values(), default=math.inf) <= STATED_OHM

    @property
    def judged(self) -> list[str]:
        """Conductors at which :data:`STATED_OHM` would have stood out."""
        return [name for name, ohm in self.least_ohm.items() if ohm <= STATED_OHM]

    @property
    def hidden(self) -> list[str]:
        """Conductors at which :data:`STATED_OHM` would not have stood out."""
        return [name for name, ohm in self.least_ohm.items() if ohm > STATED_OHM]

    @property
    def worst(self) -> tuple[str, float]:
        """The conductor at which most is needed, and how much [ohm]."""
        name = max(self.least_ohm, key=self.least_ohm.get)
        return name, self.least_ohm[name]


def shown(expected: Expected, faults: Faults) -> Shown:
    """What readings could have shown of the joints among single hypotheses.

    A joint moves the readings by e from those of a sound bank, which vary with covariance C: what is not known of the bank, packs'
    resistance at its usual scatter, and the meter. It stands out where √(eᵀ C⁻¹ e) reaches :data:`STANDS_OUT`.

    Parameters
    ----------
    expected : Expected
        Of the readings.
    faults : Faults
        Single hypotheses.
    """
    none = np.array([[NO_FAULT]]), np.array([[0]])
    joints = np.flatnonzero(faults.kind[:, 0] == JOINT)
    share = np.linspace(0.0, 1.0, SIZES)
    sound = expected.predicted(*none, np.zeros((1, 1, 1)))[0, 0]
    grid = np.broadcast_to(share[None, :, None], (len(joints), SIZES, 1))
    effect = expected.predicted(faults.kind[joints], faults.element[joints], grid) - sound
    moves = expected.moves(*none, np.zeros((1, 1)))[0]
    meter = np.diag(expected.deviation**2)
    far = _deviations(effect, moves @ moves.T + meter)
    totals = moves[:, moves.shape[1] - len(expected.parts) :]
    by_meter = _least(_deviations(effect, totals @ totals.T + meter), share)
    least = _least(far, share)
    names = [faults.each[k][0].name for k in joints]
    # What hides it: how much each part adds to the variance of the sum of readings, weighted by C⁻¹ e, in which the joint shows best.
    n, m = expected.n, expected.m
    parts = {
        "packs": moves[:, :n],
        "joints": moves[:, n:m],
        "charge": moves[:, m : m + n],
        "common": moves[:, m + n : -len(expected.parts)],
    }
    inverse = np.linalg.inv(moves @ moves.T + meter)
    hides = {}
    for name, ohm, row in zip(names, least, effect, strict=True):
        k = int(np.argmax(size_of(JOINT, share) >= ohm)) if np.isfinite(ohm) else SIZES - 1
        weight = inverse @ row[k]
        variance = {part: float(np.sum((weight @ of) ** 2)) for part, of in parts.items()}
        variance["meter"] = float(weight @ meter @ weight)
        hides[name] = {part: value / (sum(variance.values()) or 1.0) for part, value in variance.items()}
    return Shown(dict(zip(names, least, strict=True)), dict(zip(names, by_meter, strict=True)), hides)


def _deviations(effect, spread):
    """√(eᵀ C⁻¹ e), shape (joints, sizes)."""
    root = np.linalg.inv(np.linalg.cholesky(spread))
    return np.linalg.norm(effect @ root.T, axis=-1)


def _least(far, share):
    """The least size of each joint that stands out [ohm], between the sizes tried."""
    out = []
    for row in far:
        k = int(np.argmax(row >= STANDS_OUT))
        if row[k] < STANDS_OUT:
            out.append(np.inf)
        elif k == 0:
            out.append(float(size_of(JOINT, share[0])))
        else:
            part = (STANDS_OUT - row[k - 1]) / (row[k] - row[k - 1])
            out.append(float(size_of(JOINT, share[k - 1] + part * (share[k] - share[k - 1]))))
    return out

"""What it can mean that a pack carries more or less than it did: of its sound current, how much one joint or its charge takes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simbank.simulation import arrays as ar
from simbank.studies.diagnosis.bank_at import At
from simbank.studies.diagnosis.hypotheses import JOINT, Fault
from simbank.studies.diagnosis.response import HeldBank
from simbank.studies.diagnosis.shown import STATED_OHM

__all__ = ["LOWER_POINTS", "Watched", "watched"]

LOWER_POINTS = 2.0  # of charge, by which a pack is set lower. Chosen here: less cannot be read from a display


@dataclass(frozen=True)
class Watched:
    """A pack whose current is watched from day to day.

    Attributes
    ----------
    pack : str
    sound_ratio : float
        Its share of the current of a sound bank over its share of the capacity.
    joint : str
        The conductor whose joint takes most from it.
    by_joint : float
        Relative change of its current by :data:`STATED_OHM` more there.
    by_charge : float
        And by :data:`LOWER_POINTS` less charge in it.
    """

    pack: str
    sound_ratio: float
    joint: str
    by_joint: float
    by_charge: float


def watched(held: HeldBank, at: At, k: int, joints: list[Fault]) -> Watched:
    """What moves the current of pack ``k``.

    Parameters
    ----------
    held : HeldBank
        The bank at the change.
    at : At
        At a current.
    k : int
        The pack.
    joints : list of Fault
        Joints that are looked at.
    """
    sound = at.response.current_a
    where = np.array([[fault.element] for fault in joints if fault.kind == JOINT])
    ohm = np.full(where.shape, STATED_OHM)
    less = at.response.with_faults(where, ohm, np.zeros(where.shape))[:, k] / sound[k] - 1.0
    most = int(np.argmin(less))
    volt = np.array([np.interp(-LOWER_POINTS / 100.0, at.soc, at.volts[:, k])])
    lower = at.response.with_faults(np.array([k]), np.zeros(1), volt)[k] / sound[k] - 1.0
    capacity = held.cells[ar.CAPACITY_AS]
    ratio = sound[k] / sound[: held.n].sum() / (capacity[k] / capacity.sum())
    names = [fault.name for fault in joints if fault.kind == JOINT]
    return Watched(held.bank.packs[k].name, float(ratio), names[most], float(less[most]), float(lower))

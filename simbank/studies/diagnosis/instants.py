"""Whether the instant of the readings was well chosen: how far currents drift while a bank is read, and how long to wait."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from simbank.bank import Bank
from simbank.simulation import arrays as ar
from simbank.studies.diagnosis.bank_at import At
from simbank.studies.diagnosis.knowledge import UNKNOWN_TIME_S, after_work
from simbank.studies.diagnosis.response import HeldBank

__all__ = ["READ_S", "Chosen", "Work", "judged", "work_left"]

READ_S = 300.0  # reading a bank from pack to pack takes about so long; common practice, no source
LATEST_S = 4 * 3600.0  # nobody waits longer
RESTS_S = tuple(3600.0 * hours for hours in (1, 2, 4, 8, 12, 24, 48))  # of which the shortest that is enough is told
LEAST_SHARE = 1e-6  # no meter is better
SMALL_SHARE = 0.05  # a meter whose error is more than that of what it reads tells little; chosen here


@dataclass(frozen=True)
class Chosen:
    """How well an instant was chosen.

    Attributes
    ----------
    time_s : float or None
        Since the change, as told [s].
    drift_share : float
        Greatest relative change of a pack's share of the current while a bank is read; where the time is not told, what not knowing it
        may make.
    meter_share : float
        What the meter is good for, of the middle one of the currents read.
    wait_s : float or None
        From when on after a change the shares move by less than the meter's share while a bank is read [s]; None if they do not within
        four hours.
    current_a : float
        Of the bank [A].
    """

    time_s: float | None
    drift_share: float
    meter_share: float
    wait_s: float | None
    current_a: float

    @property
    def drifts(self) -> bool:
        """Whether the currents move by more than the meter's error while the bank is read."""
        return self.drift_share > self.meter_share

    @property
    def small(self) -> bool:
        """Whether the current is too small for the meter."""
        return self.meter_share > SMALL_SHARE


@dataclass(frozen=True)
class Work:
    """What work before the current was last changed may leave of packs' shares, at the current that was read.

    Attributes
    ----------
    share : float
        Greatest relative change of a pack's share of the current by a discharge of :data:`WORK_C` for :data:`WORK_S` right up to the change.
    rest_s : float or None
        Rest after it from which on it moves shares by less than the meter's share [s]; None if none within two days is enough.
    current_a : float
        Of the bank, at which it would move shares by less than that without a rest [A].
    """

    share: float
    rest_s: float | None
    current_a: float


def work_left(held: HeldBank, at: At, meter_share: float) -> Work:
    """What work before may leave of packs' shares, by the model of a sound bank."""
    n, total = held.n, float(at.port_a[at.port])
    sound = at.response.current_a[:n]
    if total == 0.0:
        return Work(0.0, 0.0, 0.0)

    def moved(bank):
        change = bank.response(at.port_a, at.time_s).current_a[:n] - sound
        return float(np.max(np.abs(change) / np.maximum(np.abs(sound), abs(total) / (4 * n))))

    worked = next(after_work(held, at.port))
    share = moved(worked)
    idle = np.zeros_like(at.port_a)
    rest = next((t for t in RESTS_S if share <= meter_share or moved(worked.after(idle, t)) <= meter_share), None)
    return Work(share, rest, abs(total) * share / max(meter_share, LEAST_SHARE))


def judged(bank: Bank, at: At, held: HeldBank, time_s: float | None, spread_s: float, meter_share: float) -> Chosen:
    """How well an instant was chosen, by the model of a sound bank."""
    n, total = held.n, float(at.port_a[at.port])

    @cache
    def share(seconds):
        if total == 0:
            return np.ones(n)
        return held.response(at.port_a, seconds).current_a[:n] / total

    def drift(begin, end):
        first, second = share(begin), share(end)
        return float(np.max(np.abs(second - first) / np.maximum(np.abs(first), 1.0 / (4 * n))))

    takes = max(READ_S, spread_s)
    least, _, most = UNKNOWN_TIME_S
    drifts = (
        drift(least, most) if time_s is None else drift(max(time_s - spread_s / 2, 0.0), max(time_s - spread_s / 2, 0.0) + takes)
    )
    room = float(np.min(held.cells[ar.CAPACITY_AS] / np.maximum(np.abs(at.response.current_a[:n]), 1e-9))) * 0.5
    times = [
        t for t in (0.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1200.0, 1800.0, 2700.0, 3600.0, 7200.0, LATEST_S) if t < room
    ]
    wait = next((t for t in times if drift(t, t + takes) <= meter_share), None)
    return Chosen(time_s, drifts, meter_share, wait, total)

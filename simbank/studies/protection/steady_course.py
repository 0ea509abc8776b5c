"""A fault at steady currents, followed from one opening to the next: the compiled loop of ``withstand.py``."""

from __future__ import annotations

import numpy as np

from simbank.jit import jit_entry
from simbank.simulation import arrays as ar
from simbank.simulation.devices import damage_rate

__all__ = ["CLOCK", "FIRST", "MET", "STAGE", "steady_course"]

# Rows of what is known of the course so far: time [s], what devices were first asked to end [A], the present stage, how many were met.
CLOCK, FIRST, STAGE, MET = range(4)
SAME_TIME = 1.0 + 1e-9  # devices that open within this share of one another do so in the order of the file


@jit_entry
def steady_course(
    ohm, horizon_s, cleared_share, where, base, share, thevenin, onward, through, devices, curves, still, now, met, done, state
):
    """Go on until the fault is over, −1, or a device opens after which the currents are not known yet: its number.

    Parameters
    ----------
    ohm, horizon_s, cleared_share : float
        Resistance of the fault, how long it is followed, and the share of its first current below which it is cleared.
    where : ndarray of int, shape (3,)
        Row of the fault's current and its sign, and row of the current that counts as the pack's own, −1 if none does.
    base, share : ndarray, shape (stages, rows)
        Currents without the fault [A], and what each ampere of the fault adds.
    thevenin : ndarray, shape (stages, 2)
        Voltage across the open place [V] and resistance seen there [ohm].
    onward : ndarray of int, shape (stages, d)
        The stage after a device has opened, −1 where it is not known yet.
    through : ndarray of int, shape (d,)
        Row of each device's current.
    devices, curves
        Rows of the devices and their curves.
    still : ndarray of bool, shape (d,)
        Which devices may open; changed here.
    now : ndarray, shape (4,)
        See ``CLOCK``; changed here.
    met : ndarray of int, shape (d + 1,)
        The stages so far; changed here.
    done : ndarray, shape (2, rows)
        ∫ i² dt [A²s] and greatest current [A] so far; changed here.
    state : ndarray, shape (4, d)
        Of each device its damage, since when it has carried its pickup current [s], its rate of damage [1/s], and how long it would still
        take to open [s]; changed here.
    """
    while True:
        stage, clock = int(now[STAGE]), now[CLOCK]
        fault = thevenin[stage, 0] / (thevenin[stage, 1] + ohm)
        left = where[1] * (base[stage, where[0]] + fault * share[stage, where[0]])
        if where[2] >= 0:
            left -= base[stage, where[2]] + fault * share[stage, where[2]]
        left = abs(left)
        if now[FIRST] < 0.0:
            now[FIRST] = left
        if left <= cleared_share * now[FIRST]:
            return -1
        wait = np.inf
        for d in range(len(through)):
            if not still[d]:
                continue
            current = abs(base[stage, through[d]] + fault * share[stage, through[d]])
            rate = max(0.0, damage_rate(d, current, 0.0, devices, curves))
            at = max(0.0, 1.0 - state[0, d]) / rate if rate > 0.0 else np.inf
            if current >= devices[d, ar.PICKUP_MULTIPLE] * devices[d, ar.RATING_A]:
                state[1, d] = min(state[1, d], clock)
                at = min(at, max(0.0, state[1, d] + devices[d, ar.PICKUP_DELAY_S] - clock))
            else:
                state[1, d] = np.inf
            state[2, d], state[3, d] = rate, at
            wait = min(wait, at)
        over = not clock + wait <= horizon_s
        lasts = horizon_s if over else wait
        for e in range(base.shape[1]):
            current = base[stage, e] + fault * share[stage, e]
            done[0, e] += current * current * lasts
            done[1, e] = max(done[1, e], abs(current))
        if over:
            return -1
        for d in range(len(through)):
            if still[d]:
                state[0, d] += state[2, d] * wait
        who = 0
        while not still[who] or clock + state[3, who] > (clock + wait) * SAME_TIME:
            who += 1
        now[CLOCK] = clock + wait
        still[who] = False
        if onward[stage, who] < 0:
            return who
        now[STAGE] = onward[stage, who]
        met[int(now[MET])] = onward[stage, who]
        now[MET] += 1.0


steady_course.belongs_to = "the equations of faults"

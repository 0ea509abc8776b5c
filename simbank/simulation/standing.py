"""How far apart packs may stand at rest without a current, and which part of displays that disagree is more than that."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from simbank.bank.bank import Pack

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["DisplaysApart", "displays_apart", "hysteresis_bound_points", "root"]


def hysteresis_bound_points(pack: Pack, soc: float, other: float, temperature_k: float | None = None) -> float:
    """How far apart two packs of a kind may rest without a current, about two states of charge [points].

    They rest where U(z1) + H(z1) h1 = U(z2) + H(z2) h2, of opposite branches at most h1 = -1, h2 = 1: so that U(z1) - U(z2) is no
    more than H(z1) + H(z2). On the curves themselves: the least d with U(z + d/2) - U(z - d/2) = H(z + d/2) + H(z - d/2) about the mean
    z of both, ends of charge held at empty and full; infinite if there is none. H is taken at ``temperature_k`` [K], without it at the
    chemistry's reference temperature.

    About 50 %, of the library's LFP:

    >>> from simbank.cells import load_chemistry
    >>> pack = Pack("A", load_chemistry("lfp"), 100.0, 5e-4)
    >>> round(hysteresis_bound_points(pack, 0.7, 0.3), 1)
    25.0
    """
    mean, cell = (soc + other) / 2.0, pack.chemistry

    def apart_v(apart):  # by how much the difference of U exceeds what hysteresis holds [V]
        high, low = np.clip(mean + apart / 2.0, 0.0, 1.0), np.clip(mean - apart / 2.0, 0.0, 1.0)
        return cell.ocv(high) - cell.ocv(low) - cell.half_width_at(high, temperature_k) - cell.half_width_at(low, temperature_k)

    tried = np.linspace(0.0, 2.0 * max(mean, 1.0 - mean), 2001)
    over = np.flatnonzero(np.asarray(apart_v(tried)) >= 0.0)
    if not len(over):
        return float("inf")
    first = int(over[0])
    apart = root(apart_v, float(tried[first - 1]), float(tried[first])) if first else 0.0
    return 100.0 * float(min(mean + apart / 2.0, 1.0) - max(mean - apart / 2.0, 0.0))


def root(function: Callable[[float], float], low: float, high: float, tolerance: float = 1e-12) -> float:
    """Where a function is zero between two places at which its signs differ.

    R. P. Brent, Algorithms for Minimization without Derivatives, 1973, chapter 4: steps by the parabola through three places, or the line
    through two, halving where those do not help. It takes the steps that ``scipy.optimize.brentq`` takes, to the last digit, without the fifth of
    a second for which scipy.optimize loads.

    Parameters
    ----------
    function : callable
        Of one number.
    low, high : float
        The two places.
    tolerance : float
        Of the place; four units of round-off are added.

    >>> root(lambda x: x * x - 2.0, 0.0, 2.0)
    1.4142135623731364
    """
    before, now, across, last, step = low, high, 0.0, 0.0, 0.0
    f_before, f_now, f_across = float(function(low)), float(function(high)), 0.0
    if f_before == 0.0:
        return low
    while True:
        if f_before != 0.0 and f_now != 0.0 and (f_before < 0.0) != (f_now < 0.0):
            across, f_across = before, f_before
            last = step = now - before
        if abs(f_across) < abs(f_now):
            before, now, across = now, across, now
            f_before, f_now, f_across = f_now, f_across, f_now
        least, half = (tolerance + 4.0 * sys.float_info.epsilon * abs(now)) / 2.0, (across - now) / 2.0
        if f_now == 0.0 or abs(half) < least:
            return now
        tried = math.inf
        if abs(last) > least and abs(f_now) < abs(f_before):
            if before == across:
                tried = -f_now * (now - before) / (f_now - f_before)
            else:
                slope, other = (f_before - f_now) / (before - now), (f_across - f_now) / (across - now)
                under = other * slope * (f_across - f_before)
                tried = -f_now * (f_across * other - f_before * slope) / under if under else math.inf
        last, step = (step, tried) if 2.0 * abs(tried) < min(abs(last), 3.0 * abs(half) - least) else (half, half)
        before, f_before = now, f_now
        now += step if abs(step) > least else math.copysign(least, half)
        f_now = float(function(now))


@dataclass(frozen=True)
class DisplaysApart:
    """The two packs whose displays disagree most at one instant of rest.

    Attributes
    ----------
    high, low : str
        The packs with the highest and the lowest display.
    shown_points, cells_points : float
        By how much the first is above the second, as shown and in truth [points].
    middle : float
        Mean of the two states of charge, 0 to 1.
    bound_points : float
        How far apart such packs may stand there without a current (:func:`hysteresis_bound_points`): of what is shown beyond that, all is
        the counters', or levels with a current that can be measured. NaN if the two are not of one kind.
    """

    high: str
    low: str
    shown_points: float
    cells_points: float
    middle: float
    bound_points: float


def displays_apart(packs: Sequence[Pack], shown: pd.Series, soc: pd.Series) -> DisplaysApart | None:
    """Which displays disagree most, and what hysteresis can hold there; None with fewer than two displays.

    Parameters
    ----------
    packs : sequence of Pack
        Of the bank.
    shown, soc : Series
        What displays show, and the state of charge, by pack at one instant, 0 to 1; NaN of a pack without a display.
    """
    shown = shown.dropna()
    if len(shown) < 2:
        return None
    high, low = str(shown.idxmax()), str(shown.idxmin())
    one, other = (next(pack for pack in packs if pack.name == name) for name in (high, low))
    alike = one.chemistry is other.chemistry and one.cells_in_series == other.cells_in_series
    bound = hysteresis_bound_points(one, soc[high], soc[low]) if alike else float("nan")
    points, cells = 100.0 * (shown[high] - shown[low]), 100.0 * (soc[high] - soc[low])
    return DisplaysApart(high, low, float(points), float(cells), float((soc[high] + soc[low]) / 2.0), bound)

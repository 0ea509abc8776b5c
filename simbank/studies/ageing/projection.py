"""Ages carried across years from what a few windows show: the midpoint rule in the square root of time.

A loss that grows as the root of time is smooth in s = √t, not in t, and the sharing of packs follows their losses. So steps are equal in s:
short at first, where a new pack loses fastest. Each takes the rates at its start to come to its middle, and those of its middle over the
whole step, second order in the length of a step.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

__all__ = ["equal_age", "march"]


def march(
    rates: Callable[[float, np.ndarray], np.ndarray], ages: np.ndarray, span_s: float, steps: int,
    keep: Callable[[np.ndarray, np.ndarray], None] | None = None,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """Ages of every term and pack at the ends of the steps.

    Parameters
    ----------
    rates : callable
        How fast the ages grow [1/s], at (time since the start [s], ages).
    ages : ndarray, shape (terms, packs)
        At the start.
    span_s : float
        How far to go [s].
    steps : int
        Equal in √t.
    keep : callable, optional
        Called after each step with the times and the ages so far.

    Returns
    -------
    times : ndarray, shape (steps + 1,)
    ages : ndarray, shape (steps + 1, terms, packs)

    Examples
    --------
    da/dt = 1 + √a from 0 is t = 2 √a − 2 ln(1 + √a), so that a = 1.8433 at t = 1; halved steps leave some quarter of the error:

    >>> rate = lambda t, a: 1.0 + np.sqrt(a)
    >>> [round(float(march(rate, np.zeros((1, 1)), 1.0, n)[1][-1, 0, 0]) - 1.8433, 3) for n in (1, 2, 4, 8)]
    [-0.343, -0.11, -0.031, -0.008]
    """
    times = span_s * (np.arange(steps + 1) / steps) ** 2
    found = [np.array(ages, float)]
    for k in range(steps):
        begin, end = times[k], times[k + 1]
        middle = span_s * ((k + 0.5) / steps) ** 2
        at_middle = found[-1] + rates(begin, found[-1]) * (middle - begin)
        found.append(found[-1] + rates(middle, at_middle) * (end - begin))
        if keep:
            keep(times[: k + 2], np.array(found))
    return times, np.array(found)


def equal_age(loss: float, rates: np.ndarray, exponents: np.ndarray) -> np.ndarray:
    """Ages of the terms of one pack that has lost so much by a duty of these rates: r t with Σ (r t)^p = loss.

    Of a pack that begins used nobody knows by what; it is taken to have aged by this same duty.

    Parameters
    ----------
    loss : float
        Fraction of the capacity as new; 0 or less is none.
    rates : ndarray, shape (terms,)
        How fast each age grows [1/s].
    exponents : ndarray, shape (terms,)
        p of each term.

    >>> equal_age(0.2, np.array([1e-9, 4e-9]), np.array([0.5, 0.5])).round(6).tolist()
    [0.004444, 0.017778]
    """
    if loss <= 0.0 or not np.any(rates > 0):
        return np.zeros(len(rates))
    from scipy.optimize import brentq

    def missing(logarithm):
        return np.log(np.sum((rates * np.exp(logarithm)) ** exponents) / loss)

    longest = np.log(1e15)  # [s], thirty million years
    if missing(longest) < 0:
        return np.zeros(len(rates))
    return rates * np.exp(brentq(missing, np.log(1e-6), longest, xtol=1e-12))

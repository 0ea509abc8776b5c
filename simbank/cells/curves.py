"""Curves, mostly over state of charge: shape-preserving cubic or straight lines, in tables that compiled code can read.

A curve is stored as rows ``x, c0, c1, c2, c3, s``: from ``x`` on, value = c0 + c1 d + c2 d² + c3 d³ with d = z − x, and ``s`` is
the integral from 0 to ``x``. Outside its points a curve goes on as a straight line with its end slope, so that a solver's trial
step never leaves the table; the rows for that are part of the table.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from simbank.compiled import drop_stale

drop_stale()  # every compiled function rests on those of this module, so this is where the cache is looked at

__all__ = ["Curve", "curve_value", "stack_curves"]

MARGIN = 1.0  # how far the straight continuation reaches below 0; above 1 it has no end


class Curve:
    """A function of one variable, mostly state of charge.

    Parameters
    ----------
    soc, value : array_like, shape (n,)
        Points, ``soc`` strictly rising (for curves over state of charge from 0 to 1). A single point makes a constant.
    interpolation : {"pchip", "linear"}
        PCHIP keeps the shape (Fritsch & Butland 1984, as in scipy); linear is for comparison with tables.
    outside : {"slope", "level"}
        How the curve goes on outside its points: with its end slope, or level.
    """

    def __init__(self, soc, value, interpolation="pchip", outside="slope"):
        soc, value = np.atleast_1d(np.asarray(soc, float)), np.atleast_1d(np.asarray(value, float))
        self.soc, self.value, self.interpolation = soc, value, interpolation
        if soc.size == 1:
            rows = np.array([[-MARGIN, value[0], 0.0, 0.0, 0.0]])
        else:
            if interpolation == "pchip":
                from scipy.interpolate import PchipInterpolator

                cubic = PchipInterpolator(soc, value).c[::-1].T
            else:
                cubic = np.zeros((soc.size - 1, 4))
                cubic[:, 0], cubic[:, 1] = value[:-1], np.diff(value) / np.diff(soc)
            width = soc[-1] - soc[-2]
            end_slope = cubic[-1, 1] + 2 * cubic[-1, 2] * width + 3 * cubic[-1, 3] * width**2
            first_slope = cubic[0, 1]
            if outside == "level":
                end_slope = first_slope = 0.0
            rows = np.vstack(
                [
                    [soc[0] - MARGIN, value[0] - first_slope * MARGIN, first_slope, 0.0, 0.0],
                    np.column_stack([soc[:-1], cubic]),
                    [soc[-1], value[-1], end_slope, 0.0, 0.0],
                ]
            )
        step = np.append(np.diff(rows[:, 0]), 0.0)
        area = sum(rows[:, 1 + k] * step ** (k + 1) / (k + 1) for k in range(4))
        integral = np.concatenate([[0.0], np.cumsum(area)[:-1]])
        self.rows = np.column_stack([rows, integral])
        self.rows[:, 5] -= self.integral(0.0)

    def _place(self, z):
        z = np.asarray(z, float)
        row = np.clip(np.searchsorted(self.rows[:, 0], z, side="right") - 1, 0, len(self.rows) - 1)
        return self.rows[row], z - self.rows[row, 0]

    def __call__(self, z):
        """Value at ``z``, any shape."""
        r, d = self._place(z)
        return r[..., 1] + d * (r[..., 2] + d * (r[..., 3] + d * r[..., 4]))

    def slope(self, z):
        """Derivative at ``z``, any shape."""
        r, d = self._place(z)
        return r[..., 2] + d * (2 * r[..., 3] + d * 3 * r[..., 4])

    def integral(self, z):
        """Integral from 0 to ``z``, any shape."""
        r, d = self._place(z)
        return r[..., 5] + d * (r[..., 1] + d * (r[..., 2] / 2 + d * (r[..., 3] / 3 + d * r[..., 4] / 4)))


def stack_curves(curves):
    """One array of shape (n_curves, longest, 7) for compiled code; the last entry of a curve's first row counts its rows."""
    longest = max(len(curve.rows) for curve in curves)
    table = np.zeros((len(curves), longest, 7))
    for k, curve in enumerate(curves):
        table[k, : len(curve.rows), :6] = curve.rows
        table[k, 0, 6] = len(curve.rows)
    return table


@njit(cache=True)
def curve_value(table, curve, z):
    """Value, slope and curvature of one stacked curve at ``z``."""
    low, high = 0, int(table[curve, 0, 6])
    while high - low > 1:
        middle = (low + high) // 2
        if table[curve, middle, 0] <= z:
            low = middle
        else:
            high = middle
    d = z - table[curve, low, 0]
    c1, c2, c3 = table[curve, low, 2], table[curve, low, 3], table[curve, low, 4]
    return table[curve, low, 1] + d * (c1 + d * (c2 + d * c3)), c1 + d * (2.0 * c2 + d * 3.0 * c3), 2.0 * c2 + 6.0 * d * c3

"""Curves, mostly over state of charge: shape-preserving cubic or straight lines, in tables that compiled code can read.

A curve is stored as rows ``x, c0, c1, c2, c3, s``: from ``x`` on, value = c0 + c1 d + c2 d² + c3 d³ with d = z − x, and ``s`` is
the integral from 0 to ``x``. Outside its points a curve goes on as a straight line, mostly with its end slope, so that a solver's
trial step never leaves the table, nor a cell that is charged beyond full; the rows for that are part of the table.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from simbank.errors import InputError
from simbank.jit import jit_inline, jit_internal, sources

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

sources()  # every compiled function rests on those of this module, so this is where sources are looked at

__all__ = ["Curve", "CurveFamily", "curve_value", "family_value", "stack_curves"]

GUIDE = 2  # places of the guide for each row of a stacked curve
STACKED = 6 + GUIDE
MARGIN = 1.0  # how far the straight continuation reaches below 0; above 1 it has no end


class Curve:
    """A function of one variable, mostly state of charge.

    >>> curve = Curve([0.0, 0.5, 1.0], [3.0, 3.3, 3.4], "linear")
    >>> [round(float(curve(z)), 3) for z in (0.25, 1.1)]
    [3.15, 3.42]

    Parameters
    ----------
    soc, value : array_like, shape (n,)
        Points, ``soc`` strictly rising (for curves over state of charge from 0 to 1). A single point makes a constant.
    interpolation : {"pchip", "linear"}
        PCHIP keeps the shape (Fritsch & Butland 1984, as in scipy); linear is for comparison with tables.
    outside : {"slope", "level"} or (float, float)
        How the curve goes on outside its points: with its end slope, level, or with these slopes before the first and after the
        last.

    Raises
    ------
    InputError
        If the points are no finite numbers, not as many of one as of the other, or do not rise.
    """

    def __init__(
        self,
        soc: ArrayLike,
        value: ArrayLike,
        interpolation: str = "pchip",
        outside: str | tuple[float, float] = "slope",
    ):
        soc, value = _points(soc, value)
        if interpolation not in ("pchip", "linear"):
            raise InputError('must be "pchip" or "linear"', key="interpolation", value=interpolation)
        self.soc, self.value, self.interpolation = soc, value, interpolation
        if soc.size == 1:
            rows = np.array([[-MARGIN, value[0], 0.0, 0.0, 0.0]])
        else:
            if interpolation == "pchip":
                cubic = _pchip(soc, value)
            else:
                cubic = np.zeros((soc.size - 1, 4))
                cubic[:, 0], cubic[:, 1] = value[:-1], np.diff(value) / np.diff(soc)
            width = soc[-1] - soc[-2]
            end_slope = cubic[-1, 1] + 2 * cubic[-1, 2] * width + 3 * cubic[-1, 3] * width**2
            first_slope = cubic[0, 1]
            if outside == "level":
                end_slope = first_slope = 0.0
            elif outside != "slope":
                first_slope, end_slope = outside
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
        self.rows.flags.writeable = False  # what is made of a curve is kept by its identity

    def _place(self, z):
        z = np.asarray(z, float)
        row = np.searchsorted(self.rows[1:, 0], z, side="right")
        return self.rows[row], z - self.rows[row, 0]

    def __call__(self, z: ArrayLike) -> np.ndarray:
        """Value at ``z``, any shape."""
        r, d = self._place(z)
        return r[..., 1] + d * (r[..., 2] + d * (r[..., 3] + d * r[..., 4]))

    def slope(self, z: ArrayLike) -> np.ndarray:
        """Derivative at ``z``, any shape."""
        r, d = self._place(z)
        return r[..., 2] + d * (2 * r[..., 3] + d * 3 * r[..., 4])

    def integral(self, z: ArrayLike) -> np.ndarray:
        """Integral from 0 to ``z``, any shape."""
        r, d = self._place(z)
        return r[..., 5] + d * (r[..., 1] + d * (r[..., 2] / 2 + d * (r[..., 3] / 3 + d * r[..., 4] / 4)))


class CurveFamily:
    """Curves of one variable for several values of a second one, mostly temperature: straight in between, level beyond.

    >>> family = CurveFamily([0.0, 10.0], [Curve([0.0], [2.0]), Curve([0.0], [1.0])])
    >>> [float(family(0.5, celsius)) for celsius in (-5.0, 2.5, 10.0)]
    [2.0, 1.75, 1.0]

    Parameters
    ----------
    at : array_like, shape (m,)
        Values of the second variable, strictly rising, two or more.
    curves : sequence of Curve
        One for each.

    Raises
    ------
    InputError
        If there are not as many curves as values, or the values do not rise.
    """

    def __init__(self, at: ArrayLike, curves: Sequence[Curve]):
        if len(curves) < 2:
            raise InputError("needs two curves or more", key="curves")
        self.place = Curve(at, np.arange(len(curves)), "linear", outside="level")
        self.curves = tuple(curves)

    @property
    def at(self) -> np.ndarray:
        """Values of the second variable, shape (m,)."""
        return self.place.soc

    def __call__(self, z: ArrayLike, at: ArrayLike) -> np.ndarray:
        """Value at ``z`` and ``at``, whose shapes broadcast."""
        place = np.asarray(self.place(at))
        values = [np.asarray(curve(z)) for curve in self.curves]
        return sum(value * np.clip(1.0 - np.abs(place - k), 0.0, None) for k, value in enumerate(values))

    @property
    def stacked(self) -> tuple[Curve, ...]:
        """What :func:`family_value` wants side by side: the place among the curves, and the curves, the last of them twice."""
        return (self.place, *self.curves, self.curves[-1])


def _points(soc, value):
    """Points as two arrays, both of shape (n,), that a curve can go through."""
    arrays = []
    for key, given in (("soc", soc), ("value", value)):
        try:
            points = np.atleast_1d(np.asarray(given, float))
        except (TypeError, ValueError):  # text, or lists of unequal lengths
            raise InputError("must be numbers", key=key, value=given) from None
        if points.ndim != 1 or not points.size or not np.isfinite(points).all():
            raise InputError("must be a list of one finite number or more", key=key, value=given)
        arrays.append(points)
    soc, value = arrays
    if soc.size != value.size:
        raise InputError(f"needs as many values as soc points: {soc.size} and {value.size} were given", key="value")
    if not (np.diff(soc) > 0).all():
        raise InputError("must rise from point to point", key="soc", value=soc.tolist())
    return soc, value


def _pchip(x, y):
    """Coefficients c0 to c3 of the shape-preserving cubic on every interval, shape (m − 1, 4).

    Slopes at inner points are the weighted harmonic mean of those beside them, 0 at an extremum (Fritsch & Butland, SIAM J. Sci.
    Stat. Comput. 5 (1984) 300), at the ends those of the parabola, limited. As in scipy, to round-off, without the time that it
    takes to load.
    """
    h, secant = np.diff(x), np.diff(y) / np.diff(x)
    if len(x) == 2:
        return np.column_stack([y[:-1], secant, [0.0], [0.0]])
    slope = np.zeros(len(x))
    one, two = 2.0 * h[1:] + h[:-1], h[1:] + 2.0 * h[:-1]
    rises = secant[:-1] * secant[1:] > 0
    slope[1:-1][rises] = ((one + two)[rises]) / (one[rises] / secant[:-1][rises] + two[rises] / secant[1:][rises])
    for end, (h0, h1), (s0, s1) in ((0, h[:2], secant[:2]), (-1, h[:-3:-1], secant[:-3:-1])):
        tilt = ((2.0 * h0 + h1) * s0 - h0 * s1) / (h0 + h1)
        if tilt * s0 <= 0:
            tilt = 0.0
        elif s0 * s1 <= 0 and abs(tilt) > 3.0 * abs(s0):
            tilt = 3.0 * s0
        slope[end] = tilt
    bend = (slope[:-1] + slope[1:] - 2.0 * secant) / h
    return np.column_stack([y[:-1], slope[:-1], (secant - slope[:-1]) / h - bend, bend / h])


def stack_curves(curves: Sequence[Curve]) -> np.ndarray:
    """One array of shape (n_curves, longest, STACKED) for compiled code.

    Columns 0 to 4 of a curve are its rows (the integrals are not needed there). In column 5 stand the number of rows, where the
    guide begins and its places per unit; in the columns from 6 on the guide: for places at equal distances between the first and
    the last point, the last row that begins there or before.
    """
    longest = max([3, *(len(curve.rows) for curve in curves)])
    table = np.zeros((max(1, len(curves)), longest, STACKED))
    for k, curve in enumerate(curves):
        x, count = curve.rows[:, 0], len(curve.rows)
        table[k, :count, :5] = curve.rows[:, :5]
        table[k, 0, 5] = count
        if count > 2:
            places = GUIDE * count - 1
            table[k, 1:3, 5] = x[1], places / (x[-1] - x[1])
            at = x[1] + np.arange(places + 1) / table[k, 2, 5]
            table[k, :count, 6:] = (np.searchsorted(x, at, side="right") - 1).clip(1).reshape(count, GUIDE)
    return table


@jit_inline
def curve_value(table, curve, z):
    """Value, slope and curvature of one stacked curve at ``z``."""
    count = int(table[curve, 0, 5])
    low = 0
    if count > 2:
        if z >= table[curve, count - 1, 0]:
            low = count - 1
        elif z >= table[curve, 1, 0]:
            place = int((z - table[curve, 1, 5]) * table[curve, 2, 5])
            low = int(table[curve, place // GUIDE, 6 + place % GUIDE])
            while low > 1 and table[curve, low, 0] > z:  # a place that round-off has put one too far
                low -= 1
            while table[curve, low + 1, 0] <= z:
                low += 1
    d = z - table[curve, low, 0]
    c1, c2, c3 = table[curve, low, 2], table[curve, low, 3], table[curve, low, 4]
    return table[curve, low, 1] + d * (c1 + d * (c2 + d * c3)), c1 + d * (2.0 * c2 + d * 3.0 * c3), 2.0 * c2 + 6.0 * d * c3


@jit_internal
def family_value(table, first, z, at):
    """Of a family whose curves stand from ``first`` on in the stack: value, slope and curvature by ``z``, and the first two by ``at``."""
    place, per_unit, _ = curve_value(table, first, at)
    low = int(place)
    share = place - low
    f0, d0, c0 = curve_value(table, first + 1 + low, z)
    f1, d1, c1 = curve_value(table, first + 2 + low, z)
    return f0 + share * (f1 - f0), d0 + share * (d1 - d0), c0 + share * (c1 - c0), per_unit * (f1 - f0), per_unit * (d1 - d0)

"""Distributions of one value, with a unit: what a person writes of a value that is not known exactly, or varies."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

from simbank.errors import InputError
from simbank.quantities import is_measured, parse_measured

__all__ = ["Draw", "measured", "parse_draw", "within_range"]

_FORM = re.compile(r"^\s*(uniform|normal|lognormal)\s+([-+0-9.eE]+)\s+([-+0-9.eE]+)\s*(.*)$")
RIGHT = (
    'write "uniform 0.02 0.2 milliohm" (least, greatest), "normal 100 3 Ah" (mean, standard deviation), '
    '"lognormal 0.05 1.5 milliohm" (median, factor of one standard deviation), "0.25 ± 0.03 milliohm" (as measured) or '
    '"choice slab rack"'
)
COVERAGE_FACTOR = 2.0  # of an expanded uncertainty: JCGM 100:2008 6.2 and 6.3, about 95 % of a normal distribution
LOW_SHARE, HIGH_SHARE = 0.05, 0.95  # of a range: nine of ten lie within it
WIDE = 2.0  # a range above zero whose ends differ by more than this factor is drawn in the logarithm


@dataclass(frozen=True)
class Draw:
    """A distribution for one key.

    A *measured* value is normal, with half its expanded uncertainty as standard deviation (k = 2, JCGM 100:2008 6.2). A *range* has
    its typical value as median and its ends at 5 and 95 %: a normal distribution on either side of the median, each with a width of
    its own; in the logarithm where the range lies above zero and is wider than a factor of two. Both are truncated to ``least`` and
    ``most``: shares count what lies between these.

    Attributes
    ----------
    kind : {"uniform", "normal", "lognormal", "choice", "measured", "range"}
    low, high : float
        Its two numbers, in the order of the text; of "measured" the value and its expanded uncertainty, of "range" its ends.
    unit : str
        Unit of the values; empty for plain numbers.
    choices : tuple
    middle : float or None
        Typical value of a range.
    least, most : float
        Bounds of a measured value or a range, before ``shift``.
    shift : float
        Added to what is drawn of a measured value or a range.
    plain : float or None
        What stands for a range where one value is asked, if that is not its middle.
    """

    kind: str
    low: float = 0.0
    high: float = 0.0
    unit: str = ""
    choices: tuple = ()
    middle: float | None = None
    least: float = -math.inf
    most: float = math.inf
    shift: float = 0.0
    plain: float | None = None

    def number(self, share: float) -> float:
        """Value at a share of the distribution, 0 to 1; of a choice its number in the list."""
        from scipy.special import ndtri

        if self.kind == "uniform":
            return self.low + share * (self.high - self.low)
        if self.kind == "normal":
            return float(self.low + self.high * ndtri(share))
        if self.kind == "lognormal":
            return float(self.low * self.high ** ndtri(share))
        if self.kind in ("measured", "range"):
            number = self._truncated(share) + self.shift
            return (
                round(number / self.shift, 12) * self.shift if self.shift else number
            )  # what cancels leaves zero, not its round-off
        return min(int(share * len(self.choices)), len(self.choices) - 1)

    def value(self, share: float) -> Any:
        """What goes into the scenario."""
        number = self.number(share)
        if self.kind == "choice":
            return self.choices[number]
        return f"{number:.9g} {self.unit}" if self.unit else float(f"{number:.9g}")

    @property
    def stated(self) -> float:
        """Of a measured value or a range, the number that stands for it where one value is asked, outside the range or not."""
        if self.plain is not None:
            return self._with_shift(self.plain)
        number = self.low if self.kind == "measured" or self.middle is None else self.middle
        return self._with_shift(number)

    def _with_shift(self, number: float) -> float:
        """What cancels leaves zero, not its round-off."""
        return round((number + self.shift) / self.shift, 12) * self.shift if self.shift else number

    def times(self, factor: float) -> Draw:
        """The distribution of a measured value or a range times a positive number."""
        known = [key for key in ("middle", "plain") if getattr(self, key) is not None]
        return replace(self, **{key: getattr(self, key) * factor for key in ("low", "high", "least", "most", "shift", *known)})

    def shifted(self, by: float) -> Draw:
        """The distribution of a measured value or a range with a number added."""
        return replace(self, shift=self.shift + by)

    def bounded(self, least: float, most: float) -> Draw:
        """The distribution truncated to bounds, in its own unit and before its shift."""
        return replace(self, least=max(self.least, least), most=min(self.most, most))

    @property
    def _logarithmic(self) -> bool:
        return self.kind == "range" and self.low > 0 and self.high / self.low > WIDE

    @cached_property
    def _pieces(self) -> tuple[float, float, float]:
        """Median, and standard deviation below and above it; of the logarithm where that is what is normal."""
        from scipy.special import ndtri

        if self.kind == "measured":
            return self.low, self.high / COVERAGE_FACTOR, self.high / COVERAGE_FACTOR
        low, high, middle = self.low, self.high, self.middle
        inside = middle is not None and low < middle < high
        if self._logarithmic:
            low, high, middle = math.log(low), math.log(high), math.log(middle) if inside else None
        middle = middle if inside else (low + high) / 2.0
        z = float(ndtri(HIGH_SHARE))
        return middle, (middle - low) / z, (high - middle) / z

    @cached_property
    def _between(self) -> tuple[float, float]:
        """Shares of the distribution that lie below its bounds."""
        from scipy.special import ndtr

        if self.least == -math.inf and self.most == math.inf:
            return 0.0, 1.0
        middle, below, above = self._pieces

        def share_under(bound):
            if self._logarithmic:
                bound = math.log(bound) if bound > 0 else -math.inf
            return float(ndtr((bound - middle) / (below if bound < middle else above)))

        return share_under(self.least), share_under(self.most)

    def _truncated(self, share: float) -> float:
        """Value at a share of what lies between the bounds, without the shift."""
        from scipy.special import ndtri

        middle, below, above = self._pieces
        first, last = self._between
        z = float(ndtri(first + share * (last - first)))
        number = middle + z * (below if z < 0 else above)
        number = math.exp(number) if self._logarithmic else number
        return min(max(number, self.least), self.most)


def measured(number: float, half_width: float, unit: str = "") -> Draw:
    """A value and its expanded uncertainty at about 95 %: normal, with half of that as standard deviation (JCGM 100:2008 6.2, k = 2).

    Parameters
    ----------
    number, half_width : float
        Value and expanded uncertainty, in ``unit``.
    unit : str
        Empty of a bare number.

    >>> round(measured(0.25, 0.03, "milliohm").number(0.977249868), 6)
    0.28
    """
    return Draw("measured", number, half_width, unit)


def within_range(low: float, high: float, typical: float | None = None, unit: str = "") -> Draw:
    """A typical value and the range in which nine of ten lie; the middle of the range if the typical value is not inside it.

    Parameters
    ----------
    low, high : float
        Points of 5 and 95 %, in ``unit``.
    typical : float or None
        Median; by default the middle of the range, in the logarithm where that is what is normal.
    unit : str
        Empty of a bare number.

    >>> joint = within_range(0.02, 0.3, 0.05, "milliohm")
    >>> joint.value(0.05), joint.value(0.5), joint.value(0.95)
    ('0.02 milliohm', '0.05 milliohm', '0.3 milliohm')
    """
    return Draw("range", low, high, unit, middle=typical)


def parse_draw(text: str | Draw, key: str | None = None) -> Draw:
    """A distribution from text; see the error for its forms.

    >>> parse_draw("uniform 0.2 0.4").number(0.5)
    0.30000000000000004
    >>> parse_draw("normal 100 3 Ah").value(0.5)
    '100 Ah'
    """
    if isinstance(text, Draw):
        return text
    words = str(text).split()
    if words[:1] == ["choice"] and len(words) > 1:
        return Draw("choice", choices=tuple(words[1:]))
    if is_measured(text):
        try:
            return measured(*parse_measured(text)[1:])
        except InputError as error:
            raise InputError(error.problem, key=key, value=text) from None
    match = _FORM.match(str(text))
    if not match:
        raise InputError(RIGHT, key=key, value=text)
    try:
        low, high = float(match[2]), float(match[3])
    except ValueError:
        raise InputError(RIGHT, key=key, value=text) from None
    kind = match[1]
    if not (math.isfinite(low) and math.isfinite(high)):
        raise InputError(f"its numbers must be finite: {RIGHT}", key=key, value=text)
    good = {"uniform": high > low, "normal": high > 0, "lognormal": low > 0 and high > 1}[kind]
    if not good:
        raise InputError(f"its numbers do not fit a {kind}: {RIGHT}", key=key, value=text)
    return Draw(kind, low, high, match[4].strip())

"""Distributions of one value, with a unit: what a person writes of a value that is not known exactly, or varies."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Any

from simbank.errors import InputError

__all__ = ["Draw", "parse_draw"]

_FORM = re.compile(r"^\s*(uniform|normal|lognormal)\s+([-+0-9.eE]+)\s+([-+0-9.eE]+)\s*(.*)$")
RIGHT = (
    'write "uniform 0.02 0.2 milliohm" (least, greatest), "normal 100 3 Ah" (mean, standard deviation), '
    '"lognormal 0.05 1.5 milliohm" (median, factor of one standard deviation) or "choice slab rack"'
)


@dataclass(frozen=True)
class Draw:
    """A distribution for one key.

    Attributes
    ----------
    kind : {"uniform", "normal", "lognormal", "choice"}
    low, high : float
        Its two numbers, in the order of the text.
    unit : str
        Unit of the values; empty for plain numbers.
    choices : tuple
    """

    kind: str
    low: float = 0.0
    high: float = 0.0
    unit: str = ""
    choices: tuple = ()

    def number(self, share: float) -> float:
        """Value at a share of the distribution, 0 to 1; of a choice its number in the list."""
        from scipy.special import ndtri

        if self.kind == "uniform":
            return self.low + share * (self.high - self.low)
        if self.kind == "normal":
            return float(self.low + self.high * ndtri(share))
        if self.kind == "lognormal":
            return float(self.low * self.high ** ndtri(share))
        return min(int(share * len(self.choices)), len(self.choices) - 1)

    def value(self, share: float) -> Any:
        """What goes into the scenario."""
        number = self.number(share)
        if self.kind == "choice":
            return self.choices[number]
        return f"{number:.9g} {self.unit}" if self.unit else float(f"{number:.9g}")


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

"""Values at random for keys of a scenario: distributions with units, drawn by Latin hypercube or Sobol sequence."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import ndtri
from scipy.stats import qmc

from simbank.errors import InputError
from simbank.scenario import Scenario, joint_branches

__all__ = ["SAMPLERS", "Draw", "draw_points", "draw_shares", "expand_keys", "parse_draw"]

SAMPLERS = ("lhs", "sobol")
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


def expand_keys(scenario: Scenario, draws: Mapping[str, str | Draw]) -> dict[str, Draw]:
    """One key for each ``*``.

    ``packs.*.soc`` is the state of charge of every pack for itself (each of a ``count`` too), ``wiring.added.*`` the extra resistance
    of every link and lead.
    """
    out = {}
    for key, text in draws.items():
        draw = parse_draw(text, key)
        if "*" not in key:
            out[key] = draw
            continue
        begin, _, rest = key.partition(".*")
        if begin == "packs":
            names = [pack.name for pack in scenario.bank.packs]
        elif begin == "wiring.added":
            names = joint_branches(scenario.bank)
        elif begin in ("pack_types", "chemistries"):
            names = list(scenario.data.get(begin, {}))
        else:
            raise InputError("a * stands for every name in packs.*, pack_types.*, chemistries.* or wiring.added.*", key=key)
        out |= {f"{begin}.{name}{rest}": draw for name in names}
    return out


def draw_points(draws: Mapping[str, Draw], runs: int, sampler: str = "lhs", seed: int = 0) -> list[dict[str, Any]]:
    """Points, each a dict of key → value.

    Parameters
    ----------
    draws : dict of str to Draw
        A distribution for each key.
    runs : int
        How many points.
    sampler : {"lhs", "sobol"}
        Latin hypercube, or scrambled Sobol sequence (best with a power of two).
    seed : int
        The same points for the same seed.
    """
    shares = draw_shares(len(draws), runs, sampler, seed)
    return [{key: draw.value(share) for (key, draw), share in zip(draws.items(), row, strict=True)} for row in shares]


def draw_shares(many: int, runs: int, sampler: str = "lhs", seed: int = 0) -> np.ndarray:
    """Shares of the distributions of so many values, between 0 and 1, shape (runs, many); the rest as in :func:`draw_points`."""
    if sampler not in SAMPLERS:
        raise InputError(f"unknown sampler; use one of {', '.join(SAMPLERS)}", key="sampler", value=sampler)
    if runs < 1:
        raise InputError("needs one run or more", key="runs", value=runs)
    engine = (qmc.LatinHypercube if sampler == "lhs" else qmc.Sobol)(many, rng=np.random.default_rng(seed))
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # that a count is no power of two
        return np.clip(engine.random(runs), 1e-9, 1 - 1e-9)

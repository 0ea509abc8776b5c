"""What is taken of a bank where its file leaves a value out, and the range seen in practice, from ``assumed.toml``."""

from __future__ import annotations

from functools import cache, cached_property
from pathlib import Path
from typing import Annotated

from pydantic import Field, model_validator

from simbank import quantities
from simbank.distributions import Draw, within_range
from simbank.errors import InputError
from simbank.filemodel import FileModel, Takes, check, range_draw, read_toml

__all__ = ["Assumed", "assumed", "of_three"]

_FILE = Path(__file__).parent / "assumed.toml"
_Three = Annotated[list[float], Field(min_length=3, max_length=3)]


class _Resistance(FileModel):
    """A resistance left out: value of a plain run, and range."""

    value: str
    range: list[str]
    source: str
    cells_in_series: int = 1

    @model_validator(mode="after")
    def _readable(self):
        self.draw  # noqa: B018  (a range that is none is an error here)
        return self

    @cached_property
    def draw(self) -> Draw:
        """Its distribution; a plain value outside the range stands aside."""
        return range_draw(self.range, quantities.parse(self.value, "ohm"), Takes("ohm", 0.0, 1e3))


class _Label(FileModel):
    """Present over rated capacity and resistance of a pack with nothing but a label: low, typical, high."""

    capacity: _Three
    resistance: _Three
    source: str


class _Health(FileModel):
    """Present over rated resistance at a state of health of 80 %: low, typical, high."""

    growth_at_80_percent: _Three
    source: str


class Assumed(FileModel):
    """The file: what is taken where nothing is said."""

    joint: _Resistance
    internal_wiring: _Resistance
    label: _Label
    health: _Health

    @model_validator(mode="after")
    def _ordered(self):
        for key, three in (
            ("label.capacity", self.label.capacity), ("label.resistance", self.label.resistance),
            ("health.growth_at_80_percent", self.health.growth_at_80_percent),
        ):  # fmt: skip
            if not 0 < three[0] < three[1] < three[2]:
                raise InputError("must be low, typical, high in that order, none below zero", key=key)
        return self


@cache
def assumed() -> Assumed:
    """Contents of ``assumed.toml``.

    >>> assumed().joint.draw.value(0.95)
    '0.3 milliohm'
    """
    return check(Assumed, read_toml(_FILE), file=_FILE)


def of_three(three: list[float]) -> Draw:
    """The distribution of low, typical and high value of a bare number.

    >>> of_three([0.92, 0.97, 1.0]).value(0.5)
    0.97
    """
    low, typical, high = three
    return within_range(low, high, typical)

"""The file of an ageing law: what its keys are, and what of them is checked."""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field, model_validator

from simbank.distributions import Draw
from simbank.errors import InputError
from simbank.filemodel import FileModel, Takes, quantity, range_draw

__all__ = ["GAS_CONSTANT", "AgeingFile", "FittedTable", "RateTable", "SOCTable", "TermTable"]

GAS_CONSTANT = 8.314  # [J/mol/K], rounded as in the papers' own fits
EXACT = "the file of an ageing law has no ± and no within; the range of its scatter says how well it is known"
_Pair = Annotated[list[float], Field(min_length=2, max_length=2)]


class FittedTable(FileModel):
    """The conditions for which a law was fitted: ends of temperature, state of charge and C-rate, and how long its tests were."""

    ALL_EXACT: ClassVar[str] = EXACT
    celsius: _Pair
    soc: _Pair = Field(default_factory=lambda: [0.0, 1.0])
    c_rate: _Pair = Field(default_factory=lambda: [0.0, 1e9])
    days: Annotated[float, Field(gt=0)] | None = None
    source: str

    @model_validator(mode="after")
    def _ordered(self):
        for key in ("celsius", "soc", "c_rate"):
            low, high = getattr(self, key)
            if not low < high:
                raise InputError("its low end must lie below its high end", key=key, value=f"{low:g} to {high:g}")
        return self


class SOCTable(FileModel):
    """How a term depends on state of charge: ``cubic``, ``graphite`` (by the anode's potential) or ``from`` (none below)."""

    ALL_EXACT: ClassVar[str] = EXACT
    form: Literal["cubic", "graphite", "from"]
    cubic: float = 0.0
    constant: float = 0.0
    alpha: float = 0.0
    reference_volt: float = 0.0
    empty: float = 0.0
    full: float = 1.0
    soc: float = 0.0


class RateTable(FileModel):
    """How a term depends on C-rate: ``exponential``, exp(hours · (C − c_rate)), or ``table``, factors and an energy per C-rate."""

    ALL_EXACT: ClassVar[str] = EXACT
    form: Literal["exponential", "table"]
    hours: float = 0.0
    c_rate: float | list[float]
    factor: list[float] = Field(default_factory=list)
    energy_per_c_rate: quantity("joule/mole") = 0.0

    @model_validator(mode="after")
    def _whole(self):
        if isinstance(self.c_rate, list) != (self.form == "table"):
            raise InputError('must be a list in a "table" and one number in an "exponential"', key="c_rate", value=self.c_rate)
        if self.form == "table" and (len(self.c_rate) < 2 or len(self.factor) != len(self.c_rate) or min(self.factor) <= 0):
            raise InputError("needs a factor above zero for each of c_rate, two or more", key="factor", value=self.factor)
        if self.form == "table" and sorted(set(self.c_rate)) != self.c_rate:
            raise InputError("must rise", key="c_rate", value=self.c_rate)
        return self


class TermTable(FileModel):
    """One cause of loss: factor · (what it counts)^exponent · Arrhenius · its dependence on state of charge and C-rate."""

    ALL_EXACT: ClassVar[str] = EXACT
    name: str
    title: str
    counts: Literal["time", "throughput", "discharge", "charge"]
    unit: Literal["s", "h", "Ah"]
    exponent: Annotated[float, Field(gt=0, le=3)]
    factor: Annotated[float, Field(gt=0)]
    activation_energy: quantity("joule/mole") = 0.0
    reference_temperature: quantity("kelvin") | None = None
    soc: SOCTable | None = None
    rate: RateTable | None = None

    @model_validator(mode="after")
    def _unit_fits(self):
        if (self.counts == "time") == (self.unit == "Ah"):
            raise InputError("time is counted in s or h, charge in Ah", key="unit", value=self.unit)
        return self


class _Scatter(FileModel):
    """How much faster or slower cells of other makes lose: a factor of every term's loss, and its range."""

    ALL_EXACT: ClassVar[str] = EXACT
    scale: list[Any]
    source: str
    seen_in_practice: str

    @property
    def draw(self) -> Draw:
        """The distribution of the factor."""
        return range_draw(self.scale, 1.0, Takes(None, 0.01, 100.0))

    @model_validator(mode="after")
    def _readable(self):
        self.draw  # noqa: B018  (a range that is none is an error here)
        return self


class AgeingFile(FileModel):
    """The whole file."""

    ALL_EXACT: ClassVar[str] = EXACT
    name: str
    title: str
    source: str
    licence: str
    cell: str
    cell_capacity: quantity("ampere_hour", above_zero=True)
    families: list[str]
    chemistries: list[str]
    leaves_out: str = ""
    fitted: FittedTable
    terms: Annotated[list[TermTable], Field(min_length=1)]
    scatter: _Scatter

    @model_validator(mode="after")
    def _said(self):
        for key in ("source", "licence", "cell"):
            if not getattr(self, key).strip():
                raise InputError("must be said", key=key)
        names = [term.name for term in self.terms]
        if len(set(names)) < len(names):
            raise InputError("two terms have the same name", key="terms", value=", ".join(names))
        return self

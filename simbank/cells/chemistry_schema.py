"""The chemistry file: what its sections and keys are, and what of them is checked."""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np
from pydantic import Field, model_validator

from simbank.cells.curves import Curve
from simbank.errors import InputError
from simbank.filemodel import FileModel, fraction, quantity

__all__ = ["SECTIONS", "ChemistryFile", "Sourced"]

SECTIONS = ("ocv", "hysteresis", "entropy", "resistance", "relaxation", "limits", "charge_rate", "typical")


class Sourced(FileModel):
    """A section of a chemistry file: where its values come from; if assumed, which range is seen in practice."""

    source: str
    assumed: bool = False
    seen_in_practice: str | None = None

    @model_validator(mode="after")
    def _said(self):
        if not self.source.strip():
            raise InputError("must say where the values come from", key="source")
        if self.assumed and not (self.seen_in_practice or "").strip():
            raise InputError("an assumed value needs the range seen in practice", key="seen_in_practice")
        return self

    def note(self) -> str:
        """Source, whether it is assumed, and the range seen, in one line."""
        marks = "assumed; " if self.assumed else ""
        seen = f" Seen in practice: {self.seen_in_practice}" if self.seen_in_practice else ""
        return " ".join(f"{marks}{self.source}{seen}".split())


class _OCV(Sourced):
    soc: list[float]
    volt: list[float]


class _Hysteresis(Sourced):
    soc: list[float]
    half_width_volt: list[float]
    decay_per_soc: fraction(0.0, 1e4, above=True)


class _Entropy(Sourced):
    soc: list[float]
    volt_per_kelvin: list[float]


class _RC(FileModel):
    ratio: fraction(0.0, 100.0)
    time_constant: quantity("second", above_zero=True)


class _Resistance(Sourced):
    soc: list[float] = Field(default_factory=lambda: [0.0, 1.0])
    factor: list[float] = Field(default_factory=lambda: [1.0, 1.0])
    activation_energy: quantity("joule/mole", not_negative=True) = 0.0


class _Relaxation(_Resistance):
    rc: list[_RC]


class _Limits(Sourced):
    volt_max: float
    volt_min: float
    charge_volt: float
    cutoff_volt: float


class _ChargeRate(Sourced):
    celsius: list[float]
    c_rate: list[float]


class _Typical(Sourced):
    capacity: quantity("ampere_hour", above_zero=True)
    resistance: quantity("ohm", above_zero=True)
    specific_heat: quantity("joule/kilogram/kelvin", above_zero=True)
    cells_in_series_48v: Annotated[int, Field(ge=1, le=1000, strict=True)] | None = None


class ChemistryFile(FileModel):
    """Schema of a chemistry file."""

    name: str
    title: str
    source: str
    licence: str
    reference_temperature: quantity("kelvin", above_zero=True)
    family: Literal["lithium-ion", "lead-acid"] = "lithium-ion"
    ocv: _OCV
    hysteresis: _Hysteresis
    entropy: _Entropy
    resistance: _Resistance
    relaxation: _Relaxation
    limits: _Limits
    charge_rate: _ChargeRate
    typical: _Typical

    @model_validator(mode="after")
    def _sound(self):
        _check_points("ocv.volt", self.ocv.soc, self.ocv.volt)
        if np.any(np.diff(self.ocv.volt) <= 0):
            raise InputError("must rise with soc from point to point", key="ocv.volt")
        _check_points("hysteresis.half_width_volt", self.hysteresis.soc, self.hysteresis.half_width_volt)
        if min(self.hysteresis.half_width_volt) < 0:
            raise InputError("must not be below zero", key="hysteresis.half_width_volt")
        _check_points("entropy.volt_per_kelvin", self.entropy.soc, self.entropy.volt_per_kelvin)
        for key in ("resistance", "relaxation"):
            part = getattr(self, key)
            _check_points(f"{key}.factor", part.soc, part.factor)
            if min(part.factor) <= 0:
                raise InputError("must be above zero", key=f"{key}.factor")
            if abs(float(Curve(part.soc, part.factor)(0.5)) - 1.0) > 1e-6:
                raise InputError("must be 1 at soc 0.5, where the resistance itself is stated", key=f"{key}.factor")
        if len(self.relaxation.rc) != 2:
            raise InputError("needs exactly two pairs", key="relaxation.rc")
        low, cutoff, charge, high = (getattr(self.limits, k) for k in ("volt_min", "cutoff_volt", "charge_volt", "volt_max"))
        if not 0 < low <= cutoff < charge <= high:
            raise InputError("must satisfy 0 < volt_min <= cutoff_volt < charge_volt <= volt_max", key="limits")
        rate = self.charge_rate
        if len(rate.celsius) != len(rate.c_rate) or len(rate.celsius) < 2 or np.any(np.diff(rate.celsius) <= 0):
            raise InputError("needs as many rates as temperatures, two or more, temperatures rising", key="charge_rate")
        if min(rate.c_rate) < 0:
            raise InputError("must not be below zero", key="charge_rate.c_rate")
        for key in ("source", "licence"):
            if not getattr(self, key).strip():
                raise InputError("must say where the values come from and under which terms", key=key)
        return self


def _check_points(key, soc, values):
    if len(soc) != len(values) or len(soc) < 2:
        raise InputError("needs as many values as soc points, two or more", key=key)
    if soc[0] != 0 or soc[-1] != 1 or np.any(np.diff(soc) <= 0):
        raise InputError("soc points must rise strictly from 0 to 1", key=key)
    if not np.all(np.isfinite(values)):
        raise InputError("values must be finite", key=key)

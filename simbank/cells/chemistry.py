"""A chemistry: open-circuit voltage, hysteresis, relaxation and limits of one cell, read from a data file."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from pydantic import model_validator

from simbank.cells.curves import Curve
from simbank.errors import InputError
from simbank.filemodel import FileModel, check, fraction, nearest, quantity, read_toml

__all__ = ["Chemistry", "RCPair", "library", "load_chemistry"]

LIBRARY = Path(__file__).parent / "library"


@dataclass(frozen=True)
class RCPair:
    """A relaxation: resistance as a fraction of R0, and time constant [s]."""

    resistance_ratio: float
    time_constant_s: float


@dataclass(frozen=True, eq=False)
class Chemistry:
    """What all cells of a kind have in common.

    Attributes
    ----------
    name : str
    ocv : Curve
        Open-circuit voltage half way between the branches [V] over state of charge.
    half_width : Curve
        Half of the gap between charge and discharge branch [V] over state of charge.
    decay_per_soc : float
        Rate γ at which the hysteresis state follows a change of state of charge [1 per unit SOC].
    rc : tuple of RCPair
        Two pairs.
    volt_max, volt_min : float
        Cell limits at which a pack opens [V].
    charge_volt, cutoff_volt : float
        What a charger and an inverter are set to, unless the duty says otherwise [V per cell].
    source, licence : str
    """

    name: str
    ocv: Curve
    half_width: Curve
    decay_per_soc: float
    rc: tuple
    volt_max: float
    volt_min: float
    charge_volt: float
    cutoff_volt: float
    title: str = ""
    source: str = ""
    licence: str = ""


def library():
    """Names of the chemistries that ship with simbank."""
    return sorted(path.stem for path in LIBRARY.glob("*.toml"))


class _OCV(FileModel):
    soc: list[float]
    volt: list[float]


class _Hysteresis(FileModel):
    soc: list[float]
    half_width_volt: list[float]
    decay_per_soc: fraction(0.0, 1e4, above=True)
    source: str


class _RC(FileModel):
    ratio: fraction(0.0, 100.0)
    time_constant: quantity("second", above_zero=True)


class _Resistance(FileModel):
    rc: list[_RC]
    source: str


class _Limits(FileModel):
    volt_max: float
    volt_min: float
    charge_volt: float
    cutoff_volt: float
    source: str


class ChemistryFile(FileModel):
    """Schema of a chemistry file."""

    name: str
    title: str
    source: str
    licence: str
    reference_temperature: quantity("kelvin", above_zero=True)
    ocv: _OCV
    hysteresis: _Hysteresis
    resistance: _Resistance
    limits: _Limits

    @model_validator(mode="after")
    def _sound(self):
        _check_points("ocv.volt", self.ocv.soc, self.ocv.volt)
        if np.any(np.diff(self.ocv.volt) <= 0):
            raise InputError("must rise with soc from point to point", key="ocv.volt")
        _check_points("hysteresis.half_width_volt", self.hysteresis.soc, self.hysteresis.half_width_volt)
        if min(self.hysteresis.half_width_volt) < 0:
            raise InputError("must not be below zero", key="hysteresis.half_width_volt")
        if len(self.resistance.rc) != 2:
            raise InputError("needs exactly two pairs", key="resistance.rc")
        low, cutoff, charge, high = (getattr(self.limits, k) for k in ("volt_min", "cutoff_volt", "charge_volt", "volt_max"))
        if not 0 < low <= cutoff < charge <= high:
            raise InputError("must satisfy 0 < volt_min <= cutoff_volt < charge_volt <= volt_max", key="limits")
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


@cache
def load_chemistry(name):
    """Chemistry by library name ("lfp") or by path of a file of the same form.

    Raises
    ------
    InputError
        If there is no such chemistry or its file is not sound.
    """
    path = LIBRARY / f"{name}.toml"
    if str(name).endswith(".toml"):
        path = Path(name)
    elif not path.exists():
        raise InputError(f"unknown chemistry; {nearest(name, library())}, or give the path of a .toml file", value=str(name))
    data = check(ChemistryFile, read_toml(path), file=path)
    return Chemistry(
        name=data.name,
        title=data.title,
        source=data.source,
        licence=data.licence,
        ocv=Curve(data.ocv.soc, data.ocv.volt),
        half_width=Curve(data.hysteresis.soc, data.hysteresis.half_width_volt),
        decay_per_soc=data.hysteresis.decay_per_soc,
        rc=tuple(RCPair(pair.ratio, pair.time_constant) for pair in data.resistance.rc),
        volt_max=data.limits.volt_max,
        volt_min=data.limits.volt_min,
        charge_volt=data.limits.charge_volt,
        cutoff_volt=data.limits.cutoff_volt,
    )

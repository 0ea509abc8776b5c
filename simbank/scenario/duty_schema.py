"""Schema of a duty: steps, tables, and real days with their sun and load."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator

from simbank.errors import InputError
from simbank.filemodel import FileModel, fraction, quantity
from simbank.scenario.equipment_schema import Rate

__all__ = ["ConstantDuty", "CyclesDuty", "DaysDuty", "TableDuty", "pick_duty"]


class StepTable(FileModel):
    """One step of a cycle: a rest, a discharge or a charge of one port."""

    rest: Literal[True] | None = None
    port: str | None = None
    discharge: Rate | None = None
    charge: Rate | None = None
    resistance: quantity("ohm", above_zero=True) | None = None
    hours: fraction(0.0, 1e6, above=True)
    voltage: quantity("volt", above_zero=True) | None = None
    tail: Rate | None = None
    cutoff: quantity("volt", above_zero=True) | None = None
    then: Literal["wait", "next"] = "wait"

    @model_validator(mode="after")
    def _one_thing(self):
        if sum(x is not None for x in (self.rest, self.discharge, self.charge, self.resistance)) != 1:
            raise InputError('needs exactly one of "rest = true", "discharge", "charge" and "resistance" (a resistive load)')
        if self.charge is None and (self.voltage is not None or self.tail is not None):
            raise InputError('"voltage" and "tail" belong to a charge; a discharge has "cutoff"')
        if self.charge is not None and self.cutoff is not None:
            raise InputError('"cutoff" belongs to a discharge; a charge has "voltage" and "tail"')
        if self.tail is not None and self.tail[0] == "w":
            raise InputError('must be a C-rate or a current, such as "0.02 C"', key="tail")
        return self


class CyclesDuty(FileModel):
    """Steps, repeated. ``c_rate`` replaces the rate of every step that is stated in C."""

    kind: Literal["cycles"]
    repeat: Annotated[int, Field(ge=1, le=100_000, strict=True)] = 1
    c_rate: fraction(0.0, 100.0, above=True) | None = None
    steps: Annotated[list[StepTable], Field(min_length=1)]


class ConstantDuty(StepTable):
    """One charge or discharge."""

    kind: Literal["constant"]
    c_rate: fraction(0.0, 100.0, above=True) | None = None


class TableDuty(FileModel):
    """Current or power over time from a CSV file (path from the scenario file's folder)."""

    kind: Literal["table"]
    file: str
    interpolation: Literal["hold", "linear"] = "hold"
    repeat: Annotated[int, Field(ge=1, le=100_000, strict=True)] = 1
    voltage: quantity("volt", above_zero=True) | None = None
    tail: Rate | None = None
    cutoff: quantity("volt", above_zero=True) | None = None


class SunTable(FileModel):
    """Power offered to a charging port: an array under a clear sky or seeded weather, or a table with time stamps."""

    port: str | None = None
    file: str | None = None
    latitude: fraction(-90.0, 90.0) | None = None
    longitude: fraction(-180.0, 180.0) | None = None
    altitude_m: fraction(-500.0, 9000.0) = 0.0
    tilt: fraction(0.0, 90.0) = 30.0
    azimuth: fraction(0.0, 360.0) = 180.0
    peak_power: quantity("watt", above_zero=True) | None = None
    losses: fraction(0.0, 1.0) = 0.14
    weather_seed: Annotated[int, Field(ge=0, strict=True)] | None = None
    weather_mean: fraction(0.05, 1.0) = 0.65

    @model_validator(mode="after")
    def _whole(self):
        place = (self.latitude, self.longitude, self.peak_power)
        if self.file is None and None in place:
            raise InputError('needs "latitude", "longitude" and "peak_power", or "file"')
        if self.file is not None and any(x is not None for x in place):
            raise InputError('give either a "file" or a place, not both', key="file")
        return self


class LoadTable(FileModel):
    """Power asked at a port: a day's energy over its hours, or a table with time stamps; AC where the port has an inverter."""

    port: str | None = None
    file: str | None = None
    energy_per_day: quantity("watt_hour", above_zero=True) | None = None
    shape: Annotated[list[fraction(0.0, 1e9)], Field(min_length=24, max_length=24)] | None = None
    seed: Annotated[int, Field(ge=0, strict=True)] | None = None
    spread: fraction(0.0, 1.0) = 0.15

    @model_validator(mode="after")
    def _whole(self):
        if (self.file is None) == (self.energy_per_day is None):
            raise InputError('needs "energy_per_day" or "file"')
        if self.shape is not None and sum(self.shape) == 0:
            raise InputError("must hold something above zero", key="shape")
        return self


def _date_text(value):
    """A date of TOML's own kind (2025-06-21 without quotation marks) as text."""
    return str(value) if isinstance(value, dt.date) else value


class DaysDuty(FileModel):
    """Real days: what the sun offers and what is asked, at equal steps of local time."""

    kind: Literal["days"]
    days: Annotated[int, Field(ge=1, le=36600, strict=True)] = 1
    start: Annotated[str, BeforeValidator(_date_text)] = "2025-06-21"
    timezone: str = "UTC"
    step: quantity("second", above_zero=True) = 60.0
    sun: list[SunTable] = Field(default_factory=list)
    load: list[LoadTable] = Field(default_factory=list)
    voltage: quantity("volt", above_zero=True) | None = None
    cutoff: quantity("volt", above_zero=True) | None = None

    @model_validator(mode="before")
    @classmethod
    def _one_or_many(cls, data):
        """[duty.sun] and [[duty.sun]] both read."""
        if isinstance(data, dict):
            data = data | {key: [data[key]] for key in ("sun", "load") if isinstance(data.get(key), dict)}
        return data


DUTIES = {"cycles": CyclesDuty, "constant": ConstantDuty, "table": TableDuty, "days": DaysDuty}


def pick_duty(data):
    if not isinstance(data, dict):
        raise InputError('needs a table, such as [duty] with kind = "cycles"')
    kind = data.get("kind")
    if not isinstance(kind, str) or kind not in DUTIES:
        raise InputError(f"use one of {', '.join(DUTIES)}", key="kind", value=kind)
    return data

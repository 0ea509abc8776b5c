"""Schema of a duty: steps, tables, and real days with their sun and load."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator

from simbank.errors import InputError
from simbank.filemodel import FileModel, fraction, quantity
from simbank.scenario.equipment_schema import Rate, Tail

__all__ = ["ConstantDuty", "CyclesDuty", "DaysDuty", "TableDuty", "pick_duty"]


class StepTable(FileModel):
    """One step of a cycle: a rest, a discharge or a charge of one port.

    A charge is constant current, then constant voltage, then ended at the tail; without a tail it holds the voltage to the end of the
    step. Where the bank stands higher than that voltage nothing flows in: the event says so, and a charge with a tail ends there.
    """

    rest: Literal[True] | None = Field(None, description="nothing is asked")
    port: str | None = Field(None, description="by default the first")
    discharge: Rate | None = Field(None, description="one of `rest`, `discharge`, `charge` and `resistance`")
    charge: Rate | None = Field(None, description="likewise")
    resistance: quantity("ohm", above_zero=True) | None = Field(
        None,
        description="a load of constant resistance, likewise",
    )
    hours: fraction(0.0, 1e6, above=True) = Field(description="length of the step")
    voltage: quantity("volt", above_zero=True) | None = Field(
        None,
        description="of a charge, that it holds; by default what suits the cells (LFP 3.55 V each)",
    )
    tail: Tail | None = Field(
        None,
        description="of a charge: current at which it ends; by default held to the end",
    )
    cutoff: quantity("volt", above_zero=True) | None = Field(
        None,
        description="of a discharge: voltage at the port at which it ends; by default what suits the cells (LFP 2.80 V each)",
    )
    then: Literal["wait", "next"] = Field(
        "wait",
        description="`wait`: the port rests until the step's hours are over, so that days stay days; `next`: the next step begins "
        "at once",
    )

    @model_validator(mode="after")
    def _one_thing(self):
        if sum(x is not None for x in (self.rest, self.discharge, self.charge, self.resistance)) != 1:
            raise InputError('needs exactly one of "rest = true", "discharge", "charge" and "resistance" (a resistive load)')
        if self.charge is None and (self.voltage is not None or self.tail is not None):
            raise InputError('"voltage" and "tail" belong to a charge; a discharge has "cutoff"')
        if self.charge is not None and self.cutoff is not None:
            raise InputError('"cutoff" belongs to a discharge; a charge has "voltage" and "tail"')
        return self


class CyclesDuty(FileModel):
    """Steps, repeated."""

    kind: Literal["cycles"] = Field(description="which kind of duty: a list of steps, done `repeat` times")
    repeat: Annotated[int, Field(ge=1, le=100_000, strict=True)] = Field(
        1,
        description="how often all steps are done",
    )
    c_rate: fraction(0.0, 100.0, above=True) | None = Field(
        None,
        description="replaces every rate that is stated in C",
    )
    steps: Annotated[list[StepTable], Field(min_length=1)] = Field(description="in order")


class ConstantDuty(StepTable):
    """One charge or discharge."""

    kind: Literal["constant"] = Field(description="which kind of duty: a single step")
    c_rate: fraction(0.0, 100.0, above=True) | None = Field(None, description="replaces a rate that is stated in C")


class TableDuty(FileModel):
    """Current or power over time from a CSV file."""

    kind: Literal["table"] = Field(description="which kind of duty: current or power over time, read from `file`")
    file: str = Field(
        description="CSV, from the scenario's folder: `time_s`, `time_min` or `time_h`, and `PORT_current_a` or `PORT_power_w` "
        "for each port, positive discharge; a row holds until the next, the last only ends the table",
    )
    interpolation: Literal["hold", "linear"] = Field("hold", description="between rows")
    repeat: Annotated[int, Field(ge=1, le=100_000, strict=True)] = Field(1, description="how often the table is done")
    voltage: quantity("volt", above_zero=True) | None = Field(None, description="as of a step")
    tail: Tail | None = Field(None, description="as of a step")
    cutoff: quantity("volt", above_zero=True) | None = Field(None, description="as of a step")


class SunTable(FileModel):
    """Power offered to a charging port: an array under a clear sky or seeded weather, or a table with time stamps."""

    port: str | None = Field(None, description="by default the first")
    file: str | None = Field(
        None,
        description="instead of a place: CSV with `time` in ISO 8601 (`2025-06-21 06:00`, with or without offset) and `power_w`",
    )
    latitude: fraction(-90.0, 90.0) | None = Field(None, description="degrees, north positive")
    longitude: fraction(-180.0, 180.0) | None = Field(None, description="degrees, east positive")
    altitude_m: fraction(-500.0, 9000.0) = Field(0.0, description="above the sea [m]")
    tilt: fraction(0.0, 90.0) = Field(30.0, description="of the array from the horizontal [degrees]")
    azimuth: fraction(0.0, 360.0) = Field(
        180.0,
        description="to which it faces: 0 north, 90 east, 180 south [degrees]",
    )
    peak_power: quantity("watt", above_zero=True) | None = Field(None, description="of the array")
    losses: fraction(0.0, 1.0) = Field(0.14, description="between array and port, as a fraction")
    weather_seed: Annotated[int, Field(ge=0, strict=True)] | None = Field(
        None,
        description="days of seeded, invented weather; by default a clear sky",
    )
    weather_mean: fraction(0.05, 1.0) = Field(
        0.65,
        description="mean share of the clear sky's power that the weather leaves",
    )

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

    port: str | None = Field(None, description="by default the first")
    file: str | None = Field(None, description="instead of a day's energy: CSV as for the sun")
    energy_per_day: quantity("watt_hour", above_zero=True) | None = Field(None, description="mean of the days")
    shape: Annotated[list[fraction(0.0, 1e9)], Field(min_length=24, max_length=24)] | None = Field(
        None,
        description="shares of the 24 hours; by default a household's, our own and invented",
    )
    seed: Annotated[int, Field(ge=0, strict=True)] | None = Field(
        None,
        description="of days that differ; by default all are alike",
    )
    spread: fraction(0.0, 1.0) = Field(0.15, description="standard deviation of their energy, as a fraction")

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

    kind: Literal["days"] = Field(description="which kind of duty: sun and load over real days")
    days: Annotated[int, Field(ge=1, le=36600, strict=True)] = Field(1, description="how many")
    start: Annotated[str, BeforeValidator(_date_text)] = Field(
        "2025-06-21",
        description='a local date, or date and time of day (`"2025-06-21 06:00"`)',
    )
    timezone: str = Field("UTC", description='`"Europe/Zurich"`, `"+05:30"`')
    step: quantity("second", above_zero=True) = Field(60.0, description="of sun and load")
    sun: list[SunTable] = Field(
        default_factory=list,
        description="what charging ports are offered; one table or several",
    )
    load: list[LoadTable] = Field(default_factory=list, description="what is asked; one table or several")
    voltage: quantity("volt", above_zero=True) | None = Field(None, description="as of a step")
    cutoff: quantity("volt", above_zero=True) | None = Field(None, description="as of a step")

    @model_validator(mode="before")
    @classmethod
    def _one_or_many(cls, data):
        """[duty.sun] and [[duty.sun]] both read."""
        if isinstance(data, dict):
            data = data | {key: [data[key]] for key in ("sun", "load") if isinstance(data.get(key), dict)}
        return data


DUTIES = {"cycles": CyclesDuty, "constant": ConstantDuty, "table": TableDuty, "days": DaysDuty}


def pick_duty(data):
    """The table of a duty if its ``kind`` is known; the other fault would be pydantic's, which names every kind.

    Raises
    ------
    InputError
    """
    if not isinstance(data, dict):
        raise InputError('needs a table, such as [duty] with kind = "cycles"')
    kind = data.get("kind")
    if not isinstance(kind, str) or kind not in DUTIES:
        raise InputError(f"use one of {', '.join(DUTIES)}", key="kind", value=kind)
    return data

"""The air through the year: a mean, how far it swings and its coldest day, or a temperature for every day from a file."""

from __future__ import annotations

import datetime as dt
import math
from pathlib import Path
from typing import Annotated

import numpy as np
from pydantic import BeforeValidator, ConfigDict, Field, PrivateAttr, model_validator

from simbank.errors import InputError
from simbank.filemodel import LEAST_C, MOST_C, FileModel, bank_temperature, finite_column, quantity, read_csv

__all__ = ["SeasonsTable"]

DAYS_A_YEAR = 365.25
DAYS = 365  # of a year as a file has it; what it says of a 29 February counts with the 28th, of a day 366 with day 365
MONTH_DAYS = 28.0


def _day_text(value):
    """A day of the year as month and day; a whole date will do."""
    text = str(value)
    for form in ("%Y-%m-%d", "%m-%d"):
        try:
            date = dt.datetime.strptime(text if form[1] == "Y" else f"2025-{text}", "%Y-%m-%d")
        except ValueError:
            continue
        return f"{date:%m-%d}"
    raise InputError('not a day of the year; write month and day, such as "01-20"', value=text)


class SeasonsTable(FileModel):
    """Temperature of the air over the year: mean − swing · cos(2π (day − coldest) / 365.25), or day by day from a file."""

    model_config = ConfigDict(json_schema_extra={"oneOf": [{"required": ["mean"]}, {"required": ["file"]}]})

    mean: bank_temperature() | None = Field(None, description="of the year; what a run without dates takes")
    swing: quantity("kelvin", not_negative=True, most=60.0, hint='; a difference, such as "8 K"') = Field(
        0.0, description='by how much the warmest day is above the mean, and the coldest below it, such as `"8 K"`'
    )
    coldest: Annotated[str, BeforeValidator(_day_text)] = Field(
        "01-20",
        description='day of the coldest, month and day (`"01-20"`; south of the equator about `"07-20"`); '
        "of a whole date the year does not count",
    )
    file: str | None = Field(
        None,
        description="instead of mean, swing and coldest: CSV, from the scenario's folder, with `temperature_c` of every day of a year, and "
        "`day` (1 on the first of January) or `date` (`2025-01-31` or `01-31`); of several years each day's mean is taken",
    )
    shift: quantity("kelvin", least=-60.0, most=60.0, hint='; a difference, such as "-5 K"') = Field(
        0.0, description='added to every value of the file, such as `"-5 K"`'
    )
    _daily_k: np.ndarray | None = PrivateAttr(None)

    @model_validator(mode="after")
    def _one_of_both(self):
        given = self.model_fields_set
        if ("mean" in given) == ("file" in given):
            raise InputError('needs "mean" (with "swing" and "coldest") or "file", one of both')
        for key in ("swing", "coldest") if self.file is not None else ("shift",):
            if key in given:
                raise InputError(f"does not go with {'file' if self.file is not None else 'mean'}", key=key)
        return self

    def with_days(self, folder: Path) -> SeasonsTable:
        """The same with its file read; paths start from a folder.

        Raises
        ------
        InputError
            If the file is missing, or does not have a temperature for every day of a year; it names file, row or day, and value.
        """
        if self.file is None:
            return self
        daily_k = _days_of(folder / self.file) + self.shift
        made = self.model_copy(update={"mean": float(daily_k.mean())})
        made._daily_k = daily_k
        return made

    @property
    def coldest_day(self) -> int:
        """Number of the coldest day, 1 on the first of January; of a file the middle of the coldest four weeks."""
        if self._daily_k is not None:
            return 1 + int(np.argmin([self.at_k(day) for day in range(1, DAYS + 1)]))
        return dt.datetime.strptime(f"2025-{self.coldest}", "%Y-%m-%d").timetuple().tm_yday

    def at_k(self, day: float, over_days: float = MONTH_DAYS) -> float:
        """Temperature of the air [K] about a day of the year, 1 on the first of January; of a file the mean over so many days about it.

        >>> table = SeasonsTable(mean="10 degC", swing="8 K", coldest="01-20")
        >>> round(table.at_k(20) - 273.15, 6), round(table.at_k(20 + 365.25 / 2) - 273.15, 6)
        (2.0, 18.0)
        """
        if self._daily_k is not None:
            begin, end = day - 1.0 - over_days / 2.0, day - 1.0 + over_days / 2.0
            return (self._summed(end) - self._summed(begin)) / over_days
        return self.mean - self.swing * math.cos(2.0 * math.pi * (day - self.coldest_day) / DAYS_A_YEAR)

    def _summed(self, days):
        """Sum of the file's values from the first of January to so many days later, year after year [K d]."""
        sums = np.concatenate([[0.0], np.cumsum(self._daily_k)])
        years, rest = divmod(days, DAYS)
        return years * sums[-1] + float(np.interp(rest, np.arange(DAYS + 1), sums))


def _days_of(path):
    """Temperature of each day of a year from a file [K], shape (365,)."""
    frame = read_csv(path, only_empty_is_missing=True, other_separators=True)
    at = next((key for key in ("day", "date") if key in frame), None)
    if at is None or "temperature_c" not in frame or len(frame.columns) != 2:
        raise InputError(
            'needs the columns "temperature_c" and "day" (1 to 366) or "date", and no others',
            file=path, key="columns", value=", ".join(map(str, frame.columns)),
        )  # fmt: skip
    empty = frame["temperature_c"].isna()
    if empty.any():
        raise InputError(
            "is empty; every day needs a temperature", file=path, key=f"row {int(empty.argmax()) + 2}, temperature_c"
        )
    celsius = finite_column(frame, "temperature_c", path, "every day needs a temperature, a finite number of degC")
    for row, value in enumerate(celsius):
        if not LEAST_C <= value <= MOST_C:
            raise InputError(
                f"must be from {LEAST_C:g} to {MOST_C:g} degC", file=path, key=f"row {row + 2}, temperature_c", value=float(value)
            )
    number = np.array([_number_of_day(text, path, f"row {row + 2}, {at}", at) for row, text in enumerate(frame[at])], int)
    count = np.bincount(number - 1, minlength=DAYS)
    missing = np.flatnonzero(count == 0)
    if missing.size:
        first = dt.date(2025, 1, 1) + dt.timedelta(days=int(missing[0]))
        raise InputError(
            f"no temperature for this day; a whole year is needed, and {missing.size} of its {DAYS} days are missing",
            file=path, key=at, value=f"{first:%m-%d}" if at == "date" else int(missing[0]) + 1,
        )  # fmt: skip
    twice = frame[at].astype(str).str.strip().duplicated()
    if twice.any():
        row = int(twice.argmax())
        raise InputError("this day stands there twice", file=path, key=f"row {row + 2}, {at}", value=str(frame[at].iloc[row]))
    return np.bincount(number - 1, celsius, minlength=DAYS) / count + 273.15


def _number_of_day(value, path, key, column):
    """Number of a day of the year, 1 to 365."""
    if column == "date":
        text = str(value).strip()
        if text.endswith("02-29"):
            text = f"{text[:-2]}28"
        try:
            return dt.datetime.strptime(f"2025-{_day_text(text)}", "%Y-%m-%d").timetuple().tm_yday
        except InputError:
            raise InputError('not a date; write "2025-01-31", or "01-31"', file=path, key=key, value=str(value)) from None
    try:
        number = float(value)
    except ValueError:
        number = math.nan
    if not (number == number and 1 <= number <= DAYS + 1 and number == int(number)):
        raise InputError("must be a whole number of a day of the year, 1 to 366", file=path, key=key, value=str(value))
    return min(int(number), DAYS)

"""The air through the year: a mean, how far it swings, and its coldest day."""

from __future__ import annotations

import datetime as dt
import math
from typing import Annotated

from pydantic import BeforeValidator, Field

from simbank.errors import InputError
from simbank.filemodel import FileModel, bank_temperature, quantity

__all__ = ["SeasonsTable"]

DAYS_A_YEAR = 365.25


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
    """Temperature of the air over the year: mean − swing · cos(2π (day − coldest) / 365.25)."""

    mean: bank_temperature() = Field(description="of the year; what a run without dates takes")
    swing: quantity("kelvin", not_negative=True, most=60.0, hint='; a difference, such as "8 K"') = Field(
        0.0, description='by how much the warmest day is above the mean, and the coldest below it, such as `"8 K"`'
    )
    coldest: Annotated[str, BeforeValidator(_day_text)] = Field(
        "01-20", description='day of the coldest, month and day (`"01-20"`; south of the equator about `"07-20"`)'
    )

    @property
    def coldest_day(self) -> int:
        """Number of the coldest day, 1 on the first of January."""
        return dt.datetime.strptime(f"2025-{self.coldest}", "%Y-%m-%d").timetuple().tm_yday

    def at_k(self, day: float) -> float:
        """Temperature of the air [K] on a day of the year, 1 on the first of January.

        >>> table = SeasonsTable(mean="10 degC", swing="8 K", coldest="01-20")
        >>> round(table.at_k(20) - 273.15, 6), round(table.at_k(20 + 365.25 / 2) - 273.15, 6)
        (2.0, 18.0)
        """
        return self.mean - self.swing * math.cos(2.0 * math.pi * (day - self.coldest_day) / DAYS_A_YEAR)

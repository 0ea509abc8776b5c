"""Windows of a year: which stretches of the duty are run, at which temperature of the air, and for which share of the year each stands."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass

from simbank import days
from simbank.duty import Duty, SampledDuty
from simbank.scenario import Scenario, with_changes
from simbank.scenario.duty_schema import DaysDuty

__all__ = ["DAYS_A_YEAR", "YEAR_S", "Season", "every_day", "seasons_of"]

DAYS_A_YEAR = 365.25
YEAR_S = DAYS_A_YEAR * 86400.0
SEASONS = 4  # the mean of so many points of a year, equally far apart, is exact for a yearly sine and its next two harmonics
STRETCH_DAYS = 7  # of real days gone through one after the other: so long the air has one temperature, and packs one capacity
SEED_STEP = 1000  # between the seeds of weather of one window and the next


@dataclass(frozen=True, eq=False)
class Season:
    """A window.

    Attributes
    ----------
    name : str
    share : float
        Of the year that it stands for.
    ambient_k : float
        Of the air [K].
    duty : Duty or SampledDuty
    """

    name: str
    share: float
    ambient_k: float
    duty: Duty | SampledDuty


def _from_dates(scenario):
    """Whether its duty is of real days that may be of any date: made of sun and loads, not of tables with dates of their own."""
    duty = scenario.file.duty
    return isinstance(duty, DaysDuty) and not any(table.file for table in (*duty.sun, *duty.load))


def seasons_of(scenario: Scenario, window_days: int) -> list[Season]:
    """The windows of a year.

    Real days: four stretches, a quarter of a year apart, the first about the coldest day where the air has seasons, else about the first
    day of the duty; each with weather of its own. A duty without dates: itself, once, or four times in air of four temperatures.

    Parameters
    ----------
    scenario : Scenario
        Its duty and its seasons.
    window_days : int
        Length of a stretch of real days.
    """
    table = scenario.file.seasons
    dated = _from_dates(scenario)
    if table is None and not dated:
        return [Season("the duty", 1.0, scenario.bank.ambient_k, scenario.duty)]
    begin = days.read_start(scenario.file.duty.start) if dated else dt.datetime(2025, 1, 1)
    first = table.coldest_day if table is not None else begin.timetuple().tm_yday
    found = []
    for k in range(SEASONS):
        day = (first - 1 + k * DAYS_A_YEAR / SEASONS) % DAYS_A_YEAR
        ambient = scenario.bank.ambient_k if table is None else table.at_k(day + 1)
        date = dt.datetime(begin.year, 1, 1) + dt.timedelta(days=int(day))
        name = f"{date:%d %B}"
        duty = _stretch(scenario, date - dt.timedelta(days=window_days // 2), window_days, k) if dated else scenario.duty
        found.append(Season(name, 1.0 / SEASONS, ambient, duty))
    return found


def _stretch(scenario, begin, count, number):
    """The duty of so many real days from a date on."""
    changes = {"duty.start": f"{begin:%Y-%m-%d}", "duty.days": count}
    for k, sun in enumerate(scenario.file.duty.sun):
        if sun.weather_seed is not None:
            changes[_key(scenario, "sun", k, "weather_seed")] = sun.weather_seed + SEED_STEP * number
    for k, load in enumerate(scenario.file.duty.load):
        if load.seed is not None:
            changes[_key(scenario, "load", k, "seed")] = load.seed + SEED_STEP * number
    return with_changes(scenario, changes).duty


def _key(scenario, kind, k, last):
    """The dotted key of one sun or load, which a file may have as one table or as several."""
    return f"duty.{kind}.{last}" if isinstance(scenario.data["duty"][kind], dict) else f"duty.{kind}.{k}.{last}"


def every_day(scenario: Scenario, begin_s: float, end_s: float) -> Iterator[tuple[float, Season]]:
    """The whole duty without gaps: each stretch with its length in seconds, from ``begin_s`` to ``end_s`` after the start.

    Real days come a week at a time, with weather of their own; another duty is gone through again and again.
    """
    table, dated = scenario.file.seasons, _from_dates(scenario)
    begin = days.read_start(scenario.file.duty.start) if dated else dt.datetime(2025, 1, 1)
    length = STRETCH_DAYS * 86400.0 if dated else scenario.duty.duration_s
    number = round(begin_s / length)
    while number * length < end_s - 1.0:
        middle = (begin.timetuple().tm_yday + (number + 0.5) * length / 86400.0) % DAYS_A_YEAR
        ambient = scenario.bank.ambient_k if table is None else table.at_k(middle)
        duty = (
            _stretch(scenario, begin + dt.timedelta(days=number * STRETCH_DAYS), STRETCH_DAYS, number) if dated else scenario.duty
        )
        yield min(length, end_s - number * length), Season("a stretch", 1.0, ambient, duty)
        number += 1

"""Windows of a year: which stretches of the duty are run, at which temperature of the air, and for which share of the year each stands."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from simbank.duty import Duty, SampledDuty
from simbank.scenario import Scenario, with_changes
from simbank.scenario.duty_schema import DaysDuty

__all__ = [
    "DAYS_A_YEAR",
    "LEAST_WINDOW_DAYS",
    "YEAR_S",
    "Season",
    "every_day",
    "is_dated",
    "part_of_year",
    "seasons_of",
    "whole_year",
]

DAYS_A_YEAR = 365.25
YEAR_S = DAYS_A_YEAR * 86400.0
MONTHS = 12  # parts of a year whose means are taken of air that a file gives day by day, for a duty without dates
SEASONS = 4  # the mean of so many points of a year, equally far apart, is exact for a yearly sine and its next two harmonics
LEAST_PART_S = 86400.0  # of a year beyond whole ones, or short of them, that is gone through by its own seasons
STRETCH_DAYS, STRETCHES = 28, 13  # of a whole year of real days: so long the air has one temperature, and packs one capacity
# Of a stretch of real days. Ten years of hilltop_clinic_days, hourly, against every day: with 1 day 0.51 points of capacity off, with 2 0.04,
# 3 0.13, 5 0.14, 7 0.09, 10 0.21, 14 0.07, 21 0.12, 28 0.04. The weather that stretches happen to have decides, not their length.
LEAST_WINDOW_DAYS = 3
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


def is_dated(scenario: Scenario) -> bool:
    """Whether its duty is of real days that may be of any date: made of sun and loads, not of tables with dates of their own."""
    duty = scenario.file.duty
    return isinstance(duty, DaysDuty) and not any(table.file for table in (*duty.sun, *duty.load))


def seasons_of(scenario: Scenario, window_days: int) -> list[Season]:
    """The windows of a year.

    Real days: four stretches, a quarter of a year apart, the first about the coldest day where the air has seasons, else about the first
    day of the duty; each with weather of its own. A duty without dates: itself, once, or four times in air of four temperatures (twelve, each the
    mean of a twelfth of the year, where a file gives them day by day).

    Parameters
    ----------
    scenario : Scenario
        Its duty and its seasons.
    window_days : int
        Length of a stretch of real days.
    """
    table = scenario.file.seasons
    dated = is_dated(scenario)
    if table is None and not dated:
        return [Season("the duty", 1.0, scenario.bank.ambient_k, scenario.duty)]
    begin = _first_day(scenario) if dated else dt.datetime(2025, 1, 1)
    first = table.coldest_day if table is not None else begin.timetuple().tm_yday
    found, count = [], SEASONS if dated or table.file is None else MONTHS
    for k in range(count):
        day = (first - 1 + k * DAYS_A_YEAR / count) % DAYS_A_YEAR
        ambient = _ambient_k(scenario, day + 1) if count == SEASONS else _ambient_k(scenario, day + 1, DAYS_A_YEAR / count)
        date = dt.datetime(begin.year, 1, 1) + dt.timedelta(days=int(day))
        name = f"{date:%d %B}"
        duty = _stretch(scenario, date - dt.timedelta(days=window_days // 2), window_days, k) if dated else scenario.duty
        found.append(Season(name, 1.0 / count, ambient, duty))
    return found


def _first_day(scenario):
    """When the real days of a duty begin, in local time."""
    from simbank.days import read_start  # which loads pandas

    return read_start(scenario.file.duty.start)


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


def whole_year(scenario: Scenario) -> list[Season] | None:
    """Real days of a whole year one after the other, in stretches of 28 days, each with weather of its own; None of a duty without dates.

    Thirteen of them are 364 days and stand for a year. Charge that comes and goes over weeks shows only in them, not in short windows.
    """
    if not is_dated(scenario):
        return None
    begin, found = _first_day(scenario), []
    for k in range(STRETCHES):
        date = begin + dt.timedelta(days=k * STRETCH_DAYS)
        ambient = _ambient_k(scenario, date.timetuple().tm_yday + STRETCH_DAYS / 2.0)
        found.append(Season(f"28 days from {date:%d %B}", 1.0 / STRETCHES, ambient, _stretch(scenario, date, STRETCH_DAYS, k)))
    return found


def part_of_year(
    scenario: Scenario, begin_s: float, end_s: float, window_days: int
) -> tuple[float, list[Season], list[Season] | None] | None:
    """Windows of what a span of time has beyond whole years, by the seasons that it covers; None where there is no such part.

    As :func:`every_day` has them: the years of real days begin with the duty's first day, those of another duty on the first of January.

    Parameters
    ----------
    scenario : Scenario
        Its duty and its seasons.
    begin_s, end_s : float
        After the start.
    window_days : int
        Length of a stretch of real days.

    Returns
    -------
    tuple or None
        When the part begins [s], its windows, and the stretches of a whole year that are in it, as of :func:`whole_year`.
    """
    span_s, dated = end_s - begin_s, is_dated(scenario)
    part_s = span_s % YEAR_S
    if (scenario.file.seasons is None and not dated) or min(part_s, YEAR_S - part_s) < LEAST_PART_S:
        return None
    part_begin_s = end_s - part_s
    count = SEASONS if dated or scenario.file.seasons.file is None else max(SEASONS, math.ceil(MONTHS * part_s / YEAR_S))
    days_long, found = part_s / count / 86400.0, []
    for k in range(count):
        after = part_begin_s / 86400.0 + (k + 0.5) * days_long
        name = f"part of a year, {k + 1} of {count}"
        if dated:
            begin = _first_day(scenario)
            date = begin + dt.timedelta(days=int(after % DAYS_A_YEAR))
            ambient = _ambient_k(scenario, date.timetuple().tm_yday)
            duty = _stretch(scenario, date - dt.timedelta(days=window_days // 2), window_days, k)
        else:
            ambient, duty = _ambient_k(scenario, 1.0 + after, days_long), scenario.duty
        found.append(Season(name, 1.0 / count, ambient, duty))
    within = None
    if dated:
        within = [replace(season, share=seconds / part_s) for seconds, season in every_day(scenario, part_begin_s, end_s)]
    return part_begin_s, found, within


def _ambient_k(scenario, day, over_days=STRETCH_DAYS):
    """Of the air about a day of the year [K]; of a file the mean of so many days."""
    table = scenario.file.seasons
    return scenario.bank.ambient_k if table is None else table.at_k(day % DAYS_A_YEAR, over_days)


def every_day(scenario: Scenario, begin_s: float, end_s: float) -> Iterator[tuple[float, Season]]:
    """The whole duty without gaps: each stretch with its length in seconds, from ``begin_s`` to ``end_s`` after the start.

    Real days come as a :func:`whole_year` has them, every year with the weather of the first; another duty is gone through again and again.
    """
    year = whole_year(scenario)
    length = YEAR_S / STRETCHES if year else scenario.duty.duration_s
    number = math.floor(begin_s / length + 1e-9)
    while number * length < end_s - 1.0:
        if year:
            season = year[number % STRETCHES]
        else:
            days_long = length / 86400.0
            season = Season("the duty", 1.0, _ambient_k(scenario, 1.0 + (number + 0.5) * days_long, days_long), scenario.duty)
        yield min(length, end_s - number * length) - max(0.0, begin_s - number * length), season
        number += 1

"""Times of a log: units, dates, zones, daylight saving, and how long a row is."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np

from simbank.digits import duration
from simbank.errors import InputError
from simbank.warning import counted

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["STAMPS", "TIMES", "as_numbers", "plain_heading", "read_times", "row_length"]

SHORTEST_S = 6 * 3600.0  # of a log: the first hour is not compared; chosen here
CHANGE_S = 3600.0  # by which local clocks are put back in autumn, and forward in spring
SUNDAY, SMALL_HOURS = 6, 4  # clocks are changed before that hour, forward on that day: common practice, no source
TIMES = {
    "time_s": 1.0, "seconds": 1.0, "elapsed_s": 1.0, "time_min": 60.0, "minutes": 60.0, "elapsed_min": 60.0, "time_h": 3600.0,
    "hours": 3600.0, "elapsed_h": 3600.0,
}  # fmt: skip
STAMPS = ("time", "timestamp", "datetime", "date", "date_time")
EPOCH_S, EPOCH_MS = 3e8, 3e11  # a "time" above it counts from 1970, in seconds or milliseconds


def plain_heading(text: str) -> str:
    """A heading in small letters with low lines between its words.

    >>> plain_heading(" Current [A]"), plain_heading("-displayed SOC (%)")
    ('current_a', 'displayed_soc')
    """
    return re.sub(r"[^a-z0-9]+", "_", text.lower()).strip("_")


def as_numbers(given: pd.Series, file: str | None) -> np.ndarray:
    """A column as floats, empty cells as NaN; its index counts the rows of the file below its heading.

    Raises
    ------
    InputError
        For the first cell that is neither a finite number nor empty.
    """
    import pandas as pd

    numbers = pd.to_numeric(given, errors="coerce").to_numpy(float)
    bad = np.flatnonzero((np.isnan(numbers) & given.notna().to_numpy()) | np.isinf(numbers))
    if bad.size:
        raise _wrong("must be a finite number, or empty", given, bad[0], file)
    return numbers


def read_times(given: pd.Series, file: str | None, told: list[str]) -> tuple[np.ndarray, float, str | None]:
    """The column of times.

    Parameters
    ----------
    given : Series
        As the file has it; its name says its unit, its index counts rows.
    file : str or None
        For errors.
    told : list of str
        Takes sentences on how it was understood.

    Returns
    -------
    tuple of (ndarray, float, str or None)
        Times [s]; that of the first row, of the day where there are dates, else as counted [s]; date of the first row.

    Raises
    ------
    InputError
        For a time that cannot be read, times that do not rise, and a log that is too short.
    """
    import pandas as pd

    unit = TIMES.get(plain_heading(given.name))
    numbers = pd.to_numeric(given, errors="coerce")
    dates = None
    if unit is None and numbers.notna().all() and float(numbers.iloc[0]) > EPOCH_S:
        dates, is_local = pd.to_datetime(numbers, unit="ms" if float(numbers.iloc[0]) > EPOCH_MS else "s"), False
        told.append("Times count from 1970; days are those of that clock.")
    elif unit is None and numbers.isna().any():
        dates, is_local = _dates(given, told)
    if dates is None:
        times = as_numbers(given, file) * (unit or 1.0)
        if unit is None:
            told.append("Times are taken as seconds.")
    else:
        times = (dates - dates.iloc[0]).dt.total_seconds().to_numpy()
    bad = np.flatnonzero(~np.isfinite(times))
    if bad.size:
        raise _wrong("must be a time: seconds, or ISO 8601 such as 2026-03-01T08:00", given, bad[0], file)
    if dates is not None and is_local:
        times = _without_daylight_saving(times, dates, told)
    back = np.flatnonzero(np.diff(times) <= 0)
    if back.size:
        raise _wrong("times must rise from row to row", given, back[0] + 1, file)
    if times[-1] - times[0] < SHORTEST_S:
        hint = "; if its times are minutes, call them time_min" if unit is None and dates is None else ""
        text = f"is {duration(float(times[-1] - times[0]))} long; a log needs {duration(SHORTEST_S)} at least{hint}"
        raise InputError(text, file=file, key=given.name)
    if dates is None:
        return times, float(times[0]), None
    first = dates.iloc[0]
    return times, float((first - first.normalize()).total_seconds()), first.date().isoformat()


def _wrong(problem, given, place, file):
    """The error of one cell."""
    return InputError(
        f"{problem} (the heading is row 1)",
        file=file,
        key=f"row {given.index[place] + 2}, {given.name}",
        value=str(given.iloc[place]),
    )


def _dates(given, told):
    """(times with dates by the clock of the first row, NaT where there is none; whether they are of no zone)."""
    import pandas as pd

    form = None if given.dtype.kind == "M" else "ISO8601"
    try:
        found = pd.to_datetime(given, errors="coerce", format=form)
    except ValueError:  # some rows are in another zone than others
        first = pd.to_datetime(given.iloc[:1], errors="coerce", format=form).dt.tz
        found = pd.to_datetime(given, errors="coerce", format=form, utc=True).dt.tz_convert(first)
        told.append(
            "Times are in more than one zone, as where daylight saving begins or ends; days are those of the first row's."
        )
    is_local = getattr(found.dt, "tz", None) is None
    return found if is_local else found.dt.tz_localize(None), is_local


def _without_daylight_saving(times, dates, told):
    """Times that go on where a local clock was put back by an hour, or forward."""
    steps = np.diff(times)
    usual = float(np.median(np.abs(steps)))
    rows = np.arange(len(times))
    for k in np.flatnonzero(np.abs(np.abs(steps - usual) - CHANGE_S) <= 0.5 * usual):
        if dates.iloc[k].hour >= SMALL_HOURS:
            continue
        when = f"{dates.iloc[k]:%Y-%m-%d %H:%M}"
        if steps[k] <= 0:
            times = times + np.where(rows > k, CHANGE_S, 0.0)
            told.append(f"After {when} the clock was put back by an hour; later times were moved on by that.")
        elif dates.iloc[k].weekday() == SUNDAY:
            times = times - np.where(rows > k, CHANGE_S, 0.0)
            told.append(
                f"The hour that is missing after {when}, on a Sunday night, is taken for daylight saving, not for a gap; later times were "
                "moved back by that."
            )
    return times


def row_length(times: np.ndarray, told: list[str]) -> float:
    """Length of a row, that of the middle one [s]; ``told`` takes sentences on it."""
    steps = np.diff(times)
    step = float(np.median(steps))
    if step >= 2.0:
        step = float(round(step))
    off = np.abs(steps / step - np.round(steps / step)) > 0.1
    told.append(f"{counted(len(times), 'row')} of {duration(step)}, each taken as the mean from its time until the next.")
    if off.mean() > 0.05:
        told.append(f"Times are uneven: rows were put onto steps of {duration(step)}.")
    return step

"""Real days: sunshine on an array by pvlib, a daily load, or either from a table with time stamps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from simbank.errors import InputError
from simbank.filemodel import finite_column, read_csv

__all__ = [
    "HOUSEHOLD_SHAPE",
    "Array",
    "array_power",
    "clear_sky_power",
    "daily_load",
    "read_timed_csv",
    "time_index",
    "weather_factor",
]

# Share of a day's energy in each hour from midnight, of a small household or clinic with evening light and a midday peak.
# Invented: a shape of our own, to be replaced by yours.
HOUSEHOLD_SHAPE = (
    0.020, 0.018, 0.017, 0.017, 0.018, 0.025, 0.040, 0.050, 0.048, 0.045, 0.045, 0.050, 0.058, 0.052, 0.045, 0.042, 0.045, 0.055,
    0.072, 0.080, 0.070, 0.050, 0.035, 0.023,
)  # fmt: skip

CHUNK = 60_000  # times worked out at once


@dataclass(frozen=True)
class Array:
    """A photovoltaic array: place [deg], tilt and azimuth [deg, south is 180], peak power [W], losses up to the DC port."""

    latitude: float
    longitude: float
    tilt: float
    azimuth: float
    peak_w: float
    losses: float = 0.14
    altitude_m: float = 0.0


def time_index(start, days, step_s, timezone):
    """Starts of all steps, with time zone; a day has 23, 24 or 25 hours where clocks change.

    Raises
    ------
    InputError
        If the date or the time zone is unknown, or the step does not divide an hour.
    """
    if 3600 % step_s:
        raise InputError("must divide an hour without rest", key="duty.step", value=f"{step_s:g} s")
    try:
        begin = pd.Timestamp(start, tz=timezone)
    except Exception as error:
        raise InputError(f"not a date and time zone: {error}", key="duty.start", value=f"{start} {timezone}") from None
    end = begin + pd.DateOffset(days=days)
    return pd.date_range(begin, end, freq=pd.Timedelta(seconds=step_s), inclusive="left")


def clear_sky_power(array, index):
    """Power of an array under a clear sky at each time [W].

    Ineichen's clear sky with pvlib's own turbidity, transposed to the array by the isotropic model (pvlib), times peak power per
    1000 W/m² and losses. Cell temperature is not in it.
    """
    import pvlib

    if len(index) > CHUNK:  # so that a long run needs no more memory here than a short one
        return np.concatenate([clear_sky_power(array, index[k : k + CHUNK]) for k in range(0, len(index), CHUNK)])
    place = pvlib.location.Location(array.latitude, array.longitude, tz=str(index.tz), altitude=array.altitude_m)
    sun = place.get_solarposition(index)
    sky = place.get_clearsky(index, model="ineichen", solar_position=sun)
    plane = pvlib.irradiance.get_total_irradiance(
        array.tilt, array.azimuth, sun["apparent_zenith"], sun["azimuth"], sky["dni"], sky["ghi"], sky["dhi"]
    )["poa_global"]
    return np.nan_to_num(plane.to_numpy(float)).clip(0.0) / 1000.0 * array.peak_w * (1.0 - array.losses)


def _day_number(index):
    """Local day of each time, from 0."""
    day = index.tz_localize(None).normalize()
    return (day - day[0]).days.to_numpy()


def weather_factor(index, seed, mean=0.65):
    """What clouds leave of the clear-sky power, between 0.05 and 1, seeded.

    A daily level that remembers the day before (first-order autoregression), and within the day a quicker one of some twenty
    minutes, strongest on half-clouded days. Invented for the simulation of weather-like days; no climate is meant.
    """
    random = np.random.default_rng(seed)
    day = _day_number(index)
    level, levels = 0.0, []
    for _ in range(day.max() + 1):
        level = 0.5 * level + np.sqrt(1 - 0.25) * random.standard_normal()
        levels.append(level)
    daily = np.clip(mean + 0.25 * np.array(levels), 0.08, 1.0)[day]
    step_s = (index[1] - index[0]).total_seconds() if len(index) > 1 else 60.0
    from scipy.signal import lfilter

    memory = np.exp(-step_s / 1200.0)
    quick = lfilter([np.sqrt(1 - memory**2)], [1.0, -memory], random.standard_normal(len(index)))
    return np.clip(daily + 0.9 * daily * (1 - daily) * quick, 0.05, 1.0)


def array_power(array, index, seed=None, mean=0.65):
    """Power that an array offers at each time [W]: clear sky, or with seeded weather."""
    power = clear_sky_power(array, index)
    return power if seed is None else power * weather_factor(index, seed, mean)


def daily_load(index, energy_wh, shape=HOUSEHOLD_SHAPE, seed=None, spread=0.15):
    """Power asked at each time [W]: a day's energy spread over its hours by ``shape``, each day scaled by a seeded factor."""
    shape = np.asarray(shape, float)
    power = energy_wh * (shape / shape.sum())[index.hour.to_numpy()]
    if seed is None:
        return power
    day = _day_number(index)
    return power * np.clip(1 + spread * np.random.default_rng(seed).standard_normal(day.max() + 1), 0.2, 2.0)[day]


def read_timed_csv(path, index, timezone):
    """Power at each time of ``index`` [W] from a CSV with columns ``time`` and ``power_w``, at any step of its own.

    A time stamp with an offset is taken as it stands, one without as local time of ``timezone``. A value holds until the next.

    Raises
    ------
    InputError
        If the file, a column, a time or a value is not right, or the table does not cover the index.
    """
    frame = read_csv(path, missing={"key": "file", "value": str(path)})
    if not {"time", "power_w"} <= set(frame.columns):
        raise InputError("needs columns time and power_w", file=path, key="columns", value=", ".join(map(str, frame.columns)))
    try:
        times = [pd.Timestamp(text) for text in frame["time"]]
        times = [t.tz_localize(timezone) if t.tzinfo is None else t for t in times]
        times = pd.DatetimeIndex([t.tz_convert("UTC") for t in times])
    except Exception as error:
        raise InputError(f"not a time stamp: {error}", file=path, key="time") from None
    if not times.is_monotonic_increasing or times.has_duplicates:
        raise InputError("times must rise from row to row", file=path, key="time")
    power = finite_column(frame, "power_w", path, "must be a number of watts, not below zero", least=0.0)
    asked = index.tz_convert("UTC")
    if times[0] > asked[0] or times[-1] < asked[-1]:
        raise InputError(f"covers {times[0]} to {times[-1]}, the duty asks {asked[0]} to {asked[-1]}", file=path, key="time")
    return power[np.searchsorted(times.as_unit("ns").asi8, asked.as_unit("ns").asi8, side="right") - 1]

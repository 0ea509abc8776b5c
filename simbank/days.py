"""Real days: sunshine on an array by pvlib, a daily load, or either from a table with time stamps."""

from __future__ import annotations

import datetime as dt
import functools
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from os import PathLike
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from simbank.errors import InputError
from simbank.filemodel import finite_column, read_csv
from simbank.kept import Kept

__all__ = [
    "HOUSEHOLD_SHAPE",
    "Array",
    "DailyLoad",
    "TimedTable",
    "Weather",
    "clear_sky_power",
    "local_days",
    "read_start",
    "read_zone",
    "time_span",
    "windows",
]

# Share of a day's energy in each hour from midnight, of a small household or clinic with evening light and a midday peak.
# Invented: a shape of our own, to be replaced by yours.
HOUSEHOLD_SHAPE = (
    0.020, 0.018, 0.017, 0.017, 0.018, 0.025, 0.040, 0.050, 0.048, 0.045, 0.045, 0.050, 0.058, 0.052, 0.045, 0.042, 0.045, 0.055,
    0.072, 0.080, 0.070, 0.050, 0.035, 0.023,
)  # fmt: skip

NODES, NODES_S = "20min", 1200.0  # the sun's path is worked out at these distances and interpolated
SLOW_NODES_S = 21600.0  # and of it what the earth's turning has no part in, at these [s], so many at one time
SLOW_NODES, SLOW_KEPT = 512, 32  # 128 days, 16 kB; ten years of them
DELTA_T_S, CELSIUS, REFRACTION_DEG = 67.0, 12.0, 0.5667  # what pvlib takes for a place: clocks, air, refraction at sunset
MOVES_DEG = 6.0  # more than the sun moves in that time, and more than refraction
NIGHT_DEG = 91.0  # zenith angle of the sun from which nothing shines
WINDOW_DAYS = 28
WINDOWS_KEPT = 16  # of clear sky, so that a year asked for again, with other packs or another load, has its sun; 11 MB
YEARS = (1970, 2200)  # in which days may lie: time zones are known from the first, times in nanoseconds until 2262
RIGHT_TIME = 'write year, month, day, such as "2025-06-21 06:00", "2025-06-21T06:00:00Z" or "2025-06-21T06:00+02:00"'
_local = Kept(1)  # days and hours of the window that is asked for by all that shines or draws in it
_ISO = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}(?:[T ][0-9]{2}:[0-9]{2}(?::[0-9]{2}(?:\.[0-9]+)?)?(?: ?(?:Z|[-+][0-9]{2}(?::?[0-9]{2})?))?)?"
)
_OFFSET = re.compile(r"(?:UTC)?(?P<sign>[-+])(?P<hours>[0-9]{1,2})(?::?(?P<minutes>[0-5][0-9]))?")


@dataclass(frozen=True)
class Array:
    """A photovoltaic array.

    Attributes
    ----------
    latitude, longitude : float
        Of the place, north and east positive [deg].
    tilt, azimuth : float
        From the horizontal, and where it faces: 90 east, 180 south [deg].
    peak_w : float
        Power at 1000 W/m² in its plane [W].
    losses : float
        Up to the DC port, as a fraction.
    altitude_m : float
        Of the place above the sea [m].
    """

    latitude: float
    longitude: float
    tilt: float
    azimuth: float
    peak_w: float
    losses: float = 0.14
    altitude_m: float = 0.0


def read_start(text: str) -> dt.datetime:
    """Local date, or date and time of day, at which the days begin, from text such as "2025-06-21" or "2025-06-21 06:00".

    Raises
    ------
    InputError
        If it is no such date, has an offset, or is no whole minute.

    >>> read_start("2025-06-21 06:00")
    datetime.datetime(2025, 6, 21, 6, 0)
    """
    right = 'write a date, such as "2025-06-21" or, to begin later in the day, "2025-06-21 06:00"'
    try:
        begin = dt.datetime.fromisoformat(str(text).strip())
    except ValueError:
        raise InputError(f"not a date; {right}") from None
    if begin.tzinfo is not None:
        raise InputError('is local time of "timezone", so leave the offset away; a timezone may be an offset, such as "+05:30"')
    if begin.second or begin.microsecond:
        raise InputError(f"must be a whole minute; {right}")
    return begin


def read_zone(text: str) -> dt.tzinfo:
    """A time zone from its name ("Europe/Zurich", "UTC") or its offset from UTC ("+05:30").

    Raises
    ------
    InputError
        If there is no such zone.

    >>> read_zone("+05:30").utcoffset(None)
    datetime.timedelta(seconds=19800)
    """
    if match := _OFFSET.fullmatch(text):
        minutes = int(match["hours"]) * 60 + int(match["minutes"] or 0)
        if minutes <= 15 * 60:
            return dt.timezone(dt.timedelta(minutes=-minutes if match["sign"] == "-" else minutes))
    try:
        return ZoneInfo(text)
    except (ValueError, OSError, LookupError):  # among them that of an unknown name
        raise InputError('no such time zone; write a name such as "Europe/Zurich" or an offset such as "+05:30"') from None


def _later(begin, days, zone):
    """The same local time some days later; where clocks skip it, the first time after."""
    return (pd.Timestamp(begin) + pd.Timedelta(days=days)).tz_localize(zone, ambiguous=True, nonexistent="shift_forward")


def _window_starts(begin, days, zone):
    """First day and start of each window, and the end."""
    firsts = [*range(0, days, WINDOW_DAYS), days]
    return firsts, [_later(begin, day, zone) for day in firsts]


def time_span(start: str, days: int, step_s: float, timezone: str) -> tuple[pd.Timestamp, pd.Timestamp, int]:
    """When the days begin and end, with time zone, and the number of steps; a day has 23, 24 or 25 hours where clocks change.

    Parameters
    ----------
    start : str
        As :func:`read_start` takes it.
    days : int
        How many, from midnight to midnight or from the time of day of ``start``.
    step_s : float
        Length of a step [s]; divides an hour.
    timezone : str
        As :func:`read_zone` takes it.

    Returns
    -------
    begin, end : Timestamp
    steps : int

    Raises
    ------
    InputError
        If the date or the time zone is unknown, or the step does not divide an hour.
    """
    if step_s < 1.0 or 3600 % step_s:
        raise InputError("must divide an hour without rest and be 1 s or more", key="duty.step", value=f"{step_s:g} s")
    try:
        begin = read_start(start)
    except InputError as error:
        raise InputError(error.problem, key="duty.start", value=start) from None
    try:
        zone = read_zone(timezone)
    except InputError as error:
        raise InputError(error.problem, key="duty.timezone", value=timezone) from None
    if begin.hour + begin.minute and pd.Timestamp(begin).tz_localize(zone, ambiguous=True, nonexistent="NaT") is pd.NaT:
        raise InputError(
            f"does not exist in {timezone}: clocks go forward over it; begin an hour earlier or later",
            key="duty.start",
            value=start,
        )
    if begin.year < YEARS[0] or begin.year > YEARS[1] or (begin + dt.timedelta(days=days)).year > YEARS[1]:
        raise InputError(f"days must lie in the years {YEARS[0]} to {YEARS[1]}", key="duty.start", value=start)
    _, starts = _window_starts(begin, days, zone)
    steps = [(after - before).total_seconds() / step_s for before, after in pairwise(starts)]
    if any(count % 1 for count in steps):
        raise InputError(
            "does not fit in a whole number where the clocks of this time zone change; take a shorter one",
            key="duty.step", value=f"{step_s:g} s",
        )  # fmt: skip
    return starts[0], starts[-1], round(sum(steps))


def local_days(start: str, days: int) -> int:
    """How many days of the calendar some days from ``start`` touch: one more if they begin later than at midnight."""
    begin = read_start(start)
    return days + (begin.hour > 0 or begin.minute > 0)


def windows(start: str, days: int, step_s: float, timezone: str) -> Iterator[tuple[int, pd.DatetimeIndex]]:
    """Starts of all steps of :func:`time_span`, four weeks at a time, so that a long run needs no more memory than a short one.

    Yields
    ------
    first_day : int
        Days from the start.
    index : DatetimeIndex
    """
    firsts, starts = _window_starts(read_start(start), days, read_zone(timezone))
    for first, begin, end in zip(firsts, starts, starts[1:], strict=False):
        yield first, pd.date_range(begin, end, freq=pd.Timedelta(seconds=step_s), inclusive="left")


def sun_path(place, index: pd.DatetimeIndex, *, night: float = 180.0) -> tuple[np.ndarray, np.ndarray]:
    """Apparent zenith and azimuth of the sun at each time [deg], as :meth:`pvlib.location.Location.get_solarposition`.

    Worked out by pvlib's functions (NREL's algorithm) every twenty minutes; between, the direction is a cubic spline, within 1e-4
    degrees, and refraction is pvlib's at each time.

    Parameters
    ----------
    place : pvlib.location.Location
        Where on earth.
    index : DatetimeIndex, length m
        With a time zone.
    night : float
        Zenith angle from which nobody asks for more [deg]: where it is greater at both neighbouring nodes by as much as the sun moves
        between them, zenith and azimuth need not be worked out, and are this and 0.

    Returns
    -------
    zenith, azimuth : ndarray, shape (m,)
    """
    import pvlib
    from scipy.interpolate import CubicSpline

    first, last = index[0].floor(NODES).timestamp(), index[-1].ceil(NODES).timestamp()
    nodes = np.arange(first, last + 1.0, NODES_S)
    if len(nodes) >= len(index) or len(nodes) < 4:
        sun = place.get_solarposition(index)
        return sun["apparent_zenith"].to_numpy(), sun["azimuth"].to_numpy()
    zenith, azimuth = (np.radians(angle) for angle in _sun_at(place, nodes))
    vector = np.column_stack([np.sin(zenith) * np.sin(azimuth), np.sin(zenith) * np.cos(azimuth), np.cos(zenith)])
    at_nodes, at = nodes - first, (index.as_unit("us").asi8 - round(first * 1e6)) / 1e6
    out_zenith, out_azimuth = np.full(len(index), night), np.zeros(len(index))
    low = np.degrees(zenith) > night + MOVES_DEG
    node = np.minimum((at / NODES_S).astype(int), len(nodes) - 2)
    wanted = np.flatnonzero(~(low[:-1] & low[1:])[node])
    east, north, up = CubicSpline(at_nodes, vector)(at[wanted]).T
    elevation = np.degrees(np.arctan2(up, np.hypot(east, north)))
    pressure = pvlib.atmosphere.alt2pres(place.altitude)
    elevation += pvlib.spa.atmospheric_refraction_correction(pressure / 100.0, CELSIUS, elevation, REFRACTION_DEG)
    out_zenith[wanted], out_azimuth[wanted] = 90.0 - elevation, np.degrees(np.arctan2(east, north)) % 360.0
    return out_zenith, out_azimuth


def _sun_at(place, unix_s):
    """Zenith, without refraction, and azimuth of the sun [deg] at times [s since 1970], rising.

    As pvlib's ``spa.solar_position``, within 1e-9 degrees: what takes longest of it by far moves slowly, and is asked every six hours.
    """
    from pvlib import spa
    from scipy.interpolate import CubicSpline

    slow_at = np.arange(int(unix_s[0] // SLOW_NODES_S) - 1, int(unix_s[-1] // SLOW_NODES_S) + 3)
    blocks = range(slow_at[0] // SLOW_NODES, slow_at[-1] // SLOW_NODES + 1)
    slow = np.concatenate([_slow_nodes(block) for block in blocks])[slow_at - SLOW_NODES * blocks[0]]
    slow[:, 1] = np.unwrap(slow[:, 1], period=360.0)
    off_mean, ascension, declination, distance = CubicSpline(SLOW_NODES_S * slow_at, slow)(unix_s).T
    hour = spa.local_hour_angle(_mean_sidereal_deg(unix_s) + off_mean, place.longitude, ascension)
    parallax, u = spa.equatorial_horizontal_parallax(distance), spa.uterm(place.latitude)
    x, y = spa.xterm(u, place.latitude, place.altitude), spa.yterm(u, place.latitude, place.altitude)
    aside = spa.parallax_sun_right_ascension(x, parallax, hour, declination)
    declination = spa.topocentric_sun_declination(declination, x, y, parallax, aside, hour)
    hour = spa.topocentric_local_hour_angle(hour, aside)
    elevation = spa.topocentric_elevation_angle_without_atmosphere(place.latitude, declination, hour)
    azimuth = spa.topocentric_azimuth_angle(spa.topocentric_astronomers_azimuth(hour, declination, place.latitude))
    return 90.0 - elevation, azimuth


def _mean_sidereal_deg(unix_s):
    """Mean sidereal time at Greenwich [deg]."""
    from pvlib import spa

    day = spa.julian_day(unix_s)
    return spa.mean_sidereal_time(day, spa.julian_century(day))


@functools.lru_cache(maxsize=SLOW_KEPT)
def _slow_nodes(block):
    """What of the sun's position is the same wherever one stands, at one node after the other, shape (SLOW_NODES, 4).

    By how much sidereal time is off its mean, the sun's right ascension and declination [deg], its distance [AU].
    """
    from pvlib import spa

    at = SLOW_NODES_S * np.arange(block * SLOW_NODES, (block + 1) * SLOW_NODES)
    asked = at, 0.0, 0.0, 0.0, 1013.25, CELSIUS, DELTA_T_S, REFRACTION_DEG, 1  # of a place, which does not matter
    sidereal, ascension, declination = spa.solar_position(*asked, sst=True)
    (distance,) = spa.solar_position(*asked, esd=True)
    off_mean = (sidereal - _mean_sidereal_deg(at) + 180.0) % 360.0 - 180.0
    return np.column_stack([off_mean, ascension, declination, distance])


def clear_sky_power(array: Array, index: pd.DatetimeIndex) -> np.ndarray:
    """Power of an array under a clear sky at each time [W].

    P = peak · G/(1000 W/m²) · (1 − losses), G the irradiance in its plane: Ineichen's clear sky with pvlib's own turbidity,
    transposed to the array by the isotropic model (pvlib). Cell temperature is not in it.

    Parameters
    ----------
    array : Array
        Place, direction and size.
    index : DatetimeIndex, length m
        With a time zone.

    Returns
    -------
    ndarray, shape (m,)
    """
    instants = index.as_unit("us").asi8.tobytes()
    plane = _plane_irradiance(array.latitude, array.longitude, array.altitude_m, array.tilt, array.azimuth, index.tz, instants)
    return plane / 1000.0 * array.peak_w * (1.0 - array.losses)


@functools.lru_cache(maxsize=WINDOWS_KEPT)
def _plane_irradiance(latitude, longitude, altitude_m, tilt, azimuth, zone, instants):
    """Irradiance in the plane of an array under a clear sky [W/m²], at ``instants`` (bytes of microseconds since 1970), read only."""
    import pvlib

    # The times carry their own zone; the place's, of which pvlib knows names only, is not used with them.
    place = pvlib.location.Location(latitude, longitude, tz="UTC", altitude=altitude_m)
    at_us = np.frombuffer(instants, np.int64)
    index = pd.DatetimeIndex(at_us.view("datetime64[us]")).tz_localize("UTC").tz_convert(zone)
    sun_zenith, sun_azimuth = sun_path(place, index, night=NIGHT_DEG)
    out, shines = np.zeros(len(index)), np.flatnonzero(sun_zenith < NIGHT_DEG)
    if shines.size:
        sun_zenith, sun_azimuth = sun_zenith[shines], sun_azimuth[shines]
        day = _day_of_two_years(at_us[shines])
        extra, turbidity = (table[day] for table in _by_day(latitude, longitude))
        mass = pvlib.atmosphere.get_relative_airmass(sun_zenith)
        mass = pvlib.atmosphere.get_absolute_airmass(mass, pvlib.atmosphere.alt2pres(altitude_m))
        with np.errstate(divide="ignore", invalid="ignore"):  # the sun on the horizon
            sky = pvlib.clearsky.ineichen(sun_zenith, mass, turbidity, altitude=altitude_m, dni_extra=extra)
        plane = pvlib.irradiance.get_total_irradiance(tilt, azimuth, sun_zenith, sun_azimuth, sky["dni"], sky["ghi"], sky["dhi"])
        out[shines] = np.nan_to_num(plane["poa_global"]).clip(0.0)
    out.flags.writeable = False
    return out


@functools.lru_cache(maxsize=64)
def _by_day(latitude, longitude):
    """Radiation outside the atmosphere [W/m²] and pvlib's turbidity, for every day of a common year and then of a leap year."""
    import pvlib

    dates = pd.date_range("2015-01-01", "2016-12-31", freq="D", tz="UTC")
    turbidity = pvlib.clearsky.lookup_linke_turbidity(dates, latitude, longitude)
    return np.asarray(pvlib.irradiance.get_extra_radiation(dates)), np.asarray(turbidity)


def _day_of_two_years(at_us):
    """Place in the tables of :func:`_by_day` of times [µs since 1970], rising, by the day in UTC."""
    day = at_us // 86_400_000_000
    dates = pd.DatetimeIndex(np.arange(day[0], day[-1] + 1).astype("datetime64[D]").astype("datetime64[s]"))
    places = dates.day_of_year.to_numpy() - 1 + 365 * dates.is_leap_year
    return places[day - day[0]]


def _day_and_hour(index):
    """Local day of each time, from 0, and local hour."""

    def count():
        hour = index.tz_localize(None).as_unit("s").asi8 // 3600
        day = hour // 24
        return day - day[0], hour - 24 * day

    return _local.of((index,), (), count)


class Weather:
    """What clouds leave of the clear-sky power, between 0.05 and 1, seeded; asked for one stretch of time after the other.

    A daily level that remembers the day before (first-order autoregression), and within the day a quicker one of some twenty
    minutes, strongest on half-clouded days. Invented for the simulation of weather-like days; no climate is meant.

    Parameters
    ----------
    seed : int
        The same seed gives the same weather.
    mean : float
        Mean of the daily level.
    days : int
        How many days of the calendar there will be.
    step_s : float
        Between the times that will be asked for [s].
    """

    def __init__(self, seed: int, mean: float, days: int, step_s: float):
        self._random = np.random.default_rng(seed)
        level, levels = 0.0, []
        for _ in range(days):
            level = 0.5 * level + np.sqrt(1 - 0.25) * self._random.standard_normal()
            levels.append(level)
        self._daily = np.clip(mean + 0.25 * np.array(levels), 0.08, 1.0)
        self._memory, self._last = np.exp(-step_s / 1200.0), np.zeros(1)

    def __call__(self, index: pd.DatetimeIndex, first_day: int = 0) -> np.ndarray:
        """Factor at each time of the next stretch, which begins on day ``first_day``."""
        from scipy.signal import lfilter

        memory = self._memory
        noise = self._random.standard_normal(len(index))
        quick, self._last = lfilter([np.sqrt(1 - memory**2)], [1.0, -memory], noise, zi=self._last)
        day, _ = _day_and_hour(index)
        daily = self._daily[first_day + day]
        return np.clip(daily + 0.9 * daily * (1 - daily) * quick, 0.05, 1.0)


class DailyLoad:
    """Power asked at each time [W]: a day's energy spread over its hours by ``shape``, each day scaled by a seeded factor.

    Parameters
    ----------
    energy_wh : float
        Of a day [Wh].
    shape : sequence of float, length 24
        Share of each hour; only their ratios count.
    seed : int, optional
        Without one every day is the same.
    spread : float
        Standard deviation of the factor.
    days : int
        How many days of the calendar there will be.
    """

    def __init__(
        self,
        energy_wh: float,
        shape: Sequence[float] = HOUSEHOLD_SHAPE,
        seed: int | None = None,
        spread: float = 0.15,
        days: int = 1,
    ):
        shape = np.asarray(shape, float)
        self._hours, self._factor = energy_wh * (shape / shape.sum()), np.ones(days)
        if seed is not None:
            self._factor = np.clip(1 + spread * np.random.default_rng(seed).standard_normal(days), 0.2, 2.0)

    def __call__(self, index: pd.DatetimeIndex, first_day: int = 0) -> np.ndarray:
        """Power [W] at each time of a stretch that begins on day ``first_day``."""
        day, hour = _day_and_hour(index)
        return self._hours[hour] * self._factor[first_day + day]


def _time_stamps(texts, zone, timezone, path):
    """Time stamps of a table as a DatetimeIndex in UTC; one without an offset is local time of ``zone``."""

    def refuse(k, problem):
        raise InputError(problem, file=path, key="time", value=texts[k])

    stamps = []
    for k, text in enumerate(texts):
        if not _ISO.fullmatch(text):
            refuse(k, f"not a time stamp of ISO 8601; {RIGHT_TIME}")
        try:
            stamps.append(pd.Timestamp(text))
        except ValueError:
            refuse(k, f"not a time stamp: there is no such date or time; {RIGHT_TIME}")
        if not YEARS[0] <= stamps[-1].year <= YEARS[1]:
            refuse(k, f"must lie in the years {YEARS[0]} to {YEARS[1]}")
    local = np.array([stamp.tzinfo is None for stamp in stamps], bool)
    at = np.array([stamp.tz_localize(None) if plain else stamp.tz_convert("UTC").tz_localize(None)
                   for stamp, plain in zip(stamps, local, strict=True)], "datetime64[ns]")  # fmt: skip
    places = np.flatnonzero(local)
    plain = pd.DatetimeIndex(at[places])
    first, second = (
        plain.tz_localize(zone, ambiguous=np.full(len(plain), summer), nonexistent="NaT").tz_convert("UTC").tz_localize(None)
        for summer in (True, False)
    )
    for k in np.flatnonzero(first.isna())[:1]:
        refuse(places[k], f"does not exist in {timezone}: clocks go forward over it; write times with their offset")
    for k in np.flatnonzero(first != second)[:1]:
        both = " or ".join(f'"{plain[k].tz_localize(zone, ambiguous=summer).isoformat(" ")}"' for summer in (True, False))
        refuse(places[k], f"comes twice in {timezone}, where clocks go back over it; write it with its offset: {both}")
    at[places] = first.to_numpy("datetime64[ns]")
    return pd.DatetimeIndex(at, tz="UTC")


class TimedTable:
    """Power at any time [W] from a CSV with columns ``time`` and ``power_w``, at any step of its own.

    Time stamps are those of ISO 8601 in its extended form, year first.
    One with an offset is taken as it stands, one without as local time of ``timezone``. A value holds until the next.

    Parameters
    ----------
    path : path-like
        CSV file.
    begin, end : Timestamp
        First time that will be asked for, and the end of the last step.
    step_s : float
        Length of a step [s].
    timezone : str
        As :func:`read_zone` takes it.

    Raises
    ------
    InputError
        If the file, a column, a time or a value is not right, or the table does not cover these times.
    """

    def __init__(self, path: str | PathLike, begin: pd.Timestamp, end: pd.Timestamp, step_s: float, timezone: str):
        frame = read_csv(path, missing={"key": "file", "value": str(path)})
        if not {"time", "power_w"} <= set(frame.columns):
            raise InputError("needs columns time and power_w", file=path, key="columns", value=", ".join(map(str, frame.columns)))
        if frame.empty:
            raise InputError("has no rows below its headings", file=path)
        zone = read_zone(timezone)
        times = _time_stamps([str(text).strip() for text in frame["time"]], zone, timezone, path)
        if not times.is_monotonic_increasing or times.has_duplicates:
            raise InputError("times must rise from row to row", file=path, key="time")
        self._power = finite_column(frame, "power_w", path, "must be a number of watts, not below zero", least=0.0)
        begin, end = begin.tz_convert("UTC"), end.tz_convert("UTC") - pd.Timedelta(seconds=step_s)
        if times[0] > begin or times[-1] < end:
            raise InputError(f"covers {times[0]} to {times[-1]}, the duty asks {begin} to {end}", file=path, key="time")
        self._times = times.asi8

    def __call__(self, index: pd.DatetimeIndex) -> np.ndarray:
        """Power [W] at each time of ``index``."""
        return self._power[np.searchsorted(self._times, index.tz_convert("UTC").as_unit("ns").asi8, side="right") - 1]

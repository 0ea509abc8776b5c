"""When days with dates begin, and when the sun is down in them."""

from __future__ import annotations

import datetime as dt
import functools
from typing import Any

import numpy as np

from simbank.days import read_start, read_zone, sun_path, time_span
from simbank.scenario import Scenario

__all__ = ["calendar"]

EVERY_S = 300.0  # between two looks at the sun
HORIZON_DEG = 90.0  # zenith angle, refraction counted, above which the middle of the sun is below the horizon


def calendar(scenario: Scenario) -> dict[str, Any]:
    """Dates of a scenario's days, as a page needs them.

    Returns
    -------
    dict
        Empty without dates; else ``start``, the local time at which the run begins (ISO 8601, without offset), ``shifts``, pairs of a time of
        the run [s] and by how much local clocks are then ahead of what they would be without having been changed [s], and, where the place
        is known, ``nights``: pairs of times [s] between which the sun is down. The place is that of the first array.
    """
    duty = getattr(scenario.file, "duty", None)
    if getattr(duty, "kind", "") != "days":
        return {}
    sun = next((table for table in duty.sun if table.latitude is not None and table.longitude is not None), None)
    place = None if sun is None else (sun.latitude, sun.longitude, sun.altitude_m)
    return _calendar(duty.start, duty.days, duty.timezone, place)


@functools.lru_cache(maxsize=32)
def _calendar(start, days, timezone, place):
    begin, end, _ = time_span(start, days, 3600.0, timezone)
    told = {"start": read_start(start).isoformat(timespec="minutes"), "shifts": _shifts(begin, end, read_zone(timezone))}
    return told if place is None else told | {"nights": _nights(begin, end, place)}


def _shifts(begin, end, zone):
    """Where the clocks of a time zone are changed."""
    out, before = [], begin.utcoffset()
    for hour in range(int((end - begin).total_seconds() // 3600) + 1):
        offset = (begin + dt.timedelta(hours=hour)).astimezone(zone).utcoffset()
        if offset != before:
            out.append([hour * 3600.0, (offset - begin.utcoffset()).total_seconds()])
            before = offset
    return out


def _nights(begin, end, place):
    import pandas as pd
    from pvlib.location import Location

    latitude, longitude, altitude = place
    index = pd.date_range(begin, end, freq=pd.Timedelta(seconds=EVERY_S))
    zenith, _ = sun_path(Location(latitude, longitude, altitude=altitude), index)
    dark = np.concatenate([[False], zenith > HORIZON_DEG, [False]])
    edges = np.flatnonzero(np.diff(dark.astype(int)))
    last = (len(index) - 1) * EVERY_S
    return [[float(a * EVERY_S), float(min(b * EVERY_S, last))] for a, b in edges.reshape(-1, 2)]

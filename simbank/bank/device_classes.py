"""Generic classes of overcurrent device: their curves with band, standard ratings, the standards behind them."""

from __future__ import annotations

import functools
from dataclasses import dataclass, field
from importlib.resources import files

import numpy as np
from pydantic import Field

from simbank.cells.curves import Curve
from simbank.errors import InputError
from simbank.filemodel import FileModel, check, nearest, read_toml

__all__ = ["DeviceClass", "Trip", "class_library", "load_class", "trip_from_curve"]

ASSUMED_BAND = 2.0  # a curve given as one line is taken to hold within this factor in time; common practice, no source


class _Gate(FileModel):
    """What a standard asks of ratings up to one."""

    up_to_a: float
    opens: list[tuple[float, float]]


class _ClassFile(FileModel):
    """One class in device_classes.toml."""

    title: str
    kind: str
    standard: str
    ratings_a: list[float]
    ratings_source: str
    hold: float
    gates: list[_Gate]
    early: list[tuple[float, float]]
    late: list[tuple[float, float]] = Field(default_factory=list)
    points: list[tuple[float, float, float]] = Field(default_factory=list)
    clearing_i2t_a2s: list[tuple[float, float]] = Field(default_factory=list)
    instant_band: tuple[float, float] | None = None
    instant_factors: tuple[float, float] = (1.0, 1.0)
    instant_s: tuple[float, float] = (0.02, 0.02)
    typical_voltage_dc: str
    typical_interrupting_dc: str
    source: str


@dataclass(frozen=True)
class Trip:
    """One line of a device's band: when it opens.

    ``multiples`` and ``seconds`` are straight on log-log paper; below ``least_multiple`` it never opens; from ``instant_multiple`` times its rating
    on it opens after ``instant_s``. Of a band, the soonest line is level from ``least_multiple`` to the first stated point (less current
    cannot open it sooner), and the latest has that point as its ``least_multiple`` (below it nothing says that it opens at all).
    """

    multiples: tuple[float, ...]
    seconds: tuple[float, ...]
    least_multiple: float
    instant_multiple: float = np.inf
    instant_s: float = 0.02


@dataclass(frozen=True)
class DeviceClass:
    """A class of device as the library holds it; ``name`` is its key."""

    name: str
    data: _ClassFile = field(repr=False)

    def __getattr__(self, key):
        return getattr(object.__getattribute__(self, "data"), key)

    def trips(self, rating_a: float, instant: float | None = None) -> tuple[Trip, Trip, Trip]:
        """Soonest, middle and latest :class:`Trip` for a rating [A]; ``instant`` is the magnetic setting (a multiple), if known.

        The middle is the geometric mean in time, and in current where a limit is a current.
        """
        gate = next((g for g in self.data.gates if rating_a <= g.up_to_a), self.data.gates[-1])
        early = sorted([*self.data.early, *((m, soon) for m, soon, _ in self.data.points)])
        late = sorted([*gate.opens, *self.data.late, *((m, latest) for m, _, latest in self.data.points)])
        opens = late[0][0]
        if instant is not None:
            band = tuple(instant * factor for factor in self.data.instant_factors)
        else:
            band = self.data.instant_band or (np.inf, np.inf)
        soon_s, late_s = self.data.instant_s
        return (
            Trip(*zip(*_level_from(self.data.hold, early), strict=True), self.data.hold, band[0], soon_s),
            _middle(early, late, (self.data.hold * opens) ** 0.5, (band[0] * band[1]) ** 0.5, (soon_s * late_s) ** 0.5),
            Trip(*zip(*late, strict=True), opens * (1 - 1e-9), band[1], late_s),
        )


def _middle(early, late, least, instant, instant_s):
    multiples = sorted({m for m, _ in early} | {m for m, _ in late})
    seconds = np.exp((_log_time(early, multiples) + _log_time(late, multiples)) / 2)
    return Trip(tuple(multiples), tuple(float(s) for s in seconds), least, instant, instant_s)


def _log_time(points, multiples):
    """Logarithm of the time at each multiple, straight on log-log paper, going on with the end slopes."""
    x, y = np.log(np.array(points)).T
    return Curve(x, y, "linear")(np.log(multiples))


def _level_from(least, points):
    """Points with one more in front, as soon at the least multiple as at the first."""
    return [(least, points[0][1]), *points] if least < points[0][0] else points


def trip_from_curve(
    points: list[tuple[float, float]], least: float, instant: float, instant_s: float, band: float = ASSUMED_BAND
) -> tuple[Trip, Trip, Trip]:
    """Soonest, middle and latest :class:`Trip` from one line.

    Parameters
    ----------
    points : list of (float, float)
        Multiple of the rating and time [s], multiples rising and times falling.
    least : float
        Multiple below which it never opens.
    instant, instant_s : float
        Multiple from which it opens at once (infinite if it has no such release), and how long that takes [s].
    band : float
        Factor in time either way within which the line holds.
    """
    early, late = ([(m, s * factor) for m, s in points] for factor in (1.0 / band, band))
    return (
        Trip(*zip(*_level_from(least, early), strict=True), least, instant, instant_s),
        Trip(*zip(*points, strict=True), least, instant, instant_s),
        Trip(*zip(*late, strict=True), max(least, late[0][0] * (1 - 1e-9)), instant, instant_s),
    )


@functools.cache
def _all():
    path = files("simbank.bank") / "device_classes.toml"
    return {name: DeviceClass(name, check(_ClassFile, data, file=str(path))) for name, data in read_toml(path).items()}


def class_library() -> list[str]:
    """Names of the classes that ship with simbank."""
    return list(_all())


def load_class(name: str) -> DeviceClass:
    """A class of the library by its name.

    Parameters
    ----------
    name : str
        Such as "class_t".

    Raises
    ------
    InputError
        If there is no such class.
    """
    if name not in _all():
        raise InputError(f"no such class of device; {nearest(name, _all())}", key="class", value=name)
    return _all()[name]

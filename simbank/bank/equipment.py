"""What switches and what is switched: BMS, devices in line, inverters and chargers, as plain data."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from simbank.bank.device_classes import Trip
from simbank.cells.curves import Curve

CONSTANT_I2T = -2.0  # slope of time over current on log-log paper

__all__ = ["BMS", "Charger", "Device", "Display", "Inverter", "Limit", "Switching"]


@dataclass(frozen=True)
class Limit:
    """A limit of a BMS: level, how long it must be overrun [s], and when it releases.

    ``release`` is a level in the unit of the limit (for temperature, how far inside the limits [K]); ``hold_s`` is the least
    time before a release.
    """

    level: float = math.inf
    delay_s: float = 0.0
    release: float = 0.0
    hold_s: float = 1.0
    lower: float = -math.inf


@dataclass(frozen=True)
class BMS:
    """Limits at which a pack's own electronics block charge, discharge, or both; volts per cell, amperes, °C.

    ``stuck`` is "charge", "discharge" or "both" where its switch has failed closed and cannot be opened for that: then it blocks
    nothing there, not even at 0 and 100 %. ``at_cell_limits``: nothing is known of its limits, and it is taken to block at those of
    the chemistry, as a lithium-ion pack without a BMS of its own does. ``draw_a`` [A] and ``draw_w`` [W] are what it takes from the
    pack's cells for itself, whether its switch is open or not.
    """

    over_voltage: Limit = field(default_factory=Limit)
    under_voltage: Limit = field(default_factory=lambda: Limit(-math.inf))
    charge_current: Limit = field(default_factory=Limit)
    discharge_current: Limit = field(default_factory=Limit)
    discharge_current_high: Limit = field(default_factory=Limit)
    short_circuit: Limit = field(default_factory=Limit)
    charge_temperature: Limit = field(default_factory=Limit)
    discharge_temperature: Limit = field(default_factory=Limit)
    retries: int = 3
    precharge_ohm: float = 0.0
    precharge_s: float = 0.0
    stuck: str | None = None
    at_cell_limits: bool = False
    draw_a: float = 0.0
    draw_w: float = 0.0


@dataclass(frozen=True)
class Display:
    """What a BMS shows: a charge counter with faults of its own (:mod:`simbank.simulation.displays`).

    Attributes
    ----------
    capacity_ah : float
        What it takes for the pack's capacity [Ah].
    gain_error : float
        It measures 1 + ``gain_error`` times the current.
    offset_a : float
        And adds this [A]; positive counts as discharge.
    dead_band_a : float
        Measured currents below it are not counted [A].
    full_volt, full_tail_a, full_hold_s : float
        It is set to 100 % after the pack has stood at this voltage or above [V] with no more than this measured current, either way [A],
        for so long [s]; infinite where there is no such rule, or no heed of the current.
    empty_volt : float
        It is set to 0 % at this voltage of the pack or below [V]; minus infinite where there is no such rule.
    start : float, optional
        What it shows at the start, 0 to 1; by default the true state of charge.
    """

    capacity_ah: float
    gain_error: float = 0.0
    offset_a: float = 0.0
    dead_band_a: float = 0.0
    full_volt: float = math.inf
    full_tail_a: float = math.inf
    full_hold_s: float = 0.0
    empty_volt: float = -math.inf
    start: float | None = None


@dataclass(frozen=True)
class Device:
    """A fuse or breaker in line.

    Attributes
    ----------
    name : str
    branch : str
        Name of its branch in the graph.
    rating_a : float
        Rated current [A].
    multiples, seconds : tuple of float
        Inverse-time curve: opens after ``seconds`` at ``multiples`` of its rating, straight between points on log-log paper;
        beyond the last point see :attr:`curve`.
    least_multiple : float
        Multiple below which it never opens.
    thermal_time_constant_s : float
        Time constant with which its damage decays while it carries less than would open it [s].
    instant_multiple : float
        Multiple at which it opens at once; infinite if it has no such release.
    instant_s : float
        How long that takes [s].
    reset_s : float
        After how long it closes again [s]; infinite for a fuse or a breaker that waits for a hand.
    band : (Trip, Trip), optional
        Soonest and latest it may open; None where nothing is known of its curve.
    class_name, pole, owner : str, optional
        Class of the library; "positive" or "negative"; the pack, string or port it stands before.
    interrupting_a, voltage_v : float, optional
        Greatest direct current [A] it breaks, and at what voltage [V], by its sheet.
    in_series : tuple of str
        Branches of the other polarity that carry the same current by the way it is wired.
    """

    name: str
    branch: str
    rating_a: float
    multiples: tuple[float, ...]
    seconds: tuple[float, ...]
    least_multiple: float = 1.05
    thermal_time_constant_s: float = 600.0
    instant_multiple: float = math.inf
    instant_s: float = 0.02
    reset_s: float = math.inf
    band: tuple[Trip, Trip] | None = None
    class_name: str | None = None
    pole: str = "positive"
    owner: str | None = None
    interrupting_a: float | None = None
    voltage_v: float | None = None
    in_series: tuple[str, ...] = ()

    @cached_property
    def curve(self) -> Curve:
        """Logarithm of time over logarithm of multiple.

        Beyond the last point time falls as 1/I² (constant I²t), never faster: with its own last slope where that is flatter, and
        no lower than ``instant_s`` where it has an instantaneous release (a mechanism takes its time). That a fuse's I²t rises no
        more towards short times is common practice, no source.
        """
        x, y = np.log(self.multiples), np.log(self.seconds)
        fall = max((y[-1] - y[-2]) / (x[-1] - x[-2]), CONSTANT_I2T)
        floor = np.log(self.instant_s) if np.isfinite(self.instant_multiple) else -np.inf
        if y[-1] <= floor + 1e-9:
            fall = 0.0
        elif fall < 0 and np.isfinite(floor):
            x, y, fall = np.append(x, x[-1] + (floor - y[-1]) / fall), np.append(y, floor), 0.0
        return Curve(np.append(x, x[-1] + 1.0), np.append(y, y[-1] + fall), "linear")

    @property
    def stated_to(self) -> float:
        """Greatest multiple of its rating up to which its time is known; beyond it :attr:`curve` is an assumption.

        Its curve's end, or unlimited for a class or a release that takes over there.
        """
        if self.class_name is not None or self.instant_multiple <= self.multiples[-1]:
            return math.inf
        return self.multiples[-1]


@dataclass(frozen=True)
class Inverter:
    """Alternating-current side of a port: power asked there is drawn from the bank through losses.

    P_dc = idle + P_ac / η(P_ac / rated), with P_ac at most the rating.

    Attributes
    ----------
    rated_w : float
        Greatest power on its alternating-current side [W].
    efficiency : Curve
        η over P_ac ÷ rated.
    idle_w : float
        Drawn beside every power, and alone while nothing is asked [W].
    recovery_volt, recovery_delay_s : float
        Voltage at its port [V] at which it comes on again after it was cut off, and the least time until then [s].
    cutoff_volt : float, optional
        Voltage at its port [V] at which it is cut off; comes before that of a command.
    """

    rated_w: float
    efficiency: Curve
    idle_w: float = 0.0
    recovery_volt: float = math.inf
    recovery_delay_s: float = 60.0
    cutoff_volt: float | None = None

    def dc_power(self, ac_w: float | np.ndarray) -> np.ndarray:
        """Power drawn from the bank [W] for a power asked on the alternating-current side [W], any shape.

        >>> Inverter(1000.0, Curve([0.0, 1.0], [0.9, 0.9]), idle_w=20.0).dc_power(450.0).item()
        520.0
        """
        ac = np.minimum(ac_w, self.rated_w)
        return self.idle_w + np.where(ac > 0, ac / self.efficiency(np.maximum(ac, 1e-9) / self.rated_w), 0.0)


@dataclass(frozen=True)
class Charger:
    """Bulk, absorption and float of a charging port; volts at the port.

    Attributes
    ----------
    current_limit_a, power_limit_w : float
    absorb_volt, float_volt, rebulk_volt : float
        Without a float voltage it is off once absorption has ended.
    tail_a, tail_time_s : float
        Absorption ends when the current has been below the tail for so long at the absorption voltage; a tail of 0 never ends it.
    absorb_max_s : float
        Longest absorption: time in which the port stood at the absorption voltage or above it.
    follows_bms : bool
        The packs' present charge limits (temperature, blocks ordered by their BMS, also where a switch is stuck) cap its current.
    stop : str, optional
        "first full", "all full" or "NAME full", NAME a pack: what packs report that ends the charge.
    new_bulk_after_s : float
        After so long without anything offered a new bulk begins.
    """

    current_limit_a: float = 1e9
    power_limit_w: float = 1e12
    absorb_volt: float | None = None
    float_volt: float | None = None
    rebulk_volt: float = 0.0
    tail_a: float = 0.0
    absorb_max_s: float = math.inf
    follows_bms: bool = False
    tail_time_s: float = 60.0
    stop: str | None = None
    new_bulk_after_s: float = math.inf


@dataclass(frozen=True)
class Switching:
    """A manual opening or closing by schedule, ``time_s`` from the start [s]; ``what`` is a pack's or a device's name."""

    time_s: float
    what: str
    close: bool

"""Schema of what switches in a scenario file: devices, BMS, inverters, chargers."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema, model_validator

from simbank import quantities
from simbank.bank.device_classes import ASSUMED_BAND, load_class, trip_from_curve
from simbank.bank.equipment import BMS, Charger, Device, Inverter, Limit
from simbank.cells import Curve
from simbank.errors import InputError
from simbank.filemodel import FileModel, fraction, nearest, quantity

__all__ = ["BMSTable", "ChargerTable", "DeviceTable", "InverterTable", "Rate", "Resistance", "SwitchTable"]

Rate = Annotated[
    tuple,
    BeforeValidator(quantities.parse_rate),
    WithJsonSchema({"type": "string", "description": "a C-rate, current or power", "examples": ["0.2 C", "40 A", "2 kW"]}),
]

# Up to this the balances of a run were measured to close within 1e-9 of what moved; at 1e6 ohm no longer.
Resistance = quantity("ohm", not_negative=True, most=1e3, hint="; a connection of more is an open circuit: leave it out")

# An inverse-time curve to start from, as multiples of the rating and seconds; within the gates of UL 489 for small breakers
# (135 % within an hour, 200 % within two minutes; from memory). Common practice, no source, beyond them.
DEFAULT_TRIP = [(1.35, 3000.0), (2.0, 90.0), (3.0, 25.0), (6.0, 4.0), (10.0, 1.2)]


class DeviceTable(FileModel):
    """A fuse, breaker, disconnect or shunt in line with a pole; with a rating it opens on overload."""

    resistance: Resistance
    rating: quantity("ampere", above_zero=True) | None = None
    class_: Annotated[str | None, Field(alias="class")] = None
    interrupting_rating: quantity("ampere", above_zero=True) | None = None
    voltage_rating: quantity("volt", above_zero=True) | None = None
    pole: Literal["positive", "negative", "both"] = "positive"
    trip: list[tuple[fraction(1.0, 1e3, above=True), quantity("second", above_zero=True)]] | None = None
    trip_band: fraction(1.0, 100.0) = ASSUMED_BAND
    least: fraction(1.0, 10.0) | None = None
    cooling: quantity("second", above_zero=True) = 600.0
    instant: fraction(1.0, 1e3, above=True) | None = None
    instant_time: quantity("second", above_zero=True) = 0.02
    reset_after: quantity("second", above_zero=True) | None = None

    @model_validator(mode="after")
    def _whole(self):
        opens = (self.trip, self.instant, self.class_, self.interrupting_rating)
        if self.rating is None and any(x is not None for x in opens):
            raise InputError('a device that opens needs a "rating"', key="rating")
        if self.class_ is not None:
            if self.trip is not None:
                raise InputError('give "class" or a "trip" curve of its own, not both', key="trip")
            if self.instant is not None and load_class(self.class_).kind == "fuse":
                raise InputError("a fuse has no instantaneous setting", key="instant", value=self.instant)
        if self.rating is not None and self.resistance == 0:
            raise InputError("a device that opens needs a resistance above zero", key="resistance", value="0 ohm")
        points = self.trip or DEFAULT_TRIP
        if len(points) < 2 or any(b[0] <= a[0] or b[1] >= a[1] for a, b in pairwise(points)):
            raise InputError("needs two points or more, multiples rising and times falling", key="trip")
        return self

    def trips(self):
        """(soonest, middle, latest) opening, and whether anything is known of it."""
        if self.class_ is not None:
            return load_class(self.class_).trips(self.rating, self.instant), True
        points, instant = self.trip or DEFAULT_TRIP, self.instant or math.inf
        return trip_from_curve(points, self.least or 1.05, instant, self.instant_time, self.trip_band), self.trip is not None

    def device(self, name, owner, pole="positive", in_series=()):
        (soonest, middle, latest), known = self.trips()
        return Device(
            name=name,
            branch=name,
            rating_a=self.rating,
            multiples=middle.multiples,
            seconds=middle.seconds,
            least=self.least or middle.least,
            cooling_s=self.cooling,
            instant=middle.instant,
            instant_s=middle.instant_s,
            reset_s=self.reset_after or math.inf,
            band=(soonest, latest) if known else None,
            class_name=self.class_,
            pole=pole,
            owner=owner,
            interrupting_a=self.interrupting_rating,
            voltage_v=self.voltage_rating,
            in_series=in_series,
        )


class LimitTable(FileModel):
    """A limit of a BMS: where, after how long, and when it lets go."""

    limit: str
    delay: quantity("second", not_negative=True) = 0.0
    release: str | None = None
    hold: quantity("second", above_zero=True) | None = None


class TemperatureTable(FileModel):
    """Least and greatest cell temperature, and how far inside them [K] it lets go."""

    lowest: quantity("kelvin", above_zero=True)
    highest: quantity("kelvin", above_zero=True)
    delay: quantity("second", not_negative=True) = 1.0
    release: fraction(0.0, 50.0) = 3.0

    @model_validator(mode="after")
    def _in_order(self):
        if self.lowest >= self.highest:
            raise InputError(
                f"must lie below the highest of {self.highest - 273.15:.6g} degC",
                key="lowest",
                value=f"{self.lowest - 273.15:.6g} degC",
            )
        half = (self.highest - self.lowest) / 2.0
        if self.release >= half:
            raise InputError(
                f"must be below {half:.6g} K, half of what lies between lowest and highest, or no temperature lets the pack go",
                key="release", value=self.release,
            )  # fmt: skip
        return self

    def limit(self):
        return Limit(self.highest - 273.15, self.delay, self.release, 1.0, self.lowest - 273.15)


class PrechargeTable(FileModel):
    """A resistor through which a pack reconnects for a while."""

    resistance: quantity("ohm", above_zero=True)
    time: quantity("second", above_zero=True)


def _current_limit(text, key):
    """("c", number) or ("a", amperes) of a current limit."""
    try:
        kind, value = quantities.parse_rate(text)
    except InputError:
        kind, value = None, None
    if kind not in ("c", "a"):
        raise InputError('must be a current above zero, such as "120 A" or "1 C"', key=f"{key}.limit", value=text)
    return kind, value


def _volt(text, key):
    try:
        volt = quantities.parse(text, "volt")
    except InputError as error:
        raise InputError(error.problem, key=key, value=text) from None
    if not volt > 0:
        raise InputError("must be above zero", key=key, value=text)
    return volt


class BMSTable(FileModel):
    """Limits of a pack's own electronics. Voltages per cell; currents of the pack ("120 A" or "1 C").

    ``stuck``: its switch has failed closed and cannot open for charge, for discharge, or for both.
    """

    over_voltage: LimitTable | None = None
    under_voltage: LimitTable | None = None
    charge_current: LimitTable | None = None
    discharge_current: LimitTable | None = None
    discharge_current_high: LimitTable | None = None
    short_circuit: LimitTable | None = None
    charge_temperature: TemperatureTable | None = None
    discharge_temperature: TemperatureTable | None = None
    retries: Annotated[int, Field(ge=0, le=1000, strict=True)] = 3
    precharge: PrechargeTable | None = None
    stuck: Literal["charge", "discharge", "both"] | None = None

    @model_validator(mode="after")
    def _readable(self):
        self.bms(1.0)
        return self

    def with_own(self, own):
        """This table with the keys that ``own``, a pack's table, gives in place of its own."""
        return self if own is None else self.model_copy(update={key: getattr(own, key) for key in own.model_fields_set})

    def bms(self, capacity_ah):
        """The limits in volts and amperes for a pack of this rated capacity."""
        parts = {key: self._volts(key) for key in ("over_voltage", "under_voltage") if getattr(self, key) is not None}
        if len(parts) == 2 and parts["under_voltage"].level >= parts["over_voltage"].level:
            raise InputError(
                f"must lie below the over_voltage limit of {self.over_voltage.limit}",
                key="under_voltage.limit", value=self.under_voltage.limit,
            )  # fmt: skip
        if len(parts) == 2:
            self._check_releases(parts["under_voltage"], parts["over_voltage"])
        for key in ("charge_current", "discharge_current", "discharge_current_high", "short_circuit"):
            table = getattr(self, key)
            if table is not None:
                kind, value = _current_limit(table.limit, key)
                if table.release is not None:
                    raise InputError('a current limit lets go after "hold"', key=f"{key}.release", value=table.release)
                parts[key] = Limit(value * capacity_ah if kind == "c" else value, table.delay, 0.0, table.hold or 30.0)
        for key in ("charge_temperature", "discharge_temperature"):
            if getattr(self, key) is not None:
                parts[key] = getattr(self, key).limit()
        if self.precharge is not None:
            parts |= {"precharge_ohm": self.precharge.resistance, "precharge_s": self.precharge.time}
        only_stuck = self.stuck is not None and not parts
        return BMS(retries=self.retries, stuck=self.stuck, at_cell_limits=only_stuck, **parts)

    def _check_releases(self, under, over):
        """Refuse a release beyond the other limit, where the pack would be blocked by that one before it is let go by this one."""
        for key, other, beyond, side in (
            ("under_voltage", "over_voltage", under.release >= over.level, "below"),
            ("over_voltage", "under_voltage", over.release <= under.level, "above"),
        ):
            if beyond:
                raise InputError(
                    f"must lie {side} the {other} limit of {getattr(self, other).limit}, or the pack is never let go",
                    key=f"{key}.release", value=getattr(self, key).release,
                )  # fmt: skip

    def _volts(self, key):
        table = getattr(self, key)
        if table.release is None:
            raise InputError('needs a "release" voltage, such as "3.40 V"', key=key)
        level, release = (_volt(getattr(table, part), f"{key}.{part}") for part in ("limit", "release"))
        if (release >= level) if key == "over_voltage" else (release <= level):
            side = "below" if key == "over_voltage" else "above"
            raise InputError(f"must lie {side} the limit of {table.limit}", key=f"{key}.release", value=table.release)
        return Limit(level, table.delay, release, table.hold or 1.0)


class InverterTable(FileModel):
    """Alternating-current side of a port: powers asked there are AC powers, for which the bank gives idle + power / efficiency.

    An efficiency that a maker states with the idle power included would count it twice.
    """

    rated_power: quantity("watt", above_zero=True)
    efficiency: list[tuple[fraction(0.0, 1.0), fraction(0.0, 1.0, above=True)]] = Field(
        default_factory=lambda: [(0.05, 0.85), (0.1, 0.91), (0.3, 0.94), (1.0, 0.91)]
    )
    idle: quantity("watt", not_negative=True) = 0.0
    cutoff: quantity("volt", above_zero=True) | None = None
    recovery: quantity("volt", above_zero=True) | None = None
    recovery_delay: quantity("second", above_zero=True) = 60.0

    @model_validator(mode="after")
    def _sound(self):
        if not self.efficiency or any(b[0] <= a[0] for a, b in pairwise(self.efficiency)):
            raise InputError("needs points whose fractions of the rating rise", key="efficiency")
        if self.cutoff is not None and self.recovery is not None and self.recovery <= self.cutoff:
            raise InputError(f"must lie above the cut-off of {self.cutoff:g} V", key="recovery", value=f"{self.recovery:g} V")
        return self

    def inverter(self, cutoff_volt):
        recovery = self.recovery or 1.06 * (self.cutoff or cutoff_volt)
        fractions, values = zip(*self.efficiency, strict=True)
        curve = Curve(fractions, values, "linear", outside="level")
        return Inverter(self.rated_power, curve, self.idle, recovery, self.recovery_delay, self.cutoff)


REBULK_OF_FLOAT, REBULK_OF_ABSORB = 0.97, 0.90  # rebulk voltage where none is given; common practice, no source
# Without a float voltage the bank comes to rest, and a full lead-acid bank rests below 0.90 of its absorption voltage: bulk then begins
# again no sooner than where the bank rests at this state of charge. Common practice, no source.
REBULK_SOC = 0.7


class ChargerTable(FileModel):
    """Bulk, absorption and float of a charging port."""

    current_limit: quantity("ampere", above_zero=True) | None = None
    power_limit: quantity("watt", above_zero=True) | None = None
    absorb: quantity("volt", above_zero=True) | None = None
    float_: Annotated[quantity("volt", above_zero=True) | None, Field(alias="float")] = None
    rebulk: quantity("volt", above_zero=True) | None = None
    tail: Rate | None = None
    tail_time: quantity("second", not_negative=True) = 60.0
    absorb_max: quantity("second", above_zero=True) | None = None
    follows_bms: bool = False
    stop: str | None = None
    new_bulk_after: quantity("second", above_zero=True) | None = None

    @model_validator(mode="after")
    def _sound(self):
        if self.tail is not None and self.tail[0] == "w":
            raise InputError('must be a C-rate or a current, such as "0.02 C"', key="tail")
        return self

    def charger(self, capacity_ah, charge_volt, pack_names, rest_volt):
        """The charger of a bank; ``rest_volt`` is the bank's voltage at rest at ``REBULK_SOC`` [V]."""
        absorb = self.absorb or charge_volt
        if self.float_ is not None and self.float_ >= absorb:
            raise InputError(f"must lie below the absorption voltage of {absorb:g} V", key="float", value=f"{self.float_:g} V")
        if self.stop is not None and self.stop not in ("first full", "all full", *(f"{name} full" for name in pack_names)):
            name = self.stop.removesuffix(" full")
            raise InputError(
                f'use "first full", "all full" or a pack\'s name such as "{pack_names[0]} full"; {nearest(name, pack_names)}',
                key="stop", value=self.stop,
            )  # fmt: skip
        tail = 0.0 if self.tail is None else self.tail[1] * (capacity_ah if self.tail[0] == "c" else 1.0)
        return Charger(
            current_limit_a=self.current_limit or 1e9,
            power_limit_w=self.power_limit or 1e12,
            absorb_volt=absorb,
            float_volt=self.float_,
            rebulk_volt=self.rebulk
            or (REBULK_OF_FLOAT * self.float_ if self.float_ else min(REBULK_OF_ABSORB * absorb, rest_volt)),
            tail_a=tail,
            absorb_max_s=self.absorb_max or math.inf,
            follows_bms=self.follows_bms,
            tail_time_s=self.tail_time,
            stop=self.stop,
            new_bulk_after_s=self.new_bulk_after or math.inf,
        )


class SwitchTable(FileModel):
    """A pack or a device opened, or closed, by hand at a time from the start."""

    what: str
    at: quantity("second", not_negative=True)
    close: bool = False

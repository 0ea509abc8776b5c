"""Schema of what switches in a scenario file: devices, BMS, inverters, chargers."""

from __future__ import annotations

import math
from functools import lru_cache, partial
from itertools import pairwise
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema, model_validator

from simbank import quantities
from simbank.bank.device_classes import ASSUMED_BAND, Trip, load_class, trip_from_curve
from simbank.bank.equipment import BMS, Charger, Device, Inverter, Limit
from simbank.cells import Curve
from simbank.errors import InputError
from simbank.filemodel import FileModel, fraction, nearest, quantity

__all__ = ["BMSTable", "ChargerTable", "DeviceTable", "InverterTable", "Rate", "Resistance", "SwitchTable", "Tail"]

RATE_WORDS = "a C-rate, current or power"
Rate = Annotated[
    tuple,
    BeforeValidator(quantities.parse_rate),
    WithJsonSchema({"type": "string", "description": RATE_WORDS, "x-takes": RATE_WORDS, "examples": ["0.2 C", "40 A", "2 kW"]}),
]
TAIL_WORDS = "a C-rate or a current"
Tail = Annotated[
    tuple,
    BeforeValidator(partial(quantities.parse_rate, power=False)),
    WithJsonSchema({"type": "string", "description": TAIL_WORDS, "x-takes": TAIL_WORDS, "examples": ["0.02 C", "4 A"]}),
]

DRAW_WORDS = "a current or a power"


def _draw(text):
    """("a", amperes) or ("w", watts) of what a BMS takes for itself."""
    right = 'write a current or a power, such as "10 mA" or "0.5 W"'
    quantities.refuse_known(text)
    try:
        kind, value = quantities.parse_rate(text)
    except InputError:
        kind, value = None, None
    if kind not in ("a", "w"):
        raise InputError(f"must be above zero and no C-rate; {right}")
    return kind, value


Draw = Annotated[
    tuple,
    BeforeValidator(_draw),
    WithJsonSchema({"type": "string", "description": DRAW_WORDS, "x-takes": DRAW_WORDS, "examples": ["10 mA", "0.5 W"]}),
]

# Up to this the balances of a run were measured to close within 1e-9 of what moved; at 1e6 ohm no longer.
Resistance = quantity("ohm", not_negative=True, most=1e3, hint="; a connection of more is an open circuit: leave it out")

# An inverse-time curve to start from, as multiples of the rating and seconds; within the gates of UL 489 for small breakers
# (135 % within an hour, 200 % within two minutes; from memory). Common practice, no source, beyond them.
DEFAULT_TRIP = [(1.35, 3000.0), (2.0, 90.0), (3.0, 25.0), (6.0, 4.0), (10.0, 1.2)]


class DeviceTable(FileModel):
    """A fuse, breaker, disconnect or shunt in line with a pole; with a rating it opens on overload.

    It is called "device" and the name of its pack, string or port.
    """

    resistance: Resistance = Field(description="of each pole that it sits in")
    rating: quantity("ampere", above_zero=True, least=0.01, most=1e6) | None = Field(
        None,
        description="with it the device opens on overload, without it is only a resistance",
    )
    class_: str | None = Field(
        None,
        alias="class",
        description="generic class, whose curve it has (`simbank device list`)",
    )
    interrupting_rating: quantity("ampere", above_zero=True) | None = Field(
        None,
        description="greatest direct current that it breaks, from its sheet",
    )
    voltage_rating: quantity("volt", above_zero=True) | None = Field(
        None,
        description="direct voltage at which it breaks that, from its sheet",
    )
    pole: Literal["positive", "negative", "both"] = Field("positive", description="where it sits")
    trip: list[tuple[fraction(1.0, 1e3, above=True), quantity("second", above_zero=True)]] | None = Field(
        None,
        description='curve of its own: `[[1.35, "50 min"], [2, "90 s"], …]`, multiples of the rating and times, straight on '
        "log-log paper, constant I²t beyond the last; without `class` and `trip` a generic curve",
    )
    trip_band: fraction(1.0, 100.0) = Field(
        ASSUMED_BAND,
        description="factor in time either way within which `trip` holds",
    )
    least: fraction(1.0, 10.0) | None = Field(
        None,
        description="multiple of the rating below which it never opens; by default that of its class, or 1.05",
    )
    cooling: quantity("second", above_zero=True) = Field(
        600.0,
        description="time constant with which it forgets an overload",
    )
    instant: fraction(1.0, 1e3, above=True) | None = Field(
        None,
        description="multiple of the rating at which a breaker opens at once (its magnetic setting)",
    )
    instant_time: quantity("second", above_zero=True) = Field(0.02, description="how long that takes")
    reset_after: quantity("second", above_zero=True) | None = Field(
        None,
        description="closes again by itself after this; by default it stays open",
    )

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

    def trips(self) -> tuple[tuple[Trip, Trip, Trip], bool]:
        """(soonest, middle, latest) opening, and whether anything is known of it."""
        if self.class_ is not None:
            return _trips_of_class(self.class_, self.rating, self.instant), True
        points, instant = self.trip or DEFAULT_TRIP, self.instant or math.inf
        return trip_from_curve(points, self.least or 1.05, instant, self.instant_time, self.trip_band), self.trip is not None

    def device(self, name: str, owner: str, pole: str = "positive") -> Device:
        """The device that it describes, in one pole of a pack, string or port; its branch has its name."""
        (soonest, middle, latest), known = self.trips()
        return Device(
            name=name,
            branch=name,
            rating_a=self.rating,
            multiples=middle.multiples,
            seconds=middle.seconds,
            least_multiple=self.least or middle.least_multiple,
            thermal_time_constant_s=self.cooling,
            instant_multiple=middle.instant_multiple,
            instant_s=middle.instant_s,
            reset_s=self.reset_after or math.inf,
            band=(soonest, latest) if known else None,
            class_name=self.class_,
            pole=pole,
            owner=owner,
            interrupting_a=self.interrupting_rating,
            voltage_v=self.voltage_rating,
        )


@lru_cache(maxsize=256)  # the same in every bank that is drawn
def _trips_of_class(name, rating_a, instant):
    return load_class(name).trips(rating_a, instant)


class LimitTable(FileModel):
    """A limit of a BMS: where, after how long, and when it lets go."""

    limit: str = Field(description='a voltage per cell (`"3.65 V"`), or a current of the pack (`"120 A"` or `"1 C"`)')
    delay: quantity("second", not_negative=True) = Field(0.0, description="how long it must be overrun")
    release: str | None = Field(None, description="voltage per cell at which a voltage limit lets go; needed there")
    hold: quantity("second", above_zero=True) | None = Field(
        None,
        description="least time before it lets go (1 s); of a current limit, after which it tries again (30 s)",
    )


class TemperatureTable(FileModel):
    """Least and greatest cell temperature, and how far inside them [K] it lets go."""

    lowest: quantity("kelvin", above_zero=True) = Field(description="of the cells")
    highest: quantity("kelvin", above_zero=True) = Field(description="of the cells")
    delay: quantity("second", not_negative=True) = Field(1.0, description="how long it must be outside")
    release: fraction(0.0, 50.0) = Field(
        3.0,
        description="how far inside the limits it lets go [K]; less than half of what lies between them",
    )

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

    def limit(self) -> Limit:
        """The limit in °C; it lets go so far inside."""
        return Limit(self.highest - 273.15, self.delay, self.release, 1.0, self.lowest - 273.15)


class PrechargeTable(FileModel):
    """A resistor through which a pack reconnects for a while."""

    resistance: quantity("ohm", above_zero=True) = Field(description="in series with the pack")
    time: quantity("second", above_zero=True) = Field(description="for which it stays in")


def _current_limit(text, key):
    """("c", number) or ("a", amperes) of a current limit."""
    try:
        quantities.refuse_known(text)
    except InputError as error:
        raise InputError(error.problem, key=f"{key}.limit", value=text) from None
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
    """Limits of a pack's own electronics.

    Charge blocked still discharges, and the reverse. A pack's own ``bms`` (in ``packs``) comes before its type's, key by key. A
    lithium-ion pack without a ``bms`` is taken to have one that opens at the limits of its cells (LFP 3.65 V and 2.50 V; 100 % and
    0 %), in the blocked direction only, and comes back on reversal; the others carry on. Where it has done so, the run warns
    (``assumed-bms``). A lead-acid pack has no switch unless the file gives it a ``bms``.
    """

    over_voltage: LimitTable | None = Field(None, description="of the highest cell; blocks charge")
    under_voltage: LimitTable | None = Field(None, description="of the lowest cell; blocks discharge")
    charge_current: LimitTable | None = Field(None, description="blocks charge")
    discharge_current: LimitTable | None = Field(None, description="blocks discharge")
    discharge_current_high: LimitTable | None = Field(
        None,
        description="a second, higher limit, with a shorter delay",
    )
    short_circuit: LimitTable | None = Field(None, description="never tried again")
    charge_temperature: TemperatureTable | None = Field(None, description="blocks charge outside")
    discharge_temperature: TemperatureTable | None = Field(None, description="blocks discharge outside")
    retries: Annotated[int, Field(ge=0, le=1000, strict=True)] = Field(
        3,
        description="how often an hour it tries again after an over-current, before it locks",
    )
    precharge: PrechargeTable | None = Field(None, description="resistor through which the pack reconnects")
    stuck: Literal["charge", "discharge", "both"] | None = Field(
        None,
        description="the switch has failed closed and cannot open for that",
    )
    draw: Draw | None = Field(
        None,
        description="what it takes from the pack's cells for itself, its switch open or closed, until they are empty (it fades away over "
        "the last 1 %); a power counts as its current at half charge",
    )

    @model_validator(mode="after")
    def _readable(self):
        self.bms(1.0)
        return self

    def with_own(self, own: BMSTable | None) -> BMSTable:
        """This table with the keys that ``own``, a pack's table, gives in place of its own."""
        return self if own is None else self.model_copy(update={key: getattr(own, key) for key in own.model_fields_set})

    def bms(self, capacity_ah: float) -> BMS:
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
        no_limits = (self.stuck is not None or self.draw is not None) and not parts
        if self.draw is not None:
            parts[f"draw_{self.draw[0]}"] = self.draw[1]
        return BMS(retries=self.retries, stuck=self.stuck, at_cell_limits=no_limits, **parts)

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

    An efficiency that a maker states with the idle power included would count it twice. While the port charges, what is offered
    counts as what reaches the bank. An inverter that was cut off comes on again once its ``recovery_delay`` is over and its port has
    reached the ``recovery`` voltage, at rest or while it charges.
    """

    rated_power: quantity("watt", above_zero=True) = Field(description="greatest AC power")
    efficiency: list[tuple[fraction(0.0, 1.0), fraction(0.0, 1.0, above=True)]] = Field(
        default_factory=lambda: [(0.05, 0.85), (0.1, 0.91), (0.3, 0.94), (1.0, 0.91)],
        description="points of [load ÷ rated power, efficiency]",
    )
    idle: quantity("watt", not_negative=True) = Field(
        0.0,
        description="drawn beside every AC power, and alone in a rest or a row of 0 W (0 A is no current); leave it out of an "
        "inverter that is off at rest",
    )
    cutoff: quantity("volt", above_zero=True) | None = Field(
        None,
        description="voltage at its port at which it stops; comes before that of the duty",
    )
    recovery: quantity("volt", above_zero=True) | None = Field(
        None,
        description="voltage at which it may come on again, at rest or while the port charges; by default 1.06 times the cut-off",
    )
    recovery_delay: quantity("second", above_zero=True) = Field(60.0, description="least time until then")

    @model_validator(mode="after")
    def _sound(self):
        if not self.efficiency or any(b[0] <= a[0] for a, b in pairwise(self.efficiency)):
            raise InputError("needs points whose fractions of the rating rise", key="efficiency")
        if self.cutoff is not None and self.recovery is not None and self.recovery <= self.cutoff:
            raise InputError(f"must lie above the cut-off of {self.cutoff:g} V", key="recovery", value=f"{self.recovery:g} V")
        return self

    def inverter(self, cutoff_volt: float) -> Inverter:
        """The inverter that it describes; ``cutoff_volt`` is what suits the cells where it gives none [V]."""
        recovery = self.recovery or 1.06 * (self.cutoff or cutoff_volt)
        fractions, values = zip(*self.efficiency, strict=True)
        curve = Curve(fractions, values, "linear", outside="level")
        return Inverter(self.rated_power, curve, self.idle, recovery, self.recovery_delay, self.cutoff)


REBULK_OF_FLOAT, REBULK_OF_ABSORB = 0.97, 0.90  # rebulk voltage where none is given; common practice, no source
# Without a float voltage the bank comes to rest, and a full lead-acid bank rests below 0.90 of its absorption voltage: bulk then begins
# again no sooner than where the bank rests at this state of charge. Common practice, no source.
REBULK_SOC = 0.7


class ChargerTable(FileModel):
    """Bulk, absorption and float of a charging port.

    A charger begins in bulk, at its current limit or with all that is offered; at the ``absorb`` voltage it holds that (absorption);
    then it holds the ``float`` voltage, or is off if none is given. Absorption ends when the current has stayed below ``tail`` for
    ``tail_time``, or after ``absorb_max`` in all; both count only while its port stands at that voltage or above it. A cloud or a load
    stops the clock of ``absorb_max`` and does not set it back (common practice varies), and a current that is low because the sun is
    weak is no tail. One that gives nothing because the bank stands above its absorption voltage goes to float after ``tail_time``, as
    chargers do that measure their own current only, and does not count as having charged.

    From float, or from off, it goes back to bulk when the port falls to ``rebulk``, or, if asked, when power is offered again after
    ``new_bulk_after`` without any; what counts is the power at its port, sun less load. ``stop`` ends the charge, bulk or absorption,
    by what packs report: a pack reports full from 99 % on, and while its charge is blocked at a cell limit or by over-voltage; one
    that is switched off or locked reports nothing. From then on the rebulk voltage begins no new bulk until the packs whose report
    it is are no longer full by a margin: below 98 % and not blocked; float goes on as its voltage has it.
    """

    current_limit: quantity("ampere", above_zero=True) | None = Field(
        None,
        description="greatest charge current; by default none",
    )
    power_limit: quantity("watt", above_zero=True) | None = Field(
        None,
        description="greatest charge power; by default none",
    )
    absorb: quantity("volt", above_zero=True) | None = Field(
        None,
        description="absorption voltage at its port; by default what suits the cells",
    )
    float_: quantity("volt", above_zero=True) | None = Field(
        None,
        alias="float",
        description="float voltage; without one it is off after absorption",
    )
    rebulk: quantity("volt", above_zero=True) | None = Field(
        None,
        description="voltage at which bulk begins again; by default 0.97 of `float`, without one 0.90 of `absorb` or where the "
        "bank rests at 70 % if that is lower",
    )
    tail: Tail | None = Field(None, description="current below which absorption ends")
    tail_time: quantity("second", not_negative=True) = Field(
        60.0,
        description="for how long, at the absorption voltage",
    )
    absorb_max: quantity("second", above_zero=True) | None = Field(
        None,
        description="longest absorption, counted while its port stands at that voltage or above it",
    )
    follows_bms: bool = Field(
        False,
        description="keeps to what the packs that take charge allow at their temperature; one whose BMS orders charge to be blocked "
        "allows none, even where its switch is stuck",
    )
    stop: str | None = Field(
        None,
        description='`"first full"`, `"all full"` or `"NAME full"`: packs\' report that ends the charge',
    )
    new_bulk_after: quantity("second", above_zero=True) | None = Field(
        None,
        description='a new bulk when power is offered again after so long without any (`"4 h"`: each morning)',
    )

    def charger(self, capacity_ah: float, charge_volt: float, pack_names: list[str], rest_volt: float) -> Charger:
        """The charger that it describes.

        Parameters
        ----------
        capacity_ah : float
            Of the bank, for a tail in C [Ah].
        charge_volt : float
            Absorption voltage where it gives none [V].
        pack_names : list of str
            Of the bank, one of which ``stop`` may name.
        rest_volt : float
            Of the bank at rest at ``REBULK_SOC`` [V].
        """
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

    what: str = Field(description='a pack, or `"device NAME"`')
    at: quantity("second", not_negative=True) = Field(description="from the start")
    close: bool = Field(False, description="closes it instead of opening it")

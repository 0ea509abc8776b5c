"""Every kind of event of a run: a stable code for programs, words for people, and what it means."""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

from simbank.simulation import arrays as ar

__all__ = ["MONITOR_EVENTS", "Event", "EventRow"]


class Event(StrEnum):
    """A kind of event. It is equal to its code, which does not change; the words may.

    Attributes
    ----------
    code : str
        As in the column ``code`` of every table of events.
    where : {"pack", "port", "device"}
        What it happens to.
    words : str
        As in the column ``what``.
    meaning : str

    Examples
    --------
    >>> Event("cut-off").words
    'discharge ended at cut-off voltage'
    >>> Event.CUT_OFF == "cut-off"
    True
    """

    def __new__(cls, code: str, where: str, words: str, meaning: str):
        """A member that is equal to its code."""
        member = str.__new__(cls, code)
        member._value_ = code
        member.where, member.words, member.meaning = where, words, meaning
        return member

    @property
    def code(self) -> str:
        """The code as a plain string."""
        return self.value

    # packs
    CHARGE_BLOCKED = (
        "charge-blocked-full", "pack", "charge blocked at cell limit",
        "a cell has reached the highest voltage of its chemistry, or the pack 100 %, and charge is blocked",
    )  # fmt: skip
    DISCHARGE_BLOCKED = (
        "discharge-blocked-empty", "pack", "discharge blocked at cell limit",
        "a cell has reached the lowest voltage of its chemistry, or the pack 0 %, and discharge is blocked",
    )  # fmt: skip
    CELL_OVER_VOLTAGE = (
        "cell-over-voltage", "pack", "charge blocked: cell over-voltage", "over-voltage limit of the BMS, for its delay",
    )  # fmt: skip
    CELL_UNDER_VOLTAGE = (
        "cell-under-voltage", "pack", "discharge blocked: cell under-voltage", "under-voltage limit of the BMS, for its delay",
    )  # fmt: skip
    CHARGE_OVER_CURRENT = (
        "charge-over-current", "pack", "charge blocked: over-current", "charge current limit of the BMS, for its delay",
    )  # fmt: skip
    DISCHARGE_OVER_CURRENT_1 = (
        "discharge-over-current", "pack", "discharge blocked: over-current",
        "discharge current limit of the BMS, first stage, for its delay",
    )  # fmt: skip
    DISCHARGE_OVER_CURRENT_2 = (
        "discharge-over-current-high", "pack", "discharge blocked: high over-current",
        "discharge current limit of the BMS, second stage, for its delay",
    )  # fmt: skip
    SHORT_CIRCUIT = (
        "short-circuit", "pack", "opened: short-circuit current", "short-circuit release of the BMS: blocks both directions",
    )  # fmt: skip
    CHARGE_TEMPERATURE = (
        "charge-temperature", "pack", "charge blocked: temperature", "outside the temperatures at which the BMS lets it charge",
    )  # fmt: skip
    DISCHARGE_TEMPERATURE = (
        "discharge-temperature", "pack", "discharge blocked: temperature",
        "outside the temperatures at which the BMS lets it discharge",
    )  # fmt: skip
    SWITCHED_OFF = "switched-off", "pack", "switched off", "by the schedule of the scenario: blocks both directions"
    CONDUCTS_DISCHARGE = (
        "conducts-discharge", "pack", "conducts discharge while charge stays blocked",
        "a pack that is blocked for charge begins to give current",
    )  # fmt: skip
    CONDUCTS_CHARGE = (
        "conducts-charge", "pack", "conducts charge while discharge stays blocked",
        "a pack that is blocked for discharge begins to take current",
    )  # fmt: skip
    OPENS_AGAIN = (
        "opens-again", "pack", "opens again: current would flow in the blocked direction",
        "a pack that conducted in its free direction stops",
    )  # fmt: skip
    RELEASED = (
        "block-released",
        "pack",
        "block released",
        "what the BMS had blocked is free again; why it was blocked stands beside it",
    )
    SWITCHED_ON = "switched-on", "pack", "switched on", "by the schedule of the scenario"
    RECONNECTS = "reconnects", "pack", "reconnects", "closes after it was open; the inrush current stands beside it"
    PRECHARGES = (
        "precharge-begins", "pack", "reconnects through its precharge resistor",
        "closes through a resistor; the inrush current stands beside it",
    )  # fmt: skip
    PRECHARGED = "precharge-ended", "pack", "precharge ended", "its precharge resistor is bridged"
    LOCKED = "stays-open", "pack", "stays open: opened too often", "it opened too often in an hour, or on short-circuit current"
    STUCK = (
        "switch-stuck", "pack", "its BMS orders a block, but its switch is stuck closed",
        "current goes on; written once for each limit of a switch that cannot open",
    )  # fmt: skip
    # ports
    HOLDS_VOLTAGE = (
        "voltage-held", "port", "charge voltage reached, voltage held", "the charge goes on at constant voltage: absorption",
    )  # fmt: skip
    CURRENT_AGAIN = (
        "current-limited", "port", "current limit reached, current held", "the charge goes on at its current limit",
    )  # fmt: skip
    CHARGE_ENDED = (
        "charge-ended", "port", "charge ended at tail current", "a charge without a charger has come to its tail current",
    )  # fmt: skip
    NOTHING_IN = "nothing-flows-in", "port", "nothing flows in at this voltage", "the bank stands above the charge voltage"
    FLOATS = (
        "absorption-ended-float", "port", "absorption ended, float", "by tail current or longest absorption; the float voltage follows",
    )  # fmt: skip
    FLOATS_OFF = "absorption-ended-off", "port", "absorption ended, off", "by tail current or longest absorption; it is off"
    STOPPED = (
        "charge-stopped-float", "port", "charge stopped by what packs report, float", "the packs that a charger heeds report full",
    )  # fmt: skip
    STOPPED_OFF = (
        "charge-stopped-off",
        "port",
        "charge stopped by what packs report, off",
        "the packs that a charger heeds report full; it is off",
    )
    HELD_HIGHER = (
        "bank-higher-float", "port", "gave nothing: the bank stands above the absorption voltage; float",
        "a charger ends its absorption for want of current, since something else holds the bank higher; no sign of a full bank",
    )  # fmt: skip
    HELD_HIGHER_OFF = (
        "bank-higher-off", "port", "gave nothing: the bank stands above the absorption voltage; off",
        "likewise of a charger without a float voltage, which is then off",
    )  # fmt: skip
    TOO_LITTLE = (
        "voltage-not-held", "port", "charge voltage no longer held: what is offered is too little",
        "a charger is back in bulk; the clock of absorption rests",
    )  # fmt: skip
    REBULK = "bulk-again", "port", "bulk charge again", "a charger begins a new charge"
    CUT_OFF = (
        "cut-off", "port", "discharge ended at cut-off voltage", "of an inverter, until its voltage has recovered; else for the step",
    )  # fmt: skip
    RECOVERED = "recovered", "port", "on again: voltage has recovered", "an inverter that was cut off comes on again"
    TOO_MUCH_POWER = (
        "power-beyond-bank", "port", "stopped: power is beyond what the bank can give",
        "no current gives this power: more current would give less",
    )  # fmt: skip
    NO_PACK = "no-pack", "port", "stopped: no pack can pass this current", "every pack behind it is open in this direction"
    # devices
    DEVICE_OPENS = "device-overload", "device", "opens: overload", "a fuse or breaker has reached its time at its current"
    DEVICE_INSTANT = (
        "device-instantaneous",
        "device",
        "opens: instantaneous release",
        "a breaker's instantaneous release has acted",
    )
    DEVICE_CLOSES = "device-closed", "device", "closed", "by itself after its reset time, or by the schedule"
    DEVICE_SWITCHED = "device-switched-off", "device", "opened by schedule", "by the schedule of the scenario"

    @property
    def without_float(self) -> Event:
        """What it is called for a charger without a float voltage, which is then off."""
        pairs = {Event.FLOATS: Event.FLOATS_OFF, Event.STOPPED: Event.STOPPED_OFF, Event.HELD_HIGHER: Event.HELD_HIGHER_OFF}
        return pairs.get(self, self)


class EventRow(NamedTuple):
    """One event of a run, as a row of its table: time since the start [s], name of the pack, port or device, kind, and why."""

    time_s: float
    where: str
    event: Event
    because: str

    @property
    def record(self) -> dict:
        """As JSON and tables have it: ``time_s``, ``where``, ``what``, ``because``, ``code``."""
        return {
            "time_s": float(self.time_s),
            "where": self.where,
            "what": self.event.words,
            "because": self.because,
            "code": self.event.code,
        }


# What each monitor of a BMS is called when it blocks.
MONITOR_EVENTS = {
    ar.FULL: Event.CHARGE_BLOCKED,
    ar.EMPTY: Event.DISCHARGE_BLOCKED,
    ar.CELL_OVER_VOLTAGE: Event.CELL_OVER_VOLTAGE,
    ar.CELL_UNDER_VOLTAGE: Event.CELL_UNDER_VOLTAGE,
    ar.CHARGE_OVER_CURRENT: Event.CHARGE_OVER_CURRENT,
    ar.DISCHARGE_OVER_CURRENT_1: Event.DISCHARGE_OVER_CURRENT_1,
    ar.DISCHARGE_OVER_CURRENT_2: Event.DISCHARGE_OVER_CURRENT_2,
    ar.SHORT_CIRCUIT: Event.SHORT_CIRCUIT,
    ar.CHARGE_TEMPERATURE: Event.CHARGE_TEMPERATURE,
    ar.DISCHARGE_TEMPERATURE: Event.DISCHARGE_TEMPERATURE,
    ar.SWITCHED_OFF: Event.SWITCHED_OFF,
}

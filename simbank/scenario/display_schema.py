"""Schema of what a pack's display shows: its charge counter, and what sets it to full and to empty."""

from __future__ import annotations

import math

from pydantic import Field

from simbank.bank.equipment import Display
from simbank.errors import InputError
from simbank.filemodel import FileModel, fraction, quantity
from simbank.scenario.equipment_schema import Tail

__all__ = ["DisplayTable"]

LEAST_OF_REST = 0.5  # of the voltage at rest: a voltage below it is that of a cell, and no pack's


class DisplayFullTable(FileModel):
    """What sets the counter to 100 %."""

    volt: quantity("volt", above_zero=True) = Field(description="of the pack, at its poles: from here on")
    tail: Tail | None = Field(
        None,
        description="with no more than this measured current, either way; in C of the rated capacity; by default any current",
    )
    hold: quantity("second", not_negative=True) = Field(0.0, description="for so long")


class DisplayEmptyTable(FileModel):
    """What sets the counter to 0 %."""

    volt: quantity("volt", above_zero=True) = Field(description="of the pack, at its poles: at it or below")


class DisplayTable(FileModel):
    """What the BMS shows: a charge counter, which is not the state of charge.

    It counts what it measures, current × (1 + `gain_error`) + `offset`, while that is not below `dead_band`, divides by its own
    `capacity`, stays within 0 and 100 %, and is set right only by `full` and `empty`. Its own draw and self-discharge it does not see.
    Nothing of it acts back on the bank: where a charger heeds a pack's report, the true state of charge decides. A pack's own keys
    (in `packs`) come before its type's, key by key. How counters of makers work is their own; that most do about this is common
    practice, no source.
    """

    gain_error: fraction(-0.5, 0.5) = Field(0.0, description="measured over true current, less 1: 0.02 counts 2 % too much")
    offset: quantity("ampere") = Field(
        0.0,
        description="added to what it measures; above zero it counts as discharge, so that the display falls",
    )
    dead_band: quantity("ampere", not_negative=True) = Field(0.0, description="measured currents below it are not counted")
    capacity: quantity("ampere_hour", above_zero=True) | None = Field(
        None,
        description="what it takes for the pack's; by default the rated capacity",
    )
    full: DisplayFullTable | None = Field(None, description="what sets it to 100 %; by default nothing")
    empty: DisplayEmptyTable | None = Field(None, description="what sets it to 0 %; by default nothing")
    start: fraction(0.0, 1.0) | None = Field(None, description="what it shows at the start; by default the true state of charge")

    def with_own(self, own: DisplayTable | None) -> DisplayTable:
        """This table with the keys that ``own``, a pack's table, gives in place of its own."""
        return self if own is None else self.model_copy(update={key: getattr(own, key) for key in own.model_fields_set})

    def display(self, rated_ah: float, rest_volt: float) -> Display:
        """The display that it describes.

        Parameters
        ----------
        rated_ah : float
            Of the pack [Ah].
        rest_volt : float
            Of the pack at half charge [V]: a voltage far below is refused, as that of a cell.

        Raises
        ------
        InputError
            If a voltage is that of a cell, or it would be full at a voltage at which it is empty.
        """
        for key, table in (("full", self.full), ("empty", self.empty)):
            if table is not None and table.volt < LEAST_OF_REST * rest_volt:
                raise InputError(
                    f"is that of a cell; give the pack's, which rests at about {rest_volt:.1f} V",
                    key=f"{key}.volt",
                    value=f"{table.volt:g} V",
                )
        if self.full is not None and self.empty is not None and self.full.volt <= self.empty.volt:
            raise InputError(
                f"must lie below that of full, {self.full.volt:g} V", key="empty.volt", value=f"{self.empty.volt:g} V"
            )
        full, tail = self.full, None if self.full is None else self.full.tail
        return Display(
            capacity_ah=self.capacity or rated_ah,
            gain_error=self.gain_error,
            offset_a=self.offset,
            dead_band_a=self.dead_band,
            full_volt=math.inf if full is None else full.volt,
            full_tail_a=math.inf if tail is None else tail[1] * (rated_ah if tail[0] == "c" else 1.0),
            full_hold_s=0.0 if full is None else full.hold,
            empty_volt=-math.inf if self.empty is None else self.empty.volt,
            start=self.start,
        )

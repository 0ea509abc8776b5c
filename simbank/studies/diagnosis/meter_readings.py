"""What a person has read from meters and displays: a CSV file or a table, understood row by row, with how good the meters are."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from os import PathLike
from typing import TYPE_CHECKING, Any

from simbank.bank import Bank
from simbank.errors import InputError
from simbank.filemodel import as_path, nearest, read_csv
from simbank.quantities import parse
from simbank.warning import listed

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["ACCURACY", "Accuracy", "Instant", "MeterReadings", "Reading", "read_readings"]

ACCURACY = {  # of an ordinary clamp meter, a pocket multimeter on its volts and its millivolts; common practice, no source
    "current": ("2 % + 0.1 A", "ampere"), "voltage": ("0.5 % + 0.02 V", "volt"), "drop": ("2 % + 0.5 mV", "volt"),
}  # fmt: skip
DISPLAY_POINTS = 5.0  # one standard deviation of a displayed state of charge; common practice, no source: counters drift by that
DISPLAY_DEVIATIONS = (
    3.0  # between the highest and the lowest of a few displays: they are off by a third of that at least. Chosen here
)
COLUMNS = {
    "pack": "", "current_a": "ampere", "time_since_change_s": "second", "pack_voltage_v": "volt", "displayed_soc": "", "link": "",
    "drop_mv": "volt", "instant": "",
}  # fmt: skip
PER_UNIT = {"drop_mv": 1e3}
# Headings in another unit: whose they are, and times what.
IN_OTHER_UNITS = {
    "current_ma": ("current_a", 1e-3), "drop_v": ("drop_mv", 1e3), "drop_uv": ("drop_mv", 1e-3), "pack_voltage_mv": ("pack_voltage_v", 1e-3),
    "time_since_change_min": ("time_since_change_s", 60.0), "time_since_change_h": ("time_since_change_s", 3600.0),
}  # fmt: skip
# Headings with the unit in brackets, as "Current (A)", "drop [mV]": words and units, of which the names above are made.
WORDS = {
    "current": "current", "drop": "drop", "voltage": "pack_voltage", "pack voltage": "pack_voltage", "soc": "displayed_soc",
    "display": "displayed_soc", "displayed soc": "displayed_soc", "time since change": "time_since_change",
}  # fmt: skip
_WITH_UNIT = re.compile(r"(.+?)\s*[\[(]\s*([^\])]+?)\s*[\])]")
MOST_C_RATE = (
    10.0  # of a pack, or of the bank at a port: more is a slip of the unit. Chosen here: no 48 V pack lasts minutes at it
)
MOST_DROP_V = 5.0  # along one conductor that still carries the bank: more is a slip of the unit. Chosen here
# Of a pack's voltage at rest when empty and full, between which it can read; chosen here: beyond, no cell of it works
LEAST_VOLT, MOST_VOLT = 0.6, 1.3
POLES = {
    "+": "+",
    "-": "-",
    "plus": "+",
    "minus": "-",
    "positive": "+",
    "negative": "-",
    "pos": "+",
    "neg": "-",
    "p": "+",
    "n": "-",
}
_POLE = re.compile(r"(?i)^(.*?)[\s,(:;]*(\+|-|plus|minus|positive|negative|pos|neg)(?:\s*(?:side|pole|terminal))?\)?\s*$")
MOST_RATED = 1.5  # a displayed state of charge above it is in per cent


@dataclass(frozen=True)
class Accuracy:
    """How good a meter is, as one standard deviation: a share of what it reads, and so much in any case.

    What a maker's sheet gives as limits is taken as one standard deviation: a reading taken by hand lies within it two times in three.
    """

    share: float
    floor: float
    text: str

    @classmethod
    def of(cls, text: str, unit: str, key: str) -> Accuracy:
        """From text such as "2 % + 0.1 A", in any order; one part may be missing.

        >>> Accuracy.of("2 % + 0.1 A", "ampere", "accuracy")
        Accuracy(share=0.02, floor=0.1, text='2 % + 0.1 A')
        """
        share = floor = 0.0
        right = f'write a share and a quantity, such as "{next(t for t, u in ACCURACY.values() if u == unit)}"'
        if not isinstance(text, str):
            raise InputError(right, key=key, value=text)
        for part in text.split("+"):
            part = part.strip()
            try:
                if part.endswith("%"):
                    share += float(part[:-1]) / 100.0
                else:
                    floor += parse(part, unit)
            except ValueError as error:
                why = error.problem if isinstance(error, InputError) else right
                raise InputError(why, key=key, value=text) from None
        if not (0 <= share <= 1 and math.isfinite(share) and 0 <= floor < math.inf and share + floor > 0):
            raise InputError(f"must be above zero, and at most 100 %; {right}", key=key, value=text)
        return cls(share, floor, text)

    def deviation(self, value: float) -> float:
        """Standard deviation of a reading of ``value``."""
        return self.share * abs(value) + self.floor


@dataclass(frozen=True)
class Reading:
    """One value that was read.

    Attributes
    ----------
    kind : str
        "current" of a pack [A], "port" its current [A], "drop" along a conductor [V], "voltage" across a pack [V], "open" across one
        that is switched off and rested [V], "display" of a pack's state of charge, 0 to 1.
    name : str
        Of the pack, port or conductor.
    value : float
    deviation : float
        Standard deviation of what the meter adds to this reading alone.
    row : int
        Of the file.
    """

    kind: str
    name: str
    value: float
    deviation: float
    row: int


@dataclass(frozen=True)
class Instant:
    """Readings taken at one current of the bank.

    Attributes
    ----------
    name : str
        As the file has it, empty if it names none.
    time_s : float or None
        Since the current was last changed [s]; None if it is not known.
    spread_s : float
        Between the first reading and the last [s].
    readings : tuple of Reading
    """

    name: str
    time_s: float | None
    spread_s: float
    readings: tuple[Reading, ...]

    def of(self, kind: str) -> list[Reading]:
        """Its readings of one kind."""
        return [reading for reading in self.readings if reading.kind == kind]


@dataclass(frozen=True)
class MeterReadings:
    """All readings, by instant.

    Attributes
    ----------
    instants : tuple of Instant
    understood : tuple of str
        How names and signs that could be meant otherwise were understood, as sentences.
    accuracy : dict of str to Accuracy
        By "current", "voltage" and "drop".
    source : str or None
        The file.
    """

    instants: tuple[Instant, ...]
    understood: tuple[str, ...]
    accuracy: Mapping[str, Accuracy]
    source: str | None = None

    @property
    def sign(self) -> int:
        """1 if most of the current is positive, -1 if it is negative, 0 without currents."""
        total = sum(r.value for instant in self.instants for r in [*instant.of("current"), *instant.of("port")])
        return (total > 0) - (total < 0)


def read_readings(given: str | PathLike | pd.DataFrame, bank: Bank, accuracy: Mapping[str, str] | None = None) -> MeterReadings:
    """Readings from a CSV file or a table with the same columns.

    Parameters
    ----------
    given : path-like or DataFrame
        Columns ``pack`` and ``current_a``, or ``link`` and ``drop_mv``, or both; where known ``time_since_change_s``,
        ``pack_voltage_v``, ``displayed_soc``; ``instant`` names the readings that were taken at one current, where there were several.
        A row whose ``pack`` is a port gives the port's current.
    bank : Bank
        Whose names they are.
    accuracy : dict of str to str, optional
        "current", "voltage" or "drop" → such as "2 % + 0.1 A".

    Raises
    ------
    InputError
        With file, row and column of the first value that cannot be used.
    """
    import pandas as pd

    meters = {
        kind: Accuracy.of((accuracy or {}).get(kind) or text, unit, f"{kind} accuracy") for kind, (text, unit) in ACCURACY.items()
    }
    if isinstance(given, pd.DataFrame):
        return _Rows(given.reset_index(drop=True), bank, meters, None).read()
    path = as_path(given, "readings")
    return _Rows(read_csv(path, other_separators=True), bank, meters, str(path)).read()


class _Rows:
    """Rows of a table as they are read; ``file`` for errors."""

    def __init__(self, frame, bank, accuracy, file):
        self.frame, self.bank, self.accuracy, self.file = frame, bank, accuracy, file
        self.names = [pack.name for pack in bank.packs]
        self.branches = [branch.name for branch in bank.graph.branches]
        self.told, self.found, self.times, self.seen, self.factor, self.heading = [], {}, {}, set(), {}, {}
        self.frame = frame = self._in_own_columns(frame)
        for column in frame:
            if column not in COLUMNS:
                raise InputError(f"unknown column; {nearest(column, COLUMNS)}", file=file, key="columns", value=column)
        if not {"pack", "link"} & set(frame):
            raise InputError('needs a column "pack" or "link"', file=file, key="columns", value=", ".join(frame))
        if not len(frame):
            raise InputError("holds no reading", file=file)

    def _in_own_columns(self, frame):
        """The table with the headings of :data:`COLUMNS`, whatever their case, and those in another unit turned into these."""
        plain = {column: _own_heading(str(column).strip().lower()) for column in frame}
        if len(plain) == 1 and ";" in next(iter(plain)):
            raise InputError(
                "part values by commas and write 29.4 with a point, not 29,4",
                file=self.file,
                key="columns",
                value=next(iter(plain)),
            )
        names = {}
        for column, name in plain.items():
            own, factor = IN_OTHER_UNITS.get(name, (name if name in COLUMNS else column, None))
            if own in names.values():
                raise InputError(f"gives {own} a second time", file=self.file, key="columns", value=column)
            names[column] = own
            self.heading[own] = column
            if factor is not None:
                self.factor[own] = factor
        return frame.rename(columns=names)

    def read(self):
        percent = self._displays_in_percent()
        for k in range(len(self.frame)):
            self._row(k, percent)
        instants = []
        for name, readings in self.found.items():
            readings = self._counted(self._rested(readings))
            times = self.times.get(name, [])
            instants.append(
                Instant(
                    name, sum(times) / len(times) if times else None, max(times) - min(times) if times else 0.0, tuple(readings)
                )
            )
        if not instants:
            raise InputError("holds no reading", file=self.file)
        if not any(instant.of("current") or instant.of("port") for instant in instants):
            raise InputError("needs the current of one pack or port at least", file=self.file, key="current_a")
        for instant in instants:
            if instant.of("drop") and not (instant.of("current") or instant.of("port")):
                raise InputError(
                    "millivolts tell of a joint only with a current: add the current of one pack or port", file=self.file,
                    key=f"row {instant.of('drop')[0].row}, drop_mv",
                )  # fmt: skip
        return MeterReadings(tuple(instants), tuple(dict.fromkeys(self.told)), self.accuracy, self.file)

    def _rested(self, readings):
        """Readings of one instant; voltages without any current are those of packs switched off."""
        kinds = {reading.kind for reading in readings}
        if "voltage" not in kinds or kinds & {"current", "port"}:
            return readings
        self.told.append("Voltages without any current are taken as read with each pack switched off and rested for an hour.")
        return [replace(reading, kind="open") if reading.kind == "voltage" else reading for reading in readings]

    def _counted(self, readings):
        """Readings of one instant; where displays lie further apart than counters usually do, each is taken to be as far off as that tells."""
        shown = [reading.value for reading in readings if reading.kind == "display"]
        deviation = (max(shown) - min(shown)) / DISPLAY_DEVIATIONS if len(shown) > 1 else 0.0
        if 100.0 * deviation <= DISPLAY_POINTS:
            return readings
        self.told.append(
            f"Displays lie {100 * (max(shown) - min(shown)):.0f} points apart: each is taken to be off by {100 * deviation:.0f} points "
            "(one standard deviation)."
        )
        return [replace(reading, deviation=deviation) if reading.kind == "display" else reading for reading in readings]

    def _displays_in_percent(self):
        values = [self._number(k, "displayed_soc") for k in range(len(self.frame))]
        values = [value for value in values if value is not None]
        if any(not 0 <= value <= 100 for value in values):
            k = next(k for k in range(len(self.frame)) if not 0 <= (self._number(k, "displayed_soc") or 0) <= 100)
            raise self._error(k, "displayed_soc", "must be from 0 to 1, or from 0 to 100 in per cent")
        if values and max(values) > MOST_RATED:
            for k in range(len(self.frame)):
                value = self._number(k, "displayed_soc")
                if value is not None and 0 < value < 1 and "%" not in self._text(k, "displayed_soc"):
                    raise self._error(
                        k, "displayed_soc",
                        f"stands among others in per cent, such as {max(values):g}: is it {value * 100:g} % or {value:g} %? "
                        "Write all in per cent",
                    )  # fmt: skip
            self.told.append("Displayed states of charge are taken as per cent.")
            return True
        return False

    def _row(self, k, percent):
        name = self._text(k, "instant") or ""
        pack, link = self._text(k, "pack"), self._text(k, "link")
        if pack is None and link is None:
            if any(self._text(k, column) is not None for column in self.frame):
                raise self._error(k, "pack", "is required, or a link")
            return
        readings = self.found.setdefault(name, [])
        if (time_s := self._number(k, "time_since_change_s")) is not None:
            if time_s < 0:
                raise self._error(k, "time_since_change_s", "must not be below zero")
            self.times.setdefault(name, []).append(time_s)
        before = len(readings)
        if pack is not None:
            self._pack_row(k, pack, percent, name, readings)
        elif self._number(k, "current_a") is not None:
            raise self._error(k, "current_a", "a current of a link is not used; give packs and ports")
        drop = self._number(k, "drop_mv")
        if link is not None:
            if drop is None:
                raise self._error(k, "drop_mv", "is required with a link")
            branch = self._branch(k, link)
            if abs(drop) / PER_UNIT["drop_mv"] > MOST_DROP_V:
                raise self._error(
                    k,
                    "drop_mv",
                    f"would be {abs(drop) / PER_UNIT['drop_mv']:.3g} V along one conductor: it is read in millivolts from end to end",
                )
            self._add(k, readings, name, "drop", branch, abs(drop) / PER_UNIT["drop_mv"], self.accuracy["drop"])
        elif drop is not None:
            raise self._error(k, "link", "is required with drop_mv: the conductor along which it was read")
        if len(readings) == before:
            raise self._error(k, "current_a", "nothing was read here")

    def _pack_row(self, k, text, percent, instant, readings):
        port = text if text in self.bank.graph.ports else None
        port = port or next((p for p in self.bank.graph.ports if text.lower() in (f"port {p}".lower(), p.lower())), None)
        match = [name for name in self.names if name.lower() == text.lower()]
        name = text if text in self.names else match[0] if len(match) == 1 else None
        if name is None and port is None:
            bare = re.sub(r"(?i)^(pack|battery)\s+", "", text)
            if (meant := [name for name in self.names if name.lower() == bare.lower()]) and len(meant) == 1:
                raise self._error(k, "pack", f'no such pack or port; did you mean "{meant[0]}"?')
            raise self._error(k, "pack", f"no such pack or port; {nearest(text, [*self.names, *self.bank.graph.ports])}")
        current = self._number(k, "current_a")
        if current is not None:
            self._check_current(k, name, port, current)
            kind = "current" if name is not None else "port"
            self._add(k, readings, instant, kind, name or port, current, self.accuracy["current"])
        for column, kind in (("pack_voltage_v", "voltage"), ("displayed_soc", "display")):
            value = self._number(k, column)
            if value is None:
                continue
            if name is None:
                raise self._error(k, column, "is read at a pack, not at a port")
            if kind == "voltage":
                if not value > 0:
                    raise self._error(k, column, "must be above zero")
                self._check_voltage(k, name, value)
                meter = Accuracy(0.0, self.accuracy["voltage"].floor, "")  # its share is the same error for every pack
                self._add(k, readings, instant, kind, name, value, meter)
            else:
                meter = Accuracy(0.0, DISPLAY_POINTS / 100.0, "")
                self._add(k, readings, instant, kind, name, value / 100.0 if percent else value, meter)

    def _check_current(self, k, name, port, current):
        """Refuse a current that no pack carries: milliamperes, or a lost point."""
        whose = "this pack" if name is not None else "this bank"  # of which a port carries all
        capacity = sum(pack.capacity_ah for pack in self.bank.packs if name in (None, pack.name))
        rate = abs(current) / capacity
        if rate > MOST_C_RATE:
            raise self._error(
                k,
                "current_a",
                f"would be {rate:.3g} times the capacity of {whose} in an hour ({rate:.3g} C): mA? Then write {current:.12g} mA",
            )

    def _check_voltage(self, k, name, value):
        """Refuse a voltage that its cells cannot have: a lost digit, millivolts, one cell of it."""
        pack = next(pack for pack in self.bank.packs if pack.name == name)
        empty, full = (pack.cells_in_series * float(pack.chemistry.ocv(soc)) for soc in (0.0, 1.0))
        if not LEAST_VOLT * empty <= value <= MOST_VOLT * full:
            raise self._error(
                k, "pack_voltage_v",
                f"cannot be that of this pack: {pack.cells_in_series} cells in series have {empty:.3g} V empty and {full:.3g} V full at rest",
            )  # fmt: skip

    def _add(self, k, readings, instant, kind, name, value, meter):
        if (instant, kind, name) in self.seen:
            raise self._error(
                k, "pack" if kind != "drop" else "link", f"{name} was read before; give a second current its own instant"
            )
        self.seen.add((instant, kind, name))
        readings.append(Reading(kind, name, value, max(meter.deviation(value), 1e-9), k + 2))

    def _branch(self, k, text):
        """The branch that a person means by "link A-B +", "A–B positive", "B-A, minus side"."""
        plain = text.replace("–", "-").replace("—", "-").replace("−", "-")
        plain = " ".join(plain.split())
        if plain in self.branches:
            return plain
        pole, rest = None, plain
        if (found := _POLE.match(plain)) and not found[1].rstrip().endswith("-"):
            rest, pole = found[1].strip(), POLES[found[2].lower()]
        matches = [b for b in self.bank.graph.branches if _same(rest, b.name) and pole in (None, b.pole)]
        if pole is not None and not matches:
            matches = [b for b in self.bank.graph.branches if _same(rest, b.name) and b.pole is None]
        if len(matches) == 1:
            self.told.append(f"“{text}” is taken as {matches[0].name}.")
            return matches[0].name
        if matches:
            raise self._error(k, "link", f"may be {listed([b.name for b in matches])}: say which, with its pole")
        raise self._error(k, "link", f"no such conductor; {nearest(text, self.branches)}")

    def _text(self, k, column):
        if column not in self.frame:
            return None
        value = self.frame[column].iloc[k]
        if value is None or value != value or not str(value).strip():
            return None
        text = str(value).strip()
        return text[:-2] if isinstance(value, float) and text.endswith(".0") else text

    def _number(self, k, column):
        text = self._text(k, column)
        if text is None:
            return None
        try:
            number = float(text.replace("−", "-")) * self.factor.get(column, 1.0)
        except ValueError:
            number = self._quantity(k, column, text)
        if not math.isfinite(number):
            raise self._error(k, column, "must be a finite number")
        return number

    def _quantity(self, k, column, text):
        """A number that was written with its unit."""
        unit = COLUMNS[column]
        try:
            if not unit:
                return float(text.rstrip("% "))
            return parse(text, unit) * PER_UNIT.get(column, 1.0)
        except ValueError:
            raise self._error(k, column, "must be a number") from None

    def _error(self, k, column, problem):
        return InputError(
            f"{problem} (the heading is row 1)",
            file=self.file,
            key=f"row {k + 2}, {self.heading.get(column, column)}",
            value=self._text(k, column),
        )


def _own_heading(text: str) -> str:
    """A heading with its unit in brackets as one of ours, where it is one.

    >>> _own_heading("current (a)"), _own_heading("time since change [min]"), _own_heading("soc (%)"), _own_heading("pack")
    ('current_a', 'time_since_change_min', 'displayed_soc', 'pack')
    """
    found = _WITH_UNIT.fullmatch(text)
    if found is None or (word := WORDS.get(found[1].replace("_", " "))) is None:
        return text
    return word if word == "displayed_soc" else f"{word}_{found[2].replace('µ', 'u').replace('μ', 'u')}"


def _same(text: str, name: str) -> bool:
    """Whether a person's words for a conductor mean that of this name, pole aside.

    >>> _same("b - a", "link A-B +"), _same("lead of A", "lead A -"), _same("A-C", "link A-B +")
    (True, True, False)
    """
    bare = re.sub(r" [+-]$", "", name)
    kind, _, ends = bare.partition(" ")
    told = re.sub(r"(?i)\b(from|of|the|between)\b", " ", text)
    told = " ".join(re.sub(r"(?i)\s+(to|and)\s+", "-", told).split()).lower()
    told = re.sub(r"\s*-\s*", "-", told)
    forms = {bare.lower(), ends.lower()}
    if "-" in ends:
        for a, b in _halves(ends.lower()):
            forms |= {f"{b}-{a}", f"{kind.lower()} {b}-{a}"}
    return told in forms


def _halves(text: str) -> Iterable[tuple[str, str]]:
    """A text parted at each hyphen."""
    parts = text.split("-")
    return [("-".join(parts[:k]), "-".join(parts[k:])) for k in range(1, len(parts))]


def accuracies(accuracy: Any, voltage: Any, drop: Any) -> dict[str, str]:
    """Accuracies by kind, of those that were given."""
    return {kind: text for kind, text in (("current", accuracy), ("voltage", voltage), ("drop", drop)) if text is not None}

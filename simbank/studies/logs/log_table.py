"""Reading a log: its columns, units, signs, clocks of packs and gaps, brought to rows of equal length with discharge positive."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from os import PathLike
from typing import TYPE_CHECKING

import numpy as np

from simbank.bank import Bank
from simbank.digits import duration
from simbank.errors import InputError
from simbank.filemodel import as_path, nearest, read_csv
from simbank.studies.logs.log_times import STAMPS, TIMES, as_numbers, plain_heading, read_times, row_length
from simbank.warning import counted, listed

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["DIRECTIONS", "LogTable", "read_log"]

DIRECTIONS = ("discharge", "charge")
DAY_S = 86400.0
FEWEST_ROWS = 24
LEAST_THERE = 0.5  # share of the rows that must be there
FILLED_S = 900.0  # gaps no longer than this, or than two rows, are bridged in a straight line; chosen here
MOST_GAPS = 12  # longer ones: the current of each is one more unknown
MOST_LAG_ROWS = 15
CLEAR = 0.3  # correlation from which a sign or a clock is said to be known; chosen here
COLDEST_C, HOTTEST_C = -30.0, 60.0  # of packs in a log; beyond it is another unit
TOO_MUCH_C = 5.0  # a log of more current than so many C, or of less voltage a cell, is in another unit
MOST_RATED = 1.5  # a displayed state of charge above it is in per cent
ALIKE_UNIT = 100.0  # times as much current for its capacity as the others: that of one pack is in another unit
QUANTITIES = {
    "current": ("", "a", "current", "current_a", "amps", "amperes", "i_a"), "current_ma": ("ma", "current_ma", "i_ma"),
    "voltage": ("v", "voltage", "voltage_v", "pack_voltage_v", "volts"), "voltage_mv": ("mv", "voltage_mv", "pack_voltage_mv"),
    "display": ("soc", "displayed_soc", "soc_percent", "displayed_soc_percent", "display"),
    "temperature": ("c", "temp", "temp_c", "temperature", "temperature_c"),
}  # fmt: skip
KINDS = {rest: kind for kind, forms in QUANTITIES.items() for rest in forms}


@dataclass(frozen=True, eq=False)
class LogTable:
    """A log in rows of equal length; m rows, n packs.

    Attributes
    ----------
    start_s : float
        Time of its first row: of the day [s] where it has dates, else as the file counts.
    first_day : str or None
        Date of its first row, ISO 8601; None where the file has no dates.
    step_s : float
        Length of a row [s].
    current_a : ndarray, shape (m, n)
        Mean over the row, positive out of the pack [A]; gaps are bridged in a straight line.
    voltage_v : ndarray, shape (m, n), or None
        Of packs; NaN where there is none.
    bank_v : ndarray, shape (m,), or None
    shown : ndarray, shape (m, n), or None
        Displayed state of charge, 0 to 1; NaN where there is none.
    there : ndarray of bool, shape (m,)
        Rows in which every current was there.
    gaps : tuple of (int, int)
        First row and row after the last of each gap that is too long to be bridged.
    celsius : float or None
        Mean of the temperatures.
    understood : tuple of str
        How units, signs, clocks and gaps were understood, as sentences.
    source : str or None
    """

    start_s: float
    first_day: str | None
    step_s: float
    current_a: np.ndarray
    voltage_v: np.ndarray | None
    bank_v: np.ndarray | None
    shown: np.ndarray | None
    there: np.ndarray
    gaps: tuple[tuple[int, int], ...]
    celsius: float | None
    understood: tuple[str, ...]
    source: str | None = None

    @property
    def duration_s(self) -> float:
        """Length [s]."""
        return len(self.current_a) * self.step_s

    def in_blocks(self, many: int) -> LogTable:
        """The log with so many rows to one; what is left over at the end is dropped."""
        m = len(self.current_a) // many

        def mean(values):
            return None if values is None else values[: m * many].reshape(m, many, *values.shape[1:]).mean(axis=1)

        there = self.there[: m * many].reshape(m, many).all(axis=1)
        gaps = tuple((a // many, min(m, -(-b // many))) for a, b in self.gaps if a // many < m)
        return replace(
            self, step_s=self.step_s * many, current_a=mean(self.current_a), voltage_v=mean(self.voltage_v), bank_v=mean(self.bank_v),
            shown=mean(self.shown), there=there, gaps=gaps,
        )  # fmt: skip

    @property
    def day(self) -> np.ndarray:
        """Day of each row, from 1; by the calendar where there are dates, else of 24 h from the first row on."""
        offset = self.start_s if self.first_day is not None else 0.0
        return ((offset + (np.arange(len(self.current_a)) + 0.5) * self.step_s) // DAY_S).astype(int) + 1

    def day_name(self, day: int) -> str:
        """What a day is called: its date, or its number."""
        if self.first_day is None:
            return f"day {day}"
        return str(np.datetime64(self.first_day) + np.timedelta64(int(day) - 1, "D"))


def read_log(given: str | PathLike | pd.DataFrame, bank: Bank, positive: str | None = None) -> LogTable:
    """A log from a CSV file, or a table with the same columns.

    Parameters
    ----------
    given : path-like or DataFrame
        ``time_s``, ``time_min``, ``time_h``, or ``time`` (ISO 8601, or seconds); the current of each pack under its name (``P1``,
        ``P1_current_a``, ``P1_ma``); where there ``P1_voltage_v``, ``P1_displayed_soc``, ``P1_temperature_c``, ``bank_voltage_v``.
        A row holds from its time until the next.
    bank : Bank
        Whose names they are.
    positive : {"discharge", "charge"}, optional
        What a positive current does; by default as voltages or displays say, else "discharge".

    Raises
    ------
    InputError
        With file, row and column of the first value that cannot be used.
    """
    import pandas as pd

    if positive is not None and positive not in DIRECTIONS:
        raise InputError('must be "discharge" or "charge"', key="positive", value=positive)
    if isinstance(given, pd.DataFrame):
        frame, file = given.rename(columns=lambda name: str(name).strip()).reset_index(drop=True), None
    else:
        file = str(as_path(given, "log"))
        frame = read_csv(file, other_separators=True)
    return _Log(frame, file, bank).table(positive)


@dataclass(eq=False)
class _Columns:
    """Which column holds what: its time, and by kind those of packs (place → column) and of the bank (-1 → column)."""

    time: str
    of: dict[str, dict[int, str]] = field(default_factory=dict)
    unused: list[str] = field(default_factory=list)


class _Log:
    """A log as it is understood, step by step; ``told`` says how."""

    def __init__(self, frame, file, bank):
        self.frame, self.file, self.bank, self.told = frame, file, bank, []
        self.names = [pack.name for pack in bank.packs]
        self.columns = self._columns()
        self._drop_repeated()
        if len(self.frame) < FEWEST_ROWS:
            raise InputError(f"holds {counted(len(self.frame), 'row')}; a log needs {FEWEST_ROWS} at least", file=file)

    def table(self, positive):
        stamps, start_s, first_day = read_times(self.frame[self.columns.time], self.file, self.told)
        step = row_length(stamps, self.told)
        place = np.floor((stamps - stamps[0]) / step + 0.5).astype(int)
        many = int(place[-1]) + 1
        parts = {kind: self._rows(kind, place, many) for kind in ("current", "voltage", "display", "temperature")}
        bank_v = parts["voltage"].pop(-1, None)
        current = np.column_stack([parts["current"][k] for k in range(len(self.names))])
        there = np.isfinite(current).all(axis=1)
        if there.mean() < LEAST_THERE:
            raise InputError(
                f"every current is there in only {there.mean() * 100:.0f} % of its rows; half are needed", file=self.file, key="columns"
            )  # fmt: skip
        gaps = self._gaps(there, step)
        current = _bridged(current)
        voltage, bank_v = self._volts(self._by_pack(parts["voltage"], many), bank_v)
        shown = self._displays(self._by_pack(parts["display"], many))
        current = self._same_clock(self._units(current), step)
        current = self._signs(current, voltage, bank_v, shown, positive, step)
        celsius = self._celsius(parts["temperature"])
        if self.columns.unused:
            self.told.append(f"Columns that are not used: {listed(self.columns.unused, 6)}.")
        return LogTable(
            start_s, first_day, step, current, voltage, bank_v, shown, there, gaps, celsius,
            tuple(self.told), self.file,
        )  # fmt: skip

    def _drop_repeated(self):
        """Leave out rows that are the same as the one before; their numbers in the file stay."""
        again = (self.frame == self.frame.shift()).all(axis=1).to_numpy()
        if again.any():
            self.told.append(f"{counted(int(again.sum()), 'row')} that repeat the row before were left out.")
            self.frame = self.frame[~again]

    def _columns(self):
        times = [c for c in self.frame if c.lower() in TIMES or plain_heading(c) in (*TIMES, *STAMPS)]
        if len(times) != 1:
            raise InputError(
                "needs one column time_s, time_min, time_h or time", file=self.file, key="columns", value=", ".join(self.frame)
            )
        found = _Columns(times[0])
        for column in self.frame:
            if column == times[0]:
                continue
            meant = self._meaning(column)
            if meant is None:
                found.unused.append(column)
                continue
            kind, place = meant
            kind = kind.removesuffix("_ma").removesuffix("_mv")
            if place in found.of.setdefault(kind, {}):
                raise InputError(
                    f"says the same as {found.of[kind][place]}; leave one out", file=self.file, key="columns", value=column
                )
            found.of[kind][place] = column
        lacks = [name for k, name in enumerate(self.names) if k not in found.of.get("current", {})]
        if lacks:
            charges = [c for c in found.unused if any(c.lower().startswith(name.lower()) for name in lacks) and _is_charge(c)]
            if charges:
                raise InputError(
                    f"is in ampere-hours (Ah), which are charge; a log needs the current in ampere, as {lacks[0]}_current_a",
                    file=self.file, key="columns", value=", ".join(charges),
                )  # fmt: skip
            close = nearest(lacks[0], found.unused) if found.unused else f"write it as {lacks[0]}_current_a"
            raise InputError(
                f"needs the current of every pack, and has none of {listed(lacks)}; {close}", file=self.file, key="columns"
            )
        return found

    def _meaning(self, column):
        """(kind, place of the pack or -1 for the bank) of a column; None if it is none of these."""
        for k in sorted(range(len(self.names)), key=lambda k: -len(self.names[k])):
            name = self.names[k]
            if column == name or column.lower() == name.lower():
                return "current", k
            rest = column[len(name) :]
            if column.lower().startswith(name.lower()) and not rest[0].isalnum() and plain_heading(rest) in KINDS:
                return KINDS[plain_heading(rest)], k
        for name in ("bank", *self.bank.graph.ports):
            rest = column[len(name) :]
            if column.lower().startswith(name.lower()) and rest and KINDS.get(plain_heading(rest), "").startswith("voltage"):
                return KINDS[plain_heading(rest)], -1
        return None

    def _numbers(self, column):
        """A column as floats, empty cells as NaN."""
        return as_numbers(self.frame[column], self.file)

    def _rows(self, kind, place, many):
        """Values of a kind on the even rows, by pack: the mean of what falls into each, NaN where nothing does."""
        out = {}
        for k, column in self.columns.of.get(kind, {}).items():
            values = self._numbers(column)
            scale = 1e-3 if plain_heading(column).endswith(("_ma", "_mv")) else 1.0
            good = np.isfinite(values)
            total = np.bincount(place[good], values[good], many)
            count = np.bincount(place[good], minlength=many)
            out[k] = np.where(count > 0, total / np.maximum(count, 1), np.nan) * scale
        return out

    def _by_pack(self, found, many):
        if not found:
            return None
        return np.column_stack([found.get(k, np.full(many, np.nan)) for k in range(len(self.names))])

    def _gaps(self, there, step):
        """Gaps too long to be bridged; a sentence on all of them."""
        edges = np.flatnonzero(np.diff(np.concatenate([[0], (~there).astype(int), [0]])))
        every = list(zip(edges[::2], edges[1::2], strict=True))
        limit = max(2, int(FILLED_S / step))
        long = [(int(a), int(b)) for a, b in every if b - a > limit]
        if len(long) > MOST_GAPS:
            raise InputError(
                f"has {len(long)} gaps longer than {duration(limit * step)}; {MOST_GAPS} at most can be bridged: cut it into pieces", file=self.file
            )  # fmt: skip
        if every:
            text = f"{counted(len(every), 'gap')} of {counted(int((~there).sum()), 'row')} in all, left out of the fit."
            if long:
                longest = duration(max(b - a for a, b in long) * step)
                text += f" In {counted(len(long), 'long one')} ({longest} at most) the current is one more unknown."
            self.told.append(text)
        return tuple(long)

    def _units(self, current):
        """Currents in ampere where their headings do not say otherwise."""
        said = [plain_heading(column).endswith("_ma") for column in self.columns.of["current"].values()]
        size = np.sqrt(np.mean(current**2, axis=0))
        if not size.any():
            raise InputError("holds no current at all", file=self.file, key="columns")
        if not size.all():
            name = self.names[int(np.argmin(size))]
            raise InputError(
                "carries no current in all of the log: leave a pack that was off out of the bank", file=self.file, key=name
            )  # fmt: skip
        if any(said):
            self.told.append("Currents are in milliamperes where their headings say so.")
        rate = size / np.array([pack.capacity_ah for pack in self.bank.packs])
        other = rate > ALIKE_UNIT * np.median(rate)
        if other.any():
            names = listed([name for name, is_other in zip(self.names, other, strict=True) if is_other])
            self.told.append(
                f"The current of {names} is taken as milliamperes: as amperes it would be {rate[other].max():.0f} C."
            )
            return current * np.where(other, 1e-3, 1.0)
        if not any(said) and np.median(rate) > TOO_MUCH_C:
            self.told.append(f"Currents are taken as milliamperes: as amperes they would be {np.median(rate):.0f} C of the bank.")
            return current * 1e-3
        return current

    def _volts(self, voltage, bank_v):
        """Voltages in volt; what is far from that of a pack is an error."""
        cells = self.bank.packs[0].cells_in_series
        least, most = cells * self.bank.packs[0].chemistry.volt_min * 0.8, cells * self.bank.packs[0].chemistry.volt_max * 1.2
        out = []
        for values in (voltage, bank_v):
            if values is None or not np.isfinite(values).any():
                out.append(None)
                continue
            middle = float(np.nanmedian(values))
            if least <= middle * 1e-3 <= most:
                self.told.append("Voltages are taken as millivolts.")
                values, middle = values * 1e-3, middle * 1e-3
            if not least <= middle <= most:
                raise InputError(
                    f"is no voltage of these packs, which lies between {least:.0f} and {most:.0f} V", file=self.file, key="voltage",
                    value=f"{middle:.4g}",
                )  # fmt: skip
            out.append(values)
        return out

    def _displays(self, shown):
        if shown is None or not np.isfinite(shown).any():
            return None
        if np.nanmax(shown) > MOST_RATED:
            self.told.append("Displayed states of charge are taken as per cent.")
            shown = shown / 100.0
        if np.nanmin(shown) < -0.01 or np.nanmax(shown) > 1.1:
            raise InputError("must be from 0 to 1, or from 0 to 100 in per cent", file=self.file, key="displayed_soc")
        self.told.append(
            "Displayed states of charge are taken as a hint of the charge at the start, good to 10 points, and of the sign of currents; the "
            "errors of their counters are not fitted."
        )
        return np.clip(shown, 0.0, 1.0)

    def _celsius(self, found):
        """Mean temperature of the packs [°C]; None where there is none."""
        found = [values for values in found.values() if np.isfinite(values).any()]
        if not found:
            return None
        mean = float(np.nanmean(np.concatenate(found)))
        if not COLDEST_C <= mean <= HOTTEST_C:
            raise InputError(
                f"must be in °C, on the mean from {COLDEST_C:g} to {HOTTEST_C:g}", file=self.file, key="temperature", value=f"{mean:.4g}"
            )  # fmt: skip
        least, most = min(float(np.nanmin(values)) for values in found), max(float(np.nanmax(values)) for values in found)
        self.told.append(
            f"The mean of the temperatures, {mean:.0f} °C, is taken for that of air and packs in all of the log; what was read lies "
            f"from {least:.0f} to {most:.0f} °C, and is not followed."
        )
        return mean

    def _same_clock(self, current, step):
        """Currents with each pack's clock set to that of the others, and its sign."""
        if len(self.names) < 2:
            return current
        out = current.copy()
        change = np.diff(current, axis=0)
        for k, name in enumerate(self.names):
            others = np.delete(change, k, axis=1)
            rest = np.median(others * np.sign(_correlation(others, others.sum(axis=1)))[None], axis=1)
            lags = range(-MOST_LAG_ROWS, MOST_LAG_ROWS + 1)
            found = {lag: _lagged(change[:, k], rest, lag) for lag in lags if abs(lag) < len(change) // 4}
            best = max(found, key=lambda lag: abs(found[lag]))
            if best and abs(found[best]) > CLEAR and abs(found[best]) > 1.25 * abs(found[0]) + 0.1:
                late = "late" if best > 0 else "early"
                self.told.append(
                    f"The clock of {name} is {duration(abs(best) * step)} {late} against the others; it was moved by that."
                )
                out[:, k] = np.roll(current[:, k], -best)
                edge = slice(-best, None) if best > 0 else slice(None, -best)
                out[edge, k] = out[-best - 1 if best > 0 else -best, k]
            if found[best] < -CLEAR:
                self.told.append(f"The current of {name} runs against those of the others: its sign was turned.")
                out[:, k] = -out[:, k]
        return out

    def _signs(self, current, voltage, bank_v, shown, positive, step):
        """Currents positive out of the packs."""
        total = current.sum(axis=1)
        if positive is not None:
            self.told.append(f"Positive currents {positive} the bank, as told.")
        volts = bank_v if bank_v is not None else None if voltage is None else np.nanmean(voltage, axis=1)
        found = None if volts is None else _with_gaps(np.diff(volts), np.diff(total))
        clear = found is not None and abs(found) > CLEAR
        if positive is not None:
            if clear and (found > 0) != (positive == "charge"):
                self.told.append(
                    "The voltages say the other way: look at which way the meters count before you believe any of this."
                )
            return current if positive == "discharge" else -current
        if clear:
            return self._turned(current, found > 0, "voltages")
        if shown is not None:
            hour = max(1, round(3600.0 / step))
            level = np.nanmean(shown, axis=1)[::hour]
            charge = np.cumsum(total)[::hour]
            found = _with_gaps(np.diff(level), np.diff(charge))
            if found is not None and abs(found) > CLEAR:
                return self._turned(current, found > 0, "displays")
        self.told.append(
            "Positive currents are taken to discharge the bank; nothing in the log says so. If not, say which way they count."
        )
        return current

    def _turned(self, current, charge, by):
        way = "charge" if charge else "discharge"
        self.told.append(f"Positive currents {way} the bank, as the {by} say.")
        return -current if charge else current


def _is_charge(heading):
    """Whether a heading's unit is that of charge.

    >>> _is_charge("A_ah"), _is_charge("A charge [mAh]"), _is_charge("A_current_a")
    (True, True, False)
    """
    return plain_heading(heading).rpartition("_")[2] in ("ah", "mah", "kah")


def _bridged(values):
    """Columns with what is missing filled in a straight line."""
    rows = np.arange(len(values))
    out = values.copy()
    for k in range(values.shape[1]):
        good = np.isfinite(values[:, k])
        out[:, k] = np.interp(rows, rows[good], values[good, k])
    return out


def _correlation(columns, of):
    """Correlation of each column with another column; 0 where one does not move."""
    a, b = columns - columns.mean(axis=0), of - of.mean()
    size = np.sqrt((a**2).sum(axis=0) * (b**2).sum())
    return np.divide(b @ a, size, out=np.zeros(a.shape[1]), where=size > 0)


def _lagged(a, b, lag):
    """Correlation of ``a`` with ``b`` as it was ``lag`` rows before."""
    a, b = (a[lag:], b[: len(b) - lag]) if lag > 0 else (a[:lag], b[-lag:]) if lag < 0 else (a, b)
    return float(_correlation(a[:, None], b)[0])


def _with_gaps(a, b):
    """Correlation over what both have; None where that is too little."""
    good = np.isfinite(a) & np.isfinite(b)
    if good.sum() < FEWEST_ROWS // 2 or math.isclose(float(np.ptp(b[good])), 0.0):
        return None
    return float(_correlation(a[good][:, None], b[good])[0])

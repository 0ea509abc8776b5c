"""Tables as instruments write them: any separator, decimal commas, units in headings or below them, rows that are none."""

from __future__ import annotations

import codecs
import csv
import re
from dataclasses import dataclass, field
from os import PathLike
from pathlib import Path

import numpy as np

from simbank.errors import InputError
from simbank.filemodel import separator_of

__all__ = ["MeasuredTable", "check_cell_volts", "read_measured_table"]

UNITS = {
    "voltage": {"v": 1.0, "volt": 1.0, "volts": 1.0, "mv": 1e-3},
    "current": {"a": 1.0, "amp": 1.0, "amps": 1.0, "ma": 1e-3},
    "time": {"s": 1.0, "sec": 1.0, "seconds": 1.0, "ms": 1e-3, "min": 60.0, "minutes": 60.0, "h": 3600.0, "hours": 3600.0},
    "moved": {"ah": 1.0, "mah": 1e-3},
    "soc": {"%": 0.01, "percent": 0.01, "pct": 0.01},
}  # to V, A, s, Ah and a fraction
NAMES = {
    "soc": {"soc"},
    "branch": {"branch", "direction", "mode"},
    "current": {"current", "i"},
    "voltage": {"voltage", "ocv", "u", "emf"},
    "moved": {"capacity", "q"},
    "time": {"time", "t", "elapsed"},
}
SIDES = {"charge": {"charge", "charging", "chg"}, "discharge": {"discharge", "discharging", "dchg", "dsg"}}
TEMPERATURE = {"temperature", "temp", "celsius", "degc", "c"}
MILLIVOLTS_ABOVE = 1000.0  # a voltage without a unit that is greater than that on average is taken for millivolts
PERCENT_ABOVE = 1.5
MOST = 1e12  # of a reading, in whatever unit


@dataclass
class MeasuredTable:
    """Columns of a table, in V, A, s, Ah, state of charge as a fraction; a column that is not there is not in ``columns``.

    Attributes
    ----------
    path : Path
    columns : dict of str to ndarray, shape (m,)
        ``time``, ``current`` (as written), ``voltage``, ``charge`` and ``discharge`` (voltages of the two branches), ``soc``, ``moved``
        (charge), and ``branch`` (text, "charge" or "discharge").
    told : list of str
        What was taken for what, and what was left out.
    """

    path: Path
    columns: dict[str, np.ndarray]
    told: list[str] = field(default_factory=list)

    def __contains__(self, key: str) -> bool:
        return key in self.columns

    def __getitem__(self, key: str) -> np.ndarray:
        return self.columns[key]

    @property
    def side(self) -> str | None:
        """The branch that the file's name speaks of, if it does."""
        words = set(_words(self.path.stem))
        return next((side for side in ("discharge", "charge") if words & SIDES[side]), None)


def read_measured_table(path: str | PathLike) -> MeasuredTable:
    """A table of measurements from a CSV file.

    Parameters
    ----------
    path : path-like
        Separated by semicolons, tabs or commas; with decimal commas unless commas separate. ``#`` begins a comment. The first line is
        of headings (``time_s``, ``Current [mA]``, ``U / V``, ``SOC (%)``); a line of units may follow.

    Raises
    ------
    InputError
        If the file is missing or no table, or two columns could be the same quantity.
    """
    path = Path(path)
    rows, told = _rows(path)
    headings, *rows = rows
    units = [None] * len(headings)
    if rows and not any(map(_is_number, rows[0])) and any(cell.lower().strip("[]() ") in _every_unit() for cell in rows[0]):
        units = [cell.lower().strip("[]() ") for cell in rows.pop(0)]
    whole = [row for row in rows if len(row) == len(headings)]
    if len(whole) < len(rows):
        told.append(f"{len(rows) - len(whole)} rows with more or fewer values than headings were left out")
    kinds = _kinds(path, headings, units)
    columns = {}
    for key, (number, unit) in kinds.items():
        cells = [row[number].strip() for row in whole]
        columns[key] = np.array([_side_of(cell) for cell in cells]) if key == "branch" else _numbers(cells)
        if key != "branch":
            columns[key] = _in_si(columns[key], key, unit, headings[number], told)
    return MeasuredTable(path, _without_gaps(columns, told), told)


def _rows(path):
    """Rows of cells of a text file that are not empty, and a list for what is to be told."""
    try:
        if path.read_bytes()[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE):
            raise InputError("not a text file in UTF-8, but in UTF-16; save it again as UTF-8", file=path)
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise InputError("no such file", file=path) from None
    except UnicodeDecodeError:
        text = path.read_text(encoding="latin-1")
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}", file=path) from None
    lines = [line for line in (line.partition("#")[0].strip() for line in text.splitlines()) if line]
    if len(lines) < 2:
        raise InputError("holds no table: needs a line of headings and rows below it", file=path)
    separator = separator_of(lines[0])
    if separator is None:
        raise InputError("holds no table: no commas, semicolons or tabs separate its columns", file=path)
    try:
        return [row for row in csv.reader(lines, delimiter=separator, skipinitialspace=True) if any(row)], []
    except csv.Error as error:
        raise InputError(f"not a CSV table: {error}", file=path) from None


def _words(text):
    return re.findall(r"[a-z]+|%", text.lower())


def _every_unit():
    return {unit for units in UNITS.values() for unit in units}


def _kinds(path, headings, units):
    """{quantity: (number of its column, its unit or None)}."""
    found = {}
    for number, (heading, below) in enumerate(zip(headings, units, strict=True)):
        kind, unit = _kind(_words(heading), below)
        if kind is None:
            continue
        if kind in found:
            raise InputError(f"two columns may be the {kind}; keep one", file=path, key="columns",
                             value=f"{headings[found[kind][0]]}, {heading}")  # fmt: skip
        found[kind] = number, unit
    if "charge" in found or "discharge" in found:
        found.pop("branch", None)
    return found


def _kind(words, below):
    """What a heading of these words, with this unit below it, stands for: (quantity or None, unit or None)."""
    have = set(words)
    if have & TEMPERATURE:
        return None, None
    unit = next((word for word in reversed([*words, *([below] if below else [])]) if word in _every_unit()), None)
    side = next((side for side, names in SIDES.items() if have & names), None)
    for kind, names in NAMES.items():
        if have & names or (kind == "soc" and {"state", "charge"} <= have):
            break
    else:
        kind = next((kind for kind, units in UNITS.items() if unit in units), None)
    if unit in UNITS["moved"]:
        kind = "moved"
    if side and (kind == "voltage" or (kind is None and unit is None)):
        kind = side
    return kind, unit if unit in UNITS.get("voltage" if kind in SIDES else kind, ()) else None


def _side_of(cell):
    words = set(_words(cell))
    return next((side for side in ("discharge", "charge") if words & SIDES[side]), "")


def _is_number(cell):
    return bool(np.isfinite(_number(cell)))


def _number(cell):
    """A cell as a number; NaN if it is none. Times may be h:mm:ss."""
    try:
        return float(cell.replace(",", "."))
    except ValueError:
        pass
    parts = cell.split(":")
    try:
        return sum(float(part) * 60.0**k for k, part in enumerate(reversed(parts))) if 1 < len(parts) < 4 else float("nan")
    except ValueError:
        return float("nan")


def _numbers(cells):
    """Cells as numbers; what is larger than any reading is none."""
    values = np.array([_number(cell) for cell in cells], float)
    return np.where(np.abs(values) < MOST, values, np.nan)


def _in_si(values, key, unit, heading, told):
    """Values of a column in V, A, s, Ah or as a fraction; a unit that is guessed is told."""
    kind = "voltage" if key in SIDES else key
    good = np.abs(values[np.isfinite(values)])
    if unit is not None:
        return values * UNITS[kind][unit]
    if not good.size:
        return values
    if kind == "voltage" and np.median(good) > MILLIVOLTS_ABOVE:
        told.append(f'"{heading}" has no unit and is taken for millivolts')
        return values * 1e-3
    if kind == "soc" and good.max() > PERCENT_ABOVE:
        told.append(f'"{heading}" is taken for percent')
        return values * 0.01
    if kind in ("current", "time", "moved"):
        told.append(f'"{heading}" has no unit and is taken for {dict(current="A", time="s", moved="Ah")[kind]}')
    return values


def _without_gaps(columns, told):
    """Columns without rows that hold something that is no number, nor rows that stand twice."""
    if not columns:
        return columns
    count = len(next(iter(columns.values())))
    numbers = [values for key, values in columns.items() if key != "branch" and key not in SIDES]
    keep = np.ones(count, bool)
    for values in numbers:
        keep &= np.isfinite(values)
    sides = [columns[side] for side in SIDES if side in columns]
    if sides:  # a row may hold one branch only
        keep &= np.any([np.isfinite(values) for values in sides], axis=0)
    if not keep.all():
        told.append(f"{count - keep.sum()} rows that hold something that is no number were left out")
    seen, twice = set(), 0
    for k in np.flatnonzero(keep):
        row = tuple(str(values[k]) for values in columns.values())
        if row in seen:
            keep[k], twice = False, twice + 1
        elif "time" not in columns:  # without a clock the same values may come again, only not at once
            seen.clear()
        seen.add(row)
    if twice:
        told.append(f"{twice} rows that stand twice were left out")
    return {key: values[keep] for key, values in columns.items()}


def check_cell_volts(table, volt, cells):
    """Refuse voltages [V, of a cell] that are none of a cell: most often those of several in series, or in another unit."""
    middle = float(np.median(volt))
    if not 0.5 < middle < 6.0:
        raise InputError(
            f"{middle * cells:.4g} V over {cells} cell{'s' * (cells != 1)} is no cell's voltage; give the unit in the heading, and "
            "--cells-in-series if several cells were measured together",
            file=table.path, key="voltage",
        )  # fmt: skip

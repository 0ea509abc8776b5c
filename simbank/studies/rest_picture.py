"""A picture of a bank at rest: displays and voltages of its packs, read from a file."""

from __future__ import annotations

import math
from dataclasses import dataclass
from os import PathLike

import pandas as pd

from simbank.bank import Bank
from simbank.errors import InputError
from simbank.filemodel import as_path, nearest, read_csv

__all__ = ["RestPicture", "RestReading", "read_picture"]

COLUMNS = ("pack", "displayed_soc", "rest_voltage_v", "rested_h")
MOST_SHARE = 1.5  # displays up to this are shares, beyond it per cent
MOST_H = 24 * 60.0  # two months: self-discharge and displays decide after that


@dataclass(frozen=True)
class RestReading:
    """One number read of one pack at rest: ``kind`` is "display" (state of charge, 0 to 1) or "voltage" (of the pack by itself [V])."""

    pack: str
    kind: str
    value: float
    rested_h: float


@dataclass(frozen=True)
class RestPicture:
    """What was read of a bank at rest.

    Attributes
    ----------
    readings : tuple of RestReading
    understood : tuple of str
        How numbers were taken, as sentences.
    source : str or None
        The file.
    """

    readings: tuple[RestReading, ...]
    understood: tuple[str, ...] = ()
    source: str | None = None


def read_picture(given: str | PathLike | pd.DataFrame, bank: Bank) -> RestPicture:
    """Readings at rest from a CSV file or a table with the same columns.

    Parameters
    ----------
    given : path-like or DataFrame
        Columns ``pack``, ``rested_h`` (hours since the bank came to rest), and ``displayed_soc`` (0 to 1, or per cent) or
        ``rest_voltage_v`` (of the pack by itself, switched off; joined packs all show the same) or both. Empty cells are left out.
    bank : Bank
        Whose packs they are.

    Raises
    ------
    InputError
        With file, row and column of the first value that cannot be used.
    """
    file = None if isinstance(given, pd.DataFrame) else str(as_path(given, "readings"))
    frame = given.reset_index(drop=True) if file is None else read_csv(file)
    for column in frame:
        if column not in COLUMNS:
            raise InputError(f"unknown column; {nearest(column, COLUMNS)}", file=file, key="columns", value=column)
    for column in ("pack", "rested_h"):
        if column not in frame:
            raise InputError(f'needs a column "{column}"', file=file, key="columns", value=", ".join(frame))
    percent = _in_percent(frame, file)
    names, seen, readings = [pack.name for pack in bank.packs], set(), []
    for k, row in frame.iterrows():
        pack = str(row["pack"]).strip()
        if pack not in names:
            raise InputError(f"no such pack; {nearest(pack, names)}", file=file, key=f"row {k + 2}, pack", value=pack)
        if pack in seen:
            raise InputError("stands in two rows; give each pack one", file=file, key=f"row {k + 2}, pack", value=pack)
        seen.add(pack)
        rested = _number(row, "rested_h", k, file, 0.0, MOST_H)
        if rested is None:
            raise InputError("is empty: how long has the bank rested?", file=file, key=f"row {k + 2}, rested_h")
        shown = _number(row, "displayed_soc", k, file, 0.0, 100.0)
        volt = _number(row, "rest_voltage_v", k, file, 1.0, 1000.0)
        if shown is not None:
            readings.append(RestReading(pack, "display", shown / 100.0 if percent else shown, rested))
        if volt is not None:
            readings.append(RestReading(pack, "voltage", volt, rested))
    if len({reading.pack for reading in readings}) < 2:
        raise InputError("needs what two packs show, or more", file=file, key="columns", value=", ".join(frame))
    understood = ("Displays are taken as per cent.",) if percent else ()
    return RestPicture(tuple(readings), understood, file)


def _in_percent(frame, file):
    """Whether displays are per cent: one of them is more than a share can be. An InputError for a fraction among per cent."""
    if "displayed_soc" not in frame:
        return False
    values = [_number(row, "displayed_soc", k, file, 0.0, 100.0) for k, row in frame.iterrows()]
    most = max((value for value in values if value is not None), default=0.0)
    if most <= MOST_SHARE:
        return False
    for k, value in enumerate(values):
        if value is not None and 0.0 < value < 1.0:
            raise InputError(
                f"stands among others in per cent, such as {most:g}: is it {100.0 * value:g} % or {value:g} %? Write all in per cent",
                file=file, key=f"row {k + 2}, displayed_soc", value=value,
            )  # fmt: skip
    return True


def _number(row, column, k, file, least, most):
    """A number of a row from ``least`` to ``most``; None where its cell is empty."""
    value = row.get(column)
    if value is None or pd.isna(value):
        return None
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = math.nan
    if not least <= number <= most:
        raise InputError(f"must be a number from {least:g} to {most:g}", file=file, key=f"row {k + 2}, {column}", value=value)
    return number

"""Results read back from the folders that :meth:`write` or ``--out`` made."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

import pandas as pd

from simbank.errors import InputError
from simbank.filemodel import as_path
from simbank.files import was_harmless
from simbank.provenance import MADE_BY_FILE
from simbank.results import RESULT_FILE, StudyResult
from simbank.simulation import Result
from simbank.simulation.stored import read_run
from simbank.studies.bands_result import BANDS_FOLDER, Bands
from simbank.studies.compare import Comparison
from simbank.studies.paired import LayoutBands
from simbank.studies.sweep import Sweep
from simbank.studies.usable import Usable
from simbank.warning import from_records

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["StoredStudy", "read"]


class StoredStudy(StudyResult):
    """What the files of a study hold: its title, words, warnings and tables; the runs that it was made of are not written.

    Attributes
    ----------
    study : str
        Name of the function that made it, such as "protect".
    title : str
    words : list of str
    table : DataFrame
        Its main table. What was empty is NaN, whatever stood there.
    tables : dict of str to DataFrame
        Every table of the folder, by the name of its file without ending.
    warnings : list of BankWarning
    made_by : dict
    """

    INDEXED: ClassVar = False

    def __init__(
        self, study: str, told: dict[str, Any], table: pd.DataFrame, tables: dict[str, pd.DataFrame], made: dict[str, Any]
    ):
        self.study, self.title, self._words, self.tables, self.made_by = study, told["title"], told["words"], tables, made
        self.table, self.warnings = table, from_records(told["warnings"])

    @property
    def words(self) -> Sequence[str]:
        """What the table says, in sentences."""
        return self._words

    def plot(self) -> Figure:
        """Not from files: an InputError."""
        raise InputError(f"the runs that simbank.{self.study} made are not written; make them again for a figure")

    def write(self, folder: str | Path) -> Path:
        """Not from files: an InputError."""
        raise InputError("was read from files; copy its folder instead", key="folder", value=str(folder))


def read(folder: str | Path) -> Result | StudyResult:
    """The result that was written into a folder, by ``result.write(folder)`` or ``--out``.

    Parameters
    ----------
    folder : path-like
        One folder of one result.

    Returns
    -------
    Result, Comparison, Sweep, Usable, Bands, LayoutBands or StoredStudy
        Of a run, a comparison, a sweep, usable energy and bands the result itself, its numbers equal to the last digit; where a device opened
        or closed, without currents of conductors over time; with its
        ``bands`` where these were written beside it. Of other studies title, words, warnings and tables, without figures.

    Raises
    ------
    InputError
        If the folder holds no result, or more than one, or a file of it is missing or damaged.
    """
    folder = as_path(folder, "folder")
    made, files = _made_by(folder)
    study = made["function"].removeprefix("simbank.")
    if study == "simulate":
        result = read_run(folder)
        result.bands = _bands_beside(folder, made)
        return result
    told = _told(folder)
    if study == "sweep":
        return Sweep(_parquet(folder / "sweep.parquet"))
    # those of the result itself: an earlier one may have left others
    tables = {path.stem: _csv(path) for path in sorted(folder.glob("*.csv")) if path.name in files}
    main = told["table"]
    if main not in tables:
        raise InputError("no such file", file=folder / f"{main}.csv")
    table = tables[main].set_index(tables[main].columns[0]) if told["indexed"] else tables[main]
    if study == "bands":
        return Bands.read(tables, made, from_records(told["warnings"]), told["asked"])
    if study == "layout_bands":
        return LayoutBands(table.fillna({"unit": ""}), {name: read(folder / name) for name in told["layouts"]}, made)
    bands = _bands_beside(folder, made)
    if study == "compare":
        results = {name: read_run(folder / name) for name in table.index}
        return Comparison(table, results, made, from_records(told["left_out"]), told["own"], told["not_counted"], bands)
    if study == "usable":
        table.attrs = {"warnings": told["warnings"], "made_by": made} | ({} if bands is None else {"bands": bands})
        return Usable(table)
    return StoredStudy(study, told, table, tables, made)


def _bands_beside(folder, made):
    """Bands that were written beside a result; None if there are none, or they were made before it, and so of an earlier one."""
    if not (folder / BANDS_FOLDER / RESULT_FILE).exists():
        return None
    bands = read(folder / BANDS_FOLDER)
    return bands if bands.made_by.get("time_utc", "") >= made.get("time_utc", "") else None


def _made_by(folder):
    """(What made the result of a folder, names of its files), of the last record of each function in its ``made_by.json``."""
    path = folder / MADE_BY_FILE
    try:
        records = json.loads(path.read_text(encoding="utf-8"))
        made = {record["function"]: record for record in records if "function" in record}
    except FileNotFoundError:
        raise InputError("no such file; give a folder that a result was written into", file=path) from None
    except (OSError, ValueError) as error:
        raise InputError(f"cannot be read: {error}", file=path) from None
    except TypeError:
        raise InputError("not a record of what made a result", file=path) from None
    if len(made) != 1:
        found = f"results of {', '.join(made)} are here; give each a folder of its own" if made else "no result is here"
        raise InputError(found, file=path)
    record = next(iter(made.values()))
    return {key: value for key, value in record.items() if key != "files"}, set(record.get("files") or {})


def _told(folder):
    path = folder / RESULT_FILE
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise InputError("no such file; the folder was written by another version of simbank", file=path) from None
    except (OSError, ValueError) as error:
        raise InputError(f"cannot be read: {error}", file=path) from None
    lacks = sorted({"title", "words", "warnings", "table", "indexed"} - set(told)) if isinstance(told, dict) else ["every key"]
    if lacks:
        raise InputError(f"not a result of this version of simbank: it lacks {', '.join(lacks)}", file=path)
    return told


def _parquet(path):
    try:
        return pd.read_parquet(path)
    except FileNotFoundError:
        raise InputError("no such file", file=path) from None
    except (OSError, ValueError) as error:
        raise InputError(f"not a Parquet table: {(str(error).splitlines() or [''])[0]}", file=path) from None


def _csv(path):
    """A table as it was before it was written: numbers to the last digit, no apostrophe before what looks like a formula."""
    try:
        frame = pd.read_csv(path, dtype=object, keep_default_na=False, na_values=[""])
    except (OSError, ValueError) as error:
        raise InputError(f"not a CSV table: {(str(error).splitlines() or [''])[0]}", file=path) from None
    return was_harmless(frame.apply(_typed))


def _typed(column):
    """A column of text as what it says: truth values, whole numbers, numbers (by Python itself, which rounds none), or text."""
    there = column.dropna()
    if there.isin(["True", "False"]).all():
        return column.map({"True": True, "False": False}) if len(there) else column.astype(float)
    for kind in (int, float):
        if kind is float or len(there) == len(column):
            try:
                return column.map(kind, na_action="ignore").astype(kind)
            except ValueError:
                continue
    return column

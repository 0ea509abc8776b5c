"""The shape that every result has: title, table, columns with unit and meaning, summary, warnings, figures; written and shown alike."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from simbank import provenance
from simbank.caution import CAUTION
from simbank.columns import Column, Table
from simbank.errors import InputError
from simbank.notebook import as_html
from simbank.warning import BankWarning, as_records

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

__all__ = ["RESULT_FILE", "Picture", "Shown", "Study", "StudyResult", "records"]

RESULT_FILE = "result.json"  # what the tables of a study do not say: title, words, warnings


@dataclass(frozen=True)
class Picture:
    """A figure with the names that it needs when it is written or shown.

    Attributes
    ----------
    file : str
        Name of its file.
    figure : matplotlib.figure.Figure
    title : str
        What the file says of itself.
    caption : str
        What stands below it in a report.
    """

    file: str
    figure: Figure
    title: str
    caption: str


@dataclass(frozen=True)
class Shown:
    """A table as people read it, on the terminal and on a page (:func:`simbank.digits.as_read`).

    Attributes
    ----------
    title : str
    frame : DataFrame
    columns : mapping of str to str
        Columns to show, and their headings.
    more : mapping of str to str
        Further ones, where there is room.
    on_page : sequence of str
        Those of ``more`` that a page has room for.
    keys : int
        How many of the columns, from the first, say what a row is.
    """

    title: str
    frame: pd.DataFrame
    columns: Mapping[str, str]
    more: Mapping[str, str] = field(default_factory=dict)
    on_page: Sequence[str] = ()
    keys: int = 1


@dataclass
class Study:
    """A section of a report: a title, words, a table and figures of its own.

    Attributes
    ----------
    title : str
    text : sequence of str
        Paragraphs before the table.
    table : DataFrame, optional
    figures : sequence of (matplotlib.figure.Figure, str)
        Each with its caption.
    drawings : sequence of (str, str)
        Drawings of the bank as SVG (:func:`simbank.draw_bank`), each with its caption.
    answer : sequence of str
        Sentences for the head of the report.
    tables : sequence of Shown
        Further tables, below the first.
    warnings : sequence of BankWarning
    result : StudyResult, optional
        That it is the section of.
    question : str
        What it answers, of a study of the bank as it stands: its section is then the first, and nothing to buy is listed.
    """

    title: str
    text: Sequence[str] = ()
    table: pd.DataFrame | None = None
    figures: Sequence[tuple[Figure, str]] = ()
    drawings: Sequence[tuple[str, str]] = field(default=(), kw_only=True)
    tables: Sequence[Shown] = field(default=(), kw_only=True)
    question: str = field(default="", kw_only=True)
    answer: Sequence[str] = field(default=())
    warnings: Sequence[BankWarning] = field(default=())
    result: StudyResult | None = None


class StudyResult:
    """What every result has. A result of its own kind says ``title``, ``table``, ``warnings``, ``made_by`` and what else it knows.

    Attributes
    ----------
    title : str
        What was computed, in one line.
    table : DataFrame
        The result's main table, whose columns :attr:`columns` describes.
    warnings : list of BankWarning
        What must be known before any of the figures.
    made_by : dict
        What made it: versions, scenario, hashes, settings, time.
    TABLES : tuple of Table
        Every table that :meth:`write` writes, with the unit and the meaning of each column; the first is ``table``. A name in angle
        brackets stands for columns that are named after keys, packs or conductors.
    """

    TABLES: ClassVar[tuple[Table, ...]] = ()
    INDEXED: ClassVar[bool] = True  # whether the table's index is a column of the file
    CAUTION: ClassVar[str] = CAUTION  # what stands below it in a notebook

    title: str
    table: pd.DataFrame
    warnings: Sequence[BankWarning]
    made_by: dict[str, Any]

    @property
    def columns(self) -> tuple[Column, ...]:
        """Columns of :attr:`table`, its index among them, with unit and meaning."""
        return self.TABLES[0].columns

    @property
    def words(self) -> Sequence[str]:
        """What the table says, in sentences."""
        return []

    @property
    def summary(self) -> dict[str, Any]:
        """Everything as plain data: what ``--json`` prints."""
        rows = records(self.table.reset_index() if self.INDEXED else self.table)
        return {"scenario": self.made_by["scenario"], "warnings": as_records(self.warnings), "rows": rows}

    def __repr__(self) -> str:
        rows = len(self.table)
        return f"<{type(self).__name__} {self.title!r}: {rows} {'row' if rows == 1 else 'rows'}{_warned(self.warnings)}>"

    def _repr_html_(self) -> str:
        """What a notebook shows."""
        table = self.table if self.INDEXED else self.table.reset_index(drop=True)
        return as_html(
            self.title, warnings=self.warnings, words=self.words, table=table, picture=self.own_figure(), caution=self.CAUTION
        )

    def own_figure(self) -> Figure | None:
        """The result's main figure, None if it has none or there is nothing to draw."""
        try:
            return self.plot()
        except (NotImplementedError, InputError):
            return None

    def plot(self) -> Figure:
        """The result's main figure."""
        raise NotImplementedError(f"{type(self).__name__} has no figure")

    def pictures(self) -> list[Picture]:
        """Every figure that :meth:`write` writes and a report shows."""
        return []

    def write(self, folder: str | Path) -> Path:
        """Write tables and figures into a folder, which is made if it is not there.

        Each file is written whole; what made it stands in ``made_by.json``, and in the file where its kind has room for it.

        Returns
        -------
        pathlib.Path
            The folder.

        Raises
        ------
        OSError
            If a file cannot be written; those before it stay.
        """
        folder = Path(folder)
        folder.mkdir(parents=True, exist_ok=True)
        self.write_tables(folder)
        provenance.write_json(folder / RESULT_FILE, self.told_beside(), self.made_by)
        for picture in self.pictures():
            provenance.write_figure(folder / picture.file, picture.figure, self.made_by, picture.title)
        return folder

    def write_tables(self, folder: Path) -> None:
        """Write the tables into a folder that is there."""
        for name in self.TABLES[0].files:
            provenance.write_table(folder / name, self.table, self.made_by, index=self.INDEXED)

    def told_beside(self) -> dict[str, Any]:
        """What the tables do not say, as plain data, for :func:`simbank.read`; ``table`` names the file of the main one."""
        main = Path(self.TABLES[0].files[0]).stem
        told = {"title": self.title, "words": list(self.words), "warnings": as_records(self.warnings)}
        return told | {"table": main, "indexed": self.INDEXED}

    def section(self) -> Study:
        """The result as a section of a report (:func:`simbank.write_report`)."""
        shown = self.table.reset_index() if self.INDEXED else self.table
        figures = [(picture.figure, picture.caption) for picture in self.pictures()]
        return Study(self.title, tuple(self.words), shown, tuple(figures), (), tuple(self.warnings), self)


def _warned(warnings):
    """How many warnings there are, as the end of a short description."""
    return f", {len(warnings)} {'warning' if len(warnings) == 1 else 'warnings'}" if len(warnings) else ""


def records(frame: pd.DataFrame, digits: int = 10) -> list[dict[str, Any]]:
    """Rows of a table as plain data, NaN as None; ``digits`` after the point."""
    return json.loads(frame.to_json(orient="records", double_precision=digits))

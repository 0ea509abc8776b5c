"""Results as plain data for the page: warnings first, tables as they are read, verdicts, in the words of the commands."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from simbank.digits import as_read

if TYPE_CHECKING:
    import pandas as pd

    from simbank.results import Shown

__all__ = ["drawn", "plotted", "shown_table", "table", "texts_table", "verdicts_told"]

MOST_VERDICTS = 7  # unasked, as on the terminal


def table(title: str, frame: pd.DataFrame, columns: Mapping[str, str], keys: int = 1, empty: bool = False) -> dict[str, Any]:
    """A table for the page: ``title``, ``head`` (heading, whether of numbers), ``rows`` of texts.

    Parameters
    ----------
    title : str
        Stands above it.
    frame : DataFrame
        Numbers are written by the unit in their column's name.
    columns : mapping of str to str
        Columns to show, and their headings.
    keys : int
        How many of the columns, from the first, say what a row is.
    empty : bool
        Whether to show columns in which no row has anything.
    """
    read = as_read(frame, columns, keys, empty=empty)
    rows = [list(row) for row in zip(*(texts for _, texts, _ in read), strict=True)]
    return {"kind": "table", "title": title, "head": [(heading, numbers) for heading, _, numbers in read], "rows": rows}


def shown_table(shown: Shown, whole: bool = False) -> dict[str, Any]:
    """A table that a result shows, as :func:`table`; with ``whole`` every column, as ``--wide`` has it on a terminal."""
    columns = {**shown.columns, **(shown.more if whole else {key: shown.more[key] for key in shown.on_page})}
    return table(shown.title, shown.frame, columns, shown.keys, whole)


def texts_table(title: str, frame: pd.DataFrame) -> dict[str, Any]:
    """A table whose cells are texts already, as :func:`table`."""
    rows = [[str(cell) for cell in row] for row in frame.itertuples(index=False)]
    return {"kind": "table", "title": title, "head": [(str(heading), False) for heading in frame.columns], "rows": rows}


def plotted(figure: Any, caption: str) -> dict[str, Any]:
    """A figure of matplotlib as a picture of the page, which is no part of it: a name in it can do nothing."""
    from simbank.report.parts import Figures

    return {"kind": "picture", "svg": Figures().figure(figure, caption)["svg"], "caption": caption, "alt": f"Plot. {caption}"}


def drawn(svg: str, caption: str, alt: str = "") -> dict[str, Any]:
    """A drawing of the bank as a picture of the page, which scrolls where it is wider; ``alt`` says what it shows."""
    return {"kind": "picture", "svg": svg, "caption": caption, "alt": alt or f"Drawing of the bank. {caption}", "scrolls": True}


def verdicts_told(*results: Any, whole: bool = False) -> list[dict[str, Any]]:
    """Verdicts of results, worst first: seven, or with ``whole`` all."""
    from simbank.judging import RULES, verdicts
    from simbank.judging.judge import shortened
    from simbank.verdict import as_records

    every = verdicts(*results, most=len(RULES))
    return as_records(every if whole else shortened(every, MOST_VERDICTS))

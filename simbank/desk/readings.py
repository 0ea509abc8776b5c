"""What the desk's processes find in readings that were typed in, as plain data; and the table of readings as the CSV that commands read."""

from __future__ import annotations

import csv
import io
import re
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from simbank.desk.running import scenario_of
from simbank.desk.telling import drawn, plotted, shown_table, table, verdicts_told
from simbank.errors import InputError
from simbank.warning import as_records

__all__ = ["COLUMNS", "as_csv", "diagnosed", "row_of"]

COLUMNS = (
    "current_a",
    "drop_mv",
    "time_since_change_s",
    "pack_voltage_v",
    "displayed_soc",
    "instant",
)  # beside where it was read
_ROW = re.compile(r"row (\d+)")


def as_csv(rows: Sequence[dict[str, str]]) -> str:
    """Rows of the desk's table as ``simbank diagnose`` reads them: those in which something stands.

    Parameters
    ----------
    rows : sequence of dict of str to str
        ``where`` (a pack, a port or a conductor), ``is_conductor``, and the texts of :data:`COLUMNS`.

    Returns
    -------
    str
        With ``pack`` and ``link`` before the columns in which something stands.
    """
    said = [row for row in rows if any(row[name].strip() for name in COLUMNS)]
    used = [name for name in COLUMNS if any(row[name].strip() for row in said)]
    links = any(row["is_conductor"] for row in said)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["pack", *(["link"] if links else []), *used])
    for row in said:
        where = ["", row["where"]] if row["is_conductor"] else [row["where"], *([""] if links else [])]
        writer.writerow([*where, *(row[name].strip() for name in used)])
    return out.getvalue()


def row_of(error: InputError) -> int | None:
    """Which row of readings an error is about, from 0; None if it is about none."""
    found = _ROW.match(str(error.key or ""))
    return int(found[1]) - 2 if found else None


def diagnosed(
    data: dict[str, Any], source: str | None, text: str, settings: dict[str, str], progress: Callable[[float], None] | None = None
) -> dict[str, Any]:
    """What readings say of the bank, as ``simbank diagnose`` tells it.

    Parameters
    ----------
    data, source : dict, str or None
        The document, and the path from whose folder its paths start.
    text : str
        Readings as CSV.
    settings : dict of str to str
        ``before``, ``doing``, ``port``, ``accuracy``, ``voltage_accuracy``, ``drop_accuracy`` of :func:`simbank.diagnose`; empty: not told.
    progress : callable, optional
        Called with 1 when it is done: it takes seconds.

    Returns
    -------
    dict
        What :mod:`simbank.desk.views.diagnose` shows; ``suspects`` as ``--json`` has them.

    Raises
    ------
    InputError
        As :func:`simbank.diagnose` raises it, without the name of the file.
    """
    from simbank.studies import diagnose

    scenario = scenario_of(data, source)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "readings.csv"
        path.write_text(text, encoding="utf-8")
        try:
            found = diagnose(scenario, path, **{key: value.strip() for key, value in settings.items() if value.strip()})
        except InputError as error:
            raise InputError(error.problem, key=error.key, value=error.value) from None
    if progress is not None:
        progress(1.0)
    summary = found.summary
    return {
        "answer": list(found.answer), "notes": list(found.notes), "warnings": as_records(found.warnings), "suspects": summary["suspects"],
        "tables": _tables(found, False), "whole_tables": _tables(found, True), "verdicts": verdicts_told(found),
        "whole_verdicts": verdicts_told(found, whole=True),
        "drawing": drawn(found.drawing(), "Suspects, numbered by probability, at the current that was read."),
        "plots": [plotted(picture.figure, picture.caption) for picture in found.pictures()],
    }  # fmt: skip


def _tables(found, whole):
    """What was read, what it may be due to, what to read next."""
    from simbank.studies.diagnosis.diagnosis import MOST_NEXT, NEXT_HEADINGS, OTHER_HEADINGS, PACK_HEADINGS

    instants = {"instant": "instant"} if len(found.readings.instants) > 1 else {}
    tables = []
    if len(found.table):
        tables.append(table(found.title, found.table, PACK_HEADINGS | instants))
    if len(found.other_readings):
        tables.append(table("What else was read", found.other_readings, OTHER_HEADINGS | instants))
    tables.append(shown_table(found.shown_suspects, whole))
    following = found.next_table if whole else found.next_table.head(MOST_NEXT)
    if len(following):
        tables.append(table("What to measure next", following, NEXT_HEADINGS))
    return tables

"""What the desk's processes compute of years of a bank, as plain data."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from simbank.caution import CAUTION
from simbank.desk.running import scenario_of
from simbank.desk.telling import plotted, shown_table, verdicts_told
from simbank.warning import as_records

__all__ = ["LAWS", "years_of"]

LAWS = ("schimpe", "naumann", "wang", "naumann+wang")
YEARS_PART = 0.3  # of the time, by estimate, that the years themselves take where changes are tried too


def years_of(
    data: dict[str, Any], source: str | None, years: float, law: str, until: float | None, worth: bool, draws: int | None, seed: int,
    progress: Callable[[float], None] | None = None,
) -> dict[str, Any]:  # fmt: skip
    """Years of the bank, as ``simbank age`` tells them.

    Parameters
    ----------
    data, source : dict, str or None
        The document, and the path from whose folder its paths start.
    years, law, until : float, str, float or None
        As :func:`simbank.age` takes them.
    worth : bool
        Whether to try what changes are worth, too.
    draws, seed : int or None, int
        Of bands; none without ``draws``.
    progress : callable, optional
        Called with the fraction done.

    Returns
    -------
    dict
        What :mod:`simbank.desk.views.age` shows; ``packs`` are the rows that ``simbank age --json`` has.
    """
    from simbank.studies import age
    from simbank.studies.ageing import among_alike
    from simbank.studies.ageing import worth as changes_worth
    from simbank.studies.ageing.told import laws_shown

    def part(begin, end):
        return None if progress is None else lambda done: progress(begin + (end - begin) * done)

    end = 1.0 if not worth else 0.8 if draws else YEARS_PART
    found = age(scenario_of(data, source), years, law=law, until=until, bands=draws, seed=seed, progress=part(0.0, end))
    left_out = []
    if worth:
        found.worth = changes_worth(found, part(end, 1.0))
        found.among_alike = among_alike(found)
        left_out = [f"Not tried: {text}" for text in found.worth.attrs.get("left_out", ())]
    return {
        "title": found.title,
        "warnings": as_records(found.warnings),
        "words": list(found.words),
        "left_out": left_out,
        "basis": list(found.basis),
        "packs": found.summary["packs"],
        "usual": {"verdicts": verdicts_told(found), "tables": [shown_table(one) for one in found.shown]},
        "whole": {
            "verdicts": verdicts_told(found, whole=True),
            "tables": [shown_table(one, whole=True) for one in [*found.shown, laws_shown(found)]],
        },
        "plots": [plotted(picture.figure, picture.caption) for picture in found.pictures()],
        "caution": CAUTION,
    }

"""What the desk's processes compute of how well a figure is known: bands as plain data."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from simbank.desk.running import scenario_of
from simbank.desk.telling import plotted, texts_table
from simbank.warning import as_records

if TYPE_CHECKING:
    from simbank.studies.bands_result import Bands
    from simbank.studies.paired import LayoutBands

__all__ = ["bands_told", "layout_bands_told", "run_bands"]


def run_bands(
    data: dict[str, Any], source: str | None, draws: int, seed: int, progress: Callable[[float], None] | None = None
) -> dict[str, Any]:
    """Bands of a run, as ``simbank run --bands DRAWS --seed SEED`` has them.

    Returns
    -------
    dict
        What :mod:`simbank.desk.views.run` shows of them; ``bands`` are the figures as ``--json`` tells them.
    """
    from simbank.studies import bands

    return bands_told(bands(scenario_of(data, source), draws, seed, progress=progress))


def bands_told(found: Bands) -> dict[str, Any]:
    """Bands as plain data: ``warnings``, ``said``, ``tables``, ``words``, ``readings``, ``plots``, ``bands``."""
    from simbank.report.band_parts import figures_read, packs_read, readings_read

    told = {"warnings": as_records(found.warnings), "words": list(found.words), "bands": found.told["bands"]}
    if not len(found.uncertain):
        return told | {"said": "", "tables": [], "readings": [], "plots": []}
    packs, readings = packs_read(found), readings_read(found)
    return told | {
        "said": (
            f"{found.done} draws, seed {found.made_by['seed']}: in each, all that is not known exactly has other values. In nine draws of "
            "ten a figure lies between 5 % and 95 %, in half of them below the middle. By the file: with its values and, where it says "
            "nothing, middle ones (joints and pack wiring that it leaves out: zero)."
        ),
        "tables": [
            texts_table("How far the bank's figures reach", figures_read(found)),
            *([texts_table("Figures of packs, 5 to 95 %", packs)] if len(packs.columns) > 1 else []),
        ],
        "readings": [texts_table("Measure first: what narrows these figures most", readings)] if len(readings) else [],
        "plots": [plotted(picture.figure, picture.caption) for picture in found.pictures()],
    }


def layout_bands_told(found: LayoutBands) -> dict[str, Any]:
    """Bands of layouts, as ``simbank compare --bands`` shows them.

    Returns
    -------
    dict
        ``usual`` and ``whole``: tables of the main and of all figures; ``words`` on each two layouts; ``plots``.
    """
    from simbank.report.band_parts import OF_LAYOUTS, layouts_read
    from simbank.studies.band_figures import WORDS

    first = next(iter(found.layouts.values()))
    if not len(first.uncertain):
        return {"usual": [], "whole": [], "words": [first.words[0]], "plots": []}
    title = f"{found.title}: from 5 % to 95 % of {first.done} draws"
    return {
        "usual": [texts_table(title, layouts_read(found, OF_LAYOUTS))],
        "whole": [texts_table(title, layouts_read(found, tuple(WORDS)))],
        "words": [*found.words, f"The same {first.done} draws under every layout, seed {first.made_by['seed']}."],
        "plots": [plotted(picture.figure, picture.caption) for picture in found.pictures()],
    }

"""What the desk's processes compute of how well a figure is known: bands of a run, as plain data."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from simbank.desk.running import scenario_of
from simbank.desk.telling import plotted, texts_table
from simbank.warning import as_records

if TYPE_CHECKING:
    from simbank.studies.bands_result import Bands

__all__ = ["bands_told", "run_bands"]


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

"""Figures of years of a bank, and the courses of packs as they are drawn."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from simbank.results import Picture
from simbank.studies.ageing.seasons import YEAR_S

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from simbank.studies.ageing.aged import Ageing

__all__ = ["figure_of", "pictures_of"]


def figure_of(found: Ageing) -> Figure:
    """Capacity left of each pack over the years, with its band."""
    from simbank.plotting.ageing_plots import plot_ageing

    return plot_ageing(_lines(found), found.terms, found.title, None if found.bands is None else found.bands.courses)


def _lines(found):
    """Courses for a plot, with ``piece``: which of the packs, one after the other, that had this name."""
    rows, piece, before = [], {}, None
    grid = found.years * np.linspace(0.0, 1.0, 41) ** 2
    for segment in found.segments:
        begin, end = segment.times[0] / YEAR_S, min(segment.times[-1] / YEAR_S, found.years)
        if begin >= end and before is not None:
            break
        for name in segment.names:
            if before is None or name not in before.names or not before.has_same(segment, name):
                piece[name] = piece.get(name, -1) + 1
        for year in [begin, *grid[(grid > begin) & (grid < end)], end]:
            at = np.array([year * YEAR_S])
            left, (low, high) = segment.left(segment.ages_at(at))[0], found.ends(segment, at)
            rows += [(year, n, left[j], low[0, j], high[0, j], piece[n]) for j, n in enumerate(segment.names)]
        before = segment
    return pd.DataFrame(rows, columns=["year", "pack", "capacity_left", "capacity_left_low", "capacity_left_high", "piece"])


def pictures_of(found: Ageing) -> list[Picture]:
    """Every figure, with its caption."""
    of = "from law to law, and of cells that lose faster or slower than those of the law"
    if found.bands is not None:
        of = "nine draws of ten lie within; lines: by the file's own values"
    caption = f"Capacity left of each pack over the years; bands: {of}. Right: what took it."
    out = [Picture("ageing.png", figure_of(found), found.title, caption)]
    if found.bands is not None:
        from simbank.plotting.ageing_plots import plot_bank_bands

        caption = (
            "Usable energy and spread of capacities over the years: nine draws of ten lie within the shade; lines: by the file."
        )
        out.append(
            Picture("ageing_bands.png", plot_bank_bands(found.bands.by_year, found.by_year, found.title), found.title, caption)
        )
    return out

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
    for segment in found.segments:
        begin, end = segment.times[0] / YEAR_S, min(segment.times[-1] / YEAR_S, found.years)
        if begin >= end and before is not None:
            break
        for name in segment.names:
            if before is None or name not in before.names or not before.has_same(segment, name):
                piece[name] = piece.get(name, -1) + 1
        for year in begin + (end - begin) * np.linspace(0.0, 1.0, 31) ** 2:
            at = np.array([year * YEAR_S])
            ages, (low, high) = segment.ages_at(at), found.ends(segment, at)
            left, growth = segment.left(ages)[0], segment.growth(ages)[0]
            rows += [(year, n, left[j], low[0, j], high[0, j], growth[j], piece[n]) for j, n in enumerate(segment.names)]
        before = segment
    return pd.DataFrame(
        rows, columns=["year", "pack", "capacity_left", "capacity_left_low", "capacity_left_high", "resistance_growth", "piece"]
    )


def pictures_of(found: Ageing) -> list[Picture]:
    """Every figure, with its caption."""
    from simbank.plotting.ageing_plots import plot_bank_bands, plot_resistances

    drawn, title = found.bands, found.title
    of = "from law to law, and of cells that lose faster or slower than those of the law"
    if drawn is not None:
        of = "nine draws of ten lie within; lines: by the file's own values"
    marks = " Circle: a pack that comes in; cross: one that is taken out." if len(found.segments) > 1 else ""
    if marks and drawn is not None:
        marks += " Of one that comes in the draws are known from the next whole year on."
    caption = f"Capacity left of each pack over the years, dotted: 80 %; shades: {of}.{marks} Right: what took it, by the law {found.law.name}."
    out = [Picture("ageing.png", figure_of(found), title, caption)]
    caption = "Resistance of the cells of each pack over that as new"
    caption += "." if drawn is None else ": nine draws of ten lie within the shade; lines: by the file's own values."
    courses = None if drawn is None else drawn.courses
    out.append(Picture("ageing_resistances.png", plot_resistances(_lines(found), title, courses), title, caption + marks))
    if drawn is not None:
        caption = "Usable energy, and the spread of capacities (largest less smallest left), over the years: nine draws of ten lie within the "
        caption += "shade; lines: by the file's own values." + (
            " A change of packs shows at the next whole year." if marks else ""
        )
        out.append(Picture("ageing_bands.png", plot_bank_bands(drawn.by_year, found.by_year, title), title, caption))
    return out

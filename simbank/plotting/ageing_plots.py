"""Plots of years of a bank: capacity left of each pack with its band, and which term of the law took how much."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from simbank.plotting.plots import INK, PALE, PALETTE, line_style, new_figure, styled

__all__ = ["plot_ageing"]

LEAST_POINTS = 0.02  # lost by a term, below which it is left out
MOST_BANDS = 8  # packs: of more, bands would hide each other


@styled
def plot_ageing(courses: pd.DataFrame, terms: pd.DataFrame, title: str) -> Figure:
    """Capacity left of each pack over the years, and what took it.

    Parameters
    ----------
    courses : DataFrame
        ``year``, ``pack``, ``capacity_left``, ``capacity_left_low``, ``capacity_left_high`` of :func:`simbank.age`; and ``piece``, which of the
        packs, one after the other, that had this name: each has a line of its own, with a mark where it begins later or is taken out.
    terms : DataFrame
        ``pack``, ``what``, ``loss_points`` of it.
    title : str
        Stands above it.

    Returns
    -------
    matplotlib.figure.Figure
    """
    fig, axes = new_figure(1, 2, (10.2, 4.6), gridspec_kw={"width_ratios": [1.5, 1.0]})
    left, right = np.ravel(axes)
    packs = list(dict.fromkeys(courses["pack"]))
    for k, pack in enumerate(packs):
        rows = courses[courses["pack"] == pack]
        style = line_style(k, len(packs))
        for number, own in rows.groupby("piece"):
            (line,) = left.plot(own["year"], 100.0 * own["capacity_left"], label=None if number else pack, **style)
            begin, end = own.iloc[0], own.iloc[-1]
            if begin["year"] > 0.0:
                left.plot(
                    begin["year"], 100.0 * begin["capacity_left"], "o", color=line.get_color(), markersize=6, fillstyle="none"
                )
            if end["year"] < courses["year"].max():
                left.plot(end["year"], 100.0 * end["capacity_left"], "x", color=line.get_color(), markersize=6)
            if len(packs) <= MOST_BANDS:
                ends = (100.0 * own[f"capacity_left_{end}"] for end in ("low", "high"))
                left.fill_between(own["year"], *ends, color=line.get_color(), alpha=0.07, linewidth=0)
    left.axhline(80.0, color=PALE, linewidth=1.0, zorder=0)
    left.set_xlabel("years", color=INK)
    left.set_ylabel("capacity left [%]", color=INK)
    left.legend(loc="lower left", fontsize=8, ncols=max(1, len(packs) // 8), frameon=False)
    shown = list(dict.fromkeys(terms["pack"]))
    bottom = np.zeros(len(shown))
    told = terms.groupby("what", sort=False)["loss_points"].max()
    for k, what in enumerate(told[told > LEAST_POINTS].index):
        values = np.maximum(terms[terms["what"] == what].set_index("pack").reindex(shown)["loss_points"].to_numpy(float), 0.0)
        right.barh(shown, values, left=bottom, color=PALETTE[k % len(PALETTE)], label=what, height=0.6)
        bottom += values
    right.invert_yaxis()
    right.set_xlabel("capacity lost [points]", color=INK)
    right.legend(loc="upper center", bbox_to_anchor=(0.5, -0.14), fontsize=8, frameon=False)
    fig.suptitle(title, x=0.01, ha="left", fontweight="bold", fontsize=11)
    return fig

"""Plots of years of a bank: capacity left of each pack with its band, and which term of the law took how much."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from simbank.plotting.plots import INK, PALE, PALETTE, line_style, new_figure, styled

__all__ = ["plot_ageing", "plot_bank_bands"]

LEAST_POINTS = 0.02  # lost by a term, below which it is left out
MOST_BANDS = 8  # packs: of more, bands would hide each other


@styled
def plot_ageing(courses: pd.DataFrame, terms: pd.DataFrame, title: str, bands: pd.DataFrame | None = None) -> Figure:
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
    bands : DataFrame, optional
        ``year``, ``pack``, ``capacity_left_low``, ``capacity_left_high`` of draws, which then are the bands.

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
                ends = _ends(own, bands if bands is None else bands[bands["pack"] == pack])
                left.fill_between(own["year"], *ends, color=line.get_color(), alpha=0.07 if bands is None else 0.12, linewidth=0)
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


def _ends(rows, bands):
    """Low and high ends at the times of a course; those of draws straight between their times over the root of time [%]."""
    names = ("capacity_left_low", "capacity_left_high")
    if bands is None or not len(bands):
        return [100.0 * rows[name] for name in names]
    return [100.0 * np.interp(np.sqrt(rows["year"]), np.sqrt(bands["year"]), bands[name]) for name in names]


@styled
def plot_bank_bands(bands: pd.DataFrame, own: pd.DataFrame, title: str) -> Figure:
    """Usable energy of a bank and the spread of its packs' capacities over the years, each with its band.

    Parameters
    ----------
    bands : DataFrame
        ``year``, ``usable_wh_low``, ``usable_wh_high``, ``capacity_spread_low``, ``capacity_spread_high`` of draws.
    own : DataFrame
        ``year``, ``usable_wh``, ``capacity_spread`` by the file's own values.
    title : str
        Stands above it.

    Returns
    -------
    matplotlib.figure.Figure
    """
    fig, axes = new_figure(1, 2, (10.2, 3.8))
    told = (("usable_wh", 1e-3, "usable energy [kWh]"), ("capacity_spread", 100.0, "spread of capacities [points]"))
    for axis, (name, scale, label) in zip(np.ravel(axes), told, strict=True):
        ends = (scale * bands[f"{name}_{end}"] for end in ("low", "high"))
        axis.fill_between(bands["year"], *ends, color=PALETTE[0], alpha=0.18, linewidth=0)
        axis.plot(own["year"], scale * own[name], color=PALETTE[0])
        axis.set_ylim(bottom=0.0)
        axis.set_xlabel("years", color=INK)
        axis.set_ylabel(label, color=INK)
    fig.suptitle(title, x=0.01, ha="left", fontweight="bold", fontsize=11)
    return fig

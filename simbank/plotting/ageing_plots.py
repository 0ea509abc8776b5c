"""Plots of years of a bank: capacity left of each pack with its band, and which term of the law took how much."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from simbank.plotting.plots import INK, PALETTE, line_style, new_figure, styled

__all__ = ["plot_ageing", "plot_bank_bands", "plot_resistances"]

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
    _courses(left, courses, bands, "capacity_left", 100.0)
    left.axhline(80.0, color=INK, linewidth=1.0, linestyle=(0, (1, 3)), zorder=0)
    left.set_ylabel("capacity left [%]", color=INK)
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


def _courses(axis, courses, bands, figure, scale):
    """A line and a band for each pack, a mark where one comes or goes, and which line is whose."""
    packs = list(dict.fromkeys(courses["pack"]))
    for k, pack in enumerate(packs):
        rows = courses[courses["pack"] == pack]
        style = line_style(k, len(packs))
        for number, own in rows.groupby("piece"):
            (line,) = axis.plot(own["year"], scale * own[figure], label=None if number else pack, **style)
            begin, end = own.iloc[0], own.iloc[-1]
            if begin["year"] > 0.0:
                axis.plot(begin["year"], scale * begin[figure], "o", color=line.get_color(), markersize=6, fillstyle="none")
            if end["year"] < courses["year"].max():
                axis.plot(end["year"], scale * end[figure], "x", color=line.get_color(), markersize=6)
            if len(packs) <= MOST_BANDS:
                years, low, high = _ends(own, bands if bands is None else bands[bands["pack"] == pack], figure)
                colour = {"color": line.get_color(), "alpha": 0.07 if bands is None else 0.12, "linewidth": 0}
                axis.fill_between(years, scale * low, scale * high, **colour)
    if axis.collections:
        of = "from law to law, and other makes of cell" if bands is None else "nine draws of ten"
        axis.fill_between([], [], [], color=INK, alpha=0.15, linewidth=0, label=f"shade: {of}")
    axis.set_xlabel("years", color=INK)
    columns = min(len(packs), 6)
    axis.legend(loc="upper center", bbox_to_anchor=(0.5, -0.14), fontsize=8, ncols=columns, frameon=False)


def _ends(rows, bands, figure):
    """Times, and low and high ends there; those of draws straight between their times over the root of time.

    Draws are known at whole years, and at a change for the packs before it: of a pack that comes later the band begins a year after it.
    """
    years, names = rows["year"].to_numpy(), (f"{figure}_low", f"{figure}_high")
    if bands is None or not len(bands):
        return (years, *(rows[name].to_numpy() for name in names)) if names[0] in rows else ([], np.zeros(0), np.zeros(0))
    begin = years[0]
    known = bands[(bands["year"] > begin) | (begin == 0.0)]
    years = years[(years >= known["year"].min()) & (years <= known["year"].max())] if len(known) else years[:0]
    years = np.union1d(years, known["year"][known["year"] <= rows["year"].max()])
    if not len(years):
        return [], np.zeros(0), np.zeros(0)
    return (years, *(_rooted(years, known["year"], known[name]) for name in names))


@styled
def plot_resistances(courses: pd.DataFrame, title: str, bands: pd.DataFrame | None = None) -> Figure:
    """Resistance of the cells of each pack over that as new, over the years.

    Parameters
    ----------
    courses : DataFrame
        As of :func:`plot_ageing`, with ``resistance_growth``.
    title : str
        Stands above it.
    bands : DataFrame, optional
        ``year``, ``pack``, ``resistance_growth_low``, ``resistance_growth_high`` of draws.

    Returns
    -------
    matplotlib.figure.Figure
    """
    fig, axis = new_figure(1, 1, (7.0, 4.2))
    axis = np.ravel(axis)[0]
    _courses(axis, courses, bands, "resistance_growth", 1.0)
    axis.set_ylabel("resistance ÷ as new", color=INK)
    fig.suptitle(title, x=0.01, ha="left", fontweight="bold", fontsize=11)
    return fig


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
        years = np.union1d(bands["year"], bands["year"].max() * np.linspace(0.0, 1.0, 41) ** 2)
        low, high = (scale * _rooted(years, bands["year"], bands[f"{name}_{end}"]) for end in ("low", "high"))
        axis.fill_between(years, low, high, color=PALETTE[0], alpha=0.18, linewidth=0)
        axis.plot(years, scale * _rooted(years, own["year"], own[name]), color=PALETTE[0])
        axis.set_ylim(bottom=0.0)
        axis.set_xlabel("years", color=INK)
        axis.set_ylabel(label, color=INK)
    fig.suptitle(title, x=0.01, ha="left", fontweight="bold", fontsize=11)
    return fig


def _rooted(years, at, values):
    """Values straight between their times over the root of time, as most of what is lost goes."""
    return np.interp(np.sqrt(years), np.sqrt(at), values)

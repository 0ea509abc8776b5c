"""Plots of a fitted log: each pack's share day by day against its control limits."""

from __future__ import annotations

import pandas as pd
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from simbank.plotting.plots import INK, PALETTE, new_figure, styled

__all__ = ["plot_log"]

ACROSS = 3  # panels in a row


@styled
def plot_log(shares: pd.DataFrame, title: str, since: int | None = None) -> Figure:
    """How far the share of each pack is from the fitted bank's, day by day, with its moving average and control limits; a panel a pack.

    Parameters
    ----------
    shares : DataFrame
        Of :func:`simbank.fit_log`: ``number``, ``pack``, ``off_percent``, ``ewma_percent``, ``limit_percent``.
    title : str
        Stands above it.
    since : int, optional
        First day of a change.

    Returns
    -------
    matplotlib.figure.Figure
    """
    packs = list(dict.fromkeys(shares["pack"]))
    down = -(-len(packs) // ACROSS)
    fig, axes = new_figure(down, min(ACROSS, len(packs)), (9.6, 0.9 + 2.5 * down))
    panels = list(axes.ravel())
    top = float(max(shares["off_percent"].abs().max(), shares["limit_percent"].max(), 0.5)) * 1.15
    for axis, pack in zip(panels, packs, strict=False):
        rows = shares[shares["pack"] == pack]
        axis.fill_between(
            rows["number"], -rows["limit_percent"], rows["limit_percent"], color=PALETTE[4], alpha=0.22, linewidth=0,
            label="control limits of the average",
        )  # fmt: skip
        axis.plot(rows["number"], rows["off_percent"], "o", color=PALETTE[2], markersize=4.5, label="a day")
        axis.plot(rows["number"], rows["ewma_percent"], "-", color=PALETTE[1], label="moving average")
        axis.axhline(0.0, color=INK, linewidth=0.8)
        if since is not None:
            axis.axvline(since - 0.5, color=INK, linewidth=1.0, linestyle="--", label="change found")
        axis.set_title(pack)
        axis.set_ylim(-top, top)
        axis.xaxis.set_major_locator(MaxNLocator(8, integer=True))
        axis.set_ylabel("share off by [%]", color=INK)
        axis.set_xlabel("day", color=INK)
    for axis in panels[len(packs) :]:
        axis.set_visible(False)
    fig.legend(*panels[0].get_legend_handles_labels(), loc="outside lower center", ncols=4, frameon=False)
    fig.suptitle(title, x=0.01, ha="left", fontweight="bold", fontsize=11)
    return fig

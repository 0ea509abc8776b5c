"""Plots of readings: what was read of each pack against what it should be."""

from __future__ import annotations

import pandas as pd
from matplotlib.figure import Figure

from simbank.plotting.plots import INK, PALETTE, new_figure, styled

__all__ = ["plot_readings"]


@styled
def plot_readings(table: pd.DataFrame, suspect: str, title: str) -> Figure:
    """Share of the current of each pack, as read and as a sound bank and the first suspect would have it; a panel an instant.

    Parameters
    ----------
    table : DataFrame
        Of :func:`simbank.diagnose`: ``instant``, ``pack``, ``read_a``, ``sound_a``, ``suspect_a``, ``off_deviations``.
    suspect : str
        What the first suspect is called.
    title : str
        Stands above it.

    Returns
    -------
    matplotlib.figure.Figure
    """
    names = list(dict.fromkeys(table["instant"]))
    fig, axes = new_figure(len(names), 1, (8.6, 0.6 + 3.6 * len(names)))
    for axis, name in zip(axes.ravel(), names, strict=True):
        rows = table[table["instant"] == name]
        place = range(len(rows))
        # in shares of each one's own total, so that a meter that reads high all through does not look like a fault
        share = {column: rows[column] / rows[column].sum() * 100.0 for column in ("read_a", "sound_a", "suspect_a")}
        one = ((rows["read_a"] - rows["sound_a"]) / rows["off_deviations"].where(rows["off_deviations"].abs() > 1e-9)).abs()
        bar = (one / abs(rows["sound_a"].sum()) * 100.0).fillna(0.0)
        axis.errorbar(
            [x - 0.12 for x in place], share["sound_a"], yerr=bar, fmt="o", color=PALETTE[2], markersize=6, capsize=4,
            label="sound bank, one standard deviation",
        )  # fmt: skip
        axis.plot(
            [x + 0.12 for x in place],
            share["suspect_a"],
            "D",
            color=PALETTE[3],
            markersize=6,
            label=f"with the first suspect: {suspect[:60]}",
        )
        axis.plot(place, share["read_a"], "_", color=PALETTE[1], markersize=26, markeredgewidth=2.4, label="read")
        axis.set_xticks(list(place), list(rows["pack"]), rotation=0 if len(rows) <= 12 else 90)
        axis.set_xlim(-0.6, len(rows) - 0.4)
        axis.set_ylabel("share of the current [%]", color=INK)
        axis.set_title(title if len(names) == 1 else f"{title}: {name or 'first'}")
        axis.legend(frameon=False, fontsize=8.5, loc="best")
    return fig

"""Plots of studies of many runs: against C-rate, Monte Carlo bands, sensitivity, sizing."""

from __future__ import annotations

import numpy as np

from simbank.report.plots import INK, PALE, PALETTE, line_style, new_figure, styled

__all__ = ["plot_bands", "plot_c_rate", "plot_sensitivity", "plot_sizing"]

MARKS = "osD^vPX"


@styled
def plot_c_rate(table, key="duty.c_rate", by="wiring.layout"):
    """Spread, energy out and largest share ratio against C-rate, a line for each layout; returns the figure.

    ``table`` is from :func:`simbank.sweep`.
    """
    fig, axes = new_figure(1, 3, size=(12.0, 3.9))
    groups = list(table.groupby(by, sort=False)) if by in table else [("all", table)]
    for k, (name, rows) in enumerate(groups):
        rows = rows.sort_values(key)
        style = line_style(k, len(groups)) | {"marker": MARKS[k % len(MARKS)], "markersize": 5, "label": name}
        for axis, column, scale in zip(
            axes[0], ("spread_max_points", "energy_out_wh", "share_ratio_max"), (1, 1e-3, 1), strict=True
        ):
            axis.plot(rows[key], rows[column] * scale, **style)
    for axis, title, label in zip(
        axes[0],
        ("Largest spread", "Energy out", "Largest share ratio on discharge"),
        ("spread of SOC [points]", "energy out [kWh]", "share of current ÷ share of capacity"),
        strict=True,
    ):
        axis.set(title=title, ylabel=label, xlabel="C-rate of the bank", xscale="log")
        ticks = sorted(table[key].unique())
        axis.set_xticks(ticks, [f"{t:g}" for t in ticks])
        axis.minorticks_off()
        axis.set_ylim(bottom=1.0 if "share" in label else 0.0)
    axes[0][0].legend(frameon=False)
    return fig


@styled
def plot_bands(table, columns=("spread_max_points", "share_ratio_max", "c_rate_max", "energy_out_wh")):
    """How headline figures scatter over random runs: cumulative share, with the middle 50 and 90 % shaded; returns the figure."""
    names = {
        "spread_max_points": "largest spread [points]", "share_ratio_max": "largest share ratio",
        "c_rate_max": "peak C-rate of a pack",
        "energy_out_wh": "energy out [Wh]", "spread_end_points": "spread at end [points]",
    }  # fmt: skip
    shown = [c for c in columns if c in table and table[c].notna().any()]
    fig, axes = new_figure(1, len(shown), size=(3.3 * len(shown), 3.6), sharey=True)
    for axis, column in zip(axes[0], shown, strict=True):
        values = np.sort(table[column].dropna().to_numpy(float))
        share = (np.arange(len(values)) + 0.5) / len(values) * 100
        low, first, middle, third, high = np.percentile(values, [5, 25, 50, 75, 95])
        axis.axvspan(low, high, color="#e6e8ec", linewidth=0)
        axis.axvspan(first, third, color="#cfd6e4", linewidth=0)
        axis.plot(values, share, color=PALETTE[0], linewidth=1.6)
        axis.axvline(middle, color=PALETTE[1], linewidth=1.2)
        axis.set(xlabel=names.get(column, column), title=f"{middle:.3g}\n(90 %: {low:.3g} to {high:.3g})", ylim=(0, 100))
        axis.title.set_fontsize(9.5)
    axes[0][0].set_ylabel("runs at or below [%]")
    return fig


@styled
def plot_sensitivity(found):
    """Bars of first and total Sobol index for each key, largest above; returns the figure."""
    table = found.table.iloc[::-1].reset_index(drop=True)
    fig, ((axis,),) = new_figure(size=(8.6, 1.4 + 0.42 * len(table)))
    places = np.arange(len(table))
    for column, shift, colour, label in (("total", -0.18, PALETTE[4], "with others"), ("first", 0.18, PALETTE[0], "by itself")):
        value = table[column]
        spread = [np.maximum(0, value - table[f"{column}_low"]), np.maximum(0, table[f"{column}_high"] - value)]
        axis.barh(
            places + shift, value, 0.34, color=colour, label=label, xerr=spread, ecolor=INK, capsize=2, error_kw={"lw": 0.8}
        )
    axis.axvline(0, color=PALE)
    axis.set_yticks(places, table["key"])
    axis.grid(axis="y", visible=False)
    axis.set(xlabel="share of the variance it explains (bars: 95 %)", title=f"What moves {found.figure.replace('_', ' ')}")
    axis.legend(frameon=False, loc="lower right")
    return fig


@styled
def plot_sizing(found):
    """Copper against largest share ratio by layout; filled where it fits, crossed out where it may not carry its current or devices
    let too much pass; returns the figure."""
    table = found.table.dropna(subset=["share_ratio"]) if "share_ratio" in found.table else found.table.iloc[:0]
    fig, ((axis,),) = new_figure(size=(8.6, 4.8))
    crossed = False
    for k, (layout, rows) in enumerate(table.groupby("layout", sort=False)):
        colour, mark = PALETTE[k % len(PALETTE)], MARKS[k % len(MARKS)]
        axis.plot(rows["copper_kg"], rows["share_ratio"], color=colour, linewidth=1.0, zorder=1)
        for fits, face in ((True, colour), (False, "white")):
            part = rows[rows["fits"] == fits]
            axis.scatter(part["copper_kg"], part["share_ratio"], s=34, marker=mark, facecolor=face, edgecolor=colour, zorder=2)
        if "carries" in rows:
            burns = rows[rows["carries"].ne(True) | rows["protected"].eq(False)]
            axis.scatter(burns["copper_kg"], burns["share_ratio"], s=60, marker="x", color=INK, linewidth=1.0, zorder=3)
            crossed = crossed or len(burns) > 0
        axis.scatter([], [], marker=mark, color=colour, label=layout)
        for _, row in rows[rows["gauge"] == found.by_layout.get(layout)].iterrows():
            axis.annotate(
                row["gauge"], (row["copper_kg"], row["share_ratio"]), (5, 6), textcoords="offset points", color=colour, fontsize=9
            )
    if crossed:
        axis.scatter([], [], marker="x", color=INK, label="may not carry its current,\nor what devices let pass")
    if found.limits.share_ratio is not None:
        axis.axhline(found.limits.share_ratio, color=INK, linewidth=0.9, linestyle=(0, (4, 2)))
        axis.annotate(
            "limit", (1.0, found.limits.share_ratio), (-2, 3), xycoords=("axes fraction", "data"), textcoords="offset points",
            ha="right", fontsize=8.5,
        )  # fmt: skip
    axis.set(
        xscale="log",
        xlabel="copper in links or leads [kg]",
        ylabel="largest share ratio",
        title="Copper against sharing (filled: fits)" + (", ampacity and devices not looked at" if found.sharing_only else ""),
    )
    axis.legend(frameon=False)
    return fig

"""Plots of studies of many runs: against C-rate, Monte Carlo bands, sensitivity, sizing."""

from __future__ import annotations

import textwrap

import numpy as np

from simbank.report.plots import INK, PALETTE, line_style, new_figure, styled

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
    """Bars of first and total Sobol index for each key, largest above; returns the figure.

    Keys whose places the sample cannot tell apart are hatched, and their possible places stand beside their names; below, what the
    sample cannot tell, in words.
    """
    table = found.table.iloc[::-1].reset_index(drop=True)
    words = [line for text in found.words for line in textwrap.wrap(text, 112)]
    fig, ((axis,),) = new_figure(size=(8.6, 1.4 + 0.42 * len(table) + 0.17 * len(words)))
    rows = np.arange(len(table))
    hatch = ["" if told else "////" for told in table["told_apart"]]
    for column, shift, colour, label in (("total", 0.18, PALETTE[4], "with others"), ("first", -0.18, PALETTE[0], "by itself")):
        value = table[column]
        spread = [np.maximum(0, value - table[f"{column}_low"]), np.maximum(0, table[f"{column}_high"] - value)]
        axis.barh(
            rows + shift, value, 0.34, color=[colour if told else "white" for told in table["told_apart"]], edgecolor=colour, hatch=hatch,
            xerr=spread, ecolor=INK, capsize=2, error_kw={"lw": 0.8},
        )  # fmt: skip
        axis.barh([], [], color=colour, label=label)
    if not table["told_apart"].all():
        axis.barh([], [], color="white", edgecolor=INK, hatch="////", label="place not told apart")
    axis.axvline(0, color=INK, linewidth=0.8)
    places = [
        str(low) if low == high else f"{low} to {high}" for low, high in zip(table["place_low"], table["place_high"], strict=True)
    ]
    axis.set_yticks(rows, [f"{key}\nplace {place}" for key, place in zip(table["key"], places, strict=True)])
    axis.tick_params(axis="y", labelsize=8.5)
    axis.grid(axis="y", visible=False)
    axis.set(xlabel="share of the variance that it explains (lines: 95 %)", title=f"What moves {found.figure.replace('_', ' ')}")
    axis.legend(frameon=False, loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=3, borderaxespad=0.2, fontsize=8.5)
    fig.supxlabel("\n".join(words), fontsize=8.5, x=0.01, ha="left")
    return fig


@styled
def plot_sizing(found):
    """Copper against largest share ratio by layout; filled where all limits are kept; returns the figure."""
    table = found.table.dropna(subset=["share_ratio"]) if "share_ratio" in found.table else found.table.iloc[:0]
    fig, ((axis,),) = new_figure(size=(8.6, 4.8))
    for k, (layout, rows) in enumerate(table.groupby("layout", sort=False)):
        colour, mark = PALETTE[k % len(PALETTE)], MARKS[k % len(MARKS)]
        axis.plot(rows["copper_kg"], rows["share_ratio"], color=colour, linewidth=1.0, zorder=1)
        for fits, face in ((True, colour), (False, "white")):
            part = rows[rows["fits"] == fits]
            axis.scatter(part["copper_kg"], part["share_ratio"], s=34, marker=mark, facecolor=face, edgecolor=colour, zorder=2)
        axis.scatter([], [], marker=mark, color=colour, label=layout)
        for _, row in rows[rows["gauge"] == found.by_layout.get(layout)].iterrows():
            axis.annotate(
                row["gauge"], (row["copper_kg"], row["share_ratio"]), (5, 6), textcoords="offset points", color=colour, fontsize=9
            )
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
        title="Copper against sharing (filled: all limits kept)",
    )
    axis.legend(frameon=False)
    return fig

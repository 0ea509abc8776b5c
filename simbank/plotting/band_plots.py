"""Plots of bands: how far figures, states of charge and differences of layouts reach, what explains it, what a reading would narrow."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from simbank.digits import cells, percent
from simbank.errors import InputError
from simbank.plotting.plots import INK, PALE, PALETTE, new_figure, styled

__all__ = [
    "plot_drivers",
    "plot_figure_bands",
    "plot_layout_bands",
    "plot_measure_first",
    "plot_paired",
    "plot_soc_bands",
    "plot_spread_band",
]

BLUE, RED, SHADE, BAR = PALETTE[4], PALETTE[1], "#b9d3ea", "#cfd6e4"
MOST_PANELS = 6  # of packs; what is in the others stands in their table
MOST_BARS = 8
DAY_H, LONG_H = 24.0, 36.0  # of a longer run the day on which packs are furthest apart is shown
KEY = "shaded: nine draws of ten; line: the middle one"


def _key(figure, text):
    figure.supxlabel(text, fontsize=8.5, x=0.01, ha="left")


@styled
def plot_soc_bands(soc: pd.DataFrame) -> Figure:
    """State of charge over time, a panel for each pack: 5 to 95 % of the draws shaded, their middle as a line, other packs' in grey.

    Parameters
    ----------
    soc : DataFrame
        Index ``time_s``, columns (pack, quantile) with ``low``, ``mid``, ``high``; 0 to 1. Of more than six packs the first and the last
        in the row are shown, and those whose middle goes highest and lowest.
    """
    packs = list(dict.fromkeys(soc.columns.get_level_values(0)))
    middle = {pack: soc[pack]["mid"].to_numpy() * 100.0 for pack in packs}
    shown = _chosen(packs, middle)
    columns = min(3, len(shown))
    rows = math.ceil(len(shown) / columns)
    fig, axes = new_figure(rows, columns, size=(8.6, 0.9 + (2.4 if rows > 1 else 3.2) * rows), sharex=True, sharey=True)
    hours, day = soc.index.to_numpy(float) / 3600.0, ""
    begin, end = hours[0], hours[-1]
    if end - begin > LONG_H and len(packs) > 1:
        most = hours[int(_apart(middle).argmax())]
        begin = min(DAY_H * (most // DAY_H), end - DAY_H)
        end, day = begin + DAY_H, f"; hours {begin:.0f} to {begin + DAY_H:.0f} of {end:.0f}, with the largest spread"
    for axis, pack in zip(axes.flat, shown, strict=False):
        for other in packs:
            if other != pack:
                axis.plot(hours, middle[other], color=PALE, linewidth=0.7, zorder=1)
        axis.fill_between(hours, soc[pack]["low"] * 100.0, soc[pack]["high"] * 100.0, color=SHADE, linewidth=0, zorder=2)
        axis.plot(hours, middle[pack], color=PALETTE[0], linewidth=1.6, zorder=3)
        axis.set_title(pack, fontsize=10)
        axis.set_xlim(begin, end)
    for axis in axes.flat[len(shown) :]:
        axis.set_visible(False)
    for k, axis in enumerate(axes.flat[: len(shown)]):
        if k % columns == 0:
            axis.set_ylabel("state of charge [%]" if rows == 1 else "SOC [%]")
        if k + columns >= len(shown):
            axis.set_xlabel("time [h]")
            axis.tick_params(labelbottom=True)
    grey = "; grey: the middle of the other packs" if len(packs) > 1 else ""
    some = f". {len(shown)} of {len(packs)} packs: both ends of the row, highest and lowest" if len(shown) < len(packs) else ""
    _key(fig, "\n".join(textwrap.wrap(f"{KEY}{grey}{day}{some}", 112)))
    return fig


def _apart(middle):
    """How far the middles of all packs lie apart, at each time [points]."""
    return np.ptp(np.stack(list(middle.values())), axis=0)


def _chosen(packs, middle):
    """Packs that are shown: all, or both ends of the row and those whose middle goes highest and lowest."""
    if len(packs) <= MOST_PANELS:
        return packs
    at = int(_apart(middle).argmax())
    order = sorted(packs, key=lambda pack: middle[pack][at])
    wanted = dict.fromkeys([packs[0], packs[-1], order[-1], order[0], order[-2], order[1], *packs])
    kept = list(wanted)[:MOST_PANELS]
    return [pack for pack in packs if pack in kept]


@styled
def plot_spread_band(spread: pd.DataFrame) -> Figure:
    """Largest less smallest state of charge over time: 5 to 95 % of the draws shaded, their middle as a line.

    Parameters
    ----------
    spread : DataFrame
        Index ``time_s``, columns ``low``, ``mid``, ``high`` [points].
    """
    fig, ((axis,),) = new_figure(size=(8.6, 3.8))
    hours = spread.index.to_numpy(float) / 3600.0
    axis.fill_between(hours, spread["low"], spread["high"], color=SHADE, linewidth=0)
    axis.plot(hours, spread["mid"], color=PALETTE[0], linewidth=1.6)
    at = int(spread["mid"].to_numpy().argmax())
    low, mid, high = (float(spread[name].iloc[at]) for name in ("low", "mid", "high"))
    right = hours[at] > 0.6 * hours[-1]
    axis.annotate(
        f"{mid:.0f} points ({low:.0f} to {high:.0f})", (hours[at], high), (-6 if right else 6, 8), textcoords="offset points",
        ha="right" if right else "left", fontsize=9, fontweight="bold", color=PALETTE[0],
    )  # fmt: skip
    axis.vlines(hours[at], low, high, color=PALETTE[0], linewidth=1.0, linestyle=(0, (2, 1.5)))
    axis.set(
        xlabel="time [h]", ylabel="fullest less emptiest pack [points]", xlim=(hours[0], hours[-1]),
        ylim=(0, max(1.0, 1.15 * float(spread["high"].max()))), title="Spread of state of charge",
    )  # fmt: skip
    _key(fig, KEY)
    return fig


@styled
def plot_figure_bands(table: pd.DataFrame, words: Mapping[str, str]) -> Figure:
    """A bar for each figure from low to high, on a scale of its own: the middle as a stroke, the file's own value as a diamond.

    Parameters
    ----------
    table : DataFrame
        Index ``figure``, columns ``low``, ``mid``, ``high``, ``file``; a time that is never is infinite, and NaN what never happens.
    words : dict of str to str
        Figures to show, and what a person calls them.

    Raises
    ------
    InputError
        If no figure has a value.
    """
    shown = [
        name
        for name in words
        if name in table.index and math.isfinite(table.loc[name, "low"]) and _reaches(name, table.loc[name])
    ]
    if not shown:
        raise InputError("no figure has a value to show", key="figure")
    fig, axes = new_figure(len(shown), 1, size=(8.6, 1.0 + 0.62 * len(shown)))
    for axis, name in zip(axes[:, 0], shown, strict=True):
        _figure_band(axis, name, table.loc[name], words[name])
    keys = [
        Patch(color=SHADE, label="nine draws of ten (5 to 95 %)"),
        Line2D([], [], color=PALETTE[0], linewidth=2.2, label="the middle draw"),
        Line2D([], [], color=RED, marker="D", linestyle="none", markersize=6, label="by the file"),
    ]
    fig.legend(handles=keys, loc="outside lower center", ncols=3, frameon=False, fontsize=8.5)
    fig.suptitle("How far each figure reaches, each on a scale of its own", fontsize=11, fontweight="bold", x=0.01, ha="left")
    return fig


def _reaches(name, row):
    """Whether low and high read apart."""
    low, high = cells(name, [row["low"], row["high"]])
    return low != high


def _figure_band(axis, name, row, words):
    """One figure's bar."""
    values = [float(row[key]) for key in ("low", "mid", "high", "file")]
    known = [value for value in values if math.isfinite(value)]
    least, most = min(known), max(known)
    wide = max(most - least, 1e-9 * max(abs(most), 1.0), 1e-12)
    never = least + 1.25 * wide  # where a time that is never stands
    low, mid, high, file = (value if math.isfinite(value) else never for value in values)
    texts = [text.strip() for text in cells(name, values)]
    axis.barh(
        0, high - low, 0.62, left=low, color=SHADE, hatch="//" if math.isinf(values[2]) else None, edgecolor="white", linewidth=0
    )
    axis.vlines(mid, -0.31, 0.31, color=PALETTE[0], linewidth=2.2)
    if not math.isnan(values[3]):
        axis.plot(file, 0, "D", color=RED, markersize=6, markeredgecolor="white", clip_on=False)
    axis.set(xlim=(least - 0.42 * wide, max(most, never if math.inf in values else most) + 0.42 * wide), ylim=(-0.5, 0.5))
    axis.annotate(texts[0], (low, 0), (-5, 0), textcoords="offset points", ha="right", va="center", fontsize=9)
    axis.annotate(texts[2], (max(high, file), 0), (7, 0), textcoords="offset points", ha="left", va="center", fontsize=9)
    axis.set_yticks([0], [f"{words}\nmiddle {texts[1]}"], fontsize=9)
    axis.tick_params(axis="y", length=0)
    axis.set_xticks([])
    axis.grid(visible=False)
    for side in axis.spines.values():
        side.set_visible(False)


@styled
def plot_layout_bands(layouts: Mapping[str, pd.DataFrame], words: Mapping[str, str]) -> Figure:
    """A panel for each figure, a bar for each layout from low to high, the middle as a stroke, the file's own value as a diamond.

    Parameters
    ----------
    layouts : dict of str to DataFrame
        For each layout a table as of :func:`plot_figure_bands`.
    words : dict of str to str
        Figures to show, and what a person calls them.
    """
    names = list(layouts)
    fig, axes = new_figure(1, len(words), size=(8.6, 1.3 + 0.36 * len(names)), sharey=True)
    for axis, (figure, called) in zip(axes[0], words.items(), strict=True):
        for k, name in enumerate(names):
            row = layouts[name].loc[figure]
            if math.isfinite(row["low"]):
                axis.barh(-k, row["high"] - row["low"], 0.6, left=row["low"], color=SHADE)
                axis.vlines(row["mid"], -k - 0.3, -k + 0.3, color=PALETTE[0], linewidth=2.2)
                axis.plot(row["file"], -k, "D", color=RED, markersize=5.5, markeredgecolor="white")
        _room(axis, [layouts[name].loc[figure, end] for name in names for end in ("low", "high", "file")])
        axis.set(xlabel=called)
        axis.grid(visible=False, axis="y")
    axes[0][0].set_yticks([-k for k in range(len(names))], names)
    _key(fig, "bar: nine draws of ten; stroke: the middle draw; diamond: by the file")
    return fig


@styled
def plot_paired(paired: pd.DataFrame, best: Mapping[str, str], words: Mapping[str, str], sure: float) -> Figure:
    """By how much the best layout differs from every other in the same draws: right of zero it is the better one.

    Parameters
    ----------
    paired : DataFrame
        Columns ``layout``, ``other``, ``figure``, ``better``, ``worse``, ``low``, ``mid``, ``high``: by how much ``layout`` is better.
    best : dict of str to str
        For each figure the layout that the others are held against.
    words : dict of str to str
        Figures to show, and what a person calls them.
    sure : float
        Share of the draws below which nothing is settled: such a bar is hatched.

    Raises
    ------
    InputError
        If no two layouts have such a figure.
    """
    shown = [figure for figure in words if figure in set(paired["figure"])]
    if not shown:
        raise InputError("no two layouts to compare", key="figure")
    count = max(
        int(((paired["figure"] == f) & ((paired["layout"] == best[f]) | (paired["other"] == best[f]))).sum()) for f in shown
    )
    fig, axes = new_figure(1, len(shown), size=(8.6, 1.7 + 0.5 * count))
    for axis, figure in zip(axes[0], shown, strict=True):
        labels, first, ends = [], best[figure], [0.0]
        for k, row in enumerate(_against(paired, figure, first)):
            axis.barh(-k, row["high"] - row["low"], 0.5, left=row["low"], color=SHADE if row["better"] >= sure else "white",
                      edgecolor=BLUE, hatch=None if row["better"] >= sure else "///", linewidth=0.8)  # fmt: skip
            axis.vlines(row["mid"], -k - 0.25, -k + 0.25, color=PALETTE[0], linewidth=2.2)
            labels.append(f"than {row['other']}\nin {percent(row['better'])} of draws")
            ends += [row["low"], row["high"]]
        axis.axvline(0.0, color=INK, linewidth=1.0)
        _room(axis, ends)
        axis.set_yticks([-k for k in range(len(labels))], labels, fontsize=8.5)
        axis.grid(visible=False, axis="y")
        name, _, unit = words[figure].partition(" [")
        axis.set_title(f"{name[:1].upper()}{name[1:]}:\n{first} is better …", fontsize=10)
        axis.set_xlabel(f"by so much{f' [{unit}' if unit else ''} (left of 0: worse)")
    _key(fig, "bar: nine draws of ten, the same draws under both layouts; stroke: the middle draw; hatched: not settled")
    return fig


def _room(axis, values):
    """Limits of an axis with room beside the outermost of some values, and few numbers along it."""
    known = [value for value in values if math.isfinite(value)]
    wide = max(known, default=1.0) - min(known, default=0.0) or 1.0
    axis.set_xlim(min(known, default=0.0) - 0.06 * wide, max(known, default=1.0) + 0.06 * wide)
    axis.locator_params(axis="x", nbins=4)  # more numbers would overlap in half the width of a page


def _against(paired, figure, best):
    """Rows of a figure, each as seen from the best layout."""
    for row in paired[paired["figure"] == figure].to_dict("records"):
        if row["layout"] == best:
            yield row
        elif row["other"] == best:
            turned = {
                "other": row["layout"],
                "better": row["worse"],
                "low": -row["high"],
                "mid": -row["mid"],
                "high": -row["low"],
            }
            yield row | turned


@styled
def plot_drivers(
    table: pd.DataFrame,
    figures: Sequence[str],
    words: Mapping[str, str],
    values: Mapping[str, str],
    together: Mapping[str, float],
) -> Figure:
    """What explains each figure: bars of shares of its variance, with intervals, largest above; a sign says which way it goes.

    Parameters
    ----------
    table : DataFrame
        Columns ``key``, ``figure``, ``share``, ``low``, ``high``, ``sign``, ``told``.
    figures : sequence of str
        Those to show, a panel each.
    words, values : dict of str to str
        What a person calls figures and values.
    together : dict of str to float
        Share of its variance that is explained in all, by figure.

    Raises
    ------
    InputError
        If nothing can be told from a value without bearing.
    """
    parts = {figure: table[(table["figure"] == figure) & table["told"]].head(MOST_BARS) for figure in figures}
    parts = {figure: part for figure, part in parts.items() if len(part)}
    if not parts:
        raise InputError("no value can be told from one without bearing", key="figure")
    heights = [len(part) + 1.2 for part in parts.values()]
    fig, axes = new_figure(len(parts), 1, size=(8.6, 0.9 + 0.36 * sum(heights)), height_ratios=heights, sharex=True)
    for axis, (figure, part) in zip(axes[:, 0], parts.items(), strict=True):
        share, rows = part["share"].to_numpy() * 100.0, -np.arange(len(part))
        ends = [np.maximum(share - part["low"] * 100.0, 0.0), np.maximum(part["high"] * 100.0 - share, 0.0)]
        axis.barh(rows, share, 0.6, color=SHADE, xerr=ends, ecolor=INK, capsize=2.5, error_kw={"lw": 0.9})
        axis.set_yticks(rows, ["\n".join(textwrap.wrap(values.get(key, key), 44)) for key in part["key"]], fontsize=8.5)
        for place, end, sign in zip(rows, part["high"], part["sign"], strict=True):
            axis.annotate(
                "grows with it" if sign > 0 else "falls with it" if sign < 0 else "", (100.0 * end, place), (6, 0),
                textcoords="offset points", va="center", fontsize=8, color="#565c66",
            )  # fmt: skip
        name = words[figure].partition(" [")[0]
        axis.set_title(f"What explains the {name} (all values together: {100.0 * together[figure]:.0f} %)", fontsize=10)
        axis.grid(visible=False, axis="y")
        axis.margins(x=0.2)
    axes[-1, 0].set(xlabel="share of the figure's variance that the value explains [%] (lines: 95 % intervals)", xlim=(0, None))
    _key(fig, "beside each bar: whether the figure grows or falls with the value")
    return fig


@styled
def plot_measure_first(table: pd.DataFrame, figure: str, words: str) -> Figure:
    """How far each reading would narrow a figure: its band now, hatched, above the band after each reading.

    Parameters
    ----------
    table : DataFrame
        Columns ``what``, ``where``, ``figure``, ``from_low``, ``from_high``, ``to_low``, ``to_high``, ``told``; NaN: never.
    figure : str
        The one that is shown.
    words : str
        What a person calls it.

    Raises
    ------
    InputError
        If no reading narrows it by more than chance, or its band has no end.
    """
    part = table[(table["figure"] == figure) & table["told"]].head(MOST_BARS)
    if not len(part) or not np.isfinite(part[["from_low", "from_high"]].to_numpy(float)).all():
        raise InputError("no reading narrows it by more than chance", key="figure", value=figure)
    first = part.iloc[0]
    bars = [("as the bank is known now", first["from_low"], first["from_high"])]
    bars += [(f"{row.what} {row.where}", row.to_low, row.to_high) for row in part.itertuples()]
    fig, ((axis,),) = new_figure(size=(8.6, 1.3 + 0.46 * len(bars)))
    axis.axvspan(first["from_low"], first["from_high"], color="#f3f4f6", linewidth=0, zorder=0)
    wide = first["from_high"] - first["from_low"]
    for k, (_, low, high) in enumerate(bars):
        high_drawn = high if math.isfinite(high) else first["from_high"]
        style = {"color": "white", "edgecolor": INK, "hatch": "///", "linewidth": 0.8} if k == 0 else {"color": SHADE}
        axis.barh(-k, high_drawn - low, 0.56, left=low, **style)
        texts = [
            text.strip() if math.isfinite(value) else "never"
            for value, text in zip((low, high), cells(figure, [low, high]), strict=True)
        ]
        axis.annotate(texts[0], (low, -k), (-4, 0), textcoords="offset points", ha="right", va="center", fontsize=8.5)
        axis.annotate(texts[1], (high_drawn, -k), (4, 0), textcoords="offset points", ha="left", va="center", fontsize=8.5)
    axis.set_yticks([-k for k in range(len(bars))], ["\n".join(textwrap.wrap(name, 40)) for name, _, _ in bars], fontsize=8.5)
    axis.set(xlim=(first["from_low"] - 0.2 * wide, first["from_high"] + 0.2 * wide), xlabel=f"{words}: nine draws of ten")
    axis.set_title(f"Measure first, to narrow the {words.partition(' [')[0]}", fontsize=11)
    axis.grid(visible=False, axis="y")
    _key(fig, "after a reading: the band if it comes out in its middle")
    return fig

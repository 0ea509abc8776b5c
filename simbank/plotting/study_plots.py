"""Plots of studies of many runs: any sweep against its keys, bands of random draws, sensitivity, sizing."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from simbank.errors import InputError
from simbank.filemodel import nearest
from simbank.plotting.plots import INK, PALETTE, line_style, new_figure, styled

__all__ = ["plot_bands", "plot_sensitivity", "plot_sizing", "plot_sweep", "swept_keys"]

MARKS = "osD^vPX"
_QUANTITY = re.compile(r"^\s*([-+]?[0-9]*\.?[0-9]+(?:[eE][-+]?[0-9]+)?)\s*([^\s0-9].*?)\s*$")


NAMES = {
    "spread_max_points": "largest spread [points]", "spread_end_points": "spread at end [points]",
    "share_ratio_max": "largest share ratio on discharge", "share_ratio_min": "smallest share ratio on discharge",
    "c_rate_max": "peak C-rate of a pack", "energy_out_wh": "energy out [Wh]", "energy_in_wh": "energy in [Wh]",
    "charge_out_ah": "charge out [Ah]", "throughput_ah": "throughput of all packs [Ah]",
    "conductor_loss_wh": "lost in conductors [Wh]", "pack_loss_wh": "lost in packs [Wh]",
    "port_voltage_min_v": "lowest port voltage [V]", "port_voltage_max_v": "highest port voltage [V]",
    "years_to_80": "years until the first pack has 80 %", "capacity_left_min": "least capacity left at the end",
    "usable_wh": "usable at the end [Wh]", "capacity_spread": "capacity spread at the end", "unmet_wh": "unmet in all years [Wh]",
    "capacity_spread_start": "capacity spread when they came together", "resistance_spread": "resistance spread at the end",
    "asked_wh": "asked in all years [Wh]", "first_pack": "first",
}  # fmt: skip
USUAL = ("spread_max_points", "energy_out_wh", "share_ratio_max")
USUAL_OF_YEARS = ("years_to_80", "capacity_left_min", "usable_wh")
MOST_FACETS = 8
RUN = "run (row of the table)"


def swept_keys(table: pd.DataFrame) -> tuple[list[str], list[str]]:
    """Keys of a sweep's table that vary: (of its grid or list, drawn).

    ``table.attrs`` tells which are which. Of a table read from a CSV the keys are the columns before the figures; those with a value
    of its own in most rows count as drawn.
    """
    if "fixed_keys" in table.attrs:
        fixed, drawn = table.attrs["fixed_keys"], table.attrs["drawn_keys"]
    else:
        ends = [k for k, column in enumerate(table) if column in NAMES or column == "integrator"]
        keys = list(table)[: ends[0] if ends else 0]
        drawn = [k for k in keys if table[k].nunique() > max(MOST_FACETS, 0.5 * len(table))]
        fixed = [k for k in keys if k not in drawn]
    return [key for key in fixed if key in table and len(_values(table[key])) > 1], [key for key in drawn if key in table]


def _scale(values):
    """Distinct values of a key along an axis: (number of each, or None if they have no common scale; unit).

    Numbers are numbers; texts of a number and one unit, such as "0.5 milliohm", are numbers of that unit. Sizes such as "2/0 AWG"
    have no scale: they stand side by side in the order of the sweep.
    """
    if all(isinstance(v, (int, float)) and not isinstance(v, bool) for v in values):
        return {v: float(v) for v in values}, ""
    out, units = {}, set()
    for value in values:
        match = _QUANTITY.match(value) if isinstance(value, str) else None
        if not match or match[2].upper() in ("AWG", "KCMIL"):
            return None, ""
        out[value] = float(match[1])
        units.add(match[2])
    return (out, units.pop()) if len(units) == 1 else (None, "")


def _values(column):
    return list(dict.fromkeys(v.item() if hasattr(v, "item") else v for v in column))


def _choose(table, x, by, figure):
    """Key along the axis, key of the lines, keys of the rows of panels, columns; what was not chosen as it comes."""
    fixed, drawn = swept_keys(table)
    for option, key in (("x", x), ("by", by)):
        if key is not None and key not in [*fixed, *drawn]:
            raise InputError(f"not a key that varies in this sweep; {nearest(key, [*fixed, *drawn])}", key=option, value=key)
    if by is not None and by not in fixed:
        raise InputError("drawn at random: every run has its own; choose it as x", key="by", value=by)
    numeric = [column for column in table if column not in [*fixed, *drawn] and pd.api.types.is_numeric_dtype(table[column])]
    if figure is not None and figure not in numeric:
        raise InputError(f"no such figure; {nearest(figure, numeric)}", key="figure", value=figure)
    if x is None:
        free = [key for key in fixed if key != by]
        x = next((key for key in free if _scale(_values(table[key]))[0] is not None), None) or next(iter([*free, *drawn]), None)
    if x is None:
        raise InputError("nothing varies in this sweep", key="x")
    rest = [key for key in fixed if key not in (x, by)]
    if by is None and rest:
        by = next((key for key in rest if table[key].nunique(dropna=False) <= len(MARKS)), None)
        rest = [key for key in rest if key != by]
    usual = [column for column in (*USUAL, *USUAL_OF_YEARS) if column in numeric and table[column].notna().any()]
    return x, by, rest, [figure] if figure else usual


@styled
def plot_sweep(table: pd.DataFrame, x: str | None = None, by: str | None = None, figure: str | None = None) -> Figure:
    """Figures of a sweep against one of its keys; what differs in another key is another line or another row of panels.

    Where values are drawn at random there is a dot for each run, or, against a key of the grid, the middle of the runs with the band
    of 90 % of them. A list of points that is no grid is shown run by run.

    Parameters
    ----------
    table : DataFrame
        From :func:`simbank.sweep`.
    x : str, optional
        Key along the axis; by default the first with numbers.
    by : str, optional
        Key whose values are lines of their own; by default the next one. The others are rows of panels.
    figure : str, optional
        Column to show; by default largest spread, energy out and largest share ratio; of years, those until the first pack has 80 %, the
        least capacity left, and usable energy at the end.

    Returns
    -------
    matplotlib.figure.Figure

    Raises
    ------
    InputError
        If the key does not vary, there is no such column, or no run gave a figure.
    """
    x, by, rest, columns = _choose(table, x, by, figure)
    rows = table[table["failure"].isna()] if "failure" in table else table
    unset = [key for key in swept_keys(table)[0] if rows[key].isna().any()]  # a list may leave a key as it is in the file
    rows = rows.assign(**{key: rows[key].astype(object).where(rows[key].notna(), "as in the file") for key in unset})
    columns = [column for column in columns if column in rows and rows[column].notna().any()]
    if not columns:
        raise InputError("no run of this sweep gave a figure to show", key="figure", value=figure)
    drawn = swept_keys(table)[1]
    facets = list(rows.groupby(rest, sort=False, dropna=False)) if rest else [((), rows)]
    if len(facets) > MOST_FACETS and len(rows) < 2 * len(facets):  # a list, no grid: nothing but the run is common
        rows = rows.assign(**{RUN: [str(k + 1) for k in rows.index]})
        x, by, rest, facets = RUN, None, [], [((), rows)]
    shown = facets[:MOST_FACETS]
    size = (max(6.4, 4.1 * len(columns)), 0.9 + 3.0 * len(shown))
    fig, axes = new_figure(len(shown), len(columns), size=size, sharex=True, sharey="col")
    lines = _values(rows[by]) if by else [None]
    scale, unit = _scale(_values(rows[x])) if x != RUN else (None, "")
    places = scale or {value: k for k, value in enumerate(_values(rows[x]))}
    for (named, part), row in zip(shown, axes, strict=True):
        for axis, column in zip(row, columns, strict=True):
            for k, line in enumerate(lines):
                own = part if by is None else part[part[by] == line]
                _draw_line(axis, own, column, x, places, scale is not None, bool(drawn), k, len(lines), line)
            axis.set_ylabel(NAMES.get(column, column))
        if rest:
            told = ", ".join(f"{_short(key)} = {value}" for key, value in zip(rest, named, strict=True))
            row[0].set_title(told, fontsize=9.5)
    for axis in axes[-1]:
        axis.set_xlabel(_short(x) + (f" [{unit}]" if unit else ""))
        _ticks(axis, places, scale is not None)
    for axis, column in zip(axes[0], columns, strict=True):
        values = rows[column].to_numpy(float)
        least, most = np.nanmin(values), np.nanmax(values)
        floor = 1.0 if column == "share_ratio_max" else 0.0
        if floor <= least < 0.7 * most or (floor == 1.0 and least >= floor):
            axis.set_ylim(floor, floor + (most - floor) * 1.07 if most > floor else floor + 0.1)
    note = f"{len(rows)} runs"
    if len(facets) > len(shown):
        note += f"; {len(shown)} of {len(facets)} combinations of {', '.join(map(_short, rest))} are shown"
    if x in drawn and len(drawn) > 1:
        note += "; the other drawn keys differ from dot to dot"
    if drawn and x not in drawn:
        note += "; line: middle of the draws, band: 90 % of them"
    fig.suptitle(note, fontsize=10, x=0.01, ha="left")
    if by:
        keys = [Line2D([], [], **_style(k, len(lines), scale is not None), label=str(line)) for k, line in enumerate(lines)]
        fig.legend(
            handles=keys, title=_short(by), loc="outside lower center", ncols=min(len(lines), 4), frameon=False, handlelength=3.5
        )
    return fig


def _short(key):
    if key == "duty.c_rate":
        return "C-rate of the bank"
    return key.removeprefix("wiring.").removeprefix("duty.")


def _style(k, n, joined):
    return line_style(k, n) | {"marker": MARKS[k % len(MARKS)], "markersize": 5} | ({} if joined else {"linestyle": "none"})


def _draw_line(axis, rows, column, x, places, numeric, drawn, k, n, label):
    """One line of one panel: points joined where the axis has a scale; of draws a cloud, or their middle and band."""
    rows = rows[rows[column].notna()]
    at = np.array([places[v.item() if hasattr(v, "item") else v] for v in rows[x]], float)
    values = rows[column].to_numpy(float)
    style = _style(k, n, numeric)
    if not numeric:
        at = at + (k - (n - 1) / 2) * 0.5 / max(n, 2)
    order = np.argsort(at, kind="stable")
    at, values = at[order], values[order]
    apart = np.unique(at)
    if len(apart) == len(at) and not (drawn and len(at) > MOST_FACETS):
        axis.plot(at, values, **style, label=label)
    elif drawn and len(apart) < len(at):
        groups = [values[at == place] for place in apart]
        low, middle, high = (np.array([np.percentile(group, q) for group in groups]) for q in (5, 50, 95))
        if numeric:
            axis.fill_between(apart, low, high, color=style["color"], alpha=0.15, linewidth=0)
        else:
            axis.vlines(apart, low, high, color=style["color"], linewidth=1.2)
        axis.plot(apart, middle, **style, label=label)
    else:
        axis.plot(at, values, ".", color=style["color"], markersize=5, alpha=0.7, label=label)


def _ticks(axis, places, numeric):
    if not numeric:
        axis.set_xlim(-0.5, len(places) - 0.5)
        if len(places) <= 24:
            long = max(len(str(value)) for value in places) * len(places) > 60
            turned = {"rotation": 30, "ha": "right", "rotation_mode": "anchor"} if long else {}
            axis.set_xticks(list(places.values()), [str(value) for value in places], **turned)
        axis.grid(visible=False, axis="x")
        return
    at = sorted(places.values())
    if at[0] > 0 and at[-1] / at[0] >= 8 and len(at) > 2:
        axis.set_xscale("log")
        axis.minorticks_off()
    if len(at) <= 12:
        axis.set_xticks(at, [f"{tick:g}" for tick in at])
        axis.minorticks_off()


@styled
def plot_bands(
    table: pd.DataFrame,
    columns: Sequence[str] = ("spread_max_points", "share_ratio_max", "c_rate_max", "energy_out_wh", *USUAL_OF_YEARS),
) -> Figure:
    """How headline figures scatter over random runs: cumulative share; a line for each point of the grid, never pooled.

    With one line the middle 50 and 90 % are shaded. Returns the figure.
    """
    rows = table[table["failure"].isna()] if "failure" in table else table
    shown = [c for c in columns if c in rows and rows[c].notna().any()]
    if not shown:
        raise InputError("no run of this sweep gave a figure to show", key="figure")
    fixed = swept_keys(table)[0]
    groups = list(rows.groupby(fixed, sort=False, dropna=False)) if fixed else [((), rows)]
    drawn = groups[:MOST_FACETS]
    fig, axes = new_figure(1, len(shown), size=(max(6.4, 3.3 * len(shown)), 3.9 if fixed else 3.6), sharey=True)
    for axis, column in zip(axes[0], shown, strict=True):
        for k, (_, part) in enumerate(drawn):
            values = np.sort(part[column].dropna().to_numpy(float))
            if not len(values):
                continue
            share = (np.arange(len(values)) + 0.5) / len(values) * 100
            low, first, middle, third, high = np.percentile(values, [5, 25, 50, 75, 95])
            if not fixed:
                axis.axvspan(low, high, color="#e6e8ec", linewidth=0)
                axis.axvspan(first, third, color="#cfd6e4", linewidth=0)
                axis.axvline(middle, color=PALETTE[1], linewidth=1.2)
                axis.set_title(f"{middle:.3g}\n(90 %: {low:.3g} to {high:.3g})", fontsize=9.5)
            axis.plot(values, share, **line_style(k, len(drawn)))
        axis.set(xlabel=NAMES.get(column, column), ylim=(0, 100))
    axes[0][0].set_ylabel("runs at or below [%]")
    if fixed:
        told = [", ".join(f"{_short(key)} = {value}" for key, value in zip(fixed, named, strict=True)) for named, _ in drawn]
        keys = [Line2D([], [], **line_style(k, len(drawn)), label=text) for k, text in enumerate(told)]
        fig.legend(handles=keys, loc="outside lower center", ncols=2, frameon=False, handlelength=3.5, fontsize=8.5)
        if len(groups) > len(drawn):
            fig.suptitle(f"{len(drawn)} of {len(groups)} points of the grid are shown", fontsize=10, x=0.01, ha="left")
    return fig


@styled
def plot_sensitivity(found: Any) -> Figure:
    """Bars of first and total Sobol index for each key, largest above; returns the figure.

    Keys whose places the sample cannot tell apart are hatched, and their possible places stand beside their names; below, what the
    sample cannot tell, in words.
    """
    table = found.table.iloc[::-1].reset_index(drop=True)
    words = [line for text in found.words for line in textwrap.wrap(text, 112)]
    fig, ((axis,),) = new_figure(size=(8.6, 1.4 + 0.42 * len(table) + 0.17 * len(words)))
    rows = np.arange(len(table))
    keys = []
    hatch = ["" if told else "////" for told in table["told_apart"]]
    for column, shift, colour, label in (("total", 0.18, PALETTE[4], "with others"), ("first", -0.18, PALETTE[0], "by itself")):
        value = table[column]
        spread = [np.maximum(0, value - table[f"{column}_low"]), np.maximum(0, table[f"{column}_high"] - value)]
        axis.barh(
            rows + shift, value, 0.34, color=[colour if told else "white" for told in table["told_apart"]], edgecolor=colour, hatch=hatch,
            xerr=spread, ecolor=INK, capsize=2, error_kw={"lw": 0.8},
        )  # fmt: skip
        keys.append(Patch(color=colour, label=label))
    if not table["told_apart"].all():
        keys.append(Patch(facecolor="white", edgecolor=INK, hatch="////", label="place not settled"))
    axis.axvline(0, color=INK, linewidth=0.8)
    places = [
        str(low) if low == high else f"{low} to {high}" for low, high in zip(table["place_low"], table["place_high"], strict=True)
    ]
    axis.set_yticks(rows, [f"{key}\nplace {place}" for key, place in zip(table["key"], places, strict=True)])
    axis.tick_params(axis="y", labelsize=8.5)
    axis.grid(axis="y", visible=False)
    axis.set(xlabel="share of the variance that it explains (lines: 95 %)", title=f"What moves {found.figure.replace('_', ' ')}")
    axis.legend(
        handles=keys, frameon=False, loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=3, borderaxespad=0.2, fontsize=8.5
    )
    fig.supxlabel("\n".join(words), fontsize=8.5, x=0.01, ha="left")
    return fig


@styled
def plot_sizing(found: Any) -> Figure:
    """Copper against largest share ratio by layout.

    Filled where it fits, crossed out where it may not carry its current or devices let too much pass. Returns the figure.
    """
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

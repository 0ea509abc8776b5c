"""Plots of results: direct labels instead of legends, told apart by lightness and dash as well as by colour."""

from __future__ import annotations

import functools
from typing import Any

import matplotlib
import numpy as np
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from numpy.typing import ArrayLike

from simbank.cells.chemistry import Chemistry

__all__ = [
    "PALETTE",
    "plot_cell",
    "plot_comparison",
    "plot_current",
    "plot_drift",
    "plot_pulse_fit",
    "plot_soc",
    "plot_spread",
    "plot_throughput",
]

# Our own palette, chosen in CIE LCh: hues that stay apart for the common colour deficiencies, at rising lightness (L* from 16 to
# 82 in steps of eight or more) so that they stay apart in grey.
PALETTE = ["#03284f", "#88193c", "#046e60", "#b95e24", "#5090ca", "#c89d2f", "#d0a9da", "#a5d8b1"]
DASHES = ["-", (0, (6, 1.5)), (0, (3, 1.2)), (0, (7, 1.5, 1.5, 1.5)), (0, (1.2, 1.2)), (0, (4, 1.2, 1.2, 1.2, 1.2, 1.2))]
INK, PALE = "#22252b", "#b9bec7"
MOST_LABELS = 12
STYLE = {
    "font.size": 9.5, "axes.titlesize": 11, "axes.titleweight": "bold", "axes.titlelocation": "left", "axes.edgecolor": PALE,
    "axes.labelcolor": INK, "xtick.color": INK, "ytick.color": INK, "axes.spines.top": False, "axes.spines.right": False,
    "axes.grid": True, "grid.color": "#e6e8ec", "grid.linewidth": 0.7, "axes.axisbelow": True, "text.color": INK,
    "figure.dpi": 110, "savefig.dpi": 150, "axes.formatter.useoffset": False,
}  # fmt: skip


def styled(draw):
    """Draw under our style."""

    @functools.wraps(draw)
    def styled(*arguments, **options):
        with matplotlib.rc_context(STYLE):
            return draw(*arguments, **options)

    return styled


def new_figure(rows=1, columns=1, size=(8.6, 4.4), **options):
    figure = Figure(figsize=size, layout="constrained")
    return figure, figure.subplots(rows, columns, squeeze=False, **options)


def line_style(k, n):
    """Colour, dash and width of line ``k`` of ``n``: the palette for a few, a light-to-dark row for many."""
    if n <= len(PALETTE):
        return {"color": PALETTE[k], "linestyle": DASHES[k % len(DASHES)], "linewidth": 1.7}
    shade = 0.12 + 0.62 * k / (n - 1)
    return {
        "color": (shade * 0.9, shade * 0.95, min(1.0, shade * 1.1 + 0.1)),
        "linestyle": DASHES[k % len(DASHES)],
        "linewidth": 1.1,
    }


def label_ends(axis, x, ends):
    """Names at the right ends of lines, moved apart so that none covers another, each tied to its line.

    ``ends`` is a list of (name, y, colour). With many lines only the highest, lowest and middle are named.
    """
    ends = sorted(ends, key=lambda end: end[1])
    if len(ends) > MOST_LABELS:
        keep = {0, 1, len(ends) // 2, len(ends) - 2, len(ends) - 1}
        ends = [end for k, end in enumerate(ends) if k in keep]
    low, high = axis.get_ylim()
    height = axis.figure.get_size_inches()[1] * axis.get_subplotspec().get_position(axis.figure).height * 72
    gap = 11.5 / height * (high - low)
    places = np.array([end[1] for end in ends], float)
    for _ in range(200):  # push neighbours apart until all have room
        short = gap - np.diff(places)
        if not np.any(short > 1e-9 * (high - low)):
            break
        for k in np.flatnonzero(short > 0):
            places[k] -= short[k] / 2
            places[k + 1] += short[k] / 2
    places -= max(0.0, places[-1] - high) if len(places) else 0.0
    for (name, y, colour), place in zip(ends, places, strict=True):
        axis.annotate(
            name, (1.0, y), (1.03, place), xycoords=("axes fraction", "data"), textcoords=("axes fraction", "data"),
            va="center", ha="left", color=colour, fontweight="bold", fontsize=9, annotation_clip=False,
            arrowprops={"arrowstyle": "-", "color": PALE, "linewidth": 0.7, "shrinkA": 0, "shrinkB": 0},
        )  # fmt: skip
    axis.set_xlim(0, x)


def _hours(frame):
    return frame.index.to_numpy() / 3600.0


def _time_axis(axis, hours):
    """Label time in hours, or in days for a run of more than four."""
    axis.set_xlabel("time [h]")
    last = hours[-1] if len(hours) else 1.0
    if last > 96:
        step = 24.0 * max(1, round(last / 24 / 10))
        ticks = np.arange(0, last + 1e-6, step)
        axis.set_xticks(ticks, [f"{t / 24:g}" for t in ticks])
        axis.set_xlabel("time [days]")
    elif last > 24:
        axis.set_xticks(np.arange(0, last + 1e-6, 12 if last > 48 else 6))


def _lines(axis, hours, columns, named=True):
    """One labelled line per (name, values)."""
    ends = []
    for k, (name, values) in enumerate(columns):
        style = line_style(k, len(columns))
        axis.plot(hours, values, **style)
        ends.append((name, values[-1], style["color"]))
    axis.margins(x=0)
    if named and len(hours):
        label_ends(axis, hours[-1], ends)
    _time_axis(axis, hours)


def _title(result):
    return result.summary["scenario"]


@styled
def plot_soc(result: Any) -> Figure:
    """State of charge of each pack over time [%]."""
    figure, ((axis,),) = new_figure()
    soc = result.packs["soc"] * 100.0
    axis.set_ylim(-2, 102)
    _lines(axis, _hours(soc), [(name, soc[name].to_numpy()) for name in soc])
    axis.set_ylabel("state of charge [%]")
    axis.set_title(f"{_title(result)}: state of charge of each pack")
    return figure


@styled
def plot_spread(result: Any) -> Figure:
    """Largest minus smallest state of charge over time [points]."""
    figure, ((axis,),) = new_figure(size=(8.6, 3.2))
    spread = result.spread_points
    hours = _hours(spread)
    axis.plot(hours, spread, color=PALETTE[0], linewidth=1.7)
    axis.fill_between(hours, 0, spread, color=PALETTE[0], alpha=0.12, linewidth=0)
    axis.set_ylim(0, max(1.0, spread.max() * 1.15))
    axis.set_xlim(0, hours[-1])
    k = int(spread.to_numpy().argmax())
    axis.annotate(
        f"{spread.iloc[k]:.1f} points",
        (hours[k], spread.iloc[k]),
        (0, 6),
        textcoords="offset points",
        ha="center",
        fontweight="bold",
    )
    _time_axis(axis, hours)
    axis.set_ylabel("spread [points of SOC]")
    axis.set_title(f"{_title(result)}: fullest minus emptiest pack")
    return figure


@styled
def plot_current(result: Any) -> Figure:
    """Current of each pack over time, over the share it would carry in proportion to its capacity, a panel per pack.

    Of a bank of more than ten packs the ten with the largest peak C-rate are shown, and the title says so.
    """
    current, port = result.packs["current_a"], result.ports["current_a"].sum(axis=1)
    packs = result.summary["packs"]
    capacity = {pack["name"]: pack["capacity_ah"] for pack in packs}
    names = [pack["name"] for pack in packs]
    if len(names) > 10:
        chosen = set(sorted(names, key=lambda name: -next(p["c_rate_peak"] for p in packs if p["name"] == name))[:10])
        names = [name for name in names if name in chosen]
    figure, axes = new_figure(len(names), 1, size=(8.6, 1.0 + 1.15 * len(names)), sharex=True)
    hours = _hours(current)
    for axis, name in zip(axes[:, 0], names, strict=True):
        share = port.to_numpy() * capacity[name] / sum(capacity.values())
        axis.fill_between(hours, 0, share, color=PALE, alpha=0.55, linewidth=0, step=None)
        axis.plot(hours, current[name], color=PALETTE[0], linewidth=1.3)
        axis.axhline(0, color=INK, linewidth=0.5)
        axis.annotate(
            f"{name}\n{capacity[name]:.0f} Ah", (1.02, 0.5), xycoords="axes fraction", va="center", fontweight="bold", fontsize=9
        )
        axis.set_xlim(0, hours[-1])
    _time_axis(axes[-1, 0], hours)
    figure.supylabel("current [A], positive out of the pack", fontsize=9.5)
    few = "" if len(names) == len(packs) else f" (the {len(names)} of {len(packs)} packs with the highest peak C-rate)"
    axes[0, 0].set_title(f"{_title(result)}: line, what the pack carries; grey, its proportional share{few}")
    return figure


@styled
def plot_throughput(result: Any) -> Figure:
    """Throughput of each pack [Ah] as bars, with a mark at its share in proportion to capacity."""
    packs = result.summary["packs"]
    through = np.array([pack["throughput_ah"] for pack in packs])
    capacity = np.array([pack["capacity_ah"] for pack in packs])
    fair = through.sum() * capacity / capacity.sum()
    figure, ((axis,),) = new_figure(size=(max(5.5, 1.6 + 0.8 * len(packs)), 4.2))
    place = np.arange(len(packs))
    axis.bar(place, through, width=0.62, color=PALETTE[4], edgecolor=PALETTE[0], linewidth=0.8)
    axis.hlines(fair, place - 0.42, place + 0.42, color=INK, linewidth=2.2)
    if len(packs) <= 20:
        for x, value, target in zip(place, through, fair, strict=True):
            worth = f"{(value / target - 1) * 100:+.0f} %".replace("-", "−") if target > 0 else ""
            axis.annotate(
                worth, (x, max(value, target)), (0, 4), textcoords="offset points", ha="center", fontweight="bold", fontsize=9
            )
    axis.set_xticks(
        place, [f"{pack['name']}\n{pack['capacity_ah']:.0f} Ah" for pack in packs], rotation=90 if len(packs) > 20 else 0
    )
    axis.grid(visible=False, axis="x")
    axis.set_ylim(0, max(through.max(), fair.max()) * 1.15 or 1.0)
    axis.set_ylabel("throughput, in and out [Ah]")
    axis.set_title(f"{_title(result)}: throughput\nbar, what each pack moved; line, its share by capacity", fontsize=10.5)
    return figure


@styled
def plot_comparison(comparison: Any) -> Figure:
    """Spread over time, and each pack's share ratio on discharge, by layout."""
    names = list(comparison.results)
    figure, axes = new_figure(1, 2, size=(11.5, 4.6), width_ratios=[1.35, 1])
    left, right = axes[0]
    first = comparison.results[names[0]]
    spreads = {name: result.spread_points for name, result in comparison.results.items()}
    left.set_ylim(0, max(1.0, max(s.max() for s in spreads.values()) * 1.1))
    longest = max(spreads.values(), key=lambda s: s.index[-1])
    for k, name in enumerate(names):
        left.plot(_hours(spreads[name]), spreads[name], **line_style(k, len(names)))
    left.set_xlim(0, _hours(longest)[-1])
    _time_axis(left, _hours(longest))
    left.set_ylabel("spread [points of SOC]")
    left.set_title(f"{_title(first)}: spread by layout")
    packs = [pack["name"] for pack in first.summary["packs"]]
    rows = np.arange(len(packs))
    marks = "osD^vPX*"
    for k, name in enumerate(names):
        shares = [pack["share_ratio_discharge"] for pack in comparison.results[name].summary["packs"]]
        shares = np.array([np.nan if s is None else s for s in shares])
        style = line_style(k, len(names))
        offset = (k - (len(names) - 1) / 2) * 0.8 / max(len(names), 2)
        right.plot(shares, rows + offset, marks[k % len(marks)], color=style["color"], markersize=6.5)
    right.axvline(1.0, color=INK, linewidth=0.9)
    right.set_yticks(rows, packs)
    right.set_ylim(len(packs) - 0.5, -0.5)
    right.grid(visible=False, axis="y")
    for row in rows[1:]:
        right.axhline(row - 0.5, color="#e6e8ec", linewidth=0.7)
    right.set_xlabel("share of discharge ÷ share of capacity")
    right.set_title("1.00 is proportional")
    keys = [
        Line2D([], [], marker=marks[k % len(marks)], markersize=6.5, label=name, **line_style(k, len(names)))
        for k, name in enumerate(names)
    ]
    figure.legend(handles=keys, loc="outside lower center", ncols=len(names), frameon=False, handlelength=4)
    return figure


@styled
def plot_cell(chemistry: Chemistry) -> Figure:
    """Card of a chemistry: open-circuit voltage with both branches, its slope, resistance over charge and temperature."""
    figure, axes = new_figure(1, 3, size=(12.5, 4.0))
    volt, slope, ohm = axes[0]
    z = np.linspace(0, 1, 801)
    mid, half = chemistry.ocv(z), chemistry.half_width(z)
    volt.plot(z * 100, mid, color=PALETTE[0], linewidth=1.8)
    if half.max() > 0:
        volt.fill_between(z * 100, mid - half, mid + half, color=PALETTE[4], alpha=0.45, linewidth=0)
        near = np.searchsorted(z, 0.5)
        inset = volt.inset_axes((0.36, 0.12, 0.6, 0.42))
        window = (z > 0.25) & (z < 0.95)
        inset.plot(z[window] * 100, (mid + half)[window], color=PALETTE[3], linewidth=1.2)
        inset.plot(z[window] * 100, (mid - half)[window], color=PALETTE[2], linewidth=1.2, linestyle=DASHES[1])
        inset.annotate("after charge", (50, (mid + half)[near]), (0, 9), textcoords="offset points", ha="right", fontsize=7.5)
        inset.annotate("after discharge", (52, (mid - half)[near]), (2, -13), textcoords="offset points", fontsize=7.5)
        inset.tick_params(labelsize=7)
    volt.set_xlabel("state of charge [%]")
    volt.set_ylabel("open-circuit voltage of a cell [V]")
    figure.suptitle(chemistry.title or chemistry.name, fontsize=12, fontweight="bold", x=0.01, ha="left")
    volt.set_title("open circuit, both branches" if half.max() > 0 else "open circuit", fontsize=10)
    slope.semilogy(z * 100, chemistry.ocv.slope(z), color=PALETTE[0], linewidth=1.6)
    slope.set_xlabel("state of charge [%]")
    slope.set_ylabel("slope of the curve [V per unit SOC]")
    slope.set_title("low: packs drift apart; high: they hold together", fontsize=10)
    ends = []
    for k, celsius in enumerate((0.0, 25.0, 40.0)):
        style = line_style(k, 3)
        total = 1e3 * chemistry.typical_resistance_ohm(z, celsius + 273.15)
        ohm.plot(z * 100, total, **style)
        ends.append((f"{celsius:.0f} °C", total[-1], style["color"]))
    ohm.set_ylim(0, None)
    label_ends(ohm, 100, ends)
    ohm.set_xlabel("state of charge [%]")
    ohm.set_ylabel("R0 of a typical cell [mΩ]")
    ohm.set_title(f"a cell of {chemistry.typical.get('capacity_ah', float('nan')):g} Ah", fontsize=10)
    return figure


@styled
def plot_drift(drift: Any) -> Figure:
    """Change of open-circuit voltage over charge, and spread over time, by chemistry: same packs, wiring and current."""
    figure, axes = new_figure(1, 2, size=(11.5, 4.4), width_ratios=[1, 1.35])
    left, right = axes[0]
    names = list(drift.results)
    z = np.linspace(0.1, 0.95, 300)
    ends, tails = [], []
    for k, name in enumerate(names):
        style = line_style(k, len(names))
        pack = drift.results[name].scenario.bank.packs[0]
        volt = pack.cells_in_series * (pack.chemistry.ocv(z) - pack.chemistry.ocv(0.5))
        left.plot(z * 100, volt, **style)
        ends.append((name, volt[-1], style["color"]))
        spread = drift.results[name].spread_points
        right.plot(_hours(spread), spread, **style)
        bare = drift.without[name].spread_points
        right.plot(_hours(bare), bare, color=style["color"], linewidth=0.9, linestyle=(0, (1, 2)))
        tails.append((name, spread.iloc[-1], style["color"]))
    label_ends(left, 95, ends)
    left.set_xlim(10, 95)
    left.set_xlabel("state of charge [%]")
    left.set_ylabel("open-circuit voltage of a pack, less that at 50 % [V]")
    left.set_title("what pulls packs together\n(hysteresis, where there is any, keeps them apart)", fontsize=10)
    right.set_ylim(0, None)
    hours = _hours(drift.results[names[0]].spread_points)
    label_ends(right, hours[-1], tails)
    _time_axis(right, hours)
    right.set_ylabel("spread [points of SOC]")
    right.set_title("two hours of discharge, then rest\n(dotted: without hysteresis)", fontsize=10)
    return figure


@styled
def plot_pulse_fit(time_s: ArrayLike, measured_v: ArrayLike, fitted_v: ArrayLike) -> Figure:
    """Measured and fitted voltage of a pulse test, and what is left over."""
    figure, axes = new_figure(2, 1, size=(8.6, 5.2), sharex=True, height_ratios=[2.2, 1])
    top, bottom = axes[:, 0]
    top.plot(time_s, measured_v, ".", color=PALETTE[4], markersize=3, label="measured")
    top.plot(time_s, fitted_v, color=PALETTE[0], linewidth=1.2, label="fitted")
    top.legend(frameon=False)
    top.set_ylabel("voltage [V]")
    top.set_title("Pulse test: measured and fitted")
    bottom.plot(time_s, (np.asarray(measured_v) - fitted_v) * 1e3, color=PALETTE[3], linewidth=0.9)
    bottom.axhline(0, color=INK, linewidth=0.5)
    bottom.set_ylabel("left over [mV]")
    bottom.set_xlabel("time [s]")
    return figure

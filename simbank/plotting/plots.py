"""Plots of results: direct labels instead of legends, told apart by lightness and dash as well as by colour."""

from __future__ import annotations

import functools
import io
import textwrap
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
DPI = 150  # of what is written; on a screen 110
MOST_LABELS = 12
SAME_POINTS = 0.5  # of SOC: about the width of a line
LEAST_NIGHT_A = 0.01  # below which the currents of a night stand on a straight scale
SAME_CURRENT = 0.01  # of the largest current and of the largest capacity
MOST_PANELS, MOST_NIGHTS = 10, 4
SAME_NIGHT = 0.15  # currents of a night that differ by less than that share, or than 1.5 mA, are one line
STYLE = {
    "font.size": 9.5, "axes.titlesize": 11, "axes.titleweight": "bold", "axes.titlelocation": "left", "axes.edgecolor": PALE,
    "axes.labelcolor": INK, "xtick.color": INK, "ytick.color": INK, "axes.spines.top": False, "axes.spines.right": False,
    "axes.grid": True, "grid.color": "#e6e8ec", "grid.linewidth": 0.7, "axes.axisbelow": True, "text.color": INK,
    "figure.dpi": 110, "axes.formatter.useoffset": False,
}  # fmt: skip


def styled(draw):
    """Draw under our style."""

    @functools.wraps(draw)
    def styled(*arguments, **options):
        with matplotlib.rc_context(STYLE):
            return draw(*arguments, **options)

    return styled


class ShownFigure(Figure):
    """A figure that a notebook shows as it is, without pyplot, and that is written at :data:`DPI` unless another is asked for."""

    def savefig(self, fname: Any, **options: Any) -> None:
        """Write it; parameters as of :meth:`matplotlib.figure.Figure.savefig`."""
        super().savefig(fname, **{"dpi": DPI, **options})

    def _repr_png_(self) -> bytes:
        out = io.BytesIO()
        self.savefig(out, format="png", dpi=self.dpi)
        return out.getvalue()


def new_figure(rows=1, columns=1, size=(8.6, 4.4), **options):
    figure = ShownFigure(figsize=size, layout="constrained")
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


def label_ends(axis, x, ends, lines=1):
    """Names at the right ends of lines, moved apart so that none covers another, each tied to its line.

    ``ends`` is a list of (name, y, colour), a name of ``lines`` lines of text at most. With many only the highest, lowest and middle
    are named.
    """
    ends = sorted(ends, key=lambda end: end[1])
    if len(ends) * lines > MOST_LABELS:
        keep = {0, 1, len(ends) // 2, len(ends) - 2, len(ends) - 1}
        ends = [end for k, end in enumerate(ends) if k in keep]
    height = axis.figure.get_size_inches()[1] * axis.get_subplotspec().get_position(axis.figure).height * 72
    gap = 11.5 * lines / height
    axis.set_ylim(axis.get_ylim())
    to_axes = axis.transData - axis.transAxes  # heights as shares of the axis, whatever its scale
    places = np.array([to_axes.transform((x, end[1]))[1] for end in ends], float)
    for _ in range(200):  # push neighbours apart until all have room
        short = gap - np.diff(places)
        if not np.any(short > 1e-9):
            break
        for k in np.flatnonzero(short > 0):
            places[k] -= short[k] / 2
            places[k + 1] += short[k] / 2
    places -= max(0.0, places[-1] - 1.0) if len(places) else 0.0
    for (name, y, colour), place in zip(ends, places, strict=True):
        axis.annotate(
            name, (1.0, y), (1.03, place), xycoords=("axes fraction", "data"), textcoords="axes fraction",
            va="center", ha="left", color=colour, fontweight="bold", fontsize=9, annotation_clip=False,
            arrowprops={"arrowstyle": "-", "color": PALE, "linewidth": 0.7, "shrinkA": 0, "shrinkB": 0},
        )  # fmt: skip
    axis.set_xlim(0, x)


def coinciding(columns, tolerance):
    """Groups of columns that lie within ``tolerance`` of each other in every row, in the order of their first.

    Parameters
    ----------
    columns : ndarray, shape (m, n)
        A line each; what is no number is the same as anything.
    tolerance : float
        In the unit of the columns.

    Returns
    -------
    list of list of int

    Examples
    --------
    >>> coinciding(np.array([[1.0, 1.1, 3.0], [2.0, 2.0, 2.0]]), 0.2)
    [[0, 1], [2]]
    """
    groups, low, high = [], [], []
    for k, column in enumerate(np.asarray(columns, float).T):
        for g, group in enumerate(groups):
            lower, upper = np.minimum(low[g], column), np.maximum(high[g], column)
            if not np.any(upper - lower > tolerance):
                group.append(k)
                low[g], high[g] = lower, upper
                break
        else:
            groups.append([k])
            low.append(column)
            high.append(column)
    return groups


def names_of(group, names):
    """The names of a group's lines in one: "A, B", or "P2 to P7" where they are neighbours, or "P1, P3 and 4 more".

    >>> names_of([1, 2, 3, 4], ["P1", "P2", "P3", "P4", "P5"])
    'P2 to P5'
    """
    if len(group) <= 3:
        return ", ".join(names[k] for k in group)
    if group[-1] - group[0] == len(group) - 1:
        return f"{names[group[0]]} to {names[group[-1]]}"
    return f"{names[group[0]]}, {names[group[1]]} and {len(group) - 2} more"


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


def _grouped(frame, tolerance):
    """(names, values) of the lines of a table of time by pack, those that coincide as one."""
    names, values = list(frame), frame.to_numpy()
    return [(names_of(group, names), values[:, group[0]]) for group in coinciding(values, tolerance)]


def _title(result):
    return result.summary["scenario"]


@styled
def plot_soc(result: Any) -> Figure:
    """State of charge of each pack over time [%]; packs within :data:`SAME_POINTS` of each other all through are one line.

    Where packs have displays, what they show is dashed in the same colour.
    """
    figure, ((axis,),) = new_figure()
    soc = result.packs["soc"] * 100.0
    if result.has_displays:
        return _plot_displays(figure, axis, soc, result.packs["displayed_soc"] * 100.0, _title(result))
    axis.set_ylim(min(-2.0, soc.min(axis=None) - 2.0), max(102.0, soc.max(axis=None) + 2.0))
    lines = _grouped(soc, SAME_POINTS)
    _lines(axis, _hours(soc), lines)
    axis.set_ylabel("state of charge [%]")
    titled(axis, f"{_title(result)}: state of charge of each pack")
    if len(lines) < soc.shape[1]:
        note(axis, f"One line stands for packs that stay within {SAME_POINTS:g} points of each other all through.")
    return figure


def _plot_displays(figure, axis, soc, shown, title):
    """State of charge and what displays show [%] on one axis, a colour for each pack."""
    names, hours, ends = list(soc), _hours(soc), []
    pairs = np.vstack([soc.to_numpy(), shown.to_numpy()])
    groups = coinciding(pairs, SAME_POINTS)
    for g, group in enumerate(groups):
        colour, values = line_style(g, len(groups))["color"], shown[names[group[0]]].to_numpy()
        axis.plot(hours, soc[names[group[0]]], color=colour, linewidth=1.9)
        if np.isfinite(values).all():
            axis.plot(hours, values, color=colour, linewidth=1.1, linestyle=DASHES[2])
            ends.append((f"{names_of(group, names)} display", values[-1], colour))
    alike = coinciding(soc.to_numpy(), SAME_POINTS)
    for group in alike:
        g = next(g for g, other in enumerate(groups) if group[0] in other)
        colour = line_style(g, len(groups))["color"] if len(alike) == len(groups) else INK
        ends.append((names_of(group, names), soc[names[group[0]]].iloc[-1], colour))
    low, high = float(np.nanmin(pairs)), float(np.nanmax(pairs))
    axis.set_ylim(min(-2.0, low - 2.0), max(102.0, high + 2.0))
    axis.margins(x=0)
    if len(hours):
        label_ends(axis, hours[-1], ends)
    _time_axis(axis, hours)
    axis.set_ylabel("state of charge [%]")
    titled(axis, f"{title}: charge of each pack and its display")
    words = ["Solid: state of charge; dashed: what the display shows"]
    if len(alike) < len(names):
        words.append(f"One line stands for packs that stay within {SAME_POINTS:g} points of each other all through")
    note(axis, ". ".join(words) + ".")
    return figure


@styled
def plot_spread(result: Any) -> Figure:
    """Largest minus smallest state of charge over time [points]; where packs have displays, that of what they show is dashed."""
    figure, ((axis,),) = new_figure(size=(8.6, 3.2))
    spread = result.spread_points
    hours = _hours(spread)
    axis.plot(hours, spread, color=PALETTE[0], linewidth=1.7)
    axis.fill_between(hours, 0, spread, color=PALETTE[0], alpha=0.12, linewidth=0)
    shown = result.packs["displayed_soc"].dropna(axis=1, how="all") * 100.0 if result.has_displays else None
    apart = None if shown is None or shown.shape[1] < 2 else shown.max(axis=1) - shown.min(axis=1)
    axis.set_ylim(0, max(1.0, 1.15 * max(spread.max(), 0.0 if apart is None else apart.max())))
    axis.set_xlim(0, hours[-1])
    if apart is not None:
        axis.plot(hours, apart, color=INK, linewidth=1.1, linestyle=DASHES[2])
        ends = [("displays", apart, INK), ("cells", spread, PALETTE[0])]
        label_ends(
            axis,
            hours[-1],
            [(f"{name},\nat most {line.max():.1f}", line.iloc[-1], colour) for name, line, colour in ends],
            lines=2,
        )
    else:
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
    titled(axis, f"{_title(result)}: fullest minus emptiest pack" + ("" if apart is None else ", cells and displays"))
    return figure


@styled
def plot_current(result: Any) -> Figure:
    """Current of each pack over time, over the share it would carry in proportion to its capacity, a panel per pack, all to one scale.

    Equal packs whose currents differ by no more than :data:`SAME_CURRENT` of the largest share a panel. Of more than ten panels the
    ten with the largest peak C-rate are shown, and the title says so. Where the bank rests, one panel more shows what then flows
    between the packs, to a scale of its own.
    """
    current, port = result.packs["current_a"], result.ports["current_a"].sum(axis=1).to_numpy()
    packs = result.summary["packs"]
    capacity = np.array([pack["capacity_ah"] for pack in packs])
    shares = np.outer(port, capacity / capacity.sum())
    names, hours = list(current), _hours(current)
    largest = max(float(current.abs().max(axis=None)), 1e-9)
    groups = coinciding(np.vstack([current / largest, capacity / capacity.max()]), SAME_CURRENT)
    few = ""
    if len(groups) > MOST_PANELS:
        few = f" ({MOST_PANELS} of {len(groups)} panels: the packs with the highest peak C-rate)"
        hardest = sorted(groups, key=lambda group: -max(packs[k]["c_rate_peak"] for k in group))[:MOST_PANELS]
        groups = [group for group in groups if group in hardest]
    rests = result.rest_periods_s if len(packs) > 1 else []
    rows, night, tall = len(groups), 1 if rests else 0, 1.15 if len(groups) > 2 else 1.9
    figure, axes = new_figure(
        rows + night, 1, size=(8.6, 1.0 + tall * rows + 2.6 * night), height_ratios=[tall] * rows + [2.6] * night
    )
    for axis, group in zip(axes[:rows, 0], groups, strict=True):
        if axis is not axes[0, 0]:
            axis.sharey(axes[0, 0])
        if axis is not axes[rows - 1, 0]:
            axis.sharex(axes[rows - 1, 0])
            axis.tick_params(labelbottom=False)
        axis.fill_between(hours, 0, shares[:, group[0]], color=PALE, alpha=0.55, linewidth=0, step=None)
        axis.plot(hours, current[names[group[0]]], color=PALETTE[0], linewidth=1.3)
        axis.axhline(0, color=INK, linewidth=0.5)
        each = " each" if len(group) > 1 else ""
        axis.annotate(
            f"{names_of(group, names)}\n{capacity[group[0]]:.0f} Ah{each}", (1.02, 0.5), xycoords="axes fraction", va="center",
            fontweight="bold", fontsize=9,
        )  # fmt: skip
        axis.set_xlim(0, hours[-1])
    axes[rows // 2, 0].set_ylabel(
        "current [A], positive: out of the pack" if rows > 2 else "current [A]\npositive: out of the pack"
    )
    titled(
        axes[0, 0], f"{_title(result)}: current of each pack", f"line, what the pack carries; grey, its proportional share{few}"
    )
    _time_axis(axes[rows - 1, 0], hours)
    if night:
        _night(axes[-1, 0], current - shares, rests)
    return figure


def _night(axis, current, rests):
    """What flows between packs while the bank rests: mA and A on one symmetric logarithmic scale.

    ``current`` is what each pack carries beyond its share of the bank's [A], ``rests`` when the bank rests [s]: of more than
    :data:`MOST_NIGHTS` the longest is shown by itself.
    """
    hours, last = _hours(current), current.index[-1] / 3600.0
    if len(rests) > MOST_NIGHTS:
        begin, end = max(rests, key=lambda rest: rest[1] - rest[0])
        current = current.loc[begin:end]
        hours, last, rests = _hours(current) - begin / 3600.0, (end - begin) / 3600.0, [(0.0, end - begin)]
        _time_axis(axis, hours)
        axis.set_xlabel(f"hours since the longest of the bank's rests began, {begin / 86400.0:.1f} days into the run")
        title = "The longest rest of the bank: what flows between the packs, to a scale of its own"
    else:
        _time_axis(axis, hours)
        title = "While the bank rests (shaded): what flows between the packs, to a scale of its own"
    at_rest = np.zeros(len(hours), bool)
    for begin, end in rests:
        axis.axvspan(begin / 3600.0, end / 3600.0, color="#f1f2f5", linewidth=0)
        at_rest |= (hours > begin / 3600.0) & (hours < end / 3600.0)
    values = np.where(at_rest[:, None], current.to_numpy(), np.nan)
    most = max(float(np.nanmax(np.abs(values))), 10 * LEAST_NIGHT_A)
    axis.set_yscale("symlog", linthresh=LEAST_NIGHT_A, linscale=0.5)
    decades = 10.0 ** np.arange(round(np.log10(LEAST_NIGHT_A)), np.ceil(np.log10(most)) + 1)
    ticks = [*-decades[::-1], 0.0, *decades]
    axis.set_yticks(ticks, [_amperes(tick) for tick in ticks])
    axis.minorticks_off()
    axis.set_ylim(-1.3 * most, 1.3 * most)
    axis.axhline(0, color=INK, linewidth=0.5)
    axis.set_title(title, fontsize=10)
    axis.set_ylabel("out of the pack,\nbeyond its share")
    names, ends = list(current), []
    groups = coinciding(np.arcsinh(values / LEAST_NIGHT_A), SAME_NIGHT)
    final = np.flatnonzero(at_rest)[-1]
    for k, group in enumerate(groups):
        style = line_style(k, len(groups))
        axis.plot(hours, values[:, group[0]], **style)
        ends.append((names_of(group, names), values[final, group[0]], style["color"]))
    label_ends(axis, last, ends)


def _amperes(value):
    text = "0" if value == 0 else f"{abs(value):g} A" if abs(value) >= 1 else f"{abs(value) * 1e3:g} mA"
    return text if value >= 0 else f"−{text}"


def titled(axis, text, more=""):
    """Title of a figure over its first panel, wrapped to the figure's width; ``more`` stands below it."""
    letters = int(axis.figure.get_size_inches()[0] * 8.5)
    axis.set_title("\n".join(textwrap.fill(part, letters) for part in (text, more) if part))


def note(axis, text):
    """Small print below a panel, wrapped to the figure's width."""
    text = textwrap.fill(text, int(axis.figure.get_size_inches()[0] * 15))
    axis.figure.supxlabel(text, fontsize=8, x=0.99, ha="right", color="#5a606b")


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
    titled(axis, f"{_title(result)}: throughput", "bar, what each pack moved; line, its share by capacity")
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

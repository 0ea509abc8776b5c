"""Plots of protection: time over current of devices, and the feed into a shorted pack."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import NullFormatter

from simbank.bank.ampacity import conductor_withstand
from simbank.plotting.plots import INK, PALE, coinciding, label_ends, line_style, names_of, new_figure, styled

__all__ = ["plot_shorted", "plot_time_current"]

BAND, EDGE, CABLE = "#cfd6e4", "#5b6b8c", "#88193c"
SPAN = (1e-3, 1e4)
SAME = 0.02  # lines that lie closer than this share of the greatest all through are one, with several names
FIRST_S = 5.0  # where the logarithmic time axis begins


def _groups(protection):
    """Devices that are alike (class, rating, what they stand before) share a panel."""
    bank = protection.scenario.bank
    ports, strings = set(bank.graph.ports), {p.owner for p in bank.places if p.kind == "string"}
    groups = {}
    for device in bank.devices:
        role = "port" if device.owner in ports else "string" if device.owner in strings else "pack"
        owner = f"port {device.owner}" if role == "port" else f"{role}s"
        groups.setdefault((owner, device.class_name, device.rating_a, device.band), []).append(device)
    return groups


def _smallest(protection, devices):
    """The conductor of least withstand that stands next to one of these devices."""
    graph = protection.scenario.bank.graph
    ends = {b.name: {b.from_node, b.to_node} for b in graph.branches}
    best = None
    for device in devices:
        for branch in graph.branches:
            if branch.kind == "device" or not ends[branch.name] & ends[device.branch]:
                continue
            withstand, _ = conductor_withstand(branch.conductor)
            if withstand is not None and (best is None or withstand < best[0]):
                best = withstand, branch
    return best


@styled
def plot_time_current(protection: Any) -> Figure:
    """One panel for each kind of device: its band, the withstand of the smallest conductor beside it, fault currents through it.

    Returns the matplotlib figure.
    """
    groups = _groups(protection)
    columns = min(2, len(groups))
    rows = math.ceil(len(groups) / columns)
    fig, axes = new_figure(rows, columns, (4.9 * columns + 0.4, 4.3 * rows + 0.4))
    axes = axes.ravel()
    for axis, ((owner, class_name, rating, band), devices) in zip(axes, groups.items(), strict=False):
        _panel(axis, protection, owner, class_name, rating, band, devices)
    for axis in axes[len(groups) :]:
        axis.remove()
    fig.suptitle(f"{protection.scenario.name}: when each device opens", x=0.01, ha="left", fontweight="bold")
    return fig


def _panel(axis, protection, owner, class_name, rating, band, devices):
    order = protection.order[protection.order["device"].isin([d.name for d in devices])]
    seen = order.loc[order["current_a"] > 0.5 * rating, "current_a"]
    most = max(40.0 * rating, 1.6 * float(seen.max()) if len(seen) else 0.0)
    current = np.geomspace(0.8 * rating, most, 500)
    lines, d = [], protection.scenario.bank.devices.index(devices[0])
    for line in ("soonest", "latest") if band else ("middle",):
        seconds = [protection.greatest.steady_time(d, amperes, line) for amperes in current]
        lines.append(np.clip(seconds, SPAN[0] / 10, SPAN[1] * 10))
    if band:
        axis.fill_between(current, lines[0], lines[1], color=BAND, linewidth=0)
        for seconds in lines:
            axis.plot(current, seconds, color=EDGE, linewidth=1.2)
    else:
        axis.plot(current, lines[0], color=EDGE, linewidth=1.2, linestyle=(0, (4, 2)))
    end = devices[0].stated_to * rating
    if band and end < most:
        axis.axvline(end, color=EDGE, linewidth=1.0, linestyle=":")
        axis.annotate(
            "its curve ends here;\nbeyond: constant I²t,\nan assumption", (end, SPAN[1] * 0.05), (3, 0),
            textcoords="offset points", fontsize=8, color=EDGE, va="top",
        )  # fmt: skip
    smallest = _smallest(protection, devices)
    title = f"{owner}: {rating:g} A {class_name.replace('_', ' ') if class_name else 'own curve' if band else 'generic curve'}"
    if smallest:
        withstand, branch = smallest
        short = np.geomspace(SPAN[0], 5.0, 50)
        axis.plot(np.sqrt(withstand / short), short, color=CABLE, linewidth=1.6, linestyle=(0, (6, 2)))
        label = branch.conductor.gauge.label
        place = np.sqrt(withstand / 0.3)
        if place < most:
            axis.annotate(f"{label}\nwithstands", (place, 0.3), (6, 4), textcoords="offset points", color=CABLE, fontsize=8)
    if len(seen):
        low, high = float(seen.min()), float(seen.max())
        axis.axvspan(low, high, color="#e9e2cf", alpha=0.8, zorder=0, linewidth=0)
        axis.annotate(
            f"faults:\n{_amps(low)}" + (f" to {_amps(high)}" if high > 1.02 * low else ""), (high, SPAN[1] * 0.6), (-3, 0),
            textcoords="offset points", ha="right", va="top", fontsize=8, color=INK,
        )  # fmt: skip
    axis.axvline(rating, color=PALE, linewidth=1.0)
    axis.annotate("rating", (rating, SPAN[0] * 1.4), (3, 0), textcoords="offset points", fontsize=8, color=EDGE)
    axis.set(xscale="log", yscale="log", xlim=(current[0], most), ylim=SPAN, xlabel="current [A]", ylabel="time to open [s]")
    axis.xaxis.set_minor_formatter(NullFormatter())
    axis.yaxis.set_minor_formatter(NullFormatter())
    axis.tick_params(which="minor", labelbottom=False, labelleft=False)  # empty labels would still be laid out
    failed = protection.breaks.failed.intersection(d.name for d in devices)
    if failed:
        what = "counts" if len(devices) == 1 else f"{len(failed)} of {len(devices)} count"
        title += f"\n{what} as failed closed (see ratings)"
    axis.set_title(title, fontsize=10)


def _amps(value):
    return f"{value / 1e3:.1f} kA" if value >= 1000 else f"{value:.0f} A"


@styled
def plot_shorted(protection: Any) -> Figure:
    """Feed into each pack with shorted cells and energy fed in, over time, in the case of most energy.

    Returns the matplotlib figure.
    """
    fig, axes = new_figure(1, 2, (9.4, 4.0))
    left, right = axes[0]
    found = list(protection.shorted.values())
    groups, ends = _alike(found), []
    for k, group in enumerate(groups):
        shorted, style = found[group[0]], line_style(k, len(groups))
        minutes = np.maximum(shorted.table.index.to_numpy(), FIRST_S) / 60.0
        left.plot(minutes, shorted.table["feed_a"], **style)
        right.plot(minutes, shorted.table["energy_wh"], **style)
        name = names_of(group, [other.pack for other in found])
        ends.append((name, float(shorted.table["energy_wh"].iloc[-1]), style["color"]))
    last = min(max(s.table.index[-1] for s in found) / 60.0, 90.0 * max(s.hours for s in found) + 1.0)
    cells = found[0].cells
    what = "one cell" if cells == 1 else f"{cells} cells"
    left.set(
        xlabel="time [min]",
        ylabel="current into the pack [A]",
        title=f"Feed, {what} shorted, case of most energy\n(lines as on the right)",
    )
    right.set(xlabel="time [min]", ylabel="energy into the pack [Wh]", title="Energy fed in")
    for axis in (left, right):
        axis.set_ylim(bottom=0)
    label_ends(right, last, ends)  # of the left panel every line ends at zero: its names are those on the right
    for axis in (left, right):
        axis.set(xscale="log", xlim=(FIRST_S / 60.0, last))
    return fig


def _alike(found):
    """Groups of shorted packs whose feed and energy lie within :data:`SAME` of the greatest all through."""
    seconds = np.geomspace(FIRST_S, max(shorted.table.index[-1] for shorted in found), 200)
    columns = []
    for shorted in found:
        times, table = shorted.table.index.to_numpy(float), shorted.table
        columns.append(np.concatenate([np.interp(seconds, times, table[c].to_numpy(float)) for c in ("feed_a", "energy_wh")]))
    columns = np.array(columns).T
    scale = [max(1e-9, float(np.abs(half).max())) for half in np.split(columns, 2)]
    return coinciding(columns / np.repeat(scale, len(seconds))[:, None], SAME)

"""Figures of a run by position in the wiring, near to far from the take-off: state of charge at rest, and shares of the current."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.figure import Figure

from simbank.plotting.plots import (
    INK,
    PALE,
    PALETTE,
    SAME_POINTS,
    coinciding,
    label_ends,
    line_style,
    new_figure,
    note,
    styled,
    titled,
)

__all__ = ["plot_share", "plot_soc_at_rest"]

MOST_INSTANTS = 7  # with a line of their own style; of more, only those before a charge and the end are drawn
MOST_WRITTEN = 12  # packs whose capacity and distance stand below their names
LONG_S = 96 * 3600.0  # from where on times are in days, as along the axis of time
LEAST_SPAN = 10.0  # points of SOC that the axis spans at least, so that nearly equal packs look so


@styled
def plot_soc_at_rest(result: Any) -> Figure:
    """State of charge of each pack at rest, near to far, a line an instant (:meth:`simbank.Result.soc_at_rest`).

    Instants at which every pack stands within :data:`~simbank.plotting.plots.SAME_POINTS` of the same are one line. Of many instants
    those before a charge and the end are drawn, light to dark; the first, the last, and the one with the widest spread are named.
    """
    frame, ohm = result.soc_at_rest() * 100.0, result.wiring_ohm()
    if len(frame) > MOST_INSTANTS:
        keep = [word.startswith(("before charge", "end", "where")) for word in frame.index.get_level_values("instant")]
        frame = frame[keep]
    n = len(ohm)
    figure, ((axis,),) = new_figure(size=(min(14.0, max(8.6, 3.6 + 0.55 * n)), 4.8))
    shown = result.displayed_at_rest().iloc[-1] * 100.0 if result.has_displays and len(frame) else None
    every = frame if shown is None else np.concatenate([frame.to_numpy().ravel(), shown.dropna()])
    low, high = float(np.min(every)), float(np.max(every))
    pad = max(0.06 * (high - low), 0.5 * (LEAST_SPAN - (high - low)), 1.0)
    axis.set_ylim(low - pad, high + pad)
    groups = coinciding(frame.to_numpy().T, SAME_POINTS)
    spread = [float(np.ptp(frame.iloc[group[0]])) for group in groups]
    many = len(groups) > MOST_INSTANTS
    named = {0, len(groups) - 1, int(np.argmax(spread))} if many else set(range(len(groups)))
    ends, place = [], np.arange(n)
    for g, group in enumerate(groups):
        style = line_style(g, len(groups))
        if many:
            widest = g == int(np.argmax(spread))
            style |= (
                {"color": PALETTE[3], "linewidth": 2.2}
                if widest
                else {"color": _between(g / (len(groups) - 1)), "linewidth": 0.8}
            )
            style["linestyle"] = "-"
        soc = frame.iloc[group[0]].to_numpy()
        axis.plot(place, soc, marker="o", markersize=3 if many else 5, clip_on=False, zorder=3 if g in named else 2, **style)
        if g in named:
            told = _told([frame.index[k] for k in group])
            pale = many and style["color"] != PALETTE[3]
            ends.append((f"{told}\n{spread[g]:.1f} points apart", soc[-1], INK if pale else style["color"]))
    words = [frame.attrs.get("note", "")]
    if shown is not None:
        words.append(_displays(axis, result, shown, ends))
    label_ends(axis, n - 1, ends, lines=2)
    _positions(axis, result, ohm)
    axis.set_ylabel("state of charge [%]")
    titled(axis, f"{result.summary['scenario']}: state of charge at rest, near to far")
    if len(groups) < len(frame):
        words.append(f"One line stands for instants at which every pack is within {SAME_POINTS:g} points of the same")
    if many:
        words.append(f"{len(frame)} instants, light to dark in order of time; orange is where packs stand furthest apart")
    note(axis, "; ".join(word for word in words if word))
    return figure


def _displays(axis, result, shown, ends):
    """What displays show at the end, by position, beside what hysteresis can hold apart there; words for below the figure."""
    axis.plot(np.arange(len(shown)), shown, color=INK, linestyle=(0, (1.5, 1.5)), linewidth=1.2, marker="s", markersize=5,
              markerfacecolor="white", clip_on=False)  # fmt: skip
    last, apart = shown.dropna(), result.displays_apart
    if len(last):
        ends.append((f"displays, end of run\n{np.ptp(last):.1f} points apart", float(last.iloc[-1]), INK))
    if apart is None or not np.isfinite(apart.bound_points):
        return "squares: what displays show at the end"
    middle, half = 100.0 * apart.middle, apart.bound_points / 2.0
    axis.axhspan(middle - half, middle + half, color=PALETTE[2], alpha=0.13, linewidth=0, zorder=0)
    return (
        f"squares: what displays show at the end; band: the {apart.bound_points:.0f} points that hysteresis can hold apart there, beyond which "
        "displays are wrong or a current levels"
    )


def _between(share):
    """A colour from light to dark."""
    light, dark = np.array([0.72, 0.81, 0.91]), np.array([0.01, 0.16, 0.31])
    return tuple(light + share * (dark - light))


def _told(instants):
    """When and what, of instants that are one line: "15 h, after 12 h at rest", "28 and 52 h, before charge"."""
    words = {word for _, word in instants}
    if instants[-1][0] < LONG_S:
        times, unit = [f"{round(t / 3600.0, 1):g}" for t, _ in instants], "h"
    else:
        times, unit = [f"{round(t / 86400.0, 1):g}" for t, _ in instants], "days"
    when = f"{', '.join(times) if len(times) <= 3 else f'{times[0]}, {times[1]} … {times[-1]}'} {unit}"
    return f"{when}, {words.pop()}" if len(words) == 1 else when


@styled
def plot_share(result: Any) -> Figure:
    """Share ratio of each pack on discharge and on charge, near to far: 1 is in proportion to capacity."""
    ohm, packs = result.wiring_ohm(), {pack["name"]: pack for pack in result.summary["packs"]}
    n = len(ohm)
    figure, ((axis,),) = new_figure(size=(min(14.0, max(7.0, 2.6 + 0.55 * n)), 4.0))
    drawn = []
    for key, label, colour, mark, dash in (
        ("share_ratio_discharge", "discharge", PALETTE[0], "o", "-"),
        ("share_ratio_charge", "charge", PALETTE[3], "s", (0, (4, 1.5))),
    ):
        share = np.array([packs[name][key] for name in ohm.index], float)  # None is NaN
        if np.isfinite(share).any():
            axis.plot(
                np.arange(n), share, marker=mark, color=colour, linestyle=dash, linewidth=1.5, markersize=6, clip_on=False,
                markerfacecolor=colour if mark == "o" else "white",
            )  # fmt: skip
            drawn.append((label, share, colour))
    every = np.concatenate([[0.9, 1.1], *(share for _, share, _ in drawn)])
    low, high = float(np.nanmin(every)), float(np.nanmax(every))
    axis.set_ylim(low - 0.08 * (high - low), high + 0.12 * (high - low))
    axis.axhline(1.0, color=INK, linewidth=1.0)
    label_ends(axis, n - 1, [("in proportion", 1.0, INK), *((label, share[-1], colour) for label, share, colour in drawn)])
    _positions(axis, result, ohm)
    axis.set_ylabel("share of the current ÷\nshare of the capacity")
    titled(axis, f"{result.summary['scenario']}: who carries how much, near to far")
    return figure


def _positions(axis, result, ohm):
    """Names of packs along the axis, near to far, with capacity and distance where there is room."""
    n, capacity = len(ohm), {pack["name"]: pack["capacity_ah"] for pack in result.summary["packs"]}
    axis.set_xlim(-0.3, n - 1 + 0.02)
    names = [
        f"{name}\n{capacity[name]:.0f} Ah\n{'' if not np.isfinite(r) else f'{r * 1e3:.3g} mΩ'}" if n <= MOST_WRITTEN else name
        for name, r in ohm.items()
    ]
    axis.set_xticks(np.arange(n), names, rotation=0 if n <= MOST_WRITTEN else 90, fontsize=8.5)
    finite = ohm[np.isfinite(ohm)]
    level = len(finite) == n and np.ptp(finite) <= 1e-6 * finite.max()
    way = f"all equally far from port {result.take_off}" if level else f"near to far from port {result.take_off}"
    words = f"pack, {way}" + ("\n(mΩ: resistance of the wiring there and back)" if n <= MOST_WRITTEN else "")
    axis.set_xlabel(words)
    axis.grid(visible=False, axis="x")
    for x in range(n):
        axis.axvline(x, color=PALE, linewidth=0.4, zorder=0)

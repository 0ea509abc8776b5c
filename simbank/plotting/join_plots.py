"""Figures of packs that are added to a bank: currents after joining, and sharing by place."""

from __future__ import annotations

import textwrap
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from simbank.plotting.plots import INK, PALETTE, label_ends, line_style, new_figure, styled

__all__ = ["plot_join"]

SHOWN_S = 600.0  # after joining
MOST_NAMED = 12  # places whose words stand at the axis


@styled
def plot_join(found: Any) -> Figure:
    """Currents of the packs over the first minutes after joining; spread and largest share ratio by place, where places were tried."""
    by_place = found.positions is not None and len(found.positions) > 1
    figure, axes = new_figure(2 if by_place else 1, size=(8.6, 7.2 if by_place else 4.2))
    _currents(axes[0][0], found)
    if by_place:
        _places(axes[1][0], found)
    return figure


def _currents(axis, found):
    frame = found.current_a[found.current_a.index <= SHOWN_S]
    minutes = frame.index.to_numpy() / 60.0
    new, n = found.addition.names, len(frame.columns)
    ends = []
    for k, name in enumerate(frame):
        style = line_style(k, n) | ({"color": INK, "linewidth": 2.6, "linestyle": "-"} if name in new else {})
        axis.plot(minutes, frame[name], **style)
        ends.append((f"{name} (new)" if name in new else name, float(frame[name].iloc[-1]), style["color"]))
    axis.axhline(0.0, color=INK, linewidth=0.7)
    axis.set(
        xlabel="minutes after joining", ylabel="current out of the pack [A]",
        title="Joined as they stand, nothing asked of the bank, as if nothing opened",
    )  # fmt: skip
    label_ends(axis, minutes[-1], ends)


def _places(axis, found):
    table = found.positions
    rows = np.arange(len(table))
    axis.bar(rows - 0.2, table["spread_max_points"].astype(float), width=0.38, color=PALETTE[0], label="largest spread [points]")
    other = axis.twinx()
    share = table["share_ratio_max"].astype(float)
    other.bar(rows + 0.2, share, width=0.38, color=PALETTE[1], label="largest share ratio (right)")
    other.set_ylim(0.0, 1.15 * max(1.0, float(np.nanmax([*share, 1.0]))))
    other.grid(visible=False)
    words = [textwrap.fill(name, 14) for name in table.index]
    if len(words) > MOST_NAMED:
        words = [str(number) if number == number and number else "–" for number in table["number"]]
    axis.set_xticks(rows, words, fontsize=8)
    axis.grid(axis="x", visible=False)
    axis.set(ylabel="largest spread [points]", title="Sharing by place")
    other.set_ylabel("largest share ratio")
    handles = [*axis.get_legend_handles_labels()[0], *other.get_legend_handles_labels()[0]]
    axis.legend(handles=handles, frameon=False, fontsize=8.5, ncols=2, loc="lower right", bbox_to_anchor=(1.0, 1.0))

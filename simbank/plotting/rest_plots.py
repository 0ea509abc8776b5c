"""Figure of a picture at rest: what was read by position, and what the banks that fit would show."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.figure import Figure

from simbank.plotting.plots import INK, PALETTE, new_figure, styled

__all__ = ["plot_at_rest"]

AXES = {"display": ("state of charge [%]", 100.0), "voltage": ("voltage at rest [V]", 1.0)}


@styled
def plot_at_rest(found: Any) -> Figure:
    """What displays, and voltages, show from near to far with how well they are known, and what fits (5 to 95 %)."""
    kinds = [kind for kind in AXES if (found.table["kind"] == kind).any()]
    packs = list(dict.fromkeys(found.table.sort_values("place")["pack"]))
    figure, axes = new_figure(len(kinds), size=(min(14.0, max(8.6, 2.4 + 0.6 * len(packs))), 0.8 + 3.8 * len(kinds)))
    for axis, kind in zip(axes[:, 0], kinds, strict=True):
        label, scale = AXES[kind]
        rows = found.table[found.table["kind"] == kind]
        x = np.array([packs.index(name) for name in rows["pack"]], float)
        low, mid, high = (scale * rows[key].to_numpy(float) for key in ("low", "mid", "high"))
        axis.bar(
            x,
            high - low,
            bottom=low,
            width=0.5,
            color=PALETTE[0],
            alpha=0.25,
            label=f"{'banks that fit' if found.fits else 'nearest banks'}, 5 to 95 %",
        )
        axis.hlines(mid, x - 0.25, x + 0.25, color=PALETTE[0], linewidth=1.8)
        axis.errorbar(
            x, scale * rows["read"], scale * rows["within"], fmt="o", color=INK, capsize=4, label="read, about 95 %", zorder=3
        )  # fmt: skip
        axis.set_xticks(range(len(packs)), packs)
        axis.set_xlim(-0.6, len(packs) - 0.4)
        axis.grid(axis="x", visible=False)
        axis.set(ylabel=label, xlabel="packs, near to far")
        axis.legend(frameon=False, fontsize=9)
    fits = "banks of this kind leave this picture" if found.fits else "NO bank of this kind leaves this picture"
    axes[0, 0].set_title(f"At rest: {fits}")
    return figure

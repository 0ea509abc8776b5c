"""What measurements of a cell look like beside what was made of them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from simbank.plotting.plots import INK, PALETTE, new_figure, styled

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["plot_import"]


@styled
def plot_import(cell: Any, title: str) -> Figure:
    """Measured branches and pulses of an imported cell with what was fitted to them, and what is left over below each.

    Parameters
    ----------
    cell : ImportedCell
        Of :func:`simbank.cells.cell_import.import_cell`.
    title : str
        Above the figure.
    """
    parts = [
        draw
        for draw, there in ((_draw_ocv, cell.ocv), (_draw_pulses, cell.pulses), (_draw_trace, cell.pulses))
        if there is not None
    ]
    figure, axes = new_figure(2, len(parts), size=(0.8 + 4.6 * len(parts), 5.6), height_ratios=[2.0, 1.0])
    figure.suptitle(title, fontsize=12, fontweight="bold", x=0.01, ha="left")
    for column, draw in enumerate(parts):
        draw(cell, *axes[:, column])
    return figure


def _draw_ocv(cell, top, bottom):
    found, colors = cell.ocv, {"charge": PALETTE[3], "discharge": PALETTE[2], "mean": PALETTE[4], "sequence": PALETTE[4]}
    for key, (soc, volt) in found.branches.items():
        top.plot(soc * 100, volt, ".", color=colors[key], markersize=4, label=f"measured: {key}")
        bottom.plot(soc * 100, found.residual_v[key] * 1e3, ".", color=colors[key], markersize=4)
    top.plot(found.soc * 100, found.volt, color=PALETTE[0], linewidth=1.3, label="mean")
    if found.half_width_v is not None:
        top.fill_between(
            found.soc * 100, found.volt - found.half_width_v, found.volt + found.half_width_v, color=PALETTE[4], alpha=0.3
        )
    inside = (found.soc > 0.1) & (found.soc < 0.95)
    near = found.volt[inside] if inside.any() else found.volt
    top.set_ylim(near.min() - 0.35 * np.ptp(near) - 0.02, near.max() + 0.35 * np.ptp(near) + 0.02)
    top.legend(frameon=False, loc="lower right")
    top.set_title("open circuit, ends cut off", fontsize=10)
    top.set_ylabel("voltage of a cell [V]")
    _left_over(bottom, "state of charge [%]")


def _draw_pulses(cell, top, bottom):
    found = cell.pulses
    order = np.argsort(found.soc)
    soc = found.soc[order] * 100
    top.errorbar(
        soc, found.r0_ohm[order] * 1e3, found.r0_error_ohm[order] * 1e3, fmt="o", color=PALETTE[0], markersize=4, label="R0"
    )
    top.plot(soc, found.pairs_ohm[order] * 1e3, "s", color=PALETTE[3], markersize=4, label="both pairs")
    z, half = np.linspace(0, 1, 201), found.r0_half_ohm * 1e3
    top.plot(z * 100, half * np.interp(z, *found.r_factor), color=PALETTE[0], linewidth=1.0)
    pairs = half * sum(ratio for ratio, _ in found.rc)
    top.plot(z * 100, pairs * np.interp(z, *found.rc_factor), color=PALETTE[3], linewidth=1.0)
    top.set_ylim(0, None)
    top.legend(frameon=False)
    top.set_title("resistance of a cell, by pulse", fontsize=10)
    top.set_ylabel("resistance [mΩ]")
    bottom.plot(soc, found.rms_v[order] * 1e3, "o", color=PALETTE[0], markersize=4)
    bottom.set_ylim(0, None)
    bottom.set_ylabel("left over, RMS [mV]")
    bottom.set_xlabel("state of charge [%]")


def _draw_trace(cell, top, bottom):
    found = cell.pulses
    worst = int(np.argmax(found.rms_v))
    time_s, measured, fitted = found.traces[worst]
    minutes = (time_s - time_s[0]) / 60.0
    top.plot(minutes, measured, ".", color=PALETTE[4], markersize=3, label="measured")
    top.plot(minutes, fitted, color=PALETTE[0], linewidth=1.1, label="fitted")
    top.legend(frameon=False)
    top.set_title(f"the pulse that fits worst, at {found.soc[worst] * 100:.0f} %", fontsize=10)
    top.set_ylabel("voltage of a cell [V]")
    bottom.plot(minutes, (measured - fitted) * 1e3, color=PALETTE[3], linewidth=0.9)
    _left_over(bottom, "time [min]")


def _left_over(axis, words):
    axis.axhline(0, color=INK, linewidth=0.5)
    axis.set_ylabel("left over [mV]")
    axis.set_xlabel(words)

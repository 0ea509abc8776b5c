"""The headline figures of a run, in the order in which tables show them."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

__all__ = ["COLUMNS", "FIGURES", "MORE", "headline"]


def headline(summary: dict[str, Any]) -> dict[str, Any]:
    """One flat row from a run's summary.

    Returns
    -------
    dict
        ``hardest_pack`` and ``share_ratio_max`` name the pack with the largest share of discharge for its
        capacity (None where all are equal);
        ``c_rate_max`` is the largest current of any pack ÷ its capacity at any time.
    """
    bank, packs = summary["bank"], summary["packs"]
    shares = {k: share for k, pack in enumerate(packs) if not math.isnan(share := _number(pack["share_ratio_discharge"]))}
    hardest = max(shares, key=shares.get, default=None)
    uneven = hardest is not None and shares[hardest] > 1.0005  # with equal shares no pack is the hardest worked
    through = np.array([pack["throughput_ah"] for pack in packs])
    return {
        "spread_max_points": bank["spread_max_points"],
        "spread_end_points": bank["spread_end_points"],
        "hardest_pack": packs[hardest]["name"] if uneven else None,
        "share_ratio_max": float(shares[hardest]) if shares else None,
        "share_ratio_min": float(min(shares.values())) if shares else None,
        "c_rate_max": max(pack["c_rate_peak"] for pack in packs),
        "throughput_ah": float(through.sum()),
        "charge_out_ah": bank["charge_out_ah"],
        "energy_out_wh": bank["energy_out_wh"],
        "energy_in_wh": bank["energy_in_wh"],
        "conductor_loss_wh": bank["conductor_loss_wh"],
        "pack_loss_wh": bank["pack_loss_wh"],
        "port_voltage_min_v": bank["port_voltage_min_v"],
        "port_voltage_max_v": bank["port_voltage_max_v"],
    }


def _number(value):
    return math.nan if value is None else value


FIGURES = (
    ("spread_max_points", "points", "largest spread of state of charge: the fullest pack less the emptiest"),
    ("spread_end_points", "points", "spread of state of charge at the end"),
    ("hardest_pack", "", "pack with the largest share of the discharge for its capacity; none where all are equal"),
    ("share_ratio_max", "", "largest share ratio on discharge of any pack: share of the discharge ÷ share of the capacity"),
    ("share_ratio_min", "", "smallest share ratio on discharge of any pack"),
    ("c_rate_max", "1/h", "largest current of any pack at any time ÷ its capacity"),
    ("throughput_ah", "Ah", "charge in and out of all packs together"),
    ("charge_out_ah", "Ah", "charge out of the ports"),
    ("energy_out_wh", "Wh", "energy out of the ports"),
    ("energy_in_wh", "Wh", "energy into the ports"),
    ("conductor_loss_wh", "Wh", "energy lost in conductors, joints and devices"),
    ("pack_loss_wh", "Wh", "energy lost in the packs"),
    ("port_voltage_min_v", "V", "lowest voltage of any port"),
    ("port_voltage_max_v", "V", "highest voltage of any port"),
)
# As people read them: at once, and where there is room.
COLUMNS = {
    "spread_max_points": "largest spread [points]", "share_ratio_max": "largest share ratio", "hardest_pack": "of pack",
    "c_rate_max": "peak C-rate of a pack", "conductor_loss_wh": "lost in cable [Wh]", "port_voltage_min_v": "lowest port voltage [V]",
}  # fmt: skip
MORE = {
    "spread_end_points": "spread at end [points]", "share_ratio_min": "smallest share ratio", "energy_out_wh": "energy out [Wh]",
}  # fmt: skip

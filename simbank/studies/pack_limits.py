"""What limits the current of a pack: its BMS, its own fuse or breaker, what its cells take, and what is usual where nothing is given."""

from __future__ import annotations

import numpy as np

from simbank.bank.bank import Bank, Pack

__all__ = ["CELLS_TAKE", "USUAL", "USUAL_LIMIT_C", "device_ratings", "limits_of_pack"]

CELLS_TAKE = "what its cells take"  # how that limit begins
USUAL = "what is usual for packs, since the file gives no limit"
USUAL_LIMIT_C = 1.0  # where the file gives no limit; common practice, no source: makers of LFP packs allow 0.5 to 1 C


def device_ratings(bank: Bank) -> dict[str, float]:
    """Smallest rating of the fuses and breakers of each pack, string and port that has one [A]."""
    rating = {}
    for device in bank.devices:
        rating[device.owner] = min(rating.get(device.owner, np.inf), device.rating_a)
    return rating


def limits_of_pack(pack: Pack, device_a: float, celsius: float, cells: bool = True) -> list[tuple[str, float, bool]]:
    """Limits of a pack's own that are known.

    Parameters
    ----------
    pack : Pack
        With or without a BMS whose limits are given.
    device_a : float
        Rating of its fuse or breaker [A]; infinite without one.
    celsius : float
        Temperature at which its cells are charged [°C].
    cells : bool
        Whether what the cells take of a charge counts.

    Returns
    -------
    list of (str, float, bool)
        What it is in words, current [A], whether it is of charge.
    """
    found = []
    if pack.bms is not None:
        found += [
            ("the limit of its BMS", pack.bms.discharge_current.level, False),
            ("the charge limit of its BMS", pack.bms.charge_current.level, True),
        ]
    takes = float(pack.chemistry.charge_rate(celsius)) * pack.capacity_ah
    if cells:
        found.append((f"{CELLS_TAKE} at {celsius:.0f} °C", takes, True))
    if np.isfinite(device_a):
        found += [("the rating of its fuse or breaker", device_a, charge) for charge in (False, True)]
    if pack.bms is None or not np.isfinite(pack.bms.discharge_current.level):  # a fuse is there for the cable
        found.append((USUAL, USUAL_LIMIT_C * pack.capacity_ah, False))
    return [row for row in found if np.isfinite(row[1]) and row[1] > 0]

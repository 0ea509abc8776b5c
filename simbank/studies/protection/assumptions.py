"""What the worst cases of protection rest on: temperatures, charge, time to clear, margins."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Assumptions"]


@dataclass(frozen=True)
class Assumptions:
    """What the worst cases rest on. Temperatures in kelvin.

    Greatest current (maximum prospective short-circuit current): packs as new at ``warm_k``, full, straight after charge; conductors
    as in the file. Least current (minimum prospective short-circuit current): packs as old as they are at ``cold_k`` and
    ``low_soc``, conductors at ``hot_conductor_k``.

    Attributes
    ----------
    warm_k, cold_k, hot_conductor_k : float
        Packs in the greatest case, packs in the least, and conductors in the least [K].
    low_soc : float
        State of charge in the least case, 0 to 1.
    pack_h : float
        Inductance of each pack [H].
    wanted_s : float
        Time within which every fault should clear [s].
    margin : float
        Rating of a device ÷ load that lasts.
    drop_share : float
        Greatest drop from pack to port as a share of the port's voltage.
    cells_shorted : int
        Cells in series shorted in the case of a shorted pack.
    short_ohm : float
        Resistance of one shorted cell [ohm].
    """

    warm_k: float = 318.15
    cold_k: float = 273.15
    low_soc: float = 0.1
    hot_conductor_k: float = 348.15
    pack_h: float = 0.0
    wanted_s: float = 5.0
    margin: float = 1.25
    drop_share: float = 0.03
    cells_shorted: int = 1
    short_ohm: float = 1e-3

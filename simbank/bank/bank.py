"""Packs and the bank they make."""

from __future__ import annotations

from dataclasses import dataclass

from simbank.bank.graph import Graph
from simbank.cells.chemistry import Chemistry

__all__ = ["Bank", "Pack"]


@dataclass(frozen=True)
class Pack:
    """One pack: cells in series and parallel behind a BMS and internal wiring.

    Attributes
    ----------
    name : str
    chemistry : Chemistry
    cells_in_series, cells_in_parallel : int
    rated_capacity_ah : float
        Capacity of the pack as new [Ah].
    cell_resistance_ohm : float
        R0 of one cell as new, at the chemistry's reference temperature [ohm].
    internal_wiring_ohm : float
        Cell links, BMS switch and terminals of the pack together [ohm]; does not age.
    soc : float
        State of charge at the start, 0 to 1.
    hysteresis : float
        Hysteresis state at the start: −1 came off discharge, +1 came off charge.
    capacity_left : float
        Present capacity ÷ rated capacity.
    resistance_growth : float
        Present cell resistance ÷ that as new (R0 and both RC pairs).
    rc_pairs : tuple of (float, float), optional
        Resistance [ohm] and time constant [s] of the two RC pairs of one cell as new; by default the chemistry's ratios.
    """

    name: str
    chemistry: Chemistry
    rated_capacity_ah: float
    cell_resistance_ohm: float
    cells_in_series: int = 16
    cells_in_parallel: int = 1
    internal_wiring_ohm: float = 0.0
    soc: float = 0.5
    hysteresis: float = 0.0
    capacity_left: float = 1.0
    resistance_growth: float = 1.0
    rc_pairs: tuple | None = None

    @property
    def capacity_ah(self):
        """Present capacity [Ah]."""
        return self.rated_capacity_ah * self.capacity_left

    @property
    def cell_path_ohm(self):
        """Ohmic resistance of the cells alone, seen at the pack: Ns/Np · R0 · growth [ohm]."""
        return self.cells_in_series / self.cells_in_parallel * self.cell_resistance_ohm * self.resistance_growth

    @property
    def ohmic_ohm(self):
        """Ohmic resistance from terminal to terminal [ohm]."""
        return self.cell_path_ohm + self.internal_wiring_ohm

    @property
    def pack_rc_pairs(self):
        """((R1, tau1), (R2, tau2)) seen at the pack [ohm, s]."""
        pairs = self.rc_pairs
        if pairs is None:
            pairs = tuple((p.resistance_ratio * self.cell_resistance_ohm, p.time_constant_s) for p in self.chemistry.rc)
        scale = self.cells_in_series / self.cells_in_parallel * self.resistance_growth
        return tuple((resistance * scale, tau) for resistance, tau in pairs)


@dataclass(frozen=True)
class Bank:
    """Packs in the order of the file, wired as the graph says."""

    name: str
    packs: tuple
    graph: Graph
    ambient_k: float = 298.15

    @property
    def capacity_ah(self):
        """Present capacity of all packs together [Ah]; the 1 C current of the bank in amperes."""
        return sum(pack.capacity_ah for pack in self.packs)

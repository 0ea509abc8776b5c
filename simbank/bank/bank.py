"""Packs and the bank they make."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from simbank.bank.equipment import BMS, Charger, Device, Display, Inverter, Switching
from simbank.bank.graph import Graph
from simbank.cells.chemistry import Chemistry
from simbank.cells.curves import Curve

__all__ = ["MAX_PACKS", "Bank", "Pack", "Place"]

MAX_PACKS = 256  # in one bank: of so many, each may open in turn at once, and the run has started in ten seconds
LEAST_LEVELLING_S = 10.0  # a pack whose temperature follows its surroundings faster than this cannot be simulated
LEAST_J_K_PER_WH = 0.1  # cells weigh about ten times as much as this at 1 kJ/kg/K; common practice, no source
MONTH_H = 720.0  # of self-discharge: 30 days
BEYOND_FULL = 0.5  # so far beyond 0 and 100 % the curves of unequal cells are tabulated; then they go on straight


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
    cell_capacities : tuple of float, optional
        Capacity of each cell in series ÷ that of the pack by its label and ageing; by default all 1.
    cells_below_full : tuple of float, optional
        State-of-charge imbalance when top-balanced: how far each cell is from full, as a fraction of its own capacity, when the
        pack's first cell is full; by default 0.
    temperature_k : float, optional
        At the start [K]; by default that of the surroundings.
    heat_capacity_j_k, heat_loss_w_k : float
        Heat capacity [J/K] and loss to the surroundings [W/K] of the whole pack; a heat capacity of 0 keeps it at their
        temperature.
    bms : BMS, optional
        Without one a lithium-ion pack is taken to have a BMS that opens at once at the chemistry's cell limits and at 0 and
        100 %; a lead-acid pack has no switch and goes on.
    self_discharge : float
        Share of its capacity that it loses by itself in 30 days.
    display : Display, optional
        What its BMS shows.
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
    rc_pairs: tuple[tuple[float, float], tuple[float, float]] | None = None
    cell_capacities: tuple[float, ...] | None = None
    cells_below_full: tuple[float, ...] | None = None
    temperature_k: float | None = None
    heat_capacity_j_k: float = 0.0
    heat_loss_w_k: float = 0.0
    bms: BMS | None = None
    self_discharge: float = 0.0
    display: Display | None = None

    @property
    def cell_capacity_ah(self) -> float:
        """Rated capacity of one cell [Ah]; ``cells_in_parallel`` of them make the pack's."""
        return self.rated_capacity_ah / self.cells_in_parallel

    @property
    def has_switch(self) -> bool:
        """Whether anything of the pack's own can disconnect it: its BMS, or the one a lithium-ion pack is taken to have."""
        return self.bms is not None or self.chemistry.family != "lead-acid"

    @property
    def has_assumed_bms(self) -> bool:
        """Whether its limits are those a lithium-ion pack is taken to have where the file gives none."""
        return self.has_switch and (self.bms is None or self.bms.at_cell_limits)

    @property
    def stuck(self) -> tuple[bool, bool]:
        """Whether its switch cannot open for charge, and for discharge."""
        stuck = self.bms.stuck if self.bms is not None else None
        return stuck in ("charge", "both"), stuck in ("discharge", "both")

    @property
    def goes_beyond(self) -> bool:
        """Whether nothing of its own stops it at 100 % or at 0 %."""
        return not self.has_switch or any(self.stuck)

    @cached_property
    def capacity_ah(self) -> float:
        """Present usable capacity [Ah]: from its first cell full to its first cell empty."""
        if self._has_equal_cells:
            return self.rated_capacity_ah * self.capacity_left
        capacity, below = self._cells
        return self.rated_capacity_ah * self.capacity_left * float(np.min(capacity * (1.0 - below)))

    @property
    def _has_equal_cells(self):
        """Whether nothing is said of single cells."""
        return self.cell_capacities is None and self.cells_below_full is None

    @property
    def _cells(self):
        """Relative capacity and state-of-charge imbalance of each cell, arrays of shape (Ns,)."""
        n = self.cells_in_series
        capacity = np.ones(n) if self.cell_capacities is None else np.asarray(self.cell_capacities, float)
        below = np.zeros(n) if self.cells_below_full is None else np.asarray(self.cells_below_full, float)
        return capacity, below - below.min()

    def cell_soc(self, soc: float | np.ndarray) -> np.ndarray:
        """State of charge of every cell in series when the pack's is ``soc``; shape (..., Ns).

        All carry the same current, so z_j = 1 − d_j − (1 − z) q/c_j with c_j the cell's relative capacity, d_j its imbalance when
        the first cell is full, and q = min c_j (1 − d_j) the pack's usable capacity.
        """
        capacity, below = self._cells
        usable = np.min(capacity * (1.0 - below))
        return 1.0 - below - (1.0 - np.asarray(soc, float)[..., None]) * usable / capacity

    @cached_property
    def ocv_curves(self) -> tuple[Curve, Curve, Curve]:
        """Open-circuit voltage per cell over the pack's state of charge: mean, of its fullest cell, of its emptiest."""
        curve = self.chemistry.ocv
        if self._has_equal_cells:
            return curve, curve, curve
        capacity, below = self._cells
        if np.ptp(capacity) == 0 and np.ptp(below) == 0:
            return curve, curve, curve
        beyond = BEYOND_FULL if self.goes_beyond else 0.0  # where single cells reach and leave the ends of their own curve
        soc = np.linspace(-beyond, 1.0 + beyond, 1 + round(400 * (1.0 + 2.0 * beyond)))
        volt = curve(self.cell_soc(soc))
        return Curve(soc, volt.mean(axis=1)), Curve(soc, volt.max(axis=1)), Curve(soc, volt.min(axis=1))

    @property
    def cell_path_ohm(self) -> float:
        """Ohmic resistance of the cells alone, seen at the pack: Ns/Np · R0 · growth [ohm]."""
        return self.cells_in_series / self.cells_in_parallel * self.cell_resistance_ohm * self.resistance_growth

    def least_heat_capacity_j_k(self, coupling_w_k: float = 0.0) -> float:
        """Least heat capacity [J/K] with which the pack's temperature can be followed.

        A time constant C / (K + G) of ten seconds, and a tenth of a joule per kelvin for each watt-hour.

        Parameters
        ----------
        coupling_w_k : float
            Heat conductance to its neighbours, G [W/K].
        """
        energy_wh = self.rated_capacity_ah * self.cells_in_series * float(self.chemistry.ocv(0.5))
        return max(LEAST_LEVELLING_S * (self.heat_loss_w_k + coupling_w_k), LEAST_J_K_PER_WH * energy_wh)

    @property
    def own_draw_a(self) -> float:
        """Standing current that its BMS and self-discharge take from its cells [A]; a power as the current at half charge and rest.

        Examples
        --------
        Half a watt at 16 cells of 3.2995 V, and 3 % of 100 Ah in 720 hours:

        >>> from simbank.cells import load_chemistry
        >>> pack = Pack("A", load_chemistry("lfp"), 100.0, 5e-4, bms=BMS(draw_w=0.5), self_discharge=0.03)
        >>> round(pack.own_draw_a * 1000, 1)
        13.6
        """
        draw = 0.0 if self.bms is None else self.bms.draw_a + self.bms.draw_w / self.rest_volt(0.5)
        return draw + self.self_discharge * self.capacity_ah / MONTH_H

    def rest_volt(self, soc: float) -> float:
        """Voltage of the pack at rest at a state of charge [V], midway between the branches of its hysteresis."""
        return self.cells_in_series * float(self.ocv_curves[0](soc))

    @property
    def ohmic_ohm(self) -> float:
        """Ohmic resistance from terminal to terminal [ohm]."""
        return self.cell_path_ohm + self.internal_wiring_ohm

    @property
    def half_charge_ohm(self) -> float:
        """Ohmic resistance from terminal to terminal at half charge and the chemistry's reference temperature [ohm]."""
        return self.cell_path_ohm * float(self.chemistry.r_factor(0.5)) + self.internal_wiring_ohm

    @property
    def lag_s(self) -> float:
        """Lag of charge at the surface of the particles, of the chemistry's second pair, if the pack has no pairs of its own [s]; else 0."""
        return self.chemistry.rc[1].lag_s if self.rc_pairs is None and len(self.chemistry.rc) > 1 else 0.0

    @property
    def pack_rc_pairs(self) -> tuple[tuple[float, float], ...]:
        """((R1, tau1), (R2, tau2)) seen at the pack [ohm, s]."""
        pairs = self.rc_pairs
        if pairs is None:
            pairs = tuple((p.resistance_ratio * self.cell_resistance_ohm, p.time_constant_s) for p in self.chemistry.rc)
        scale = self.cells_in_series / self.cells_in_parallel * self.resistance_growth
        return tuple((resistance * scale, tau) for resistance, tau in pairs)


@dataclass(frozen=True)
class Place:
    """Two nodes of opposite polarity with a name, where a fault can be asked for.

    ``kind`` is "pack" (its terminals, beyond its device), "inside" (between its cells and its device), "string", "bar",
    "take-off" (before a port's device), "device" (just behind it), "lead" (halfway along its leads) or "port" (at its end of them);
    ``owner`` the pack, string or port.
    """

    name: str
    kind: str
    owner: str
    positive: str
    negative: str


@dataclass(frozen=True, eq=False)
class Bank:
    """Packs in the order of the file, wired as the graph says.

    Attributes
    ----------
    name : str
    packs : tuple of Pack
    graph : Graph
    ambient_k : float
        Of the air around packs and conductors [K].
    neighbours_w_k : ndarray, shape (n, n), optional
        Heat conductance between packs [W/K], symmetric with a zero diagonal.
    devices : tuple of Device
        Those that can open.
    port_equipment : dict of str to (Inverter or None, Charger or None)
        By the port's name.
    switching : tuple of Switching
        Openings and closings by hand.
    places : tuple of Place
        Pairs of nodes that have a name of their own.
    spacing_m : float
        How far apart the two polarities run [m].
    strings : dict of str to tuple of str
        Names of the packs of each string.
    unused_chemistries : tuple of str
        Names of the file's own chemistries that no pack type names.
    joints_left_out, wiring_left_out : tuple of str
        Conductors of whose joints, and packs of whose internal wiring, the file says nothing, so that they count as zero.
    """

    name: str
    packs: tuple[Pack, ...]
    graph: Graph
    ambient_k: float = 298.15
    neighbours_w_k: np.ndarray | None = None
    devices: tuple[Device, ...] = ()
    port_equipment: dict[str, tuple[Inverter | None, Charger | None]] = field(default_factory=dict)
    switching: tuple[Switching, ...] = ()
    places: tuple[Place, ...] = ()
    spacing_m: float = 0.1
    strings: dict[str, tuple[str, ...]] = field(default_factory=dict)
    unused_chemistries: tuple[str, ...] = ()
    joints_left_out: tuple[str, ...] = ()
    wiring_left_out: tuple[str, ...] = ()

    @property
    def left_out_words(self) -> str:
        """What of its joints and of the wiring inside its packs is not given and counts as zero, in words; empty if nothing.

        >>> Bank("two", (), Graph((), {}, {}), joints_left_out=("link A-B +",), wiring_left_out=("A", "B")).left_out_words
        'joints of 1 conductor and wiring inside 2 packs'
        >>> Bank("one", (), Graph((), {}, {}), wiring_left_out=("A",)).left_out_words
        'resistances of wiring inside 1 pack'
        """
        wiring = "wiring inside" if self.joints_left_out else "resistances of wiring inside"  # many, so that "are" follows
        counts = (len(self.joints_left_out), "joints of", "conductor"), (len(self.wiring_left_out), wiring, "pack")
        return " and ".join(f"{what} {count} {of}{'s' * (count > 1)}" for count, what, of in counts if count)

    @property
    def capacity_ah(self) -> float:
        """Present capacity of all packs together [Ah]; the 1 C current of the bank in amperes."""
        return sum(pack.capacity_ah for pack in self.packs)

    def inverter_of(self, port: str) -> Inverter | None:
        """The inverter of a port, if it has one."""
        return self.port_equipment.get(port, (None, None))[0]

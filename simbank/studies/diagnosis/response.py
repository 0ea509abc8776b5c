"""How all currents of a bank answer, at one instant, to voltages put into its packs and conductors and to what its ports carry.

With packs as electromotive forces behind resistances the bank is linear. Let *elements* be its n packs and then its b conductors, each a
resistance R with a voltage source e in series; J are the port currents. Then ::

    I = G e + C J                                             currents of all elements

More resistance Δ in some elements S is a voltage −Δ I there (Woodbury's identity, with I₀ the currents before)::

    I = I₀ − G[:, S] (1/Δ + G[S, S])⁻¹ I₀[S]
    G → G − G[:, S] (1/Δ + G[S, S])⁻¹ G[S, :]                 and C likewise

so that what any bad joint of any size does follows from one solution of the network.

A pack that has carried its current for a time t is an electromotive force behind a resistance as well: its voltage after t at constant
current, and its slope by that current, which holds the relaxation that has come by then, the charge moved and the hysteresis that
followed it. The physics of packs is :mod:`simbank.simulation.pack_model`'s.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass

import numpy as np

from simbank.bank import Bank
from simbank.network import components, grounded_solver
from simbank.simulation import arrays as ar
from simbank.simulation.pack_model import cell_state
from simbank.simulation.setup import pack_arrays, start_state

__all__ = ["HeldBank", "Response"]

ROUNDS, SAME_A = 12, 1e-4  # of Newton's method, which ends when no pack's current moves by more than that [A]
SMALL_A = 0.01  # by which a current is changed to see a pack's slope
WORK_STEPS = 8  # in which work before the change is followed
WORK_SOC = 0.05  # from either end of charge, within which it begins


@dataclass(frozen=True)
class Response:
    """A bank at one instant as ``I = G e + C J``; m elements: n packs, then the conductors; p ports.

    Attributes
    ----------
    current_a : ndarray, shape (m,)
        Current of each element: of packs positive out of them, of conductors from ``from_node`` to ``to_node`` [A].
    from_emf : ndarray, shape (m, m)
        G [S].
    from_port : ndarray, shape (m, p)
        C, without unit.
    ohm : ndarray, shape (m,)
        Resistance of each element [ohm], of packs with the relaxation that has come by then.
    emf_v : ndarray, shape (n,)
        Voltage of each pack that does not go with its current [V].
    soc : ndarray, shape (n,)
        State of charge of each pack at the instant.
    emf_by_soc : ndarray, shape (n,)
        Slope of the electromotive force [V per unit of state of charge].
    emf_by_hysteresis : ndarray, shape (n,)
        What a unit of hysteresis state at the change of current still does to it [V].
    """

    current_a: np.ndarray
    from_emf: np.ndarray
    from_port: np.ndarray
    ohm: np.ndarray
    emf_v: np.ndarray
    soc: np.ndarray
    emf_by_soc: np.ndarray
    emf_by_hysteresis: np.ndarray

    def with_faults(self, where: np.ndarray, more_ohm: np.ndarray, more_v: np.ndarray) -> np.ndarray:
        """Currents with resistance and voltage added to some elements.

        Parameters
        ----------
        where : ndarray of int, shape (..., s)
            The elements.
        more_ohm : ndarray, shape (..., s)
            Added resistance [ohm], not below zero.
        more_v : ndarray, shape (..., s)
            Added electromotive force [V].

        Returns
        -------
        ndarray, shape (..., m)
        """
        columns = np.moveaxis(self.from_emf[:, where], 0, -1)  # (..., s, m), since G is symmetric
        before = self.current_a + np.einsum("...sm,...s->...m", columns, more_v)
        drawn = np.linalg.solve(self._seen(where, more_ohm), np.take_along_axis(before, where, -1)[..., None])[..., 0]
        return before - np.einsum("...sm,...s->...m", columns, drawn)

    def changed(self, where: np.ndarray, more_ohm: np.ndarray, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Some rows of G and C with resistance added to some elements, as in :meth:`with_faults`: (..., rows, m) and (..., rows, p)."""
        columns = np.moveaxis(self.from_emf[:, where], 0, -1)
        drawn = np.linalg.solve(self._seen(where, more_ohm), np.concatenate([columns, self.from_port[where]], axis=-1))
        before = np.concatenate([self.from_emf[rows], self.from_port[rows]], axis=-1)
        both = before - np.matmul(np.swapaxes(columns[..., rows], -1, -2), drawn)
        m = len(self.ohm)
        return both[..., :m], both[..., m:]

    def _seen(self, where, more_ohm):
        """1/Δ + G[S, S]."""
        conductance = 1.0 / np.maximum(more_ohm, 1e-12)
        s = where.shape[-1]
        return self.from_emf[where[..., :, None], where[..., None, :]] + conductance[..., None] * np.eye(s)


class HeldBank:
    """A bank whose ports have carried the same currents for some time, from the state that the scenario gives.

    Every pack is taken to have carried its present current since the change: what sharing did in between is left to a run.

    Parameters
    ----------
    bank : Bank
        Every pack connected and every device closed.
    soc : array_like, shape (n,), optional
        State of charge of each pack at the change; by default the bank's.
    """

    def __init__(self, bank: Bank, soc: np.ndarray | None = None):
        self.bank, self.n = bank, len(bank.packs)
        self.cells, self.curves_of, self.curves = pack_arrays(bank.packs, bank.ambient_k)
        self.start = start_state(bank.packs, bank.ambient_k)
        if soc is not None:
            self.start[: self.n] = soc
        nodes = {node: k for k, node in enumerate(bank.graph.nodes)}
        branches = bank.graph.branches
        ends = [
            (nodes[minus], nodes[plus]) for plus, minus in bank.graph.packs.values()
        ]  # current comes out at the positive pole
        ends += [(nodes[b.from_node], nodes[b.to_node]) for b in branches]
        self.ends = np.array(ends, int)
        self.ports = np.array([(nodes[plus], nodes[minus]) for plus, minus in bank.graph.ports.values()], int)
        self.branch_ohm = np.array([b.resistance_ohm for b in branches], float)
        self.size = len(nodes)
        self.grounded = np.unique(components(self.size, self.ends), return_index=True)[1]

    def pack_state(
        self, current_a: np.ndarray, time_s: float, more_soc: float | np.ndarray = 0.0
    ) -> tuple[np.ndarray, np.ndarray]:
        """State of the packs after each has carried its current for ``time_s``, as runs have it, and what packs are by it (rows of ``pack``).

        ``more_soc`` is added to the state of charge at the change. Relaxation follows its pairs' law at constant current, and hysteresis its
        own, both exactly.
        """
        n, cells, y = self.n, self.cells, self.start.copy()
        start, h, v1, v2 = (
            y[block * n : (block + 1) * n].copy() for block in (ar.SOC, ar.HYSTERESIS, ar.RC_VOLT_1, ar.RC_VOLT_2)
        )
        start = np.clip(start + more_soc, 0.0, 1.0)
        soc = np.clip(start - (current_a + cells[ar.OWN_DRAW_A]) * time_s / cells[ar.CAPACITY_AS], 0.0, 1.0)
        way = np.sign(soc - start)  # towards which end of the loop
        y[ar.SOC * n : (ar.SOC + 1) * n] = soc
        followed = way + (h - way) * np.exp(-cells[ar.GAMMA] * abs(soc - start))
        y[ar.HYSTERESIS * n : (ar.HYSTERESIS + 1) * n] = np.where(way == 0.0, h, followed)
        pack = np.empty((ar.N_WORK, n))
        cell_state(y, cells, self.curves_of, self.curves, pack)
        warm = pack[ar.RC_T_FACTOR].copy()
        for block, v, r, tau in ((ar.RC_VOLT_1, v1, ar.R1, ar.TAU1), (ar.RC_VOLT_2, v2, ar.R2, ar.TAU2)):
            left = np.exp(-time_s / np.where(cells[tau] > 0, cells[tau] * warm, 1.0))
            y[block * n : (block + 1) * n] = v * left + cells[r] * pack[ar.RC_FACTOR] * warm * current_a * (1.0 - left)
        cell_state(y, cells, self.curves_of, self.curves, pack)
        return y, pack

    def pack_voltage(self, current_a: np.ndarray, time_s: float, more_soc: float | np.ndarray = 0.0) -> np.ndarray:
        """Terminal voltage of each pack then [V]."""
        _, pack = self.pack_state(current_a, time_s, more_soc)
        return pack[ar.EMF] - pack[ar.R_OHMIC] * current_a

    def after(self, port_a: np.ndarray, time_s: float, steps: int = WORK_STEPS) -> HeldBank:
        """The same bank, whose packs differ by what they carried while its ports carried ``port_a`` for ``time_s`` before the change.

        Their mean state of charge at the change stays this bank's. Within each of ``steps`` equal parts each pack's current is held.
        """
        n, capacity = self.n, self.cells[ar.CAPACITY_AS]
        other = copy(self)
        other.start = self.start.copy()
        moved = np.sum(port_a) * time_s / capacity.sum()
        other.start[:n] = np.clip(self.start[:n] + moved, WORK_SOC, 1.0 - WORK_SOC)
        for _ in range(steps):
            current = other.response(port_a, time_s / steps).current_a[:n]
            other.start, _ = other.pack_state(current, time_s / steps)
        gone = capacity @ (other.start[:n] - self.start[:n]) / capacity.sum()
        other.start[:n] = np.clip(other.start[:n] - gone, 0.0, 1.0)
        return other

    def response(self, port_a: np.ndarray, time_s: float) -> Response:
        """The bank after its ports have carried ``port_a`` [A], positive out of the bank, for ``time_s``."""
        current = self.cells[ar.CAPACITY_AS] / self.cells[ar.CAPACITY_AS].sum() * np.sum(port_a)
        for _ in range(ROUNDS):
            y, pack = self.pack_state(current, time_s)
            volt = pack[ar.EMF] - pack[ar.R_OHMIC] * current
            more, less = self.pack_voltage(current + SMALL_A, time_s), self.pack_voltage(current - SMALL_A, time_s)
            ohm = np.maximum((less - more) / (2.0 * SMALL_A), 1e-6)
            emf = volt + ohm * current
            from_emf, from_port = self._linear(np.concatenate([ohm, self.branch_ohm]))
            every = from_emf[:, : self.n] @ emf + from_port @ port_a
            moved, current = np.max(np.abs(every[: self.n] - current)), every[: self.n]
            if moved < SAME_A:
                break
        soc = y[: self.n]
        kept = np.exp(-self.cells[ar.GAMMA] * abs(soc - self.start[: self.n]))
        ohm = np.concatenate([ohm, self.branch_ohm])
        return Response(every, from_emf, from_port, ohm, emf, soc, pack[ar.EMF_BY_SOC], kept * pack[ar.EMF_BY_HYSTERESIS])

    def carried(self, pack_a: np.ndarray, port_a: np.ndarray) -> np.ndarray:
        """Current of each conductor [A] where packs and ports carry these currents, by Kirchhoff's laws: as :attr:`Response.current_a` counts.

        Without loops among the conductors their resistance has no bearing on it.
        """
        drive = np.zeros((self.size, 1))
        np.add.at(drive[:, 0], self.ends[: self.n, 1], pack_a)
        np.add.at(drive[:, 0], self.ends[: self.n, 0], -pack_a)
        np.add.at(drive[:, 0], self.ports[:, 0], -port_a)
        np.add.at(drive[:, 0], self.ports[:, 1], port_a)
        ends, conductance = self.ends[self.n :], 1.0 / self.branch_ohm
        grounded = np.unique(components(self.size, ends), return_index=True)[1]
        potential = grounded_solver(ends, conductance, self.size, grounded)(drive)[:, 0]
        return conductance * (potential[ends[:, 0]] - potential[ends[:, 1]])

    def _linear(self, ohm):
        """G and C of elements with these resistances."""
        conductance = 1.0 / ohm
        tail, head = self.ends.T
        solve = grounded_solver(self.ends, conductance, self.size, self.grounded)
        m, p = len(ohm), len(self.ports)
        drive = np.zeros(
            (self.size, m + p)
        )  # a source of one volt in an element drives its conductance from its tail to its head
        every = np.arange(m)
        drive[head, every] += conductance
        drive[tail, every] -= conductance
        for a, (plus, minus) in enumerate(self.ports):
            drive[plus, m + a] -= 1.0
            drive[minus, m + a] += 1.0
        potential = solve(drive)
        flow = conductance[:, None] * (potential[tail] - potential[head])
        flow[every, every] += conductance
        return flow[:, :m], flow[:, m:]

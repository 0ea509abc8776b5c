"""Fault currents by time: packs, resistances and inductances of the wiring as one linear system, solved exactly.

Over the seconds of a fault a pack's state of charge stands nearly still, so with its electromotive force E and ohmic resistance R
from :mod:`simbank.simulation.pack_model` it is E behind R and two relaxation pairs, and every conductor is r in series with l::

    M dx/dt = C' (E − v1 − v2) − K x,   M = C' l C,   K = C' r C      x: currents round the independent loops, i = C x
    dv/dt   = (R_k i − v) / τ                                          each relaxation pair

Linear with constant coefficients: solved by modes (:mod:`simbank.studies.protection.fault_course`), no time step. The fault itself
is a branch from the positive place to the negative. Not in it: what ports feed in (capacitors, chargers), arcs, and heating while
the fault lasts.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from simbank.network import components, grounded_solver, spanning_forest
from simbank.simulation import arrays as ar
from simbank.simulation.pack_model import cell_state
from simbank.simulation.setup import pack_arrays, start_state
from simbank.studies.protection.fault_course import Response

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from simbank.bank import Graph, Pack

__all__ = ["FaultCircuit", "case_packs", "pack_sources"]

LEAST_INDUCTANCE_H = 1e-9  # of every branch, so that each loop has one
KEPT = 96  # switch patterns of circuits, solved
CONTOUR = 8  # frequencies of an inverse Laplace transform, of which half are the conjugates of the others


def case_packs(packs: Iterable[Pack], *, soc: float, temperature_k: float, hysteresis: float, as_new: bool) -> tuple[Pack, ...]:
    """The same packs for the worst case: at a state of charge and temperature, and as new or as they are.

    As new, their resistance is the least and their cells are equal: at the top of charge every cell then stands at 100 %, where
    unequal ones stay below it.

    Parameters
    ----------
    packs : iterable of Pack
        As they are.
    soc : float
        State of charge of all, 0 to 1.
    temperature_k : float
        Of all [K].
    hysteresis : float
        From −1, straight after discharge, to 1, straight after charge.
    as_new : bool
        Whether their cells are equal and their resistance has not grown.
    """
    return tuple(
        replace(
            pack,
            soc=soc,
            hysteresis=hysteresis,
            temperature_k=temperature_k,
            cell_capacities=None if as_new else pack.cell_capacities,
            cells_below_full=None if as_new else pack.cells_below_full,
            resistance_growth=min(1.0, pack.resistance_growth) if as_new else max(1.0, pack.resistance_growth),
        )
        for pack in packs
    )


def pack_sources(packs: Sequence[Pack], ambient_k: float) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Electromotive force [V], ohmic resistance [ohm], and resistance [ohm] and time constant [s] of the relaxation pairs.

    Shapes (n,), (n,), (n, 2), (n, 2); from the same equations as every run.
    """
    n = len(packs)
    cells, curves_of, curves = pack_arrays(packs, ambient_k)
    y = start_state(packs, ambient_k)
    work = np.empty((ar.N_WORK, n))
    cell_state(y, cells, curves_of, curves, work)
    factor, warmth = work[ar.RC_FACTOR], work[ar.RC_T_FACTOR]
    ohm = np.column_stack([cells[ar.R1], cells[ar.R2] * work[ar.RC_2_SLOPE]]) * (factor * warmth)[:, None]
    tau = np.column_stack([cells[ar.TAU1], cells[ar.TAU2]]) * warmth[:, None]
    return work[ar.EMF].copy(), work[ar.R_OHMIC].copy(), ohm, tau


class FaultCircuit:
    """A bank's wiring with its packs as sources.

    Parameters
    ----------
    graph : Graph
    sources : tuple
        As from :func:`pack_sources`.
    spacing_m : float
        Distance of the two polarities, for the inductance of the loop.
    pack_h : array_like, optional
        Inductance of each pack [H]; none by default.
    branch_ohm : array_like, optional
        Resistance of each branch instead of the graph's, for another temperature.
    """

    def __init__(self, graph: Graph, sources: tuple, spacing_m: float = 0.1, pack_h=0.0, branch_ohm=None):
        self.graph = graph
        self.emf, self.pack_ohm, self.rc_ohm, self.rc_tau = sources
        self.n, self.b = len(graph.packs), len(graph.branches)
        index = {node: k for k, node in enumerate(graph.nodes)}
        self.index = index
        ends = [(index[minus], index[plus]) for plus, minus in graph.packs.values()]
        ends += [(index[b.from_node], index[b.to_node]) for b in graph.branches]
        self.ends = np.array(ends, int)
        own = np.array([b.resistance_ohm for b in graph.branches]) if branch_ohm is None else np.asarray(branch_ohm, float)
        self.ohm = np.concatenate([self.pack_ohm, own])
        inductance = [0.0 if b.conductor is None else b.conductor.inductance_h(spacing_m) for b in graph.branches]
        self.least_henry = LEAST_INDUCTANCE_H  # of the fault
        self.henry = np.concatenate([np.broadcast_to(pack_h, self.n), inductance]) + LEAST_INDUCTANCE_H

    @property
    def pairs(self) -> tuple[np.ndarray, np.ndarray]:
        """Resistance [ohm] and time constant [s] of the relaxation pairs, shape (2 n,), the first of every pack before the second."""
        return self.rc_ohm.T.ravel(), np.where(self.rc_tau > 0, self.rc_tau, 1.0).T.ravel()

    def prospective(self, positive: str, negative: str, closed: np.ndarray | None = None, ohm: float = 0.0) -> np.ndarray:
        """Currents of packs, branches and fault at once, without inductance, shape (n + b + 1,).

        By Thevenin: the voltage across the open place ÷ (resistance seen there + that of the fault).

        Parameters
        ----------
        positive, negative : str
            Nodes of the place.
        closed : ndarray of bool, shape (n + b,), optional
            Which packs and branches conduct.
        ohm : float
            Resistance of the fault.
        """
        return self.prospective_each([(positive, negative)], closed, ohm)[0]

    def prospective_each(
        self, places: Sequence[tuple[str, str]], closed: np.ndarray | None = None, ohm: float = 0.0
    ) -> np.ndarray:
        """:meth:`prospective` for each of k places, pairs of nodes, from one solution of the network; shape (k, n + b + 1)."""
        pattern = _pattern(self, None if closed is None else closed.tobytes())
        drive, joined, (a, b) = self._drive(places, pattern)
        potential = pattern.solve(drive)
        each = np.arange(len(places))
        open_volt, seen = potential[a, 0] - potential[b, 0], potential[b, 1 + each] - potential[a, 1 + each]
        flows = joined & (seen + ohm > 0)
        fault = np.where(flows, open_volt / np.where(flows, seen + ohm, 1.0), 0.0)
        level = potential[:, :1] + fault * potential[:, 1:]
        ends, out = pattern.ends, np.zeros((len(places), self.n + self.b + 1))
        currents = pattern.siemens[:, None] * (level[ends[:, 0]] - level[ends[:, 1]] + pattern.emf[:, None])
        out[:, pattern.edges] = currents.T
        out[:, -1] = fault
        return out

    def _drive(self, places, pattern):
        """What drives the nodes, shape (nodes, 1 + k): first the packs, then 1 A at each place.

        And whether each place lies within one connected part (one between two of them carries nothing), and its two nodes.
        """
        a, b = np.array([[self.index[self.graph.node(node)] for node in place] for place in places], int).T
        joined = pattern.component[a] == pattern.component[b]
        drive = np.zeros((len(self.index), 1 + len(places)))
        drive[:, 0] = pattern.drive
        each = 1 + np.flatnonzero(joined)
        drive[a[joined], each], drive[b[joined], each] = -1.0, 1.0
        return drive, joined, (a, b)

    def later_each(self, places: Sequence[tuple[str, str]], times_s: Sequence[float]) -> np.ndarray:
        """Current of a bolted fault at each of k places at times after it began [s], shape (times, k) [A], every switch closed.

        What :meth:`respond` gives by eigenvalues at every time, here for few times and many places, by inverse Laplace transform:
        at a complex frequency s every branch is r + s l, every pack E/s behind R + s l + Σ R_k / (1 + s τ_k), and the fault's
        current is Thevenin's. The sum over :data:`CONTOUR` frequencies is good for four digits: Trefethen, Weideman and
        Schmelzer, BIT 46 (2006) 653 (modified Talbot contour), from memory; a test holds it against :meth:`respond`.
        """
        ends, size = self.ends, len(self.index)
        pattern = _pattern(self, None)
        drive, joined, (a, b) = self._drive(places, pattern)
        free = np.setdiff1d(np.arange(size), pattern.grounded)
        incidence = np.zeros((len(ends), size))
        incidence[np.arange(len(ends)), ends[:, 0]] += 1.0
        incidence[np.arange(len(ends)), ends[:, 1]] -= 1.0
        incidence = incidence[:, free]
        at, weight = _contour(CONTOUR)
        s = (at / np.asarray(times_s, float)[:, None]).ravel()[:, None]
        impedance = self.ohm + s * self.henry
        for pair in range(2):
            impedance[:, : self.n] += self.rc_ohm[:, pair] / (1.0 + s * self.rc_tau[:, pair])
        matrix = incidence.T @ (incidence / impedance[:, :, None])
        driven = np.tile(drive[free].astype(complex), (len(s), 1, 1))
        driven[:, :, 0] = -(self.emf / s / impedance[:, : self.n]) @ incidence[: self.n]
        potential = np.zeros((len(s), size, 1 + len(places)), complex)
        potential[:, free] = np.linalg.solve(matrix, driven)
        each = np.arange(len(places))
        seen = potential[:, b, 1 + each] - potential[:, a, 1 + each] + s * LEAST_INDUCTANCE_H
        fault = np.where(joined, (potential[:, a, 0] - potential[:, b, 0]) / seen, 0.0)
        summed = np.tensordot(fault.reshape(len(times_s), CONTOUR // 2, -1), weight, (1, 0)).imag
        return summed / np.asarray(times_s, float)[:, None]

    def respond(
        self, positive: str, negative: str, closed: np.ndarray | None = None, ohm: float = 0.0,
        before: np.ndarray | None = None, relaxed: np.ndarray | None = None, loops: np.ndarray | None = None,
    ) -> Response:  # fmt: skip
        """:class:`~simbank.studies.protection.fault_course.Response` to a fault.

        ``before`` and ``relaxed`` carry over currents and relaxation from an earlier stage. When a branch opens, the currents that
        go on are those that keep the flux of every loop that is left (what the arc takes is gone).

        Parameters
        ----------
        positive, negative : str
            Nodes of the place.
        closed : ndarray of bool, shape (n + b,), optional
            Which packs and branches conduct; all by default.
        ohm : float
            Resistance of the fault.
        before : ndarray, shape (n + b + 1,), optional
            Currents of packs, branches and fault at the end of the stage before [A]; none by default.
        relaxed : ndarray, shape (2 n,), optional
            Voltages of the relaxation pairs then [V], the first pair of every pack before the second; none by default.
        loops : ndarray, shape (n + b + 1, m), optional
            Independent loops of what conducts, with the fault, where they are known.
        """
        if loops is None:
            closed = np.ones(self.n + self.b, bool) if closed is None else closed
            edges = np.append(np.flatnonzero(closed), self.n + self.b)
            a, b = self.index[self.graph.node(positive)], self.index[self.graph.node(negative)]
            ends = np.vstack([self.ends, [a, b]])[edges]
            loops = _loops_of(len(self.index), edges.tobytes(), ends.tobytes(), self.n + self.b + 1)
            initial_a = self.prospective(positive, negative, closed, ohm)
        else:
            initial_a = None
        packs, r, h = loops[: self.n], np.append(self.ohm, ohm), np.append(self.henry, LEAST_INDUCTANCE_H)
        mass, resistance = loops.T @ (h[:, None] * loops), loops.T @ (r[:, None] * loops)
        if initial_a is None:
            initial_a = loops @ np.linalg.solve(resistance, packs.T @ self.emf)
        currents = np.zeros(len(mass)) if before is None else np.linalg.solve(mass, loops.T @ (h * before))
        relaxed = np.zeros(2 * self.n) if relaxed is None else relaxed
        return Response(initial_a, loops, mass, resistance, self.emf, *self.pairs, (currents, relaxed))


class _Pattern:
    """The nodal equations of a circuit with some of its packs and branches conducting, factored once.

    Attributes
    ----------
    edges, ends, siemens, emf
        Those that conduct: which, their nodes, conductance [S], and electromotive force [V].
    component, grounded
        Of each node the connected part that it is in, and of each part its node at zero potential.
    drive : ndarray, shape (nodes,)
        What the packs drive into each node, E ÷ R [A].
    """

    def __init__(self, circuit, closed):
        size = len(circuit.index)
        self.edges = np.flatnonzero(closed)
        self.ends, self.siemens = circuit.ends[self.edges], 1.0 / circuit.ohm[self.edges]
        emf = np.zeros(circuit.n + circuit.b)
        emf[: circuit.n] = circuit.emf
        self.emf = emf[self.edges]
        self.component = components(size, self.ends)
        self.grounded = np.unique(self.component, return_index=True)[1]
        source = self.siemens * self.emf
        self.drive = np.zeros(size)
        np.add.at(self.drive, self.ends[:, 1], source)
        np.add.at(self.drive, self.ends[:, 0], -source)
        self.solve = grounded_solver(self.ends, self.siemens, size, self.grounded)


@lru_cache(maxsize=KEPT)
def _pattern(circuit, closed):
    """:class:`_Pattern` of a circuit, which does not change; ``closed`` as bytes of booleans, None where all conduct."""
    return _Pattern(circuit, np.ones(circuit.n + circuit.b, bool) if closed is None else np.frombuffer(closed, bool))


@lru_cache(maxsize=1024)  # drawn banks are wired alike
def _loops_of(size, edges, ends, count):
    """Edges, of ``count`` in all, by independent loops of those given: nodes and numbers as bytes of integers."""
    edges = np.frombuffer(edges, np.int64)
    own = _independent_loops(size, np.frombuffer(ends, np.int64).reshape(-1, 2))
    loops = np.zeros((count, own.shape[1]))
    loops[edges] = own
    loops.flags.writeable = False
    return loops


def _independent_loops(size, ends):
    """Edges by independent loops, +1 and −1 where an edge lies in a loop: one loop per edge outside a spanning tree."""
    component, tree = spanning_forest(size, ends)
    incidence = np.zeros((size, len(ends)))
    incidence[ends[:, 0], np.arange(len(ends))] += 1.0
    incidence[ends[:, 1], np.arange(len(ends))] -= 1.0
    free = np.setdiff1d(np.arange(size), np.unique(component, return_index=True)[1])  # one node of each component is left out
    loops = np.zeros((len(ends), int((~tree).sum())))
    loops[np.flatnonzero(~tree), np.arange(loops.shape[1])] = 1.0
    if free.size and loops.shape[1]:
        loops[tree] = np.round(np.linalg.solve(incidence[np.ix_(free, np.flatnonzero(tree))], -incidence[free][:, ~tree]))
    return loops


def _contour(count):
    """Points s t and weights, each of shape (count / 2,), with f(t) = Im Σ weight · F(s) ÷ t."""
    angle = np.pi * np.arange(1, count, 2) / count
    cot, sine = 1.0 / np.tan(0.6407 * angle), np.sin(0.6407 * angle)
    at = count * (0.5017 * angle * cot - 0.6122 + 0.2645j * angle)
    slope = count * (0.5017 * cot - 0.5017 * 0.6407 * angle / sine**2 + 0.2645j)
    weight = np.exp(at) * slope
    return at, weight / (weight / at).imag.sum()  # so that a steady current comes out as it is

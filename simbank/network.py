"""Kirchhoff's laws for the bank, solved once per switch pattern and reduced to what packs and ports see.

With switch states fixed, everything between the packs' electromotive forces ``e`` and the ports' currents ``J`` is linear.
:meth:`Network.reduce` solves the nodal equations once and keeps

    [ I ]   [ Y   B ] [ e ]        I: pack currents, positive out of the pack
    [ V ] = [ B' −Z ] [ J ]        V: port voltages; J: port currents, positive out of the bank

so that a time step costs one small dense product, however many inner nodes the wiring has.
"""

from __future__ import annotations

import copy
import functools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.linalg import lu_factor, lu_solve
from scipy.linalg.lapack import dgetrf, dgetrs

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from simbank.bank import Graph

__all__ = ["Network", "Reduced", "components", "network_of"]

MAX_CACHED = 256  # switch patterns kept
MAX_EQUATIONS = 16  # switch patterns of which the equations are kept for other resistances of the packs
MAX_RECENT = 4  # networks kept for a bank that is looked at again


@dataclass(frozen=True, eq=False)
class Reduced:
    """The network for one switch pattern; n packs, p ports, b branches.

    Attributes
    ----------
    hybrid : ndarray, shape (n + p, n + p)
        Gives pack currents [A] and port voltages [V] from ``[e, J]``, e in V and J in A: S, 1, 1 and ohm by block. Rows of open
        packs are zero.
    terminal : ndarray, shape (n, n + p)
        Gives the voltage across each pack's terminals from ``[e, J]``, for open packs too.
    flows : ndarray, shape (b, n + p)
        Gives branch currents from ``[I, J]``; in this form currents balance at every node to round-off.
    port_live, pack_live : ndarray of bool
        False for a port without a path to a closed pack, and for a pack whose terminals see no voltage but its own.
    """

    hybrid: np.ndarray
    terminal: np.ndarray
    flows: np.ndarray
    port_live: np.ndarray
    pack_live: np.ndarray


class Network:
    """Nodal equations of a graph.

    Parameters
    ----------
    graph : Graph
        Branches with resistance above zero, packs and ports.
    pack_ohm : array_like, shape (n,)
        Ohmic resistance of each pack [ohm].
    """

    def __init__(self, graph: Graph, pack_ohm: ArrayLike):
        self.graph = graph
        self.pack_ohm = np.asarray(pack_ohm, float)
        index = {node: k for k, node in enumerate(graph.nodes)}
        self.n_nodes = len(index)
        self.branch_ends = np.array([[index[b.from_node], index[b.to_node]] for b in graph.branches], int).reshape(-1, 2)
        self.branch_ohm = np.array([b.resistance_ohm for b in graph.branches], float)
        self.pack_ends = np.array([[index[p], index[n]] for p, n in graph.packs.values()], int).reshape(-1, 2)
        self.port_ends = np.array([[index[p], index[n]] for p, n in graph.ports.values()], int).reshape(-1, 2)
        self._cache = {}
        self._conductors = {}  # what packs and ports see of the conductors, by which of these are closed
        self._equations = {}  # for a switch pattern, without the resistances of the packs

    def with_packs(self, pack_ohm: np.ndarray) -> Network:
        """The network of the same graph with other resistances of the packs [ohm], shape (n,); of its conductors nothing is solved anew."""
        other = copy.copy(self)
        other.pack_ohm, other._cache = pack_ohm, {}
        return other

    def reduce(self, pack_closed: ArrayLike | None = None, branch_closed: ArrayLike | None = None) -> Reduced:
        """Reduced network for a switch pattern, from the cache if it was asked for before.

        Parameters
        ----------
        pack_closed : array_like of bool, shape (n,), optional
            By default all.
        branch_closed : array_like of bool, shape (b,), optional
            By default all.

        Returns
        -------
        Reduced
        """
        n, b = len(self.pack_ends), len(self.branch_ends)
        packs = np.ones(n, bool) if pack_closed is None else np.asarray(pack_closed, bool)
        branches = np.ones(b, bool) if branch_closed is None else np.asarray(branch_closed, bool)
        key = (packs.tobytes(), branches.tobytes())
        if key not in self._cache:
            if len(self._cache) >= MAX_CACHED:
                self._cache.clear()
            self._cache[key] = self._reduce(packs, branches)
        return self._cache[key]

    def loop_ohm(self, port: int) -> np.ndarray:
        """Resistance of the wiring from a port's positive pole to each pack's, and from its negative pole back, with all of it closed.

        What an ohmmeter would show between the two, of either polarity, with every pack taken out: the resistance distance of
        D. J. Klein and M. Randić (J. Math. Chem. 12, 81, 1993; from memory) of the graph of conductors, summed over both polarities.

        Parameters
        ----------
        port : int
            Its place among the graph's ports.

        Returns
        -------
        ndarray, shape (n,)
            [ohm]; infinite for a pack of which a pole is joined to the port by way of other packs only.

        Examples
        --------
        A chain of two packs, with 1 mΩ in each polarity from the first to the second:

        >>> from simbank.bank import Branch, Graph
        >>> links = [Branch(pole, "link", "A" + pole, "B" + pole, 1e-3) for pole in "+-"]
        >>> graph = Graph.build(links, {"A": ("A+", "A-"), "B": ("B+", "B-")}, {"load": ("A+", "A-")})
        >>> Network(graph, [0.02, 0.02]).loop_ohm(0).round(9).tolist()
        [0.0, 0.002]
        """
        n = len(self.pack_ends)
        component, _, _, _, _, impedance = self._conductor_response(np.ones(len(self.branch_ends), bool))
        # One ampere from pack to port and back is the sum of their two columns of incidence.
        ohm = np.diag(impedance)[:n] + impedance[n + port, n + port] + 2.0 * impedance[:n, n + port]
        joined = (component[self.pack_ends] == component[self.port_ends[port]]).all(axis=1)
        return np.where(joined, np.maximum(ohm, 0.0), np.inf)

    def _reduce(self, packs, branches):
        """Solve with the pack currents as unknowns.

        What the conductors do is worked out from currents that balance, so that a very good conductor beside a poor one costs no
        accuracy.

        With φ the potentials that balanced currents make in each component of conductor and c the level of each component::

            e − R I = A'(φ(I, J) + S c)        round every loop (A: pack incidence, S: which node is in which component)
            S'A I = S'P J                      into every component
        """
        n, p = len(self.pack_ends), len(self.port_ends)
        key = packs.tobytes(), branches.tobytes()
        if key not in self._equations:
            if len(self._equations) >= MAX_EQUATIONS:
                self._equations.clear()
            self._equations[key] = self._pattern(packs, branches)
        closed, live, matrix, right, current_into, flows, impedance, port_live, pack_live = self._equations[key]
        k = len(closed)
        matrix = matrix.copy()
        matrix[np.arange(k), np.arange(k)] += self.pack_ohm[closed]
        solution = _solved(matrix, right) if len(matrix) else right

        current = np.zeros((n + p, n + p))  # of packs and ports, from [e, J]
        current[closed] = solution[:k]
        current[live, live] = 1.0
        voltage = impedance @ current + current_into.T @ solution[k:]  # across packs, and minus that across ports
        terminal = voltage[:n]
        terminal[~pack_live] = 0.0
        hybrid = np.vstack([current[:n], -voltage[n:]])
        hybrid[n:][~port_live] = 0.0
        return Reduced(hybrid, terminal, flows, port_live, pack_live)

    def _pattern(self, packs, branches):
        """The equations of :meth:`_reduce` for a switch pattern, but for the packs' own resistances.

        Returns
        -------
        closed, live : ndarray of int
            Packs that are closed, and numbers of live ports after those of the n packs.
        matrix, right : ndarray
            Both sides of the equations; to the diagonal the closed packs' resistances are to be added [ohm].
        current_into : ndarray, shape (components with a free level, n + p)
            What enters each for one ampere of each pack and port.
        flows, impedance : ndarray
            As of :meth:`_conductor_response`.
        port_live, pack_live : ndarray of bool
            As of :class:`Reduced`.
        """
        n, p = len(self.pack_ends), len(self.port_ends)
        key = branches.tobytes()
        if key not in self._conductors:
            if len(self._conductors) >= MAX_CACHED:
                self._conductors.clear()
            self._conductors[key] = self._conductor_response(branches)
        component, component_names, first_node, incidence, flows, impedance = self._conductors[key]
        closed_ends = self.branch_ends[branches]
        joined = components(self.n_nodes, np.vstack([closed_ends, self.pack_ends[packs]]))
        port_live = joined[self.port_ends[:, 0]] == joined[self.port_ends[:, 1]]
        pack_live = joined[self.pack_ends[:, 0]] == joined[self.pack_ends[:, 1]]

        # One level is free for each component but the first of those that closed packs join.
        grounded = np.isin(first_node, np.unique(joined, return_index=True)[1])
        in_component = (component[:, None] == component_names[~grounded]).astype(float)
        current_into = in_component.T @ incidence

        closed, m = np.flatnonzero(packs), in_component.shape[1]
        k = len(closed)
        matrix = np.zeros((k + m, k + m))
        matrix[:k, :k] = impedance[np.ix_(closed, closed)]
        matrix[:k, k:] = current_into[:, closed].T
        matrix[k:, :k] = current_into[:, closed]
        right = np.zeros((k + m, n + p))
        right[np.arange(k), closed] = 1.0
        live = n + np.flatnonzero(port_live)
        right[:k, live] = -impedance[np.ix_(closed, live)]
        right[k:, live] = -current_into[:, live]
        return closed, live, matrix, right, current_into, flows, impedance, port_live, pack_live

    def _conductor_response(self, branches):
        """What does not depend on which packs are closed.

        Returns
        -------
        component : ndarray, shape (nodes,)
            Of conductor, to which each node belongs.
        component_names, first_node : ndarray
            The components, and the first node of each, at which its potential is zero.
        incidence : ndarray, shape (nodes, n + p)
            What enters each node for one ampere of each pack and port.
        flows : ndarray, shape (b, n + p)
            Current of each branch, likewise.
        impedance : ndarray, shape (n + p, n + p)
            Voltages that these currents make across packs, and minus that across ports [ohm].
        """
        n, p = len(self.pack_ends), len(self.port_ends)
        closed_ends, closed_g = self.branch_ends[branches], 1.0 / self.branch_ohm[branches]
        component = components(self.n_nodes, closed_ends)
        incidence = np.zeros((self.n_nodes, n + p))  # currents enter at a pack's positive node and leave at a port's
        for column, (plus, minus), sign in [
            *((k, ends, 1.0) for k, ends in enumerate(self.pack_ends)),
            *((n + j, ends, -1.0) for j, ends in enumerate(self.port_ends)),
        ]:
            incidence[plus, column] += sign
            incidence[minus, column] -= sign
        component_names, first_node = np.unique(component, return_index=True)
        solve = grounded_solver(closed_ends, closed_g, self.n_nodes, first_node)
        node_voltage = solve(incidence)
        branch_current = closed_g[:, None] * (node_voltage[closed_ends[:, 0]] - node_voltage[closed_ends[:, 1]])
        imbalance = incidence.copy()  # residual of each node's balance: one step of iterative refinement
        np.subtract.at(imbalance, closed_ends[:, 0], branch_current)
        np.add.at(imbalance, closed_ends[:, 1], branch_current)
        imbalance[first_node] = 0.0
        correction = solve(imbalance)
        branch_current += closed_g[:, None] * (correction[closed_ends[:, 0]] - correction[closed_ends[:, 1]])
        flows = np.zeros((len(self.branch_ends), n + p))
        flows[branches] = branch_current
        return component, component_names, first_node, incidence, flows, incidence.T @ node_voltage


def _solved(matrix, right):
    """What solves ``matrix`` · x = ``right``: by scipy's ``lu_solve(lu_factor(...))``, of which for so few equations most is looking about."""
    factors, pivots, singular = dgetrf(matrix)
    if singular or not np.isfinite(factors).all():
        return lu_solve(lu_factor(matrix), right)  # which says so
    return dgetrs(factors, pivots, right)[0]


_recent: list[Network] = []


def network_of(graph: Graph, pack_ohm: ArrayLike) -> Network:
    """The network of a graph, with what it has reduced already if the same graph was asked for with these resistances lately.

    A draw of a bank is run, and then asked for what meters would show; its equations are solved once.

    Parameters
    ----------
    graph : Graph
        As of :class:`Network`, and so are
    pack_ohm : array_like, shape (n,)
        its resistances [ohm].
    """
    same = np.asarray(pack_ohm, float).tobytes()
    for network in tuple(_recent):
        if network.graph is graph and network.pack_ohm.tobytes() == same:
            return network
    alike = next((network for network in tuple(_recent) if network.graph is graph), None)
    network = Network(graph, np.array(pack_ohm, float)) if alike is None else alike.with_packs(np.array(pack_ohm, float))
    _recent.insert(0, network)
    del _recent[MAX_RECENT:]
    return network


def components(size: int, ends: np.ndarray) -> np.ndarray:
    """Number of the connected component of each of ``size`` nodes, for branches with ends of shape (b, 2).

    >>> components(4, np.array([[0, 2], [1, 3]]))
    array([0, 1, 0, 1])
    """
    return spanning_forest(size, ends)[0]


def spanning_forest(size: int, ends: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Connected components of a graph, and branches that span them without a loop.

    Written here (union-find): importing ``scipy.sparse.csgraph``, which has it too, would cost every run a tenth of a second.

    Parameters
    ----------
    size : int
        How many nodes there are.
    ends : ndarray of int, shape (b, 2)
        Nodes of each branch.

    Returns
    -------
    component : ndarray, shape (size,)
        Number of the component of each node.
    in_tree : ndarray of bool, shape (b,)
        Whether a branch is in the spanning tree of its component; of several in a loop the earlier ones are.

    >>> spanning_forest(3, np.array([[0, 1], [1, 2], [0, 2]]))[1]
    array([ True,  True, False])
    """
    return _spanning_forest(size, np.ascontiguousarray(ends, np.int64).tobytes())


@functools.lru_cache(maxsize=1024)  # the banks of a sweep are wired alike
def _spanning_forest(size, ends):
    ends = np.frombuffer(ends, np.int64).reshape(-1, 2).tolist()
    leader = list(range(size))  # each node points to another of its component, the first of it to itself
    in_tree = np.zeros(len(ends), bool)

    def first(node):
        while leader[node] != node:
            leader[node] = leader[leader[node]]
            node = leader[node]
        return node

    for k, (a, b) in enumerate(ends):
        one, other = first(a), first(b)
        in_tree[k] = one != other
        leader[max(one, other)] = min(one, other)
    return np.unique([first(node) for node in range(size)], return_inverse=True)[1], in_tree


def grounded_solver(ends, conductance, size, grounded):
    """Nodal solution of a network of conductances.

    Parameters
    ----------
    ends : ndarray of int, shape (b, 2)
        Nodes of each branch.
    conductance : ndarray, shape (b,)
        [S].
    size : int
        How many nodes there are.
    grounded : ndarray of int
        Nodes at zero potential, one in each connected component.

    Returns
    -------
    callable
        From what is driven into the nodes [A], shape (size, m), to their potentials [V], shape (size, m).
    """
    laplacian = np.zeros((size, size))
    a, b = ends[:, 0], ends[:, 1]
    np.add.at(laplacian, (a, a), conductance)
    np.add.at(laplacian, (b, b), conductance)
    np.add.at(laplacian, (a, b), -conductance)
    np.add.at(laplacian, (b, a), -conductance)
    free = np.ones(size, bool)
    free[grounded] = False
    free = np.flatnonzero(free)
    factors = lu_factor(laplacian[np.ix_(free, free)]) if free.size else None

    def solve(drive):
        potential = np.zeros_like(drive)
        if factors is not None:
            potential[free] = lu_solve(factors, drive[free])
        return potential

    return solve

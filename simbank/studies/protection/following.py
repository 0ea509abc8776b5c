"""A fault followed from one opening to the next, by one line of every device's band.

Edges in series carry one current, so that of each such chain only one row is reckoned; and of the times after an opening only as many
as pass until the next device opens.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from simbank.simulation import arrays as ar
from simbank.simulation.devices import damage_rates, picked_up_since
from simbank.studies.protection.fault_course import Response, loops_without

if TYPE_CHECKING:
    from collections.abc import Callable
    from collections.abc import Sequence as Row

    from simbank.studies.protection.fault_circuit import FaultCircuit

__all__ = ["CLEARED_SHARE", "FAULT_HORIZON_S", "TIMES", "Chains", "DamageCourse", "Opening", "Sequence", "followed"]

FAULT_HORIZON_S = 1000.0  # followed so long; the packs' state of charge is taken to stand still
CLEARED_SHARE = 1e-6  # a fault carrying less than this share of its first current is cleared
SAME_TIME = 1e-9  # devices whose times to open differ by less than this share open in the order of the file
TIMES = np.concatenate([[0.0], np.geomspace(1e-6, FAULT_HORIZON_S, 451)])  # fifty a decade
PARTS = (101, *range(126, len(TIMES), 25), len(TIMES))  # so many are looked at, part after part, until a device opens


@dataclass(frozen=True)
class Opening:
    """A device that opens: when [s], at what current [A]."""

    device: str
    time_s: float
    current_a: float


@dataclass(frozen=True, eq=False)
class Sequence:
    """A fault followed by one line of every device's band.

    ``cleared_s`` is None if it goes on; ``i2t`` is ∫ i² dt [A²s] of every branch until then (or for ``FAULT_HORIZON_S``);
    ``still_carrying`` names the devices that stay closed and carry what goes on, ``fed_by`` the packs that feed it; ``end_a`` is
    the current of every branch at the end, ``most_a`` its greatest on the way (both [A], in the order of ``i2t``). Of devices that open at
    one instant the last carries most: ``most_in_turn_a`` is ``most_a`` with their order turned round as well. A fault inside
    a pack counts as cleared when its neighbours no longer feed it: what the pack itself puts in, no device outside can end.
    """

    openings: tuple[Opening, ...]
    cleared_s: float | None
    i2t: np.ndarray
    still_carrying: tuple[str, ...]
    fed_by: tuple[str, ...] = ()
    end_a: np.ndarray = field(repr=False, default=None)
    most_a: np.ndarray = field(repr=False, default=None)
    most_in_turn_a: np.ndarray = field(repr=False, default=None)


class Chains:
    """A circuit with a fault, one row for all edges that are in series.

    Parameters
    ----------
    circuit : FaultCircuit
    loops : ndarray, shape (e, m)
        Independent loops with everything closed, the fault's edge last.

    Attributes
    ----------
    row, sign : ndarray, shape (e,)
        Which row each edge is, and 1, −1, or 0 where it carries nothing whatever opens. The packs' rows come first, one for each.
    ohm, henry : ndarray, shape (rows,)
        Of all edges of a row together; the fault without resistance.
    loops : ndarray, shape (rows, m)
        Rows by loops.
    emf : ndarray, shape (n,)
        Of the packs [V].
    edge : ndarray of int, shape (rows,)
        One edge of each row.
    nothing : int
        Stands, after all rows, for edges that carry nothing.
    """

    def __init__(self, circuit: FaultCircuit, loops: np.ndarray):
        n, edges = circuit.n, len(loops)
        self.circuit, self.emf = circuit, circuit.emf
        lead = loops[np.arange(edges), np.abs(loops).argmax(axis=1)] if loops.shape[1] else np.zeros(edges)
        way = loops * lead[:, None]  # the first loop that an edge is in goes through it forwards
        found, kept = {}, list(range(n))
        self.row, self.sign = np.zeros(edges, int), np.zeros(edges, int)
        for k, key in enumerate(row.tobytes() for row in way.astype(np.int8)):
            if k >= n and lead[k] and key not in found:
                found[key] = len(kept)
                kept.append(k)
            elif k < n:
                found.setdefault(key, k)
            if k < n or lead[k]:
                self.row[k] = k if k < n else found[key]
                self.sign[k] = 1 if k < n else round(lead[k] * lead[kept[found[key]]])
        self.loops, self.nothing, self.edge = loops[kept], len(kept), np.array(kept)
        self.ohm, self.henry = np.zeros((2, len(kept)))
        henry = np.append(circuit.henry, circuit.least_henry)
        flows = np.flatnonzero(self.sign)
        np.add.at(self.ohm, self.row[flows], np.append(circuit.ohm, 0.0)[flows])
        np.add.at(self.henry, self.row[flows], henry[flows])

    def answers(self) -> np.ndarray:
        """Steady current of every row from one volt in each pack, everything closed, shape (rows, n) [S]."""
        packs = self.loops[: len(self.emf)]
        return self.loops @ np.linalg.solve(self.loops.T @ (self.ohm[:, None] * self.loops), packs.T)

    def loops_with(self, closed: np.ndarray) -> np.ndarray:
        """Independent loops with only some packs and branches conducting, booleans of shape (n + b,)."""
        loops = self.loops
        for row in np.unique(self.row[np.flatnonzero(~closed & (self.sign[:-1] != 0))]):
            loops = loops_without(loops, row)
        return loops

    def fault_ohm(self, ohm: float) -> np.ndarray:
        """Resistance of every row with that of the fault [ohm]."""
        own = self.ohm.copy()
        own[self.row[-1]] += ohm * (self.sign[-1] != 0)
        return own

    def respond(self, loops: np.ndarray, ohm: np.ndarray, before: np.ndarray | None, relaxed: np.ndarray | None) -> Response:
        """:meth:`FaultCircuit.respond` by rows instead of edges."""
        circuit = self.circuit
        packs = loops[: circuit.n]
        mass, resistance = loops.T @ (self.henry[:, None] * loops), loops.T @ (ohm[:, None] * loops)
        initial_a = loops @ np.linalg.solve(resistance, packs.T @ self.emf)
        currents = np.zeros(len(mass)) if before is None else np.linalg.solve(mass, loops.T @ (self.henry * before))
        relaxed = np.zeros(2 * circuit.n) if relaxed is None else relaxed
        return Response(initial_a, loops, mass, resistance, self.emf, *circuit.pairs, (currents, relaxed))

    def every(self, rows: np.ndarray) -> np.ndarray:
        """Currents of every edge from those of the rows."""
        return rows[self.row] * self.sign


class DamageCourse:
    """Damage of devices and since when they have carried their pickup current, part by part of :data:`TIMES`.

    By :func:`simbank.simulation.devices.damage_rate`, without cooling, and by the instantaneous release: it acts if the current is still
    at its pickup or more at the first of the times that is not before the end of its delay.

    Parameters
    ----------
    devices, curves
        Rows and curves of those that may open, by one line of their bands.
    start : ndarray, shape (d,)
        Their damage at the beginning.
    since : ndarray, shape (d,)
        Since when each has carried its pickup current [s], before the beginning; infinite for one that has not.
    """

    def __init__(self, devices, curves, start: np.ndarray, since: np.ndarray):
        self.devices, self.curves = devices, curves
        self.releases = bool(np.isfinite(devices[:, ar.PICKUP_MULTIPLE]).any())
        self._parts, self._rates, self._since = [start[None]], None, since
        self._picked = []

    @property
    def grown(self) -> np.ndarray:
        """Damage at each of the times so far, shape (m, d)."""
        return np.vstack(self._parts[1:])

    @property
    def picked(self) -> np.ndarray:
        """Since when each carries its pickup current, at each of the times so far [s], shape (m, d)."""
        return np.vstack(self._picked) if self.releases else np.full(self.grown.shape, np.inf)

    def grow(self, currents: np.ndarray, begin: int, end: int, goes_on: bool) -> np.ndarray:
        """When each device opens [s] if these are its currents at ``TIMES[begin:end]``, shape (m, d).

        With ``goes_on`` the last of them goes on as it is; else what opens later than the last time is told as never.
        """
        times = TIMES[max(0, begin - 1) : end]
        rates = damage_rates(np.ascontiguousarray(currents), self.devices, self.curves)
        known = rates if begin == 0 else np.vstack([self._rates, rates])
        grown = np.empty((len(known), known.shape[1]))
        grown[0] = self._parts[-1][-1]
        grown[1:] = np.diff(times)[:, None] * (known[1:] + known[:-1]) / 2.0
        np.cumsum(grown, axis=0, out=grown)
        self._rates = rates[-1:]
        self._parts.append(grown[1:] if begin else grown)
        at = np.full(known.shape[1], np.inf)
        melts = np.flatnonzero(grown[-1] >= 1.0)
        if melts.size:
            k = np.maximum(1, np.argmax(grown[:, melts] >= 1.0, axis=0))
            before = grown[k - 1, melts]
            rise = grown[k, melts] - before
            share = np.divide(1.0 - before, rise, out=np.zeros(len(melts)), where=rise > 0)
            at[melts] = times[k - 1] + np.clip(share, 0.0, 1.0) * (times[k] - times[k - 1])
        if not self.releases:
            return at
        here = TIMES[begin:end]
        picked = picked_up_since(here, currents, self._since, self.devices)
        self._picked.append(picked)
        self._since = picked[-1]
        until = np.append(here[:-1], np.inf if goes_on else here[-1])[:, None]
        acts = picked + self.devices[:, ar.PICKUP_DELAY_S]
        return np.minimum(at, np.where(acts <= until, np.maximum(acts, 0.0), np.inf).min(axis=0))

    def at(self, time: float) -> tuple[np.ndarray, np.ndarray]:
        """Damage at a time, and since when each carries its pickup current as seen from then [s]."""
        damage = _between(time, self.grown)
        if not self.releases:
            return damage, np.full(len(damage), np.inf)
        return damage, np.vstack(self._picked)[np.searchsorted(TIMES, time, side="right") - 1] - time


def followed(
    chains: Chains, names: Row[str], device_edge: np.ndarray, lines: tuple, never: np.ndarray, feed: Callable, *,
    ohm: float = 0.0, closed: np.ndarray | None = None, packs: Row[str] = (),
) -> Sequence:  # fmt: skip
    """The fault from its beginning until it is cleared or no more device opens.

    Parameters
    ----------
    chains : Chains
        The circuit with the fault.
    names : sequence of str
        Of the devices.
    device_edge : ndarray of int, shape (d,)
        Their edges.
    lines : tuple
        Their rows and curves, by one line of their bands.
    never : ndarray of bool, shape (d,)
        Which of them never open.
    feed : callable
        Of currents of all edges the part that devices can be asked to end [A].
    ohm : float
        The fault's own resistance.
    closed : ndarray of bool, shape (n + b,), optional
        Which packs and branches conduct at the beginning; all by default.
    packs : sequence of str
        Names of the packs.

    Returns
    -------
    Sequence
    """
    devices, curves = lines
    loops = chains.loops if closed is None else chains.loops_with(closed)
    own_ohm, rows = chains.fault_ohm(ohm), chains.row[device_edge]
    conducts = chains.sign[device_edge] != 0
    shut = np.ones(len(names), bool) if closed is None else closed[device_edge].copy()
    i2t, most, in_turn = np.zeros((3, len(chains.loops)))
    damage, since = np.zeros(len(names)), np.full(len(names), np.inf)
    before, relaxed, clock, openings, first = None, None, 0.0, [], None

    def told(cleared_s, end, carrying=(), fed_by=()):
        flows = chains.sign != 0
        return Sequence(
            tuple(openings), cleared_s, i2t[chains.row] * flows, carrying, fed_by, chains.every(end), most[chains.row] * flows,
            np.maximum(most, in_turn)[chains.row] * flows,
        )  # fmt: skip

    for _ in range(len(names) + 1):
        response = chains.respond(loops, own_ohm, before, relaxed)
        left = feed(chains.every(response.initial_a))
        first = left if first is None else first
        if left <= CLEARED_SHARE * first:
            return told(clock, response.initial_a)
        live = np.flatnonzero(shut & conducts & ~never)
        course = DamageCourse(devices[live], curves, damage[live], since[live])
        at, state = _until_one_opens(response, course, rows[live], chains.sign[device_edge[live]])
        soonest = at.min(initial=np.inf)
        if not np.isfinite(soonest) or clock + soonest > FAULT_HORIZON_S:
            if len(state) < len(TIMES):
                state = np.vstack([state, response.loop_currents(TIMES[len(state) :])])
            currents = state @ loops.T
            np.maximum(most, np.abs(currents).max(axis=0), out=most)
            i2t += _weights(TIMES[-1]) @ currents**2
            end = chains.every(currents[-1])
            carrying = [name for d, name in enumerate(names) if shut[d] and abs(end[device_edge[d]]) > 1e-3 * abs(end[-1])]
            fed_by = [name for k, name in enumerate(packs) if abs(end[k]) > 1e-2 * abs(end[-1])]
            return told(None, currents[-1], tuple(carrying), tuple(fed_by))
        at_once = np.flatnonzero(clock + at <= (clock + soonest) * (1.0 + SAME_TIME))
        d, time = int(live[at_once[0]]), at[at_once[0]]
        after = (
            int(np.searchsorted(TIMES, time)) if time > SAME_TIME * clock else 0
        )  # no time passes between openings at one instant
        currents = state[: max(1, after) + 1] @ loops.T
        np.maximum(most, np.abs(currents[: after + 1]).max(axis=0), out=most)
        i2t += _weights(time)[: len(currents)] @ currents**2
        before, relaxed = response.at([time])[0], response.relaxed(time)
        if after and len(at_once) > 1:
            np.maximum(in_turn, _most_in_turn(chains, loops, rows[live[at_once[:0:-1]]], before), out=in_turn)
        damage[live], since[live] = course.at(time)
        clock += time
        openings.append(Opening(names[d], clock, float(abs(before[rows[d]]))))
        shut[d], loops = False, loops_without(loops, rows[d])
    return told(None, np.zeros(len(most)))


def _most_in_turn(chains, loops, rows, before):
    """Greatest current of every row while the devices of some rows open in turn at one instant.

    Of devices that open at one instant the last carries most, and which that is nobody knows: the order of the file is followed, the
    opposite looked at besides.
    """
    most = np.zeros(len(before))
    for row in rows:
        loops = loops_without(loops, row)
        mass = loops.T @ (chains.henry[:, None] * loops)
        np.maximum(most, np.abs(loops @ np.linalg.solve(mass, loops.T @ (chains.henry * before))), out=most)
    return most


def _until_one_opens(response, course, rows, sign):
    """When each device opens [s], and the loop currents at :data:`TIMES`, as far as the first that opens."""
    through, state = (response.loops[rows] * sign[:, None]).T, np.zeros((0, response.loops.shape[1]))
    for count in PARTS:
        begin = len(state)
        part = response.loop_currents(TIMES[begin:count])
        state = np.vstack([state, part])
        at = course.grow(part @ through, begin, count, count == len(TIMES))
        if at.min(initial=np.inf) <= TIMES[count - 1]:
            break
    return at, state


def _weights(time):
    """Weights of :data:`TIMES` by which a quantity known there is summed from 0 to a time: trapezoidal rule, the last of them in part."""
    k = int(np.clip(np.searchsorted(TIMES, time), 1, len(TIMES) - 1))
    steps = np.diff(TIMES[: k + 1])
    steps[-1] = time - TIMES[k - 1]
    out = np.zeros(len(TIMES))
    out[:k] += steps / 2.0
    out[1 : k + 1] += steps / 2.0
    return out


def _between(time, rows):
    """Rows at :data:`TIMES`, shape (m, k), by straight line at one time, shape (k,)."""
    k = int(np.clip(np.searchsorted(TIMES, time), 1, len(TIMES) - 1))
    share = (time - TIMES[k - 1]) / (TIMES[k] - TIMES[k - 1])
    return rows[k - 1] + share * (rows[k] - rows[k - 1])

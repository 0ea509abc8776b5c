"""The course of a fault: loop currents and relaxation by modes.

Of M dx/dt = C' E − B' v − K x and dv/dt = (R B x − v) / τ (see :mod:`simbank.studies.protection.fault_circuit`; B: which loop goes
through the pack of each relaxation pair) a mode is H φ = λ N φ with the symmetric ::

    H = | −K  −B' |     N = | M    0   |
        | −B  1/R |         | 0  −τ/R |

Inductances settle in milliseconds, cells in seconds to hours: with a rate ν between the two, S = −(H + ν N) is positive definite, so
that N φ = θ S φ has real θ and takes a fraction of the work of an unsymmetric matrix. Where it is not (there is no such ν), the
modes are those of the unsymmetric matrix.

Most of what follows an opening is over long before the cells have relaxed. For times that are short beside their time constants only
the modes of the inductances are found, as many as there are loops: along them v = P x, where P is the fixed point of ::

    P = −(1/τ) (R B − P) (K + B'P)⁻¹ M        each round gains as many digits as lie between the rates of cells and inductances

and what is left, orthogonal to them, x = Q v with Q = M⁻¹ P' τ/R, changes by dv/dt = ((R B Q − 1) / τ) v: a short Taylor series.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from scipy.linalg import LinAlgError, eig, eigh

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["Response", "loops_without"]

SHORT = 0.25  # times are short up to this share of the shortest time constant of the cells, their coupling counted
TERMS = 10  # of a Taylor series there: 0.25^10 / 10! is beyond round-off
ROUNDS = 6  # of the fixed point, else all modes are found
SETTLED = 1e-14  # change of the fixed point, as a share of the least resistance of a loop, by which it is there


@dataclass(frozen=True, eq=False)
class Response:
    """Currents after a fault begins.

    Attributes
    ----------
    initial_a : ndarray, shape (e,)
        Current of every edge without inductance, before any relaxation: the prospective current. Edges are the packs, then the
        branches of the graph, then the fault. A pack's counts positive out of it.
    loops : ndarray, shape (e, m)
        Edges by loops, +1 and −1 where an edge lies in a loop.
    """

    initial_a: np.ndarray
    loops: np.ndarray
    _mass: np.ndarray  # shape (m, m): M
    _ohm: np.ndarray  # shape (m, m): K
    _emf: np.ndarray  # shape (n,)
    _pair_ohm: np.ndarray  # shape (2 n,): of the relaxation pairs, the first of every pack before the second
    _pair_tau: np.ndarray  # shape (2 n,)
    _start: tuple[np.ndarray, np.ndarray]  # loop currents, shape (m,), and voltages of the pairs, shape (2 n,), at the beginning

    @cached_property
    def _moving(self):
        """Which relaxation pairs take a current; the others decay alone."""
        carries = self.loops[: len(self._emf)].any(axis=1)
        return np.flatnonzero(np.concatenate([carries, carries]) & (self._pair_ohm > 0))

    @cached_property
    def _modes(self):
        """State at last; rates [1/s]; modes, as columns; what each has of the state at the beginning, less that at last.

        Of the loop currents and the pairs that take a current. Found when they are asked for: of a fault that is cleared only the
        current at once is.
        """
        through, currents, volts = self._end
        moving = self._moving
        ohm, tau = self._pair_ohm[moving], self._pair_tau[moving]
        end = np.concatenate([currents, volts])
        begin = np.concatenate([self._start[0], self._start[1][moving]]) - end
        if not end.size:
            return end, end, np.zeros((0, 0)), end
        try:
            return end, *_real_modes(self._mass, self._ohm, through, ohm, tau, begin)
        except LinAlgError:
            return end, *_any_modes(self._mass, self._ohm, through, ohm, tau, begin)

    @cached_property
    def _end(self):
        """Loop currents and voltages of the pairs that take a current, at last."""
        moving, packs = self._moving, self.loops[: len(self._emf)]
        through, ohm = packs[moving % max(1, len(packs))], self._pair_ohm[moving]
        currents = np.linalg.solve(self._ohm + through.T @ (ohm[:, None] * through), packs.T @ self._emf)
        return through, currents, ohm * (through @ currents)

    @cached_property
    def _short_s(self):
        """Up to which time the course is told by :attr:`_short_modes` [s]; below 0 where cells are as fast as inductances, or do not relax."""
        ohm, tau = self._pair_ohm[self._moving], self._pair_tau[self._moving]
        if not len(tau) or not len(self._mass):
            return -1.0
        rate = ((1.0 + ohm / self._ohm.diagonal().min()) / tau).max()
        return SHORT / rate if self._short_modes is not None else -1.0

    @cached_property
    def _short_modes(self):
        """Rates, modes (of the loops, as columns), pairs by loops, weights of the modes; and the rest as coefficients of a Taylor series.

        None where the fixed point is not found.
        """
        through, currents, volts = self._end
        moving = self._moving
        ohm, tau = self._pair_ohm[moving], self._pair_tau[moving]
        driven, pairs = ohm[:, None] * through, np.zeros(through.shape)
        for _ in range(ROUNDS):
            loops = np.linalg.solve(self._ohm + through.T @ pairs, self._mass)
            found = ((pairs - driven) / tau[:, None]) @ loops
            change, pairs = np.abs(found - pairs).max(), found
            if change <= SETTLED * self._ohm.diagonal().min():
                break
        else:
            return None
        farad = tau / ohm
        shared = pairs.T @ through
        norm = self._mass - pairs.T @ (farad[:, None] * pairs)
        stiff = self._ohm + shared + shared.T - pairs.T @ (pairs / ohm[:, None])
        begin, held = self._start[0] - currents, self._start[1][moving] - volts
        try:
            rates, modes = eigh(0.5 * (stiff + stiff.T), 0.5 * (norm + norm.T), driver="gvd", check_finite=False)
        except LinAlgError:
            return None
        weights = modes.T @ (self._mass @ begin - pairs.T @ (farad * held))
        rest = held - pairs @ (modes @ weights)
        back = np.linalg.solve(self._mass, pairs.T * farad)
        series = np.empty((TERMS, len(back) + len(rest)))
        for k in range(TERMS):
            series[k, : len(back)] = back @ rest
            series[k, len(back) :] = rest
            rest = (ohm * (through @ series[k, : len(back)]) - rest) / tau / (k + 1)
        return -rates, modes, pairs, weights, series

    def loop_currents(self, times_s: Sequence[float]) -> np.ndarray:
        """Current round every loop at times from the beginning [s], shape (times, m) [A]."""
        count, times_s = self.loops.shape[1], np.asarray(times_s, float)
        if times_s.max(initial=0.0) <= self._short_s:
            values, modes, _, weights, series = self._short_modes
            grown = np.exp(np.outer(times_s, values)) * weights
            slow = np.vander(times_s, TERMS, increasing=True) @ series[:, :count]
            return grown @ modes.T + slow + self._end[1]
        end, values, vectors, weights = self._modes
        grown = np.exp(np.outer(times_s, values)) * weights
        return (grown @ vectors[:count].T).real + end[:count]

    def at(self, times_s: Sequence[float]) -> np.ndarray:
        """Current of every edge at times from the beginning [s], shape (times, e) [A]."""
        return self.loop_currents(times_s) @ self.loops.T

    def relaxed(self, time_s: float) -> np.ndarray:
        """Voltages of the relaxation pairs at a time [V], shape (2 n,)."""
        count = self.loops.shape[1]
        volt = self._start[1] * np.exp(-time_s / self._pair_tau)
        if time_s <= self._short_s:
            values, modes, pairs, weights, series = self._short_modes
            slow = time_s ** np.arange(TERMS) @ series[:, count:]
            volt[self._moving] = pairs @ (modes @ (np.exp(time_s * values) * weights)) + slow + self._end[2]
            return volt
        end, values, vectors, weights = self._modes
        volt[self._moving] = (vectors[count:] @ (np.exp(time_s * values) * weights)).real + end[count:]
        return volt


def _real_modes(mass, ohm, through, pair_ohm, pair_tau, begin):
    """Rates, modes and what each has of the state ``begin``, by a symmetric problem; raises LinAlgError where there is no ν."""
    m, size = len(mass), len(begin)
    farad = pair_tau / pair_ohm
    norm, stiff = np.zeros((2, size, size))
    norm[:m, :m] = mass
    norm[range(m, size), range(m, size)] = -farad
    stiff[:m, :m], stiff[:m, m:], stiff[m:, :m] = -ohm, -through.T, -through
    stiff[range(m, size), range(m, size)] = 1.0 / pair_ohm
    between = (ohm.diagonal() / mass.diagonal()).min()
    if size > m:
        cells = ((1.0 + pair_ohm / ohm.diagonal().min()) / pair_tau).max()
        between = np.sqrt(between * cells)
    else:
        between = 0.0
    _, vectors = eigh(norm, -(stiff + between * norm), driver="gvd", check_finite=False)
    normed = norm @ vectors
    own = np.einsum("ij,ij->j", vectors, normed)
    values = np.einsum("ij,ij->j", vectors, stiff @ vectors) / own  # Rayleigh's quotient: exact to the square of a mode's error
    return values, vectors, (begin @ normed) / own


def _any_modes(mass, ohm, through, pair_ohm, pair_tau, begin):
    """:func:`_real_modes` of the unsymmetric matrix."""
    m = len(mass)
    matrix = np.zeros((len(begin), len(begin)))
    matrix[:m] = -np.linalg.solve(mass, np.hstack([ohm, through.T]))
    matrix[m:, :m] = (pair_ohm / pair_tau)[:, None] * through
    matrix[m:, m:] = -np.diag(1.0 / pair_tau)
    values, vectors = eig(matrix)
    return values, vectors, np.linalg.solve(vectors, begin.astype(complex))


def loops_without(loops: np.ndarray, edge: int) -> np.ndarray:
    """Independent loops once an edge no longer conducts, from those before, each of which has an edge of its own.

    One loop that goes through it is taken from the others that do, and left out; the rest keep edges of their own, so that all
    numbers stay −1, 0 and 1.

    Parameters
    ----------
    loops : ndarray, shape (e, m)
        Edges by loops.
    edge : int
        The edge that no longer conducts.

    Returns
    -------
    ndarray, shape (e, m) or (e, m − 1)

    >>> loops_without(np.array([[1.0, 1.0], [1.0, 0.0], [0.0, 1.0]]), 0)
    array([[ 0.],
           [-1.],
           [ 1.]])
    """
    through = np.flatnonzero(loops[edge])
    if not through.size:
        return loops
    taken = through[np.abs(loops[:, through]).sum(axis=0).argmin()]
    share = loops[edge] / loops[edge, taken]
    return np.delete(loops - np.outer(loops[:, taken], share), taken, axis=1)

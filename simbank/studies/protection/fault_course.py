"""The course of a fault: loop currents and relaxation by modes.

Of M dx/dt = C' E − B' v − K x and dv/dt = (R B x − v) / τ (see :mod:`simbank.studies.protection.fault_circuit`; B: which loop goes
through the pack of each relaxation pair) a mode is H φ = λ N φ with the symmetric ::

    H = | −K  −B' |     N = | M    0   |
        | −B  1/R |         | 0  −τ/R |

Inductances settle in milliseconds, cells in seconds to hours: with a rate ν between the two, S = −(H + ν N) is positive definite, so
that N φ = θ S φ has real θ and takes a fraction of the work of an unsymmetric matrix. Where it is not (there is no such ν), the
modes are those of the unsymmetric matrix.
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
        moving, packs = self._moving, self.loops[: len(self._emf)]
        through, ohm, tau = packs[moving % max(1, len(packs))], self._pair_ohm[moving], self._pair_tau[moving]
        currents = np.linalg.solve(self._ohm + through.T @ (ohm[:, None] * through), packs.T @ self._emf)
        end = np.concatenate([currents, ohm * (through @ currents)])
        begin = np.concatenate([self._start[0], self._start[1][moving]]) - end
        if not end.size:
            return end, end, np.zeros((0, 0)), end
        try:
            return end, *_real_modes(self._mass, self._ohm, through, ohm, tau, begin)
        except LinAlgError:
            return end, *_any_modes(self._mass, self._ohm, through, ohm, tau, begin)

    def loop_currents(self, times_s: Sequence[float]) -> np.ndarray:
        """Current round every loop at times from the beginning [s], shape (times, m) [A]."""
        end, values, vectors, weights = self._modes
        count = self.loops.shape[1]
        grown = np.exp(np.outer(np.asarray(times_s, float), values)) * weights
        return (grown @ vectors[:count].T).real + end[:count]

    def at(self, times_s: Sequence[float]) -> np.ndarray:
        """Current of every edge at times from the beginning [s], shape (times, e) [A]."""
        return self.loop_currents(times_s) @ self.loops.T

    def relaxed(self, time_s: float) -> np.ndarray:
        """Voltages of the relaxation pairs at a time [V], shape (2 n,)."""
        end, values, vectors, weights = self._modes
        count = self.loops.shape[1]
        volt = self._start[1] * np.exp(-time_s / self._pair_tau)
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

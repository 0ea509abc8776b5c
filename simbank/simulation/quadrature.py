"""Time integrals and samples beside the solver: what happens within each accepted step, read from its interpolant."""

from __future__ import annotations

import numpy as np

from simbank.jit import jit_allocating
from simbank.simulation import arrays as ar

__all__ = ["StepStore"]

# Gauss-Legendre nodes on 0..1, with both ends added at no weight so that peaks there are seen.
_x, _w = np.polynomial.legendre.leggauss(4)
NODES = np.concatenate([[0.0], (1 + _x) / 2, [1.0]])
WEIGHTS = np.concatenate([[0.0], _w / 2, [0.0]])
BATCH = 256
MAX_ORDER = 12  # of LSODA's non-stiff method


@jit_allocating
def _states(times, which, ends, steps, histories, terms):
    """States at ``times`` from the scaled derivatives that LSODA keeps at the end of each step (Nordsieck's array)."""
    out = np.empty((times.size, histories.shape[1]))
    for i in range(times.size):
        b = which[i]
        x = (times[i] - ends[b]) / steps[b]
        for s in range(out.shape[1]):
            value = histories[b, s, terms[b] - 1]
            for q in range(terms[b] - 2, -1, -1):
                value = value * x + histories[b, s, q]
            out[i, s] = value
    return out


class StepStore:
    """Collects accepted steps of one solver, then integrates and samples them in one compiled go.

    Parameters
    ----------
    solver : scipy.integrate.OdeSolver
    sample_times : ndarray
        Times at which states are wanted, rising, solver time.
    """

    def __init__(self, solver, sample_times):
        self.solver = solver
        self.sample_times = sample_times
        self._next = 0
        self._spans, self._dense, self._fill = [], [], 0
        self._is_lsoda = type(solver).__name__ == "LSODA"
        if self._is_lsoda:
            self._histories = np.empty((BATCH, solver.n, MAX_ORDER + 1))
            self._ends, self._steps = np.empty(BATCH), np.empty(BATCH)
            self._terms = np.empty(BATCH, np.int64)

    def add(self, dense, until):
        """Keep one step's interpolant, valid from its ``t_old`` to ``until``; True if the store is full."""
        i = self._fill
        self._spans.append((dense.t_old, until))
        if self._is_lsoda:
            terms = dense.yh.shape[1]
            self._histories[i, :, :terms] = dense.yh
            self._ends[i], self._steps[i], self._terms[i] = dense.t, dense.h, terms
        else:
            self._dense.append(dense)
        self._fill += 1
        return self._fill == BATCH

    def drain(self):
        """Nodes, weights and states of all steps held, then sample times and their states; empties the store."""
        spans = np.array(self._spans).reshape(-1, 2)
        width = spans[:, 1] - spans[:, 0]
        times = (spans[:, :1] + width[:, None] * NODES).ravel()
        weights = (width[:, None] * WEIGHTS).ravel()
        which = np.repeat(np.arange(len(spans)), len(NODES))
        stop = np.searchsorted(self.sample_times, spans[-1, 1], side="left") if len(spans) else self._next
        samples = self.sample_times[self._next : stop]
        sample_which = np.searchsorted(spans[:, 1], samples, side="right")
        self._next = stop
        out = times, weights, self._evaluate(times, which), samples, self._evaluate(samples, sample_which)
        self._spans, self._dense, self._fill = [], [], 0
        return out

    def _evaluate(self, times, which):
        if self._is_lsoda:
            return _states(times, which, self._ends, self._steps, self._histories, self._terms)
        out = np.empty((times.size, self.solver.n))
        for i, dense in enumerate(self._dense):
            mine = which == i
            if mine.any():
                out[mine] = dense(times[mine]).T
        return out


def integrals(n_packs, n_ports):
    """Fresh accumulators (packs, ports)."""
    port_acc = np.zeros((ar.N_PORT_ACC, n_ports))
    port_acc[ar.PORT_MIN_V], port_acc[ar.PORT_MAX_V] = np.inf, -np.inf
    acc = np.zeros((ar.N_ACC, n_packs))
    acc[ar.ACC_MIN_K], acc[ar.ACC_MAX_K] = np.inf, -np.inf
    acc[ar.ACC_CELL_MIN_V], acc[ar.ACC_CELL_MAX_V] = np.inf, -np.inf
    return acc, port_acc

"""Integrals and samples read from the solver's own interpolant."""

import numpy as np
import pytest
from scipy.integrate import LSODA, Radau

from simbank.simulation.integrals import MAX_ORDER, StepStore


def decay(t, y):
    return -np.array([1.0, 0.2, 30.0]) * y + np.array([0.0, np.sin(t), 1.0])


def stored(method, end=6.0):
    """A store filled by one solver, the public interpolants of its steps, and their ends."""
    solver = method(decay, 0.0, np.array([1.0, 2.0, 3.0]), end, rtol=1e-8, atol=1e-10)
    store, dense = StepStore(solver, np.linspace(0.0, end, 301)), []
    while solver.status == "running" and len(dense) < 250:
        solver.step()
        dense.append(solver.dense_output())
        store.add(dense[-1], solver.t)
    return store, dense


def test_lsoda_has_what_scipy_promises_nobody():
    """``StepStore`` reads the attributes ``yh`` (scaled derivatives), ``h`` and ``t`` of LSODA's interpolant, which scipy does not
    document. If this fails after an upgrade of scipy, look at how ``LsodaDenseOutput`` keeps its polynomial now."""
    _, dense = stored(LSODA)
    for step in dense:
        assert step.yh.ndim == 2
        assert step.yh.shape[0] == 3
        assert step.yh.shape[1] <= MAX_ORDER + 1
        powers = ((0.5 * (step.t_old + step.t) - step.t) / step.h) ** np.arange(step.yh.shape[1])
        assert step.yh @ powers == pytest.approx(step(0.5 * (step.t_old + step.t)), rel=1e-12, abs=1e-14)


@pytest.mark.parametrize("method", [LSODA, Radau])
def test_states_within_a_step_are_those_of_the_solvers_interpolant(method):
    store, dense = stored(method)
    times, weights, states, samples, sampled = store.drain()
    ends = np.array([step.t for step in dense])
    for at, state in (*zip(times, states, strict=True), *zip(samples, sampled, strict=True)):
        near = dense[min(np.searchsorted(ends, at - 1e-12), len(dense) - 1)]
        assert state == pytest.approx(near(at), rel=1e-7, abs=1e-9)
    assert weights.sum() == pytest.approx(ends[-1], rel=1e-12)
    whole = (1 - np.exp(-ends[-1])) / 1.0  # ∫ exp(−t) dt, the first component
    assert weights @ states[:, 0] == pytest.approx(whole, rel=1e-7)

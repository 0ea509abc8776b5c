"""The reference integrator: scipy's solvers between events, which are found by root-finding on the solver's interpolant."""

from __future__ import annotations

import warnings
from collections.abc import Callable

import numpy as np

from simbank.errors import SimulationError
from simbank.simulation.bank_state import BankState
from simbank.simulation.integrals import StepStore
from simbank.simulation.ode import jacobian, rates_of
from simbank.simulation.recording import Recorder
from simbank.simulation.switching import EventHandler

__all__ = ["EVENT_TIME_TOLERANCE_S", "HAND_OVER_S", "METHODS", "ReferenceIntegrator"]

METHODS = ("LSODA", "BDF", "Radau")  # of scipy.integrate, loaded when the reference integrator first runs
EVENT_TIME_TOLERANCE_S = 1e-6
HAND_OVER_S = 60.0  # so long one method goes on where another could not
CREEP_STEPS = 3000  # so many steps of LSODA and not a tenth of the way done: it creeps; otherwise some ten to a hundred


class ReferenceIntegrator:
    """Integrates the state of a bank by one of scipy's solvers.

    Parameters
    ----------
    state : BankState
    handler : EventHandler
    recorder : Recorder
    method : {"LSODA", "BDF", "Radau"}
    tolerance : float
        Relative tolerance; the absolute ones follow, see :func:`simbank.simulate`.
    max_step_s : float
        Longest step [s].
    heed : callable
        Called at every step; raises where the run is to stop.
    """

    def __init__(
        self, state: BankState, handler: EventHandler, recorder: Recorder, method: str, tolerance: float, max_step_s: float,
        heed: Callable[[], None],
    ):  # fmt: skip
        self.state, self.handler, self.recorder = state, handler, recorder
        self.method, self.tolerance, self.max_step_s, self.heed = method, tolerance, max_step_s, heed
        n, d = state.n, state.d
        # Temperatures stand near 300 K: relative to that, they need a thousandth of the tolerance of the rest. Charge has to close to
        # 1e-8 of what moved: state of charge, which is near one, gets a hundredth; what the relaxation voltages miss, the currents
        # miss too. Only LSODA takes a relative tolerance for each state.
        self.rtol = tolerance * np.concatenate([np.repeat([1e-2, 1.0, 1.0, 1.0, 1e-3], n), np.ones(d)])
        self.rtol = np.maximum(self.rtol, 100.0 * np.finfo(float).eps)  # less is round-off, and scipy's least
        self.atol = tolerance * np.concatenate([np.repeat([1e-4, 1.0, 1e1, 1e1, 1e1], n), np.full(d, 1e2)])

    def integrate(self, end, method=None):
        """Go on until ``end`` [s] or the next change, whichever comes first. Solver time counts from the start of the step.

        Where a solver gives up or no longer moves, the implicit method of Radau, which looks back at no earlier step, takes over for
        a while; and where LSODA creeps, since it has not noticed that something fast has died away, until ``end``.
        """
        method, state = method or self.method, self.state
        begin, stop, base = state.t_step, end - state.step_start, state.step_start
        if stop <= begin:
            state.t = end
            return
        solver = self._solver(method, begin, stop)
        watch = state.watch_of()
        first = np.searchsorted(self.recorder.grid, state.t - 1e-9)
        last = np.searchsorted(self.recorder.grid, end + 1e-9)
        store = StepStore(solver, self.recorder.grid[first:last] - base)
        moment = self.recorder.moment()
        found, message, steps, creeps = None, None, 0, False
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            while solver.status == "running" and found is None and not creeps:
                self.heed()
                message = solver.step()
                if solver.status == "failed" or solver.t == solver.t_old:
                    break
                steps += 1
                creeps = method == "LSODA" and steps % CREEP_STEPS == 0 and stop - solver.t > 10 * (solver.t - begin)
                dense = solver.dense_output()
                due = watch(solver.t, solver.y)
                if due[-1] > 0:
                    if not np.isfinite(due[-1]):
                        raise SimulationError(f"the state is not finite at {base + solver.t:.3f} s")
                    found = self._locate_first_event(watch, dense, solver.t, np.flatnonzero(due[:-1] > 0))
                if store.add(dense, solver.t if found is None else found[0]):
                    self.recorder.drain(store, moment)
        gave_up = solver.status == "failed" or (solver.t < stop and found is None)
        local = solver.t if found is None else found[0]
        state.y = solver.y.copy() if found is None else dense(local)
        self.recorder.drain(store, moment)
        self.recorder.add_stretch(moment, local - begin)
        state.t = end if found is None and not gave_up else base + local
        if gave_up and method == "Radau" and local == begin:
            raise SimulationError(f"the solver gave up at {state.t:.3f} s: {message or 'its steps became too short'}")
        if gave_up:
            self.integrate(end if creeps else min(end, state.t + HAND_OVER_S), "Radau")
        if found is not None:
            self.handler.apply_change(found[1], local)

    def _solver(self, method, begin, stop):
        """One of scipy's solvers, at the present state, for times since the step began [s]."""
        from scipy import integrate

        state = self.state
        bank, ports = state.arrays(), state.ports.table
        return getattr(integrate, method)(
            rates_of(state.y, bank, ports), begin, state.y, stop, rtol=self.rtol if method == "LSODA" else self.tolerance,
            atol=self.atol, jac=lambda t, y: jacobian(t, y, *bank, ports), max_step=self.max_step_s,
        )  # fmt: skip

    def _locate_first_event(self, watch, dense, t_end, slots):
        """Earliest instant at which one of the changes in ``slots`` falls due, and that change."""
        from scipy.optimize import brentq

        best = None
        for slot in slots:

            def past_due(t, slot=slot):
                return watch(t, dense(t))[slot]

            at = dense.t_old
            if past_due(at) < 0:
                at = brentq(past_due, dense.t_old, t_end, xtol=EVENT_TIME_TOLERANCE_S)
                beyond = EVENT_TIME_TOLERANCE_S  # a root may lie a hair before the change is due: step past it
                while past_due(at) <= 0 and at < t_end:
                    at, beyond = min(at + beyond, t_end), 2.0 * beyond
            if best is None or at < best[0]:
                best = at, slot
        return best

"""A run: the loop between events by either integrator, checkpoints, and what comes out."""

from __future__ import annotations

import functools
import time

import numpy as np
from threadpoolctl import ThreadpoolController

from simbank.bank.bank import MAX_PACKS
from simbank.errors import InputError, RunStopped, SimulationError
from simbank.interrupts import heard_by
from simbank.simulation import arrays as ar
from simbank.simulation import fast
from simbank.simulation import ports as port_laws
from simbank.simulation.bank_state import BankState
from simbank.simulation.bank_warnings import warnings_of_bank
from simbank.simulation.recording import Recorder, RunRecord
from simbank.simulation.reference import EVENT_TIME_TOLERANCE_S, HAND_OVER_S, METHODS, ReferenceIntegrator
from simbank.simulation.result import Result
from simbank.simulation.run_warnings import FAST_TOLERANCE, REFERENCE_TOLERANCE, balance_warnings
from simbank.simulation.setup import duty_windows
from simbank.simulation.switching import EventHandler
from simbank.warning import BankWarning

__all__ = ["METHODS", "simulate"]

CHECKPOINT_S = 10.0  # wall time between two calls of ``checkpoint``
INTEGRATORS = ("reference", "fast")
HAND_OVER_TOLERANCE = 1e-7
FINER = (
    30.0,
    1000.0,
)  # where charge or energy does not close, the run is gone over again with so much less tolerance
MOST_RELAXATION = 20.0  # relaxation ÷ ohmic resistance up to which the fast integrator is accurate; measured
LEAST_TOLERANCE, MOST_TOLERANCE = 1e-13, 1e-2  # round-off below; above, nothing is left of the answer
FAST_STEPS, FAST_SAMPLES = 100_000, 4096  # of one call of the compiled loop
# The compiled loop creeps where it spends all its steps, more than so many of them a row, and they are shorter than this on average.
# Then the reference goes on, for twice as long each time, and the loop has fewer steps to show whether it creeps.
CREEP_STEPS_A_ROW, CREEP_STEP_S, FAST_STEPS_AFTER_CREEP = 500, 0.05, 1000


def relaxation_warnings(packs):
    """A warning of packs that the fast integrator cannot follow: relaxation resistances many times the ohmic one, so that a current
    is taken over by the relaxation long before its time constant has passed."""
    names = []
    for pack in packs:
        chemistry = pack.chemistry
        relaxing = sum(ohm for ohm, _ in pack.pack_rc_pairs) * float(np.max(chemistry.rc_factor.value))
        if relaxing > MOST_RELAXATION * (pack.cell_path_ohm * float(np.min(chemistry.r_factor.value)) + pack.internal_wiring_ohm):
            names.append(pack.name)
    if not names:
        return []
    text = (
        f"relaxation resistances more than {MOST_RELAXATION:g} times the ohmic one, which the fast integrator cannot follow: the "
        "reference integrator ran instead. Check them"
    )
    return [BankWarning("reference-instead", ", ".join(names), text)]


def simulate(
    scenario,
    *,
    integrator="reference",
    method="LSODA",
    tolerance=None,
    output_step_s=None,
    max_step_s=1800.0,
    progress=None,
    checkpoint=None,
):
    """Run a scenario's duty on its bank.

    Parameters
    ----------
    scenario : Scenario
        Anything with ``name``, ``bank`` and ``duty``.
    integrator : {"reference", "fast"}
        scipy's solver with error control of every state, or the compiled loop of :mod:`simbank.simulation.fast`, whose error is
        measured against it (README). Both use the same equations.
    method : {"LSODA", "BDF", "Radau"}
        scipy's solver; with the fast integrator, the one that takes over where it cannot go on.
    tolerance : float, optional
        Of the fast integrator: greatest error of state of charge in one step, by default 1e-8. Of the reference: relative tolerance
        of the solver, by default 3e-10; for state of charge a hundredth of it. The absolute ones follow: a hundredth of the relative
        one for state of charge, the tolerance itself for the hysteresis state, and tenfold, in volts and kelvin, for relaxation
        voltages, which forget their errors, and temperatures. A run whose balances are missed is made again with a thirtieth, at last
        a thousandth of the tolerance, and says which it took.
    output_step_s : float, optional
        Spacing of the reported samples [s]; by default 60 s, wider for runs that would give more than 20 000 rows.
    max_step_s : float
        Longest step of the solver [s].
    progress : callable, optional
        Called with the fraction done.
    checkpoint : callable, optional
        Called with the Result so far every ten seconds or so of wall time, so that a run that is killed leaves something.

    Returns
    -------
    Result

    Raises
    ------
    InputError
        If the method or integrator is unknown, the tolerance is none, or the bank has too many packs.
    SimulationError
        If the run cannot go on (RunStopped: by Ctrl-C); what was computed is its ``partial``.
    """
    if method not in METHODS:
        raise InputError(f"unknown method; use one of {', '.join(METHODS)}", value=method)
    if len(scenario.bank.packs) > MAX_PACKS:
        raise InputError(f"at most {MAX_PACKS} packs in one bank", key="packs", value=len(scenario.bank.packs))
    if integrator not in INTEGRATORS:
        raise InputError(f"unknown integrator; use one of {', '.join(INTEGRATORS)}", key="integrator", value=integrator)
    is_fast = integrator == "fast"
    if tolerance is None:
        tolerance = FAST_TOLERANCE if is_fast else REFERENCE_TOLERANCE
    if not LEAST_TOLERANCE <= tolerance <= MOST_TOLERANCE:
        raise InputError(f"must be from {LEAST_TOLERANCE:g} to {MOST_TOLERANCE:g}", key="tolerance", value=tolerance)
    slow = relaxation_warnings(scenario.bank.packs) if is_fast else []
    if slow:
        is_fast, tolerance = False, REFERENCE_TOLERANCE
    options = method, output_step_s, max_step_s, progress, checkpoint
    result = _once(scenario, is_fast, tolerance, slow, options)
    for finer in FINER:
        if tolerance / finer < LEAST_TOLERANCE or not balance_warnings(result.summary["closure"], result.summary["integrator"]):
            break
        result = _once(scenario, is_fast, tolerance / finer, slow, options)
    return result


def _once(scenario, is_fast, tolerance, told, options):
    """One run at one tolerance; ``told`` are warnings that it begins with."""
    run = _Run(scenario, is_fast, tolerance, told, *options)
    try:
        with _linear_algebra().limit(limits=1), _heeding_interrupts(run):
            run.go()
    except SimulationError as error:
        error.partial = run.result(complete=False)
        raise
    except KeyboardInterrupt:
        t, duration = run.state.t, run.duty.duration_s
        raise RunStopped(f"stopped at {t:.0f} s of {duration:.0f} s", run.result(complete=False)) from None
    return run.result(complete=True)


@functools.cache
def _linear_algebra():
    """The thread pools of the linear algebra libraries. For matrices as small as a bank's their threads only wait, and take the
    cores from other runs while they do."""
    return ThreadpoolController()


def _heeding_interrupts(run):
    """Ctrl-C stops the run even where the interrupt itself is lost: the compiler drops one that comes in a call back from its
    machine code generator."""

    def note():
        run.interrupted = True
        return run.state.t > 0.0

    return heard_by(note)


class _Run:
    """One run of a duty by one integrator.

    ``state`` is the bank, ``handler`` changes it at events, ``recorder`` keeps what happens, ``reference`` integrates, and so does the
    compiled loop of :mod:`simbank.simulation.fast` where ``is_fast``.
    """

    def __init__(self, scenario, is_fast, tolerance, told, method, output_step_s, max_step_s, progress, checkpoint):
        self.scenario, self.duty = scenario, scenario.duty
        self.is_fast, self.tolerance, self.max_step_s = is_fast, tolerance, max_step_s
        self.progress, self.checkpoint, self._checked = progress, checkpoint, time.monotonic()
        self.warnings = list(told)  # in the order in which they are to be read
        self.interrupted = False
        self.state = BankState(scenario.bank)
        self.handler = EventHandler(self.state)
        self.recorder = Recorder(self.state, self.duty.duration_s, output_step_s)
        self.reference = ReferenceIntegrator(
            self.state, self.handler, self.recorder, method, min(HAND_OVER_TOLERANCE, tolerance) if is_fast else tolerance,
            max_step_s, self._heed,
        )  # fmt: skip
        self.handed_over = 0
        self._fast_steps, self._creep_s = FAST_STEPS, HAND_OVER_S  # of the next call; reference after it, if it creeps

    def _heed(self):
        if self.interrupted:
            raise KeyboardInterrupt

    def go(self):
        """The whole duty."""
        self.state.rewire()
        self.warnings += warnings_of_bank(self.state.bank, self.duty, self.state.joining())
        if self.is_fast:
            self._go_fast()
        else:
            for step in self.duty:
                self._go_step(step)
        self.recorder.sample_now()

    def _go_step(self, step):
        """One step of the duty by the reference integrator."""
        state, handler = self.state, self.handler
        state.step_start = state.t
        handler.take(step)
        end = state.t + step.duration_s
        while state.t < end - EVENT_TIME_TOLERANCE_S:
            handler.keep_appointments()
            handler.settle(state.t_step)
            if step.ends_early and port_laws.all_done(state.ports.phase, state.ports.table, state.ports.equip):
                break
            self.reference.integrate(min(end, max(handler.next_known(), state.t + 1e-9)))
        self._report()

    def _report(self):
        """Tell how far the run has come, and now and then hand out what there is."""
        if self.progress:
            self.progress(min(1.0, self.state.t / max(self.duty.duration_s, 1e-9)))
        if self.checkpoint and time.monotonic() - self._checked > CHECKPOINT_S:
            self.checkpoint(self.result(complete=False))
            self._checked = time.monotonic()

    def _go_fast(self):
        """The whole duty by the compiled loop; what it cannot do is done as in :meth:`_go_step`."""
        h_try, state = 60.0, self.state
        n, p = state.n, state.p
        many = min(FAST_SAMPLES, len(self.recorder.grid)) + 1
        samples = (
            self.recorder.grid, np.empty(many), np.empty((many, ar.N_STATES * n)), np.empty((2, many, n)), np.empty((2, many, p)),
        )  # fmt: skip
        scratch = fast.scratch_arrays(n, p, state.d)
        levelling = fast.levelling_modes(state.packs.cells, state.neighbours)
        for plan in duty_windows(self.duty, state.ports.names):
            h_try = self._go_window(plan, samples, scratch, levelling, h_try)

    def _go_window(self, plan, samples, scratch, levelling, h_try):
        """The rows of one window; returns the step to try first in the next."""
        rows, row, fresh = len(plan[0]), 0, True
        state, handler, recorder = self.state, self.handler, self.recorder
        packs, devices, sums = state.packs, state.devices, recorder.sums
        while row < rows:
            self._heed()
            before, first_row, kept, r = state.t, row, recorder.heat_left_j(), state.reduced
            moment = recorder.moment()
            bank = (
                packs.cells, packs.curves_of, packs.curves, r.hybrid, r.terminal, r.port_live, r.pack_live, state.neighbours,
                levelling, devices.table, devices.flows,
            )  # fmt: skip
            code, state.t, state.step_start, row, fresh, h_try, filled = fast.advance(
                state.t, state.step_start, row, fresh, h_try, handler.next_known(ports=False), self._fast_steps, self.tolerance,
                self.max_step_s, state.y, bank,
                (packs.state, packs.mark, packs.monitors, packs.monitor_state, devices.state, packs.asleep), state.ports.arrays,
                (sums.packs, sums.ports, moment, r.flows, sums.extremes), plan, samples, scratch,
            )  # fmt: skip
            if filled:
                _, at, states, at_packs, at_ports = samples
                recorder.trace.add(
                    at[:filled].copy(), states[:filled].copy(), at_packs[:, :filled].copy(), at_ports[:, :filled].copy(), r.flows
                )
            state.read_port_log()
            recorder.add_stretch(moment, state.t - before)
            sums.packs[ar.ACC_HEAT_OUT_J] += recorder.heat_left_j() - kept
            seconds = HAND_OVER_S
            if code == fast.SPENT and self._creeps(state.t - before, row - first_row):
                code, h_try, seconds = fast.HAND_OVER, 1.0, self._creep_s
                self._fast_steps, self._creep_s = FAST_STEPS_AFTER_CREEP, 2.0 * seconds
            if code == fast.HAND_OVER:
                self.handed_over += 1
                handler.settle(state.t_step)
                end = state.step_start + plan[0][row]
                self.reference.integrate(min(end, state.t + seconds, max(handler.next_known(), state.t + 1e-9)))
            elif code != fast.DONE:
                handler.keep_appointments()
                handler.settle(state.t_step)
            self._report()
        return h_try

    def _creeps(self, seconds, rows):
        """Whether the compiled loop, having spent all its steps on so many seconds and rows, creeps."""
        return seconds < CREEP_STEP_S * self._fast_steps and rows * CREEP_STEPS_A_ROW < self._fast_steps

    def result(self, complete):
        """What there is so far, with a warning if the balances do not close."""
        recorder = self.recorder
        record = RunRecord(
            self.scenario, self.state, recorder.y_start, recorder.stored_change_j(), recorder.sums, recorder.trace, self.warnings,
            "fast" if self.is_fast else "reference", self.tolerance, self.reference.method, self.handed_over,
        )  # fmt: skip
        return Result(record, complete)

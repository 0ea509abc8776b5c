"""A run: the loop between events by either integrator, checkpoints, and what comes out."""

from __future__ import annotations

import contextlib
import functools
import time
from collections.abc import Callable

import numpy as np
from threadpoolctl import ThreadpoolController

from simbank.bank.bank import MAX_PACKS
from simbank.duty import SampledDuty
from simbank.errors import InputError, RunStopped, SimulationError
from simbank.interrupts import heard_by
from simbank.simulation import arrays as ar
from simbank.simulation import fast, fast_step, port_states, rows_off_step
from simbank.simulation.ahead import get_ready
from simbank.simulation.bank_state import BankState
from simbank.simulation.bank_warnings import relaxation_warnings, warnings_of_bank
from simbank.simulation.choice import AUTO, Choice, choose_integrator
from simbank.simulation.many_packs import DIRECT_PACKS
from simbank.simulation.recording import Case, Recorder, RunRecord
from simbank.simulation.reference import EVENT_TIME_TOLERANCE_S, HAND_OVER_S, METHODS, ReferenceIntegrator
from simbank.simulation.result import Result
from simbank.simulation.run_warnings import FAST_TOLERANCE, REFERENCE_TOLERANCE, balance_warnings
from simbank.simulation.setup import duty_windows
from simbank.simulation.switching import EventHandler

__all__ = ["METHODS", "linear_algebra_threads", "one_thread", "simulate"]

CHECKPOINT_S = 10.0  # wall time between two calls of ``checkpoint``
HAND_OVER_TOLERANCE = 1e-7
FINER = (
    30.0,
    1000.0,
)  # where charge or energy does not close, the run is gone over again with so much less tolerance
LEAST_TOLERANCE, MOST_TOLERANCE = 1e-13, 1e-2  # round-off below; above, nothing is left of the answer
FAST_STEPS, FAST_SAMPLES = 100_000, 4096  # of one call of the compiled loop
# The compiled loop creeps where it spends all its steps, more than so many of them a row, and they are shorter than this on average.
# Then the reference goes on, for twice as long each time, and the loop has fewer steps to show whether it creeps.
CREEP_STEPS_A_ROW, CREEP_STEP_S, FAST_STEPS_AFTER_CREEP = 500, 0.05, 1000
# Where the compiled loop, which solves the bank in another order of sums, says so often in a row at one instant that something is due,
# and by :func:`simbank.simulation.events.watch` nothing is, they differ by round-off at a root: the reference steps past it.
MOST_UNSETTLED = 3
LONG_ROWS, WINDOWS_AHEAD = 60_000, 2  # from which rows of sampled days a thread makes them, and how far ahead of the loop
MANY_ROWS, MERGING_TOLERANCE = 4000, 1e-6  # from which rows of a duty are merged: with finer steps there is nothing to merge


def simulate(
    scenario: Case,
    *,
    integrator: str | Choice = AUTO,
    method: str = "LSODA",
    tolerance: float | None = None,
    output_step_s: float | np.ndarray | None = None,
    max_step_s: float = 1800.0,
    progress: Callable[[float], None] | None = None,
    checkpoint: Callable[[Result], None] | None = None,
) -> Result:
    """Run a scenario's duty on its bank.

    Parameters
    ----------
    scenario : Scenario
        Anything with ``name``, ``bank`` and ``duty``.
    integrator : {"auto", "reference", "fast"}
        "reference" is scipy's solver with error control of every state, "fast" the compiled loop of :mod:`simbank.simulation.fast`,
        whose error is measured against it (tests/README.md): within 1e-4 of state of charge. Both use the same equations. "auto" takes
        the reference where by estimate (:func:`simbank.simulation.choice.reference_seconds`) it needs a second at most, or where a
        ``method`` or ``tolerance`` is given, and else the fast one; ``summary["integrator"]`` says which and why. So a program gets
        the figures of ``simbank run`` and does not wait minutes for a year. Name one where runs of different length or size are
        compared more closely than 1e-4: else they may be made by different ones.
    method : {"LSODA", "BDF", "Radau"}
        scipy's solver; with the fast integrator, the one that takes over where it cannot go on.
    tolerance : float, optional
        Of the fast integrator: greatest error of state of charge in one step, by default 1e-8. Of the reference: relative tolerance
        of the solver, by default 3e-10; for state of charge a hundredth of it. The absolute ones follow: a hundredth of the relative
        one for state of charge, the tolerance itself for the hysteresis state, and tenfold, in volts and kelvin, for relaxation
        voltages, which forget their errors, and temperatures. A run whose balances are missed is made again with a thirtieth, at last
        a thousandth of the tolerance, and says which it took.
    output_step_s : float or ndarray, optional
        Spacing of the reported samples [s]; by default 60 s, wider for runs that would give more than 20 000 rows. Or the times of the
        samples [s], ascending from 0 to the end of the duty.
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
        If the method or integrator is unknown, the tolerance is out of range, or the bank has too many packs.
    SimulationError
        If the run cannot go on (RunStopped: by Ctrl-C); what was computed is its ``partial``.
    """
    if method not in METHODS:
        raise InputError(f"unknown method; use one of {', '.join(METHODS)}", value=method)
    if len(scenario.bank.packs) > MAX_PACKS:
        raise InputError(f"at most {MAX_PACKS} packs in one bank", key="packs", value=len(scenario.bank.packs))
    choice = choose_integrator([(scenario.bank, scenario.duty)], integrator, method, tolerance)
    if tolerance is None:
        tolerance = FAST_TOLERANCE if choice.name == "fast" else REFERENCE_TOLERANCE
    if not LEAST_TOLERANCE <= tolerance <= MOST_TOLERANCE:
        raise InputError(f"must be from {LEAST_TOLERANCE:g} to {MOST_TOLERANCE:g}", key="tolerance", value=tolerance)
    slow = relaxation_warnings(scenario.bank.packs) if choice.name == "fast" else []
    if slow:
        choice, tolerance = Choice("reference"), REFERENCE_TOLERANCE
    options = method, output_step_s, max_step_s, progress, checkpoint
    result = _once(scenario, choice, tolerance, slow, options)
    for finer in FINER:
        if tolerance / finer < LEAST_TOLERANCE or not balance_warnings(result.summary["closure"], result.summary["integrator"]):
            break
        result = _once(scenario, choice, tolerance / finer, slow, options)
    return result


def _once(scenario, choice, tolerance, first_warnings, options):
    """One run at one tolerance; ``first_warnings`` are warnings that it begins with."""
    run = _Run(scenario, choice, tolerance, first_warnings, *options)
    try:
        with one_thread(), _heeding_interrupts(run):
            run.go()
    except SimulationError as error:
        error.partial = run.result(complete=False)
        raise
    except KeyboardInterrupt:
        t, duration = run.state.t, run.duty.duration_s
        raise RunStopped(f"stopped at {t:.0f} s of {duration:.0f} s", run.result(complete=False)) from None
    return run.result(complete=True)


def _windows(duty, port_names):
    """:func:`duty_windows`, of a long sampled duty two ahead: a thread makes them while the compiled loop goes on."""
    windows = duty_windows(duty, port_names)
    if not isinstance(duty, SampledDuty) or duty.length < LONG_ROWS:
        yield from windows
        return
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(1) as worker:
        coming = [worker.submit(next, windows, None) for _ in range(WINDOWS_AHEAD)]
        while (window := coming.pop(0).result()) is not None:
            coming.append(worker.submit(next, windows, None))
            yield window


def merges_rows(duty, tolerance):
    """Whether the fast integrator may go over many rows of a duty in one step: real days of many rows, at a tolerance that lets it."""
    return isinstance(duty, SampledDuty) and duty.length >= MANY_ROWS and tolerance >= MERGING_TOLERANCE


@functools.cache
def linear_algebra_threads():
    """The thread pools of the linear algebra libraries.

    For matrices as small as a bank's their threads only wait, and take the cores from other runs while they do.
    """
    return ThreadpoolController()


_limited: list[bool] = []  # while linear algebra is kept to one thread


@contextlib.contextmanager
def one_thread():
    """Within, linear algebra keeps to one thread: of one run, or of many, for which it is said once."""
    if _limited:
        yield
        return
    with linear_algebra_threads().limit(limits=1):
        _limited.append(True)
        try:
            yield
        finally:
            _limited.pop()


def _heeding_interrupts(run):
    """Ctrl-C stops the run even where the interrupt itself is lost.

    The compiler drops one that comes in a call back from its machine code generator.
    """

    def note():
        run.interrupted = True
        return run.state.t > 0.0

    return heard_by(note)


class _Run:
    """One run of a duty by one integrator.

    ``state`` is the bank, ``handler`` changes it at events, ``recorder`` keeps what happens, ``reference`` integrates, and so does the
    compiled loop of :mod:`simbank.simulation.fast` where that was chosen.
    """

    def __init__(self, scenario, choice, tolerance, first_warnings, method, output_step_s, max_step_s, progress, checkpoint):
        self.scenario, self.duty = scenario, scenario.duty
        self.choice, self.tolerance, self.max_step_s = choice, tolerance, max_step_s
        self.progress, self.checkpoint, self._checked = progress, checkpoint, time.monotonic()
        self.warnings = list(first_warnings)  # in the order in which they are to be read
        self.interrupted = False
        self.state = BankState(scenario.bank)
        self.handler = EventHandler(self.state)
        self.recorder = Recorder(self.state, self.duty.duration_s, output_step_s)
        self.reference = ReferenceIntegrator(
            self.state, self.handler, self.recorder, method, min(HAND_OVER_TOLERANCE, tolerance) if choice.name == "fast" else tolerance,
            max_step_s, self._raise_if_interrupted,
        )  # fmt: skip
        merges = choice.name == "fast" and merges_rows(self.duty, tolerance) and self.state.n <= DIRECT_PACKS
        self._merging = rows_off_step.merging_of(self.state.n, self.state.p) if merges else None
        self.handed_over = 0
        self._fast_steps, self._creep_s = FAST_STEPS, HAND_OVER_S  # of the next call; reference after it, if it creeps
        self._unsettled = 0

    def _raise_if_interrupted(self):
        if self.interrupted:
            raise KeyboardInterrupt

    def go(self):
        """The whole duty."""
        get_ready(self.state, self.recorder, self.choice.name, self._merging)
        self.state.rewire()
        self.warnings += warnings_of_bank(self.state.bank, self.duty, self.state.joining())
        if self.choice.name == "fast":
            self._go_fast()
        else:
            for step in self.duty:
                self._go_step(step)
        self.recorder.sample_now()

    def _go_step(self, step):
        """One step of the duty by the reference integrator."""
        state, handler = self.state, self.handler
        state.step_start = state.t
        handler.apply_commands(step)
        end = state.t + step.duration_s
        while state.t < end - EVENT_TIME_TOLERANCE_S:
            handler.process_timers()
            handler.process_due_events(state.t_step)
            if step.ends_early and port_states.all_done(state.ports.arrays):
                break
            self.reference.integrate(min(end, max(handler.next_timer_s(), state.t + 1e-9)))
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
        dt_try, state = 60.0, self.state
        n, p = state.n, state.p
        many = min(FAST_SAMPLES, len(self.recorder.grid)) + 1
        shown = np.empty((many, self.recorder.sums.displays.shape[1]))
        made = ar.Samples(np.empty((many, ar.N_STATES * n)), np.empty((2, many, n)), np.empty((2, many, p)), shown)
        samples = self.recorder.grid, np.empty(many), made
        scratch = fast.scratch_arrays(n, p, state.d)
        levelling = fast_step.levelling_modes(state.packs.cells, state.neighbours)
        with contextlib.closing(_windows(self.duty, state.ports.names)) as windows:
            for schedule in windows:
                dt_try = self._go_window(schedule, samples, scratch, levelling, dt_try)

    def _go_window(self, schedule, samples, scratch, levelling, dt_try):
        """The rows of one window; returns the step to try first in the next."""
        rows, row, fresh = len(schedule[0]), 0, True
        state, handler, recorder = self.state, self.handler, self.recorder
        sums = recorder.sums
        while row < rows:
            self._raise_if_interrupted()
            before, first_row, kept, r = state.t, row, recorder.heat_left_j(), state.reduced
            moment = recorder.moment()
            code, state.t, state.step_start, row, fresh, dt_try, filled = fast.advance(
                state.t, state.step_start, row, fresh, dt_try, handler.next_timer_s(ports=False), self._fast_steps, self.tolerance,
                self.max_step_s, state.y, state.arrays(), levelling, state.state_arrays(), state.packs.stays_open, state.ports.arrays,
                recorder.sum_arrays(moment), sums.extremes, r.flows, schedule, samples, scratch, self._merging,
            )  # fmt: skip
            if filled:
                _, at, made = samples
                kept_samples = ar.Samples(
                    made.state[:filled].copy(),
                    made.pack[:, :filled].copy(),
                    made.port[:, :filled].copy(),
                    made.shown[:filled].copy(),
                )
                recorder.trace.add(at[:filled].copy(), kept_samples, r.flows)
            handler.read_port_log()
            recorder.add_stretch(moment, state.t - before)
            sums.packs[ar.ACC_HEAT_OUT_J] += recorder.heat_left_j() - kept
            seconds = HAND_OVER_S
            if code == fast.SPENT and self._creeps(state.t - before, row - first_row):
                code, dt_try, seconds = fast.HAND_OVER, 1.0, self._creep_s
                self._fast_steps, self._creep_s = FAST_STEPS_AFTER_CREEP, 2.0 * seconds
            if self._unsettled >= MOST_UNSETTLED and code == fast.SETTLE and state.t == before:
                code, dt_try, self._unsettled = fast.HAND_OVER, 1.0, 0
            if code == fast.HAND_OVER:
                self.handed_over += 1
                handler.process_due_events(state.t_step)
                end = state.step_start + schedule[0][row]
                self.reference.integrate(min(end, state.t + seconds, max(handler.next_timer_s(), state.t + 1e-9)))
            elif code != fast.DONE:
                changes = handler.changes
                handler.process_timers()
                handler.process_due_events(state.t_step)
                idle = code == fast.SETTLE and state.t == before and handler.changes == changes
                self._unsettled = self._unsettled + 1 if idle else 0
            self._report()
        return dt_try

    def _creeps(self, seconds, rows):
        """Whether the compiled loop, having spent all its steps on so many seconds and rows, creeps."""
        return seconds < CREEP_STEP_S * self._fast_steps and rows * CREEP_STEPS_A_ROW < self._fast_steps

    def result(self, complete):
        """What there is so far, with a warning if the balances do not close."""
        recorder = self.recorder
        record = RunRecord(
            scenario=self.scenario,
            state=self.state,
            y_start=recorder.y_start,
            stored_change_j=recorder.stored_change_j(),
            sums=recorder.sums,
            trace=recorder.trace,
            warnings=[*self.warnings, *self.state.warnings],
            choice=self.choice,
            tolerance=self.tolerance,
            method=self.reference.method,
            handed_over=self.handed_over,
        )
        return Result(record, complete)

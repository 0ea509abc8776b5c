"""A run: scipy's solvers between events, events by root-finding, delays as known instants, restarts without re-compiling."""

from __future__ import annotations

import bisect
import functools
import time
import warnings
from dataclasses import replace

import numpy as np
from threadpoolctl import ThreadpoolController

from simbank.bank.bank import MAX_PACKS
from simbank.errors import InputError, RunStopped, SimulationError
from simbank.interrupts import heard_by
from simbank.network import Network
from simbank.simulation import equations as eq
from simbank.simulation import events, fast
from simbank.simulation import ports as port_laws
from simbank.simulation.bank_warnings import Joining, warnings_of_bank
from simbank.simulation.integrals import NODES, StepStore, integrals
from simbank.simulation.result import Result, Trace
from simbank.simulation.run_warnings import FAST_TOLERANCE, REFERENCE_TOLERANCE, Opening, balance_warnings, unloaded_packs
from simbank.simulation.setup import block_array, command_row, device_array, duty_windows, monitor_array, pack_arrays, start_state
from simbank.warning import BankWarning

__all__ = ["METHODS", "simulate"]

METHODS = ("LSODA", "BDF", "Radau")  # of scipy.integrate, loaded when the reference integrator first runs
CHECKPOINT_S = 10.0  # wall time between two calls of ``checkpoint``
OVER_CURRENTS = (events.OVER_CHARGE, events.OVER_LONG, events.OVER_SHORT, events.OVER_INSTANT)
CHATTER_AN_HOUR = 60  # a monitor that blocks more often than this within an hour is held for an hour
EVENT_TIME_TOLERANCE_S = 1e-6
INTEGRATORS = ("reference", "fast")
HAND_OVER_TOLERANCE = 1e-7
FINER = (
    30.0,
    1000.0,
)  # where charge or energy does not close, the run is gone over again with so much less tolerance
MOST_RELAXATION = 20.0  # relaxation ÷ ohmic resistance up to which the fast integrator is accurate; measured
LEAST_TOLERANCE, MOST_TOLERANCE = 1e-13, 1e-2  # round-off below; above, nothing is left of the answer
HAND_OVER_S = 60.0  # so long the reference integrator goes on where the fast one could not
CREEP_STEPS = 3000  # so many steps of LSODA and not a tenth of the way done: it creeps; otherwise some ten to a hundred
FAST_STEPS, FAST_SAMPLES = 100_000, 4096  # of one call of the compiled loop
# The compiled loop creeps where it spends all its steps, more than so many of them a row, and they are shorter than this on average.
# Then the reference goes on, for twice as long each time, and the loop has fewer steps to show whether it creeps.
CREEP_STEPS_A_ROW, CREEP_STEP_S, FAST_STEPS_AFTER_CREEP = 500, 0.05, 1000
STUCK_EVENTS = 400  # so many changes in a row without a millisecond of progress is a bank that does not settle


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
        Of the fast integrator: greatest error of state of charge in one step, by default 3e-8. Of the reference: relative tolerance
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
    method, *options = options
    run = _Run(scenario, method, min(HAND_OVER_TOLERANCE, tolerance) if is_fast else tolerance, *options)
    run.warnings += told
    if is_fast:
        run.fast_tolerance = tolerance
    try:
        with _linear_algebra().limit(limits=1), _heeding_interrupts(run):
            run.go()
    except SimulationError as error:
        error.partial = run.result(complete=False)
        raise
    except KeyboardInterrupt:
        raise RunStopped(f"stopped at {run.t:.0f} s of {run.duty.duration_s:.0f} s", run.result(complete=False)) from None
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
        return run.t > 0.0

    return heard_by(note)


class _Run:
    def __init__(self, scenario, method, tolerance, output_step_s, max_step_s, progress, checkpoint):
        self.scenario, self.bank, self.duty = scenario, scenario.bank, scenario.duty
        self.method, self.max_step_s = method, max_step_s
        self.progress, self.checkpoint, self._checked = progress, checkpoint, time.monotonic()
        packs, graph = self.bank.packs, self.bank.graph
        self.port_names, self.pack_names = list(graph.ports), [pack.name for pack in packs]
        self.n, self.p, self.d = len(packs), len(self.port_names), len(self.bank.devices)
        # where in what events.watch returns the packs end, and the ports
        self.packs_end = events.PACK_SLOTS * self.n
        self.ports_end = self.packs_end + events.PORT_SLOTS * self.p
        self.cells, self.curves_of, self.curves = pack_arrays(packs, self.bank.ambient_k, [d.curve for d in self.bank.devices])
        self.network = Network(graph, self.cells[eq.R_REF])
        # Temperatures stand near 300 K: relative to that, they need a thousandth of the tolerance of the rest. Charge has to close to
        # 1e-8 of what moved: state of charge, which is near one, gets a hundredth; what the relaxation voltages miss, the currents
        # miss too. Only LSODA takes a relative tolerance for each state.
        self.rtol = tolerance * np.concatenate([np.repeat([1e-2, 1.0, 1.0, 1.0, 1e-3], self.n), np.ones(self.d)])
        self.rtol = np.maximum(self.rtol, 100.0 * np.finfo(float).eps)  # less is round-off, and scipy's least
        self.atol = tolerance * np.concatenate([np.repeat([1e-4, 1.0, 1e1, 1e1, 1e1], self.n), np.full(self.d, 1e2)])
        self.t, self._step_start = 0.0, 0.0
        self.y = np.concatenate([start_state(packs, self.bank.ambient_k), np.zeros(self.d)])
        coupled = self.bank.neighbours_w_k
        self.neighbours = np.zeros((0, 0)) if coupled is None else np.ascontiguousarray(coupled, float)
        self.levelling = fast.levelling_modes(self.cells, self.neighbours)
        # packs and their monitors
        self.pack_state = np.zeros(self.n, np.int64)
        self.pack_mark = np.zeros((self.n, 2))
        self.asleep = np.zeros(self.n, bool)  # would carry current in its blocked direction, were it woken now
        self.monitors, self.blocks = monitor_array(packs), block_array(packs)
        self.monitor_state = np.zeros((self.n, events.N_MONITORS), np.int64)
        self.monitor_timer = np.full((self.n, events.N_MONITORS), np.inf)
        self.precharge_timer = np.full(self.n, np.inf)
        self.trips = {}
        # devices
        branch_names = [branch.name for branch in graph.branches]
        self.device_branch = np.array([branch_names.index(d.branch) for d in self.bank.devices], int)
        self.devices = device_array(self.bank.devices)
        self.device_state = np.zeros(self.d, np.int64)
        self.device_timer = np.full(self.d, np.inf)
        self.branch_closed = np.ones(len(graph.branches), bool)
        # ports
        self.phase = np.full(self.p, events.DONE, np.int64)
        self.ports = np.zeros((self.p, eq.N_PORT_COLUMNS))
        self.ports[:, eq.CURRENT_MAX], self.ports[:, eq.RECOVERY] = 1e9, np.inf
        self.port_equipment = [self.bank.port_equipment.get(name, (None, None)) for name in self.port_names]
        self.equip = port_laws.equipment_array(self.port_equipment, self.pack_names)
        self.stays = self.equip[:, port_laws.STAYS] > 0  # keeps its phase from step to step
        follows, stops = self.equip[:, port_laws.FOLLOWS] > 0, self.equip[:, port_laws.STOP_AT] != events.NO_STOP
        self.heeded = bool((follows | stops).any())  # a charger hears what the packs' BMS report
        self.port_timer = port_laws.timer_array(self.equip)
        self.told = np.zeros(self.p, np.int64)
        self.log, self.count = np.zeros((port_laws.LOG_ROWS, 4)), np.zeros(1, np.int64)
        self.warnings = []  # of BankWarning, in the order in which they are to be read
        self.switching = sorted(self.bank.switching, key=lambda s: s.time_s)
        # bookkeeping
        self.acc, self.port_acc = integrals(self.n, self.p)
        z = self.y[: self.n]
        self.extremes = (
            np.array([z, z]), np.array([np.ptp(z)]), np.where([z >= eq.FULL_SOC, z <= eq.EMPTY_SOC], 0.0, np.inf),
            np.zeros((self.p, self.p)), np.zeros(len(graph.branches)),
        )  # fmt: skip
        self.acc[eq.ACC_LAST_SOC] = self.y[: self.n]
        self.branch_ws, self.pack_i2t = np.zeros(len(graph.branches)), np.zeros(self.n)
        self.blocked_s = np.zeros((2, self.n))
        duration = self.duty.duration_s
        step = output_step_s or max(60.0, np.ceil(duration / 20000.0 / 60.0) * 60.0)
        self.grid = np.append(np.arange(0.0, duration - 1e-9 * step, step), duration)
        self.trace = Trace(self.bank)
        self.y_start = self.y.copy()
        self.events, self.openings = [], []
        self.last_cause = "duty"
        self.fast_tolerance, self.handed_over, self.tolerance = None, 0, tolerance
        self.fast_steps, self.creep_s = FAST_STEPS, HAND_OVER_S  # of the next call; reference after it, if it creeps
        self._stuck = (0, -1.0)
        self.interrupted = False

    # ---- what the network is now ----

    def _closed(self):
        return events.CONDUCTS[self.pack_state]

    def _rewire(self):
        self.reduced = self.network.reduce(self._closed(), self.branch_closed)
        self.device_flows = np.ascontiguousarray(self.reduced.flows[self.device_branch])
        self.ports[:, eq.LIVE] = self.reduced.port_live
        port_laws.keep_clocks(self.t, self.phase, self.ports, self.port_timer, self.equip)
        self._cap_chargers()

    def _cap_chargers(self):
        port_laws.cap_chargers(
            self.y, self.cells, self.curves_of, self.curves, self.monitors, self.monitor_state, self.ports, self.equip
        )

    def _args(self):
        return self.cells, self.curves_of, self.curves, self.reduced.hybrid, self.ports

    def _watch_args(self):
        r = self.reduced
        return (
            self.cells, self.curves_of, self.curves, r.hybrid, r.terminal, r.pack_live, self.pack_state, self.pack_mark,
            self.monitors, self.monitor_state, self.phase, self.ports, self.devices, self.device_flows, self.device_state,
        )  # fmt: skip

    def _watch(self, t, y):
        return events.watch(t, y, *self._watch_args())

    def _solve(self):
        """Working arrays (packs, ports) of the bank at this instant."""
        return self._solve_with_network()[:2]

    def _solve_with_network(self):
        """Working arrays (packs, ports) and the reduced network of the bank at this instant."""
        work, port, now = eq.working_arrays(self.n, self.p)
        eq.solve_bank(self.t - self._step_start, self.y, *self._args(), work, port, now)
        return work, port, now

    # ---- changes of packs ----

    def _event(self, where, what, because=""):
        self.events.append((self.t, where, what, because))

    def _change_pack(self, k, slot):
        if slot == 0:
            self._conduct(k)
            return
        r = slot - 1
        doing = self.monitor_state[k, r]
        if doing == events.QUIET and self.monitors[k, r, events.DELAY] > 0:
            self.monitor_state[k, r] = events.RUNNING
            self.monitor_timer[k, r] = self.t + self.monitors[k, r, events.DELAY]
        elif doing == events.QUIET:
            self._trip(k, r)
        elif doing == events.RUNNING:
            self.monitor_state[k, r], self.monitor_timer[k, r] = events.QUIET, np.inf
        else:
            self._release(k, r)

    def _conduct(self, k):
        """A pack blocked in one direction begins to conduct the other, or stops."""
        state = self.pack_state[k]
        new, what = {
            events.FULL_OPEN: (events.FULL_CONDUCTING, events.CONDUCTS_DISCHARGE),
            events.EMPTY_OPEN: (events.EMPTY_CONDUCTING, events.CONDUCTS_CHARGE),
            events.FULL_CONDUCTING: (events.FULL_OPEN, events.OPENS_AGAIN),
            events.EMPTY_CONDUCTING: (events.EMPTY_OPEN, events.OPENS_AGAIN),
        }[state]
        self.pack_state[k] = new
        self._event(self.pack_names[k], what, self.last_cause)
        self._rewire()

    def _trip(self, k, r):
        """A monitor's condition has lasted: block."""
        if not events.BLOCKS[r]:
            self.monitor_state[k, r] = events.BLOCKING
            return
        work, port, now = self._solve_with_network()
        current = float(work[eq.I_PACK, k])
        because = self._why(k, r, current)
        self.monitor_state[k, r] = events.WAITING
        hold = self.monitors[k, r, events.HOLD_S]
        times = self.trips.setdefault((k, r), [])
        times.append(self.t)
        acts = self.blocks[k, r] != 0  # otherwise its switch is stuck: it orders, which is said once
        if self.blocks[k, r] != events.BLOCKS[r] and (acts or len(times) == 1):
            self._event(self.pack_names[k], events.STUCK, f"{events.BLOCK_TEXT[r]}: {because}")
        if not acts and not self.heeded:  # nobody hears the order: nothing changes
            self.monitor_timer[k, r] = np.inf
            return
        if acts:
            self._event(self.pack_names[k], events.BLOCK_TEXT[r], because)
        recent = len(times) - bisect.bisect_left(times, self.t - 3600.0)
        locked = ""
        if r in OVER_CURRENTS:
            if acts:
                limit = float(self.monitors[k, r, events.LIMIT])
                unloaded = float(unloaded_packs(work, port, now)[k])
                self._note_opening(self.pack_names[k], current, limit, port, unloaded)
            if r == events.OVER_INSTANT or recent > self.bank.packs[k].bms.retries:
                hold = np.inf
                locked = f"{recent} in an hour" if recent > 1 else "short-circuit current"
        elif recent > CHATTER_AN_HOUR:
            hold = 3600.0
            locked = f"{recent} in an hour; held for an hour"
        if locked and acts:
            self._event(self.pack_names[k], events.LOCKED, locked)
        self.monitor_timer[k, r] = self.t + hold
        if hold <= 0:
            self.monitor_state[k, r], self.monitor_timer[k, r] = events.BLOCKING, np.inf
        if r == events.FULL:
            self.pack_mark[k, 0] = self.y[k]
        elif r == events.EMPTY:
            self.pack_mark[k, 1] = self.y[k]
        if acts:
            self.last_cause = f"{self.pack_names[k]} {events.BLOCK_TEXT[r]}"
        self._reconsider(k, current)

    def _why(self, k, r, current):
        if r in OVER_CURRENTS:
            limit = self.monitors[k, r, events.LIMIT]
            return f"{abs(current):.0f} A over {limit:.0f} A; after {self.last_cause}"
        if r in (events.CHARGE_TEMP, events.DISCHARGE_TEMP):
            return f"{self.y[4 * self.n + k] - eq.KELVIN:.1f} degC"
        return f"SOC {self.y[k] * 100:.1f} %, {current:.1f} A"

    def _release(self, k, r):
        self.monitor_state[k, r], self.monitor_timer[k, r] = events.QUIET, np.inf
        if not events.BLOCKS[r]:
            return
        if self.blocks[k, r]:
            what = events.SWITCHED_ON if r == events.SWITCHED else events.RELEASED
            self._event(self.pack_names[k], what, events.BLOCK_TEXT[r])
        self._reconsider(k, 0.0)

    def _reconsider(self, k, current):
        """State of a pack from what its monitors block, and from the current it carried."""
        blocks = int(np.bitwise_or.reduce(self.blocks[k, self.monitor_state[k] >= events.WAITING], initial=0))
        old = self.pack_state[k]
        was_open = old in (events.FULL_OPEN, events.EMPTY_OPEN, events.OPEN)
        if blocks == 3:
            new = events.OPEN
        elif blocks == 1:
            new = events.FULL_CONDUCTING if not was_open and current > 0 else events.FULL_OPEN
        elif blocks == 2:
            new = events.EMPTY_CONDUCTING if not was_open and current < 0 else events.EMPTY_OPEN
        else:
            new = events.CLOSED
        self.pack_state[k] = new
        self._rewire()
        if was_open and new == events.CLOSED:
            self._reconnect(k)

    def _reconnect(self, k):
        """Report the inrush of a pack that has just closed, through its precharge resistor if it has one."""
        pack = self.bank.packs[k]
        if pack.bms is not None and pack.bms.precharge_ohm > 0:
            if self.precharge_timer[k] == np.inf:
                self.cells[eq.R_WIRING, k] += pack.bms.precharge_ohm
            self.precharge_timer[k] = self.t + pack.bms.precharge_s
            what = events.PRECHARGES
        else:
            what = "reconnects"
        self._event(self.pack_names[k], what, f"inrush {self._solve()[0][eq.I_PACK, k]:.1f} A")

    def _precharged(self, k):
        self.cells[eq.R_WIRING, k] -= self.bank.packs[k].bms.precharge_ohm
        self.precharge_timer[k] = np.inf
        self._event(self.pack_names[k], events.PRECHARGED, f"current now {self._solve()[0][eq.I_PACK, k]:.1f} A")

    def _wake(self, now):
        """Let one open pack conduct in its free direction where the wiring around it has no voltage of its own.

        Which way its current would then flow is found by solving the bank with the pack in it: what the ports ask does not tell,
        since a lead, a held voltage or the end of their power may turn it round. A pack that would carry current in its blocked
        direction sleeps until something else changes.
        """
        for k in range(self.n):
            self.asleep[k] = False
            if not events.may_wake(k, now, self.pack_state, self.reduced.pack_live, self.phase, self.ports, self.asleep):
                continue
            state = self.pack_state[k]
            full = state == events.FULL_OPEN
            self.pack_state[k] = events.FULL_CONDUCTING if full else events.EMPTY_CONDUCTING
            self._rewire()
            current = float(self._solve()[0][eq.I_PACK, k])
            self.pack_state[k] = state
            self._rewire()
            if (current if full else -current) * 3600.0 / self.cells[eq.Q, k] >= -events.CURRENT_BAND_C:
                self._conduct(k)
                return True
            self.asleep[k] = True
        return False

    # ---- changes of ports ----

    def _port_state(self):
        return self.phase, self.ports, self.port_timer, self.told, self.equip, self.log, self.count

    def _change_port(self, a, slot, now):
        work, port, reduced = eq.working_arrays(self.n, self.p)
        eq.solve_bank(now, self.y, *self._args(), work, port, reduced)
        volt = float(port[eq.V, a])
        volt_alone = volt - float(reduced[self.n + a, self.n + a] * port[eq.J, a])
        port_laws.change(a, slot, self.t, now, *self._port_state(), volt, volt_alone)
        self._read_log()

    def _read_log(self):
        """Turn what the ports have noted into events."""
        for t, a, what, volt in self.log[: self.count[0]].tolist():
            name, text, charger = self.port_names[int(a)], port_laws.WHATS[int(what)], self.port_equipment[int(a)][1]
            if charger is not None and charger.float_volt is None:
                text = events.OFF_FOR.get(text, text)
            self.events.append((t, name, text, port_laws.because(int(what), volt, charger)))
            if what in (port_laws.CUT_OFF, port_laws.TOO_MUCH):
                self.last_cause = f"{name} {text}"
        self.count[0] = 0

    def _note_opening(self, name, current, limit, port, unloaded):
        """Keep an opening on over-current; ``current`` and ``unloaded``, that of the same packs with no port current, in one sense."""
        along = unloaded if current >= 0 else -unloaded
        self.openings.append(Opening(self.t, name, abs(current), limit, float(port[eq.J].sum()), along))

    # ---- changes of devices ----

    def _change_device(self, d, slot):
        if slot == 0:
            self._open_device(d, events.DEVICE_OPENS)
        elif self.device_state[d] == events.QUIET:
            self.device_state[d] = events.RUNNING
            self.device_timer[d] = self.t + self.devices[d, eq.INSTANT_DELAY]
        else:
            self.device_state[d], self.device_timer[d] = events.QUIET, np.inf

    def _open_device(self, d, what):
        work, port, now = self._solve_with_network()
        signed = float(eq.device_current(d, self.device_flows, work, port))
        current, cause, device = abs(signed), f"after {self.last_cause}", self.bank.devices[d]
        other = self._other_pole_just_opened(device) if what != events.DEVICE_SWITCHED else None
        if other is not None:  # which carried the same current until now
            current, cause = other.current_a, f"as {other.name} in the other pole, at the same instant"
            self.openings.append(replace(other, name=device.name))
        elif what != events.DEVICE_SWITCHED:
            unloaded = float(self.device_flows[d, : self.n] @ unloaded_packs(work, port, now))
            self._note_opening(device.name, signed, device.rating_a, port, unloaded)
        self._event(device.name, what, f"{current:.0f} A, {current / device.rating_a:.2f} times its rating; {cause}")
        self.last_cause = f"{device.name} {what}"
        self.device_state[d] = events.BLOCKING
        self.device_timer[d] = self.t + device.reset_s if what != events.DEVICE_SWITCHED else np.inf
        self.branch_closed[self.device_branch[d]] = False
        self._rewire()

    def _other_pole_just_opened(self, device):
        """The opening at this same instant of the same device in the other pole, or None."""
        names = {other.name for other in self.bank.devices if other.owner == device.owner and other.pole != device.pole}
        return next((o for o in reversed(self.openings) if o.time_s == self.t and o.name in names), None)

    def _close_device(self, d):
        self.device_state[d], self.device_timer[d] = events.QUIET, np.inf
        self.y[eq.N_STATES * self.n + d] = 0.0
        self.branch_closed[self.device_branch[d]] = True
        self._rewire()
        work, port = self._solve()
        current = eq.device_current(d, self.device_flows, work, port)
        self._event(self.bank.devices[d].name, events.DEVICE_CLOSES, f"inrush {abs(current):.1f} A")

    # ---- instants known beforehand ----

    def _next_known(self, ports=True):
        timers = [self.monitor_timer, self.device_timer, self.precharge_timer]
        if ports:
            timers.append(self.port_timer[:, port_laws.NEXT])
        known = min(float(np.min(timer, initial=np.inf)) for timer in timers)
        return min(known, self.switching[0].time_s) if self.switching else known

    def _keep_appointments(self):
        """Do everything whose instant has come."""
        now = self.t + 1e-9
        for k, r in np.argwhere(self.monitor_timer <= now):
            if self.monitor_state[k, r] == events.RUNNING:
                self.monitor_timer[k, r] = np.inf
                self._trip(k, r)
            else:
                self.monitor_state[k, r], self.monitor_timer[k, r] = events.BLOCKING, np.inf
        for d in np.flatnonzero(self.device_timer <= now):
            if self.device_state[d] == events.RUNNING:
                self._open_device(d, events.DEVICE_INSTANT)
            else:
                self._close_device(d)
        for a in np.flatnonzero(self.port_timer[:, port_laws.NEXT] <= now):
            port_laws.appointment(a, self.t, *self._port_state(), float(self._solve()[1][eq.V, a]))
            self._read_log()
        for k in np.flatnonzero(self.precharge_timer <= now):
            self._precharged(k)
        while self.switching and self.switching[0].time_s <= now:
            self._switch(self.switching.pop(0))

    def _switch(self, order):
        names = [device.name for device in self.bank.devices]
        if order.what in names:
            d = names.index(order.what)
            if order.close and self.device_state[d] == events.BLOCKING:
                self._close_device(d)
            elif not order.close and self.device_state[d] != events.BLOCKING:
                self._open_device(d, events.DEVICE_SWITCHED)
            return
        k = self.pack_names.index(order.what)
        if not order.close and self.monitor_state[k, events.SWITCHED] == events.QUIET:
            self.monitor_state[k, events.SWITCHED] = events.WAITING
            self._event(order.what, events.BLOCK_TEXT[events.SWITCHED], "schedule")
            self.last_cause = f"{order.what} switched off"
            self._reconsider(k, 0.0)
        elif order.close:
            for r in np.flatnonzero(self.monitor_state[k] >= events.WAITING):  # a hand also resets a locked BMS
                if r == events.SWITCHED or (
                    self.monitor_timer[k, r] == np.inf and events.BLOCKS[r] and r not in (events.FULL, events.EMPTY)
                ):
                    self._release(k, r)

    # ---- time ----

    def _settle(self, now):
        """Apply every change that is due at this instant, one at a time, until none is.

        In this order: which packs conduct (lowest first: Murty's rule for the complementarity problem that packs conducting in
        one direction pose, which ends); ports that overrun a limit of their own, since what they would push for no time at all
        must trip nothing; monitors of packs; devices; ports that have nothing left to do.
        """
        while True:
            due = np.flatnonzero(self._watch(now, self.y)[:-1] > 0)
            packs = due[due < self.packs_end]
            conducting = packs[packs % events.PACK_SLOTS == 0]
            if conducting.size:
                self._apply(conducting[0], now)
                continue
            if self._wake(now):
                self._guard()
                continue
            ports = due[(due >= self.packs_end) & (due < self.ports_end)]
            pushing = [
                slot
                for slot in ports
                if port_laws.overruns(*divmod(int(slot) - self.packs_end, events.PORT_SLOTS), now, self.phase, self.ports)
            ]
            devices = due[due >= self.ports_end]
            order = [*pushing, *packs, *devices]
            if order:
                self._apply(order[0], now)
                continue
            dead = [a for a in range(self.p) if self.phase[a] != events.DONE and not self.ports[a, eq.LIVE]]
            if any(not self.stays[a] for a in dead):
                a = next(a for a in dead if not self.stays[a])
                self.phase[a], self.ports[a, eq.MODE] = events.DONE, eq.OFF
                self._event(self.port_names[a], events.NO_PACK, self.last_cause)
                self._guard()
                continue
            for a in dead:
                if eq.commanded(now, self.ports, a) != 0 and not self.told[a] & port_laws.NO_PACK_BIT:
                    self.told[a] |= port_laws.NO_PACK_BIT
                    self._event(self.port_names[a], events.NO_PACK, self.last_cause)
            if not ports.size:
                return
            self._apply(ports[0], now)

    def _apply(self, slot, now):
        """Make one change."""
        if slot < self.packs_end:
            self._change_pack(*divmod(int(slot), events.PACK_SLOTS))
        elif slot < self.ports_end:
            self._change_port(*divmod(int(slot) - self.packs_end, events.PORT_SLOTS), now)
        else:
            self._change_device(*divmod(int(slot) - self.ports_end, events.DEVICE_SLOTS))
        self._guard()

    def _heed(self):
        if self.interrupted:
            raise KeyboardInterrupt

    def _guard(self):
        count, since = self._stuck
        self._stuck = (count + 1, since) if self.t - since < 1e-3 else (0, self.t)
        if self._stuck[0] > STUCK_EVENTS + 40 * (self.n + self.p + self.d):
            where, what = self.events[-1][1:3] if self.events else ("?", "?")
            raise SimulationError(f"at {self.t:.3f} s the bank does not settle: {where} keeps changing ({what})")

    def _joining(self, packs=None):
        """What flows now, before any command is taken; among some packs alone (bool, shape (n,)), if they are given."""
        reduced, ports = self.reduced, self.ports.copy()
        if packs is not None:
            reduced = self.network.reduce(self._closed() & packs, self.branch_closed)
            ports[:, eq.LIVE] = reduced.port_live
        work, port, now = eq.working_arrays(self.n, self.p)
        eq.solve_bank(0.0, self.y, self.cells, self.curves_of, self.curves, reduced.hybrid, ports, work, port, now)
        flows = reduced.flows @ np.concatenate([work[eq.I_PACK], port[eq.J]])
        return Joining(work[eq.E], work[eq.I_PACK], flows, self._joining)

    def go(self):
        self._rewire()
        self.warnings += warnings_of_bank(self.bank, self.duty, self._joining())
        if self.fast_tolerance is not None:
            self._go_fast()
            self._sample(np.array([self.t - self._step_start]), self.y[None], at=np.array([self.t]))
            return
        for step in self.duty:
            self._step_start = self.t
            self._take(step)
            end = self.t + step.duration_s
            while self.t < end - EVENT_TIME_TOLERANCE_S:
                self._keep_appointments()
                self._settle(self.t - self._step_start)
                if step.ends_early and port_laws.all_done(self.phase, self.ports, self.equip):
                    break
                self._integrate(min(end, max(self._next_known(), self.t + 1e-9)))
            if self.progress:
                self.progress(min(1.0, self.t / self.duty.duration_s))
            if self.checkpoint and time.monotonic() - self._checked > CHECKPOINT_S:
                self.checkpoint(self.result(complete=False))
                self._checked = time.monotonic()
        self._sample(np.array([self.t - self._step_start]), self.y[None], at=np.array([self.t]))

    def _go_fast(self):
        """The whole duty by the compiled loop; what it cannot do is done as in :meth:`go`."""
        h_try = 60.0
        many = min(FAST_SAMPLES, len(self.grid)) + 1
        samples = (
            self.grid, np.empty(many), np.empty((many, eq.N_STATES * self.n)), np.empty((2, many, self.n)),
            np.empty((2, many, self.p)),
        )  # fmt: skip
        scratch = fast.scratch_arrays(self.n, self.p, self.d)
        for plan in duty_windows(self.duty, self.port_names):
            h_try = self._go_window(plan, samples, scratch, h_try)

    def _go_window(self, plan, samples, scratch, h_try):
        """The rows of one window; returns the step to try first in the next."""
        rows, row, fresh = len(plan[0]), 0, True
        total = max(self.duty.duration_s, 1e-9)
        while row < rows:
            self._heed()
            before, first_row, kept, r = self.t, row, self._heat_in_packs(), self.reduced
            moment = np.zeros((self.n + self.p, self.n + self.p))
            bank = (
                self.cells, self.curves_of, self.curves, r.hybrid, r.terminal, r.port_live, r.pack_live, self.neighbours,
                self.levelling, self.devices, self.device_flows,
            )  # fmt: skip
            code, self.t, self._step_start, row, fresh, h_try, filled = fast.advance(
                self.t, self._step_start, row, fresh, h_try, self._next_known(ports=False), self.fast_steps,
                self.fast_tolerance, self.max_step_s, self.y, bank,
                (self.pack_state, self.pack_mark, self.monitors, self.monitor_state, self.device_state, self.asleep),
                self._port_state(), (self.acc, self.port_acc, moment, r.flows, self.extremes), plan, samples, scratch,
            )  # fmt: skip
            if filled:
                _, at, states, packs, ports = samples
                self.trace.add(
                    at[:filled].copy(), states[:filled].copy(), packs[:, :filled].copy(), ports[:, :filled].copy(), r.flows
                )
            self._read_log()
            self._branches(moment)
            self._blocked(self.t - before)
            self.acc[eq.ACC_HEAT_OUT] += self._heat_in_packs() - kept
            seconds = HAND_OVER_S
            if code == fast.SPENT and self._creeps(self.t - before, row - first_row):
                code, h_try, seconds = fast.HAND_OVER, 1.0, self.creep_s
                self.fast_steps, self.creep_s = FAST_STEPS_AFTER_CREEP, 2.0 * seconds
            if code == fast.HAND_OVER:
                self.handed_over += 1
                self._settle(self.t - self._step_start)
                end = self._step_start + plan[0][row]
                self._integrate(min(end, self.t + seconds, max(self._next_known(), self.t + 1e-9)))
            elif code != fast.DONE:
                self._keep_appointments()
                self._settle(self.t - self._step_start)
            if self.progress:
                self.progress(min(1.0, self.t / total))
            if self.checkpoint and time.monotonic() - self._checked > CHECKPOINT_S:
                self.checkpoint(self.result(complete=False))
                self._checked = time.monotonic()
        return h_try

    def _creeps(self, seconds, rows):
        """Whether the compiled loop, having spent all its steps on so many seconds and rows, creeps."""
        return seconds < CREEP_STEP_S * self.fast_steps and rows * CREEP_STEPS_A_ROW < self.fast_steps

    def _heat_in_packs(self):
        """Heat made so far less what warms each pack [J]: over a stretch of the run, its change has left the pack."""
        temperature = self.y[4 * self.n : 5 * self.n]
        made = self.acc[[eq.ACC_OHMIC, eq.ACC_RELAX, eq.ACC_HYSTERESIS, eq.ACC_REVERSIBLE]].sum(axis=0)
        return made - self.cells[eq.HEAT_CAPACITY] * temperature

    def _take(self, step):
        """Set the ports to a step's commands."""
        port_laws.take(self.t, command_row(step, self.port_names), *self._port_state())
        self._read_log()
        self.ports[:, eq.LIVE] = self.reduced.port_live
        self._cap_chargers()

    def _integrate(self, end, method=None):
        """Go on until ``end`` or the next change, whichever comes first. Solver time counts from the start of the step.

        Where a solver gives up or no longer moves, the implicit method of Radau, which looks back at no earlier step, takes over for
        a while; and where LSODA creeps, since it has not noticed that something fast has died away, until ``end``.
        """
        method = method or self.method
        args = self._args()
        all_args = (*args, self.neighbours, self.devices, self.device_flows)
        watch_args = self._watch_args()
        begin, stop, base = self.t - self._step_start, end - self._step_start, self._step_start
        if stop <= begin:
            self.t = end
            return
        from scipy import integrate

        solver = getattr(integrate, method)(
            lambda t, y: eq.rates(t, y, *all_args), begin, self.y, stop, rtol=self.rtol if method == "LSODA" else self.tolerance,
            atol=self.atol, jac=lambda t, y: eq.jacobian(t, y, *all_args), max_step=self.max_step_s,
        )  # fmt: skip
        first = np.searchsorted(self.grid, self.t - 1e-9)
        last = np.searchsorted(self.grid, end + 1e-9)
        store = StepStore(solver, self.grid[first:last] - base)
        moment = np.zeros((self.n + self.p, self.n + self.p))
        found, message, steps, creeps = None, None, 0, False
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            while solver.status == "running" and found is None and not creeps:
                self._heed()
                message = solver.step()
                if solver.status == "failed" or solver.t == solver.t_old:
                    break
                steps += 1
                creeps = method == "LSODA" and steps % CREEP_STEPS == 0 and stop - solver.t > 10 * (solver.t - begin)
                dense = solver.dense_output()
                due = events.watch(solver.t, solver.y, *watch_args)
                if due[-1] > 0:
                    if not np.isfinite(due[-1]):
                        raise SimulationError(f"the state is not finite at {base + solver.t:.3f} s")
                    found = self._first(dense, solver.t, np.flatnonzero(due[:-1] > 0))
                if store.add(dense, solver.t if found is None else found[0]):
                    self._drain(store, args, moment, base)
        gave_up = solver.status == "failed" or (solver.t < stop and found is None)
        local = solver.t if found is None else found[0]
        self.y = solver.y.copy() if found is None else dense(local)
        self._drain(store, args, moment, base)
        self._branches(moment)
        self._blocked(local - begin)
        self.t = end if found is None and not gave_up else base + local
        if gave_up and method == "Radau" and local == begin:
            raise SimulationError(f"the solver gave up at {self.t:.3f} s: {message or 'its steps became too short'}")
        if gave_up:
            self._integrate(end if creeps else min(end, self.t + HAND_OVER_S), "Radau")
        if found is not None:
            self._apply(found[1], local)

    def _first(self, dense, t_end, slots):
        """Earliest instant at which one of the changes in ``slots`` falls due, and that change."""
        from scipy.optimize import brentq

        best = None
        for slot in slots:

            def past_due(t, slot=slot):
                return self._watch(t, dense(t))[slot]

            at = dense.t_old
            if past_due(at) < 0:
                at = brentq(past_due, dense.t_old, t_end, xtol=EVENT_TIME_TOLERANCE_S)
                beyond = EVENT_TIME_TOLERANCE_S  # a root may lie a hair before the change is due: step past it
                while past_due(at) <= 0 and at < t_end:
                    at, beyond = min(at + beyond, t_end), 2.0 * beyond
            if best is None or at < best[0]:
                best = at, slot
        return best

    # ---- bookkeeping ----

    def _blocked(self, seconds):
        """Add to the time each pack was blocked for charge and for discharge, which its state tells."""
        self.blocked_s[0] += seconds * events.NO_CHARGE[self.pack_state]
        self.blocked_s[1] += seconds * events.NO_DISCHARGE[self.pack_state]

    def _drain(self, store, args, moment, base):
        times, weights, states, samples, sample_states = store.drain()
        eq.accumulate(
            base, times, weights, len(NODES), states, *args, self.neighbours, self.reduced.flows, self.acc, self.port_acc, moment,
            self.extremes,
        )  # fmt: skip
        self._sample(samples, sample_states, at=samples + base)

    def _sample(self, local, states, at):
        if not len(local):
            return
        m, r = len(local), self.reduced
        out = np.empty((m, eq.N_STATES * self.n)), np.empty((2, m, self.n)), np.empty((2, m, self.p))
        eq.observe(local, states, self.cells, self.curves_of, self.curves, r.hybrid, r.terminal, self.ports, *out)
        self.trace.add(at, *out, r.flows)

    def _branches(self, moment):
        """Energy lost in each branch since the network last changed: R ∫ f² dt with f linear in x."""
        flows = self.reduced.flows
        self.pack_i2t += np.diag(moment)[: self.n]
        self.branch_ws += self.network.branch_ohm * np.einsum("bi,bi->b", flows @ moment, flows)

    def result(self, complete):
        """What there is so far, with a warning if the balances do not close."""
        curves = [
            (pack.ocv_curves[0], pack.chemistry.half_width, pack.chemistry.entropy, pack.chemistry.rc_factor)
            for pack in self.bank.packs
        ]
        stored = [eq.stored_energy_j(y, self.cells, curves) for y in (self.y_start, self.y)]
        return Result(self, stored[1] - stored[0], complete)

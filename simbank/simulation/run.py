"""A run: scipy's solvers between events, events by root-finding, restarts without re-compiling."""

from __future__ import annotations

import warnings

import numpy as np
from scipy.integrate import BDF, LSODA, Radau
from scipy.optimize import brentq

from simbank.cells.curves import stack_curves
from simbank.errors import InputError, SimulationError
from simbank.network import Network
from simbank.simulation import equations as eq
from simbank.simulation import modes
from simbank.simulation.quadrature import StepStore, integrals
from simbank.simulation.result import Result, Trace

__all__ = ["METHODS", "simulate"]

METHODS = {"LSODA": LSODA, "BDF": BDF, "Radau": Radau}
MAX_PACKS = 512
EVENT_TIME_TOLERANCE_S = 1e-6
STUCK_EVENTS = 400  # so many changes in a row without a millisecond of progress is a bank that does not settle


def pack_arrays(packs, ambient_k):
    """Parameters of the packs as the compiled equations want them.

    Returns
    -------
    cells : ndarray, shape (N_CELL_ROWS, n)
    curves_of : ndarray of int, shape (N_CURVES, n)
    curves : ndarray
        Stacked curves.
    """
    pool, places = [], {}

    def place(curve):
        if id(curve) not in places:
            places[id(curve)] = len(pool)
            pool.append(curve)
        return places[id(curve)]

    cells = np.zeros((eq.N_CELL_ROWS, len(packs)))
    curves_of = np.zeros((eq.N_CURVES, len(packs)), np.int64)
    for k, pack in enumerate(packs):
        (r1, tau1), (r2, tau2) = pack.pack_rc_pairs
        chemistry = pack.chemistry
        cells[:, k] = [
            pack.capacity_ah * 3600.0, pack.cells_in_series, pack.cell_path_ohm, pack.internal_wiring_ohm, pack.ohmic_ohm,
            r1, r2, tau1, tau2, chemistry.decay_per_soc, chemistry.volt_max, chemistry.volt_min, pack.heat_capacity_j_k,
            pack.heat_loss_w_k, ambient_k, chemistry.reference_k, chemistry.arrhenius_k, chemistry.arrhenius_rc_k,
        ]  # fmt: skip
        mean, highest, lowest = pack.ocv_curves
        curves_of[:, k] = [
            place(curve)
            for curve in (
                mean, chemistry.half_width, chemistry.entropy, chemistry.r_factor, chemistry.rc_factor, highest, lowest,
                chemistry.charge_rate,
            )
        ]  # fmt: skip
        if not pack.heat_capacity_j_k and np.ptp(chemistry.r_factor.value) == 0:  # constant: reduce the network at its true value
            cells[eq.R_REF, k] += pack.cell_path_ohm * (chemistry.resistance_scale(0.5, start_k(pack, ambient_k)) - 1.0)
    return cells, curves_of, stack_curves(pool)


def start_k(pack, ambient_k):
    """Temperature of a pack at the start [K]."""
    return ambient_k if pack.temperature_k is None else pack.temperature_k


def simulate(scenario, *, method="LSODA", tolerance=3e-10, output_step_s=None, max_step_s=1800.0, progress=None):
    """Run a scenario's duty on its bank.

    Parameters
    ----------
    scenario : Scenario
        Anything with ``name``, ``bank`` and ``duty``.
    method : {"LSODA", "BDF", "Radau"}
        scipy's solver.
    tolerance : float
        Relative tolerance of the solver. The absolute ones follow: a hundredth of it for state of charge, itself for the
        hysteresis state, and a hundredfold of it, in volts, for the relaxation voltages, which forget their errors; a
        thousandfold, in kelvin, for temperatures.
    output_step_s : float, optional
        Spacing of the reported samples [s]; by default 60 s, wider for runs that would give more than 20 000 rows.
    max_step_s : float
        Longest step of the solver [s].
    progress : callable, optional
        Called with the fraction done.

    Returns
    -------
    Result

    Raises
    ------
    InputError
        If the method is unknown or the bank is larger than 512 packs.
    SimulationError
        If the run cannot go on; what was computed is its ``partial``.
    """
    if method not in METHODS:
        raise InputError(f"unknown method; use one of {', '.join(METHODS)}", value=method)
    if len(scenario.bank.packs) > MAX_PACKS:
        raise InputError(f"at most {MAX_PACKS} packs in one bank", key="packs", value=len(scenario.bank.packs))
    run = _Run(scenario, METHODS[method], tolerance, output_step_s, max_step_s, progress)
    try:
        run.go()
    except SimulationError as error:
        error.partial = run.result(complete=False)
        raise
    except KeyboardInterrupt:
        raise SimulationError(f"stopped at {run.t:.0f} s of {run.duty.duration_s:.0f} s", run.result(complete=False)) from None
    return run.result(complete=True)


class _Run:
    def __init__(self, scenario, solver, tolerance, output_step_s, max_step_s, progress):
        self.scenario, self.bank, self.duty = scenario, scenario.bank, scenario.duty
        self.solver_class, self.rtol, self.max_step_s = solver, tolerance, max_step_s
        self.progress = progress
        packs, self.port_names = self.bank.packs, list(self.bank.graph.ports)
        self.n, self.p = len(packs), len(self.port_names)
        self.cells, self.curves_of, self.curves = pack_arrays(packs, self.bank.ambient_k)
        self.network = Network(self.bank.graph, self.cells[eq.R_REF])
        self.atol = tolerance * np.repeat([1e-2, 1.0, 1e2, 1e2, 1e3], self.n)
        self.y = np.zeros(eq.N_STATES * self.n)
        self.y[: self.n] = [pack.soc for pack in packs]
        self.y[self.n : 2 * self.n] = [pack.hysteresis for pack in packs]
        self.y[4 * self.n :] = [start_k(pack, self.bank.ambient_k) for pack in packs]
        coupled = self.bank.neighbours_w_k
        self.neighbours = np.zeros((0, 0)) if coupled is None else np.ascontiguousarray(coupled, float)
        self.t = 0.0
        self.pack_state = np.zeros(self.n, np.int64)
        self.pack_mark = np.zeros(self.n)
        self.phase = np.full(self.p, modes.DONE, np.int64)
        self.ports = np.zeros((self.p, eq.N_PORT_COLUMNS))
        self.acc, self.port_acc, _ = integrals(self.n, self.p)
        self.branch_ws = np.zeros(len(self.bank.graph.branches))
        duration = self.duty.duration_s
        step = output_step_s or max(60.0, np.ceil(duration / 20000.0 / 60.0) * 60.0)
        self.grid = np.append(np.arange(0.0, duration - 1e-9 * step, step), duration)
        self.trace = Trace(self.bank)
        self.y_start = self.y.copy()
        self.events = []
        self._stuck = (0, -1.0)
        self._step_start = 0.0

    # ---- what the network is now ----

    def _closed(self):
        return (self.pack_state != modes.FULL_OPEN) & (self.pack_state != modes.EMPTY_OPEN)

    def _rewire(self):
        self.reduced = self.network.reduce(self._closed())
        self.ports[:, eq.LIVE] = self.reduced.port_live

    def _args(self):
        return self.cells, self.curves_of, self.curves, self.reduced.hybrid, self.ports

    def _watch(self, t, y):
        r = self.reduced
        return modes.watch(
            t, y, self.cells, self.curves_of, self.curves, r.hybrid, r.terminal, r.pack_live, self.pack_state, self.pack_mark,
            self.phase, self.ports,
        )  # fmt: skip

    # ---- changes ----

    def _event(self, where, what):
        self.events.append((self.t, where, what))

    def _change_pack(self, k, slot):
        state, new, what = self.pack_state[k], modes.CLOSED, modes.RELEASED
        if state == modes.CLOSED:
            new, what = (modes.FULL_OPEN, modes.CHARGE_BLOCKED) if slot == 0 else (modes.EMPTY_OPEN, modes.DISCHARGE_BLOCKED)
            self.pack_mark[k] = self.y[k]
        elif state == modes.FULL_OPEN:
            new, what = modes.FULL_CONDUCTING, modes.CONDUCTS_DISCHARGE
        elif state == modes.EMPTY_OPEN:
            new, what = modes.EMPTY_CONDUCTING, modes.CONDUCTS_CHARGE
        elif slot == 0:
            new = modes.FULL_OPEN if state == modes.FULL_CONDUCTING else modes.EMPTY_OPEN
            what = modes.OPENS_AGAIN
        self.pack_state[k] = new
        self._event(self.bank.packs[k].name, what)
        self._rewire()

    def _change_port(self, a, slot, now):
        if self.phase[a] == modes.HOLD and slot == 0:
            self.phase[a] = modes.FOLLOW
            self.ports[a, eq.MODE] = self.ports[a, eq.KIND]
            self._event(self.port_names[a], modes.CURRENT_AGAIN)
        elif self.phase[a] == modes.HOLD:
            self._finish(a, modes.CHARGE_ENDED)
        elif slot == 1:
            self._finish(a, modes.TOO_MUCH_POWER)
        elif eq.commanded(now, self.ports, a) < 0:
            self.phase[a] = modes.HOLD
            self.ports[a, eq.MODE] = eq.VOLTAGE
            self._event(self.port_names[a], modes.HOLDS_VOLTAGE)
        else:
            self._finish(a, modes.CUTOFF)

    def _finish(self, a, what):
        self.phase[a] = modes.DONE
        self.ports[a, eq.MODE] = eq.OFF
        self._event(self.port_names[a], what)

    def _wake(self, now):
        """Let one open pack conduct in its free direction where the wiring around it has no voltage of its own."""
        wish = sum(eq.commanded(now, self.ports, a) for a in range(self.p) if self.phase[a] != modes.DONE)
        for k in np.flatnonzero(~self._closed() & ~self.reduced.pack_live):
            if wish >= 0 if self.pack_state[k] == modes.FULL_OPEN else wish <= 0:
                self._change_pack(k, 0)
                return True
        return False

    def _settle(self, now):
        """Apply every change that is due at this instant, packs before ports, lowest first, until none is.

        Lowest-first is Murty's rule for the complementarity problem that packs conducting in one direction pose, which ends.
        """
        while True:
            due = np.flatnonzero(self._watch(now, self.y)[:-1] > 0)
            packs = due[due < modes.PACK_SLOTS * self.n]
            dead = [a for a in range(self.p) if self.phase[a] != modes.DONE and not self.ports[a, eq.LIVE]]
            if packs.size:
                self._change_pack(*divmod(packs[0], modes.PACK_SLOTS))
            elif self._wake(now):
                pass
            elif dead:
                self._finish(dead[0], modes.NO_PACK)
            elif due.size:
                self._change_port(*divmod(due[0] - modes.PACK_SLOTS * self.n, modes.PORT_SLOTS), now)
            else:
                return
            self._guard()

    def _guard(self):
        count, since = self._stuck
        self._stuck = (count + 1, since) if self.t - since < 1e-3 else (0, self.t)
        if self._stuck[0] > STUCK_EVENTS + 20 * (self.n + self.p):
            where, what = self.events[-1][1:]
            raise SimulationError(f"at {self.t:.3f} s the bank does not settle: {where} keeps changing ({what})")

    # ---- time ----

    def go(self):
        self._rewire()
        for step in self.duty:
            self._take(step)
            end = self.t + step.duration_s
            self._step_start = self.t
            while self.t < end - EVENT_TIME_TOLERANCE_S:
                self._settle(self.t - self._step_start)
                if step.ends_early and np.all(self.phase == modes.DONE):
                    break
                self._integrate(end)
                if self.progress:
                    self.progress(min(1.0, self.t / self.duty.duration_s))
        self._sample(np.array([self.t - self._step_start]), self.y[None], at=np.array([self.t]))

    def _take(self, step):
        """Set the ports to a step's commands."""
        self.ports[:] = 0.0
        self.phase[:] = modes.DONE
        for name, command in step.commands.items():
            a = self.port_names.index(name)
            kind = eq.CURRENT if command.kind == "current" else eq.POWER
            self.ports[a, [eq.MODE, eq.KIND, eq.SET, eq.SLOPE]] = kind, kind, command.value, command.slope
            self.ports[a, [eq.VOLT_LIMIT, eq.TAIL, eq.CUTOFF]] = command.volt_limit, command.tail_a, command.cutoff_volt
            self.phase[a] = modes.FOLLOW
        self.ports[:, eq.LIVE] = self.reduced.port_live

    def _integrate(self, end):
        """Go on until ``end`` or the next change, whichever comes first. Solver time counts from the start of the step."""
        args = self._args()
        all_args = (*args, self.neighbours)
        begin, stop, base = self.t - self._step_start, end - self._step_start, self._step_start
        solver = self.solver_class(
            lambda t, y: eq.rates(t, y, *all_args), begin, self.y, stop, rtol=self.rtol, atol=self.atol,
            jac=lambda t, y: eq.jacobian(t, y, *all_args), max_step=self.max_step_s,
        )  # fmt: skip
        store = StepStore(solver, self.grid[self.grid >= self.t - 1e-9] - base)
        moment = np.zeros((self.n + self.p, self.n + self.p))
        found = None
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            while solver.status == "running" and found is None:
                message = solver.step()
                if solver.status == "failed":
                    self._drain(store, args, moment, base)
                    raise SimulationError(f"the solver gave up at {base + solver.t:.3f} s: {message}")
                dense = solver.dense_output()
                due = self._watch(solver.t, solver.y)
                if due[-1] > 0:
                    if not np.isfinite(due[-1]):
                        raise SimulationError(f"the state is not finite at {base + solver.t:.3f} s")
                    found = self._first(dense, solver.t, np.flatnonzero(due[:-1] > 0))
                if store.add(dense, solver.t if found is None else found[0]):
                    self._drain(store, args, moment, base)
        local = solver.t if found is None else found[0]
        self.y = solver.y.copy() if found is None else dense(local)
        self._drain(store, args, moment, base)
        self._branches(moment)
        self.t = end if found is None else base + local
        if found is not None:
            self._apply(found[1], local)

    def _first(self, dense, t_end, slots):
        """Earliest instant at which one of the changes in ``slots`` falls due, and that change."""
        best = None
        for slot in slots:

            def past_due(t, slot=slot):
                return self._watch(t, dense(t))[slot]

            at = dense.t_old
            if past_due(at) < 0:
                at = brentq(past_due, dense.t_old, t_end, xtol=EVENT_TIME_TOLERANCE_S)
            if best is None or at < best[0]:
                best = at, slot
        return best

    def _apply(self, slot, now):
        """Make the change that root-finding found."""
        if slot < modes.PACK_SLOTS * self.n:
            self._change_pack(*divmod(slot, modes.PACK_SLOTS))
        else:
            self._change_port(*divmod(slot - modes.PACK_SLOTS * self.n, modes.PORT_SLOTS), now)
        self._guard()

    # ---- bookkeeping ----

    def _drain(self, store, args, moment, base):
        times, weights, states, samples, sample_states = store.drain()
        eq.accumulate(times, weights, states, *args, self.acc, self.port_acc, moment)
        self._sample(samples, sample_states, at=samples + base)

    def _sample(self, local, states, at):
        if not len(local):
            return
        out_pack, out_port = np.empty((2, len(local), self.n)), np.empty((2, len(local), self.p))
        r = self.reduced
        eq.observe(local, states, self.cells, self.curves_of, self.curves, r.hybrid, r.terminal, self.ports, out_pack, out_port)
        self.trace.add(at, states, out_pack, out_port, r.flows)

    def _branches(self, moment):
        """Energy lost in each branch since the network last changed: R ∫ f² dt with f linear in x."""
        flows = self.reduced.flows
        self.branch_ws += self.network.branch_ohm * np.einsum("bi,ij,bj->b", flows, moment, flows, optimize=True)

    def result(self, complete):
        curves = [
            (pack.ocv_curves[0], pack.chemistry.half_width, pack.chemistry.entropy, pack.chemistry.rc_factor)
            for pack in self.bank.packs
        ]
        stored = [eq.stored_energy_j(y, self.cells, curves) for y in (self.y_start, self.y)]
        return Result.build(self, stored[1] - stored[0], complete)

"""Time integrals and samples beside the solver: what happens within each accepted step, read from its interpolant."""

from __future__ import annotations

import numpy as np

from simbank.cells.curves import curve_value
from simbank.jit import jit_entry, jit_inline, jit_internal, jit_wide
from simbank.simulation import arrays as ar
from simbank.simulation.bank_solver import four_row_products, solve_bank, solve_currents, terminal_voltage, working_arrays
from simbank.simulation.displays import begin_step, count_between
from simbank.simulation.extremes import reach_branches, reach_ends, reach_flows, reach_states
from simbank.simulation.many_packs import DIRECT_PACKS
from simbank.simulation.pack_model import KELVIN, cell_volts, heat_made
from simbank.simulation.port_solver import commanded

# Gauss-Legendre nodes on 0..1, with both ends added at no weight so that peaks there are seen.
_x, _w = np.polynomial.legendre.leggauss(4)
NODES = np.concatenate([[0.0], (1 + _x) / 2, [1.0]])
WEIGHTS = np.concatenate([[0.0], _w / 2, [0.0]])
BATCH = 256
MAX_ORDER = 12  # of LSODA's non-stiff method


@jit_entry
def _states(times, which, ends, steps, histories, terms, out):
    """States at ``times`` from the scaled derivatives that LSODA keeps at the end of each step (Nordsieck's array), into ``out``."""
    for i in range(times.size):
        b = which[i]
        x = (times[i] - ends[b]) / steps[b]
        for s in range(out.shape[1]):
            value = histories[b, s, terms[b] - 1]
            for q in range(terms[b] - 2, -1, -1):
                value = value * x + histories[b, s, q]
            out[i, s] = value


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
        out = np.empty((times.size, self.solver.n))
        if self._is_lsoda:
            _states(times, which, self._ends, self._steps, self._histories, self._terms, out)
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


def accumulate(base, times, weights, per_step, states, bank, ports, flows, sums, extremes, shown):
    """Add to the time integrals, by quadrature, and to the extremes.

    Parameters
    ----------
    base : float
        The run's time where that of ``times`` is zero [s].
    times, weights : ndarray, shape (m,)
        Nodes and weights [s], ``per_step`` of them for each step of the solver, its start the first and its end the last.
    per_step : int
        How many of the times belong to one step of the solver.
    states : ndarray, shape (m, 5 n + d)
        State of ``n`` packs and ``d`` devices at these times.
    bank : BankArrays
        As it stood during these steps.
    ports : ndarray, shape (p, N_PORT_COLUMNS)
        What each port imposed.
    flows : ndarray, shape (b, n + p)
        Currents of all branches of the network [A] = flows · [I; J]; the loss of a branch is its resistance times a quadratic form in
        ``sums.moment``.
    sums : SumArrays
        Time integrals, added to in place.
    extremes : Extremes
        Extremes, moved in place.
    shown : ndarray, shape (m, n or 0)
        What the packs' displays show at these times is written to.
    """
    n, p = bank.cells.shape[1], ports.shape[0]
    works = working_arrays(n, p), working_arrays(n, p), working_arrays(n, p)
    _accumulate(base, times, weights, per_step, states, bank, ports, flows, sums, extremes, shown, works)


@jit_entry
def _accumulate(base, times, weights, per_step, states, bank, ports, flows, sums, extremes, shown, works):
    """The loop of :func:`accumulate`, apart from it since references to arrays are counted where arrays are made: a third slower."""
    work_0, work_1, work = works
    for i in range(times.size):
        work_0, work_1, work = work_1, work, work_0
        for a in range(ports.shape[0]):
            work.port[ar.PORT_CURRENT, a] = work_1.port[ar.PORT_CURRENT, a]
        solve_bank(times[i], states[i], bank, ports, work)
        add_instant(times[i], weights[i], states[i], bank, ports, work, sums)
        add_cells(states[i], bank, work.pack, sums.pack)
        add_heat_out(weights[i], states[i], bank, work.pack, sums.pack)
        _add_own_draw(weights[i], work.pack, sums.pack)
        place = i % per_step
        if place == 0:
            begin_step(sums.displays)
            for k in range(shown.shape[1]):
                shown[i, k] = sums.displays[ar.SHOWN, k]
        else:
            count_between(times[i] - times[i - 1], states[i - 1], work_1.pack, states[i], work.pack, bank.cells, sums.displays)
            for k in range(shown.shape[1]):
                shown[i, k] = sums.displays[ar.SHOWN, k]
        if place > 0:
            reach_states(base, times[i - 1], states[i - 1], work_1.pack, times[i], states[i], work.pack, bank.cells, extremes)
        if place > 1:
            reach_flows(times[i - 2], work_0, times[i - 1], work_1, times[i], work, sums, extremes)
            reach_branches(times[i - 2], work_0, times[i - 1], work_1, times[i], work, flows, extremes.branch)
        if place == 0 or place == per_step - 1:
            reach_ends(work, flows, extremes)


@jit_internal
def add_instant(t, w, y, bank, ports, work, sums):
    """Add one instant, solved in ``work``, to the time integrals with weight ``w`` [s]."""
    total = 0.0
    for a in range(ports.shape[0]):
        add_port(a, t, w, ports, work.port, sums.port)
        total += work.port[ar.PORT_CURRENT, a]
    for k in range(bank.cells.shape[1]):
        _add_pack(k, w, y, total, bank, work.pack, sums.pack)
    if bank.cells.shape[1] > DIRECT_PACKS:
        _add_wide_moment(w, work.pack, work.port, sums.moment)
    else:
        _add_moment(w, work.pack, work.port, sums.moment)


@jit_internal
def add_port(a, t, w, ports, port, port_acc):
    """Add port ``a`` at time ``t`` [s] of the step of the duty."""
    current, volt = port[ar.PORT_CURRENT, a], port[ar.PORT_VOLTAGE, a]
    if current > 0.0:
        port_acc[ar.PORT_OUT_J, a] += w * current * volt
        port_acc[ar.PORT_OUT_AS, a] += w * current
    else:
        port_acc[ar.PORT_IN_J, a] -= w * current * volt
        port_acc[ar.PORT_IN_AS, a] -= w * current
    # What was asked: by a command in watts, or in amperes at the voltage there is.
    asked = commanded(t, ports, a)
    if ports[a, ar.KIND] == ar.MODE_CURRENT:
        asked *= volt
    elif ports[a, ar.KIND] == ar.MODE_RESISTANCE:
        asked = volt * volt / asked
    elif ports[a, ar.KIND] == ar.MODE_OFF:
        asked = 0.0
    if asked > 0.0:
        port_acc[ar.PORT_ASKED_OUT_J, a] += w * asked
        port_acc[ar.PORT_AC_ASKED_J, a] += w * ports[a, ar.AC_ASKED_W]
        port_acc[ar.PORT_AC_SERVED_J, a] += w * max(0.0, current * volt) * ports[a, ar.AC_RATIO]
    else:
        port_acc[ar.PORT_ASKED_IN_J, a] -= w * asked
    if abs(current) > 1e-6:
        port_acc[ar.PORT_CONDUCTS_S, a] += w
    if ports[a, ar.LIVE] > 0.0:
        port_acc[ar.PORT_MIN_V, a] = min(port_acc[ar.PORT_MIN_V, a], volt)
        port_acc[ar.PORT_MAX_V, a] = max(port_acc[ar.PORT_MAX_V, a], volt)


@jit_inline
def _add_pack(k, w, y, total, bank, pack, acc):
    """Add pack ``k``, at a current ``total`` out of the bank [A]."""
    current, temperature = pack[ar.PACK_CURRENT, k], y[ar.TEMPERATURE * bank.cells.shape[1] + k]
    if current > 0.0:
        acc[ar.ACC_OUT_AS, k] += w * current
        acc[ar.ACC_PEAK_OUT_A, k] = max(acc[ar.ACC_PEAK_OUT_A, k], current)
    else:
        acc[ar.ACC_IN_AS, k] -= w * current
        acc[ar.ACC_PEAK_IN_A, k] = max(acc[ar.ACC_PEAK_IN_A, k], -current)
        most, _, _ = curve_value(bank.curves, bank.curves_of[ar.CHARGE_RATE_CURVE, k], temperature - KELVIN)
        if -current * 3600.0 > most * bank.cells[ar.CAPACITY_AS, k] * (1.0 + 1e-9):
            acc[ar.ACC_OVER_CHARGE_RATE_S, k] += w
    if total > 0.0:
        acc[ar.ACC_DISCHARGE_AS, k] += w * current
    elif total < 0.0:
        acc[ar.ACC_CHARGE_AS, k] -= w * current
    acc[ar.ACC_OHMIC_J, k] += w * pack[ar.OHMIC_HEAT, k]
    acc[ar.ACC_RELAXATION_J, k] += w * pack[ar.RELAXATION_HEAT, k]
    acc[ar.ACC_HYSTERESIS_J, k] += w * pack[ar.HYSTERESIS_HEAT, k]
    acc[ar.ACC_REVERSIBLE_J, k] += w * pack[ar.REVERSIBLE_HEAT, k]
    acc[ar.ACC_MIN_K, k] = min(acc[ar.ACC_MIN_K, k], temperature)
    acc[ar.ACC_MAX_K, k] = max(acc[ar.ACC_MAX_K, k], temperature)


@jit_inline
def _add_moment(w, pack, port, moment):
    """Add the products of all currents of packs and ports."""
    n, p = pack.shape[1], port.shape[1]
    for k in range(n):
        current = pack[ar.PACK_CURRENT, k]
        for m in range(n):
            moment[k, m] += w * current * pack[ar.PACK_CURRENT, m]
        for a in range(p):
            both = w * current * port[ar.PORT_CURRENT, a]
            moment[k, n + a] += both
            moment[n + a, k] += both
    for a in range(p):
        for b in range(p):
            moment[n + a, n + b] += w * port[ar.PORT_CURRENT, a] * port[ar.PORT_CURRENT, b]


_add_wide_moment = jit_wide(_add_moment.py_func)


@jit_internal
def add_cells(y, bank, pack, acc):
    """Add one instant, solved in ``pack``, to what the cells have seen.

    That is the highest and lowest cell voltage [V], and what has gone into each pack beyond 100 % and out of it beyond 0 % since the
    instant before [As, J]. Instants come in order. Charge goes by the state of charge itself, so that none is missed where the
    instant before lies on the other side; energy at the mean of the pack's terminal voltage at both instants.
    """
    cells = bank.cells
    for k in range(cells.shape[1]):
        z, last = y[k], acc[ar.ACC_LAST_SOC, k]
        high, low = cell_volts(k, y, cells, bank.curves_of, bank.curves, pack)
        acc[ar.ACC_CELL_MAX_V, k], acc[ar.ACC_CELL_MIN_V, k] = (
            max(acc[ar.ACC_CELL_MAX_V, k], high),
            min(acc[ar.ACC_CELL_MIN_V, k], low),
        )
        volt = pack[ar.EMF, k] - pack[ar.PACK_CURRENT, k] * pack[ar.R_OHMIC, k]
        if z > max(last, 1.0):
            over = z - max(last, 1.0)
            acc[ar.ACC_BEYOND_FULL_AS, k] += cells[ar.CAPACITY_AS, k] * over
            acc[ar.ACC_BEYOND_FULL_J, k] += cells[ar.CAPACITY_AS, k] * over * 0.5 * (volt + acc[ar.ACC_LAST_V, k])
        elif z < min(last, 0.0):
            under = min(last, 0.0) - z
            acc[ar.ACC_BEYOND_EMPTY_AS, k] += cells[ar.CAPACITY_AS, k] * under
            acc[ar.ACC_BEYOND_EMPTY_J, k] += cells[ar.CAPACITY_AS, k] * under * 0.5 * (volt + acc[ar.ACC_LAST_V, k])
        acc[ar.ACC_LAST_SOC, k], acc[ar.ACC_LAST_V, k] = z, volt


@jit_internal
def add_heat_out(w, y, bank, pack, acc):
    """Add the heat that leaves every pack at one instant, solved in ``pack``, to its time integral with weight ``w`` [s]."""
    cells, neighbours = bank.cells, bank.neighbours
    n = cells.shape[1]
    for k in range(n):
        if cells[ar.HEAT_CAPACITY, k] > 0.0:
            watt = cells[ar.HEAT_LOSS, k] * (y[ar.TEMPERATURE * n + k] - cells[ar.AMBIENT_K, k])
            for m in range(neighbours.shape[0]):
                watt += neighbours[m, k] * (y[ar.TEMPERATURE * n + k] - y[ar.TEMPERATURE * n + m])
        else:
            watt = heat_made(k, pack)
        acc[ar.ACC_HEAT_OUT_J, k] += w * watt


@jit_internal
def _add_own_draw(w, pack, acc):
    """Add what every pack takes for itself at one instant, solved in ``pack``, with weight ``w`` [s]."""
    for k in range(pack.shape[1]):
        acc[ar.ACC_OWN_DRAW_AS, k] += w * pack[ar.OWN_DRAW, k]
        acc[ar.ACC_OWN_DRAW_J, k] += w * pack[ar.OWN_DRAW, k] * pack[ar.EMF_SETTLED, k]


def observe(times, states, bank, ports, samples):
    """What is reported at given instants, into ``samples``.

    Parameters
    ----------
    times : ndarray, shape (m,)
        In the time of the step of the duty [s].
    states : ndarray, shape (m, 5 n + d)
        State of ``n`` packs and ``d`` devices at these times.
    bank : BankArrays
        As it stands at these times.
    ports : ndarray, shape (p, N_PORT_COLUMNS)
        What each port imposes.
    samples : Samples
        What is written to, m places.
    """
    _observe(times, states, bank, ports, samples, working_arrays(bank.cells.shape[1], ports.shape[0]))


@jit_entry
def _observe(times, states, bank, ports, samples, work):
    """:func:`observe`, working in ``work``."""
    for i in range(times.size):
        solve_currents(times[i], states[i], bank, ports, work)
        record_sample(i, states[i], bank, work, samples)


@jit_internal
def record_sample(i, y, bank, work, samples):
    """Write what is reported of one instant, solved in ``work``, to place ``i``."""
    n = bank.cells.shape[1]
    for j in range(ar.N_STATES * n):
        samples.state[i, j] = y[j]
    for k in range(n):
        samples.pack[0, i, k] = work.pack[ar.PACK_CURRENT, k]
    together = n - n % 4
    for k in range(0, together, 4):
        volts = four_row_products(bank.terminal, k, ar.EMF_LINEAR, work)
        for m in range(4):
            samples.pack[1, i, k + m] = volts[m]
    for k in range(together, n):
        samples.pack[1, i, k] = terminal_voltage(k, bank.terminal, work)
    for a in range(work.port.shape[1]):
        samples.port[0, i, a] = work.port[ar.PORT_CURRENT, a]
        samples.port[1, i, a] = work.port[ar.PORT_VOLTAGE, a]

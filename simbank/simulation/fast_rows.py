"""Many rows of a duty in one step of the fast integrator, where only what is asked flickers from row to row.

Sun and load change by the minute, but the packs feel little else than their mean. So one step of :mod:`simbank.simulation.fast_step` goes
over several rows with commands that run straight: those with the mean and the first moment of the rows' own. What is left then is how
the rows lie off that line, and what comes of it is linear, since it is small:

1. Row after row each port's current follows from its own command by its own law, against the voltage along the step and what the rows
   before have left behind: of each pack, by how much its charge and its relaxation voltages lie off the step's (relaxation exactly,
   by exponentials; network, slopes and resistances as at the start of the step).
2. Charge, products of currents and heat of these departures are added to those of the step, so that charge is kept and losses close.
   Energy at a port is that of its rows.
3. Nothing may switch within: whatever a pack or a port waits for is asked with the extremes of all rows at once. Where anything may
   be due, or a current turns round, nothing has happened: fewer rows are tried, and at last each is walked singly.

How many rows a step has is chosen by the error that every step is judged by. A bank with displays, own draw, charge that lags or tables
over temperature, and a device near its trip current, goes row by row; so does any duty in which few short rows stand side by side.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from simbank.jit import jit_internal
from simbank.simulation import arrays as ar
from simbank.simulation import events
from simbank.simulation import rows_off_step as ro
from simbank.simulation.bank_solver import flow, solve_bank
from simbank.simulation.devices import device_current
from simbank.simulation.extremes import reach_ends, reach_states
from simbank.simulation.fast_step import DT_BY_Q, EXPECTED_CURRENT, Step, add_damage, correct_end, make_step
from simbank.simulation.integrals import add_cells, add_instant
from simbank.simulation.pack_model import cell_volts, hysteresis_by_soc

LEAST_ROWS = 3
WIDER, WIDER_VOLT = (
    0.1,
    5e-3,
)  # by so much of their range, and so many volts, are extremes taken wider where it is asked what may be due
LONGEST_WAIT = 8.0  # rows that are walked singly after steps over rows have failed, at most
STRICTER = (
    4.0  # a step over rows may err by this share of the tolerance: else voltages, and with them energy, would run too far off
)
NEAR_TRIP = 0.95  # share of the current at which a device trips from which rows are walked singly
BEND_FACTOR = 0.5  # of how far slopes move along a step, times how far charge lies off it, as an error of state of charge


class Setting(NamedTuple):
    """What :func:`simbank.simulation.fast.advance` goes on with from step to step; for what each is, see there."""

    bank: ar.BankArrays
    levelling: np.ndarray
    states: ar.StateArrays
    port_state: ar.PortArrays
    step: Step
    sums: ar.SumArrays
    extremes: ar.Extremes
    all_flows: np.ndarray
    schedule: tuple
    due: np.ndarray
    tolerance: float
    plain: bool


@jit_internal
def _alike(row, first, schedule):
    """Whether a row asks of every port the same as the first one does, but for how much."""
    durations, commands, early = schedule
    if durations[row] != durations[first] or early[row]:
        return False
    for a in range(commands.shape[1]):
        for column in range(ar.N_COMMAND):
            differs = commands[row, a, column] != commands[first, a, column]
            if differs and column != ar.COMMAND_VALUE and column != ar.COMMAND_AC_RATIO and column != ar.COMMAND_AC_ASKED_W:
                return False
        x, y = commands[row, a, ar.COMMAND_VALUE], commands[first, a, ar.COMMAND_VALUE]
        if (x > 0.0) != (y > 0.0) or (x < 0.0) != (y < 0.0):
            return False
    return True


@jit_internal
def _may_begin(row, schedule, states, port_state):
    """Whether no pack or device waits for anything, and ports are in phases that go on, with commands that stand still along a row."""
    _, commands, _ = schedule
    for k in range(states.pack_state.size):
        if states.pack_state[k] != ar.CLOSED:
            return False
        for monitor in range(ar.N_MONITORS):
            if states.monitor_state[k, monitor] != ar.QUIET:
                return False
    ports, equip = port_state.table, port_state.equip
    for a in range(ports.shape[0]):
        mode = ports[a, ar.MODE]
        if (
            ports[a, ar.LIVE] == 0.0
            or commands[row, a, ar.COMMAND_SLOPE] != 0.0
            or mode == ar.MODE_RESISTANCE
            or mode == ar.MODE_CURRENT
        ):
            return False
        phase = port_state.phase[a]
        if phase == ar.PHASE_DONE:
            if commands[row, a, ar.COMMAND_PRESENT] > 0.0 or equip[a, ar.PERSISTENT] > 0.0:
                return False
        elif phase != ar.PHASE_FOLLOW and equip[a, ar.PERSISTENT] == 0.0:
            return False
        if equip[a, ar.HAS_CHARGER] > 0.0 and ports[a, ar.CURRENT_MAX] < equip[a, ar.CHARGER_CURRENT_MAX]:
            return False  # a limit that follows the packs' temperatures is asked in every row
    return True


@jit_internal
def _due_at_extremes(now, y_1, bank, states, port_state, work_1, merging, due):
    """Whether anything may be due anywhere in the rows: asked with the extremes of all at once.

    Charged hardest at the highest voltages, then discharged hardest at the lowest. ``work_1`` is the bank at the end of the step; of it
    only the electromotive forces are as before.
    """
    off, line, pack, port, ports = merging.pack, merging.port, work_1.pack, work_1.port, port_state.table
    n, p, worst = off.shape[1], line.shape[1], -1.0
    for a in range(p):
        ports[a, ar.COMMANDED], ports[a, ar.COMMANDED_SLOPE] = line[ro.WEAKEST, a], 0.0
    for k in range(n):
        off[ro.KEPT_EMF, k] = pack[ar.EMF, k]
    for side in range(2):
        emf, current = (ro.GREATEST_EMF, ro.LEAST_CURRENT) if side == 0 else (ro.LEAST_EMF, ro.GREATEST_CURRENT)
        amp, volt = (ro.LEAST_J, ro.GREATEST_V) if side == 0 else (ro.GREATEST_J, ro.LEAST_V)
        up = 1.0 if side == 0 else -1.0
        for k in range(n):
            pack[ar.EMF, k] = off[emf, k] + up * (WIDER * (off[ro.GREATEST_EMF, k] - off[ro.LEAST_EMF, k]) + WIDER_VOLT)
            pack[ar.PACK_CURRENT, k] = off[current, k] - up * WIDER * (off[ro.GREATEST_CURRENT, k] - off[ro.LEAST_CURRENT, k])
            pack[ar.EMF_LINEAR, k] = pack[ar.EMF, k] - pack[ar.R_ABOVE_REF, k] * pack[ar.PACK_CURRENT, k]
        for a in range(p):
            port[ar.PORT_CURRENT, a] = line[amp, a] - up * WIDER * (line[ro.GREATEST_J, a] - line[ro.LEAST_J, a])
            port[ar.PORT_VOLTAGE, a] = line[volt, a] + up * (WIDER * (line[ro.GREATEST_V, a] - line[ro.LEAST_V, a]) + WIDER_VOLT)
        worst = max(worst, events.watch_solved(now, y_1, bank, states, port_state.phase, ports, work_1, due))
    for k in range(n):
        pack[ar.EMF, k] = off[ro.KEPT_EMF, k]
    return not worst <= 0.0


@jit_internal
def _set_extreme(i, work, merging):
    """Currents and voltages of the row in which a port's current is least (even ``i``) or greatest (odd), into ``work``."""
    n, p = merging.pack.shape[1], merging.port.shape[1]
    r = int(merging.port[ro.LEAST_AT if i % 2 == 0 else ro.GREATEST_AT, i // 2])
    for k in range(n):
        work.pack[ar.PACK_CURRENT, k] = merging.rows[r, k]
    for a in range(p):
        work.port[ar.PORT_CURRENT, a], work.port[ar.PORT_VOLTAGE, a] = merging.rows[r, n + a], merging.rows[r, n + p + a]


@jit_internal
def _near_trip(bank, work, merging):
    """Whether the current of a device comes near to what it trips at in any of those rows."""
    for d in range(bank.devices.shape[0]):
        for i in range(2 * merging.port.shape[1]):
            _set_extreme(i, work, merging)
            current = abs(device_current(d, bank.device_flows, work))
            multiple = min(bank.devices[d, ar.MIN_TRIP_MULTIPLE], bank.devices[d, ar.PICKUP_MULTIPLE])
            if current > NEAR_TRIP * multiple * bank.devices[d, ar.RATING_A]:
                return True
    return False


@jit_internal
def _book(discharges, y_1, bank, work, all_flows, sums, extremes, merging):
    """What the step and the rows have come to, into sums and extremes; works in ``work``."""
    off, along, cells = merging.pack, merging.sums_pack, bank.cells
    n, p = off.shape[1], merging.port.shape[1]
    for k in range(n):
        acc = sums.pack
        for row in range(ar.ACC_OUT_AS, ar.ACC_REVERSIBLE_J + 1):
            acc[row, k] += along[row, k]
        if off[ro.GREATEST_CURRENT, k] > 0.0:
            acc[ar.ACC_OUT_AS, k] += off[ro.OFF_AS, k]
        else:
            acc[ar.ACC_IN_AS, k] -= off[ro.OFF_AS, k]
        if discharges:
            acc[ar.ACC_DISCHARGE_AS, k] += off[ro.OFF_AS, k]
        else:
            acc[ar.ACC_CHARGE_AS, k] -= off[ro.OFF_AS, k]
        acc[ar.ACC_OHMIC_J, k] += off[ro.OFF_OHMIC_J, k]
        acc[ar.ACC_RELAXATION_J, k] += off[ro.OFF_RELAXATION_J, k]
        acc[ar.ACC_OVER_CHARGE_RATE_S, k] += along[ar.ACC_OVER_CHARGE_RATE_S, k]
        acc[ar.ACC_MIN_K, k] = min(acc[ar.ACC_MIN_K, k], along[ar.ACC_MIN_K, k])
        acc[ar.ACC_MAX_K, k] = max(acc[ar.ACC_MAX_K, k], along[ar.ACC_MAX_K, k])
        acc[ar.ACC_PEAK_OUT_A, k] = max(acc[ar.ACC_PEAK_OUT_A, k], off[ro.GREATEST_CURRENT, k])
        acc[ar.ACC_PEAK_IN_A, k] = max(acc[ar.ACC_PEAK_IN_A, k], -off[ro.LEAST_CURRENT, k])
        work.pack[ar.PACK_CURRENT, k] = 0.0
        work.pack[ar.EMF, k] = off[ro.GREATEST_VOLT, k]
        high, _ = cell_volts(k, y_1, cells, bank.curves_of, bank.curves, work.pack)
        work.pack[ar.EMF, k] = off[ro.LEAST_VOLT, k]
        _, low = cell_volts(k, y_1, cells, bank.curves_of, bank.curves, work.pack)
        acc[ar.ACC_CELL_MAX_V, k], acc[ar.ACC_CELL_MIN_V, k] = (
            max(acc[ar.ACC_CELL_MAX_V, k], high),
            min(acc[ar.ACC_CELL_MIN_V, k], low),
        )
    for a in range(p):
        port, along_port = sums.port, merging.sums_port
        for row in range(ar.N_PORT_ACC):
            if row != ar.PORT_MIN_V and row != ar.PORT_MAX_V:
                port[row, a] += along_port[row, a]
        port[ar.PORT_MIN_V, a] = min(port[ar.PORT_MIN_V, a], along_port[ar.PORT_MIN_V, a])
        port[ar.PORT_MAX_V, a] = max(port[ar.PORT_MAX_V, a], along_port[ar.PORT_MAX_V, a])
    for i in range(n + p):
        for j in range(n + p):
            sums.moment[i, j] += merging.moment[i, j]
    for i in range(2 * p):
        _set_extreme(i, work, merging)
        reach_ends(work, all_flows, extremes)


@jit_internal
def _clear(merging):
    """Empty sums of a step."""
    pack, moment = merging.sums_pack, merging.moment
    for k in range(pack.shape[1]):
        for row in range(ar.N_ACC):
            pack[row, k] = 0.0
        pack[ar.ACC_MIN_K, k], pack[ar.ACC_MAX_K, k] = np.inf, -np.inf
    for i in range(moment.shape[0]):
        for j in range(moment.shape[0]):
            moment[i, j] = 0.0


@jit_internal
def _clear_rows(merging):
    """Of them, those that are told by the rows."""
    pack, port = merging.sums_pack, merging.sums_port
    for k in range(pack.shape[1]):
        pack[ar.ACC_OVER_CHARGE_RATE_S, k] = 0.0
    for a in range(port.shape[1]):
        for row in range(ar.N_PORT_ACC):
            port[row, a] = 0.0
        port[ar.PORT_MIN_V, a], port[ar.PORT_MAX_V, a] = np.inf, -np.inf


@jit_internal
def _end(y, bank, work_1, step, merging):
    """State at the end of the step with what the rows lie off it, into ``y``, and the electromotive forces there."""
    off, cells, pack, y_1 = merging.pack, bank.cells, work_1.pack, step.y_end
    n = cells.shape[1]
    for k in range(n):
        shift = off[ro.OFF_SOC, k]
        sense = 1.0 if off[ro.GREATEST_CURRENT, k] > 0.0 else -1.0
        turn = hysteresis_by_soc(cells[ar.GAMMA, k], sense, y_1[ar.HYSTERESIS * n + k]) * shift
        warm = 0.0
        if cells[ar.HEAT_CAPACITY, k] > 0.0:
            warm = (off[ro.OFF_OHMIC_J, k] + off[ro.OFF_RELAXATION_J, k]) / cells[ar.HEAT_CAPACITY, k]
        y_1[ar.SOC * n + k] += shift
        y_1[ar.HYSTERESIS * n + k] = min(1.0, max(-1.0, y_1[ar.HYSTERESIS * n + k] + turn))
        y_1[ar.TEMPERATURE * n + k] += warm
        pack[ar.EMF, k] += pack[ar.EMF_BY_SOC, k] * shift + pack[ar.EMF_BY_HYSTERESIS, k] * turn + pack[ar.EMF_BY_T, k] * warm
        for j in range(2):
            y_1[(ar.RC_VOLT_1 + j) * n + k] += off[ro.OFF_RC + j, k]
            pack[ar.EMF, k] -= off[ro.OFF_RC + j, k]
    for i in range(y.size):
        y[i] = y_1[i]


@jit_internal
def merge_rows(row, many, step_start, new_length, y, works, setting, merging):
    """One step over ``many`` rows of the duty from ``row`` on, or nothing.

    ``new_length`` is whether the step before was of another length; ``works`` are the bank solved at the start, and where it is solved
    at the end.

    Returns
    -------
    made, error : int, float
        Over how many rows it may be made. If over all of them, it was: ``y``, sums and extremes have moved, and the bank is solved at its
        end. Its estimated error as a share of the tolerance, infinite where anything may switch within.
    """
    bank, levelling, states, port_state = setting.bank, setting.levelling, setting.states, setting.port_state
    step, sums, extremes, all_flows, plain = setting.step, setting.sums, setting.extremes, setting.all_flows, setting.plain
    durations, commands, _ = setting.schedule
    work, work_1 = works
    cells, ports, dt = bank.cells, port_state.table, durations[row]
    n, span, tolerance = cells.shape[1], many * dt, setting.tolerance / STRICTER
    ro.set_lines(row, many, dt, commands, port_state, merging)
    flow(0.0, y, bank, ports, work)
    error, stiff = make_step(0.0, span, new_length, y, work, bank, levelling, ports, step, plain)
    if error <= tolerance:
        ro.begin_rows(dt, y, bank, work, step.coefficients, merging)
        solve_bank(span, step.y_end, bank, ports, work_1)
        missed, moved = correct_end(span, stiff, tolerance, bank, levelling, work, work_1, step)
        error = max(error, missed)
        if moved and error <= tolerance:
            flow(span, step.y_end, bank, ports, work_1)
    if not error <= tolerance:
        return int(many * max(0.2, 0.9 * (error / tolerance) ** (-1.0 / 3.0))), error / tolerance
    add_damage(span, y, bank, work, work_1, step)
    along = ar.SumArrays(merging.sums_pack, merging.sums_port, merging.moment, sums.displays)
    at_ends = span / 3.0 if stiff else span / 6.0
    _clear(merging)
    add_instant(0.0, at_ends, y, bank, ports, work, along)
    add_instant(0.5 * span, span - 2.0 * at_ends, step.y_middle, bank, ports, step.middle, along)
    add_instant(span, at_ends, step.y_end, bank, ports, work_1, along)
    _clear_rows(merging)
    way = ro.Along(y, step.y_middle, step.y_end, work, step.middle, work_1)
    straight = ro.walk_rows(row, many, dt, way, cells, port_state, commands, merging)
    if straight < many:
        return straight, np.inf
    for k in range(n):
        bent = abs(work_1.pack[ar.EMF_BY_SOC, k] - work.pack[ar.EMF_BY_SOC, k]) * merging.pack[ro.OFF_MOST_SOC, k]
        error = max(error, BEND_FACTOR * bent * work.hybrid[k, k] * step.coefficients[DT_BY_Q, k])
    if error > tolerance:
        return int(many * max(0.2, 0.9 * (error / tolerance) ** (-1.0 / 3.0))), error / tolerance
    due = _due_at_extremes(dt, step.y_end, bank, states, port_state, work_1, merging, setting.due)
    if due or _near_trip(bank, work_1, merging):
        return many // 2, np.inf
    for k in range(n):
        work_1.pack[ar.PACK_CURRENT, k] = step.coefficients[EXPECTED_CURRENT, k]
    reach_states(step_start, 0.0, y, work.pack, span, step.y_end, work_1.pack, cells, extremes)
    discharges = 0.0
    for i in range(ports.shape[0]):
        discharges += merging.rows[0, n + i]
    _end(y, bank, work_1, step, merging)
    _book(discharges > 0.0, y, bank, work, all_flows, sums, extremes, merging)
    ro.set_row(row + many - 1, commands, port_state)
    flow(dt, y, bank, ports, work_1)
    add_cells(y, bank, work_1.pack, sums.pack)
    reach_ends(work_1, all_flows, extremes)
    return many, error / tolerance


@jit_internal
def _whole(row, commands, port_state):
    """Power asked of all ports in a row [W], 0 where one of them does not follow what it is asked."""
    whole = 0.0
    for a in range(commands.shape[1]):
        if port_state.phase[a] == ar.PHASE_FOLLOW:
            whole += ro.asked_of(a, row, commands, port_state.equip)
        elif port_state.table[a, ar.MODE] != ar.MODE_OFF:
            return 0.0
    return whole


@jit_internal
def rows_to_merge(row, clock, until, dt_try, schedule, states, port_state, merging):
    """How many rows from ``row`` on are to be gone through in one step, 0 for none; ``until`` is when the first of them must end [s]."""
    durations, commands, _ = schedule
    memory = merging.memory
    if memory[ro.WAIT] > 0.0:
        memory[ro.WAIT] -= 1.0
        return 0
    dt = durations[row]
    most = int(min(min(memory[ro.ROWS_NEXT], dt_try / dt), (until - clock) / dt + 1e-9))
    most = min(most, durations.size - row)
    if most < LEAST_ROWS or not _may_begin(row, schedule, states, port_state):
        return 0
    many, first = 1, _whole(row, commands, port_state)
    while many < most and _alike(row + many, row, schedule) and first * _whole(row + many, commands, port_state) >= 0.0:
        many += 1
    return many if many >= LEAST_ROWS else 0


@jit_internal
def fewer(many, error, merging):
    """After a step over rows has failed, with ``many`` rows that may do: how many are to be tried, 0 for none."""
    memory = merging.memory
    if error == np.inf:
        memory[ro.ROWS_NEXT] = max(float(many), LEAST_ROWS)
    if many < LEAST_ROWS:
        memory[ro.WAIT], memory[ro.WAIT_NEXT] = memory[ro.WAIT_NEXT], min(LONGEST_WAIT, 2.0 * memory[ro.WAIT_NEXT])
        return 0
    return many


@jit_internal
def more(merging):
    """After a step over rows has been made."""
    memory = merging.memory
    memory[ro.ROWS_NEXT], memory[ro.WAIT_NEXT] = min(ro.MOST_ROWS, 2.0 * memory[ro.ROWS_NEXT]), 1.0

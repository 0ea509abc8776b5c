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

from simbank.cells.curves import curve_value
from simbank.jit import jit_inline, jit_internal
from simbank.simulation import arrays as ar
from simbank.simulation import events
from simbank.simulation.bank_solver import flow, solve_bank
from simbank.simulation.devices import device_current
from simbank.simulation.extremes import reach_ends, reach_states
from simbank.simulation.fast_step import (
    DT_BY_Q,
    EXPECTED_CURRENT,
    RC_DRIVE,
    SLOPE_DT_BY_Q,
    STEP_EMF,
    add_damage,
    correct_end,
    make_step,
    phi,
)
from simbank.simulation.integrals import add_cells, add_instant, add_port
from simbank.simulation.pack_model import KELVIN, cell_volts, hysteresis_by_soc

FIRST_ROWS = 8.0  # of a step where rows are merged
MOST_ROWS = 48  # of a step
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

# ``memory``: how many rows the next step may have, how many are to be walked singly first, and how many after the next that fails.
ROWS_NEXT, WAIT, WAIT_NEXT = range(3)

# Rows of ``pack`` of a :class:`Merging`: of each pack, how the rows lie off the step.
(
    OFF_SOC,  # departure of the state of charge
    OFF_RC,  # of the relaxation voltages [V]
    _,
    FADE,  # e^(−x) over a row, of each relaxation pair
    _,
    GAIN,  # what it gains from an ampere over a row [V/A]
    _,
    STEADY,  # what it comes to with an ampere [V/A]
    _,
    MEAN_OFF,  # mean of e^(−x) over a row
    _,
    MEAN_SQUARE,  # mean of its square
    _,
    SLOPE,  # of the electromotive force by state of charge [V]
    OFF_EMF,  # departure of the electromotive force [V]
    OFF_CURRENT,  # of the current [A]
    OFF_AS,  # sum of that over the rows [As]
    OFF_OHMIC_J,  # heat that comes of it: ohmic [J]
    OFF_RELAXATION_J,  # of relaxation [J]
    LEAST_CURRENT,  # extremes over the rows [A]
    GREATEST_CURRENT,
    LEAST_EMF,  # [V]
    GREATEST_EMF,
    MIDDLE_EMF,  # electromotive force in the middle of the step [V]
    KEPT_EMF,  # and at its end [V]
    LEAST_VOLT,  # voltage of its cells over the rows [V]
    GREATEST_VOLT,
    MOST_CHARGE_A,  # charge current from which cells are charged faster than they may [A]
    OFF_MOST_SOC,  # greatest departure of the state of charge
    LINE_RC,  # relaxation voltages along the step as a row begins, exactly for its currents [V]
    _,
    BENT,  # by how much their mean over a row is more than the step's parabola there, both pairs [V]
    N_OFF,
) = range(33)
# Rows of ``port``: of each port.
(
    LINE_START,  # command that runs straight, at the start [W or A]
    LINE_SLOPE,  # and its slope [W/s or A/s]
    OFF_J,  # departure of its current [A]
    OFF_V,  # of its voltage, from what the packs have left behind [V]
    LEAST_J,  # extremes over the rows [A]
    GREATEST_J,
    LEAST_V,  # [V]
    GREATEST_V,
    LEAST_AT,  # rows in which they are
    GREATEST_AT,
    WEAKEST,  # command nearest to nothing
    VOLT_BEFORE,  # what the rows before have taken from its voltage [V]
    N_OFF_PORT,
) = range(13)


class Merging(NamedTuple):
    """What rows are merged in."""

    memory: np.ndarray  # shape (3,)
    pack: np.ndarray  # shape (N_OFF, n)
    port: np.ndarray  # shape (N_OFF_PORT, p)
    rows: np.ndarray  # shape (MOST_ROWS, n + 2 p): currents of packs and ports [A] and voltages of ports [V] in every row
    row_port: np.ndarray  # shape (N_PORT_WORK, p): ports in one row
    sums_pack: np.ndarray  # shape (N_ACC, n): integrals along the step
    sums_port: np.ndarray  # shape (N_PORT_ACC, p)
    moment: np.ndarray  # shape (n + p, n + p)


def merging_arrays(n, p):
    """Arrays of a :class:`Merging` for ``n`` packs and ``p`` ports, in its order."""
    return (
        np.array([FIRST_ROWS, 0.0, 1.0]), np.zeros((N_OFF, n)), np.zeros((N_OFF_PORT, p)),
        np.zeros((MOST_ROWS, n + 2 * p)),
        np.zeros((ar.N_PORT_WORK, p)), np.zeros((ar.N_ACC, n)), np.zeros((ar.N_PORT_ACC, p)),
        np.zeros((n + p, n + p)),
    )  # fmt: skip


def merging_of(n, p):
    """A :class:`Merging` for ``n`` packs and ``p`` ports."""
    return Merging(*merging_arrays(n, p))


@jit_inline
def _along(s, start, middle, end):
    """Parabola through three values at share ``s`` of a step."""
    return start + s * (4.0 * middle - 3.0 * start - end + 2.0 * s * (start - 2.0 * middle + end))


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
def asked_of(a, row, commands, equip):
    """What a row asks of port ``a`` [A or W], as :func:`simbank.simulation.port_states.apply_commands` takes it."""
    value = commands[row, a, ar.COMMAND_VALUE]
    if equip[a, ar.HAS_CHARGER] > 0.0 and commands[row, a, ar.COMMAND_KIND] == ar.MODE_POWER:
        value = max(value, -equip[a, ar.CHARGER_POWER_MAX_W])
    return value


@jit_internal
def set_lines(first, many, dt, commands, port_state, merging):
    """Commands that run straight over ``many`` rows of ``dt`` [s], of the same mean and first moment as theirs."""
    line, span = merging.port, many * dt
    for a in range(line.shape[1]):
        mean, turn = 0.0, 0.0
        weakest = np.inf
        for r in range(many):
            value = asked_of(a, first + r, commands, port_state.equip)
            mean += value
            turn += value * (r + 0.5 - 0.5 * many)
            weakest = value if abs(value) < abs(weakest) else weakest
        mean /= many
        slope = 12.0 * turn * dt * dt / (span * span * span)
        line[LINE_START, a], line[LINE_SLOPE, a], line[WEAKEST, a] = mean - 0.5 * slope * span, slope, weakest
        port_state.table[a, ar.COMMANDED], port_state.table[a, ar.COMMANDED_SLOPE] = line[LINE_START, a], slope


@jit_internal
def set_row(row, commands, port_state):
    """Ports asked what a row asks."""
    for a in range(commands.shape[1]):
        table = port_state.table[a]
        table[ar.COMMANDED], table[ar.COMMANDED_SLOPE] = asked_of(a, row, commands, port_state.equip), 0.0
        table[ar.AC_RATIO], table[ar.AC_ASKED_W] = commands[row, a, ar.COMMAND_AC_RATIO], commands[row, a, ar.COMMAND_AC_ASKED_W]


@jit_internal
def begin_rows(dt, y, bank, work, coef, merging):
    """Nothing is off the step yet; coefficients of how departures run over a row of ``dt`` [s]."""
    off, line, cells = merging.pack, merging.port, bank.cells
    n = cells.shape[1]
    for k in range(n):
        off[OFF_SOC, k] = off[OFF_AS, k] = off[OFF_OHMIC_J, k] = off[OFF_RELAXATION_J, k] = off[OFF_MOST_SOC, k] = 0.0
        off[LEAST_CURRENT, k] = off[LEAST_EMF, k] = off[LEAST_VOLT, k] = np.inf
        off[GREATEST_CURRENT, k] = off[GREATEST_EMF, k] = off[GREATEST_VOLT, k] = -np.inf
        off[OFF_EMF, k], off[MIDDLE_EMF, k] = 0.0, coef[STEP_EMF, k]
        off[SLOPE, k] = coef[SLOPE_DT_BY_Q, k] / coef[DT_BY_Q, k]
        for j in range(2):
            x = dt / (cells[ar.TAU1 + j, k] * work.pack[ar.RC_T_FACTOR, k])
            fade, one, _, _ = phi(x)
            off[OFF_RC + j, k], off[LINE_RC + j, k] = 0.0, y[(ar.RC_VOLT_1 + j) * n + k]
            off[FADE + j, k], off[MEAN_OFF + j, k], off[MEAN_SQUARE + j, k] = fade, one, one * 0.5 * (1.0 + fade)
            off[GAIN + j, k] = coef[RC_DRIVE + j, k] * dt * one
            off[STEADY + j, k] = coef[RC_DRIVE + j, k] * dt / x
        celsius = y[ar.TEMPERATURE * n + k] - KELVIN
        most, _, _ = curve_value(bank.curves, bank.curves_of[ar.CHARGE_RATE_CURVE, k], celsius)
        off[MOST_CHARGE_A, k] = most * cells[ar.CAPACITY_AS, k] * (1.0 + 1e-9) / 3600.0
    for a in range(line.shape[1]):
        line[OFF_J, a] = 0.0
        line[LEAST_J, a] = line[LEAST_V, a] = np.inf
        line[GREATEST_J, a] = line[GREATEST_V, a] = -np.inf


@jit_internal
def _bend(s, dt, y, y_m, y_1, pack_0, pack_m, pack_1, merging):
    """How relaxation voltages along the step lie off its parabola in a row, which after a jump of the line they do at first.

    With their square as heat: it is the step's sums that know the parabola only.
    """
    off = merging.pack
    n = off.shape[1]
    for k in range(n):
        mean, bent = _along(s, pack_0[ar.PACK_CURRENT, k], pack_m[ar.PACK_CURRENT, k], pack_1[ar.PACK_CURRENT, k]), 0.0
        for j in range(2):
            v, steady = (ar.RC_VOLT_1 + j) * n + k, off[STEADY + j, k] * mean
            apart, path = off[LINE_RC + j, k] - steady, _along(s, y[v], y_m[v], y_1[v])
            bent += steady + apart * off[MEAN_OFF + j, k] - path
            if off[STEADY + j, k] > 0.0:
                square = steady * (steady + 2.0 * apart * off[MEAN_OFF + j, k]) + apart * apart * off[MEAN_SQUARE + j, k]
                off[OFF_RELAXATION_J, k] += dt * (square - path * path) / off[STEADY + j, k]
            off[LINE_RC + j, k] = off[FADE + j, k] * off[LINE_RC + j, k] + off[GAIN + j, k] * mean
        off[BENT, k] = bent
        off[OFF_EMF, k] = off[SLOPE, k] * off[OFF_SOC, k] - off[OFF_RC, k] - off[OFF_RC + 1, k] - bent


@jit_internal
def _port_row(s, hybrid, ports, port_0, port_m, port_1, merging):
    """Currents and voltages of the ports in a row at share ``s`` of the step, by what each is asked, into ``row_port``."""
    off, line, out = merging.pack, merging.port, merging.row_port
    n, p = off.shape[1], line.shape[1]
    for a in range(p):
        out[ar.PORT_CURRENT, a] = _along(s, port_0[ar.PORT_CURRENT, a], port_m[ar.PORT_CURRENT, a], port_1[ar.PORT_CURRENT, a])
        volt = _along(s, port_0[ar.PORT_VOLTAGE, a], port_m[ar.PORT_VOLTAGE, a], port_1[ar.PORT_VOLTAGE, a])
        left = 0.0
        for k in range(n):
            left += hybrid[n + a, k] * off[OFF_EMF, k]
        line[VOLT_BEFORE, a] = -left
        out[ar.PORT_OPEN_VOLTAGE, a] = volt + left  # with no port off the step
    for _ in range(3):
        for a in range(p):
            mode, volt = ports[a, ar.MODE], out[ar.PORT_OPEN_VOLTAGE, a]
            for b in range(p):
                volt += hybrid[n + a, n + b] * line[OFF_J, b]
            if mode == ar.MODE_POWER:
                line[OFF_J, a] = ports[a, ar.COMMANDED] / volt - out[ar.PORT_CURRENT, a]
            elif mode == ar.MODE_VOLTAGE:
                line[OFF_J, a] -= (volt - ports[a, ar.VOLT_LIMIT]) / hybrid[n + a, n + a]
            else:
                line[OFF_J, a] = 0.0
    for a in range(p):
        volt = out[ar.PORT_OPEN_VOLTAGE, a]
        for b in range(p):
            volt += hybrid[n + a, n + b] * line[OFF_J, b]
        out[ar.PORT_VOLTAGE, a] = volt
        out[ar.PORT_CURRENT, a] += line[OFF_J, a]


@jit_internal
def _pack_row(r, s, dt, hybrid, y, y_m, y_1, pack_0, pack_m, pack_1, moment, sums, cells, merging):
    """Currents of the packs in a row, what comes of them, and products of currents; returns the bank's current [A]."""
    off, line, out = merging.pack, merging.port, merging.row_port
    n, p = off.shape[1], line.shape[1]
    total = 0.0
    for a in range(p):
        total += out[ar.PORT_CURRENT, a]
    for k in range(n):
        more = 0.0
        for m in range(n):
            more += hybrid[k, m] * off[OFF_EMF, m]
        for a in range(p):
            more += hybrid[k, n + a] * line[OFF_J, a]
        off[OFF_CURRENT, k] = more
    for k in range(n):
        more = off[OFF_CURRENT, k]
        mean = _along(s, pack_0[ar.PACK_CURRENT, k], pack_m[ar.PACK_CURRENT, k], pack_1[ar.PACK_CURRENT, k])
        for m in range(k + 1):
            other = _along(s, pack_0[ar.PACK_CURRENT, m], pack_m[ar.PACK_CURRENT, m], pack_1[ar.PACK_CURRENT, m])
            both = dt * (more * off[OFF_CURRENT, m] + mean * off[OFF_CURRENT, m] + more * other)
            moment[k, m] += both
            if m < k:
                moment[m, k] += both
        for a in range(p):
            both = dt * ((mean + more) * out[ar.PORT_CURRENT, a] - mean * (out[ar.PORT_CURRENT, a] - line[OFF_J, a]))
            moment[k, n + a] += both
            moment[n + a, k] += both
    for a in range(p):
        for b in range(p):
            x, z = out[ar.PORT_CURRENT, a], out[ar.PORT_CURRENT, b]
            moment[n + a, n + b] += dt * (x * z - (x - line[OFF_J, a]) * (z - line[OFF_J, b]))
    for k in range(n):
        more = off[OFF_CURRENT, k]
        mean = _along(s, pack_0[ar.PACK_CURRENT, k], pack_m[ar.PACK_CURRENT, k], pack_1[ar.PACK_CURRENT, k])
        current = mean + more
        merging.rows[r, k] = current
        emf = _along(s, pack_0[ar.EMF, k], off[MIDDLE_EMF, k], pack_1[ar.EMF, k]) + off[OFF_EMF, k]
        off[LEAST_CURRENT, k], off[GREATEST_CURRENT, k] = (
            min(off[LEAST_CURRENT, k], current),
            max(off[GREATEST_CURRENT, k], current),
        )
        off[LEAST_EMF, k], off[GREATEST_EMF, k] = min(off[LEAST_EMF, k], emf), max(off[GREATEST_EMF, k], emf)
        volt = emf - current * (pack_m[ar.R_OHMIC, k] - cells[ar.R_WIRING, k])
        off[LEAST_VOLT, k], off[GREATEST_VOLT, k] = min(off[LEAST_VOLT, k], volt), max(off[GREATEST_VOLT, k], volt)
        if -current > off[MOST_CHARGE_A, k]:
            sums[ar.ACC_OVER_CHARGE_RATE_S, k] += dt
        off[OFF_AS, k] += dt * more
        off[OFF_OHMIC_J, k] += dt * pack_m[ar.R_OHMIC, k] * more * (2.0 * mean + more)
        for j in range(2):
            steady = off[STEADY + j, k] * more
            if off[STEADY + j, k] > 0.0:
                v = (ar.RC_VOLT_1 + j) * n + k
                apart = off[OFF_RC + j, k] - steady
                first = steady + apart * off[MEAN_OFF + j, k]
                square = steady * (steady + 2.0 * apart * off[MEAN_OFF + j, k]) + apart * apart * off[MEAN_SQUARE + j, k]
                off[OFF_RELAXATION_J, k] += dt * (2.0 * _along(s, y[v], y_m[v], y_1[v]) * first + square) / off[STEADY + j, k]
            off[OFF_RC + j, k] = off[FADE + j, k] * off[OFF_RC + j, k] + off[GAIN + j, k] * more
        off[OFF_SOC, k] -= dt * more / cells[ar.CAPACITY_AS, k]
        off[OFF_MOST_SOC, k] = max(off[OFF_MOST_SOC, k], abs(off[OFF_SOC, k]))
        before = off[OFF_EMF, k]
        off[OFF_EMF, k] = off[SLOPE, k] * off[OFF_SOC, k] - off[OFF_RC, k] - off[OFF_RC + 1, k] - off[BENT, k]
        emf += off[OFF_EMF, k] - before  # as the row ends
        off[LEAST_EMF, k], off[GREATEST_EMF, k] = min(off[LEAST_EMF, k], emf), max(off[GREATEST_EMF, k], emf)
    return total


@jit_internal
def walk_rows(first, many, dt, y, bank, work, work_1, step, port_state, commands, merging):
    """All rows of a step, one after the other; how many there are before the first in which a current has turned round."""
    off, line, out = merging.pack, merging.port, merging.row_port
    n, p = off.shape[1], line.shape[1]
    least, greatest = np.inf, -np.inf
    for r in range(many):
        s = (r + 0.5) / many
        set_row(first + r, commands, port_state)
        _bend(s, dt, y, step.y_middle, step.y_end, work.pack, step.middle.pack, work_1.pack, merging)
        _port_row(s, work.hybrid, port_state.table, work.port, step.middle.port, work_1.port, merging)
        total = _pack_row(
            r, s, dt, work.hybrid, y, step.y_middle, step.y_end, work.pack, step.middle.pack, work_1.pack, merging.moment, merging.sums_pack,
            bank.cells, merging,
        )  # fmt: skip
        least, greatest = min(least, total), max(greatest, total)
        for a in range(p):
            add_port(a, 0.0, dt, port_state.table, out, merging.sums_port)
            current, volt = out[ar.PORT_CURRENT, a], out[ar.PORT_VOLTAGE, a]
            later = volt + line[VOLT_BEFORE, a]  # as the row ends, with what it has left behind
            for k in range(n):
                later += work.hybrid[n + a, k] * off[OFF_EMF, k]
            line[LEAST_V, a] = min(line[LEAST_V, a], min(volt, later))
            line[GREATEST_V, a] = max(line[GREATEST_V, a], max(volt, later))
            merging.rows[r, n + a], merging.rows[r, n + p + a] = current, volt
            if current < line[LEAST_J, a]:
                line[LEAST_J, a], line[LEAST_AT, a] = current, r
            if current > line[GREATEST_J, a]:
                line[GREATEST_J, a], line[GREATEST_AT, a] = current, r
        turns = not (least > 0.0 or greatest < 0.0)
        for k in range(n):
            turns = turns or off[LEAST_CURRENT, k] < 0.0 < off[GREATEST_CURRENT, k]
        if turns:
            return r
    return many


@jit_internal
def _due_at_extremes(now, y_1, bank, states, port_state, work_1, merging, due):
    """Whether anything may be due anywhere in the rows: asked with the extremes of all at once.

    Charged hardest at the highest voltages, then discharged hardest at the lowest. ``work_1`` is the bank at the end of the step; of it
    only the electromotive forces are as before.
    """
    off, line, pack, port, ports = merging.pack, merging.port, work_1.pack, work_1.port, port_state.table
    n, p, worst = off.shape[1], line.shape[1], -1.0
    for a in range(p):
        ports[a, ar.COMMANDED], ports[a, ar.COMMANDED_SLOPE] = line[WEAKEST, a], 0.0
    for k in range(n):
        off[KEPT_EMF, k] = pack[ar.EMF, k]
    for side in range(2):
        emf, current = (GREATEST_EMF, LEAST_CURRENT) if side == 0 else (LEAST_EMF, GREATEST_CURRENT)
        amp, volt = (LEAST_J, GREATEST_V) if side == 0 else (GREATEST_J, LEAST_V)
        up = 1.0 if side == 0 else -1.0
        for k in range(n):
            pack[ar.EMF, k] = off[emf, k] + up * (WIDER * (off[GREATEST_EMF, k] - off[LEAST_EMF, k]) + WIDER_VOLT)
            pack[ar.PACK_CURRENT, k] = off[current, k] - up * WIDER * (off[GREATEST_CURRENT, k] - off[LEAST_CURRENT, k])
            pack[ar.EMF_LINEAR, k] = pack[ar.EMF, k] - pack[ar.R_ABOVE_REF, k] * pack[ar.PACK_CURRENT, k]
        for a in range(p):
            port[ar.PORT_CURRENT, a] = line[amp, a] - up * WIDER * (line[GREATEST_J, a] - line[LEAST_J, a])
            port[ar.PORT_VOLTAGE, a] = line[volt, a] + up * (WIDER * (line[GREATEST_V, a] - line[LEAST_V, a]) + WIDER_VOLT)
        worst = max(worst, events.watch_solved(now, y_1, bank, states, port_state.phase, ports, work_1, due))
    for k in range(n):
        pack[ar.EMF, k] = off[KEPT_EMF, k]
    return not worst <= 0.0


@jit_internal
def _set_extreme(i, work, merging):
    """Currents and voltages of the row in which a port's current is least (even ``i``) or greatest (odd), into ``work``."""
    n, p = merging.pack.shape[1], merging.port.shape[1]
    r = int(merging.port[LEAST_AT if i % 2 == 0 else GREATEST_AT, i // 2])
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
        if off[GREATEST_CURRENT, k] > 0.0:
            acc[ar.ACC_OUT_AS, k] += off[OFF_AS, k]
        else:
            acc[ar.ACC_IN_AS, k] -= off[OFF_AS, k]
        if discharges:
            acc[ar.ACC_DISCHARGE_AS, k] += off[OFF_AS, k]
        else:
            acc[ar.ACC_CHARGE_AS, k] -= off[OFF_AS, k]
        acc[ar.ACC_OHMIC_J, k] += off[OFF_OHMIC_J, k]
        acc[ar.ACC_RELAXATION_J, k] += off[OFF_RELAXATION_J, k]
        acc[ar.ACC_OVER_CHARGE_RATE_S, k] += along[ar.ACC_OVER_CHARGE_RATE_S, k]
        acc[ar.ACC_MIN_K, k] = min(acc[ar.ACC_MIN_K, k], along[ar.ACC_MIN_K, k])
        acc[ar.ACC_MAX_K, k] = max(acc[ar.ACC_MAX_K, k], along[ar.ACC_MAX_K, k])
        acc[ar.ACC_PEAK_OUT_A, k] = max(acc[ar.ACC_PEAK_OUT_A, k], off[GREATEST_CURRENT, k])
        acc[ar.ACC_PEAK_IN_A, k] = max(acc[ar.ACC_PEAK_IN_A, k], -off[LEAST_CURRENT, k])
        work.pack[ar.PACK_CURRENT, k] = 0.0
        work.pack[ar.EMF, k] = off[GREATEST_VOLT, k]
        high, _ = cell_volts(k, y_1, cells, bank.curves_of, bank.curves, work.pack)
        work.pack[ar.EMF, k] = off[LEAST_VOLT, k]
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
        shift = off[OFF_SOC, k]
        sense = 1.0 if off[GREATEST_CURRENT, k] > 0.0 else -1.0
        turn = hysteresis_by_soc(cells[ar.GAMMA, k], sense, y_1[ar.HYSTERESIS * n + k]) * shift
        warm = 0.0
        if cells[ar.HEAT_CAPACITY, k] > 0.0:
            warm = (off[OFF_OHMIC_J, k] + off[OFF_RELAXATION_J, k]) / cells[ar.HEAT_CAPACITY, k]
        y_1[ar.SOC * n + k] += shift
        y_1[ar.HYSTERESIS * n + k] = min(1.0, max(-1.0, y_1[ar.HYSTERESIS * n + k] + turn))
        y_1[ar.TEMPERATURE * n + k] += warm
        pack[ar.EMF, k] += pack[ar.EMF_BY_SOC, k] * shift + pack[ar.EMF_BY_HYSTERESIS, k] * turn + pack[ar.EMF_BY_T, k] * warm
        for j in range(2):
            y_1[(ar.RC_VOLT_1 + j) * n + k] += off[OFF_RC + j, k]
            pack[ar.EMF, k] -= off[OFF_RC + j, k]
    for i in range(y.size):
        y[i] = y_1[i]


@jit_internal
def merge_rows(
    row, many, step_start, new_length, plain, tolerance, y, bank, levelling, states, port_state, works, step, sums, extremes, all_flows, schedule,
    merging, due,
):  # fmt: skip
    """One step over ``many`` rows of the duty from ``row`` on, or nothing.

    ``works`` are the bank solved at the start, and where it is solved at the end. For the rest see
    :func:`simbank.simulation.fast.advance`.

    Returns
    -------
    made, error : int, float
        Over how many rows it may be made. If over all of them, it was: ``y``, sums and extremes have moved, and the bank is solved at its
        end. Its estimated error as a share of the tolerance, infinite where anything may switch within.
    """
    durations, commands, _ = schedule
    work, work_1 = works
    cells, ports, dt = bank.cells, port_state.table, durations[row]
    n, span, tolerance = cells.shape[1], many * dt, tolerance / STRICTER
    set_lines(row, many, dt, commands, port_state, merging)
    flow(0.0, y, bank, ports, work)
    error, stiff = make_step(0.0, span, new_length, y, work, bank, levelling, ports, step, plain)
    if error <= tolerance:
        begin_rows(dt, y, bank, work, step.coefficients, merging)
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
    straight = walk_rows(row, many, dt, y, bank, work, work_1, step, port_state, commands, merging)
    if straight < many:
        return straight, np.inf
    for k in range(n):
        bent = abs(work_1.pack[ar.EMF_BY_SOC, k] - work.pack[ar.EMF_BY_SOC, k]) * merging.pack[OFF_MOST_SOC, k]
        error = max(error, BEND_FACTOR * bent * work.hybrid[k, k] * step.coefficients[DT_BY_Q, k])
    if error > tolerance:
        return int(many * max(0.2, 0.9 * (error / tolerance) ** (-1.0 / 3.0))), error / tolerance
    if _due_at_extremes(dt, step.y_end, bank, states, port_state, work_1, merging, due) or _near_trip(bank, work_1, merging):
        return many // 2, np.inf
    for k in range(n):
        work_1.pack[ar.PACK_CURRENT, k] = step.coefficients[EXPECTED_CURRENT, k]
    reach_states(step_start, 0.0, y, work.pack, span, step.y_end, work_1.pack, cells, extremes)
    discharges = 0.0
    for i in range(ports.shape[0]):
        discharges += merging.rows[0, n + i]
    _end(y, bank, work_1, step, merging)
    _book(discharges > 0.0, y, bank, work, all_flows, sums, extremes, merging)
    set_row(row + many - 1, commands, port_state)
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
            whole += asked_of(a, row, commands, port_state.equip)
        elif port_state.table[a, ar.MODE] != ar.MODE_OFF:
            return 0.0
    return whole


@jit_internal
def rows_to_merge(row, clock, until, dt_try, schedule, states, port_state, merging):
    """How many rows from ``row`` on are to be gone through in one step, 0 for none; ``until`` is when the first of them must end [s]."""
    durations, commands, _ = schedule
    memory = merging.memory
    if memory[WAIT] > 0.0:
        memory[WAIT] -= 1.0
        return 0
    dt = durations[row]
    most = int(min(min(memory[ROWS_NEXT], dt_try / dt), (until - clock) / dt + 1e-9))
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
        memory[ROWS_NEXT] = max(float(many), LEAST_ROWS)
    if many < LEAST_ROWS:
        memory[WAIT], memory[WAIT_NEXT] = memory[WAIT_NEXT], min(LONGEST_WAIT, 2.0 * memory[WAIT_NEXT])
        return 0
    return many


@jit_internal
def more(merging):
    """After a step over rows has been made."""
    memory = merging.memory
    memory[ROWS_NEXT], memory[WAIT_NEXT] = min(MOST_ROWS, 2.0 * memory[ROWS_NEXT]), 1.0

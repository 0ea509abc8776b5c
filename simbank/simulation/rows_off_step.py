"""The rows of a duty one after the other, along a step that goes over many of them: what each asks, and how far it lies off the step.

The step has commands that run straight, those with the mean and the first moment of the rows' own. How the rows lie off that line, and
what comes of it, is linear, since it is small: row after row each port's current follows from its own command by its own law, against
the voltage along the step and what the rows before have left behind: of each pack, by how much its charge and its relaxation voltages
lie off the step's (relaxation exactly, by exponentials; network, slopes and resistances as at the start of the step).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from simbank.cells.curves import curve_value
from simbank.jit import jit_inline, jit_internal
from simbank.simulation import arrays as ar
from simbank.simulation.fast_step import DT_BY_Q, RC_DRIVE, SLOPE_DT_BY_Q, STEP_EMF, phi
from simbank.simulation.integrals import add_port
from simbank.simulation.pack_model import KELVIN

FIRST_ROWS = 8.0  # of a step where rows are merged
MOST_ROWS = 48  # of a step

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
    ALONG_CURRENT,  # current of the step in the middle of a row [A]
    BENT,  # by how much their mean over a row is more than the step's parabola there, both pairs [V]
    N_OFF,
) = range(34)
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


class Along(NamedTuple):
    """The step that the rows lie off: states and the bank at its start, half-way and at its end, without them."""

    y_start: np.ndarray
    y_middle: np.ndarray
    y_end: np.ndarray
    start: ar.Work
    middle: ar.Work
    end: ar.Work


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
def _bend(s, dt, step, merging):
    """How relaxation voltages along the step lie off its parabola in a row, which after a jump of the line they do at first.

    With their square as heat: it is the step's sums that know the parabola only. The step's currents in the row are kept.
    """
    off, pack_0, pack_m, pack_1 = merging.pack, step.start.pack, step.middle.pack, step.end.pack
    y, y_m, y_1 = step.y_start, step.y_middle, step.y_end
    n = off.shape[1]
    for k in range(n):
        mean, bent = _along(s, pack_0[ar.PACK_CURRENT, k], pack_m[ar.PACK_CURRENT, k], pack_1[ar.PACK_CURRENT, k]), 0.0
        off[ALONG_CURRENT, k] = mean
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
def _port_row(s, ports, step, merging):
    """Currents and voltages of the ports in a row at share ``s`` of the step, by what each is asked, into ``row_port``."""
    off, line, out = merging.pack, merging.port, merging.row_port
    hybrid, port_0, port_m, port_1 = step.start.hybrid, step.start.port, step.middle.port, step.end.port
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
def _pack_row(r, s, dt, step, cells, merging):
    """Currents of the packs in a row, what comes of them, and products of currents; returns the bank's current [A]."""
    off, line, out, moment, sums = merging.pack, merging.port, merging.row_port, merging.moment, merging.sums_pack
    hybrid, pack_0, pack_m, pack_1 = step.start.hybrid, step.start.pack, step.middle.pack, step.end.pack
    y, y_m, y_1 = step.y_start, step.y_middle, step.y_end
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
        mean = off[ALONG_CURRENT, k]
        for m in range(k + 1):
            other = off[ALONG_CURRENT, m]
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
        mean = off[ALONG_CURRENT, k]
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
def walk_rows(first, many, dt, step, cells, port_state, commands, merging):
    """All rows of a step, one after the other; how many there are before the first in which a current has turned round."""
    off, line, out, hybrid = merging.pack, merging.port, merging.row_port, step.start.hybrid
    n, p = off.shape[1], line.shape[1]
    least, greatest = np.inf, -np.inf
    for r in range(many):
        s = (r + 0.5) / many
        set_row(first + r, commands, port_state)
        _bend(s, dt, step, merging)
        _port_row(s, port_state.table, step, merging)
        total = _pack_row(r, s, dt, step, cells, merging)
        least, greatest = min(least, total), max(greatest, total)
        for a in range(p):
            add_port(a, 0.0, dt, port_state.table, out, merging.sums_port)
            current, volt = out[ar.PORT_CURRENT, a], out[ar.PORT_VOLTAGE, a]
            later = volt + line[VOLT_BEFORE, a]  # as the row ends, with what it has left behind
            for k in range(n):
                later += hybrid[n + a, k] * off[OFF_EMF, k]
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

"""Long duties that flicker: many rows of the duty in one step of the fast integrator.

Where nothing switches and only what is asked changes from row to row, as sun and load do by the minute, the packs change little from
one row to the next. A block of rows then asks the cells once, at its end:

1. From a solved start each pack runs along its open-circuit curve, which is asked in every row; whatever else its voltage depends on
   runs by its slopes, and its resistances stand still at what they are expected to be in the middle of the block.
2. Every row is a step with currents at its start, middle and end and the weights of :mod:`simbank.simulation.fast_step`; the network,
   the ports and what heats the packs are those of every other step, and so are the sums: charge is kept, energy is the check.
3. What a port waits for is asked at both ends of every row, likewise whether an open pack would conduct; what a pack that conducts waits
   for is asked once, with the extremes of the block. Where anything may be due the block is given up, or ends before that row, and rows
   are walked singly by :func:`simbank.simulation.fast.advance`.
4. At the end the cells are asked. What their currents miss the expected ones by is the error of the block, from which follows how many
   rows the next one has.

A bank with displays, own draw, charge that lags or tables over temperature goes row by row.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from simbank.cells.curves import curve_value
from simbank.jit import jit_entry, jit_internal
from simbank.simulation import arrays as ar
from simbank.simulation import events, port_states
from simbank.simulation.bank_solver import add_series_resistance, currents, solve_bank
from simbank.simulation.fast import DONE, PAUSE, advance
from simbank.simulation.fast_step import (
    CURVATURE_FACTOR,
    EXP,
    EXP_HALF,
    MODAL,
    PHI_1,
    PHI_1_HALF,
    PHI_2,
    PHI_2_HALF,
    RATE_T,
    RISE_END,
    STIFF,
    WEIGHT_END,
    WEIGHT_MIDDLE,
    WEIGHT_START,
    all_plain,
    hysteresis_moved,
    rises,
    set_exponentials,
)
from simbank.simulation.integrals import add_cells, add_instant, record_sample
from simbank.simulation.pack_model import EMPTY_SOC, FULL_SOC, cell_volts, hysteresis_by_soc, pack_heat, temperature_rate

MOST_ROWS = 64  # of a block
BLOCK_FACTOR = (
    3.0  # error of a block as a multiple of what its end misses: errors of blocks go one way; measured, see tests/README.md
)
RESISTANCE_DRIFT = (
    0.05  # error of a block as a share of how far resistances drift from those it was made for, times the charge moved
)
VOLTS_MISSED = 3.0  # what electromotive forces may lie off at the end of a row, as a share and a multiple of the tolerance
STEEP = (
    0.1  # Δt E' dI/dE / Q from which a row is walked singly: in the steep ends of a curve small errors decide when a limit is met
)
LONGEST_WAIT = 16.0  # rows that are walked singly after blocks were given up, at most

# Rows of ``line``, shape (N_LINE, n): each pack along a block.
(
    SLOPE,  # slope of the electromotive force for which the network of the step is made [V]
    DT_BY_Q,  # length of a row / Q [1/A]
    APART,  # what a current half-way off the straight line changes the state of charge by [1/A]
    DRIVE,  # what drives the relaxation voltages, R g / τ [ohm/s]
    _,
    SLOPE_START,  # slope of the electromotive force by state of charge at the start of the row, hysteresis standing still [V]
    OCV_BEND,  # curvature of the open-circuit voltage [V]
    SLOPE_ROW,  # mean slope of the electromotive force over the row [V]
    SLOPE_MIDDLE,  # mean slope of the electromotive force to the middle of the row [V]
    STEP_EMF,  # electromotive force that stands for a step in the network [V]
    STEP_OHM,  # resistance that stands for it [ohm]
    MEAN_CURRENT,  # over the block before [A]
    MEAN_WARMING,  # likewise how fast its temperature rose [K/s]
    # extremes over the block
    SOC_LOW,
    SOC_HIGH,
    CURRENT_LOW,
    CURRENT_HIGH,
    VOLT_LOW,  # of all its cells, and at which state of charge
    VOLT_LOW_SOC,
    VOLT_HIGH,
    VOLT_HIGH_SOC,
    N_LINE,
) = range(22)
# ``memory``: how many rows the next block has, how many are to be walked singly first, how many after the next block that is given up,
# and the end of the last block [s].
ROWS_NEXT, WAIT, WAIT_NEXT, LAST_END = range(4)


class Merging(NamedTuple):
    """What blocks of rows are made in."""

    memory: np.ndarray  # shape (4,)
    line: np.ndarray  # shape (N_LINE, n)
    flows: np.ndarray  # shape (2 MOST_ROWS, n + p): currents of packs and ports at both ends of every row [A]
    spread: np.ndarray  # shape (1,): greatest spread of states of charge
    # as all was before the block: state, ports, sums, voltages between ports
    kept_y: np.ndarray
    kept_phase: np.ndarray
    kept_reported: np.ndarray
    kept_table: np.ndarray
    kept_timer: np.ndarray
    kept_pack: np.ndarray
    kept_port: np.ndarray
    kept_moment: np.ndarray
    kept_apart: np.ndarray


def merging_arrays(n, p, d):
    """Arrays of a :class:`Merging` for ``n`` packs, ``p`` ports and ``d`` devices."""
    memory = np.array([8.0, 0.0, 2.0, -1.0])
    return Merging(
        memory, np.zeros((N_LINE, n)), np.empty((2 * MOST_ROWS, n + p)), np.zeros(1), np.empty(ar.N_STATES * n + d),
        np.empty(p, np.int64), np.empty(p, np.int64), np.empty((p, ar.N_PORT_COLUMNS)), np.empty((p, ar.N_TIMER)),
        np.empty((ar.N_ACC, n)), np.empty((ar.N_PORT_ACC, p)), np.empty((n + p, n + p)), np.empty((p, p)),
    )  # fmt: skip


@jit_internal
def _copy_row(source, out):
    for i in range(source.size):
        out[i] = source[i]


@jit_internal
def _copy_table(source, out):
    for i in range(source.shape[0]):
        for j in range(source.shape[1]):
            out[i, j] = source[i, j]


@jit_internal
def _keep(y, port_state, sums, extremes, merging):
    """Keep what a block changes, in case it is given up."""
    _copy_row(y, merging.kept_y)
    _copy_row(port_state.phase, merging.kept_phase)
    _copy_row(port_state.reported, merging.kept_reported)
    _copy_table(port_state.table, merging.kept_table)
    _copy_table(port_state.timer, merging.kept_timer)
    _copy_table(sums.pack, merging.kept_pack)
    _copy_table(sums.port, merging.kept_port)
    _copy_table(sums.moment, merging.kept_moment)
    _copy_table(extremes.between_ports, merging.kept_apart)


@jit_internal
def _put_back(y, port_state, sums, extremes, merging):
    """All as it was before the block."""
    _copy_row(merging.kept_y, y)
    _copy_row(merging.kept_phase, port_state.phase)
    _copy_row(merging.kept_reported, port_state.reported)
    _copy_table(merging.kept_table, port_state.table)
    _copy_table(merging.kept_timer, port_state.timer)
    _copy_table(merging.kept_pack, sums.pack)
    _copy_table(merging.kept_port, sums.port)
    _copy_table(merging.kept_moment, sums.moment)
    _copy_table(merging.kept_apart, extremes.between_ports)


@jit_internal
def _electromotive_forces(y, cells, curves_of, curves, line, pack):
    """Electromotive forces into their row of ``pack``, with their slopes.

    As :func:`simbank.simulation.pack_model.emf_and_resistance` has them, without the resistances.
    """
    n = cells.shape[1]
    for k in range(n):
        z, h, ns = y[ar.SOC * n + k], y[ar.HYSTERESIS * n + k], cells[ar.N_SERIES, k]
        warmer = y[ar.TEMPERATURE * n + k] - cells[ar.T_REF_K, k]
        u, du, d2u = curve_value(curves, curves_of[ar.OCV_CURVE, k], z)
        half, dhalf, _ = curve_value(curves, curves_of[ar.HALF_WIDTH_CURVE, k], z)
        s, ds, _ = curve_value(curves, curves_of[ar.ENTROPY_CURVE, k], z)
        pack[ar.EMF, k] = ns * (u + warmer * s + half * h) - y[ar.RC_VOLT_1 * n + k] - y[ar.RC_VOLT_2 * n + k]
        pack[ar.EMF_BY_HYSTERESIS, k], pack[ar.HALF_WIDTH_SLOPE, k], pack[ar.ENTROPY, k] = ns * half, ns * dhalf, ns * s
        line[SLOPE_START, k], line[OCV_BEND, k] = ns * (du + warmer * ds + dhalf * h), ns * d2u


@jit_internal
def _begin(dt, ahead, y, bank, work, work_m, work_1, exps, line):
    """Prepare a block of rows of ``dt`` [s] from the bank solved in ``work``; whether a row is no stiff step.

    ``ahead`` [s] lies the middle of the block, for which the resistances are taken.
    """
    n, cells, pack = bank.cells.shape[1], bank.cells, work.pack
    x = 0.0
    for k in range(n):
        z, h = y[ar.SOC * n + k], y[ar.HYSTERESIS * n + k]
        width, current = pack[ar.EMF_BY_HYSTERESIS, k], pack[ar.PACK_CURRENT, k]
        line[DT_BY_Q, k] = dt / cells[ar.CAPACITY_AS, k]
        sense = 1.0 if current > 0.0 else -1.0 if current < 0.0 else 0.0
        slope = pack[ar.EMF_BY_SOC, k] + width * hysteresis_by_soc(cells[ar.GAMMA, k], sense, h)
        line[SLOPE, k] = max(0.0, slope)
        mean = line[MEAN_CURRENT, k]
        shift = -mean * ahead / cells[ar.CAPACITY_AS, k]
        warmer, inverse = line[MEAN_WARMING, k] * ahead, 1.0 / y[ar.TEMPERATURE * n + k]
        more = pack[ar.R_BY_SOC, k] * shift + pack[ar.R_BY_T, k] * warmer
        pack[ar.R_OHMIC, k] += more
        pack[ar.R_ABOVE_REF, k] += more
        pack[ar.RC_FACTOR, k] += pack[ar.RC_FACTOR_SLOPE, k] * shift
        pack[ar.RC_T_FACTOR, k] *= 1.0 - warmer * cells[ar.ARRHENIUS_RC_K, k] * inverse * inverse
        line[STEP_OHM, k] = 0.5 * line[SLOPE, k] * line[DT_BY_Q, k]
        lasting, relaxing = 0.0, 0.0
        for j in range(2):
            q, per_s = j * n + k, 1.0 / cells[ar.TAU1 + j, k]
            set_exponentials(dt, per_s / pack[ar.RC_T_FACTOR, k], q, exps)
            line[DRIVE + j, k] = cells[ar.R1 + j, k] * per_s * pack[ar.RC_FACTOR, k]
            line[STEP_OHM, k] += line[DRIVE + j, k] * exps[q, PHI_2]
            lasting += line[DRIVE + j, k] * exps[q, WEIGHT_MIDDLE] * cells[ar.TAU1 + j, k]
            relaxing += line[DRIVE + j, k] * exps[q, PHI_2_HALF]
        line[APART, k] = line[DT_BY_Q, k] / 1.5 + lasting / (2.0 * pack[ar.R_OHMIC, k] * cells[ar.CAPACITY_AS, k])
        x = max(x, max(line[SLOPE, k] * line[DT_BY_Q, k] / STEEP, relaxing / STIFF) * work.hybrid[k, k])
        line[SOC_LOW, k] = line[SOC_HIGH, k] = line[VOLT_LOW_SOC, k] = line[VOLT_HIGH_SOC, k] = z
        line[CURRENT_LOW, k] = line[VOLT_LOW, k] = np.inf
        line[CURRENT_HIGH, k] = line[VOLT_HIGH, k] = -np.inf
    if x > 1.0:
        return False
    add_series_resistance(bank.hybrid, pack[ar.R_ABOVE_REF], work.hybrid)
    add_series_resistance(work.hybrid, line[STEP_OHM], work_m.hybrid)
    _copy_table(pack, work_m.pack)
    _copy_table(pack, work_1.pack)
    return True


@jit_internal
def _row(dt, y, cells, ports, work, work_m, work_1, y_m, y_1, exps, line):
    """One row of a block, from currents at its start in ``work``; its estimated error of state of charge."""
    n = cells.shape[1]
    now, middle, end = work.pack, work_m.pack, work_1.pack
    for k in range(n):
        i_0 = now[ar.PACK_CURRENT, k]
        sense = 1.0 if i_0 > 0.0 else -1.0 if i_0 < 0.0 else 0.0
        h, ahead = y[ar.HYSTERESIS * n + k], -line[DT_BY_Q, k] * i_0  # state of charge moved, by the current at the start
        turns = now[ar.EMF_BY_HYSTERESIS, k] * hysteresis_by_soc(cells[ar.GAMMA, k], sense, h)
        fades = 0.5 * min(
            1.0, cells[ar.GAMMA, k] * abs(ahead)
        )  # mean of its exponential over the row: (1 − e^−x)/x = 1 − x/2 + x²/6
        slope = line[SLOPE_START, k] + turns
        mean = max(0.0, slope + 0.5 * line[OCV_BEND, k] * ahead - turns * fades * (1.0 - 2.0 / 3.0 * fades))
        line[SLOPE_MIDDLE, k], line[SLOPE_ROW, k] = max(0.0, 0.5 * (slope + mean)), mean
        force = now[ar.EMF, k] - (mean - 0.5 * line[SLOPE, k]) * line[DT_BY_Q, k] * i_0
        for j in range(2):
            q, v = j * n + k, y[(ar.RC_VOLT_1 + j) * n + k]
            force -= (exps[q, EXP] - 1.0) * v + (exps[q, PHI_1] - exps[q, PHI_2]) * line[DRIVE + j, k] * i_0
        line[STEP_EMF, k] = force
    currents(dt, line[STEP_EMF], work_m.hybrid, ports, work_1.port, end[ar.PACK_CURRENT])
    for k in range(n):
        i_0, i_1 = now[ar.PACK_CURRENT, k], end[ar.PACK_CURRENT, k]
        there = 0.5 * (i_0 + i_1)
        force = now[ar.EMF, k] - 0.25 * line[SLOPE_MIDDLE, k] * line[DT_BY_Q, k] * (i_0 + there)
        for j in range(2):
            q, v, drive = j * n + k, y[(ar.RC_VOLT_1 + j) * n + k], line[DRIVE + j, k]
            after = exps[q, EXP_HALF] * v + drive * (exps[q, PHI_1_HALF] * i_0 + exps[q, PHI_2_HALF] * (there - i_0))
            y_m[(ar.RC_VOLT_1 + j) * n + k] = after
            force -= after - v
        line[STEP_EMF, k] = force
    currents(0.5 * dt, line[STEP_EMF], work.hybrid, ports, work_m.port, middle[ar.PACK_CURRENT])
    error, total = 0.0, 0.0
    for k in range(n):
        i_0, i_m, i_1 = now[ar.PACK_CURRENT, k], middle[ar.PACK_CURRENT, k], end[ar.PACK_CURRENT, k]
        moved = -line[DT_BY_Q, k] * (i_0 + 4.0 * i_m + i_1) / 6.0
        h, relaxed = y[ar.HYSTERESIS * n + k], 0.0
        y_1[ar.SOC * n + k] = y[ar.SOC * n + k] + moved
        y_1[ar.HYSTERESIS * n + k] = hysteresis_moved(h, cells[ar.GAMMA, k], moved, i_0, i_1, line[DT_BY_Q, k])
        y_m[ar.HYSTERESIS * n + k] = 0.5 * (h + y_1[ar.HYSTERESIS * n + k])
        y_m[ar.TEMPERATURE * n + k] = y_1[ar.TEMPERATURE * n + k] = y[ar.TEMPERATURE * n + k]
        for j in range(2):
            q = j * n + k
            driven = exps[q, WEIGHT_START] * i_0 + exps[q, WEIGHT_MIDDLE] * i_m + exps[q, WEIGHT_END] * i_1
            after = exps[q, EXP] * y[(ar.RC_VOLT_1 + j) * n + k] + line[DRIVE + j, k] * driven
            relaxed += after - y[(ar.RC_VOLT_1 + j) * n + k]
            y_1[(ar.RC_VOLT_1 + j) * n + k] = after
        line[STEP_EMF, k] = now[ar.EMF, k] + line[SLOPE_ROW, k] * moved - relaxed  # as expected at the end
        error = max(error, CURVATURE_FACTOR * line[APART, k] * abs(i_m - 0.5 * (i_0 + i_1)))
        total += i_m + i_1
    return error if np.isfinite(total) else np.inf


@jit_internal
def _row_missed(hybrid, line, now, pack):
    """Error of a row by what electromotive forces at its end lie off the expected ones: of state of charge, or of energy."""
    error = 0.0
    for k in range(line.shape[1]):
        if line[SLOPE_ROW, k] * line[DT_BY_Q, k] * hybrid[k, k] > 2.0 * STEEP:
            return np.inf
        miss = abs(pack[ar.EMF, k] - line[STEP_EMF, k])
        bent = abs(line[SLOPE_ROW, k] - line[SLOPE, k]) * abs(pack[ar.PACK_CURRENT, k] - now[ar.PACK_CURRENT, k])
        miss += 0.5 * bent * line[DT_BY_Q, k]  # the network of the step is made for the slope at the start of the block
        error = max(error, miss * hybrid[k, k] * line[DT_BY_Q, k], miss / (VOLTS_MISSED * (1.0 + abs(pack[ar.EMF, k]))))
    return error


@jit_internal
def _any_open(pack_state):
    """Whether a pack carries no current."""
    found = False
    for k in range(pack_state.size):
        found = found or not ar.CONDUCTS[pack_state[k]]
    return found


@jit_internal
def _open_pack_due(y, bank, states, work, out):
    """Whether anything is due of packs that carry no current, at one end of a row."""
    n, pack = bank.cells.shape[1], work.pack
    for k in range(n):
        pack[ar.EMF_LINEAR, k] = pack[ar.EMF, k] - pack[ar.R_ABOVE_REF, k] * pack[ar.PACK_CURRENT, k]
    due = False
    for k in range(n):
        due = due or (not ar.CONDUCTS[states.pack_state[k]] and events.watch_pack(k, y, bank, states, work, out) > 0.0)
    return due


@jit_internal
def _port_due(t, y, phase, ports, states, work, out):
    """Whether anything is due of the ports at one end of a row."""
    for q in range(ports.shape[0]):
        for i in range(ar.PORT_SLOTS):
            out[i] = -1.0
        full = -1.0
        if ports[q, ar.STOP_REPORT] != ar.STOP_NONE or ports[q, ar.REBULK_VOLT] > 0.0:
            full = events.reported_full(ports[q, ar.STOP_REPORT], y, states.pack_state, states.monitor_state)
        events.watch_port(q, 0, t, phase, ports, work, full, out)
        for i in range(ar.PORT_SLOTS):
            if out[i] > 0.0:
                return True
    return False


@jit_internal
def _reach(at, y, cells, work, line, flows, spread, apart):
    """Extremes at one end of a row; its currents are kept at place ``at`` of ``flows``."""
    n, p, pack, port = work.pack.shape[1], work.port.shape[1], work.pack, work.port
    least, most = np.inf, -np.inf
    for k in range(n):
        i, z = pack[ar.PACK_CURRENT, k], y[ar.SOC * n + k]
        flows[at, k] = i
        least, most = min(least, z), max(most, z)
        line[CURRENT_LOW, k], line[CURRENT_HIGH, k] = min(line[CURRENT_LOW, k], i), max(line[CURRENT_HIGH, k], i)
        line[SOC_LOW, k], line[SOC_HIGH, k] = min(line[SOC_LOW, k], z), max(line[SOC_HIGH, k], z)
        volt = pack[ar.EMF, k] - i * (pack[ar.R_OHMIC, k] - cells[ar.R_WIRING, k])
        if volt < line[VOLT_LOW, k]:
            line[VOLT_LOW, k], line[VOLT_LOW_SOC, k] = volt, z
        if volt > line[VOLT_HIGH, k]:
            line[VOLT_HIGH, k], line[VOLT_HIGH_SOC, k] = volt, z
    spread[0] = max(spread[0], most - least)
    for a in range(p):
        flows[at, n + a] = port[ar.PORT_CURRENT, a]
        for b in range(a):
            apart[a, b] = max(apart[a, b], abs(port[ar.PORT_VOLTAGE, a] - port[ar.PORT_VOLTAGE, b]))


@jit_internal
def _limits_reached(y, before, bank, states, work, y_s, line, acc, out):
    """Whether a pack that conducts may have anything due within the block; if not, the extremes of its cells' voltages are noted."""
    n, cells, pack = bank.cells.shape[1], bank.cells, work.pack
    for way in range(2):
        volt, at, soc, current = (
            (VOLT_HIGH, VOLT_HIGH_SOC, SOC_HIGH, CURRENT_LOW) if way == 0 else (VOLT_LOW, VOLT_LOW_SOC, SOC_LOW, CURRENT_HIGH)
        )
        for k in range(n):
            y_s[ar.SOC * n + k] = line[soc, k]
            y_s[ar.TEMPERATURE * n + k] = y[ar.TEMPERATURE * n + k] if way == 0 else before[ar.TEMPERATURE * n + k]
            pack[ar.PACK_CURRENT, k] = line[current, k]
            pack[ar.EMF, k] = line[volt, k] + line[current, k] * (pack[ar.R_OHMIC, k] - cells[ar.R_WIRING, k])
        for k in range(n):
            if ar.CONDUCTS[states.pack_state[k]] and events.watch_pack(k, y_s, bank, states, work, out) > 0.0:
                return True
        for k in range(n):
            y_s[ar.SOC * n + k] = line[at, k]
            high, low = cell_volts(k, y_s, cells, bank.curves_of, bank.curves, pack)
            acc[ar.ACC_CELL_MAX_V, k] = max(acc[ar.ACC_CELL_MAX_V, k], high)
            acc[ar.ACC_CELL_MIN_V, k] = min(acc[ar.ACC_CELL_MIN_V, k], low)
    return False


@jit_internal
def _missed(length, there, expected, cells, line):
    """By how much the bank at the end of a block, solved ``there``, misses what was expected, as an error of state of charge.

    What has grown as the square of time is a third of what it is at the end; a voltage that runs otherwise is an error of the energy,
    in the packs' charge at that voltage.
    """
    error = 0.0
    for k in range(cells.shape[1]):
        miss = abs(there.pack[ar.PACK_CURRENT, k] - expected.pack[ar.PACK_CURRENT, k])
        error = max(error, miss * length / (3.0 * cells[ar.CAPACITY_AS, k]))
        drifted = abs(there.pack[ar.R_OHMIC, k] / expected.pack[ar.R_OHMIC, k] - 1.0)
        error = max(error, RESISTANCE_DRIFT * drifted * (line[SOC_HIGH, k] - line[SOC_LOW, k]))
        for a in range(there.port.shape[1]):
            volt = there.port[ar.PORT_VOLTAGE, a]
            miss = abs(volt - expected.port[ar.PORT_VOLTAGE, a]) / (1.0 + abs(volt))
            error = max(error, miss * (line[SOC_HIGH, k] - line[SOC_LOW, k]) / 3.0)
    return error


@jit_internal
def _first_full_or_empty(first, line):
    """Whether a pack has been full or empty in the block for the first time, or beyond: rows tell when."""
    for k in range(line.shape[1]):
        if not (line[SOC_LOW, k] >= 0.0 and line[SOC_HIGH, k] <= 1.0):
            return True
        if (first[0, k] == np.inf and line[SOC_HIGH, k] >= FULL_SOC) or (first[1, k] == np.inf and line[SOC_LOW, k] <= EMPTY_SOC):
            return True
    return False


@jit_internal
def _accept(length, y, bank, extremes, merging):
    """Note what a block of ``length`` [s] that stays has brought: extremes, cooling of devices, means for the next."""
    n, line, before = bank.cells.shape[1], merging.line, merging.kept_y
    for k in range(n):
        line[MEAN_CURRENT, k] = bank.cells[ar.CAPACITY_AS, k] * (before[ar.SOC * n + k] - y[ar.SOC * n + k]) / length
        line[MEAN_WARMING, k] = (y[ar.TEMPERATURE * n + k] - before[ar.TEMPERATURE * n + k]) / length
        extremes.soc[0, k] = min(extremes.soc[0, k], line[SOC_LOW, k])
        extremes.soc[1, k] = max(extremes.soc[1, k], line[SOC_HIGH, k])
    extremes.spread[0] = max(extremes.spread[0], merging.spread[0])
    for d in range(bank.devices.shape[0]):
        y[ar.N_STATES * n + d] *= np.exp(-length / bank.devices[d, ar.THERMAL_TIME_CONSTANT_S])


@jit_internal
def _heated_devices(flows, count, bank):
    """Whether a device may carry a current that heats it beyond its rating's curve in the block."""
    for d in range(bank.devices.shape[0]):
        most = bank.devices[d, ar.MIN_TRIP_MULTIPLE] * bank.devices[d, ar.RATING_A]
        most = min(most, bank.devices[d, ar.PICKUP_MULTIPLE] * bank.devices[d, ar.RATING_A])
        for i in range(count):
            current = 0.0
            for m in range(flows.shape[1]):
                current += bank.device_flows[d, m] * flows[i, m]
            if not abs(current) < most:
                return True
    return False


@jit_internal
def _branch_extremes(flows, count, all_flows, branch):
    """Extremes of branch currents over the block; where by those of packs and ports none can be new, rows are not gone through."""
    for b in range(branch.size):
        low, high = 0.0, 0.0
        for m in range(flows.shape[1]):
            if all_flows[b, m] != 0.0:
                least, most = np.inf, -np.inf
                for i in range(count):
                    least, most = min(least, flows[i, m]), max(most, flows[i, m])
                one, other = all_flows[b, m] * least, all_flows[b, m] * most
                low, high = low + min(one, other), high + max(one, other)
        if max(high, -low) > branch[b]:
            for i in range(count):
                current = 0.0
                for m in range(flows.shape[1]):
                    current += all_flows[b, m] * flows[i, m]
                branch[b] = max(branch[b], abs(current))


@jit_internal
def _walk(
    clock, row, filled, stop, tolerance, max_step, y, bank, levelling, states, port_state, sums, extremes, all_flows, schedule, samples,
    scratch, merging,
):  # fmt: skip
    """One block of rows from the beginning of ``row`` at ``clock``.

    Returns
    -------
    count, clock, fresh, filled
        How many rows were walked, none if the block was given up and all stands as before; whether the commands of the next row are
        still to be taken; samples filled.
    """
    durations, commands, early = schedule
    grid, sample_t, made = samples
    work, work_1, work_s, y_s, _, _, due, y_m, y_1, work_m, _, exps, coef = scratch
    memory, line, flows, spread = merging.memory, merging.line, merging.flows, merging.spread
    cells, ports, timer = bank.cells, port_state.table, port_state.timer
    n, p = cells.shape[1], ports.shape[0]
    dt, begin, begin_filled, log_count = durations[row], clock, filled, port_state.count[0]
    most = int(min(memory[ROWS_NEXT], float(MOST_ROWS), max_step / dt))
    memory[WAIT] = 1.0
    if most < 2 or stop <= clock + dt or filled >= sample_t.size - 1:
        return 0, clock, True, filled
    _keep(y, port_state, sums, extremes, merging)
    g = np.searchsorted(grid, clock - 1e-9)
    spread[0] = extremes.spread[0]
    r, fresh, any_open = row, True, False
    while r < durations.size and r < row + most:
        if early[r] or abs(durations[r] - dt) > 1e-9 or stop < clock + dt or filled >= sample_t.size - 1:
            break
        if g < grid.size and clock + 1e-9 < grid[g] < clock + dt - 1e-9:
            break
        port_states.apply_commands(clock, commands[r], port_state)
        port_states.limit_chargers(y, bank, states, port_state)
        fresh = False
        if r == row:
            solve_bank(0.0, y, bank, ports, work)
            if events.watch_solved(0.0, y, bank, states, port_state.phase, ports, work, due) > 0.0:
                break
            if memory[LAST_END] != clock:
                for k in range(n):
                    line[MEAN_CURRENT, k] = work.pack[ar.PACK_CURRENT, k]
                    line[MEAN_WARMING, k] = temperature_rate(k, y[ar.TEMPERATURE * n + k], y, cells, work.pack, bank.neighbours)
            if not _begin(dt, 0.5 * dt * most, y, bank, work, work_m, work_1, exps, line):
                break
            _electromotive_forces(y, cells, bank.curves_of, bank.curves, line, work.pack)
            any_open = _any_open(states.pack_state)
        currents(0.0, work.pack[ar.EMF], work.hybrid, ports, work.port, work.pack[ar.PACK_CURRENT])
        waits = np.inf
        for a in range(p):
            waits = min(waits, timer[a, ar.NEXT_AT])
        if waits < clock + dt or _port_due(0.0, y, port_state.phase, ports, states, work, due):
            break
        if any_open and _open_pack_due(y, bank, states, work, due):
            break
        if not _row(dt, y, cells, ports, work, work_m, work_1, y_m, y_1, exps, line) <= tolerance:
            break
        _electromotive_forces(y_1, cells, bank.curves_of, bank.curves, line, work_1.pack)
        if not _row_missed(work.hybrid, line, work.pack, work_1.pack) <= tolerance:
            break
        end = ar.Work(work_1.pack, work_1.port, work.hybrid)
        if _port_due(dt, y_1, port_state.phase, ports, states, end, due) or (
            any_open and _open_pack_due(y_1, bank, states, end, due)
        ):
            break
        pack_heat(y, cells, work.pack)
        for k in range(n):
            for what in range(3):
                at = ar.EMF_BY_HYSTERESIS if what == 0 else ar.HALF_WIDTH_SLOPE if what == 1 else ar.ENTROPY
                work_m.pack[at, k] = 0.5 * (work.pack[at, k] + work_1.pack[at, k])
        pack_heat(y_m, cells, work_m.pack)
        pack_heat(y_1, cells, work_1.pack)
        at = 2 * (r - row)
        _reach(at, y, cells, work, line, flows, spread, extremes.between_ports)
        _reach(at + 1, y_1, cells, end, line, flows, spread, extremes.between_ports)
        if g < grid.size and grid[g] <= clock + 1e-9:
            sample_t[filled] = grid[g]
            for k in range(n):
                work.pack[ar.EMF_LINEAR, k] = work.pack[ar.EMF, k] - work.pack[ar.R_ABOVE_REF, k] * work.pack[ar.PACK_CURRENT, k]
            record_sample(filled, y, bank, work, made)
            filled += 1
            g += 1
        add_instant(0.0, dt / 6.0, y, bank, ports, work, sums)
        add_instant(0.5 * dt, dt / 1.5, y_m, bank, ports, work_m, sums)
        add_instant(dt, dt / 6.0, y_1, bank, ports, end, sums)
        if levelling.shape[0] > 0:
            for k in range(n):
                coef[RATE_T, k] = temperature_rate(k, y[ar.TEMPERATURE * n + k], y, cells, work_m.pack, bank.neighbours)
            rises(dt, coef[RATE_T], levelling, coef[MODAL], coef[RISE_END])
            for k in range(n):
                y_1[ar.TEMPERATURE * n + k] += coef[RISE_END, k]
        for i in range(ar.N_STATES * n):
            y[i] = y_1[i]
        for k in range(n):
            for what in range(4):
                at = (
                    ar.EMF
                    if what == 0
                    else ar.EMF_BY_HYSTERESIS
                    if what == 1
                    else ar.HALF_WIDTH_SLOPE
                    if what == 2
                    else ar.ENTROPY
                )
                work.pack[at, k] = work_1.pack[at, k]
        clock, r, fresh = clock + dt, r + 1, True
    count = r - row
    if count == 0:
        return 0, clock, fresh, filled
    # what the cells say at the end
    length = clock - begin
    solve_bank(dt if fresh else 0.0, y, bank, ports, work_s)
    error = _missed(length, work_s, work_1 if fresh else work, cells, line) * BLOCK_FACTOR / tolerance
    reached = False
    if error <= 1.0:
        reached = _first_full_or_empty(extremes.first, line) or _heated_devices(flows, 2 * count, bank)
        reached = reached or _limits_reached(y, merging.kept_y, bank, states, work_m, y_s, line, sums.pack, due)
    if reached or not error <= 1.0:
        _put_back(y, port_state, sums, extremes, merging)
        port_state.count[0] = log_count
        if reached or not np.isfinite(error):
            memory[WAIT], memory[WAIT_NEXT] = memory[WAIT_NEXT], min(LONGEST_WAIT, 2.0 * memory[WAIT_NEXT])
        else:  # at once again with fewer rows
            memory[ROWS_NEXT] = max(2.0, count * max(0.2, 0.8 * error ** (-1.0 / 3.0)))
            memory[WAIT] = 0.0 if count > 2 else 4.0
        return 0, begin, True, begin_filled
    memory[LAST_END] = clock
    _accept(length, y, bank, extremes, merging)
    _branch_extremes(flows, 2 * count, all_flows, extremes.branch)
    add_cells(y, bank, work_s.pack, sums.pack)
    if count == most:
        memory[ROWS_NEXT] = min(
            float(MOST_ROWS), max(memory[ROWS_NEXT], count * min(2.0, 0.8 * max(error, 1e-3) ** (-1.0 / 3.0)))
        )
        if error > 0.5:
            memory[ROWS_NEXT] = max(2.0, count * 0.8 * error ** (-1.0 / 3.0))
    return count, clock, fresh, filled


@jit_entry
def advance_rows(
    clock, step_start, row, fresh, dt_try, stop, most_steps, tolerance, max_step, y, bank, levelling, states, stays_open, port_state, sums,
    extremes, all_flows, schedule, samples, scratch, merging,
):  # fmt: skip
    """As :func:`simbank.simulation.fast.advance`, many rows at a time where that can be."""
    durations, commands, early = schedule
    memory, filled = merging.memory, 0
    can = all_plain(bank) and sums.displays.shape[1] == 0
    for k in range(bank.cells.shape[1]):
        can = can and (bank.pack_live[k] or ar.CONDUCTS[states.pack_state[k]] or states.pack_state[k] == ar.OPEN)
    for a in range(port_state.table.shape[0]):
        can = can and port_state.table[a, ar.LIVE] > 0.0
    while row < durations.size:
        alike = row + 1 < durations.size and abs(durations[row + 1] - durations[row]) < 1e-9 and 2.0 * durations[row] <= max_step
        if can and fresh and alike and memory[WAIT] <= 0.0:
            count, clock, fresh, filled = _walk(
                clock, row, filled, stop, tolerance, max_step, y, bank, levelling, states, port_state, sums, extremes, all_flows,
                schedule, samples, scratch, merging,
            )  # fmt: skip
            row, step_start = row + count, clock
            for k in range(stays_open.size):
                stays_open[k] = False
            if count > 1:
                memory[WAIT], memory[WAIT_NEXT] = 0.0, 2.0
            if fresh and memory[WAIT] <= 0.0:
                continue
        memory[WAIT] -= 1.0
        single = durations[: row + 1], commands[: row + 1], early[: row + 1]
        code, clock, step_start, row, fresh, dt_try, filled = advance(
            clock, step_start, row, fresh, dt_try, stop, most_steps, tolerance, max_step, y, bank, levelling, states, stays_open,
            port_state, sums, extremes, all_flows, single, samples, scratch, filled,
        )  # fmt: skip
        if code != DONE:
            return code, clock, step_start, row, fresh, dt_try, filled
        if filled >= samples[1].size - 1:
            return PAUSE, clock, step_start, row, fresh, dt_try, filled
    return DONE, clock, step_start, row, fresh, dt_try, filled

"""The ordinary differential equation of a bank: time derivatives of its state, and their derivatives by the state.

State vector: ``[z(n), h(n), v1(n), v2(n), T(n), D(d)]``. Parameters travel as a few arrays (:mod:`simbank.simulation.arrays`), because
a compiled function is called from Python many thousand times and each argument costs time.
"""

from __future__ import annotations

import numpy as np

from simbank.cells.curves import curve_value
from simbank.jit import jit_entry, jit_internal
from simbank.simulation import arrays as ar
from simbank.simulation.bank_solver import renew, solve_bank, working_arrays
from simbank.simulation.devices import damage_rate, damage_rate_slope, device_current
from simbank.simulation.pack_model import (
    add_arrhenius_slope,
    excess_work_slopes,
    hysteresis_heat_slopes,
    hysteresis_rate_slopes,
    own_draw_slope,
    state_rates,
)
from simbank.simulation.port_solver import commanded


def rates(t, y, cells, curves_of, curves, hybrid, terminal, pack_live, neighbours, devices, device_flows, ports):
    """Right-hand side of the ordinary differential equation, shape (5 n + d,), at time ``t`` [s] of the step of the duty.

    After ``t`` and ``y`` come the fields of a :class:`~simbank.simulation.arrays.BankArrays`, one by one since that is quicker to call from
    Python, then the ports' table.
    """
    bank = ar.BankArrays(cells, curves_of, curves, hybrid, terminal, pack_live, neighbours, devices, device_flows)
    return rates_of(y, bank, ports)(t, y)


def rates_of(y, bank, ports):
    """:func:`rates` as a function of time and state alone, for states like ``y``: a solver asks it thousands of times."""
    n, p = bank.cells.shape[1], ports.shape[0]
    work, fresh = working_arrays(n, p), working_arrays(n, p)
    native = _rates.ready((0.0, y, bank, ports, work, np.empty(y.size)))

    def of(t, y):
        renew(work, fresh)
        out = np.empty(y.size)
        native(t, np.ascontiguousarray(y), bank, ports, work, out)
        return out

    return of


@jit_entry
def _rates(t, y, bank, ports, work, out):
    """:func:`rates` into ``out``, working in ``work``."""
    solve_bank(t, y, bank, ports, work)
    rates_solved(y, bank, work, out)


@jit_internal
def rates_solved(y, bank, work, out):
    """:func:`rates` for a bank that is solved in ``work``, into ``out``."""
    state_rates(y, bank.cells, work.pack, bank.neighbours, out)
    first = ar.N_STATES * bank.cells.shape[1]
    for d in range(bank.devices.shape[0]):
        current = device_current(d, bank.device_flows, work)
        out[first + d] = damage_rate(d, current, y[first + d], bank.devices, bank.curves)


def jacobian(t, y, cells, curves_of, curves, hybrid, terminal, pack_live, neighbours, devices, device_flows, ports):
    """Analytic Jacobian of :func:`rates`, shape (5 n + d, 5 n + d); arguments likewise.

    How damage answers to the packs is left out: nothing answers to damage, so an implicit solver loses little:
    the rows of damage lag by one iteration of Newton's method, all others are complete.
    """
    bank = ar.BankArrays(cells, curves_of, curves, hybrid, terminal, pack_live, neighbours, devices, device_flows)
    n, p = cells.shape[1], ports.shape[0]
    out = np.zeros((y.size, y.size))
    _jacobian(t, y, bank, ports, working_arrays(n, p), np.empty((n, n + p)), np.zeros((p, p)), np.zeros((p, n)), out)
    return out


@jit_entry
def _jacobian(t, y, bank, ports, work, by_emf, slopes, drive, out):
    """:func:`jacobian` into ``out``, which is zero, working in the arrays before it; ``slopes`` and ``drive`` are zero."""
    cells, curves_of, curves, devices, device_flows = bank.cells, bank.curves_of, bank.curves, bank.devices, bank.device_flows
    n = cells.shape[1]
    solve_bank(t, y, bank, ports, work)
    _current_by_emf(t, work.hybrid, ports, work.port, by_emf, slopes, drive)
    for d in range(devices.shape[0]):
        row = ar.N_STATES * n + d
        out[row, row] = damage_rate_slope(d, device_current(d, device_flows, work), devices)
    for k in range(n):
        z = y[ar.SOC * n + k]
        half_width = curve_value(curves, curves_of[ar.HALF_WIDTH_CURVE, k], z)
        entropy = curve_value(curves, curves_of[ar.ENTROPY_CURVE, k], z)
        local = half_width + entropy + curve_value(curves, curves_of[ar.RC_FACTOR_CURVE, k], z)
        _through_current(k, y, cells, work.pack, by_emf, local, out)
        current = work.pack[ar.PACK_CURRENT, k]
        row = ar.HYSTERESIS * n + k
        moving, draw_slope = current + work.pack[ar.OWN_DRAW, k], own_draw_slope(k, z, cells)
        by_moving, to_itself = hysteresis_rate_slopes(cells[ar.GAMMA, k], moving, cells[ar.CAPACITY_AS, k], y[row])
        out[row, row] += to_itself
        out[row, ar.SOC * n + k] += by_moving * draw_slope
        out[ar.SOC * n + k, ar.SOC * n + k] -= draw_slope / cells[ar.CAPACITY_AS, k]
        add_arrhenius_slope(k, y[ar.TEMPERATURE * n + k], cells, curves_of, work.pack)
        _relaxation_rows(k, y, cells, work.pack, local, out)
        if cells[ar.HEAT_CAPACITY, k] > 0.0:
            _temperature_row(k, y, bank, work.pack, local, out)


@jit_internal
def _through_current(k, y, cells, pack, by_emf, local, out):
    """How the rates of pack ``k`` answer to every state through the pack's own current.

    ``local`` are three curves at its state of charge, each with two derivatives: half-width of the hysteresis loop at the reference
    temperature, entropic coefficient, factor of the relaxation pairs.
    """
    half, dhalf, d2half, s, _, _, g, dg, _ = local
    n = cells.shape[1]
    h, v1, v2, temperature = (
        y[ar.HYSTERESIS * n + k], y[ar.RC_VOLT_1 * n + k], y[ar.RC_VOLT_2 * n + k], y[ar.TEMPERATURE * n + k],
    )  # fmt: skip
    current, ns, gamma = pack[ar.PACK_CURRENT, k], cells[ar.N_SERIES, k], cells[ar.GAMMA, k]
    to_z = -1.0 / cells[ar.CAPACITY_AS, k]
    moving = current + pack[ar.OWN_DRAW, k]
    to_h, _ = hysteresis_rate_slopes(gamma, moving, cells[ar.CAPACITY_AS, k], h)
    to_v1, to_v2 = cells[ar.R1, k] * g / cells[ar.TAU1, k], cells[ar.R2, k] * g / cells[ar.TAU2, k]
    to_t = 0.0
    if cells[ar.HEAT_CAPACITY, k] > 0.0:
        to_t = 2.0 * current * pack[ar.R_OHMIC, k] - temperature * ns * s
        lost_by_current, _, _ = hysteresis_heat_slopes(ns, half, dhalf, d2half, gamma, moving, h)
        to_t += lost_by_current
        excess_by_current, _, _ = excess_work_slopes(pack[ar.EXCESS_WIDTH, k], pack[ar.EXCESS_SLOPE, k], moving, h)
        to_t += excess_by_current
        for v, ohm, tau in ((v1, cells[ar.R1, k], cells[ar.TAU1, k]), (v2, cells[ar.R2, k], cells[ar.TAU2, k])):
            if ohm > 0.0:
                to_t -= 0.5 * v * v * tau * dg / (ohm * g * g * cells[ar.CAPACITY_AS, k])
        to_t /= cells[ar.HEAT_CAPACITY, k]
    for m in range(n):
        for block in range(ar.N_STATES):
            if block == ar.SOC:
                slope = pack[ar.EMF_BY_SOC, m] - pack[ar.PACK_CURRENT, m] * pack[ar.R_BY_SOC, m]
            elif block == ar.HYSTERESIS:
                slope = pack[ar.EMF_BY_HYSTERESIS, m]
            elif block == ar.TEMPERATURE:
                slope = pack[ar.EMF_BY_T, m] - pack[ar.PACK_CURRENT, m] * pack[ar.R_BY_T, m]
            elif block == ar.RC_VOLT_2:
                slope = -pack[ar.RC_2_SLOPE, m]
            else:
                slope = -1.0
            by_state = by_emf[k, m] * slope
            column = block * n + m
            out[ar.SOC * n + k, column] = to_z * by_state
            out[ar.HYSTERESIS * n + k, column] = to_h * by_state
            out[ar.RC_VOLT_1 * n + k, column] = to_v1 * by_state
            out[ar.RC_VOLT_2 * n + k, column] = to_v2 * by_state
            out[ar.TEMPERATURE * n + k, column] = to_t * by_state


@jit_internal
def _relaxation_rows(k, y, cells, pack, local, out):
    """How the rates of the relaxation voltages of pack ``k`` answer to its own state at given current; ``local`` likewise."""
    dg = local[7]
    n = cells.shape[1]
    at_t = ar.TEMPERATURE * n + k
    current, factor, factor_by_t = pack[ar.PACK_CURRENT, k], pack[ar.RC_T_FACTOR, k], pack[ar.RC_T_FACTOR_SLOPE, k]
    for j in range(2):
        row = (ar.RC_VOLT_1 + j) * n + k
        v, ohm, tau = y[row], cells[ar.R1 + j, k], cells[ar.TAU1 + j, k]
        out[row, row] -= 1.0 / (factor * tau)
        out[row, ar.SOC * n + k] += ohm * dg * current / tau
        if cells[ar.HEAT_CAPACITY, k] > 0.0:
            out[row, at_t] += v * factor_by_t / (factor * factor * tau)


@jit_internal
def _temperature_row(k, y, bank, pack, local, out):
    """How the rate of the temperature of pack ``k`` answers to its own state and its neighbours' at given current; ``local`` likewise."""
    half, dhalf, d2half, s, ds, _, g, dg, d2g = local
    cells, neighbours = bank.cells, bank.neighbours
    n = cells.shape[1]
    row = ar.TEMPERATURE * n + k
    h, temperature, current = y[ar.HYSTERESIS * n + k], y[row], pack[ar.PACK_CURRENT, k]
    ns, gamma, capacity = cells[ar.N_SERIES, k], cells[ar.GAMMA, k], cells[ar.HEAT_CAPACITY, k]
    factor, factor_by_t = pack[ar.RC_T_FACTOR, k], pack[ar.RC_T_FACTOR_SLOPE, k]
    own, draw_slope = pack[ar.OWN_DRAW, k], own_draw_slope(k, y[ar.SOC * n + k], cells)
    moving = current + own
    by_z = current * current * pack[ar.R_BY_SOC, k] - moving * temperature * ns * ds
    by_draw, lost_by_z, lost_by_h = hysteresis_heat_slopes(ns, half, dhalf, d2half, gamma, moving, h)
    excess_by_draw, excess_by_z, excess_by_h = excess_work_slopes(pack[ar.EXCESS_WIDTH, k], pack[ar.EXCESS_SLOPE, k], moving, h)
    by_draw += excess_by_draw + pack[ar.EMF_SETTLED, k] - temperature * ns * s  # and below, of relaxation
    by_z += lost_by_z + excess_by_z + own * pack[ar.EMF_BY_SOC, k]
    lost_by_h += excess_by_h + own * pack[ar.EMF_BY_HYSTERESIS, k]
    by_t = current * current * pack[ar.R_BY_T, k] - moving * ns * s - cells[ar.HEAT_LOSS, k] + own * pack[ar.EMF_BY_T, k]
    by_t -= pack[ar.HALF_WIDTH_BY_T, k] * h * moving
    for j in range(2):
        at_v = (ar.RC_VOLT_1 + j) * n + k
        v, ohm, tau = y[at_v], cells[ar.R1 + j, k], cells[ar.TAU1 + j, k]
        secant = pack[ar.RC_2_SECANT, k] if j == 1 else 1.0  # of a lag of charge; that it follows the lag is left out
        if ohm > 0.0:
            follow = 0.5 * tau * moving / cells[ar.CAPACITY_AS, k]
            by_draw -= 0.5 * v * v * tau * dg / (ohm * g * g * cells[ar.CAPACITY_AS, k])
            by_z -= v * v / ohm * (dg / (g * g * factor) + follow * (d2g / (g * g) - 2.0 * dg * dg / (g * g * g)))
            by_t -= secant * (v * v * factor_by_t / (ohm * g * factor * factor))
            out[row, at_v] += secant * (2.0 * v / (ohm * g) * (1.0 / factor - follow * dg / g) / capacity)
    out[row, ar.SOC * n + k] += (by_z + by_draw * draw_slope) / capacity
    out[row, ar.HYSTERESIS * n + k] += lost_by_h / capacity
    for m in range(neighbours.shape[0]):
        by_t -= neighbours[m, k]
        out[row, ar.TEMPERATURE * n + m] += neighbours[m, k] / capacity
    out[row, row] += by_t / capacity


@jit_internal
def _current_by_emf(t, hybrid, ports, port, by_emf, slopes, drive):
    """How each pack's current answers to each pack's electromotive force, ports as they are, into the first n columns of ``by_emf`` [A/V]."""
    p = ports.shape[0]
    n = hybrid.shape[1] - p
    for k in range(n):
        for m in range(n + p):
            by_emf[k, m] = hybrid[k, m]
    held = False
    for a in range(p):
        mode = ports[a, ar.MODE]
        held = held or (
            ports[a, ar.LIVE] > 0.0 and (mode == ar.MODE_VOLTAGE or mode == ar.MODE_POWER or mode == ar.MODE_RESISTANCE)
        )
    if held:  # a port that holds voltage or power answers a change of electromotive force by a change of current
        for a in range(p):
            slopes[a, a] = 1.0
            if ports[a, ar.LIVE] > 0.0 and (ports[a, ar.MODE] == ar.MODE_VOLTAGE or ports[a, ar.MODE] == ar.MODE_RESISTANCE):
                for b in range(p):
                    slopes[a, b] = -hybrid[n + a, n + b]
                if ports[a, ar.MODE] == ar.MODE_RESISTANCE:
                    slopes[a, a] += commanded(t, ports, a)
                for k in range(n):
                    drive[a, k] = hybrid[n + a, k]
            elif ports[a, ar.LIVE] > 0.0 and ports[a, ar.MODE] == ar.MODE_POWER:
                for b in range(p):
                    slopes[a, b] = port[ar.PORT_CURRENT, a] * hybrid[n + a, n + b]
                slopes[a, a] += port[ar.PORT_VOLTAGE, a]
                for k in range(n):
                    drive[a, k] = -port[ar.PORT_CURRENT, a] * hybrid[n + a, k]
        solve_in_place(slopes, drive)
        for k in range(n):
            for m in range(n):
                for a in range(p):
                    by_emf[k, m] += by_emf[k, n + a] * drive[a, m]


@jit_internal
def solve_in_place(matrix, right):
    """Solve ``matrix · x = right`` for the columns of ``right``, in place, by elimination with row exchange.

    For small systems; calling LAPACK from compiled code would triple the time to compile this module.
    """
    size = matrix.shape[0]
    for c in range(size):
        pivot = c
        for r in range(c + 1, size):
            if abs(matrix[r, c]) > abs(matrix[pivot, c]):
                pivot = r
        if pivot != c:
            for k in range(c, size):
                matrix[c, k], matrix[pivot, k] = matrix[pivot, k], matrix[c, k]
            for k in range(right.shape[1]):
                right[c, k], right[pivot, k] = right[pivot, k], right[c, k]
        for r in range(c + 1, size):
            factor = matrix[r, c] / matrix[c, c]
            if factor != 0.0:
                for k in range(c + 1, size):
                    matrix[r, k] -= factor * matrix[c, k]
                for k in range(right.shape[1]):
                    right[r, k] -= factor * right[c, k]
    for c in range(size - 1, -1, -1):
        for k in range(right.shape[1]):
            value = right[c, k]
            for j in range(c + 1, size):
                value -= matrix[c, j] * right[j, k]
            right[c, k] = value / matrix[c, c]

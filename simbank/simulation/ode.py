"""The ordinary differential equation of a bank: time derivatives of its state, and their derivatives by the state.

State vector: ``[z(n), h(n), v1(n), v2(n), T(n), D(d)]``. Parameters travel as a few arrays (:mod:`simbank.simulation.arrays`), because
a compiled function is called from Python many thousand times and each argument costs time.
"""

from __future__ import annotations

import numpy as np

from simbank.cells.curves import curve_value
from simbank.jit import jit_allocating, jit_internal
from simbank.simulation import arrays as ar
from simbank.simulation.bank_solver import damage_rate, device_current, solve_bank, working_arrays
from simbank.simulation.pack_model import rc_warmth, state_rates
from simbank.simulation.port_solver import commanded


@jit_allocating
def rates(t, y, cells, curves_of, curves, hybrid, ports, neighbours, devices, flows):
    """Right-hand side of the ordinary differential equation, shape (5 n + d,)."""
    n, p = cells.shape[1], ports.shape[0]
    work, port, now = working_arrays(n, p)
    solve_bank(t, y, cells, curves_of, curves, hybrid, ports, work, port, now)
    out = np.empty(ar.N_STATES * n + devices.shape[0])
    rates_solved(y, work, port, cells, curves, neighbours, devices, flows, out)
    return out


@jit_internal
def rates_solved(y, work, port, cells, curves, neighbours, devices, flows, out):
    """:func:`rates` for a bank that is solved in ``work`` and ``port``, into ``out``."""
    n = cells.shape[1]
    state_rates(y, cells, work, neighbours, out)
    for d in range(devices.shape[0]):
        out[ar.N_STATES * n + d] = damage_rate(d, device_current(d, flows, work, port), y[ar.N_STATES * n + d], devices, curves)


@jit_allocating
def jacobian(t, y, cells, curves_of, curves, hybrid, ports, neighbours, devices, flows):
    """Analytic Jacobian of :func:`rates`, shape (5 n + d, 5 n + d).

    How damage answers to the packs is left out: nothing answers to damage, so an implicit solver loses nothing by it.
    """
    n, p = cells.shape[1], ports.shape[0]
    work, port, now = working_arrays(n, p)
    solve_bank(t, y, cells, curves_of, curves, hybrid, ports, work, port, now)
    by_emf = _current_by_emf(t, now, ports, port)
    size = ar.N_STATES * n + devices.shape[0]
    out = np.zeros((size, size))
    for d in range(devices.shape[0]):
        if abs(device_current(d, flows, work, port)) <= devices[d, ar.MIN_TRIP_MULTIPLE] * devices[d, ar.RATING_A]:
            out[ar.N_STATES * n + d, ar.N_STATES * n + d] = -1.0 / devices[d, ar.THERMAL_TIME_CONSTANT_S]
    for k in range(n):
        z, h, v1, v2, temperature = y[k], y[n + k], y[2 * n + k], y[3 * n + k], y[4 * n + k]
        current = work[ar.PACK_CURRENT, k]
        sign = 1.0 if current > 0.0 else -1.0 if current < 0.0 else 0.0
        ns, gamma = cells[ar.N_SERIES, k], cells[ar.GAMMA, k]
        half, dhalf, d2half = curve_value(curves, curves_of[ar.HALF_WIDTH_CURVE, k], z)
        s, ds, _ = curve_value(curves, curves_of[ar.ENTROPY_CURVE, k], z)
        g, dg, d2g = curve_value(curves, curves_of[ar.RC_FACTOR_CURVE, k], z)
        warmth = rc_warmth(k, temperature, cells)
        warmth_by_t = -warmth * cells[ar.ARRHENIUS_RC_K, k] / (temperature * temperature)
        # How this pack's rates answer to its own current ...
        to_z = -1.0 / cells[ar.CAPACITY_AS, k]
        to_h = gamma * (1.0 + sign * h) * to_z
        to_v1, to_v2 = cells[ar.R1, k] * g / cells[ar.TAU1, k], cells[ar.R2, k] * g / cells[ar.TAU2, k]
        to_t = 0.0
        hot = cells[ar.HEAT_CAPACITY, k] > 0.0
        if hot:
            to_t = 2.0 * current * work[ar.R_OHMIC, k] - temperature * ns * s
            to_t += ns * h * h * (half * sign + 0.5 * dhalf / gamma)
            for v, ohm, tau in ((v1, cells[ar.R1, k], cells[ar.TAU1, k]), (v2, cells[ar.R2, k], cells[ar.TAU2, k])):
                if ohm > 0.0:
                    to_t -= 0.5 * v * v * tau * dg / (ohm * g * g * cells[ar.CAPACITY_AS, k])
            to_t /= cells[ar.HEAT_CAPACITY, k]
        for m in range(n):
            for block in range(ar.N_STATES):
                if block == 0:
                    slope = work[ar.EMF_BY_SOC, m] - work[ar.PACK_CURRENT, m] * work[ar.R_BY_SOC, m]
                elif block == 1:
                    slope = work[ar.EMF_BY_HYSTERESIS, m]
                elif block == 4:
                    slope = work[ar.EMF_BY_T, m] - work[ar.PACK_CURRENT, m] * work[ar.R_BY_T, m]
                else:
                    slope = -1.0
                by_state = by_emf[k, m] * slope
                column = block * n + m
                out[k, column] = to_z * by_state
                out[n + k, column] = to_h * by_state
                out[2 * n + k, column] = to_v1 * by_state
                out[3 * n + k, column] = to_v2 * by_state
                out[4 * n + k, column] = to_t * by_state
        # ... and to its own state at given current.
        out[n + k, n + k] -= gamma * abs(current / cells[ar.CAPACITY_AS, k])
        for block, v, ohm, tau in ((2, v1, cells[ar.R1, k], cells[ar.TAU1, k]), (3, v2, cells[ar.R2, k], cells[ar.TAU2, k])):
            row = block * n + k
            out[row, row] -= 1.0 / (warmth * tau)
            out[row, k] += ohm * dg * current / tau
            if hot:
                out[row, 4 * n + k] += v * warmth_by_t / (warmth * warmth * tau)
        if hot:
            capacity = cells[ar.HEAT_CAPACITY, k]
            by_z = current * current * work[ar.R_BY_SOC, k] - current * temperature * ns * ds
            by_z += ns * h * h * (dhalf * abs(current) + 0.5 * d2half * current / gamma)
            by_t = current * current * work[ar.R_BY_T, k] - current * ns * s - cells[ar.HEAT_LOSS, k]
            for block, v, ohm, tau in ((2, v1, cells[ar.R1, k], cells[ar.TAU1, k]), (3, v2, cells[ar.R2, k], cells[ar.TAU2, k])):
                if ohm > 0.0:
                    follow = 0.5 * tau * current / cells[ar.CAPACITY_AS, k]
                    by_z -= v * v / ohm * (dg / (g * g * warmth) + follow * (d2g / (g * g) - 2.0 * dg * dg / (g * g * g)))
                    by_t -= v * v * warmth_by_t / (ohm * g * warmth * warmth)
                    out[4 * n + k, block * n + k] += 2.0 * v / (ohm * g) * (1.0 / warmth - follow * dg / g) / capacity
            out[4 * n + k, k] += by_z / capacity
            out[4 * n + k, n + k] += ns * h * (2.0 * half * abs(current) + dhalf * current / gamma) / capacity
            for m in range(neighbours.shape[0]):
                by_t -= neighbours[m, k]
                out[4 * n + k, 4 * n + m] += neighbours[m, k] / capacity
            out[4 * n + k, 4 * n + k] += by_t / capacity
    return out


@jit_allocating
def _current_by_emf(t, now, ports, port):
    """How each pack's current answers to each pack's electromotive force, ports as they are, shape (n, n) [A/V]."""
    p = ports.shape[0]
    n = now.shape[1] - p
    out = now[:n].copy()
    held = False
    for a in range(p):
        mode = ports[a, ar.MODE]
        held = held or (
            ports[a, ar.LIVE] > 0.0 and (mode == ar.MODE_VOLTAGE or mode == ar.MODE_POWER or mode == ar.MODE_RESISTANCE)
        )
    if held:  # a port that holds voltage or power answers a change of electromotive force by a change of current
        slopes = np.zeros((p, p))
        drive = np.zeros((p, n))
        for a in range(p):
            slopes[a, a] = 1.0
            if ports[a, ar.LIVE] > 0.0 and (ports[a, ar.MODE] == ar.MODE_VOLTAGE or ports[a, ar.MODE] == ar.MODE_RESISTANCE):
                for b in range(p):
                    slopes[a, b] = -now[n + a, n + b]
                if ports[a, ar.MODE] == ar.MODE_RESISTANCE:
                    slopes[a, a] += commanded(t, ports, a)
                for k in range(n):
                    drive[a, k] = now[n + a, k]
            elif ports[a, ar.LIVE] > 0.0 and ports[a, ar.MODE] == ar.MODE_POWER:
                for b in range(p):
                    slopes[a, b] = port[ar.PORT_CURRENT, a] * now[n + a, n + b]
                slopes[a, a] += port[ar.PORT_VOLTAGE, a]
                for k in range(n):
                    drive[a, k] = -port[ar.PORT_CURRENT, a] * now[n + a, k]
        solve_in_place(slopes, drive)
        for k in range(n):
            for m in range(n):
                for a in range(p):
                    out[k, m] += out[k, n + a] * drive[a, m]
    return out


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

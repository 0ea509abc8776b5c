"""The physics, written once: every integrator, event and report calls these compiled functions.

Per pack (state of charge z, hysteresis h, relaxation voltages v1 and v2, all seen at the pack; Ns cells in series)::

    e      = Ns (U(z) + H(z) h) − v1 − v2             electromotive force behind the ohmic resistance
    dz/dt  = −I / Q                                   charge balance
    dh/dt  = γ (dz/dt − |dz/dt| h)                    one-state hysteresis, Plett, J. Power Sources 134 (2004) 262
    dv/dt  = (R I − v) / τ                            each relaxation pair

Bank: ``[I; V] = hybrid · [e; J]`` (see :mod:`simbank.network`); each port fixes its current, its voltage or its power.
Current is positive out of a pack and out of the bank (discharge).

State vector: ``[z(n), h(n), v1(n), v2(n)]``. Parameters travel as a few arrays, whose rows are named below, because a compiled
function is called from Python many thousand times and each argument costs time.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from simbank.cells.curves import curve_value

# Rows of ``cells``, shape (N_CELL_ROWS, n), all seen at the pack unless "per cell".
Q, NS, R0, R_CELL, R1, R2, TAU1, TAU2, GAMMA, VOLT_MAX, VOLT_MIN = range(11)
N_CELL_ROWS = 11
# Rows of ``curves_of``, shape (2, n): which stacked curve is a pack's.
OCV, HALF_WIDTH = range(2)
N_STATES = 4  # per pack

# Columns of ``ports``, shape (p, N_PORT_COLUMNS). MODE says what the port imposes now; KIND what its command is (a current or
# a power), which is SET + SLOPE (t − SINCE); in mode VOLTAGE it imposes VOLT_LIMIT.
MODE, KIND, SET, SLOPE, SINCE, VOLT_LIMIT, TAIL, CUTOFF, LIVE = range(9)
N_PORT_COLUMNS = 9
OFF, CURRENT, VOLTAGE, POWER = 0.0, 1.0, 2.0, 3.0

# Rows of the accumulators, shape (N_ACC, n): time integrals, SI.
ACC_OUT, ACC_IN, ACC_DISCHARGE, ACC_CHARGE, ACC_OHMIC, ACC_RELAX, ACC_HYSTERESIS, ACC_PEAK_OUT, ACC_PEAK_IN = range(9)
N_ACC = 9
# Rows of the port accumulators, shape (N_PORT_ACC, p).
PORT_OUT_J, PORT_IN_J, PORT_OUT_AS, PORT_IN_AS, PORT_MIN_V, PORT_MAX_V = range(6)
N_PORT_ACC = 6


@njit(cache=True)
def emf(y, cells, curves_of, curves, e, slope_z, slope_h):
    """Electromotive force of every pack [V] into ``e``, with its slopes by z and by h."""
    n = e.size
    for k in range(n):
        z, h = y[k], y[n + k]
        u, du = curve_value(curves, curves_of[OCV, k], z)
        half, dhalf = curve_value(curves, curves_of[HALF_WIDTH, k], z)
        ns = cells[NS, k]
        e[k] = ns * (u + half * h) - y[2 * n + k] - y[3 * n + k]
        slope_z[k] = ns * (du + dhalf * h)
        slope_h[k] = ns * half


@njit(cache=True, inline="always")
def commanded(t, ports, a):
    """What the command of port ``a`` asks at ``t`` [A or W]."""
    return ports[a, SET] + ports[a, SLOPE] * (t - ports[a, SINCE])


@njit(cache=True, inline="always")
def imposed(t, ports, a):
    """What port ``a`` imposes at ``t``, by its mode [A, V or W]."""
    return ports[a, VOLT_LIMIT] if ports[a, MODE] == VOLTAGE else commanded(t, ports, a)


@njit(cache=True)
def port_currents(t, e, hybrid, ports, current, volt):
    """Currents [A] and voltages [V] of the ports from the packs' electromotive forces.

    Each port imposes its current, its voltage or its power; for power the root on the high-voltage side is taken, and where
    there is none, the current of greatest power. Several ports at once are solved together by Newton's method.
    """
    p = ports.shape[0]
    n = e.size
    open_volt = np.empty(p)
    for a in range(p):
        w = 0.0
        for k in range(n):
            w += hybrid[n + a, k] * e[k]
        open_volt[a] = w
    hard = 0
    for a in range(p):
        mode = ports[a, MODE]
        wish = imposed(t, ports, a)
        if mode == CURRENT and ports[a, LIVE] > 0.0:
            current[a] = wish
        elif mode == OFF or ports[a, LIVE] == 0.0:
            current[a] = 0.0
        else:
            hard += 1
            current[a] = _single(mode, wish, open_volt[a], -hybrid[n + a, n + a])
    if hard > 0 and p > 1:
        _newton(t, open_volt, hybrid[n:, n:], ports, current)
    for a in range(p):
        v = open_volt[a]
        for b in range(p):
            v += hybrid[n + a, n + b] * current[b]
        volt[a] = v


@njit(cache=True, inline="always")
def _single(mode, wish, open_volt, ohm):
    """Current of one port behind ``ohm`` with the others at rest: Ohm's law, or the quadratic of constant power."""
    if mode == VOLTAGE:
        return (open_volt - wish) / ohm
    inside = open_volt * open_volt - 4.0 * ohm * wish
    if inside <= 0.0:
        return open_volt / (2.0 * ohm)
    return 2.0 * wish / (open_volt + np.sqrt(inside))


@njit(cache=True)
def _solve_in_place(matrix, right):
    """Solve ``matrix · x = right`` for the columns of ``right``, in place, by elimination with row exchange.

    For the handful of ports of a bank; calling LAPACK from compiled code would triple the time to compile this module.
    """
    size = matrix.shape[0]
    for c in range(size):
        pivot = c
        for r in range(c + 1, size):
            if abs(matrix[r, c]) > abs(matrix[pivot, c]):
                pivot = r
        for k in range(size):
            matrix[c, k], matrix[pivot, k] = matrix[pivot, k], matrix[c, k]
        for k in range(right.shape[1]):
            right[c, k], right[pivot, k] = right[pivot, k], right[c, k]
        for r in range(size):
            if r != c:
                factor = matrix[r, c] / matrix[c, c]
                for k in range(c, size):
                    matrix[r, k] -= factor * matrix[c, k]
                for k in range(right.shape[1]):
                    right[r, k] -= factor * right[c, k]
    for c in range(size):
        for k in range(right.shape[1]):
            right[c, k] /= matrix[c, c]


@njit(cache=True)
def _newton(t, open_volt, minus_ohm, ports, current):
    """Several ports at once; ``current`` holds the start and receives the solution."""
    p = ports.shape[0]
    residual = np.empty((p, 1))
    slopes = np.empty((p, p))
    for _ in range(30):
        worst = 0.0
        for a in range(p):
            mode = ports[a, MODE]
            wish = imposed(t, ports, a)
            live = ports[a, LIVE] > 0.0
            v = open_volt[a]
            for b in range(p):
                v += minus_ohm[a, b] * current[b]
            for b in range(p):
                slopes[a, b] = 0.0
            if mode == VOLTAGE and live:
                residual[a, 0] = v - wish
                for b in range(p):
                    slopes[a, b] = minus_ohm[a, b]
            elif mode == POWER and live:
                residual[a, 0] = v * current[a] - wish
                for b in range(p):
                    slopes[a, b] = current[a] * minus_ohm[a, b]
                slopes[a, a] += v
                if v + minus_ohm[a, a] * current[a] <= 0.0:  # past the greatest power: hold there
                    current[a] = v / (-2.0 * minus_ohm[a, a])
                    residual[a, 0] = 0.0
                    for b in range(p):
                        slopes[a, b] = 0.0
                    slopes[a, a] = 1.0
            else:
                residual[a, 0] = 0.0
                slopes[a, a] = 1.0
            worst = max(worst, abs(residual[a, 0]) / (1.0 + abs(wish)))
        if worst < 1e-13:
            return
        _solve_in_place(slopes, residual)
        for a in range(p):
            current[a] -= residual[a, 0]
        if worst < 1e-9:  # one more step after a quadratic method has come this near leaves only round-off
            return


@njit(cache=True)
def solve_bank(t, y, cells, curves_of, curves, hybrid, ports, e, slope_z, slope_h, pack_current, port_current, port_volt):
    """All currents and port voltages at one instant, into the arrays given."""
    n = e.size
    p = ports.shape[0]
    emf(y, cells, curves_of, curves, e, slope_z, slope_h)
    port_currents(t, e, hybrid, ports, port_current, port_volt)
    for k in range(n):
        current = 0.0
        for m in range(n):
            current += hybrid[k, m] * e[m]
        for a in range(p):
            current += hybrid[k, n + a] * port_current[a]
        pack_current[k] = current


@njit(cache=True)
def state_rates(y, pack_current, cells, out):
    """Time derivatives of the state for given pack currents."""
    n = pack_current.size
    for k in range(n):
        current = pack_current[k]
        dz = -current / cells[Q, k]
        out[k] = dz
        out[n + k] = cells[GAMMA, k] * (dz - abs(dz) * y[n + k])
        out[2 * n + k] = (cells[R1, k] * current - y[2 * n + k]) / cells[TAU1, k]
        out[3 * n + k] = (cells[R2, k] * current - y[3 * n + k]) / cells[TAU2, k]


@njit(cache=True)
def rates(t, y, cells, curves_of, curves, hybrid, ports):
    """Right-hand side of the ordinary differential equation, shape (4 n,)."""
    n = cells.shape[1]
    p = ports.shape[0]
    work = np.empty((4, n))
    port = np.empty((2, p))
    solve_bank(t, y, cells, curves_of, curves, hybrid, ports, work[0], work[1], work[2], work[3], port[0], port[1])
    out = np.empty(N_STATES * n)
    state_rates(y, work[3], cells, out)
    return out


@njit(cache=True)
def jacobian(t, y, cells, curves_of, curves, hybrid, ports):
    """Analytic Jacobian of :func:`rates`, shape (4 n, 4 n)."""
    n = cells.shape[1]
    p = ports.shape[0]
    work = np.empty((4, n))
    port = np.empty((2, p))
    solve_bank(t, y, cells, curves_of, curves, hybrid, ports, work[0], work[1], work[2], work[3], port[0], port[1])
    by_emf = np.empty((n, n))
    for k in range(n):
        for m in range(n):
            by_emf[k, m] = hybrid[k, m]
    held = False
    for a in range(p):
        held = held or (ports[a, LIVE] > 0.0 and (ports[a, MODE] == VOLTAGE or ports[a, MODE] == POWER))
    if held:  # a port that holds voltage or power answers a change of electromotive force by a change of current
        slopes = np.zeros((p, p))
        drive = np.zeros((p, n))
        for a in range(p):
            slopes[a, a] = 1.0
            if ports[a, LIVE] > 0.0 and ports[a, MODE] == VOLTAGE:
                for b in range(p):
                    slopes[a, b] = -hybrid[n + a, n + b]
                for k in range(n):
                    drive[a, k] = hybrid[n + a, k]
            elif ports[a, LIVE] > 0.0 and ports[a, MODE] == POWER:
                for b in range(p):
                    slopes[a, b] = port[0, a] * hybrid[n + a, n + b]
                slopes[a, a] += port[1, a]
                for k in range(n):
                    drive[a, k] = -port[0, a] * hybrid[n + a, k]
        _solve_in_place(slopes, drive)
        for k in range(n):
            for m in range(n):
                for a in range(p):
                    by_emf[k, m] += hybrid[k, n + a] * drive[a, m]
    out = np.zeros((N_STATES * n, N_STATES * n))
    for k in range(n):
        current = work[3, k]
        sign = 1.0 if current < 0.0 else -1.0 if current > 0.0 else 0.0  # of dz/dt
        to_z = -1.0 / cells[Q, k]
        to_h = cells[GAMMA, k] * (1.0 - sign * y[n + k]) * to_z
        to_v1, to_v2 = cells[R1, k] / cells[TAU1, k], cells[R2, k] / cells[TAU2, k]
        for m in range(n):
            for block in range(N_STATES):
                slope = work[1, m] if block == 0 else work[2, m] if block == 1 else -1.0
                by_state = by_emf[k, m] * slope
                column = block * n + m
                out[k, column] = to_z * by_state
                out[n + k, column] = to_h * by_state
                out[2 * n + k, column] = to_v1 * by_state
                out[3 * n + k, column] = to_v2 * by_state
        out[n + k, n + k] -= cells[GAMMA, k] * abs(current / cells[Q, k])
        out[2 * n + k, 2 * n + k] -= 1.0 / cells[TAU1, k]
        out[3 * n + k, 3 * n + k] -= 1.0 / cells[TAU2, k]
    return out


@njit(cache=True)
def accumulate(times, weights, states, cells, curves_of, curves, hybrid, ports, acc, port_acc, moment):
    """Add to the time integrals, by quadrature.

    Parameters
    ----------
    times, weights : ndarray, shape (m,)
        Nodes and weights [s].
    states : ndarray, shape (m, 4 n)
    acc, port_acc : ndarray
        See ``ACC_*`` and ``PORT_*``.
    moment : ndarray, shape (n + p, n + p)
        ∫ x x' dt with x = [I; J]; the loss of any branch is its resistance times a quadratic form in it.

    Notes
    -----
    Heat of hysteresis: the work −Ns H h I against the gap is partly stored. With the one-state model,
    Ns Q H h dz/dt = d/dt (Ns Q H h² / 2γ) + Ns Q (H |dz/dt| h² − H' dz/dt h² / 2γ); the last bracket is what is lost.
    """
    n = cells.shape[1]
    p = ports.shape[0]
    work = np.empty((4, n))
    port = np.empty((2, p))
    x = np.empty(n + p)
    for i in range(times.size):
        y, w = states[i], weights[i]
        solve_bank(times[i], y, cells, curves_of, curves, hybrid, ports, work[0], work[1], work[2], work[3], port[0], port[1])
        total = 0.0
        for a in range(p):
            current, volt = port[0, a], port[1, a]
            total += current
            x[n + a] = current
            if current > 0.0:
                port_acc[PORT_OUT_J, a] += w * current * volt
                port_acc[PORT_OUT_AS, a] += w * current
            else:
                port_acc[PORT_IN_J, a] -= w * current * volt
                port_acc[PORT_IN_AS, a] -= w * current
            if ports[a, LIVE] > 0.0:
                port_acc[PORT_MIN_V, a] = min(port_acc[PORT_MIN_V, a], volt)
                port_acc[PORT_MAX_V, a] = max(port_acc[PORT_MAX_V, a], volt)
        for k in range(n):
            current = work[3, k]
            x[k] = current
            if current > 0.0:
                acc[ACC_OUT, k] += w * current
                acc[ACC_PEAK_OUT, k] = max(acc[ACC_PEAK_OUT, k], current)
            else:
                acc[ACC_IN, k] -= w * current
                acc[ACC_PEAK_IN, k] = max(acc[ACC_PEAK_IN, k], -current)
            if total > 0.0:
                acc[ACC_DISCHARGE, k] += w * current
            elif total < 0.0:
                acc[ACC_CHARGE, k] -= w * current
            acc[ACC_OHMIC, k] += w * cells[R0, k] * current * current
            relax = 0.0
            if cells[R1, k] > 0.0:
                relax += y[2 * n + k] * y[2 * n + k] / cells[R1, k]
            if cells[R2, k] > 0.0:
                relax += y[3 * n + k] * y[3 * n + k] / cells[R2, k]
            acc[ACC_RELAX, k] += w * relax
            half, dhalf = curve_value(curves, curves_of[HALF_WIDTH, k], y[k])
            dz = -current / cells[Q, k]
            h2 = y[n + k] * y[n + k]
            lost = half * abs(dz) * h2 - 0.5 * dhalf * dz * h2 / cells[GAMMA, k]
            acc[ACC_HYSTERESIS, k] += w * cells[NS, k] * cells[Q, k] * lost
        for a in range(n + p):
            for b in range(n + p):
                moment[a, b] += w * x[a] * x[b]


@njit(cache=True)
def observe(times, states, cells, curves_of, curves, hybrid, terminal, ports, out_pack, out_port):
    """What is reported at given instants.

    ``out_pack`` has shape (2, m, n): current [A] and terminal voltage [V]; ``out_port`` (2, m, p): current and voltage.
    """
    n = cells.shape[1]
    p = ports.shape[0]
    work = np.empty((4, n))
    port = np.empty((2, p))
    for i in range(times.size):
        solve_bank(
            times[i], states[i], cells, curves_of, curves, hybrid, ports, work[0], work[1], work[2], work[3], port[0], port[1]
        )
        for k in range(n):
            out_pack[0, i, k] = work[3, k]
            out_pack[1, i, k] = terminal_voltage(k, work[0], port[0], terminal)
        for a in range(p):
            out_port[0, i, a] = port[0, a]
            out_port[1, i, a] = port[1, a]


@njit(cache=True, inline="always")
def terminal_voltage(k, e, port_current, terminal):
    """Voltage the network puts across the terminals of pack ``k`` [V]."""
    n = e.size
    v = 0.0
    for m in range(n):
        v += terminal[k, m] * e[m]
    for a in range(port_current.size):
        v += terminal[k, n + a] * port_current[a]
    return v


def stored_energy_j(y, packs_cells, ocv, half_width):
    """Energy each pack holds above empty [J], shape (n,): charge at the mid curve, relaxation pairs, hysteresis.

    Ns Q ∫U dz + ½ τ v²/R for each pair + Ns Q H h² / 2γ.
    """
    n = packs_cells.shape[1]
    z, h, v1, v2 = np.reshape(y, (N_STATES, n))
    c = packs_cells
    charge = c[NS] * c[Q] * np.array([curve.integral(zk) for curve, zk in zip(ocv, z, strict=True)])
    gap = c[NS] * c[Q] * np.array([curve(zk) for curve, zk in zip(half_width, z, strict=True)]) * h**2 / (2 * c[GAMMA])
    with np.errstate(divide="ignore", invalid="ignore"):
        relax = sum(np.where(c[r] > 0, 0.5 * c[tau] * v**2 / c[r], 0.0) for r, tau, v in ((R1, TAU1, v1), (R2, TAU2, v2)))
    return charge + relax + gap

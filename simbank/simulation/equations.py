"""The physics, written once: every integrator, event and report calls these compiled functions.

Per pack (state of charge z, hysteresis h, relaxation voltages v1 and v2, temperature T; Ns cells in series, seen at the pack)::

    e      = Ns (U(z) + (T − T0) s(z) + H(z) h) − v1 − v2     electromotive force behind the ohmic resistance; s = dU/dT
    r      = R0 f(z) a(T) + R_wiring                          ohmic resistance, a(T) = exp(E/R (1/T − 1/T0)), Arrhenius
    dz/dt  = −I / Q                                           charge balance
    dh/dt  = γ (dz/dt − |dz/dt| h)                            one-state hysteresis, Plett, J. Power Sources 134 (2004) 262
    dv/dt  = (R g(z) a'(T) I − v) / (τ a'(T))                 each relaxation pair, resistance R g a', time constant τ a'
    dT/dt  = (heat − K (T − Ta) − Σ G (T − Tn)) / C           lumped heat balance
    heat   = I² r + relaxation + hysteresis − I T Ns s        Bernardi et al., J. Electrochem. Soc. 132 (1985) 5

Bank: ``[I; V] = hybrid · [e − (r − r_ref) I; J]`` (see :mod:`simbank.network`, reduced at ``r_ref``); each port fixes its
current, its voltage or its power. Current is positive out of a pack and out of the bank (discharge).

A device in line (fuse, breaker) carries a damage D, which is 1 when it opens: dD/dt = 1/t(i) at i times its rating, t from its
inverse-time curve, and −D/τ below the curve, so that it remembers.

State vector: ``[z(n), h(n), v1(n), v2(n), T(n), D(d)]``. Parameters travel as a few arrays, whose rows are named below, because a
compiled function is called from Python many thousand times and each argument costs time.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from simbank.cells.curves import curve_value

# Rows of ``cells``, shape (N_CELL_ROWS, n), all seen at the pack unless "per cell".
(
    Q, NS, R_CELL, R_WIRING, R_REF, R1, R2, TAU1, TAU2, GAMMA, VOLT_MAX, VOLT_MIN, HEAT_CAPACITY, HEAT_LOSS, AMBIENT, T_REF,
    ARRHENIUS, ARRHENIUS_RC,
) = range(18)  # fmt: skip
N_CELL_ROWS = 18
# Rows of ``curves_of``, shape (N_CURVES, n): which stacked curve is a pack's. HIGHEST and LOWEST are the open-circuit voltage of
# the pack's fullest and emptiest cell over the pack's state of charge; COLD is the largest charge rate [1/h] over temperature.
OCV, HALF_WIDTH, ENTROPY, R_FACTOR, RC_FACTOR, HIGHEST, LOWEST, COLD = range(8)
N_CURVES = 8
N_STATES = 5  # per pack
KELVIN = 273.15

# Columns of ``ports``, shape (p, N_PORT_COLUMNS). MODE says what the port imposes now; KIND what its command is (a current, a
# power or a resistance), which is SET + SLOPE (t − SINCE); in mode VOLTAGE it imposes VOLT_LIMIT, in mode LIMIT −CURRENT_MAX.
# AC is the alternating-current power that goes with one watt at the port, AC_ASKED what is asked there [W].
MODE, KIND, SET, SLOPE, SINCE, VOLT_LIMIT, TAIL, CUTOFF, LIVE, CURRENT_MAX, RECOVERY, REBULK, AC, AC_ASKED = range(14)
N_PORT_COLUMNS = 14
OFF, CURRENT, VOLTAGE, POWER, RESISTANCE, LIMIT = 0.0, 1.0, 2.0, 3.0, 4.0, 5.0

# Columns of ``devices``, shape (d, N_DEVICE_COLUMNS): rating [A], curve (log of time [s] over log of multiple), least multiple
# at which it opens at all, time constant of cooling [s], instantaneous multiple, its delay [s].
RATING, TRIP_CURVE, LEAST, COOLING, INSTANT, INSTANT_DELAY = range(6)
N_DEVICE_COLUMNS = 6

# Rows of the accumulators, shape (N_ACC, n): time integrals, SI.
(
    ACC_OUT, ACC_IN, ACC_DISCHARGE, ACC_CHARGE, ACC_OHMIC, ACC_RELAX, ACC_HYSTERESIS, ACC_REVERSIBLE, ACC_TO_AMBIENT,
    ACC_COLD_S, ACC_PEAK_OUT, ACC_PEAK_IN, ACC_T_MIN, ACC_T_MAX,
) = range(14)  # fmt: skip
N_ACC = 14
# Rows of the port accumulators, shape (N_PORT_ACC, p).
(
    PORT_OUT_J, PORT_IN_J, PORT_OUT_AS, PORT_IN_AS, PORT_MIN_V, PORT_MAX_V, PORT_ASKED_OUT_J, PORT_ASKED_IN_J, PORT_AC_ASKED_J,
    PORT_AC_SERVED_J, PORT_CONDUCTS_S,
) = range(11)  # fmt: skip
N_PORT_ACC = 11

# Rows of the working array of one solution of the bank, shape (N_WORK, n).
E, E_LINEAR, I_PACK, R_NOW, E_BY_Z, E_BY_H, E_BY_T, R_BY_Z, R_BY_T = range(9)
N_WORK = 9


@njit(cache=True)
def cell_state(y, cells, curves_of, curves, work):
    """Electromotive force and ohmic resistance of every pack with their slopes, into rows of ``work``."""
    n = cells.shape[1]
    for k in range(n):
        z, h, temperature = y[k], y[n + k], y[4 * n + k]
        u, du, _ = curve_value(curves, curves_of[OCV, k], z)
        half, dhalf, _ = curve_value(curves, curves_of[HALF_WIDTH, k], z)
        s, ds, _ = curve_value(curves, curves_of[ENTROPY, k], z)
        f, df, _ = curve_value(curves, curves_of[R_FACTOR, k], z)
        ns, warmer = cells[NS, k], temperature - cells[T_REF, k]
        a = np.exp(cells[ARRHENIUS, k] * (1.0 / temperature - 1.0 / cells[T_REF, k]))
        work[E, k] = ns * (u + warmer * s + half * h) - y[2 * n + k] - y[3 * n + k]
        work[E_BY_Z, k] = ns * (du + warmer * ds + dhalf * h)
        work[E_BY_H, k] = ns * half
        work[E_BY_T, k] = ns * s
        work[R_NOW, k] = cells[R_CELL, k] * f * a + cells[R_WIRING, k]
        work[R_BY_Z, k] = cells[R_CELL, k] * df * a
        work[R_BY_T, k] = -cells[R_CELL, k] * f * a * cells[ARRHENIUS, k] / (temperature * temperature)


@njit(cache=True)
def rc_warmth(k, temperature, cells):
    """Arrhenius factor a' of the relaxation pairs of pack ``k``."""
    return np.exp(cells[ARRHENIUS_RC, k] * (1.0 / temperature - 1.0 / cells[T_REF, k]))


@njit(cache=True)
def relaxation_heat(v, ohm, tau, g, dg, warmth, current, capacity):
    """Power lost in one relaxation pair [W]: v²/(R g a') − ½ v² dC/dt, with C = τ/(R g) following the state of charge.

    The pair takes up v I = v²/(R g a') + d/dt (½ C v²) − ½ v² dC/dt; what is not stored is lost.
    """
    if ohm <= 0.0:
        return 0.0
    return v * v / (ohm * g) * (1.0 / warmth - 0.5 * tau * dg * current / (g * capacity))


@njit(cache=True)
def commanded(t, ports, a):
    """What the command of port ``a`` asks at ``t`` [A or W]."""
    return ports[a, SET] + ports[a, SLOPE] * (t - ports[a, SINCE])


@njit(cache=True)
def imposed(t, ports, a):
    """What port ``a`` imposes at ``t``, by its mode [A, V, W or ohm]."""
    if ports[a, MODE] == VOLTAGE:
        return ports[a, VOLT_LIMIT]
    if ports[a, MODE] == LIMIT:
        return -ports[a, CURRENT_MAX]
    return commanded(t, ports, a)


@njit(cache=True)
def port_currents(t, open_volt, minus_ohm, ports, port):
    """Currents [A] and voltages [V] of the ports, rows 0 and 1 of ``port``, from what the bank shows them.

    The bank shows ``V = open_volt + minus_ohm · J``. Each port imposes its current, its voltage or its power; for power the
    root on the high-voltage side is taken, and where there is none, the current of greatest power. Several ports at once are
    solved together.
    """
    p = ports.shape[0]
    hard = 0
    for a in range(p):
        mode = ports[a, MODE]
        wish = imposed(t, ports, a)
        if (mode == CURRENT or mode == LIMIT) and ports[a, LIVE] > 0.0:
            port[0, a] = wish
        elif mode == OFF or ports[a, LIVE] == 0.0:
            port[0, a] = 0.0
        else:
            hard += 1
            port[0, a] = _single(mode, wish, open_volt[a], -minus_ohm[a, a])
    if hard > 0 and p > 1:
        _together(t, open_volt, minus_ohm, ports, port)
    for a in range(p):
        v = open_volt[a]
        for b in range(p):
            v += minus_ohm[a, b] * port[0, b]
        port[1, a] = v


@njit(cache=True)
def _single(mode, wish, open_volt, ohm):
    """Current of one port behind ``ohm`` with the others at rest: Ohm's law, or the quadratic of constant power."""
    if mode == VOLTAGE:
        return (open_volt - wish) / ohm
    if mode == RESISTANCE:
        return open_volt / (wish + ohm)
    if wish == 0.0 or (wish > 0.0 and open_volt <= 0.0):
        return 0.0
    inside = open_volt * open_volt - 4.0 * ohm * wish
    if inside <= 0.0:
        return open_volt / (2.0 * ohm)
    return 2.0 * wish / (open_volt + np.sqrt(inside))


@njit(cache=True)
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


@njit(cache=True)
def _together(t, open_volt, minus_ohm, ports, port):
    """Several ports at once; row 0 of ``port`` receives the solution.

    Each port in turn is solved for the others' currents (Gauss-Seidel), which stays bounded where a power is beyond the bank;
    where none is, Newton's method then brings the sum to round-off.
    """
    p = ports.shape[0]
    possible = True
    for _ in range(100):
        moved = 0.0
        possible = True
        for a in range(p):
            mode = ports[a, MODE]
            if ports[a, LIVE] == 0.0 or mode == OFF or mode == CURRENT or mode == LIMIT:
                continue
            wish = imposed(t, ports, a)
            volt = open_volt[a]
            for b in range(p):
                if b != a:
                    volt += minus_ohm[a, b] * port[0, b]
            if mode == POWER and volt * volt + 4.0 * minus_ohm[a, a] * wish <= 0.0:
                possible = False
            new = _single(mode, wish, volt, -minus_ohm[a, a])
            moved = max(moved, abs(new - port[0, a]) / (1.0 + abs(new)))
            port[0, a] = new
        if moved < 1e-12 or (possible and moved < 1e-6):
            break
    if not possible:
        return
    residual = np.empty((p, 1))
    slopes = np.empty((p, p))
    for _ in range(4):
        worst = 0.0
        for a in range(p):
            mode = ports[a, MODE]
            wish = imposed(t, ports, a)
            live = ports[a, LIVE] > 0.0
            v = open_volt[a]
            for b in range(p):
                v += minus_ohm[a, b] * port[0, b]
                slopes[a, b] = 0.0
            if live and (mode == VOLTAGE or mode == RESISTANCE):
                residual[a, 0] = v - wish if mode == VOLTAGE else v - wish * port[0, a]
                for b in range(p):
                    slopes[a, b] = minus_ohm[a, b]
                if mode == RESISTANCE:
                    slopes[a, a] -= wish
            elif live and mode == POWER:
                residual[a, 0] = v * port[0, a] - wish
                for b in range(p):
                    slopes[a, b] = port[0, a] * minus_ohm[a, b]
                slopes[a, a] += v
            else:
                residual[a, 0] = 0.0
                slopes[a, a] = 1.0
            worst = max(worst, abs(residual[a, 0]) / (1.0 + abs(wish)))
        if worst < 1e-13:
            return
        solve_in_place(slopes, residual)
        for a in range(p):
            port[0, a] -= residual[a, 0]
        if worst < 1e-9:  # one more step after a quadratic method has come this near leaves only round-off
            return


@njit(cache=True)
def _with_resistance(hybrid, cells, work):
    """1 + Y (r − r_ref), which turns currents at the reference resistances into those at the present ones, shape (n, n)."""
    n = cells.shape[1]
    matrix = np.empty((n, n))
    for k in range(n):
        for m in range(n):
            matrix[k, m] = hybrid[k, m] * (work[R_NOW, m] - cells[R_REF, m])
        matrix[k, k] += 1.0
    return matrix


@njit(cache=True)
def solve_bank(t, y, cells, curves_of, curves, hybrid, ports, work, port):
    """All currents and voltages at one instant.

    Fills ``work`` (see its rows above; ``E_LINEAR`` is what the reduced network takes for the packs' electromotive force) and
    ``port`` (rows: current, voltage).
    """
    n = cells.shape[1]
    p = ports.shape[0]
    cell_state(y, cells, curves_of, curves, work)
    # Columns of ``part``: pack currents with the ports at rest, and per ampere out of each port.
    part = np.empty((n, 1 + p))
    same = True
    for k in range(n):
        value = 0.0
        for m in range(n):
            value += hybrid[k, m] * work[E, m]
        part[k, 0] = value
        for a in range(p):
            part[k, 1 + a] = hybrid[k, n + a]
        same = same and abs(work[R_NOW, k] - cells[R_REF, k]) < 1e-12 * cells[R_REF, k]
    if not same:
        solve_in_place(_with_resistance(hybrid, cells, work), part)
    open_volt = np.empty(p)
    minus_ohm = np.empty((p, p))
    for a in range(p):
        value = 0.0
        for k in range(n):
            value += hybrid[n + a, k] * (work[E, k] - (work[R_NOW, k] - cells[R_REF, k]) * part[k, 0])
        open_volt[a] = value
        for b in range(p):
            value = hybrid[n + a, n + b]
            if not same:
                for k in range(n):
                    value -= hybrid[n + a, k] * (work[R_NOW, k] - cells[R_REF, k]) * part[k, 1 + b]
            minus_ohm[a, b] = value
    port_currents(t, open_volt, minus_ohm, ports, port)
    for k in range(n):
        current = part[k, 0]
        for a in range(p):
            current += part[k, 1 + a] * port[0, a]
        work[I_PACK, k] = current
        work[E_LINEAR, k] = work[E, k] - (work[R_NOW, k] - cells[R_REF, k]) * current
    return open_volt, minus_ohm, same


@njit(cache=True)
def hysteresis_heat(ns, half, dhalf, gamma, current, h):
    """Power lost to hysteresis [W]: Ns (H |I| h² + H' I h² / 2γ).

    The work −Ns H h I against the gap is partly stored. With the one-state model Ns Q H h dz/dt =
    d/dt (Ns Q H h² / 2γ) + Ns Q (H |dz/dt| h² − H' dz/dt h² / 2γ); the last bracket is what is lost.
    """
    return ns * h * h * (half * abs(current) + 0.5 * dhalf * current / gamma)


@njit(cache=True)
def heat_parts(k, y, current, r_now, cells, curves_of, curves):
    """Heat made in pack ``k`` [W]: ohmic, relaxation, hysteresis, reversible (Bernardi)."""
    n = cells.shape[1]
    z, h, v1, v2, temperature = y[k], y[n + k], y[2 * n + k], y[3 * n + k], y[4 * n + k]
    g, dg, _ = curve_value(curves, curves_of[RC_FACTOR, k], z)
    warmth, capacity = rc_warmth(k, temperature, cells), cells[Q, k]
    relax = relaxation_heat(v1, cells[R1, k], cells[TAU1, k], g, dg, warmth, current, capacity)
    relax += relaxation_heat(v2, cells[R2, k], cells[TAU2, k], g, dg, warmth, current, capacity)
    half, dhalf, _ = curve_value(curves, curves_of[HALF_WIDTH, k], z)
    s, _, _ = curve_value(curves, curves_of[ENTROPY, k], z)
    gap = hysteresis_heat(cells[NS, k], half, dhalf, cells[GAMMA, k], current, h)
    return r_now * current * current, relax, gap, -current * temperature * cells[NS, k] * s


@njit(cache=True)
def state_rates(y, pack_current, r_now, cells, curves_of, curves, neighbours, out):
    """Time derivatives of the state for given pack currents."""
    n = pack_current.size
    for k in range(n):
        current = pack_current[k]
        dz = -current / cells[Q, k]
        g, _, _ = curve_value(curves, curves_of[RC_FACTOR, k], y[k])
        warmth = rc_warmth(k, y[4 * n + k], cells)
        out[k] = dz
        out[n + k] = cells[GAMMA, k] * (dz - abs(dz) * y[n + k])
        out[2 * n + k] = (cells[R1, k] * g * current - y[2 * n + k] / warmth) / cells[TAU1, k]
        out[3 * n + k] = (cells[R2, k] * g * current - y[3 * n + k] / warmth) / cells[TAU2, k]
        out[4 * n + k] = 0.0
        if cells[HEAT_CAPACITY, k] > 0.0:
            ohmic, relax, gap, reversible = heat_parts(k, y, current, r_now[k], cells, curves_of, curves)
            heat = ohmic + relax + gap + reversible - cells[HEAT_LOSS, k] * (y[4 * n + k] - cells[AMBIENT, k])
            for m in range(neighbours.shape[0]):
                heat -= neighbours[m, k] * (y[4 * n + k] - y[4 * n + m])
            out[4 * n + k] = heat / cells[HEAT_CAPACITY, k]


@njit(cache=True)
def _row_product(matrix, r, what, work, port):
    """Row ``r`` of a matrix of the reduced network times a row of ``work`` (packs) and the port currents."""
    n = work.shape[1]
    value = 0.0
    for k in range(n):
        value += matrix[r, k] * work[what, k]
    for a in range(port.shape[1]):
        value += matrix[r, n + a] * port[0, a]
    return value


@njit(cache=True)
def device_current(d, flows, work, port):
    """Current through device ``d`` [A]."""
    return _row_product(flows, d, I_PACK, work, port)


@njit(cache=True)
def damage_rate(d, current, damage, devices, curves):
    """dD/dt of device ``d`` [1/s]: 1/t of its inverse-time curve, fading in from its least multiple; cooling below."""
    multiple = abs(current) / devices[d, RATING]
    if multiple <= devices[d, LEAST]:
        return -damage / devices[d, COOLING]
    seconds, _, _ = curve_value(curves, int(devices[d, TRIP_CURVE]), np.log(multiple))
    return np.exp(-seconds)


@njit(cache=True)
def rates(t, y, cells, curves_of, curves, hybrid, ports, neighbours, devices, flows):
    """Right-hand side of the ordinary differential equation, shape (5 n + d,)."""
    n = cells.shape[1]
    work = np.empty((N_WORK, n))
    port = np.empty((2, ports.shape[0]))
    solve_bank(t, y, cells, curves_of, curves, hybrid, ports, work, port)
    out = np.empty(N_STATES * n + devices.shape[0])
    rates_solved(y, work, port, cells, curves_of, curves, neighbours, devices, flows, out)
    return out


@njit(cache=True)
def rates_solved(y, work, port, cells, curves_of, curves, neighbours, devices, flows, out):
    """:func:`rates` for a bank that is solved in ``work`` and ``port``, into ``out``."""
    n = cells.shape[1]
    state_rates(y, work[I_PACK], work[R_NOW], cells, curves_of, curves, neighbours, out)
    for d in range(devices.shape[0]):
        out[N_STATES * n + d] = damage_rate(d, device_current(d, flows, work, port), y[N_STATES * n + d], devices, curves)


@njit(cache=True)
def _current_by_emf(t, hybrid, ports, port, minus_ohm, same, cells, work):
    """How each pack's current answers to each pack's electromotive force, ports as they are, shape (n, n) [A/V]."""
    n = cells.shape[1]
    p = ports.shape[0]
    out = np.empty((n, n + p))
    for k in range(n):
        for m in range(n + p):
            out[k, m] = hybrid[k, m]
    if not same:
        solve_in_place(_with_resistance(hybrid, cells, work), out)
    held = False
    for a in range(p):
        mode = ports[a, MODE]
        held = held or (ports[a, LIVE] > 0.0 and (mode == VOLTAGE or mode == POWER or mode == RESISTANCE))
    if held:  # a port that holds voltage or power answers a change of electromotive force by a change of current
        slopes = np.zeros((p, p))
        drive = np.zeros((p, n))
        for a in range(p):
            slopes[a, a] = 1.0
            # By reciprocity the open-circuit voltage of a port answers to an electromotive force as the pack to the port.
            if ports[a, LIVE] > 0.0 and (ports[a, MODE] == VOLTAGE or ports[a, MODE] == RESISTANCE):
                for b in range(p):
                    slopes[a, b] = -minus_ohm[a, b]
                if ports[a, MODE] == RESISTANCE:
                    slopes[a, a] += commanded(t, ports, a)
                for k in range(n):
                    drive[a, k] = out[k, n + a]
            elif ports[a, LIVE] > 0.0 and ports[a, MODE] == POWER:
                for b in range(p):
                    slopes[a, b] = port[0, a] * minus_ohm[a, b]
                slopes[a, a] += port[1, a]
                for k in range(n):
                    drive[a, k] = -port[0, a] * out[k, n + a]
        solve_in_place(slopes, drive)
        for k in range(n):
            for m in range(n):
                for a in range(p):
                    out[k, m] += out[k, n + a] * drive[a, m]
    return out


@njit(cache=True)
def jacobian(t, y, cells, curves_of, curves, hybrid, ports, neighbours, devices, flows):
    """Analytic Jacobian of :func:`rates`, shape (5 n + d, 5 n + d).

    How damage answers to the packs is left out: nothing answers to damage, so an implicit solver loses nothing by it.
    """
    n = cells.shape[1]
    p = ports.shape[0]
    work = np.empty((N_WORK, n))
    port = np.empty((2, p))
    _, minus_ohm, same = solve_bank(t, y, cells, curves_of, curves, hybrid, ports, work, port)
    by_emf = _current_by_emf(t, hybrid, ports, port, minus_ohm, same, cells, work)
    size = N_STATES * n + devices.shape[0]
    out = np.zeros((size, size))
    for d in range(devices.shape[0]):
        if abs(device_current(d, flows, work, port)) <= devices[d, LEAST] * devices[d, RATING]:
            out[N_STATES * n + d, N_STATES * n + d] = -1.0 / devices[d, COOLING]
    for k in range(n):
        z, h, v1, v2, temperature = y[k], y[n + k], y[2 * n + k], y[3 * n + k], y[4 * n + k]
        current = work[I_PACK, k]
        sign = 1.0 if current > 0.0 else -1.0 if current < 0.0 else 0.0
        ns, gamma = cells[NS, k], cells[GAMMA, k]
        half, dhalf, d2half = curve_value(curves, curves_of[HALF_WIDTH, k], z)
        s, ds, _ = curve_value(curves, curves_of[ENTROPY, k], z)
        g, dg, d2g = curve_value(curves, curves_of[RC_FACTOR, k], z)
        warmth = rc_warmth(k, temperature, cells)
        warmth_by_t = -warmth * cells[ARRHENIUS_RC, k] / (temperature * temperature)
        # How this pack's rates answer to its own current ...
        to_z = -1.0 / cells[Q, k]
        to_h = gamma * (1.0 + sign * h) * to_z
        to_v1, to_v2 = cells[R1, k] * g / cells[TAU1, k], cells[R2, k] * g / cells[TAU2, k]
        to_t = 0.0
        hot = cells[HEAT_CAPACITY, k] > 0.0
        if hot:
            to_t = 2.0 * current * work[R_NOW, k] - temperature * ns * s
            to_t += ns * h * h * (half * sign + 0.5 * dhalf / gamma)
            for v, ohm, tau in ((v1, cells[R1, k], cells[TAU1, k]), (v2, cells[R2, k], cells[TAU2, k])):
                if ohm > 0.0:
                    to_t -= 0.5 * v * v * tau * dg / (ohm * g * g * cells[Q, k])
            to_t /= cells[HEAT_CAPACITY, k]
        for m in range(n):
            for block in range(N_STATES):
                if block == 0:
                    slope = work[E_BY_Z, m] - work[I_PACK, m] * work[R_BY_Z, m]
                elif block == 1:
                    slope = work[E_BY_H, m]
                elif block == 4:
                    slope = work[E_BY_T, m] - work[I_PACK, m] * work[R_BY_T, m]
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
        out[n + k, n + k] -= gamma * abs(current / cells[Q, k])
        for block, v, ohm, tau in ((2, v1, cells[R1, k], cells[TAU1, k]), (3, v2, cells[R2, k], cells[TAU2, k])):
            row = block * n + k
            out[row, row] -= 1.0 / (warmth * tau)
            out[row, k] += ohm * dg * current / tau
            if hot:
                out[row, 4 * n + k] += v * warmth_by_t / (warmth * warmth * tau)
        if hot:
            capacity = cells[HEAT_CAPACITY, k]
            by_z = current * current * work[R_BY_Z, k] - current * temperature * ns * ds
            by_z += ns * h * h * (dhalf * abs(current) + 0.5 * d2half * current / gamma)
            by_t = current * current * work[R_BY_T, k] - current * ns * s - cells[HEAT_LOSS, k]
            for block, v, ohm, tau in ((2, v1, cells[R1, k], cells[TAU1, k]), (3, v2, cells[R2, k], cells[TAU2, k])):
                if ohm > 0.0:
                    follow = 0.5 * tau * current / cells[Q, k]
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


@njit(cache=True)
def gather(t, w, y, work, port, cells, curves_of, curves, ports, acc, port_acc, moment, x):
    """Add one instant, solved in ``work`` and ``port``, to the time integrals with weight ``w`` [s]; ``x`` is scratch."""
    n = cells.shape[1]
    p = ports.shape[0]
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
        # What was asked: by a command in watts, or in amperes at the voltage there is.
        asked = commanded(t, ports, a)
        if ports[a, KIND] == CURRENT:
            asked *= volt
        elif ports[a, KIND] == RESISTANCE:
            asked = volt * volt / asked
        elif ports[a, KIND] == OFF:
            asked = 0.0
        if asked > 0.0:
            port_acc[PORT_ASKED_OUT_J, a] += w * asked
            port_acc[PORT_AC_ASKED_J, a] += w * ports[a, AC_ASKED]
            port_acc[PORT_AC_SERVED_J, a] += w * max(0.0, current * volt) * ports[a, AC]
        else:
            port_acc[PORT_ASKED_IN_J, a] -= w * asked
        if abs(current) > 1e-6:
            port_acc[PORT_CONDUCTS_S, a] += w
        if ports[a, LIVE] > 0.0:
            port_acc[PORT_MIN_V, a] = min(port_acc[PORT_MIN_V, a], volt)
            port_acc[PORT_MAX_V, a] = max(port_acc[PORT_MAX_V, a], volt)
    for k in range(n):
        current, temperature = work[I_PACK, k], y[4 * n + k]
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
        ohmic, relax, gap, reversible = heat_parts(k, y, current, work[R_NOW, k], cells, curves_of, curves)
        acc[ACC_OHMIC, k] += w * ohmic
        acc[ACC_RELAX, k] += w * relax
        acc[ACC_HYSTERESIS, k] += w * gap
        acc[ACC_REVERSIBLE, k] += w * reversible
        if cells[HEAT_CAPACITY, k] > 0.0:
            acc[ACC_TO_AMBIENT, k] += w * cells[HEAT_LOSS, k] * (temperature - cells[AMBIENT, k])
        else:
            acc[ACC_TO_AMBIENT, k] += w * (ohmic + relax + gap + reversible)
        most, _, _ = curve_value(curves, curves_of[COLD, k], temperature - KELVIN)
        if -current * 3600.0 > most * cells[Q, k] * (1.0 + 1e-9):
            acc[ACC_COLD_S, k] += w
        acc[ACC_T_MIN, k] = min(acc[ACC_T_MIN, k], temperature)
        acc[ACC_T_MAX, k] = max(acc[ACC_T_MAX, k], temperature)
    for a in range(n + p):
        for b in range(n + p):
            moment[a, b] += w * x[a] * x[b]


@njit(cache=True)
def accumulate(times, weights, states, cells, curves_of, curves, hybrid, ports, acc, port_acc, moment):
    """Add to the time integrals, by quadrature.

    Parameters
    ----------
    times, weights : ndarray, shape (m,)
        Nodes and weights [s].
    states : ndarray, shape (m, 5 n)
    acc, port_acc : ndarray
        See ``ACC_*`` and ``PORT_*``.
    moment : ndarray, shape (n + p, n + p)
        ∫ x x' dt with x = [I; J]; the loss of any branch is its resistance times a quadratic form in it.
    """
    n = cells.shape[1]
    work = np.empty((N_WORK, n))
    port = np.empty((2, ports.shape[0]))
    x = np.empty(n + ports.shape[0])
    for i in range(times.size):
        solve_bank(times[i], states[i], cells, curves_of, curves, hybrid, ports, work, port)
        gather(times[i], weights[i], states[i], work, port, cells, curves_of, curves, ports, acc, port_acc, moment, x)


@njit(cache=True)
def observe(times, states, cells, curves_of, curves, hybrid, terminal, ports, out_pack, out_port):
    """What is reported at given instants.

    ``out_pack`` has shape (2, m, n): current [A] and terminal voltage [V]; ``out_port`` (2, m, p): current and voltage.
    """
    n = cells.shape[1]
    p = ports.shape[0]
    work = np.empty((N_WORK, n))
    port = np.empty((2, p))
    for i in range(times.size):
        solve_bank(times[i], states[i], cells, curves_of, curves, hybrid, ports, work, port)
        for k in range(n):
            out_pack[0, i, k] = work[I_PACK, k]
            out_pack[1, i, k] = terminal_voltage(k, work, port, terminal)
        for a in range(p):
            out_port[0, i, a] = port[0, a]
            out_port[1, i, a] = port[1, a]


@njit(cache=True)
def terminal_voltage(k, work, port, terminal):
    """Voltage the network puts across the terminals of pack ``k`` [V]."""
    return _row_product(terminal, k, E_LINEAR, work, port)


def stored_energy_j(y, cells, packs_curves):
    """Energy each pack holds [J], shape (n,): chemical, relaxation pairs, hysteresis, heat.

    Ns Q ∫(U − T0 s) dz + ½ τ v²/(R g) for each pair + Ns Q H h² / 2γ + C (T − T0). The first is the enthalpy that goes with
    Bernardi's heat: −I (e_oc − T Ns s) integrates to a function of z alone.

    Parameters
    ----------
    y : ndarray, shape (5 n,)
    cells : ndarray
    packs_curves : list of (Curve, Curve, Curve, Curve)
        OCV, half-width, entropic coefficient and factor of the relaxation pairs of each pack.
    """
    n = cells.shape[1]
    z, h, v1, v2, temperature = np.reshape(y[: N_STATES * n], (N_STATES, n))
    c = cells
    volt_soc, half, g = np.empty(n), np.empty(n), np.empty(n)
    for k, (ocv, width, entropy, factor) in enumerate(packs_curves):
        volt_soc[k] = ocv.integral(z[k]) - c[T_REF, k] * entropy.integral(z[k])
        half[k], g[k] = width(z[k]), factor(z[k])
    relax = sum(
        np.where(c[r] > 0, 0.5 * c[tau] * v**2 / (np.where(c[r] > 0, c[r], 1.0) * g), 0.0)
        for r, tau, v in ((R1, TAU1, v1), (R2, TAU2, v2))
    )
    heat = c[HEAT_CAPACITY] * (temperature - c[T_REF])
    return c[NS] * c[Q] * (volt_soc + half * h**2 / (2 * c[GAMMA])) + relax + heat

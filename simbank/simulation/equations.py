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
compiled function is called from Python many thousand times and each argument costs time. Nothing that is called in every step
allocates memory.
"""

from __future__ import annotations

import numpy as np

from simbank.cells.curves import curve_value
from simbank.jit import jit_allocating, jit_entry, jit_inline, jit_internal

# Rows of ``cells``, shape (N_CELL_ROWS, n), all seen at the pack unless "per cell".
(
    Q, NS, R_CELL, R_WIRING, R_REF, R1, R2, TAU1, TAU2, GAMMA, HEAT_CAPACITY, HEAT_LOSS, AMBIENT, T_REF,
    ARRHENIUS, ARRHENIUS_RC,
) = range(16)  # fmt: skip
N_CELL_ROWS = 16
# Rows of ``curves_of``, shape (N_CURVES, n): which stacked curve is a pack's. HIGHEST and LOWEST are the open-circuit voltage of
# the pack's fullest and emptiest cell over the pack's state of charge; COLD is the largest charge rate [1/h] over temperature.
OCV, HALF_WIDTH, ENTROPY, R_FACTOR, RC_FACTOR, HIGHEST, LOWEST, COLD = range(8)
N_CURVES = 8
N_STATES = 5  # per pack
KELVIN = 273.15
FULL_SOC, EMPTY_SOC = 0.99, 0.01  # from here on a pack counts as full or empty in ``first_full_h`` and ``first_empty_h``

# Columns of ``ports``, shape (p, N_PORT_COLUMNS). MODE says what the port imposes now; KIND what its command is (a current, a
# power or a resistance), which is SET + SLOPE t; in mode VOLTAGE it imposes VOLT_LIMIT, in mode LIMIT −CURRENT_MAX.
# AC is the alternating-current power that goes with one watt at the port, AC_ASKED what is asked there [W]. REBULK is above zero
# while a charger is at float; STOP says which packs' report of being full ends its charge (see events), TAIL_RUNS that the current
# has come below the tail and the time for which it has to stay there runs; CUT_OFF is above zero from an inverter's cut-off until
# the voltage has recovered.
(
    MODE, KIND, SET, SLOPE, VOLT_LIMIT, TAIL, CUTOFF, LIVE, CURRENT_MAX, RECOVERY, REBULK, AC, AC_ASKED, STOP, TAIL_RUNS, CUT_OFF,
) = range(16)  # fmt: skip
N_PORT_COLUMNS = 16
OFF, CURRENT, VOLTAGE, POWER, RESISTANCE, LIMIT = 0.0, 1.0, 2.0, 3.0, 4.0, 5.0

# Columns of ``devices``, shape (d, N_DEVICE_COLUMNS): rating [A], curve (log of time [s] over log of multiple), least multiple
# at which it opens at all, time constant of cooling [s], instantaneous multiple, its delay [s].
RATING, TRIP_CURVE, LEAST, COOLING, INSTANT, INSTANT_DELAY = range(6)
N_DEVICE_COLUMNS = 6

# Rows of the accumulators, shape (N_ACC, n): time integrals, SI. ACC_HEAT_OUT is the heat that has left a pack, to its surroundings
# and to its neighbours; what one gives another cancels in the sum, and what a pack without heat capacity is given goes on to its
# surroundings.
(
    ACC_OUT, ACC_IN, ACC_DISCHARGE, ACC_CHARGE, ACC_OHMIC, ACC_RELAX, ACC_HYSTERESIS, ACC_REVERSIBLE, ACC_HEAT_OUT,
    ACC_COLD_S, ACC_PEAK_OUT, ACC_PEAK_IN, ACC_T_MIN, ACC_T_MAX, ACC_OVER_AS, ACC_OVER_J, ACC_UNDER_AS, ACC_UNDER_J, ACC_CELL_MAX,
    ACC_CELL_MIN, ACC_LAST_SOC, ACC_LAST_V,
) = range(22)  # fmt: skip
N_ACC = 22
# Rows of the port accumulators, shape (N_PORT_ACC, p).
(
    PORT_OUT_J, PORT_IN_J, PORT_OUT_AS, PORT_IN_AS, PORT_MIN_V, PORT_MAX_V, PORT_ASKED_OUT_J, PORT_ASKED_IN_J, PORT_AC_ASKED_J,
    PORT_AC_SERVED_J, PORT_CONDUCTS_S,
) = range(11)  # fmt: skip
N_PORT_ACC = 11

# Rows of the working array of one solution of the bank, shape (N_WORK, n): electromotive force, and what the reduced network takes
# for it; current; ohmic resistance, and by how much it is more than the reference; slopes; the relaxation pairs' factor g, its
# slope and their Arrhenius factor; heat made [W].
(
    E, E_LINEAR, I_PACK, R_NOW, R_MORE, E_BY_Z, E_BY_H, E_BY_T, E_BY_ZT, R_BY_Z, R_BY_T, GAP_BY_Z, G, G_BY_Z, WARMTH, OHMIC, RELAX,
    GAP, REVERSIBLE,
) = range(19)  # fmt: skip
N_WORK = 19
# Rows of the ports' working array, shape (N_PORT_WORK + p, p): current [A], voltage [V], voltage with every port at rest [V], and
# what Newton's method needs.
J, V, V_OPEN, MISS, BEFORE, SLOPES = range(6)
N_PORT_WORK = 5


@jit_allocating
def working_arrays(n, p):
    """What one solution of a bank of ``n`` packs and ``p`` ports is written to: ``work``, ``port``, ``now`` (its last row is scratch)."""
    return np.empty((N_WORK, n)), np.zeros((N_PORT_WORK + p, p)), np.empty((n + p + 1, n + p))


@jit_entry
def cell_state(y, cells, curves_of, curves, work):
    """What every pack is by its state, into rows of ``work``: electromotive force, resistance, relaxation, with slopes."""
    n = cells.shape[1]
    for k in range(n):
        z, h, temperature = y[k], y[n + k], y[4 * n + k]
        u, du, _ = curve_value(curves, curves_of[OCV, k], z)
        half, dhalf, _ = curve_value(curves, curves_of[HALF_WIDTH, k], z)
        s, ds, _ = curve_value(curves, curves_of[ENTROPY, k], z)
        f, df, _ = curve_value(curves, curves_of[R_FACTOR, k], z)
        g, dg, _ = curve_value(curves, curves_of[RC_FACTOR, k], z)
        ns, warmer = cells[NS, k], temperature - cells[T_REF, k]
        inverse = 1.0 / temperature
        ohm = cells[R_CELL, k]
        if cells[ARRHENIUS, k] != 0.0:
            ohm *= np.exp(cells[ARRHENIUS, k] * (inverse - 1.0 / cells[T_REF, k]))
        work[E, k] = ns * (u + warmer * s + half * h) - y[2 * n + k] - y[3 * n + k]
        work[E_BY_Z, k] = ns * (du + warmer * ds + dhalf * h)
        work[E_BY_H, k] = ns * half
        work[E_BY_T, k] = ns * s
        work[E_BY_ZT, k] = ns * ds
        work[GAP_BY_Z, k] = ns * dhalf
        work[R_NOW, k] = ohm * f + cells[R_WIRING, k]
        more = work[R_NOW, k] - cells[R_REF, k]
        work[R_MORE, k] = 0.0 if abs(more) < 1e-12 * cells[R_REF, k] else more
        work[R_BY_Z, k] = ohm * df
        work[R_BY_T, k] = -ohm * f * cells[ARRHENIUS, k] * inverse * inverse
        work[G, k], work[G_BY_Z, k] = g, dg
        work[WARMTH, k] = rc_warmth(k, temperature, cells)


@jit_inline
def rc_warmth(k, temperature, cells):
    """Arrhenius factor a' of the relaxation pairs of pack ``k``."""
    if cells[ARRHENIUS_RC, k] == 0.0:
        return 1.0
    return np.exp(cells[ARRHENIUS_RC, k] * (1.0 / temperature - 1.0 / cells[T_REF, k]))


@jit_inline
def relaxation_heat(v, ohm, tau, g, dg, warmth, current, capacity):
    """Power lost in one relaxation pair [W]: v²/(R g a') − ½ v² dC/dt, with C = τ/(R g) following the state of charge.

    The pair takes up v I = v²/(R g a') + d/dt (½ C v²) − ½ v² dC/dt; what is not stored is lost.
    """
    if ohm <= 0.0:
        return 0.0
    return v * v / (ohm * g) * (1.0 / warmth - 0.5 * tau * dg * current / (g * capacity))


@jit_entry
def commanded(t, ports, a):
    """What the command of port ``a`` asks at ``t`` [A or W]."""
    return ports[a, SET] + ports[a, SLOPE] * t


@jit_inline
def imposed(t, ports, a):
    """What port ``a`` imposes at ``t``, by its mode [A, V, W or ohm]."""
    if ports[a, MODE] == VOLTAGE:
        return ports[a, VOLT_LIMIT]
    if ports[a, MODE] == LIMIT:
        return -ports[a, CURRENT_MAX]
    return commanded(t, ports, a)


@jit_internal
def port_currents(t, now, ports, port):
    """Currents [A] and voltages [V] of the ports into ``port``, from what the bank shows them.

    The bank shows ``V = V_OPEN + now[n:, n:] · J``. Each port imposes its current, its voltage or its power; for power the
    root on the high-voltage side is taken, and where there is none, the current of greatest power. Several ports at once are
    solved together, at first from the currents that ``port`` still holds.
    """
    p = ports.shape[0]
    n = now.shape[1] - p
    hard = 0
    for a in range(p):
        mode = ports[a, MODE]
        if ports[a, LIVE] == 0.0 or mode == OFF:
            port[J, a] = 0.0
        elif mode == CURRENT or mode == LIMIT:
            port[J, a] = imposed(t, ports, a)
        else:
            hard += 1
    if hard > 0 and (p == 1 or not _newton(t, now, ports, port)):
        _each_alone(t, now, ports, port)
        if p > 1:
            _together(t, now, ports, port)
    for a in range(p):
        v = port[V_OPEN, a]
        for b in range(p):
            v += now[n + a, n + b] * port[J, b]
        port[V, a] = v


@jit_internal
def _each_alone(t, now, ports, port):
    """The current of each port that imposes no current, with the others at rest."""
    n = now.shape[1] - ports.shape[0]
    for a in range(ports.shape[0]):
        mode = ports[a, MODE]
        if ports[a, LIVE] > 0.0 and (mode == VOLTAGE or mode == POWER or mode == RESISTANCE):
            port[J, a] = _single(mode, imposed(t, ports, a), port[V_OPEN, a], -now[n + a, n + a])


@jit_inline
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


@jit_internal
def _together(t, now, ports, port):
    """Several ports at once: each in turn is solved for the others' currents (Gauss-Seidel), which stays bounded where a power is
    beyond the bank, and where none is comes near enough for Newton's method."""
    p = ports.shape[0]
    n = now.shape[1] - p
    possible = True
    for _ in range(100):
        moved = 0.0
        possible = True
        for a in range(p):
            mode = ports[a, MODE]
            if ports[a, LIVE] == 0.0 or mode == OFF or mode == CURRENT or mode == LIMIT:
                continue
            wish = imposed(t, ports, a)
            volt = port[V_OPEN, a]
            for b in range(p):
                if b != a:
                    volt += now[n + a, n + b] * port[J, b]
            if mode == POWER and volt * volt + 4.0 * now[n + a, n + a] * wish <= 0.0:
                possible = False
            new = _single(mode, wish, volt, -now[n + a, n + a])
            moved = max(moved, abs(new - port[J, a]) / (1.0 + abs(new)))
            port[J, a] = new
        if moved < 1e-12 or (possible and moved < 1e-4):
            break
    if possible:
        _newton(t, now, ports, port)


@jit_internal
def _newton(t, now, ports, port):
    """The ports' currents from near the solution to round-off, by Newton's method on V − V₀, V J − P or V − R J = 0; whether it
    has come there, every power on the high-voltage side. Where it has not, the currents are as they were."""
    p = ports.shape[0]
    n = now.shape[1] - p
    for a in range(p):
        port[BEFORE, a] = port[J, a]
    for _ in range(6):
        there, close, high = True, True, True
        for a in range(p):
            mode = ports[a, MODE]
            if ports[a, LIVE] == 0.0 or mode == OFF or mode == CURRENT or mode == LIMIT:
                for b in range(p):
                    port[SLOPES + a, b] = 0.0
                port[MISS, a], port[SLOPES + a, a] = 0.0, 1.0
                continue
            wish = imposed(t, ports, a)
            v = port[V_OPEN, a]
            factor = port[J, a] if mode == POWER else 1.0
            for b in range(p):
                v += now[n + a, n + b] * port[J, b]
                port[SLOPES + a, b] = factor * now[n + a, n + b]
            miss = v - wish
            if mode == RESISTANCE:
                miss = v - wish * port[J, a]
                port[SLOPES + a, a] -= wish
            elif mode == POWER:
                miss = v * port[J, a] - wish
                port[SLOPES + a, a] += v
                high = high and port[SLOPES + a, a] > 0.0
            port[MISS, a] = miss
            size = 1.0 + abs(wish)
            there = there and abs(miss) < 1e-13 * size
            close = close and abs(miss) < 1e-8 * size
        if high and there:
            return True
        # elimination without row exchange: what a port's own current does to it outweighs what the others' do
        for c in range(p):
            inverse = 1.0 / port[SLOPES + c, c]
            port[MISS, c] *= inverse
            for k in range(c + 1, p):
                port[SLOPES + c, k] *= inverse
            for r in range(c + 1, p):
                factor = port[SLOPES + r, c]
                port[MISS, r] -= factor * port[MISS, c]
                for k in range(c + 1, p):
                    port[SLOPES + r, k] -= factor * port[SLOPES + c, k]
        for c in range(p - 1, -1, -1):
            for k in range(c + 1, p):
                port[MISS, c] -= port[SLOPES + c, k] * port[MISS, k]
            port[J, c] -= port[MISS, c]
        if high and close:  # after a step from as near as this only round-off is left
            return True
    for a in range(p):
        port[J, a] = port[BEFORE, a]
    return False


@jit_internal
def resist(hybrid, more, now):
    """The reduced network ``hybrid`` with resistances ``more`` [ohm] in series with the packs, into ``now``.

    A resistance r in series with pack k turns the symmetric matrix H into H − H[:,k] H[k,:] r / (1 + r H[k,k]): one pack after the
    other (Sherman & Morrison, Ann. Math. Statist. 21 (1950) 124), on the upper half.
    """
    size, n = now.shape[1], more.size
    for i in range(size):
        for j in range(size):
            now[i, j] = hybrid[i, j]
    changed = False
    for k in range(n):
        if more[k] == 0.0:
            continue
        changed = True
        for i in range(size):
            now[size, i] = now[i, k] if i < k else now[k, i]
        part = more[k] / (1.0 + more[k] * now[k, k])
        for i in range(size):
            factor = part * now[size, i]
            for j in range(i, size):
                now[i, j] -= factor * now[size, j]
    if changed:
        for i in range(size):
            for j in range(i):
                now[i, j] = now[j, i]


@jit_internal
def currents(t, force, now, ports, port, out):
    """Currents of packs, into ``out``, and of ports for electromotive forces ``force`` [V]."""
    n = out.size
    p = ports.shape[0]
    for a in range(p):
        value = 0.0
        for k in range(n):
            value += now[n + a, k] * force[k]
        port[V_OPEN, a] = value
    port_currents(t, now, ports, port)
    for k in range(n):
        value = 0.0
        for m in range(n):
            value += now[k, m] * force[m]
        for a in range(p):
            value += now[k, n + a] * port[J, a]
        out[k] = value


@jit_internal
def flow(t, y, cells, now, ports, work, port):
    """All currents, and the heat they make, for packs that stand in ``work`` and their network in ``now``."""
    currents(t, work[E], now, ports, port, work[I_PACK])
    for k in range(cells.shape[1]):
        work[E_LINEAR, k] = work[E, k] - work[R_MORE, k] * work[I_PACK, k]
    pack_heat(y, cells, work)


@jit_entry
def solve_bank(t, y, cells, curves_of, curves, hybrid, ports, work, port, now):
    """All currents and voltages at one instant.

    Fills ``work`` and ``port`` (see their rows above) and ``now``, the reduced network at the present resistances.
    """
    cell_state(y, cells, curves_of, curves, work)
    resist(hybrid, work[R_MORE], now)
    flow(t, y, cells, now, ports, work, port)


@jit_inline
def hysteresis_heat(half, dhalf, gamma, current, h):
    """Power lost to hysteresis [W]: Ns (H |I| h² + H' I h² / 2γ), with ``half`` = Ns H and ``dhalf`` = Ns H'.

    The work −Ns H h I against the gap is partly stored. With the one-state model Ns Q H h dz/dt =
    d/dt (Ns Q H h² / 2γ) + Ns Q (H |dz/dt| h² − H' dz/dt h² / 2γ); the last bracket is what is lost.
    """
    return h * h * (half * abs(current) + 0.5 * dhalf * current / gamma)


@jit_internal
def pack_heat(y, cells, work):
    """Heat made in every pack [W] into rows of ``work``: ohmic, relaxation, hysteresis, reversible (Bernardi)."""
    n = cells.shape[1]
    for k in range(n):
        current, h = work[I_PACK, k], y[n + k]
        g, dg, warmth, capacity = work[G, k], work[G_BY_Z, k], work[WARMTH, k], cells[Q, k]
        relax = relaxation_heat(y[2 * n + k], cells[R1, k], cells[TAU1, k], g, dg, warmth, current, capacity)
        relax += relaxation_heat(y[3 * n + k], cells[R2, k], cells[TAU2, k], g, dg, warmth, current, capacity)
        work[OHMIC, k] = work[R_NOW, k] * current * current
        work[RELAX, k] = relax
        work[GAP, k] = hysteresis_heat(work[E_BY_H, k], work[GAP_BY_Z, k], cells[GAMMA, k], current, h)
        work[REVERSIBLE, k] = -current * y[4 * n + k] * work[E_BY_T, k]


@jit_inline
def warming(k, here, y, cells, work, neighbours):
    """dT/dt of pack ``k`` [K/s] at temperature ``here``, its neighbours as in ``y``, for the heat in ``work``."""
    if cells[HEAT_CAPACITY, k] <= 0.0:
        return 0.0
    heat = work[OHMIC, k] + work[RELAX, k] + work[GAP, k] + work[REVERSIBLE, k]
    heat -= cells[HEAT_LOSS, k] * (here - cells[AMBIENT, k])
    for m in range(neighbours.shape[0]):
        heat -= neighbours[m, k] * (here - y[4 * neighbours.shape[0] + m])
    return heat / cells[HEAT_CAPACITY, k]


@jit_internal
def state_rates(y, cells, work, neighbours, out):
    """Time derivatives of the packs' state for the currents and the heat in ``work``."""
    n = cells.shape[1]
    for k in range(n):
        current = work[I_PACK, k]
        dz = -current / cells[Q, k]
        out[k] = dz
        out[n + k] = cells[GAMMA, k] * (dz - abs(dz) * y[n + k])
        out[2 * n + k] = (cells[R1, k] * work[G, k] * current - y[2 * n + k] / work[WARMTH, k]) / cells[TAU1, k]
        out[3 * n + k] = (cells[R2, k] * work[G, k] * current - y[3 * n + k] / work[WARMTH, k]) / cells[TAU2, k]
        out[4 * n + k] = warming(k, y[4 * n + k], y, cells, work, neighbours)


@jit_internal
def _row_product(matrix, r, what, work, port):
    """Row ``r`` of a matrix of the reduced network times a row of ``work`` (packs) and the port currents."""
    n = work.shape[1]
    value = 0.0
    for k in range(n):
        value += matrix[r, k] * work[what, k]
    for a in range(port.shape[1]):
        value += matrix[r, n + a] * port[J, a]
    return value


@jit_entry
def device_current(d, flows, work, port):
    """Current through device ``d`` [A]."""
    return _row_product(flows, d, I_PACK, work, port)


@jit_entry
def damage_rate(d, current, damage, devices, curves):
    """dD/dt of device ``d`` [1/s]: 1/t of its inverse-time curve, fading in from its least multiple; cooling below."""
    multiple = abs(current) / devices[d, RATING]
    if multiple <= devices[d, LEAST]:
        return -damage / devices[d, COOLING]
    seconds, _, _ = curve_value(curves, int(devices[d, TRIP_CURVE]), np.log(multiple))
    return np.exp(-seconds)


@jit_allocating
def rates(t, y, cells, curves_of, curves, hybrid, ports, neighbours, devices, flows):
    """Right-hand side of the ordinary differential equation, shape (5 n + d,)."""
    n, p = cells.shape[1], ports.shape[0]
    work, port, now = working_arrays(n, p)
    solve_bank(t, y, cells, curves_of, curves, hybrid, ports, work, port, now)
    out = np.empty(N_STATES * n + devices.shape[0])
    rates_solved(y, work, port, cells, curves, neighbours, devices, flows, out)
    return out


@jit_internal
def rates_solved(y, work, port, cells, curves, neighbours, devices, flows, out):
    """:func:`rates` for a bank that is solved in ``work`` and ``port``, into ``out``."""
    n = cells.shape[1]
    state_rates(y, cells, work, neighbours, out)
    for d in range(devices.shape[0]):
        out[N_STATES * n + d] = damage_rate(d, device_current(d, flows, work, port), y[N_STATES * n + d], devices, curves)


@jit_allocating
def _current_by_emf(t, now, ports, port):
    """How each pack's current answers to each pack's electromotive force, ports as they are, shape (n, n) [A/V]."""
    p = ports.shape[0]
    n = now.shape[1] - p
    out = now[:n].copy()
    held = False
    for a in range(p):
        mode = ports[a, MODE]
        held = held or (ports[a, LIVE] > 0.0 and (mode == VOLTAGE or mode == POWER or mode == RESISTANCE))
    if held:  # a port that holds voltage or power answers a change of electromotive force by a change of current
        slopes = np.zeros((p, p))
        drive = np.zeros((p, n))
        for a in range(p):
            slopes[a, a] = 1.0
            if ports[a, LIVE] > 0.0 and (ports[a, MODE] == VOLTAGE or ports[a, MODE] == RESISTANCE):
                for b in range(p):
                    slopes[a, b] = -now[n + a, n + b]
                if ports[a, MODE] == RESISTANCE:
                    slopes[a, a] += commanded(t, ports, a)
                for k in range(n):
                    drive[a, k] = now[n + a, k]
            elif ports[a, LIVE] > 0.0 and ports[a, MODE] == POWER:
                for b in range(p):
                    slopes[a, b] = port[J, a] * now[n + a, n + b]
                slopes[a, a] += port[V, a]
                for k in range(n):
                    drive[a, k] = -port[J, a] * now[n + a, k]
        solve_in_place(slopes, drive)
        for k in range(n):
            for m in range(n):
                for a in range(p):
                    out[k, m] += out[k, n + a] * drive[a, m]
    return out


@jit_allocating
def jacobian(t, y, cells, curves_of, curves, hybrid, ports, neighbours, devices, flows):
    """Analytic Jacobian of :func:`rates`, shape (5 n + d, 5 n + d).

    How damage answers to the packs is left out: nothing answers to damage, so an implicit solver loses nothing by it.
    """
    n, p = cells.shape[1], ports.shape[0]
    work, port, now = working_arrays(n, p)
    solve_bank(t, y, cells, curves_of, curves, hybrid, ports, work, port, now)
    by_emf = _current_by_emf(t, now, ports, port)
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


@jit_inline
def cell_volts(k, z, work, cells, curves_of, curves):
    """Voltage of the fullest and the emptiest cell of pack ``k`` [V]; equal cells have the same."""
    cell = (work[E, k] - work[I_PACK, k] * (work[R_NOW, k] - cells[R_WIRING, k])) / cells[NS, k]
    if curves_of[HIGHEST, k] == curves_of[OCV, k]:
        return cell, cell
    mean, _, _ = curve_value(curves, curves_of[OCV, k], z)
    fullest, _, _ = curve_value(curves, curves_of[HIGHEST, k], z)
    emptiest, _, _ = curve_value(curves, curves_of[LOWEST, k], z)
    return cell + fullest - mean, cell + emptiest - mean


@jit_internal
def gather_cells(y, work, cells, curves_of, curves, acc):
    """Add one instant, solved in ``work``, to what the cells have seen: highest and lowest cell voltage [V]; what has gone into each
    pack beyond 100 % and out of it beyond 0 % since the instant before [As, J].

    Instants come in order. Charge goes by the state of charge itself, so that none is missed where the instant before lies on the
    other side; energy at the mean of the pack's terminal voltage at both instants.
    """
    for k in range(cells.shape[1]):
        z, last = y[k], acc[ACC_LAST_SOC, k]
        high, low = cell_volts(k, z, work, cells, curves_of, curves)
        acc[ACC_CELL_MAX, k], acc[ACC_CELL_MIN, k] = max(acc[ACC_CELL_MAX, k], high), min(acc[ACC_CELL_MIN, k], low)
        volt = work[E, k] - work[I_PACK, k] * work[R_NOW, k]
        if z > max(last, 1.0):
            over = z - max(last, 1.0)
            acc[ACC_OVER_AS, k] += cells[Q, k] * over
            acc[ACC_OVER_J, k] += cells[Q, k] * over * 0.5 * (volt + acc[ACC_LAST_V, k])
        elif z < min(last, 0.0):
            under = min(last, 0.0) - z
            acc[ACC_UNDER_AS, k] += cells[Q, k] * under
            acc[ACC_UNDER_J, k] += cells[Q, k] * under * 0.5 * (volt + acc[ACC_LAST_V, k])
        acc[ACC_LAST_SOC, k], acc[ACC_LAST_V, k] = z, volt


@jit_internal
def gather(t, w, y, work, port, cells, curves_of, curves, ports, acc, port_acc, moment):
    """Add one instant, solved in ``work`` and ``port``, to the time integrals with weight ``w`` [s]."""
    n = cells.shape[1]
    p = ports.shape[0]
    total = 0.0
    for a in range(p):
        current, volt = port[J, a], port[V, a]
        total += current
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
        if current > 0.0:
            acc[ACC_OUT, k] += w * current
            acc[ACC_PEAK_OUT, k] = max(acc[ACC_PEAK_OUT, k], current)
        else:
            acc[ACC_IN, k] -= w * current
            acc[ACC_PEAK_IN, k] = max(acc[ACC_PEAK_IN, k], -current)
            most, _, _ = curve_value(curves, curves_of[COLD, k], temperature - KELVIN)
            if -current * 3600.0 > most * cells[Q, k] * (1.0 + 1e-9):
                acc[ACC_COLD_S, k] += w
        if total > 0.0:
            acc[ACC_DISCHARGE, k] += w * current
        elif total < 0.0:
            acc[ACC_CHARGE, k] -= w * current
        acc[ACC_OHMIC, k] += w * work[OHMIC, k]
        acc[ACC_RELAX, k] += w * work[RELAX, k]
        acc[ACC_HYSTERESIS, k] += w * work[GAP, k]
        acc[ACC_REVERSIBLE, k] += w * work[REVERSIBLE, k]
        acc[ACC_T_MIN, k] = min(acc[ACC_T_MIN, k], temperature)
        acc[ACC_T_MAX, k] = max(acc[ACC_T_MAX, k], temperature)
        for m in range(n):
            moment[k, m] += w * current * work[I_PACK, m]
        for a in range(p):
            both = w * current * port[J, a]
            moment[k, n + a] += both
            moment[n + a, k] += both
    for a in range(p):
        for b in range(p):
            moment[n + a, n + b] += w * port[J, a] * port[J, b]


@jit_internal
def give_heat(w, y, work, cells, neighbours, acc):
    """Add the heat that leaves every pack at one instant, solved in ``work``, to its time integral with weight ``w`` [s]."""
    n = cells.shape[1]
    for k in range(n):
        if cells[HEAT_CAPACITY, k] > 0.0:
            watt = cells[HEAT_LOSS, k] * (y[4 * n + k] - cells[AMBIENT, k])
            for m in range(neighbours.shape[0]):
                watt += neighbours[m, k] * (y[4 * n + k] - y[4 * n + m])
        else:
            watt = work[OHMIC, k] + work[RELAX, k] + work[GAP, k] + work[REVERSIBLE, k]
        acc[ACC_HEAT_OUT, k] += w * watt


@jit_inline
def _cubic_peak(a, m_0, b, m_1):
    """Greatest value of the cubic from ``a`` to ``b`` whose slopes, times its length, are ``m_0`` and ``m_1``."""
    if not (m_0 > 0.0 > m_1):
        return max(a, b)
    rise = b - a
    curve, tilt = 3.0 * (m_0 + m_1 - 2.0 * rise), 2.0 * (3.0 * rise - 2.0 * m_0 - m_1)
    s = -2.0 * m_0 / (tilt - np.sqrt(tilt * tilt - 4.0 * curve * m_0))
    return max(a, b, a + s * (m_0 + s * (0.5 * tilt + s * curve / 3.0)))


@jit_inline
def _beyond(t_0, v_0, t_1, v_1, t_2, v_2):
    """Value at the middle of three instants or, where it lies above or below both others, at the vertex of the parabola through
    all."""
    if not (v_1 - v_0) * (v_2 - v_1) < 0.0:
        return v_1
    left, right = (v_1 - v_0) / (t_1 - t_0), (v_2 - v_1) / (t_2 - t_1)
    if not np.isfinite(left * right):
        return v_1
    bend = (right - left) / (t_2 - t_0)
    slope = left + bend * (t_1 - t_0)
    return v_1 - slope * slope / (4.0 * bend)


@jit_internal
def reach_states(base, t_0, y_0, work_0, t_1, y_1, work_1, cells, extremes):
    """Extremes of state of charge between two instants of a step, along the cubic through both with their slopes.

    ``extremes`` is the range of each pack's state of charge, shape (2, n); the greatest spread of the bank, shape (1,); when each
    pack was first full and first empty [s], shape (2, n); and what :func:`reach_flows` fills. The spread between the instants is
    that of the packs which are highest and lowest at either.
    """
    soc, spread, first, _, _ = extremes
    n = cells.shape[1]
    h = t_1 - t_0
    high_0, low_0, high_1, low_1 = 0, 0, 0, 0
    for k in range(n):
        a, b = y_0[k], y_1[k]
        soc[0, k], soc[1, k] = min(soc[0, k], a, b), max(soc[1, k], a, b)
        turns = work_0[I_PACK, k] * work_1[I_PACK, k] < 0.0
        full, empty = first[0, k] == np.inf and b >= FULL_SOC, first[1, k] == np.inf and b <= EMPTY_SOC
        if turns or full or empty:
            m_0, m_1 = -h * work_0[I_PACK, k] / cells[Q, k], -h * work_1[I_PACK, k] / cells[Q, k]
            soc[1, k] = max(soc[1, k], _cubic_peak(a, m_0, b, m_1))
            soc[0, k] = min(soc[0, k], -_cubic_peak(-a, -m_0, -b, -m_1))
            if full:
                first[0, k] = base + t_0 + h * _crossing(a, m_0, b, m_1, FULL_SOC)
            if empty:
                first[1, k] = base + t_0 + h * _crossing(-a, -m_0, -b, -m_1, -EMPTY_SOC)
        high_0, low_0 = k if a > y_0[high_0] else high_0, k if a < y_0[low_0] else low_0
        high_1, low_1 = k if b > y_1[high_1] else high_1, k if b < y_1[low_1] else low_1
    for i in range(4):
        high, low = high_0 if i < 2 else high_1, low_0 if i % 2 == 0 else low_1
        if (i > 1 and high_1 == high_0) or (i % 2 == 1 and low_1 == low_0):
            continue  # a pair that has been looked at
        m_0 = h * (work_0[I_PACK, low] / cells[Q, low] - work_0[I_PACK, high] / cells[Q, high])
        m_1 = h * (work_1[I_PACK, low] / cells[Q, low] - work_1[I_PACK, high] / cells[Q, high])
        spread[0] = max(spread[0], _cubic_peak(y_0[high] - y_0[low], m_0, y_1[high] - y_1[low], m_1))


@jit_internal
def _crossing(a, m_0, b, m_1, level):
    """Where between 0 and 1 the cubic from ``a`` to ``b`` with these slopes first stands at ``level``, by bisection; ``b`` does."""
    if a >= level:
        return 0.0
    low, high = 0.0, 1.0
    for _ in range(50):
        s = 0.5 * (low + high)
        value = a + s * (m_0 + s * (3.0 * (b - a) - 2.0 * m_0 - m_1 + s * (m_0 + m_1 - 2.0 * (b - a))))
        if value >= level:
            high = s
        else:
            low = s
    return high


@jit_internal
def reach_flows(t_0, work_0, port_0, t_1, work_1, port_1, t_2, work_2, port_2, acc, port_acc, extremes):
    """Extremes of currents and voltages at the middle of three instants of one step, or at the vertex of the parabola through all
    three: peak currents of packs, least and greatest voltage of ports, greatest voltage between two ports."""
    _, _, _, apart, _ = extremes
    n, p = work_1.shape[1], port_1.shape[1]
    for k in range(n):
        current = _beyond(t_0, work_0[I_PACK, k], t_1, work_1[I_PACK, k], t_2, work_2[I_PACK, k])
        acc[ACC_PEAK_OUT, k] = max(acc[ACC_PEAK_OUT, k], current)
        acc[ACC_PEAK_IN, k] = max(acc[ACC_PEAK_IN, k], -current)
    for a in range(p):
        if port_acc[PORT_MIN_V, a] < np.inf:
            volt = _beyond(t_0, port_0[V, a], t_1, port_1[V, a], t_2, port_2[V, a])
            port_acc[PORT_MIN_V, a] = min(port_acc[PORT_MIN_V, a], volt)
            port_acc[PORT_MAX_V, a] = max(port_acc[PORT_MAX_V, a], volt)
        for b in range(a):
            gap = _beyond(t_0, port_0[V, a] - port_0[V, b], t_1, port_1[V, a] - port_1[V, b], t_2, port_2[V, a] - port_2[V, b])
            apart[a, b] = max(apart[a, b], abs(gap))


@jit_internal
def reach_branches(t_0, work_0, port_0, t_1, work_1, port_1, t_2, work_2, port_2, flows, extremes):
    """Peak current of every branch at the middle of three instants of one step, likewise."""
    branch = extremes[4]
    for i in range(branch.size):
        current = _beyond(
            t_0, _row_product(flows, i, I_PACK, work_0, port_0), t_1, _row_product(flows, i, I_PACK, work_1, port_1), t_2,
            _row_product(flows, i, I_PACK, work_2, port_2),
        )  # fmt: skip
        branch[i] = max(branch[i], abs(current))


@jit_internal
def reach_ends(work, port, flows, extremes):
    """Extremes of branch currents and of the voltage between ports at the end of a step."""
    _, _, _, apart, branch = extremes
    for a in range(port.shape[1]):
        for b in range(a):
            apart[a, b] = max(apart[a, b], abs(port[V, a] - port[V, b]))
    for i in range(branch.size):
        branch[i] = max(branch[i], abs(_row_product(flows, i, I_PACK, work, port)))


@jit_allocating
def accumulate(
    base, times, weights, per_step, states, cells, curves_of, curves, hybrid, ports, neighbours, flows, acc, port_acc, moment,
    extremes,
):  # fmt: skip
    """Add to the time integrals, by quadrature, and to the extremes.

    Parameters
    ----------
    base : float
        The run's time where that of ``times`` is zero [s].
    times, weights : ndarray, shape (m,)
        Nodes and weights [s], ``per_step`` of them for each step of the solver, its start the first and its end the last.
    states : ndarray, shape (m, 5 n)
    acc, port_acc : ndarray
        See ``ACC_*`` and ``PORT_*``.
    moment : ndarray, shape (n + p, n + p)
        ∫ x x' dt with x = [I; J]; the loss of any branch is its resistance times a quadratic form in it.
    extremes : tuple of ndarray
        See :func:`reach_states` and :func:`reach_flows`.
    """
    n, p = cells.shape[1], ports.shape[0]
    work_0, port_0, now = working_arrays(n, p)
    work_1, port_1, _ = working_arrays(n, p)
    work, port, _ = working_arrays(n, p)
    for i in range(times.size):
        work_0, work_1, work = work_1, work, work_0
        port_0, port_1, port = port_1, port, port_0
        for a in range(p):
            port[J, a] = port_1[J, a]
        solve_bank(times[i], states[i], cells, curves_of, curves, hybrid, ports, work, port, now)
        gather(times[i], weights[i], states[i], work, port, cells, curves_of, curves, ports, acc, port_acc, moment)
        gather_cells(states[i], work, cells, curves_of, curves, acc)
        give_heat(weights[i], states[i], work, cells, neighbours, acc)
        place = i % per_step
        if place > 0:
            reach_states(base, times[i - 1], states[i - 1], work_1, times[i], states[i], work, cells, extremes)
        if place > 1:
            reach_flows(times[i - 2], work_0, port_0, times[i - 1], work_1, port_1, times[i], work, port, acc, port_acc, extremes)
            reach_branches(times[i - 2], work_0, port_0, times[i - 1], work_1, port_1, times[i], work, port, flows, extremes)
        if place == 0 or place == per_step - 1:
            reach_ends(work, port, flows, extremes)


@jit_allocating
def observe(times, states, cells, curves_of, curves, hybrid, terminal, ports, out_y, out_pack, out_port):
    """What is reported at given instants.

    ``out_y`` has shape (m, 5 n): the packs' states; ``out_pack`` (2, m, n): current [A] and terminal voltage [V]; ``out_port``
    (2, m, p): current and voltage.
    """
    n, p = cells.shape[1], ports.shape[0]
    work, port, now = working_arrays(n, p)
    for i in range(times.size):
        solve_bank(times[i], states[i], cells, curves_of, curves, hybrid, ports, work, port, now)
        note(i, states[i], work, port, terminal, out_y, out_pack, out_port)


@jit_internal
def note(i, y, work, port, terminal, out_y, out_pack, out_port):
    """Write what is reported of one instant to place ``i``."""
    n = work.shape[1]
    for j in range(N_STATES * n):
        out_y[i, j] = y[j]
    for k in range(n):
        out_pack[0, i, k] = work[I_PACK, k]
        out_pack[1, i, k] = terminal_voltage(k, work, port, terminal)
    for a in range(port.shape[1]):
        out_port[0, i, a] = port[J, a]
        out_port[1, i, a] = port[V, a]


@jit_internal
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
    ocv, width, entropy, factor = zip(*packs_curves, strict=True)
    volt_soc = _at(ocv, z, "integral") - c[T_REF] * _at(entropy, z, "integral")
    half, g = _at(width, z), _at(factor, z)
    relax = sum(
        np.where(c[r] > 0, 0.5 * c[tau] * v**2 / (np.where(c[r] > 0, c[r], 1.0) * g), 0.0)
        for r, tau, v in ((R1, TAU1, v1), (R2, TAU2, v2))
    )
    heat = c[HEAT_CAPACITY] * (temperature - c[T_REF])
    return c[NS] * c[Q] * (volt_soc + half * h**2 / (2 * c[GAMMA])) + relax + heat


def _at(curves, z, what="__call__"):
    """One curve of each pack at the pack's state of charge, shape (n,); each different curve is asked once."""
    out = np.empty(len(curves))
    for curve in {id(curve): curve for curve in curves}.values():
        mine = [k for k, other in enumerate(curves) if other is curve]
        out[mine] = getattr(curve, what)(z[mine])
    return out

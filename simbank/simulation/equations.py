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
from simbank.simulation import arrays as ar

KELVIN = 273.15
FULL_SOC, EMPTY_SOC = 0.99, 0.01  # from here on a pack counts as full or empty in ``first_full_h`` and ``first_empty_h``


@jit_allocating
def working_arrays(n, p):
    """What one solution of a bank of ``n`` packs and ``p`` ports is written to: ``work``, ``port``, ``now`` (its last row is scratch)."""
    return np.empty((ar.N_WORK, n)), np.zeros((ar.N_PORT_WORK + p, p)), np.empty((n + p + 1, n + p))


@jit_entry
def cell_state(y, cells, curves_of, curves, work):
    """What every pack is by its state, into rows of ``work``: electromotive force, resistance, relaxation, with slopes."""
    n = cells.shape[1]
    for k in range(n):
        z, h, temperature = y[k], y[n + k], y[4 * n + k]
        u, du, _ = curve_value(curves, curves_of[ar.OCV_CURVE, k], z)
        half, dhalf, _ = curve_value(curves, curves_of[ar.HALF_WIDTH_CURVE, k], z)
        s, ds, _ = curve_value(curves, curves_of[ar.ENTROPY_CURVE, k], z)
        f, df, _ = curve_value(curves, curves_of[ar.R_FACTOR_CURVE, k], z)
        g, dg, _ = curve_value(curves, curves_of[ar.RC_FACTOR_CURVE, k], z)
        ns, warmer = cells[ar.N_SERIES, k], temperature - cells[ar.T_REF_K, k]
        inverse = 1.0 / temperature
        ohm = cells[ar.R_CELL, k]
        if cells[ar.ARRHENIUS_K, k] != 0.0:
            ohm *= np.exp(cells[ar.ARRHENIUS_K, k] * (inverse - 1.0 / cells[ar.T_REF_K, k]))
        work[ar.EMF, k] = ns * (u + warmer * s + half * h) - y[2 * n + k] - y[3 * n + k]
        work[ar.EMF_BY_SOC, k] = ns * (du + warmer * ds + dhalf * h)
        work[ar.EMF_BY_HYSTERESIS, k] = ns * half
        work[ar.EMF_BY_T, k] = ns * s
        work[ar.EMF_BY_SOC_T, k] = ns * ds
        work[ar.HALF_WIDTH_SLOPE, k] = ns * dhalf
        work[ar.R_OHMIC, k] = ohm * f + cells[ar.R_WIRING, k]
        more = work[ar.R_OHMIC, k] - cells[ar.R_REF, k]
        work[ar.R_ABOVE_REF, k] = 0.0 if abs(more) < 1e-12 * cells[ar.R_REF, k] else more
        work[ar.R_BY_SOC, k] = ohm * df
        work[ar.R_BY_T, k] = -ohm * f * cells[ar.ARRHENIUS_K, k] * inverse * inverse
        work[ar.RC_FACTOR, k], work[ar.RC_FACTOR_SLOPE, k] = g, dg
        work[ar.ARRHENIUS_FACTOR, k] = rc_warmth(k, temperature, cells)


@jit_inline
def rc_warmth(k, temperature, cells):
    """Arrhenius factor a' of the relaxation pairs of pack ``k``."""
    if cells[ar.ARRHENIUS_RC_K, k] == 0.0:
        return 1.0
    return np.exp(cells[ar.ARRHENIUS_RC_K, k] * (1.0 / temperature - 1.0 / cells[ar.T_REF_K, k]))


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
    return ports[a, ar.COMMANDED] + ports[a, ar.COMMANDED_SLOPE] * t


@jit_inline
def imposed(t, ports, a):
    """What port ``a`` imposes at ``t``, by its mode [A, V, W or ohm]."""
    if ports[a, ar.MODE] == ar.MODE_VOLTAGE:
        return ports[a, ar.VOLT_LIMIT]
    if ports[a, ar.MODE] == ar.MODE_LIMIT:
        return -ports[a, ar.CURRENT_MAX]
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
        mode = ports[a, ar.MODE]
        if ports[a, ar.LIVE] == 0.0 or mode == ar.MODE_OFF:
            port[ar.PORT_CURRENT, a] = 0.0
        elif mode == ar.MODE_CURRENT or mode == ar.MODE_LIMIT:
            port[ar.PORT_CURRENT, a] = imposed(t, ports, a)
        else:
            hard += 1
    if hard > 0 and (p == 1 or not _newton(t, now, ports, port)):
        _each_alone(t, now, ports, port)
        if p > 1:
            _together(t, now, ports, port)
    for a in range(p):
        v = port[ar.PORT_OPEN_VOLTAGE, a]
        for b in range(p):
            v += now[n + a, n + b] * port[ar.PORT_CURRENT, b]
        port[ar.PORT_VOLTAGE, a] = v


@jit_internal
def _each_alone(t, now, ports, port):
    """The current of each port that imposes no current, with the others at rest."""
    n = now.shape[1] - ports.shape[0]
    for a in range(ports.shape[0]):
        mode = ports[a, ar.MODE]
        if ports[a, ar.LIVE] > 0.0 and (mode == ar.MODE_VOLTAGE or mode == ar.MODE_POWER or mode == ar.MODE_RESISTANCE):
            port[ar.PORT_CURRENT, a] = _single(mode, imposed(t, ports, a), port[ar.PORT_OPEN_VOLTAGE, a], -now[n + a, n + a])


@jit_inline
def _single(mode, wish, open_volt, ohm):
    """Current of one port behind ``ohm`` with the others at rest: Ohm's law, or the quadratic of constant power."""
    if mode == ar.MODE_VOLTAGE:
        return (open_volt - wish) / ohm
    if mode == ar.MODE_RESISTANCE:
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
            mode = ports[a, ar.MODE]
            if ports[a, ar.LIVE] == 0.0 or mode == ar.MODE_OFF or mode == ar.MODE_CURRENT or mode == ar.MODE_LIMIT:
                continue
            wish = imposed(t, ports, a)
            volt = port[ar.PORT_OPEN_VOLTAGE, a]
            for b in range(p):
                if b != a:
                    volt += now[n + a, n + b] * port[ar.PORT_CURRENT, b]
            if mode == ar.MODE_POWER and volt * volt + 4.0 * now[n + a, n + a] * wish <= 0.0:
                possible = False
            new = _single(mode, wish, volt, -now[n + a, n + a])
            moved = max(moved, abs(new - port[ar.PORT_CURRENT, a]) / (1.0 + abs(new)))
            port[ar.PORT_CURRENT, a] = new
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
        port[ar.PREVIOUS_CURRENT, a] = port[ar.PORT_CURRENT, a]
    for _ in range(6):
        there, close, high = True, True, True
        for a in range(p):
            mode = ports[a, ar.MODE]
            if ports[a, ar.LIVE] == 0.0 or mode == ar.MODE_OFF or mode == ar.MODE_CURRENT or mode == ar.MODE_LIMIT:
                for b in range(p):
                    port[ar.JACOBIAN + a, b] = 0.0
                port[ar.RESIDUAL, a], port[ar.JACOBIAN + a, a] = 0.0, 1.0
                continue
            wish = imposed(t, ports, a)
            v = port[ar.PORT_OPEN_VOLTAGE, a]
            factor = port[ar.PORT_CURRENT, a] if mode == ar.MODE_POWER else 1.0
            for b in range(p):
                v += now[n + a, n + b] * port[ar.PORT_CURRENT, b]
                port[ar.JACOBIAN + a, b] = factor * now[n + a, n + b]
            miss = v - wish
            if mode == ar.MODE_RESISTANCE:
                miss = v - wish * port[ar.PORT_CURRENT, a]
                port[ar.JACOBIAN + a, a] -= wish
            elif mode == ar.MODE_POWER:
                miss = v * port[ar.PORT_CURRENT, a] - wish
                port[ar.JACOBIAN + a, a] += v
                high = high and port[ar.JACOBIAN + a, a] > 0.0
            port[ar.RESIDUAL, a] = miss
            size = 1.0 + abs(wish)
            there = there and abs(miss) < 1e-13 * size
            close = close and abs(miss) < 1e-8 * size
        if high and there:
            return True
        # elimination without row exchange: what a port's own current does to it outweighs what the others' do
        for c in range(p):
            inverse = 1.0 / port[ar.JACOBIAN + c, c]
            port[ar.RESIDUAL, c] *= inverse
            for k in range(c + 1, p):
                port[ar.JACOBIAN + c, k] *= inverse
            for r in range(c + 1, p):
                factor = port[ar.JACOBIAN + r, c]
                port[ar.RESIDUAL, r] -= factor * port[ar.RESIDUAL, c]
                for k in range(c + 1, p):
                    port[ar.JACOBIAN + r, k] -= factor * port[ar.JACOBIAN + c, k]
        for c in range(p - 1, -1, -1):
            for k in range(c + 1, p):
                port[ar.RESIDUAL, c] -= port[ar.JACOBIAN + c, k] * port[ar.RESIDUAL, k]
            port[ar.PORT_CURRENT, c] -= port[ar.RESIDUAL, c]
        if high and close:  # after a step from as near as this only round-off is left
            return True
    for a in range(p):
        port[ar.PORT_CURRENT, a] = port[ar.PREVIOUS_CURRENT, a]
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
        port[ar.PORT_OPEN_VOLTAGE, a] = value
    port_currents(t, now, ports, port)
    for k in range(n):
        value = 0.0
        for m in range(n):
            value += now[k, m] * force[m]
        for a in range(p):
            value += now[k, n + a] * port[ar.PORT_CURRENT, a]
        out[k] = value


@jit_internal
def flow(t, y, cells, now, ports, work, port):
    """All currents, and the heat they make, for packs that stand in ``work`` and their network in ``now``."""
    currents(t, work[ar.EMF], now, ports, port, work[ar.PACK_CURRENT])
    for k in range(cells.shape[1]):
        work[ar.EMF_LINEAR, k] = work[ar.EMF, k] - work[ar.R_ABOVE_REF, k] * work[ar.PACK_CURRENT, k]
    pack_heat(y, cells, work)


@jit_entry
def solve_bank(t, y, cells, curves_of, curves, hybrid, ports, work, port, now):
    """All currents and voltages at one instant.

    Fills ``work`` and ``port`` (see their rows above) and ``now``, the reduced network at the present resistances.
    """
    cell_state(y, cells, curves_of, curves, work)
    resist(hybrid, work[ar.R_ABOVE_REF], now)
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
        current, h = work[ar.PACK_CURRENT, k], y[n + k]
        g, dg, warmth, capacity = (
            work[ar.RC_FACTOR, k],
            work[ar.RC_FACTOR_SLOPE, k],
            work[ar.ARRHENIUS_FACTOR, k],
            cells[ar.CAPACITY_AS, k],
        )
        relax = relaxation_heat(y[2 * n + k], cells[ar.R1, k], cells[ar.TAU1, k], g, dg, warmth, current, capacity)
        relax += relaxation_heat(y[3 * n + k], cells[ar.R2, k], cells[ar.TAU2, k], g, dg, warmth, current, capacity)
        work[ar.OHMIC_HEAT, k] = work[ar.R_OHMIC, k] * current * current
        work[ar.RELAXATION_HEAT, k] = relax
        work[ar.HYSTERESIS_HEAT, k] = hysteresis_heat(
            work[ar.EMF_BY_HYSTERESIS, k], work[ar.HALF_WIDTH_SLOPE, k], cells[ar.GAMMA, k], current, h
        )
        work[ar.REVERSIBLE_HEAT, k] = -current * y[4 * n + k] * work[ar.EMF_BY_T, k]


@jit_inline
def warming(k, here, y, cells, work, neighbours):
    """dT/dt of pack ``k`` [K/s] at temperature ``here``, its neighbours as in ``y``, for the heat in ``work``."""
    if cells[ar.HEAT_CAPACITY, k] <= 0.0:
        return 0.0
    heat = work[ar.OHMIC_HEAT, k] + work[ar.RELAXATION_HEAT, k] + work[ar.HYSTERESIS_HEAT, k] + work[ar.REVERSIBLE_HEAT, k]
    heat -= cells[ar.HEAT_LOSS, k] * (here - cells[ar.AMBIENT_K, k])
    for m in range(neighbours.shape[0]):
        heat -= neighbours[m, k] * (here - y[4 * neighbours.shape[0] + m])
    return heat / cells[ar.HEAT_CAPACITY, k]


@jit_internal
def state_rates(y, cells, work, neighbours, out):
    """Time derivatives of the packs' state for the currents and the heat in ``work``."""
    n = cells.shape[1]
    for k in range(n):
        current = work[ar.PACK_CURRENT, k]
        dz = -current / cells[ar.CAPACITY_AS, k]
        out[k] = dz
        out[n + k] = cells[ar.GAMMA, k] * (dz - abs(dz) * y[n + k])
        out[2 * n + k] = (
            cells[ar.R1, k] * work[ar.RC_FACTOR, k] * current - y[2 * n + k] / work[ar.ARRHENIUS_FACTOR, k]
        ) / cells[ar.TAU1, k]
        out[3 * n + k] = (
            cells[ar.R2, k] * work[ar.RC_FACTOR, k] * current - y[3 * n + k] / work[ar.ARRHENIUS_FACTOR, k]
        ) / cells[ar.TAU2, k]
        out[4 * n + k] = warming(k, y[4 * n + k], y, cells, work, neighbours)


@jit_internal
def _row_product(matrix, r, what, work, port):
    """Row ``r`` of a matrix of the reduced network times a row of ``work`` (packs) and the port currents."""
    n = work.shape[1]
    value = 0.0
    for k in range(n):
        value += matrix[r, k] * work[what, k]
    for a in range(port.shape[1]):
        value += matrix[r, n + a] * port[ar.PORT_CURRENT, a]
    return value


@jit_entry
def device_current(d, flows, work, port):
    """Current through device ``d`` [A]."""
    return _row_product(flows, d, ar.PACK_CURRENT, work, port)


@jit_entry
def damage_rate(d, current, damage, devices, curves):
    """dD/dt of device ``d`` [1/s]: 1/t of its inverse-time curve above its least multiple, −D/τ of cooling below it.

    The device opens at D = 1: ∫ dt/t(I) = 1, so at a steady current after the time t of its curve (IEEE C37.112, from memory). Each
    method integrates the rate in the form that suits it; these are the places: the reference's solver (:func:`rates_solved`),
    Simpson's rule over a step (``fast.py``), the trapezoidal rule over the known current of a fault
    (``studies/protection/faults.py``), and, while currents stand still, rate × time or exp(−t/τ) (``studies/protection/outage.py``).
    """
    multiple = abs(current) / devices[d, ar.RATING_A]
    if multiple <= devices[d, ar.MIN_TRIP_MULTIPLE]:
        return -damage / devices[d, ar.THERMAL_TIME_CONSTANT_S]
    seconds, _, _ = curve_value(curves, int(devices[d, ar.TRIP_CURVE]), np.log(multiple))
    return np.exp(-seconds)


@jit_allocating
def damage_rates(currents, devices, curves):
    """dD/dt of every device [1/s] at currents of shape (m, d), none yet damaged; shape (m, d)."""
    out = np.zeros(currents.shape)
    for d in range(currents.shape[1]):
        for i in range(currents.shape[0]):
            out[i, d] = max(0.0, damage_rate(d, currents[i, d], 0.0, devices, curves))
    return out


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


@jit_inline
def cell_volts(k, z, work, cells, curves_of, curves):
    """Voltage of the fullest and the emptiest cell of pack ``k`` [V]; equal cells have the same."""
    cell = (work[ar.EMF, k] - work[ar.PACK_CURRENT, k] * (work[ar.R_OHMIC, k] - cells[ar.R_WIRING, k])) / cells[ar.N_SERIES, k]
    if curves_of[ar.HIGHEST_CELL_CURVE, k] == curves_of[ar.OCV_CURVE, k]:
        return cell, cell
    mean, _, _ = curve_value(curves, curves_of[ar.OCV_CURVE, k], z)
    fullest, _, _ = curve_value(curves, curves_of[ar.HIGHEST_CELL_CURVE, k], z)
    emptiest, _, _ = curve_value(curves, curves_of[ar.LOWEST_CELL_CURVE, k], z)
    return cell + fullest - mean, cell + emptiest - mean


@jit_internal
def gather_cells(y, work, cells, curves_of, curves, acc):
    """Add one instant, solved in ``work``, to what the cells have seen: highest and lowest cell voltage [V]; what has gone into each
    pack beyond 100 % and out of it beyond 0 % since the instant before [As, J].

    Instants come in order. Charge goes by the state of charge itself, so that none is missed where the instant before lies on the
    other side; energy at the mean of the pack's terminal voltage at both instants.
    """
    for k in range(cells.shape[1]):
        z, last = y[k], acc[ar.ACC_LAST_SOC, k]
        high, low = cell_volts(k, z, work, cells, curves_of, curves)
        acc[ar.ACC_CELL_MAX_V, k], acc[ar.ACC_CELL_MIN_V, k] = (
            max(acc[ar.ACC_CELL_MAX_V, k], high),
            min(acc[ar.ACC_CELL_MIN_V, k], low),
        )
        volt = work[ar.EMF, k] - work[ar.PACK_CURRENT, k] * work[ar.R_OHMIC, k]
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
def gather(t, w, y, work, port, cells, curves_of, curves, ports, acc, port_acc, moment):
    """Add one instant, solved in ``work`` and ``port``, to the time integrals with weight ``w`` [s]."""
    n = cells.shape[1]
    p = ports.shape[0]
    total = 0.0
    for a in range(p):
        current, volt = port[ar.PORT_CURRENT, a], port[ar.PORT_VOLTAGE, a]
        total += current
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
    for k in range(n):
        current, temperature = work[ar.PACK_CURRENT, k], y[4 * n + k]
        if current > 0.0:
            acc[ar.ACC_OUT_AS, k] += w * current
            acc[ar.ACC_PEAK_OUT_A, k] = max(acc[ar.ACC_PEAK_OUT_A, k], current)
        else:
            acc[ar.ACC_IN_AS, k] -= w * current
            acc[ar.ACC_PEAK_IN_A, k] = max(acc[ar.ACC_PEAK_IN_A, k], -current)
            most, _, _ = curve_value(curves, curves_of[ar.CHARGE_RATE_CURVE, k], temperature - KELVIN)
            if -current * 3600.0 > most * cells[ar.CAPACITY_AS, k] * (1.0 + 1e-9):
                acc[ar.ACC_OVER_CHARGE_RATE_S, k] += w
        if total > 0.0:
            acc[ar.ACC_DISCHARGE_AS, k] += w * current
        elif total < 0.0:
            acc[ar.ACC_CHARGE_AS, k] -= w * current
        acc[ar.ACC_OHMIC_J, k] += w * work[ar.OHMIC_HEAT, k]
        acc[ar.ACC_RELAXATION_J, k] += w * work[ar.RELAXATION_HEAT, k]
        acc[ar.ACC_HYSTERESIS_J, k] += w * work[ar.HYSTERESIS_HEAT, k]
        acc[ar.ACC_REVERSIBLE_J, k] += w * work[ar.REVERSIBLE_HEAT, k]
        acc[ar.ACC_MIN_K, k] = min(acc[ar.ACC_MIN_K, k], temperature)
        acc[ar.ACC_MAX_K, k] = max(acc[ar.ACC_MAX_K, k], temperature)
        for m in range(n):
            moment[k, m] += w * current * work[ar.PACK_CURRENT, m]
        for a in range(p):
            both = w * current * port[ar.PORT_CURRENT, a]
            moment[k, n + a] += both
            moment[n + a, k] += both
    for a in range(p):
        for b in range(p):
            moment[n + a, n + b] += w * port[ar.PORT_CURRENT, a] * port[ar.PORT_CURRENT, b]


@jit_internal
def give_heat(w, y, work, cells, neighbours, acc):
    """Add the heat that leaves every pack at one instant, solved in ``work``, to its time integral with weight ``w`` [s]."""
    n = cells.shape[1]
    for k in range(n):
        if cells[ar.HEAT_CAPACITY, k] > 0.0:
            watt = cells[ar.HEAT_LOSS, k] * (y[4 * n + k] - cells[ar.AMBIENT_K, k])
            for m in range(neighbours.shape[0]):
                watt += neighbours[m, k] * (y[4 * n + k] - y[4 * n + m])
        else:
            watt = (
                work[ar.OHMIC_HEAT, k] + work[ar.RELAXATION_HEAT, k] + work[ar.HYSTERESIS_HEAT, k] + work[ar.REVERSIBLE_HEAT, k]
            )
        acc[ar.ACC_HEAT_OUT_J, k] += w * watt


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
        turns = work_0[ar.PACK_CURRENT, k] * work_1[ar.PACK_CURRENT, k] < 0.0
        full, empty = first[0, k] == np.inf and b >= FULL_SOC, first[1, k] == np.inf and b <= EMPTY_SOC
        if turns or full or empty:
            m_0, m_1 = (
                -h * work_0[ar.PACK_CURRENT, k] / cells[ar.CAPACITY_AS, k],
                -h * work_1[ar.PACK_CURRENT, k] / cells[ar.CAPACITY_AS, k],
            )
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
        m_0 = h * (
            work_0[ar.PACK_CURRENT, low] / cells[ar.CAPACITY_AS, low]
            - work_0[ar.PACK_CURRENT, high] / cells[ar.CAPACITY_AS, high]
        )
        m_1 = h * (
            work_1[ar.PACK_CURRENT, low] / cells[ar.CAPACITY_AS, low]
            - work_1[ar.PACK_CURRENT, high] / cells[ar.CAPACITY_AS, high]
        )
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
        current = _beyond(t_0, work_0[ar.PACK_CURRENT, k], t_1, work_1[ar.PACK_CURRENT, k], t_2, work_2[ar.PACK_CURRENT, k])
        acc[ar.ACC_PEAK_OUT_A, k] = max(acc[ar.ACC_PEAK_OUT_A, k], current)
        acc[ar.ACC_PEAK_IN_A, k] = max(acc[ar.ACC_PEAK_IN_A, k], -current)
    for a in range(p):
        if port_acc[ar.PORT_MIN_V, a] < np.inf:
            volt = _beyond(t_0, port_0[ar.PORT_VOLTAGE, a], t_1, port_1[ar.PORT_VOLTAGE, a], t_2, port_2[ar.PORT_VOLTAGE, a])
            port_acc[ar.PORT_MIN_V, a] = min(port_acc[ar.PORT_MIN_V, a], volt)
            port_acc[ar.PORT_MAX_V, a] = max(port_acc[ar.PORT_MAX_V, a], volt)
        for b in range(a):
            gap = _beyond(
                t_0,
                port_0[ar.PORT_VOLTAGE, a] - port_0[ar.PORT_VOLTAGE, b],
                t_1,
                port_1[ar.PORT_VOLTAGE, a] - port_1[ar.PORT_VOLTAGE, b],
                t_2,
                port_2[ar.PORT_VOLTAGE, a] - port_2[ar.PORT_VOLTAGE, b],
            )
            apart[a, b] = max(apart[a, b], abs(gap))


@jit_internal
def reach_branches(t_0, work_0, port_0, t_1, work_1, port_1, t_2, work_2, port_2, flows, extremes):
    """Peak current of every branch at the middle of three instants of one step, likewise."""
    branch = extremes[4]
    for i in range(branch.size):
        current = _beyond(
            t_0, _row_product(flows, i, ar.PACK_CURRENT, work_0, port_0), t_1, _row_product(flows, i, ar.PACK_CURRENT, work_1, port_1), t_2,
            _row_product(flows, i, ar.PACK_CURRENT, work_2, port_2),
        )  # fmt: skip
        branch[i] = max(branch[i], abs(current))


@jit_internal
def reach_ends(work, port, flows, extremes):
    """Extremes of branch currents and of the voltage between ports at the end of a step."""
    _, _, _, apart, branch = extremes
    for a in range(port.shape[1]):
        for b in range(a):
            apart[a, b] = max(apart[a, b], abs(port[ar.PORT_VOLTAGE, a] - port[ar.PORT_VOLTAGE, b]))
    for i in range(branch.size):
        branch[i] = max(branch[i], abs(_row_product(flows, i, ar.PACK_CURRENT, work, port)))


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
            port[ar.PORT_CURRENT, a] = port_1[ar.PORT_CURRENT, a]
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
    for j in range(ar.N_STATES * n):
        out_y[i, j] = y[j]
    for k in range(n):
        out_pack[0, i, k] = work[ar.PACK_CURRENT, k]
        out_pack[1, i, k] = terminal_voltage(k, work, port, terminal)
    for a in range(port.shape[1]):
        out_port[0, i, a] = port[ar.PORT_CURRENT, a]
        out_port[1, i, a] = port[ar.PORT_VOLTAGE, a]


@jit_internal
def terminal_voltage(k, work, port, terminal):
    """Voltage the network puts across the terminals of pack ``k`` [V]."""
    return _row_product(terminal, k, ar.EMF_LINEAR, work, port)


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
    z, h, v1, v2, temperature = np.reshape(y[: ar.N_STATES * n], (ar.N_STATES, n))
    c = cells
    ocv, width, entropy, factor = zip(*packs_curves, strict=True)
    volt_soc = _at(ocv, z, "integral") - c[ar.T_REF_K] * _at(entropy, z, "integral")
    half, g = _at(width, z), _at(factor, z)
    relax = sum(
        np.where(c[r] > 0, 0.5 * c[tau] * v**2 / (np.where(c[r] > 0, c[r], 1.0) * g), 0.0)
        for r, tau, v in ((ar.R1, ar.TAU1, v1), (ar.R2, ar.TAU2, v2))
    )
    heat = c[ar.HEAT_CAPACITY] * (temperature - c[ar.T_REF_K])
    return c[ar.N_SERIES] * c[ar.CAPACITY_AS] * (volt_soc + half * h**2 / (2 * c[ar.GAMMA])) + relax + heat


def _at(curves, z, what="__call__"):
    """One curve of each pack at the pack's state of charge, shape (n,); each different curve is asked once."""
    out = np.empty(len(curves))
    for curve in {id(curve): curve for curve in curves}.values():
        mine = [k for k, other in enumerate(curves) if other is curve]
        out[mine] = getattr(curve, what)(z[mine])
    return out


# Names that modules which are being changed elsewhere still use.
N_STATES = ar.N_STATES
TAU1 = ar.TAU1
Q = ar.CAPACITY_AS
HEAT_CAPACITY = ar.HEAT_CAPACITY
R1 = ar.R1
ARRHENIUS_RC = ar.ARRHENIUS_RC_K
HEAT_LOSS = ar.HEAT_LOSS
GAMMA = ar.GAMMA
R_WIRING = ar.R_WIRING
R_REF = ar.R_REF
N_CELL_ROWS = ar.N_CELL_ROWS
N_CURVES = ar.N_CURVES
LIVE = ar.LIVE
RECOVERY = ar.RECOVERY_VOLT
RESISTANCE = ar.MODE_RESISTANCE
MODE = ar.MODE
OFF = ar.MODE_OFF
POWER = ar.MODE_POWER
CURRENT = ar.MODE_CURRENT
CURRENT_MAX = ar.CURRENT_MAX
N_PORT_COLUMNS = ar.N_PORT_COLUMNS
LEAST = ar.MIN_TRIP_MULTIPLE
RATING = ar.RATING_A
COOLING = ar.THERMAL_TIME_CONSTANT_S
N_DEVICE_COLUMNS = ar.N_DEVICE_COLUMNS
INSTANT_DELAY = ar.PICKUP_DELAY_S
ACC_REVERSIBLE = ar.ACC_REVERSIBLE_J
ACC_HYSTERESIS = ar.ACC_HYSTERESIS_J
ACC_OHMIC = ar.ACC_OHMIC_J
ACC_LAST_SOC = ar.ACC_LAST_SOC
ACC_HEAT_OUT = ar.ACC_HEAT_OUT_J
ACC_RELAX = ar.ACC_RELAXATION_J
E_BY_ZT = ar.EMF_BY_SOC_T
G = ar.RC_FACTOR
G_BY_Z = ar.RC_FACTOR_SLOPE
E_BY_T = ar.EMF_BY_T
WARMTH = ar.ARRHENIUS_FACTOR
GAP = ar.HYSTERESIS_HEAT
N_PORT_WORK = ar.N_PORT_WORK
R_BY_Z = ar.R_BY_SOC
I_PACK = ar.PACK_CURRENT
R_NOW = ar.R_OHMIC
GAP_BY_Z = ar.HALF_WIDTH_SLOPE
E = ar.EMF
J = ar.PORT_CURRENT
R_BY_T = ar.R_BY_T
OHMIC = ar.OHMIC_HEAT
E_BY_H = ar.EMF_BY_HYSTERESIS
RELAX = ar.RELAXATION_HEAT
REVERSIBLE = ar.REVERSIBLE_HEAT
E_BY_Z = ar.EMF_BY_SOC
V = ar.PORT_VOLTAGE

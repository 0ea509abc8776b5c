"""The fast integrator: the equations of :mod:`simbank.simulation.equations`, stepped, watched and summed in one compiled loop.

Each state obeys dy/dt = f(y). What decays by itself (relaxation voltages, temperature, hysteresis, a cooling device) is taken out
as −λ y with λ held over a step, and the rest N = f + λ y is stepped by third-order exponential time differencing (ETD3RK, Cox &
Matthews, J. Comput. Phys. 176 (2002) 430), exact for relaxation under a current that changes as a parabola::

    a  = y0 + h/2 φ1(c/2) f(y0)                                                      c = −λ h,  φ1(c) = (e^c − 1)/c
    b  = e^c y0 + h φ1(c) (2 N(a) − N(y0))                                           φ2(c) = (φ1(c) − 1)/c
    y1 = e^c y0 + h [(φ1 − 3 φ2 + 4 φ3) N(y0) + (4 φ2 − 8 φ3) N(a) + (4 φ3 − φ2) N(b)]   φ3(c) = (φ2(c) − 1/2)/c

A step is judged against the second-order one from N(y0) and N(b), in state of charge and in what an error of a relaxation voltage
would do to it while it lasts; too large a difference shortens it. Within a step the state is the
cubic through both ends; a change of mode is located on it by bisection. Integrals are summed by Simpson's rule, over a stiff
step from both its ends.

The loop goes on through the rows of a duty and the changes of ports by itself, and comes back to Python when a pack, a BMS or a
device changes, when an appointment outside it falls due, or when a step would have to be too short: then the reference
integrator takes over for a while.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from simbank.simulation import equations as eq
from simbank.simulation import modes
from simbank.simulation import ports as port_laws

__all__ = ["DONE", "HAND_OVER", "PAUSE", "SETTLE", "advance"]

DONE, SETTLE, PAUSE, HAND_OVER = range(4)
LEAST_STEP_S = 1e-4
LOCATE_S = 1e-4  # a change of mode is located this closely ...
NEAR_S = 2.0  # ... on a step no longer than this
LAST_S = 1e-6  # a remainder shorter than this is no step
ERROR_SHARE = 0.1  # of the difference of orders that is taken for the error of the higher one; measured, see the bench
DAMPING = 2.0  # packs answer to one another: twice a pack's own rate keeps their exchange from swinging, as in damped relaxation
SWING = 0.3  # charge that may go to and fro in a step, in tolerances
STIFF = 2.0  # λh of state of charge from which it counts as decay
PORT_CHANGES = 64  # so many changes of ports at one instant are for the slow path to judge


@njit(cache=True)
def _decay(h, y, work, port, hybrid, cells, neighbours, devices, flows, out):
    """λ of every state [1/s].

    State of charge draws level with its neighbours at the rate of the network's own answer to it, Y_kk dE_k/dz / Q_k. Over steps
    that are long for this it counts as decay, so that levelling in the steep ends of a curve does not bind the step.
    """
    n = cells.shape[1]
    for k in range(n):
        warmth = eq.rc_warmth(k, y[4 * n + k], cells)
        sense = -1.0 if work[eq.I_PACK, k] > 0.0 else 1.0
        slope = work[eq.E_BY_Z, k] + work[eq.E_BY_H, k] * cells[eq.GAMMA, k] * (1.0 - sense * y[n + k])
        level = DAMPING * hybrid[k, k] * slope / cells[eq.Q, k]
        out[k] = level if level * h > STIFF else 0.0
        out[n + k] = cells[eq.GAMMA, k] * abs(work[eq.I_PACK, k]) / cells[eq.Q, k]
        out[2 * n + k] = 1.0 / (cells[eq.TAU1, k] * warmth)
        out[3 * n + k] = 1.0 / (cells[eq.TAU2, k] * warmth)
        out[4 * n + k] = 0.0
        if cells[eq.HEAT_CAPACITY, k] > 0.0:
            loss = cells[eq.HEAT_LOSS, k]
            for m in range(neighbours.shape[0]):
                loss += neighbours[m, k]
            out[4 * n + k] = loss / cells[eq.HEAT_CAPACITY, k]
    for d in range(devices.shape[0]):
        cool = abs(eq.device_current(d, flows, work, port)) <= devices[d, eq.LEAST] * devices[d, eq.RATING]
        out[eq.N_STATES * n + d] = 1.0 / devices[d, eq.COOLING] if cool else 0.0


@njit(cache=True)
def _phi(x):
    """(e^−x, φ1, φ2, φ3) of c = −x; by their series where they would cancel."""
    if x < 0.05:
        c = -x
        return (
            np.exp(c),
            1.0 + c * (1 / 2 + c * (1 / 6 + c * (1 / 24 + c / 120))),
            1 / 2 + c * (1 / 6 + c * (1 / 24 + c * (1 / 120 + c / 720))),
            1 / 6 + c * (1 / 24 + c * (1 / 120 + c * (1 / 720 + c / 5040))),
        )
    fade = np.exp(-x)
    one = (1.0 - fade) / x
    two = (1.0 - one) / x
    return fade, one, two, (0.5 - two) / x


@njit(cache=True)
def _factors(decay, h, table):
    """For every state: h/2 φ1(c/2); e^c; h φ1; weights of N0, Na, Nb; and of N0 and Nb at second order. Shape (8, size)."""
    for i in range(decay.size):
        x = decay[i] * h
        if x == 0.0:
            table[0, i], table[1, i], table[2, i] = 0.5 * h, 1.0, h
            table[3, i], table[4, i], table[5, i] = h / 6.0, 4.0 * h / 6.0, h / 6.0
            table[6, i], table[7, i] = 0.5 * h, 0.5 * h
            continue
        half = _phi(0.5 * x)[1]
        fade, one, two, three = _phi(x)
        table[0, i], table[1, i], table[2, i] = 0.5 * h * half, fade, h * one
        table[3, i] = h * (one - 3.0 * two + 4.0 * three)
        table[4, i] = h * (4.0 * two - 8.0 * three)
        table[5, i] = h * (4.0 * three - two)
        table[6, i], table[7, i] = h * (one - two), h * two


@njit(cache=True)
def _between(share, h, y0, f0, y1, f1, out):
    """Cubic through both ends of a step with their slopes (Hermite)."""
    s, s2, s3 = share, share * share, share * share * share
    for i in range(y0.size):
        out[i] = (2 * s3 - 3 * s2 + 1) * y0[i] + (s3 - 2 * s2 + s) * h * f0[i] + (3 * s2 - 2 * s3) * y1[i] + (s3 - s2) * h * f1[i]


@njit(cache=True)
def _quiet(now, pack_state, pack_live, phase, ports, told, equip):
    """Whether no pack waits to be woken and no port has lost its packs without having said so."""
    wish = 0.0
    for a in range(phase.size):
        if phase[a] == modes.IDLE:
            wish -= 1.0
        elif phase[a] != modes.DONE and phase[a] != modes.CUT:
            wish += eq.commanded(now, ports, a)
        if phase[a] != modes.DONE and ports[a, eq.LIVE] == 0.0:
            silent = told[a] & port_laws.NO_PACK_BIT or eq.commanded(now, ports, a) == 0.0
            if equip[a, port_laws.STAYS] == 0.0 or not silent:
                return False
    for k in range(pack_state.size):
        if not pack_live[k]:
            if pack_state[k] == modes.FULL_OPEN and wish >= 0.0:
                return False
            if pack_state[k] == modes.EMPTY_OPEN and wish <= 0.0:
                return False
    return True


@njit(cache=True)
def advance(
    clock, step_start, row, fresh, h_try, stop, most_steps, tolerance, max_step, y, bank, packs, port_state, sums, plan, samples
):
    """Go on through the duty until something has to be done outside.

    Parameters
    ----------
    clock, step_start : float
        Time now, and when the present row began [s].
    row : int
        Row of the plan; ``fresh`` if its commands are still to be taken.
    h_try : float
        Step to try first [s].
    stop : float
        Next instant that is not the ports' own [s].
    most_steps : int
    tolerance : float
        Greatest error of state of charge in one step.
    y : ndarray
        State, changed in place.
    bank, packs, port_state, sums, plan, samples : tuple of ndarray
        As :meth:`simbank.simulation.run._Run` packs them.

    Returns
    -------
    code, clock, step_start, row, fresh, h_try, filled
        Why it came back, where it stands, and how many samples are filled.
    """
    cells, curves_of, curves, hybrid, terminal, port_live, pack_live, neighbours, devices, flows = bank
    pack_state, pack_mark, monitors, monitor_state, device_state = packs
    phase, ports, timer, told, equip, log, count = port_state
    acc, port_acc, moment = sums
    durations, commands, early = plan
    grid, sample_t, sample_y, sample_pack, sample_port = samples
    n, p, size = cells.shape[1], ports.shape[0], y.size
    work, work_p, work_1 = np.empty((eq.N_WORK, n)), np.empty((eq.N_WORK, n)), np.empty((eq.N_WORK, n))
    port, port_p, port_1 = np.empty((2, p)), np.empty((2, p)), np.empty((2, p))
    f, f_a, f_1, decay, apart = np.empty(size), np.empty(size), np.empty(size), np.empty(size), np.empty(size)
    table = np.empty((8, size))
    y_p, y_1, y_s = np.empty(size), np.empty(size), np.empty(size)
    x = np.empty(n + p)
    due = np.empty(modes.PACK_SLOTS * n + modes.PORT_SLOTS * p + modes.DEVICE_SLOTS * devices.shape[0] + 1)
    packs_end = modes.PACK_SLOTS * n
    ports_end = packs_end + modes.PORT_SLOTS * p
    filled, steps = 0, 0
    g = np.searchsorted(grid, clock - 1e-9)
    while row < durations.size:
        if fresh:
            port_laws.take(commands[row], phase, ports, equip)
            for a in range(p):
                ports[a, eq.LIVE] = 1.0 if port_live[a] else 0.0
            port_laws.cap_chargers(y, cells, curves_of, curves, pack_state, monitors, ports, equip)
            fresh = False
        end = step_start + durations[row]
        while clock < end - LAST_S:
            for a in range(p):
                if timer[a] <= clock + 1e-9:
                    port_laws.appointment(a, clock, phase, ports, timer, told, equip, log, count, 0.0)
            if (
                stop <= clock + 1e-9
                or steps >= most_steps
                or filled >= sample_t.size - 1
                or count[0] > log.shape[0] - 2 * PORT_CHANGES
            ):
                return PAUSE, clock, step_start, row, fresh, h_try, filled
            # everything that is due at this instant
            changes = 0
            while True:
                now = clock - step_start
                _, minus_ohm, _ = eq.solve_bank(now, y, cells, curves_of, curves, hybrid, ports, work, port)
                worst = modes.watch_solved(
                    now, y, work, port, minus_ohm, cells, curves_of, curves, terminal, pack_live, pack_state, pack_mark, monitors,
                    monitor_state, phase, ports, devices, flows, device_state, due,
                )  # fmt: skip
                if not np.isfinite(worst):
                    return HAND_OVER, clock, step_start, row, fresh, h_try, filled
                if worst <= 0.0:
                    break
                slot, first = -1, -1
                for i in range(ports_end + modes.DEVICE_SLOTS * devices.shape[0]):
                    if due[i] > 0.0:
                        if i < packs_end or i >= ports_end:
                            return SETTLE, clock, step_start, row, fresh, h_try, filled
                        a, kind = (i - packs_end) // modes.PORT_SLOTS, (i - packs_end) % modes.PORT_SLOTS
                        first = i if first < 0 else first
                        if slot < 0 and port_laws.overruns(a, kind, now, phase, ports):
                            slot = i
                slot = first if slot < 0 else slot
                changes += 1
                if changes > PORT_CHANGES:
                    return SETTLE, clock, step_start, row, fresh, h_try, filled
                a, kind = (slot - packs_end) // modes.PORT_SLOTS, (slot - packs_end) % modes.PORT_SLOTS
                port_laws.change(a, kind, clock, now, phase, ports, timer, told, equip, log, count, port[1, a])
            if not _quiet(now, pack_state, pack_live, phase, ports, told, equip):
                return SETTLE, clock, step_start, row, fresh, h_try, filled
            if early[row]:
                over = True
                for a in range(p):
                    over = over and phase[a] == modes.DONE
                if over:
                    break
            limit = min(end, stop)
            for a in range(p):
                limit = min(limit, timer[a])
            eq.rates_solved(y, work, port, cells, curves_of, curves, neighbours, devices, flows, f)
            # steps until the limit or the next change
            while clock < limit - LAST_S:
                now = clock - step_start
                h = min(h_try, max_step, limit - clock)
                if g + sample_t.size - filled < grid.size:  # no further than there is room for samples
                    h = min(h, max(LEAST_STEP_S, grid[g + sample_t.size - filled] - clock))
                _decay(h, y, work, port, hybrid, cells, neighbours, devices, flows, decay)
                while True:
                    _factors(decay, h, table)
                    for i in range(size):
                        y_p[i] = y[i] + table[0, i] * f[i]
                    eq.solve_bank(now + 0.5 * h, y_p, cells, curves_of, curves, hybrid, ports, work_p, port_p)
                    eq.rates_solved(y_p, work_p, port_p, cells, curves_of, curves, neighbours, devices, flows, f_a)
                    for i in range(size):
                        f_a[i] += decay[i] * y_p[i]
                        y_s[i] = table[1, i] * y[i] + table[2, i] * (2.0 * f_a[i] - f[i] - decay[i] * y[i])
                    eq.solve_bank(now + h, y_s, cells, curves_of, curves, hybrid, ports, work_1, port_1)
                    eq.rates_solved(y_s, work_1, port_1, cells, curves_of, curves, neighbours, devices, flows, f_1)
                    for i in range(size):
                        begin, end_n = f[i] + decay[i] * y[i], f_1[i] + decay[i] * y_s[i]
                        y_1[i] = table[1, i] * y[i] + table[3, i] * begin + table[4, i] * f_a[i] + table[5, i] * end_n
                        apart[i] = y_1[i] - table[1, i] * y[i] - table[6, i] * begin - table[7, i] * end_n
                    error = 0.0
                    for k in range(n):
                        lasting = abs(apart[2 * n + k]) * cells[eq.TAU1, k] + abs(apart[3 * n + k]) * cells[eq.TAU2, k]
                        error = max(error, abs(apart[k]) + lasting / (2.0 * work[eq.R_NOW, k] * cells[eq.Q, k]))
                    error *= ERROR_SHARE / tolerance
                    steps += 1
                    if error <= 1.0:
                        break
                    if not np.isfinite(error) or h <= LEAST_STEP_S:
                        return HAND_OVER, clock, step_start, row, fresh, 1.0, filled
                    h = max(LEAST_STEP_S, h * max(0.2, 0.9 * error ** (-1.0 / 3.0)))
                _, minus_ohm, _ = eq.solve_bank(now + h, y_1, cells, curves_of, curves, hybrid, ports, work_1, port_1)
                grown = h * min(4.0, 0.9 * max(error, 1e-3) ** (-1.0 / 3.0))
                for k in range(n):  # a current that swings from step to step: the step is too long for it
                    if work[eq.I_PACK, k] * work_1[eq.I_PACK, k] < 0.0:
                        swing = min(abs(work[eq.I_PACK, k]), abs(work_1[eq.I_PACK, k])) * h / cells[eq.Q, k]
                        if swing > SWING * tolerance:
                            grown = min(grown, 0.7 * h)
                h_try = grown if h < limit - clock - 1e-9 or grown > h_try else h_try
                worst = modes.watch_solved(
                    now + h, y_1, work_1, port_1, minus_ohm, cells, curves_of, curves, terminal, pack_live, pack_state, pack_mark,
                    monitors, monitor_state, phase, ports, devices, flows, device_state, due,
                )  # fmt: skip
                found = worst > 0.0
                have_end = found or (g < grid.size and grid[g] < clock + h - 1e-9)
                if have_end:
                    eq.rates_solved(y_1, work_1, port_1, cells, curves_of, curves, neighbours, devices, flows, f_1)
                part, ends = h, 0.5
                level = False
                for k in range(n):
                    level = level or decay[k] > 0.0
                if not found and not level:  # Simpson's rule, with what the middle stage has solved
                    ends = 1.0 / 6.0
                    eq.gather(
                        now + 0.5 * h,
                        4.0 / 6.0 * h,
                        y_p,
                        work_p,
                        port_p,
                        cells,
                        curves_of,
                        curves,
                        ports,
                        acc,
                        port_acc,
                        moment,
                        x,
                    )
                if found:  # bisection for the first instant at which anything is due
                    low, high = 0.0, 1.0
                    while (high - low) * h > LOCATE_S:
                        middle = 0.5 * (low + high)
                        _between(middle, h, y, f, y_1, f_1, y_s)
                        _, minus_ohm, _ = eq.solve_bank(
                            now + middle * h, y_s, cells, curves_of, curves, hybrid, ports, work_p, port_p
                        )
                        worst = modes.watch_solved(
                            now + middle * h, y_s, work_p, port_p, minus_ohm, cells, curves_of, curves, terminal, pack_live,
                            pack_state, pack_mark, monitors, monitor_state, phase, ports, devices, flows, device_state, due,
                        )  # fmt: skip
                        if worst > 0.0:
                            high = middle
                        else:
                            low = middle
                    part, ends = high * h, 0.5
                    if h > NEAR_S:  # the cubic is too coarse over a long step: go nearly there first
                        h_try = max(NEAR_S, 0.8 * part)
                        continue
                while g < grid.size and grid[g] < clock + part - 1e-9 and filled < sample_t.size:
                    _between(max(0.0, grid[g] - clock) / h, h, y, f, y_1, f_1, y_s)
                    eq.solve_bank(grid[g] - step_start, y_s, cells, curves_of, curves, hybrid, ports, work_p, port_p)
                    sample_t[filled] = grid[g]
                    for i in range(eq.N_STATES * n):
                        sample_y[filled, i] = y_s[i]
                    for k in range(n):
                        sample_pack[0, filled, k] = work_p[eq.I_PACK, k]
                        sample_pack[1, filled, k] = eq.terminal_voltage(k, work_p, port_p, terminal)
                    for a in range(p):
                        sample_port[0, filled, a], sample_port[1, filled, a] = port_p[0, a], port_p[1, a]
                    filled += 1
                    g += 1
                eq.gather(now, ends * part, y, work, port, cells, curves_of, curves, ports, acc, port_acc, moment, x)
                if part < h:
                    _between(part / h, h, y, f, y_1, f_1, y_s)
                    for i in range(size):
                        y_1[i] = y_s[i]
                    eq.solve_bank(now + part, y_1, cells, curves_of, curves, hybrid, ports, work_1, port_1)
                    have_end = False
                eq.gather(now + part, ends * part, y_1, work_1, port_1, cells, curves_of, curves, ports, acc, port_acc, moment, x)
                clock = clock + part if found or h < limit - clock - 1e-9 else limit
                for i in range(size):
                    y[i] = y_1[i]
                work, work_1 = work_1, work
                port, port_1 = port_1, port
                if found:
                    break
                if clock >= limit - LAST_S:
                    break
                if filled >= sample_t.size - 1 or steps >= most_steps:
                    break
                if have_end:
                    f, f_1 = f_1, f
                else:
                    eq.rates_solved(y, work, port, cells, curves_of, curves, neighbours, devices, flows, f)
        step_start = clock if early[row] and clock < end - LAST_S else end
        clock = step_start
        row += 1
        fresh = True
    return DONE, clock, step_start, row, fresh, h_try, filled

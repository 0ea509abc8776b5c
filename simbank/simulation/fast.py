"""The fast integrator: the physics of the reference, stepped, watched and summed in one compiled loop.

How a step is made stands in :mod:`simbank.simulation.fast_step`. A change of mode is located by bisection on the cubic through both
ends of a step.

The loop goes on through the rows of a duty and the changes of ports by itself, and comes back to Python when a pack, a BMS or a
device changes, when an appointment outside it falls due, when its steps are spent, or when a step would have to be too short: then,
and where many steps have led next to nowhere, the reference integrator takes over for a while.
"""

from __future__ import annotations

import numpy as np

from simbank.jit import OPTIONS, Compiled, jit_internal
from simbank.simulation import arrays as ar
from simbank.simulation import events, port_states
from simbank.simulation.bank_solver import flow, solve_bank, solve_currents, working_arrays
from simbank.simulation.displays import count_whole_step, shown_within
from simbank.simulation.extremes import reach_ends, reach_flows, reach_states
from simbank.simulation.fast_rows import Setting, fewer, merge_rows, more, rows_to_merge
from simbank.simulation.fast_step import (
    Step,
    add_damage,
    add_own_draw,
    all_plain,
    correct_end,
    interpolate,
    make_step,
    step_arrays,
)
from simbank.simulation.integrals import add_cells, add_instant, record_sample
from simbank.simulation.many_packs import forget, iterates
from simbank.simulation.ode import rates_solved
from simbank.simulation.port_solver import commanded
from simbank.simulation.rows_off_step import set_row

__all__ = ["DONE", "HAND_OVER", "PAUSE", "SETTLE", "SPENT", "advance"]

DONE, SETTLE, PAUSE, HAND_OVER, SPENT = range(5)
LEAST_STEP_S = 1e-4
LOCATE_S = 1e-6  # a change of mode is located this closely ...
NEAR_S = 2.0  # ... on a step no longer than this
LAST_S = 1e-6  # a remainder shorter than this is no step
DAMAGE_ERROR = 300.0  # of a device's damage in one step, as a multiple of the tolerance: 1e-5 by default
KEEP = 1.4  # a step that could grow by less stays as it is, and the exponentials with it
PORT_CHANGES = 64  # so many changes of ports at one instant are for the slow path to judge


def _jit_unlocked(function):
    """An entry that lets go of Python's lock, so that a thread may make ready what comes next; what it works on is its caller's alone."""
    return Compiled(function, OPTIONS | {"nogil": True})


@jit_internal
def _quiet(now, bank, states, stays_open, port_state):
    """Whether no open pack is to be asked if it would conduct and no port has lost its packs without having said so."""
    phase, ports = port_state.phase, port_state.table
    for a in range(phase.size):
        if phase[a] != ar.PHASE_DONE and ports[a, ar.LIVE] == 0.0:
            silent = port_state.reported[a] & port_states.NO_PACK_REPORTED or commanded(now, ports, a) == 0.0
            if port_state.equip[a, ar.PERSISTENT] == 0.0 or not silent:
                return False
    quiet = True
    for k in range(states.pack_state.size):
        quiet = quiet and not events.may_conduct(k, now, states.pack_state, bank.pack_live, phase, ports, stays_open)
    return quiet


def scratch_arrays(n, p, d):
    """What :func:`advance` needs to work in."""
    states = (np.empty(ar.N_STATES * n + d) for _ in range(3))
    due = np.empty(ar.PACK_SLOTS * n + ar.PORT_SLOTS * p + ar.DEVICE_SLOTS * d + 1)
    works = (working_arrays(n, p, iterates(n, p)) for _ in range(3))
    return (*works, *states, due, *step_arrays(n, p, d))


@_jit_unlocked
def advance(
    clock, step_start, row, fresh, dt_try, stop, most_steps, tolerance, max_step, y, bank, levelling, states, stays_open, port_state, sums,
    extremes, all_flows, schedule, samples, scratch, merging,
):  # fmt: skip
    """Go on through the duty until something has to be done outside.

    Parameters
    ----------
    clock, step_start : float
        Time now, and when the present row began [s].
    row : int
        Row of the schedule.
    fresh : bool
        Whether the commands of this row are still to be taken.
    dt_try : float
        Step to try first [s].
    stop : float
        Next instant that is not the ports' own [s].
    most_steps : int
        Steps, those that were not accurate enough among them, after which it comes back.
    tolerance : float
        Greatest estimated error of state of charge in one step.
    max_step : float
        Longest step [s].
    y : ndarray, shape (5 n + d,)
        State of ``n`` packs and ``d`` devices, changed in place.
    bank : BankArrays
        The bank as it is wired now.
    levelling : ndarray
        Of :func:`simbank.simulation.fast_step.levelling_modes`.
    states : StateArrays
        Discrete states of packs and devices, only read.
    stays_open : ndarray of bool, shape (n,)
        Open packs that are not to be asked again whether they would conduct.
    port_state : PortArrays
        What the ``p`` ports do, changed in place.
    sums : SumArrays
        Time integrals, added to in place.
    extremes : Extremes
        Extremes, moved in place.
    all_flows : ndarray, shape (b, n + p)
        Currents of all branches [A] = all_flows · [I; J].
    schedule : tuple of ndarray
        Duration of every row of the duty [s], shape (m,); its commands, (m, p, N_COMMAND); whether it ends early, (m,).
    samples : tuple of ndarray and Samples
        Times at which samples are wanted [s]; times of those made [s], and they.
    scratch : tuple
        Of :func:`scratch_arrays`.
    merging : Merging or None
        What rows are merged in; None where each is walked singly: nothing of merging is then compiled.

    Returns
    -------
    code, clock, step_start, row, fresh, dt_try, filled
        Why it came back, where it stands, and how many samples are filled.
    """
    cells = bank.cells
    phase, ports, timer, log, count = port_state.phase, port_state.table, port_state.timer, port_state.log, port_state.count
    durations, commands, early = schedule
    grid, sample_t, made = samples
    n, p, size = cells.shape[1], ports.shape[0], y.size
    work, work_1, work_s, y_s, f, f_1, due, y_m, y_1, work_m, expected_port, exponentials, coefficients = scratch
    step = Step(y_m, y_1, work_m, expected_port, exponentials, coefficients)
    for one in (work, work_1, work_s, work_m):
        forget(one.iterates)
    last_dt, shows, plain = -1.0, sums.displays.shape[1] > 0, all_plain(bank)
    packs_end = ar.PACK_SLOTS * n
    ports_end = packs_end + ar.PORT_SLOTS * p
    filled, steps = 0, 0
    solved = False  # whether work and now belong to y
    g = 0
    while g < grid.size and grid[g] < clock - 1e-9:
        g += 1
    while row < durations.size:
        if fresh:
            port_states.apply_commands(clock, commands[row], port_state)
            port_states.limit_chargers(y, bank, states, port_state)
            for k in range(n):
                stays_open[k] = False
            fresh = False
        end = step_start + durations[row]
        while clock < end - LAST_S:
            for a in range(p):
                if timer[a, ar.NEXT_AT] <= clock + 1e-9:
                    if not solved:
                        solve_bank(clock - step_start, y, bank, ports, work)
                        solved = True
                    port_states.process_timer(a, clock, port_state, work.port[ar.PORT_VOLTAGE, a])
            if stop <= clock + 1e-9 or filled >= sample_t.size - 1 or count[0] > log.shape[0] - 2 * PORT_CHANGES:
                return PAUSE, clock, step_start, row, fresh, dt_try, filled
            # everything that is due at this instant
            changes = 0
            while True:
                local = clock - step_start
                if solved:
                    flow(local, y, bank, ports, work)
                else:
                    solve_bank(local, y, bank, ports, work)
                    solved = True
                worst = events.watch_solved(local, y, bank, states, phase, ports, work, due)
                if not np.isfinite(worst):
                    return HAND_OVER, clock, step_start, row, fresh, dt_try, filled
                if worst <= 0.0:
                    break
                slot, first = -1, -1
                for i in range(ports_end + ar.DEVICE_SLOTS * bank.devices.shape[0]):
                    if due[i] > 0.0:
                        if i < packs_end or i >= ports_end:
                            return SETTLE, clock, step_start, row, fresh, dt_try, filled
                        a, kind = (i - packs_end) // ar.PORT_SLOTS, (i - packs_end) % ar.PORT_SLOTS
                        first = i if first < 0 else first
                        if slot < 0 and port_states.meets_own_limit(a, kind, local, phase, ports):
                            slot = i
                slot = first if slot < 0 else slot
                changes += 1
                if changes > PORT_CHANGES:
                    return SETTLE, clock, step_start, row, fresh, dt_try, filled
                a, kind = (slot - packs_end) // ar.PORT_SLOTS, (slot - packs_end) % ar.PORT_SLOTS
                volt = work.port[ar.PORT_VOLTAGE, a]
                alone = volt - work.hybrid[n + a, n + a] * work.port[ar.PORT_CURRENT, a]
                port_states.change(a, kind, clock, local, port_state, volt, alone)
            if not _quiet(local, bank, states, stays_open, port_state):
                return SETTLE, clock, step_start, row, fresh, dt_try, filled
            if early[row] and port_states.all_done(port_state):
                break
            if steps >= most_steps:
                return SPENT, clock, step_start, row, fresh, dt_try, filled
            until = stop
            for a in range(p):
                until = min(until, timer[a, ar.NEXT_AT])
            limit = min(end, until)
            if clock >= limit - LAST_S:  # a change was found so close before it
                clock = limit
                continue
            reach_ends(work, all_flows, extremes)
            add_cells(y, bank, work.pack, sums.pack)
            if merging is not None and clock == step_start and plain and not shows:
                at_start = g < grid.size and grid[g] <= clock + 1e-9
                inner = g + 1 if at_start else g
                if inner < grid.size:
                    until = min(until, grid[inner])
                many = rows_to_merge(row, clock, until, min(dt_try, max_step), schedule, states, port_state, merging)
                if many > 0:
                    if at_start:
                        sample_t[filled] = grid[g]
                        record_sample(filled, y, bank, work, made)
                    setting = Setting(
                        bank, levelling, states, port_state, step, sums, extremes, all_flows, schedule, due, tolerance, plain
                    )
                    made_it = False
                    while many > 0 and not made_it:
                        steps += 1
                        span = many * durations[row]
                        straight, error = merge_rows(row, many, step_start, span != last_dt, y, (work, work_1), setting, merging)
                        last_dt = span
                        grown = span * min(4.0, max(0.2, 0.9 * max(error, 1e-3) ** (-1.0 / 3.0)))
                        if error < np.inf:
                            dt_try = grown if span > 0.7 * dt_try else max(dt_try, grown)
                        made_it = straight == many
                        if not made_it:
                            many = fewer(straight, error, merging)
                    if made_it:
                        more(merging)
                        if at_start:
                            filled += 1
                            g += 1
                        work, work_1 = work_1, work
                        for _ in range(many - 1):
                            step_start += durations[row]
                        row += many - 1
                        end = step_start + durations[row]
                        clock = end
                        continue
                    set_row(row, commands, port_state)
                    flow(0.0, y, bank, ports, work)
            held, leaves = 0.0, -1  # weight of this instant in the integrals that is still to be summed; why to come back
            # steps until the limit or the next change
            while clock < limit - LAST_S:
                local = clock - step_start
                dt = min(dt_try, max_step, limit - clock)
                room = g + sample_t.size - filled
                if room < grid.size and grid[room] < clock + dt:  # no room for the samples of this step
                    if filled > 0:
                        leaves = PAUSE
                        break
                    dt = max(LEAST_STEP_S, grid[room] - clock)
                while True:
                    steps += 1
                    error, stiff = make_step(local, dt, dt != last_dt, y, work, bank, levelling, ports, step, plain)
                    last_dt = dt
                    if error <= tolerance:
                        solve_bank(local + dt, y_1, bank, ports, work_1)
                        missed, moved = correct_end(dt, stiff, tolerance, bank, levelling, work, work_1, step)
                        error = max(error, missed)
                        if moved and error <= tolerance:
                            flow(local + dt, y_1, bank, ports, work_1)
                        harm = add_damage(dt, y, bank, work, work_1, step)
                        error = max(error, harm / DAMAGE_ERROR)
                    error /= tolerance
                    if error <= 1.0:
                        break
                    if not np.isfinite(error) or dt <= LEAST_STEP_S:
                        leaves, dt_try = HAND_OVER, 1.0
                        break
                    dt = max(LEAST_STEP_S, dt * max(0.2, 0.9 * error ** (-1.0 / 3.0)))
                if leaves == HAND_OVER:
                    break
                grown = dt * min(4.0, 0.9 * max(error, 1e-3) ** (-1.0 / 3.0))
                if dt < grown < KEEP * dt:
                    grown = dt
                dt_try = grown if dt < limit - clock - 1e-9 or grown > dt_try else dt_try
                worst = events.watch_solved(local + dt, y_1, bank, states, phase, ports, work_1, due)
                found = worst > 0.0
                part = dt
                inner = g + 1 if g < grid.size and grid[g] <= clock + 1e-9 else g  # the first sample that is not at the start
                if found or (inner < grid.size and grid[inner] < clock + dt - 1e-9):
                    rates_solved(y, bank, work, f)
                    rates_solved(y_1, bank, work_1, f_1)
                if found:  # bisection for the first instant at which anything is due
                    low, high = 0.0, 1.0
                    while (high - low) * dt > LOCATE_S:
                        middle = 0.5 * (low + high)
                        interpolate(middle, dt, y, f, y_1, f_1, y_s)
                        at = local + middle * dt
                        solve_currents(at, y_s, bank, ports, work_s)
                        worst = events.watch_solved(at, y_s, bank, states, phase, ports, work_s, due)
                        if worst > 0.0:
                            high = middle
                        else:
                            low = middle
                    part = high * dt
                    if dt > NEAR_S:  # the cubic is too coarse over a long step: go nearly there first
                        dt_try = max(NEAR_S, 0.8 * part)
                        continue
                first_sample = filled
                while g < grid.size and grid[g] < clock + part - 1e-9 and filled < sample_t.size:
                    sample_t[filled] = grid[g]
                    if grid[g] <= clock + 1e-9:
                        record_sample(filled, y, bank, work, made)
                    else:
                        interpolate((grid[g] - clock) / dt, dt, y, f, y_1, f_1, y_s)
                        at = grid[g] - step_start
                        solve_currents(at, y_s, bank, ports, work_s)
                        record_sample(filled, y_s, bank, work_s, made)
                    filled += 1
                    g += 1
                at_ends = dt / 3.0 if stiff and part == dt else part / 6.0
                if part < dt:
                    interpolate(0.5 * part / dt, dt, y, f, y_1, f_1, y_m)
                    interpolate(part / dt, dt, y, f, y_1, f_1, y_s)
                    for i in range(size):
                        y_1[i] = y_s[i]
                    at = local + 0.5 * part
                    solve_bank(at, y_m, bank, ports, work_m)
                    solve_bank(local + part, y_1, bank, ports, work_1)
                add_instant(local, held + at_ends, y, bank, ports, work, sums)
                add_instant(local + 0.5 * part, part - 2.0 * at_ends, y_m, bank, ports, work_m, sums)
                held = at_ends
                if not plain:
                    add_own_draw(part, work, work_1, step, sums.pack)
                if shows:
                    count_whole_step(part, y, work.pack, y_m, work_m.pack, y_1, work_1.pack, cells, sums.displays)
                    for k in range(sums.displays.shape[1]):
                        for i in range(first_sample, filled):
                            made.shown[i, k] = shown_within(k, sample_t[i] - clock, part, sums.displays)
                add_cells(y_1, bank, work_1.pack, sums.pack)
                reach_states(step_start, local, y, work.pack, local + part, y_1, work_1.pack, cells, extremes)
                reach_flows(local, work, local + 0.5 * part, work_m, local + part, work_1, sums, extremes)
                # between the ends of a step a current lies off the straight line by what the step's error allows, milliamperes
                reach_ends(work_1, all_flows, extremes)
                clock = clock + part if found or dt < limit - clock - 1e-9 else limit
                for i in range(size):
                    y[i] = y_1[i]
                work, work_1 = work_1, work
                if found or clock >= limit - LAST_S or filled >= sample_t.size - 1 or steps >= most_steps:
                    break
            if held > 0.0:
                add_instant(clock - step_start, held, y, bank, ports, work, sums)
            if leaves >= 0:
                return leaves, clock, step_start, row, fresh, dt_try, filled
        step_start = clock if early[row] and clock < end - LAST_S else end
        clock = step_start
        row += 1
        fresh = True
    return DONE, clock, step_start, row, fresh, dt_try, filled

"""Discrete states of packs, ports and devices, and the conditions under which each changes.

A pack's BMS is a set of monitors. Each watches one condition; when that has held for the monitor's delay it blocks charge,
discharge or both, and releases again at its own release condition. A pack blocked in one direction opens, waits until the network
would drive current the other way, and conducts that. A port follows its command, is held at its current limit or its charge
voltage, idles at float, is cut off, or is done. A device opens when its damage reaches one or its instantaneous release acts.
:func:`watch` gives one number per possible change, above zero exactly when the change is due; integrators find the instant by
root-finding. Delays are instants known beforehand.
"""

from __future__ import annotations

import numpy as np

from simbank.jit import jit_entry, jit_inline, jit_internal
from simbank.simulation import arrays as ar
from simbank.simulation.bank_solver import renew, solve_currents, terminal_voltage, working_arrays
from simbank.simulation.devices import device_current, opens_when
from simbank.simulation.pack_model import FULL_SOC, KELVIN, cell_volts
from simbank.simulation.port_solver import commanded

RELEASE_SOC = 0.01  # share of capacity that must flow back before a full or empty pack is released; common practice, no source
CURRENT_BAND_C = 1e-7  # C-rate below which a current is no reversal
VOLT_BAND = 1e-6  # V, likewise
SOC_BAND = 1e-12  # a pack this near to 100 or 0 % is there, from the instant a current flows on
HIGHER_VOLT = 1e-3  # V by which a bank must stand above a charge voltage to be said to take nothing at it
HOLD_BAND = 1e-6  # fraction by which a limit must be overrun before the port goes back


@jit_entry
def may_conduct(k, t_step, pack_state, pack_live, phase, ports, stays_open):
    """Whether open pack ``k``, with no voltage around it, is to be asked if it would conduct in its free direction.

    Not where every port wants current the other way. ``t_step`` is the time since the step of the duty began [s].
    """
    if pack_live[k] or stays_open[k] or (pack_state[k] != ar.CHARGE_BLOCKED_OPEN and pack_state[k] != ar.DISCHARGE_BLOCKED_OPEN):
        return False
    out, into = False, False
    for a in range(phase.size):
        if phase[a] == ar.PHASE_IDLE:
            into = True
        elif phase[a] != ar.PHASE_DONE and phase[a] != ar.PHASE_CUT:
            setpoint = commanded(t_step, ports, a)
            out, into = out or setpoint > 0.0, into or setpoint < 0.0
    return out or not into if pack_state[k] == ar.CHARGE_BLOCKED_OPEN else into or not out


def watch(
    t, y, cells, curves_of, curves, hybrid, terminal, pack_live, neighbours, devices, device_flows, pack_state, pack_mark, monitors,
    monitor_state, device_state, phase, ports,
):  # fmt: skip
    """How far each possible change is past due; at or below zero where it is not.

    After ``t`` [s] and ``y`` come the fields of a :class:`~simbank.simulation.arrays.BankArrays` and of its
    :class:`~simbank.simulation.arrays.StateArrays`, one by one since that is quicker to call from Python, then phase and table of the ports.

    Returns
    -------
    ndarray, shape (PACK_SLOTS n + PORT_SLOTS p + DEVICE_SLOTS d + 1,)
        Per pack, per port, per device. The last entry is the greatest of the others, infinite if a current is not a number.
    """
    bank = ar.BankArrays(cells, curves_of, curves, hybrid, terminal, pack_live, neighbours, devices, device_flows)
    states = ar.StateArrays(pack_state, pack_mark, monitors, monitor_state, device_state)
    return watch_of(y, bank, states, phase, ports)(t, y)


def watch_of(y, bank, states, phase, ports):
    """:func:`watch` as a function of time and state alone, for states like ``y``, as long as nothing switches."""
    n, p = bank.cells.shape[1], ports.shape[0]
    size = ar.PACK_SLOTS * n + ar.PORT_SLOTS * p + ar.DEVICE_SLOTS * bank.devices.shape[0] + 1
    work, fresh = working_arrays(n, p), working_arrays(n, p)
    native = _watch.ready((0.0, y, bank, states, phase, ports, work, np.empty(size)))

    def of(t, y):
        renew(work, fresh)
        out = np.empty(size)
        native(t, np.ascontiguousarray(y), bank, states, phase, ports, work, out)
        return out

    return of


@jit_entry
def _watch(t, y, bank, states, phase, ports, work, out):
    """:func:`watch` into ``out``, working in ``work``."""
    solve_currents(t, y, bank, ports, work)
    watch_solved(t, y, bank, states, phase, ports, work, out)


@jit_internal
def watch_solved(t, y, bank, states, phase, ports, work, out):
    """:func:`watch` for a bank that is solved in ``work``, into ``out``; returns its last entry."""
    n, p = bank.cells.shape[1], ports.shape[0]
    devices, device_state, port = bank.devices, states.device_state, work.port
    for i in range(out.size):
        out[i] = -1.0
    worst, total = -1.0, 0.0
    for k in range(n):
        worst = max(worst, _watch_pack(k, y, bank, states, work, out))
        total += work.pack[ar.PACK_CURRENT, k]
    for q in range(p):
        a = ar.PACK_SLOTS * n + ar.PORT_SLOTS * q
        full = reported_full(ports[q, ar.STOP_REPORT], y, states.pack_state, states.monitor_state)
        _watch_port(q, a, t, phase, ports, work, full, out)
        worst = max(worst, out[a], out[a + 1], out[a + 2], out[a + 3], out[a + 4])
        total += port[ar.PORT_CURRENT, q] + port[ar.PORT_VOLTAGE, q]
    for d in range(devices.shape[0]):
        a = ar.PACK_SLOTS * n + ar.PORT_SLOTS * p + ar.DEVICE_SLOTS * d
        if device_state[d] == ar.QUIET or device_state[d] == ar.RUNNING:
            current = device_current(d, bank.device_flows, work)
            out[a + ar.SLOT_DAMAGE], over = opens_when(d, current, y[ar.N_STATES * n + d], devices)
            out[a + ar.SLOT_PICKUP] = over if device_state[d] == ar.QUIET else -over - 1e-9
            worst = max(worst, out[a + ar.SLOT_DAMAGE], out[a + ar.SLOT_PICKUP])
    out[out.size - 1] = worst if np.isfinite(total) else np.inf
    return out[out.size - 1]


@jit_inline
def _watch_pack(k, y, bank, states, work, out):
    """The changes of one pack; returns the greatest."""
    n, pack, state = bank.cells.shape[1], work.pack, states.pack_state[k]
    z, warm, current = y[ar.SOC * n + k], y[ar.TEMPERATURE * n + k] - KELVIN, pack[ar.PACK_CURRENT, k]
    rate = current * 3600.0 / bank.cells[ar.CAPACITY_AS, k]
    worst = -1.0
    if state == ar.CHARGE_BLOCKED_OPEN and bank.pack_live[k]:
        worst = pack[ar.EMF, k] - terminal_voltage(k, bank.terminal, work) - VOLT_BAND
    elif state == ar.DISCHARGE_BLOCKED_OPEN and bank.pack_live[k]:
        worst = terminal_voltage(k, bank.terminal, work) - pack[ar.EMF, k] - VOLT_BAND
    elif state == ar.CHARGE_BLOCKED_CONDUCTING:
        worst = -rate - CURRENT_BAND_C
    elif state == ar.DISCHARGE_BLOCKED_CONDUCTING:
        worst = rate - CURRENT_BAND_C
    out[ar.PACK_SLOTS * k] = worst
    high, low = cell_volts(k, y, bank.cells, bank.curves_of, bank.curves, pack)
    charges, discharges = -rate - CURRENT_BAND_C, rate - CURRENT_BAND_C
    monitors, doing, mark, at = states.monitors[k], states.monitor_state[k], states.pack_mark[k], ar.PACK_SLOTS * k + 1
    if doing[ar.FULL] != ar.WAITING:
        full = z + SOC_BAND - monitors[ar.FULL, ar.MONITOR_RELEASE]
        past = min(max(high - monitors[ar.FULL, ar.MONITOR_LIMIT], full), charges)
        worst = max(worst, _due(at + ar.FULL, doing[ar.FULL], past, mark[ar.MARK_FULL] - RELEASE_SOC - z, out))
    if doing[ar.EMPTY] != ar.WAITING:
        empty = monitors[ar.EMPTY, ar.MONITOR_RELEASE] + SOC_BAND - z
        past = min(max(monitors[ar.EMPTY, ar.MONITOR_LIMIT] - low, empty), discharges)
        worst = max(worst, _due(at + ar.EMPTY, doing[ar.EMPTY], past, z - mark[ar.MARK_EMPTY] - RELEASE_SOC, out))
    if monitors[ar.PAST_FULL, ar.MONITOR_LIMIT] < np.inf:
        worst = max(worst, _due(at + ar.PAST_FULL, doing[ar.PAST_FULL], z - 1.0, 1.0 - z, out))
        worst = max(worst, _due(at + ar.PAST_EMPTY, doing[ar.PAST_EMPTY], -z, z, out))
    r = ar.CELL_OVER_VOLTAGE
    if monitors[r, ar.MONITOR_LIMIT] < np.inf:
        past = min(high - monitors[r, ar.MONITOR_LIMIT], charges)
        worst = max(worst, _due(at + r, doing[r], past, monitors[r, ar.MONITOR_RELEASE] - high, out))
    r = ar.CELL_UNDER_VOLTAGE
    if monitors[r, ar.MONITOR_LIMIT] < np.inf:
        past = min(monitors[r, ar.MONITOR_LIMIT] - low, discharges)
        worst = max(worst, _due(at + r, doing[r], past, low - monitors[r, ar.MONITOR_RELEASE], out))
    r = ar.CHARGE_OVER_CURRENT
    if monitors[r, ar.MONITOR_LIMIT] < np.inf:
        worst = max(worst, _due(at + r, doing[r], -current - monitors[r, ar.MONITOR_LIMIT], 1.0, out))
    for r in (ar.DISCHARGE_OVER_CURRENT_1, ar.DISCHARGE_OVER_CURRENT_2, ar.SHORT_CIRCUIT):
        if monitors[r, ar.MONITOR_LIMIT] < np.inf:
            worst = max(worst, _due(at + r, doing[r], current - monitors[r, ar.MONITOR_LIMIT], 1.0, out))
    for r in (ar.CHARGE_TEMPERATURE, ar.DISCHARGE_TEMPERATURE):
        upper, lower, band = monitors[r, ar.MONITOR_LIMIT], monitors[r, ar.MONITOR_LOWER_LIMIT], monitors[r, ar.MONITOR_RELEASE]
        if upper < np.inf:
            worst = max(
                worst, _due(at + r, doing[r], max(warm - upper, lower - warm), min(upper - band - warm, warm - lower - band), out)
            )
    return worst


@jit_inline
def _due(at, doing, past, over, out):
    """Write how far a monitor is past what it waits for: its limit, its limit no longer, or its release level."""
    value = -1.0
    if doing == ar.QUIET:
        value = past
    elif doing == ar.RUNNING:
        value = -past - 1e-9
    elif doing == ar.BLOCKING:
        value = over
    out[at] = value
    return value


@jit_inline
def reported_full(which, y, pack_state, monitor_state):
    """Above zero if the packs that a charger heeds report that they are full.

    A pack reports it from ``FULL_SOC`` on, and while its charge is blocked at a cell limit or by over-voltage. One that is open
    both ways (switched off, locked) reports nothing and is not waited for.
    """
    if which == ar.STOP_NONE:
        return -1.0
    least, greatest = 2.0, -1.0
    for k in range(pack_state.size):
        if pack_state[k] == ar.OPEN or (which > 0.0 and k != int(which) - 1):
            continue
        past = y[k] - FULL_SOC
        if monitor_state[k, ar.FULL] >= ar.WAITING or monitor_state[k, ar.CELL_OVER_VOLTAGE] >= ar.WAITING:
            past = 1.0
        least, greatest = min(least, past), max(greatest, past)
    return least if which == ar.STOP_ALL_FULL and least < 2.0 else greatest


@jit_inline
def _watch_port(q, a, t, phase, ports, work, full, out):
    """The changes of port ``q``, from place ``a`` of ``out`` on; ``full`` above zero if the packs it heeds report that they are."""
    if ports[q, ar.LIVE] == 0.0 or phase[q] == ar.PHASE_DONE:
        return
    setpoint = commanded(t, ports, q)
    current, volt = work.port[ar.PORT_CURRENT, q], work.port[ar.PORT_VOLTAGE, q]
    charge = ports[q, ar.KIND] != ar.MODE_RESISTANCE and setpoint < 0.0
    if phase[q] == ar.PHASE_FOLLOW:
        if charge:
            out[a + ar.SLOT_REACHES] = volt - ports[q, ar.VOLT_LIMIT]
            out[a + ar.SLOT_CURRENT] = -current / ports[q, ar.CURRENT_MAX] - 1.0 - HOLD_BAND
        elif setpoint > 0.0:
            out[a + ar.SLOT_REACHES] = ports[q, ar.CUTOFF_VOLT] - volt
            if ports[q, ar.KIND] == ar.MODE_POWER:  # d(power)/d(current) has come down to nothing
                itself = work.hybrid.shape[1] - ports.shape[0] + q
                out[a + ar.SLOT_CURRENT] = -(volt + work.hybrid[itself, itself] * current)
    elif phase[q] == ar.PHASE_LIMITED:
        out[a + ar.SLOT_REACHES] = volt - ports[q, ar.VOLT_LIMIT]
        most = ports[q, ar.CURRENT_MAX] * (volt if ports[q, ar.KIND] == ar.MODE_POWER else 1.0)
        out[a + ar.SLOT_CURRENT] = most / (-setpoint + 1e-9) - 1.0 - HOLD_BAND if setpoint < 0.0 else 1.0
    elif phase[q] == ar.PHASE_HOLD:
        limit = setpoint if ports[q, ar.KIND] == ar.MODE_CURRENT else setpoint / volt
        limit = max(limit, -ports[q, ar.CURRENT_MAX])
        out[a + ar.SLOT_REACHES] = (limit - current) / (abs(limit) + 1e-6) - HOLD_BAND
        below = ports[q, ar.TAIL_A] + current
        out[a + ar.SLOT_CURRENT] = -below - 1e-9 if ports[q, ar.TAIL_RUNS] > 0.0 else below - 1e-9
        out[a + ar.SLOT_TURNS] = current - 1e-9  # a charger takes no current from the bank
    elif phase[q] == ar.PHASE_IDLE:
        out[a + ar.SLOT_REACHES] = ports[q, ar.VOLT_LIMIT] - volt - VOLT_BAND if charge else -1.0
    elif phase[q] == ar.PHASE_CUT:
        out[a + ar.SLOT_REACHES] = volt - ports[q, ar.RECOVERY_VOLT]
    if ports[q, ar.IS_CUT_OFF] > 0.0 and phase[q] != ar.PHASE_CUT:  # charges, or nothing is asked
        out[a + ar.SLOT_RECOVERS] = volt - ports[q, ar.RECOVERY_VOLT]
    if ports[q, ar.REBULK_VOLT] > 0.0:  # at float; the packs' report lasts until they have given back a share of their charge
        out[a + ar.SLOT_TURNS] = min(ports[q, ar.REBULK_VOLT] - volt, -full - RELEASE_SOC) if phase[q] != ar.PHASE_CUT else -1.0
    elif charge and phase[q] != ar.PHASE_CUT:
        out[a + ar.SLOT_FULL] = full

"""Discrete states of packs and ports, and the conditions under which each changes.

A pack that reaches a cell limit opens in the blocked direction only: it waits with its switch open until the network would
drive current the other way, conducts that, and is released once one point of its capacity has flowed back. A port follows its
command, holds the charge voltage, or is done. :func:`watch` gives one number per possible change, which is above zero exactly
when the change is due; integrators find the instant by root-finding.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from simbank.cells.curves import curve_value
from simbank.simulation import equations as eq

# Pack states.
CLOSED, FULL_OPEN, FULL_CONDUCTING, EMPTY_OPEN, EMPTY_CONDUCTING = range(5)
# Port phases.
FOLLOW, HOLD, DONE = range(3)

RELEASE_SOC = 0.01  # share of capacity that must flow back before a block is released; common practice, no source
CURRENT_BAND_C = 1e-7  # C-rate below which a current is no reversal
VOLT_BAND = 1e-6  # V, likewise
HOLD_BAND = 1e-6  # fraction by which a held voltage must overrun the set current before the current is set again

PACK_SLOTS, PORT_SLOTS = 2, 2
# What each change is called in the events table.
CHARGE_BLOCKED = "charge blocked at cell limit"
DISCHARGE_BLOCKED = "discharge blocked at cell limit"
CONDUCTS_DISCHARGE = "conducts discharge while charge stays blocked"
CONDUCTS_CHARGE = "conducts charge while discharge stays blocked"
OPENS_AGAIN = "opens again: current would flow in the blocked direction"
RELEASED = "block released"
HOLDS_VOLTAGE = "charge voltage reached, voltage held"
CURRENT_AGAIN = "current limit reached, current held"
CHARGE_ENDED = "charge ended at tail current"
CUTOFF = "discharge ended at cut-off voltage"
TOO_MUCH_POWER = "stopped: power is beyond what the bank can give"
NO_PACK = "stopped: no pack can pass this current"


@njit(cache=True)
def watch(t, y, cells, curves_of, curves, hybrid, terminal, pack_live, pack_state, pack_mark, phase, ports):
    """How far each possible change is past due, shape (2 n + 2 p + 1,); at or below zero where it is not due.

    The last entry is the greatest of the others, infinite if one of them is not a number.
    """
    n = cells.shape[1]
    p = ports.shape[0]
    work = np.empty((eq.N_WORK, n))
    port = np.empty((2, p))
    _, minus_ohm, _ = eq.solve_bank(t, y, cells, curves_of, curves, hybrid, ports, work, port)
    out = np.full(PACK_SLOTS * n + PORT_SLOTS * p + 1, -1.0)
    for k in range(n):
        z, current, state = y[k], work[eq.I_PACK, k], pack_state[k]
        rate = current * 3600.0 / cells[eq.Q, k]
        a, b = 2 * k, 2 * k + 1
        if state == CLOSED:
            # Mean cell voltage, and by how far the open-circuit voltages of the fullest and the emptiest cell lie off the mean.
            cell = (work[eq.E, k] - current * (work[eq.R_NOW, k] - cells[eq.R_WIRING, k])) / cells[eq.NS, k]
            above, below = 0.0, 0.0
            if curves_of[eq.HIGHEST, k] != curves_of[eq.OCV, k]:
                mean, _, _ = curve_value(curves, curves_of[eq.OCV, k], z)
                high, _, _ = curve_value(curves, curves_of[eq.HIGHEST, k], z)
                low, _, _ = curve_value(curves, curves_of[eq.LOWEST, k], z)
                above, below = high - mean, low - mean
            out[a] = min(max(cell + above - cells[eq.VOLT_MAX, k], z - 1.0), -rate - CURRENT_BAND_C)
            out[b] = min(max(cells[eq.VOLT_MIN, k] - cell - below, -z), rate - CURRENT_BAND_C)
        elif state == FULL_OPEN:
            if pack_live[k]:
                out[a] = work[eq.E, k] - eq.terminal_voltage(k, work, port, terminal) - VOLT_BAND
        elif state == EMPTY_OPEN:
            if pack_live[k]:
                out[a] = eq.terminal_voltage(k, work, port, terminal) - work[eq.E, k] - VOLT_BAND
        elif state == FULL_CONDUCTING:
            out[a] = -rate - CURRENT_BAND_C
            out[b] = pack_mark[k] - RELEASE_SOC - z
        else:
            out[a] = rate - CURRENT_BAND_C
            out[b] = z - pack_mark[k] - RELEASE_SOC
    for q in range(p):
        a, b = PACK_SLOTS * n + 2 * q, PACK_SLOTS * n + 2 * q + 1
        if ports[q, eq.LIVE] == 0.0 or phase[q] == DONE:
            continue
        wish = eq.commanded(t, ports, q)
        current, volt = port[0, q], port[1, q]
        if phase[q] == FOLLOW:
            if wish < 0.0:
                out[a] = volt - ports[q, eq.VOLT_LIMIT]
            elif wish > 0.0:
                out[a] = ports[q, eq.CUTOFF] - volt
                if ports[q, eq.MODE] == eq.POWER:  # d(power)/d(current) has come down to nothing
                    out[b] = -(volt + minus_ohm[q, q] * current)
        else:
            limit = wish if ports[q, eq.KIND] == eq.CURRENT else wish / volt
            out[a] = (limit - current) / (abs(limit) + 1e-6) - HOLD_BAND
            out[b] = ports[q, eq.TAIL] + current
    worst = -np.inf
    for i in range(out.size - 1):
        if np.isnan(out[i]):
            worst = np.inf
        worst = max(worst, out[i])
    out[out.size - 1] = worst
    return out

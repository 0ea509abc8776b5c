"""Currents and voltages of the whole bank at one instant.

``[I; V] = hybrid · [e − (r − r_ref) I; J]`` (see :mod:`simbank.network`, reduced at ``r_ref``); each port fixes its current, its
voltage or its power. Currents are positive out of a pack and out of the bank (discharge).

A device in line (fuse, breaker) carries a damage D, which is 1 when it opens: dD/dt = 1/t(i) at i times its rating, t from its
inverse-time curve, and −D/τ below the curve, so that it remembers.
"""

from __future__ import annotations

import numpy as np

from simbank.cells.curves import curve_value
from simbank.jit import jit_allocating, jit_entry, jit_internal
from simbank.simulation import arrays as ar
from simbank.simulation.pack_model import cell_state, pack_heat
from simbank.simulation.port_solver import port_currents


@jit_allocating
def working_arrays(n, p):
    """What one solution of a bank of ``n`` packs and ``p`` ports is written to: ``work``, ``port``, ``now`` (its last row is scratch)."""
    return np.empty((ar.N_WORK, n)), np.zeros((ar.N_PORT_WORK + p, p)), np.empty((n + p + 1, n + p))


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


@jit_internal
def row_product(matrix, r, what, work, port):
    """Row ``r`` of a matrix of the reduced network times a row of ``work`` (packs) and the port currents."""
    n = work.shape[1]
    value = 0.0
    for k in range(n):
        value += matrix[r, k] * work[what, k]
    for a in range(port.shape[1]):
        value += matrix[r, n + a] * port[ar.PORT_CURRENT, a]
    return value


@jit_internal
def terminal_voltage(k, work, port, terminal):
    """Voltage the network puts across the terminals of pack ``k`` [V]."""
    return row_product(terminal, k, ar.EMF_LINEAR, work, port)


@jit_entry
def device_current(d, flows, work, port):
    """Current through device ``d`` [A]."""
    return row_product(flows, d, ar.PACK_CURRENT, work, port)


@jit_entry
def damage_rate(d, current, damage, devices, curves):
    """dD/dt of device ``d`` [1/s]: 1/t of its inverse-time curve above its least multiple, −D/τ of cooling below it.

    The device opens at D = 1: ∫ dt/t(I) = 1, so at a steady current after the time t of its curve (IEEE C37.112, from memory). Each
    method integrates the rate in the form that suits it; these are the places: the reference's solver (``ode.py``), Simpson's rule
    over a step (``fast.py``), the trapezoidal rule over the known current of a fault (``studies/protection/faults.py``), and, while
    currents stand still, rate × time or exp(−t/τ) (``studies/protection/outage.py``).
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

"""Currents and voltages of the whole bank at one instant.

``[I; V] = hybrid · [e − (r − r_ref) I; J]`` (see :mod:`simbank.network`, reduced at ``r_ref``); each port fixes its
current, voltage, power or resistance. Currents are positive out of a pack and out of the bank (discharge).
"""

from __future__ import annotations

import numpy as np

from simbank.jit import jit_entry, jit_inline, jit_internal
from simbank.simulation import arrays as ar
from simbank.simulation.many_packs import currents_by_iteration
from simbank.simulation.pack_model import cell_state, emf_and_resistance, pack_heat
from simbank.simulation.port_solver import port_currents


def working_arrays(n, p, iterates=None):
    """What one solution of a bank of ``n`` packs and ``p`` ports is written to, a :class:`~simbank.simulation.arrays.Work`.

    With ``iterates``, of :func:`simbank.simulation.many_packs.iterates`, the network may be solved without being updated as a whole.
    """
    pack = np.zeros((ar.N_WORK, n))
    pack[ar.RC_2_SLOPE], pack[ar.RC_2_SECANT] = 1.0, 1.0  # as of packs without a lag of charge
    return ar.Work(
        pack, np.zeros((ar.N_PORT_WORK + p, p)), np.empty((n + p + 1, n + p)), np.empty(0) if iterates is None else iterates
    )


def renew(work, fresh):
    """Make ``work`` as ``fresh`` ones are from :func:`working_arrays`, but for the network, which every solution writes whole."""
    np.copyto(work.pack, fresh.pack)
    np.copyto(work.port, fresh.port)


@jit_inline
def add_series_resistance(hybrid, more, out):
    """The reduced network ``hybrid`` with resistances ``more`` [ohm] in series with the packs, into ``out``.

    A resistance r in series with pack k turns the symmetric matrix H into H − H[:,k] H[k,:] r / (1 + r H[k,k]): one pack after the
    other (Sherman & Morrison, Ann. Math. Statist. 21 (1950) 124), on the upper half.
    """
    size, n = out.shape[1], more.size
    for i in range(size):
        for j in range(size):
            out[i, j] = hybrid[i, j]
    changed = False
    for k in range(n):
        if more[k] == 0.0:
            continue
        changed = True
        for i in range(size):
            out[size, i] = out[i, k] if i < k else out[k, i]
        part = more[k] / (1.0 + more[k] * out[k, k])
        for i in range(size):
            factor = part * out[size, i]
            for j in range(i, size):
                out[i, j] -= factor * out[size, j]
    if changed:
        for i in range(size):
            for j in range(i):
                out[i, j] = out[j, i]


@jit_internal
def currents(t, emf, hybrid, ports, port, out):
    """Currents of packs, into ``out``, and of ports, into ``port``, for electromotive forces ``emf`` [V]."""
    n = out.size
    p = ports.shape[0]
    for a in range(p):
        value = 0.0
        for k in range(n):
            value += hybrid[n + a, k] * emf[k]
        port[ar.PORT_OPEN_VOLTAGE, a] = value
    port_currents(t, hybrid, ports, port)
    for k in range(n):
        value = 0.0
        for m in range(n):
            value += hybrid[k, m] * emf[m]
        for a in range(p):
            value += hybrid[k, n + a] * port[ar.PORT_CURRENT, a]
        out[k] = value


@jit_inline
def solution(t, emf, more, base, ports, port, iterates, hybrid, out):
    """:func:`currents` by the network ``hybrid``, or of many packs iterated from ``base`` with resistances ``more`` in series."""
    if iterates.ndim == 1:
        currents(t, emf, hybrid, ports, port, out)
    else:
        currents_by_iteration(t, emf, more, base, ports, port, iterates, hybrid, out)


@jit_inline
def _network_as_it_is(base, more, iterates, hybrid):
    """Update the network, but for many packs, whose currents are iterated."""
    if iterates.ndim == 1:
        add_series_resistance(base, more, hybrid)


@jit_inline
def _solve_network(t, bank, ports, work):
    """All currents and voltages, for packs and a network that stand in ``work``."""
    pack = work.pack
    more = pack[ar.R_ABOVE_REF]
    solution(t, pack[ar.EMF], more, bank.hybrid, ports, work.port, work.iterates, work.hybrid, pack[ar.PACK_CURRENT])
    for k in range(pack.shape[1]):
        pack[ar.EMF_LINEAR, k] = pack[ar.EMF, k] - pack[ar.R_ABOVE_REF, k] * pack[ar.PACK_CURRENT, k]


@jit_inline
def flow(t, y, bank, ports, work):
    """All currents and voltages, and the heat they make, for packs and a network that stand in ``work``."""
    _solve_network(t, bank, ports, work)
    pack_heat(y, bank.cells, work.pack)


@jit_entry
def solve_bank(t, y, bank, ports, work):
    """All currents and voltages at one instant into ``work``, the heat they make, and how the packs answer to their states."""
    cell_state(y, bank.cells, bank.curves_of, bank.curves, work.pack)
    _network_as_it_is(bank.hybrid, work.pack[ar.R_ABOVE_REF], work.iterates, work.hybrid)
    flow(t, y, bank, ports, work)


@jit_internal
def solve_currents(t, y, bank, ports, work):
    """All currents and voltages at one instant into ``work``, as :func:`solve_bank`, and no more.

    That is enough for a sample and to see whether a change is due. Of the packs only the rows ``EMF``, ``EMF_LINEAR``,
    ``PACK_CURRENT``, ``R_OHMIC``, ``R_ABOVE_REF`` and ``OWN_DRAW`` (with it ``EMF_SETTLED``) are written: no slopes, no heat, nothing of
    relaxation.
    """
    for k in range(bank.cells.shape[1]):
        emf_and_resistance(k, y, bank.cells, bank.curves_of, bank.curves, work.pack)
    _network_as_it_is(bank.hybrid, work.pack[ar.R_ABOVE_REF], work.iterates, work.hybrid)
    _solve_network(t, bank, ports, work)


@jit_inline
def row_product(matrix, r, what, work):
    """Row ``r`` of a matrix of the reduced network times a row of what the packs have and the port currents."""
    n = work.pack.shape[1]
    value = 0.0
    for k in range(n):
        value += matrix[r, k] * work.pack[what, k]
    for a in range(work.port.shape[1]):
        value += matrix[r, n + a] * work.port[ar.PORT_CURRENT, a]
    return value


@jit_internal
def four_row_products(matrix, r, what, work):
    """:func:`row_product` of rows ``r`` to ``r + 3``: side by side, since each sum waits for its last term."""
    n = work.pack.shape[1]
    one, two, three, four = 0.0, 0.0, 0.0, 0.0
    for k in range(n):
        x = work.pack[what, k]
        one, two = one + matrix[r, k] * x, two + matrix[r + 1, k] * x
        three, four = three + matrix[r + 2, k] * x, four + matrix[r + 3, k] * x
    for a in range(work.port.shape[1]):
        x, c = work.port[ar.PORT_CURRENT, a], n + a
        one, two = one + matrix[r, c] * x, two + matrix[r + 1, c] * x
        three, four = three + matrix[r + 2, c] * x, four + matrix[r + 3, c] * x
    return one, two, three, four


@jit_inline
def terminal_voltage(k, terminal, work):
    """Voltage the network puts across the terminals of pack ``k`` [V]."""
    return row_product(terminal, k, ar.EMF_LINEAR, work)

"""Currents of a bank of many packs at one instant by conjugate gradients, where updating the whole reduced network would take longer.

With resistances d in series with the packs, [I; V] = hybrid · [w; J] and w = e − d I, that is (Y⁻¹ + d) I = e + Y⁻¹ B J with the blocks Y
and B of the hybrid matrix. Y⁻¹ + d is symmetric and, on what Y can give, positive, as long as every pack's resistance is. It is solved
by conjugate gradients preconditioned with Y (Hestenes & Stiefel, J. Res. Natl. Bur. Stand. 49 (1952) 409), which never need Y⁻¹: each
direction p = Y q is kept with its q. An iteration is one product with Y. Packs behind the wiring of a bank are nearly alike to it, so
that a few iterations come to round-off; each solution begins at the one before.
"""

from __future__ import annotations

import numpy as np

from simbank.jit import jit_internal, jit_wide
from simbank.simulation import arrays as ar
from simbank.simulation.port_solver import port_currents

DIRECT_PACKS = (
    24  # up to so many packs the reduced network itself is updated: as quick, and each number a run gives stays what it was
)
ROUND_OFF = 1e-13  # of the greatest current: a step of the iteration that moves no current by more is the last

# Blocks of rows of ``iterates``, shape (N_BLOCKS (1 + p) + 2, n): one row for the ports at rest, then one for an ampere of each port.
(
    BEHIND,  # w, what the reduced network takes for the electromotive forces [V]; of a port less what it has without the resistances
    RESIDUAL,  # of the equations [V]
    CURRENT,  # x = Y w [A]
    STEERED,  # Y times the residual [A]
    ALONG,  # direction p = Y q of the iteration [A]
    ALONG_BEHIND,  # its q [V]
    N_BLOCKS,
) = range(7)


def iterates(n, p):
    """What the currents of ``n`` packs and ``p`` ports are iterated in; of one dimension, and empty, for a bank that is solved directly.

    Compiled code is made for either kind, so that no other has to wait for the iteration to be compiled.
    """
    return np.full((N_BLOCKS * (1 + p) + 2, n), np.nan) if n > max(DIRECT_PACKS, 2 + p) else np.empty(0)


@jit_internal
def forget(rows):
    """Begin anew from nothing: the reduced network has changed."""
    if rows.ndim > 1:
        for i in range(rows.shape[0]):
            for k in range(rows.shape[1]):
                rows[i, k] = np.nan


@jit_wide
def _products(matrix, rows, source, target, apart, number):
    """Y times rows ``source``, ``source + apart`` and so on, into as many from ``target`` on. Y is symmetric."""
    n = rows.shape[1]
    for v in range(number):
        for j in range(n):
            rows[target + v * apart, j] = 0.0
    for k in range(0, n - n % 4, 4):
        for v in range(number):
            i, o = source + v * apart, target + v * apart
            a, b, c, d = rows[i, k], rows[i, k + 1], rows[i, k + 2], rows[i, k + 3]
            for j in range(n):
                rows[o, j] += (a * matrix[k, j] + b * matrix[k + 1, j]) + (c * matrix[k + 2, j] + d * matrix[k + 3, j])
    for k in range(n - n % 4, n):
        for v in range(number):
            for j in range(n):
                rows[target + v * apart, j] += rows[source + v * apart, k] * matrix[k, j]


@jit_wide
def currents_by_iteration(t, emf, more, base, ports, port, rows, hybrid, out):
    """Currents of packs, into ``out``, and of ports, into ``port``, with resistances ``more`` in series with the packs.

    Parameters
    ----------
    t : float
        Time in the row of the duty [s].
    emf, more : ndarray, shape (n,)
        Electromotive forces [V], and resistances [ohm] added to those at which the network was reduced.
    base : ndarray, shape (n + p, n + p)
        The reduced network.
    ports : ndarray, shape (p, N_PORT_COLUMNS)
        What each port imposes.
    port : ndarray
        As of :class:`~simbank.simulation.arrays.Work`.
    rows : ndarray
        Of :func:`iterates`; what is left there is where the next solution begins.
    hybrid : ndarray, shape (n + p, n + p) or more rows
        The network with the resistances in place is written here as far as it is known: the block of the ports, and the diagonal,
        where each pack's own resistance alone is in place.
    out : ndarray, shape (n,)
        [A].
    """
    n, p = out.size, ports.shape[0]
    columns, step, known = 1 + p, rows.shape[0] - 2, rows.shape[0] - 1
    same = True
    for k in range(n):
        same = same and rows[known, k] == more[k]
    wanted = 1 if same else columns
    for c in range(wanted):
        _begin(c, columns, n, emf, more, base, rows)
    # what the start is behind the network again, so that round-off of many solutions does not add up; and the first direction
    _products(base, rows, BEHIND * columns, CURRENT * columns, 1, wanted)
    _iterate(wanted, columns, more, base, rows, step)
    if not same:
        for k in range(n):
            rows[known, k] = more[k]
            hybrid[k, k] = base[k, k] / (1.0 + more[k] * base[k, k])
        for a in range(p):
            for b in range(p):
                value = base[n + a, n + b]
                for k in range(n):
                    value -= base[n + a, k] * more[k] * (base[k, n + b] + rows[CURRENT * columns + 1 + b, k])
                hybrid[n + a, n + b] = value
    at_rest = CURRENT * columns
    for a in range(p):
        value = 0.0
        for k in range(n):
            value += base[n + a, k] * (emf[k] - more[k] * rows[at_rest, k])
        port[ar.PORT_OPEN_VOLTAGE, a] = value
    port_currents(t, hybrid, ports, port)
    for k in range(n):
        value = rows[at_rest, k]
        for a in range(p):
            value += (base[k, n + a] + rows[at_rest + 1 + a, k]) * port[ar.PORT_CURRENT, a]
        out[k] = value


@jit_internal
def _begin(c, columns, n, emf, more, base, rows):
    """Residual of column ``c`` where it stands, and no direction yet."""
    behind, current, residual = BEHIND * columns + c, CURRENT * columns + c, RESIDUAL * columns + c
    total = 0.0
    for k in range(n):
        total += rows[behind, k] + rows[current, k]
    if not np.isfinite(total):  # the solution before was none
        for k in range(n):
            rows[behind, k], rows[current, k] = 0.0, 0.0
    for k in range(n):
        drive = emf[k] if c == 0 else -more[k] * base[k, n + c - 1]
        rows[residual, k] = drive - rows[behind, k] - more[k] * rows[current, k]
        rows[ALONG * columns + c, k], rows[ALONG_BEHIND * columns + c, k] = 0.0, 0.0


@jit_wide
def _iterate(wanted, columns, more, base, rows, step):
    """Conjugate gradients on the first ``wanted`` columns, until none moves by more than round-off; row ``step`` is scratch."""
    n = more.size
    for c in range(wanted):
        rows[step, c] = 0.0  # residual · steered of the iteration before; infinite where a column is done
    for _ in range(4 * n):
        _products(base, rows, RESIDUAL * columns, STEERED * columns, 1, wanted)
        left = False
        for c in range(wanted):
            if rows[step, c] == np.inf:
                continue
            behind, current, residual = BEHIND * columns + c, CURRENT * columns + c, RESIDUAL * columns + c
            steered, along, along_behind = STEERED * columns + c, ALONG * columns + c, ALONG_BEHIND * columns + c
            fits = 0.0
            for k in range(n):
                fits += rows[residual, k] * rows[steered, k]
            turn = fits / rows[step, c] if rows[step, c] > 0.0 else 0.0
            bends = 0.0
            for k in range(n):
                rows[along, k] = rows[steered, k] + turn * rows[along, k]
                rows[along_behind, k] = rows[residual, k] + turn * rows[along_behind, k]
                bends += rows[along, k] * (rows[along_behind, k] + more[k] * rows[along, k])
            rows[step, c] = np.inf
            if not (fits > 0.0 and bends > 0.0):
                continue
            length, largest, moved = fits / bends, 1.0 if c == 0 else 0.0, 0.0
            for k in range(n):
                move = length * rows[along, k]
                rows[current, k] += move
                rows[behind, k] += length * rows[along_behind, k]
                rows[residual, k] -= length * (rows[along_behind, k] + more[k] * rows[along, k])
                largest = max(largest, abs(rows[current, k] if c == 0 else base[k, n + c - 1] + rows[current, k]))
                moved = max(moved, abs(move))
            if moved > ROUND_OFF * largest:
                rows[step, c], left = fits, True
        if not left:
            return

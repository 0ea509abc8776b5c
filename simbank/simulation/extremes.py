"""Extremes within a step: highest and lowest state of charge, currents and voltages between the instants that are solved."""

from __future__ import annotations

import numpy as np

from simbank.jit import jit_inline, jit_internal
from simbank.simulation import arrays as ar
from simbank.simulation.bank_solver import four_row_products, row_product
from simbank.simulation.pack_model import EMPTY_SOC, FULL_SOC, moving


@jit_internal
def reach_states(base, t_0, y_0, pack_0, t_1, y_1, pack_1, cells, extremes):
    """Extremes of state of charge between two instants of a step, along the cubic through both with their slopes.

    ``pack_0`` and ``pack_1`` are the packs as solved at both, ``base`` the run's time where ``t_0`` counts from [s]. The spread
    between the instants is that of the packs which are highest and lowest at either.
    """
    soc, spread, first = extremes.soc, extremes.spread, extremes.first
    n = cells.shape[1]
    dt = t_1 - t_0
    high_0, low_0, high_1, low_1 = 0, 0, 0, 0
    for k in range(n):
        a, b = y_0[k], y_1[k]
        soc[0, k], soc[1, k] = min(soc[0, k], a, b), max(soc[1, k], a, b)
        turns = moving(k, pack_0) * moving(k, pack_1) < 0.0
        full, empty = first[0, k] == np.inf and b >= FULL_SOC, first[1, k] == np.inf and b <= EMPTY_SOC
        if turns or full or empty:
            m_0, m_1 = (
                -dt * moving(k, pack_0) / cells[ar.CAPACITY_AS, k],
                -dt * moving(k, pack_1) / cells[ar.CAPACITY_AS, k],
            )
            soc[1, k] = max(soc[1, k], _cubic_peak(a, m_0, b, m_1))
            soc[0, k] = min(soc[0, k], -_cubic_peak(-a, -m_0, -b, -m_1))
            if full:
                first[0, k] = base + t_0 + dt * _crossing(a, m_0, b, m_1, FULL_SOC)
            if empty:
                first[1, k] = base + t_0 + dt * _crossing(-a, -m_0, -b, -m_1, -EMPTY_SOC)
        high_0, low_0 = k if a > y_0[high_0] else high_0, k if a < y_0[low_0] else low_0
        high_1, low_1 = k if b > y_1[high_1] else high_1, k if b < y_1[low_1] else low_1
    for i in range(4):
        high, low = high_0 if i < 2 else high_1, low_0 if i % 2 == 0 else low_1
        if (i > 1 and high_1 == high_0) or (i % 2 == 1 and low_1 == low_0):
            continue  # a pair that has been looked at
        m_0 = dt * (moving(low, pack_0) / cells[ar.CAPACITY_AS, low] - moving(high, pack_0) / cells[ar.CAPACITY_AS, high])
        m_1 = dt * (moving(low, pack_1) / cells[ar.CAPACITY_AS, low] - moving(high, pack_1) / cells[ar.CAPACITY_AS, high])
        spread[0] = max(spread[0], _cubic_peak(y_0[high] - y_0[low], m_0, y_1[high] - y_1[low], m_1))


@jit_internal
def reach_flows(t_0, work_0, t_1, work_1, t_2, work_2, sums, extremes):
    """Extremes of currents and voltages at the middle of three instants of one step, or at the vertex of the parabola through them.

    They are peak currents of packs [A], least and greatest voltage of ports, and greatest voltage between two ports [V]. The instants
    are ``t_0``, ``t_1`` and ``t_2`` [s], the bank solved in ``work_0``, ``work_1`` and ``work_2``.
    """
    apart, acc, port_acc = extremes.between_ports, sums.pack, sums.port
    pack_0, pack_1, pack_2 = work_0.pack, work_1.pack, work_2.pack
    port_0, port_1, port_2 = work_0.port, work_1.port, work_2.port
    n, p = pack_1.shape[1], port_1.shape[1]
    for k in range(n):
        current = _beyond(t_0, pack_0[ar.PACK_CURRENT, k], t_1, pack_1[ar.PACK_CURRENT, k], t_2, pack_2[ar.PACK_CURRENT, k])
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
def reach_branches(t_0, work_0, t_1, work_1, t_2, work_2, flows, branch):
    """Peak current of every branch at the middle of three instants of one step, likewise."""
    for i in range(branch.size):
        current = _beyond(
            t_0, row_product(flows, i, ar.PACK_CURRENT, work_0), t_1, row_product(flows, i, ar.PACK_CURRENT, work_1), t_2,
            row_product(flows, i, ar.PACK_CURRENT, work_2),
        )  # fmt: skip
        branch[i] = max(branch[i], abs(current))


@jit_internal
def reach_ends(work, flows, extremes):
    """Extremes of branch currents and of the voltage between ports at the end of a step."""
    apart, branch, port = extremes.between_ports, extremes.branch, work.port
    for a in range(port.shape[1]):
        for b in range(a):
            apart[a, b] = max(apart[a, b], abs(port[ar.PORT_VOLTAGE, a] - port[ar.PORT_VOLTAGE, b]))
    together = branch.size - branch.size % 4
    for i in range(0, together, 4):
        one, two, three, four = four_row_products(flows, i, ar.PACK_CURRENT, work)
        branch[i], branch[i + 1] = max(branch[i], abs(one)), max(branch[i + 1], abs(two))
        branch[i + 2], branch[i + 3] = max(branch[i + 2], abs(three)), max(branch[i + 3], abs(four))
    for i in range(together, branch.size):
        branch[i] = max(branch[i], abs(row_product(flows, i, ar.PACK_CURRENT, work)))


@jit_inline
def _cubic_peak(a, m_0, b, m_1):
    """Greatest value of the cubic from ``a`` to ``b`` whose slopes, times its length, are ``m_0`` and ``m_1``."""
    if not (m_0 > 0.0 > m_1):
        return max(a, b)
    rise = b - a
    curve, tilt = 3.0 * (m_0 + m_1 - 2.0 * rise), 2.0 * (3.0 * rise - 2.0 * m_0 - m_1)
    s = -2.0 * m_0 / (tilt - np.sqrt(tilt * tilt - 4.0 * curve * m_0))
    return max(a, b, a + s * (m_0 + s * (0.5 * tilt + s * curve / 3.0)))


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


@jit_inline
def _beyond(t_0, v_0, t_1, v_1, t_2, v_2):
    """Value at the middle of three instants or, where it lies beyond both others, at the vertex of the parabola through them."""
    if not (v_1 - v_0) * (v_2 - v_1) < 0.0:
        return v_1
    left, right = (v_1 - v_0) / (t_1 - t_0), (v_2 - v_1) / (t_2 - t_1)
    if not np.isfinite(left * right):
        return v_1
    bend = (right - left) / (t_2 - t_0)
    slope = left + bend * (t_1 - t_0)
    return v_1 - slope * slope / (4.0 * bend)

"""What the packs' displays show: charge counters of their BMS, counted beside the run; nothing of them acts back on it.

A counter takes what it measures, m = (1 + g) I + o, for the current, counts nothing while |m| is below its dead band, and divides by
its own idea of the capacity::

    d(shown)/dt = −m / C     while |m| ≥ dead band, from 0 to 1

It is set to 1 while the pack's voltage has been at ``full.volt`` or above, with |m| no more than ``full.tail``, for ``full.hold``; to 0
while the voltage is at ``empty.volt`` or below. Between two solved instants the charge is exact (by the state of charge); m and the
voltage run straight. What goes through in the dead band, and when a voltage is passed, are therefore known to within such an interval,
the length of a step of the integrator, however far apart samples are. A sample within a step lies on the straight line between what
is shown at its ends and at a jump.
"""

from __future__ import annotations

from simbank.jit import jit_inline, jit_internal
from simbank.simulation import arrays as ar


@jit_internal
def begin_step(displays):
    """Keep what is shown at the beginning of a step."""
    for k in range(displays.shape[1]):
        displays[ar.SHOWN_BEFORE, k], displays[ar.JUMP_AT_S, k] = displays[ar.SHOWN, k], -1.0


@jit_internal
def shown_within(k, t, dt, displays):
    """What pack ``k`` shows ``t`` seconds after the beginning of the last step, which took ``dt``: straight between its ends and a jump."""
    begin, end, a, b = 0.0, dt, displays[ar.SHOWN_BEFORE, k], displays[ar.SHOWN, k]
    jump = displays[ar.JUMP_AT_S, k]
    if jump >= 0.0:
        if t < jump:
            end, b = jump, displays[ar.JUMP_FROM, k]
        else:
            begin, a = jump, displays[ar.JUMP_TO, k]
    return a + (b - a) * min(1.0, max(0.0, (t - begin) / (end - begin))) if end > begin else b


@jit_inline
def _jump(k, t, start, slope, to, displays):
    """Note a jump to ``to``, ``t`` seconds into a step, of what would have run there from ``start`` with ``slope``."""
    if displays[ar.JUMP_AT_S, k] < 0.0:
        displays[ar.JUMP_FROM, k] = min(1.0, max(0.0, start + slope))
        displays[ar.JUMP_AT_S, k] = t
    displays[ar.JUMP_TO, k] = to


@jit_internal
def count_whole_step(dt, y_0, pack_0, y_m, pack_m, y_1, pack_1, cells, displays):
    """Count a step of ``dt`` [s] from its solved ends and the currents half-way, where the voltage is the mean of both ends'."""
    begin_step(displays)
    for k in range(displays.shape[1]):
        if displays[ar.COUNTER_CAPACITY_AS, k] > 0.0:
            v_0, v_1 = _volt(k, pack_0), _volt(k, pack_1)
            i_m, v_m = pack_m[ar.PACK_CURRENT, k], 0.5 * (v_0 + v_1)
            first = _charge_out(k, 0.5 * dt, y_0, pack_0, y_m, pack_m, cells)
            second = _charge_out(k, 0.5 * dt, y_m, pack_m, y_1, pack_1, cells)
            _count(k, 0.0, 0.5 * dt, first, pack_0[ar.PACK_CURRENT, k], v_0, i_m, v_m, displays)
            _count(k, 0.5 * dt, 0.5 * dt, second, i_m, v_m, pack_1[ar.PACK_CURRENT, k], v_1, displays)


@jit_internal
def count_between(dt, y_0, pack_0, y_1, pack_1, cells, displays):
    """Count ``dt`` seconds between two solved instants of a step."""
    for k in range(displays.shape[1]):
        if displays[ar.COUNTER_CAPACITY_AS, k] > 0.0:
            charge = _charge_out(k, dt, y_0, pack_0, y_1, pack_1, cells)
            i_0, i_1 = pack_0[ar.PACK_CURRENT, k], pack_1[ar.PACK_CURRENT, k]
            _count(k, 0.0, dt, charge, i_0, _volt(k, pack_0), i_1, _volt(k, pack_1), displays)


@jit_inline
def _volt(k, pack):
    """Voltage of pack ``k`` at its poles [V]."""
    return pack[ar.EMF, k] - pack[ar.PACK_CURRENT, k] * pack[ar.R_OHMIC, k]


@jit_inline
def _charge_out(k, dt, y_0, pack_0, y_1, pack_1, cells):
    """Charge that has come out at the poles of pack ``k`` [As]: what it has lost, less what it has taken for itself."""
    return cells[ar.CAPACITY_AS, k] * (y_0[k] - y_1[k]) - 0.5 * dt * (pack_0[ar.OWN_DRAW, k] + pack_1[ar.OWN_DRAW, k])


@jit_inline
def _clip(low, high, f_0, f_1):
    """Of a stretch from ``low`` to ``high`` within 0 to 1 the part in which what runs straight from ``f_0`` to ``f_1`` is not below 0."""
    if f_0 < 0.0 and f_1 < 0.0:
        return 1.0, 0.0
    if f_0 < 0.0:
        return max(low, f_0 / (f_0 - f_1)), high
    if f_1 < 0.0:
        return low, min(high, f_0 / (f_0 - f_1))
    return low, high


@jit_inline
def ignored_share(m_0, m_1, band):
    """∫ m over that part of 0 to 1 in which |m| is below ``band``, m running straight from ``m_0`` to ``m_1``."""
    if m_0 == m_1:
        return m_0 if abs(m_0) < band else 0.0
    low, high = max(min(m_0, m_1), -band), min(max(m_0, m_1), band)
    return 0.5 * (high * high - low * low) / abs(m_1 - m_0) if high > low else 0.0


@jit_inline
def _count(k, t, dt, charge, i_0, v_0, i_1, v_1, displays):
    """Count ``charge`` [As] that came out of pack ``k`` in ``dt`` [s], from ``t`` [s] of the step on.

    Current and voltage ran from ``i_0``, ``v_0`` to ``i_1``, ``v_1``.
    """
    gain, offset, band = displays[ar.COUNTER_GAIN, k], displays[ar.COUNTER_OFFSET_A, k], displays[ar.COUNTER_DEAD_BAND_A, k]
    capacity, tail, hold = displays[ar.COUNTER_CAPACITY_AS, k], displays[ar.FULL_TAIL_A, k], displays[ar.FULL_HOLD_S, k]
    m_0, m_1 = gain * i_0 + offset, gain * i_1 + offset
    measured = gain * charge + offset * dt
    ignored = measured if abs(m_0) < band and abs(m_1) < band else ignored_share(m_0, m_1, band) * dt
    counted = measured - ignored
    displays[ar.COUNTED_AS, k] += counted
    displays[ar.IGNORED_AS, k] += ignored
    start, change = displays[ar.SHOWN, k], -counted / capacity
    shown = min(1.0, max(0.0, start + change))
    begin, end = _clip(0.0, 1.0, v_0 - displays[ar.FULL_VOLT, k], v_1 - displays[ar.FULL_VOLT, k])
    if tail < 1e300:  # it heeds a current
        begin, end = _clip(begin, end, tail - m_0, tail - m_1)
        begin, end = _clip(begin, end, tail + m_0, tail + m_1)
    if end > begin:
        before = displays[ar.FULL_FOR_S, k] if begin == 0.0 else 0.0
        lasts = before + (end - begin) * dt
        if lasts >= hold:
            shown = min(1.0, max(0.0, 1.0 + change * (1.0 - end)))
            if before == 0.0 or before < hold:
                displays[ar.TIMES_SET_FULL, k] += 1.0
            at = begin + (hold - before) / dt if before < hold else begin
            if start < 1.0:
                _jump(k, t + at * dt, start, change * at, 1.0, displays)
        displays[ar.FULL_FOR_S, k] = lasts if end == 1.0 else 0.0
    else:
        displays[ar.FULL_FOR_S, k] = 0.0
    begin, end = _clip(0.0, 1.0, displays[ar.EMPTY_VOLT, k] - v_0, displays[ar.EMPTY_VOLT, k] - v_1)
    if end > begin:
        shown = min(1.0, max(0.0, change * (1.0 - end)))
        if start > 0.0:
            _jump(k, t + begin * dt, start, change * begin, 0.0, displays)
    displays[ar.SHOWN, k] = shown

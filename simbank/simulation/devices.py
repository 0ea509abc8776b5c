"""Fuses and breakers: what current does to them, and when they open. What then happens is ``switching.py``'s.

A device in line carries a damage D, which is 1 when it opens: dD/dt = 1/t(i) at i times its rating, t from its inverse-time curve,
and −D/τ below the curve, so that it remembers.
"""

from __future__ import annotations

import numpy as np

from simbank.cells.curves import curve_value
from simbank.jit import jit_entry, jit_inline
from simbank.simulation import arrays as ar
from simbank.simulation.bank_solver import row_product


@jit_entry
def device_current(d, device_flows, work):
    """Current through device ``d`` [A]."""
    return row_product(device_flows, d, ar.PACK_CURRENT, work)


@jit_entry
def damage_rate(d, current, damage, devices, curves):
    """dD/dt of device ``d`` [1/s]: 1/t of its inverse-time curve above its least multiple, −D/τ of cooling below it.

    The device opens at D = 1: ∫ dt/t(I) = 1, so at a steady current after the time t of its curve (IEEE C37.112, from memory). Each
    method integrates the rate in the form that suits it; these are the places: the reference's solver (``ode.py``), Simpson's rule
    over a step (``fast_step.py``), the trapezoidal rule over the known current of a fault (``studies/protection/following.py``), and, while
    currents stand still, rate × time (``studies/protection/withstand.py``), or that and exp(−t/τ) (``studies/protection/outage.py``).
    ``following.py`` and ``withstand.py`` count no cooling: over the seconds that a fault mostly lasts it hardly matters, and over longer
    ones a device whose current falls below its curve and rises again opens there sooner than its memory would say.
    """
    multiple = abs(current) / devices[d, ar.RATING_A]
    if multiple <= devices[d, ar.MIN_TRIP_MULTIPLE]:
        return -damage / devices[d, ar.THERMAL_TIME_CONSTANT_S]
    seconds, _, _ = curve_value(curves, int(devices[d, ar.TRIP_CURVE]), np.log(multiple))
    return np.exp(-seconds)


@jit_inline
def damage_rate_slope(d, current, devices):
    """How dD/dt of device ``d`` answers to D itself [1/s]."""
    if abs(current) <= devices[d, ar.MIN_TRIP_MULTIPLE] * devices[d, ar.RATING_A]:
        return -1.0 / devices[d, ar.THERMAL_TIME_CONSTANT_S]
    return 0.0


@jit_inline
def opens_when(d, current, damage, devices):
    """Two numbers that are above zero when device ``d`` is to open: of its damage, and of its current for its instantaneous release.

    By the first it opens at once, by the second ``PICKUP_DELAY_S`` later. Both are without a unit.
    """
    return damage - 1.0, abs(current) / devices[d, ar.RATING_A] - devices[d, ar.PICKUP_MULTIPLE]


def picked_up_since(times: np.ndarray, currents: np.ndarray, since: np.ndarray, devices: np.ndarray) -> np.ndarray:
    """Since when each device has carried its pickup current or more without a break; its release acts ``PICKUP_DELAY_S`` after that.

    For studies that follow currents from one opening to the next: what other devices do starts no delay anew.

    Parameters
    ----------
    times : ndarray, shape (m,)
        Times [s], ascending.
    currents : ndarray, shape (m, d)
        Of every device at these times [A].
    since : ndarray, shape (d,)
        What this function gave for the time just before the first [s]; infinite for devices that carried less than their pickup.
    devices : ndarray
        Rows of the devices.

    Returns
    -------
    ndarray, shape (m, d)
        [s], infinite where a device carries less than its pickup.

    Examples
    --------
    Pickup at 100 A: over it since −1 s, under it at 1 s, over it again from 2 s on.

    >>> row = np.zeros((1, max(ar.RATING_A, ar.PICKUP_MULTIPLE) + 1))
    >>> row[0, [ar.RATING_A, ar.PICKUP_MULTIPLE]] = 10.0, 10.0
    >>> currents = np.array([[150.0], [50.0], [-120.0], [150.0]])
    >>> picked_up_since(np.arange(4.0), currents, np.array([-1.0]), row)[:, 0].tolist()
    [-1.0, inf, 2.0, 2.0]
    """
    count = len(times)
    over = np.abs(currents) >= devices[:, ar.PICKUP_MULTIPLE] * devices[:, ar.RATING_A]
    under = np.maximum.accumulate(np.where(over, -1, np.arange(count)[:, None]), axis=0)  # last below; −1: nowhere
    begun = np.where(under < 0, np.minimum(since, times[0]), times[np.minimum(under + 1, count - 1)])
    return np.where(over, begun, np.inf)


def damage_rates(currents, devices, curves):
    """dD/dt of every device [1/s] at currents of shape (m, d), none yet damaged; shape (m, d)."""
    out = np.zeros(currents.shape)
    _damage_rates(currents, devices, curves, out)
    return out


@jit_entry
def _damage_rates(currents, devices, curves, out):
    """:func:`damage_rates` into ``out``."""
    for d in range(currents.shape[1]):
        for i in range(currents.shape[0]):
            out[i, d] = max(0.0, damage_rate(d, currents[i, d], 0.0, devices, curves))

"""Fuses and breakers: what current does to them, and when they open. What then happens is ``switching.py``'s.

A device in line carries a damage D, which is 1 when it opens: dD/dt = 1/t(i) at i times its rating, t from its inverse-time curve,
and −D/τ below the curve, so that it remembers.
"""

from __future__ import annotations

import numpy as np

from simbank.cells.curves import curve_value
from simbank.jit import jit_allocating, jit_entry, jit_inline
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
    over a step (``fast_step.py``), the trapezoidal rule over the known current of a fault (``studies/protection/faults.py``), and, while
    currents stand still, rate × time or exp(−t/τ) (``studies/protection/outage.py``).
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
    """Two numbers of device ``d``: it opens when the first, of its damage, rises above zero, and ``PICKUP_DELAY_S`` after the second does,
    of its instantaneous release."""
    return damage - 1.0, abs(current) / devices[d, ar.RATING_A] - devices[d, ar.PICKUP_MULTIPLE]


@jit_allocating
def damage_rates(currents, devices, curves):
    """dD/dt of every device [1/s] at currents of shape (m, d), none yet damaged; shape (m, d)."""
    out = np.zeros(currents.shape)
    for d in range(currents.shape[1]):
        for i in range(currents.shape[0]):
            out[i, d] = max(0.0, damage_rate(d, currents[i, d], 0.0, devices, curves))
    return out

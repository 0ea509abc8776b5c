"""One cell's circuit on a given current: the textbook form, for fitting, cards and checks. Banks use the compiled equations."""

from __future__ import annotations

import numpy as np

from simbank.jit import jit_allocating

__all__ = ["circuit_voltage", "moved_ah", "relaxation"]


@jit_allocating
def relaxation(time_s, drive_v, tau_s):
    """Voltage across one RC pair that starts at rest, shape of ``time_s`` [V].

    Exact for a drive (resistance times current) that runs straight from sample to sample: with a = exp(−Δt/τ),
    v⁺ = a v + u₁ − a u₀ − (u₁ − u₀) (1 − a) τ/Δt.
    """
    out = np.empty(time_s.size)
    out[0] = 0.0
    for i in range(1, time_s.size):
        x = (time_s[i] - time_s[i - 1]) / tau_s
        a = np.exp(-x)
        mean = (1.0 - a) / x if x > 1e-9 else 1.0 - 0.5 * x
        now, before = drive_v[i], drive_v[i - 1]
        out[i] = a * out[i - 1] + now - a * before - (now - before) * mean
    return out


def moved_ah(time_s, current_a):
    """Charge moved up to each sample by a current that runs straight between samples [Ah]."""
    from scipy.integrate import cumulative_trapezoid

    return cumulative_trapezoid(current_a, time_s, initial=0.0) / 3600.0


def circuit_voltage(time_s, current_a, soc, capacity_ah, ocv, r0_ohm, rc, r_factor, rc_factor, warmth=1.0, rc_warmth=1.0):
    """State of charge and voltage of one cell under a current that runs straight between samples, without hysteresis.

    V = U(z) − R0 f(z) a I − Σ v, each pair with dv/dt = (R g(z) a' I − v)/(τ a').

    Parameters
    ----------
    time_s, current_a : ndarray, shape (m,)
        Current positive for discharge.
    soc : float
        At the start.
    capacity_ah, r0_ohm : float
    ocv, r_factor, rc_factor : Curve
    rc : sequence of (float, float)
        Resistance [ohm] and time constant [s].
    warmth, rc_warmth : float
        Arrhenius factors a and a'.

    Returns
    -------
    soc, voltage_v : ndarray, shape (m,)
    """
    z = soc - moved_ah(time_s, current_a) / capacity_ah
    volt = ocv(z) - r0_ohm * warmth * r_factor(z) * current_a
    drive = rc_factor(z) * rc_warmth * current_a
    for ohm, tau in rc:
        volt = volt - relaxation(time_s, ohm * drive, tau * rc_warmth)
    return z, volt

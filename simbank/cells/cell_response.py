"""One cell's circuit on a given current: the textbook form, for fitting, cards and checks. Banks use the compiled equations."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from simbank.cells.curves import Curve
from simbank.jit import jit_entry

__all__ = ["circuit_voltage", "moved_ah", "relaxation"]


def relaxation(time_s, drive_v, tau_s):
    """Voltage across one RC pair that starts at rest, shape of ``time_s`` [V].

    Exact for a drive (resistance times current) that runs straight from sample to sample: with a = exp(−Δt/τ),
    v⁺ = a v + u₁ − a u₀ − (u₁ − u₀) (1 − a) τ/Δt.

    Parameters
    ----------
    time_s, drive_v : ndarray, shape (m,)
        Samples, time rising [s]; drive [V].
    tau_s : float
        Time constant τ [s].
    """
    out = np.empty(time_s.size)
    _relax(time_s, drive_v, tau_s, out)
    return out


@jit_entry
def _relax(time_s, drive_v, tau_s, out):
    """:func:`relaxation` into ``out``."""
    out[0] = 0.0
    for i in range(1, time_s.size):
        x = (time_s[i] - time_s[i - 1]) / tau_s
        a = np.exp(-x)
        mean = (1.0 - a) / x if x > 1e-9 else 1.0 - 0.5 * x
        now, before = drive_v[i], drive_v[i - 1]
        out[i] = a * out[i - 1] + now - a * before - (now - before) * mean


_relax.belongs_to = "the equations of one cell"


def moved_ah(time_s: np.ndarray, current_a: np.ndarray) -> np.ndarray:
    """Charge moved up to each sample by a current [A] that runs straight between samples [Ah]; all of shape (m,).

    >>> moved_ah(np.array([0.0, 1800.0, 3600.0]), np.array([0.0, 10.0, 10.0]))
    array([0. , 2.5, 7.5])
    """
    from scipy.integrate import cumulative_trapezoid

    return cumulative_trapezoid(current_a, time_s, initial=0.0) / 3600.0


def circuit_voltage(
    time_s: np.ndarray,
    current_a: np.ndarray,
    soc: float,
    capacity_ah: float,
    ocv: Curve,
    r0_ohm: float,
    rc: Sequence[tuple[float, float]],
    r_factor: Curve,
    rc_factor: Curve,
    arrhenius: tuple[float, float] = (1.0, 1.0),
) -> tuple[np.ndarray, np.ndarray]:
    """State of charge and voltage of one cell under a current that runs straight between samples, without hysteresis.

    V = U(z) − R0 f(z) a I − Σ v, each pair with dv/dt = (R g(z) a' I − v)/(τ a'). A pair with a lag L makes U(z − δ) of U(z) instead, with
    dδ/dt = (L a' I / Q − δ)/(τ a').

    Parameters
    ----------
    time_s, current_a : ndarray, shape (m,)
        Current positive for discharge.
    soc : float
        At the start.
    capacity_ah : float
        Of the cell [Ah].
    ocv : Curve
        Open-circuit voltage over state of charge [V].
    r0_ohm : float
        R0 where ``r_factor`` is 1 [ohm].
    rc : sequence of (float, float)
        Resistance [ohm] where ``rc_factor`` is 1, and time constant [s]; of a pair that is a lag of charge 0, time constant and lag [s].
    r_factor, rc_factor : Curve
        f and g over state of charge.
    arrhenius : (float, float)
        Factors a of R0 and a' of the pairs at the cell's temperature.

    Returns
    -------
    soc, voltage_v : ndarray, shape (m,)
        Voltage [V].
    """
    r0_arrhenius, rc_arrhenius = arrhenius
    z = soc - moved_ah(time_s, current_a) / capacity_ah
    surface = z
    for _, tau, *lag in rc:
        if lag:
            surface = surface - relaxation(time_s, lag[0] / (3600.0 * capacity_ah) * rc_arrhenius * current_a, tau * rc_arrhenius)
    volt = ocv(surface) - r0_ohm * r0_arrhenius * r_factor(z) * current_a
    drive = rc_factor(z) * rc_arrhenius * current_a
    for ohm, tau, *_ in rc:
        volt = volt - relaxation(time_s, ohm * drive, tau * rc_arrhenius)
    return z, volt

"""One pack by its state: the physics of cells, written in every form that a method needs.

Per pack (state of charge z, hysteresis h, relaxation voltages v1 and v2, temperature T; Ns cells in series, seen at the pack)::

    e      = Ns (U(z) + (T − T0) s(z) + H(z, T) h) − v1 − v2  electromotive force behind the ohmic resistance; s = dU/dT
    r      = R0 f(z) a(T) + R_wiring                          ohmic resistance, a(T) = exp(E/R (1/T − 1/T0)), Arrhenius, or a table
    dz/dt  = −(I + Id) / Q                                    charge balance; Id: what BMS and self-discharge take inside
    dh/dt  = γ (dz/dt − |dz/dt| h)                            one-state hysteresis, Plett, J. Power Sources 134 (2004) 262
    dv/dt  = (R g(z) a'(T) I − v) / (τ a'(T))                 each relaxation pair, resistance R g a', time constant τ a'
    dT/dt  = (heat − K (T − Ta) − Σ G (T − Tn)) / C           lumped heat balance
    heat   = I² r + relaxation + hysteresis + Id (e + v1 + v2) − (I + Id) T Ns s    Bernardi et al., J. Electrochem. Soc. 132 (1985) 5

Half-width of the loop H(z, T) = H(z, T0) q(z, T), with q straight between the temperatures at which it is known. What hysteresis
stores, it stores as at T0, E = Ns Q H(z, T0) h² / 2γ, since a store that followed temperature would have a heat capacity of its own
(some 1e-4 of the cell's). What is lost goes by the loop as it is: D = Ns h² (H |I| + H' I / 2γ), never below zero unless the half-width
changes by more than 2γ H over charge. Power is −Ns H h I = D + dE/dt + B, so that with X = H(z, T) − H(z, T0) there is left

    B      = −Ns (X h (I + |I| h) + X' I h² / 2γ)             = d/dt (Ns Q X h² / 2γ) at standing temperature

which is heat that comes back as h and z do, and is counted as reversible. At T0, or where H does not change with temperature, it is 0.

The second pair may be a lag of charge instead, what slow diffusion in the particles of an electrode does: the surface, which sets the
voltage, is emptier (on discharge) than the mean by the share δ of charge, and U(z) becomes U(z − δ) in place of a voltage v2::

    dδ/dt  = (L I / Q − δ a'(T)⁻¹) / τ                        L: charge that flows in this time is the lag of a steady current, L a' I / Q

That is two stores of charge side by side, of 1 / (1 + L/τ) of the capacity at z − δ and the rest at zᵢ = z + δ τ / L, and what passes
between them falls from U(zᵢ) to U(z − δ): heat = Ns Q δ (U(zᵢ) − U(z − δ)) / (L + τ) a', never below zero, and each keeps ∫U dz.

Current is positive out of a pack (discharge). Nothing that is called in every step allocates memory.

Each law is written in every form that a method needs. Of hysteresis these are ``emf_and_resistance`` (voltage), ``hysteresis_rate``,
``hysteresis_heat``, ``reversible_hysteresis_heat``, their slopes and ``stored_energy_j`` here, the exact solution over a step in
``fast_step.py`` (``_hysteresis``), and ``cells/slow_cycle.py`` for one cell on a slow cycle. Of relaxation: ``state_rates``,
``relaxation_heat`` and ``stored_energy_j`` here, ``_relaxation_rows`` in ``ode.py``, the exact solution of the fast integrator,
``cells/cell_response.py`` for one cell, and ``studies/protection/fault_circuit.py`` at a standing state of charge and temperature.
"""

from __future__ import annotations

import numpy as np

from simbank.cells.curves import curve_value, family_value
from simbank.jit import jit_entry, jit_inline, jit_internal
from simbank.simulation import arrays as ar

KELVIN = 273.15
FULL_SOC, EMPTY_SOC = 0.99, 0.01  # from here on a pack counts as full or empty in ``first_full_h`` and ``first_empty_h``
DRAW_FADES_SOC = (
    0.01  # below it what a pack takes for itself fades away, to nothing at 0 %: a BMS shuts down, nothing is left to lose
)


@jit_inline
def emf_and_resistance(k, y, cells, curves_of, curves, pack):
    """Electromotive force and ohmic resistance of pack ``k`` by its state, into rows of ``pack``.

    Returns
    -------
    tuple of float
        What their slopes are made of: of a cell, the slope of the open-circuit voltage, at the surface of its particles [V], half-width
        of the hysteresis loop at the reference temperature and its slope [V], entropic coefficient and its slope [V/K]; the pack's
        resistance at this temperature [ohm], and its factor over charge, with its slope.
    """
    n = cells.shape[1]
    z, h, temperature = y[ar.SOC * n + k], y[ar.HYSTERESIS * n + k], y[ar.TEMPERATURE * n + k]
    u, du, _ = curve_value(curves, curves_of[ar.OCV_CURVE, k], z)
    half, dhalf, _ = curve_value(curves, curves_of[ar.HALF_WIDTH_CURVE, k], z)
    s, ds, _ = curve_value(curves, curves_of[ar.ENTROPY_CURVE, k], z)
    f, df, _ = curve_value(curves, curves_of[ar.R_FACTOR_CURVE, k], z)
    ohm = cells[ar.R_CELL, k]
    if curves_of[ar.R_T_CURVE, k] >= 0:
        ohm *= factor_over_temperature(curves, curves_of[ar.R_T_CURVE, k], temperature)[0]
    elif cells[ar.ARRHENIUS_K, k] != 0.0:
        ohm *= np.exp(cells[ar.ARRHENIUS_K, k] * (1.0 / temperature - 1.0 / cells[ar.T_REF_K, k]))
    gap = half * h
    if curves_of[ar.WIDTH_FACTORS, k] >= 0:
        gap *= family_value(curves, curves_of[ar.WIDTH_FACTORS, k], z, temperature - KELVIN)[0]
    emf = cells[ar.N_SERIES, k] * (u + (temperature - cells[ar.T_REF_K, k]) * s + gap)
    if cells[ar.LAGS, k] > 0.0:
        surface, du = _at_surface(k, z - y[ar.RC_VOLT_2 * n + k], curves_of, curves)
        pack[ar.EMF, k] = emf - y[ar.RC_VOLT_1 * n + k] + cells[ar.N_SERIES, k] * (surface - u)
    else:
        pack[ar.EMF, k] = emf - y[ar.RC_VOLT_1 * n + k] - y[ar.RC_VOLT_2 * n + k]
    pack[ar.OWN_DRAW, k] = 0.0
    if cells[ar.OWN_DRAW_A, k] != 0.0:
        pack[ar.OWN_DRAW, k], pack[ar.EMF_SETTLED, k] = own_draw(k, z, cells), emf
    pack[ar.R_OHMIC, k] = ohm * f + cells[ar.R_WIRING, k]
    more = pack[ar.R_OHMIC, k] - cells[ar.R_REF, k]
    pack[ar.R_ABOVE_REF, k] = 0.0 if abs(more) < 1e-12 * cells[ar.R_REF, k] else more
    return du, half, dhalf, s, ds, ohm, f, df


@jit_entry
def cell_state(y, cells, curves_of, curves, pack):
    """What every pack is by its state, into rows of ``pack``: electromotive force, resistance, relaxation, with slopes."""
    n = cells.shape[1]
    for k in range(n):
        du, half, dhalf, s, ds, ohm, f, df = emf_and_resistance(k, y, cells, curves_of, curves, pack)
        z, h, temperature = y[ar.SOC * n + k], y[ar.HYSTERESIS * n + k], y[ar.TEMPERATURE * n + k]
        g, dg, _ = curve_value(curves, curves_of[ar.RC_FACTOR_CURVE, k], z)
        ns, inverse = cells[ar.N_SERIES, k], 1.0 / temperature
        pack[ar.HALF_WIDTH_BY_T, k], pack[ar.EXCESS_WIDTH, k], pack[ar.EXCESS_SLOPE, k] = 0.0, 0.0, 0.0
        pack[ar.ENTROPY, k], pack[ar.ENTROPY_BY_SOC, k], pack[ar.EMF_BY_T, k] = ns * s, ns * ds, ns * s
        if curves_of[ar.WIDTH_FACTORS, k] >= 0:
            half, dhalf = _width_at_temperature(k, z, temperature, half, dhalf, ns, curves_of, curves, pack)
            pack[ar.EMF_BY_T, k] += pack[ar.HALF_WIDTH_BY_T, k] * h
        pack[ar.EMF_BY_SOC, k] = ns * (du + (temperature - cells[ar.T_REF_K, k]) * ds + dhalf * h)
        pack[ar.EMF_BY_HYSTERESIS, k] = ns * half
        pack[ar.HALF_WIDTH_SLOPE, k] = ns * dhalf
        pack[ar.R_BY_SOC, k] = ohm * df
        pack[ar.R_BY_T, k] = -ohm * f * cells[ar.ARRHENIUS_K, k] * inverse * inverse
        if curves_of[ar.R_T_CURVE, k] >= 0:
            pack[ar.R_BY_T, k] = ohm * f * factor_over_temperature(curves, curves_of[ar.R_T_CURVE, k], temperature)[1]
        pack[ar.RC_FACTOR, k], pack[ar.RC_FACTOR_SLOPE, k] = g, dg
        _relaxation_at_temperature(k, temperature, cells, curves_of, curves, pack)
        pack[ar.RC_2_SLOPE, k], pack[ar.RC_2_SECANT, k] = 1.0, 1.0
        if cells[ar.LAGS, k] > 0.0:
            pack[ar.RC_2_SLOPE, k] = ns * du
            pack[ar.RC_2_SECANT, k] = lag_secant(k, z, y[ar.RC_VOLT_2 * n + k], ns * du, cells, curves_of, curves)


@jit_internal
def _at_surface(k, z, curves_of, curves):
    """Open-circuit voltage of a cell of pack ``k`` at the surface of its particles and its slope [V]."""
    value, slope, _ = curve_value(curves, curves_of[ar.OCV_CURVE, k], z)
    return value, slope


@jit_internal
def lag_secant(k, z, lag, slope, cells, curves_of, curves):
    """Ns (U(zᵢ) − U(z − δ)) / (δ (1 + τ/L)) [V], by which δ²/R2 a' becomes heat; ``slope`` = Ns U' at the surface is its limit."""
    ratio = cells[ar.TAU2, k] / (cells[ar.R2, k] * cells[ar.CAPACITY_AS, k])
    apart = lag * (1.0 + ratio)
    if abs(apart) < 1e-7:
        return slope
    surface, _, _ = curve_value(curves, curves_of[ar.OCV_CURVE, k], z - lag)
    inside, _, _ = curve_value(curves, curves_of[ar.OCV_CURVE, k], z + lag * ratio)
    return cells[ar.N_SERIES, k] * (inside - surface) / apart


@jit_internal
def _width_at_temperature(k, z, temperature, half, dhalf, ns, curves_of, curves, pack):
    """Half-width of a cell's loop at a temperature and its slope by state of charge, from those at the reference temperature [V].

    How they differ, and how the half-width answers to temperature, goes into rows of ``pack``.
    """
    q, dq, _, q_by_t, _ = family_value(curves, curves_of[ar.WIDTH_FACTORS, k], z, temperature - KELVIN)
    pack[ar.HALF_WIDTH_BY_T, k] = ns * half * q_by_t
    pack[ar.EXCESS_WIDTH, k] = ns * half * (q - 1.0)
    pack[ar.EXCESS_SLOPE, k] = ns * (dhalf * (q - 1.0) + half * dq)
    return half * q, dhalf * q + half * dq


@jit_internal
def factor_over_temperature(curves, curve, temperature):
    """Factor whose logarithm a stacked curve is, over degrees Celsius, at a temperature [K], and how its logarithm rises [1/K]."""
    log, by_t, _ = curve_value(curves, curve, temperature - KELVIN)
    return np.exp(log), by_t


@jit_inline
def _relaxation_at_temperature(k, temperature, cells, curves_of, curves, pack):
    """Factor a' of the relaxation pairs of pack ``k`` at a temperature into a row of ``pack``; where it is a table, its slope too."""
    if curves_of[ar.RC_T_CURVE, k] >= 0:
        factor, by_t = factor_over_temperature(curves, curves_of[ar.RC_T_CURVE, k], temperature)
        pack[ar.RC_T_FACTOR, k], pack[ar.RC_T_FACTOR_SLOPE, k] = factor, factor * by_t
    elif cells[ar.ARRHENIUS_RC_K, k] == 0.0:
        pack[ar.RC_T_FACTOR, k] = 1.0
    else:
        pack[ar.RC_T_FACTOR, k] = np.exp(cells[ar.ARRHENIUS_RC_K, k] * (1.0 / temperature - 1.0 / cells[ar.T_REF_K, k]))


@jit_inline
def add_arrhenius_slope(k, temperature, cells, curves_of, pack):
    """Slope of a' by temperature into its row of ``pack``, where a' is no table; apart, since only :func:`jacobian` asks for it."""
    if curves_of[ar.RC_T_CURVE, k] < 0:
        by_t = -pack[ar.RC_T_FACTOR, k] * cells[ar.ARRHENIUS_RC_K, k] / (temperature * temperature)
        pack[ar.RC_T_FACTOR_SLOPE, k] = by_t


@jit_inline
def own_draw(k, z, cells):
    """Current that the BMS of pack ``k`` and self-discharge take from its cells, behind all resistance of the pack [A]."""
    if z >= DRAW_FADES_SOC:
        return cells[ar.OWN_DRAW_A, k]
    return cells[ar.OWN_DRAW_A, k] * max(0.0, z / DRAW_FADES_SOC)


@jit_inline
def own_draw_slope(k, z, cells):
    """Derivative of :func:`own_draw` by state of charge [A]."""
    return cells[ar.OWN_DRAW_A, k] / DRAW_FADES_SOC if 0.0 < z < DRAW_FADES_SOC else 0.0


@jit_inline
def moving(k, pack):
    """Current that moves the charge of pack ``k``: what flows out of it and what it takes for itself [A]."""
    return pack[ar.PACK_CURRENT, k] + pack[ar.OWN_DRAW, k]


@jit_inline
def relaxation_heat(v, ohm, tau, g, dg, arrhenius, current, capacity):
    """Power lost in one relaxation pair [W]: v²/(R g a') − ½ v² dC/dt, with C = τ/(R g) following the state of charge.

    The pair takes up v I = v²/(R g a') + d/dt (½ C v²) − ½ v² dC/dt; what is not stored is lost.
    """
    if ohm <= 0.0:
        return 0.0
    return v * v / (ohm * g) * (1.0 / arrhenius - 0.5 * tau * dg * current / (g * capacity))


@jit_inline
def hysteresis_heat(half, dhalf, gamma, current, h):
    """Power lost to hysteresis [W]: Ns (H |I| h² + H' I h² / 2γ), with ``half`` = Ns H and ``dhalf`` = Ns H'.

    The work −Ns H h I against the gap is partly stored. With the one-state model Ns Q H h dz/dt =
    d/dt (Ns Q H h² / 2γ) + Ns Q (H |dz/dt| h² − H' dz/dt h² / 2γ); the last bracket is what is lost.
    """
    return h * h * (half * abs(current) + 0.5 * dhalf * current / gamma)


@jit_inline
def reversible_hysteresis_heat(excess, dexcess, gamma, current, h):
    """Heat that hysteresis takes up and gives back since its loop is not that of the reference temperature [W]; see the head.

    −Ns (X h (I + |I| h) + X' I h² / 2γ), with ``excess`` = Ns X and ``dexcess`` = Ns X'.
    """
    return -h * (excess * (current + abs(current) * h) + 0.5 * dexcess * current * h / gamma)


@jit_inline
def hysteresis_heat_slopes(ns, half, dhalf, d2half, gamma, current, h):
    """Derivatives of :func:`hysteresis_heat` by current [V], state of charge [W] and hysteresis state [W].

    ``half``, ``dhalf`` and ``d2half`` are the half-width of the loop of one cell of ``ns`` [V] and its derivatives by state of charge.
    With those at the reference temperature, and those of −Ns X h I (:func:`excess_work_slopes`), they are the slopes of all heat of
    hysteresis, lost and reversible.
    """
    sign = 1.0 if current > 0.0 else -1.0 if current < 0.0 else 0.0
    by_current = ns * h * h * (half * sign + 0.5 * dhalf / gamma)
    by_z = ns * h * h * (dhalf * abs(current) + 0.5 * d2half * current / gamma)
    by_h = ns * h * (2.0 * half * abs(current) + dhalf * current / gamma)
    return by_current, by_z, by_h


@jit_inline
def excess_work_slopes(excess, dexcess, current, h):
    """Derivatives of −Ns X h I by current [V], state of charge [W] and hysteresis state [W]; arguments as above."""
    return -excess * h, -dexcess * h * current, -excess * current


@jit_inline
def hysteresis_rate(gamma, dz, h):
    """dh/dt [1/s] for a state of charge that moves by ``dz`` a second."""
    return gamma * (dz - abs(dz) * h)


@jit_inline
def hysteresis_by_soc(gamma, sign, h):
    """dh/dz, that is dh/dt over dz/dt, for a current of this ``sign`` (1 out of the pack, -1 into it)."""
    return gamma * (1.0 + sign * h)


@jit_inline
def hysteresis_rate_slopes(gamma, current, capacity, h):
    """How dh/dt answers to the current [1/As] and to the hysteresis state itself [1/s]."""
    sign = 1.0 if current > 0.0 else -1.0 if current < 0.0 else 0.0
    return hysteresis_by_soc(gamma, sign, h) * (-1.0 / capacity), -gamma * abs(current / capacity)


@jit_internal
def pack_heat(y, cells, pack):
    """Heat made in every pack [W] into rows of ``pack``: ohmic, relaxation, hysteresis, reversible (Bernardi)."""
    n = cells.shape[1]
    for k in range(n):
        current, h = pack[ar.PACK_CURRENT, k], y[ar.HYSTERESIS * n + k]
        total = moving(k, pack)
        g, dg, arrhenius, capacity = (
            pack[ar.RC_FACTOR, k],
            pack[ar.RC_FACTOR_SLOPE, k],
            pack[ar.RC_T_FACTOR, k],
            cells[ar.CAPACITY_AS, k],
        )
        relax = relaxation_heat(y[ar.RC_VOLT_1 * n + k], cells[ar.R1, k], cells[ar.TAU1, k], g, dg, arrhenius, total, capacity)
        relax += pack[ar.RC_2_SECANT, k] * relaxation_heat(
            y[ar.RC_VOLT_2 * n + k], cells[ar.R2, k], cells[ar.TAU2, k], g, dg, arrhenius, total, capacity
        )
        pack[ar.OHMIC_HEAT, k] = pack[ar.R_OHMIC, k] * current * current
        pack[ar.RELAXATION_HEAT, k] = relax
        pack[ar.HYSTERESIS_HEAT, k] = hysteresis_heat(
            pack[ar.EMF_BY_HYSTERESIS, k], pack[ar.HALF_WIDTH_SLOPE, k], cells[ar.GAMMA, k], total, h
        )
        pack[ar.REVERSIBLE_HEAT, k] = -total * y[ar.TEMPERATURE * n + k] * pack[ar.ENTROPY, k]
        if pack[ar.EXCESS_WIDTH, k] != 0.0:
            pack[ar.REVERSIBLE_HEAT, k] += reversible_hysteresis_heat(
                pack[ar.EXCESS_WIDTH, k], pack[ar.EXCESS_SLOPE, k], cells[ar.GAMMA, k], total, h
            )


@jit_inline
def heat_made(k, pack):
    """All heat made in pack ``k`` [W]."""
    heat = pack[ar.OHMIC_HEAT, k] + pack[ar.RELAXATION_HEAT, k] + pack[ar.HYSTERESIS_HEAT, k] + pack[ar.REVERSIBLE_HEAT, k]
    if pack[ar.OWN_DRAW, k] != 0.0:
        heat += pack[ar.OWN_DRAW, k] * pack[ar.EMF_SETTLED, k]
    return heat


@jit_inline
def temperature_rate(k, here, y, cells, pack, neighbours):
    """dT/dt of pack ``k`` [K/s] at temperature ``here``, its neighbours as in ``y``, for the heat in ``pack``."""
    if cells[ar.HEAT_CAPACITY, k] <= 0.0:
        return 0.0
    heat = heat_made(k, pack) - cells[ar.HEAT_LOSS, k] * (here - cells[ar.AMBIENT_K, k])
    for m in range(neighbours.shape[0]):
        heat -= neighbours[m, k] * (here - y[ar.TEMPERATURE * cells.shape[1] + m])
    return heat / cells[ar.HEAT_CAPACITY, k]


@jit_internal
def state_rates(y, cells, pack, neighbours, out):
    """Time derivatives of the packs' state for the currents and the heat in ``pack``."""
    n = cells.shape[1]
    for k in range(n):
        current = pack[ar.PACK_CURRENT, k]
        dz = -moving(k, pack) / cells[ar.CAPACITY_AS, k]
        out[ar.SOC * n + k] = dz
        out[ar.HYSTERESIS * n + k] = hysteresis_rate(cells[ar.GAMMA, k], dz, y[ar.HYSTERESIS * n + k])
        out[ar.RC_VOLT_1 * n + k] = (
            cells[ar.R1, k] * pack[ar.RC_FACTOR, k] * current - y[ar.RC_VOLT_1 * n + k] / pack[ar.RC_T_FACTOR, k]
        ) / cells[ar.TAU1, k]
        out[ar.RC_VOLT_2 * n + k] = (
            cells[ar.R2, k] * pack[ar.RC_FACTOR, k] * current - y[ar.RC_VOLT_2 * n + k] / pack[ar.RC_T_FACTOR, k]
        ) / cells[ar.TAU2, k]
        out[ar.TEMPERATURE * n + k] = temperature_rate(k, y[ar.TEMPERATURE * n + k], y, cells, pack, neighbours)


@jit_inline
def cell_volts(k, y, cells, curves_of, curves, pack):
    """Voltage of the fullest and the emptiest cell of pack ``k`` [V]; equal cells have the same."""
    cell = (pack[ar.EMF, k] - pack[ar.PACK_CURRENT, k] * (pack[ar.R_OHMIC, k] - cells[ar.R_WIRING, k])) / cells[ar.N_SERIES, k]
    if curves_of[ar.HIGHEST_CELL_CURVE, k] == curves_of[ar.OCV_CURVE, k]:
        return cell, cell
    z = y[k]
    if cells[ar.LAGS, k] > 0.0:
        z -= y[ar.RC_VOLT_2 * cells.shape[1] + k]
    mean, _, _ = curve_value(curves, curves_of[ar.OCV_CURVE, k], z)
    fullest, _, _ = curve_value(curves, curves_of[ar.HIGHEST_CELL_CURVE, k], z)
    emptiest, _, _ = curve_value(curves, curves_of[ar.LOWEST_CELL_CURVE, k], z)
    return cell + fullest - mean, cell + emptiest - mean


def stored_energy_j(y, cells, packs_curves):
    """Energy each pack holds [J], shape (n,): chemical, relaxation pairs, hysteresis, heat.

    Ns Q ∫(U − T0 s) dz + ½ τ v²/(R g) for each pair + Ns Q H(z, T0) h² / 2γ + C (T − T0). The first is the enthalpy that goes with
    Bernardi's heat: −I (e_oc − T Ns s) integrates to a function of z alone.

    Parameters
    ----------
    y : ndarray, shape (5 n,) or longer
        State of ``n`` packs; damage that follows it is not read.
    cells : ndarray, shape (N_CELL_ROWS, n)
        Parameters of the packs.
    packs_curves : list of (Curve, Curve, Curve, Curve)
        OCV, half-width at the reference temperature, entropic coefficient and factor of the relaxation pairs of each pack.
    """
    n = cells.shape[1]
    z, h, v1, v2, temperature = np.reshape(y[: ar.N_STATES * n], (ar.N_STATES, n))
    c = cells
    ocv, width, entropy, factor = zip(*packs_curves, strict=True)
    volt_soc = _volt_integral(ocv, z, v2, c) - c[ar.T_REF_K] * _at(entropy, z, "integral")
    half, g = _at(width, z), _at(factor, z)
    relax = sum(
        np.where(c[r] > 0, 0.5 * c[tau] * v**2 / (np.where(c[r] > 0, c[r], 1.0) * g), 0.0)
        for r, tau, v in ((ar.R1, ar.TAU1, v1), (ar.R2, ar.TAU2, np.where(c[ar.LAGS] > 0, 0.0, v2)))
    )
    heat = c[ar.HEAT_CAPACITY] * (temperature - c[ar.T_REF_K])
    return c[ar.N_SERIES] * c[ar.CAPACITY_AS] * (volt_soc + half * h**2 / (2 * c[ar.GAMMA])) + relax + heat


def _volt_integral(ocv, z, lag, cells):
    """∫U dz of each pack [V], shape (n,): where charge lags, of both stores of charge by their shares."""
    lags = cells[ar.LAGS] > 0
    if not lags.any():
        return _at(ocv, z, "integral")
    lag = np.where(lags, lag, 0.0)
    ratio = np.where(lags, cells[ar.TAU2] / np.where(lags, cells[ar.R2] * cells[ar.CAPACITY_AS], 1.0), 1.0)
    inside = 1.0 / (1.0 + ratio)
    return (1.0 - inside) * _at(ocv, z - lag, "integral") + inside * _at(ocv, z + lag * ratio, "integral")


def _at(curves, z, what="__call__"):
    """One curve of each pack at the pack's state of charge, shape (n,); each different curve is asked once."""
    if all(curve is curves[0] for curve in curves):
        return getattr(curves[0], what)(z)
    out = np.empty(len(curves))
    for curve in {id(curve): curve for curve in curves}.values():
        mine = [k for k, other in enumerate(curves) if other is curve]
        out[mine] = getattr(curve, what)(z[mine])
    return out

"""One step of the fast integrator, and the estimates of its error.

A step asks the cells' curves only once, at its end. Along it, from a solved start, electromotive forces run by their slopes and
relaxation voltages exactly (exponential time differencing, Cox & Matthews, J. Comput. Phys. 176 (2002) 430):

1. For currents that run straight from I₀ to I₁ the end of the step is linear in I₁: each pack is an electromotive force behind its
   resistance and d = E' Δt / 2 Q + Σ R g Δt φ₂ / τ, so that one solution of the same network gives I₁, however strongly packs pull
   at one another in the steep ends of a curve.
2. The currents half-way follow from where that has led, and the step is made with the parabola through all three:
   Δz = −Δt (I₀ + 4 Iₘ + I₁) / 6 Q, relaxation with third-order weights, hysteresis by its exact solution for the charge moved,
   temperature exactly for the heat half-way.
3. The cells are asked at the end. What their currents miss I₁ by is taken to have grown as the square of time.

The error of a step is judged by how far Iₘ lies off the straight line, by the miss, by how far voltages and heat run otherwise than
expected, and by the damage of devices. Where packs level faster than the step lasts (Δt E' dI/dE / Q above 1), or relaxation takes a
current over within half a step (Δt φ₂ R g / 2 τ · dI/dE above 1: the current half-way would turn about, and hysteresis with it), both
Iₘ and I₁ are found so that they agree with where they lead, by the trapezoidal rule and then the second-order backward one,
Δz = −Δt (I₀ + Iₘ + I₁) / 3 Q, which damps what is faster than the step (TR-BDF2, Bank et al., IEEE Trans. Electron Devices 32 (1985)
1992).

A lag of charge in place of the second pair's voltage runs the same way; the voltage that it makes goes by its slope at the start.

Within a step the state is the cubic through both ends. Integrals are summed with the weights of the step itself, so that charge is
kept.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from simbank.jit import jit_inline, jit_internal
from simbank.simulation import arrays as ar
from simbank.simulation.bank_solver import add_series_resistance, solution, working_arrays
from simbank.simulation.devices import damage_rate, device_current
from simbank.simulation.many_packs import iterates
from simbank.simulation.pack_model import heat_made, hysteresis_by_soc, lag_secant, own_draw, pack_heat, temperature_rate

CURVATURE_FACTOR = 0.1  # error of a step as a share of what the curvature of the currents changes; measured, see the bench
RESIDUAL_FACTOR = 0.1  # likewise of the charge that the residual of the corrector stands for
STIFF_CURVATURE_FACTOR = 0.3  # likewise of the curvature where packs level faster than the step lasts
STIFF = (
    1.0  # Δt E' dI/dE / Q from which they do; likewise what half a step of current does to the relaxation voltage, times dI/dE
)
RATE_BAND = 0.02  # by so much may a relaxation rate differ from the one its exponentials were made for; the rest is stepped

# Columns of ``exponentials``, shape (2 n, N_EXPONENTIALS), one row for each relaxation pair, the first pairs of all packs before the
# second: x = Δt × rate, φ1 and φ2 of −x.
(
    RATE,  # rate of the pair that they are made for, 1 / τ a' [1/s]
    EXP_HALF,  # e^(−x/2)
    PHI_1_HALF,  # Δt/2 φ1 of half a step [s]
    PHI_2_HALF,  # Δt/2 φ2 of half a step [s]
    EXP,  # e^(−x)
    PHI_1,  # Δt φ1 [s]
    PHI_2,  # Δt φ2 [s]
    WEIGHT_START,  # third-order weights of what drives the pair at the start [s]
    WEIGHT_MIDDLE,  # in the middle [s]
    WEIGHT_END,  # and at the end [s]
    N_EXPONENTIALS,
) = range(11)
# Rows of ``coefficients`` of a step, shape (N_COEFFICIENTS, n); those of relaxation are two, one for each pair.
(
    DT_BY_Q,  # Δt / Q [1/A]
    SLOPE_DT_BY_Q,  # change of voltage with the charge moved, slope Δt / Q [V/A]
    RISE_END,  # expected rise of temperature at the end [K]
    RISE_HALF,  # and half-way [K]
    RATE_T,  # rate of change of temperature [K/s]
    STEP_EMF,  # electromotive force that stands for the step in the network [V]
    STEP_OHM,  # resistance that stands for it, d [ohm]
    EXPECTED_CURRENT,  # at the end [A]
    RC_DRIVE,  # what drives a relaxation voltage at the start, R g / τ [ohm/s]
    _,
    RC_DRIVE_END,  # and at the end
    _,
    RATE_MISMATCH,  # by how much the exponentials' rate is off the pair's at the start [1/s]
    _,
    RATE_MISMATCH_END,  # and at the end
    _,
    MODAL,  # temperatures as modes of levelling
    EXPECTED_HEAT,  # heat half-way with which the temperature at the end was made [W]
    OWN_DRAW_STEP,  # what the pack takes for itself, for the whole step that of its middle [A]
    STEP_ABOVE_REF,  # of many packs, resistance that stands for the step, and by how much the pack's own is more than R_REF [ohm]
    N_COEFFICIENTS,
) = range(21)


class Step(NamedTuple):
    """What one step is written to."""

    y_middle: np.ndarray  # shape (5 n,) and more, unused: the packs' state half-way
    y_end: np.ndarray  # shape (5 n + d,): state at the end
    middle: ar.Work  # the bank half-way; its hybrid is the network with the resistances that stand for the step
    expected_port: np.ndarray  # shape (N_PORT_WORK + p, p): the ports at the end as expected from the start
    exponentials: np.ndarray  # shape (2 n, N_EXPONENTIALS)
    coefficients: np.ndarray  # shape (N_COEFFICIENTS, n)


def step_arrays(n, p, d):
    """Arrays of a :class:`Step` of ``n`` packs, ``p`` ports and ``d`` devices, in its order."""
    size = ar.N_STATES * n + d
    return (
        np.empty(size), np.empty(size), working_arrays(n, p, iterates(n, p)), np.zeros((ar.N_PORT_WORK + p, p)),
        np.empty((2 * n, N_EXPONENTIALS)), np.zeros((N_COEFFICIENTS, n)),
    )  # fmt: skip


@jit_inline
def phi(x):
    """(e^−x, φ1, φ2, φ3) of c = −x, φ1(c) = (e^c − 1)/c and φₖ₊₁ = (φₖ − 1/k!)/c; by their series where they would cancel."""
    if x < 0.05:
        c = -x
        return (
            np.exp(c),
            1.0 + c * (1 / 2 + c * (1 / 6 + c * (1 / 24 + c * (1 / 120)))),
            1 / 2 + c * (1 / 6 + c * (1 / 24 + c * (1 / 120 + c * (1 / 720)))),
            1 / 6 + c * (1 / 24 + c * (1 / 120 + c * (1 / 720 + c * (1 / 5040)))),
        )
    fade = np.exp(-x)
    one = (1.0 - fade) / x
    two = (1.0 - one) / x
    return fade, one, two, (0.5 - two) / x


@jit_internal
def _exponentials(dt, rate, q, exps):
    """Fill row ``q`` of the exponentials."""
    fade, one, two, _ = phi(0.5 * rate * dt)
    exps[q, RATE], exps[q, EXP_HALF], exps[q, PHI_1_HALF], exps[q, PHI_2_HALF] = rate, fade, 0.5 * dt * one, 0.5 * dt * two
    fade, one, two, three = phi(rate * dt)
    exps[q, EXP], exps[q, PHI_1], exps[q, PHI_2] = fade, dt * one, dt * two
    exps[q, WEIGHT_START], exps[q, WEIGHT_MIDDLE], exps[q, WEIGHT_END] = (
        dt * (one - 3.0 * two + 4.0 * three),
        dt * (4.0 * two - 8.0 * three),
        dt * (4.0 * three - two),
    )


def levelling_modes(cells, neighbours):
    """How the packs' temperatures level, shape (2 n + 1, n); row 0 alone where no pack warms another; no row where none warms at all.

    C dT/dt = q − A T is linear: its decay rates λ [1/s] are in row 0, the n rows from 1 on turn modes into temperatures, the n rows
    after them temperatures into modes. A pack without heat capacity has a mode of its own that nothing drives.
    """
    n, capacity = cells.shape[1], cells[ar.HEAT_CAPACITY]
    hot = capacity > 0.0
    if not hot.any():
        return np.zeros((0, n))
    if not neighbours.size:
        return np.where(hot, cells[ar.HEAT_LOSS] / np.where(hot, capacity, 1.0), 0.0)[None]
    root = np.where(hot, np.sqrt(capacity), 1.0)
    loss = np.diag(cells[ar.HEAT_LOSS] + neighbours.sum(axis=1)) - neighbours
    loss[~hot], loss[:, ~hot] = 0.0, 0.0
    rates, modes_ = np.linalg.eigh(loss / np.outer(root, root))
    return np.vstack([np.maximum(rates, 0.0), modes_ / root[:, None], (modes_ * root[:, None]).T])


@jit_internal
def _rises(dt, rate, levelling, modal, out):
    """Rise of every temperature [K] in ``dt`` seconds from its rate now [K/s], while heat stays as it is: exact."""
    n = rate.size
    if levelling.shape[0] == 1:
        for k in range(n):
            out[k] = dt * rate[k] * phi(dt * levelling[0, k])[1]
        return
    for j in range(n):
        value = 0.0
        for k in range(n):
            value += levelling[1 + n + j, k] * rate[k]
        modal[j] = dt * value * phi(dt * levelling[0, j])[1]
    _from_modes(levelling, modal, out)


@jit_internal
def _from_modes(levelling, modal, out):
    for k in range(out.size):
        out[k] = 0.0
        for j in range(out.size):
            out[k] += levelling[1 + k, j] * modal[j]


@jit_internal
def _bend_temperatures(dt, work, work_m, work_1, y_1, cells, levelling, coef):
    """Correct temperatures at the end for heat that runs on the parabola through start, middle and end.

    They were made with the heat that was expected half-way.
    """
    n = cells.shape[1]
    if levelling.shape[0] == 1:
        for k in range(n):
            capacity = cells[ar.HEAT_CAPACITY, k]
            if capacity > 0.0:
                _, one, two, three = phi(dt * levelling[0, k])
                half, before, after = coef[EXPECTED_HEAT, k], one - 3.0 * two + 4.0 * three, 4.0 * three - two
                bend = before * (heat_made(k, work) - half) + after * (heat_made(k, work_1) - half)
                y_1[ar.TEMPERATURE * n + k] += dt / capacity * (bend + (4.0 * two - 8.0 * three) * (heat_made(k, work_m) - half))
        return
    for j in range(n):
        _, one, two, three = phi(dt * levelling[0, j])
        first, middle, last = 0.0, 0.0, 0.0
        for k in range(n):
            if cells[ar.HEAT_CAPACITY, k] > 0.0:
                half, share = coef[EXPECTED_HEAT, k], levelling[1 + n + j, k] / cells[ar.HEAT_CAPACITY, k]
                first += share * (heat_made(k, work) - half)
                middle += share * (heat_made(k, work_m) - half)
                last += share * (heat_made(k, work_1) - half)
        bend = (one - 3.0 * two + 4.0 * three) * first + (4.0 * two - 8.0 * three) * middle + (4.0 * three - two) * last
        coef[MODAL, j] = dt * bend
    _from_modes(levelling, coef[MODAL], coef[RATE_T])
    for k in range(n):
        y_1[ar.TEMPERATURE * n + k] += coef[RATE_T, k]


@jit_inline
def _fade(x):
    """e^−x for x ≥ 0; by its series, to round-off, where that is quicker."""
    if x > 0.06:
        return np.exp(-x)
    c = -x
    return 1 + c * (
        1 + c * (1 / 2 + c * (1 / 6 + c * (1 / 24 + c * (1 / 120 + c * (1 / 720 + c * (1 / 5040 + c * (1 / 40320)))))))
    )


@jit_inline
def _hysteresis(h, gamma, moved, i_0, i_1, step_by_q):
    """Hysteresis state after the state of charge has moved by ``moved`` while the current went from ``i_0`` to ``i_1``.

    Exact: dh/dz = γ (±1 − h), on each side of the reversal where there is one.
    """
    if i_0 * i_1 < 0.0:
        first = -0.5 * step_by_q * i_0 * i_0 / (i_0 - i_1)
        toward = 1.0 if first > 0.0 else -1.0
        h = toward + (h - toward) * _fade(gamma * abs(first))
        moved -= first
    toward = 1.0 if moved > 0.0 else -1.0
    return toward + (h - toward) * _fade(gamma * abs(moved))


@jit_internal
def all_plain(bank):
    """Whether no pack takes current for itself, lets charge lag, or has tables over temperature: most banks, which then need not wait."""
    cells, curves_of = bank.cells, bank.curves_of
    for k in range(cells.shape[1]):
        if cells[ar.OWN_DRAW_A, k] != 0.0 or cells[ar.LAGS, k] > 0.0:
            return False
        if curves_of[ar.WIDTH_FACTORS, k] >= 0 or curves_of[ar.RC_T_CURVE, k] >= 0:
            return False
    return True


@jit_internal
def make_step(t, dt, new_length, y, start, bank, levelling, ports, step, plain):
    """Make one step from a solved start, without asking the cells. Fills the middle and the end of the step and its coefficients.

    Parameters
    ----------
    t, dt : float
        When it begins, in the time of the row of the duty, and how long it is [s].
    new_length : bool
        Whether it is of another length than the one before.
    y : ndarray
        State at the start.
    start : Work
        The bank at the start.
    bank : BankArrays
        The bank as it is switched.
    levelling : ndarray
        Of :func:`levelling_modes`.
    ports : ndarray, shape (p, N_PORT_COLUMNS)
        What each port imposes.
    step : Step
        What it is written to.
    plain : bool
        Whether it is so by :func:`all_plain`; what other packs have besides then stays as :func:`step_arrays` made it.

    Returns
    -------
    error : float
        Estimated error of state of charge.
    stiff : bool
        Whether the packs level faster than the step lasts.
    """
    cells, neighbours, work, now = bank.cells, bank.neighbours, start.pack, start.hybrid
    y_m, y_1, work_m, port_m = step.y_middle, step.y_end, step.middle.pack, step.middle.port
    expected_port, exps, coef = step.expected_port, step.exponentials, step.coefficients
    n = cells.shape[1]
    x = 0.0
    warms = levelling.shape[0] > 0  # otherwise the coefficients for temperatures stay zero
    if warms:
        for k in range(n):
            coef[RATE_T, k] = temperature_rate(k, y[ar.TEMPERATURE * n + k], y, cells, work, neighbours)
        _rises(dt, coef[RATE_T], levelling, coef[MODAL], coef[RISE_END])
        _rises(0.5 * dt, coef[RATE_T], levelling, coef[MODAL], coef[RISE_HALF])
    for k in range(n):
        current = work[ar.PACK_CURRENT, k]
        coef[DT_BY_Q, k] = dt / cells[ar.CAPACITY_AS, k]
        if not plain:
            half_way = y[ar.SOC * n + k] - 0.5 * coef[DT_BY_Q, k] * (current + work[ar.OWN_DRAW, k])
            coef[OWN_DRAW_STEP, k] = own_draw(k, half_way, cells)
        moving = current + coef[OWN_DRAW_STEP, k]
        sense = 1.0 if moving > 0.0 else -1.0 if moving < 0.0 else 0.0
        slope = work[ar.EMF_BY_SOC, k] - work[ar.R_BY_SOC, k] * current
        slope += work[ar.EMF_BY_HYSTERESIS, k] * hysteresis_by_soc(cells[ar.GAMMA, k], sense, y[ar.HYSTERESIS * n + k])
        coef[SLOPE_DT_BY_Q, k] = max(0.0, slope) * coef[DT_BY_Q, k]
        x = max(x, coef[SLOPE_DT_BY_Q, k] * now[k, k])
        inverse = 1.0 / y[ar.TEMPERATURE * n + k]
        if not plain and bank.curves_of[ar.RC_T_CURVE, k] >= 0:
            work_m[ar.RC_T_FACTOR, k] = work[ar.RC_T_FACTOR, k] + coef[RISE_HALF, k] * work[ar.RC_T_FACTOR_SLOPE, k]
        else:
            work_m[ar.RC_T_FACTOR, k] = work[ar.RC_T_FACTOR, k] * (
                1.0 - coef[RISE_HALF, k] * cells[ar.ARRHENIUS_RC_K, k] * inverse * inverse
            )
        work_m[ar.RC_FACTOR, k] = work[ar.RC_FACTOR, k] - 0.5 * coef[DT_BY_Q, k] * work[ar.RC_FACTOR_SLOPE, k] * moving
        for j in range(2):
            q = j * n + k
            per_s = 1.0 / cells[ar.TAU1 + j, k]
            rate_0, rate_m = per_s / work[ar.RC_T_FACTOR, k], per_s / work_m[ar.RC_T_FACTOR, k]
            if new_length or abs(rate_m - exps[q, RATE]) > RATE_BAND * rate_m:
                _exponentials(dt, rate_m, q, exps)
            drive = cells[ar.R1 + j, k] * per_s
            coef[RC_DRIVE + j, k], coef[RC_DRIVE_END + j, k] = (
                drive * work[ar.RC_FACTOR, k],
                drive * (2.0 * work_m[ar.RC_FACTOR, k] - work[ar.RC_FACTOR, k]),
            )
            coef[RATE_MISMATCH + j, k], coef[RATE_MISMATCH_END + j, k] = (
                exps[q, RATE] - rate_0,
                exps[q, RATE] - 2.0 * rate_m + rate_0,
            )
        second = coef[RC_DRIVE + 1, k] if plain else work[ar.RC_2_SLOPE, k] * coef[RC_DRIVE + 1, k]
        relaxing = coef[RC_DRIVE, k] * exps[k, PHI_2_HALF] + second * exps[n + k, PHI_2_HALF]
        x = max(x, relaxing * now[k, k])
    stiff = x > STIFF
    if stiff:  # the middle by the trapezoidal rule; it then helps to find the end
        for k in range(n):
            current = work[ar.PACK_CURRENT, k]
            force, ohm = (
                work[ar.EMF, k] + _by_t(k, work) * coef[RISE_HALF, k] - 0.25 * coef[SLOPE_DT_BY_Q, k] * current,
                0.25 * coef[SLOPE_DT_BY_Q, k],
            )
            if not plain:
                force -= 0.5 * coef[SLOPE_DT_BY_Q, k] * coef[OWN_DRAW_STEP, k]
            for j in range(2):
                q, v = j * n + k, y[(ar.RC_VOLT_1 + j) * n + k]
                middle = 0.5 * (coef[RATE_MISMATCH_END + j, k] + coef[RATE_MISMATCH + j, k]) * v
                push = coef[RATE_MISMATCH + j, k] * v + coef[RC_DRIVE + j, k] * current
                relaxed = (
                    (exps[q, EXP_HALF] - 1.0) * v
                    + (exps[q, PHI_1_HALF] - exps[q, PHI_2_HALF]) * push
                    + exps[q, PHI_2_HALF] * middle
                )
                force -= _volts(j, k, relaxed, plain, work)
                driven = 0.5 * (coef[RC_DRIVE + j, k] + coef[RC_DRIVE_END + j, k]) * exps[q, PHI_2_HALF]
                ohm += _volts(j, k, driven, plain, work)
            coef[STEP_EMF, k], coef[STEP_OHM, k] = force, ohm
        _currents_of_step(t + 0.5 * dt, bank.hybrid, start, ports, step, port_m, work_m[ar.PACK_CURRENT])
    for k in range(n):
        i_0, i_m = work[ar.PACK_CURRENT, k], work_m[ar.PACK_CURRENT, k]
        force = (
            work[ar.EMF, k]
            + _by_t(k, work) * coef[RISE_END, k]
            - coef[SLOPE_DT_BY_Q, k] * (0.5 * i_0 if not stiff else (i_0 + i_m) / 3.0)
        )
        if not plain:
            force -= coef[SLOPE_DT_BY_Q, k] * coef[OWN_DRAW_STEP, k]
        ohm = coef[SLOPE_DT_BY_Q, k] * (0.5 if not stiff else 1.0 / 3.0)
        for j in range(2):
            q, v = j * n + k, y[(ar.RC_VOLT_1 + j) * n + k]
            push = coef[RATE_MISMATCH + j, k] * v + coef[RC_DRIVE + j, k] * i_0
            force -= _volts(j, k, (exps[q, EXP] - 1.0) * v, plain, work)
            if stiff:
                middle = 0.5 * (
                    (coef[RATE_MISMATCH + j, k] + coef[RATE_MISMATCH_END + j, k]) * v
                    + (coef[RC_DRIVE + j, k] + coef[RC_DRIVE_END + j, k]) * i_m
                )
                relaxed = (
                    exps[q, WEIGHT_START] * push
                    + exps[q, WEIGHT_MIDDLE] * middle
                    + exps[q, WEIGHT_END] * coef[RATE_MISMATCH_END + j, k] * v
                )
                driven = coef[RC_DRIVE_END + j, k] * exps[q, WEIGHT_END]
            else:
                relaxed = (exps[q, PHI_1] - exps[q, PHI_2]) * push + exps[q, PHI_2] * coef[RATE_MISMATCH_END + j, k] * v
                driven = coef[RC_DRIVE_END + j, k] * exps[q, PHI_2]
            force -= _volts(j, k, relaxed, plain, work)
            ohm += _volts(j, k, driven, plain, work)
        coef[STEP_EMF, k], coef[STEP_OHM, k] = force, ohm
    _currents_of_step(t + dt, bank.hybrid, start, ports, step, expected_port, coef[EXPECTED_CURRENT])
    for k in range(n):
        i_0, i_1 = work[ar.PACK_CURRENT, k], coef[EXPECTED_CURRENT, k]
        there = 0.5 * (i_0 + i_1) if not stiff else work_m[ar.PACK_CURRENT, k]
        force = work[ar.EMF, k] - coef[SLOPE_DT_BY_Q, k] * (0.25 * i_0 + 0.25 * there) + _by_t(k, work) * coef[RISE_HALF, k]
        if not plain:
            force -= 0.5 * coef[SLOPE_DT_BY_Q, k] * coef[OWN_DRAW_STEP, k]
        for j in range(2):
            q, v = j * n + k, y[(ar.RC_VOLT_1 + j) * n + k]
            push = coef[RATE_MISMATCH + j, k] * v + coef[RC_DRIVE + j, k] * i_0
            middle = 0.5 * (
                (coef[RATE_MISMATCH + j, k] + coef[RATE_MISMATCH_END + j, k]) * v
                + (coef[RC_DRIVE + j, k] + coef[RC_DRIVE_END + j, k]) * there
            )
            after = exps[q, EXP_HALF] * v + exps[q, PHI_1_HALF] * push + exps[q, PHI_2_HALF] * (middle - push)
            y_m[(ar.RC_VOLT_1 + j) * n + k] = after
            force -= _volts(j, k, after - v, plain, work)
        coef[STEP_EMF, k] = force
    if not stiff:
        above, middle = work[ar.R_ABOVE_REF], work_m[ar.PACK_CURRENT]
        solution(t + 0.5 * dt, coef[STEP_EMF], above, bank.hybrid, ports, port_m, start.iterates, now, middle)
    for k in range(n):
        i_0, i_m, i_1 = work[ar.PACK_CURRENT, k], work_m[ar.PACK_CURRENT, k], coef[EXPECTED_CURRENT, k]
        warm, own = coef[RISE_HALF, k], coef[OWN_DRAW_STEP, k]
        moved = -coef[DT_BY_Q, k] * ((5.0 * i_0 + 8.0 * i_m - i_1) / 24.0 if not stiff else 0.25 * (i_0 + i_m))
        if not plain:
            moved -= 0.5 * coef[DT_BY_Q, k] * own
        y_m[ar.SOC * n + k] = y[ar.SOC * n + k] + moved
        y_m[ar.HYSTERESIS * n + k] = _hysteresis(
            y[ar.HYSTERESIS * n + k], cells[ar.GAMMA, k], moved, i_0 + own, i_m + own, 0.5 * coef[DT_BY_Q, k]
        )
        y_m[ar.TEMPERATURE * n + k] = y[ar.TEMPERATURE * n + k] + warm
        work_m[ar.R_OHMIC, k] = work[ar.R_OHMIC, k] + work[ar.R_BY_SOC, k] * moved + work[ar.R_BY_T, k] * warm
        work_m[ar.EMF_BY_HYSTERESIS, k] = work[ar.EMF_BY_HYSTERESIS, k] + work[ar.HALF_WIDTH_SLOPE, k] * moved
        work_m[ar.ENTROPY, k] = work[ar.ENTROPY, k] + work[ar.ENTROPY_BY_SOC, k] * moved
        work_m[ar.HALF_WIDTH_SLOPE, k], work_m[ar.RC_FACTOR_SLOPE, k] = work[ar.HALF_WIDTH_SLOPE, k], work[ar.RC_FACTOR_SLOPE, k]
        if not plain:
            work_m[ar.OWN_DRAW, k], work_m[ar.EMF_SETTLED, k] = own, work[ar.EMF_SETTLED, k]
            work_m[ar.RC_2_SECANT, k] = work[ar.RC_2_SECANT, k]
            work_m[ar.EXCESS_WIDTH, k] = 0.0
            if bank.curves_of[ar.WIDTH_FACTORS, k] >= 0:
                _width_half_way(k, moved, warm, work, work_m)
    pack_heat(y_m, cells, work_m)
    if warms:
        for k in range(n):
            coef[EXPECTED_HEAT, k] = heat_made(k, work_m)
            coef[RATE_T, k] = temperature_rate(k, y[ar.TEMPERATURE * n + k], y, cells, work_m, neighbours)
        _rises(dt, coef[RATE_T], levelling, coef[MODAL], coef[RISE_END])
    at_ends = 1.0 / 3.0 if stiff else 1.0 / 6.0
    error, total = 0.0, 0.0
    for k in range(n):
        i_0, i_m, i_1, by_q = work[ar.PACK_CURRENT, k], work_m[ar.PACK_CURRENT, k], coef[EXPECTED_CURRENT, k], coef[DT_BY_Q, k]
        own = coef[OWN_DRAW_STEP, k]
        moved = -by_q * (at_ends * (i_0 + i_1) + (1.0 - 2.0 * at_ends) * i_m)
        if not plain:
            moved -= by_q * own
        y_1[ar.SOC * n + k] = y[ar.SOC * n + k] + moved
        y_1[ar.HYSTERESIS * n + k] = _hysteresis(y[ar.HYSTERESIS * n + k], cells[ar.GAMMA, k], moved, i_0 + own, i_1 + own, by_q)
        y_1[ar.TEMPERATURE * n + k] = y[ar.TEMPERATURE * n + k] + coef[RISE_END, k]
        lasting = 0.0
        for j in range(2):
            q, v, v_m = j * n + k, y[(ar.RC_VOLT_1 + j) * n + k], y_m[(ar.RC_VOLT_1 + j) * n + k]
            push = coef[RATE_MISMATCH + j, k] * v + coef[RC_DRIVE + j, k] * i_0
            middle = 0.5 * (
                (coef[RATE_MISMATCH + j, k] + coef[RATE_MISMATCH_END + j, k]) * v_m
                + (coef[RC_DRIVE + j, k] + coef[RC_DRIVE_END + j, k]) * i_m
            )
            after = exps[q, EXP] * v + exps[q, WEIGHT_START] * push + exps[q, WEIGHT_MIDDLE] * middle
            after += exps[q, WEIGHT_END] * (coef[RATE_MISMATCH_END + j, k] * v_m + coef[RC_DRIVE_END + j, k] * i_1)
            y_1[(ar.RC_VOLT_1 + j) * n + k] = after + exps[q, WEIGHT_END] * coef[RATE_MISMATCH_END + j, k] * (after - v_m)
            lasting += _volts(j, k, coef[RC_DRIVE + j, k] * exps[q, WEIGHT_MIDDLE] * cells[ar.TAU1 + j, k], plain, work)
        # an error of a relaxation voltage moves a current for as long as it lasts
        apart = by_q / 1.5 + lasting / (2.0 * work[ar.R_OHMIC, k] * cells[ar.CAPACITY_AS, k])
        error, total = max(error, apart * abs(i_m - 0.5 * (i_0 + i_1))), total + i_m + i_1
    if not np.isfinite(total):
        error = np.inf
    return (CURVATURE_FACTOR if not stiff else STIFF_CURVATURE_FACTOR) * error, stiff


@jit_internal
def _currents_of_step(t, base, start, ports, step, port, out):
    """Currents of packs, into ``out``, and of ports, into ``port``, with the electromotive forces and resistances that stand for the step.

    ``base`` is the network as it was reduced.
    """
    coef, middle = step.coefficients, step.middle
    _network_of_step(start, coef, middle.iterates, middle.hybrid)
    solution(t, coef[STEP_EMF], coef[STEP_ABOVE_REF], base, ports, port, middle.iterates, middle.hybrid, out)


@jit_inline
def _network_of_step(start, coef, iterates, hybrid):
    """The network with the resistances that stand for the step, or of many packs the resistances, by the network as it was reduced."""
    if iterates.ndim == 1:
        add_series_resistance(start.hybrid, coef[STEP_OHM], hybrid)
    else:
        for k in range(coef.shape[1]):
            coef[STEP_ABOVE_REF, k] = start.pack[ar.R_ABOVE_REF, k] + coef[STEP_OHM, k]


@jit_inline
def _width_half_way(k, moved, warm, work, work_m):
    """Width of a loop that changes with temperature, half-way, from the start: as it runs on with charge ``moved`` and ``warm`` kelvin."""
    more = work[ar.HALF_WIDTH_BY_T, k] * warm
    work_m[ar.EMF_BY_HYSTERESIS, k] += more
    work_m[ar.EXCESS_WIDTH, k] = work[ar.EXCESS_WIDTH, k] + work[ar.EXCESS_SLOPE, k] * moved + more
    work_m[ar.EXCESS_SLOPE, k] = work[ar.EXCESS_SLOPE, k]


@jit_internal
def correct_end(dt, stiff, tolerance, bank, levelling, start, end, step):
    """Move the end of a step, solved in ``end``, by what its currents miss the expected ones by, and estimate the error.

    ``stiff`` is of :func:`make_step`, ``start`` the bank at the start.

    Returns
    -------
    error, moved : float, bool
        Estimated error of state of charge; whether the end was moved, so that its currents must be solved again.
    """
    cells, now, work, work_1, port_1 = bank.cells, start.hybrid, start.pack, end.pack, end.port
    y_m, y_1, work_m, port_m = step.y_middle, step.y_end, step.middle.pack, step.middle.port
    expected_port, exps, coef = step.expected_port, step.exponentials, step.coefficients
    n = cells.shape[1]
    at_ends = 1.0 / 3.0 if stiff else 1.0 / 6.0
    weight = at_ends + 0.25 * (1.0 - 2.0 * at_ends)
    error, total = 0.0, 0.0
    for k in range(n):
        error, total = (
            max(error, abs(work_1[ar.PACK_CURRENT, k] - coef[EXPECTED_CURRENT, k]) * coef[DT_BY_Q, k]),
            total + work_1[ar.PACK_CURRENT, k],
        )
    if not np.isfinite(total):
        return np.inf, False
    moves = error > 0.02 * tolerance
    if moves:
        for k in range(n):
            miss = (work_1[ar.PACK_CURRENT, k] - coef[EXPECTED_CURRENT, k]) / (1.0 + weight * coef[SLOPE_DT_BY_Q, k] * now[k, k])
            shift = -miss * coef[DT_BY_Q, k] * weight
            sense = 1.0 if work_1[ar.PACK_CURRENT, k] + coef[OWN_DRAW_STEP, k] > 0.0 else -1.0
            change = hysteresis_by_soc(cells[ar.GAMMA, k], sense, y_1[ar.HYSTERESIS * n + k]) * shift
            y_1[ar.SOC * n + k] += shift
            y_1[ar.HYSTERESIS * n + k] = min(1.0, max(-1.0, y_1[ar.HYSTERESIS * n + k] + change))
            work_1[ar.EMF, k] += work_1[ar.EMF_BY_SOC, k] * shift + work_1[ar.EMF_BY_HYSTERESIS, k] * change
            work_m[ar.PACK_CURRENT, k] += 0.25 * miss
            for j in range(2):
                q = j * n + k
                more = coef[RC_DRIVE_END + j, k] * (0.25 * exps[q, WEIGHT_MIDDLE] + exps[q, WEIGHT_END]) * miss
                y_1[(ar.RC_VOLT_1 + j) * n + k] += more
                work_1[ar.EMF, k] -= _volts(j, k, more, False, work_1)
    # voltages that run otherwise than expected: an error of the energy, in the packs' charge at that voltage
    apart = 0.0
    for a in range(port_m.shape[1]):
        if moves:
            port_m[ar.PORT_CURRENT, a] += 0.25 * (port_1[ar.PORT_CURRENT, a] - expected_port[ar.PORT_CURRENT, a])
        miss = port_1[ar.PORT_VOLTAGE, a] - expected_port[ar.PORT_VOLTAGE, a]
        port_m[ar.PORT_VOLTAGE, a] += 0.25 * miss
        apart = max(apart, abs(miss) / (1.0 + abs(port_1[ar.PORT_VOLTAGE, a])))
    # heat half-way anew, with the mean of the slopes at both ends: with those of the start alone it would be of first order
    for k in range(n):
        work_m[ar.HALF_WIDTH_SLOPE, k] = 0.5 * (work[ar.HALF_WIDTH_SLOPE, k] + work_1[ar.HALF_WIDTH_SLOPE, k])
        work_m[ar.RC_FACTOR_SLOPE, k] = 0.5 * (work[ar.RC_FACTOR_SLOPE, k] + work_1[ar.RC_FACTOR_SLOPE, k])
        if cells[ar.LAGS, k] > 0.0:
            slope = 0.5 * (work[ar.RC_2_SLOPE, k] + work_1[ar.RC_2_SLOPE, k])
            work_m[ar.RC_2_SECANT, k] = lag_secant(
                k, y_m[ar.SOC * n + k], y_m[ar.RC_VOLT_2 * n + k], slope, cells, bank.curves_of, bank.curves
            )
        if work_m[ar.EXCESS_WIDTH, k] != 0.0:
            work_m[ar.EXCESS_SLOPE, k] = 0.5 * (work[ar.EXCESS_SLOPE, k] + work_1[ar.EXCESS_SLOPE, k])
        if coef[OWN_DRAW_STEP, k] > 0.0:
            work_m[ar.EMF_SETTLED, k] = 0.5 * (work[ar.EMF_SETTLED, k] + work_1[ar.EMF_SETTLED, k])
    pack_heat(y_m, cells, work_m)
    for k in range(n):
        # likewise heat, which relaxation makes without any current
        bent = heat_made(k, work) + heat_made(k, work_1) - 2.0 * heat_made(k, work_m)
        heat = abs(bent) / 3.0 / (1.0 + abs(work_1[ar.EMF, k]))
        error = max(error, coef[DT_BY_Q, k] * (apart * abs(work_1[ar.PACK_CURRENT, k]) + heat))
    if levelling.shape[0] > 0:
        _bend_temperatures(dt, work, work_m, work_1, y_1, cells, levelling, coef)
    return RESIDUAL_FACTOR * error, moves


@jit_inline
def _volts(j, k, change, plain, work):
    """By how much the voltage of pack ``k`` falls with a change of its relaxation pair ``j``: as much, unless that is a lag of charge [V]."""
    return change if plain or j == 0 else work[ar.RC_2_SLOPE, k] * change


@jit_inline
def _by_t(k, work):
    """How the voltage of pack ``k`` answers to its temperature at the current it has [V/K]."""
    return work[ar.EMF_BY_T, k] - work[ar.R_BY_T, k] * work[ar.PACK_CURRENT, k]


@jit_internal
def add_own_draw(dt, start, end, step, acc):
    """Add what the packs took for themselves in a step of ``dt`` [s]: charge as the step has it, energy at the mean of both ends."""
    coef = step.coefficients
    for k in range(coef.shape[1]):
        own = coef[OWN_DRAW_STEP, k]
        if own > 0.0:
            acc[ar.ACC_OWN_DRAW_AS, k] += dt * own
            acc[ar.ACC_OWN_DRAW_J, k] += dt * own * 0.5 * (start.pack[ar.EMF_SETTLED, k] + end.pack[ar.EMF_SETTLED, k])


@jit_internal
def add_damage(dt, y, bank, start, end, step):
    """Damage of every device at the end of the step; returns its estimated error."""
    devices, flows, curves, y_1 = bank.devices, bank.device_flows, bank.curves, step.y_end
    error, base = 0.0, y.size - devices.shape[0]
    for d in range(devices.shape[0]):
        before = y[base + d]
        i_0, i_1 = device_current(d, flows, start), device_current(d, flows, end)
        i_m = device_current(d, flows, step.middle)
        if max(abs(i_0), abs(i_m), abs(i_1)) <= devices[d, ar.MIN_TRIP_MULTIPLE] * devices[d, ar.RATING_A]:
            y_1[base + d] = before * np.exp(-dt / devices[d, ar.THERMAL_TIME_CONSTANT_S])
            continue
        ends = damage_rate(d, i_0, before, devices, curves) + damage_rate(d, i_1, before, devices, curves)
        middle = damage_rate(d, i_m, before, devices, curves)
        y_1[base + d] = before + dt * (ends + 4.0 * middle) / 6.0
        error = max(error, CURVATURE_FACTOR * dt * abs(2.0 * middle - ends) / 3.0)
    return error


@jit_internal
def interpolate(share, dt, y0, f0, y1, f1, out):
    """Cubic through both ends of a step with their slopes (Hermite)."""
    s, s2, s3 = share, share * share, share * share * share
    for i in range(y0.size):
        out[i] = (
            (2 * s3 - 3 * s2 + 1) * y0[i] + (s3 - 2 * s2 + s) * dt * f0[i] + (3 * s2 - 2 * s3) * y1[i] + (s3 - s2) * dt * f1[i]
        )

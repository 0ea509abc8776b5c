"""R0 and two relaxation pairs over state of charge from a log of pulses and rests."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from simbank.cells.cell_response import moved_ah, relaxation
from simbank.cells.chemistry import Chemistry
from simbank.cells.fit import fit_pulse
from simbank.cells.measured_table import MeasuredTable, check_cell_volts
from simbank.errors import InputError

__all__ = ["MeasuredPulses", "measured_pulses", "pulse_log"]

ON = 0.05  # of the greatest current: more is a pulse, less is rest. These thresholds are choices of ours
BEFORE_S = 60.0  # of rest before a pulse that is looked at
LEAST_SAMPLES = 20  # as fit_pulse asks
SAME_SOC = 0.015  # pulses nearer than that are of one state of charge
SLOW_S = 2.0  # between samples at a step; more is told
UNSEEN = 0.01  # of R0 that relaxation may have added before the first sample; more is told
NEAR_FULL = 0.95  # state of charge
INSTANT_S = 1e-3  # between two samples of one time, before and after a step


@dataclass
class PulseLog:
    """A log with current positive for discharge, per cell.

    Attributes
    ----------
    time_s, current_a, voltage_v : ndarray, shape (m,)
    soc : ndarray, shape (m,) or None
        Where the log has a column of it.
    held : ndarray of bool, shape (m,)
        Samples that were not measured: put in just before each step of current, which counts as made at the sample that first shows it.
    """

    time_s: np.ndarray
    current_a: np.ndarray
    voltage_v: np.ndarray
    soc: np.ndarray | None
    held: np.ndarray


@dataclass
class MeasuredPulses:
    """What pulses tell of a cell; one entry for each pulse in the arrays.

    Attributes
    ----------
    soc : ndarray
        In the middle of the pulse.
    r0_ohm, pairs_ohm : ndarray
        R0, and both pairs' resistances together [ohm].
    r0_error_ohm : ndarray
        Of R0 [ohm]: the root of the squares of ``r0_fit_error_ohm`` and ``r0_unseen_ohm``.
    r0_fit_error_ohm : ndarray
        Standard error of R0 by the fit alone [ohm].
    r0_unseen_ohm : ndarray
        By how much R0 may be too large because the step came sooner than the sample that first shows it [ohm]: of both pairs as fitted,
        Σ R (1 − exp(−T/τ)) over the time T since the sample before.
    rms_v : ndarray
        Left over [V].
    r0_half_ohm : float
        R0 at half charge [ohm].
    rc : tuple of (float, float)
        Ratio to R0 at half charge and time constant [s] of each pair.
    r_factor, rc_factor : (ndarray, ndarray)
        State of charge from 0 to 1, and the factor there, 1 at half charge.
    traces : list of (ndarray, ndarray, ndarray)
        Time [s], measured and fitted voltage [V] of each pulse.
    told : list of str
        What was taken for what.
    """

    soc: np.ndarray
    r0_ohm: np.ndarray
    pairs_ohm: np.ndarray
    r0_error_ohm: np.ndarray
    r0_fit_error_ohm: np.ndarray
    r0_unseen_ohm: np.ndarray
    rms_v: np.ndarray
    r0_half_ohm: float
    rc: tuple[tuple[float, float], tuple[float, float]]
    r_factor: tuple[np.ndarray, np.ndarray]
    rc_factor: tuple[np.ndarray, np.ndarray]
    traces: list[tuple[np.ndarray, np.ndarray, np.ndarray]]
    told: list[str] = field(default_factory=list)


def pulse_log(table: MeasuredTable, cells_in_series: int = 1) -> PulseLog:
    """The log that a table holds, with the sign of the current as the voltage tells it.

    Raises
    ------
    InputError
        If a column is missing, times go back, or the current never steps.
    """
    missing = [key for key in ("time", "current", "voltage") if key not in table]
    if missing:
        raise InputError(f"has no column of {' and of '.join(missing)}", file=table.path)
    time_s, current_a, volt = (np.array(table[key]) for key in ("time", "current", "voltage"))
    volt = volt / cells_in_series
    back = np.flatnonzero(np.diff(time_s) < 0)
    if back.size:
        raise InputError(
            "time goes back (a clock that starts anew in each step?); needs one that runs on", file=table.path,
            key=f"row {back[0] + 2}", value=float(time_s[back[0] + 1]),
        )  # fmt: skip
    if len(time_s) < LEAST_SAMPLES or np.ptp(current_a) == 0:
        raise InputError(f"needs {LEAST_SAMPLES} samples or more, and a step of current", file=table.path)
    time_s = time_s - time_s[0]
    for k in np.flatnonzero(np.diff(time_s) == 0):
        time_s[k + 1] = time_s[k] + INSTANT_S
    keep = np.concatenate([[True], np.diff(time_s) > 0])
    check_cell_volts(table, volt, cells_in_series)
    change, answer = np.diff(current_a), np.diff(volt)
    steps = np.abs(change) > ON * np.abs(current_a).max()
    if float(change[steps] @ answer[steps]) > 0:
        table.told.append("current is positive for charge there, and was turned round")
        current_a = -current_a
    log = PulseLog(
        time_s[keep], current_a[keep], volt[keep], table["soc"][keep] if "soc" in table else None, np.zeros(keep.sum(), bool)
    )
    return _with_steps_at_their_sample(log, table)


def _with_steps_at_their_sample(log, table):
    """The log with a sample more just before each step of current, at the current before it and the voltage that was on its way.

    Between samples a current runs straight; without them a step would become a ramp as long as the sampling.
    """
    change = np.abs(np.diff(log.current_a)) > ON * np.abs(log.current_a).max()
    before = np.flatnonzero(change & (np.diff(log.time_s) > 2 * INSTANT_S))
    if not before.size:
        return log
    wait = float(np.median(np.diff(log.time_s)[before]))
    if wait > SLOW_S:
        table.told.append(
            f"samples at steps of current are {wait:.3g} s apart; a step counts as made at the sample that first shows it, and if it came "
            "sooner, R0 holds some of the relaxation"
        )
    at = log.time_s[before + 1] - INSTANT_S
    back = np.maximum(before - 1, 0)
    slope = (log.voltage_v[before] - log.voltage_v[back]) / np.maximum(log.time_s[before] - log.time_s[back], INSTANT_S)
    slope[change[back] & (back < before)] = 0.0
    volt = log.voltage_v[before] + slope * (at - log.time_s[before])
    soc = None if log.soc is None else np.insert(log.soc, before + 1, log.soc[before])
    return PulseLog(
        np.insert(log.time_s, before + 1, at), np.insert(log.current_a, before + 1, log.current_a[before]),
        np.insert(log.voltage_v, before + 1, volt), soc, np.insert(log.held, before + 1, True),
    )  # fmt: skip


def measured_pulses(log: PulseLog, soc: np.ndarray, base: Chemistry, open_volt: np.ndarray | None = None) -> MeasuredPulses:
    """Fit every pulse of a log by :func:`~simbank.cells.fit.fit_pulse`, then all with time constants in common.

    Of each pulse with the rest after it: V = U0 − k ∫I dt − R0 I − v1 − v2. The time constants are the mean of their logarithms over
    the pulses, weighted by their standard errors; with them the rest is linear and fitted again.

    Parameters
    ----------
    log : PulseLog
        Begins at rest.
    soc : ndarray, shape (m,)
        State of charge at each sample.
    base : Chemistry
        Whose factors go on where no pulse was.
    open_volt : ndarray, shape (m,), optional
        What is known of the open-circuit voltage at each sample [V], up to a constant and a slope; it is taken off before the fit.

    Raises
    ------
    InputError
        If there is no pulse with a rest before and after it.
    """
    told = []
    known = np.zeros(len(soc)) if open_volt is None else open_volt
    pulses = [rows for rows in _pulses(log) if len(rows) >= LEAST_SAMPLES]
    if not pulses:
        raise InputError("has no pulse of current with a rest before and after it, of 20 samples or more together")
    first = []
    for rows in pulses:
        try:
            with np.errstate(over="ignore", invalid="ignore"):  # of steps that are tried and taken back
                first.append(fit_pulse(log.time_s[rows], log.current_a[rows], log.voltage_v[rows] - known[rows] + known[rows[0]]))
        except InputError as error:
            told.append(f"the pulse at {log.time_s[rows[0]]:.0f} s was left out: {error.problem}")
            first.append(None)
    pulses = [rows for rows, fit in zip(pulses, first, strict=True) if fit is not None]
    tau = [_common(first, key) for key in ("tau1_s", "tau2_s")]
    fits = [_linear(log, rows, known, tau) for rows in pulses]
    at = np.array([_middle_soc(log, rows, soc) for rows in pulses])
    r0, r1, r2, error, rms = (np.array([fit[k] for fit in fits]) for k in range(5))
    pairs = r1 + r2
    wait = np.array([_unseen_s(log, rows) for rows in pulses])
    unseen = sum(ohm * -np.expm1(-wait / time_constant) for ohm, time_constant in zip((r1, r2), tau, strict=True))
    told += _sampling_words(wait, unseen, r0, at)
    at_half, r_factor = _factor(at, r0, base.r_factor)
    pairs_half, rc_factor = _factor(at, pairs, base.rc_factor)
    share = float(np.clip(np.mean(r1 / np.where(pairs > 0, pairs, 1.0)), 0.0, 1.0))
    ratios = (share * pairs_half / at_half, (1.0 - share) * pairs_half / at_half)
    low, high = at.min(), at.max()
    if not low <= 0.5 <= high:
        told.append(
            f"no pulse on both sides of half charge (they lie from {low * 100:.0f} to {high * 100:.0f} %): the shape of {base.name} leads there"
        )
    told.append(
        f"{len(pulses)} pulses from {low * 100:.0f} to {high * 100:.0f} % of charge; beyond, the shape of {base.name} goes on, which is assumed"
    )
    traces = []
    for rows, fit in zip(pulses, fits, strict=True):
        real = rows[~log.held[rows]]
        traces.append((log.time_s[real], log.voltage_v[real], fit[5] + known[real] - known[rows[0]]))
    rc = tuple(zip(ratios, tau, strict=True))
    return MeasuredPulses(
        at, r0, pairs, np.hypot(error, unseen), error, unseen, rms, at_half, rc, r_factor, rc_factor, traces, told
    )


def _pulses(log):
    """Rows of each pulse: from the rest before it to the beginning of the next one."""
    on = np.abs(log.current_a) > ON * np.abs(log.current_a).max()
    begins = np.flatnonzero(on[1:] & ~on[:-1]) + 1
    for number, begin in enumerate(begins):
        end = begins[number + 1] if number + 1 < len(begins) else len(on)
        rest = np.flatnonzero(on[:begin])
        since = max(rest[-1] + 1 if rest.size else 0, int(np.searchsorted(log.time_s, log.time_s[begin] - BEFORE_S)))
        if begin - since >= 1 and not on[end - 1]:
            yield np.arange(min(since, begin - 1), end)


def _unseen_s(log, rows):
    """Time between the last sample before a pulse and the first one that shows it [s], in which the step was made."""
    on = np.abs(log.current_a[rows]) > ON * np.abs(log.current_a).max()
    first = int(np.argmax(on))
    before = np.flatnonzero(~log.held[rows[:first]])
    return float(log.time_s[rows[first]] - log.time_s[rows[before[-1]]]) if before.size else 0.0


def _sampling_words(wait, unseen, r0, at):
    """What sampling and the end of charge leave unknown of R0."""
    worst = int(np.argmax(unseen / np.maximum(r0, 1e-12)))
    share = unseen[worst] / max(r0[worst], 1e-12)
    if share > UNSEEN:
        yield (
            f"samples at the steps are up to {wait.max():.3g} s apart: if a step came just after one, R0 is too large by up to "
            f"{unseen[worst] * 1e3:.2g} mΩ ({share * 100:.2g} % of it), which its ± holds; sample faster at steps"
        )
    if at.max() > NEAR_FULL:
        yield (
            f"{np.sum(at > NEAR_FULL)} of the pulses lie above {NEAR_FULL * 100:.0f} % of charge, where the open-circuit curve bends within "
            "a pulse: their ± does not hold that"
        )


def _middle_soc(log, rows, soc):
    on = np.abs(log.current_a[rows]) > ON * np.abs(log.current_a).max()
    return float(soc[rows][on].mean())


def _common(fits, key):
    """A time constant for all pulses [s]: mean of the logarithms, weighted by their standard errors."""
    good = [fit for fit in fits if fit is not None]
    value = np.array([fit.values[key] for fit in good])
    relative = np.array([fit.standard_errors[key] for fit in good]) / value
    weight = 1.0 / np.maximum(np.where(np.isfinite(relative), relative, 1e3), 1e-2) ** 2
    return float(np.exp(np.sum(weight * np.log(value)) / np.sum(weight)))


def _linear(log, rows, known, tau):
    """(R0, R1, R2, standard error of R0, root mean square left over, fitted voltage) of one pulse with given time constants."""
    from scipy.optimize import lsq_linear

    time_s, current_a, volt = log.time_s[rows], log.current_a[rows], log.voltage_v[rows] - known[rows] + known[rows[0]]
    columns = [-current_a, *(-relaxation(time_s, current_a, t) for t in tau), np.ones(len(rows)), -moved_ah(time_s, current_a)]
    matrix = np.column_stack(columns)
    size = np.linalg.norm(matrix, axis=0)
    size[size == 0] = 1.0
    real = ~log.held[rows]
    matrix, volt = matrix[real], volt[real]
    found = lsq_linear(matrix / size, volt, (np.array([0, 0, 0, -np.inf, -np.inf]), np.full(5, np.inf)))
    left = matrix / size @ found.x - volt
    covariance = np.linalg.pinv((matrix / size).T @ (matrix / size)) * (left @ left) / max(1, len(volt) - 5)
    r0, r1, r2 = found.x[:3] / size[:3]
    return r0, r1, r2, float(np.sqrt(covariance[0, 0]) / size[0]), float(np.sqrt(np.mean(left**2))), volt + left


def _factor(at, ohm, base):
    """Value at half charge [ohm], and (state of charge, factor) from 0 to 1 with 1 at half charge; beyond the pulses as ``base``."""
    order = np.argsort(at)
    soc, value = [], []
    for z, r in zip(at[order], ohm[order], strict=True):
        if soc and z - soc[-1][0] < SAME_SOC:
            soc[-1].append(z), value[-1].append(r)
        else:
            soc.append([z]), value.append([r])
    z, r = np.array([np.mean(part) for part in soc]), np.array([np.mean(part) for part in value])
    if not np.all(r > 0):
        floor = 1e-3 * max(r.max(), 1e-9)
        r = np.maximum(r, floor)

    def beyond(points, end):
        return [(p, r[end] * float(base(p) / base(z[end]))) for p in points]

    points = [*beyond([p for p in (0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5) if p < z[0] - SAME_SOC], 0), *zip(z, r, strict=True)]
    points += beyond([p for p in (0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0) if p > z[-1] + SAME_SOC], -1)
    if points[0][0] > 0:
        points.insert(0, (0.0, points[0][1]))
    if points[-1][0] < 1:
        points.append((1.0, points[-1][1]))
    x, y = (np.array([float(point[k]) for point in points]) for k in (0, 1))
    from scipy.interpolate import PchipInterpolator

    half = float(PchipInterpolator(x, y)(0.5))
    near = np.abs(x - 0.5) < SAME_SOC
    if near.any() and not np.any(x == 0.5):
        x[np.flatnonzero(near)[0]], y[np.flatnonzero(near)[0]] = 0.5, half
    elif not near.any():
        place = int(np.searchsorted(x, 0.5))
        x, y = np.insert(x, place, 0.5), np.insert(y, place, half)
    else:
        half = float(y[np.flatnonzero(x == 0.5)[0]])
    return half, (x, y / half)

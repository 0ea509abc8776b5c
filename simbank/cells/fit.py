"""Circuit parameters from measured (or computed) voltage: R0 and two relaxation pairs by least squares, with uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from os import PathLike
from typing import TYPE_CHECKING

import numpy as np

from simbank.cells.cell_response import moved_ah, relaxation
from simbank.distributions import COVERAGE_FACTOR
from simbank.errors import InputError
from simbank.filemodel import finite_column, read_csv

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

__all__ = [
    "OHM_ACCURACY", "OHM_SHARE", "OHM_V", "RECTANGULAR", "PulseFit", "Reading", "fit_pulse", "read_pulse_csv",
    "resistance_from_two_readings",
]  # fmt: skip

# Limits of a pack's resistance from two readings by voltmeter and clamp meter: of itself, and volts over the step of current.
OHM_SHARE, OHM_V = 0.03, 0.02  # common practice, no source
OHM_ACCURACY = "± (3 % + 20 mV over the step of its current)"
RECTANGULAR = 3.0**-0.5  # standard uncertainty ÷ stated limits, JCGM 100:2008, 4.3.7 (from memory)
MOST_V, MOST_A = 1e4, 1e6  # of a reading at a pack, cable or joint; far above any that a meter shows


@dataclass(frozen=True)
class PulseFit:
    """What :func:`fit_pulse` found; resistances in ohm, time constants in s.

    Attributes
    ----------
    values, standard_errors : dict
        ``r0_ohm``, ``r1_ohm``, ``tau1_s``, ``r2_ohm``, ``tau2_s``, and, where the open-circuit voltage was not given,
        ``ocv_v`` at the first sample and its slope ``ocv_v_per_ah``.
    rms_v : float
        Root mean square of the residuals [V].
    fitted_v : ndarray
        The fitted voltage at each sample [V].
    """

    values: dict[str, float]
    standard_errors: dict[str, float]
    rms_v: float
    fitted_v: np.ndarray


def fit_pulse(time_s: ArrayLike, current_a: ArrayLike, voltage_v: ArrayLike, ocv_v: ArrayLike | None = None) -> PulseFit:
    """Fit R0 and two relaxation pairs to a test of pulses and rests that starts at rest.

    V = U − R0 I − v1 − v2, with U given by sample, or U0 + k ∫I dt fitted along. Nonlinear least squares (scipy, trust region)
    in the logarithms of resistances and time constants, started from several pairs of time constants. Standard errors from
    the Jacobian at the solution, s² (JᵀJ)⁻¹; they hold if the noise is independent from sample to sample.

    Parameters
    ----------
    time_s, current_a, voltage_v : array_like, shape (m,)
        Samples, time rising [s]; current positive for discharge [A]; voltage [V].
    ocv_v : array_like, shape (m,), optional
        Open-circuit voltage at each sample, where it is known [V].

    Returns
    -------
    PulseFit
        The faster pair is the first.

    Raises
    ------
    InputError
        If samples are too few, not finite, out of order, hold no step of current or no voltage above zero, or their voltage rises with
        the discharge current.
    """
    time_s, current_a, voltage_v = (np.asarray(x, float) for x in (time_s, current_a, voltage_v))
    _check_samples(time_s, current_a, voltage_v)
    charge_ah = moved_ah(time_s, current_a)
    base = np.zeros_like(voltage_v) if ocv_v is None else np.asarray(ocv_v, float)

    def model(parameters):
        r0, r1, tau1, r2, tau2 = np.exp(parameters[:5])
        volt = base - r0 * current_a - relaxation(time_s, r1 * current_a, tau1) - relaxation(time_s, r2 * current_a, tau2)
        return volt if ocv_v is not None else volt + parameters[5] - parameters[6] * charge_ah

    unit = np.ptp(voltage_v) or 1.0
    starts = _starts(time_s, current_a, voltage_v, None if ocv_v is not None else charge_ah)
    best = _best_fit(lambda parameters: (model(parameters) - voltage_v) / unit, starts)
    residual = best.fun * unit
    values, errors = _values_and_errors(best, residual, unit)
    return PulseFit(values, errors, float(np.sqrt(np.mean(residual**2))), voltage_v + residual)


def _check_samples(time_s, current_a, voltage_v):
    if not (time_s.shape == current_a.shape == voltage_v.shape) or time_s.ndim != 1 or time_s.size < 20:
        raise InputError("needs 20 samples or more, as many of current and of voltage as of time")
    if not all(np.all(np.isfinite(x)) for x in (time_s, current_a, voltage_v)):
        raise InputError("every sample must be a finite number")
    if np.any(np.diff(time_s) <= 0):
        raise InputError("times must rise from sample to sample")
    if np.ptp(current_a) == 0:
        raise InputError("needs a step of current, such as a discharge pulse after a rest")
    if np.any(voltage_v <= 0):
        raise InputError("every voltage must be above zero")
    jump = _largest_jump(current_a)
    if (voltage_v[jump + 1] - voltage_v[jump]) * (current_a[jump + 1] - current_a[jump]) > 0:
        raise InputError(
            "the voltage rises as the discharge current does; a discharge current must be positive: turn the sign of every current"
        )


def _largest_jump(current_a):
    """The sample before the largest step of current."""
    return int(np.argmax(np.abs(np.diff(current_a))))


def _starts(time_s, current_a, voltage_v, charge_ah=None):
    """Parameters to start from: R0 by the largest step of current, pairs of time constants that the test can show.

    With ``charge_ah`` the open-circuit voltage and its slope over charge are fitted along.
    """
    jump = _largest_jump(current_a)
    ohm = max(1e-7, -(voltage_v[jump + 1] - voltage_v[jump]) / (current_a[jump + 1] - current_a[jump]))
    span = time_s[-1] - time_s[0]
    line = [] if charge_ah is None else [voltage_v[0], 1e-3 * np.sign(charge_ah[-1] or 1.0)]
    for tau1, tau2 in ((span / 200, span / 8), (span / 50, span / 4), (span / 500, span / 20), (span / 20, span / 2)):
        yield np.append(np.log([ohm, ohm / 3, tau1, ohm / 2, tau2]), line)


def _best_fit(residual, starts):
    """The least of several least squares, the first of equal ones."""
    from scipy.optimize import least_squares

    best = None
    for start in starts:
        found = least_squares(residual, start, x_scale="jac", max_nfev=400)
        if best is None or found.cost < best.cost * (1 - 1e-9):
            best = found
    return best


def _values_and_errors(best, residual, unit):
    """Parameters by name and their standard errors; ``best`` was fitted to residuals [V] ÷ ``unit``."""
    freedom = max(1, residual.size - best.x.size)
    covariance = np.linalg.pinv(best.jac.T @ best.jac * unit**2) * (residual @ residual) / freedom
    error = np.sqrt(np.diag(covariance))
    names = ["r0_ohm", "r1_ohm", "tau1_s", "r2_ohm", "tau2_s", "ocv_v", "ocv_v_per_ah"]
    values = dict(zip(names, [*np.exp(best.x[:5]), *best.x[5:]], strict=False))
    errors = dict(zip(names, [*(np.exp(best.x[:5]) * error[:5]), *error[5:]], strict=False))  # of a logarithm: relative
    if values["tau1_s"] > values["tau2_s"]:
        for part in (values, errors):
            for a, b in (("r1_ohm", "r2_ohm"), ("tau1_s", "tau2_s")):
                part[a], part[b] = part[b], part[a]
    return tuple({key: float(value) for key, value in part.items()} for part in (values, errors))


def read_pulse_csv(path: str | PathLike) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Samples of a pulse test from a CSV table with columns ``time_s``, ``current_a`` (positive: discharge), ``voltage_v``.

    Parameters
    ----------
    path : path-like
        CSV file.

    Returns
    -------
    time_s, current_a, voltage_v : ndarray, shape (m,)

    Raises
    ------
    InputError
        If the file is missing or a column or value is not right.
    """
    frame = read_csv(path)
    columns = ["time_s", "current_a", "voltage_v"]
    missing = [column for column in columns if column not in frame]
    if missing:
        has = ", ".join(map(str, frame.columns))
        raise InputError(f"needs columns {', '.join(columns)}", file=path, key="columns", value=has)
    return tuple(finite_column(frame, column, path) for column in columns)


@dataclass(frozen=True)
class Reading:
    """A resistance from two readings [ohm] with its standard uncertainty."""

    resistance_ohm: float
    uncertainty_ohm: float

    @property
    def expanded_ohm(self) -> float:
        """Expanded uncertainty at about 95 %, twice the standard one: what follows ± in a file (JCGM 100:2008 6.2, k = 2) [ohm]."""
        return COVERAGE_FACTOR * self.uncertainty_ohm


def resistance_from_two_readings(
    volt: Sequence[float], ampere: Sequence[float], volt_uncertainty: float | None = 0.0, ampere_uncertainty: float | None = 0.0
) -> Reading:
    """Resistance from two readings of a voltmeter and a clamp meter: R = −ΔV/ΔI, current positive for discharge.

    Uncertainty by propagation of independent errors (JCGM 100, from memory): (u_R)² = 2 (u_V² + R² u_I²)/ΔI².

    Parameters
    ----------
    volt, ampere : sequence of float, length 2
        Readings [V], [A].
    volt_uncertainty, ampere_uncertainty : float or None
        Standard uncertainty of each single reading [V], [A]. With None for both the result is good for ``OHM_ACCURACY``, as a rectangular
        distribution; one alone counts as exact.

    Returns
    -------
    Reading

    Raises
    ------
    InputError
        If the two currents are equal, the voltage rises as the current does, or a reading is beyond any meter.

    Examples
    --------
    Limits of 3 % of 10 mΩ and 20 mV over 50 A are 0.7 mΩ, of a rectangular distribution; times 2/√3:

    >>> resistance_from_two_readings((53.2, 52.7), (10.0, 60.0)).resistance_ohm
    0.01
    >>> round(1e3 * resistance_from_two_readings((53.2, 52.7), (10.0, 60.0), None, None).expanded_ohm, 3)
    0.808
    """
    change = ampere[1] - ampere[0]
    if change == 0:
        raise InputError("the two currents must differ; switch a load on between the readings", key="ampere", value=ampere[0])
    for key, readings, most in (("volt", volt, MOST_V), ("ampere", ampere, MOST_A)):
        if not max(map(abs, readings)) < most:
            raise InputError(f"readings must be below {most:g}", key=key, value=tuple(readings))
    ohm = -(volt[1] - volt[0]) / change
    if ohm < 0:
        raise InputError(
            "voltage must fall as current rises; readings swapped, or a current without its sign (positive: discharge)? A drop across a "
            "cable or joint rises with current: write it with a minus",
            key="volt", value=tuple(volt),
        )  # fmt: skip
    if volt_uncertainty is None and ampere_uncertainty is None:
        return Reading(round(ohm, 15), RECTANGULAR * (OHM_SHARE * ohm + OHM_V / abs(change)))
    volt_uncertainty, ampere_uncertainty = volt_uncertainty or 0.0, ampere_uncertainty or 0.0
    return Reading(round(ohm, 15), float(np.sqrt(2.0 * (volt_uncertainty**2 + (ohm * ampere_uncertainty) ** 2)) / abs(change)))

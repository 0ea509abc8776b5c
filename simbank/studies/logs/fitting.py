"""The fit of a log: the most probable values by least squares, how wide they are by Laplace's approximation, and the noise."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from simbank.studies.logs.log_model import LogModel, Shown
from simbank.studies.logs.unknowns import MOST_SCORE

__all__ = ["Fit", "Observed", "correlation_rows", "fit", "jacobian"]

WARM_UP_S = 3600.0  # rows at the start that are not compared: relaxation from before the log is not known; chosen here
DIFFERENCE = 0.05  # in scores, of differences for the Jacobian
FIRST_SHARE, FIRST_A, FIRST_V = 0.02, 0.05, 0.05  # noise before anything is known of it
LEVELS = np.linspace(0.08, 0.92, 8)  # mean charges of the bank at the start from which a fit is tried
EVALUATIONS, FINE_EVALUATIONS = 9, 4  # of a fit driven by blocks, and by rows
MOST_STARTS, WELL_FITTED = (
    5,
    1.5,
)  # fits from so many charges; one that leaves no more than so many times the first noise is taken
FINE_TOLERANCE = 1e-7  # of the runs of the last Jacobian
WARY_SHARE, WARY_S = 0.03, 3600.0  # of what drops tell: the model's own error, and for how long it lasts; chosen here, so that of
# weeks drawn at random the intervals hold
COUNTED = ("capacity", "offset", "gain", "gap")  # groups that are told by charge
WIDER = (
    1.5  # times Laplace's width, of what charge tells: of 8 invented weeks it held 27 of 32 capacities, and so much wider some 31
)
SOKAL = 5.0  # the sum of autocorrelations ends where its lag is so many times what it has come to; Sokal 1997, from memory


@dataclass(frozen=True, eq=False)
class Observed:
    """What is compared with the model: columns of values [A or V], NaN where nothing is, each with what it is of.

    Attributes
    ----------
    value : ndarray, shape (m, c)
    names : tuple of str
        "current of P1", "voltage of P1", "voltage of the bank".
    use : ndarray of bool, shape (m, c)
    """

    value: np.ndarray
    names: tuple[str, ...]
    use: np.ndarray

    @classmethod
    def of(cls, model: LogModel) -> Observed:
        """All of a log but its first hour, its gaps and what is missing."""
        log = model.log
        columns, names = [log.current_a], [f"current of {name}" for name in model.names]
        if log.voltage_v is not None:
            columns.append(log.voltage_v)
            names += [f"voltage of {name}" for name in model.names]
        if log.bank_v is not None:
            columns.append(log.bank_v[:, None])
            names.append("voltage of the bank")
        value = np.column_stack(columns)
        use = np.isfinite(value) & log.there[:, None]
        use[: max(1, int(np.ceil(WARM_UP_S / log.step_s)))] = False
        for a, b in log.gaps:
            use[a : b + max(1, int(np.ceil(WARM_UP_S / log.step_s)))] = False
        return cls(np.where(use, value, 0.0), tuple(names), use)

    def residual(self, shown: Shown) -> np.ndarray:
        """What was measured less what the model shows, 0 where nothing is compared, shape (m, c)."""
        parts = [shown.current_a]
        parts += [shown.voltage_v] if shown.voltage_v is not None else []
        parts += [shown.bank_v[:, None]] if shown.bank_v is not None else []
        return np.where(self.use, self.value - np.column_stack(parts), 0.0)


@dataclass(frozen=True, eq=False)
class Fit:
    """A fitted log; p unknowns, m rows, c columns.

    Attributes
    ----------
    scores : ndarray, shape (p,)
    covariance, wary : ndarray, shape (p, p)
        Of the scores, whose prior is the unit matrix; the wary one with residuals that are 3 % of the current at
        least. In both residuals count as lasting an hour at least.
    is_counted : ndarray of bool, shape (p,)
        Which scores are told by charge that is counted, not by voltage drops.
    jacobian : ndarray, shape (m, c, p)
        Of the residuals by the scores.
    residual : ndarray, shape (m, c)
    shown : Shown
    noise : ndarray, shape (c,)
        Standard deviation of the residuals.
    lasts_rows : ndarray, shape (c,)
        For how many blocks a residual counts as staying what it is, an hour at least.
    observed : Observed
    runs : int
    """

    scores: np.ndarray
    covariance: np.ndarray
    wary: np.ndarray
    is_counted: np.ndarray
    jacobian: np.ndarray
    residual: np.ndarray
    shown: Shown
    noise: np.ndarray
    lasts_rows: np.ndarray
    observed: Observed
    runs: int

    @property
    def width(self) -> np.ndarray:
        """Standard deviation of each score after the log over that before it, shape (p,).

        Capacity, charge and meters by the covariance; resistances, joints, relaxation and hysteresis by the wary one: they hang together
        along curves that a normal distribution does not follow, and show in the hour after a change, where a model of two relaxation
        pairs is least exact.
        """
        counted = np.minimum(WIDER * np.sqrt(np.diag(self.covariance)), 1.0)
        return np.where(self.is_counted, counted, np.sqrt(np.diag(self.wary)))

    @property
    def weight(self) -> np.ndarray:
        """One over the deviation that a residual counts with, shape (c,)."""
        return 1.0 / (self.noise * np.sqrt(self.lasts_rows))


def fit(model: LogModel, progress: Callable[[float], None] | None = None) -> Fit:
    """The most probable values of the unknowns of a log.

    The residuals count with a noise that is estimated from them, and for as many independent samples as their autocorrelation leaves.

    Parameters
    ----------
    model : LogModel
        The bank and its log.
    progress : callable, optional
        Called with the fraction done.
    """
    observed = Observed.of(model)
    asked = _Asked(model, observed, progress)
    noise = _first_noise(observed)
    lasts = np.ones_like(noise)
    model.drive_by_rows(blocks=True)
    scores = _best_of_starts(asked, observed, 1.0 / noise)
    noise, lasts = _noise(asked.residual(scores), observed)
    model.drive_by_rows()
    asked.forget()
    scores = _down(asked, scores, 1.0 / (noise * np.sqrt(lasts)), FINE_EVALUATIONS)
    residual = asked.residual(scores)
    noise, lasts = _noise(residual, observed)
    model.tolerance = FINE_TOLERANCE
    asked.forget()
    weight = 1.0 / (noise * np.sqrt(lasts))
    matrix = jacobian(model, observed, scores)
    asked.runs += 2 * len(scores)
    scaled = (matrix * weight[None, :, None]).reshape(-1, matrix.shape[2])
    lasts = np.maximum(lasts, WARY_S / model.log.step_s)  # the model is not exact from one block to the next
    covariance = np.linalg.inv(scaled.T @ scaled + np.eye(len(scores)))
    scores = _one_more_step(asked, scores, scaled, covariance, weight)
    residual = asked.residual(scores)
    scaled = (matrix / (noise * np.sqrt(lasts))[None, :, None]).reshape(-1, matrix.shape[2])
    covariance = np.linalg.inv(scaled.T @ scaled + np.eye(len(scores)))
    scaled = (matrix * _wary_weight(model, observed, noise, lasts)[None, :, None]).reshape(-1, matrix.shape[2])
    wary = np.linalg.inv(scaled.T @ scaled + np.eye(len(scores)))
    counted = [
        unknown.group in COUNTED or (unknown.key.startswith("packs.") and unknown.key.endswith(".soc"))
        for unknown in model.unknowns
    ]
    return Fit(
        scores, covariance, wary, np.array(counted), matrix, residual, model.shown(scores), noise, lasts, observed, asked.runs
    )


class _Asked:
    """Residuals and their Jacobian, each computed once for the scores last asked for."""

    def __init__(self, model, observed, progress):
        self.model, self.observed, self.progress = model, observed, progress
        self.runs = 0
        self.forget()

    def forget(self, keep=False):
        """Compute anew: the model is driven otherwise."""
        self._at, self._residual, self._jac_at, self._jacobian = None, None, None, None

    def residual(self, scores):
        """Residuals at scores, shape (m, c)."""
        if self._at is None or not np.array_equal(self._at, scores):
            self._residual, self._at = self.observed.residual(self.model.shown(scores)), scores.copy()
            self.runs += 1
        return self._residual

    def jacobian(self, scores):
        """Derivatives of the residuals by the scores, shape (m, c, p)."""
        if self._jac_at is None or not np.array_equal(self._jac_at, scores):
            base = self.residual(scores)
            self._jacobian = jacobian(self.model, self.observed, scores, base)
            self._jac_at = scores.copy()
            self.runs += len(scores)
            if self.progress:
                self.progress(min(0.95, self.runs / (len(scores) * 12)))
        return self._jacobian

    def weighted(self, scores, weight):
        return np.concatenate([(self.residual(scores) * weight).ravel(), scores])

    def weighted_jacobian(self, scores, weight):
        matrix = self.jacobian(scores)
        return np.vstack([(matrix * weight[None, :, None]).reshape(-1, len(scores)), np.eye(len(scores))])


def _wary_weight(model, observed, noise, lasts):
    """What a residual counts with where the model itself is in doubt, shape (c,)."""
    size = np.sqrt((observed.value**2).sum(axis=0) / np.maximum(observed.use.sum(axis=0), 1))
    is_current = np.array([name.startswith("current") for name in observed.names])
    least = np.where(is_current, WARY_SHARE * size, 0.0)
    return 1.0 / (np.maximum(noise, least) * np.sqrt(np.maximum(lasts, WARY_S / model.log.step_s)))


def _one_more_step(asked, scores, scaled, covariance, weight):
    """Scores after a step of Gauss and Newton with an exact Jacobian, as far as it lowers the misfit."""
    here = asked.weighted(scores, weight)
    step = -covariance @ (scaled.T @ here[: -len(scores)] + scores)
    for share in (1.0, 0.5, 0.25):
        moved = np.clip(scores + share * step, -MOST_SCORE, MOST_SCORE)
        if (asked.weighted(moved, weight) ** 2).sum() < (here**2).sum():
            return moved
    return scores


def jacobian(model: LogModel, observed: Observed, scores: np.ndarray, base: np.ndarray | None = None) -> np.ndarray:
    """Derivatives of the residuals by the scores, shape (m, c, p).

    Parameters
    ----------
    model : LogModel
        The bank and its log.
    observed : Observed
        What of the log is compared.
    scores : ndarray, shape (p,)
        Where.
    base : ndarray, shape (m, c), optional
        Residuals at the scores: then differences are taken one way, which is enough to go down by. Without, they are central: where many
        values hang together, as all resistances do, one-sided ones would make known what is not.
    """
    out = np.empty((*observed.value.shape, len(scores)))
    for k in range(len(scores)):
        up, down = scores.copy(), scores.copy()
        up[k] += DIFFERENCE
        down[k] -= DIFFERENCE
        if base is not None and up[k] < MOST_SCORE:
            out[:, :, k] = (observed.residual(model.shown(up)) - base) / DIFFERENCE
        elif base is not None:
            out[:, :, k] = (base - observed.residual(model.shown(down))) / DIFFERENCE
        else:
            out[:, :, k] = (observed.residual(model.shown(up)) - observed.residual(model.shown(down))) / (2.0 * DIFFERENCE)
    return out


def _down(asked, scores, weight, most):
    """Scores of least misfit, from some on."""
    return least_squares(
        lambda x: asked.weighted(x, weight), scores, jac=lambda x: asked.weighted_jacobian(x, weight),
        bounds=(-MOST_SCORE, MOST_SCORE), xtol=1e-4, ftol=1e-4, gtol=1e-8, max_nfev=most,
    ).x  # fmt: skip


def _best_of_starts(asked, observed, weight):
    """The best of fits from several charges of the bank; the first that leaves little is taken."""
    best, least = None, np.inf
    for scores in _starts(asked, weight)[:MOST_STARTS]:
        found = _down(asked, scores, weight, EVALUATIONS)
        cost = float((asked.weighted(found, weight) ** 2).sum())
        if cost < least:
            best, least = found, cost
        if (_noise(asked.residual(best), observed)[0] * weight).max() < WELL_FITTED:
            break
    return best


def _starts(asked, weight):
    """Scores to begin with, the best first: the middle of everything, but for the bank's charge."""
    model = asked.model
    starts = [model.place[f"packs.{name}.soc"] for name in model.names]
    found = []
    for level in [None, *LEVELS]:
        scores = np.zeros(len(model.unknowns))
        for k in starts if level is not None else ():
            grid = np.linspace(-3.0, 3.0, 25)
            numbers = np.array([model.unknowns[k].number(score) for score in grid])
            scores[k] = grid[int(np.argmin(np.abs(numbers - level)))]
        found.append((float((asked.weighted(scores, weight) ** 2).sum()), scores))
    return [scores for _, scores in sorted(found, key=lambda item: item[0])]


def _first_noise(observed):
    """A noise to begin with."""
    out = []
    for column, name in enumerate(observed.names):
        size = (
            float(np.sqrt(np.mean(observed.value[observed.use[:, column], column] ** 2)))
            if observed.use[:, column].any()
            else 1.0
        )
        out.append(max(FIRST_SHARE * size, FIRST_A) if name.startswith("current") else FIRST_V)
    return np.array(out)


def _noise(residual, observed):
    """Standard deviation of each column's residuals and for how many rows they last.

    The residuals of n currents sum to nothing, since their sum drives the model: n - 1 of n are free.
    """
    currents = sum(name.startswith("current") for name in observed.names)
    noise, lasts = np.ones(residual.shape[1]), np.ones(residual.shape[1])
    for k, name in enumerate(observed.names):
        use = observed.use[:, k]
        if not use.any():
            continue
        free = (currents - 1) / currents if name.startswith("current") and currents > 1 else 1.0
        values = residual[use, k]
        noise[k] = max(float(np.sqrt(np.mean(values**2) / free)), 1e-4)
        lasts[k] = correlation_rows(values)
    return noise, lasts


def correlation_rows(values: np.ndarray) -> float:
    """How many rows count as one independent sample: 1 + 2 Σ of the autocorrelation, as far as it can be told from noise; 1 at least.

    >>> import numpy as np
    >>> white = np.random.default_rng(1).standard_normal(20000)
    >>> round(correlation_rows(white), 1), 3.5 < correlation_rows(np.convolve(white, np.ones(4))) < 4.5
    (1.0, True)
    """
    values = values - values.mean()
    m = len(values)
    size = 1 << (2 * m - 1).bit_length()
    power = np.abs(np.fft.rfft(values, size)) ** 2
    covariance = np.fft.irfft(power, size)[: m // 2]
    if not covariance[0] > 0:
        return 1.0
    total = 1.0
    for lag in range(1, len(covariance)):
        if lag > SOKAL * total:
            break
        total += 2.0 * float(covariance[lag] / covariance[0])
    return max(total, 1.0)

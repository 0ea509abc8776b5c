"""The fit of a log: the most probable values by least squares, their intervals by profile likelihood, and the noise."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from simbank.studies.logs.intervals import END, misfit, profile_ends
from simbank.studies.logs.log_model import LogModel, Shown
from simbank.studies.logs.unknowns import MOST_SCORE

__all__ = ["Fit", "Observed", "correlation_rows", "fit", "jacobian"]

WARM_UP_S = 3600.0  # rows at the start that are not compared: relaxation from before the log is not known; chosen here
DIFFERENCE = 0.05  # in scores, of differences for the Jacobian
FIRST_SHARE, FIRST_A, FIRST_V = 0.02, 0.05, 0.05  # noise before anything is known of it
LEVELS = np.linspace(0.08, 0.92, 8)  # mean charges of the bank at the start from which a fit is tried
EVALUATIONS = 6  # of a fit driven by blocks
MOST_STARTS, MOST_WORSE = 7, 2  # charges from which a fit is tried, and those in a row that are no better after which no more are
WELL_FITTED = 1.5  # a fit is taken whose residuals are no more than so many times the first noise
FLEETING = 3.0  # and last for no more than so many blocks; where a fit is stuck far from the best one they last; chosen here
NOISES = 2  # how often the noise is estimated anew
MOST_STEPS = 12  # of Gauss and Newton
FAR = 0.3  # after steps that come to more than this in a score derivatives are taken anew
SMALL_FALL = 0.05  # the last step is one that lowers the misfit (chi-square) by less
FINE_TOLERANCE = 1e-7  # of the runs of the last Jacobian
LASTS_S = 3600.0  # for which residuals count as lasting at least: no model is exact from one block to the next; chosen here
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
    """A fitted log; p unknowns, m blocks, c columns.

    Attributes
    ----------
    scores : ndarray, shape (p,)
        The most probable ones.
    ends : ndarray, shape (p, 2)
        Of their 95 % intervals.
    covariance : ndarray, shape (p, p)
        Of the scores by Laplace's approximation; their prior is the unit matrix.
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
        Of the bank, by blocks and by rows.
    """

    scores: np.ndarray
    ends: np.ndarray
    covariance: np.ndarray
    jacobian: np.ndarray
    residual: np.ndarray
    shown: Shown
    noise: np.ndarray
    lasts_rows: np.ndarray
    observed: Observed
    runs: int

    @property
    def width(self) -> np.ndarray:
        """Width of each interval over that before the log, shape (p,)."""
        return (self.ends[:, 1] - self.ends[:, 0]) / (2.0 * END)

    @property
    def weight(self) -> np.ndarray:
        """One over the deviation that a residual counts with, shape (c,)."""
        return 1.0 / (self.noise * np.sqrt(self.lasts_rows))


def fit(model: LogModel, progress: Callable[[float], None] | None = None) -> Fit:
    """The most probable values of the unknowns of a log, and their intervals.

    From several charges, least squares on the bank driven by blocks; from the best of them, Gauss and Newton's steps with residuals of
    the bank driven by the log's own rows, until they lower the misfit no more, with derivatives of the bank driven by blocks. Residuals
    count with a noise that is estimated from them, and for as many independent samples as their autocorrelation leaves.

    Parameters
    ----------
    model : LogModel
        The bank and its log.
    progress : callable, optional
        Called with the fraction done.
    """
    observed = Observed.of(model)
    coarse = _Asked(model, observed, progress)
    noise = _first_noise(observed)
    model.drive_by_rows(blocks=True)
    scores = _best_of_starts(coarse, observed, 1.0 / noise)
    fine = _Fine(model, observed)
    for _ in range(NOISES):
        noise, lasts = _noise(fine.residual(scores), observed)
        lasts = np.maximum(lasts, LASTS_S / model.log.step_s)
        weight = 1.0 / (noise * np.sqrt(lasts))
        scores = _steps(coarse, fine, scores, weight)
    model.tolerance = FINE_TOLERANCE
    model.drive_by_rows(blocks=True)
    coarse.forget()
    matrix = jacobian(model, observed, scores)
    scaled = (matrix * weight[None, :, None]).reshape(-1, len(scores))
    covariance = np.linalg.inv(scaled.T @ scaled + np.eye(len(scores)))
    scores = _steps(coarse, fine, scores, weight, scaled)
    residual = fine.residual(scores)
    is_own = np.array([unknown.key.startswith(("packs.", "wiring.")) for unknown in model.unknowns])
    away = residual - coarse.residual(scores)
    ends = profile_ends(lambda place: coarse.residual(place) + away, scores, weight, scaled, covariance, is_own)
    shown = fine.shown(scores)
    runs = coarse.runs + fine.runs + 2 * len(scores)
    return Fit(scores, ends, covariance, matrix, residual, shown, noise, lasts, observed, runs)


class _Asked:
    """Residuals of the bank driven by blocks and their Jacobian, each computed once for the scores last asked for."""

    def __init__(self, model, observed, progress):
        self.model, self.observed, self.progress = model, observed, progress
        self.runs = 0
        self.forget()

    def forget(self):
        """Compute anew: the model has changed."""
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
                self.progress(min(0.95, self.runs / (len(scores) * 20)))
        return self._jacobian

    def weighted(self, scores, weight):
        return np.concatenate([(self.residual(scores) * weight).ravel(), scores])

    def weighted_jacobian(self, scores, weight):
        matrix = self.jacobian(scores)
        return np.vstack([(matrix * weight[None, :, None]).reshape(-1, len(scores)), np.eye(len(scores))])


class _Fine:
    """What the bank shows driven by the log's own rows."""

    def __init__(self, model, observed):
        self.model, self.observed, self.runs = model, observed, 0

    def shown(self, scores):
        self.model.drive_by_rows()
        self.runs += 1
        shown = self.model.shown(scores)
        self.model.drive_by_rows(blocks=True)
        return shown

    def residual(self, scores):
        """Residuals at scores, shape (m, c)."""
        return self.observed.residual(self.shown(scores))


def _steps(coarse, fine, scores, weight, scaled=None):
    """Scores after steps of Gauss and Newton, until the misfit of the bank driven by rows falls no more.

    Derivatives are those given, else of the bank driven by blocks, taken anew where a step was long.
    """
    residual = fine.residual(scores)
    cost = misfit(residual, scores, weight)
    matrix, of = scaled, scores
    for _ in range(MOST_STEPS):
        if scaled is None and (matrix is None or np.abs(scores - of).max() > FAR):
            matrix, of = (coarse.jacobian(scores) * weight[None, :, None]).reshape(-1, len(scores)), scores
        curvature = matrix.T @ matrix + np.eye(len(scores))
        step = -np.linalg.solve(curvature, matrix.T @ (residual * weight).ravel() + scores)
        for share in (1.0, 0.5, 0.25, 0.1):
            moved = np.clip(scores + share * step, -MOST_SCORE, MOST_SCORE)
            there = fine.residual(moved)
            fell = cost - misfit(there, moved, weight)
            if fell > 0.0:
                scores, residual, cost = moved, there, cost - fell
                break
        if fell < SMALL_FALL:
            break
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
    """The best of fits from several charges of the bank, until one leaves little, and nothing that lasts, or two in a row are no better."""
    best, least, worse = None, np.inf, 0
    for scores in _starts(asked, weight)[:MOST_STARTS]:
        found = _down(asked, scores, weight, EVALUATIONS)
        cost = float((asked.weighted(found, weight) ** 2).sum())
        worse = 0 if cost < least else worse + 1
        if cost < least:
            best, least = found, cost
        noise, lasts = _noise(asked.residual(best), observed)
        if ((noise * weight).max() < WELL_FITTED and lasts.max() < FLEETING) or worse == MOST_WORSE:
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

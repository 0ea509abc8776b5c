"""What observations leave of values that are not known exactly: draws weighted by how well they explain what was seen."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares
from scipy.special import ndtri

__all__ = ["Narrowed", "narrowed", "weighted_quantiles"]

# By how much proposals are wider than what they are made from, so that tails are covered: 1 + WIDER / √values. Of a normal distribution
# s times as wide, draws count as ((2 s² − 1)^½ / s²)^values of their number: 0.6 of them with 30 values, where 1.3 left 0.07.
WIDER = 0.6
ENOUGH = 150.0  # effective number of draws with which a 5 % point is good for some percent
MOST_ROUNDS = 5
STEP = 0.2  # of a standard deviation, for slopes by differences: well above what a fast run errs by
SOLVES = 6  # of the least squares
STARTS = 2


@dataclass(frozen=True)
class Narrowed:
    """Draws with weights.

    Attributes
    ----------
    u : ndarray, shape (draws, values)
        Each value as a standard normal number, of which its share is Φ(u).
    weights : ndarray, shape (draws,)
        Sum 1.
    predicted : ndarray, shape (draws, observations)
    best_u : ndarray, shape (values,)
        The most probable values.
    best : ndarray, shape (observations,)
        What they predict.
    misfit : float
        Σ (predicted − observed)² / σ² + Σ u² there: of a linear model with normal values it is distributed as chi-square with as many
        degrees of freedom as there are observations.
    effective : float
        1 / Σ weights²: how many equal draws tell as much.
    runs : int
        How often the model was asked.
    """

    u: np.ndarray
    weights: np.ndarray
    predicted: np.ndarray
    best_u: np.ndarray
    best: np.ndarray
    misfit: float
    effective: float
    runs: int

    @property
    def probability(self) -> float:
        """Of observations that fit as badly or worse, if the values were as drawn."""
        from scipy.stats import chi2  # whoever reads nothing does not wait for it

        return float(chi2.sf(self.misfit, self.best.size))


def weighted_quantiles(values: np.ndarray, weights: np.ndarray, shares: tuple[float, ...] = (0.05, 0.5, 0.95)) -> np.ndarray:
    """Quantiles of weighted values, straight between the middles of their weights.

    Parameters
    ----------
    values, weights : ndarray, shape (m,)
        Weights sum to 1.
    shares : tuple of float
        Of the weight below each quantile.

    >>> weighted_quantiles(np.array([3.0, 1.0, 2.0]), np.ones(3) / 3, (0.5,)).tolist()
    [2.0]
    """
    order = np.argsort(values, kind="stable")
    below = np.cumsum(weights[order]) - 0.5 * weights[order]
    return np.interp(shares, below, values[order])


def narrowed(
    model: Callable[[np.ndarray], np.ndarray | None],
    size: int,
    observed: np.ndarray,
    sigma: np.ndarray,
    *,
    draws: int = 400,
    seed: int = 0,
    progress: Callable[[float], None] | None = None,
) -> Narrowed:
    """Values that explain what was observed, by adaptive importance sampling.

    A first round is drawn from what was known before. From its best draws scipy's least squares goes to the most probable values; the
    slopes there give a normal proposal (Laplace). Each further round is drawn from a wider form of the last proposal, which is then made
    anew from all weighted draws, until they count as :data:`ENOUGH`. All rounds are weighted together, each draw by the mixture of what
    all rounds were drawn from (the balance heuristic; Owen and Zhou, J. Am. Stat. Assoc. 95 (2000) 135; from memory), so that no draw
    counts more than the first round lets it.

    Parameters
    ----------
    model : callable
        Standard normal numbers, shape (size,) → what would be observed, shape (n,); None where that cannot be computed.
    size : int
        Number of values.
    observed, sigma : ndarray, shape (n,)
        What was observed, and its standard deviation.
    draws : int
        Of each round.
    seed : int
        The same seed draws the same.
    progress : callable, optional
        Called with the fraction done.

    Returns
    -------
    Narrowed

    Examples
    --------
    One value, of standard deviation 1, seen with a standard deviation of 1 to be 1: the mean is 0.5, the variance 0.5.

    >>> found = narrowed(lambda u: u, 1, np.array([1.0]), np.array([1.0]), draws=2000)
    >>> mean = float(found.weights @ found.u[:, 0])
    >>> round(mean, 1), round(float(found.weights @ (found.u[:, 0] - mean) ** 2), 1), round(found.misfit, 3)
    (0.5, 0.5, 0.5)
    """
    tell = progress or (lambda done: None)
    rng = np.random.default_rng(seed)
    asked = _Asked(model, observed, sigma)
    proposals = [(0, np.zeros(size), np.eye(size))]
    u = _latin_normal(rng, draws, size)
    rows = [asked.ask(one, tell, 0.35 * k / draws) for k, one in enumerate(u)]
    best_u, best, covariance = asked.least_squares(u, rows, tell)
    mean = best_u
    proposals[0] = (draws, *proposals[0][1:])
    for turn in range(MOST_ROUNDS):
        wide = (1.0 + WIDER / size**0.5) ** 2 * covariance
        more = rng.multivariate_normal(mean, wide, draws, method="cholesky")
        share = 0.6 + 0.4 * turn / MOST_ROUNDS
        rows += [asked.ask(one, tell, share + 0.4 / MOST_ROUNDS * k / draws) for k, one in enumerate(more)]
        u = np.concatenate([u, more])
        proposals.append((draws, mean, wide))
        weights = _weights(u, np.array([row[1] for row in rows]), proposals)
        effective = float(1.0 / np.sum(weights**2))
        if effective >= ENOUGH:
            break
        mean = weights @ u
        apart = u - mean
        covariance = (effective * (apart.T * weights) @ apart + size * covariance) / (effective + size)
    tell(1.0)
    kept = weights > 0
    predicted = np.array([row[0] for row in rows])
    return Narrowed(u[kept], weights[kept], predicted[kept], best_u, best, asked.misfit(best_u, best), effective, asked.runs)


class _Asked:
    """A model with what was observed of it."""

    def __init__(self, model, observed, sigma):
        self.model, self.observed, self.sigma, self.runs = model, np.asarray(observed, float), np.asarray(sigma, float), 0

    def predict(self, u):
        self.runs += 1
        return self.model(u)

    def ask(self, u, tell, done):
        """(what is predicted, logarithm of its likelihood) of one draw; minus infinity where it cannot be computed."""
        tell(done)
        predicted = self.predict(u)
        if predicted is None:
            return np.full(self.observed.shape, np.nan), -np.inf
        return predicted, -0.5 * float(np.sum(((predicted - self.observed) / self.sigma) ** 2))

    def misfit(self, u, predicted):
        return float(np.sum(((predicted - self.observed) / self.sigma) ** 2) + u @ u)

    def least_squares(self, u, rows, tell):
        """The most probable values, what they predict, and the covariance of what is left (Laplace)."""
        score = np.array(
            [np.inf if not np.isfinite(row[1]) else -2.0 * row[1] + one @ one for one, row in zip(u, rows, strict=True)]
        )
        found = None
        for turn, start in enumerate([np.zeros(u.shape[1]), *u[np.argsort(score)[: STARTS - 1]]]):
            tell(0.35 + 0.25 * turn / STARTS)
            fit = least_squares(self._residual, start, jac=self._slopes, method="trf", max_nfev=SOLVES, x_scale=1.0)
            if found is None or fit.cost < found.cost:
                found = fit
        n = self.observed.size
        slopes = found.jac[:n]
        covariance = np.linalg.inv(np.eye(len(found.x)) + slopes.T @ slopes)
        return found.x, found.fun[:n] * self.sigma + self.observed, 0.5 * (covariance + covariance.T)

    def _residual(self, u):
        predicted = self.predict(u)
        if predicted is None:  # far off, but finite, so that the step is taken back
            return np.concatenate([np.full(self.observed.shape, 1e3), u])
        return np.concatenate([(predicted - self.observed) / self.sigma, u])

    def _slopes(self, u):
        here = self._residual(u)[: self.observed.size]
        columns = []
        for k in range(len(u)):
            moved = u.copy()
            step = -STEP if u[k] > 0 else STEP  # towards the middle
            moved[k] += step
            columns.append((self._residual(moved)[: self.observed.size] - here) / step)
        return np.concatenate([np.array(columns).T, np.eye(len(u))])


def _latin_normal(rng, draws, size):
    """Standard normal numbers, shape (draws, size), each value's spread evenly over its distribution (Latin hypercube)."""
    ranks = np.argsort(rng.random((draws, size)), axis=0)
    return ndtri((ranks + rng.random((draws, size))) / draws)


def _weights(u, log_likelihood, proposals):
    """Weights of all draws: prior × likelihood over the mixture of the proposals, each with the number drawn from it."""
    log_prior = -0.5 * np.sum(u**2, axis=1)
    parts = []
    for count, mean, covariance in proposals:
        lower = np.linalg.cholesky(covariance)
        z = np.linalg.solve(lower, (u - mean).T)
        parts.append(np.log(count / len(u)) - 0.5 * np.sum(z**2, axis=0) - np.sum(np.log(np.diag(lower))))
    log_weight = log_prior + log_likelihood - np.logaddexp.reduce(parts, axis=0)
    weight = np.exp(log_weight - np.max(log_weight))
    return weight / weight.sum()

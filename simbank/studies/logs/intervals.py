"""Intervals of fitted scores by profile likelihood, which follow a curved valley where a normal distribution does not."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from simbank.studies.logs.unknowns import MOST_SCORE

__all__ = ["END", "misfit", "profile_ends"]

END = 1.96  # standard deviations of a 95 % interval
PROFILED = 0.9  # of the width before: scores that are wider by Laplace's approximation are not looked at further
STEPS, PLACES = 1, 2  # steps of the other scores at each place; places tried for an end
FACTOR = 0.5, 2.0  # by which the next place may be nearer or farther


def misfit(residual: np.ndarray, scores: np.ndarray, weight: np.ndarray) -> float:
    """Chi-square of the residuals (m, c), each times its column's weight, and of the scores before the log."""
    return float(((residual * weight) ** 2).sum() + scores @ scores)


def profile_ends(
    residual_at: Callable[[np.ndarray], np.ndarray], scores: np.ndarray, weight: np.ndarray, scaled: np.ndarray,
    covariance: np.ndarray, which: np.ndarray,
) -> np.ndarray:  # fmt: skip
    """Both ends of the 95 % interval of each score, shape (p, 2).

    An end is where the misfit, least over all other scores, is by 1.96² more than least (S. S. Wilks, Ann. Math. Stat. 9 (1938) 60,
    from memory).

    Parameters
    ----------
    residual_at : callable
        Residuals, shape (m, c), at scores.
    scores : ndarray, shape (p,)
        Of least misfit.
    weight : ndarray, shape (c,)
        One over the deviation that a residual counts with.
    scaled : ndarray, shape (m c, p)
        Derivatives of the weighted residuals at ``scores``.
    covariance : ndarray, shape (p, p)
        Of the scores by Laplace's approximation.
    which : ndarray of bool, shape (p,)
        Scores to be profiled; of others, and of those hardly narrower than before, the ends are Laplace's.
    """
    least = misfit(residual_at(scores), scores, weight)
    deviation = np.sqrt(np.diag(covariance))
    ends = scores[:, None] + END * deviation[:, None] * np.array([-1.0, 1.0])
    for k in np.flatnonzero(which & (deviation < PROFILED)):
        along = covariance[:, k] / covariance[k, k]
        others = covariance - np.outer(along, covariance[k])  # of the others, this one held
        for side, sign in enumerate((-1.0, 1.0)):
            far, shift = END * deviation[k], sign * END * deviation[k] * along
            for _ in range(PLACES):
                place = np.clip(scores + shift, -MOST_SCORE, MOST_SCORE)
                left = residual_at(place)
                for _ in range(STEPS):
                    slope = scaled.T @ (left * weight).ravel() + place
                    place = np.clip(place - others @ slope, -MOST_SCORE, MOST_SCORE)
                    left = residual_at(place)
                risen = misfit(left, place, weight) - least
                factor = float(np.clip(END / max(risen, 1e-6) ** 0.5, *FACTOR))
                shift, far = (place - scores) * factor, far * factor
            ends[k, side] = scores[k] + sign * far
    return ends

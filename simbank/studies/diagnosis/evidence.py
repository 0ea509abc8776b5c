"""How probable each hypothesis is by what was read: Bayes' rule, with the size of a fault integrated by quadrature.

For a hypothesis with sizes u (shares of their ranges, every one as likely as any other) readings d have the density ::

    p(d) = ∫ N(d; m(u), C) du,      C = A Aᵀ + diag(s²)

m(u): readings by the network; A: what one standard deviation of each unknown of a sound bank does to each reading, where the hypothesis
fits best; s: the meter's own. Unknowns are thereby integrated out in closed form (they move readings nearly in proportion), and no
expansion about the best size is needed, which fails where a fault is small. The grid of sizes is drawn together about what fits. Where a
file's resistances may be measured or those of a data sheet, and where packs may differ by work before, densities for each such setting are
averaged.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from simbank.studies.diagnosis.hypotheses import Faults
from simbank.studies.diagnosis.knowledge import Setting
from simbank.studies.diagnosis.observation import Expected

__all__ = ["Evidence", "ranked", "weigh"]

POINTS = {1: 33, 2: 17}  # of the grid along each size, by how many faults a hypothesis has
ROUNDS = 3  # in which it is drawn together
MOST_NUMBERS = 4_000_000  # in one array: as many hypotheses as that allows are weighed at once
TIE = 1e-9  # of probabilities, their logarithms, and bits: what differs by less is equal
FAR = 12.0  # in the logarithm of the density, below the greatest: sizes beyond are left out


@dataclass(frozen=True, eq=False)
class Evidence:
    """What readings say of h hypotheses of s faults each, in each setting.

    Attributes
    ----------
    faults : Faults
    settings : tuple of Setting
        Those in which they were weighed.
    log_density : ndarray, shape (settings, h)
        Logarithm of p(d).
    share : ndarray, shape (settings, h, u, s)
        Points of the grid of sizes, as shares of their ranges.
    weight : ndarray, shape (settings, h, u)
        Probability of each point; their sum is 1.
    best : ndarray, shape (settings, h, s)
        Shares that fit best.
    misfit : ndarray, shape (settings, h)
        (d − m)ᵀ C⁻¹ (d − m) there: chi-square.
    """

    faults: Faults
    settings: tuple[Setting, ...]
    log_density: np.ndarray
    share: np.ndarray
    weight: np.ndarray
    best: np.ndarray
    misfit: np.ndarray

    @property
    def log_weight(self) -> np.ndarray:
        """Logarithm of prior times density, shape (h,), up to a constant that all hypotheses share."""
        return np.logaddexp.reduce(self.log_joint, axis=0) + np.log(self.faults.prior)

    @cached_property
    def log_joint(self) -> np.ndarray:
        """Logarithm of each setting's prior times density, shape (settings, h)."""
        return self.log_density + np.log([setting.prior for setting in self.settings])[:, None]

    @cached_property
    def by_setting(self) -> np.ndarray:
        """Probability of each setting, given the hypothesis, shape (settings, h)."""
        return np.exp(self.log_joint - np.logaddexp.reduce(self.log_joint, axis=0))


def ranked(value: ArrayLike) -> np.ndarray:
    """Places from the greatest value to the least; values that differ by less than :data:`TIE` or so stay in their order.

    The two poles of a link are often equally probable but for the last bits, which are not the same on every machine.

    >>> ranked([0.2, 0.4, 0.4 + 1e-15]).tolist()
    [1, 2, 0]
    """
    return np.argsort(-np.round(np.asarray(value, float) / TIE), kind="stable")


def weigh(expected: Expected, faults: Faults) -> Evidence:
    """What readings say of hypotheses.

    Parameters
    ----------
    expected : Expected
        Of the readings, with their values.
    faults : Faults
        h hypotheses of s faults each.
    """
    at_once = max(1, MOST_NUMBERS // (expected.m * max(expected.count, POINTS[faults.kind.shape[1]] ** faults.kind.shape[1])))
    found = []
    for setting in expected.knowledge.settings:
        pieces = [
            _weigh(expected, Faults(faults.each[k : k + at_once], faults.prior[k : k + at_once]), setting)
            for k in range(0, len(faults.each), at_once)
        ]
        found.append([np.concatenate(part) for part in zip(*pieces, strict=True)])
    return Evidence(faults, expected.knowledge.settings, *(np.stack(part) for part in zip(*found, strict=True)))


def _weigh(expected, faults, setting):
    """Log density (h,), shares (h, u, s), weights (h, u), best shares (h, s) and misfit (h,) for one setting."""
    kind, element = faults.kind, faults.element
    h, s = kind.shape
    steps = (np.arange(POINTS[s]) + 0.5) / POINTS[s]
    grid = np.stack(np.meshgrid(*[steps] * s, indexing="ij"), axis=-1).reshape(-1, s)
    low, high = np.zeros((h, s)), np.ones((h, s))
    best = np.full((h, s), 0.5)
    for k in range(ROUNDS):
        share = low[:, None] + (high - low)[:, None] * grid
        away = expected.value - expected.predicted(kind, element, share)
        root = _root(expected, kind, element, best if k else np.zeros((h, s)), setting)
        misfit = np.sum(np.matmul(away, np.swapaxes(root, -1, -2)) ** 2, axis=-1)
        density = -0.5 * misfit + np.log(np.abs(np.diagonal(root, axis1=-2, axis2=-1))).sum(-1)[:, None]
        density -= 0.5 * expected.count * np.log(2.0 * np.pi)
        at = np.argmax(density, axis=1)
        best = share[np.arange(h), at]
        if k < ROUNDS - 1:
            low, high = _drawn_together(share, density, low, high, POINTS[s])
    cell = np.log((high - low) / POINTS[s]).sum(-1)
    log_density = np.logaddexp.reduce(density, axis=1) + cell
    weight = np.exp(density - np.logaddexp.reduce(density, axis=1)[:, None])
    return log_density, share, weight, best, misfit[np.arange(h), at]


def _root(expected, kind, element, share, setting):
    """L⁻¹ with C = L Lᵀ, shape (h, count, count), for faults at these shares."""
    moves = expected.moves(kind, element, share, setting)
    spread = np.matmul(moves, np.swapaxes(moves, -1, -2)) + np.diag(expected.deviation**2)
    return np.linalg.inv(np.linalg.cholesky(spread))


def _drawn_together(share, density, low, high, points):
    """The part of each range that holds all sizes not far below the best, with a step on either side."""
    near = density > density.max(axis=1, keepdims=True) - FAR
    step = (high - low) / points
    least = np.where(near[..., None], share, np.inf).min(axis=1) - step
    most = np.where(near[..., None], share, -np.inf).max(axis=1) + step
    return np.maximum(least, low), np.minimum(most, high)

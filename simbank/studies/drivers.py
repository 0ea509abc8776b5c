"""Which uncertain values explain the spread of a figure over draws, and how much of it they explain together.

Rank regression (standardised rank regression coefficients; Helton and Davis, Reliab. Eng. Syst. Saf. 81 (2003) 23, section 6, and
Saltelli et al., Global Sensitivity Analysis: The Primer (2008), section 1.2; both from memory). Ranks of a figure are fitted by a
straight line in the ranks of all keys,

    y = Σ β_j x_j + e,   every column with mean 0 and variance 1.

Draws are independent, so a key's share of the variance is β_j² and that of a group the sum of its keys'. What is estimated from n
draws is too large by chance, E(b_j²) = β_j² + v_j with v_j the variance of b_j. So

    share_j = (b_j² − v_j) / V,   V = Σ (b_j² − v_j) + s²,   share of a group = Σ share_j,

with s² the variance of e. V is the variance of y with keys that are not correlated: the columns of a sample always are, by chance. The
sum over all keys is what they explain, adjusted for their number.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import ndtri
from threadpoolctl import threadpool_limits

from simbank.errors import InputError
from simbank.studies.ranks import average_ranks

__all__ = ["ENOUGH", "Drivers", "drivers"]

RESAMPLES = 500
LEVEL = 0.95
ENOUGH = 0.7  # R² from which an order of importance is told; the usual rule of thumb, common practice, no source
MOST_KEYS = 1.0 / 3.0  # keys ÷ draws up to which all are fitted at once; beyond, residuals say too little of the errors
FEWEST = 20  # draws


@dataclass(frozen=True, eq=False)
class Drivers:
    """What :func:`drivers` found.

    Attributes
    ----------
    table : DataFrame
        A row for each figure and key, figures in their order, largest share first: ``key``, ``figure``, ``share`` of the variance of
        the figure's ranks (0 to 1), ``low`` and ``high`` of its 95 % interval, ``sign`` (1: the figure grows with it, −1: it falls),
        and ``told``: whether the key can be told from one without bearing. At ``told`` the whole list of a figure errs in 5 %.
    groups : DataFrame
        The same for groups, ``group`` in place of ``key``, without ``sign``.
    explained : DataFrame
        Index ``figure``: ``r2`` of the ranks, ``r2_adjusted`` for the number of keys, ``r2_left_out`` (each draw predicted from the
        others), ``happens`` (share of the draws that have a value), ``ranked``: whether ``r2_adjusted`` is enough for an order.
    draws : int
    """

    table: pd.DataFrame
    groups: pd.DataFrame
    explained: pd.DataFrame
    draws: int

    def words(self, figure: str, names: Mapping[str, str] | None = None, called: str | None = None) -> list[str]:
        """What the draws can tell of one figure and what not, in sentences.

        Parameters
        ----------
        figure : str
            One of the index of ``explained``.
        names : mapping of str to str, optional
            Key or group → what a person calls it.
        called : str, optional
            What a person calls the figure; by default its name.
        """
        names, called, row = names or {}, called or figure, self.explained.loc[figure]
        if np.isnan(row["r2"]):
            return [f"{called} is the same in all {self.draws} draws: nothing that was drawn moves it."]
        table = self.table[(self.table["figure"] == figure) & self.table["told"]]
        listed = ", ".join(
            f"{names.get(r.key, r.key)} ({_percent(r.share)} %, {_percent(r.low)} to {_percent(r.high)})"
            for r in table.itertuples()
        )
        part = _percent(max(row["r2_adjusted"], 0.0))
        if not listed:
            return [
                f"Of {called}, no single value can be told from nothing with {self.draws} draws; together they explain {part} % of its "
                "variance (ranks)."
            ]
        if row["ranked"]:
            return [f"What moves {called}, largest first, as share of its variance (ranks; all together {part} %): {listed}."]
        return [
            f"Straight lines in the ranks explain only {part} % of the variance of {called}, too little for an order of importance: the rest "
            "comes from values that act both ways or together, which this method cannot see. A value that is not named here may matter "
            f"more than these, which do move it: {listed}."
        ]


def drivers(values: pd.DataFrame, figures: pd.DataFrame, groups: Mapping[str, str] | None = None, *, seed: int = 0) -> Drivers:
    """Shares of the variance of every figure that keys, and groups of keys, explain.

    Parameters
    ----------
    values : DataFrame, draw × key
        What was drawn, keys independent of each other. Of values that are text, each stands by its number in the order of the
        alphabet, which says something of two; of three or more only if that order does.
    figures : DataFrame, draw × figure
        What came out. NaN is a time at which nothing happened: it counts as later than all others.
    groups : mapping of str to str, optional
        Key → group.
    seed : int
        Of the resampling that gives the intervals: the residuals, each over 1 − its leverage, with random signs (wild bootstrap of
        Wu 1986 and Liu 1988, with the weights of HC3, MacKinnon and White 1985; from memory).

    Returns
    -------
    Drivers

    Raises
    ------
    InputError
        For tables of different draws, or fewer than 20.

    Notes
    -----
    Where keys are more than a third of the draws, those that stand out (by forward selection, errors of 5 % in the list) are fitted
    together, and every other one in turn beside these.

    Examples
    --------
    y = 3 a − b, both uniform: shares 0.9 and 0.1.

    >>> random = np.random.default_rng(1)
    >>> values = pd.DataFrame(random.random((200, 3)), columns=["a", "b", "c"])
    >>> found = drivers(values, pd.DataFrame({"y": 3 * values["a"] - values["b"]}), {"a": "both", "b": "both"})
    >>> found.table[["key", "share", "sign", "told"]].round(1).to_numpy().tolist()
    [['a', 0.9, 1, True], ['b', 0.1, -1, True], ['c', 0.0, 0, False]]
    """
    if len(values) != len(figures):
        raise InputError("as many draws as there are figures are needed", key="values", value=len(values))
    if len(values) < FEWEST:
        raise InputError(f"{FEWEST} draws or more are needed to tell what moves a figure", key="draws", value=len(values))
    with threadpool_limits(1):  # threads cost more than they save on matrices so small
        return _drivers(values, figures, groups, seed)


def _drivers(values, figures, groups, seed):
    x, alive = _ranks(pd.DataFrame({key: _numbers(values[key]) for key in values}, index=values.index))
    y, moves = _ranks(figures)
    n, names, at = len(x), list(values.columns), np.flatnonzero(alive)
    signs = np.random.default_rng([seed, 15]).integers(0, 2, (RESAMPLES, n)) * 2.0 - 1.0
    every = _Columns.of(x[:, at]) if len(at) <= MOST_KEYS * n else None
    tables, group_tables, explained = [], [], []
    for k, figure in enumerate(figures):
        if not moves[k] or not len(at):
            fit = _Fit(np.zeros(len(names)), np.zeros(len(names)), np.zeros((RESAMPLES, len(names))), (0.0, 0.0, 0.0))
        else:
            fit = _fit(x, at, every, y[:, k], signs)
        tables.append(_key_table(fit, names, figure, len(at)))
        if groups:
            group_tables.append(_group_table(fit, names, groups, figure))
        r2 = fit.r2 if moves[k] else (np.nan,) * 3
        explained.append((figure, *r2, float(figures[figure].notna().mean()), bool(moves[k] and r2[1] >= ENOUGH)))
    columns = ["key", "figure", "share", "low", "high", "sign", "told"]
    return Drivers(
        pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=columns),
        pd.concat(group_tables, ignore_index=True) if group_tables
        else pd.DataFrame(columns=["group", *[c for c in columns[1:] if c != "sign"]]),
        pd.DataFrame(explained, columns=["figure", "r2", "r2_adjusted", "r2_left_out", "happens", "ranked"]).set_index("figure"),
        len(values),
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class _Fit:
    """Coefficients (p,), their variances (p,), resamples of them (RESAMPLES, p), all over the root of V; and the three R²."""

    coefficients: np.ndarray
    variances: np.ndarray
    resamples: np.ndarray
    r2: tuple[float, float, float]


def _numbers(column):
    """A column as numbers: text by its number in the order of the alphabet."""
    if pd.api.types.is_numeric_dtype(column):
        return column.to_numpy(float)
    return np.unique(column.astype(str).to_numpy(), return_inverse=True)[1].astype(float)


def _ranks(table):
    """Standardised ranks, shape (draws, columns), NaN as the last of all; with it which columns move at all."""
    raw = np.where(np.isnan(a := table.to_numpy(float)), np.inf, a)
    ranks = average_ranks(raw) if raw.size else raw
    ranks = ranks - ranks.mean(axis=0)
    scale = ranks.std(axis=0)
    return ranks / np.where(scale > 0, scale, 1.0), scale > 0


@dataclass(frozen=True, eq=False)
class _Columns:
    """What is fitted: the matrix (p, n) that gives the coefficients, and 1 − leverage of every draw (n,)."""

    x: np.ndarray
    hat: np.ndarray
    left: np.ndarray

    @classmethod
    def of(cls, x):
        hat = np.linalg.pinv(x) if x.shape[1] else np.zeros((0, len(x)))
        return cls(x, hat, 1.0 - np.clip(np.einsum("ij,ji->i", x, hat) + 1.0 / len(x), 0.0, 1.0 - 1e-9))

    def errors(self, y):
        """Of every draw, by how much the fit of all others misses it."""
        return (y - self.x @ (self.hat @ y)) / self.left

    def r2(self, y):
        """R², the same adjusted for the number of columns, and of draws left out (1 − PRESS over that of the mean)."""
        n, p = self.x.shape
        errors, mean_out = self.errors(y), y * n / (n - 1)
        residuals = errors * self.left
        left = residuals @ residuals / (y @ y)
        return 1.0 - left, 1.0 - left * (n - 1) / (n - 1 - p), 1.0 - errors @ errors / (mean_out @ mean_out)


def _fit(x, at, every, y, signs):
    """All keys at once where ``every`` is given, or those that stand out, and every other one beside them."""
    p = x.shape[1]
    coefficients, variances, resamples = np.zeros(p), np.zeros(p), np.zeros((len(signs), p))

    def take(keys, hat, errors):
        coefficients[keys] = hat @ y
        variances[keys] = hat**2 @ errors**2
        resamples[:, keys] = coefficients[keys] + (signs * errors) @ hat.T

    chosen = at if every is not None else _stand_out(x, at, y)
    together = every if every is not None else _Columns.of(x[:, chosen])
    take(chosen, together.hat, together.errors(y))
    for j in np.setdiff1d(at, chosen):
        beside = _Columns.of(x[:, [*chosen, j]])
        take([j], beside.hat[-1:], beside.errors(y))
    r2 = together.r2(y)
    total = np.sqrt(max((coefficients[chosen] ** 2 - variances[chosen]).sum(), 0.0) + 1.0 - r2[1])
    return _Fit(coefficients / total, variances / total**2, resamples / total, r2)


def _stand_out(x, at, y):
    """Keys chosen one after the other, each by its correlation with what those before leave, while chance would do as much in 5 %."""
    chosen, n = [], len(x)
    hurdle = -ndtri((1.0 - LEVEL) / 2 / max(len(at), 1))
    rest, columns = y.copy(), x[:, at].copy()
    while len(chosen) < MOST_KEYS * n:
        norms = np.sqrt(np.einsum("ij,ij->j", columns, columns))
        usable = norms > 1e-6 * np.sqrt(n)
        inner = np.where(usable, columns.T @ rest / np.where(usable, norms, 1.0), 0.0)
        best = int(np.argmax(np.abs(inner)))
        left = rest @ rest - inner[best] ** 2
        if left <= 0 or abs(inner[best]) < hurdle * np.sqrt(left / (n - 2 - len(chosen))):
            break
        direction = columns[:, best] / norms[best]
        chosen.append(int(at[best]))
        rest = rest - direction * inner[best]
        columns = columns - np.outer(direction, direction @ columns)
        columns[:, best] = 0.0
    return np.array(chosen, int)


def _key_table(fit, names, figure, p):
    b, error = fit.coefficients, np.sqrt(fit.variances)
    low, high = np.quantile(fit.resamples, [(1 - LEVEL) / 2, (1 + LEVEL) / 2], axis=0)
    covers = (low <= 0) & (high >= 0)
    told = ~covers & (np.abs(b) > -ndtri((1.0 - LEVEL) / 2 / max(p, 1)) * error)
    table = pd.DataFrame(
        {
            "key": names, "figure": figure, "share": np.maximum(b**2 - fit.variances, 0.0),
            "low": np.where(covers, 0.0, np.minimum(low**2, high**2)), "high": np.minimum(np.maximum(low**2, high**2), 1.0),
            "sign": np.where(told, np.sign(b), 0).astype(int), "told": told,
        }
    )  # fmt: skip
    return table.sort_values(["told", "share"], ascending=False, kind="stable")


def _group_table(fit, names, groups, figure):
    """Sums over the keys of each group, less what chance adds: once in the estimate, twice in its resamples."""
    rows = []
    for group in dict.fromkeys(groups.values()):
        at = [k for k, name in enumerate(names) if groups.get(name) == group]
        if not at:
            continue
        extra = fit.variances[at].sum()
        share = (fit.coefficients[at] ** 2).sum() - extra
        again = (fit.resamples[:, at] ** 2).sum(axis=1) - 2.0 * extra
        low, high = np.clip(np.quantile(again, [(1 - LEVEL) / 2, (1 + LEVEL) / 2]), 0.0, 1.0)
        rows.append((group, figure, max(share, 0.0), low, high))
    table = pd.DataFrame(rows, columns=["group", "figure", "share", "low", "high"])
    table["told"] = table["low"] > 0
    return table.sort_values(["told", "share"], ascending=False, kind="stable")


def _percent(share):
    return f"{share * 100:.0f}"

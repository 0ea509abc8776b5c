"""Ranks of values."""

from __future__ import annotations

from typing import Any

import numpy as np

__all__ = ["average_ranks"]


def average_ranks(values: Any) -> np.ndarray:
    """Ranks from 1 on, down each column; equal values share the mean of theirs.

    As ``scipy.stats.rankdata`` has them; importing that costs a command half a second.

    Parameters
    ----------
    values : array-like, shape (n,) or (n, m)
        No NaN; infinite values rank first or last.

    Returns
    -------
    ndarray
        Of the same shape.

    Examples
    --------
    >>> average_ranks([3.0, 1.0, 3.0, 2.0]).tolist()
    [3.5, 1.0, 3.5, 2.0]
    """
    given = np.asarray(values)
    if not given.size:
        return np.zeros(given.shape)
    columns = given.reshape(len(given), -1).T  # one a row
    order = np.argsort(columns, axis=1, kind="stable")
    ordered = np.take_along_axis(columns, order, axis=1)
    differs = np.ones(ordered.shape, bool)  # from the one before
    differs[:, 1:] = ordered[:, 1:] != ordered[:, :-1]
    begin = np.flatnonzero(differs)
    many = np.diff(begin, append=differs.size)
    mean = np.repeat(begin % len(given) + 0.5 * (many + 1), many).reshape(ordered.shape)
    out = np.empty(ordered.shape)
    np.put_along_axis(out, order, mean, axis=1)
    return out.T.reshape(given.shape)

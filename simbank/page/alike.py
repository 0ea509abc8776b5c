"""Which runs of a page are the same, and where one of its settings therefore changes nothing."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from typing import Any

import numpy as np

from simbank.page.controls import Control
from simbank.page.grid import Run
from simbank.page.packed import KINDS

__all__ = ["changes_nothing", "same_runs"]


def same_runs(runs: Sequence[Run]) -> list[int | None]:
    """For each run the number of the first that has its series, figures and verdicts, itself if none before it has; None of one that failed."""
    known: dict[bytes, int] = {}
    return [None if run.failure is not None else known.setdefault(_digest(run), k) for k, run in enumerate(runs)]


def _digest(run: Run) -> bytes:
    digest = hashlib.sha256(json.dumps([run.words, run.step_s], sort_keys=True).encode())
    for kind in KINDS:
        values = getattr(run.series, kind)
        digest.update(f"{kind} {values.shape}".encode() + (values + 0.0).tobytes())  # so that −0 is 0
    return digest.digest()


def changes_nothing(keys: Sequence[Control], same: Sequence[int | None]) -> list[dict[str, Any]]:
    """Settings that change nothing with some value of another one, or with all.

    Parameters
    ----------
    keys : list of Control
        All of the page.
    same : list
        Of :func:`same_runs`, of runs in the order of the page, the last key changing fastest.

    Returns
    -------
    list of dict
        ``key``, and ``where``: the other key and its value in words, empty where the key changes nothing in any run.

    Examples
    --------
    >>> from simbank.page.controls import controls
    >>> keys = controls({"wiring.layout": ["chain", "busbar"], "wiring.link.gauge": ["16 mm2", "35 mm2"]})
    >>> changes_nothing(keys, [0, 1, 2, 2])
    [{'key': 'wiring.link.gauge', 'where': {'wiring.layout': 'busbar'}}]
    """
    grid = np.array([-1 - k if one is None else one for k, one in enumerate(same)]).reshape([len(key.values) for key in keys])
    found = []
    for k, key in enumerate(keys):
        flat = (grid == grid.take([0], axis=k)).all(axis=k, keepdims=True)  # at each setting of the others
        if flat.all():
            found.append({"key": key.key, "where": {}})
            continue
        for j, other in enumerate(keys):
            if j != k:
                found += [
                    {"key": key.key, "where": {other.key: text}}
                    for value, text in enumerate(other.texts)
                    if flat.take(value, axis=j).all()
                ]
    return found

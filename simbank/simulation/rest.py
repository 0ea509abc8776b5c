"""Instants at which the charge left in each pack tells how a bank shares: after long rests, before charges, at the end of a run."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

__all__ = ["LEAST_REST_S", "LEAST_TURN", "REST_C_RATE", "near_to_far", "rest_instants", "rests"]

# What counts as rest and as a charge; common practice, no source: a standing inverter takes some C/500, a small night's load C/100.
REST_C_RATE = 0.01  # of the bank: its charge changes by less than a hundredth of its capacity in an hour
LEAST_REST_S = 3600.0  # a rest is as long or longer
LEAST_TURN = (
    0.05  # of the bank's capacity: a charge that adds less, or a discharge that takes less, is part of what goes on around it
)
SAME_SOC = 1e-6  # below which a bank's charge stands
TIE = 1e-6  # of the largest: distances that differ by less are equal


def rest_instants(time_s: ArrayLike, bank_soc: ArrayLike) -> list[tuple[int, str]]:
    """Samples at which each charge begins, each long rest ends, and the run ends; each with what it is, in words.

    Of the bank's current only what it does to the bank's charge counts, from sample to sample: a current that flickers within a
    sample, or packs that level among themselves, change nothing. A charge begins at the last sample at which the bank is at its
    emptiest before it gains :data:`LEAST_TURN`; the next one after it has lost as much again. A rest in which a charge begins is
    told with the charge. Of a rest and what comes after it with less than :data:`LEAST_TURN` between them only the later is told.

    Parameters
    ----------
    time_s : array_like, shape (m,)
        Times of the samples [s].
    bank_soc : array_like, shape (m,)
        Charge left in the bank over its capacity.

    Returns
    -------
    list of (int, str)
        Number of the sample and what it is, in order of time; none where there is no sample.

    Examples
    --------
    Two hours of charge by 40 points, two of rest, one of discharge:

    >>> rest_instants([0, 3600, 7200, 10800, 14400, 18000], [0.5, 0.7, 0.9, 0.9, 0.9, 0.7])
    [(0, 'before charge'), (4, 'after 2 h at rest'), (5, 'end of run')]
    """
    time_s, bank_soc = np.asarray(time_s, float), np.asarray(bank_soc, float)
    if not len(time_s):
        return []
    last = len(time_s) - 1
    found: dict[int, list[str]] = {k: ["before charge"] for k in _charges(bank_soc)}
    for first, end in rests(time_s, bank_soc):
        within = [k for k in found if first < k <= end]
        k = within[-1] if within else end
        found.setdefault(k, []).append(f"after {round((time_s[k] - time_s[first]) / 3600.0, 1):g} h at rest")
    found.setdefault(last, []).insert(0, "end of run")
    told = sorted(found.items())
    return [
        (k, ", ".join(words))
        for n, (k, words) in enumerate(told)
        if k == last or words[0] == "before charge" or abs(bank_soc[told[n + 1][0]] - bank_soc[k]) >= LEAST_TURN
    ]


def rests(time_s: np.ndarray, bank_soc: np.ndarray) -> list[tuple[int, int]]:
    """First and last sample of each rest of :data:`LEAST_REST_S` or more; parameters as of :func:`rest_instants`."""
    still = np.abs(np.diff(bank_soc)) <= REST_C_RATE * np.diff(time_s) / 3600.0
    edges = np.flatnonzero(np.diff(np.concatenate([[False], still, [False]])))
    return [(a, b) for a, b in edges.reshape(-1, 2).tolist() if time_s[b] - time_s[a] >= LEAST_REST_S - 1e-6]


def _charges(bank_soc):
    """The sample at which each charge begins."""
    starts, rising, extreme, at = [], False, bank_soc[0], 0
    for k, soc in enumerate(bank_soc.tolist()):
        if rising:
            extreme = max(extreme, soc)
            if soc <= extreme - LEAST_TURN:
                rising, extreme, at = False, soc, k
        elif soc <= extreme + SAME_SOC:
            extreme, at = min(extreme, soc), k
        elif soc >= extreme + LEAST_TURN:
            starts.append(at)
            rising, extreme = True, soc
    return starts


def near_to_far(loop_ohm: ArrayLike) -> list[int]:
    """Order of packs from near to far, by the resistance of the wiring there and back; equal ones stay in their order.

    Parameters
    ----------
    loop_ohm : array_like, shape (n,)
        From :meth:`simbank.network.Network.loop_ohm` [ohm].

    Examples
    --------
    >>> near_to_far([0.002, 0.001, 0.001])
    [1, 2, 0]
    """
    loop_ohm = np.asarray(loop_ohm, float)
    known = loop_ohm[np.isfinite(loop_ohm)]
    step = TIE * known.max() if known.size and known.max() > 0 else 1.0
    return np.argsort(np.round(loop_ohm / step), kind="stable").tolist()

"""Which conductor a fault burns first, and after how long."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from simbank.bank.ampacity import conductor_withstand
from simbank.studies.protection.checks import FAIL

if TYPE_CHECKING:
    from simbank.studies.protection.protection import Protection

__all__ = ["Burning", "first_to_burn"]


@dataclass(frozen=True)
class Burning:
    """A conductor that a bolted fault heats beyond its withstand before the fault is ended.

    Attributes
    ----------
    conductor, place : str
        Its name, and where the fault is.
    time_s : float
        When ∫ i² dt comes to its withstand [s].
    current_a : float
        What flows in it at once [A].
    withstand_a2s : float
        [A²s].
    """

    conductor: str
    place: str
    time_s: float
    current_a: float
    withstand_a2s: float


def first_to_burn(found: Protection) -> Burning | None:
    """The conductor that burns first in the greatest case, devices opening at the latest of their bands.

    ∫ i² dt is summed over the prospective currents at once between one opening and the next: less current flows as the cells relax,
    so that the time is on the short side.

    Parameters
    ----------
    found : Protection
        What the study of protection found.

    Returns
    -------
    Burning or None
        None if no conductor fails its check of withstand in the greatest case.
    """
    checks, greatest = found.checks, found.greatest
    failed = set(checks["where"][(checks["rule"] == "withstand") & (checks["status"] == FAIL)])
    branches = [branch for branch in found.scenario.bank.graph.branches if branch.name in failed]
    rows = []
    for place in greatest.places if branches else ():
        stages = _stages(greatest, place, found.followed[place.name])
        for branch in branches:
            withstand, _ = conductor_withstand(branch.conductor)
            for edge in greatest.edges_with_device(branch.name):
                time_s = _reached(stages, edge, withstand)
                if np.isfinite(time_s):
                    rows.append(Burning(branch.name, place.name, time_s, abs(float(stages[0][1][edge])), withstand))
    return min(rows, key=lambda row: row.time_s, default=None)


def _stages(greatest, place, sequence):
    """(when it begins [s], currents at once of every edge [A]) for each set of devices that are open in turn, and when it ends."""
    names = [device.name for device in greatest.bank.devices]
    closed, begin, stages = np.ones(greatest.circuit.n + greatest.circuit.b, bool), 0.0, []
    for opening in sequence.openings:
        stages.append((begin, greatest.circuit.prospective(place.positive, place.negative, closed)))
        closed[greatest.device_edge[names.index(opening.device)]] = False
        begin = opening.time_s
    if sequence.cleared_s is None:
        stages.append((begin, greatest.circuit.prospective(place.positive, place.negative, closed)))
        return [*stages, (np.inf, None)]
    return [*stages, (sequence.cleared_s, None)]


def _reached(stages, edge, withstand):
    """When ∫ i² dt of an edge comes to its withstand [s]; infinite if it does not."""
    left = withstand
    for (begin, currents), (end, _) in pairwise(stages):
        square = float(currents[edge]) ** 2
        if square == 0.0:
            continue
        if square * (end - begin) >= left:
            return begin + left / square
        left -= square * (end - begin)
    return np.inf

"""What protection fails at, by urgency, and where each stands on the drawing of the bank."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from simbank.studies.protection import Protection
from simbank.studies.protection.checks import FAIL, NOT_CHECKABLE, RULES

__all__ = ["URGENCY", "Failure", "failures", "marks"]

# Order in which failed rules are told: what cannot break or end a fault, then what burns, then what trips. Our own choice.
URGENCY = (
    "interrupting rating", "voltage rating", "device present", "clears in time", "withstand", "ampacity ≥ load",
    "rating ≤ ampacity", "shorted cell", "outage", "rating ≥ load", "voltage drop",
)  # fmt: skip


@dataclass(frozen=True)
class Failure:
    """A rule that is not kept, or could not be checked, at one place or several.

    Attributes
    ----------
    number : int
        In the list, and on the drawing.
    rule, title : str
        Its name, and what it asks.
    status : str
        "fail" or "not checkable".
    places : tuple of str
        Where, as the checks name it; that which is farthest from its limit stands first.
    worst : str
        What was found there.
    source : str
        Where the rule is from.
    """

    number: int
    rule: str
    title: str
    status: str
    places: tuple[str, ...]
    worst: str
    source: str


def failures(protection: Protection) -> list[Failure]:
    """Rules that failed, the gravest first, then those that could not be checked; each once, with all its places."""
    rank = {rule: k for k, rule in enumerate(URGENCY)}
    found = []
    for status in (FAIL, NOT_CHECKABLE):
        checks = protection.checks[protection.checks["status"] == status]
        for rule in sorted(checks["rule"].unique(), key=lambda rule: rank.get(rule, len(rank))):
            rows = checks[checks["rule"] == rule]
            rows = rows.iloc[np.argsort(-_beyond(rows), kind="stable")]
            places = tuple(dict.fromkeys(rows["where"]))
            title, source = RULES[rule]
            found.append(Failure(len(found) + 1, rule, title, status, places, rows["text"].iloc[0], source))
    return found


def _beyond(rows: pd.DataFrame) -> np.ndarray:
    """How far each check is from its limit, as a ratio; infinite where nothing limits it, zero where there is no figure."""
    value, limit = rows["value"].astype(float).to_numpy(), rows["limit"].astype(float).to_numpy()
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(np.isfinite(limit), np.where(np.isnan(value), np.inf, value / limit), np.nan_to_num(value, nan=0.0))
    return np.nan_to_num(ratio, nan=0.0, posinf=np.inf)


def marks(protection: Protection, found: list[Failure]) -> dict[tuple[str, str], list[int]]:
    """What :func:`simbank.plotting.drawing.draw_bank` takes to mark the places of failures by their numbers."""
    spots, out = _spots(protection), {}
    for failure in found:
        for place in failure.places:
            for spot in spots.get(place, ()):
                out.setdefault(spot, []).append(failure.number)
    return out


def _spots(protection: Protection) -> dict[str, list[tuple[str, str]]]:
    """What checks name as their place → what of the drawing that is."""
    bank = protection.scenario.bank
    spots = {pack.name: [("pack", pack.name)] for pack in bank.packs}
    for place, whole in protection.greatest.named.items():
        spots.setdefault(whole.name, []).append(("place", place.name))
    spots |= {f"string {name}": [("place", f"string {name}")] for name in bank.strings}
    spots |= {f"port {name}": [("port", name)] for name in bank.graph.ports}
    spots |= {branch.name: [("branch", branch.name)] for branch in bank.graph.branches}
    spots |= {device.name: [("branch", device.branch)] for device in bank.devices}
    for load in ("discharge", "charge"):
        spots |= {f"{name}, {load}": where for name, where in list(spots.items()) if name.startswith("port ")}
        spots |= {f"without {name}, {load}": where for name, where in list(spots.items()) if ", " not in name}
    return spots

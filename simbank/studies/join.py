"""Someone adds packs to a bank: what flows when they are joined, to which voltage to bring them first, where they do least harm, and
what of the bank no longer does."""  # noqa: D205 one sentence

from __future__ import annotations

from collections.abc import Callable, Iterable
from os import PathLike
from typing import Any

import numpy as np
import pandas as pd

from simbank.bank import Bank
from simbank.errors import InputError, SimulationError
from simbank.provenance import content_hash
from simbank.scenario import Scenario, with_changes
from simbank.scenario.addition import Addition, Place, joined, place_of, places
from simbank.simulation import Result, simulate
from simbank.studies.described import bank_warnings
from simbank.studies.figures import headline
from simbank.studies.join_result import Join
from simbank.studies.join_words import SAME_POINTS, SAME_SHARE
from simbank.studies.joining import at_joining, over_time, windows
from simbank.studies.protection import Assumptions, Protection, protect
from simbank.studies.settings import study_made_by
from simbank.warning import BankWarning, listed

__all__ = ["join"]

APART = ("mixed-chemistry", "unequal-cell-count")  # packs that are never joined
SAID_HERE = "unequal-charge"  # of the bank as its files describe it: told with more by the currents at joining
UNEVEN = 1.0005  # largest share ratio from which a pack is the hardest worked, as in tables of layouts
UNMET_SHARE = 0.01  # of the energy out of the ports
AGE_APART, GROWTH_APART = (
    0.1,
    1.25,
)  # capacity left, and factor of resistance growth, between old and new. Chosen here: from about
# there a pack's share of the current is off by a tenth


def join(
    scenario: Scenario,
    addition: Addition | str | PathLike | dict[str, Any],
    at: str | int | None = None,
    *,
    c_rate: float = 0.1,
    protection: bool = True,
    assumptions: Assumptions | None = None,
    progress: Callable[[float], None] | None = None,
    **options: Any,
) -> Join:
    """Add packs to a bank, on paper, before anything is bolted.

    The currents at the moment of joining are those of the packs as both files have them. For sharing the new packs count as brought to
    the bank's mean state of charge first, since that is what is advised; loads and chargers stay as they are: what the duty states in C
    keeps the amperes that it has for the bank without them.

    Parameters
    ----------
    scenario : Scenario
        The bank as it is.
    addition : Addition, path-like or dict
        The new packs: see :class:`~simbank.scenario.addition.Addition`.
    at : str or int, optional
        Where they go: a number from 1 at the take-off, "end", "after NAME", "before NAME"; by default every place is tried and the
        one that does least harm is taken.
    c_rate : float
        Of each pack, that its current at the moment of joining should not exceed [1/h].
    protection : bool
        Whether to make the checks of :func:`simbank.protect` before and after.
    assumptions : Assumptions, optional
        Of these.
    progress : callable, optional
        Called with the fraction done.
    **options
        Passed on to :func:`simbank.simulate` for the runs of the duty; the integrator is the fast one if none is given.

    Returns
    -------
    Join

    Raises
    ------
    InputError
        For an addition, a place or a rate that cannot be.
    """
    if not (isinstance(c_rate, (int, float)) and not isinstance(c_rate, bool) and 0.0 < c_rate <= 10.0):
        raise InputError("must be above 0 and at most 10", key="c_rate", value=c_rate)
    addition = addition if isinstance(addition, Addition) else Addition(addition)
    tell = progress or (lambda done: None)
    asked = place_of(scenario, at)
    after = joined(scenario, addition, asked)
    warnings = [warning for warning in bank_warnings(after) if warning.code != SAID_HERE]
    apart = any(warning.code in APART for warning in warnings)
    found = Join(scenario, addition, after, asked or places(scenario)[-1], c_rate, warnings=warnings)
    options = {"integrator": "fast"} | options
    if not apart:
        found.warnings += _unlike(scenario.bank, after.bank, addition.names)
        share = 0.6 if protection else 0.9
        _try_places(found, asked, options, lambda done: tell(share * done))
    _follow_joining(found, apart)
    if not apart and protection:
        found.protection = _protections(found, assumptions, lambda done: tell(0.65 + 0.35 * done))
    used = found.runs[0][1].made_by if found.runs else {}
    settings = {"integrator": options["integrator"]} | {key: used[key] for key in ("tolerance",) if key in used}
    found.made_by = study_made_by(
        scenario, "join", **settings, addition=content_hash(addition.data), at="all" if at is None else str(at), c_rate=c_rate,
        protection=protection and not apart,
    )  # fmt: skip
    tell(1.0)
    return found


# ---- what flows ----


def _follow_joining(found, apart):
    """Currents at the moment of joining and after, and with packs that belong together the windows of voltage."""
    bank, new = found.after.bank, found.addition.names
    found.moment = at_joining(bank, new)
    if apart:
        return
    try:
        found.current_a, found.pack_s, found.branch_s = over_time(bank, found.moment)
    except SimulationError as error:
        found.warnings.append(BankWarning("joining-not-followed", ", ".join(new), f"{error}"))
    found.windows = windows(bank, new, found.c_rate)


# ---- packs that differ ----


def _unlike(old: Bank, bank: Bank, new: Iterable[str]) -> list[BankWarning]:
    """A warning of new packs that are much younger or older than those of the bank.

    Common practice, no source: makers ask for packs of one make and age in parallel.
    """
    added = [pack for pack in bank.packs if pack.name in new]
    told = []
    for pack in added:
        far = [
            other.name for other in old.packs
            if abs(pack.capacity_left - other.capacity_left) > AGE_APART
            or max(pack.resistance_growth, other.resistance_growth) > GROWTH_APART * min(pack.resistance_growth, other.resistance_growth)
        ]  # fmt: skip
        if far:
            told.append((pack, far))
    if not told:
        return []
    pack, far = told[0]
    other = next(other for other in old.packs if other.name == far[0])
    text = (
        f"Packs of unequal age: {pack.name} has {pack.capacity_left * 100:.0f} % of its capacity left and {pack.resistance_growth:.2f} times its "
        f"resistance as new, {other.name} {other.capacity_left * 100:.0f} % and {other.resistance_growth:.2f} times. The younger take more than "
        "their share at first, the older fill and empty before them. Ask the maker whether unequal ages may be joined; watch each pack's "
        "current and charge"
    )
    return [BankWarning("unequal-age", listed([pack.name for pack, _ in told]), text)]


# ---- where they do least harm ----


def _try_places(found, asked, options, tell):
    """Run the duty without the new packs and at each place; take the place that is asked for, or that which does least harm."""
    scenario, addition = found.scenario, found.addition
    tried = [asked] if asked else places(scenario)
    tried += _bus_bar(scenario, addition)
    count = len(tried) + 1
    found.runs.append((None, simulate(scenario, **options)))
    tell(1 / count)
    for k, place in enumerate(tried):
        case = _levelled(joined(scenario, addition, place), addition.names)
        found.runs.append((place, simulate(case, **options)))
        tell((k + 2) / count)
    rows = [_figures(place, run, addition.names) for place, run in found.runs]
    found.positions = pd.DataFrame(rows).set_index("position")
    own = [place for place in tried if place.layout is None]
    found.best, found.places_alike = _least_harm(found.positions, own)
    chosen = asked or found.best
    found.place, found.after = chosen, joined(scenario, addition, chosen)
    found.sharing = _sharing(found, chosen)


def _bus_bar(scenario, addition):
    """The same packs on a bus bar, where the scenario is wired otherwise and has the lead for it."""
    wiring = scenario.data["wiring"]
    if scenario.layout in ("busbar", "graph") or scenario.bank.strings or not wiring.get("lead"):
        return []
    place = Place(None, "all packs on a bus bar", after=scenario.bank.packs[-1].name, layout="busbar")
    try:
        joined(scenario, addition, place)
    except InputError:
        return []
    return [place]


def _levelled(case: Scenario, new: Iterable[str]) -> Scenario:
    """The scenario with its new packs at the mean state of charge and hysteresis of the others."""
    others = [pack for pack in case.bank.packs if pack.name not in new]
    capacity = np.array([pack.capacity_ah for pack in others])
    changes = {}
    for key in ("soc", "hysteresis"):
        mean = float(np.average([getattr(pack, key) for pack in others], weights=capacity))
        changes |= {f"packs.{name}.{key}": mean for name in new}
    return with_changes(case, changes)


def _figures(place: Place | None, run: Result, new: Iterable[str]) -> dict[str, Any]:
    """What a place is judged by, of the run of the duty; ``place`` is None for the bank without the new packs."""
    summary = run.summary
    row = headline(summary)
    charge = [(pack["share_ratio_charge"], pack["name"]) for pack in summary["packs"] if pack["share_ratio_charge"] is not None]
    out = [
        (pack["share_ratio_discharge"], pack["name"]) for pack in summary["packs"] if pack["share_ratio_discharge"] is not None
    ]
    hardest = max([*charge, *out], default=(None, None))
    full = min(
        ((pack["first_full_h"], pack["name"]) for pack in summary["packs"] if pack["first_full_h"] is not None),
        default=(None, None),
    )
    mine = [share for share, name in [*charge, *out] if name in new]
    loss = run.branches["loss_wh"].sum() if len(run.branches) else 0.0
    return {
        "position": "as it is" if place is None else place.words,
        "number": None if place is None else place.number,
        "share_ratio_max": hardest[0], "hardest_pack": hardest[1] if (hardest[0] or 0.0) > UNEVEN else None,
        "share_ratio_new": max(mine, default=None),
        "spread_max_points": row["spread_max_points"], "spread_end_points": row["spread_end_points"], "c_rate_max": row["c_rate_max"],
        "first_full_h": full[0], "first_full_pack": full[1], "energy_out_wh": row["energy_out_wh"],
        "conductor_loss_wh": float(loss),
    }  # fmt: skip


def _least_harm(table, tried):
    """The place that does least harm, and whether others are as good.

    Of the places that cannot be told apart from the best by any meter the end of the row is taken, where the wiring stays as it is. A
    place is worse where the ports get less, a pack carries more than its share by more, or the packs stand farther apart.
    """
    rows = {place: table.loc[place.words] for place in tried}
    most = max(float(row["energy_out_wh"]) for row in rows.values())
    rows = {place: row for place, row in rows.items() if row["energy_out_wh"] >= (1.0 - UNMET_SHARE) * most - 1e-9}
    share = {place: 1.0 if pd.isna(row["share_ratio_max"]) else float(row["share_ratio_max"]) for place, row in rows.items()}
    points = {place: float(row["spread_max_points"]) for place, row in rows.items()}
    # one figure for both: how many times what cannot be measured
    harm = {place: share[place] / SAME_SHARE + points[place] / SAME_POINTS for place in rows}
    best = min(harm, key=harm.get)
    alike = [place for place in rows if share[place] <= share[best] + SAME_SHARE and points[place] <= points[best] + SAME_POINTS]
    ends = [place for place in alike if place.before is None]
    return (ends[-1] if ends else best), len(alike) > 1


def _sharing(found, place):
    """Each pack before and after, at the place taken; the new packs levelled first."""
    before = {pack["name"]: pack for pack in found.runs[0][1].summary["packs"]}
    run = next(run for tried, run in found.runs if tried == place)
    rows = []
    for pack in run.summary["packs"]:
        row = {"pack": pack["name"], "new": pack["name"] in found.addition.names}
        for key in ("share_ratio_discharge", "share_ratio_charge", "c_rate_peak", "first_full_h", "soc_min", "soc_max"):
            stem = key.removesuffix("_h")
            ending = "_h" if key.endswith("_h") else ""
            row[f"{stem}_before{ending}"] = before.get(pack["name"], {}).get(key)
            row[f"{stem}_after{ending}"] = pack[key]
        rows.append(row)
    return pd.DataFrame(rows).set_index("pack")


# ---- what no longer does ----


def _protections(found, assumptions, tell) -> tuple[Protection, Protection]:
    """The checks of protection before and after."""
    before = protect(found.scenario, assumptions, progress=lambda done: tell(0.5 * done))
    after = protect(found.after, assumptions, progress=lambda done: tell(0.5 + 0.5 * done))
    return before, after

"""Sets of packs that a fault is judged with: those that feed least; of packs that feed alike, the sets that ask most of a conductor."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable

    from simbank.bank.bank import Place
    from simbank.studies.protection.faults import Faults

__all__ = ["SAME_FEED", "alike_at", "connected", "in_order_of_feed", "together"]

SAME_FEED = 1e-6  # packs whose feeds into a fault differ by less than this share feed alike
SHARE = 0.5  # of the most that any pack sends through a conductor, from which on a pack counts as feeding through it
NOTHING = 1e-9  # share of the greatest current below which a conductor carries but round-off


def in_order_of_feed(feeds: Iterable[tuple], order: list[str]) -> list[tuple]:
    """Tuples of (feed [A], pack, …), the least feed first; packs that feed alike in the order of the file.

    >>> in_order_of_feed([(5.0, "C"), (3.0 + 1e-12, "A"), (3.0, "B")], ["A", "B", "C"])
    [(3.000000000001, 'A'), (3.0, 'B'), (5.0, 'C')]
    """
    found, waiting = [], sorted(feeds, key=lambda one: one[0])
    while waiting:
        alike = [one for one in waiting if one[0] <= waiting[0][0] * (1.0 + SAME_FEED)]
        found += sorted(alike, key=lambda one: order.index(one[1]))
        waiting = waiting[len(alike) :]
    return found


def alike_at(feeds: np.ndarray, k: int) -> np.ndarray:
    """Numbers of those that feed like the k-th, of feeds in order, the least first [A].

    >>> alike_at(np.array([1.0, 2.0, 2.0, 2.0 + 1e-12, 3.0]), 2)
    array([1, 2, 3])
    """
    return np.flatnonzero(np.abs(feeds - feeds[k]) <= SAME_FEED * feeds[k])


def connected(least: Faults, place: Place) -> list[tuple[str, ...]]:
    """Sets of packs that a fault is judged with, those that feed least first: all, half of them, and so on down to one.

    With each set the ranges of current from least to greatest mostly overlap. Where packs feed alike, which of them belong to half of
    them is open: then there are several sets, such that of the packs that feed through any one conductor as many as can be stand
    together in one of them (:func:`together`). None hangs on the last digits of the feeds. At a pack at the end of a lead of its own one
    set will do: to the others its lead is resistance in a fault at the lead's other end, where all are looked at.
    """
    one_by_one = least.one_by_one(place)
    names, feeds = [name for _, name, _ in one_by_one], np.array([feed for feed, _, _ in one_by_one])
    sets, count, through = [], len(names), None
    while count:
        alike = alike_at(feeds, count - 1)
        sure, needed = names[: alike[0]] if len(alike) else [], count - alike[0] if len(alike) else 0
        if needed < len(alike) and not _has_lead(least.at(place), place):
            through = _through(least.at(place), place) if through is None else through
            tied = [names[k] for k in alike]
            groups = [group for row in through if (group := frozenset(row).intersection(tied))]
            sets += [(*sure, *some) for some in together(tied, needed, groups)]
        else:
            sets.append(tuple(names[:count]))
        count = count // 2
    return sets


def together(tied: list[str], needed: int, groups: Iterable[frozenset[str]]) -> list[tuple[str, ...]]:
    """Sets of so many of the tied packs that of each group as many as can be stand in one of them, and each pack in one at least.

    >>> together(["A", "B", "C", "D"], 2, [frozenset("CD"), frozenset("D"), frozenset("BCD"), frozenset("A")])
    [('C', 'D'), ('A', 'B')]
    """
    place = {name: k for k, name in enumerate(tied)}
    wanted = {tuple(sorted(place[name] for name in group)) for group in groups} | {(k,) for k in range(len(tied))}
    # those that fill a set first, then those of which a set holds a part, and so on to single packs
    order = sorted(wanted, key=lambda group: (len(group) < needed, abs(len(group) - needed), group))
    sets, covered = [], set()
    for group in order:
        if any(len(some.intersection(group)) >= min(needed, len(group)) for some in sets):
            continue
        rest = [k for k in range(len(tied)) if k not in group]
        some = [*group[:needed], *sorted(rest, key=lambda k: (k in covered, k))][:needed]
        sets.append(frozenset(some))
        covered.update(some)
    return [tuple(tied[k] for k in sorted(some)) for some in sets]


def _has_lead(faults, place):
    """Whether a place is that of a pack with a lead of its own to a bus bar."""
    own = place.owner if place.kind in ("pack", "inside") else None
    return any(branch.kind == "lead" and branch.owner == own for branch in faults.graph.branches)


def _through(faults, place):
    """Of every row of edges in series, in either direction, names of the packs that feed the fault through it."""
    answers = faults.chains(place).answers()
    most = np.abs(answers).max(axis=1, keepdims=True)
    least = np.where(most > NOTHING * most.max(), SHARE * (1.0 - SAME_FEED) * most, np.inf)
    names, found = faults.pack_names, set()
    for signed in (answers, -answers):
        for row in signed >= least:
            found.add(tuple(names[k] for k in np.flatnonzero(row)))
    return sorted(found - {()})

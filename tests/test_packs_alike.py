"""Packs that feed a fault alike: no figure hangs on the last digits of what they feed, and the unfavourable of them is told."""

import copy
from itertools import combinations

import numpy as np
import pytest

import simbank
from simbank.studies.protection import Assumptions
from simbank.studies.protection.breaking import Breaking
from simbank.studies.protection.clearing import clearing_checks, one_pack_alone
from simbank.studies.protection.connected_packs import connected, together
from simbank.studies.protection.faults import greatest_faults, least_faults
from simbank.studies.protection.withstand import Withstand, _Place, _Search, _Stage

COUNT = 10
ALIKE = "leads of pump, halfway"  # between take-offs at opposite ends of equal bars: from every pack just as far


def bank(growth=(1.0,) * COUNT, ratings=None):
    """The shipped workshop's bus bar with equal packs, invented, but for what their resistance has grown to and their fuses."""
    data = copy.deepcopy(simbank.example("valley_workshop").data)
    device = data["packs"][0]["device"] | {"interrupting_rating": "200 kA"}
    ratings = ratings or ["125 A"] * len(growth)
    data["packs"] = [
        {"name": f"P{k + 1}", "type": "box", "soc": 0.7, "resistance_growth": grown, "device": device | {"rating": rating}}
        for k, (grown, rating) in enumerate(zip(growth, ratings, strict=True))
    ]
    return simbank.from_dict(data).bank


def judged(made):
    """(rule, where) → check of every conductor's ∫ i² dt and of clearing in time at every place."""
    greatest, least = greatest_faults(made, Assumptions()), least_faults(made, Assumptions())
    breaks = Breaking.of(greatest)
    strong, weak = (
        [(c.words, {p.name: faults.follow(p, c.line, c.failed) for p in faults.places}) for c in breaks.open_cases]
        for faults in (greatest, least)
    )
    alone = [one_pack_alone(least, c) for c in breaks.open_cases]
    withstand = Withstand.of(greatest, least, breaks.open_cases, strong, weak, alone)
    checks = [
        *clearing_checks(made, least, breaks, weak, alone, Assumptions()),
        *(withstand.check(branch) for branch in made.graph.branches if branch.kind != "device"),
    ]
    return {(check.rule, check.where): check for check in checks}


@pytest.fixture(scope="module")
def equal():
    return judged(bank())


def test_conductors_in_mirror_places_are_asked_the_same(equal):
    """Seen from its other end the bar is the same with its poles exchanged; both halves of the packs feed the pump alike."""
    for k in range(1, COUNT + 1):
        here, there = equal["withstand", f"lead P{k} +"], equal["withstand", f"lead P{COUNT + 1 - k} -"]
        assert here.value == pytest.approx(there.value, rel=1e-6)
        assert here.value == pytest.approx(equal["withstand", f"lead P{k} -"].value, rel=1e-6)  # a pack's two leads are in series
    for k in range(1, COUNT):
        here, there = equal["withstand", f"bar {k}-{k + 1} +"], equal["withstand", f"bar {COUNT - k}-{COUNT - k + 1} -"]
        assert here.status == there.status
        assert here.value == pytest.approx(there.value, rel=1e-6)


@pytest.mark.parametrize("seed", [1, 2])
def test_the_last_digits_of_a_resistance_change_no_figure(equal, seed):
    chance = np.random.default_rng(seed)
    found = judged(bank(1.0 + 1e-12 * chance.standard_normal(COUNT)))
    assert {key: check.status for key, check in found.items()} == {key: check.status for key, check in equal.items()}
    for key, check in found.items():
        assert (check.value is None) == (equal[key].value is None)
        assert check.value is None or check.value == pytest.approx(equal[key].value, rel=1e-6), key


def test_no_other_packs_that_feed_alike_ask_more():
    """Every choice of half of six packs, of one, reckoned at steady currents at every point that is looked at."""
    made = bank((1.0,) * 6)
    greatest, least = greatest_faults(made, Assumptions()), least_faults(made, Assumptions())
    place = next(place for place in greatest.places if place.name == ALIKE)
    edges = greatest.circuit.n + greatest.circuit.b + 1

    def most(sets):
        search = _Search(greatest, "latest", frozenset(), np.zeros(edges), np.zeros(edges))
        for packs in sets:
            weak = _Stage.at_first(least.chains(place), least.only(place, packs))
            search.look(_Place(greatest, place, packs, abs(weak.fault_a(0.0))))
        return search.value

    looked_at = connected(least, place)
    sizes = {len(packs) for packs in looked_at}
    assert sizes == {6, 3, 1}
    every = most([packs for size in sizes for packs in combinations(greatest.pack_names, size)])
    assert most(looked_at) == pytest.approx(every, rel=0.01)
    for size in (3, 1):  # and one choice alone asks less of some conductor
        assert (most([packs for packs in looked_at if len(packs) == size][:1]) < 0.9 * every).any()


@pytest.mark.parametrize("ratings", [["100 A", "200 A"], ["200 A", "100 A"]])
def test_of_packs_that_feed_alike_the_slower_fuse_counts(ratings):
    """Alone, either pack feeds the same; only the smaller fuse opens soon."""
    made = bank((1.0, 1.0 + 1e-13), ratings)
    slower = f"device P{1 + ratings.index('200 A')}"
    least = least_faults(made, Assumptions())
    place = next(place for place in least.places if place.name.startswith("take-off"))
    case = Breaking.of(greatest_faults(made, Assumptions())).open_cases[0]
    pack, sequence = one_pack_alone(least, case, [place])[place.name]
    assert [opening.device for opening in sequence.openings] == [slower] == [f"device {pack}"]
    quicker = least.follow(place, case.line, closed=least.only(place, [f"P{1 + ratings.index('100 A')}"]))
    assert sequence.cleared_s > 3.0 * quicker.cleared_s


def test_sets_cover_what_feeds_through_each_conductor():
    """On a line fed from one end as many as can be of those beyond each link; each pack at least once."""
    names = list("ABCDEFG")
    beyond = [frozenset(names[k:]) for k in range(7)]
    for needed in range(1, 8):
        sets = together(names, needed, beyond)
        assert all(len(some) == len(set(some)) == needed for some in sets)
        assert set().union(*sets) == set(names)
        assert all(max(len(group.intersection(some)) for some in sets) == min(needed, len(group)) for group in beyond)

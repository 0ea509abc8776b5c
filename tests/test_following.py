"""A fault followed device by device: what saves time against the long way, each stage solved anew with every edge and all modes."""

import copy

import numpy as np
import pytest

import simbank
from simbank.studies.protection import Assumptions
from simbank.studies.protection.faults import (
    TIMES,
    device_rows,
    greatest_faults,
    least_faults,
    opening_times,
)


def workshop(count, seed=None, **device):
    """The shipped workshop's bus bar with ``count`` packs and invented devices, unequal by a seed."""
    data = copy.deepcopy(simbank.example("valley_workshop").data)
    own = data["packs"][0]["device"] | {"interrupting_rating": "200 kA"} | device
    data["packs"] = [{"name": "P", "count": count, "type": "box", "soc": 0.7, "device": own}]
    if seed is not None:
        chance = np.random.default_rng(seed)
        data["packs"] = [
            {"name": f"P{k}", "type": "box", "soc": 0.7, "resistance_growth": 1.0 + 0.05 * k, "capacity_left": 1.0 - 0.01 * k}
            | {"device": own | {"rating": f"{chance.choice([100, 125, 150])} A"}}
            for k in range(count)
        ]
    return simbank.from_dict(data).bank


def summed(rows, times):
    return np.vstack([np.zeros(rows.shape[1]), np.cumsum(np.diff(times)[:, None] * (rows[1:] + rows[:-1]) / 2.0, axis=0)])


def followed_the_long_way(faults, place, line, ohm, closed):
    """(device, time, current) of each opening, when it is cleared, ∫ i² dt and greatest current of every edge."""
    circuit, edge = faults.circuit, faults.device_edge
    rows, curves = device_rows(faults.bank.devices, line)
    closed = np.ones(circuit.n + circuit.b, bool) if closed is None else closed.copy()
    i2t, most = np.zeros((2, circuit.n + circuit.b + 1))
    damage, since, before, relaxed, clock, first, opened = np.zeros(len(rows)), None, None, None, 0.0, None, []
    while True:
        response = circuit.respond(place.positive, place.negative, closed, ohm, before, relaxed)
        response.__dict__["_short_s"] = -1.0  # by all modes, whatever the time
        left = faults.to_be_ended(response.initial_a, place)
        first = left if first is None else first
        if left <= 1e-6 * first:
            return opened, clock, i2t, most
        currents = response.at(TIMES)
        at, grown, picked = opening_times(currents[:, edge], rows, curves, damage, since)
        at[~closed[edge]] = np.inf
        d = -1 if not len(at) else int(np.argmax(at <= at.min(initial=np.inf) * (1.0 + 1e-9)))
        if d < 0 or not np.isfinite(at[d]) or clock + at[d] > 1000.0:
            return opened, None, i2t + summed(currents**2, TIMES)[-1], np.maximum(most, np.abs(currents).max(axis=0))
        k = max(1, int(np.searchsorted(TIMES, at[d])))
        share = (at[d] - TIMES[k - 1]) / (TIMES[k] - TIMES[k - 1])
        most = np.maximum(most, np.abs(currents[: np.searchsorted(TIMES, at[d]) + 1]).max(axis=0))
        square = summed(currents**2, TIMES)
        i2t = i2t + square[k - 1] + share * (square[k] - square[k - 1])
        damage = grown[k - 1] + share * (grown[k] - grown[k - 1])
        since = picked[np.searchsorted(TIMES, at[d], side="right") - 1] - at[d]
        before, relaxed = response.at([at[d]])[0], response.relaxed(at[d])
        clock += at[d]
        opened.append((faults.bank.devices[d].name, clock, abs(before[edge[d]])))
        closed[edge[d]] = False


BANKS = {
    "equal": lambda: workshop(4),
    "unequal": lambda: workshop(5, 3),
    "breakers": lambda: workshop(4, **{"class": "mccb"}),
    "strings": lambda: simbank.example("two_barn_strings").bank,
    "no device": lambda: simbank.example("classroom_chain").bank,
    "sixteen": lambda: workshop(16),
    "sixteen unequal": lambda: workshop(16, 1),
}


@pytest.mark.parametrize("name", BANKS)
def test_a_fault_is_followed_as_the_long_way_goes(name):
    bank = BANKS[name]()
    greatest, least = greatest_faults(bank, Assumptions()), least_faults(bank, Assumptions())
    per_kind = {place.kind: place for place in greatest.places}
    for place in per_kind.values():
        half = greatest.only(place, greatest.pack_names[::2])
        for faults, line, ohm, closed in (
            (greatest, "latest", 0.0, None), (least, "latest", 0.0, None), (greatest, "middle", 5e-3, half),
        ):  # fmt: skip
            found = faults.follow(place, line, ohm=ohm, closed=closed)
            opened, cleared, i2t, most = followed_the_long_way(faults, place, line, ohm, closed)
            assert [one.device for one in found.openings] == [device for device, _, _ in opened]
            assert [one.time_s for one in found.openings] == pytest.approx([time for _, time, _ in opened], rel=1e-8)
            assert [one.current_a for one in found.openings] == pytest.approx([current for _, _, current in opened], rel=1e-7)
            assert found.cleared_s == (None if cleared is None else pytest.approx(cleared, rel=1e-8))
            assert found.i2t == pytest.approx(i2t, rel=1e-7, abs=1e-9 * i2t.max(initial=0.0))
            assert found.most_a == pytest.approx(most, rel=1e-7, abs=1e-8 * most.max(initial=0.0))


def test_short_times_are_the_same_by_the_modes_of_inductances_and_by_all():
    """Also just after an opening, with the cells relaxed; and just on both sides of where the one hands over to the other."""
    for faults in (greatest_faults(workshop(16, 1), Assumptions()), least_faults(workshop(16), Assumptions())):
        place = next(place for place in faults.places if place.kind == "bar")
        before, relaxed = np.zeros(faults.circuit.n + faults.circuit.b + 1), np.linspace(0.0, 0.4, 2 * faults.circuit.n)
        short, whole = (faults.circuit.respond(place.positive, place.negative, None, 0.0, before, relaxed) for _ in range(2))
        whole.__dict__["_short_s"] = -1.0
        assert short._short_s > 1.0
        times = [0.0, *np.geomspace(1e-6, 0.999 * short._short_s, 60)]
        theirs = whole.at(times)
        assert short.at(times) == pytest.approx(theirs, rel=1e-8, abs=1e-8 * np.abs(theirs).max())
        assert short.relaxed(times[-1]) == pytest.approx(whole.relaxed(times[-1]), rel=1e-9)
        assert short.at([1.001 * short._short_s]) == pytest.approx(whole.at([1.001 * short._short_s]), rel=1e-12)


@pytest.mark.parametrize("name", ["equal", "unequal", "strings", "sixteen unequal"])
def test_one_pack_alone_at_all_places_is_each_solved_by_itself(name):
    faults = least_faults(BANKS[name](), Assumptions())
    for place in faults.places:
        whole, found = faults.to_be_ended(faults.response(place).initial_a, place), {}
        for pack in faults.pack_names:
            if place.kind == "inside" and place.owner == pack:
                continue
            row = faults.circuit.prospective(place.positive, place.negative, faults.only(place, [pack]))
            if faults.to_be_ended(row, place) > 1e-6 * whole:
                found[pack] = faults.to_be_ended(row, place), abs(row[-1])
        ours = {pack: (feed, current) for feed, pack, current in faults.one_by_one(place)}
        assert set(ours) == set(found)
        assert all(ours[pack] == pytest.approx(found[pack], rel=1e-9) for pack in found)
        feeds = [feed for feed, _, _ in faults.one_by_one(place)]
        assert all(feeds[k] <= feeds[k + 1] * (1 + 1e-8) for k in range(len(feeds) - 1))

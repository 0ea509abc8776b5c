"""A fault followed device by device: what saves time against the long way, each stage solved anew with every edge and all modes."""

import copy

import numpy as np
import pytest
from test_protection import on_strings

import simbank
from simbank.simulation import arrays as ar
from simbank.simulation.devices import damage_rates
from simbank.studies.protection import Assumptions
from simbank.studies.protection.connected_packs import connected
from simbank.studies.protection.faults import (
    TIMES,
    device_rows,
    greatest_faults,
    least_faults,
    opening_times,
)
from simbank.studies.protection.shorted import alike, charging_ports, shorted_cases
from simbank.studies.protection.shorted_cell import shorted_cells
from simbank.studies.protection.withstand import _Place, _Search


def workshop(count, seed=None, **device):
    return workshop_scenario(count, seed, **device).bank


def workshop_scenario(count, seed=None, **device):
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
    return simbank.from_dict(data)


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
        d = -1 if not len(at) else int(np.argmax(clock + at <= (clock + at.min(initial=np.inf)) * (1.0 + 1e-9)))
        if d < 0 or not np.isfinite(at[d]) or clock + at[d] > 1000.0:
            return opened, None, i2t + summed(currents**2, TIMES)[-1], np.maximum(most, np.abs(currents).max(axis=0))
        k = max(1, int(np.searchsorted(TIMES, at[d])))
        share = (at[d] - TIMES[k - 1]) / (TIMES[k] - TIMES[k - 1])
        reached = np.searchsorted(TIMES, at[d]) if at[d] > 1e-9 * clock else 0  # no time passes between openings at one instant
        most = np.maximum(most, np.abs(currents[: reached + 1]).max(axis=0))
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
    "strings": lambda: on_strings().bank,
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
        # of strings all: with two packs alone equal fuses stand in series, and round-off says whether the second opens with the first
        half = None if name == "strings" else greatest.only(place, greatest.pack_names[::2])
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


def test_a_bus_bar_is_the_same_seen_from_its_other_end():
    """With the take-offs at opposite ends and equal packs; not so where they are at one end, or where one pack is another."""
    data = copy.deepcopy(workshop_scenario(5).data)
    assert alike(simbank.from_dict(data).bank) == {"P1": "P1", "P2": "P2", "P3": "P3", "P4": "P2", "P5": "P1"}
    one_end = copy.deepcopy(data)
    one_end["wiring"]["bar"]["take_off_negative"] = 0.0
    assert set(alike(simbank.from_dict(one_end).bank).values()) == {f"P{k}" for k in range(1, 6)}
    other = copy.deepcopy(data)
    other["packs"] = [{"name": f"P{k}", "type": "box", "soc": 0.7} for k in range(1, 6)]
    other["packs"][1]["resistance_growth"] = 1.3
    assert set(alike(simbank.from_dict(other).bank).values()) == {f"P{k}" for k in range(1, 6)}


def test_what_is_handed_on_to_the_other_end_is_what_a_run_there_gives():
    scenario = workshop_scenario(5)
    found, failed, note = shorted_cases(scenario)
    assert not failed
    assert "(P1, P2, P3 were followed)" in note
    for row in found["P5"]:
        if row.case == "most energy":
            start = {"soc": row.neighbours_soc_start, "own_soc": row.soc_start}
        elif row.case == "every pack full":
            start = {"soc": 1.0}
        else:
            continue
        charging = None if row.charger == "none" else charging_ports(scenario)[0]
        own = shorted_cells(scenario.bank, "P5", charging=charging, **start)
        assert row.energy_wh == pytest.approx(own.energy_wh, rel=1e-5)
        assert row.peak_a == pytest.approx(own.peak_a, rel=1e-5)
        assert row.opened == own.opened
        assert row.ended_by == own.ended_by
        assert row.device.name == own.device.name
        assert list(row.table.columns) == list(own.table.columns)
        ours = row.table[[f"P{k}_a" for k in range(1, 5)]].iloc[1]
        assert ours.to_numpy() == pytest.approx(own.table[ours.index].iloc[1].to_numpy(), rel=1e-4)


def steadily_the_long_way(faults, place, closed, ohm, line):
    """∫ i² dt and greatest current of every edge, and who opened: currents by Thevenin's theorem, the whole network solved at each stage."""
    rows, curves = device_rows(faults.bank.devices, line)
    edge, closed, opened = faults.device_edge, closed.copy(), []
    damage, since, clock, first = np.zeros(len(rows)), np.full(len(rows), np.inf), 0.0, None
    i2t, most = np.zeros((2, len(closed) + 1))
    while True:
        currents = faults.circuit.prospective(place.positive, place.negative, closed, ohm)
        left = faults.to_be_ended(currents, place)
        first = left if first is None else first
        if left <= 1e-6 * first:
            return i2t, most, opened
        most = np.maximum(most, np.abs(currents))
        through = np.abs(currents[edge])
        rate = damage_rates(through[None, :].copy(), rows, curves)[0]
        over = through >= rows[:, ar.PICKUP_MULTIPLE] * rows[:, ar.RATING_A]
        since = np.where(over, np.minimum(since, clock), np.inf)
        at = np.divide(np.maximum(0.0, 1.0 - damage), rate, out=np.full(len(rate), np.inf), where=rate > 0)
        at = np.minimum(at, np.maximum(0.0, since + rows[:, ar.PICKUP_DELAY_S] - clock))
        at[~closed[edge]] = np.inf
        d = int(np.argmax(clock + at <= (clock + at.min()) * (1.0 + 1e-9)))
        if clock + at[d] > 1000.0:
            return i2t + currents**2 * 1000.0, most, opened
        i2t, damage, clock = i2t + currents**2 * at[d], damage + rate * at[d], clock + at[d]
        closed[edge[d]] = False
        opened.append(d)


@pytest.mark.parametrize("name", ["equal", "unequal", "breakers", "strings", "sixteen unequal"])
def test_withstand_looks_at_what_the_whole_network_solved_anew_gives(name):
    bank = BANKS[name]()
    greatest, least = greatest_faults(bank, Assumptions()), least_faults(bank, Assumptions())
    search = _Search(greatest, "latest", frozenset(), np.zeros(greatest.circuit.n + greatest.circuit.b + 1), np.inf)
    looked = 0
    for place in {place.kind: place for place in greatest.places}.values():
        for packs in connected(least, place):
            here = _Place(greatest, place, packs, 10.0)
            found = here.resistances(frozenset(), search.wanted)
            for ohm, d, current, _ in found[:: max(1, len(found) // 4)]:
                looked += 1
                at_once = greatest.circuit.prospective(place.positive, place.negative, greatest.only(place, packs), ohm)
                assert abs(at_once[greatest.device_edge[d]]) == pytest.approx(current, rel=1e-9)
                i2t, most, met = here.follow(ohm, search.rows, search.curves, search.never)
                theirs = steadily_the_long_way(greatest, place, greatest.only(place, packs), ohm, "latest")
                assert met == [frozenset(theirs[2][:k]) for k in range(len(theirs[2]) + 1)]
                assert i2t == pytest.approx(theirs[0], rel=1e-8, abs=1e-9 * theirs[0].max())
                assert most == pytest.approx(theirs[1], rel=1e-8, abs=1e-9 * theirs[1].max())
    assert looked > 20


def test_a_feed_is_told_the_same_with_every_sample_and_with_those_that_are_told():
    """Every 15 s throughout the day, or at the rows of the table and where the feed ends."""
    bank = workshop(4)
    for start in ({"soc": 1.0}, {"soc": 1.0, "own_soc": 0.0}, {"soc": 0.9, "own_soc": 0.3}, {"soc": None}):
        every, told = shorted_cells(bank, "P2", output_step_s=15.0, **start), shorted_cells(bank, "P2", **start)
        for figure in ("peak_a", "energy_wh", "short_wh", "hours", "good_cell_volt_max", "good_cell_soc_end", "overcharge_wh"):
            assert getattr(told, figure) == pytest.approx(getattr(every, figure), rel=1e-9)
        assert (told.ended_by, told.opened, told.stopped_by) == (every.ended_by, every.opened, every.stopped_by)
        assert told.table.index.equals(every.table.index)
        columns = ["feed_a", "terminal_v", "soc", "P1_a"]
        assert told.table[columns].to_numpy() == pytest.approx(every.table[columns].to_numpy(), rel=1e-6, abs=1e-6)
        # fed within seconds, before the first sample: up to the voltage, which falls meanwhile
        assert told.table["energy_wh"].iloc[-1] == pytest.approx(told.energy_wh, rel=1e-3 if told.opens_s is None else 0.2)


def test_closer_steps_find_hardly_more_energy(monkeypatch):
    """What is told of the search for the start of most energy: at most 0.3 % more by steps a sixteenth as wide."""

    def most():
        found, _, note = shorted_cases(workshop_scenario(4, 3))
        assert "found up to 0.3 % more energy" in note
        return {(name, r.charger): r.energy_wh for name, rows in found.items() for r in rows if r.case == "most energy"}

    told = most()
    monkeypatch.setattr("simbank.studies.protection.shorted.HALVINGS", 7)
    closer = most()
    assert all(closer[key] <= 1.003 * told[key] for key in told)
    assert closer != told


@pytest.mark.parametrize("count", [6, 9])
def test_a_place_is_told_by_its_mirror_image(count):
    bank = workshop(count)
    for faults, line in ((greatest_faults(bank, Assumptions()), "latest"), (least_faults(bank, Assumptions()), "middle")):
        assert len(faults.mirrors) == 2 * (count // 2)
        places = {place.name: place for place in faults.places}
        for name, mirror in faults.mirrors.items():
            ours = mirror.told(faults.follow(mirror.image, line), ())
            theirs = faults.follow(places[name], line)
            assert ours is None or [one.device for one in ours.openings] == [one.device for one in theirs.openings]
            if ours is None:  # devices that open at one instant: in the order of the file
                continue
            assert [one.time_s for one in ours.openings] == pytest.approx([one.time_s for one in theirs.openings], rel=1e-10)
            for figure in ("i2t", "most_a", "end_a"):
                wanted = getattr(theirs, figure)
                assert getattr(ours, figure) == pytest.approx(wanted, rel=1e-9, abs=1e-9 * np.abs(wanted).max())
        each = faults.follow_each([(place, line, ()) for place in faults.places])
        for place, sequence in zip(faults.places, each, strict=True):
            theirs = faults.follow(place, line)
            assert [one.device for one in sequence.openings] == [one.device for one in theirs.openings]
            assert sequence.cleared_s == (None if theirs.cleared_s is None else pytest.approx(theirs.cleared_s, rel=1e-10))


def test_a_place_whose_image_has_other_devices_that_never_open_is_followed():
    faults = greatest_faults(workshop(6), Assumptions())
    mirror = faults.mirrors["bus bar at P5"]
    assert mirror.told(faults.follow(mirror.image, "latest", {"device P1"}), {"device P1"}) is None
    both = {"device P2", "device P5"}
    ours = mirror.told(faults.follow(mirror.image, "latest", both), both)
    theirs = next(faults.follow(place, "latest", both) for place in faults.places if place.name == "bus bar at P5")
    assert ours.cleared_s is None
    assert theirs.cleared_s is None
    assert ours.still_carrying == theirs.still_carrying
    assert ours.fed_by == theirs.fed_by
    assert ours.end_a == pytest.approx(theirs.end_a, rel=1e-9, abs=1e-6)


def test_nothing_is_an_image_where_packs_or_conductors_differ():
    assert not greatest_faults(workshop(7, 2), Assumptions()).mirrors
    data = copy.deepcopy(workshop_scenario(7).data)
    data["wiring"]["added"] = {"lead P2 +": "0.2 milliohm"}
    scenario = simbank.from_dict(data)
    assert len(greatest_faults(workshop(7), Assumptions()).mirrors) == 6
    assert not greatest_faults(scenario.bank, Assumptions()).mirrors

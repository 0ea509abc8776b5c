"""Fault places, and the maximum and minimum prospective short-circuit current at each."""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from simbank.bank.bank import Place
from simbank.cells.curves import stack_curves
from simbank.network import Network
from simbank.simulation import arrays as ar
from simbank.simulation.devices import damage_rate
from simbank.simulation.setup import device_array
from simbank.studies.parallel import in_order
from simbank.studies.protection.connected_packs import alike_at, in_order_of_feed
from simbank.studies.protection.fault_circuit import FaultCircuit, case_packs, pack_sources
from simbank.studies.protection.following import CLEARED_SHARE, TIMES, Chains, DamageCourse, Opening, Sequence, followed
from simbank.studies.protection.mirror import Mirror, mirrors

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable

    from simbank.bank import Bank
    from simbank.bank.equipment import Device
    from simbank.studies.protection.assumptions import Assumptions
    from simbank.studies.protection.fault_course import Response

__all__ = [
    "LINES",
    "MOMENTS",
    "TIMES",
    "CasesByPlace",
    "Faults",
    "Opening",
    "Sequence",
    "device_rows",
    "fault_tables",
    "greatest_faults",
    "least_faults",
    "line_of",
    "opening_times",
    "steady_time",
]

LINES = ("soonest", "middle", "latest")  # of a device's band; :func:`line_of` knows "level" besides
MOMENTS = {"after_10ms_a": 0.01, "after_100ms_a": 0.1, "after_1s_a": 1.0}
HALVES = ("bank half", "port half")


@lru_cache(maxsize=4096)  # the same devices are asked for in every run of a shorted cell
def line_of(device: Device, line: str) -> Device:
    """A device with one line of its band as its curve; without a band its middle.

    Line "level" is the latest with a curve that is its own held level beyond its last point: more current cannot open it later,
    so this is the longest that the stated points allow.
    """
    if device.band is None or line == "middle":
        return device
    trip = device.band[0 if line == "soonest" else 1]
    multiples, seconds = trip.multiples, trip.seconds
    if line == "level" and device.class_name is None:
        multiples, seconds = (*multiples, 10.0 * multiples[-1]), (*seconds, seconds[-1])
    return replace(
        device,
        multiples=multiples,
        seconds=seconds,
        least_multiple=trip.least_multiple,
        instant_multiple=trip.instant_multiple,
        instant_s=trip.instant_s,
    )


def device_rows(devices: Iterable[Device], line: str) -> tuple:
    """Devices by one line of their bands as numbers: rows and curves for compiled code."""
    devices = [line_of(device, line) for device in devices]
    return device_array(devices), stack_curves([d.curve for d in devices])


def opening_times(
    currents: np.ndarray, rows, curves, damage: np.ndarray | None = None, since: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """When each device opens [s] if currents at :data:`TIMES`, or the first of them, go on so; infinite if it does not.

    By :class:`~simbank.studies.protection.following.DamageCourse`.

    Parameters
    ----------
    currents : ndarray, shape (m, d)
        Of each device at the first m of :data:`TIMES` [A]. With fewer than all, what opens later than the last of them is not known,
        and told as never or later than it.
    rows, curves
        See :func:`device_rows`.
    damage : ndarray, shape (d,), optional
        At the first time; none by default.
    since : ndarray, shape (d,), optional
        Since when each has carried its pickup current [s], before the first time; see
        :func:`simbank.simulation.devices.picked_up_since`. By default none has.

    Returns
    -------
    at : ndarray, shape (d,)
        [s]
    grown : ndarray, shape (m, d)
        Damage at each time.
    picked : ndarray, shape (m, d)
        Since when each carries its pickup current, at each time [s].
    """
    none = np.zeros(len(rows)), np.full(len(rows), np.inf)
    course = DamageCourse(rows, curves, none[0] if damage is None else damage, none[1] if since is None else since)
    at = course.grow(currents, 0, len(currents), goes_on=True)
    return at, course.grown, course.picked


def steady_time(d: int, current: float, rows, curves) -> float:
    """Time after which device ``d`` opens at a steady current [s]: 1 ÷ the rate of damage, or its instantaneous release."""
    rate = damage_rate(d, current, 0.0, rows, curves)
    at = 1.0 / rate if rate > 0 else np.inf
    return min(at, rows[d, ar.PICKUP_DELAY_S]) if current >= rows[d, ar.PICKUP_MULTIPLE] * rows[d, ar.RATING_A] else at


class Faults:
    """Fault currents of a bank in one case.

    Parameters
    ----------
    bank : Bank
    soc, temperature_k, hysteresis, as_new
        State of the packs; see :func:`simbank.studies.protection.fault_circuit.case_packs`.
    conductor_k : float, optional
        Temperature to which the conductors have warmed [K]; as in the file by default. One that is hotter in the file stays so. A
        conductor given by its resistance counts as measured at its temperature in the file and warms by the coefficient of its
        material: taken as cold it would overstate the least current. Joints, devices and what ``wiring.added`` puts in a branch
        stay as given.
    pack_h : float
        Inductance of each pack [H].

    Attributes
    ----------
    places : list of Place
        Where a fault is asked for, those at the same two nodes joined into one.
    named : dict of Place to Place
        Every place that has a name of its own → the one in ``places`` that stands for it.
    """

    def __init__(self, bank, *, soc, temperature_k, hysteresis, as_new, conductor_k=None, pack_h=0.0):
        self.bank = bank
        self.graph, halfway, self._whole = _halved(bank.graph)
        self.named = _distinct([*bank.places, *_behind_devices(bank), *halfway], self.graph)
        self.places = list(dict.fromkeys(self.named.values()))
        packs = case_packs(bank.packs, soc=soc, temperature_k=temperature_k, hysteresis=hysteresis, as_new=as_new)
        ohm = None
        if conductor_k is not None:
            ohm = [
                b.resistance_ohm + (b.conductor.warmed(conductor_k).metal_ohm - b.conductor.metal_ohm if b.conductor else 0.0)
                for b in self.graph.branches
            ]
        self.sources = pack_sources(packs, bank.ambient_k)
        self.circuit = FaultCircuit(self.graph, self.sources, bank.spacing_m, pack_h, ohm)
        self.pack_names = [pack.name for pack in packs]
        self.branch_names = [branch.name for branch in self.graph.branches]
        n = len(packs)
        self.device_edge = np.array([n + self.branch_names.index(d.branch) for d in bank.devices], int)
        self._of_line, self._responses, self._chains = {}, {}, {}
        self._alone, self._alone_kind, self._left, self._packs_lost = {}, {}, {}, {}

    def edges_of(self, branch: str) -> list[int]:
        """Edges that are a branch of the bank's own graph, whole or in halves."""
        return [len(self.pack_names) + k for k, whole in enumerate(self._whole) if whole == branch]

    def edges_with_device(self, branch: str) -> list[int]:
        """:meth:`edges_of` a branch, and of a lead of a port or string its devices.

        A fault at the very beginning of the leads sends through them what the devices before them carry.
        """
        role = {b.name: b for b in self.bank.graph.branches}.get(branch)
        if role is None or role.kind != "lead" or (role.role != "port" and role.owner not in self.bank.strings):
            return self.edges_of(branch)
        return [*self.edges_of(branch), *self.device_edge[[d.owner == role.owner for d in self.bank.devices]].tolist()]

    def at(self, place: Place) -> Faults:
        """The case whose wiring a fault at a place meets: this one; of :class:`CasesByPlace`, that which it has for the place."""
        return self

    def response(self, place: Place) -> Response:
        """:class:`~simbank.studies.protection.fault_course.Response` to a fault at a place with every switch closed."""
        if place.name not in self._responses:
            self._responses[place.name] = self.circuit.respond(place.positive, place.negative)
        return self._responses[place.name]

    @cached_property
    def mirrors(self) -> dict[str, Mirror]:
        """Name of a place → its :class:`~simbank.studies.protection.mirror.Mirror`, where it is the image of an earlier one."""
        return mirrors(self)

    def follow_each(
        self, work: Collection[tuple[Place, str, Collection[str]]], tell: Callable[[float], None] = lambda done: None
    ) -> list[Sequence]:
        """:meth:`follow` for each (place, line of the bands, devices that never open), in copies of this process where that pays.

        A place that is another's image is told by what is followed there, if that is among ``work``.
        """
        found, asked = {}, {(place.name, line, frozenset(failed)) for place, line, failed in work}

        def there(place, line, failed):
            mirror = self.mirrors.get(place.name)
            key = None if mirror is None else (mirror.image.name, line, frozenset(failed))
            return key if key in asked else None

        first = [one for one in work if there(*one) is None]
        for one, sequence in zip(first, in_order(self.follow, first, tell=tell), strict=True):
            found[one[0].name, one[1], frozenset(one[2])] = sequence
        for place, line, failed in [one for one in work if there(*one) is not None]:
            told = self.mirrors[place.name].told(found[there(place, line, failed)], failed)
            found[place.name, line, frozenset(failed)] = self.follow(place, line, failed) if told is None else told
        return [found[place.name, line, frozenset(failed)] for place, line, failed in work]

    def chains(self, place: Place) -> Chains:
        """:class:`~simbank.studies.protection.following.Chains` of a fault at a place."""
        if place.name not in self._chains:
            self._chains[place.name] = Chains(self.circuit, self.response(place).loops)
        return self._chains[place.name]

    def respond_everywhere(self) -> None:
        """Work out :meth:`response` at every place, its course too, in copies of this process where that pays."""

        def one(place):
            response = self.circuit.respond(place.positive, place.negative)
            response.at([0.0])
            return response

        places = [place for place in self.places if place.name not in self._responses]
        found = in_order(one, [(place,) for place in places])
        self._responses |= {place.name: response for place, response in zip(places, found, strict=True)}

    def to_be_ended(self, currents: np.ndarray, place: Place) -> np.ndarray:
        """The part of the fault's current that devices can be asked to end [A]: all of it, or inside a pack its neighbours'."""
        own = currents[..., self.pack_names.index(place.owner)] if place.kind == "inside" else 0.0
        return np.abs(currents[..., -1] - own)

    def clearing_device(self, place: Place, failed: Collection[str] = ()) -> Device | None:
        """The device whose opening alone ends the fault, with the least of the bank behind it; None if no single one does.

        ``failed`` names devices that count as failed closed.
        """
        whole = self.to_be_ended(self.response(place).initial_a, place)
        found = [
            (self._lost(d), d)
            for d, device in enumerate(self.bank.devices)
            if device.name not in failed and self._left_without(d)[place] <= CLEARED_SHARE * whole
        ]
        return self.bank.devices[min(found)[1]] if found else None

    def _without(self, d):
        """Which packs and branches conduct with device ``d`` open."""
        closed = np.ones(self.circuit.n + self.circuit.b, bool)
        closed[self.device_edge[d]] = False
        return closed

    def _left_without(self, d):
        """Place → what is left to be ended there with device ``d`` open [A]."""
        if d not in self._left:
            ends = [(place.positive, place.negative) for place in self.places]
            currents = self.circuit.prospective_each(ends, self._without(d))
            self._left[d] = {place: self.to_be_ended(row, place) for place, row in zip(self.places, currents, strict=True)}
        return self._left[d]

    def _lost(self, d):
        """How many packs no longer reach any port with device ``d`` open."""
        if d not in self._packs_lost:
            closed, n = self._without(d), self.circuit.n
            reduced = Network(self.graph, self.sources[1]).reduce(closed[:n], closed[n:])
            self._packs_lost[d] = int(np.sum(~np.any(np.abs(reduced.hybrid[:n, n:]) > 1e-12, axis=1)))
        return self._packs_lost[d]

    def _lines(self, line):
        if line not in self._of_line:
            self._of_line[line] = device_rows(self.bank.devices, line)
        return self._of_line[line]

    def opening_times(self, currents, line, damage=None, since=None):
        """:func:`opening_times` of the bank's devices by one line of their bands."""
        return opening_times(currents, *self._lines(line), damage, since)

    def steady_time(self, d, current, line):
        """:func:`steady_time` of device ``d`` by one line of its band."""
        return steady_time(d, current, *self._lines(line))

    def first_openings(self, place: Place, lines: Iterable[str]) -> tuple[dict[str, np.ndarray], np.ndarray]:
        """By line, when each device would open if no other did [s], shape (d,); and its greatest current [A], shape (d,)."""
        currents = self.response(place).at(TIMES)[:, self.device_edge]
        return {line: self.opening_times(currents, line)[0] for line in lines}, np.abs(currents).max(axis=0, initial=0.0)

    def only(self, place: Place, packs: Collection[str]) -> np.ndarray:
        """Which packs and branches conduct with some of the packs connected, by name; beside a fault inside a pack, that pack too."""
        closed = np.ones(self.circuit.n + self.circuit.b, bool)
        own = [place.owner] if place.kind == "inside" else []
        closed[: self.circuit.n] = [name in (*packs, *own) for name in self.pack_names]
        return closed

    def one_by_one(self, place: Place) -> list[tuple[float, str, float]]:
        """(feed [A], pack, the fault's current at once [A]) with each pack alone connected, the least feed first.

        Packs that feed alike but for round-off are in the order of the file.

        Only packs that feed the fault; into a fault inside a pack, the feed is what comes from the other.
        """
        if place.name not in self._alone:
            self.look_one_by_one([place])
        return self._alone[place.name]

    def look_one_by_one(self, places: Collection[Place]) -> None:
        """Find what :meth:`one_by_one` gives at several places, which takes little longer than at one.

        In a bolted fault inside a pack, that pack and the rest of the bank see a short circuit each: what the pack itself drives is its
        E ÷ R, whatever the others do, so that its neighbours are looked at without it.
        """
        circuit, places = self.circuit, list(places)
        ends = [(place.positive, place.negative) for place in places]
        whole = np.array([self.to_be_ended(self.response(place).initial_a, place) for place in places])
        own = np.array([self.pack_names.index(place.owner) if place.kind == "inside" else -1 for place in places])
        alone = np.where(own >= 0, (circuit.emf / circuit.pack_ohm)[own], 0.0)
        found = {place.name: [] for place in places}
        for k, name in enumerate(self.pack_names):
            closed = np.ones(circuit.n + circuit.b, bool)
            closed[: circuit.n] = np.arange(circuit.n) == k
            currents = circuit.prospective_each(ends, closed)
            feeds = currents[:, -1]
            asked = np.abs(currents[:, self.device_edge]) > CLEARED_SHARE * np.abs(feeds)[:, None]
            for j in np.flatnonzero((np.abs(feeds) > CLEARED_SHARE * whole) & (own != k)):
                found[places[j].name].append((float(abs(feeds[j])), name, float(abs(feeds[j] + alone[j]))))
                devices = sorted(self._device_kinds[d] for d in np.flatnonzero(asked[j]))
                self._alone_kind[places[j].name, name] = self._pack_kinds[k], tuple(devices)
        self._alone |= {name: in_order_of_feed(feeds, self.pack_names) for name, feeds in found.items()}

    def weakest(self, place: Place) -> tuple[str, float] | None:
        """(pack, the fault's current at once [A]) with that one pack alone connected that feeds least; None if no pack feeds it."""
        found = self.one_by_one(place)
        return found[0][1:] if found else None

    def weakest_of_each_kind(self, place: Place) -> list[str]:
        """Of the packs that feed least, alike but for round-off, the first of each kind: of those whose devices open alike."""
        found = self.one_by_one(place)
        if not found:
            return []
        names = [found[k][1] for k in alike_at(np.array([feed for feed, _, _ in found]), 0)]
        kinds = {}
        for name in names:
            kinds.setdefault(self._alone_kind[place.name, name], name)
        return list(kinds.values())

    @cached_property
    def _pack_kinds(self):
        """Of every pack its figures in this case, to seven digits: packs of which they are the same open devices alike."""
        figures = np.column_stack([*self.sources[:2], self.circuit.henry[: self.circuit.n], *self.sources[2:]])
        return [" ".join(f"{figure:.6e}" for figure in row) for row in figures]

    @cached_property
    def _device_kinds(self):
        """Of every device the number of the first that is equal to it but for its name and place."""
        bare = [replace(device, name="", branch="", owner="", in_series=()) for device in self.bank.devices]
        return [bare.index(device) for device in bare]

    def follow(
        self, place: Place, line: str, failed: Collection[str] = (), *, ohm: float = 0.0, closed: np.ndarray | None = None
    ) -> Sequence:
        """The fault from its beginning until it is cleared or no more device opens.

        ``failed`` names devices that never open; ``ohm`` is the fault's own resistance; ``closed`` says which packs and branches
        conduct at the beginning (all).
        """
        devices = self.bank.devices
        return followed(
            self.chains(place), [device.name for device in devices], self.device_edge, self._lines(line),
            np.array([device.name in failed for device in devices], bool), lambda currents: self.to_be_ended(currents, place),
            ohm=ohm, closed=closed, packs=self.pack_names,
        )  # fmt: skip


class CasesByPlace(Faults):
    """For each place one of several cases of banks that are wired alike, to be judged as if they were one bank's.

    Parameters
    ----------
    cases : dict of str to Faults
        Name of a place → the case for faults there.
    """

    def __init__(self, cases):
        vars(self).update(vars(next(iter(cases.values()))))
        self.cases, self.mirrors = cases, {}  # no place is surely the image of another, whose case is another

    def at(self, place: Place) -> Faults:
        return self.cases[place.name]

    def response(self, place: Place) -> Response:
        return self.at(place).response(place)

    def one_by_one(self, place: Place) -> list[tuple[float, str, float]]:
        return self.at(place).one_by_one(place)

    def weakest_of_each_kind(self, place: Place) -> list[str]:
        return self.at(place).weakest_of_each_kind(place)

    def follow(self, place: Place, line: str, failed: Collection[str] = (), **how: Any) -> Sequence:
        return self.at(place).follow(place, line, failed, **how)


def greatest_faults(bank: Bank, assumptions: Assumptions) -> Faults:
    """:class:`Faults` of the greatest case that :class:`~simbank.studies.protection.Assumptions` states."""
    return Faults(bank, soc=1.0, temperature_k=assumptions.warm_k, hysteresis=1.0, as_new=True, pack_h=assumptions.pack_h)


def least_faults(bank: Bank, assumptions: Assumptions) -> Faults:
    """:class:`Faults` of the least case that :class:`~simbank.studies.protection.Assumptions` states."""
    return Faults(
        bank, soc=assumptions.low_soc, temperature_k=assumptions.cold_k, hysteresis=-1.0, as_new=False,
        conductor_k=assumptions.hot_conductor_k, pack_h=assumptions.pack_h,
    )  # fmt: skip


def fault_tables(greatest: Faults, least: Faults) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Currents of every place, and how packs and branches share them: ``Protection.faults`` and ``.shares``."""
    rows, shares = {}, {}
    edges = [*greatest.pack_names, *greatest.branch_names, "fault"]
    times = np.concatenate([[0.0], np.geomspace(1e-6, 10.0, 351)])
    greatest.respond_everywhere()
    weakest = {place.name: least.response(place).initial_a[-1] for place in least.places}
    least.look_one_by_one(least.places)
    one_pack = {place.name: least.weakest(place) or (None, np.nan) for place in least.places}
    for place in greatest.places:
        response = greatest.response(place)
        current = np.abs(response.at(times)[:, -1])
        peak = current.max()
        rise = np.interp(0.632, current[: current.argmax() + 1] / peak, times[: current.argmax() + 1]) if peak > 0 else np.nan
        at = response.at(list(MOMENTS.values()))[:, -1]
        rows[place.name] = {
            "kind": place.kind, "owner": place.owner, "initial_a": abs(response.initial_a[-1]), "peak_a": peak,
            **dict(zip(MOMENTS, np.abs(at), strict=True)), "rise_ms": rise * 1e3, "least_a": abs(weakest[place.name]),
            "least_one_pack_a": one_pack[place.name][1], "least_one_pack": one_pack[place.name][0],
        }  # fmt: skip
        shares[place.name] = dict(zip(edges, response.initial_a, strict=True))
    faults, shares = pd.DataFrame(rows).T.infer_objects(), pd.DataFrame(shares).T
    faults.index.name = shares.index.name = "place"
    return faults, shares


def _halved(graph):
    """The graph with every port's leads cut in the middle, the places there, and the name of the branch that each was before."""
    branches, places, whole = [], [], []
    for branch in graph.branches:
        if branch.kind != "lead" or branch.role != "port":
            branches.append(branch)
            whole.append(branch.name)
            continue
        whole += [branch.name] * len(HALVES)
        owner = branch.owner
        middle = f"{owner} halfway{branch.pole}"
        part = branch.conductor and replace(
            branch.conductor,
            length_m=branch.conductor.length_m / 2,
            joints=branch.conductor.joints // 2,
            fixed_resistance_ohm=branch.conductor.fixed_resistance_ohm and branch.conductor.fixed_resistance_ohm / 2,
        )
        for half, ends in zip(HALVES, ((branch.from_node, middle), (middle, branch.to_node)), strict=True):
            from_node, to_node = ends
            branches.append(
                replace(
                    branch, name=f"{branch.name} ({half})", from_node=from_node, to_node=to_node,
                    resistance_ohm=branch.resistance_ohm / 2, conductor=part,
                )
            )  # fmt: skip
        if branch.pole == "+":
            places.append(Place(f"leads of {owner}, halfway", "lead", owner, f"{owner} halfway+", f"{owner} halfway-"))
    return replace(graph, branches=tuple(branches)), places, whole


def _behind_devices(bank):
    """Where the leads of every port and string with a device begin, just behind it: no place on its load side is fed through less resistance."""
    owned = {
        (device.owner, branch.role) for device in bank.devices for branch in bank.graph.branches if branch.name == device.branch
    }
    found = []
    for role, lead_role, names, words in (("port", "port", bank.graph.ports, ""), ("string", "unit", bank.strings, "string ")):
        leads = {(b.owner, b.pole): b.from_node for b in bank.graph.branches if b.kind == "lead" and b.role == lead_role}
        for name in names:
            if (name, role) in owned and (name, "+") in leads and (name, "-") in leads:
                place = f"leads of {words}{name}, at its device"
                found.append(Place(place, "device", name, leads[name, "+"], leads[name, "-"]))
    return found


def _distinct(places, graph):
    """Place → the one that stands for it: places whose nodes are the same are one, under all their names."""
    found = {}
    for place in places:
        key = graph.node(place.positive), graph.node(place.negative)
        if key[0] != key[1]:
            found.setdefault(key, []).append(place)
    joined = {places[0]: replace(places[0], name=", ".join(place.name for place in places)) for places in found.values()}
    return {place: joined[places[0]] for places in found.values() for place in places}

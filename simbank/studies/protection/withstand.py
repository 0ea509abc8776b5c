"""Whether conductors stand ∫ i² dt of a fault, over the currents that a fault can have.

∫ i² dt is not greatest at the greatest current: where a device's curve falls more steeply than 1/I² less current does more harm,
and just below an instantaneous setting the same device takes seconds instead of milliseconds. Any current between the least and
the greatest can arise: by resistance in the fault, by the packs' temperature and charge, by packs that are switched off. IEC
60364-4-43 434.5 asks for the check over that range (from memory). Judged are

- the greatest and the least case, and the least with one pack alone, followed in full;
- currents between greatest and least, with all packs, with half of them, a quarter and so on down to one: resistance in the fault
  of the greatest case, so much that one device carries just less than its instantaneous setting or what a point of its curve is
  given for, before or after others have opened. On straight lines of log-log paper ∫ i² dt is a power of the current, so of one
  device it is greatest at such a point. All are reckoned at steady currents; those that come out worst for some conductor are
  then followed in full.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simbank.bank.ampacity import conductor_ampacity, conductor_withstand
from simbank.simulation import arrays as ar
from simbank.simulation.devices import damage_rates, picked_up_since
from simbank.studies.protection.checks import CONDUCTOR, CURVE, hangs_on, judge, unknown
from simbank.studies.protection.faults import Sequence, device_rows, line_of
from simbank.studies.protection.following import CLEARED_SHARE, FAULT_HORIZON_S
from simbank.studies.protection.words import current_text, i2t_text, named

__all__ = ["FollowedFault", "Withstand", "connected", "faults_between"]

BELOW = 1e-6  # share by which a current is below a setting
ALIKE = 5e-3  # of currents at points of curves that lie closer together than this share one is followed
WORTH = 0.8  # a steady reckoning below this share of what is known already is not followed in full


@dataclass(frozen=True, eq=False)
class FollowedFault:
    """A fault that was followed: the place, in words which current it has, and what came of it.

    ``kind`` is "greatest" or "least" with all packs, "alone" with one, or "between"; ``packs`` names those connected where they are not
    all; ``current_a`` is the fault's current at once [A].
    """

    place: str
    words: str
    sequence: Sequence
    kind: str = "greatest"
    packs: tuple[str, ...] = ()
    current_a: float = 0.0


@dataclass(frozen=True)
class _Stage:
    """Currents of all edges at once, with some of the devices open, by the fault's current I: ``base`` + I · ``share`` [A].

    I is ``volt`` ÷ (``thevenin_ohm`` + the fault's resistance): the Thevenin equivalent seen from the place of the fault.
    """

    base: np.ndarray
    share: np.ndarray
    volt: float
    thevenin_ohm: float

    @classmethod
    def of(cls, circuit, place, closed):
        bolted = circuit.prospective(place.positive, place.negative, closed)
        if abs(bolted[-1]) < 1e-9:
            return cls(bolted, np.zeros(len(bolted)), 0.0, 1.0)
        weak = circuit.prospective(place.positive, place.negative, closed, ohm=1.0)
        seen = weak[-1] / (bolted[-1] - weak[-1])
        share = (bolted - weak) / (bolted[-1] - weak[-1])
        return cls(bolted - share * bolted[-1], share, bolted[-1] * seen, seen)

    def currents(self, ohm):
        return self.base + self.volt / (self.thevenin_ohm + ohm) * self.share


class _Place:
    """Faults of one resistance or another at one place of the greatest case, at steady currents.

    ``packs`` names those that are connected, ``least_a`` is the fault's current with them in the least case [A].
    """

    def __init__(self, faults, place, packs, least_a):
        self.faults, self.place, self.packs = faults, place, packs
        self.closed = faults.only(place, packs)
        self.stages = {}
        bolted = self.stage(frozenset())
        self.most_ohm = max(0.0, abs(bolted.volt) / least_a - bolted.thevenin_ohm) if least_a > 0 else 0.0

    def stage(self, opened):
        if opened not in self.stages:
            closed = self.closed.copy()
            closed[self.faults.device_edge[list(opened)]] = False
            self.stages[opened] = _Stage.of(self.faults.circuit, self.place, closed)
        return self.stages[opened]

    def resistances(self, opened, rows, points):
        """Faults at which a device carries what a point of its curve is given for, or just less than its instantaneous setting.

        Yields (fault's resistance [ohm], device, its current [A], whether that is its instantaneous setting) for every device and
        every such point that lies in the range, with the devices ``opened`` open.
        """
        stage = self.stage(opened)
        for d, edge in enumerate(self.faults.device_edge):
            if d in opened or abs(stage.share[edge]) < 1e-9:
                continue
            rating, setting = rows[d, ar.RATING_A], rows[d, ar.PICKUP_MULTIPLE]
            wanted = [(m * rating, False) for m in points[d] if m < setting]
            if np.isfinite(setting):
                wanted.append((setting * rating * (1.0 - BELOW), True))
            for current, instantaneous in wanted:
                for signed in (current, -current):
                    fault_a = (signed - stage.base[edge]) / stage.share[edge]
                    if fault_a * stage.volt <= 0:
                        continue
                    ohm = stage.volt / fault_a - stage.thevenin_ohm
                    if 0.0 < ohm < self.most_ohm:
                        yield ohm, d, current, instantaneous

    def follow(self, ohm, rows, curves, never):
        """(∫ i² dt, greatest current) of every edge, and the sets of devices that were open on the way."""
        opened, clock, sets = frozenset(), 0.0, []
        damage, since = np.zeros(len(rows)), np.full(len(rows), np.inf)
        releases = np.isfinite(rows[:, ar.PICKUP_MULTIPLE]).any()
        i2t, most, still = None, None, ~never
        while True:
            sets.append(opened)
            currents = self.stage(opened).currents(ohm)
            left = self.faults.to_be_ended(currents, self.place)
            if i2t is None:
                first, i2t, most = left, np.zeros(len(currents)), np.zeros(len(currents))
            if left <= CLEARED_SHARE * first:
                return i2t, most, sets
            most = np.maximum(most, np.abs(currents))
            through = np.abs(currents[self.faults.device_edge])
            rate = damage_rates(np.ascontiguousarray(through[None, :]), rows, curves)[0]
            at = np.divide(1.0 - damage, rate, out=np.full(len(rate), np.inf), where=rate > 0)
            if releases:
                since = picked_up_since(np.array([clock]), through[None, :], since, rows)[0]
                at = np.minimum(at, np.maximum(0.0, since + rows[:, ar.PICKUP_DELAY_S] - clock))
            at[~still] = np.inf
            wait = at.min(initial=np.inf)
            if not clock + wait <= FAULT_HORIZON_S:
                return i2t + currents**2 * FAULT_HORIZON_S, most, sets
            i2t += currents**2 * wait
            damage += rate * wait
            clock += wait
            first_to_open = int(np.argmin(at))
            opened, still[first_to_open] = opened | {first_to_open}, False


def connected(least, place):
    """Sets of packs that a fault is judged with, those that feed least first: all, half of them, and so on down to one.

    With each set the ranges of current from least to greatest mostly overlap.
    """
    names = [name for _, name, _ in least.one_by_one(place)]
    sets, count = [], len(names)
    while count:
        sets.append(tuple(names[:count]))
        count = count // 2
    return sets


class _Search:
    """The steady reckoning of one open case: for every edge the fault that asks most of it."""

    def __init__(self, greatest, line, failed, known, for_good_a):
        self.devices = greatest.bank.devices
        self.rows, self.curves = device_rows(self.devices, line)
        self.points = [line_of(device, line).multiples for device in self.devices]
        self.never = np.array([device.name in failed for device in self.devices], bool)
        self.best, self.value, self.for_good_a = {}, WORTH * known, for_good_a

    def look(self, here):
        """Every fault of a :class:`_Place` that may be the worst of some edge."""
        waiting, seen, sets = list(here.resistances(frozenset(), self.rows, self.points)), [], {frozenset()}
        while waiting:
            ohm, d, current, instantaneous = waiting.pop()
            fault_a = abs(here.stage(frozenset()).currents(ohm)[-1])
            if any(abs(fault_a - other) <= (BELOW if instantaneous else ALIKE) * other for other in seen):
                continue
            seen.append(fault_a)
            i2t, most, met = here.follow(ohm, self.rows, self.curves, self.never)
            for edge in np.flatnonzero((i2t > self.value) & (most > self.for_good_a)):
                words = self._words(here, fault_a, d, current, instantaneous)
                self.best[edge], self.value[edge] = (here, ohm, words, fault_a), i2t[edge]
            for opened in met:
                if opened not in sets:
                    sets.add(opened)
                    waiting.extend(here.resistances(opened, self.rows, self.points))

    def _words(self, here, fault_a, d, current, instantaneous):
        point = "just below the instantaneous setting" if instantaneous else "at a point of the curve"
        count = len(here.faults.pack_names)
        packs = "" if here.closed[:count].all() else f" and only {named(here.packs)} connected"
        return f"{current_text(fault_a)}, with {current_text(current)} {point} of {self.devices[d].name}{packs}"


def faults_between(greatest, least, open_case, known, for_good_a):
    """The faults of a current between least and greatest that ask most of some conductor, followed in full.

    Parameters
    ----------
    greatest, least : Faults
        The greatest and the least case.
    open_case : OpenCase
        Line of the devices' bands, and devices that never open.
    known : ndarray
        Greatest ∫ i² dt [A²s] of every edge in the cases followed already.
    for_good_a : ndarray
        Current [A] that every edge carries for good; a fault in which it carries no more does it no harm.

    Returns
    -------
    list of FollowedFault
    """
    search = _Search(greatest, open_case.line, open_case.failed, known, for_good_a)
    for place in greatest.places:
        for packs in connected(least, place):
            weak = least.at(place).circuit.prospective(place.positive, place.negative, least.only(place, packs))
            search.look(_Place(greatest.at(place), place, packs, abs(weak[-1])))
    return [
        FollowedFault(
            here.place.name,
            words,
            here.faults.follow(here.place, open_case.line, open_case.failed, ohm=ohm, closed=here.closed),
            "between",
            here.packs,
            fault_a,
        )
        for here, ohm, words, fault_a in dict.fromkeys(search.best.values())
    ]


class Withstand:
    """The check of every conductor, in all the cases that the data leaves open.

    Parameters
    ----------
    greatest, least : Faults
    open_cases : list of OpenCase
    followed : list of list of FollowedFault
        For each of ``open_cases`` what was followed already: the greatest and the least.
    """

    def __init__(self, greatest, least, open_cases, followed):
        self.greatest, self.open_cases = greatest, open_cases
        self.blind = any(device.band is None for device in greatest.bank.devices)
        self.for_good_a = np.full(greatest.circuit.n + greatest.circuit.b + 1, np.inf)
        for branch in greatest.bank.graph.branches:
            ampacity, _ = conductor_ampacity(branch.conductor, greatest.bank.ambient_k)
            if conductor_withstand(branch.conductor)[0] is not None:
                self.for_good_a[greatest.edges_with_device(branch.name)] = ampacity or 0.0
        self.followed = followed
        if greatest.bank.devices and not self.blind:
            self.followed = [
                [*some, *faults_between(greatest, least, open_case, self._most(some), self.for_good_a)]
                for open_case, some in zip(open_cases, followed, strict=True)
            ]

    @classmethod
    def of(cls, greatest, least, open_cases, fast, slow, alone):
        """From what was followed in the greatest case, in the least, and in the least with one pack alone, for each of ``open_cases``.

        ``fast`` and ``slow`` are pairs of (words, place → :class:`Sequence`), ``alone`` is place → (pack, :class:`Sequence`).
        """
        most_a, least_a = (
            {place.name: abs(float(faults.response(place).initial_a[-1])) for place in faults.places}
            for faults in (greatest, least)
        )
        one_a = {place.name: least.weakest(place) for place in least.places}
        followed = [
            [
                *(
                    FollowedFault(name, f"greatest current, {current_text(most_a[name])}", found, "greatest", (), most_a[name])
                    for name, found in strong.items()
                ),
                *(
                    FollowedFault(name, f"least current, {current_text(least_a[name])}", found, "least", (), least_a[name])
                    for name, found in weak.items()
                ),
                *(
                    FollowedFault(
                        name,
                        f"least current with {pack} alone connected, {current_text(one_a[name][1])}",
                        found,
                        "alone",
                        (pack,),
                        one_a[name][1],
                    )
                    for name, (pack, found) in one.items()
                ),
            ]
            for (_, strong), (_, weak), one in zip(fast, slow, alone, strict=True)
        ]
        return cls(greatest, least, open_cases, followed)

    def taken(self, sequence: Sequence) -> np.ndarray:
        """∫ i² dt of every edge in a fault that was followed [A²s], 0 where it carries no more than it does for good."""
        return np.where(sequence.most_a > self.for_good_a, sequence.i2t, 0.0)

    def _most(self, faults):
        return np.max([self.taken(fault.sequence) for fault in faults], axis=0)

    def check(self, branch):
        """:class:`~simbank.studies.protection.checks.Check` of one branch."""
        withstand, words = conductor_withstand(branch.conductor)
        if withstand is None:
            return unknown("withstand", branch.name, words, CONDUCTOR)
        if self.blind:
            return unknown(
                "withstand", branch.name, "a device has no curve, so clearing times are not known: give class or trip", CURVE
            )
        found = [self._judged(branch, withstand, words, faults) for faults in self.followed]
        return hangs_on(found[0], [(open_case, check) for open_case, check in zip(self.open_cases[1:], found[1:], strict=True)])

    def _judged(self, branch, withstand, words, faults):
        edges = self.greatest.edges_with_device(branch.name)
        taken = [float(self.taken(fault.sequence)[edges].max()) for fault in faults]
        k = int(np.argmax(taken))
        worst, fault = taken[k], faults[k]
        limit = f"withstands {i2t_text(withstand)} ({words})"
        if worst == 0.0:
            text = f"no fault followed puts more through it than its ampacity; {limit}"
            return judge("withstand", branch.name, True, text, worst, withstand, "A²s")
        where = f"fault at {fault.place}: {fault.words}"
        goes_on = fault.sequence.cleared_s is None and np.abs(fault.sequence.end_a[edges]).max() > 1.0
        if goes_on and worst > withstand:
            where += f"; never cleared, {', '.join(fault.sequence.fed_by)} feeding it"
        text = f"takes {i2t_text(worst)} until cleared ({where}), {limit}"
        return judge(
            "withstand", branch.name, worst <= withstand, text, worst, withstand, "A²s",
            place=fault.place, current_a=float(fault.sequence.most_a[edges].max()), cleared_s=fault.sequence.cleared_s,
        )  # fmt: skip

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

from bisect import bisect
from dataclasses import dataclass

import numpy as np

from simbank.bank.ampacity import conductor_ampacity, conductor_withstand
from simbank.simulation import arrays as ar
from simbank.studies.parallel import in_order
from simbank.studies.protection.checks import CONDUCTOR, CURVE, hangs_on, judge, unknown
from simbank.studies.protection.connected_packs import connected
from simbank.studies.protection.fault_course import loops_without
from simbank.studies.protection.faults import Sequence, device_rows, line_of
from simbank.studies.protection.following import CLEARED_SHARE, FAULT_HORIZON_S, Chains
from simbank.studies.protection.steady_course import MET, STAGE, steady_course
from simbank.studies.protection.words import current_text, i2t_text, named

__all__ = ["FollowedFault", "Withstand", "faults_between"]

BELOW = 1e-6  # share by which a current is below a setting
ALIKE = 5e-3  # of currents at points of curves that lie closer together than this share one is followed
SAME = 1e-9  # of faults that ask the same of a conductor but for round-off the first is told
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
    """Currents of all rows of a circuit at once, with some devices open, by the fault's current I: ``base`` + I · ``share`` [A].

    I is ``volt`` ÷ (``thevenin_ohm`` + the fault's resistance): the Thevenin equivalent seen from the place of the fault. ``loops`` are
    those left, without the fault, and ``path`` one by way of it, None where there is none; ``chains`` says what the rows are.
    """

    chains: Chains
    loops: np.ndarray
    path: np.ndarray | None
    base: np.ndarray
    share: np.ndarray
    volt: float
    thevenin_ohm: float

    @classmethod
    def of(cls, chains, loops, path):
        """With these loops and this path.

        Round every loop the voltages add up, L' R (L x + I p) = L' E; the Thevenin resistance is the heat of one ampere, and the open
        voltage is, by reciprocity, what the packs would take up of it.
        """
        packs, weighed = loops[: len(chains.emf)], chains.ohm[:, None] * loops
        sides = np.column_stack([packs.T @ chains.emf, np.zeros(loops.shape[1]) if path is None else -(weighed.T @ path)])
        found = loops @ np.linalg.solve(weighed.T @ loops, sides)
        if path is None:
            return cls(chains, loops, path, found[:, 0], np.zeros(len(found)), 0.0, 1.0)
        share = path + found[:, 1]
        volt = float(chains.emf @ share[: len(packs)])
        return cls(chains, loops, path, found[:, 0], share, volt, float(chains.ohm @ share**2))

    @classmethod
    def at_first(cls, chains, closed):
        """With everything closed that ``closed`` says."""
        loops, row = chains.loops_with(closed), chains.row[-1]
        by_way = np.flatnonzero(loops[row]) if chains.sign[-1] else []
        path = loops[:, by_way[0]] * (chains.sign[-1] * loops[row, by_way[0]]) if len(by_way) else None
        return cls.of(chains, loops if path is None else loops_without(loops, row), path)

    def without(self, row):
        """The stage after this one, when the devices of a row have opened."""
        by_way = np.flatnonzero(self.loops[row])
        if by_way.size:
            taken, path = self.loops[:, by_way[0]] / self.loops[row, by_way[0]], self.path
            loops = np.delete(self.loops - np.outer(taken, self.loops[row]), by_way[0], axis=1)
            return _Stage.of(self.chains, loops, None if path is None else path - taken * path[row])
        if self.path is not None and self.path[row]:
            return _Stage.of(self.chains, self.loops, None)
        return self

    def currents(self, ohm):
        """Of every edge, with a fault of some resistance."""
        return self.chains.every(self.base + self.fault_a(ohm) * self.share)

    def fault_a(self, ohm):
        return self.volt / (self.thevenin_ohm + ohm)


class _Place:
    """Faults of one resistance or another at one place of the greatest case, at steady currents.

    ``packs`` names those that are connected, ``least_a`` is the fault's current with them in the least case [A].
    """

    def __init__(self, faults, place, packs, least_a):
        self.faults, self.place, self.packs = faults, place, packs
        self.closed = faults.only(place, packs)
        self.chains = chains = faults.chains(place)
        carries = chains.sign[faults.device_edge] != 0
        self.through = np.where(carries, chains.row[faults.device_edge], chains.nothing)
        self.sign = np.where(carries, chains.sign[faults.device_edge], 1)
        own = faults.pack_names.index(place.owner) if place.kind == "inside" else -1
        self.where = np.array([chains.row[-1], chains.sign[-1], own])
        self.sets, self.number, self.steps, self.native = [], {}, [], None
        rows, devices = len(chains.ohm) + 1, len(self.through)  # the last row carries nothing
        self.base, self.share = np.zeros((2, 16, rows))
        self.thevenin, self.onward = np.zeros((16, 2)), np.full((16, devices), -1)
        bolted = self.stage(frozenset())
        self.most_ohm = max(0.0, abs(bolted.volt) / least_a - bolted.thevenin_ohm) if least_a > 0 else 0.0

    def stage(self, opened):
        """:class:`_Stage` with these devices open."""
        return self.steps[self._number(opened, None, None)]

    def _number(self, opened, before, device):
        """Number of the stage with these devices open, that after stage ``before`` where one of them opens there."""
        if opened not in self.number:
            if before is None:
                stage = _Stage.at_first(self.chains, self.closed)
                for d in opened:
                    stage = stage.without(self.through[d]) if self.through[d] != self.chains.nothing else stage
            elif self.through[device] == self.chains.nothing:
                stage = self.steps[before]
            else:
                stage = self.steps[before].without(self.through[device])
            self._keep(opened, stage)
        return self.number[opened]

    def _keep(self, opened, stage):
        k = self.number[opened] = len(self.sets)
        self.sets.append(opened)
        self.steps.append(stage)
        if k == len(self.base):
            self.base, self.share, self.thevenin = (
                np.vstack([a, np.zeros(a.shape)]) for a in (self.base, self.share, self.thevenin)
            )
            self.onward = np.vstack([self.onward, np.full(self.onward.shape, -1)])
        self.base[k, :-1], self.share[k, :-1] = stage.base, stage.share
        self.thevenin[k] = stage.volt, stage.thevenin_ohm

    def resistances(self, opened, wanted):
        """Faults at which a device carries what a point of its curve is given for, or just less than its instantaneous setting.

        (fault's resistance [ohm], device, its current [A], whether that is its instantaneous setting) for every device and
        every such point that lies in the range, with the devices ``opened`` open; ``wanted`` are devices, signed currents, and whether each
        is an instantaneous setting.
        """
        k = self._number(opened, None, None)
        device, signed, instantaneous = wanted
        row = self.through[device]
        share = self.share[k, row] * self.sign[device]
        able = (np.abs(share) >= 1e-9) & ~np.isin(device, list(opened))
        volt, seen = self.thevenin[k]
        fault_a = (signed - self.base[k, row] * self.sign[device]) / np.where(able, share, 1.0)
        able &= fault_a * volt > 0
        ohm = volt / np.where(able, fault_a, 1.0) - seen
        rows = np.flatnonzero(able & (ohm > 0.0) & (ohm < self.most_ohm))
        return [(float(ohm[i]), int(device[i]), abs(float(signed[i])), bool(instantaneous[i])) for i in rows]

    def follow(self, ohm, rows, curves, never):
        """(∫ i² dt, greatest current) of every edge, and the sets of devices that were open on the way."""
        count, first = len(rows), self._number(frozenset(), None, None)
        now, met, still = np.array([0.0, -1.0, first, 1.0]), np.full(count + 1, first), ~never
        done, state = np.zeros((2, self.base.shape[1])), np.zeros((4, count))
        state[1] = np.inf
        while True:
            asked = (
                ohm, FAULT_HORIZON_S, CLEARED_SHARE, self.where, self.base, self.share, self.thevenin, self.onward, self.through,
                rows, curves, still, now, met, done, state,
            )  # fmt: skip
            self.native = self.native or steady_course.ready(asked)  # the same kinds of arguments in every call from here
            opens = self.native(*asked)
            if opens < 0:
                break
            before = int(now[STAGE])
            after = self._number(self.sets[before] | {opens}, before, opens)
            self.onward[before, opens] = now[STAGE] = met[int(now[MET])] = after
            now[MET] += 1.0
        i2t, most = done[:, self.chains.row] * (self.chains.sign != 0)
        return i2t, most, [self.sets[k] for k in met[: int(now[MET])]]


class _Search:
    """The steady reckoning of one open case: for every edge the fault that asks most of it."""

    def __init__(self, greatest, line, failed, known, for_good_a):
        self.devices = greatest.bank.devices
        self.rows, self.curves = device_rows(self.devices, line)
        self.wanted = self._points([line_of(device, line).multiples for device in self.devices])
        self.never = np.array([device.name in failed for device in self.devices], bool)
        self.best, self.value, self.for_good_a = {}, WORTH * known, for_good_a

    def _points(self, multiples):
        """Device, current in either direction [A], and whether it is its instantaneous setting, for every point that may be the worst."""
        found = []
        for d, points in enumerate(multiples):
            rating, setting = self.rows[d, ar.RATING_A], self.rows[d, ar.PICKUP_MULTIPLE]
            wanted = [(m * rating, False) for m in points if m < setting]
            if np.isfinite(setting):
                wanted.append((setting * rating * (1.0 - BELOW), True))
            found += [(d, signed, at_setting) for current, at_setting in wanted for signed in (current, -current)]
        device, signed, at_setting = zip(*found, strict=True) if found else ((), (), ())
        return np.array(device, int), np.array(signed, float), np.array(at_setting, bool)

    def look(self, here):
        """Every fault of a :class:`_Place` that may be the worst of some edge."""
        bolted = here.stage(frozenset())
        waiting, seen, sets = here.resistances(frozenset(), self.wanted), [], {frozenset()}
        while waiting:
            ohm, d, current, instantaneous = waiting.pop()
            fault_a = abs(bolted.fault_a(ohm))
            within, k = BELOW if instantaneous else ALIKE, bisect(seen, fault_a)
            if any(
                abs(fault_a - other) <= within * other for other in seen[max(0, k - 1) : k + 1]
            ):  # the nearest are near enough
                continue
            seen.insert(k, fault_a)
            i2t, most, met = here.follow(ohm, self.rows, self.curves, self.never)
            if worse := self._worse(i2t, most):
                self._keep(worse, i2t, "between", here, ohm, self._words(here, fault_a, d, current, instantaneous), fault_a)
            for opened in met:
                if opened not in sets:
                    sets.add(opened)
                    waiting.extend(here.resistances(opened, self.wanted))

    def look_at_least(self, least, place, pack):
        """The fault of least current with a pack alone connected, where others feed alike: each sends it through its own conductors."""
        here = _Place(least, place, (pack,), 0.0)
        i2t, most, _ = here.follow(0.0, self.rows, self.curves, self.never)
        fault_a = abs(here.stage(frozenset()).fault_a(0.0))
        self._keep(self._worse(i2t, most), i2t, "alone", here, 0.0, _alone_words(pack, fault_a), fault_a)

    def _worse(self, i2t, most):
        """Edges of which a fault asks more than is known."""
        return np.flatnonzero((i2t > self.value * (1.0 + SAME)) & (most > self.for_good_a)).tolist()

    def _keep(self, edges, i2t, kind, here, ohm, words, fault_a):
        for edge in edges:
            self.best[edge], self.value[edge] = (kind, here.place, here.packs, ohm, words, fault_a), i2t[edge]

    def _words(self, here, fault_a, d, current, instantaneous):
        point = "just below the instantaneous setting" if instantaneous else "at a point of the curve"
        count = len(here.faults.pack_names)
        packs = "" if here.closed[:count].all() else f" and only {named(here.packs)} connected"
        return f"{current_text(fault_a)}, with {current_text(current)} {point} of {self.devices[d].name}{packs}"


def _alone_words(pack, current_a):
    return f"least current with {pack} alone connected, {current_text(current_a)}"


def faults_between(greatest, least, open_case, known, for_good_a, places=None):
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
    places : list of Place, optional
        Where; by default at all.

    Returns
    -------
    list of FollowedFault
    """

    def worst_at(place):
        """(edge, ∫ i² dt by the steady reckoning, fault's kind, place, packs, resistance, words, current) of what asks most at one place."""
        search = _Search(greatest, open_case.line, open_case.failed, known, for_good_a)
        sets, fewest = connected(least, place), least.at(place)
        for packs in sets:
            weak = _Stage.at_first(fewest.chains(place), fewest.only(place, packs))
            search.look(_Place(greatest.at(place), place, packs, abs(weak.fault_a(0.0))))
        alone = [packs for packs in sets if len(packs) == 1]
        for (pack,) in alone if len(alone) > 1 else ():
            search.look_at_least(fewest, place, pack)
        return [(edge, search.value[edge], fault) for edge, fault in search.best.items()]

    def followed(kind, place, packs, ohm, words, fault_a):
        faults = (least if kind == "alone" else greatest).at(place)
        found = faults.follow(place, open_case.line, open_case.failed, ohm=ohm, closed=faults.only(place, packs))
        return FollowedFault(place.name, words, found, kind, packs, fault_a)

    worst, value = {}, WORTH * known
    places = greatest.places if places is None else places
    for found in in_order(worst_at, [(place,) for place in places]):
        for edge, asks, fault in found:
            if asks > value[edge] * (1.0 + SAME):
                worst[edge], value[edge] = fault, asks
    return in_order(followed, list(dict.fromkeys(worst.values())))


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
                        _alone_words(pack, one_a[name][1]),
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
        return np.where(sequence.most_in_turn_a > self.for_good_a, sequence.i2t, 0.0)

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
        taken = np.array([self.taken(fault.sequence)[edges].max() for fault in faults])
        k = int(np.argmax(taken >= taken.max() * (1.0 - SAME)))
        worst, fault = float(taken.max()), faults[k]
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
            place=fault.place, current_a=float(fault.sequence.most_in_turn_a[edges].max()), cleared_s=fault.sequence.cleared_s,
        )  # fmt: skip

"""In which drawn banks a check fails, and by which current: what passes by the file's middle values may hang on what is not known.

Draws are taken together by which devices can break what may flow through them, and whose curves reach so far. In each such group, at
every place, the draw of the greatest current and that of the least are judged like one bank: what passes there passes in all of the
group, currents between the two being judged too. Where it does not pass, the draws are put in the order of the current that decides, and
the first of them that fails is found by halving: with more current (with less, where the least decides) it fails as well.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from simbank.bank.ampacity import conductor_withstand
from simbank.studies.parallel import in_order
from simbank.studies.protection.breaking import Breaking
from simbank.studies.protection.checks import FAIL, NOT_CHECKABLE, NOTE, PASS
from simbank.studies.protection.clearing import clearing_checks, one_pack_alone
from simbank.studies.protection.device_checks import devices_present
from simbank.studies.protection.faults import CasesByPlace, greatest_faults, least_faults
from simbank.studies.protection.withstand import Withstand, faults_between

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from simbank.bank import Bank
    from simbank.studies.protection.assumptions import Assumptions
    from simbank.studies.protection.checks import Check
    from simbank.studies.protection.drawn_faults import DrawnFaults

__all__ = ["JUDGED", "Failing", "failing_draws", "judging_seconds"]

JUDGED = ("interrupting rating", "device present", "clears in time", "withstand")  # rules that hang on fault currents
MOST_GROUPS = 4  # more are put into one, in which every device that fails in some draw counts as failed closed in all
GROUP_S = 2e-3  # that a group takes for each place and device, about: whether copies of this process pay
USUAL_GROUPS = 2  # of draws, to tell beforehand how long judging takes
_RANK = {FAIL: 0, NOT_CHECKABLE: 1, PASS: 2, NOTE: 3}


@dataclass(frozen=True, eq=False)
class Failing:
    """Where a check fails: of each draw whether it does, and the current that decides [A]; both of shape (d,)."""

    draws: np.ndarray
    current_a: np.ndarray

    @property
    def share(self) -> float:
        """In which share of the draws it fails."""
        return float(self.draws.mean())


def failing_draws(
    checks: Iterable[Check], bank: Bank, assumptions: Assumptions, drawn: DrawnFaults, tell: Callable[[float], None]
) -> dict[tuple[str, str], Failing]:
    """(rule, where) of a check → the draws in which it fails; for one that passes by the middle values: does not pass.

    Parameters
    ----------
    checks : iterable of Check
        By the file's middle values; only those of the rules :data:`JUDGED` are judged again.
    bank : Bank
        By the file's middle values.
    assumptions : Assumptions
        What the two cases rest on.
    drawn : DrawnFaults
        The drawn banks.
    tell : callable
        Called with the fraction done.
    """
    base = {(check.rule, check.where): check for check in checks if check.rule in JUDGED and check.status != NOTE}
    found = {}
    for k, device in enumerate(bank.devices):
        if device.interrupting_a is not None:
            through = drawn.through[:, k]
            found["interrupting rating", device.name] = Failing(through > device.interrupting_a, through)
    known = [_known(bank, drawn, np.array([d])) for d in range(len(drawn))]
    for was in [check for check in base.values() if check.rule == "device present"]:
        own = [k for k, device in enumerate(bank.devices) if device.owner == was.part]
        now = [next(c for c in devices_present(bank, breaks.state) if c.where == was.where) for breaks in known]
        found[was.rule, was.where] = Failing(
            np.array([_worse(check, was) for check in now]), drawn.through[:, own].max(axis=1, initial=0.0)
        )
    groups = _groups(bank, drawn, known)
    work = [(_Group(bank, assumptions, drawn, draws, breaks), base) for draws, breaks in groups]
    each_s = GROUP_S * len(drawn.greatest[0].places) * len(bank.devices)
    for failing in in_order(_Group.failing, work, each_s, tell):
        for key, one in failing.items():
            earlier = found.get(key)
            found[key] = (
                one
                if earlier is None
                else Failing(earlier.draws | one.draws, one.current_a if one.draws.any() else earlier.current_a)
            )
    return {key: one for key, one in found.items() if key in base}


def judging_seconds(bank: Bank, assumptions: Assumptions, most_s: float) -> float:
    """How long :func:`failing_draws` takes, about, of one processor [s], however many draws there are.

    One place of each kind is judged, by the file's middle values, and timed; a reckoning that has come to more than ``most_s`` ends there.
    """
    if not bank.devices:
        return 0.0
    greatest, least = greatest_faults(bank, assumptions), least_faults(bank, assumptions)
    breaks, kinds = Breaking.of(greatest), {}
    for place in greatest.places:
        kinds.setdefault(place.kind, []).append(place)
    begin = time.process_time()
    least.look_one_by_one([places[0] for places in kinds.values()])  # takes as long at all
    told_s = USUAL_GROUPS * (time.process_time() - begin)
    for kind, places in enumerate(kinds.values()):
        for _ in range(2 if kind == 0 else 1):  # the first time may have to wait for the compiler
            begin = time.process_time()
            for case in breaks.open_cases[:1]:
                slow = least.follow(places[0], case.line, case.failed)
                greatest.follow(places[0], case.line, case.failed)
                one_pack_alone(least, case, places[:1])
                if all(device.band is not None for device in bank.devices):
                    none = np.full(len(slow.i2t), np.inf)
                    faults_between(greatest, least, case, none, none, places[:1])
            took_s = time.process_time() - begin
        told_s += USUAL_GROUPS * len(breaks.open_cases) * len(places) * took_s
        if told_s > most_s:
            break
    return told_s


def _known(bank, drawn, draws):
    """What is known of the devices' opening at the greatest current through each in some draws."""
    names = [place.name for place in drawn.greatest[0].places]
    most = draws[drawn.through[draws].argmax(axis=0)] if len(bank.devices) else []
    worst = {
        device.name: (float(drawn.through[d, k]), names[drawn.at_place[d, k]])
        for k, (device, d) in enumerate(zip(bank.devices, most, strict=True))
    }
    return Breaking.of_currents(bank, worst)


def _groups(bank, drawn, known):
    """(draws, what is known of the devices' opening in them) for draws in which that is alike, the largest group first.

    ``known`` is that of each draw.
    """
    alike = {}
    for d, one in enumerate(known):
        alike.setdefault((one.failed, one.beyond), []).append(d)
    groups = sorted((np.array(draws) for draws in alike.values()), key=len, reverse=True)
    if len(groups) > MOST_GROUPS:
        groups = [*groups[: MOST_GROUPS - 1], np.sort(np.concatenate(groups[MOST_GROUPS - 1 :]))]
    return [(draws, _known(bank, drawn, draws)) for draws in groups]


class _Group:
    """Draws in which the devices open alike."""

    def __init__(self, bank, assumptions, drawn, draws, breaks):
        self.bank, self.assumptions, self.drawn, self.draws, self.breaks = bank, assumptions, drawn, draws, breaks
        self.places = drawn.greatest[0].places
        self.number = {place.name: k for k, place in enumerate(self.places)}
        self.strong = drawn.currents["initial_a"]
        self.weak = np.fmin(drawn.currents["least_a"], drawn.currents["least_one_pack_a"])
        self.greatest = CasesByPlace(
            {place.name: drawn.greatest[draws[self.strong[draws, k].argmax()]] for k, place in enumerate(self.places)}
        )
        self.least = CasesByPlace(
            {place.name: drawn.least[draws[self.weak[draws, k].argmin()]] for k, place in enumerate(self.places)}
        )
        self.taken, self.between = {}, {}

    def failing(self, base):
        """(rule, where) → :class:`Failing` for the checks ``base``."""
        found = {}
        followed = [self._followed(self.least, case, self.places) for case in self.breaks.open_cases]
        alone = [one_pack_alone(self.least, case) for case in self.breaks.open_cases]
        for check in clearing_checks(self.bank, self.least, self.breaks, followed, alone, self.assumptions):
            was = base.get((check.rule, check.where))
            if was is not None:
                k = self.number[check.where]
                order = self.draws[np.argsort(-self.weak[self.draws, k], kind="stable")]
                draws = _from_first(order, lambda d, k=k, was=was: _worse(self._clears(d, k), was)) if _worse(check, was) else []
                found[check.rule, check.where] = self._all(self.weak[:, k], draws)
        strong = [self._followed(self.greatest, case, self.places) for case in self.breaks.open_cases]
        withstand = Withstand.of(self.greatest, self.least, self.breaks.open_cases, strong, followed, alone)
        for branch in self.bank.graph.branches:
            was = base.get(("withstand", branch.name))
            if was is not None:
                found["withstand", branch.name] = self._not_withstood(branch, withstand, was)
        return found

    def _all(self, current_a, draws):
        failing = np.zeros(len(self.drawn), bool)
        failing[draws] = True
        return Failing(failing, current_a)

    def _followed(self, faults, case, places):
        return case.words, {place.name: faults.follow(place, case.line, case.failed) for place in places}

    def _clears(self, d, k):
        """The check of clearing at place ``k`` in draw ``d``."""
        least, places = self.drawn.least[d], [self.places[k]]
        followed = [self._followed(least, case, places) for case in self.breaks.open_cases]
        alone = [one_pack_alone(least, case, places) for case in self.breaks.open_cases]
        return next(clearing_checks(self.bank, least, self.breaks, followed, alone, self.assumptions, places))

    def _not_withstood(self, branch, withstand, was):
        """:class:`Failing` of a conductor: of each kind of fault (greatest, least, between) that at which it takes most."""
        check = withstand.check(branch)
        if not _worse(check, was):
            return self._all(self.strong.max(axis=1), [])
        limit = conductor_withstand(branch.conductor)[0]
        edges = self.greatest.edges_with_device(branch.name)
        worst = {}
        cases = self.breaks.open_cases if was.status == PASS else self.breaks.open_cases[:1]
        for case, faults in zip(cases, withstand.followed, strict=False):
            for fault in faults:
                amount = float(withstand.taken(fault.sequence)[edges].max())
                if amount > max(limit, worst.get(fault.kind, (0.0,))[0]):
                    worst[fault.kind] = amount, case, fault
        failing, decides = np.zeros(len(self.drawn), bool), None
        for kind, (_, case, fault) in worst.items():
            k = self.number[fault.place]
            if kind == "between":
                draws, current_a = self._carrying(fault), self.strong[:, k]
            else:
                current_a = self.strong[:, k] if kind == "greatest" else self.weak[:, k]
                order = self.draws[np.argsort(current_a[self.draws] * (1 if kind == "greatest" else -1), kind="stable")]
                draws = _from_first(
                    order, lambda d, case=case, fault=fault: self._takes(d, case, fault, withstand)[edges].max() > limit
                )
            if decides is None or len(draws) > failing.sum():
                decides = current_a
            failing[draws] = True
        return Failing(failing, decides)

    def _takes(self, d, case, fault, withstand):
        """∫ i² dt of every edge in draw ``d`` in a fault of one kind at one place [A²s]."""
        key = d, case, fault.kind, fault.place
        if key not in self.taken:
            place = self.places[self.number[fault.place]]
            faults = self.drawn.greatest[d] if fault.kind == "greatest" else self.drawn.least[d]
            closed = faults.only(place, fault.packs) if fault.kind == "alone" else None
            self.taken[key] = withstand.taken(faults.follow(place, case.line, case.failed, closed=closed))
        return self.taken[key]

    def _carrying(self, fault):
        """Draws in which a fault's current lies between their least and their greatest, with the packs that it is fed by."""
        key = fault.place, fault.packs
        if key not in self.between:
            place = self.places[self.number[fault.place]]

            def current(faults):
                circuit = faults.circuit
                return abs(circuit.prospective(place.positive, place.negative, faults.only(place, fault.packs))[-1])

            self.between[key] = [(d, current(self.drawn.least[d]), current(self.drawn.greatest[d])) for d in self.draws]
        return [d for d, least_a, most_a in self.between[key] if least_a <= fault.current_a <= most_a]


def _worse(check, was):
    """Whether a check in a draw counts as failing, beside the same check by the middle values."""
    return check.status == FAIL or _RANK[check.status] < _RANK[was.status]


def _from_first(order, fails):
    """Of draws in order, of which the last fails, all from the first that does."""
    if fails(order[0]):
        return order
    passes, fail = 0, len(order) - 1
    while fail - passes > 1:
        middle = (passes + fail) // 2
        passes, fail = (passes, middle) if fails(order[middle]) else (middle, fail)
    return order[fail:]

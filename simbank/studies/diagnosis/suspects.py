"""Hypotheses that no reading so far tells apart are one suspect; what each is, how large, how probable, in plain words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from simbank.bank import Bank
from simbank.studies.diagnosis.evidence import Evidence, ranked
from simbank.studies.diagnosis.hypotheses import CHARGE_HIGH, CHARGE_LOW, JOINT, NO_FAULT, OFF, RESISTANCE, Fault, size_of
from simbank.studies.diagnosis.observation import Expected

__all__ = ["Member", "Suspect", "alike", "bare_name", "member_of", "place_words", "seen", "suspect_name", "suspects"]

SAME_WAY = 0.9995  # cosine between what two faults do to the readings: they then differ by a thirtieth of what either does
SAME_READING = 0.1  # of the meter's deviation, for what is off
LEAST_SEEN = 0.2  # of the meter's deviation, by the largest fault of a kind
LOW, HIGH = 0.05, 0.95


@dataclass(frozen=True)
class Member:
    """One hypothesis within a suspect: its faults, its probability, and the size of its first fault with its 5 and 95 % points.

    Sizes are extra ohms of a joint or a pack's resistance, points of charge, nothing of what is off.
    """

    faults: tuple[Fault, ...]
    probability: float
    size: float | None
    low: float | None
    high: float | None
    unit: str

    @property
    def where(self) -> str:
        """Names of its places."""
        return " and ".join(fault.name for fault in self.faults)

    @property
    def kind(self) -> str:
        """Words of its kinds."""
        return " and ".join(fault.word for fault in self.faults)

    def record(self) -> dict[str, Any]:
        """As JSON has it."""
        ohm = self.unit == "ohm"
        points = self.unit == "points"
        return {
            "where": self.where, "kind": self.kind, "extra_ohm": self.size if ohm else None, "points": self.size if points else None,
            "low": self.low, "high": self.high, "probability": self.probability,
        }  # fmt: skip


@dataclass(frozen=True)
class Suspect:
    """What the readings may be due to: members that they do not tell apart, the most probable first."""

    members: tuple[Member, ...]
    text: str

    @property
    def probability(self) -> float:
        """That it is one of these."""
        return sum(member.probability for member in self.members)

    @property
    def where(self) -> str:
        """Places of its members, each once."""
        return ", ".join(dict.fromkeys(member.where for member in self.members))

    @property
    def kind(self) -> str:
        """Kinds of its members, each once."""
        return ", ".join(dict.fromkeys(member.kind for member in self.members))

    def record(self) -> dict[str, Any]:
        """As JSON has it; sizes are those of the most probable member."""
        first = self.members[0].record()
        return first | {
            "where": self.where, "kind": self.kind, "probability": self.probability, "text": self.text,
            "members": [member.record() for member in self.members],
        }  # fmt: skip


def _effects(expected: Expected, evidence: Evidence, share: float):
    """What each single fault of one size does to each reading, in deviations of the meter, shape (h, count)."""
    kind, element = evidence.faults.kind, evidence.faults.element
    of_size = np.full((*kind.shape, 1), share)
    sound = expected.predicted(np.array([[NO_FAULT]]), np.array([[0]]), np.zeros((1, 1, 1)))[0, 0]
    return (expected.predicted(kind, element, of_size)[:, 0] - sound) / expected.deviation


def seen(expected: Expected, evidence: Evidence) -> np.ndarray:
    """Whether the largest fault of each single hypothesis would show in any of the readings, shape (h,); without a fault it counts as seen."""
    most = np.max(np.abs(_effects(expected, evidence, 1.0)), axis=-1)
    return (most > LEAST_SEEN) | (evidence.faults.kind[:, 0] == NO_FAULT)


def alike(expected: Expected, evidence: Evidence) -> list[list[int]]:
    """Places of single hypotheses in groups that the readings do not tell apart: their effects differ only by a factor above zero."""
    effect = _effects(expected, evidence, 0.3)
    length = np.linalg.norm(effect, axis=1)
    groups: list[list[int]] = []
    for k in ranked(evidence.log_weight):
        fault = evidence.faults.each[k][0]
        for group in groups:
            first = group[0]
            other = evidence.faults.each[first][0]
            if NO_FAULT in (fault.kind, other.kind) or (fault.kind == OFF) != (other.kind == OFF):
                continue
            if fault.kind == OFF:
                same = np.max(np.abs(effect[k] - effect[first])) < SAME_READING
            else:
                same = effect[k] @ effect[first] > SAME_WAY * length[k] * length[first] > 0
            if same:
                group.append(int(k))
                break
        else:
            groups.append([int(k)])
    return groups


def suspects(bank: Bank, found: Sequence[tuple[Evidence, np.ndarray]], groups: Sequence[Sequence[int]], words) -> list[Suspect]:
    """Suspects with what makes each of them up, the most probable first.

    Parameters
    ----------
    bank : Bank
        As it should be.
    found : sequence of (Evidence, ndarray)
        Single hypotheses, and pairs if any, with the probability of each.
    groups : list of list of int
        Of single hypotheses; of pairs those are alike whose members are.
    words : callable
        Gives the text of a tuple of members.
    """
    singles, _ = found[0]
    group_of = {singles.faults.each[k][0]: g for g, group in enumerate(groups) for k in group}
    made: dict[Any, list[Member]] = {}
    for evidence, p in found:
        for k, faults in enumerate(evidence.faults.each):
            if faults[0].kind == NO_FAULT or any(fault not in group_of for fault in faults):
                continue
            key = tuple(sorted(group_of[fault] for fault in faults))
            made.setdefault((len(faults), key), []).append(member_of(bank, evidence, k, float(p[k])))
    out = []
    for members in made.values():
        members = [members[k] for k in ranked([member.probability for member in members])]
        most = members[0].probability
        members = tuple(member for member in members if member.probability > 1e-3 * most) or tuple(members[:1])
        out.append(Suspect(members, words(members)))
    return [out[k] for k in ranked([suspect.probability for suspect in out])]


def member_of(bank: Bank, evidence: Evidence, k: int, probability: float) -> Member:
    """Hypothesis ``k`` with the size of its first fault."""
    faults = evidence.faults.each[k]
    fault = faults[0]
    if fault.kind == OFF:
        return Member(faults, probability, None, None, None, "")
    size = size_of(fault.kind, evidence.share[:, k, :, 0]).ravel()
    if fault.kind == RESISTANCE:
        size = (size - 1.0) * bank.packs[fault.element].half_charge_ohm
    unit = "points" if fault.kind in (CHARGE_LOW, CHARGE_HIGH) else "ohm"
    size = size * (100.0 if unit == "points" else 1.0)
    weight = (evidence.weight[:, k] * evidence.by_setting[:, k, None]).ravel()
    order = np.argsort(size)
    total = np.cumsum(weight[order]) - 0.5 * weight[order]
    low, middle, high = np.interp([LOW, 0.5, HIGH], total, size[order])
    return Member(faults, probability, float(middle), float(low), float(high), unit)


def bare_name(name: str) -> str:
    """A conductor's name without its pole.

    >>> bare_name("link A-B +"), bare_name("bar 1-2")
    ('link A-B', 'bar 1-2')
    """
    return name[:-2] if name.endswith((" +", " -")) else name


def suspect_name(suspect: Suspect) -> str:
    """Places of a suspect as a person says them: both poles of one conductor as "link A-B, either pole"."""
    places = list(dict.fromkeys(member.where for member in suspect.members))
    said = {}
    for place in places:
        bare = bare_name(place)
        both = " and " not in place and {f"{bare} +", f"{bare} -"} <= set(places)
        said[f"{bare}, either pole" if both else place] = None
    return "; ".join(said)


def place_words(bank: Bank, fault: Fault) -> str:
    """A fault's place as a person says it: "the link P1-P2 on the positive side"."""
    if fault.kind != JOINT and fault.element < len(bank.packs):
        return f"pack {fault.name}"
    branch = bank.graph.branches[fault.element - len(bank.packs)]
    pole = {"+": " on the positive side", "-": " on the negative side"}.get(branch.pole or "", "")
    bare = bare_name(branch.name)
    return f"the {bare}{pole}" if branch.kind != "conductor" else f"the conductor {bare}{pole}"

"""What to measure next: how much each further reading is expected to tell between what is left.

For every hypothesis a further reading is normal about what it predicts, given what has been read; its mean and spread follow from the same
unknowns. Drawn from each hypothesis by its probability, such readings leave a mean uncertainty about the cause, its entropy in bits, and
the true cause a mean probability.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

import numpy as np

from simbank.bank import Bank
from simbank.studies.diagnosis.bank_at import At
from simbank.studies.diagnosis.evidence import Evidence, ranked
from simbank.studies.diagnosis.found import LEAST_BITS
from simbank.studies.diagnosis.hypotheses import JOINT, OFF
from simbank.studies.diagnosis.instants import READ_S
from simbank.studies.diagnosis.knowledge import Knowledge
from simbank.studies.diagnosis.meter_readings import Accuracy, Reading
from simbank.studies.diagnosis.observation import Expected
from simbank.studies.diagnosis.suspects import bare_name, member_of
from simbank.studies.diagnosis.words import JointDrop, millivolts

__all__ = ["Candidate", "Drop", "candidates", "looks", "next_readings", "possible_drops"]

LEFT_OUT = 1e-3  # hypotheses less probable than that do not count
MOST_CAUSES = 40  # of single hypotheses, and of pairs
DRAWS = 64  # of each hypothesis
SEED = 1
MOST_DROPS = 12
# Minutes that a reading takes: millivolts along a conductor and along its other pole; all packs with the clamp; all rested for an hour.
# Chosen here: by what a reading tells for each minute they are put in order.
POLE_MIN, OTHER_POLE_MIN, REST_MIN = 2.0, 1.0, 60.0


@dataclass(frozen=True)
class Candidate:
    """A reading that could be taken.

    Attributes
    ----------
    what, where : str
        In words, and names of its places.
    sound, suspect : float or None
        What a conductor should drop at the current that it carries by what was read, sound and with its joint as the suspect [mV]; None of
        several readings at once.
    unit : str
    bits : float
        By how much it is expected to lower the entropy over the causes.
    now, then : float
        Mean probability of the true cause before and after it.
    poles : tuple of str
        The conductors along which millivolts are read: one, or both poles of one.
    """

    what: str
    where: str
    sound: float | None
    suspect: float | None
    unit: str
    bits: float
    now: float
    then: float
    poles: tuple[str, ...] = ()
    is_look: bool = False  # whether it is a look at a pack that carries nothing, which comes before any current

    @property
    def expect(self) -> str:
        """What it should read, in words."""
        if self.is_look:
            return "whether it is off; before it is closed again its voltage beside the others'"
        if self.sound is None or self.suspect is None:
            return "a pattern over the packs: enter the readings beside these"
        sound, bad = millivolts(self.sound / 1e3), millivolts(self.suspect / 1e3)
        return f"{sound} if sound, about {bad} if it is the bad one"

    def record(self) -> dict[str, Any]:
        """As JSON has it."""
        return {
            "what": self.what, "where": self.where, "expect": self.expect, "expect_sound": self.sound, "expect_suspect": self.suspect,
            "unit": self.unit, "poles": list(self.poles), "tells": self.bits, "probability_now": self.now, "probability_then": self.then,
        }  # fmt: skip


@dataclass(frozen=True)
class Drop:
    """Millivolts that could be read along a conductor, or along both poles of one.

    Attributes
    ----------
    names : tuple of str
    sound_v, bad_v : float
        What they should read at the current that was read, and what if the joint is the bad one [V].
    deviation : float
        Of the meter [V].
    """

    names: tuple[str, ...]
    sound_v: float
    bad_v: float
    deviation: float


@dataclass(frozen=True)
class Possible:
    """A further reading before it is weighed: in words, and which rows of the expected readings it is."""

    what: str
    where: str
    unit: str
    rows: tuple[int, ...]
    drop: Drop | None = None
    minutes: float = POLE_MIN


def looks(found: Sequence[tuple[Evidence, np.ndarray]], names: Sequence[str]) -> list[Candidate]:
    """A look at each pack that carries nothing: it tells for certain whether the pack is off, and so much by Bayes' rule."""
    out = []
    for name in names:
        off = np.concatenate(
            [[any(f.kind == OFF and f.name == name for f in faults) for faults in e.faults.each] for e, _ in found]
        )
        probability = np.concatenate([p for _, p in found]) / sum(float(p.sum()) for _, p in found)
        parts = [float(probability[mask].sum()) for mask in (off, ~off)]
        bits = -sum(part * math.log2(part) for part in parts if part > 0)
        then = sum(
            float(np.sum(probability[mask] ** 2)) / part for mask, part in zip((off, ~off), parts, strict=True) if part > 0
        )
        what = f"look at {name} before any new current: are its BMS, fuse, switch and lead closed? Then its voltage by itself, isolated"
        out.append(Candidate(what, name, None, None, "", bits, float(np.sum(probability**2)), then, is_look=True))
    return out


def possible_drops(
    bank: Bank, parts: Sequence[tuple[At, Sequence[Reading]]], loaded: int, evidence: Evidence, probability: np.ndarray,
    groups: Sequence[Sequence[int]], meter: Accuracy, joint_drop: JointDrop,
) -> list[Drop]:  # fmt: skip
    """Drops that could be read: along each of the most probable joints, then along both poles of those that are not told apart.

    Parameters
    ----------
    bank : Bank
        As it should be.
    parts : sequence of (At, sequence of Reading)
        What was read.
    loaded : int
        Which of them is of a current.
    evidence, probability
        Of single hypotheses.
    groups : list of list of int
        Of single hypotheses that readings do not tell apart.
    meter : Accuracy
        Of drops.
    joint_drop : callable
        (element, extra ohms) → the current along a conductor [A], what it should drop and what it drops [V].
    """
    taken = {r.name for _, read in parts for r in read if r.kind == "drop"}
    faults = [each[0] for each in evidence.faults.each]
    order = [k for k in ranked(probability) if faults[k].kind == JOINT and faults[k].name not in taken][:MOST_DROPS]
    at = parts[loaded][0]
    drops = {}
    for k in order:
        element = faults[k].element
        _, sound, bad = joint_drop(element, member_of(bank, evidence, k, float(probability[k])).size)
        expected = abs(at.response.current_a[element]) * at.response.ohm[element]
        drops[k] = Drop((faults[k].name,), sound, bad, meter.deviation(3.0 * expected))
    group_of = {k: g for g, group in enumerate(groups) for k in group}
    both = [
        replace(drops[a], names=(faults[a].name, faults[b].name)) for a, b in combinations(order, 2)
        if bare_name(faults[a].name) == bare_name(faults[b].name) and group_of[a] == group_of[b]
    ]  # fmt: skip
    return [*drops.values(), *both]


def candidates(
    bank: Bank, parts: Sequence[tuple[At, Sequence[Reading]]], loaded: int, drops: Sequence[Drop], other: At, rest: At,
    meters: dict[str, Accuracy], knowledge: Knowledge,
) -> tuple[Expected, int, list[Possible]]:  # fmt: skip
    """Readings that could be taken next: all of them after those that were taken.

    Parameters
    ----------
    bank : Bank
        As it should be.
    parts : sequence of (At, sequence of Reading)
        What was read.
    loaded : int
        Which of them is of a current.
    drops : sequence of Drop
        That could be read at that current.
    other, rest : At
        The bank at another current, and at rest.
    meters : dict of str to Accuracy
        By "current", "voltage" and "drop".
    knowledge : Knowledge
        How well the bank is known.

    Returns
    -------
    Expected
        Of the readings taken and then the further ones.
    int
        How many were taken.
    list of Possible
    """
    count = sum(len(read) for _, read in parts)
    row = {name: count + k for k, name in enumerate(dict.fromkeys(name for drop in drops for name in drop.names))}
    deviation = {name: drop.deviation for drop in drops for name in drop.names}
    currents = [
        Reading("current", pack.name, 0.0, meters["current"].deviation(amperes), 0)
        for pack, amperes in zip(bank.packs, other.response.current_a, strict=False)
    ]
    opened = {r.name for _, read in parts for r in read if r.kind == "open"}
    volts = [Reading("open", pack.name, 0.0, meters["voltage"].floor, 0) for pack in bank.packs if pack.name not in opened]
    along = [Reading("drop", name, 0.0, deviation[name], 0) for name in row]
    expected = Expected(bank, [*parts, (parts[loaded][0], along), (other, currents), (rest, volts)], knowledge)
    found = []
    for drop in drops:
        poles = ", on both poles" if len(drop.names) > 1 else ""
        what = f"millivolts from end to end at the present current{poles}"
        minutes = POLE_MIN + OTHER_POLE_MIN * (len(drop.names) - 1)
        found.append(Possible(what, ", ".join(drop.names), "mV", tuple(row[name] for name in drop.names), drop, minutes))
    begin, total = count + len(row), other.port_a[other.port]
    way = "out of" if total > 0 else "into"
    what = f"clamp readings of every pack at about {abs(total):.3g} A {way} the bank"
    found.append(Possible(what, "every pack", "A", tuple(range(begin, begin + len(currents))), minutes=READ_S / 60.0))
    if len(volts) > 1:
        begin += len(currents)
        what = "voltage of every pack, switched off and rested for an hour"
        found.append(Possible(what, "every pack", "V", tuple(range(begin, begin + len(volts))), minutes=REST_MIN + READ_S / 60.0))
    return expected, count, found


def next_readings(
    expected: Expected, count: int, possible: Sequence[Possible], value: np.ndarray, found: Sequence[tuple[Evidence, np.ndarray]],
    wait_s: float | None = None,
) -> list[Candidate]:  # fmt: skip
    """Further readings, the one that tells most for each minute that it takes first; those that tell next to nothing last.

    Parameters
    ----------
    expected : Expected
        Of the readings taken, then of the further ones.
    count : int
        How many were taken.
    possible : sequence of Possible
        Those to weigh.
    value : ndarray, shape (count,)
        What was read.
    found : sequence of (Evidence, ndarray)
        Hypotheses with their probabilities.
    wait_s : float, optional
        How long to wait after a change of current [s].
    """
    mean, spread, share, cause = [], [], [], []
    for evidence, probability in found:
        for k in likely(probability):
            name = len(set(cause))
            for s, setting in enumerate(evidence.settings):
                part = evidence.by_setting[s, k] * probability[k]
                if part < 0.1 * LEFT_OUT:
                    continue
                of_this = _forecast(expected, count, value, evidence, k, s, setting)
                mean.append(of_this[0])
                spread.append(of_this[1])
                share.append(part)
                cause.append(name)
    mean, spread, share, cause = np.array(mean), np.array(spread), np.array(share) / np.sum(share), np.array(cause)
    out, order = [], []
    for one in possible:
        rows = [row - count for row in one.rows]
        bits, now, then = _told(mean[:, rows], spread[:, rows][:, :, rows], share, cause)
        volt = (None, None) if one.drop is None else (one.drop.sound_v * 1e3, one.drop.bad_v * 1e3)
        out.append(Candidate(one.what, one.where, *volt, one.unit, bits, now, then, () if one.drop is None else one.drop.names))
        minutes = one.minutes + ((wait_s or 0.0) / 60.0 if one.unit == "A" else 0.0)
        order.append(bits / minutes + (100.0 if bits > LEAST_BITS else 0.0))
    return [out[k] for k in ranked(order)]


def likely(probability: np.ndarray) -> np.ndarray:
    """Places of the hypotheses that count, in order."""
    first = ranked(probability)[:MOST_CAUSES]
    return np.sort(first[probability[first] > LEFT_OUT])


def _forecast(expected, count, value, evidence, k, s, setting):
    """Mean and covariance of the further readings by one hypothesis, given the readings taken."""
    kind, element = evidence.faults.kind[k : k + 1], evidence.faults.element[k : k + 1]
    by_size = expected.predicted(kind, element, evidence.share[s, k : k + 1])[0]
    moves = expected.moves(kind, element, evidence.best[s, k : k + 1], setting)[0]
    spread = moves @ moves.T + np.diag(expected.deviation**2)
    gain = np.linalg.solve(spread[:count, :count], spread[:count, count:]).T
    given = by_size[:, count:] + (value - by_size[:, :count]) @ gain.T
    weight = evidence.weight[s, k]
    mean = weight @ given
    away = given - mean
    return mean, spread[count:, count:] - gain @ spread[:count, count:] + (away * weight[:, None]).T @ away


def _told(mean, spread, share, cause):
    """(bits, mean probability of the true cause before, after) that readings with these means and covariances by component give."""
    normal = np.random.default_rng(SEED).standard_normal((DRAWS // 2, mean.shape[1]))
    normal = np.concatenate([normal, -normal])
    root = np.linalg.cholesky(spread)
    inverse = np.linalg.inv(root)
    log_root = np.log(np.abs(np.diagonal(inverse, axis1=-2, axis2=-1))).sum(-1)
    drawn = mean[:, None] + np.matmul(normal, np.swapaxes(root, -1, -2))  # (component, draw, reading)
    flat = drawn.reshape(-1, mean.shape[1])
    away = np.matmul(flat[None] - mean[:, None], np.swapaxes(inverse, -1, -2))
    density = log_root[:, None] - 0.5 * np.sum(away**2, axis=-1) + np.log(share)[:, None]
    causes = sorted(set(cause.tolist()))
    grouped = np.stack([np.logaddexp.reduce(density[cause == c], axis=0) for c in causes])
    after = np.exp(grouped - np.logaddexp.reduce(grouped, axis=0))
    weight = np.repeat(share / DRAWS, DRAWS)
    before = np.array([share[cause == c].sum() for c in causes])
    entropy = -np.sum(np.where(after > 0, after * np.log2(np.maximum(after, 1e-300)), 0.0), axis=0)
    place = {c: k for k, c in enumerate(causes)}
    mine = np.repeat([place[c] for c in cause.tolist()], DRAWS)
    then = float(np.sum(weight * after[mine, np.arange(len(mine))]))
    bits = float(-np.sum(before * np.log2(np.maximum(before, 1e-300))) - np.sum(weight * entropy))
    return max(bits, 0.0), float(np.sum(before**2)), then

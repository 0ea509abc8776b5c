"""What to measure next: how much each further reading is expected to tell between what is left.

For every hypothesis a further reading is normal about what it predicts, given what has been read; its mean and spread follow from the same
unknowns. Drawn from each hypothesis by its probability, such readings leave a mean uncertainty about the cause, its entropy in bits, and
the true cause a mean probability.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from simbank.bank import Bank
from simbank.studies.diagnosis.evidence import Evidence, ranked
from simbank.studies.diagnosis.hypotheses import JOINT, NO_FAULT
from simbank.studies.diagnosis.knowledge import SCALES, Knowledge
from simbank.studies.diagnosis.meter_readings import Accuracy, Reading
from simbank.studies.diagnosis.observation import At, Expected

__all__ = ["Candidate", "candidates", "next_readings"]

LEFT_OUT = 1e-3  # hypotheses less probable than that do not count
MOST_CAUSES = 40  # of single hypotheses, and of pairs
DRAWS = 64  # of each hypothesis
SEED = 1
MOST_DROPS = 12


@dataclass(frozen=True)
class Candidate:
    """A reading that could be taken.

    Attributes
    ----------
    what, where : str
        In words, and names of its places.
    sound, suspect : float or None
        What it should read [mV, A or V] in a sound bank and with the first suspect; None of several readings at once.
    unit : str
    bits : float
        By how much it is expected to lower the entropy over the causes.
    now, then : float
        Mean probability of the true cause before and after it.
    """

    what: str
    where: str
    sound: float | None
    suspect: float | None
    unit: str
    bits: float
    now: float
    then: float

    @property
    def expect(self) -> str:
        """What it should read, in words."""
        if self.sound is None or self.suspect is None:
            return "a pattern over the packs: enter the readings beside these"
        digits = 1 if self.unit == "mV" else 2
        return (
            f"{self.sound:.{digits}f} {self.unit} if all is sound, {self.suspect:.{digits}f} {self.unit} with the first suspect"
        )

    def record(self) -> dict[str, Any]:
        """As JSON has it."""
        return {
            "what": self.what, "where": self.where, "expect": self.expect, "expect_sound": self.sound, "expect_suspect": self.suspect,
            "unit": self.unit, "tells": self.bits, "probability_now": self.now, "probability_then": self.then,
        }  # fmt: skip


@dataclass(frozen=True)
class Possible:
    """A further reading before it is weighed: in words, and which rows of the expected readings it is."""

    what: str
    where: str
    unit: str
    factor: float
    rows: tuple[int, ...]


def candidates(
    bank: Bank, parts: Sequence[tuple[At, Sequence[Reading]]], evidence: Evidence, probability: np.ndarray, other: At, rest: At,
    meters: dict[str, Accuracy], knowledge: Knowledge,
) -> tuple[Expected, int, list[Possible]]:  # fmt: skip
    """Readings that could be taken next: all of them after those that were taken.

    Parameters
    ----------
    bank : Bank
        As it should be.
    parts : sequence of (At, sequence of Reading)
        What was read.
    evidence, probability
        Of single hypotheses.
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
    taken = {r.name for _, read in parts for r in read if r.kind == "drop"}
    joints = [faults[0] for faults in evidence.faults.each]
    order = [k for k in ranked(probability) if joints[k].kind == JOINT and joints[k].name not in taken]
    at, first = parts[0]
    drops = []
    for k in order[:MOST_DROPS]:
        sound = abs(at.response.current_a[joints[k].element]) * at.response.ohm[joints[k].element]
        drops.append(Reading("drop", joints[k].name, 0.0, meters["drop"].deviation(3.0 * sound), 0))
    currents = [
        Reading("current", pack.name, 0.0, meters["current"].deviation(amperes), 0)
        for pack, amperes in zip(bank.packs, other.response.current_a, strict=False)
    ]
    opened = {r.name for _, read in parts for r in read if r.kind == "open"}
    volts = [Reading("open", pack.name, 0.0, meters["voltage"].floor, 0) for pack in bank.packs if pack.name not in opened]
    every = [(at, first), *parts[1:], (at, drops), (other, currents), (rest, volts)]
    expected = Expected(bank, every, knowledge)
    count = sum(len(read) for _, read in parts)
    found = [
        Possible("millivolts from end to end at the present current", drop.name, "mV", 1e3, (count + k,))
        for k, drop in enumerate(drops)
    ]
    begin = count + len(drops)
    total = other.port_a[other.port]
    found.append(
        Possible(
            f"clamp readings of every pack at {abs(total):.3g} A {'out of' if total > 0 else 'into'} the bank", "every pack", "A", 1.0,
            tuple(range(begin, begin + len(currents))),
        )
    )  # fmt: skip
    if len(volts) > 1:
        begin += len(currents)
        found.append(
            Possible(
                "voltage of every pack, switched off and rested for an hour", "every pack", "V", 1.0, tuple(range(begin, begin + len(volts)))
            )
        )  # fmt: skip
    return expected, count, found


def next_readings(
    expected: Expected, count: int, possible: Sequence[Possible], value: np.ndarray, found: Sequence[tuple[Evidence, np.ndarray]]
) -> list[Candidate]:
    """Further readings, the one that tells most first.

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
    """
    mean, spread, share, cause = [], [], [], []
    for evidence, probability in found:
        for k in likely(probability):
            scales = np.exp(evidence.log_density[:, k] - np.logaddexp.reduce(evidence.log_density[:, k]))
            name = len(set(cause))
            for s, scale in enumerate(SCALES):
                if scales[s] * probability[k] < 0.1 * LEFT_OUT:
                    continue
                of_this = _forecast(expected, count, value, evidence, k, s, scale)
                mean.append(of_this[0])
                spread.append(of_this[1])
                share.append(scales[s] * probability[k])
                cause.append(name)
    mean, spread, share, cause = np.array(mean), np.array(spread), np.array(share) / np.sum(share), np.array(cause)
    sound = expected.predicted(np.array([[NO_FAULT]]), np.array([[0]]), np.zeros((1, 1, 1)))[0, 0, count:]
    first = _of_first(found, mean, share, cause)
    out = []
    for one in possible:
        rows = [row - count for row in one.rows]
        bits, now, then = _told(mean[:, rows], spread[:, rows][:, :, rows], share, cause)
        single = len(rows) == 1
        out.append(
            Candidate(
                one.what, one.where, float(sound[rows[0]] * one.factor) if single else None,
                float(first[rows[0]] * one.factor) if single else None, one.unit, bits, now, then,
            )
        )  # fmt: skip
    return [out[k] for k in ranked([candidate.bits for candidate in out])]


def likely(probability: np.ndarray) -> np.ndarray:
    """Places of the hypotheses that count, in order."""
    first = ranked(probability)[:MOST_CAUSES]
    return np.sort(first[probability[first] > LEFT_OUT])


def _of_first(found, mean, share, cause):
    """What is forecast for the most probable hypothesis that is a fault."""
    evidence, probability = found[0]
    kept = likely(probability)
    sound = {int(place) for place, k in enumerate(kept) if evidence.faults.each[k][0].kind == NO_FAULT}
    weight = {c: share[cause == c].sum() for c in sorted(set(cause.tolist()) - sound)}
    if not weight:
        return mean[0]
    best = list(weight)[ranked(list(weight.values()))[0]]
    mine = cause == best
    return (mean[mine] * (share[mine] / share[mine].sum())[:, None]).sum(0)


def _forecast(expected, count, value, evidence, k, s, scale):
    """Mean and covariance of the further readings by one hypothesis, given the readings taken."""
    kind, element = evidence.faults.kind[k : k + 1], evidence.faults.element[k : k + 1]
    by_size = expected.predicted(kind, element, evidence.share[s, k : k + 1])[0]
    moves = expected.moves(kind, element, evidence.best[s, k : k + 1], scale)[0]
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

"""What :func:`simbank.diagnose` found, as tables, sentences, plain data and figures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits

from simbank import provenance
from simbank.columns import Table
from simbank.digits import duration
from simbank.results import Picture, Study, StudyResult
from simbank.scenario import Scenario
from simbank.studies.diagnosis.evidence import Evidence, ranked
from simbank.studies.diagnosis.hypotheses import NO_FAULT
from simbank.studies.diagnosis.instants import Chosen, Work, judged, work_left
from simbank.studies.diagnosis.knowledge import WORK_C, WORK_S, Knowledge
from simbank.studies.diagnosis.meter_readings import MeterReadings, Reading
from simbank.studies.diagnosis.next_reading import Candidate, candidates, next_readings, possible_drops
from simbank.studies.diagnosis.observation import At, Expected
from simbank.studies.diagnosis.response import HeldBank
from simbank.studies.diagnosis.shown import STATED_OHM, Shown, shown
from simbank.studies.diagnosis.suspects import Suspect, alike, bare_name, suspects
from simbank.studies.diagnosis.watching import LOWER_POINTS, Watched, watched
from simbank.studies.diagnosis.words import CARE, instant_words, suspect_words
from simbank.warning import BankWarning, as_records, listed

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["LEAST_BITS", "SOUND", "SUSPECT", "Diagnosis", "Found", "percent"]

SOUND = 0.5  # from here on the readings are said to fit a sound bank
SUSPECT = 0.1  # of a sound bank: below it something is said to be wrong, between the two the readings leave it open; chosen here
TOLD_SOUND = 0.8  # from here on a bank may be told to fit a sound one; between it and SOUND the readings cannot tell; chosen here
NO_FIT = 0.01  # chance of a misfit as large as that of the best cause, below which nothing fits
LEAST_BITS = 0.02  # a reading that is expected to tell less is not asked for
LEAST_TOLD = 0.02  # suspects less probable than that are left out of tables and words, but for the first three
MOST_READ_C = 0.5  # of the bank's capacity an hour: no greater current is asked for. Chosen here
UNITS = {
    "current": ("A", 1.0),
    "port": ("A", 1.0),
    "drop": ("mV", 1e3),
    "voltage": ("V", 1.0),
    "open": ("V", 1.0),
    "display": ("%", 100.0),
}
WHAT = {
    "current": "current of pack", "port": "current of port", "drop": "along", "voltage": "voltage of pack",
    "open": "voltage, switched off, of pack", "display": "displayed charge of pack",
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Found:
    """What weighing the hypotheses gave.

    Attributes
    ----------
    port : str
        That carries the bank's current.
    sign : int
        By which readings were multiplied to be positive out of the packs.
    held : HeldBank
    parts : tuple of (At, tuple of Reading)
        The bank at each instant, and what was read.
    knowledge : Knowledge
    expected : Expected
    hypotheses : tuple of (Evidence, ndarray)
        Single hypotheses, and pairs if they were looked at, with the probability of each.
    log_density : float
        Logarithm of the density of the readings over all hypotheses.
    fit_chance : float or None
        Chance of a misfit as large as that of the most probable hypothesis; None where there are too few readings to tell.
    hidden : tuple of str
        Conductors whose joints none of these readings would show.
    carried_a : tuple of ndarray, each of shape (m,)
        Current of each element at each instant by what was read of packs: along conductors by Kirchhoff's laws [A].
    """

    port: str
    sign: int
    held: HeldBank
    parts: tuple[tuple[At, tuple[Reading, ...]], ...]
    knowledge: Knowledge
    expected: Expected
    hypotheses: tuple[tuple[Evidence, np.ndarray], ...]
    log_density: float
    fit_chance: float | None
    hidden: tuple[str, ...]
    carried_a: tuple[np.ndarray, ...]

    @property
    def loaded(self) -> int:
        """Place of the first instant at which the bank carried a current."""
        return next((k for k, (at, _) in enumerate(self.parts) if at.port_a[at.port]), 0)

    @property
    def drops(self) -> dict[str, float]:
        """Drops that were read then, by conductor [V]."""
        return {r.name: r.value for r in self.parts[self.loaded][1] if r.kind == "drop"}

    def joint_drop(self, element: int, extra_ohm: float) -> tuple[float, float, float]:
        """I, I R and I (R + ΔR) of a conductor with ``extra_ohm`` in its joints, at the current that it carries by what was read [A, V, V]."""
        amperes = abs(float(self.carried_a[self.loaded][element]))
        ohm = float(self.parts[self.loaded][0].response.ohm[element])
        return amperes, amperes * ohm, amperes * (ohm + extra_ohm)


class Diagnosis(StudyResult):
    """What readings say of a bank.

    Attributes
    ----------
    scenario : Scenario
    readings : MeterReadings
    found : Found
    understood : tuple of str
        How names and signs were understood, as sentences.
    """

    INDEXED: ClassVar = False
    TABLES: ClassVar = (
        Table.of(
            "diagnose.csv", "a current that was read of a pack",
            [
                ("instant", "", "name of the instant; empty if there is one"), ("pack", "", "name of the pack"),
                ("read_a", "A", "what was read, positive out of the pack"),
                ("sound_a", "A", "what it would be in a sound bank at the same total"),
                ("suspect_a", "A", "what it would be with the first suspect"),
                ("off_percent", "%", "read against sound"),
                ("off_deviations", "", "read less sound over the standard deviation that meter and scatter of a sound bank give"),
                ("by_size_a", "A", "the bank's current times the pack's part of the capacity"),
                ("share_ratio", "", "what was read over that"), ("sound_share_ratio", "", "what it would be in a sound bank of this wiring"),
            ],
        ),
        Table.of(
            "other_readings.csv", "a reading that is no current of a pack",
            [
                ("instant", "", "name of the instant; empty if there is one"), ("what", "", "what was read, and where"),
                ("unit", "", "unit of the four values"), ("read", "", "what was read"), ("sound", "", "what it would be in a sound bank"),
                ("suspect", "", "what it would be with the first suspect"),
                ("due", "", "what is due: along a conductor resistance × current by what was read, else as in a sound bank"),
            ],
        ),
        Table.of(
            "suspects.csv", "what the readings may be due to",
            [
                ("where", "", "places that the readings do not tell apart"), ("kind", "", "kinds of fault, likewise"),
                ("probability_percent", "%", "that it is one of these"),
                ("extra_mohm", "mΩ", "resistance too much, of the most probable of them"),
                ("low_mohm", "mΩ", "5 % point of that"), ("high_mohm", "mΩ", "95 % point of that"),
                ("off_points", "points", "state of charge against the file, of the most probable of them"), ("text", "", "what to do"),
            ],
        ),
        Table.of(
            "measure_next.csv", "a reading to take next",
            [
                ("what", "", "what there is to read"), ("where", "", "at which conductor, or every pack"), ("expect", "", "what it should read"),
                ("tells_bits", "", "bits by which it is expected to lower the uncertainty about the cause"),
                ("now_percent", "%", "mean probability of the true cause now"), ("then_percent", "%", "and after it"),
            ],
        ),
    )  # fmt: skip

    def __init__(
        self, scenario: Scenario, readings: MeterReadings, found: Found, understood: tuple[str, ...], warnings: Sequence[BankWarning], made: dict,
        contradictions: tuple[str, ...] = (),
    ) -> None:  # fmt: skip
        self.contradictions = contradictions
        self.scenario, self.readings, self.found, self.understood = scenario, readings, found, understood
        self.warnings, self.made_by = list(warnings), made

    @property
    def title(self) -> str:
        return f"{self.scenario.name}: what the readings say"

    @property
    def sound_probability(self) -> float:
        """That nothing is wrong."""
        evidence, probability = self.found.hypotheses[0]
        return float(sum(p for faults, p in zip(evidence.faults.each, probability, strict=True) if faults[0].kind == NO_FAULT))

    @property
    def fits(self) -> bool:
        """Whether any hypothesis fits the readings."""
        return self.found.fit_chance is None or self.found.fit_chance >= NO_FIT

    @property
    def is_sound(self) -> bool:
        """Whether the readings fit a sound bank better than all suspects together."""
        return self.sound_probability >= SOUND and self.fits

    @property
    def is_suspect(self) -> bool:
        """Whether something is most likely wrong; neither sound nor suspect is a bank of which the readings leave it open."""
        return self.sound_probability < SUSPECT and self.fits and not self.contradictions

    @cached_property
    def shown(self) -> Shown:
        """What these readings could have shown of joints."""
        return shown(self.found.expected, self.found.hypotheses[0][0].faults)

    @property
    def unread(self) -> list[str]:
        """Packs whose current was read at no instant."""
        read = {r.name for instant in self.readings.instants for r in instant.of("current")}
        return [pack.name for pack in self.scenario.bank.packs if pack.name not in read]

    @property
    def cannot_show(self) -> bool:
        """Whether all may be sound, but a joint of :data:`STATED_OHM` too much would not have stood out, or packs were not read."""
        return self.is_sound and not self.contradictions and bool(self.unread or self.shown.hidden)

    @property
    def tells_sound(self) -> bool:
        """Whether the readings fit a sound bank with 80 % or more, and would have shown a joint of :data:`STATED_OHM` too much."""
        return self.is_sound and self.sound_probability >= TOLD_SOUND and not self.contradictions and not self.cannot_show

    @property
    def cannot_words(self) -> str:
        """Why these readings cannot show whether the bank is sound, and what would."""
        said = "These readings cannot show whether the bank is sound"
        if self.unread:
            return f"{said}: not read: {listed(self.unread)}, where a fault may hide. Read every pack at one current."
        name, ohm = self.shown.worst
        least = f"{ohm * 1e3:.2g} mΩ" if np.isfinite(ohm) else "more than 10 mΩ"
        hides = f"a joint must have {least} too much ({name}) before it stands out"
        if self.shown.by_meter:
            return f"{said}: {hides}, because pack resistances are guesses. Measure millivolts across the links, or measure the packs."
        return (
            f"{said}: the clamp alone cannot tell here, because of its error and because pack resistances are guesses; {hides}. Measure "
            "millivolts across the links, or measure the packs."
        )

    @property
    def stands_out(self) -> str:
        """The reading that is farthest from a sound bank's, in words."""
        name, r, sound, _, _ = max(self._rows, key=lambda row: abs(row[1].value - row[2]) / row[4])
        unit, factor = UNITS[r.kind]
        of = f" ({name})" if name else ""
        return f"{WHAT[r.kind]} {r.name}{of} reads {r.value * factor:.3g} {unit}, where {self._due(r, name, sound) * factor:.3g} {unit} is due"

    @cached_property
    def suspects(self) -> list[Suspect]:
        """What the readings may be due to, the most probable first; what they do not tell apart is one suspect."""
        found = self.found
        singles = found.hypotheses[0][0]
        words = suspect_words(self.scenario.bank, found.joint_drop, found.drops)
        return suspects(self.scenario.bank, found.hypotheses, alike(found.expected, singles), words)

    @property
    def told_suspects(self) -> list[Suspect]:
        """Those that tables and words tell of."""
        if self.contradictions or not self.fits:
            return []
        return [suspect for k, suspect in enumerate(self.suspects) if k < 3 or suspect.probability >= LEAST_TOLD]

    @cached_property
    def chosen(self) -> Chosen:
        """How well the first instant was chosen."""
        k = self.found.loaded
        first, (at, read) = self.readings.instants[k], self.found.parts[k]
        shares = [
            r.deviation / max(abs(r.value), 1e-9)
            for r in read
            if r.kind in ("current", "port") and abs(r.value) > 2.0 * r.deviation
        ]
        with threadpool_limits(1):
            return judged(
                self.scenario.bank, at, self.found.held, first.time_s, first.spread_s, float(np.median(shares or [0.0]))
            )

    @property
    def worked_probability(self) -> float:
        """That the packs still differ by what the bank did before the current was last changed; 0 where that is told."""
        shares = ((e.by_setting[np.array([s.worked for s in e.settings])].sum(0), p) for e, p in self.found.hypotheses)
        return float(sum(worked @ p for worked, p in shares))

    @cached_property
    def work(self) -> Work:
        """What work before may leave of packs' shares at the first current that was read."""
        with threadpool_limits(1):
            return work_left(self.found.held, self.found.parts[self.found.loaded][0], self.chosen.meter_share)

    @property
    def work_told(self) -> bool:
        """Whether what the bank did before was told."""
        return not any(setting.worked for setting in self.found.knowledge.settings)

    @property
    def work_advice(self) -> str:
        """How readings come to tell more where the bank may have worked before."""
        work, capacity = self.work, sum(pack.capacity_ah for pack in self.scenario.bank.packs)
        ways = ['tell what it did (--before "discharge 200 A for 2 h", or rest)']
        if work.current_a <= MOST_READ_C * capacity:
            ways.append(f"read at {work.current_a:.2g} A or more")
        ways.append("hold a full charge until the last pack has its fill, then read in the first minutes of a large load")
        if work.rest_s:
            ways.append(f"rest it {duration(work.rest_s)} first")
        return f"{ways[0][:1].upper()}{ways[0][1:]}, or {', or '.join(ways[1:])}."

    def _work_words(self):
        """Whether what the bank did before may make suspects."""
        if self.work_told or self.work.share <= self.chosen.meter_share:
            return []
        said = (
            f"What the bank did before this current is not told: {duration(WORK_S)} at {WORK_C:g} C right before would move shares by up to "
            f"{self.work.share * 100:.2g} %, where the meter is good for {self.chosen.meter_share * 100:.2g} %. After heavy work a suspicion is weak."
        )
        if self.worked_probability > SOUND:
            said = f"{said} So it looks here ({percent(self.worked_probability)} probable)."
        return [f"{said} {self.work_advice}"]

    @property
    def measure_next(self) -> list[Candidate]:
        """Readings that could be taken next, the one that tells most first; none where those taken are to be read again."""
        return [one for one in self._next if len(one.poles) < 2]

    @property
    def asked_next(self) -> list[Candidate]:
        """The same, with both poles of a conductor in one where the readings taken do not tell which of them it is."""
        together = {name for one in self._next if len(one.poles) > 1 for name in one.poles}
        return [one for one in self._next if len(one.poles) > 1 or not together & set(one.poles)]

    @cached_property
    def _next(self):
        if self.contradictions or not self.fits:
            return []
        found, bank = self.found, self.scenario.bank
        at = found.parts[found.loaded][0]
        other_a = 0.5 * at.port_a  # never more than was read: what conductors and packs carry is not looked at here
        other = At.of(found.held, at.port, other_a, at.time_s)
        rest = At.of(found.held, at.port, np.zeros_like(at.port_a), 0.0)
        singles, probability = found.hypotheses[0]
        drops = possible_drops(
            bank, found.parts, found.loaded, singles, probability, alike(found.expected, singles), self.readings.accuracy["drop"], found.joint_drop
        )  # fmt: skip
        expected, count, possible = candidates(
            bank, found.parts, found.loaded, drops, other, rest, dict(self.readings.accuracy), found.knowledge
        )
        with threadpool_limits(1):
            return next_readings(expected, count, possible, found.expected.value, found.hypotheses)

    def _predicted(self):
        """Every reading in a sound bank, with the first suspect, and the standard deviation of a sound bank's."""
        found = self.found
        expected = found.expected
        none = np.array([[NO_FAULT]]), np.array([[0]])
        sound = expected.predicted(*none, np.zeros((1, 1, 1)))[0, 0]
        moves = expected.moves(*none, np.zeros((1, 1)))[0]
        deviation = np.sqrt((moves[:, : -len(found.parts)] ** 2).sum(1) + expected.deviation**2)
        best = None
        for evidence, probability in found.hypotheses:
            for k in ranked(probability):
                if evidence.faults.each[k][0].kind != NO_FAULT:
                    if best is None or probability[k] > best[2]:
                        best = evidence, k, probability[k]
                    break
        evidence, k, _ = best
        s = int(np.argmax(evidence.log_joint[:, k]))
        faults = evidence.faults
        suspect = expected.predicted(faults.kind[k : k + 1], faults.element[k : k + 1], evidence.best[s, k : k + 1, None])[0, 0]
        return sound, suspect, deviation

    @cached_property
    def _rows(self):
        """(instant, reading, sound, suspect, deviation) of every reading."""
        every = [
            (instant.name, r) for instant, (_, read) in zip(self.readings.instants, self.found.parts, strict=True) for r in read
        ]
        return [(*of, *values) for of, *values in zip(every, *self._predicted(), strict=True)]

    @property
    def table(self) -> pd.DataFrame:
        """A row for every current of a pack that was read."""
        capacity = {pack.name: pack.capacity_ah for pack in self.scenario.bank.packs}
        whole = sum(capacity.values())
        total = {
            instant.name: carried[: len(capacity)].sum()
            for instant, carried in zip(self.readings.instants, self.found.carried_a, strict=True)
        }
        rows = []
        for name, r, sound, suspect, deviation in self._rows:
            if r.kind == "current":
                off = (r.value / sound - 1.0) * 100.0 if sound else np.nan
                by_size = total[name] * capacity[r.name] / whole
                ratios = (r.value / by_size, sound / by_size) if by_size else (np.nan, np.nan)
                rows.append((name, r.name, r.value, sound, suspect, off, (r.value - sound) / deviation, by_size, *ratios))
        return pd.DataFrame(rows, columns=self.TABLES[0].names)

    def _due(self, r, name, sound):
        """What a reading should be: along a conductor what a sound one drops at its current by what was read, else what a sound bank gives."""
        if r.kind != "drop":
            return sound
        k = next(k for k, instant in enumerate(self.readings.instants) if instant.name == name)
        element = len(self.scenario.bank.packs) + self._branches[r.name]
        return abs(float(self.found.carried_a[k][element])) * float(self.found.parts[k][0].response.ohm[element])

    @cached_property
    def _branches(self):
        return {branch.name: k for k, branch in enumerate(self.scenario.bank.graph.branches)}

    @property
    def other_readings(self) -> pd.DataFrame:
        """A row for everything else that was read."""
        rows = []
        for name, r, sound, suspect, _ in self._rows:
            if r.kind != "current":
                unit, factor = UNITS[r.kind]
                values = (r.value, sound, suspect, self._due(r, name, sound))
                rows.append((name, f"{WHAT[r.kind]} {r.name}", unit, *(value * factor for value in values)))
        return pd.DataFrame(rows, columns=self.TABLES[1].names)

    @property
    def suspect_table(self) -> pd.DataFrame:
        """A row for every suspect that is told of."""
        rows = []
        for suspect in self.told_suspects:
            first = suspect.members[0]
            sizes = [None if value is None else value * 1e3 for value in (first.size, first.low, first.high)]
            sizes = sizes if first.unit == "ohm" else [None, None, None]
            points = first.size if first.unit == "points" else None
            rows.append((suspect.where, suspect.kind, suspect.probability * 100.0, *sizes, points, suspect.text))
        frame = pd.DataFrame(rows, columns=self.TABLES[2].names)
        return frame.astype({name: float for name in ("extra_mohm", "low_mohm", "high_mohm", "off_points")})

    @property
    def next_table(self) -> pd.DataFrame:
        """A row for every reading that could be taken next."""
        rows = [(c.what, c.where, c.expect, c.bits, c.now * 100.0, c.then * 100.0) for c in self.asked_next]
        return pd.DataFrame(rows, columns=self.TABLES[3].names)

    @property
    def headline(self) -> str:
        """What the readings come to, in one sentence."""
        sound = self.sound_probability
        if self.contradictions:
            return " ".join(self.contradictions)
        if not self.fits:
            return (
                f"Read again: what stands out most: {self.stands_out}. "
                f"The readings fit none of the causes looked at, single or in pairs (a misfit as large has a chance of {self.found.fit_chance:.2g}): "
                "check the readings, the file, and which instant they are of."
            )
        if self.cannot_show:
            return self.cannot_words
        if self.tells_sound:
            return (
                f"The readings fit a sound bank: probability {percent(sound)} that nothing that they can show is wrong; a joint of "
                f"{STATED_OHM * 1e3:g} mΩ too much would have stood out."
            )
        first = self.suspects[0]
        open_ = "" if self.is_suspect else " These readings alone do not decide it."
        return f"Probability {percent(sound)} that all is sound.{open_} First suspect, {percent(first.probability)}: {first.where} ({first.kind})."

    @cached_property
    def watched(self) -> Watched | None:
        """The pack that is most off, as one to watch from day to day; None where no pack's current was read or none is due."""
        at, _ = self.found.parts[self.found.loaded]
        table = self.table[self.table["instant"] == self.readings.instants[self.found.loaded].name]
        table = table[(table["sound_a"] * at.port_a.sum()) > 0]
        if not len(table):
            return None
        name = table.loc[table["off_percent"].abs().idxmax(), "pack"]
        place = [pack.name for pack in self.scenario.bank.packs].index(name)
        return watched(self.found.held, at, place, [each[0] for each in self.found.hypotheses[0][0].faults.each])

    def _watch_words(self):
        if (one := self.watched) is None or one.by_joint >= 0:
            return []
        return [
            f"To watch {one.pack} from day to day, read it at the same current, as long after that came on, at the same charge. In this wiring "
            f"it should carry {one.sound_ratio:.2f} times its share by size; a change tells from {2 * self.chosen.meter_share * 100:.2g} % on, "
            f"twice the meter's error. If it then carries less: a joint on its way is worse ({STATED_OHM * 1e3:g} mΩ at {one.joint} takes "
            f"{-one.by_joint * 100:.2g} %), its own resistance has grown, or it stands lower in charge ({LOWER_POINTS:g} points take "
            f"{abs(one.by_charge) * 100:.2g} %). If it carries more, that has happened to another pack. Lost capacity hardly shows in the current, "
            "but in which pack is full or empty first: simbank log."
        ]

    @property
    def answer(self) -> list[str]:
        """What the readings come to and what to do or read next, as sentences; with the caution where something is to be done."""
        said = [self.headline]
        if not self.is_sound and not self.contradictions:
            said += [
                f"{percent(suspect.probability)}: {suspect.text}"
                for suspect in self.told_suspects[:3]
                if suspect.probability > LEAST_TOLD
            ]
        if self.asked_next and self.asked_next[0].bits > LEAST_BITS:
            first = self.asked_next[0]
            where = bare_name(first.poles[0]) if len(first.poles) > 1 else first.where
            said.append(
                f"To measure next: {first.what} ({where}): {first.expect}. On the mean it lifts the true cause from "
                f"{percent(first.now)} to {percent(first.then)}."
            )  # fmt: skip
        return [*said, CARE] if len(said) > 1 else said

    @property
    def notes(self) -> list[str]:
        """How good the instant was, how readings were understood, what was looked at, as sentences."""
        said = [*instant_words(self.chosen), *self._work_words(), *self._watch_words(), *self.understood]
        if self.found.hidden:
            said.append(f"These readings show nothing of the joints of {listed(self.found.hidden)}.")
        said.append(
            "Faults looked at: one joint, one pack's resistance or charge, one pack or string off"
            + (
                ", and two of these at once."
                if len(self.found.hypotheses) > 1
                else "; two at once were not needed to explain the readings."
            )
        )
        return said

    @property
    def words(self) -> list[str]:
        return [*self.answer, *self.notes]

    @property
    def summary(self) -> dict[str, Any]:
        chosen = self.chosen
        return {
            "scenario": self.scenario.name, "warnings": as_records(self.warnings), "sound_probability": self.sound_probability,
            "is_sound": self.tells_sound, "is_suspect": self.is_suspect,
            "fits": self.fits, "fit_chance": self.found.fit_chance, "suspects": [s.record() for s in self.told_suspects],
            "measure_next": [c.record() for c in self.measure_next], "asked_next": [c.record() for c in self.asked_next],
            "instant": {
                "time_since_change_s": chosen.time_s, "drift_percent": chosen.drift_share * 100.0, "meter_percent": chosen.meter_share * 100.0,
                "wait_s": chosen.wait_s, "current_a": chosen.current_a,
            },
            "before": {"told": self.work_told, "worked_probability": self.worked_probability, "share_percent": self.work.share * 100.0},
            "readings": self.table.astype(object).where(self.table.notna(), None).to_dict("records"),
            "understood": list(self.understood), "not_seen": list(self.found.hidden), "port": self.found.port, "words": self.words,
        }  # fmt: skip

    def plot(self) -> Figure:
        """What was read against what a sound bank and the first suspect would give, a mark a pack."""
        from simbank.plotting.reading_plots import plot_readings

        return plot_readings(self.table, self.suspects[0].where, self.title)

    def drawing(self) -> str:
        """The bank as a drawing, suspects with their numbers by probability."""
        from simbank.plotting.drawing import draw_bank

        bank = self.scenario.bank
        marks: dict[tuple[str, str], list[int]] = {}
        lines = []
        for number, suspect in enumerate(self.told_suspects, 1):
            lines.append(f"{number}: {percent(suspect.probability)} {listed(suspect.where.split(', '), 3)}")
            for fault in (fault for member in suspect.members for fault in member.faults):
                key = ("pack" if fault.name in bank.graph.packs else "branch", fault.name)
                if number not in marks.setdefault(key, []):
                    marks[key].append(number)
        at = self.found.parts[0][0]
        n = len(bank.packs)
        currents = dict(zip((b.name for b in bank.graph.branches), map(float, at.response.current_a[n:]), strict=True))
        packs = dict(zip(bank.graph.packs, map(float, at.response.current_a[:n]), strict=True))
        return draw_bank(bank, title=self.title, currents=currents, pack_currents=packs, marks=marks, legend=lines)

    def pictures(self) -> list[Picture]:
        if not len(self.table):
            return []
        caption = (
            "What was read of each pack, against a sound bank and the first suspect at the same total; bars are one standard deviation of the "
            "meter and of the scatter of a sound bank."
        )
        return [Picture("diagnose.png", self.plot(), self.title, caption)]

    def write_tables(self, folder: Path) -> None:
        for table, frame in zip(self.TABLES, (self.table, self.other_readings, self.suspect_table, self.next_table), strict=True):
            provenance.write_table(folder / table.files[0], frame, self.made_by)
        from simbank.files import write_text

        write_text(folder / "diagnose.svg", self.drawing())
        provenance.note(folder, ["diagnose.svg"], self.made_by)

    def section(self) -> Study:
        shown = self.suspect_table.drop(columns="text").rename(
            columns={
                "where": "suspect", "probability_percent": "probability [%]", "extra_mohm": "too much [mΩ]", "low_mohm": "from [mΩ]",
                "high_mohm": "to [mΩ]", "off_points": "charge [points]",
            }
        )  # fmt: skip
        caption = "Numbers are those of the suspects, the most probable first; lines as wide as the current of a sound bank at what was read."
        return replace(super().section(), table=shown, answer=(self.headline,), drawings=((self.drawing(), caption),))


def percent(share: float) -> str:
    """A probability in words; never more certain than a model of this kind can be.

    >>> percent(0.9999), percent(0.42), percent(0.001)
    ('over 99 %', '42 %', 'under 1 %')
    """
    return "over 99 %" if share > 0.99 else "under 1 %" if share < 0.01 else f"{share * 100:.0f} %"

"""What :func:`simbank.diagnose` found, as tables, sentences, plain data and figures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits

from simbank import provenance
from simbank.columns import Table
from simbank.results import Picture, Study, StudyResult
from simbank.results import Shown as ShownTable
from simbank.scenario import Scenario
from simbank.studies.diagnosis import telling
from simbank.studies.diagnosis.bank_at import At
from simbank.studies.diagnosis.evidence import ranked
from simbank.studies.diagnosis.found import (
    CLEAR_TIMES,
    LEAST_BITS,
    LEAST_TOLD,
    NO_FIT,
    NOTHING_TIMES,
    SOUND,
    SUSPECT,
    TOLD_SOUND,
    Found,
)
from simbank.studies.diagnosis.hypotheses import NO_FAULT
from simbank.studies.diagnosis.instants import Chosen, Work, judged, work_left
from simbank.studies.diagnosis.meter_readings import MeterReadings, Reading
from simbank.studies.diagnosis.next_reading import Candidate, candidates, looks, next_readings, possible_drops
from simbank.studies.diagnosis.shown import Shown, shown
from simbank.studies.diagnosis.suspects import Suspect, alike, suspect_name, suspects
from simbank.studies.diagnosis.watching import Watched, watched
from simbank.studies.diagnosis.words import kind_words, percent, suspect_words
from simbank.warning import BankWarning, as_records

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["MOST_NEXT", "NEXT_HEADINGS", "OTHER_HEADINGS", "PACK_HEADINGS", "Diagnosis"]

# Columns that are shown, with their headings.
PACK_HEADINGS = {
    "pack": "pack", "read_a": "read [A]", "by_size_a": "by size [A]", "share_ratio": "share ratio", "sound_a": "sound bank [A]",
    "sound_share_ratio": "share ratio if sound", "suspect_a": "first suspect [A]", "off_percent": "off [%]", "off_deviations": "off, deviations",
}  # fmt: skip
OTHER_HEADINGS = {"what": "read", "unit": "unit", "read": "read", "due": "due if sound", "suspect": "first suspect"}
NEXT_HEADINGS = {"what": "to measure next", "where": "where", "then_percent": "right cause then [%]"}
SUSPECT_HEADINGS = {
    "where": "suspect", "kind": "what is wrong", "probability_percent": "probability [%]", "extra_mohm": "too much [mΩ]",
    "low_mohm": "from [mΩ]", "high_mohm": "to [mΩ]", "off_points": "charge [points]",
}  # fmt: skip
QUESTION = "What do these readings at the bank say: is it sound, what is suspect, and what is to be read next?"
ROUND_A = 5.0  # to which a current that is asked for is rounded
MOST_NEXT = 5  # readings to take next that are shown


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

    @cached_property
    def carry_nothing(self) -> list[str]:
        """Packs that carry no current within the meter's error, where a clear one is due."""
        rows = [(r, sound) for _, r, sound, *_ in self.rows if r.kind == "current"]
        none = [
            r.name for r, sound in rows if abs(r.value) <= NOTHING_TIMES * r.deviation < CLEAR_TIMES * r.deviation <= abs(sound)
        ]
        return [name for name in dict.fromkeys(none) if none.count(name) == sum(r.name == name for r, _ in rows)]

    @property
    def cannot_show(self) -> bool:
        """Whether all may be sound, but a joint of :data:`STATED_OHM` too much would not have stood out, or packs were not read."""
        return self.is_sound and not self.contradictions and bool(self.unread or self.shown.hidden)

    @property
    def tells_sound(self) -> bool:
        """Whether the readings fit a sound bank with 80 % or more, and would have shown a joint of :data:`STATED_OHM` too much."""
        return self.is_sound and self.sound_probability >= TOLD_SOUND and not self.contradictions and not self.cannot_show

    @cached_property
    def suspects(self) -> list[Suspect]:
        """What the readings may be due to, the most probable first; what they do not tell apart is one suspect."""
        found = self.found
        singles = found.hypotheses[0][0]
        words = suspect_words(self.scenario.bank, found.joint_drop, found.drops, self.worked_probability > SOUND)
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
    def measure_next(self) -> list[Candidate]:
        """Readings that could be taken next, the one that tells most first; none where those taken are to be read again."""
        return [one for one in self._next if len(one.poles) < 2]

    @property
    def asked_next(self) -> list[Candidate]:
        """The same, with both poles of a conductor in one where the readings taken do not tell which of them it is."""
        together = {name for one in self._next if len(one.poles) > 1 for name in one.poles}
        return [one for one in self._next if len(one.poles) > 1 or not together & set(one.poles)]

    @property
    def asks_next(self) -> bool:
        """Whether a further reading would tell enough to be asked for."""
        return bool(self.asked_next) and (self.asked_next[0].is_look or self.asked_next[0].bits > LEAST_BITS)

    @cached_property
    def _next(self):
        if self.contradictions or not self.fits:
            return []
        found, bank = self.found, self.scenario.bank
        at = found.parts[found.loaded][0]
        other_a = 0.5 * at.port_a  # never more than was read: what conductors and packs carry is not looked at here
        total = abs(float(other_a[at.port]))
        if total >= ROUND_A and (whole := max(ROUND_A, ROUND_A * round(total / ROUND_A))) <= 2.0 * total:
            other_a = other_a * (whole / total)
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
            further = next_readings(expected, count, possible, found.expected.value, found.hypotheses, self.chosen.wait_s)
        return [*looks(found.hypotheses, self.carry_nothing), *further]

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
    def rows(self) -> list[tuple]:
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
        for name, r, sound, suspect, deviation in self.rows:
            if r.kind == "current":
                off = (r.value / sound - 1.0) * 100.0 if sound else np.nan
                by_size = total[name] * capacity[r.name] / whole
                ratios = (r.value / by_size, sound / by_size) if by_size else (np.nan, np.nan)
                rows.append((name, r.name, r.value, sound, suspect, off, (r.value - sound) / deviation, by_size, *ratios))
        return pd.DataFrame(rows, columns=self.TABLES[0].names)

    def due(self, r: Reading, name: str, sound: float) -> float:
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
        for name, r, sound, suspect, _ in self.rows:
            if r.kind != "current":
                unit, factor = telling.UNITS[r.kind]
                values = (r.value, sound, suspect, self.due(r, name, sound))
                rows.append((name, f"{telling.WHAT[r.kind]} {r.name}", unit, *(value * factor for value in values)))
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

    @property
    def headline(self) -> str:
        """What the readings come to, in one sentence."""
        return telling.headline(self)

    @property
    def cannot_words(self) -> str:
        """Why these readings cannot show whether the bank is sound, and what would."""
        return telling.cannot_words(self)

    @property
    def stands_out(self) -> str:
        """The reading that is farthest from a sound bank's, in words."""
        return telling.stands_out(self)

    @property
    def when_words(self) -> str:
        """When and how to read again, as one sentence."""
        return telling.when_words(self)

    @property
    def work_advice(self) -> str:
        """The same as :attr:`when_words`."""
        return self.when_words

    @property
    def nothing_words(self) -> list[str]:
        """Packs that carry nothing though a clear current is due, each in a sentence."""
        return telling.nothing_words(self)

    @property
    def next_words(self) -> str:
        """The reading to take next and how much it would tell; there must be one (:attr:`asks_next`)."""
        return telling.next_words(self)

    @property
    def answer(self) -> list[str]:
        """What the readings come to and what to do or read next, as sentences, with the caution."""
        return telling.answer(self)

    @property
    def notes(self) -> list[str]:
        """How good the instant was, how readings were understood, what was looked at, as sentences."""
        return telling.notes(self)

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
            lines.append(f"{number}: {percent(suspect.probability)} {suspect_name(suspect)} ({kind_words(suspect.kind)})")
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

    @property
    def shown_suspects(self) -> ShownTable:
        """Suspects as people read them: places and kinds in words, sizes to two digits."""
        frame = self.suspect_table.drop(columns="text").astype(object)
        frame["where"] = [suspect_name(suspect) for suspect in self.told_suspects]
        frame["kind"] = [kind_words(suspect.kind) for suspect in self.told_suspects]
        frame["probability_percent"] = [percent(suspect.probability).removesuffix(" %") for suspect in self.told_suspects]
        for name in ("extra_mohm", "low_mohm", "high_mohm"):
            frame[name] = [None if value != value else f"{float(f'{value:.2g}'):.12g}" for value in self.suspect_table[name]]
        frame["off_points"] = [None if value != value else f"{value:.0f}" for value in self.suspect_table["off_points"]]
        return ShownTable("What it may be due to; one row is what these readings do not tell apart", frame, SUSPECT_HEADINGS)

    def section(self) -> Study:
        suspects = [self.shown_suspects] if self.told_suspects else []
        tables = [ShownTable("What was read of each pack", self.table, PACK_HEADINGS)] if len(self.table) else []
        if len(self.other_readings):
            tables.append(ShownTable("What else was read", self.other_readings, OTHER_HEADINGS))
        tables += suspects
        if len(self.next_table):
            following = self.next_table.head(MOST_NEXT).astype({"then_percent": object})
            following["then_percent"] = [percent(share / 100.0).removesuffix(" %") for share in following["then_percent"]]
            tables.append(ShownTable("What to measure next", following, NEXT_HEADINGS))
        caption = "Numbers are those of the suspects, the most probable first; lines as wide as the current of a sound bank at what was read."
        return replace(
            super().section(), text=tuple(self.notes), table=None, question=QUESTION, answer=tuple(self.answer),
            drawings=((self.drawing(), caption),), tables=tables,
        )  # fmt: skip

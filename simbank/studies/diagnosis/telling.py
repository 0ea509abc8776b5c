"""A diagnosis in sentences: what it comes to, what to do or read next, how good the instant was, what a pack that is watched can tell."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from simbank.digits import duration
from simbank.studies.diagnosis.found import LEAST_BITS, LEAST_TOLD, SOUND
from simbank.studies.diagnosis.knowledge import WORK_C, WORK_S
from simbank.studies.diagnosis.shown import STATED_OHM
from simbank.studies.diagnosis.suspects import bare_name
from simbank.studies.diagnosis.watching import LOWER_POINTS
from simbank.studies.diagnosis.words import CARE, instant_words, percent
from simbank.warning import listed

if TYPE_CHECKING:
    from simbank.studies.diagnosis.diagnosis import Diagnosis

__all__ = ["UNITS", "WHAT", "answer", "cannot_words", "headline", "notes", "stands_out", "work_advice"]

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


def headline(diagnosis: Diagnosis) -> str:
    """What the readings come to, in one sentence."""
    sound = diagnosis.sound_probability
    if diagnosis.contradictions:
        return " ".join(diagnosis.contradictions)
    if not diagnosis.fits:
        return (
            f"Read again: what stands out most: {stands_out(diagnosis)}. "
            "The readings fit none of the causes looked at, single or in pairs (a misfit as large has a chance of "
            f"{diagnosis.found.fit_chance:.2g}): check the readings, the file, and which instant they are of."
        )
    if diagnosis.cannot_show:
        return cannot_words(diagnosis)
    if diagnosis.tells_sound:
        return (
            f"The readings fit a sound bank: probability {percent(sound)} that nothing that they can show is wrong; a joint of "
            f"{STATED_OHM * 1e3:g} mΩ too much would have stood out."
        )
    first = diagnosis.suspects[0]
    open_ = "" if diagnosis.is_suspect else " These readings alone do not decide it."
    return f"Probability {percent(sound)} that all is sound.{open_} First suspect, {percent(first.probability)}: {first.where} ({first.kind})."


def cannot_words(diagnosis: Diagnosis) -> str:
    """Why these readings cannot show whether the bank is sound, and what would."""
    said = "These readings cannot show whether the bank is sound"
    if diagnosis.unread:
        return f"{said}: not read: {listed(diagnosis.unread)}, where a fault may hide. Read every pack at one current."
    name, ohm = diagnosis.shown.worst
    least = f"{ohm * 1e3:.2g} mΩ" if np.isfinite(ohm) else "more than 10 mΩ"
    hides = f"a joint must have {least} too much ({name}) before it stands out"
    if diagnosis.shown.by_meter:
        return (
            f"{said}: {hides}, because pack resistances are guesses. Measure millivolts across the links, or measure the packs."
        )
    return (
        f"{said}: the clamp alone cannot tell here, because of its error and because pack resistances are guesses; {hides}. Measure "
        "millivolts across the links, or measure the packs."
    )


def stands_out(diagnosis: Diagnosis) -> str:
    """The reading that is farthest from a sound bank's, in words."""
    name, r, sound, _, _ = max(diagnosis.rows, key=lambda row: abs(row[1].value - row[2]) / row[4])
    unit, factor = UNITS[r.kind]
    of = f" ({name})" if name else ""
    return f"{WHAT[r.kind]} {r.name}{of} reads {r.value * factor:.3g} {unit}, where {diagnosis.due(r, name, sound) * factor:.3g} {unit} is due"


def work_advice(diagnosis: Diagnosis) -> str:
    """How readings come to tell more where the bank may have worked before."""
    work, capacity = diagnosis.work, sum(pack.capacity_ah for pack in diagnosis.scenario.bank.packs)
    ways = ['tell what it did (--before "discharge 200 A for 2 h", or rest)']
    if work.current_a <= MOST_READ_C * capacity:
        ways.append(f"read at {work.current_a:.2g} A or more")
    ways.append("hold a full charge until the last pack has its fill, then read in the first minutes of a large load")
    if work.rest_s:
        ways.append(f"rest it {duration(work.rest_s)} first")
    return f"{ways[0][:1].upper()}{ways[0][1:]}, or {', or '.join(ways[1:])}."


def work_words(diagnosis: Diagnosis) -> list[str]:
    """Whether what the bank did before may make suspects."""
    if diagnosis.work_told or diagnosis.work.share <= diagnosis.chosen.meter_share:
        return []
    most, meter = diagnosis.work.share * 100, diagnosis.chosen.meter_share * 100
    said = (
        f"What the bank did before this current is not told: {duration(WORK_S)} at {WORK_C:g} C right before would move shares by up to "
        f"{most:.2g} %, where the meter is good for {meter:.2g} %. After heavy work a suspicion is weak."
    )
    if diagnosis.worked_probability > SOUND:
        said = f"{said} So it looks here ({percent(diagnosis.worked_probability)} probable)."
    return [f"{said} {work_advice(diagnosis)}"]


def watch_words(diagnosis: Diagnosis) -> list[str]:
    if (one := diagnosis.watched) is None or one.by_joint >= 0:
        return []
    return [
        f"To watch {one.pack} from day to day, read it at the same current, as long after that came on, at the same charge. In this wiring "
        f"it should carry {one.sound_ratio:.2f} times its share by size; a change tells from {2 * diagnosis.chosen.meter_share * 100:.2g} % on, "
        f"twice the meter's error. If it then carries less: a joint on its way is worse ({STATED_OHM * 1e3:g} mΩ at {one.joint} takes "
        f"{-one.by_joint * 100:.2g} %), its own resistance has grown, or it stands lower in charge ({LOWER_POINTS:g} points take "
        f"{abs(one.by_charge) * 100:.2g} %). If it carries more, that has happened to another pack. Lost capacity hardly shows in the current, "
        "but in which pack is full or empty first: simbank log."
    ]


def answer(diagnosis: Diagnosis) -> list[str]:
    """What the readings come to and what to do or read next, as sentences; with the caution where something is to be done."""
    said = [headline(diagnosis)]
    if not diagnosis.is_sound and not diagnosis.contradictions:
        said += [
            f"{percent(suspect.probability)}: {suspect.text}"
            for suspect in diagnosis.told_suspects[:3]
            if suspect.probability > LEAST_TOLD
        ]
    if diagnosis.asked_next and diagnosis.asked_next[0].bits > LEAST_BITS:
        first = diagnosis.asked_next[0]
        where = bare_name(first.poles[0]) if len(first.poles) > 1 else first.where
        said.append(
            f"To measure next: {first.what} ({where}): {first.expect}. On the mean it lifts the true cause from "
            f"{percent(first.now)} to {percent(first.then)}."
        )  # fmt: skip
    return [*said, CARE]


def notes(diagnosis: Diagnosis) -> list[str]:
    """How good the instant was, how readings were understood, what was looked at, as sentences."""
    said = [*instant_words(diagnosis.chosen), *work_words(diagnosis), *watch_words(diagnosis), *diagnosis.understood]
    if diagnosis.found.hidden:
        said.append(f"These readings show nothing of the joints of {listed(diagnosis.found.hidden)}.")
    said.append(
        "Faults looked at: one joint, one pack's resistance or charge, one pack or string off"
        + (
            ", and two of these at once."
            if len(diagnosis.found.hypotheses) > 1
            else "; two at once were not needed to explain the readings."
        )
    )
    return said

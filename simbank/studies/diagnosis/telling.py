"""A diagnosis in sentences: what it comes to, what to do or read next, how good the instant was, what a pack that is watched can tell."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from simbank.digits import duration
from simbank.studies.diagnosis.found import LEAST_TOLD, SOUND
from simbank.studies.diagnosis.knowledge import WORK_C, WORK_S
from simbank.studies.diagnosis.shown import STATED_OHM
from simbank.studies.diagnosis.suspects import bare_name, suspect_name
from simbank.studies.diagnosis.watching import LOWER_POINTS
from simbank.studies.diagnosis.words import CARE, SURE, instant_words, kind_words, percent, wait_words
from simbank.warning import listed

if TYPE_CHECKING:
    from simbank.studies.diagnosis.diagnosis import Diagnosis

__all__ = [
    "UNITS",
    "WHAT",
    "answer",
    "cannot_words",
    "headline",
    "next_words",
    "notes",
    "nothing_words",
    "stands_out",
    "when_words",
]

MOST_READ_C = 0.5  # of the bank's capacity an hour: no greater current is asked for. Chosen here
LEAST_PART = 0.25  # of what hides a joint, from which on it is told beside the largest part
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
    named = f"{suspect_name(first)} ({kind_words(first.kind)})"
    return f"Probability {percent(sound)} that all is sound.{open_} First suspect, {percent(first.probability)}: {named}."


def nothing_words(diagnosis: Diagnosis) -> list[str]:
    """Packs that carry nothing though a clear current is due, each in a sentence: what to look at before anything else is read."""
    due = {r.name: sound for name, r, sound, *_ in diagnosis.rows if r.kind == "current" and r.name in diagnosis.carry_nothing}
    return [
        f"{name} carries nothing, where about {abs(due[name]):.2g} A is due: look at its BMS, fuse, switch and lead first. It may stand far "
        "from the others in charge: before it is closed again find out why it opened, and charge each pack to full by itself, as its maker "
        "says."
        for name in diagnosis.carry_nothing
    ]


def cannot_words(diagnosis: Diagnosis) -> str:
    """Why these readings cannot show whether the bank is sound, and what would."""
    said = "These readings cannot show whether the bank is sound"
    if diagnosis.unread:
        return f"{said}: not read: {listed(diagnosis.unread)}, where a fault may hide. Read every pack at one current."
    name, ohm = diagnosis.shown.worst
    least = f"{ohm * 1e3:.2g} mΩ" if np.isfinite(ohm) else "more than 10 mΩ"
    judged, hidden = ([*dict.fromkeys(map(bare_name, names))] for names in (diagnosis.shown.judged, diagnosis.shown.hidden))
    judged = [place for place in judged if place not in hidden]
    stated = f"{STATED_OHM * 1e3:g} mΩ"
    now = f"A joint of {stated} too much would have stood out at: {listed(judged)}; not at: {listed(hidden)}." if judged else (
        f"At no link would a joint of {stated} too much have stood out."
    )  # fmt: skip
    return (
        f"{said}: a joint must have {least} too much ({name}) before it stands out, {_hides(diagnosis, name)}. {now} Measure millivolts "
        "across the links, or measure the packs."
    )


def _hides(diagnosis, name):
    """What hides a joint there: how well packs' resistance is known, the meter, or another thing."""
    shown, known = diagnosis.shown, diagnosis.found.knowledge
    alone = shown.meter_ohm[name]
    meter = f"the meter's error, which alone hides {'all' if not np.isfinite(alone) else f'up to {alone * 1e3:.2g} mΩ'} there"
    most = known.resistance_share.max() * 100
    if known.is_said.all():
        packs = f"packs' resistance, which the file gives within ±{2.0 * most:.2g} %"
    else:
        some = "some packs'" if known.is_said.any() else "packs'"
        packs = f"{some} resistance, which the file does not give as measured (good packs differ by some {most:.2g} %)"
    words = {
        "meter": meter, "packs": packs, "joints": "good joints, which differ too", "charge": "packs' charge, which may differ a little",
        "common": "what is not known of the cells' curves, the time since the change, or what the bank did before",
    }  # fmt: skip
    shares = shown.hides[name]
    order = sorted(shares, key=shares.get, reverse=True)
    told = [words[part] for k, part in enumerate(order) if k == 0 or shares[part] >= LEAST_PART]
    if "meter" not in order[: len(told)]:
        told.append(meter)
    return f"because of {'; and '.join(told)}"


def stands_out(diagnosis: Diagnosis) -> str:
    """The reading that is farthest from a sound bank's, in words."""
    name, r, sound, _, _ = max(diagnosis.rows, key=lambda row: abs(row[1].value - row[2]) / row[4])
    unit, factor = UNITS[r.kind]
    of = f" ({name})" if name else ""
    return f"{WHAT[r.kind]} {r.name}{of} reads {r.value * factor:.3g} {unit}, where {diagnosis.due(r, name, sound) * factor:.3g} {unit} is due"


def when_words(diagnosis: Diagnosis) -> str:
    """When and how to read again, as one sentence with one time of each kind."""
    wait, advice = wait_words(diagnosis.chosen), ""
    if not diagnosis.work_told and diagnosis.work.share > diagnosis.chosen.meter_share:
        work, capacity = diagnosis.work, sum(pack.capacity_ah for pack in diagnosis.scenario.bank.packs)
        if work.rest_s:
            advice = f" after a rest of {duration(work.rest_s)}"
        elif work.current_a <= MOST_READ_C * capacity:
            advice = f" at about {5 * math.ceil(work.current_a / 5):g} A or more"
        else:
            advice = " after a full charge that is held until the last pack has its fill"
    again = f"When {listed(diagnosis.carry_nothing)} has been seen to, read" if diagnosis.carry_nothing else "Read"
    return f"{again} again{advice}: {wait}."


def work_words(diagnosis: Diagnosis) -> list[str]:
    """Whether what the bank did before may make suspects, with when to read again; nothing where one is sure in spite of that."""
    sure = diagnosis.is_suspect and diagnosis.suspects[0].probability >= SURE and diagnosis.worked_probability <= SOUND
    if sure or diagnosis.work_told or diagnosis.work.share <= diagnosis.chosen.meter_share:
        return []
    most, meter = diagnosis.work.share * 100, diagnosis.chosen.meter_share * 100
    so = f" So it looks here ({percent(diagnosis.worked_probability)} probable)." if diagnosis.worked_probability > SOUND else ""
    return [
        f"After heavy work a suspicion is weak.{so} {when_words(diagnosis)} Or tell what the bank did before this current (--before "
        f'"discharge 200 A for 2 h", or rest): {duration(WORK_S)} at {WORK_C:g} C right before would move shares by up to {most:.0f} %, where '
        f"the meter is good for {meter:.2g} %."
    ]


def next_words(diagnosis: Diagnosis) -> str:
    """The reading to take next and how much it would tell, in two sentences."""
    first = diagnosis.asked_next[0]
    where = bare_name(first.poles[0]) if len(first.poles) > 1 else first.where
    what = f"{first.what} ({where}): {first.expect}" if first.poles else first.what
    if first.is_look:
        return f"{what}."
    return f"{what}. On average the right cause is given {percent(first.now)} now, and would be given {percent(first.then)} after that reading."


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
    """What the readings come to, how weak that is, the caution; then what each suspect is, and what to read next, as sentences."""
    looks = not diagnosis.is_sound and not diagnosis.contradictions
    said = [headline(diagnosis)]
    if not diagnosis.contradictions:
        said = [*nothing_words(diagnosis), *said]
    if looks and not diagnosis.carry_nothing:
        said += work_words(diagnosis)
    said.append(CARE)
    if looks:
        said += [
            f"{percent(suspect.probability)}: {suspect.text}"
            for suspect in diagnosis.told_suspects[:3]
            if suspect.probability > LEAST_TOLD
        ]
    if diagnosis.asks_next:
        said.append(f"To measure next: {next_words(diagnosis)}")
    return said


def notes(diagnosis: Diagnosis) -> list[str]:
    """How good the instant was, when to read again, how readings were understood, what was looked at, as sentences."""
    said = instant_words(diagnosis.chosen)
    work = work_words(diagnosis)
    if work and (diagnosis.is_sound or diagnosis.contradictions or diagnosis.carry_nothing):
        said += work
    elif not work and (diagnosis.chosen.drifts or diagnosis.chosen.small):
        said.append(when_words(diagnosis))
    said += [*watch_words(diagnosis), *diagnosis.understood]
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

"""The verdicts of readings at a bank: what is suspect, whether it heats, whether the readings tell anything, what to read next."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from simbank.digits import duration
from simbank.judging import rules
from simbank.judging.rules import verdict
from simbank.judging.run_packs import hysteresis_bound_points
from simbank.judging.warned import warning_verdicts
from simbank.studies.diagnosis import Diagnosis
from simbank.studies.diagnosis.found import LEAST_BITS, SOUND
from simbank.studies.diagnosis.hypotheses import CHARGE_HIGH, CHARGE_LOW, JOINT, OFF
from simbank.studies.diagnosis.knowledge import WORK_C, WORK_S, after_work
from simbank.studies.diagnosis.suspects import bare_name, place_words, suspect_name
from simbank.studies.diagnosis.words import FULL_FIRST, SURE, kind_words, millivolts, other_pole, percent
from simbank.verdict import ACT, DANGER, Verdict

__all__ = ["diagnosis_verdicts"]


def diagnosis_verdicts(found: Diagnosis) -> Iterator[Verdict]:
    """Verdicts on readings. No bank is called free of faults: what these readings can show is all that is told of."""
    yield from warning_verdicts(found.warnings)
    if found.contradictions:
        yield verdict("readings-contradict", "bank", found.headline)
        return
    if not found.fits:
        text = (
            f"Read again: {found.stands_out}. The readings fit no cause that was looked at, single or in pairs: so large a misfit has a chance of "
            f"{found.found.fit_chance:.1g}. Check the names, signs and instant of the readings, and lengths, joints and packs of the file; then "
            "read again."
        )
        yield verdict("readings-fit-nothing", "bank", text, fit_chance=found.found.fit_chance)
    elif found.cannot_show:
        yield verdict(
            "readings-cannot-show", "bank", found.cannot_words, sound_probability=found.sound_probability,
            least_ohm=found.shown.worst[1], packs_not_read=len(found.unread),
        )  # fmt: skip
    elif found.tells_sound:
        text = (
            f"The readings fit a sound bank ({percent(found.sound_probability)} probable). That covers what they can show: no joint or pack that "
            "stands out beyond the meter and the usual scatter; small faults and other currents were not read."
        )
        yield verdict("readings-fit-sound", "bank", text, sound_probability=found.sound_probability)
    elif found.is_suspect:
        yield _suspected(found)
    else:
        first = found.suspects[0]
        text = (
            f"The readings leave it open: {found.sound_probability * 100:.0f} % probable that all is sound. First suspect with "
            f"{first.probability * 100:.0f} %: {suspect_name(first)} ({kind_words(first.kind)}). Read more before anything is taken apart."
        )
        yield verdict(
            "readings-undecided", "bank", text, sound_probability=found.sound_probability, probability=first.probability
        )
    if found.carry_nothing and not (found.is_suspect and found.suspects[0].members[0].faults[0].kind == OFF):
        yield verdict(
            "pack-off-suspected", ", ".join(found.carry_nothing), " ".join(found.nothing_words), sound_probability=found.sound_probability
        )  # fmt: skip
    yield from _displays(found)
    yield from _instant(found)
    if found.worked_probability > SOUND:
        text = (
            f"The currents are those of packs that still differ by what the bank did before ({percent(found.worked_probability)} probable): that "
            f"moves shares by up to {found.work.share * 100:.2g} % here, and every suspicion of a pack or a joint is weak. {found.when_words}"
        )
        yield verdict(
            "readings-after-work", "bank", text, worked_probability=found.worked_probability, share=found.work.share,
            meter_share=found.chosen.meter_share,
        )  # fmt: skip
    if found.measure_next and (found.measure_next[0].is_look or found.measure_next[0].bits > LEAST_BITS):
        first, single = found.asked_next[0], found.measure_next[0]
        text = f"Measure next: {found.next_words}"
        yield verdict("measure-next", single.where, text, tells_bits=single.bits, now=first.now, then=first.then)


def _suspected(found):
    """What the first suspect is and what to do about it."""
    suspect = found.suspects[0]
    member = suspect.members[0]
    fault = member.faults[0]
    bank = found.scenario.bank
    place = place_words(bank, fault)
    sure = f"{percent(suspect.probability)} probable"
    also = f"; or {len(suspect.members) - 1} more that these readings do not tell from it" if len(suspect.members) > 1 else ""
    both = f", with {place_words(bank, member.faults[1])}" if len(member.faults) > 1 else ""
    numbers = {"probability": suspect.probability, "sound_probability": found.sound_probability}
    weak = " After heavy work this suspicion is weak." if found.worked_probability > SOUND else ""
    act = suspect.probability >= SURE and not weak
    if fault.kind == OFF:
        text = (
            f"{place} carries nothing{both} ({sure}{also}): look at its BMS, fuse, switch and lead first. It may stand far from the others in "
            "charge: before it is closed again find out why it opened, and charge each pack to full by itself, as its maker says."
        )
        return verdict("pack-off-suspected", suspect.where, text, **numbers)
    if fault.kind == JOINT:
        amperes, sound, bad = found.found.joint_drop(fault.element, member.size)
        watt = amperes * (bad - sound)
        hot = watt >= rules.HOT_JOINT_W
        heat = f"It makes {watt:.2g} W of heat there{', which may burn' if hot else ''}."
        pole = other_pole(member, suspect.members[1:], found.found.drops)
        if pole is not None:
            left = len(suspect.members) - 2
            more = f"; or {left} more that these readings do not tell from it" if left else ""
            text = (
                f"The {bare_name(fault.name)} has some {member.size * 1e3:.2g} mΩ too much in one pole ({sure}{more}): at {amperes:.0f} A the bad "
                f"pole reads about {millivolts(bad)}, not {millivolts(sound)}. {heat} "
                + ("Read both poles, then, every pack isolated, retorque or clean the bad one." if act
                   else "Do not take anything apart yet: read both poles.")
            )  # fmt: skip
        else:
            text = (
                f"{place} has some {member.size * 1e3:.2g} mΩ too much{both} ({sure}{also}): at {amperes:.0f} A it should read {millivolts(sound)}, "
                f"not {millivolts(bad)}. {heat} "
                + ("Every pack isolated, retorque or clean it." if act else "Do not take anything apart yet: read it.")
            )
        return verdict(
            "joint-suspected", suspect.where, text + weak, DANGER if hot else ACT, extra_ohm=member.size, heat_w=watt, current_a=amperes, **numbers
        )  # fmt: skip
    if fault.kind in (CHARGE_LOW, CHARGE_HIGH):
        text = (
            f"{place} stands some {abs(member.size):.0f} points {'lower' if fault.kind == CHARGE_LOW else 'higher'} in charge than the file "
            f"says{both} ({sure}{also}): {FULL_FIRST}."
        )
        return verdict("pack-suspected", suspect.where, text + weak, points=member.size, **numbers)
    text = f"{place} has some {member.size * 1e3:.2g} mΩ more resistance than the file says{both} ({sure}{also}): " + (
        "the pack isolated, look at its terminals and its BMS first, then at its cells." if act
        else "do not take anything apart yet: read its voltage before and just after a load comes on."
    )  # fmt: skip
    return verdict("pack-suspected", suspect.where, text + weak, extra_ohm=member.size, **numbers)


def _instant(found):
    """Whether the readings were taken at a moment that can tell anything."""
    chosen = found.chosen
    if not (chosen.drifts or chosen.small):
        return
    if chosen.drifts:
        since = "The time since the current was changed is not told" if chosen.time_s is None else "Too soon after a change"
        text = (
            f"{since}: shares move by {chosen.drift_share * 100:.2g} %, the meter is good for {chosen.meter_share * 100:.2g} %. "
            f"{found.when_words} Write time_since_change_s."
        )
    else:
        text = f"The current is small for the meter, whose error is {chosen.meter_share * 100:.2g} % of it: read again at a greater one."
    yield verdict(
        "instant-ill-chosen", "bank", text, drift_share=chosen.drift_share, meter_share=chosen.meter_share,
        wait_s=float("nan") if chosen.wait_s is None else chosen.wait_s,
    )  # fmt: skip


def _displays(found):
    """Displays that disagree: what cells can hold apart at rest, what heavy work leaves besides, and whether instants agree on it."""
    packs = {pack.name: k for k, pack in enumerate(found.scenario.bank.packs)}
    shown = [{r.name: r.value for r in read if r.kind == "display" and r.name in packs} for _, read in found.found.parts]
    k = max(range(len(shown)), key=lambda j: np.ptp(list(shown[j].values())) if len(shown[j]) > 1 else 0.0)
    if len(shown[k]) < 2:
        return
    high, low = max(shown[k], key=shown[k].get), min(shown[k], key=shown[k].get)
    points = 100.0 * (shown[k][high] - shown[k][low])
    one, other = (found.scenario.bank.packs[packs[name]] for name in (high, low))
    if points < rules.SPREAD_TOLD_POINTS or one.chemistry is not other.chemistry or one.cells_in_series != other.cells_in_series:
        return
    held = found.found.held
    soc = float(np.mean(held.start[: held.n]))
    bound = hysteresis_bound_points(one, soc, soc, found.scenario.bank.ambient_k)
    left = max(100.0 * float(np.ptp(worked.start[: held.n])) for worked in after_work(held, found.found.parts[k][0].port))
    text = f"{high} shows {shown[k][high] * 100:z.0f} % and {low} {shown[k][low] * 100:z.0f} %, {points:.0f} points apart. "
    if np.isfinite(bound):
        text += f"At rest cells of this kind hold up to {bound:.0f} points apart about {soc * 100:.0f} % (the gap of hysteresis over the slope)"
        text += f"; {duration(WORK_S)} at {WORK_C:g} C leave {left:.0f} in this bank, until they level. "
    if points > bound:
        text += (
            f"{points - bound:.0f} or more are then the counters', or what a bad joint has left and rest has not levelled yet."
        )
    else:
        text += "So much may be real: displays alone do not tell."
    apart = [100.0 * (each[high] - each[low]) for each in shown if high in each and low in each]
    jump = max(apart) - min(apart)
    if jump >= rules.DISPLAY_WRONG_POINTS:
        told = " and ".join(f"{value:.0f}" for value in apart)
        text += f" The instants disagree: {high} stands {told} points above {low}. Unless hours lie between, a counter was set anew or has jumped."
    text += " A charge held until each BMS calls its pack full sets counters right."
    yield verdict(
        "displays-apart", f"{high}, {low}", text, displayed_spread_points=points, hysteresis_bound_points=bound,
        beyond_bound_points=max(0.0, points - bound), work_points=left, between_instants_points=jump,
    )  # fmt: skip

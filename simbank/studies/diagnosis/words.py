"""What a suspect is and what to do about it, as sentences."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from simbank.bank import Bank
from simbank.digits import duration
from simbank.studies.diagnosis.hypotheses import CHARGE_HIGH, CHARGE_LOW, JOINT, OFF, RESISTANCE, Fault
from simbank.studies.diagnosis.instants import READ_S, Chosen
from simbank.studies.diagnosis.suspects import Member, bare_name, place_words

__all__ = [
    "CARE",
    "FULL_FIRST",
    "SURE",
    "instant_words",
    "kind_words",
    "millivolts",
    "other_pole",
    "percent",
    "suspect_words",
    "wait_words",
]

CARE = (
    "Live DC work: with the main disconnect open every link of a parallel bank still stands at the packs' 48 V. Before a bolt is touched "
    "switch off or isolate each pack and verify with a meter; use insulated tools, take off rings and chains. Millivolts along a loaded "
    "link: fused leads, and probes that cannot slip across poles. Keep to the pack maker's torque and the local code; a licensed person "
    "does it where that asks for one."
)
SURE = 0.9  # from here on a suspect may be taken apart; below it is read first. Chosen here
NOT_YET = "do not take anything apart yet"
FULL_FIRST = "charge each pack to full by itself, as its maker says, then read again: packs at equal voltage need not stand at equal charge"
IN_WORDS = {
    "joint": "bad joint", "pack-resistance": "more resistance", "charge-low": "less charge", "charge-high": "more charge", "off": "off",
}  # fmt: skip
JointDrop = Callable[[int, float], tuple[float, float, float]]
PARTS = {
    JOINT: "millivolts from end to end of it",
    RESISTANCE: "its voltage before and just after a load comes on",
    CHARGE_LOW: "its voltage switched off and rested",
    CHARGE_HIGH: "its voltage switched off and rested",
    OFF: "whether its BMS and device are closed",
}
MOST_LISTED = 3


def suspect_words(
    bank: Bank, joint_drop: JointDrop, drops: dict[str, float], weak: bool = False
) -> Callable[[Sequence[Member]], str]:
    """A function from the members of a suspect to what to do about it.

    Parameters
    ----------
    bank : Bank
        As it should be.
    joint_drop : callable
        (element, extra ohms) → the current along a conductor [A], what it should drop and what it drops [V].
    drops : dict of str to float
        Drops that were read then, by conductor [V].
    weak : bool
        Whether the packs look as if they still differed by work, so that nothing is to be taken apart.
    """

    def words(members: Sequence[Member]) -> str:
        first, others = members[0], members[1:]
        sure = not weak and sum(member.probability for member in members) >= SURE
        pole = other_pole(first, others, drops)
        if pole is not None:
            said = _either_pole(joint_drop, first, sure)
            others = [member for member in others if member is not pole]
        else:
            done = (
                _done(bank, joint_drop, fault, first if len(first.faults) == 1 else None, drops, sure) for fault in first.faults
            )
            said = "; and ".join(done)
            said = said[:1].upper() + said[1:] + "."
        if len(first.faults) > 1:
            return f"{said} These readings do not tell it from {len(others)} other pairs." if others else said
        names = ["the other pole"] if pole is not None else []
        names += [_named(bank, member.faults[0]) for member in others[:MOST_LISTED]]
        names += [f"{len(others) - MOST_LISTED} more"] if len(others) > MOST_LISTED else []
        if names:
            said += f" These readings do not tell it from {names[0] if len(names) == 1 else ', '.join(names[:-1]) + ' or ' + names[-1]}."
        if others:
            said += f" To tell them apart: {'; '.join(dict.fromkeys(PARTS[member.faults[0].kind] for member in members))}."
        return said

    return words


def other_pole(first: Member, others: Sequence[Member], drops: Mapping[str, float]) -> Member | None:
    """The member that is the same conductor's joint at the other pole, where neither pole was read; None if there is none."""
    fault = first.faults[0]
    if len(first.faults) > 1 or fault.kind != JOINT or bare_name(fault.name) == fault.name:
        return None
    return next(
        (
            member for member in others
            if len(member.faults) == 1 and member.faults[0].kind == JOINT and not {member.where, fault.name} & set(drops)
            and bare_name(member.where) == bare_name(fault.name)
        ),
        None,
    )  # fmt: skip


def _either_pole(joint_drop, member, sure):
    amperes, sound, bad = joint_drop(member.faults[0].element, member.size)
    begin, end = ("Read", " Then, every pack isolated, retorque or clean that one.") if sure else (f"D{NOT_YET[1:]}: read", "")
    return (
        f"{begin} millivolts from end to end of the {bare_name(member.where)} at both poles: at {amperes:.3g} A the pole that reads about "
        f"{millivolts(bad)} instead of {millivolts(sound)} is the bad one, with {_size(member)}.{end}"
    )


def _size(member):
    return f"{_milli(member.size)} too much ({_milli(member.low)} to {_milli(member.high)})"


def _named(bank: Bank, fault: Fault) -> str:
    kinds = {
        RESISTANCE: "the resistance of {}", CHARGE_LOW: "low charge of {}", CHARGE_HIGH: "high charge of {}", JOINT: "{}", OFF: "{} being off",
    }  # fmt: skip
    return kinds[fault.kind].format(place_words(bank, fault))


def _done(bank, joint_drop, fault, member, drops, sure):
    """What one fault is and what to do about it, without a stop."""
    place = place_words(bank, fault)
    if fault.kind == OFF:
        return f"{place} carries no current: look whether its BMS has blocked it, its fuse or breaker is open, a lead is loose"
    if fault.kind == JOINT:
        if member is None:  # one of two
            amperes, sound, _ = joint_drop(fault.element, 0.0)
            read = f", yours reads {drops[fault.name] * 1e3:.3g} mV" if fault.name in drops else ""
            should = f"at {amperes:.3g} A {millivolts(sound)} from end to end{read}"
            if sure:
                return f"every pack isolated, retorque or clean {place} if it reads more than it should: {should}"
            return f"{NOT_YET}: read {place}, which should read {should}"
        amperes, sound, bad = joint_drop(fault.element, member.size)
        should = f"at {amperes:.3g} A it should read {millivolts(sound)} from end to end"
        if fault.name in drops:
            yours = f"{should}, yours reads {drops[fault.name] * 1e3:.3g} mV"
            if sure:
                return f"every pack isolated, retorque or clean {place}, {_size(member)}: {yours}"
            return f"{NOT_YET}: read {place} again, {_size(member)}: {yours}"
        if sure:
            return f"read {place}; every pack isolated, retorque or clean it if it reads so: {should}, with {_size(member)} about {millivolts(bad)}"
        return f"{NOT_YET}: read {place}: {should}, with {_size(member)} about {millivolts(bad)}"
    if fault.kind == RESISTANCE:
        size = "" if member is None else f" by {_milli(member.size)} ({_milli(member.low)} to {_milli(member.high)})"
        first = (
            "the pack isolated, look at its terminals and its BMS, then at its cells"
            if sure
            else f"{NOT_YET}: read {PARTS[RESISTANCE]}"
        )
        return f"{place} has more resistance than the file says{size}: {first}"
    way = "lower" if fault.kind == CHARGE_LOW else "higher"
    size = (
        ""
        if member is None
        else f"{abs(member.size):.0f} points ({min(abs(member.low), abs(member.high)):.0f} to {max(abs(member.low), abs(member.high)):.0f}) "
    )
    return f"{place} stands {size}{way} in charge than the file says: {FULL_FIRST}"


def millivolts(volt: float) -> str:
    """A drop to two digits, from 10 mV on to a whole millivolt.

    >>> millivolts(0.00936), millivolts(0.1339)
    ('9.4 mV', '134 mV')
    """
    return f"{volt * 1e3:.0f} mV" if volt >= 9.95e-3 else f"{volt * 1e3:.2g} mV"


def _milli(ohm: float) -> str:
    return f"{ohm * 1e3:.2g} mΩ"


def kind_words(kind: str) -> str:
    """Kinds of a suspect in words.

    >>> kind_words("pack-resistance, charge-low"), kind_words("joint and off")
    ('more resistance, or less charge', 'bad joint and off')
    """
    return ", or ".join(" and ".join(IN_WORDS[word] for word in part.split(" and ")) for part in kind.split(", "))


def wait_words(chosen: Chosen) -> str:
    """When to read after a change of current, as the end of a sentence."""
    if chosen.wait_s is None:
        return "read at a smaller steady current: at this one no instant within four hours holds still"
    wait = f"wait {duration(chosen.wait_s)}, then" if chosen.wait_s else "and"
    return f"put a steady current on, {wait} read all packs within {duration(READ_S)}"


def instant_words(chosen: Chosen) -> list[str]:
    """Whether the instant was well chosen, as sentences."""
    said = []
    meter = f"{chosen.meter_share * 100:.2g} %"
    if chosen.drifts and chosen.time_s is None:
        said.append(
            f"When the current was last changed is not told, and that moves shares by up to {chosen.drift_share * 100:.2g} %, more than the "
            f"meter's {meter}: write time_since_change_s."
        )
    elif chosen.drifts:
        said.append(
            f"The instant was ill chosen: within {duration(READ_S)} shares drift by {chosen.drift_share * 100:.2g} %, more than the meter's "
            f"{meter}, since cells relax after a change."
        )
    else:
        said.append(
            f"The instant was well chosen: shares move by {chosen.drift_share * 100:.2g} % within the {duration(READ_S)} that reading a bank "
            f"takes, the meter is good for {meter}."
        )
    if chosen.small:
        said.append(f"The current is small for the meter, which is good for {meter} of it: read again at a greater one.")
    return said


def percent(share: float) -> str:
    """A probability in words; never more certain than a model of this kind can be.

    >>> percent(0.9999), percent(0.42), percent(0.001)
    ('over 99 %', '42 %', 'under 1 %')
    """
    return "over 99 %" if share > 0.99 else "under 1 %" if share < 0.01 else f"{share * 100:.0f} %"

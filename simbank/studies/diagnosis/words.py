"""What a suspect is and what to do about it, as sentences."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from simbank.bank import Bank
from simbank.digits import duration
from simbank.studies.diagnosis.hypotheses import CHARGE_HIGH, CHARGE_LOW, JOINT, OFF, RESISTANCE, Fault
from simbank.studies.diagnosis.instants import READ_S, Chosen
from simbank.studies.diagnosis.suspects import Member, bare_name, place_words

__all__ = ["CARE", "instant_words", "millivolts", "other_pole", "percent", "suspect_words"]

CARE = (
    "Live DC work: with the main disconnect open every link of a parallel bank still stands at the packs' 48 V. Before a bolt is touched "
    "switch off or isolate each pack and verify with a meter; use insulated tools, take off rings and chains. Millivolts along a loaded "
    "link: fused leads, and probes that cannot slip across poles. Keep to the pack maker's torque and the local code; a licensed person "
    "does it where that asks for one."
)
JointDrop = Callable[[int, float], tuple[float, float, float]]
PARTS = {
    JOINT: "millivolts from end to end of it",
    RESISTANCE: "its voltage before and just after a load comes on",
    CHARGE_LOW: "its voltage switched off and rested",
    CHARGE_HIGH: "its voltage switched off and rested",
    OFF: "whether its BMS and device are closed",
}
MOST_LISTED = 3


def suspect_words(bank: Bank, joint_drop: JointDrop, drops: dict[str, float]) -> Callable[[Sequence[Member]], str]:
    """A function from the members of a suspect to what to do about it.

    Parameters
    ----------
    bank : Bank
        As it should be.
    joint_drop : callable
        (element, extra ohms) → the current along a conductor [A], what it should drop and what it drops [V].
    drops : dict of str to float
        Drops that were read then, by conductor [V].
    """

    def words(members: Sequence[Member]) -> str:
        first, others = members[0], members[1:]
        pole = other_pole(first, others, drops)
        if pole is not None:
            said = _either_pole(joint_drop, first)
            others = [member for member in others if member is not pole]
        else:
            done = (_done(bank, joint_drop, fault, first if len(first.faults) == 1 else None, drops) for fault in first.faults)
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


def _either_pole(joint_drop, member):
    amperes, sound, bad = joint_drop(member.faults[0].element, member.size)
    return (
        f"Read millivolts from end to end of the {bare_name(member.where)} at both poles: at {amperes:.3g} A the pole that reads about "
        f"{millivolts(bad)} instead of {millivolts(sound)} is the bad one, with {_size(member)}. Retorque or clean that one."
    )


def _size(member):
    return f"{_milli(member.size)} too much ({_milli(member.low)} to {_milli(member.high)})"


def _named(bank: Bank, fault: Fault) -> str:
    kinds = {
        RESISTANCE: "the resistance of {}", CHARGE_LOW: "low charge of {}", CHARGE_HIGH: "high charge of {}", JOINT: "{}", OFF: "{} being off",
    }  # fmt: skip
    return kinds[fault.kind].format(place_words(bank, fault))


def _done(bank, joint_drop, fault, member, drops):
    """What one fault is and what to do about it, without a stop."""
    place = place_words(bank, fault)
    if fault.kind == OFF:
        return f"{place} carries no current: look whether its BMS has blocked it, its fuse or breaker is open, a lead is loose"
    if fault.kind == JOINT:
        if member is None:  # one of two
            amperes, sound, _ = joint_drop(fault.element, 0.0)
            read = f", yours reads {drops[fault.name] * 1e3:.3g} mV" if fault.name in drops else ""
            return f"retorque or clean {place} if it reads more than it should: at {amperes:.3g} A {millivolts(sound)} from end to end{read}"
        amperes, sound, bad = joint_drop(fault.element, member.size)
        should = f"at {amperes:.3g} A it should read {millivolts(sound)} from end to end"
        if fault.name in drops:
            return f"retorque or clean {place}, {_size(member)}: {should}, yours reads {drops[fault.name] * 1e3:.3g} mV"
        return f"retorque or clean {place} if it reads so: {should}, with {_size(member)} about {millivolts(bad)}"
    if fault.kind == RESISTANCE:
        size = "" if member is None else f" by {_milli(member.size)} ({_milli(member.low)} to {_milli(member.high)})"
        return f"{place} has more resistance than the file says{size}: look at its terminals and its BMS, then at its cells"
    way = "lower" if fault.kind == CHARGE_LOW else "higher"
    size = (
        ""
        if member is None
        else f"{abs(member.size):.0f} points ({min(abs(member.low), abs(member.high)):.0f} to {max(abs(member.low), abs(member.high)):.0f}) "
    )
    return f"{place} stands {size}{way} in charge than the file says: bring it to the others' resting voltage before it is judged"


def millivolts(volt: float) -> str:
    """A drop to two digits, from 10 mV on to a whole millivolt.

    >>> millivolts(0.00936), millivolts(0.1339)
    ('9.4 mV', '134 mV')
    """
    return f"{volt * 1e3:.0f} mV" if volt >= 9.95e-3 else f"{volt * 1e3:.2g} mV"


def _milli(ohm: float) -> str:
    return f"{ohm * 1e3:.2g} mΩ"


def instant_words(chosen: Chosen) -> list[str]:
    """Whether the instant was well chosen, and how long to wait, as sentences."""
    said = []
    meter = f"{chosen.meter_share * 100:.2g} %"
    reading = f"the {duration(READ_S)} that reading a bank takes"
    if chosen.wait_s is None:
        wait = "no instant within four hours is steady at this current: read at a smaller one"
    elif chosen.wait_s == 0.0:
        wait = "any instant will do at this current"
    else:
        wait = f"from {duration(chosen.wait_s)} after a change on they hold still"
    if chosen.drifts and chosen.time_s is None:
        said.append(
            f"When the current was last changed is not told, and that moves shares by up to {chosen.drift_share * 100:.2g} %, more than the "
            f"meter's {meter}: write time_since_change_s. Relaxation goes on for an hour after a change; {wait}."
        )
    elif chosen.drifts:
        said.append(
            f"The instant was ill chosen: within {reading} shares drift by {chosen.drift_share * 100:.2g} %, more than the meter's {meter}, since "
            f"relaxation goes on for an hour after a change; {wait}."
        )
    else:
        said.append(f"Shares move by {chosen.drift_share * 100:.2g} % within {reading}, the meter is good for {meter}; {wait}.")
    if chosen.small:
        said.append(f"The current is small for the meter, which is good for {meter} of it: read again at a greater one.")
    return said


def percent(share: float) -> str:
    """A probability in words; never more certain than a model of this kind can be.

    >>> percent(0.9999), percent(0.42), percent(0.001)
    ('over 99 %', '42 %', 'under 1 %')
    """
    return "over 99 %" if share > 0.99 else "under 1 %" if share < 0.01 else f"{share * 100:.0f} %"

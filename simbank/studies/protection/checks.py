"""A check: one rule at one place that passes, fails or is not checkable; the rules and where they are from."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

__all__ = [
    "CODES",
    "CONDUCTOR",
    "CURVE",
    "FAIL",
    "LEFT_OUT",
    "NOTE",
    "NOT_CHECKABLE",
    "PASS",
    "RATINGS",
    "RULES",
    "Check",
    "OpenCase",
    "hangs_on",
    "judge",
    "unknown",
]

PASS, FAIL, NOT_CHECKABLE, NOTE = "pass", "fail", "not checkable", "note"

# Each rule: its title and where it is from.
RULES = {
    "device present": ("every parallel pack, every string and every port has a device that opens", "common practice, no source"),
    "interrupting rating": ("interrupting rating ≥ prospective current", "NFPA 70 110.9, IEC 60364-4-43 434.5.1; from memory"),
    "voltage rating": ("DC voltage rating ≥ highest voltage of the bank", "NFPA 70 240.60, IEC 60947-1; from memory"),
    "rating ≤ ampacity": (
        "continuous current that devices let pass ≤ ampacity",
        "NFPA 70 240.4, IEC 60364-4-43 433.1; from memory",
    ),
    "rating ≥ load": (
        "rating ≥ margin × load that lasts",
        "NFPA 70 215.3 (125 % of a continuous load), UL 489; secondary source",
    ),
    "ampacity ≥ load": (
        "ampacity of a conductor ≥ margin × load that lasts",
        "NFPA 70 215.2(A)(1) (125 % of a continuous load); from memory",
    ),
    "withstand": ("∫ i² dt until cleared ≤ k² S²", "IEC 60364-4-43 434.5.2, IEC 60949; secondary source"),
    "clears in time": ("least fault current clears within the wanted time", "IEC 60364-4-41 411.3.2 (5 s); from memory"),
    "voltage drop": ("drop from pack to port at full load ≤ limit", "common practice, no source (3 %)"),
    "outage": ("with one pack or string out at full load nothing else opens", "common practice, no source"),
    "shorted cell": ("neighbours' feed into a shorted pack meets a device", "common practice, no source"),
    "trip curve": ("the curve that is given reaches the greatest current through the device", "common practice, no source"),
    "both polarities": ("both polarities protected alike", "common practice, no source"),
}
CODES = {
    rule: rule.replace(" ≤ ", " within ").replace(" ≥ ", " above ").replace(" ", "-") for rule in RULES
}  # stable, for programs
# What is wanted where a rule is not checkable.
RATINGS, CURVE, CONDUCTOR, LEFT_OUT = (
    "DC ratings of a device",
    "time-current curve of a device",
    "size, insulation or ampacity of a conductor",
    "resistance of joints and of wiring inside packs",
)


@dataclass(frozen=True)
class Check:
    """One rule at one place.

    ``value`` is what was found and ``limit`` what it is held against, in ``unit``; ``text`` says it in words, and for a rule that
    is not checkable, what to measure or look up. The same as data: ``part`` is the bare name of the device, conductor, pack, string or
    port, and of a fault that of its place; ``numbers`` are the figures of the text, units in their names, and
    the places and devices that it names; ``wants`` names the kinds of
    reading without which it cannot be made. With bands, ``fails_in`` is the share of the draws in which it fails (or, if it passes by the
    file's middle values, does not pass), and ``decided_by`` the key that decides it.
    """

    rule: str
    where: str
    status: str
    text: str
    value: float | None = None
    limit: float | None = None
    unit: str = ""
    part: str = ""
    numbers: Mapping[str, float | str | None] = field(default_factory=dict)
    wants: tuple[str, ...] = ()
    fails_in: float | None = None
    decided_by: str | None = None

    @property
    def record(self) -> dict:
        """As a row of the table of checks."""
        fields = {key: getattr(self, key) for key in self.__dataclass_fields__}
        if self.fails_in is None:  # not judged in draws
            del fields["fails_in"], fields["decided_by"]
        return fields | {"part": self.part or self.where, "code": CODES[self.rule], "source": self.source}

    @property
    def source(self) -> str:
        """Where its rule is from."""
        return RULES[self.rule][1]


def judge(
    rule: str,
    where: str,
    good: bool,
    text: str,
    value: float | None = None,
    limit: float | None = None,
    unit: str = "",
    *,
    part: str = "",
    **numbers: float | str | None,
) -> Check:
    """A check that passes if ``good``, else fails; the rest as in :class:`Check`."""
    return Check(rule, where, PASS if good else FAIL, text, value, limit, unit, part, numbers)


def unknown(rule: str, where: str, text: str, *wants: str, part: str = "", **numbers: float | str | None) -> Check:
    """A check that cannot be made; ``text`` says what to measure or look up; the rest as in :class:`Check`."""
    return Check(rule, where, NOT_CHECKABLE, text, part=part, numbers=numbers, wants=wants)


@dataclass(frozen=True)
class OpenCase:
    """A case to judge: in words ("" for what the data says), the devices that never open, and the line of the others' curves.

    ``wants`` names the kinds of reading that would rule it out or in.
    """

    words: str
    failed: frozenset[str]
    line: str
    wants: tuple[str, ...] = ()


def hangs_on(first: Check, others: Iterable[tuple[OpenCase, Check]]) -> Check:
    """A check as the data says it, held against the same check in other cases that the data leaves open.

    What fails fails. What passes in ``first`` but not in one of ``others``, pairs of (open case, check), hangs on what is not known: it
    is not checkable, and says what it would be in each case.
    """
    for open_case, other in others:
        if first.status == PASS and other.status != PASS:
            text = f"{first.text}. But {open_case.words}: {other.text}"
            return replace(first, status=NOT_CHECKABLE, text=text, wants=open_case.wants)
    return first

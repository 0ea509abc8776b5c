"""A check: one rule at one place that passes, fails or is not checkable; the rules and where they are from."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = [
    "FAIL",
    "NOTE",
    "NOT_CHECKABLE",
    "PASS",
    "RULES",
    "Check",
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
    "withstand": ("∫ i² dt until cleared ≤ k² S²", "IEC 60364-4-43 434.5.2, IEC 60949; secondary source"),
    "clears in time": ("least fault current clears within the wanted time", "IEC 60364-4-41 411.3.2 (5 s); from memory"),
    "voltage drop": ("drop from pack to port at full load ≤ limit", "common practice, no source (3 %)"),
    "outage": ("with one pack or string out at full load nothing else opens", "common practice, no source"),
    "shorted cell": ("neighbours' feed into a shorted pack meets a device", "common practice, no source"),
    "trip curve": ("the curve that is given reaches the greatest current through the device", "common practice, no source"),
    "both polarities": ("both polarities protected alike", "common practice, no source"),
}


@dataclass(frozen=True)
class Check:
    """One rule at one place.

    ``value`` is what was found and ``limit`` what it is held against, in ``unit``; ``text`` says it in words, and for a rule that
    is not checkable, what to measure or look up.
    """

    rule: str
    where: str
    status: str
    text: str
    value: float | None = None
    limit: float | None = None
    unit: str = ""

    @property
    def source(self) -> str:
        """Where its rule is from."""
        return RULES[self.rule][1]


def judge(
    rule: str, where: str, good: bool, text: str, value: float | None = None, limit: float | None = None, unit: str = ""
) -> Check:
    """A check that passes if ``good``, else fails; the rest as in :class:`Check`."""
    return Check(rule, where, PASS if good else FAIL, text, value, limit, unit)


def unknown(rule: str, where: str, text: str) -> Check:
    """A check that cannot be made; ``text`` says what to measure or look up."""
    return Check(rule, where, NOT_CHECKABLE, text)


def hangs_on(first: Check, others: Iterable[tuple[str, Check]]) -> Check:
    """A check as the data says it, held against the same check in other cases that the data leaves open.

    What fails fails. What passes in ``first`` but not in one of ``others``, pairs of (words for the case, check), hangs on what is
    not known: it is not checkable, and says what it would be in each case.
    """
    for words, other in others:
        if first.status == PASS and other.status != PASS:
            text = f"{first.text}. But {words}: {other.text}"
            return replace(first, status=NOT_CHECKABLE, text=text)
    return first

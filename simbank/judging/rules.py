"""Every rule that makes a verdict: its code, how grave it is, when it speaks, its threshold and where that is from."""

from __future__ import annotations

from dataclasses import dataclass

from simbank.verdict import ACT, DANGER, NOTE, UNKNOWN, Verdict

__all__ = ["RULES", "Rule", "verdict"]

PRACTICE = "common practice, no source"


@dataclass(frozen=True)
class Rule:
    """One rule.

    Attributes
    ----------
    code : str
    severity : str
        The gravest that its verdicts have.
    meaning : str
        When it speaks.
    threshold : str
        From where on.
    source : str
        Where the threshold is from: published, ``common practice, no source``, or ``chosen here`` with the reason.
    """

    code: str
    severity: str
    meaning: str
    threshold: str
    source: str


def _rules(*rows):
    return {row[0]: Rule(*row) for row in rows}


RULES = _rules(
    ("mixed-chemistry", DANGER, "packs of several chemistries in parallel", "as the warning", PRACTICE),
    ("unequal-cell-count", DANGER, "packs with unequal numbers of cells in parallel", "as the warning", PRACTICE),
    ("no-own-device", DANGER, "a pack or string in parallel without a device of its own", "any", PRACTICE),
    ("more-verdicts", NOTE, "more was found than is told", "more than asked for", "chosen here: seven sentences are read, more are not"),
    ("nothing-found", NOTE, "no rule spoke", "none", PRACTICE),
    ("not-checked", UNKNOWN, "what the result says nothing of", "always", PRACTICE),
    ("warned", ACT, "a warning without a rule of its own", "any", PRACTICE),
)  # fmt: skip


def verdict(code: str, where: str, text: str, severity: str | None = None, **numbers) -> Verdict:
    """A verdict of a rule of :data:`RULES`, of its severity unless another is given."""
    return Verdict(code, severity or RULES[code].severity, where, text, numbers)

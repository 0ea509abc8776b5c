"""The verdicts of any results: what the rules find, worst first, as many as are asked for."""

from __future__ import annotations

from typing import Any

from simbank.judging.rules import RULES, verdict
from simbank.verdict import NOTE, SEVERITIES, Verdict

__all__ = ["verdicts"]


def verdicts(*results: Any, most: int = 7) -> list[Verdict]:
    """What results come to, in sentences for the person who has to act.

    Parameters
    ----------
    *results : Result, Comparison, Sweep, Sensitivity, Sizing, Drift, Usable or Protection
        Of the same bank. What several of them say is said once.
    most : int
        Greatest number of verdicts; if there are more, the last one says how many, and how grave.

    Returns
    -------
    list of Verdict
        Worst first.
    """
    found = {}
    for result in results:
        for warning in result.warnings:
            code = warning.code if warning.code in RULES else "warned"
            found.setdefault((code, warning.where), verdict(code, warning.where, warning.text))
    rank = list(SEVERITIES)
    ordered = sorted(found.values(), key=lambda v: rank.index(v.severity))
    if not ordered:
        ordered = [verdict("nothing-found", "bank", "No rule found anything; what was not checked stands below.")]
    return ordered if len(ordered) <= most else [*ordered[: most - 1], _more(ordered[most - 1 :])]


def _more(left):
    """How many more there are, of what severity."""
    counts = {severity: sum(v.severity == severity for v in left) for severity in SEVERITIES}
    told = ", ".join(f"{count} {severity}" for severity, count in counts.items() if count)
    gravest = next(severity for severity, count in counts.items() if count)
    text = f"{len(left)} more are not told here: {told}."
    return verdict("more-verdicts", "bank", text, gravest if gravest != NOTE else None, **{s: c for s, c in counts.items() if c})

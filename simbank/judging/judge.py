"""The verdicts of any results: what the rules find, worst first, as many as are asked for."""

from __future__ import annotations

from typing import Any

from simbank.errors import InputError
from simbank.judging.rules import RULES, verdict
from simbank.judging.run import run_verdicts
from simbank.judging.wiring import unknown_ampacity
from simbank.simulation import Result
from simbank.studies.rule_figures import conductors
from simbank.verdict import ACT, DANGER, SEVERITIES, Verdict

__all__ = ["shortened", "verdicts"]

RUN_LOOKED_AT = "the run's load, sharing, spread and temperatures"


def verdicts(*results: Any, most: int = 7) -> list[Verdict]:
    """What results come to, in sentences for the person who has to act.

    Parameters
    ----------
    *results : Result, Comparison, Sweep, Sensitivity, Sizing, Drift, Usable, Bill, Diagnosis, Protection or another StudyResult
        Of the same bank; also a table of :func:`simbank.sweep` or :func:`simbank.usable`. What several of them say is said once.
    most : int
        Greatest number of verdicts, 1 or more; if there are more, the last one says how many, and how grave. Of 1, the worst alone.

    Returns
    -------
    list of Verdict
        Worst first. That none is of danger says that these rules found none, and no more.

    Raises
    ------
    TypeError
        For anything else than these results.
    InputError
        If ``most`` is no whole number of 1 or more.
    """
    if not isinstance(most, int) or isinstance(most, bool) or most < 1:
        raise InputError("must be a whole number, 1 or more", key="most", value=most)
    if all(isinstance(result, Result) for result in results):
        protected, found = False, _found([(result, list(run_verdicts(result))) for result in results])
    else:  # of studies, which a run does not wait for
        from simbank.judging import kinds
        from simbank.judging.drawn import over_draws

        results = [kinds.whole(result) for result in results]
        protected = any(kinds.knows_protection(result) for result in results)
        said = [(result, list(kinds.found_in(result))) for result in results]
        by_weight = sorted(
            said, key=lambda pair: not isinstance(pair[0], kinds.Protection)
        )  # it knows more of devices and faults
        found = over_draws(_found(by_weight), said)
    if not any(told.severity in (DANGER, ACT) for told in found.values()) and "nothing-found" not in found and results:
        found["nothing-found"] = _nothing(results, found)
    if results and not protected:
        found["protection-not-looked-at"] = verdict(
            "protection-not-looked-at", "bank",
            "Fault currents, what fuses and breakers can break, and what cables stand in a fault were not looked at here: run simbank protect "
            "before anything is connected.",
        )  # fmt: skip
    places = {code: k for k, code in enumerate(RULES)}
    rank = {severity: k for k, severity in enumerate(SEVERITIES)}
    return shortened(sorted(found.values(), key=lambda told: (rank[told.severity], places[told.code])), most)


def shortened(ordered: list[Verdict], most: int) -> list[Verdict]:
    """The first of verdicts that stand worst first, and in the last how many more there are."""
    if len(ordered) <= most or most == 1:
        return ordered[:most]
    return [*ordered[: most - 1], _more(ordered[most - 1 :])]


def _found(said):
    """The verdicts of (result, what it says), by code: what several say is said once."""
    found = {}
    for _, verdicts in said:
        for told in verdicts:
            found.setdefault(told.code, told)
    return found


def _nothing(results, found):
    """What was looked at where no rule of danger or act spoke."""
    looked = "; ".join(dict.fromkeys(words for result in results for words in _looked_at(result)))
    text = (
        f"These rules found nothing to act on in what was looked at: {looked}. They rest on the numbers of the file, and say nothing of "
        "what it leaves out."
    )
    return verdict("nothing-found", "bank", text)


def _looked_at(result):
    """What was looked at in one result, in words; in some kinds nothing that could be named."""
    if isinstance(result, Result):
        return [RUN_LOOKED_AT + _cables(result)]
    from simbank.judging import kinds

    return [words for kind, words in kinds.LOOKED_AT.items() if isinstance(result, kind)]


def _cables(run):
    """Whether the load of cables was looked at, of all, of some or of none: only where ampacity is known."""
    if not len(run.pack_samples.time_s):
        return ""
    unknown, every = len(unknown_ampacity(run)), len(conductors(run.scenario.bank))
    if unknown:
        return ", loads of those cables whose ampacity is known" if unknown < every else " (no cable loads)"
    return ", cable loads" if every else ""


def _more(left):
    """How many more there are, of what severity."""
    counts = {severity: sum(told.severity == severity for told in left) for severity in SEVERITIES}
    counts = {severity: count for severity, count in counts.items() if count}
    told = ", ".join(f"{count} of {severity}" for severity, count in counts.items())
    text = f"{len(left)} more verdicts are not told here: {told} ({', '.join(v.code for v in left)}). Option --wide tells all; in Python most=99."
    return verdict("more-verdicts", "bank", text, next(iter(counts)), **counts)

"""The verdicts of any results: what the rules find, worst first, as many as are asked for."""

from __future__ import annotations

from collections.abc import Iterable
from functools import singledispatch
from typing import Any

import pandas as pd

from simbank.errors import InputError
from simbank.judging.ageing import ageing_verdicts
from simbank.judging.at_rest import at_rest_verdicts
from simbank.judging.diagnosis import diagnosis_verdicts
from simbank.judging.drawn import bands_verdicts, over_draws
from simbank.judging.joining import join_verdicts
from simbank.judging.layouts import comparison_verdicts
from simbank.judging.logs import log_verdicts
from simbank.judging.protection import protection_verdicts
from simbank.judging.rules import RULES, verdict
from simbank.judging.run import run_verdicts
from simbank.judging.sizes import sizing_verdicts
from simbank.judging.studies import bill_verdicts, drift_verdicts, sensitivity_verdicts, sweep_verdicts, usable_verdicts
from simbank.judging.warned import warning_verdicts
from simbank.judging.wiring import unknown_ampacity
from simbank.results import StudyResult
from simbank.simulation import Result
from simbank.studies import Sweep, Usable
from simbank.studies.ageing import Ageing
from simbank.studies.at_rest_result import AtRest
from simbank.studies.bands_result import Bands
from simbank.studies.bill import Bill
from simbank.studies.compare import Comparison
from simbank.studies.diagnosis import Diagnosis
from simbank.studies.drift import Drift
from simbank.studies.join_result import Join
from simbank.studies.logs import FittedLog
from simbank.studies.protection import Protection
from simbank.studies.rule_figures import conductors
from simbank.studies.sensitivity import Sensitivity
from simbank.studies.size import Sizing
from simbank.verdict import ACT, DANGER, SEVERITIES, Verdict

__all__ = ["shortened", "verdicts"]

FRAMES = {"simbank.sweep": Sweep, "simbank.usable": Usable}  # studies that give a bare table
LOOKED_AT = {
    Bands: "the draws of what is not known",
    Result: "the run's load, sharing, spread and temperatures",
    Comparison: "load, sharing and spread of every layout",
    Sizing: "ampacity, devices and the limits given of every size",
    Sweep: "sharing and spread of every run",
    Sensitivity: "one figure over the runs",
    Drift: "spread by chemistry",
    Usable: "energy from full to cut-off",
    Bill: "the bank as the file describes it",
    Ageing: "capacity and resistance over years, by the law named",
    AtRest: "what was read at rest",
    Diagnosis: "what was read, as far as it can show",
    FittedLog: "the logged currents, as far as they can show",
    Join: "currents at the moment of joining, sharing by place",
}


@singledispatch
def found_in(result: Any) -> Iterable[Verdict]:
    """Every verdict of one result, in any order; of a kind without rules of its own, what its warnings tell."""
    if isinstance(result, StudyResult):
        return warning_verdicts(result.warnings)
    raise TypeError(f"no rules for {type(result).__name__}")


found_in.register(Result, run_verdicts)
found_in.register(Bands, bands_verdicts)
found_in.register(Comparison, comparison_verdicts)
found_in.register(Sweep, sweep_verdicts)
found_in.register(Sensitivity, sensitivity_verdicts)
found_in.register(Sizing, sizing_verdicts)
found_in.register(Drift, drift_verdicts)
found_in.register(Usable, usable_verdicts)
found_in.register(Bill, bill_verdicts)
found_in.register(Ageing, ageing_verdicts)
found_in.register(AtRest, at_rest_verdicts)
found_in.register(Diagnosis, diagnosis_verdicts)
found_in.register(FittedLog, log_verdicts)
found_in.register(Join, join_verdicts)
found_in.register(Protection, protection_verdicts)


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
    results = [_whole(result) for result in results]
    protected = any(isinstance(result, Protection) or (isinstance(result, Join) and result.protection) for result in results)
    found = {}
    for result in sorted(
        results, key=lambda result: not isinstance(result, Protection)
    ):  # which knows more of devices and faults
        for told in found_in(result):
            found.setdefault(told.code, told)
    found = over_draws(found, results)
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


def _whole(result):
    """A result of a study that gives a bare table."""
    if isinstance(result, pd.DataFrame) and (kind := FRAMES.get(result.attrs.get("made_by", {}).get("function"))):
        return kind(result)
    return result


def _nothing(results, found):
    """What was looked at where no rule of danger or act spoke."""
    looked = "; ".join(
        dict.fromkeys(
            words + (_cables(result) if kind is Result else "")
            for result in results
            for kind, words in LOOKED_AT.items()
            if isinstance(result, kind)
        )
    )
    text = (
        f"These rules found nothing to act on in what was looked at: {looked}. They rest on the numbers of the file, and say nothing of "
        "what it leaves out."
    )
    return verdict("nothing-found", "bank", text)


def _cables(run):
    """Whether the load of cables was looked at, of all, of some or of none: only where ampacity is known."""
    if not len(run.packs):
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

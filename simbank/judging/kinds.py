"""Which rules judge which kind of study, and what was looked at in each."""

from __future__ import annotations

from collections.abc import Iterable
from functools import singledispatch
from typing import Any

import pandas as pd

from simbank.judging.ageing import ageing_verdicts
from simbank.judging.at_rest import at_rest_verdicts
from simbank.judging.diagnosis import diagnosis_verdicts
from simbank.judging.drawn import bands_verdicts
from simbank.judging.joining import join_verdicts
from simbank.judging.layouts import comparison_verdicts
from simbank.judging.logs import log_verdicts
from simbank.judging.protection import protection_verdicts
from simbank.judging.run import run_verdicts
from simbank.judging.sizes import sizing_verdicts
from simbank.judging.studies import bill_verdicts, drift_verdicts, sensitivity_verdicts, sweep_verdicts, usable_verdicts
from simbank.judging.warned import warning_verdicts
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
from simbank.studies.sensitivity import Sensitivity
from simbank.studies.size import Sizing
from simbank.verdict import Verdict

__all__ = ["LOOKED_AT", "found_in", "knows_protection", "whole"]

FRAMES = {"simbank.sweep": Sweep, "simbank.usable": Usable}  # studies that give a bare table
LOOKED_AT = {
    Bands: "the draws of what is not known",
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


def knows_protection(result: Any) -> bool:
    """Whether fault currents and what breaks them were looked at."""
    return isinstance(result, Protection) or (isinstance(result, Join) and bool(result.protection))


def whole(result: Any) -> Any:
    """A result, of a study that gives a bare table too."""
    if isinstance(result, pd.DataFrame) and (kind := FRAMES.get(result.attrs.get("made_by", {}).get("function"))):
        return kind(result)
    return result

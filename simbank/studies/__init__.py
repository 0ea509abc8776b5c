"""Studies: each a function from scenarios to a table."""

from simbank.simulation.result import Result
from simbank.studies.ageing import Ageing, age
from simbank.studies.at_rest import at_rest
from simbank.studies.at_rest_result import AtRest
from simbank.studies.bands import bands
from simbank.studies.bands_result import Bands
from simbank.studies.bill import Bill, bill
from simbank.studies.compare import Comparison, compare
from simbank.studies.described import bank_warnings
from simbank.studies.diagnosis import Diagnosis, diagnose
from simbank.studies.drift import Drift, drift
from simbank.studies.join import join
from simbank.studies.join_result import Join
from simbank.studies.logs import FittedLog, fit_log
from simbank.studies.protection import Assumptions, Protection, protect
from simbank.studies.read import StoredStudy, read
from simbank.studies.readings import readings
from simbank.studies.sensitivity import Sensitivity, sensitivity
from simbank.studies.size import Limits, Sizing, size
from simbank.studies.sweep import Sweep, sweep
from simbank.studies.usable import Usable, usable

__all__ = [
    "RESULTS", "Ageing", "Assumptions", "AtRest", "Bands", "FittedLog", "Join", "Limits", "StoredStudy", "Sweep", "Usable", "age", "at_rest", "bands",
    "bank_warnings", "bill", "compare", "diagnose", "drift", "fit_log", "join", "protect", "read", "readings", "sensitivity", "size",
    "sweep", "usable",
]  # fmt: skip

RESULTS = {
    "run": Result, "compare": Comparison, "sweep": Sweep, "sensitivity": Sensitivity, "size": Sizing, "drift": Drift, "usable": Usable,
    "protect": Protection, "bill": Bill, "diagnose": Diagnosis, "log": FittedLog, "join": Join, "atrest": AtRest, "age": Ageing, "run --bands": Bands,
}  # fmt: skip

"""Studies: each a function from scenarios to a table."""

from simbank.studies.compare import compare
from simbank.studies.described import bank_warnings
from simbank.studies.drift import drift
from simbank.studies.protection import Assumptions, protect
from simbank.studies.sensitivity import sensitivity
from simbank.studies.size import Limits, size
from simbank.studies.sweep import Sweep, sweep
from simbank.studies.usable import Usable, usable

__all__ = [
    "Assumptions",
    "Limits",
    "Sweep",
    "Usable",
    "bank_warnings",
    "compare",
    "drift",
    "protect",
    "sensitivity",
    "size",
    "sweep",
    "usable",
]

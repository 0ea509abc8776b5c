"""Studies: each a function from scenarios to a table."""

from simbank.studies.compare import compare
from simbank.studies.drift import drift
from simbank.studies.sweep import sweep
from simbank.studies.usable import usable

__all__ = ["compare", "drift", "sweep", "usable"]

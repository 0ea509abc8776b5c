"""What a log of currents says of a bank: its packs and joints, and since when its shares drift."""

from simbank.studies.logs.fit_log import fit_log
from simbank.studies.logs.fitted import FittedLog

__all__ = ["FittedLog", "fit_log"]

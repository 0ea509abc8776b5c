"""What readings at a bank say is wrong with it."""

from simbank.studies.diagnosis.diagnose import diagnose
from simbank.studies.diagnosis.diagnosis import Diagnosis

__all__ = ["Diagnosis", "diagnose"]

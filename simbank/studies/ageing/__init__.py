"""Ten years: who ages first, and do the packs grow together or apart."""

from simbank.studies.ageing.aged import Ageing
from simbank.studies.ageing.among_alike import among_alike
from simbank.studies.ageing.worth import worth
from simbank.studies.ageing.years import age

__all__ = ["Ageing", "age", "among_alike", "worth"]

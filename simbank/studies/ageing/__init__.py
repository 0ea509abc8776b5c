"""Ten years: who ages first, and do the packs grow together or apart."""

from simbank.studies.ageing.age import age
from simbank.studies.ageing.aged import Ageing
from simbank.studies.ageing.worth import worth

__all__ = ["Ageing", "age", "worth"]

"""Ten years: who ages first, and do the packs grow together or apart."""

from simbank.studies import hand_on

_HOMES = {"Ageing": "aged", "age": "years", "among_alike": "among_alike", "worth": "worth"}
hand_on(__name__, _HOMES)

__all__ = [*_HOMES]

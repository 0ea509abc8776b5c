"""Protection: what can flow in a fault, what breaks it, what carries on."""

from simbank.studies.protection.protect import NOT_CHECKED, Assumptions, Protection, protect

__all__ = ["NOT_CHECKED", "Assumptions", "Protection", "protect"]

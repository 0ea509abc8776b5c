"""Protection: what can flow in a fault, what breaks it, what carries on. README.md beside this file tells how it is worked out."""

from simbank.studies.protection.assumptions import Assumptions
from simbank.studies.protection.protect import protect
from simbank.studies.protection.protection import NOT_CHECKED, Protection

__all__ = ["NOT_CHECKED", "Assumptions", "Protection", "protect"]

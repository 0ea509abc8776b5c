"""What :func:`simbank.simulate` wants of a scenario, for a bank or duty that a study has changed."""

from __future__ import annotations

from dataclasses import dataclass

from simbank.bank import Bank
from simbank.duty import Duty, SampledDuty

__all__ = ["Case"]


@dataclass(frozen=True)
class Case:
    """A bank and what is asked of it."""

    name: str
    bank: Bank
    duty: Duty | SampledDuty

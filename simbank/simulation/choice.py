"""Which integrator makes a run: the one that is named, or else the reference where it takes about a second and the fast one beyond.

How long the reference takes is estimated from what is known before the run: it begins anew at each row of the duty, steps through its
hours, and solves systems of equations that grow with the packs. Measured on the shipped scenarios, repeated and with 2 to 64 packs
(tests/bench/README.md), the estimate is within a factor of four; the fast integrator was the quicker one in all of them.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from simbank.bank import Bank
from simbank.duty import Duty, SampledDuty
from simbank.errors import InputError

__all__ = ["AUTO", "INTEGRATORS", "Choice", "choose_integrator", "reference_seconds"]

AUTO = "auto"
INTEGRATORS = ("reference", "fast")
WORTH_WAITING_S = 1.0
# Measured on the machine of tests/bench/README.md: a row, an hour, and how both grow with the packs.
ROW_S, HOUR_S, FEW_PACKS, GROWTH = 1.3e-3, 2.5e-3, 5, 1.5


class Choice(NamedTuple):
    """An integrator's name, and why it was chosen; empty where it was named."""

    name: str
    because: str = ""


def reference_seconds(bank: Bank, duty: Duty | SampledDuty) -> float:
    """How long the reference integrator takes for a run, by estimate [s].

    >>> from simbank.scenario import example
    >>> chain, year = example("classroom_chain"), example("hilltop_clinic_days", {"duty.days": 365})
    >>> round(reference_seconds(chain.bank, chain.duty), 2), round(reference_seconds(year.bank, year.duty))
    (0.07, 705)
    """
    rows = duty.length if isinstance(duty, SampledDuty) else len(duty.steps) * duty.repeat
    packs = max(1.0, len(bank.packs) / FEW_PACKS) ** GROWTH
    return (ROW_S * rows + HOUR_S * duty.duration_s / 3600.0) * packs


def choose_integrator(
    runs: Iterable[tuple[Bank, Duty | SampledDuty]],
    integrator: str | Choice = AUTO,
    method: str = "LSODA",
    tolerance: float | None = None,
) -> Choice:
    """The integrator of runs that are waited for together.

    Parameters
    ----------
    runs : iterable of (Bank, Duty or SampledDuty)
        All of them.
    integrator : {"auto", "reference", "fast"} or Choice
        A choice that was made already stays as it is.
    method, tolerance
        As in :func:`simbank.simulate`. Other than the usual ones they are meant for the reference where no integrator is named.

    Raises
    ------
    InputError
        If there is no such integrator.
    """
    if isinstance(integrator, Choice):
        return integrator
    if integrator in INTEGRATORS:
        return Choice(integrator)
    if integrator != AUTO:
        told = ", ".join((AUTO, *INTEGRATORS))
        raise InputError(f"unknown integrator; use one of {told}", key="integrator", value=integrator)
    if tolerance is not None or method != "LSODA":
        return Choice("reference", "a tolerance or method was given, which is the reference's unless the fast one is named")
    seconds = sum(reference_seconds(bank, duty) for bank, duty in runs)
    if seconds <= WORTH_WAITING_S:
        return Choice("reference", f"by estimate it takes {_told(seconds)}")
    return Choice("fast", f"by estimate the reference would take {_told(seconds)}")


def _told(seconds):
    if seconds < 120.0:
        return f"{max(seconds, 0.1):.1f} s" if seconds < 10.0 else f"{seconds:.0f} s"
    return f"{seconds / 60.0:.0f} min" if seconds < 7200.0 else f"{seconds / 3600.0:.0f} h"

"""What made the result of a study: its scenario, its function, and settings, those left to their usual values among them."""

from __future__ import annotations

from typing import Any

from simbank.errors import InputError
from simbank.provenance import made_by
from simbank.scenario import Scenario
from simbank.simulation.choice import INTEGRATORS
from simbank.simulation.run_warnings import FAST_TOLERANCE, REFERENCE_TOLERANCE

__all__ = ["STUDY_TOLERANCE", "refuse_auto", "study_made_by"]

STUDY_TOLERANCE = 1e-8  # of drift and usable, from the command line and from Python, where none is given


def study_made_by(scenario: Scenario, study: str, **settings: Any) -> dict[str, Any]:
    """What makes the result of a study, as plain data; a tolerance that was not given is the integrator's usual one.

    Parameters
    ----------
    scenario : Scenario
        What was computed.
    study : str
        Name of its function, such as "sweep".
    **settings
        ``integrator``, ``tolerance`` and whatever else decides the numbers; what is None is left out.
    """
    usual = FAST_TOLERANCE if settings["integrator"] == "fast" else REFERENCE_TOLERANCE
    settings["tolerance"] = settings.get("tolerance") or usual
    return made_by(scenario, f"simbank.{study}", **settings)


def refuse_auto(integrator: str) -> None:
    """Raise an InputError unless one of the integrators is named: all runs of a study are made by the same."""
    if integrator not in INTEGRATORS:
        raise InputError(f"use {' or '.join(INTEGRATORS)}", key="integrator", value=integrator)

"""Bands that a report has unasked, in as many draws as their time allows."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from simbank.cli.output import say
from simbank.cli.progress import progress_bar

if TYPE_CHECKING:
    from simbank.cli.output import Command

__all__ = ["report_bands", "study_bands"]


def report_bands(
    name: str, given: int | None, quiet: bool, fit: Callable[[], int | None], make: Callable[[int, Callable[[float], None] | None], Any],
    most_s: float | None = None,
) -> tuple[Any, str]:  # fmt: skip
    """Bands for a report where ``--bands`` is not given.

    Parameters
    ----------
    name : str
        Of the scenario.
    given : int or None
        What ``--bands`` says; with a number there is nothing to add.
    quiet : bool
        Whether nothing is said on the terminal.
    fit : callable
        How many draws the time allows, 0 if too few.
    make : callable
        Makes them, of a number of draws and with a callable for the fraction done.
    most_s : float, optional
        The time that they may take [s]; by default that of a study's.

    Returns
    -------
    object or None
        What ``make`` gives.
    str
        Why there are none; empty where none are wanted, or they are there.
    """
    from simbank.report.of_run import STUDY_S, fitting_bands

    def stage():
        return progress_bar(f"Bands of {name} for the report", quiet)

    return fitting_bands(given, fit, make, stage, (lambda text: None) if quiet else say, STUDY_S if most_s is None else most_s)


def study_bands(
    command: Command, given: int | None, one: Callable[[], Any], make: Callable[[int, Callable[[float], None] | None], Any],
    most_s: float | None = None,
) -> tuple[Any, str]:  # fmt: skip
    """Bands for the report of a study, and why there are none; ``one`` does what one draw takes, the rest as in :func:`report_bands`."""
    from simbank.report.of_run import STUDY_S
    from simbank.studies.bands import draws_that_fit

    most_s = STUDY_S if most_s is None else most_s
    return report_bands(command.scenario.name, given, command.json, lambda: draws_that_fit(one, most_s), make, most_s)

"""Bands that a report has unasked, in as many draws as their time allows."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from simbank.cli.options import BANDS_DRAWS
from simbank.cli.output import say
from simbank.cli.progress import progress_bar
from simbank.digits import duration
from simbank.errors import RunStopped, SimulationError

if TYPE_CHECKING:
    from simbank.cli.output import Command
    from simbank.scenario import Scenario
    from simbank.studies.protection import Assumptions

__all__ = ["STUDY_S", "fault_draws", "report_bands", "study_bands"]

STUDY_S = 6.0  # that bands of a report of a study may take, on a processor of their own


def report_bands(
    name: str, given: int | None, quiet: bool, fit: Callable[[], int | None], make: Callable[[int, Callable[[float], None] | None], Any],
    most_s: float = STUDY_S,
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
    most_s : float
        The time that they may take [s].

    Returns
    -------
    object or None
        What ``make`` gives.
    str
        Why there are none; empty where none are wanted, or they are there.
    """
    if given is not None:
        return None, ""
    draws, why = fit(), ""
    if not draws:
        why = (
            f"Bands are left out of the report: draws of what is not known would take more than {duration(most_s)}. "
            "--bands 50 makes them all the same."
        )
        if not quiet:
            say(why)
        return None, why
    if draws < BANDS_DRAWS and not quiet:
        say(
            f"Bands of {draws} rather than {BANDS_DRAWS} draws in the report, since a run takes long; --bands {BANDS_DRAWS} makes all."
        )
    try:
        with progress_bar(f"Bands of {name} for the report", quiet) as progress:
            return make(draws, progress), ""
    except RunStopped:
        raise
    except SimulationError as error:
        return None, f"Bands are left out of the report: {error}."


def study_bands(
    command: Command, given: int | None, one: Callable[[], Any], make: Callable[[int, Callable[[float], None] | None], Any],
    most_s: float = STUDY_S,
) -> tuple[Any, str]:  # fmt: skip
    """Bands for the report of a study, and why there are none; ``one`` does what one draw takes, the rest as in :func:`report_bands`."""
    from simbank.studies.bands import draws_that_fit

    return report_bands(command.scenario.name, given, command.json, lambda: draws_that_fit(one, most_s), make, most_s)


def fault_draws(scenario: Scenario, given: int | None, seed: int, assumptions: Assumptions | None = None) -> int | None:
    """Draws for bands of fault currents: as many as ``--bands`` says, or the time allows; None where that is too few.

    What is left of the time when the draws have been judged, which takes as long however many they are, goes to drawing.
    """
    from simbank.simulation.run import linear_algebra_threads
    from simbank.studies.bands import draws_that_fit
    from simbank.studies.drivers import FEWEST
    from simbank.studies.protection import Assumptions as Usual
    from simbank.studies.protection.drawn_faults import DrawnFaults
    from simbank.studies.protection.judged_draws import judging_seconds

    if given is not None:
        return given if given >= FEWEST else None
    case = assumptions or Usual()
    with linear_algebra_threads().limit(limits=1):  # as where they are made
        left_s = STUDY_S - judging_seconds(scenario.bank, case, STUDY_S)
        draws = 0 if left_s <= 0.0 else draws_that_fit(lambda: DrawnFaults.of(scenario, case, 1, seed, lambda done: None), left_s)
    return draws if draws >= FEWEST else None

"""The report of a run: its bands, layouts side by side where the file gives their parts, protection; all of it on one page."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

from simbank.digits import duration
from simbank.errors import RunStopped, SimulationError
from simbank.report.html import write_report
from simbank.scenario import Scenario
from simbank.simulation import Result
from simbank.studies.bands import DRAWS
from simbank.studies.bands_result import Bands
from simbank.studies.protection import Assumptions

__all__ = ["REPORT_S", "STUDY_S", "Stage", "fault_draws", "fitting_bands", "write_run_report"]

REPORT_S = 60.0  # that bands of a report of a run may take, on a processor of their own
STUDY_S = 6.0  # that those of a study, and of fault currents, may take
Stage = Callable[[str], AbstractContextManager[Callable[[float], None] | None]]


def write_run_report(
    scenario: Scenario, path: str | Path, result: Result, bands: Bands | None, draws: int | None, seed: int, stage: Stage,
    say: Callable[[str], Any],
) -> Path:  # fmt: skip
    """Write what ``simbank run FILE --report`` writes.

    Parameters
    ----------
    scenario : Scenario
        The bank and its duty.
    path : path-like
        The HTML file.
    result : Result
        Of the run.
    bands : Bands or None
        Of the run, if they were made before.
    draws : int or None
        Of what is not known: 0 for none, None for as many as ``REPORT_S`` allows.
    seed : int
        Of the draws.
    stage : callable
        Given words for what is done next; within what it gives that is done, and the callable had from it takes the fraction done.
    say : callable
        Called with what a person must know.

    Returns
    -------
    pathlib.Path
        The file written.
    """
    from simbank.studies import compare, protect
    from simbank.studies.bands import affordable_draws
    from simbank.studies.bands import bands as study

    why, comparison = "", None
    if bands is None:
        bands, why = fitting_bands(
            draws, lambda: affordable_draws(scenario, REPORT_S),
            lambda draws, progress: study(scenario, draws, seed, progress=progress),
            lambda: stage(f"Bands of {scenario.name} for the report"), say, REPORT_S,
        )  # fmt: skip
    with stage(f"Layouts and protection of {scenario.name} for the report") as progress:
        half = progress and (lambda done: progress(done / 2.0))
        if scenario.layout != "graph":
            comparison = compare(scenario, integrator="fast", progress=half)
        rest = progress and (lambda done: progress(0.5 + done / 2.0))
        protection = protect(scenario, progress=rest, bands=fault_draws(scenario, draws, seed), seed=seed)
    with stage(f"Report of {scenario.name}"):
        return write_report(
            scenario, path, result=result, comparison=comparison, protection=protection, bands=bands, without_bands=why
        )


def fitting_bands(
    given: int | None, fit: Callable[[], int | None], make: Callable[[int, Callable[[float], None] | None], Any],
    stage: Callable[[], AbstractContextManager[Callable[[float], None] | None]], say: Callable[[str], Any], most_s: float = STUDY_S,
) -> tuple[Any, str]:  # fmt: skip
    """Bands that a report has unasked, in as many draws as their time allows.

    Parameters
    ----------
    given : int or None
        Draws that were asked for; with a number, 0 too, there is nothing to add.
    fit : callable
        How many draws the time allows, 0 if too few.
    make : callable
        Makes them, of a number of draws and with a callable for the fraction done.
    stage, say
        As in :func:`write_run_report`; ``stage`` without words.
    most_s : float
        That they may take [s].

    Returns
    -------
    object or None
        What ``make`` gives.
    str
        Why there are none; empty where none are wanted, or they are there.
    """
    if given is not None:
        return None, ""
    draws = fit()
    if not draws:
        why = (
            f"Bands are left out of the report: draws of what is not known would take more than {duration(most_s)}. "
            "--bands 50 makes them all the same."
        )
        say(why)
        return None, why
    if draws < DRAWS:
        say(f"Bands of {draws} rather than {DRAWS} draws in the report, since a run takes long; --bands {DRAWS} makes all.")
    try:
        with stage() as progress:
            return make(draws, progress), ""
    except RunStopped:
        raise
    except SimulationError as error:
        return None, f"Bands are left out of the report: {error}."


def fault_draws(scenario: Scenario, given: int | None, seed: int, assumptions: Assumptions | None = None) -> int | None:
    """Draws for bands of fault currents: as many as ``--bands`` says, or the time allows; None where that is too few.

    What is left of the time when the draws have been judged, which takes as long however many they are, goes to drawing.
    """
    from simbank.simulation.run import linear_algebra_threads
    from simbank.studies.bands import draws_that_fit
    from simbank.studies.drivers import FEWEST
    from simbank.studies.protection.drawn_faults import DrawnFaults
    from simbank.studies.protection.judged_draws import judging_seconds

    if given is not None:
        return given if given >= FEWEST else None
    case = assumptions or Assumptions()
    with linear_algebra_threads().limit(limits=1):  # as where they are made
        left_s = STUDY_S - judging_seconds(scenario.bank, case, STUDY_S)
        draws = 0 if left_s <= 0.0 else draws_that_fit(lambda: DrawnFaults.of(scenario, case, 1, seed, lambda done: None), left_s)
    return draws if draws >= FEWEST else None

"""Runs of scenarios at drawn values: one after another, or spread over processes where that is quicker; stopped, they stay."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from simbank.bank import LAYOUTS, own_layouts
from simbank.errors import InputError, RunStopped, SimulationError
from simbank.interrupts import heard_by
from simbank.scenario import Scenario, from_dict
from simbank.scenario.uncertain import drawn
from simbank.studies.meters import Shown
from simbank.studies.parallel import copies_worth, in_copies, in_processes
from simbank.warning import BankWarning

__all__ = ["DrawnRun", "Found", "Task", "run_tasks"]

TIMED = 3  # tasks done here before it is judged how long the others will take
# Processes take 4 to 6 s to start, import and load compiled code, with two cores: they pay where more than this is left to do.
WORTH_PROCESSES_S = 12.0
CHUNKS_A_JOB = 12  # so that all end at about the same time


@dataclass(frozen=True)
class Task:
    """One run to be made.

    Attributes
    ----------
    draw : int
        Number of the draw, from 0.
    case : str
        Which of the scenarios is run.
    values : dict of str to value
        Dotted key → drawn value.
    beside : dict of str to value
        Handed to what runs the task, beside the settings of all: what was drawn that is no key of the file.
    """

    draw: int
    case: str
    values: Mapping[str, Any]
    beside: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Found:
    """What one run gives for bands.

    Attributes
    ----------
    figures : dict of str to value
        Figures of the bank; None for what did not happen.
    packs : dict of (str, str) to value
        (pack, figure) → value.
    soc : ndarray, shape (times, packs), or None
        State of charge.
    warnings : sequence of BankWarning
        Of the run.
    limits : dict of (str, str) to value
        (conductor, pack or ``bank``, figure) → value of what rules judge by besides.
    events : sequence of str
        Codes of the events, each once.
    shown : Shown or None
        What meters would show of the bank, where that was asked for.
    """

    figures: dict[str, Any]
    packs: dict[tuple[str, str], Any] = field(default_factory=dict)
    soc: np.ndarray | None = None
    warnings: Sequence[BankWarning] = ()
    limits: dict[tuple[str, str], Any] = field(default_factory=dict)
    events: Sequence[str] = ()
    shown: Shown | None = None


@dataclass(frozen=True, eq=False)
class DrawnRun:
    """A task that was done: what was found, or why it failed."""

    task: Task
    found: Found | None
    failure: str | None = None


Run = Callable[..., Found]  # takes a Scenario and settings as keywords


def run_tasks(
    run: Run,
    scenarios: Mapping[str, Scenario],
    tasks: Sequence[Task],
    settings: Mapping[str, Any],
    jobs: int | None = None,
    progress: Callable[[float], None] | None = None,
) -> tuple[list[DrawnRun], bool]:
    """Do tasks; a run that fails is one of what is done, with its failure.

    Parameters
    ----------
    run : callable
        Function of a module that runs a scenario.
    scenarios : dict of str to Scenario
        By the names that the tasks have.
    tasks : sequence of Task
        In the order in which they are begun.
    settings : dict
        Handed to ``run``.
    jobs : int, optional
        Processes on this machine, −1 for all cores; by default all cores if more than some ten seconds of work are left after the
        first runs, or if this process can be copied and that is quicker; else none beside this one.
    progress : callable, optional
        Called with the fraction of tasks done.

    Returns
    -------
    list of DrawnRun
        In the order of the tasks: all of them, or by Ctrl-C those that were done.
    bool
        Whether it was stopped.
    """
    if jobs is not None and (not isinstance(jobs, int) or jobs == 0):
        raise InputError("must be a number of processes, or -1 for all cores", key="jobs", value=jobs)
    done: dict[int, DrawnRun] = {}
    interrupted = []

    def note():
        interrupted.append(True)
        return True

    try:
        with heard_by(note):
            for number, one in _as_they_come(run, scenarios, tasks, dict(settings), jobs):
                done[number] = one
                if progress:
                    progress(len(done) / len(tasks))
                if interrupted:  # where the interrupt itself was lost, as it may be in the compiler
                    raise KeyboardInterrupt
    except (RunStopped, KeyboardInterrupt):
        return [done[number] for number in sorted(done)], True
    return [done[number] for number in range(len(tasks))], False


def _as_they_come(run, scenarios, tasks, settings, jobs) -> Iterator[tuple[int, DrawnRun]]:
    """(number, what was done) of each task."""
    here = len(tasks) if jobs == 1 else 0 if jobs is not None else TIMED
    start = time.monotonic()
    for number, task in enumerate(tasks):
        if number == here:
            left_s = (time.monotonic() - start) / max(number, 1) * (len(tasks) - number)
            copies = copies_worth(left_s) if jobs is None else 0
            if jobs is not None or copies or left_s > WORTH_PROCESSES_S:
                break
        yield number, _one(run, scenarios[task.case], task, settings)
    else:
        return
    if copies:
        left = [(run, scenarios[task.case], task, settings) for task in tasks[here:]]
        yield from ((here + number, one) for number, one in in_copies(_one, left, copies))
        return
    numbered = list(enumerate(tasks))[here:]
    size = max(1, len(numbered) // (CHUNKS_A_JOB * 4))
    told = {name: (scenario.data, scenario.source) for name, scenario in scenarios.items()}
    chunks = [numbered[k : k + size] for k in range(0, len(numbered), size)]
    work = [(run, told, chunk, settings, own_layouts()) for chunk in chunks]
    for rows in in_processes(_run_chunk, work, -1 if jobs is None else jobs):
        yield from rows


def _run_chunk(run, told, chunk, settings, layouts):
    """(number, what was done) of some tasks; what a process does."""
    LAYOUTS.update(layouts)
    scenarios = {name: from_dict(data, None, source) for name, (data, source) in told.items()}
    return [(number, _one(run, scenarios[task.case], task, settings)) for number, task in chunk]


def _one(run, scenario, task, settings):
    """One task done."""
    try:
        return DrawnRun(task, run(drawn(scenario, task.values), **settings, **task.beside))
    except RunStopped:
        raise
    except (SimulationError, InputError) as error:
        return DrawnRun(task, None, str(error))

"""The runs of a page: every combination of the values of its controls, run in parallel, each as what the page shows of it."""

from __future__ import annotations

import itertools
import json
import shlex
import time
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from simbank.errors import InputError, RunStopped, SimulationError
from simbank.interrupts import heard_by
from simbank.page.controls import Control
from simbank.page.nights import calendar
from simbank.page.packed import KINDS, Series, series_of
from simbank.page.shown import bank_shown, clock_step, shown_times, words_shown
from simbank.scenario import Scenario
from simbank.simulation import simulate
from simbank.studies.parallel import can_copy, copies_worth, in_copies
from simbank.studies.sweep import inline

__all__ = ["Grid", "Run", "command_of", "grid_points", "run_grid"]

MOST_RUNS = 512
NOT_RUN = "Not run: the command was stopped before it came to this one."


@dataclass(frozen=True)
class Run:
    """A run of the grid.

    Attributes
    ----------
    failure : str or None
        Why there is nothing else, in one sentence.
    bank : dict
        As :func:`simbank.page.shown.bank_shown` gives it.
    words : dict
        Verdicts, key figures and dates: :func:`simbank.page.shown.words_shown` and :func:`simbank.page.nights.calendar`.
    series : Series or None
        At the run's clock.
    step_s : float
        Step of that clock [s].
    """

    failure: str | None = None
    bank: dict[str, Any] = field(default_factory=dict)
    words: dict[str, Any] = field(default_factory=dict)
    series: Series | None = None
    step_s: float = 0.0


@dataclass(frozen=True)
class Grid:
    """All runs, in the order of :func:`grid_points`, and which of them is that of the file as it stands."""

    runs: list[Run]
    as_in_file: int | None

    @property
    def stopped(self) -> bool:
        """Whether Ctrl-C came before all were done."""
        return any(run.failure == NOT_RUN for run in self.runs)


def grid_points(scenario: Scenario, keys: Sequence[Control]) -> list[dict[str, Any]]:
    """The points of the grid, the last key changing fastest.

    Raises
    ------
    InputError
        If there are too many, a key leads nowhere, or a value fits with no value of the others.
    """
    many = int(np.prod([len(control.values) for control in keys], dtype=np.int64))
    if many > MOST_RUNS:
        told = " × ".join(str(len(control.values)) for control in keys)
        raise InputError(f"{told} values make {many} runs; a page holds {MOST_RUNS} at most: give fewer values", key="over")
    return [
        dict(zip([control.key for control in keys], values, strict=True))
        for values in itertools.product(*(control.values for control in keys))
    ]


def run_grid(
    scenario: Scenario,
    points: Sequence[Mapping[str, Any]],
    *,
    integrator: str = "fast",
    jobs: int = -1,
    progress: Callable[[float], None] | None = None,
) -> Grid:
    """Run a scenario at every point.

    What fails is a :class:`Run` with its failure. If Ctrl-C comes, the grid has the runs done so far and the others say that they were not.

    Raises
    ------
    InputError
        If a value fits with no value of the other keys.
    SimulationError
        If no run could be made.
    RunStopped
        If Ctrl-C comes before the first run is done.
    """
    banks = [_changed(scenario, point) for point in points]
    _refuse_misfits(points, banks)
    as_in_file = next((k for k, own in enumerate(banks) if isinstance(own, Scenario) and own.data == scenario.data), None)
    done: dict[int, Run] = {}
    try:
        with heard_by(lambda: bool(done)):
            for number, run in _runs([(own, integrator) for own in banks], jobs):
                done[number] = run
                if progress:
                    progress(len(done) / len(points))
    except (KeyboardInterrupt, RunStopped):
        if not any(run.failure is None for run in done.values()):
            raise RunStopped(f"stopped before the first of {len(points)} runs was done") from None
    runs = [done.get(k, Run(NOT_RUN)) for k in range(len(points))]
    if all(run.failure for run in runs):
        raise SimulationError(f"none of the {len(runs)} runs could be made; the first: {runs[0].failure}")
    return Grid(runs, as_in_file)


def _changed(scenario, point):
    """The scenario at a point, or the error that says why there is none."""
    try:
        return scenario.with_changes(dict(point))
    except InputError as error:
        return error


def _refuse_misfits(points, banks):
    """Raise the error of a value that fits with none of the others, as a word that is misspelt does."""
    for key in points[0]:
        values = list({json.dumps(point[key], default=str): point[key] for point in points}.values())
        for value in values:
            found = [own for point, own in zip(points, banks, strict=True) if point[key] == value]
            if all(isinstance(own, InputError) for own in found):
                raise found[0]


def _runs(work, jobs):
    """(number, Run) of each piece of work, as they are done: by copies of this process too where that pays and ``jobs`` allows it."""
    begin = time.monotonic()
    yield 0, run_point(*work[0])
    rest = work[1:]
    copies = copies_worth((time.monotonic() - begin) * len(rest)) if jobs < 0 else min(jobs - 1, len(rest)) if can_copy() else 0
    if copies > 0 and len(rest) > 1:
        for number, run in in_copies(run_point, rest, copies):
            yield number + 1, run
    else:
        for number, one in enumerate(rest):
            yield number + 1, run_point(*one)


def run_point(scenario: Scenario | InputError, integrator: str) -> Run:
    """One run, with samples as close as its length asks, or why there is none."""
    if isinstance(scenario, InputError):
        return Run(str(scenario))
    step_s = clock_step(scenario.duty.duration_s)
    try:
        result = simulate(scenario, integrator=integrator, output_step_s=shown_times(scenario.duty.duration_s, step_s))
    except RunStopped:
        raise
    except (SimulationError, InputError) as error:
        return Run(str(error))
    series = series_of(result, step_s)
    small = Series(*(getattr(series, kind).astype(np.float32) for kind in KINDS))
    return Run(None, bank_shown(scenario), words_shown(result) | calendar(scenario), small, step_s)


def command_of(scenario: Scenario, values: Mapping[str, Any], integrator: str) -> str:
    """What to type to make one run again, in the folder of its file."""
    words = ["simbank", "run", Path(scenario.source).name if scenario.source else "FILE"]
    for key, value in values.items():
        words += ["--set", f"{key}={_toml(value)}"]
    return shlex.join([*words, "--integrator", integrator])


def _toml(value):
    """A value as ``--set`` takes it: text as it is, unless TOML would read something else in it."""
    if isinstance(value, bool):
        return str(value).lower()
    if not isinstance(value, str):
        return str(inline(value))
    try:
        read = tomllib.loads(f"x = {value}")
    except ValueError:
        return value
    return value if read == {"x": value} else json.dumps(value, ensure_ascii=False)

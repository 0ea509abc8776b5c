"""A grid over any dotted keys of a scenario."""

from __future__ import annotations

import itertools

import pandas as pd

from simbank.errors import InputError, SimulationError
from simbank.scenario import with_changes
from simbank.simulation import simulate
from simbank.studies.figures import headline

__all__ = ["sweep"]


def sweep(scenario, grid, *, progress=None, on_row=None, **options):
    """Run a scenario at every combination of the values given.

    Parameters
    ----------
    scenario : Scenario
    grid : dict of str to list
        Dotted key → values, such as ``{"duty.c_rate": [0.1, 1.0], "wiring.layout": ["chain", "busbar"]}``.
    progress : callable, optional
        Called with the fraction of runs done.
    on_row : callable, optional
        Called with each row as it is done, so that a sweep that is stopped keeps what it has.
    **options
        Passed on to :func:`simbank.simulate`.

    Returns
    -------
    DataFrame
        One row per combination: the keys, the headline figures, and ``failure`` (None, or why this run could not finish).

    Raises
    ------
    InputError
        If a key or value does not fit; all combinations are checked before the first is run.
    """
    if not grid or not all(len(values) for values in grid.values()):
        raise InputError('needs at least one key with a value, such as "duty.c_rate=0.1,0.2"', key="grid")
    points = [dict(zip(grid, values, strict=True)) for values in itertools.product(*grid.values())]
    cases = [with_changes(scenario, point) for point in points]
    rows = []
    for k, (point, case) in enumerate(zip(points, cases, strict=True)):
        try:
            figures, failure = headline(simulate(case, **options).summary), None
        except SimulationError as error:
            figures, failure = {}, str(error)
        rows.append(point | figures | {"failure": failure})
        if on_row:
            on_row(rows[-1])
        if progress:
            progress((k + 1) / len(points))
    return pd.DataFrame(rows)

"""Many runs of one scenario: a grid, a list or random draws of any dotted keys; in parallel, on a cluster, resumable."""

from __future__ import annotations

import hashlib
import itertools
import json
import os
from pathlib import Path

import pandas as pd

from simbank.errors import InputError, SimulationError
from simbank.scenario import from_dict, with_changes
from simbank.simulation import simulate
from simbank.studies.draws import draw_points, expand_keys
from simbank.studies.figures import headline
from simbank.warning import as_records, from_records, gathered

__all__ = ["sweep"]

CHUNK = 8  # runs handed to a worker at a time
ROWS_FILE = "rows.jsonl"


def sweep(
    scenario, grid=None, *, points=None, vary=None, runs=100, sampler="lhs", seed=0, jobs=1, cluster=None, keep=None,
    progress=None, on_row=None, integrator="fast", **options,
):  # fmt: skip
    """Run a scenario at many points.

    Parameters
    ----------
    scenario : Scenario
    grid : dict of str to list, optional
        Dotted key → values; every combination is run, such as ``{"duty.c_rate": [0.1, 1.0], "wiring.layout": ["chain"]}``.
    points : list of dict, optional
        The points themselves, each dotted key → value.
    vary : dict of str to str, optional
        Dotted key → distribution (see :func:`simbank.studies.draws.parse_draw`), drawn ``runs`` times for each point of the grid.
        ``*`` stands for every name: ``packs.*.soc``.
    runs, sampler, seed
        How many draws; "lhs" or "sobol"; seed.
    jobs : int
        Processes on this machine (joblib); −1 for all cores.
    cluster : str, optional
        Address of a Dask scheduler, such as ``tcp://10.0.0.5:8786``; runs are then done by its workers.
    keep : path-like, optional
        Folder for rows as they come; a sweep that is started again there computes only what is missing.
    progress : callable, optional
        Called with the fraction of runs done.
    on_row : callable, optional
        Called with each row as it is done.
    integrator : {"fast", "reference"}
    **options
        Passed on to :func:`simbank.simulate`.

    Returns
    -------
    DataFrame
        One row per point, in order: its keys, the headline figures, ``integrator``, ``handed_over`` (times the reference took
        over), ``warnings`` (codes, with commas) and ``failure`` (None, or why this run could not finish or its values do not
        fit). ``attrs["warnings"]`` is a list of ``{code, where, text}``: what the runs warn of, each once.

    Raises
    ------
    InputError
        If nothing is given to vary, or a key or value of a grid or list does not fit (checked before the first run). A drawn
        value that does not fit is a row with its failure.
    """
    all_points = _points(scenario, grid, points, vary, runs, sampler, seed)
    options = {"integrator": integrator} | options
    done = _Kept(keep, scenario, options)
    todo = [(k, point) for k, point in enumerate(all_points) if point not in done]
    rows = {k: done[point] for k, point in enumerate(all_points) if point in done}
    chunks = [todo[k : k + CHUNK] for k in range(0, len(todo), CHUNK)]
    work = [(scenario.data, scenario.source, chunk, options) for chunk in chunks]
    for found in _workers(work, jobs, cluster):
        for k, row in found:
            rows[k] = row
            done.add(all_points[k], row)
            if on_row:
                on_row(row)
        if progress:
            progress(len(rows) / len(all_points))
    return _table([rows[k] for k in range(len(all_points))])


def _table(rows):
    """Rows as a table: of each row's warnings their codes, and the whole of them, each once, in ``attrs``."""
    warned = [(f"row {k}", from_records(row.get("warnings") or ())) for k, row in enumerate(rows)]
    codes = [", ".join(dict.fromkeys(warning.code for warning in warnings)) for _, warnings in warned]
    table = pd.DataFrame([row | {"warnings": text} for row, text in zip(rows, codes, strict=True)])
    table.attrs["warnings"] = as_records(gathered(warned))
    return table


def _points(scenario, grid, points, vary, runs, sampler, seed):
    """Every point to run; those of a grid or list are checked."""
    if (grid and points) or not (grid or points or vary):
        raise InputError('needs a grid such as "duty.c_rate=0.1,0.2", a list of points, or something to vary', key="grid")
    if grid is not None and not all(len(values) for values in grid.values()):
        raise InputError("needs at least one value for each key", key="grid")
    fixed = points or ([dict(zip(grid, v, strict=True)) for v in itertools.product(*grid.values())] if grid else [{}])
    for point in fixed:
        with_changes(scenario, point)
    if not vary:
        return fixed
    draws = expand_keys(scenario, vary)
    drawn = draw_points(draws, runs, sampler, seed)
    with_changes(scenario, {key: draw.value(0.5) for key, draw in draws.items()})
    return [base | point for base in fixed for point in drawn]


def run_points(data, source, chunk, options):
    """Rows of some points, with their numbers; what a worker does."""
    out = []
    for number, point in chunk:
        figures, failure, note, warned = {}, None, {}, []
        try:
            summary = simulate(from_dict(data, point, source), output_step_s=600.0, **options).summary
            figures, note, warned = headline(summary), summary["integrator"], summary["warnings"]
        except (SimulationError, InputError) as error:
            failure = str(error)
        row = {
            "integrator": options["integrator"], "handed_over": note.get("handed_over"), "warnings": warned, "failure": failure,
        }  # fmt: skip
        out.append((number, point | figures | row))
    return out


def _workers(work, jobs, cluster):
    """Results of all chunks, as they come."""
    if cluster is not None:
        yield from _on_cluster(work, cluster)
    elif jobs == 1 or len(work) < 2:
        for arguments in work:
            yield run_points(*arguments)
    else:
        from joblib import Parallel, delayed

        run = Parallel(n_jobs=jobs, return_as="generator_unordered", batch_size=1)
        yield from run(delayed(run_points)(*arguments) for arguments in work)


def _on_cluster(work, address):
    try:
        from distributed import Client, as_completed
    except ImportError:
        raise InputError("needs the extra: pip install 'simbank[cluster]'", key="cluster", value=address) from None
    try:
        client = Client(address, timeout="20s")
    except (OSError, ValueError) as error:
        raise InputError(f"no scheduler answers: {error}; write tcp://HOST:PORT", key="cluster", value=address) from None
    with client:
        futures = [client.submit(run_points, *arguments, pure=False, retries=5) for arguments in work]
        for future in as_completed(futures):
            yield future.result()


class _Kept:
    """Rows on disk by a fingerprint of what they were computed from, so that a sweep can be taken up again."""

    def __init__(self, folder, scenario, options):
        from simbank.simulation.result import package_version

        self.path, self.rows = None, {}
        self.base = json.dumps([scenario.data, options, package_version("simbank")], sort_keys=True, default=str)
        if folder is None:
            return
        self.path = Path(folder) / ROWS_FILE
        self.path.parent.mkdir(parents=True, exist_ok=True)
        if self.path.exists():
            for line in self.path.read_text(encoding="utf-8").splitlines():
                try:
                    record = json.loads(line)
                    self.rows[record["of"]] = record["row"]
                except (ValueError, KeyError, TypeError):
                    continue  # the last line of a sweep that was killed may be half written

    def _mark(self, point):
        return hashlib.sha256((self.base + json.dumps(point, sort_keys=True, default=str)).encode()).hexdigest()[:20]

    def __contains__(self, point):
        return bool(self.rows) and self._mark(point) in self.rows

    def __getitem__(self, point):
        return self.rows[self._mark(point)]

    def add(self, point, row):
        if self.path is None:
            return
        line = json.dumps({"of": self._mark(point), "row": row}, default=float) + "\n"
        with self.path.open("a", encoding="utf-8") as file:
            file.write(line)
            file.flush()
            os.fsync(file.fileno())

"""Many runs of one scenario: a grid, a list or random draws of any dotted keys; in parallel, on a cluster, resumable."""

from __future__ import annotations

import contextlib
import hashlib
import itertools
import json
import logging
import os
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

import pandas as pd

from simbank.bank import LAYOUTS, own_layouts
from simbank.bank.layouts import Layout
from simbank.columns import Table
from simbank.errors import InputError, RunStopped, SimulationError
from simbank.files import locked, write_text
from simbank.interrupts import heard_by
from simbank.provenance import as_plain, code_hash, content_hash, described, files_read, versions, write_table
from simbank.results import Picture, Study, StudyResult, records
from simbank.scenario import Scenario, changed, from_dict, with_changes
from simbank.simulation import simulate
from simbank.simulation.choice import reference_seconds
from simbank.simulation.run import one_thread
from simbank.studies.ageing.swept import SWEPT, USUAL_LAW, check_own, check_settings, of_ageing, of_file, swept_figures
from simbank.studies.draws import draw_points, expand_keys
from simbank.studies.figures import FIGURES, headline
from simbank.studies.parallel import can_copy, in_copies, in_processes
from simbank.studies.settings import refuse_auto, study_made_by
from simbank.studies.unused import unused_keys
from simbank.warning import BankWarning, as_records, counted, from_records, gathered

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["Sweep", "inline", "sweep"]

CHUNK = 8  # runs done before their rows are kept
LARGE_CHUNK, CHUNK_S = 64, 0.2  # runs handed to a worker at a time at most, and of so much work by estimate [s]
FAST_PART = 1.0 / 40.0  # of the reference's time that the fast integrator takes, roughly
CHUNKS_A_WORKER = 8  # or more, so that all end at about the same time
ROWS_FILE = "rows.jsonl"
FILES_NAMED_IN = ("duty", "pack_types", "chemistries", "seasons", "ambient")  # tables of a scenario that may name files
CLUSTER_START_S, CLUSTER_PATIENCE_S = 20, 60  # that a cluster may take to answer, and be without workers [s]
MOST_ROWS_SHOWN = 200  # in a report


class Sweep(StudyResult):
    """A table of :func:`sweep` with its figures and files.

    Parameters
    ----------
    table : DataFrame
        From :func:`sweep`, with its ``attrs``; one that was read back from its Parquet file has them too.
    x, by, figure : str, optional
        What the picture shows, as in :func:`simbank.plot_sweep`.
    """

    INDEXED: ClassVar = False
    TABLES: ClassVar = (
        Table.of(
            "sweep.csv, sweep.parquet", "a run",
            [
                ("<key>", "", "value of a dotted key of the scenario file, with its unit as text; a column for each key"),
                *FIGURES,
                *SWEPT,
                ("integrator", "", "fast or reference"),
                ("handed_over", "", "times the reference integrator took over"),
                ("warnings", "", "codes of what the run warns of, with commas"),
                ("failure", "", "why the run could not finish or its values do not fit; none if it ran"),
            ],
        ),
    )  # fmt: skip

    def __init__(self, table: pd.DataFrame, x: str | None = None, by: str | None = None, figure: str | None = None) -> None:
        self.table, self.x, self.by, self.figure = table, x, by, figure
        self.made_by = table.attrs["made_by"]
        self.warnings = from_records(table.attrs["warnings"])

    @property
    def title(self) -> str:
        years = self.made_by.get("years")
        of = "" if years is None or "ageing.years" in self.table else f" of {years:g} years"
        return f"{self.made_by['scenario']}: {counted(len(self.table), 'run')}{of}"

    @property
    def failure(self) -> str | None:
        """Why no run gave a figure; None if any did."""
        return failure_warnings(self.table)[0].text if self.table["failure"].notna().all() else None

    @property
    def summary(self) -> dict[str, Any]:
        """Everything as plain data."""
        told = {"scenario": self.made_by["scenario"], "warnings": as_records(self.warnings)}
        return told | {"rows": records(self.table, digits=15)}

    @property
    def _by_rate(self) -> bool:
        """Whether the picture is that of C-rates, which it is where nothing else is chosen and they differ."""
        return not (self.x or self.by or self.figure) and "duty.c_rate" in _study_plots().swept_keys(self.table)[0]

    def plot(self) -> Figure:
        """Figures against keys (:func:`simbank.plot_sweep`); returns the matplotlib figure."""
        x = "duty.c_rate" if self._by_rate else self.x
        return _study_plots().plot_sweep(self.table, x, self.by, self.figure)

    def pictures(self) -> list[Picture]:
        """The figures against the keys, and, of drawn keys, how they scatter; none if no run gave a figure."""
        table = self.table
        fixed, drawn = _study_plots().swept_keys(table)
        shown = [name for name, _, _ in (*FIGURES, *SWEPT) if name in table and pd.api.types.is_numeric_dtype(table[name])]
        if not table[shown].notna().any(axis=None) or not (fixed or drawn):
            return []
        caption = "A line for each value of a key, a row of panels for each combination of the others."
        made = [Picture("c_rate.png" if self._by_rate else "sweep.png", self.plot(), self.title, caption)]
        if drawn:
            scatter = "How figures scatter over the draws."
            made.append(Picture("bands.png", _study_plots().plot_bands(table), self.title, scatter))
        return made

    def write_tables(self, folder: Path) -> None:
        """Write the table as CSV and Parquet into a folder."""
        table = self.table
        write_table(folder / "sweep.csv", table, self.made_by)
        mixed = {c: str for c in table if table[c].dtype == object and len(set(table[c].map(type))) > 1}
        write_table(folder / "sweep.parquet", table.astype(mixed), self.made_by)

    def section(self) -> Study:
        text = f"{self.title.rpartition(': ')[2]}, {self.made_by['integrator']} integrator"
        text += f"; the first {MOST_ROWS_SHOWN} are shown." if len(self.table) > MOST_ROWS_SHOWN else "."
        return replace(super().section(), title="Runs", text=(text,), table=self.table.head(MOST_ROWS_SHOWN))


def _study_plots():
    from simbank.plotting import study_plots  # which loads matplotlib

    return study_plots


def sweep(
    scenario: Scenario,
    grid: Mapping[str, Sequence[Any]] | None = None,
    *,
    points: Sequence[Mapping[str, Any]] | None = None,
    vary: Mapping[str, str] | None = None,
    runs: int = 100,
    sampler: str = "lhs",
    seed: int = 0,
    jobs: int = 1,
    cluster: str | None = None,
    keep: str | Path | None = None,
    progress: Callable[[float], None] | None = None,
    on_row: Callable[[dict[str, Any]], None] | None = None,
    integrator: str = "fast",
    years: float | None = None,
    law: str | None = None,
    **options: Any,
) -> pd.DataFrame:
    """Run a scenario at many points.

    Parameters
    ----------
    scenario : Scenario
        What is varied.
    grid : dict of str to list, optional
        Dotted key → values; every combination is run, such as ``{"duty.c_rate": [0.1, 1.0], "wiring.layout": ["chain"]}``.
    points : list of dict, optional
        The points themselves, each dotted key → value.
    vary : dict of str to str, optional
        Dotted key → distribution (see :func:`simbank.distributions.parse_draw`), drawn ``runs`` times for each point of the grid.
        ``*`` stands for every name, each drawn for itself: ``packs.*.soc``. In a grid or list it sets all alike.
    runs, sampler, seed
        How many draws; "lhs" or "sobol"; seed.
    jobs : int
        Processes on this machine (joblib); −1 for all cores.
    cluster : str, optional
        Address of a Dask scheduler, such as ``tcp://10.0.0.5:8786``; runs are then done by its workers.
    keep : path-like, optional
        Folder for rows as they come; a sweep that is started again there computes only what is missing or failed. A row counts
        as there if its point, the scenario, the contents of every file it read, the settings, the program and its libraries are
        the same.
    progress : callable, optional
        Called with the fraction of runs done.
    on_row : callable, optional
        Called with each row as it is done.
    integrator : {"fast", "reference"}
        Which makes the runs.
    years : float, optional
        Go through so many years of each bank instead of its duty once, as :func:`simbank.age` does; the figures are then those of years
        (``first_pack``, ``years_to_80``, ``capacity_left_min``, ``capacity_spread``, ``usable_wh``, ``unmet_wh``, ...). Grid, list and
        draws then have besides the keys of the file ``ageing.years``, ``ageing.law``, ``ageing.growth`` (growth of resistance per loss of
        capacity, 1.5 to 7.5) and ``ageing.faster.TYPE`` (by which factor cells of a pack type lose faster than those of the law).
    law : str
        Of ageing, with ``years``.
    **options
        Passed on to :func:`simbank.simulate`; with ``years`` ``until``, ``windows``, ``window_days`` and ``tolerance_points`` of
        :func:`simbank.age`.

    Returns
    -------
    DataFrame
        One row per point, in order: its keys (a value that is a table as its text), the headline figures, ``integrator``,
        ``handed_over`` (times the reference took over), ``warnings`` (codes, with commas) and ``failure`` (None, or why this run
        could not finish or its values do not fit). Its ``attrs``: ``warnings``, a list of ``{code, where, text}``: how many runs
        failed, keys that change nothing, then what the runs warn of, each once; ``made_by``; ``fixed_keys`` (of the grid or list);
        ``drawn_keys``. :class:`Sweep` makes figures, JSON, files and a section of a report of it.

    Raises
    ------
    InputError
        If nothing is given to vary, or a key or value of a grid or list does not fit (checked before the first run). A drawn
        value that does not fit is a row with its failure. If another sweep writes into the folder ``keep``.
    """
    if not isinstance(jobs, int) or jobs == 0:
        raise InputError("must be a number of processes, or -1 for all cores", key="jobs", value=jobs)
    refuse_auto(integrator)
    options = {"integrator": integrator} | options
    if years is not None:
        law = USUAL_LAW if law is None else law
        options = {"integrator": integrator} | check_settings(scenario, options | {"years": years, "law": law})
    elif law is not None:
        raise InputError("does nothing without years; give years, too", key="law", value=law)
    fixed, draws, all_points = _points(scenario, grid, points, vary, runs, sampler, seed, options)
    drawn = (
        {"vary": {key: str(text) for key, text in vary.items()}, "runs": runs, "sampler": sampler, "seed": seed} if vary else {}
    )
    made = study_made_by(scenario, "sweep", **options, **drawn, points_sha256=content_hash(all_points))
    with _alone_in(keep):
        done = _Kept(keep, scenario, options, made)
        rows = _run_points(scenario, all_points, done, options, jobs, cluster, progress, on_row)
    table, warned = _table(rows)
    fixed_keys, drawn_keys = list(dict.fromkeys(key for point in fixed for key in point)), list(draws)
    unused = unused_keys(scenario, table, fixed, fixed_keys, vary, draws, of_years=years is not None)
    warnings = as_records([*done.warnings, *failure_warnings(table), *unused, *warned])
    table.attrs = {"made_by": made, "warnings": warnings, "fixed_keys": fixed_keys, "drawn_keys": drawn_keys}
    return table


@contextlib.contextmanager
def _alone_in(folder):
    """Keep a second sweep out of a folder: the tables of the first would be lost."""
    if folder is None:
        yield
        return
    path = Path(folder) / ROWS_FILE
    path.parent.mkdir(parents=True, exist_ok=True)
    with contextlib.ExitStack() as lock:
        try:
            lock.enter_context(locked(path, wait=False))
        except BlockingIOError:  # of the lock alone: a system that can start no more processes raises it too, later
            raise InputError(
                "another sweep writes into this folder; wait for its end or name another folder", file=path.parent
            ) from None
        yield


def _run_points(scenario, points, done, options, jobs, cluster, progress, on_row):
    """A row for each point, in their order: those that are kept already, and the others by workers."""
    kept = [done.find(point) for point in points]
    todo = [(k, point) for k, point in enumerate(points) if kept[k] is None]
    rows = {k: row for k, row in enumerate(kept) if row is not None}
    here = jobs == 1 and cluster is None
    size = _chunk_size(scenario, options, len(todo), None if here else jobs)
    copied = not here and cluster is None and can_copy() and size > 1
    alone = int(copied)  # the first run, by which this process loads what its copies then have
    chunks = [todo[k : k + size] for k in range(alone, len(todo), size)]
    if alone:
        chunks.insert(0, todo[:1])
    data, layouts = scenario.data, own_layouts()
    work = [(data, scenario.source, chunk, options, code_hash(), layouts) for chunk in chunks]
    try:
        for found in _workers(work, jobs, cluster, alone):
            done.add_all([(points[k], row, files) for k, row, files in found])
            for k, row, _ in found:
                rows[k] = row
                if on_row:
                    on_row(row)
            if progress:
                progress(len(rows) / len(points))
    except (RunStopped, KeyboardInterrupt):
        raise RunStopped(f"stopped with {len(rows)} of {len(points)} runs done{done.kept()}") from None
    except ClusterLost as error:
        raise SimulationError(f"{error}; {len(rows)} of {len(points)} runs were done{done.kept()}") from None
    return [rows[k] for k in range(len(points))]


def _chunk_size(scenario, options, runs, jobs):
    """How many runs are done at a time: so many that handing out costs little, and so few that a stop loses little; ``jobs`` is None here."""
    if options.get("years") is not None:
        return 1
    if jobs is None:
        return CHUNK
    seconds = reference_seconds(scenario.bank, scenario.duty) * (FAST_PART if options["integrator"] == "fast" else 1.0)
    workers = len(os.sched_getaffinity(0)) if jobs < 0 and hasattr(os, "sched_getaffinity") else max(jobs, 1)
    return max(1, min(LARGE_CHUNK, int(CHUNK_S / seconds), runs // (CHUNKS_A_WORKER * workers)))


def _table(rows):
    """Rows as a table with the codes of each row's warnings, and the whole of them, each once."""
    warned = [(f"row {k}", from_records(row.get("warnings") or ())) for k, row in enumerate(rows)]
    codes = [", ".join(dict.fromkeys(warning.code for warning in warnings)) for _, warnings in warned]
    return pd.DataFrame([row | {"warnings": text} for row, text in zip(rows, codes, strict=True)]), gathered(warned)


def failure_warnings(table: pd.DataFrame) -> list[BankWarning]:
    """A warning if runs of a sweep's table failed: how many, and why the first."""
    failed = table["failure"].dropna()
    if failed.empty:
        return []
    text = f"{len(failed)} of {len(table)} run{'s' * (len(table) > 1)} failed and gave no figures; the first: {failed.iloc[0]}"
    return [BankWarning("runs-failed", f"row {failed.index[0]}", text)]


def inline(value: Any) -> Any:
    """A value as a table of points shows it: tables and lists as compact text, in the form of the file."""
    if value is not None and not isinstance(value, dict | list | tuple | str | bool | int | float):
        told = described(value)  # an object of a program's own
        return f"{told['python']} {told['sha256'][:8]}" if isinstance(told, dict) else str(value)
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_toml(part)}" for key, part in value.items()) + " }"
    return "[" + ", ".join(_toml(part) for part in value) + "]" if isinstance(value, (list, tuple)) else value


def _toml(value):
    return inline(value) if isinstance(value, (dict, list, tuple)) else json.dumps(value, ensure_ascii=False)


def _points(scenario, grid, points, vary, runs, sampler, seed, options):
    """Points of the grid or list, which are checked; draws by key; every point to run."""
    if (grid and points) or not (grid or points or vary):
        raise InputError('needs a grid such as "duty.c_rate=0.1,0.2", a list of points, or something to vary', key="grid")
    if grid is not None and not all(len(values) for values in grid.values()):
        raise InputError("needs at least one value for each key", key="grid")
    fixed = points or ([dict(zip(grid, v, strict=True)) for v in itertools.product(*grid.values())] if grid else [{}])
    for point in fixed:
        _check_point(scenario, point, options)
    if not vary:
        return fixed, {}, fixed
    draws = expand_keys(scenario, vary)
    drawn = draw_points(draws, runs, sampler, seed)
    _check_point(scenario, {key: draw.value(0.5) for key, draw in draws.items()}, options)
    return fixed, draws, [base | point for base in fixed for point in drawn]


def _check_point(scenario, point, options):
    """Refuse keys and values that do not fit."""
    check_own(with_changes(scenario, of_file(point)), of_ageing(point), options)


def run_points(
    data: dict[str, Any],
    source: str | None,
    chunk: Sequence[tuple[int, dict[str, Any]]],
    options: dict[str, Any],
    code: str,
    layouts: Mapping[str, Layout],
) -> list[tuple[int, dict[str, Any], dict[str, Any]]]:
    """(number, row, files read) of some points; what a worker does.

    ``code`` is the hash of the program that asks, ``layouts`` those that it has registered.
    """
    if code != code_hash():
        raise InputError(
            "a worker runs another version of simbank than the one that asks; install the same on all", key="cluster"
        )
    LAYOUTS.update(layouts)
    base = _base(data, source)
    with one_thread():
        return [_run_point(number, point, base, data, source, options) for number, point in chunk]


def _run_point(number, point, base, data, source, options):
    """Of one point what :func:`run_points` returns of all; ``base`` is the scenario itself, None if it cannot be."""
    figures, failure, note, warned, files = {}, None, {}, [], {}
    try:
        changes = of_file(point)
        scenario = from_dict(data, changes, source) if base is None else base.with_changes(changes)
        files = scenario.files
        figures, note, warned = _figures(scenario, of_ageing(point), options)
    except RunStopped:
        raise
    except (SimulationError, InputError) as error:
        failure = str(error)
    row = {
        "integrator": options["integrator"], "handed_over": note.get("handed_over"), "warnings": warned, "failure": failure,
    }  # fmt: skip
    return number, {key: inline(value) for key, value in point.items()} | figures | row, files


def _figures(scenario, own, options):
    """(figures, what the integrator notes, warnings as records) of one run, of the duty once or of years."""
    if options.get("years") is not None:
        settings = {key: value for key, value in options.items() if key != "integrator"}
        figures, warned = swept_figures(scenario, own, settings)
        return figures, {}, warned
    summary = simulate(scenario, output_step_s=600.0, **options).summary
    return headline(summary), summary["integrator"], summary["warnings"]


_bases: list[tuple[dict, str | None, Scenario]] = []  # the scenario whose points this process runs


def _base(data, source):
    """The scenario itself, from which those of the points are made; None if it cannot be, as where a file that it reads has gone."""
    for known, place, scenario in tuple(_bases):
        if place == source and known == data:
            return scenario
    try:
        scenario = from_dict(data, None, source)
    except InputError:
        return None
    _bases[:] = [(data, source, scenario)]
    return scenario


def _workers(work, jobs, cluster, alone):
    """Results of all chunks, as they come; the first ``alone`` are done here before others are handed out."""
    if cluster is not None:
        yield from _on_cluster(work, cluster)
    elif jobs == 1 or len(work) < 2:
        for arguments in work:
            yield run_points(*arguments)
    elif can_copy():
        ready = [run_points(*arguments) for arguments in work[:alone]]
        copies = len(os.sched_getaffinity(0)) if jobs < 0 else jobs
        with heard_by():
            for _, found in in_copies(run_points, work[alone:], min(copies, len(work) - alone), here=False):
                yield from (*ready, found)
                ready = []
    else:
        yield from in_processes(run_points, work, jobs)


class ClusterLost(Exception):
    """Scheduler or workers of a cluster have gone while runs were due."""


def _on_cluster(work, address):
    """Results of all chunks, as a cluster's workers come by them; that somebody works there is made sure of first."""
    try:
        from distributed import Client, as_completed
    except ImportError:
        raise InputError("needs the extra: pip install 'simbank[cluster]'", key="cluster", value=address) from None
    for name in ("distributed", "distributed.client", "tornado", "asyncio"):  # what went wrong is said in one line, here
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    try:
        client = Client(address, timeout=CLUSTER_START_S)
    except (
        Exception
    ) as error:  # of sockets, time, TLS, versions, the address's form: distributed has no class of its own for them
        reason = " ".join(str(error).split()) or type(error).__name__
        raise InputError(f"no scheduler answers: {reason}; write tcp://HOST:PORT", key="cluster", value=address) from None
    with client:
        try:
            client.wait_for_workers(1, timeout=CLUSTER_START_S)
        except TimeoutError:
            raise InputError(
                f"no worker has joined this scheduler within {CLUSTER_START_S} s; start some: dask worker {address}",
                key="cluster", value=address,
            ) from None  # fmt: skip
        with heard_by():
            futures = [client.submit(run_points, *arguments, pure=False, retries=5) for arguments in work]
            ready, seen = as_completed(futures), time.monotonic()
            while not ready.is_empty():
                for future in ready.next_batch(block=False):
                    if future.status == "lost":  # its worker died with the rows; the scheduler has them made anew
                        ready.add(future)
                        continue
                    if future.status == "cancelled":
                        raise ClusterLost(f"the scheduler at {address} has gone")
                    yield future.result()
                if client.status not in ("running", "connecting"):
                    raise ClusterLost(f"the scheduler at {address} has gone")
                if client.scheduler_info().get("workers"):
                    seen = time.monotonic()
                elif time.monotonic() - seen > CLUSTER_PATIENCE_S:
                    raise ClusterLost(f"no worker of {address} has been there for {CLUSTER_PATIENCE_S} s")
                time.sleep(0.05)


class _Kept:
    """Rows on disk by a fingerprint of all that they were computed from, so that a sweep can be taken up again.

    Before the rows of each sitting stands a line ``{"made_by": …}``.
    """

    def __init__(self, folder, scenario, options, made):
        self.path, self.rows, self._made, self._hashes, self.warnings = None, {}, made, {}, []
        self.scenario = scenario
        layouts = [own_layouts()] if own_layouts() else []
        self.base = json.dumps([scenario.data, options, versions(), code_hash(), *layouts], sort_keys=True, default=as_plain)
        if folder is None:
            return
        self.path = Path(folder) / ROWS_FILE
        self.path.parent.mkdir(parents=True, exist_ok=True)
        if self.path.exists():
            self._read()

    def _read(self):
        """Rows that are there; lines that are none, such as the last of a sweep that was killed, go and are told."""
        good, damaged = [], 0
        try:
            lines = self.path.read_text(encoding="utf-8", errors="replace").splitlines()
        except OSError as error:
            raise InputError(f"cannot be read: {error.strerror}", file=self.path) from None
        for line in lines:
            try:
                record = json.loads(line)
                if "made_by" not in record:
                    row = record["row"]
                    if {"integrator", "handed_over", "failure"} - set(row):
                        raise ValueError
                    if row["failure"] is None:  # what failed is tried again
                        self.rows[record["of"]] = row
            except (ValueError, KeyError, TypeError, RecursionError):
                damaged += 1
            else:
                good.append(line)
        if damaged:
            write_text(self.path, "".join(f"{line}\n" for line in good))
            text = f"{damaged} of {len(lines)} lines were damaged and have been dropped; their runs are made again"
            self.warnings.append(BankWarning("damaged-rows", str(self.path), text))

    def kept(self):
        """Where rows are kept, as the end of a sentence."""
        return (
            ""
            if self.path is None or not self.path.exists()
            else f"; they are kept in {self.path}, the same command goes on from there"
        )

    def _mark(self, point, files):
        return hashlib.sha256((self.base + json.dumps([point, files], sort_keys=True, default=as_plain)).encode()).hexdigest()[
            :20
        ]

    def find(self, point):
        """The row of a point if it is there and nothing that it was computed from has changed, else None."""
        if not self.rows:
            return None
        files = self.scenario.files
        if any(key.partition(".")[0] in FILES_NAMED_IN for key in point):
            try:
                files = files_read(changed(self.scenario.data, of_file(point)), self.scenario.source, self._hashes)
            except InputError:
                return None
        return self.rows.get(self._mark(point, files))

    def add(self, point, row, files):
        self.add_all([(point, row, files)])

    def add_all(self, done):
        """Keep rows: of each its point, the row, and the files read."""
        if self.path is None or not done:
            return
        lines = [{"of": self._mark(point, files), "row": row} for point, row, files in done]
        if self._made is not None:
            lines, self._made = [{"made_by": self._made}, *lines], None
        text = "".join(json.dumps(line, default=float) + "\n" for line in lines)
        with self.path.open("a", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())

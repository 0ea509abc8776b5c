"""How far an answer reaches: figures of a run as 5, 50 and 95 % of draws of all that is not known of its bank."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
import pandas as pd

from simbank import provenance
from simbank.columns import Table
from simbank.digits import cells
from simbank.errors import InputError, RunStopped, SimulationError
from simbank.interrupts import heard_by
from simbank.results import Picture, StudyResult, records
from simbank.scenario import Scenario
from simbank.scenario.uncertain import UncertainValue, drawn, uncertain_values
from simbank.simulation import simulate
from simbank.studies.band_figures import (
    BANK_FIGURES,
    NAMING,
    NEVER_IS_LATER,
    PACK_FIGURES,
    USUAL,
    WORDS,
    bank_figures,
    figures_over_time,
    pack_figures,
)
from simbank.studies.draw_runs import DrawnRun, Found, Task, run_tasks
from simbank.studies.draws import draw_shares
from simbank.studies.drivers import Drivers
from simbank.studies.explained import TABLES as EXPLAINED_TABLES
from simbank.studies.explained import Explained, explained
from simbank.studies.measuring import MeasureFirst
from simbank.studies.rule_figures import RULE_FIGURES, rule_figures
from simbank.studies.settings import study_made_by
from simbank.warning import BankWarning, as_records, counted, gathered

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["BANDS_FOLDER", "BANDS_TOLERANCE", "DRAWS", "QUANTILES", "Bands", "affordable_draws", "bands", "bands_by", "quantiles"]

BANDS_FOLDER = "bands"  # beside the files of a run or another study, since a folder holds one result
DRAWS = 200  # where no number is given
MOST_DRAWS = 100_000
QUANTILES = {"low": 0.05, "mid": 0.5, "high": 0.95}
BANDS_TOLERANCE = 1e-5
LEAST_DRAWS = 40  # below which nothing is said of what to measure
FEWEST = 20  # draws below which the ends of a band are its least and greatest draw
MOST_INSTANTS = 300  # of state of charge over time
MOST_SAMPLES = 20_000_000  # of all draws, packs and instants together: 80 MB
MOST_EXPLAINED = 2  # figures of whose drivers and readings there are pictures
TOLD = ("spread_max_points", "share_ratio_max", "first_full_h")  # in words
Figures = Sequence[tuple[str, str, str]]
_BAND_COLUMNS = [
    ("unit", "", "unit of the five columns that follow; empty where it has none"),
    ("low", "", "5 % of the draws are below it; inf: never"),
    ("mid", "", "half of the draws are below it"),
    ("high", "", "95 % of the draws are below it"),
    ("file", "", "what comes of the file's own values"),
    ("happens", "", "share of the draws in which it has a value; in the others it never happens, which counts as later than all"),
]


@dataclass(eq=False, repr=False)
class Bands(StudyResult):
    """What :func:`bands` found.

    Attributes
    ----------
    table : DataFrame
        One row a figure of the bank, index ``figure``: ``unit``, ``low``, ``mid``, ``high`` (5, 50 and 95 % of the draws),
        ``file`` (by the file's own values), ``happens`` (share of the draws in which it has a value). A time that is "never" in so
        many draws is infinite.
    packs : DataFrame
        Likewise, index ``pack`` and ``figure``.
    limits : DataFrame
        Likewise, index ``where`` (a conductor, a pack, or ``bank``) and ``figure``: what rules judge a run by besides, such as a
        conductor's current over its ampacity.
    names : DataFrame
        Index ``figure`` and ``pack``: ``share`` of the draws in which this pack is the hardest worked, the first full, the first empty.
    draws : DataFrame
        One row a draw: its values, ``failure``, ``warnings`` and ``events`` (codes), figures of the bank, of packs and ``limits``.
    uncertain : DataFrame
        One row an uncertain value, index ``key``: what it is called, its group, unit, 5, 50 and 95 %, source.
    soc : DataFrame or None
        State of charge over time: index ``time_s``, columns (pack, quantile). A draw whose duty ends sooner stays as it ended.
    spread : DataFrame or None
        Largest less smallest state of charge over time [points]: index ``time_s``, columns ``low``, ``mid``, ``high``.
    warnings : list of BankWarning
        Draws that failed, and what draws warn of that the file's own values do not.
    made_by : dict
    asked : int
        How many draws were asked for.
    explained : Explained
        What explains the bands, and what to measure first.
    """

    TABLES: ClassVar = (
        Table.of("bands.csv", "a figure of the bank", [("figure", "", "its name"), *_BAND_COLUMNS]),
        Table.of(
            "bands_packs.csv", "a figure of a pack",
            [("pack", "", "its name"), ("figure", "", "name of the figure"), *_BAND_COLUMNS],
        ),
        Table.of(
            "bands_limits.csv", "a conductor, a pack or the bank, and a figure by which a rule judges",
            [("where", "", "name of the conductor or pack; bank"), ("figure", "", "name of the figure"), *_BAND_COLUMNS],
        ),
        Table.of(
            "bands_names.csv", "a pack that is the hardest worked, the first full or the first empty in some draw",
            [
                ("figure", "", "hardest_pack, first_full_pack or first_empty_pack"),
                ("pack", "", "its name"),
                ("share", "", "share of the draws in which it is"),
            ],
        ),
        Table.of(
            "bands_soc.csv", "a pack at one time",
            [
                ("time_s", "s", "time since the start"),
                ("pack", "", "its name"),
                ("low", "", "state of charge, 0 to 1: 5 % of the draws are below it"),
                ("mid", "", "half of the draws are below it"),
                ("high", "", "95 % of the draws are below it"),
            ],
        ),
        Table.of(
            "bands_spread.csv", "a time",
            [
                ("time_s", "s", "time since the start"),
                ("low", "points", "largest less smallest state of charge: 5 % of the draws are below it"),
                ("mid", "points", "half of the draws are below it"),
                ("high", "points", "95 % of the draws are below it"),
            ],
        ),
        Table.of(
            "draws.csv", "a draw",
            [
                ("draw", "", "its number, from 0"),
                ("failure", "", "why it could not be run; empty if it was"),
                ("warnings", "", "codes of what it warns of, with commas"),
                ("events", "", "codes of what happens in it, each once, with commas"),
                ("<key>", "", "drawn value of a key of the file, in the unit that uncertain_values.csv gives"),
                ("<figure>", "", "a figure of the bank, in the unit that bands.csv gives; empty where it did not happen"),
                ("<pack>.<figure>", "", "a figure of a pack, in the unit that bands_packs.csv gives"),
                ("<where>.<figure>", "", "a figure by which a rule judges, in the unit that bands_limits.csv gives"),
            ],
        ),
        Table.of(
            "uncertain_values.csv", "a value that is not known exactly",
            [
                ("key", "", "dotted key of the scenario file"),
                ("words", "", "what it is"),
                ("group", "", "joints, hysteresis, relaxation, resistance, capacity, start, ocv, asked or other"),
                ("unit", "", "unit of its values; empty where it has none"),
                ("low", "", "5 % of its distribution is below it"),
                ("mid", "", "half of its distribution is below it"),
                ("high", "", "95 % of its distribution is below it"),
                ("source", "", "where its distribution is from"),
            ],
        ),
        *EXPLAINED_TABLES,
    )  # fmt: skip

    table: pd.DataFrame
    packs: pd.DataFrame
    names: pd.DataFrame
    draws: pd.DataFrame
    uncertain: pd.DataFrame
    warnings: list[BankWarning]
    made_by: dict[str, Any]
    asked: int
    soc: pd.DataFrame | None = None
    spread: pd.DataFrame | None = None
    explained: Explained = field(default_factory=Explained)
    limits: pd.DataFrame = field(default_factory=lambda: _limits({}, None))

    @property
    def drivers(self) -> Drivers | None:
        """Which uncertain values explain the bands; None below 20 draws or where nothing moves."""
        return self.explained.drivers

    @property
    def measure_first(self) -> MeasureFirst | None:
        """Which readings would narrow the bands most; None below 40 draws or where nothing moves."""
        return self.explained.measure_first

    @property
    def title(self) -> str:
        values = counted(len(self.uncertain), "value")
        return f"{self.made_by['scenario']}: bands of {counted(self.done, 'draw')} of {values} that are not known exactly"

    @property
    def done(self) -> int:
        """How many draws gave figures."""
        return int(self.draws["failure"].isna().sum()) if len(self.draws) else 0

    @property
    def values(self) -> pd.DataFrame:
        """Drawn values of the draws that ran: draw × key, each in the unit that ``uncertain`` gives."""
        return self.draws.loc[self.draws["failure"].isna(), list(self.uncertain.index)]

    @property
    def figures(self) -> pd.DataFrame:
        """Figures of the bank of the draws that ran: draw × figure, NaN where it did not happen."""
        return self.draws.loc[self.draws["failure"].isna(), list(self.table.index)].astype(float)

    @property
    def pack_figures(self) -> pd.DataFrame:
        """Figures of packs of the draws that ran: draw × (pack, figure), NaN where it did not happen."""
        return self._by_name(self.packs.index)

    @property
    def limit_figures(self) -> pd.DataFrame:
        """Likewise what rules judge by besides: draw × (where, figure)."""
        return self._by_name(self.limits.index)

    def _by_name(self, index):
        found = self.draws.loc[self.draws["failure"].isna(), [f"{where}.{figure}" for where, figure in index]]
        return found.astype(float).set_axis(index, axis=1)

    @property
    def words(self) -> list[str]:
        """The main figures in sentences."""
        if not len(self.uncertain):
            return ["Nothing in the file is uncertain: every band is the figure itself."]
        out = [self._told(figure) for figure in TOLD if figure in self.table.index]
        out += [self._told_names(figure) for figure in NAMING if figure in self.names.index.get_level_values("figure")]
        return [text for text in out if text]

    def _told(self, figure):
        """A figure's band in a sentence; empty where it never happens."""
        row = self.table.loc[figure]
        if row["happens"] == 0 or row["low"] != row["low"]:
            return ""
        if row["low"] == math.inf:  # in fewer than one draw of twenty
            what = WORDS.get(figure, figure).partition(" [")[0].removesuffix(" at")
            return f"{what[:1].upper()}{what[1:]}: never, but in {100 * row['happens']:.0f} % of the draws."
        low, mid, high, file = (text.strip() for text in cells(figure, [row[key] for key in ("low", "mid", "high", "file")]))
        what, _, unit = WORDS.get(figure, figure).partition(" [")
        unit = f" {unit.rstrip(']')}" if unit else ""
        never = "" if row["happens"] == 1 else f"; in {100 * (1 - row['happens']):.0f} % of the draws never"
        what = f"{what[:1].upper()}{what[1:]}"
        return f"{what}: {low} to {high}{unit} in nine draws of ten, {mid} in the middle, {file} by the file's own values{never}."

    def _told_names(self, figure):
        shares = self.names.loc[figure]["share"].sort_values(ascending=False)
        told = ", ".join(f"{pack} in {100 * share:.0f} %" for pack, share in shares.head(3).items() if share >= 0.005)
        what = WORDS[figure]
        return f"{what[:1].upper()}{what[1:]}: {told} of the draws." if told else ""

    @property
    def summary(self) -> dict[str, Any]:
        """Everything as plain data."""
        return {"scenario": self.made_by["scenario"], "warnings": as_records(self.warnings)} | self.told

    @property
    def told(self) -> dict[str, Any]:
        """What ``--bands --json`` adds to what a command tells: None where a time is never."""
        shares: dict[str, dict[str, float]] = {}
        for (figure, pack), row in self.names.iterrows():
            shares.setdefault(figure, {})[pack] = float(row["share"])
        return {
            "bands": {figure: _plain_band(row) for figure, row in self.table.iterrows()},
            "bands_of_packs": _plain_bands(self.packs),
            "bands_of_limits": _plain_bands(self.limits),
            "bands_names": shares,
            "draws": {
                "asked": self.asked,
                "done": self.done,
                "failed": len(self.draws) - self.done,
                "seed": self.made_by["seed"],
            },
            "uncertain_values": records(self.uncertain.reset_index(), digits=15),
        } | self.explained.told

    def write_tables(self, folder: Path) -> None:
        """Write the tables into a folder that is there."""
        soc = None if self.soc is None else self.soc.stack(level="pack", future_stack=True)[list(QUANTILES)].reset_index()
        frames = {
            "bands.csv": self.table.reset_index(), "bands_packs.csv": self.packs.reset_index(),
            "bands_limits.csv": self.limits.reset_index() if len(self.limits) else None, "bands_names.csv": self.names.reset_index(),
            "bands_soc.csv": soc, "bands_spread.csv": None if self.spread is None else self.spread.reset_index(),
            "draws.csv": self.draws.reset_index(), "uncertain_values.csv": self.uncertain.reset_index(),
        }  # fmt: skip
        for name, frame in (frames | self.explained.frames).items():
            if frame is not None:
                provenance.write_table(folder / name, frame, self.made_by)

    def plot(self) -> Figure:
        """A bar for each figure from low to high; returns the matplotlib figure."""
        from simbank.plotting.band_plots import plot_figure_bands

        shown = [name for name in self.table.index if name in USUAL or "spread_max_points" not in self.table.index]
        return plot_figure_bands(self.table, {name: WORDS.get(name, name) for name in shown})

    def pictures(self) -> list[Picture]:
        """Bands of figures and over time, what explains them, what to measure first; none where nothing is uncertain."""
        from simbank.plotting import band_plots

        if not len(self.uncertain):
            return []
        out = []

        def add(file, caption, draw, *arguments):
            try:
                out.append(Picture(file, draw(*arguments), self.title, caption))
            except InputError:  # nothing of it to draw
                return

        add("bands.png", "How far each figure reaches: nine draws of ten lie within its bar.", self.plot)
        if self.soc is not None:
            add(
                "bands_soc.png",
                "State of charge of packs: nine draws of ten are within the shade.",
                band_plots.plot_soc_bands,
                self.soc,
            )
        if self.spread is not None and self.spread.to_numpy().any():
            caption = "Fullest less emptiest pack: nine draws of ten are within the shade."
            add("bands_spread.png", caption, band_plots.plot_spread_band, self.spread)
        if self.drivers is not None:
            about = self.drivers.explained
            figures = [name for name in about.index if about.loc[name, "ranked"]][:MOST_EXPLAINED]
            names, together = self.uncertain["words"].to_dict(), about["r2_adjusted"].to_dict()
            caption = "What explains the figures: shares of their variance, lines are 95 % intervals."
            add("drivers.png", caption, band_plots.plot_drivers, self.drivers.table, figures, WORDS, names, together)
        if self.measure_first is not None:
            for name in list(dict.fromkeys(self.measure_first.table["figure"]))[:MOST_EXPLAINED]:
                caption = f"How far each reading would narrow the {WORDS[name].partition(' [')[0]}."
                drawn_by = band_plots.plot_measure_first
                add(f"measure_first_{name}.png", caption, drawn_by, self.measure_first.table, name, WORDS[name])
        return out

    def __deepcopy__(self, memo: Any) -> Bands:
        """Itself: attributes of tables are copied often, and bands are large and do not change."""
        return self

    def told_beside(self) -> dict[str, Any]:
        """What the tables do not say."""
        return super().told_beside() | {"asked": self.asked}

    @classmethod
    def read(cls, tables: Mapping[str, pd.DataFrame], made: dict[str, Any], warnings: list[BankWarning], asked: int) -> Bands:
        """From the tables that :meth:`write` wrote, by the names of their files without ending."""

        def text(name, *columns):  # an empty text is no missing one
            return tables[name].fillna(dict.fromkeys(columns, ""))

        soc, spread = tables.get("bands_soc"), tables.get("bands_spread")
        if soc is not None:
            order = pd.MultiIndex.from_product([soc["pack"].unique(), QUANTILES], names=["pack", "quantile"])
            times = pd.Index(soc["time_s"].unique(), name="time_s")
            soc = pd.DataFrame(soc[list(QUANTILES)].to_numpy().reshape(len(times), -1), index=times, columns=order)
        draws, uncertain = (
            text("draws", "warnings", "events").set_index("draw"),
            text("uncertain_values", "unit", "source").set_index("key"),
        )
        words = [name for name in ("failure", *NAMING) if name in draws]
        draws = draws.assign(**{name: draws[name].astype(object).where(draws[name].notna(), None) for name in words})
        done = int(draws["failure"].isna().sum()) if len(draws) else 0
        return cls(
            text("bands", "unit").set_index("figure"), text("bands_packs", "unit").set_index(["pack", "figure"]),
            tables["bands_names"].set_index(["figure", "pack"]), draws, uncertain, warnings, made, asked, soc,
            None if spread is None else spread.set_index("time_s"), Explained.read(tables, done, uncertain["words"].to_dict()),
            text("bands_limits", "unit").set_index(["where", "figure"]) if "bands_limits" in tables else _limits({}, None),
        )  # fmt: skip


def _plain_bands(table):
    """Bands by (name, figure) as plain data."""
    out: dict[str, dict[str, Any]] = {}
    for (name, figure), row in table.iterrows():
        out.setdefault(name, {})[figure] = _plain_band(row)
    return out


def _plain_band(row):
    """A row of bands as plain data."""
    out = {key: float(row[key]) for key in ("low", "mid", "high", "file", "happens")}
    return {key: value if math.isfinite(value) else None for key, value in out.items()}


def quantiles(values: Any, never_is_later: bool = False) -> list[float]:
    """5, 50 and 95 % of values, between the two nearest in proportion.

    Parameters
    ----------
    values : array-like, shape (n,)
        NaN where a draw has none.
    never_is_later : bool
        Whether a draw that has none counts as later than all (the quantile is then infinite if it falls among these); by default it
        does not count.

    Returns
    -------
    list of float
        NaN where no draw counts.

    Examples
    --------
    >>> quantiles([1.0, 2.0, 3.0]), quantiles([1.0, 2.0, float("nan")], never_is_later=True)
    ([1.1, 2.0, 2.9], [1.1, 2.0, inf])
    """
    values = np.asarray(values, float)
    values = np.where(np.isnan(values), np.inf, values) if never_is_later else values[~np.isnan(values)]
    values = np.sort(values)
    out = []
    for share in QUANTILES.values():
        place = share * (len(values) - 1)
        below = math.floor(place)
        part = place - below
        if not len(values):
            out.append(math.nan)
        elif part < 1e-9 or math.isinf(values[below]) or values[below] == values[below + 1]:
            out.append(float(values[below]))
        else:
            out.append(float(values[below] + part * (values[below + 1] - values[below])))
    return out


def run_for_bands(scenario: Scenario, *, output_step_s: float, **options: Any) -> Found:
    """One run of a scenario, and of it what bands are made of; ``options`` as in :func:`simbank.simulate`."""
    result = simulate(scenario, output_step_s=output_step_s, **options)
    samples, times = result.pack_samples, instants(scenario.duty.duration_s, output_step_s)
    soc = samples.soc
    if not np.array_equal(samples.time_s, times):
        soc = np.stack([np.interp(times, samples.time_s, column) for column in soc.T], axis=1)
    figures = bank_figures(result.summary) | figures_over_time(times, soc, result.summary)
    events = list(dict.fromkeys(row.event.code for row in result.event_rows))
    limits = rule_figures(result, options)
    return Found(figures, pack_figures(result.summary), soc.astype(np.float32), result.warnings, limits, events)


def affordable_draws(scenario: Scenario, most_s: float, draws: int = DRAWS) -> int:
    """How many draws fit into a time, by one run of the scenario: as many as asked for, fewer, or 0 where too few would be left.

    Parameters
    ----------
    scenario : Scenario
        Bank and duty.
    most_s : float
        Time that they may take [s].
    draws : int
        As many as are wanted.
    """
    step_s = sampling_step_s(scenario.duty.duration_s, len(scenario.bank.packs), draws)
    for _ in range(2):  # the first may have to wait for the compiler
        start = time.monotonic()
        run_for_bands(scenario, integrator="fast", tolerance=BANDS_TOLERANCE, output_step_s=step_s)
        took_s = time.monotonic() - start
        if took_s * draws <= most_s:
            return draws
    fit = int(most_s / took_s)
    return fit if fit >= LEAST_DRAWS else 0


def instants(duration_s: float, step_s: float) -> np.ndarray:
    """Times at which a run is sampled [s]."""
    return np.append(np.arange(0.0, duration_s - 1e-9 * step_s, step_s), duration_s)


def sampling_step_s(duration_s: float, packs: int, draws: int) -> float:
    """Time between two samples [s]: whole minutes where the run lasts long enough."""
    most = max(30, min(MOST_INSTANTS, MOST_SAMPLES // max(packs * draws, 1)))
    step = duration_s / (most - 1)
    return math.ceil(step / 60.0) * 60.0 if step > 30.0 else step


def bands(
    scenario: Scenario,
    draws: int = DRAWS,
    seed: int = 0,
    *,
    integrator: str = "fast",
    tolerance: float | None = None,
    explain: bool = True,
    jobs: int | None = None,
    progress: Callable[[float], None] | None = None,
) -> Bands:
    """Figures of a run as 5, 50 and 95 % over draws of all that is not known of its bank.

    Every value that the file gives with ± or ``within``, and every one that it leaves to data with a range
    (:func:`simbank.scenario.uncertain.uncertain_values`), is drawn by Latin hypercube; each draw is run from beginning to end.
    Whatever the draw, what is asked stays as it is by the file's own values: a duty of 0.2 C keeps its amperes.

    Parameters
    ----------
    scenario : Scenario
        Bank and duty.
    draws : int
        How many, 2 or more.
    seed : int
        The same draws for the same seed.
    integrator : {"fast", "reference"}
        As in :func:`simbank.simulate`.
    tolerance : float, optional
        Of the integrator; 1e-5 of the fast one if none is given. Against 1e-8 that moves no figure of a shipped scenario by more than
        0.8 % of the width of its band, wherever the band is wide enough to be seen in a table; 1e-4 moves one by 6 %.
    explain : bool
        Whether to look for what explains the bands and what to measure first, which takes about as long as the draws.
    jobs : int, optional
        Processes on this machine, −1 for all cores; by default all where that is quicker, else none beside this one.
    progress : callable, optional
        Called with the fraction of draws done.

    Returns
    -------
    Bands

    Raises
    ------
    InputError
        If the number of draws or jobs is none, or a setting does not fit.
    SimulationError
        If every draw fails; RunStopped by Ctrl-C, with the bands of the draws so far as its ``partial``, None if there are none.
    """
    if not isinstance(scenario, Scenario):
        raise InputError("must be a scenario; sb.load(path) reads one", key="scenario", value=scenario)
    settings = checked_settings(draws, seed, integrator, tolerance)
    step_s = sampling_step_s(scenario.duty.duration_s, len(scenario.bank.packs), draws)
    settings |= {"output_step_s": step_s}
    return bands_by(run_for_bands, scenario, settings, draws, seed, "bands", explain=explain, jobs=jobs, progress=progress)


def bands_by(
    run: Callable[..., Found],
    scenario: Scenario,
    settings: Mapping[str, Any],
    draws: int,
    seed: int,
    study: str,
    *,
    told: tuple[Figures, Figures] = (BANK_FIGURES, PACK_FIGURES),
    explain: bool = False,
    jobs: int | None = None,
    progress: Callable[[float], None] | None = None,
) -> Bands:
    """Bands of what a function finds of a scenario.

    Parameters
    ----------
    run : callable
        Function of a module that takes a scenario and the settings, and gives what bands are made of.
    scenario : Scenario
        By the file's own values.
    settings : dict
        ``integrator``, ``tolerance``, and what else ``run`` takes; with ``output_step_s`` it gives states of charge that often.
    draws, seed, jobs, progress
        As in :func:`bands`.
    study : str
        Name of the function that the bands belong to.
    told : tuple
        Name, unit and meaning of each figure, of the bank and of a pack.
    explain : bool
        Whether to look for what explains the bands and what to measure first.

    Raises
    ------
    RunStopped
        By Ctrl-C, with the bands of the draws so far as its ``partial``, None if there are none.
    """
    own, known = run(scenario, **settings), uncertain_values(scenario)
    points, numbers = drawn_points(known, draws, seed)
    tasks = [Task(k, "", point) for k, point in enumerate(points)]
    done, stopped = run_tasks(run, {"": scenario}, tasks, settings, jobs, progress)
    if stopped and not any(one.found for one in done):
        raise RunStopped("stopped with no draw done")
    made = bands_made_by(scenario, study, settings, draws, seed)
    step_s = settings.get("output_step_s")
    times = None if step_s is None else instants(scenario.duty.duration_s, step_s)
    found = bands_of(done, own, known, numbers, made, draws, times, *told)
    if explain and not stopped:
        stopped = _stopped_while(lambda: _add_explanation(found, scenario, done, seed))
    if stopped:
        raise RunStopped(f"stopped with {counted(found.done, 'draw')} done; the bands are of these", found)
    return found


def _add_explanation(found, scenario, done, seed):
    ran = [one for one in done if one.found is not None]
    banks = [one.bank or drawn(scenario, one.task.values).bank for one in ran]
    found.explained = explained(found.values, found.figures, banks, found.uncertain, seed, scenario.bank)


def _stopped_while(work):
    """Whether Ctrl-C came while something was done, which is then left."""
    interrupted = []
    try:
        with heard_by(lambda: interrupted.append(True) or True):
            work()
    except (RunStopped, KeyboardInterrupt):
        return True
    return bool(interrupted)


def checked_settings(draws: int, seed: int, integrator: str, tolerance: float | None) -> dict[str, Any]:
    """Integrator and tolerance of every draw; an InputError where the number of draws or the seed is none."""
    if not isinstance(draws, int) or isinstance(draws, bool) or draws < 2:
        raise InputError("needs two draws or more", key="draws", value=str(draws))
    if draws > MOST_DRAWS:
        raise InputError(f"at most {MOST_DRAWS} draws: all of them are kept in memory", key="draws", value=draws)
    if not isinstance(seed, int) or seed < 0:
        raise InputError("must be a whole number, 0 or more", key="seed", value=seed)
    if tolerance is None and integrator == "fast":
        tolerance = BANDS_TOLERANCE
    return {"integrator": integrator, "tolerance": tolerance}


def bands_made_by(scenario: Scenario, study: str, settings: Mapping[str, Any], draws: int, seed: int) -> dict[str, Any]:
    """What makes bands, as plain data; ``of`` is the study that they belong to, if it is another."""
    told = {key: settings[key] for key in ("integrator", "tolerance")}
    return study_made_by(scenario, "bands", **told, of=None if study == "bands" else study, draws=draws, seed=seed, sampler="lhs")


def drawn_points(known: Sequence[UncertainValue], draws: int, seed: int) -> tuple[list[dict[str, Any]], pd.DataFrame]:
    """Points to run, each key → value; and the same as bare numbers, draw × key. No point where nothing is uncertain."""
    keys = [value.key for value in known]
    if not known:
        return [], pd.DataFrame(index=pd.RangeIndex(0, name="draw"))
    shares = draw_shares(len(known), draws, seed=seed)
    points = [{value.key: value.draw.value(share) for value, share in zip(known, row, strict=True)} for row in shares]
    numbers = [[value.draw.number(share) for value, share in zip(known, row, strict=True)] for row in shares]
    return points, pd.DataFrame(numbers, columns=keys, index=pd.RangeIndex(draws, name="draw"))


def bands_of(
    done: Sequence[DrawnRun],
    own: Found,
    known: Sequence[UncertainValue],
    numbers: pd.DataFrame,
    made: dict[str, Any],
    asked: int,
    times: np.ndarray | None = None,
    told: Figures = BANK_FIGURES,
    told_of_packs: Figures = PACK_FIGURES,
) -> Bands:
    """Bands of runs that were made.

    Parameters
    ----------
    done : sequence of DrawnRun
        Failed ones among them.
    own : Found
        What comes of the file's own values.
    known : sequence of UncertainValue
        What was drawn.
    numbers : DataFrame
        Drawn values as bare numbers, draw × key.
    made : dict
        What made it.
    asked : int
        How many draws were asked for.
    times : ndarray, optional
        Of the state of charge [s].
    told, told_of_packs : sequence of (str, str, str)
        Name, unit and meaning of each figure of the bank and of a pack.

    Raises
    ------
    SimulationError
        If every run failed.
    """
    ran = [one for one in done if one.found is not None]
    if done and not ran:
        raise SimulationError(f"all {counted(len(done), 'draw')} failed; the first: {done[0].failure}")
    draws = _draws_table(done, numbers, own)
    good = draws[draws["failure"].isna()]
    table = pd.DataFrame(
        [_band(good, name, name, unit, own.figures[name]) for name, unit, _ in told],
        index=pd.Index([name for name, _, _ in told], name="figure"),
    )
    units = {name: unit for name, unit, _ in told_of_packs}
    rows = [_band(good, f"{pack}.{name}", name, units[name], value) for (pack, name), value in own.packs.items()]
    index = pd.MultiIndex.from_tuples(list(own.packs), names=["pack", "figure"])
    soc, spread = _over_time(
        [one.found.soc for one in ran] or [own.soc], times, list(dict.fromkeys(pack for pack, _ in own.packs))
    )
    return Bands(
        table, pd.DataFrame(rows, index=index), _names(good), draws, _uncertain_table(known), _warnings(done, own), made, asked,
        soc, spread, limits=_limits(own.limits, good),
    )  # fmt: skip


def _limits(own, good):
    """Bands of what rules judge by besides."""
    units = {name: unit for name, unit, _ in RULE_FIGURES}
    rows = [_band(good, f"{where}.{name}", name, units[name], value) for (where, name), value in own.items()]
    index = pd.MultiIndex.from_tuples(list(own), names=["where", "figure"])
    return pd.DataFrame(rows, columns=[name for name, _, _ in _BAND_COLUMNS], index=index)


def _draws_table(done, numbers, own):
    """A row for each draw."""
    rows = []
    for one in done:
        row = {"failure": one.failure, "warnings": "", "events": ""} | dict(numbers.loc[one.task.draw])
        if one.found is not None:
            row["warnings"] = ", ".join(dict.fromkeys(warning.code for warning in one.found.warnings))
            row["events"] = ", ".join(one.found.events)
            named = one.found.packs | one.found.limits
            row |= one.found.figures | {f"{where}.{name}": value for (where, name), value in named.items()}
        rows.append(row)
    names = ["failure", "warnings", "events", *numbers, *own.figures]
    names += [f"{where}.{name}" for where, name in (*own.packs, *own.limits)]
    frame = pd.DataFrame(rows, columns=names, index=pd.Index([one.task.draw for one in done], name="draw", dtype=int))
    numeric = [name for name in names if name not in ("failure", "warnings", "events", *NAMING)]
    kinds = dict.fromkeys(numeric, float) | {name: object for name in names if name not in numeric}
    return frame.astype(kinds).copy()  # in one piece


def _band(good, column, figure, unit, own):
    """One row of a table of bands."""
    later = figure in NEVER_IS_LATER
    value = math.nan if own is None else float(own)
    values = good[column].to_numpy(float) if len(good) else np.array([value])
    low, mid, high = quantiles(values, later)
    happens = float(np.mean(~np.isnan(values)))
    return {
        "unit": unit, "low": low, "mid": mid, "high": high, "file": math.inf if later and value != value else value, "happens": happens,
    }  # fmt: skip


def _names(good):
    """Share of the draws in which a pack is the one that a figure names."""
    rows = {}
    for figure in NAMING:
        if figure in good:
            rows |= {(figure, pack): many / len(good) for pack, many in good[figure].value_counts().items()}
    index = (
        pd.MultiIndex.from_tuples(list(rows), names=["figure", "pack"])
        if rows
        else pd.MultiIndex.from_arrays([[], []], names=["figure", "pack"])
    )
    return pd.DataFrame({"share": list(rows.values())}, index=index, dtype=float)


def _over_time(socs, times, packs):
    """Quantiles of state of charge and of its spread over time; None where it was not kept."""
    if times is None or socs[0] is None:
        return None, None
    soc = np.stack([_as_long(one, len(times)) for one in socs])  # draw × time × pack
    index = pd.Index(times, name="time_s")
    shares = list(QUANTILES.values())
    bands = np.quantile(soc, shares, axis=0).astype(float)
    columns = pd.MultiIndex.from_product([packs, QUANTILES], names=["pack", "quantile"])
    spread = np.quantile(np.ptp(soc, axis=2), shares, axis=0).T * 100.0
    return (
        pd.DataFrame(bands.transpose(1, 2, 0).reshape(len(times), -1), index=index, columns=columns),
        pd.DataFrame(spread.astype(float), index=index, columns=list(QUANTILES)),
    )


def _as_long(soc, many):
    """State of charge at so many instants: a draw whose duty ends sooner stays as it ended, one that ends later is cut."""
    return np.concatenate([soc[:many], np.repeat(soc[-1:], max(0, many - len(soc)), axis=0)])


def _uncertain_table(known):
    """What is uncertain, as a table."""
    rows = [
        {
            "words": value.words, "group": value.group, "unit": getattr(value.draw, "unit", ""),
            **{name: float(value.draw.number(share)) for name, share in QUANTILES.items()}, "source": value.source,
        }
        for value in known
    ]  # fmt: skip
    columns = ["words", "group", "unit", *QUANTILES, "source"]
    return pd.DataFrame(rows, columns=columns, index=pd.Index([value.key for value in known], name="key", dtype=object))


def _warnings(done, own):
    """Draws that failed or are few, and what draws warn of that the file's own values do not."""
    out, failed = [], [one for one in done if one.found is None]
    if failed:
        first = failed[0]
        text = f"{len(failed)} of {counted(len(done), 'draw')} failed and gave no figures; the bands are of the others. The first: {first.failure}"
        out.append(BankWarning("draws-failed", f"draw {first.task.draw}", text))
    ran = [one for one in done if one.found is not None]
    if ran and len(ran) < FEWEST:
        text = f"Of {counted(len(ran), 'draw')} 5 and 95 % are little more than the least and the greatest; {DRAWS} tell more."
        out.append(BankWarning("few-draws", "bands", text))
    told = {(warning.code, warning.where) for warning in own.warnings}
    runs = [
        (f"draw {one.task.draw}", [warning for warning in one.found.warnings if (warning.code, warning.where) not in told])
        for one in ran
    ]
    return out + gathered(runs)

"""Bands as a result: figures as 5, 50 and 95 % of draws, with words, files and pictures."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

import pandas as pd

from simbank import provenance
from simbank.columns import Table
from simbank.digits import cells, percent
from simbank.errors import InputError
from simbank.results import Picture, StudyResult, records
from simbank.studies.band_figures import NAMING, QUANTILES, USUAL, WORDS
from simbank.studies.drivers import Drivers
from simbank.studies.explained import TABLES as EXPLAINED_TABLES
from simbank.studies.explained import Explained
from simbank.studies.measuring import MeasureFirst
from simbank.warning import BankWarning, as_records, counted

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["BANDS_FOLDER", "Bands"]

BANDS_FOLDER = "bands"  # beside the files of a run or another study, since a folder holds one result
MOST_EXPLAINED = 2  # figures of whose drivers and readings there are pictures
TOLD = ("spread_max_points", "share_ratio_max", "first_full_h")  # in words
_BAND_COLUMNS = [
    ("unit", "", "unit of the five columns that follow; empty where it has none"),
    ("low", "", "5 % of the draws are below it; inf: never"),
    ("mid", "", "half of the draws are below it"),
    ("high", "", "95 % of the draws are below it"),
    (
        "file",
        "",
        "what comes of the file: of its values and, where it says nothing, of middle ones; joints and pack wiring left out count as zero",
    ),
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
        Likewise, index ``where`` (a conductor, a pack, a port, two ports, or ``bank``) and ``figure``: what rules judge a run by besides,
        such as a conductor's current over its ampacity.
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
            "bands_limits.csv", "a conductor, a pack, a port or the bank, and a figure by which a rule judges",
            [("where", "", "name of the conductor, pack, port or two ports; bank"), ("figure", "", "name of the figure"), *_BAND_COLUMNS],
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
    limits: pd.DataFrame = field(default_factory=lambda: limits_table([], []))

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
            return f"{what[:1].upper()}{what[1:]}: never, but in {percent(row['happens'])} of the draws."
        low, mid, high, file = (text.strip() for text in cells(figure, [row[key] for key in ("low", "mid", "high", "file")]))
        what, _, unit = WORDS.get(figure, figure).partition(" [")
        unit = f" {unit.rstrip(']')}" if unit else ""
        never = "" if row["happens"] == 1 else f"; in {percent(1.0 - row['happens'])} of the draws never"
        what = f"{what[:1].upper()}{what[1:]}"
        return f"{what}: {low} to {high}{unit} in nine draws of ten, {mid} in the middle, {file} by the file{never}."

    def _told_names(self, figure):
        shares = self.names.loc[figure]["share"].sort_values(ascending=False)
        told = ", ".join(f"{pack} in {percent(share)}" for pack, share in shares.head(3).items() if share >= 0.005)
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
            caption = (
                "Fullest less emptiest pack at each time: nine draws of ten are within the shade. Draws have their largest spread at different "
                "times, so the table's largest spread may be higher than this peak."
            )
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
            empty = {column: "" for column in columns if column in tables[name]}
            return tables[name].astype(dict.fromkeys(empty, object)).fillna(empty)

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
            text("bands_limits", "unit").set_index(["where", "figure"]) if "bands_limits" in tables else limits_table([], []),
        )  # fmt: skip


def limits_table(keys: Sequence[tuple[str, str]], rows: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """The table ``limits`` of :class:`Bands`: (where, figure) and band of each row."""
    index = pd.MultiIndex.from_tuples(keys, names=["where", "figure"])
    return pd.DataFrame(rows, columns=[name for name, _, _ in _BAND_COLUMNS], index=index)


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

"""What draws of years of a bank come to: quantiles of every figure and of the courses, who is first in how many, whether capacities come together."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from simbank import provenance
from simbank.columns import Table
from simbank.digits import percent
from simbank.results import Shown, records
from simbank.scenario.uncertain import UncertainValue
from simbank.studies.ageing.from_full import CUT_SHORT
from simbank.studies.band_figures import QUANTILES
from simbank.studies.band_tables import quantiles
from simbank.studies.drivers import FEWEST, Drivers, drivers
from simbank.warning import BankWarning, counted, listed

__all__ = ["BAND_TABLES", "FIGURES", "AgeingBands", "bands_of_years"]

FIGURES = {  # of the bank: unit and what a person calls it
    "first_to_80": ("", "years until the first pack has 80 %"), "usable_end_wh": ("Wh", "usable energy at the end"),
    "capacity_spread_end_points": ("points", "capacity spread at the end"), "resistance_spread_end": ("", "resistance spread at the end"),
    "unmet_end_wh": ("Wh", "unmet in the last year"), "usable_start_wh": ("Wh", "usable energy at the start"),
    "capacity_spread_start_points": ("points", "capacity spread when the packs of the end came together"),
    "resistance_spread_start": ("", "resistance spread when the packs of the end came together"),
}  # fmt: skip
LEAST_SEEN = 1e-3  # a figure whose 95 % is below is not shown, such as unmet energy where all is met
LATER = ("first_to_80", "years_to_80")  # a draw in which it does not happen counts as later than all
NAMED = ("ages_first", "capacities", "resistances")  # figures that are words
EXPLAINED = ("first_to_80", "usable_end_wh", "capacity_spread_end_points")
_ENDS = [
    ("low", "", "5 % of the draws are below it"), ("mid", "", "half of the draws are below it"),
    ("high", "", "95 % of the draws are below it"), ("file", "", "by the file's own values and the first law"),
]  # fmt: skip
_OF_YEAR = [
    (f"{what}_{end}", unit, f"{words}: {meaning}") for what, unit, words in (
        ("usable_wh", "Wh", "usable energy"), ("unmet_wh", "Wh", "unmet in a year"),
        ("capacity_spread", "", "largest less smallest capacity left"), ("resistance_spread", "", "likewise, of the growth of resistance"),
    ) for end, _, meaning in _ENDS[:3]
]  # fmt: skip
_OF_COURSE = [
    (f"{what}_{end}", "", f"{words}: {meaning}") for what, words in (
        ("capacity_left", "present over rated capacity"), ("resistance_growth", "present resistance of its cells over that as new"),
    ) for end, _, meaning in _ENDS[:3]
]  # fmt: skip
BAND_TABLES = (
    Table.of(
        "ageing_bands.csv", "a figure of the bank or of a pack",
        [
            ("where", "", "name of the pack, or bank"), ("figure", "", "its name"), *_ENDS,
            ("happens", "", "share of the draws in which it has a value"),
        ],
    ),
    Table.of("ageing_bands_years.csv", "a year", [("year", "", "years since the start"), *_OF_YEAR]),
    Table.of("ageing_bands_packs.csv", "a pack in a year", [("year", "", "years since the start"), ("pack", "", "its name"), *_OF_COURSE]),
    Table.of(
        "ageing_draws.csv", "a draw",
        [
            ("draw", "", "its number, from 0"), ("failure", "", "why it could not be run; empty if it was"),
            ("<key>", "", "drawn value of a key of the file, or of ageing itself"), ("<figure>", "", "a figure of the bank"),
            ("<pack>.<figure>", "", "a figure of a pack"),
        ],
    ),
    Table.of(
        "ageing_drivers.csv", "a figure and an uncertain value that moves it",
        [
            ("key", "", "of the uncertain value"), ("words", "", "what it is"), ("figure", "", "name of the figure"),
            ("share", "", "share of the variance of the figure's ranks that it explains"), ("low", "", "lower end of its 95 % interval"),
            ("high", "", "upper end of it"), ("sign", "", "1 where the figure grows with it, -1 where it falls"),
        ],
    ),
)  # fmt: skip


@dataclass(eq=False, repr=False)
class AgeingBands:
    """Bands of years of a bank.

    Attributes
    ----------
    table : DataFrame
        Index (``where``, ``figure``), where ``bank`` or a pack: ``low``, ``mid``, ``high`` (5, 50 and 95 % of the draws), ``file``, and
        ``happens``, the share of the draws that have a value. Years to 80 % that do not come within twice the years asked for count as
        later than all, and are infinite.
    by_year, courses : DataFrame
        The bank year by year, and its packs: columns end in ``_low``, ``_mid`` and ``_high``.
    shares : dict of str to dict
        ``ages_first``: pack → share of the draws in which it is first; ``capacities``, ``resistances``: "together", "apart" or
        "neither" → share.
    draws : DataFrame
        A row for each draw.
    uncertain : list of UncertainValue
        What was drawn.
    asked, seed : int
        How many draws were asked for, and what makes them.
    until : float
        Years up to which years to 80 % are told.
    drivers : Drivers or None
        What explains the figures; None below 20 draws.
    """

    table: pd.DataFrame
    by_year: pd.DataFrame
    courses: pd.DataFrame
    shares: dict[str, dict[str, float]]
    draws: pd.DataFrame
    uncertain: Sequence[UncertainValue]
    asked: int
    seed: int
    until: float
    drivers: Drivers | None = None
    warnings: list[BankWarning] = field(default_factory=list)

    @property
    def done(self) -> int:
        """How many draws gave figures."""
        return int(self.draws["failure"].isna().sum())

    @property
    def begins_below(self) -> float:
        """Share of the draws in which a pack begins at 80 % or less: these count as 0 years until the first pack has 80 %."""
        if "first_to_80" not in self.draws:
            return 0.0
        years = self.draws["first_to_80"].astype(float)
        return float((years <= 0.0).sum() / max(self.done, 1))

    def begins_below_of(self, pack: str) -> tuple[float, float]:
        """Share of the draws in which that pack begins at 80 % or less, and share of them in which another pack does."""
        years = {
            name: self.draws[f"{name}.years_to_80"].astype(float) <= 0.0
            for name, figure in self.table.index
            if figure == "years_to_80"
        }
        own = years.pop(pack)
        other = pd.DataFrame(years, index=self.draws.index).any(axis=1)
        return float(own.sum() / max(self.done, 1)), float(other.sum() / max(self.done, 1))

    @property
    def moved_by(self) -> pd.DataFrame:
        """What explains the figures: values that can be told from nothing, largest share first."""
        if self.drivers is None:
            return pd.DataFrame(columns=BAND_TABLES[4].names)
        called = {value.key: value.words for value in self.uncertain}
        table = self.drivers.table[self.drivers.table["told"].astype(bool)]
        return table.assign(words=table["key"].map(called))[BAND_TABLES[4].names].reset_index(drop=True)

    @property
    def words(self) -> list[str]:
        """Who is first in how many draws, whether capacities come together, what moves the figures, what was drawn."""
        first, together = self.shares["ages_first"], self.shares["capacities"]
        said = []
        if len(first) > 1 or len(self.courses["pack"].unique()) > 1:
            said.append(
                f"First to come to 80 %: {listed([f'{pack} in {percent(share)}' for pack, share in first.items()])} of the draws."
            )
            told = {"together": "come together", "apart": "go apart", "neither": "stay as far apart"}
            parts = listed([f"{told[word]} in {percent(share)}" for word, share in together.items()])
            said.append(f"Capacities of the packs {parts} of the draws.")
        moved = self.moved_by
        for figure in EXPLAINED[:2]:
            rows = moved[moved["figure"] == figure].head(3)
            if len(rows) and self.drivers.explained.loc[figure, "ranked"]:
                parts = listed([f"{row.words} ({100 * row.share:.0f} %)" for row in rows.itertuples()])
                said.append(f"What moves the {FIGURES[figure][1]} most, as share of its variance: {parts}.")
            elif len(rows):
                parts = listed([str(row.words) for row in rows.itertuples()])
                said.append(
                    f"What moves the {FIGURES[figure][1]} most: what stands out is {parts}; these draws give no order of it."
                )
        if self.begins_below > 0.0:
            said.append(
                f"In {percent(self.begins_below)} of the draws a pack begins at 80 % or less of its capacity as new: there the years until the "
                "first pack has 80 % count as 0."
            )
        laws = next((value.draw.choices for value in self.uncertain if value.key == "ageing.law"), ())
        which = f"which law holds ({' or '.join(laws)}, each with equal weight), " if laws else ""
        said.append(
            f"{counted(self.done, 'draw')}, seed {self.seed}; in each all that is not known has other values: {which}how fast the cells of each "
            "pack type lose beside those of the law, how much resistance grows with that, and what is not known of the bank. Packs of one "
            "type age alike but for their charge, heat and work."
        )
        return said

    @property
    def shown(self) -> list[Shown]:
        """The tables as people read them."""
        rows = [
            {"figure": words + (f" [{unit}]" if unit else "")} | {
                end: self._text(figure, self.table.loc[("bank", figure), end]) for end in ("low", "mid", "high", "file")
            }
            for figure, (unit, words) in FIGURES.items() if (self.table.loc[("bank", figure), "high"] > LEAST_SEEN)
        ]  # fmt: skip
        ends = {"low": "5 %", "mid": "middle", "high": "95 %", "file": "by the file"}
        out = [Shown(f"The bank in {counted(self.done, 'draw')}", pd.DataFrame(rows), {"figure": "figure"} | ends)]
        packs = [name for name in dict.fromkeys(self.table.index.get_level_values("where")) if name != "bank"]
        first, rows = self.shares["ages_first"], []
        for pack in packs:
            row = {"pack": pack, "first": percent(first.get(pack, 0.0))}
            for figure in ("capacity_left", "resistance_growth", "years_to_80", "loss_points"):
                band = self.table.loc[(pack, figure)]
                row[figure] = self._reach(figure, band["low"], band["high"])
                row[f"{figure}_mid"] = self._text(figure, band["mid"])
            rows.append(row)
        columns = {
            "pack": "pack", "capacity_left": "capacity left [%]", "capacity_left_mid": "left, middle", "resistance_growth": "resistance ÷ new",
            "resistance_growth_mid": "resistance, middle", "years_to_80": "years to 80 %", "years_to_80_mid": "years, middle", "first": "first in",
        }  # fmt: skip
        more = {"loss_points": "lost on the way [points]"}
        out.append(Shown("Packs: from 5 % to 95 % of the draws, at the end", pd.DataFrame(rows), columns, more))
        years = pd.DataFrame({"year": [f"{year:.3g}" for year in self.by_year["year"]]})
        for what, heading in (("usable_wh", "usable_wh"), ("unmet_wh", "unmet_wh"), ("capacity_spread", "points")):
            pairs = zip(*(self.by_year[f"{what}_{end}"] for end in ("low", "high")), strict=True)
            years[heading] = [self._reach(what, low, high) for low, high in pairs]
        columns = {
            "year": "year",
            "usable_wh": "usable [Wh]",
            "unmet_wh": "unmet in a year [Wh]",
            "points": "capacity spread [points]",
        }
        out.append(Shown("The bank by year: from 5 % to 95 % of the draws", years, columns))
        return out

    def _reach(self, figure, low, high):
        """From low to high, as people read it; one value where both read the same."""
        low, high = self._text(figure, low), self._text(figure, high)
        return low if low == high else f"{low} to {high}"

    def _text(self, figure, value):
        """A figure as people read it."""
        if not math.isfinite(value):
            return f"> {self.until:g}"
        if figure in ("capacity_left", "capacity_spread"):
            return f"{100.0 * value:.1f}"
        if figure.endswith("_wh"):
            return f"{value + 0.0:,.0f}" if abs(value) >= 0.5 else "0"
        return f"{value:.1f}" if figure in LATER or figure.endswith("points") else f"{value:.2f}"

    @property
    def told(self) -> dict[str, Any]:
        """What ``--bands --json`` adds: None where a time is later than twice the years asked for."""
        bands: dict[str, dict[str, Any]] = {}
        for (where, figure), row in self.table.iterrows():
            plain = {
                key: float(row[key]) if math.isfinite(row[key]) else None for key in ("low", "mid", "high", "file", "happens")
            }
            bands.setdefault(where, {})[figure] = plain
        failed = len(self.draws) - self.done
        return {
            "bands": bands.pop("bank"), "bands_of_packs": bands, "bands_names": self.shares, "bands_by_year": records(self.by_year),
            "bands_of_courses": records(self.courses),
            "draws": {"asked": self.asked, "done": self.done, "failed": failed, "seed": self.seed},
            "drivers": records(self.moved_by, digits=12),
        }  # fmt: skip

    def write_tables(self, folder: Path, made_by: dict[str, Any]) -> None:
        """Write the tables into a folder that is there."""
        frames = (self.table.reset_index(), self.by_year, self.courses, self.draws.reset_index(), self.moved_by)
        for table, frame in zip(BAND_TABLES, frames, strict=True):
            provenance.write_table(folder / table.files[0], frame, made_by, index=False)


def bands_of_years(done, own, known, numbers, asked, seed, until) -> AgeingBands:
    """Bands of draws that were made, failed ones among them.

    ``own`` is what comes of the file's own values, ``until`` up to when years to 80 % are told; the rest as in :class:`AgeingBands`.
    """
    ran = [one for one in done if one.found is not None]
    frame = _draws_table(done, own, numbers)
    good = frame[frame["failure"].isna()]
    rows = {("bank", name): (good[name], name, own.figures[name]) for name in FIGURES}
    rows |= {(pack, name): (good[f"{pack}.{name}"], name, value) for (pack, name), value in own.packs.items()}
    table = pd.DataFrame([_band(*row) for row in rows.values()], index=pd.MultiIndex.from_tuples(rows, names=["where", "figure"]))
    shares = {name: {str(word): many / len(good) for word, many in good[name].value_counts().items()} for name in NAMED}
    moved = None
    if len(good) >= FEWEST:
        figures = good[list(EXPLAINED)].astype(float)
        moving = [name for name in figures if len(figures[name].unique()) > 1]
        moved = drivers(good[list(numbers)], figures[moving], seed=seed) if moving else None
    return AgeingBands(
        table, _over(ran, "by_year", ["year"]), _over(ran, "courses", ["year", "pack"]), shares, frame, known, asked, seed, until, moved,
        _warnings(done),
    )  # fmt: skip


def _draws_table(done, own, numbers):
    rows = []
    for one in done:
        row = {"failure": one.failure} | dict(numbers.loc[one.task.draw])
        if one.found is not None:
            row |= one.found.figures | {f"{pack}.{name}": value for (pack, name), value in one.found.packs.items()}
        rows.append(row)
    figures = [*FIGURES, *(f"{pack}.{name}" for pack, name in own.packs)]
    frame = pd.DataFrame(rows, columns=["failure", *numbers, *NAMED, *figures])
    frame.index = pd.Index([one.task.draw for one in done], name="draw", dtype=int)
    return frame.astype(dict.fromkeys(figures, float) | dict.fromkeys(("failure", *NAMED), object)).copy()


def _band(values, name, own):
    """One row of the table."""
    later, values = name in LATER, values.to_numpy(float)
    low, mid, high = quantiles(values, later)
    own = math.nan if own is None else float(own)
    return {
        "low": low,
        "mid": mid,
        "high": high,
        "file": math.inf if later and own != own else own,
        "happens": float(np.mean(~np.isnan(values))),
    }


def _over(ran, what, keys):
    """Quantiles over the draws of every number of a table, row by row."""
    frames = [getattr(one.found, what) for one in ran]
    out = frames[0][keys].reset_index(drop=True)
    shown = [name for name, _, _ in (_OF_YEAR if what == "by_year" else _OF_COURSE)]
    for name in dict.fromkeys(column.rpartition("_")[0] for column in shown):
        values = np.quantile([frame[name].to_numpy(float) for frame in frames], list(QUANTILES.values()), axis=0)
        for end, row in zip(QUANTILES, values, strict=True):
            out[f"{name}_{end}"] = row
    return out[[*keys, *shown]]


def _warnings(done):
    failed = [one for one in done if one.found is None]
    out = []
    if failed:
        which = f"{len(failed)} of {counted(len(done), 'draw')} failed and gave no figures; the bands are of the others"
        text = f"{which}. The first: {failed[0].failure}"
        out.append(BankWarning("draws-failed", f"draw {failed[0].task.draw}", text))
    cut = [one.found.cut_short_by for one in done if one.found is not None and one.found.cut_short_by]
    if cut:
        names = list(dict.fromkeys(name for opened in cut for name in opened))
        text = (
            f"In {percent(len(cut) / (len(done) - len(failed)))} of the draws {' or '.join(names)} opens before the packs are empty in the "
            "discharge that tells usable energy: its bands are there of what is let through, not of what the packs hold."
        )
        out.append(BankWarning(CUT_SHORT, "bands", text))
    if len(done) - len(failed) < FEWEST:
        text = f"Of {counted(len(done) - len(failed), 'draw')} 5 and 95 % are little more than the least and the greatest; 200 tell more."
        out.append(BankWarning("few-draws", "bands", text))
    return out

"""Layouts compared by paired draws: which is better, in what share of the draws, and by how much."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
import pandas as pd

from simbank.columns import Table
from simbank.digits import cells, percent
from simbank.errors import RunStopped
from simbank.results import Picture, StudyResult, records
from simbank.scenario import Scenario, with_changes
from simbank.scenario.uncertain import uncertain_values
from simbank.studies.band_figures import NEVER_IS_LATER, SEEN, WORDS
from simbank.studies.band_tables import bands_of, quantiles
from simbank.studies.bands import bands_made_by, checked_settings, instants, run_for_bands, sampling_step_s
from simbank.studies.bands_result import Bands
from simbank.studies.draw_runs import Task, run_tasks
from simbank.studies.draws import draw_shares
from simbank.studies.rule_figures import near_ampacity
from simbank.warning import BankWarning, as_records, counted

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["BETTER", "LayoutBands", "layout_bands", "paired"]

# Of which figures less (−1) or more (1) is better; of the others neither is.
BETTER = {
    "spread_max_points": -1, "spread_end_points": -1, "share_ratio_max": -1, "share_ratio_min": 1, "c_rate_max": -1,
    "conductor_loss_wh": -1, "energy_out_wh": 1, "port_voltage_min_v": 1, "first_empty_h": 1, "first_cutoff_h": 1, "unmet_wh": -1,
    "ac_unmet_wh": -1,
}  # fmt: skip
TOLD = ("spread_max_points", "share_ratio_max")  # in words
SURE = 0.9  # share of the draws from which a layout is said to be the better one


@dataclass(eq=False, repr=False)
class LayoutBands(StudyResult):
    """Bands of every layout, and what paired draws say of each two.

    Attributes
    ----------
    table : DataFrame
        One row for each two layouts and figure: ``layout``, ``other``, ``figure``, ``unit``; ``better``: share of the draws in which
        ``layout`` is better than ``other``, ``worse``: in which it is worse (in the rest nothing tells them apart); ``low``, ``mid``,
        ``high``: by how much it is better, 5, 50 and 95 % of the draws. ``layout`` is the one that is better in more draws.
    layouts : dict of str to Bands
    made_by : dict
    """

    INDEXED: ClassVar = False
    TABLES: ClassVar = (
        Table.of(
            "paired.csv", "two layouts and a figure of which less or more is better",
            [
                ("layout", "", "name of the layout that is better in more draws"),
                ("other", "", "name of the other"),
                ("figure", "", "name of the figure"),
                ("unit", "", "its unit; empty where it has none"),
                ("better", "", "share of the draws in which the layout is better than the other"),
                ("worse", "", "share of the draws in which it is worse; in the rest nothing that a table shows tells them apart"),
                ("low", "", "by how much it is better: 5 % of the draws are below it; negative where it is worse"),
                ("mid", "", "half of the draws are below it"),
                ("high", "", "95 % of the draws are below it"),
            ],
        ),
    )  # fmt: skip

    table: pd.DataFrame
    layouts: dict[str, Bands]
    made_by: dict[str, Any]

    @property
    def title(self) -> str:
        return f"{self.made_by['scenario']}: layouts by paired draws"

    @property
    def paired(self) -> pd.DataFrame:
        """The table."""
        return self.table

    @property
    def warnings(self) -> list[BankWarning]:
        """What the bands of the layouts warn of: each code once, in the words of the layout that warns first."""
        by_code: dict[str, dict[str, BankWarning]] = {}
        for name, found in self.layouts.items():
            for warning in found.warnings:
                by_code.setdefault(warning.code, {})[name] = warning
        out = []
        for code, said in by_code.items():
            first, *others = said
            text = said[first].text
            if len(others) + 1 < len(self.layouts) or any(said[name].text != text for name in others):
                text = f"{first}: {text}" + (f" Likewise in draws of {', '.join(others)}." if others else "")
            places = dict.fromkeys(place for warning in said.values() for place in warning.where.split(", "))
            out.append(BankWarning(code, ", ".join(places), text))
        return out

    @property
    def words(self) -> list[str]:
        """How the layout that is best by each main figure stands against every other, in sentences."""
        return [text for figure in TOLD for text in self._against(figure)]

    def best(self, figure: str) -> str:
        """The layout whose middle draw is best by a figure."""
        return min(self.layouts, key=lambda name: -BETTER[figure] * self.layouts[name].table.loc[figure, "mid"])

    def plot(self) -> Figure:
        """Bands of the main figures by layout; returns the matplotlib figure."""
        from simbank.plotting.band_plots import plot_layout_bands

        return plot_layout_bands(
            {name: found.table for name, found in self.layouts.items()}, {name: WORDS[name] for name in TOLD}
        )

    def pictures(self) -> list[Picture]:
        """Bands by layout, and by how much the best one is better in the same draws; none where nothing is uncertain."""
        from simbank.plotting.band_plots import plot_paired

        if not any(len(found.uncertain) for found in self.layouts.values()):
            return []
        caption = "How far the figures of each layout reach: nine draws of ten lie within its bar."
        out = [Picture("bands.png", self.plot(), self.title, caption)]
        words = {name: WORDS[name] for name in TOLD if name in set(self.table["figure"])}
        if words:
            figure = plot_paired(self.table, {name: self.best(name) for name in words}, words, SURE)
            caption = "By how much the best layout is better than each other one in the same draws."
            out.append(Picture("paired.png", figure, self.title, caption))
        return out

    def _against(self, figure):
        rows = self.table[self.table["figure"] == figure]
        if not len(rows):
            return []
        best = self.best(figure)
        mine = rows[(rows["layout"] == best) | (rows["other"] == best)]
        return [_told(row, best) for _, row in mine.iterrows()]

    @property
    def told(self) -> dict[str, Any]:
        """What ``--bands --json`` adds to what a comparison tells, by layout."""
        by_layout = {name: found.told for name, found in self.layouts.items()}
        out = {key: {name: told[key] for name, told in by_layout.items()} for key in next(iter(by_layout.values()))}
        return out | {"paired": records(self.table, digits=12)}

    @property
    def summary(self) -> dict[str, Any]:
        """Everything as plain data."""
        return {"scenario": self.made_by["scenario"], "warnings": as_records(self.warnings)} | self.told

    def told_beside(self) -> dict[str, Any]:
        """What the table does not say: the layouts, whose bands are in folders of their names."""
        return super().told_beside() | {"layouts": list(self.layouts)}

    def write_tables(self, folder: Path) -> None:
        """Write the table into a folder, and the bands of each layout into a folder of its name in it."""
        super().write_tables(folder)
        for name, found in self.layouts.items():
            found.write(folder / name)


def _told(row, best):
    """What the paired draws say of two layouts by a figure, in a sentence."""
    figure, one, other = row["figure"], row["layout"], row["other"]
    name, _, unit = WORDS[figure].partition(" [")
    begin, unit = f"{name[:1].upper()}{name[1:]}:", f" {unit.rstrip(']')}" if unit else ""
    if row["better"] + row["worse"] < 0.05:
        return f"{begin} {one} and {other} do the same in {percent(1.0 - row['better'] - row['worse'])} of the draws."
    low, high = row["low"], row["high"]
    if row["better"] >= SURE:
        lower, upper = (text.strip() for text in cells(figure, [max(low, 0.0), high]))
        return f"{begin} {one} is better than {other} in {percent(row['better'])} of the draws, by {lower} to {upper}{unit}."
    one, other, better, low, high = (
        (one, other, row["better"], low, high) if one == best else (other, one, row["worse"], -high, -low)
    )
    worse, upper = (text.strip() for text in cells(figure, [abs(low), abs(high)]))
    reach = [f"{worse}{unit} {'worse' if low < 0 else 'better'}", f"{upper}{unit} {'worse' if high < 0 else 'better'}"]
    return f"{begin} not settled: {one} is better than {other} in {percent(better)} of the draws, from {reach[0]} to {reach[1]}."


def layout_bands(
    scenario: Scenario,
    layouts: Sequence[str],
    draws: int,
    seed: int = 0,
    *,
    integrator: str = "fast",
    tolerance: float | None = None,
    jobs: int | None = None,
    progress: Callable[[float], None] | None = None,
) -> LayoutBands:
    """Bands of several layouts from the same draws.

    A value that several layouts have (of packs, of a chemistry, of a conductor of the same name with the same joints) is the same in
    all of them in each draw, so that what they differ by is their wiring; what only one has is drawn for itself.

    Parameters
    ----------
    scenario : Scenario
        Packs, wiring parts and duty.
    layouts : sequence of str
        Names of layouts.
    draws, seed, integrator, tolerance, jobs, progress
        As in :func:`simbank.bands`.

    Raises
    ------
    RunStopped
        By Ctrl-C, with the bands of the draws that every layout has run so far as its ``partial``, None if there are none.
    """
    settings = checked_settings(draws, seed, integrator, tolerance)
    cases = {name: with_changes(scenario, {"wiring.layout": name}) for name in layouts}
    step_s = sampling_step_s(scenario.duty.duration_s, len(scenario.bank.packs) * len(cases), draws)
    settings |= {"output_step_s": step_s}
    own = {name: run_for_bands(case, **settings) for name, case in cases.items()}
    settings["dense"] = any(near_ampacity(found.limits) for found in own.values())
    known = {name: uncertain_values(case) for name, case in cases.items()}
    keys = list(dict.fromkeys(value.key for values in known.values() for value in values))
    shares = pd.DataFrame(draw_shares(len(keys), draws, seed=seed) if keys else np.empty((0, 0)), columns=keys)
    tasks = [
        Task(k, name, {value.key: value.draw.value(row[value.key]) for value in known[name]})
        for k, row in enumerate(shares.to_dict("records"))
        for name in cases
    ]
    done, stopped = run_tasks(run_for_bands, cases, tasks, settings, jobs, progress)
    of = {name: {one.task.draw: one for one in done if one.task.case == name} for name in cases}
    whole = sorted(set.intersection(*(set(found) for found in of.values())))
    made = bands_made_by(scenario, "compare", settings, draws, seed) | {"layouts": list(cases)}
    if stopped and not whole:
        raise RunStopped("stopped with no draw done")
    found = {}
    for name in cases:
        numbers = pd.DataFrame(
            {v.key: [v.draw.number(share) for share in shares[v.key]] for v in known[name]}, index=shares.index
        )
        found[name] = bands_of(
            [of[name][k] for k in whole], own[name], known[name], numbers, made | {"layout": name}, draws,
            instants(scenario.duty.duration_s, step_s),
        )  # fmt: skip
    out = LayoutBands(paired(found), found, made | {"function": "simbank.layout_bands"})
    if stopped:
        raise RunStopped(f"stopped with {counted(len(whole), 'draw')} of each layout done; the bands are of these", out)
    return out


def paired(layouts: Mapping[str, Bands]) -> pd.DataFrame:
    """What each two layouts differ by in draws that they have in common; the columns are those of :class:`LayoutBands`."""
    rows = []
    figures = {name: found.figures for name, found in layouts.items()}
    for one, other in combinations(layouts, 2):
        both = figures[one].index.intersection(figures[other].index)
        for figure, sign in BETTER.items():
            unit = layouts[one].table.loc[figure, "unit"]
            values = [figures[name].loc[both, figure].to_numpy() for name in (one, other)]
            if figure in NEVER_IS_LATER:
                values = [np.where(np.isnan(v), np.inf, v) for v in values]
            with np.errstate(invalid="ignore"):
                by = np.where(values[0] == values[1], 0.0, sign * (values[0] - values[1]))
            by = by[~np.isnan(by)]
            if not len(by):
                continue
            better, worse = float(np.mean(by > SEEN[unit])), float(np.mean(by < -SEEN[unit]))
            turned = worse > better
            low, mid, high = quantiles(-by if turned else by)
            names = (other, one) if turned else (one, other)
            shares = (worse, better) if turned else (better, worse)
            rows.append((*names, figure, unit, *shares, low, mid, high))
    columns = ["layout", "other", "figure", "unit", "better", "worse", "low", "mid", "high"]
    return pd.DataFrame(rows, columns=columns)

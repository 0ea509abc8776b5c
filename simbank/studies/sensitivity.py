"""Which uncertain value moves a figure most: Sobol indices of a scenario's keys, and what the sample cannot tell."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
import pandas as pd

from simbank.columns import Table
from simbank.errors import InputError
from simbank.results import Picture, Study, StudyResult, records
from simbank.scenario import Scenario
from simbank.studies.ageing.swept import SWEPT
from simbank.studies.draws import expand_keys
from simbank.studies.figures import FIGURES
from simbank.studies.sweep import sweep
from simbank.studies.unused import CODE as KEY_CHANGES_NOTHING
from simbank.warning import BankWarning, as_records, counted, from_records, gathered

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["Sensitivity", "sensitivity"]


RESAMPLES = 400
NOT_TOLD_APART = "keys-not-told-apart"
USUAL_FIGURE = ("spread_max_points", "years_to_80")  # of the duty once, of years
MOST_RUNS = 1 << 16  # a base sample beyond which no number is named


@dataclass(eq=False, repr=False)
class Sensitivity(StudyResult):
    """What :func:`sensitivity` found.

    Attributes
    ----------
    figure : str
    table : DataFrame
        One row per key, largest ``total`` first: ``first`` (share of the variance that it explains by itself), ``total`` (with all
        that it does together with others), 95 % intervals of both from resampling (``first_low``, ...), the places from
        ``place_low`` to ``place_high`` that it takes in 95 % of the resamples, ``told_apart`` (whether that is one place),
        ``first_covers_zero``, and ``runs_needed``: the base sample at which the intervals of its total and the next key's would no
        longer overlap, if they go on shrinking with the root of the sample (NaN for the last, and beyond 65536).
    runs : DataFrame
        All runs.
    base_runs : int
        Base sample.
    warnings : list of BankWarning
        ``keys-not-told-apart``, ``key-changes-nothing``, and what the runs warn of.
    made_by : dict
    """

    INDEXED: ClassVar = False
    TABLES: ClassVar = (
        Table.of(
            "sensitivity.csv", "a key, largest total first",
            [
                ("key", "", "dotted key of the scenario file"),
                ("first", "", "share of the figure's variance that the key explains by itself (first-order Sobol index)"),
                ("total", "", "the same with all that it does together with others (total Sobol index)"),
                ("first_low", "", "lower end of the 95 % interval of the first index, from resampling"),
                ("first_high", "", "its upper end"),
                ("total_low", "", "lower end of the 95 % interval of the total index"),
                ("total_high", "", "its upper end"),
                ("place_low", "", "first of the places by total index that the key takes in 95 % of the resamples"),
                ("place_high", "", "last of these places"),
                ("told_apart", "", "whether that is one place"),
                ("first_covers_zero", "", "whether the interval of the first index covers zero"),
                ("runs_needed", "", "base sample at which this total's interval would no longer overlap the next one's"),
            ],
        ),
    )  # fmt: skip

    figure: str
    table: pd.DataFrame
    runs: pd.DataFrame
    base_runs: int
    warnings: list[BankWarning]
    made_by: dict[str, Any]

    @property
    def title(self) -> str:
        return f"{self.made_by['scenario']}: share of the variance of {self.figure}, {counted(len(self.runs), 'run')}"

    @property
    def summary(self) -> dict[str, Any]:
        """Everything as plain data."""
        told = {"figure": self.figure, "warnings": as_records(self.warnings), "words": self.words}
        return {"scenario": self.made_by["scenario"], **told, "rows": records(self.table)}

    def plot(self) -> Figure:
        """Bars of both indices, with intervals; returns the matplotlib figure."""
        from simbank.plotting import study_plots

        return study_plots.plot_sensitivity(self)

    def pictures(self) -> list[Picture]:
        title = f"{self.made_by['scenario']}: what moves {self.figure}"
        return [Picture("sensitivity.png", self.plot(), title, self._told())]

    def section(self) -> Study:
        return replace(super().section(), title="Sensitivity", text=(self._told(),))

    def _told(self) -> str:
        integrator = self.made_by["integrator"]
        told = f"Sobol indices of {self.figure}: share of its variance that each key explains, {counted(len(self.runs), 'run')}, {integrator}."
        return " ".join([told, *self.words])

    @property
    def words(self) -> list[str]:
        """What the sample can tell and what not, in sentences."""
        return _words(self.table, self.base_runs)


class _Share:
    """Distribution over shares, as scipy's sampler wants one; values come from the draws."""

    def ppf(self, share):
        return share


def sensitivity(
    scenario: Scenario,
    vary: Mapping[str, str],
    figure: str | None = None,
    *,
    runs: int = 128,
    seed: int = 0,
    **options: Any,
) -> Sensitivity:
    """Sobol indices of a headline figure (Saltelli et al., Comput. Phys. Commun. 181 (2010) 259; scipy.stats.sobol_indices).

    Parameters
    ----------
    scenario : Scenario
        What is varied.
    vary : dict of str to str
        Dotted key → distribution, as in :func:`simbank.sweep`.
    figure : str
        A column of numbers of the sweep's table, such as "share_ratio_max"; by default "spread_max_points", with ``years`` "years_to_80".
    runs : int
        Base sample, a power of two; runs × (keys + 2) runs are made.
    seed : int
        Of the sample and of the resampling that gives the intervals.
    **options
        Passed on to :func:`simbank.sweep` (jobs, cluster, keep, integrator, years, law, ...).

    Raises
    ------
    InputError
        If the figure is unknown or has no number in a run, a run fails, or ``runs`` is no power of two.
    """
    draws = expand_keys(scenario, vary)
    known = [name for name, _, _ in (FIGURES if options.get("years") is None else SWEPT)]
    figure = figure or USUAL_FIGURE[options.get("years") is not None]
    if figure not in known:
        raise InputError(f"no such figure; there is {', '.join(known)}", key="figure", value=figure)
    if len(draws) < 2:
        raise InputError("needs two keys or more: with one there is nothing to compare", key="vary", value=", ".join(draws))
    if runs < 4 or runs & (runs - 1):
        raise InputError("must be a power of two, four or more", key="runs", value=runs)
    tables, values = [], []

    def compute(shares):
        points = [
            {key: draw.value(float(np.clip(s, 1e-9, 1 - 1e-9))) for (key, draw), s in zip(draws.items(), column, strict=True)}
            for column in shares.reshape(len(draws), -1).T
        ]
        table = sweep(scenario, points=points, **options)
        tables.append(table)
        if table["failure"].notna().any():
            first = table["failure"].dropna().iloc[0]
            raise InputError(f"a run failed, so that no index can be given: {first}", key="vary")
        return _numbers(table, figure).reshape(shares.shape[1:])[None]

    def keep(shares):
        values.append(compute(shares))
        return values[-1]

    from scipy import stats  # a command that asks for no indices does not wait for it

    found = stats.sobol_indices(func=keep, n=runs, dists=[_Share() for _ in draws], rng=np.random.default_rng(seed))
    first, total = found.first_order.ravel(), found.total_order.ravel()
    firsts, totals = _resampled(values, runs, np.random.default_rng([seed, 1]))
    order = np.argsort(-total, kind="stable")
    places = 1 + np.argsort(np.argsort(-totals, axis=1, kind="stable"), axis=1)
    low, high = ([np.quantile(x, q, axis=0) for x in (firsts, totals)] for q in (0.025, 0.975))
    place_low, place_high = (np.quantile(places, q, axis=0, method="nearest").astype(int) for q in (0.025, 0.975))
    table = pd.DataFrame(
        {
            "key": list(draws), "first": first, "total": total,
            "first_low": low[0], "first_high": high[0], "total_low": low[1], "total_high": high[1],
            "place_low": place_low, "place_high": place_high, "told_apart": place_low == place_high,
            "first_covers_zero": (low[0] <= 0) & (high[0] >= 0),
        }
    ).iloc[order].reset_index(drop=True)  # fmt: skip
    table["runs_needed"] = _needed(table, runs)
    made = tables[0].attrs["made_by"] | {
        "function": "simbank.sensitivity", "figure": figure, "runs": runs, "seed": seed, "sampler": "sobol",
        "vary": {key: str(text) for key, text in vary.items()},
    }  # fmt: skip
    every = pd.concat(tables, ignore_index=True)
    warned = [w for part in tables for w in from_records(part.attrs["warnings"]) if w.code != KEY_CHANGES_NOTHING]
    warnings = _warnings(table, runs) + gathered([("runs", warned)])
    return Sensitivity(figure, table, every, runs, warnings, made)


def _numbers(table, figure):
    """A figure of every run, all of which must have one: an index of some of them would be of another sample."""
    found = np.array(pd.to_numeric(table[figure], errors="coerce"), float)
    without = int(np.isnan(found).sum())
    if without:
        more = "; ask for more years, or take capacity_left_min, which is always there" if figure == "years_to_80" else ""
        raise InputError(f"has no number in {without} of {counted(len(table), 'run')}{more}", key="figure", value=figure)
    return found


def _resampled(values, runs, random):
    """First and total indices of resamples of the base sample, each of shape (RESAMPLES, keys).

    The estimators are those of scipy.stats.sobol_indices: V_j = mean f_B (f_AB,j − f_A), V_Tj = mean (f_A − f_AB,j)² / 2, over the
    variance of f_A and f_B together (Saltelli et al. 2010, table 2, b and f).
    """
    f_a, f_b = values[0][0], values[1][0]
    f_ab = values[2][0].reshape(runs, -1).T
    middle = np.mean([f_a, f_b])
    f_a, f_b, f_ab = f_a - middle, f_b - middle, f_ab - middle
    firsts, totals = np.zeros((2, RESAMPLES, len(f_ab)))
    for k in range(RESAMPLES):
        take = random.integers(0, runs, runs)
        a, b, ab = f_a[take], f_b[take], f_ab[:, take]
        variance = np.var([a, b])
        if variance > 0:
            firsts[k] = np.mean(b * (ab - a), axis=1) / variance
            totals[k] = 0.5 * np.mean((a - ab) ** 2, axis=1) / variance
    return firsts, totals


def _needed(table, runs):
    """For each key the base sample at which its interval and the next one's no longer overlap, a power of two; NaN if none is named."""
    out = np.full(len(table), np.nan)
    for k in range(len(table) - 1):
        one, other = table.iloc[k], table.iloc[k + 1]
        gap = one["total"] - other["total"]
        reach = max(0.0, one["total"] - one["total_low"]) + max(0.0, other["total_high"] - other["total"])
        if gap > 0:
            needed = runs * max(1.0, reach / gap) ** 2
            out[k] = 2 ** int(np.ceil(np.log2(needed))) if needed <= MOST_RUNS else np.nan
    return out


def _groups(table):
    """Keys in groups whose places the sample cannot tell apart, in order: two that share a place belong together."""
    groups, reach = [], 0
    for _, row in table.iterrows():
        if groups and row["place_low"] <= reach:
            groups[-1].append(row)
        else:
            groups.append([row])
        reach = max(reach, row["place_high"])
    return groups


def _words(table, runs):
    out = []
    for group in _groups(table):
        if len(group) == 1:
            continue
        names = ", ".join(row["key"] for row in group)
        numbers = [row["runs_needed"] for row in group[:-1]]
        largest = group[0]["runs_needed"]
        if not np.isnan(largest) and largest > runs:
            more = f"to tell the first from the second, about --runs {largest:.0f} would be needed"
        elif np.all(np.isnan(numbers)):
            more = f"they may be alike: no base sample up to {MOST_RUNS} would tell them apart"
        else:
            more = f"to tell all of them apart, about --runs {np.nanmax(numbers):.0f} or more would be needed"
        out.append(
            f"A base sample of {runs} cannot settle the order of these keys, whose possible places overlap: {names}; {more}."
        )
    covered = list(table["key"][table["first_covers_zero"]])
    if covered:
        out.append(f"By themselves these may have no effect (their 95 % intervals cover zero): {', '.join(covered)}.")
    return out or [f"The order is the same in 95 % of the resamples of this base sample of {runs}."]


def _warnings(table, runs):
    out = []
    groups = [group for group in _groups(table) if len(group) > 1]
    if groups:
        names = ", ".join(row["key"] for group in groups for row in group)
        out.append(BankWarning(NOT_TOLD_APART, names, _words(table, runs)[0]))
    dead = list(table["key"][table["total"] == 0])
    out += [
        BankWarning(KEY_CHANGES_NOTHING, key, f"no figure of the {counted(runs, 'pair')} of runs that differ in it changed")
        for key in dead
    ]
    return out

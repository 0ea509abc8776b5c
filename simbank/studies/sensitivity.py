"""Which uncertain value moves a figure most: Sobol indices of a scenario's keys."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import stats

from simbank.errors import InputError
from simbank.studies.draws import expand_keys
from simbank.studies.sweep import sweep
from simbank.warning import BankWarning

__all__ = ["Sensitivity", "sensitivity"]


@dataclass(eq=False)
class Sensitivity:
    """What :func:`sensitivity` found.

    ``table`` has one row per key, largest first: ``first`` (share of the variance that it explains by itself), ``total`` (with
    all that it does together with others), and 95 % intervals from resampling. ``runs`` is the table of all runs, ``warnings`` a
    list of BankWarning: what these runs warn of, each once.
    """

    figure: str
    table: pd.DataFrame
    runs: pd.DataFrame
    warnings: list = field(default_factory=list)

    def plot(self):
        """Bars of both indices, with intervals; returns the matplotlib figure."""
        from simbank.report import study_plots

        return study_plots.plot_sensitivity(self)


class _Share:
    """Distribution over shares, as scipy's sampler wants one; values come from the draws."""

    def ppf(self, share):
        return share


def sensitivity(scenario, vary, figure="spread_max_points", *, runs=128, seed=0, **options):
    """Sobol indices of a headline figure (Saltelli et al., Comput. Phys. Commun. 181 (2010) 259; scipy.stats.sobol_indices).

    Parameters
    ----------
    scenario : Scenario
    vary : dict of str to str
        Dotted key → distribution, as in :func:`simbank.sweep`.
    figure : str
        A column of the sweep's table, such as "spread_max_points" or "share_ratio_max".
    runs : int
        Base sample, a power of two; runs × (keys + 2) runs are made.
    **options
        Passed on to :func:`simbank.sweep` (jobs, cluster, keep, integrator, ...).

    Raises
    ------
    InputError
        If the figure is unknown, a run fails, or ``runs`` is no power of two.
    """
    draws = expand_keys(scenario, vary)
    if len(draws) < 2:
        raise InputError("needs two keys or more: with one there is nothing to compare", key="vary", value=", ".join(draws))
    if runs < 4 or runs & (runs - 1):
        raise InputError("must be a power of two, four or more", key="runs", value=runs)
    tables = []

    def compute(shares):
        points = [
            {key: draw.value(float(np.clip(s, 1e-9, 1 - 1e-9))) for (key, draw), s in zip(draws.items(), column, strict=True)}
            for column in shares.reshape(len(draws), -1).T
        ]
        table = sweep(scenario, points=points, **options)
        tables.append(table)
        if figure not in table:
            raise InputError(f"no such figure; there is {', '.join(table.columns[len(draws) :])}", key="figure", value=figure)
        if table["failure"].notna().any():
            first = table["failure"].dropna().iloc[0]
            raise InputError(f"a run failed, so that no index can be given: {first}", key="vary")
        return np.array(table[figure], float).reshape(shares.shape[1:])[None]

    found = stats.sobol_indices(func=compute, n=runs, dists=[_Share() for _ in draws], rng=np.random.default_rng(seed))
    sure = found.bootstrap(confidence_level=0.95, n_resamples=200)
    table = pd.DataFrame(
        {
            "key": list(draws),
            "first": found.first_order.ravel(), "total": found.total_order.ravel(),
            "first_low": sure.first_order.confidence_interval.low.ravel(),
            "first_high": sure.first_order.confidence_interval.high.ravel(),
            "total_low": sure.total_order.confidence_interval.low.ravel(),
            "total_high": sure.total_order.confidence_interval.high.ravel(),
        }
    )  # fmt: skip
    order = table.sort_values("total", ascending=False, ignore_index=True)
    return Sensitivity(figure, order, pd.concat(tables, ignore_index=True), _once(tables))


def _once(tables):
    """The first warning of each code and place."""
    found = {}
    for table in tables:
        for record in table.attrs["warnings"]:
            found.setdefault((record["code"], record["where"]), BankWarning(**record))
    return list(found.values())

"""The same packs and duty under several wiring layouts, side by side."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from simbank.bank import LAYOUTS
from simbank.errors import InputError
from simbank.filemodel import nearest
from simbank.scenario import with_changes
from simbank.simulation import simulate
from simbank.studies.figures import headline
from simbank.warning import gathered

__all__ = ["Comparison", "compare"]


@dataclass(eq=False)
class Comparison:
    """What :func:`compare` found.

    Attributes
    ----------
    table : DataFrame
        One row per layout with the headline figures.
    results : dict of str to Result
        The whole run of each layout.
    """

    table: pd.DataFrame
    results: dict

    @property
    def warnings(self):
        """What must be known before any of the figures; of several layouts that warn of the same, the first one's numbers."""
        return gathered([(layout, result.warnings) for layout, result in self.results.items()])

    def plot(self, **options):
        """Spread over time and share of each pack, by layout; returns the matplotlib figure."""
        from simbank.plotting import plots

        return plots.plot_comparison(self, **options)


def compare(scenario, layouts=None, *, progress=None, **options):
    """Run a scenario once for each layout.

    Parameters
    ----------
    scenario : Scenario
    layouts : sequence of str, optional
        Names of layouts; by default every layout for which the scenario gives the parts (link, lead).
    progress : callable, optional
        Called with the fraction of all runs done.
    **options
        Passed on to :func:`simbank.simulate`.

    Returns
    -------
    Comparison

    Raises
    ------
    InputError
        If a layout is unknown or lacks a part it needs.
    """
    if scenario.layout == "graph":
        raise InputError(
            'a scenario with layout "graph" has one wiring only', file=scenario.source, key="wiring.layout", value="graph"
        )
    if layouts is None:
        layouts = _possible(scenario)
    for layout in layouts:
        if layout not in LAYOUTS:
            raise InputError(f"unknown layout; {nearest(layout, LAYOUTS)}", key="layouts", value=layout)
    results = {}
    for k, layout in enumerate(layouts):
        part = None if progress is None else lambda done, k=k: progress((k + done) / len(layouts))
        results[layout] = simulate(with_changes(scenario, {"wiring.layout": layout}), progress=part, **options)
    table = pd.DataFrame({layout: headline(result.summary) for layout, result in results.items()}).T.infer_objects()
    table.index.name = "layout"
    return Comparison(table, results)


def _possible(scenario):
    names = []
    for layout in LAYOUTS:
        try:
            with_changes(scenario, {"wiring.layout": layout})
        except InputError:
            continue
        names.append(layout)
    return names

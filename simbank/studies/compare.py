"""The same packs and duty under several wiring layouts, side by side."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

import pandas as pd

from simbank.bank import LAYOUTS
from simbank.columns import Table
from simbank.errors import InputError, RunStopped
from simbank.filemodel import nearest
from simbank.provenance import made_by
from simbank.results import Picture, Shown, StudyResult
from simbank.scenario import Scenario, with_changes
from simbank.simulation import Result, simulate
from simbank.simulation.choice import AUTO, choose_integrator
from simbank.studies.bands_result import BANDS_FOLDER
from simbank.studies.described import ideal_bar_words, layouts_left_out
from simbank.studies.figures import COLUMNS, FIGURES, MORE, headline
from simbank.studies.paired import LayoutBands, layout_bands
from simbank.warning import BankWarning, as_records, gathered

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["Comparison", "compare"]

RUNS_SHARE = 0.2  # of the progress told, where bands follow


@dataclass(eq=False, repr=False)
class Comparison(StudyResult):
    """What :func:`compare` found.

    Attributes
    ----------
    table : DataFrame
        One row per layout with the headline figures.
    results : dict of str to Result
        The whole run of each layout.
    made_by : dict
        What made it.
    left_out : sequence of BankWarning
        Layouts that were left out although the scenario gives their parts, and why.
    own : str
        Name of the layout that the scenario has.
    not_counted : str
        What of a layout is not counted, in words; empty if nothing is known to be missing.
    bands : LayoutBands or None
        Every figure's band by layout, and what paired draws say of each two layouts; where asked for.
    """

    TABLES: ClassVar = (
        Table.of(
            "layouts.csv", "a layout",
            [
                ("layout", "", "name of the wiring layout"),
                *FIGURES,
            ],
        ),
    )  # fmt: skip

    table: pd.DataFrame
    results: dict[str, Result]
    made_by: dict[str, Any]
    left_out: Sequence[BankWarning] = ()
    own: str = ""
    not_counted: str = ""
    bands: LayoutBands | None = None

    @property
    def title(self) -> str:
        return f"{self.made_by['scenario']}: layouts side by side"

    @property
    def summary(self) -> dict[str, Any]:
        """Everything as plain data: the summary of each layout's run."""
        rows = [{"layout": name} | result.summary for name, result in self.results.items()]
        return {
            "scenario": self.made_by["scenario"],
            "warnings": as_records(self.warnings),
            "not_counted": self.not_counted,
            "rows": rows,
        } | ({} if self.bands is None else self.bands.told)

    @property
    def warnings(self) -> list[BankWarning]:
        """What must be known before any of the figures; of several layouts that warn of the same, the first one's numbers."""
        found = gathered([(layout, result.warnings) for layout, result in self.results.items()])
        return [*self.left_out, *found, *([] if self.bands is None else self.bands.warnings)]

    @property
    def shown(self) -> list[Shown]:
        """The tables as people read them: layouts with their figures, and each pack's share of discharge ÷ its share of capacity."""
        first = next(iter(self.results.values())).summary
        shares = {"pack": [pack["name"] for pack in first["packs"]]} | {
            f"{name}_share_ratio_discharge": [pack["share_ratio_discharge"] for pack in result.summary["packs"]]
            for name, result in self.results.items()
        }
        columns = {"pack": "pack"} | {f"{name}_share_ratio_discharge": name for name in self.results}
        return [
            Shown(self.title, self.table.reset_index(), {"layout": "layout", **COLUMNS}, MORE),
            Shown("Share of discharge ÷ share of capacity (1.000 is proportional)", pd.DataFrame(shares), columns),
        ]

    def plot(self, **options: Any) -> Figure:
        """Spread over time and share of each pack, by layout; returns the matplotlib figure."""
        from simbank.plotting import plots

        return plots.plot_comparison(self, **options)

    def pictures(self) -> list[Picture]:
        caption = "Spread over time, and each pack's share of discharge ÷ its share of capacity."
        return [Picture("layouts.png", self.plot(), self.title, caption)]

    def told_beside(self) -> dict[str, Any]:
        """What the tables do not say; the warnings of each run are in its own folder."""
        return super().told_beside() | {
            "left_out": as_records(self.left_out),
            "own": self.own,
            "not_counted": self.not_counted,
        }

    def write_tables(self, folder: Path) -> None:
        """Write the table into a folder, and the whole run of each layout into a folder of its name in it."""
        super().write_tables(folder)
        for name, result in self.results.items():
            result.write(folder / name)
        if self.bands is not None:
            self.bands.write(folder / BANDS_FOLDER)


def compare(
    scenario: Scenario,
    layouts: Sequence[str] | None = None,
    *,
    bands: int | None = None,
    seed: int = 0,
    progress: Callable[[float], None] | None = None,
    **options: Any,
) -> Comparison:
    """Run a scenario once for each layout.

    Parameters
    ----------
    scenario : Scenario
        Packs, wiring parts and duty.
    layouts : sequence of str, optional
        Names of layouts; by default every layout for which the scenario gives the parts (link, lead).
    bands : int, optional
        Draws of all that is not known exactly, the same under every layout (:func:`simbank.studies.paired.layout_bands`); none if not
        given.
    seed : int
        Of these draws.
    progress : callable, optional
        Called with the fraction of all runs done.
    **options
        Passed on to :func:`simbank.simulate`. One integrator makes all runs; "auto" (as there) goes by the time of all together.

    Returns
    -------
    Comparison

    Raises
    ------
    InputError
        If a layout is unknown or lacks a part it needs.
    RunStopped
        By Ctrl-C; where the layouts were done and bands were not, with the Comparison and the bands so far as its ``partial``.
    """
    if scenario.layout == "graph":
        raise InputError(
            'a scenario with layout "graph" has one wiring only', file=scenario.source, key="wiring.layout", value="graph"
        )
    left_out = ()
    if layouts is None:
        layouts = _possible(scenario)
        left_out = layouts_left_out(scenario, [name for name in LAYOUTS if name not in layouts])
    for layout in layouts:
        if layout not in LAYOUTS:
            raise InputError(f"unknown layout; {nearest(layout, LAYOUTS)}", key="layouts", value=layout)
    results, share = {}, 1.0 if bands is None else RUNS_SHARE
    cases = {layout: with_changes(scenario, {"wiring.layout": layout}) for layout in layouts}
    asked = {"integrator": AUTO} | {key: options[key] for key in ("integrator", "method", "tolerance") if key in options}
    options["integrator"] = choose_integrator([(case.bank, case.duty) for case in cases.values()], **asked)
    for k, (layout, case) in enumerate(cases.items()):
        part = None if progress is None else lambda done, k=k: progress(share * (k + done) / len(layouts))
        results[layout] = simulate(case, progress=part, **options)
    table = pd.DataFrame({layout: headline(result.summary) for layout, result in results.items()}).T.infer_objects()
    table.index.name = "layout"
    first = next(iter(results.values())).made_by
    settings = {key: first.get(key) for key in ("integrator", "method", "tolerance")}
    found = Comparison(
        table,
        results,
        made_by(scenario, "simbank.compare", **settings),
        left_out,
        scenario.layout,
        ideal_bar_words(scenario, results),
    )
    if bands is not None:
        rest = None if progress is None else lambda done: progress(share + (1.0 - share) * done)
        try:
            found.bands = layout_bands(scenario, list(results), bands, seed, progress=rest)
        except RunStopped as stopped:
            found.bands = stopped.partial
            raise RunStopped(str(stopped), found) from None
    return found


def _possible(scenario: Scenario) -> list[str]:
    names = []
    for layout in LAYOUTS:
        try:
            with_changes(scenario, {"wiring.layout": layout})
        except InputError:
            continue
        names.append(layout)
    return names

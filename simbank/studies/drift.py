"""The same packs, wiring and current with other chemistries: how far apart packs drift, and whether they come back."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
import pandas as pd

from simbank.cells import Curve
from simbank.cells.chemistry import MIDDLE_SOC
from simbank.columns import Table
from simbank.provenance import made_by
from simbank.results import Picture, Study, StudyResult, records
from simbank.scenario import Scenario, with_changes
from simbank.simulation import Result, simulate
from simbank.simulation.bank_warnings import PARALLEL, UNUSED_CHEMISTRY
from simbank.studies.case import Case
from simbank.studies.described import bank_warnings
from simbank.studies.settings import STUDY_TOLERANCE
from simbank.warning import BankWarning, as_records, gathered

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["Drift", "drift"]

MIXED, UNEQUAL_COUNT = "mixed-chemistry", "unequal-cell-count"
DEFAULT = ("lfp", "lfp_power", "nmc", "lead_flooded")
START_SOC, HOURS, C_RATE, REST_HOURS = 0.7, 2.0, 0.2, 12.0
END_SOC = START_SOC - C_RATE * HOURS
REST_WORDS = f"{REST_HOURS:.0f} h"
DUTY_WORDS = f"{C_RATE:g} C from {START_SOC * 100:.0f} to {END_SOC * 100:.0f} %, then {REST_WORDS} of rest"
MIDDLE_WORDS = f"{MIDDLE_SOC[0] * 100:.0f} to {MIDDLE_SOC[1] * 100:.0f} %"
MEANING = (
    "The slope decides how far packs are driven apart and how soon they would level out again; hysteresis decides whether a spread is "
    "kept. Packs rest beside each other without a current while their open-circuit voltages differ by no more than their hysteresis: "
    "up to the dead band if one is on its branch and the other in the middle, twice that on opposite branches; some points of "
    "charge pass before they stand there."
)


@dataclass(eq=False, repr=False)
class Drift(StudyResult):
    """What :func:`drift` found.

    Attributes
    ----------
    table : DataFrame
        One row per chemistry.
    results : dict of str to Result
        The run of each chemistry.
    without : dict of str to Result
        The same with the half-width of its hysteresis set to zero.
    made_by : dict
        What made it.
    of_bank : list of BankWarning
        Packs of the file that do not belong together, which other chemistries in their place would hide.
    """

    TABLES: ClassVar = (
        Table.of(
            "drift.csv", "a chemistry",
            [
                ("chemistry", "", "name of the chemistry, or path of its file"),
                ("cells_in_series", "", "cells in series of a pack of it"),
                ("slope_v_per_soc", "V", f"mean slope of a pack's open-circuit curve, {MIDDLE_WORDS}, per unit of state of charge"),
                ("half_width_mv", "mV", f"mean hysteresis of one cell, {MIDDLE_WORDS}, each side of the middle"),
                ("dead_band_points", "points", "half-width ÷ slope of a cell: how far apart packs may rest without a current"),
                ("spread_max_points", "points", "largest spread of state of charge"),
                ("spread_end_of_discharge_points", "points", "spread at the end of the discharge"),
                ("spread_after_rest_points", "points", "spread after the rest"),
                ("spread_max_no_hysteresis_points", "points", "largest spread with the half-width set to zero"),
                ("spread_end_of_discharge_no_hysteresis_points", "points", "spread at the end of the discharge, likewise"),
                ("spread_after_rest_no_hysteresis_points", "points", "spread after the rest, likewise"),
            ],
        ),
    )  # fmt: skip

    table: pd.DataFrame
    results: dict[str, Result]
    without: dict[str, Result]
    made_by: dict[str, Any]
    of_bank: Sequence[BankWarning] = ()

    @property
    def title(self) -> str:
        return f"{self.made_by['scenario']}: discharged at {DUTY_WORDS}"

    @property
    def summary(self) -> dict[str, Any]:
        """Everything as plain data."""
        told = {"warnings": as_records(self.warnings), "words": self.words}
        return {"scenario": self.made_by["scenario"], **told, "rows": records(self.table.reset_index())}

    @property
    def words(self) -> list[str]:
        """What the columns say of each chemistry, a sentence each."""
        out = []
        for name, row in self.table.iterrows():
            text = (
                f"{name}: slope {row['slope_v_per_soc']:.1f} V per unit SOC, {row['spread_end_of_discharge_points']:.1f} points apart "
                f"after the discharge, {row['spread_after_rest_points']:.1f} after the rest; without hysteresis "
                f"{row['spread_end_of_discharge_no_hysteresis_points']:.1f} and {row['spread_after_rest_no_hysteresis_points']:.1f}"
            )
            if row["half_width_mv"] > 0:
                text += f". Dead band ±{row['half_width_mv']:.1f} mV per cell ÷ slope = ±{row['dead_band_points']:.1f} points"
            out.append(f"{text}.")
        return [*out, MEANING]

    @property
    def warnings(self) -> list[BankWarning]:
        """What must be known before any of the figures; of several chemistries that warn of the same, the first one's numbers.

        What is usual of a cell's resistance is not asked: another chemistry keeps the resistance of the pack that it stands for. Nor
        is what the file's own chemistries are used for, since each run has only one.
        """
        told = {
            name: [w for w in result.warnings if w.code not in (PARALLEL, UNUSED_CHEMISTRY)]
            for name, result in self.results.items()
        }
        return [*self.of_bank, *gathered(list(told.items()))]

    def plot(self) -> Figure:
        """Open-circuit voltage and spread over time, by chemistry; returns the matplotlib figure."""
        from simbank.plotting import plots

        return plots.plot_drift(self)

    def pictures(self) -> list[Picture]:
        return [Picture("drift.png", self.plot(), f"{self.made_by['scenario']}: drift by chemistry", self._told())]

    def section(self) -> Study:
        return replace(super().section(), title="Drift by chemistry", text=(self._told(),))

    def _told(self) -> str:
        told = f"Discharged at {DUTY_WORDS}, with other chemistries in the same packs and wiring."
        return " ".join([told, *self.words])


def drift(
    scenario: Scenario,
    chemistries: Sequence[str] = DEFAULT,
    *,
    progress: Callable[[float], None] | None = None,
    **options: Any,
) -> Drift:
    """Discharge a bank from 70 to 30 % at 0.2 C and let it rest for 12 h, for each chemistry with and without its hysteresis.

    Packs keep their capacity, their resistance from terminal to terminal and their place in the wiring; what changes is the
    open-circuit curve, hysteresis and relaxation, and the number of cells in series.

    Parameters
    ----------
    scenario : Scenario
        Gives packs and wiring; its duty is not used.
    chemistries : sequence of str
        Names in the library, names of the scenario's own ``[chemistries]``, or paths of chemistry files that hold
        ``cells_in_series_48v``; these count from the working folder.
    progress : callable, optional
        Called with the fraction of all runs done.
    **options
        Passed on to :func:`simbank.simulate`; the integrator is the reference, the tolerance 1e-8 if none is given.

    Returns
    -------
    Drift
        Table columns: ``cells_in_series``; over 30 to 70 % ``slope_v_per_soc`` (mean dU/dz of the pack [V per unit SOC]),
        ``half_width_mv`` (mean of one cell's hysteresis, each side of the middle [mV]) and ``dead_band_points`` (half-width ÷ slope
        [points of SOC]); ``spread_max_points``, ``spread_end_of_discharge_points``, ``spread_after_rest_points``, and the same three
        as ``..._no_hysteresis_points`` with the half-width set to zero.
    """
    rows, results, without = {}, {}, {}
    for k, name in enumerate(chemistries):
        named = os.path.abspath(name) if str(name).endswith(".toml") else name
        chemistry = scenario.chemistry(named)
        series = chemistry.series_48v()
        changes = {
            "duty": {
                "kind": "cycles",
                "steps": [{"discharge": f"{C_RATE} C", "hours": HOURS}, {"rest": True, "hours": REST_HOURS}],
            }
        }
        for kind, table in scenario.file.pack_types.items():
            ohm = table.cell_resistance * table.cells_in_series / series
            changes[f"pack_types.{kind}.chemistry"] = named
            changes[f"pack_types.{kind}.cells_in_series"] = series
            changes[f"pack_types.{kind}.cell_resistance"] = f"{ohm!r} ohm"
        changes["packs.*.soc"] = START_SOC
        case = with_changes(scenario, changes)
        found = {}
        for run, (kept, each) in enumerate(((results, case), (without, _without_hysteresis(case)))):
            part = None if progress is None else lambda done, at=2 * k + run: progress((at + done) / (2 * len(chemistries)))
            kept[name] = simulate(each, progress=part, **{"integrator": "reference", "tolerance": STUDY_TOLERANCE} | options)
            spread = kept[name].spread_points
            end = "_no_hysteresis_points" if run else "_points"
            found |= {
                f"spread_max{end}": float(spread.max()),
                f"spread_end_of_discharge{end}": float(np.interp(HOURS * 3600.0, spread.index, spread)),
                f"spread_after_rest{end}": float(spread.iloc[-1]),
            }
        slope, half = chemistry.middle_slope_v_per_soc, chemistry.middle_half_width_at(scenario.bank.ambient_k)
        rows[name] = {
            "cells_in_series": series, "slope_v_per_soc": series * slope,
            "half_width_mv": 1e3 * half, "dead_band_points": 100.0 * half / slope, **found,
        }  # fmt: skip
    table = pd.DataFrame(rows).T.infer_objects()
    table.index.name = "chemistry"
    first = results[next(iter(results))].made_by
    settings = {key: first[key] for key in ("integrator", "tolerance")}
    of_bank = [warning for warning in bank_warnings(scenario) if warning.code in (MIXED, UNEQUAL_COUNT)]
    return Drift(table, results, without, made_by(scenario, "simbank.drift", **settings), of_bank)


def _without_hysteresis(scenario: Scenario) -> Case:
    """The same bank and duty with the half-width of every cell's hysteresis set to zero."""
    none = Curve([0.5], [0.0])
    packs = tuple(replace(pack, chemistry=replace(pack.chemistry, half_width=none)) for pack in scenario.bank.packs)
    return Case(scenario.name, replace(scenario.bank, packs=packs), scenario.duty)

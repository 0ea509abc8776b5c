"""The same packs, wiring and current with other chemistries: how far apart packs drift, and whether they come back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from simbank.cells import load_chemistry
from simbank.quantities import parse
from simbank.scenario import with_changes
from simbank.simulation import simulate
from simbank.warning import gathered

__all__ = ["Drift", "drift"]

DEFAULT = ("lfp", "nmc", "lead_flooded")
START_SOC, HOURS, C_RATE, REST_HOURS = 0.7, 2.0, 0.2, 12.0


@dataclass(eq=False)
class Drift:
    """What :func:`drift` found: ``table``, one row per chemistry, and ``results``, the runs."""

    table: pd.DataFrame
    results: dict

    @property
    def warnings(self):
        """What must be known before any of the figures; of several chemistries that warn of the same, the first one's numbers."""
        return gathered([(name, result.warnings) for name, result in self.results.items()])

    def plot(self):
        """Open-circuit voltage and spread over time, by chemistry; returns the matplotlib figure."""
        from simbank.report import plots

        return plots.plot_drift(self)


def drift(scenario, chemistries=DEFAULT, *, progress=None, **options):
    """Discharge a bank from 70 to 30 % at 0.2 C and let it rest for 12 h, once for each chemistry.

    Packs keep their capacity, their resistance from terminal to terminal and their place in the wiring; what changes is the
    open-circuit curve, hysteresis and relaxation, and the number of cells in series.

    Parameters
    ----------
    scenario : Scenario
        Gives packs and wiring; its duty is not used.
    chemistries : sequence of str
        Names in the library, or paths of chemistry files that hold ``cells_in_series_48v``.
    progress : callable, optional

    Returns
    -------
    Drift
        Table columns: ``cells_in_series``, ``slope_v_per_soc`` (mean dU/dz of the pack over 30 to 70 % [V per unit SOC]),
        ``spread_max_points``, ``spread_end_of_discharge_points``, ``spread_after_rest_points``.
    """
    rows, results = {}, {}
    for k, name in enumerate(chemistries):
        chemistry = load_chemistry(name)
        series = chemistry.series_48v()
        changes = {
            "duty": {
                "kind": "cycles",
                "steps": [{"discharge": f"{C_RATE} C", "hours": HOURS}, {"rest": True, "hours": REST_HOURS}],
            }
        }
        for kind, table in scenario.data["pack_types"].items():
            ohm = parse(table["cell_resistance"], "ohm") * table.get("cells_in_series", 16) / series
            changes[f"pack_types.{kind}.chemistry"] = name
            changes[f"pack_types.{kind}.cells_in_series"] = series
            changes[f"pack_types.{kind}.cell_resistance"] = f"{ohm!r} ohm"
        changes["packs.*.soc"] = START_SOC
        part = None if progress is None else lambda done, k=k: progress((k + done) / len(chemistries))
        result = simulate(with_changes(scenario, changes), progress=part, **options)
        spread = result.spread_points
        results[name] = result
        rows[name] = {
            "cells_in_series": series,
            "slope_v_per_soc": series * float(chemistry.ocv(0.7) - chemistry.ocv(0.3)) / 0.4,
            "spread_max_points": float(spread.max()),
            "spread_end_of_discharge_points": float(np.interp(HOURS * 3600.0, spread.index, spread)),
            "spread_after_rest_points": float(spread.iloc[-1]),
        }
    table = pd.DataFrame(rows).T.infer_objects()
    table.index.name = "chemistry"
    return Drift(table, results)

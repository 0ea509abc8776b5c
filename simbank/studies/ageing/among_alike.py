"""Whether used packs drag the others down: these in the bank, and among packs like themselves."""

from __future__ import annotations

import copy
from dataclasses import replace

import numpy as np
import pandas as pd

from simbank.cells.ageing_laws import load_law
from simbank.scenario import Scenario, from_dict
from simbank.studies.ageing.age import aged_by
from simbank.studies.ageing.aged import Ageing
from simbank.studies.ageing.columns import AMONG_ALIKE
from simbank.studies.ageing.course import Laws

__all__ = ["among_alike", "with_alike"]

AS_GOOD, USED = (
    0.01,
    0.05,
)  # of the capacity as new: by how much the best may differ; by how much others must be less. Chosen here


def with_alike(scenario: Scenario) -> tuple[Scenario, list[str], list[str]] | None:
    """The bank with packs like its best in place of those that begin used, each with as many Ah as the used one has.

    Resistances are those of the best pack times the ratio of the capacities, mass and loss of heat over it, so that equal shares of the
    capacity carry equal shares of the duty: for the best packs it is as if they stood alone with their share.

    Returns
    -------
    (Scenario, list of str, list of str) or None
        The scenario, names of the best packs, and of those in whose place others stand; None where none begins used beside others, or
        where packs have unequal numbers of cells.
    """
    packs = scenario.bank.packs
    most = max(pack.capacity_left for pack in packs)
    best = [pack for pack in packs if pack.capacity_left >= most - AS_GOOD]
    used = [pack.name for pack in packs if pack.capacity_left <= most - USED]
    if not used or len({pack.cells_in_series for pack in packs}) > 1:
        return None
    model, changed = best[0], copy.copy(scenario)
    made = tuple(_like(model, pack) if pack.name in used else pack for pack in packs)
    changed.bank = replace(scenario.bank, packs=made)
    return changed, [pack.name for pack in best], used


def _like(model, pack):
    """A pack like the model with as many Ah as another has."""
    ratio = pack.capacity_ah / model.capacity_ah
    pairs = model.rc_pairs and tuple((ohm / ratio, seconds) for ohm, seconds in model.rc_pairs)
    return replace(
        model, name=pack.name, rated_capacity_ah=model.rated_capacity_ah * ratio, cell_resistance_ohm=model.cell_resistance_ohm / ratio,
        internal_wiring_ohm=model.internal_wiring_ohm / ratio, rc_pairs=pairs, heat_capacity_j_k=model.heat_capacity_j_k * ratio,
        heat_loss_w_k=model.heat_loss_w_k * ratio,
    )  # fmt: skip


def among_alike(found: Ageing) -> pd.DataFrame | None:
    """The best packs of a bank in it, and among packs like themselves.

    Returns
    -------
    DataFrame or None
        A row for each of the best packs, with the columns of :data:`~simbank.studies.ageing.columns.AMONG_ALIKE`; ``attrs["used"]`` names
        the packs in whose place others stand. None where :func:`with_alike` gives none. Changes of the packs over the years are left out of
        both.

    Raises
    ------
    SimulationError
        If a window cannot be run, or by Ctrl-C (then a RunStopped).
    """
    scenario = found.scenario
    if scenario.file.changes:
        scenario = from_dict({key: value for key, value in scenario.data.items() if key != "changes"}, source=scenario.source)
    if (made := with_alike(scenario)) is None:
        return None
    changed, best, used = made
    laws = Laws(tuple(load_law(law.name) for law in found.segments[0].laws.laws))
    settings = {key: found.made_by[key] for key in ("windows", "window_days", "tolerance_points") if key in found.made_by}

    def aged(case):
        return aged_by(case, laws, found.asked_years, made={"scenario": scenario.name}, **settings)

    here, alike = found if scenario is found.scenario else aged(scenario), aged(changed)
    rows = []
    for name in best:
        row = {"pack": name}
        for end, one in (("", here), ("_alike", alike)):
            own = one.table.set_index("pack").loc[name]
            row |= {f"capacity_left{end}": own["capacity_left"], f"years_to_80{end}": own["years_to_80"]}
        years = [one.by_law[one.by_law["pack"] == name].set_index("law")["years_to_80"] for one in (here, alike)]
        lost = (years[1] - years[0]).to_numpy(float)
        rows.append(
            row | {"years_lost": row["years_to_80_alike"] - row["years_to_80"], "years_lost_low": np.min(lost), "years_lost_high": np.max(lost)}
        )  # fmt: skip
    frame = pd.DataFrame(rows, columns=AMONG_ALIKE.names)
    frame.attrs["used"] = used
    return frame

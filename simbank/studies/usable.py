"""What a bank delivers from full to empty, against what its packs would deliver each on its own."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, ClassVar

import pandas as pd

from simbank.bank import Bank, Graph
from simbank.columns import Table
from simbank.duty import Command, Duty, Step
from simbank.provenance import made_by
from simbank.results import Study, StudyResult, records
from simbank.scenario import Scenario
from simbank.simulation import simulate
from simbank.studies.case import Case
from simbank.studies.settings import STUDY_TOLERANCE
from simbank.warning import as_records, from_records

__all__ = ["Usable", "usable"]


class Usable(StudyResult):
    """A table of :func:`usable` with its words and files.

    Attributes
    ----------
    table : DataFrame
    """

    TABLES: ClassVar = (
        Table.of(
            "usable.csv", "a pack on its own, the sum of all packs, or the bank",
            [
                ("what", "", "a pack on its own, the sum of all packs, or the bank"),
                ("charge_ah", "Ah", "charge delivered from full to cut-off"),
                ("energy_wh", "Wh", "energy delivered from full to cut-off"),
            ],
        ),
    )  # fmt: skip

    def __init__(self, table: pd.DataFrame) -> None:
        self.table = table
        self.made_by = table.attrs["made_by"]
        self.warnings = from_records(table.attrs["warnings"])
        self.c_rate = self.made_by["c_rate"]

    @property
    def title(self) -> str:
        return f"{self.made_by['scenario']}: from full to cut-off at {self.c_rate:g} C"

    @property
    def share(self) -> float:
        """Energy of the bank ÷ energy of its packs each on its own."""
        return usable_share(self.table)

    @property
    def words(self) -> list[str]:
        """What the bank delivers, in a sentence."""
        return [f"The bank delivers {self.share * 100:.1f} % of what its packs would deliver each on its own."]

    @property
    def summary(self) -> dict[str, Any]:
        """Everything as plain data."""
        told = {"scenario": self.made_by["scenario"], "c_rate": self.c_rate, "warnings": as_records(self.warnings)}
        return told | {"rows": records(self.table.reset_index())}

    def section(self) -> Study:
        text = f"From full to cut-off at {self.c_rate:g} C."
        return replace(super().section(), title="Usable energy", text=(text,), answer=tuple(self.words))


def usable_share(table: pd.DataFrame) -> float:
    """Energy that a bank delivers ÷ the sum of what its packs would each on its own, of a table of :func:`usable`."""
    return float(table.loc["bank", "energy_wh"] / table.loc["sum of packs", "energy_wh"])


def usable(scenario: Scenario, c_rate: float = 0.2, cutoff_volt: float | None = None, **options: Any) -> pd.DataFrame:
    """Discharge the full bank at a constant C-rate to its cut-off, and each pack alone at the same C-rate.

    Parameters
    ----------
    scenario : Scenario
        Gives packs and wiring; its devices and first port are used, its duty and schedule are not.
    c_rate : float
        Current ÷ capacity [1/h].
    cutoff_volt : float, optional
        Port voltage at which the discharge ends; by default the chemistry's for all packs [V].
    **options
        Passed on to :func:`simbank.simulate`; the tolerance is 1e-8 if none is given.

    Returns
    -------
    DataFrame
        Rows: each pack, ``sum of packs``, ``bank``; columns ``charge_ah``, ``energy_wh``. What the bank lacks against the sum is
        what unequal sharing and its cable cost. ``attrs["warnings"]`` is a list of ``{code, where, text}``, ``attrs["made_by"]``
        what made it; :class:`Usable` makes words, JSON, files and a section of a report of it.
    """
    bank = scenario.bank
    cutoff = cutoff_volt or max(p.chemistry.cutoff_volt * p.cells_in_series for p in bank.packs)
    port = next(iter(bank.graph.ports))

    def run(name, case_bank, at):
        amperes = c_rate * case_bank.capacity_ah
        duty = Duty((Step(1.5 / c_rate * 3600.0, {at: Command("current", amperes, cutoff_volt=cutoff)}),))
        result = simulate(Case(name, case_bank, duty), **{"tolerance": STUDY_TOLERANCE} | options)
        summary = result.summary["bank"]
        used.update(result.summary["integrator"])
        return {"charge_ah": summary["charge_out_ah"], "energy_wh": summary["energy_out_wh"]}, result.warnings

    full = tuple(replace(pack, soc=1.0, hysteresis=1.0) for pack in bank.packs)
    rows, alone, used = {}, [], {}
    for pack in full:
        graph = Graph((), {pack.name: ("+", "-")}, {"port": ("+", "-")})
        rows[pack.name], warned = run(pack.name, Bank(pack.name, (pack,), graph, bank.ambient_k), "port")
        alone += [replace(warning, text=f"On its own: {warning.text}") for warning in warned]
    table = pd.DataFrame(rows).T
    table.loc["sum of packs"] = table.sum()
    table.loc["bank"], warned = run(scenario.name, replace(bank, packs=full, port_equipment={}, switching=()), port)
    table.index.name = "what"
    made = made_by(scenario, "simbank.usable", integrator=used["name"], tolerance=used["tolerance"], c_rate=c_rate)
    table.attrs |= {"warnings": as_records([*warned, *alone]), "made_by": made}
    return table

"""What a bank delivers from full to empty, against what its packs would deliver each on its own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, ClassVar

import pandas as pd

from simbank.bank import Bank, Graph
from simbank.columns import Table
from simbank.duty import Command, Duty, Step
from simbank.errors import RunStopped
from simbank.provenance import made_by
from simbank.results import Study, StudyResult, records
from simbank.scenario import Scenario
from simbank.simulation import simulate
from simbank.studies.bands import bands_by, checked_settings
from simbank.studies.bands_result import BANDS_FOLDER, Bands
from simbank.studies.case import Case
from simbank.studies.draw_runs import Found
from simbank.studies.settings import STUDY_TOLERANCE
from simbank.warning import as_records, from_records

__all__ = ["Usable", "usable"]


class Usable(StudyResult):
    """A table of :func:`usable` with its words and files.

    Attributes
    ----------
    table : DataFrame
    bands : Bands or None
        Of the share, of what the bank delivers, and of each pack; where asked for.
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
        self.c_rate, self.bands = self.made_by["c_rate"], table.attrs.get("bands")

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
        rows = {"rows": records(self.table.reset_index())}
        return told | rows | ({} if self.bands is None else self.bands.told)

    def write_tables(self, folder: Path) -> None:
        """Write the table into a folder, and bands into a folder in it."""
        super().write_tables(folder)
        if self.bands is not None:
            self.bands.write(folder / BANDS_FOLDER)

    def section(self) -> Study:
        text = f"From full to cut-off at {self.c_rate:g} C."
        return replace(super().section(), title="Usable energy", text=(text,), answer=tuple(self.words))


def usable_share(table: pd.DataFrame) -> float:
    """Energy that a bank delivers ÷ the sum of what its packs would each on its own, of a table of :func:`usable`."""
    return float(table.loc["bank", "energy_wh"] / table.loc["sum of packs", "energy_wh"])


def usable(
    scenario: Scenario,
    c_rate: float = 0.2,
    cutoff_volt: float | None = None,
    *,
    bands: int | None = None,
    seed: int = 0,
    progress: Callable[[float], None] | None = None,
    **options: Any,
) -> pd.DataFrame:
    """Discharge the full bank at a constant C-rate to its cut-off, and each pack alone at the same C-rate.

    Parameters
    ----------
    scenario : Scenario
        Gives packs and wiring; its devices and first port are used, its duty and schedule are not.
    c_rate : float
        Current ÷ capacity [1/h].
    cutoff_volt : float, optional
        Port voltage at which the discharge ends; by default the chemistry's for all packs [V].
    bands : int, optional
        Draws of all that is not known exactly; none if not given. Currents and cut-off are in each draw those of the file's own values.
    seed : int
        Of these draws.
    progress : callable, optional
        Called with the fraction of draws done.
    **options
        Passed on to :func:`simbank.simulate`; the integrator is the reference, the tolerance 1e-8 if none is given.

    Returns
    -------
    DataFrame
        Rows: each pack, ``sum of packs``, ``bank``; columns ``charge_ah``, ``energy_wh``. What the bank lacks against the sum is
        what unequal sharing and its cable cost. ``attrs["warnings"]`` is a list of ``{code, where, text}``, ``attrs["made_by"]``
        what made it, ``attrs["bands"]`` the :class:`~simbank.studies.bands_result.Bands`, where asked for; :class:`Usable` makes words, JSON,
        files and a section of a report of it.

    Raises
    ------
    RunStopped
        By Ctrl-C; where bands were begun, with the table and the bands so far as its ``partial``.
    """
    asked = discharges(scenario.bank, c_rate, cutoff_volt)
    table, warnings, used = _delivered(scenario, **asked, **{"integrator": "reference", "tolerance": STUDY_TOLERANCE} | options)
    made = made_by(scenario, "simbank.usable", integrator=used["name"], tolerance=used["tolerance"], c_rate=c_rate)
    table.attrs |= {"warnings": as_records(warnings), "made_by": made}
    if bands is not None:
        try:
            table.attrs["bands"] = usable_bands(scenario, asked, bands, seed, progress)
        except RunStopped as stopped:
            table.attrs["bands"] = stopped.partial
            raise RunStopped(str(stopped), table) from None
    return table


def discharges(bank: Bank, c_rate: float, cutoff_volt: float | None = None) -> dict[str, Any]:
    """What is asked of a bank and of each of its packs at a C-rate: cut-off [V], current by pack (the bank's under an empty name) [A], and
    after which time a discharge ends that has not come to its cut-off [s]."""  # noqa: D205 one sentence
    return {
        "cutoff_volt": cutoff_volt or max(p.chemistry.cutoff_volt * p.cells_in_series for p in bank.packs),
        "amperes": {"": c_rate * bank.capacity_ah} | {pack.name: c_rate * pack.capacity_ah for pack in bank.packs},
        "longest_s": 1.5 / c_rate * 3600.0,
    }


def _delivered(scenario, amperes, cutoff_volt, longest_s, **options):
    """What each pack on its own and the bank deliver as a table, warnings, and which integrator made it.

    ``amperes`` are by pack, the bank's under an empty name; a discharge that has not come to its cut-off ends after ``longest_s``.
    """
    bank, used = scenario.bank, {}

    def run(name, case_bank, at, current_a):
        duty = Duty((Step(longest_s, {at: Command("current", current_a, cutoff_volt=cutoff_volt)}),))
        result = simulate(Case(name, case_bank, duty), **options)
        summary = result.summary["bank"]
        used.update(result.summary["integrator"])
        return {"charge_ah": summary["charge_out_ah"], "energy_wh": summary["energy_out_wh"]}, result.warnings

    full = tuple(replace(pack, soc=1.0, hysteresis=1.0) for pack in bank.packs)
    rows, alone = {}, []
    for pack in full:
        graph = Graph((), {pack.name: ("+", "-")}, {"port": ("+", "-")})
        case_bank = Bank(pack.name, (pack,), graph, bank.ambient_k)
        rows[pack.name], warned = run(pack.name, case_bank, "port", amperes[pack.name])
        alone += [replace(warning, text=f"On its own: {warning.text}") for warning in warned]
    table = pd.DataFrame(rows).T
    table.loc["sum of packs"] = table.sum()
    port = next(iter(bank.graph.ports))
    whole = replace(bank, packs=full, port_equipment={}, switching=())
    table.loc["bank"], warned = run(scenario.name, whole, port, amperes[""])
    table.index.name = "what"
    return table, [*warned, *alone], used


BAND_FIGURES = (
    ("usable_percent", "%", "energy of the bank, of what its packs would deliver each on its own"),
    ("charge_out_ah", "Ah", "charge that the bank delivers from full to cut-off"),
    ("energy_out_wh", "Wh", "energy that the bank delivers from full to cut-off"),
    ("alone_wh", "Wh", "energy that the packs would deliver each on its own"),
)
BAND_PACK_FIGURES = (
    ("charge_ah", "Ah", "charge that it delivers on its own from full to cut-off"),
    ("energy_wh", "Wh", "energy that it delivers on its own from full to cut-off"),
)


def run_usable(scenario: Scenario, **asked: Any) -> Found:
    """What the bank of one draw delivers, and of it what bands are made of."""
    table, warnings, _ = _delivered(scenario, **asked)
    bank = table.loc["bank"]
    figures = {
        "usable_percent": 100.0 * usable_share(table), "charge_out_ah": bank["charge_ah"], "energy_out_wh": bank["energy_wh"],
        "alone_wh": table.loc["sum of packs", "energy_wh"],
    }  # fmt: skip
    packs = {(pack.name, key): table.loc[pack.name, key] for pack in scenario.bank.packs for key in ("charge_ah", "energy_wh")}
    return Found(figures, packs, None, warnings)


def usable_bands(
    scenario: Scenario, asked: dict[str, Any], draws: int, seed: int, progress: Callable[[float], None] | None = None
) -> Bands:
    """Bands of what a bank delivers, of its packs each on its own, and of the share.

    ``asked`` is what :func:`discharges` gives of the bank by the file's own values; the rest as in :func:`usable`.
    """
    settings = checked_settings(draws, seed, "fast", None)
    told = BAND_FIGURES, BAND_PACK_FIGURES
    return bands_by(run_usable, scenario, settings | asked, draws, seed, "usable", told=told, progress=progress)

"""What the desk's process does with a document: checks it, runs it, and says what came of it as plain data."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import pandas as pd

from simbank.caution import CAUTION
from simbank.cells import library
from simbank.cells.chemistry import unknown_chemistry
from simbank.desk.telling import table, verdicts_told
from simbank.digits import duration, number
from simbank.errors import InputError, SimulationError
from simbank.filemodel import each_fault, nearest
from simbank.page import bank_shown, clock_step, run_shown, shown_times
from simbank.scenario import Scenario, from_dict
from simbank.scenario.schema import ScenarioFile

__all__ = ["faults", "live", "scenario_of"]

PACKS = {
    "name": "pack", "capacity_ah": "capacity [Ah]", "soc_start": "SOC at start [%]", "soc_end": "SOC at end [%]", "current_peak_a": "peak [A]",
    "c_rate_peak": "peak C-rate", "share_ratio_discharge": "share ratio discharge", "share_ratio_charge": "share ratio charge",
    "throughput_ah": "throughput [Ah]", "first_full_h": "first full", "first_empty_h": "first empty", "temperature_max_c": "warmest [°C]",
}  # fmt: skip
PORTS = {
    "name": "port", "asked_wh": "asked [Wh]", "unmet_wh": "unmet [Wh]", "ac_asked_wh": "AC asked [Wh]", "ac_unmet_wh": "AC unmet [Wh]",
    "offered_wh": "offered [Wh]", "energy_in_wh": "taken [Wh]", "voltage_min_v": "lowest [V]", "voltage_max_v": "highest [V]",
    "first_cutoff_h": "first cut off",
}  # fmt: skip
EVENTS = {"time_s": "time", "where": "where", "what": "what", "because": "because"}
MOST_EVENTS = 40


def scenario_of(data: dict[str, Any], source: str | None) -> Scenario:
    """The scenario of a document, whose paths start from the folder of ``source``."""
    return from_dict(data, source=source)


def faults(data: dict[str, Any], source: str | None) -> list[InputError]:
    """What is wrong with a document.

    Every fault of its schema and every name in it that names nothing; where there is none of these, or only names of chemistries,
    also the first that keeps a bank from being made of it.
    """
    try:
        scenario_of(data, source)
    except InputError as error:
        return _all_faults(data, source, error)
    return []


def _all_faults(data, source, first):
    """All that can be told of a document from which no bank could be made, because of ``first``."""
    found = each_fault(ScenarioFile, data, unions=("duty",))
    known = {error.key for error in found}
    folder = Path(source).parent if source else Path()
    makes = data.get("pack_types") if isinstance(data.get("pack_types"), dict) else {}
    own = data.get("chemistries") if isinstance(data.get("chemistries"), dict) else {}
    chemistries, usual = [*own, *library()], {}
    for name, make in makes.items():
        chemistry = make.get("chemistry") if isinstance(make, dict) else None
        if not isinstance(chemistry, str) or not chemistry or chemistry.endswith(".toml") or chemistry in chemistries:
            continue
        usual[name] = {key: value for key, value in make.items() if key != "chemistry"}
        key, error = f"pack_types.{name}.chemistry", unknown_chemistry(chemistry, chemistries, folder)
        if key not in known:
            found.append(InputError(error.problem, key=key, value=error.value))
    packs = data.get("packs") if isinstance(data.get("packs"), list) else []
    for k, pack in enumerate(packs):
        kind = pack.get("type") if isinstance(pack, dict) else None
        key = f"packs.{k}.type"
        if makes and isinstance(kind, str) and kind not in makes and not {key, f"packs.{pack.get('name')}.type"} & known:
            found.append(InputError(f"no such pack type; {nearest(kind, makes)}", key=key, value=kind))
    if usual and len(found) == len(usual):  # with chemistries that there are, is there anything else?
        try:
            scenario_of(data | {"pack_types": makes | usual}, source)
        except InputError as error:
            found.append(error)
    return found or [first]


def live(data: dict[str, Any], source: str | None) -> dict[str, Any]:
    """Run a document with the fast integrator.

    Returns
    -------
    dict
        ``errors`` (list of InputError) where it cannot be run; else ``summary`` as ``simbank run --json`` has it, ``verdicts``,
        ``tables``, ``sentences``, ``bank`` and ``run`` (what the view of :mod:`simbank.page` shows), ``seconds`` that it took, ``halted``: why a
        run stopped before its end, else None, and ``places``: names of packs, ports and conductors.
    """
    began = time.perf_counter()
    try:
        scenario = scenario_of(data, source)
    except InputError as error:
        return {"errors": _all_faults(data, source, error)}
    from simbank.simulation import simulate

    halted = None
    try:
        step_s = clock_step(scenario.duty.duration_s)
        result = simulate(scenario, integrator="fast", output_step_s=shown_times(scenario.duty.duration_s, step_s))
    except InputError as error:
        return {"errors": [error]}
    except SimulationError as error:
        if error.partial is None:
            return {"errors": [InputError(str(error))]}
        result, halted = error.partial, str(error)
    summary = result.summary
    return {
        "errors": [], "summary": summary, "verdicts": verdicts_told(result), "tables": _tables(summary), "sentences": _sentences(summary),
        "caution": CAUTION, "halted": halted, "bank": bank_shown(scenario), "run": run_shown(result, step_s), "seconds": time.perf_counter() - began,
        "places": _places(scenario.bank),
    }  # fmt: skip


def _places(bank):
    """Names of packs, ports and conductors: where something can be read."""
    return {
        "packs": [pack.name for pack in bank.packs],
        "ports": list(bank.graph.ports),
        "conductors": [branch.name for branch in bank.graph.branches],
    }


def _tables(summary):
    tables = [table("Packs", pd.DataFrame(summary["packs"]).astype(object), PACKS)]
    ports = [port for port in summary["ports"] if port["asked_wh"] or port["offered_wh"]]
    if ports:
        tables.append(table("Ports", pd.DataFrame(ports).astype(object), PORTS))
    if summary["events"]:
        tables.append(table("Events", pd.DataFrame(summary["events"][:MOST_EVENTS]), EVENTS))
    return tables


def _sentences(summary):
    """The bank's figures, as ``simbank run`` says them."""
    bank, closure, used = summary["bank"], summary["closure"], summary["integrator"]
    energy = {key: number(bank[key], "Wh") for key in ("energy_out_wh", "energy_in_wh", "conductor_loss_wh", "pack_loss_wh")}
    most, end = (number(bank[key], "points") for key in ("spread_max_points", "spread_end_points"))
    said = [
        f"{number(bank['capacity_ah'], 'Ah')} Ah over {duration(bank['duration_h'] * 3600.0)}. Out {energy['energy_out_wh']} Wh, "
        f"in {energy['energy_in_wh']} Wh, lost in cable {energy['conductor_loss_wh']} Wh, in packs {energy['pack_loss_wh']} Wh.",
        f"Spread of SOC: {most} points at most, {end} at the end."
        + (
            ""
            if bank["port_voltage_min_v"] is None
            else f" Port voltage {bank['port_voltage_min_v']:.2f} to {bank['port_voltage_max_v']:.2f} V."
        ),
        f"Balance closes to {closure['charge_relative']:.0e} in charge and {closure['energy_relative']:.0e} in energy. "
        f"Integrator: {used['name']}, tolerance {used['tolerance']:.0e}.",
    ]
    if len(summary["events"]) > MOST_EVENTS:
        said.append(f"{len(summary['events'])} events, the first {MOST_EVENTS} below; simbank run --out writes all.")
    return said

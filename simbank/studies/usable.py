"""What a bank delivers from full to empty, against what its packs would deliver each on its own."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from simbank.bank import Bank, Graph
from simbank.duty import Command, Duty, Step
from simbank.simulation import simulate
from simbank.studies.case import Case
from simbank.warning import as_records

__all__ = ["usable"]


def usable(scenario, c_rate=0.2, cutoff_volt=None, **options):
    """Discharge the full bank at a constant C-rate to its cut-off, and each pack alone at the same C-rate.

    Parameters
    ----------
    scenario : Scenario
        Gives packs and wiring; its devices and first port are used, its duty and schedule are not.
    c_rate : float
    cutoff_volt : float, optional
        Port voltage at which the discharge ends; by default the chemistry's for all packs [V].
    **options
        Passed on to :func:`simbank.simulate`.

    Returns
    -------
    DataFrame
        Rows: each pack, ``sum of packs``, ``bank``; columns ``charge_ah``, ``energy_wh``. What the bank lacks against the sum is
        what unequal sharing and its cable cost. ``attrs["warnings"]`` is a list of ``{code, where, text}``.
    """
    bank = scenario.bank
    cutoff = cutoff_volt or max(p.chemistry.cutoff_volt * p.cells_in_series for p in bank.packs)
    port = next(iter(bank.graph.ports))

    def run(name, case_bank, at):
        amperes = c_rate * case_bank.capacity_ah
        duty = Duty((Step(1.5 / c_rate * 3600.0, {at: Command("current", amperes, cutoff_volt=cutoff)}),))
        result = simulate(Case(name, case_bank, duty), **options)
        summary = result.summary["bank"]
        return {"charge_ah": summary["charge_out_ah"], "energy_wh": summary["energy_out_wh"]}, result.warnings

    full = tuple(replace(pack, soc=1.0, hysteresis=1.0) for pack in bank.packs)
    rows, alone = {}, []
    for pack in full:
        graph = Graph((), {pack.name: ("+", "-")}, {"port": ("+", "-")})
        rows[pack.name], warned = run(pack.name, Bank(pack.name, (pack,), graph, bank.ambient_k), "port")
        alone += [replace(warning, text=f"On its own: {warning.text}") for warning in warned]
    table = pd.DataFrame(rows).T
    table.loc["sum of packs"] = table.sum()
    table.loc["bank"], warned = run(scenario.name, replace(bank, packs=full, port_equipment={}, switching=()), port)
    table.index.name = "what"
    table.attrs["warnings"] = as_records([*warned, *alone])
    return table

"""Prospective fault currents, checks of every device and conductor, order of opening, outages: one study of a scenario."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from simbank.studies.described import bank_warnings
from simbank.studies.protection.breaking import Breaking
from simbank.studies.protection.checks import Check
from simbank.studies.protection.clearing import clearing_checks, one_pack_alone, opening_orders
from simbank.studies.protection.conductor_checks import conductor_checks, drop_checks
from simbank.studies.protection.device_checks import device_checks, devices_present, polarities
from simbank.studies.protection.faults import fault_tables, greatest_faults, least_faults
from simbank.studies.protection.full_load import lasting_load, start_voltage_warnings
from simbank.studies.protection.outage import Loads, outage_table, overload_table
from simbank.studies.protection.protection import Assumptions, Protection
from simbank.studies.protection.ratings import string_ratings
from simbank.studies.protection.shorted_checks import relied_on, shorted_checks
from simbank.studies.protection.withstand import Withstand

if TYPE_CHECKING:
    from collections.abc import Callable

    from simbank.scenario import Scenario

__all__ = ["protect"]


def protect(
    scenario: Scenario,
    assumptions: Assumptions | None = None,
    *,
    progress: Callable[[float], None] | None = None,
    run: bool = True,
) -> Protection:
    """Fault currents, checks, order of opening, outages and shorted cells of a scenario.

    Parameters
    ----------
    scenario : Scenario
    assumptions : Assumptions, optional
    progress : callable, optional
        Called with the fraction done.
    run : bool
        Run the duty (its first seven days) for the load that lasts; without it only the full loads at the start count.

    Returns
    -------
    Protection
        Computed from the data given; no substitute for the pack maker's manual, local codes and a licensed person.
    """
    case = assumptions or Assumptions()
    bank = scenario.bank
    tell = progress or (lambda done: None)
    greatest = greatest_faults(bank, case)
    least = least_faults(bank, case)
    faults, shares = fault_tables(greatest, least)
    tell(0.1)
    breaks = Breaking.of(greatest)
    sequences = [(c.words, {p.name: greatest.follow(p, c.line, c.failed) for p in greatest.places}) for c in breaks.cases]
    order, clearing = opening_orders(greatest, breaks, sequences)
    tell(0.4)
    slow = [(c.words, {p.name: least.follow(p, c.line, c.failed) for p in least.places}) for c in breaks.cases]
    alone = [one_pack_alone(least, c) for c in breaks.cases]
    tell(0.5)
    withstand = Withstand.of(greatest, least, breaks.cases, sequences, slow, alone)
    tell(0.6)
    loads = Loads(scenario)
    lasting, load_note = lasting_load(scenario, loads, run)
    tell(0.8)
    overload = overload_table(loads, greatest, breaks)
    outages, outage_checks = outage_table(loads, breaks)
    ratings = string_ratings(greatest, least, loads, lasting, case.margin)
    short_cases, short_note, short_found = shorted_checks(scenario, case, breaks, tell)
    shorted = {name: max(rows, key=lambda row: row.energy_wh) for name, rows in short_cases.items()}
    short_found = [relied_on(check, bank, breaks) for check in short_found]
    found = [
        *devices_present(bank, breaks.state),
        *device_checks(bank, breaks, case, lasting),
        *conductor_checks(bank, breaks, withstand),
        *clearing_checks(bank, least, breaks, slow, alone, case),
        *drop_checks(loads, case),
        *outage_checks,
        *short_found,
        *polarities(bank),
    ]
    table = pd.DataFrame([{**{key: getattr(c, key) for key in Check.__dataclass_fields__}, "source": c.source} for c in found])
    tell(1.0)
    return Protection(
        scenario, case, faults, shares, table, order, clearing, overload, outages, shorted, greatest, least, load_note,
        [*bank_warnings(scenario), *start_voltage_warnings(scenario)], ratings, breaks, short_cases, short_note, sequences[0][1],
    )  # fmt: skip

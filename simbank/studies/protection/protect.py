"""Prospective fault currents, checks of every device and conductor, order of opening, outages: one study of a scenario."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from simbank.studies.case import Case
from simbank.studies.described import bank_warnings
from simbank.studies.protection.breaking import OPENS, Breaking
from simbank.studies.protection.checks import FAIL, NOT_CHECKABLE, NOTE, PASS, Check, judge, unknown
from simbank.studies.protection.clearing import clearing_checks, opening_orders
from simbank.studies.protection.conductor_checks import conductor_checks, drop_checks
from simbank.studies.protection.device_checks import device_checks, devices_present, polarities
from simbank.studies.protection.faults import Faults, fault_tables, greatest_faults
from simbank.studies.protection.full_load import lasting_load, start_voltage_warnings
from simbank.studies.protection.outage import Loads, outage_table, overload_table
from simbank.studies.protection.protection import Assumptions, Protection
from simbank.studies.protection.ratings import string_ratings
from simbank.studies.protection.shorted import own_devices, shorted_cases
from simbank.studies.protection.words import duration_text, named

__all__ = ["protect"]


def protect(scenario, assumptions=None, *, progress=None, run=True):
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
    least = Faults(
        bank, soc=case.low_soc, temperature_k=case.cold_k, hysteresis=-1.0, as_new=False,
        conductor_k=case.hot_conductor_k, pack_h=case.pack_h,
    )  # fmt: skip
    faults, shares = fault_tables(greatest, least)
    tell(0.1)
    breaks = Breaking.of(greatest)
    sequences = [(c.words, {p.name: greatest.follow(p, c.line, c.failed) for p in greatest.places}) for c in breaks.cases]
    order, clearing = opening_orders(greatest, breaks, sequences)
    tell(0.4)
    slow = [(c.words, {p.name: least.follow(p, c.line, c.failed) for p in least.places}) for c in breaks.cases]
    tell(0.6)
    loads = Loads(scenario)
    lasting, load_note = lasting_load(scenario, loads, run)
    tell(0.8)
    overload = overload_table(loads, greatest, breaks)
    outages, outage_checks = outage_table(loads, breaks)
    ratings = string_ratings(greatest, least, loads, lasting, case.margin)
    short_cases, short_note, shorted_checks = _shorted(scenario, case, breaks, tell)
    shorted = {name: max(rows, key=lambda row: row.energy_wh) for name, rows in short_cases.items()}
    shorted_checks = [_relied_on(check, bank, breaks) for check in shorted_checks]
    found = [
        *devices_present(bank, breaks.state),
        *device_checks(bank, breaks, case, lasting),
        *conductor_checks(bank, greatest, breaks, sequences),
        *clearing_checks(bank, least, breaks, slow, case),
        *drop_checks(loads, case),
        *outage_checks,
        *shorted_checks,
        *polarities(bank),
    ]
    table = pd.DataFrame([{**{key: getattr(c, key) for key in Check.__dataclass_fields__}, "source": c.source} for c in found])
    tell(1.0)
    return Protection(
        scenario, case, faults, shares, table, order, clearing, overload, outages, shorted, greatest, least, load_note,
        [*bank_warnings(scenario), *start_voltage_warnings(scenario)], ratings, breaks, short_cases, short_note,
    )  # fmt: skip


def _relied_on(check, bank, breaks):
    """A check that passes since the device of its pack opens, unless that device cannot be relied on."""
    own = [device.name for device in bank.devices if device.owner == check.where]
    if check.status != PASS or any(breaks.state[name] == OPENS for name in own):
        return check
    if breaks.doubtful.intersection(own):
        text = f"{check.text}. But if {named(own)} should fail closed (ratings not given), nothing ends it"
        return replace(check, status=NOT_CHECKABLE, text=text)
    return replace(check, status=FAIL, text=f"{check.text}. But {named(own)} counts as failed closed")


def _shorted(scenario, case, breaks, tell):
    """Cases of every pack with shorted cells, how they were run, and the checks that follow from them. Devices that count as failed
    closed never open."""
    packs = {pack.name: pack for pack in scenario.bank.packs}
    owned = {name: own_devices(scenario.bank, name) for name in packs}
    opening = tuple(device for device in scenario.bank.devices if device.name not in breaks.failed)
    cases, failed, note = shorted_cases(
        Case(scenario.name, replace(scenario.bank, devices=opening), scenario.duty),
        case.cells_shorted,
        case.short_ohm,
        case.warm_k,
        lambda done: tell(0.8 + 0.2 * done),
    )
    found = [unknown("shorted cell", name, f"could not be followed: {why}") for name, why in failed.items()]
    for name, rows in cases.items():
        s, device = max(rows, key=lambda row: row.energy_wh), rows[0].device
        peak, volt = max(row.peak_a for row in rows), max(row.good_cell_volt_max for row in rows)
        base = (
            f"{s.cells} of {packs[name].cells_in_series} cells shorted, every BMS switch stuck closed: neighbours and charger feed up to "
            f"{peak:.0f} A, and up to {s.energy_wh:.0f} Wh (this pack at {s.soc_start * 100:.0f} %, neighbours at "
            f"{s.neighbours_soc_start * 100:.0f} %); good cells reach {volt:.2f} V"
        )
        if s.energy_if_bms_open_wh is not None:
            base += (
                f" (if every neighbour's BMS should open as the file says: {s.energy_if_bms_open_wh:.0f} Wh from that start, and "
                f"{s.most_energy_if_bms_open_wh:.0f} Wh from the worst found, this pack at {s.soc_start_if_bms_open * 100:.0f} %, "
                f"neighbours at {s.neighbours_soc_start_if_bms_open * 100:.0f} %)"
            )
        lasting = [row for row in rows if row.opens_s is None]
        if device is None:
            none = "no device of its own that can be relied on" if owned[name] else "no device of its own"
            text = f"{base}; {none} can end it; over after {s.hours:.1f} h ({s.ended_by})"
            found.append(judge("shorted cell", name, False, text, peak, None, "A"))
        elif not lasting:
            latest = max(row.opens_s for row in rows)
            text = f"{base}; {device.name} opens from every start, after {duration_text(latest)} at the latest"
            found.append(judge("shorted cell", name, True, text, peak, device.rating_a, "A"))
        else:
            least = max(lasting, key=lambda row: row.energy_wh)
            text = (
                f"{base}; {device.name} ({device.rating_a:g} A) need not open in {len(lasting)} of {len(rows)} cases, even by the "
                f"latest of its band: up to {least.energy_wh:.0f} Wh in {least.hours:.1f} h ({least.ended_by}). An overcurrent "
                "device does not end such a feed: the pack must be found and taken off by hand"
            )
            found.append(Check("shorted cell", name, NOTE, text, peak, device.rating_a, "A"))
    return cases, note, found

"""What is said of shorted cells: the cases as a table, for people, and the check of every pack."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from simbank.studies.case import Case
from simbank.studies.protection.breaking import OPENS
from simbank.studies.protection.checks import FAIL, NOT_CHECKABLE, NOTE, PASS, Check, judge, unknown
from simbank.studies.protection.shorted import own_devices, shorted_cases
from simbank.studies.protection.shorted_cell import NO_CHARGER
from simbank.studies.protection.words import current_text, duration_text, energy_text, named

if TYPE_CHECKING:
    from collections.abc import Callable

    from simbank.bank import Bank
    from simbank.scenario import Scenario
    from simbank.studies.protection.assumptions import Assumptions
    from simbank.studies.protection.breaking import Breaking
    from simbank.studies.protection.shorted_cell import ShortedCell

__all__ = ["CAUTION", "relied_on", "shorted_checks", "shorted_table", "told_together"]

_CELL_LASTS = 1.5  # times its highest voltage: what is told as reached beyond that no cell can; common practice, no source
CAUTION = (
    "What a cell with a short does (heat, gas, venting, fire), and what it does to the cells beside it, is not modelled: these are "
    "amperes and watt-hours. Good cells beyond full follow a straight line that no real cell is known to follow"
)
HEADINGS = {
    "pack": "short in", "case": "start", "charger": "charger", "start": "its SOC [%]", "neighbours": "neighbours' SOC [%]",
    "peak_a": "largest feed [A]", "energy_wh": "fed in [Wh]", "short_wh": "of it in the short [Wh]", "hours": "over after [h]",
    "volt": "good cells up to [V]", "over": "beyond full [Ah]", "ended_by": "ended by",
}  # fmt: skip


def shorted_checks(
    scenario: Scenario, assumptions: Assumptions, breaks: Breaking, tell: Callable[[float], None]
) -> tuple[dict[str, list[ShortedCell]], str, list[Check]]:
    """Cases of every pack with shorted cells, how they were run, and the checks that follow from them.

    Devices that count as failed closed never open.
    """
    packs = {pack.name: pack for pack in scenario.bank.packs}
    owned = {name: own_devices(scenario.bank, name) for name in packs}
    opening = tuple(device for device in scenario.bank.devices if device.name not in breaks.failed)
    cases, failed, note = shorted_cases(
        Case(scenario.name, replace(scenario.bank, devices=opening), scenario.duty),
        assumptions.cells_shorted,
        assumptions.short_ohm,
        assumptions.warm_k,
        lambda done: tell(0.8 + 0.2 * done),
    )
    found = [unknown("shorted cell", name, f"could not be followed: {why}") for name, why in failed.items()]
    for name, rows in cases.items():
        s, device = max(rows, key=lambda row: row.energy_wh), rows[0].device
        peak, volt = max(row.peak_a for row in rows), max(row.good_cell_volt_max for row in rows)
        beyond = ""
        if volt > _CELL_LASTS * packs[name].chemistry.volt_max:
            beyond = ", which no cell reaches: it has failed long before, and what then flows is not known"
        base = (
            f"{s.cells} of {packs[name].cells_in_series} cells shorted, every BMS switch stuck closed: neighbours and charger feed up to "
            f"{current_text(peak)}, and up to {energy_text(s.energy_wh)} (this pack at {s.soc_start * 100:.0f} %, neighbours at "
            f"{s.neighbours_soc_start * 100:.0f} %); good cells reach {volt:.2f} V{beyond}"
        )
        if s.energy_if_bms_open_wh is not None:
            base += (
                f" (if every neighbour's BMS should open as the file says: {energy_text(s.energy_if_bms_open_wh)} from that start, and "
                f"{energy_text(s.most_energy_if_bms_open_wh)} from the worst found, this pack at {s.soc_start_if_bms_open * 100:.0f} %, "
                f"neighbours at {s.neighbours_soc_start_if_bms_open * 100:.0f} %)"
            )
        numbers = {
            "peak_a": float(peak), "energy_wh": float(s.energy_wh), "hours": float(s.hours), "good_cell_volt_max": float(volt),
            "soc_start": float(s.soc_start), "neighbours_soc_start": float(s.neighbours_soc_start),
        }  # fmt: skip
        lasting = [row for row in rows if row.opens_s is None]
        if device is None:
            none = "no device of its own that can be relied on" if owned[name] else "no device of its own"
            text = f"{base}; {none} can end it; over after {s.hours:.1f} h ({s.ended_by})"
            found.append(judge("shorted cell", name, False, text, peak, None, "A", **numbers))
        elif not lasting:
            latest = max(row.opens_s for row in rows)
            text = f"{base}; {breaks.with_condition(device.name, 'that')} opens from every start, after {duration_text(latest)} at the latest"
            found.append(judge("shorted cell", name, True, text, peak, device.rating_a, "A", **numbers))
        else:
            least = max(lasting, key=lambda row: row.energy_wh)
            text = (
                f"{base}; {device.name} ({device.rating_a:g} A) need not open in {len(lasting)} of {len(rows)} cases, even by the "
                f"latest of its band: up to {energy_text(least.energy_wh)} in {least.hours:.1f} h ({least.ended_by}). An overcurrent "
                "device does not end such a feed: the pack must be found and taken off by hand"
            )
            found.append(Check("shorted cell", name, NOTE, text, peak, device.rating_a, "A", numbers=numbers))
    return cases, note, found


def relied_on(check: Check, bank: Bank, breaks: Breaking) -> Check:
    """A check that passes since the device of its pack opens, unless that device cannot be relied on."""
    own = [device.name for device in bank.devices if device.owner == check.where]
    if check.status != PASS or any(breaks.state[name] == OPENS for name in own):
        return check
    if breaks.doubtful.intersection(own):
        text = f"{check.text}. But if {named(own)} should fail closed (ratings not given), nothing ends it"
        return replace(check, status=NOT_CHECKABLE, text=text)
    return replace(check, status=FAIL, text=f"{check.text}. But {named(own)} counts as failed closed")


def shorted_table(found: dict[str, list[ShortedCell]]) -> pd.DataFrame:
    """Every case as one row (``ShortedCell.record``), from what :func:`shorted_cases` found."""
    return pd.DataFrame([row.record for rows in found.values() for row in rows])


def told_together(found: dict[str, list[ShortedCell]], breaks: Breaking | None = None) -> pd.DataFrame:
    """Every case for a reader: packs with the same figures share a row, headings with units.

    With ``breaks`` a device that ends a feed is told with what that rests on, where its ratings or curve are not given.
    """
    cases = [row for rows in found.values() for row in rows]
    table, own = shorted_table(found), [row.ended_by_own for row in cases]
    if not len(table):
        return table
    rows = table.assign(
        neighbours=(table["neighbours_soc_start"] * 100.0).round(1),
        charger=np.where(table["charger"] == NO_CHARGER, "off", "holds its voltage"), start=(table["soc_start"] * 100.0).round(1),
        peak_a=table["peak_a"].round(0), energy_wh=table["energy_wh"].round(0), short_wh=table["short_wh"].round(1),
        hours=[float(f"{hours:.3g}") for hours in table["hours"]], volt=table["good_cell_volt_max"].round(2), over=table["overcharge_ah"].round(2),
    )  # fmt: skip
    keys = ["case", "charger", "start", "neighbours", "peak_a", "energy_wh", "short_wh", "hours", "volt", "over", "ended_by"]
    rows["ended_by"] = rows["ended_by"].mask(own, "its device")
    rests = ["" if breaks is None else breaks.opens_only(row.stopped_where, "that") for row in cases]
    rows["ended_by"] = [f"{by} ({words})" if words else by for by, words in zip(rows["ended_by"], rests, strict=True)]
    order = {name: k for k, name in enumerate(table["pack"].unique())}
    together = rows.groupby(keys, sort=False)["pack"].agg(["first", ", ".join]).reset_index()
    together = together.set_axis([*keys, "first", "pack"], axis=1)
    together = together.iloc[together["first"].map(order).argsort(kind="stable")][["pack", *keys]]
    return together.rename(columns=HEADINGS)

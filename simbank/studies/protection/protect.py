"""Prospective fault currents, checks of every device and conductor, order of opening, outages: one study of a scenario."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

import pandas as pd

from simbank import provenance
from simbank.files import file_name
from simbank.studies.case import Case
from simbank.studies.described import bank_warnings
from simbank.studies.protection.breaking import OPENS, Breaking
from simbank.studies.protection.checks import FAIL, NOT_CHECKABLE, NOTE, PASS, Check, judge, unknown
from simbank.studies.protection.clearing import IF_FAILED, clearing_checks, end_text, opening_orders
from simbank.studies.protection.conductor_checks import conductor_checks, drop_checks
from simbank.studies.protection.device_checks import device_checks, devices_present, polarities
from simbank.studies.protection.faults import Faults, fault_tables, greatest_faults
from simbank.studies.protection.full_load import lasting_load, start_voltage_warnings
from simbank.studies.protection.outage import Loads, outage_table, overload_table
from simbank.studies.protection.ratings import string_ratings
from simbank.studies.protection.shorted import CAUTION as SHORT_CAUTION
from simbank.studies.protection.shorted import own_devices, shorted_cases, shorted_table, told_together
from simbank.studies.protection.words import duration_text, named
from simbank.warning import as_records

__all__ = ["NOT_CHECKED", "Assumptions", "Protection", "protect"]

NOT_CHECKED = (
    "arc flash and arcing faults (the currents here are of bolted faults)",
    "creepage, clearance and insulation of bars and terminals",
    "thermal runaway, gassing and fire of cells",
    "enclosure, ventilation, mechanical forces of short-circuit current",
    "earthing, earth faults and polarity of DC breakers",
    "what inverters and chargers feed into a fault (capacitors, rectifiers)",
    "let-through of current-limiting devices below their curve, and breakers' back-up by fuses",
    "whether a BMS breaks a fault (its switches are taken as stuck on)",
    "ageing, heat and torque of joints and devices beyond what is given",
    "whether terminals stand the temperature at which a conductor carries its ampacity (NFPA 70 110.14(C): often 60 °C up to "
    "100 A, 75 °C above, whatever the insulation)",
    "local code, the pack maker's manual, permits and inspection",
)
# Order in which a failed rule is told first: what ends no fault, then what burns, then what trips. Our own choice.
GRAVEST = (
    "interrupting rating", "voltage rating", "device present", "clears in time", "withstand", "rating ≤ ampacity", "shorted cell",
    "outage", "rating ≥ load", "voltage drop",
)  # fmt: skip


@dataclass(frozen=True)
class Assumptions:
    """What the worst cases rest on. Temperatures in kelvin.

    Greatest current: packs as new at ``warm_k``, full, straight after charge; conductors as in the file. Least current: packs as
    old as they are at ``cold_k`` and ``low_soc``, conductors at ``hot_conductor_k``.
    """

    warm_k: float = 318.15
    cold_k: float = 273.15
    low_soc: float = 0.1
    hot_conductor_k: float = 348.15
    pack_h: float = 0.0
    wanted_s: float = 5.0
    margin: float = 1.25
    drop_share: float = 0.03
    cells_shorted: int = 1
    short_ohm: float = 1e-3


@dataclass(eq=False)
class Protection:
    """What :func:`protect` found.

    Attributes
    ----------
    faults : DataFrame
        One row per place: ``initial_a`` (no inductance, before relaxation: an upper bound), ``peak_a``, ``after_10ms_a``, ``after_100ms_a``,
        ``after_1s_a``, ``rise_ms`` (to 63 % of the peak), ``least_a`` (least case, initial).
    shares : DataFrame
        Place by pack and branch: current at once in the greatest case [A], signed as everywhere.
    checks : DataFrame
        ``rule``, ``where``, ``status``, ``text``, ``value``, ``limit``, ``unit``, ``source``.
    order : DataFrame
        Place by device: ``soonest_s``, ``middle_s``, ``latest_s`` if no other opened, ``current_a``.
    clearing : DataFrame
        One row per place: the device whose opening alone clears it, whether it is first, order of opening, time to clear;
        ``failed_closed`` names the devices in its way that cannot break what may flow through them and so never open here,
        ``may_fail_closed`` those whose ratings are not given, and the columns with ``_if_failed`` say how it goes if these fail closed.
    overload : DataFrame
        Multiple of full load by device: when it opens [s] if no other does, ``in_turn_s`` when it does after others have opened,
        ``then`` the whole cascade in words.
    outages : DataFrame
        One row per part dropped and pack left: current, C-rate, margin of its device; ``then`` is the cascade.
    shorted : dict of str to ShortedCell
        For every pack the case in which most energy is fed into it.
    short_cases : dict of str to list of ShortedCell
        For every pack all of its cases; ``short_note`` says what charges in them and how many were run.
    warnings : list of BankWarning
        What must be known of the bank before any of the figures.
    string_ratings : list of StringRating
        For each string's device the largest standard rating that surely opens before every device behind it.
    """

    scenario: object
    assumptions: Assumptions
    faults: pd.DataFrame
    shares: pd.DataFrame
    checks: pd.DataFrame
    order: pd.DataFrame
    clearing: pd.DataFrame
    overload: pd.DataFrame
    outages: pd.DataFrame
    shorted: dict
    greatest: Faults = field(repr=False)
    least: Faults = field(repr=False)
    load_note: str = ""
    warnings: list = field(default_factory=list)
    string_ratings: list = field(default_factory=list)
    breaks: Breaking = field(repr=False, default=None)
    short_cases: dict = field(default_factory=dict)
    short_note: str = ""

    @property
    def counts(self):
        """How many checks passed, failed, could not be made, and notes."""
        return {status: int((self.checks["status"] == status).sum()) for status in (PASS, FAIL, NOT_CHECKABLE, NOTE)}

    @property
    def headline(self):
        """How many checks failed, could not be made and passed; of those that failed, the one whose rule stands first in
        ``GRAVEST``."""
        failed = self.checks[self.checks["status"] == FAIL]
        rank = {rule: k for k, rule in enumerate(GRAVEST)}
        worst = ""
        if len(failed):
            row = failed.loc[min(failed.index, key=lambda k: rank.get(failed.loc[k, "rule"], len(rank)))]
            worst = f" (gravest: {row['rule']}, {row['where']})"
        c = self.counts
        checks = "check" if c[FAIL] == 1 else "checks"
        return f"{c[FAIL]} {checks} failed{worst}, {c[NOT_CHECKABLE]} could not be made for want of data, {c[PASS]} passed, {c[NOTE]} notes."

    def told(self, checks):
        """Some rows of ``checks`` with the same said of many places said once; ``where`` then names them all."""
        keys = ["status", "rule", "text", "source"]
        together = checks.groupby(keys, sort=False)["where"].agg(", ".join).reset_index()
        return together[["status", "rule", "where", "text", "source"]]

    @property
    def told_shorted(self):
        """Cases of the shorted cell for a reader: packs with the same figures in one row; None if there are none."""
        return told_together(self.short_cases) if self.short_cases else None

    @property
    def short_words(self):
        """What was run, and what it does not say."""
        return f"{self.short_note[:1].upper()}{self.short_note[1:]}. {SHORT_CAUTION}."

    @property
    def basis(self):
        """What the figures rest on, as sentences."""
        a = self.assumptions
        return [
            f"Greatest fault current: packs as new, full, at {a.warm_k - 273.15:.0f} °C, conductors as in the file. Least: packs as old "
            f"as they are, {a.low_soc * 100:.0f} % charged, at {a.cold_k - 273.15:.0f} °C, conductors at {a.hot_conductor_k - 273.15:.0f} "
            "°C or hotter where the file has them so; one given by its resistance counts as measured at its temperature in the file and "
            "warms too; joints, devices and added resistance as given.",
            "Withstand is judged by the area of a conductor's metal; of metric cable by the area that its resistance stands for, where that "
            "is less than the nominal size.",
        ]

    @property
    def reliance(self):
        """Which devices are not relied on, and why, as sentences."""
        lines = []
        if self.breaks.failed:
            lines.append(
                "Counted as failed closed throughout, since they cannot break what may flow through them: "
                f"{', '.join(sorted(self.breaks.failed))}. Whether they still open on a small current is not known: overload and one "
                "out say what happens in either case."
            )
        many = len(self.breaks.doubtful) > 1
        if self.breaks.doubtful:
            how = "both cases are judged, that it opens and that it fails closed"
            if many:
                how = "every combination of their opening and failing closed is judged"
                if not self.breaks.every_combination:
                    how = "two cases are judged, that all of them open and that all of them fail closed"
            lines.append(
                f"The DC ratings of {', '.join(sorted(self.breaks.doubtful))} are not given: {how}, and what passes in one only is not "
                "checkable."
            )
        if not self.breaks.every_combination:
            alone = " or a curve beyond its end" if self.breaks.beyond else ""
            lines.append(
                f"NOT judged: combinations in which some of these devices open and others fail closed{alone}. One that opens leaves "
                "its current to one that does not, so a mixture can be worse than either: give the ratings."
            )
        if many:
            lines.append(
                "Order of opening, selectivity and the cascades of overload and one out are told for all of them opening and for all "
                "of them failing closed only."
            )
        if self.breaks.doubtful and self.short_cases:
            lines.append("The feed into a shorted cell is followed with these devices able to open.")
        return lines

    @property
    def clearing_told(self):
        """``clearing`` for people: the place, the one device that clears a fault there, whether it is selective, what happens."""
        rows = []
        for place, row in self.clearing.iterrows():
            inside = self.faults.loc[place, "kind"] == "inside"
            parts = [end_text(row["opens"], row["cleared_s"], row["cleared_latest_s"], inside)]
            if row["failed_closed"]:
                parts.append(f"counted as failed closed: {named(row['failed_closed'])}")
            if row["may_fail_closed"]:
                parts.append(f"if {named(row['may_fail_closed'])} should fail closed: {end_text(*row[list(IF_FAILED)], inside)}")
            stops = row["stopped_by"] if isinstance(row["stopped_by"], str) else "none"
            rows.append((place, stops, row["selective"], "; ".join(parts)))
        return pd.DataFrame(rows, columns=["fault at", "one device clears it", "selective", "opens (middle of its band)"])

    @property
    def overload_told(self):
        """What each overload ends in: multiple of full load and the whole cascade in words."""
        told = self.overload.drop_duplicates("times_full_load")[["times_full_load", "then"]]
        return told.assign(then=told["then"].replace("", "nothing opens")).reset_index(drop=True)

    @property
    def worst_outages(self):
        """Of every part dropped at every full load, the pack with the greatest C-rate."""
        worst = self.outages.loc[self.outages.groupby(["dropped", "load"])["c_rate"].idxmax()]
        return worst.assign(then=worst["then"].replace("", "the rest carries on"))

    @property
    def summary(self):
        """Everything as plain data, for ``--json``."""

        def records(frame):
            return json.loads(frame.to_json(orient="records", double_precision=12))

        return {
            "scenario": self.scenario.name,
            "counts": self.counts,
            "faults": records(self.faults.reset_index()),
            "shares_a": {
                place: {edge: float(a) for edge, a in row.items()} for place, row in self.shares.iterrows()
            },
            "checks": records(self.checks),
            "order": records(self.order),
            "clearing": records(self.clearing.reset_index()),
            "overload": records(self.overload),
            "string_ratings": [rating.record for rating in self.string_ratings],
            "failed_closed": sorted(self.breaks.failed), "may_fail_closed": sorted(self.breaks.doubtful),
            "reliance": self.reliance,
            "outages": records(self.outages),
            "shorted_cell": [
                {
                    "pack": s.pack, "cells": s.cells, "feed_a": s.feed_a, "energy_wh": s.energy_wh, "opens_s": s.opens_s,
                    "stopped_by": s.stopped_by, "hours": float(s.table.index[-1] / 3600.0),
                }
                for s in self.shorted.values()
            ],
            "shorted_cells": records(shorted_table(self.short_cases)) if self.short_cases else [],
            "shorted_cells_note": self.short_note,
            "shorted_cells_caution": SHORT_CAUTION,
            "load": self.load_note,
            "assumptions": {key: getattr(self.assumptions, key) for key in self.assumptions.__dataclass_fields__},
            "not_checked": list(NOT_CHECKED),
            "warnings": as_records(self.warnings),
        }  # fmt: skip

    def plot(self):
        """Time over current for every kind of device: band, withstand of what it protects, fault currents through it."""
        from simbank.plotting import protection_plots

        return protection_plots.plot_time_current(self)

    def plot_shorted(self):
        """Feed and energy into each pack with a shorted cell, over time."""
        from simbank.plotting import protection_plots

        return protection_plots.plot_shorted(self)

    def drawing(self):
        """The bank as SVG text, with prospective currents at the places."""
        from simbank.plotting.drawing import draw_bank

        at_once = self.faults["initial_a"]
        notes = {place.name: f"{at_once[whole.name] / 1e3:.1f} kA" for place, whole in self.greatest.named.items()}
        warm = f"packs as new, full, at {self.assumptions.warm_k - 273.15:.0f} °C"
        return draw_bank(
            self.scenario.bank,
            title=f"{self.scenario.name}: prospective fault currents",
            place_notes=notes,
            places=list(self.greatest.named),
            legend=[f"kA: the greatest current of a bolted fault at each place, at once ({warm})"],
        )

    def write(self, folder):
        """Tables as CSV, the whole as JSON, plots and drawing, into ``folder``."""
        folder = Path(folder)
        folder.mkdir(parents=True, exist_ok=True)
        made = provenance.made_by(self.scenario, "simbank.protect", assumptions=asdict(self.assumptions))
        tables = {
            "faults": self.faults.reset_index(), "fault_shares": self.shares.reset_index(), "checks": self.checks,
            "order": self.order, "clearing": _lists_as_text(self.clearing.reset_index()), "overload": self.overload,
            "outages": self.outages,
            "shorted_cells": shorted_table(self.short_cases),
        }  # fmt: skip
        if self.string_ratings:
            tables["string_ratings"] = _lists_as_text(pd.DataFrame([rating.record for rating in self.string_ratings]))
        for name, table in tables.items():
            provenance.write_table(folder / f"{name}.csv", table, made)
        for name, shorted in self.shorted.items():
            provenance.write_table(folder / f"shorted_cell_{file_name(name)}.csv", shorted.table, made, index=True)
        provenance.write_json(folder / "protection.json", self.summary, made)
        provenance.write_svg(folder / "bank.svg", self.drawing(), made)
        if len(self.order):
            provenance.write_figure(folder / "time_current.png", self.plot(), made, f"{made['scenario']}: time over current")
        if self.shorted:
            provenance.write_figure(folder / "shorted_cell.png", self.plot_shorted(), made, f"{made['scenario']}: a shorted cell")
        return folder


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


def _lists_as_text(frame):
    """A table for CSV: lists of names as text."""
    return frame.map(lambda value: ", ".join(value) if isinstance(value, list) else value)


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

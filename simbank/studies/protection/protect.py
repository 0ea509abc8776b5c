"""Prospective fault currents, checks of every device and conductor, order of opening, outages: one study of a scenario."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from simbank.duty import Duty, SampledDuty
from simbank.errors import SimulationError
from simbank.files import file_name, write_csv, write_figure, write_text
from simbank.simulation import simulate
from simbank.studies.case import Case
from simbank.studies.described import bank_warnings
from simbank.studies.protection import checks as rules
from simbank.studies.protection.checks import FAIL, NOTE, PASS, Check, judge, unknown
from simbank.studies.protection.faults import LINES, Faults
from simbank.studies.protection.outage import Loads
from simbank.studies.protection.shorted import CAUTION as SHORT_CAUTION
from simbank.studies.protection.shorted import shorted_cases, shorted_table, told_together
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
    "local code, the pack maker's manual, permits and inspection",
)
OVERLOADS = (1.25, 1.5, 2.0, 3.0)
MOMENTS = {"after_10ms_a": 0.01, "after_100ms_a": 0.1, "after_1s_a": 1.0}
OPENING = ("device", "current_a", *(f"{line}_s" for line in LINES))
LOAD_DAYS = 7.0
LASTING_S = 900.0  # a load that lasts is judged by its mean over this time; common practice, no source


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
        One row per place: ``initial_a`` (no inductance, before relaxation), ``peak_a``, ``after_10ms_a``, ``after_100ms_a``,
        ``after_1s_a``, ``rise_ms`` (to 63 % of the peak), ``least_a`` (least case, initial).
    shares : DataFrame
        Place by pack and branch: current at once in the greatest case [A], signed as everywhere.
    checks : DataFrame
        ``rule``, ``where``, ``status``, ``text``, ``value``, ``limit``, ``unit``, ``source``.
    order : DataFrame
        Place by device: ``soonest_s``, ``middle_s``, ``latest_s`` if no other opened, ``current_a``.
    clearing : DataFrame
        One row per place: the device whose opening alone clears it, whether it is first, order of opening, time to clear.
    overload : DataFrame
        Multiple of full load by device: when it opens [s].
    outages : DataFrame
        One row per part dropped and pack left: current, C-rate, margin of its device; ``then`` is the cascade.
    shorted : dict of str to ShortedCell
        For every pack the case in which most energy is fed into it.
    short_cases : dict of str to list of ShortedCell
        For every pack all of its cases; ``short_note`` says what charges in them and how many were run.
    warnings : list of BankWarning
        What must be known of the bank before any of the figures.
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
    short_cases: dict = field(default_factory=dict)
    short_note: str = ""

    @property
    def counts(self):
        """How many checks passed, failed, could not be made, and notes."""
        return {status: int((self.checks["status"] == status).sum()) for status in (PASS, FAIL, rules.NOT_CHECKABLE, NOTE)}

    def told(self, checks):
        """Some rows of ``checks`` with the same said of many places said once; ``where`` then names them all."""
        keys = ["status", "rule", "text", "source"]
        together = checks.groupby(keys, sort=False)["where"].agg(", ".join).reset_index()
        return together[["status", "rule", "where", "text", "source"]]

    @property
    def told_shorted(self):
        """Cases of the shorted cell for a reader: packs with the same figures in one row; None if there are none."""
        return told_together(shorted_table(self.short_cases)) if self.short_cases else None

    @property
    def short_words(self):
        """What was run, and what it does not say."""
        return f"{self.short_note[:1].upper()}{self.short_note[1:]}. {SHORT_CAUTION}."

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
        from simbank.report import protection_plots

        return protection_plots.plot_time_current(self)

    def plot_shorted(self):
        """Feed and energy into each pack with a shorted cell, over time."""
        from simbank.report import protection_plots

        return protection_plots.plot_shorted(self)

    def drawing(self):
        """The bank as SVG text, with prospective currents at the places."""
        from simbank.report.drawing import draw_bank

        notes = {name: f"{row.initial_a / 1e3:.1f} kA" for name, row in self.faults.iterrows()}
        return draw_bank(self.scenario.bank, title=f"{self.scenario.name}: prospective fault currents", place_notes=notes)

    def write(self, folder):
        """Tables as CSV, the whole as JSON, plots and drawing, into ``folder``."""
        folder = Path(folder)
        folder.mkdir(parents=True, exist_ok=True)
        tables = {
            "faults": self.faults.reset_index(), "fault_shares": self.shares.reset_index(), "checks": self.checks,
            "order": self.order, "clearing": self.clearing.reset_index(), "overload": self.overload, "outages": self.outages,
            "shorted_cells": shorted_table(self.short_cases),
        }  # fmt: skip
        for name, table in tables.items():
            write_csv(folder / f"{name}.csv", table)
        for name, shorted in self.shorted.items():
            write_csv(folder / f"shorted_cell_{file_name(name)}.csv", shorted.table, index=True)
        text = json.dumps(self.summary, indent=2, default=str) + "\n"
        write_text(folder / "protection.json", text)
        write_text(folder / "bank.svg", self.drawing())
        if len(self.order):
            write_figure(folder / "time_current.png", self.plot())
        if self.shorted:
            write_figure(folder / "shorted_cell.png", self.plot_shorted())
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
    greatest = Faults(bank, soc=1.0, temperature_k=case.warm_k, hysteresis=1.0, as_new=True, pack_h=case.pack_h)
    least = Faults(
        bank, soc=case.low_soc, temperature_k=case.cold_k, hysteresis=-1.0, as_new=False,
        conductor_k=case.hot_conductor_k, pack_h=case.pack_h,
    )  # fmt: skip
    faults, shares = _fault_tables(greatest, least)
    tell(0.1)
    order, clearing, sequences = _orders(greatest)
    tell(0.4)
    slow = {place.name: least.follow(place, "latest") for place in least.places}
    tell(0.6)
    loads = Loads(scenario)
    lasting, load_note = _lasting_load(scenario, loads, run)
    tell(0.8)
    overload = _overload(loads, greatest)
    outages, outage_checks = _outages(loads)
    short_cases, short_note, shorted_checks = _shorted(scenario, case, tell)
    shorted = {name: max(rows, key=lambda row: row.energy_wh) for name, rows in short_cases.items()}
    found = [
        *rules.devices_present(bank),
        *_device_checks(bank, greatest, case, lasting),
        *_conductor_checks(bank, greatest, sequences),
        *_clearing_checks(bank, least, slow, case),
        *_drop_checks(loads, case),
        *outage_checks,
        *shorted_checks,
        *rules.polarities(bank),
    ]
    table = pd.DataFrame([{**{key: getattr(c, key) for key in Check.__dataclass_fields__}, "source": c.source} for c in found])
    tell(1.0)
    return Protection(
        scenario, case, faults, shares, table, order, clearing, overload, outages, shorted, greatest, least, load_note,
        bank_warnings(scenario), short_cases, short_note,
    )  # fmt: skip


def _fault_tables(greatest, least):
    rows, shares = {}, {}
    edges = [*greatest.pack_names, *greatest.branch_names, "fault"]
    times = np.concatenate([[0.0], np.geomspace(1e-6, 10.0, 351)])
    weakest = {place.name: least.response(place).initial_a[-1] for place in least.places}
    for place in greatest.places:
        response = greatest.response(place)
        current = np.abs(response.at(times)[:, -1])
        peak = current.max()
        rise = np.interp(0.632, current[: current.argmax() + 1] / peak, times[: current.argmax() + 1]) if peak > 0 else np.nan
        at = response.at(list(MOMENTS.values()))[:, -1]
        rows[place.name] = {
            "kind": place.kind, "owner": place.owner, "initial_a": abs(response.initial_a[-1]), "peak_a": peak,
            **dict(zip(MOMENTS, np.abs(at), strict=True)), "rise_ms": rise * 1e3, "least_a": abs(weakest[place.name]),
        }  # fmt: skip
        shares[place.name] = dict(zip(edges, response.initial_a, strict=True))
    faults, shares = pd.DataFrame(rows).T.infer_objects(), pd.DataFrame(shares).T
    faults.index.name = shares.index.name = "place"
    return faults, shares


def _orders(greatest):
    """Order of opening in the greatest case."""
    devices = greatest.bank.devices
    order, clearing, sequences = [], {}, {}
    for place in greatest.places:
        times, current = {}, np.zeros(len(devices))
        for line in LINES:
            times[line], current = greatest.first_opening(place, line)
        for d, device in enumerate(devices):
            at = {line: times[line][d] for line in LINES}
            order.append({"place": place.name, **_opening(device, current[d], at)})
        stops = greatest.stops(place)
        middle, latest = greatest.follow(place, "middle"), greatest.follow(place, "latest")
        sequences[place.name] = latest
        clearing[place.name] = {
            "stopped_by": stops.name if stops is not None else None,
            "selective": _selective(devices, stops, times, current),
            "opens": ", ".join(f"{o.device} {_duration(o.time_s)}" for o in middle.openings) or "nothing",
            "cleared_s": middle.cleared_s,
            "cleared_latest_s": latest.cleared_s,
            "still_carrying": ", ".join(middle.still_carrying),
        }
    table = pd.DataFrame(clearing).T
    table.index.name = "place"
    return pd.DataFrame(order, columns=["place", *OPENING]), table, sequences


def _opening(device, current_a, at):
    """A row that says when a device opens, by the lines of its band; without a band only the middle is known."""
    known = device.band is not None
    times = [at[line] if known or line == "middle" else np.nan for line in LINES]
    return dict(zip(OPENING, [device.name, current_a, *times], strict=True))


def _selective(devices, stops, times, current):
    """Whether the one device that clears the fault opens before every other that carries it, bands apart."""
    if stops is None:
        return "no single device clears it"
    k = devices.index(stops)
    if stops.band is None or any(d.band is None for d in devices):
        return "not checkable: a device has no curve; give its class or trip"
    others = [d for d in range(len(devices)) if d != k and current[d] > 1e-3 * current[k]]
    if not np.isfinite(times["latest"][k]):
        return "no: it does not open"
    if all(times["latest"][k] < times["soonest"][d] for d in others):
        return "yes"
    first = [devices[d].name for d in others if times["soonest"][d] <= times["latest"][k]]
    sure = [devices[d].name for d in others if times["latest"][d] < times["soonest"][k]]
    if sure:
        return f"no: {', '.join(sure)} first"
    return f"uncertain: bands overlap with {', '.join(first)}"


def _duration(seconds):
    if not np.isfinite(seconds):
        return "never"
    if seconds < 1.0:
        return f"{seconds * 1e3:.3g} ms"
    return f"{seconds:.3g} s" if seconds < 120 else f"{seconds / 60:.3g} min" if seconds < 7200 else f"{seconds / 3600:.3g} h"


def _device_checks(bank, greatest, case, lasting):
    volt = max(pack.chemistry.volt_max * pack.cells_in_series for pack in bank.packs)
    n = len(bank.packs)
    names = greatest.branch_names
    for device in bank.devices:
        edge = n + names.index(device.branch)
        currents = {place.name: abs(greatest.response(place).initial_a[edge]) for place in greatest.places}
        worst = max(currents, key=currents.get)
        yield from rules.device_data(bank, device, currents[worst], worst, volt)
        load = lasting[device.branch]
        yield judge(
            "rating ≥ load", device.name, device.rating_a >= case.margin * load,
            f"rated {device.rating_a:g} A; the load that lasts is {load:.1f} A, × {case.margin:g} = {case.margin * load:.1f} A",
            case.margin * load, device.rating_a, "A",
        )  # fmt: skip
        if device.band is None:
            yield unknown(
                "clears in time", device.name,
                "when it opens is not known: give its class, or its curve as trip (a generic curve was used for order and times)",
            )  # fmt: skip


def _conductor_checks(bank, greatest, sequences):
    limits = rules.carried_limits(bank)
    for branch in bank.graph.branches:
        if branch.kind == "device":
            continue
        ampacity, words = rules.conductor_ampacity(branch.conductor, bank.ambient_k)
        limit = limits[branch.name]
        if ampacity is None:
            yield unknown("rating ≤ ampacity", branch.name, words)
        elif not np.isfinite(limit):
            yield judge(
                "rating ≤ ampacity", branch.name, False, f"ampacity {ampacity:.0f} A ({words}); no device limits its current",
                None, ampacity, "A",
            )  # fmt: skip
        else:
            yield judge(
                "rating ≤ ampacity", branch.name, ampacity >= limit,
                f"devices let up to {limit:g} A pass for good; ampacity {ampacity:.0f} A ({words})", limit, ampacity, "A",
            )  # fmt: skip
        yield _withstand_check(branch, greatest, sequences)


def _withstand_check(branch, greatest, sequences):
    withstand, words = rules.conductor_withstand(branch.conductor)
    if withstand is None:
        return unknown("withstand", branch.name, words)
    if any(device.band is None for device in greatest.bank.devices):
        return unknown("withstand", branch.name, "a device has no curve, so clearing times are not known: give class or trip")
    edges = greatest.edges_of(branch.name)
    worst, worst_place, never = 0.0, "", None
    for place, sequence in sequences.items():
        i2t = max(float(sequence.i2t[edge]) for edge in edges)
        if sequence.cleared_s is None and max(abs(sequence.rest_a[edge]) for edge in edges) > 1.0 and i2t > withstand:
            never = never or place
        if i2t > worst:
            worst, worst_place = i2t, place
    feeds = ", ".join(sequences[never].fed_by) if never else ""
    tail = f"; a fault at {never} is never cleared, {feeds} feeding it" if never else f" (fault at {worst_place})"
    return judge(
        "withstand", branch.name, worst <= withstand,
        f"takes {worst:.3g} A²s until cleared{tail}, withstands {withstand:.3g} A²s ({words})", worst, withstand, "A²s",
    )  # fmt: skip


def _clearing_checks(bank, least, slow, case):
    for place in least.places:
        sequence = slow[place.name]
        current = abs(least.response(place).initial_a[-1])
        base = f"least fault current {current / 1e3:.2f} kA"
        if not bank.devices:
            yield judge("clears in time", place.name, False, f"{base}; there is no device", None, case.wanted_s, "s")
        elif sequence.cleared_s is None:
            who = ", ".join(sequence.still_carrying)
            feeds = ", ".join(sequence.fed_by)
            text = f"{base}: too little for {who}" if who else f"{base}: fed by {feeds} past every device"
            yield judge("clears in time", place.name, False, f"{text}; not cleared in 1000 s", None, case.wanted_s, "s")
        elif not sequence.openings:
            text = "no neighbour feeds it: what the pack itself puts in, no device outside can end"
            yield Check("clears in time", place.name, NOTE, text)
        else:
            last = sequence.openings[-1]
            yield judge(
                "clears in time", place.name, sequence.cleared_s <= case.wanted_s,
                f"{base}, cleared at the latest after {_duration(sequence.cleared_s)} (last {last.device}), "
                f"wanted {_duration(case.wanted_s)}",
                sequence.cleared_s, case.wanted_s, "s",
            )  # fmt: skip


def _lasting_load(scenario, loads, run):
    """Largest lasting current of every branch [A]: at full load at the start, and over the duty by its mean over 15 minutes."""
    names = [branch.name for branch in scenario.bank.graph.branches]
    most = np.zeros(len(names))
    for load in loads.loads:
        most = np.maximum(most, np.abs(loads.whole(load).branch_a))
    note = "load: full load at the start"
    if run:
        try:
            result = simulate(_first_days(scenario), tolerance=1e-6, output_step_s=60.0)
        except SimulationError as error:
            result, note = error.partial, f"load: the run stopped ({error}); up to there"
        if result is not None and len(result.packs):
            hours = result.summary["bank"]["duration_h"]
            mean = result.branch_current_a.abs().rolling(int(LASTING_S / 60.0), min_periods=1).mean()
            most = np.maximum(most, mean.max().to_numpy())
            note = f"load: full load at the start, and the greatest mean over 15 min in {hours:.0f} h of the duty"
    return dict(zip(names, most, strict=True)), note


def _first_days(scenario):
    duty, most = scenario.duty, LOAD_DAYS * 86400.0
    if duty.duration_s <= most:
        return Case(scenario.name, scenario.bank, duty)
    if isinstance(duty, SampledDuty):
        return Case(scenario.name, scenario.bank, duty.until(int(most / duty.step_s)))
    steps, clock = [], 0.0
    for step in duty:
        if clock >= most:
            break
        steps.append(step)
        clock += step.duration_s
    return Case(scenario.name, scenario.bank, Duty(tuple(steps)))


def _drop_checks(loads, case):
    """Drop from the best pack's poles to the port, as a share of the port's voltage at rest."""
    for load in loads.loads:
        still = loads.whole(load)
        for a, name in enumerate(loads.bank.graph.ports):
            if abs(still.port_a[a]) < 1e-9:
                continue
            drop = max(abs(still.terminal_v - still.port_v[a]))
            share = drop / still.port_v[a]
            yield judge(
                "voltage drop", f"port {name}, {load}", share <= case.drop_share,
                f"{drop:.2f} V between packs' poles and port at {abs(still.port_a[a]):.0f} A, {share * 100:.1f} % "
                f"(limit {case.drop_share * 100:g} %)",
                share * 100, case.drop_share * 100, "%",
            )  # fmt: skip


def _overload(loads, greatest):
    """When devices open with the ports at multiples of full load, packs as they stand."""
    rows = []
    for times in OVERLOADS if "discharge" in loads.loads else ():
        still = loads.whole("discharge", times)
        current = np.array([abs(still.branch_a[loads.branch_of[d.name]]) for d in loads.bank.devices])
        for d, device in enumerate(loads.bank.devices):
            if current[d] < 1e-6:
                continue
            at = {line: greatest.steady_time(d, current[d], line) for line in LINES}
            rows.append({"times_full_load": times, **_opening(device, current[d], at)})
    return pd.DataFrame(rows, columns=["times_full_load", *OPENING])


def _outages(loads):
    bank = loads.bank
    rows, found = [], []
    if len(bank.packs) < 2:
        return pd.DataFrame(), found
    device_of = {d.owner: d for d in bank.devices}
    for dropped in loads.parts():
        for load in loads.loads:
            cascade = loads.cascade(dropped, load)
            then = "; ".join(f"{_duration(t)} {who} ({why})" for t, who, why in cascade.steps)
            for k, pack in enumerate(bank.packs):
                if abs(cascade.pack_a[k]) < 1e-9:
                    continue
                device = device_of.get(pack.name)
                rows.append(
                    {
                        "dropped": dropped, "load": load, "pack": pack.name, "current_a": cascade.pack_a[k],
                        "c_rate": abs(cascade.pack_a[k]) / pack.capacity_ah,
                        "device_margin": device.rating_a / abs(cascade.pack_a[k]) if device else np.nan,
                        "then": then,
                    }
                )  # fmt: skip
            worst = max(abs(cascade.pack_a[k]) / p.capacity_ah for k, p in enumerate(bank.packs))
            if cascade.steps:
                ends = f"left in service: {', '.join(cascade.remaining) or 'none'}"
                text = f"at full {load} then {then}; {ends}"
            else:
                text = f"at full {load} the rest carries on, at most {worst:.2f} C"
            found.append(judge("outage", f"without {dropped}, {load}", not cascade.steps, text, worst, None, "C"))
    return pd.DataFrame(rows), found


def _shorted(scenario, case, tell):
    """Cases of every pack with shorted cells, the checks that follow from them, and how they were run."""
    packs = {pack.name: pack for pack in scenario.bank.packs}
    cases, failed, note = shorted_cases(
        scenario, case.cells_shorted, case.short_ohm, case.warm_k, lambda done: tell(0.8 + 0.2 * done)
    )
    found = [unknown("shorted cell", name, f"could not be followed: {why}") for name, why in failed.items()]
    for name, rows in cases.items():
        s, device = max(rows, key=lambda row: row.energy_wh), rows[0].device
        peak, volt = max(row.peak_a for row in rows), max(row.good_cell_volt_max for row in rows)
        base = (
            f"{s.cells} of {packs[name].cells_in_series} cells shorted, BMS switch stuck: neighbours and charger feed up to "
            f"{peak:.0f} A, and up to {s.energy_wh:.0f} Wh (this pack at {s.soc_start * 100:.0f} %, neighbours at "
            f"{s.neighbours_soc_start * 100:.0f} %); good cells reach {volt:.2f} V"
        )
        lasting = [row for row in rows if row.opens_s is None]
        if device is None:
            text = f"{base}; no device of its own can end it; over after {s.hours:.1f} h ({s.ended_by})"
            found.append(judge("shorted cell", name, False, text, peak, None, "A"))
        elif not lasting:
            latest = max(row.opens_s for row in rows)
            text = f"{base}; {device.name} opens from every start, after {_duration(latest)} at the latest"
            found.append(judge("shorted cell", name, True, text, peak, device.rating_a, "A"))
        else:
            least = max(lasting, key=lambda row: row.energy_wh)
            text = (
                f"{base}; {device.name} ({device.rating_a:g} A) does not open in {len(lasting)} of {len(rows)} cases: the feed "
                f"stays below its curve, up to {least.energy_wh:.0f} Wh in {least.hours:.1f} h ({least.ended_by}). An overcurrent "
                "device does not end such a feed: the pack must be found and taken off by hand"
            )
            found.append(Check("shorted cell", name, NOTE, text, peak, device.rating_a, "A"))
    return cases, note, found

"""Prospective fault currents, checks of every device and conductor, order of opening, outages: one study of a scenario."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd

from simbank import provenance
from simbank.bank.ampacity import conductor_ampacity, conductor_withstand
from simbank.duty import Duty, SampledDuty
from simbank.errors import SimulationError
from simbank.files import file_name
from simbank.simulation import simulate
from simbank.studies.case import Case
from simbank.studies.described import bank_warnings
from simbank.studies.protection import checks as rules
from simbank.studies.protection.breaking import Breaking, named
from simbank.studies.protection.checks import FAIL, NOTE, PASS, Check, hangs_on, judge, unknown
from simbank.studies.protection.faults import LINES, Faults
from simbank.studies.protection.outage import Cascades, Loads, duration_text, inverter_currents, start_voltage_warnings
from simbank.studies.protection.ratings import string_ratings
from simbank.studies.protection.shorted import CAUTION as SHORT_CAUTION
from simbank.studies.protection.shorted import own_devices, shorted_cases, shorted_table, told_together
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
OVERLOADS = (1.25, 1.5, 2.0, 3.0)
MOMENTS = {"after_10ms_a": 0.01, "after_100ms_a": 0.1, "after_1s_a": 1.0}
OPENING = ("device", "breaks", "current_a", *(f"{line}_s" for line in LINES))
IF_FAILED = {"opens_if_failed": "opens", "cleared_if_failed_s": "cleared_s", "cleared_latest_if_failed_s": "cleared_latest_s"}
# Order in which a failed rule is told first: what ends no fault, then what burns, then what trips. Our own choice.
GRAVEST = (
    "interrupting rating", "voltage rating", "device present", "clears in time", "withstand", "rating ≤ ampacity", "shorted cell",
    "outage", "rating ≥ load", "voltage drop",
)  # fmt: skip
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
        return {status: int((self.checks["status"] == status).sum()) for status in (PASS, FAIL, rules.NOT_CHECKABLE, NOTE)}

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
        return f"{c[FAIL]} {checks} failed{worst}, {c[rules.NOT_CHECKABLE]} could not be made for want of data, {c[PASS]} passed, {c[NOTE]} notes."

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
            parts = [_end_text(row["opens"], row["cleared_s"], row["cleared_latest_s"], inside)]
            if row["failed_closed"]:
                parts.append(f"counted as failed closed: {named(row['failed_closed'])}")
            if row["may_fail_closed"]:
                parts.append(f"if {named(row['may_fail_closed'])} should fail closed: {_end_text(*row[list(IF_FAILED)], inside)}")
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
    faults, shares = _fault_tables(greatest, least)
    tell(0.1)
    breaks = Breaking.of(greatest)
    sequences = [(c.words, {p.name: greatest.follow(p, c.line, c.failed) for p in greatest.places}) for c in breaks.cases]
    order, clearing = _orders(greatest, breaks, sequences)
    tell(0.4)
    slow = [(c.words, {p.name: least.follow(p, c.line, c.failed) for p in least.places}) for c in breaks.cases]
    tell(0.6)
    loads = Loads(scenario)
    lasting, load_note = _lasting_load(scenario, loads, run)
    tell(0.8)
    overload = _overload(loads, greatest, breaks)
    outages, outage_checks = _outages(loads, breaks)
    ratings = string_ratings(greatest, least, loads, lasting, case.margin)
    short_cases, short_note, shorted_checks = _shorted(scenario, case, breaks, tell)
    shorted = {name: max(rows, key=lambda row: row.energy_wh) for name, rows in short_cases.items()}
    shorted_checks = [_relied_on(check, bank, breaks) for check in shorted_checks]
    found = [
        *rules.devices_present(bank, breaks.state),
        *_device_checks(bank, breaks, case, lasting),
        *_conductor_checks(bank, greatest, breaks, sequences),
        *_clearing_checks(bank, least, breaks, slow, case),
        *_drop_checks(loads, case),
        *outage_checks,
        *shorted_checks,
        *rules.polarities(bank),
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


def greatest_faults(bank, case):
    """:class:`~simbank.studies.protection.faults.Faults` of the greatest case that :class:`Assumptions` states."""
    return Faults(bank, soc=1.0, temperature_k=case.warm_k, hysteresis=1.0, as_new=True, pack_h=case.pack_h)


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


def _orders(greatest, breaks, sequences):
    """Order of opening in the greatest case; ``sequences`` as from :attr:`Breaking.cases`."""
    devices = greatest.bank.devices
    order, clearing = [], {}
    latest = sequences[0][1]
    for place in greatest.places:
        times, current = {}, np.zeros(len(devices))
        for line in (*LINES, *(["level"] if breaks.beyond else [])):
            times[line], current = greatest.first_opening(place, line)
        for d, device in enumerate(devices):
            at = {line: times[line][d] for line in LINES}
            order.append({"place": place.name, **_opening(device, current[d], at, breaks)})
        stops = greatest.stops(place, breaks.failed)
        middle = greatest.follow(place, "middle", breaks.failed)
        carries = {device.name for d, device in enumerate(devices) if current[d] > device.rating_a}
        doubtful = sorted(carries & breaks.doubtful)
        clearing[place.name] = {
            "stopped_by": stops.name if stops is not None else None,
            "selective": _selective(greatest, place, stops, times, current, breaks),
            **_followed(middle, latest[place.name]),
            "still_carrying": ", ".join(middle.still_carrying),
            "failed_closed": sorted(carries & breaks.failed),
            "may_fail_closed": doubtful,
        }
        if breaks.doubtful:  # the same with every device of unknown ratings failed closed
            both = breaks.failed | breaks.doubtful
            other = _followed(greatest.follow(place, "middle", both), sequences[1][1][place.name])
            clearing[place.name] |= {key: other[was] if doubtful else None for key, was in IF_FAILED.items()}
    table = pd.DataFrame(clearing).T
    table.index.name = "place"
    return pd.DataFrame(order, columns=["place", *OPENING]), table


def _end_text(opens, cleared_s, latest_s, inside):
    """What opens, and whether and when that has cleared the fault; inside a pack, only what its neighbours feed."""
    if cleared_s is None or cleared_s != cleared_s:
        return f"{opens}; NOT CLEARED"
    if latest_s is None or latest_s != latest_s:
        return f"{opens}; by the latest of the bands NOT CLEARED"
    what = "neighbours' feed ended" if inside else "cleared"
    own = "; the pack's own cells feed on" if inside else ""
    return f"{opens}; {what} after {duration_text(cleared_s)}, at the latest {duration_text(latest_s)}{own}"


def _followed(middle, latest):
    return {
        "opens": ", ".join(f"{o.device} {duration_text(o.time_s)}" for o in middle.openings) or "nothing",
        "cleared_s": middle.cleared_s,
        "cleared_latest_s": latest.cleared_s,
    }


def _opening(device, current_a, at, breaks):
    """A row that says when a device opens, by the lines of its band; without a band only the middle is known. One that counts as
    failed closed never does."""
    known, state = device.band is not None, breaks.state[device.name]
    times = [at[line] if known or line == "middle" else np.nan for line in LINES]
    if device.name in breaks.failed:
        times = [np.inf] * len(times)
    return dict(zip(OPENING, [device.name, state, current_a, *times], strict=True))


def _selective(greatest, place, stops, times, current, breaks):
    """Whether the one device that clears the fault opens before every other that carries it, bands apart.

    Devices that count as failed closed cannot clear it; but they may still open first, which is no help to selectivity.
    """
    ought = greatest.stops(place)
    if ought is None or ought.name not in breaks.failed:
        return _order_text(greatest, stops, times, current, breaks)
    able = _order_text(greatest, ought, times, current, breaks)
    if able.startswith("no"):
        return f"{able}; {ought.name}, which should clear it, counts as failed closed"
    behind = f"; behind it {stops.name} can" if stops is not None else ""
    return f"no: {ought.name} should clear it, and counts as failed closed{behind}"


def _order_text(greatest, stops, times, current, breaks):
    """:func:`_selective` for a device that opens."""
    devices = greatest.bank.devices
    if stops is None:
        return "no single device clears it"
    k = devices.index(stops)
    if stops.band is None or any(d.band is None for d in devices):
        return "not checkable: a device has no curve; give its class or trip"
    others = [d for d in range(len(devices)) if d != k and current[d] > 1e-3 * current[k]]
    if not np.isfinite(times["latest"][k]):
        return "no: it does not open"
    if all(times["latest"][k] < times["soonest"][d] for d in others):
        return _surely(greatest, k, others, times, current, breaks)
    first = [devices[d].name for d in others if times["soonest"][d] <= times["latest"][k]]
    sure = [devices[d].name for d in others if times["latest"][d] < times["soonest"][k]]
    if sure:
        return f"no: {', '.join(sure)} first"
    return f"uncertain: bands overlap with {', '.join(first)}"


def _surely(greatest, k, others, times, current, breaks):
    """ "yes", or what it hangs on: ratings that are not given, or curves that end before the current through them."""
    devices = greatest.bank.devices
    if devices[k].name in breaks.doubtful:
        return f"not checkable: yes if {devices[k].name} opens; its ratings are not given, and if it fails closed, no"
    ended = [devices[d].name for d in others if current[d] > devices[d].stated_to * devices[d].rating_a]
    if not all(times["level" if breaks.beyond else "latest"][k] < times["soonest"][d] for d in others):
        ended.append(devices[k].name)
    if ended:
        return f"not checkable: yes at constant I²t beyond the end of the curve of {', '.join(ended)}, which is an assumption"
    return "yes"


def _device_checks(bank, breaks, case, lasting):
    for device in bank.devices:
        greatest_a, place = breaks.worst[device.name]
        yield from rules.device_data(bank, device, greatest_a, place, breaks.volt)
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
        elif device.name in breaks.beyond:
            end = device.stated_to * device.rating_a
            yield Check(
                "trip curve", device.name, NOTE,
                f"the curve given ends at {end:g} A ({device.stated_to:g} times its rating), and {greatest_a / 1e3:.2f} kA can flow "
                "through it; beyond its end constant I²t is assumed, and nothing passes that hangs on it: give points of its curve "
                f"up to {greatest_a / device.rating_a:.0f} times its rating",
                greatest_a, end, "A",
            )  # fmt: skip


def _conductor_checks(bank, greatest, breaks, sequences):
    limits = [rules.carried_limits(bank, breaks.failed)]
    if breaks.doubtful:
        limits.append(rules.carried_limits(bank, breaks.failed | breaks.doubtful))
    able = rules.carried_limits(bank) if breaks.failed else limits[0]
    for branch in bank.graph.branches:
        if branch.kind == "device":
            continue
        found = [
            _ampacity_check(branch, bank.ambient_k, limit[branch.name], able[branch.name], breaks.failed) for limit in limits
        ]
        # the fewer limit, the more may pass: of all combinations that in which all fail closed is the worst
        yield hangs_on(found[0], [(c.words, check) for c, check in zip(breaks.cases[1 : len(limits)], found[1:], strict=True)])
        found = [(words, _withstand_check(branch, greatest, followed)) for words, followed in sequences]
        yield hangs_on(found[0][1], found[1:])


def _ampacity_check(branch, ambient_k, limit, able, failed):
    """``limit`` [A] with what counts as failed closed left out, ``able`` [A] as if every device opened."""
    ampacity, words = conductor_ampacity(branch.conductor, ambient_k)
    if ampacity is None:
        return unknown("rating ≤ ampacity", branch.name, words)
    without = ""
    if limit > able:
        without = (
            f" (counted as failed closed: {named(failed)}; if that could be relied on, {able:g} A)"
            if failed and np.isfinite(able)
            else ""
        )
    if not np.isfinite(limit):
        return judge(
            "rating ≤ ampacity", branch.name, False,
            f"ampacity {ampacity:.0f} A ({words}); no device limits its current{without}", None, ampacity, "A",
        )  # fmt: skip
    return judge(
        "rating ≤ ampacity", branch.name, ampacity >= limit,
        f"devices let up to {limit:g} A pass for good{without}; ampacity {ampacity:.0f} A ({words})", limit, ampacity, "A",
    )  # fmt: skip


def _withstand_check(branch, greatest, sequences):
    withstand, words = conductor_withstand(branch.conductor)
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


def _clearing_checks(bank, least, breaks, slow, case):
    for place in least.places:
        current = abs(least.response(place).initial_a[-1])
        found = [
            (c.words, _clearing_check(bank, place, current, followed[place.name], c.failed, case))
            for c, (_, followed) in zip(breaks.cases, slow, strict=True)
        ]
        yield hangs_on(found[0][1], found[1:])


def _clearing_check(bank, place, current, sequence, failed, case):
    base = f"least fault current {current / 1e3:.2f} kA"
    if not bank.devices:
        return judge("clears in time", place.name, False, f"{base}; there is no device", None, case.wanted_s, "s")
    if sequence.cleared_s is None:
        shut = [name for name in sequence.still_carrying if name in failed]
        weak = [name for name in sequence.still_carrying if name not in failed]
        parts = [f"{named(shut)} failed closed"] if shut else []
        parts += [f"too little for {', '.join(weak)}"] if weak else []
        text = f"{base}: " + ("; ".join(parts) or f"fed by {', '.join(sequence.fed_by)} past every device")
        return judge("clears in time", place.name, False, f"{text}; not cleared in 1000 s", None, case.wanted_s, "s")
    if not sequence.openings:
        text = "no neighbour feeds it: what the pack itself puts in, no device outside can end"
        return Check("clears in time", place.name, NOTE, text)
    what = "neighbours' feed ended" if place.kind == "inside" else "cleared"
    last = sequence.openings[-1]
    text = (
        f"{base}, {what} at the latest after {duration_text(sequence.cleared_s)} (last {last.device}), "
        f"wanted {duration_text(case.wanted_s)}"
    )
    good = sequence.cleared_s <= case.wanted_s
    opened = {opening.device for opening in sequence.openings}
    blind = [device.name for device in bank.devices if device.band is None and device.name in opened]
    if good and blind:
        text += f"; by a generic curve of {', '.join(blind)}, which is not given: give class or trip"
        return unknown("clears in time", place.name, text)
    return judge("clears in time", place.name, good, text, sequence.cleared_s, case.wanted_s, "s")


def _lasting_load(scenario, loads, run):
    """Largest lasting current of every branch [A]: at full load at the start, and over the duty by its mean over 15 minutes."""
    names = [branch.name for branch in scenario.bank.graph.branches]
    most = np.zeros(len(names))
    for load in loads.loads:
        most = np.maximum(most, np.abs(loads.whole(load).branch_a))
    low = "; ".join(words for _, words in inverter_currents(scenario.bank).values())
    full = "full load at the start" + (f", inverters at rated power and lowest input voltage ({low})" if low else "")
    note = f"load: {full}"
    if run:
        try:
            result = simulate(_first_days(scenario), tolerance=1e-6, output_step_s=60.0)
        except SimulationError as error:
            result, note = error.partial, f"load: the run stopped ({error}); up to there"
        if result is not None and len(result.packs):
            hours = result.summary["bank"]["duration_h"]
            mean = result.branch_current_a.abs().rolling(int(LASTING_S / 60.0), min_periods=1).mean()
            most = np.maximum(most, mean.max().to_numpy())
            note = f"load: {full}, and the greatest mean over 15 min in {hours:.0f} h of the duty"
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


def _overload(loads, greatest, breaks):
    """When devices open with the ports at multiples of full load, packs as they stand: each as if no other did, and in turn."""
    rows = []
    for times in OVERLOADS if "discharge" in loads.loads else ():
        still = loads.whole("discharge", times)
        cascades = Cascades.of(loads, None, "discharge", breaks, times)
        turn = {who: at for at, who, _ in loads.cascade(None, "discharge", times=times, failed=breaks.failed).steps}
        current = np.array([abs(still.branch_a[loads.branch_of[d.name]]) for d in loads.bank.devices])
        for d, device in enumerate(loads.bank.devices):
            if current[d] < 1e-6:
                continue
            at = {line: greatest.steady_time(d, current[d], line) for line in LINES}
            rows.append(
                {
                    "times_full_load": times, **_opening(device, current[d], at, breaks),
                    "in_turn_s": turn.get(device.name, np.inf), "then": cascades.told,
                }
            )  # fmt: skip
    return pd.DataFrame(rows, columns=["times_full_load", *OPENING, "in_turn_s", "then"])


def _outages(loads, breaks):
    bank = loads.bank
    rows, found = [], []
    if len(bank.packs) < 2:
        return pd.DataFrame(), found
    device_of = {d.owner: d for d in bank.devices}
    for dropped in loads.parts():
        for load in loads.loads:
            cascades = Cascades.of(loads, dropped, load, breaks)
            first = cascades.middle
            for k, pack in enumerate(bank.packs):
                if abs(first.pack_a[k]) < 1e-9:
                    continue
                device = device_of.get(pack.name)
                rows.append(
                    {
                        "dropped": dropped, "load": load, "pack": pack.name, "current_a": first.pack_a[k],
                        "c_rate": abs(first.pack_a[k]) / pack.capacity_ah,
                        "device_margin": device.rating_a / abs(first.pack_a[k]) if device else np.nan,
                        "then": cascades.told,
                    }
                )  # fmt: skip
            found.append(_outage_check(loads, dropped, load, cascades))
    return pd.DataFrame(rows), found


def _outage_check(loads, dropped, load, cascades):
    bank, first, where = loads.bank, cascades.middle, f"without {dropped}, {load}"
    worst = max(abs(first.pack_a[k]) / p.capacity_ah for k, p in enumerate(bank.packs))
    if worst == 0.0:
        return Check("outage", where, NOTE, f"nothing is left that carries the full {load}: the load is lost")
    if cascades.told:
        return judge("outage", where, False, f"at full {load}: {cascades.told}", worst, None, "C")
    carried = {d.name: abs(first.branch_a[loads.branch_of[d.name]]) for d in bank.devices}
    blind = [d for d in bank.devices if d.band is None and carried[d.name] > d.rating_a]
    if blind:
        text = ", ".join(f"{d.name} carries {carried[d.name]:.0f} A, rated {d.rating_a:g} A" for d in blind)
        return unknown("outage", where, f"at full {load} {text}, and its curve is not known: give class or trip")
    return judge("outage", where, True, f"at full {load} the rest carries on, at most {worst:.2f} C", worst, None, "C")


def _relied_on(check, bank, breaks):
    """A check that passes since the device of its pack opens, unless that device cannot be relied on."""
    own = [device.name for device in bank.devices if device.owner == check.where]
    if check.status != PASS or any(breaks.state[name] == rules.OPENS for name in own):
        return check
    if breaks.doubtful.intersection(own):
        text = f"{check.text}. But if {named(own)} should fail closed (ratings not given), nothing ends it"
        return replace(check, status=rules.NOT_CHECKABLE, text=text)
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

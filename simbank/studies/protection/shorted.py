"""A pack with shorted cells whose BMS switch is stuck, fed by its neighbours and by a charger: from several starts, over a day."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pandas as pd

from simbank.bank.equipment import BMS, Charger
from simbank.duty import Command, Duty, Step
from simbank.errors import SimulationError
from simbank.network import Network
from simbank.simulation import arrays as ar
from simbank.simulation import simulate
from simbank.simulation.event_codes import MONITOR_EVENTS, Event
from simbank.simulation.setup import pack_arrays
from simbank.studies.case import Case
from simbank.studies.protection.faults import line_of

__all__ = ["CASES", "CAUTION", "ShortedCell", "alike", "charging_ports", "shorted_cases", "shorted_cells", "shorted_table"]

HOURS = 24.0
SAMPLES = 5760  # of a run: 15 s apart in a day
ROWS = 600  # of a table that is kept
OVER_C = 0.005  # a feed below this C-rate is over
CHARGE_C = 0.5  # charge current of a bank whose file gives none; common practice, no source
NEAR_S = 30.0  # what opened within this time of the end of the feed has ended it
TOLERANCE = 3e-8  # of the fast integrator
FULL, ENERGY, FILE = CASES = "every pack full", "most energy", "as in the file"
EMPTY = "neighbours full, this pack empty"  # told beside ENERGY where something opens from there and a milder start feeds more
OWN = (0.0, 0.02, 0.06, 0.15, 0.35, 0.6, 0.85)  # starts of the pack that are tried where something opens from 0
NEIGHBOURS = (0.0, 0.02, 0.06, 0.15, 0.5, 0.9, 1.0)  # and of its neighbours
HALVINGS = 3  # then of the step from the best of them to an emptier pack, and to fuller neighbours
CASES_TOLD = (FULL, EMPTY, ENERGY, FILE)
CAUTION = (
    "What a cell with a short does (heat, gas, venting, fire), and what it does to the cells beside it, is not modelled: these are "
    "amperes and watt-hours. Good cells beyond full follow a straight line that no real cell is known to follow"
)
NO_CHARGER = "none"
HEADINGS = {
    "pack": "short in", "case": "start", "charger": "charger", "start": "its SOC [%]", "neighbours": "neighbours' SOC [%]",
    "peak_a": "largest feed [A]", "energy_wh": "fed in [Wh]", "short_wh": "of it in the short [Wh]", "hours": "over after [h]",
    "volt": "good cells up to [V]", "over": "beyond full [Ah]", "ended_by": "ended by",
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class ShortedCell:
    """What flows into a pack with shorted cells.

    Attributes
    ----------
    pack : str
    cells : int
        How many of its cells in series are shorted.
    table : DataFrame
        Index ``time_s``; ``feed_a`` (into the pack), ``terminal_v``, ``energy_wh`` (fed in so far, summed from samples), ``soc`` (of its good cells;
        above 1 is overcharge), and the current of each neighbour [A].
    opens_s : float or None
        When one of its own devices opens.
    stopped_by : str or None
        What ended the feed where it did not end by itself: a device, or a neighbour's BMS.
    device : Device or None
        The first of its own.
    case, charger : str
        Start, one of ``CASES`` or ``EMPTY``; what charges meanwhile, or "none".
    soc_start, neighbours_soc_start : float
        State of charge of its good cells, and mean of its neighbours, at the start.
    peak_a : float
        Largest feed [A].
    energy_wh, short_wh : float
        What neighbours and charger put into the pack at its terminals; the part of it burnt in the shorted cells [Wh].
    hours : float
        When the feed was over: below 0.005 C for good; else how long it was followed.
    good_cell_volt_max, good_cell_soc_end : float
        Highest voltage [V] and last state of charge of the cells that are not shorted.
    overcharge_ah, overcharge_wh : float
        What of it went in while they stood beyond 100 %.
    ended_by : str
        "levelled at 3.79 V a cell", a device or BMS that opened, "neighbours empty", or "nothing in 24 h".
    ended_by_own : bool
        Whether that is the pack's own device.
    opened : tuple of str
        All that opened on the way, devices and (where they count) neighbours' BMS, whether that ended the feed or only lessened it.
    energy_if_bms_open_wh : float or None
        What is fed in from the same start if every neighbour's BMS opens as the file says; None where that was not followed.
    most_energy_if_bms_open_wh, soc_start_if_bms_open, neighbours_soc_start_if_bms_open : float or None
        The most that is fed in from any start if every neighbour's BMS opens so, and that start: limits that open within seconds from
        one start leave less current to flow for longer from a milder one.
    """

    pack: str
    cells: int
    table: pd.DataFrame
    opens_s: float | None
    stopped_by: str | None
    device: object
    case: str
    charger: str
    soc_start: float
    neighbours_soc_start: float
    peak_a: float
    energy_wh: float
    short_wh: float
    hours: float
    good_cell_volt_max: float
    good_cell_soc_end: float
    overcharge_ah: float
    overcharge_wh: float
    ended_by: str
    ended_by_own: bool = False
    opened: tuple = ()
    energy_if_bms_open_wh: float | None = None
    most_energy_if_bms_open_wh: float | None = None
    soc_start_if_bms_open: float | None = None
    neighbours_soc_start_if_bms_open: float | None = None

    @property
    def feed_a(self):
        """Feed just after the short [A]."""
        return float(self.table["feed_a"].iloc[0])

    @property
    def record(self):
        """Its figures as plain data, for JSON and tables."""
        keys = (
            "pack", "case", "charger", "soc_start", "neighbours_soc_start", "peak_a", "energy_wh", "short_wh", "hours",
            "good_cell_volt_max", "good_cell_soc_end", "overcharge_ah", "overcharge_wh", "ended_by",
            "energy_if_bms_open_wh", "most_energy_if_bms_open_wh", "soc_start_if_bms_open", "neighbours_soc_start_if_bms_open",
        )  # fmt: skip
        return {key: getattr(self, key) for key in keys}


def shorted_cells(
    bank, pack_name, cells=1, short_ohm=1e-3, hours=HOURS, soc=1.0, own_soc=None, charging=None, charger=NO_CHARGER, line="latest",
    case="", temperature_k=None, neighbours_bms=False, **options,
):  # fmt: skip
    """Follow the feed into a pack whose cells have shorted.

    The pack keeps its other cells: electromotive force of Ns − k cells, resistance of those plus k times ``short_ohm``. The
    switches of all BMS are stuck closed, its own and its neighbours': no BMS states what direct current it breaks, and thousands of
    amperes can flow here. Cells go on beyond 100 and 0 % along the straight line of :mod:`simbank.cells.chemistry`, where real ones
    gas, heat and vent. Devices open at the latest that their band allows.

    Parameters
    ----------
    bank : Bank
    pack_name : str
    cells : int
    short_ohm : float
        Resistance of one shorted cell, internal [ohm].
    hours : float
        How long it is followed.
    soc : float, optional
        State of charge of every pack at the start, straight after charge; None takes each pack as it stands in the file.
    own_soc : float, optional
        That of the pack itself, straight after discharge, where it is another.
    charging : dict of str to Command, optional
        What the ports push meanwhile [A] and the voltage they hold, as a charger without a tail; by default they rest.
    charger, case : str
        What to call that and the start.
    temperature_k : float, optional
        Of the packs at the start; by default as in the file.
    neighbours_bms : bool
        Neighbours' BMS open as the file says, whatever current they have to break.
    options
        For :func:`simbank.simulate`.

    Returns
    -------
    ShortedCell
    """
    packs = []
    for pack in bank.packs:
        mine = pack.name == pack_name
        if soc is not None:
            pack = replace(pack, soc=soc, hysteresis=1.0)
        if mine and own_soc is not None:
            pack = replace(pack, soc=own_soc, hysteresis=-1.0)
        if temperature_k is not None:
            pack = replace(pack, temperature_k=temperature_k)
        if mine:
            left = pack.cells_in_series - cells
            keep = {key: getattr(pack, key) and getattr(pack, key)[:left] for key in ("cell_capacities", "cells_below_full")}
            pack = replace(
                pack,
                cells_in_series=left,
                internal_wiring_ohm=pack.internal_wiring_ohm + cells * short_ohm,
                **keep,
            )
        if mine or not neighbours_bms:
            pack = replace(pack, bms=BMS(stuck="both"))
        packs.append(pack)
    devices = tuple(line_of(device, line) for device in bank.devices)
    held = {
        port: (None, Charger(current_limit_a=-command.value, absorb_volt=command.volt_limit))
        for port, command in (charging or {}).items()
    }  # no tail: the voltage is held for good
    run = Case(
        f"{pack_name} with {cells} shorted",
        replace(bank, packs=tuple(packs), devices=devices, port_equipment=held, switching=()),
        Duty((Step(hours * 3600.0, charging or {}),)),
    )
    result = simulate(run, **{"integrator": "fast", "tolerance": TOLERANCE, "output_step_s": hours * 3600.0 / SAMPLES, **options})
    time = result.packs.index.to_numpy()
    current, volt = result.packs["current_a"], result.packs["terminal_v"][pack_name].to_numpy()
    feed = -current[pack_name].to_numpy()
    energy = _summed(feed * volt, time)
    own = next(pack for pack in packs if pack.name == pack_name)
    row = next(row for row in result.summary["packs"] if row["name"] == pack_name)
    flows = np.flatnonzero(np.abs(feed) >= OVER_C * own.capacity_ah)
    over = bool(len(feed)) and (not len(flows) or flows[-1] < len(feed) - 1)
    end_s = time[min(flows[-1] + 1, len(time) - 1)] if len(flows) else 0.0
    mine = own_devices(replace(bank, devices=devices), pack_name)
    opened = _openings(result.events)
    own_openings = opened[opened["where"].isin([d.name for d in mine])]
    stopped = _stopped_by(opened, own_openings, end_s) if over else None
    if stopped is not None:
        end_s = float(opened.loc[opened["where"] == stopped["where"], "time_s"].iloc[-1])
    ended = f"nothing in {hours:g} h"
    if over:
        ended = f"levelled at {volt[-1] / own.cells_in_series:.2f} V a cell" if stopped is None else _in_words(stopped)
    keep = np.unique(np.searchsorted(time, np.append(0.0, np.geomspace(time[1], time[-1], ROWS))).clip(0, len(time) - 1))
    columns = {"feed_a": feed, "terminal_v": volt, "energy_wh": energy, "soc": result.packs["soc"][pack_name].to_numpy()}
    columns |= {f"{name}_a": current[name].to_numpy() for name in current if name != pack_name}
    table = pd.DataFrame({name: values[keep] for name, values in columns.items()}, index=pd.Index(time[keep], name="time_s"))
    others = [pack.soc for pack in packs if pack.name != pack_name]
    return ShortedCell(
        pack=pack_name, cells=cells, table=table, opens_s=float(own_openings["time_s"].iloc[0]) if len(own_openings) else None,
        stopped_by=stopped, device=mine[0] if mine else None, case=case, charger=charger, soc_start=own.soc,
        neighbours_soc_start=float(np.mean(others)) if others else float("nan"), peak_a=max(float(feed.max()), 0.0),
        energy_wh=row["net_energy_in_wh"], short_wh=row["i2t_a2s"] * cells * short_ohm / 3600.0, hours=float(end_s if over else time[-1]) / 3600.0,
        good_cell_volt_max=row["cell_volt_max"], good_cell_soc_end=row["soc_end"], overcharge_ah=row["overcharge_ah"],
        overcharge_wh=row["overcharge_wh"], ended_by=ended, opened=tuple(dict.fromkeys(opened["where"])),
        ended_by_own=ended in [d.name for d in mine if d.owner == pack_name],
    )  # fmt: skip


def own_devices(bank, pack_name):
    """Devices through which all that flows into a pack must pass: its own, and those of a string that has no other pack."""
    owners = {pack_name, *(string for string, packs in bank.strings.items() if tuple(packs) == (pack_name,))}
    return [device for device in bank.devices if device.owner in owners]


def _summed(power, time):
    """∫ power dt so far [Wh], shape of ``time``."""
    return np.concatenate([[0.0], np.cumsum(0.5 * (power[1:] + power[:-1]) * np.diff(time))]) / 3600.0


def _openings(table):
    """What opened: devices and neighbours' BMS."""
    return table[table["code"].isin([Event.DEVICE_OPENS, Event.DEVICE_INSTANT, *MONITOR_EVENTS.values()])]


def _stopped_by(opened, own, end_s):
    """The opening, a row of the table of events, of the pack's own device; or of what else opened just when the feed ended; or None."""
    if len(own):
        return own.iloc[0]
    near = opened[(opened["time_s"] - end_s).abs() <= NEAR_S]
    return near.iloc[-1] if len(near) else None


def _in_words(opening):
    """What ended a feed: the device that opened, or the neighbour and why it did."""
    if opening["code"] in (Event.DEVICE_OPENS, Event.DEVICE_INSTANT):
        return str(opening["where"])
    if opening["code"] == Event.DISCHARGE_BLOCKED:
        return "neighbours empty"
    return f"{opening['where']} ({opening['what']})"


def charging_ports(scenario):
    """Commands by which the ports that charge hold their voltage for good, and in words who they are.

    A port with a charger holds its absorption voltage; without one, the voltage of the strongest charge of the duty. A current that
    the file does not limit is that of the duty, or half a C of the bank. Where the file charges nowhere, its first port holds the
    charge voltage that suits all packs.
    """
    bank = scenario.bank
    suits_all = min(pack.chemistry.charge_volt * pack.cells_in_series for pack in bank.packs)
    strongest = _strongest_charge(scenario.duty)
    commands, words = {}, []
    for port in bank.graph.ports:
        _, charger = bank.port_equipment.get(port, (None, None))
        asked = strongest.get(port)
        if charger is None and asked is None:
            continue
        volt = asked.volt_limit if asked is not None and np.isfinite(asked.volt_limit) else suits_all
        amperes = CHARGE_C * bank.capacity_ah
        if asked is not None:
            amperes = -asked.value / (1.0 if asked.kind == "current" else volt)
        if charger is not None:
            volt = charger.absorb_volt or volt
            limit = min(charger.current_limit_a, charger.power_limit_w / volt)
            amperes = limit if limit < 1e6 else amperes
        commands[port] = Command("current", -float(amperes), volt_limit=float(volt))
        words.append(f"{port} holds {volt:.1f} V, {amperes:.0f} A at most")
    if not commands:
        port, amperes = next(iter(bank.graph.ports)), CHARGE_C * bank.capacity_ah
        commands[port] = Command("current", -amperes, volt_limit=suits_all)
        words.append(f"{port} taken to hold {suits_all:.1f} V, {amperes:.0f} A at most (the file charges nowhere)")
    return commands, "; ".join(words)


def _milder(run, row, before=None):
    """Runs from milder starts than ``row`` (pack empty, neighbours full), in which something opens, and ``row`` itself.

    The emptier the pack and the fuller its neighbours, the more it takes until something opens. So of the grid of ``OWN`` and
    ``NEIGHBOURS`` only the edge between starts from which nothing opens and starts from which something does is followed, from all
    packs empty to all full; then the same edge once more of starts from which the feed is ended by what opens, since some neighbours
    may open while others go on. The best is brought nearer to the edge by halving.

    Parameters
    ----------
    run : callable
        ``run(own, soc)``, the ShortedCell from that start of the pack and of its neighbours.
    row : ShortedCell
    before : ShortedCell, optional
        Start of most energy of an equal pack elsewhere in the bank: where it feeds about as much here, the edge is not followed again.
    """
    done = {(0.0, 1.0): row}

    def at(own, soc):
        if (own, soc) not in done:
            done[own, soc] = run(own, soc)
        return done[own, soc]

    alike_here = before is not None and (
        at(before.soc_start, before.neighbours_soc_start).energy_wh > max(0.8 * before.energy_wh, row.energy_wh)
    )
    for is_calm in () if alike_here else (lambda r: not r.opened, lambda r: r.stopped_by is None):
        i = j = 0
        while i < len(OWN) and j < len(NEIGHBOURS):
            i, j = (i, j + 1) if is_calm(at(OWN[i], NEIGHBOURS[j])) else (i + 1, j)
    own, soc = max(done, key=lambda start: done[start].energy_wh)
    worse = max((other for other in OWN if other < own), default=own)
    for _ in range(HALVINGS if worse < own else 0):
        middle = 0.5 * (own + worse)
        own, worse = (middle, worse) if at(middle, soc).energy_wh > done[own, soc].energy_wh else (own, middle)
    worse = min((other for other in NEIGHBOURS if other > soc), default=soc)
    for _ in range(HALVINGS if worse > soc else 0):
        middle = 0.5 * (soc + worse)
        soc, worse = (middle, worse) if at(own, middle).energy_wh > done[own, soc].energy_wh else (soc, middle)
    return list(done.values())


def _strongest_charge(duty):
    """Of every port that charges in the duty, its strongest charge."""
    found = {}
    for step in duty.steps if isinstance(duty, Duty) else duty:
        for port, command in step.commands.items():
            if command.kind != "resistance" and command.value < min(0.0, found[port].value if port in found else 0.0):
                found[port] = command
    return found


def _kinds(bank):
    """For every pack the first that is equal to it and has equal devices, wherever it stands."""
    bare = [replace(pack, name="") for pack in bank.packs]
    devices = [
        [replace(d, name="", branch="", owner="", in_series=()) for d in own_devices(bank, pack.name)] for pack in bank.packs
    ]
    same = [next(j for j in range(k + 1) if bare[j] == bare[k] and devices[j] == devices[k]) for k in range(len(bare))]
    return {pack.name: bank.packs[j].name for pack, j in zip(bank.packs, same, strict=True)}


def alike(bank):
    """For every pack the first that is equal to it and stands in an equal place, so that exchanging the two changes nothing.

    Returns
    -------
    dict of str to str
    """
    cells, _, _ = pack_arrays(bank.packs, bank.ambient_k)
    n, d = len(bank.packs), len(bank.devices)
    reduced = Network(bank.graph, cells[ar.R_REF]).reduce(np.ones(n, bool), np.ones(len(bank.graph.branches), bool))
    names = [branch.name for branch in bank.graph.branches]
    flows = (
        reduced.flows[[names.index(device.branch) for device in bank.devices]] if d else np.zeros((0, reduced.hybrid.shape[1]))
    )
    kinds = _kinds(bank)

    def exchangeable(j, k):
        if kinds[bank.packs[j].name] != kinds[bank.packs[k].name]:
            return False
        order = np.arange(reduced.hybrid.shape[1])
        order[[j, k]] = k, j
        mine = [own_devices(bank, bank.packs[i].name) for i in (j, k)]
        owned = [[a for a, device in enumerate(bank.devices) if device in devices] for devices in mine]
        swapped = np.arange(d)
        swapped[owned[0]], swapped[owned[1]] = owned[1], owned[0]
        same = np.allclose(reduced.hybrid[np.ix_(order, order)], reduced.hybrid, rtol=1e-9, atol=1e-12)
        same = same and np.allclose(flows[np.ix_(swapped, order)], flows, rtol=1e-9, atol=1e-12)
        if bank.neighbours_w_k is not None:
            same = same and np.allclose(bank.neighbours_w_k[np.ix_(order[:n], order[:n])], bank.neighbours_w_k)
        return same

    first = {}
    for k, pack in enumerate(bank.packs):
        first[pack.name] = next((bank.packs[j].name for j in range(k) if exchangeable(j, k)), pack.name)
    return first


def shorted_cases(scenario, cells=1, short_ohm=1e-3, warm_k=None, tell=None):
    """The shorted cell in every pack, from every start, without and with a charger that holds its voltage.

    Starts:

    - every pack full, packs warm: of all starts at one state of charge that of the greatest current, since cells stand highest;
    - most energy: the fuller the neighbours, the more they push and the longer; the emptier the pack, the more it takes. So the
      worst start is neighbours full and the pack empty, wherever nothing opens on the way; a pack stands so when it was cut off
      empty and is joined again, and the current at once is also greater than that of the first start. Where any device opens, the
      pack's or another, less current may go on for longer: milder starts of the pack and of its neighbours are searched, and the
      one of most energy is told beside it. Where one of the other two starts feeds more than all these, it is this one, too;
    - as in the file.

    Equal packs in equal places share a result.

    Returns
    -------
    found : dict of str to list of ShortedCell
        By pack, in the order of the cases, each without and with a charger.
    failed : dict of str to str
        Packs that could not be followed, and why.
    note : str
        How many runs were made, and what the charger is.
    """
    bank, tell = scenario.bank, tell or (lambda done: None)
    found, failed, runs, starts = {}, {}, 0, {}
    if len(bank.packs) < 2:
        return found, failed, ""
    commands, words = charging_ports(scenario)
    first, kinds = alike(bank), _kinds(bank)
    leaders = [pack for pack in bank.packs if first[pack.name] == pack.name]
    told = 0

    def bms_given(name):
        return any(pack.bms is not None and not pack.has_assumed_bms for pack in bank.packs if pack.name != name)

    for pack in leaders:
        shorted = min(cells, pack.cells_in_series - 1)
        rows = []
        try:
            for charger in (NO_CHARGER, words):
                ways = {
                    "cells": shorted, "short_ohm": short_ohm, "charger": charger,
                    "charging": commands if charger != NO_CHARGER else None,
                }  # fmt: skip

                def run(own, soc, name=pack.name, ways=ways, **more):
                    nonlocal runs
                    runs += 1
                    return shorted_cells(bank, name, **{**ways, "soc": soc, "own_soc": own, "case": ENERGY, **more})

                full = run(None, 1.0, case=FULL, temperature_k=warm_k)
                empty, now = run(0.0, 1.0), run(None, None, case=FILE)
                tried = [empty]
                if empty.opened:
                    key = (kinds[pack.name], charger)
                    tried = _milder(run, empty, starts.get(key))
                    starts[key] = max(tried, key=lambda r: r.energy_wh)
                most = max([*tried, now, full], key=lambda r: r.energy_wh)
                if bms_given(pack.name):
                    kept = {
                        FULL: (None, 1.0, warm_k),
                        FILE: (None, None, None),
                        ENERGY: (most.soc_start, most.neighbours_soc_start, None),
                    }
                    own, soc, warm = kept[most.case]
                    with_bms = partial(run, neighbours_bms=True)
                    same, lowest = with_bms(own, soc, temperature_k=warm), with_bms(0.0, 1.0)
                    tried = [same, lowest, with_bms(None, 1.0, temperature_k=warm_k), with_bms(None, None)]
                    tried += _milder(with_bms, lowest) if lowest.opened else []
                    worst = max(tried, key=lambda r: r.energy_wh)
                    most = replace(
                        most, energy_if_bms_open_wh=same.energy_wh, most_energy_if_bms_open_wh=worst.energy_wh,
                        soc_start_if_bms_open=worst.soc_start, neighbours_soc_start_if_bms_open=worst.neighbours_soc_start,
                    )  # fmt: skip
                at_worst = most.case == ENERGY and (most.soc_start, most.neighbours_soc_start) == (0.0, 1.0)
                beside = [] if at_worst else [replace(empty, case=EMPTY)]
                rows += [full, *beside, replace(most, case=ENERGY), now]
                told += 1
                tell(told / (2 * len(leaders)))
        except SimulationError as error:
            failed[pack.name] = str(error)
        rows.sort(key=lambda row: CASES_TOLD.index(row.case))
        found[pack.name] = rows
    for pack in bank.packs:
        leader = first[pack.name]
        if leader in failed and leader != pack.name:
            failed[pack.name] = failed[leader]
        found[pack.name] = [_handed_on(row, bank, pack.name) for row in found[leader]]
    note = (
        f"{runs} runs of {HOURS:g} h; charger: {words}; neighbours stand at one state of charge in every start but that of the file: "
        "neighbours charged unequally in another way are not covered"
    )
    if len(leaders) < len(bank.packs):
        note += f"; equal packs in equal places share a result ({', '.join(pack.name for pack in leaders)} were followed)"
    return {pack.name: found[pack.name] for pack in bank.packs if found[pack.name]}, failed, note


def _handed_on(row, bank, name):
    """``row`` for an equal pack in an equal place: the two packs and their devices change places."""
    if row.pack == name:
        return row
    theirs, mine = own_devices(bank, row.pack), own_devices(bank, name)
    names = {row.pack: name, name: row.pack}
    for a, b in zip(theirs, mine, strict=True):
        names |= {a.name: b.name, b.name: a.name}

    def named(text):
        who, mark, rest = (text or "").partition(" (")
        return names.get(who, who) + mark + rest if text is not None else None

    return replace(
        row, pack=name, device=mine[0] if mine else None, ended_by=named(row.ended_by), stopped_by=named(row.stopped_by),
        opened=tuple(named(who) for who in row.opened), table=row.table.rename(columns={f"{name}_a": f"{row.pack}_a"}),
    )  # fmt: skip


def shorted_table(found):
    """Every case as one row (``ShortedCell.record``), from what :func:`shorted_cases` found."""
    return pd.DataFrame([row.record for rows in found.values() for row in rows])


def told_together(found):
    """Every case for a reader: packs with the same figures share a row, headings with units."""
    table, own = shorted_table(found), [row.ended_by_own for rows in found.values() for row in rows]
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
    order = {name: k for k, name in enumerate(table["pack"].unique())}
    together = rows.groupby(keys, sort=False)["pack"].agg(", ".join).reset_index()
    first = together["pack"].str.split(", ").str[0].map(order)
    together = together.assign(first=first).sort_values("first", kind="stable")[["pack", *keys]]
    return together.rename(columns=HEADINGS)

"""Shorted cells in every pack, from several starts, without and with a charger: which starts, and the search for most energy."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from simbank.duty import Command, Duty
from simbank.errors import SimulationError
from simbank.network import Network
from simbank.simulation import arrays as ar
from simbank.simulation.setup import pack_arrays
from simbank.studies.parallel import in_order
from simbank.studies.protection.shorted_cell import (
    ENERGY,
    FEW_SAMPLES,
    FILE,
    FULL,
    HOURS,
    NO_CHARGER,
    own_devices,
    shorted_cells,
)
from simbank.warning import counted

if TYPE_CHECKING:
    from collections.abc import Callable

    from simbank.bank import Bank
    from simbank.scenario import Scenario
    from simbank.studies.protection.shorted_cell import ShortedCell

__all__ = ["alike", "charging_ports", "exchanges", "shorted_cases"]

CHARGE_C = 0.5  # charge current of a bank whose file gives none; common practice, no source
EMPTY = "neighbours full, this pack empty"  # told beside ENERGY where something opens from there and a milder start feeds more
OWN = (0.0, 0.02, 0.06, 0.15, 0.35, 0.6, 0.85)  # starts of the pack that are tried where something opens from 0
NEIGHBOURS = (0.0, 0.02, 0.06, 0.15, 0.5, 0.9, 1.0)  # and of its neighbours
USUAL_RUNS = 15  # of one search, to tell how far it has come
RUN_S = 4e-3  # that they take each at least, to tell whether copies of this process pay
HALVINGS = 3  # then of the step from the best of them to an emptier pack, and to fuller neighbours
CASES_TOLD = (FULL, EMPTY, ENERGY, FILE)


def charging_ports(scenario: Scenario) -> tuple[dict[str, Command], str]:
    """Commands by which the ports that charge hold their voltage for good, and in words who they are.

    A port with a charger holds its absorption voltage; without one, the voltage of the strongest charge of the duty. A current that
    the file does not limit is that of the duty, or half a C of the bank. Where the file charges nowhere, its first port holds the
    charge voltage that suits all packs.

    Parameters
    ----------
    scenario : Scenario
        Or whatever has a bank and a duty.

    Returns
    -------
    commands : dict of str to Command
        Port → current [A, negative] and the voltage that it holds [V].
    words : str
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
        With the pack empty and its neighbours full.
    before : ShortedCell, optional
        Start of most energy of an equal pack elsewhere in the bank: where it feeds about as much here, the edge is not followed again.

    Returns
    -------
    dict of (float, float) to ShortedCell
        By the state of charge of the pack and of its neighbours at the start.
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
    return done


def _most(done):
    """Start and case of most energy, of what :func:`_milder` returns."""
    return max(done.items(), key=lambda item: item[1].energy_wh)


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


def alike(bank: Bank) -> dict[str, str]:
    """For every pack the first that is equal to it and stands in an equal place; see :func:`exchanges`.

    Returns
    -------
    dict of str to str
    """
    return {name: leader for name, (leader, _) in exchanges(bank).items()}


def exchanges(bank: Bank) -> dict[str, tuple[str, dict[str, str]]]:
    """For every pack the first that is equal to it and stands in an equal place, and who takes whose place.

    Two places are equal if exchanging the two packs changes nothing, or putting all packs in the opposite order does, as on a bus bar
    seen from its other end.

    Returns
    -------
    dict of str to (str, dict of str to str)
        Pack → that pack, and for every pack and device that changes place → the one in whose place it comes.
    """
    cells, _, _ = pack_arrays(bank.packs, bank.ambient_k)
    n, d = len(bank.packs), len(bank.devices)
    reduced = Network(bank.graph, cells[ar.R_REF]).reduce(np.ones(n, bool), np.ones(len(bank.graph.branches), bool))
    names = [branch.name for branch in bank.graph.branches]
    through = np.vstack([reduced.hybrid[:n], np.eye(reduced.hybrid.shape[1])[n:]])  # currents of packs and ports from [e, J]
    flows = reduced.flows[[names.index(device.branch) for device in bank.devices]] @ through
    kinds = _kinds(bank)
    owned = [own_devices(bank, pack.name) for pack in bank.packs]
    number = {device.name: a for a, device in enumerate(bank.devices)}

    def exchanged(moved):
        """Who takes whose place if each pack of ``moved`` comes in that of its pack there; None if that changes anything."""
        if any(kinds[bank.packs[j].name] != kinds[bank.packs[k].name] for j, k in moved.items()):
            return None
        order, devices, who = np.arange(reduced.hybrid.shape[1]), np.arange(d), {}
        for j, k in moved.items():
            order[j] = k
            who[bank.packs[j].name] = bank.packs[k].name
            for mine, theirs in zip(owned[j], owned[k], strict=True):
                devices[number[mine.name]] = number[theirs.name]
                who[mine.name] = theirs.name
        same = np.allclose(reduced.hybrid[np.ix_(order, order)], reduced.hybrid, rtol=1e-9, atol=1e-12)
        same = same and np.allclose(flows[np.ix_(devices, order)], flows, rtol=1e-9, atol=1e-12)
        if bank.neighbours_w_k is not None:
            same = same and np.allclose(bank.neighbours_w_k[np.ix_(order[:n], order[:n])], bank.neighbours_w_k)
        return who if same else None

    opposite = exchanged({k: n - 1 - k for k in range(n)}) if not bank.strings else None
    first = {}
    for k, pack in enumerate(bank.packs):
        found = ((bank.packs[j].name, exchanged({j: k, k: j})) for j in range(k))
        pair = next(((name, who) for name, who in found if who is not None), None)
        if pair is None and opposite is not None and k > n - 1 - k:
            leader = first[bank.packs[n - 1 - k].name][0]
            pair = (leader, opposite) if leader == bank.packs[n - 1 - k].name else None
        first[pack.name] = pair or (pack.name, {})
    return first


def shorted_cases(
    scenario: Scenario,
    cells: int = 1,
    short_ohm: float = 1e-3,
    warm_k: float | None = None,
    tell: Callable[[float], None] | None = None,
) -> tuple[dict[str, list[ShortedCell]], dict[str, str], str]:
    """The shorted cell in every pack, from every start, without and with a charger that holds its voltage.

    Starts:

    - every pack full, packs warm: of all starts at one state of charge that of the greatest current, since cells stand highest;
    - most energy: the fuller the neighbours, the more they push and the longer; the emptier the pack, the more it takes. So the
      worst start is neighbours full and the pack empty, wherever nothing opens on the way; a pack stands so when it was cut off
      empty and is joined again, and the current at once is also greater than that of the first start. Where any device opens, the
      pack's or another, less current may go on for longer: milder starts of the pack and of its neighbours are searched, and the
      one of most energy is told beside it. Where one of the other two starts feeds more than all these, it is this one, too;
    - as in the file.

    Equal packs in equal places share a result, also those that change places where a bank is seen from its other end.

    Parameters
    ----------
    scenario : Scenario
        Or whatever has a bank and a duty.
    cells : int
        How many cells in series are shorted.
    short_ohm : float
        Resistance of one shorted cell [ohm].
    warm_k : float, optional
        Temperature of the packs in the first start [K].
    tell : callable, optional
        Called with the fraction done.

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
    found, failed = {}, {}
    if len(bank.packs) < 2:
        return found, failed, ""
    commands, words = charging_ports(scenario)
    first, kinds = exchanges(bank), _kinds(bank)
    leaders = [pack for pack in bank.packs if first[pack.name][0] == pack.name]

    groups = {}
    for pack in leaders:
        groups.setdefault(kinds[pack.name], []).append(pack)
    ways = [
        {"short_ohm": short_ohm, "charger": charger, "charging": charging}
        for charger, charging in ((NO_CHARGER, None), (words, commands))
    ]
    work = [(way, group) for way in ways for group in groups.values()]

    def searched(number, way, group):
        return _searched(bank, group, cells, warm_k, way, lambda part: tell((number + part) / len(work)))

    each_s = USUAL_RUNS * RUN_S * len(leaders) / len(groups)
    pieces = in_order(searched, [(number, *one) for number, one in enumerate(work)], each_s=each_s)
    runs = sum(count for _, _, count in pieces)
    each = [
        [{name: one for piece in some for name, one in piece[which].items()} for which in (0, 1)]
        for some in (pieces[: len(groups)], pieces[len(groups) :])
    ]
    for pack in leaders:
        told = []
        for rows, why in each:
            if pack.name in why:
                failed[pack.name] = why[pack.name]
                break
            told += rows[pack.name]
        found[pack.name] = sorted(told, key=lambda row: CASES_TOLD.index(row.case))
    for pack in bank.packs:
        leader, who = first[pack.name]
        if leader in failed and leader != pack.name:
            failed[pack.name] = failed[leader]
        found[pack.name] = [_handed_on(row, bank, pack.name, who) for row in found[leader]]
    note = (
        f"{counted(runs, 'run')} of {HOURS:g} h; charger: {words}; neighbours stand at one state of charge in every start but that of the file: "
        "neighbours charged unequally in another way are not covered"
    )
    if any(row.case == EMPTY for rows in found.values() for row in rows):
        note += (
            "; where something opens the start of most energy is searched in steps, of which closer ones have found up to 0.3 % more energy "
            "in the banks tried"
        )
    if len(leaders) < len(bank.packs):
        note += f"; equal packs in equal places share a result ({', '.join(pack.name for pack in leaders)} were followed)"
    return {pack.name: found[pack.name] for pack in bank.packs if found[pack.name]}, failed, note


def _searched(bank, packs, cells, warm_k, way, tell):
    """Rows of some packs of one kind, those that failed and why, and how many runs there were; ``way`` is without or with a charger."""
    rows, why, runs, start = {}, {}, 0, None
    for told, pack in enumerate(packs):
        ways = way | {"cells": min(cells, pack.cells_in_series - 1)}
        search = _Search(bank, pack.name, warm_k, ways, start, lambda part, told=told: tell((told + part) / len(packs)))
        try:
            rows[pack.name] = search.rows()
        except SimulationError as error:
            why[pack.name] = str(error)
        else:
            start = search.mildest or start
        runs += search.runs
    return rows, why, runs


class _Search:
    """Runs of one pack with shorted cells, without or with a charger, from the starts of :func:`shorted_cases`.

    ``ways`` are the arguments of :func:`shorted_cells` that all have in common; ``before`` is the start of most energy of an equal
    pack elsewhere in the bank; ``tell`` is called with the fraction done, a guess, since how many runs there will be is not known.
    ``runs`` counts them; ``mildest`` is the case of most energy of the starts that were searched.
    """

    def __init__(self, bank, name, warm_k, ways, before, tell):
        self.bank, self.name, self.ways, self.before, self.tell = bank, name, ways, before, tell
        warm = bank.packs if warm_k is None else tuple(replace(pack, temperature_k=warm_k) for pack in bank.packs)
        self.warm_bank = replace(bank, packs=warm)
        self.runs, self.mildest = 0, None

    def run(self, own, soc, *, warm=False, neighbours_bms=False):
        """The pack at ``own``, its neighbours at ``soc`` (None: as in the file)."""
        self.runs += 1
        self.tell(self.runs / (self.runs + USUAL_RUNS))
        return self._followed(own, soc, warm, neighbours_bms)

    def _followed(self, own, soc, warm=False, neighbours_bms=False, **options):
        bank = self.warm_bank if warm else self.bank
        return shorted_cells(bank, self.name, **self.ways, soc=soc, own_soc=own, neighbours_bms=neighbours_bms, **options)

    def energy(self, own, soc, *, neighbours_bms=False):
        """:meth:`run` for a search: few samples, unless what ended the feed rests on them."""
        self.runs += 1
        self.tell(self.runs / (self.runs + USUAL_RUNS))
        row = self._followed(own, soc, False, neighbours_bms, output_step_s=HOURS * 3600.0 / FEW_SAMPLES)
        return self._followed(own, soc, False, neighbours_bms) if row.ending_sampled else row

    def rows(self):
        """The cases that are told."""
        full = replace(self.run(None, 1.0, warm=True), case=FULL)
        empty, now = replace(self.run(0.0, 1.0), case=ENERGY), replace(self.run(None, None), case=FILE)
        most = empty
        if empty.opened:
            start, most = _most(_milder(self.energy, empty, self.before))
            most = most if most is empty else replace(self._followed(*start), case=ENERGY)
            self.mildest = most
        most = max([most, now, full], key=lambda row: row.energy_wh)
        if any(pack.bms is not None and not pack.has_assumed_bms for pack in self.bank.packs if pack.name != self.name):
            most = self.if_bms_open(most)
        at_worst = most.case == ENERGY and (most.soc_start, most.neighbours_soc_start) == (0.0, 1.0)
        beside = [] if at_worst else [replace(empty, case=EMPTY)]
        return [full, *beside, replace(most, case=ENERGY), now]

    def if_bms_open(self, most):
        """``most`` with what is fed in if the neighbours' BMS open as the file says: from its start, and from the worst."""
        starts = {FULL: (None, 1.0), FILE: (None, None), ENERGY: (most.soc_start, most.neighbours_soc_start)}
        run = partial(self.run, neighbours_bms=True)
        same, lowest = run(*starts[most.case], warm=most.case == FULL), run(0.0, 1.0)
        tried = [same, lowest, run(None, 1.0, warm=True), run(None, None)]
        if lowest.opened:
            start, mildest = _most(_milder(partial(self.energy, neighbours_bms=True), lowest))
            tried.append(mildest if mildest is lowest else self._followed(*start, neighbours_bms=True))
        worst = max(tried, key=lambda row: row.energy_wh)
        return replace(
            most, energy_if_bms_open_wh=same.energy_wh, most_energy_if_bms_open_wh=worst.energy_wh,
            soc_start_if_bms_open=worst.soc_start, neighbours_soc_start_if_bms_open=worst.neighbours_soc_start,
        )  # fmt: skip


def _handed_on(row, bank, name, who):
    """``row`` for an equal pack in an equal place: packs and devices change places, each with that of ``who``."""
    if row.pack == name:
        return row
    mine, where = own_devices(bank, name), row.stopped_where
    there = who.get(where, where)

    def told(text):  # words of what ended the feed begin with its name
        return there + text[len(where) :] if where is not None and text is not None and text.startswith(where) else text

    table = row.table.rename(columns={f"{other}_a": f"{taken}_a" for other, taken in who.items()})
    if len(who) > 2 + 2 * len(mine):  # more than the two of them, so that the others come in another order
        order = {f"{pack.name}_a": k for k, pack in enumerate(bank.packs)}
        table = table[sorted(table, key=lambda column: order.get(column, -1))]
    return replace(
        row, pack=name, device=mine[0] if mine else None, ended_by=told(row.ended_by), stopped_by=told(row.stopped_by), stopped_where=there,
        opened=tuple(who.get(one, one) for one in row.opened), table=table,
    )  # fmt: skip

"""From a checked file to the bank it describes: packs, wiring, devices, ports and the places that have a name."""

from __future__ import annotations

import operator
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from simbank.bank import Bank, Bar, Branch, Graph, Pack, Parts, join
from simbank.bank.assumed import assumed
from simbank.bank.bank import Place
from simbank.bank.equipment import BMS, Charger, Device, Display, Inverter, Switching
from simbank.bank.layouts import LAYOUTS
from simbank.cells import Chemistry
from simbank.errors import InputError
from simbank.filemodel import nearest
from simbank.kept import Kept
from simbank.scenario.chemistries import chemistries_of_types
from simbank.scenario.equipment_schema import REBULK_SOC, DeviceTable
from simbank.scenario.schema import BarTable, ConductorTable, DistributionTable, PackTable, PackType, PortTable, ScenarioFile

__all__ = ["build_bank", "voltages_that_suit"]

Ends = tuple[str, str]  # positive and negative node
LEAST_GROWTH, MOST_GROWTH = 0.005, 100.0  # of a resistance that was measured, over that as new; beyond it is a slip in the unit


@dataclass(frozen=True)
class Piece:
    """What one part of the file adds to the bank: branches, devices that can open, places with a name."""

    branches: tuple[Branch, ...] = ()
    devices: tuple[Device, ...] = ()
    places: tuple[Place, ...] = ()

    def __add__(self, other: Piece) -> Piece:
        return Piece(self.branches + other.branches, self.devices + other.devices, self.places + other.places)


def build_bank(file: ScenarioFile, folder: Path, before: tuple[ScenarioFile, Bank] | None = None) -> Bank:
    """The bank that a file describes.

    Parameters
    ----------
    file : ScenarioFile
        A file's contents, checked key by key.
    folder : Path
        From which the paths of chemistry files count.
    before : (ScenarioFile, Bank), optional
        A file that reads the same other files, and its bank: what rests on the same tables is taken from it.

    Returns
    -------
    Bank

    Raises
    ------
    InputError
        For what only the whole shows: names that nothing has, wiring that leaves a pack out or short-circuits it, a pack too light.
    """
    packs, unused = _packs(file, folder, before)
    names = [pack.name for pack in packs]
    if before is not None and _same_wiring(file, before[0]):
        same = before[1]
        graph, devices, places, strings = same.graph, same.devices, same.places, same.strings
    else:
        graph, devices, places = _graph_of_all(file, names)
        strings = {string.name: tuple(string.packs) for string in file.wiring.strings}
    neighbours = _neighbours(file, names)
    _check_masses(file, packs, neighbours)
    equipment = {port.name: _port_equipment(port, packs, file.ambient) for port in file.ports if port.inverter or port.charger}
    return Bank(
        file.name, packs, graph, file.ambient, neighbours, devices, equipment, _switching(file, [*names, *(d.name for d in devices)]),
        places, file.wiring.spacing, strings, unused, *_left_out(file, graph, packs),
    )  # fmt: skip


def _same_wiring(file: ScenarioFile, other: ScenarioFile) -> bool:
    """Whether branches, devices, ports and places of two files come of the same tables: all that :func:`_graph_of_all` looks at.

    Not whether tables are equal: one that says "0 ohm" equals one that says nothing.
    """

    def names(one):
        return [name for name, _ in one.each_pack()], one.ambient

    def tables(one):
        return [one.wiring, *one.ports, *(table.device for _, table in one.each_pack())]

    mine, others = tables(file), tables(other)
    return names(file) == names(other) and len(mine) == len(others) and all(map(operator.is_, mine, others))


def _graph_of_all(file: ScenarioFile, names: list[str]) -> tuple[Graph, tuple[Device, ...], tuple[Place, ...]]:
    """The graph of packs, wiring and ports, its devices and the places that have a name."""
    made, terminals, ports = Piece(), {}, {}
    for name, table in file.each_pack():
        piece, terminals[name] = _pack_ends(name, table.device)
        made += piece
    piece, take_off = _wiring(file, names)
    made += piece
    for k, port in enumerate(file.ports):
        ends = (port.positive or take_off[0], port.negative or take_off[1])
        if None in ends:
            raise InputError('needs "positive" and "negative" (an explicit graph has no take-off)', key=f"ports.{k}")
        piece, ports[port.name] = _port(port, ends, _conductor_k(file))
        made += piece
    return Graph.build(_with_added(made.branches, file.wiring.added), terminals, ports), _with_series(made), made.places


def _left_out(file: ScenarioFile, graph: Graph, packs: tuple[Pack, ...]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Conductors of whose joints, and lithium-ion packs of whose internal wiring, the file says nothing; a measured pack has it in it."""
    unsaid = assumed().joint.draw
    joints = (b.name for b in graph.branches if b.conductor and b.conductor.joints and b.conductor.joint_draw is unsaid)
    bare = {name for name, kind in file.pack_types.items() if kind.wiring_left_out}
    tables = zip(file.each_pack(), packs, strict=True)
    wiring = (
        name
        for (name, table), pack in tables
        if table.type in bare and pack.chemistry.family == "lithium-ion" and table.resistance_at_posts is None
    )
    return tuple(name for name in joints if name not in file.wiring.added), tuple(wiring)


# ---- packs ----


def _packs(file: ScenarioFile, folder: Path, before) -> tuple[tuple[Pack, ...], tuple[str, ...]]:
    """The packs, and the names of the file's own chemistries that none of them has; ``before`` as in :func:`build_bank`."""
    chemistries, unused = chemistries_of_types(file, folder)
    old = [] if before is None else list(zip(before[0].each_pack(), before[1].packs, strict=True))
    made = []
    for number, (name, table) in enumerate(file.each_pack()):
        if number < len(old):
            (old_name, old_table), pack = old[number]
            same_tables = (
                name == old_name and table is old_table and file.pack_types[table.type] is before[0].pack_types[table.type]
            )
            if same_tables and pack.chemistry is chemistries[table.type]:
                made.append(pack)
                continue
        made.append(_pack(file, chemistries, number, name, table))
    return tuple(made), unused


def _pack(file: ScenarioFile, chemistries: dict[str, Chemistry], number: int, name: str, table: PackTable) -> Pack:
    """A pack; ``number`` counts all packs of the file from 0 and seeds the scatter of its cells."""
    kind = file.pack_types[table.type]
    chemistry = chemistries[table.type]
    capacities, below = table.cells(kind.cells_in_series, number)
    pack = Pack(
        name=name,
        chemistry=chemistry,
        rated_capacity_ah=kind.pack_capacity_ah,
        cell_resistance_ohm=kind.cell_resistance,
        cells_in_series=kind.cells_in_series,
        cells_in_parallel=kind.cells_in_parallel,
        internal_wiring_ohm=kind.internal_wiring,
        soc=table.soc,
        hysteresis=table.hysteresis,
        capacity_left=table.present_capacity,
        resistance_growth=table.present_growth,
        rc_pairs=tuple((p.resistance, p.time_constant) for p in kind.relaxation) if kind.relaxation else None,
        cell_capacities=capacities,
        cells_below_full=below,
        temperature_k=table.temperature,
        heat_capacity_j_k=(kind.mass or 0.0) * (kind.specific_heat or chemistry.specific_heat_j_kg_k),
        heat_loss_w_k=kind.heat_loss or 0.0,
        bms=_own_bms(kind, table),
        self_discharge=kind.self_discharge if table.self_discharge is None else table.self_discharge,
    )
    if table.resistance_at_posts is not None:
        pack = replace(pack, resistance_growth=_growth_as_measured(table, pack))
    display = _own_display(kind, table, pack)
    return pack if display is None else replace(pack, display=display)


def _growth_as_measured(table: PackTable, pack: Pack) -> float:
    """Growth with which the pack has the ohmic resistance that was measured at its posts.

    (R − R_wiring) ÷ (Ns/Np · R0 · f(z, T)), with f R0 over its reference value at the charge z and temperature T of the measurement.
    """
    cells_ohm = table.resistance_at_posts - pack.internal_wiring_ohm
    if cells_ohm <= 0:
        raise InputError(
            f"must be above the internal_wiring of its type, {pack.internal_wiring_ohm * 1e3:g} milliohm, which is in it",
            key=f"packs.{table.name}.resistance_at_posts", value=f"{table.resistance_at_posts * 1e3:g} milliohm",
        )  # fmt: skip
    temperature_k = table.measured_at_temperature or pack.chemistry.reference_k
    scale = float(pack.chemistry.resistance_scale(table.measured_at_soc, temperature_k))
    growth = cells_ohm / (replace(pack, resistance_growth=1.0).cell_path_ohm * scale)
    if not LEAST_GROWTH <= growth <= MOST_GROWTH:
        raise InputError(
            f"is {growth:.3g} times what its type states as new, {cells_ohm / growth * 1e3:.3g} milliohm and internal_wiring at that charge "
            "and temperature; a slip in the unit?",
            key=f"packs.{table.name}.resistance_at_posts", value=f"{table.resistance_at_posts * 1e3:g} milliohm",
        )  # fmt: skip
    return growth


def _own_display(kind: PackType, table: PackTable, pack: Pack) -> Display | None:
    """Display of a pack: the keys of its own table over those of its type's; None if neither has one."""
    display = table.display if kind.display is None else kind.display.with_own(table.display)
    try:
        return None if display is None else display.display(pack.rated_capacity_ah, pack.rest_volt(0.5))
    except InputError as error:
        raise InputError(error.problem, key=f"packs.{table.name}.display.{error.key}", value=error.value) from None


def _own_bms(kind: PackType, table: PackTable) -> BMS | None:
    """BMS of a pack: the keys of its own table over those of its type's; None if neither has one."""
    if kind.bms is None and table.bms is None:
        return None
    try:
        return _bms.of((kind, table.bms), (), lambda: _limits(kind, table).bms(kind.pack_capacity_ah))
    except InputError as error:  # limits of the two tables that contradict each other
        raise InputError(error.problem, key=f"packs.{table.name}.bms.{error.key}", value=error.value) from None


def _limits(kind, table):
    return table.bms if kind.bms is None else kind.bms.with_own(table.bms)


_bms = Kept(16)  # of tables: the packs of a type have one BMS, and in a sweep most of them the same in every run


def _neighbours(file: ScenarioFile, names: list[str]) -> np.ndarray | None:
    """Heat conductance between packs that stand side by side [W/K], shape (n, n), or None."""
    rack = file.rack
    if rack is None or rack.coupling == 0:
        return None
    matrix = np.zeros((len(names), len(names)))
    order = names if rack.order is None else rack.order
    for name in order:
        if name not in names:
            raise InputError(f"no such pack; {nearest(name, names)}", key="rack.order", value=name)
        if order.count(name) > 1:
            raise InputError("stands in two places", key="rack.order", value=name)
    for a, b in pairwise(names.index(name) for name in order):
        matrix[a, b] = matrix[b, a] = rack.coupling
    return matrix


def _check_masses(file: ScenarioFile, packs: tuple[Pack, ...], neighbours: np.ndarray | None) -> None:
    """Refuse a pack so light that its temperature could not be followed."""
    for k, ((_, table), pack) in enumerate(zip(file.each_pack(), packs, strict=True)):
        kind = file.pack_types[table.type]
        if kind.mass is None:
            continue
        least = pack.least_heat_capacity_j_k(0.0 if neighbours is None else float(neighbours[k].sum()))
        if pack.heat_capacity_j_k < least:
            kg = least / pack.heat_capacity_j_k * kind.mass
            raise InputError(
                f"too light for its energy, heat_loss and neighbours: at least {kg * (1 + 1e-3):.4g} kg, or neither mass nor "
                "heat_loss for a pack that stays at the temperature around it",
                key=f"pack_types.{table.type}.mass", value=f"{kind.mass:g} kg",
            )  # fmt: skip


def _pack_ends(name: str, device: DeviceTable | None) -> tuple[Piece, Ends]:
    """A pack's terminals and its device, and the nodes at its cells."""
    outer = (f"{name}+", f"{name}-")
    made = Piece(places=(Place(f"terminals of {name}", "pack", name, *outer),))
    if device is None:
        return made, outer
    inner = (f"{name} inner+", f"{name} inner-")
    piece = _in_line(device, name, inner, outer, "pack")
    ends = tuple(inside if pole in _poles(device) else outside for pole, inside, outside in zip("+-", inner, outer, strict=True))
    if device.rating is not None:
        piece += Piece(places=(Place(f"inside {name}", "inside", name, *ends),))
    return made + piece, ends


# ---- devices ----


def _poles(device: DeviceTable) -> str:
    """The poles in which a device sits: "+", "-" or both."""
    return {"positive": "+", "negative": "-", "both": "+-"}[device.pole]


def _in_line(table: DeviceTable, owner: str, inner: Ends, outer: Ends, role: str) -> Piece:
    """A device from inner to outer nodes, a branch in each of its poles; one with a rating can open and goes by its branch's name."""
    branches, devices = [], []
    for pole, sign, inside, outside in zip(("positive", "negative"), "+-", inner, outer, strict=True):
        if sign not in _poles(table):
            continue
        name = f"device {owner}" + (" -" if sign == "-" else "")
        branches.append(Branch(name, "device", inside, outside, table.resistance, None, owner, role, sign))
        if table.rating is not None:
            devices.append(table.device(name, owner, pole))
    return Piece(tuple(branches), tuple(devices))


def _behind(table: DeviceTable | None, owner: str, ends: Ends, role: str) -> tuple[Piece, Ends]:
    """The device of a string or port, between ``ends`` and what follows, and the ends of what follows."""
    if table is None:
        return Piece(), ends
    fused = (f"{owner} fused+", f"{owner} fused-")
    after = tuple(f if pole in _poles(table) else end for pole, f, end in zip("+-", fused, ends, strict=True))
    return _in_line(table, owner, ends, fused, role), after


def _with_series(made: Piece) -> tuple[Device, ...]:
    """Devices that know the leads in series with them: those of their string or port on the other pole, which carry the same current."""
    own = {branch.name: branch for branch in made.branches}

    def series(device):
        mine = own[device.branch]
        if mine.role == "pack":
            return ()
        leads = (b for b in made.branches if b.kind == "lead" and b.owner == mine.owner and b.pole != mine.pole)
        return tuple(b.name for b in leads)

    return tuple(replace(device, in_series=series(device)) for device in made.devices)


# ---- wiring ----


def _conductor_k(file: ScenarioFile) -> float:
    """Temperature of conductors that have none of their own [K]."""
    return file.wiring.conductor_temperature or file.ambient


def _parts(
    conductor_k: float,
    link: ConductorTable | None,
    lead: ConductorTable | None,
    bar: BarTable | None,
    leads: dict[str, ConductorTable],
    prefix: str = "",
) -> Parts:
    """What a layout is built from, at a conductor temperature [K]."""
    return Parts(
        link=link and link.conductor(conductor_k),
        lead=lead and lead.conductor(conductor_k),
        leads={name: own.conductor(conductor_k) for name, own in leads.items()},
        bar=bar.bar(conductor_k) if bar else Bar(),
        prefix=prefix,
    )


def _joined(layout: str, units: list[tuple[str, str, str]], parts: Parts) -> tuple[Piece, Ends]:
    """Units wired by a layout, with the taps of its bus bars as places, and its take-off."""
    branches, take_off = join(layout, units, parts)
    places = []
    for tap in LAYOUTS[layout].taps(units, parts):
        name = f"{parts.prefix}bus bar" + (f" at {tap.at}" if tap.at else "")
        places.append(Place(name, "bar", tap.at or units[0][0], tap.positive, tap.negative))
    return Piece(tuple(branches), places=tuple(places)), take_off


def _wiring(file: ScenarioFile, names: list[str]) -> tuple[Piece, Ends | tuple[None, None]]:
    """The whole wiring from the packs' terminals, and its take-off (an explicit graph has none)."""
    wiring = file.wiring
    for key in wiring.leads:
        if key not in names:
            raise InputError(f"no such pack; {nearest(key, names)}", key="wiring.leads", value=key)
    if wiring.layout == "graph":
        return _graph(file), (None, None)
    if wiring.conductors:
        raise InputError('own conductors need layout = "graph"', key="wiring.conductors")
    units = {name: (name, f"{name}+", f"{name}-") for name in names}
    if wiring.strings:
        return _strings(file, units)
    if wiring.distribution is not None:
        raise InputError("a distribution joins strings; there are none in wiring.strings", key="wiring.distribution")
    parts = _parts(_conductor_k(file), wiring.link, wiring.lead, wiring.bar, wiring.leads)
    return _joined(wiring.layout, list(units.values()), parts)


def _strings(file: ScenarioFile, units: dict[str, tuple[str, str, str]]) -> tuple[Piece, Ends]:
    """Strings of packs, each a unit of the distribution that joins them."""
    wiring, at_k, made = file.wiring, _conductor_k(file), Piece()
    spread = wiring.distribution or DistributionTable()
    string_units, used = [], []
    for k, string in enumerate(wiring.strings):
        for name in string.packs:
            if name not in units:
                raise InputError(f"no such pack; {nearest(name, units)}", key=f"wiring.strings.{k}.packs", value=name)
            used.append(name)
        parts = _parts(at_k, string.link or wiring.link, wiring.lead, wiring.bar, wiring.leads, f"{string.name} ")
        inner, ends = _joined(string.layout or wiring.layout, [units[name] for name in string.packs], parts)
        place = Piece(places=(Place(f"string {string.name}", "string", string.name, *ends),))
        device, ends = _behind(string.device, string.name, ends, "string")
        made += inner + place + device
        string_units.append((string.name, *ends))
    for name in units:
        if used.count(name) != 1:
            problem = "isolated: it is in no string" if name not in used else "is in two strings"
            raise InputError(problem, key="wiring.strings", value=name)
    own = {string.name: string.lead for string in wiring.strings if string.lead is not None}
    outer, take_off = _joined(spread.layout, string_units, _parts(at_k, spread.link, spread.lead, spread.bar, own, "main "))
    return made + outer, take_off


def _graph(file: ScenarioFile) -> Piece:
    """Conductors of an explicit graph."""
    wiring = file.wiring
    if wiring.strings or wiring.distribution:
        raise InputError('layout "graph" takes only conductors', key="wiring.strings")
    if not wiring.conductors and len(list(file.each_pack())) > 1:
        raise InputError(
            'layout "graph" needs conductors, such as { from = "A+", to = "B+", gauge = "2 AWG", length = "30 cm" }',
            key="wiring.conductors",
        )
    branches = []
    for k, table in enumerate(wiring.conductors):
        conductor = table.conductor(_conductor_k(file))
        name = table.name or f"conductor {k + 1} {table.from_} to {table.to}"
        branches.append(Branch(name, "conductor", table.from_, table.to, conductor.resistance_ohm, conductor))
    return Piece(tuple(branches))


def _with_added(branches: tuple[Branch, ...], added: dict[str, float]) -> list[Branch]:
    """Branches with the extra resistance that ``wiring.added`` gives some of them, such as a bad joint.

    Below zero it may take away what the joints of a branch have, and no more.
    """
    own = {branch.name: branch for branch in branches}
    for name, ohm in added.items():
        if name not in own:
            raise InputError(f"no such branch; {nearest(name, own)}", key="wiring.added", value=name)
        conductor = own[name].conductor
        joints = conductor.joints * conductor.joint_ohm if conductor else 0.0
        if ohm < 0 and ohm + joints < -1e-8 * joints:  # digits of a drawn value
            has = f", by more than the {joints * 1e3:.4g} milliohm of its joints" if joints else ""
            raise InputError(f"must not be below zero{has}", key=f"wiring.added.{name}", value=f"{ohm * 1e3:.6g} milliohm")
    return [replace(b, resistance_ohm=b.resistance_ohm + added[b.name]) if b.name in added else b for b in branches]


# ---- ports ----


def _port(port: PortTable, ends: Ends, conductor_k: float) -> tuple[Piece, Ends]:
    """A port's device and leads from its take-off on, and the nodes at its own end."""
    made = Piece(places=(Place(f"take-off of {port.name}", "take-off", port.name, *ends),))
    device, ends = _behind(port.device, port.name, ends, "port")
    own = (f"{port.name}+", f"{port.name}-") if port.lead else ends
    made += device + Piece(places=(Place(f"port {port.name}", "port", port.name, *own),))
    if port.lead is None:
        return made, ends
    lead = port.lead.conductor(conductor_k)
    leads = tuple(
        Branch(f"lead {port.name} {sign}", "lead", node, end, lead.resistance_ohm, lead, port.name, "port", sign)
        for sign, node, end in zip("+-", ends, own, strict=True)
    )
    return made + Piece(leads), own


def _port_equipment(port: PortTable, packs: tuple[Pack, ...], ambient_k: float) -> tuple[Inverter | None, Charger | None]:
    """Inverter and charger of a port."""
    charge_volt, cutoff_volt = voltages_that_suit(packs)
    inverter = charger = None
    if port.inverter is not None:
        inverter = port.inverter.inverter(cutoff_volt)
    if port.charger is not None:
        rest_volt = min(
            pack.cells_in_series
            * float(pack.chemistry.ocv(REBULK_SOC) - pack.chemistry.half_width_at(REBULK_SOC, pack.temperature_k or ambient_k))
            for pack in packs
        )
        try:
            charger = port.charger.charger(
                sum(pack.capacity_ah for pack in packs), charge_volt, [pack.name for pack in packs], rest_volt
            )
        except InputError as error:
            raise InputError(error.problem, key=f"ports.{port.name}.charger.{error.key}", value=error.value) from None
    return inverter, charger


def voltages_that_suit(packs: tuple[Pack, ...]) -> tuple[float, float]:
    """Charge voltage and cut-off voltage that suit all packs [V]."""
    charge = min(p.chemistry.charge_volt * p.cells_in_series for p in packs)
    return charge, max(p.chemistry.cutoff_volt * p.cells_in_series for p in packs)


def _switching(file: ScenarioFile, known: list[str]) -> tuple[Switching, ...]:
    """The schedule of openings and closings by hand, of packs and devices known by name."""
    for k, order in enumerate(file.switching):
        if order.what not in known:
            raise InputError(f"no such pack or device; {nearest(order.what, known)}", key=f"switching.{k}.what", value=order.what)
    return tuple(Switching(order.at, order.what, order.close) for order in file.switching)

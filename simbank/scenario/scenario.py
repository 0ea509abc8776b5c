"""A scenario file and the bank and duty it describes: reading, checking, changing single keys, JSON Schema."""

from __future__ import annotations

import copy
from dataclasses import replace
from functools import cached_property
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import BeforeValidator, ConfigDict, Field, WithJsonSchema, model_validator

from simbank.bank import Bank, Bar, Branch, Conductor, Gauge, Graph, Pack, Parts, join, parse_gauge
from simbank.bank.ageing import growth_from_health, load_grade, scattered_cells
from simbank.bank.ampacity import INSULATIONS
from simbank.bank.bank import MAX_PACKS, Place
from simbank.bank.equipment import Switching
from simbank.cells import load_chemistry
from simbank.duty import Command, Duty, SampledDuty, Samples, Step, Window, table_steps
from simbank.errors import InputError
from simbank.filemodel import FileModel, bank_temperature, check, fraction, nearest, quantity, read_toml, refuse_deep
from simbank.provenance import files_read
from simbank.scenario.equipment_schema import (
    REBULK_SOC,
    BMSTable,
    ChargerTable,
    DaysDuty,
    DeviceTable,
    InverterTable,
    Rate,
    Resistance,
    SwitchTable,
)

__all__ = ["Scenario", "from_dict", "json_schema", "load", "with_changes"]

GaugeText = Annotated[
    Gauge,
    BeforeValidator(parse_gauge),
    WithJsonSchema(
        {"type": "string", "description": "a conductor size", "examples": ["2 AWG", "4/0 AWG", "35 mm2", "20 x 5 mm"]}
    ),
]
LayoutName = Literal["chain", "chain-opposite", "chain-middle", "busbar"]
Count = Annotated[int, Field(ge=1, le=1000, strict=True)]


def _not_blank(name):
    if isinstance(name, str) and name.strip() in ("", "*"):
        raise InputError('needs a name that is not blank and not "*", which stands for every name')
    return name


Name = Annotated[str, Field(min_length=1), BeforeValidator(_not_blank)]
Length = quantity("m", above_zero=True, most=1e4)


class ConductorTable(FileModel):
    """A cable or bar: gauge and length, or its resistance; and the joint at each end."""

    gauge: GaugeText | None = None
    length: Length | None = None
    resistance: Resistance | None = None
    material: Literal["copper", "aluminium"] = "copper"
    construction: Literal["solid", "stranded", "flexible"] | None = None
    joint: Resistance = 0.0
    temperature: bank_temperature() | None = None
    insulation: Literal[tuple(INSULATIONS)] | None = None
    loaded: Annotated[int, Field(ge=1, le=1000, strict=True)] = 2
    ampacity: quantity("ampere", above_zero=True) | None = None

    @model_validator(mode="after")
    def _whole(self):
        if self.resistance is not None and self.gauge is not None:
            raise InputError('give either "gauge" with "length", or "resistance", not both')
        if self.resistance is None and (self.gauge is None or self.length is None):
            raise InputError('needs "gauge" and "length", such as { gauge = "2 AWG", length = "30 cm" }, or "resistance"')
        if self.gauge is not None:
            self.conductor(298.15).resistance_ohm  # noqa: B018  (a size not made in this construction is an error here)
        return self

    def conductor(self, ambient_k, joints=2):
        return Conductor(
            self.gauge, self.length or 0.0, self.material, self.construction, self.joint, joints,
            self.temperature or ambient_k, self.resistance, self.insulation, self.loaded, self.ampacity,
        )  # fmt: skip


class RCTable(FileModel):
    """A relaxation of one cell."""

    resistance: quantity("ohm", not_negative=True, most=1e3)
    time_constant: quantity("second", above_zero=True)


class PackType(FileModel):
    """What packs of one make have in common; their capacity is given by the pack or by the cell."""

    model_config = ConfigDict(json_schema_extra={"oneOf": [{"required": ["capacity"]}, {"required": ["cell_capacity"]}]})

    chemistry: str = "lfp"
    cells_in_series: Count = 16
    cells_in_parallel: Count = 1
    capacity: quantity("ampere_hour", above_zero=True) | None = None
    cell_capacity: quantity("ampere_hour", above_zero=True) | None = None
    cell_resistance: quantity("ohm", above_zero=True, most=1e3)
    internal_wiring: quantity("ohm", not_negative=True, most=1e3) = 0.0
    relaxation: list[RCTable] | None = None
    mass: quantity("kilogram", above_zero=True) | None = None
    specific_heat: quantity("joule/kilogram/kelvin", above_zero=True) | None = None
    heat_loss: quantity("watt/kelvin", not_negative=True) | None = None
    bms: BMSTable | None = None

    @model_validator(mode="after")
    def _sound(self):
        load_chemistry(self.chemistry)
        if (self.capacity is None) == (self.cell_capacity is None):
            raise InputError(
                'needs "capacity" (of the whole pack) or "cell_capacity" (of one cell, times cells_in_parallel), one of the two',
                key="capacity",
            )
        if (self.mass is None) != (self.heat_loss is None):
            raise InputError('"mass" and "heat_loss" belong together: without them the pack stays at the temperature around it')
        if self.specific_heat is not None and self.mass is None:
            raise InputError('needs "mass" and "heat_loss" beside it', key="specific_heat")
        if self.relaxation is not None and len(self.relaxation) != 2:
            raise InputError("needs exactly two pairs of resistance and time_constant", key="relaxation")
        for k, pair in enumerate(self.relaxation or ()):
            if pair.time_constant < 1e-3:
                raise InputError(
                    "must be at least 1 ms: what settles sooner belongs to cell_resistance",
                    key=f"relaxation.{k}.time_constant", value=f"{pair.time_constant:g} s",
                )  # fmt: skip
        return self

    @property
    def pack_capacity_ah(self):
        """Rated capacity of the whole pack [Ah], however it is given."""
        return self.capacity if self.cell_capacity is None else self.cell_capacity * self.cells_in_parallel


class PackTable(FileModel):
    """One pack, or ``count`` equal ones named A1, A2, ..."""

    name: Name
    type: str
    count: Annotated[int, Field(ge=1, strict=True)] | None = None
    soc: fraction(0.0, 1.0) = 0.5
    hysteresis: fraction(-1.0, 1.0) = 0.0
    capacity_left: fraction(0.0, 2.0, above=True) | None = None
    resistance_growth: fraction(0.0, 100.0, above=True) | None = None
    state_of_health: fraction(0.0, 1.2, above=True) | None = None
    grade: str | None = None
    cell_capacity_scatter: fraction(0.0, 0.3) | None = None
    cell_below_full_scatter: fraction(0.0, 0.3) | None = None
    cell_seed: Annotated[int, Field(ge=0, strict=True)] = 0
    cell_capacities: list[fraction(0.0, 2.0, above=True)] | None = None
    cells_below_full: list[fraction(0.0, 0.5)] | None = None
    temperature: bank_temperature() | None = None
    device: DeviceTable | None = None
    bms: BMSTable | None = None
    written_out_from: str | None = None  # the entry with a count that this pack was one of; its cells scatter by that name

    @model_validator(mode="after")
    def _one_source(self):
        if self.state_of_health is not None and (self.capacity_left is not None or self.grade is not None):
            raise InputError('give "state_of_health", or "grade", or "capacity_left"; each states the capacity')
        if self.grade is not None:
            load_grade(self.grade)
        scattered = self.cell_capacity_scatter is not None or self.cell_below_full_scatter is not None
        if scattered and (self.cell_capacities is not None or self.cells_below_full is not None):
            raise InputError("give a scatter or the cells themselves, not both", key="cell_capacities")
        return self

    @property
    def present_capacity(self):
        """Present ÷ rated capacity: as given, by state of health, by grade, or 1."""
        grade = load_grade(self.grade).capacity[1] if self.grade else None
        return next(value for value in (self.capacity_left, self.state_of_health, grade, 1.0) if value is not None)

    @property
    def present_growth(self):
        """Present ÷ rated resistance, likewise."""
        by_health = growth_from_health(self.state_of_health) if self.state_of_health is not None else None
        grade = load_grade(self.grade).resistance[1] if self.grade else None
        return next(value for value in (self.resistance_growth, by_health, grade, 1.0) if value is not None)

    def cells(self, count, number):
        """Relative capacity and shortfall of each of ``count`` cells, for the ``number``-th of ``self.count`` packs."""
        for key in ("cell_capacities", "cells_below_full"):
            given = getattr(self, key)
            if given is not None and len(given) != count:
                raise InputError(
                    f"needs one value for each of the {count} cells in series", key=f"packs.{self.name}.{key}", value=len(given)
                )
        if self.cell_capacities is not None or self.cells_below_full is not None:
            return tuple(self.cell_capacities or [1.0] * count), tuple(self.cells_below_full or [0.0] * count)
        grade = load_grade(self.grade) if self.grade else None
        spread = self.cell_capacity_scatter if self.cell_capacity_scatter is not None else grade.cell_scatter[1] if grade else 0.0
        below = (
            self.cell_below_full_scatter if self.cell_below_full_scatter is not None else grade.below_full[1] if grade else 0.0
        )
        if spread == 0 and below == 0:
            return None, None
        name = self.written_out_from or self.name
        return scattered_cells(count, spread, below, [self.cell_seed, number, *name.encode()])


class BarTable(FileModel):
    """A pair of equal bus bars with a tap per unit; without it a bar has no resistance."""

    section: GaugeText | None = None
    pitch: Length | None = None
    segment_resistance: Resistance | None = None
    material: Literal["copper", "aluminium"] = "copper"
    take_off: fraction(0.0, 1.0) = 0.0
    take_off_negative: fraction(0.0, 1.0) | None = None
    insulation: Literal[tuple(INSULATIONS)] | None = None
    ampacity: quantity("ampere", above_zero=True) | None = None

    @model_validator(mode="after")
    def _whole(self):
        if self.segment_resistance is None and (self.section is None or self.pitch is None):
            raise InputError('needs "section" (such as "20 x 5 mm") and "pitch" (tap to tap), or "segment_resistance"')
        return self

    def bar(self, ambient_k):
        segment = Conductor(
            self.section,
            self.pitch or 0.0,
            self.material,
            joints=0,
            temperature_k=ambient_k,
            fixed_resistance_ohm=self.segment_resistance,
            insulation=self.insulation,
            ampacity_a=self.ampacity,
        )
        negative = self.take_off if self.take_off_negative is None else self.take_off_negative
        return Bar(segment, (self.take_off, negative))


class StringTable(FileModel):
    """Packs that share one lead (and device) to the distribution bus bar."""

    name: Name
    packs: Annotated[list[str], Field(min_length=1)]
    layout: LayoutName | None = None
    link: ConductorTable | None = None
    lead: ConductorTable | None = None
    device: DeviceTable | None = None


class DistributionTable(FileModel):
    """How strings are joined."""

    layout: LayoutName = "busbar"
    link: ConductorTable | None = None
    lead: ConductorTable | None = None
    bar: BarTable | None = None


class FreeConductor(ConductorTable):
    """A conductor of an explicit graph, between two named places; pack poles are "A+" and "A-"."""

    name: str | None = None
    from_: Annotated[str, Field(alias="from")]
    to: str


class WiringTable(FileModel):
    """How the packs are joined."""

    layout: Literal["chain", "chain-opposite", "chain-middle", "busbar", "graph"] = "chain"
    link: ConductorTable | None = None
    lead: ConductorTable | None = None
    leads: dict[str, ConductorTable] = Field(default_factory=dict)
    bar: BarTable | None = None
    strings: list[StringTable] = Field(default_factory=list)
    distribution: DistributionTable | None = None
    conductors: list[FreeConductor] = Field(default_factory=list)
    added: dict[str, Resistance] = Field(default_factory=dict)
    conductor_temperature: bank_temperature() | None = None
    spacing: Length = 0.1

    @model_validator(mode="before")
    @classmethod
    def _fill_leads(cls, data):
        """A pack's own lead takes what it does not say from the common lead."""
        if isinstance(data, dict) and isinstance(data.get("leads"), dict) and isinstance(data.get("lead"), dict):
            leads = {}
            for name, own in data["leads"].items():
                base = {} if isinstance(own, dict) and "resistance" in own else data["lead"]
                leads[name] = {**base, **own} if isinstance(own, dict) else own
            data = {**data, "leads": leads}
        return data


class PortTable(FileModel):
    """Where an inverter, charger or load connects: the layout's take-off, or two named places."""

    name: Name
    positive: str | None = None
    negative: str | None = None
    lead: ConductorTable | None = None
    device: DeviceTable | None = None
    inverter: InverterTable | None = None
    charger: ChargerTable | None = None


class StepTable(FileModel):
    """One step of a cycle: a rest, a discharge or a charge of one port."""

    rest: Literal[True] | None = None
    port: str | None = None
    discharge: Rate | None = None
    charge: Rate | None = None
    resistance: quantity("ohm", above_zero=True) | None = None
    hours: fraction(0.0, 1e6, above=True)
    voltage: quantity("volt", above_zero=True) | None = None
    tail: Rate | None = None
    cutoff: quantity("volt", above_zero=True) | None = None
    then: Literal["wait", "next"] = "wait"

    @model_validator(mode="after")
    def _one_thing(self):
        if sum(x is not None for x in (self.rest, self.discharge, self.charge, self.resistance)) != 1:
            raise InputError('needs exactly one of "rest = true", "discharge", "charge" and "resistance" (a resistive load)')
        if self.charge is None and (self.voltage is not None or self.tail is not None):
            raise InputError('"voltage" and "tail" belong to a charge; a discharge has "cutoff"')
        if self.charge is not None and self.cutoff is not None:
            raise InputError('"cutoff" belongs to a discharge; a charge has "voltage" and "tail"')
        if self.tail is not None and self.tail[0] == "w":
            raise InputError('must be a C-rate or a current, such as "0.02 C"', key="tail")
        return self


class CyclesDuty(FileModel):
    """Steps, repeated. ``c_rate`` replaces the rate of every step that is stated in C."""

    kind: Literal["cycles"]
    repeat: Annotated[int, Field(ge=1, le=100_000, strict=True)] = 1
    c_rate: fraction(0.0, 100.0, above=True) | None = None
    steps: Annotated[list[StepTable], Field(min_length=1)]


class ConstantDuty(StepTable):
    """One charge or discharge."""

    kind: Literal["constant"]
    c_rate: fraction(0.0, 100.0, above=True) | None = None


class TableDuty(FileModel):
    """Current or power over time from a CSV file (path from the scenario file's folder)."""

    kind: Literal["table"]
    file: str
    interpolation: Literal["hold", "linear"] = "hold"
    repeat: Annotated[int, Field(ge=1, le=100_000, strict=True)] = 1
    voltage: quantity("volt", above_zero=True) | None = None
    tail: Rate | None = None
    cutoff: quantity("volt", above_zero=True) | None = None


DUTIES = {"cycles": CyclesDuty, "constant": ConstantDuty, "table": TableDuty, "days": DaysDuty}


def _pick_duty(data):
    if not isinstance(data, dict):
        raise InputError('needs a table, such as [duty] with kind = "cycles"')
    kind = data.get("kind")
    if not isinstance(kind, str) or kind not in DUTIES:
        raise InputError(f"use one of {', '.join(DUTIES)}", key="kind", value=kind)
    return data


class RackTable(FileModel):
    """Packs that stand side by side and warm each other, in this order."""

    coupling: quantity("watt/kelvin", not_negative=True)
    order: list[str] | None = None


class ScenarioFile(FileModel):
    """The whole file."""

    name: Annotated[str, Field(min_length=1)]
    ambient: bank_temperature() = 298.15
    pack_types: Annotated[dict[str, PackType], Field(min_length=1)]
    packs: Annotated[list[PackTable], Field(min_length=1)]
    rack: RackTable | None = None
    wiring: WiringTable
    ports: Annotated[list[PortTable], Field(min_length=1)]
    switching: list[SwitchTable] = Field(default_factory=list)
    duty: Annotated[CyclesDuty | ConstantDuty | TableDuty | DaysDuty, Field(discriminator="kind"), BeforeValidator(_pick_duty)]

    @model_validator(mode="after")
    def _names(self):
        for k, pack in enumerate(self.packs):
            if pack.type not in self.pack_types:
                raise InputError(
                    f"no such pack type; {nearest(pack.type, self.pack_types)}", key=f"packs.{k}.type", value=pack.type
                )
        if sum(pack.count or 1 for pack in self.packs) > MAX_PACKS:
            raise InputError(f"at most {MAX_PACKS} packs in one bank", key="packs", value=sum(p.count or 1 for p in self.packs))
        taken = {}
        for key, kind, names in (
            ("packs", "a pack", [name for name, _ in self.each_pack()]),
            ("wiring.strings", "a string", [string.name for string in self.wiring.strings]),
            ("ports", "a port", [port.name for port in self.ports]),
        ):
            for name in names:
                if names.count(name) > 1:
                    raise InputError("two of them have this name; each needs its own", key=f"{key}.name", value=name)
                if name in taken:
                    raise InputError(
                        f"{taken[name]} has this name; packs, strings and ports each need a name of their own, by which their "
                        "leads and devices go",
                        key=f"{key}.name",
                        value=name,
                    )
                taken[name] = kind
        return self

    def each_pack(self):
        """(name, table) of every pack, with ``count`` written out."""
        for pack in self.packs:
            for k in range(pack.count or 1):
                yield (f"{pack.name}{k + 1}" if pack.count else pack.name), pack


def _own_bms(kind, table):
    """BMS of a pack: the keys of its own table over those of its type's; None if neither has one."""
    limits = table.bms if kind.bms is None else kind.bms.with_own(table.bms)
    try:
        return None if limits is None else limits.bms(kind.pack_capacity_ah)
    except InputError as error:  # limits of the two tables that contradict each other
        raise InputError(error.problem, key=f"packs.{table.name}.bms.{error.key}", value=error.value) from None


class Scenario:
    """A bank and what is asked of it, as read from a file.

    Attributes
    ----------
    name : str
    data : dict
        The file's contents, with changes applied.
    source : str or None
        Path of the file.
    files : dict
        Other files that it read, with hashes of their contents (see :func:`simbank.provenance.files_read`).
    """

    def __init__(self, data, source=None):
        self.data, self.source = data, source
        self.files = files_read(data, source)
        try:
            self._file = check(ScenarioFile, data, unions=("duty",))
            self.name = self._file.name
            self.bank = self._build_bank()
            self.duty = self._build_duty()
        except InputError as error:
            raise InputError(error.problem, file=error.file or source, key=error.key, value=error.value) from None

    def __repr__(self):
        return f"<Scenario {self.name!r}: {len(self.bank.packs)} packs, {self.bank.capacity_ah:g} Ah, {self._file.wiring.layout}>"

    @cached_property
    def layout(self):
        """Name of the layout by which the packs are joined."""
        return self._file.wiring.layout

    def _build_bank(self):
        file = self._file
        self._devices, self._places = [], []
        packs = []
        for number, (name, table) in enumerate(file.each_pack()):
            kind = file.pack_types[table.type]
            chemistry = load_chemistry(kind.chemistry)
            capacities, below = table.cells(kind.cells_in_series, number)
            pairs = tuple((p.resistance, p.time_constant) for p in kind.relaxation) if kind.relaxation else None
            packs.append(
                Pack(
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
                    rc_pairs=pairs,
                    cell_capacities=capacities,
                    cells_below_full=below,
                    temperature_k=table.temperature,
                    heat_capacity_j_k=(kind.mass or 0.0) * (kind.specific_heat or chemistry.specific_heat_j_kg_k),
                    heat_loss_w_k=kind.heat_loss or 0.0,
                    bms=_own_bms(kind, table),
                )
            )
        branches, terminals = [], {}
        for name, table in file.each_pack():
            outer = terminals[name] = (f"{name}+", f"{name}-")
            self._place(f"terminals of {name}", "pack", name, outer)
            if table.device is not None:
                terminals[name] = self._device(
                    name, table.device, (f"{name} inner+", f"{name} inner-"), outer, branches, "pack", facing=False
                )
                if table.device.rating is not None:
                    self._place(f"inside {name}", "inside", name, terminals[name])
        wired, take_off = self._wire([pack.name for pack in packs])
        branches += wired
        ports = {}
        for k, port in enumerate(file.ports):
            ends = (port.positive or take_off[0], port.negative or take_off[1])
            if None in ends:
                raise InputError('needs "positive" and "negative" (an explicit graph has no take-off)', key=f"ports.{k}")
            ports[port.name] = self._port(port, ends, branches)
        graph = Graph.build(self._with_added(branches), terminals, ports)
        neighbours = self._neighbours(list(terminals))
        self._check_masses(packs, neighbours)
        behaviours = {port.name: self._behaviour(port, packs) for port in file.ports if port.inverter or port.charger}
        known = [*terminals, *(device.name for device in self._devices)]
        for k, order in enumerate(file.switching):
            if order.what not in known:
                raise InputError(
                    f"no such pack or device; {nearest(order.what, known)}", key=f"switching.{k}.what", value=order.what
                )
        switching = tuple(Switching(order.at, order.what, order.close) for order in file.switching)
        return Bank(
            file.name, tuple(packs), graph, file.ambient, neighbours, tuple(self._devices), behaviours, switching,
            tuple(self._places), file.wiring.spacing,
            {string.name: tuple(string.packs) for string in file.wiring.strings},
        )  # fmt: skip

    def _place(self, name, kind, owner, ends):
        self._places.append(Place(name, kind, owner, *ends))

    def _device(self, owner, table, inner, outer, branches, role, facing=True, in_series=()):
        """Add a device in line with one pole, or one with each; one with a rating can open and goes by the name of its branch.

        ``inner`` and ``outer`` are pairs of nodes. Returns the pair that now stands for the side that the device was put at:
        the outer one if ``facing`` (a string, a port), the inner one of a pack.
        """
        ends = list(inner if facing else outer)
        for pole, sign in ((0, ""), (1, " -")):
            if table.pole not in (("positive", "both"), ("negative", "both"))[pole]:
                continue
            name = f"device {owner}{sign}"
            branches.append(Branch(name, "device", inner[pole], outer[pole], table.resistance, None, owner, role, "+-"[pole]))
            ends[pole] = outer[pole] if facing else inner[pole]
            if table.rating is not None:
                series = tuple(branch for branch in in_series if branch.endswith("+" if pole else "-"))
                self._devices.append(table.device(name, owner, ("positive", "negative")[pole], series))
        return tuple(ends)

    def _with_added(self, branches):
        """Branches with the extra resistance that ``wiring.added`` gives some of them, such as a bad joint."""
        added, names = self._file.wiring.added, [branch.name for branch in branches]
        for name in added:
            if name not in names:
                raise InputError(f"no such branch; {nearest(name, names)}", key="wiring.added", value=name)
        return [replace(b, resistance_ohm=b.resistance_ohm + added[b.name]) if b.name in added else b for b in branches]

    def _behaviour(self, port, packs):
        """(Inverter or None, Charger or None) of a port."""
        charge_volt, cutoff_volt = _pack_volts(packs)
        inverter = charger = None
        if port.inverter is not None:
            inverter = port.inverter.inverter(cutoff_volt)
        if port.charger is not None:
            try:
                rest_volt = min(
                    pack.cells_in_series * float(pack.chemistry.ocv(REBULK_SOC) - pack.chemistry.half_width(REBULK_SOC))
                    for pack in packs
                )
                charger = port.charger.charger(
                    sum(pack.capacity_ah for pack in packs), charge_volt, [pack.name for pack in packs], rest_volt
                )
            except InputError as error:
                raise InputError(error.problem, key=f"ports.{port.name}.charger.{error.key}", value=error.value) from None
        return inverter, charger

    def _check_masses(self, packs, neighbours):
        """Refuse a pack so light that its temperature could not be followed."""
        for k, ((_, table), pack) in enumerate(zip(self._file.each_pack(), packs, strict=True)):
            kind = self._file.pack_types[table.type]
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

    def _neighbours(self, names):
        """Heat conductance between packs that stand side by side [W/K], shape (n, n), or None."""
        rack = self._file.rack
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

    def _port(self, port, ends, branches):
        """Add a port's leads and device; return the nodes at its own end."""
        leads = (f"lead {port.name} +", f"lead {port.name} -")
        self._place(f"take-off of {port.name}", "take-off", port.name, ends)
        if port.device is not None:
            fused = (f"{port.name} fused+", f"{port.name} fused-")
            ends = self._device(port.name, port.device, ends, fused, branches, "port", in_series=leads)
        positive, negative = ends
        self._place(f"port {port.name}", "port", port.name, (f"{port.name}+", f"{port.name}-") if port.lead else ends)
        if port.lead is not None:
            lead = port.lead.conductor(self._conductor_k)
            for sign, node in (("+", positive), ("-", negative)):
                end = f"{port.name}{sign}"
                branches.append(
                    Branch(f"lead {port.name} {sign}", "lead", node, end, lead.resistance_ohm, lead, port.name, "port", sign)
                )
            return f"{port.name}+", f"{port.name}-"
        return positive, negative

    @property
    def _conductor_k(self):
        return self._file.wiring.conductor_temperature or self._file.ambient

    def _parts(self, link, lead, bar, leads=(), prefix=""):
        k = self._conductor_k
        return Parts(
            link=link and link.conductor(k),
            lead=lead and lead.conductor(k),
            leads={name: own.conductor(k) for name, own in dict(leads).items()},
            bar=bar.bar(k) if bar else Bar(),
            prefix=prefix,
        )

    def _wire(self, names):
        """Branches and take-off of the whole wiring."""
        wiring = self._file.wiring
        for key in wiring.leads:
            if key not in names:
                raise InputError(f"no such pack; {nearest(key, names)}", key="wiring.leads", value=key)
        if wiring.layout == "graph":
            return self._wire_graph()
        if wiring.conductors:
            raise InputError('own conductors need layout = "graph"', key="wiring.conductors")
        units = {name: (name, f"{name}+", f"{name}-") for name in names}
        if not wiring.strings:
            if wiring.distribution is not None:
                raise InputError("a distribution joins strings; there are none in wiring.strings", key="wiring.distribution")
            self._bar_places("", wiring.layout, names, wiring.bar)
            return join(wiring.layout, list(units.values()), self._parts(wiring.link, wiring.lead, wiring.bar, wiring.leads))
        branches, string_units, used = [], [], []
        spread = wiring.distribution or DistributionTable()
        for k, string in enumerate(wiring.strings):
            for name in string.packs:
                if name not in units:
                    raise InputError(f"no such pack; {nearest(name, names)}", key=f"wiring.strings.{k}.packs", value=name)
                used.append(name)
            parts = self._parts(string.link or wiring.link, wiring.lead, wiring.bar, wiring.leads, f"{string.name} ")
            inner, (positive, negative) = join(string.layout or wiring.layout, [units[name] for name in string.packs], parts)
            branches += inner
            self._bar_places(f"{string.name} ", string.layout or wiring.layout, string.packs, wiring.bar)
            self._place(f"string {string.name}", "string", string.name, (positive, negative))
            ends = (positive, negative)
            if string.device is not None:
                fused = (f"{string.name} fused+", f"{string.name} fused-")
                leads = (f"lead {string.name} +", f"lead {string.name} -")
                ends = self._device(string.name, string.device, ends, fused, branches, "string", in_series=leads)
            string_units.append((string.name, *ends))
        for name in names:
            if used.count(name) != 1:
                problem = "isolated: it is in no string" if name not in used else "is in two strings"
                raise InputError(problem, key="wiring.strings", value=name)
        own = {string.name: string.lead for string in wiring.strings if string.lead is not None}
        self._bar_places("main ", spread.layout, [unit[0] for unit in string_units], spread.bar)
        outer, take_off = join(spread.layout, string_units, self._parts(spread.link, spread.lead, spread.bar, own, "main "))
        return branches + outer, take_off

    def _bar_places(self, prefix, layout, units, bar):
        """Name the taps of a bus bar; a bar without resistance is one place."""
        if layout != "busbar":
            return
        for k, unit in enumerate(units, 1):
            number = k if bar is not None else ""
            name = f"{prefix}bus bar" + (f" at {unit}" if bar is not None else "")
            self._place(name, "bar", unit, (f"{prefix}bus+{number}", f"{prefix}bus-{number}"))
            if bar is None:
                return

    def _wire_graph(self):
        wiring = self._file.wiring
        if wiring.strings or wiring.distribution:
            raise InputError('layout "graph" takes only conductors', key="wiring.strings")
        if not wiring.conductors and len(list(self._file.each_pack())) > 1:
            raise InputError(
                'layout "graph" needs conductors, such as { from = "A+", to = "B+", gauge = "2 AWG", length = "30 cm" }',
                key="wiring.conductors",
            )
        branches = []
        for k, table in enumerate(wiring.conductors):
            conductor = table.conductor(self._conductor_k)
            name = table.name or f"conductor {k + 1} {table.from_} to {table.to}"
            branches.append(Branch(name, "conductor", table.from_, table.to, conductor.resistance_ohm, conductor))
        return branches, (None, None)

    # ---- duty ----

    def _amperes(self, rate, c_rate=None):
        """(kind, value) of a rate, in A or W."""
        kind, value = rate
        if kind == "c":
            return "current", (c_rate or value) * self.bank.capacity_ah
        return ("current" if kind == "a" else "power"), value

    def _limits(self, table):
        default = _pack_volts(self.bank.packs)
        voltage = getattr(table, "voltage", None) or default[0]
        cutoff = getattr(table, "cutoff", None) or default[1]
        if cutoff >= voltage:
            raise InputError(f"must be below the charge voltage of {voltage:g} V", key="duty.cutoff", value=f"{cutoff:g} V")
        tail = self._amperes(table.tail)[1] if getattr(table, "tail", None) else 0.0
        return {"volt_limit": voltage, "tail_a": tail, "cutoff_volt": cutoff}

    def _build_duty(self):
        duty, names = self._file.duty, [port.name for port in self._file.ports]
        if isinstance(duty, TableDuty):
            path = Path(self.source).parent / duty.file if self.source else Path(duty.file)
            limits = self._limits(duty)
            steps = table_steps(path, names, duty.interpolation, limits, self._idle_ports())
            steps = (self._through_inverters(step, path, limits) for step in steps)
            return Duty(tuple(self._with_idle(step, limits) for step in steps), duty.repeat)
        if isinstance(duty, DaysDuty):
            return self._days(duty, names)
        if isinstance(duty, ConstantDuty):
            return Duty((self._step(duty, "duty", names, duty.c_rate),))
        steps = tuple(self._step(step, f"duty.steps.{k}", names, duty.c_rate) for k, step in enumerate(duty.steps))
        return Duty(steps, duty.repeat)

    def _command(self, port, kind, value, limits):
        """A command at a port; power at a port with an inverter is AC power and becomes what the bank must give."""
        inverter = self.bank.behaviours.get(port, (None, None))[0]
        if inverter is not None and inverter.cutoff_volt is not None:
            limits = limits | {"cutoff_volt": inverter.cutoff_volt}
        if inverter is None or kind != "power" or value < 0:
            return Command(kind, value, **limits)
        drawn = float(inverter.dc_power(value))
        served = min(value, inverter.rated_w)
        return Command("power", drawn, **limits, ac_asked_w=value, ac_ratio=served / drawn if drawn > 0 else 0.0)

    def _through_inverters(self, step, path, limits):
        """A step of a table with AC powers turned into what the bank must give; a row of 0 W draws the inverter's idle power, one of
        0 A is a current of none."""
        commands = {}
        for port, command in step.commands.items():
            if self.bank.behaviours.get(port, (None, None))[0] is not None and command.kind == "power":
                if command.slope:
                    raise InputError(
                        'power at a port with an inverter needs interpolation = "hold"', file=path, key="duty.interpolation"
                    )
                command = self._command(port, "power", command.value, limits)
            commands[port] = command
        return Step(step.duration_s, commands, step.ends_early)

    def _idle_ports(self):
        """Ports whose inverter draws something when nothing is asked of it."""
        return [port for port, (inverter, _) in self.bank.behaviours.items() if inverter is not None and inverter.idle_w > 0]

    def _with_idle(self, step, limits):
        """The step with 0 W asked of every inverter of which it says nothing: one that is on draws its idle power, whatever the form
        of the duty, also while the bank rests or another port works."""
        idle = {port: self._command(port, "power", 0.0, limits) for port in self._idle_ports() if port not in step.commands}
        return replace(step, commands=step.commands | idle) if idle else step

    def _days(self, duty, names):
        """Sun and load at equal steps; several at one port add up, sun as charge and load as discharge."""
        from simbank import days  # which loads pandas

        begin, end, length = days.time_span(duty.start, duty.days, duty.step, duty.timezone)
        limits = self._limits(duty)
        folder = Path(self.source).parent if self.source else Path()
        asked = []
        for key, sign in (("sun", -1.0), ("load", 1.0)):
            for k, table in enumerate(getattr(duty, key)):
                where = f"duty.{key}.{k}"
                port = table.port or names[0]
                if port not in names:
                    raise InputError(f"no such port; {nearest(port, names)}", key=f"{where}.port", value=port)
                try:
                    power = self._day_power(key, table, duty, begin, end, folder)
                except InputError as error:
                    key_in_file = error.key if error.file else f"{where}.{error.key}"
                    raise InputError(error.problem, file=error.file, key=key_in_file, value=error.value) from None
                asked.append((port, sign, power))
        if not asked:
            raise InputError('needs "sun", "load" or both', key="duty")
        active = dict.fromkeys([*(port for port, _, _ in asked), *self._idle_ports()])

        def make():
            powers = [(port, sign, power()) for port, sign, power in asked]
            for first_day, index in days.windows(duty.start, duty.days, duty.step, duty.timezone):
                total = {port: np.zeros(len(index)) for port in active}
                for port, sign, power in powers:
                    total[port] += sign * power(index, first_day)
                yield Window({port: self._samples(port, power, limits) for port, power in total.items()}, len(index))

        return SampledDuty(duty.step, length, make)

    def _samples(self, port, power, limits):
        """Powers at equal steps; at a port with an inverter those above zero are AC powers, as in :meth:`_command`."""
        starts = np.flatnonzero(np.diff(power, prepend=np.nan) != 0)
        value = np.asarray(power, float)[starts]
        asked, ratio = np.zeros(len(value)), np.zeros(len(value))
        inverter = self.bank.behaviours.get(port, (None, None))[0]
        if inverter is not None:
            if inverter.cutoff_volt is not None:
                limits = limits | {"cutoff_volt": inverter.cutoff_volt}
            drawn = np.where(value >= 0, inverter.dc_power(np.maximum(value, 0.0)), value)
            asked = np.maximum(value, 0.0)
            with np.errstate(divide="ignore", invalid="ignore"):
                ratio = np.where(drawn > 0, np.minimum(asked, inverter.rated_w) / drawn, 0.0)
            value = drawn
        return Samples(starts, value, asked, ratio, limits)

    def _day_power(self, key, table, duty, begin, end, folder):
        """A function that begins a series of powers anew: it returns one from (index, first_day) to power [W]. A table is read now,
        so that what is wrong with it is said when the file is loaded."""
        from simbank import days

        if table.file is not None:
            read = days.TimedTable(folder / table.file, begin, end, duty.step, duty.timezone)
            return lambda: read
        count = days.local_days(duty.start, duty.days)
        if key == "load":
            shape = table.shape or days.HOUSEHOLD_SHAPE
            return lambda: days.DailyLoad(table.energy_per_day, shape, table.seed, table.spread, count)
        place = days.Array(
            table.latitude, table.longitude, table.tilt, table.azimuth, table.peak_power, table.losses, table.altitude_m
        )

        def sun():
            clouds = None
            if table.weather_seed is not None:
                clouds = days.Weather(table.weather_seed, table.weather_mean, count, duty.step)

            def power(index, first_day):
                clear = days.clear_sky_power(place, index)
                return clear if clouds is None else clear * clouds(index, first_day)

            return power

        return sun

    def _step(self, step, key, names, c_rate):
        seconds, limits = step.hours * 3600.0, self._limits(step)
        if step.rest:
            return self._with_idle(Step(seconds), limits)
        port = step.port or names[0]
        if port not in names:
            raise InputError(f"no such port; {nearest(port, names)}", key=f"{key}.port", value=port)
        if step.resistance is not None:
            command = self._command(port, "resistance", step.resistance, limits)
        else:
            kind, value = self._amperes(step.discharge or step.charge, c_rate)
            command = self._command(port, kind, value if step.discharge else -value, limits)
        return self._with_idle(Step(seconds, {port: command}, step.then == "next"), limits)


def _pack_volts(packs):
    """Charge voltage and cut-off voltage that suit all packs [V]."""
    charge = min(p.chemistry.charge_volt * p.cells_in_series for p in packs)
    return charge, max(p.chemistry.cutoff_volt * p.cells_in_series for p in packs)


def load(path, changes=None):
    """Scenario from a TOML file, with dotted keys changed.

    Parameters
    ----------
    path : path-like
    changes : dict, optional
        Dotted key → value, as in :func:`with_changes`.

    Raises
    ------
    InputError
        One line that names the file, the key, the value and what would be right.
    """
    data = read_toml(path)
    return from_dict(data, changes, source=str(path))


_ADDED = "wiring.added.*"


def from_dict(data, changes=None, source=None):
    """Scenario from a dict of the file's form; see :func:`load`."""
    changes = changes or {}
    try:
        if _ADDED in changes:  # the names of branches are known once the rest is built
            rest = {key: value for key, value in changes.items() if key != _ADDED}
            data = changed(data, rest)
            every = dict.fromkeys(joint_branches(Scenario(data, source).bank), changes[_ADDED])
            data["wiring"]["added"] = data["wiring"].get("added", {}) | every
            changes = {key: value for key, value in rest.items() if key.startswith("wiring.added")}
        data = changed(data, changes)
    except InputError as error:
        raise InputError(error.problem, file=error.file or source, key=error.key, value=error.value) from None
    return Scenario(data, source)


def joint_branches(bank):
    """Names of the branches that ``wiring.added.*`` stands for: every link, lead and conductor."""
    return [branch.name for branch in bank.graph.branches if branch.kind in ("link", "lead", "conductor")]


def with_changes(scenario, changes):
    """The same scenario with dotted keys changed, such as ``{"wiring.link.gauge": "2/0 AWG", "packs.A.soc": 0.3}``.

    A list's entries go by their ``name`` or by number from 0. A pack of an entry with ``count`` goes by its own name
    (``packs.P3.soc``), all of them by the entry's (``packs.P.soc``). ``*`` stands for every name: ``packs.*.soc``,
    ``pack_types.*.capacity``, ``wiring.added.*``.
    """
    return from_dict(scenario.data, changes, scenario.source)


def changed(data, changes):
    """A deep copy of ``data`` with dotted keys set.

    An entry of ``packs`` with ``count`` is written out as single packs if one of them is named; a count is set before that. What
    is said of one name goes before what ``*`` says of all.
    """
    data = copy.deepcopy(data)
    for dotted in sorted(changes, key=_precedence):
        *path, last = dotted.split(".")
        places: list[Any] = [data]
        for depth, part in enumerate(path):
            so_far = ".".join(path[: depth + 1])
            places = [inner for place in places for inner in _enter(place, part, so_far)]
        for place in places:
            _put(place, last, copy.deepcopy(changes[dotted]), dotted)
    if changes:
        refuse_deep(data)
    return data


def _precedence(dotted):
    """Counts are set first, then what is said of all, then the rest in its order."""
    parts = dotted.split(".")
    return (parts[-1] != "count", "*" not in parts)


def _put(place, last, value, dotted):
    if isinstance(place, list):
        if dotted.startswith("packs."):
            _write_out(place, last)
        for k in _indices(place, last, dotted):
            place[k] = value
    elif isinstance(place, dict) and last == "*":
        for name in place:
            place[name] = value
    elif isinstance(place, dict):
        if last == "count" and "written_out_from" in place:
            raise InputError("its packs have been named singly already; set the count first", key=dotted, value=value)
        place[last] = value
    else:
        raise InputError("leads into a plain value, not a table", key=dotted)


def _enter(place, part, so_far):
    """The tables that a part of a dotted key leads into."""
    if isinstance(place, list):
        if so_far.startswith("packs."):
            _write_out(place, part)
        return [place[k] for k in _indices(place, part, so_far)]
    if not isinstance(place, dict):
        raise InputError("leads into a plain value, not a table", key=so_far)
    return list(place.values()) if part == "*" else [place.setdefault(part, {})]


def _write_out(packs, name):
    """Replace the entry with a count that has a pack of this name by single packs; their cells scatter as before."""
    for k, table in enumerate(packs):
        count = table.get("count") if isinstance(table, dict) else None
        if not isinstance(count, int) or isinstance(count, bool) or not 1 <= count <= MAX_PACKS:
            continue
        entry = str(table.get("name"))
        if name not in (f"{entry}{number}" for number in range(1, count + 1)):
            continue
        rest = {key: value for key, value in table.items() if key not in ("count", "name")}
        packs[k : k + 1] = [
            {"name": f"{entry}{number}", **copy.deepcopy(rest), "written_out_from": entry} for number in range(1, count + 1)
        ]
        return


def _indices(items, part, dotted):
    """Numbers of the entries that a part of a dotted key means; packs written out from one entry count as one in the file."""
    if part == "*":
        return range(len(items))
    names = [item.get("name") if isinstance(item, dict) else None for item in items]
    if part in names:
        return [names.index(part)]
    entries: dict[Any, list[int]] = {}
    for k, item in enumerate(items):
        entry = item.get("written_out_from") if isinstance(item, dict) else None
        entries.setdefault(k if entry is None else (entry,), []).append(k)
    if (part,) in entries:
        return entries[(part,)]
    if part.isascii() and part.isdigit() and int(part) < len(entries):
        return list(entries.values())[int(part)]
    known = [name for name in names if name] or range(len(items))
    raise InputError(f"no such entry; {nearest(part, known)}", key=dotted)


def json_schema():
    """JSON Schema of the scenario file."""
    return ScenarioFile.model_json_schema()

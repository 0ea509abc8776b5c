"""Schema of a scenario file: packs, wiring, ports, and the file as a whole."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, ConfigDict, Field, WithJsonSchema, model_validator

from simbank.bank import LAYOUTS, Bar, Conductor, Gauge, parse_gauge
from simbank.bank.ageing import growth_from_health, load_grade, scattered_cells
from simbank.bank.ampacity import INSULATIONS
from simbank.bank.bank import MAX_PACKS
from simbank.cells import load_chemistry
from simbank.errors import InputError
from simbank.filemodel import FileModel, bank_temperature, fraction, nearest, quantity
from simbank.scenario.duty_schema import ConstantDuty, CyclesDuty, DaysDuty, TableDuty, pick_duty
from simbank.scenario.equipment_schema import BMSTable, ChargerTable, DeviceTable, InverterTable, Resistance, SwitchTable

__all__ = ["DistributionTable", "ScenarioFile", "json_schema"]

GaugeText = Annotated[
    Gauge,
    BeforeValidator(parse_gauge),
    WithJsonSchema(
        {"type": "string", "description": "a conductor size", "examples": ["2 AWG", "4/0 AWG", "35 mm2", "20 x 5 mm"]}
    ),
]
LayoutName = Literal[tuple(LAYOUTS)]
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

    layout: Literal[(*LAYOUTS, "graph")] = "chain"
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
    duty: Annotated[CyclesDuty | ConstantDuty | TableDuty | DaysDuty, Field(discriminator="kind"), BeforeValidator(pick_duty)]

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


def json_schema():
    """JSON Schema of the scenario file."""
    return ScenarioFile.model_json_schema()

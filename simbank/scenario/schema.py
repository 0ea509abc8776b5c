"""Schema of a scenario file: packs, wiring, ports, and the file as a whole."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from pathlib import PurePath
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, ConfigDict, Field, WithJsonSchema, WrapValidator, model_validator

from simbank.bank import LAYOUTS, Bar, Conductor, Gauge, parse_gauge
from simbank.bank.ageing import growth_from_health, load_grade, scattered_cells
from simbank.bank.ampacity import INSULATIONS
from simbank.bank.assumed import assumed
from simbank.bank.bank import MAX_PACKS
from simbank.cells import Chemistry, ChemistryTable, library
from simbank.distributions import Draw
from simbank.duty import Duty
from simbank.errors import InputError
from simbank.filemodel import FileModel, bank_temperature, entries_exact, fraction, nearest, quantity
from simbank.scenario.display_schema import DisplayTable
from simbank.scenario.duty_schema import ConstantDuty, CyclesDuty, DaysDuty, TableDuty, pick_duty
from simbank.scenario.equipment_schema import BMSTable, ChargerTable, DeviceTable, InverterTable, Resistance, SwitchTable
from simbank.scenario.seasons_schema import SeasonsTable

__all__ = ["DistributionTable", "ScenarioFile", "json_schema"]

GaugeText = Annotated[
    Gauge,
    BeforeValidator(parse_gauge),
    WithJsonSchema(
        {
            "type": "string",
            "description": "a conductor size",
            "x-takes": "a conductor size",
            "examples": ["2 AWG", "4/0 AWG", "35 mm2", "20 x 5 mm"],
        }
    ),
]


def _layout_name(*more):
    """A name of a layout, one that was registered later among them; ``more`` are names besides."""

    def read(name):
        known = [*LAYOUTS, *more]
        if not isinstance(name, str) or name not in known:
            *first, last = map(repr, known)
            raise InputError(f"must be {', '.join(first)} or {last}", value=name)
        return name

    return Annotated[str, BeforeValidator(read), WithJsonSchema({"enum": [*LAYOUTS, *more], "type": "string"})]


LayoutName = _layout_name()


def _object_or_table(kind):
    """A validator that lets through an object of this kind, where a program puts one in place of a table."""

    def read(value, table):
        return value if isinstance(value, kind) else table(value)

    return read


LAYOUT_WORDS = "; ".join([f"`{kind.name}`: {kind.summary}" for kind in LAYOUTS.values()] + ["`graph`: conductors of its own"])
LEAST_CAPACITY_AH = (
    0.1  # of a pack, as a button cell holds; common practice, no source. In far less, equations are too stiff to finish
)
Count = Annotated[int, Field(ge=1, le=1000, strict=True)]


def _not_blank(name):
    if isinstance(name, str) and name.strip() in ("", "*"):
        raise InputError('needs a name that is not blank and not "*", which stands for every name')
    return _one_line(name)


def _one_line(text):
    """A name or title, refused if it is longer than any table is wide or moves what stands around it."""
    if not isinstance(text, str):
        return text
    if len(text) > MOST_LETTERS:
        raise InputError(f"has {len(text)} letters; a name or title may have {MOST_LETTERS}")
    plain = text.isascii() and text.isprintable()
    if not plain and any(unicodedata.category(letter) in UNSHOWN or letter in TURNS for letter in text):
        raise InputError(
            "must be one line, without control characters or marks that turn the direction of writing", value=ascii(text)[1:-1]
        )
    return text


MOST_LETTERS = 300  # of a name or title
UNSHOWN = ("Cc", "Cs", "Zl", "Zp")  # general categories of Unicode: controls, halves of pairs, line and paragraph ends
TURNS = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")  # Bidi_Control of Unicode, UAX #9
Name = Annotated[str, Field(min_length=1), BeforeValidator(_not_blank)]
AddedResistance = quantity("ohm", least=-1e3, most=1e3, hint="; a connection of more is an open circuit: leave it out")
Length = quantity("m", above_zero=True, most=1e4)


class ConductorTable(FileModel):
    """A cable or bar: gauge and length, or its resistance; and the joint at each end."""

    gauge: GaugeText | None = Field(
        None,
        description='`"2 AWG"`, `"4/0 AWG"`, `"250 kcmil"`, `"35 mm2"` (IEC 60228) or a bar `"20 x 5 mm"`; with `length`, or give '
        "`resistance`",
    )
    length: Length | None = Field(None, description="of one polarity")
    resistance: Resistance | None = Field(
        None, description="measured, without joints, at its temperature, instead of gauge and length"
    )
    material: Literal["copper", "aluminium"] = Field("copper", description="of the metal")
    construction: Literal["solid", "stranded", "flexible"] | None = Field(
        None,
        description="by default bars are solid, AWG stranded, metric copper flexible and metric aluminium stranded",
    )
    joint: Resistance = Field(0.0, description="of each of its two joints")
    temperature: bank_temperature() | None = Field(
        None,
        description="of the metal; by default `wiring.conductor_temperature`",
    )
    insulation: Literal[tuple(INSULATIONS)] | None = Field(
        None,
        description="for `protect` and `size`, with the temperature that it stands",
    )
    loaded: Annotated[int, Field(ge=1, le=1000, strict=True)] = Field(
        2,
        description="loaded conductors bundled together",
    )
    ampacity: quantity("ampere", above_zero=True) | None = Field(
        None,
        description="from its maker's sheet, instead of the table's",
    )

    @model_validator(mode="after")
    def _whole(self):
        if self.resistance is not None and self.gauge is not None:
            raise InputError('give either "gauge" with "length", or "resistance", not both')
        if self.resistance is None and (self.gauge is None or self.length is None):
            raise InputError('needs "gauge" and "length", such as { gauge = "2 AWG", length = "30 cm" }, or "resistance"')
        if self.gauge is not None:
            self.conductor(298.15).resistance_ohm  # noqa: B018  (a size not made in this construction is an error here)
        return self

    def conductor(self, ambient_k: float, joints: int = 2) -> Conductor:
        """The conductor that it describes, at ``ambient_k`` [K] if it has no temperature of its own."""
        return Conductor(
            self.gauge, self.length or 0.0, self.material, self.construction, self.joint, joints,
            self.temperature or ambient_k, self.resistance, self.insulation, self.loaded, self.ampacity, self.joint_draw,
        )  # fmt: skip

    @property
    def joint_draw(self) -> Draw | None:
        """How well the resistance of its joints is known: as the file says, else by what is seen where it says nothing of them."""
        return self.how_known.get("joint") if "joint" in self.model_fields_set else assumed().joint.draw


class RCTable(FileModel):
    """A relaxation of one cell."""

    resistance: quantity("ohm", not_negative=True, most=1e3) = Field(description="of the pair")
    time_constant: quantity("second", above_zero=True) = Field(
        description="at least 1 ms: what settles sooner belongs to `cell_resistance`",
    )


class PackType(FileModel):
    """What packs of one make have in common; their capacity is given by the pack or by the cell."""

    model_config = ConfigDict(json_schema_extra={"oneOf": [{"required": ["capacity"]}, {"required": ["cell_capacity"]}]})

    chemistry: str = Field(
        "lfp",
        description="name in the library (`simbank cell list`; a file added to `simbank/cells/library/` is known by its name), NAME of "
        "one of `chemistries`, or path of a chemistry file (.toml), counted from this file",
    )
    cells_in_series: Count = Field(16, description="cells in series")
    cells_in_parallel: Count = Field(1, description="cells side by side at each place of the series")
    capacity: quantity("ampere_hour", above_zero=True, most=1e6) | None = Field(None, description="of the whole pack as new")
    cell_capacity: quantity("ampere_hour", above_zero=True) | None = Field(
        None,
        description="of one cell as new; times `cells_in_parallel` it is the pack's",
    )
    cell_resistance: quantity("ohm", above_zero=True, most=1e3) = Field(
        description="ohmic R0 of one cell as new, at the chemistry's reference temperature",
    )
    internal_wiring: quantity("ohm", not_negative=True, most=1e3) = Field(
        0.0,
        description="cell links, BMS switch and terminals of the pack together",
    )
    relaxation: list[RCTable] | None = Field(
        None,
        description="two pairs of one cell as new; by default the chemistry's ratios to `cell_resistance`",
    )
    mass: quantity("kilogram", above_zero=True) | None = Field(
        None,
        description="of the whole pack; with `heat_loss` it has a temperature of its own. So large that it can be followed: 0.1 "
        "J/K for each Wh, ten seconds to level. Without it the pack stays at its `temperature` if that is given, else at that of "
        "the air, and heat that its neighbours give it goes there too",
    )
    specific_heat: quantity("joule/kilogram/kelvin", above_zero=True) | None = Field(
        None,
        description="of the whole pack; by default the chemistry's",
    )
    heat_loss: quantity("watt/kelvin", not_negative=True) | None = Field(
        None,
        description="from the pack to the air around it",
    )
    bms: BMSTable | None = Field(None, description="its own electronics")
    display: DisplayTable | None = Field(None, description="what its BMS shows")
    self_discharge: fraction(0.0, 1.0) = Field(
        0.0,
        description="share of its present capacity that a pack loses by itself in 30 days, until it is empty; LFP 0.01 to 0.03, "
        "flooded lead-acid 0.03 to 0.15 (common practice, no source)",
    )

    @model_validator(mode="after")
    def _sound(self):
        if (self.capacity is None) == (self.cell_capacity is None):
            raise InputError(
                'needs "capacity" (of the whole pack) or "cell_capacity" (of one cell, times cells_in_parallel), one of the two',
                key="capacity",
            )
        if self.pack_capacity_ah < LEAST_CAPACITY_AH:
            raise InputError(
                f"a pack must hold at least {LEAST_CAPACITY_AH:g} Ah",
                key="capacity" if self.cell_capacity is None else "cell_capacity", value=f"{self.pack_capacity_ah:g} Ah",
            )  # fmt: skip
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
    def wiring_left_out(self) -> bool:
        """Whether it says nothing of the wiring inside its packs."""
        return "internal_wiring" not in self.model_fields_set

    @property
    def pack_capacity_ah(self) -> float:
        """Rated capacity of the whole pack [Ah], however it is given."""
        return self.capacity if self.cell_capacity is None else self.cell_capacity * self.cells_in_parallel


class PackTable(FileModel):
    """One pack, or ``count`` equal ones."""

    name: Name = Field(description="its leads and devices go by it")
    type: str = Field(description="NAME of one of `pack_types`")
    count: Annotated[int, Field(ge=1, strict=True)] | None = Field(
        None,
        description="so many equal ones, named A1, A2, …: as a key each goes by its own name (`packs.A3.soc`), all by the entry's "
        "(`packs.A.soc`)",
    )
    soc: fraction(0.0, 1.0) = Field(0.5, description="state of charge at the start")
    hysteresis: fraction(-1.0, 1.0) = Field(
        0.0,
        description="its state at the start: −1 came off discharge, 1 off charge",
    )
    capacity_left: fraction(0.0, 2.0, above=True) | None = Field(
        None,
        description="present ÷ rated capacity; alone it leaves the resistance as new, while `state_of_health` raises the resistance with it; "
        "by default what `state_of_health` or `grade` states, else 1",
        json_schema_extra={"x-default": 1},
    )
    resistance_growth: fraction(0.0, 100.0, above=True) | None = Field(
        None,
        description="present ÷ rated resistance of the cells; by default what `state_of_health` or `grade` states, else 1",
        json_schema_extra={"x-default": 1},
    )
    resistance_at_posts: quantity("ohm", above_zero=True, most=1e3) | None = Field(
        None,
        description="present ohmic resistance of the whole pack as measured at its posts, `internal_wiring` in it, its `device` not: ΔV/ΔI "
        "within a second or two of a step of current (`simbank cell ohm`), at half charge and the chemistry's reference temperature unless "
        "the next two keys say otherwise. It replaces `cell_resistance` times growth: what `internal_wiring` leaves of it is the cells'",
    )
    measured_at_soc: fraction(0.0, 1.0) = Field(0.5, description="state of charge at which `resistance_at_posts` was measured")
    measured_at_temperature: bank_temperature() | None = Field(
        None,
        description="of the pack when `resistance_at_posts` was measured; by default the chemistry's reference temperature",
    )
    state_of_health: fraction(0.0, 1.2, above=True) | None = Field(
        None,
        description="capacity left; resistance grows with it, to twice at 0.8",
    )
    grade: str | None = Field(None, description="`A`, `B` or `used`: typical values of `simbank/bank/grades.toml`")
    cell_capacity_scatter: fraction(0.0, 0.3) | None = Field(
        None,
        description="standard deviation among the capacities of its cells, as a fraction",
    )
    cell_below_full_scatter: fraction(0.0, 0.3) | None = Field(
        None,
        description="standard deviation of how far its cells are from full when its first cell is full",
    )
    cell_seed: Annotated[int, Field(ge=0, strict=True)] = Field(0, description="the same seed gives the same cells")
    cell_capacities: list[fraction(0.0, 2.0, above=True)] | None = Field(
        None,
        description="capacity of each cell ÷ that of the pack",
    )
    cells_below_full: list[fraction(0.0, 0.5)] | None = Field(
        None,
        description="how far each cell is from full when the first cell is full, as a fraction of its capacity",
    )
    temperature: bank_temperature() | None = Field(
        None,
        description="at the start, and without `mass` for good, over years and seasons too; by default that of the air",
    )
    device: DeviceTable | None = Field(None, description="fuse or breaker at its terminals")
    bms: BMSTable | None = Field(None, description="keys of its own, which come before those of its type's")
    display: DisplayTable | None = Field(None, description="keys of its own, which come before those of its type's")
    self_discharge: fraction(0.0, 1.0) | None = Field(
        None,
        description="of its own; by default that of its type",
    )
    written_out_from: str | None = Field(
        None,
        description="the entry with a `count` that it was one of, written when its key is set singly; keeps its cells as they "
        "were",
    )

    @model_validator(mode="after")
    def _one_source(self):
        if self.state_of_health is not None and (self.capacity_left is not None or self.grade is not None):
            raise InputError('give "state_of_health", or "grade", or "capacity_left"; each states the capacity')
        if self.resistance_at_posts is not None and self.resistance_growth is not None:
            raise InputError('give "resistance_at_posts" or "resistance_growth", not both; each states the resistance')
        if self.resistance_at_posts is None and {"measured_at_soc", "measured_at_temperature"} & self.model_fields_set:
            key = "measured_at_soc" if "measured_at_soc" in self.model_fields_set else "measured_at_temperature"
            raise InputError('says how "resistance_at_posts" was measured, which is not given', key=key)
        if self.grade is not None:
            load_grade(self.grade)
        scattered = self.cell_capacity_scatter is not None or self.cell_below_full_scatter is not None
        if scattered and (self.cell_capacities is not None or self.cells_below_full is not None):
            raise InputError("give a scatter or the cells themselves, not both", key="cell_capacities")
        return self

    @property
    def present_capacity(self) -> float:
        """Present ÷ rated capacity: as given, by state of health, by grade, or 1."""
        grade = load_grade(self.grade).capacity[1] if self.grade else None
        return next(value for value in (self.capacity_left, self.state_of_health, grade, 1.0) if value is not None)

    @property
    def present_growth(self) -> float:
        """Present ÷ rated resistance, likewise; where :attr:`resistance_at_posts` is given that goes before it."""
        by_health = growth_from_health(self.state_of_health) if self.state_of_health is not None else None
        grade = load_grade(self.grade).resistance[1] if self.grade else None
        return next(value for value in (self.resistance_growth, by_health, grade, 1.0) if value is not None)

    def cells(self, count, number):
        """Relative capacity and state-of-charge imbalance of each of ``count`` cells, for the ``number``-th of ``self.count`` packs."""
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

    section: GaugeText | None = Field(
        None,
        description='width and thickness, `"20 x 5 mm"`; with `pitch`, or give `segment_resistance`',
    )
    pitch: Length | None = Field(None, description="tap to tap")
    segment_resistance: Resistance | None = Field(None, description="tap to tap, of one bar")
    material: Literal["copper", "aluminium"] = Field("copper", description="of the metal")
    take_off: fraction(0.0, 1.0) = Field(
        0.0,
        description="where the take-off sits: 0 at the first tap, 1 at the last",
    )
    take_off_negative: fraction(0.0, 1.0) | None = Field(None, description="of the negative bar; by default the same")
    insulation: Literal[tuple(INSULATIONS)] | None = Field(None, description="as of a conductor")
    ampacity: quantity("ampere", above_zero=True) | None = Field(None, description="as of a conductor")

    @model_validator(mode="after")
    def _whole(self):
        if self.segment_resistance is None and (self.section is None or self.pitch is None):
            raise InputError('needs "section" (such as "20 x 5 mm") and "pitch" (tap to tap), or "segment_resistance"')
        return self

    def bar(self, ambient_k: float) -> Bar:
        """The pair of bars that it describes, at a temperature [K]."""
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

    name: Name = Field(description="its lead and device go by it")
    packs: Annotated[list[str], Field(min_length=1)] = Field(description="names, in order")
    layout: LayoutName | None = Field(None, description="within the string; by default `wiring.layout`")
    link: ConductorTable | None = Field(None, description="within the string; by default `wiring.link`")
    lead: ConductorTable | None = Field(
        None,
        description="of the string to the distribution; by default `distribution.lead`",
    )
    device: DeviceTable | None = Field(None, description="at the string's end, before its lead")


class DistributionTable(FileModel):
    """How strings are joined."""

    layout: LayoutName = Field("busbar", description="of the strings")
    link: ConductorTable | None = Field(None, description="string to string")
    lead: ConductorTable | None = Field(None, description="string to bus bar")
    bar: BarTable | None = Field(None, description="as of the wiring")


class FreeConductor(ConductorTable):
    """A conductor of an explicit graph, between two named places; pack poles are "A+" and "A-"."""

    name: Annotated[str | None, BeforeValidator(_one_line)] = Field(
        None, description="of its own; by default made of number and places"
    )
    from_: str = Field(alias="from", description="a place: a pack's pole (`A+`, `A-`) or any name")
    to: str = Field(description="the place at its other end")


class WiringTable(FileModel):
    """How the packs are joined."""

    layout: _layout_name("graph") = Field("chain", description=LAYOUT_WORDS)
    link: ConductorTable | None = Field(None, description="pack to pack, one polarity")
    lead: ConductorTable | None = Field(None, description="pack to bus bar, one polarity")
    leads: dict[str, ConductorTable] = Field(
        default_factory=dict,
        description='what a pack\'s own lead has different, such as `A = { length = "90 cm" }`; one given by its `resistance` takes nothing '
        "from the common lead, its joints neither: give its own `joint`, `0 ohm` where it was measured from end to end; without one it counts as "
        "zero and as not known",
    )
    bar: BarTable | None = Field(None, description="the bus bars; without it they have no resistance")
    strings: list[StringTable] = Field(
        default_factory=list,
        description="packs in strings, each with a take-off of its own; every pack in one",
    )
    distribution: DistributionTable | None = Field(None, description="how strings are joined")
    conductors: list[FreeConductor] = Field(default_factory=list, description="of layout `graph`")
    added: dict[str, AddedResistance] = Field(
        default_factory=dict,
        description='extra resistance of branches by their names, such as a bad joint: `{ "link A-B +" = "0.8 milliohm" }`; below zero '
        "as far as the branch's joints go, of joints that are better than the file says",
    )
    conductor_temperature: bank_temperature() | None = Field(
        None,
        description="of conductors that have none of their own; by default `ambient`",
    )
    spacing: Length = Field(
        0.1,
        description="how far apart the two polarities run, for the inductance of fault currents",
    )

    @model_validator(mode="before")
    @classmethod
    def _fill_leads(cls, data):
        """A pack's own lead takes what it does not say from the common lead; one given by its resistance takes nothing."""
        if isinstance(data, dict) and isinstance(data.get("leads"), dict) and isinstance(data.get("lead"), dict):
            leads = {}
            for name, own in data["leads"].items():
                base = {} if isinstance(own, dict) and "resistance" in own else data["lead"]
                leads[name] = {**base, **own} if isinstance(own, dict) else own
            data = {**data, "leads": leads}
        return data


class PortTable(FileModel):
    """Where an inverter, charger or load connects: the layout's take-off, or two named places."""

    name: Name = Field(description="its lead and device go by it")
    positive: str | None = Field(None, description="place where it connects; by default the layout's take-off")
    negative: str | None = Field(None, description="likewise")
    lead: ConductorTable | None = Field(None, description="from there to the equipment, each polarity")
    device: DeviceTable | None = Field(None, description="at the take-off, before the lead")
    inverter: InverterTable | None = Field(None, description="powers asked at the port are then AC powers")
    charger: ChargerTable | None = Field(None, description="a charging port with bulk, absorption and float")


class RackTable(FileModel):
    """Packs that stand side by side and warm each other, in this order."""

    coupling: quantity("watt/kelvin", not_negative=True) = Field(description="heat conductance between neighbours")
    order: list[str] | None = Field(
        None,
        description="names of packs side by side; by default all in the order of the file",
    )


class ChangeTable(FileModel):
    """What is done to the packs some years after the start; only `age` looks at it."""

    at: quantity("second", above_zero=True, most=1e10) = Field(description='how long after the start, such as `"4 years"`')
    remove: list[str] = Field(default_factory=list, description="names of packs that are taken out")
    replace: list[PackTable] = Field(
        default_factory=list, description="packs that take the place of those of the same name, as new unless they say otherwise"
    )
    add: list[PackTable] = Field(default_factory=list, description="packs that are added, with the leads of the others")
    place: str = Field("end", description='where those added go: `"end"`, `"after NAME"`, `"before NAME"`')

    @model_validator(mode="after")
    def _something(self):
        if not (self.remove or self.replace or self.add):
            raise InputError('needs "remove", "replace" or "add"')
        if "place" in self.model_fields_set and not self.add:
            raise InputError('says where packs of "add" go, and there are none', key="place")
        return self


def _is_seasons(ambient):
    """Whether what the file says of the air is a table of seasons."""
    return isinstance(ambient, dict) and bool({"mean", "file"} & set(ambient))


class ScenarioFile(FileModel):
    """The whole file."""

    name: Annotated[str, Field(min_length=1), BeforeValidator(_one_line)] = Field(description="title of the bank")
    ambient: bank_temperature() = Field(
        298.15,
        description="air around packs and conductors; conductors only where `wiring.conductor_temperature` and their own "
        "`temperature` say nothing else. A table `{ mean, swing, coldest }` or `{ file }` is the same as `seasons`",
    )
    seasons: SeasonsTable | None = Field(
        None, description="air that changes through the year, for `age`; in place of `ambient`, which is then its mean"
    )
    changes: list[ChangeTable] = Field(
        default_factory=list, description="packs added, replaced or taken out on the way; only `age` looks at them"
    )
    pack_types: Annotated[dict[str, PackType], Field(min_length=1)] = Field(description="makes of pack")
    chemistries: dict[str, Annotated[ChemistryTable, WrapValidator(_object_or_table(Chemistry))]] = Field(
        default_factory=dict, description="chemistries of the file's own: shipped or own ones with some numbers changed"
    )
    packs: Annotated[list[PackTable], Field(min_length=1)] = Field(
        description="the packs, in the order in which a layout joins them",
    )
    rack: RackTable | None = Field(None, description="packs that warm each other")
    wiring: WiringTable = Field(description="how they are joined")
    ports: Annotated[list[PortTable], Field(min_length=1)] = Field(
        description="where inverters, chargers and loads connect",
    )
    switching: list[SwitchTable] = Field(
        default_factory=list,
        description="what is opened or closed by hand, and when",
    )
    duty: Annotated[
        CyclesDuty | ConstantDuty | TableDuty | DaysDuty,
        Field(discriminator="kind"), BeforeValidator(pick_duty), WrapValidator(_object_or_table(Duty)),
    ] = Field(description="what is asked of the bank over time")  # fmt: skip

    @staticmethod
    def written_as(data) -> dict[str, str]:
        """Keys that are read out of another one, and what the file calls that."""
        if not isinstance(data, dict):
            return {}
        if _is_seasons(data.get("ambient")):
            return {"seasons": "ambient", "ambient": "ambient.mean"}
        return {"ambient": "seasons.mean"} if "seasons" in data and "ambient" not in data else {}

    @model_validator(mode="wrap")
    @classmethod
    def _ambient_of_seasons(cls, data, read):
        """``ambient = { mean, swing, coldest }`` is the table of seasons; their mean is the ambient of whatever has no dates."""
        if not isinstance(data, dict):
            return read(data)
        if _is_seasons(data.get("ambient")):
            if data.get("seasons") is not None:
                raise InputError('give "seasons", or "ambient" as a table, not both', key="ambient")
            data = {key: value for key, value in data.items() if key != "ambient"} | {"seasons": data["ambient"]}
        elif data.get("seasons") is not None and "ambient" in data:
            raise InputError('give "seasons" or "ambient", not both', key="ambient")
        if isinstance(data.get("seasons"), dict) and "mean" in data["seasons"]:
            data = data | {"ambient": data["seasons"]["mean"]}
        return read(data)

    @model_validator(mode="after")
    def _own_chemistries(self):
        for key, names in (("pack_types", self.pack_types), ("chemistries", self.chemistries)):
            for name in names:
                try:
                    _one_line(name)
                except InputError as error:
                    raise InputError(error.problem, key=key, value=ascii(name)[1:-1]) from None
        for name in self.chemistries:
            own = self.chemistries[name]
            if name in library() and (isinstance(own, Chemistry) or own.base is not None):
                raise InputError(
                    "a shipped chemistry has this name; choose another, or leave out the base to change the shipped one for this file",
                    key="chemistries", value=name,
                )  # fmt: skip
            if name not in library() and not isinstance(own, Chemistry) and own.base is None and len(self.paths_of(name)) != 1:
                raise InputError("is required", key=f"chemistries.{name}.base")
            if name.endswith(".toml") or name.strip() in ("", "*"):
                raise InputError('a name must not be blank, "*" or end in ".toml", like a file\'s', key="chemistries", value=name)
        return self

    def paths_of(self, name: str) -> set[str]:
        """Paths by which pack types name a chemistry file NAME.toml; none where NAME is a shipped chemistry."""
        if name in library():
            return set()
        return {kind.chemistry for kind in self.pack_types.values() if PurePath(kind.chemistry).name == f"{name}.toml"}

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
                    raise InputError("two of them have this name; each needs its own", key=key, value=name)
                if name in taken:
                    raise InputError(
                        f"{taken[name]} has this name; packs, strings and ports each need a name of their own, by which their "
                        "leads and devices go",
                        key=f"{key}.name",
                        value=name,
                    )
                taken[name] = kind
        return self

    def each_pack(self) -> Iterator[tuple[str, PackTable]]:
        """(name, table) of every pack, with ``count`` written out."""
        for pack in self.packs:
            for k in range(pack.count or 1):
                yield (f"{pack.name}{k + 1}" if pack.count else pack.name), pack


def json_schema() -> dict[str, Any]:
    """JSON Schema of the scenario file, in which every key says what it means."""
    made = entries_exact(ScenarioFile.model_json_schema())
    made["properties"]["ambient"]["anyOf"].append({"$ref": "#/$defs/SeasonsTable"})  # read as `seasons`
    return made

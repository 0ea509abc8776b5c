"""What of a scenario is not known exactly: by what its file says, and by what it leaves to assumed data; and a scenario with values drawn."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from simbank.bank.assumed import assumed
from simbank.bank.graph import Branch
from simbank.cells import Chemistry, library
from simbank.distributions import HIGH_SHARE, LOW_SHARE, Draw
from simbank.errors import InputError
from simbank.filemodel import FileModel
from simbank.quantities import parse
from simbank.scenario.assumed_packs import assumed_of_pack, beside_measured
from simbank.scenario.changes import checked_keys, name_in_key, parts_of
from simbank.scenario.scenario import Scenario
from simbank.scenario.schema import PackTable, PackType, ScenarioFile
from simbank.warning import BankWarning, listed

__all__ = ["UncertainValue", "described", "doubtful_values", "drawn", "known_times_assumed", "too_wide", "uncertain_values"]

GIVEN = "the file"


@dataclass(frozen=True)
class UncertainValue:
    """A value of a scenario that is not known exactly.

    Attributes
    ----------
    key : str
        Dotted key of the scenario file, as :func:`simbank.with_changes` takes it.
    draw : Draw
        How its values are distributed; ``draw.value(share)`` is what goes into the file.
    words : str
        What a person calls it.
    source : str
        Where the distribution is from: the file, or the source of assumed data.
    group : str
        "joints", "hysteresis", "relaxation", "resistance", "capacity", "start", "ocv", "asked" or "other".
    """

    key: str
    draw: Draw
    words: str
    source: str
    group: str


def uncertain_values(scenario: Scenario, *, every_temperature: bool = False) -> list[UncertainValue]:
    """What of a scenario is not known exactly: what its file says with ± or ``within`` or ``range``, and what it leaves to assumed data.

    What belongs to a pack type or a chemistry is one value, shared by its packs. Each pack, of a ``count`` too, and the joints of each
    branch have values of their own. The joints of a branch are drawn together, alike at both ends, as what they add to the branch
    (``wiring.added.BRANCH``) over what the file states; a branch whose ``wiring.added`` is itself stated with ± has just that.

    Parameters
    ----------
    scenario : Scenario
        Whose file is asked.
    every_temperature : bool
        List what bears on cold and warm packs too where the file has all packs stay at the temperature for which their chemistry's values
        hold.

    Returns
    -------
    list of UncertainValue
        In the order of the file; no key twice.

    >>> import simbank as sb
    >>> chain = sb.with_changes(sb.example("classroom_chain"), {"wiring.link.joint": "0.1 ± 0.05 milliohm"})
    >>> found = {value.key: value for value in sb.uncertain_values(chain)}
    >>> round(found["wiring.added.link P1-P2 +"].draw.number(0.5), 5), found["wiring.added.link P1-P2 +"].words
    (0.0, 'joints of the link P1-P2, positive side')
    """
    _checked(scenario)
    found = [
        *_given(scenario),
        *_types(scenario),
        *_chemistries(scenario, every_temperature),
        *_packs(scenario),
        *_joints(scenario),
    ]
    return list({value.key: value for value in reversed(found)}.values())[::-1]


def drawn(scenario: Scenario, values: Mapping[str, Any]) -> Scenario:
    """The scenario with values drawn, asked for the same: what is asked of the bank and what is set on it stay by the middle values.

    A duty of 0.2 C and a tail of 0.05 C keep the amperes that they have by the file's middle values, and a charger, an inverter and a
    BMS their limits, whatever capacity or cell the bank is drawn with. Only values of keys that are asked or set themselves (``duty``,
    ``ports.NAME.charger``, ...) change these.

    Parameters
    ----------
    scenario : Scenario
        Stays as it is.
    values : mapping of str to value
        Dotted key → value, as of :func:`uncertain_values`.

    Raises
    ------
    InputError
        If a key leads nowhere, or a bank with these values cannot be.

    >>> import simbank as sb
    >>> chain = sb.example("classroom_chain")
    >>> weak = sb.drawn(chain, {"packs.P3.capacity_left": 0.8})
    >>> round(weak.bank.capacity_ah), weak.duty.steps[0].commands == chain.duty.steps[0].commands
    (480, True)
    """
    _checked(scenario)
    values = checked_keys(values)
    asked = {key: value for key, value in values.items() if _is_asked(key)}
    meant = scenario.with_changes(asked) if asked else scenario
    made = scenario.with_changes(values, meant.duty)
    packs = tuple(replace(pack, bms=like.bms) for pack, like in zip(made.bank.packs, meant.bank.packs, strict=True))
    made.bank = replace(made.bank, packs=packs, port_equipment=meant.bank.port_equipment)
    return made


def _checked(scenario):
    """An InputError where what should be a scenario is none."""
    if not isinstance(scenario, Scenario):
        raise InputError("must be a scenario; sb.load(path) reads one", key="scenario", value=scenario)


def doubtful_values(scenario: Scenario) -> list[BankWarning]:
    """What a person must be told of values: :func:`known_times_assumed`, :func:`too_wide`, conductors of so many ohms that milliohms are meant."""
    return known_times_assumed(scenario) + too_wide(scenario) + _ohms(scenario)


def _ohms(scenario):
    """A warning of conductors whose resistance is a thousand times what is usual."""
    large = {b.name: b.conductor.resistance_ohm for b in scenario.bank.graph.branches if b.conductor}
    large = {name: ohm for name, ohm in large.items() if ohm > LARGE_OHM}
    if not large:
        return []
    name, ohm = next(iter(large.items()))
    text = f"{name} has {ohm:.3g} ohm with its joints: {100 * ohm:.3g} V at 100 A. Are milliohms meant? Concerns {listed(list(large))}."
    return [BankWarning("ohms-for-milliohms", name, text)]


LARGE_OHM = 0.05  # of a link or lead with its joints, usually 0.1 to 5 milliohm; common practice, no source


def known_times_assumed(scenario: Scenario) -> list[BankWarning]:
    """What a file states of a pack type with ±, as measured, and what the assumed age of its packs multiplies.

    Parameters
    ----------
    scenario : Scenario
        Whose file is asked.

    Returns
    -------
    list of BankWarning
        One for each key of a type, with the packs whose growth or capacity left is assumed.
    """
    out, file = [], scenario.file
    for name, kind in file.pack_types.items():
        for key, factor, instead in MULTIPLIED:
            draw = kind.how_known.get(key)
            if draw is None or draw.kind != "measured":
                continue
            packs = {pack: _of_pack(table).get(factor) for pack, table in file.each_pack() if table.type == name}
            packs = {pack: told[0] for pack, told in packs.items() if told}
            if not packs:
                continue
            first, several = next(iter(packs)), len(packs) > 1
            low, high = (packs[first].number(share) for share in (LOW_SHARE, HIGH_SHARE))
            text = (
                f"pack_types.{name}.{key} is given with ±, but each draw multiplies it by what is assumed of the age of "
                f"{listed(list(packs))} ({low:.3g} to {high:.3g}{f' for {first}' if several else ''}). {instead.format(first)}"
            )
            out.append(BankWarning("known-times-assumed", f"pack_types.{name}.{key}", text))
    return out


def too_wide(scenario: Scenario) -> list[BankWarning]:
    """Values of which the file says that they may be off by more than themselves, or by more than their key takes: a slip?

    Parameters
    ----------
    scenario : Scenario
        Whose file is asked.
    """
    out = []
    for path, draw in _said(scenario.file):
        below, above = draw.low - draw.least, draw.most - draw.low
        if draw.kind != "measured" or draw.high <= max(below, 1e-9) or (draw.least < 0 and draw.high <= (below + above) / 2.0):
            continue
        if draw.least == 0 and draw.low == 0:  # of what is said to be nothing, by how much it may be more
            continue
        if draw.least >= 0 and draw.high <= draw.low:
            continue
        key, unit = ".".join(path), f" {draw.unit}" if draw.unit else ""
        text = (
            f"{key} is said to be {draw.low:.6g}{unit}, off by up to {draw.high:.6g}{unit} either way: more than it can be. Draws are cut off "
            "at what the key takes, so that their middle moves. A slip? Of what is hardly known write a range."
        )
        out.append(BankWarning("uncertainty-too-wide", key, text))
    return out


MULTIPLIED = (  # key of a type, key of a pack that multiplies it, what to do if it was measured on the pack of today
    ("cell_resistance", "resistance_growth", "Of a pack measured today write packs.{0}.resistance_at_posts, or packs.{0}.resistance_growth = 1."),
    ("capacity", "capacity_left", "If it was measured today, write packs.{0}.capacity_left = 1."),
    ("cell_capacity", "capacity_left", "If it was measured today, write packs.{0}.capacity_left = 1."),
)  # fmt: skip


def described(values: Iterable[UncertainValue]) -> list[dict[str, Any]]:
    """Uncertain values as plain data, for tables and JSON.

    Parameters
    ----------
    values : iterable of UncertainValue
        As of :func:`uncertain_values`.

    Returns
    -------
    list of dict
        ``key``, ``words``, ``group``, ``source``; ``value`` that a run without bands takes, ``low`` and ``high`` (5 and 95 %), all three
        in ``unit`` (empty of a bare number) and of what ``words`` name. ``key_value``, ``key_low`` and ``key_high`` are what the key
        takes: the same, but of joints what they add to the branch over what the file states.
    """
    rows = []
    for value in values:
        draw = value.draw
        own = replace(draw, shift=0.0) if value.group == "joints" and draw.shift else draw
        row = {"key": value.key, "words": value.words, "group": value.group}
        for before, of in (("", own), ("key_", draw)):
            numbers = {"value": of.stated, "low": of.number(LOW_SHARE), "high": of.number(HIGH_SHARE)}
            row |= {f"{before}{label}": float(f"{number:.9g}") for label, number in numbers.items()}
        rows.append({**row, "unit": draw.unit, "source": value.source})
    return rows


def _is_asked(key: str) -> bool:
    """Whether a key says what is asked of the bank or set on it, not what the bank is."""
    parts = parts_of(key)
    return parts[0] == "duty" or "bms" in parts[2:3] or (parts[0] == "ports" and bool({"charger", "inverter"} & set(parts[2:3])))


# ---- what the file says ----

SHORT = {
    "soc": "state of charge of {} at the start", "capacity_left": "present capacity of {} over its label",
    "resistance_growth": "cell resistance of {} over that as new", "resistance_at_posts": "resistance of {} at its posts",
    "state_of_health": "state of health of {}",
    "hysteresis": "hysteresis state of {} at the start", "temperature": "temperature of {}",
    "cell_capacity_scatter": "scatter of the capacities of the cells of {}",
    "cell_below_full_scatter": "how far the cells of {} lie below full when its first is full",
    "internal_wiring": "cell links, BMS switch and terminals of {}", "ambient": "temperature of the air",
}  # fmt: skip
GROUPS = {
    "soc": "start", "hysteresis": "start", "temperature": "start", "cell_resistance": "resistance", "internal_wiring": "resistance",
    "resistance_growth": "resistance", "resistance_at_posts": "resistance", "capacity": "capacity",
    "cell_capacity": "capacity", "capacity_left": "capacity",
    "state_of_health": "capacity", "cell_capacity_scatter": "capacity", "cell_below_full_scatter": "capacity",
}  # fmt: skip


def _given(scenario: Scenario) -> Iterator[UncertainValue]:
    """Values of which the file itself says how well they are known, but for joints, which go by their branches."""
    file = scenario.file
    common = file.wiring.lead.how_known if file.wiring.lead else {}
    for path, draw in _said(file):
        taken_over = (
            path[:2] == ("wiring", "leads") and common.get(path[-1]) == draw
        )  # a pack's own lead has it from the common lead
        if path[-1] == "joint" or taken_over:
            continue
        names = path[1:2]
        if path[0] == "packs":
            names = next((_pack_keys(pack) for pack in file.packs if pack.name == path[1]), names)
        draw = beside_measured(scenario, path, draw)
        for name in names or [""]:
            key = _key(*([path[0], name, *path[2:]] if name else path))
            yield UncertainValue(key, draw, _words(key), GIVEN, _group(key))


def _key(*parts: str) -> str:
    """A dotted key; what follows ``wiring.added.`` stands as it is."""
    return ".".join(parts if parts[:2] == ("wiring", "added") else [name_in_key(part) for part in parts])


def _said(table: FileModel, path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Draw]]:
    """(parts of its key, distribution) of each value of a table, and of the tables in it, of which the file says how well it is known."""
    for key, draw in table.how_known.items():
        yield (*path, *key.split(".", 1)), draw
    for field, about in type(table).model_fields.items():
        value, at = getattr(table, field), (*path, about.alias or field)
        if isinstance(value, FileModel):
            yield from _said(value, at)
        elif isinstance(value, dict):
            for name, inner in value.items():
                if isinstance(inner, FileModel) and _reached(name):
                    yield from _said(inner, (*at, name))
        elif isinstance(value, list):
            for number, inner in enumerate(value):
                if isinstance(inner, FileModel):
                    name = getattr(inner, "name", None)
                    yield from _said(inner, (*at, name if name and _reached(name) else str(number)))


def _reached(name: str) -> bool:
    """Whether a dotted key reaches what has this name."""
    return not ("." in name and '"' in name) and name.strip() not in ("", "*")


def _pack_keys(table: PackTable) -> list[str]:
    """Names by which dotted keys reach the packs of an entry: each for itself."""
    return [f"{table.name}{k + 1}" for k in range(table.count)] if table.count else [table.name]


def _words(key: str) -> str:
    """What a person calls the value of a key of the file."""
    *place, last = parts_of(key)
    where = {"pack_types": "packs of type {}", "packs": "{}", "ports": "port {}", "chemistries": "chemistry {}"}
    owner = where[place[0]].format(place[1]) if len(place) > 1 and place[0] in where else " ".join(place[-2:])
    if last in SHORT:
        return SHORT[last].format(owner)
    if place[:1] == ["chemistries"] and ".".join([*place, last][2:]) in CELL:
        return CELL[".".join([*place, last][2:])][0].format(place[1])
    if place == ["wiring", "added"]:
        return f"extra resistance of the {last}"
    if place[:2] == ["duty", "steps"] and len(place) == 3 and place[2].isdigit():
        return f"{last.replace('_', ' ')} of step {int(place[2]) + 1} of the duty"
    inner = " of ".join(part.replace("_", " ") for part in reversed([*place[2:], last]))
    return f"{inner} of {owner}" if owner else inner.replace("_", " ")


def _group(key: str) -> str:
    """The kind of value that a key of the file holds."""
    place, _, rest = key.partition(".")
    if _is_asked(key):
        return "asked"
    if place == "chemistries":
        section = parts_of(key)[2]
        return section if section in ("hysteresis", "relaxation", "resistance", "ocv") else "other"
    if place == "wiring" and rest.startswith("added."):
        return "joints"
    return GROUPS.get(key.rpartition(".")[2], "other") if place in ("packs", "pack_types") else "other"


# ---- what the file leaves to assumed data ----

# What a change of a chemistry is called; what bears on no figure of a run, such as the largest charge rate, is left out.
CELL = {
    "ocv.scale": ("steepness of the open-circuit curve of {}", "ocv"),
    "ocv.offset": ("open-circuit voltage of {}, the same at every charge", "ocv"),
    "hysteresis.scale": ("half-width of the hysteresis of {} ÷ that of its file", "hysteresis"),
    "hysteresis.half_width": ("half-width of the hysteresis of {}", "hysteresis"),
    "hysteresis.decay_per_soc": ("how fast the hysteresis of {} follows", "hysteresis"),
    "entropy.scale": ("entropic coefficient of {} ÷ that of its file", "other"),
    "resistance.scale": ("cell resistance of {} ÷ that of the pack types", "resistance"),
    "resistance.activation_energy": ("how the cell resistance of {} grows in the cold", "resistance"),
    "relaxation.scale": ("resistance of the relaxation of {} ÷ that of its file", "relaxation"),
    "relaxation.time_scale": ("time constants of the relaxation of {} ÷ that of its file", "relaxation"),
    "relaxation.activation_energy": ("how the relaxation of {} grows in the cold", "relaxation"),
    "typical.specific_heat": ("specific heat of packs of {}", "other"),
}
BY_TEMPERATURE = ("entropy.scale", "resistance.activation_energy", "relaxation.activation_energy")


def _types(scenario: Scenario) -> Iterator[UncertainValue]:
    """Wiring within packs, where the file leaves it out."""
    left = assumed().internal_wiring
    for name, kind in scenario.file.pack_types.items():
        lithium = scenario.chemistry(kind.chemistry).family == "lithium-ion"
        if kind.wiring_left_out and lithium and _reached(name):
            draw = left.draw.times(kind.cells_in_series / left.cells_in_series)
            draw = beside_measured(scenario, ("pack_types", name, "internal_wiring"), draw)
            key = _key("pack_types", name, "internal_wiring")
            yield UncertainValue(key, draw, _words(key), left.source, _group(key))


def _chemistries(scenario: Scenario, every_temperature: bool) -> Iterator[UncertainValue]:
    """What the chemistries of the pack types leave open, but for what a file's own table states."""
    by_name: dict[str, tuple[Chemistry, list[PackType]]] = {}
    for kind in scenario.file.pack_types.values():
        name = _chemistry_name(scenario.file, kind.chemistry)
        if name is not None:
            by_name.setdefault(name, (scenario.chemistry(kind.chemistry), []))[1].append(kind)
    for name, (chemistry, kinds) in by_name.items():
        at_reference = not every_temperature and all(_stays_at_reference(scenario, kind, chemistry) for kind in kinds)
        for change, draw in chemistry.ranges.items():
            if change not in CELL or not _bears(change, chemistry, kinds) or (change in BY_TEMPERATURE and at_reference):
                continue
            words, group = CELL[change]
            source = chemistry.notes.get(change.partition(".")[0], chemistry.source)
            yield UncertainValue(f"{_key('chemistries', name)}.{change}", draw, words.format(name), source, group)


def _chemistry_name(file: ScenarioFile, chemistry: str) -> str | None:
    """NAME of ``[chemistries.NAME]`` that changes a chemistry which a pack type names; None if no key does."""
    name = chemistry
    if chemistry not in file.chemistries and chemistry not in library():
        name = chemistry.replace("\\", "/").rpartition("/")[2].removesuffix(".toml")
        if len(file.paths_of(name)) != 1 or (name in file.chemistries and file.chemistries[name].base is not None):
            return None
    return name if _reached(name) and not isinstance(file.chemistries.get(name), Chemistry) else None


def _bears(change: str, chemistry: Chemistry, kinds: list[PackType]) -> bool:
    """Whether a change of a chemistry bears on any pack of these types."""
    if change in ("relaxation.scale", "relaxation.time_scale"):
        return any(kind.relaxation is None for kind in kinds)
    if change == "typical.specific_heat":
        return any(kind.mass is not None and kind.specific_heat is None for kind in kinds)
    return change != "hysteresis.scale" or bool(chemistry.half_width.value.any())


def _stays_at_reference(scenario: Scenario, kind: PackType, chemistry: Chemistry) -> bool:
    """Whether packs of a type stay at the temperature for which the chemistry's values hold."""
    file = scenario.file
    if kind.mass is not None or "ambient" in file.how_known:
        return False
    packs = [pack for pack in file.packs if file.pack_types[pack.type] is kind]
    starts = [file.ambient if pack.temperature is None else pack.temperature for pack in packs]
    return all(abs(k - chemistry.reference_k) < 1e-9 for k in starts) and not any(
        "temperature" in pack.how_known for pack in packs
    )


def _packs(scenario: Scenario) -> Iterator[UncertainValue]:
    """Present capacity, resistance and scatter of packs, as far as grade, health or the label alone state them."""
    file = scenario.file
    for name, table in file.each_pack():
        if not _reached(name):
            continue
        for field, (draw, source) in _of_pack(table).items():
            key = _key("packs", name, field)
            yield UncertainValue(key, draw, _words(key), source, _group(key))


def _of_pack(table: PackTable) -> dict[str, tuple[Draw, str]]:
    """(distribution, source) of each key of a pack that its file leaves to assumed data."""
    measured = {"resistance_growth"} if table.resistance_at_posts is not None else set()
    return {field: told for field, told in assumed_of_pack(table).items() if field not in table.model_fields_set | measured}


def _joints(scenario: Scenario) -> Iterator[UncertainValue]:
    """What the joints of each branch add to what the file states of it."""
    wiring = scenario.file.wiring
    for branch in scenario.bank.graph.branches:
        conductor = branch.conductor
        if (
            conductor is None
            or conductor.joint_draw is None
            or not conductor.joints
            or f"added.{branch.name}" in wiring.how_known
        ):
            continue
        left = assumed().joint
        each, unit_ohm = conductor.joint_draw, parse(f"1 {conductor.joint_draw.unit}", "ohm")
        stated = (wiring.added.get(branch.name, 0.0) - conductor.joints * conductor.joint_ohm) / unit_ohm
        extra = each.times(conductor.joints).shifted(stated)
        source = left.source if each is left.draw else GIVEN
        yield UncertainValue(f"wiring.added.{branch.name}", extra, _joint_words(branch), source, "joints")


def _joint_words(branch: Branch) -> str:
    side = {"+": ", positive side", "-": ", negative side"}.get(branch.pole, "")
    return f"joints of the {branch.name.removesuffix(f' {branch.pole}')}{side}"

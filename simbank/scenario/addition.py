"""Packs that someone adds to a bank: what the file of an addition says, where they may go, and the bank with them."""

from __future__ import annotations

import copy
from dataclasses import dataclass
from itertools import pairwise
from os import PathLike
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field

from simbank.cells import ChemistryTable
from simbank.duty import Duty
from simbank.errors import InputError
from simbank.filemodel import FileModel, as_path, check, nearest, read_toml
from simbank.scenario.scenario import Scenario, from_dict
from simbank.scenario.schema import FreeConductor, PackTable, PackType

__all__ = ["Addition", "Place", "joined", "place_of", "places", "singly"]


class AddedWiring(FileModel):
    """What an addition's packs need of their own."""

    leads: dict[str, dict[str, Any]] = Field(
        default_factory=dict, description="own leads of the new packs, as `wiring.leads` of a scenario"
    )
    conductors: list[FreeConductor] = Field(default_factory=list, description="of layout `graph`, those that join the new packs")


class AdditionFile(FileModel):
    """A file of packs that are added to a bank: the same keys as a scenario has."""

    pack_types: dict[str, PackType] = Field(default_factory=dict, description="makes of pack that the scenario does not have")
    chemistries: dict[str, ChemistryTable] = Field(
        default_factory=dict, description="chemistries of the file's own that the scenario does not have"
    )
    packs: Annotated[list[PackTable], Field(min_length=1)] = Field(
        description="the new packs, in the order in which they are joined"
    )
    wiring: AddedWiring = Field(default_factory=AddedWiring, description="leads of the new packs")


class Addition:
    """Packs that are added to a bank.

    Parameters
    ----------
    given : path-like or dict
        A TOML file with ``[[packs]]``, and where the scenario does not have them ``[pack_types.NAME]``, ``[chemistries.NAME]`` and
        ``[wiring.leads]``; or a dict of its form. The keys are those of a scenario.

    Attributes
    ----------
    data : dict
        As it was given.
    source : str or None
        Path of the file.
    names : list of str
        The new packs, with ``count`` written out.

    Raises
    ------
    InputError
        One line that names the file, the key, the value and what would be right.
    """

    def __init__(self, given: str | PathLike | dict[str, Any]):
        self.source = None if isinstance(given, dict) else str(as_path(given, "addition"))
        self.data = copy.deepcopy(given) if isinstance(given, dict) else read_toml(given)
        self.file = check(AdditionFile, self.data, file=self.source)
        self.names = [name for entry in self.data["packs"] for name in _names(entry)]

    @property
    def folder(self) -> Path:
        """From which the paths of its chemistry files count."""
        return Path(self.source).parent if self.source else Path()


@dataclass(frozen=True)
class Place:
    """A place in a bank's wiring where packs may be added.

    Attributes
    ----------
    number : int or None
        Place in the row that the first new pack takes, counted from 1 at the take-off (in the middle of a chain: at the first pack of
        the file); None where places have no order.
    words : str
        Where it is, for people: "1, before P1", "2, after P1", "6, after P5 (end)".
    row : int or None
        Number of the string that it is in; None without strings.
    before, after : str or None
        Neighbours in the row.
    layout : str or None
        Another layout than the scenario's, into which all packs are rewired; None for its own.
    """

    number: int | None
    words: str
    row: int | None = None
    after: str | None = None
    before: str | None = None
    layout: str | None = None


def places(scenario: Scenario) -> list[Place]:
    """Places where packs may be added to a bank, as its layout has them.

    Parameters
    ----------
    scenario : Scenario
        Without the new packs.

    Returns
    -------
    list of Place
        Of a row of n packs the n + 1 places before, between and after them, in each string if it has strings. On bus bars without
        resistance, and in an explicit graph, all places are alike: one.

    Examples
    --------
    >>> from simbank.scenario import example
    >>> [place.words for place in places(example("classroom_chain"))][:3]
    ['1, before P1', '2, after P1', '3, after P2']
    """
    names = [pack.name for pack in scenario.bank.packs]
    if scenario.layout == "graph":
        return [Place(None, "as its conductors say")]
    strings = scenario.bank.strings
    if strings:
        return [
            place for row, (string, packs) in enumerate(strings.items())
            for place in _row(list(packs), row, f"string {string}, ")
        ]  # fmt: skip
    bar = scenario.data["wiring"].get("bar")
    if scenario.layout == "busbar" and not bar:
        return [Place(None, "on the bus bars", after=names[-1])]
    return _row(names)


def _row(names, row=None, lead=""):
    """The places of one row of packs."""
    found = [Place(1, f"{lead}1, before {names[0]}", row, None, names[0])]
    for k, name in enumerate(names):
        last = k == len(names) - 1
        words = f"{lead}{k + 2}, after {name}{' (end)' if last else ''}"
        found.append(Place(k + 2, words, row, name, None if last else names[k + 1]))
    return found


def place_of(scenario: Scenario, at: str | int | None) -> Place | None:
    """The place that a person means.

    Parameters
    ----------
    scenario : Scenario
        Without the new packs.
    at : str or int or None
        A number from 1 at the take-off, "end", "after NAME", "before NAME"; "all" or None: no one place.

    Returns
    -------
    Place or None
        None where every place is to be tried.

    Raises
    ------
    InputError
        If there is no such place.
    """
    if at is None or at == "all":
        return None
    known = places(scenario)
    text = str(at).strip()
    one_row = all(place.row is None for place in known)
    if not isinstance(at, bool):
        if len(known) == 1 and (text == "end" or text == "1"):
            return known[0]
        if text == "end" and one_row:
            return known[-1]
        if text.isascii() and text.isdigit() and one_row and 1 <= int(text) <= len(known) and known[0].number:
            return known[int(text) - 1]
        side, _, name = text.partition(" ")
        if side in ("after", "before") and name:
            names = [pack.name for pack in scenario.bank.packs]
            if name not in names:
                raise InputError(f"no such pack; {nearest(name, names)}", key="at", value=at)
            return next((place for place in known if getattr(place, side) == name), known[-1])
    if not one_row:
        problem = 'in a bank of strings write "after NAME" or "before NAME" of a pack, or "all"'
    else:
        numbers = f"a number from 1 to {len(known)}, " if known[0].number else ""
        problem = f'write {numbers}"end", "after NAME", "before NAME" or "all"'
    raise InputError(problem, key="at", value=at)


def joined(scenario: Scenario, addition: Addition, place: Place | None = None) -> Scenario:
    """The scenario with the new packs in it.

    What is asked and what is set stays as it is: a duty or a tail that the file states in C keeps the amperes that it has for the
    bank without the new packs.

    Parameters
    ----------
    scenario : Scenario
        Stays as it is.
    addition : Addition
        The new packs.
    place : Place, optional
        Of :func:`places`; by default the last. Several new packs stand side by side in the order of their file.

    Returns
    -------
    Scenario

    Raises
    ------
    InputError
        That names the addition's file, since the scenario by itself can be.
    """
    data = copy.deepcopy(scenario.data)
    place = place or places(scenario)[-1]
    _add_kinds(data, addition)
    own = singly(data["packs"], scenario)
    for name in addition.names:
        if name in {pack["name"] for pack in own}:
            raise InputError(
                "the bank has a pack of this name; choose another", file=addition.source, key="packs.name", value=name
            )
    new = [single for entry in addition.data["packs"] for single in _singles(entry)]
    order = [pack["name"] for pack in own]
    wiring = data.get("wiring", {})
    if place.row is None:
        k = order.index(place.after) + 1 if place.after else 0 if place.before else len(order)
        data["packs"] = [*own[:k], *new, *own[k:]]
        rows = [(order, [pack["name"] for pack in data["packs"]])]
    else:
        data["packs"] = [*own, *new]
        string = wiring["strings"][place.row]
        before = list(string["packs"])
        k = before.index(place.after) + 1 if place.after else 0
        string["packs"] = [*before[:k], *addition.names, *before[k:]]
        rows = [(before, string["packs"])]
    more = addition.data.get("wiring", {})
    if more.get("leads"):
        wiring["leads"] = {**wiring.get("leads", {}), **copy.deepcopy(more["leads"])}
    if more.get("conductors"):
        wiring["conductors"] = [*wiring.get("conductors", []), *copy.deepcopy(more["conductors"])]
    if place.layout:
        wiring["layout"] = place.layout
        wiring.pop("added", None)
    else:
        wiring["added"] = _moved(wiring.get("added", {}), rows)
    _keep_amperes(data, scenario)
    return _built(data, scenario, addition)


def _built(data, scenario, addition):
    """The scenario of this data, in which the new packs' cells do not depend on where they stand."""
    try:
        made = from_dict(data, source=scenario.source)
        scattered = {
            pack.name: pack for pack in made.bank.packs if pack.name in addition.names and pack.cell_capacities is not None
        }
        if not scattered:
            return made
        wiring = {**data["wiring"], "added": {}}  # by names of links, which go with the order
        packs = sorted(data["packs"], key=lambda pack: pack["name"] in addition.names)
        last = from_dict({**data, "packs": packs, "wiring": wiring}, source=scenario.source)
        cells = {pack.name: pack for pack in last.bank.packs}
        data["packs"] = [_with_cells(p, cells[p["name"]]) if p["name"] in scattered else p for p in data["packs"]]
        return from_dict(data, source=scenario.source)
    except InputError as error:
        raise InputError(
            error.problem, file=addition.source, key=_own_key(error.key, data, addition), value=error.value
        ) from None


def _own_key(key, data, addition):
    """A key of the joined bank as the addition's file has it: "packs.4.type" is that of its first pack, if the bank had four."""
    place, dot, rest = (key or "").partition("packs.")
    number, _, field = rest.partition(".")
    if place or not dot or not number.isdigit():
        return key
    name = data["packs"][int(number)]["name"]
    entries = [k for k, entry in enumerate(addition.data["packs"]) if name in _names(entry)]
    return f"packs.{entries[0]}.{field}" if entries else key


def _add_kinds(data, addition):
    """Put the addition's pack types and chemistries into a scenario's data; a name may stand in both if it means the same."""
    for key, what in (("pack_types", "pack type"), ("chemistries", "chemistry")):
        for name, table in copy.deepcopy(addition.data.get(key, {})).items():
            chemistry = table.get("chemistry")
            if key == "pack_types" and isinstance(chemistry, str) and chemistry.endswith(".toml"):
                table["chemistry"] = str((addition.folder / chemistry).resolve())
            known = data.setdefault(key, {})
            if name in known and known[name] != table:
                raise InputError(
                    f"the scenario has a {what} of this name with other values; choose another name", file=addition.source,
                    key=f"{key}.{name}",
                )  # fmt: skip
            known[name] = table


def _names(entry):
    """Names of the packs of an entry of ``packs``."""
    count = entry.get("count")
    return [str(entry["name"])] if count is None else [f"{entry['name']}{k + 1}" for k in range(count)]


def _singles(entry):
    """An entry of ``packs`` as single packs."""
    if entry.get("count") is None:
        return [copy.deepcopy(entry)]
    rest = {key: value for key, value in entry.items() if key not in ("count", "name")}
    return [{"name": name, **copy.deepcopy(rest), "written_out_from": entry["name"]} for name in _names(entry)]


def singly(packs: list[dict[str, Any]], scenario: Scenario) -> list[dict[str, Any]]:
    """A scenario's packs one by one, with the cells that they have: those drawn by a seed would change with their place in the list."""
    made = {pack.name: pack for pack in scenario.bank.packs}
    return [_with_cells(single, made[single["name"]]) for entry in packs for single in _singles(entry)]


def _with_cells(table, pack):
    """A pack's table with its cells written out, where they are unequal."""
    if pack.cell_capacities is None:
        return table
    table = {key: value for key, value in table.items() if key not in ("cell_capacity_scatter", "cell_below_full_scatter")}
    return table | {"cell_capacities": list(pack.cell_capacities), "cells_below_full": list(pack.cells_below_full)}


def _moved(added, rows):
    """Extra resistances by branch: that of a link which the new packs divide stays with its part nearer to the first pack."""
    moved = dict(added)
    for before, after in rows:
        for one, other in pairwise(before):
            follows = after[after.index(one) + 1]
            if follows == other:
                continue
            for sign in "+-":
                name = f"link {one}-{other} {sign}"
                if name in moved:
                    moved[f"link {one}-{follows} {sign}"] = moved.pop(name)
    return moved


def _keep_amperes(data, scenario):
    """Let what is asked and what is set stay as it was, where it is stated in C."""
    if isinstance(scenario.duty, Duty):
        data["duty"] = scenario.duty
    for port in data["ports"]:
        _, charger = scenario.bank.port_equipment.get(port["name"], (None, None))
        if charger is not None and charger.tail_a > 0 and "tail" in port.get("charger", {}):
            port["charger"]["tail"] = f"{float(charger.tail_a)} A"

"""Packs that are taken out, replaced or added some years after the start: the scenario after such a change."""

from __future__ import annotations

import copy

from simbank.errors import InputError
from simbank.filemodel import nearest
from simbank.scenario.addition import Addition, joined, place_of, singly
from simbank.scenario.scenario import Scenario, from_dict

__all__ = ["exchanged", "timeline"]


def timeline(scenario: Scenario) -> list[tuple[float, int, Scenario]]:
    """All ``[[changes]]`` of a scenario in the order of their times, each made on what those before it left.

    Returns
    -------
    list of (float, int, Scenario)
        When [s], which of the file's changes, and the scenario from then on.

    Raises
    ------
    InputError
        If one of them cannot be, or two are at the same time.
    """
    found, before = [], scenario
    order = sorted((change.at, number) for number, change in enumerate(scenario.file.changes))
    for place, (at, number) in enumerate(order):
        if place and at == order[place - 1][0]:
            raise InputError(
                f"at the time of changes.{order[place - 1][1]}; put both into one table", file=scenario.source,
                key=f"changes.{number}.at", value=scenario.data["changes"][number]["at"],
            )  # fmt: skip
        before = exchanged(scenario, number, before)
        found.append((at, number, before))
    return found


def exchanged(scenario: Scenario, number: int, before: Scenario | None = None) -> Scenario:
    """The scenario after one of its ``[[changes]]``.

    Parameters
    ----------
    scenario : Scenario
        That has the change.
    number : int
        Which of its changes, from 0.
    before : Scenario, optional
        As it is by then; by default the scenario itself.

    Raises
    ------
    InputError
        If a pack that it names is not there or named twice, or none would be left.
    """
    before = before or scenario
    key, change = f"changes.{number}", scenario.data["changes"][number]
    data = copy.deepcopy(before.data)
    data["packs"] = singly(data["packs"], before)
    names = [pack["name"] for pack in data["packs"]]
    replaced = {entry["name"]: entry for entry in change.get("replace", [])}
    _named_once(scenario, key, change)
    for what, named in (("remove", change.get("remove", [])), ("replace", replaced)):
        for name in named:
            if name not in names:
                raise InputError(
                    f"no such pack by then; {nearest(name, names)}", file=scenario.source, key=f"{key}.{what}", value=name
                )
    gone = set(change.get("remove", []))
    data["packs"] = [copy.deepcopy(replaced.get(p["name"], p)) for p in data["packs"] if p["name"] not in gone]
    if not data["packs"]:
        raise InputError("no pack would be left", file=scenario.source, key=f"{key}.remove")
    _take_out(data, gone)
    try:
        made = from_dict(data, source=before.source)
        if change.get("add"):
            place = change.get("place", "end")
            if place == "all":
                raise InputError('write "end", "after NAME" or "before NAME" of a pack', key="at", value=place)
            made = joined(made, Addition({"packs": change["add"]}), place_of(made, place))
    except InputError as error:
        at = f"{key}.place" if error.key == "at" else f"{key}: {error.key}"
        raise InputError(error.problem, file=error.file or scenario.source, key=at, value=error.value) from None
    return made


def _named_once(scenario, key, change):
    """Refuse a change that names a pack twice, or both to be taken out and to be replaced."""
    removed, replaced = list(change.get("remove", [])), [entry["name"] for entry in change.get("replace", [])]
    for what, names in (("remove", removed), ("replace", replaced)):
        for place, name in enumerate(names):
            if name in names[:place]:
                raise InputError("names this pack twice", file=scenario.source, key=f"{key}.{what}", value=name)
    for name in removed:
        if name in replaced:
            raise InputError(
                "is to be replaced by the same change; name it in one of the two",
                file=scenario.source,
                key=f"{key}.remove",
                value=name,
            )


def _take_out(data, gone):
    """What else of the file names the packs that are gone: leads of their own, strings, places in a rack, extra resistance of their links."""
    wiring = data.get("wiring", {})
    for name in gone:
        wiring.get("leads", {}).pop(name, None)
    for string in wiring.get("strings", []):
        string["packs"] = [name for name in string["packs"] if name not in gone]
    if "strings" in wiring:
        wiring["strings"] = [string for string in wiring["strings"] if string["packs"]]
    if "rack" in data and "order" in data["rack"]:
        data["rack"]["order"] = [name for name in data["rack"]["order"] if name not in gone]
    for branch in list(wiring.get("added", {})):
        poles = branch.split(" ")[1].split("-") if branch.count(" ") == 2 else []
        if gone & set(poles):
            del wiring["added"][branch]

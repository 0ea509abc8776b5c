"""Dotted keys of a scenario's data, and how they are set: ``packs.A.soc``, ``wiring.link.gauge``, ``packs.*.soc``."""

from __future__ import annotations

import copy
import re
from collections.abc import Mapping
from typing import Any

from simbank.bank.bank import MAX_PACKS, Bank
from simbank.errors import InputError
from simbank.filemodel import DEEPEST, nearest, refuse_deep

__all__ = ["changed", "changed_where", "checked_keys", "joint_branches", "name_in_key", "parts_of"]


def changed(data: dict[str, Any], changes: dict[str, Any]) -> dict[str, Any]:
    """A deep copy of ``data`` with dotted keys set.

    An entry of ``packs`` with ``count`` is written out as single packs if one of them is named; a count is set before that. What
    is said of one name goes before what ``*`` says of all.

    Parameters
    ----------
    data : dict
        Of a scenario file's form.
    changes : dict
        Dotted key → value, as in :func:`simbank.with_changes`.

    Raises
    ------
    InputError
        If a key leads nowhere.

    >>> changed({"packs": [{"name": "A", "soc": 0.5}]}, {"packs.A.soc": 0.3})
    {'packs': [{'name': 'A', 'soc': 0.3}]}
    """
    return changed_where(copied(data), changes)


def copied(data: Any) -> Any:
    """A copy of all tables and lists in data; objects of a program's own stay the same ones."""
    if isinstance(data, dict):
        return {key: copied(value) for key, value in data.items()}
    return [copied(value) for value in data] if isinstance(data, list) else data


def changed_where(data: dict[str, Any], changes: Mapping[str, Any], checked: bool = False) -> dict[str, Any]:
    """As :func:`changed`, but tables in which nothing changes are those of ``data``, and not copies of them.

    ``checked`` says that ``data`` is of a scenario, so that tables and lists in it stand in each other no deeper than they may.
    """
    data, mine = dict(data), {}
    # Places that a part of a key led into, as long as none of them is replaced.
    entered: dict[str, list[Any]] = {}
    for dotted in sorted(changes, key=_precedence):
        *path, last = parts_of(dotted)
        places: list[Any] = [data]
        for depth, part in enumerate(path):
            so_far = ".".join(path[: depth + 1])
            inner = entered.get(so_far)
            if inner is None:
                tables = [entry for place in places if isinstance(place, list) for entry in place if isinstance(entry, dict)]
                inner = [inner for place in places for inner in _enter(place, part, so_far, mine)]
                if any("count" in entry for entry in tables):  # one may have been written out
                    entered.clear()
                entered[so_far] = inner
            places = inner
        value = changes[dotted]
        plain = not isinstance(value, (dict, list)) and all(
            isinstance(place, dict) and not isinstance(place.get(last), (dict, list)) for place in places
        )
        for place in places:
            _put(place, last, copied(value), dotted)
        if not plain or last in ("*", "name", "written_out_from"):  # by which entries are found
            entered.clear()
    deeper = any(isinstance(value, (dict, list)) or key.count(".") >= DEEPEST for key, value in changes.items())
    if deeper or (changes and not checked):
        refuse_deep(data)
    return data


class Places:
    """Where dotted keys lead in the data of one scenario, so that other values of the same keys are set without looking for them again.

    Only keys each of which leads to one value of a table by names that are there: others have to be looked for each time.

    Parameters
    ----------
    copies : list of (int, str or int)
        Tables and lists on the way, each as the number of the one that it stands in (0 the data, from 1 on in this order) and its place
        there.
    last : dict of str to (int, str)
        Dotted key → number of its table, and its last part.
    """

    def __init__(self, copies: list[tuple[int, Any]], last: dict[str, tuple[int, str]]):
        self._copies, self._last = copies, last

    @classmethod
    def of(cls, data: dict[str, Any], keys: tuple[str, ...]) -> Places | None:
        """The places of ``keys`` in ``data``, which nobody changes; None if one of them has to be looked for each time.

        >>> data = {"packs": [{"name": "A", "soc": 0.5}, {"name": "B", "soc": 0.5}], "ports": [{"name": "load"}]}
        >>> made = Places.of(data, ("packs.B.soc",)).changed(data, {"packs.B.soc": 0.3})
        >>> made["packs"], made["packs"][0] is data["packs"][0], made["ports"] is data["ports"], data["packs"][1]["soc"]
        ([{'name': 'A', 'soc': 0.5}, {'name': 'B', 'soc': 0.3}], True, True, 0.5)
        >>> Places.of(data, ("packs.*.soc",)), Places.of(data, ("packs.A.name",)), Places.of(data, ("packs.1.soc",))
        (None, None, None)
        """
        numbers: dict[tuple, int] = {(): 0}
        copies, last, ends = [], {}, set()
        for dotted in keys:
            *path, final = parts_of(dotted)
            place, way = data, ()
            for part in path:
                step = _only_place(place, part)
                if step is None:
                    return None
                number, way, place = numbers[way], (*way, step), place[step]
                if way not in numbers:
                    numbers[way] = len(numbers)
                    copies.append((number, step))
            if not isinstance(place, dict) or final in _FOUND_BY or dotted.count(".") >= DEEPEST:
                return None
            last[dotted], ends = (numbers[way], final), ends | {(*way, final)}
        return None if ends & set(numbers) else cls(copies, last)  # not where one key leads through what another replaces

    def changed(self, data: dict[str, Any], changes: Mapping[str, Any]) -> dict[str, Any] | None:
        """``data`` with these changes, as :func:`changed_where` has it; None if a value is a table or a list."""
        tables: list[Any] = [dict(data)]
        for number, step in self._copies:
            inner = tables[number][step] = copy.copy(tables[number][step])
            tables.append(inner)
        for dotted, (number, final) in self._last.items():
            value = changes[dotted]
            if isinstance(value, (dict, list)):
                return None
            tables[number][final] = value
        return tables[0]


_FOUND_BY = ("*", "name", "count", "written_out_from")  # keys by which entries are found


def _only_place(place, part):
    """The one key of a table, or number of a list's entry, that a part of a dotted key means by its name; None if there is none such."""
    if isinstance(place, dict):
        return part if part != "*" and isinstance(place.get(part), (dict, list)) else None
    if not isinstance(place, list) or not all(isinstance(entry, dict) and "count" not in entry for entry in place):
        return None
    names = [entry.get("name") for entry in place]
    return names.index(part) if part in names else None


def checked_keys(changes: Any) -> dict[str, Any]:
    """Changes as they are, {} for None; an InputError if they are no dict with dotted keys."""
    if changes is None:
        return {}
    if not isinstance(changes, Mapping):
        raise InputError('must be a dict of dotted keys, such as {"packs.A.soc": 0.5}', key="changes", value=changes)
    for key in changes:
        if not isinstance(key, str):
            raise InputError('a dotted key must be text, such as "packs.A.soc"', key="changes", value=key)
    return dict(changes)


def parts_of(dotted: str) -> list[str]:
    """Parts of a dotted key; all that follows ``wiring.added.`` is the name of a branch, dots or not.

    A name with dots stands in quotation marks, as in TOML.

    >>> parts_of('packs."A.1".soc'), parts_of("wiring.added.link A.1-B +")
    (['packs', 'A.1', 'soc'], ['wiring', 'added', 'link A.1-B +'])
    """
    if '"' in dotted and not dotted.startswith("wiring.added."):
        return [quoted or plain for quoted, plain in _PART.findall(dotted)]
    parts = dotted.split(".")
    return [*parts[:2], ".".join(parts[2:])] if parts[:2] == ["wiring", "added"] and len(parts) > 2 else parts


_PART = re.compile(r'(?:^|\.)(?:"([^"]+)"(?=\.|$)|([^.]*))')


def name_in_key(name: str) -> str:
    """A name as a dotted key has it: in quotation marks where it has dots."""
    return f'"{name}"' if "." in name else name


def _precedence(dotted):
    """Counts are set first, then what is said of all, then the rest in its order."""
    parts = parts_of(dotted)
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


def _enter(place, part, so_far, mine):
    """The tables that a part of a dotted key leads into, each a copy put in the place of the one that stood there.

    ``mine`` has those that are copies already, by their identity.
    """
    if isinstance(place, list):
        if so_far.startswith("packs."):
            _write_out(place, part)
        keys = _indices(place, part, so_far)
    elif isinstance(place, dict):
        if part != "*":
            place.setdefault(part, {})
        keys = list(place) if part == "*" else [part]
    else:
        raise InputError("leads into a plain value, not a table", key=so_far)
    for key in keys:
        if isinstance(place[key], (dict, list)) and id(place[key]) not in mine:
            place[key] = copy.copy(place[key])
            mine[id(place[key])] = place[key]
    return [place[key] for key in keys]


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
            {"name": f"{entry}{number}", **copied(rest), "written_out_from": entry} for number in range(1, count + 1)
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


def joint_branches(bank: Bank) -> list[str]:
    """Names of the branches that ``wiring.added.*`` stands for: every link, lead and conductor."""
    return [branch.name for branch in bank.graph.branches if branch.kind in ("link", "lead", "conductor")]

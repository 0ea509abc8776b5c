"""The scenario file that a tab of the desk works on: TOML with comments kept, changes that can be undone, and nothing of a browser."""

from __future__ import annotations

import copy
import re
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tomli_w
import tomlkit
from tomlkit.container import Container
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, InlineTable, Table, Whitespace

from simbank.errors import InputError
from simbank.filemodel import refuse_deep
from simbank.scenario import json_schema

__all__ = ["Document", "Place", "known_number", "read_value", "refuse_empty"]

Place = tuple[str | int, ...]
"""Where something stands in the file: keys of tables, and numbers from 0 of entries of lists."""

MOST_STEPS = 300


@dataclass
class Step:
    """A change that can be undone: what it is called, the file before and after it, and what further changes may join it."""

    name: str
    before: str
    after: str
    joins: object = None
    assumed: tuple[frozenset[Place], frozenset[Place]] = (frozenset(), frozenset())  # before and after it
    other: tuple | None = None  # of an opening: path, name and text as saved of the file on the other side of it


class Document:
    """A scenario file that is being changed.

    Parameters
    ----------
    text : str
        The file, TOML.
    path : Path, optional
        Where it was loaded from or last saved.
    name : str
        What it is called there.

    Attributes
    ----------
    text : str
        The file as it would be saved: what a change does not touch stays as it was written, comments too.
    data : dict
        What ``tomllib`` reads from ``text``; not to be changed.
    assumed : frozenset of Place
        Where values stand with which a part began that was added here, and that nobody has changed since.

    Raises
    ------
    InputError
        If the text is not TOML.
    """

    def __init__(self, text: str, path: Path | None = None, name: str = ""):
        self.path, self.name = path, name
        self._undone: list[Step] = []
        self._done: list[Step] = []
        self.assumed: frozenset[Place] = frozenset()
        self._take(_read(text, path), text)
        self._saved = text

    def _take(self, data, text, toml=None):
        self.data, self.text, self._toml = data, text, toml

    @property
    def unsaved(self) -> bool:
        """Whether the file has changed since it was loaded or saved."""
        return self.text != self._saved

    @property
    def has_to_lose(self) -> bool:
        """Whether a person changed something that is not saved, here or in a file that undo would bring back."""
        return (self.unsaved and bool(self._done)) or any(step.other and step.before != step.other[2] for step in self._done)

    @property
    def letters(self) -> int:
        """How many letters it holds, with those of every step of undo and redo."""
        return len(self.text) + sum(len(step.before) + len(step.after) for step in (*self._done, *self._undone))

    def is_as_saved(self, path: Path) -> bool:
        """Whether the file at ``path`` is as it was when this document was loaded from it or saved to it."""
        try:
            return path.read_text(encoding="utf-8-sig") == self._saved
        except (OSError, UnicodeDecodeError):
            return False

    def saved(self, path: Path, name: str = ""):
        """Note that the file stands at ``path`` as it is, and is called ``name``."""
        self.path, self.name, self._saved = path, name, self.text

    # ---- undo ----

    @property
    def undo_name(self) -> str | None:
        """What the last change was, None if there is none to undo."""
        return self._done[-1].name if self._done else None

    @property
    def redo_name(self) -> str | None:
        """What was undone last, None if there is none to do again."""
        return self._undone[-1].name if self._undone else None

    def undo(self) -> str | None:
        """Take the last change back; what it was."""
        return self._go(self._done, self._undone, "before")

    def redo(self) -> str | None:
        """Make the change again that was undone last; what it is."""
        return self._go(self._undone, self._done, "after")

    def _go(self, source, target, which):
        if not source:
            return None
        step = source.pop()
        step.joins = None
        target.append(step)
        text = getattr(step, which)
        self.assumed = step.assumed[which == "after"]
        if step.other is not None:
            file = (self.path, self.name, self._saved)
            (self.path, self.name, self._saved), step.other = step.other, file
        self._take(tomllib.loads(text), text)
        return step.name

    def pause(self):
        """Have the next change be a step of its own, even if it changes what the last one changed."""
        if self._done:
            self._done[-1].joins = None

    # ---- changes ----

    def at(self, place: Place) -> Any:
        """What stands at a place, None if nothing does."""
        found: Any = self.data
        for part in place:
            try:
                found = found[part]
            except (KeyError, IndexError, TypeError):
                return None
        return found

    def put(self, place: Place, value: Any, name: str, assumed: bool = False):
        """Put a value at a place; tables on the way to it that are not there are made. Changes of one place join into one step.

        A value whose range the file gives (``{ value = ..., range = [...] }``) is changed in that table. ``assumed``: nobody has typed
        it, nor what the table holds that it is.
        """
        known, at = self.at(place), place
        if isinstance(known, dict) and "value" in known and not isinstance(value, dict):
            at = (*place, "value")
        added = _values(place, value) if assumed else ()
        self._change(lambda root: _put(root, at, value), name, joins=at, moved=_without(place), added=added)

    def set(self, place: Place, value: Any, name: str):
        """As :meth:`put`, but in place of a table that says how well a value was known."""
        self._change(lambda root: _put(root, place, value), name, joins=place, moved=_without(place))

    def drop(self, place: Place, name: str):
        """Take away what stands at a place, so that its default holds; tables that are empty without it go, too."""
        if self.at(place) is not None:
            self._change(lambda root: _drop(root, place), name, joins=place, moved=_without(place, closing=True))

    def insert(self, place: Place, value: dict[str, Any], name: str, at: int | None = None, assumed: bool = False):
        """Put an entry into the list at a place, before its entry number ``at``, at the end without; ``assumed`` as in :meth:`put`."""
        number = len(self.at(place) or ()) if at is None else at
        added = _values((*place, number), value) if assumed else ()
        self._change(
            lambda root: _insert(root, place, value, at), name, moved=_numbered(place, lambda k: k + (k >= number)), added=added
        )

    def copy(self, place: Place, value: dict[str, Any], name: str):
        """Put an entry, a copy of that at a place, behind it."""
        *above, number = place
        added = {(*above, number + 1, *one[len(place) :]) for one in self.assumed if one[: len(place)] == place}
        moved = _numbered(tuple(above), lambda k: k + (k > number))
        self._change(lambda root: _insert(root, tuple(above), value, number + 1), name, moved=moved, added=added)

    def move(self, place: Place, by: int, name: str):
        """Move an entry of a list by so many places."""
        *above, number = place
        entries = self.at(tuple(above))
        to = number + by
        if isinstance(entries, list) and 0 <= number < len(entries) and 0 <= to < len(entries):
            order = list(range(len(entries)))
            order.insert(to, order.pop(number))
            self._change(lambda root: _move(root, tuple(above), number, to), name, moved=_numbered(tuple(above), order.index))

    def rename(self, place: Place, new: str, name: str):
        """Give an entry of a list, or the table at a place, another name, and call it by that wherever the file names it."""
        old = self.at((*place, "name")) if isinstance(place[-1], int) else place[-1]
        if not isinstance(old, str) or old == new:
            return
        if isinstance(place[-1], int):
            names = [entry.get("name") for entry in self.at(place[:-1]) if isinstance(entry, dict)]
            others = names.count(old) > 1 or new in names or not new

            def change(root):
                _put(root, (*place, "name"), new)
                if not others:  # two of one name, as an error says: nobody knows whom the rest of the file means
                    _call_by(root, place[0], old, new)
        else:
            if not new or new in self.at(place[:-1]):
                raise InputError("needs a name of its own", key=".".join(map(str, place[:-1])), value=new)

            def change(root):
                _rename_key(_walk(root, place[:-1]), old, new)
                if place[0] == "pack_types":
                    for pack in root.get("packs", []):
                        if pack.get("type") == old:
                            pack["type"] = new

        def moved(one):
            named = isinstance(place[-1], str) and one[: len(place)] == place
            return (*place[:-1], new, *one[len(place) :]) if named else one

        self._change(change, name, moved=moved)

    def replace(self, text: str, name: str):
        """Put another file in place of this one, as a step that can be undone."""
        data = _read(text, self.path)
        self._note(name, text, None)
        self._take(data, text)

    def open(self, text: str, path: Path | None = None, name: str = ""):
        """Go on with another file; undo brings back what there was, with its name, if there was anything to lose."""
        data = _read(text, path)
        if self._done or self._undone or self.unsaved:
            file = (self.path, self.name, self._saved)
            self._note(f"open {name or 'another bank'}", text, None)
            self._done[-1].other = file
        self.path, self.name, self._saved = path, name, text
        self._take(data, text)

    def _change(self, change: Callable[[Any], None], name, joins=None, moved=lambda place: place, added=()):
        """Change the file; ``moved`` says where what stood at a place stands then, None where it is gone, ``added`` what is assumed there."""
        data = copy.deepcopy(self.data)
        change(data)
        refuse_deep(data)
        text, data, toml = self._written(change, data)
        if text == self.text:
            return
        self._note(name, text, joins, frozenset((*filter(None, map(moved, self.assumed)), *added)))
        self._take(data, text, toml)

    def _written(self, change, data):
        """The file with a change made in what was written; written anew, without comments, if that does not read as ``data``.

        With it, what it reads as: draws go by the order of keys, so that it must be that of the file and not of the changes.
        """
        try:
            toml = tomlkit.parse(self.text) if self._toml is None else self._toml
            self._toml = None  # half changed, if what follows fails
            change(toml)
            text = tomlkit.dumps(toml)
            read = tomllib.loads(text)
            if read == data:
                return text, read, toml
        except (TOMLKitError, ValueError, TypeError, KeyError, AttributeError, IndexError):
            pass
        text = tomli_w.dumps(data)
        return text, tomllib.loads(text), None

    def _note(self, name, after, joins, assumed=frozenset()):
        self._undone.clear()
        before, self.assumed = self.assumed, assumed
        last = self._done[-1] if self._done else None
        if last is not None and joins is not None and last.joins == joins:
            last.after, last.name, last.assumed = after, name, (last.assumed[0], assumed)
            return
        self._done.append(Step(name, self.text, after, joins, (before, assumed)))
        del self._done[:-MOST_STEPS]


def _read(text, path):
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise InputError(f"not TOML: {error}", file=path) from None
    refuse_deep(data, path)
    return data


def refuse_empty(data: dict[str, Any], file: str | Path | None = None):
    """Raise an InputError if a file says nothing of a bank: if it is empty, or has no key of a scenario."""
    if not set(data) & set(json_schema()["properties"]):
        raise InputError("has nothing of a bank in it: none of the keys of a scenario file", file=file)


_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")


def read_value(text: str, kind: str) -> Any:
    """A value of the file from what was typed.

    Parameters
    ----------
    text : str
        As typed.
    kind : {"text", "number", "switch", "list"}
        What its key takes. A number that is none, a list that is none stay text, so that the file's own check says what is wrong.

    >>> read_value(" 280 Ah ", "text"), read_value("0.80", "number"), read_value("many", "number"), read_value('["A", "B"]', "list")
    ('280 Ah', 0.8, 'many', ['A', 'B'])
    """
    text = text.strip()
    if kind == "switch":
        return text == "true"
    if kind == "number" and _NUMBER.fullmatch(text):
        try:
            return int(text) if re.fullmatch(r"[+-]?\d+", text) else float(text)
        except ValueError:  # of more digits than Python reads
            return text
    if kind in ("list", "number") and text[:1] in ("[", "{"):
        try:
            return tomllib.loads(f"x = {text}")["x"]
        except (ValueError, RecursionError):
            return text
    if kind == "list":
        parts = [part.strip() for part in text.split(",") if part.strip()]
        return [read_value(part, "number") for part in parts]
    return text


_KNOWN = re.compile(r"([^±\s]+)\s*±\s*([^±\s%]+)\s*(%?)")


def known_number(text: str) -> Any:
    """A bare number with how well it is known, as the file has it; exact where that is ± 0.

    >>> known_number("0.8 ± 0.05"), known_number("0.8 ± 5 %"), known_number("0.8 ± 0"), known_number("0.8 ± x")
    ({'value': 0.8, 'within': 0.05}, {'value': 0.8, 'within': 0.04}, 0.8, '0.8 ± x')
    """
    found = _KNOWN.fullmatch(text.strip())
    value, within = (read_value(part, "number") for part in found.groups()[:2]) if found else ("", "")
    if isinstance(value, str) or isinstance(within, str):
        return text
    within = round(abs(value) * within / 100.0, 12) if found[3] else within
    return {"value": value, "within": within} if within else value


# ---- where assumed values stand ----

# keys that say what a part is called or made of, or what is asked
_NO_VALUES = ("name", "kind", "layout", "what", "type", "packs", "from", "to", "base", "remove", "days")


def _values(place: Place, value):
    """Places of the values in a table, but of those whose range it gives."""
    if isinstance(value, dict):
        if "value" not in value:
            for key, inner in value.items():
                if key not in _NO_VALUES:
                    yield from _values((*place, key), inner)
    elif isinstance(value, list):
        for k, inner in enumerate(value):
            yield from _values((*place, k), inner)
    elif not isinstance(value, bool):
        yield place


def _without(place: Place, closing=False):
    """What stands at a place or below is gone; ``closing``: entries of its list behind it are one earlier then."""
    *above, last = place
    up = _numbered(tuple(above), lambda k: k - (k > last)) if closing and isinstance(last, int) else lambda one: one
    return lambda one: None if one[: len(place)] == place else up(one)


def _numbered(above: Place, to: Callable[[int], int]):
    """Entries of the list at ``above`` have other numbers."""
    depth = len(above)
    return lambda one: (*above, to(one[depth]), *one[depth + 1 :]) if len(one) > depth and one[:depth] == above else one


# What follows changes a plain dict and what tomlkit makes of a file alike.


def _walk(root, place):
    for part in place:
        root = root[part]
    return root


def _put(root, place: Place, value):
    table = root
    for depth, part in enumerate(place[:-1]):
        if isinstance(part, str) and part not in table:
            table[part] = _new_table(table, _has_lines(place[: depth + 1]))
        table = table[part]
    if isinstance(value, dict) and _has_lines(place) and place[-1] not in table and isinstance(table, (Container, Table)):
        table[place[-1]] = _own_lines(value)
    elif isinstance(table, Table) and table.value.body and all(isinstance(item, Whitespace) for _, item in table.value.body):
        table.value.body.clear()  # so that the first key stands below the head of its table, the empty line behind it
        table[place[-1]] = _as_item(table, value)
        table.add(tomlkit.nl())
    else:
        table[place[-1]] = _as_item(table, value)


def _has_lines(place: Place):
    """Whether a table there begins with a line of its own, behind the others of its kind."""
    return len(place) == 1 or (len(place) == 2 and place[0] in ("pack_types", "chemistries", "wiring"))


def _own_lines(value):
    """A table of lines of its own."""
    table = tomlkit.table()
    for key, inner in value.items():
        table[key] = _as_item(table, inner)
    table.add(tomlkit.nl())
    return table


def _new_table(beside, whole):
    """A table to go into ``beside``: of its own lines if ``whole``, else in one line."""
    if not _is_toml(beside):
        return {}
    return tomlkit.table() if whole and not isinstance(beside, InlineTable) else tomlkit.inline_table()


def _is_toml(table):
    return type(table) not in (dict, list)


def _as_item(beside, value):
    if not _is_toml(beside) or not isinstance(value, dict):
        return value
    table = tomlkit.inline_table()
    for key, inner in value.items():
        table[key] = _as_item(table, inner)
    return table


def _drop(root, place: Place):
    above = _walk(root, place[:-1])
    del above[place[-1]]
    if len(place) > 1 and not above and not isinstance(place[-2], int) and place[0] not in ("pack_types", "chemistries"):
        _drop(root, place[:-1])


def _insert(root, place: Place, value, at):
    above = _walk(root, place[:-1])
    if place[-1] not in above:
        above[place[-1]] = tomlkit.aot() if _is_toml(above) and len(place) == 1 else []
    entries = above[place[-1]]
    if isinstance(entries, AoT):
        item = _own_lines(value)
    else:
        item = _as_item(entries, value) if _is_toml(entries) else copy.deepcopy(value)
    entries.insert(len(entries) if at is None else at, item)


def _move(root, place: Place, number, to):
    entries = _walk(root, place)
    entry = entries[number]
    del entries[number]
    entries.insert(to, entry)


def _rename_key(table, old, new):
    """Another key in its place, order kept."""
    entries = [(new if key == old else key, table[key]) for key in list(table)]
    for key in list(table):
        del table[key]
    for key, value in entries:
        table[key] = value


def _call_by(root, kind, old, new):
    """Have the file call a pack, string or port by its new name."""

    def renamed(names: Sequence[str]):
        for k, name in enumerate(names):
            if name == old:
                names[k] = new

    wiring = root.get("wiring", {})
    for switch in root.get("switching", []):
        for before in ("", "device "):
            if switch.get("what") == before + old:
                switch["what"] = before + new
    if kind == "ports":
        duty = root.get("duty", {})
        for name in ("steps", "sun", "load"):
            entries = duty.get(name, [])
            for step in entries if isinstance(entries, list) else [entries]:
                if step.get("port") == old:
                    step["port"] = new
        if duty.get("port") == old:
            duty["port"] = new
    if kind == "packs":
        if old in wiring.get("leads", {}) and new not in wiring["leads"]:
            _rename_key(wiring["leads"], old, new)
        for string in wiring.get("strings", []):
            renamed(string.get("packs", []))
        renamed(root.get("rack", {}).get("order", []))
        for port in root.get("ports", []):
            if port.get("charger", {}).get("stop") == f"{old} full":
                port["charger"]["stop"] = f"{new} full"

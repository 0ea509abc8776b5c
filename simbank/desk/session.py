"""What one tab of the desk works on: its document, the run that follows every change, and the studies that views ask for."""

from __future__ import annotations

import asyncio
import contextlib
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from simbank.desk.document import Document, Place, known_number, read_value, refuse_empty
from simbank.desk.folder import NOT_SAVED, Folder
from simbank.desk.forms import ASKED, STARTS, describe, field_id, field_of_error
from simbank.desk.kept import Kept
from simbank.desk.pool import Pool, Run
from simbank.desk.running import live
from simbank.desk.workers import Stopped, Worker
from simbank.errors import InputError, SimbankError
from simbank.scenario.starter import starter_scenario

__all__ = ["LARGEST_UPLOAD", "NOTHING", "Session", "Shared", "log_one_line"]

NOTHING = 'name = "My bank"\n'  # a bank of which nothing is said yet
LARGEST_UPLOAD = 800_000  # bytes of a file from elsewhere


class Shared:
    """What all tabs share: the folder, the processes for their runs, of which one stays warm, and what tabs that are gone worked on."""

    def __init__(self, folder: Folder, first: str | None = None):
        self.folder, self.first = folder, first
        self.pool = Pool(self._tell)
        self.sessions: list[Session] = []
        self.kept = Kept()

    @property
    def compiling(self) -> bool:
        """Whether the equations are being compiled."""
        return self.pool.compiling

    def _tell(self):
        for session in list(self.sessions):
            session.tell()

    async def warm(self):
        """Run a bank before anybody asks, so that the first run of a tab need not wait for imports and the compiler."""
        import tomllib

        with contextlib.suppress(SimbankError):  # whoever runs next is told
            await self.pool.call(Run(first=True), live, tomllib.loads(starter_scenario()), None)


class Session:
    """A tab.

    Attributes
    ----------
    document : Document
    outcome : dict or None
        What came of the last run that could be made (:func:`simbank.desk.running.live`); stays while a later document has errors.
    errors : list of InputError
        Of the document as it is.
    tab : str
        Name of the browser's tab, by which it finds what it worked on again; empty until it is known.
    shown_errors : dict
        Id of a field → what is wrong there, as the page shows it.
    on_change : list of callable
        Called after every change, and when a run is done or the compiler begins or ends; whoever looks at the session again.
    """

    def __init__(self, shared: Shared):
        self.shared = shared
        self.document = Document(NOTHING)
        self.outcome: dict[str, Any] | None = None
        self.outcome_of = 0  # number of the document that it is of
        self.errors: list[InputError] = []
        self.number = 0  # of the document: rises with every change
        self.failed = ""  # why the last run gave nothing though the document has no error
        self.took_s: float | None = None
        self.focus = ""
        self.forced = False
        self.on_trouble: list[Callable[[str], Any]] = []  # called with what to tell of an error that nobody foresaw
        self.on_change: list[Callable[[], Any]] = []
        self._run_now: Run | None = None
        self._turn = asyncio.Lock()  # of the runs that wait only the newest is run
        self._studies: set[Worker] = set()
        self.tab = ""
        shared.sessions.append(self)

    # ---- the document ----

    @property
    def name(self) -> str:
        """Of its file in the folder; empty if it has none."""
        return self.document.name

    @property
    def source(self) -> str:
        """The path from whose folder paths in the document start."""
        return str(self.document.path or self.shared.folder.path / NOT_SAVED)

    @property
    def is_stale(self) -> bool:
        """Whether what is shown is of an earlier document."""
        return self.outcome is not None and self.outcome_of != self.number

    def sections(self) -> list[dict[str, Any]]:
        """The forms (:func:`simbank.desk.forms.describe`)."""
        return describe(self.document.data, self.document.assumed)

    def open_text(self, text: str, path: Path | None = None, name: str = ""):
        """Work on another file; an InputError, and nothing changes, if it is not TOML or says nothing of a bank."""
        refuse_empty(Document(text, path).data, name or None)
        self.document.open(text, path, name)
        self.outcome, self.errors = None, []
        self.changed(force=True)

    def begin(self):
        """Begin with the file of the desk, or a bank that runs as it stands, to be replaced."""
        if self.shared.first is not None:
            self.load(self.shared.first)
        else:
            self.open_text(starter_scenario())

    def go_on(self, tab: str) -> bool:
        """Take the name of the browser's tab; go on with what it worked on before, with its undo, and say whether there was anything."""
        if self.tab or not self.is_open:
            return True
        self.tab = tab
        for other in [other for other in self.shared.sessions if other is not self and other.tab == tab]:
            other.close()
        document = self.shared.kept.take(tab)
        if document is None:
            return False
        self.document, self.outcome, self.errors = document, None, []
        self.changed(force=True)
        return True

    @property
    def is_open(self) -> bool:
        """Whether its tab has not been given up."""
        return self in self.shared.sessions

    def load(self, name: str):
        """Work on a file of the folder."""
        text, path = self.shared.folder.load(name)
        self.open_text(text, path, name)

    def open_upload(self, told: dict[str, Any]):
        """Work on a copy of a file from elsewhere: its ``name``, ``size`` [bytes] and ``text``, None if that is not UTF-8."""
        name, size, text = str(told.get("name", "")), int(told.get("size") or 0), told.get("text")
        if size > LARGEST_UPLOAD:
            raise InputError(f"too large ({size / 1000:.0f} kB; at most {LARGEST_UPLOAD // 1000} kB)", file=name)
        if not isinstance(text, str):
            raise InputError("not TOML: not a text file in UTF-8", file=name)
        try:
            refuse_empty(Document(text).data)
        except InputError as error:
            raise InputError(error.problem, file=name) from None
        self.open_text(text)

    def save(self, name: str, overwrite: bool = False):
        """Write the document into the folder; unless ``overwrite``, not over a file that is another one than was loaded or saved last."""
        path = self.shared.folder.inside(name)
        if path.is_file() and not overwrite and not (path == self.document.path and self.document.is_as_saved(path)):
            problem = "has changed since it was opened here" if path == self.document.path else "is there already"
            raise InputError(f'{problem}; tick "Overwrite a file of that name", or choose another name', file=name)
        path = self.shared.folder.save(name, self.document.text)
        self.document.saved(path, name)
        self.tell()

    def changed(self, force: bool = False, focus: str = ""):
        """Note that the document is another one: show it, run it."""
        if not self.is_open:
            return
        self.number += 1
        self.forced, self.focus = force, focus
        self.tell()
        self.forced, self.focus = False, ""
        task = asyncio.ensure_future(self._run(self.number))
        _tasks.add(task)
        task.add_done_callback(_tasks.discard)

    def tell(self):
        """Have whoever looks at the session look again."""
        for look in list(self.on_change):
            try:
                look()
            except Exception as error:
                self.trouble(error)

    def trouble(self, error: Exception):
        """Tell of an error that nobody foresaw: on the page, and in one line where the desk was started."""
        log_one_line(error)
        for told in self.on_trouble:
            told(
                f"Internal error, so the page may not show the file as it is ({type(error).__name__}: {str(error)[:200]}). Undo, or save."
            )

    def undo(self):
        """Take back the last change."""
        if self.document.undo():
            self.changed(force=True)

    def redo(self):
        """Make the change again that was undone last."""
        if self.document.redo():
            self.changed(force=True)

    def do(self, op: dict[str, Any]):
        """Do what a person did in the forms.

        ``op`` is one of: ``put`` (``text`` typed into the field at ``place``, which takes a ``type``), ``rename`` (to ``text``), ``kind``
        (of the duty), ``start`` (a table of ``model``), ``insert`` (an entry of ``model`` at the end), ``copy``, ``drop``, ``move``
        (``by``), ``pause`` (the field was left).
        """
        kind = op.get("op")
        if kind == "pause":
            self.document.pause()
            return
        place = tuple(op.get("place", ()))
        before, focus = self.document.text, ""
        try:
            focus = _OPERATIONS[kind](self.document, place, op) or ""
        except InputError as error:
            self.errors = [error]
            self.tell()
            return
        except Exception as error:  # an operation that does not fit what stands there
            if not isinstance(error, (KeyError, IndexError, TypeError)):
                log_one_line(error)
            problem = InputError("cannot be done here", key=".".join(map(str, place)))
            self.errors = [problem]
            self.tell()
            return
        if self.document.text != before:
            self.changed(focus=focus)

    def shown_errors(self) -> dict[str, list[str]]:
        """Id of a field → what is wrong there, in the words of the commands."""
        if not self.errors:
            return {}
        shown = set(_ids(self.sections()))
        wrong: dict[str, list[str]] = {}
        for error in self.errors:
            wrong.setdefault(field_of_error(error, self.document.data, shown), []).append(str(error))
        return wrong

    # ---- runs ----

    async def _run(self, number):
        if self._run_now is not None:
            self._run_now.outdate()
        data, source = self.document.data, self.source

        def newest():
            return number == self.number

        async with self._turn:
            if not newest():
                return
            self._run_now = Run()
            try:
                outcome = await self.shared.pool.call(self._run_now, live, data, source)
            except SimbankError as error:
                if isinstance(error, Stopped) and not newest():
                    return
                outcome = {"errors": [], "failed": str(error)}
            except Exception as error:
                self.trouble(error)
                outcome = {"errors": [], "failed": f"internal error: {type(error).__name__}"}
            finally:
                self._run_now = None
        if number < self.outcome_of or (not newest() and outcome["errors"]):
            return
        self.failed = outcome.get("failed", "")
        if newest():
            self.errors = outcome["errors"]
        if not outcome["errors"] and not self.failed:
            self.outcome, self.outcome_of, self.took_s = outcome, number, outcome["seconds"]
        self.tell()

    async def study(self, function: Callable[..., Any], *arguments: Any, progress: Callable[[float], None] | None = None) -> Any:
        """What ``function(data, source, *arguments)`` gives, done in a process of its own: for what takes longer than a run.

        Parameters
        ----------
        function : callable
            Of a module; takes the document's data and path, then ``arguments``, and ``progress`` by name if that is given.
        *arguments : object
            Handed on; they are pickled.
        progress : callable, optional
            Called here with the fraction done.

        Raises
        ------
        SimbankError
            As the function raised it; Stopped if :meth:`stop_studies` ended it.
        """
        worker = Worker()
        self._studies.add(worker)
        try:
            return await worker.call(function, self.document.data, self.source, *arguments, progress=progress)
        finally:
            self._studies.discard(worker)
            worker.stop()

    def stop_studies(self):
        """End what :meth:`study` is doing."""
        for worker in list(self._studies):
            worker.stop()

    def close(self):
        """End what the tab has going on, when it is closed; what it worked on is kept for when it comes back."""
        if not self.is_open:
            return
        self.shared.sessions.remove(self)
        if self.tab:
            self.shared.kept.put(self.tab, self.document)
            self.document = Document(NOTHING)
        self.on_change.clear()
        self.number += 1  # what waits is not run
        if self._run_now is not None:
            self._run_now.end()
        self.stop_studies()


def log_one_line(error: BaseException):
    """Say in one line, where the desk was started, what nobody foresaw and where it arose."""
    at = error.__traceback__
    while at is not None and at.tb_next is not None:
        at = at.tb_next
    where = f" ({Path(at.tb_frame.f_code.co_filename).name}, line {at.tb_lineno})" if at is not None else ""
    text = " ".join(f"{type(error).__name__}: {error}".split())[:300]
    print(f"simbank desk: internal error: {text}{where}", file=sys.stderr, flush=True)


_tasks: set[asyncio.Future] = set()  # so that none is collected while it runs


def _ids(parts):
    """Ids of everything that the forms show."""
    for part in parts:
        if "id" in part:
            yield part["id"]
        for key in ("parts", "fields", "more", "entries"):
            yield from _ids(part.get(key, ()))
        for row in part.get("rows", ()):
            yield field_id(row["place"])
            yield from _ids(row["cells"])
            yield from _ids(row["more"])


# ---- operations on a document: each gives the id of what gets the focus, or nothing ----


def _called(document, place: Place):
    """What a place is called, for the name of a step."""
    words, found = [], document.data
    for part in place:
        found = found[part] if isinstance(found, (dict, list)) and (isinstance(part, int) or part in found) else None
        if isinstance(part, int):
            words.append(str(found.get("name", part + 1)) if isinstance(found, dict) else str(part + 1))
        else:
            words.append(part.replace("_", " "))
    if words[0] in ("packs", "ports", "pack types") and len(words) > 1:
        words[:2] = [f"{ {'packs': 'pack', 'ports': 'port', 'pack types': 'make'}[words[0]] } {words[1]}"]
        if len(words) > 1:
            return f"{' '.join(words[1:])} of {words[0]}"
    return " ".join(words)


def _put(document, place, op):
    name = _called(document, place)
    text = str(op.get("text", ""))
    if not text.strip():
        document.drop(place, name)
        return
    text, kind = text.strip().replace("+/-", "±"), op.get("type", "text")
    if "±" in text:  # how well it is known is said anew, and not within the table that there may be
        document.set(place, known_number(text) if kind == "number" else text.removesuffix("± 0").strip(), name)
        return
    document.put(place, read_value(text, kind), name, assumed=op.get("assumed") is True)


def _rename(document, place, op):
    text = str(op.get("text", "")).strip()
    place = place[:-1] if place[-1] == "name" else place
    if not place or document.at((*place, "name")) is None:  # the bank's own name, which nothing else in the file repeats
        document.put((*place, "name"), text, f"name {text}")
    else:
        document.rename(place, text, f"name {text}")


def _kind(document, place, op):
    models = {"constant": "ConstantDuty", "cycles": "CyclesDuty", "table": "TableDuty", "days": "DaysDuty"}
    if op["text"] in models and document.at(("duty", "kind")) != op["text"]:
        document.drop(("duty",), "kind of duty")
        document.put(("duty",), STARTS[models[op["text"]]], "kind of duty", assumed=models[op["text"]] not in ASKED)
        return field_id(("duty", "kind"))
    return None


def _start(document, place, op):
    if document.at(place) is None:
        document.put(place, dict(STARTS[op["model"]]), f"add {_called(document, place)}", assumed=True)
    return field_id(place)


def _insert(document, place, op):
    start = dict(STARTS[op["model"]])
    entries = document.at(place) or []
    if op["model"] == "PackTable":
        makes = list(document.data.get("pack_types") or {})
        if not makes:
            document.put(("pack_types", "make_1"), dict(STARTS["PackType"]), "add pack")
            makes = ["make_1"]
        last = entries[-1] if entries and isinstance(entries[-1], dict) else {}
        start["type"] = last.get("type", makes[-1])
        known = last.get("soc")
        if isinstance(known, dict) and isinstance(known.get("within"), (int, float)):  # as well known as that of the last
            start["soc"] = {"value": start["soc"], "within": known["within"]}
    if "name" in start:
        start["name"] = _free_name(document, op["model"], start["name"])
    document.insert(place, start, f"add {start.get('name', place[-1])}", assumed=op["model"] not in ASKED)
    return field_id((*place, len(entries)))


def _free_name(document, model, stem):
    """A name that none has yet: packs go by letters."""
    taken = {
        entry.get("name")
        for place in (("packs",), ("ports",), ("wiring", "strings"))
        for entry in document.at(place) or []
        if isinstance(entry, dict)
    }
    letters = [chr(ord("A") + k) for k in range(26)] if model == "PackTable" else [stem]
    return next(name for name in (*letters, *(f"{stem}{k}" for k in range(2, 2000))) if name not in taken)


def _copy(document, place, op):
    entry = {key: value for key, value in document.at(place).items() if key != "written_out_from"}
    if "name" in entry:
        entry["name"] = _free_name(document, "PackTable" if place[0] == "packs" else "", f"{entry['name']} ")
    document.copy(place, entry, f"copy {_called(document, place)}")
    return field_id((*place[:-1], place[-1] + 1))


def _drop(document, place, op):
    document.drop(place, f"remove {_called(document, place)}")
    return field_id(place[:-1])


def _move(document, place, op):
    document.move(place, int(op["by"]), f"move {_called(document, place)}")
    return field_id((*place[:-1], place[-1] + int(op["by"])))


_OPERATIONS = {
    "put": _put, "rename": _rename, "kind": _kind, "start": _start, "insert": _insert, "copy": _copy, "drop": _drop, "move": _move,
}  # fmt: skip

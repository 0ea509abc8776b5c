"""What views that compute more than a run have in common: when they compute, how far they are, what is shown meanwhile."""

from __future__ import annotations

import asyncio
import re
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from nicegui import ui

from simbank.desk import parts
from simbank.desk.session import Session
from simbank.desk.workers import Stopped
from simbank.errors import InputError, SimbankError

__all__ = ["AskedStudy", "FollowedStudy", "asked_number", "judged"]

SETTLE_S = 0.8  # after the last change, before a study begins
TELL_S = 0.25  # progress is told at most so often


def asked_number(
    fields: Mapping[str, parts.Field], key: str, least: float, most: float, whole: bool = False, needed: bool = False
) -> float | None:  # fmt: skip
    """The number in a view's field of that key, None if it is empty and may be.

    Raises
    ------
    InputError
        With the key, if it is none, or not from ``least`` to ``most``.
    """
    text = fields[key].value.strip()
    if not text and not needed:
        return None
    span = f"from {least:g} to {most:g}" if most < float("inf") else f"of {least:g} or more"
    try:
        value = int(text) if whole else float(text)
    except ValueError:
        value = float("nan")
    if not least <= value <= most or value == float("inf"):
        raise InputError(f"give a {'whole ' if whole else ''}number {span}", key=key, value=text)
    return value


def judged(told: dict[str, Any], whole: bool) -> list[dict[str, Any]]:
    """What a study's view begins with: warnings, what it comes to, tables; ``whole``: every row and column."""
    part = told["whole" if whole else "usual"]
    return [parts.warnings(told["warnings"]), parts.verdicts(part["verdicts"]), *part["tables"]]


class FollowedStudy:
    """A study that is done again after each change while its view is open, in a process of its own.

    It begins when values have settled; of several only the newest is done; a button ends it. What it found before stays, greyed, and
    is said to be of the values before.

    Parameters
    ----------
    session : Session
        Of the tab.
    name : str
        What is computed, as in "Computing NAME".
    function : callable
        As :meth:`simbank.desk.session.Session.study` takes it, with ``progress``.
    asked : callable
        Gives its arguments from the view's fields, or raises an InputError.
    blocks : callable
        Makes of what was found, and of whether everything is to be shown, the blocks of a :class:`simbank.desk.parts.Told`.
    fields : mapping of str to Field, optional
        Beside which an error stands, by its key.
    mark : callable, optional
        Shows an error beside what it is about, in place of that; called with None where there is none.
    """

    by_itself = True  # whether it begins without being asked
    compute = "Compute"  # on the button that asks for it

    def __init__(
        self, session: Session, name: str, function: Callable[..., Any], asked: Callable[[], Sequence[Any]],
        blocks: Callable[[Any, bool], Sequence[dict[str, Any]]], fields: Mapping[str, parts.Field] | None = None,
        mark: Callable[[InputError | None], None] | None = None,
    ):  # fmt: skip
        self._session, self._name, self._function, self._asked, self._blocks = session, name, function, asked, blocks
        self._fields, self._mark_own = fields or {}, mark
        self._panel = ui.context.slot.parent
        self._found: Any = None
        self._found_key = self._running_key = self._ended_key = None
        self._ended: str | InputError = ""  # why the study of _ended_key gave nothing
        self._task: asyncio.Task | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._told_at = 0.0
        self._build()
        session.on_change.append(self._end_older)

    def _build(self):
        with parts.tag("div", classes="work"):
            self._status = parts.tag("p", "", role="status")
            self._bar = parts.tag("progress", value=0, max=1, hidden=True, aria_label=f"How much of {self._name} is computed")
            self._cancel = parts.button("Cancel", self.cancel, label=f"Cancel computing {self._name}")
            self._again = parts.button(self.compute, self._begin_again, label=f"{self.compute} {self._name}")
        self._cancel.props["hidden"] = self._again.props["hidden"] = True
        self._whole = parts.tick(parts.EVERYTHING, False, lambda _: self._show()) if self.by_itself else None
        with parts.tag("div") as self._around:
            self._told = parts.Told()

    # ---- when ----

    def look(self):
        """Compute if what is shown is not of the values as they stand; called while the view is open."""
        key = self._key()
        if not self.by_itself or key is None or key in (self._found_key, self._running_key, self._ended_key):
            if key is None or key != self._running_key:
                self._end(key)
            self._tell()
            return
        self._end(key)
        self._timer = asyncio.get_running_loop().call_later(SETTLE_S, self._begin, key)
        self._tell()

    def cancel(self):
        """End what is being computed; it begins again when asked to, or after a change."""
        key = self._running_key
        self._end(None)
        self._ended_key, self._ended = key, "Cancelled."
        self._tell()

    def _begin_again(self):
        self._ended_key = None
        key = self._key()
        if key is not None and key != self._running_key:
            self._end(key)
            self._begin(key)

    def _key(self):
        """What the study is of: number of the document and arguments; None while a field has an error, which is shown beside it."""
        problem = None
        try:
            key = (self._session.number, *self._asked())
        except InputError as error:
            key, problem = None, error
        if key is not None and key == self._ended_key and isinstance(self._ended, InputError):
            problem = self._ended
        self._mark(problem)
        return key

    def _mark(self, problem):
        if self._mark_own is not None:
            self._mark_own(problem)
            return
        for name, field in self._fields.items():
            field.wrong(self._at_desk(_words(problem)) if problem is not None and problem.key == name else "")

    def _at_desk(self, text):
        """A sentence of the commands with the names of fields in place of options."""
        return re.sub(
            r"--[a-z][a-z-]*", lambda found: f'"{self._fields[found[0]].label}"' if found[0] in self._fields else found[0], text
        )

    def _end_older(self):
        """End what is computed of a document that is out of date, also while the view is closed."""
        if self._running_key is not None and self._running_key[0] != self._session.number:
            self._end(None)

    def _end(self, key):
        """End what is planned, and what is running unless it is of ``key``."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        if self._task is not None and (key is None or self._running_key != key):
            self._task.cancel()
            self._task = self._running_key = None

    def _begin(self, key):
        session = self._session
        self._timer = None
        if self._panel.props.get("hidden") or session not in session.shared.sessions or key[0] != session.number:
            return
        unknown = session.outcome_of != session.number and not session.failed
        if session.errors or (unknown and self.by_itself):
            self._tell()  # looks again when the file's own run is done
            return
        self._running_key = key
        self._task = asyncio.ensure_future(self._run(key))
        self._tell()

    async def _run(self, key):
        try:
            found = await self._session.study(self._function, *key[1:], progress=self._progress)
        except asyncio.CancelledError:
            return
        except Stopped:
            self._ended_key, self._ended = key, "Stopped."
        except InputError as error:
            self._ended_key, self._ended = key, error
        except SimbankError as error:
            self._ended_key, self._ended = key, str(error)
        else:
            self._found, self._found_key, self._ended_key = found, key, None
        if self._running_key == key:
            self._task = self._running_key = None
        if self._session in self._session.shared.sessions:
            if self._found_key == key:
                self._show()
            self.look()

    # ---- what is shown ----

    def _progress(self, done):
        now = time.monotonic()
        if now - self._told_at > TELL_S or done - self._bar.props["value"] >= 0.05:  # what ends a burst is told too
            self._told_at = now
            self._bar.props["value"] = round(float(done), 3)
            self._bar.update()

    def _show(self):
        if self._found is not None:
            self._told.show(self._blocks(self._found, self._whole is not None and self._whole.value))

    def _tell(self):
        """Say how things stand."""
        session, running = self._session, self._running_key is not None
        current = self._found_key is not None and self._found_key == self._current()
        if running:
            text = f"Computing {self._name}."
        elif current:
            text = f"Up to date: {self._name}, of the values as they stand."
        elif session.errors:
            text = "Not computed: the file has an error, which stands beside its field."
        elif self._current() is None:
            text = "Not computed: " + (self._asked_wrong() or "see what is wrong below.")
        elif self._ended_key is not None and self._ended_key == self._current():
            text = f"Not computed: {self._at_desk(str(self._ended))}" if isinstance(self._ended, InputError) else str(self._ended)
        else:
            text = "It is computed when the values have settled." if self.by_itself else ""
        if self._found is not None and not current:
            text += " What is shown is of the values before."
        _set(self._status, text=text.strip())
        if not running:
            self._bar.props["value"] = 0
        _set(self._bar, hidden=not running)
        _set(self._cancel, hidden=not running)
        _set(self._again, hidden=running or (self.by_itself and (self._ended_key is None or self._ended_key != self._current())))
        stale = self._found is not None and not current
        self._around.classes(**{"add" if stale else "remove": "stale"})

    def _asked_wrong(self):
        """What keeps it from being computed, where that is about no field."""
        try:
            self._asked()
        except InputError as error:
            return "" if error.key else f"{error.problem}."
        return ""

    def _current(self):
        try:
            return (self._session.number, *self._asked())
        except InputError:
            return None


class AskedStudy(FollowedStudy):
    """A study that begins when a button is pressed; ``offered`` is called after every change with what it found, None before that."""

    by_itself, compute = False, "Make"

    def __init__(self, *arguments: Any, offered: Callable[[Any], None], **more: Any):
        self._offered = offered
        super().__init__(*arguments, **more)

    def _tell(self):
        super()._tell()
        self._offered(self._found)


def _words(problem):
    """What is wrong, without the name of the field beside which it stands."""
    return f"{problem.value}: {problem.problem}" if problem.value not in (None, "") else problem.problem


def _set(element, text=None, hidden=None):
    if text is not None and element._text != text:
        element._text = text
        element.update()
    if hidden is not None and element.props.get("hidden") != hidden:
        element.props["hidden"] = hidden
        element.update()

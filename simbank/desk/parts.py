"""Pieces of which views are made: tables, warnings, verdicts, figures, buttons and fields, all with what keyboard and screen reader need."""

from __future__ import annotations

import itertools
import json
import re
from collections.abc import Callable, Iterable, Sequence
from typing import Any

from nicegui import ui
from nicegui.element import Element

__all__ = [
    "EVERYTHING", "Field", "Told", "as_option", "at_desk", "bands", "button", "caution", "choice", "fold", "groups", "heading",
    "say", "sentences", "tag", "text_area", "text_field", "tick", "told_at_desk", "verdicts", "warnings", "words",
]  # fmt: skip

_numbers = itertools.count(1)
EVERYTHING = "every row and column"  # the tick that shows what the commands show with --wide and --all
SIGNS = {"danger": "‼", "act": "!", "unknown": "?", "note": "·"}  # of the degrees of verdicts


def tag(name: str, text: str = "", classes: str = "", **attributes: Any) -> Element:
    """An element of HTML with a text; nothing in the text is read as HTML."""
    element = Element(name)
    if text:
        element._text = text  # a text node of the element itself
    if classes:
        element.classes(classes)
    for key, value in attributes.items():
        element.props[key.rstrip("_").replace("_", "-")] = value
    return element


def heading(text: str, level: int = 3) -> Element:
    """A heading; views begin with level 3."""
    return tag(f"h{level}", text)


def say(text: str, classes: str = "") -> Element:
    """A paragraph."""
    return tag("p", text, classes)


def button(text: str, on_click: Callable[[], Any], classes: str = "", label: str = "") -> Element:
    """A button; ``label`` is what a screen reader says where the text alone is not enough."""
    made = tag("button", text, classes, type="button", **({"aria_label": label} if label else {}))
    made.on("click", lambda: on_click())
    return made


class Field:
    """A labelled input of a view (not of the document): ``value`` is what stands in it."""

    def __init__(self, label: str, value: str, on_change: Callable[[str], Any] | None):
        self.label, self.value = label, value
        self._on_change = on_change
        self._input = self._wrong = None
        self._client = ui.context.client
        self._id = f"view-field-{next(_numbers)}"

    def put(self, value: str):
        """Have another value stand in it, as if it had been typed."""
        self.value = value
        self._client.run_javascript(f"document.getElementById({json.dumps(self._id)}).value = {json.dumps(value)}")

    def wrong(self, problem: str):
        """Say beside a line of text what is wrong with it; nothing with an empty ``problem``."""
        if self._wrong is None or self._wrong._text == problem:
            return
        self._wrong._text = problem
        self._wrong.props["hidden"] = not problem
        self._input.props["aria-invalid"] = "true" if problem else "false"
        self._wrong.update()
        self._input.update()

    def _set(self, value):
        self.value = value
        if self._on_change is not None:
            self._on_change(value)


def text_field(
    label: str,
    value: str = "",
    on_change: Callable[[str], Any] | None = None,
    hint: str = "",
    bare: bool = False,
    on_enter: Callable[[], Any] | None = None,
) -> Field:
    """A line of text with its label, and below it a hint; ``on_enter`` is called when Enter is pressed in it.

    ``bare``: in a table, whose headings say what it is, with a label for screen readers.
    """
    field = Field(label, value, on_change)
    number = field._id
    with tag("div", classes="field"):
        if not bare:
            tag("label", label, for_=number)
        made = tag(
            "input", id=number, type="text", defaultValue=value, autocomplete="off", spellcheck="false", **_named(label, bare)
        )
        made.props["aria-describedby"] = f"{number}-wrong" + (f" {number}-hint" if hint else "")
        field._input, field._wrong = made, tag("strong", "", "wrong", id=f"{number}-wrong", role="alert", hidden=True)
        if hint:
            tag("span", hint, "help inline", id=f"{number}-hint")
    made.on("input", lambda event: field._set(event.args), js_handler="(e) => emit(e.target.value)")
    if on_enter is not None:
        made.on("keydown.enter", lambda: on_enter())
    return field


def as_option(option: str, hint: str = "") -> str:
    """A hint that says by which option of the command the same is asked."""
    return f"{hint}; on the command line {option}" if hint else f"on the command line {option}"


def text_area(label: str, value: str = "", on_change: Callable[[str], Any] | None = None, hint: str = "", rows: int = 8) -> Field:
    """Several lines of text with their label, such as a table of readings."""
    field = Field(label, value, on_change)
    number = field._id
    with tag("div", classes="field wide-field"):
        tag("label", label, for_=number)
        made = tag("textarea", id=number, rows=rows, defaultValue=value, spellcheck="false")
        if hint:
            made.props["aria-describedby"] = f"{number}-hint"
            tag("span", hint, "help inline", id=f"{number}-hint")
    made.on("input", lambda event: field._set(event.args), js_handler="(e) => emit(e.target.value)")
    return field


def choice(
    label: str, options: Sequence[str], value: str, on_change: Callable[[str], Any] | None = None, bare: bool = False
) -> Field:
    """One of several, from a list; ``bare`` as in :func:`text_field`."""
    field = Field(label, value, on_change)
    number = field._id
    with tag("div", classes="field"):
        if not bare:
            tag("label", label, for_=number)
        with tag("select", id=number, **_named(label, bare)) as made:
            for option in options:
                tag("option", option, value=option, selected=option == value)
    made.on("change", lambda event: field._set(event.args), js_handler="(e) => emit(e.target.value)")
    return field


def tick(label: str, value: bool = False, on_change: Callable[[bool], Any] | None = None) -> Field:
    """A box to tick; its ``value`` is True or False."""
    field = Field(label, value, on_change)
    number = field._id
    with tag("div", classes="field tick"):
        made = tag("input", id=number, type="checkbox", defaultChecked=value)
        tag("label", label, for_=number)
    made.on("change", lambda event: field._set(event.args), js_handler="(e) => emit(e.target.checked)")
    return field


def _named(label, bare):
    return {"aria_label": label} if bare else {}


class Told(Element, component="told.js"):
    """What came of something, as blocks, which :meth:`show` replaces."""

    def __init__(self, blocks: Iterable[dict[str, Any]] = ()):
        super().__init__()
        self.show(blocks)

    def show(self, blocks: Iterable[dict[str, Any]]):
        """Show these blocks (:func:`words`, :func:`warnings`, :func:`verdicts`, :func:`simbank.desk.telling.table`)."""
        self._props["blocks"] = [block for block in blocks if block]
        self.update()


def words(text: str, classes: str = "") -> dict[str, Any]:
    """A paragraph as a block."""
    return {"kind": "say", "text": text, "classes": classes}


def at_desk(text: str) -> str:
    """A sentence of the results, with what is to be ticked here in place of options of the commands.

    >>> at_desk("2 more verdicts are not told here. Option --wide tells all; in Python most=99.")
    '2 more verdicts are not told here. Tick "every row and column" to see all.'
    >>> at_desk("Give them, or let --bands draw them."), at_desk("simbank run FILE --bands says which")
    ('Give them, or let "bands" draw them.', 'simbank run FILE --bands says which')
    """
    text = text.replace("Option --wide tells all; in Python most=99.", f'Tick "{EVERYTHING}" to see all.')
    return re.sub(r"(?<!FILE )--bands\b", '"bands"', text)


def told_at_desk(records: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Warnings or verdicts in the words of :func:`at_desk`."""
    return [record | {"text": at_desk(record["text"])} for record in records]


def warnings(records: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Warnings, which stand before any figure, as a block; nothing without any."""
    return {"kind": "warnings", "records": told_at_desk(records)} if records else {}


def verdicts(records: Sequence[dict[str, Any]], title: str = "What this comes to, worst first") -> dict[str, Any]:
    """Verdicts as a block: each with its degree as a word and a sign, not by colour alone."""
    if not records:
        return words("No rule of simbank says anything of this; that is not to say that nothing is wrong.")
    return {
        "kind": "verdicts",
        "title": title,
        "records": [record | {"sign": SIGNS[record["severity"]]} for record in told_at_desk(records)],
    }


def caution(text: str) -> dict[str, Any]:
    """The caution that stands below every result, as a block."""
    return {"kind": "caution", "text": text}


def sentences(texts: Sequence[str]) -> dict[str, Any]:
    """Sentences as a list, a block; nothing without any."""
    return {"kind": "list", "items": list(texts)} if texts else {}


def groups(title: str, found: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Groups of sentences below a heading, a block: each with ``title``, ``items``, and ``mark`` where it is grave; nothing without any."""
    return {"kind": "groups", "title": title, "groups": list(found)} if found else {}


def fold(title: str, blocks: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Blocks that are seen when one opens them; nothing without any."""
    blocks = [block for block in blocks if block]
    return {"kind": "fold", "title": title, "blocks": blocks} if blocks else {}


def bands(told: dict[str, Any], whole: bool) -> list[dict[str, Any]]:
    """Bands as :func:`simbank.desk.banding.bands_told` tells them, as blocks; ``whole``: all plots, and readings unfolded."""
    return [
        words(told["said"]) if told["said"] else {},
        *told["tables"],
        sentences(told["words"]),
        *(told["readings"] if whole else [fold("What to measure first", told["readings"])]),
        *(told["plots"] if whole else told["plots"][:1]),
    ]

"""The element of the page that shows the forms and says what is done in them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from nicegui.element import Element

__all__ = ["Sheet"]


class Sheet(Element, component="sheet.js"):
    """The forms of a document.

    Parameters
    ----------
    on_op : callable
        Called with what a person did: a dict with ``op``, ``place`` and what else that operation takes (:mod:`simbank.desk.session`).
    """

    def __init__(self, on_op: Callable[[dict[str, Any]], Any]):
        super().__init__()
        self._force, self._focus = 0, 0
        self._props.update({"sections": [], "errors": {}, "force": 0, "focus": {}, "heard": 0})
        self._on_op = on_op
        self.on("op", lambda event: self._done(event.args))

    def _done(self, op):
        """Do it, and have the page know that what it shows next is the answer to it."""
        self._on_op(op)
        self._props["heard"] = op.get("n", 0)
        self.update()

    def show(self, sections: list[dict[str, Any]], force: bool = False, focus: str = ""):
        """Show these sections; ``force``: in every field, even in that in which one types; ``focus``: id of what gets the focus."""
        self._props["sections"] = sections
        if force:
            self._force += 1
            self._props["force"] = self._force
        if focus:
            self._focus += 1
            self._props["focus"] = {"id": focus, "n": self._focus}
        self.update()

    def wrong(self, errors: dict[str, list[str]]):
        """Show errors beside their fields: id of the field → what is wrong."""
        if self._props["errors"] != errors:
            self._props["errors"] = errors
            self.update()

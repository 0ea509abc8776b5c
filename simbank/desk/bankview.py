"""The view of one run, drawn by ``simbank/page/view.js``, as an element of the page."""

from __future__ import annotations

from typing import Any

from nicegui.element import Element

__all__ = ["RunView"]


class RunView(Element, component="bankview.js"):
    """Drawing, states of charge, lines over time and a clock that plays, of the run handed to :meth:`show`."""

    def show(self, bank: dict[str, Any], run: dict[str, Any]):
        """Show a run: what :func:`simbank.page.bank_shown` and :func:`simbank.page.run_shown` give."""
        self._props.update({"bank": bank, "run": run})
        self.update()

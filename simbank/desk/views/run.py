"""The run that follows every change: warnings, the bank at work, what it comes to, tables."""

from __future__ import annotations

from typing import Any

from simbank.desk import parts
from simbank.desk.bankview import RunView
from simbank.desk.session import Session
from simbank.desk.views.view import View

__all__ = ["VIEW"]


def build(session: Session):
    """Show the last run that could be made."""
    seen: dict[str, Any] = {}
    with parts.tag("div") as whole:
        first, view, rest = parts.Told(), RunView(), parts.Told()

    def look():
        outcome = session.outcome
        if seen.get("stale") != session.is_stale:
            seen["stale"] = session.is_stale
            whole.classes(**{"add" if session.is_stale else "remove": "stale"})
        if outcome is None or seen.get("outcome") is outcome:
            return
        seen["outcome"] = outcome
        halted = [parts.words(f"The run stopped before its end: {outcome['halted']}", "wrong")] if outcome["halted"] else []
        first.show([*halted, parts.warnings(outcome["summary"]["warnings"])])
        view.show(outcome["bank"], outcome["run"])
        rest.show([*(parts.words(text) for text in outcome["sentences"]), *outcome["tables"], parts.caution(outcome["caution"])])

    return look


VIEW = View("run", "Run", build)

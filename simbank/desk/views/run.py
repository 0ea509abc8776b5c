"""The run that follows every change: verdicts, the bank as it works, tables."""

from __future__ import annotations

from simbank.desk import parts
from simbank.desk.session import Session
from simbank.desk.views.view import View

__all__ = ["VIEW"]


def build(session: Session):
    """Show the last run that could be made."""
    told = parts.Told()

    def look():
        outcome = session.outcome
        told.classes(add="stale" if session.is_stale else "", remove="" if session.is_stale else "stale")
        if outcome is None or told.__dict__.get("_of") is outcome:
            return
        told._of = outcome
        halted = [parts.words(f"The run stopped before its end: {outcome['halted']}", "wrong")] if outcome["halted"] else []
        told.show(
            [
                *halted, parts.warnings(outcome["summary"]["warnings"]), parts.verdicts(outcome["verdicts"]),
                *(parts.words(text) for text in outcome["sentences"]), *outcome["tables"], parts.caution(outcome["caution"]),
            ]
        )  # fmt: skip

    return look


VIEW = View("run", "Run", build)

"""The run that follows every change: warnings, the bank at work, what it comes to, tables, and on demand how far figures reach."""

from __future__ import annotations

from typing import Any

from simbank.desk import parts
from simbank.desk.banding import run_bands
from simbank.desk.bankview import RunView
from simbank.desk.session import Session
from simbank.desk.views.bands import BandsSwitch
from simbank.desk.views.study import FollowedStudy
from simbank.desk.views.view import View

__all__ = ["VIEW"]


def build(session: Session):
    """Show the last run that could be made, and its bands where they are asked for."""
    seen: dict[str, Any] = {}
    with parts.tag("div") as whole:
        first, view = parts.Told(), RunView()
    look_at_bands = _bands(session)
    with parts.tag("div") as after:
        rest = parts.Told()

    def look():
        outcome = session.outcome
        if seen.get("stale") != session.is_stale:
            seen["stale"] = session.is_stale
            for part in (whole, after):
                part.classes(**{"add" if session.is_stale else "remove": "stale"})
        look_at_bands()
        if outcome is None or seen.get("outcome") is outcome:
            return
        seen["outcome"] = outcome
        halted = [parts.words(f"The run stopped before its end: {outcome['halted']}", "wrong")] if outcome["halted"] else []
        first.show([*halted, parts.warnings(outcome["summary"]["warnings"])])
        view.show(outcome["bank"], outcome["run"] | {"verdicts": parts.told_at_desk(outcome["run"]["verdicts"])})
        rest.show([*(parts.words(text) for text in outcome["sentences"]), *outcome["tables"], parts.caution(outcome["caution"])])

    return look


def _bands(session):
    """The switch for bands, and what they show; gives what is to be called after every change."""
    switch = BandsSwitch(lambda: study.look() if switch.on else study.cancel())
    with switch.panel:
        study = FollowedStudy(session, "bands", run_bands, switch.asked, _blocks, switch.fields)
    return lambda: study.look() if switch.on else None


def _blocks(told, whole):
    return [parts.warnings(told["warnings"]), *parts.bands(told, whole)]


VIEW = View("run", "Run", build)

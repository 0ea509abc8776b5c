"""The run that follows every change: warnings, the bank at work, what it comes to, tables, and on demand how far figures reach."""

from __future__ import annotations

from typing import Any

from simbank.desk import parts
from simbank.desk.banding import run_bands
from simbank.desk.bankview import RunView
from simbank.desk.session import Session
from simbank.desk.views.study import FollowedStudy, asked_number
from simbank.desk.views.view import View
from simbank.errors import InputError

__all__ = ["VIEW"]

DRAWS, MOST_DRAWS = 200, 10_000


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
        view.show(outcome["bank"], outcome["run"])
        rest.show([*(parts.words(text) for text in outcome["sentences"]), *outcome["tables"], parts.caution(outcome["caution"])])

    return look


def _bands(session):
    """The switch for bands, and what they show; gives what is to be called after every change."""
    fields: dict[str, parts.Field] = {}

    def asked():
        given = []
        for key, least, most in (("draws", 2, MOST_DRAWS), ("seed", 0, float("inf"))):
            try:
                given.append(asked_number(fields[key], least, most, whole=True, needed=True))
            except InputError as error:
                raise InputError(error.problem, key=key, value=error.value) from None
        return given

    def switch(on):
        panel.props["hidden"] = not on
        panel.update()
        study.look() if on else study.cancel()

    with parts.tag("section", aria_label="Bands"):
        on = parts.tick("bands: how far each figure reaches with all that is not known exactly", False, switch)
        with parts.tag("div", hidden=True) as panel:
            with parts.tag("div", classes="fields"):
                fields["draws"] = parts.text_field("Draws", str(DRAWS), lambda _: study.look(), "200 tell a band; more, its ends")
                fields["seed"] = parts.text_field(
                    "Seed of the draws", "0", lambda _: study.look(), "the same seed, the same draws"
                )
            study = FollowedStudy(session, "bands", run_bands, asked, _blocks, fields)
    return lambda: study.look() if on.value else None


def _blocks(told, whole):
    return [
        parts.warnings(told["warnings"]),
        *([parts.words(told["said"])] if told["said"] else []),
        *told["tables"],
        parts.sentences(told["words"]),
        *(told["readings"] if whole else [parts.fold("What to measure first", told["readings"])]),
        *(told["plots"] if whole else told["plots"][:1]),
    ]


VIEW = View("run", "Run", build)

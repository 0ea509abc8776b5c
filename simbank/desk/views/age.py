"""The view of years: who ages first, whether packs grow together or apart, and what changes are worth."""

from __future__ import annotations

from simbank.desk import parts
from simbank.desk.session import Session
from simbank.desk.views.bands import BandsSwitch
from simbank.desk.views.study import FollowedStudy, asked_number, judged
from simbank.desk.views.view import View
from simbank.desk.years import LAWS, years_of

__all__ = ["VIEW"]

BOUNDS = {"years": (0.1, 50.0), "until": (20.0, 99.0)}


def build(session: Session):
    """Show the bank over years."""
    fields: dict[str, parts.Field] = {}
    with parts.tag("div", classes="fields"):
        fields["years"] = parts.text_field("Years", "10", lambda _: study.look(), "from 0.1 to 50")
        law = parts.choice("Ageing law", LAWS, LAWS[0], lambda _: study.look())
        fields["until"] = parts.text_field(
            "End when the first pack is down to [%]",
            "",
            lambda _: study.look(),
            "of its capacity as new; empty: go through all years",
        )
        worth = parts.tick("also what changes are worth (takes several times as long)", False, lambda _: study.look())
    bands = BandsSwitch(lambda: study.look())
    fields |= bands.fields

    def asked():
        years, until = (asked_number(fields, key, *bounds, needed=key == "years") for key, bounds in BOUNDS.items())
        return years, law.value, None if until is None else until / 100.0, worth.value, *bands.asked()

    study = FollowedStudy(session, "years", years_of, asked, _blocks, fields)
    return study.look


def _blocks(told, whole):
    return [
        *judged(told, whole),
        parts.sentences([*told["left_out"], *told["words"]]),
        *told["plots"],
        parts.fold("What the figures rest on", [parts.sentences(told["basis"])]),
        parts.caution(told["caution"]),
    ]


VIEW = View("age", "Years", build)

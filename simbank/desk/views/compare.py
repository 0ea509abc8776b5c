"""The view of layouts side by side: the same packs and duty wired each way, with a drawing of each."""

from __future__ import annotations

from simbank.bank.layouts import LAYOUTS
from simbank.caution import CAUTION
from simbank.desk import parts
from simbank.desk.session import Session
from simbank.desk.studying import layouts
from simbank.desk.views.bands import BandsSwitch
from simbank.desk.views.study import FollowedStudy, judged
from simbank.desk.views.view import View

__all__ = ["VIEW"]


def build(session: Session):
    """Show layouts side by side."""
    with parts.tag("fieldset", classes="asked"):
        parts.tag("legend", "Layouts to compare")
        parts.tag(
            "span",
            "None ticked: all that the file gives parts for (a link for chains, a lead for a bus bar).",
            "note",
        )
        with parts.tag("div", classes="ticks"):
            ticks = {name: parts.tick(name, False, lambda _: study.look()) for name in LAYOUTS}

    bands = BandsSwitch(lambda: study.look())

    def asked():
        return tuple(name for name, tick in ticks.items() if tick.value) or None, *bands.asked()

    study = FollowedStudy(session, "the comparison", layouts, asked, _blocks, bands.fields)
    return study.look


def _blocks(told, whole):
    return [
        *judged(told, whole),
        *(parts.words(text) for text in told["other_parts"]),
        parts.sentences(told["drawn"]),
        parts.words(told["not_counted"]) if told["not_counted"] else {},
        *told["plots"],
        *told["drawings"],
        parts.words(told["integrator"]),
        parts.caution(CAUTION),
    ]


VIEW = View("compare", "Compare", build)

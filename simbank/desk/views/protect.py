"""The view of fault currents and protection: what fails, where, what opens first, and what was not checked."""

from __future__ import annotations

from typing import Any

from simbank.caution import PROTECTION_CAUTION
from simbank.desk import parts
from simbank.desk.session import Session
from simbank.desk.studying import protection
from simbank.desk.views.bands import BandsSwitch
from simbank.desk.views.study import FollowedStudy, asked_number
from simbank.desk.views.view import View
from simbank.studies.drivers import FEWEST
from simbank.studies.protection.asked import ASKED, assumptions_asked

__all__ = ["VIEW"]

TEXTS = {
    "warm": ("Packs in the greatest case, at", "temperature of packs for the greatest fault currents"),
    "cold": ("Packs in the least case, at", "temperature of packs for the least fault currents"),
    "within": ("Every fault should clear within", "a time"),
    "pack_inductance": ("Inductance of each pack", "for the rise of fault current"),
}
NUMBERS = {
    "drop": ("Greatest voltage drop, pack to port [%]", 0.01, 50.0, False),
    "margin": ("Rating of a device ÷ load that lasts", 1.0, 10.0, False),
    "shorted_cells": ("Cells shorted in the case of a shorted pack", 1, 100, True),
}


def build(session: Session):
    """Show the protection of the bank."""
    parts.Told([parts.caution(PROTECTION_CAUTION)])
    fields: dict[str, parts.Field] = {}
    with parts.tag("details", classes="asked"):
        parts.tag("summary", "Cases and limits")
        with parts.tag("div", classes="fields"):
            for name, (label, hint) in TEXTS.items():
                fields[_option(name)] = parts.text_field(
                    label, ASKED[name], lambda _: study.look(), parts.as_option(_option(name), hint)
                )
            for name, (label, *_) in NUMBERS.items():
                fields[_option(name)] = parts.text_field(
                    label, f"{ASKED[name]:g}", lambda _: study.look(), parts.as_option(_option(name))
                )
    bands = BandsSwitch(lambda: study.look(), FEWEST)
    fields |= bands.fields

    def asked():
        given: dict[str, Any] = {name: fields[_option(name)].value.strip() for name in TEXTS}
        for name, (_, *bounds) in NUMBERS.items():
            given[name] = asked_number(fields, _option(name), *bounds, needed=True)
        return assumptions_asked(**given), *bands.asked()

    study = FollowedStudy(session, "protection", protection, asked, _blocks, fields)
    return study.look


def _option(name):
    return f"--{name.replace('_', '-')}"


def _blocks(told, whole):
    part = told["whole" if whole else "usual"]
    checks = "Checks, those that passed too" if whole else "Checks that did not pass"
    return [
        parts.warnings(told["warnings"]),
        parts.words(told["headline"], "headline"),
        parts.verdicts(part["verdicts"]),
        *told["put_right"],
        *part["faults"],
        parts.sentences(told["drawn"]),
        told["drawing"],
        parts.sentences(told["reliance"]),
        parts.groups("What opens in the greatest case, and when by the middle of its band", part["openings"]),
        *part["overload"],
        parts.groups("Overload at the ports, followed to its end", told["overload_told"]),
        *part["outages"],
        parts.groups("Devices of strings before those behind them", told["strings"]),
        *part["shorted"],
        parts.groups(checks, part["checks"]),
        *told["plots"],
        parts.fold("What the figures rest on", [parts.sentences(told["basis"])]),
        parts.groups("Not checked", [{"title": "What may be wrong all the same:", "items": told["not_checked"]}]),
        parts.caution(PROTECTION_CAUTION),
    ]


VIEW = View("protect", "Protect", build)

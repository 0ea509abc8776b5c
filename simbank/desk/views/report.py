"""The view that makes the report of the run: the page to hand on, to download or to write into the folder."""

from __future__ import annotations

import re
from typing import Any

from nicegui import ui

from simbank.caution import REPORT_CAUTION
from simbank.desk import parts
from simbank.desk.session import Session
from simbank.desk.studying import report
from simbank.desk.views.study import AskedStudy, asked_number
from simbank.desk.views.view import View
from simbank.errors import InputError

__all__ = ["VIEW"]

DRAWS = "--bands"
LABEL = "Draws for the bands"


def build(session: Session):
    """Make a report when asked to."""
    parts.say(
        "One HTML file to print or to send: the bank, its run, layouts side by side, protection, what to put right, what to buy, and "
        "readings to take at commissioning. It opens in any browser and asks for nothing from elsewhere."
    )
    fields: dict[str, parts.Field] = {}
    with parts.tag("fieldset", classes="asked"):
        parts.tag("legend", "The report")
        bands = parts.tick("with bands: every figure from 5 to 95 % of draws of what is not known", True, lambda _: study.look())
        with parts.tag("div", classes="fields"):
            fields[DRAWS] = parts.text_field(
                LABEL, "", lambda _: study.look(), parts.as_option(DRAWS, "empty: as many as a minute allows")
            )

    def asked():
        if not bands.value:
            return (0,)
        return (asked_number(fields, DRAWS, 2, 100_000, whole=True),)

    made = _Made(session)
    study = AskedStudy(session, "the report", report, asked, _blocks, fields, offered=made.offer)
    made.build()
    return study.look


class _Made:
    """What can be done with a report that is made."""

    def __init__(self, session: Session):
        self._folder = session.shared.folder
        self._found: dict[str, Any] | None = None
        self._panel = self._name = self._overwrite = self._said = None

    def build(self):
        """Buttons, which are seen once there is a report."""
        with parts.tag("fieldset", classes="asked", hidden=self._found is None) as self._panel:
            parts.tag("legend", "The report that was made")
            with parts.tag("div", classes="bar"):
                parts.button("Download it", lambda: ui.download.content(self._found["html"], self._found["name"]), "main")
            self._name = parts.text_field("Name in the folder", "", None, f"ends in .html; in {self._folder.path}")
            self._overwrite = parts.tick("Overwrite a file of that name", False)
            with parts.tag("div", classes="bar"):
                parts.button("Write it into the folder", self._write)
            self._said = parts.tag("p", "", role="status")

    def offer(self, found: dict[str, Any] | None):
        """Take what was found last."""
        if found is self._found:
            return
        self._found = found
        if self._panel is not None:
            self._panel.props["hidden"] = found is None
            self._panel.update()
            self._say("")

    def _write(self):
        name = self._name.value.strip()
        try:
            if self._folder.place_for(name, ".html").exists() and not self._overwrite.value:
                raise InputError('is there already; tick "Overwrite a file of that name", or choose another name', file=name)
            self._folder.save(name, self._found["html"], ".html")
        except InputError as error:
            self._name.wrong(str(error))
            self._say("")
            return
        self._name.wrong("")
        self._say(f"Written: {name}")

    def _say(self, text):
        self._said._text = text
        self._said.update()


def _blocks(told, whole):
    return [
        *(parts.words(re.sub(rf"{DRAWS} (\d+)", rf'\1 in "{LABEL}"', text)) for text in told["said"]),
        parts.words(f"{told['size']}, of the values when it was begun: {told['name']}"),
        parts.caution(REPORT_CAUTION),
    ]


VIEW = View("report", "Report", build)

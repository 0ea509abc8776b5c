"""The view of readings: what was read at the bank is typed in, and what is suspect, how sure that is and what to read next is told."""

from __future__ import annotations

from simbank.caution import CAUTION
from simbank.desk import parts
from simbank.desk.readings import COLUMNS, as_csv, diagnosed, row_of
from simbank.desk.session import Session
from simbank.desk.views.study import FollowedStudy
from simbank.desk.views.view import View
from simbank.errors import InputError

__all__ = ["VIEW"]

HEADINGS = {
    "current_a": "current [A]", "drop_mv": "drop along it [mV]", "time_since_change_s": "since the current changed [s]",
    "pack_voltage_v": "voltage [V]", "displayed_soc": "display", "instant": "instant",
}  # fmt: skip
SETTINGS = {
    "before": ("What the bank did before", 'such as "discharge 200 A for 2 h", "charge 60 A for 3 h", or rest; empty: not told'),
    "accuracy": ("Accuracy of the clamp meter", "empty: 2 % + 0.1 A"),
    "voltage_accuracy": ("Accuracy of voltages", "empty: 0.5 % + 0.02 V"),
    "drop_accuracy": ("Accuracy of drops", "empty: 2 % + 0.5 mV"),
}
DOING = {"as the signs say: positive discharges": "", "discharging": "discharge", "charging": "charge"}
TABLE, TEXT = "the table below", "the CSV text below"
KEYS = {"voltage accuracy": "voltage_accuracy", "drop accuracy": "drop_accuracy", "current accuracy": "accuracy"}  # of errors


def build(session: Session):
    """Take readings and show what they say."""
    return _Readings(session).look


class _Readings:
    """The table of readings, and what it says."""

    def __init__(self, session: Session):
        self.session = session
        self.rows: list[_Row] = []
        self.places: tuple[list[str], list[str]] = ([], [])
        parts.say("Type what meters and displays show. An empty field was not read; rows in which nothing stands do not count.")
        self.kind = parts.choice("Readings are", [TABLE, TEXT], TABLE, self._switch)
        with parts.tag("div") as self._by_table:
            with parts.tag("div", classes="wide", tabindex=0, role="region", aria_label="Readings"), parts.tag("table"):
                parts.tag("caption", "Readings")
                with parts.tag("thead"), parts.tag("tr"):
                    for heading in ("where", *HEADINGS.values()):
                        parts.tag("th", heading, scope="col")
                self._body = parts.tag("tbody")
            with parts.tag("div", classes="bar"):
                parts.button("Add a row", self._add)
                parts.button("Put this table into the CSV text", self._export)
        with parts.tag("div", hidden=True) as self._by_text:
            self._text = parts.text_area(
                "Readings as CSV", "", lambda _: self._changed(),
                "as simbank diagnose reads them: rows pack, current_a, time_since_change_s, pack_voltage_v, displayed_soc, or link, drop_mv",
            )  # fmt: skip
        self._wrong = parts.tag("p", "", "wrong", role="alert", hidden=True)
        fields: dict[str, parts.Field] = {}
        with parts.tag("details", classes="asked"):
            parts.tag("summary", "How it was read")
            with parts.tag("div", classes="fields"):
                self.doing = parts.choice("The bank was", list(DOING), next(iter(DOING)), lambda _: self._changed())
                for key, (label, hint) in SETTINGS.items():
                    fields[key] = parts.text_field(label, "", lambda _: self._changed(), hint)
        self.fields = fields
        self.study = FollowedStudy(session, "what the readings say", diagnosed, self._asked, _blocks, fields, self._mark)

    # ---- the table ----

    def look(self):
        """The table follows the bank; what it says follows both."""
        outcome = self.session.outcome
        if outcome is not None and not self.session.is_stale:
            places = outcome["places"]["packs"] + outcome["places"]["ports"], outcome["places"]["conductors"]
            if places != self.places:
                self.places = places
                self._follow(outcome["places"]["packs"])
        self.study.look()

    def _follow(self, packs):
        """A row for each pack; what was typed at a place that is still there stays."""
        kept = [row.said() for row in self.rows if row.typed]
        self._body.clear()
        self.rows = []
        at_places = {row["where"] for row in kept}
        for said in [*kept, *({"where": name} for name in packs if name not in at_places)]:
            self._row(said)

    def _row(self, said):
        with self._body:
            self.rows.append(_Row(self, said))

    def _add(self):
        self._row({"where": self.places[1][0] if self.places[1] else ""})

    def _switch(self, kind):
        for element, of in ((self._by_table, TABLE), (self._by_text, TEXT)):
            element.props["hidden"] = kind != of
            element.update()
        self._changed()

    def _export(self):
        self._text.put(self._csv())
        self.kind.put(TEXT)
        self._switch(TEXT)

    def _changed(self):
        self.study.look()

    # ---- what is asked ----

    def _csv(self):
        if self.kind.value == TEXT:
            return self._text.value
        return as_csv([row.said() | {"is_conductor": row.where.value in self.places[1]} for row in self.rows])

    def _asked(self):
        text = self._csv()
        if not any(line.strip() for line in text.splitlines()[1:]):
            raise InputError("nothing is typed in yet", key="")
        given = {key: field.value for key, field in self.fields.items()} | {"doing": DOING[self.doing.value]}
        return text, given

    def _mark(self, problem):
        """An error stands beside the row that it is about, or below the table."""
        at = None if problem is None or self.kind.value == TEXT else row_of(problem)
        counted = [row for row in self.rows if row.typed]
        for row in self.rows:
            row.wrong(str(problem) if at is not None and at < len(counted) and row is counted[at] else "")
        key = KEYS.get(problem.key, problem.key) if problem is not None else ""
        beside = problem is None or not problem.key or key in self.fields or (at is not None and at < len(counted))
        self._wrong._text = "" if beside else str(problem)
        self._wrong.props["hidden"] = beside
        self._wrong.update()
        for name, field in self.fields.items():
            field.wrong(str(problem) if problem is not None and key == name else "")


class _Row:
    """A row of the table: where, and what was read there."""

    def __init__(self, table: _Readings, said: dict[str, str]):
        packs_and_ports, conductors = table.places
        options = list(dict.fromkeys([*packs_and_ports, *conductors, said["where"]]))
        self._values: dict[str, parts.Field] = {}
        with parts.tag("tr") as self._element:
            with parts.tag("th", classes="stays", scope="row"):
                self.where = parts.choice("where", options, said["where"], lambda _: table._changed(), bare=True)
                self._wrong = parts.tag("strong", "", "wrong", role="alert", hidden=True)
            for name in COLUMNS:
                with parts.tag("td"):
                    self._values[name] = parts.text_field(
                        f"{HEADINGS[name]}, {said['where']}", said.get(name, ""), lambda _: table._changed(), bare=True
                    )

    @property
    def typed(self):
        """Whether something stands in it."""
        return any(field.value.strip() for field in self._values.values())

    def said(self):
        """What stands in it."""
        return {"where": self.where.value, **{name: field.value for name, field in self._values.items()}}

    def wrong(self, problem):
        """Say what is wrong with it."""
        if self._wrong._text != problem:
            self._wrong._text = problem
            self._wrong.props["hidden"] = not problem
            self._wrong.update()


def _blocks(told, whole):
    return [
        parts.warnings(told["warnings"]),
        parts.sentences([text.replace("--before", f'"{SETTINGS["before"][0]}"') for text in told["answer"]]),
        parts.verdicts(told["whole_verdicts" if whole else "verdicts"]),
        *told["whole_tables" if whole else "tables"],
        told["drawing"],
        *told["plots"],
        parts.fold("How readings were understood, and what was looked at", [parts.sentences(told["notes"])]),
        parts.caution(CAUTION),
    ]


VIEW = View("diagnose", "Diagnose", build)

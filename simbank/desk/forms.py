"""The forms of the desk, made from the file's schema: sections, tables and fields as plain data, which ``sheet.js`` shows."""

from __future__ import annotations

import json
from collections.abc import Container, Iterable
from functools import lru_cache
from typing import Any

from simbank.bank.assumed import assumed
from simbank.bank.device_classes import class_library
from simbank.bank.layouts import LAYOUTS
from simbank.cells import library
from simbank.desk.document import Place
from simbank.errors import InputError
from simbank.scenario import json_schema
from simbank.scenario.changes import parts_of

__all__ = ["ASKED", "STARTS", "describe", "field_id", "field_of_error", "place_of_key"]

PACK_COLUMNS = ("name", "type", "soc", "capacity_left", "grade", "resistance_at_posts")
MAKE_COLUMNS = ("chemistry", "cells_in_series", "capacity", "cell_resistance", "internal_wiring")
STEP_COLUMNS = ("discharge", "charge", "rest", "hours", "tail", "voltage")
MAIN = {  # keys shown at once; the others of these tables under "more"
    "ConductorTable": ("gauge", "length", "joint", "insulation"),
    "DeviceTable": ("class", "rating", "resistance", "interrupting_rating", "voltage_rating", "pole"),
    "BarTable": ("section", "pitch", "take_off"),
    "InverterTable": ("rated_power", "idle", "cutoff", "recovery"),
    "ChargerTable": ("current_limit", "absorb", "float", "tail"),
    "BMSTable": ("over_voltage", "under_voltage", "charge_current", "discharge_current"),
    "DaysDuty": ("days", "start", "timezone"),
    "SunTable": ("latitude", "longitude", "peak_power", "tilt", "azimuth", "weather_seed"),
    "LoadTable": ("energy_per_day", "seed", "port"),
    "ConstantDuty": ("discharge", "charge", "hours", "c_rate"),
    "CyclesDuty": ("repeat", "c_rate"),
    "TableDuty": ("file", "interpolation", "repeat"),
    "StringTable": ("name", "packs", "layout"),
    "PortTable": ("name",),
}  # fmt: skip
ASKED = (
    "StepTable",
    "ConstantDuty",
    "CyclesDuty",
    "TableDuty",
    "ChangeTable",
    "SwitchTable",
)  # what one wants to know, not what parts are
TO_REPLACE = "assumed, to start from: replace it by yours"
# joints as simbank new gives them
CABLE = {"gauge": "2 AWG", "length": "40 cm", "joint": {"value": "0.05 milliohm", "range": list(assumed().joint.range)}}
# What a table begins with when it is added: values to start from, invented, to be replaced by those of the parts themselves.
STARTS: dict[str, dict[str, Any]] = {
    "ConductorTable": CABLE, "DeviceTable": {"rating": "100 A", "resistance": "0.2 milliohm"},
    "BarTable": {"section": "20 x 5 mm", "pitch": "10 cm"}, "InverterTable": {"rated_power": "3 kW"},
    "ChargerTable": {"current_limit": "60 A"}, "BMSTable": {"retries": 3}, "RackTable": {"coupling": "2 W/K"},
    "DisplayTable": {"gain_error": 0.0}, "LimitTable": {"limit": "100 A"},
    "TemperatureTable": {"lowest": "0 degC", "highest": "50 degC"}, "PrechargeTable": {"resistance": "10 ohm", "time": "2 s"},
    "DistributionTable": {"layout": "busbar", "lead": CABLE}, "StringTable": {"name": "string", "packs": []},
    "PortTable": {"name": "port"}, "PackTable": {"name": "pack", "soc": 0.8}, "StepTable": {"rest": True, "hours": 1},
    "SunTable": {"latitude": 47.0, "longitude": 8.0, "peak_power": "2 kW"}, "LoadTable": {"energy_per_day": "4 kWh"},
    "SwitchTable": {"what": "", "at": "1 hour"}, "ChangeTable": {"at": "4 years", "remove": []},
    "FreeConductor": {"from": "", "to": "", **CABLE}, "SeasonsTable": {"mean": "10 degC", "swing": "8 K"},
    "RCTable": {"resistance": "0.1 milliohm", "time_constant": "30 s"}, "ChemistryTable": {"base": "lfp"},
    "DisplayFullTable": {"volt": "56.8 V"}, "DisplayEmptyTable": {"volt": "44.8 V"},
    "PackType": {},  # nothing that would be taken for its own: what a make needs is asked for
}  # fmt: skip
STARTS |= {
    "ConstantDuty": {"kind": "constant", "discharge": "0.2 C", "hours": 3},
    "CyclesDuty": {
        "kind": "cycles", "repeat": 3,
        "steps": [
            {"discharge": "0.2 C", "hours": 3}, {"rest": True, "hours": 1}, {"charge": "0.2 C", "tail": "0.02 C", "hours": 5},
            {"rest": True, "hours": 15},
        ],
    },
    "TableDuty": {"kind": "table", "file": "duty.csv"},
    "DaysDuty": {"kind": "days", "days": 3, "sun": [STARTS["SunTable"]], "load": [STARTS["LoadTable"]]},
}  # fmt: skip
DUTIES = {"constant": "ConstantDuty", "cycles": "CyclesDuty", "table": "TableDuty", "days": "DaysDuty"}
REAL_DAYS = {
    "constant": "one charge or discharge",
    "cycles": "steps, repeated",
    "days": "real days of sun and load",
    "table": "from a table",
}


# keys whose own words are not what one calls the thing; see _words
WORDS = {
    "c_rate": "C-rate", "soc": "state of charge", "bms": "BMS", "ocv": "open-circuit voltage", "what": "what is switched",
    "measured_at_soc": "measured at state of charge", "altitude_m": "altitude [m]", "pack_types": "makes of pack",
    "capacity_left": "capacity left (1: as new)", "volt": "voltage", "volt_max": "highest voltage", "volt_min": "lowest voltage",
    "charge_volt": "charge voltage", "cutoff_volt": "cutoff voltage",
}  # fmt: skip


@lru_cache(maxsize=1)
def _schema():
    schema = json_schema()
    return {"ScenarioFile": schema, **schema["$defs"]}


def field_id(place: Iterable[str | int]) -> str:
    """The id in the page of what stands at a place of the file.

    >>> field_id(("packs", 0, "soc"))
    'at.packs.0.soc'
    """
    return ".".join(("at", *(str(part).replace(" ", "_").replace(".", "_") for part in place)))


def describe(data: dict[str, Any], assumed_at: Container[Place] = ()) -> list[dict[str, Any]]:
    """Sections of the form for a file's contents; fields at places in ``assumed_at`` say that their values are assumed.

    Each has ``id``, ``title`` and ``parts``; a part is a ``field``, a ``table`` of rows, a ``form`` (a table of the file, with fields,
    what is under "more", and parts of its own), a ``list`` of forms, or an ``absent`` one that can be added.
    """
    sections = [
        {"id": "bank", "title": "Bank", "parts": [_form("ScenarioFile", (), data, data, only=("name", "ambient"), title="")]},
        {"id": "packs", "title": "Packs", "parts": [_packs(data), *_makes(data)]},
        {"id": "wiring", "title": "Wiring", "parts": _wiring(data)},
        {"id": "ports", "title": "Ports and equipment", "parts": [_entries("PortTable", ("ports",), data, data, "port", but=("device",))]},
        {"id": "duty", "title": "Duty", "parts": _duty(data)},
        {"id": "devices", "title": "Devices and BMS", "parts": list(_devices(data))},
        {"id": "rest", "title": "More of the file", "parts": _rest(data)},
    ]  # fmt: skip
    if assumed_at:
        _note_assumed(sections, assumed_at)
    return sections


def _note_assumed(parts, assumed_at):
    """Say beside each field whose value is assumed that it is."""
    for part in parts:
        if part.get("kind") == "field" and part["place"] in assumed_at and not part["note"]:
            part["note"] = TO_REPLACE
        for key in ("parts", "fields", "more", "entries", "rows", "cells"):
            _note_assumed(part.get(key, ()), assumed_at)


def _rest(data):
    return [
        _optional("RackTable", ("rack",), data, data, "rack"),
        _optional("SeasonsTable", ("seasons",), data, data, "seasons"),
        _entries("SwitchTable", ("switching",), data, data, "switching"),
        _entries("ChangeTable", ("changes",), data, data, "changes"),
        _named("ChemistryTable", ("chemistries",), data, data, "chemistries"),
    ]


# ---- the sections ----


def _packs(data):
    """The table of packs: a row each, what its make says beside it, and the rest of its keys under "more"."""
    makes = _table(data, "pack_types")
    rows = []
    for k, pack in enumerate(_list(data, "packs")):
        place = ("packs", k)
        make = makes.get(pack.get("type")) if isinstance(pack.get("type"), str) else None
        make = make if isinstance(make, dict) else {}
        capacity = make.get("capacity") or make.get("cell_capacity") or ""
        said = [_text(make.get("chemistry", "lfp") if make else ""), _text(capacity)]
        cells = [_field("PackTable", key, place, pack, data) for key in PACK_COLUMNS]
        rest = _form(
            "PackTable", place, pack, data, but=(*PACK_COLUMNS, "device", "bms", "written_out_from"), title="", all_more=True
        )
        rows.append(
            {
                "place": place,
                "name": str(pack.get("name", k + 1)),
                "cells": cells,
                "said": said,
                "more": rest["more"] + rest["parts"],
            }
        )
    columns = [_heading("PackTable", key) for key in PACK_COLUMNS]
    return {
        "kind": "table", "place": ("packs",), "id": field_id(("packs",)), "title": "Packs, in the order in which they are joined", "columns": columns,
        "said": ["of its make: chemistry", "capacity as new"], "rows": rows, "add": "pack", "what": "pack",
    }  # fmt: skip


def _makes(data):
    makes = _table(data, "pack_types")
    used = {}
    for pack in _list(data, "packs"):
        used.setdefault(str(pack.get("type")), []).append(str(pack.get("name")))
    entries = []
    for name, make in makes.items():
        form = _form("PackType", ("pack_types", name), make, data, main=MAKE_COLUMNS, but=("bms",), title=f"Make {name}")
        names = used.get(name, [])
        form["about"] = f"of {', '.join(names)}" if names else "of no pack yet"
        given = make if isinstance(make, dict) else {}
        if "capacity" not in given and "cell_capacity" not in given:  # one of them
            for field in form["fields"]:
                field["required"] |= field["place"][-1] == "capacity"
        if not given:
            form["about"] += ". It is empty: enter its values from its data sheet"
        entries.append(form)
    return [
        {
            "kind": "list", "place": ("pack_types",), "id": field_id(("pack_types",)), "title": "Makes of pack", "entries": entries,
            "add": "make of pack", "model": "PackType", "named": True,
            "about": "What packs of one make have in common: a change here is one of all of them.",
        }
    ]  # fmt: skip


def _wiring(data):
    """What the layout uses, and the rest of the wiring under its title: parts of other layouts, which compare goes by."""
    wiring = _table(data, "wiring")
    layout = wiring.get("layout", "chain")
    kind = LAYOUTS.get(layout) if isinstance(layout, str) else None
    strings = bool(wiring.get("strings"))
    own = {"link": ("link",), "lead": ("lead", "leads", "bar")}.get(kind.part if kind else "", ("conductors",))
    own = (*own, "distribution") if strings else own
    parts = [_field("WiringTable", "layout", ("wiring",), wiring, data)]
    if kind:
        parts[0]["note"] = kind.summary

    def part(key):
        model, form = _inner(_schema()["WiringTable"]["properties"][key])
        make = {"one": _optional, "list": _entries, "named": _named}[form]
        more = {"but": ("device",)} if key == "strings" else {}  # which stand among the devices
        return make(model, ("wiring", key), wiring, data, key, **more)

    parts += [part(key) for key in own]
    others = [part(key) for key in ("link", "lead", "leads", "bar", "distribution", "strings", "conductors") if key not in own]
    plain = [_field("WiringTable", key, ("wiring",), wiring, data) for key in ("spacing", "conductor_temperature")]
    added = _table(wiring, "added")
    extra = {
        "kind": "pairs", "place": ("wiring", "added"), "id": field_id(("wiring", "added")), "title": "Added resistance of branches",
        "about": _plain(_schema()["WiringTable"]["properties"]["added"]["description"]),
        "fields": [
            _plain_field(("wiring", "added", name), name, _text(value), note=_known(value)) for name, value in added.items()
        ],
    }  # fmt: skip
    return [
        *parts,
        {"kind": "more", "title": "More: other layouts, strings, added resistance", "parts": [*plain, extra, *others]},
    ]


def _duty(data):
    duty = _table(data, "duty")
    kind = duty.get("kind", "")
    model = DUTIES.get(kind) if isinstance(kind, str) else None
    choice = {
        "kind": "field", "id": field_id(("duty", "kind")), "place": ("duty", "kind"), "label": "kind of duty", "takes": "",
        "value": kind if model else "", "input": "select", "options": [[name, f"{name}: {words}"] for name, words in REAL_DAYS.items()], "op": "kind",
        "help": "What is asked of the bank over time. Another kind begins with values to start from.", "note": "", "required": True,
    }  # fmt: skip
    if model is None:
        return [choice]
    place = ("duty",)
    if model == "CyclesDuty":
        steps = _list(duty, "steps")
        rows = []
        for k, step in enumerate(steps):
            inner = ("duty", "steps", k)
            rest = _form("StepTable", inner, step, data, but=STEP_COLUMNS, title="", all_more=True)
            rows.append(
                {
                    "place": inner, "name": f"step {k + 1}", "said": [], "more": rest["more"],
                    "cells": [_field("StepTable", key, inner, step, data) for key in STEP_COLUMNS],
                }
            )  # fmt: skip
        table = {
            "kind": "table", "place": ("duty", "steps"), "id": field_id(("duty", "steps")), "title": "Steps, in order",
            "columns": [_heading("StepTable", key) for key in STEP_COLUMNS], "said": [], "rows": rows, "add": "step", "what": "step",
        }  # fmt: skip
        return [choice, _form(model, place, duty, data, main=MAIN[model], but=("kind", "steps"), title=""), table]
    return [choice, _form(model, place, duty, data, but=("kind",), title="")]


def _devices(data):
    """Devices and BMS, each beside the pack, make, string or port that it belongs to."""
    for k, pack in enumerate(_list(data, "packs")):
        yield _optional("DeviceTable", ("packs", k, "device"), pack, data, f"device of pack {pack.get('name', k + 1)}")
    for k, string in enumerate(_list(_table(data, "wiring"), "strings")):
        yield _optional(
            "DeviceTable", ("wiring", "strings", k, "device"), string, data, f"device of string {string.get('name', k + 1)}"
        )
    for k, port in enumerate(_list(data, "ports")):
        yield _optional("DeviceTable", ("ports", k, "device"), port, data, f"device of port {port.get('name', k + 1)}")
    makes = _table(data, "pack_types")
    for name, make in makes.items():
        yield _optional(
            "BMSTable", ("pack_types", name, "bms"), make if isinstance(make, dict) else {}, data, f"BMS of make {name}"
        )
    for k, pack in enumerate(_list(data, "packs")):
        if pack.get("bms"):
            yield _optional("BMSTable", ("packs", k, "bms"), pack, data, f"BMS of pack {pack.get('name', k + 1)} alone")


# ---- tables of the file as forms ----


def _table(table, key):
    found = table.get(key)
    return found if isinstance(found, dict) else {}


def _list(table, key):
    entries = table.get(key)
    return [entry if isinstance(entry, dict) else {} for entry in entries] if isinstance(entries, list) else []


def _inner(schema):
    """(name of the table, "one", "list" or "named") of a key that holds tables; (None, "") of any other."""
    for part in (schema, *schema.get("anyOf", [])):
        if "$ref" in part and "x-takes" not in schema:
            return part["$ref"].rpartition("/")[2], "one"
        if "$ref" in part.get("items", {}):
            return part["items"]["$ref"].rpartition("/")[2], "list"
        if isinstance(part.get("additionalProperties"), dict) and "$ref" in part["additionalProperties"]:
            return part["additionalProperties"]["$ref"].rpartition("/")[2], "named"
    return None, ""


def _form(model, place, table, data, *, title, main=None, but=(), only=None, all_more=False):
    """A table of the file: fields shown at once, those under "more", and tables within it."""
    table = table if isinstance(table, dict) else {}
    main = MAIN.get(model) if main is None else main
    fields, more, parts = [], [], []
    for key, schema in _schema()[model]["properties"].items():
        if key in but or (only is not None and key not in only):
            continue
        inner, form = _inner(schema)
        if inner:
            make = {"one": _optional, "list": _entries, "named": _named}[form]
            parts.append(make(inner, (*place, key), table, data, key))
            continue
        required = key in _schema()[model].get("required", [])
        shown = not all_more and (main is None or key in main or required)
        (fields if shown else more).append(_field(model, key, place, table, data))
    if model == "PackType":  # what few know of their packs
        more, parts = more + parts, []
    return {
        "kind": "form", "place": place, "id": field_id(place), "title": title, "about": "", "fields": fields, "more": more, "parts": parts,
        "model": model,
    }  # fmt: skip


def _optional(model, place, table, data, title):
    """A table that may stand in another: its form, or what adds it."""
    key = place[-1]
    about = _about(place)
    if not isinstance(table, dict) or table.get(key) is None:
        return {"kind": "absent", "place": place, "id": field_id(place), "title": _words(title), "model": model, "about": about}
    made = _form(model, place, table[key], data, title=_words(title))
    return made | {"about": about, "removable": True}


def _entries(model, place, table, data, title, but=()):
    """A list of tables, each with a form."""
    key = place[-1]
    entries, alone = [], isinstance(table, dict) and isinstance(table.get(key), dict)
    if alone:  # one table where a list of them may stand
        entries.append(_form(model, place, table[key], data, title=_words(title), but=but) | {"removable": True})
    for k, entry in enumerate(_list(table, key)):
        name = entry.get("name") or entry.get("what") or f"{_words(title)} {k + 1}"
        entries.append(_form(model, (*place, k), entry, data, title=str(name), but=but) | {"removable": True, "movable": True})
    return {
        "kind": "list", "place": place, "id": field_id(place) + ".all" * alone,
        "title": _words(title), "entries": entries, "add": _words(title), "model": model,
        "about": _about(place), "named": False,
    }  # fmt: skip


def _named(model, place, table, data, title):
    """Tables by name, each with a form."""
    found = table.get(place[-1]) if isinstance(table, dict) else None
    found = found if isinstance(found, dict) else {}
    entries = [_form(model, (*place, name), entry, data, title=name) | {"removable": True} for name, entry in found.items()]
    return {
        "kind": "list", "place": place, "id": field_id(place), "title": _words(title), "entries": entries, "add": _words(title), "model": model,
        "about": _about(place), "named": True,
    }  # fmt: skip


def _about(place):
    """What the schema says of a key, by where it stands."""
    model = "ScenarioFile"
    said = ""
    for part in place:
        if isinstance(part, int):
            continue
        schema = _schema().get(model, {}).get("properties", {}).get(part)
        if schema is None:
            continue
        said = _plain(schema.get("description", ""))
        model = _inner(schema)[0] or model
    return said


def _words(key):
    return WORDS.get(key, key.replace("_", " "))


def _plain(text):
    return text.replace("`", "").replace("**", "")


def _heading(model, key):
    schema = _schema()[model]["properties"][key]
    return {"key": key, "label": _words(key), "takes": _takes(schema), "help": _plain(schema.get("description", ""))}


def _takes(schema):
    """What a key takes, in the words of the README, shortly."""
    if "enum" in schema or "const" in schema:
        return ""
    either = schema.get("anyOf", [])
    for part in (schema, *either, *(inner for one in either for inner in one.get("anyOf", []))):
        if "x-takes" in part:
            example = f", such as {part['examples'][0]}" if part.get("examples") else ""
            return part["x-takes"] + example
        if part.get("type") in ("number", "integer"):
            low = part.get("minimum", part.get("exclusiveMinimum"))
            bounds = f", {low:g} to {part['maximum']:g}" if low is not None and "maximum" in part else ""
            return f"{'a number' if part['type'] == 'number' else 'a whole number'}{bounds}"
    return ""


def _type(schema):
    kinds = [schema.get("type"), *(part.get("type") for part in schema.get("anyOf", []))]
    if "boolean" in kinds or schema.get("const") is True or any(part.get("const") is True for part in schema.get("anyOf", [])):
        return "switch"
    if "array" in kinds:
        return "list"
    return "number" if {"number", "integer"} & set(kinds) else "text"


def _field(model, key, place, table, data):
    """One key: its value as text, what it takes, what it means, what may be chosen."""
    schema = _schema()[model]["properties"][key]
    value = table.get(key) if isinstance(table, dict) else None
    kind = _type(schema)
    options = _options(model, key, schema, data)
    default = schema.get("x-default", schema.get("default"))
    field = _plain_field((*place, key), _words(key), _text(value), kind=kind, note=_known(value))
    required = key in _schema()[model].get("required", [])
    shown = "" if default is None or required or kind == "list" else _default_words(schema, default)
    field |= {"takes": _takes(schema), "help": _plain(schema.get("description", "")), "default": shown, "required": required}
    if kind == "switch":
        field |= {"input": "check"}
    elif options and (
        key == "type" or "enum" in schema or any("enum" in part for part in schema.get("anyOf", [])) or key == "grade"
    ):
        blank = [] if key == "type" else [["", f"({shown})" if shown else "–"]]
        known = [name for name, _ in options]
        lost = [[field["value"], field["value"]]] if field["value"] and field["value"] not in known else []
        field |= {"input": "select", "options": [*blank, *options, *lost]}
    elif options:
        field |= {"options": options}
    if key == "name" and len(place):  # the bank's own is named nowhere else
        field["op"] = "rename"
    return field


def _plain_field(place, label, value, kind="text", note=""):
    return {
        "kind": "field", "id": field_id(place), "place": place, "label": label, "takes": "", "help": "", "value": value, "type": kind,
        "input": "text", "note": note, "default": "", "required": False, "op": "put",
    }  # fmt: skip


def _default_words(schema, default):
    unit = schema.get("x-si-unit")
    if unit == "kelvin" and isinstance(default, float):
        return f"{default - 273.15:g} degC" if default > 100 else f"{default:g} K"
    if isinstance(default, bool):
        return "yes" if default else "no"
    return f"{default:g} {unit}" if unit and isinstance(default, (int, float)) else str(default)


def _options(model, key, schema, data):
    for part in (schema, *schema.get("anyOf", [])):
        if "enum" in part:
            return [[name, name] for name in part["enum"]]
    if model == "PackTable" and key == "type":
        return [[name, name] for name in _table(data, "pack_types")]
    if key == "grade":
        return [["A", "A"], ["B", "B"], ["used", "used"]]
    if key == "chemistry":
        return [[name, name] for name in [*library(), *_table(data, "chemistries")]]
    if key == "class":
        return [[name, name] for name in class_library()]
    if key == "port":
        return [[str(port.get("name")), str(port.get("name"))] for port in _list(data, "ports")]
    return []


def _text(value):
    """A value of the file as one types it; of one whose range is given its middle."""
    if value is None:
        return ""
    if isinstance(value, dict):
        return _text(value["value"]) if "value" in value else json.dumps(value, ensure_ascii=False)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list):
        plain = all(isinstance(entry, str) and "," not in entry for entry in value)
        return ", ".join(value) if plain else json.dumps(value, ensure_ascii=False)
    return str(value)


def _known(value):
    """How well the file says a value is known."""
    if not isinstance(value, dict) or "value" not in value:
        return ""
    if "within" in value:
        return f"± {value['within']}"
    span = value.get("range")
    return f"range {span[0]} to {span[1]}" if isinstance(span, list) and len(span) == 2 else ""


# ---- where an error belongs ----


def place_of_key(data: dict[str, Any], key: str) -> Place:
    """The place of the file that a dotted key of an error means; as far as it leads anywhere.

    >>> place_of_key({"packs": [{"name": "A"}]}, "packs.A.soc")
    ('packs', 0, 'soc')
    """
    place: list[str | int] = []
    found: Any = data
    for part in parts_of(key):
        if isinstance(found, list):
            names = [entry.get("name") if isinstance(entry, dict) else None for entry in found]
            if part in names:
                number = names.index(part)
            elif part.isdigit() and int(part) < len(found):
                number = int(part)
            else:
                place.append(part)
                found = None
                continue
            place.append(number)
            found = found[number]
        else:
            place.append(part)
            found = found.get(part) if isinstance(found, dict) else None
    return tuple(place)


def field_of_error(error: InputError, data: dict[str, Any], shown: set[str]) -> str:
    """The id of the field that an error concerns: its key's own, or the nearest above it that is ``shown``; else the first."""
    place = place_of_key(data, error.key) if error.key else ()
    while place and field_id(place) not in shown:
        place = place[:-1]
    return field_id(place) if place else ""

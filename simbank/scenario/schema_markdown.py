"""The keys of the scenario file as tables in Markdown, made from the schema that reads them; ``scenarios/README.md`` holds them."""

from __future__ import annotations

from simbank.cells.chemistry_schema import ChemistryFile, Sourced
from simbank.scenario.schema import json_schema

__all__ = ["BEGIN", "END", "format_reference", "in_page"]

BEGIN, END = (
    "<!-- every key: made by `simbank schema --markdown`, checked by a test -->",
    "<!-- end of every key -->",
)
SHORT = {"kelvin": "K", "second": "s", "volt": "V"}  # units of defaults
# Title of each table, where it stands in a file, in the order of reading.
TABLES = {
    "ScenarioFile": "the file", "SeasonsTable": "seasons", "ChangeTable": "[[changes]]",
    "PackType": "pack_types.NAME", "RCTable": "an entry of relaxation", "BMSTable": "pack_types.NAME.bms",
    "LimitTable": "a limit of a BMS", "TemperatureTable": "temperature limits of a BMS", "PrechargeTable": "precharge of a BMS",
    "DisplayTable": "pack_types.NAME.display", "DisplayFullTable": "full of a display", "DisplayEmptyTable": "empty of a display",
    "ChemistryTable": "chemistries.NAME",
    "PackTable": "[[packs]]", "DeviceTable": "a device", "RackTable": "rack", "WiringTable": "wiring", "ConductorTable": "a link or lead",
    "BarTable": "bar", "StringTable": "[[wiring.strings]]", "DistributionTable": "wiring.distribution",
    "FreeConductor": "[[wiring.conductors]]", "PortTable": "[[ports]]", "InverterTable": "inverter of a port",
    "ChargerTable": "charger of a port", "SwitchTable": "[[switching]]", "ConstantDuty": "duty, kind constant",
    "CyclesDuty": "duty, kind cycles", "StepTable": "an entry of duty.steps", "TableDuty": "duty, kind table",
    "DaysDuty": "duty, kind days", "SunTable": "duty.sun", "LoadTable": "duty.load",
}  # fmt: skip


# Tables that have all keys of another and a few of their own.
MORE_THAN = {"FreeConductor": "ConductorTable", "ConstantDuty": "StepTable"}


FLAT = ("ChemistryTable",)  # tables whose own tables stand in the same rows, by dotted keys


def format_reference() -> str:
    """Markdown: a table for every table of the file, a row for every key, each said once."""
    schema = json_schema()
    known = {"ScenarioFile": schema, **schema["$defs"]}
    inner = {_inner(field) for name in FLAT for field in known[name]["properties"].values()}
    missing = set(known) - set(TABLES) - inner
    if missing:
        raise KeyError(f"tables without a title: {missing}")
    lines = [line for name in TABLES for line in _table(name, known)]
    return "\n".join([*lines, *_chemistry_file()])


def _chemistry_file():
    """Lines of the table of a chemistry file's keys; those that every section has are said once."""
    schema = ChemistryFile.model_json_schema()
    model = schema["$defs"]
    told = {key: field["description"] for key, field in model["_OCV"]["properties"].items() if key in Sourced.model_fields}
    yield from ("**a chemistry file**: " + schema["description"].replace("\n", " "), "")
    yield from ("| key | takes | default | meaning |", "| --- | --- | --- | --- |")

    def rows(table, before=""):
        for key, field in table["properties"].items():
            if inner := _inner(field):
                yield from rows(model[inner], f"{key}.")
            elif not (before and key in told):
                of, span = field.get("x-unit", ""), field.get("x-range", "")
                needed = "**required**" if key in table.get("required", []) else _default(field)
                takes = "; ".join(part for part in (of or _takes(field), span) if part)
                yield f"| `{before}{key}` | {takes} | {needed} | {field['description']} |"

    yield from rows(schema)
    pair = {key: field["description"] for key, field in model["_RC"]["properties"].items()}
    said = "; ".join(f"`{key}`: {text}" for key, text in told.items())
    yield from (
        "",
        f"Every section also takes {said}. An entry of `relaxation.rc`: "
        + "; ".join(f"`{key}`: {text}" for key, text in pair.items())
        + ".",
        "",
    )


def _table(name, known):
    """Lines of one table: what it is, its keys, and what there is to know of them together."""
    model, other = known[name], MORE_THAN.get(name)
    first, *paragraphs = model.get("description", "").replace("``", "`").split("\n\n")
    inherited = known[other]["properties"] if other else ()
    yield f"**{TABLES[name]}**: {first.rstrip('.')}." + (f" The keys of {TABLES[other]}, and:" if other else "")
    yield from ("", "| key | takes | default | meaning |", "| --- | --- | --- | --- |")
    yield from _rows(model, known, name in FLAT, inherited)
    yield ""
    for paragraph in paragraphs:
        yield from (" ".join(paragraph.split()), "")


def _rows(model, known, flat, inherited=(), before=""):
    """A row for each key of a table; of one that is ``flat`` the keys of its own tables follow in its place."""
    required = model.get("required", [])
    either = [key for one in model.get("oneOf", []) for key in one.get("required", [])]
    for key, field in model["properties"].items():
        if key in inherited:
            continue
        if flat and (inner := _inner(field)):
            yield from _rows(known[inner], known, flat, before=f"{key}.")
            continue
        default = _need(key, required, either) or _default(field)
        yield f"| `{before}{key}` | {_takes(field)} | {default} | {field.get('description', '')} |"


def _inner(field):
    """Name of the table that a key holds, if it holds one; older pydantic wraps it in ``allOf``."""
    one = next(iter(field.get("allOf", ())), field)
    return one["$ref"].rsplit("/", 1)[1] if "$ref" in one else None


def _need(key, required, either):
    """Whether a key must be given, or one of several."""
    if key in required:
        return "**required**"
    return "**one of " + ", ".join(f"`{k}`" for k in either) + "**" if key in either else ""


def in_page(page: str) -> str:
    """The text of ``scenarios/README.md`` with the tables between its marks made anew."""
    begin, end = page.index(BEGIN) + len(BEGIN), page.index(END)
    return page[:begin] + "\n\n" + format_reference() + "\n" + page[end:]


def _takes(field):
    """What a key takes, in words."""
    field = field | next(iter(field.get("allOf", ())), {})  # in which older pydantic wraps a table
    if "$ref" in field:
        return TABLES[field["$ref"].rsplit("/", 1)[1]]
    if "properties" in field:  # how well a number is known, which every number may say
        return ""
    if "oneOf" in field:
        return "one of the kinds of duty below"
    if "examples" in field:
        return f'{field["x-takes"]} (`"{field["examples"][0]}"`)'
    if "anyOf" in field:
        return " or ".join(filter(None, (_takes(part) for part in field["anyOf"] if part.get("type") != "null")))
    if "const" in field:
        return f"`{_toml(field['const'])}`"
    if "enum" in field:
        return ", ".join(f"`{value}`" for value in field["enum"])
    if field.get("type") == "array":
        if "prefixItems" in field:
            return "[" + ", ".join(_takes(part) for part in field["prefixItems"]) + "]"
        return f"list of {_takes(field['items'])}" if "items" in field else "list"
    if field.get("type") == "object":
        extra = field.get("additionalProperties")
        return f"a table of {_takes(extra)} by name" if extra and isinstance(extra, dict) else "a table"
    words = {"string": "text", "integer": "a whole number", "number": "a number", "boolean": "`true` or `false`"}
    text = words.get(field.get("type"), "a value")
    low = field.get("minimum", field.get("exclusiveMinimum"))
    high = field.get("maximum", field.get("exclusiveMaximum"))
    return f"{text}, {low:g} to {high:g}" if low is not None and high is not None else text


def _default(field):
    value = field.get("x-default", field.get("default"))  # "x-default": what holds where no other key states it either
    if value is None:
        return "–"
    if unit := field.get("x-si-unit"):
        return f"`{value:g} {SHORT.get(unit, unit)}`"
    return f"`{_toml(value)}`" if not isinstance(value, (list, dict)) or value else "none"


def _toml(value):
    return {True: "true", False: "false"}.get(value, value) if isinstance(value, bool) else value

"""The file format as a table, made from the schema that reads it."""

from __future__ import annotations

from simbank.scenario.schema import json_schema

__all__ = ["BEGIN", "END", "format_reference", "in_readme"]

BEGIN, END = (
    "<!-- format reference: made by `simbank schema --markdown`, checked by a test -->",
    "<!-- end of format reference -->",
)
SHORT = {"kelvin": "K", "second": "s"}
# Title of each table, where it stands in a file, in the order of reading.
TABLES = {
    "ScenarioFile": "the file", "PackType": "pack_types.NAME", "RCTable": "an entry of relaxation", "BMSTable": "pack_types.NAME.bms",
    "LimitTable": "a limit of a BMS", "TemperatureTable": "temperature limits of a BMS", "PrechargeTable": "precharge of a BMS",
    "PackTable": "[[packs]]", "DeviceTable": "a device", "RackTable": "rack", "WiringTable": "wiring", "ConductorTable": "a link or lead",
    "BarTable": "bar", "StringTable": "[[wiring.strings]]", "DistributionTable": "wiring.distribution",
    "FreeConductor": "[[wiring.conductors]]", "PortTable": "[[ports]]", "InverterTable": "inverter of a port",
    "ChargerTable": "charger of a port", "SwitchTable": "[[switching]]", "ConstantDuty": "duty, kind constant",
    "CyclesDuty": "duty, kind cycles", "StepTable": "an entry of duty.steps", "TableDuty": "duty, kind table",
    "DaysDuty": "duty, kind days", "SunTable": "duty.sun", "LoadTable": "duty.load",
}  # fmt: skip


def format_reference():
    """Markdown: a table for every table of the file, a row for every key."""
    schema = json_schema()
    known = {"ScenarioFile": schema, **schema["$defs"]}
    out = []
    for name, title in TABLES.items():
        model = known[name]
        out += [f"**{title}**: {model.get('description', '').splitlines()[0].replace('``', '`').rstrip('.')}.", ""]
        out += ["| key | takes | default |", "| --- | --- | --- |"]
        required = model.get("required", [])
        either = [key for one in model.get("oneOf", []) for key in one.get("required", [])]
        for key, field in model["properties"].items():
            out.append(f"| `{key}` | {_takes(field)} | {_need(key, required, either) or _default(field)} |")
        out.append("")
    missing = set(known) - set(TABLES)
    if missing:
        raise KeyError(f"tables without a title: {missing}")
    return "\n".join(out)


def _need(key, required, either):
    """Whether a key must be given, or one of several."""
    return (
        "**required**" if key in required else "**one of " + ", ".join(f"`{k}`" for k in either) + "**" if key in either else ""
    )


def in_readme(readme):
    """README's text with the reference between its marks made anew."""
    begin, end = readme.index(BEGIN) + len(BEGIN), readme.index(END)
    return readme[:begin] + "\n\n" + format_reference() + "\n" + readme[end:]


def _takes(field):
    """What a key takes, in words."""
    if "$ref" in field:
        return TABLES[field["$ref"].rsplit("/", 1)[1]]
    if "oneOf" in field:
        return "one of the kinds of duty below"
    if "anyOf" in field:
        return " or ".join(_takes(part) for part in field["anyOf"] if part.get("type") != "null")
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
        return f"a table of {_takes(extra)} by name" if isinstance(extra, dict) else "a table"
    if "examples" in field:
        return f'{field["description"].removesuffix(" with its unit")} (`"{field["examples"][0]}"`)'
    words = {"string": "text", "integer": "a whole number", "number": "a number", "boolean": "`true` or `false`"}
    text = words.get(field.get("type"), "a value")
    low = field.get("minimum", field.get("exclusiveMinimum"))
    high = field.get("maximum", field.get("exclusiveMaximum"))
    return f"{text}, {low:g} to {high:g}" if low is not None and high is not None else text


def _default(field):
    value = field.get("default")
    if value is None:
        return "–"
    if unit := field.get("x-si-unit"):
        return f"`{value:g} {SHORT.get(unit, unit)}`"
    return f"`{_toml(value)}`" if not isinstance(value, (list, dict)) or value else "none"


def _toml(value):
    return {True: "true", False: "false"}.get(value, value) if isinstance(value, bool) else value

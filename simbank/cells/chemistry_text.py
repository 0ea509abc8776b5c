"""A chemistry file as text: every key with its meaning, unit and range beside it, as the schema has them."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping
from typing import Any

from simbank.cells.chemistry import chemistry_path
from simbank.cells.chemistry_schema import SECTIONS, ChemistryFile, Sourced
from simbank.errors import InputError
from simbank.filemodel import check, read_toml

__all__ = ["chemistry_text", "starter_chemistry"]

WIDTH = 110  # letters of a line


def chemistry_text(data: Mapping[str, Any], head: Iterable[str] = (), measured: Iterable[str] = ()) -> str:
    """TOML text of a chemistry file.

    Parameters
    ----------
    data : mapping
        Of the form of the file, as ``tomllib`` reads it.
    head : iterable of str
        Paragraphs to stand at its head as comments.
    measured : iterable of str
        Dotted keys that hold measured values already, which are not marked MEASURE.

    Raises
    ------
    InputError
        If the data are no chemistry.
    """
    check(ChemistryFile, data)
    known, measured = ChemistryFile.model_json_schema(), set(measured)
    lines = [line for paragraph in head for line in _comment(paragraph)]
    lines += [*_of_every_section(known), ""]
    plain = [key for key in known["properties"] if key not in SECTIONS and key in data]
    for key in plain:
        lines += [*_about(key, known["properties"][key], key in measured), f"{key} = {_value(data[key])}"]
    for section in SECTIONS:
        model = known["$defs"][known["properties"][section]["$ref"].rsplit("/", 1)[1]]
        lines += ["", f"[{section}]", *_comment(model["description"])]
        common = [key for key in Sourced.model_fields if key in data[section]]
        for key in [key for key in model["properties"] if key in data[section] and key not in common]:
            lines += [*_about(key, model["properties"][key], f"{section}.{key}" in measured), *_assigned(key, data[section][key])]
        lines += [f"{key} = {_value(data[section][key])}" for key in common]
    return "\n".join(lines) + "\n"


def starter_chemistry(name: str, base: str = "lfp") -> str:
    """TOML text of a chemistry file to begin with: the values of another chemistry, what is to be measured marked MEASURE.

    Parameters
    ----------
    name : str
        By which it is to go.
    base : str
        Name in the library, or path of a chemistry file, whose values it begins with.

    Raises
    ------
    InputError
        If there is no such base, or the name is blank.

    >>> import tomllib
    >>> text = starter_chemistry("mine")
    >>> tomllib.loads(text)["ocv"]["volt"][:2]
    [2.6, 2.8]
    """
    if not name.strip():
        raise InputError("must not be blank", key="name", value=name)
    path = chemistry_path(base)
    data = read_toml(path)
    check(ChemistryFile, data, file=path)
    label = data["name"]
    data.setdefault("family", ChemistryFile.model_fields["family"].default)
    for section in ("hysteresis", "resistance", "relaxation"):  # where nothing is known over temperature
        data[section] = {"celsius": [], "temperature_factor": []} | data[section]
    data |= {
        "name": name,
        "title": f"{name}, begun from {label}",
        "source": f"Starting values of simbank's chemistry {label}, none of them measured on these cells. {data['source']}",
    }
    head = (
        f"{name}: written by simbank cell new. It loads and runs as it stands, with the values of {label}; replace what is marked MEASURE "
        "with your own, say in each source where it is from, and look at it with simbank cell show FILE --out DIR.",
    )
    return chemistry_text(data, head)


def _of_every_section(known):
    """What the keys mean that every section has."""
    model = known["$defs"][known["properties"]["ocv"]["$ref"].rsplit("/", 1)[1]]
    keys = "; ".join(f"{key}: {model['properties'][key]['description']}" for key in Sourced.model_fields)
    yield from _comment(f"Of every section: {keys}.")


def _about(key, field, measured):
    """A key's comment: meaning, unit, range, and how it is measured."""
    unit = field.get("x-unit", "")
    text = f"{key}: {field['description']}" + (f" [{unit}]" if unit else "")
    if "enum" in field:
        text += f"; {' or '.join(field['enum'])}"
    if "x-range" in field:
        text += f"; {field['x-range']}"
    yield from _comment(f"{text}.")
    if "x-measure" in field and not measured:
        yield from _comment(f"MEASURE: {field['x-measure']}.")


def _comment(text):
    return textwrap.wrap(" ".join(text.split()), WIDTH, initial_indent="# ", subsequent_indent="# ", break_on_hyphens=False)


def _assigned(key, value):
    """Lines of a key with its value; a long list goes over several."""
    line = f"{key} = {_value(value)}"
    if len(line) <= WIDTH or not isinstance(value, list):
        return [line]
    if all(isinstance(part, list) for part in value):
        return [f"{key} = [", *(f"    {_value(part)}," for part in value), "]"]
    inner = textwrap.wrap(
        ", ".join(map(_value, value)), WIDTH, initial_indent="    ", subsequent_indent="    ", break_long_words=False
    )
    return [f"{key} = [", *inner, "]"] if all(isinstance(part, (int, float)) for part in value) else [line]


def _value(value):
    """A value as TOML has it."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, (int, float)):
        return repr(value)
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_value(part)}" for key, part in value.items()) + " }"
    if isinstance(value, (list, tuple)):
        return f"[{', '.join(map(_value, value))}]"
    plain = " ".join(str(value).split()).replace("\\", "\\\\").replace('"', '\\"')
    return f'"{plain}"'

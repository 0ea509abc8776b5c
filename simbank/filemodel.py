"""What every file that simbank reads has in common: strict models, quantities with units, errors of one line."""

from __future__ import annotations

import csv
import difflib
import io
import math
import re
import tomllib
from collections.abc import Iterable
from os import PathLike
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, ValidationError, WithJsonSchema, model_validator
from pydantic_core import InitErrorDetails

from simbank import quantities
from simbank.errors import InputError

__all__ = [
    "FileModel", "as_path", "bank_temperature", "check", "finite_column", "fraction", "nearest", "quantity", "read_csv", "read_toml",
    "refuse_all", "refuse_deep",
]  # fmt: skip

LEAST_C, MOST_C = -60.0, 120.0  # temperatures a bank can have; common practice, no source
DEEPEST = 20


class FileModel(BaseModel):
    """A table in a file: unknown keys are errors that suggest the nearest known key."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    @model_validator(mode="wrap")
    @classmethod
    def _known_keys(cls, data: Any, read):
        if not isinstance(data, dict):
            return read(data)
        known = [field.alias or key for key, field in cls.model_fields.items()]
        unknown = [key for key in data if key not in known]
        if not unknown:
            return read(data)
        faults = [_unknown(key, known) for key in unknown]
        meant = {(close,) for key in unknown if (close := _close(key, known))}
        try:
            read({key: value for key, value in data.items() if key in known})
        except ValidationError as error:  # what else is wrong is told along, but not that a misspelt key is missing
            others = [fault for fault in error.errors() if not (fault["type"] == "missing" and fault["loc"] in meant)]
            faults += [
                InitErrorDetails(**{k: fault[k] for k in ("type", "loc", "input", "ctx") if k in fault}) for fault in others
            ]
        raise ValidationError.from_exception_data(cls.__name__, faults)


def _unknown(key, known):
    shown = key if len(key) <= 100 else f"{key[:100]} ..."
    return _fault(InputError(f'unknown key "{shown}"; {nearest(key, known)}'))


def _fault(error):
    """A fault of a table as a whole, as pydantic keeps them."""
    return InitErrorDetails(type="value_error", loc=(), input={}, ctx={"error": error})


def refuse_all(title, faults):
    """Within a validator: refuse a table called ``title`` for all of these InputErrors together; nothing if there are none."""
    if faults:
        raise ValidationError.from_exception_data(title, [_fault(error) for error in faults])


def _close(word, known):
    """The known word that was probably meant, None if none is near."""
    return next(iter(difflib.get_close_matches(str(word)[:100], known, n=1, cutoff=0.6)), None)


def nearest(word: object, known: Iterable[object]) -> str:
    """Say which known word was probably meant, or list them."""
    known = [str(k) for k in known]
    close = _close(word, known)
    return f'did you mean "{close}"?' if close else f"known here: {', '.join(known) or 'nothing'}"


def quantity(
    unit: str,
    *,
    above_zero: bool = False,
    not_negative: bool = False,
    least: float = -math.inf,
    most: float = math.inf,
    hint: str = "",
):
    """Annotated float: text with a unit in the file, magnitude in ``unit`` in the model, from ``least`` to ``most``; ``hint`` ends that error."""

    def read(text):
        value = quantities.parse(text, unit)
        if above_zero and not value > 0:
            raise InputError("must be above zero")
        if not_negative and value < 0:
            raise InputError("must not be below zero")
        if value < least:
            raise InputError(f"must be at least {least:g} {unit}{hint}")
        if value > most:
            raise InputError(f"must be at most {most:g} {unit}{hint}")
        return value

    what, example = quantities.EXAMPLES[unit]
    about = f"{what} with its unit"
    schema = {"type": "string", "description": about, "x-takes": what, "examples": [example], "x-si-unit": unit}
    return Annotated[float, BeforeValidator(read), WithJsonSchema(schema)]


def bank_temperature():
    """Annotated float [K]: a temperature that a bank can have."""

    def read(text):
        value = quantities.parse(text, "kelvin")
        if not LEAST_C <= value - 273.15 <= MOST_C:
            raise InputError(f"a bank's temperature must be from {LEAST_C:g} to {MOST_C:g} degC")
        return value

    what, example = quantities.EXAMPLES["kelvin"]
    takes = f"{what} from {LEAST_C:g} to {MOST_C:g} degC"
    about = f"{what} with its unit, from {LEAST_C:g} to {MOST_C:g} degC"
    schema = {"type": "string", "description": about, "x-takes": takes, "examples": [example], "x-si-unit": "kelvin"}
    return Annotated[float, BeforeValidator(read), WithJsonSchema(schema)]


def fraction(low: float = 0.0, high: float = 1.0, *, above: bool = False):
    """Annotated float within bounds; a plain number in the file."""

    def read(value):
        number = not isinstance(value, bool) and isinstance(value, (int, float))
        if not number or (isinstance(value, float) and not math.isfinite(value)):  # a whole number may be too large for a float
            raise InputError("must be a number")
        if value > high or value < low or (above and value == low):
            raise InputError(f"must be {'above' if above else 'at least'} {low:g} and at most {high:g}")
        return float(value)

    bounds = {"type": "number", "exclusiveMinimum" if above else "minimum": low, "maximum": high}
    return Annotated[float, BeforeValidator(read), WithJsonSchema(bounds)]


def as_path(given: str | PathLike, key: str = "path") -> Path:
    """A path that a program gave; an InputError if it is none."""
    if not isinstance(given, (str, PathLike)):
        raise InputError("must be a path, as text or as a Path", key=key, value=given)
    return Path(given)


def read_toml(path: str | PathLike) -> dict[str, Any]:
    """Contents of a TOML file as a dict.

    Raises
    ------
    InputError
        If the file is missing, cannot be read, or is not TOML.
    """
    path = as_path(path)
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise InputError("no such file", file=path) from None
    except UnicodeDecodeError:
        raise InputError("not TOML: not a text file in UTF-8", file=path) from None
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}", file=path) from None
    except RecursionError:
        raise InputError(f"tables and lists may stand in each other {DEEPEST} deep at most", file=path) from None
    except ValueError as error:  # not TOML, or a number of more digits than Python reads
        raise InputError(f"not TOML: {error}", file=path) from None
    refuse_deep(data, path)
    return data


def refuse_deep(data, file=None):
    """An InputError if tables and lists stand in each other deeper than any file of simbank's needs."""
    level = [("", data)]
    for _ in range(DEEPEST):
        inside = []
        for _, value in level:
            if isinstance(value, dict):
                inside += value.items()
            elif isinstance(value, list):
                inside += enumerate(value)
        level = inside
    deep = [key for key, value in level if isinstance(value, (dict, list))]
    if deep:
        raise InputError(f"tables and lists may stand in each other {DEEPEST} deep at most", file=file, key=str(deep[0]))


_COMMENT = re.compile(r'("(?:[^"]|"")*")|[ \t]*#[^\r\n]*')  # a "#" inside quotation marks begins no comment


def read_csv(path, missing=None, broken=None, only_empty_is_missing=False):
    """Table from a CSV file; ``#`` begins a comment.

    Parameters
    ----------
    path : path-like
        CSV file.
    missing, broken : dict, optional
        Where the error points if there is no such file, or if it is no table: arguments of InputError; by default the file.
    only_empty_is_missing : bool
        Text such as ``NaN`` or ``NA`` stays text; by default it counts as missing.

    Raises
    ------
    InputError
        Also if two columns have one heading, or a row has more or fewer values than there are headings.
    """
    import pandas as pd

    try:
        with open(path, encoding="utf-8-sig", newline="") as file:
            text = _COMMENT.sub(lambda found: found[1] or "", file.read())
        _refuse_ragged(text, path)
        frame = pd.read_csv(
            io.StringIO(text),
            skipinitialspace=True,
            index_col=False,
            **({"keep_default_na": False, "na_values": [""]} if only_empty_is_missing else {}),
        )
        return frame.rename(columns=lambda heading: str(heading).strip())
    except InputError:
        raise
    except FileNotFoundError:
        raise InputError("no such file", **(missing or {"file": path})) from None
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror or error}", **(broken or {"file": path})) from None
    except UnicodeDecodeError:
        raise InputError("not a CSV table: not a text file in UTF-8", **(broken or {"file": path})) from None
    except Exception as error:
        raise InputError(f"not a CSV table: {(str(error).splitlines() or [''])[0]}", **(broken or {"file": path})) from None


def _refuse_ragged(text, path):
    """An InputError if headings are empty or alike, or a row's values are not as many as they."""
    rows = csv.reader(io.StringIO(text, newline=""), skipinitialspace=True)
    headings = None
    for row in rows:
        if not any(value.strip() for value in row) and len(row) < 2:  # an empty line
            continue
        if headings is None:
            headings = [heading.strip() for heading in row]
            for number, heading in enumerate(headings, 1):
                if not heading:
                    raise InputError(f"column {number} has no heading", file=path, key="columns", value=", ".join(headings))
                if headings.count(heading) > 1:
                    raise InputError("two columns have this heading; each needs its own", file=path, key="columns", value=heading)
        elif len(row) != len(headings):
            raise InputError(
                f"has {len(row)} value{'s' * (len(row) != 1)} for {len(headings)} heading{'s' * (len(headings) != 1)} "
                f"({', '.join(headings)}); write one value for each",
                file=path, key=f"line {rows.line_num}",
            )  # fmt: skip


def finite_column(frame, column, path, problem="every value must be a finite number", least=-math.inf):
    """One column as finite floats, none below ``least``; the first bad row is an InputError."""
    import numpy as np
    import pandas as pd

    numbers = pd.to_numeric(frame[column], errors="coerce").to_numpy(float)
    bad = np.flatnonzero(~(np.isfinite(numbers) & (numbers >= least)))
    if bad.size:
        raise InputError(problem, file=path, key=f"row {bad[0] + 2}, {column}", value=str(frame[column].iloc[bad[0]]))
    return numbers


def check(model, data, file=None, unions=()):
    """Validated ``model`` made from ``data``; all faults become one InputError, the first as its file, key and value.

    ``unions`` names the keys whose table is one of several kinds; pydantic puts the kind into the path of a fault.
    """
    try:
        return model.model_validate(data)
    except ValidationError as error:
        faults = [_told(fault, unions, data) for fault in error.errors()]
        problem, key, value = faults[0]
        raise InputError(problem + _others(faults), file=file, key=key, value=value) from None


REQUIRED = "is required"
PLAIN = {
    "string_too_short": "must not be empty", "string_type": "must be text in quotation marks", "dict_type": "must be a table",
    "model_type": "must be a table", "model_attributes_type": "must be a table", "dataclass_type": "must be a table", "list_type": "must be a list",
    "tuple_type": "must be a list", "float_type": "must be a number", "int_type": "must be a whole number",
    "int_from_float": "must be a whole number",
    "bool_type": "must be true or false", "finite_number": "must be a finite number",
}  # fmt: skip
ROOM = 600  # letters for the faults after the first; an error line is cut at 800


def _told(fault, unions, data):
    """(problem, dotted key or None, value or None) of a fault as pydantic tells it of ``data``."""
    cause = fault.get("ctx", {}).get("error")
    loc = fault["loc"]
    path = _by_name([part for k, part in enumerate(loc) if not (k and loc[k - 1] in unions)], data)
    if isinstance(cause, InputError) and cause.key:
        path.append(cause.key)
    value = cause.value if isinstance(cause, InputError) else None
    if value is None and not isinstance(fault["input"], (dict, list, FileModel)) and fault["type"] != "missing":
        value = fault["input"]
    return (cause.problem if isinstance(cause, InputError) else _plain(fault)), ".".join(path) or None, value


def _by_name(path, data):
    """Parts of a key as text: entries of a list by their name where they have one of their own, as a dotted key takes them."""
    parts = []
    for k, part in enumerate(path):
        if isinstance(part, int) and isinstance(
            data, dict
        ):  # one table where a list of them may stand: the file has no number there
            continue
        entry = part
        if isinstance(part, int) and isinstance(data, list) and path[k + 1 :] != ["name"]:
            names = [item.get("name") if isinstance(item, dict) else None for item in data]
            name = names[part] if part < len(names) else None
            if isinstance(name, str) and names.count(name) == 1 and name.strip() not in ("", "*") and "." not in name:
                entry = name
        parts.append(str(entry))
        try:
            data = data[part]
        except (KeyError, IndexError, TypeError):
            data = None
    return parts


def _others(faults):
    """The faults after the first, as the end of its sentence: what else is required in one list, the rest one by one."""
    (first, *_), *rest = faults
    missing = [key for problem, key, _ in rest if problem == REQUIRED]
    parts = []
    if missing:
        parts.append(f"{'so are' if first == REQUIRED else 'required, too:'} {', '.join(missing)}")
    parts += [str(InputError(problem, key=key, value=value)) for problem, key, value in rest if problem != REQUIRED]
    told, left = "", 0
    for part in parts:
        if left or len(told) + len(part) > ROOM:
            left += 1
        else:
            told += f"; {part}"
    return f"{told}; and {left} more" if left else told


def _plain(fault):
    """What is wrong, in plain words, of a fault as pydantic tells it."""
    kind, told = fault["type"], fault.get("ctx", {})
    if kind == "missing":
        return REQUIRED
    if kind in PLAIN:
        return PLAIN[kind]
    if kind == "too_short":
        least = told["min_length"]
        return f"needs {least} {'entry' if least == 1 else 'entries'} or more"
    if kind == "too_long":
        return f"may have {told['max_length']} entries at most, and has {told['actual_length']}"
    message = fault["msg"]
    return message.removeprefix("Input should be ").join(("must be ", "")) if message.startswith("Input should") else message

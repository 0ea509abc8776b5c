"""What every file that simbank reads has in common: strict models, quantities with units, errors of one line."""

from __future__ import annotations

import csv
import difflib
import functools
import io
import math
import re
import tomllib
from collections.abc import Iterable
from os import PathLike
from pathlib import Path
from typing import Annotated, Any, ClassVar, NamedTuple, get_args, get_origin

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    PrivateAttr,
    ValidationError,
    ValidationInfo,
    WithJsonSchema,
    model_validator,
)
from pydantic_core import InitErrorDetails

from simbank import quantities
from simbank.distributions import Draw, measured, within_range
from simbank.errors import InputError

__all__ = [
    "Checked", "FileModel", "Takes", "as_path", "bank_temperature", "check", "each_fault", "entries_exact",
    "finite_column", "fraction", "known_value", "nearest", "quantity", "range_draw", "read_csv", "read_toml", "refuse_all", "refuse_deep",
    "separator_of",
]  # fmt: skip

LEAST_C, MOST_C = -60.0, 120.0  # temperatures a bank can have; common practice, no source
DEEPEST = 20


class Takes(NamedTuple):
    """What a key of one number takes: its unit, None of a bare number; its bounds, in that unit; whether it is a table of them by name."""

    unit: str | None = None
    least: float = -math.inf
    most: float = math.inf
    by_name: bool = False


class Checked:
    """Tables of a file that were checked, with what came of each, so that the next file is checked only where it differs.

    A table counts as the same if it is the same object, of which nobody may have changed anything meanwhile; what comes of it hangs on
    nothing else.
    """

    def __init__(self, before: Checked | None = None):
        self._before = {} if before is None else before._found
        self._found: dict[tuple[type, int], tuple[dict, Any]] = {}

    def find(self, model: type, data: dict) -> Any:
        """What came of a table as a ``model``; None if it is another one."""
        known = self._before.get((model, id(data)))
        if known is None:
            return None
        self._found[model, id(data)] = known
        return known[1]

    def keep(self, model: type, data: dict, made: Any) -> None:
        """Keep what came of a table, and the table, so that its identity stays its own."""
        self._found[model, id(data)] = data, made

    def close(self) -> None:
        """Forget what there was before, of which what is still there has been taken over."""
        self._before = {}


class FileModel(BaseModel):
    """A table in a file: unknown keys are errors that suggest the nearest known key.

    A key of one number also takes how well it is known: ``"0.25 ± 0.03 milliohm"``, ``{ value, within }`` or ``{ value, range }``. The
    field holds the middle value, as if the rest were not there; ``how_known`` has a distribution for each such key.
    """

    # what checks a table is built when the first such table is read
    model_config = ConfigDict(defer_build=True, extra="forbid", frozen=True, allow_inf_nan=False)
    ALL_EXACT: ClassVar[str] = ""  # why no key of this table takes how well it is known; empty if they do
    _how_known: dict[str, Draw] = PrivateAttr(default_factory=dict)

    @property
    def how_known(self) -> dict[str, Draw]:
        """Distribution of each key of which the file says how well it is known; of an entry of a table of numbers ``key.entry``."""
        return self._how_known

    @model_validator(mode="wrap")
    @classmethod
    def _known_keys(cls, data: Any, read, info: ValidationInfo):
        if not isinstance(data, dict):
            return read(data)
        checked, table = info.context, data
        if isinstance(checked, Checked) and (same := checked.find(cls, table)) is not None:
            return same
        known = _keys(cls)
        unknown = [] if data.keys() <= _key_set(cls) else [key for key in data if key not in known]
        data, how_known, wrong = _middle_values(data, _takes(cls), cls.ALL_EXACT)
        if wrong:
            raise ValidationError.from_exception_data(cls.__name__, wrong)
        if not unknown:
            made = read(data)
            if how_known:
                made._how_known = how_known
            if isinstance(checked, Checked):
                checked.keep(cls, table, made)
            return made
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


@functools.cache
def _keys(model):
    """Every key of a table, in the order of its fields."""
    return tuple(field.alias or key for key, field in model.model_fields.items())


@functools.cache
def _key_set(model):
    return frozenset(_keys(model))


@functools.cache
def _takes(model):
    """What each key of a table takes that is one number, or a table of numbers by name."""
    found = {}
    for key, field in model.model_fields.items():
        takes = next((part for part in field.metadata if isinstance(part, Takes)), None) or _takes_within(field.annotation)
        if takes:
            found[field.alias or key] = takes
    return found


def _takes_within(annotation):
    """What a type takes, as :func:`_takes`: of one number, of that or None, or of a dict of it."""
    if get_origin(annotation) is Annotated:
        return next((part for part in get_args(annotation) if isinstance(part, Takes)), None)
    inner = [part for part in get_args(annotation) if part not in (type(None), str)]
    if len(inner) != 1 or get_origin(annotation) in (list, tuple):
        return None
    found = _takes_within(inner[0])
    return found._replace(by_name=True) if found and get_origin(annotation) is dict else found


def _says_how_known(value):
    return quantities.is_measured(value) or isinstance(value, dict)


def _middle_values(data, takes, refused):
    """A table with middle values alone, a distribution for each value of which it says how well it is known, and faults."""
    plain, known, wrong = data, {}, []
    for key, value in data.items():
        if isinstance(value, (str, dict)) and key in takes:
            break
    else:  # plain numbers say nothing more
        return plain, known, wrong
    for key, taken in takes.items():
        given = data.get(key)
        if given is None or isinstance(given, (int, float)):
            continue
        entries = {(key,): given}
        if isinstance(given, dict) and taken.by_name:
            entries = {(key, name): value for name, value in given.items()}
        for path, value in entries.items():
            if not _says_how_known(value):
                continue
            try:
                if refused:
                    raise InputError(refused, value=value if isinstance(value, str) else None)
                middle, draw = known_value(value, taken)
            except InputError as error:
                at = InputError(error.problem, key=error.key, value=error.value)
                wrong.append(InitErrorDetails(type="value_error", loc=path, input=None, ctx={"error": at}))
                continue
            plain = {**plain, key: middle if len(path) == 1 else {**plain[key], path[1]: middle}}
            known[".".join(path)] = draw
    return plain, known, wrong


def known_value(value: str | dict, takes: Takes) -> tuple[Any, Draw]:
    """A value with how well it is known, as a file has it: what stands for it where only one value is asked, and its distribution.

    Draws that leave the bounds of the key are truncated to them.

    Parameters
    ----------
    value : str or dict
        ``"0.25 ± 0.03 milliohm"``; or a table ``value`` with ``within`` (expanded uncertainty at about 95 %) or ``range`` (points of 5
        and 95 %).
    takes : Takes
        Unit and bounds.

    Raises
    ------
    InputError
        If the value or what is said of it does not fit the key.
    """
    if isinstance(value, str):
        if takes.unit is None:
            raise InputError("must be a number; of how well it is known write { value = 0.9, within = 0.05 }", value=value)
        plain, number, half, unit = quantities.parse_measured(value)
        if not unit:
            raise InputError(f"has no unit; {quantities.MEASURED_RIGHT}", value=value)
        return plain, _bounded(measured(number, half, unit), takes, value)
    unknown = [key for key in value if key not in ("value", "within", "range")]
    if unknown:
        raise _unknown_key(unknown[0], ("value", "within", "range"))
    if "value" not in value:
        example = '"0.25 milliohm", within = "0.03 milliohm"' if takes.unit == "ohm" else "0.9, within = 0.05"
        raise InputError(f'needs "value", such as {{ value = {example} }}')
    plain = value["value"]
    if ("within" in value) == ("range" in value):
        raise InputError('needs "within" or "range" beside its "value", one of the two')
    number, unit = _written(plain, takes, "value")
    if "within" in value:
        half, other = _written(value["within"], takes, "within")
        if other != unit and not quantities.same_steps(unit, other):
            raise InputError(f'must have the unit of "value", {unit}', key="within", value=value["within"])
        if half <= 0:
            raise InputError("must be above zero; leave it out of what is known exactly", key="within", value=value["within"])
        return plain, _bounded(measured(number, half, unit), takes, plain)
    typical = number if takes.unit is None else quantities.parse(plain, takes.unit)
    return plain, range_draw(value["range"], typical, takes, unit, inside=True)


def range_draw(ends: Any, typical: float, takes: Takes, unit: str | None = None, inside: bool = False) -> Draw:
    """The distribution of a range as a file has it, ``["0.02 milliohm", "0.3 milliohm"]`` or ``[0.6, 1.5]``.

    Parameters
    ----------
    ends : list
        Low and high end: points of 5 and 95 %.
    typical : float
        Typical value, in the unit of ``takes``.
    takes : Takes
        Unit and bounds of the key.
    unit : str, optional
        Of the draws; by default that of the low end.
    inside : bool
        Whether the typical value must lie in the range; if not, the middle of the range stands for it.

    Raises
    ------
    InputError
        If the ends do not rise, leave the bounds of the key or, if they must hold it, do not hold the typical value.
    """
    if not isinstance(ends, list) or len(ends) != 2:
        raise InputError("must be a list of its low and its high end", key="range", value=ends)
    written = [_written(end, takes, "range") for end in ends]
    unit = written[0][1] if unit is None else unit
    low, high = (_in_unit(pair, unit, takes, end) for pair, end in zip(written, ends, strict=True))
    if takes.unit is not None:
        zero, one = (quantities.parse(f"{k} {unit}", takes.unit) for k in (0, 1))
        typical = float(f"{(typical - zero) / (one - zero):.12g}")
    told = f"{ends[0]} to {ends[1]}"
    if not low < high:
        raise InputError("its low end must lie below its high end", key="range", value=told)
    if inside and not low <= typical <= high:
        raise InputError(f"must hold its value, {typical:.6g} {unit}".strip(), key="range", value=told)
    for end, text in zip((low, high), ends, strict=True):
        _bounded(measured(end, 1.0, unit), takes, text, "range")
    return _bounded(within_range(low, high, typical, unit), takes, f"{typical:.6g} {unit}".strip())


def _written(value, takes, key):
    """Number and unit of a value as it was written; the unit of a bare number is empty."""
    try:
        if takes.unit is not None:
            if not isinstance(value, str):
                quantities.parse(value, takes.unit)
            return quantities.unit_of(value, takes.unit)
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
            raise InputError(f"must be a number{_of_percent(value)}")
    except OverflowError:
        raise InputError("is too large", key=key, value=value) from None
    except InputError as error:
        raise InputError(error.problem, key=key, value=value) from None
    return float(value), ""


def _in_unit(written, unit, takes, value):
    """A number in a unit, from one that was written in another of the same dimension."""
    number, own = written
    if own == unit:
        return number
    zero, one = (quantities.parse(f"{k} {unit}", takes.unit) for k in (0, 1))
    return float(f"{(quantities.parse(value, takes.unit) - zero) / (one - zero):.12g}")


def _bounded(draw, takes, value, key=None):
    """A distribution truncated to the bounds of its key; an InputError if its middle leaves them."""
    least, most = takes.least, takes.most
    if takes.unit is not None:
        zero, one = (quantities.parse(f"{k} {draw.unit}", takes.unit) for k in (0, 1))
        least, most = (least - zero) / (one - zero), (most - zero) / (one - zero)
    number = draw.middle if draw.kind == "range" else draw.low
    if not least <= number <= most:
        unit = f" {draw.unit}" if draw.unit else ""
        problem = f"must be at least {least:.6g}{unit}" if number < least else f"must be at most {most:.6g}{unit}"
        raise InputError(problem, key=key, value=value)
    return draw.bounded(least, most)


def _unknown(key, known):
    return _fault(_unknown_key(key, known))


def _unknown_key(key, known):
    shown = key if len(key) <= 100 else f"{key[:100]} ..."
    return InputError(f'unknown key "{shown}"; {nearest(key, known)}')


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
    low = max(least, 0.0) if above_zero or not_negative else least
    return Annotated[float, Takes(unit, low, most), BeforeValidator(read), WithJsonSchema(_or_table(schema))]


def _or_table(schema):
    """JSON Schema of a key of one number: the number, or a table of it with how well it is known."""
    one = {key: value for key, value in schema.items() if key in ("type", "minimum", "exclusiveMinimum", "maximum")}
    ends = {"type": "array", "items": one, "minItems": 2, "maxItems": 2}
    table = {
        "type": "object", "properties": {"value": one, "within": one, "range": ends}, "required": ["value"], "additionalProperties": False,
        "oneOf": [{"required": ["within"]}, {"required": ["range"]}],
    }  # fmt: skip
    rest = {key: value for key, value in schema.items() if key not in one}
    return {**rest, "anyOf": [one, table]}


def entries_exact(schema: Any) -> Any:
    """A JSON Schema whose lists hold numbers alone: an entry of a list does not say how well it is known."""
    if isinstance(schema, list):
        return [entries_exact(part) for part in schema]
    if not isinstance(schema, dict):
        return schema
    made = {key: entries_exact(part) for key, part in schema.items()}
    if "items" in made:
        made["items"] = _number_alone(made["items"])
    if "prefixItems" in made:
        made["prefixItems"] = [_number_alone(part) for part in made["prefixItems"]]
    return made


def _number_alone(schema):
    either = schema.get("anyOf", []) if isinstance(schema, dict) else []
    known = len(either) == 2 and "within" in either[1].get("properties", {})
    return {key: part for key, part in schema.items() if key != "anyOf"} | either[0] if known else schema


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
    bounds = Takes("kelvin", LEAST_C + 273.15, MOST_C + 273.15)
    return Annotated[float, bounds, BeforeValidator(read), WithJsonSchema(_or_table(schema))]


def _of_percent(value):
    """The number that a text of percent means, to go behind what is wrong with it; empty for anything else."""
    found = re.fullmatch(r"([+-]?\d{1,6}(?:\.\d{1,6})?)\s*%", value.strip()) if isinstance(value, str) else None
    return f": {found[0]} is {round(float(found[1]) / 100.0, 8):g}" if found else ""


def fraction(low: float = 0.0, high: float = 1.0, *, above: bool = False):
    """Annotated float within bounds; a plain number in the file."""

    def read(value):
        quantities.refuse_known(value)
        number = not isinstance(value, bool) and isinstance(value, (int, float))
        if not number or (isinstance(value, float) and not math.isfinite(value)):  # a whole number may be too large for a float
            raise InputError(f"must be a number{_of_percent(value)}")
        if value > high or value < low or (above and value == low):
            raise InputError(f"must be {'above' if above else 'at least'} {low:g} and at most {high:g}")
        return float(value)

    bounds = {"type": "number", "exclusiveMinimum" if above else "minimum": low, "maximum": high}
    return Annotated[float, Takes(None, low, high), BeforeValidator(read), WithJsonSchema(_or_table(bounds))]


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


# A number with a decimal comma or a decimal point, with or without its unit.
_DECIMAL_COMMA = re.compile(r"([+\-−]?\d+),(\d+)(?=$|[\s%A-Za-z])")
_DECIMAL_POINT = re.compile(r"[+\-−]?\d+\.\d+(?=$|[\s%A-Za-z])")


def read_csv(path, missing=None, broken=None, only_empty_is_missing=False, other_separators=False):
    """Table from a CSV file; ``#`` begins a comment.

    Parameters
    ----------
    path : path-like
        CSV file.
    missing, broken : dict, optional
        Where the error points if there is no such file, or if it is no table: arguments of InputError; by default the file.
    only_empty_is_missing : bool
        Text such as ``NaN`` or ``NA`` stays text; by default it counts as missing.
    other_separators : bool
        Values may be separated by semicolons or tabs too (:func:`separator_of`), and then have decimal commas.

    Raises
    ------
    InputError
        Also if two columns have one heading, or a row has more or fewer values than there are headings.
    """
    import pandas as pd

    try:
        with open(path, encoding="utf-8-sig", newline="") as file:
            text = _COMMENT.sub(lambda found: found[1] or "", file.read())
        if not text.strip():
            raise InputError("the file is empty", **(broken or {"file": path}))
        if other_separators:
            text = _with_commas(text, path)
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


def separator_of(heading):
    """The sign that separates the columns of a table, by its line of headings: that which is there most often, None without any.

    >>> separator_of("time;P1_a;P2_a"), separator_of("time,P1_a"), separator_of("time")
    (';', ',', None)
    """
    separator = max(";\t,", key=lambda sign: (heading.count(sign), sign == ";"))
    return separator if separator in heading else None


def _with_commas(text, path):
    """A table that semicolons or tabs separate as one that commas separate, its decimal commas as points; any other as it is.

    An InputError where some numbers have a comma and others a point: either may part thousands.
    """
    lines = [line for line in text.splitlines() if line.strip()]
    separator = separator_of(lines[0])
    if separator in (None, ",") or "," in lines[0]:  # what is in both may be meant in two ways
        return text
    rows = [[cell.strip() for cell in row] for row in csv.reader(lines, delimiter=separator)]
    comma, point = (
        next((cell for row in rows[1:] for cell in row if form.match(cell)), None) for form in (_DECIMAL_COMMA, _DECIMAL_POINT)
    )
    if comma and point:
        raise InputError(
            f"writes {comma} with a comma and {point} with a point, which can be meant in two ways; write all with a point",
            file=path,
        )
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(
        rows[:1]
        + [
            [_DECIMAL_COMMA.sub(r"\1.\2", cell, count=1) if _DECIMAL_COMMA.match(cell) else cell for cell in row]
            for row in rows[1:]
        ]
    )
    return out.getvalue()


def _refuse_ragged(text, path):
    """An InputError if headings are empty or alike, or a row's values are not as many as they."""
    rows = csv.reader(io.StringIO(text, newline=""), skipinitialspace=True)
    headings, counted = None, 0
    for row in rows:
        if not any(value.strip() for value in row) and len(row) < 2:  # an empty line
            continue
        counted += 1
        if headings is None:
            headings = [heading.strip() for heading in row]
            for number, heading in enumerate(headings, 1):
                if not heading:
                    raise InputError(f"column {number} has no heading", file=path, key="columns", value=", ".join(headings))
                if headings.count(heading) > 1:
                    raise InputError("two columns have this heading; each needs its own", file=path, key="columns", value=heading)
        elif len(row) != len(headings):
            commas = (
                "; part values by commas, not semicolons, and write 29.4 with a point"
                if any(";" in value for value in row)
                else ""
            )
            raise InputError(
                f"has {len(row)} value{'s' * (len(row) != 1)} for {len(headings)} heading{'s' * (len(headings) != 1)} "
                f"({', '.join(headings)}); write one value for each{commas} (the heading is row 1)",
                file=path, key=f"row {counted}",
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


def check(model, data, file=None, unions=(), checked=None):
    """Validated ``model`` made from ``data``; all faults become one InputError, the first as its file, key and value.

    ``unions`` names the keys whose table is one of several kinds; pydantic puts the kind into the path of a fault. ``checked`` has
    tables of it that were checked before (:class:`Checked`).
    """
    try:
        return model.model_validate(data, context=checked)
    except ValidationError as error:
        faults = _faults(model, error, unions, data)
        problem, key, value = faults[0]
        raise InputError(problem + _others(faults), file=file, key=key, value=value) from None


def each_fault(model: type[BaseModel], data: Any, unions: tuple[str, ...] = ()) -> list[InputError]:
    """Every fault that :func:`check` finds in ``data``, as an error of its own; none where there is none."""
    try:
        model.model_validate(data)
    except ValidationError as error:
        return [InputError(problem, key=key, value=value) for problem, key, value in _faults(model, error, unions, data)]
    return []


def _faults(model, error, unions, data):
    """Faults of ``data`` as :func:`_told` tells them, each once; keys that ``model`` reads as others have the name that the file gives them."""
    written = model.written_as(data) if hasattr(model, "written_as") else {}
    told = []
    for fault in error.errors():
        problem, key, value = _told(fault, unions, data)
        first, dot, rest = (key or "").partition(".")
        one = problem, written[first] + dot + rest if first in written else key, value
        if one not in told:
            told.append(one)
    return told


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

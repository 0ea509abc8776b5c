"""The keys of a page as controls: what each is called, its values in order and in words, whether they are numbers on a line."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from simbank.errors import InputError
from simbank.scenario.changes import parts_of
from simbank.studies.sweep import inline

__all__ = ["Control", "controls"]

MOST_KEYS = 4
# What keys are called that are often varied; {} is the name in the key. Others go by their own words.
LABELS = {
    ("duty", "c_rate"): "C-rate of charge and discharge",
    ("duty", "days"): "Days",
    ("duty", "repeat"): "How often the duty is done",
    ("wiring", "layout"): "Layout of the wiring",
    ("wiring", "link", "gauge"): "Gauge of the links",
    ("wiring", "link", "length"): "Length of each link",
    ("wiring", "link", "joint"): "Resistance of each joint of a link",
    ("wiring", "lead", "gauge"): "Gauge of the leads",
    ("wiring", "lead", "length"): "Length of each lead",
    ("wiring", "lead", "joint"): "Resistance of each joint of a lead",
    ("ambient",): "Temperature of the air",
    ("packs", "{}", "soc"): "State of charge of {} at the start (0 to 1)",
    ("packs", "{}", "capacity_left"): "Capacity left of {} (1: as new)",
    ("packs", "{}", "state_of_health"): "State of health of {} (1: as new)",
    ("packs", "{}", "count"): "How many packs {}",
    ("pack_types", "{}", "capacity"): "Capacity of a pack of type {}",
    ("pack_types", "{}", "internal_wiring"): "Resistance of wiring and switch inside a pack of type {}",
    ("pack_types", "{}", "cell_resistance"): "Resistance of a cell of type {}",
    ("chemistries", "{}", "half_width"): "Half-width of the hysteresis of {}",
}
CHANGES_CAPACITY = ("capacity_left", "state_of_health", "grade")  # last words of keys by which a C-rate counts another capacity
UNITS = {"mm2": "mm²", "cm2": "cm²", "milliohm": "mΩ", "mohm": "mΩ", "ohm": "Ω", "degC": "°C", "uH": "µH"}
NOT_A_LINE = ("AWG",)  # whose numbers fall as the thing grows
_NUMBER_UNIT = re.compile(r"(?P<number>[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(?P<unit>[A-Za-zµ°Ω%][\w°µ/*^ -]*)?")


@dataclass(frozen=True)
class Control:
    """A key that a page lets its reader change.

    Attributes
    ----------
    key, label : str
        Dotted key, and what it is called.
    values : tuple
        As :func:`simbank.with_changes` takes them: numbers from small to large, others in the order given.
    texts : tuple of str
        Each in words, with its unit.
    numbers : tuple of float or None
        Where all are numbers of one unit, these; then it is a slider.
    unit : str
        Of these numbers.
    """

    key: str
    label: str
    values: tuple[Any, ...]
    texts: tuple[str, ...]
    numbers: tuple[float, ...] | None = None
    unit: str = ""


def controls(
    over: Mapping[str, Sequence[Any]],
    labels: Mapping[str, str] | None = None,
    words: Mapping[str, Mapping[str, str]] | None = None,
) -> list[Control]:
    """A control for each key.

    Parameters
    ----------
    over : dict of str to list
        Dotted key → values.
    labels : dict of str to str, optional
        What keys are called, instead of our own words.
    words : dict of str to dict, optional
        For a key what its values are called, where they are no numbers.

    Raises
    ------
    InputError
        If there are no keys or more than four, a key has fewer than two values or one of them twice, or a number is not finite; if a label
        names a key that is not varied.

    Examples
    --------
    >>> c, layout = controls({"duty.c_rate": [0.5, 0.1], "wiring.layout": ["chain", "busbar"]})
    >>> c.texts, c.numbers, layout.label, layout.texts
    (('0.1 C', '0.5 C'), (0.1, 0.5), 'Layout of the wiring', ('chain', 'busbar'))
    >>> controls({"wiring.link.length": ["1 m", "0.4 m"]})[0].texts
    ('0.4 m', '1 m')
    """
    if not over:
        raise InputError(
            'needs a key with its values, such as "duty.c_rate=0.1,0.2,0.5": each becomes a control of the page', key="over"
        )
    if len(over) > MOST_KEYS:
        raise InputError(
            f"takes {MOST_KEYS} keys at most, of which a person can still keep hold; set others once for all runs",
            key="over",
            value=list(over),
        )
    for what, given in (("labels", labels), ("words", words)):
        for key in given or {}:
            if key not in over:
                raise InputError(f"is no key of this page; its keys are {', '.join(over)}", key=what, value=key)
    names = dict(labels or {})
    if "duty.c_rate" in over and "duty.c_rate" not in names and any(parts_of(key)[-1] in CHANGES_CAPACITY for key in over):
        names["duty.c_rate"] = f"{LABELS['duty', 'c_rate']} (C counts present capacity)"
    return [_control(key, values, names.get(key), (words or {}).get(key, {})) for key, values in over.items()]


def _control(key, values, label, words):
    if isinstance(values, str) or not isinstance(values, Sequence):
        raise InputError("needs a list of values", key=f"over {key}", value=values)
    if len(values) < 2:
        raise InputError(
            "needs two values or more; set a single one for all runs instead", key=f"over {key}", value=list(values) or None
        )
    for k, value in enumerate(values):
        if isinstance(value, float) and not math.isfinite(value):
            raise InputError("must be a finite number", key=f"over {key}", value=value)
        if any(value == other and type(value) is type(other) for other in values[:k]):
            raise InputError("stands twice; give each value once", key=f"over {key}", value=value)
    numbers, unit = _line(key, values)
    if numbers is not None:
        order = sorted(range(len(values)), key=lambda k: numbers[k])
        values, numbers = [values[k] for k in order], tuple(numbers[k] for k in order)
        if len(set(numbers)) < len(numbers):
            raise InputError("has two values that are the same", key=f"over {key}", value=list(values))
        texts = [f"{number:.12g} {unit}".strip() for number in numbers]
    else:
        texts = [words.get(value, _words(value)) if isinstance(value, str) else _words(value) for value in values]
    return Control(key, label or _label(key), tuple(values), tuple(texts), numbers, unit)


def _line(key, values):
    """Values as numbers and their unit, where all are numbers of one unit; else None."""
    if all(isinstance(value, int | float) and not isinstance(value, bool) for value in values):
        try:
            return [float(value) for value in values], "C" if key.endswith("c_rate") else ""
        except OverflowError:
            raise InputError("has a number that is too large", key=f"over {key}") from None
    found = [_NUMBER_UNIT.fullmatch(value.strip()) if isinstance(value, str) else None for value in values]
    units = {match["unit"] for match in found if match}
    if not all(found) or len(units) != 1 or units & {None, *NOT_A_LINE}:
        return None, ""
    (unit,) = units
    return [float(match["number"]) for match in found], UNITS.get(unit.strip(), unit.strip())


def _words(value):
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else str(inline(value))


def _label(key):
    parts = tuple(parts_of(key))
    for pattern, label in LABELS.items():
        if len(parts) == len(pattern) and all(p in (part, "{}") for p, part in zip(pattern, parts, strict=True)):
            names = [part for p, part in zip(pattern, parts, strict=True) if p == "{}"]
            return label.format(*("every pack" if name == "*" else name for name in names))
    *path, last = [part.replace("_", " ") for part in parts]
    words = last[:1].upper() + last[1:]
    return f"{words} ({', '.join(path)})" if path else words

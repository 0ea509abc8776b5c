"""Text with a unit ("35 mm2", "30 cm", "0.2 C") to a plain float in a named unit, by pint."""

from __future__ import annotations

import functools
import math
import re

from simbank.errors import InputError

__all__ = ["parse", "parse_rate"]

# What a reader calls each dimension, and an example that would be accepted.
EXAMPLES = {
    "m": ("a length", "30 cm"),
    "m**2": ("an area", "100 mm2"),
    "ohm": ("a resistance", "0.05 milliohm"),
    "ampere": ("a current", "40 A"),
    "volt": ("a voltage", "56.8 V"),
    "henry": ("an inductance", "1 uH"),
    "watt": ("a power", "3 kW"),
    "ampere_hour": ("a capacity", "280 Ah"),
    "second": ("a time", "30 s"),
    "kelvin": ("a temperature", "25 degC"),
    "watt_hour": ("an energy", "8 kWh"),
    "kilogram": ("a mass", "40 kg"),
    "watt/kelvin": ("a heat conductance", "2 W/K"),
    "joule/mole": ("an activation energy", "20 kJ/mol"),
    "joule/kilogram/kelvin": ("a specific heat", "1000 J/kg/K"),
}

_RATE = re.compile(r"^\s*(?:(?P<n>[-+0-9.eE]+)\s*C|C\s*/\s*(?P<d>[0-9.eE]+))\s*$")


@functools.cache
def _registry():
    import pint

    try:  # what pint reads of its own definitions is kept on disk: a start without it takes half a second more
        return pint.UnitRegistry(autoconvert_offset_to_baseunit=True, cache_folder=":auto:")
    except OSError:
        return pint.UnitRegistry(autoconvert_offset_to_baseunit=True)


def parse(text, unit):
    """Magnitude of a quantity given as text, in ``unit``.

    Parameters
    ----------
    text : str
        Number and unit, such as ``"30 cm"``.
    unit : str
        Unit of the result, a key of ``EXAMPLES``.

    Returns
    -------
    float
        Finite magnitude in ``unit``.

    Raises
    ------
    InputError
        If the text is not a number with a unit of the right dimension, or is not finite.

    Examples
    --------
    >>> parse("30 cm", "m")
    0.3
    >>> round(parse("25 degC", "kelvin"), 2)
    298.15
    """
    what, example = EXAMPLES[unit]
    right = f'write {what} with its unit, such as "{example}"'
    if not isinstance(text, str):
        raise InputError(f"a number without a unit; {right}")
    return _parsed(text, unit, right)


@functools.lru_cache(maxsize=4096)
def _parsed(text, unit, right):
    import pint

    registry = _registry()
    try:
        quantity = registry.Quantity(_readable(text))
    except Exception:
        raise InputError(f"not a quantity; {right}") from None
    try:
        value = float(quantity.to(unit).magnitude)
    except (pint.DimensionalityError, TypeError, ValueError, AttributeError):
        raise InputError(f"has the wrong dimension; {right}") from None
    if not math.isfinite(value):
        raise InputError(f"is not a finite number; {right}")
    return value


def _readable(text):
    """Spellings that people use and pint does not: mm², mm2, °C."""
    text = text.strip().replace("²", "2").replace("°C", " degC").replace("°", " deg").replace("Ω", "ohm")
    return re.sub(r"\b(mm|cm|m)2\b", r"\1**2", text)


def parse_rate(text):
    """A charge or discharge rate: ``("c", number)`` for "0.2 C" or "C/5", else ``("a", amperes)`` or ``("w", watts)``.

    The C here is the trade's C-rate (current ÷ capacity, per hour), never the coulomb.

    Raises
    ------
    InputError
        If the text is none of a C-rate, a current or a power, or is not positive.
    """
    right = 'write a C-rate, current or power, such as "0.2 C", "40 A" or "2 kW"'
    if not isinstance(text, str):
        raise InputError(f"a number without a unit; {right}")
    match = _RATE.match(text)
    try:
        if match:
            rate = "c", float(match["n"]) if match["n"] else 1.0 / float(match["d"])
        else:
            rate = _with_unit(text)
    except (ValueError, ZeroDivisionError):
        raise InputError(f"not a rate; {right}") from None
    if not (math.isfinite(rate[1]) and rate[1] > 0):
        raise InputError(f"must be above zero; {right}")
    return rate


def _with_unit(text):
    try:
        return "a", parse(text, "ampere")
    except InputError:
        return "w", parse(text, "watt")

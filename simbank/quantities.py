"""Text with a unit ("35 mm2", "30 cm", "0.2 C") to a plain float in a named unit: usual units by a table, all others by pint."""

from __future__ import annotations

import functools
import math
import re

from simbank.errors import InputError

__all__ = ["is_measured", "is_quantity", "parse", "parse_measured", "parse_rate", "refuse_known", "same_steps", "unit_of"]

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

# Units that files of banks are full of, by unit of the result: what one of them is in it. They are read without pint, which takes half
# a second of a command's start; a test holds them against it. A scale with another zero has its offset instead.
USUAL = {
    "m": {"m": 1.0, "cm": 1e-2, "mm": 1e-3},
    "m**2": {"m2": 1.0, "cm2": 1e-4, "mm2": 1e-6},
    "ohm": {"ohm": 1.0, "milliohm": 1e-3, "mohm": 1e-3, "microohm": 1e-6, "uohm": 1e-6},
    "ampere": {"A": 1.0, "mA": 1e-3, "kA": 1e3},
    "volt": {"V": 1.0, "mV": 1e-3},
    "henry": {"H": 1.0, "mH": 1e-3, "uH": 1e-6, "nH": 1e-9},
    "watt": {"W": 1.0, "kW": 1e3},
    "ampere_hour": {"Ah": 1.0, "mAh": 1e-3},
    "second": {"s": 1.0, "ms": 1e-3, "min": 60.0, "h": 3600.0},
    "kelvin": {"K": 1.0},
    "watt_hour": {"Wh": 1.0, "kWh": 1e3},
    "kilogram": {"kg": 1.0, "g": 1e-3},
    "watt/kelvin": {"W/K": 1.0},
    "joule/mole": {"J/mol": 1.0, "kJ/mol": 1e3},
    "joule/kilogram/kelvin": {"J/kg/K": 1.0},
}
USUAL_OFFSETS = {"kelvin": {"degC": 273.15}}

LONGEST = 100  # letters of a quantity's text
_NUMBER = r"[-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]+)?"
_UNIT = r"[A-Za-zµμ]+(?:_[A-Za-z]+)*(?:(?:\*\*|\^)?-?[1-9])?"  # a unit's name and perhaps a power of one digit
_QUANTITY = re.compile(rf"(?P<number>{_NUMBER})\s*(?P<unit>{_UNIT}(?:(?:\s*[/*·]\s*|\s+){_UNIT})*)")
_POWER = re.compile(r"(?<=[A-Za-zµμ])(?:\*\*|\^)?(?=-?[1-9])")
_MEASURED = re.compile(
    rf"(?P<number>{_NUMBER})\s*(?P<first>{_UNIT}(?:(?:\s*[/*·]\s*|\s+){_UNIT})*)?\s*(?:±|\+/-)\s*(?P<half>{_NUMBER})\s*(?P<rest>.*)"
)
_RATE = re.compile(rf"(?:(?P<n>{_NUMBER})\s*C|C\s*/\s*(?P<d>{_NUMBER}))")


@functools.cache
def _registry():
    import pint

    try:  # what pint reads of its own definitions is kept on disk: a start without it takes half a second more
        registry = pint.UnitRegistry(autoconvert_offset_to_baseunit=True, cache_folder=":auto:")
    except OSError:
        registry = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    registry.define("@alias ohm = Ohm")  # as meters write it: mOhm
    return registry


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
        If the text is not a number with a unit of the right dimension, or is not finite. There is no arithmetic in it.

    Examples
    --------
    >>> parse("30 cm", "m")
    0.3
    >>> round(parse("25 degC", "kelvin"), 2)
    298.15
    >>> parse("4 mOhm", "ohm")
    0.004
    """
    what, example = EXAMPLES[unit]
    right = f'write {what} with its unit, such as "{example}"'
    refuse_known(text)
    if not isinstance(text, str):
        raise InputError(f"a number without a unit; {right}")
    return _parsed(_short(text, right), unit, right)


def refuse_known(value: object) -> None:
    """An InputError where a value says how well it is known, in a place where that cannot be said or in a way that is not read."""
    if isinstance(value, str) and any(mark in value for mark in ("+-", "-+", "+ -", "∓")):
        raise InputError(MEASURED_RIGHT)
    if is_measured(value) or (isinstance(value, dict) and bool({"value", "within", "range"} & set(value))):
        raise InputError(
            "counts as exact: how well it is known cannot be said here (rates, entries of lists, limits of a BMS); write it without ±"
        )


def _short(text, right):
    if len(text) > LONGEST:
        raise InputError(f"is longer than {LONGEST} letters; {right}")
    return text


@functools.lru_cache(maxsize=4096)
def _parsed(text, unit, right):
    match = _QUANTITY.fullmatch(_readable(text))
    if not match:
        raise InputError(f"not a quantity; {right}")
    number, written = float(match["number"]), match["unit"]
    if written in USUAL[unit]:
        value = number * USUAL[unit][written]
    elif written in USUAL_OFFSETS.get(unit, {}):
        value = number + USUAL_OFFSETS[unit][written]
    else:
        value = _by_pint(number, written, unit, right)
    if not math.isfinite(value):
        raise InputError(f"is not a finite number; {right}")
    return value


def _by_pint(number, written, unit, right):
    """A number of any unit that pint knows, in ``unit``; infinite where it is too large."""
    import pint

    registry = _registry()
    try:  # pint reads the unit only, which holds no numbers but powers of one digit: it has nothing to compute
        given = registry.parse_units(_POWER.sub("**", written).replace("·", "*"))
        return float(registry.Quantity(number, given).to(unit).magnitude)
    except pint.DimensionalityError:
        raise InputError(f"has the wrong dimension; {right}") from None
    except OverflowError:
        return math.inf
    except Exception:
        raise InputError(f"not a quantity; {right}") from None


def is_quantity(text):
    """Whether text is a number, or a number and something of a unit's form."""
    return len(text) <= LONGEST and bool(re.fullmatch(rf"{_NUMBER}|{_QUANTITY.pattern}", _readable(text)))


def is_measured(text: object) -> bool:
    """Whether text says by ± or +/- how well a value is known."""
    if not isinstance(text, str) or not ("±" in text or "+/" in text):
        return False
    return any(mark in _readable(text) for mark in ("±", "+/-"))


def parse_measured(text: str) -> tuple[str, float, float, str]:
    """A value and its expanded uncertainty: ``"0.25 ± 0.03 milliohm"``, ``"0.25 milliohm +/- 12 %"``, ``"0.9 ± 0.05"``.

    What follows ± is a difference: of a temperature in degC it is so many kelvin.

    Parameters
    ----------
    text : str
        Number, ± or +/-, number, unit; or number, unit, ±, percentage. A unit may stand after both numbers, the same one.

    Returns
    -------
    plain : str
        The value alone, as text with its unit.
    number, half_width : float
        Value, and how far it may be off either way, both in ``unit``.
    unit : str
        As it was written; empty of a bare number.

    Raises
    ------
    InputError
        If the text is not of this form, has two units, or says that the value is off by zero or less.

    Examples
    --------
    >>> parse_measured("0.25 milliohm ± 12 %")
    ('0.25 milliohm', 0.25, 0.03, 'milliohm')
    >>> parse_measured("25 +/- 5 degC")
    ('25 degC', 25.0, 5.0, 'degC')
    """
    match = _MEASURED.fullmatch(_readable(_short(text, MEASURED_RIGHT)))
    if not match or is_measured(match["rest"]):
        raise InputError(f"not a value with how well it is known; {MEASURED_RIGHT}", value=text)
    number, half = float(match["number"]), float(match["half"])
    first, rest = (match["first"] or "").strip(), match["rest"].strip()
    unit = first or rest
    if rest in ("%", "percent"):
        unit, half = first, float(f"{abs(number) * half / 100.0:.12g}")
        if unit in _SCALES_WITH_OFFSET:
            raise InputError(
                'a percentage of a temperature says nothing; write how many degrees, such as "25 ± 5 degC"', value=text
            )
    elif first and rest and first != rest and not same_steps(first, rest):
        raise InputError(f"has two units; {MEASURED_RIGHT}", value=text)
    if not 0 < half < math.inf or not math.isfinite(number):
        raise InputError("what follows ± must be above zero and finite; leave it out of what is known exactly", value=text)
    return f"{match['number']} {unit}".strip(), number, half, unit


MEASURED_RIGHT = 'write "0.25 ± 0.03 milliohm" or "0.25 milliohm ± 12 %", with ± or +/-'
_SCALES_WITH_OFFSET = ("degC", "celsius", "degree_Celsius", "degF")


def same_steps(unit: str, other: str) -> bool:
    """Whether a difference in ``other`` is as many steps of ``unit``, a scale of temperature: kelvin of degC."""
    return unit in _SCALES_WITH_OFFSET[:-1] and other in ("K", "kelvin")


def unit_of(text: str, unit: str) -> tuple[float, str]:
    """Number and unit of a quantity as they were written; the unit must be of the dimension of ``unit``.

    >>> unit_of("0.3 milliohm", "ohm")
    (0.3, 'milliohm')
    """
    parse(text, unit)
    match = _QUANTITY.fullmatch(_readable(text))
    return float(match["number"]), match["unit"]


def _readable(text):
    """Spellings that people use and pint does not: mm², °C, Ω, a minus sign."""
    for theirs, ours in (("²", "2"), ("°C", " degC"), ("°", " deg"), ("Ω", "ohm"), ("\u2126", "ohm"), ("−", "-")):
        text = text.replace(theirs, ours)
    return text.strip()


def parse_rate(text, power=True):
    """A charge or discharge rate: ``("c", number)`` for "0.2 C" or "C/5", else ``("a", amperes)`` or ``("w", watts)``.

    The C here is the trade's C-rate (current ÷ capacity, per hour), never the coulomb. Without ``power`` only a C-rate or a current
    will do.

    Raises
    ------
    InputError
        If the text is none of a C-rate, a current or a power, or is not positive; or if it is a power and may not be one.
    """
    right = 'write a C-rate, current or power, such as "0.2 C", "40 A" or "2 kW"'
    if not power:
        right = 'write a C-rate or a current, such as "0.02 C" or "4 A"'
    refuse_known(text)
    if not isinstance(text, str):
        raise InputError(f"a number without a unit; {right}")
    match = _RATE.fullmatch(_readable(_short(text, right)))
    try:
        if match:
            rate = "c", float(match["n"]) if match["n"] else 1.0 / float(match["d"])
        else:
            rate = _with_unit(text)
    except (ValueError, ZeroDivisionError):
        raise InputError(f"not a rate; {right}") from None
    if not (math.isfinite(rate[1]) and rate[1] > 0):
        raise InputError(f"must be above zero; {right}")
    if rate[0] == "w" and not power:
        raise InputError(f"is a power; {right}")
    return rate


def _with_unit(text):
    try:
        return "a", parse(text, "ampere")
    except InputError:
        return "w", parse(text, "watt")

"""Text with units to numbers; pint's own constants are the reference."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simbank.errors import InputError
from simbank.quantities import EXAMPLES, USUAL, USUAL_OFFSETS, _by_pint, parse, parse_rate


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("30 cm", "m", 0.3),
        ("2 ft", "m", 0.6096),
        ("0.25 milliohm", "ohm", 2.5e-4),
        ("0.25 mohm", "ohm", 2.5e-4),
        ("280 Ah", "ampere_hour", 280),
        ("25 degC", "kelvin", 298.15),
        ("25 °C", "kelvin", 298.15),
        ("77 degF", "kelvin", 298.15),
        ("300 K", "kelvin", 300),
        ("35 mm2", "m**2", 3.5e-5),
        ("35 mm²", "m**2", 3.5e-5),
        ("3 kW", "watt", 3000),
        ("56.8 V", "volt", 56.8),
        ("1 h", "second", 3600),
        ("2 W/K", "watt/kelvin", 2),
        ("2 W/°C", "watt/kelvin", 2),
        ("1000 J/kg/K", "joule/kilogram/kelvin", 1000),
        ("20 kJ/mol", "joule/mole", 20_000),
        ("3 A·h", "ampere_hour", 3),
        ("50 mΩ", "ohm", 0.05),
        ("−5 °C", "kelvin", 268.15),
        ("1e-4 m^2", "m**2", 1e-4),
    ],
)
def test_units(text, unit, value):
    assert parse(text, unit) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize("unit", EXAMPLES)
def test_usual_units_are_what_pint_makes_of_them(unit):
    assert unit in USUAL
    for written in (*USUAL[unit], *USUAL_OFFSETS.get(unit, {})):
        for number in (0.0, 1.0, -7.3, 0.6, 1e-9, 123456.789, 96.52):
            value = _by_pint(number, written, unit, "")
            # pint multiplies in one step or in two, by its version, each exact to half a unit in the last place
            assert abs(parse(f"{number} {written}", unit) - value) <= 2 * math.ulp(value), (number, written)


def test_every_example_reads():
    for unit, (_, example) in EXAMPLES.items():
        assert math.isfinite(parse(example, unit))


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("30", "m"),
        (30, "m"),
        ("30 kg", "m"),
        ("", "m"),
        ("x y z", "m"),
        ("nan m", "m"),
        ("1e400 m", "m"),
        (None, "m"),
        ("1;2", "m"),
        ("3 * 40 cm", "m"),
        ("inf m", "m"),
        ("1_000 m", "m"),
        ("٣ m", "m"),
        ("1e308 km", "m"),
        ("1 m2", "m"),
        ("9**9**9**9 m", "m"),
        ("10**10000 m", "m"),
        ("1 m**9**9", "m"),
        ("1 m2 * 1e9**1e9", "m"),
        ("1" * 1000 + " m", "m"),
    ],
)
def test_what_is_not_a_quantity(text, unit):
    with pytest.raises(InputError):
        parse(text, unit)


def test_c_is_a_rate_not_a_coulomb():
    assert parse_rate("0.2 C") == ("c", 0.2)
    assert parse_rate("C/5") == ("c", 0.2)
    assert parse_rate("40 A") == ("a", 40.0)
    assert parse_rate("2 kW") == ("w", 2000.0)
    for wrong in ("0 C", "-1 C", "C/0", "5 V", "fast", 0.2, "nan A"):
        with pytest.raises(InputError):
            parse_rate(wrong)


@given(st.floats(1e-6, 1e6))
def test_round_trip(value):
    assert parse(f"{value!r} cm", "m") == pytest.approx(value / 100, rel=1e-12)


PIECES = st.sampled_from(
    [*"0123456789+-.eE*/^ ()_,;[]{}'\"%°²ΩµC", "**", "nan", "inf", "1e", "9", "Ah", "m", "mm2", "W/K", "degC", "__import__"]
    + [example for _, example in EXAMPLES.values()]
)


@given(st.one_of(st.text(max_size=200), st.lists(PIECES, max_size=30).map("".join)), st.sampled_from(list(EXAMPLES)))
@settings(max_examples=500, deadline=2000)  # ms: none may compute for long
def test_any_text_is_a_finite_number_or_an_input_error(text, unit):
    for read in (lambda: parse(text, unit), lambda: parse_rate(text)[1]):
        try:
            value = read()
        except InputError:
            continue
        assert isinstance(value, float)
        assert math.isfinite(value)

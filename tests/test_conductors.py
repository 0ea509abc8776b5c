"""Copper and joints against published tables, from secondary sources or from memory, as marked; no original was read."""

import math

import pytest

from simbank.bank import Conductor, parse_gauge, resistance_per_metre
from simbank.bank.ampacity import ampacity_a, below_table, credited_ampacity_a
from simbank.bank.conductors import IEC_60228_OHM_PER_KM, awg_area_m2, awg_diameter_m
from simbank.errors import InputError

K75, K20 = 348.15, 293.15


# ASTM B258 diameters [mm] and NBS Handbook 100 (1966) resistance of solid annealed copper at 20 °C [ohm/km] (from memory,
# verified against the formula), and 75 °C [ohm/kft].
@pytest.mark.parametrize(
    ("gauge", "diameter_mm", "ohm_per_km", "ohm_per_kft_75"),
    [
        ("10 AWG", 2.5882, 3.2770, 1.2147),
        ("8 AWG", 3.2636, 2.0610, 0.7640),
        ("6 AWG", 4.1154, 1.2961, 0.4805),
        ("4 AWG", 5.1894, 0.81515, 0.3022),
        ("2 AWG", 6.5437, 0.51265, 0.1900),
        ("1/0 AWG", 8.2515, 0.32241, 0.1195),
        ("2/0 AWG", 9.2658, 0.25568, 0.0948),
        ("4/0 AWG", 11.684, 0.16080, 0.0596),
    ],
)
def test_solid_awg_against_nbs_handbook_100(gauge, diameter_mm, ohm_per_km, ohm_per_kft_75):
    size = parse_gauge(gauge)
    assert math.sqrt(4 * size.area_m2 / math.pi) * 1e3 == pytest.approx(diameter_mm, rel=5e-5)
    assert resistance_per_metre(size, construction="solid", temperature_k=K20) * 1e3 == pytest.approx(ohm_per_km, rel=1e-4)
    per_kft = resistance_per_metre(size, construction="solid", temperature_k=K75) * 304.8
    assert per_kft == pytest.approx(ohm_per_kft_75, rel=1e-3)


def test_exact_gauges_of_astm_b258():
    assert awg_diameter_m(36) == pytest.approx(0.127e-3, rel=1e-15)  # exact by definition
    assert awg_diameter_m(-3) == pytest.approx(11.684e-3, rel=1e-6)  # 0.4600 inch
    assert awg_area_m2(-3) * 1e6 == pytest.approx(107.219, rel=1e-5)


# NFPA 70 (NEC) chapter 9 table 8, uncoated copper at 75 °C [ohm/kft]; secondary source, 10 and 8 AWG stranded from memory.
@pytest.mark.parametrize(
    ("gauge", "ohm_per_kft"),
    [("10 AWG", 1.24), ("8 AWG", 0.778), ("6 AWG", 0.491), ("4 AWG", 0.308), ("2 AWG", 0.194), ("1/0 AWG", 0.122),
     ("2/0 AWG", 0.0967), ("4/0 AWG", 0.0608)],
)  # fmt: skip
def test_stranded_awg_against_nec_table_8(gauge, ohm_per_kft):
    ours = resistance_per_metre(parse_gauge(gauge), construction="stranded", temperature_k=K75) * 304.8
    assert ours == pytest.approx(ohm_per_kft, rel=5e-3)
    solid = resistance_per_metre(parse_gauge(gauge), construction="solid", temperature_k=K75) * 304.8
    assert 1.015 <= ohm_per_kft / solid <= 1.025  # what a stranded conductor costs over a solid one


# IEC 60228 maximum resistance at 20 °C [ohm/km]; secondary source, three tables agree.
@pytest.mark.parametrize(
    ("size", "construction", "ohm_per_km"),
    [("10 mm2", "stranded", 1.83), ("35 mm2", "stranded", 0.524), ("70 mm2", "stranded", 0.268), ("240 mm2", "stranded", 0.0754),
     ("10 mm2", "flexible", 1.91), ("35 mm2", "flexible", 0.554), ("50 mm2", "flexible", 0.386), ("95 mm2", "flexible", 0.206)],
)  # fmt: skip
def test_metric_against_iec_60228(size, construction, ohm_per_km):
    ours = resistance_per_metre(parse_gauge(size), construction=construction, temperature_k=K20) * 1e3
    assert ours == pytest.approx(ohm_per_km, rel=1e-12)


def test_metric_table_is_near_the_metal_it_names():
    """ρ/A of the nominal area is within 15 % of every entry: a slipped digit in the table would show."""
    for (material, _), table in IEC_60228_OHM_PER_KM.items():
        rho = {"copper": 1.7241e-8, "aluminium": 2.8264e-8}[material]
        for nominal, ohm_per_km in table.items():
            assert ohm_per_km == pytest.approx(rho / (nominal * 1e-6) * 1e3, rel=0.15), (material, nominal)


def test_temperature_factor_against_iec_60228_annex():
    """kt = 1/(1 + 0.004 (t − 20)) in the annex [secondary source]; copper's 0.00393 gives the same within 0.5 %."""
    size = parse_gauge("50 mm2")
    for celsius, kt in ((5, 1.064), (25, 0.980), (50, 0.893), (75, 0.820), (90, 0.781)):
        ratio = resistance_per_metre(size, temperature_k=K20) / resistance_per_metre(size, temperature_k=celsius + 273.15)
        assert ratio == pytest.approx(kt, rel=5e-3)


def test_worked_lengths():
    """10 m of 70 mm² class 2 is 2.68 mΩ, of 35 mm² class 5 5.54 mΩ (computed from IEC 60228)."""
    assert Conductor(parse_gauge("70 mm2"), 10.0, construction="stranded", temperature_k=K20).resistance_ohm == pytest.approx(
        2.68e-3
    )
    assert Conductor(parse_gauge("35 mm2"), 10.0, temperature_k=K20).resistance_ohm == pytest.approx(5.54e-3)


def test_joints_add_at_both_ends():
    plain = Conductor(parse_gauge("2 AWG"), 0.3)
    jointed = Conductor(parse_gauge("2 AWG"), 0.3, joint_ohm=5e-5)
    assert jointed.resistance_ohm - plain.resistance_ohm == pytest.approx(1e-4, rel=1e-9)


def test_bar_is_resistivity_over_section():
    bar = Conductor(parse_gauge("20 x 5 mm"), 1.0, joints=0, temperature_k=K20)
    assert bar.resistance_ohm == pytest.approx(1.7241e-8 / 100e-6, rel=1e-12)
    aluminium = Conductor(parse_gauge("20 x 5 mm"), 1.0, "aluminium", joints=0, temperature_k=K20)
    assert aluminium.resistance_ohm / bar.resistance_ohm == pytest.approx(2.8264 / 1.7241, rel=1e-12)


def test_mass():
    """One metre of 4/0 AWG copper: 107.22 mm² · 8890 kg/m³ = 0.953 kg (NBS Handbook 100: 0.6405 lb/ft, from memory)."""
    assert Conductor(parse_gauge("4/0 AWG"), 1.0).mass_kg == pytest.approx(0.6405 * 0.45359237 / 0.3048, rel=1e-3)


@pytest.mark.parametrize(
    "text", ["45 AWG", "5/0 AWG", "2.5 AWG", "33 mm2", "100 kcmil", "thick", "AWG 2", "2", "0 x 5 mm", "-2 mm2"]
)
def test_gauges_that_do_not_exist(text):
    with pytest.raises(InputError):
        parse_gauge(text)


def test_constructions_that_do_not_exist():
    for gauge, options in (
        ("2 AWG", {"construction": "flexible"}),
        ("50 mm2", {"material": "aluminium", "construction": "flexible"}),
    ):
        with pytest.raises(InputError):
            resistance_per_metre(parse_gauge(gauge), **options)
    with pytest.raises(InputError, match="unknown material"):
        resistance_per_metre(parse_gauge("2 AWG"), "silver")


@pytest.mark.parametrize(
    ("small", "most_a"),
    [("18 AWG", 7.0), ("16 AWG", 10.0)],  # NFPA 70 240.4(D)(1) and (2), what may protect them at most; from memory
)
def test_below_the_table_ampacity_goes_with_area(small, most_a):
    """On the safe side of the code, and no more than the smallest of the table."""
    gauge = parse_gauge(small)
    for insulation in ("pvc70", "xlpe90"):
        ampacity, words = credited_ampacity_a(gauge, insulation, 30.0)
        assert 0.8 * most_a < ampacity < most_a
        assert "14 AWG, with which it begins, in proportion to area" in words
    assert below_table(gauge) == "14 AWG"


def test_between_two_sizes_of_the_table_the_smaller_counts():
    """5 AWG as 6 AWG: 65 A at 75 °C (NFPA 70 table 310.16, from memory); above the table nothing is said."""
    assert ampacity_a(parse_gauge("5 AWG"), "thermoplastic75")[0] == 65.0
    assert ampacity_a(parse_gauge("6 AWG"), "thermoplastic75") == (65.0, "NFPA 70 table 310.16, 75 °C column, 65 A × 1.00")
    assert below_table(parse_gauge("5 AWG")) is None
    with pytest.raises(InputError, match="ends at 500 kcmil"):
        ampacity_a(parse_gauge("600 kcmil"), "thermoplastic75")

"""Laws of ageing against tables worked out by hand from the papers' equations, and their differential form against closed forms.

Sources: M. Naumann et al., J. Energy Storage 17 (2018) 153; M. Schimpe et al., J. Electrochem. Soc. 165 (2018) A181, table IV; J. Wang et
al., J. Power Sources 196 (2011) 3942. Losses in percent.
"""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

import simbank as sb
from simbank.cells.ageing_laws import ageing_laws, graphite_volt, load_law

YEAR_S = 365 * 86400.0
YEAR_H = 8766.0


def term(law, name):
    return next(t for t in load_law(law).terms if t.name == name)


def percent(part, celsius, soc, c_rate, counted):
    """Loss in percent of a term at constant conditions, by the age that they make."""
    return 100.0 * part.loss(part.ageing(celsius + 273.15, soc, c_rate) * counted)


NAUMANN = {  # °C: loss in 365 days, 885 days, 10 years at a charge of 0, 50 and 100 %
    0: ((0.919, 1.431, 2.91), (2.259, 3.518, 7.15), (3.599, 5.604, 11.38)),
    10: ((1.200, 1.868, 3.80), (2.949, 4.591, 9.33), (4.697, 7.314, 14.86)),
    25: ((1.730, 2.694, 5.47), (4.252, 6.620, 13.45), (6.773, 10.547, 21.43)),
    40: ((2.409, 3.751, 7.62), (5.919, 9.217, 18.72), (9.430, 14.684, 29.83)),
    60: ((3.575, 5.567, 11.31), (8.785, 13.680, 27.79), (13.996, 21.793, 44.27)),
}


@pytest.mark.parametrize("celsius", NAUMANN)
def test_storage_by_naumann(celsius):
    part = term("naumann", "storage")
    spans = YEAR_S, 885 * 86400.0, 3652.5 * 86400.0
    for soc, losses in zip((0.0, 0.5, 1.0), NAUMANN[celsius], strict=True):
        for seconds, loss in zip(spans, losses, strict=True):
            half_a_digit = 0.005 if seconds == spans[2] else 0.0005
            assert percent(part, celsius, soc, 0.0, seconds) == pytest.approx(loss, rel=5e-4, abs=half_a_digit)


SCHIMPE = {  # °C: coefficient [h^-0.5] and loss of a year at a charge of 0, 20, 50, 80 and 100 %
    10: ((3.379e-5, 0.32), (1.343e-4, 1.26), (2.703e-4, 2.53), (3.988e-4, 3.73), (4.444e-4, 4.16)),
    25: ((5.248e-5, 0.49), (2.086e-4, 1.95), (4.197e-4, 3.93), (6.194e-4, 5.80), (6.903e-4, 6.46)),
    40: ((7.814e-5, 0.73), (3.106e-4, 2.91), (6.250e-4, 5.85), (9.222e-4, 8.63), (1.028e-3, 9.62)),
    55: ((1.122e-4, 1.05), (4.459e-4, 4.17), (8.973e-4, 8.40), (1.324e-3, 12.40), (1.476e-3, 13.82)),
}


@pytest.mark.parametrize("celsius", SCHIMPE)
def test_storage_by_schimpe(celsius):
    part = term("schimpe", "storage")
    for soc, (coefficient, loss) in zip((0.0, 0.2, 0.5, 0.8, 1.0), SCHIMPE[celsius], strict=True):
        assert part.coefficient(celsius + 273.15, soc, 0.0) == pytest.approx(coefficient, rel=6e-4)
        assert percent(part, celsius, soc, 0.0, YEAR_H) == pytest.approx(loss, abs=0.0051)


def test_potential_of_graphite():
    lithium = 0.0085 + np.array([0.0, 0.5, 1.0]) * (0.78 - 0.0085)
    assert graphite_volt(lithium) == pytest.approx([0.6844, 0.1233, 0.0864], abs=5e-5)


@pytest.mark.parametrize(
    ("name", "c_rate", "counted", "losses"),
    [
        ("throughput", 1.0, 6000.0, (0.34, 0.56, 1.13, 2.13)),
        ("cold charge", 1.0, 3000.0, (17.05, 7.19, 2.20, 0.75)),
        ("cold charge", 0.5, 3000.0, (4.55, 1.92, 0.59, 0.20)),
    ],
)
def test_thousand_cycles_by_schimpe(name, c_rate, counted, losses):
    for celsius, loss in zip((0, 10, 25, 40), losses, strict=True):
        assert percent(term("schimpe", name), celsius, 0.5, c_rate, counted) == pytest.approx(loss, abs=0.0051)


def test_cold_charge_to_full_by_schimpe():
    """By hand from table IV: nothing below 82 %, else 2.03e-6 per Ah at 25 °C and 1 C; 233 kJ/mol make it 72 times that at 10 °C."""
    part = term("schimpe", "cold charge to full")
    assert percent(part, 25, 0.81, 1.0, 1000.0) == 0.0
    assert percent(part, 25, 0.9, 1.0, 1000.0) == pytest.approx(0.203, rel=1e-12)
    tenfold = np.exp(233000.0 / 8.314 * (1 / 283.15 - 1 / 298.15))
    assert percent(part, 10, 0.9, 1.0, 1000.0) == pytest.approx(0.203 * tenfold, rel=1e-9)
    assert percent(part, 25, 0.9, 0.5, 1000.0) == pytest.approx(0.203 * np.exp(-3.92), rel=1e-9)


WANG = {  # (C-rate, °C): loss after 1000, 5000 and 10 000 Ah of a cell of 2.2 Ah
    (0.5, 25): (4.252, 10.305, 15.088), (0.5, 45): (9.456, 22.917, 33.553), (0.5, 60): (16.170, 39.186, 57.372),
    (2.0, 25): (3.647, 8.838, 12.940), (6.0, 25): (3.954, 9.583, 14.031), (10.0, 25): (8.621, 20.891, 30.587),
}  # fmt: skip


@pytest.mark.parametrize(("c_rate", "celsius"), WANG)
def test_cycling_by_wang(c_rate, celsius):
    found = percent(term("wang", "throughput"), celsius, 0.5, c_rate, np.array([1000.0, 5000.0, 10000.0]))
    assert found == pytest.approx(WANG[c_rate, celsius], rel=1.5e-4)


@pytest.mark.parametrize(("c_rate", "ampere_hours"), [(0.5, 16693), (2.0, 22071), (6.0, 19050), (10.0, 4619)])
def test_charge_to_a_fifth_lost_by_wang(c_rate, ampere_hours):
    part = term("wang", "throughput")
    assert part.age(0.2) / part.ageing(298.15, 0.5, c_rate) == pytest.approx(ampere_hours, rel=1e-4)


def test_charge_counts_by_the_size_of_the_cell_of_the_paper():
    """100 Ah a cell at C/2 for an hour are half a capacity, as 1.1 Ah of Wang's cell of 2.2 Ah; a pack's size does not enter."""
    law = load_law("wang")
    rate = law.rates(298.15, 0.5, 0.5)[0]
    assert rate * 3600.0 == pytest.approx(law.terms[0].ageing(298.15, 0.5, 0.5) * 1.1, rel=1e-12)
    assert law.rates(298.15, 0.5, -0.5)[0] == 0.0  # what is delivered counts, not what is taken


def test_two_fits_of_one_cell_agree():
    """Naumann's and Schimpe's constants are of the same cell: within 8 % at 25 °C in a year at half charge and full; not when empty."""
    for soc in (0.5, 1.0):
        one = percent(term("naumann", "storage"), 25, soc, 0.0, YEAR_S)
        assert percent(term("schimpe", "storage"), 25, soc, 0.0, YEAR_H) == pytest.approx(one, rel=0.08)
    assert (
        percent(term("schimpe", "storage"), 25, 0.0, 0.0, YEAR_H)
        < 0.5
        < 1.7
        < percent(term("naumann", "storage"), 25, 0.0, 0.0, YEAR_S)
    )


@pytest.mark.parametrize(
    ("law", "name"),
    [("naumann", "storage"), ("schimpe", "throughput"), ("schimpe", "cold charge to full"), ("wang", "throughput")],
)
def test_two_temperatures_in_turn(law, name):
    """The differential form, gone through by scipy from a loss of 1 %, and the closed form (q^(1/p) + k₁^(1/p) x₁ + k₂^(1/p) x₂)^p."""
    part = term(law, name)
    counted = 3e7 if part.unit == "s" else 3000.0
    loss, temperatures = 0.01, (288.15, 313.15)
    for kelvin in temperatures:
        run = solve_ivp(lambda _, q, k=kelvin: part.slope(q, k, 0.9, 0.7), (0, counted), [loss], rtol=1e-10, atol=1e-14)
        loss = float(run.y[0, -1])
    one, two = (float(part.coefficient(kelvin, 0.9, 0.7)) for kelvin in temperatures)
    p = part.exponent
    closed = (0.01 ** (1 / p) + one ** (1 / p) * counted + two ** (1 / p) * counted) ** p
    assert loss == pytest.approx(closed, rel=1e-8)
    assert part.loss(part.age(0.01) + sum(part.ageing(k, 0.9, 0.7) * counted for k in temperatures)) == pytest.approx(
        closed, rel=1e-12
    )


def test_many_packs_at_once():
    law = load_law("schimpe")
    kelvin, soc, c_rate = np.array([[285.0], [300.0]]), np.array([0.2, 0.5, 0.9]), np.array([-0.3, 0.2, 0.0])
    together = law.rates(kelvin, soc, c_rate)
    assert together.shape == (4, 2, 3)
    for i in range(2):
        for j in range(3):
            assert together[:, i, j] == pytest.approx(law.rates(kelvin[i, 0], soc[j], c_rate[j]), rel=1e-13)
    assert together[1, 0, 2] == 0.0 < together[0, 0, 2]  # at rest only time counts


def test_conditions_outside_the_fit_are_said():
    law = load_law("wang")
    hours = np.array([25.0, 70.0, 5.0, 25.0]), np.full(4, 0.5), np.array([1.0, 1.0, 1.0, 0.2]), np.array([True, True, True, True])
    assert law.outside(*hours) == {
        "wang: colder than 15 °C": 0.25, "wang: warmer than 60 °C": 0.25, "wang: slower than 0.5 C": 0.25,
    }  # fmt: skip
    still = law.outside(np.full(4, 25.0), np.full(4, 0.5), np.zeros(4), np.zeros(4, bool))
    assert still == {}


def test_every_law_says_where_it_is_from():
    for name in ageing_laws():
        law = load_law(name)
        assert "J. " in law.source
        assert law.licence
        assert law.cell
        assert law.fitted[name].source
        assert law.scatter.low < 1.0 < law.scatter.high


def test_laws_that_cannot_be():
    with pytest.raises(sb.InputError, match="unknown ageing law"):
        load_law("wing")
    with pytest.raises(sb.InputError, match="count different things"):
        load_law("naumann+schimpe")
    assert [t.name for t in load_law("naumann+wang").terms] == ["storage", "throughput"]

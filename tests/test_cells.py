"""Curves and the shipped chemistry."""

import json
import shutil

import numpy as np
import pytest
from typer.testing import CliRunner

import simbank
from simbank.cells import Curve, library, load_chemistry
from simbank.errors import InputError


def test_pchip_is_scipys_inside_and_straight_outside():
    from scipy.interpolate import PchipInterpolator

    curve = load_chemistry("lfp").ocv
    z = np.linspace(0, 1, 1001)
    reference = PchipInterpolator(curve.soc, curve.value)
    assert curve(z) == pytest.approx(reference(z), abs=1e-12)
    assert curve.slope(z[1:-1]) == pytest.approx(reference.derivative()(z[1:-1]), abs=1e-8)
    assert curve.integral(z) == pytest.approx(np.array([float(reference.integrate(0, x)) for x in z]), abs=1e-12)
    assert curve(1.1) == pytest.approx(curve(1.0) + 0.1 * curve.slope(1.0))
    assert curve(-0.1) == pytest.approx(curve(0.0) - 0.1 * curve.slope(0.0))


@pytest.mark.parametrize("name", library())
def test_library_is_monotone_with_source_and_licence(name):
    chemistry = load_chemistry(name)
    z = np.linspace(-0.05, 1.05, 4001)
    assert np.all(np.diff(chemistry.ocv(z)) > 0)
    assert chemistry.source
    assert chemistry.licence


def test_lfp_ocv_against_rest_voltages():
    """Rest voltages of graphite/LFP at 25 °C, mid-hysteresis, ±15 mV on the plateau and wider at the ends (from memory)."""
    ocv = load_chemistry("lfp").ocv
    for soc, volt in (
        (0.2, 3.25),
        (0.3, 3.28),
        (0.4, 3.295),
        (0.5, 3.30),
        (0.6, 3.305),
        (0.7, 3.325),
        (0.8, 3.333),
        (0.9, 3.335),
        (0.95, 3.34),
    ):
        assert ocv(soc) == pytest.approx(volt, abs=0.015)
    for soc, volt in ((0.05, 3.10), (0.10, 3.20)):
        assert ocv(soc) == pytest.approx(volt, abs=0.03)
    assert 2.5 <= ocv(0.0) <= 2.9


def test_lfp_step_between_60_and_70_percent():
    """Graphite's staging lifts the curve by 20 to 30 mV between 60 and 70 % SOC (from memory)."""
    ocv = load_chemistry("lfp").ocv
    assert 0.015 <= ocv(0.7) - ocv(0.6) <= 0.035


def test_lfp_plateau_slope():
    """0.05 to 0.15 V per unit SOC on the plateaus, hence 0.8 to 2.4 V for 16 in series (from memory)."""
    ocv = load_chemistry("lfp").ocv
    for a, b in ((0.3, 0.55), (0.7, 0.9)):
        assert 0.04 <= (ocv(b) - ocv(a)) / (b - a) <= 0.15


def test_hysteresis_gap_is_within_what_is_published():
    """Gap 5 to 25 mV between charge and discharge branch on the plateaus (secondary source)."""
    half = load_chemistry("lfp").half_width
    gap = 2 * half(np.linspace(0.2, 0.9, 50))
    assert np.all((gap >= 0.005) & (gap <= 0.025))


def test_lfp_shape_against_pybamm():
    """A parameter set of another hand (PyBaMM, Prada2013, a small power cell): from 40 to 90 % SOC it lies 20 to 55 mV lower
    than ours throughout, and apart from that shift the shapes agree to 20 mV."""
    pybamm = pytest.importorskip("pybamm")
    parameters = pybamm.ParameterValues("Prada2013")
    x0, x1, y0, y1 = 0.0176, 0.8100, 0.7035, 0.0038  # stoichiometry at 0 and 100 %, 2.0 to 3.6 V (computed with PyBaMM)
    z = np.linspace(0.4, 0.9, 6)
    x = x0 + (x1 - x0) * z
    y = y0 + (y1 - y0) * z
    positive = parameters["Positive electrode OCP [V]"]
    negative = parameters["Negative electrode OCP [V]"]
    full = np.array([
        parameters.evaluate(positive(pybamm.Scalar(b))) - parameters.evaluate(negative(pybamm.Scalar(a)))
        for a, b in zip(x, y, strict=True)
    ]).ravel()  # fmt: skip
    shift = load_chemistry("lfp").ocv(z) - full
    assert np.all((shift > 0.02) & (shift < 0.055))
    assert np.abs(shift - shift.mean()).max() < 0.02


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("3.2995", "3.1", "must rise"),
        ('licence = "CC0-1.0, our own compilation"', 'licence = ""', "licence"),
        ("decay_per_soc = 40.0", "decay_per_soc = -1", "decay_per_soc"),
        ("half_width_volt = [0.014", "half_width_volt = [-0.014", "half_width"),
        ("volt_max = 3.65", "volt_max = 3.0", "limits"),
        ("[ocv]", "[ocvv]", "did you mean"),
        ("soc = [0.0, 0.10, 0.25, 1.0]", "soc = [0.0, 0.10, 0.25, 0.9]", "from 0 to 1"),
        ("factor = [1.50", "factor = [-1.50", "resistance.factor"),
        ("1.02, 1.00, 1.00, 1.03]", "1.02, 1.10, 1.00, 1.03]", "must be 1 at soc 0.5"),
        ('seen_in_practice = "-0.4 mV/K', 'xseen = "-0.4 mV/K', "unknown key"),
        ('seen_in_practice = "gap 5', 'seen_in_practice = " " # "gap 5', "range seen in practice"),
        ('specific_heat = "1000 J/kg/K"', 'specific_heat = "1000 J"', "wrong dimension"),
        ("celsius = [-0.1, 0.0", "celsius = [0.1, 0.0", "temperatures rising"),
    ],
)
def test_a_broken_chemistry_file_gives_one_clear_line(tmp_path, root, old, new, says):
    text = (root / "simbank" / "cells" / "library" / "lfp.toml").read_text()
    assert old in text
    path = tmp_path / f"broken{abs(hash((old, new)))}.toml"
    path.write_text(text.replace(old, new, 1))
    with pytest.raises(InputError, match=says) as caught:
        load_chemistry(str(path))
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_unknown_chemistry_suggests():
    with pytest.raises(InputError, match='did you mean "lfp"'):
        load_chemistry("lpf")


def test_linear_curve():
    curve = Curve([0, 0.5, 1], [1, 2, 4], "linear")
    assert curve(0.25) == pytest.approx(1.5)
    assert curve.slope(0.75) == pytest.approx(4)
    assert curve.integral(1.0) == pytest.approx(0.75 + 1.5)


@pytest.mark.parametrize(
    ("name", "series", "low", "high"),
    [("lfp", 16, 0.8, 2.4), ("nmc", 14, 11.0, 14.0), ("lead_flooded", 24, 2.6, 3.6), ("lead_agm", 24, 2.6, 4.0)],
)
def test_slope_of_a_48_v_bank(name, series, low, high):
    """dU/dz from 30 to 70 % [V per unit SOC of a 48 V bank]: LFP 0.8 to 2.4, NMC 11 to 14, lead-acid 3.2 (from memory; lead-acid
    by rule of thumb from a secondary source, AGM wider)."""
    ocv = load_chemistry(name).ocv
    assert low <= series * (ocv(0.7) - ocv(0.3)) / 0.4 <= high


def test_flooded_lead_acid_rest_voltages():
    """12.6, 12.4, 12.2, 12.0, 11.6 V at 100, 75, 50, 25, 0 % (rule of thumb, secondary source)."""
    ocv = load_chemistry("lead_flooded").ocv
    assert [6 * float(ocv(z)) for z in (1, 0.75, 0.5, 0.25, 0)] == pytest.approx([12.6, 12.4, 12.2, 12.0, 11.6], abs=2e-3)


@pytest.mark.parametrize("name", library())
def test_every_library_file_names_what_it_assumes(name):
    chemistry = load_chemistry(name)
    assert set(chemistry.notes) == {
        "ocv",
        "hysteresis",
        "entropy",
        "resistance",
        "relaxation",
        "limits",
        "charge_rate",
        "typical",
    }
    for note in chemistry.notes.values():
        assert not note.startswith("assumed") or "Seen in practice" in note
    z = np.linspace(-0.1, 1.1, 200)
    assert chemistry.r_factor(z).min() > 0
    assert chemistry.rc_factor(z).min() > 0
    assert chemistry.half_width(z).min() >= 0


def test_entropic_coefficient_of_lfp():
    """About −0.4 mV/K near empty, within 0.1 mV/K about half charge, +0.1 to +0.2 mV/K above 60 % (from memory)."""
    entropy = load_chemistry("lfp").entropy
    assert -0.5e-3 < entropy(0.02) < -0.3e-3
    assert abs(entropy(0.45)) < 0.1e-3
    assert 0.08e-3 < entropy(0.8) < 0.2e-3


def test_a_chemistry_dropped_into_the_library_is_known_everywhere(tmp_path, monkeypatch):
    """One file: list, card, starter, drift, and a pack type that names it; nothing else is told of it."""
    from simbank.cells import chemistry
    from simbank.cli.program import app

    for file in chemistry.LIBRARY.glob("*.toml"):
        shutil.copy(file, tmp_path)
    own = (tmp_path / "nmc.toml").read_text(encoding="utf-8").replace('name = "nmc"', 'name = "invented"', 1)
    (tmp_path / "invented.toml").write_text(own.replace("cells_in_series_48v = 14", "cells_in_series_48v = 13"), encoding="utf-8")
    monkeypatch.setattr(chemistry, "LIBRARY", tmp_path)

    def says(*words):
        done = CliRunner().invoke(app, [str(word) for word in words], env={"COLUMNS": "200"})
        assert done.exit_code == 0, done.output
        return done.output

    assert "invented" in says("cell", "list")
    assert json.loads(says("cell", "show", "invented", "--json"))["name"] == "invented"
    new = tmp_path / "bank.toml"
    says("new", new, "--chemistry", "invented", "--packs", "100,100")
    bank = simbank.load(new).bank
    assert {(pack.chemistry.name, pack.cells_in_series) for pack in bank.packs} == {("invented", 13)}
    drifted = json.loads(says("drift", new, "--chemistry", "invented", "--json"))
    assert [row["chemistry"] for row in drifted["rows"]] == ["invented"]

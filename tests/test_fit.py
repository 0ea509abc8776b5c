"""Parameters from measurements: recovered from made-up data within the stated uncertainty."""

import numpy as np
import pytest
from banks import TRUE, made_up

from simbank.cells.cell_response import relaxation
from simbank.cells.fit import fit_pulse, read_pulse_csv, resistance_from_two_readings
from simbank.errors import InputError


def test_without_noise_the_fit_is_exact():
    found = fit_pulse(*made_up(0.0, 0))
    for key, value in TRUE.items():
        assert found.values[key] == pytest.approx(value, rel=1e-4), key


def test_true_values_lie_within_the_stated_errors():
    """Of 7 parameters and 12 seeds, with 0.5 mV of noise, some 68 % lie within one and 95 % within two standard errors."""
    deviations = []
    for seed in range(12):
        found = fit_pulse(*made_up(0.5e-3, seed))
        assert found.rms_v == pytest.approx(0.5e-3, rel=0.15)
        deviations += [abs(found.values[key] - value) / found.standard_errors[key] for key, value in TRUE.items()]
    deviations = np.array(deviations)
    assert 0.5 < np.mean(deviations < 1) < 0.85
    assert np.mean(deviations < 2) > 0.88
    assert deviations.max() < 5


def test_relaxation_against_its_closed_form():
    """A step of current into a resting pair: v = R I (1 − exp(−t/τ)), and decay after."""
    time = np.array([0.0, 1e-9, 7.0, 40.0, 40.0 + 1e-9, 65.0])
    current = np.array([0.0, 10.0, 10.0, 10.0, 0.0, 0.0])
    v = relaxation(time, 2e-3 * current, 25.0)
    assert v[2:4] == pytest.approx(20e-3 * (1 - np.exp(-time[2:4] / 25)), rel=1e-7)
    assert v[5] == pytest.approx(v[3] * np.exp(-1.0), rel=1e-7)


def test_two_clamp_readings():
    """ΔV/ΔI by hand, and its uncertainty against a thousand drawn readings."""
    found = resistance_from_two_readings((53.2, 52.6), (10.0, 60.0), 0.02, 0.5)
    assert found.resistance_ohm == pytest.approx(12e-3)
    random = np.random.default_rng(3)
    v = np.array([53.2, 52.6]) + 0.02 * random.standard_normal((20000, 2))
    i = np.array([10.0, 60.0]) + 0.5 * random.standard_normal((20000, 2))
    drawn = -(v[:, 1] - v[:, 0]) / (i[:, 1] - i[:, 0])
    assert found.uncertainty_ohm == pytest.approx(drawn.std(), rel=0.03)
    with pytest.raises(InputError, match="must differ"):
        resistance_from_two_readings((53, 53), (10, 10))


@pytest.mark.parametrize(
    ("time", "current", "volt", "says"),
    [
        (range(5), range(5), range(5), "20 samples"),
        (range(30), [1.0] * 30, [3.3] * 30, "step of current"),
        ([0.0] * 30, range(30), range(30), "must rise"),
        (range(30), [np.nan] * 30, range(30), "finite"),
    ],
)
def test_data_that_cannot_be_fitted(time, current, volt, says):
    with pytest.raises(InputError, match=says):
        fit_pulse(list(time), list(current), list(volt))


def test_pulse_files(tmp_path):
    path = tmp_path / "pulse.csv"
    path.write_text("time_s,current_a,voltage_v\n0,0,3.3\n1,x,3.3\n")
    with pytest.raises(InputError, match="row 3, current_a"):
        read_pulse_csv(path)
    path.write_text("time,current\n0,0\n")
    with pytest.raises(InputError, match="needs columns"):
        read_pulse_csv(path)
    with pytest.raises(InputError, match="no such file"):
        read_pulse_csv(tmp_path / "absent.csv")


def test_samples_of_no_cell_are_refused():
    """Voltages below zero, and a discharge during which the voltage rises: a current of the other sign."""
    time, current, volt = made_up(0.0, 1)
    with pytest.raises(InputError, match="every voltage must be above zero"):
        fit_pulse(time, current, volt - 4.0)
    with pytest.raises(InputError, match="turn the sign of every current"):
        fit_pulse(time, -current, volt)

"""The bridge from PyBaMM: curves, fit, and fitted circuits against physics-based cells they were not fitted to."""

import functools

import numpy as np
import pytest

pybamm = pytest.importorskip("pybamm")

from banks import Case, constant, wired  # noqa: E402

import simbank  # noqa: E402
from simbank.bank import Pack  # noqa: E402
from simbank.cells import load_chemistry, pybamm_cells  # noqa: E402
from simbank.duty import Duty  # noqa: E402
from simbank.errors import InputError  # noqa: E402

SIZES, LEADS, STEP_S = (40, 60), (2e-3, 0.5e-3), 10.0


@pytest.fixture(scope="module")
def fitted():
    return pybamm_cells.fit_cell("Prada2013")


def test_open_circuit_voltage_of_the_set():
    """Full-cell OCV of Prada2013 between 2.0 and 3.6 V, computed before with PyBaMM by other hands."""
    soc = [0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.75, 0.8, 0.9, 0.95, 1.0]
    volt = [2.785, 2.978, 3.1685, 3.2058, 3.2525, 3.2660, 3.2688, 3.2740, 3.2926, 3.3097, 3.3142, 3.3164, 3.600]
    assert pybamm_cells.ocv_from_parameters(pybamm_cells.parameters("Prada2013"), soc) == pytest.approx(volt, abs=1e-3)


def test_shipped_files_are_what_the_bridge_makes(fitted):
    shipped = load_chemistry("lfp_power")
    z = np.linspace(0, 1, 101)
    assert shipped.ocv(z) == pytest.approx(fitted.ocv(z), abs=1e-5)
    assert shipped.typical["resistance_ohm"] == pytest.approx(fitted.r0_ohm, rel=2e-2)
    assert shipped.typical["capacity_ah"] == pytest.approx(fitted.capacity_ah, rel=1e-3)


def test_fit_holds_on_profiles_it_was_not_fitted_to(fitted):
    """RMS at most 10 mV per cell between 88 and 12 % SOC at the rates of a storage bank (up to 0.3 C)."""
    for seed in range(3):
        check = pybamm_cells.validate(fitted, seed)
        assert check["soc_high"] > 0.85
        assert check["soc_low"] < 0.15
        assert check["rms_v"] < 10e-3


def test_a_written_chemistry_reads_back(fitted, tmp_path):
    path = pybamm_cells.write_chemistry(fitted, tmp_path / "mine.toml", "mine")
    chemistry = load_chemistry(str(path))
    z = np.linspace(0, 1, 51)
    assert chemistry.ocv(z) == pytest.approx(fitted.ocv(z), abs=1e-5)
    assert chemistry.rc[1].time_constant_s == pytest.approx(fitted.rc[1][1], abs=1e-3)
    assert "RMS of fit" in chemistry.source


def test_unknown_set():
    with pytest.raises(InputError, match="no parameter set"):
        pybamm_cells.parameters("Prado2013")


def physics_pair(values, sizes, lead_ohm, total_a, soc, step_s):
    """Two physics-based cells of ``sizes`` unit cells in parallel, each behind a resistance, solved in PyBaMM.

    At each step both are given the currents that make their voltages meet, by their voltages of the step before and their
    instantaneous resistance. Returns currents (m, 2) and by how much the voltages missed each other.
    """
    values = values.copy()
    values.update({"Current function [A]": "[input]", "Lower voltage cut-off [V]": 0.5, "Upper voltage cut-off [V]": 6.0})
    cells = []
    for _ in sizes:
        cell = pybamm.Simulation(
            pybamm.lithium_ion.SPMe(), parameter_values=values, solver=pybamm.IDAKLUSolver(rtol=1e-6, atol=1e-8)
        )
        cell.build(initial_soc=soc)
        cells.append(cell)
    ohm = [0.035 / size for size in sizes]
    current, volt, out, missed = np.array([0.5, 0.5]) * total_a[0], None, [], []
    for total in total_a:
        if volt is not None:
            emf = [volt[k] + ohm[k] * current[k] for k in (0, 1)]
            a, b = ohm[0] + lead_ohm[0], ohm[1] + lead_ohm[1]
            first = (emf[0] - emf[1] + b * total) / (a + b)
            current = np.array([first, total - first])
        for cell, size, i in zip(cells, sizes, current, strict=True):
            cell.step(step_s, inputs={"Current function [A]": i / size}, save=False)
        volt = [cell.solution["Voltage [V]"].entries[-1] for cell in cells]
        out.append(current)
        missed.append(volt[0] - current[0] * lead_ohm[0] - volt[1] + current[1] * lead_ohm[1])
    return np.array(out), np.array(missed)


@functools.cache
def reference_pair(c_rate, capacity_ah):
    """Currents of two physics-based cells of 40 and 60 unit cells behind unequal leads, a quarter of their charge from 85 % on."""
    count = int(0.25 / c_rate * 3600 / STEP_S)
    total_a = np.full(count, c_rate * 100 * capacity_ah)
    reference, missed = physics_pair(pybamm_cells.parameters("Prada2013"), SIZES, LEADS, total_a, 0.85, STEP_S)
    assert np.abs(missed[10:]).max() < 3e-3  # the two voltages of the reference do meet
    return reference


def split_error(cell, c_rate):
    """How far the split of a fitted circuit is off on the plateau, in shares of the larger current, shape (m,)."""
    amperes, hours = c_rate * 100 * cell.capacity_ah, 0.25 / c_rate
    reference = reference_pair(c_rate, cell.capacity_ah)
    chemistry = pybamm_cells.with_circuit(cell, load_chemistry("lfp"))
    packs = [
        Pack(
            name,
            chemistry,
            size * cell.capacity_ah,
            cell.r0_ohm,
            cells_in_series=1,
            cells_in_parallel=size,
            soc=0.85,
            internal_wiring_ohm=lead,
        )
        for name, size, lead in zip("ab", SIZES, LEADS, strict=True)
    ]
    case = Case(wired(packs, "busbar", lead=1e-9), Duty((constant(hours, amperes),)))
    result = simbank.simulate(case, output_step_s=STEP_S)
    ours = result.packs["current_a"].to_numpy()
    times = np.arange(len(reference)) * STEP_S + STEP_S
    plateau = (times > 300) & (times < hours * 3600 - 60)
    ours_at = np.array([np.interp(times, result.packs.index, ours[:, k]) for k in (0, 1)]).T
    larger = np.abs(reference).max(axis=1)
    return (np.abs(ours_at - reference).max(axis=1) / larger)[plateau]


@pytest.mark.parametrize(("c_rate", "least", "most"), [(0.17, 0.0, 0.05), (0.4, 0.05, 0.13)])
def test_two_physics_cells_in_parallel_against_fitted_circuits(fitted, c_rate, least, most):
    """Both bounds are those of tests/README.md; at the higher rate a circuit of resistances alone is not that good."""
    assert least <= split_error(fitted, c_rate).max() < most


@pytest.fixture(scope="module")
def with_diffusion():
    return pybamm_cells.fit_cell("Prada2013", diffusion=True)


@pytest.mark.parametrize("c_rate", [0.17, 0.4, 0.5])
def test_two_physics_cells_in_parallel_against_circuits_with_a_lag_of_charge(with_diffusion, c_rate):
    """What keeps the circuits above apart from the cells is solid diffusion at the step of graphite: with it, 2 % at every rate."""
    assert split_error(with_diffusion, c_rate).max() < 0.02


def test_a_lag_of_charge_fits_profiles_it_was_not_fitted_to(with_diffusion, tmp_path):
    """RMS at most 4 mV per cell up to 0.3 C, 10 mV up to 0.5 C; its file reads back."""
    for seed in range(2):
        assert pybamm_cells.validate(with_diffusion, seed)["rms_v"] < 4e-3
        assert pybamm_cells.validate(with_diffusion, seed, c_rate_max=0.5)["rms_v"] < 10e-3
    path = pybamm_cells.write_chemistry(with_diffusion, tmp_path / "lags.toml", "lags")
    assert load_chemistry(str(path)).rc[1].lag_s == pytest.approx(with_diffusion.rc[1][2], abs=1e-3)


def test_charge_transfer_is_a_small_part_of_what_bends_with_current():
    """PyBaMM's own shares of the drop at 75 % of charge: from 0.05 to 0.4 C that of diffusion per ampere falls by a third, that of the
    reaction by less than a tenth."""
    parts = {}
    for c_rate in (0.05, 0.4):
        values = pybamm_cells.parameters("Prada2013").copy()
        values.update(
            {"Lower voltage cut-off [V]": 0.5, "Upper voltage cut-off [V]": 6.0, "Current function [A]": c_rate * 2.3035}
        )
        hours = 0.1 / c_rate
        solution = pybamm.Simulation(
            pybamm.lithium_ion.SPMe(), parameter_values=values, solver=pybamm.IDAKLUSolver(rtol=1e-7, atol=1e-9)
        ).solve(np.linspace(0, 1.2 * hours * 3600, 100), initial_soc=0.85)
        at = {
            name: float(np.ravel(solution[f"X-averaged {name} [V]"](t=hours * 3600))[0])
            for name in (
                "negative electrode reaction overpotential",
                "positive electrode open-circuit potential",
                "negative electrode open-circuit potential",
            )
        }
        bulk = float(pybamm_cells.ocv_from_parameters(values, [0.75])[0])
        surface = at["positive electrode open-circuit potential"] - at["negative electrode open-circuit potential"]
        parts[c_rate] = np.array([bulk - surface, at["negative electrode reaction overpotential"]]) / (c_rate * 2.3035)
    diffusion, reaction = parts[0.4] / parts[0.05]
    assert 0.55 < diffusion < 0.70
    assert 0.90 < reaction < 0.95

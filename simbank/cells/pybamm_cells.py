"""The bridge from PyBaMM: open-circuit voltage and circuit parameters of a physics-based cell (extra ``physics``)."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from os import PathLike
from typing import TYPE_CHECKING

import numpy as np

from simbank.cells.cell_response import circuit_voltage
from simbank.cells.chemistry import GAS_CONSTANT, Chemistry, RCPair, load_chemistry
from simbank.cells.curves import Curve
from simbank.errors import InputError
from simbank.files import write_whole
from simbank.provenance import made_by, package_version

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

__all__ = [
    "FittedCell",
    "fit_cell",
    "ocv_from_parameters",
    "physics_voltage",
    "pulse_test",
    "random_profile",
    "validate",
    "with_circuit",
    "write_chemistry",
]

SOC_POINTS = tuple(k / 20 for k in range(2, 19))  # 10 to 90 % in steps of 5
REST_S = 3600.0
PULSE_SOC = 0.04  # charge of one pulse


def _pybamm():
    try:
        import pybamm
    except ImportError:
        raise InputError("needs PyBaMM; install it with: pip install 'simbank[physics]'") from None
    pybamm.set_logging_level("ERROR")
    return pybamm


def parameters(name: str):
    """PyBaMM's parameter set of that name, as ``pybamm.ParameterValues``.

    Parameters
    ----------
    name : str
        Such as "Prada2013".

    Raises
    ------
    InputError
        If PyBaMM is not installed or has no such set.
    """
    pybamm = _pybamm()
    try:
        return pybamm.ParameterValues(name)
    except (ValueError, KeyError):
        raise InputError('PyBaMM has no parameter set of this name; "Prada2013" is one for LFP', value=name) from None


def ocv_from_parameters(values, soc: ArrayLike) -> np.ndarray:
    """Open-circuit voltage of a parameter set at states of charge, by PyBaMM's stoichiometry solver [V].

    Parameters
    ----------
    values : pybamm.ParameterValues
        A parameter set.
    soc : array_like
        0 and 1 are where the set's own lower and upper open-circuit voltages lie.
    """
    pybamm = _pybamm()
    x0, x100, y100, y0 = pybamm.lithium_ion.get_min_max_stoichiometries(values)
    soc = np.asarray(soc, float)
    parameter = pybamm.LithiumIonParameters()
    temperature = parameter.T_ref

    def potential(electrode, stoichiometry):
        points = [electrode.prim.U(pybamm.Scalar(s), temperature) for s in np.ravel(stoichiometry)]
        return np.array([float(values.evaluate(point)) for point in points])

    return potential(parameter.p, y0 + (y100 - y0) * soc) - potential(parameter.n, x0 + (x100 - x0) * soc)


def physics_voltage(
    values, soc: float, steps: Sequence[tuple[float, float]], temperature_k: float = 298.15, sample_s: float = 5.0
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Voltage of the physics-based cell (single particle model with electrolyte) over a sequence of constant currents.

    Parameters
    ----------
    values : pybamm.ParameterValues
        A parameter set.
    soc : float
        At the start, at rest.
    steps : sequence of (float, float)
        Current [A], positive for discharge, and duration [s].
    temperature_k : float
        Of the cell throughout [K].
    sample_s : float
        Between samples after the first 45 s of a step, where they lie closer [s].

    Returns
    -------
    time_s, current_a, voltage_v : ndarray, shape (m,)
        At every change of current there is a sample 1 ms before and one at it.

    Raises
    ------
    InputError
        If the cell runs empty or full.
    """
    pybamm = _pybamm()
    values = values.copy()
    values.update({"Ambient temperature [K]": temperature_k, "Initial temperature [K]": temperature_k})
    values.update({"Lower voltage cut-off [V]": 0.5, "Upper voltage cut-off [V]": 6.0})  # the profile decides, not the limit
    edges = np.concatenate([[0.0], np.cumsum([duration for _, duration in steps])])
    samples = []
    for begin, end in pairwise(edges):
        early = begin + np.array([0.0, 0.5, 1, 2, 3, 5, 7, 10, 15, 20, 30, 45])
        inner = np.concatenate([early, np.arange(begin + sample_s, end, sample_s)])
        samples.append(np.unique(inner[inner < end - 1e-3]))
        samples.append([end - 1e-3])
    time_s = np.concatenate(samples)
    which = np.searchsorted(edges, time_s, side="right") - 1
    current_a = np.array([steps[k][0] for k in which])
    values["Current function [A]"] = pybamm.Interpolant(time_s, current_a, pybamm.t, interpolator="linear")
    model = pybamm.lithium_ion.SPMe()
    simulation = pybamm.Simulation(model, parameter_values=values, solver=pybamm.IDAKLUSolver(rtol=1e-6, atol=1e-8))
    solution = simulation.solve(time_s, initial_soc=soc)
    voltage_v = solution["Voltage [V]"](time_s)
    if solution.t[-1] < time_s[-1] or not np.all(np.isfinite(voltage_v)):
        raise InputError(
            f"the physics-based cell ran empty or full after {solution.t[-1]:.0f} s; ask for less charge", key="steps"
        )
    return time_s, current_a, voltage_v


def pulse_test(
    values, soc: float, current_a: float, pulse_s: float, pulses: int = 1, temperature_k: float = 298.15
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A virtual pulse test: ``pulses`` of constant current from ``soc`` on, an hour of rest after each.

    Parameters
    ----------
    values : pybamm.ParameterValues
        A parameter set.
    soc : float
        At the start.
    current_a : float
        Positive for discharge [A].
    pulse_s : float
        Length of each pulse [s].
    pulses : int
        How many.
    temperature_k : float
        Of the cell throughout [K].

    Returns
    -------
    time_s, current_a, voltage_v : ndarray, shape (m,)
    """
    steps = [(0.0, 60.0)] + [(current_a, pulse_s), (0.0, REST_S)] * pulses
    return physics_voltage(values, soc, steps, temperature_k, sample_s=20.0)


@dataclass(frozen=True)
class FittedCell:
    """A circuit fitted to a physics-based cell.

    Attributes
    ----------
    name : str
        Of the parameter set.
    capacity_ah : float
        From the set's lower to its upper open-circuit voltage [Ah].
    ocv : Curve
        From the stoichiometry solver.
    r0_ohm : float
        At half charge [ohm].
    rc : tuple of (float, float)
        Resistance at half charge [ohm] and time constant [s] of both pairs; of a lag of charge 0, time constant and lag [s].
    r_factor, rc_factor : Curve
        Over state of charge, 1 at half charge.
    activation_j_mol : tuple of (float, float)
        Of R0 and of the pairs [J/mol].
    rms_fit_v : float
        Over all pulses [V per cell].
    """

    name: str
    capacity_ah: float
    ocv: Curve
    r0_ohm: float
    rc: tuple[tuple[float, float], tuple[float, float]]
    r_factor: Curve
    rc_factor: Curve
    activation_j_mol: tuple[float, float]
    rms_fit_v: float


def fit_cell(
    name: str, soc: Sequence[float] = SOC_POINTS, celsius: Sequence[float] = (0.0, 25.0, 40.0), c_rate: float = 0.3,
    diffusion: bool = False,
) -> FittedCell:  # fmt: skip
    """Fit R0 and two relaxation pairs, with factors over state of charge and temperature, to virtual pulse tests.

    At 25 °C the cell is pulsed from nearly full to nearly empty and back, four points of charge a pulse, an hour of rest after
    each. One joint least squares over both runs: R0 and a common factor of both pairs at each state of charge of ``soc``, both
    pairs' resistance and time constant in common. Then, from one pulse at half charge at each temperature, R0 and the pairs by
    Arrhenius.

    Parameters
    ----------
    name : str
        PyBaMM parameter set.
    soc : sequence of float
        Where the factors have their points; 0.5 must be among them.
    celsius : sequence of float
        Temperatures [°C].
    c_rate : float
        Of the pulses.
    diffusion : bool
        Whether the second pair is to be a lag of charge, as slow diffusion in the particles makes it, and no resistance. The factor of
        the pairs is then 1 at every charge, and what a curve does at its steps is told by the curve itself.

    Returns
    -------
    FittedCell
    """
    values = parameters(name)
    capacity = _capacity_ah(values)
    grid = np.unique(np.concatenate([[0, 0.005, 0.01, 0.02, 0.03], np.linspace(0.05, 0.95, 73), [0.97, 0.98, 0.99, 0.995, 1.0]]))
    ocv = Curve(grid, ocv_from_parameters(values, grid))
    soc = sorted(soc)
    amperes, pulse_s = c_rate * capacity, PULSE_SOC / c_rate * 3600.0
    count = int((soc[-1] - soc[0] + 0.04) / PULSE_SOC)
    runs = [
        (soc[-1] + 0.02, *pulse_test(values, soc[-1] + 0.02, amperes, pulse_s, count)),
        (soc[0] - 0.02, *pulse_test(values, soc[0] - 0.02, -amperes, pulse_s, count)),
    ]
    circuit, rms = _fit_circuit(runs, soc, capacity, ocv, diffusion)
    warm = []
    for degree in celsius:
        run = (0.5 + PULSE_SOC / 2, *pulse_test(values, 0.5 + PULSE_SOC / 2, amperes, pulse_s, temperature_k=degree + 273.15))
        warm.append(_fit_arrhenius(run, capacity, ocv, circuit))
    inverse = 1.0 / (np.array(celsius) + 273.15)
    activation = tuple(max(0.0, float(np.polyfit(inverse, [w[k] for w in warm], 1)[0]) * GAS_CONSTANT) for k in (0, 1))
    r0, rc, r_factor, rc_factor = circuit
    rc = tuple(tuple(map(float, pair)) for pair in rc)
    return FittedCell(name, capacity, ocv, float(r0), rc, r_factor, rc_factor, activation, rms)


def _fit_circuit(runs, soc, capacity_ah, ocv, diffusion):
    """One least squares over several runs: ((R0, pairs, factor of R0, factor of the pairs), root mean square of the residuals [V]).

    ``runs`` are (state of charge at the start, times, currents, voltages), the first a discharge; ``soc`` are where the factors have
    their points.
    """
    from scipy.optimize import least_squares

    n, middle = len(soc), soc.index(0.5)
    ends = [0.0, *soc, 1.0]

    def factor(relative):
        return Curve(ends, [relative[0], *relative, relative[-1]], outside="level")

    def unpack(p):
        r0, (r1, tau1, r2, tau2) = np.exp(p[:n]), np.exp(p[2 * n :])
        if diffusion:  # in place of a resistance a lag, in seconds
            return r0[middle], ((r1, tau1), (0.0, tau2, r2)), factor(r0 / r0[middle]), factor(np.ones(n))
        g = np.exp(np.where(np.arange(n) == middle, 0.0, p[n : 2 * n]))
        return r0[middle], ((r1, tau1), (r2, tau2)), factor(r0 / r0[middle]), factor(g)

    def residual(p):
        r0, rc, r_factor, rc_factor = unpack(p)
        left = [circuit_voltage(t, i, at, capacity_ah, ocv, r0, rc, r_factor, rc_factor)[1] - v for at, t, i, v in runs]
        return np.concatenate(left) * 1e3

    _, _, current_a, volt = runs[0]
    first = int(np.argmax(current_a > 0))
    ohm = float((volt[first - 1] - volt[first]) / current_a[first])
    second = 300.0 if diffusion else ohm / 5
    start = np.concatenate([np.full(n, np.log(ohm)), np.zeros(n), np.log([ohm / 5, 30.0, second, 400.0])])
    found = least_squares(residual, start, x_scale="jac", max_nfev=100)
    return unpack(found.x), float(np.sqrt(np.mean(found.fun**2))) * 1e-3


def _fit_arrhenius(run, capacity_ah, ocv, circuit):
    """Logarithms of the factors of R0 and of the pairs that a run at another temperature asks of a circuit, shape (2,)."""
    from scipy.optimize import least_squares

    soc, time_s, current_a, volt = run

    def residual(p):
        return (circuit_voltage(time_s, current_a, soc, capacity_ah, ocv, *circuit, tuple(np.exp(p)))[1] - volt) * 1e3

    return least_squares(residual, [0.0, 0.0]).x


def _capacity_ah(values):
    """Capacity between the set's lower and upper open-circuit voltage [Ah], from PyBaMM's stoichiometry solver."""
    pybamm = _pybamm()
    x0, x100, _, _ = pybamm.lithium_ion.get_min_max_stoichiometries(values)
    negative = values.evaluate(pybamm.LithiumIonParameters().n.prim.Q_init)
    return float((x100 - x0) * negative)


def with_circuit(cell: FittedCell, base: Chemistry) -> Chemistry:
    """A chemistry with the fitted circuit, without hysteresis, limits or entropy; the charge rate is that of ``base``."""
    return replace(
        base,
        name=cell.name,
        ocv=cell.ocv,
        half_width=Curve([0.0], [0.0]),
        entropy=Curve([0.0], [0.0]),
        rc=tuple(RCPair(r / cell.r0_ohm, *times) for r, *times in cell.rc),
        r_factor=cell.r_factor,
        rc_factor=cell.rc_factor,
        arrhenius_k=cell.activation_j_mol[0] / GAS_CONSTANT,
        arrhenius_rc_k=cell.activation_j_mol[1] / GAS_CONSTANT,
        reference_k=298.15,
        volt_min=0.1,
        volt_max=10.0,
    )


PROFILE_SOC = (0.88, 0.12)  # a test profile starts at the first and has crossed to the second by its end


def random_profile(capacity_ah: float, seed: int = 0, c_rate_max: float = 0.3) -> list[tuple[float, float]]:
    """A sequence of steps that no pulse test holds: discharges, charges and rests of random size that wander from 88 down to 12 %.

    Discharge runs up to ``c_rate_max``, charge up to two thirds of it.

    Parameters
    ----------
    capacity_ah : float
        Of the cell [Ah].
    seed : int
        The same seed gives the same profile.
    c_rate_max : float
        Greatest C-rate.

    Returns
    -------
    list of (float, float)
        Current [A], positive for discharge, and duration [s].
    """
    random = np.random.default_rng(seed)
    steps, soc = [], PROFILE_SOC[0]
    while soc > PROFILE_SOC[1]:
        duration = float(random.integers(4, 31) * 60)
        rate = c_rate_max * float(random.choice([-2, -1, 0, 1, 2, 3])) / 3.0
        if rate > 0:  # the last step ends where the profile ends
            duration = min(duration, (soc - PROFILE_SOC[1]) / rate * 3600.0 + 1.0)
        moved = rate * duration / 3600.0
        if soc - moved <= PROFILE_SOC[0]:
            steps.append((rate * capacity_ah, duration))
            soc -= moved
    return steps


def validate(
    cell: FittedCell, seed: int = 0, temperature_k: float = 298.15, c_rate_max: float = 0.3
) -> dict[str, float | np.ndarray]:
    """Fitted circuit against the physics-based cell on a profile it was not fitted to.

    Parameters
    ----------
    cell : FittedCell
        What was fitted.
    seed, c_rate_max
        Of :func:`random_profile`.
    temperature_k : float
        Of the cell throughout [K].

    Returns
    -------
    dict
        ``rms_v`` and ``worst_v`` [V per cell], ``soc_low`` and ``soc_high`` of the profile, and the traces ``time_s``,
        ``physics_v``, ``circuit_v``.
    """
    from scipy.integrate import trapezoid

    values = parameters(cell.name)
    steps = random_profile(cell.capacity_ah, seed, c_rate_max)
    time_s, current_a, physics_v = physics_voltage(values, PROFILE_SOC[0], steps, temperature_k, sample_s=20.0)
    soc, circuit_v = circuit_voltage(
        time_s, current_a, PROFILE_SOC[0], cell.capacity_ah, cell.ocv, cell.r0_ohm, cell.rc, cell.r_factor, cell.rc_factor,
        tuple(np.exp(e / GAS_CONSTANT * (1 / temperature_k - 1 / 298.15)) for e in cell.activation_j_mol),
    )  # fmt: skip
    left = circuit_v - physics_v
    return {
        "rms_v": float(np.sqrt(trapezoid(left**2, time_s) / np.ptp(time_s))),
        "worst_v": float(np.abs(left).max()),
        "soc_low": float(soc.min()),
        "soc_high": float(soc.max()),
        "time_s": time_s,
        "physics_v": physics_v,
        "circuit_v": circuit_v,
    }


def write_chemistry(
    cell: FittedCell, path: str | PathLike, name: str, base: str = "lfp", title: str | None = None
) -> str | PathLike:
    """Write a fitted cell as a chemistry file, with the error of fit in its notes.

    What a parameter set does not hold (charge rate, specific heat, hysteresis, entropic coefficient) is taken from the chemistry
    ``base`` and marked as assumed.

    Parameters
    ----------
    cell : FittedCell
        What was fitted.
    path : path-like
        File to write.
    name : str
        Of the chemistry.
    base : str
        Library name or path.
    title : str, optional
        By default it says what was fitted.

    Returns
    -------
    path-like
        ``path``.
    """
    from simbank.cells.chemistry_text import chemistry_text

    other = load_chemistry(base)
    made = f"Fitted by simbank to PyBaMM's parameter set {cell.name} (single particle model with electrolyte)"
    assumed = {"assumed": True, "source": f"Taken from the chemistry {base}: the parameter set does not hold it."}

    def seen(section):
        return other.notes[section].removeprefix("assumed; ")

    def curve(c, digits):
        return {"soc": [round(float(x), 6) for x in c.soc], "value": [round(float(v), digits) for v in c.value]}

    def section(c, key, digits=6, **more):
        points = curve(c, digits)
        return {"soc": points["soc"], key: points["value"], **more}

    def filled(c):  # a constant as two points
        return c if c.soc.size > 1 else Curve([0.0, 1.0], [c.value[0], c.value[0]])

    def over_temperature(width):  # of the base's half-width, referred to 25 °C
        if other.width_factors is None:
            return {}
        factors, soc = other.width_factors, width.soc
        rows = [(factors(soc, celsius) / factors(soc, 25.0)).tolist() for celsius in factors.at]
        return {"celsius": factors.at.tolist(), "temperature_factor": rows}

    values, width = parameters(cell.name), filled(other.half_width)
    width = Curve(width.soc, other.half_width_at(width.soc, 298.15), outside="level")
    file = {
        "name": name,
        "title": title or f"{cell.name}, fitted",
        "source": f"{made}. RMS of fit to virtual pulses {cell.rms_fit_v * 1e3:.2f} mV per cell.",
        "licence": "Parameter set: BSD-3-Clause (PyBaMM); this fit: CC0-1.0",
        "reference_temperature": "25 degC",
        "ocv": section(cell.ocv, "volt", 6, source=f"PyBaMM's stoichiometry solver on {cell.name}."),
        "hysteresis": section(
            width, "half_width_volt", decay_per_soc=other.decay_per_soc, **over_temperature(width), **assumed,
            seen_in_practice=seen("hysteresis"),
        ),
        "entropy": section(filled(other.entropy), "volt_per_kelvin", 8, **assumed, seen_in_practice=seen("entropy")),
        "resistance": section(
            cell.r_factor, "factor", activation_energy=f"{cell.activation_j_mol[0]:.0f} J/mol", source=f"{made}."
        ),
        "relaxation": section(
            cell.rc_factor, "factor", activation_energy=f"{cell.activation_j_mol[1]:.0f} J/mol", source=f"{made}.",
            rc=[
                {"ratio": round(r / cell.r0_ohm, 6), "time_constant": f"{tau:.3f} s"} | ({"lag": f"{lag[0]:.3f} s"} if lag else {})
                for r, tau, *lag in cell.rc
            ],
        ),
        "limits": {
            "volt_max": float(values["Upper voltage cut-off [V]"]) + 0.05,
            "volt_min": float(values["Lower voltage cut-off [V]"]),
            "charge_volt": float(values["Upper voltage cut-off [V]"]),
            "cutoff_volt": float(values["Lower voltage cut-off [V]"]) + 0.3,
            "source": f"Voltage window of {cell.name}; pack opens 50 mV above it.",
        },
        "charge_rate": {
            "celsius": other.charge_rate.soc.tolist(), "c_rate": other.charge_rate.value.tolist(), **assumed,
            "seen_in_practice": seen("charge_rate"),
        },
        "typical": {
            "capacity": f"{cell.capacity_ah:.4g} Ah", "resistance": f"{cell.r0_ohm * 1e3:.4g} milliohm",
            "specific_heat": f"{other.specific_heat_j_kg_k:g} J/kg/K",
            "cells_in_series_48v": max(1, round(51.2 / float(cell.ocv(0.5)))), "assumed": True,
            "source": f"Capacity and R0 at half charge: {made}. Specific heat: from {base}. Cells for 48 V: 51.2 V over "
            "the voltage at half charge.",
            "seen_in_practice": seen("typical"),
        },
    }  # fmt: skip
    made = made_by(function="simbank cell physics", parameters=cell.name, pybamm=package_version("pybamm"))
    text = f"# made by: {json.dumps(made)}\n{chemistry_text(file)}"
    write_whole(path, lambda aside: aside.write_text(text, encoding="utf-8"))
    return path

"""How packs share over time, against closed forms and outside solvers."""

import numpy as np
import pytest
from banks import REFERENCE_END, Case, affine_chemistry, constant, one_pack, pack, reference_case, table_chemistry, wired
from spice import final_soc, needs_ngspice

import simbank
from simbank.bank import Bank, Branch, Graph
from simbank.cells import load_chemistry
from simbank.duty import Command, Duty, Step
from simbank.simulation import arrays as ar

NO_DEVICES = (np.zeros((0, 6)), np.zeros((0, 6)))


def two_packs(dz0=0.0):
    """CHECK A: 100 Ah and 60 Ah, 4 and 9 mΩ in all, 1.2 V per unit SOC."""
    chemistry = affine_chemistry(slope=1.2 / 16)
    a = pack("a", chemistry, 100, 4e-3 - 2e-9, 0.7 + dz0, cells=16)
    b = pack("b", chemistry, 60, 9e-3 - 2e-9, 0.7, cells=16)
    return wired([a, b], "busbar", lead=1e-9)


def test_two_packs_with_an_affine_ocv_drift_as_derived(integrator):
    """Time constant, course and final difference of two parallel packs at constant current.

    tau = (Ra + Rb)/beta · QaQb/(Qa + Qb), dz∞ = I (RaQa − RbQb)/(beta (Qa + Qb)); the algebra of Weng et al., arXiv 2211.04961
    (secondary source), re-derived.
    """
    result = simbank.simulate(Case(two_packs(), Duty((constant(1.2, 80.0),))), output_step_s=500.0, integrator=integrator)
    tau, final = 1462.5, -0.058333333
    times = result.packs.index.to_numpy()
    soc = result.packs["soc"]
    difference = (soc["a"] - soc["b"]).to_numpy()
    assert difference == pytest.approx(final * (1 - np.exp(-times / tau)), abs=1e-7)
    assert difference[times == 2000.0] == pytest.approx(-0.04347364, abs=1e-7)
    current = result.packs["current_a"]["a"]
    assert current.loc[0.0] == pytest.approx(55.3846, rel=1e-5)
    assert current.loc[2000.0] == pytest.approx(51.37166, rel=1e-6)
    fitted = -2000.0 / np.log(1 - difference[times == 2000.0][0] / final)
    assert fitted == pytest.approx(tau, rel=1e-4)


def test_four_packs_end_in_proportion_to_capacity(integrator):
    """CHECK B: I_k → I Q_k/ΣQ and z_i − z_j → I (R_iQ_i − R_jQ_j)/(beta ΣQ), after many time constants."""
    chemistry = affine_chemistry(slope=1.2 / 16)
    rows = zip([100, 100, 60, 230], [4e-3, 5e-3, 9e-3, 2e-3], strict=True)
    packs = [pack(f"P{k}", chemistry, ah, r - 2e-9, 3.0, cells=16) for k, (ah, r) in enumerate(rows)]
    result = simbank.simulate(Case(wired(packs, "busbar", lead=1e-9), Duty((constant(5.0, 200.0),))), integrator=integrator)
    assert result.packs["current_a"].iloc[-1].to_numpy() == pytest.approx([40.81633, 40.81633, 24.48980, 93.87755], rel=1e-5)
    soc = result.packs["soc"].iloc[-1].to_numpy()
    assert soc[0] - soc[1:] == pytest.approx([-0.03401361, -0.04761905, -0.02040816], abs=1e-6)


def test_rest_after_plugging_together_decays_with_the_same_time_constant(integrator):
    """I(0) = ΔOCV/(Ra + Rb), then dz decays with tau (Ohm's law and the algebra above)."""
    result = simbank.simulate(Case(two_packs(dz0=0.2), Duty((constant(1.0, 0.0),))), output_step_s=600.0, integrator=integrator)
    assert result.packs["current_a"]["a"].iloc[0] == pytest.approx(1.2 * 0.2 / 13e-3, rel=1e-6)
    times = result.packs.index.to_numpy()
    difference = (result.packs["soc"]["a"] - result.packs["soc"]["b"]).to_numpy()
    assert difference == pytest.approx(0.2 * np.exp(-times / 1462.5), abs=1e-7)


def test_reference_circuit_against_radau():
    """Five packs, seven days: scipy Radau at rtol 1e-10 with a right-hand side of its own, written by other hands."""
    result = simbank.simulate(reference_case(), tolerance=1e-8)
    assert [p["soc_end"] for p in result.summary["packs"]] == pytest.approx(REFERENCE_END, abs=1e-6)


@needs_ngspice
def test_reference_circuit_against_ngspice():
    case = reference_case()
    ours = [p["soc_end"] for p in simbank.simulate(case, tolerance=1e-7).summary["packs"]]
    assert ours == pytest.approx(final_soc(case), abs=2e-5)


@needs_ngspice
@pytest.mark.parametrize("layout", ["chain-opposite", "chain-middle", "busbar"])
def test_other_layouts_against_ngspice(layout, integrator):
    """Unequal packs with both relaxation pairs on the other layouts, one day."""
    one = reference_case(days=1)
    case = Case(wired(one.bank.packs, layout, link=1e-3, lead=0.8e-3), one.duty)
    ours = [p["soc_end"] for p in simbank.simulate(case, tolerance=1e-8, integrator=integrator).summary["packs"]]
    assert ours == pytest.approx(final_soc(case), abs=2e-5)


@pytest.mark.parametrize("method", ["BDF", "Radau"])
def test_the_solvers_agree(clinic, method):
    tight = simbank.simulate(clinic).summary
    other = simbank.simulate(clinic, method=method, tolerance=1e-7).summary
    for a, b in zip(tight["packs"], other["packs"], strict=True):
        assert b["soc_end"] == pytest.approx(a["soc_end"], abs=1e-6)
        assert b["throughput_ah"] == pytest.approx(a["throughput_ah"], rel=1e-5)
    assert [e["code"] for e in tight["events"]] == [e["code"] for e in other["events"]]
    assert [e["time_s"] for e in tight["events"]] == pytest.approx([e["time_s"] for e in other["events"]], abs=1.0)


def test_analytic_jacobian_against_differences(clinic):
    """Central differences of the right-hand side, with heat, neighbours and variable resistance, in every port mode."""
    from dataclasses import replace

    from simbank.network import Network
    from simbank.simulation.ode import jacobian, rates
    from simbank.simulation.setup import pack_arrays

    random = np.random.default_rng(1)
    packs = [replace(p, heat_capacity_j_k=6e4, heat_loss_w_k=3.0) for p in clinic.bank.packs]
    cells, curves_of, curves = pack_arrays(packs, 290.0)
    reduced = Network(clinic.bank.graph, cells[ar.R_REF]).reduce()
    n = 5
    neighbours = np.diag([1.5] * (n - 1), 1)
    neighbours = neighbours + neighbours.T
    bank = ar.BankArrays(cells, curves_of, curves, reduced.hybrid, reduced.terminal, reduced.pack_live, neighbours, *NO_DEVICES)
    for mode, kind, value in (
        (ar.MODE_CURRENT, ar.MODE_CURRENT, 80.0), (ar.MODE_VOLTAGE, ar.MODE_CURRENT, 54.0), (ar.MODE_POWER, ar.MODE_POWER, 6e3),
    ):  # fmt: skip
        ports = np.zeros((1, ar.N_PORT_COLUMNS))
        ports[0, [ar.MODE, ar.KIND, ar.COMMANDED, ar.VOLT_LIMIT, ar.LIVE]] = mode, kind, value, value, 1.0
        y = np.concatenate([
            random.uniform(0.05, 0.9, n), random.uniform(-0.9, 0.9, n), random.normal(0, 0.05, 2 * n),
            random.uniform(275, 310, n),
        ])  # fmt: skip
        exact = jacobian(0.0, y, *bank, ports)
        scale = np.abs(exact).max(axis=1)
        for column in range(5 * n):
            step = np.zeros(5 * n)
            step[column] = 1e-3 if column >= 4 * n else 1e-6
            up, down = (rates(0.0, y + s * step, *bank, ports) for s in (1, -1))
            difference = (up - down) / (2 * step[column])
            assert exact[:, column] == pytest.approx(difference, rel=5e-4, abs=1e-15), (mode, column)
            assert np.all(np.abs(exact[:, column] - difference) <= 1e-4 * scale + 1e-15)


def test_one_pack_against_pybamm_thevenin(integrator):
    """Terminal voltage within 1 mV of PyBaMM's equivalent-circuit model with the same parameters: charge, rest, discharge."""
    pybamm = pytest.importorskip("pybamm")
    soc = np.linspace(0, 1, 41)
    volt = load_chemistry("lfp").ocv(soc)
    r0, (r1, tau1), (r2, tau2), ah = 0.6e-3, (0.3e-3, 30.0), (0.5e-3, 900.0), 100.0
    model = pybamm.equivalent_circuit.Thevenin(options={"number of rc elements": 2})
    values = model.default_parameter_values
    values.update(
        {
            "Initial SoC": 0.4, "Cell capacity [A.h]": ah, "Nominal cell capacity [A.h]": ah, "Upper voltage cut-off [V]": 4.5,
            "Lower voltage cut-off [V]": 1.5, "Cell thermal mass [J/K]": 1e12,
            "Open-circuit voltage [V]": lambda sto: pybamm.Interpolant(soc, volt, sto, interpolator="linear"),
            "R0 [Ohm]": r0, "R1 [Ohm]": r1, "C1 [F]": tau1 / r1, "R2 [Ohm]": r2, "C2 [F]": tau2 / r2,
            "Entropic change [V/K]": 0.0, "Element-2 initial overpotential [V]": 0.0,
        },
        check_already_exists=False,
    )  # fmt: skip
    steps = [(-50.0, 1.0), (0.0, 1.0), (40.0, 1.5), (0.0, 0.5)]
    time = np.concatenate([[0.0], np.cumsum([3600 * h for _, h in steps])])
    edges = np.sort(np.concatenate([time[:-1], time[1:] - 1e-3]))
    drive = np.repeat([i for i, _ in steps], 2)
    values["Current function [A]"] = pybamm.Interpolant(edges, drive, pybamm.t, interpolator="linear")
    grid = np.arange(30.0, time[-1], 60.0)
    solver = pybamm.IDAKLUSolver(rtol=1e-8, atol=1e-10)
    solution = pybamm.Simulation(model, parameter_values=values, solver=solver).solve(np.union1d(edges, grid))
    reference = solution["Voltage [V]"](grid)
    bank = one_pack(pack("P", table_chemistry(soc, volt), ah, r0, 0.4, ((r1, tau1), (r2, tau2))))
    duty = Duty(tuple(constant(hours, amperes, **({"volt_limit": 9.0} if amperes < 0 else {})) for amperes, hours in steps))
    ours = (
        simbank.simulate(Case(bank, duty), output_step_s=30.0, integrator=integrator)
        .packs["terminal_v"]["P"]
        .loc[grid]
        .to_numpy()
    )
    assert np.abs(ours - reference).max() < 1e-3


def test_a_pack_split_in_two_equal_halves_changes_nothing(integrator):
    chemistry = load_chemistry("lfp")
    whole = [pack("A", chemistry, 100, 12e-3, 0.5, cells=16), pack("B", chemistry, 60, 20e-3, 0.5, cells=16)]
    halves = [pack("A1", chemistry, 50, 24e-3, 0.5, cells=16), pack("A2", chemistry, 50, 24e-3, 0.5, cells=16), whole[1]]
    duty = Duty((constant(2, 30.0), constant(1, 0.0), constant(2, -30.0, volt_limit=99.0)))

    def graph(packs, places):
        branches = [Branch("link+", "link", "a+", "b+", 1e-3), Branch("link-", "link", "a-", "b-", 1e-3)]
        return Graph.build(
            branches, {p.name: (f"{at}+", f"{at}-") for p, at in zip(packs, places, strict=True)}, {"port": ("a+", "a-")}
        )

    one = simbank.simulate(Case(Bank("w", tuple(whole), graph(whole, "ab")), duty), integrator=integrator)
    two = simbank.simulate(Case(Bank("h", tuple(halves), graph(halves, "aab")), duty), integrator=integrator)
    assert two.packs["soc"]["A1"].to_numpy() == pytest.approx(
        one.packs["soc"]["A"].to_numpy(), abs=1e-8 if integrator == "reference" else 1e-7
    )
    assert two.packs["soc"]["B"].to_numpy() == pytest.approx(
        one.packs["soc"]["B"].to_numpy(), abs=1e-8 if integrator == "reference" else 1e-7
    )
    assert (two.packs["current_a"]["A1"] * 2).to_numpy() == pytest.approx(one.packs["current_a"]["A"].to_numpy(), abs=1e-4)


def test_linear_table_equals_held_current_of_the_same_charge(integrator):
    """A ramp from 0 to 60 A over an hour moves 30 Ah (by hand)."""
    bank = two_packs()
    ramp = Step(3600.0, {"port": Command("current", 0.0, 60.0 / 3600.0)})
    summary = simbank.simulate(Case(bank, Duty((ramp,))), integrator=integrator).summary
    assert summary["bank"]["charge_out_ah"] == pytest.approx(30.0, rel=1e-7)

"""A lag of charge, what slow diffusion in the particles of an electrode does to a pack: closed forms, two stores of charge, energy."""

from dataclasses import replace

import numpy as np
import pytest
from banks import Case, affine_chemistry, constant, one_pack, pack, wired

import simbank
from simbank.bank import Pack
from simbank.cells import Curve, RCPair, load_chemistry
from simbank.cells.cell_response import circuit_voltage
from simbank.duty import Duty
from simbank.errors import InputError
from simbank.simulation import arrays as ar

AH, OHM, LAG_S, TAU_S, SLOPE = 100.0, 1e-3, 500.0, 300.0, 0.4
DUTY = Duty((constant(1.0, 40.0), constant(0.5, 0.0), constant(0.8, -30.0, volt_limit=9.0), constant(0.3, 60.0)))


def lagging(chemistry, **more):
    """One cell whose charge lags, behind 1 mΩ."""
    own = replace(chemistry, rc=(RCPair(0.0, 1.0), RCPair(0.0, TAU_S, LAG_S)))
    return Pack("P", own, AH, OHM, cells_in_series=1, **({"soc": 0.8} | more))


def steep():
    """A curve with a step of 80 mV about 60 %."""
    z = np.linspace(0, 1, 101)
    return replace(affine_chemistry(), ocv=Curve(z, 3.2 + 0.1 * z + 0.08 / (1.0 + np.exp(-(z - 0.6) / 0.02))))


def test_on_a_straight_curve_a_lag_is_a_relaxation_pair(integrator):
    """U(z − δ) = U(z) − β δ, so R = β L / Q with the same time constant: voltages, heat and temperatures are those of the pair."""
    heat = {"heat_capacity_j_k": 2000.0, "heat_loss_w_k": 0.5}
    lag = lagging(affine_chemistry(slope=SLOPE), **heat)
    pair = replace(
        pack("P", affine_chemistry(slope=SLOPE), AH, OHM, 0.8, ((0.0, 1.0), (SLOPE * LAG_S / (AH * 3600.0), TAU_S))), **heat
    )
    ours, same = (simbank.simulate(Case(one_pack(p), DUTY), integrator=integrator) for p in (lag, pair))
    for quantity, within in (("terminal_v", 1e-7), ("soc", 1e-8), ("temperature_c", 1e-4)):
        assert ours.packs[quantity].to_numpy() == pytest.approx(same.packs[quantity].to_numpy(), abs=within)
    lost = [result.summary["losses_wh"]["pack_relaxation"] for result in (ours, same)]
    assert lost[0] == pytest.approx(lost[1], rel=1e-5)


def test_the_lag_by_its_closed_form_on_a_step_of_the_curve(integrator):
    """At constant current δ = L I / Q (1 − exp(−t/τ)), and the voltage is that of the curve at z − δ, less I R."""
    chemistry = steep()
    result = simbank.simulate(Case(one_pack(lagging(chemistry)), Duty((constant(1.0, 40.0),))), integrator=integrator)
    time_s = result.packs.index.to_numpy()
    z = 0.8 - 40.0 * time_s / (AH * 3600.0)
    lag = LAG_S * 40.0 / (AH * 3600.0) * (1.0 - np.exp(-time_s / TAU_S))
    expected = chemistry.ocv(z - lag) - 40.0 * OHM
    assert result.packs["terminal_v"]["P"].to_numpy() == pytest.approx(expected, abs=1e-6)
    _, volt = circuit_voltage(
        np.linspace(0, 3600, 721), np.full(721, 40.0), 0.8, AH, chemistry.ocv, OHM, ((0.0, TAU_S, LAG_S),), Curve([0], [1]), Curve([0], [1])
    )  # fmt: skip
    assert np.interp(time_s, np.linspace(0, 3600, 721), volt) == pytest.approx(expected, abs=2e-5)


def test_two_stores_of_charge_solved_by_scipy(integrator):
    """The surface holds τ/(L + τ) of the capacity, the rest behind it; what passes between them heats. Radau on those two states."""
    from scipy.integrate import solve_ivp

    chemistry, charge = steep(), AH * 3600.0
    share = TAU_S / (LAG_S + TAU_S)
    result = simbank.simulate(Case(one_pack(lagging(chemistry)), DUTY), integrator=integrator, tolerance=1e-7)
    state, begin, volts, heat = np.array([0.8, 0.8, 0.0]), 0.0, [], 0.0
    for step in DUTY:
        amperes = step.commands["port"].value if step.commands else 0.0

        def rates(_, y, amperes=amperes):
            surface, inside, _ = y
            passes = (inside - surface) * charge * share / TAU_S * (1.0 - share)
            watt = passes * (chemistry.ocv(inside) - chemistry.ocv(surface))
            return [(-amperes + passes) / (share * charge), -passes / ((1.0 - share) * charge), watt]

        solved = solve_ivp(rates, (0, step.duration_s), state, "Radau", rtol=1e-10, atol=1e-12, dense_output=True)
        times = result.packs.index.to_numpy()
        inner = times[(times > begin + 1) & (times < begin + step.duration_s - 1)]
        surface = solved.sol(inner - begin)[0]
        volts.append((inner, chemistry.ocv(surface) - amperes * OHM))
        state, begin = solved.y[:, -1], begin + step.duration_s
        heat = state[2]
    times, expected = (np.concatenate(part) for part in zip(*volts, strict=True))
    assert result.packs["terminal_v"]["P"].loc[times].to_numpy() == pytest.approx(expected, abs=2e-5)
    assert result.summary["losses_wh"]["pack_relaxation"] * 3600.0 == pytest.approx(heat, rel=1e-3)


@pytest.mark.parametrize("celsius", [0.0, 25.0])
def test_energy_closes_with_a_lag(integrator, celsius):
    """LFP with everything else it has, warming from the cold, near full and near empty."""
    lfp = load_chemistry("lfp")
    own = replace(lfp, rc=(lfp.rc[0], RCPair(0.0, 250.0, 400.0)), rc_factor=Curve([0.0], [1.0]))
    cells = [
        Pack(name, own, ah, 0.5e-3, soc=0.97, heat_capacity_j_k=2e4, heat_loss_w_k=1.0, temperature_k=celsius + 273.15)
        for name, ah in (("A", 100.0), ("B", 60.0))
    ]
    bank = replace(wired(cells, link=0.5e-3), ambient_k=celsius + 273.15)
    duty = Duty((constant(2.0, 60.0), constant(0.5, 0.0), constant(2.0, -50.0, volt_limit=56.8), constant(4.0, 50.0)))
    result = simbank.simulate(Case(bank, duty), integrator=integrator)
    assert result.summary["closure"]["energy_relative"] < 1e-5
    assert result.summary["losses_wh"]["pack_relaxation"] > 0.0


def test_both_integrators_agree_on_packs_that_lag():
    cells = [lagging(steep(), soc=soc) for soc in (0.9, 0.7)]
    bank = wired([replace(cells[0], name="A"), replace(cells[1], name="B", rated_capacity_ah=60.0)], link=0.5e-3)
    duty = Duty((constant(0.9, 60.0), constant(1.0, 0.0), constant(0.5, -50.0, volt_limit=9.0)))
    fast, reference = (simbank.simulate(Case(bank, duty), integrator=name).packs for name in ("fast", "reference"))
    assert fast["soc"].to_numpy() == pytest.approx(reference["soc"].to_numpy(), abs=2e-5)


def test_jacobian_with_a_lag_is_the_derivative(clinic):
    """Central differences, of packs that keep their temperature."""
    from simbank.network import Network
    from simbank.simulation.ode import jacobian, rates
    from simbank.simulation.setup import pack_arrays

    random = np.random.default_rng(7)
    own = replace(load_chemistry("lfp"), rc=(RCPair(0.4, 30.0), RCPair(0.0, 250.0, 400.0)), rc_factor=Curve([0.0], [1.0]))
    packs = [replace(p, chemistry=own, rc_pairs=None) for p in clinic.bank.packs]
    cells, curves_of, curves = pack_arrays(packs, 290.0)
    reduced = Network(clinic.bank.graph, cells[ar.R_REF]).reduce()
    nothing = (np.zeros((0, 0)), np.zeros((0, 6)), np.zeros((0, 6)))
    bank = ar.BankArrays(cells, curves_of, curves, reduced.hybrid, reduced.terminal, reduced.pack_live, *nothing)
    ports = np.zeros((1, ar.N_PORT_COLUMNS))
    ports[0, [ar.MODE, ar.KIND, ar.COMMANDED, ar.LIVE]] = ar.MODE_POWER, ar.MODE_POWER, 6e3, 1.0
    n = len(packs)
    y = np.concatenate([
        random.uniform(0.1, 0.9, n), random.uniform(-0.9, 0.9, n), random.normal(0, 0.05, n), random.normal(0, 0.02, n), np.full(n, 285.0),
    ])  # fmt: skip
    exact = jacobian(0.0, y, *bank, ports)
    scale = np.abs(exact).max(axis=1)
    for column in range(4 * n):
        step = np.zeros(5 * n)
        step[column] = 1e-6
        up, down = (rates(0.0, y + s * step, *bank, ports) for s in (1, -1))
        assert np.all(np.abs(exact[:, column] - (up - down) / 2e-6) <= 1e-4 * scale + 1e-15), column


def test_a_fault_sees_the_lag_as_the_resistance_that_it_is_for_a_small_change():
    """Ns U' L / Q [ohm] at a standing state of charge."""
    from simbank.studies.protection.fault_circuit import pack_sources

    cell = lagging(affine_chemistry(slope=SLOPE), soc=0.6)
    _, _, ohm, tau = pack_sources([cell], 298.15)
    assert ohm[0, 1] == pytest.approx(SLOPE * LAG_S / (AH * 3600.0), rel=1e-9)
    assert tau[0, 1] == TAU_S


@pytest.mark.parametrize(
    ("rc", "factor", "says"),
    [
        ([{"ratio": 0.0, "time_constant": "9 s", "lag": "9 s"}, {"ratio": 0.1, "time_constant": "9 s"}], None, "only the second pair"),
        ([{"ratio": 0.1, "time_constant": "9 s"}, {"ratio": 0.1, "time_constant": "9 s", "lag": "9 s"}], [1.0, 1.0], "needs the ratio 0"),
        ([{"ratio": 0.1, "time_constant": "9 s"}, {"ratio": 0.0, "time_constant": "9 s", "lag": "9 s"}], None, "the factor 1"),
        ([{"ratio": 0.1, "time_constant": "9 s"}, {"ratio": 0.0, "time_constant": "9 s", "lag": "-9 s"}], [1.0, 1.0], "lag"),
    ],
)  # fmt: skip
def test_faults_of_a_lag(rc, factor, says):
    from simbank.cells.chemistry import LIBRARY
    from simbank.cells.chemistry_schema import ChemistryFile
    from simbank.filemodel import check, read_toml

    data = read_toml(LIBRARY / "lfp.toml")
    data["relaxation"]["rc"] = rc
    if factor:
        data["relaxation"] |= {"soc": [0.0, 1.0], "factor": factor}
    with pytest.raises(InputError, match=says):
        check(ChemistryFile, data)


def test_a_file_with_a_lag_reads_and_its_changes_reach_it(tmp_path):
    from simbank.cells.chemistry import LIBRARY
    from simbank.cells.chemistry_text import chemistry_text
    from simbank.filemodel import read_toml

    data = read_toml(LIBRARY / "lfp.toml")
    data["relaxation"] |= {"soc": [0.0, 1.0], "factor": [1.0, 1.0]}
    data["relaxation"]["rc"] = [
        {"ratio": 0.1, "time_constant": "9 s"}, {"ratio": 0.0, "time_constant": "250 s", "lag": "9 min"},
    ]  # fmt: skip
    file = tmp_path / "lags.toml"
    file.write_text(chemistry_text(data), encoding="utf-8")
    assert load_chemistry(file).rc[1] == RCPair(0.0, 250.0, 540.0)
    changed = simbank.derived_chemistry(str(file), {"relaxation.scale": 0.5, "relaxation.time_scale": 2.0})
    assert changed.rc[1] == RCPair(0.0, 500.0, 270.0)

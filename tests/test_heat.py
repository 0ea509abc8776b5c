"""Heat: closed forms of the lumped balance, Bernardi's reversible part, Arrhenius, cold charge."""

from dataclasses import replace

import numpy as np
import pytest
from banks import Case, affine_chemistry, constant, one_pack, pack, wired

import simbank
from simbank.bank import Bank
from simbank.cells import Curve, load_chemistry
from simbank.duty import Duty

OHM, C = 20e-3, 50_000.0


def warm(chemistry=None, loss=0.0, **more):
    base = pack("P", chemistry or affine_chemistry(), 1000, OHM, 0.5, cells=16)
    return replace(base, heat_capacity_j_k=C, heat_loss_w_k=loss, **more)


def finest_k(integrator):
    """How near to a closed form a temperature is held to [K]: the fast integrator goes by a tolerance of 1e-8 of its own."""
    return 1e-6 if integrator == "reference" else 1e-4


def temperature(result, name="P"):
    return result.packs["temperature_c"][name]


def test_adiabatic_rise(integrator):
    """ΔT = I² R t / C without loss (first law)."""
    result = simbank.simulate(Case(one_pack(warm()), Duty((constant(2, 100.0),))), integrator=integrator)
    assert temperature(result).iloc[-1] - 25 == pytest.approx(100.0**2 * OHM * 7200 / C, rel=1e-8)


def test_steady_rise_and_time_constant(integrator):
    """T − Ta = P/K (1 − exp(−t K/C)) with constant resistance."""
    result = simbank.simulate(Case(one_pack(warm(loss=4.0)), Duty((constant(5, 100.0),))), integrator=integrator)
    times = result.packs.index.to_numpy()
    rise = 100.0**2 * OHM / 4.0
    assert temperature(result).to_numpy() - 25 == pytest.approx(rise * (1 - np.exp(-times * 4.0 / C)), abs=finest_k(integrator))


def test_cooling(integrator):
    result = simbank.simulate(
        Case(one_pack(warm(loss=4.0, temperature_k=318.15)), Duty((constant(3, 0.0),))), integrator=integrator
    )
    times = result.packs.index.to_numpy()
    assert temperature(result).to_numpy() - 25 == pytest.approx(20 * np.exp(-times * 4.0 / C), abs=finest_k(integrator))


def test_neighbours_level_with_their_own_time_constant(integrator):
    """Two equal packs without loss: the difference decays as exp(−2 G t/C); the mean stays."""
    a, b = warm(temperature_k=308.15), replace(warm(), name="Q", temperature_k=298.15)
    bank = wired([a, b], link=1e-3)
    coupled = Bank(bank.name, bank.packs, bank.graph, 298.15, np.array([[0.0, 2.5], [2.5, 0.0]]))
    result = simbank.simulate(Case(coupled, Duty((constant(3, 0.0),))), integrator=integrator)
    times = result.packs.index.to_numpy()
    t = result.packs["temperature_c"]
    assert (t["P"] - t["Q"]).to_numpy() == pytest.approx(10 * np.exp(-2 * 2.5 * times / C), abs=finest_k(integrator))
    assert (t["P"] + t["Q"]).to_numpy() == pytest.approx(np.full(len(times), 60.0), abs=finest_k(integrator))


@pytest.mark.parametrize("amperes", [80.0, -80.0])
def test_reversible_heat(amperes, integrator):
    """With dU/dT = s and next to no resistance: C dT/dt = −I T Ns s, so T = T0 exp(−Ns s I t/C) (Bernardi)."""
    s = 0.2e-3
    chemistry = replace(affine_chemistry(), entropy=Curve([0.0], [s]))
    cold = replace(warm(chemistry), cell_resistance_ohm=1e-12)
    result = simbank.simulate(Case(one_pack(cold), Duty((constant(2, amperes, volt_limit=99.0),))), integrator=integrator)
    expected = 298.15 * np.exp(-16 * s * amperes * 7200 / C) - 273.15
    assert temperature(result).iloc[-1] == pytest.approx(expected, abs=finest_k(integrator))
    assert np.sign(temperature(result).iloc[-1] - 25) == -np.sign(amperes)  # dU/dT > 0: cools on discharge


def test_open_circuit_voltage_moves_with_temperature(integrator):
    chemistry = replace(affine_chemistry(), entropy=Curve([0.0], [0.3e-3]))
    at = {}
    for kelvin in (298.15, 308.15):
        result = simbank.simulate(
            Case(one_pack(warm(chemistry, temperature_k=kelvin)), Duty((constant(0.1, 0.0),))), integrator=integrator
        )
        at[kelvin] = result.packs["terminal_v"]["P"].iloc[0]
    assert at[308.15] - at[298.15] == pytest.approx(16 * 0.3e-3 * 10, rel=1e-9)


def test_arrhenius_doubles_lfp_resistance_at_freezing(integrator):
    """Twice the resistance at 0 °C as at 25 °C (from memory, 1.6 to 2.5 seen)."""
    lfp = load_chemistry("lfp")
    assert lfp.resistance_scale(0.5, 273.15) == pytest.approx(2.0, rel=0.01)
    single = pack("P", lfp, 100, 16e-3, 0.5, cells=16)
    drop = {}
    for kelvin in (273.15, 298.15):
        bank = one_pack(replace(single, temperature_k=kelvin))
        cold = Bank("x", bank.packs, bank.graph, kelvin)
        rest, load = (
            simbank.simulate(Case(cold, Duty((constant(0.01, i),))), integrator=integrator).packs["terminal_v"]["P"].iloc[0]
            for i in (0.0, 50.0)
        )
        drop[kelvin] = rest - load
    assert drop[273.15] / drop[298.15] == pytest.approx(float(lfp.resistance_scale(0.5, 273.15)), rel=1e-9)


def test_charging_in_the_cold_is_counted(integrator):
    """At −5 °C any charge is above what the cell allows; at 25 °C 0.2 C is not."""
    lfp = load_chemistry("lfp")
    for kelvin, hours in ((268.15, 1.0), (298.15, 0.0)):
        bank = one_pack(replace(pack("P", lfp, 100, 16e-3, 0.5, cells=16), temperature_k=kelvin))
        duty = Duty((constant(1, -20.0, volt_limit=60.0), constant(1, 20.0)))
        result = simbank.simulate(Case(Bank("x", bank.packs, bank.graph, kelvin), duty), integrator=integrator)
        assert result.summary["packs"][0]["charge_too_cold_h"] == pytest.approx(hours, abs=0.01)


@pytest.mark.parametrize("celsius", [-10.0, 0.0, 25.0, 45.0])
def test_energy_with_heat_closes(root, celsius):
    """Everything at once: factors over SOC and temperature, entropy, hysteresis, neighbours, unequal cells, from cold to warm."""
    scenario = simbank.load(root / "scenarios" / "two_barn_strings.toml", {"ambient": f"{celsius} degC", "duty.repeat": 1})
    result = simbank.simulate(scenario)
    closure = result.summary["closure"]
    assert closure["energy_relative"] < 1e-5
    assert closure["charge_relative"] < 1e-8
    warmest = max(p["temperature_max_c"] for p in result.summary["packs"])
    assert celsius + 1 < warmest < celsius + 30


@pytest.mark.parametrize("chemistry", simbank.chemistry_library())
def test_energy_closes_for_every_chemistry(root, chemistry):
    changes = {"duty.repeat": 1, "ambient": "5 degC"}
    for kind, ohm in (("new", 0.35), ("old", 0.6)):
        changes |= {
            f"pack_types.{kind}.chemistry": chemistry,
            f"pack_types.{kind}.cells_in_series": simbank.load_chemistry(chemistry).series_48v(),
            f"pack_types.{kind}.cell_resistance": f"{ohm} milliohm",
        }
    for step in (0, 2):
        changes |= {f"duty.steps.{step}": [{"discharge": "5 kW", "hours": 3}, None, {"charge": "0.15 C", "hours": 4}][step]}
    closure = simbank.simulate(simbank.load(root / "scenarios" / "two_barn_strings.toml", changes)).summary["closure"]
    assert closure["energy_relative"] < 1e-5
    assert closure["charge_relative"] < 1e-7


def test_warm_and_cold_packs_share_by_their_resistance(integrator):
    """Two equal packs at one place, one at 0 °C: at the first instant current divides inversely to resistance (Ohm)."""
    lfp = load_chemistry("lfp")
    a = replace(pack("A", lfp, 100, 16e-3, 0.5, cells=16), temperature_k=273.15)
    b = replace(pack("B", lfp, 100, 16e-3, 0.5, cells=16), temperature_k=298.15)
    result = simbank.simulate(Case(wired([a, b], "busbar", lead=1e-9), Duty((constant(0.01, 60.0),))), integrator=integrator)
    first = result.packs["current_a"].iloc[0]
    # Their open-circuit voltages differ a little by dU/dT; take that current out by hand.
    ra, rb = (16e-3 * float(lfp.resistance_scale(0.5, k)) for k in (273.15, 298.15))
    circulating = 16 * float(lfp.entropy(0.5)) * (273.15 - 298.15) / (ra + rb)
    assert first["A"] == pytest.approx(60 * rb / (ra + rb) + circulating, rel=1e-6)

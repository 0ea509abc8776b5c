"""What a BMS takes for itself and what cells lose by themselves; what a BMS shows beside the truth."""

import numpy as np
import pytest

import simbank
from simbank.errors import InputError
from simbank.network import Network
from simbank.scenario.scenario import from_dict
from simbank.simulation import arrays as ar
from simbank.simulation.ode import jacobian, rates
from simbank.simulation.pack_model import DRAW_FADES_SOC, KELVIN
from simbank.simulation.setup import pack_arrays, start_state

REST = {"rest": True, "hours": 240}


def bank(steps, kind=(), packs=({"name": "A", "type": "slab"},), **more):
    """A file of packs of 100 Ah on a chain of thick links, with what ``kind`` adds to their type."""
    data = {
        "name": "Test",
        "pack_types": {"slab": {"capacity": "100 Ah", "cell_resistance": "0.5 milliohm", **dict(kind)}},
        "packs": list(packs),
        "wiring": {"layout": "chain", "link": {"gauge": "2 AWG", "length": "30 cm"}},
        "ports": [{"name": "load"}],
        "duty": {"kind": "cycles", "steps": steps},
    }
    return from_dict(data | more)


def test_own_draw_by_hand(integrator):
    """10 mA and 3 % a month of 100 Ah for ten days of rest: 2.4 Ah and 1 Ah, at the rest voltage; all of it is heat."""
    result = simbank.simulate(bank([REST], {"bms": {"draw": "10 mA"}, "self_discharge": 0.03}), integrator=integrator)
    row = result.summary["packs"][0]
    taken_ah = 0.010 * 240 + 0.03 * 100 * 240 / 720
    assert taken_ah == pytest.approx(3.4)
    assert row["own_draw_ah"] == pytest.approx(taken_ah, rel=1e-9)
    assert row["soc_start"] - row["soc_end"] == pytest.approx(taken_ah / 100, rel=1e-9)
    assert row["throughput_ah"] == 0.0  # none of it passes the terminals
    volt = result.packs["terminal_v"]["A"]  # of an open pack without relaxation: what the charge is taken at
    energy = np.trapezoid(volt, volt.index / 3600.0) * taken_ah / 240
    assert row["own_draw_wh"] == pytest.approx(energy, rel=1e-4)
    assert result.summary["losses_wh"]["pack_own_draw"] == row["own_draw_wh"]
    closure = result.summary["closure"]
    assert closure["charge_relative"] < 1e-8
    assert closure["energy_relative"] < 1e-5


def test_a_power_is_its_current_at_half_charge():
    """0.5 W of a pack that rests at 16 × U(0.5)."""
    one = bank([REST], {"bms": {"draw": "0.5 W"}}).bank.packs[0]
    assert one.own_draw_a == pytest.approx(0.5 / (16 * float(one.chemistry.ocv(0.5))), rel=1e-12)


def test_hysteresis_follows_the_draw(integrator):
    """From the charge branch, h = 1, it falls by dh/dz = γ (1 + h) with the charge that the draw takes: Plett 2004, by hand."""
    one = {"name": "A", "type": "slab", "hysteresis": 1.0}
    scenario = bank([REST], {"bms": {"draw": "10 mA"}}, [one])
    result = simbank.simulate(scenario, integrator=integrator)
    gamma = scenario.bank.packs[0].chemistry.decay_per_soc
    assert result.packs["hysteresis"]["A"].iloc[-1] == pytest.approx(2 * np.exp(-gamma * 0.024) - 1, abs=1e-6)


def test_it_goes_on_behind_an_open_switch(integrator):
    """One of two packs is switched off: its BMS and self-discharge still take their share, the other keeps the port."""
    two = [{"name": "A", "type": "slab"}, {"name": "B", "type": "slab"}]
    scenario = bank([REST], {"bms": {"draw": "10 mA"}}, two, switching=[{"what": "A", "at": "1 s"}])
    result = simbank.simulate(scenario, integrator=integrator)
    assert any(row.where == "A" for row in result.event_rows)
    rows = {row["name"]: row for row in result.summary["packs"]}
    assert rows["A"]["own_draw_ah"] == pytest.approx(2.4, rel=1e-9)
    assert rows["A"]["soc_end"] == pytest.approx(0.5 - 0.024, rel=1e-6)


def test_it_ends_when_the_pack_is_empty(integrator):
    """A draw far above what is left fades away over the last hundredth as e^(−t Id / 0.01 Q), by hand, and never takes it below zero."""
    scenario = bank([REST], {"bms": {"draw": "50 mA"}}, [{"name": "A", "type": "slab", "soc": 0.03}])
    result = simbank.simulate(scenario, integrator=integrator)
    soc = result.packs["soc"]["A"]
    fades_at_h = (0.03 - DRAW_FADES_SOC) * 100 / 0.05
    left = DRAW_FADES_SOC * np.exp(-(240 - fades_at_h) * 0.05 / (DRAW_FADES_SOC * 100))
    assert soc.iloc[-1] == pytest.approx(left, abs=2e-7)
    assert soc.min() >= 0.0
    row = result.summary["packs"][0]
    assert row["own_draw_ah"] == pytest.approx(100 * (0.03 - soc.iloc[-1]), rel=1e-8)


def test_both_integrators_with_warm_packs_that_draw():
    """Packs that warm, draw, level and are cycled: both integrators agree, balances close."""
    two = [{"name": "A", "type": "slab", "soc": 0.03}, {"name": "B", "type": "slab", "soc": 0.02}]
    kind = {"bms": {"draw": "0.1 A"}, "self_discharge": 0.03, "mass": "40 kg", "heat_loss": "2 W/K"}
    steps = [{"rest": True, "hours": 60}, {"charge": "0.2 C", "hours": 3}, {"discharge": "0.2 C", "hours": 2}]
    fast, reference = (simbank.simulate(bank(steps, kind, two), integrator=name) for name in ("fast", "reference"))
    assert np.abs(fast.packs["soc"] - reference.packs["soc"]).to_numpy().max() < 1e-5
    assert np.abs(fast.packs["temperature_c"] - reference.packs["temperature_c"]).to_numpy().max() < 1e-3
    assert reference.summary["closure"]["charge_relative"] < 1e-8
    assert reference.summary["closure"]["energy_relative"] < 1e-8
    assert fast.summary["closure"]["energy_relative"] < 1e-5


def test_jacobian_with_draws_against_differences():
    """Central differences of the right-hand side, packs that draw, one of them where its draw fades."""
    kind = {"bms": {"draw": "5 A"}, "mass": "40 kg", "heat_loss": "2 W/K"}
    packs = bank([REST], kind, [{"name": "A", "type": "slab"}, {"name": "B", "type": "slab"}])
    cells, curves_of, curves = pack_arrays(packs.bank.packs, 290.0)
    reduced = Network(packs.bank.graph, cells[ar.R_REF]).reduce()
    nothing = np.zeros((0, 0)), np.zeros((0, 6)), np.zeros((0, 6))
    arrays = ar.BankArrays(cells, curves_of, curves, reduced.hybrid, reduced.terminal, reduced.pack_live, *nothing)
    ports = np.zeros((1, ar.N_PORT_COLUMNS))
    ports[0, [ar.MODE, ar.KIND, ar.COMMANDED, ar.LIVE]] = ar.MODE_CURRENT, ar.MODE_CURRENT, 30.0, 1.0
    y = start_state(packs.bank.packs, 17.0 + KELVIN)
    y[:6] = 0.4, 0.4 * DRAW_FADES_SOC, 0.3, -0.2, 0.02, 0.03
    exact = jacobian(0.0, y, *arrays, ports)
    scale = np.abs(exact).max(axis=1)
    for column in range(y.size):
        step = np.zeros(y.size)
        step[column] = 1e-3 if column >= 8 else 1e-7
        up, down = (rates(0.0, y + s * step, *arrays, ports) for s in (1, -1))
        difference = (up - down) / (2 * step[column])
        assert np.all(np.abs(exact[:, column] - difference) <= 1e-4 * scale + 1e-15), column
    assert exact[1, 1] < -0.9 * 5.0 / DRAW_FADES_SOC / 360000.0  # the fading draw itself is in it


@pytest.mark.parametrize("draw", ["0.1 C", "0 W", "-5 mA", "3 V", 5])
def test_draws_that_are_none_are_refused(draw):
    with pytest.raises(InputError, match=r"bms\.draw") as error:
        bank([REST], {"bms": {"draw": draw}})
    assert "10 mA" in str(error.value) or "above zero" in str(error.value) or "write a" in str(error.value)


def test_a_bms_that_only_draws_blocks_at_the_cells_limits():
    """As a lithium-ion pack without a BMS of its own does."""
    one = bank([REST], {"bms": {"draw": "10 mA"}}).bank.packs[0]
    assert one.has_assumed_bms
    assert one.bms.draw_a == 0.01

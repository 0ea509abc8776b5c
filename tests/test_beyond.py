"""Packs that nothing stops at full or empty: stuck switches, lead-acid without a switch, what is counted beyond the cell's limits."""

from dataclasses import replace

import numpy as np
import pytest
from banks import Case, affine_chemistry, constant, pack, wired

import simbank
from simbank.bank.equipment import BMS, Limit
from simbank.cells import load_chemistry
from simbank.duty import Duty, Step
from simbank.simulation.event_codes import Event

BOTH = pytest.mark.parametrize("integrator", ["reference", "fast"])


def one(soc, amperes, hours, bms, integrator, slope=0.4, **more):
    """A single pack of 16 cells, 100 Ah, 8 mΩ, cell voltage 3.1 to 3.5 V, on a constant current."""
    battery = replace(pack("A", affine_chemistry(slope), 100.0, 8e-3, soc, cells=16), bms=bms, **more)
    limits = {"volt_limit": 1e3} if amperes < 0 else {}
    return simbank.simulate(Case(wired([battery]), Duty((constant(hours, amperes, **limits),))), integrator=integrator)


@BOTH
@pytest.mark.parametrize("stuck", ["charge", "both"])
def test_a_stuck_charge_switch_goes_past_full_and_what_goes_in_is_counted(integrator, stuck):
    """20 A for 2 h from 90 %: 10 Ah to full, 30 Ah beyond; energy ∫ V dq with V = 16 u(z) + I R, u straight."""
    result = one(0.9, -20.0, 2.0, BMS(stuck=stuck), integrator)
    row = result.summary["packs"][0]
    assert row["soc_end"] == pytest.approx(1.3, abs=1e-8)
    assert row["overcharge_ah"] == pytest.approx(30.0, abs=1e-6)
    volt_mean = 16 * (3.3 + 0.4 * (1.15 - 0.5)) + 20 * 8e-3
    assert row["overcharge_wh"] == pytest.approx(30.0 * volt_mean, rel=1e-7)
    assert row["cell_volt_max"] == pytest.approx(3.3 + 0.4 * 0.8 + 20 * 8e-3 / 16, abs=1e-7)
    assert row["overdischarge_ah"] == 0.0
    assert result.summary["closure"]["energy_relative"] < 1e-7
    current = result.packs["current_a"]["A"]
    past = result.packs["soc"]["A"].to_numpy() >= 1.0 - 1e-9  # the sample at the crossing itself may lie a rounding below
    time = result.packs.index.to_numpy()[past]
    assert np.trapezoid(-current.to_numpy()[past], time) / 3600 == pytest.approx(row["overcharge_ah"], rel=0.01)
    codes = {warning["code"]: warning for warning in result.summary["warnings"]}
    assert codes["beyond-cell-model"]["where"] == "A"
    assert "no longer knows" in codes["beyond-cell-model"]["text"]
    assert "vent" in codes["beyond-cell-model"]["text"]
    ordered = result.events[result.events["code"] == Event.STUCK]
    assert len(ordered) == 1
    assert ordered["time_s"].iloc[0] == pytest.approx(1800.0, abs=0.01)


@BOTH
def test_a_stuck_discharge_switch_goes_below_empty(integrator):
    result = one(0.1, 20.0, 1.0, BMS(stuck="discharge"), integrator)
    row = result.summary["packs"][0]
    assert row["soc_end"] == pytest.approx(-0.1, abs=1e-8)
    assert row["overdischarge_ah"] == pytest.approx(10.0, abs=1e-6)
    assert row["cell_volt_min"] == pytest.approx(3.3 - 0.4 * 0.6 - 20 * 8e-3 / 16, abs=1e-7)
    assert row["overcharge_ah"] == 0.0
    assert {w["code"] for w in result.summary["warnings"]} == {"beyond-cell-model", "switch-stuck"}


@BOTH
@pytest.mark.parametrize(("stuck", "soc", "amperes", "end"), [("charge", 0.1, 20.0, 0.0), ("discharge", 0.9, -20.0, 1.0)])
def test_the_other_direction_still_opens(integrator, stuck, soc, amperes, end):
    result = one(soc, amperes, 1.0, BMS(stuck=stuck), integrator)
    assert result.summary["packs"][0]["soc_end"] == pytest.approx(end, abs=1e-6)
    assert not (result.events["code"] == Event.STUCK).any()


@BOTH
def test_a_limit_of_a_stuck_switch_orders_once_and_the_pack_goes_on(integrator):
    bms = BMS(discharge_current=Limit(10.0, 5.0, 0.0, 30.0), stuck="discharge")
    result = one(0.9, 20.0, 1.0, bms, integrator)
    assert list(result.events["code"]) == [Event.STUCK]
    assert "over-current" in result.events["because"].iloc[0]
    assert result.summary["packs"][0]["soc_end"] == pytest.approx(0.7, abs=1e-8)


def test_both_integrators_agree_on_an_overcharged_pack_beside_others(root):
    """An LFP pack with 15 of 16 cells and a stuck switch, charged at 56.8 V with four sound ones."""
    path = root / "tests" / "trials" / "stuck_switch.toml"
    stuck = simbank.load(path, {"packs.A.bms.stuck": "charge"})
    one, other = (simbank.simulate(stuck, integrator=name).summary for name in ("reference", "fast"))
    for a, b in zip(one["packs"], other["packs"], strict=True):
        assert a["soc_end"] == pytest.approx(b["soc_end"], abs=1e-4)
        assert a["overcharge_ah"] == pytest.approx(b["overcharge_ah"], abs=1e-4)
        assert a["overcharge_wh"] == pytest.approx(b["overcharge_wh"], rel=1e-4, abs=1e-3)
        assert a["cell_volt_max"] == pytest.approx(b["cell_volt_max"], abs=1e-4)
    for summary in (one, other):
        assert summary["closure"]["charge_relative"] < 1e-6
        assert summary["closure"]["energy_relative"] < 1e-5


@pytest.mark.parametrize("name", ["lfp", "lfp_power", "nmc", "lead_agm", "lead_flooded"])
def test_voltage_goes_on_straight_and_at_least_to_the_cells_limit(name):
    cell = load_chemistry(name)
    assert cell.ocv(1.2) - cell.ocv(1.1) == pytest.approx(cell.ocv(1.1) - cell.ocv(1.0))
    assert cell.ocv(-0.2) - cell.ocv(-0.1) == pytest.approx(cell.ocv(-0.1) - cell.ocv(0.0))
    assert cell.ocv(1.02) >= cell.volt_max - 1e-12
    assert cell.ocv(-0.02) <= cell.volt_min + 1e-12
    for curve in (cell.r_factor, cell.rc_factor, cell.half_width, cell.entropy):  # level, so that none turns negative
        assert curve(1.5) == curve(1.0)
        assert curve(-0.5) == curve(0.0)


@BOTH
def test_lead_acid_has_no_switch_of_its_own(integrator):
    battery = replace(pack("A", load_chemistry("lead_agm"), 100.0, 8e-3, 0.95, cells=24))
    assert not battery.has_switch
    steps = (constant(4.0, -10.0, volt_limit=57.6), constant(13.0, 10.0))
    result = simbank.simulate(Case(wired([battery]), Duty(steps)), integrator=integrator)
    row = result.summary["packs"][0]
    assert not len(result.events[result.events["where"] == "A"])
    assert row["switch"] == "none"
    assert 1.0 < row["soc_max"] < 1.02  # the line comes to 2.70 V at 102 %; the charge is held at 2.40 V
    assert row["soc_end"] < 0.0
    assert 0.3 < row["overcharge_ah"] < 2.0
    assert row["overdischarge_ah"] == pytest.approx(-row["soc_end"] * 100.0, abs=1e-5)
    assert result.summary["closure"]["energy_relative"] < 1e-5


def test_the_curve_of_unequal_cells_is_the_mean_of_its_cells_beyond_full_too():
    battery = replace(
        pack("A", load_chemistry("lfp"), 100.0, 8e-3, cells=4), cell_capacities=(1.0, 1.02, 0.97, 1.0), bms=BMS(stuck="both")
    )
    soc = np.array([-0.2, -0.02, 0.5, 1.01, 1.1])
    cells = battery.chemistry.ocv(battery.cell_soc(soc))
    for curve, of_cells in zip(battery.ocv_curves, (cells.mean(axis=1), cells.max(axis=1), cells.min(axis=1)), strict=True):
        assert curve(soc) == pytest.approx(of_cells, abs=2e-3)


def test_a_packs_own_keys_of_the_bms_come_before_its_types(root):
    data = simbank.load(root / "tests" / "trials" / "stuck_switch.toml").data
    limits = {"over_voltage": {"limit": "3.65 V", "release": "3.4 V"}, "charge_current": {"limit": "100 A"}}
    types = {name: {**table, "bms": limits} for name, table in data["pack_types"].items()}
    packs = [{**data["packs"][0], "bms": {"stuck": "charge", "charge_current": {"limit": "60 A"}}}, *data["packs"][1:]]
    stuck, sound = simbank.from_dict({**data, "pack_types": types, "packs": packs}).bank.packs[:2]
    assert stuck.stuck == (True, False)
    assert stuck.bms.over_voltage.level == 3.65
    assert (stuck.bms.charge_current.level, sound.bms.charge_current.level) == (60.0, 100.0)
    assert sound.stuck == (False, False)
    assert not sound.has_assumed_bms
    with pytest.raises(simbank.InputError, match=r"stuck.*charge"):
        simbank.from_dict({**data, "packs": [{**data["packs"][0], "bms": {"stuck": "open"}}]})


def test_switching_off_by_hand_takes_a_stuck_pack_off():
    from simbank.bank.equipment import Switching

    battery = replace(pack("A", affine_chemistry(0.4), 100.0, 8e-3, 0.5, cells=16), bms=BMS(stuck="both"))
    bank = replace(wired([battery, replace(battery, name="B")], link=1e-3), switching=(Switching(600.0, "A", False),))
    result = simbank.simulate(Case(bank, Duty((Step(600.0), constant(1.0, 10.0)))))
    assert result.packs["current_a"]["A"].iloc[-1] == 0.0

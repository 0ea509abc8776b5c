"""BMS delays, devices with memory, cascades, reconnection: instants against hand calculation."""

import math
from dataclasses import replace

import numpy as np
import pytest
from banks import TRIP, Case, affine_chemistry, breaker, constant, fused, one_pack, pack

import simbank
from simbank.bank import Bank
from simbank.bank.equipment import BMS, Limit, Switching
from simbank.duty import Command, Duty, Step
from simbank.simulation import arrays as ar
from simbank.simulation.event_codes import MONITOR_EVENTS, Event

CHEMISTRY = affine_chemistry(slope=0.2, at_half=3.3)  # 3.2 + 0.2 z
E0, BETA, R = 16 * 3.2, 16 * 0.2, 10e-3


def with_bms(bms, soc=0.5, name="P", ohm=R):
    return replace(pack(name, CHEMISTRY, 100, ohm, soc, cells=16), bms=bms)


def run_one(bms, steps, soc=0.5, **options):
    return simbank.simulate(Case(one_pack(with_bms(bms, soc)), Duty(tuple(steps))), **options)


def at(result, what, where=None):
    return [e["time_s"] for e in result.summary["events"] if e["code"] == what and where in (None, e["where"])]


# ---- BMS ----


def test_over_current_delay_to_the_millisecond(integrator):
    bms = BMS(discharge_current=Limit(100.0, 10.0, 0.0, 30.0), discharge_current_high=Limit(200.0, 0.1, 0.0, 30.0))
    result = run_one(bms, [constant(0.01, 50.0), constant(0.02, 150.0)], integrator=integrator)
    assert at(result, MONITOR_EVENTS[ar.DISCHARGE_OVER_CURRENT_1]) == pytest.approx([36.0 + 10.0], abs=1e-3)
    fast = run_one(bms, [constant(0.01, 50.0), constant(0.001, 250.0)], integrator=integrator)
    assert at(fast, MONITOR_EVENTS[ar.DISCHARGE_OVER_CURRENT_2]) == pytest.approx([36.0 + 0.1], abs=1e-3)
    instant = run_one(BMS(short_circuit=Limit(400.0, 1e-3)), [constant(0.01, 0.0), constant(0.01, 500.0)], integrator=integrator)
    assert at(instant, MONITOR_EVENTS[ar.SHORT_CIRCUIT]) == pytest.approx([36.001], abs=1e-3)


def test_a_delay_that_does_not_run_out_does_nothing(integrator):
    bms = BMS(discharge_current=Limit(100.0, 10.0))
    burst = [Step(9.9, {"port": Command("current", 150.0)}), Step(5.0, {"port": Command("current", 50.0)})] * 3
    assert run_one(bms, burst, integrator=integrator).summary["events"] == []


def test_over_voltage_delay_and_release(integrator):
    """Limit at E0 + βz + RI = 16 · 3.38; one second later charge is blocked; it lets go once the resting cell is below 3.37."""
    bms = BMS(over_voltage=Limit(3.38, 1.0, 3.37, 0.5))
    result = run_one(bms, [constant(1.0, -60.0, volt_limit=99.0), constant(0.5, 60.0)], soc=0.7, integrator=integrator)
    z = (16 * 3.38 - E0 - R * 60) / BETA
    assert at(result, MONITOR_EVENTS[ar.CELL_OVER_VOLTAGE]) == pytest.approx([(z - 0.7) * 6000 + 1.0], abs=1e-3)
    assert len(at(result, Event.RELEASED)) == 1


def test_over_current_tries_again_and_then_stays_open(integrator):
    bms = BMS(discharge_current=Limit(100.0, 1.0, 0.0, 20.0), retries=2)
    result = run_one(
        bms,
        [Step(300.0, {"port": Command("current", 150.0)}), Step(300.0, {"port": Command("current", 150.0)})],
        integrator=integrator,
    )
    assert at(result, MONITOR_EVENTS[ar.DISCHARGE_OVER_CURRENT_1]) == pytest.approx([1.0, 301.0], abs=1e-3)
    assert at(result, Event.RELEASED) == pytest.approx([21.0, 321.0], abs=1e-3)
    assert result.summary["bank"]["duration_h"] == pytest.approx(600 / 3600)
    a, b = with_bms(bms, name="A"), with_bms(BMS(), name="B", ohm=60e-3)
    pair = simbank.simulate(Case(fused([a, b], {}), Duty((constant(0.2, 140.0),))), integrator=integrator)
    assert len(at(pair, MONITOR_EVENTS[ar.DISCHARGE_OVER_CURRENT_1], "A")) == 3  # the first and two more tries
    assert len(at(pair, Event.LOCKED, "A")) == 1
    assert pair.packs["current_a"]["A"].iloc[-1] == 0


@pytest.mark.parametrize(("kelvin", "blocked"), [(270.0, True), (298.15, False), (325.0, True)])
def test_temperature_limits_block_charge_only(kelvin, blocked, integrator):
    bms = BMS(charge_temperature=Limit(45.0, 1.0, 3.0, 1.0, 0.0))
    cold = replace(with_bms(bms), temperature_k=kelvin)
    steps = [constant(0.1, -20.0, volt_limit=99.0), constant(0.1, 20.0)]
    result = simbank.simulate(Case(Bank("x", (cold,), one_pack(cold).graph, kelvin), Duty(tuple(steps))), integrator=integrator)
    assert bool(at(result, MONITOR_EVENTS[ar.CHARGE_TEMPERATURE])) == blocked
    current = result.packs["current_a"]["P"]
    assert current.loc[420.0] == 20.0
    assert (current.loc[120.0] == 0) == blocked


def test_a_chattering_limit_is_settled_and_reported(integrator):
    """Release next to the limit: blocked under load, at rest above its release, back 50 ms later, again and again; the sixty-first
    time within an hour it stays open."""
    bms = BMS(under_voltage=Limit(3.30, 0.0, 3.3001, 0.05))
    a, b = with_bms(bms, 0.52, "A"), with_bms(BMS(), 0.4, "B", 30e-3)
    result = simbank.simulate(Case(fused([a, b], {}), Duty((constant(0.5, 30.0),))), integrator=integrator)
    assert result.complete
    assert at(result, MONITOR_EVENTS[ar.CELL_UNDER_VOLTAGE], "A") == pytest.approx(0.05 * np.arange(61), abs=1e-6)
    assert at(result, Event.LOCKED, "A") == pytest.approx([0.05 * 60], abs=1e-6)
    assert len(result.events) < 600


def test_one_blocked_pack_does_not_end_the_charge(integrator):
    a = with_bms(BMS(over_voltage=Limit(3.39, 1.0, 3.36)), 0.93, "A")
    b = with_bms(BMS(over_voltage=Limit(3.50, 1.0, 3.36)), 0.60, "B")
    result = simbank.simulate(Case(fused([a, b], {}), Duty((constant(0.3, -80.0, volt_limit=99.0),))), integrator=integrator)
    assert at(result, MONITOR_EVENTS[ar.CELL_OVER_VOLTAGE], "A")
    assert result.ports["current_a"]["port"].iloc[-1] == -80.0
    assert result.packs["current_a"]["B"].iloc[-1] == pytest.approx(-80.0)
    assert result.summary["packs"][0]["charge_blocked_h"] > 0.1


# ---- devices ----


@pytest.mark.parametrize(("multiple", "seconds"), [*zip(*TRIP, strict=True), (math.sqrt(1.35 * 2.0), math.sqrt(3000.0 * 90.0))])
def test_steady_overload_opens_at_the_curve(multiple, seconds, integrator):
    """At the table's points and half way between two of them on log-log paper."""
    bank = fused([pack("A", CHEMISTRY, 1e5, R, 0.5, cells=16)], {"A": breaker(50.0)})
    result = simbank.simulate(Case(bank, Duty((constant(1.0, 50.0 * multiple),))), integrator=integrator)
    assert at(result, Event.DEVICE_OPENS) == pytest.approx([seconds], rel=1e-4)


def test_rating_and_the_gates_of_a_breaker(integrator):
    """Carries its rating for hours; the default curve opens within an hour at 135 % and two minutes at 200 % (UL 489 gates for
    small breakers, from memory)."""
    from simbank.scenario.equipment_schema import DEFAULT_TRIP

    times = dict(DEFAULT_TRIP)
    assert times[1.35] <= 3600
    assert times[2.0] <= 120
    bank = fused([pack("A", CHEMISTRY, 1e5, R, 0.5, cells=16)], {"A": breaker(50.0)})
    assert not at(simbank.simulate(Case(bank, Duty((constant(5.0, 50.0),))), integrator=integrator), Event.DEVICE_OPENS)


def test_thermal_memory(integrator):
    """60 s at twice its rating uses 2/3 of 90 s; 300 s of rest leave exp(−300/600) of it; then 90 · (1 − D) more (by hand)."""
    bank = fused([pack("A", CHEMISTRY, 1e5, R, 0.5, cells=16)], {"A": breaker(50.0, thermal_time_constant_s=600.0)})
    steps = [Step(60.0, {"port": Command("current", 100.0)}), Step(300.0), Step(600.0, {"port": Command("current", 100.0)})]
    result = simbank.simulate(Case(bank, Duty(tuple(steps))), integrator=integrator)
    left = 60 / 90 * math.exp(-0.5)
    assert at(result, Event.DEVICE_OPENS) == pytest.approx([360 + 90 * (1 - left)], abs=1e-2)


def test_instantaneous_release_and_reset(integrator):
    device = breaker(50.0, instant_multiple=5.0, instant_s=0.02, reset_s=120.0)
    bank = fused([pack("A", CHEMISTRY, 1e5, R, 0.5, cells=16)], {"A": device})
    steps = [constant(0.01, 20.0), Step(10.0, {"port": Command("current", 300.0)}), constant(0.1, 0.0), constant(0.1, 20.0)]
    result = simbank.simulate(Case(bank, Duty(tuple(steps))), integrator=integrator)
    assert at(result, Event.DEVICE_INSTANT) == pytest.approx([36.02], abs=1e-3)
    assert at(result, Event.DEVICE_CLOSES) == pytest.approx([156.02], abs=1e-3)
    assert result.packs["current_a"]["A"].iloc[-1] == pytest.approx(20.0)


def test_cascade_against_a_hand_calculation(integrator):
    """Three like packs behind 60, 100 and 100 A devices share 300 A: A at 1.667 times its rating opens first by the curve, then B
    and C at 1.5 times theirs go together; from there nothing carries the load."""
    packs = [pack(name, CHEMISTRY, 1e5, R, 0.5, cells=16) for name in "ABC"]
    devices = {"A": breaker(60.0), "B": breaker(100.0), "C": breaker(100.0)}
    result = simbank.simulate(Case(fused(packs, devices), Duty((constant(1.5, 300.0),))), integrator=integrator)

    def by_curve(multiple):
        return math.exp(np.interp(math.log(multiple), np.log(TRIP[0]), np.log(TRIP[1])))

    first = by_curve(100 / 60)
    opened = {e["where"]: e["time_s"] for e in result.summary["events"] if e["code"] == Event.DEVICE_OPENS}
    assert opened["device A"] == pytest.approx(first, rel=1e-4)
    second = first + by_curve(1.5)  # B and C stood at their rating before: no damage below 1.05 times
    assert opened["device B"] == pytest.approx(second, rel=1e-3)
    because = {e["where"]: e["because"] for e in result.summary["events"]}
    assert "after device A opens" in because["device B"]
    assert Event.NO_PACK in [e["code"] for e in result.summary["events"]]
    assert result.packs["current_a"].iloc[-1].abs().max() == 0
    assert result.summary["closure"]["energy_relative"] < 1e-5


# ---- switching by hand, reconnection ----


def test_reconnection_inrush_and_its_decay(integrator):
    """A pack at 80 % closed onto one at 40 %: ΔE/(Ra + Rb + leads) at once, decaying with tau = ΣR/β · Q/2 (by hand)."""
    a, b = with_bms(BMS(), 0.8, "A"), with_bms(BMS(), 0.4, "B")
    order = [Switching(0.0, "B", False), Switching(600.0, "B", True)]
    result = simbank.simulate(Case(fused([a, b], {}, switching=order), Duty((constant(1.0, 0.0),))), integrator=integrator)
    total = 2 * R + 2e-4 + 2e-6
    inrush = BETA * 0.4 / total
    assert result.packs["current_a"]["A"].loc[540.0] == 0
    assert result.packs["current_a"]["A"].loc[600.0] == pytest.approx(inrush, rel=1e-6)
    tau = total / BETA * 360000 / 2
    assert result.packs["current_a"]["A"].loc[1200.0] == pytest.approx(inrush * math.exp(-600 / tau), rel=1e-5)
    event = next(e for e in result.summary["events"] if e["code"] == Event.RECONNECTS)
    assert event["because"] == f"inrush {-inrush:.1f} A"


def test_precharge_limits_the_inrush(integrator):
    bms = BMS(precharge_ohm=2.0, precharge_s=5.0)
    a, b = with_bms(BMS(), 0.8, "A"), with_bms(bms, 0.4, "B")
    order = [Switching(0.0, "B", False), Switching(600.0, "B", True)]
    result = simbank.simulate(
        Case(fused([a, b], {}, switching=order), Duty((constant(0.5, 0.0),))), output_step_s=1.0, integrator=integrator
    )
    total = 2 * R + 2e-4 + 2e-6
    assert result.packs["current_a"]["A"].loc[602.0] == pytest.approx(BETA * 0.4 / (total + 2.0), rel=1e-3)
    assert at(result, Event.PRECHARGED) == pytest.approx([605.0], abs=1e-3)
    assert result.packs["current_a"]["A"].loc[606.0] > 50


def test_a_short_circuit_limit_stops_a_hard_reconnection(integrator):
    bms = BMS(short_circuit=Limit(40.0, 1e-3))
    a, b = with_bms(bms, 0.8, "A"), with_bms(BMS(), 0.4, "B")
    order = [Switching(0.0, "B", False), Switching(600.0, "B", True)]
    result = simbank.simulate(Case(fused([a, b], {}, switching=order), Duty((constant(0.5, 0.0),))), integrator=integrator)
    assert at(result, MONITOR_EVENTS[ar.SHORT_CIRCUIT], "A") == pytest.approx([600.001], abs=1e-3)


def test_device_by_schedule(integrator):
    packs = [pack(name, CHEMISTRY, 100, R, 0.5, cells=16) for name in "AB"]
    order = [Switching(300.0, "device A", False), Switching(900.0, "device A", True)]
    bank = fused(packs, {"A": breaker(200.0)}, switching=order)
    result = simbank.simulate(Case(bank, Duty((constant(0.5, 40.0),))), integrator=integrator)
    current = result.packs["current_a"]
    assert current["A"].loc[600.0] == 0
    assert current["B"].loc[600.0] == pytest.approx(40.0)
    assert current["A"].loc[1200.0] > 20

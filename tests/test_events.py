"""Charge ends, cut-offs, blocked packs: instants against hand calculation, and nothing past 0 or 1."""

from dataclasses import replace

import numpy as np
import pytest
from banks import Case, affine_chemistry, constant, one_pack, pack, wired

import simbank
from simbank.duty import Command, Duty, Step
from simbank.simulation import arrays as ar
from simbank.simulation.event_codes import MONITOR_EVENTS, Event

# 16 cells of OCV 3.2 + 0.2 z, R0 10 mΩ in all, 100 Ah: every instant below follows by hand.
CHEMISTRY = affine_chemistry(slope=0.2, at_half=3.3)
E0, BETA, R = 16 * 3.2, 16 * 0.2, 10e-3


def run(steps, soc=0.5, chemistry=CHEMISTRY, **options):
    bank = one_pack(pack("P", chemistry, 100, R, soc, cells=16))
    return simbank.simulate(Case(bank, Duty(tuple(steps))), **options)


def times(result, what):
    return [e["time_s"] for e in result.summary["events"] if e["code"] == what]


def test_constant_current_then_constant_voltage_then_tail(integrator):
    """CC until E0 + βz + RI = V; then I decays as exp(−t/τ) with τ = RQ/β; ends at the tail. All by hand."""
    volt, amperes, tail = 54.4, 50.0, 2.0
    result = run([constant(3, -amperes, volt_limit=volt, tail_a=tail)], soc=0.5, integrator=integrator)
    z_cv = (volt - E0 - R * amperes) / BETA
    t_cv = (z_cv - 0.5) * 100 * 3600 / amperes
    tau = R * 360000 / BETA
    assert times(result, Event.HOLDS_VOLTAGE) == pytest.approx([t_cv], abs=1e-3)
    assert times(result, Event.CHARGE_ENDED) == pytest.approx([t_cv + tau * np.log(amperes / tail)], abs=1e-2)
    assert result.ports["voltage_v"]["port"].max() == pytest.approx(volt, abs=1e-9)
    after = result.ports["current_a"]["port"].loc[times(result, Event.CHARGE_ENDED)[0] + 60 :]
    assert (after == 0).all()


def test_discharge_ends_at_cut_off(integrator):
    cutoff, amperes = 51.5, 50.0
    result = run([constant(5, amperes, cutoff_volt=cutoff)], soc=0.5, integrator=integrator)
    z_end = (cutoff + R * amperes - E0) / BETA
    assert times(result, Event.CUT_OFF) == pytest.approx([(0.5 - z_end) * 360000 / amperes], abs=1e-3)
    assert result.summary["packs"][0]["soc_end"] == pytest.approx(z_end, abs=1e-9 if integrator == "reference" else 1e-8)


def test_a_held_voltage_without_tail_lasts_to_the_end_of_the_step(integrator):
    result = run([constant(3, -50.0, volt_limit=54.0)], soc=0.8, integrator=integrator)
    assert [e["code"] for e in result.summary["events"]] == [Event.HOLDS_VOLTAGE]
    full, start = (54.0 - E0) / BETA, (54.0 - E0 - R * 50) / BETA
    rest_of_it = 3 * 3600 - max(0.0, (start - 0.8) * 7200)
    left = (full - max(start, 0.8)) * np.exp(-rest_of_it / (R * 360000 / BETA))
    assert result.summary["packs"][0]["soc_end"] == pytest.approx(full - left, abs=1e-7)


def test_charge_that_starts_above_its_voltage_holds_at_once(integrator):
    result = run([constant(1, -100.0, volt_limit=53.0)], soc=0.5, integrator=integrator)
    assert times(result, Event.HOLDS_VOLTAGE) == [0.0]
    assert result.ports["current_a"]["port"].iloc[0] == pytest.approx(-(53.0 - E0 - BETA * 0.5) / R, rel=1e-9)


def test_full_and_empty_packs_block_and_come_back_on_reversal(integrator):
    duty = [
        constant(1.0, -60.0, volt_limit=99.0),
        constant(0.5, 60.0),
        constant(2.0, 60.0),
        constant(0.5, -60.0, volt_limit=99.0),
    ]
    result = run(duty, soc=0.5, integrator=integrator)
    what = [e["code"] for e in result.summary["events"]]
    assert what[:2] == [Event.CHARGE_BLOCKED, Event.NO_PACK]
    assert Event.CONDUCTS_DISCHARGE in what
    assert Event.RELEASED in what
    assert Event.DISCHARGE_BLOCKED in what
    assert times(result, Event.CHARGE_BLOCKED) == pytest.approx([0.5 * 360000 / 60], abs=1e-3)
    soc = result.packs["soc"]["P"]
    assert soc.max() <= 1 + 1e-6
    assert soc.min() >= -1e-6
    assert result.summary["packs"][0]["soc_end"] == pytest.approx(0.3, abs=1e-5)


def test_a_cell_limit_in_volts_blocks_too(integrator):
    """Cell voltage = (E0 + βz + I·R)/16 reaches the limit at a SOC known by hand; internal wiring does not count."""
    limited = replace(CHEMISTRY, volt_max=3.40)
    result = run([constant(1.0, -60.0, volt_limit=99.0)], soc=0.5, chemistry=limited, integrator=integrator)
    z = (16 * 3.40 - E0 - R * 60) / BETA
    assert times(result, Event.CHARGE_BLOCKED) == pytest.approx([(z - 0.5) * 6000], abs=1e-3)


def test_one_full_pack_does_not_end_the_charge_of_the_others(integrator):
    a = pack("A", CHEMISTRY, 100, 10e-3, 0.95, cells=16)
    b = pack("B", CHEMISTRY, 100, 10e-3, 0.80, cells=16)
    case = Case(wired([a, b], link=20e-3), Duty((constant(0.2, -80.0, volt_limit=99.0), constant(1, 40.0))))
    result = simbank.simulate(case, integrator=integrator)
    current = result.packs["current_a"]
    blocked = times(result, Event.CHARGE_BLOCKED)
    assert [e["where"] for e in result.summary["events"] if e["code"] == Event.CHARGE_BLOCKED] == ["A"]
    after = current.loc[blocked[0] + 1 : 0.2 * 3600 - 1]
    assert (after["A"] == 0).all()
    assert after["B"].to_numpy() == pytest.approx(np.full(len(after), -80.0), abs=1e-9)
    assert current["A"].iloc[-1] > 0  # and on reversal it is back
    assert result.packs["soc"].max().max() <= 1 + 1e-6


def test_constant_power_against_the_quadratic(integrator):
    """I = (E − √(E² − 4RP))/2R for a source E behind R (Ohm's law)."""
    e = E0 + BETA * 0.5
    for power in (3000.0, -3000.0, 20000.0):
        command = Command("power", power, volt_limit=99.0)
        result = run([Step(60.0, {"port": command})], integrator=integrator)
        assert result.ports["current_a"]["port"].iloc[0] == pytest.approx(
            (e - np.sqrt(e * e - 4 * R * power)) / (2 * R), rel=1e-9
        )
        assert result.ports["power_w"]["port"].iloc[-1] == pytest.approx(power, rel=1e-9)


def test_power_beyond_the_bank_is_an_event(integrator):
    """The greatest power of a source is E²/4R."""
    greatest = (E0 + BETA * 0.5) ** 2 / (4 * R)
    result = run([Step(60.0, {"port": Command("power", 1.02 * greatest)})], integrator=integrator)
    assert times(result, Event.TOO_MUCH_POWER) == [0.0]
    assert result.packs["current_a"]["P"].abs().max() == 0
    held = run(
        [Step(60.0, {"port": Command("power", 0.98 * greatest)})],
        chemistry=replace(CHEMISTRY, volt_min=0.01),
        integrator=integrator,
    )
    assert held.ports["power_w"]["port"].iloc[0] == pytest.approx(0.98 * greatest, rel=1e-9)


def test_two_ports_at_once(integrator):
    """Two ports at one place: the bank carries their sum; a load and a charger cancel."""
    a = pack("A", CHEMISTRY, 100, 10e-3, 0.5, cells=16)
    b = pack("B", CHEMISTRY, 100, 10e-3, 0.5, cells=16)
    both = {"load": Command("power", 2000.0), "charger": Command("current", -30.0, volt_limit=99.0)}
    case = Case(wired([a, b], link=1e-3, ports=("load", "charger")), Duty((Step(3600.0, both),)))
    result = simbank.simulate(case, integrator=integrator)
    ports, packs = result.ports["current_a"], result.packs["current_a"]
    assert packs.sum(axis=1).to_numpy() == pytest.approx(ports.sum(axis=1).to_numpy(), abs=1e-9)
    assert result.ports["power_w"]["load"].to_numpy() == pytest.approx(np.full(len(ports), 2000.0), rel=1e-9)
    assert result.summary["closure"]["energy_relative"] < 1e-5


def test_a_step_may_end_early(integrator):
    first = replace(constant(5, -50.0, volt_limit=54.4, tail_a=2.0), ends_early=True)
    result = run([first, constant(0.5, 20.0)], soc=0.5, integrator=integrator)
    ended = times(result, Event.CHARGE_ENDED)[0]
    assert result.summary["bank"]["duration_h"] * 3600 == pytest.approx(ended + 1800.0, abs=1e-3)
    assert result.ports["current_a"]["port"].iloc[-1] == 20.0


def test_events_are_found_the_same_whatever_the_solver_step():
    steps = [constant(3, -50.0, volt_limit=54.4, tail_a=2.0)]
    coarse, fine = (times(run(steps, max_step_s=s), Event.CHARGE_ENDED)[0] for s in (1800.0, 20.0))
    assert coarse == pytest.approx(fine, abs=1e-2)


def test_a_bank_that_stands_higher_than_the_charge_voltage_takes_nothing(integrator):
    """52.8 V open at 50 %: a charge to 50 V puts nothing in, has reached no voltage by charging, and ends at no tail."""
    low = replace(constant(2, -20.0, volt_limit=50.0), ends_early=True)
    result = run([low, constant(1, 5.0)], soc=0.5, integrator=integrator)
    assert [(e["time_s"], e["code"], e["because"]) for e in result.summary["events"]] == [(0.0, Event.NOTHING_IN, "52.80 V")]
    assert result.summary["packs"][0]["soc_end"] == pytest.approx(0.45, abs=1e-7)  # the step lasted its two hours
    assert result.packs.index[-1] == pytest.approx(3 * 3600)


def test_a_charge_with_a_tail_ends_at_once_where_nothing_flows_in(integrator):
    low = replace(constant(2, -20.0, volt_limit=50.0, tail_a=2.0), ends_early=True)
    result = run([low, constant(1, 5.0)], soc=0.5, integrator=integrator)
    assert [e["code"] for e in result.summary["events"]] == [Event.NOTHING_IN]
    assert result.ports["current_a"]["port"].iloc[1] == pytest.approx(5.0)


def test_a_port_without_tail_gives_again_when_the_bank_has_come_down_to_its_voltage(integrator):
    """A load of 20 A at another port takes the bank from 52.8 V to 52 V; from there the charge holds 52 V, with no word of a tail."""
    bank = wired([pack("P", CHEMISTRY, 100, R, 0.5, cells=16)], ports=("port", "load"))
    step = Step(4 * 3600.0, {"port": Command("current", -100.0, volt_limit=52.0), "load": Command("current", 20.0)})
    result = simbank.simulate(Case(bank, Duty((step,))), integrator=integrator)
    assert [(e["time_s"], e["code"], e["because"]) for e in result.summary["events"]] == [(0.0, Event.NOTHING_IN, "52.60 V")]
    down = (0.5 - (52.0 + R * 20 - E0) / BETA) * 360000 / 20  # until 20 A bring the port to 52 V; then the pack's current decays
    left = R * 20 / BETA * np.exp(-(4 * 3600 - down) / (R * 360000 / BETA))
    assert result.summary["packs"][0]["soc_end"] == pytest.approx((52.0 - E0) / BETA + left, abs=1e-7)


CODES = {
    "charge-blocked-full", "discharge-blocked-empty", "cell-over-voltage", "cell-under-voltage", "charge-over-current",
    "discharge-over-current", "discharge-over-current-high", "short-circuit", "charge-temperature", "discharge-temperature",
    "switched-off", "conducts-discharge", "conducts-charge", "opens-again", "block-released", "switched-on", "reconnects",
    "precharge-begins", "precharge-ended", "stays-open", "switch-stuck", "voltage-held", "current-limited", "charge-ended",
    "nothing-flows-in", "absorption-ended-float", "absorption-ended-off", "charge-stopped-float", "charge-stopped-off",
    "bank-higher-float", "bank-higher-off", "voltage-not-held", "bulk-again", "cut-off", "recovered", "power-beyond-bank", "no-pack",
    "device-overload", "device-instantaneous", "device-closed", "device-switched-off",
}  # fmt: skip


def test_the_codes_of_events_stay_as_they_are():
    """Programs find events by them: a code may be added here, and none may go or change."""
    assert {event.code for event in Event} == CODES
    assert len({event.words for event in Event}) == len(CODES)
    assert set(MONITOR_EVENTS) == {r for r in range(ar.N_MONITORS) if ar.BLOCKS[r]}


def test_code_and_words_stand_side_by_side_in_every_table(tmp_path):
    """Table, JSON, CSV and Parquet of one run."""
    import pandas as pd

    result = run([constant(1.0, -60.0, volt_limit=52.0)], integrator="fast")
    folder = result.write(tmp_path)
    (event,) = result.summary["events"]
    assert (event["code"], event["what"]) == ("nothing-flows-in", "nothing flows in at this voltage")
    for table in (result.events, pd.read_csv(folder / "events.csv"), pd.read_parquet(folder / "events.parquet")):
        assert list(table.columns) == ["time_s", "where", "what", "because", "code"]
        assert table["code"].tolist() == ["nothing-flows-in"]

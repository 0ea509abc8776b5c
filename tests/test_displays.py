"""What a BMS takes for itself and what cells lose by themselves; what a BMS shows beside the truth."""

import json

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import brentq

import simbank
from simbank.errors import InputError
from simbank.judging.run_packs import hysteresis_bound_points
from simbank.network import Network
from simbank.scenario.scenario import from_dict
from simbank.simulation import arrays as ar
from simbank.simulation.ode import jacobian, rates
from simbank.simulation.pack_model import DRAW_FADES_SOC, KELVIN
from simbank.simulation.setup import pack_arrays, start_state
from simbank.simulation.standing import root

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
    assert "10 mA" in str(error.value)


def test_a_bms_that_only_draws_blocks_at_the_cells_limits():
    """As a lithium-ion pack without a BMS of its own does."""
    one = bank([REST], {"bms": {"draw": "10 mA"}}).bank.packs[0]
    assert one.has_assumed_bms
    assert one.bms.draw_a == 0.01


# ---- what a BMS shows ----

DAY = [
    {"discharge": "20 A", "hours": 2},
    {"rest": True, "hours": 10},
    {"charge": "20 A", "hours": 2},
    {"rest": True, "hours": 10},
]


def test_counter_by_hand(integrator):
    """One pack of 100 Ah, ten days of 2 h at 20 A out and in and 20 h of rest a day; gain 2 % high, offset −50 mA, counted by 95 Ah.

    By arithmetic: gain errors of equal charge and discharge cancel, 0.05 A × 240 h = 12 Ah is counted as charge that is none:
    12 / 95 of the display, 1.263 points a day.
    """
    display = {"gain_error": 0.02, "offset": "-50 mA", "capacity": "95 Ah", "start": 0.5}
    scenario = bank(DAY, {"display": display}, duty={"kind": "cycles", "repeat": 10, "steps": DAY})
    result = simbank.simulate(scenario, integrator=integrator)
    row = result.summary["packs"][0]
    counted_ah = 1.02 * (10 * 40 - 10 * 40) - 0.05 * 240
    assert row["displayed_soc_end"] == pytest.approx(0.5 - counted_ah / 95, abs=1e-6)
    assert row["display_counted_ah"] == pytest.approx(counted_ah, rel=1e-5)
    assert row["display_drift_points_per_day"] == pytest.approx(1.2 / 95 * 100, rel=1e-4)
    assert row["display_error_end_points"] == pytest.approx(100 * (0.5 + 12 / 95 - row["soc_end"]), abs=1e-4)
    shown = result.packs["displayed_soc"]["A"]
    after_discharge = shown.loc[2 * 3600.0]
    assert after_discharge == pytest.approx(0.5 - (1.02 * 40 - 0.05 * 2) / 95, abs=1e-6)


def test_a_gain_error_drifts_with_the_charge_that_is_moved_one_way(integrator):
    """Half the day's charge is lost to a pack that is never filled again: 2 h at 20 A out, shown 3 % too much, over 120 Ah."""
    scenario = bank(
        [DAY[0]], {"display": {"gain_error": 0.03, "capacity": "120 Ah"}}, [{"name": "A", "type": "slab", "soc": 0.9}]
    )
    row = simbank.simulate(scenario, integrator=integrator).summary["packs"][0]
    assert row["displayed_soc_end"] == pytest.approx(0.9 - 1.03 * 40 / 120, abs=1e-7)
    assert row["display_drift_points_per_day"] == pytest.approx((-1.03 * 40 / 120 + 40 / 100) * 100 * 12, rel=1e-6)


def test_a_dead_band_swallows_a_standing_load(integrator):
    """0.2 A for ten days with a dead band of 0.25 A: 48 Ah leave the pack, none is counted; at 0.15 A of dead band all of it is."""
    steps = [{"discharge": "0.2 A", "hours": 240}]
    for band, counted in (("0.25 A", 0.0), ("0.15 A", 48.0)):
        scenario = bank(steps, {"display": {"dead_band": band}}, [{"name": "A", "type": "slab", "soc": 0.9}])
        row = simbank.simulate(scenario, integrator=integrator).summary["packs"][0]
        assert row["soc_end"] == pytest.approx(0.9 - 0.48, abs=1e-7)
        assert row["displayed_soc_end"] == pytest.approx(0.9 - counted / 100, abs=1e-7)
        assert row["display_ignored_ah"] == pytest.approx(48.0 - counted, abs=1e-5)
    # an offset within the dead band does nothing at rest, and all of itself while a current flows
    display = {"dead_band": "0.25 A", "offset": "100 mA"}
    scenario = bank([REST, {"discharge": "10 A", "hours": 2}], {"display": display})
    row = simbank.simulate(scenario, integrator=integrator).summary["packs"][0]
    assert row["displayed_soc_end"] == pytest.approx(0.5 - (10 + 0.1) * 2 / 100, abs=1e-7)


def test_its_own_draw_it_does_not_see(integrator):
    scenario = bank([REST], {"bms": {"draw": "20 mA"}, "display": {}})
    row = simbank.simulate(scenario, integrator=integrator).summary["packs"][0]
    assert row["displayed_soc_end"] == pytest.approx(0.5, abs=1e-9)
    assert row["display_error_end_points"] == pytest.approx(0.02 * 240, rel=1e-6)


FULL = {"full": {"volt": "56 V", "tail": "5 A", "hold": "10 min"}}
TO_FULL = [{"charge": "20 A", "hours": 6, "voltage": "56.8 V", "tail": "1 A"}, {"rest": True, "hours": 2}]


def test_full_sets_it_right(integrator):
    """A display that starts 40 points low stands at 100 % once the current has been below the tail for ten minutes, and not before."""
    one = {"name": "A", "type": "slab", "soc": 0.8}
    result = simbank.simulate(
        bank(TO_FULL, {"display": {**FULL, "start": 0.4}}, [one]), integrator=integrator, output_step_s=10.0
    )
    frame = result.packs
    current, volt, shown = (frame[q]["A"] for q in ("current_a", "terminal_v", "displayed_soc"))
    near = (volt >= 56.0) & (current.abs() <= 5.0)
    begins = near.idxmax()  # the tail's current, or the voltage, whichever comes last
    full = (shown >= 1.0).idxmax()
    assert 0 < begins < full
    assert full == pytest.approx(begins + 600.0, abs=60.0)
    assert shown.loc[:begins].max() < 0.75
    assert result.summary["packs"][0]["display_set_full"] == 1
    assert result.summary["packs"][0]["displayed_soc_end"] == pytest.approx(1.0, abs=1e-6)
    # with a hold that is longer than all of it nothing sets it right
    never = {"full": FULL["full"] | {"hold": "20 h"}, "start": 0.4}
    row = simbank.simulate(bank(TO_FULL, {"display": never}, [one]), integrator=integrator).summary["packs"][0]
    assert row["display_set_full"] == 0
    assert row["displayed_soc_end"] < 0.75


def test_empty_sets_it_right(integrator):
    """A display that starts 40 points high goes to 0 % where the voltage comes down to 46 V, and counts up again from there."""
    one = {"name": "A", "type": "slab", "soc": 0.4}
    steps = [{"discharge": "20 A", "hours": 3, "cutoff": "45 V"}, {"charge": "20 A", "hours": 1}]
    display = {"start": 0.8, "empty": {"volt": "46 V"}}
    result = simbank.simulate(bank(steps, {"display": display}, [one]), integrator=integrator, output_step_s=10.0)
    shown, volt = (result.packs[q]["A"] for q in ("displayed_soc", "terminal_v"))
    low = (volt <= 46.0).idxmax()
    assert low > 3600.0
    assert shown.loc[: low - 60.0].min() > 0.3
    assert shown.loc[low + 30.0] == pytest.approx(0.0, abs=1e-3)
    assert shown.iloc[-1] == pytest.approx(20 * 1 / 100, abs=2e-3)


def test_it_stays_within_0_and_100(integrator):
    """Charged from 95 % shown with 40 Ah it stops at 100 %, and falls from there at once."""
    steps = [{"charge": "20 A", "hours": 2}, {"discharge": "20 A", "hours": 1}]
    one = {"name": "A", "type": "slab", "soc": 0.3}
    result = simbank.simulate(bank(steps, {"display": {"start": 0.95}}, [one]), integrator=integrator)
    shown = result.packs["displayed_soc"]["A"]
    assert shown.max() == 1.0
    assert shown.iloc[-1] == pytest.approx(0.8, abs=1e-6)


def counted_second_by_second(current, volt, display, start):
    """The counter in plain words, on samples a second apart."""
    shown, near, out = start, 0.0, []
    for amperes, volts in zip(current, volt, strict=True):
        measured = amperes * (1 + display["gain"]) + display["offset"]
        if abs(measured) >= display["dead_band"]:
            shown -= measured / 3600.0 / display["capacity"]
        near = near + 1.0 if volts >= display["volt"] and abs(measured) <= display["tail"] else 0.0
        if near > display["hold"]:
            shown = 1.0
        shown = min(1.0, max(0.0, shown))
        out.append(shown)
    return np.array(out)


def test_against_a_counter_second_by_second(integrator):
    """Two packs that level, are charged to full and discharged: the samples of the run, a second apart, counted in a plain loop."""
    two = [{"name": "A", "type": "slab", "soc": 0.75}, {"name": "B", "type": "slab", "soc": 0.6, "display": {"start": 0.9}}]
    table = {"gain_error": -0.03, "offset": "40 mA", "dead_band": "0.3 A", "capacity": "110 Ah",
             "full": {"volt": "55.5 V", "tail": "4 A", "hold": "3 min"}}  # fmt: skip
    steps = [{"rest": True, "hours": 2}, {"charge": "40 A", "hours": 2.2, "voltage": "56.8 V", "tail": "2 A"}, {"rest": True, "hours": 1},
             {"discharge": "30 A", "hours": 1}]  # fmt: skip
    result = simbank.simulate(bank(steps, {"display": table}, two), integrator=integrator, output_step_s=1.0)
    plain = {"gain": -0.03, "offset": 0.04, "dead_band": 0.3, "capacity": 110.0, "volt": 55.5, "tail": 4.0, "hold": 180.0}
    for name, start in (("A", 0.75), ("B", 0.9)):
        frame = result.packs.xs(name, axis=1, level="pack")
        expected = counted_second_by_second(frame["current_a"], frame["terminal_v"], plain, start)
        assert result.summary["packs"]["AB".index(name)]["display_set_full"] == 1
        late = frame["displayed_soc"].to_numpy()
        jump = int(np.argmax(np.diff(expected)))  # the instant at which it is set, known to a step of the integrator
        assert np.argmax(np.diff(late)) == pytest.approx(jump, abs=60)
        apart = np.abs(late - expected)
        apart[max(0, jump - 90) : jump + 90] = 0.0
        assert apart.max() < 1e-3  # within a step what is shown runs straight, whatever the current does
        assert np.median(apart) < 1e-4
        assert apart[-1] < 1e-4


def test_thin_samples_change_nothing(integrator):
    """A month of days with a full charge in each, one sample a day: what is shown at the end is as with a sample a minute."""
    days = [{"discharge": "20 A", "hours": 3}, {"rest": True, "hours": 12}, *TO_FULL[:1], {"rest": True, "hours": 3}]
    display = {**FULL, "gain_error": 0.02, "offset": "30 mA", "dead_band": "0.1 A"}
    scenario = bank(
        days,
        {"display": display},
        [{"name": "A", "type": "slab", "soc": 0.9}],
        duty={"kind": "cycles", "repeat": 30, "steps": days},
    )
    fine, thin = (simbank.simulate(scenario, integrator=integrator, output_step_s=step) for step in (60.0, 86400.0))
    assert len(thin.packs) < 40
    for key in ("displayed_soc_end", "display_counted_ah", "display_ignored_ah"):
        assert thin.summary["packs"][0][key] == pytest.approx(fine.summary["packs"][0][key], abs=1e-6), key
    assert thin.summary["packs"][0]["display_set_full"] == fine.summary["packs"][0]["display_set_full"] >= 29


def test_displays_change_nothing_of_the_run(integrator):
    two = [{"name": "A", "type": "slab", "soc": 0.75}, {"name": "B", "type": "slab", "soc": 0.6}]
    plain, shown = (simbank.simulate(bank(DAY, kind, two), integrator=integrator) for kind in ({}, {"display": {"start": 0.1}}))
    for quantity in plain.packs.columns.levels[0]:
        assert np.array_equal(plain.packs[quantity], shown.packs[quantity])
    assert "displayed_soc" not in plain.packs
    assert "displayed_soc_end" not in plain.summary["packs"][0]


def test_a_pack_without_a_display_beside_one_with(tmp_path):
    """Its column is empty; files read back as they were written."""
    two = [{"name": "A", "type": "slab"}, {"name": "B", "type": "slab", "display": {"start": 0.9}}]
    result = simbank.simulate(bank(DAY, (), two), integrator="fast")
    assert result.packs["displayed_soc"]["A"].isna().all()
    assert result.packs["displayed_soc"]["B"].iloc[0] == 0.9
    rows = {row["name"]: row for row in result.summary["packs"]}
    assert rows["A"]["displayed_soc_end"] is None
    assert rows["B"]["display_error_end_points"] == pytest.approx(40.0, abs=0.1)
    again = simbank.read(result.write(tmp_path / "run"))
    assert np.array_equal(again.packs["displayed_soc"], result.packs["displayed_soc"], equal_nan=True)
    assert again.displayed_at_rest().equals(result.displayed_at_rest())
    tidy = result.tidy("soc_at_rest")
    assert tidy["displayed_soc"].isna().tolist() == (tidy["pack"] == "A").tolist()


@pytest.mark.parametrize(
    ("display", "key"),
    [
        ({"full": {"volt": "3.5 V"}}, "full.volt"),
        ({"empty": {"volt": "2.8 V"}}, "empty.volt"),
        ({"full": {"volt": "50 V"}, "empty": {"volt": "51 V"}}, "empty.volt"),
        ({"dead_band": "-1 A"}, "dead_band"),
        ({"gain_error": 0.9}, "gain_error"),
        ({"capacity": "0 Ah"}, "capacity"),
        ({"full": {"volt": "56 V", "tail": "3 W"}}, "tail"),
        ({"start": 1.2}, "start"),
        ({"offsett": "1 A"}, "offset"),
    ],
)
def test_a_display_that_is_none_is_refused(display, key):
    with pytest.raises(InputError) as error:
        bank(DAY, {"display": display})
    assert key in str(error.value)


def test_a_packs_own_keys_come_before_its_types():
    kind = {"display": {"offset": "10 mA", "full": {"volt": "56 V", "tail": "0.05 C"}}}
    a, b = bank(
        DAY, kind, [{"name": "A", "type": "slab"}, {"name": "B", "type": "slab", "display": {"offset": "-5 mA"}}]
    ).bank.packs
    assert (a.display.offset_a, b.display.offset_a) == (0.01, -0.005)
    assert a.display.full_tail_a == b.display.full_tail_a == 5.0
    assert a.display.capacity_ah == 100.0


# ---- which part of a displayed spread is real ----


def farthest_at_rest(chemistry, low):
    """State of charge of a pack off a long discharge (h = −1) that rests at the voltage of one off a long charge (h = 1) at ``low``.

    By scipy's root-finding on the curves as they stand in the library, whatever simbank makes of them.
    """
    volt = float(chemistry.ocv(low) + chemistry.half_width(low))

    def over(high):
        return float(chemistry.ocv(high) - chemistry.half_width(high)) - volt

    grid = np.linspace(low, 1.0, 4001)
    above = np.flatnonzero([over(z) >= 0 for z in grid])
    return brentq(over, grid[above[0] - 1], grid[above[0]], xtol=1e-13)


@pytest.mark.parametrize("low", [0.2, 0.42, 0.55, 0.7])
def test_the_bound_on_a_standing_spread_against_a_direct_construction(low, integrator):
    """Two packs on opposite branches at the farthest distance that drives no current: the bound is that distance, and it does stand."""
    chemistry = simbank.load_chemistry("lfp")
    high = farthest_at_rest(chemistry, low)
    packs = [
        {"name": "A", "type": "slab", "soc": high, "hysteresis": -1.0},
        {"name": "B", "type": "slab", "soc": low, "hysteresis": 1.0},
    ]
    scenario = bank([REST], (), packs)
    assert hysteresis_bound_points(scenario.bank.packs[0], high, low) == pytest.approx(100 * (high - low), abs=0.02)
    result = simbank.simulate(scenario, integrator=integrator)
    soc = result.packs["soc"].iloc[-1]
    assert soc["A"] - soc["B"] == pytest.approx(high - low, abs=1e-6)
    assert result.packs["current_a"].abs().max(axis=None) < 1e-3
    # further apart, a current flows from the first instant on; on the same branch, long before
    for more in ({"soc": high + 0.02}, {"soc": high, "hysteresis": 1.0}):
        result = simbank.simulate(bank([REST], (), [packs[0] | more, packs[1]]), integrator=integrator)
        assert result.packs["current_a"]["A"].iloc[0] > 0.01


def test_columns_of_a_run_with_displays_are_described(tmp_path):
    """Names and order in the files against what is said of them, with displays; ``columns()`` says the same without."""
    from simbank.simulation import columns

    two = [{"name": "A", "type": "slab"}, {"name": "B", "type": "slab", "display": {"start": 0.9}}]
    folder = simbank.simulate(bank(DAY, (), two), integrator="fast").write(tmp_path)
    summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    for table in columns(displays=True):
        for file in table.files:
            frame = pd.read_csv(folder / file) if file.endswith("csv") else pd.read_parquet(folder / file)
            assert list(frame.columns) == table.names, file
    figures = next(table for table in columns(displays=True) if table.name == "summary.json: packs")
    assert all(list(row) == figures.names for row in summary["packs"])
    assert [table.name for table in columns()] == [table.name for table in columns(displays=True)]


def test_figures_say_which_part_of_a_displayed_spread_can_be_real():
    """At rest: what displays show beside the cells, and a band as wide as the bound; over time: both spreads, with their largest."""
    packs = [{"name": "A", "type": "slab", "display": {"start": 0.9}}, {"name": "B", "type": "slab", "display": {"start": 0.3}},
             {"name": "C", "type": "slab"}]  # fmt: skip
    result = simbank.simulate(bank([REST], (), packs), integrator="fast")
    apart = result.displays_apart
    assert (apart.high, apart.low) == ("A", "B")
    assert apart.shown_points == pytest.approx(60.0)
    assert apart.cells_points == pytest.approx(0.0, abs=1e-9)
    assert apart.bound_points == pytest.approx(hysteresis_bound_points(result.scenario.bank.packs[0], 0.5, 0.5))
    (axis,) = result.plot_soc_at_rest().axes
    (line,) = [line for line in axis.lines if line.get_marker() == "s"]
    assert line.get_ydata() == pytest.approx([90.0, 30.0, np.nan], nan_ok=True)
    (band,) = axis.patches
    assert band.get_height() == pytest.approx(apart.bound_points)
    assert band.get_y() + band.get_height() / 2 == pytest.approx(50.0)
    told = [text.get_text() for text in axis.texts]
    assert "displays, end of run\n60.0 points apart" in told
    (axis,) = result.plot_spread().axes
    assert [text.get_text() for text in axis.texts] == ["cells,\nat most 0.0", "displays,\nat most 60.0"]
    for plain in (bank([REST]), bank([REST], (), packs[1:])):
        assert simbank.simulate(plain, integrator="fast").displays_apart is None


def test_a_root_is_where_scipy_has_it_to_the_last_digit():
    """``scipy.optimize.brentq``, on cubics, steep and flat curves, polygons and steps, at signs either way."""
    rng, compared = np.random.default_rng(7), 0
    for k in range(500):
        a, b, c, d = rng.normal(size=4)
        function = (
            lambda x, a=a, b=b, c=c, d=d: ((a * x + b) * x + c) * x + d,
            lambda x, a=a, b=b: np.tanh(20.0 * a * (x - b)),
            lambda x, a=a, b=b: np.exp(3.0 * a * x) - abs(b),
            lambda x, a=a, b=b: np.interp(x, [-2.0, -1.0, 0.0, 1.0, 2.0], [-1.0, -0.5, b, 0.5, 2.0]) * a,
            lambda x, a=a, b=b: -a if x < b else a,
        )[k % 5]
        if function(-2.0) * function(2.0) < 0.0:
            assert root(function, -2.0, 2.0) == brentq(function, -2.0, 2.0, xtol=1e-12)
            compared += 1
    assert compared > 200

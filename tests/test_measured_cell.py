"""A measured cell: hysteresis and resistance over temperature, against the measurements it comes from and against closed forms.

Measurements: the open data set esctoolbox-python (github.com/batterysim/esctoolbox-python, commit e82af55), one 2.3 Ah 26650 LFP cell:
cycles at 0.0767 A in ``ocv_data``, a discharge of 11.05 % at 1.147 A with its rest in ``dyn_data``, resistances fitted at commit 58c8a6d.
"""

from dataclasses import replace

import numpy as np
import pytest
from banks import Case, affine_chemistry, constant, one_pack, pack

import simbank
from simbank.bank import Bank
from simbank.cells import Curve, load_chemistry
from simbank.cells.curves import CurveFamily
from simbank.cells.slow_cycle import slow_cycle
from simbank.duty import Duty
from simbank.errors import InputError
from simbank.judging.run_packs import hysteresis_bound_points
from simbank.simulation import arrays as ar

CAPACITY_AH, SLOW_A, R0_OHM = 2.07, 0.0767, 9.70e-3
# State of charge: voltage on discharge and on charge at 25 °C [V].
BRANCHES = {
    0.1: (3.1508, 3.2050), 0.2: (3.2199, 3.2687), 0.3: (3.2498, 3.3092), 0.4: (3.2820, 3.3205), 0.5: (3.2910, 3.3250),
    0.6: (3.2973, 3.3366), 0.7: (3.3101, 3.3506), 0.8: (3.3316, 3.3590), 0.9: (3.3397, 3.3639),
}  # fmt: skip
# Charge less discharge voltage at 10, 20 … 90 % [mV].
GAPS = {
    15: (59, 54, 63, 43, 40.0, 45.1, 45.3, 35.3, 33.2),
    25: (54.2, 48.8, 59.5, 38.6, 34.0, 39.3, 40.5, 27.5, 24.2),
    35: (46.5, 44.2, 55.4, 35.2, 30.1, 35.4, 35.7, 22.8, 19.4),
    45: (35.2, 40.0, 51.8, 32.8, 26.7, 31.4, 33.3, 19.4, 15.1),
}
LOOPS = {15: 1.51, 25: 1.30, 35: 1.14, 45: 0.98}  # energy of the loop from 2 to 98 %, of what comes out [%]
WITHIN_V, WITHIN_LOOP = 2e-3, 0.05  # by which both axes of charge may be apart; of the loop, likewise


def cell_bank(celsius, soc=1.0, hysteresis=1.0, chemistry=None, **more):
    """One cell of the measured kind at a temperature."""
    chemistry = chemistry or load_chemistry("lfp_26650")
    rc = tuple((p.resistance_ratio * R0_OHM, p.time_constant_s) for p in chemistry.rc)
    cell = replace(pack("cell", chemistry, CAPACITY_AH, R0_OHM, soc, rc), hysteresis=hysteresis, **more)
    bank = one_pack(cell)
    return Bank(bank.name, bank.packs, bank.graph, celsius + 273.15)


def slow_simulated(celsius, integrator):
    """Voltage on discharge and charge of a slow cycle in the simulator, as functions of state of charge."""
    chemistry = replace(load_chemistry("lfp_26650"), volt_min=0.1, volt_max=10.0)
    hours = CAPACITY_AH / SLOW_A
    found = []
    for start, state, sign in ((1.0, 1.0, 1.0), (0.0, -1.0, -1.0)):
        case = Case(cell_bank(celsius, start, state, chemistry), Duty((constant(hours * 0.9999, sign * SLOW_A, volt_limit=9.0),)))
        result = simbank.simulate(case, output_step_s=120.0, integrator=integrator)
        soc, volt = result.packs["soc"]["cell"].to_numpy(), result.packs["terminal_v"]["cell"].to_numpy()
        order = np.argsort(soc)
        found.append((soc[order], volt[order]))
    return [lambda z, points=points: np.interp(z, *points) for points in found]


@pytest.mark.parametrize("celsius", GAPS)
def test_branches_and_loop_of_a_slow_cycle_against_measured_ones(celsius):
    """By ``simbank cell show``'s function: branches within 2 mV from 10 to 90 %, the loop's energy within 5 %."""
    cycle = slow_cycle(load_chemistry("lfp_26650"), celsius + 273.15, SLOW_A / CAPACITY_AH)
    soc = np.array(list(BRANCHES))
    charge, discharge = cycle.branches(soc)
    assert 1e3 * (charge - discharge) == pytest.approx(np.array(GAPS[celsius]), abs=1e3 * WITHIN_V)
    if celsius == 25:
        assert np.column_stack([discharge, charge]) == pytest.approx(np.array(list(BRANCHES.values())), abs=WITHIN_V)
    assert 100 * cycle.loop_share == pytest.approx(LOOPS[celsius], rel=WITHIN_LOOP)


@pytest.mark.parametrize("celsius", GAPS)
def test_branches_and_loop_in_the_simulator_against_measured_ones(celsius, integrator):
    discharge, charge = slow_simulated(celsius, integrator)
    soc = np.array(list(BRANCHES))
    assert 1e3 * (charge(soc) - discharge(soc)) == pytest.approx(np.array(GAPS[celsius]), abs=1e3 * WITHIN_V)
    if celsius == 25:
        both = np.column_stack([discharge(soc), charge(soc)])
        assert both == pytest.approx(np.array(list(BRANCHES.values())), abs=WITHIN_V)
    fine = np.linspace(0.02, 0.98, 2001)
    out = np.trapezoid(discharge(fine), fine)
    assert 100 * (np.trapezoid(charge(fine), fine) - out) / out == pytest.approx(LOOPS[celsius], rel=WITHIN_LOOP)
    cycle = slow_cycle(load_chemistry("lfp_26650"), celsius + 273.15, SLOW_A / CAPACITY_AH)
    for ours, closed in zip((charge, discharge), cycle.branches(fine), strict=True):
        assert ours(fine) == pytest.approx(closed, abs=1e-3)  # relaxation lags a little where the curve is steep


def after_a_discharge(celsius, integrator):
    """The cell from full, 11.05 % out at 1.147 A, 15 min of rest: times of the rest [s], voltage, the result."""
    discharge_s = 0.1105 * CAPACITY_AH / 1.147 * 3600.0
    duty = Duty((constant(discharge_s / 3600.0, 1.147), constant(0.25, 0.0)))
    result = simbank.simulate(Case(cell_bank(celsius), duty), output_step_s=1.0, integrator=integrator)
    volt = result.packs["terminal_v"]["cell"]
    return np.asarray(volt.index) - discharge_s, volt.to_numpy(), result


@pytest.mark.parametrize("celsius", [5, 15, 25, 35, 45])
def test_hysteresis_turns_round_within_11_percent(celsius, integrator):
    """Measured −1.02, −0.98, −0.95, −0.98, −0.98 half-widths from the middle, 0.15 either way: at most −0.90; nothing of it fades at rest."""
    time_s, volt, result = after_a_discharge(celsius, integrator)
    chemistry, kelvin = load_chemistry("lfp_26650"), celsius + 273.15
    state, soc = result.packs["hysteresis"]["cell"].to_numpy(), result.packs["soc"]["cell"].iloc[-1]
    assert state[-1] == pytest.approx(2.0 * np.exp(-33.0 * 0.1105) - 1.0, abs=1e-4)  # dh/dz = γ (−1 − h), from h = 1
    middle = float(chemistry.ocv(soc)) + (kelvin - 298.15) * float(chemistry.entropy(soc))
    seen = (volt[-1] - middle) / float(chemistry.half_width_at(soc, kelvin))
    assert -1.2 < seen <= -0.90
    assert np.ptp(state[time_s > 1.0]) < 1e-12


REST_S = np.array([0.0, 5.0, 30.0, 60.0, 120.0, 300.0, 600.0, 899.0])
RESTS = {
    25: [3.3163, 3.3191, 3.3261, 3.3297, 3.3330, 3.3372, 3.3397, 3.3408],
    5: [3.2880, 3.2922, 3.3018, 3.3079, 3.3140, 3.3218, 3.3279, 3.3310],
}


@pytest.mark.parametrize("celsius", RESTS)
def test_rest_after_a_discharge_against_the_measured_one(celsius, integrator):
    """How far the voltage is below that at the end of the rest, within 0.8 mV at both temperatures."""
    time_s, volt, _ = after_a_discharge(celsius, integrator)
    rest = time_s > 1e-3
    time_s, volt = (
        np.append(0.0, time_s[rest]),
        np.append(2 * volt[rest][0] - volt[rest][1], volt[rest]),
    )  # just after the current
    measured = np.array(RESTS[celsius])
    assert np.interp(REST_S, time_s, volt) - volt[-1] == pytest.approx(measured - measured[-1], abs=0.8e-3)


@pytest.mark.parametrize(
    ("celsius", "milliohm"),
    [(-25, 131.6), (-15, 62.0), (-5, 28.5), (5, 18.1), (15, 12.1), (25, 9.70), (35, 8.25), (45, 7.68)],
)
def test_resistance_over_temperature_against_the_fitted_one(celsius, milliohm, integrator):
    """Ohm's law at the first instant of a load."""
    rest, load = (
        simbank.simulate(Case(cell_bank(celsius, 0.5), Duty((constant(0.01, amperes),))), integrator=integrator)
        .packs["terminal_v"]["cell"]
        .iloc[0]
        for amperes in (0.0, 1.0)
    )
    assert 1e3 * (rest - load) == pytest.approx(milliohm, rel=1e-3)


# ---- closed forms ----

CELSIUS, DECAY, HALF = 5.0, 40.0, 0.02


def wider_in_the_cold(factor=1.4, ends=1.0):
    """A loop as wide as ``factor`` says at 5 °C, 1 at 25 °C, at 45 °C 0.8; at both ends of charge ``ends`` times that."""
    rows = [Curve([0.0, 0.5, 1.0], [q * ends, q, q * ends]) if q != 1.0 else Curve([0.0], [1.0]) for q in (factor, 1.0, 0.8)]
    return replace(affine_chemistry(half_width=HALF, decay=DECAY), width_factors=CurveFamily([5.0, 25.0, 45.0], rows))


@pytest.mark.parametrize(("celsius", "factor"), [(-20, 1.4), (5, 1.4), (15, 1.2), (25, 1.0), (35, 0.9), (60, 0.8)])
def test_round_trip_loses_the_area_of_the_loop(celsius, factor, integrator):
    """With hysteresis and no resistance, on a closed cycle: 2 q H Q (Δ − 2 h₀/γ), h₀ = tanh(γ Δ/2) where it turns.

    From dh/dz = γ (1 − h) on charge over Δ = 0.4 of capacity, a cycle that repeats itself: ∫ h dz = Δ − 2 h₀/γ.
    """
    turn, delta, capacity = np.tanh(DECAY * 0.4 / 2), 0.4, 100.0
    cell = replace(pack("P", wider_in_the_cold(), capacity, 1e-9, 0.3), hysteresis=-turn)
    bank = one_pack(cell)
    duty = Duty((constant(2.0, -20.0, volt_limit=9.0), constant(2.0, 20.0)))
    result = simbank.simulate(Case(Bank("x", bank.packs, bank.graph, celsius + 273.15), duty), integrator=integrator)
    area_wh = 2.0 * factor * HALF * capacity * (delta - 2.0 * turn / DECAY)
    loss = result.summary["losses_wh"]
    assert loss["pack_hysteresis"] == pytest.approx(area_wh, rel=1e-5)
    port = result.summary["ports"][0]
    assert port["energy_in_wh"] - port["energy_out_wh"] == pytest.approx(area_wh, rel=1e-4)
    assert result.summary["closure"]["energy_relative"] < 1e-6
    assert np.abs(result.packs["hysteresis"]["P"].iloc[-1] + turn) < 1e-5


def test_heat_of_hysteresis_is_work_less_what_is_stored_and_never_negative_in_a_loop_of_one_width():
    """Heat = −Ns H(T) h I − dE/dt with E = Ns Q H(T₀) h²/2γ, at random states; what is lost is not below zero (second law)."""
    from numba import njit

    from simbank.simulation.pack_model import cell_state, pack_heat, state_rates, stored_energy_j
    from simbank.simulation.setup import pack_arrays

    @njit
    def heat_and_rates(y, cells, pack, neighbours, out):
        pack_heat(y, cells, pack)
        state_rates(y, cells, pack, neighbours, out)

    random = np.random.default_rng(3)
    chemistry = wider_in_the_cold(1.9, ends=1.1)
    n = 40
    packs = [pack(f"P{k}", chemistry, 50.0, 1e-12, cells=16) for k in range(n)]
    cells, curves_of, curves = pack_arrays(packs, 290.0)
    work = np.empty((ar.N_WORK, n))
    y = np.concatenate([
        random.uniform(0.1, 0.9, n), random.uniform(-1, 1, n), np.zeros(2 * n), random.uniform(268, 328, n),
    ])  # fmt: skip
    cell_state(y, cells, curves_of, curves, work)
    current = random.uniform(-40, 40, n)
    work[ar.PACK_CURRENT] = current
    rates = np.empty_like(y)
    heat_and_rates(y, cells, work, np.zeros((0, 0)), rates)
    own = [(chemistry.ocv, chemistry.half_width, chemistry.entropy, chemistry.rc_factor)] * n
    step = 1e-3
    up, down = (stored_energy_j(y + s * step * rates, cells, own) for s in (1, -1))
    h, z, kelvin = y[n : 2 * n], y[:n], y[4 * n :]
    middle = 16 * chemistry.ocv(z) * current  # of the store, what is chemical
    stored = (up - down) / (2 * step) + middle
    gap = 16 * chemistry.half_width_at(z, kelvin) * h
    heat = work[ar.HYSTERESIS_HEAT] + work[ar.REVERSIBLE_HEAT]
    assert heat == pytest.approx(-gap * current - stored, abs=1e-5)
    assert work[ar.EMF] == pytest.approx(16 * chemistry.ocv(z) + gap, rel=1e-12)
    assert (work[ar.HYSTERESIS_HEAT] >= 0.0).all()


def test_factors_of_one_change_nothing(integrator):
    plain = affine_chemistry(half_width=HALF)
    level = replace(
        plain,
        width_factors=CurveFamily([0.0, 25.0, 50.0], [Curve([0.0], [1.0])] * 3),
        r_by_celsius=Curve([0.0, 25.0, 50.0], [0.0, 0.0, 0.0]),
        rc_by_celsius=Curve([0.0, 25.0, 50.0], [0.0, 0.0, 0.0]),
    )
    duty, found = Duty((constant(2, 30.0), constant(1, 0.0), constant(1, -30.0, volt_limit=9.0))), []
    for chemistry in (plain, level):
        cell = pack("P", chemistry, 100, 1e-3, 0.9, ((1e-3, 30.0), (1e-3, 300.0)))
        warm = replace(cell, heat_capacity_j_k=900.0, heat_loss_w_k=0.05)
        found.append(simbank.simulate(Case(one_pack(warm), duty), integrator=integrator).packs)
    for quantity in ("soc", "terminal_v", "temperature_c", "hysteresis"):
        assert found[0][quantity].to_numpy() == pytest.approx(found[1][quantity].to_numpy(), abs=1e-12)


def test_energy_closes_while_a_measured_cell_warms_through_its_temperatures(integrator):
    """From 8 to above 25 °C under load: half-width, resistance and relaxation all change on the way."""
    bank = cell_bank(8.0, 0.95, heat_capacity_j_k=70.0, heat_loss_w_k=0.02)
    duty = Duty((constant(0.4, 4.0), constant(0.2, 0.0), constant(0.3, -3.0, volt_limit=3.6), constant(0.3, 5.0)))
    result = simbank.simulate(Case(bank, duty), integrator=integrator)
    warmest = result.summary["packs"][0]["temperature_max_c"]
    assert warmest > 26.0
    assert result.summary["closure"]["energy_relative"] < 1e-5
    assert result.summary["closure"]["charge_relative"] < 1e-8


def test_both_integrators_agree_on_measured_cells():
    bank = cell_bank(8.0, 0.95, heat_capacity_j_k=70.0, heat_loss_w_k=0.02)
    duty = Duty((constant(0.4, 4.0), constant(0.2, 0.0), constant(0.3, -3.0, volt_limit=3.6), constant(0.3, 5.0)))
    fast, reference = (simbank.simulate(Case(bank, duty), integrator=name).packs for name in ("fast", "reference"))
    assert fast["terminal_v"].to_numpy() == pytest.approx(reference["terminal_v"].to_numpy(), abs=2e-4)
    assert fast["temperature_c"].to_numpy() == pytest.approx(reference["temperature_c"].to_numpy(), abs=1e-2)


@pytest.mark.parametrize("mode", ["current", "voltage"])
def test_jacobian_of_measured_cells_is_the_derivative(clinic, mode):
    """Central differences, between the temperatures of the tables."""
    from simbank.network import Network
    from simbank.simulation.ode import jacobian, rates
    from simbank.simulation.setup import pack_arrays

    random = np.random.default_rng(5)
    measured = load_chemistry("lfp_26650")
    packs = [replace(p, chemistry=measured, heat_capacity_j_k=6e4, heat_loss_w_k=3.0) for p in clinic.bank.packs]
    cells, curves_of, curves = pack_arrays(packs, 290.0)
    reduced = Network(clinic.bank.graph, cells[ar.R_REF]).reduce()
    nothing = (np.zeros((0, 0)), np.zeros((0, 6)), np.zeros((0, 6)))
    bank = ar.BankArrays(cells, curves_of, curves, reduced.hybrid, reduced.terminal, reduced.pack_live, *nothing)
    kind, value = {"current": (ar.MODE_CURRENT, 80.0), "voltage": (ar.MODE_VOLTAGE, 54.0)}[mode]
    ports = np.zeros((1, ar.N_PORT_COLUMNS))
    ports[0, [ar.MODE, ar.KIND, ar.COMMANDED, ar.VOLT_LIMIT, ar.LIVE]] = kind, ar.MODE_CURRENT, value, value, 1.0
    n = len(packs)
    y = np.concatenate([
        random.uniform(0.12, 0.88, n), random.uniform(-0.9, 0.9, n), random.normal(0, 0.05, 2 * n),
        273.15 + random.choice([-8.0, 9.0, 18.0, 31.0, 52.0], n),
    ])  # fmt: skip
    exact = jacobian(0.0, y, *bank, ports)
    scale = np.abs(exact).max(axis=1)
    for column in range(5 * n):
        step = np.zeros(5 * n)
        step[column] = 1e-3 if column >= 4 * n else 1e-6
        up, down = (rates(0.0, y + s * step, *bank, ports) for s in (1, -1))
        difference = (up - down) / (2 * step[column])
        assert np.all(np.abs(exact[:, column] - difference) <= 1e-4 * scale + 1e-15), column


# ---- what else takes the temperature ----


def test_what_hysteresis_can_hold_is_more_in_the_cold():
    """On a straight curve of 0.1 V: 2 q H / slope."""
    held = {c: hysteresis_bound_points(pack("P", wider_in_the_cold(), 100, 1e-3), 0.5, 0.5, c + 273.15) for c in (5, 15, 25, 45)}
    assert [held[c] for c in held] == pytest.approx([100 * 2 * q * HALF / 0.1 for q in (1.4, 1.2, 1.0, 0.8)], rel=1e-6)


SCENARIO = {
    "name": "One", "ambient": "5 degC",
    "pack_types": {"slab": {"chemistry": "lfp_26650", "capacity": "100 Ah", "cell_resistance": "0.2 milliohm"}},
    "packs": [{"name": "A", "type": "slab", "soc": 0.7}], "wiring": {"layout": "chain"},
    "ports": [{"name": "inverter", "charger": {"current_limit": "50 A", "absorb": "60 V"}}],
    "duty": {"kind": "constant", "discharge": "0.2 C", "hours": 1},
}  # fmt: skip


def test_bulk_charge_begins_again_by_the_loop_at_the_banks_temperature():
    """Where the rest voltage at 70 % after discharge decides: U − H, of sixteen cells."""
    cell, found = load_chemistry("lfp_26650"), {}
    for celsius in (5, 25):
        scenario = simbank.from_dict(SCENARIO, {"ambient": f"{celsius} degC"})
        found[celsius] = scenario.bank.port_equipment["inverter"][1].rebulk_volt
        at_rest = 16 * float(cell.ocv(0.7) - cell.half_width_at(0.7, celsius + 273.15))
        assert found[celsius] == pytest.approx(at_rest, rel=1e-9)
    assert found[25] - found[5] > 0.05


@pytest.mark.parametrize(
    ("changes", "at", "expected"),
    [
        ({"hysteresis.scale": 2.0}, "width", 2.0 * 0.0200),
        ({"hysteresis.half_width": "10 mV"}, "width", 0.0100 * 1.370),
        ({"resistance.activation_energy": "0 J/mol"}, "ohm", 1.0),
        ({}, "ohm", 18.1 / 9.7),
    ],
)
def test_changes_of_a_measured_chemistry(changes, at, expected):
    cell = simbank.derived_chemistry("lfp_26650", changes)
    found = cell.half_width_at(0.5, 278.15) if at == "width" else cell.resistance_scale(0.5, 278.15)
    assert float(found) == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize(
    ("section", "key", "value", "says"),
    [
        ("hysteresis", "celsius", [5.0, 25.0], "needs as many values as temperatures"),
        ("hysteresis", "temperature_factor", [[1.0]] * 8, "needs a number for each of soc"),
        ("resistance", "celsius", None, "needs as many values as temperatures"),
        ("resistance", "temperature_factor", [9, 8, 7, 6, 5, 4, 3, 2], "must be 1 at the reference temperature"),
        ("resistance", "temperature_factor", [9, 8, 7, 6, 0, 1, 1, 1], "above zero"),
        ("relaxation", "activation_energy", "20 kJ/mol", "cannot go with an activation_energy"),
    ],
)
def test_faults_of_tables_over_temperature(tmp_path, section, key, value, says):
    from simbank.cells.chemistry import LIBRARY
    from simbank.cells.chemistry_schema import ChemistryFile
    from simbank.filemodel import check, read_toml

    data = read_toml(LIBRARY / "lfp_26650.toml")
    data[section][key] = value
    if value is None:
        del data[section][key]
    with pytest.raises(InputError, match=says):
        check(ChemistryFile, data)


def test_an_import_keeps_how_the_base_changes_with_temperature(tmp_path):
    """Branches measured at 15 °C: the gap there is the measured one, and 5 over 15 °C is the base's."""
    from simbank.cells.cell_import import import_cell

    base = load_chemistry("lfp_26650")
    soc = np.linspace(0, 1, 21)
    file = tmp_path / "branches.csv"
    rows = [f"{100 * z:.1f},{float(base.ocv(z)) + 0.015:.5f},{float(base.ocv(z)) - 0.015:.5f}" for z in soc]
    file.write_text("SOC [%],charge_v,discharge_v\n" + "\n".join(rows) + "\n", encoding="utf-8")
    cell = import_cell([file], "mine", "lfp_26650", celsius=15.0).chemistry
    assert float(cell.half_width_at(0.5, 288.15)) == pytest.approx(0.015, abs=2e-4)
    ratio = base.half_width_at(0.5, 278.15) / base.half_width_at(0.5, 288.15)
    assert cell.half_width_at(0.5, 278.15) / cell.half_width_at(0.5, 288.15) == pytest.approx(float(ratio), rel=0.02)
    assert float(cell.resistance_scale(0.5, 278.15)) == pytest.approx(18.1 / 12.1, rel=2e-3)


def test_the_card_shows_branches_half_widths_and_loops():
    import json

    from typer.testing import CliRunner

    from simbank.cli.program import app

    told = json.loads(CliRunner().invoke(app, ["cell", "show", "lfp_26650", "--json"]).output)
    at = {record["celsius"]: record for record in told["slow_cycle"]}
    middle = {celsius: next(row for row in at[celsius]["rows"] if row["soc"] == 0.5) for celsius in at}
    assert 1e3 * middle[5.0]["half_width_v"] == pytest.approx(1.37 * 1e3 * middle[25.0]["half_width_v"], rel=1e-3)
    assert 1e3 * middle[25.0]["half_width_v"] == pytest.approx(15, abs=1.0)
    assert (middle[25.0]["discharge_v"], middle[25.0]["charge_v"]) == pytest.approx(BRANCHES[0.5], abs=WITHIN_V)
    assert {c: 100 * at[float(c)]["loop_share"] for c in LOOPS} == pytest.approx(LOOPS, rel=WITHIN_LOOP)
    text = CliRunner().invoke(app, ["cell", "show", "lfp_26650"], env={"COLUMNS": "80"}).output
    assert "half-width [mV] by temperature" in text
    assert "on discharge" in text
    assert "1.26 % at 25 °C" in " ".join(text.split())

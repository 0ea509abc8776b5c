"""A log of currents: read, fitted, written back, drifting; against banks worked out in tests/own_log.py without simbank's run."""

import json
from pathlib import Path

import numpy as np
import pytest
from own_log import EXAMPLE, OwnBank, as_read, frame, own_log
from typer.testing import CliRunner

import simbank as sb
from simbank import cli
from simbank.studies.logs.log_table import read_log
from simbank.studies.logs.unknowns import alike_branches, fit_base, unknowns_of

SCENARIOS = Path(__file__).parent.parent / "scenarios"


@pytest.fixture(scope="module")
def barn():
    return sb.load(SCENARIOS / "hill_barn.toml")


@pytest.fixture(scope="module")
def fitted(barn):
    return sb.fit_log(barn, SCENARIOS / "hill_barn_log.csv")


def small_log(barn, rows=400, **more):
    rng = np.random.default_rng(3)
    total = 40.0 * np.sin(np.arange(rows) / 20.0) + 5.0 * rng.standard_normal(rows)
    return frame(["H1", "H2", "H3", "H4"], np.outer(total, [0.3, 0.3, 0.2, 0.2]), 60.0, **more)


def test_names_units_signs_and_clock_are_understood(barn):
    table = small_log(barn)
    table = table.rename(columns={"time_s": "time", "H1_current_a": "h1 current [mA]", "H2_current_a": "H2"})
    table["h1 current [mA]"] *= 1000.0
    table["H3_current_a"] *= -1.0
    table["H4_current_a"] = np.roll(table["H4_current_a"], 3)
    table["voltage of the street"] = 230.0
    found = read_log(table, barn.bank)
    told = " ".join(found.understood)
    assert "clock of H4 is 3 min late" in told
    assert "current of H3 runs against" in told
    assert "street" in told
    ratio = found.current_a[10:-10, 3] / found.current_a[10:-10, 2]
    assert ratio == pytest.approx(1.0)
    assert found.current_a[:, 0] == pytest.approx(1.5 * found.current_a[:, 2])


def test_voltages_say_which_way_currents_count(barn):
    table = small_log(barn)
    total = table.iloc[:, 1:].sum(axis=1)
    assert np.allclose(read_log(table.assign(bank_voltage_v=52.0 - 0.01 * total), barn.bank).current_a.sum(axis=1), total)
    turned = read_log(table.assign(bank_voltage_v=52000.0 + 10.0 * total), barn.bank)
    assert np.allclose(turned.current_a.sum(axis=1), -total)
    assert turned.bank_v.mean() == pytest.approx(52.0, abs=0.5)
    assert np.allclose(read_log(table, barn.bank, "charge").current_a.sum(axis=1), -total)


def test_gaps_are_bridged_and_long_ones_are_unknown(barn):
    table = small_log(barn).drop(index=[50, 51, *range(200, 260)])
    found = read_log(table, barn.bank)
    assert found.gaps == ((200, 260),)
    assert not found.there[[50, 51, 200, 259]].any()
    assert found.there.sum() == 338
    blocks = found.in_blocks(10)
    assert blocks.gaps == ((20, 26),)
    assert not blocks.there[5]


@pytest.mark.parametrize(
    ("change", "where"),
    [
        (lambda t: t.drop(columns="H3_current_a"), "H3"),
        (lambda t: t.assign(H2_current_a=["x", *["1"] * (len(t) - 1)]), "row 2, H2_current_a"),
        (lambda t: t.assign(time_s=[0.0, 0.0, *range(1, len(t) - 1)]), "row 3, time_s"),
        (lambda t: t.drop(columns="time_s"), "time_s, time_min"),
        (lambda t: t.head(5), "5 rows"),
        (lambda t: t.assign(bank_voltage_v=3.3), "voltage"),
        (lambda t: t.assign(H1_displayed_soc=300.0), "displayed_soc"),
    ],
)
def test_what_cannot_be_used_is_one_line_with_its_place(barn, change, where):
    with pytest.raises(sb.InputError) as error:
        read_log(change(small_log(barn)), barn.bank)
    assert where in str(error.value)
    assert "\n" not in str(error.value)


def test_what_a_log_of_currents_cannot_part_is_one_unknown(barn):
    assert alike_branches(barn.bank) == [[f"link H{k}-H{k + 1} {pole}" for pole in "+-"] for k in (1, 2, 3)]
    opposite = sb.with_changes(barn, {"wiring.layout": "chain-opposite"})
    assert len(alike_branches(opposite.bank)) == 6  # the poles of a link carry different currents there
    unknowns = unknowns_of(fit_base(barn), None, 0.01, 0.1)
    joints = [unknown for unknown in unknowns if unknown.group == "joints"]
    assert len(joints) == 3
    assert all(len(unknown.parts) == 2 for unknown in joints)
    made = sb.with_changes(fit_base(barn), joints[0].changes(1.0))
    ohm = {branch.name: branch.resistance_ohm for branch in made.bank.graph.branches}
    plain = {branch.name: branch.resistance_ohm for branch in barn.bank.graph.branches}
    more = sum(ohm[name] - plain[name] for name in ("link H1-H2 +", "link H1-H2 -"))
    assert more == pytest.approx(joints[0].number(1.0) * 1e-3 - 4 * 0.06e-3)


def test_capacity_and_charge_of_the_example_are_found(fitted):
    rows = fitted.table.set_index("key")
    rated = {"H1": 280.0, "H2": 280.0, "H3": 200.0, "H4": 200.0}
    for name, true_ah, true_soc in zip(EXAMPLE.names, EXAMPLE.capacity_ah, EXAMPLE.soc, strict=True):
        left, soc = rows.loc[f"packs.{name}.capacity_left"], rows.loc[f"packs.{name}.soc"]
        assert left["known"]
        assert left["low"] <= true_ah / rated[name] <= left["high"]
        assert left["high"] - left["low"] < 0.12
        assert soc["low"] - 0.01 <= true_soc <= soc["high"] + 0.01


def test_the_joint_that_grows_is_found_on_its_day(fitted):
    assert set(fitted.drifts["since"]) == {"2026-03-05"}
    assert fitted.change.causes[0].unknown.key == "wiring.added.link H2-H3 +; wiring.added.link H2-H3 -"
    assert fitted.change.causes[0].size == pytest.approx(1.2, abs=0.4)  # as own_log.EXAMPLE has it
    signs = fitted.drifts.set_index("pack")["change_percent"]
    assert (signs[["H3", "H4"]] < 0).all()
    assert (signs.drop(["H3", "H4"]) > 0).all()


def test_the_fitted_file_is_a_bank_that_commands_take(fitted, tmp_path):
    path = tmp_path / "fitted.toml"
    path.write_text(fitted.toml(), encoding="utf-8")
    made = sb.load(path)
    rows = fitted.table.set_index("key")
    value = rows.loc["packs.H3.capacity_left", "value"]
    assert made.bank.packs[2].capacity_ah == pytest.approx(200.0 * value, rel=1e-4)
    known = {value.key: value.draw for value in sb.uncertain_values(made)}
    half = 0.5 * (rows.loc["packs.H3.capacity_left", "high"] - rows.loc["packs.H3.capacity_left", "low"])
    assert known["packs.H3.capacity_left"].high == pytest.approx(half, rel=0.06)
    assert "hill_barn_log.csv" in path.read_text(encoding="utf-8").splitlines()[0]
    done = CliRunner().invoke(cli.app, ["run", str(path), "--json"])
    assert done.exit_code == 0, done.output


def test_json_and_read(fitted, tmp_path):
    told = json.loads(json.dumps(fitted.summary))
    assert {"key", "value", "low", "high", "known"} <= set(told["estimates"][0])
    assert {"day", "pack", "share_ratio"} <= set(told["shares"][0])
    assert {"pack", "since", "change_percent", "explains"} <= set(told["drifts"][0])
    back = sb.read(fitted.write(tmp_path))
    assert back.title == fitted.title
    assert len(back.tables["log_shares"]) == 28
    assert back.table["value"].to_numpy() == pytest.approx(fitted.table["value"].to_numpy())


def drawn_bank(seed, drift=False):
    """(scenario, true bank) of three packs on a chain; capacities, resistances and joints drawn from what the file believes."""
    rng = np.random.default_rng(seed)
    left = 0.9 + 0.05 * rng.standard_normal(3)
    growth = np.clip(1.2 + 0.15 * rng.standard_normal(3), 0.8, 1.7)
    cell, wire = 0.35 * np.exp(0.2 * rng.standard_normal()), 6.5 * np.exp(0.2 * rng.standard_normal())
    joints = 8.0e-2 * np.exp(0.7 * rng.standard_normal((2, 2, 2)))
    scenario = sb.from_dict(
        {
            "name": "drawn",
            "pack_types": {"box": {"capacity": "200 Ah", "cell_resistance": {"value": "0.35 milliohm", "range": ["0.25 milliohm", "0.5 milliohm"]},
                                   "internal_wiring": {"value": "6.5 milliohm", "range": ["4.5 milliohm", "9 milliohm"]}}},
            "packs": [{"name": name, "type": "box", "soc": 0.5, "capacity_left": {"value": 0.9, "within": 0.1},
                       "resistance_growth": {"value": 1.2, "within": 0.3}} for name in "ABC"],
            "wiring": {"layout": "chain", "link": {"gauge": "1/0 AWG", "length": "40 cm",
                                                   "joint": {"value": "0.08 milliohm", "range": ["0.025 milliohm", "0.25 milliohm"]}}},
            "ports": [{"name": "inverter"}], "duty": {"kind": "constant", "discharge": "40 A", "hours": 1},
        }
    )  # fmt: skip
    copper = [
        sum(b.resistance_ohm for b in scenario.bank.graph.branches if f"{a}-{c} " in b.name) * 1e3 - 4 * 0.08
        for a, c in ("AB", "BC")
    ]
    bank = OwnBank(
        list("ABC"), list(200.0 * left), list(16 * cell * growth), [wire] * 3, [c + j.sum() for c, j in zip(copper, joints, strict=True)],
        list(np.clip(rng.uniform(0.35, 0.6) + 0.05 * rng.standard_normal(3), 0.1, 0.9)), list(rng.uniform(-1, 1, 3)),
        ((0.4 * 1.0, 30.0), (0.6, 900.0)), float(np.exp(0.2 * rng.standard_normal())), float(40.0 * np.exp(0.3 * rng.standard_normal())),
        {1: (4, 1.5)} if drift else {},
    )  # fmt: skip
    return scenario, bank, rng


def week(seed, drift=False):
    """(fitted log, true bank) of a drawn bank, means of a minute."""
    scenario, bank, rng = drawn_bank(seed, drift)
    true_a, _ = own_log(bank, sb.load_chemistry("lfp"), rng)
    return sb.fit_log(scenario, frame(bank.names, as_read(true_a, rng), 60.0)), bank


def inside(found, bank):
    """(capacities in their intervals, capacities, whether a drift was seen)."""
    rows = found.table.set_index("key")
    hits = [
        bool(rows.loc[f"packs.{name}.capacity_left", "low"] <= true / 200.0 <= rows.loc[f"packs.{name}.capacity_left", "high"])
        for name, true in zip(bank.names, bank.capacity_ah, strict=True)
    ]
    return hits, len(found.drifts) > 0


@pytest.mark.slow
def test_capacities_lie_in_their_intervals_and_steady_banks_do_not_drift():
    hits, drifting = [], []
    for seed in range(12):
        own, drifts = inside(*week(seed))
        hits += own
        drifting.append(drifts)
    assert np.mean(hits) >= 0.9
    assert sum(drifting) <= 1


@pytest.mark.slow
def test_a_joint_that_grows_on_day_four_is_found_by_day_five():
    for seed in (100, 101, 102):
        found, _ = week(seed, drift=True)
        assert set(found.drifts["since"]) <= {"day 3", "day 4", "day 5"}
        assert {"B", "A"} & set(found.drifts["pack"])
        assert "B-C" in found.drifts["explains"].iloc[0]

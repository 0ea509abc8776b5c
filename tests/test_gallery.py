"""Every shipped scenario: runs, closes, asks a question, and its answer in the header holds."""

import pytest

import simbank
from simbank.simulation.event_codes import Event

NAMES = [
    "cabin_displays", "classroom_chain", "hill_barn", "hilltop_clinic", "hilltop_clinic_days", "mill_store", "one_bad_joint", "rate_bench",
    "ridge_hut_years",
    "two_barn_strings", "two_inverters",
    "valley_workshop", "valley_workshop_mistakes", "winter_hut",
]  # fmt: skip


def run(root, name, changes=None):
    return simbank.simulate(simbank.load(root / "scenarios" / f"{name}.toml", changes), integrator="fast")


def shares(result, key="share_ratio_discharge"):
    return {p["name"]: p[key] for p in result.summary["packs"]}


def test_gallery_is_complete(root):
    assert sorted(p.stem for p in (root / "scenarios").glob("*.toml")) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_runs_and_says_what_it_is(root, name):
    head = (root / "scenarios" / f"{name}.toml").read_text(encoding="utf-8").split("\nname =")[0]
    for words in ("# Whose question:", "# Answer:", "# Try: simbank ", "invented"):
        assert words in head, words
    result = run(root, name)
    assert result.complete
    assert result.summary["closure"]["charge_relative"] < 1e-4
    assert result.summary["closure"]["energy_relative"] < 1e-4


def test_classroom(root):
    result = run(root, "classroom_chain")
    soc = result.packs["soc"]
    charged = soc.loc[3 * 3600.0]
    assert charged["P1"] - charged["P5"] > 0.10
    night = soc.loc[14.5 * 3600.0]
    assert night["P1"] - night["P5"] > 0.4 * (charged["P1"] - charged["P5"])
    assert result.packs["current_a"].loc[14.5 * 3600.0].abs().max() < 0.2


def test_clinic(root):
    table = simbank.compare(simbank.load(root / "scenarios" / "hilltop_clinic.toml"), integrator="fast").table
    assert table.loc["chain", "hardest_pack"] == "A"
    assert table.loc["chain", "share_ratio_max"] == pytest.approx(1.08, abs=0.01)
    assert abs(table.loc["busbar", "spread_max_points"] - table.loc["chain", "spread_max_points"]) < 1.0
    assert table.loc["chain-opposite", "spread_max_points"] <= table["spread_max_points"].min()


def test_clinic_days(root):
    result = run(root, "hilltop_clinic_days")
    assert result.summary["ports"][0]["unmet_wh"] == pytest.approx(0, abs=1)
    blocked = result.events[result.events["code"] == Event.CHARGE_BLOCKED]
    assert blocked["where"].iloc[0] == "D"


def test_barn(root):
    share = shares(run(root, "two_barn_strings"))
    assert all(abs(value - 1) < 0.05 for value in share.values())
    assert share["E1"] > 1 > share["W1"]


def test_two_inverters(root):
    pair = run(root, "two_inverters").summary["pairs"][0]
    assert pair["voltage_apart_max_v"] == pytest.approx(0.14, abs=0.01)
    assert abs(pair["between_cutoffs_s"]) == pytest.approx(600, rel=0.2)
    equal = run(root, "two_inverters", {"ports.far.lead.length": "1 m"}).summary["pairs"][0]
    assert equal["voltage_apart_max_v"] < 0.5 * pair["voltage_apart_max_v"]  # what is left: one has cut off, one has not


def test_one_bad_joint(root):
    first = run(root, "one_bad_joint").packs["current_a"].iloc[0]
    share = shares(run(root, "one_bad_joint"))
    assert share["P1"] == pytest.approx(1.08, abs=0.01)
    assert max(share["P2"], share["P3"], share["P4"]) < 1
    assert first["P1"] > 1.1 * first["P4"]
    sound = run(root, "one_bad_joint", {"wiring.added": {}}).packs["current_a"].iloc[0]
    assert sound["P1"] == pytest.approx(sound["P4"], rel=1e-6)
    assert sound["P2"] == pytest.approx(sound["P3"], rel=1e-6)


def test_cabin_displays(root):
    """By hand, fourteen days: 60 mA is 20.16 Ah of 100; a night of 0.8 A for eight hours, a fourth each, is 1.6 Ah a day unseen; 0.5 W
    and 2 % a month are 4.1 Ah."""
    result = run(root, "cabin_displays")
    rows = {row["name"]: row for row in result.summary["packs"]}
    assert result.summary["bank"]["spread_end_points"] < 0.5
    own_ah = 14 * 24 * (0.5 / (16 * 3.293) + 0.02 * 100 / 720)
    for name, counted_ah in (("P1", 20.16), ("P2", -20.16), ("P3", 14 * 1.6)):
        assert rows[name]["display_error_end_points"] == pytest.approx(counted_ah + own_ah, rel=0.03), name
    net_ah = rows["P4"]["display_counted_ah"]  # out; over the 100 Ah of its label, where its cells hold 95
    by_hand = (net_ah + rows["P4"]["own_draw_ah"]) / 0.95 - net_ah
    assert rows["P4"]["display_error_end_points"] == pytest.approx(by_hand, abs=1e-3)
    assert all(row["display_set_full"] == 0 for row in rows.values())
    shown = result.packs["displayed_soc"].iloc[-1]
    assert 0.4 < shown.min() < 0.5
    assert shown.max() > 0.85
    found = next(v for v in simbank.verdicts(result, most=99) if v.code == "displays-apart")
    assert found.numbers["displayed_spread_points"] > found.numbers["hysteresis_bound_points"] + 10
    duty = {"kind": "cycles", "steps": [{"charge": "0.1 C", "voltage": "57 V", "hours": 9}]}
    full = run(root, "cabin_displays", {"duty": duty, **{f"packs.P{k}.display.start": 0.2 * k for k in (1, 2, 3, 4)}})
    assert (full.packs["displayed_soc"].iloc[-1] > 0.995).all()
    assert all(row["display_set_full"] == 1 for row in full.summary["packs"])


def test_mill_store(root):
    found = simbank.diagnose(simbank.load(root / "scenarios" / "mill_store.toml"), root / "scenarios" / "mill_store_readings.csv")
    first = found.suspects[0]
    assert first.where in ("link M3-M4 -, link M3-M4 +", "link M3-M4 +, link M3-M4 -")
    assert found.measure_next[0].where.startswith("link M3-M4")
    sound = found.measure_next[0].sound
    assert sound == pytest.approx(9, abs=1)
    assert found.table["sound_a"].iloc[3:].mean() == pytest.approx(14, abs=1)


def test_rate_bench(root):
    scenario = simbank.load(root / "scenarios" / "rate_bench.toml")
    table = simbank.sweep(scenario, {"duty.c_rate": [0.1, 1.0], "wiring.layout": ["chain", "busbar"]})
    energy = table.set_index(["duty.c_rate", "wiring.layout"])["energy_out_wh"]
    assert energy[0.1, "chain"] / energy[0.1, "busbar"] > 0.99
    assert energy[1.0, "chain"] / energy[1.0, "busbar"] == pytest.approx(7 / 8, abs=0.015)
    assert table["c_rate_max"].max() == pytest.approx(1.4, abs=0.02)


def test_winter_hut(root):
    result = run(root, "winter_hut")
    first = result.packs["current_a"].iloc[0]
    assert first["warm1"] / first["cold1"] == pytest.approx(2.0, abs=0.3)
    assert shares(result, "share_ratio_charge") == pytest.approx({"warm1": 2, "warm2": 2, "cold1": 0, "cold2": 0}, abs=0.01)


def test_ridge_hut(root):
    scenario = simbank.load(root / "scenarios" / "ridge_hut_years.toml")
    found = simbank.age(scenario, 10.0)
    left = found.courses.set_index(["year", "pack"])["capacity_left"]
    assert left[4.0, "old"] < 0.85 < left[4.0, "new1"]  # before it is replaced
    table = found.table.set_index("pack")
    assert found.first.startswith("new")  # from then on the others are ahead
    assert table["capacity_left"].max() - table["capacity_left"].min() < 0.05
    assert (table["main_term"] == "storage").all()

"""What trials of the tool showed, each with the test that would have caught it.

S: wrong on the unsafe side, or silent where it hurts. M: misleading results. B: breaks where one line is due. The files in
``tests/trials`` reproduce them; every bank there is invented.
"""

import tomllib

import pytest

import simbank

# ---- protection: S1, S2, S3, S8, S11, S15 ----


# ---- shorted cells, stuck switches, overcharge: S4, S5 ----


# ---- banks that should not be: S6, S10, S12, S14 ----


# ---- sizes, chargers, inverters: S7, S9, S13 ----

IDLE = """
name = "Two packs and an inverter"
[pack_types.p]
capacity = "100 Ah"
cell_resistance = "0.7 milliohm"
[[packs]]
name = "A"
count = 2
type = "p"
soc = 0.9
[wiring]
layout = "busbar"
lead = { gauge = "2 AWG", length = "1 m" }
[[ports]]
name = "one"
inverter = { rated_power = "3 kW", idle = "40 W" }
"""


@pytest.mark.parametrize("integrator", ["reference", "fast"])
def test_s13_an_inverter_draws_its_idle_power_whatever_the_form_of_the_duty(tmp_path, integrator):
    """Idle power × time over a day of nothing asked: a row of 0 W, a rest, and real days alike."""
    (tmp_path / "row.csv").write_text("time_h,power_w\n0,0\n24,0\n")
    (tmp_path / "day.csv").write_text("time,power_w\n2025-06-21 00:00,0\n2025-06-22 00:00,0\n")
    duties = {
        "table": {"kind": "table", "file": "row.csv"},
        "rest": {"kind": "cycles", "steps": [{"rest": True, "hours": 24}]},
        "days": {"kind": "days", "days": 1, "load": {"file": "day.csv"}},
    }
    data, found = tomllib.loads(IDLE), {}
    for name, duty in duties.items():
        scenario = simbank.from_dict(data | {"duty": duty}, source=str(tmp_path / "bank.toml"))
        result = simbank.simulate(scenario, integrator=integrator)
        found[name] = result.summary["bank"]["energy_out_wh"]
        assert found[name] == pytest.approx(40.0 * 24.0, rel=1e-6)
        assert result.summary["ports"][0]["inverter_loss_wh"] == pytest.approx(40.0 * 24.0, rel=1e-6)
        assert result.packs["soc"].iloc[-1].max() < 0.9
    assert found["table"] == pytest.approx(found["days"], rel=1e-6)
    assert found["rest"] == pytest.approx(found["days"], rel=1e-6)


def test_s13_idle_beside_another_port_and_none_in_a_row_of_no_current(tmp_path):
    data = tomllib.loads(IDLE)
    data["ports"].append({"name": "two", "inverter": {"rated_power": "3 kW", "idle": "25 W"}})
    data["duty"] = {"kind": "constant", "port": "one", "discharge": "1 kW", "hours": 2}
    ports = simbank.simulate(simbank.from_dict(data)).summary["ports"]
    assert ports[1]["energy_out_wh"] == pytest.approx(50.0, rel=1e-6)
    assert ports[0]["ac_served_wh"] == pytest.approx(2000.0, rel=1e-6)
    (tmp_path / "row.csv").write_text("time_h,one_current_a,two_power_w\n0,0,0\n2,0,0\n")
    data["duty"] = {"kind": "table", "file": "row.csv"}
    ports = simbank.simulate(simbank.from_dict(data, source=str(tmp_path / "bank.toml"))).summary["ports"]
    assert [port["energy_out_wh"] for port in ports] == pytest.approx([0.0, 50.0], abs=1e-6)


# ---- results that can be trusted later: M1, M2, M4 to M10 ----


# ---- the integrators: M3, M11 to M14, B5, B10 ----


# ---- one line, never a traceback: B1 to B4, B6 to B9, B11, B12 ----

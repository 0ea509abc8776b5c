"""Random banks with BMS, devices, inverters, chargers: never a hang, a NaN or SOC outside 0..1, always a closed balance."""

import time

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import simbank


def random_scenario(seed):
    """Contents of a scenario file, drawn from ``seed``."""
    r = np.random.default_rng(seed)
    pick, uniform = r.choice, r.uniform
    n = int(r.integers(1, 7))
    types = {}
    for name in ("one", "two"):
        capacity = uniform(40, 300)
        kind = {
            "capacity": f"{capacity:.3f} Ah",
            "cell_resistance": f"{uniform(0.1, 1.5):.4f} milliohm",
            "internal_wiring": f"{uniform(0, 10):.3f} milliohm",
        }
        if r.random() < 0.5:
            kind |= {"mass": f"{uniform(20, 120):.1f} kg", "heat_loss": f"{uniform(0.2, 5):.2f} W/K"}
        if r.random() < 0.7:
            high, low = uniform(3.40, 3.65), uniform(2.6, 3.2)
            bms = {
                "over_voltage": {
                    "limit": f"{high:.3f} V",
                    "delay": f"{pick([0, 0.5, 2])} s",
                    "release": f"{high - uniform(0.01, 0.2):.3f} V",
                },
                "under_voltage": {
                    "limit": f"{low:.3f} V",
                    "delay": f"{pick([0, 0.5, 2])} s",
                    "release": f"{low + uniform(0.01, 0.2):.3f} V",
                },
            }
            if r.random() < 0.7:
                bms["discharge_current"] = {
                    "limit": f"{uniform(0.2, 1.5):.2f} C",
                    "delay": f"{pick([0.1, 5, 30])} s",
                    "hold": f"{pick([5, 60])} s",
                }
                bms["charge_current"] = {"limit": f"{uniform(0.1, 1.0):.2f} C", "delay": f"{pick([0.1, 10])} s"}
            if r.random() < 0.3:
                bms["short_circuit"] = {"limit": f"{uniform(3, 8):.1f} C", "delay": "1 ms"}
            if r.random() < 0.5:
                bms["charge_temperature"] = {"lowest": f"{uniform(-5, 15):.1f} degC", "highest": f"{uniform(25, 50):.1f} degC"}
            if r.random() < 0.3:
                bms["precharge"] = {"resistance": f"{uniform(0.2, 20):.2f} ohm", "time": f"{uniform(0.5, 10):.1f} s"}
            kind["bms"] = bms
        types[name] = kind
    packs = []
    for k in range(n):
        pack = {
            "name": f"P{k}",
            "type": str(pick(["one", "two"])),
            "soc": float(uniform(0, 1)),
            "hysteresis": float(uniform(-1, 1)),
        }
        if r.random() < 0.3:
            pack["state_of_health"] = float(uniform(0.6, 1))
        if r.random() < 0.2:
            pack |= {"cell_capacity_scatter": 0.03, "cell_below_full_scatter": 0.01, "cell_seed": int(r.integers(100))}
        if r.random() < 0.4:
            pack["device"] = device(r)
        packs.append(pack)
    conductor = {
        "gauge": str(pick(["8 AWG", "2 AWG", "2/0 AWG"])),
        "length": f"{uniform(0.1, 3):.2f} m",
        "joint": f"{uniform(0, 0.3):.3f} milliohm",
    }
    wiring = {"layout": str(pick(["chain", "chain-opposite", "chain-middle", "busbar"])), "link": conductor, "lead": conductor}
    if n >= 4 and r.random() < 0.4:
        wiring["strings"] = [
            {"name": "s1", "packs": [f"P{k}" for k in range(n // 2)], "lead": conductor, "device": device(r)},
            {"name": "s2", "packs": [f"P{k}" for k in range(n // 2, n)], "lead": conductor, "device": device(r)},
        ]
    ports = [{"name": "load", "lead": conductor}, {"name": "sun"}]
    if r.random() < 0.5:
        ports[0]["inverter"] = {
            "rated_power": "5 kW",
            "idle": "20 W",
            "cutoff": f"{uniform(44, 50):.1f} V",
            "recovery": f"{uniform(50.1, 53):.1f} V",
        }
    if r.random() < 0.5:
        charger = {"current_limit": f"{uniform(10, 200):.0f} A", "absorb": f"{uniform(54.5, 57.5):.1f} V", "tail": "0.03 C"}
        charger |= {"float": "53.6 V"} if r.random() < 0.6 else {}
        ports[1]["charger"] = charger | {"follows_bms": bool(r.random() < 0.5)}
    if r.random() < 0.3:
        ports[0]["device"] = device(r)
    steps = []
    for _ in range(int(r.integers(2, 6))):
        hours = float(uniform(0.1, 3))
        what = r.integers(0, 6)
        rate = f"{uniform(0.05, 1.2):.3f} C" if r.random() < 0.6 else f"{uniform(200, 9000):.0f} W"
        if what <= 1:
            steps.append({"port": "load", "discharge": rate, "hours": hours, "cutoff": f"{uniform(40, 50):.1f} V"})
        elif what <= 3:
            steps.append(
                {"port": "sun", "charge": rate, "hours": hours, "voltage": f"{uniform(54, 58.4):.1f} V", "tail": "0.02 C"}
            )
        elif what == 4:
            steps.append({"port": "load", "resistance": f"{uniform(0.2, 5):.2f} ohm", "hours": hours})
        else:
            steps.append({"rest": True, "hours": hours})
    data = {
        "name": f"random {seed}", "ambient": f"{uniform(-5, 40):.1f} degC", "pack_types": types, "packs": packs, "wiring": wiring,
        "ports": ports, "duty": {"kind": "cycles", "steps": steps},
    }  # fmt: skip
    if r.random() < 0.3:
        at = float(uniform(0, 1))
        data["switching"] = [
            {"what": "P0", "at": f"{at:.3f} h"},
            {"what": "P0", "at": f"{at + uniform(0.01, 1):.3f} h", "close": True},
        ]
    return data


def device(r):
    table = {"resistance": "0.2 milliohm", "rating": f"{r.uniform(10, 300):.0f} A"}
    if r.random() < 0.5:
        table |= {"instant": float(r.uniform(3, 10)), "instant_time": "20 ms"}
    if r.random() < 0.4:
        table["reset_after"] = f"{r.uniform(20, 2000):.0f} s"
    return table


def check(seed, tolerance=1e-8):
    begin = time.monotonic()
    result = simbank.simulate(simbank.from_dict(random_scenario(seed)), tolerance=tolerance, output_step_s=300.0)
    for frame in (result.packs, result.ports):
        assert np.isfinite(frame.to_numpy()).all()
    soc = result.packs["soc"].to_numpy()
    assert soc.min() >= -1e-5
    assert soc.max() <= 1 + 1e-5
    closure = result.summary["closure"]
    assert closure["energy_relative"] < 1e-5
    assert closure["charge_relative"] < 1e-4
    times = result.events["time_s"].to_numpy()
    assert np.all(np.diff(times) >= 0)
    for port in result.summary["ports"]:
        assert port["energy_out_wh"] + port["unmet_wh"] == pytest.approx(port["asked_wh"], rel=1e-6, abs=1e-6)
    assert time.monotonic() - begin < 120  # against an endless run, not a measure of speed
    return result


@given(st.integers(0, 2**31))
@settings(max_examples=30, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
def test_random_banks(seed):
    check(seed)


@pytest.mark.slow
@given(st.integers(0, 2**31))
@settings(max_examples=500, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
def test_many_random_banks(seed):
    check(seed)

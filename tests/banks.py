"""What several tests share: banks of simbank's own objects, files in words, random banks, made-up measurements."""

import re
from dataclasses import replace
from functools import partial

import numpy as np

import simbank
from simbank.bank import Bank, Branch, Conductor, Graph, Pack, Parts, join
from simbank.bank.equipment import Device
from simbank.cells import Chemistry, Curve
from simbank.cells.cell_response import relaxation
from simbank.duty import Command, Duty, Step
from simbank.studies import case

Case = partial(case.Case, "test")  # of a bank and a duty
PROGRESS_LINE = re.compile(r".*: (\d+ %, |first use: compiling .*, )?\d+ s")


def affine_chemistry(slope=0.1, at_half=3.3, half_width=0.0, decay=40.0):
    """OCV a straight line over SOC; no limits that a test would meet."""
    ocv = Curve([0, 1], [at_half - slope / 2, at_half + slope / 2], "linear")
    return Chemistry("affine", ocv, Curve([0], [half_width]), decay, (), 10.0, 0.1, 9.0, 0.2)


def table_chemistry(soc, volt, half_width=0.0, decay=40.0, interpolation="linear"):
    return Chemistry("table", Curve(soc, volt, interpolation), Curve([0], [half_width]), decay, (), 10.0, 0.1, 9.0, 0.2)


def ohms(value):
    """A conductor of fixed resistance, without joints."""
    return Conductor(fixed_resistance_ohm=value, joints=0)


def pack(name, chemistry, capacity_ah, ohm, soc=0.5, rc=((0.0, 1.0), (0.0, 1.0)), cells=1):
    """A pack whose whole ohmic resistance is ``ohm``; ``rc`` seen at the pack."""
    return Pack(
        name,
        chemistry,
        capacity_ah,
        ohm / cells,
        cells_in_series=cells,
        soc=soc,
        rc_pairs=tuple((r / cells, tau) for r, tau in rc),
    )


def wired(packs, layout="chain", link=None, lead=None, ports=("port",), bar=None):
    """Bank of ``packs`` in a layout, all ports at its take-off."""
    parts = Parts(link=link and ohms(link), lead=lead and ohms(lead), **({"bar": bar} if bar else {}))
    units = [(p.name, f"{p.name}+", f"{p.name}-") for p in packs]
    branches, take_off = join(layout, units, parts)
    graph = Graph.build(branches, {p.name: (f"{p.name}+", f"{p.name}-") for p in packs}, dict.fromkeys(ports, take_off))
    return Bank("test", tuple(packs), graph)


def constant(hours, amperes, port="port", **limits):
    """A step of constant current."""
    return Step(hours * 3600.0, {port: Command("current", amperes, **limits)} if amperes else {})


# The five-pack circuit of the reference: 16-cell packs on a one-ended chain, 7 days of 8 h discharge, 2 h rest,
# 8 h charge, 6 h rest at 40 A; no hysteresis, constant resistances, OCV straight between points.
REFERENCE_SOC = [0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.98, 1.0]
REFERENCE_OCV = [2.5, 3.02, 3.18, 3.232, 3.262, 3.283, 3.292, 3.298, 3.322, 3.332, 3.338, 3.352, 3.40, 3.55]
REFERENCE_END = [0.902217, 0.902181, 0.902107, 0.902056, 0.890257]  # scipy Radau, rtol 1e-10, steps of 20 s and 60 s agreeing


def reference_case(days=7):
    chemistry = table_chemistry(REFERENCE_SOC, REFERENCE_OCV)
    rows = zip(
        [100, 100, 105, 105, 90],
        [20e-3, 20e-3, 18e-3, 18e-3, 30e-3],
        [8e-3, 8e-3, 7e-3, 7e-3, 12e-3],
        [10e-3, 10e-3, 9e-3, 9e-3, 15e-3],
        strict=True,
    )
    packs = [
        pack(f"P{k}", chemistry, ah, r0, 0.9, ((r1, 30.0), (r2, 1200.0)), cells=16) for k, (ah, r0, r1, r2) in enumerate(rows)
    ]
    steps = (constant(8, 40.0), constant(2, 0.0), constant(8, -40.0, volt_limit=1e3), constant(6, 0.0))
    return Case(wired(packs, "chain", link=0.35e-3), Duty(steps, days))


def one_pack(only):
    """A bank of one pack with the port at its terminals."""
    return Bank("one", (only,), Graph((), {only.name: ("+", "-")}, {"port": ("+", "-")}))


TRIP = ((1.35, 2.0, 3.0, 6.0), (3000.0, 90.0, 25.0, 4.0))


def breaker(rating, **more):
    return Device("", "", rating, *TRIP, **more)


def fused(packs, device_of, port="port", link=1e-6, switching=()):
    """Packs at one place, each behind a device of its own; ``device_of`` maps a pack's name to a Device without branch."""
    branches, devices = [], []
    for p in packs:
        branches.append(Branch(f"device {p.name}", "device", f"{p.name}in", "bus+", 1e-4))
        branches.append(Branch(f"lead {p.name} -", "lead", f"{p.name}-", "bus-", link, ohms(link)))
        if p.name in device_of:
            devices.append(replace(device_of[p.name], name=f"device {p.name}", branch=f"device {p.name}"))
    graph = Graph.build(branches, {p.name: (f"{p.name}in", f"{p.name}-") for p in packs}, {port: ("bus+", "bus-")})
    return Bank("fused", tuple(packs), graph, devices=tuple(devices), switching=tuple(switching))


SMALL = """
name = "Small"
[pack_types.slab]
capacity = "280 Ah"
cell_resistance = "0.25 milliohm"
[[packs]]
name = "A"
type = "slab"
[[packs]]
name = "B"
type = "slab"
[wiring]
layout = "chain"
link = { gauge = "2 AWG", length = "30 cm" }
[[ports]]
name = "inverter"
[duty]
kind = "constant"
discharge = "0.2 C"
hours = 1
"""


TRUE = {
    "r0_ohm": 0.6e-3,
    "r1_ohm": 0.25e-3,
    "tau1_s": 20.0,
    "r2_ohm": 0.4e-3,
    "tau2_s": 600.0,
    "ocv_v": 3.30,
    "ocv_v_per_ah": 0.001,
}


def made_up(noise_v, seed):
    time = np.concatenate([np.arange(0, 120, 1.0), np.arange(120, 3000, 5.0)])
    current = np.where((time >= 30) & (time < 900), 50.0, 0.0)
    charge = np.concatenate([[0], np.cumsum(np.diff(time) * (current[1:] + current[:-1]) / 2)]) / 3600
    volt = TRUE["ocv_v"] - TRUE["ocv_v_per_ah"] * charge - TRUE["r0_ohm"] * current
    volt -= relaxation(time, TRUE["r1_ohm"] * current, TRUE["tau1_s"]) + relaxation(
        time, TRUE["r2_ohm"] * current, TRUE["tau2_s"]
    )
    return time, current, volt + noise_v * np.random.default_rng(seed).standard_normal(time.size)


def charge_and_rest(chemistry, link=0.75e-3, layout="chain"):
    """Five equal 100 Ah packs of 25 mΩ from 30 %, 100 A into the bank for 3 h, then 12 h of rest.

    Returns the SOC at the end of charge and at the end of rest [%], and the largest pack current at the end [A].
    """
    chemistry = replace(chemistry, volt_max=10.0)
    packs = [pack(f"P{k}", chemistry, 100, 25e-3, 0.3, cells=16) for k in range(5)]
    duty = Duty((constant(3, -100.0, volt_limit=99.0), constant(12, 0.0)))
    result = simbank.simulate(Case(wired(packs, layout, link=link), duty), tolerance=1e-8)
    soc = result.packs["soc"] * 100
    return soc.loc[10800].to_numpy(), soc.iloc[-1].to_numpy(), result.packs["current_a"].iloc[-1].abs().max()


def without_hysteresis(chemistry):
    return replace(chemistry, half_width=Curve([0], [0.0]))


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


def without_progress(stderr):
    """What a command said on stderr, without the lines that tell how far it is, which come when it takes longer than some seconds."""
    return "".join(line for line in stderr.splitlines(keepends=True) if not PROGRESS_LINE.fullmatch(line.strip()))

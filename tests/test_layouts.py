"""A layout is one function in one place: schema, sizes, starter, help and key reference follow from the registry."""

import json
import os
import subprocess
import sys

import tomli_w

import simbank
from simbank.bank.layouts import LAYOUTS

# A layout of its own: the chain, with both poles of the take-off at the second unit.
OWN = """
from simbank.bank.layouts import LAYOUTS, layout

@layout("chain-second", part="link", order=1 + max(kind.order for kind in LAYOUTS.values()), summary="take-off at the second pack")
def chain_second(units, parts):
    branches, _ = LAYOUTS["chain"](units, parts)
    return branches, units[1][1:]
"""
PROGRAM = """
import json, sys
import own_layout
import simbank
from typer.testing import CliRunner
from simbank.cli.program import app

def says(*words):
    done = CliRunner().invoke(app, list(words), env={"COLUMNS": "1000"})
    assert done.exit_code == 0, done.output
    return done.output

bank = simbank.load("bank.toml", {"wiring.layout": "chain-second"}).bank
found = simbank.size(simbank.load("bank.toml"), gauges=["2 AWG"], sharing_only=True, limits=simbank.Limits(spread_points=50))
json.dump({
    "schema": simbank.json_schema()["$defs"]["WiringTable"]["properties"]["layout"]["enum"],
    "strings": simbank.json_schema()["$defs"]["DistributionTable"]["properties"]["layout"]["enum"],
    "take_off": bank.graph.ports["inverter"],
    "size": list(found.table["layout"]),
    "compare": list(simbank.compare(simbank.load("bank.toml"), integrator="fast").table.index),
    "help": [says(command, "--help") for command in ("new", "size", "compare")],
    "new": says("new", "new.toml", "--layout", "chain-second", "--packs", "100,100,100"),
    "file": open("new.toml").read(),
    "reference": says("schema", "--markdown"),
}, sys.stdout)
"""


def test_a_layout_of_its_own_is_registered_in_one_place(tmp_path):
    link = {"gauge": "2 AWG", "length": "30 cm"}
    bank = {
        "name": "invented",
        "pack_types": {"slab": {"capacity": "100 Ah", "cell_resistance": "0.6 milliohm"}},
        "packs": [{"name": name, "type": "slab"} for name in "ABC"],
        "wiring": {"layout": "chain", "link": link},
        "ports": [{"name": "inverter"}],
        "duty": {"kind": "constant", "discharge": "20 A", "hours": 0.1},
    }
    (tmp_path / "bank.toml").write_text(tomli_w.dumps(bank))
    (tmp_path / "own_layout.py").write_text(OWN)
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        env=os.environ | {"PYTHONPATH": str(tmp_path)},
    )
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    shipped = list(LAYOUTS)
    assert {"chain", "chain-opposite", "chain-middle", "busbar"} <= set(shipped)
    assert "chain-second" not in shipped
    # No lead in the file: no bus bar, and no other layout that is built from leads.
    linked = [kind for kind in LAYOUTS.values() if kind.part == "link"]
    assert found["schema"] == [*shipped, "chain-second", "graph"]
    assert found["strings"] == [*shipped, "chain-second"]
    assert found["take_off"] == ["B+", "B-"]
    assert found["size"] == [*(kind.name for kind in sorted(linked, key=lambda kind: kind.order)), "chain-second"]
    assert found["compare"] == [*(kind.name for kind in linked), "chain-second"]
    for text in found["help"]:
        assert f"{','.join(shipped)}orchain-second" in "".join(text.split())  # wherever a line ends
    assert 'layout = "chain-second"' in found["file"]
    assert ", ".join([*shipped, "chain-second"]) in found["file"]
    assert "`chain-second`" in found["reference"]


def test_every_layout_says_what_it_is():
    orders = [kind.order for kind in LAYOUTS.values()]
    assert len(set(orders)) == len(orders)  # so that simplicity decides
    for name, kind in LAYOUTS.items():
        assert kind.name == name
        assert kind.part in ("link", "lead")
        assert kind.summary


def test_taps_are_where_a_bus_bar_has_them(root):
    """A place per pack on a bar with resistance, one place on a bar without; none on a chain."""
    chain = simbank.load(root / "scenarios/classroom_chain.toml")
    lead = {"gauge": "2 AWG", "length": "60 cm"}
    plain = simbank.with_changes(chain, {"wiring.layout": "busbar", "wiring.lead": lead}).bank
    names = [pack.name for pack in plain.packs]
    bars = [(p.name, p.owner, p.positive, p.negative) for p in plain.places if p.kind == "bar"]
    assert bars == [("bus bar", names[0], "bus+", "bus-")]
    bar = {"section": "20 x 5 mm", "pitch": "20 cm"}
    long = simbank.with_changes(chain, {"wiring.layout": "busbar", "wiring.lead": lead, "wiring.bar": bar}).bank
    bars = [(p.name, p.owner, p.positive, p.negative) for p in long.places if p.kind == "bar"]
    assert bars == [(f"bus bar at {name}", name, f"bus+{k}", f"bus-{k}") for k, name in enumerate(names, 1)]
    assert not [p for p in chain.bank.places if p.kind == "bar"]

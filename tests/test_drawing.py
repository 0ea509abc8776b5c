"""The drawing of a bank: every branch once, no label over another, in every layout and size."""

import re
from xml.etree import ElementTree as ET

import pytest
from browser import OVERLAPS, ask, needs_chromium

import simbank
from simbank.bank.bank import Place
from simbank.plotting.drawing import branch_id, draw_bank

SHIPPED = [
    "classroom_chain", "hilltop_clinic", "hilltop_clinic_days", "mill_store", "one_bad_joint", "rate_bench", "two_barn_strings", "two_inverters",
    "valley_workshop", "valley_workshop_mistakes", "winter_hut",
]  # fmt: skip
SVG = "{http://www.w3.org/2000/svg}"


def banks(root):
    """Shipped scenarios, every layout of one with all parts, strings on bars, 2 and 32 packs, an explicit mesh."""
    for name in SHIPPED:
        yield name, simbank.load(root / "scenarios" / f"{name}.toml").bank
    for layout in ("chain", "chain-opposite", "chain-middle", "busbar"):
        yield layout, simbank.load(root / "scenarios" / "hilltop_clinic.toml", {"wiring.layout": layout}).bank
    bar = {"wiring.layout": "busbar", "wiring.lead": {"gauge": "35 mm2", "length": "40 cm"},
           "wiring.bar": {"section": "20 x 5 mm", "pitch": "10 cm", "take_off": 0.4}}  # fmt: skip
    yield "strings on bars", simbank.load(root / "scenarios" / "two_barn_strings.toml", bar).bank
    data = simbank.load(root / "scenarios" / "valley_workshop.toml").data
    for count in (2, 12, 32):
        yield f"{count} packs", simbank.from_dict({**data, "packs": [{**data["packs"][0], "name": "P", "count": count}]}).bank
    both = {f"packs.{n}.device.pole": "both" for n in "ABCD"}
    yield "two-pole devices", simbank.load(root / "scenarios" / "valley_workshop.toml", both).bank
    conductors = [
        {"from": a, "to": b, "resistance": "0.2 milliohm"}
        for a, b in [
            ("P1+", "P2+"),
            ("P2+", "hub"),
            ("hub", "P3+"),
            ("P1+", "P3+"),
            ("P1-", "P2-"),
            ("P2-", "P3-"),
            ("P1-", "P3-"),
        ]
    ]
    mesh = {"packs": [{"name": "P", "type": "box", "count": 3}], "wiring": {"layout": "graph", "conductors": conductors},
            "ports": [{"name": "inverter", "positive": "hub", "negative": "P1-"}],
            "duty": {"kind": "constant", "discharge": "10 A", "hours": 1}}  # fmt: skip
    yield "mesh", simbank.from_dict({**data, **mesh}).bank


def test_every_branch_is_drawn_exactly_once(root):
    for name, bank in banks(root):
        tree = ET.fromstring(draw_bank(bank, currents={b.name: 10.0 for b in bank.graph.branches}))
        ids = [element.get("id") for element in tree.iter() if element.get("id")]
        assert len(ids) == len(set(ids)), name
        drawn = [i for i in ids if i.startswith("branch-")]
        assert sorted(drawn) == sorted(branch_id(b.name) for b in bank.graph.branches), name
        for branch in bank.graph.branches:
            group = next(e for e in tree.iter() if e.get("id") == branch_id(branch.name))
            assert group.find(f"{SVG}path") is not None, (name, branch.name)
            assert branch.name in group.find(f"{SVG}title").text
        assert {i for i in ids if i.startswith("pack-")} == {f"pack-{p}" for p in bank.graph.packs}
        assert sum(i.startswith("port-") for i in ids) == len(bank.graph.ports)


@needs_chromium
def test_no_label_lies_over_another(root, tmp_path):
    """Bounding boxes as the browser draws them; plain, with currents, and with fault currents at the places."""
    pages, names = [], []
    for name, bank in banks(root):
        halfway = [
            Place(f"leads of {name}, halfway", "lead", name, ends[0], ends[1]) for name, ends in bank.graph.ports.items()
        ]  # fmt: skip
        notes = {place.name: "12.3 kA" for place in (*bank.places, *halfway)}
        currents = {b.name: 123.0 for b in bank.graph.branches}
        marks = {("branch", b.name): (1, 2, 4) for b in bank.graph.branches} | {("pack", p): (3, 5, 7) for p in bank.graph.packs}
        marks |= {("place", place.name): (6, 8) for place in (*bank.places, *halfway)}
        for kind, text in (
            ("plain", draw_bank(bank, title=name)), ("currents", draw_bank(bank, currents=currents)),
            ("places", draw_bank(bank, place_notes=notes, places=[*bank.places, *halfway], legend=["kA: of what"])),
            ("marks", draw_bank(bank, marks=marks, places=[*bank.places, *halfway])),
        ):  # fmt: skip
            pages.append(f'<div class="one">{text}</div>')
            names.append(f"{name}, {kind}")
    script = OVERLAPS.replace('doc.querySelectorAll("text.label")', 'part.querySelectorAll("text.label")')
    script = f"return Array.prototype.map.call(doc.querySelectorAll('.one'), function (part) {{ {script} }});"
    found, messages = ask(tmp_path, f"<html><head></head><body>{''.join(pages)}</body></html>", script, 4000)
    assert not messages
    assert len(found) == len(names)
    bad = {name: one["overlaps"][:4] for name, one in zip(names, found, strict=True) if one["overlaps"]}
    assert not bad, bad
    assert all(one["labels"] > 2 for one in found)


def test_width_follows_current(root):
    bank = simbank.load(root / "scenarios" / "hilltop_clinic.toml").bank
    names = [b.name for b in bank.graph.branches]
    tree = ET.fromstring(draw_bank(bank, currents={name: 100.0 * (k + 1) for k, name in enumerate(names)}))
    widths = []
    for name in names:
        group = next(e for e in tree.iter() if e.get("id") == branch_id(name))
        widths.append(float(group.find(f"{SVG}path").get("stroke-width")))
    assert widths == sorted(widths)
    assert widths[-1] > 2 * widths[0]


def test_ids_of_the_two_polarities_differ():
    assert branch_id("link A-B +") != branch_id("link A-B -")
    assert branch_id("device A") != branch_id("device A -")


@pytest.mark.parametrize("name", ["valley_workshop"])
def test_fault_currents_stand_at_their_places(root, name):
    found = simbank.protect(simbank.load(root / "scenarios" / f"{name}.toml"), run=False)
    text = found.drawing()
    for place in ("bus bar at B", "port pump", "inside A"):
        assert f"{found.faults.loc[place, 'initial_a'] / 1e3:.1f} kA" in text


def test_two_figures_at_a_port_say_where_they_are(root):
    """A fault at the port and one halfway along its leads stand beside one box: each with its place in words below its figure, and
    the legend says which currents they all are. Names with a comma are not taken apart."""
    pump = {"ports.pump.name": "pump, old", "duty.steps.1.port": "pump, old"}
    found = simbank.protect(simbank.load(root / "scenarios" / "valley_workshop.toml", pump), run=False)
    texts = [(e.text, float(e.get("y"))) for e in ET.fromstring(found.drawing()).iter(f"{SVG}text")]
    for place, words in (("port pump, old", "at the port"), ("leads of pump, old, halfway", "halfway along its leads")):
        figure = f"{found.faults.loc[place, 'initial_a'] / 1e3:.1f} kA"
        assert any((figure, y - 14.0) in texts for text, y in texts if text == words), place
    assert found.faults.loc["port pump, old", "initial_a"] < 0.6 * found.faults.loc["leads of pump, old, halfway", "initial_a"]
    assert any("greatest current of a bolted fault at each place, at once" in text for text, _ in texts)


def test_lines_to_packs_and_ports_are_as_wide_as_their_current(root):
    """A port that the file gives no leads is joined by a line that is no branch: it carries what all packs give, so no line is
    wider."""
    bank = simbank.load(root / "scenarios" / "classroom_chain.toml").bank
    packs = {pack.name: 20.0 for pack in bank.packs}
    total = sum(packs.values())
    text = draw_bank(
        bank, currents={b.name: 0.8 * total for b in bank.graph.branches}, pack_currents=packs,
        port_currents=dict.fromkeys(bank.graph.ports, total),
    )  # fmt: skip
    tree = ET.fromstring(text)
    joined = [float(e.find(f"{SVG}path").get("stroke-width")) for e in tree.iter(f"{SVG}g") if e.get("class") == "joined"]
    links = [float(e.find(f"{SVG}path").get("stroke-width")) for e in tree.iter(f"{SVG}g") if "branch" in e.get("class", "")]
    stubs = [float(e.find(f"{SVG}path").get("stroke-width")) for e in tree.iter(f"{SVG}g") if e.get("class") == "pack"]
    assert len(joined) == 2 * len(bank.graph.ports)
    assert min(joined) > max(links) > 2 * max(stubs)
    assert (max(links) - 0.9) / (min(joined) - 0.9) == pytest.approx(0.8, rel=0.02)  # beyond the least width, in proportion


def test_marks_stand_where_they_belong(root):
    """Numbers of a list: of a device at its branch, of a place inside a pack at the pack, of one halfway along leads at the port."""
    bank = simbank.load(root / "scenarios" / "valley_workshop.toml").bank
    inside = next(place for place in bank.places if place.kind == "inside")
    device = bank.devices[0]
    marks = {("branch", device.branch): [1, 2, 3, 5], ("place", inside.name): [4], ("pack", inside.owner): [6]}
    tree = ET.fromstring(draw_bank(bank, marks=marks))
    found = {e.find(f"{SVG}text").text: e.find(f"{SVG}text") for e in tree.iter(f"{SVG}g") if e.get("class") == "mark"}
    assert set(found) == {"1–3 5", "4 6"}
    pack = next(e for e in tree.iter(f"{SVG}g") if e.get("id") == f"pack-{inside.owner}").find(f"{SVG}text")
    assert abs(float(found["4 6"].get("x")) - float(pack.get("x"))) < 40
    assert abs(float(found["4 6"].get("y")) - float(pack.get("y"))) < 40
    assert not [e for e in ET.fromstring(draw_bank(bank)).iter(f"{SVG}g") if e.get("class") == "mark"]


def test_a_named_drawing_says_what_each_line_is_and_which_way_its_current_flows(clinic):
    """For pages that show currents as they change: names, and ways that obey Kirchhoff's law at every node of the drawing."""
    plain, named = (ET.fromstring(draw_bank(clinic.bank, named=named)) for named in (False, True))
    assert "data-" not in ET.tostring(plain, encoding="unicode")
    graph = clinic.bank.graph
    for key, names in (("branch", [b.name for b in graph.branches]), ("pack", graph.packs), ("port", graph.ports)):
        found = {group.get(f"data-{key}") for group in named.iter(f"{SVG}g")} - {None}
        assert found == set(names)
    point = simbank.operating_point(clinic, {name: 50.0 * (k + 1) for k, name in enumerate(graph.ports)})
    amperes = {("branch", b.name): a for b, a in zip(graph.branches, point.branch_a, strict=True)}
    amperes |= {("pack", name): a for name, a in zip(graph.packs, point.pack_a, strict=True)}
    amperes |= {("port", name): a for name, a in zip(graph.ports, point.port_a, strict=True)}
    into = {}  # (x, y) of an end of a line → current that arrives there
    for group in named.iter(f"{SVG}g"):
        for line in group.iter(f"{SVG}path"):
            if line.get("class") != "wire":
                continue
            key = next(k for k in ("branch", "pack", "port") if group.get(f"data-{k}"))
            a = amperes[key, group.get(f"data-{key}")] * int(line.get("data-way"))
            numbers = [float(n) for n in re.findall(r"-?[\d.]+", line.get("d"))]
            for (x, y), sign in ((numbers[:2], -1), (numbers[-2:], 1)):
                into[x, y] = into.get((x, y), 0.0) + sign * a
    inside = {(float(group.get("data-x")), y) for group in named.iter(f"{SVG}g") if group.get("data-x") for y in (-9.0, 9.0)}
    at_ports = [point for point in into if abs(point[1]) == 17.0]
    assert len(inside) == 2 * len(graph.packs)
    assert len(at_ports) == 2 * len(graph.ports)
    for place, a in into.items():
        if place not in inside and place not in at_ports:
            assert abs(a) < 1e-6, place

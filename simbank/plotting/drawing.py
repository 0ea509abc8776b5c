"""The bank as a drawing: both polarities, packs, conductors, joints, devices, take-offs and ports, as SVG made from the graph.

Symbols follow the conventions of IEC 60617 (from memory): a battery as long and short strokes, a fuse as a box with the line
through it, a breaker as a cross on an open contact, a terminal as a small ring. Packs stand in a row; the positive side is above
them, the negative below; ports stand on the left.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from xml.etree import ElementTree as ET

import numpy as np

from simbank.bank.bank import Bank, Place
from simbank.bank.device_classes import load_class
from simbank.network import components

__all__ = ["branch_id", "draw_bank"]

INK, QUIET, PAPER, MARK = "#22252b", "#6a7079", "#ffffff", "#88193c"
LEVEL, SYMBOL, LANE, PORT_WIDTH = 62.0, 22.0, 34.0, 165.0
SIDES = (("+", -1.0), ("-", 1.0))
FONT = "font-family:Helvetica,Arial,'DejaVu Sans',sans-serif"
MOST_LABELLED = 3  # alike conductors more than this are named once below the drawing
KIND_NAMES = {"link": "links", "lead": "leads", "bar": "bar segments", "conductor": "conductors", "device": "devices"}


def branch_id(name: str) -> str:
    """The id of a branch's group in the SVG."""
    text = name.replace("+", "plus").replace("−", "minus")
    text = re.sub(r"-(?=\s|$)", "minus", text)
    return "branch-" + re.sub(r"[^0-9A-Za-z]+", "-", text).strip("-")


@dataclass
class _Node:
    """Where a node stands; ``left`` and ``right`` are the ends of one that is drawn as a bar."""

    x: float
    y: float
    left: float = field(default=0.0)
    right: float = field(default=0.0)


def draw_bank(
    bank: Bank,
    *,
    title: str = "",
    currents: Mapping[str, float] | None = None,
    pack_currents: Mapping[str, float] | None = None,
    port_currents: Mapping[str, float] | None = None,
    place_notes: Mapping[str, str] | None = None,
    places: Sequence[Place] | None = None,
    marks: Mapping[tuple[str, str], Sequence[int]] | None = None,
    legend: Sequence[str] = (),
    named: bool = False,
) -> str:
    """SVG text of a bank.

    Parameters
    ----------
    bank : Bank
        What is drawn.
    title : str
        Stands above the drawing; empty for none.
    currents : dict of str to float, optional
        Branch → current [A]: sets the width of each conductor and is written beside it.
    pack_currents, port_currents : dict of str to float, optional
        Pack or port → current [A]: sets the width of the lines that lead to them and belong to no branch.
    place_notes : dict of str to str, optional
        Name of a place → what to write there.
    places : list of Place, optional
        The places that ``place_notes`` names; ``bank.places`` by default.
    marks : dict of (str, str) to sequence of int, optional
        Numbers that stand in a frame where something is: ("branch", its name), ("pack", its name), ("port", its name) or ("place",
        its name) → numbers of a list beside the drawing.
    legend : sequence of str
        Lines below the title that say what the notes are.
    named : bool
        For pages that show currents as they change: each group carries the name of its branch, pack or port (``data-branch``,
        ``data-pack``, ``data-port``), a pack's its middle (``data-x``), and each line that a current flows in is of the class ``wire``, with
        ``data-way`` 1 where a positive current flows as the line is drawn, and -1 where it flows the other way.

    Returns
    -------
    str
        A whole SVG document; every branch of the graph is one group with the id :func:`branch_id` gives.
    """
    shown = _Shown(
        title, currents or {}, pack_currents or {}, port_currents or {}, place_notes or {},
        bank.places if places is None else places, marks or {}, legend, named,
    )  # fmt: skip
    return _Drawing(bank, shown).text()


@dataclass(frozen=True)
class _Shown:
    """What is drawn beside the bank itself: the arguments of :func:`draw_bank`."""

    title: str
    currents: Mapping[str, float]
    pack_currents: Mapping[str, float]
    port_currents: Mapping[str, float]
    notes: Mapping[str, str]
    places: Sequence[Place]
    marks: Mapping[tuple[str, str], Sequence[int]]
    legend: Sequence[str]
    named: bool

    @property
    def plain(self):
        """Whether sizes of conductors stand below the drawing and not in it, where notes or marks need the room."""
        return bool(self.notes or self.marks)


class _Drawing:
    def __init__(self, bank, shown):
        self.bank, self.graph, self.shown = bank, bank.graph, shown
        self.currents = shown.currents
        drawn = (shown.currents, shown.pack_currents, shown.port_currents)
        self.most = max((abs(a) for currents in drawn for a in currents.values()), default=0.0)
        self.column = 104.0 if len(bank.packs) <= 12 else 72.0
        self.size = 11.0 if len(bank.packs) <= 12 else 10.0
        self.items, self.drawn, self.box = [], set(), [0.0, 0.0, 0.0, 0.0]
        self.mark_at = {}  # branch → where its number stands, and how it is anchored
        self.devices = {d.branch: d for d in bank.devices}
        self.nodes = {}
        self.order = {name: k for k, name in enumerate(self.graph.packs)}  # from left to right
        self.top = {}
        self._alike = self._count_alike()
        for sign, way in SIDES:
            self._place_side(sign, way)
        for sign, way in SIDES:
            self._draw_side(sign, way)
        self._draw_packs()
        self._draw_ports()
        self._draw_rest()
        self._draw_notes()
        self._draw_marks()
        self._draw_legend()

    # ---- where things stand ----

    def _port_of(self, branch):
        return branch.owner if branch.role == "port" else None

    def _side(self, sign):
        """Branches of one polarity, ports' own apart."""
        pole = 0 if sign == "+" else 1
        seeds = {ends[pole] for ends in self.graph.packs.values()}
        seeds |= {self.graph.node(p.positive if pole == 0 else p.negative) for p in self.bank.places if p.kind == "pack"}
        branches = [b for b in self.graph.branches if not self._port_of(b)]
        index = {node: k for k, node in enumerate(self.graph.nodes)}
        ends = np.array([[index[b.from_node], index[b.to_node]] for b in branches], int).reshape(-1, 2)
        component = components(len(index), ends)
        mine = {component[index[node]] for node in seeds if node in index}
        return [b for b, (node, _) in zip(branches, ends, strict=True) if component[node] in mine]

    def _place_side(self, sign, way):
        pole = 0 if sign == "+" else 1
        terminals = {p.owner: self.graph.node((p.positive, p.negative)[pole]) for p in self.bank.places if p.kind == "pack"}
        poles = {name: ends[pole] for name, ends in self.graph.packs.items()}
        apart = any(terminals.get(name, node) != node for name, node in poles.items())
        level, x = {}, {}
        for name, node in poles.items():
            outer = terminals.get(name, node)
            if outer != node:
                level[node], x[node] = 0, self._x(name)
            # several packs may share a node where nothing lies between them
            x.setdefault(outer, self._x(name))
            level[outer] = 1 if apart else 0
        branches = self._side(sign)
        fixed = set(level)
        for _ in range(len(branches) + 2):  # leads and devices lead up, links and bars stay level
            moved = False
            for b in branches:
                a, c = b.from_node, b.to_node
                if a not in level and c in level and b.kind != "lead":
                    a, c = c, a
                if a not in level:
                    continue
                up = 0 if b.kind in ("bar", "link") else 1
                want = level[a] + up
                if c not in level or (c not in fixed and b.kind in ("lead", "device", "bar") and level[c] < want):
                    level[c] = want
                    moved = True
                if b.kind == "bar" and level[a] != level[c]:
                    level[a] = level[c] = max(level[a], level[c])
                    moved = True
            if not moved:
                break
        into = {}
        for b in sorted(branches, key=lambda b: level.get(b.from_node, 0)):
            if b.kind in ("lead", "device", "conductor") and b.to_node not in fixed:
                into.setdefault(b.to_node, []).append(b.from_node)
            if b.kind == "conductor" and b.from_node not in fixed:
                into.setdefault(b.from_node, []).append(b.to_node)
        for _ in range(4):
            for node, sources in into.items():
                known = [x[s] for s in sources if s in x]
                if known and node not in fixed:
                    x[node] = known[0] if len(known) == 1 else sum(known) / len(known)
        for b in branches:  # a take-off within a bar stands between its neighbours
            for node in (b.from_node, b.to_node):
                if node not in x:
                    near = [x[o] for other in branches for o in (other.from_node, other.to_node)
                            if node in (other.from_node, other.to_node) and o in x]  # fmt: skip
                    x[node] = sum(near) / len(near) if near else 0.0
        for node in x:
            y = way * (SYMBOL + 14.0 + LEVEL * level.get(node, 0))
            ends = [x[s] for s in into.get(node, []) if s in x]
            self.nodes[node] = _Node(x[node], y, min([x[node], *ends]), max([x[node], *ends]))
        self._spread(way, [n for n in x if n not in fixed])
        self.top[sign] = way * (SYMBOL + 14.0 + LEVEL * max(level.values(), default=0))

    def _spread(self, way, nodes):
        """Move apart free nodes of explicit graphs that would stand on one another."""
        taken = {}
        for node in nodes:
            place = self.nodes[node]
            while (round(place.x), round(place.y)) in taken:
                place.y += way * LEVEL / 2
            taken[round(place.x), round(place.y)] = node

    def _x(self, pack):
        return self.order[pack] * self.column

    # ---- drawing ----

    def _add(self, kind, parent=None, **attributes):
        element = ET.Element(kind, {key.replace("_", "-"): _plain(value) for key, value in attributes.items()})
        (self.items if parent is None else parent).append(element)
        return element

    def _reach(self, x, y):
        box = self.box
        box[0], box[1], box[2], box[3] = min(box[0], x), min(box[1], y), max(box[2], x), max(box[3], y)

    def _text(self, x, y, text, *, anchor="start", size=None, weight="normal", colour=INK, parent=None, kind="label"):
        size = size or self.size
        element = self._add(
            "text", parent, x=x, y=y, text_anchor=anchor, font_size=size, font_weight=weight, fill=colour, **{"class": kind}
        )
        element.text = text
        width = 0.62 * size * len(text)
        left = {"start": x, "middle": x - width / 2, "end": x - width}[anchor]
        self._reach(left - 4, y - size)
        self._reach(left + width + 4, y + 4)

    def _group(self, branch):
        if branch.name in self.drawn:
            raise ValueError(f"{branch.name} is drawn twice")
        self.drawn.add(branch.name)
        group = self._add("g", id=branch_id(branch.name), **{"class": f"branch {branch.kind}"})
        ET.SubElement(group, "title").text = self._told(branch)
        self._name(group, branch=branch.name)
        return group

    def _name(self, group, **names):
        if self.shown.named:
            for key, value in names.items():
                group.set(f"data-{key}", _plain(value))

    def _told(self, branch):
        parts = [branch.name]
        if label := self._spec(branch):
            parts.append(label)
        parts.append(f"{branch.resistance_ohm * 1e3:.3g} mΩ")
        if branch.name in self.currents:
            parts.append(f"{self.currents[branch.name]:.1f} A")
        return ", ".join(parts)

    def _spec(self, branch):
        if branch.kind == "device":
            device = self.devices.get(branch.name)
            return f"{device.rating_a:g} A" if device else "switch or shunt"
        part = branch.conductor
        if part is None or part.gauge is None:
            return ""
        return (
            f"{part.gauge.label}, {part.length_m * 100:g} cm" if part.length_m < 1 else f"{part.gauge.label}, {part.length_m:g} m"
        )

    def _count_alike(self):
        count = {}
        for branch in self.graph.branches:
            key = branch.kind, self._spec(branch)
            if not self._port_of(branch) and branch.kind != "device":
                count[key] = count.get(key, 0) + 1
        return count

    def _width(self, branch):
        if not self.most:
            return 3.2 if branch.kind == "bar" else 1.6
        return self._width_of(self.currents.get(branch.name, 0.0), 1.6)

    def _width_of(self, current_a, otherwise):
        """Width of a line by its current; ``otherwise`` where no currents are drawn, or this one is not known."""
        if not self.most or current_a is None:
            return otherwise
        return 0.9 + 5.0 * abs(current_a) / self.most

    def _label(self, group, branch, x, y, anchor="start", way=-1.0):
        """Size of a conductor that is not alike with many, and its current; beside an upright line, or away from the packs."""
        lines = []
        alike = self._alike.get((branch.kind, self._spec(branch)), 0)
        if self._spec(branch) and branch.kind not in ("device", "bar") and alike <= MOST_LABELLED and not self.shown.plain:
            lines += self._spec(branch).split(", ") if anchor == "start" else [self._spec(branch)]
        if branch.kind == "device" and not self.shown.plain:
            lines.append(self._spec(branch) if branch.name in self.devices else "switch")
        if branch.name in self.currents:
            lines.append(_amperes(self.currents[branch.name]))
        for k, line in enumerate(lines):
            step = (self.size + 1.5) * (k - (0 if anchor == "start" or way > 0 else len(lines) - 1))
            if anchor != "start":
                step += self.size + 4.0 if way > 0 else -6.0
            self._text(x, y + step, line, anchor=anchor, colour=QUIET if line[-1:] != "A" else INK, parent=group)

    def _path(self, group, points, width, way=1):
        """A line that a current flows in; ``way`` is 1 if it flows as drawn where it is positive, else -1."""
        text = "M" + " L".join(f"{_plain(x)} {_plain(y)}" for x, y in points)
        line = self._add("path", group, d=text, fill="none", stroke=INK, stroke_width=width, stroke_linejoin="round")
        if self.shown.named:
            line.set("class", "wire")
        self._name(line, way=way)
        for x, y in points:
            self._reach(x - 6, y - 6)
            self._reach(x + 6, y + 6)

    def _lug(self, group, x, y):
        self._add("circle", group, cx=x, cy=y, r=2.6, fill=PAPER, stroke=INK, stroke_width=1.1)

    def _device_symbol(self, group, branch, x, y, upright):
        """A fuse, a breaker, or a plain switch or shunt, on its line."""
        device = self.devices.get(branch.name)
        breaker = device is not None and device.class_name is not None and load_class(device.class_name).kind == "breaker"
        if device is None or breaker:
            self._add("rect", group, x=x - 6, y=y - 6, width=12, height=12, fill=PAPER, stroke="none")
            mark = "M-5 -5 L5 5 M-5 5 L5 -5" if breaker else "M-6 0 L6 0 M-6 -4 L-6 4 M6 -4 L6 4"
            turn = f"translate({_plain(x)} {_plain(y)})" + (" rotate(90)" if upright else "")
            self._add("path", group, d=mark, stroke=INK, stroke_width=1.6, fill="none", transform=turn)
            return
        wide, high = (9.0, 22.0) if upright else (22.0, 9.0)
        self._add(
            "rect", group, x=x - wide / 2, y=y - high / 2, width=wide, height=high, fill=PAPER, stroke=INK, stroke_width=1.4
        )
        ends = f"M{_plain(x)} {_plain(y - high / 2)} v{high}" if upright else f"M{_plain(x - wide / 2)} {_plain(y)} h{wide}"
        self._add("path", group, d=ends, stroke=INK, stroke_width=1.2)

    def _draw_side(self, sign, way):
        lane = 0
        leads = {}
        for b in self._side(sign):
            if b.kind == "lead":
                leads[b.to_node] = leads.get(b.to_node, 0) + 1
        for node, place in self.nodes.items():
            if way * place.y > 0 and leads.get(node, 0) > 1:
                self._add("path", d=f"M{_plain(place.left - 8)} {_plain(place.y)} H{_plain(place.right + 8)}", stroke=INK,
                          stroke_width=4.5, fill="none", **{"class": "bus"})  # fmt: skip
        used = set()
        for branch in self._side(sign):
            a, b = self.nodes[branch.from_node], self.nodes[branch.to_node]
            group, width = self._group(branch), self._width(branch)
            upright = abs(a.x - b.x) < 1 or (b.left - 1 <= a.x <= b.right + 1 and b.right > b.left and a.y != b.y)
            if upright and branch.from_node != branch.to_node:
                x = a.x
                while (round(x), round(a.y), round(b.y)) in used:  # two between the same nodes stand side by side
                    x += 10.0
                used.add((round(x), round(a.y), round(b.y)))
                self._path(group, [(x, a.y), (x, b.y)], width)
                middle = (a.y + b.y) / 2
                if branch.kind == "device":
                    self._device_symbol(group, branch, x, middle, True)
                else:
                    self._lugs(group, branch, (x, a.y), (x, b.y))
                self._label(group, branch, x + 9, middle - 2)
                self.mark_at[branch.name] = x + 10, middle, "start"
            elif abs(a.y - b.y) < 1 and self._free(a, b, used):
                self._path(group, [(a.x, a.y), (b.x, b.y)], width)
                if branch.kind == "device":
                    self._device_symbol(group, branch, (a.x + b.x) / 2, a.y, False)
                elif branch.kind != "bar":
                    self._lugs(group, branch, (a.x, a.y), (b.x, b.y))
                self._label(group, branch, (a.x + b.x) / 2, a.y, "middle", way)
                self.mark_at[branch.name] = (a.x + b.x) / 2, a.y + (16 * way if branch.kind == "device" else 0), "middle"
            else:
                lane += 1
                y, shift = self.top[sign] + way * (10 + 16 * lane), 5.0 * ((lane % 5) - 2)
                self._path(
                    group,
                    [(a.x, a.y), (a.x + shift, a.y), (a.x + shift, y), (b.x + shift, y), (b.x + shift, b.y), (b.x, b.y)],
                    width,
                )
                if branch.kind == "device":
                    self._device_symbol(group, branch, (a.x + b.x) / 2 + shift, y, False)
                self._label(group, branch, (a.x + b.x) / 2 + shift, y, "middle", way)
                self.mark_at[branch.name] = (a.x + b.x) / 2 + shift + (22 if branch.kind == "device" else 0), y, "middle"
        self.top[sign] += way * 16 * lane
        self._dots(sign)

    def _free(self, a, b, used):
        """Whether a level line between two nodes passes no other node and no line drawn before; marks it as drawn."""
        low, high = min(a.x, b.x), max(a.x, b.x)
        key = round(low), round(high), round(a.y), "level"
        if key in used or any(low + 1 < o.x < high - 1 and abs(o.y - a.y) < 1 for o in self.nodes.values()):
            return False
        used.add(key)
        return True

    def _lugs(self, group, branch, *ends):
        part = branch.conductor
        if part is not None and part.joints and part.joint_ohm > 0:
            for (x, y), (ox, oy) in (ends, ends[::-1]):
                away = 7.0
                length = max(abs(ox - x), abs(oy - y), 1e-9)
                self._lug(group, x + (ox - x) / length * away, y + (oy - y) / length * away)

    def _dots(self, sign):
        count = {}
        for branch in self.graph.branches:
            for node in (branch.from_node, branch.to_node):
                count[node] = count.get(node, 0) + 1
        for ends in self.graph.packs.values():
            for node in ends:
                count[node] = count.get(node, 0) + 1
        for node, place in self.nodes.items():
            if count.get(node, 0) > 2 and (place.y < 0) == (sign == "+") and place.right - place.left < 1:
                self._add("circle", cx=place.x, cy=place.y, r=3.2, fill=INK)

    def _draw_packs(self):
        for pack in self.bank.packs:
            x = self._x(pack.name)
            group = self._add("g", id="pack-" + re.sub(r"[^0-9A-Za-z]+", "-", pack.name), **{"class": "pack"})
            ET.SubElement(group, "title").text = f"{pack.name}: {pack.capacity_ah:.4g} Ah, {pack.half_charge_ohm * 1e3:.3g} mΩ"
            self._name(group, pack=pack.name, x=x)
            for pole, (_, way) in enumerate(SIDES):
                node = self.nodes[self.graph.packs[pack.name][pole]]
                width = self._width_of(self.shown.pack_currents.get(pack.name), 1.4)
                self._path(group, [(x, way * 9.0), (x, node.y), (node.x, node.y)], width, 1 if pole == 0 else -1)
            for y, half, width in ((-9, 13, 1.6), (-3, 7, 3.2), (3, 13, 1.6), (9, 7, 3.2)):
                self._add("path", group, d=f"M{_plain(x - half)} {y} h{2 * half}", stroke=INK, stroke_width=width)
            self._text(x + 17, -2, pack.name, weight="bold", size=self.size + 1, parent=group)
            self._text(x + 17, 11, f"{pack.capacity_ah:.3g} Ah", parent=group, colour=QUIET)

    def _draw_ports(self):
        """Each port on the left, with a lane of its own above for the positive and below for the negative."""
        self.port_at = {}
        for k, name in enumerate(self.graph.ports):
            x = -self.column / 2 - PORT_WIDTH * (k + 1)
            self.port_at[name] = x
            for pole, (sign, way) in enumerate(SIDES):
                self._draw_port_side(name, k, x, pole, sign, way)
            group = self._add("g", id="port-" + re.sub(r"[^0-9A-Za-z]+", "-", name), **{"class": "port"})
            self._name(group, port=name)
            half = max(34.0, 0.33 * (self.size + 1) * len(name) + 8)
            self._add("rect", group, x=x - half, y=-17, width=2 * half, height=34, rx=3, fill=PAPER, stroke=INK, stroke_width=1.4)
            self._reach(x - half - 6, 0)
            self._text(x, 4, name, anchor="middle", weight="bold", parent=group)

    def _draw_port_side(self, name, k, x, pole, sign, way):
        """Branches of one port in one polarity, in a row from its take-off."""
        end = self.graph.ports[name][pole]
        row, ways, at = [], [], end
        mine = [b for b in self.graph.branches if self._port_of(b) == name]
        while found := next((b for b in mine if at in (b.from_node, b.to_node) and b not in row), None):
            row.insert(0, found)
            ways.insert(0, 1 if found.to_node == at else -1)
            at = found.from_node if found.to_node == at else found.to_node
        start = self.nodes.get(at)
        if start is None:
            return
        self.nodes.setdefault(end, _Node(x, way * 17))
        top = self.top[sign] + way * (LANE + LANE * k)
        begin = start.left if start.right > start.left else start.x
        begin += -6.0 * k
        corner = [(start.x if start.right == start.left else begin, start.y), (begin, start.y), (begin, top)]
        goal = [(x, top), (x, way * 17)]
        if not row:
            width = self._width_of(self.shown.port_currents.get(name), 1.2)
            group = self._add("g", **{"class": "joined"})
            self._name(group, port=name)
            self._path(group, [*corner, *goal], width, 1 if pole == 0 else -1)
            return
        cuts = [begin + (x - begin) * share for share in ((0.0, 1.0) if len(row) == 1 else (0.0, 0.3, 1.0))]
        for j, branch in enumerate(row):
            group, width = self._group(branch), self._width(branch)
            points = [(cuts[j], top), (cuts[j + 1], top)]
            points = (corner if j == 0 else points[:1]) + points[1:] + (goal[1:] if j == len(row) - 1 else [])
            self._path(group, points, width, ways[j])
            middle = (cuts[j] + cuts[j + 1]) / 2
            if branch.kind == "device":
                self._device_symbol(group, branch, middle, top, False)
            else:
                self._lugs(group, branch, (cuts[j], top), (cuts[j + 1], top))
            self._label(group, branch, middle, top, "middle", way)
            self.mark_at[branch.name] = middle, top + (16 * way if branch.kind == "device" else 0), "middle"

    def _draw_rest(self):
        """Branches that hang on nothing drawn so far (explicit graphs): a plain list of short lines, so that none is missing."""
        for k, branch in enumerate(b for b in self.graph.branches if b.name not in self.drawn):
            group = self._group(branch)
            y = self.box[3] + 22 + 18 * k
            self._path(group, [(0, y), (60, y)], self._width(branch))
            self.mark_at[branch.name] = 30, y, "middle"
            self._text(68, y + 4, f"{branch.name}: {branch.from_node} to {branch.to_node}", parent=group)

    def _draw_notes(self):
        for place in self.shown.places:
            note = self.shown.notes.get(place.name)
            if not note:
                continue
            if place.kind == "lead":
                self._flash(self.port_at[place.owner] + 8, -38, note, "halfway along its leads")
                continue
            if place.kind == "port":
                self._flash(self.port_at[place.owner] - 4, 31, note, "at the port")
                continue
            node = self.nodes.get(self.graph.node(place.positive))
            below = {"inside": 4, "bar": -9, "pack": 15, "string": -9}.get(place.kind)
            if node is not None and below is not None:
                self._flash(node.x + 8, node.y + below, note)

    def _flash(self, x, y, note, where=""):
        """A fault: a small zigzag arrow, the current, and below it where that is, where the drawing does not show it."""
        self._add("path", d=f"M{_plain(x)} {_plain(y - 9)} l4 4 l-3 1 l4 4", fill="none", stroke=INK, stroke_width=1.2)
        self._text(x + 8, y, note, weight="bold", kind="label note")
        if where:
            self._text(x + 8, y + 14, where, colour=QUIET, kind="label note")

    def _draw_marks(self):
        """Numbers in frames; those of a pack stand below its name, those of a port below its box."""
        places = {place.name: place for place in self.shown.places}
        by_spot = {}
        for (kind, name), numbers in self.shown.marks.items():
            place = places.get(name) if kind == "place" else None
            if place is not None and place.kind in ("pack", "inside"):
                kind, name = "pack", place.owner
            elif place is not None and place.kind in ("port", "lead", "device", "take-off") and place.owner in self.port_at:
                kind, name = "port", place.owner
            if (spot := self._mark_spot(kind, name, place)) is not None:
                by_spot.setdefault(spot, set()).update(numbers)
        for (x, y, anchor), numbers in by_spot.items():
            self._mark(x, y, anchor, _ranges(sorted(numbers)))

    def _mark_spot(self, kind, name, place):
        """(x, y, anchor) of the mark of something; None if it is not drawn."""
        if kind == "branch":
            return self.mark_at.get(name)
        if kind == "pack" and name in self.order:
            return self._x(name) + 17, 22, "start"
        if kind == "port" and name in self.port_at:
            return self.port_at[name], 29, "middle"
        node = self.nodes.get(self.graph.node(place.positive)) if place is not None else None
        return None if node is None else (node.x + 7, node.y - 12, "start")

    def _mark(self, x, y, anchor, text):
        """A number, or several, in a frame with round ends, ``y`` its middle."""
        size, high = self.size - 2.0, 13.0
        wide = max(high, 0.6 * size * len(text) + 7.0)
        left = x if anchor == "start" else x - wide / 2
        group = self._add("g", **{"class": "mark"})
        self._add(
            "rect", group, x=left, y=y - high / 2, width=wide, height=high, rx=high / 2, fill=PAPER, stroke=MARK, stroke_width=1.3
        )
        self._text(left + wide / 2, y + 3.2, text, anchor="middle", size=size, weight="bold", colour=MARK, parent=group)
        self._reach(left - 4, y - high)
        self._reach(left + wide + 4, y + high)

    def _draw_legend(self):
        lines = []
        if self.shown.title:
            lines.append((self.shown.title, "bold"))
        lines += [(line, "normal") for line in self.shown.legend]
        for (kind, spec), count in self._alike.items():
            if spec and (count > MOST_LABELLED or self.shown.plain or kind == "bar"):
                lines.append((f"{count} {KIND_NAMES[kind]} of {spec} each", "normal"))
        if self.most:
            lines.append(("conductors are as wide as their current is large", "normal"))
        y = self.box[3] + 20
        for line, weight in lines:
            self._text(self.box[0] + 8, y, line, weight=weight, colour=INK if weight == "bold" else QUIET)
            y += 15

    def text(self):
        left, top, right, bottom = self.box
        pad = 12.0
        width, height = right - left + 2 * pad, bottom - top + 2 * pad
        root = ET.Element(
            "svg",
            {
                "xmlns": "http://www.w3.org/2000/svg",
                "viewBox": " ".join(_plain(v) for v in (left - pad, top - pad, width, height)),
                "width": _plain(width), "height": _plain(height), "role": "img", "style": FONT,
                "aria-label": self.shown.title or f"Drawing of {self.bank.name}",
            },
        )  # fmt: skip
        ET.SubElement(
            root, "desc"
        ).text = f"{len(self.bank.packs)} packs in parallel, positive side above, negative below, ports on the left"
        root.extend(self.items)
        ET.indent(root)
        return ET.tostring(root, encoding="unicode") + "\n"


def _ranges(numbers):
    """Numbers in order, three or more in a row as a range.

    >>> _ranges([1, 2, 3, 5, 7, 8])
    '1–3 5 7 8'
    """
    rows = []
    for number in numbers:
        if rows and number == rows[-1][-1] + 1:
            rows[-1].append(number)
        else:
            rows.append([number])
    return " ".join(f"{row[0]}–{row[-1]}" if len(row) > 2 else " ".join(map(str, row)) for row in rows)


def _amperes(value):
    return f"{abs(value):.3g} A" if abs(value) >= 0.05 else "0 A"


def _plain(value):
    return f"{value:.1f}".removesuffix(".0") if isinstance(value, float) else str(value)

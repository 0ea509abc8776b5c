"""Wiring layouts: functions that join a row of units (packs or strings) and say where the take-off is.

Each layout takes ``units``, a list of ``(name, positive_node, negative_node)``, and ``parts`` (what it is built from), and
returns the branches it adds and the take-off's two nodes. Because a string's take-off is again such a unit, layouts nest.

A new layout is one function here with ``@layout(...)`` above it, with an ``order`` that no other has: the file's schema,
``simbank size``, ``compare`` and ``new``, their help and the key reference read :data:`LAYOUTS`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from itertools import pairwise

from simbank.bank.conductors import Conductor
from simbank.bank.graph import Branch
from simbank.errors import InputError

__all__ = [
    "LAYOUTS", "Bar", "Layout", "Parts", "Tap", "busbar", "chain", "chain_middle", "chain_opposite", "join", "layout", "own_layouts",
]  # fmt: skip


Unit = tuple[str, str, str]  # name, positive node, negative node


@dataclass(frozen=True)
class Bar:
    """A pair of equal bus bars, one a polarity.

    Attributes
    ----------
    segment : Conductor or None
        The piece between two neighbouring taps; None for a bar without resistance.
    take_off : tuple of float
        Where the positive and the negative take-off sit, 0 at the first tap, 1 at the last.
    """

    segment: Conductor | None = None
    take_off: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class Parts:
    """What a layout is built from.

    Attributes
    ----------
    link, lead : Conductor or None
        Unit to unit, and unit to bar.
    leads : dict of str to Conductor
        Own leads by the name of their unit, instead of ``lead``.
    bar : Bar
        The pair of bus bars.
    prefix : str
        Before the names of its nodes, so that several layouts in one bank differ.
    """

    link: Conductor | None = None
    lead: Conductor | None = None
    leads: dict[str, Conductor] = field(default_factory=dict)
    bar: Bar = Bar()
    prefix: str = ""

    def lead_of(self, name: str) -> Conductor | None:
        """The lead of a unit."""
        return self.leads.get(name, self.lead)


@dataclass(frozen=True)
class Tap:
    """Two nodes of opposite polarity where a unit meets a pair of bus bars; ``at`` is the unit, None where the bar is one place."""

    at: str | None
    positive: str
    negative: str


@dataclass(frozen=True)
class Layout:
    """A wiring layout; called with units and parts it wires them.

    Attributes
    ----------
    name : str
        As ``wiring.layout`` has it.
    wire : callable
        (units, parts) → branches, (positive node, negative node) of the take-off.
    part : str
        Key of the conductor in ``wiring`` that joins its units, "link" or "lead".
    order : int
        From fewest parts to most, its own: no two layouts have the same. Of two layouts that both do, ``simbank size`` takes the
        lower.
    summary : str
        A few words on where its take-off is.
    taps : callable
        (units, parts) → list of :class:`Tap`, empty for a layout without bus bars.
    """

    name: str
    wire: Callable[[list[Unit], Parts], tuple[list[Branch], tuple[str, str]]]
    part: str
    order: int
    summary: str
    taps: Callable[[list[Unit], Parts], list[Tap]]

    def __call__(self, units: list[Unit], parts: Parts) -> tuple[list[Branch], tuple[str, str]]:
        """Branches and take-off of the units joined by it."""
        return self.wire(units, parts)


LAYOUTS: dict[str, Layout] = {}


def layout(name: str, *, part: str, order: int, summary: str, taps=lambda units, parts: []) -> Callable:
    """Decorator that registers a function as a layout; the arguments are those of :class:`Layout`.

    A layout of one's own is known from then on wherever a layout is named: ``wiring.layout``, :func:`simbank.compare`,
    :func:`simbank.size`, a sweep's grid. The processes of a sweep get the function along. What made a result holds a hash of the
    function's source, but not of other functions that it calls.

    Parameters
    ----------
    name : str
        As ``wiring.layout`` will have it.
    part : {"link", "lead"}
        Key of the conductor in ``wiring`` that joins its units.
    order : int
        One that no other layout has; the shipped ones have 1 to 4.
    summary : str
        A few words on where its take-off is.
    taps : callable, optional
        Of a layout with bus bars: where units meet them.

    Raises
    ------
    InputError
        If the name is that of a shipped layout or of an explicit graph, or another layout has the order.

    Examples
    --------
    A ring: the chain, closed by one more link of each polarity from the last pack back to the first.

    >>> import simbank as sb
    >>> @sb.layout("ring", part="link", order=9, summary="chain closed to a ring, take-off at the first")
    ... def ring(units, parts):
    ...     branches = []
    ...     for one, other in zip(units, [*units[1:], units[0]]):
    ...         for pole, sign in ((1, "+"), (2, "-")):
    ...             name = f"link {one[0]}-{other[0]} {sign}"
    ...             branches.append(sb.Branch(name, "link", one[pole], other[pole], parts.link.resistance_ohm, parts.link, pole=sign))
    ...     return branches, (units[0][1], units[0][2])
    >>> bank = sb.example("classroom_chain", {"wiring.layout": "ring"})
    >>> sb.operating_point(bank, {"charger": -100.0}).packs["current_a"].round(1).tolist()
    [-23.1, -20.0, -18.5, -18.5, -20.0]
    >>> _ = LAYOUTS.pop("ring")
    """
    if name == "graph" or (name in LAYOUTS and name not in own_layouts()):
        raise InputError("a shipped layout has this name; choose another", key="name", value=name)
    taken = next((kind.name for kind in LAYOUTS.values() if kind.order == order and kind.name != name), None)
    if taken is not None:
        raise InputError(f"layout {taken} has this order; choose another number", key="order", value=order)
    if part not in ("link", "lead"):
        raise InputError('must be "link" or "lead"', key="part", value=part)

    def register(wire):
        LAYOUTS[name] = Layout(name, wire, part, order, summary, taps)
        return wire

    return register


def own_layouts() -> dict[str, Layout]:
    """Layouts that were registered from outside this module."""
    return {name: kind for name, kind in LAYOUTS.items() if kind.wire.__module__ != __name__}


def _need(parts, what, layout):
    conductor = getattr(parts, what)
    if conductor is None:
        raise InputError(f'layout "{layout}" needs it, such as {{ gauge = "2 AWG", length = "30 cm" }}', key=f"wiring.{what}")
    return conductor


def _links(units, parts, layout):
    if len(units) < 2:
        return []
    link = _need(parts, "link", layout)
    return [
        Branch(f"link {a[0]}-{b[0]} {sign}", "link", a[pole], b[pole], link.resistance_ohm, link, pole=sign)
        for pole, sign in ((1, "+"), (2, "-"))
        for a, b in pairwise(units)
    ]


@layout("chain", part="link", order=1, summary="take-off at one end")
def chain(units: list[Unit], parts: Parts) -> tuple[list[Branch], tuple[str, str]]:
    """Daisy chain with both take-off poles at the first unit."""
    return _links(units, parts, "chain"), (units[0][1], units[0][2])


@layout("chain-opposite", part="link", order=2, summary="positive take-off at one end, negative at the other")
def chain_opposite(units: list[Unit], parts: Parts) -> tuple[list[Branch], tuple[str, str]]:
    """Daisy chain with the positive take-off at the first unit and the negative at the last (opposite corners)."""
    return _links(units, parts, "chain-opposite"), (units[0][1], units[-1][2])


@layout("chain-middle", part="link", order=3, summary="take-off in the middle, with an even count at the two middle packs")
def chain_middle(units: list[Unit], parts: Parts) -> tuple[list[Branch], tuple[str, str]]:
    """Daisy chain with the take-off in the middle; with an even count, positive and negative at the two middle units."""
    n = len(units)
    return _links(units, parts, "chain-middle"), (units[(n - 1) // 2][1], units[n // 2][2])


def _bar_nodes(units, parts, sign):
    """The node on one bar at which each unit taps it; a bar without resistance is one node."""
    if parts.bar.segment is None:
        return [f"{parts.prefix}bus{sign}"] * len(units)
    return [f"{parts.prefix}bus{sign}{k + 1}" for k in range(len(units))]


def _bar_taps(units, parts):
    """Taps of a pair of bars, one a unit; of bars without resistance a single one."""
    taps = [Tap(unit[0], *nodes) for unit, *nodes in zip(units, *(_bar_nodes(units, parts, sign) for sign in "+-"), strict=True)]
    return [Tap(None, taps[0].positive, taps[0].negative)] if parts.bar.segment is None else taps


@layout("busbar", part="lead", order=4, summary="a lead from each pack to a pair of bus bars", taps=_bar_taps)
def busbar(units: list[Unit], parts: Parts) -> tuple[list[Branch], tuple[str, str]]:
    """A lead from each pole of each unit to a tap of its own on a bar, taps in the order of the units."""
    branches = []
    ends = []
    for pole, sign, position in ((1, "+", parts.bar.take_off[0]), (2, "-", parts.bar.take_off[1])):
        taps = _bar_nodes(units, parts, sign)
        for unit, tap in zip(units, taps, strict=True):
            lead = parts.lead_of(unit[0]) or _need(parts, "lead", "busbar")
            branches.append(
                Branch(f"lead {unit[0]} {sign}", "lead", unit[pole], tap, lead.resistance_ohm, lead, unit[0], "unit", sign)
            )
        if parts.bar.segment is None or len(units) == 1:
            ends.append(taps[0])
            continue
        bar_branches, end = _bar(taps, parts, sign, position)
        branches += bar_branches
        ends.append(end)
    return branches, tuple(ends)


def _bar(taps, parts, sign, position):
    """Segments of one bar and its take-off node; a take-off between two taps splits the segment there."""
    segment = parts.bar.segment
    place = position * (len(taps) - 1)
    left = min(int(place), len(taps) - 2)
    share = place - left
    end = taps[left] if share < 1e-9 else taps[left + 1] if share > 1 - 1e-9 else f"{parts.prefix}bus{sign}out"
    out = []
    for k, (a, b) in enumerate(pairwise(taps)):
        name = f"bar {parts.prefix}{k + 1}-{k + 2} {sign}"
        if k == left and end not in taps:
            for suffix, ends, part in ((" near", (a, end), share), (" far", (end, b), 1 - share)):
                piece = replace(segment, length_m=segment.length_m * part, joint_ohm=0.0)
                if piece.fixed_resistance_ohm is not None:
                    piece = replace(piece, fixed_resistance_ohm=piece.fixed_resistance_ohm * part)
                out.append(Branch(name + suffix, "bar", *ends, piece.resistance_ohm, piece, pole=sign))
        else:
            out.append(Branch(name, "bar", a, b, segment.resistance_ohm, segment, pole=sign))
    return out, end


def join(layout: str, units: list[Unit], parts: Parts) -> tuple[list[Branch], tuple[str, str]]:
    """Branches and take-off of ``units`` joined by the named layout.

    Parameters
    ----------
    layout : str
        A name in :data:`LAYOUTS`.
    units : list of (str, str, str)
        Name, positive and negative node of each pack or string, in order.
    parts : Parts
        Conductors and bus bars that it is built from.

    Returns
    -------
    branches : list of Branch
    take_off : (str, str)
        Positive and negative node.

    Raises
    ------
    InputError
        If the layout is unknown or lacks a part it needs, or one of a program's own returns something else.
    """
    if layout not in LAYOUTS:
        raise InputError(f"unknown layout; use one of {', '.join(LAYOUTS)}", key="wiring.layout", value=layout)
    made = LAYOUTS[layout](units, parts)
    if isinstance(made, (tuple, list)) and len(made) == 2:
        branches, ends = made
        sound = isinstance(branches, (list, tuple)) and all(isinstance(branch, Branch) for branch in branches)
        if sound and isinstance(ends, (tuple, list)) and len(ends) == 2 and all(isinstance(end, str) for end in ends):
            return list(branches), (ends[0], ends[1])
    raise InputError(
        f"the function of layout {layout} must return a list of Branch and the two nodes of its take-off, (positive, negative)",
        key="wiring.layout", value=made,
    )  # fmt: skip

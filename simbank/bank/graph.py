"""The bank as a graph: nodes by name, branches with resistance, where packs and ports attach."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from simbank.bank.conductors import Conductor
from simbank.errors import InputError

__all__ = ["Branch", "Graph"]


@dataclass(frozen=True)
class Branch:
    """A passive branch between two nodes.

    Attributes
    ----------
    name : str
        Unique, readable: "link A-B +".
    kind : str
        "link", "lead", "bar", "device" or "conductor".
    from_node, to_node : str
        Current counts positive from ``from_node`` to ``to_node``.
    resistance_ohm : float
        From end to end [ohm].
    conductor : Conductor or None
        What it is made of, where known.
    owner : str or None
        The pack, string or port that it belongs to; None for what joins several.
    role : str or None
        What the owner is: "pack", "string", "port", or "unit" (a pack or string that a layout joins).
    pole : str or None
        "+" or "-", the side on which it lies; None where only the graph tells.
    """

    name: str
    kind: str
    from_node: str
    to_node: str
    resistance_ohm: float
    conductor: Conductor | None = None
    owner: str | None = None
    role: str | None = None
    pole: str | None = None


@dataclass(frozen=True)
class Graph:
    """Everything bolted together.

    Attributes
    ----------
    branches : tuple of Branch
        All with resistance above zero.
    packs : dict of str to (str, str)
        Positive and negative node of each pack, in order.
    ports : dict of str to (str, str)
        Positive and negative node of each port, in order.
    merged : dict of str to str
        Nodes that zero resistance has made one with another, and the name under which they go.
    """

    branches: tuple[Branch, ...]
    packs: dict[str, tuple[str, str]]
    ports: dict[str, tuple[str, str]]
    merged: dict[str, str] = field(default_factory=dict)

    @classmethod
    def build(cls, branches: Iterable[Branch], packs: dict[str, tuple[str, str]], ports: dict[str, tuple[str, str]]) -> Graph:
        """Graph in which nodes joined by zero resistance are one.

        Parameters
        ----------
        branches : iterable of Branch
            Of any resistance not below zero.
        packs, ports : dict of str to (str, str)
            Positive and negative node of each.

        Returns
        -------
        Graph

        Raises
        ------
        InputError
            For two branches of one name, a lead, link or device with both ends at one place, a resistance below zero, a pack or
            port short-circuited by zero resistance, a port on a node that does not exist, or a pack that no conductor joins to the
            others or to a port.
        """
        seen = set()
        for branch in branches:
            if branch.name in seen:
                raise InputError("two conductors share this name", key="wiring", value=branch.name)
            seen.add(branch.name)
            if not branch.resistance_ohm >= 0:
                raise InputError("resistance must not be below zero", key=f"wiring: {branch.name}", value=branch.resistance_ohm)
            if branch.from_node == branch.to_node and branch.kind != "conductor":
                raise InputError(
                    f"both its ends are at {branch.from_node}, a place that the wiring has already; give its pack, string or port "
                    "another name",
                    key=f"wiring: {branch.name}",
                )
        merged = _Merge()
        for branch in branches:
            if branch.resistance_ohm == 0:
                merged.join(branch.from_node, branch.to_node)
        kept = tuple(
            replace(b, from_node=merged.of(b.from_node), to_node=merged.of(b.to_node)) for b in branches if b.resistance_ohm > 0
        )
        kept = tuple(b for b in kept if b.from_node != b.to_node)
        nodes = {n for b in branches for n in (b.from_node, b.to_node)} | {n for pair in packs.values() for n in pair}
        for key, places in (("packs", packs), ("ports", ports)):
            for name, (positive, negative) in places.items():
                for node in (positive, negative):
                    if node not in nodes:
                        near = ", ".join(sorted(nodes)[:12])
                        raise InputError(f"no such place in the wiring; there is {near}", key=f"{key}.{name}", value=node)
                if merged.of(positive) == merged.of(negative):
                    raise InputError(
                        f"short-circuited: zero resistance joins its positive {positive} to its negative {negative}",
                        key=f"{key}.{name}",
                    )
        graph = cls(
            kept,
            {name: (merged.of(p), merged.of(n)) for name, (p, n) in packs.items()},
            {name: (merged.of(p), merged.of(n)) for name, (p, n) in ports.items()},
            {node: merged.of(node) for node in nodes if merged.of(node) != node},
        )
        graph._check_joined()
        return graph

    def _check_joined(self):
        """Every pack must have a way round: both its poles on conductors that reach another pack or a port."""
        poles = _Merge()
        for branch in self.branches:
            poles.join(branch.from_node, branch.to_node)
        users = {}
        for name, pair in [*self.packs.items(), *(("port " + n, p) for n, p in self.ports.items())]:
            for node in pair:
                users.setdefault(poles.of(node), set()).add(name)
        everything = _Merge()
        for branch in self.branches:
            everything.join(branch.from_node, branch.to_node)
        for positive, negative in [*self.packs.values(), *self.ports.values()]:
            everything.join(positive, negative)
        if not self.ports:
            raise InputError("a bank needs at least one port", key="ports")
        home = everything.of(next(iter(self.ports.values()))[0])
        for name, pair in self.packs.items():
            lonely = any(users[poles.of(node)] == {name} for node in pair)
            if lonely or everything.of(pair[0]) != home:
                raise InputError("isolated: no conductor joins it to the other packs or to a port", key=f"packs.{name}")
        for name, pair in self.ports.items():
            if any(users[poles.of(node)] == {"port " + name} for node in pair) or everything.of(pair[0]) != home:
                raise InputError("isolated: no conductor joins it to a pack", key=f"ports.{name}")

    def node(self, name: str) -> str:
        """The name under which a node goes."""
        return self.merged.get(name, name)

    @property
    def nodes(self) -> list[str]:
        """Names of all nodes, in the order in which they first appear."""
        order = {}
        for pair in self.packs.values():
            order.update(dict.fromkeys(pair))
        for branch in self.branches:
            order.update(dict.fromkeys((branch.from_node, branch.to_node)))
        for pair in self.ports.values():
            order.update(dict.fromkeys(pair))
        return list(order)


class _Merge:
    """Disjoint sets of node names; a set goes by the first name it was given."""

    def __init__(self):
        self._parent = {}

    def of(self, node):
        root = node
        while self._parent.get(root, root) != root:
            root = self._parent[root]
        while self._parent.get(node, node) != root:
            self._parent[node], node = root, self._parent[node]
        return root

    def join(self, a, b):
        a, b = self.of(a), self.of(b)
        if a != b:
            self._parent[b] = a

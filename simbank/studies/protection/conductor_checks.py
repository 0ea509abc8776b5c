"""Checks of conductors: what devices let pass against ampacity, what a fault heats against withstand, the drop to the ports."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import maximum_flow

from simbank.bank.ampacity import conductor_ampacity
from simbank.studies.carrying import carrying
from simbank.studies.protection.checks import CONDUCTOR, hangs_on, judge, unknown
from simbank.studies.protection.words import current_text, named

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    from simbank.bank import Bank
    from simbank.studies.protection.assumptions import Assumptions
    from simbank.studies.protection.breaking import Breaking
    from simbank.studies.protection.checks import Check
    from simbank.studies.protection.outage import Loads
    from simbank.studies.protection.withstand import Withstand

__all__ = ["carried_limits", "conductor_checks", "drop_checks", "load_checks"]

LARGE = 1_000_000  # stands for a current that nothing limits [A]


def carried_limits(bank: Bank, failed: Collection[str] = ()) -> dict[str, float]:
    """Greatest current that devices let through each branch continuously [A]: branch → limit, infinite if nothing limits it.

    For each branch, the least sum of ratings that stands between it and what can feed it (minimum cut), on either side; what
    flows through it can be no more than the smaller. Packs and ports count as able to give and to take whatever their devices
    let pass. A device on the other polarity limits the same pack, port or lead.

    Parameters
    ----------
    bank : Bank
        Its graph and its devices.
    failed : collection of str
        Devices that count as failed closed and limit nothing.

    Returns
    -------
    dict of str to float
    """
    graph = bank.graph
    devices = [device for device in bank.devices if device.name not in failed]
    rating = {}
    for device in devices:
        for branch in (device.branch, *device.in_series):
            rating[branch] = min(rating.get(branch, np.inf), device.rating_a)
    owners = {}
    for device in devices:
        owners.setdefault(device.owner, []).append(device.rating_a)
    own = {name: int(min(owners.get(name, [LARGE]))) for name in [*graph.packs, *graph.ports]}
    index = {node: k + 1 for k, node in enumerate(graph.nodes)}  # 0 is where everything that can feed comes from
    limits = {}
    for branch in graph.branches:
        edges = {}
        for other in graph.branches:
            if other.name == branch.name:
                continue
            capacity = int(min(rating.get(other.name, LARGE), LARGE))
            a, b = index[other.from_node], index[other.to_node]
            edges[a, b] = edges.get((a, b), 0) + capacity
            edges[b, a] = edges.get((b, a), 0) + capacity
        for name, ends in [*graph.packs.items(), *graph.ports.items()]:
            for node in ends:
                edges[0, index[node]] = edges.get((0, index[node]), 0) + own[name]
        size = len(index) + 1
        rows, columns = zip(*edges, strict=True)
        matrix = csr_array(
            (np.minimum(np.array(list(edges.values()), np.int64), 2**30).astype(np.int32), (rows, columns)), (size, size)
        )
        sides = [maximum_flow(matrix, 0, index[node]).flow_value for node in (branch.from_node, branch.to_node)]
        limit = min(*sides, rating.get(branch.name, np.inf))
        limits[branch.name] = float(limit) if limit < LARGE else np.inf
    return limits


def conductor_checks(bank: Bank, breaks: Breaking, withstand: Withstand) -> Iterator[Check]:
    """Ampacity and withstand of every conductor; ``withstand`` a :class:`~simbank.studies.protection.withstand.Withstand`."""
    limits = [carried_limits(bank, breaks.failed)]
    if breaks.doubtful:
        limits.append(carried_limits(bank, breaks.failed | breaks.doubtful))
    able = carried_limits(bank) if breaks.failed else limits[0]
    for branch in bank.graph.branches:
        if branch.kind == "device":
            continue
        found = [
            _ampacity_check(branch, bank.ambient_k, limit[branch.name], able[branch.name], breaks.failed) for limit in limits
        ]
        # the fewer limit, the more may pass: of all combinations that in which all fail closed is the worst
        yield hangs_on(found[0], [(c, check) for c, check in zip(breaks.open_cases[1 : len(limits)], found[1:], strict=True)])
        yield withstand.check(branch)


def _ampacity_check(branch, ambient_k, limit, able, failed):
    """``limit`` [A] with what counts as failed closed left out, ``able`` [A] as if every device opened."""
    ampacity, words = conductor_ampacity(branch.conductor, ambient_k)
    if ampacity is None:
        return unknown("rating ≤ ampacity", branch.name, words, CONDUCTOR)
    without = ""
    if limit > able:
        without = (
            f" (counted as failed closed: {named(failed)}; if that could be relied on, {able:g} A)"
            if failed and np.isfinite(able)
            else ""
        )
    if not np.isfinite(limit):
        return judge(
            "rating ≤ ampacity", branch.name, False,
            f"ampacity {ampacity:.0f} A ({words}); no device limits its current{without}", None, ampacity, "A",
        )  # fmt: skip
    return judge(
        "rating ≤ ampacity", branch.name, ampacity >= limit,
        f"devices let up to {limit:g} A pass for good{without}; ampacity {ampacity:.0f} A ({words})", limit, ampacity, "A",
    )  # fmt: skip


def load_checks(bank: Bank, assumptions: Assumptions, lasting: dict[str, float]) -> Iterator[Check]:
    """The load of every conductor against its ampacity; ``lasting`` is the load of each branch that lasts [A]."""
    for branch in bank.graph.branches:
        if branch.kind == "device":
            continue
        ampacity, words = conductor_ampacity(branch.conductor, bank.ambient_k)
        row = carrying(branch, lasting[branch.name], np.inf, bank.ambient_k, assumptions.margin)
        numbers = {"load_a": row.current_a, "margin": row.margin}
        asked = row.margin * row.current_a
        load = f"the load that lasts is {row.current_a:.1f} A, × {row.margin:g} = {asked:.1f} A"
        if ampacity is None:
            yield unknown("ampacity ≥ load", branch.name, f"{load}; {words}", CONDUCTOR, **numbers)
            continue
        yield judge(
            "ampacity ≥ load", branch.name, bool(row.carries), f"ampacity {ampacity:.0f} A ({words}); {load}", asked, ampacity, "A",
            **numbers,
        )  # fmt: skip


def drop_checks(loads: Loads, assumptions: Assumptions) -> Iterator[Check]:
    """Drop from the best pack's poles to every port, as a share of the port's voltage: at full load, or at the port's own if that is more."""
    full = {load: loads.operating_point(load) for load in loads.loads}
    own = {key: loads.operating_point_of(asked) for key, asked in loads.own.items()}
    for load in ("discharge", "charge"):
        for a, name in enumerate(loads.bank.graph.ports):
            points = [
                still for still in (full.get(load), own.get((load, name))) if still is not None and abs(still.port_a[a]) >= 1e-9
            ]
            if not points:
                continue
            drop, port_v, current = max(
                ((float(max(abs(p.terminal_v - p.port_v[a]))), float(p.port_v[a]), float(abs(p.port_a[a]))) for p in points),
                key=lambda row: row[0] / row[1],
            )
            share = drop / port_v
            yield judge(
                "voltage drop", f"port {name}, {load}", share <= assumptions.drop_share,
                f"{drop:.2f} V between packs' poles and port at {current_text(current)}, {share * 100:.1f} % "
                f"(limit {assumptions.drop_share * 100:g} %)",
                share * 100, assumptions.drop_share * 100, "%", part=name, drop_v=drop, current_a=current,
            )  # fmt: skip

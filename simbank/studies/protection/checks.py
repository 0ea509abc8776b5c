"""Rules for devices and conductors: each pass, fail or not checkable, with the numbers and the rule's source."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import maximum_flow

from simbank.bank.device_classes import load_class

__all__ = [
    "FAIL",
    "FAILED_CLOSED",
    "NOTE",
    "NOT_CHECKABLE",
    "NOT_KNOWN",
    "OPENS",
    "PASS",
    "RULES",
    "Check",
    "breaking",
    "carried_limits",
    "hangs_on",
]

PASS, FAIL, NOT_CHECKABLE, NOTE = "pass", "fail", "not checkable", "note"
OPENS, FAILED_CLOSED, NOT_KNOWN = "opens", "failed closed", "not known"  # what a device does that is asked to break a fault

# Each rule: its title and where it is from.
RULES = {
    "device present": ("every parallel pack, every string and every port has a device that opens", "common practice, no source"),
    "interrupting rating": ("interrupting rating ≥ prospective current", "NFPA 70 110.9, IEC 60364-4-43 434.5.1; from memory"),
    "voltage rating": ("DC voltage rating ≥ highest voltage of the bank", "NFPA 70 240.60, IEC 60947-1; from memory"),
    "rating ≤ ampacity": (
        "current that devices let pass for good ≤ ampacity",
        "NFPA 70 240.4, IEC 60364-4-43 433.1; from memory",
    ),
    "rating ≥ load": (
        "rating ≥ margin × load that lasts",
        "NFPA 70 215.3 (125 % of a continuous load), UL 489; secondary source",
    ),
    "withstand": ("∫ i² dt until cleared ≤ k² S²", "IEC 60364-4-43 434.5.2, IEC 60949; secondary source"),
    "clears in time": ("least fault current clears within the wanted time", "IEC 60364-4-41 411.3.2 (5 s); from memory"),
    "voltage drop": ("drop from pack to port at full load ≤ limit", "common practice, no source (3 %)"),
    "outage": ("with one pack or string out at full load nothing else opens", "common practice, no source"),
    "shorted cell": ("neighbours' feed into a shorted pack meets a device", "common practice, no source"),
    "trip curve": ("the curve that is given reaches the greatest current through the device", "common practice, no source"),
    "both polarities": ("both polarities protected alike", "common practice, no source"),
}


@dataclass(frozen=True)
class Check:
    """One rule at one place.

    ``value`` is what was found and ``limit`` what it is held against, in ``unit``; ``text`` says it in words, and for a rule that
    is not checkable, what to measure or look up.
    """

    rule: str
    where: str
    status: str
    text: str
    value: float | None = None
    limit: float | None = None
    unit: str = ""

    @property
    def source(self):
        return RULES[self.rule][1]


def judge(rule, where, good, text, value=None, limit=None, unit=""):
    return Check(rule, where, PASS if good else FAIL, text, value, limit, unit)


def unknown(rule, where, text):
    return Check(rule, where, NOT_CHECKABLE, text)


def hangs_on(first, others):
    """A check as the data says it, held against the same check in other cases that the data leaves open.

    What fails fails. What passes in ``first`` but not in one of ``others``, pairs of (words for the case, check), hangs on what is
    not known: it is not checkable, and says what it would be in each case.
    """
    for words, other in others:
        if first.status == PASS and other.status != PASS:
            text = f"{first.text}. But {words}: {other.text}"
            return replace(first, status=NOT_CHECKABLE, text=text)
    return first


def breaking(device, greatest_a, volt):
    """What a device does that is asked to break the greatest current through it [A] at the bank's highest voltage [V].

    ``OPENS`` if its interrupting rating and its DC voltage rating both do, ``FAILED_CLOSED`` if one does not, ``NOT_KNOWN`` if one
    is not given. A device that tries to break more than it can may weld, burn on as an arc or burst: that it opens cannot be
    relied on, so it counts as failed closed wherever its opening would help.
    """
    given = ((device.interrupting_a, greatest_a), (device.voltage_v, volt))
    if any(rating is not None and rating < asked for rating, asked in given):
        return FAILED_CLOSED
    return NOT_KNOWN if any(rating is None for rating, _ in given) else OPENS


AS_FAILED = "; it may weld, arc on or burst, so it counts as failed closed in all that follows"
LARGE = 1_000_000  # stands for a current that nothing limits [A]


def carried_limits(bank, failed=()):
    """Greatest current that devices let through each branch for good [A]: branch → limit, infinite if nothing limits it.

    For each branch, the least sum of ratings that stands between it and what can feed it (minimum cut), on either side; what
    flows through it can be no more than the smaller. Packs and ports count as able to give and to take whatever their devices
    let pass. A device on the other polarity limits the same pack, port or lead. ``failed`` names devices that count as failed
    closed and limit nothing.
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


def device_data(bank, device, greatest_a, place, volt):
    """Interrupting and voltage rating of one device."""
    typical = load_class(device.class_name) if device.class_name else None
    usual = f" (usual for a {typical.title}: {typical.typical_interrupting_dc})" if typical else ""
    if device.interrupting_a is None:
        yield unknown(
            "interrupting rating", device.name,
            f"{greatest_a / 1e3:.1f} kA can flow through it (fault at {place}); its DC interrupting rating is not given: "
            f"read it from its sheet{usual}. Until then nothing passes that hangs on its opening",
        )  # fmt: skip
    else:
        good = device.interrupting_a >= greatest_a
        yield judge(
            "interrupting rating", device.name, good,
            f"breaks {device.interrupting_a / 1e3:g} kA; {greatest_a / 1e3:.2f} kA can flow through it (fault at {place})"
            + ("" if good else AS_FAILED),
            greatest_a, device.interrupting_a, "A",
        )  # fmt: skip
    usual = f" (usual: {typical.typical_voltage_dc})" if typical else ""
    if device.voltage_v is None:
        yield unknown(
            "voltage rating", device.name,
            f"the bank reaches {volt:.1f} V; its DC voltage rating is not given: read it from its sheet, an AC rating does not "
            f"count{usual}. Until then nothing passes that hangs on its opening",
        )  # fmt: skip
    else:
        good = device.voltage_v >= volt
        yield judge(
            "voltage rating", device.name, good,
            f"rated {device.voltage_v:g} V DC; the bank reaches {volt:.1f} V" + ("" if good else AS_FAILED),
            volt, device.voltage_v, "V",
        )  # fmt: skip


def devices_present(bank, state):
    """A device that opens on every parallel pack, every string and every port.

    ``state`` gives what :func:`breaking` says of each device by name.
    """
    strings = {place.owner for place in bank.places if place.kind == "string"}
    wanted = [
        *((pack.name, pack.name, "of its own: its neighbours feed a fault in it, and nothing but its BMS, which can stick, stands between")
          for pack in bank.packs if len(bank.packs) > 1),
        *((f"string {name}", name, "of its own: the other strings feed a fault in it") for name in sorted(strings)),
        *((f"port {name}", name, "at its take-off: a fault in its leads has all the bank behind it") for name in bank.graph.ports),
    ]  # fmt: skip
    for where, owner, why in wanted:
        own = [d.name for d in bank.devices if d.owner == owner]
        found, names = {state[name] for name in own}, " and ".join(own)
        if not found:
            yield judge("device present", where, False, f"no fuse or breaker {why}")
        elif OPENS in found:
            yield judge("device present", where, True, "has its own")
        elif NOT_KNOWN in found:
            yield unknown("device present", where, f"has {names}, whose DC ratings are not given: whether it opens is not known")
        else:
            yield judge("device present", where, False, f"has {names}, but that counts as failed closed (see its ratings)")


def polarities(bank):
    """Notes on what stands in one polarity only."""
    poles = {}
    for device in bank.devices:
        poles.setdefault(device.owner, set()).add(device.pole)
    one = {pole: [owner for owner, found in poles.items() if found == {pole}] for pole in ("positive", "negative")}
    if one["positive"] and one["negative"]:
        text = f"in the positive only: {', '.join(one['positive'])}; in the negative only: {', '.join(one['negative'])}"
        yield Check("both polarities", "bank", NOTE, f"unequal: {text}. A fault to a frame or to earth can pass either by.")
    elif one["positive"] or one["negative"]:
        pole = "positive" if one["positive"] else "negative"
        other = "negative" if pole == "positive" else "positive"
        yield Check(
            "both polarities", "bank", NOTE,
            f"devices stand in the {pole} only ({', '.join(one[pole])}); a second fault to a frame or to earth on the {other} "
            "side by-passes them: whether that matters depends on the earthing, which is not checked",
        )  # fmt: skip

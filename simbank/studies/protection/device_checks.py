"""Checks of fuses and breakers: present, able to break what may flow, carrying the load, known by their curve."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simbank.bank.device_classes import load_class
from simbank.studies.protection.breaking import NOT_KNOWN, OPENS
from simbank.studies.protection.checks import CURVE, NOTE, RATINGS, Check, judge, unknown

if TYPE_CHECKING:
    from collections.abc import Iterator

    from simbank.bank import Bank
    from simbank.bank.equipment import Device
    from simbank.studies.protection.assumptions import Assumptions
    from simbank.studies.protection.breaking import Breaking

__all__ = ["device_checks", "device_data", "devices_present", "polarities"]

AS_FAILED = "; it may weld, arc on or burst, so it counts as failed closed in all that follows"


def device_checks(bank: Bank, breaks: Breaking, assumptions: Assumptions, lasting: dict[str, float]) -> Iterator[Check]:
    """Ratings, load and curve of every device; ``lasting`` is the load of each branch that lasts [A]."""
    for device in bank.devices:
        greatest_a, place = breaks.worst[device.name]
        yield from device_data(device, greatest_a, place, breaks.volt)
        load = lasting[device.branch]
        yield judge(
            "rating ≥ load", device.name, device.rating_a >= assumptions.margin * load,
            f"rated {device.rating_a:g} A; the load that lasts is {load:.1f} A, × {assumptions.margin:g} = {assumptions.margin * load:.1f} A",
            assumptions.margin * load, device.rating_a, "A", load_a=float(load), margin=assumptions.margin,
        )  # fmt: skip
        if device.band is None:
            yield unknown(
                "clears in time", device.name,
                "when it opens is not known: give its class, or its curve as trip (a generic curve was used for order and times)", CURVE,
            )  # fmt: skip
        elif device.name in breaks.beyond:
            end = device.stated_to * device.rating_a
            yield Check(
                "trip curve", device.name, NOTE,
                f"the curve given ends at {end:g} A ({device.stated_to:g} times its rating), and {greatest_a / 1e3:.2f} kA can flow "
                "through it; beyond its end constant I²t is assumed, and nothing passes that hangs on it: give points of its curve "
                f"up to {greatest_a / device.rating_a:.0f} times its rating",
                greatest_a, end, "A",
            )  # fmt: skip


def device_data(device: Device, greatest_a: float, place: str, volt: float) -> Iterator[Check]:
    """Interrupting and voltage rating of one device."""
    typical = load_class(device.class_name) if device.class_name else None
    usual = f" (usual for a {typical.title}: {typical.typical_interrupting_dc})" if typical else ""
    if device.interrupting_a is None:
        yield unknown(
            "interrupting rating", device.name,
            f"{greatest_a / 1e3:.1f} kA can flow through it (fault at {place}); its DC interrupting rating is not given: "
            f"read it from its sheet{usual}. Until then nothing passes that hangs on its opening", RATINGS,
            current_a=float(greatest_a), place=place,
        )  # fmt: skip
    else:
        good = device.interrupting_a >= greatest_a
        yield judge(
            "interrupting rating", device.name, good,
            f"breaks {device.interrupting_a / 1e3:g} kA; {greatest_a / 1e3:.2f} kA can flow through it (fault at {place})"
            + ("" if good else AS_FAILED),
            greatest_a, device.interrupting_a, "A", place=place,
        )  # fmt: skip
    usual = f" (usual: {typical.typical_voltage_dc})" if typical else ""
    if device.voltage_v is None:
        yield unknown(
            "voltage rating", device.name,
            f"the bank reaches {volt:.1f} V; its DC voltage rating is not given: read it from its sheet, an AC rating does not "
            f"count{usual}. Until then nothing passes that hangs on its opening", RATINGS, voltage_v=float(volt),
        )  # fmt: skip
    else:
        good = device.voltage_v >= volt
        yield judge(
            "voltage rating", device.name, good,
            f"rated {device.voltage_v:g} V DC; the bank reaches {volt:.1f} V" + ("" if good else AS_FAILED),
            volt, device.voltage_v, "V",
        )  # fmt: skip


def devices_present(bank: Bank, state: dict[str, str]) -> Iterator[Check]:
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
            yield judge("device present", where, False, f"no fuse or breaker {why}", part=owner)
        elif OPENS in found:
            yield judge("device present", where, True, "has its own", part=owner, devices=names)
        elif NOT_KNOWN in found:
            yield unknown(
                "device present",
                where,
                f"has {names}, whose DC ratings are not given: whether it opens is not known",
                RATINGS,
                part=owner,
                devices=names,
            )
        else:
            yield judge(
                "device present",
                where,
                False,
                f"has {names}, but that counts as failed closed (see its ratings)",
                part=owner,
                devices=names,
            )


def polarities(bank: Bank) -> Iterator[Check]:
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

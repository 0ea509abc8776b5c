"""What opens in the greatest case and in which order, whether that is selective, and whether the least current clears in time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from simbank.studies.parallel import in_order
from simbank.studies.protection.checks import CURVE, FAIL, NOT_CHECKABLE, NOTE, PASS, Check, OpenCase, hangs_on, judge, unknown
from simbank.studies.protection.faults import LINES
from simbank.studies.protection.following import FAULT_HORIZON_S
from simbank.studies.protection.words import duration_text, named

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    from simbank.bank import Bank
    from simbank.bank.bank import Place
    from simbank.bank.equipment import Device
    from simbank.studies.protection.assumptions import Assumptions
    from simbank.studies.protection.breaking import Breaking
    from simbank.studies.protection.faults import Faults, Sequence

__all__ = ["IF_FAILED", "OPENING", "clearing_checks", "end_text", "one_pack_alone", "opening_orders", "opening_row"]

OPENING = ("device", "breaks", "current_a", *(f"{line}_s" for line in LINES))
SELECTIVE = ("yes", "not checkable", "no", "uncertain")  # how the words on selectivity begin; "no single device" is a no
IF_FAILED = {"opens_if_failed": "opens", "cleared_if_failed_s": "cleared_s", "cleared_latest_if_failed_s": "cleared_latest_s"}


def opening_orders(greatest: Faults, breaks: Breaking, sequences: list) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Order of opening in the greatest case, and what clears each fault.

    Parameters
    ----------
    greatest : Faults
        The greatest case.
    breaks : Breaking
        What is known of every device's opening.
    sequences : list of (str, dict of str to Sequence)
        For each of :attr:`Breaking.open_cases` its words, and what happens at each place.

    Returns
    -------
    order, clearing : DataFrame
        As in :class:`~simbank.studies.protection.Protection`.
    """
    shut = [breaks.failed, *([breaks.failed | breaks.doubtful] if breaks.doubtful else [])]
    each = iter(greatest.follow_each([(place, "middle", failed) for failed in shut for place in greatest.places]))
    middle = [{place.name: next(each) for place in greatest.places} for _ in shut]
    found = in_order(lambda place: _order_at(greatest, place, breaks, sequences, middle), [(place,) for place in greatest.places])
    table = pd.DataFrame({place.name: row for place, (_, row) in zip(greatest.places, found, strict=True)}).T
    table.index.name = "place"
    return pd.DataFrame([row for rows, _ in found for row in rows], columns=["place", *OPENING]), table


def _order_at(greatest, place, breaks, sequences, middles):
    """Rows of the order of opening at one place, and what clears the fault there.

    ``middles`` are by place what is followed by the middle of the bands, and that with devices of unknown ratings failed closed.
    """
    devices, latest = greatest.bank.devices, sequences[0][1]
    times, current = greatest.first_openings(place, (*LINES, *(["level"] if breaks.beyond else [])))
    order = []
    for d, device in enumerate(devices):
        at = {line: times[line][d] for line in LINES}
        order.append({"place": place.name, **opening_row(device, current[d], at, breaks)})
    stops = greatest.clearing_device(place, breaks.failed)
    middle = middles[0][place.name]
    carries = {device.name for d, device in enumerate(devices) if current[d] > device.rating_a}
    doubtful = sorted(carries & breaks.doubtful)
    selective = _selective(greatest, place, stops, times, current, breaks)
    clearing = {
        "stopped_by": stops.name if stops is not None else None,
        "selective": selective,
        **_followed(middle, latest[place.name]),
        "still_carrying": ", ".join(middle.still_carrying),
        "selective_code": next(code for code in SELECTIVE if selective.startswith(code)),
        "opened": [opening.device for opening in middle.openings],
        "first_s": middle.openings[0].time_s if middle.openings else None,
        "failed_closed": sorted(carries & breaks.failed),
        "may_fail_closed": doubtful,
    }
    if breaks.doubtful:  # the same with every device of unknown ratings failed closed
        other = _followed(middles[1][place.name], sequences[1][1][place.name])
        clearing |= {key: other[was] if doubtful else None for key, was in IF_FAILED.items()}
    return order, clearing


def _followed(middle, latest):
    return {
        "opens": ", ".join(f"{o.device} {duration_text(o.time_s)}" for o in middle.openings) or "nothing",
        "cleared_s": middle.cleared_s,
        "cleared_latest_s": latest.cleared_s,
    }


def opening_row(device: Device, current_a: float, at: dict[str, float], breaks: Breaking) -> dict:
    """A row that says when a device opens, by the lines of its band.

    Without a band only the middle is known; one that counts as failed closed never opens.
    """
    known, state = device.band is not None, breaks.state[device.name]
    times = [at[line] if known or line == "middle" else np.nan for line in LINES]
    if device.name in breaks.failed:
        times = [np.inf] * len(times)
    return dict(zip(OPENING, [device.name, state, current_a, *times], strict=True))


def _selective(greatest, place, stops, times, current, breaks):
    """Whether the one device that clears the fault opens before every other that carries it, bands apart.

    Devices that count as failed closed cannot clear it; but they may still open first, which is no help to selectivity.
    """
    ought = greatest.clearing_device(place)
    if ought is None or ought.name not in breaks.failed:
        return _order_text(greatest, stops, times, current, breaks)
    able = _order_text(greatest, ought, times, current, breaks)
    if able.startswith("no"):
        return f"{able}; {ought.name}, which should clear it, counts as failed closed"
    behind = f"; behind it {stops.name} can" if stops is not None else ""
    return f"no: {ought.name} should clear it, and counts as failed closed{behind}"


def _order_text(greatest, stops, times, current, breaks):
    """:func:`_selective` for a device that opens."""
    devices = greatest.bank.devices
    if stops is None:
        return "no single device clears it"
    k = devices.index(stops)
    if stops.band is None or any(d.band is None for d in devices):
        return "not checkable: a device has no curve; give its class or trip"
    others = [d for d in range(len(devices)) if d != k and current[d] > 1e-3 * current[k]]
    if not np.isfinite(times["latest"][k]):
        return "no: it does not open"
    if all(times["latest"][k] < times["soonest"][d] for d in others):
        return _surely(greatest, k, others, times, current, breaks)
    first = [devices[d].name for d in others if times["soonest"][d] <= times["latest"][k]]
    sure = [devices[d].name for d in others if times["latest"][d] < times["soonest"][k]]
    if sure:
        return f"no: {', '.join(sure)} first"
    return f"uncertain: bands overlap with {', '.join(first)}"


def _surely(greatest, k, others, times, current, breaks):
    """ "yes", or what it hangs on: ratings that are not given, or curves that end before the current through them."""
    devices = greatest.bank.devices
    if devices[k].name in breaks.doubtful:
        return f"not checkable: yes if {devices[k].name} opens; its ratings are not given, and if it fails closed, no"
    ended = [devices[d].name for d in others if current[d] > devices[d].stated_to * devices[d].rating_a]
    if not all(times["level" if breaks.beyond else "latest"][k] < times["soonest"][d] for d in others):
        ended.append(devices[k].name)
    if ended:
        return f"not checkable: yes at constant I²t beyond the end of the curve of {', '.join(ended)}, which is an assumption"
    return "yes"


def end_text(opens: str, cleared_s: float | None, latest_s: float | None, inside: bool) -> str:
    """What opens, and whether and when that has cleared the fault; inside a pack, only what its neighbours feed."""
    if cleared_s is None or cleared_s != cleared_s:
        return f"{opens}; NOT CLEARED"
    if latest_s is None or latest_s != latest_s:
        return f"{opens}; by the latest of the bands NOT CLEARED"
    what = "neighbours' feed ended" if inside else "cleared"
    own = "; the pack's own cells feed on" if inside else ""
    return f"{opens}; {what} after {duration_text(cleared_s)}, at the latest {duration_text(latest_s)}{own}"


def one_pack_alone(
    least: Faults, open_case: OpenCase, places: Collection[Place] | None = None
) -> dict[str, tuple[str, Sequence]]:
    """The least case followed with one pack alone connected, that which feeds least; at ``places``, by default at all.

    Place → (pack, :class:`Sequence`); nothing of a bank of one pack. Of several packs that feed alike but for round-off, that whose
    devices open last.
    """
    if len(least.pack_names) < 2:
        return {}
    found = {}
    for place in least.places if places is None else places:
        each = [
            (pack, least.follow(place, open_case.line, open_case.failed, closed=least.only(place, [pack])))
            for pack in least.weakest_of_each_kind(place)
        ]
        if each:
            found[place.name] = max(each, key=lambda one: np.inf if one[1].cleared_s is None else one[1].cleared_s)
    return found


def clearing_checks(
    bank: Bank, least: Faults, breaks: Breaking, slow: list, alone: list, assumptions: Assumptions,
    places: Collection[Place] | None = None,
) -> Iterator[Check]:  # fmt: skip
    """Whether the least current of every place, or of those given, clears in time, with all packs and with one alone.

    ``slow`` are pairs of a case in words and its sequences by place, ``alone`` what :func:`one_pack_alone` gives of each case.
    """
    for place in least.places if places is None else places:
        whole = abs(least.response(place).initial_a[-1])
        found = []
        for c, (_, followed), one in zip(breaks.open_cases, slow, alone, strict=True):
            check = _clearing_check(
                bank,
                place,
                f"least fault current {whole / 1e3:.2f} kA",
                followed[place.name],
                c.failed,
                assumptions,
                current_a=float(whole),
            )
            if place.name in one:
                pack, sequence = one[place.name]
                _, current = least.weakest(place)
                base = f"least fault current {current / 1e3:.2f} kA with {pack} alone connected ({whole / 1e3:.2f} kA with all)"
                fewer = _clearing_check(bank, place, base, sequence, c.failed, assumptions, current_a=float(current), alone=pack)
                check = _worse(check, fewer)
            found.append((c, check))
        yield hangs_on(found[0][1], found[1:])


def _worse(check, other):
    """Of two checks of one thing the one to tell: what fails, or else what takes longer."""
    rank = {FAIL: 0, NOT_CHECKABLE: 1, PASS: 2, NOTE: 3}
    return min(check, other, key=lambda c: (rank[c.status], -(c.value or 0.0)))


def _clearing_check(bank, place, base, sequence, failed, assumptions, **numbers):
    if not bank.devices:
        return judge(
            "clears in time", place.name, False, f"{base}; there is no device", None, assumptions.wanted_s, "s", **numbers
        )
    if sequence.cleared_s is None:
        shut = [name for name in sequence.still_carrying if name in failed]
        weak = [name for name in sequence.still_carrying if name not in failed]
        parts = [f"{named(shut)} failed closed"] if shut else []
        parts += [f"too little for {', '.join(weak)}"] if weak else []
        text = f"{base}: " + ("; ".join(parts) or f"fed by {', '.join(sequence.fed_by)} past every device")
        return judge(
            "clears in time", place.name, False, f"{text}; not cleared in {FAULT_HORIZON_S:g} s", None, assumptions.wanted_s, "s",
            **numbers, fed_by=", ".join(sequence.fed_by), too_little_for=", ".join(weak), failed_closed=", ".join(shut),
        )  # fmt: skip
    if not sequence.openings:
        text = "no neighbour feeds it: what the pack itself puts in, no device outside can end"
        return Check("clears in time", place.name, NOTE, text)
    what = "neighbours' feed ended" if place.kind == "inside" else "cleared"
    last = sequence.openings[-1]
    text = (
        f"{base}, {what} at the latest after {duration_text(sequence.cleared_s)} (last {last.device}), "
        f"wanted {duration_text(assumptions.wanted_s)}"
    )
    good = sequence.cleared_s <= assumptions.wanted_s
    opened = {opening.device for opening in sequence.openings}
    blind = [device.name for device in bank.devices if device.band is None and device.name in opened]
    if good and blind:
        text += f"; by a generic curve of {', '.join(blind)}, which is not given: give class or trip"
        return unknown("clears in time", place.name, text, CURVE, **numbers)
    return judge(
        "clears in time", place.name, good, text, sequence.cleared_s, assumptions.wanted_s, "s", **numbers, last=last.device
    )

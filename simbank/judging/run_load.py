"""What a run says of its ports: load that was not met, charge that was not taken, ports that stand apart."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from simbank.duty import SampledDuty
from simbank.judging import rules
from simbank.judging.rules import verdict
from simbank.judging.words import Clock, energy, hours, others, short
from simbank.simulation import Result
from simbank.simulation.event_codes import Event
from simbank.simulation.run_warnings import TRIPPED
from simbank.studies.band_figures import STOPS
from simbank.studies.rule_figures import ENDS
from simbank.verdict import Verdict

__all__ = ["ENDS", "OVER_CURRENT", "STOPS", "charge_at", "mean_soc", "port_verdicts", "set_alike"]

OVER_CURRENT = (
    Event.CHARGE_OVER_CURRENT, Event.DISCHARGE_OVER_CURRENT_1, Event.DISCHARGE_OVER_CURRENT_2, Event.SHORT_CIRCUIT,
    Event.DEVICE_OPENS, Event.DEVICE_INSTANT,
)  # fmt: skip
NO_CURRENT_A = 0.01  # less is round-off
CHARGE_STOPS = (  # by a pack or device, not by the charger
    Event.CHARGE_BLOCKED, Event.CELL_OVER_VOLTAGE, Event.CHARGE_OVER_CURRENT, Event.CHARGE_TEMPERATURE, Event.SHORT_CIRCUIT,
    Event.DEVICE_OPENS, Event.DEVICE_INSTANT,
)  # fmt: skip


def charge_at(result: Result, times_s: Sequence[float]) -> tuple[np.ndarray, np.ndarray]:
    """State of charge of every pack at some times.

    Parameters
    ----------
    result : Result
        Of a run, n packs.
    times_s : sequence of float, length m
        Since its start [s].

    Returns
    -------
    soc : ndarray, shape (m, n)
        0 to 1.
    capacity_ah : ndarray, shape (n,)
        [Ah]
    """
    packs, samples = result.summary["packs"], result.pack_samples
    at = [np.interp(np.asarray(times_s, float), samples.time_s, soc) for soc in samples.soc.T]
    return np.array(at).T, np.array([pack["capacity_ah"] for pack in packs])


def mean_soc(result: Result, times_s: Sequence[float]) -> np.ndarray:
    """Charge left over capacity of the whole bank at some times [s], 0 to 1."""
    soc, capacity = charge_at(result, times_s)
    return soc @ capacity / capacity.sum()


def port_verdicts(result: Result) -> Iterator[Verdict]:
    """Verdicts on the ports of a run; those of one code are one, of the port where it is worst."""
    clock = Clock(result.scenario)
    yield from _unmet(result, clock)
    yield from _ended_low(result, clock)
    yield from _curtailed(result)
    yield from _apart(result)


def _unmet(result, clock):
    """Load that was not met, by why."""
    tripped = yield from _tripped(result, clock)
    found = {}
    for port in result.summary["ports"]:
        is_ac = port["ac_asked_wh"] > 0
        asked, unmet = (port["ac_asked_wh"], port["ac_unmet_wh"]) if is_ac else (port["asked_wh"], port["unmet_wh"])
        stops = [row for row in result.summary["events"] if row["where"] == port["name"] and row["code"] in STOPS]
        day = min(1.0, 24.0 / max(result.summary["bank"]["duration_h"], 1e-9))  # a dark night counts, however long the run is
        least = rules.UNMET_WH if stops else max(rules.UNMET_WH, rules.UNMET_SHARE * asked * day)
        if not unmet > least or port["name"] in tripped:
            continue
        code = _why(result, clock, stops)
        found.setdefault(code, []).append((unmet, asked, is_ac, port["name"], stops))
    for code, rows in found.items():
        unmet, asked, is_ac, name, stops = max(rows, key=lambda row: row[0])
        rest = [row[3] for row in rows if row[3] != name]
        where = ", ".join([name, *rest])
        of = f"{energy(unmet)} of {energy(asked)} asked{' (AC)' if is_ac else ''} were not given at {name}{others(rest)}"
        if not stops:
            rated = result.scenario.bank.inverter_of(name)
            limit = f" of {rated.rated_w / 1e3:g} kW" if rated is not None else ""
            text = f"{of}: the load goes beyond the rating{limit}, and the rest is not served. Ask for less at once, or fit a larger inverter."
            yield verdict(code, where, text, unmet_wh=unmet, asked_wh=asked)
            continue
        first, soc = stops[0], float(mean_soc(result, [stops[0]["time_s"]])[0])
        dark = _dark_s(result, name) / 3600.0
        times = {1: "once", 2: "twice"}.get(len(stops), f"{len(stops)} times")
        text = f"{of}: cut off {times}, first {clock.told(first['time_s'])} with the bank at {soc * 100:.0f} %, dark for {hours(dark)} in all. "
        if code == "cut-off-early":
            text += "Charge was left: look for drop in cables or packs, or for a cut-off voltage set too high for this load."
        else:
            text += "Ask for less, or add sun or packs."
        yield verdict(
            code, where, text, unmet_wh=unmet, asked_wh=asked, stops=len(stops), first_s=first["time_s"], dark_h=dark,
            bank_soc=soc,
        )  # fmt: skip


def _tripped(result, clock):
    """Ports that stopped since packs or devices opened on over-current; their names are handed back."""
    found = []
    for warning in result.warnings:
        if warning.code == TRIPPED:
            opened = warning.where.split(", ")
            first = next(row for row in result.summary["events"] if row["where"] == opened[0] and row["code"] in OVER_CURRENT)
            stopped = [r for r in result.summary["events"] if r["code"] in STOPS and r["time_s"] >= first["time_s"]]
            port = next(port for port in result.summary["ports"] if port["name"] == stopped[0]["where"])
            found.append((first, opened, port))
    if not found:
        return ()
    first, opened, port = max(found, key=lambda row: row[2]["unmet_wh"])
    rest = list(dict.fromkeys(row[2]["name"] for row in found if row[2] is not port))
    then = f", {short(opened[1:])} after it" if opened[1:] else ""
    unmet_wh, asked_wh, (lost_ah, lost_wh) = port["unmet_wh"], port["asked_wh"], _lost(result, port["name"])
    if lost_wh > unmet_wh:  # in amperes, which without voltage count as no energy
        asked_wh, unmet_wh = asked_wh - unmet_wh + lost_wh, lost_wh
    lost = f"{energy(unmet_wh)} of {energy(asked_wh)} asked were not given" if asked_wh else "its charge ended"
    if unmet_wh == lost_wh > 0.0:
        lost += f" ({lost_ah:.3g} Ah, at its voltage before)"
    text = (
        f"{first['where']} opened on over-current {clock.told(first['time_s'])} ({first['because']}){then}, and {port['name']} stopped"
        f"{others(rest)}: {lost}. Ask for less at once, or share the current more evenly; raise a limit only as far as its sheet lets you."
    )
    yield verdict(
        TRIPPED, ", ".join(dict.fromkeys(opened)), text, first_s=first["time_s"], openings=len(opened), unmet_wh=unmet_wh,
        asked_wh=asked_wh,
    )  # fmt: skip
    return {row[2]["name"] for row in found}


def _why(result, clock, stops):
    """Code for load that was not met."""
    if not stops:
        return "inverter-too-small"
    first = stops[0]
    if mean_soc(result, [first["time_s"]])[0] > rules.EMPTY_SOC:
        return "cut-off-early"
    local = clock.local(first["time_s"])
    begin, end = rules.NIGHT_H
    return "load-unmet" if local is None or end <= local.hour + local.minute / 60.0 < begin else "empty-before-dawn"


def _dark_s(result, port):
    """For how long load was asked of a port while it was cut off [s]."""
    asked = _asked(result, port)
    return sum(
        end - begin if asked is None else sum(max(0.0, min(end, to) - max(begin, at)) for at, to, _ in asked)
        for begin, end in _dark(result, port)
    )


def _dark(result, port):
    """From when to when a port was cut off [s]: until it recovers, carries current again, or the run ends."""
    end_s, (times, current, _) = result.summary["bank"]["duration_h"] * 3600.0, result.port_samples
    flows = times[np.abs(current[:, _place(result, port)]) > NO_CURRENT_A]
    rows = [row for row in result.summary["events"] if row["where"] == port]
    found, until = [], -1.0
    for row in rows:
        begin = row["time_s"]
        if row["code"] not in STOPS or begin < until:
            continue
        again = [r["time_s"] for r in rows if r["code"] == Event.RECOVERED and r["time_s"] > begin]
        until = min([*again[:1], *flows[flows > begin + 1e-6][:1], end_s])
        found.append((begin, until))
    return found


def _place(result, port):
    """Place of a port among the samples of ports."""
    return [row["name"] for row in result.summary["ports"]].index(port)


def _asked(result, port):
    """When the duty asks for load at a port, and its command: (from [s], to [s], Command); None where the duty alone does not tell.

    Steps that end early do not tell, nor does a duty of samples, whose inverters recover by themselves.
    """
    duty = result.scenario.duty
    if isinstance(duty, SampledDuty) or any(step.ends_early for step in duty.steps):
        return None
    found, at = [], 0.0
    for step in duty:
        command = step.commands.get(port)
        if command is not None and (
            command.kind == "resistance" or max(command.value, command.value + command.slope * step.duration_s) > 0
        ):
            found.append((at, at + step.duration_s, command))
        at += step.duration_s
    return found


def _lost(result, port):
    """Charge [Ah] and energy [Wh] that a duty in amperes asked of a port while it was cut off, at the voltage just before; 0 of others.

    A port without any pack has no voltage, so that amperes asked there count as no energy in the summary.
    """
    charge, joule, (times, _, every) = 0.0, 0.0, result.port_samples
    volts = every[:, _place(result, port)]
    times, volts = times[~np.isnan(volts)], volts[~np.isnan(volts)]
    for begin, end in _dark(result, port):
        before = volts[(times < begin) & (volts > 0.0)]
        volt = float(before[-1] if len(before) else volts.max() if len(volts) else np.nan)
        for at, to, command in _asked(result, port) or ():
            if command.kind == "current" and to > begin and at < end:
                first, last = max(at, begin), min(to, end)
                amperes = command.value + command.slope * ((first + last) / 2.0 - at)
                charge += amperes * (last - first)
                joule += amperes * (last - first) * volt
    return charge / 3600.0, joule / 3600.0


def _ended_low(result, clock):
    """A charge that ended by itself although the bank was far from full."""
    ends = [row for row in result.summary["events"] if row["code"] in ENDS]
    if not ends:
        return
    socs = mean_soc(result, [row["time_s"] for row in ends])
    found = [(float(soc), row["where"], row["time_s"]) for soc, row in zip(socs, ends, strict=True)]
    low = [row for row in found if row[0] < rules.LOW_AT_END_SOC]
    if low:
        soc, port, time_s = min(low)
        text = (
            f"The charge at {port} ended {clock.told(time_s)} with the bank at {soc * 100:.0f} %"
            f"{f' (so {len(low)} times in all)' if len(low) > 1 else ''}: it counts as full and is not. Look at its voltage, tail current "
            "and longest absorption, and at packs that report full before the others."
        )
        yield verdict("charge-ended-low", port, text, bank_soc=soc, time_s=time_s, times=len(low))


def _curtailed(result):
    """Charge that was offered and not taken."""
    ports = [port for port in result.summary["ports"] if port["offered_wh"] > 0]
    offered, curtailed = sum(port["offered_wh"] for port in ports), sum(port["curtailed_wh"] for port in ports)
    if offered and curtailed > rules.CURTAILED_SHARE * offered:
        share = 100.0 * curtailed / offered
        missed = sum(max(p["ac_unmet_wh"] if p["ac_asked_wh"] > 0 else p["unmet_wh"], 0.0) for p in result.summary["ports"])
        then = "Nothing is wrong with that."
        blocked = [row for row in result.summary["events"] if row["code"] in CHARGE_STOPS]
        if blocked:
            names = list(dict.fromkeys(row["where"] for row in blocked))
            then = (
                f"A limit did part of it: {short(names)} stopped charge, first {Clock(result.scenario).told(blocked[0]['time_s'])} "
                f"({blocked[0]['what']})."
            )
        elif missed > rules.UNMET_WH:
            then = (
                f"Yet {energy(missed)} of load went unmet at other times: more packs would have kept some of it, more sun less."
            )
        text = (
            f"{energy(curtailed)} of {energy(offered)} offered for charge ({share:.0f} %) were not taken: the bank was full, held its "
            f"voltage, or was blocked. {then}"
        )
        yield verdict("curtailed", short([p["name"] for p in ports], 6), text, curtailed_wh=curtailed, offered_wh=offered)


def _apart(result):
    """Two ports that are set alike and see unequal voltages."""
    rows = []
    for pair in result.summary["pairs"]:
        one, other = pair["ports"]
        cut, charged = (abs(pair[key] or 0.0) for key in ("between_cutoffs_s", "between_ends_of_charge_s"))
        volt = pair["voltage_apart_max_v"] if set_alike(result.scenario, one, other) else 0.0
        if volt >= rules.APART_V or max(cut, charged) >= rules.APART_S:
            rows.append((volt, max(cut, charged), cut, one, other))
    if rows:
        volt, seconds, cut, one, other = max(rows)
        what = "cut off" if cut == seconds else "end their charge"
        apart = f" and {what} {hours(seconds / 3600.0)} apart" if seconds >= rules.APART_S else ""
        text = (
            f"{one} and {other} see voltages up to {volt:.2f} V apart{apart}, though set alike they should act together. Give them "
            "leads of equal length and size from the same take-off, or set each by the voltage that it sees."
        )
        yield verdict("ports-apart", f"{one}, {other}", text, voltage_apart_v=volt, apart_s=seconds)


def set_alike(scenario: Any, one: str, other: str) -> bool:
    """Whether two ports act by voltages that they see: both with an inverter, both with a charger, or both by the limits of a table."""
    kinds = [scenario.bank.port_equipment.get(port, (None, None)) for port in (one, other)]
    if any(all(kind[k] is not None for kind in kinds) for k in (0, 1)):
        return True
    duty = (getattr(scenario, "data", None) or {}).get("duty", {})
    if not isinstance(duty, dict):  # of a program's own
        return False
    return duty.get("kind") == "table" and ("cutoff" in duty or "voltage" in duty) and not any(any(kind) for kind in kinds)

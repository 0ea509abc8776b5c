"""What a run says of its packs: who works hardest, who is full or empty first, what keeps them apart, what went too far."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from simbank.bank.bank import Pack
from simbank.judging import rules
from simbank.judging.rules import verdict
from simbank.judging.run_load import ENDS, OVER_CURRENT, STOPS, charge_at
from simbank.judging.wiring import overloaded
from simbank.judging.words import Clock, hours, others, short
from simbank.simulation import Result
from simbank.simulation.event_codes import Event
from simbank.simulation.pack_model import KELVIN
from simbank.simulation.run_warnings import WORTH_SAYING
from simbank.simulation.standing import hysteresis_bound_points
from simbank.studies.band_figures import when_fullest
from simbank.studies.rule_figures import charged_frozen, nearest_limits
from simbank.verdict import ACT, DANGER, NOTE, Verdict

__all__ = ["hysteresis_bound_points", "levelling_h", "pack_verdicts", "rest_s", "strained"]

HELD_BACK = (
    *ENDS, Event.HOLDS_VOLTAGE, Event.NO_PACK, Event.CHARGE_BLOCKED, Event.CELL_OVER_VOLTAGE, Event.CHARGE_OVER_CURRENT, Event.CHARGE_TEMPERATURE,
)  # fmt: skip


def pack_verdicts(result: Result) -> Iterator[Verdict]:
    """Verdicts on the packs of a run."""
    clock = Clock(result.scenario)
    yield from _stuck(result, clock)
    yield from _beyond(result)
    yield from _too_cold(result)
    yield from _warm(result)
    yield from _over_current(result, clock)
    yield from _by_temperature(result)
    yield from _hardest(result)
    yield from _empty_first(result, clock)
    yield from _full_first(result, clock)
    yield from _spread(result, clock)


# ---- what went too far ----


def _stuck(result, clock):
    stuck = [row for row in result.summary["events"] if row["code"] == Event.STUCK]
    if stuck:
        names = list(dict.fromkeys(row["where"] for row in stuck))
        text = (
            f"The BMS of {short(names)} ordered a block {clock.told(stuck[0]['time_s'])} and its switch is stuck closed: current went on. "
            "Take it out of the bank; until then only its fuse stands between it and the others."
        )
        yield verdict("switch-stuck", ", ".join(names), text, first_s=stuck[0]["time_s"], packs=len(names))


def _beyond(result):
    """Charge beyond full, discharge beyond empty; of several packs the one that went farthest for its capacity."""
    rows = []
    for pack, row in zip(result.scenario.bank.packs, result.summary["packs"], strict=True):
        for key, end in (("overcharge_ah", "full"), ("overdischarge_ah", "empty")):
            if row[key] > WORTH_SAYING * pack.capacity_ah:
                gases = end == "full" and pack.chemistry.family == "lead-acid"
                rows.append((not gases, row[key] / pack.capacity_ah, row[key], end, pack, row))
    if not rows:
        return
    grave, share, charge, end, pack, row = max(rows, key=lambda r: r[:2])
    rest = list(dict.fromkeys(r[4].name for r in rows if r[4].name != pack.name))
    if end == "full":
        fate = "this is how cells swell, vent and burn" if grave else "this is how cells gas, lose water and heat"
        did, volt = f"{charge:.3g} Ah ({share * 100:.1f} %) went into {pack.name} beyond full", row["cell_volt_max"]
    else:
        fate = "this ruins cells, and they may short when charged again"
        did, volt = f"{charge:.3g} Ah ({share * 100:.1f} %) were taken from {pack.name} beyond empty", row["cell_volt_min"]
    todo = "Give it a switch that opens" if grave else "Charge it no longer or higher than its maker says"
    text = (
        f"{did}, cells at {volt:.2f} V{others(rest)}: {fate}. {todo}, and do not rely on what the model says of it from there on."
    )
    where = ", ".join([pack.name, *rest])
    yield verdict(
        "beyond-cell-model", where, text, DANGER if grave else ACT, beyond_ah=charge, beyond_share=share, cell_v=volt
    )  # fmt: skip


def _too_cold(result):
    """Charge that was faster than cells take: below freezing, or at their temperature."""
    rows = [
        (row["charge_too_cold_h"], row, pack) for pack, row in zip(result.scenario.bank.packs, result.summary["packs"], strict=True)
        if row["charge_too_cold_h"] > rules.TOO_COLD_H
    ]  # fmt: skip
    frozen = [row for row in rows if charged_frozen(row[2], row[1])]
    for code, found in (
        ("charge-below-freezing", frozen),
        ("charge-too-fast", [r for r in rows if r not in frozen and r[0] > rules.TOO_FAST_H]),
    ):
        if not found:
            continue
        time_h, row, pack = max(found, key=lambda r: r[0])
        rest = [r[2].name for r in found if r[2] is not pack]
        where, coldest = ", ".join([pack.name, *rest]), row["temperature_min_c"]
        told = f"{pack.name} was charged faster than its cells take at their temperature, for {hours(time_h)}"
        told += f" (coldest {coldest:.0f} °C){others(rest)}"
        if code == "charge-below-freezing":
            text = f"{told}: lithium plates, which harms cells for good and can short them. Warm them first, or give the BMS a limit."
        else:
            text = f"{told}: this ages cells. Limit the charger's current, warm the packs, or let the BMS limit it."
        yield verdict(code, where, text, hours=time_h, temperature_min_c=coldest)


def _warm(result):
    """Packs warmer than their cells like."""
    packs = list(zip(result.scenario.bank.packs, result.summary["packs"], strict=True))
    pack, row = max(packs, key=lambda p: p[1]["temperature_max_c"] or -300.0)
    warmest = row["temperature_max_c"]
    if warmest is None or warmest < rules.WARM_C:
        return
    rest = [p.name for p, r in packs if (r["temperature_max_c"] or -300.0) >= rules.WARM_C and p is not pack]
    never = float(pack.chemistry.charge_rate(warmest)) <= 0.0
    what = "its cells take no charge at all there" if never else "cells age fast and take less charge there"
    text = f"{pack.name} came to {warmest:.0f} °C{others(rest)}: {what}. Lower its current, or give it air and room."
    yield verdict("pack-hot", ", ".join([pack.name, *rest]), text, DANGER if never else ACT, temperature_max_c=warmest)


def _over_current(result, clock):
    """BMS and devices that opened on over-current while the ports went on."""
    events = result.summary["events"]
    opened = [row for row in events if row["code"] in OVER_CURRENT]
    if opened and not any(warning.code == "tripped-at-once" for warning in result.warnings):
        first, names = opened[0], list(dict.fromkeys(row["where"] for row in opened))
        text = (
            f"{first['where']} {first['what'].replace('opens: ', 'opened on ')} {clock.told(first['time_s'])}"
            f"{f' ({len(opened)} openings in all, of {short(names)})' if len(opened) > 1 else ''}: the others took over what it had "
            "carried. Ask for less, share the current more evenly, or raise the limit as far as its maker's sheet lets you."
        )
        yield verdict("opened-on-over-current", ", ".join(names), text, first_s=first["time_s"], openings=len(opened))


def _by_temperature(result):
    """Packs that took no part since it was too cold or too hot for them."""
    events = result.summary["events"]
    blocked = [row for row in events if row["code"] in (Event.CHARGE_TEMPERATURE, Event.DISCHARGE_TEMPERATURE)]
    if not blocked:
        return
    names = list(dict.fromkeys(row["where"] for row in blocked))
    rows = {row["name"]: row for row in result.summary["packs"]}
    key = "charge_blocked_h" if blocked[0]["code"] == Event.CHARGE_TEMPERATURE else "discharge_blocked_h"
    what = key.removesuffix("_blocked_h")
    longest = max(rows[name][key] for name in names)
    hard = max(result.summary["packs"], key=lambda row: row[f"share_ratio_{what}"] or 0.0)
    ratio = hard[f"share_ratio_{what}"]
    carried = f"; {hard['name']} carried {ratio:.2f} times its share" if ratio and hard["name"] not in names else ""
    text = (
        f"{'No' if longest else 'Little'} {what} for {short(names)} for {hours(longest)}, since they were too cold or too warm for it{carried}. "
        "Bring them to temperature first, or count on the others alone."
    )
    yield verdict("blocked-by-temperature", ", ".join(names), text, blocked_h=longest, packs=len(names))


# ---- who works hardest ----


def strained(result: Result, told_once: bool = False) -> list[tuple]:
    """How near every pack of a run comes to a limit of its own, charge and discharge each against its own limits.

    Parameters
    ----------
    result : Result
        Of a run.
    told_once : bool
        Whether to leave out what cells take of a charge where the verdict ``charge-too-fast`` tells of it.

    Returns
    -------
    list of (float, str, float, float, bool, Pack)
        Current ÷ limit, the limit in words, current [A], limit [A], whether of charge, pack; of its nearest limit.
    """
    current, rows, peaks = result.pack_samples.current_a, result.summary["packs"], []
    for row, flows in zip(rows, current.T, strict=True):
        sampled = (
            max(float(flows.max()), 0.0),
            max(float(-flows.min()), 0.0),
        )  # beyond those between samples by their error at most
        peaks.append(tuple(max(pair) for pair in zip(sampled, (row["discharge_peak_a"], row["charge_peak_a"]), strict=True)))
    told = [row["name"] for row in rows if told_once and row["charge_too_cold_h"] > rules.TOO_FAST_H]
    return nearest_limits(result.scenario.bank, rows, peaks, told)


def _hardest(result):
    """The pack that comes nearest to a limit of its own, and the one that carries most for its size."""
    near = [row for row in strained(result, told_once=True) if row[0] >= rules.NEAR_LIMIT]
    if near:
        ratio, words, current, limit, charge, pack = max(near, key=lambda row: row[0])
        rest = [row[5].name for row in near if row[5] is not pack]
        over = "over" if ratio > 1 else f"{ratio * 100:.0f} % of"
        text = (
            f"{pack.name} carries up to {current:.0f} A ({current / pack.capacity_ah:.2f} C) of {_way(charge)}, {over} {words} ({limit:.0f} A)"
            f"{others(rest)}. Ask for less, share it more evenly, or add packs; what its maker allows decides."
        )
        yield verdict(
            "pack-near-limit", ", ".join([pack.name, *rest]), text, current_a=current, limit_a=limit, c_rate=current / pack.capacity_ah
        )  # fmt: skip
    shares = [
        (row[f"share_ratio_{what}"], what, row["name"])
        for row in result.summary["packs"] for what in ("discharge", "charge") if row[f"share_ratio_{what}"] is not None
    ]  # fmt: skip
    if not shares:
        return
    if max(shares)[0] >= rules.SHARE_TOLD:
        yield _hardest_share(result, shares)
    elif not any(row[0] >= rules.NEAR_LIMIT for row in strained(result)):
        share, what, name = max(shares)
        text = (
            f"Every pack carries its share within {(rules.SHARE_TOLD - 1) * 100:.0f} % over the whole {what}: the largest share ratio is "
            f"{share:.2f} ({name}), and states of charge lie up to {result.summary['bank']['spread_max_points']:.1f} points apart. No pack is "
            f"near a limit of its own{', so that better sharing would change little at this duty' if _all_bear_it(result) else ''}."
        )
        yield verdict(
            "shares-alike", name, text, share_ratio=share, spread_max_points=result.summary["bank"]["spread_max_points"]
        )


def _all_bear_it(result):
    """Whether nothing between the packs is overloaded or opens either, so that sharing is all there is to look at."""
    opened = any(row["code"] in OVER_CURRENT for row in result.summary["events"])
    return not opened and not overloaded(result)


def _way(charge):
    return "charge" if charge else "discharge"


def _hardest_share(result, shares):
    """The verdict on the pack of the largest share ratio; beside it, which pack comes nearest to a limit, which may be another."""
    share, what, name = max(shares, key=lambda row: (round(row[0], 2), row[1]))  # of the same, that of the discharge
    least, _, idle = min(row for row in shares if row[1] == what)
    ratio, words, current, limit, charge, pack = max(strained(result), key=lambda row: row[0])
    matters = " That matters now."
    if ratio < rules.NEAR_LIMIT:
        in_c = _in_c((getattr(result.scenario, "data", None) or {}).get("duty"))
        other = "for others: simbank sweep FILE --over duty.c_rate=0.2,0.4." if in_c else "at a higher one it may be."
        matters = f" That is not near at this C-rate; {other}"
    text = (
        f"{name} works hardest: {share:.2f} times its share over the whole {what} ({idle} {least:.2f}), and ages by it. Nearest to a limit comes "
        f"{pack.name}, with up to {current:.0f} A ({current / pack.capacity_ah:.2f} C) of {_way(charge)}, {ratio * 100:.0f} % of {words}.{matters}"
    )
    return verdict(
        "hardest-pack", name, text, share_ratio=share, least_share_ratio=least, nearest_current_a=current,
        nearest_c_rate=current / pack.capacity_ah, nearest_limit_a=limit, nearest_share_of_limit=ratio,
    )  # fmt: skip


def _in_c(duty):
    """Whether a duty states rates in C, which ``duty.c_rate`` replaces."""
    if not isinstance(duty, dict):
        return False
    steps = duty.get("steps") or [duty]
    return any(
        isinstance(step, dict) and str(step.get(key, "")).endswith("C") for step in steps for key in ("charge", "discharge")
    )


# ---- who is empty or full first ----


def _empty_first(result, clock):
    """Charge that stayed in packs when a port was cut off, since another was empty."""
    stops = [row for row in result.summary["events"] if row["code"] in STOPS]
    socs, capacity = charge_at(result, [row["time_s"] for row in stops])
    rows = []
    for row, soc in zip(stops, socs, strict=True):
        left = float(np.dot(capacity, soc - soc.min()) / capacity.sum())
        if left >= rules.LEFT_SHARE and soc.min() <= rules.EMPTY_SOC:
            rows.append((left, row, soc))
    if rows:
        left, row, soc = max(rows, key=lambda r: r[0])
        names = [pack["name"] for pack in result.summary["packs"]]
        empty, full = int(soc.argmin()), int(soc.argmax())
        text = (
            f"{names[empty]} empties first: when {row['where']} stopped {clock.told(row['time_s'])} it stood at {soc[empty] * 100:z.0f} % and "
            f"{names[full]} at {soc[full] * 100:.0f} %. {left * capacity.sum():.0f} Ah ({left * 100:.0f} % of the bank) stayed in the others. "
            "Share the current more evenly, or ask for less at once."
        )
        yield verdict(
            "empties-first", names[empty], text, left_ah=left * capacity.sum(), left_share=left, soc_min=soc[empty], soc_max=soc[full]
        )  # fmt: skip


def _full_first(result, clock):
    """Packs that were not filled when the bank was fullest, since another was full."""
    times, soc = result.pack_samples.time_s, result.pack_samples.soc
    capacity = np.array([row["capacity_ah"] for row in result.summary["packs"]])
    total = soc @ capacity / capacity.sum()
    if not len(total) or total.max() <= total[0] + rules.LEFT_SHARE:
        return
    at = when_fullest(total)
    now, names = soc[at], [pack["name"] for pack in result.summary["packs"]]
    lacks = float(np.dot(capacity, now.max() - now) / capacity.sum())
    if now.max() >= rules.FULL_SOC and lacks >= rules.LEFT_SHARE:
        full, low = int(now.argmax()), int(now.argmin())
        numbers = {"unfilled_ah": lacks * capacity.sum(), "unfilled_share": lacks, "soc_max": now[full], "soc_min": now[low]}
        if not _held_back(result, times[at]):
            text = (
                f"The charge ended {clock.told(times[at])} before its voltage, with the bank at {total[at] * 100:.0f} % ({names[full]} "
                f"{now[full] * 100:.0f} %, {names[low]} {now[low] * 100:.0f} %). {names[full]} fills first; whether {names[low]} would fill after "
                "it, this run does not show: let it charge on until its voltage ends it."
            )
            yield verdict("fills-first", names[full], text, NOTE, **numbers)
            return
        text = (
            f"{names[full]} fills first: at the fullest of the bank, {clock.told(times[at])}, it stood at {now[full] * 100:.0f} % and "
            f"{names[low]} at {now[low] * 100:.0f} %. {lacks * capacity.sum():.0f} Ah ({lacks * 100:.0f} % of the bank) stayed unfilled. Charge "
            "more slowly or hold the voltage longer, or share the current more evenly."
        )
        yield verdict("fills-first", names[full], text, **numbers)


def _held_back(result, time_s):
    """Whether voltage, tail or a block held a charge back until a time [s], rather than the end of a step."""
    ended = any(row["code"] in HELD_BACK and row["time_s"] <= time_s + 1.0 for row in result.summary["events"])
    return ended or any(port["curtailed_wh"] > 1e-3 * port["offered_wh"] for port in result.summary["ports"])


# ---- what keeps them apart ----


def levelling_h(one: Pack, other: Pack, soc: float, other_soc: float) -> float:
    """Time constant with which slope alone would level two packs, by their own resistance [h].

    A current I = dU / (R1 + R2) flows and brings them together at I (1/Q1 + 1/Q2), where dU is the slope of a pack times their distance.
    """
    slope = one.cells_in_series * float(one.chemistry.ocv(soc) - one.chemistry.ocv(other_soc)) / (soc - other_soc)
    ohm = sum(pack.ohmic_ohm + sum(r for r, _ in pack.pack_rc_pairs) for pack in (one, other))
    return ohm / (slope * (1.0 / one.capacity_ah + 1.0 / other.capacity_ah)) if slope > 0 else float("inf")


def rest_s(result: Result) -> float:
    """For how long the ports have rested at the end of the run [s]."""
    times, current, _ = result.port_samples
    busy = times[np.nansum(np.abs(current), axis=1) > rules.RESTED_C * result.summary["bank"]["capacity_ah"]]
    return float(times[-1] - (busy[-1] if len(busy) else times[0])) if len(times) else 0.0


def _spread(result, clock):
    """How far apart packs are, at rest or under load, and why they stay so."""
    bank, rested = result.summary["bank"], rest_s(result)
    samples = result.pack_samples
    if bank["spread_max_points"] < rules.SPREAD_TOLD_POINTS or not len(samples.time_s):
        return
    end, packs = samples.soc[-1], result.scenario.bank.packs
    both = [int(end.argmax()), int(end.argmin())]
    one, other = (packs[k] for k in both)
    high, low = one.name, other.name
    points = bank["spread_end_points"]
    alike = one.chemistry is other.chemistry and one.cells_in_series == other.cells_in_series
    harm, costs = _harm(result, high, low)
    if points < rules.SPREAD_TOLD_POINTS or rested < rules.RESTED_S or not alike:
        text = (
            f"States of charge lie up to {bank['spread_max_points']:.1f} points apart, {points:.1f} at the end"
            f"{f' ({high} above {low})' if points >= 0.1 else ''}. {harm}"
        )
        yield verdict(
            "spread", f"{high}, {low}", text, costs, spread_max_points=bank["spread_max_points"], spread_end_points=points
        )
        return
    kelvin = KELVIN + float(samples.temperature_c[-1][both].min())  # a loop is widest in the cold
    bound, levels = hysteresis_bound_points(one, *end[both], kelvin), levelling_h(one, other, *end[both])
    still = np.abs(samples.current_a[-1][both]).max() <= rules.STILL_C * min(one.capacity_ah, other.capacity_ah)
    if points > bound and still:
        why = f"more than the {bound:.0f} points that hysteresis can hold here, but one of them is blocked and no current flows"
    elif points <= bound:
        why = (
            f"hysteresis can hold up to {bound:.0f} points apart here (by the curves)"
            if np.isfinite(bound)
            else "the curve is flat here"
        )
        why += f"; slope alone would level it in about {hours(levels)}" if np.isfinite(levels) else ""
    else:
        why = f"more than the {bound:.0f} points that hysteresis can hold here, so it goes on levelling, about {hours(levels)} for two thirds"
    text = f"After {hours(rested / 3600.0)} of rest {high} and {low} stand {points:.1f} points apart: {why}. {harm}"
    yield verdict(
        "spread-stands", f"{high}, {low}", text, costs, spread_points=points, rest_h=rested / 3600.0, hysteresis_bound_points=bound,
        levelling_h=levels,
    )  # fmt: skip


def _left_at(result, stops):
    """What was left above the emptiest pack when a port stopped, in words."""
    socs, capacity = charge_at(result, [row["time_s"] for row in stops])
    left = (socs - socs.min(axis=1, keepdims=True)) @ capacity
    k = int(left.argmax())
    port = stops[k]["where"]
    unserved = any(max(row["unmet_wh"], row["ac_unmet_wh"]) > rules.UNMET_WH for row in result.summary["ports"])
    begin = f"Load went unserved: when {port} stopped," if unserved else f"The discharge ended when {port} stopped:"
    return (
        f"{begin} the packs stood {_stood(socs[k].min(), socs[k].max())}, {left[k]:z.1f} Ah ({left[k] / capacity.sum() * 100:z.1f} % "
        "of the bank) above the emptiest."
    )


def _stood(low, high):
    """Where states of charge stand, in words."""
    texts = [f"{soc * 100:z.0f}" for soc in (low, high)]
    return f"at {texts[0]} %" if texts[0] == texts[1] else f"between {texts[0]} and {texts[1]} %"


def _unequal(pack):
    """Whether its cells differ in capacity or balance."""
    return any(values is not None and np.ptp(values) > 0 for values in (pack.cell_capacities, pack.cells_below_full))


def _harm(result, high, low):
    """Whether a spread costs anything in this run, in words, and how grave that is."""
    clock, packs = Clock(result.scenario), result.summary["packs"]
    filled = next(_full_first(result, clock), None)
    if any(True for _ in _empty_first(result, clock)) or (filled is not None and filled.severity == ACT):
        return "It costs charge: a pack was full or empty while others were not.", None
    end = {row["name"]: row["soc_end"] for row in packs}
    if end[high] - end[low] >= rules.LEFT_SHARE and (end[high] >= rules.FULL_SOC or end[low] <= 1.0 - rules.FULL_SOC):
        full = end[high] >= rules.FULL_SOC
        return f"It does harm: {high if full else low} ends {'full' if full else 'empty'} while the other is not.", ACT
    if filled is not None:
        return "Whether it costs charge this run does not show, since its charge ended before its voltage.", None
    stops = [row for row in result.summary["events"] if row["code"] in STOPS]
    if stops:
        return _left_at(result, stops), None
    if any(port["unmet_wh"] > rules.UNMET_WH for port in result.summary["ports"]) and any(
        row["discharge_blocked_h"] for row in packs
    ):
        return "A pack was blocked while load went unserved.", None
    least, most = min(row["soc_min"] for row in packs), max(row["soc_max"] for row in packs)
    return f"It costs nothing at this duty (packs {_stood(least, most)}).", None

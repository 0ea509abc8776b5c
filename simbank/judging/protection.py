"""The verdicts of a study of protection."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from simbank.judging.rules import HANGS_ACT, HANGS_DANGER, verdict
from simbank.judging.warned import warning_verdicts
from simbank.judging.words import energy, hours, others, short
from simbank.studies.band_figures import QUANTILES
from simbank.studies.protection import Protection
from simbank.studies.protection.burning import first_to_burn
from simbank.studies.protection.checks import FAIL, LEFT_OUT, NOT_CHECKABLE, NOTE, PASS
from simbank.studies.protection.shorted_cell import NO_CHARGER
from simbank.studies.protection.words import duration_text
from simbank.verdict import ACT, DANGER, UNKNOWN, Verdict

__all__ = ["protection_verdicts"]


def protection_verdicts(found: Protection) -> Iterator[Verdict]:
    """Verdicts on what may flow, what ends it, and what the rest then carries."""
    yield from _cannot_break(found)
    yield from _missing(found)
    yield from _burning(found)
    yield from _not_cleared(found)
    yield from _shorted(found)
    yield from _overloaded(found)
    yield from _unprotected(found)
    yield from _below_load(found)
    yield from _outages(found)
    yield from _selectivity(found)
    yield from _drop(found)
    yield from _unknown(found)
    yield from _on_left_out(found)
    yield from _hanging(found)
    if any(found.checks["status"] == PASS):
        yield from _nothing(found)
    yield from warning_verdicts(found.warnings, ("no-own-device",))
    yield verdict(
        "never-checked", "bank",
        "Not checked by any command: arcs, earth faults, earthing, what inverters and chargers feed into a fault, thermal runaway, "
        "insulation and clearances, joints' heat and torque, local code. Have a licensed person look at these.",
    )  # fmt: skip


def _rows(found, rule, status=FAIL):
    checks = found.checks
    return checks[(checks["rule"] == rule) & (checks["status"] == status)]


# ---- what ends no fault ----


def _cannot_break(found):
    """Devices that may weld, arc on or burst."""
    breaks, devices = found.breaks, {device.name: device for device in found.scenario.bank.devices}
    if not breaks.failed:
        return

    def over(name):  # by how much what is asked exceeds what is given
        given = ((devices[name].interrupting_a, breaks.worst[name][0]), (devices[name].voltage_v, breaks.volt))
        return max(asked / rating for rating, asked in given if rating)

    worst = max(breaks.failed, key=over)
    current, place = breaks.worst[worst]
    device, rest = devices[worst], sorted(breaks.failed - {worst})
    rated = [f"{device.interrupting_a / 1e3:g} kA"] if device.interrupting_a is not None else []
    rated += [f"{device.voltage_v:g} V DC"] if device.voltage_v is not None else []
    high, numbers = _upper_ends(found), {}
    most, drawn = max(breaks.worst[name][0] for name in breaks.failed), ""
    if high:  # what must be broken is the greater of both
        most = max(most, *(high[name] for name in breaks.failed))
        drawn = f", {high[worst] / 1e3:.1f} kA at 95 % of the draws"
        numbers = {"current_high_a": high[worst], "must_break_a": most}
    text = (
        f"{worst} breaks {' at '.join(rated)}; {current / 1e3:.1f} kA can flow through it (fault at {place}{drawn}) at {breaks.volt:.1f} V"
        f"{others(rest)}. It may weld, arc on or burst: nothing may rest on it. Fit devices that break "
        f"{_up(most)} or more at {breaks.volt:.1f} V DC."
    )
    yield verdict(
        "device-cannot-break", ", ".join([worst, *rest]), text, current_a=current, breaks_a=device.interrupting_a,
        voltage_v=breaks.volt, rated_v=device.voltage_v, devices=len(breaks.failed), **numbers,
    )  # fmt: skip


def _upper_ends(found):
    """Device → 95 % of the draws of the greatest current through it [A]; empty without draws."""
    bands = found.bands
    if bands is None or not bands.uncertain:
        return {}
    ends = np.quantile(bands.through, QUANTILES["high"], axis=0)
    return {device.name: float(end) for device, end in zip(found.scenario.bank.devices, ends, strict=True)}


def _up(amperes):
    """A current that must be broken, in kA, rounded up so that what is bought by it breaks it."""
    return f"{math.ceil(round(amperes / 100.0, 6)) / 10.0:.1f} kA"


def _missing(found):
    """Packs, strings and ports without a device (of one that cannot break, another verdict tells)."""
    bank = found.scenario.bank
    owners = {device.owner for device in bank.devices}
    rows = _rows(found, "device present")
    rows = rows[~rows["part"].isin(owners)]
    missing = list(rows["where"])
    if not owners:
        most = float(found.faults["initial_a"].max())
        names = [pack.name for pack in bank.packs]
        text = (
            f"The file has no fuse or breaker at all: nothing ends a fault of up to {most / 1e3:.1f} kA in the wiring, and if a pack fails inside, "
            f"the others push all they have into it. Fit one at each of {short(names, 4)} and at each port, that breaks that current."
        )
        yield verdict("no-own-device", ", ".join(missing), text, places=len(missing), current_a=most)
        return
    is_port = rows["part"].isin(list(bank.graph.ports))  # names of packs, strings and ports are never alike
    own, ports = list(rows["where"][~is_port]), list(rows["where"][is_port])
    if own:
        fed = _most_inside(found, set(own))
        text = (
            f"{short(own, 4)} {'has' if len(own) == 1 else 'have'} no fuse or breaker of {'its' if len(own) == 1 else 'their'} own: if one fails "
            f"inside, the others push all they have into it, up to {fed / 1e3:.1f} kA. Fit one at each, close to its terminal, "
            "that breaks that."
        )
        yield verdict("no-own-device", ", ".join(own), text, places=len(own), current_a=fed)
    if ports:
        most = float(found.faults["initial_a"].max())
        text = (
            f"{short(ports, 4)} {'has' if len(ports) == 1 else 'have'} no fuse or breaker at the take-off: a fault in the leads has all the bank "
            f"behind it, up to {most / 1e3:.1f} kA, and nothing opens. Fit one at the take-off that breaks that."
        )
        yield verdict("port-without-device", ", ".join(ports), text, places=len(ports), current_a=most)


def _most_inside(found, owners):
    """Greatest current that the others feed into a fault at one of some packs or strings, "A" or "string S" [A]."""
    strings, most = found.scenario.bank.strings, 0.0
    for place, row in found.faults.iterrows():
        named = {name for name in place.split(", ") if name in owners}
        if row["owner"] in owners and row["kind"] in ("inside", "pack"):
            named.add(row["owner"])
        for name in named:
            flows = found.shares.loc[place]
            own = sum(abs(flows[pack]) for pack in strings.get(name.removeprefix("string "), (name,)))
            most = max(most, abs(flows["fault"]) - own)
    return float(most)


def _burning(found):
    """The conductor that burns first."""
    rows = _rows(found, "withstand")
    if not len(rows):
        return
    first = first_to_burn(found)
    if first is None:  # only at a current between least and greatest
        row = rows.loc[(rows["value"] / rows["limit"]).idxmax()]
        rest = [where for where in rows["where"] if where != row["where"]]
        text = (
            f"{row['where']} takes {row['value'] / row['limit']:.3g} times the heat that it withstands in a fault of less than the greatest "
            f"current, before a device opens{others(rest, 2)}. Fit a device that opens sooner, or thicker cable."
        )
        yield verdict(
            "cable-burns-first", ", ".join([row["where"], *rest]), text, i2t_a2s=row["value"], withstand_a2s=row["limit"], conductors=len(rows)
        )  # fmt: skip
        return
    rest = [where for where in rows["where"] if where != first.conductor]
    text = (
        f"{first.conductor} burns first: a fault at {first.place} drives {first.current_a / 1e3:.2f} kA through it, and after "
        f"{duration_text(first.time_s)} it is hotter than it withstands; nothing ends the fault before ({len(rows)} "
        f"conductor{'s' * (len(rows) > 1)} in all would burn). Fit "
        "devices that open sooner, or thicker cable."
    )
    yield verdict(
        "cable-burns-first", ", ".join([first.conductor, *rest]), text, time_s=first.time_s, current_a=first.current_a,
        withstand_a2s=first.withstand_a2s, conductors=len(rows),
    )  # fmt: skip


def _not_cleared(found):
    """Places at which the least fault goes on."""
    rows = _rows(found, "clears in time")
    if not len(rows) or not found.scenario.bank.devices:  # of which another verdict tells
        return
    faults = found.faults
    never = rows[rows["value"].isna()]
    if len(never):
        row = max((row for row in never.itertuples()), key=lambda row: faults.loc[row.where, "least_a"])
        least, most = (float(faults.loc[row.where, key]) for key in ("least_a", "initial_a"))
        why = _why_not_cleared(row.numbers)
        more = f" So it is at {len(never)} of {len(faults)} places." if len(never) > 1 else ""
        text = (
            f"A fault at {row.where}, {least / 1e3:.2f} to {most / 1e3:.2f} kA, is never cleared: {why}.{more} Cables burn on until the packs "
            "are empty. Fit devices between every pack and every such place that open at the least current."
        )
        where = ", ".join([row.where, *(place for place in rows["where"] if place != row.where)])
        yield verdict("fault-not-cleared", where, text, least_a=least, greatest_a=most, places=len(rows), never=len(never))
        return
    row = rows.loc[rows["value"].idxmax()]
    rest = [where for where in rows["where"] if where != row["where"]]
    text = (
        f"The least fault at {row['where']} is cleared only after {duration_text(row['value'])}, wanted {duration_text(row['limit'])}"
        f"{others(rest, 2)}. Fit a smaller or quicker device, or shorter and thicker cable."
    )
    yield verdict("fault-not-cleared", ", ".join([row["where"], *rest]), text, cleared_s=row["value"], places=len(rows), never=0)


def _why_not_cleared(numbers):
    """Why a fault goes on, from the data of its check."""
    shut, weak = numbers["failed_closed"], numbers["too_little_for"]
    parts = ([f"{shut} failed closed"] if shut else []) + ([f"too little for {weak}"] if weak else [])
    return "; ".join(parts) or f"fed by {numbers['fed_by']} past every device"


def _shorted(found):
    """A pack with a shorted cell, fed by its neighbours, its BMS stuck: the case of most energy, and another where more amperes flow."""
    for code, status in (("fed-past-every-fuse", FAIL), ("shorted-cell-goes-on", NOTE)):
        names = [name for name in _rows(found, "shorted cell", status)["where"] if found.short_cases.get(name)]
        if not names:
            continue
        each = {name: found.short_cases[name] for name in names}
        goes_on = {name: [row for row in rows if row.opens_s is None] or rows for name, rows in each.items()}
        cases = {name: max(rows, key=lambda row: row.energy_wh) for name, rows in goes_on.items()}
        worst = max(names, key=lambda name: cases[name].energy_wh)
        rest, case = [name for name in names if name != worst], cases[worst]
        strongest = max((row for rows in each.values() for row in rows), key=lambda row: row.peak_a)
        mean = _mean_feed(found, case)
        text = (
            f"If {'a cell' if case.cells == 1 else f'{case.cells} cells'} in {worst} shorts with BMS switches stuck, {_feeders(case)} "
            f"{energy(case.energy_wh)} into it within {hours(case.hours)} (up to {case.peak_a:.0f} A, mean {mean:.0f} A){others(rest)}. "
        )
        only = None if case.stopped_by is None else f"Only {_ended(found, case)}"
        if code == "fed-past-every-fuse":
            text += f"{only or 'No device that can be relied on ends it'}: fit one that can at each pack."
        else:
            text += f"{only or 'No fuse ends so little'}: watch temperatures, take such a pack off by hand."
        if f"{strongest.peak_a:.0f}" != f"{case.peak_a:.0f}":
            into = f" into {strongest.pack}" * (strongest.pack != worst)
            text += f" Another case: up to {strongest.peak_a:.0f} A{into}, {_how_it_goes(found, strongest)}."
        yield verdict(
            code, ", ".join([worst, *rest]), text, peak_a=strongest.peak_a, energy_wh=case.energy_wh, hours=case.hours, packs=len(names),
            case_peak_a=case.peak_a, case_mean_a=mean,
        )  # fmt: skip


def _feeders(case):
    """Who feeds a pack with a shorted cell."""
    return "neighbours feed" if case.charger == NO_CHARGER else "neighbours and charger feed"


def _mean_feed(found, case):
    """Charge that went into a pack with a shorted cell, over the time of the feed [A]."""
    capacity_ah = next(pack.capacity_ah for pack in found.scenario.bank.packs if pack.name == case.pack)
    return (case.good_cell_soc_end - case.soc_start) * capacity_ah / case.hours if case.hours > 0 else 0.0


def _ended(found, case):
    """What ended a feed, on what that rests, and when."""
    gaps = found.breaks.with_gaps(case.stopped_where)[len(case.stopped_where) :]
    return f"{case.ended_by}{gaps} ends it after {duration_text(case.hours * 3600.0)}"


def _how_it_goes(found, case):
    """Whether something opens in a case of a shorted cell, and whether that ends the feed."""
    if case.stopped_by is not None:
        return f"until {_ended(found, case)}"
    return (
        f"less once {short([found.breaks.with_gaps(name) for name in case.opened])} open{'s' * (len(case.opened) == 1)}"
        if case.opened
        else "nothing opens"
    )


# ---- what burns at a lasting load ----


OVERLOAD = "ampacity ≥ load"  # of a conductor: value with its margin, limit its ampacity


def _overloaded(found):
    """Conductors that may not carry the load that lasts."""
    rows = _rows(found, OVERLOAD)
    if not len(rows):
        return
    row = rows.loc[(rows["value"] / rows["limit"]).idxmax()]
    rest = [where for where in rows["where"] if where != row["where"]]
    margin = found.assumptions.margin
    text = (
        f"{row['where']} may carry {row['limit']:.0f} A; the load that lasts is {row['value'] / margin:.0f} A, and {margin:g} times that "
        f"{row['value']:.0f} A{others(rest, 2)}. Fit thicker cable (or ask for less), then a device between load and ampacity."
    )
    yield verdict(
        "conductor-overloaded", ", ".join([row["where"], *rest]), text, load_a=row["value"] / margin, ampacity_a=row["limit"], conductors=len(rows)
    )  # fmt: skip


def _unprotected(found):
    """Conductors through which devices let more pass than they may carry."""
    rows = _rows(found, "rating ≤ ampacity")
    if not len(rows):
        return
    free = rows[rows["value"].isna()]
    if len(free):
        row = free.loc[free["limit"].idxmin()]
        passes = "no device limits its current"
    else:
        row = rows.loc[(rows["value"] / rows["limit"]).idxmax()]
        passes = f"the devices let {row['value']:.0f} A pass for good"
    rest = [where for where in rows["where"] if where != row["where"]]
    todo = "Fit a device rated between its load and that, or thicker cable."
    if row["where"] in set(_rows(found, OVERLOAD)["where"]):  # a device so small would open on the load
        todo = "Its load is more than that already: fit thicker cable (or ask for less), then a device between load and ampacity."
    text = (
        f"{row['where']} may carry {row['limit']:.0f} A, and {passes}: an overload burns it before anything opens"
        f"{others(rest, 2)}. {todo}"
    )
    yield verdict(
        "conductor-unprotected", ", ".join([row["where"], *rest]), text, ampacity_a=row["limit"], passes_a=row["value"], conductors=len(rows)
    )  # fmt: skip


def _below_load(found):
    """Devices that trip without a fault."""
    rows = _rows(found, "rating ≥ load")
    if len(rows):
        row = rows.loc[(rows["value"] / rows["limit"]).idxmax()]
        rest = [where for where in rows["where"] if where != row["where"]]
        margin = found.assumptions.margin
        text = (
            f"{row['where']} is rated {row['limit']:g} A; the load that lasts is {row['value'] / margin:.1f} A, and {margin:g} times that "
            f"{row['value']:.1f} A{others(rest)}: it may trip without a fault. Fit a larger one if its cable carries it, or ask for less."
        )
        yield verdict(
            "rating-below-load", ", ".join([row["where"], *rest]), text, load_a=row["value"] / margin, rating_a=row["limit"]
        )


# ---- what the rest then carries ----


def _outages(found):
    """One pack or string out: who opens next, what is left."""
    failed = set(_rows(found, "outage")["where"])
    rows = [row for row in found.worst_outages.itertuples() if f"without {row.dropped}, {row.load}" in failed] if failed else []
    if not rows:
        return

    row = min(rows, key=lambda row: (not row.surely, len(row.left)))  # what surely goes first, then what leaves least
    rest = list(dict.fromkeys(other.dropped for other in rows if other.dropped != row.dropped))
    more = len(row.opened) - 1
    opens = f"{found.breaks.with_gaps(row.opened[0])} opens after {duration_text(row.first_s)}" + (
        f", then {more} more" if more else ""
    )
    perhaps = "" if row.surely else "may be that "
    left = ", ".join(row.left) or "none"
    text = (
        f"With {row.dropped} out at full {row.load} {perhaps}{opens} (hardest pack {row.pack}, {abs(row.current_a):.0f} A, {abs(row.c_rate):.2f} C); "
        f"left in service: {left}{others(rest)}. Ask for less when one is out, or give the rest larger devices and cable."
    )
    yield verdict(
        "one-out-cascade", ", ".join([row.dropped, *rest]), text, current_a=abs(row.current_a), c_rate=row.c_rate, openings=len(row.opened)
    )  # fmt: skip


def _selectivity(found):
    """What opens first, and whether that is what should."""
    clearing = found.clearing
    if not len(found.scenario.bank.devices) or not len(clearing):
        return
    wrong = [
        place
        for place, row in clearing.iterrows()
        if row["selective_code"] == "no" and row["opened"] and row["stopped_by"] not in (None, row["opened"][0])
    ]
    if wrong:
        row = clearing.loc[wrong[0]]
        text = (
            f"A fault at {wrong[0]} is for {row['stopped_by']} to clear, but {found.breaks.with_gaps(row['opened'][0])} "
            f"opens before it{others(wrong[1:], 2)}: more of the bank goes dark than must. Fit a slower or larger device nearer the packs, or "
            "a quicker one there."
        )
        yield verdict("not-selective", ", ".join(wrong), text, places=len(wrong))
    faults = found.faults.reindex(clearing.index)
    place = faults["initial_a"].astype(float).idxmax()
    row = clearing.loc[place]
    cleared = row["cleared_latest_s"]
    ended = (
        f"cleared after {duration_text(cleared)} at the latest"
        if cleared is not None and cleared == cleared
        else "NOT CLEARED by the latest of their bands"
    )
    opens = _first_words([found.breaks.with_gaps(name) for name in row["opened"]], row["first_s"])
    most = f"{faults.loc[place, 'initial_a'] / 1e3:.1f} kA at {place}"
    text = f"In the greatest fault by the file's own values (packs as new, full, warm), {most}, {opens}; it is {ended}."
    yield verdict(
        "opens-first", place, text, current_a=faults.loc[place, "initial_a"], cleared_s=cleared if cleared is not None else float("nan")
    )  # fmt: skip


def _first_words(opened, first_s):
    """Which device opens first, when [s], and which then."""
    if not opened:
        return "nothing opens"
    return f"{opened[0]} opens first, after {duration_text(first_s)}" + (f", then {short(opened[1:])}" if opened[1:] else "")


def _drop(found):
    rows = _rows(found, "voltage drop")
    if len(rows):
        row = rows.loc[rows["value"].idxmax()]
        rest = [where for where in rows["where"] if where != row["where"]]
        text = (
            f"At {row['where']}, {row['value']:.1f} % of the voltage is lost between packs and port, limit {row['limit']:g} %"
            f"{others(rest)}. Fit thicker or shorter leads, or look for a bad joint."
        )
        yield verdict(
            "voltage-drop", ", ".join([row["where"], *rest]), text, drop_percent=row["value"], limit_percent=row["limit"]
        )


# ---- what is not known ----


def _unknown(found):
    """What could not be checked, and which reading would do."""
    doubtful = sorted(found.breaks.doubtful)
    if doubtful:
        most = max(doubtful, key=lambda name: found.breaks.worst[name][0])
        current, place = found.breaks.worst[most]
        text = (
            f"DC interrupting or voltage rating of {short(doubtful)} is not given: {current / 1e3:.1f} kA can flow through {most} (fault at "
            f"{place}) at {found.breaks.volt:.1f} V. Whether it opens is not known; read both from its sheet (an AC rating does not count)."
        )
        yield verdict("device-ratings-unknown", ", ".join(doubtful), text, current_a=current, voltage_v=found.breaks.volt)
    devices = found.scenario.bank.devices
    blind = [d.name for d in devices if d.band is None] + [name for name in found.breaks.beyond]
    if blind:
        text = (
            f"When {short(blind)} opens is not known: its class or time-current curve is not given, or ends before what may flow. Give class "
            "or trip from its sheet; until then no time that hangs on it can be relied on."
        )
        yield verdict("device-curve-unknown", ", ".join(blind), text, devices=len(blind))
    bare = list(
        dict.fromkeys(
            [*_rows(found, "rating ≤ ampacity", NOT_CHECKABLE)["where"], *_rows(found, "withstand", NOT_CHECKABLE)["where"]]
        )
    )
    bare = [name for name in bare if _no_ampacity(found, name)]
    if bare:
        text = (
            f"What {len(bare)} conductor{'s' * (len(bare) > 1)} may carry or stand in a fault could not be checked ({short(bare)}): insulation, "
            "size or ampacity is not given. Read the jacket, or the bar maker's sheet, and give it in the file."
        )
        yield verdict("ampacity-unknown", ", ".join(bare), text, conductors=len(bare))
    left = found.counts[NOT_CHECKABLE] - len(found.hanging) - len(_hangs_on_left_out(found))
    if left and not (doubtful or blind or bare):
        rows = found.checks[found.checks["status"] == NOT_CHECKABLE]
        row = rows.drop(found.hanging.index.union(_hangs_on_left_out(found).index)).iloc[0]
        text = (
            f"{left} check{'s' * (left > 1)} could not be made for want of data, first {row['rule']} at {row['where']}. The table of checks "
            "says what to read."
        )
        yield verdict("not-checkable", row["where"], text, checks=left)


def _hangs_on_left_out(found):
    """Checks that pass only with joints and wiring inside packs, which the file leaves out, at zero."""
    return found.checks[[LEFT_OUT in wants for wants in found.checks["wants"]]]


def _on_left_out(found):
    left, checks = found.scenario.bank.left_out_words, _hangs_on_left_out(found)
    told = {
        "clears in time": ("fault-may-not-clear", "The least fault at {} clears in time"),
        "withstand": ("cable-may-burn", "{} withstands every fault"),
    }
    for rule, (code, does) in told.items():
        where = list(checks.loc[checks["rule"] == rule, "where"])
        if where:
            text = (
                f"{does.format(where[0])} only with {left} counted as zero, since the file leaves them out; not with what is seen in practice"
                f"{others(where[1:], 2)}. Measure and give them, or let --bands draw them."
            )
            yield verdict(code, ", ".join(where), text, UNKNOWN, places=len(where))


def _hanging(found):
    """What passes by the file and not in every draw, and how far the greatest current reaches."""
    bands = found.bands
    if bands is None or not bands.uncertain:
        return
    words = {value.key: value.words for value in bands.uncertain}
    for rule, (code, told) in HANGING.items():
        rows = found.hanging[found.hanging["rule"] == rule]
        if not len(rows):
            continue
        row = rows.loc[rows["fails_in"].astype(float).idxmax()]
        rest = [where for where in rows["where"] if where != row["where"]]
        share = float(row["fails_in"])
        severity = DANGER if share >= HANGS_DANGER else ACT if share >= HANGS_ACT else UNKNOWN
        numbers = {"fails_in": share, "value": row["value"], "limit": row["limit"], "places": len(rows), "draws": bands.draws}
        measure = f", or measure {words[row['decided_by']]}" if row["decided_by"] else ""
        text = told(found, row, others(rest, 2), f"{share * 100:.3g} % of {bands.draws} draws", measure)
        yield verdict(code, ", ".join([row["where"], *rest]), text, severity, **numbers)
    at_once = bands.table.xs("initial_a", level="figure")
    place = at_once["high"].idxmax()
    low, high, file = (float(at_once.loc[place, end]) for end in ("low", "high", "file"))
    deciding = f" What moves it most: {bands.decides}." if bands.decides else ""
    text = (
        f"Over the draws most can flow in a fault at {place}: {low / 1e3:.1f} to {high / 1e3:.1f} kA in nine draws of ten, "
        f"{file / 1e3:.1f} kA by the file's own values.{deciding} {_upper_end(place, at_once['high'])}"
    )
    yield verdict("fault-current-band", place, text, low_a=low, high_a=high, file_a=file, draws=bands.draws)


def _upper_end(place, high):
    """By which upper end devices are chosen: inside a pack its own cells feed a part that no device sees."""
    inside = high.index.str.startswith("inside ")
    if not place.startswith("inside ") or inside.all():
        return "Choose devices by the upper end."
    seen = high[~inside]
    return f"Its own cells feed part of that past every device: choose these by the upper end at {seen.idxmax()}, {seen.max() / 1e3:.1f} kA."


def _may_not_break(found, row, more, share, measure):
    names = [device.name for device in found.scenario.bank.devices]
    high, most = _upper_ends(found)[row["where"]], float(found.bands.through[:, names.index(row["where"])].max())
    need = high if high > row["limit"] else most
    return (
        f"{row['where']} breaks {row['limit'] / 1e3:g} kA: enough for {row['value'] / 1e3:.2f} kA by the file, too little in {share} "
        f"({high / 1e3:.2f} kA at 95 %, up to {most / 1e3:.2f} kA){more}. It may weld, arc on or burst. Fit one that breaks {_up(need)}{measure}."
    )


def _may_burn(found, row, more, share, measure):
    return (
        f"{row['where']} withstands every fault by the file, and not in {share}{more}. Fit a device that opens sooner, or "
        f"thicker cable{measure}."
    )


def _may_not_clear(found, row, more, share, measure):
    return (
        f"The least fault at {row['where']} is cleared within {duration_text(row['limit'])} by the file, and not in "
        f"{share}{more}. Fit a smaller or quicker device, or shorter and thicker cable{measure}."
    )


HANGING = {  # rule → code and words of its verdict
    "interrupting rating": ("device-may-not-break", _may_not_break),
    "withstand": ("cable-may-burn", _may_burn),
    "clears in time": ("fault-may-not-clear", _may_not_clear),
}


def _no_ampacity(found, name):
    """Whether what a conductor may carry or withstand is itself not known."""
    from simbank.bank.ampacity import conductor_ampacity, conductor_withstand

    branch = next(branch for branch in found.scenario.bank.graph.branches if branch.name == name)
    return (
        conductor_ampacity(branch.conductor, found.scenario.bank.ambient_k)[0] is None
        or conductor_withstand(branch.conductor)[0] is None
    )


def _nothing(found):
    """No check failed: what was looked at, and what is nearest to its limit."""
    if found.counts[FAIL]:
        return
    checks = found.checks[(found.checks["status"] == PASS) & found.checks["value"].notna() & found.checks["limit"].notna()]
    checks = checks[(checks["limit"] > 0) & (checks["value"] > 0)]
    near = ""
    if len(checks):
        row = checks.loc[(checks["value"] / checks["limit"]).idxmax()]
        near = f" Nearest to its limit: {row['rule']} at {row['where']}, {row['value'] / row['limit'] * 100:.0f} % of it."
    hanging = len(found.hanging)
    partly = f" ({hanging} of them hold by the file, not in every draw)" if hanging else ""
    text = (
        f"No check failed: {found.counts[PASS]} rules hold for the numbers of the file, {found.counts[NOT_CHECKABLE]} could not be judged{partly}."
        f"{near} This says nothing of what the file leaves out."
    )
    yield verdict("nothing-found", "bank", text, checks=found.counts[PASS], not_checkable=found.counts[NOT_CHECKABLE])

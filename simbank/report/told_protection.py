"""What the study of protection found, as people read it on a terminal and on a page: tables, what opens at each place, checks by rule."""

from __future__ import annotations

import re
from dataclasses import dataclass

import pandas as pd

from simbank.digits import duration, number, numbers
from simbank.report.failures import URGENCY
from simbank.results import Shown
from simbank.studies.protection import Protection
from simbank.studies.protection.breaking import FAILED_CLOSED
from simbank.studies.protection.checks import FAIL, NOT_CHECKABLE, NOTE, PASS

__all__ = ["CheckGroup", "Opening", "check_groups", "fault_tables", "openings", "outage_table", "overload_table", "shorted_table"]

_FAULT_COLUMNS = {
    "place": "fault at", "initial_a": "at once [A]", "after_1s_a": "after 1 s [A]", "least_a": "least [A]",
    "least_one_pack_a": "least, one pack [A]",
}  # fmt: skip
_BAND_COLUMNS = {
    key: heading for key, heading in _FAULT_COLUMNS.items() if key in ("place", "initial_a", "least_a", "least_one_pack_a")
}
_MORE_OF_BANDS = {"after_10ms_a": "after 10 ms [A]", "after_100ms_a": "after 100 ms [A]", "after_1s_a": "after 1 s [A]"}
_MORE_OF_FAULTS = {"after_10ms_a": "after 10 ms [A]", "after_100ms_a": "after 100 ms [A]", "rise_ms": "63 % after"}
_OVERLOAD_COLUMNS = {
    "times_full_load": "times full load", "device": "device", "current": "current [A]", "soonest_s": "alone, soonest",
    "latest_s": "alone, latest", "in_turn_s": "in turn",
}  # fmt: skip
_MORE_OF_OVERLOAD = {"breaks": "counts as", "middle_s": "alone, middle"}
_OUTAGE_COLUMNS = {"dropped": "without", "load": "full", "pack": "hardest pack", "current_a": "current [A]", "then": "then"}
_MORE_OF_OUTAGES = {"c_rate": "C-rate", "device_margin": "rating ÷ current"}
_SHORT_COLUMNS = (
    "short in",
    "start",
    "charger",
    "largest feed [A]",
    "fed in [Wh]",
    "over after",
    "good cells up to [V]",
    "ended by",
)
_UNITS_S = {"µs": 1e-6, "ms": 1e-3, "s": 1.0, "min": 60.0, "h": 3600.0, "days": 86400.0, "years": 365.25 * 86400.0}
_TIME = re.compile(rf"(\d[\d.]*) ({'|'.join(_UNITS_S)})\b")
UNCLEARED = "NOT CLEARED"


@dataclass(frozen=True)
class Opening:
    """What opens in the greatest case at places where the same devices open in the same order.

    Attributes
    ----------
    places : list of str
    opens : str
        What opens, and when: at several places from the first to the last of them.
    alone : str
        Which device alone would clear it, as a sentence; empty if none would.
    selective : str
    cleared : bool
        Whether that ends the fault.
    """

    places: list[str]
    opens: str
    alone: str
    selective: str
    cleared: bool


@dataclass(frozen=True)
class CheckGroup:
    """Checks of one rule and one status: ``found`` has (where, what was found)."""

    status: str
    rule: str
    source: str
    found: list[tuple[str, str]]


def fault_tables(found: Protection) -> list[Shown]:
    """Prospective fault currents by place; with bands that say something, from 5 to 95 % of the draws too."""
    title = f"{found.scenario.name}: prospective fault currents, bolted"
    tables = [Shown(title, found.faults.reset_index(), _FAULT_COLUMNS, _MORE_OF_FAULTS)]
    if found.bands is not None and found.bands.uncertain:
        tables.append(Shown("The same from 5 to 95 % of the draws", found.bands.spans(), _BAND_COLUMNS, _MORE_OF_BANDS))
    return tables


def openings(told: pd.DataFrame, each: bool) -> list[Opening]:
    """What opens at each place (:attr:`~simbank.studies.protection.Protection.clearing_told`), first where that does not end the fault.

    Places at which the same devices open in the same order are told together, with the times from the first to the last of them;
    ``each``: each by itself.
    """
    groups: dict[tuple, list] = {}
    for place, stops, selective, opens in told.itertuples(index=False):
        skeleton = place if each else _TIME.sub("", opens)
        groups.setdefault((skeleton, stops, selective), []).append((place, opens))
    out = []
    for (_, stops, selective), rows in sorted(groups.items(), key=lambda group: UNCLEARED not in group[1][0][1]):
        alone = "" if stops == "none" else f"{stops[:1].upper()}{stops[1:]} alone would clear it."
        opens = _spans([opens for _, opens in rows])
        out.append(Opening([place for place, _ in rows], opens, alone, selective, UNCLEARED not in opens))
    return out


def _spans(texts):
    """One text for several that differ in their times only: each time as the span from the least to the greatest."""
    times = zip(*(_TIME.findall(text) for text in texts), strict=True)

    def span(found):
        ordered = sorted(set(found), key=lambda part: float(part[0]) * _UNITS_S[part[1]])
        (low, low_unit), (high, high_unit) = ordered[0], ordered[-1]
        if len(ordered) == 1:
            return f"{low} {low_unit}"
        return f"{low} to {high} {high_unit}" if low_unit == high_unit else f"{low} {low_unit} to {high} {high_unit}"

    spans = iter([span(found) for found in times])
    return _TIME.sub(lambda _: next(spans), texts[0])


def overload_table(found: Protection, each: bool) -> Shown:
    """When each device opens; devices that open alike at the same overload in one row, unless ``each``."""
    overload = found.overload
    with_gaps = pd.Series([found.breaks.with_gaps(name) for name in overload["device"]], overload.index, dtype=object)
    if not each:  # what counts as failed closed says so by its name
        shut = overload["device"] + " (" + overload["breaks"] + ")"
        with_gaps = with_gaps.mask(overload["breaks"] == FAILED_CLOSED, shut)
    overload = overload.assign(device=with_gaps)
    rows: list[tuple] = []
    times = ["soonest_s", "middle_s", "latest_s", "in_turn_s"]
    for _, row in overload.iterrows():
        told = (row["times_full_load"], row["breaks"], *(duration(row[key]) for key in times))
        if not each and rows and rows[-1][0] == told:
            rows[-1][1].append(row)
        else:
            rows.append((told, [row]))
    table = pd.DataFrame([_together(same) for _, same in rows])
    title = "Overload at the ports: when each device opens if no other does, and in turn"
    return Shown(title, table, _OVERLOAD_COLUMNS, _MORE_OF_OVERLOAD, keys=2)


def _together(rows):
    """Rows that say the same of several devices as one."""
    currents = [row["current_a"] for row in rows]
    ends = dict.fromkeys(number(current, "A") for current in (min(currents), max(currents)))
    return {**rows[0], "device": ", ".join(row["device"] for row in rows), "current": " to ".join(ends)}


def outage_table(found: Protection) -> Shown:
    """Of every part that may be out at full load, the hardest pack of the rest."""
    return Shown("One out at full load", found.worst_outages, _OUTAGE_COLUMNS, _MORE_OF_OUTAGES, keys=2)


def shorted_table(found: Protection, each: bool) -> tuple[Shown, int]:
    """Of every pack the cases of the largest feed and of the most energy, and how many others there are; ``each``: every case."""
    told = found.told_shorted.reset_index(drop=True)
    told["over after"] = [duration(hours * 3600.0) for hours in told.pop("over after [h]")]
    told["good cells up to [V]"] = numbers(told["good cells up to [V]"], "V")
    kept = pd.Series(each, told.index)
    of_pack = (
        told.sort_values("fed in [Wh]", ascending=False)
        .assign(pack=told["short in"].str.split(", "))
        .explode("pack")
        .groupby("pack")
    )
    for column in ("largest feed [A]", "fed in [Wh]"):
        kept[of_pack[column].idxmax()] = True
    columns = {key: key for key in _SHORT_COLUMNS}
    more = {key: key for key in told if key not in columns}
    title = "A cell shorts and every BMS switch is stuck closed: what neighbours and charger feed into it"
    return Shown(title, told[kept].astype(object), columns, more, keys=3), int((~kept).sum())


def check_groups(found: Protection, everything: bool) -> list[CheckGroup]:
    """What did not pass, the gravest rule first, each rule with its source once; with ``everything`` what passed too."""
    told = found.told(found.checks if everything else found.checks[found.checks["status"] != PASS])
    status, rule = (FAIL, NOT_CHECKABLE, NOTE, PASS), dict.fromkeys([*URGENCY, *told["rule"]])
    order = {pair: k for k, pair in enumerate((s, r) for s in status for r in rule)}
    groups = sorted(told.groupby(["status", "rule"], sort=False), key=lambda group: order[group[0]])
    return [
        CheckGroup(status, rule, rows["source"].iloc[0], [(row.where, row.text) for row in rows.itertuples()])
        for (status, rule), rows in groups
    ]

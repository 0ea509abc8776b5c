"""What the study of an addition comes to in sentences, and its tables as people read them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from simbank.digits import MISSING, duration, number
from simbank.results import Shown
from simbank.simulation.bank_warnings import start_celsius
from simbank.studies.joining import ASSUMED
from simbank.studies.pack_limits import USUAL_LIMIT_C
from simbank.studies.protection.checks import FAIL
from simbank.warning import counted, listed

if TYPE_CHECKING:
    from simbank.studies.join_result import Join

__all__ = ["NOT_COMPUTED", "join_tables", "join_words", "limit_words"]

TOLD_POINTS = 2.0  # of charge that a voltage hides. Chosen here: less cannot be read from a meter of charge
SAME_SHARE, SAME_POINTS = 0.05, 2.0  # of share ratio and spread, that cannot be measured. Chosen here: as the verdicts on layouts
TOLD_SPREAD = 0.1  # points by which spreads of places differ, as they are printed
NOT_COMPUTED = (
    "energy and burn of the arc as the joint closes or opens, and how a contact stands it",
    "precharge of the capacitors in inverters and chargers that hang on the bank",
    "a BMS or device that opens while the currents level (they are followed as if nothing opened, but an assumed BMS at cell limits)",
    "whether the maker of either pack allows them to be joined, and how many",
)


def join_words(found: Join) -> list[str]:
    """What it comes to, in sentences; the last ones say what was looked at and what was not."""
    said = [*_at_once(found), *_windows(found)]
    if found.positions is not None:
        said += _place(found)
    if found.protection is not None:
        changes = found.changes
        fails, lost = changes[changes["after"] == FAIL], int((changes["after"] != FAIL).sum())
        where = f": {listed(list(dict.fromkeys(fails['where'])))}" if len(fails) else ""
        text = f"{counted(len(fails), 'check')} of protection {'fails' if len(fails) == 1 else 'fail'} that did not{where}."
        said.append(text + (f" {counted(lost, 'check')} can no longer be made." if lost else ""))
    looked = ["currents of packs, devices and conductors at the moment of joining, and how long they last"]
    if found.positions is not None:
        looked.append("the duty of the file by place")
    if found.protection is not None:
        looked.append("the checks of simbank protect")
    return [*said, f"Looked at, by the data of both files: {'; '.join(looked)}.", f"Not computed: {'; '.join(NOT_COMPUTED)}."]


def _at_once(found):
    """Currents at the moment of joining, and what they are over."""
    table, over = found.table, found.over
    new = table[table["new"]]
    worst = table["c_rate"].idxmax()
    row = table.loc[worst]
    at = f" at place {found.place.words}" if found.place.number else ""
    said = [
        f"Joined as they stand{at}, the new packs at {_volts(new['open_v'])} and the bank at {_volts(new['bank_v'])} there: "
        f"{worst} carries {abs(row['current_a']):.3g} A ({row['c_rate']:.2g} C) at once, {'into' if row['current_a'] < 0 else 'out of'} it."
    ]
    for name, row in over.head(3).iterrows():
        lasting = row["above_limit_s"]
        so_long = f" for {duration(lasting)}" if np.isfinite(lasting) else ""
        so_long = " and is after two days still above it" if np.isinf(lasting) else so_long
        limit = limit_words(row["limit"], row["limit_a"])
        said.append(f"{name} carries {abs(row['current_a']):.0f} A, over {limit}{so_long}.")
    if len(over) > 3:
        said.append(f"{len(over) - 3} more are over a limit then.")
    if found.moment.unknown:
        said.append(f"Ampacity is not known, and was not looked at, of {listed(list(found.moment.unknown))}.")
    return said


def _windows(found):
    """Voltages to which to bring the new packs first, and what these do not tell."""
    said, names = [], listed(found.addition.names)
    limits = (f"{found.c_rate:g} C of its pack", _limits_met(found))
    for window, limit in zip(found.windows, limits, strict=False):
        if np.isnan(window.low_v):
            said.append(
                f"At no voltage of {names} at rest do all currents stay within {window.rule}: at {window.best_v:.2f} V the largest is still "
                f"{window.least_share:.2f} times its limit. Level the bank's own packs first."
            )
        else:
            said.append(
                f"With {names} at rest between {window.low_v:.2f} and {window.high_v:.2f} V, each measured by itself, no current at the moment "
                f"of joining is above {limit}."
            )
    if found.hidden is None:
        return said
    mean, low, high = found.hidden
    if 100.0 * max(mean - low, high - mean) > TOLD_POINTS:
        said.append(
            f"Equal voltage is not equal charge: within {found.windows[0].low_v:.2f} to {found.windows[0].high_v:.2f} V a new pack may "
            f"hold {low * 100:.0f} to {high * 100:.0f} %, as it was last charged or discharged (hysteresis), where the bank's mean is "
            f"{mean * 100:.0f} %. That difference stays, since next to nothing flows to level it. So "
            "charge both to full first, each by itself, where you can."
        )
    return said


def limit_words(limit: str, limit_a: float) -> str:
    """What a current is over.

    >>> limit_words("its rating", 125.0), limit_words("assumed: 1 C, your file gives none", 200.0)
    ('its rating (125 A)', 'an assumed limit (200 A; 1 C, your file gives none)')
    """
    kind, _, why = limit.partition(": ")
    return f"an assumed limit ({limit_a:.0f} A; {why})" if kind == ASSUMED else f"{limit} ({limit_a:.0f} A)"


def _limits_met(found):
    """Which limits no current is above in the window of limits, and of which packs the maker's is only assumed."""
    packs = found.moment.packs
    assumed = list(packs.index[packs["limit_assumed"]])
    if not assumed:
        return "a limit that is known of a pack, device or cable"
    bank = found.after.bank
    takes = sorted({float(pack.chemistry.charge_rate(start_celsius(bank, pack))) for pack in bank.packs if pack.name in assumed})
    into = " to ".join(f"{rate:.3g}" for rate in dict.fromkeys((takes[0], takes[-1])))
    rates = f"{USUAL_LIMIT_C:g} C out of a pack, {into} C into it"
    if len(assumed) < len(packs):
        return (
            f"a limit of a pack, device or cable; but of {listed(assumed)} your files do not give the maker's limit, and it is assumed "
            f"({rates}): look up what the maker allows first"
        )
    beside = "" if found.moment.branches.empty else "; currents of devices and cables are within those that are known"
    return (
        f"a limit that is assumed ({rates}). Your files give the maker's limit of no pack, so for packs this window rests on an assumed "
        f"limit alone: the maker's limit must be looked up first{beside}"
    )


def _place(found):
    """Where the new packs do least harm, how the bank shares then, and when it is full."""
    before, row, tried = found.positions.iloc[0], found.positions.loc[found.place.words], found.positions.iloc[1:]
    spread = tried["spread_max_points"].astype(float)
    own = tried.loc[[place.words for place, _ in found.runs if place is not None and place.layout is None]]
    compared = len(own) > 1 and found.place == found.best
    text = f"At place {found.place.words}"
    if compared:
        why = ", where the wiring stays as it is; others are as good by what can be measured" if found.places_alike else ""
        text = f"Least harm is done at place {found.place.words}{why}"
    text += f": {_share(row)}, spread up to {row['spread_max_points']:.1f} points; without the new packs {_share(before)}, "
    text += f"{before['spread_max_points']:.1f} points. The new packs are counted as brought to the bank's mean charge first."
    if compared:
        text += f" {_measure(own, row, found.place.words)}"
    if spread.max() - spread.min() >= TOLD_SPREAD:
        text += (
            f" Over all places tried the spread goes from {spread.min():.1f} ({spread.idxmin()}) to {spread.max():.1f} points "
            f"({spread.idxmax()})."
        )
    said = [text]
    was, full = before["first_full_h"], row["first_full_h"]
    if not pd.isna(was):
        then = "no pack is full any more in this duty" if pd.isna(full) else f"it is after {duration(3600.0 * full)}"
        said.append(
            f"Without the new packs the first pack is full after {duration(3600.0 * was)}, with them {then}: chargers and loads stay as they are."
        )
    return said


def _measure(own, row, words):
    """By which measure least harm is done, and which place would have the least spread or share if another has."""
    text = (
        f"Least harm is the smallest sum of largest share ÷ {SAME_SHARE:g} and largest spread ÷ {SAME_POINTS:g} points, of places at which "
        f"the ports get their energy; places within {SAME_SHARE:g} and {SAME_POINTS:g} points count as alike."
    )
    spread, share = own["spread_max_points"].astype(float), own["share_ratio_max"].astype(float).fillna(1.0)
    if spread.min() < spread[words] - TOLD_SPREAD:
        other = spread.idxmin()
        text += (
            f" By spread alone place {other} is better: {spread[other]:.1f} instead of {spread[words]:.1f} points, with a largest share of "
            f"{share[other]:.2f} instead of {share[words]:.2f}."
        )
    return text


def _volts(values):
    low, high = float(values.min()), float(values.max())
    return f"{low:.2f} V" if high - low < 0.005 else f"{low:.2f} to {high:.2f} V"


def _share(row):
    share, hardest = row["share_ratio_max"], row["hardest_pack"]
    if pd.isna(share):
        return "no pack carries current"
    return f"largest share {share:.2f}" + ("" if pd.isna(hardest) else f" ({hardest})")


# ---- tables ----


def join_tables(found: Join) -> list[Shown]:
    """What flows at joining, voltages to go to first, places, shares before and after, fault currents, checks that are worse."""
    tables = [_joining_table(found)]
    over = found.branches[found.branches["over_ratio"] > 1.0].reset_index()
    columns = {"where": "where", "current_a": "current at once [A]", "limit_a": "limit [A]", "above_limit_s": "above it for"}
    tables.append(
        Shown("Devices and conductors over their rating or ampacity then", over, columns, {"limit": "limited by"}, ("limit",))
    )
    tables.append(_window_table(found))
    if found.positions is not None:
        tables += _sharing_tables(found)
    if found.protection is not None:
        columns = {"where": "fault at, or through", "before_a": "before [A]", "after_a": "after [A]", "breaks_a": "it breaks [A]"}
        tables.append(Shown("Greatest fault currents before and after", found.fault_currents, columns, {"what": "what"}))
        columns = {"where": "where", "rule": "check", "before": "before", "after": "after"}
        tables.append(
            Shown("Checks that are worse with the new packs", found.changes, columns, {"text": "what it says"}, ("text",))
        )
    return [table for table in tables if len(table.frame)]


def _joining_table(found):
    table = found.table.reset_index()
    table["pack"] = [f"{name} (new)" if new else name for name, new in zip(table["pack"], table["new"], strict=True)]
    table["above_limit_s"] = table["above_limit_s"].where(table["above_limit_s"] != 0.0)
    table["over_ratio"] = _ratios(table["over_ratio"])
    columns = {
        "pack": "pack", "open_v": "at rest [V]", "current_a": "at once [A]", "c_rate": "C-rate", "limit_a": "limit [A]",
        "above_limit_s": "above it for",
    }  # fmt: skip
    more = {"soc": "charge [%]", "bank_v": "bank there [V]", "before_a": "before [A]", "over_ratio": "÷ limit"}
    (columns if table["limit_assumed"].any() else more)["limit"] = "limited by"
    on_page = tuple(key for key in ("limit",) if key in more)
    return Shown(f"{found.title}: at the moment of joining, as they stand", table, columns, more, on_page)


def _window_table(found):
    rows = found.windows_table
    rows["soc_low"], rows["soc_high"] = ([number(100.0 * v, "%") for v in rows[key]] for key in ("soc_low", "soc_high"))
    rows["least_share"] = _ratios(rows["least_share"])
    if len(rows) and found.moment.packs["limit_assumed"].any():
        rows.loc[rows.index[-1], "rule"] += ", of packs assumed"
    columns = {
        "rule": "no current above", "low_v": "at rest from [V]", "high_v": "to [V]", "soc_low": "may hold from [%]", "soc_high": "to [%]",
    }  # fmt: skip
    return Shown(
        "Voltage to which to bring the new packs first", rows, columns, {"best_v": "best [V]", "least_share": "÷ limit there"}
    )


def _sharing_tables(found):
    places = found.positions.reset_index()
    places["share"], places["new"] = _ratios(places["share_ratio_max"]), _ratios(places["share_ratio_new"])
    columns = {
        "position": "place", "share": "largest share", "hardest_pack": "of", "spread_max_points": "largest spread [points]",
        "c_rate_max": "peak C-rate", "first_full_h": "first full",
    }  # fmt: skip
    more = {
        "new": "largest share of a new pack", "spread_end_points": "spread at end [points]", "first_full_pack": "which",
        "energy_out_wh": "energy out [Wh]", "conductor_loss_wh": "lost in cables [Wh]",
    }  # fmt: skip
    shares = found.sharing.reset_index()
    headings = {
        "pack": "pack", "discharge_before": "share out, before", "discharge_after": "after", "charge_before": "share in, before",
        "charge_after": "after ",
    }  # fmt: skip
    for key in headings:
        if key != "pack":
            shares[key] = _ratios(shares[f"share_ratio_{key}"])
    return [
        Shown("Sharing by place, the new packs at the bank's mean charge", places, columns, more),
        Shown(f"Shares before and after, at place {found.place.words}", shares, headings),
    ]


def _ratios(values):
    return [MISSING if pd.isna(value) else f"{value:.2f}" for value in values]

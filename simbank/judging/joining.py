"""The verdicts of packs that are added to a bank: what burns, what is wrong, what decides."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from simbank.digits import duration
from simbank.judging import rules
from simbank.judging.rules import verdict
from simbank.judging.warned import warning_verdicts
from simbank.judging.words import first_clauses, others, short
from simbank.studies.join_result import Join
from simbank.studies.join_words import SAME_POINTS, SAME_SHARE, limit_words
from simbank.studies.joining import ASSUMED
from simbank.studies.protection.checks import FAIL
from simbank.verdict import ACT, DANGER, NOTE, Verdict

__all__ = ["join_verdicts"]

ACT_ONLY = (
    "rating ≥ load",
    "voltage drop",
    "outage",
    "trip curve",
    "both polarities",
)  # checks whose failure costs, but burns nothing


def join_verdicts(found: Join) -> Iterator[Verdict]:
    """Verdicts on an addition of packs."""
    yield from warning_verdicts(found.warnings)
    yield from _at_once(found)
    yield from _charge(found)
    if found.positions is not None:
        yield from _places(found)
    if found.protection is not None:
        yield from _checks(found)


def _at_once(found):
    """What flows at the moment of joining: over a limit, or over the C-rate that is asked for."""
    over, table = found.over, found.table
    window = next((w for w in found.windows if not np.isnan(w.low_v)), None)
    first = (
        f" Bring {short(found.addition.names)} to {window.low_v:.2f} to {window.high_v:.2f} V at rest first." if window else ""
    )
    if len(over):
        name, row = over.index[0], over.iloc[0]
        lasting = row["above_limit_s"]
        so_long = "" if pd.isna(lasting) or not np.isfinite(lasting) else f", for {duration(lasting)}"
        what = row["limit"] if row["limit"].startswith(ASSUMED) else row["limit"].partition(": ")[0]
        text = (
            f"Joined as they stand {abs(row['current_a']):.0f} A flow in {name} at once, over {limit_words(what, row['limit_a'])}{so_long}"
            f"{others(over.index[1:], 2)}. Do not join them so.{first}"
        )
        yield verdict(
            "joining-over-limit", ", ".join(over.index), text, current_a=abs(row["current_a"]), limit_a=row["limit_a"],
            above_limit_s=lasting, places=len(over),
        )  # fmt: skip
        return
    fast = table[table["c_rate"] > found.c_rate].sort_values("c_rate", ascending=False)
    if len(fast):
        row = fast.iloc[0]
        text = (
            f"Joined as they stand {fast.index[0]} carries {abs(row['current_a']):.3g} A at once, {row['c_rate']:.2g} C, more than the "
            f"{found.c_rate:g} C asked for{others(fast.index[1:])}.{first}"
        )
        yield verdict("joining-current", ", ".join(fast.index), text, current_a=abs(row["current_a"]), c_rate=row["c_rate"])


def _charge(found):
    """What voltages cannot tell: that the bank itself is uneven, and that equal voltage is not equal charge."""
    none = next((w for w in found.windows if np.isnan(w.low_v)), None)
    if none is not None:
        text = (
            f"At no voltage of {short(found.addition.names)} do all currents stay within {none.rule} when they are joined (at best "
            f"{none.least_share:.2f} times a limit): the bank's own packs level by more. Level them first."
        )
        yield verdict("level-bank-first", "bank", text, least_share=none.least_share)
    if found.hidden is None:
        return
    mean, low, high = found.hidden
    points = 100.0 * max(high - mean, mean - low)
    if points > rules.SPREAD_TOLD_POINTS:
        window = found.windows[0]
        text = (
            f"Equal voltage is not equal charge: at rest at {window.low_v:.2f} to {window.high_v:.2f} V a new pack may hold "
            f"{low * 100:.0f} to {high * 100:.0f} %, the bank's mean is {mean * 100:.0f} %, and hysteresis "
            "lets the difference stand. Charge both to full first, each by itself."
        )
        yield verdict(
            "voltage-hides-charge", ", ".join(found.addition.names), text, points=points, soc_low=low, soc_high=high, bank_soc=mean
        )  # fmt: skip


def _places(found):
    """Where the new packs do least harm, and whether sharing is worse than without them."""
    before, row, tried = found.positions.iloc[0], found.positions.loc[found.place.words], found.positions.iloc[1:]
    own = tried[[name != "all packs on a bus bar" for name in tried.index]]
    share, spread = own["share_ratio_max"].astype(float), own["spread_max_points"].astype(float)
    numbers = {
        "share_ratio": row["share_ratio_max"], "spread_points": row["spread_max_points"], "share_ratio_before": before["share_ratio_max"],
        "spread_before_points": before["spread_max_points"],
    }  # fmt: skip
    if len(own) > 1:
        if share.max() - share.min() < rules.ALIKE_SHARE and spread.max() - spread.min() < rules.ALIKE_POINTS:
            text = (
                f"All {len(own)} places in the row are alike at this duty (largest share {share.min():.2f} to {share.max():.2f}, spread "
                f"{spread.min():.1f} to {spread.max():.1f} points): put {short(found.addition.names)} where it is easiest."
            )
        else:
            worst = (share.fillna(1.0) / SAME_SHARE + spread / SAME_POINTS).idxmax()
            text = (
                f"Place {found.place.words} does least harm, by largest share and spread together: largest share "
                f"{row['share_ratio_max']:.2f}, spread {row['spread_max_points']:.1f} points; the worst place, {worst}, {share[worst]:.2f} and "
                f"{spread[worst]:.1f}."
            )
        yield verdict("best-place", ", ".join(found.addition.names), text, **numbers)
    more_share = float(row["share_ratio_max"] or 1.0) - float(before["share_ratio_max"] or 1.0)
    more_points = float(row["spread_max_points"]) - float(before["spread_max_points"])
    if more_share > rules.ALIKE_SHARE or more_points > rules.ALIKE_POINTS:
        text = (
            f"With {short(found.addition.names)} at place {found.place.words} the bank shares worse: largest share ratio "
            f"{row['share_ratio_max']:.2f} ({row['hardest_pack'] or 'all alike'}) instead of {before['share_ratio_max']:.2f}, spread "
            f"{row['spread_max_points']:.1f} instead of {before['spread_max_points']:.1f} points. Compare layouts of the new bank (simbank compare)."
        )
        yield verdict("shares-worse", str(row["hardest_pack"] or "bank"), text, **numbers)


def _checks(found):
    """Checks of protection that fail with the new packs and did not without them."""
    changes = found.changes
    fails = changes[changes["after"] == FAIL]
    already = found.protection[0].counts[FAIL]
    beside = f" {already} fail already without them: run simbank protect." if already else ""
    if not len(fails):
        lost = f"; {len(changes)} can no longer be made" if len(changes) else ""
        text = f"No check of protection fails that does not without {short(found.addition.names)}{lost}.{beside}"
        yield verdict("joining-keeps-checks", "bank", text, NOTE, failed_before=already, unknown=len(changes))
        return
    burns = fails[~fails["rule"].isin(ACT_ONLY)]
    worst = (
        (burns if len(burns) else fails)
        .sort_values("rule", key=lambda column: column != "interrupting rating", kind="stable")
        .iloc[0]
    )
    rest = [name for name in dict.fromkeys(fails["where"]) if name != worst["where"]]
    tail = f"{others(rest, 2)}. {_what_to_do(fails)} before the packs are joined.{beside}"
    head = f"With {short(found.addition.names)}, {worst['where']} no longer passes ({worst['rule']}): "
    if worst["before"] == "new":
        head = f"{worst['where']}, new with {short(found.addition.names)}, fails ({worst['rule']}): "
    room = rules.MOST_LETTERS - len(head) - len(tail) - 1
    told = first_clauses(worst["text"], room)
    yield verdict(
        "joining-fails-check", ", ".join(dict.fromkeys(fails["where"])), f"{head}{told}{tail}", DANGER if len(burns) else ACT,
        failed=len(fails), failed_before=already,
    )  # fmt: skip


def _what_to_do(fails):
    """Whether a device is to be fitted, or what is there to be changed, or both; a device that cannot break is there, and fails."""
    missing = (fails["rule"] == "device present") & (fails["before"] == "new")
    if missing.all():
        return "Fit the device that is missing"
    return "Fit the device that is missing, and change what does not do," if missing.any() else "Change what does not do"

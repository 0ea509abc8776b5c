"""The verdicts of many runs: sweeps, sensitivities, chemistries, usable energy, bills."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from simbank.digits import percent
from simbank.judging import rules
from simbank.judging.rules import verdict
from simbank.judging.warned import warning_verdicts
from simbank.judging.words import energy, short
from simbank.simulation.bank_warnings import FREEZING
from simbank.studies.bill import Bill
from simbank.studies.drift import REST_WORDS, Drift
from simbank.studies.sensitivity import Sensitivity
from simbank.studies.sweep import Sweep
from simbank.studies.usable import Usable
from simbank.verdict import ACT, Verdict

__all__ = ["bill_verdicts", "drift_verdicts", "sensitivity_verdicts", "sweep_verdicts", "usable_verdicts"]

AS_STARTED = ("unequal-charge",)  # of the charge at which a study lets all packs begin, not of the bank in the file
BEYOND = "beyond-cell-model"
UNMET_TOLD_SHARE = 1e-5  # of what is asked: less is round-off


def bill_verdicts(found: Bill) -> Iterator[Verdict]:
    """Verdicts on a bill: what the bank as it is described warns of."""
    yield from warning_verdicts(found.warnings)


def sweep_verdicts(found: Sweep) -> Iterator[Verdict]:
    """Verdicts on a sweep: what its runs warn of, the worst and the best of them."""
    yield from warning_verdicts(found.warnings)
    table = found.table
    keys = [*table.attrs.get("fixed_keys", ()), *table.attrs.get("drawn_keys", ())]
    if "first_pack" in table:
        yield from _over_years(table, keys)
    for column, what in (("share_ratio_max", "largest share ratio"), ("spread_max_points", "largest spread")):
        if column not in table or not pd.to_numeric(table[column], errors="coerce").notna().any():
            continue
        values = pd.to_numeric(table[column], errors="coerce")
        high, low = table.loc[values.idxmax()], table.loc[values.idxmin()]
        digits, unit = (".2f", "") if column == "share_ratio_max" else (".1f", " points")
        text = (
            f"Of {len(table)} runs the {what} is {values.max():{digits}}{unit} at {_point(high, keys)}, with a pack at {high['c_rate_max']:.2f} C; "
            f"the smallest is {values.min():{digits}}{unit} at {_point(low, keys)}."
        )
        yield verdict("over-the-runs", ", ".join(keys), text, runs=len(table), greatest=values.max(), least=values.min())
        return


def _over_years(table, keys):
    """The runs in which the first pack lasts longest and shortest."""
    to_80, left = (pd.to_numeric(table[column], errors="coerce") for column in ("years_to_80", "capacity_left_min"))
    ran = table["failure"].isna()
    if not ran.any():
        return
    if to_80[ran].notna().all():
        values, digits, unit, what = to_80[ran], ".1f", " years", "the first pack has 80 % left after"
    else:
        values, digits, unit, what = 100.0 * left[ran], ".1f", " %", "the pack with the least has at the end"
    frozen = table["warnings"].fillna("").str.split(", ").map(lambda codes: FREEZING in codes)
    fit, low = values[~frozen[ran]], values.idxmin()
    best = f"none is best, since in all of them packs are charged below freezing; {what}"
    if len(fit):
        high = fit.idxmax()
        row = table.loc[high]
        best = f"{what} {fit.max():{digits}}{unit} at best, at {_point(row, keys)} ({row['first_pack']} is first{_not_given(row)}), and"
    row = table.loc[low]
    worst = f"{values.min():{digits}}{unit} at worst, at {_point(row, keys)} ({row['first_pack']}{_not_given(row)})"
    cold = int(frozen[ran].sum())
    cold = (
        f" DANGER: in {cold} of them packs are charged below freezing; {'it counts' if cold == 1 else 'they count'} as no best."
        if cold
        else ""
    )
    text = f"Of {len(table)} runs {best} {worst}.{cold}"
    yield verdict("over-the-runs", ", ".join(keys), text, runs=len(table), greatest=values.max(), least=values.min())


def _not_given(row):
    """What is not given of what is asked in all the years, in words; empty where all is."""
    share = float(row["unmet_wh"] or 0.0) / max(float(row["asked_wh"] or 0.0), 1e-9)
    return f", {percent(share)} of what is asked not given" if share >= UNMET_TOLD_SHARE else ""


def _point(row, keys):
    """The values of a run, in words."""

    return short([f"{key} = {row[key]:.3g}" if isinstance(row[key], float) else f"{key} = {row[key]}" for key in keys])


def sensitivity_verdicts(found: Sensitivity) -> Iterator[Verdict]:
    """Verdicts on a sensitivity: the key to measure first."""
    yield from warning_verdicts(found.warnings)
    table = found.table
    if not len(table) or not table["total"].iloc[0] > 0:
        return
    first, rest = table.iloc[0], list(table["key"][1:])
    sure = "surely" if first["told_apart"] else "probably"
    second = f"; next is {rest[0]} with {table['total'].iloc[1] * 100:.0f} %" if rest else ""
    text = (
        f"{first['key']} {sure} moves {found.figure} most: {first['total'] * 100:.0f} % of its variance (95 %: {first['total_low'] * 100:.0f} to "
        f"{min(first['total_high'], 1.0) * 100:.0f} %){second}. Measure it first."
    )
    yield verdict(
        "moves-most", first["key"], text, total=first["total"], total_low=first["total_low"], total_high=first["total_high"]
    )  # fmt: skip


def drift_verdicts(found: Drift) -> Iterator[Verdict]:
    """Verdicts on chemistries: what keeps the spread of each standing."""
    yield from warning_verdicts(found.warnings, AS_STARTED)
    after, bare = "spread_after_rest_points", "spread_after_rest_no_hysteresis_points"
    kept = [name for name, run in found.results.items() if not any(w.code == BEYOND for w in run.warnings)]
    table = found.table.loc[kept or list(found.table.index)]  # beyond empty nothing of it holds
    worst = table[after].astype(float).idxmax()
    row, held = table.loc[worst], table.loc[worst, after] - table.loc[worst, bare]
    if row[after] < rules.SPREAD_TOLD_POINTS:
        why = "no chemistry keeps a spread that matters"
    elif held > rules.SPREAD_TOLD_POINTS:
        why = f"hysteresis keeps it, without it {row[bare]:.1f} would be left"
    else:
        why = f"without hysteresis {row[bare]:.1f} would be left, too, since cells are unequal or it levels slowly"
    band = 2.0 * row["dead_band_points"]
    others = [name for name in table.index if name != worst]
    best = min(others, key=lambda name: table.loc[name, after], default=None)
    other = f" {best} has {table.loc[best, after]:.1f}." if best is not None else ""
    text = (
        f"After {REST_WORDS} of rest {worst} stands {row[after]:.1f} points apart of {row['spread_max_points']:.1f}: {why}. Hysteresis can hold up "
        f"to {band:.0f} points there (2 × half-width ÷ slope, 30 to 70 %).{other}"
    )
    yield verdict(
        "drift-by-chemistry", worst, text, spread_points=row[after], spread_no_hysteresis_points=row[bare], hysteresis_bound_points=band
    )  # fmt: skip


def usable_verdicts(found: Usable) -> Iterator[Verdict]:
    """Verdicts on usable energy: what is lost by joining the packs."""
    together = [warning for warning in found.warnings if not warning.text.startswith("On its own: ")]
    yield from warning_verdicts(together, AS_STARTED)
    table, share = found.table, found.share
    lost = table.loc["sum of packs", "energy_wh"] - table.loc["bank", "energy_wh"]
    numbers = {"usable_share": share, "lost_wh": lost, "bank_wh": table.loc["bank", "energy_wh"]}
    whole = energy(table.loc["bank", "energy_wh"])
    given = f"At {found.c_rate:g} C the bank gives {whole}, {share * 100:.1f} % of what its packs would each on their own"
    if share < rules.USABLE_SHARE:
        text = (
            f"{given}: {energy(lost)} are lost or stay in packs that empty later. Share the current more evenly (simbank compare), use thicker "
            "cable, or discharge more slowly."
        )
        yield verdict("usable-lost", "bank", text, ACT, **numbers)
    else:
        yield verdict("usable", "bank", f"{given}: joining them costs {energy(max(lost, 0.0))}.", **numbers)

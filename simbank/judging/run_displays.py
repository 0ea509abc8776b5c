"""What a run says of its packs' displays: which is wrong, which part of a displayed spread is real, how fast each counter drifts."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from simbank.judging import rules
from simbank.judging.rules import verdict
from simbank.judging.run_packs import rest_s
from simbank.judging.words import Clock, short
from simbank.simulation import Result
from simbank.simulation.standing import displays_apart
from simbank.verdict import Verdict

__all__ = ["display_verdicts"]


def display_verdicts(result: Result) -> Iterator[Verdict]:
    """Verdicts on the displays of a run; none of a run without."""
    if result.has_displays:
        yield from _wrong(result)
        yield from _apart(result)
        yield from _drifts(result)


def _wrong(result):
    """The display that is furthest from the truth, at the instant at which it is."""
    shown, soc = result.packs["displayed_soc"], result.packs["soc"]
    error = ((shown - soc) * 100.0).dropna(axis=1, how="all")
    worst = error.abs().max()
    wrong = list(worst[worst >= rules.DISPLAY_WRONG_POINTS].sort_values(ascending=False).index)
    if not wrong:
        return
    name = wrong[0]
    at = error[name].abs().idxmax()
    row = next(row for row in result.summary["packs"] if row["name"] == name)
    times = row["display_set_full"]
    text = (
        f"The display of {name} is no guide: {Clock(result.scenario).told(at)} it showed {shown.loc[at, name] * 100:z.0f} % where its cells held "
        f"{soc.loc[at, name] * 100:z.0f} %, {abs(error.loc[at, name]):.0f} points apart. "
        f"{'Nothing' if not times else 'A full charge'} set it to 100 % in this run{f' ({times} times)' if times > 1 else ''}. "
        "Decide by a charge held until its BMS calls it full, not by what it shows."
    )
    yield verdict(
        "display-wrong", ", ".join(wrong), text, error_points=error.loc[at, name], time_s=at, displayed_soc=shown.loc[at, name],
        soc=soc.loc[at, name], packs=len(wrong),
    )  # fmt: skip


def _apart(result):
    """Displays that disagree after a rest: what cells can hold apart there, and what is the counters'."""
    end, soc = result.packs["displayed_soc"].iloc[-1].dropna(), result.packs["soc"].iloc[-1]
    packs = {pack.name: pack for pack in result.scenario.bank.packs}
    apart = displays_apart(list(packs.values()), end, soc) if rest_s(result) >= rules.RESTED_S else None
    if apart is None or apart.shown_points < rules.SPREAD_TOLD_POINTS or np.isnan(apart.bound_points):
        return
    high, low, points, cells, bound = apart.high, apart.low, apart.shown_points, apart.cells_points, apart.bound_points
    flows = float(result.packs["current_a"].iloc[-1][[high, low]].abs().max())
    still = flows <= rules.STILL_C * min(packs[high].capacity_ah, packs[low].capacity_ah)
    text = f"At rest {high} shows {end[high] * 100:z.0f} % and {low} {end[low] * 100:z.0f} %, {points:.0f} points apart. "
    if points > bound:
        text += (
            f"Cells hold up to {bound:.0f} points apart here (hysteresis over slope): {points - bound:.0f} or more are the counters'"
            + ("" if still else f", unless the {flows:.2g} A that still flow level them")
            + "."
        )
    else:
        text += f"Hysteresis can hold {bound:.0f} here, so that displays alone do not tell." if np.isfinite(bound) else ""
    text += f" In this run the cells stand {abs(cells):.1f} apart, and {points - cells:.0f} are the counters'."
    yield verdict(
        "displays-apart", f"{high}, {low}", text, displayed_spread_points=points, hysteresis_bound_points=bound, spread_points=cells,
        counters_points=points - cells, beyond_bound_points=max(0.0, points - bound), current_a=flows,
    )  # fmt: skip


def _drifts(result):
    """By how much each counter drifts in a day, by arithmetic."""
    rows = {row["name"]: row["display_drift_points_per_day"] for row in result.summary["packs"]}
    drifts = {name: value for name, value in rows.items() if value is not None and abs(value) >= rules.COUNTER_DRIFT_POINTS}
    if not drifts:
        return
    ordered = sorted(drifts, key=lambda name: -abs(drifts[name]))
    told = short([f"{name} {drifts[name]:+.1f}" for name in ordered], 6)
    known = [value for value in rows.values() if value is not None]
    text = (
        f"Left to count, displays drift by so many points a day, by arithmetic (what was counted over the counter's capacity, less the true "
        f"change): {told}. Between two of them that makes up to {max(known) - min(known):.1f} a day, until a full charge sets them right."
    )
    yield verdict("counters-drift", ", ".join(ordered), text, **{"points_per_day": drifts[ordered[0]], "packs": len(drifts)})

"""The verdicts of sizes that were tried: what fits, what it is nearest to, what more copper would buy."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from simbank.digits import percent
from simbank.judging import rules
from simbank.judging.rules import verdict
from simbank.judging.warned import warning_verdicts
from simbank.studies.size import LIMIT_WORDS, Sizing
from simbank.verdict import ACT, Verdict

__all__ = ["sizing_verdicts"]


def sizing_verdicts(found: Sizing) -> Iterator[Verdict]:
    """Verdicts on sizes. No size is named without what burns in it, or that nothing protects it."""
    yield from warning_verdicts(found.warnings)
    best = found.best
    if best is None:
        tried = found.table[["layout", "gauge"]].drop_duplicates()
        last = found.table.loc[found.table["area_mm2"].idxmax()]
        why = str(last["why_not"]).partition("; ")[0][:140]
        text = (
            f"None of {len(tried)} sizes fits: even {last['layout']} in {last['gauge']} does not: {why}. Try larger gauges or another layout, or "
            "ask for less."
        )
        yield verdict("no-size-fits", str(last["layout"]), text, tried=len(tried))
        return
    warned = {warning.code for warning in found.warnings}
    doubts = warned & {"conductor-overloaded", "conductor-unprotected", "device-cannot-break"}
    bad = found.unprotected(best).removeprefix(", ")
    said = [f"{bad[0].upper() + bad[1:]}" if bad else ""]
    said += ["Other conductors or devices of the file do not do"] if doubts else []
    said += ["DO NOT BUILD IT: these packs do not belong together"] if warned & set(rules.APART) else []
    said += ["SHARING ONLY: it may burn, ampacity and protection were left out"] if found.sharing_only else []
    near = ""
    if isinstance(best.get("conductor"), str) and not pd.isna(best["ampacity_a"]):
        near = f" Nearest to its limit is {best['conductor']}: {best['current_a']:.0f} A of {best['ampacity_a']:.0f} A."
    text = (
        f"{best['layout']} in {best['gauge']} is the simplest that fits, {best['copper_kg']:.2f} kg of copper, largest share ratio "
        f"{best['share_ratio']:.2f}.{near}{''.join(f' {words}.' for words in said if words)}"
    )
    yield verdict(
        "size-found", f"{best['layout']} {best['gauge']}", text, copper_kg=best["copper_kg"], share_ratio=best["share_ratio"],
        current_a=best.get("current_a") or float("nan"), ampacity_a=best.get("ampacity_a") or float("nan"),
    )  # fmt: skip
    yield from _limits_in_draws(found, best)
    yield from _more_copper(found, best)


def _limits_in_draws(found, best):
    """That the size keeps a limit in part of the draws only, worst limit first."""
    kept = found.kept
    if not kept or min(kept.values()) >= 1.0 - rules.HANGS_ACT:
        return
    told = [
        f"the limit on {LIMIT_WORDS[name]} in {percent(share)}" for name, share in sorted(kept.items(), key=lambda one: one[1])
    ]
    least = min(kept.values())
    text = (
        f"{best['layout']} in {best['gauge']} fits by the file, but over what the bank may be it keeps "
        f"{' and '.join(told)} of the draws. "
        "Copper does not settle this: narrow what is not known first (simbank run FILE --bands says which reading), then size again."
    )
    severity = ACT if least < 0.5 else None
    yield verdict("size-hangs-on-unknown", f"{best['layout']} {best['gauge']}", text, severity, kept_in=least)


def _more_copper(found, best):
    """The size that shares best of those that fit, if it is worth telling."""
    fits = found.table[found.table["fits"]]
    least = fits["share_ratio"].min()
    if best["share_ratio"] - least < rules.GAIN_SHARE:
        return
    good = fits[fits["share_ratio"] <= least + rules.ALIKE_SHARE]
    row = good.loc[good["copper_kg"].idxmin()]
    more = row["copper_kg"] - best["copper_kg"]
    copper = f"{more:.1f} kg more copper" if more > 0 else "no more copper"
    bad = found.unprotected(row).removeprefix(", ")
    text = (
        f"{row['layout']} in {row['gauge']} shares better: largest share ratio {row['share_ratio']:.2f} instead of {best['share_ratio']:.2f}, "
        f"spread {row['spread_points']:.1f} instead of {best['spread_points']:.1f} points, for {copper}.{f' It is {bad}.' if bad else ''}"
    )
    yield verdict(
        "more-copper-shares-better", f"{row['layout']} {row['gauge']}", text, ACT if more <= 0 else None, share_ratio=row["share_ratio"],
        share_ratio_found=best["share_ratio"], copper_more_kg=more,
    )  # fmt: skip

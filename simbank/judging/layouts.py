"""The verdicts of layouts side by side: which is best, by how much, and whether that is worth copper."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from simbank.bank import LAYOUTS
from simbank.judging import rules
from simbank.judging.rules import verdict
from simbank.judging.run import run_verdicts
from simbank.judging.run_packs import strained
from simbank.judging.warned import warning_verdicts
from simbank.judging.wiring import copper_kg, overloaded
from simbank.judging.words import others, short
from simbank.studies.compare import Comparison
from simbank.studies.protection.conductor_checks import carried_limits
from simbank.verdict import ACT, DANGER, Verdict

__all__ = ["comparison_verdicts", "drawn_better"]


def comparison_verdicts(found: Comparison) -> Iterator[Verdict]:
    """Verdicts on layouts, and of danger or act on the run of the file's own layout."""
    if not found.results:
        return
    own = found.own if found.own in found.results else next(iter(found.results))
    hot = {name: rows for name, result in found.results.items() if (rows := overloaded(result))}
    ran = [told for told in run_verdicts(found.results[own]) if told.severity in (DANGER, ACT)]
    if hot and not any((told.code, told.severity) == ("conductor-overloaded", DANGER) for told in ran):
        yield _overloads(hot, own)
    yield from ran
    yield from _layouts(found, own, hot)
    yield from warning_verdicts(found.left_out)


def drawn_better(found: Comparison) -> tuple[np.ndarray, str]:
    """Of each draw whether the layout that is told as best overloads nothing in it and no other that does not is better; and its name.

    Where every layout is out by the file's own values the name is empty, and it is of each draw whether every layout is out in it.
    """
    plain = sorted(found.results, key=lambda name: LAYOUTS[name].order)
    kept = [name for name in plain if not _over(found.results[name], overloaded(found.results[name]))]
    key = "spread_end_points" if _starts_apart(found.results[plain[0]]) else "spread_max_points"
    tables = {}
    for name in plain:
        drawn = found.bands.layouts[name]
        figures, packs, limits = drawn.figures, drawn.pack_figures, drawn.limit_figures
        ratios = packs.loc[:, packs.columns.get_level_values("figure").isin(("share_ratio_discharge", "share_ratio_charge"))]
        tables[name] = pd.DataFrame(
            {
                "out": figures["energy_out_wh"],
                "share": ratios.max(axis=1).fillna(1.0),
                "points": figures[key],
                "over": _over_in(limits),
            }
        )
    whole = sorted(set.intersection(*(set(table.index) for table in tables.values())))
    at = {name: table.loc[whole].to_dict("records") for name, table in tables.items()}
    if not kept:
        return np.array([all(at[name][k]["over"] for name in plain) for k in range(len(whole))], bool), ""
    best = _best({name: _figures(result) for name, result in found.results.items()}, kept)
    holds = [
        not at[best][k]["over"]
        and not any(not at[name][k]["over"] and _better(at[name][k], at[best][k]) for name in plain if name != best)
        for k in range(len(whole))
    ]
    return np.array(holds, bool), best


def _over_in(limits):
    """Of each draw whether a pack exceeds a limit of its own or a conductor, with the margin of a load that lasts, its ampacity."""
    figure = limits.columns.get_level_values("figure")
    packs, cables = limits.loc[:, figure == "of_limit"], limits.loc[:, figure == "peak_of_ampacity"]
    return (packs > 1.0).any(axis=1) | (rules.LOAD_MARGIN * cables > 1.0).any(axis=1)


def _starts_apart(result):
    """Whether packs start so far apart that the largest spread is that of the start, whatever the layout."""
    soc = result.packs["soc"].to_numpy()
    return bool(len(soc)) and 100.0 * float(np.ptp(soc[0])) >= rules.SPREAD_TOLD_POINTS


def _figures(result):
    """What layouts are held against each other by: load unmet [Wh], energy out [Wh], worst share ratio, spread [points], copper [kg].

    The spread is that at the end where packs start apart, else the largest.
    """
    summary = result.summary
    shares = [p[key] for p in summary["packs"] for key in ("share_ratio_discharge", "share_ratio_charge") if p[key] is not None]
    unmet = sum(max(p["ac_unmet_wh"] if p["ac_asked_wh"] > 0 else p["unmet_wh"], 0.0) for p in summary["ports"])
    return {
        "unmet": unmet, "out": summary["bank"]["energy_out_wh"], "share": max(shares, default=1.0),
        "points": summary["bank"]["spread_end_points" if _starts_apart(result) else "spread_max_points"], "copper": copper_kg(result.scenario.bank),
    }  # fmt: skip


def _better(one, other, at_end=""):
    """In words what one layout does better than another by more than what matters; empty if nothing."""
    said = []
    gained = one["out"] - other["out"]
    if gained > rules.ALIKE_ENERGY * max(other["out"], 1e-9):
        said.append(f"{gained / max(other['out'], 1e-9) * 100:.0f} % more energy out")
    if other["share"] - one["share"] > rules.ALIKE_SHARE:
        said.append(f"largest share ratio {one['share']:.2f} instead of {other['share']:.2f}")
    if other["points"] - one["points"] > rules.ALIKE_POINTS:
        said.append(f"{one['points']:.1f} instead of {other['points']:.1f} points of spread{at_end}")
    return said


def _overloads(hot, own):
    """The verdict on conductors that may not carry what a layout asks of them, of the file's own layout if it has such."""
    place = own if own in hot else next(iter(hot))
    worst = max(hot[place], key=lambda row: row.strain)
    rest = others((row.name for row in hot[place] if row is not worst), 2)
    more = f" (in {len(hot)} layouts conductors are overloaded)" if len(hot) > 1 else ""
    text = (
        f"In layout {place} {worst.name} carries up to {worst.current_a:.0f} A, {worst.margin * worst.current_a:.0f} A with the margin "
        f"of a load that lasts, and may carry {worst.ampacity_a:.0f} A{rest}{more}. Fit thicker cable (or ask for less), then a device "
        "between load and ampacity."
    )
    return verdict(
        "conductor-overloaded", ", ".join(row.name for row in hot[place]), text, DANGER, current_a=worst.current_a, margin=worst.margin,
        ampacity_a=worst.ampacity_a, conductors=len(hot[place]), layouts=len(hot), layout=place,
    )  # fmt: skip


def _over(result, hot):
    """Why a layout is not to be built at this duty, in words: a pack over a limit of its own, a conductor over its ampacity."""
    said = []
    ratio, _, current, limit, charge, pack = max(strained(result), key=lambda row: row[0])
    if ratio > 1.0:
        said.append(f"pack {pack.name} {current:.0f} A of {limit:.0f} A in {'charge' if charge else 'discharge'}")
    if hot:
        worst = max(hot, key=lambda row: row.strain)
        said.append(f"OVERLOADED {worst.name} {worst.margin * worst.current_a:.0f} A with margin of {worst.ampacity_a:.0f} A")
    return ", ".join(said)


def _first(parts, room):
    """The first of some reasons, as many as fit into a number of letters, but one, and how many more there are."""
    kept = list(parts[:1])
    while len(kept) < len(parts) and len("; ".join([*kept, parts[len(kept)]])) <= room:
        kept.append(parts[len(kept)])
    return "; ".join(kept) + (f"; {len(parts) - len(kept)} more" if len(kept) < len(parts) else "")


def _none_is_best(found, plain, out, hot):
    """The verdict where in every layout a pack or a conductor is overloaded."""
    least = [name for name in plain if max(row[0] for row in strained(found.results[name])) <= 1.0]
    packs = f" Only in {short(least, 4)} no pack exceeds a limit." if 0 < len(least) < len(plain) else ""
    told = _first([f"{name}: {out[name]}" for name in plain], 110)
    text = f"No layout is best: none carries this duty ({told}).{packs} Fit thicker cable or ask for less, then compare again."
    bare = _doubts(found.results[plain[0]])
    if "DO NOT BUILD" in bare or "NOT PROTECTED" in bare:
        text += f" {bare.partition(':')[0]}."
    return verdict("best-layout", ", ".join(plain), text, ACT, layouts_out=len(out), layouts_overloaded=len(hot))


def _layouts(found, own, hot):
    figures = {name: _figures(result) for name, result in found.results.items()}
    if len(figures) < 2:
        return
    plain = sorted(figures, key=lambda name: LAYOUTS[name].order)
    out = {name: why for name in plain if (why := _over(found.results[name], hot.get(name)))}
    kept = [name for name in plain if name not in out]
    if not kept:
        yield _none_is_best(found, plain, out, hot)
        return
    at_end = " of spread at the end" if _starts_apart(found.results[plain[0]]) else " of spread"
    best = _best(figures, kept)
    alike = [name for name in kept if not _better(figures[best], figures[name])]
    where, doubts = ", ".join(plain), _doubts(found.results[best])
    if len(alike) == len(plain):
        points = np.ptp([row["points"] for row in figures.values()])
        shares = np.ptp([row["share"] for row in figures.values()])
        out = np.ptp([row["out"] for row in figures.values()])
        most = max(max(row["out"] for row in figures.values()), 1e-9)
        text = (
            f"{short(plain, 4)} differ by at most {shares:.2f} in share ratio, {points:.1f} points{at_end} and {out / most * 100:.1f} % of "
            f"energy: no difference that matters at this duty. {best} needs the fewest parts, {figures[best]['copper']:.1f} kg of copper. {doubts}"
        )
        yield verdict(
            "no-difference-that-matters", where, text, share_ratio_apart=shares, spread_apart_points=points,
            energy_apart_share=out / most, copper_kg=figures[best]["copper"],
        )  # fmt: skip
        return
    if out:
        yield _best_of_the_rest(best, alike, kept, out, figures, own, where, doubts)
        return
    worse = [name for name in plain if name not in alike]
    against = own if own in worse else max(worse, key=lambda name: (figures[name]["share"], figures[name]["points"]))
    gain = _better(figures[best], figures[against], " at the end, since packs start apart" if "end" in at_end else "")
    more = figures[best]["copper"] - figures[against]["copper"]
    copper = f"{abs(more):.1f} kg {'more' if more > 0 else 'less'} copper" if abs(more) >= 0.05 else "no more copper"
    likewise = [name for name in alike if name != best]
    good = f" ({short(likewise)} as good)" if likewise else ""
    text = f"{best} is best{good}: {' and '.join(gain[:2])}, against {against}, for {copper}. "
    is_own = own == best or own in alike
    text += f"{'' if own == best else f'The file has {own}. '}{doubts}"
    yield verdict(
        "best-layout", where, text, None if is_own else ACT, share_ratio=figures[best]["share"], share_ratio_other=figures[against]["share"],
        spread_points=figures[best]["points"], spread_points_other=figures[against]["points"], energy_out_wh=figures[best]["out"],
        energy_out_other_wh=figures[against]["out"], copper_more_kg=more,
    )  # fmt: skip


def _best_of_the_rest(best, alike, kept, out, figures, own, where, doubts):
    """The verdict where a layout that overloads a pack or a conductor is out, however well it shares."""
    worse = [name for name in kept if name not in alike]
    if len(kept) == 1:
        said = f"Only {best} overloads no pack and no conductor at this duty"
    elif worse:
        gain = _better(figures[best], figures[worse[-1]])
        said = f"{best} is best that overloads nothing: {gain[0]}, against {worse[-1]}"
    else:
        said = f"{short(kept)} overload nothing and are alike; {best} needs the fewest parts"
    told = _first([f"{name}: {why}" for name, why in out.items()], 90)
    has = "" if own == best else f" The file has {own}."
    text = f"{said}. Out: {told}.{has} {doubts}"
    row = figures[best]
    return verdict(
        "best-layout", where, text, None if own in alike else ACT, share_ratio=row["share"], spread_points=row["points"],
        energy_out_wh=row["out"], copper_kg=row["copper"], layouts_out=len(out),
    )  # fmt: skip


def _best(figures, plain):
    """The simplest layout than which no other is better by what matters; of a circle, that of the least share ratio."""
    for name in plain:
        if not any(_better(figures[other], figures[name]) for other in plain if other != name):
            return name
    return min(
        plain,
        key=lambda name: (
            round(figures[name]["out"] / -max(1.0, figures[name]["out"] * rules.ALIKE_ENERGY)),
            figures[name]["share"],
        ),
    )


def _doubts(result):
    """What must be said of a layout before anybody builds it: unprotected conductors, a bar that the file does not give."""
    if any(warning.code in rules.APART for warning in result.warnings):
        return "DO NOT BUILD IT: these packs do not belong together."
    said = []
    bank = result.scenario.bank
    if not bank.devices:
        said.append("NOT PROTECTED: no fuse or breaker")
    else:
        free = [name for name, limit in carried_limits(bank).items() if not np.isfinite(limit)]
        if free:
            said.append(f"NOT PROTECTED: no device limits {short(free)}")
    branches = bank.graph.branches
    if any(b.kind == "lead" for b in branches) and not any(b.kind in ("bar", "link") for b in branches) and len(bank.packs) > 1:
        said.append("The bar is not in the file: counted without resistance and copper")
    return ". ".join(said) + "." if said else "Whether its devices suit is for simbank protect."

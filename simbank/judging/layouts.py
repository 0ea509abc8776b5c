"""The verdicts of layouts side by side: which is best, by how much, and whether that is worth copper."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from simbank.bank import LAYOUTS
from simbank.judging import rules
from simbank.judging.rules import verdict
from simbank.judging.run import run_verdicts
from simbank.judging.warned import warning_verdicts
from simbank.judging.wiring import copper_kg, overloaded
from simbank.judging.words import short
from simbank.studies.compare import Comparison
from simbank.studies.protection.conductor_checks import carried_limits
from simbank.verdict import ACT, DANGER, Verdict

__all__ = ["comparison_verdicts"]


def comparison_verdicts(found: Comparison) -> Iterator[Verdict]:
    """Verdicts on layouts, and of danger or act on the run of the file's own layout."""
    if not found.results:
        return
    own = found.own if found.own in found.results else next(iter(found.results))
    for told in run_verdicts(found.results[own]):
        if told.severity in (DANGER, ACT):
            yield told
    yield from _layouts(found, own)
    yield from warning_verdicts(found.left_out)


def _figures(result):
    """What layouts are held against each other by: load unmet [Wh], energy out [Wh], worst share ratio, spread [points], copper [kg]."""
    summary = result.summary
    shares = [p[key] for p in summary["packs"] for key in ("share_ratio_discharge", "share_ratio_charge") if p[key] is not None]
    unmet = sum(max(p["ac_unmet_wh"] if p["ac_asked_wh"] > 0 else p["unmet_wh"], 0.0) for p in summary["ports"])
    return {
        "unmet": unmet, "out": summary["bank"]["energy_out_wh"], "share": max(shares, default=1.0),
        "points": summary["bank"]["spread_max_points"], "copper": copper_kg(result.scenario.bank),
    }  # fmt: skip


def _better(one, other):
    """In words what one layout does better than another by more than what matters; empty if nothing."""
    said = []
    gained = one["out"] - other["out"]
    if gained > rules.ALIKE_ENERGY * max(other["out"], 1e-9):
        said.append(f"{gained / max(other['out'], 1e-9) * 100:.0f} % more energy out")
    if other["share"] - one["share"] > rules.ALIKE_SHARE:
        said.append(f"largest share ratio {one['share']:.2f} instead of {other['share']:.2f}")
    if other["points"] - one["points"] > rules.ALIKE_POINTS:
        said.append(f"{one['points']:.1f} instead of {other['points']:.1f} points of spread")
    return said


def _layouts(found, own):
    figures = {name: _figures(result) for name, result in found.results.items()}
    if len(figures) < 2:
        return
    plain = sorted(figures, key=lambda name: LAYOUTS[name].order)
    best = _best(figures, plain)
    alike = [name for name in plain if not _better(figures[best], figures[name])]
    where, doubts = ", ".join(plain), _doubts(found.results[best])
    if len(alike) == len(plain):
        points = np.ptp([row["points"] for row in figures.values()])
        shares = np.ptp([row["share"] for row in figures.values()])
        out = np.ptp([row["out"] for row in figures.values()])
        most = max(max(row["out"] for row in figures.values()), 1e-9)
        text = (
            f"{short(plain, 4)} differ by at most {shares:.2f} in share ratio, {points:.1f} points of spread and {out / most * 100:.1f} % of "
            f"energy: no difference that matters at this duty. {best} needs the fewest parts, {figures[best]['copper']:.1f} kg of copper. {doubts}"
        )
        yield verdict(
            "no-difference-that-matters", where, text, share_ratio_apart=shares, spread_apart_points=points,
            energy_apart_share=out / most, copper_kg=figures[best]["copper"],
        )  # fmt: skip
        return
    worse = [name for name in plain if name not in alike]
    against = own if own in worse else max(worse, key=lambda name: (figures[name]["share"], figures[name]["points"]))
    gain = _better(figures[best], figures[against])
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
    """What must be said of a layout before anybody builds it: overloaded or unprotected conductors."""
    if any(warning.code in rules.APART for warning in result.warnings):
        return "DO NOT BUILD IT: these packs do not belong together."
    said = []
    hot = overloaded(result)
    if hot:
        worst = max(hot, key=lambda row: row.strain)
        said.append(
            f"OVERLOADED: {worst.name} {worst.margin * worst.current_a:.0f} A with margin, may carry {worst.ampacity_a:.0f} A"
        )
    bank = result.scenario.bank
    if not bank.devices:
        said.append("NOT PROTECTED: no fuse or breaker in the file")
    else:
        free = [name for name, limit in carried_limits(bank).items() if not np.isfinite(limit)]
        if free:
            said.append(f"NOT PROTECTED: no device limits {short(free)}")
    return ". ".join(said) + "." if said else "Whether its devices suit is for simbank protect."

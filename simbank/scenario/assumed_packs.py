"""What is assumed of packs: by grade, health or label, and beside a resistance that was measured at their posts."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from simbank.bank.ageing import grades_source, load_grade
from simbank.bank.assumed import assumed, of_three
from simbank.distributions import HIGH_SHARE, LOW_SHARE, Draw
from simbank.quantities import parse
from simbank.scenario.schema import PackTable, PackType, ScenarioFile

if TYPE_CHECKING:
    from simbank.scenario.scenario import Scenario

__all__ = ["assumed_of_pack", "beside_measured"]

Z_OF_END = 1.6449  # of 95 % of a normal distribution
SHARES = (np.arange(200) + 0.5) / 200  # at which distributions are summed up
LEAST_ERROR = 0.01  # of the cells as new, so that such sums are smooth


def assumed_of_pack(table: PackTable) -> dict[str, tuple[Draw, str]]:
    """(distribution, source) of capacity, growth and scatter by what its file says of a pack's grade or health, given or not."""
    label, health = assumed().label, table.state_of_health
    grade = load_grade(table.grade) if table.grade else None
    if grade:
        graded = f"grade {table.grade}: {grades_source()}"
        found = {"capacity_left": (of_three(grade.capacity), graded), "resistance_growth": (of_three(grade.resistance), graded)}
        if not {"cell_capacities", "cells_below_full"} & table.model_fields_set:
            found["cell_capacity_scatter"] = of_three(grade.cell_scatter).bounded(0.0, 0.3), graded
            found["cell_below_full_scatter"] = of_three(grade.below_full).bounded(0.0, 0.3), graded
        return found
    if health is None:
        return {
            "capacity_left": (of_three(label.capacity), label.source),
            "resistance_growth": (of_three(label.resistance), label.source),
        }
    growths = [1.0 + (growth - 1.0) * (1.0 - health) / 0.2 for growth in assumed().health.growth_at_80_percent]
    return {"resistance_growth": (of_three(growths), assumed().health.source)} if health < 1.0 else {}


@dataclass(frozen=True)
class _AtPosts:
    """A pack whose resistance was measured at its posts, in ohms: of all, how far off, of its cells as new.

    ``new_share`` is the standard deviation of that over itself, ``growth`` what is assumed of it.
    """

    ohm: float
    deviation_ohm: float
    new_ohm: float
    new_share: float
    growth: Draw

    def log_likelihood(self, inside_ohm: np.ndarray) -> np.ndarray:
        """Of what was measured, given a resistance of the wiring within, by what is assumed of growth: up to a constant."""
        from scipy.special import logsumexp

        growth = np.array([self.growth.number(share) for share in SHARES])
        error = np.hypot(self.deviation_ohm, self.new_share * self.new_ohm * growth) + LEAST_ERROR * self.new_ohm
        missed = (self.ohm - inside_ohm[:, None] - self.new_ohm * growth) / error
        return logsumexp(-0.5 * missed**2 - np.log(error), axis=1)


def _measured_at_posts(scenario: Scenario, name: str) -> list[_AtPosts]:
    """Packs of a type whose resistance was measured at their posts."""
    file, found = scenario.file, []
    kind = file.pack_types[name]
    new_share = _deviation_ohm(kind.how_known.get("cell_resistance")) / kind.cell_resistance
    for (_, table), pack in zip(file.each_pack(), scenario.bank.packs, strict=True):
        if table.type != name or table.resistance_at_posts is None:
            continue
        ohm, deviation = table.resistance_at_posts, _deviation_ohm(table.how_known.get("resistance_at_posts"))
        growth = assumed_of_pack(table).get("resistance_growth", (of_three(assumed().label.resistance), ""))[0]
        new_ohm = (ohm - pack.internal_wiring_ohm) / pack.resistance_growth
        found.append(_AtPosts(ohm, deviation, new_ohm, new_share, growth))
    return found


def _deviation_ohm(draw: Draw | None) -> float:
    """Standard deviation of a resistance of which the file says how well it is known; 0 of one that it states as exact."""
    if draw is None:
        return 0.0
    low, high = (parse(draw.value(share), "ohm") for share in (LOW_SHARE, HIGH_SHARE))
    return (high - low) / 2.0 / Z_OF_END


def _most_inside(kind: PackType, table: PackTable) -> float:
    """Wiring within a pack whose resistance was measured is drawn up to this [ohm], so that something is left for its cells."""
    ohm, inside = table.resistance_at_posts, kind.internal_wiring
    if kind.wiring_left_out:
        return max(0.5 * ohm, 0.9 * ohm - 4.0 * _deviation_ohm(table.how_known.get("resistance_at_posts")))
    return inside + (0.45 * (ohm - inside) if "internal_wiring" in kind.how_known else 0.0)


def _with_room(file: ScenarioFile, path: tuple[str, ...], draw: Draw) -> Draw:
    """A distribution of a resistance at posts, or of the wiring within packs, so far truncated that something is left for the cells."""
    one = parse(f"1 {draw.unit}", "ohm") if path[-1] in ("resistance_at_posts", "internal_wiring") else 1.0
    if path[-1] == "resistance_at_posts":
        table = next(pack for pack in file.packs if pack.name == path[1])
        kind, ohm = file.pack_types[table.type], table.resistance_at_posts
        return draw.bounded((_most_inside(kind, table) + 0.05 * (ohm - kind.internal_wiring)) / one, draw.most)
    if path[0] == "pack_types" and path[-1] == "internal_wiring":
        kind = file.pack_types[path[1]]
        packs = [pack for pack in file.packs if pack.type == path[1] and pack.resistance_at_posts is not None]
        most = [_most_inside(kind, pack) for pack in packs]
        return draw.bounded(draw.least, min(most) / one) if most else draw
    return draw


def beside_measured(scenario: Scenario, path: tuple[str, ...], draw: Draw) -> Draw:
    """A distribution as far as it goes with resistances that were measured at the posts of packs; of other keys as it is.

    Of a range of the wiring within packs, by Bayes' rule: a resistance of the wiring leaves each pack a growth of its cells, which is as
    likely as what is assumed of growth has it.
    """
    draw = _with_room(scenario.file, path, draw)
    packs = _measured_at_posts(scenario, path[1]) if path[0] == "pack_types" and path[-1] == "internal_wiring" else []
    if not packs or draw.kind != "range":
        return draw
    one = parse(f"1 {draw.unit}", "ohm")
    inside = np.array([draw.number(share) for share in SHARES])
    likely = sum(pack.log_likelihood(inside * one) for pack in packs)
    weight = np.exp(likely - np.max(likely))
    below = np.cumsum(weight) - 0.5 * weight
    low, middle, high = np.interp((LOW_SHARE, 0.5, HIGH_SHARE), below / weight.sum(), inside)
    return replace(draw, low=float(low), middle=float(middle), high=float(high), plain=draw.stated)

"""Years of a bank at draws of all that is not known: of the bank, of the laws of ageing, and of which law holds."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import pandas as pd

from simbank.cells.ageing_laws import load_law
from simbank.distributions import Draw, within_range
from simbank.errors import RunStopped, SimulationError
from simbank.scenario import Scenario
from simbank.scenario.uncertain import UncertainValue, doubtful_values, uncertain_values
from simbank.studies.ageing.age import aged_by
from simbank.studies.ageing.aged import BEYOND, Ageing
from simbank.studies.ageing.bands_result import AgeingBands, bands_of_years
from simbank.studies.ageing.course import GROWTH_WORDS, Laws, growth_per_loss
from simbank.studies.bands import checked_settings
from simbank.studies.draw_runs import Found, Task, run_tasks
from simbank.studies.draws import draw_shares
from simbank.warning import counted

__all__ = ["ageing_bands", "draw_of", "run_aged"]

LAW, FASTER, GROWTH = "ageing.law", "ageing.faster", "ageing.growth"  # what is drawn besides keys of the file
POINTS = 0.2  # error of the steps in a draw [points]: a draw is one of many, and its band is wider by far


@dataclass(frozen=True, eq=False)
class AgedFound(Found):
    """What one draw gives: figures at the end as those of any run, and the course."""

    courses: pd.DataFrame = field(default_factory=pd.DataFrame)
    by_year: pd.DataFrame = field(default_factory=pd.DataFrame)
    cut_short_by: tuple[str, ...] = ()  # what opens before the packs are empty in the discharges that tell usable energy


def run_aged(
    scenario: Scenario, *, years: float, reported: float, windows: int | None, window_days: int, law: str,
    faster: dict[str, float] | None = None, growth: float | None = None,
) -> AgedFound:  # fmt: skip
    """Years of the bank of one draw, and of them what bands are made of.

    Parameters
    ----------
    scenario : Scenario
        Of the draw.
    years, reported : float
        How far to go, and after how many years its figures are told.
    windows, window_days : int
        As in :func:`simbank.age`.
    law : str
        Its name.
    faster : dict of str to float, optional
        Pack type → factor of the loss of its cells.
    growth : float, optional
        Growth of resistance per loss of capacity.
    """
    laws = Laws((load_law(law),), growth_per_loss()[1] if growth is None else growth, faster or {})
    made = {"scenario": scenario.name}
    found = aged_by(
        scenario, laws, years, made=made, until=-math.inf, windows=windows, window_days=window_days, tolerance_points=POINTS
    )
    found.years = reported
    return figures_of(found)


def draw_of(found: Ageing) -> AgedFound:
    """What one draw does, at the file's own values and by the first of the laws."""
    return run_aged(found.scenario, law=found.segments[0].laws.laws[0].name, **_settings(found))


def _settings(found):
    """What every draw of years has in common."""
    return {
        "years": found.asked_years, "reported": found.years, "windows": found.made_by.get("windows"),
        "window_days": found.made_by["window_days"],
    }  # fmt: skip


def figures_of(found: Ageing) -> AgedFound:
    """The figures of years of a bank of which bands are given."""
    table, by_year, told = found.table, found.by_year, found.converges
    first, last, soonest = by_year.iloc[0], by_year.iloc[-1], table["years_to_80"].min()
    figures = {
        "usable_start_wh": first["usable_wh"], "usable_end_wh": last["usable_wh"], "unmet_end_wh": last["unmet_wh"],
        "capacity_spread_start_points": 100.0 * told["capacity_spread_start"],
        "capacity_spread_end_points": 100.0 * told["capacity_spread_end"],
        "resistance_spread_start": told["resistance_spread_start"], "resistance_spread_end": told["resistance_spread_end"],
        "first_to_80": soonest, "ages_first": found.first, "capacities": told["capacity"], "resistances": told["resistance"],
    }  # fmt: skip
    names = ("capacity_left", "resistance_growth", "loss_points", "years_to_80")
    packs = {(row["pack"], name): row[name] for _, row in table.iterrows() for name in names}
    opened = tuple(dict.fromkeys(opened.name for _, discharge in found.cut_short for opened in discharge.opened))
    return AgedFound(figures, packs, courses=found.courses, by_year=by_year, cut_short_by=opened)


def ageing_bands(
    found: Ageing, draws: int, seed: int = 0, *, jobs: int | None = None, progress: Callable[[float], None] | None = None
) -> AgeingBands:
    """Bands of years of a bank: 5, 50 and 95 % over draws of all that is not known.

    Drawn are the values of the bank (:func:`simbank.uncertain_values`); which of the laws of ``found`` holds, each with equal weight; by
    which factor the cells of each pack type lose faster than those of the law (its ``scatter``), one for each type, since its cells are
    taken for those of one make, and the same whichever law holds; and how much resistance grows per loss of capacity. Packs of one type
    do not scatter besides: no law's file says by how much.

    Parameters
    ----------
    found : Ageing
        The bank by its file's own values.
    draws, seed, jobs, progress
        As in :func:`simbank.bands`.

    Raises
    ------
    InputError
        If the number of draws or jobs is none.
    SimulationError
        If every draw fails; RunStopped by Ctrl-C, with the bands of the draws so far as its ``partial``, None if there are none.
    """
    checked_settings(draws, seed, "fast", None)
    scenario, laws = found.scenario, found.segments[0].laws.laws
    names = [law.name for law in laws]
    known = [*uncertain_values(scenario), *of_ageing(found)]
    shares = draw_shares(len(known), draws, seed=seed)
    scatter = {law.name: law.scatter for law in laws}
    tasks, numbers = [], []
    for k, row in enumerate(shares):
        values, beside, drawn = {}, {"law": names[0], "faster": {}}, {}
        for value, share in sorted(zip(known, row, strict=True), key=lambda pair: pair[0].key != LAW):  # the law first
            number = drawn[value.key] = value.draw.number(share)
            if value.key == LAW:
                beside["law"] = drawn[value.key] = value.draw.value(share)
            elif value.key.startswith(f"{FASTER}."):
                number = drawn[value.key] = scatter[beside["law"]].number(share)
                beside["faster"][value.key.removeprefix(f"{FASTER}.")] = number
            elif value.key == GROWTH:
                beside["growth"] = number
            else:
                values[value.key] = value.draw.value(share)
        tasks.append(Task(k, "", values, beside))
        numbers.append(drawn)
    done, stopped = run_tasks(run_aged, {"": scenario}, tasks, _settings(found), jobs, progress)
    ran = [one for one in done if one.found is not None]
    if stopped and not ran:
        raise RunStopped("stopped with no draw done")
    if not ran:
        raise SimulationError(f"all {counted(len(done), 'draw')} failed; the first: {done[0].failure}")
    frame = pd.DataFrame(numbers, columns=[value.key for value in known], index=pd.RangeIndex(len(numbers), name="draw"))
    bands = bands_of_years(done, figures_of(found), known, frame, draws, seed, BEYOND * found.asked_years)
    bands.warnings += doubtful_values(scenario)
    if stopped:
        raise RunStopped(f"stopped with {counted(len(ran), 'draw')} done; the bands are of these", bands)
    return bands


def of_ageing(found: Ageing) -> list[UncertainValue]:
    """What is not known of ageing itself."""
    laws, out = found.segments[0].laws.laws, []
    if len(laws) > 1:
        words = "which law of ageing holds"
        out.append(
            UncertainValue(LAW, Draw("choice", choices=tuple(law.name for law in laws)), words, "equal weights: assumed", "law")
        )
    kinds = dict.fromkeys(table.type for part in found.segments for _, table in part.scenario.file.each_pack())
    source = "the law's own file"
    for kind in kinds:
        words = f"how much faster the cells of {kind} lose than those of the law"
        out.append(UncertainValue(f"{FASTER}.{kind}", laws[0].scatter, words, source, "law"))
    low, typical, high = growth_per_loss()
    words = "growth of resistance per loss of capacity"
    out.append(UncertainValue(GROWTH, within_range(low, high, typical), words, GROWTH_WORDS, "law"))
    return out

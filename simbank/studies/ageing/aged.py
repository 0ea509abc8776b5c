"""What :func:`simbank.age` found: the course of each pack, tables and answers made of it, and what is written of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
import pandas as pd

from simbank import provenance
from simbank.errors import InputError, RunStopped, SimulationError
from simbank.results import Picture, Shown, Study, StudyResult, records
from simbank.scenario import Scenario
from simbank.studies.ageing.bands_result import BAND_TABLES, AgeingBands
from simbank.studies.ageing.columns import AMONG_ALIKE, COURSES, LAWS, PACKS, STRESS, TERMS, WORTH, YEARS
from simbank.studies.ageing.course import Segment, crossing_years
from simbank.studies.ageing.drawn import figure_of, pictures_of
from simbank.studies.ageing.from_full import Discharge, discharge_from_full
from simbank.studies.ageing.seasons import YEAR_S
from simbank.studies.ageing.stress import HISTOGRAMS
from simbank.studies.ageing.told import basis_of, shown_of
from simbank.studies.ageing.warned import warnings_of
from simbank.studies.ageing.window_runs import LEAST_LEFT, Closure, WindowRuns
from simbank.studies.ageing.words import POINTS_THAT_COUNT, error_words, those_at_end, words_of
from simbank.warning import BankWarning, as_records

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["BEYOND", "END_OF_LIFE", "Ageing"]

END_OF_LIFE = 0.8  # of the capacity as new. Common practice, no source: what is spoken of as the end of first life
BEYOND = 2.0  # times the years asked for, to which years to 80 % are told, as packs aged at the end
TIE_POINTS = 0.5  # within which packs are told as alike, where the error of the steps is not known
LEAST_ERROR_POINTS = 0.01  # likewise, where that error is less


class Ageing(StudyResult):
    """Years of a bank.

    Attributes
    ----------
    scenario : Scenario
        At the start.
    segments : list of Segment
        From one change of the bank to the next.
    asked_years, years : float
        How far was asked for, and how far it went.
    error_points : float
        Error of capacity left by the steps between windows, as halving them shows [points]; not a number where it is not known.
    runs : int
        Windows that were run.
    full : bool
        Whether every day was gone through.
    stopped : str or None
        How much was computed where a window failed or Ctrl-C came.
    closures : list of Closure
        How charge and energy close in every window that was run, in their order.
    worth : DataFrame or None
        What changes of the bank would be worth (:func:`simbank.studies.ageing.worth`), where asked for.
    among_alike : DataFrame or None
        The best packs in the bank and among packs like themselves (:func:`simbank.studies.ageing.among_alike`), where asked for.
    bands : AgeingBands or None
        5, 50 and 95 % of every figure over draws, where asked for.
    """

    INDEXED: ClassVar = False
    TABLES: ClassVar = (PACKS, YEARS, COURSES, TERMS, LAWS, STRESS, WORTH, AMONG_ALIKE, *BAND_TABLES)

    def __init__(
        self, scenario: Scenario, segments: Sequence[Segment], years: float, until: float | None, error_points: float, runs: int,
        full: bool, made: dict[str, Any], stopped: str | None = None,
    ) -> None:  # fmt: skip
        self.scenario, self.segments, self.asked_years, self.until = scenario, list(segments), years, until
        self.error_points, self.runs, self.full, self.made_by = error_points, runs, full, made
        self.stopped = stopped
        self.law = self.segments[0].laws.laws[0]
        self.closures: list[Closure] = []
        self.worth: pd.DataFrame | None = None
        self.among_alike: pd.DataFrame | None = None
        self.bands: AgeingBands | None = None
        self.years = self._ends_at()

    def _ends_at(self):
        """Years at which the first pack comes to the level that ends it."""
        level = LEAST_LEFT if self.until is None else self.until
        for segment in self.segments:
            grid = np.linspace(segment.times[0], segment.times[-1], 241)
            counted = segment.start_left > level
            if not counted.any():
                continue
            left = segment.left(segment.ages_at(grid))[:, counted].min(axis=1)
            if (found := crossing_years(grid / YEAR_S, left, level)) is not None:
                return min(found, self.asked_years)
        return min(self.asked_years, self.segments[-1].times[-1] / YEAR_S)

    # ---- the course of packs ----

    def segment_at(self, year: float) -> Segment:
        """The segment of a time; at a change, what was before it."""
        return next((s for s in self.segments if year * YEAR_S <= s.times[-1] + 1.0), self.segments[-1])

    @property
    def last(self) -> Segment:
        """The segment in which it ends."""
        return self.segment_at(self.years)

    def ends(self, segment: Segment, seconds: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(low, high) capacity left at times, each (m, n): by any of the laws, times the scatter of other makes."""
        scatter = self.law.scatter
        ages = segment.ages_at(seconds)
        every = [
            segment.left(ages, number, scale) for number in range(len(segment.laws.laws)) for scale in (scatter.low, 1.0, scatter.high)
            if number == 0 or scale == 1.0
        ]  # fmt: skip
        return np.min(every, axis=0), np.max(every, axis=0)

    @cached_property
    def grid_years(self) -> np.ndarray:
        """Times at which tables stand: whole years, and the end."""
        whole = np.arange(0.0, self.years + 1e-9)
        return whole if self.years - whole[-1] < 1e-6 else np.append(whole, self.years)

    @cached_property
    def courses(self) -> pd.DataFrame:
        """Capacity left and growth of resistance of each pack, year by year."""
        return self.courses_at(self.grid_years)

    def courses_at(self, years: Sequence[float]) -> pd.DataFrame:
        """The same at any times [years]."""
        rows = []
        for year in years:
            segment, at = self.segment_at(year), np.array([year * YEAR_S])
            ages, (low, high) = segment.ages_at(at), self.ends(segment, at)
            left, growth = segment.left(ages)[0], segment.growth(ages)[0]
            rows += [(year, name, left[j], low[0, j], high[0, j], growth[j]) for j, name in enumerate(segment.names)]
        return pd.DataFrame(rows, columns=COURSES.names)

    def _years_to(self, level):
        """By pack: years to a level by the law, at the low and at the high end, and by every other law; None where later."""
        segment = self.last
        fine = np.linspace(0.0, BEYOND * self.asked_years, 961) * YEAR_S
        found = {}
        for name in segment.names:
            lines = {"law": [], "low": [], "high": []} | {law.name: [] for law in segment.laws.laws}
            times = []
            for part in self.segments:
                if name not in part.names or part.times[0] > segment.times[0] or not part.has_same(segment, name):
                    continue
                k, end = part.names.index(name), np.inf if part is segment else part.times[-1]
                at = fine[(fine >= part.times[0] - 1e-6) & (fine < end)]
                if not at.size:
                    continue
                ages, (low, high) = part.ages_at(at), self.ends(part, at)
                times.append(at / YEAR_S)
                lines["law"].append(part.left(ages)[:, k])
                lines["low"].append(low[:, k])
                lines["high"].append(high[:, k])
                for number, law in enumerate(part.laws.laws):
                    lines[law.name].append(part.left(ages, number)[:, k])
            years = np.concatenate(times)
            found[name] = {what: crossing_years(years, np.concatenate(line), level) for what, line in lines.items()}
        return found

    @cached_property
    def _to_80(self):
        return self._years_to(END_OF_LIFE)

    # ---- tables ----

    @cached_property
    def table(self) -> pd.DataFrame:
        """A row for each pack that is there at the end."""
        segment, at = self.last, np.array([self.years * YEAR_S])
        ages, (low, high) = segment.ages_at(at), self.ends(segment, at)
        left, growth, terms = segment.left(ages)[0], segment.growth(ages)[0], self.terms
        rows = []
        for j, name in enumerate(segment.names):
            own = terms[terms["pack"] == name]
            main = own.loc[own["loss_points"].idxmax()]
            to_80 = self._to_80[name]
            rows.append({
                "pack": name, "capacity_left": left[j], "capacity_left_low": low[0, j], "capacity_left_high": high[0, j],
                "resistance_growth": growth[j], "loss_points": 100.0 * (segment.start_left[j] - left[j]), "years_to_80": to_80["law"],
                "years_to_80_low": to_80["low"], "years_to_80_high": to_80["high"], "main_term": main["term"], "main_share": main["share"],
                **{key: self._over_years(name, figure, summed) for key, figure, summed in _OVER_YEARS},
            })  # fmt: skip
        frame = pd.DataFrame(rows, columns=PACKS.names)
        return frame.astype({key: float for key in ("years_to_80", "years_to_80_low", "years_to_80_high")})

    def _over_years(self, name, figure, summed):
        """A figure of the stress of a pack: its sum over the years that it was there, or its mean."""
        from scipy.integrate import trapezoid

        total, seconds = 0.0, 0.0
        for part in self.segments:
            end = min(part.times[-1], self.years * YEAR_S)
            if name not in part.names or end <= part.times[0] or not part.has_same(self.last, name):
                continue
            at = np.linspace(part.times[0], end, 13)
            k = part.names.index(name)
            values = [part.stress_figure(t, lambda stress: stress.figures[figure])[k] for t in at]
            total += float(trapezoid(values, at))
            seconds += end - part.times[0]
        return total / YEAR_S if summed else total / max(seconds, 1.0)

    @cached_property
    def terms(self) -> pd.DataFrame:
        """What each term of the law took from each pack."""
        segment = self.last
        ages = segment.ages_at(np.array([self.years * YEAR_S]))[0]
        taken = 100.0 * (segment.laws.lost(ages) - segment.laws.lost(segment.start_ages))
        rows = [
            (name, term.name, term.title, taken[i, j], taken[i, j] / max(taken[:, j].sum(), 1e-12))
            for j, name in enumerate(segment.names)
            for i, term in enumerate(self.law.terms)
        ]
        return pd.DataFrame(rows, columns=TERMS.names)

    @cached_property
    def by_law(self) -> pd.DataFrame:
        """Capacity left and years to 80 % by each law, for the same windows."""
        segment = self.last
        ages = segment.ages_at(np.array([self.years * YEAR_S]))[0]
        rows = [
            (law.name, name, segment.left(ages, number)[j], self._to_80[name][law.name])
            for number, law in enumerate(segment.laws.laws)
            for j, name in enumerate(segment.names)
        ]
        return pd.DataFrame(rows, columns=LAWS.names).astype({"years_to_80": float})

    @property
    def closure(self) -> dict[str, Any]:
        """The worst of the balances of all windows: relative error of charge and of energy, in which window, and in how many one is missed."""
        if not self.closures:
            return {}
        told = {}
        for what in ("charge", "energy"):
            worst = max(self.closures, key=lambda closure: getattr(closure, what))
            told |= {f"{what}_relative": getattr(worst, what), f"{what}_window": worst.window}
        return told | {"windows_missed": sum(bool(closure.missed) for closure in self.closures)}

    @cached_property
    def by_year(self) -> pd.DataFrame:
        """The bank, year by year; usable energy is not a number where the bank of that year cannot be discharged, which a warning says.

        It is what devices and BMSs let through: where one of them opens before the packs are empty, a warning says so, too.
        """
        rows, courses = [], self.courses
        self._cut_short: list[tuple[float, Discharge]] = []
        self.not_discharged: list[tuple[float, str]] = []
        for year in self.grid_years:
            segment, now = self.segment_at(year), courses[courses["year"] == year]
            left, growth = now["capacity_left"].to_numpy(), now["resistance_growth"].to_numpy()
            bank = segment.scenario.bank
            try:
                found = discharge_from_full(WindowRuns(bank, (), ()).aged_bank(left, growth, bank.ambient_k))
                energy = found.energy_wh
                if found.opened:
                    self._cut_short.append((float(year), found))
            except RunStopped:
                raise
            except (SimulationError, InputError) as error:
                energy = float("nan")
                self.not_discharged.append((float(year), str(error)))
            unmet, asked = (segment.ports_at(year * YEAR_S, key) for key in ("unmet_wh", "asked_wh"))
            rows.append((year, energy, unmet, asked, float(np.ptp(left)), float(np.ptp(growth))))
        return pd.DataFrame(rows, columns=YEARS.names)

    @property
    def cut_short(self) -> list[tuple[float, Discharge]]:
        """Years in which a device or BMS opens before the packs are empty in the discharge that tells usable energy, with that discharge."""
        return self._cut_short if len(self.by_year) else []

    def usable_wh_by(self, number: int) -> float:
        """Usable energy at the end by one of the laws, for the same windows [Wh]."""
        segment, at = self.last, np.array([self.years * YEAR_S])
        ages, bank = segment.ages_at(at), segment.scenario.bank
        left, growth = segment.left(ages, number)[0], segment.growth(ages, number)[0]
        return discharge_from_full(WindowRuns(bank, (), ()).aged_bank(left, growth, bank.ambient_k)).energy_wh

    @cached_property
    def stress(self) -> pd.DataFrame:
        """How long each pack spends at which charge, temperature and rate."""
        segment, rows = self.last, []
        for what, edges in HISTOGRAMS.items():
            mean = np.mean([stress.shares[what] for _, stress in segment.stresses], axis=0)
            rows += [
                (name, what, edges[k], edges[k + 1], mean[k, j])
                for j, name in enumerate(segment.names)
                for k in range(len(edges) - 1)
                if mean[k].max() > 0
            ]
        return pd.DataFrame(rows, columns=STRESS.names)

    # ---- answers ----

    @cached_property
    def begins_above(self) -> list[str]:
        """Packs that began above 80 %; all of them where none did."""
        names, left = self.last.names, self.last.start_left
        return [name for name, value in zip(names, left, strict=True) if value > END_OF_LIFE] or list(names)

    @cached_property
    def first(self) -> str:
        """Of the packs that began above 80 % the one that comes to it first, or, where none does, has the least left."""
        return self.tied[0]

    @property
    def compared(self) -> dict[str, Any]:
        """What banks are compared by over years, in numbers as tables have them.

        ``first``; ``years_to_80`` of it; ``capacity_left_min`` of the packs that begin above 80 %; ``usable_wh`` at the end;
        ``unmet_wh`` of all years: what was asked and not given.
        """
        table, years = self.table.set_index("pack"), self.by_year
        return {
            "first": self.first,
            "years_to_80": table.loc[self.first, "years_to_80"],
            "capacity_left_min": table.loc[self.begins_above, "capacity_left"].min(),
            "usable_wh": years["usable_wh"].iloc[-1],
            "unmet_wh": self.sum_of_years("unmet_wh"),
        }

    def sum_of_years(self, column: str) -> float:
        """A column of :attr:`by_year`, which counts by the year, over all of them."""
        from scipy.integrate import trapezoid

        return float(trapezoid(self.by_year[column], self.by_year["year"]))

    @cached_property
    def tied(self) -> list[str]:
        """That pack, and those which are no further from it than the error of the steps when it comes to 80 %, or at the end."""
        table = self.table[self.table["pack"].isin(self.begins_above)].set_index("pack")
        soonest = table["years_to_80"].fillna(np.inf).round(6)
        comes = table[soonest == soonest.min()]
        name = str(comes["capacity_left"].round(9).idxmin())
        when = float(soonest[name]) if np.isfinite(soonest[name]) else self.years
        segment = self.segment_at(when)
        if name not in segment.names or not segment.has_same(self.last, name):
            return [name]
        left = dict(zip(segment.names, segment.left(segment.ages_at(np.array([when * YEAR_S])))[0], strict=True))
        margin = max(self.error_points, LEAST_ERROR_POINTS) if np.isfinite(self.error_points) else TIE_POINTS
        near = [n for n in table.index if n != name and n in left and 100.0 * abs(left[n] - left[name]) <= margin]
        return [name, *(n for n in near if segment.has_same(self.last, n))]

    @property
    def fastest(self) -> str:
        """The pack that loses most on the way."""
        return str(self.table.loc[self.table["loss_points"].idxmax(), "pack"])

    @property
    def converges(self) -> dict[str, Any]:
        """Whether capacities and resistances of the packs of the last segment grow together, apart, or neither; with the spreads."""
        segment = self.last
        at = segment.ages_at(np.array([segment.times[0], self.years * YEAR_S]))
        told = {"packs": list(segment.names), "since_year": segment.times[0] / YEAR_S}
        for what, values in (("capacity", segment.left(at)), ("resistance", segment.growth(at))):
            before, after = (float(np.ptp(row)) for row in values)
            change = 100.0 * (after - before)
            word = "neither" if abs(change) < POINTS_THAT_COUNT else "apart" if change > 0 else "together"
            told |= {what: word, f"{what}_spread_start": before, f"{what}_spread_end": after}
        return told

    @property
    def title(self) -> str:
        return f"{self.scenario.name}: {self.years:.3g} years by {self.law.name}"

    @property
    def words(self) -> list[str]:
        """Who is first and why, whether packs grow together, what it rests on."""
        return words_of(self)

    def those_at_end(self) -> str:
        """Whose spread is told: the packs of the last segment, and from when they are together; "the packs" where none came or went."""
        return those_at_end(self)

    @property
    def error_words(self) -> str:
        """How far the steps may be off."""
        return error_words(self)

    @property
    def warnings(self) -> list[BankWarning]:
        """What must be known before any of the figures."""
        return warnings_of(self)

    @property
    def summary(self) -> dict[str, Any]:
        """Everything as plain data."""
        terms = self.terms
        packs = [
            {"name": row.pop("pack"), **row} | {"loss_by_term": {
                term["term"]: term["loss_points"] for _, term in terms[terms["pack"] == name].iterrows()
            }}
            for name, row in zip(self.table["pack"], records(self.table), strict=True)
        ]  # fmt: skip
        return {
            "scenario": self.made_by["scenario"], "law": self.law.name, "years_covered": self.years, "warnings": as_records(self.warnings),
            "packs": packs, "years": records(self.by_year), "first": self.first, "first_tied": self.tied,
            "converges": self.converges, "laws": records(self.by_law),
            **({} if self.worth is None else {"worth": records(self.worth)}),
            **({} if self.among_alike is None else {"among_alike": records(self.among_alike)}),
            **({} if self.bands is None else self.bands.told),
            "closure": self.closure,
            "error_points": self.error_points if np.isfinite(self.error_points) else None, "windows_run": self.runs, "full": self.full,
        }  # fmt: skip

    def write_tables(self, folder: Path) -> None:
        """Write every table into a folder that is there."""
        frames = (self.table, self.by_year, self.courses, self.terms, self.by_law, self.stress)
        for table, frame in zip(self.TABLES, frames, strict=False):
            provenance.write_table(folder / table.files[0], frame, self.made_by, index=False)
        if self.worth is not None:
            provenance.write_table(folder / WORTH.files[0], self.worth, self.made_by, index=False)
        if self.among_alike is not None:
            provenance.write_table(folder / AMONG_ALIKE.files[0], self.among_alike, self.made_by, index=False)
        if self.bands is not None:
            self.bands.write_tables(folder, self.made_by)

    def plot(self) -> Figure:
        """Capacity left of each pack over the years, with its band."""
        return figure_of(self)

    def section(self) -> Study:
        """The result as a section of a report, with the tables that the terminal has."""
        return replace(super().section(), table=None, tables=shown_of(self, on_page=True))

    @property
    def shown(self) -> list[Shown]:
        """Its tables as people read them."""
        return shown_of(self)

    @property
    def basis(self) -> list[str]:
        """What it rests on: laws, and the conditions that they were fitted for."""
        return basis_of(self)

    def pictures(self) -> list[Picture]:
        return pictures_of(self)


_OVER_YEARS = (
    ("throughput_ah", "throughput_ah", True), ("mean_soc", "soc", False), ("mean_c", "temperature_c", False),
    ("c_rate_rms", "c_rate_rms", False), ("cold_charge_ah", "cold_charge_ah", True),
    ("frozen_charge_h", "frozen_charge_h", True), ("frozen_charge_ah", "frozen_charge_ah", True),
)  # fmt: skip

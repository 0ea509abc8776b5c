"""What :func:`simbank.age` found, as tables, sentences, plain data and figures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
import pandas as pd

from simbank import provenance
from simbank.columns import Table
from simbank.digits import number as in_digits
from simbank.results import Picture, Shown, Study, StudyResult, records
from simbank.scenario import Scenario
from simbank.simulation.bank_warnings import FREEZING
from simbank.studies.ageing.bands_result import BAND_TABLES, AgeingBands
from simbank.studies.ageing.course import GROWTH_WORDS, Segment, crossing_years
from simbank.studies.ageing.seasons import DAYS_A_YEAR, LEAST_WINDOW_DAYS, YEAR_S, is_dated
from simbank.studies.ageing.stress import HISTOGRAMS
from simbank.studies.ageing.told import basis_of, shown_of
from simbank.studies.ageing.window_runs import LEAST_LEFT, WindowRuns, usable_wh
from simbank.studies.described import bank_warnings
from simbank.warning import BankWarning, as_records, listed

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["END_OF_LIFE", "WORTH", "Ageing"]

END_OF_LIFE = 0.8  # of the capacity as new. Common practice, no source: what is spoken of as the end of first life
BEYOND = 2.0  # times the years asked for, to which years to 80 % are told, as packs aged at the end
POINTS_THAT_COUNT = 0.2  # by which a spread must change to be said to narrow or widen; chosen here, above the error of the steps
TIE_POINTS, LEAST_ERROR_POINTS = (
    0.5,
    0.01,
)  # within which packs are told as alike, where the error of the steps is not known, or is less
MOST_NAMED = 4  # packs in a sentence
FROZEN_H = 0.01  # a year; as of a run
OUTSIDE_SHARE = 0.05  # of the packs' time outside a law's conditions, from where on it is warned of; chosen here

PACKS = Table.of(
    "ageing.csv", "a pack at the end of the years",
    [
        ("pack", "", "its name"), ("capacity_left", "", "present over rated capacity"),
        ("capacity_left_low", "", "the least by any of the laws, and by cells that lose faster than those of the law"),
        ("capacity_left_high", "", "the most, likewise"),
        ("resistance_growth", "", "present resistance of its cells over that as new"),
        ("loss_points", "points", "capacity lost on the way, of that as new"),
        ("years_to_80", "", "years until 80 % is left; beyond the years asked for as it ages at their end; empty if later than twice those"),
        ("years_to_80_low", "", "the fewest, by any of the laws and by cells that lose faster"),
        ("years_to_80_high", "", "the most, likewise; empty if later than twice the years asked for"),
        ("main_term", "", "the term of the law that took most"), ("main_share", "", "its part of the loss, 0 to 1"),
        ("throughput_ah", "Ah", "charge in and out in all these years"), ("mean_soc", "", "mean state of charge, 0 to 1"),
        ("mean_c", "°C", "mean temperature"), ("c_rate_rms", "1/h", "root mean square of its current over its capacity as new"),
        ("cold_charge_ah", "Ah", "charge taken below 10 °C in all these years"),
        ("frozen_charge_h", "h", "how long it was charged so cold that its cells take no charge, in all these years"),
        ("frozen_charge_ah", "Ah", "charge that it took then"),
    ],
)  # fmt: skip
YEARS = Table.of(
    "ageing_years.csv", "a year",
    [
        ("year", "", "years since the start"), ("usable_wh", "Wh", "energy from full to cut-off at 0.2 C of the capacity as new"),
        ("unmet_wh", "Wh", "of what is asked in a year at this age, not given"), ("asked_wh", "Wh", "what is asked in a year"),
        ("capacity_spread", "", "largest less smallest capacity left of the packs"),
        ("resistance_spread", "", "largest less smallest growth of resistance"),
    ],
)  # fmt: skip
COURSES = Table.of(
    "ageing_packs.csv", "a pack in a year",
    [
        ("year", "", "years since the start"), ("pack", "", "its name"), ("capacity_left", "", "present over rated capacity"),
        ("capacity_left_low", "", "the least, as at the end"), ("capacity_left_high", "", "the most, as at the end"),
        ("resistance_growth", "", "present resistance of its cells over that as new"),
    ],
)  # fmt: skip
TERMS = Table.of(
    "ageing_terms.csv", "a term of the law, for a pack",
    [
        ("pack", "", "its name"), ("term", "", "name of the term"), ("what", "", "what makes it grow"),
        ("loss_points", "points", "capacity lost by it on the way"), ("share", "", "its part of the pack's loss, 0 to 1"),
    ],
)  # fmt: skip
LAWS = Table.of(
    "ageing_laws.csv", "a law, for a pack",
    [
        ("law", "", "its name"), ("pack", "", "name of the pack"), ("capacity_left", "", "by this law, for the same windows"),
        ("years_to_80", "", "by this law; empty if later than twice the years asked for"),
    ],
)  # fmt: skip
STRESS = Table.of(
    "ageing_stress.csv", "a class of stress, for a pack",
    [
        ("pack", "", "its name"), ("what", "", "soc, temperature_c or c_rate"), ("low", "", "lower end of the class"),
        ("high", "", "upper end of it"), ("share", "", "of the time, mean of the years, 0 to 1"),
    ],
)  # fmt: skip


WORTH = Table.of(
    "ageing_worth.csv", "what could be changed",
    [
        ("change", "", "what is changed; the first row is the bank as it is"),
        ("first", "", "of the packs that begin above 80 %, the one that comes to it first, or has the least left"),
        ("years_to_80", "", "when; empty if later than twice the years asked for"),
        ("years_gained", "", "by how much later than as it is; empty where one of the two is later than that"),
        ("capacity_left_min", "", "least capacity left of those packs at the end"),
        ("usable_wh", "Wh", "energy from full to cut-off at the end"), ("usable_gained_wh", "Wh", "that more than as it is"),
        ("unmet_saved_wh", "Wh", "of what is asked in all these years, by how much less is not given than as it is"),
    ],
)  # fmt: skip


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
    worth : DataFrame or None
        What changes of the bank would be worth (:func:`simbank.studies.ageing.worth`), where asked for.
    bands : AgeingBands or None
        5, 50 and 95 % of every figure over draws, where asked for.
    """

    INDEXED: ClassVar = False
    TABLES: ClassVar = (PACKS, YEARS, COURSES, TERMS, LAWS, STRESS, WORTH, *BAND_TABLES)

    def __init__(
        self, scenario: Scenario, segments: Sequence[Segment], years: float, until: float | None, error_points: float, runs: int,
        full: bool, made: dict[str, Any], stopped: str | None = None,
    ) -> None:  # fmt: skip
        self.scenario, self.segments, self.asked_years, self.until = scenario, list(segments), years, until
        self.error_points, self.runs, self.full, self.made_by = error_points, runs, full, made
        self.stopped = stopped
        self.law = self.segments[0].laws.laws[0]
        self.worth: pd.DataFrame | None = None
        self.bands: AgeingBands | None = None
        self.years = self._ends_at()

    def _ends_at(self):
        """Years at which the first pack comes to the level that ends it."""
        level = LEAST_LEFT if self.until is None else self.until
        for segment in self.segments:
            grid = np.linspace(segment.times[0], segment.times[-1], 241)
            counted = segment.start_left > level if self.until is not None else np.full(len(segment.names), True)
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

    def _ends(self, segment, seconds):
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
            ages, (low, high) = segment.ages_at(at), self._ends(segment, at)
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
                if name not in part.names or part.times[0] > segment.times[0] or not _same(part, segment, name):
                    continue
                k, end = part.names.index(name), np.inf if part is segment else part.times[-1]
                at = fine[(fine >= part.times[0] - 1e-6) & (fine < end)]
                if not at.size:
                    continue
                ages, (low, high) = part.ages_at(at), self._ends(part, at)
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
        ages, (low, high) = segment.ages_at(at), self._ends(segment, at)
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
            if name not in part.names or end <= part.times[0] or not _same(part, self.last, name):
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

    @cached_property
    def by_year(self) -> pd.DataFrame:
        """The bank, year by year."""
        rows, courses = [], self.courses
        for year in self.grid_years:
            segment, now = self.segment_at(year), courses[courses["year"] == year]
            left, growth = now["capacity_left"].to_numpy(), now["resistance_growth"].to_numpy()
            bank = segment.scenario.bank
            energy = usable_wh(WindowRuns(bank, (), ()).aged_bank(left, growth, bank.ambient_k))
            unmet, asked = (
                segment.stress_figure(year * YEAR_S, lambda s, key=key: s.ports[key]) for key in ("unmet_wh", "asked_wh")
            )
            rows.append((year, energy, unmet, asked, float(np.ptp(left)), float(np.ptp(growth))))
        return pd.DataFrame(rows, columns=YEARS.names)

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

    @cached_property
    def tied(self) -> list[str]:
        """That pack, and those which are no further from it than the error of the steps when it comes to 80 %, or at the end."""
        table = self.table[self.table["pack"].isin(self.begins_above)].set_index("pack")
        soonest = table["years_to_80"].fillna(np.inf).round(6)
        comes = table[soonest == soonest.min()]
        name = str(comes["capacity_left"].round(9).idxmin())
        when = float(soonest[name]) if np.isfinite(soonest[name]) else self.years
        segment = self.segment_at(when)
        if name not in segment.names or not _same(segment, self.last, name):
            return [name]
        left = dict(zip(segment.names, segment.left(segment.ages_at(np.array([when * YEAR_S])))[0], strict=True))
        margin = max(self.error_points, LEAST_ERROR_POINTS) if np.isfinite(self.error_points) else TIE_POINTS
        near = [n for n in table.index if n != name and n in left and 100.0 * abs(left[n] - left[name]) <= margin]
        return [name, *(n for n in near if _same(segment, self.last, n))]

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
        table = self.table.set_index("pack")
        first, fast = table.loc[self.first], self.terms[self.terms["pack"] == self.fastest].sort_values("share", ascending=False)
        to_80, many = first["years_to_80"], len(self.tied) > 1
        when = f"{'come' if many else 'comes'} to 80 % first, after {to_80:.1f} years"
        if to_80 <= 0:
            when = f"{'have' if many else 'has'} 80 % or less to begin with"
        if not np.isfinite(to_80):
            when = f"{'have' if many else 'has'} the least at the end, and no pack comes to 80 % within twice these years"
        alike = ", which the steps cannot tell apart," if many else ""
        said = [f"{listed(self.tied)}{alike} {when}; at the end {self.first} has {100 * first['capacity_left']:.1f} %."]
        below = [name for name in table.index if name not in self.begins_above]
        if below:
            said.append(
                f"{listed(below)} had 80 % or less to begin with, and {'is' if len(below) == 1 else 'are'} not counted there."
            )
        said.append(self._duty_words())
        shares = listed([f"{row['what']} {100 * row['share']:.0f} %" for _, row in fast.iterrows() if row["share"] >= 0.005])
        said.append(f"{self.fastest} loses most, {table.loc[self.fastest, 'loss_points']:.1f} points: {shares}.")
        said += self._together_words()
        how = (
            "Every day was gone through."
            if self.full
            else f"{self.runs} windows were run; the steps between them err by {self.error_words}."
        )
        drawn = [] if self.bands is None else self.bands.words
        return [*said, *drawn, f"{how} Relation used: {GROWTH_WORDS}."]

    def _duty_words(self):
        """What the duty asks, and how many cycles that is."""
        segment = self.segments[0]
        _, stress = min(segment.stresses, key=lambda found: found[0])
        asked = stress.ports["asked_wh"] / DAYS_A_YEAR / 1000.0
        rated = sum(pack.rated_capacity_ah for pack in segment.scenario.bank.packs)
        cycles = float(np.sum(stress.figures["throughput_ah"])) / (2.0 * rated)
        asks = f"asks {asked:.3g} kWh a day and " if asked > 0 else ""
        return f"At the start the duty {asks}takes the packs through {cycles:.3g} full cycles a year (of their capacity as new)."

    def those_at_end(self) -> str:
        """Whose spread is told: the packs of the last segment, and from when they are together; "the packs" where none came or went."""
        segment = self.last
        if segment is self.segments[0]:
            return "the packs"
        names = (
            listed(list(segment.names)) if len(segment.names) <= MOST_NAMED else f"the {len(segment.names)} packs that are there"
        )
        return f"{names} from year {segment.times[0] / YEAR_S:.3g} on"

    def _together_words(self):
        """Whether capacities and resistances come together or go apart."""
        if len(self.table) < 2:
            if len(self.segments[0].names) > 1:
                yield f"Only {self.table['pack'].iloc[0]} is there at the end: nothing comes together or goes apart."
            return
        told = self.converges
        for what, many, unit in (("capacity", "Capacities", "points"), ("resistance", "Resistances", "% of that as new")):
            before, after = (100.0 * told[f"{what}_spread_{end}"] for end in ("start", "end"))
            verb = {"together": "come together", "apart": "go apart", "neither": "stay as far apart"}[told[what]]
            if max(before, after) < POINTS_THAT_COUNT:
                verb = "are alike and stay so"
            yield f"{many} of {self.those_at_end()} {verb}: spread {before:.1f} to {after:.1f} {unit}."

    @property
    def error_words(self) -> str:
        """How far the steps may be off."""
        return (
            f"some {self.error_points:.2f} points of capacity"
            if np.isfinite(self.error_points)
            else "an amount that is not estimated"
        )

    @cached_property
    def warnings(self) -> list[BankWarning]:
        """What must be known before any of the figures."""
        frozen = list(self._frozen())
        of_bank = [w for w in bank_warnings(self.scenario) if not frozen or w.code != FREEZING]
        drawn = [] if self.bands is None else self.bands.warnings
        return [*frozen, *of_bank, *self._of_law(), *self._of_windows(), *drawn]

    def _frozen(self):
        """Packs charged so cold that their cells take no charge, in the worst year of each."""
        worst = {}
        for segment in self.segments:
            for at, stress in segment.stresses:
                if at > self.years * YEAR_S + 1.0:
                    continue
                for k, name in enumerate(segment.names):
                    told = stress.figures["frozen_charge_h"][k], stress.figures["frozen_charge_ah"][k]
                    worst[name] = max(worst.get(name, (0.0, 0.0)), told)
        cold = [(told, name) for name, told in worst.items() if told[0] > FROZEN_H]
        cold.sort(key=lambda found: -round(found[0][0], 1))
        if not cold:
            return
        (hours, charge), name = cold[0]
        more = (
            f" (so {'is' if len(cold) == 2 else 'are'} {listed([other for _, other in cold[1:]])}, for no longer)"
            if cold[1:]
            else ""
        )
        yield BankWarning(
            FREEZING, ", ".join(other for _, other in cold),
            f"{name} is charged colder than its cells take any charge, for some {hours:,.3g} h a year ({in_digits(charge, 'Ah')} Ah){more}: "
            "lithium plates, which harms cells for good and can short them, and the law knows nothing of it. Warm them first, or give the "
            "BMS a lowest charge temperature.",
        )  # fmt: skip

    def _of_law(self):
        """Where the law is used beyond what it was fitted to."""
        law, outside = self.law, {}
        for segment in self.segments:
            for _, stress in segment.stresses:
                for word, share in stress.outside.items():
                    outside[word] = max(outside.get(word, 0.0), share)
        far = [f"{word} for {100 * share:.0f} % of the packs' time" for word, share in outside.items() if share >= OUTSIDE_SHARE]
        days = [table.days for table in law.fitted.values() if table.days is not None]
        if days and self.years * 365.25 > max(days):
            far.append(f"longer than its tests of {max(days):g} days")
        if far:
            yield BankWarning(
                "beyond-ageing-law", "bank",
                f"The law {law.name} is used beyond the conditions that it was fitted for: {'; '.join(far)}. What it says there is a guess.",
            )  # fmt: skip
        other = [pack.name for s in self.segments for pack in s.scenario.bank.packs if pack.chemistry.name not in law.chemistries]
        if other:
            yield BankWarning(
                "other-cells-than-law", ", ".join(dict.fromkeys(other)),
                f"The law {law.name} is of {law.cell} cells; packs of another chemistry may age quite differently.",
            )  # fmt: skip
        yield BankWarning(
            "ageing-unknown", "bank",
            "No law here knows of sudden loss after a knee, of a cell that fails, or of cells of one pack that go apart: a pack may end years "
            "before what is told.",
        )  # fmt: skip
        used = [
            name for segment in self.segments for name, left in zip(segment.names, segment.start_left, strict=True) if left < 1.0
        ]
        if used:
            rests = (
                " That capacities come together rests on it."
                if self.converges["capacity"] == "together" and (self.last.start_left < 1.0).any()
                else ""
            )
            yield BankWarning(
                "begins-used", ", ".join(dict.fromkeys(used)),
                "What a used pack has lost is taken to be by this same duty, so that it now loses more slowly than a new one, by the law's root "
                f"of time and charge. Lost by heat, abuse or a bad cell, it may go on faster.{rests}",
            )  # fmt: skip
        if law.leaves_out:
            yield BankWarning("ageing-left-out", "bank", f"The law {law.name} leaves out {law.leaves_out}.")

    def _of_windows(self):
        """A projection whose steps are too long, or that ended early, or before a change of the bank."""
        late = [f"changes.{k}" for k, c in enumerate(self.scenario.file.changes) if c.at >= self.asked_years * YEAR_S]
        if late:
            yield BankWarning(
                "change-beyond-years", ", ".join(late),
                f"{listed(late)} of the file {'is' if len(late) == 1 else 'are'} at or beyond the end of these {self.asked_years:g} years, "
                "and not in any figure here. Ask for more years, or for an earlier time.",
            )  # fmt: skip
        if self.stopped:
            yield BankWarning("ageing-ended", "bank", f"Stopped with {self.stopped}: figures here are of these.")
        elif self.years < self.asked_years - 1e-6:
            level = LEAST_LEFT if self.until is None else self.until
            yield BankWarning(
                "ageing-ended",
                "bank",
                f"Ended after {self.years:.1f} of {self.asked_years:g} years: the first pack that began above it has {100 * level:.0f} % left.",
            )
        if not self.full and not np.isfinite(self.error_points):
            yield BankWarning(
                "ageing-steps-coarse", "bank",
                "The error of the steps between windows is not estimated: it takes two steps or more (--windows 2).",
            )  # fmt: skip
        days = self.made_by.get("window_days")
        if not self.full and days is not None and days < LEAST_WINDOW_DAYS and any(is_dated(s.scenario) for s in self.segments):
            yield BankWarning(
                "ageing-windows-short", "bank",
                f"Stretches of {days} of real days are at the mercy of a day's weather, an error that halving steps does not show; "
                f"take {LEAST_WINDOW_DAYS} days or more (--window-days).",
            )  # fmt: skip
        if not self.full and self.error_points > 0.5:
            yield BankWarning(
                "ageing-steps-coarse", "bank", f"The steps between windows err by {self.error_words}; ask for more windows."
            )

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
            **({} if self.bands is None else self.bands.told),
            "error_points": self.error_points if np.isfinite(self.error_points) else None, "windows_run": self.runs, "full": self.full,
        }  # fmt: skip

    def write_tables(self, folder: Path) -> None:
        """Write every table into a folder that is there."""
        frames = (self.table, self.by_year, self.courses, self.terms, self.by_law, self.stress)
        for table, frame in zip(self.TABLES, frames, strict=False):
            provenance.write_table(folder / table.files[0], frame, self.made_by, index=False)
        if self.worth is not None:
            provenance.write_table(folder / WORTH.files[0], self.worth, self.made_by, index=False)
        if self.bands is not None:
            self.bands.write_tables(folder, self.made_by)

    def plot(self) -> Figure:
        """Capacity left of each pack over the years, with its band."""
        from simbank.plotting.ageing_plots import plot_ageing

        return plot_ageing(self._lines(), self.terms, self.title, None if self.bands is None else self.bands.courses)

    def _lines(self):
        """Courses for a plot, with ``piece``: which of the packs, one after the other, that had this name."""
        rows, piece, before = [], {}, None
        grid = self.years * np.linspace(0.0, 1.0, 41) ** 2
        for segment in self.segments:
            begin, end = segment.times[0] / YEAR_S, min(segment.times[-1] / YEAR_S, self.years)
            if begin >= end and before is not None:
                break
            for name in segment.names:
                if before is None or name not in before.names or not _same(before, segment, name):
                    piece[name] = piece.get(name, -1) + 1
            for year in [begin, *grid[(grid > begin) & (grid < end)], end]:
                at = np.array([year * YEAR_S])
                left, (low, high) = segment.left(segment.ages_at(at))[0], self._ends(segment, at)
                rows += [(year, n, left[j], low[0, j], high[0, j], piece[n]) for j, n in enumerate(segment.names)]
            before = segment
        return pd.DataFrame(rows, columns=["year", "pack", "capacity_left", "capacity_left_low", "capacity_left_high", "piece"])

    def section(self) -> Study:
        """The result as a section of a report, with the tables that the terminal has."""
        bands = [] if self.bands is None else self.bands.shown
        return replace(super().section(), table=None, tables=[*self.shown, *bands])

    @property
    def shown(self) -> list[Shown]:
        """Its tables as people read them."""
        return shown_of(self)

    @property
    def basis(self) -> list[str]:
        """What it rests on: laws, and the conditions that they were fitted for."""
        return basis_of(self)

    def pictures(self) -> list[Picture]:
        of = "from law to law, and of cells that lose faster or slower than those of the law"
        if self.bands is not None:
            of = "nine draws of ten lie within; lines: by the file's own values"
        caption = f"Capacity left of each pack over the years; bands: {of}. Right: what took it."
        out = [Picture("ageing.png", self.plot(), self.title, caption)]
        if self.bands is not None:
            from simbank.plotting.ageing_plots import plot_bank_bands

            caption = "Usable energy and spread of capacities over the years: nine draws of ten lie within the shade; lines: by the file."
            out.append(
                Picture("ageing_bands.png", plot_bank_bands(self.bands.by_year, self.by_year, self.title), self.title, caption)
            )
        return out


_OVER_YEARS = (
    ("throughput_ah", "throughput_ah", True), ("mean_soc", "soc", False), ("mean_c", "temperature_c", False),
    ("c_rate_rms", "c_rate_rms", False), ("cold_charge_ah", "cold_charge_ah", True),
    ("frozen_charge_h", "frozen_charge_h", True), ("frozen_charge_ah", "frozen_charge_ah", True),
)  # fmt: skip


def _same(part, last, name):
    """Whether a pack of this name in one segment is the very pack of another: both came at the same time."""
    return part.since[part.names.index(name)] == last.since[last.names.index(name)]

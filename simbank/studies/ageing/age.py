"""Years of a bank: windows of the duty on the bank as it is by then, and the laws that carry its packs' ages from one to the next."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from simbank.errors import InputError, RunStopped, SimulationError
from simbank.interrupts import heard_by
from simbank.scenario import Scenario
from simbank.scenario.exchange import timeline
from simbank.studies.ageing.aged import Ageing
from simbank.studies.ageing.course import Laws, Segment
from simbank.studies.ageing.projection import equal_age, march
from simbank.studies.ageing.seasons import YEAR_S, every_day, part_of_year, seasons_of, whole_year
from simbank.studies.ageing.stress import mean_stress
from simbank.studies.ageing.window_runs import WindowRuns

__all__ = ["MOST_STEPS", "aged_by"]

MOST_STEPS = 32  # of one segment


def aged_by(
    scenario: Scenario, laws: Laws, years: float, *, made: dict[str, Any], until: float | None = None, windows: int | None = None,
    window_days: int = 7, tolerance_points: float = 0.05, full: bool = False, progress: Callable[[float], None] | None = None,
) -> Ageing:  # fmt: skip
    """Years of a bank by laws as they are given, without a look at the arguments; ``made`` is what made it.

    The rest as in :func:`simbank.age`.
    """
    course = _Course(scenario, laws, years, windows, window_days, tolerance_points, full, progress)
    for *_, changed in course.spans:
        _fitting_chemistries(changed, laws.laws[0])

    def found(stopped=None):
        found = Ageing(scenario, course.segments, years, until, sum(course.errors), course.runs, full, made, stopped)
        found.closures = [closure for runner in course.runners for closure in runner.closures]
        return found

    try:
        with heard_by(course.interrupt):
            course.go()
    except (SimulationError, KeyboardInterrupt) as error:
        reached = course.keep_what_is_whole()
        told = f"{reached:.3g} of {years:g} years computed" if reached else "no year computed"
        if reached >= years - 1e-6:
            told += ", by longer steps than were asked for"
        partial = found(told) if reached else None
        if isinstance(error, (RunStopped, KeyboardInterrupt)):
            raise RunStopped(f"stopped with {told}", partial) from None
        raise SimulationError(f"{error}; {told}", partial) from error
    return found()


class _Course:
    """The way through the years: segments one after the other, what has been computed of them so far, and the error of each."""

    def __init__(self, scenario, laws, years, windows, window_days, tolerance_points, full, progress):
        self.scenario, self.laws, self.total_s = scenario, laws, years * YEAR_S
        self.windows, self.window_days, self.tolerance_points, self.full = windows, window_days, tolerance_points, full
        self.progress = progress
        self.spans = _spans(scenario, self.total_s)
        self.segments, self.errors, self.runners = [], [], []
        self.interrupted = self.begun = False  # begun: something has been computed that is worth keeping

    @property
    def runs(self):
        """Windows that were run."""
        return sum(runner.runs for runner in self.runners)

    def interrupt(self):
        """Note Ctrl-C; returns whether something is there to be kept."""
        self.interrupted = True
        return self.begun

    def heed_interrupt(self):
        """Stop where the interrupt itself was lost, as it may be in the compiler."""
        if self.interrupted:
            raise KeyboardInterrupt

    def keep_what_is_whole(self):
        """Leave out a segment of which nothing was computed; returns the years that the others cover."""
        if self.segments and len(self.segments[-1].times) < 2:
            self.segments.pop()
            self.errors.pop()
        return self.segments[-1].times[-1] / YEAR_S if self.segments else 0.0

    def go(self):
        """All segments."""
        for begin_s, end_s, at, before in self.spans:
            runner = WindowRuns(
                before.bank, seasons_of(before, self.window_days), self.laws.laws, whole_year(before), self.laws.rate_factors(before)
            )  # fmt: skip
            self.runners.append(runner)
            last = self.segments[-1] if self.segments else None
            segment = _begun(self.laws, before, runner, last, _fresh(self.scenario, at), begin_s)
            self.segments.append(segment)
            self.errors.append(0.0 if self.full else float("nan"))
            part = part_of_year(before, begin_s, end_s, self.window_days)
            pieces = [(begin_s, end_s, runner)]
            if part is not None:
                part_s, seasons, within = part
                of_part = WindowRuns(before.bank, seasons, self.laws.laws, within, self.laws.rate_factors(before))
                self.runners += [] if self.full else [of_part]
                pieces = [(begin_s, part_s, runner)] if part_s - begin_s > 1.0 else []
                pieces.append((part_s, end_s, of_part))
                if not pieces[1:] and not self.full:
                    self._look_at_year(segment, runner, begin_s, segment.ages[0])
            if self.full:
                self._every_day(segment, runner, begin_s, end_s)
            else:
                self._by_windows(segment, runner, pieces)
            if part is not None:
                self._look_at_year(segment, runner, end_s, segment.ages[-1])

    def _look_at_year(self, segment, runner, at_s, ages):
        """Note what a whole year does to the packs as they are by then."""
        segment.whole_years.append((at_s, runner.year(segment.left(ages), segment.growth(ages))))

    def _tell(self, share, begin_s, end_s):
        if self.progress:
            self.progress((begin_s + share * (end_s - begin_s)) / self.total_s)

    def _by_windows(self, segment, runner, pieces):
        """Project a segment by windows; its error is that of capacity left which halving the steps shows [points].

        ``pieces`` are its whole years and then a part of one, each (begin [s], end [s], its windows); ``runner`` has those of a whole year.
        """
        seen, begun, steps, (begin_s, end_s) = {}, segment.ages[0], self.windows, (pieces[0][0], pieces[-1][1])

        def rates(of, seconds, ages):
            self.heed_interrupt()
            key = (of, round(seconds), ages.tobytes())
            if key not in seen:
                seen[key] = of.year(segment.left(ages), segment.growth(ages))
                segment.stresses.append((seconds, seen[key]))
                if of is runner and len(pieces) > 1:
                    segment.whole_years.append((seconds, seen[key]))
            return seen[key].rates

        def keep(times, ages):
            segment.times, segment.ages = times, ages
            self.begun = True

        def go_through(count, keep=None):
            times, ages = np.array([begin_s]), begun[None]
            for begin, end, of in pieces:
                before = times[:-1], ages[:-1]

                def so_far(more, found, begin=begin, before=before):
                    keep(np.concatenate([before[0], begin + more]), np.concatenate([before[1], found]))

                more, found = march(
                    lambda seconds, ages, begin=begin, of=of: rates(of, begin + seconds, ages), ages[-1], end - begin, count, keep and so_far
                )  # fmt: skip
                times, ages = np.concatenate([before[0], begin + more]), np.concatenate([before[1], found])
            return times, ages

        count = 1 if steps is None else max(1, steps // 2)
        times, ages = go_through(count, keep)
        while count < MOST_STEPS:
            self._tell(min(0.9, count / 8.0), begin_s, end_s)
            if steps is not None and count >= steps:
                break
            coarse = segment.left(ages[-1])
            count *= 2
            times, ages = go_through(count)
            keep(times, ages)
            # of second order: a third of the difference
            self.errors[-1] = 100.0 * float(np.max(np.abs(segment.left(ages[-1]) - coarse))) / 3.0
            if steps is None and self.errors[-1] <= self.tolerance_points:
                break
        for number, (_, end, of) in enumerate(
            pieces, start=1
        ):  # a second before the next piece, which shows what its own windows do
            rates(of, end if number == len(pieces) else end - 1.0, ages[number * count])
        first, at_end = runner.ports_first, runner.ports_of_whole_year(segment.left(ages[-1]), segment.growth(ages[-1]))
        if first is not None:
            segment.ports_of_year = first, at_end
        self._tell(1.0, begin_s, end_s)

    def _every_day(self, segment, runner, begin_s, end_s):
        """Go through every day of a segment."""
        ages, state = segment.ages[0], None
        times, found, year, number = [begin_s], [ages], [], 0
        try:
            for seconds, season in every_day(segment.scenario, begin_s, end_s):
                self.heed_interrupt()
                stress, state = runner.run(season, segment.left(ages), segment.growth(ages), state)
                ages = ages + stress.rates * seconds
                times.append(times[-1] + seconds)
                found.append(ages)
                self.begun = True
                year.append((seconds, stress))
                if times[-1] - begin_s >= (number + 1) * YEAR_S or times[-1] >= end_s - 1.0:
                    segment.stresses.append((times[-1] - sum(s for s, _ in year) / 2.0, mean_stress(year)))
                    year, number = [], number + 1
                self._tell((times[-1] - begin_s) / (end_s - begin_s), begin_s, end_s)
        finally:
            if year:
                segment.stresses.append((times[-1] - sum(s for s, _ in year) / 2.0, mean_stress(year)))
            segment.times, segment.ages = np.array(times), np.array(found)


def _fitting_chemistries(scenario, law):
    """Refuse packs of a kind of cell for which the law says nothing."""
    for pack in scenario.bank.packs:
        if pack.chemistry.family not in law.families:
            raise InputError(
                f"the law {law.name} is of {law.cell} cells and says nothing of {pack.chemistry.family}; no law of it is shipped, since none "
                "with constants that can be checked was to be had", key="law", value=pack.name,
            )  # fmt: skip


def _spans(scenario, total_s):
    """(begin, end, number of the change at the begin or None, scenario) of each segment; changes after the end are made, too, to check them."""
    begins = [(0.0, None, scenario), *(change for change in timeline(scenario) if change[0] < total_s)]
    ends = [*(begin for begin, _, _ in begins[1:]), total_s]
    return [(begin, end, k, changed) for (begin, k, changed), end in zip(begins, ends, strict=True)]


def _fresh(scenario, at):
    """Names of which a change took the pack out or replaced it: one of that name after it is another pack."""
    if at is None:
        return set()
    change = scenario.file.changes[at]
    return {*change.remove, *(pack.name for pack in change.replace)}


def _begun(laws, scenario, runner, last, fresh, begin_s):
    """A segment with the ages of its packs at its start: carried over, or, of new ones, as their capacity left has them."""
    packs = scenario.bank.packs
    names = tuple(pack.name for pack in packs)
    left, growth = (np.array([getattr(p, key) for p in packs], float) for key in ("capacity_left", "resistance_growth"))
    start, ages = np.zeros((2, len(laws.exponents), len(packs)))
    carried = {} if last is None else {name: k for k, name in enumerate(last.names) if name not in fresh}
    now_left, now_growth, since = left.copy(), growth.copy(), np.full(len(packs), begin_s)
    for j, name in enumerate(names):
        if name in carried:
            k = carried[name]
            ages[:, j], start[:, j] = last.ages[-1][:, k], last.start_ages[:, k]
            left[j], growth[j], since[j] = last.start_left[k], last.start_growth[k], last.since[k]
            now_left[j], now_growth[j] = last.left(last.ages[-1])[k], last.growth(last.ages[-1])[k]
    if any(name not in carried and value < 1.0 for name, value in zip(names, left, strict=True)):
        first = runner.year(now_left, now_growth)
        for j, name in enumerate(names):
            if name not in carried:
                for number in range(len(laws.laws)):
                    part = laws.part(number)
                    start[part, j] = equal_age(1.0 - left[j], first.rates[part, j], laws.exponents[part])
                ages[:, j] = start[:, j]
    return Segment(laws, scenario, names, left, growth, start, np.zeros(1), ages[None], since=since)

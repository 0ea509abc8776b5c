"""The course of a bank's packs over years: ages of every term, segment by segment between changes of the bank, and what is read off them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from simbank.bank.ageing import GROWTH_AT_80_PERCENT
from simbank.bank.assumed import assumed
from simbank.cells.ageing_laws import AgeingLaw
from simbank.scenario import Scenario
from simbank.studies.ageing.stress import Stress

__all__ = ["GROWTH_WORDS", "Laws", "Segment", "crossing_years", "growth_per_loss"]

GROWTH_WORDS = (
    "resistance grows in proportion to the capacity lost, as measured on aged cells in parallel (Pastor-Fernández et al., J. Power Sources "
    "329 (2016) 574, secondary source: linear); to twice by the time 80 % is left (common practice, no source: 1.3 to 2.5 times)"
)


def growth_per_loss() -> tuple[float, float, float]:
    """Growth of resistance per loss of capacity, as a fraction of that as new: low, typical, high.

    >>> [round(value, 2) for value in growth_per_loss()]
    [1.5, 5.0, 7.5]
    """
    low, _, high = assumed().health.growth_at_80_percent
    return (low - 1.0) / 0.2, GROWTH_AT_80_PERCENT / 0.2, (high - 1.0) / 0.2


@dataclass(frozen=True)
class Laws:
    """Laws beside each other, the first of which makes the bank older; arrays hold the terms of all of them, one after the other.

    Attributes
    ----------
    laws : tuple of AgeingLaw
    growth : float
        Growth of resistance per loss of capacity, as a fraction of that as new.
    faster : mapping of str to float
        Pack type → factor of the loss of its cells; 1 of those that it does not name.
    """

    laws: tuple[AgeingLaw, ...]
    growth: float = field(default_factory=lambda: growth_per_loss()[1])
    faster: Mapping[str, float] = field(default_factory=dict)

    @property
    def exponents(self) -> np.ndarray:
        """p of every term."""
        return np.array([term.exponent for law in self.laws for term in law.terms])

    def rate_factors(self, scenario: Scenario) -> np.ndarray:
        """By what the rates of ages are multiplied, shape (terms, n), so that each pack of a bank loses ``faster`` times as much.

        Of a loss q = a^p that is the factor to the power 1/p.
        """
        kinds = {name: table.type for name, table in scenario.file.each_pack()}
        factors = np.array([self.faster.get(kinds[pack.name], 1.0) for pack in scenario.bank.packs])
        return factors ** (1.0 / self.exponents[:, None])

    def part(self, number: int) -> slice:
        """Where the terms of a law are."""
        begin = sum(len(law.terms) for law in self.laws[:number])
        return slice(begin, begin + len(self.laws[number].terms))

    def lost(self, ages: np.ndarray, number: int = 0) -> np.ndarray:
        """Loss of every term of a law, fractions of the capacity as new; ages of shape (..., terms, n)."""
        part = self.part(number)
        return np.asarray(ages)[..., part, :] ** self.exponents[part, None]


@dataclass(eq=False)
class Segment:
    """Packs that age together, from one change of the bank to the next.

    Attributes
    ----------
    scenario : Scenario
        The bank of this time.
    names : tuple of str
        Its n packs.
    start_left, start_growth : ndarray, shape (n,)
        Capacity left and growth of resistance that its file gives them: where each began, maybe in an earlier segment.
    start_ages : ndarray, shape (terms, n)
        Ages of the terms with which each began.
    times : ndarray, shape (m,)
        Since the start of the projection [s], rising.
    ages : ndarray, shape (m, terms, n)
    stresses : list of (float, Stress)
        What windows showed, at their times [s].
    whole_years : list of (float, Stress)
        What windows of a whole year showed, where those of ``stresses`` are of a part of one; else empty.
    since : ndarray, shape (n,)
        When each pack came [s]: of two packs of one name, one after the other, this tells which it is.
    ports_of_year : tuple of (dict, dict) or None
        A year's ``asked_wh`` and ``unmet_wh`` [Wh], of a whole year of real days run with the capacities at its start and at its end; None of
        a duty without dates, and where the end was not reached.
    """

    laws: Laws
    scenario: Scenario
    names: tuple[str, ...]
    start_left: np.ndarray
    start_growth: np.ndarray
    start_ages: np.ndarray
    times: np.ndarray = field(default_factory=lambda: np.zeros(0))
    ages: np.ndarray = field(default_factory=lambda: np.zeros(0))
    stresses: list[tuple[float, Stress]] = field(default_factory=list)
    since: np.ndarray = field(default_factory=lambda: np.zeros(0))
    ports_of_year: tuple[dict[str, float], dict[str, float]] | None = None
    whole_years: list[tuple[float, Stress]] = field(default_factory=list)

    @property
    def yearly(self) -> list[tuple[float, Stress]]:
        """What windows showed of a whole year, at their times [s]."""
        return self.whole_years or self.stresses

    def ports_at(self, seconds: float, what: str) -> float:
        """``asked_wh`` or ``unmet_wh`` of a year at a time [Wh].

        Of real days straight by the charge that the bank has lost between the whole years run at the start and at the end; else as windows
        showed.
        """
        if self.ports_of_year is None:
            return self.stress_figure(seconds, lambda stress: stress.ports[what], self.yearly)
        first, last = (ports[what] for ports in self.ports_of_year)
        rated = np.array([pack.rated_capacity_ah for pack in self.scenario.bank.packs])
        begun, now, ended = (
            float(self.left(self.ages_at(np.array([at])))[0] @ rated) for at in (self.times[0], seconds, self.times[-1])
        )
        return first + (last - first) * (begun - now) / max(begun - ended, 1e-12)

    def loss(self, ages: np.ndarray, number: int = 0) -> np.ndarray:
        """What each pack has lost since it began, by a law; shape (..., n)."""
        return (self.laws.lost(ages, number) - self.laws.lost(self.start_ages, number)).sum(axis=-2)

    def left(self, ages: np.ndarray, number: int = 0, scale: float = 1.0) -> np.ndarray:
        """Capacity left by a law, its loss times a factor; shape (..., n)."""
        return self.start_left - scale * self.loss(ages, number)

    def growth(self, ages: np.ndarray, number: int = 0) -> np.ndarray:
        """Growth of resistance by a law, shape (..., n)."""
        return self.start_growth + self.laws.growth * self.loss(ages, number)

    def ages_at(self, seconds: np.ndarray) -> np.ndarray:
        """Ages at any times, shape (m, terms, n): between nodes by a monotone cubic, beyond the last as they grew there."""
        from scipy.interpolate import PchipInterpolator

        seconds = np.atleast_1d(np.asarray(seconds, float))
        inside = np.clip(seconds, self.times[0], self.times[-1])
        if len(self.times) < 3:
            share = ((inside - self.times[0]) / max(self.times[-1] - self.times[0], 1e-9))[:, None, None]
            found = self.ages[0] + share * (self.ages[-1] - self.ages[0])
        else:
            found = PchipInterpolator(self.times, self.ages)(inside)
        beyond = np.maximum(seconds - self.times[-1], 0.0)[:, None, None]
        return found + beyond * self.yearly[-1][1].rates

    def has_same(self, other: Segment, name: str) -> bool:
        """Whether a pack of this name is the very pack of another segment: both came at the same time."""
        return self.since[self.names.index(name)] == other.since[other.names.index(name)]

    def stress_figure(self, seconds: float, of, looks: list[tuple[float, Stress]] | None = None) -> float | np.ndarray:
        """A figure of what windows showed, straight between their times; of those of ``looks`` where they are given."""
        looks = self.stresses if looks is None else looks
        times = np.array([t for t, _ in looks])
        order = np.argsort(times, kind="stable")
        values = np.array([of(looks[k][1]) for k in order], float)
        times = times[order]
        if values.ndim == 1:
            return float(np.interp(seconds, times, values))
        return np.array([np.interp(seconds, times, values[:, j]) for j in range(values.shape[1])])


def crossing_years(years: Sequence[float], left: np.ndarray, level: float) -> float | None:
    """When what is left first comes down to a level, straight between points; None if it does not.

    >>> round(crossing_years([0, 1, 2], np.array([1.0, 0.9, 0.7]), 0.8), 6)
    1.5
    """
    below = np.flatnonzero(np.asarray(left) <= level + 1e-12)
    if not below.size:
        return None
    k = int(below[0])
    if k == 0:
        return float(years[0])
    share = (left[k - 1] - level) / (left[k - 1] - left[k])
    return float(years[k - 1] + share * (years[k] - years[k - 1]))

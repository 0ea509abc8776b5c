"""Windows run on the bank as it is by then: present capacities and resistances go in, what that does to each pack comes out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from simbank.bank import Bank
from simbank.cells.ageing_laws import AgeingLaw
from simbank.duty import Duty, SampledDuty
from simbank.simulation import simulate
from simbank.studies.ageing.seasons import Season
from simbank.studies.ageing.stress import Stress, mean_stress, stress_of
from simbank.studies.case import Case

__all__ = ["BALANCE_MISSED", "LEAST_LEFT", "Closure", "WindowRuns"]

BALANCE_MISSED = "balance-missed"  # code of a run's warning

LEAST_LEFT = (
    0.2  # of the capacity as new: a pack that came down to less is run as if it had so much, one that began below as it began;
)
# no law was fitted so far
SETTLED_POINTS, MOST_SETTLING = (
    0.5,
    6,
)  # a window follows itself: it is gone through until each pack ends it where it began, to so much
# A short duty is gone through several times in one window. Packs begin a window with their RC pairs at rest, the slowest of which take
# some hour to follow; and a pack takes some three of its thermal time constants to forget the temperature that it began with.
LEAST_SPAN_S, MOST_SPAN_S, FORGETS = 6.0 * 3600.0, 24.0 * 3600.0, 3.0
SETTLED_K = (
    0.03  # by which the temperature at the start of a window may shift a pack's mean over it; a law moves by some 4 % a kelvin
)
LEAST_FADING_1_S = 1e-7  # slower than in four months is as good as never
MOST_WARMING = 24  # passes until it is so
# Of runs of real days: capacity left over ten years moves by 1e-5 points against the usual one, for half the time.
TOLERANCE_OF_DAYS = 1e-6
MOST_SAMPLES = 3000  # of a window, for the means over it


class _State(NamedTuple):
    """Of each pack at the end of a window, shape (n,)."""

    soc: np.ndarray
    hysteresis: np.ndarray
    temperature_k: np.ndarray


class Closure(NamedTuple):
    """How the balances of one window close.

    Attributes
    ----------
    window : str
        Its name.
    charge, energy : float
        Relative errors, as of a run's summary.
    missed : tuple of str
        What a run of it warns of: balances that do not close as they should.
    """

    window: str
    charge: float
    energy: float
    missed: tuple[str, ...] = ()


class WindowRuns:
    """The windows of one bank.

    Parameters
    ----------
    bank : Bank
        As it is built; what ages is replaced.
    seasons : sequence of Season
    laws : sequence of AgeingLaw
    whole : sequence of Season, optional
        Stretches of a whole year, one after the other. They are run once, with the first capacities that are asked for; from then on the
        windows tell by how much that has changed.
    rate_factors : ndarray, shape (terms of all laws, n), optional
        By what the rates of ages are multiplied.
    """

    def __init__(
        self, bank: Bank, seasons: Sequence[Season], laws: Sequence[AgeingLaw], whole: Sequence[Season] | None = None,
        rate_factors: np.ndarray | None = None,
    ) -> None:  # fmt: skip
        self.bank, self.laws, self.whole, self.rate_factors = bank, laws, whole, rate_factors
        coupled = 0.0 if bank.neighbours_w_k is None else bank.neighbours_w_k.sum(axis=1)
        self._fades = np.array([pack.heat_loss_w_k for pack in bank.packs]) + coupled > 0.0  # packs whose heat goes somewhere
        self._warming_s = _slowest_warming_s(bank)
        self.seasons = [_several_times(season, self._warming_s) for season in seasons]
        self._first: tuple[Stress, Stress] | None = None
        self._states: dict[str, _State] = {}
        self.closures: list[Closure] = []

    @property
    def runs(self) -> int:
        """Windows that were run."""
        return len(self.closures)

    def aged_bank(self, left: np.ndarray, growth: np.ndarray, ambient_k: float, state: _State | None = None) -> Bank:
        """The bank with these capacities left and growths of resistance, shape (n,), in air of that temperature."""
        packs = []
        for k, pack in enumerate(self.bank.packs):
            least = min(LEAST_LEFT, pack.capacity_left)
            changes = {"capacity_left": max(float(left[k]), least), "resistance_growth": float(growth[k])}
            if state is not None:
                changes |= {
                    "soc": float(np.clip(state.soc[k], 0.0, 1.0)),
                    "hysteresis": float(np.clip(state.hysteresis[k], -1, 1)),
                }
                if pack.heat_capacity_j_k > 0:
                    changes["temperature_k"] = float(state.temperature_k[k])
            packs.append(replace(pack, **changes))
        return replace(self.bank, packs=tuple(packs), ambient_k=ambient_k)

    def year(self, left: np.ndarray, growth: np.ndarray) -> Stress:
        """What a year does to packs with these capacities left and growths of resistance: all windows, each by its share."""
        parts = []
        for season in self.seasons:
            parts.append((season.share, self._settled(season, left, growth)))
        found = mean_stress(parts)
        if not self.whole:
            return found
        if self._first is None:
            self._first = found, self._whole_year(left, growth)
        return found.beside(*self._first)

    def ports_of_whole_year(self, left: np.ndarray, growth: np.ndarray) -> dict[str, float] | None:
        """What ports ask in a whole year of real days, and what is not given, with these capacities left [Wh]; None of a duty without dates.

        Load goes unmet in a few dark weeks, which short windows may miss: by how much that has changed only the whole year tells.
        """
        return self._whole_year(left, growth).ports if self.whole else None

    @property
    def ports_first(self) -> dict[str, float] | None:
        """The same of the whole year with the first capacities that were asked for; None before it, or of a duty without dates."""
        return None if self._first is None else self._first[1].ports

    def _settled(self, season, left, growth):
        """A window that follows itself: gone through until each pack ends it as it began, by charge the first time, by temperature always."""
        known = season.name in self._states
        for count in range(1, MOST_WARMING + 1):
            before = self._states.get(season.name)
            part, state = self.run(season, left, growth, before)
            self._states[season.name] = state
            if before is None:
                continue
            moved = 100.0 * float(np.max(np.abs(state.soc - before.soc)))
            charged = known or moved < SETTLED_POINTS or count >= MOST_SETTLING
            # a difference d at the start of a window of length T that fades with the time constant τ shifts the mean by d τ/T (1 − exp(−T/τ));
            # pass after pass d is 1/(1 − exp(−T/τ)) of that by which the end differs from the start
            ended_k = np.abs(state.temperature_k - before.temperature_k)[self._fades]
            shift_k = float(np.max(ended_k, initial=0.0)) * self._warming_s / season.duty.duration_s
            if charged and shift_k < SETTLED_K:
                break
        return part

    def _whole_year(self, left, growth):
        """A whole year, stretch after stretch."""
        parts, state = [], None
        for season in self.whole:
            part, state = self.run(season, left, growth, state)
            parts.append((season.share, part))
        return mean_stress(parts)

    def run(self, season: Season, left: np.ndarray, growth: np.ndarray, state: _State | None) -> tuple[Stress, _State]:
        """One window from a state on: what it does, and the state at its end."""
        bank = self.aged_bank(left, growth, season.ambient_k, state)
        step = max(60.0, season.duty.duration_s / MOST_SAMPLES)
        tolerance = TOLERANCE_OF_DAYS if isinstance(season.duty, SampledDuty) else None
        result = simulate(Case(season.name, bank, season.duty), integrator="fast", tolerance=tolerance, output_step_s=step)
        self.closures.append(_closure(season.name, result.summary))
        samples = result.pack_samples
        after = _State(samples.soc[-1], samples.hysteresis[-1], samples.temperature_c[-1] + 273.15)
        stress = stress_of(result, bank.packs, self.laws)
        if self.rate_factors is not None:
            stress = replace(stress, rates=stress.rates * self.rate_factors)
        return stress, after


def _slowest_warming_s(bank):
    """Time constant with which the slowest difference of temperature between packs and air fades [s]; 0 where packs have none that fades."""
    heat, loss = (np.array([getattr(pack, key) for pack in bank.packs], float) for key in ("heat_capacity_j_k", "heat_loss_w_k"))
    own = heat > 0.0
    if not own.any():
        return 0.0
    between = np.zeros((len(heat), len(heat))) if bank.neighbours_w_k is None else np.asarray(bank.neighbours_w_k, float)
    rates = (np.diag(loss + between.sum(axis=1)) - between)[np.ix_(own, own)] / heat[own, None]
    fading = np.linalg.eigvals(rates).real
    fading = fading[fading > LEAST_FADING_1_S]
    return 1.0 / float(fading.min()) if fading.size else 0.0


def _several_times(season, warming_s):
    """The same season with a duty that is long enough for a window."""
    duty = season.duty
    span = min(max(LEAST_SPAN_S, FORGETS * warming_s), MOST_SPAN_S)
    times = math.ceil(span / duty.duration_s - 1e-6)
    return season if times <= 1 or not isinstance(duty, Duty) else replace(season, duty=replace(duty, repeat=duty.repeat * times))


def _closure(name, summary):
    """How the balances of a window's run close."""
    closure = summary["closure"]
    missed = tuple(warning["text"] for warning in summary["warnings"] if warning["code"] == BALANCE_MISSED)
    return Closure(name, closure["charge_relative"], closure["energy_relative"], missed)

"""Years of a bank as they are asked for: arguments looked at, laws read, bands added where they are wanted."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from numbers import Real

from simbank.cells.ageing_laws import load_law
from simbank.errors import InputError, RunStopped
from simbank.scenario import Scenario
from simbank.studies.ageing.age import MOST_STEPS, aged_by
from simbank.studies.ageing.aged import Ageing
from simbank.studies.ageing.bands import ageing_bands
from simbank.studies.ageing.course import Laws
from simbank.studies.bands import checked_settings
from simbank.studies.settings import study_made_by

__all__ = ["age", "check_years"]

MOST_YEARS = 50.0
LAW, OTHERS = "schimpe", ("naumann+wang",)


def age(
    scenario: Scenario,
    years: float = 10.0,
    *,
    law: str = LAW,
    others: Sequence[str] | None = None,
    until: float | None = None,
    windows: int | None = None,
    window_days: int = 7,
    tolerance_points: float = 0.05,
    full: bool = False,
    bands: int | None = None,
    seed: int = 0,
    progress: Callable[[float], None] | None = None,
) -> Ageing:
    """How the packs of a bank lose capacity and gain resistance over years, by a law, while they share the duty.

    The duty is run in windows, on the bank with the capacities and resistances of that time: of real days a whole year once, and then four
    stretches a quarter of a year apart, which tell by how much that has changed; or the duty itself again and again. What they do to each
    pack carries its ages on (:mod:`simbank.studies.ageing.projection`).
    Amperes, watts and settings stay as they are for the bank at the start.

    Parameters
    ----------
    scenario : Scenario
        With ``seasons`` the air changes through the year; with ``changes`` packs come and go.
    years : float
        How far to go, 0.1 to 50.
    law : str
        Name of a shipped law, or several joined by "+" whose terms add up ("naumann+wang").
    others : sequence of str, optional
        Laws told beside it, for the same windows; by default "naumann+wang", or "schimpe" where that is the law.
    until : float, optional
        End when the first pack of those that begin above it has so much of its capacity as new left; by default none does, and 20 %
        ends it.
    windows : int, optional
        Steps between changes of the bank, each of two looks at all windows; by default as many as ``tolerance_points`` asks.
    window_days : int
        Length of a stretch of real days. The weather that a stretch happens to have is an error besides that of the steps: on the shipped
        clinic of real days 0.09 points against every day with 7 days, 0.04 to 0.21 with others from 2 to 28, 0.5 with 1.
    tolerance_points : float
        Greatest error of a pack's capacity left by the steps, as told by halving them [points].
    full : bool
        Go through every day instead, with the bank made older after each stretch; slow, to check the windows by.
    bands : int, optional
        Also 5, 50 and 95 % of every figure over so many draws of all that is not known of bank and laws
        (:func:`simbank.studies.ageing.bands.ageing_bands`), as ``bands`` of what is returned.
    seed : int
        Of the draws.
    progress : callable, optional
        Called with the fraction done.

    Returns
    -------
    Ageing

    Raises
    ------
    InputError
        If the law is unknown, an argument is out of range, or a change of the bank cannot be.
    SimulationError
        If a window cannot be run, or by Ctrl-C (then a RunStopped); ``partial`` is the Ageing up to there, or None.
    """
    check_years(scenario, years, until, windows, window_days)
    _check_laws(law, others)
    if isinstance(tolerance_points, bool) or not isinstance(tolerance_points, Real) or not 0.0 < tolerance_points <= 100.0:
        raise InputError("must be above 0 and up to 100 points", key="tolerance_points", value=tolerance_points)
    if full and windows is not None:
        raise InputError("full goes through every day, without windows; give one of both", key="windows", value=windows)
    if others is None:
        others = OTHERS if law not in OTHERS else (LAW,)
    laws = Laws(tuple(load_law(name) for name in dict.fromkeys([law, *others])))
    made = study_made_by(
        scenario, "age", integrator="fast", years=years, law=law, others=list(others), until=until, windows=windows,
        window_days=window_days, tolerance_points=tolerance_points, full=full,
    )  # fmt: skip
    if bands is not None:
        checked_settings(bands, seed, "fast", None)
        if full:
            raise InputError("bands are made of windows; leave out full", key="bands", value=bands)
    found = aged_by(
        scenario, laws, years, until=until, windows=windows, window_days=window_days, tolerance_points=tolerance_points, full=full,
        progress=progress if bands is None else None, made=made,
    )  # fmt: skip
    if bands is not None:
        try:
            found.bands = ageing_bands(found, bands, seed, progress=progress)
        except RunStopped as stopped:
            found.bands = stopped.partial
            raise RunStopped(str(stopped), found) from None
    return found


def _check_laws(law, others):
    """Refuse what is no name of a law, or no list of such names."""
    if not isinstance(law, str):
        raise InputError('must be the name of a law, such as "schimpe"', key="law", value=law)
    if others is not None and (isinstance(others, str) or not all(isinstance(name, str) for name in others)):
        raise InputError('must be a list of names of laws, such as ["naumann"]', key="others", value=others)


def check_years(
    scenario: Scenario, years: float, until: float | None = None, windows: int | None = None, window_days: int = 7
) -> None:
    """Raise an InputError where one of these arguments of :func:`age` is out of range."""
    if not isinstance(scenario, Scenario):
        raise InputError("must be a scenario; simbank.load(path) makes one of a file", key="scenario", value=scenario)
    if isinstance(years, bool) or not isinstance(years, Real) or not 0.1 <= years <= MOST_YEARS:
        raise InputError(f"must be from 0.1 to {MOST_YEARS:g}", key="years", value=years)
    if until is not None and not 0.2 <= until < 1.0:
        raise InputError("must be from 0.2 to below 1", key="until", value=until)
    if until is not None and all(pack.capacity_left <= until for pack in scenario.bank.packs):
        raise InputError("every pack begins with so much or less of its capacity as new", key="until", value=until)
    if windows is not None and not 1 <= windows <= MOST_STEPS:
        raise InputError(f"must be from 1 to {MOST_STEPS}", key="windows", value=windows)
    if not 1 <= window_days <= 90:
        raise InputError("must be from 1 to 90", key="window_days", value=window_days)

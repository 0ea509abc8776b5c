"""Years of a bank as one run of many: the figures that a table of runs has of them, and what of ageing itself may differ from run to run."""

from __future__ import annotations

from collections.abc import Mapping
from numbers import Real
from typing import Any

from simbank.cells.ageing_laws import load_law
from simbank.errors import InputError
from simbank.filemodel import nearest
from simbank.scenario import Scenario
from simbank.studies.ageing.age import aged_by
from simbank.studies.ageing.bands import FASTER, GROWTH, LAW
from simbank.studies.ageing.course import Laws, growth_per_loss
from simbank.studies.ageing.years import LAW as USUAL_LAW
from simbank.studies.ageing.years import check_years
from simbank.warning import as_records

__all__ = ["SWEPT", "USUAL_LAW", "YEARS", "check_own", "check_settings", "of_ageing", "of_file", "swept_figures"]

YEARS = "ageing.years"  # how far to go, as a key of a sweep
OWN = "ageing."  # keys of ageing itself begin so, in a sweep as in draws
SETTINGS = ("years", "law", "until", "windows", "window_days", "tolerance_points")
MOST_FASTER, MOST_GROWTH = 10.0, 50.0  # beyond any law's scatter, and any cell's growth of resistance
SWEPT = (
    ("first_pack", "", "with years: of the packs that begin above 80 %, the first to come to it, or, where none does, the one with the least left"),
    ("first_tied", "", "with years: packs that the error of the steps cannot tell from it, with commas; none where there is none"),
    ("years_to_80", "", "with years: until it has 80 % left, beyond those asked for as it ages at their end; none if later than twice those"),
    ("first_term", "", "with years: the term of the law that took most of it"),
    ("capacity_left_min", "", "with years: least capacity left at the end of the packs that begin above 80 %, present over rated"),
    ("capacity_spread_start", "", "with years: largest less smallest capacity left when the packs that are there at the end came together"),
    ("capacity_spread", "", "with years: the same at the end"),
    ("resistance_spread", "", "with years: largest less smallest growth of resistance at the end"),
    ("usable_wh", "Wh", "with years: energy from full to cut-off at the end, at 0.2 C of the capacity as new"),
    ("asked_wh", "Wh", "with years: what is asked in all of them, by the trapezoidal rule from year to year"),
    ("unmet_wh", "Wh", "with years: of that, not given"),
    ("years_covered", "", "with years: how far it went; less than asked for where a pack came to 20 %, or to until"),
    ("error_points", "points", "with years: error of capacity left by the steps; none where it is not known"),
)  # fmt: skip


def of_file(point: Mapping[str, Any]) -> dict[str, Any]:
    """Of the keys of a point those that a scenario file has."""
    return {key: value for key, value in point.items() if not str(key).startswith(OWN)}


def of_ageing(point: Mapping[str, Any]) -> dict[str, Any]:
    """Of the keys of a point those of ageing itself."""
    return {key: value for key, value in point.items() if str(key).startswith(OWN)}


def check_settings(scenario: Scenario, settings: Mapping[str, Any]) -> dict[str, Any]:
    """The settings of years of every run, looked at before the first.

    Parameters
    ----------
    scenario : Scenario
        What is varied.
    settings : mapping
        ``years``, ``law``, and of :func:`simbank.age` ``until``, ``windows``, ``window_days``, ``tolerance_points``; besides, as any sweep
        has them, ``integrator``, and ``method`` and ``tolerance``, which may only be None.

    Returns
    -------
    dict
        Without those.

    Raises
    ------
    InputError
        If one is unknown or does not fit.
    """
    told = {key: value for key, value in settings.items() if key not in ("integrator", "method", "tolerance")}
    if settings.get("integrator") != "fast":
        raise InputError("years are run by the fast integrator; leave it out", key="integrator", value=settings.get("integrator"))
    for key in ("method", "tolerance"):
        if settings.get(key) is not None:
            raise InputError("windows of years are run as `age` runs them; leave it out", key=key, value=settings[key])
    for key in told:
        if key not in SETTINGS:
            raise InputError(f"not a setting of years; {nearest(key, SETTINGS)}", key=key)
    limits = {key: told[key] for key in ("until", "windows", "window_days") if key in told}
    check_years(scenario, told["years"], **limits)
    load_law(told["law"])
    return told


def check_own(scenario: Scenario, own: Mapping[str, Any], settings: Mapping[str, Any]) -> None:
    """Refuse a key of ageing that there is none of, or a value that does not fit.

    Parameters
    ----------
    scenario : Scenario
        Of the point.
    own : mapping
        Keys of ageing, from :func:`of_ageing`.
    settings : mapping
        Of the sweep; without ``years`` there is nothing that such a key could change.
    """
    kinds = list(scenario.file.pack_types)
    known = [YEARS, LAW, GROWTH, *(f"{FASTER}.{kind}" for kind in kinds)]
    for key, value in own.items():
        if settings.get("years") is None:
            raise InputError("counts only over years: say how many (--years 10)", key=key, value=value)
        if key not in known:
            raise InputError(f"no such key; {nearest(key, known)}", key=key)
        if key == LAW:
            load_law(str(value))
        elif key == YEARS:
            check_years(scenario, value)
        else:
            most = MOST_GROWTH if key == GROWTH else MOST_FASTER
            if isinstance(value, bool) or not isinstance(value, Real) or not 0.0 < value <= most:
                raise InputError(f"must be a number above 0, up to {most:g}", key=key, value=value)


def swept_figures(
    scenario: Scenario, own: Mapping[str, Any], settings: Mapping[str, Any]
) -> tuple[dict[str, Any], list[dict[str, str]]]:
    """The figures of years of one bank, and what they warn of, as records.

    Parameters
    ----------
    scenario : Scenario
        The bank.
    own : mapping
        Keys of ageing itself: ``ageing.years``, ``ageing.law``, ``ageing.growth`` (growth of resistance per loss of capacity),
        ``ageing.faster.TYPE`` (by which factor cells of a pack type lose faster than those of the law).
    settings : mapping
        From :func:`check_settings`.

    Raises
    ------
    InputError
        If a value does not fit.
    SimulationError
        If a window cannot be run; nothing is told then of the years before it.
    """
    check_own(scenario, own, settings)
    rest = dict(settings)
    years, law = own.get(YEARS, rest.pop("years")), str(own.get(LAW, rest.pop("law")))
    check_years(scenario, years, **{key: rest[key] for key in ("until", "windows", "window_days") if key in rest})
    faster = {key.removeprefix(f"{FASTER}."): value for key, value in own.items() if key.startswith(f"{FASTER}.")}
    laws = Laws((load_law(law),), own.get(GROWTH, growth_per_loss()[1]), faster)
    made = {"scenario": scenario.name, "window_days": rest.get("window_days", 7)}
    found = aged_by(scenario, laws, years, made=made, **rest)
    return _figures(found), as_records(found.warnings)


def _figures(found):
    told, compared = found.converges, found.compared
    first, *tied = found.tied
    figures = {
        "first_pack": first, "first_tied": ", ".join(tied) or None, "years_to_80": compared["years_to_80"],
        "first_term": found.table.set_index("pack").loc[first, "main_term"], "capacity_left_min": compared["capacity_left_min"],
        "capacity_spread_start": told["capacity_spread_start"], "capacity_spread": told["capacity_spread_end"],
        "resistance_spread": told["resistance_spread_end"], "usable_wh": compared["usable_wh"],
        "asked_wh": found.sum_of_years("asked_wh"), "unmet_wh": compared["unmet_wh"], "years_covered": found.years,
        "error_points": found.error_points,
    }  # fmt: skip
    return {key: None if value is None or value != value else value if isinstance(value, str) else float(value)
            for key, value in figures.items()}  # fmt: skip

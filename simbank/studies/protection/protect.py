"""Prospective fault currents, checks of every device and conductor, order of opening, outages: one study of a scenario."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simbank.simulation.run import linear_algebra_threads
from simbank.studies.described import bank_warnings
from simbank.studies.parallel import in_order
from simbank.studies.protection.assumptions import Assumptions
from simbank.studies.protection.breaking import Breaking
from simbank.studies.protection.clearing import clearing_checks, one_pack_alone, opening_orders
from simbank.studies.protection.conductor_checks import conductor_checks, drop_checks, load_checks
from simbank.studies.protection.device_checks import device_checks, devices_present, polarities
from simbank.studies.protection.faults import fault_tables, greatest_faults, least_faults
from simbank.studies.protection.full_load import start_voltage_warnings
from simbank.studies.protection.lasting_load import lasting_load
from simbank.studies.protection.left_out import held_against_left_out
from simbank.studies.protection.outage import Loads, outage_table, overload_table
from simbank.studies.protection.protection import Protection, checks_table
from simbank.studies.protection.ratings import string_ratings
from simbank.studies.protection.shorted_checks import relied_on, shorted_checks
from simbank.studies.protection.withstand import Withstand

if TYPE_CHECKING:
    from collections.abc import Callable

    from simbank.scenario import Scenario

__all__ = ["protect"]


def protect(
    scenario: Scenario,
    assumptions: Assumptions | None = None,
    *,
    progress: Callable[[float], None] | None = None,
    run: bool = True,
    bands: int | None = None,
    seed: int = 0,
) -> Protection:
    """Fault currents, checks, order of opening, outages and shorted cells of a scenario.

    Parameters
    ----------
    scenario : Scenario
        The bank, and the duty that says what it has to carry.
    assumptions : Assumptions, optional
        What the worst cases rest on.
    progress : callable, optional
        Called with the fraction done.
    run : bool
        Run the duty (its first seven days) for the load that lasts; without it only the full loads at the start count.
    bands : int, optional
        How many banks to draw of what is not known exactly (200 are usual, 20 the least), for bands of the fault currents
        (:attr:`Protection.bands`) and the share of draws in which each check that hangs on them fails. None are drawn by default.
    seed : int
        Of the draws.

    Returns
    -------
    Protection
        Computed from the data given; no substitute for the pack maker's manual, local codes and a licensed person.

    Raises
    ------
    InputError
        If fewer than 20 draws are asked for, or none of them gives a bank.
    """
    tell, assumptions = progress or (lambda done: None), assumptions or Assumptions()
    with linear_algebra_threads().limit(limits=1):
        return _protect(scenario, assumptions, tell, run, bands, seed)


def _protect(scenario, assumptions, tell_all, run, draws, seed):
    """:func:`protect` with one thread."""
    bank = scenario.bank
    middle = 1.0 if draws is None else 0.5  # share of the work that is done by the middle values

    def tell(done):
        tell_all(middle * done)

    greatest = greatest_faults(bank, assumptions)
    least = least_faults(bank, assumptions)
    faults, shares = fault_tables(greatest, least)
    tell(0.1)
    breaks = Breaking.of(greatest)
    sequences = _followed(greatest, breaks, lambda done: tell(0.1 + 0.15 * done))
    order, clearing = opening_orders(greatest, breaks, sequences)
    tell(0.4)
    slow = _followed(least, breaks, lambda done: tell(0.4 + 0.1 * done))
    alone = _alone(least, breaks)
    tell(0.5)
    withstand = Withstand.of(greatest, least, breaks.open_cases, sequences, slow, alone)
    tell(0.6)
    loads = Loads(scenario)
    lasting, load_note = lasting_load(scenario, loads, run)
    tell(0.76)
    overload = overload_table(loads, greatest, breaks)
    tell(0.78)
    outages, outage_checks = outage_table(loads, breaks)
    tell(0.8)
    ratings = string_ratings(greatest, least, loads, lasting, assumptions.margin)
    short_cases, short_note, short_found = shorted_checks(scenario, assumptions, breaks, tell)
    shorted = {name: max(rows, key=lambda row: row.energy_wh) for name, rows in short_cases.items()}
    short_found = [relied_on(check, bank, breaks) for check in short_found]
    found = [
        *devices_present(bank, breaks.state),
        *device_checks(bank, breaks, assumptions, lasting),
        *conductor_checks(bank, breaks, withstand),
        *load_checks(bank, assumptions, lasting),
        *clearing_checks(bank, least, breaks, slow, alone, assumptions),
        *drop_checks(loads, assumptions),
        *outage_checks,
        *short_found,
        *polarities(bank),
    ]
    told = found
    if draws is None:
        told = held_against_left_out(
            scenario, assumptions, greatest, breaks, sequences, found, lambda faults: _followed(faults, breaks, lambda done: None)
        )
    protection = Protection(
        scenario, assumptions, faults, shares, checks_table(told), order, clearing, overload, outages, shorted, greatest, least, load_note,
        [*bank_warnings(scenario), *start_voltage_warnings(scenario)], ratings, breaks, short_cases, short_note, sequences[0][1],
        judged=found,
    )  # fmt: skip
    if draws is not None:
        protection = protection.in_draws(draws, seed, lambda done: tell_all(middle + (1 - middle) * done))
    tell_all(1.0)
    return protection


def _followed(faults, breaks, tell):
    """For each of :attr:`Breaking.open_cases` its words and what happens at each place: place → :class:`Sequence`."""
    found = iter(
        faults.follow_each([(place, case.line, case.failed) for case in breaks.open_cases for place in faults.places], tell)
    )
    return [(case.words, {place.name: next(found) for place in faults.places}) for case in breaks.open_cases]


def _alone(least, breaks):
    """:func:`one_pack_alone` of each of :attr:`Breaking.open_cases`."""
    each = _at_every_place(lambda place, case: one_pack_alone(least, case, [place]), least, breaks)
    return [{name: one for found in by_place.values() for name, one in found.items()} for by_place in each]


def _at_every_place(function, faults, breaks, tell=lambda done: None):
    """For each of :attr:`Breaking.open_cases` what a function of place and case gives, by the place's name."""
    work = [(place, case) for case in breaks.open_cases for place in faults.places]
    found = iter(in_order(function, work, tell=tell))
    return [{place.name: next(found) for place in faults.places} for _ in breaks.open_cases]

"""Warnings of a bank as a scenario describes it, before anything runs."""

from __future__ import annotations

from simbank.scenario import Scenario
from simbank.simulation.bank_warnings import Joining, warnings_of_bank
from simbank.simulation.operating_point import BankAtStart
from simbank.warning import BankWarning

__all__ = ["bank_warnings"]


def bank_warnings(scenario: Scenario) -> list[BankWarning]:
    """What is wrong with a bank as it is described; a run warns of the same, and of what happened in it.

    Parameters
    ----------
    scenario : Scenario
        Bank and duty.

    Returns
    -------
    list of BankWarning
        Empty where nothing was found by these rules, which does not mean that nothing is wrong.
    """
    at_start = BankAtStart(scenario.bank)

    def joining(packs=None):
        point = at_start.solve_operating_point({}, packs)
        return Joining(point.open_v, point.pack_a, point.branch_a, joining)

    return warnings_of_bank(scenario.bank, scenario.duty, joining())

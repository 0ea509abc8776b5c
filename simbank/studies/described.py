"""Warnings of a bank as a scenario describes it, before anything runs."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from simbank.bank import LAYOUTS
from simbank.errors import InputError
from simbank.scenario import Scenario, with_changes
from simbank.simulation.bank_warnings import Joining, warnings_of_bank
from simbank.simulation.operating_point import BankAtStart
from simbank.warning import BankWarning

__all__ = ["bank_warnings", "ideal_bar_words", "layouts_left_out"]


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


def ideal_bar_words(scenario: Scenario, layouts: Iterable[str]) -> str:
    """That a bus bar counts without resistance and copper, where the file gives none and layouts have one; else empty."""
    if "busbar" not in layouts or scenario.data.get("wiring", {}).get("bar"):
        return ""
    return "The file gives no wiring.bar: in busbar the bars themselves count without resistance and copper; only their leads are counted."


def layouts_left_out(scenario: Scenario, layouts: Sequence[str]) -> list[BankWarning]:
    """Why layouts cannot be built although the scenario gives their parts: one warning for each, none of those that can."""
    found = []
    for name in layouts:
        if not scenario.data.get("wiring", {}).get(LAYOUTS[name].part):
            continue
        try:
            with_changes(scenario, {"wiring.layout": name})
        except InputError as error:
            value = f" {error.value!r}:" if error.value is not None else ""
            why = error.problem.split(";")[0]
            found.append(
                BankWarning("layout-left-out", name, f"Left out, since its bank cannot be built: {error.key}:{value} {why}")
            )
    return found

"""Checks that pass only because joints and wiring inside packs, which the file leaves out, count as zero."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simbank.bank.assumed import assumed
from simbank.distributions import HIGH_SHARE
from simbank.scenario.uncertain import drawn, uncertain_values
from simbank.studies.protection.checks import LEFT_OUT, PASS, OpenCase, hangs_on
from simbank.studies.protection.clearing import clearing_checks, one_pack_alone
from simbank.studies.protection.faults import least_faults
from simbank.studies.protection.withstand import Withstand

if TYPE_CHECKING:
    from collections.abc import Callable

    from simbank.scenario import Scenario
    from simbank.studies.protection.assumptions import Assumptions
    from simbank.studies.protection.breaking import Breaking
    from simbank.studies.protection.checks import Check
    from simbank.studies.protection.faults import Faults, Sequence

__all__ = ["held_against_left_out"]


def held_against_left_out(
    scenario: Scenario,
    assumptions: Assumptions,
    greatest: Faults,
    breaks: Breaking,
    strong: list[tuple[str, dict[str, Sequence]]],
    found: list[Check],
    followed: Callable[[Faults], list[tuple[str, dict[str, Sequence]]]],
) -> list[Check]:
    """Checks of clearing in time and of withstand, held against a least current with what the file leaves out at its upper end.

    A resistance that counts as zero makes the least current too large, and a fuse too quick. What passes so, and does not with joints and
    wiring inside packs at the upper end of what is seen in practice (95 % of ``bank/assumed.toml``), is not checkable.

    Parameters
    ----------
    scenario : Scenario
        The bank.
    assumptions : Assumptions
        What the two cases rest on.
    greatest : Faults
        The greatest case, which stays as it is.
    breaks : Breaking
        What is known of every device's opening.
    strong : list of (str, dict of str to Sequence)
        What happens at each place in the greatest case, for each of :attr:`Breaking.open_cases`.
    found : list of Check
        All checks.
    followed : callable
        Follows faults as ``strong`` was: :class:`Faults` → the same of them.

    Returns
    -------
    list of Check
        Those of ``found`` in their order.
    """
    left = scenario.bank.left_out_words
    if not left:
        return found
    sources = {assumed().joint.source, assumed().internal_wiring.source}
    values = {value.key: value.draw.value(HIGH_SHARE) for value in uncertain_values(scenario) if value.source in sources}
    bank = drawn(scenario, values).bank
    least = least_faults(bank, assumptions)
    weak = followed(least)
    alone = [one_pack_alone(least, case) for case in breaks.open_cases]
    withstand = Withstand.of(greatest, least, breaks.open_cases, strong, weak, alone)
    again = {("clears in time", check.where): check for check in clearing_checks(bank, least, breaks, weak, alone, assumptions)}
    branches = {branch.name: branch for branch in bank.graph.branches}
    words = f"with {left}, which the file leaves out, at the upper end of what is seen in practice"
    case = OpenCase(words, frozenset(), "latest", (LEFT_OUT,))
    out = []
    for check in found:
        other = again.get((check.rule, check.where))
        if check.rule == "withstand" and check.status == PASS:
            other = withstand.check(branches[check.where])
        out.append(check if other is None else hangs_on(check, [(case, other)]))
    return out

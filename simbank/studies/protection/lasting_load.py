"""The load of every branch that lasts: at full load, and over the duty."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from simbank.duty import Duty, SampledDuty
from simbank.errors import SimulationError
from simbank.simulation import simulate
from simbank.studies.case import Case
from simbank.studies.rule_figures import LASTING_S

if TYPE_CHECKING:
    from simbank.scenario import Scenario
    from simbank.studies.protection.outage import Loads

__all__ = ["lasting_load"]

LOAD_DAYS = 7.0


def lasting_load(scenario: Scenario, loads: Loads, run: bool) -> tuple[dict[str, float], str]:
    """Largest lasting current of every branch: at full load at the start, and over the duty by its RMS over 15 minutes.

    Where the duty is not run, every port's own largest step counts as lasting.

    Conductors and fuses warm by I²: the RMS of a load that comes and goes is above its mean.

    Parameters
    ----------
    scenario : Scenario
        Or whatever has a bank and a duty.
    loads : Loads
        Its full loads.
    run : bool
        Whether the duty is run, its first seven days.

    Returns
    -------
    currents : dict of str to float
        Branch → current [A].
    note : str
        What they rest on.
    """
    names = [branch.name for branch in scenario.bank.graph.branches]
    most = np.zeros(len(names))
    for load in loads.loads:
        most = np.maximum(most, np.abs(loads.operating_point(load).branch_a))
    if not run:  # nothing says how long the others last
        for asked in loads.own.values():
            most = np.maximum(most, np.abs(loads.operating_point_of(asked).branch_a))
    words = (
        ("inverter", "inverters at rated power and lowest input voltage"),
        ("resistance", "resistances at the highest voltage"),
    )
    told = [f"{what} ({'; '.join(loads.told(by))})" for by, what in words if loads.told(by)]
    own = ["every port's own largest step"] if loads.own and not run else []
    full = ", ".join(["full load at the start", *own, *told])
    note = f"load: {full}"
    if run:
        try:
            result = simulate(_first_days(scenario), tolerance=1e-6, output_step_s=60.0)
        except SimulationError as error:
            result, note = error.partial, f"load: the run stopped ({error}); up to there"
        if result is not None and len(result.packs):
            hours = result.summary["bank"]["duration_h"]
            squares = (result.branch_current_a**2).rolling(int(LASTING_S / 60.0), min_periods=1).mean()
            most = np.maximum(most, np.sqrt(squares.max().to_numpy()))
            note = f"load: {full}, and the greatest RMS over 15 min in {hours:.0f} h of the duty"
    return dict(zip(names, most, strict=True)), note


def _first_days(scenario):
    duty, most = scenario.duty, LOAD_DAYS * 86400.0
    if duty.duration_s <= most:
        return Case(scenario.name, scenario.bank, duty)
    if isinstance(duty, SampledDuty):
        return Case(scenario.name, scenario.bank, duty.until(int(most / duty.step_s)))
    steps, clock = [], 0.0
    for step in duty:
        if clock >= most:
            break
        steps.append(step)
        clock += step.duration_s
    return Case(scenario.name, scenario.bank, Duty(tuple(steps)))

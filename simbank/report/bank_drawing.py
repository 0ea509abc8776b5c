"""The bank as it is drawn at the head of a report: with its currents at full load."""

from __future__ import annotations

from simbank.plotting.drawing import draw_bank
from simbank.scenario import Scenario

__all__ = ["full_load_drawing"]


def full_load_drawing(scenario: Scenario) -> tuple[str, str]:
    """The bank just after its full load is switched on.

    Returns
    -------
    svg : str
    caption : str
        What it shows; without a load the conductors with their sizes.
    """
    from simbank.simulation.operating_point import BankAtStart
    from simbank.studies.protection.full_load import full_loads

    bank, loads = scenario.bank, full_loads(scenario)
    shown, note = {}, "Conductors with their sizes."
    load = "discharge" if "discharge" in loads else "charge"
    if load in loads:
        point = BankAtStart(bank).solve_operating_point(loads[load])
        names = ([b.name for b in bank.graph.branches], list(bank.graph.packs), list(bank.graph.ports))
        shown = {
            key: dict(zip(name, map(float, amperes), strict=True))
            for key, name, amperes in zip(
                ("currents", "pack_currents", "port_currents"), names, (point.branch_a, point.pack_a, point.port_a), strict=True
            )
        }
        what = "inverters at rated power and lowest input voltage" if load == "discharge" else "charging"
        note = f"Currents just after full load is switched on ({what}), packs at their starting charge; lines as wide as their current."
    return draw_bank(bank, **shown), f"Positive side above, negative below. {note}"

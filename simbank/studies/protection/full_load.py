"""Full load of the ports, and the load of every branch that lasts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from simbank.duty import Duty, SampledDuty
from simbank.errors import SimulationError
from simbank.simulation import simulate
from simbank.simulation.operating_point import BankAtStart
from simbank.studies.case import Case
from simbank.warning import BankWarning

if TYPE_CHECKING:
    from collections.abc import Iterator

    from simbank.bank import Bank
    from simbank.scenario import Scenario
    from simbank.studies.protection.outage import Loads

__all__ = ["full_loads", "inverter_currents", "lasting_load", "start_voltage_warnings"]

LOAD_DAYS = 7.0
LASTING_S = 900.0  # a load that lasts is judged by its root mean square (RMS) over this time; common practice, no source


def inverter_currents(bank: Bank) -> dict[str, tuple[float, str]]:
    """Greatest lasting direct current of every inverter: port → (current [A], in words at what voltage).

    Its rated power through its losses, at its lowest input voltage: NFPA 70 690.8(A), inverter input circuit, from memory. That
    voltage is its own cut-off; without one, the lowest that the bank may reach at its port: cells at the limit of their chemistry,
    or of a BMS that opens before, less what the wiring drops.
    """
    found = {}
    for port, (inverter, _) in bank.port_equipment.items():
        if inverter is None:
            continue
        watts = float(inverter.dc_power(inverter.rated_w))
        amperes, volt, why = _at_lowest_voltage(bank, port, watts, inverter.cutoff_volt)
        found[port] = amperes, f"{port} {watts:.0f} W at {volt:.1f} V ({why}) = {amperes:.0f} A"
    return found


def _at_lowest_voltage(bank, port, watts, cutoff_volt):
    """(current [A], voltage [V], words for which) of a constant power [W] drawn at a port when its voltage is lowest."""
    if cutoff_volt:
        return watts / cutoff_volt, cutoff_volt, "its cut-off"
    lowest = min(_lowest_v(pack) for pack in bank.packs)
    point = BankAtStart(bank).solve_operating_point({port: ("current", watts / lowest)})
    a = list(bank.graph.ports).index(port)
    ohm = max(0.0, float(np.max(point.terminal_v - point.port_v[a]))) * lowest / watts
    amperes = float(2.0 * watts / (lowest + np.sqrt(max(0.0, lowest**2 - 4.0 * ohm * watts))))  # of (lowest − ohm I) I = watts
    return amperes, watts / amperes, "the lowest the bank may reach there; no cut-off is given"


def _lowest_v(pack):
    """Voltage of a pack at which its cells are at their limit, or its BMS opens [V]."""
    opens = pack.bms.under_voltage.level if pack.bms is not None and not pack.stuck[1] else -np.inf
    return pack.cells_in_series * max(pack.chemistry.volt_min, opens)


def full_loads(scenario: Scenario) -> dict[str, dict[str, tuple[str, float]]]:
    """Full load as commands per port: ``{"discharge": {port: (kind, value)}, "charge": {...}}``.

    The step of the duty with the largest total; an inverter counts with what :func:`inverter_currents` says, as a current, where
    that is more; a charger with its current limit where that is less.

    Parameters
    ----------
    scenario : Scenario
        Or whatever has a bank and a duty.

    Returns
    -------
    dict
        Values in A, W or ohm by their kind, positive for discharge; without a load that the duty never asks.
    """
    bank, nominal, most = scenario.bank, _nominal_v(scenario.bank), _largest_steps(scenario)
    loads = {load: {port: (c.kind, c.value) for port, c in commands.items()} for load, commands in most.items()}
    for port, (amperes, _) in inverter_currents(bank).items():
        asked = most["discharge"].get(port)
        if asked is None or asked.kind == "power" or _watts(asked, nominal) / nominal < amperes:
            loads["discharge"][port] = ("current", amperes)
    for port, (_, charger) in bank.port_equipment.items():
        if charger is not None and charger.current_limit_a < 1e6 and port in loads["charge"]:
            least = min(charger.current_limit_a, abs(_watts(most["charge"][port], nominal)) / nominal)
            loads["charge"][port] = ("current", -least)
    return {load: commands for load, commands in loads.items() if commands}


def _nominal_v(bank):
    """Voltage of the bank half charged, the mean of its packs [V]."""
    return float(np.mean([p.cells_in_series * float(p.chemistry.ocv(0.5)) for p in bank.packs]))


def _watts(command, nominal_v):
    """Power of a command at a voltage [W]."""
    if command.kind == "resistance":
        return nominal_v**2 / command.value
    return command.value * (nominal_v if command.kind == "current" else 1.0)


def _largest_steps(scenario):
    """Commands by port of the step of the duty with the largest total: ``{"discharge": {...}, "charge": {...}}``."""
    most, nominal = {"discharge": (0.0, {}), "charge": (0.0, {})}, _nominal_v(scenario.bank)
    for step in scenario.duty.steps if isinstance(scenario.duty, Duty) else scenario.duty:
        for load, sign in (("discharge", 1.0), ("charge", -1.0)):
            mine = {port: command for port, command in step.commands.items() if sign * _watts(command, nominal) > 0}
            total = sum(sign * _watts(command, nominal) for command in mine.values())
            if total > most[load][0]:
                most[load] = total, mine
    return {load: commands for load, (_, commands) in most.items()}


def start_voltage_warnings(scenario: Scenario) -> Iterator[BankWarning]:
    """Warnings of constant power that full load counts at the voltage of the start, having no inverter or charger to say more.

    As the bank runs low it takes more current: at most its power ÷ the voltage at which its step is cut off, or the lowest that the
    bank may reach there. A charge of constant power begins with most current if the bank is at its lowest.
    """
    bank, asked = scenario.bank, _largest_steps(scenario)
    for load, commands in full_loads(scenario).items():
        ports = [port for port, (kind, _) in commands.items() if kind == "power"]
        point = BankAtStart(bank).solve_operating_point(commands) if ports else None
        for port in ports:
            a, watts = list(bank.graph.ports).index(port), abs(asked[load][port].value)
            at_start = f"{abs(point.port_a[a]):.0f} A at {point.port_v[a]:.1f} V"
            if load == "discharge":
                amperes, volt, why = _at_lowest_voltage(bank, port, watts, asked[load][port].cutoff_volt)
                why = f"at the cut-off of {volt:.1f} V" if why == "its cut-off" else f"at {volt:.1f} V, {why}"
                text = (
                    f"Port {port} has no inverter in the file, so its {watts:.0f} W count in full load at the voltage of the start: "
                    f"{at_start}. As the bank runs low they take up to {amperes:.0f} A, {why}, which counts only where the duty runs "
                    "so far. Give the port its inverter (rated_power, efficiency, cutoff): it then counts at its lowest voltage."
                )
            else:
                lowest = min(_lowest_v(pack) for pack in bank.packs)
                text = (
                    f"The charge of {watts:.0f} W at port {port} counts in full load at the voltage of the start: {at_start}. If the "
                    f"bank is lower it pushes more, up to {watts / lowest:.0f} A at {lowest:.1f} V, which counts only where the duty "
                    "runs so. Give the port its charger (current_limit): it then counts with its limit."
                )
            yield BankWarning("power-at-start-voltage", port, text)


def lasting_load(scenario: Scenario, loads: Loads, run: bool) -> tuple[dict[str, float], str]:
    """Largest lasting current of every branch: at full load at the start, and over the duty by its RMS over 15 minutes.

    Conductors and fuses warm by I²: the RMS of a load that comes and goes is above its mean.

    Parameters
    ----------
    scenario : Scenario
    loads : Loads
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
        most = np.maximum(most, np.abs(loads.whole(load).branch_a))
    low = "; ".join(words for _, words in inverter_currents(scenario.bank).values())
    full = "full load at the start" + (f", inverters at rated power and lowest input voltage ({low})" if low else "")
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

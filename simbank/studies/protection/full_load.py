"""Full load of the ports: what duty, inverters and resistances ask of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from simbank.duty import Duty
from simbank.simulation.operating_point import BankAtStart
from simbank.studies.protection.shorted import charging_ports
from simbank.studies.protection.words import current_text
from simbank.warning import BankWarning

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from numpy.typing import ArrayLike

    from simbank.bank import Bank
    from simbank.scenario import Scenario

__all__ = [
    "Asked",
    "asked_loads",
    "commands_of",
    "full_loads",
    "inverter_currents",
    "own_loads",
    "start_voltage_warnings",
]

MOST_ITERATIONS = 100  # of the current of a constant power at the lowest voltage; each brings it some ten times closer
CLOSE = 1e-10  # share by which it then moves no more


@dataclass(frozen=True)
class Asked:
    """What full load asks of one port.

    Attributes
    ----------
    kind : {"current", "power"}
    value : float
        [A] or [W]; positive for discharge.
    lowest_v : float or None
        Voltage at the packs' poles [V] while a power is drawn; the port then has what the wiring leaves of it. None: a current, or a
        power drawn from the packs as they stand.
    words : str
        What it is and at what voltage it counts; empty where that is as the duty asks it.
    by : {"inverter", "resistance", ""}
        What takes it, where ``words`` are given.
    """

    kind: str
    value: float
    lowest_v: float | None = None
    words: str = ""
    by: str = ""

    def told(self, port: str, amperes: float) -> str:
        """What a port asks, at what voltage that counts, and the current that it comes to, in words."""
        volt = self.value / amperes if self.kind == "power" else np.nan
        return f"{port} {self.words.format(volt=volt)} = {current_text(amperes)}"


def commands_of(
    at_start: BankAtStart,
    asked: Mapping[str, Asked],
    multiple: float = 1.0,
    pack_closed: ArrayLike | None = None,
    branch_closed: ArrayLike | None = None,
) -> dict[str, tuple[str, float]]:
    """A multiple of what is asked of the ports, as commands for :meth:`BankAtStart.solve_operating_point`.

    A power P at the lowest voltage U of the packs' poles counts as the current I that solves (U − D) I = P, where D is the largest
    drop from the poles of a pack that feeds to the port, with the currents of all ports and the switches as given. D is nearly in
    proportion to I, so the root of (U − (D/I) I) I = P is taken with D/I from the root before, until that no longer moves. Where the
    wiring lets no such power through, U² < 4 (D/I) P, the current is that at half of U.

    Parameters
    ----------
    at_start : BankAtStart
        The packs as they stand.
    asked : dict of str to Asked
        By port.
    multiple : float
        Of every current and every power.
    pack_closed, branch_closed : array_like of bool, optional
        Which packs, shape (n,), and branches, shape (b,), conduct; all by default.

    Returns
    -------
    dict of str to (str, float)
        Port → kind and value [A, W].
    """
    ports = list(at_start.bank.graph.ports)
    low = {port: one for port, one in asked.items() if one.lowest_v is not None}
    commands = {port: (one.kind, multiple * one.value) for port, one in asked.items()}
    commands |= {port: ("current", multiple * one.value / one.lowest_v) for port, one in low.items()}
    for _ in range(MOST_ITERATIONS if low else 0):
        point = at_start.solve_operating_point(commands, pack_closed, branch_closed)
        feeds, moved = np.abs(point.pack_a) > 1e-9, 0.0
        for port, one in low.items():
            a, before = ports.index(port), commands[port][1]
            if not feeds.any() or abs(point.port_a[a]) < 1e-9:  # nothing feeds this port
                continue
            watts, volt = multiple * one.value, one.lowest_v
            ohm = max(0.0, float(np.max(point.terminal_v[feeds] - point.port_v[a]))) / before
            amperes = float(2.0 * watts / (volt + np.sqrt(max(0.0, volt**2 - 4.0 * ohm * watts))))
            commands[port], moved = ("current", amperes), max(moved, abs(amperes / before - 1.0))
        if moved < CLOSE:
            break
    return commands


def _at_lowest_voltage(bank, watts, cutoff_volt):
    """What a constant power [W] asks when the voltage is lowest: that of its cut-off, or the lowest that the bank may reach."""
    if cutoff_volt:
        return Asked("current", watts / cutoff_volt, words=f"{watts:.0f} W at {cutoff_volt:.1f} V (its cut-off)", by="inverter")
    why = f"{watts:.0f} W at {{volt:.1f}} V (the lowest the bank may reach there; no cut-off is given)"
    return Asked("power", watts, min(_lowest_v(pack) for pack in bank.packs), why, "inverter")


def _inverters(bank):
    """What every inverter asks at rated power and lowest input voltage: port → :class:`Asked`."""
    return {
        port: _at_lowest_voltage(bank, float(inverter.dc_power(inverter.rated_w)), inverter.cutoff_volt)
        for port, (inverter, _) in bank.port_equipment.items()
        if inverter is not None
    }


def inverter_currents(bank: Bank) -> dict[str, tuple[float, str]]:
    """Greatest lasting direct current of every inverter, all running: port → (current [A], in words at what voltage).

    Its rated power through its losses, at its lowest input voltage: NFPA 70 690.8(A), inverter input circuit, from memory. That
    voltage is its own cut-off; without one, the lowest that the bank may reach at its port: cells at the limit of their chemistry,
    or of a BMS that opens before, less what the wiring drops.
    """
    asked = _inverters(bank)
    commands = commands_of(BankAtStart(bank), asked)
    return {port: (commands[port][1], one.told(port, commands[port][1])) for port, one in asked.items()}


def _lowest_v(pack):
    """Voltage of a pack at which its cells are at their limit, or its BMS opens [V]."""
    opens = pack.bms.under_voltage.level if pack.bms is not None and not pack.stuck[1] else -np.inf
    return pack.cells_in_series * max(pack.chemistry.volt_min, opens)


def _resistance(scenario, port, ohm):
    """What a resistance [ohm] asks when the voltage is highest: held by what charges, or as the packs stand if that is more."""
    charging, _ = charging_ports(scenario)
    at_start = BankAtStart(scenario.bank).solve_operating_point({port: ("resistance", ohm)})
    now = float(at_start.port_v[list(scenario.bank.graph.ports).index(port)])
    volt, why = max((max(held.volt_limit for held in charging.values()), "which charging holds"), (now, "as the packs stand"))
    return Asked("current", volt / ohm, words=f"{ohm:.3g} Ω at {volt:.1f} V ({why})", by="resistance")


def asked_loads(scenario: Scenario) -> dict[str, dict[str, Asked]]:
    """What full load asks of every port: ``{"discharge": {port: Asked}, "charge": {port: Asked}}``.

    The step of the duty with the largest total. An inverter counts with its rated power at its lowest input voltage where that is
    more. A resistance takes most while the voltage is highest: it counts as the current that it takes while the bank is charged. A
    charger counts with its current limit where that is less.

    Parameters
    ----------
    scenario : Scenario
        Or whatever has a bank and a duty.

    Returns
    -------
    dict
        Without a load that the duty never asks.
    """
    return _asked_of(scenario, _largest_steps(scenario))


def own_loads(scenario: Scenario) -> dict[tuple[str, str], dict[str, Asked]]:
    """What the step asks in which one port takes, or gives, most: ``{("discharge", port): {port: Asked}, ...}``.

    Only of ports that full load does not ask as much of: the step with the largest total leaves out a port that is used at another
    time. All ports of that step count together, and every inverter, as in :func:`asked_loads`.

    Parameters
    ----------
    scenario : Scenario
        Or whatever has a bank and a duty.

    Returns
    -------
    dict
        Empty where full load asks the most of every port.
    """
    full, nominal, found = _largest_steps(scenario), _nominal_v(scenario.bank), {}
    for port in scenario.bank.graph.ports:
        for load, commands in _largest_steps(scenario, port).items():
            if not commands:
                continue
            own = abs(_watts(commands[port], nominal))
            if port not in full[load] or own > abs(_watts(full[load][port], nominal)):
                found[load, port] = _asked_of(scenario, {"discharge": {}, "charge": {}, load: commands})[load]
    return found


def _asked_of(scenario, most):
    """Commands by port of one step as :class:`Asked`, and every inverter: ``most`` is of the shape of :func:`_largest_steps`."""
    bank, nominal = scenario.bank, _nominal_v(scenario.bank)
    loads = {
        load: {
            port: _resistance(scenario, port, c.value) if c.kind == "resistance" else Asked(c.kind, c.value)
            for port, c in commands.items()
        }
        for load, commands in most.items()
    }
    inverters, amperes = _inverters(bank), inverter_currents(bank)
    for port, inverter in inverters.items():
        asked = most["discharge"].get(port)
        if asked is None or asked.kind == "power" or _watts(asked, nominal) / nominal < amperes[port][0]:
            loads["discharge"][port] = inverter
    for port, (_, charger) in bank.port_equipment.items():
        if charger is not None and charger.current_limit_a < 1e6 and port in loads["charge"]:
            least = min(charger.current_limit_a, abs(_watts(most["charge"][port], nominal)) / nominal)
            loads["charge"][port] = Asked("current", -least)
    return {load: asked for load, asked in loads.items() if asked}


def full_loads(scenario: Scenario) -> dict[str, dict[str, tuple[str, float]]]:
    """Full load as commands per port: ``{"discharge": {port: (kind, value)}, "charge": {...}}``.

    Parameters
    ----------
    scenario : Scenario
        Or whatever has a bank and a duty.

    Returns
    -------
    dict
        What :func:`asked_loads` says, for the bank as it stands at the start, whole. Values in A or W by their kind, positive for
        discharge.
    """
    at_start = BankAtStart(scenario.bank)
    return {load: commands_of(at_start, asked) for load, asked in asked_loads(scenario).items()}


def _nominal_v(bank):
    """Voltage of the bank half charged, the mean of its packs [V]."""
    return float(np.mean([p.cells_in_series * float(p.chemistry.ocv(0.5)) for p in bank.packs]))


def _watts(command, nominal_v):
    """Power of a command at a voltage [W]."""
    if command.kind == "resistance":
        return nominal_v**2 / command.value
    return command.value * (nominal_v if command.kind == "current" else 1.0)


def _largest_steps(scenario, port=None):
    """Commands by port of the step of the duty with the largest total: ``{"discharge": {...}, "charge": {...}}``.

    With ``port`` of the step that asks most of that port alone; without any that asks something of it, empty.
    """
    most, nominal = {"discharge": (0.0, {}), "charge": (0.0, {})}, _nominal_v(scenario.bank)
    for step in scenario.duty.steps if isinstance(scenario.duty, Duty) else scenario.duty:
        for load, sign in (("discharge", 1.0), ("charge", -1.0)):
            mine = {port: command for port, command in step.commands.items() if sign * _watts(command, nominal) > 0}
            counted = mine if port is None else {port: mine[port]} if port in mine else {}
            total = sum(sign * _watts(command, nominal) for command in counted.values())
            if total > most[load][0]:
                most[load] = total, mine
    return {load: commands for load, (_, commands) in most.items()}


def start_voltage_warnings(scenario: Scenario) -> Iterator[BankWarning]:
    """Warnings of constant power that full load counts at the voltage of the start, having no inverter or charger to say more.

    As the bank runs low it takes more current: at most its power ÷ the voltage at which its step is cut off, or the lowest that the
    bank may reach there. A charge of constant power begins with most current if the bank is at its lowest.
    """
    bank, steps, at_start = scenario.bank, _largest_steps(scenario), BankAtStart(scenario.bank)
    for load, asked in asked_loads(scenario).items():
        ports = [port for port, one in asked.items() if one.kind == "power" and one.lowest_v is None]
        point = at_start.solve_operating_point(commands_of(at_start, asked)) if ports else None
        for port in ports:
            a, watts = list(bank.graph.ports).index(port), abs(asked[port].value)
            then = f"{current_text(abs(point.port_a[a]))} at {point.port_v[a]:.1f} V"
            if load == "discharge":
                cutoff_volt = steps[load][port].cutoff_volt
                lowest = _at_lowest_voltage(bank, watts, cutoff_volt)
                amperes = commands_of(at_start, asked | {port: lowest})[port][1]
                why = f"at {watts / amperes:.1f} V, the lowest the bank may reach there; no cut-off is given"
                if cutoff_volt:
                    why = f"at the cut-off of {cutoff_volt:.1f} V"
                text = (
                    f"The file gives no inverter for port {port}, so its {watts:.0f} W count in full load at the voltage of the start: "
                    f"{then}. As the bank runs low they take up to {current_text(amperes)}, {why}, which counts only where the duty runs "
                    "so far. Give the port its inverter (rated_power, efficiency, cutoff): it then counts at its lowest voltage."
                )
            else:
                lowest = min(_lowest_v(pack) for pack in bank.packs)
                text = (
                    f"The charge of {watts:.0f} W at port {port} counts in full load at the voltage of the start: {then}. If the "
                    f"bank is lower it pushes more, up to {current_text(watts / lowest)} at {lowest:.1f} V, which counts only where the duty "
                    "runs so. Give the port its charger (current_limit): it then counts with its limit."
                )
            yield BankWarning("power-at-start-voltage", port, text)

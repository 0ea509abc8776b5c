"""What the rest of the bank carries when one pack or string drops out at full load, to the end of the cascade."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simbank.duty import Duty
from simbank.simulation.bank_solver import damage_rate
from simbank.simulation.snapshot import Snapshot
from simbank.studies.protection.faults import device_rows, line_of
from simbank.warning import BankWarning

__all__ = ["Cascade", "Cascades", "Loads", "duration_text", "full_loads", "inverter_currents", "start_voltage_warnings"]

HORIZON_S = 4 * 3600.0


@dataclass(frozen=True)
class Cascade:
    """One outage under one load.

    Attributes
    ----------
    dropped : str or None
    load : str
    pack_a, branch_a : ndarray
        Currents just after it dropped [A].
    steps : tuple of (float, str, str)
        What opened after it: time [s], who, why.
    remaining : tuple of str
        Packs that still carry at the end.
    """

    dropped: str | None
    load: str
    pack_a: np.ndarray
    branch_a: np.ndarray
    steps: tuple
    remaining: tuple


@dataclass(frozen=True)
class Cascades:
    """One outage or overload by the middle of every device's band, by its soonest, and with what cannot be relied on failed closed.

    ``shut`` is None if every device can be relied on.
    """

    middle: Cascade
    soonest: Cascade
    shut: Cascade | None
    unreliable: frozenset

    @classmethod
    def of(cls, loads, dropped, load, breaks, times=1.0):
        """``breaks`` is a :class:`~simbank.studies.protection.breaking.Breaking`."""
        unreliable = breaks.failed | breaks.doubtful
        middle, soonest = (loads.cascade(dropped, load, times=times, line=line) for line in ("middle", "soonest"))
        opened = {who for _, who, _ in (*middle.steps, *soonest.steps)}
        shut = loads.cascade(dropped, load, times=times, failed=unreliable) if opened & unreliable else None
        return cls(middle, soonest, shut, unreliable)

    @property
    def told(self):
        """What opens, in words; empty if nothing does, by no line of any band."""
        if self.middle.steps:
            text = f"{_steps_text(self.middle)}; left in service: {', '.join(self.middle.remaining) or 'none'}"
        elif self.soonest.steps:
            text = (
                f"perhaps (by the soonest of the bands): {_steps_text(self.soonest)}; left in service: "
                f"{', '.join(self.soonest.remaining) or 'none'}; by the middle of the bands the rest carries on"
            )
        else:
            return ""
        if self.shut is not None:
            which = {who for _, who, _ in (*self.middle.steps, *self.soonest.steps)} & self.unreliable
            rest = self.unreliable - which
            which = ", ".join(sorted(which)) + (f" (and {', '.join(sorted(rest))})" if rest else "")
            then = f"{_steps_text(self.shut)}; left in service: {', '.join(self.shut.remaining) or 'none'}"
            text += (
                f". If {which} should fail closed instead: {then if self.shut.steps else 'nothing opens, and the overload lasts'}"
            )
        return text


def _steps_text(cascade):
    return "; ".join(f"{duration_text(at)} {who} ({why})" for at, who, why in cascade.steps)


def duration_text(seconds):
    """A time as a person says it."""
    if not np.isfinite(seconds):
        return "never"
    if seconds < 1.0:
        return f"{seconds * 1e3:.3g} ms"
    return f"{seconds:.3g} s" if seconds < 120 else f"{seconds / 60:.3g} min" if seconds < 7200 else f"{seconds / 3600:.3g} h"


def inverter_currents(bank):
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
    still = Snapshot(bank).still({port: ("current", watts / lowest)})
    a = list(bank.graph.ports).index(port)
    ohm = max(0.0, float(np.max(still.terminal_v - still.port_v[a]))) * lowest / watts
    amperes = float(2.0 * watts / (lowest + np.sqrt(max(0.0, lowest**2 - 4.0 * ohm * watts))))  # of (lowest − ohm I) I = watts
    return amperes, watts / amperes, "the lowest the bank may reach there; no cut-off is given"


def _lowest_v(pack):
    """Voltage of a pack at which its cells are at their limit, or its BMS opens [V]."""
    opens = pack.bms.under_voltage.level if pack.bms is not None and not pack.stuck[1] else -np.inf
    return pack.cells_in_series * max(pack.chemistry.volt_min, opens)


def full_loads(scenario):
    """Full load as commands per port: ``{"discharge": {port: (kind, value)}, "charge": {...}}``.

    The step of the duty with the largest total; an inverter counts with what :func:`inverter_currents` says, as a current, where
    that is more; a charger with its current limit where that is less.
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


def start_voltage_warnings(scenario):
    """Warnings of constant power that full load counts at the voltage of the start, having no inverter or charger to say more.

    As the bank runs low it takes more current: at most its power ÷ the voltage at which its step is cut off, or the lowest that the
    bank may reach there. A charge of constant power begins with most current if the bank is at its lowest.
    """
    bank, asked = scenario.bank, _largest_steps(scenario)
    for load, commands in full_loads(scenario).items():
        ports = [port for port, (kind, _) in commands.items() if kind == "power"]
        still = Snapshot(bank).still(commands) if ports else None
        for port in ports:
            a, watts = list(bank.graph.ports).index(port), abs(asked[load][port].value)
            at_start = f"{abs(still.port_a[a]):.0f} A at {still.port_v[a]:.1f} V"
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


class Loads:
    """The bank under its full loads, whole and with parts missing."""

    def __init__(self, scenario):
        self.bank, self.loads = scenario.bank, full_loads(scenario)
        self.snapshot = Snapshot(self.bank)
        names = [branch.name for branch in self.bank.graph.branches]
        self.branch_of = {d.name: names.index(d.branch) for d in self.bank.devices}
        self._of_line = {}

    def _lines(self, line):
        """Devices by one line of their bands: themselves, their rows and their curves."""
        if line not in self._of_line:
            devices = [line_of(device, line) for device in self.bank.devices]
            self._of_line[line] = devices, *device_rows(self.bank.devices, line)
        return self._of_line[line]

    def whole(self, load, times=1.0, pack_closed=None, branch_closed=None):
        """:class:`~simbank.simulation.snapshot.Still` under a full load, or a multiple of it, with some of it open or none."""
        commands = {
            port: (kind, value / times if kind == "resistance" else value * times)
            for port, (kind, value) in self.loads[load].items()
        }
        return self.snapshot.still(commands, pack_closed, branch_closed)

    def parts(self):
        """What can drop out: name → (packs, device branches) that open with it. Every pack; every string, by its device where it
        has one, else with all its packs taken off."""
        out = {pack.name: ([k], []) for k, pack in enumerate(self.bank.packs)}
        for string, packs in self.bank.strings.items():
            mine = [self.branch_of[d.name] for d in self.bank.devices if d.owner == string]
            out[f"string {string}"] = ([], mine) if mine else ([out[name][0][0] for name in packs], [])
        return out

    def cascade(self, dropped, load, *, times=1.0, line="middle", failed=()):
        """Follow an outage, or an overload, at constant load.

        Devices gather damage by one line of their bands, over-current limits of a BMS run their delay; when something opens, the
        currents are solved again and every device keeps the damage it has. An inverter counts as a current throughout, that of its
        lowest input voltage, so that packs run low are covered. Packs stand at their state of charge and before
        relaxation, as in :class:`Snapshot`: what a run does over hours is for ``simbank run``.

        Parameters
        ----------
        dropped : str or None
            Of :meth:`parts`; None for the whole bank.
        load : str
            "discharge" or "charge".
        times : float
            Multiple of full load.
        line : str
            Of every device's band; see :func:`~simbank.studies.protection.faults.line_of`.
        failed : collection of str
            Devices that never open.
        """
        bank, n = self.bank, len(self.bank.packs)
        packs_out, branches_out = self.parts()[dropped] if dropped is not None else ([], [])
        pack_closed, branch_closed = np.ones(n, bool), np.ones(len(bank.graph.branches), bool)
        pack_closed[packs_out] = False
        branch_closed[branches_out] = False
        damage, clock, steps, first = np.zeros(len(bank.devices)), 0.0, [], None
        held = {}  # (pack, limit) → since when it is overrun
        while True:
            still = self.whole(load, times, pack_closed, branch_closed)
            first = first or still
            if not np.any(np.abs(still.port_a) > 1e-9):
                break
            due = [
                *self._devices_due(still, damage, branch_closed, clock, line, failed),
                *self._limits_due(still, pack_closed, held, clock, load),
            ]
            due = [event for event in due if event[0] <= HORIZON_S]
            if not due:
                break
            at, who, why, act = min(due, key=lambda event: event[0])
            devices, rows, curves = self._lines(line)
            for d, device in enumerate(devices):
                current = still.branch_a[self.branch_of[device.name]]
                rate = damage_rate(d, current, damage[d], rows, curves)
                damage[d] = damage[d] + rate * (at - clock) if rate > 0 else damage[d] * np.exp(-(at - clock) / device.cooling_s)
            clock = at
            steps.append((at, who, why))
            kind, index = act
            (pack_closed if kind == "pack" else branch_closed)[index] = False
        remaining = tuple(
            pack.name for k, pack in enumerate(bank.packs) if abs(still.pack_a[k]) > 1e-6 and np.any(np.abs(still.port_a) > 1e-9)
        )
        return Cascade(dropped, load, first.pack_a, first.branch_a, tuple(steps), remaining)

    def _devices_due(self, still, damage, branch_closed, clock, line, failed):
        devices, rows, curves = self._lines(line)
        for d, device in enumerate(devices):
            branch = self.branch_of[device.name]
            current = abs(still.branch_a[branch])
            if not branch_closed[branch] or device.name in failed:
                continue
            rate = damage_rate(d, current, damage[d], rows, curves)
            at = clock + (1.0 - damage[d]) / rate if rate > 0 else np.inf
            if current >= device.instant * device.rating_a:
                at = min(at, clock + device.instant_s)
            why = f"{current:.0f} A, {current / device.rating_a:.2f} times its rating"
            yield at, device.name, why, ("branch", branch)

    def _limits_due(self, still, pack_closed, held, clock, load):
        for k, pack in enumerate(self.bank.packs):
            if pack.bms is None or not pack_closed[k]:
                continue
            current = still.pack_a[k]
            for name in ("charge_current", "discharge_current", "discharge_current_high", "short_circuit"):
                limit = getattr(pack.bms, name)
                over = (-current if name == "charge_current" else current) > limit.level
                if not over:
                    held.pop((k, name), None)
                    continue
                since = held.setdefault((k, name), clock)
                why = f"its BMS: {abs(current):.0f} A over {limit.level:.0f} A"
                yield since + limit.delay_s, pack.name, why, ("pack", k)

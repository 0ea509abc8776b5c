"""What the rest of the bank carries when one pack or string drops out at full load, to the end of the cascade."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simbank.cells.curves import stack_curves
from simbank.duty import Duty
from simbank.simulation import equations as eq
from simbank.simulation.run import device_array
from simbank.simulation.snapshot import Snapshot

__all__ = ["Cascade", "Loads", "full_loads"]

HORIZON_S = 4 * 3600.0


@dataclass(frozen=True)
class Cascade:
    """One outage under one load.

    Attributes
    ----------
    dropped, load : str
    pack_a, branch_a : ndarray
        Currents just after it dropped [A].
    steps : tuple of (float, str, str)
        What opened after it: time [s], who, why.
    remaining : tuple of str
        Packs that still carry at the end.
    """

    dropped: str
    load: str
    pack_a: np.ndarray
    branch_a: np.ndarray
    steps: tuple
    remaining: tuple


def full_loads(scenario):
    """Full load as commands per port: ``{"discharge": {port: (kind, value)}, "charge": {...}}``.

    The step of the duty with the largest total; an inverter counts with its rated power where that is more, a charger with its
    current limit where that is less.
    """
    bank = scenario.bank
    nominal = float(np.mean([p.cells_in_series * float(p.chemistry.ocv(0.5)) for p in bank.packs]))

    def watts(command):
        if command.kind == "resistance":
            return nominal**2 / command.value
        return command.value * (nominal if command.kind == "current" else 1.0)

    most = {"discharge": (0.0, {}), "charge": (0.0, {})}
    for step in scenario.duty.steps if isinstance(scenario.duty, Duty) else scenario.duty:
        for load, sign in (("discharge", 1.0), ("charge", -1.0)):
            mine = {port: command for port, command in step.commands.items() if sign * watts(command) > 0}
            total = sum(sign * watts(command) for command in mine.values())
            if total > most[load][0]:
                most[load] = total, mine
    loads = {load: {port: (c.kind, c.value) for port, c in commands.items()} for load, (_, commands) in most.items()}
    for port, (inverter, charger) in bank.behaviours.items():
        if inverter is not None:
            rated = float(inverter.dc_power(inverter.rated_w))
            asked = most["discharge"][1].get(port)
            if asked is None or watts(asked) < rated:
                loads["discharge"][port] = ("power", rated)
        if charger is not None and charger.current_limit_a < 1e6 and port in loads["charge"]:
            least = min(charger.current_limit_a, abs(watts(most["charge"][1][port])) / nominal)
            loads["charge"][port] = ("current", -least)
    return {load: commands for load, commands in loads.items() if commands}


class Loads:
    """The bank under its full loads, whole and with parts missing."""

    def __init__(self, scenario):
        self.bank, self.loads = scenario.bank, full_loads(scenario)
        self.snapshot = Snapshot(self.bank)
        names = [branch.name for branch in self.bank.graph.branches]
        self.branch_of = {d.name: names.index(d.branch) for d in self.bank.devices}
        devices = self.bank.devices
        self.rows = device_array(devices)
        self.curves = stack_curves([d.curve for d in devices])

    def whole(self, load, times=1.0):
        """:class:`~simbank.simulation.snapshot.Still` under a full load, or a multiple of it."""
        commands = {
            port: (kind, value / times if kind == "resistance" else value * times)
            for port, (kind, value) in self.loads[load].items()
        }
        return self.snapshot.still(commands)

    def parts(self):
        """What can drop out: name → (packs, device branches) that open with it. Strings where there are any, and every pack."""
        out = {pack.name: ([k], []) for k, pack in enumerate(self.bank.packs)}
        for place in self.bank.places:
            mine = [self.branch_of[d.name] for d in self.bank.devices if d.owner == place.owner]
            if place.kind == "string" and mine:
                out[f"string {place.owner}"] = ([], mine)
        return out

    def cascade(self, dropped, load):
        """Follow an outage at constant load.

        Devices gather damage by their middle curve, over-current limits of a BMS run their delay. Packs stand at their state of
        charge and before relaxation, as in :class:`Snapshot`: what a run does over hours is for ``simbank run``.
        """
        bank, n = self.bank, len(self.bank.packs)
        packs_out, branches_out = self.parts()[dropped]
        pack_closed, branch_closed = np.ones(n, bool), np.ones(len(bank.graph.branches), bool)
        pack_closed[packs_out] = False
        branch_closed[branches_out] = False
        damage, clock, steps, first = np.zeros(len(bank.devices)), 0.0, [], None
        held = {}  # (pack, limit) → since when it is overrun
        while True:
            still = self.snapshot.still(self.loads[load], pack_closed, branch_closed)
            first = first or still
            if not np.any(np.abs(still.port_a) > 1e-9):
                break
            due = [
                *self._devices_due(still, damage, branch_closed, clock),
                *self._limits_due(still, pack_closed, held, clock, load),
            ]
            due = [event for event in due if event[0] <= HORIZON_S]
            if not due:
                break
            at, who, why, act = min(due, key=lambda event: event[0])
            for d, device in enumerate(bank.devices):
                current = still.branch_a[self.branch_of[device.name]]
                rate = eq.damage_rate(d, current, damage[d], self.rows, self.curves)
                damage[d] = damage[d] + rate * (at - clock) if rate > 0 else damage[d] * np.exp(-(at - clock) / device.cooling_s)
            clock = at
            steps.append((at, who, why))
            kind, index = act
            (pack_closed if kind == "pack" else branch_closed)[index] = False
        remaining = tuple(
            pack.name for k, pack in enumerate(bank.packs) if abs(still.pack_a[k]) > 1e-6 and np.any(np.abs(still.port_a) > 1e-9)
        )
        return Cascade(dropped, load, first.pack_a, first.branch_a, tuple(steps), remaining)

    def _devices_due(self, still, damage, branch_closed, clock):
        for d, device in enumerate(self.bank.devices):
            branch = self.branch_of[device.name]
            current = abs(still.branch_a[branch])
            if not branch_closed[branch]:
                continue
            rate = eq.damage_rate(d, current, damage[d], self.rows, self.curves)
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

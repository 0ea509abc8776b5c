"""What the rest of the bank carries when one pack or string drops out at full load (N−1), to the end of the cascade."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from simbank.simulation.devices import damage_rate, picked_up_since
from simbank.simulation.operating_point import BankAtStart
from simbank.studies.parallel import in_order
from simbank.studies.protection.checks import CURVE, NOTE, Check, judge, unknown
from simbank.studies.protection.clearing import OPENING, opening_row
from simbank.studies.protection.faults import LINES, device_rows, line_of
from simbank.studies.protection.full_load import asked_loads, commands_of, own_loads
from simbank.studies.protection.words import current_text, duration_text

if TYPE_CHECKING:
    from simbank.scenario import Scenario
    from simbank.studies.protection.breaking import Breaking
    from simbank.studies.protection.faults import Faults

__all__ = ["Cascade", "Cascades", "Loads", "outage_table", "overload_table"]

CASCADE_HORIZON_S = 4 * 3600.0  # a cascade is followed so long
OVERLOADS = (1.25, 1.5, 2.0, 3.0)


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
    steps: tuple[tuple[float, str, str], ...]
    remaining: tuple[str, ...]


@dataclass(frozen=True)
class Cascades:
    """One outage or overload by the middle of every device's band, by its soonest, and with what cannot be relied on failed closed.

    ``shut`` is None if every device can be relied on.
    """

    middle: Cascade
    soonest: Cascade
    shut: Cascade | None
    unreliable: frozenset[str]
    breaks: Breaking

    @classmethod
    def of(cls, loads: Loads, dropped: str | None, load: str, breaks: Breaking, multiple: float = 1.0) -> Cascades:
        """``breaks`` is a :class:`~simbank.studies.protection.breaking.Breaking`."""
        unreliable = breaks.failed | breaks.doubtful
        middle, soonest = (loads.cascade(dropped, load, multiple=multiple, line=line) for line in ("middle", "soonest"))
        opened = {who for _, who, _ in (*middle.steps, *soonest.steps)}
        shut = loads.cascade(dropped, load, multiple=multiple, failed=unreliable) if opened & unreliable else None
        return cls(middle, soonest, shut, unreliable, breaks)

    @property
    def told(self) -> str:
        """What opens, in words; empty if nothing does, by no line of any band."""
        if self.middle.steps:
            text = f"{self._steps_text(self.middle)}; left in service: {', '.join(self.middle.remaining) or 'none'}"
        elif self.soonest.steps:
            text = (
                f"perhaps (by the soonest of the bands): {self._steps_text(self.soonest)}; left in service: "
                f"{', '.join(self.soonest.remaining) or 'none'}; by the middle of the bands the rest carries on"
            )
        else:
            return ""
        if self.shut is not None:
            which = {who for _, who, _ in (*self.middle.steps, *self.soonest.steps)} & self.unreliable
            rest = self.unreliable - which
            which = ", ".join(sorted(which)) + (f" (and {', '.join(sorted(rest))})" if rest else "")
            then = f"{self._steps_text(self.shut)}; left in service: {', '.join(self.shut.remaining) or 'none'}"
            text += (
                f". If {which} should fail closed instead: {then if self.shut.steps else 'nothing opens, and the overload lasts'}"
            )
        return text

    def _steps_text(self, cascade):
        """What opens in turn, why, and on what it rests that it does."""
        rests = {who: self.breaks.opens_only(who, "that") for _, who, _ in cascade.steps}
        return "; ".join(
            f"{duration_text(at)} {who} ({'; '.join(filter(None, (why, rests[who])))})" for at, who, why in cascade.steps
        )

    @property
    def record(self) -> dict:
        """What opens and what is left as data: the columns ``CASCADE`` of the tables of overload and of outages."""
        cascade = self.middle if self.middle.steps else self.soonest
        return {
            "surely": bool(self.middle.steps) if cascade.steps else None,
            "opened": [who for _, who, _ in cascade.steps],
            "first_s": float(cascade.steps[0][0]) if cascade.steps else None,
            "left": list(cascade.remaining),
        }


class Loads:
    """The bank under its full loads, whole and with parts missing."""

    def __init__(self, scenario: Scenario):
        self.bank, self.loads, self.own = scenario.bank, asked_loads(scenario), own_loads(scenario)
        self.at_start = BankAtStart(self.bank)
        names = [branch.name for branch in self.bank.graph.branches]
        self.branch_of = {d.name: names.index(d.branch) for d in self.bank.devices}
        self._of_line = {}

    def _lines(self, line):
        """Devices by one line of their bands: themselves, their rows and their curves."""
        if line not in self._of_line:
            devices = [line_of(device, line) for device in self.bank.devices]
            self._of_line[line] = devices, *device_rows(self.bank.devices, line)
        return self._of_line[line]

    def operating_point(self, load, multiple=1.0, pack_closed=None, branch_closed=None):
        """:class:`~simbank.simulation.operating_point.OperatingPoint` under a full load, or a multiple of it, with some of it open or none."""
        return self.operating_point_of(self.loads[load], multiple, pack_closed, branch_closed)

    def operating_point_of(self, asked, multiple=1.0, pack_closed=None, branch_closed=None):
        """The same under whatever is asked of the ports, port → :class:`~simbank.studies.protection.full_load.Asked`."""
        commands = commands_of(self.at_start, asked, multiple, pack_closed, branch_closed)
        return self.at_start.solve_operating_point(commands, pack_closed, branch_closed)

    def told(self, by):
        """What the inverters or the resistances ask at full load, and at what voltage that counts: a text for each port."""
        asked = self.loads.get("discharge", {})
        amperes = commands_of(self.at_start, asked)
        return [one.told(port, amperes[port][1]) for port, one in asked.items() if one.by == by]

    def parts(self):
        """What can drop out: name → (packs, device branches) that open with it.

        Every pack; every string, by its device where it has one, else with all its packs taken off.
        """
        out = {pack.name: ([k], []) for k, pack in enumerate(self.bank.packs)}
        for string, packs in self.bank.strings.items():
            mine = [self.branch_of[d.name] for d in self.bank.devices if d.owner == string]
            out[f"string {string}"] = ([], mine) if mine else ([out[name][0][0] for name in packs], [])
        return out

    def cascade(self, dropped, load, *, multiple=1.0, line="middle", failed=()):
        """Follow an outage, or an overload, at constant load.

        Devices gather damage by one line of their bands, over-current limits of a BMS run their delay; when something opens, the
        currents are solved again and every device keeps the damage it has and the time for which it has carried its pickup
        current. An inverter counts as the current of its lowest input voltage, so that packs run low are covered; where the packs'
        lowest voltage decides that, it is solved anew with what is left of the wiring. Packs stand at their state of charge and
        before relaxation, as in :class:`BankAtStart`: what a run does over hours is for ``simbank run``.

        Parameters
        ----------
        dropped : str or None
            Of :meth:`parts`; None for the whole bank.
        load : str
            "discharge" or "charge".
        multiple : float
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
        devices, rows, curves = self._lines(line)
        branches = [self.branch_of[device.name] for device in devices]
        since = np.full(len(devices), np.inf)  # when each device came to its pickup current
        while True:
            point = self.operating_point(load, multiple, pack_closed, branch_closed)
            first = first or point
            if not np.any(np.abs(point.port_a) > 1e-9):
                break
            since = picked_up_since(np.array([clock]), point.branch_a[None, branches], since, rows)[0]
            due = [
                *self._devices_due(point, damage, since, branch_closed, clock, line, failed),
                *self._limits_due(point, pack_closed, held, clock),
            ]
            due = [event for event in due if event[0] <= CASCADE_HORIZON_S]
            if not due:
                break
            at, who, why, act = min(due, key=lambda event: event[0])
            for d, device in enumerate(devices):
                current = point.branch_a[branches[d]]
                rate = damage_rate(d, current, damage[d], rows, curves)
                damage[d] = (
                    damage[d] + rate * (at - clock)
                    if rate > 0
                    else damage[d] * np.exp(-(at - clock) / device.thermal_time_constant_s)
                )
            clock = at
            steps.append((at, who, why))
            kind, index = act
            (pack_closed if kind == "pack" else branch_closed)[index] = False
        remaining = tuple(
            pack.name for k, pack in enumerate(bank.packs) if abs(point.pack_a[k]) > 1e-6 and np.any(np.abs(point.port_a) > 1e-9)
        )
        return Cascade(dropped, load, first.pack_a, first.branch_a, tuple(steps), remaining)

    def _devices_due(self, point, damage, since, branch_closed, clock, line, failed):
        devices, rows, curves = self._lines(line)
        for d, device in enumerate(devices):
            branch = self.branch_of[device.name]
            current = abs(point.branch_a[branch])
            if not branch_closed[branch] or device.name in failed:
                continue
            rate = damage_rate(d, current, damage[d], rows, curves)
            at = clock + (1.0 - damage[d]) / rate if rate > 0 else np.inf
            at = min(at, max(clock, since[d] + device.instant_s))
            why = f"{current_text(current)}, {current / device.rating_a:.2f} times its rating"
            yield at, device.name, why, ("branch", branch)

    def _limits_due(self, point, pack_closed, held, clock):
        for k, pack in enumerate(self.bank.packs):
            if pack.bms is None or not pack_closed[k]:
                continue
            current = point.pack_a[k]
            for name in ("charge_current", "discharge_current", "discharge_current_high", "short_circuit"):
                limit = getattr(pack.bms, name)
                over = (-current if name == "charge_current" else current) > limit.level
                if not over:
                    held.pop((k, name), None)
                    continue
                since = held.setdefault((k, name), clock)
                why = f"its BMS: {current_text(abs(current))} over {current_text(limit.level)}"
                yield since + limit.delay_s, pack.name, why, ("pack", k)


def overload_table(loads: Loads, greatest: Faults, breaks: Breaking) -> pd.DataFrame:
    """When devices open with the ports at multiples of full load, packs as they stand: each as if no other did, and in turn.

    Parameters
    ----------
    loads : Loads
        The bank under its full loads.
    greatest : Faults
        For the times of devices at a steady current.
    breaks : Breaking
        What is known of every device's opening.

    Returns
    -------
    DataFrame
        ``Protection.overload``; currents in A, times in s.
    """
    rows = []
    for multiple in OVERLOADS if "discharge" in loads.loads else ():
        point = loads.operating_point("discharge", multiple)
        cascades = Cascades.of(loads, None, "discharge", breaks, multiple)
        turn = {who: at for at, who, _ in loads.cascade(None, "discharge", multiple=multiple, failed=breaks.failed).steps}
        current = np.array([abs(point.branch_a[loads.branch_of[d.name]]) for d in loads.bank.devices])
        for d, device in enumerate(loads.bank.devices):
            if current[d] < 1e-6:
                continue
            at = {line: greatest.steady_time(d, current[d], line) for line in LINES}
            rows.append(
                {
                    "times_full_load": multiple, **opening_row(device, current[d], at, breaks),
                    "in_turn_s": turn.get(device.name, np.inf), "then": cascades.told, **cascades.record,
                }
            )  # fmt: skip
    return pd.DataFrame(rows, columns=["times_full_load", *OPENING, "in_turn_s", "then", "surely", "opened", "first_s", "left"])


def outage_table(loads: Loads, breaks: Breaking) -> tuple[pd.DataFrame, list[Check]]:
    """Every part out at full load (N−1): ``Protection.outages``, and one check for each."""
    bank = loads.bank
    rows, found = [], []
    if len(bank.packs) < 2:
        return pd.DataFrame(), found
    device_of = {d.owner: d for d in bank.devices}
    work = [(dropped, load) for dropped in loads.parts() for load in loads.loads]
    for (dropped, load), cascades in zip(work, in_order(lambda *one: Cascades.of(loads, *one, breaks), work), strict=True):
        first = cascades.middle
        for k, pack in enumerate(bank.packs):
            if abs(first.pack_a[k]) < 1e-9:
                continue
            device = device_of.get(pack.name)
            rows.append(
                {
                    "dropped": dropped, "load": load, "pack": pack.name, "current_a": first.pack_a[k],
                    "c_rate": abs(first.pack_a[k]) / pack.capacity_ah,
                    "device_margin": device.rating_a / abs(first.pack_a[k]) if device else np.nan,
                    "then": cascades.told, **cascades.record,
                }
            )  # fmt: skip
        found.append(_outage_check(loads, dropped, load, cascades))
    return pd.DataFrame(rows), found


def _outage_check(loads, dropped, load, cascades):
    bank, first, where = loads.bank, cascades.middle, f"without {dropped}, {load}"
    worst = max(abs(first.pack_a[k]) / p.capacity_ah for k, p in enumerate(bank.packs))
    numbers = {"part": dropped, "load": load}
    if worst == 0.0:
        return Check("outage", where, NOTE, f"nothing is left that carries the full {load}: the load is lost", part=dropped)
    if cascades.told:
        first_s = cascades.record["first_s"]
        return judge("outage", where, False, f"at full {load}: {cascades.told}", worst, None, "C", **numbers, first_s=first_s)
    carried = {d.name: abs(first.branch_a[loads.branch_of[d.name]]) for d in bank.devices}
    blind = [d for d in bank.devices if d.band is None and carried[d.name] > d.rating_a]
    if blind:
        text = ", ".join(f"{d.name} carries {current_text(carried[d.name])}, rated {d.rating_a:g} A" for d in blind)
        text = f"at full {load} {text}, and its curve is not known: give class or trip"
        return unknown("outage", where, text, CURVE, **numbers)
    return judge("outage", where, True, f"at full {load} the rest carries on, at most {worst:.2f} C", worst, None, "C", **numbers)

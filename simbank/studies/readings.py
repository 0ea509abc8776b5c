"""What a clamp meter and a millivolt meter should show along the wiring when a bank is first put to work."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from simbank.bank import Bank
from simbank.duty import Command, Duty, Step
from simbank.errors import InputError, SimulationError
from simbank.scenario import Scenario
from simbank.simulation import simulate
from simbank.simulation.operating_point import BankAtStart
from simbank.studies.carrying import carrying
from simbank.studies.case import Case
from simbank.studies.protection.full_load import full_loads

__all__ = ["Readings", "readings"]

SOC = 0.5  # of every pack: on the flat part of an LFP curve, far from full and empty
C_RATE = 0.2  # of the bank, at most: small enough that nothing trips or warms while it is read; common practice, no source
LATER_S = 600.0  # reading a bank from link to link takes about so long
MOST_TRIES = 8  # to make the current small enough for every conductor
STILL_A = 0.05  # packs that push less than this through one another at no load stand at equal rest


@dataclass(frozen=True)
class Readings:
    """What :func:`readings` expects.

    Attributes
    ----------
    port_a : dict of str to float
        Current of each port [A], positive out of the bank.
    table : DataFrame
        A row for each conductor, device and pack: ``what`` (conductor, device or pack), ``name``, ``from``, ``to`` (the way the
        current goes), ``current_a`` at the first instant [A], ``later_a`` ten minutes on [A], ``drop_mv`` along it at the first
        instant [mV] (not of packs), ``resistance_mohm`` its drop for each ampere [mΩ]. Where the run of ten minutes could not be
        made, ``later_a`` is empty.
    port_v : dict of str to float
        Voltage of each port at the first instant [V].
    at_rest_a : float
        Greatest current of a pack while every port is off [A].
    carried : tuple of str
        Which conductor the current was made smaller for, which it is still too much for, and of which it is not known, as sentences.
    """

    port_a: dict[str, float]
    table: pd.DataFrame
    port_v: dict[str, float]
    at_rest_a: float
    carried: tuple[str, ...] = ()

    @property
    def words(self) -> list[str]:
        """For which current, state of charge and time, and what the millivolts rest on, as sentences."""
        ports = ", ".join(f"{name} {abs(a):g} A {'out' if a > 0 else 'in'}" for name, a in self.port_a.items())
        volts = ", ".join(f"{name} {volt:.1f} V" for name, volt in self.port_v.items())
        said = [
            f"Expected at these port currents, all at once: {ports}; port voltage then {volts}. Every pack at {SOC * 100:.0f} % charge "
            "and rested on its own (hysteresis in the middle of its loop), at the temperatures of the file.",
            f"“At once” is the first instant: read within a few seconds of switching on. “{LATER_S / 60:.0f} min on” is the same current "
            f"held {LATER_S / 60:.0f} minutes, when relaxation has moved the shares.",
            "Millivolts are from the conductors of the file, with both joints: lug to lug, including the lugs. They go with the current "
            "that flows there: at another current multiply by the ratio, or compare mV ÷ A with mΩ. More than its twin of the other "
            "polarity shows a joint to look at.",
            *self.carried,
        ]
        if self.at_rest_a > STILL_A:
            said.append(
                f"These packs do not rest alike: with every port off up to {self.at_rest_a:.1f} A flow between them, which the expected "
                "currents include, so these do not go in proportion to the port's."
            )
        return said


def readings(scenario: Scenario, port_a: Mapping[str, float] | None = None) -> Readings:
    """What to expect at every conductor, device and pack when packs stand at equal rest.

    Parameters
    ----------
    scenario : Scenario
        Its bank; of its duty only which ports it loads.
    port_a : dict of str to float, optional
        Port → current [A], positive out of the bank. By default those of full load, all made smaller alike until their sum is
        at most 0.2 C of the bank, with two digits, and until no conductor carries more than its ampacity; where no insulation is
        given, that of the lowest temperature.

    Returns
    -------
    Readings

    Raises
    ------
    InputError
        For a port that is not there.
    """
    packs = tuple(replace(pack, soc=SOC, hysteresis=0.0) for pack in scenario.bank.packs)
    bank = replace(scenario.bank, packs=packs, port_equipment={}, switching=())
    at_start = BankAtStart(bank)
    chosen = dict(port_a) if port_a is not None else _small_load(scenario, at_start)
    for name in chosen:
        if name not in bank.graph.ports:
            raise InputError(f"no such port; there is {', '.join(bank.graph.ports)}", key="port_a", value=name)
    chosen, point, later, carried = _within_ampacity(scenario.name, at_start, chosen, fixed=port_a is not None)
    rows = []
    for k, (branch, amperes) in enumerate(zip(bank.graph.branches, point.branch_a, strict=True)):
        ends = (branch.from_node, branch.to_node)
        rows.append(
            {
                "what": "device" if branch.kind == "device" else "conductor", "name": branch.name,
                "from": ends[int(amperes < 0)], "to": ends[int(amperes >= 0)], "current_a": abs(amperes),
                "later_a": abs(later["branch"][k]) if later else math.nan,
                "drop_mv": abs(amperes) * branch.resistance_ohm * 1e3, "resistance_mohm": branch.resistance_ohm * 1e3,
            }
        )  # fmt: skip
    for k, (pack, amperes) in enumerate(zip(packs, point.pack_a, strict=True)):
        ends = ("+", "-")
        rows.append(
            {
                "what": "pack", "name": pack.name, "from": ends[int(amperes < 0)], "to": ends[int(amperes >= 0)], "current_a": abs(amperes),
                "later_a": abs(later["pack"][k]) if later else math.nan, "drop_mv": math.nan, "resistance_mohm": math.nan,
            }
        )  # fmt: skip
    names = list(bank.graph.ports)
    volts = {name: float(point.port_v[names.index(name)]) for name in chosen}
    still = at_start.solve_operating_point({})
    return Readings(chosen, pd.DataFrame(rows), volts, float(np.max(np.abs(still.pack_a))), carried)


def _small_load(scenario: Scenario, at_start: BankAtStart) -> dict[str, float]:
    """Full load out of the bank, or into it if nothing is drawn, made smaller alike; port → current [A] with two digits."""
    loads = full_loads(scenario)
    commands = loads.get("discharge") or loads.get("charge") or {}
    if not commands:
        return {next(iter(scenario.bank.graph.ports)): _two_digits(C_RATE * scenario.bank.capacity_ah)}
    names = list(scenario.bank.graph.ports)
    point = at_start.solve_operating_point(commands)
    amperes = {name: float(point.port_a[names.index(name)]) for name in commands}
    total = sum(map(abs, amperes.values()))
    share = min(1.0, C_RATE * scenario.bank.capacity_ah / total) if total > 0 else 1.0
    return {name: _two_digits(a * share) for name, a in amperes.items()}


def _within_ampacity(name, at_start, port_a, fixed):
    """Port currents [A] that every conductor carries, at once and later; with them the point, what :func:`_later` gives, and sentences.

    Currents that are ``fixed`` are not made smaller.
    """
    bank, asked, decides = at_start.bank, port_a, None
    known = [carrying(b, 0.0, math.inf, bank.ambient_k, 1.0) for b in bank.graph.branches]
    limit = np.array([math.inf if b.kind == "device" or row.ampacity_a is None else row.ampacity_a
                      for b, row in zip(bank.graph.branches, known, strict=True)])  # fmt: skip
    for left in reversed(range(MOST_TRIES)):
        point = at_start.solve_operating_point({port: ("current", float(a)) for port, a in port_a.items()})
        later = _later(name, bank, port_a)
        flows = np.maximum(np.abs(point.branch_a), np.abs(later["branch"]) if later else 0.0)
        over = flows / limit
        worst = int(np.argmax(over)) if len(over) else 0
        if fixed or not left or not len(over) or over[worst] <= 1.0:
            break
        decides = worst
        port_a = {port: _two_digits(a / over[worst] * (1.0 - 1e-9)) for port, a in port_a.items()}
    said = []
    if decides is not None:
        said.append(
            f"Full load, or 0.2 C of the bank, would be {sum(map(abs, asked.values())):g} A in all. The current is made smaller so that "
            f"every conductor carries it: {known[decides].name} decides ({known[decides].words})."
        )
    said += [
        f"{flows[k]:.0f} A flow in {known[k].name}, more than it may carry: {known[k].words}. Do not hold this current."
        for k in np.flatnonzero(flows > limit)
    ]
    blind = [b.name for b, row in zip(bank.graph.branches, known, strict=True) if b.kind != "device" and row.ampacity_a is None]
    if blind:
        said.append(f"Whether these carry the current was not looked at, their ampacity is not known: {', '.join(blind)}.")
    return port_a, point, later, tuple(said)


def _two_digits(value: float) -> float:
    """The number next to it towards zero that has two digits.

    >>> [_two_digits(value) for value in (187.0, -9.96, 0.0)]
    [180.0, -9.9, 0.0]
    """
    if value == 0:
        return 0.0
    step = 10.0 ** (math.floor(math.log10(abs(value))) - 1)
    return round(math.copysign(math.floor(abs(value) / step + 1e-9) * step, value), 9)


def _later(name: str, bank: Bank, port_a: Mapping[str, float]) -> dict[str, Any] | None:
    """Currents of branches and packs after the current has been held; None if something opens or it cannot be run."""
    duty = Duty((Step(LATER_S, {port: Command("current", float(a)) for port, a in port_a.items()}),))
    try:
        result = simulate(Case(name, bank, duty), tolerance=1e-6, output_step_s=60.0)
    except SimulationError:
        return None
    if len(result.events) or not len(result.packs) or result.packs.index[-1] < LATER_S - 1.0:
        return None
    return {
        "branch": result.branch_current_a.iloc[-1].to_numpy(float),
        "pack": result.packs["current_a"].iloc[-1].to_numpy(float),
    }

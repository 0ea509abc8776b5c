"""How well a bank is known that nothing is wrong with: scatter of packs and joints, what packs have in common, what meters have in common."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from simbank.bank import Bank
from simbank.errors import InputError
from simbank.quantities import parse
from simbank.scenario import Scenario, with_changes
from simbank.scenario.uncertain import GIVEN, uncertain_values
from simbank.simulation import arrays as ar
from simbank.studies.diagnosis.response import HeldBank, Response

if TYPE_CHECKING:
    from simbank.studies.diagnosis.bank_at import At
    from simbank.studies.diagnosis.meter_readings import Reading

__all__ = ["UNKNOWN_TIME_S", "USUAL", "WORK_C", "WORK_S", "Knowledge", "Setting", "after_work"]

# Where the file does not say how well a value is known:
RESISTANCE_SHARE = 0.1  # of a pack's resistance, about that of its type; common practice, no source: grading leaves 5 to 15 %
JOINT_TIMES = 1.5  # a good joint may be better or worse by this factor; common practice, no source
CABLE_SHARE = 0.05  # of a conductor's own resistance: its length and temperature; chosen here
CHARGE_POINTS = 0.5  # of packs that have rested in parallel, as far as it makes a voltage; chosen here
LEVEL_CELL_V, LEVEL_SOC = 0.015, 0.1  # of all packs together: rest voltage by the chemistry's range, charge; chosen here
# What the bank did before the current was last changed is not told. One standard deviation of work that leaves packs apart: a discharge or a
# charge so fast, for so long, right up to the change; and of each pack's own hysteresis state, as part of its loop was run through the other way.
WORK_C, WORK_S = 0.25, 2 * 3600.0  # chosen here: what an inverter takes off a bank for an evening
WORK_HYSTERESIS = 0.1  # chosen here
WORKED = 0.2  # how likely such work is, before any reading, where nothing is told of it; chosen here


@dataclass(frozen=True)
class Setting:
    """What is not known and moves all readings in one way: how well the file knows its packs' resistance, and what the bank did before.

    Attributes
    ----------
    scale : float
        Times the usual scatter of packs' resistance.
    worked : bool
        Whether packs may still differ by work before the current was last changed.
    prior : float
        How likely it is before the readings.
    """

    scale: float
    worked: bool
    prior: float


# A file's resistances are measured or are those of a data sheet, and it does not say: each as likely.
MEASURED, DATA_SHEET = 0.15, 1.0
USUAL = Setting(DATA_SHEET, False, 1.0)
RESTED = Setting(MEASURED, False, 0.5), Setting(DATA_SHEET, False, 0.5)
UNTOLD = (*(replace(setting, prior=setting.prior * (1.0 - WORKED)) for setting in RESTED), Setting(DATA_SHEET, True, WORKED))
# Where the time since the change is not told: the middle one, the others a deviation from it. Chosen here.
UNKNOWN_TIME_S = 20.0, 120.0, 600.0
LOW, HIGH = 0.1587, 0.8413  # one standard deviation to either side of the middle of a normal distribution
# Groups of values that packs have in common and currents hang on; capacity moves currents too slowly to count.
SHARED = ("ocv", "hysteresis", "relaxation", "resistance", "start")
LEAST_SHIFT = 1e-4  # of a reading's deviation: less is not kept


class Knowledge:
    """Standard deviations of what is not known of a sound bank: what its file says of that, and where it does not, the usual scatter.

    Parameters
    ----------
    scenario : Scenario
        What its file says with ± or ``within`` of a pack's charge and resistance and of joints is taken; what packs have in common is
        taken from its list of uncertain values (:func:`simbank.uncertain_values`).
    voltmeter_share : float
        Of the voltmeter, the same for all of its readings.
    before_told : bool
        Whether it is told what the bank did before the current was last changed.

    Attributes
    ----------
    settings : tuple of Setting
    soc : ndarray, shape (n,)
        Of each pack's state of charge.
    level_v, level_soc : float
        Of all packs' rest voltage [V] and of all displays together.
    """

    def __init__(self, scenario: Scenario, voltmeter_share: float, before_told: bool = False):
        self.settings = RESTED if before_told else UNTOLD
        bank = scenario.bank
        self.scenario, self.voltmeter_share = scenario, voltmeter_share
        self.soc = np.full(len(bank.packs), CHARGE_POINTS / 100.0)
        self.level_v = LEVEL_CELL_V * max(pack.cells_in_series for pack in bank.packs)
        self.level_soc = LEVEL_SOC
        self.resistance_share = np.full(len(bank.packs), RESISTANCE_SHARE)
        self.is_said = np.zeros(len(bank.packs), bool)  # whose resistance the file says with ±, so that no scale applies
        joints = [0.0 if b.conductor is None else b.conductor.joints * b.conductor.joint_ohm for b in bank.graph.branches]
        cable = np.array([b.resistance_ohm for b in bank.graph.branches]) - np.array(joints)
        self.branch_ohm = np.hypot(np.array(joints) * math.log(JOINT_TIMES), CABLE_SHARE * cable)
        self.shifts: list[dict[tuple[int, str, int], float]] = []
        self.work_shifts: list[dict[tuple[int, str, int], float]] = []
        self.values = [value for value in uncertain_values(scenario) if value.group in (*SHARED, "joints")]
        self._take(bank)

    def _take(self, bank: Bank) -> None:
        """Take what the file says of single packs and joints out of the list, which then holds what packs have in common."""
        packs = {pack.name: k for k, pack in enumerate(bank.packs)}
        branches = {branch.name: k for k, branch in enumerate(bank.graph.branches)}
        left = []
        for value in self.values:
            place, _, rest = value.key.partition(".")
            name, _, field = rest.rpartition(".")
            name = name.strip('"')  # where it has dots
            if place == "packs" and field in ("soc", "resistance_growth", "resistance_at_posts"):
                if value.source != GIVEN or name not in packs:
                    continue
                low, middle, high = (value.draw.number(share) for share in (LOW, 0.5, HIGH))
                k = packs[name]
                if field == "soc":
                    self.soc[k] = (high - low) / 2.0
                else:
                    pack = bank.packs[k]
                    part = pack.cell_path_ohm / pack.ohmic_ohm if field == "resistance_growth" else 1.0
                    self.resistance_share[k] = (high - low) / 2.0 / middle * part
                    self.is_said[k] = True
            elif value.key.startswith("wiring.added."):
                branch = value.key.removeprefix("wiring.added.")
                if branch in branches:
                    low, high = (parse(value.draw.value(share), "ohm") for share in (LOW, HIGH))
                    self.branch_ohm[branches[branch]] = (high - low) / 2.0
            elif value.group != "joints":
                left.append(value)
        self.values = left

    def ohm(self, ohm: np.ndarray, scale: float) -> np.ndarray:
        """Of each element [ohm], for elements of resistance ``ohm``; ``scale`` times the usual scatter of packs."""
        packs = ohm[: len(self.resistance_share)] * self.resistance_share * np.where(self.is_said, 1.0, scale)
        return np.concatenate([packs, self.branch_ohm])

    def emf_v(self, response: Response, setting: Setting) -> np.ndarray:
        """Of each pack's electromotive force [V]: by its charge, and by its hysteresis state after work."""
        charge = response.emf_by_soc * self.soc
        return np.hypot(charge, WORK_HYSTERESIS * response.emf_by_hysteresis) if setting.worked else charge

    def shared(self, at: At, what: str, k: int, setting: Setting) -> list[float]:
        """What one standard deviation of each value that packs have in common does to a reading."""
        shifts = [*self.shifts, *(self.work_shifts if setting.worked else [])]
        return [shift.get((id(at), what, k), 0.0) for shift in shifts]

    def share(self, held: HeldBank, instants: Sequence[tuple[At, float | None, Sequence[Reading]]]) -> None:
        """Work out what values in common do to readings, and a time since the change that was not told (None)."""
        soc = held.start[: held.n]
        self._keep((at, read, *(held.response(at.port_a, seconds) for seconds in UNKNOWN_TIME_S[::2]), 0.5)
                   for at, time_s, read in instants if time_s is None)  # fmt: skip
        for value in self.values:
            try:
                other = HeldBank(with_changes(self.scenario, {value.key: value.draw.value(HIGH)}).bank, soc)
            except InputError:  # a bank that cannot be, at the edge of what is likely
                continue
            self._keep((at, read, at.response, other.response(at.port_a, at.time_s), 1.0) for at, _, read in instants)
        self.add_work(held, [(at, read) for at, _, read in instants])

    def add_work(self, held: HeldBank, instants: Sequence[tuple[At, Sequence[Reading]]]) -> None:
        """Work out what work before the change of current does to readings, by discharge and by charge."""
        for worked in after_work(held, instants[0][0].port) if any(setting.worked for setting in self.settings) else ():
            self._keep(
                ((at, read, at.response, worked.response(at.port_a, at.time_s), 1.0) for at, read in instants), self.work_shifts
            )

    def _keep(self, shifted: Iterable[tuple[At, Sequence[Reading], Response, Response, float]], into: list | None = None) -> None:
        """Enter a value in common by what lies between two states of the bank, times a factor, if any reading shows it."""
        into = self.shifts if into is None else into
        shift = {}
        for at, read, one, other, factor in shifted:
            for reading in read:
                k = self._place(reading)
                move = factor * (read_off(other, reading.kind, k) - read_off(one, reading.kind, k))
                if abs(move) > LEAST_SHIFT * reading.deviation:
                    shift[(id(at), reading.kind, k)] = move
        if shift:
            into.append(shift)

    def _place(self, reading: Reading) -> int:
        """The element at which something is read; 0 for a port."""
        bank = self.scenario.bank
        if reading.kind == "drop":
            return len(bank.packs) + next(k for k, branch in enumerate(bank.graph.branches) if branch.name == reading.name)
        return next((k for k, pack in enumerate(bank.packs) if pack.name == reading.name), 0)


def after_work(held: HeldBank, port: int) -> Iterator[HeldBank]:
    """A sound bank after the discharge, and after the charge, that stand for work before the readings."""
    for way in (1.0, -1.0):
        port_a = np.zeros(len(held.ports))
        port_a[port] = way * WORK_C * held.cells[ar.CAPACITY_AS].sum() / 3600.0
        yield held.after(port_a, WORK_S)


def read_off(state: Response, kind: str, k: int) -> float:
    """What a meter reads at element ``k`` of a bank without a fault; 0 for what shows no current."""
    current = float(state.current_a[k])
    if kind == "current":
        return current
    if kind == "drop":
        return abs(current) * float(state.ohm[k])
    return float(state.emf_v[k]) - float(state.ohm[k]) * current if kind == "voltage" else 0.0

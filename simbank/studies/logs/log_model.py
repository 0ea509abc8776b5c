"""What a log should show: the bank driven by the sum of its measured currents, for given values of what is unknown."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from simbank.bank.equipment import BMS
from simbank.duty import SampledDuty, Samples, Window
from simbank.scenario import Scenario
from simbank.scenario.scenario import from_dict
from simbank.simulation import simulate
from simbank.simulation.result import Result
from simbank.studies.logs.log_table import LogTable
from simbank.studies.logs.unknowns import Unknown

__all__ = ["LogModel", "Shown"]

TOLERANCE = 1e-6  # of the fast integrator: the mean current of a row is then good to some mA


@dataclass(frozen=True, eq=False)
class Shown:
    """What a log would show; m rows, n packs.

    Attributes
    ----------
    current_a : ndarray, shape (m, n)
        As the meters would read it [A].
    voltage_v : ndarray, shape (m, n), or None
        Of packs at the middle of each row [V].
    bank_v : ndarray, shape (m,), or None
    soc, hysteresis : ndarray, shape (m + 1, n)
        True state of charge, and hysteresis state, at the ends of the rows.
    """

    current_a: np.ndarray
    voltage_v: np.ndarray | None
    bank_v: np.ndarray | None
    soc: np.ndarray
    hysteresis: np.ndarray


class LogModel:
    """A bank and a log.

    The port carries the sum of the packs' measured currents, each less its meter's offset and gain, held over each row. Packs are taken
    to be connected all the time: limits of BMS and equipment are left out, since what they did is in the measured current.

    Parameters
    ----------
    base : Scenario
        As :func:`~simbank.studies.logs.unknowns.fit_base` gives it.
    log : LogTable
        As it was read.
    many : int
        How many of its rows are compared as one block. Within a block the mean alone counts: when in a row a load came on is not known.
    unknowns : sequence of Unknown
        Of the bank, then ``offset PACK``, ``gain PACK`` of every pack, ``gap K`` of every long gap, ``volts PACK`` or ``volts bank``.
    port : str
    """

    def __init__(self, base: Scenario, log: LogTable, many: int, unknowns: Sequence[Unknown], port: str):
        self.base, self.unknowns, self.port, self.many = base, list(unknowns), port, many
        self.log = log.in_blocks(many)
        self.fine = log.in_blocks(1)
        self.drive_by_rows()
        self.tolerance = TOLERANCE
        self.names = [pack.name for pack in base.bank.packs]
        self.place = {unknown.key: k for k, unknown in enumerate(self.unknowns)}
        self.with_volts = log.voltage_v is not None or log.bank_v is not None

    def drive_by_rows(self, blocks: bool = False) -> None:
        """Drive the bank by the log's own rows, or, sooner done, by the means of blocks."""
        self.per_block = 1 if blocks else self.many
        self.driving = self.log if blocks else self.fine

    def numbers(self, scores: np.ndarray) -> np.ndarray:
        """The value of every unknown at scores."""
        return np.array([unknown.number(score) for unknown, score in zip(self.unknowns, scores, strict=True)])

    def changes(self, scores: np.ndarray) -> dict:
        """What the scores set in the file."""
        out: dict = {}
        for unknown, score in zip(self.unknowns, scores, strict=True):
            out |= unknown.changes(score)
        return out

    def drive_a(self, number: Mapping[str, float]) -> np.ndarray:
        """Current of the port in every row that drives [A], from the measured ones."""
        gain = 1.0 + np.array([number[f"gain {name}"] for name in self.names])
        offset = np.array([number[f"offset {name}"] for name in self.names])
        total = ((self.driving.current_a - offset) / gain).sum(axis=1)[: len(self.log.current_a) * self.per_block]
        for k, (a, b) in enumerate(self.driving.gaps):
            total[a:b] = number[f"gap {k}"]
        return total

    def shown(self, scores: np.ndarray, more: Mapping[str, object] | None = None, since: tuple | None = None) -> Shown:
        """What the log would show.

        Parameters
        ----------
        scores : ndarray
            Of the unknowns.
        more : dict, optional
            Further changes of the file.
        since : (int, ndarray, ndarray), optional
            First row, and state of charge and hysteresis state there, to begin later than the log.
        """
        number = dict(zip((unknown.key for unknown in self.unknowns), self.numbers(scores), strict=True))
        changes = {**self.changes(scores), **(more or {})}
        drive, first = self.drive_a(number), 0
        if since is not None:
            first, soc, hysteresis = since
            drive = drive[first * self.per_block :]
            for name, z, h in zip(self.names, soc, hysteresis, strict=True):
                changes |= {
                    f"packs.{name}.soc": float(np.clip(z, 0.0, 1.0)),
                    f"packs.{name}.hysteresis": float(np.clip(h, -1.0, 1.0)),
                }
        result = self._run(changes, drive)
        return self._read(result, number, len(drive) // self.per_block)

    def _run(self, changes, drive) -> Result:
        step = self.driving.step_s
        window = Window({self.port: Samples.currents(drive)}, len(drive))
        duty = SampledDuty(step, len(drive), lambda: [window])
        made = from_dict(self.base.data, changes, self.base.source, duty=duty)
        packs = tuple(replace(pack, bms=_never_opens(pack.bms)) for pack in made.bank.packs)
        made.bank = replace(made.bank, packs=packs, port_equipment={}, switching=())
        return simulate(
            made, integrator="fast", tolerance=self.tolerance, output_step_s=step / 2 if self.with_volts else self.log.step_s
        )

    def _read(self, result, number, blocks):
        """What meters would read of a run."""
        samples = result.pack_samples
        stride = 2 * self.per_block if self.with_volts else 1
        last = len(samples.time_s) - 1
        at = np.minimum(np.arange(blocks + 1) * stride, last)
        soc = samples.soc[at]
        bank = result.scenario.bank
        capacity = np.array([pack.capacity_ah for pack in bank.packs]) * 3600.0
        own = np.array([pack.own_draw_a for pack in bank.packs])
        mean = -np.diff(soc, axis=0) * capacity / self.log.step_s - own
        gain = 1.0 + np.array([number[f"gain {name}"] for name in self.names])
        offset = np.array([number[f"offset {name}"] for name in self.names])
        volts = bank_v = None
        if self.with_volts:
            middle = np.minimum(np.arange(blocks * self.per_block) * 2 + 1, last)

            def of_blocks(values):
                return values[middle].reshape(blocks, self.per_block, *values.shape[1:]).mean(axis=1)

            if self.log.voltage_v is not None:
                volts = of_blocks(samples.terminal_v) + np.array([number.get(f"volts {name}", 0.0) for name in self.names])
            if self.log.bank_v is not None:
                bank_v = of_blocks(result.ports["voltage_v"][self.port].to_numpy()) + number["volts bank"]
        return Shown(mean * gain + offset, volts, bank_v, soc, samples.hysteresis[at])


def _never_opens(bms: BMS | None) -> BMS:
    """A BMS that takes what this one takes, and opens for nothing."""
    return BMS(stuck="both") if bms is None else BMS(stuck="both", draw_a=bms.draw_a, draw_w=bms.draw_w)

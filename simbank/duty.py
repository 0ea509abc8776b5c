"""Duty: what each port asks of the bank over time, as a sequence of steps."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from os import PathLike
from typing import TYPE_CHECKING

import numpy as np

from simbank.errors import InputError
from simbank.filemodel import finite_column, read_csv

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Command", "Duty", "SampledDuty", "Samples", "Step", "Window", "table_steps"]


@dataclass(frozen=True)
class Command:
    """What one port asks during one step.

    Attributes
    ----------
    kind : {"current", "power", "resistance"}
    value : float
        At the start of the step [A, W or ohm], positive for discharge.
    slope : float
        Change per second [A/s or W/s].
    volt_limit : float
        Charge voltage at which the port stops pushing current and holds the voltage [V].
    tail_a : float
        Current below which a held charge ends [A]; 0 holds to the end of the step.
    cutoff_volt : float
        Port voltage at which a discharge ends [V].
    ac_asked_w, ac_ratio : float
        Power asked on the alternating-current side of an inverter [W], and how much of it goes with one watt at the port.
    """

    kind: str
    value: float
    slope: float = 0.0
    volt_limit: float = math.inf
    tail_a: float = 0.0
    cutoff_volt: float = 0.0
    ac_asked_w: float = 0.0
    ac_ratio: float = 0.0


@dataclass(frozen=True)
class Step:
    """A stretch of time with one command per active port.

    Attributes
    ----------
    duration_s : float
        Length [s].
    commands : dict of str to Command
        By port; a port without one asks for nothing.
    ends_early : bool
        Pass on to the next step as soon as every port is done, instead of waiting for the step's end.
    """

    duration_s: float
    commands: dict[str, Command] = field(default_factory=dict)
    ends_early: bool = False


@dataclass(frozen=True)
class Duty:
    """Steps in order, the whole repeated ``repeat`` times.

    A program may give one as ``duty`` of a scenario (:func:`simbank.with_changes`). It holds as it is: powers are those at the port,
    on the DC side of an inverter; a charge without ``volt_limit`` goes on until a BMS or device stops it; an inverter's idle power
    flows only where a command says so.

    >>> Duty((Step(3600.0), Step(1800.0)), repeat=2).duration_s
    10800.0
    """

    steps: tuple[Step, ...]
    repeat: int = 1

    def __post_init__(self) -> None:
        if not isinstance(self.steps, (tuple, list)) or not all(isinstance(step, Step) for step in self.steps):
            raise InputError("must be a tuple of Steps", key="steps", value=self.steps)

    def __iter__(self) -> Iterator[Step]:
        for _ in range(self.repeat):
            yield from self.steps

    @classmethod
    def from_table(cls, table: pd.DataFrame, *, interpolation: str = "hold", repeat: int = 1, **limits: float) -> Duty:
        """A duty of a table's rows, as a file's ``kind = "table"`` has them.

        Parameters
        ----------
        table : DataFrame
            One column ``time_s``, ``time_min`` or ``time_h``; for each port ``<port>_current_a`` [A] or ``<port>_power_w`` [W],
            positive for discharge. A row holds until the next; the last only ends the table.
        interpolation : {"hold", "linear"}
            Between rows: the value of the row before, or straight to the next.
        repeat : int
            How often the whole is gone through.
        **limits
            ``volt_limit``, ``tail_a``, ``cutoff_volt`` of every command, as in :class:`Command`.

        Raises
        ------
        InputError
            As :func:`table_steps`.

        Examples
        --------
        >>> import pandas as pd
        >>> table = pd.DataFrame({"time_h": [0, 1, 3], "inverter_power_w": [800.0, -500.0, 0.0]})
        >>> duty = Duty.from_table(table, volt_limit=56.8, cutoff_volt=44.8)
        >>> [(float(step.duration_s), float(step.commands["inverter"].value)) for step in duty]
        [(3600.0, 800.0), (7200.0, -500.0)]
        """
        import pandas as pd

        if not isinstance(table, pd.DataFrame):
            raise InputError("must be a DataFrame", key="table", value=table)
        if interpolation not in ("hold", "linear"):
            raise InputError('must be "hold" or "linear"', key="interpolation", value=interpolation)
        unknown = set(limits) - {"volt_limit", "tail_a", "cutoff_volt"}
        if unknown:
            raise InputError("use volt_limit, tail_a or cutoff_volt", key=sorted(unknown)[0])
        endings = tuple(f"_{suffix}" for suffix in _KINDS)
        found = [str(c).removesuffix(end) for c in table.columns for end in endings if str(c).endswith(end)]
        return cls(_frame_steps(table, None, list(dict.fromkeys(found)), interpolation, limits, ()), repeat)

    @property
    def duration_s(self) -> float:
        """Length [s], if no step ends early."""
        return self.repeat * sum(step.duration_s for step in self.steps)


@dataclass(frozen=True, eq=False)
class Samples:
    """Powers, or currents, asked at one port, each held until the next; arrays of shape (m,).

    ``starts`` are the steps from which each holds, the first 0; ``value_w`` is at the port, in A where ``kind`` is "current",
    ``ac_asked_w`` and ``ac_ratio`` as in :class:`Command`; ``limits`` are further arguments of it.
    """

    starts: np.ndarray
    value_w: np.ndarray
    ac_asked_w: np.ndarray
    ac_ratio: np.ndarray
    limits: dict[str, float]
    kind: str = "power"

    @classmethod
    def currents(cls, ampere: np.ndarray) -> Samples:
        """Currents that change at every step [A], shape (m,), positive for discharge."""
        none = np.zeros(len(ampere))
        return cls(np.arange(len(ampere)), ampere, none, none, {}, "current")

    def command(self, k: int) -> Command:
        """The ``k``-th as a :class:`Command`."""
        return Command(
            self.kind,
            float(self.value_w[k]),
            ac_asked_w=float(self.ac_asked_w[k]),
            ac_ratio=float(self.ac_ratio[k]),
            **self.limits,
        )

    def until(self, length: int) -> Samples:
        """Those that begin before step ``length``."""
        keep = self.starts < length
        return Samples(self.starts[keep], self.value_w[keep], self.ac_asked_w[keep], self.ac_ratio[keep], self.limits, self.kind)


@dataclass(frozen=True, eq=False)
class Window:
    """A stretch of a sampled duty.

    ``samples`` are by port, their ``starts`` counted from the beginning of the window; ``length`` is its number of steps.
    """

    samples: dict[str, Samples]
    length: int

    def changes(self) -> tuple[np.ndarray, dict[str, np.ndarray]]:
        """Steps at which anything changes, and the end, shape (m + 1,); by port which of its samples holds from each on, (m,)."""
        change = np.zeros((len(self.samples), self.length), bool)
        for row, samples in zip(change, self.samples.values(), strict=True):
            row[samples.starts] = True
        begins = np.flatnonzero(change.any(axis=0))
        holds = {port: np.cumsum(row)[begins] - 1 for port, row in zip(self.samples, change, strict=True)}
        return np.append(begins, self.length), holds


class SampledDuty:
    """Powers, or currents, at equal steps, held from one to the next; equal neighbours become one step.

    Parameters
    ----------
    step_s : float
        Length of a step [s].
    length : int
        Number of steps.
    make_windows : callable
        Makes the windows anew, one after the other, so that a long duty is never in memory as a whole.
    """

    def __init__(self, step_s: float, length: int, make_windows: Callable[[], Iterable[Window]]):
        self.step_s, self.length, self._make, self._only = step_s, length, make_windows, None

    @property
    def duration_s(self) -> float:
        """Length [s]."""
        return self.step_s * self.length

    def windows(self) -> Iterator[Window]:
        """The windows in order; of a duty that has but one it is kept."""
        if self._only is not None:
            yield self._only
            return
        for window in self._make():
            if window.length == self.length:
                self._only = window
            yield window

    def until(self, length: int) -> SampledDuty:
        """The same duty, ended after ``length`` steps at the latest."""
        length = min(length, self.length)

        def make():
            left = length
            for window in self.windows():
                if left <= 0:
                    return
                take = min(left, window.length)
                yield Window({port: samples.until(take) for port, samples in window.samples.items()}, take)
                left -= take

        return SampledDuty(self.step_s, length, make)

    def __iter__(self) -> Iterator[Step]:
        for window in self.windows():
            edges, holds = window.changes()
            for k in range(len(edges) - 1):
                now = {port: window.samples[port].command(which[k]) for port, which in holds.items()}
                yield Step((edges[k + 1] - edges[k]) * self.step_s, now)


SHORTEST_ROW_S, LONGEST_TABLE_S = 1e-3, 3.6e9
_TIME_COLUMNS = {"time_s": 1.0, "time_min": 60.0, "time_h": 3600.0}


def table_steps(
    path: str | PathLike,
    port_names: Sequence[str],
    interpolation: str,
    limits: dict[str, float],
    always: Collection[str] = (),
) -> tuple[Step, ...]:
    """Steps from a CSV table.

    Columns: ``time_s``, ``time_min`` or ``time_h``, and per port ``<port>_current_a`` or ``<port>_power_w`` (without the port's
    name if there is one port), positive for discharge. A row holds until the next; the last row only ends the table. The run begins
    with the first row, whatever its time.

    Parameters
    ----------
    path : path-like
        CSV file.
    port_names : sequence of str
        Ports that its columns may name.
    interpolation : {"hold", "linear"}
        Between rows: the value of the row before, or straight to the next.
    limits : dict
        Further arguments for :class:`Command`.
    always : collection of str
        Ports that get a command from a row of zero, too; for the others it is none.

    Raises
    ------
    InputError
        If the file is missing, a column is unknown or missing, a value is not a number, or time begins below zero or does not rise.
    """
    where = {"key": "duty.file", "value": str(path)}
    return _frame_steps(read_csv(path, missing=where, broken=where), path, port_names, interpolation, limits, always)


def _frame_steps(frame, path, port_names, interpolation, limits, always):
    """Steps of a table; ``path`` is where it is from, for errors."""
    time_columns = [c for c in frame.columns if c in _TIME_COLUMNS]
    if len(time_columns) != 1:
        raise InputError("needs one column time_s, time_min or time_h", file=path, key="columns", value=", ".join(frame.columns))
    known = {f"{port}_{suffix}": (port, kind) for port in port_names for suffix, kind in _KINDS.items()}
    if len(port_names) == 1:
        known |= {suffix: (port_names[0], kind) for suffix, kind in _KINDS.items()}
    asked = {}
    for column in frame.columns:
        if column in time_columns:
            continue
        if column not in known:
            raise InputError(f"unknown column; use {', '.join(known)}", file=path, key="columns", value=column)
        port, kind = known[column]
        if port in asked:
            raise InputError("a port takes a current or a power, not both", file=path, key="columns", value=column)
        asked[port] = (kind, column)
    if not asked:
        raise InputError(f"needs a column such as {next(iter(known))}", file=path, key="columns")
    if len(frame) < 2:
        raise InputError("needs two rows or more; the last row ends the table", file=path)
    wanted = [*time_columns, *(column for _, column in asked.values())]
    values = {column: finite_column(frame, column, path) for column in wanted}
    with np.errstate(over="ignore", invalid="ignore"):
        time = values[time_columns[0]] * _TIME_COLUMNS[time_columns[0]]
        back = np.flatnonzero(~(np.diff(time) >= SHORTEST_ROW_S))
    if back.size:
        row = back[0] + 3
        raise InputError(
            "times must rise from row to row, by a millisecond or more",
            file=path,
            key=f"row {row}, {time_columns[0]}",
            value=float(frame[time_columns[0]].iloc[back[0] + 1]),
        )
    if time[0] < 0.0:
        raise InputError(
            "the first row is the start of the run, and nothing before it can be run: begin at 0", file=path,
            key=f"row 2, {time_columns[0]}", value=float(frame[time_columns[0]].iloc[0]),
        )  # fmt: skip
    if not np.ptp(time) <= LONGEST_TABLE_S:
        raise InputError(
            f"must last {LONGEST_TABLE_S / 3600.0:g} hours at most", file=path, key=time_columns[0],
            value=float(frame[time_columns[0]].iloc[-1]),
        )  # fmt: skip
    columns = {port: (kind, values[column]) for port, (kind, column) in asked.items()}
    return tuple(_steps(time, columns, interpolation, limits, always))


_KINDS = {"current_a": "current", "power_w": "power"}


def _steps(time, columns, interpolation, limits, always):
    """One step per row; rows that only repeat the one before are merged when values are held."""
    start = 0
    for k in range(1, len(time)):
        last = k == len(time) - 1
        same = interpolation == "hold" and not last and all(v[k] == v[start] for _, v in columns.values())
        if same:
            continue
        duration = time[k] - time[start]
        commands = {}
        for port, (kind, v) in columns.items():
            slope = (v[k] - v[start]) / duration if interpolation == "linear" else 0.0
            if v[start] or slope or port in always:
                commands[port] = Command(kind, v[start], slope, **limits)
        yield Step(duration, commands)
        start = k

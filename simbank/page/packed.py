"""Series of a run over time, packed for a page: whole numbers of a stated step, differences from sample to sample, deflated, in base64.

Bytes of one run, after inflating (zlib): for each row in order its m samples as differences to the sample before (the first to 0), each
as an unsigned number of two bytes that counts 0, −1, 1, −2, 2, ... (so that small differences of either sign are small numbers); all
low bytes come first, then all high ones. A sample is the sum of the differences up to it, times the step of its quantity. ``view.js``
reads it; :func:`unpacked` does the same here.
"""

from __future__ import annotations

import base64
import math
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from simbank.simulation import Result

__all__ = ["KINDS", "Packed", "Series", "packed", "series_of", "steps_for", "unpacked"]

KINDS = ("soc", "pack_a", "port_a", "port_w", "branch_a")
UNIT_OF = {"soc": "soc", "pack_a": "a", "port_a": "a", "port_w": "w", "branch_a": "a"}  # kinds of one unit share a step
SOC_STEP = 0.001  # a tenth of a point, which is what the page shows
LEAST_STEP = {"a": 0.01, "w": 1.0}  # what meters of a bank show


@dataclass(frozen=True)
class Series:
    """What a page shows of a run, at every multiple of its clock's step up to the end.

    Attributes
    ----------
    soc, pack_a : ndarray, shape (m, packs)
        State of charge, 0 to 1; current [A], positive out of the pack.
    port_a, port_w : ndarray, shape (m, ports)
        Current [A] and power [W], positive out of the bank.
    branch_a : ndarray, shape (m, branches)
        Current [A], positive from its first node to its second.
    """

    soc: np.ndarray
    pack_a: np.ndarray
    port_a: np.ndarray
    port_w: np.ndarray
    branch_a: np.ndarray

    def every(self, n: int) -> Series:
        """Every n-th sample."""
        return Series(*(getattr(self, kind)[::n] for kind in KINDS))

    def __len__(self) -> int:
        return len(self.soc)


@dataclass(frozen=True)
class Packed:
    """A run's series as text, and where each of them stands in it.

    Attributes
    ----------
    text : str
        Base64.
    samples : int
        How many of each series.
    rows : dict of str to list of int
        For each kind the row of each pack, port or branch, counted from 1; negative where the row has the opposite sign. Series that
        are alike, as those of both poles of a link, share a row.
    """

    text: str
    samples: int
    rows: Mapping[str, Sequence[int]]


def series_of(result: Result, step_s: float) -> Series:
    """The series of a run at every multiple of ``step_s`` [s], which must be samples of it; at an event what holds after it.

    Raises
    ------
    ValueError
        If the run has no sample at one of these times.
    """
    times = result.pack_samples.time_s
    wanted = step_s * np.arange(math.floor(times[-1] / step_s + 1e-9) + 1)
    at = np.searchsorted(times, wanted + 1e-6 * step_s, side="right") - 1
    if np.abs(times[at] - wanted).max() > 1e-6 * step_s:
        raise ValueError(f"the run has no samples every {step_s:g} s")
    ports = result.ports.to_numpy()[at]
    n = ports.shape[1] // 3  # current, voltage, power
    samples = result.pack_samples
    return Series(samples.soc[at], samples.current_a[at], ports[:, :n], ports[:, 2 * n :], result.branch_samples[at])


def steps_for(series: Sequence[Series], parts: int) -> dict[str, float]:
    """The step of each unit ("soc", "a", "w"): 1, 2 or 5 times a power of ten, about a ``parts``-th of the largest value.

    >>> s = Series(np.array([[0.5]]), np.array([[123.0]]), np.array([[-100.0]]), np.array([[5300.0]]), np.zeros((1, 0)))
    >>> steps_for([s], 1000)
    {'soc': 0.001, 'a': 0.2, 'w': 10.0}
    """
    steps = {"soc": SOC_STEP}
    for unit, least in LEAST_STEP.items():
        most = max(
            (np.abs(getattr(s, kind)).max(initial=0.0) for s in series for kind in KINDS if UNIT_OF[kind] == unit), default=0.0
        )
        steps[unit] = float(max(least, _round_up(most / parts))) if most else least
    return steps


def _round_up(value):
    """The next 1, 2 or 5 times a power of ten."""
    magnitude = 10.0 ** math.floor(math.log10(value))
    return float(f"{next(part for part in (1, 2, 5, 10) if part * magnitude >= value * (1 - 1e-9)) * magnitude:.0e}")


def packed(series: Series, steps: Mapping[str, float]) -> Packed:
    """A run's series as whole numbers of ``steps`` (by unit), packed; each value is off by half a step at most."""
    rows: list[np.ndarray] = []
    known: dict[bytes, int] = {}
    where: dict[str, list[int]] = {}
    for kind in KINDS:
        whole = np.rint(getattr(series, kind) / steps[UNIT_OF[kind]]).astype(np.int32).T
        where[kind] = [_row(row, rows, known) for row in whole]
    table = np.array(rows, np.int32).reshape(len(rows), len(series))
    changes = np.diff(table, axis=1, prepend=0)
    counted = np.where(changes >= 0, 2 * changes, -2 * changes - 1).astype(np.uint16)
    content = (counted & 255).astype(np.uint8).tobytes() + (counted >> 8).astype(np.uint8).tobytes()
    return Packed(base64.b64encode(zlib.compress(content, 9)).decode("ascii"), len(series), where)


def _row(values, rows, known):
    """Number of the row that has these values, negative if it has them with the opposite sign; a new one where none has."""
    if (found := known.get(values.tobytes())) is not None:
        return found
    rows.append(values)
    known[(-values).tobytes()] = -len(rows)
    known[values.tobytes()] = len(rows)  # last, so that a row of zeros is itself
    return len(rows)


def unpacked(text: str, samples: int, rows: Mapping[str, Sequence[int]], steps: Mapping[str, float]) -> dict[str, Any]:
    """The series of a packed run by kind, each of shape (m, packs, ports or branches)."""
    content = np.frombuffer(zlib.decompress(base64.b64decode(text)), np.uint8).astype(np.int64)
    low, high = content.reshape(2, -1)
    counted = (low + 256 * high).reshape(-1, samples)
    table = np.cumsum(np.where(counted % 2, -(counted + 1) // 2, counted // 2), axis=1)
    return {
        kind: np.array([np.sign(k) * table[abs(k) - 1] * steps[UNIT_OF[kind]] for k in which]).reshape(len(which), samples).T
        for kind, which in rows.items()
    }

"""A bank at the instant of its readings, and what faults add to its elements."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simbank.studies.diagnosis.hypotheses import CHARGE_HIGH, CHARGE_LOW, JOINT, OFF, RESISTANCE, size_of
from simbank.studies.diagnosis.response import HeldBank, Response

__all__ = ["At"]

OPEN_OHM = 1e6  # of what is off: so little flows that no meter of a bank shows it
TABLE = 61  # states of charge at which the voltage of a pack is tabulated


@dataclass(frozen=True, eq=False)
class At:
    """A bank at one instant, and what changes of charge do to its voltages.

    Attributes
    ----------
    response : Response
    port : int
        Which port's current is that of the bank.
    port_a : ndarray, shape (p,)
    time_s : float
    volts : ndarray, shape (TABLE, n)
        What the voltage of each pack differs by where its charge differs by ``soc``.
    soc : ndarray, shape (TABLE,)
    """

    response: Response
    port: int
    port_a: np.ndarray
    time_s: float
    volts: np.ndarray
    soc: np.ndarray

    @classmethod
    def of(cls, held: HeldBank, port: int, port_a: np.ndarray, time_s: float) -> At:
        """A bank after its ports have carried ``port_a`` for ``time_s``."""
        response = held.response(port_a, time_s)
        n = held.n
        soc = np.linspace(-0.3, 0.3, TABLE)
        volts = np.array([held.pack_voltage(response.current_a[:n], time_s, more) for more in soc])
        return cls(response, port, port_a, time_s, volts - volts[TABLE // 2], soc)

    def faults(self, kind: np.ndarray, element: np.ndarray, share: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Resistance [ohm] and voltage [V] that faults add to their elements; ``share`` of their range of sizes, all of one shape."""
        size = size_of(kind, share)
        ohm = np.where(kind == JOINT, size, 0.0)
        ohm = np.where(kind == RESISTANCE, (size - 1.0) * self.response.ohm[element], ohm)
        ohm = np.where(kind == OFF, OPEN_OHM, ohm)
        charge = (kind == CHARGE_LOW) | (kind == CHARGE_HIGH)
        place = np.clip((size - self.soc[0]) / (self.soc[1] - self.soc[0]), 0, TABLE - 1 - 1e-9)
        pack = np.where(charge, element, 0)
        low = place.astype(int)
        part = place - low
        volt = self.volts[low, pack] * (1.0 - part) + self.volts[low + 1, pack] * part
        return ohm, np.where(charge, volt, 0.0)

"""Packs at rest: the voltage at which each stands by itself, and the state of charge that a voltage may mean."""

from __future__ import annotations

import numpy as np
from scipy.optimize import brentq

from simbank.bank import Bank
from simbank.simulation.operating_point import BankAtStart

__all__ = ["PacksAtRest"]


class PacksAtRest:
    """Packs of a bank, each by itself and relaxed, by the equations of a run.

    Parameters
    ----------
    bank : Bank
        Its n packs as they stand at the start.

    Attributes
    ----------
    at_start : BankAtStart
        Whose state ``y`` can be set: state of charge of pack k at k, hysteresis state at n + k.
    n : int
    """

    def __init__(self, bank: Bank):
        self.bank, self.at_start, self.n = bank, BankAtStart(bank), len(bank.packs)

    def rest_v(self, k: int, soc: float) -> float:
        """Voltage of pack ``k`` at rest at a state of charge, with the hysteresis that it stands at [V]; it keeps that charge."""
        self.at_start.y[k] = soc
        return float(self.at_start.solve_operating_point({}).open_v[k])

    def open_v(self, soc: np.ndarray, hysteresis: np.ndarray) -> np.ndarray:
        """Voltage of every pack at rest [V], shape (n,), at states of charge and of hysteresis of shape (n,)."""
        self.at_start.y[: self.n], self.at_start.y[self.n : 2 * self.n] = soc, hysteresis
        return self.at_start.solve_operating_point({}).open_v

    def soc_at(self, k: int, volt: float, hysteresis: float | None = None) -> float:
        """State of charge at which pack ``k`` rests at a voltage [V], 0 or 1 where it cannot; its state stays as it is.

        Parameters
        ----------
        k : int
            Number of the pack.
        volt : float
            Voltage at its poles [V].
        hysteresis : float, optional
            State of the hysteresis, -1 after a discharge to 1 after a charge; by default that at which the pack stands.

        Examples
        --------
        LFP packs of 16 cells that rest at 52.8 V may hold much or little:

        >>> from simbank.scenario import example
        >>> packs = PacksAtRest(example("classroom_chain").bank)
        >>> [round(packs.soc_at(0, 52.8, h), 2) for h in (1.0, -1.0)]
        [0.37, 0.62]
        """
        y, kept = self.at_start.y, self.at_start.y.copy()
        if hysteresis is not None:
            y[self.n + k] = hysteresis
        low, high = (self.rest_v(k, soc) - volt for soc in (0.0, 1.0))
        soc = 0.0 if low >= 0 else 1.0 if high <= 0 else brentq(lambda z: self.rest_v(k, z) - volt, 0.0, 1.0, xtol=1e-12)
        y[:] = kept
        return soc

"""What weighing the hypotheses gave, and from what probability on something is told of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simbank.studies.diagnosis.bank_at import At
from simbank.studies.diagnosis.evidence import Evidence
from simbank.studies.diagnosis.knowledge import Knowledge
from simbank.studies.diagnosis.meter_readings import Reading
from simbank.studies.diagnosis.observation import Expected
from simbank.studies.diagnosis.response import HeldBank

__all__ = ["CLEAR_TIMES", "LEAST_BITS", "LEAST_TOLD", "NOTHING_TIMES", "NO_FIT", "SOUND", "SUSPECT", "TOLD_SOUND", "Found"]

SOUND = 0.5  # from here on the readings are said to fit a sound bank
SUSPECT = 0.1  # of a sound bank: below it something is said to be wrong, between the two the readings leave it open; chosen here
TOLD_SOUND = 0.8  # from here on a bank may be told to fit a sound one; between it and SOUND the readings cannot tell; chosen here
NO_FIT = 0.01  # chance of a misfit as large as that of the best cause, below which nothing fits
LEAST_BITS = 0.02  # a reading that is expected to tell less is not asked for
NOTHING_TIMES = 2.0  # the meter's error: a pack that reads no more carries nothing
CLEAR_TIMES = 10.0  # the meter's error at nothing: a current due that is greater is a clear one; chosen here
LEAST_TOLD = 0.02  # suspects less probable than that are left out of tables and words, but for the first three


@dataclass(frozen=True, eq=False)
class Found:
    """What weighing the hypotheses gave.

    Attributes
    ----------
    port : str
        That carries the bank's current.
    sign : int
        By which readings were multiplied to be positive out of the packs.
    held : HeldBank
    parts : tuple of (At, tuple of Reading)
        The bank at each instant, and what was read.
    knowledge : Knowledge
    expected : Expected
    hypotheses : tuple of (Evidence, ndarray)
        Single hypotheses, and pairs if they were looked at, with the probability of each.
    log_density : float
        Logarithm of the density of the readings over all hypotheses.
    fit_chance : float or None
        Chance of a misfit as large as that of the most probable hypothesis; None where there are too few readings to tell.
    hidden : tuple of str
        Conductors whose joints none of these readings would show.
    carried_a : tuple of ndarray, each of shape (m,)
        Current of each element at each instant by what was read of packs: along conductors by Kirchhoff's laws [A].
    """

    port: str
    sign: int
    held: HeldBank
    parts: tuple[tuple[At, tuple[Reading, ...]], ...]
    knowledge: Knowledge
    expected: Expected
    hypotheses: tuple[tuple[Evidence, np.ndarray], ...]
    log_density: float
    fit_chance: float | None
    hidden: tuple[str, ...]
    carried_a: tuple[np.ndarray, ...]

    @property
    def loaded(self) -> int:
        """Place of the first instant at which the bank carried a current."""
        return next((k for k, (at, _) in enumerate(self.parts) if at.port_a[at.port]), 0)

    @property
    def drops(self) -> dict[str, float]:
        """Drops that were read then, by conductor [V]."""
        return {r.name: r.value for r in self.parts[self.loaded][1] if r.kind == "drop"}

    def joint_drop(self, element: int, extra_ohm: float) -> tuple[float, float, float]:
        """I, I R and I (R + ΔR) of a conductor with ``extra_ohm`` in its joints, at the current that it carries by what was read [A, V, V]."""
        amperes = abs(float(self.carried_a[self.loaded][element]))
        ohm = float(self.parts[self.loaded][0].response.ohm[element])
        return amperes, amperes * ohm, amperes * (ohm + extra_ohm)

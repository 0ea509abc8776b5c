"""What each conductor has to carry continuously, whether it may, and whether the devices in the file let more than that pass."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from simbank.bank import Bank
from simbank.bank.ampacity import INSULATIONS, below_table, conductor_ampacity, credited_ambient_c, lowest_insulation
from simbank.bank.graph import Branch
from simbank.simulation.operating_point import BankAtStart
from simbank.simulation.result import Result

__all__ = ["Carrying", "carrying", "lasting_currents"]


@dataclass(frozen=True)
class Carrying:
    """One conductor.

    Attributes
    ----------
    name : str
        Of its branch.
    current_a : float
        Greatest current that it has to carry continuously [A].
    margin : float
        By which that is multiplied, as for a load that lasts.
    ampacity_a : float or None
        What it may carry [A]; None where there is no table for it.
    device_a : float
        What devices let pass through it continuously [A], infinite if none limits it.
    words : str
        Gauge, ampacity and what that rests on, or what to look up.
    """

    name: str
    current_a: float
    margin: float
    ampacity_a: float | None
    device_a: float
    words: str

    @property
    def carries(self) -> bool | None:
        """Whether its ampacity is at least the current with the margin; None where the ampacity is not known."""
        return None if self.ampacity_a is None else bool(self.ampacity_a >= self.margin * self.current_a)

    @property
    def protected(self) -> bool | None:
        """Whether no more can pass continuously than it may carry; None if no device limits it, or the ampacity is not known."""
        return None if self.ampacity_a is None or not np.isfinite(self.device_a) else bool(self.ampacity_a >= self.device_a)

    @property
    def load_text(self) -> str:
        """What it has to carry, and what it may, in words."""
        more = f", × {self.margin:g} for a load that lasts = {self.margin * self.current_a:.0f} A" if self.margin != 1.0 else ""
        return f"{self.current_a:.0f} A flow in {self.name}{more}; {self.words}"

    @property
    def device_text(self) -> str:
        """What devices let pass through it, and what it may carry, in words."""
        if not np.isfinite(self.device_a):
            return f"no device in the file limits the current in {self.name}"
        return f"the devices in the file let {self.device_a:.0f} A pass for good in {self.name}; {self.words}"

    @property
    def strain(self) -> float:
        """How much of its ampacity is asked, by load or by devices; infinite where the ampacity is not known."""
        if self.ampacity_a is None:
            return np.inf
        device = self.device_a if np.isfinite(self.device_a) else 0.0
        return max(self.margin * self.current_a, device) / max(self.ampacity_a, 1e-9)


def lasting_currents(bank: Bank, loads: Mapping[str, Any], result: Result) -> dict[str, float]:
    """Greatest current of every branch [A]: at full load as the packs stand at the start, and in a run.

    Parameters
    ----------
    bank : Bank
        Packs as at the start.
    loads : dict
        Of :func:`simbank.studies.protection.full_load.full_loads`: the step of the duty with the largest total, and inverters at
        their rated power and lowest input voltage.
    result : Result
        Of a run of that bank.

    Returns
    -------
    dict of str to float
        Branch → current [A].
    """
    at_start = BankAtStart(bank)
    most, _ = result.branch_extremes
    for commands in loads.values():
        most = np.maximum(most, np.abs(at_start.solve_operating_point(commands).branch_a))
    return {branch.name: float(amperes) for branch, amperes in zip(bank.graph.branches, most, strict=True)}


def carrying(branch: Branch, current_a: float, device_a: float, ambient_k: float, margin: float) -> Carrying:
    """:class:`Carrying` of a conductor; where its insulation is not given, by the column of the lowest temperature."""
    conductor = branch.conductor
    assumed = conductor is not None and conductor.gauge is not None and conductor.insulation is None
    if assumed:
        conductor = replace(conductor, insulation=lowest_insulation(conductor.gauge))
    ampacity, words = conductor_ampacity(conductor, ambient_k)
    if ampacity is None:
        words = f"what it may carry is not known: {words}"
    elif conductor.ampacity_a is not None:
        words = f"its ampacity is given as {ampacity:.0f} A"
    else:
        degrees = INSULATIONS[conductor.insulation].continuous_c
        kind = f"{degrees:.0f} °C insulation" + (" (none is given)" if assumed else "")
        together = f", {conductor.loaded} loaded together" if conductor.loaded > 3 else ""
        ambient_c = ambient_k - 273.15
        at = credited_ambient_c(ambient_c)
        colder = f" (nothing is added for the {ambient_c:.0f} °C of the file)" if at > ambient_c else ""
        first = below_table(conductor.gauge)
        by_area = f" (by its area: the table begins at {first})" if first else ""
        words = f"{conductor.gauge.label} carries {ampacity:.0f} A at {kind}, {at:.0f} °C around it{by_area}{together}{colder}"
    return Carrying(branch.name, float(current_a), margin, ampacity, float(device_a), words)

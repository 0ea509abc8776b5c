"""Laws of ageing: how fast a cell loses capacity at a temperature, state of charge and C-rate, as pure functions.

Every term of a law is q = k x^p at constant conditions: q the loss, a fraction of the capacity as new, x the time or the charge that it
counts, k its coefficient. Where conditions change, the differential form dq/dx = p k^(1/p) q^(1 − 1/p) goes on from the loss that there is,
whatever it came of. With the *age* a = q^(1/p) it is da/dx = k^(1/p): ages add up, and two conditions in turn give
q = (k₁^(1/p) x₁ + k₂^(1/p) x₂)^p. Charge counts as that of a cell as large as the one that the law was fitted to.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

import numpy as np
from scipy.constants import physical_constants

from simbank.cells.ageing_file import GAS_CONSTANT, AgeingFile, FittedTable, RateTable, SOCTable, TermTable
from simbank.distributions import Draw
from simbank.errors import InputError
from simbank.filemodel import check, nearest, read_toml

__all__ = ["AgeingLaw", "Term", "ageing_laws", "load_law"]

FOLDER = Path(__file__).parent / "library" / "ageing"
FARADAY = physical_constants["Faraday constant"][0]  # [C/mol]
KELVIN = 273.15
UNIT_S = {"s": 1.0, "h": 3600.0}
LEAST_C_RATE = 1e-3  # charge that flows slower than this, such as to even out or to a BMS, is none of cycling; chosen here


@dataclass(frozen=True, eq=False)
class Term:
    """One cause of loss.

    Attributes
    ----------
    name, title : str
    counts : {"time", "throughput", "discharge", "charge"}
        What it counts: time; or charge both ways, delivered, or taken.
    unit : {"s", "h", "Ah"}
    exponent : float
        p of q = k x^p.
    coefficient : callable
        k at (temperature [K], state of charge, C-rate without its sign); arrays that broadcast; in 1 / unit^p.
    """

    name: str
    title: str
    counts: str
    unit: str
    exponent: float
    coefficient: Callable[..., np.ndarray]

    def ageing(self, temperature_k, soc, c_rate) -> np.ndarray:
        """da/dx = k^(1/p), how fast the age grows [1/unit]."""
        return self.coefficient(temperature_k, soc, c_rate) ** (1.0 / self.exponent)

    def slope(self, loss, temperature_k, soc, c_rate) -> np.ndarray:
        """dq/dx = p k^(1/p) q^(1 − 1/p) [1/unit], from the loss q that there is; without bound at q = 0 where p < 1."""
        power = 1.0 - 1.0 / self.exponent
        with np.errstate(divide="ignore"):
            return self.exponent * self.ageing(temperature_k, soc, c_rate) * np.asarray(loss, float) ** power

    def loss(self, age) -> np.ndarray:
        """q = a^p, a fraction of the capacity as new."""
        return np.asarray(age, float) ** self.exponent

    def age(self, loss) -> np.ndarray:
        """a = q^(1/p)."""
        return np.asarray(loss, float) ** (1.0 / self.exponent)

    def counted_per_second(self, c_rate, capacity_ah: float) -> np.ndarray:
        """dx/dt [unit/s] at a C-rate, positive for discharge, of a cell of that capacity [Ah]."""
        c_rate = np.asarray(c_rate, float)
        if self.counts == "time":
            return np.full(c_rate.shape, 1.0 / UNIT_S[self.unit])
        moved = {"throughput": np.abs(c_rate), "discharge": np.maximum(c_rate, 0.0), "charge": np.maximum(-c_rate, 0.0)}
        flow = moved[self.counts]
        return np.where(flow >= LEAST_C_RATE, flow, 0.0) * capacity_ah / 3600.0


@dataclass(frozen=True, eq=False)
class AgeingLaw:
    """Terms that add up, and what they were fitted to.

    Attributes
    ----------
    name, title, source, licence, cell : str
    capacities_ah : tuple of float
        Of each term: capacity of the cell that it was fitted to [Ah].
    terms : tuple of Term
    fitted : dict of str to FittedTable
        Conditions, by the name of each law that is part of it.
    leaves_out : str
        What it knows nothing of.
    families, chemistries : tuple of str
        Families of cells that it may stand for, and the library's chemistries of the kind that it was fitted to.
    scatter : Draw
        Factor of the loss of cells of other makes.
    """

    name: str
    title: str
    source: str
    licence: str
    cell: str
    capacities_ah: tuple[float, ...]
    terms: tuple[Term, ...]
    fitted: dict[str, FittedTable]
    leaves_out: str
    families: tuple[str, ...]
    chemistries: tuple[str, ...]
    scatter: Draw
    notes: dict[str, str] = field(default_factory=dict)

    def rates(self, temperature_k, soc, c_rate, charge_factor=1.0) -> np.ndarray:
        """How fast the age of each term grows [1/s].

        Parameters
        ----------
        temperature_k, soc, c_rate : ndarray, shapes that broadcast to (...)
            Temperature [K], state of charge, C-rate by the capacity as new, positive for discharge.
        charge_factor : ndarray, optional
            By what the charge that flows is multiplied, where samples are known to hold a little less or more than did flow.

        Returns
        -------
        ndarray, shape (terms, ...)
        """
        temperature_k, soc, c_rate = np.broadcast_arrays(*(np.asarray(v, float) for v in (temperature_k, soc, c_rate)))
        pairs = zip(self.terms, self.capacities_ah, strict=True)
        return np.stack(
            [
                term.ageing(temperature_k, soc, np.abs(c_rate))
                * term.counted_per_second(c_rate, capacity)
                * (1.0 if term.counts == "time" else charge_factor)
                for term, capacity in pairs
            ]
        )

    def losses(self, ages) -> np.ndarray:
        """Loss of each term, fractions of the capacity as new, of ages of shape (terms, ...)."""
        return np.stack([term.loss(age) for term, age in zip(self.terms, ages, strict=True)])

    def outside(self, temperature_c, soc, c_rate, moving) -> dict[str, float]:
        """Share of the time spent outside the conditions that it was fitted for, by words for the condition; none where it is never.

        Parameters
        ----------
        temperature_c, soc, c_rate : ndarray, shape (m,)
            Equal stretches of time; the C-rate without its sign.
        moving : ndarray of bool, shape (m,)
            When current flows; slower than the slowest rate of the law counts as outside only then.
        """
        found = {}
        for name, limits in self.fitted.items():
            slow = np.where(moving, c_rate, limits.c_rate[0])
            for what, unit, value, beyond in (
                ("colder than", "°C", -np.asarray(temperature_c), -limits.celsius[0]),
                ("warmer than", "°C", temperature_c, limits.celsius[1]),
                ("slower than", "C", -slow, -limits.c_rate[0]),
                ("faster than", "C", c_rate, limits.c_rate[1]),
            ):
                share = float(np.mean(np.asarray(value) > beyond + 1e-9))
                if share > 0:
                    found[f"{name}: {what} {abs(beyond):g} {unit}"] = share
        return found


def ageing_laws() -> list[str]:
    """Names of the shipped laws: a file in ``cells/library/ageing`` is one of them.

    >>> ageing_laws()
    ['naumann', 'schimpe', 'wang']
    """
    return sorted(path.stem for path in FOLDER.glob("*.toml"))


@cache
def load_law(name: str) -> AgeingLaw:
    """A law by its name, or several joined by "+", whose terms add up ("naumann+wang": storage by one, cycling by the other).

    Raises
    ------
    InputError
        If there is no such law, or two that are joined count the same.

    Examples
    --------
    A year at 25 °C and half charge:

    >>> term = load_law("naumann").terms[0]
    >>> round(100 * float(term.coefficient(298.15, 0.5, 0.0) * (365 * 86400) ** 0.5), 3)
    4.252
    """
    files = [_file(part.strip()) for part in name.split("+")]
    terms = [(term, file) for file in files for term in file.terms]
    if len({term.name for term, _ in terms}) < len(terms):
        raise InputError("both have a term of the same name; join laws that count different things", key="law", value=name)
    return AgeingLaw(
        name=name,
        title="; ".join(file.title for file in files),
        source=" ".join(" ".join(file.source.split()) for file in files),
        licence="; ".join(dict.fromkeys(file.licence for file in files)),
        cell="; ".join(dict.fromkeys(file.cell for file in files)),
        capacities_ah=tuple(file.cell_capacity for _, file in terms),
        terms=tuple(Term(t.name, t.title, t.counts, t.unit, t.exponent, _coefficient(t)) for t, _ in terms),
        fitted={file.name: file.fitted for file in files},
        leaves_out="" if len(files) > 1 else files[0].leaves_out,
        families=tuple(f for f in files[0].families if all(f in file.families for file in files)),
        chemistries=tuple(c for c in files[0].chemistries if all(c in file.chemistries for file in files)),
        scatter=files[0].scatter.draw,
        notes={file.name: " ".join(file.source.split()) for file in files},
    )


def _file(name) -> AgeingFile:
    if name not in ageing_laws():
        raise InputError(f"unknown ageing law; {nearest(name, ageing_laws())}", key="law", value=name)
    return check(AgeingFile, read_toml(FOLDER / f"{name}.toml"), file=FOLDER / f"{name}.toml")


def _coefficient(term: TermTable):
    """k of a term as a function of temperature [K], state of charge and C-rate."""
    inverse_reference = 0.0 if term.reference_temperature is None else 1.0 / term.reference_temperature
    by_soc, by_rate = _by_soc(term.soc), _by_rate(term.rate)

    def coefficient(temperature_k, soc, c_rate):
        factor, energy = by_rate(np.asarray(c_rate, float))
        heat = np.exp(-(term.activation_energy - energy) / GAS_CONSTANT * (1.0 / np.asarray(temperature_k) - inverse_reference))
        return term.factor * heat * factor * by_soc(np.asarray(soc, float))

    return coefficient


def _by_soc(table: SOCTable | None):
    """Factor of a term over state of charge; beyond full and empty that of full and empty."""
    if table is None:
        return np.ones_like
    if table.form == "from":
        return lambda soc: (soc >= table.soc).astype(float)
    if table.form == "cubic":
        return lambda soc: table.cubic * (np.clip(soc, 0.0, 1.0) - 0.5) ** 3 + table.constant
    scale = table.alpha * FARADAY / (GAS_CONSTANT * (25.0 + KELVIN))

    def graphite(soc):
        lithium = table.empty + np.clip(soc, 0.0, 1.0) * (table.full - table.empty)
        return np.exp(scale * (table.reference_volt - graphite_volt(lithium))) + table.constant

    return graphite


def graphite_volt(lithium) -> np.ndarray:
    """Potential of graphite against lithium [V] over its lithium content x, as Schimpe et al. 2018 have it, after Safari and Delacourt.

    >>> [round(float(graphite_volt(0.0085 + z * 0.7715)), 4) for z in (0.0, 0.5, 1.0)]
    [0.6844, 0.1233, 0.0864]
    """
    x = np.asarray(lithium, float)
    return (
        0.6379 + 0.5416 * np.exp(-305.5309 * x) + 0.044 * np.tanh(-(x - 0.1958) / 0.1088) - 0.1978 * np.tanh((x - 1.0571) / 0.0854)
        - 0.6875 * np.tanh((x + 0.0117) / 0.0529) - 0.0175 * np.tanh((x - 0.5692) / 0.0875)
    )  # fmt: skip


def _by_rate(table: RateTable | None):
    """Factor of a term, and what takes from its activation energy [J/mol], over the C-rate."""
    if table is None:
        return lambda c_rate: (1.0, 0.0)
    if table.form == "exponential":
        return lambda c_rate: (np.exp(table.hours * (c_rate - table.c_rate)), 0.0)
    rates, logarithms = np.asarray(table.c_rate), np.log(table.factor)

    def from_table(c_rate):
        within = np.clip(c_rate, rates[0], rates[-1])
        return np.exp(np.interp(within, rates, logarithms)), table.energy_per_c_rate * within

    return from_table

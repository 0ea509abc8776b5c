"""What a window does to each pack: how fast every term of every law grows, and what a person would ask of it: charge, heat, rate, throughput."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from simbank.bank import Pack
from simbank.cells.ageing_laws import LEAST_C_RATE, AgeingLaw
from simbank.simulation import Result
from simbank.simulation.pack_model import KELVIN
from simbank.studies.ageing.seasons import YEAR_S

__all__ = ["HISTOGRAMS", "Stress", "mean_stress", "stress_of"]

COLD_C = 10.0  # charge taken below it is told as taken in the cold; chosen here
COLD_SIDE_C = 25.0  # cells that take no charge at a temperature below this are too cold for it, not too warm
FROZEN = ("frozen_charge_h", "frozen_charge_ah")
HISTOGRAMS = {  # what, and its classes
    "soc": np.linspace(0.0, 1.0, 11),
    "temperature_c": np.arange(-40.0, 85.0, 5.0),
    "c_rate": np.array([0.0, LEAST_C_RATE, 0.05, 0.1, 0.2, 0.3, 0.5, 1.0, 2.0, 100.0]),
}


@dataclass(frozen=True, eq=False)
class Stress:
    """Means over time, for n packs.

    Attributes
    ----------
    rates : ndarray, shape (terms of all laws, n)
        How fast each age grows [1/s].
    figures : dict of str to ndarray, shape (n,)
        ``soc``, ``temperature_c``, ``c_rate_rms``; a year's ``throughput_ah``, ``charge_ah`` and ``cold_charge_ah`` [Ah];
        and, for how long and how much in a year its cells were charged so cold that they take no charge, ``frozen_charge_h`` [h] and
        ``frozen_charge_ah`` [Ah].
    ports : dict of str to float
        A year's ``asked_wh`` and ``unmet_wh`` [Wh].
    shares : dict of str to ndarray, shape (classes, n)
        Share of the time in each class of ``HISTOGRAMS``.
    outside : dict of str to float
        Share of the packs' time outside the conditions that a law was fitted for, by words for the condition.
    """

    rates: np.ndarray
    figures: dict[str, np.ndarray]
    ports: dict[str, float]
    shares: dict[str, np.ndarray]
    outside: dict[str, float] = field(default_factory=dict)

    def beside(self, first: Stress, whole: Stress) -> Stress:
        """What ``whole`` would be by now, where windows that showed ``first`` when it was run now show this.

        Rates change in proportion, the rest by the difference.
        """
        with np.errstate(divide="ignore", invalid="ignore"):
            rates = np.where(first.rates > 0, whole.rates * self.rates / first.rates, whole.rates + self.rates - first.rates)
        figures = {key: whole.figures[key] + self.figures[key] - first.figures[key] for key in whole.figures}
        for key in FROZEN:  # the coldest day may be in the windows only: a danger is not taken away by what stands for the mean
            figures[key] = np.where(figures[key] > 0.0, figures[key], self.figures[key])
        ports = {key: max(0.0, whole.ports[key] + self.ports[key] - first.ports[key]) for key in whole.ports}
        return Stress(rates, figures, ports, whole.shares, whole.outside)


def stress_of(result: Result, packs: Sequence[Pack], laws: Sequence[AgeingLaw]) -> Stress:
    """What a run does to its packs.

    Parameters
    ----------
    result : Result
        Of a window.
    packs : sequence of Pack
        Its packs, n of them.
    laws : sequence of AgeingLaw
        The C-rate that they ask for is by the capacity as new.
    """
    samples, summary = result.pack_samples, result.summary
    seconds = samples.time_s[-1] - samples.time_s[0]
    weight = np.gradient(samples.time_s) if len(samples.time_s) > 1 else np.ones(1)
    weight[[0, -1]] *= 0.5 if len(weight) > 1 else 1.0  # trapezoids
    weight /= weight.sum()
    rated = np.array([pack.rated_capacity_ah for pack in packs])
    soc, celsius, c_rate = samples.soc, samples.temperature_c, samples.current_a / rated
    hours, a_year = seconds / 3600.0, YEAR_S / seconds
    given, taken, scale = _charges(c_rate, weight, hours, rated, summary)
    rates = []
    for law in laws:
        grown = np.einsum("m,tmn->tn", weight, law.rates(celsius + KELVIN, soc, c_rate, scale))
        rates.append(grown)
    into = np.maximum(-c_rate * scale, 0.0)
    frozen = (-c_rate >= LEAST_C_RATE) & _too_cold(celsius, packs)
    figures = {
        "soc": weight @ soc,
        "temperature_c": weight @ celsius,
        "c_rate_rms": np.sqrt(weight @ c_rate**2),
        "throughput_ah": (given + taken) * a_year,
        "charge_ah": taken * a_year,
        "cold_charge_ah": (weight @ (into * (celsius < COLD_C))) * hours * rated * a_year,
        "frozen_charge_h": (weight @ frozen.astype(float)) * hours * a_year,
        "frozen_charge_ah": (weight @ (into * frozen)) * hours * rated * a_year,
    }
    ports = {"asked_wh": 0.0, "unmet_wh": 0.0}
    for port in summary["ports"]:
        kind = "ac_" if port["ac_asked_wh"] > 0 else ""
        ports["asked_wh"] += port[f"{kind}asked_wh"] * a_year
        ports["unmet_wh"] += port[f"{kind}unmet_wh"] * a_year
    values = {"soc": np.clip(soc, 0.0, 1.0), "temperature_c": celsius, "c_rate": np.abs(c_rate)}
    shares = {
        what: np.stack([np.histogram(values[what][:, j], edges, weights=weight)[0] for j in range(len(packs))], axis=1)
        for what, edges in HISTOGRAMS.items()
    }
    outside = {}
    moving = np.abs(c_rate) >= LEAST_C_RATE
    for law in laws[:1]:
        for j in range(len(packs)):
            for what, share in law.outside(celsius[:, j], soc[:, j], np.abs(c_rate[:, j]), moving[:, j]).items():
                outside[what] = outside.get(what, 0.0) + share / len(packs)
    return Stress(np.concatenate(rates), figures, ports, shares, outside)


def _too_cold(celsius, packs):
    """Where the cells of each pack are so cold that they take no charge, shape (m, n)."""
    take = np.stack([np.asarray(pack.chemistry.charge_rate(celsius[:, j]), float) for j, pack in enumerate(packs)], axis=1)
    return (take <= 0.0) & (celsius < COLD_SIDE_C)


def _charges(c_rate, weight, hours, rated, summary):
    """Charge given and taken by each pack [Ah], and by what samples are scaled, both ways, so that they hold that charge exactly."""
    sampled_out = (weight @ np.maximum(c_rate, 0.0)) * hours * rated
    sampled_in = (weight @ np.maximum(-c_rate, 0.0)) * hours * rated
    rows = summary["packs"]
    through = np.array([row["throughput_ah"] for row in rows])
    net = np.array(
        [(row["soc_start"] - row["soc_end"]) * row["capacity_ah"] - (row["own_draw_ah"] or 0.0) for row in rows], float
    )
    given, taken = np.maximum((through + net) / 2.0, 0.0), np.maximum((through - net) / 2.0, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        out = np.where(sampled_out > 1e-9, given / sampled_out, 1.0)
        into = np.where(sampled_in > 1e-9, taken / sampled_in, 1.0)
    return given, taken, np.where(c_rate > 0, out, into)


def mean_stress(parts: Sequence[tuple[float, Stress]]) -> Stress:
    """Several windows together, each with its share of the year."""
    total = sum(share for share, _ in parts)
    shares = [(share / total, part) for share, part in parts]

    def mean(of):
        return sum(share * of(part) for share, part in shares)

    first = parts[0][1]
    words = dict.fromkeys(word for _, part in shares for word in part.outside)
    figures = {key: mean(lambda part, key=key: part.figures[key]) for key in first.figures}
    figures["c_rate_rms"] = np.sqrt(mean(lambda part: part.figures["c_rate_rms"] ** 2))
    return Stress(
        mean(lambda part: part.rates),
        figures,
        {key: mean(lambda part, key=key: part.ports[key]) for key in first.ports},
        {key: mean(lambda part, key=key: part.shares[key]) for key in first.shares},
        {word: mean(lambda part, word=word: part.outside.get(word, 0.0)) for word in words},
    )

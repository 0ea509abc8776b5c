"""What rules judge a run by beyond its figures, as plain numbers: how near conductors and packs come to what they may carry, and the like."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from functools import lru_cache
from typing import Any

import numpy as np

from simbank.bank import Bank, Branch, Conductor
from simbank.bank.ampacity import conductor_ampacity, lowest_insulation
from simbank.bank.bank import Pack
from simbank.simulation import Result, simulate
from simbank.simulation.event_codes import Event
from simbank.studies.band_figures import STOPS, when_fullest
from simbank.studies.pack_limits import CELLS_TAKE, device_ratings, limits_of_pack

__all__ = [
    "BANK",
    "ENDS",
    "FREEZING_C",
    "LASTING_S",
    "RULE_FIGURES",
    "charged_frozen",
    "conductors",
    "lasting_rms_a",
    "near_ampacity",
    "nearest_limits",
    "rule_figures",
]

LASTING_S = 900.0  # a load that lasts is its root mean square over 15 min; common practice, no source
ENDS = (Event.CHARGE_ENDED, Event.FLOATS, Event.FLOATS_OFF, Event.STOPPED, Event.STOPPED_OFF)
FREEZING_C = 0.0
NEAR = 0.8  # of its ampacity at the largest current. Chosen here: it decides only how often draws are sampled, and no figure
BANK = "bank"  # where a figure is of no one pack or conductor
RULE_FIGURES = (
    (
        "lasting_of_ampacity", "",
        "root mean square over 15 min over what the conductor may carry; where its largest current, or the heat of the whole run, is no "
        "more than that, the lesser of these instead, which is not below it",
    ),
    ("peak_of_ampacity", "", "largest current over what the conductor may carry"),
    ("of_limit", "", "current of the pack over its nearest limit: BMS, device, what its cells take, what is usual"),
    ("of_limit_but_cells", "", "likewise, what its cells take of a charge left out"),
    ("charge_freezing_h", "h", "time for which the pack was charged below freezing, where its cells take no charge"),
    ("charge_too_fast_h", "h", "time for which the pack was charged faster than its cells allow at their temperature, above freezing"),
    ("display_error_points", "points", "largest distance of what its display shows from its state of charge"),
    ("charge_end_soc_percent", "%", "charge of the bank when a charge ended by itself, the least; empty where none did"),
    ("charged_percent", "%", "by how much the bank's charge rose above that at the start, at the most"),
    ("fullest_percent", "%", "charge of the fullest pack when the bank was at its fullest"),
    ("unmet_uncut_wh", "Wh", "energy asked at the port and not given although it never stopped; of alternating current where that is asked"),
    ("ports_apart_v", "V", "largest voltage between two ports while both carry current or are set"),
    ("ports_apart_s", "s", "longest time between two ports' cut-offs or ends of charge"),
)  # fmt: skip


def conductors(bank: Bank) -> list[Branch]:
    """What may be overloaded: branches with a conductor."""
    return [branch for branch in bank.graph.branches if branch.kind != "device" and branch.conductor is not None]


def rule_figures(result: Result, options: Mapping[str, Any] | None = None) -> dict[tuple[str, str], float | None]:
    """(conductor, pack or ``bank``, figure) → value of every figure of ``RULE_FIGURES``, of a finished run.

    Parameters
    ----------
    result : Result
        Whatever its samples.
    options : dict, optional
        As in :func:`simbank.simulate`. Where it hangs on the samples whether a conductor is overloaded, the scenario is run again with them
        and samples as dense as those of a run by itself.
    """
    return _of_conductors(result, options) | _of_packs(result) | _of_bank(result)


def lasting_rms_a(time_s: np.ndarray, current_a: np.ndarray) -> float:
    """Greatest root mean square over 15 min of a current [A] that is given at unequal times [s], held from one to the next.

    100 A for 15 min within an hour of rest, and for a minute:

    >>> time = np.arange(0.0, 3660.0, 60.0)
    >>> [round(lasting_rms_a(time, np.where(time < seconds, 100.0, 0.0)), 2) for seconds in (900.0, 60.0)]
    [100.0, 25.82]
    """
    square = np.concatenate([[0.0], np.cumsum(np.diff(time_s) * current_a[:-1] ** 2)])
    if len(time_s) < 2 or time_s[-1] <= LASTING_S:
        return float(np.sqrt(square[-1] / LASTING_S))
    ends = time_s[time_s >= LASTING_S + time_s[0]]
    taken = np.interp(ends, time_s, square) - np.interp(ends - LASTING_S, time_s, square)
    return float(np.sqrt(max(taken.max(), 0.0) / LASTING_S))


# ---- conductors ----


def ampacity_a(branch: Branch, ambient_k: float) -> float | None:
    """What a conductor may carry [A], where its insulation is not given by the column of the lowest temperature; None if not known."""
    part = branch.conductor
    return _ampacity_a(part.gauge, part.material, part.insulation, part.loaded, part.ampacity_a, ambient_k)


@lru_cache(maxsize=1024)  # the same in every bank that is drawn
def _ampacity_a(gauge, material, insulation, loaded, given, ambient_k):
    insulation = lowest_insulation(gauge) if gauge is not None and insulation is None else insulation
    part = Conductor(gauge, material=material, insulation=insulation, loaded=loaded, ampacity_a=given)
    return conductor_ampacity(part, ambient_k)[0]


def near_ampacity(found: Mapping[tuple[str, str], float | None]) -> bool:
    """Whether a conductor comes so near to what it may carry, by the figures of a run, that some draws may overload it."""
    return any(value > NEAR for (_, figure), value in found.items() if figure == "peak_of_ampacity")


def _of_conductors(result, options):
    bank, (peak_a, lost_j) = result.scenario.bank, result.branch_extremes
    if not len(peak_a):
        return {}
    place = {branch.name: k for k, branch in enumerate(bank.graph.branches)}
    found, doubtful = {}, {}
    for branch in conductors(bank):
        ampacity, k = ampacity_a(branch, bank.ambient_k), place[branch.name]
        if ampacity is None:
            continue
        peak, lasts = float(peak_a[k]) / ampacity, float(peak_a[k]) / ampacity
        if peak > 1.0:
            lasts = min(peak, float(np.sqrt(lost_j[k] / branch.resistance_ohm / LASTING_S)) / ampacity)
            if lasts > 1.0:
                doubtful[branch.name] = k, ampacity
        found |= {(branch.name, "lasting_of_ampacity"): lasts, (branch.name, "peak_of_ampacity"): peak}
    if doubtful:
        if options is not None:
            result = simulate(result.scenario, **options)
        times, currents = result.pack_samples.time_s, result.branch_samples
        for name, (k, ampacity) in doubtful.items():
            key = name, "lasting_of_ampacity"
            found[key] = min(found[key], lasting_rms_a(times, currents[:, k]) / ampacity)
    return found


# ---- packs ----


def nearest_limits(
    bank: Bank,
    rows: Sequence[Mapping[str, Any]],
    peaks: Sequence[tuple[float, float]],
    without_cells: Collection[str] = (),
) -> list[tuple[float, str, float, float, bool, Pack]]:
    """How near every pack comes to a limit of its own, charge and discharge each against its own limits.

    Parameters
    ----------
    bank : Bank
        As it was run.
    rows : sequence of dict
        Figures of every pack, of the run's summary.
    peaks : sequence of (float, float)
        Greatest current of every pack out and in [A].
    without_cells : collection of str
        Packs of which what their cells take of a charge does not count.

    Returns
    -------
    list of (float, str, float, float, bool, Pack)
        Current ÷ limit, the limit in words, current [A], limit [A], whether of charge, pack; of its nearest limit.
    """
    rating, out = device_ratings(bank), []
    for pack, row, peak in zip(bank.packs, rows, peaks, strict=True):
        limits = limits_of_pack(pack, rating.get(pack.name, np.inf), _coldest_c(bank, row), pack.name not in without_cells)
        of = [(peak[charge] / level, words, peak[charge], level, charge) for words, level, charge in limits]
        out.append((*max(of), pack))
    return out


def _coldest_c(bank, row):
    """Temperature at which a pack is charged [°C], above freezing: what is colder is told by rules of its own."""
    return bank.ambient_k - 273.15 if row["temperature_min_c"] is None else max(row["temperature_min_c"], FREEZING_C + 1)


def charged_frozen(pack: Pack, row: Mapping[str, Any]) -> bool:
    """Whether a pack, by its row of a run's summary, was so cold that its cells take no charge."""
    coldest = row["temperature_min_c"]
    return coldest < FREEZING_C and bool(pack.chemistry.charge_rate(coldest) <= 0)


def _of_packs(result):
    bank, rows, samples = result.scenario.bank, result.summary["packs"], result.pack_samples
    names, rating, found = [pack.name for pack in bank.packs], device_ratings(bank), {}
    for pack, row in zip(bank.packs, rows, strict=True):
        limits = limits_of_pack(pack, rating.get(pack.name, np.inf), _coldest_c(bank, row))
        peak = row["discharge_peak_a"], row["charge_peak_a"]
        of = [(peak[charge] / level, words.startswith(CELLS_TAKE)) for words, level, charge in limits]
        found[(pack.name, "of_limit")] = max(ratio for ratio, _ in of)
        found[(pack.name, "of_limit_but_cells")] = max((ratio for ratio, cells in of if not cells), default=0.0)
        frozen = row["charge_too_cold_h"] > 0.0 and charged_frozen(pack, row)
        for key, counts in (("charge_freezing_h", frozen), ("charge_too_fast_h", not frozen)):
            found[(pack.name, key)] = row["charge_too_cold_h"] if counts else 0.0
    if samples.displayed_soc is not None and len(samples.time_s):
        error = np.abs(samples.displayed_soc - samples.soc) * 100.0
        shown = ~np.isnan(error).all(axis=0)
        found |= {(names[k], "display_error_points"): float(np.nanmax(error[:, k])) for k in np.flatnonzero(shown)}
    return found


# ---- the bank ----


def _of_bank(result):
    rows, samples, ports = result.summary["packs"], result.pack_samples, result.summary["ports"]
    found = {(BANK, "charge_end_soc_percent"): None, (BANK, "charged_percent"): 0.0, (BANK, "fullest_percent"): None}
    if len(samples.time_s):
        capacity = np.array([row["capacity_ah"] for row in rows])
        share = samples.soc @ capacity / capacity.sum()
        total = 100.0 * share
        found[(BANK, "charged_percent")] = float(total.max() - total[0])
        found[(BANK, "fullest_percent")] = 100.0 * float(samples.soc[when_fullest(share)].max())
        ends = [row.time_s for row in result.event_rows if row.event in ENDS]
        if ends:
            found[(BANK, "charge_end_soc_percent")] = float(np.interp(ends, samples.time_s, total).min())
    stopped = {row.where for row in result.event_rows if row.event in STOPS}
    for port in ports:
        unmet = port["ac_unmet_wh"] if port["ac_asked_wh"] > 0 else port["unmet_wh"]
        found[(port["name"], "unmet_uncut_wh")] = 0.0 if port["name"] in stopped else unmet
    for pair in result.summary["pairs"]:
        name, keys = ", ".join(pair["ports"]), ("between_cutoffs_s", "between_ends_of_charge_s")
        found |= {
            (name, "ports_apart_v"): pair["voltage_apart_max_v"],
            (name, "ports_apart_s"): max(abs(pair[key] or 0.0) for key in keys),
        }
    return found

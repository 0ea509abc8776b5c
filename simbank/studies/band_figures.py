"""The figures of a run of which bands are given: of the bank, of each pack, and which pack is concerned."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from simbank.simulation.event_codes import Event
from simbank.studies.figures import FIGURES, headline

__all__ = [
    "BANK_FIGURES",
    "NAMING",
    "NEVER_IS_LATER",
    "PACK_FIGURES",
    "QUANTILES",
    "SEEN",
    "STOPS",
    "USUAL",
    "WORDS",
    "Figures",
    "bank_figures",
    "figures_over_time",
    "pack_figures",
    "when_fullest",
]

QUANTILES = {"low": 0.05, "mid": 0.5, "high": 0.95}  # of a band
AS_FULL = 1e-4  # of the bank's capacity: ten times what bands' tolerance errs by in a day, less than any figure shows
Figures = Sequence[tuple[str, str, str]]  # name, unit and meaning of each
NAMING = ("hardest_pack", "first_full_pack", "first_empty_pack")  # whose value is the name of a pack
BANK_FIGURES = (
    *(row for row in FIGURES if row[0] not in NAMING),
    ("first_full_h", "h", "when the first pack is full: at 99 %, or its charge is blocked at a cell limit"),
    ("first_empty_h", "h", "when the first pack is empty: at 1 %, or its discharge is blocked at a cell limit"),
    ("first_cutoff_h", "h", "when a port is first cut off or cannot give the power asked"),
    ("unmet_wh", "Wh", "energy that was asked of the bank and not given"),
    ("ac_unmet_wh", "Wh", "alternating-current energy that was asked of inverters and not given"),
    ("curtailed_wh", "Wh", "energy that was offered to the bank and not taken"),
    ("unfilled_percent", "%", "of the bank's capacity, what packs lacked of the fullest when the bank was at its fullest"),
    (
        "left_percent",
        "%",
        "of the bank's capacity, the most that stood above the emptiest pack when a port stopped; 0 where none did",
    ),
    ("cutoff_soc_percent", "%", "charge of the bank when a port first stopped; its lowest charge where none did"),
)
PACK_FIGURES = (
    ("soc_end", "", "state of charge at the end, 0 to 1"),
    ("soc_min", "", "lowest state of charge"),
    ("soc_max", "", "highest state of charge"),
    ("share_ratio_discharge", "", "its part of the charge given while the bank discharges, over its part of the capacity"),
    ("share_ratio_charge", "", "its part of the charge taken while the bank charges, over its part of the capacity"),
    ("throughput_ah", "Ah", "charge in and out"),
    ("current_peak_a", "A", "largest current, either way"),
    ("c_rate_peak", "1/h", "that over its capacity"),
    ("temperature_max_c", "°C", "highest temperature"),
    ("first_full_h", "h", "when it is first full"),
    ("first_empty_h", "h", "when it is first empty"),
)
STOPS = (Event.CUT_OFF, Event.NO_PACK, Event.TOO_MUCH_POWER)  # of a port
OVER_TIME = ("unfilled_percent", "left_percent", "cutoff_soc_percent")
NEVER_IS_LATER = tuple(name for name, unit, _ in (*BANK_FIGURES, *PACK_FIGURES) if name.startswith("first_") and unit == "h")
# Those that a person looks at first.
USUAL = (
    "spread_max_points", "spread_end_points", "share_ratio_max", "c_rate_max", "first_full_h", "first_empty_h", "first_cutoff_h",
    "conductor_loss_wh", "port_voltage_min_v",
)  # fmt: skip
# What differs by less reads the same in a table and counts as equal, by unit.
SEEN = {"points": 0.05, "Wh": 0.5, "Ah": 0.05, "V": 0.005, "h": 1.0 / 60.0, "1/h": 0.0005, "": 0.0005}
# What a person calls a figure, with the unit in which tables show it.
WORDS = {
    "spread_max_points": "largest spread [points]", "spread_end_points": "spread at the end [points]",
    "share_ratio_max": "largest share ratio", "share_ratio_min": "smallest share ratio", "c_rate_max": "peak C-rate of a pack",
    "throughput_ah": "charge in and out of packs [Ah]", "charge_out_ah": "charge out [Ah]", "energy_out_wh": "energy out [Wh]",
    "energy_in_wh": "energy in [Wh]", "conductor_loss_wh": "lost in cable [Wh]", "pack_loss_wh": "lost in packs [Wh]",
    "port_voltage_min_v": "lowest port voltage [V]", "port_voltage_max_v": "highest port voltage [V]",
    "first_full_h": "first pack full at", "first_empty_h": "first pack empty at", "first_cutoff_h": "first cut-off at",
    "unmet_wh": "load not met [Wh]", "ac_unmet_wh": "AC load not met [Wh]", "curtailed_wh": "charge not taken [Wh]",
    "unfilled_percent": "left unfilled [% of the bank]", "left_percent": "left in packs at a cut-off [% of the bank]",
    "cutoff_soc_percent": "bank at the first cut-off, or lowest [%]",
    "usable_percent": "usable energy, of the packs' own [%]", "alone_wh": "energy of the packs each on its own [Wh]",
    "share_ratio": "largest share ratio", "spread_points": "largest spread [points]", "drop_percent": "largest drop [%]",
    "hardest_pack": "hardest worked pack", "first_full_pack": "first pack full", "first_empty_pack": "first pack empty",
}  # fmt: skip


def bank_figures(summary: Mapping[str, Any]) -> dict[str, Any]:
    """Figures of the bank, and the packs that they name, from a run's summary; None for what did not happen.

    Returns
    -------
    dict
        The keys of ``BANK_FIGURES``, but those of ``OVER_TIME``, and ``NAMING``.
    """
    packs, ports = summary["packs"], summary["ports"]
    found = headline(summary)
    for what in ("full", "empty"):
        reached = [(pack[f"first_{what}_h"], k) for k, pack in enumerate(packs) if pack[f"first_{what}_h"] is not None]
        hours, first = min(reached, default=(None, None))
        found |= {f"first_{what}_h": hours, f"first_{what}_pack": None if first is None else packs[first]["name"]}
    cut_off = [port["first_cutoff_h"] for port in ports if port["first_cutoff_h"] is not None]
    sums = {key: round(sum(port[key] for port in ports), 6) + 0.0 for key in ("unmet_wh", "ac_unmet_wh", "curtailed_wh")}
    found |= {"first_cutoff_h": min(cut_off, default=None)} | sums
    return {key: found[key] for key in (*(name for name, _, _ in BANK_FIGURES if name not in OVER_TIME), *NAMING)}


def when_fullest(charge: np.ndarray) -> int:
    """Place of the first sample at which a bank holds as much as at any time, to 0.01 %: it holds as much all through a rest after a charge.

    >>> when_fullest(np.array([0.3, 0.9, 0.9 + 1e-6]))
    1
    """
    return int(np.argmax(charge >= charge.max() - AS_FULL))


def figures_over_time(time_s: np.ndarray, soc: np.ndarray, summary: Mapping[str, Any]) -> dict[str, float]:
    """The figures of ``OVER_TIME``, which need states of charge at some times.

    Parameters
    ----------
    time_s : ndarray, shape (times,)
        [s]
    soc : ndarray, shape (times, packs)
        0 to 1.
    summary : dict
        Of the run.

    Examples
    --------
    Two packs of 100 Ah, of which one is full at the end and the other at 80 %:

    >>> packs = [{"capacity_ah": 100.0}, {"capacity_ah": 100.0}]
    >>> soc = np.array([[0.5, 0.5], [1.0, 0.8]])
    >>> figures_over_time(np.array([0.0, 1.0]), soc, {"packs": packs, "events": []})["unfilled_percent"]
    10.0
    """
    share = np.array([pack["capacity_ah"] for pack in summary["packs"]])
    share = share / share.sum()
    most = soc[when_fullest(soc @ share)]
    found = {
        "unfilled_percent": round(100.0 * float((most.max() - most) @ share), 9), "left_percent": 0.0,
        "cutoff_soc_percent": 100.0 * float((soc @ share).min()),
    }  # fmt: skip
    stops = [row["time_s"] for row in summary["events"] if row["code"] in STOPS]
    if stops:
        then = np.array([np.interp(stops, time_s, column) for column in soc.T]).T
        found["left_percent"] = 100.0 * float(((then - then.min(axis=1, keepdims=True)) @ share).max())
        found["cutoff_soc_percent"] = 100.0 * float(then[0] @ share)
    return found


def pack_figures(summary: Mapping[str, Any]) -> dict[tuple[str, str], Any]:
    """(pack, figure) → value of every figure of ``PACK_FIGURES``, from a run's summary; None for what did not happen."""
    return {(pack["name"], name): pack[name] for pack in summary["packs"] for name, _, _ in PACK_FIGURES}

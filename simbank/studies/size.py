"""The smallest gauge and simplest layout that keep a bank within limits and carry its current, and why each smaller one does not."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from simbank.bank.ampacity import AMPACITY_60_75_90
from simbank.bank.conductors import IEC_60228_OHM_PER_KM, parse_gauge
from simbank.bank.layouts import LAYOUTS
from simbank.errors import InputError, SimulationError
from simbank.scenario import with_changes
from simbank.simulation import simulate
from simbank.simulation.run_warnings import TRIPPED
from simbank.studies.carrying import carrying, lasting_currents
from simbank.studies.described import bank_warnings
from simbank.studies.protection import Assumptions
from simbank.studies.protection.breaking import Breaking
from simbank.studies.protection.conductor_checks import carried_limits
from simbank.studies.protection.faults import greatest_faults
from simbank.studies.protection.full_load import full_loads, start_voltage_warnings
from simbank.studies.usable import usable
from simbank.warning import BankWarning

__all__ = ["GAUGES", "SIMPLEST_FIRST", "Limits", "Sizing", "size"]

# From fewest parts to most; what each joins its packs with.
SIMPLEST_FIRST = {kind.name: kind.part for kind in sorted(LAYOUTS.values(), key=lambda kind: kind.order)}
GAUGES = {
    "awg": [gauge for gauge in AMPACITY_60_75_90 if gauge not in ("14 AWG", "12 AWG", "3 AWG", "1 AWG")],
    "mm2": [f"{size} mm2" for size in IEC_60228_OHM_PER_KM["copper", "flexible"]],
}


OUTPUT_STEP_S = 120.0


@dataclass(frozen=True)
class Limits:
    """What a bank must keep to beside ampacity and protection; None is no limit.

    Attributes
    ----------
    share_ratio : float
        Largest share ratio of any pack, on discharge and on charge.
    spread_points : float
        Largest spread of state of charge [points].
    drop_percent : float
        Largest drop from any pack's poles to a port that carries current [% of the port's voltage].
    usable_percent : float
        Least energy delivered from full to cut-off, of what the packs would deliver each on its own [%].
    """

    share_ratio: float | None = None
    spread_points: float | None = None
    drop_percent: float | None = None
    usable_percent: float | None = None

    @property
    def any(self):
        """Whether there is one."""
        return any(value is not None for value in vars(self).values())


@dataclass(eq=False)
class Sizing:
    """What :func:`size` found.

    Attributes
    ----------
    table : DataFrame
        One row per layout and gauge: figures, ``copper_kg``, ``price``, ``fits``, ``why_not``, ``pareto`` (no other that may be
        bought is at once lighter and shares better). Of the conductor of this gauge that is nearest to what it may carry, or
        farthest over it: ``conductor``, ``current_a``, ``ampacity_a``, ``carries``, ``device_a`` (what devices let pass for good,
        missing if none limits it), ``protected`` (missing likewise), ``why`` (all of that in words).
    best : dict or None
        The row chosen: the simplest layout of which any gauge fits, in its smallest gauge that fits.
    by_layout : dict
        The smallest gauge that fits, by layout.
    warnings : list of BankWarning
        What must be known of the bank as the file has it before any of the figures, and of the sizes found.
    sharing_only : bool
        Whether ampacity and protection were left out.
    """

    limits: Limits
    table: pd.DataFrame
    best: dict | None
    by_layout: dict
    warnings: list = field(default_factory=list)
    sharing_only: bool = False

    @property
    def looked_at(self):
        """What the sizes were held against, and what not, in one or two sentences."""
        if self.sharing_only:
            return (
                "SHARING ONLY: ampacity and protection were not looked at. A size in this list may burn: hold each against its "
                "ampacity and its devices before anything is bought (leave --sharing-only out, and simbank protect)."
            )
        none = (
            ""
            if self.limits.any
            else "No limit was set on share ratio, spread, drop or usable energy: none of them rules a size out. "
        )
        return (
            f"{none}Ampacity: by NFPA 70 table 310.16 (AWG) or IEC 60364-5-52 method C (mm²), corrected for ambient and bundling, in the "
            "column of the lowest temperature where no insulation is given (60 °C, mm² 70 °C), against "
            f"{Assumptions().margin:g} × the greatest current of the duty or at full load, "
            "inverters at their rated power and lowest input voltage; nothing is added for air below 30 °C. "
            "Devices: what they let pass for good against the same ampacity. Not looked at: fault "
            "currents, withstand, breaking capacity, what flows with one pack out, conductors of other sizes than the one tried (for "
            "these: simbank protect)."
        )

    @property
    def does(self):
        """What a size that fits does, in words."""
        return "keeps the limits" if self.limits.any else "carries its current and is protected, where a device limits it"

    def unprotected(self, row):
        """Words for a row in which no device limits the current, such as :attr:`best`; empty where one does."""
        bare = isinstance(row.get("conductor"), str) and pd.isna(row["device_a"])
        return f", NOT PROTECTED: no device in the file limits the current in {row['conductor']}" if bare else ""

    @property
    def frontier(self):
        """The rows that matter: the smallest that fits of each layout, those that fit and are not beaten in copper and sharing at
        once (by a thousandth of the share ratio or more), and the next smaller of the best; where nothing fits, the largest of
        each layout."""
        table = self.table
        if self.best is None:
            keep = set(table.groupby("layout", sort=False)["area_mm2"].idxmax())
        else:
            chosen = [table["layout"].eq(layout) & table["gauge"].eq(gauge) for layout, gauge in self.by_layout.items()]
            unbeaten = table[table["fits"] & table["pareto"]].sort_values("copper_kg")
            better = unbeaten["share_ratio"].round(3).cummin().diff().fillna(-1.0) < 0
            keep = {k for mask in chosen for k in table.index[mask]} | set(unbeaten.index[better])
            smaller = table[(table["layout"] == self.best["layout"]) & (table["area_mm2"] < self.best["area_mm2"])]
            if len(smaller):
                keep.add(smaller["area_mm2"].idxmax())
        return table.loc[sorted(keep)]

    def plot(self):
        """Copper against sharing, with what fits; returns the matplotlib figure."""
        from simbank.plotting import study_plots

        return study_plots.plot_sizing(self)


def size(
    scenario, limits=None, *, gauges="awg", layouts=None, price_per_kg=None, prices=None, c_rate=0.2, integrator="fast", progress=None,
    sharing_only=False, **options,
):  # fmt: skip
    """Run every layout in every gauge of a series at the scenario's duty.

    The gauge is that of the links of a chain, or of the leads of a bus bar; everything else stays as in the file. A gauge that may
    not carry its current for good does not fit, nor one that the devices in the file would let be overloaded; one that no device
    limits is not rejected, since no size cures that, but warned of. Nor does one fit with which packs or devices trip at the duty.

    Parameters
    ----------
    scenario : Scenario
    limits : Limits, optional
        None, or none set: a size is judged by ampacity and protection alone.
    gauges : {"awg", "mm2"} or list of str
        Series from small to large.
    layouts : list of str, optional
        By default every layout for which the file gives the parts.
    price_per_kg : float, optional
        Price of conductor per kilogram of copper.
    prices : dict of str to float, optional
        Price per metre by gauge, instead.
    c_rate : float
        For the usable energy.
    sharing_only : bool
        Leave out ampacity and protection.
    **options
        Passed on to :func:`simbank.simulate`.

    Returns
    -------
    Sizing

    Raises
    ------
    InputError
        For an unknown gauge or layout, or one whose parts the file lacks; for ``sharing_only`` without a limit.
    """
    limits = limits or Limits()
    if sharing_only and not limits.any:
        needed = "needs at least one limit where ampacity and protection are left out: share ratio, spread, drop or usable energy"
        raise InputError(needed, key="limits")
    series = GAUGES.get(gauges, gauges) if isinstance(gauges, str) else gauges
    if isinstance(series, str):
        raise InputError(f"use {' or '.join(GAUGES)}, or a list of gauges", key="gauges", value=gauges)
    parts = {name: part for name, part in SIMPLEST_FIRST.items() if scenario.data.get("wiring", {}).get(part)}
    chosen = list(parts) if layouts is None else layouts
    for layout in chosen:
        if layout not in parts:
            part = SIMPLEST_FIRST.get(layout)
            why = f'needs "{part}" in the file' if part else f"use {', '.join(SIMPLEST_FIRST)}"
            raise InputError(why, key="layouts", value=layout)
    if scenario.layout == "graph":
        raise InputError('a scenario with layout "graph" has no gauge to size', file=scenario.source, key="wiring.layout")
    rows, loads, beside, devices = [], full_loads(scenario), {}, {}
    for layout in chosen:
        devices[layout] = None if sharing_only else _DeviceLimits()
        for gauge in series:
            row, beside[layout, gauge] = _try(
                scenario, layout, parts[layout], gauge, limits, price_per_kg, prices or {}, c_rate, integrator, options, loads,
                devices[layout],
            )  # fmt: skip
            rows.append(row)
            if progress:
                progress(len(rows) / (len(chosen) * len(series)))
    table = pd.DataFrame(rows)
    table["pareto"] = [_undominated(table, k) for k in range(len(table))]
    by_layout = {}
    for layout in chosen:
        good = table[(table["layout"] == layout) & table["fits"]]
        if len(good):
            by_layout[layout] = good.loc[good["area_mm2"].idxmin(), "gauge"]
    best = None
    for layout in SIMPLEST_FIRST:
        if layout in by_layout:
            best = table[(table["layout"] == layout) & (table["gauge"] == by_layout[layout])].iloc[0].to_dict()
            break
    told = best or rows[-1]
    others = beside[told["layout"], told["gauge"]]
    warnings = [*bank_warnings(scenario), *_size_warnings(told, others, sharing_only)]
    if not sharing_only:
        sized = {"wiring.layout": told["layout"], f"wiring.{parts[told['layout']]}.gauge": told["gauge"]}
        case = with_changes(scenario, sized)
        breaks = devices[told["layout"]].breaking(case.bank, told["gauge"])
        warnings += [*_device_warnings(breaks), *start_voltage_warnings(case)]
    return Sizing(limits, table, best, by_layout, warnings, sharing_only)


def _size_warnings(row, beside, sharing_only):
    """What must be said of a size that was found: what was not looked at, what no device limits, and what else would burn."""
    if sharing_only:
        yield BankWarning("sharing-only", "bank", "Ampacity and protection were not looked at: a size listed here may burn.")
        return
    if isinstance(row.get("conductor"), str) and pd.isna(row["device_a"]):
        yield BankWarning(
            "no-device-limits", row["conductor"],
            "No device in the file limits the current in it, whatever its size: a size found here is not protected until one does.",
        )  # fmt: skip
    overloaded = [found for found in beside if found.carries is False]
    if overloaded:
        worst = max(overloaded, key=lambda found: found.strain)
        text = f"As in the file, which sizing does not change, it may not carry its load: {worst.load_text}."
        yield BankWarning("conductor-overloaded", ", ".join(found.name for found in overloaded), text)
    unprotected = [found for found in beside if found.protected is False]
    if unprotected:
        worst = max(unprotected, key=lambda found: found.device_a / found.ampacity_a)
        text = f"As in the file, which sizing does not change, it may be overloaded before a device opens: {worst.device_text}."
        yield BankWarning("conductor-unprotected", ", ".join(found.name for found in unprotected), text)


def _device_warnings(breaks):
    """Which devices this size does not rely on, and which it relies on unseen; ``breaks`` is a
    :class:`~simbank.studies.protection.breaking.Breaking`, None without devices."""
    if breaks is None:
        return
    if breaks.failed:
        yield BankWarning(
            "device-cannot-break", ", ".join(sorted(breaks.failed)),
            "It cannot break the fault current or the voltage there, so it counts as failed closed and protects no conductor here "
            "(simbank protect has the figures).",
        )  # fmt: skip
    if breaks.doubtful:
        yield BankWarning(
            "device-ratings-unknown", ", ".join(sorted(breaks.doubtful)),
            "Its DC interrupting or voltage rating is not given. This size counts on it to open: read its sheet, and give both.",
        )  # fmt: skip


class _DeviceLimits:
    """What devices let pass for good through each branch of one layout, worked out once for each set of devices that fail closed."""

    def __init__(self):
        self._limits, self._breaks = {}, {}

    def breaking(self, bank, gauge):
        """:class:`~simbank.studies.protection.breaking.Breaking` of the bank in a gauge; None without devices."""
        if gauge not in self._breaks:
            self._breaks[gauge] = Breaking.of(greatest_faults(bank, Assumptions())) if bank.devices else None
        return self._breaks[gauge]

    def passes(self, bank, gauge):
        """Branch → limit [A]."""
        breaks = self.breaking(bank, gauge)
        failed = breaks.failed if breaks is not None else frozenset()
        if failed not in self._limits:
            self._limits[failed] = carried_limits(bank, failed)
        return self._limits[failed]


def _try(scenario, layout, part, gauge, limits, price_per_kg, prices, c_rate, integrator, options, loads, devices):
    """A row of the table, and what the other conductors carry. ``devices`` tells what devices let pass for good through each branch,
    or is None to leave out ampacity and protection."""
    case = with_changes(scenario, {"wiring.layout": layout, f"wiring.{part}.gauge": gauge})
    joining = [b for b in case.bank.graph.branches if b.kind == part and b.role != "port"]
    conductors = [b.conductor for b in joining if b.conductor is not None]
    copper = sum(c.mass_kg for c in conductors if c.gauge is not None)
    row_label = parse_gauge(gauge).label
    metres = sum(c.length_m for c in conductors if c.gauge is not None and c.gauge.label == row_label)
    price = prices[gauge] * metres if gauge in prices else price_per_kg * copper if price_per_kg is not None else None
    row = {
        "layout": layout, "gauge": gauge, "area_mm2": parse_gauge(gauge).area_m2 * 1e6, "copper_kg": copper, "price": price,
    }  # fmt: skip
    try:
        result = simulate(case, integrator=integrator, output_step_s=OUTPUT_STEP_S, **options)
    except SimulationError as error:
        return row | {"fits": False, "why_not": str(error), "integrator": integrator}, []
    figures = _figures(result)
    if limits.usable_percent is not None:
        energy = usable(case, c_rate, integrator=integrator, **options)["energy_wh"]
        figures["usable_percent"] = 100.0 * energy["bank"] / energy["sum of packs"]
    why, beside, carried = [], [], {}
    if not any(c.gauge is not None and c.gauge.label == row_label for c in conductors):
        why.append(f"no {part} in this layout has the gauge of wiring.{part}: there is nothing to size")
    if devices is not None:
        passes = devices.passes(case.bank, gauge)
        kept = _same_gauge(scenario, part, gauge)
        currents = lasting_currents(case.bank, loads, result)
        tried, beside = [], []
        for branch in case.bank.graph.branches:
            if branch.kind == "device" or branch.conductor is None:
                continue
            mine = branch in joining and branch.conductor.gauge is not None and branch.conductor.gauge.label == row_label
            if mine and not kept:  # an ampacity that was stated belongs to the gauge in the file
                branch = replace(branch, conductor=replace(branch.conductor, ampacity_a=None))
            found = carrying(branch, currents[branch.name], passes[branch.name], case.bank.ambient_k, Assumptions().margin)
            (tried if mine else beside).append(found)
        carried, burns = _carried(tried)
        why += burns
    for key, words, sign in (
        ("share_ratio", "largest share ratio {:.3f} over {:g}", 1), ("spread_points", "spread {:.1f} points over {:g}", 1),
        ("drop_percent", "drop {:.2f} % over {:g} %", 1), ("usable_percent", "usable energy {:.1f} % below {:g} %", -1),
    ):  # fmt: skip
        limit = getattr(limits, key)
        if limit is not None and sign * (figures[key] - limit) > 0:
            why.append(words.format(figures[key], limit))
    why += [f"a port stops: {w.where} opened on over-current" for w in result.warnings if w.code == TRIPPED]
    return row | figures | carried | {"fits": not why, "why_not": "; ".join(why), "integrator": integrator}, beside


def _same_gauge(scenario, part, gauge):
    """Whether the file has this gauge for the part that is sized."""
    own = scenario.data["wiring"][part].get("gauge")
    return own is not None and parse_gauge(own).label == parse_gauge(gauge).label


def _carried(tried):
    """Columns of the conductor that is nearest to what it may carry, and why it does not do."""
    if not tried:
        return {}, []
    worst = max(tried, key=lambda found: found.strain)
    why = []
    if worst.carries is None:
        why.append(worst.words)
    elif not worst.carries:
        why.append(worst.load_text)
    if worst.protected is False:
        why.append(worst.device_text)
    limited = bool(np.isfinite(worst.device_a))
    columns = {
        "conductor": worst.name, "current_a": worst.current_a, "ampacity_a": worst.ampacity_a, "carries": worst.carries,
        "device_a": worst.device_a if limited else None, "protected": worst.protected,
        "why": f"{worst.load_text}; {worst.device_text.removesuffix('; ' + worst.words)}",
    }  # fmt: skip
    return columns, why


def _figures(result):
    shares = [p[key] for p in result.summary["packs"] for key in ("share_ratio_discharge", "share_ratio_charge")]
    shares = [share for share in shares if share is not None]
    poles = result.packs["terminal_v"].to_numpy()
    drop = 0.0
    for port in result.ports["voltage_v"]:
        volt = result.ports["voltage_v"][port].to_numpy()[:, None]
        carries = np.abs(result.ports["current_a"][port].to_numpy()) > 1e-3
        if carries.any():
            drop = max(drop, float(np.max(np.abs(poles - volt)[carries] / volt[carries])))
    return {
        "share_ratio": max(shares, default=1.0),
        "spread_points": result.summary["bank"]["spread_max_points"],
        "drop_percent": 100.0 * drop,
    }


def _undominated(table, k):
    """No other row that may be bought has less copper and no worse sharing; a row that may not is none of them."""
    if "share_ratio" not in table:
        return False
    if "carries" in table:
        table = table.assign(share_ratio=table["share_ratio"].where(table["carries"].eq(True) & table["protected"].ne(False)))
    if np.isnan(table["share_ratio"].iloc[k]):
        return False
    mine = table.iloc[k]
    lighter = table["copper_kg"] <= mine["copper_kg"]
    better = table["share_ratio"] <= mine["share_ratio"]
    strictly = (table["copper_kg"] < mine["copper_kg"]) | (table["share_ratio"] < mine["share_ratio"])
    return not bool((lighter & better & strictly).any())

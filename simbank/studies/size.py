"""The smallest gauge and simplest layout that keep a bank within limits, and why each smaller one does not."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from simbank.bank.ampacity import AMPACITY_60_75_90
from simbank.bank.conductors import IEC_60228_OHM_PER_KM, parse_gauge
from simbank.errors import InputError, SimulationError
from simbank.scenario import with_changes
from simbank.simulation import simulate
from simbank.studies.described import bank_warnings
from simbank.studies.usable import usable

__all__ = ["GAUGES", "SIMPLEST_FIRST", "Limits", "Sizing", "size"]

# From fewest parts to most; what each joins its packs with.
SIMPLEST_FIRST = {"chain": "link", "chain-opposite": "link", "chain-middle": "link", "busbar": "lead"}
GAUGES = {
    "awg": [gauge for gauge in AMPACITY_60_75_90 if gauge not in ("14 AWG", "12 AWG", "3 AWG", "1 AWG")],
    "mm2": [f"{size} mm2" for size in IEC_60228_OHM_PER_KM["copper", "flexible"]],
}


@dataclass(frozen=True)
class Limits:
    """What a bank must keep to; None is no limit.

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


@dataclass(eq=False)
class Sizing:
    """What :func:`size` found.

    Attributes
    ----------
    table : DataFrame
        One row per layout and gauge: figures, ``copper_kg``, ``price``, ``fits``, ``why_not``, ``pareto`` (no other is at once
        lighter and shares better).
    best : dict or None
        The row chosen: the simplest layout of which any gauge fits, in its smallest gauge that fits.
    by_layout : dict
        The smallest gauge that fits, by layout.
    warnings : list of BankWarning
        What must be known of the bank as the file has it before any of the figures.
    """

    limits: Limits
    table: pd.DataFrame
    best: dict | None
    by_layout: dict
    warnings: list = field(default_factory=list)

    def plot(self):
        """Copper against sharing, with what fits; returns the matplotlib figure."""
        from simbank.report import study_plots

        return study_plots.plot_sizing(self)


def size(
    scenario, limits, *, gauges="awg", layouts=None, price_per_kg=None, prices=None, c_rate=0.2, integrator="fast", progress=None,
    **options,
):  # fmt: skip
    """Run every layout in every gauge of a series at the scenario's duty.

    The gauge is that of the links of a chain, or of the leads of a bus bar; everything else stays as in the file.

    Parameters
    ----------
    scenario : Scenario
    limits : Limits
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
    **options
        Passed on to :func:`simbank.simulate`.

    Returns
    -------
    Sizing
    """
    if all(value is None for value in vars(limits).values()):
        raise InputError("needs at least one limit: share ratio, spread, drop or usable energy", key="limits")
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
    rows = []
    for layout in chosen:
        for gauge in series:
            rows.append(
                _try(scenario, layout, parts[layout], gauge, limits, price_per_kg, prices or {}, c_rate, integrator, options)
            )
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
    return Sizing(limits, table, best, by_layout, bank_warnings(scenario))


def _try(scenario, layout, part, gauge, limits, price_per_kg, prices, c_rate, integrator, options):
    case = with_changes(scenario, {"wiring.layout": layout, f"wiring.{part}.gauge": gauge})
    ports = {f"lead {name} {sign}" for name in case.bank.graph.ports for sign in "+-"}
    joining = [b for b in case.bank.graph.branches if b.kind == part and b.name not in ports]
    conductors = [b.conductor for b in joining if b.conductor is not None]
    copper = sum(c.mass_kg for c in conductors if c.gauge is not None)
    metres = sum(c.length_m for c in conductors if c.gauge is not None and c.gauge.label == parse_gauge(gauge).label)
    price = prices[gauge] * metres if gauge in prices else price_per_kg * copper if price_per_kg is not None else None
    row = {
        "layout": layout, "gauge": gauge, "area_mm2": parse_gauge(gauge).area_m2 * 1e6, "copper_kg": copper, "price": price,
    }  # fmt: skip
    try:
        result = simulate(case, integrator=integrator, output_step_s=120.0, **options)
    except SimulationError as error:
        return row | {"fits": False, "why_not": str(error), "integrator": integrator}
    figures = _figures(result)
    if limits.usable_percent is not None:
        energy = usable(case, c_rate, integrator=integrator, **options)["energy_wh"]
        figures["usable_percent"] = 100.0 * energy["bank"] / energy["sum of packs"]
    why = []
    for key, words, sign in (
        ("share_ratio", "largest share ratio {:.3f} over {:g}", 1), ("spread_points", "spread {:.1f} points over {:g}", 1),
        ("drop_percent", "drop {:.2f} % over {:g} %", 1), ("usable_percent", "usable energy {:.1f} % below {:g} %", -1),
    ):  # fmt: skip
        limit = getattr(limits, key)
        if limit is not None and sign * (figures[key] - limit) > 0:
            why.append(words.format(figures[key], limit))
    return row | figures | {"fits": not why, "why_not": "; ".join(why), "integrator": integrator}


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
    """No other row has less copper and no worse sharing."""
    if "share_ratio" not in table or np.isnan(table["share_ratio"].iloc[k]):
        return False
    mine = table.iloc[k]
    lighter = table["copper_kg"] <= mine["copper_kg"]
    better = table["share_ratio"] <= mine["share_ratio"]
    strictly = (table["copper_kg"] < mine["copper_kg"]) | (table["share_ratio"] < mine["share_ratio"])
    return not bool((lighter & better & strictly).any())

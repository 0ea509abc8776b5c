"""The smallest gauge and simplest layout that keep a bank within limits and carry its current, and why each smaller one does not."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
import pandas as pd

from simbank.bank.ampacity import AMPACITY_60_75_90
from simbank.bank.conductors import IEC_60228_OHM_PER_KM, parse_gauge
from simbank.bank.layouts import LAYOUTS
from simbank.columns import Table
from simbank.digits import percent
from simbank.errors import InputError, RunStopped, SimulationError
from simbank.results import Picture, Shown, Study, StudyResult, records
from simbank.scenario import Scenario, with_changes
from simbank.simulation import simulate
from simbank.simulation.run_warnings import TRIPPED
from simbank.studies.bands import bands_by, checked_settings
from simbank.studies.bands_result import BANDS_FOLDER, Bands
from simbank.studies.carrying import carrying, lasting_currents
from simbank.studies.described import bank_warnings, ideal_bar_words, layouts_left_out
from simbank.studies.draw_runs import Found
from simbank.studies.parallel import in_order
from simbank.studies.protection import Assumptions
from simbank.studies.protection.breaking import Breaking
from simbank.studies.protection.conductor_checks import carried_limits
from simbank.studies.protection.faults import greatest_faults
from simbank.studies.protection.full_load import full_loads, start_voltage_warnings
from simbank.studies.settings import refuse_auto, study_made_by
from simbank.studies.usable import usable, usable_share
from simbank.warning import BankWarning, as_records, counted, listed

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["GAUGES", "Limits", "Sizing", "size"]

GAUGES = {
    "awg": [gauge for gauge in AMPACITY_60_75_90 if gauge not in ("14 AWG", "12 AWG", "3 AWG")],
    "mm2": [f"{size} mm2" for size in IEC_60228_OHM_PER_KM["copper", "flexible"]],
}


OUTPUT_STEP_S = 120.0
DIGITS = {
    "copper_kg": "{:.2f}", "share_ratio": "{:.3f}", "spread_points": "{:.1f}", "drop_percent": "{:.2f}", "usable_percent": "{:.1f}",
    "price": "{:.0f}", "current_a": "{:.0f}", "ampacity_a": "{:.0f}", "device_a": "{:.0f}",
}  # fmt: skip
HEADINGS = {
    "layout": "layout", "gauge": "gauge", "copper_kg": "copper\n[kg]", "price": "price", "share_ratio": "largest\nshare ratio",
    "spread_points": "spread\n[points]", "drop_percent": "drop\n[%]", "usable_percent": "usable\n[%]", "fits": "fits",
    "current_a": "greatest\ncurrent [A]", "ampacity_a": "may\ncarry [A]", "device_a": "devices let\npass [A]",
    "pareto": "none lighter\nand more even",
}  # fmt: skip


SHOWN = (
    "layout",
    "gauge",
    "copper_kg",
    "price",
    "share_ratio",
    "spread_points",
    "drop_percent",
    "usable_percent",
    "fits",
)  # unasked
LIMIT_WORDS = {"share_ratio": "share ratio", "spread_points": "spread", "drop_percent": "drop", "usable_percent": "usable energy"}


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
    def any(self) -> bool:
        """Whether there is one."""
        return any(value is not None for value in vars(self).values())


@dataclass(eq=False, repr=False)
class Sizing(StudyResult):
    """What :func:`size` found.

    Attributes
    ----------
    table : DataFrame
        One row per layout and gauge: figures, ``copper_kg``, ``price``, ``fits``, ``why_not``, ``pareto`` (no other that may be
        bought is at once lighter and shares better). Of the conductor of this gauge that is nearest to what it may carry, or
        farthest over it: ``conductor``, ``current_a``, ``ampacity_a``, ``carries``, ``device_a`` (what devices let pass continuously,
        missing if none limits it), ``protected`` (missing likewise), ``why`` (all of that in words). ``unlimited`` names all conductors
        of this gauge in which no device limits the current, empty if there is none.
    best : dict or None
        The row chosen: the simplest layout of which any gauge fits, in its smallest gauge that fits.
    by_layout : dict
        The smallest gauge that fits, by layout.
    warnings : list of BankWarning
        What must be known of the bank as the file has it before any of the figures, and of the sizes found.
    sharing_only : bool
        Whether ampacity and protection were left out.
    tried : str
        Which gauges were tried, and what their copper and resistance leave out, in words.
    bands : Bands or None
        Of what the limits are held against, for the size found; where asked for and one was found.
    """

    INDEXED: ClassVar = False
    TABLES: ClassVar = (
        Table.of(
            "sizes.csv", "a layout in a gauge",
            [
                ("layout", "", "name of the wiring layout"),
                ("gauge", "", "size of its links or leads"),
                ("area_mm2", "mm²", "cross-section of the gauge"),
                ("copper_kg", "kg", "mass of conductor in links or leads"),
                ("price", "", "price of that, in the currency of the price given"),
                ("share_ratio", "", "largest share ratio of any pack, on discharge and on charge"),
                ("spread_points", "points", "largest spread of state of charge"),
                ("drop_percent", "%", "largest drop from any pack's poles to a port that carries current, of the port's voltage"),
                ("usable_percent", "%", "energy from full to cut-off, of what the packs would deliver each on its own; where asked for"),
                ("conductor", "", "conductor of this gauge that is nearest to what it may carry, or farthest over it"),
                ("current_a", "A", "greatest current that it has to carry for good"),
                ("ampacity_a", "A", "what it may carry"),
                ("carries", "", "whether it may carry its current"),
                ("device_a", "A", "what devices let pass through it for good; none if no device limits it"),
                ("protected", "", "whether no more can pass than it may carry; none if no device limits it"),
                ("unlimited", "", "conductors of this gauge in which no device limits the current; empty if there is none"),
                ("why", "", "all of that in words"),
                ("fits", "", "whether the size carries its current, is not overloaded, and keeps the limits given"),
                ("why_not", "", "why it does not"),
                ("integrator", "", "fast or reference"),
                ("pareto", "", "whether no other that may be bought is at once lighter and shares better"),
            ],
        ),
    )  # fmt: skip

    limits: Limits
    table: pd.DataFrame
    best: dict[str, Any] | None
    by_layout: dict[str, str]
    warnings: list[BankWarning] = field(default_factory=list)
    sharing_only: bool = False
    made_by: dict[str, Any] = field(default_factory=dict)
    tried: str = ""
    bands: Bands | None = None

    @property
    def kept(self) -> dict[str, float]:
        """Share of the draws in which the size found keeps each limit that was asked for, by the limit's name."""
        if self.bands is None:
            return {}
        figures = self.bands.figures
        limits = {name: limit for name, limit in vars(self.limits).items() if limit is not None}
        return {
            name: float((figures[name] >= limit if name == "usable_percent" else figures[name] <= limit).mean())
            for name, limit in limits.items()
        }

    @property
    def title(self) -> str:
        return f"{self.made_by['scenario']}: layouts and gauges at its duty"

    @property
    def summary(self) -> dict[str, Any]:
        """Everything as plain data."""
        best = None if self.best is None else {key: self.best[key] for key in ("layout", "gauge", "copper_kg")}
        return {
            "scenario": self.made_by["scenario"], "warnings": as_records(self.warnings), "looked_at": self.looked_at,
            "sharing_only": self.sharing_only, "tried": self.tried, "best": best, "by_layout": self.by_layout,
            "frontier": self.frontier[["layout", "gauge"]].to_dict(orient="records"), "rows": records(self.table),
        } | ({} if self.bands is None else {"limits_kept": self.kept} | self.bands.told)  # fmt: skip

    def write_tables(self, folder: Path) -> None:
        """Write the table into a folder, and bands into a folder in it."""
        super().write_tables(folder)
        if self.bands is not None:
            self.bands.write(folder / BANDS_FOLDER)

    @property
    def kept_words(self) -> list[str]:
        """In what share of the draws the limits are kept, in sentences; none without draws."""
        if self.bands is None:
            return []
        told = [
            f"Of {counted(self.bands.done, 'draw')}, {percent(share)} keep the limit on {LIMIT_WORDS[name]}."
            for name, share in self.kept.items()
        ]
        return [
            *told,
            "The size was not searched for again in each draw; what conductors carry and devices let pass was not drawn.",
        ]

    def in_words(self, everything: bool = False) -> tuple[pd.DataFrame, dict[str, str]]:
        """Rows for a reader, those that matter or all, with every cell as text; and which columns to show, under which headings."""
        table = (self.table if everything else self.frontier).copy()
        open_ = [bool(self.unprotected(row)) for _, row in table.iterrows()]
        for column, form in DIGITS.items():
            if column in table:
                table[column] = ["–" if v is None or v != v else form.format(v) for v in table[column]]
        table["fits"] = [
            "no" if not fits else "yes, unprotected" if bare else "yes" for fits, bare in zip(table["fits"], open_, strict=True)
        ]
        table["pareto"] = ["yes" if p else "" for p in table["pareto"]]
        priced = not self.table["price"].isna().all()
        return table, {key: text for key, text in HEADINGS.items() if key in table and (priced or key != "price")}

    def shown(self, everything: bool = False) -> Shown:
        """The table as people read it: layouts and gauges that matter, or all."""
        table, headings = self.in_words(everything)
        columns = {key: heading for key, heading in headings.items() if key in SHOWN}
        more = {key: heading for key, heading in headings.items() if key not in columns}
        what = "every layout and gauge" if everything else "layouts and gauges that matter,"
        return Shown(f"{self.made_by['scenario']}: {what} at its duty", table, columns, more)

    def against(self, everything: bool = False) -> list[str]:
        """Why sizes of that table do not fit, in sentences: each reason once, with the layouts and gauges that it is against."""
        table = self.in_words(everything)[0]
        said: dict[str, dict[str, list[str]]] = {}
        for _, row in table[table["fits"] == "no"].iterrows():
            said.setdefault(row["why_not"], {}).setdefault(row["layout"], []).append(row["gauge"])
        named = {why: [f"{layout} in {', '.join(gauges)}" for layout, gauges in sizes.items()] for why, sizes in said.items()}
        return [f"Does not fit, {'; '.join(sizes)}: {why}" for why, sizes in named.items()]

    @property
    def by_layout_words(self) -> str:
        """The smallest gauge that fits, by layout, as a sentence; empty where none fits."""
        others = ", ".join(f"{layout}: {gauge}" for layout, gauge in self.by_layout.items())
        return f"Smallest by layout: {others}." if others else ""

    @property
    def looked_at(self) -> str:
        """What the sizes were held against, and what not, in one or two sentences."""
        if self.sharing_only:
            return (
                "SHARING ONLY: ampacity and protection were not looked at. A size in this list may burn: hold each against its "
                "ampacity and its devices before anything is bought (again without --sharing-only, and simbank protect)."
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
    def usable_at(self) -> float | None:
        """C-rate at which usable energy is held against its limit; None without such a limit [1/h]."""
        return None if self.limits.usable_percent is None else self.made_by["c_rate"]

    @property
    def does(self) -> str:
        """What a size that fits does, in words."""
        if self.sharing_only:
            return "keeps the limits"
        return "keeps the limits and carries its current" if self.limits.any else "carries its current"

    def unprotected(self, row: Mapping[str, Any]) -> str:
        """Words for a row with a conductor of its gauge in which no device limits the current; empty where one does in each."""
        bare = row.get("unlimited")
        bare = bare.split(", ") if isinstance(bare, str) and bare else []
        return f", NOT PROTECTED: no device in the file limits the current in {listed(bare, 3)}" if bare else ""

    @property
    def found_words(self) -> str:
        """The size found and its copper, what does not protect it, and which other layouts need less copper, in sentences."""
        if self.best is None:
            return f"No layout {self.does} in any gauge tried."
        best, lighter = self.best, []
        for layout, gauge in self.by_layout.items():
            row = self.table[self.table["layout"].eq(layout) & self.table["gauge"].eq(gauge)].iloc[0]
            if row["copper_kg"] < best["copper_kg"] - 1e-9:
                lighter.append(f"{layout} in {gauge} ({row['copper_kg']:.2f} kg)")
        bare = self.unprotected(best).removeprefix(", ")
        if not bare and not self.sharing_only:
            bare = "In no conductor of this gauge do the devices in the file let more pass for good than it may carry"
        said = [
            f"Simplest that {self.does}: {best['layout']} in {best['gauge']} ({best['copper_kg']:.2f} kg of copper)",
            *([bare] if bare else []), *([f"Less copper does in {', '.join(lighter)}"] if lighter else []),
        ]  # fmt: skip
        return ". ".join(said) + "."

    @property
    def frontier(self) -> pd.DataFrame:
        """The rows that matter.

        The smallest that fits of each layout, those that fit and are not beaten in copper and sharing at once (by a thousandth of
        the share ratio or more), and the next smaller of the best; where nothing fits, the largest of each layout.
        """
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

    def plot(self) -> Figure:
        """Copper against sharing, with what fits; returns the matplotlib figure."""
        from simbank.plotting import study_plots

        return study_plots.plot_sizing(self)

    def pictures(self) -> list[Picture]:
        title = f"{self.made_by['scenario']}: copper against sharing"
        return [Picture("sizes.png", self.plot(), title, "Copper against sharing.")]

    def section(self, everything: bool = False) -> Study:
        """The sizing as a section of a report; with ``everything`` each layout and gauge, not only those that matter."""
        table, columns = self.in_words(everything)
        against = table[table["fits"] == "no"]
        text = f"Layouts and gauges at the duty; of {len(self.table)}, those that matter. {self.tried} {self.looked_at}"
        if everything:
            text = f"Every layout and gauge at the duty. {self.tried} {self.looked_at}"
        whys = [f"{row['layout']} in {row['gauge']} does not do: {row['why_not']}." for _, row in against.iterrows()]
        shown = table[list(columns)].rename(columns={key: heading.replace("\n", " ") for key, heading in columns.items()})
        return replace(super().section(), title="Sizing", text=(text, *whys), table=shown, answer=(self.answer,))

    @property
    def answer(self) -> str:
        """The size found, in words."""
        return self.found_words


def simplest_first() -> dict[str, str]:
    """Layouts from fewest parts to most; what each joins its packs with."""
    return {kind.name: kind.part for kind in sorted(LAYOUTS.values(), key=lambda kind: kind.order)}


def size(
    scenario: Scenario,
    limits: Limits | None = None,
    *,
    gauges: str | Sequence[str] = "awg",
    layouts: Sequence[str] | None = None,
    price_per_kg: float | None = None,
    prices: Mapping[str, float] | None = None,
    c_rate: float = 0.2,
    integrator: str = "fast",
    progress: Callable[[float], None] | None = None,
    sharing_only: bool = False,
    **options: Any,
) -> Sizing:
    """Run every layout in every gauge of a series at the scenario's duty.

    The gauge is that of the links of a chain, or of the leads of a bus bar; everything else stays as in the file. A gauge that may
    not carry its current continuously does not fit, nor one that the devices in the file would let be overloaded; one that no device
    limits is not rejected, since no size cures that, but warned of. Nor does one fit with which packs or devices trip at the duty.

    Parameters
    ----------
    scenario : Scenario
        Packs, wiring and duty.
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
    integrator : {"fast", "reference"}
        Which makes the runs.
    progress : callable, optional
        Called with the fraction of all runs done.
    sharing_only : bool
        Leave out ampacity and protection.
    **options
        ``bands``: draws of all that is not known exactly, of the size found (it is not searched for again in each draw, and what
        conductors carry and devices let pass is not drawn); ``seed`` of these draws. The others are passed on to
        :func:`simbank.simulate`.

    Returns
    -------
    Sizing

    Raises
    ------
    InputError
        For an unknown gauge or layout, or one whose parts the file lacks; for ``sharing_only`` without a limit.
    RunStopped
        By Ctrl-C; where bands were begun, with the Sizing and the bands so far as its ``partial``.
    """
    draws, seed = options.pop("bands", None), options.pop("seed", 0)
    limits = limits or Limits()
    if sharing_only and not limits.any:
        needed = "needs at least one limit where ampacity and protection are left out: share ratio, spread, drop or usable energy"
        raise InputError(needed, key="limits")
    series = GAUGES.get(gauges, gauges) if isinstance(gauges, str) else gauges
    if isinstance(series, str):
        raise InputError(f"use {' or '.join(GAUGES)}, or a list of gauges", key="gauges", value=gauges)
    parts = {name: part for name, part in simplest_first().items() if scenario.data.get("wiring", {}).get(part)}
    chosen, left_out = list(parts) if layouts is None else layouts, []
    if layouts is None and scenario.layout != "graph":
        left_out = layouts_left_out(scenario, chosen)
        chosen = [name for name in chosen if name not in {warning.where for warning in left_out}]
        if left_out and not chosen:
            raise InputError(
                f"no layout can be built. {left_out[0].where}: {left_out[0].text}", file=scenario.source, key="wiring"
            )
    for layout in chosen:
        if layout not in parts:
            part = simplest_first().get(layout)
            why = f'needs "{part}" in the file' if part else f"use {', '.join(simplest_first())}"
            raise InputError(why, key="layouts", value=layout)
    if scenario.layout == "graph":
        raise InputError('a scenario with layout "graph" has no gauge to size', file=scenario.source, key="wiring.layout")
    refuse_auto(integrator)
    asked = _Asked(
        scenario, limits, price_per_kg, prices or {}, c_rate, {"integrator": integrator} | options, full_loads(scenario)
    )
    tried_in = {layout: list(series) if series is gauges else _with_own(series, scenario, parts[layout]) for layout in chosen}
    devices = {layout: None if sharing_only else _DeviceLimits() for layout in chosen}
    sizes = [(layout, gauge) for layout in chosen for gauge in tried_in[layout]]
    work = [(asked, layout, parts[layout], gauge, devices[layout]) for layout, gauge in sizes]
    found = in_order(_try, work, tell=progress or (lambda done: None))
    rows = [row for row, _ in found]
    beside = dict(zip(sizes, (others for _, others in found), strict=True))
    table = pd.DataFrame(rows)
    table["pareto"] = _undominated(table)
    by_layout = {}
    for layout in chosen:
        good = table[(table["layout"] == layout) & table["fits"]]
        if len(good):
            by_layout[layout] = good.loc[good["area_mm2"].idxmin(), "gauge"]
    best = None
    for layout in simplest_first():
        if layout in by_layout:
            best = table[(table["layout"] == layout) & (table["gauge"] == by_layout[layout])].iloc[0].to_dict()
            break
    told = best or rows[-1]
    others = beside[told["layout"], told["gauge"]]
    warnings = [*left_out, *bank_warnings(scenario), *_size_warnings(told, others, sharing_only)]
    if not sharing_only:
        sized = {"wiring.layout": told["layout"], f"wiring.{parts[told['layout']]}.gauge": told["gauge"]}
        case = with_changes(scenario, sized)
        breaks = devices[told["layout"]].breaking(case.bank, told["gauge"])
        warnings += [*_device_warnings(breaks, case.bank.devices, told["layout"], told["gauge"]), *start_voltage_warnings(case)]
    made = study_made_by(
        scenario, "size", integrator=integrator, tolerance=options.get("tolerance"), limits=asdict(limits), gauges=list(series),
        sharing_only=sharing_only, price_per_kg=price_per_kg, prices=prices, c_rate=c_rate,
    )  # fmt: skip
    words = _tried_words(scenario, tried_in, series is gauges)
    found = Sizing(limits, table, best, by_layout, warnings, sharing_only, made, words)
    return found if draws is None or best is None else _with_bands(found, scenario, draws, seed)


def _with_bands(found, scenario, draws, seed):
    """A sizing with bands; by Ctrl-C with those so far."""
    try:
        found.bands = sized_bands(scenario, found, draws, seed)
    except RunStopped as stopped:
        found.bands = stopped.partial
        raise RunStopped(str(stopped), found) from None
    return found


def size_found(scenario: Scenario, found: Sizing) -> Scenario:
    """The scenario in the size that was found for it."""
    part = simplest_first()[found.best["layout"]]
    return with_changes(scenario, {"wiring.layout": found.best["layout"], f"wiring.{part}.gauge": found.best["gauge"]})


def sized_bands(
    scenario: Scenario, found: Sizing, draws: int, seed: int, progress: Callable[[float], None] | None = None
) -> Bands:
    """Bands of the size that was found for a scenario, by draws of it alone; the rest as in :func:`size`."""
    told = [row for row in BAND_FIGURES if row[0] != "usable_percent" or found.usable_at is not None]
    settings = checked_settings(draws, seed, "fast", None) | {"usable_at": found.usable_at}
    case = size_found(scenario, found)
    return bands_by(run_sized, case, settings, draws, seed, "size", told=(told, ()), progress=progress)


BAND_FIGURES = (
    ("share_ratio", "", "largest share ratio of any pack, on discharge and on charge"),
    ("spread_points", "points", "largest spread of state of charge"),
    ("drop_percent", "%", "largest drop from any pack's poles to a port that carries current, of the port's voltage"),
    ("usable_percent", "%", "energy from full to cut-off, of what the packs would deliver each on its own"),
)


def run_sized(scenario: Scenario, *, usable_at: float | None, **options: Any) -> Found:
    """What limits are held against, of one draw of a size; usable energy at that C-rate, if one is given."""
    result = simulate(scenario, output_step_s=OUTPUT_STEP_S, **options)
    figures = _figures(result)
    if usable_at is not None:
        figures["usable_percent"] = 100.0 * usable_share(usable(scenario, usable_at, **options))
    return Found(figures, {}, None, result.warnings)


def _with_own(series, scenario, part):
    """A series with the gauge that the file has for a part at its place, if it is not in it."""
    own = scenario.data["wiring"][part].get("gauge")
    if own is None or parse_gauge(own).label in {parse_gauge(gauge).label for gauge in series}:
        return list(series)
    return sorted([*series, parse_gauge(own).label], key=lambda gauge: parse_gauge(gauge).area_m2)


def _tried_words(scenario, tried_in, asked):
    """Which gauges were tried, of the series or as ``asked`` for, and what is not counted in them."""
    gauges = sorted({gauge for tried in tried_in.values() for gauge in tried}, key=lambda gauge: parse_gauge(gauge).area_m2)
    bars = ideal_bar_words(scenario, tried_in)
    which = f"the {len(gauges)} asked for" if asked and len(gauges) > 1 else ", ".join(gauges)
    return f"Gauges tried: {which}.{' ' + bars if bars else ''}"


def _size_warnings(row, beside, sharing_only):
    """What must be said of a size that was found: what was not looked at, what no device limits, and what else would burn."""
    if sharing_only:
        yield BankWarning("sharing-only", "bank", "Ampacity and protection were not looked at: a size listed here may burn.")
        return
    if isinstance(row.get("unlimited"), str) and row["unlimited"]:
        yield BankWarning(
            "no-device-limits", listed(row["unlimited"].split(", "), 3),
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


def _device_warnings(breaks, devices, layout, gauge):
    """Which devices this size does not rely on, and which it relies on unseen.

    ``breaks`` is a :class:`~simbank.studies.protection.breaking.Breaking` of the size told, a layout in a gauge; None without devices.
    """
    if breaks is None:
        return
    if breaks.failed:
        told = []
        for device in devices:
            if device.name in breaks.failed:
                current, place = breaks.worst[device.name]
                given = [f"{device.interrupting_a / 1e3:g} kA"] if device.interrupting_a is not None else []
                given += [f"{device.voltage_v:g} V"] if device.voltage_v is not None else []
                told.append(
                    f"{device.name} breaks {' at '.join(given)}; {current / 1e3:.2f} kA can flow through it (fault at {place}), and the "
                    f"bank reaches {breaks.volt:.1f} V"
                )
        yield BankWarning(
            "device-cannot-break", ", ".join(sorted(breaks.failed)),
            "It cannot break the fault current or the voltage there, so it counts as failed closed and protects no conductor here. "
            f"In {layout} of {gauge}: {'; '.join(told)}. simbank protect judges the size in the file, not this one.",
        )  # fmt: skip
    if breaks.doubtful:
        yield BankWarning(
            "device-ratings-unknown", ", ".join(sorted(breaks.doubtful)),
            "Its DC interrupting or voltage rating is not given. This size counts on it to open: read its sheet, and give both.",
        )  # fmt: skip


class _DeviceLimits:
    """What devices let pass continuously through each branch of one layout, worked out once for each set of devices that fail closed."""

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


@dataclass(frozen=True, eq=False)
class _Asked:
    """What every size is tried with: the settings of :func:`size`, those of the runs, and full loads."""

    scenario: Scenario
    limits: Limits
    price_per_kg: float | None
    prices: Mapping[str, float]
    c_rate: float
    options: dict[str, Any]
    loads: dict[str, Any]

    def price(self, gauge, copper_kg, metres):
        """Price of the conductors of a gauge; None if there is none."""
        if gauge in self.prices:
            return self.prices[gauge] * metres
        return None if self.price_per_kg is None else self.price_per_kg * copper_kg


def _try(asked, layout, part, gauge, devices):
    """A row of the table, and what the other conductors carry.

    ``devices`` tells what devices let pass continuously through each branch, or is None to leave out ampacity and protection.
    """
    limits, integrator = asked.limits, asked.options["integrator"]
    case = with_changes(asked.scenario, {"wiring.layout": layout, f"wiring.{part}.gauge": gauge})
    joining = [b for b in case.bank.graph.branches if b.kind == part and b.role != "port"]
    conductors = [b.conductor for b in joining if b.conductor is not None]
    copper = sum(c.mass_kg for c in conductors if c.gauge is not None)
    row_label = parse_gauge(gauge).label
    metres = sum(c.length_m for c in conductors if c.gauge is not None and c.gauge.label == row_label)
    row = {
        "layout": layout, "gauge": gauge, "area_mm2": parse_gauge(gauge).area_m2 * 1e6, "copper_kg": copper,
        "price": asked.price(gauge, copper, metres),
    }  # fmt: skip
    try:
        result = simulate(case, output_step_s=OUTPUT_STEP_S, **asked.options)
    except SimulationError as error:
        return row | {"fits": False, "why_not": str(error), "integrator": integrator}, []
    figures = _figures(result)
    if limits.usable_percent is not None:
        figures["usable_percent"] = 100.0 * usable_share(usable(case, asked.c_rate, **asked.options))
    why, beside, carried = [], [], {}
    if not any(c.gauge is not None and c.gauge.label == row_label for c in conductors):
        why.append(f"no {part} in this layout has the gauge of wiring.{part}: there is nothing to size")
    if devices is not None:
        passes = devices.passes(case.bank, gauge)
        kept = _same_gauge(asked.scenario, part, gauge)
        currents = lasting_currents(case.bank, asked.loads, result)
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
    unlimited = ", ".join(found.name for found in tried if not np.isfinite(found.device_a))
    columns = {
        "conductor": worst.name, "current_a": worst.current_a, "ampacity_a": worst.ampacity_a, "carries": worst.carries,
        "device_a": worst.device_a if limited else None, "protected": worst.protected,
        "unlimited": unlimited, "why": f"{worst.load_text}; {worst.device_text.removesuffix('; ' + worst.words)}",
    }  # fmt: skip
    return columns, why


def _figures(result):
    shares = [p[key] for p in result.summary["packs"] for key in ("share_ratio_discharge", "share_ratio_charge")]
    shares = [share for share in shares if share is not None]
    poles = result.pack_samples.terminal_v
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


def _undominated(table):
    """Of every row whether no other that may be bought has less copper and no worse sharing; a row that may not is none of them."""
    if "share_ratio" not in table:
        return [False] * len(table)
    ratio, copper = table["share_ratio"], table["copper_kg"].to_numpy()
    if "carries" in table:
        ratio = ratio.where(table["carries"].eq(True) & table["protected"].ne(False))
    ratio = ratio.to_numpy(float)
    lighter, better = copper <= copper[:, None], ratio <= ratio[:, None]  # by row, each of the others
    strictly = (copper < copper[:, None]) | (ratio < ratio[:, None])
    return ~np.isnan(ratio) & ~(lighter & better & strictly).any(axis=1)

"""Tables of years of a bank as people read them, and what the years rest on, for terminal and page."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from simbank.digits import MISSING, energy, percent
from simbank.results import Shown
from simbank.simulation.pack_model import KELVIN
from simbank.studies.ageing.columns import NO_DANGER
from simbank.studies.ageing.course import GROWTH_WORDS
from simbank.studies.ageing.from_full import USABLE_C
from simbank.studies.ageing.seasons import YEAR_S
from simbank.studies.ageing.words import change_years
from simbank.warning import listed

if TYPE_CHECKING:
    from simbank.studies.ageing.aged import Ageing

__all__ = ["UNMET_ALIKE", "basis_of", "laws_shown", "shown_of", "worth_shown"]

ANY_RATE = 1e3  # C: no cell is charged so fast; a law of storage knows no rate
DANGEROUS = ", but dangerous"
UNMET_ALIKE = 5e-4  # of what is asked, below which what is not given is told as alike: four hours of a year; chosen here
_PACKS = {
    "pack": "pack", "left": "capacity left [%]", "band": "from – to [%]", "resistance_growth": "resistance ÷ new",
    "years_to_80": "years to 80 %", "why": "what took most",
}  # fmt: skip
_MORE_OF_PACKS = {
    "loss_points": "lost on the way [points]", "years_band": "years to 80 %: from – to",
    "throughput_ah": "throughput [Ah]", "soc": "mean charge [%]", "mean_c": "mean [°C]", "c_rate_rms": "rms rate [C]",
    "cold_charge_ah": "charged below 10 °C [Ah]",
}  # fmt: skip
_WENT_THROUGH = {key: heading for key, heading in _MORE_OF_PACKS.items() if key != "years_band"}
_YEARS = {
    "year": "year", "usable_wh": "usable [Wh]", "unmet_wh": "unmet in a year [Wh]", "capacity": "capacity spread [points]",
    "resistance_spread": "resistance spread",
}  # fmt: skip
_WORTH = {
    "change": "what is changed", "first": "first", "to_80": "years to 80 %", "gained": "gained", "by_law": "from law to law",
    "by_all_laws": "by all laws", "usable_gained": "usable gained", "not_given": "not given of what is asked",
}  # fmt: skip


def shown_of(found: Ageing, on_page: bool = False) -> list[Shown]:
    """Packs at the end, and the bank by year; bands and what changes are worth, where they are there.

    A page, which does not break long rows, has what packs went through as a table of its own.
    """
    table = found.table.copy()
    titles = {term.name: term.title for term in found.law.terms}
    since = dict(zip(found.last.names, found.last.since / YEAR_S, strict=True))
    table["pack"] = [f"{name}, new in year {since[name]:.3g}" if since[name] > 0.0 else name for name in table["pack"]]
    table["left"] = [f"{100 * value:.1f}" for value in table["capacity_left"]]
    pairs = zip(table["capacity_left_low"], table["capacity_left_high"], strict=True)
    table["band"] = [f"{100 * low:.0f} to {100 * high:.0f}" for low, high in pairs]
    table["why"] = [
        f"{100 * share:.0f} % {titles[name]}" for name, share in zip(table["main_term"], table["main_share"], strict=True)
    ]
    table["soc"] = [f"{100 * value:.0f}" for value in table["mean_soc"]]
    for column in ("resistance_growth", "c_rate_rms"):
        table[column] = [f"{value:.2f}" for value in table[column]]
    for column in ("years_to_80", "years_to_80_low", "years_to_80_high"):
        table[column] = _years_told(table[column], found)
    table["years_band"] = table["years_to_80_low"] + " to " + table["years_to_80_high"]
    years = found.by_year.copy()
    years["year"] = [f"{value:.3g}" for value in years["year"]]
    years["capacity"] = [f"{100 * value:.1f}" for value in years["capacity_spread"]]
    years["asked"] = [energy(value) for value in years["asked_wh"]]
    years["resistance_spread"] = [f"{value:.2f}" for value in years["resistance_spread"]]
    celsius = found.last.scenario.bank.ambient_k - KELVIN
    packs = _PACKS
    if found.bands is not None:
        _reaches_by_draws(table, found)
        packs = _PACKS | {"band": "5 to 95 % of draws"}
    out = [
        Shown(found.title, table, packs, _MORE_OF_PACKS, ("years_band",)),
        *([Shown("What the packs went through", table, {"pack": "pack"} | _WENT_THROUGH)] if on_page else []),
        Shown(
            _by_year_title(found),
            years,
            _YEARS | {"usable_wh": f"usable at {USABLE_C:g} C, {celsius:.3g} °C [Wh]"},
            {"asked": "asked in a year"},
            ("asked",),
        ),
    ]
    out += [] if found.worth is None else [worth_shown(found)]
    return out if found.bands is None else [*out, *found.bands.shown]


def _reaches_by_draws(table, found):
    """Reaches of packs as the draws have them, in place of those by laws and scatter alone."""
    drawn = found.bands.table
    for k, name in zip(table.index, found.table["pack"], strict=True):
        if (name, "capacity_left") in drawn.index:
            left, years = drawn.loc[(name, "capacity_left")], drawn.loc[(name, "years_to_80")]
            table.loc[k, "band"] = f"{100 * left['low']:.0f} to {100 * left['high']:.0f}"
            low, high = (f"{value:.1f}" if np.isfinite(value) else f"> {found.bands.until:g}" for value in years[["low", "high"]])
            table.loc[k, "years_band"] = f"{low} to {high}"


def _by_year_title(found):
    """That a year in which packs come or go is told before they do."""
    years = [year for year in change_years(found) if abs(year - round(year)) < 1e-6]
    if not years:
        return "The bank by year"
    return f"The bank by year (year {listed([f'{year:.3g}' for year in years])} before packs came or went)"


def worth_shown(found: Ageing) -> Shown:
    """What changes are worth."""
    rows = found.worth.copy()
    rows["to_80"] = _years_told(rows["years_to_80"], found)
    rows["gained"] = [f"{value:z.1f}" if value == value else MISSING for value in rows["years_gained"]]
    ends = zip(rows["years_gained_low"], rows["years_gained_high"], strict=True)
    rows["by_law"] = [f"{low:z.1f} to {high:z.1f}" if low == low and high == high else MISSING for low, high in ends]
    rows["least"] = [f"{100 * value:.1f}" for value in rows["capacity_left_min"]]
    for name in ("usable_gained", "usable"):
        rows[name] = [energy(value) for value in rows[f"{name}_wh"]]
    rows["not_given"] = list(_not_given(rows))
    rows["by_all_laws"] = [
        f"{said.removesuffix(DANGEROUS)}, but DANGER {dangers}, {hours:,.3g} h a year" if dangers != NO_DANGER else said
        for said, dangers, hours in zip(rows["by_all_laws"], rows["dangers"], rows["frozen_charge_h"], strict=True)
    ]
    rows.loc[rows.index[0], "by_law"] = MISSING  # of the bank as it is
    if rows["dangers"].iloc[0] == NO_DANGER:
        rows.loc[rows.index[0], "by_all_laws"] = MISSING
    title = "What a change would be worth: years until the first of the packs that begin above 80 % comes to it"
    return Shown(title, rows, _WORTH, {"least": "least left [%]", "usable": "usable at the end"}, ("least", "usable"))


def _not_given(rows):
    """The share of what is asked that is not given, and whether that is more or less than as it is."""
    base = rows.iloc[0]["unmet_share"]
    for k, share in enumerate(rows["unmet_share"]):
        if share != share:
            yield MISSING
            continue
        apart = share - base
        word = (
            ""
            if k == 0 or max(share, base) < 1e-6
            else ", alike"
            if abs(apart) < UNMET_ALIKE
            else ", more"
            if apart > 0
            else ", less"
        )
        yield f"{percent(share)}{word}"


def laws_shown(found: Ageing) -> Shown:
    """Each pack by each of the laws."""
    laws = found.by_law.copy()
    laws["left"] = [f"{100 * value:.1f}" for value in laws["capacity_left"]]
    laws["years_to_80"] = _years_told(laws["years_to_80"], found)
    columns = {"law": "law", "pack": "pack", "left": "capacity left [%]", "years_to_80": "years to 80 %"}
    return Shown("By law, each on what the windows of the first did to the packs", laws, columns, keys=2)


def _years_told(years, found):
    """Years as text, those that are not within the longest time that is told as later than it."""
    return [f"{value:.1f}" if value == value else f"> {2 * found.asked_years:g}" for value in years]


def basis_of(found: Ageing) -> list[str]:
    """Laws with their papers, cells, licences and the conditions that they were fitted for, and how resistance follows."""
    said = []
    for place, law in enumerate(found.last.laws.laws):
        what = "Ageing by the law" if place == 0 else "Beside it, for the same windows, the law"
        fitted = "; ".join(
            f"{name}: {t.celsius[0]:g} to {t.celsius[1]:g} °C"
            + (f", {t.c_rate[0]:g} to {t.c_rate[1]:g} C" if t.c_rate[1] < ANY_RATE else "")
            + ("" if t.days is None else f", {t.days:g} days")
            for name, t in law.fitted.items()
        )
        said.append(f"{what} {law.name}, of {law.cell} cells: {law.source} {law.licence}. Fitted for {fitted}.")
    return [*said, f"Growth of resistance: {GROWTH_WORDS}."]

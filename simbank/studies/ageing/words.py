"""What years of a bank come to, in sentences: who is first and why, whether packs come together, what it rests on."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from simbank.digits import number
from simbank.studies.ageing.course import GROWTH_WORDS
from simbank.studies.ageing.from_full import USABLE_C
from simbank.studies.ageing.seasons import DAYS_A_YEAR, YEAR_S, is_dated
from simbank.warning import listed

if TYPE_CHECKING:
    from simbank.studies.ageing.aged import Ageing

__all__ = [
    "POINTS_THAT_COUNT",
    "change_years",
    "cut_short_by",
    "cut_short_years",
    "error_words",
    "other_current",
    "those_at_end",
    "words_of",
]

POINTS_THAT_COUNT = 0.2  # by which a spread must change to be said to narrow or widen; chosen here, above the error of the steps
DRAG_YEARS = 0.1  # which a table of years shows; less is said to be nothing
ALIKE = 0.01  # up to which two currents are told as one; chosen here
MOST_NAMED = 4  # packs in a sentence


def words_of(found: Ageing) -> list[str]:
    """Who is first and why, whether packs grow together, what it rests on."""
    table = found.table.set_index("pack")
    first, fast = table.loc[found.first], found.terms[found.terms["pack"] == found.fastest].sort_values("share", ascending=False)
    to_80, many = first["years_to_80"], len(found.tied) > 1
    when = f"{'come' if many else 'comes'} to 80 % first, after {_range(table.loc[found.tied, 'years_to_80'])} years"
    if to_80 <= 0:
        when = f"{'have' if many else 'has'} 80 % or less to begin with"
    below = [name for name in table.index if name not in found.begins_above]
    if not np.isfinite(to_80):
        whose = " of those that began above 80 %" if below else ""
        when = f"{'have' if many else 'has'} the least at the end{whose}, and no pack comes to 80 % within twice these years"
        if below and len(found.begins_above) == 1:
            when = "is the only pack that began above 80 %, and does not come to it within twice these years"
    alike = ", which the steps cannot tell apart," if many else ""
    said = [f"{listed(found.tied)}{alike} {when}; at the end {found.first} has {100 * first['capacity_left']:.1f} %."]
    if below:
        said.append(
            f"{listed(below)} had 80 % or less to begin with, and {'is' if len(below) == 1 else 'are'} not counted there."
        )
    counted = found.last.start_left
    worn = [name for name, left in zip(found.last.names, counted, strict=True) if found.until is not None and left <= found.until]
    if worn:
        one = len(worn) == 1
        said.append(
            f"{listed(worn)} {'begins' if one else 'begin'} with {100 * found.until:.3g} % or less of the capacity as new, and "
            f"{'does' if one else 'do'} not end the years."
        )
    said += _replaced_words(found)
    said.append(_duty_words(found))
    shares = listed([f"{row['what']} {100 * row['share']:.0f} %" for _, row in fast.iterrows() if row["share"] >= 0.005])
    said.append(f"{found.fastest} loses most, {table.loc[found.fastest, 'loss_points']:.1f} points: {shares}.")
    said += _together_words(found)
    said += _among_alike_words(found)
    if found.cut_short:
        what = f"Usable energy of {cut_short_years(found)} is {cut_short_by(found)}, not what the packs hold."
        said.append(f"{what}{other_current(found)}")
    how = (
        "Every day was gone through."
        if found.full
        else f"{found.runs} windows were run; the steps between them err by {error_words(found)}."
    )
    drawn = [] if found.bands is None else found.bands.words
    return [*said, *drawn, f"{how}{_closure_words(found)} Relation used: {GROWTH_WORDS}."]


def cut_short_by(found: Ageing) -> str:
    """What usable energy is where it is cut short: "what device inverter lets through"."""
    names = list(dict.fromkeys(opened.name for _, discharge in found.cut_short for opened in discharge.opened))
    more = f" (and {len(names) - MOST_NAMED} more)" if len(names) > MOST_NAMED else ""
    return f"what {listed(names[:MOST_NAMED])}{more} {'lets' if len(names) == 1 else 'let'} through"


def cut_short_years(found: Ageing) -> str:
    """In which years they do."""
    years = [year for year, _ in found.cut_short]
    every = [float(year) for year in found.grid_years]
    if years == every:
        return "every year"
    k = every.index(years[0])
    told = [f"{year:.3g}" for year in years]
    return f"year {told[0]} to {told[-1]}" if len(years) > 2 and years == every[k : k + len(years)] else f"year {listed(told)}"


def other_current(found: Ageing) -> str:
    """Why `simbank usable` tells another figure of the first of these years, where it does."""
    year, discharge = found.cut_short[0]
    if abs(discharge.present_a - discharge.current_a) <= ALIKE * discharge.current_a:
        return ""
    return (
        f" In year {year:.3g} simbank usable would ask {discharge.present_a:.0f} A, {USABLE_C:g} C of the capacity that the packs have, and so "
        f"tells another figure than at these {discharge.current_a:.0f} A, which are of the capacity as new and alike in all years."
    )


def change_years(found: Ageing) -> list[float]:
    """Years since the start at which packs came or went, up to the end."""
    begins = [segment.times[0] / YEAR_S for segment in found.segments[1:]]
    return [year for year in begins if year < found.years - 1e-6]


def _replaced_words(found):
    """Of packs that stand in the place of others of their name: which of the two is told, and what the other had left."""
    for before, segment in pairwise(found.segments):
        if segment.times[0] >= found.years * YEAR_S - 1.0:
            return
        year = f"{segment.times[0] / YEAR_S:.3g}"
        left = before.left(before.ages[-1])
        for k, name in enumerate(before.names):
            if name not in segment.names or segment.has_same(before, name):
                continue
            told = name in found.last.names and found.last.has_same(segment, name)
            here = f"{name} is the new pack of year {year}" if told else f"{name} was replaced in year {year}"
            yield (
                f"{here}; the one in whose place it stands had {100 * left[k]:.1f} % left by then."
                if told
                else (f"{here}, when it had {100 * left[k]:.1f} % left.")
            )


def _closure_words(found):
    """How the balances of the windows close."""
    worst = found.closure
    if not worst:
        return ""
    return f" Their balances close to {worst['charge_relative']:.0e} in charge and {worst['energy_relative']:.0e} in energy at worst."


def _range(years):
    """From the least of some years to the most, in words; one where they read the same."""
    low, high = (f"{value:.1f}" for value in (years.min(), years.max()))
    return low if low == high else f"{low} to {high}"


def _among_alike_words(found):
    """Whether used packs drag the best ones down."""
    if found.among_alike is None:
        return
    row = found.among_alike.loc[found.among_alike["years_to_80"].fillna(np.inf).idxmin()]
    used, pack, longest = listed(found.among_alike.attrs["used"]), row["pack"], 2.0 * found.asked_years
    one = len(found.among_alike.attrs["used"]) == 1
    changes = " (no pack exchanged on the way)" if found.scenario.file.changes else ""
    place = "with packs like itself of as many Ah in their place, so that each carries its share"
    when = [
        f"after {y:.1f} years" if np.isfinite(y) else f"after more than {longest:g} years"
        for y in row[["years_to_80", "years_to_80_alike"]]
    ]
    lost, low, high = row[["years_lost", "years_lost_low", "years_lost_high"]].astype(float)
    if not np.isfinite([lost, low, high]).all():
        yield f"Beside {used}, {pack} comes to 80 % {when[0]}{changes}; {place}, {when[1]}."
    elif max(abs(lost), abs(low), abs(high)) < DRAG_YEARS:
        yield f"{used} {'does' if one else 'do'} not drag {pack} down: it comes to 80 % {when[0]}{changes}, and {place}, alike ({when[1]})."
    else:
        what = ("cost" if lost > 0 else "gain") + ("s" if one else "")
        yield (
            f"{used} {what} {pack} {abs(lost):.1f} years (from law to law {low:z.1f} to {high:z.1f} lost): it comes to 80 % "
            f"{when[0]}{changes}, and {place}, {when[1]}."
        )


def _duty_words(found):
    """What the duty asks, and how many cycles that is."""
    segment = found.segments[0]
    _, stress = min(segment.yearly, key=lambda found: found[0])
    asked = stress.ports["asked_wh"] / DAYS_A_YEAR / 1000.0
    rated = sum(pack.rated_capacity_ah for pack in segment.scenario.bank.packs)
    cycles = float(np.sum(stress.figures["throughput_ah"])) / (2.0 * rated)
    asks = f"asks {_in_digits(asked)} kWh a day and " if asked > 0 else ""
    takes = (
        f"At the start the duty {asks}takes the packs through {_in_digits(cycles)} full cycles a year (of their capacity as new)."
    )
    return f"{takes}{_length_words(segment.scenario)}"


def _in_digits(value):
    """Three digits, without an exponent; what is too little to matter as less than a hundredth."""
    return "less than 0.01" if 0.0 < value < 0.01 else number(float(f"{value:.3g}"))


def _length_words(scenario):
    """How long a duty without dates is, that is gone through again and again."""
    if is_dated(scenario):
        return ""
    hours = scenario.duty.duration_s / 3600.0
    days = hours / 24.0
    length = f"{hours:.3g} h" if days < 3.0 else f"{days:.3g} days"
    count = DAYS_A_YEAR / days
    count = f"{count:,.0f}" if count >= 100.0 else f"{count:.3g}"
    times = f" It is {length} long and gone through {count} times a year, without a pause"
    whole = abs(days - round(days)) < 1e-3
    return times + ("." if whole else ": where it stands for a day, give it the rest that fills the day.")


def those_at_end(found: Ageing) -> str:
    """Whose spread is told: the packs of the last segment, and from when they are together; "the packs" where none came or went."""
    segment = found.last
    if segment is found.segments[0]:
        return "the packs"
    names = listed(list(segment.names)) if len(segment.names) <= MOST_NAMED else f"the {len(segment.names)} packs that are there"
    return f"{names} from year {segment.times[0] / YEAR_S:.3g} on"


def _together_words(found):
    """Whether capacities and resistances come together or go apart."""
    if len(found.table) < 2:
        if len(found.segments[0].names) > 1:
            yield f"Only {found.table['pack'].iloc[0]} is there at the end: nothing comes together or goes apart."
        return
    told = found.converges
    for what, many, unit in (("capacity", "Capacities", "points"), ("resistance", "Resistances", "% of the resistance as new")):
        before, after = (100.0 * told[f"{what}_spread_{end}"] for end in ("start", "end"))
        verb = {"together": "come together", "apart": "go apart", "neither": "stay as far apart"}[told[what]]
        if max(before, after) < POINTS_THAT_COUNT:
            verb = "are alike and stay so"
        yield f"{many} of {those_at_end(found)} {verb}: spread {before:.1f} to {after:.1f} {unit}."


def error_words(found: Ageing) -> str:
    """How far the steps may be off."""
    return (
        f"some {found.error_points:.2f} points of capacity"
        if np.isfinite(found.error_points)
        else "an amount that is not estimated"
    )

"""The verdicts of years of a bank: who ages first and why, whether packs grow together, what the load will miss, how far laws differ."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from simbank.digits import energy, percent
from simbank.judging import rules
from simbank.judging.rules import verdict
from simbank.judging.warned import warning_verdicts
from simbank.simulation.bank_warnings import FREEZING
from simbank.studies.ageing import Ageing
from simbank.studies.ageing.aged import BEYOND
from simbank.studies.ageing.columns import NO_DANGER
from simbank.studies.ageing.told import UNMET_ALIKE
from simbank.studies.ageing.warned import BRIEFLY
from simbank.studies.ageing.words import cut_short_by
from simbank.studies.ageing.worth import COOLER_K
from simbank.verdict import ACT, NOTE, Verdict
from simbank.warning import listed

__all__ = ["ageing_verdicts"]

COLD_CODES = (FREEZING, BRIEFLY)


def ageing_verdicts(found: Ageing) -> Iterator[Verdict]:
    """Verdicts on years of a bank."""
    yield from warning_verdicts(found.warnings)
    yield _first(found)
    yield from _together(found)
    yield from _causes(found)
    yield from _unmet(found)
    yield from _laws(found)
    yield from _worth(found)


def _first(found):
    """Who comes to 80 % first."""
    table = found.table.set_index("pack")
    name, row = found.first, table.loc[found.first]
    when, soon = row["years_to_80"], row["years_to_80_low"]
    left = f"{100 * row['capacity_left']:.0f} %"
    if when <= 0.0:
        text = f"{name} is at or below 80 % of its capacity as new to begin with; in {found.years:.3g} years it comes to {left}."
    elif np.isfinite(when):
        band = ""
        if found.bands is not None:
            band = _by_draws(found)
        elif np.isfinite(soon) and soon < when - 0.05:
            band = f" ({soon:.1f} years where cells or laws are at their worst; how far the file's own values may be off is not in it: --bands)"
        who, comes = (
            (f"{listed(found.tied)} (alike within the error of the steps)", "come") if len(found.tied) > 1 else (name, "comes")
        )
        text = f"{who} {comes} to 80 % of capacity first, after {when:.1f} years{band}: most of it by {_title(found, row['main_term'])}."
    else:
        who = f"{listed(found.tied)} {'has' if len(found.tied) == 1 else 'have'}"
        text = (
            f"No pack comes to 80 % of its capacity within twice these {found.asked_years:.3g} years; {who} least left, {left}."
        )
    severity = ACT if np.isfinite(when) and when <= found.years else NOTE
    return verdict("ages-first", ", ".join(found.tied), text, severity, years_to_80=when, capacity_left=row["capacity_left"])


def _by_draws(found):
    """Years until the pack that is named first has 80 %, as the draws have them, in words."""
    name, bands = found.first, found.bands
    row = bands.table.loc[(name, "years_to_80")]
    low, mid, high = (
        f"{row[end]:.1f}" if np.isfinite(row[end]) else f"more than {bands.until:g}" for end in ("low", "mid", "high")
    )
    whose = f"{name}: " if len(found.tied) > 1 else ""
    parts = [f"{whose}{low} to {high} in nine draws of ten, {mid} in the middle"]
    own, other = bands.begins_below_of(name)
    if own > 0.0:
        parts.append(f"in {percent(own)} of them it begins at 80 % or less, which counts as 0 years")
    if other > 0.0:
        parts.append(f"in {percent(other)} of them another pack begins at 80 % or less, which does not count here")
    if (first := bands.shares["ages_first"].get(name, 0.0)) < 1.0:
        parts.append(f"it is first in {percent(first)} of them")
    return f" by the file's own values ({'; '.join(parts)})"


def _title(found, term):
    return next(part.title for part in found.law.terms if part.name == term)


def _together(found):
    """Whether capacities grow together or apart."""
    if len(found.table) < 2:
        return
    told = found.converges
    before, after = (100.0 * told[f"capacity_spread_{when}"] for when in ("start", "end"))
    spread = f"from {before:.1f} to {after:.1f} points"
    numbers = {"spread_start_points": before, "spread_end_points": after}
    ohmic = {
        "together": "resistances, too, come together",
        "apart": "resistances go apart",
        "neither": "resistances stay as far apart",
    }
    end = f"; {ohmic[told['resistance']]}."
    if found.bands is not None:
        share = found.bands.shares["capacities"].get(told["capacity"], 0.0)
        end += f" Capacities do so in {percent(share)} of the draws."
        numbers["holds_in"] = share
    if told["capacity"] == "together":
        yield verdict(
            "packs-grow-together", "bank", f"Capacities left of {found.those_at_end()} come together, {spread}{end}", **numbers
        )
    elif told["capacity"] == "apart":
        text = f"Capacities left of {found.those_at_end()} go apart, {spread}{end} "
        text += f"Look at what sets {found.fastest} apart: its place, its warmth, its charge."
        yield verdict("packs-grow-apart", found.fastest, text, **numbers)


def _causes(found):
    """What takes most, where something can be done about it."""
    terms, table = found.terms, found.table.set_index("pack")
    for name in table.sort_values("loss_points", ascending=False).index:
        own = terms[terms["pack"] == name].set_index("term")["share"]
        cold = float(own[[term for term in own.index if term.startswith("cold charge")]].sum())
        if cold >= rules.COLD_CHARGE_SHARE:
            text = f"{100 * cold:.0f} % of what {name} loses is by charge taken fast or in the cold: charge it more slowly, and warm it before."
            yield verdict("cold-charge-ages", str(name), text, share=cold)
            break
    name = found.fastest
    row = table.loc[name]
    own = terms[terms["pack"] == name].set_index("term")["share"]
    if own.get("storage", 0.0) >= rules.STORAGE_SHARE and row["mean_soc"] >= rules.HIGH_CHARGE_SOC:
        where = f"{row['mean_c']:.0f} °C and a mean charge of {100 * row['mean_soc']:.0f} %"
        text = f"{100 * own['storage']:.0f} % of what {name} loses is by time at {where}, not by work: {_less_time_near_full(found)}."
        yield verdict("ages-by-high-charge", name, text, share=own["storage"], mean_soc=row["mean_soc"])


def _floats(found):
    """Whether a charger of the bank holds a float voltage, which could be lower."""
    return any(port.charger is not None and port.charger.float_ is not None for port in found.scenario.file.ports)


def _less_time_near_full(found):
    """What to do about loss by time near full: what was tried and does harm is not advised."""
    lower = "float voltage" if _floats(found) else "charge voltage, or an earlier end of the charge"
    does, but = [f"less time near full (a lower {lower}, while the load is still met)"], []
    if _misses(found, "float "):
        does, but = [], ["a lower float voltage would leave more of what is asked not given"]
    if any(warning.code in COLD_CODES for warning in found.warnings) or _cold_charge_share(found) >= rules.COLD_TAKEN_SHARE:
        but.append("a cooler place is not the way, since the packs are charged in the cold as it is")
    elif _dangers(found, f"{COOLER_K:g} K cooler"):
        but.append(f"{COOLER_K:g} K cooler they would be charged below freezing")
    elif _misses(found, f"{COOLER_K:g} K cooler"):
        but.append("a cooler place would leave more of what is asked not given")
    else:
        does.append("a cooler place")
    if not does:
        return f"less load does little about it; {listed(but)}"
    does = f"{' and '.join(does)} {'does' if len(does) == 1 else 'do'} more than less load"
    return "; ".join([does, listed(but)] if but else [does])


def _cold_charge_share(found):
    """Share of the charge taken that is taken below 10 °C."""
    return 2.0 * found.table["cold_charge_ah"].sum() / max(found.table["throughput_ah"].sum(), 1e-9)


def _tried(found, begins):
    """The rows of changes whose name begins so."""
    return None if found.worth is None else found.worth[found.worth["change"].str.startswith(begins)]


def _misses(found, begins):
    """Whether such a change was tried and more was not given with it."""
    tried = _tried(found, begins)
    return tried is not None and bool((tried["unmet_saved_wh"] < -_unmet_alike_wh(found)).any())


def _dangers(found, begins):
    """Whether such a change was tried and is dangerous."""
    tried = _tried(found, begins)
    return tried is not None and "dangers" in tried and bool((tried["dangers"] != NO_DANGER).any())


def _unmet_alike_wh(found):
    """By how much less energy not given may differ before it is told [Wh]."""
    return max(rules.FLOAT_MISSES_WH, UNMET_ALIKE * found.sum_of_years("asked_wh"))


def _unmet(found):
    """What of the load is missed at the end that was not at the start."""
    years = found.by_year
    first, last = years.iloc[0], years.iloc[-1]
    if last["asked_wh"] <= 0:
        return
    before, after = (row["unmet_wh"] / max(row["asked_wh"], 1e-9) for row in (first, last))
    if before >= rules.UNMET_GROWS_SHARE:
        text = (
            f"{percent(before)} of what is asked in a year is not given from the start: the bank or what charges it is too small for this "
            "load, or a limit or a cut-off stops it."
        )
        yield verdict("unmet-from-start", "bank", text, share_start=before)
    if after - before >= rules.UNMET_GROWS_SHARE:
        text = (
            f"After {last['year']:.3g} years {100 * after:.1f} % of what is asked in a year is not given, at the start {100 * before:.1f} %: "
            "plan packs or less load before then."
        )
        yield verdict("unmet-grows", "bank", text, share_start=before, share_end=after)


def _laws(found):
    """How far the laws differ."""
    laws = found.by_law
    if laws["law"].nunique() < 2:
        return
    by_pack = laws.groupby("pack")["capacity_left"].agg(lambda left: left.max() - left.min())
    apart = 100.0 * float(by_pack.max())
    if apart >= rules.LAWS_APART_POINTS:
        name = str(by_pack.idxmax())
        own = laws[laws["pack"] == name]
        told = ", ".join(f"{100 * row['capacity_left']:.0f} % by {row['law']}" for _, row in own.iterrows())
        text = f"The laws differ by {apart:.0f} points of capacity at the end: {name} has {told}. Years told here are good for no more than that."
        yield verdict("laws-disagree", name, text, points=apart)


def _how_sure(row, best):
    """How far the laws agree on the years that a change gains."""
    low, high = row["years_gained_low"], row["years_gained_high"]
    known = np.isfinite(low) and np.isfinite(high)
    if row["by_all_laws"] == "not settled":
        return f" (not sure: from law to law {low:z.1f} to {high:z.1f})" if known else " (not sure: the laws do not agree)"
    if not known:
        return ""
    size = "; by all laws a gain, of unsure size" if high - low >= rules.LAWS_SIZE_SHARE * best else ""
    return f" ({low:z.1f} to {high:z.1f} from law to law{size})"


def _worth(found):
    """Which of the changes that were tried gains most, in years and in energy."""
    if found.worth is None or len(found.worth) < 2:
        return
    base, every = found.worth.iloc[0], found.worth.iloc[1:]
    tried = every[every["dangers"] == NO_DANGER]
    harms = _harms(every[every["dangers"] != NO_DANGER])
    if not len(tried):
        yield verdict("worth-most", "bank", f"No change is told as a gain here.{harms}", NOTE)
        return
    said, numbers = {}, {}
    enough, longest, alike = rules.WORTH_ENERGY * base["usable_wh"], BEYOND * found.asked_years, _unmet_alike_wh(found)
    saves = max(alike, rules.UNMET_SAVED_SHARE * base["unmet_share"] * base["asked_wh"]) if base["unmet_share"] > 0.0 else np.inf
    later = tried["years_gained"]
    if np.isfinite(base["years_to_80"]):
        later = tried["years_to_80"].fillna(np.inf) - base["years_to_80"]  # infinite: not within the longest time that is told
    for key, gained, least, words in (
        ("years_gained", later, rules.WORTH_YEARS, "puts off 80 % most, {}"),
        ("usable_gained_wh", tried["usable_gained_wh"], enough, "has most more to use at the end, {}"),
        ("unmet_saved_wh", tried["unmet_saved_wh"], saves, "saves most of what is not given in all these years, {}"),
    ):
        if gained.max() >= least:
            best, change = gained.max(), tried.loc[gained.idxmax(), "change"]
            years = f"by {best:.1f} years" if np.isfinite(best) else f"to beyond {longest:g} years"
            said.setdefault(change, []).append(words.format(years if key == "years_gained" else energy(best)))
            if np.isfinite(best):
                numbers[key] = best
            if key == "years_gained":
                row = tried.loc[gained.idxmax()]
                numbers |= {end: row[end] for end in ("years_gained_low", "years_gained_high")}
                said[change][-1] += _how_sure(row, best)
    if said:
        for change in said:
            own = tried.set_index("change").loc[change]
            if -own["unmet_saved_wh"] > alike:
                shares = f"{percent(own['unmet_share'])} of what is asked, as it is {percent(base['unmet_share'])}"
                said[change].append(f"but {energy(-own['unmet_saved_wh'])} more are not given ({shares})")
        text = f"Of what was tried, {'; '.join(f'{change} {listed(words)}' for change, words in said.items())}."
    else:
        text = (
            f"None of what was tried ({', '.join(tried['change'])}) puts off 80 % by {rules.WORTH_YEARS:g} years or has "
            f"{100 * rules.WORTH_ENERGY:g} % more energy."
        )
    if found.cut_short:
        text += f" Energy to use is here {cut_short_by(found)}."
    yield verdict("worth-most", "bank", f"{text}{harms}", NOTE, **numbers)


def _harms(rows):
    """Changes that do not count, since they are dangerous, in words."""
    if not len(rows):
        return ""
    told = [f"{row['change']} (charged below freezing for {row['frozen_charge_h']:,.3g} h a year)" for _, row in rows.iterrows()]
    return f" DANGER, and no gain, however long packs then last by the law: {listed(told)}."

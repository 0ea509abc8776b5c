"""What must be known before any figure of years of a bank: charge in the frost, a law beyond its tests, steps too long."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from simbank.digits import number as in_digits
from simbank.simulation.bank_warnings import FREEZING
from simbank.studies.ageing.from_full import CUT_SHORT, USABLE_C
from simbank.studies.ageing.seasons import LEAST_WINDOW_DAYS, YEAR_S, is_dated
from simbank.studies.ageing.window_runs import BALANCE_MISSED, LEAST_LEFT
from simbank.studies.ageing.words import cut_short_by, cut_short_years, error_words, other_current
from simbank.studies.described import bank_warnings
from simbank.warning import BankWarning, listed

if TYPE_CHECKING:
    from simbank.studies.ageing.aged import Ageing

__all__ = ["warnings_of"]

FROZEN_H = 0.01  # a year; as of a run
BRIEFLY = "frost-charge-brief"
BRIEF_H, BRIEF_SHARE = 2.0, 1e-3  # a year; of the capacity as new: what a BMS lets through before it blocks. Chosen here
OUTSIDE_SHARE = 0.05  # of the packs' time outside a law's conditions, from where on it is warned of; chosen here


def warnings_of(found: Ageing) -> list[BankWarning]:
    """What must be known before any of the figures."""
    frozen = list(_frozen(found))
    of_bank = [w for w in bank_warnings(found.scenario) if not frozen or w.code != FREEZING]
    drawn = [] if found.bands is None else found.bands.warnings
    of_windows = [*_of_temperatures(found), *_of_windows(found), *_of_balances(found)]
    return [*frozen, *of_bank, *_of_law(found), *of_windows, *_of_usable(found), *_of_openings(found), *drawn]


def _frozen(found):
    """Packs charged so cold that their cells take no charge, in the worst year of each."""
    worst = {}
    looks = [(s, look) for s in found.segments for look in s.yearly]
    of_parts = [
        (s, look) for s in found.segments if s.whole_years for look in s.stresses
    ]  # of a year, the rest of which may be warm
    for whole, (segment, (at, stress)) in [*((True, look) for look in looks), *((False, look) for look in of_parts)]:
        if at > found.years * YEAR_S + 1.0:
            continue
        for k, name in enumerate(segment.names):
            told = stress.figures["frozen_charge_h"][k], stress.figures["frozen_charge_ah"][k]
            if whole or worst[name][0] <= FROZEN_H:
                worst[name] = max(worst.get(name, (0.0, 0.0)), told)
    cold = [(told, name) for name, told in worst.items() if told[0] > FROZEN_H]
    cold.sort(key=lambda found: -round(found[0][0], 1))
    blocked = _blocked_in_the_cold(found)
    brief = [
        (told, name) for told, name in cold if name in blocked and told[0] <= BRIEF_H and told[1] <= BRIEF_SHARE * blocked[name]
    ]
    if brief:
        most = max(told[0] for told, _ in brief), max(told[1] for told, _ in brief)
        yield BankWarning(
            BRIEFLY, ", ".join(name for _, name in brief),
            f"{listed([name for _, name in brief])} {'is' if len(brief) == 1 else 'are'} charged below freezing for {most[0]:,.2g} h a year at "
            f"most ({in_digits(most[1], 'Ah')} Ah): the BMS of the file blocks charge in the cold, and this is what its delay and its retries "
            "let through. See that those of the real one are as short.",
        )  # fmt: skip
    cold = [one for one in cold if one not in brief]
    if not cold:
        return
    (hours, charge), name = cold[0]
    more = (
        f" (so {'is' if len(cold) == 2 else 'are'} {listed([other for _, other in cold[1:]])}, for no longer)" if cold[1:] else ""
    )
    yield BankWarning(
        FREEZING, ", ".join(other for _, other in cold),
        f"{name} is charged colder than its cells take any charge, for some {hours:,.3g} h a year ({in_digits(charge, 'Ah')} Ah){more}: "
        "lithium plates, which harms cells for good and can short them, and the law knows nothing of it. "
        + (
            "Warm them first, and raise the lowest charge temperature of the BMS, or shorten its delay: as it is it lets this through."
            if all(name in blocked for _, name in cold)
            else "Warm them first, or give the BMS a lowest charge temperature."
        ),
    )  # fmt: skip


def _blocked_in_the_cold(found):
    """Packs whose BMS, by the file, blocks charge in the cold, with their capacity as new [Ah]."""
    packs = (pack for segment in found.segments for pack in segment.scenario.bank.packs if pack.bms is not None)
    return {
        pack.name: pack.rated_capacity_ah
        for pack in packs
        if np.isfinite(pack.bms.charge_temperature.lower)
        and not pack.bms.at_cell_limits
        and pack.bms.stuck not in ("charge", "both")
    }


def _of_law(found):
    """Where the law is used beyond what it was fitted to."""
    law, outside = found.law, {}
    for segment in found.segments:
        for _, stress in segment.stresses:
            for word, share in stress.outside.items():
                outside[word] = max(outside.get(word, 0.0), share)
    far = [f"{word} for {100 * share:.0f} % of the packs' time" for word, share in outside.items() if share >= OUTSIDE_SHARE]
    days = [table.days for table in law.fitted.values() if table.days is not None]
    if days and found.years * 365.25 > max(days):
        far.append(f"longer than its tests of {max(days):g} days")
    if far:
        yield BankWarning(
            "beyond-ageing-law", "bank",
            f"The law {law.name} is used beyond the conditions that it was fitted for: {'; '.join(far)}. What it says there is a guess.",
        )  # fmt: skip
    other = [pack.name for s in found.segments for pack in s.scenario.bank.packs if pack.chemistry.name not in law.chemistries]
    if other:
        yield BankWarning(
            "other-cells-than-law", ", ".join(dict.fromkeys(other)),
            f"The law {law.name} is of {law.cell} cells; packs of another chemistry may age quite differently.",
        )  # fmt: skip
    yield BankWarning(
        "ageing-unknown", "bank",
        "No law here knows of sudden loss after a knee, of a cell that fails, or of cells of one pack that go apart: a pack may end years "
        "before what is told.",
    )  # fmt: skip
    used = [
        name for segment in found.segments for name, left in zip(segment.names, segment.start_left, strict=True) if left < 1.0
    ]
    if used:
        rests = (
            " That capacities come together rests on it."
            if found.converges["capacity"] == "together" and (found.last.start_left < 1.0).any()
            else ""
        )
        yield BankWarning(
            "begins-used", ", ".join(dict.fromkeys(used)),
            "What a used pack has lost is taken to be by this same duty, so that it now loses more slowly than a new one, by the law's root "
            f"of time and charge. Lost by abuse or a bad cell, it may go on faster.{rests}",
        )  # fmt: skip
    worn = {
        name: left for segment in found.segments for name, left in zip(segment.names, segment.start_left, strict=True) if left <= LEAST_LEFT
    }  # fmt: skip
    if worn:
        begins = listed([f"{name} begins with {100 * left:.3g} %" for name, left in worn.items()])
        yield BankWarning(
            "beyond-ageing-law", ", ".join(worn),
            f"{begins} of the capacity as new, {100 * LEAST_LEFT:.0f} % or less, where years end for other packs: no law was fitted so far, "
            f"and what is told of {'it' if len(worn) == 1 else 'them'} is a guess. {'It does' if len(worn) == 1 else 'They do'} not end the "
            "years.",
        )  # fmt: skip
    if law.leaves_out:
        yield BankWarning("ageing-left-out", "bank", f"The law {law.name} leaves out {law.leaves_out}.")


def _of_temperatures(found):
    """Packs whose file gives a temperature at the start, which is forgotten within hours or days."""
    forgotten = {
        pack.name: None
        for segment in found.segments
        for pack in segment.scenario.bank.packs
        if pack.temperature_k is not None and pack.heat_capacity_j_k > 0.0
    }
    if forgotten:
        yield BankWarning(
            "temperature-at-start", ", ".join(forgotten),
            f"The temperature that the file gives {listed(list(forgotten))} is that at the start: with mass and heat_loss a pack comes to "
            "that of the air and its own heat within hours or days, and years know nothing of it. To keep one pack warmer or cooler all "
            "years, give it a pack type without mass and heat_loss: it then stays at its temperature.",
        )  # fmt: skip


def _of_windows(found):
    """A projection whose steps are too long, or that ended early, or before a change of the bank."""
    late = [f"changes.{k}" for k, c in enumerate(found.scenario.file.changes) if c.at >= found.asked_years * YEAR_S]
    if late:
        yield BankWarning(
            "change-beyond-years", ", ".join(late),
            f"{listed(late)} of the file {'is' if len(late) == 1 else 'are'} at or beyond the end of these {found.asked_years:g} years, "
            "and not in any figure here. Ask for more years, or for an earlier time.",
        )  # fmt: skip
    if found.stopped:
        yield BankWarning("ageing-ended", "bank", f"Stopped with {found.stopped}: figures here are of these.")
    elif found.years < found.asked_years - 1e-6:
        level = LEAST_LEFT if found.until is None else found.until
        yield BankWarning(
            "ageing-ended",
            "bank",
            f"Ended after {found.years:.1f} of {found.asked_years:g} years: the first pack that began above it has {100 * level:.0f} % left.",
        )
    if not found.full and not np.isfinite(found.error_points):
        yield BankWarning(
            "ageing-steps-coarse", "bank",
            "The error of the steps between windows is not estimated: it takes two steps or more (--windows 2).",
        )  # fmt: skip
    days = found.made_by.get("window_days")
    if not found.full and days is not None and days < LEAST_WINDOW_DAYS and any(is_dated(s.scenario) for s in found.segments):
        yield BankWarning(
            "ageing-windows-short", "bank",
            f"Stretches of {days} of real days are at the mercy of a day's weather, an error that halving steps does not show; "
            f"take {LEAST_WINDOW_DAYS} days or more (--window-days).",
        )  # fmt: skip
    if not found.full and found.error_points > 0.5:
        yield BankWarning(
            "ageing-steps-coarse", "bank", f"The steps between windows err by {error_words(found)}; ask for more windows."
        )


def _of_balances(found):
    """Windows in which charge or energy does not close as a run's must."""
    missed = [closure for closure in found.closures if closure.missed]
    if missed:
        worst = max(missed, key=lambda closure: closure.energy + closure.charge)
        many = f"In {len(missed)} of {len(found.closures)} windows a balance is missed, most in {worst.window}"
        yield BankWarning(BALANCE_MISSED, worst.window, f"{many}: {'; '.join(worst.missed)}.")


def _of_usable(found):
    """Years whose usable energy cannot be told."""
    _, failed = found.by_year, found.not_discharged
    if failed:
        years = listed([f"{year:.3g}" for year, _ in failed])
        yield BankWarning(
            "usable-unknown", "bank",
            f"What the bank gives from full to cut-off is not known of year {years}: {failed[0][1]}. All else of the years holds.",
        )  # fmt: skip


def _of_openings(found):
    """Years whose usable energy a device or BMS cuts short."""
    if not found.cut_short:
        return
    year, discharge = found.cut_short[0]
    first, rate = discharge.opened[0], f"{USABLE_C:g} C"
    hours = first.time_s / 3600.0
    when = f"{hours:.1f} h" if hours >= 1.0 else f"{60.0 * hours:.0f} min" if hours >= 1.0 / 30.0 else f"{first.time_s:.0f} s"
    what_to_do = "Ask for less than opens it" if first.by_current else "See that this limit is that of the real one"
    text = (
        f"Usable energy of {cut_short_years(found)} is {cut_short_by(found)}, not what the packs hold: asked for "
        f"{discharge.current_a:.0f} A ({rate} of the capacity as new), in year {year:.3g} {first.name} opens {when} after full "
        f"({first.because}), and {100.0 * discharge.left:.0f} % of the charge is left in the packs at the end. How far these years' energy "
        f"falls says little of how packs age. {what_to_do}; raise a limit only as far as its maker's sheet lets you."
        f"{other_current(found)}"
    )
    where = dict.fromkeys(opened.where for _, one in found.cut_short for opened in one.opened)
    yield BankWarning(CUT_SHORT, ", ".join(where), text)

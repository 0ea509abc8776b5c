"""Whether conductors may carry what flows in a run, and what they lose."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from simbank.judging import rules
from simbank.judging.rules import verdict
from simbank.judging.words import energy, others, short
from simbank.simulation import Result
from simbank.simulation.summary import WH
from simbank.studies.carrying import Carrying, carrying
from simbank.studies.rule_figures import conductors, lasting_rms_a
from simbank.verdict import ACT, DANGER, Verdict

__all__ = ["copper_kg", "overloaded", "unknown_ampacity", "wiring_verdicts"]

NO_CURRENT_A = 0.01  # less is round-off, or nothing that heats a wire
BEST = "xlpe90"  # insulation of the hottest column of the tables


def wiring_verdicts(result: Result) -> Iterator[Verdict]:
    """Verdicts on the conductors of a run."""
    found = overloaded(result, lasting=True)
    if found:
        worst = max(found, key=lambda row: row.strain)
        rest = [row.name for row in found if row is not worst]
        sure = [row for row in found if _surely(row, result.scenario.bank)]
        jacket = "" if sure else " 90 °C insulation might: read the jacket."
        text = (
            f"{worst.name} carries {worst.current_a:.0f} A (RMS over {rules.LASTING_S / 60:.0f} min); {_carries(worst)}{others(rest, 2)}."
            f"{' It runs hotter than its insulation stands.' if sure else ''}{jacket} Fit thicker cable or ask for "
            "less, then a device between load and ampacity."
        )
        yield verdict(
            "conductor-overloaded", ", ".join([worst.name, *rest]), text, DANGER if sure else ACT, current_a=worst.current_a,
            ampacity_a=worst.ampacity_a, conductors=len(found),
        )  # fmt: skip
    bare = unknown_ampacity(result)
    if bare:
        name = max(bare, key=bare.get)
        text = (
            f"What {len(bare)} conductor{'s' * (len(bare) > 1)} that carr{'y' if len(bare) > 1 else 'ies'} current may carry is not known, so "
            f"that overload there was not looked for ({short(bare)}; most in {name}, {bare[name]:.0f} A). Give gauge and insulation, or the "
            "ampacity from the maker's sheet."
        )
        yield verdict("ampacity-unknown", ", ".join(bare), text, conductors=len(bare), current_a=bare[name])
    bank = result.summary["bank"]
    moved, lost = bank["energy_out_wh"] + bank["energy_in_wh"], bank["conductor_loss_wh"]
    if moved and lost > rules.CABLE_LOSS_SHARE * moved:
        lost_j = result.branch_extremes[1]
        name, worst_wh = result.scenario.bank.graph.branches[int(lost_j.argmax())].name, float(lost_j.max() * WH)
        text = (
            f"Cables, joints and devices lose {energy(lost)} of {energy(moved)} moved ({lost / moved * 100:.1f} %), most of it in {name} "
            f"({energy(worst_wh)}). Look for a thin cable or a bad joint there."
        )
        yield verdict("cable-loss", name, text, loss_wh=lost, moved_wh=moved, worst_wh=worst_wh)


def overloaded(result: Result, lasting: bool = False) -> list[Carrying]:
    """Conductors that may not carry what flows in a run.

    Parameters
    ----------
    result : Result
        Of a run.
    lasting : bool
        By the root mean square over 15 minutes against the ampacity, in which there is no doubt left; else by the greatest current
        with the margin of a load that lasts, as a size is chosen. Samples hold until the next, but no more than the heat of the whole
        run counts, so that a peak between two samples is not taken for a minute.

    Returns
    -------
    list of Carrying
        Where the insulation is not given, by the column of the lowest temperature. Conductors whose ampacity is not known are left
        out: :func:`unknown_ampacity` names them.
    """
    bank, (peak_a, lost_j) = result.scenario.bank, result.branch_extremes
    margin, found, currents = (1.0 if lasting else rules.LOAD_MARGIN), [], None
    for branch, k in _placed(bank):
        row = carrying(branch, peak_a[k], np.inf, bank.ambient_k, margin)
        if row.carries is not False:
            continue
        if lasting:
            currents = result.branch_samples if currents is None else currents
            most = np.sqrt(lost_j[k] * WH * 3600.0 / branch.resistance_ohm / rules.LASTING_S)
            lasts = lasting_rms_a(result.pack_samples.time_s, currents[:, k])
            row = carrying(branch, min(lasts, most), np.inf, bank.ambient_k, margin)
        if row.carries is False:
            found.append(row)
    return found


def unknown_ampacity(result: Result) -> dict[str, float]:
    """Conductors that carry current in a run and whose ampacity is not known, with their greatest current [A]."""
    found, (peak_a, _) = {}, result.branch_extremes
    for branch, k in _placed(result.scenario.bank):
        current = float(peak_a[k])
        row = carrying(branch, current, np.inf, result.scenario.bank.ambient_k, 1.0)
        if row.ampacity_a is None and current > NO_CURRENT_A:
            found[branch.name] = current
    return found


def _placed(bank):
    """What may be overloaded, each with its place among all branches."""
    place = {branch.name: k for k, branch in enumerate(bank.graph.branches)}
    return [(branch, place[branch.name]) for branch in conductors(bank)]


def _carries(row):
    """What it may carry, in words, without the note on colder air."""
    return row.words.partition(" (nothing is added")[0]


def _surely(row, bank):
    """Whether a conductor is overloaded whatever its insulation is, or by the insulation that the file gives."""
    branch = next(branch for branch in bank.graph.branches if branch.name == row.name)
    if branch.conductor.gauge is None or branch.conductor.insulation is not None or branch.conductor.ampacity_a is not None:
        return True
    best = replace(branch, conductor=replace(branch.conductor, insulation=BEST))
    return carrying(best, row.current_a, np.inf, bank.ambient_k, row.margin).carries is False


def copper_kg(bank) -> float:
    """Mass of all conductors of a bank [kg]."""
    return float(sum(branch.conductor.mass_kg for branch in bank.graph.branches if branch.conductor is not None))

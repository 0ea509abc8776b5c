"""Verdicts of warnings: the same code, with as much of the text as a verdict may have, and what to do."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator

from simbank.judging.rules import MOST_LETTERS, RULES, verdict
from simbank.judging.words import others, short
from simbank.verdict import ACT, DANGER, Verdict
from simbank.warning import BankWarning

__all__ = ["SAID_BY_RULES", "warning_verdicts"]

# What to do, by code, where the end of the warning's own text says it in more words; ``{where}``: where the warning is of.
TO_DO = {
    "mixed-chemistry": "Do not join them: each kind needs a charger and an inverter of its own.",
    "unequal-cell-count": "Never join them: packs in parallel need the same number of cells in series.",
    "no-own-device": "Fit one at each, close to its terminal, that can break what simbank protect says.",
    "unequal-charge": "Level them first, one at a time, with a charger that limits its current.",
    "charge-below-freezing": "Warm them first, and see that the BMS blocks charge in time (its lowest charge temperature).",
    "beyond-cell-model": "Give it a switch that opens before it is used again.",
    "tripped-at-once": "Ask for less, or share the current more evenly.",
    "unequal-parallel-cells": "Read capacity and resistance again: which is one cell's, which the pack's.",
    "switch-stuck": "Take it out of the bank; until then only its fuse stands between it and the others.",
    "charge-above-limit": "Set both by the maker's sheet.",
    "unequal-age": "Ask the maker, and watch each pack's current and charge.",
    "assumed-bms": "Read the limits of yours from its sheet.",
    "device-cannot-break": "Fit one that can.",
    "conductor-overloaded": "Fit thicker cable there (or ask for less), then a device between load and ampacity.",
    "conductor-unprotected": "Fit thicker cable there, or a device between its load and its ampacity.",
    "no-device-limits": "Add a fuse or breaker.",
    "device-ratings-unknown": "Read them from its sheet.",
    "zero-by-default": "Give them ({where}), or let --bands draw them from what is seen in practice.",
}
# Where the text of a warning begins to say what to do, by code; what stands above says it in fewer words.
ADVICE = {
    "mixed-chemistry": " Do not join", "unequal-cell-count": " Never join", "no-own-device": " Put one at each", "unequal-charge": " Level them",
    "charge-below-freezing": " Warm them", "assumed-bms": ". Give the limits", "switch-stuck": " Take it", "charge-above-limit": ". Set ",
    "unequal-age": " Ask the maker", "zero-by-default": " Give them",
}  # fmt: skip
SAID_BY_RULES = ("ac-load-unmet", "tripped-at-once")  # with more numbers, of a run
SAME = {"ac-load-unmet": "load-unmet"}  # of many runs, whose own figures are not there
OVER_LIMIT = re.compile(r"over (this|these) limit")
NAMED = (
    "device-ratings-unknown",
    "assumed-bms",
    "unequal-parallel-cells",
    "reference-instead",
)  # whose text does not say which packs


def warning_verdicts(warnings: Iterable[BankWarning], without: Collection[str] = ()) -> Iterator[Verdict]:
    """A verdict for each code that is warned of, of the first place with it; the others are named.

    Parameters
    ----------
    warnings : iterable of BankWarning
        Of one result.
    without : collection of str
        Codes that are left out, since rules say them with more numbers.
    """
    by_code = {}
    for warning in warnings:
        by_code.setdefault(warning.code, []).append(warning)
    for code, found in by_code.items():
        if code in without:
            continue
        where = list(dict.fromkeys(name for warning in found for name in warning.where.split(", ")))
        severity = None
        if code == "unequal-charge":
            found.sort(key=lambda warning: not OVER_LIMIT.search(warning.text))
            severity = DANGER if OVER_LIMIT.search(found[0].text) else ACT
        yield verdict(
            code if code in RULES else "warned", ", ".join(where), _told(found[0], len(found)), severity, places=len(where)
        )


def _told(warning, count):
    """As much of a warning as fits, before what to do."""
    todo, text = TO_DO.get(warning.code, "").replace("{where}", warning.where), warning.text
    runs = re.search(r" \((In (?:all )?\d+ (?:of \d+ )?runs[^;)]*)[;)]", text)  # of several runs, in which
    text = text[: runs.start()] if runs else text
    if warning.code in ADVICE:
        text = text.partition(ADVICE[warning.code])[0]
    if warning.code == "device-cannot-break" and (first := re.search(r"In ([^:]+): (.+? the bank reaches [\d.]+ V)", text)):
        rest = others(name for name in warning.where.split(", ") if not first[2].startswith(f"{name} "))
        text = f"{first[2]}{rest}: in {first[1]} it counts as failed closed and protects no conductor"
    if warning.code == "no-device-limits":
        text = text.replace(" in it,", f" in {warning.where},")
    text = re.sub(r" \((are charged|nothing is added) [^()]*\)", "", text)
    if warning.code in NAMED:
        text = f"{short(warning.where.split(', '))}: {text}"
    elif warning.code != "mixed-chemistry":  # whose first word is a name
        text = text[0].upper() + text[1:]
    beside = [f"{count - 1} more likewise"] if count > 1 else []
    beside += [runs[1][0].lower() + runs[1][1:]] if runs and "all" not in runs[1] else []
    more = f" ({'; '.join(beside)})" if beside else ""
    room = MOST_LETTERS - 1 - len(todo) - len(more) - 2
    kept = next(filter(None, (_fitting(text, end, room) for end in (". ", "; ", ": "))), text[:room].rpartition(" ")[0])
    if text.startswith(f"{kept}. ") and (part := _fitting(text[len(kept) + 2 :], "; ", room - len(kept) - 2)):
        kept = f"{kept}. {part}"  # of the next sentence as much as fits
    return f"{kept.rstrip('.;: ')}{more}.{' ' + todo if todo else ''}"


def _fitting(text, end, room):
    """As many parts of a text, each ended by ``end``, as fit into a number of letters; empty if the first does not."""
    kept = ""
    for part in text.split(end):
        longer = f"{kept}{end}{part}" if kept else part
        if len(longer) > room:
            break
        kept = longer
    return kept

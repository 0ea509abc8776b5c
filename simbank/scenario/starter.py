"""A commented starter scenario from a few answers: how many packs, how large, how wired, what is asked."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from os import PathLike

from simbank.bank.ampacity import INSULATIONS
from simbank.bank.assumed import assumed
from simbank.bank.layouts import LAYOUTS
from simbank.cells import library, load_chemistry
from simbank.errors import InputError
from simbank.filemodel import nearest
from simbank.quantities import parse

__all__ = ["starter_scenario"]

NO_LETTERS = ("Cc", "Cs", "Zl", "Zp")  # Unicode's control characters, halves of pairs, and separators of lines and paragraphs


def starter_scenario(
    name: str = "My bank",
    capacities_ah: Sequence[float] = (280.0, 280.0, 100.0),
    layout: str = "chain",
    gauge: str = "2 AWG",
    chemistry: str = "lfp",
    c_rate: float = 0.2,
    folder: str | PathLike | None = None,
) -> str:
    """TOML text of a scenario that runs as it stands, with a comment beside everything that should be replaced.

    Parameters
    ----------
    name : str
        Title of the bank.
    capacities_ah : sequence of float
        Rated capacity of each pack [Ah]; packs of the same capacity share a pack type.
    layout : str
        Any layout but "graph".
    gauge : str
        Of links and leads, such as "2 AWG" or "35 mm2".
    chemistry : str
        Name in the library, or path of a chemistry file, counted from the folder in which the scenario is to stand.
    c_rate : float
        Discharge and charge of the bank.
    folder : path-like, optional
        That folder; by default the working folder.

    Raises
    ------
    InputError
        For a layout or chemistry that there is not, a name of several lines, or capacities and rates that no bank has.
    """
    capacities = [float(c) for c in capacities_ah]
    _check(name, capacities, layout, chemistry, c_rate)
    kind = load_chemistry(chemistry, folder)
    types = {capacity: f"pack_{capacity:.15g}ah".replace(".", "_") for capacity in dict.fromkeys(capacities)}
    lines = [
        f"# {name}: written by simbank new. It runs as it stands; replace what is marked with your own measurements.",
        "# Whose question: how do these packs share their current, wired this way?",
        "# Every key: scenarios/README.md in simbank's repository, or simbank schema --markdown.",
        '# A range is where nine of ten lie that nobody measured (simbank values lists what is not known); measured, it is "5.2 ± 0.3 milliohm".',
        f'name = "{_plain(name)}"',
        'ambient = "25 degC"                   # air around packs and cable',
        "",
        *(line for capacity, label in types.items() for line in _pack_type(label, capacity, chemistry, kind)),
        *(line for number, capacity in enumerate(capacities) for line in _pack(number, types[capacity])),
        *_wiring(layout, gauge),
        *_duty(c_rate),
    ]
    return "\n".join(lines) + "\n"


def _check(name, capacities, layout, chemistry, c_rate):
    if layout not in LAYOUTS:
        raise InputError(f"unknown layout; {nearest(layout, LAYOUTS)}", key="layout", value=layout)
    if chemistry not in library() and not chemistry.endswith(".toml"):
        raise InputError(
            f"no such chemistry; {nearest(chemistry, library())}, or give the path of a .toml file",
            key="chemistry",
            value=chemistry,
        )
    if not name.strip() or any(unicodedata.category(letter) in NO_LETTERS for letter in name):
        raise InputError("must be one line of letters", key="name", value=name)
    if not 1 <= len(capacities) <= 26 or not all(0.001 <= c <= 1e6 for c in capacities):
        raise InputError("needs 1 to 26 capacities from 0.001 to 1000000 Ah, such as 280,280,100", key="packs")
    if not 0 < c_rate <= 10:
        raise InputError("must lie between 0 and 10", key="c-rate", value=c_rate)


def _pack_type(label, capacity, chemistry, kind):
    """Lines of a pack type of a capacity [Ah]."""
    said = "typical of the chemistry: MEASURE yours (simbank cell ohm)"
    if re.search(r"\bresistance\b[^:]*: Measured: ", kind.notes.get("typical", ""), re.IGNORECASE):
        said = "as measured by pulses on one cell, over capacity: MEASURE where yours differs (simbank cell ohm)"
    over = kind.typical["capacity_ah"] / capacity
    seen, resistance = kind.ranges.get("typical.resistance"), f'"{kind.typical["resistance_ohm"] * 1e3 * over:.3g} milliohm"'
    if seen is not None:
        milliohm = parse(f"1 {seen.unit}", "ohm") * 1e3 * over
        resistance = _ranged(resistance, f"{seen.low * milliohm:.3g} milliohm", f"{seen.high * milliohm:.3g} milliohm")
    inside = _ranged('"5 milliohm"', *assumed().internal_wiring.range)
    return [
        f"[pack_types.{label}]",
        f'chemistry = "{_plain(chemistry)}"'
        + " " * 10
        + "# simbank cell list, or the path of your own (simbank cell new, cell import)",
        f"cells_in_series = {kind.series_48v()}",
        f'capacity = "{capacity:.15g} Ah"                # of the whole pack, by its label',
        f"cell_resistance = {resistance}   # of one cell, {said}",
        f"internal_wiring = {inside}   # cell links, BMS switch, terminals: MEASURE",
        "",
    ]


def _pack(number, label):
    """Lines of a pack; they go by A, B, C."""
    return [
        "[[packs]]",
        f'name = "{chr(ord("A") + number)}"',
        f'type = "{label}"',
        "soc = { value = 0.8, within = 0.05 }  # state of charge at the start",
        "# state_of_health = 0.9               # of an aged pack",
        "# device = { ... }                    # its own fuse or breaker, as at the port below",
        "",
    ]


def _wiring(layout, gauge):
    """Lines of wiring and port."""

    def conductor(length):
        joint = _ranged('"0.05 milliohm"', *assumed().joint.range)
        return f'{{ gauge = "{gauge}", length = "{length}", joint = {joint} }}'

    return [
        "[wiring]",
        '# What a cable may carry depends on its insulation: read the jacket, then add insulation = "xlpe90" (90 degC) or another of',
        f"# {', '.join(INSULATIONS)}.",
        f'layout = "{layout}"' + " " * 10 + f"# {', '.join(LAYOUTS)}",
        f"link = {conductor('40 cm')}   # pack to pack, one polarity; MEASURE joints",
        f"lead = {conductor('80 cm')}   # pack to bus bar",
        "",
        "[[ports]]",
        'name = "inverter"',
        f"lead = {conductor('1.5 m')}",
        "# Devices are what simbank protect looks for; take the numbers from their sheets:",
        '# device = { class = "class_t", rating = "250 A", resistance = "0.2 milliohm", '
        'interrupting_rating = "20 kA", voltage_rating = "125 V" }',
        "",
    ]


def _duty(c_rate):
    """Lines of the duty, a day long, so that years of it (``simbank age``) are years of such days."""
    discharge, charge = min(11.0, round(0.6 / c_rate, 2)), min(11.0, round(1.0 / c_rate, 2))
    return [
        "[duty]                                # what is asked: three days of discharge and charge",
        'kind = "cycles"',
        "repeat = 3",
        "steps = [",
        f'  {{ discharge = "{c_rate:g} C", hours = {discharge:g} }},',
        "  { rest = true, hours = 1 },",
        f'  {{ charge = "{c_rate:g} C", tail = "0.02 C", hours = {charge:g} }},',
        f"  {{ rest = true, hours = {24.0 - discharge - 1.0 - charge:g} }},  # to the end of the day",
        "]",
    ]


def _ranged(value, low, high):
    """A value as TOML has it, with the ends of the range in which it may lie."""
    return f'{{ value = {value}, range = ["{low}", "{high}"] }}'


def _plain(text):
    """Text as it stands between quotation marks in TOML."""
    return text.replace("\\", "\\\\").replace('"', '\\"')

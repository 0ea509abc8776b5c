"""Readings that a person can take of a bank, how, how accurately, and what each would show in every draw of the bank."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from threadpoolctl import threadpool_limits

from simbank.bank import Bank
from simbank.bank.graph import Branch
from simbank.cells.fit import OHM_ACCURACY, OHM_SHARE, OHM_V, RECTANGULAR
from simbank.distributions import COVERAGE_FACTOR
from simbank.scenario.changes import name_in_key
from simbank.studies.meters import TURN_SOC, Shown, current_read_at, shown_by

__all__ = ["EFFORT", "Reading", "possible_readings", "readings_of"]

PRACTICE = "common practice, no source"
LEAST_VARIATION = 0.1  # standard deviation of a reading over draws ÷ its error, below which it can tell nothing
ZERO_C_K = 273.15
# What is read, least effort first: in minutes on the bank, then with a pack on its own for hours, then for days. Common practice, no source.
EFFORT = {
    what: k
    for k, what in enumerate(
        ("temperature", "milliohms", "resistance", "current", "resting voltage", "voltage recovery after a load",
         "hysteresis gap after a short discharge",
         "hysteresis gap", "capacity")
    )
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Reading:
    """One reading, or several taken together.

    Attributes
    ----------
    what : str
        What is read: "milliohms", "capacity".
    where : str
        Of what, so that it follows on ``what``: "across the link A-B, positive side".
    how : str
        What to do, for an electrician.
    accuracy : str
        Limits within which the meter and the method stay.
    source : str
        Of the accuracy.
    unit : str
        Of ``values``.
    values : ndarray, shape (draws, numbers)
        What it would show without error in every draw.
    error : ndarray, shape (draws, numbers)
        Standard uncertainty (k = 1): the limits of ``accuracy`` over √3.
    lines : tuple of str
        How what was read goes into the scenario file, a line for each number that has a key, … for the number; after ± the expanded
        uncertainty, twice the standard one.
    """

    what: str
    where: str
    how: str
    accuracy: str
    source: str
    unit: str
    values: np.ndarray
    error: np.ndarray
    lines: tuple[str, ...] = ()


def possible_readings(banks: Sequence[Bank], port_a: Mapping[str, float] | None = None, currents: bool = True) -> list[Reading]:
    """All readings that a person can take of a bank and that would not come out the same in every draw.

    Parameters
    ----------
    banks : sequence of Bank
        One for each draw, all with the same packs, conductors and ports by name.
    port_a : mapping of str to float, optional
        Port → current [A] at which pack currents are read, positive out of the bank. By default :func:`current_read_at` of the first bank.
    currents : bool
        Whether currents an hour after a change are simulated, which takes about 2 ms a draw.

    Returns
    -------
    list of Reading
        Readings that would be the same are one (the gap of packs of one chemistry).
    """
    if not banks:
        return []
    port_a = current_read_at(banks[0]) if port_a is None else port_a
    with threadpool_limits(1):
        return readings_of(banks[0], [shown_by(bank, port_a, currents) for bank in banks], port_a)


def readings_of(bank: Bank, shown: Sequence[Shown], port_a: Mapping[str, float]) -> list[Reading]:
    """As :func:`possible_readings`, of what meters show already.

    Parameters
    ----------
    bank : Bank
        One with the names of all.
    shown : sequence of Shown
        One for each draw, read at the currents ``port_a``.
    port_a : mapping of str to float
        Port → current [A].
    """
    packs = {name: np.array([one.packs[name] for one in shown]) for name in shown[0].packs}
    found = [*_milliohms(bank, shown), *_of_packs(bank, packs, port_a), _ambient(shown), *_currents(shown, port_a)]
    return _merged([r for r in found if r.values.size and np.any(_varies(r))])


def _varies(reading):
    with np.errstate(invalid="ignore"):
        return reading.values.std(axis=0) > LEAST_VARIATION * reading.error.mean(axis=0)


def _merged(found):
    """Readings whose numbers differ by less than their error are one, which names the others."""
    out: list[tuple[Reading, list[str]]] = []
    for reading in found:
        for k, (kept, others) in enumerate(out):
            same = kept.what == reading.what and kept.values.shape == reading.values.shape
            if same and np.all(np.abs(kept.values - reading.values) <= 1e-6 * np.abs(kept.values) + 0.01 * kept.error):
                out[k] = (kept, [*others, reading.where])
                break
        else:
            out.append((reading, []))
    return [replace(r, where=f"{r.where} (or {', '.join(o)})") if o else r for r, o in out]


def _name(branch: Branch) -> str:
    """What a person calls a conductor."""
    name = branch.name
    if branch.pole and name.endswith(f" {branch.pole}"):
        name = name[:-2]
    side = {"+": ", positive side", "-": ", negative side"}.get(branch.pole or "", "")
    return f"the {name}{side}" if name.startswith(branch.kind) else f"the {branch.kind} {name}{side}"


def _milliohms(bank, shown):
    """Every conductor with its joints, and all of them together."""
    found = []
    for branch in bank.graph.branches:
        value = np.array([one.branch_ohm.get(branch.name, math.nan) for one in shown]) * 1e3
        if not np.isfinite(value).all():
            continue
        error = (0.02 * value + 0.01)[:, None] * RECTANGULAR
        found.append(
            Reading(
                "milliohms", f"across {_name(branch)}",
                "the bank built and idle, four wires from a milliohm meter, clips on the posts beyond both lugs, so that both joints are in it; or "
                "millivolts between the posts at a steady known current, divided by the amperes",
                "± (2 % + 0.01 mΩ)", PRACTICE, "mΩ", value[:, None], error, _added_line(branch, error),
            )
        )  # fmt: skip
    return [*found, *_together(found, "milliohms", "across every conductor, one after the other")]


def _expanded(error):
    """Twice the standard uncertainty in the middle of the draws, as text to two digits."""
    return f"{COVERAGE_FACTOR * float(np.median(error)):.2g}"


def _added_line(branch, error):
    """What a reading across a conductor adds to what the file states of it; nothing of what is no conductor."""
    if branch.conductor is None:
        return ()
    stated = branch.conductor.resistance_ohm * 1e3
    return (f'wiring.added.{branch.name} = "… ± {_expanded(error)} milliohm" (… is the reading less {stated:.4g} milliohm)',)


def _pack_lines(what, pack, error, as_new_ah):
    """How a reading of a pack goes into its table."""
    if what == "resistance":
        return (f'packs.{pack}.resistance_at_posts = "… ± {_expanded(error)} milliohm"',)
    if what == "capacity":
        within = _expanded(error / as_new_ah)
        return (f"packs.{pack}.capacity_left = {{ value = …, within = {within} }} (… is the reading over {as_new_ah:.4g} Ah)",)
    return ()


def _together(found, what, where):
    """Several readings as one, where more than one varies."""
    found = [reading for reading in found if np.any(_varies(reading))]
    if len(found) < 2:
        return []
    values, error = (np.column_stack([getattr(r, name) for r in found]) for name in ("values", "error"))
    lines = tuple(line for reading in found for line in reading.lines)
    return [replace(found[0], what=what, where=where, values=values, error=error, lines=lines)]


def _of_packs(bank, shown, port_a):
    """What is read pack by pack."""
    amperes = ", ".join(f"{abs(a):g} A" for a in port_a.values())
    load = np.abs(shown["pack_a"])
    ohmic = shown["ohmic_ohm"] * 1e3
    steps: list[tuple[str, str, str, str, str, np.ndarray, Callable]] = [
        (
            "resistance", "of pack {}",
            f"the bank built: voltage at the pack's posts and current by clamp meter, with about {amperes} through the whole bank, and again "
            "within two seconds of switching it off; difference of volts over difference of amperes",
            OHM_ACCURACY, "mΩ", ohmic, lambda v: OHM_SHARE * v + 1e3 * OHM_V / np.maximum(load, 1e-3),
        ),
        (
            "voltage recovery after a load", "of pack {}",
            "the pack on its own: a steady current within its limits for an hour; voltage two seconds after it is switched off and an hour "
            "later (it goes on changing all the while); difference over that current",
            "± (5 % + 20 mV over its current)", "mΩ", shown["relaxation_ohm"] * 1e3,
            lambda v: 0.05 * v + 20.0 / np.maximum(load, 1e-3),
        ),
        (
            "capacity", "of pack {}",
            "the pack on its own: charge it full, rest, discharge to its cut-off at 0.1 to 0.2 C through a counter of ampere-hours",
            "± 2 %", "Ah", shown["capacity_ah"], lambda v: 0.02 * v,
        ),
        (
            "resting voltage", "of pack {}",
            "the pack on its own, some hours without current; at its posts, as it stands before the bank is used",
            "± (0.05 % + 10 mV)", "V", shown["rest_v"], lambda v: 0.0005 * v + 0.01,
        ),
        (
            "hysteresis gap", "of pack {}",
            "the pack on its own: charge it from empty to half, counted by ampere-hours, rest two hours, read its voltage; fill it, discharge "
            "it to half, rest two hours, read again; the difference",
            "± 1 mV a cell", "V", shown["after_charge_v"] - shown["after_discharge_v"],
            lambda v: 1e-3 * np.array([pack.cells_in_series for pack in bank.packs]) + 0.0 * v,
        ),
        (
            "hysteresis gap after a short discharge", "of pack {}",
            f"the pack on its own: charge it to half, rest two hours, read its voltage; charge {TURN_SOC * 100:g} % of its capacity more, "
            "discharge as much, rest two hours; the difference",
            "± 1 mV a cell", "V", shown["after_charge_v"] - shown["after_turn_v"],
            lambda v: 1e-3 * np.array([pack.cells_in_series for pack in bank.packs]) + 0.0 * v,
        ),
    ]  # fmt: skip
    found = []
    for what, where, how, accuracy, unit, value, limit in steps:
        error = limit(value) * RECTANGULAR
        single = [
            Reading(
                what,
                where.format(pack.name),
                how,
                accuracy,
                PRACTICE,
                unit,
                value[:, [k]],
                error[:, [k]],
                _pack_lines(what, name_in_key(pack.name), error[:, k], np.median(shown["as_new_ah"][:, k])),
            )
            for k, pack in enumerate(bank.packs)
            if np.isfinite(value[:, k]).all()
        ]
        found += [
            *single,
            *(_together(single, what, "of every pack") if what in ("resistance", "capacity", "resting voltage") else []),
        ]
    return found


def _ambient(shown):
    value = np.array([[one.ambient_k - ZERO_C_K] for one in shown])
    return Reading(
        "temperature", "of the air between the packs", "thermometer in the shade of the packs, over a day", "± 1 K", PRACTICE, "°C",
        value, np.full_like(value, RECTANGULAR), (f'ambient = "… ± {_expanded(RECTANGULAR)} degC"',),
    )  # fmt: skip


def _currents(shown, port_a):
    """Currents of all packs an hour after a change; nothing where a bank cannot be run that far."""
    if any(one.later_a is None for one in shown):
        return []
    value = np.array([one.later_a for one in shown])
    asked = ", ".join(f"{abs(a):g} A {'out of' if a > 0 else 'into'} {port}" for port, a in port_a.items())
    return [
        Reading(
            "current", f"of every pack, an hour after {asked}",
            "the bank built: clamp meter round one lead of each pack, set to zero away from the lead before each; all within a minute, the "
            "load steady for an hour",
            "± (2 % + 0.1 A)", PRACTICE, "A", value, (0.02 * np.abs(value) + 0.1) * RECTANGULAR,
        )
    ]  # fmt: skip

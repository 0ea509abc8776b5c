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
from simbank.duty import Command, Duty, Step
from simbank.errors import SimulationError
from simbank.scenario.changes import name_in_key
from simbank.simulation import arrays as ar
from simbank.simulation import simulate
from simbank.simulation.operating_point import BankAtStart
from simbank.studies.case import Case

__all__ = ["EFFORT", "Reading", "current_read_at", "possible_readings"]

PRACTICE = "common practice, no source"
MIDDLE_SOC = 0.5  # at which both branches of the hysteresis are read
TURN_SOC = 0.025  # discharged after a charge to see how fast hysteresis follows: near 1/γ of LFP, where it tells most
C_RATE = 0.2  # of the bank, at which currents are read; common practice, no source
AFTER_S = 3600.0  # after a change, when currents drift no more
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
    first = banks[0]
    if port_a is None:
        port_a = current_read_at(first)
    with threadpool_limits(1):
        found = [*_milliohms(banks), *_of_packs(first, _shown(banks, port_a), port_a), _ambient(banks)]
        if currents:
            found += _currents(banks, port_a)
    return _merged([r for r in found if r.values.size and np.any(_varies(r))])


def current_read_at(bank: Bank) -> dict[str, float]:
    """0.2 C at the first port [A], out where packs are half full or more, else in: the current at which packs are read."""
    sign = 1.0 if np.mean([pack.soc for pack in bank.packs]) >= 0.5 else -1.0
    return {next(iter(bank.graph.ports)): sign * float(f"{C_RATE * bank.capacity_ah:.2g}")}


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


def _milliohms(banks):
    """Every conductor with its joints, and all of them together."""
    branches = banks[0].graph.branches
    ohm = {b.name: np.full(len(banks), np.nan) for b in branches}
    for i, bank in enumerate(banks):
        for branch in bank.graph.branches:
            if branch.name in ohm:
                ohm[branch.name][i] = branch.resistance_ohm
    found = []
    for branch in branches:
        value = ohm[branch.name] * 1e3
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


def _shown(banks, port_a):
    """What pack by pack would be read in every draw, a dict of arrays (draws, packs)."""
    names = (
        "rest_v",
        "after_charge_v",
        "after_discharge_v",
        "after_turn_v",
        "ohmic_ohm",
        "relaxation_ohm",
        "capacity_ah",
        "as_new_ah",
        "pack_a",
    )
    n = len(banks[0].packs)
    out = {name: np.zeros((len(banks), n)) for name in names}
    share = {port: ("current", float(a)) for port, a in port_a.items()}
    for i, bank in enumerate(banks):
        start = BankAtStart(bank)
        loaded = start.solve_operating_point(share)
        still = start.solve_operating_point({})
        step = loaded.pack_a - still.pack_a
        out["pack_a"][i] = step
        with np.errstate(divide="ignore", invalid="ignore"):
            out["ohmic_ohm"][i] = (still.terminal_v - loaded.terminal_v) / step
        out["rest_v"][i] = loaded.open_v
        turned = [-1.0 + 2.0 * math.exp(-pack.chemistry.decay_per_soc * TURN_SOC) for pack in bank.packs]
        for name, hysteresis in (("after_charge_v", 1.0), ("after_discharge_v", -1.0), ("after_turn_v", turned)):
            start.y[ar.SOC * n : ar.SOC * n + n] = MIDDLE_SOC
            start.y[ar.HYSTERESIS * n : ar.HYSTERESIS * n + n] = hysteresis
            out[name][i] = start.solve_operating_point({}).open_v
        out["relaxation_ohm"][i] = [_relaxation_ohm(pack, bank.ambient_k) for pack in bank.packs]
        out["capacity_ah"][i] = [pack.capacity_ah for pack in bank.packs]
        out["as_new_ah"][i] = [pack.capacity_ah / pack.capacity_left for pack in bank.packs]
    return out


def _relaxation_ohm(pack, ambient_k):
    """Resistance of both pairs together [ohm], as the head of :mod:`simbank.simulation.pack_model` has it."""
    chemistry, temperature = pack.chemistry, pack.temperature_k or ambient_k
    factor = math.exp(chemistry.arrhenius_rc_k * (1.0 / temperature - 1.0 / chemistry.reference_k))
    return sum(resistance for resistance, _ in pack.pack_rc_pairs) * float(chemistry.rc_factor(pack.soc)) * factor


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


def _ambient(banks):
    value = np.array([[bank.ambient_k - ZERO_C_K] for bank in banks])
    return Reading(
        "temperature", "of the air between the packs", "thermometer in the shade of the packs, over a day", "± 1 K", PRACTICE, "°C",
        value, np.full_like(value, RECTANGULAR), (f'ambient = "… ± {_expanded(RECTANGULAR)} degC"',),
    )  # fmt: skip


def _currents(banks, port_a):
    """Currents of all packs an hour after a change, by a run; nothing where a bank cannot be run that far."""
    duty = Duty((Step(AFTER_S, {port: Command("current", float(a)) for port, a in port_a.items()}),))
    rows = []
    for bank in banks:
        try:
            result = simulate(
                Case(bank.name, replace(bank, port_equipment={}, switching=()), duty), integrator="fast", tolerance=1e-5,
                output_step_s=AFTER_S,
            )  # fmt: skip
        except SimulationError:
            return []
        rows.append(result.pack_samples.current_a[-1])
    value = np.array(rows)
    asked = ", ".join(f"{abs(a):g} A {'out of' if a > 0 else 'into'} {port}" for port, a in port_a.items())
    return [
        Reading(
            "current", f"of every pack, an hour after {asked}",
            "the bank built: clamp meter round one lead of each pack, set to zero away from the lead before each; all within a minute, the "
            "load steady for an hour",
            "± (2 % + 0.1 A)", PRACTICE, "A", value, (0.02 * np.abs(value) + 0.1) * RECTANGULAR,
        )
    ]  # fmt: skip

"""What a log is asked about: the unknown values of a bank, of its start and of the meters, each with what was believed of it before."""

from __future__ import annotations

import copy
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.special import ndtr

from simbank.bank import Bank
from simbank.bank.assumed import assumed
from simbank.distributions import HIGH_SHARE, LOW_SHARE, Draw, measured, within_range
from simbank.errors import InputError
from simbank.network import Network
from simbank.quantities import parse
from simbank.scenario import Scenario
from simbank.scenario.changes import changed
from simbank.scenario.scenario import from_dict
from simbank.scenario.uncertain import UncertainValue, uncertain_values

__all__ = ["Unknown", "alike_branches", "fit_base", "unknowns_of"]

MOST_SCORE = 7.0  # standard deviations to which an unknown may go
START_POINTS = 0.15  # standard deviation of a starting charge of which the file says nothing; chosen here: it is the log's start, not the file's
DISPLAY_POINTS = 0.10  # and of one that a display showed; common practice, no source: displays of a bank differ by tens of points
GROUPS = ("capacity", "resistance", "joints", "hysteresis", "relaxation", "ocv", "start")
SAMPLES = 4096
ALIKE = 1e-9


@dataclass(frozen=True, eq=False)
class Unknown:
    """One value that is fitted, as a function of a score that is normal with mean 0 and deviation 1 before the log.

    Attributes
    ----------
    key : str
        Dotted key of the file; of joints that a log of currents cannot part, all of them with "; " between.
    words : str
        What a person calls it.
    group : str
        As of :class:`~simbank.scenario.uncertain.UncertainValue`; "offset", "gain" of a meter and "gap" are no part of the file.
    unit : str
        Of its numbers.
    draw : Draw or None
        Distribution before the log, of one key of the file or of something else than the file's.
    parts : tuple of (str, float, float)
        Of joints: key of each branch, its part of the whole, and what the file counts already [unit].
    table : ndarray or None
        Of joints taken together: the whole at equally spaced scores from -7 to 7.
    """

    key: str
    words: str
    group: str
    unit: str
    draw: Draw | None = None
    parts: tuple[tuple[str, float, float], ...] = ()
    table: np.ndarray | None = None

    def number(self, score: float) -> float:
        """Its value at a score."""
        if self.table is not None:
            grid = np.linspace(-MOST_SCORE, MOST_SCORE, len(self.table))
            return float(np.exp(np.interp(score, grid, np.log(self.table))))
        return self.draw.number(float(ndtr(score)))

    def changes(self, score: float) -> dict[str, Any]:
        """What it sets in the file."""
        if self.parts:
            whole = self.number(score)
            return {key: f"{whole * share - counted:.12g} {self.unit}" for key, share, counted in self.parts}
        if self.group in ("offset", "gain", "gap"):
            return {}
        return {self.key: self.draw.value(float(ndtr(score)))}

    def given(self, number: float, half_width: float) -> dict[str, Any]:
        """What a file says of it: a value and, at about 95 %, how far it may be off."""
        half_width = max(half_width, 1e-9)
        if self.parts:
            each = half_width / len(self.parts) ** 0.5
            return {key: f"{number * share - counted:.4g} ± {each:.2g} {self.unit}" for key, share, counted in self.parts}
        if self.unit:
            return {self.key: f"{number:.5g} ± {half_width:.2g} {self.unit}"}
        return {self.key: {"value": float(f"{number:.5g}"), "within": float(f"{half_width:.2g}")}}


def fit_base(scenario: Scenario, celsius: float | None = None) -> Scenario:
    """The scenario with each pack written out and its health as capacity and resistance, so that each can be fitted.

    Parameters
    ----------
    scenario : Scenario
        The bank as far as it is known.
    celsius : float, optional
        Temperature of air and packs, in place of the file's [°C].

    Raises
    ------
    InputError
        If the name of a pack has a dot, which no dotted key reaches.
    """
    data = copy.deepcopy(scenario.data)
    for name, table in scenario.file.each_pack():
        if "." in name or name.strip() in ("", "*"):
            raise InputError("a pack that is fitted needs a name without dots", key="packs", value=name)
        data = changed(data, {f"packs.{name}.soc": _plain(table, "soc", data, name)})
    if celsius is not None:
        data["ambient"] = f"{celsius:.1f} degC"
    for entry in data["packs"]:
        if celsius is not None:
            entry.pop("temperature", None)
        health = entry.pop("state_of_health", None)
        if health is not None:
            table = next(table for name, table in scenario.file.each_pack() if name == entry["name"])
            entry["capacity_left"] = health
            if "resistance_at_posts" not in entry:
                entry.setdefault("resistance_growth", table.present_growth)
        _growth_of_measured(scenario, entry)
    return from_dict(data, None, scenario.source, duty=scenario.duty)


def _growth_of_measured(scenario, entry):
    """Put the growth of its cells in place of a resistance that was measured at a pack's posts, known as well as that."""
    if entry.pop("resistance_at_posts", None) is None:
        return
    for key in ("measured_at_soc", "measured_at_temperature"):
        entry.pop(key, None)
    each = zip(scenario.file.each_pack(), scenario.bank.packs, strict=True)
    table, pack = next((table, pack) for (name, table), pack in each if name == entry["name"])
    draw, growth = table.how_known.get("resistance_at_posts"), pack.resistance_growth
    entry["resistance_growth"] = growth
    if draw is not None:
        low, high = (draw.number(share) for share in (LOW_SHARE, HIGH_SHARE))
        share = (high - low) / 1.6449 / draw.stated  # expanded, k = 2
        part = table.resistance_at_posts / (table.resistance_at_posts - pack.internal_wiring_ohm)
        entry["resistance_growth"] = {"value": growth, "within": growth * share * part}


def _plain(table, key, data, name):
    """A key of a pack as the file has it."""
    entry = next((e for e in data["packs"] if e.get("name") == name), None)
    if entry is None:
        entry = next(e for e in data["packs"] if e.get("count") and name.startswith(str(e.get("name"))))
    return entry.get(key, getattr(table, key))


def unknowns_of(
    scenario: Scenario, shown: Sequence[float] | None, meter_share: float, meter_a: float, port: int = 0
) -> list[Unknown]:
    """Everything that a log of currents depends on and that is not known exactly.

    Parameters
    ----------
    scenario : Scenario
        As :func:`fit_base` gives it.
    shown : sequence of float, shape (n,), or None
        What displays showed at the start, NaN where there is none.
    meter_share, meter_a : float
        One standard deviation of each current meter's gain, and of its offset [A].
    port : int
        The place of the port that carries the current.
    """
    found = {value.key: value for value in uncertain_values(scenario) if value.group in GROUPS}
    packs = scenario.bank.packs
    out: list[Unknown] = []
    for k, pack in enumerate(packs):
        start = found.pop(f"packs.{pack.name}.soc", None)
        found.pop(f"packs.{pack.name}.hysteresis", None)
        table = next(entry for entry in scenario.file.packs if entry.name == pack.name)
        label = assumed().label
        for key, ends, value in (
            ("capacity_left", label.capacity, table.present_capacity), ("resistance_growth", label.resistance, table.present_growth)
        ):  # fmt: skip
            dotted = f"packs.{pack.name}.{key}"
            known = found.pop(dotted, None)
            draw = known.draw if known else within_range(ends[0] * value, ends[2] * value, value)
            words = known.words if known else f"{WORDS[key]} of {pack.name}"
            group = "capacity" if key == "capacity_left" else "resistance"
            out.append(Unknown(dotted, words, group, "", _wide(draw)))
        out.append(_start(pack, start, shown, k))
        words = f"hysteresis state of {pack.name} at the start"
        out.append(Unknown(f"packs.{pack.name}.hysteresis", words, "start", "", Draw("uniform", -1.0, 1.0)))
    joints = {key: value for key, value in found.items() if value.group == "joints"}
    out += _joints(scenario, joints, port)
    out += [
        Unknown(value.key, value.words, value.group, value.draw.unit, value.draw)
        for value in found.values()
        if value.group != "joints" and not (value.group == "start" or value.key.endswith("_scatter"))
    ]
    for pack in packs:
        out.append(
            Unknown(
                f"offset {pack.name}",
                f"offset of the current meter of {pack.name}",
                "offset",
                "A",
                measured(0.0, 2 * meter_a, "A"),
            )
        )
    for pack in packs:
        draw = measured(0.0, 2 * meter_share)
        out.append(Unknown(f"gain {pack.name}", f"error of gain of the current meter of {pack.name}", "gain", "", draw))
    return out


WORDS = {"capacity_left": "present capacity over its label", "resistance_growth": "cell resistance over that as new"}


def _wide(draw):
    """A distribution above zero."""
    return draw.bounded(0.05, 100.0) if draw.kind in ("measured", "range") else draw


def _start(pack, start: UncertainValue | None, shown, k):
    """The charge at the log's start: as a display showed, else as the file says."""
    key, words = f"packs.{pack.name}.soc", f"state of charge of {pack.name} at the start of the log"
    if shown is not None and np.isfinite(shown[k]):
        draw = measured(float(shown[k]), 2 * DISPLAY_POINTS)
    else:
        draw = start.draw if start else measured(pack.soc, 2 * START_POINTS)
    return Unknown(key, words, "start", "", draw.bounded(0.0, 1.0) if draw.kind in ("measured", "range") else draw)


def alike_branches(bank: Bank, port: int = 0) -> list[list[str]]:
    """Branches whose currents are the same or opposite whatever the packs carry; those that carry only the whole current are left out.

    Parameters
    ----------
    bank : Bank
        Whose branches they are.
    port : int
        The place of the only port that carries current.

    >>> import simbank as sb
    >>> alike_branches(sb.example("classroom_chain").bank)[0]
    ['link P1-P2 +', 'link P1-P2 -']
    """
    network = Network(bank.graph, [pack.ohmic_ohm for pack in bank.packs])
    flows = network.reduce().flows
    n = len(bank.packs)
    rows = flows[:, :n] + flows[:, n + port, None]
    groups: dict[tuple, list[str]] = {}
    for branch, row in zip(bank.graph.branches, rows, strict=True):
        row = np.where(np.abs(row) < ALIKE, 0.0, row).round(9)
        first = row[np.flatnonzero(row)[0]] if row.any() else 0.0
        row = (-row if first < 0 else row) + 0.0
        if np.ptp(row) > ALIKE:
            groups.setdefault(tuple(row), []).append(branch.name)
    return list(groups.values())


def _joints(scenario: Scenario, joints: Mapping[str, UncertainValue], port: int) -> list[Unknown]:
    """The joints of branches, those that a log of currents cannot part as one."""
    out = []
    rng = np.random.default_rng(0)
    for names in alike_branches(scenario.bank, port):
        values = [joints[key] for name in names if (key := f"wiring.added.{name}") in joints]
        if not values:
            continue
        unit = values[0].draw.unit
        one = parse(f"1 {unit}", "ohm")
        own = [value.draw.times(parse(f"1 {value.draw.unit}", "ohm") / one) for value in values]
        counted = [-draw.shift for draw in own]
        own = [replace(draw, shift=0.0, unit=unit) for draw in own]
        middles = np.maximum([draw.number(0.5) for draw in own], 1e-12)
        parts = tuple(
            (value.key, float(middle / middles.sum()), float(stated)) for value, middle, stated in zip(values, middles, counted, strict=True)
        )  # fmt: skip
        words = _joint_words(values)
        out.append(Unknown("; ".join(value.key for value in values), words, "joints", unit, None, parts, _whole(own, rng)))
    return out


def _joint_words(values):
    first = values[0].words.rpartition(", ")[0] or values[0].words
    if len(values) == 1:
        return values[0].words
    if all(value.words.rpartition(", ")[0] == first for value in values):
        return f"{first}, both poles together"
    return f"{first} and {len(values) - 1} more, together"


def _whole(draws, rng):
    """The sum of independent draws at equally spaced scores; straight in the logarithm beyond what samples reach."""
    shares = rng.random((SAMPLES, len(draws)))
    total = np.sort(sum(np.array([draw.number(share) for share in column]) for draw, column in zip(draws, shares.T, strict=True)))
    total = np.maximum(total, 1e-9)
    at = np.array([-2.5, -2.0, -1.5, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5, 2.0, 2.5])
    logs = np.log(np.quantile(total, ndtr(at)))
    grid = np.linspace(-MOST_SCORE, MOST_SCORE, 141)
    inner = np.interp(grid, at, logs)
    low, high = (logs[2] - logs[0]) / (at[2] - at[0]), (logs[-1] - logs[-3]) / (at[-1] - at[-3])
    inner = np.where(grid < at[0], logs[0] + low * (grid - at[0]), inner)
    inner = np.where(grid > at[-1], logs[-1] + high * (grid - at[-1]), inner)
    return np.exp(inner)

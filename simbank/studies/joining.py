"""The moment at which packs are joined to a bank: what flows, against which limits, for how long, and from which voltages at rest
it stays small."""  # noqa: D205 one sentence

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.optimize import brentq, minimize_scalar

from simbank.bank import Bank
from simbank.duty import Duty, Step
from simbank.errors import SimulationError
from simbank.simulation import simulate
from simbank.simulation.bank_warnings import start_celsius
from simbank.studies.carrying import carrying
from simbank.studies.case import Case
from simbank.studies.pack_limits import CELLS_TAKE, USUAL, device_ratings, limits_of_pack
from simbank.studies.packs_at_rest import PacksAtRest

__all__ = ["ASSUMED", "Moment", "Window", "at_joining", "over_time", "windows"]

ASSUMED = "assumed"  # how what a limit is begins, where the maker's is not in the file
MINUTES_S, DAYS_S = 1800.0, 48 * 3600.0  # followed after joining: finely, and on
FINE_S, COARSE_S = 2.0, 120.0  # between samples of the two
STEPS = 80  # voltages that are tried before the ends of a window are found by roots
CLOSE_V = 1e-6  # of an end of a window


@dataclass(frozen=True)
class Moment:
    """What flows at the instant of joining, before any relaxation, while no port asks for anything.

    Attributes
    ----------
    packs : DataFrame
        Index ``pack``: ``new`` (whether it is added), ``soc``, ``open_v`` (its voltage at rest, as it stands), ``bank_v`` (what the
        bank without the new packs holds at its poles), ``before_a`` and ``current_a`` (of each pack without and with the new ones,
        positive out of it), ``c_rate``, ``limit_a`` and ``limit`` (the nearest limit in that direction, and what it is), ``over_ratio``
        (current ÷ limit), ``limit_assumed`` (whether its files leave out what the maker allows, out of it or into it).
    branches : DataFrame
        Index ``where``: every device that can open and every conductor whose ampacity is known: ``current_a``, ``limit_a``, ``limit``,
        ``over_ratio``.
    unknown : tuple of str
        Conductors whose ampacity is not known.
    """

    packs: pd.DataFrame
    branches: pd.DataFrame
    unknown: tuple[str, ...]


@dataclass(frozen=True)
class Window:
    """Voltages at rest of the new packs from which no current at joining exceeds a limit.

    Attributes
    ----------
    rule : str
        Of which limit, in words.
    low_v, high_v : float
        Of the new packs at rest, each on its own [V]; NaN where there is none.
    soc_low, soc_high : float
        Least and greatest state of charge that a new pack may have at a voltage within, after a charge and after a discharge; NaN
        where there is none.
    best_v, least_share : float
        Where the largest current ÷ its limit is smallest [V], and that share.
    """

    rule: str
    low_v: float
    high_v: float
    soc_low: float
    soc_high: float
    best_v: float
    least_share: float


class _Joined(PacksAtRest):
    """A bank with new packs in it, whose voltage at rest can be set."""

    def __init__(self, bank: Bank, new: Sequence[str]):
        super().__init__(bank)
        names = [pack.name for pack in bank.packs]
        self.new = [names.index(name) for name in new]

    def point(self, connected=None):
        return self.at_start.solve_operating_point({}, connected)

    def set_rest_v(self, volt: float) -> None:
        """Let every new pack stand at the state of charge at which it rests at a voltage [V]."""
        for k, soc in [(k, self.soc_at(k, volt)) for k in self.new]:
            self.at_start.y[k] = soc


def at_joining(bank: Bank, new: Sequence[str]) -> Moment:
    """What flows at the moment of joining, packs as they stand, against the limits that are known.

    Parameters
    ----------
    bank : Bank
        With the new packs.
    new : sequence of str
        Their names.

    Returns
    -------
    Moment
    """
    joined = _Joined(bank, new)
    without = np.ones(joined.n, bool)
    without[joined.new] = False
    point, before = joined.point(), joined.point(without)
    rows = []
    for pack, amperes, (level, words) in zip(bank.packs, point.pack_a, _pack_limits(bank, point.pack_a), strict=True):
        rows.append({"current_a": amperes, "c_rate": abs(amperes) / pack.capacity_ah, "limit_a": level, "limit": words})
    packs = pd.DataFrame(rows, index=pd.Index([pack.name for pack in bank.packs], name="pack"))
    packs["over_ratio"] = _ratio(packs["current_a"].abs().to_numpy(), packs["limit_a"].to_numpy())
    packs.insert(0, "new", ~without)
    packs.insert(1, "soc", joined.at_start.y[: joined.n])
    packs.insert(2, "open_v", point.open_v)
    packs.insert(3, "bank_v", before.terminal_v)
    packs.insert(4, "before_a", np.where(without, before.pack_a, 0.0))
    packs["limit_assumed"] = [not (_given(pack, False) and _given(pack, True)) for pack in bank.packs]
    limits, unknown = _branch_limits(bank)
    branches = pd.DataFrame(
        [(name, abs(point.branch_a[k]), level, words) for name, k, level, words in limits],
        columns=["where", "current_a", "limit_a", "limit"],
    ).set_index("where")
    branches["over_ratio"] = _ratio(branches["current_a"].to_numpy(float), branches["limit_a"].to_numpy(float))
    return Moment(packs, branches, unknown)


def _ratio(current, limit):
    """Current ÷ limit; where the limit is zero, infinite for any current that is not round-off."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(limit > 0, current / limit, np.where(current > 1e-9, np.inf, 0.0))


def _pack_limits(bank, pack_a):
    """Of each pack the nearest limit [A] in the direction of its current, and what it is."""
    ratings, found = device_ratings(bank), []
    for pack, amperes in zip(bank.packs, pack_a, strict=True):
        celsius, charge = start_celsius(bank, pack), amperes < 0
        limits = [(level, _as_assumed(pack, words, level)) for words, level, of_charge
                  in limits_of_pack(pack, ratings.get(pack.name, np.inf), celsius) if of_charge == charge]  # fmt: skip
        if charge and not float(pack.chemistry.charge_rate(celsius)) > 0.0:
            limits = [(0.0, f"its cells take no charge at {celsius:.0f} °C")]
        found.append(min(limits, default=(np.inf, "")))
    return found


def _given(pack, charge):
    """Whether the file gives what a pack may carry in a direction: a limit of its BMS. A fuse is there for the cable."""
    if pack.bms is None:
        return False
    return bool(np.isfinite((pack.bms.charge_current if charge else pack.bms.discharge_current).level))


def _as_assumed(pack, words, level):
    """What a limit is; of one that stands in for the maker's, which the file does not give, that it is assumed."""
    rate = f"{level / pack.capacity_ah:.3g} C"
    if words == USUAL:
        return f"{ASSUMED}: {rate}, your file gives none"
    if words.startswith(CELLS_TAKE) and not _given(pack, True):
        return f"{ASSUMED}: {rate}, {words}, your file gives none"
    return words


def _branch_limits(bank):
    """(name, number of its branch, limit [A], what it is) of devices and of conductors of known ampacity; and names of the others."""
    numbers = {branch.name: k for k, branch in enumerate(bank.graph.branches)}
    found = [(device.name, numbers[device.branch], device.rating_a, "its rating") for device in bank.devices]
    unknown = []
    for k, branch in enumerate(bank.graph.branches):
        if branch.kind == "device":
            continue
        row = carrying(branch, 0.0, np.inf, bank.ambient_k, 1.0)
        if row.ampacity_a is None:
            unknown.append(branch.name)
        else:
            found.append((branch.name, k, row.ampacity_a, f"its ampacity: {row.words}"))
    return found, tuple(unknown)


def over_time(bank: Bank, moment: Moment, **options) -> tuple[pd.DataFrame, pd.Series, pd.Series]:
    """Currents after joining, as if nothing opened: no BMS but that which a pack is taken to have at its cells' limits, no device.

    Parameters
    ----------
    bank : Bank
        With the new packs, as they stand at the start.
    moment : Moment
        Whose limits count.
    **options
        Of :func:`simbank.simulate`.

    Returns
    -------
    current_a : DataFrame
        Time [s] × pack, positive out of it; every 2 s for half an hour, then every 2 min for two days.
    pack_s, branch_s : Series
        By pack, and by device or conductor, when its current was last above its limit [s]; 0 where it never is, infinite where it
        still is at the end. Of conductors and devices by the limit of :class:`Moment`.

    Raises
    ------
    SimulationError
        If it cannot be followed.
    """
    bare = replace(bank, packs=tuple(replace(pack, bms=None) for pack in bank.packs), devices=(), port_equipment={}, switching=())
    parts = []
    for seconds, step in ((MINUTES_S, FINE_S), (DAYS_S, COARSE_S)):
        parts.append(simulate(Case("joining", bare, Duty((Step(seconds),))), output_step_s=step, **options))
    if not all(part.complete for part in parts):
        raise SimulationError("the currents after joining could not be followed")
    packs = _one_after_other([part.packs["current_a"] for part in parts])
    branches = _one_after_other([part.branch_current_a for part in parts])
    branch_of = {device.name: device.branch for device in bank.devices}
    pack_s = pd.Series({name: _last_above(packs[name], row["limit_a"]) for name, row in moment.packs.iterrows()})
    branch_s = pd.Series(
        {name: _last_above(branches[branch_of.get(name, name)], row["limit_a"]) for name, row in moment.branches.iterrows()},
        dtype=float,
    )
    return packs, pack_s, branch_s


def _one_after_other(frames):
    fine, coarse = frames
    return pd.concat([fine, coarse[coarse.index > fine.index[-1]]])


def _last_above(current, limit):
    """When a current is last above its limit [s], straight between samples; infinite where it is so at the end."""
    values, times = current.abs().to_numpy(), current.index.to_numpy(float)
    above = np.flatnonzero(values > limit)
    if not len(above):
        return 0.0
    k = above[-1]
    if k == len(values) - 1:
        return np.inf
    return float(times[k] + (times[k + 1] - times[k]) * (values[k] - limit) / (values[k] - values[k + 1]))


def windows(bank: Bank, new: Sequence[str], c_rate: float) -> list[Window]:
    """From which voltages at rest of the new packs the currents at joining stay within limits.

    The voltage V of the new packs is swept; their state of charge follows from it, and with it their resistance. The largest current ÷
    its limit is nearly a polygon in V, so that its least value and then both ends, where it is 1, are found by roots.

    Parameters
    ----------
    bank : Bank
        With the new packs; the others as they stand.
    new : sequence of str
        Names of the new packs, all at the same voltage.
    c_rate : float
        Of each pack, that none shall exceed [1/h].

    Returns
    -------
    list of Window
        For the C-rate, and for the limits of packs, devices and conductors.
    """
    joined = _Joined(bank, new)
    start = joined.at_start.y.copy()
    capacity = np.array([pack.capacity_ah for pack in bank.packs])
    limits, _ = _branch_limits(bank)
    numbers, levels = [k for _, k, _, _ in limits], np.array([level for *_, level, _ in limits])

    def by_rate(point):
        return float(np.max(np.abs(point.pack_a) / (c_rate * capacity)))

    def by_limits(point):
        own = np.array([level for level, _ in _pack_limits(bank, point.pack_a)])
        shares = [_ratio(np.abs(point.pack_a), own), _ratio(np.abs(point.branch_a[numbers]), levels)]
        return float(min(np.max(np.concatenate(shares), initial=0.0), 1e6))

    found = []
    for rule, share in ((f"{c_rate:g} C of every pack", by_rate), ("limits of packs, devices and cables", by_limits)):
        found.append(_window(joined, rule, share, start))
    return found


def _window(joined, rule, share_of, start):
    """The window of one rule; ``share_of`` an operating point is its largest current ÷ its limit."""
    ends = []
    for k in joined.new:
        ends.append((joined.rest_v(k, 0.0), joined.rest_v(k, 1.0)))
        joined.at_start.y[:] = start
    lowest, highest = max(low for low, _ in ends), min(high for _, high in ends)

    def share(volt):
        joined.at_start.y[:] = start
        joined.set_rest_v(volt)
        return share_of(joined.point())

    # the flat part of a curve takes a small part of its span of volts: equal steps of charge, not of voltage
    k = joined.new[0]
    tried = []
    for soc in np.linspace(0.0, 1.0, STEPS):
        tried.append(joined.rest_v(k, soc))
        joined.at_start.y[:] = start
    tried = np.unique(np.clip(tried, lowest, highest))
    shares = np.array([share(volt) for volt in tried])
    m = int(np.argmin(shares))
    left, right = tried[max(m - 1, 0)], tried[min(m + 1, len(tried) - 1)]
    best = minimize_scalar(share, bounds=(left, right), method="bounded", options={"xatol": CLOSE_V})
    best_v, least = (float(best.x), float(best.fun)) if best.fun < shares[m] else (float(tried[m]), float(shares[m]))
    if least > 1.0:
        joined.at_start.y[:] = start
        return Window(rule, *[np.nan] * 4, best_v, least)
    low_v = _end(share, best_v, tried[tried < best_v][::-1], lowest)
    high_v = _end(share, best_v, tried[tried > best_v], highest)
    joined.at_start.y[:] = start
    soc_low = min(joined.soc_at(k, low_v, 1.0) for k in joined.new)
    soc_high = max(joined.soc_at(k, high_v, -1.0) for k in joined.new)
    return Window(rule, low_v, high_v, soc_low, soc_high, best_v, least)


def _end(share, inside, outwards, last):
    """Where the share reaches 1 on the way outwards from a voltage inside [V]; the last voltage that there is, where it never does."""
    for volt in outwards:
        if share(volt) > 1.0:
            return float(brentq(lambda v: share(v) - 1.0, inside, volt, xtol=CLOSE_V))
        inside = volt
    return float(last)

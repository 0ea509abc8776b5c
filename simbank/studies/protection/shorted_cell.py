"""One run of a pack with shorted cells whose BMS switch is stuck, fed by its neighbours and by a charger."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.integrate import cumulative_trapezoid

from simbank.bank.equipment import BMS, Charger, Device
from simbank.duty import Duty, Step
from simbank.kept import Kept
from simbank.simulation import simulate
from simbank.simulation.event_codes import MONITOR_EVENTS, Event
from simbank.studies.case import Case
from simbank.studies.protection.faults import line_of

if TYPE_CHECKING:
    from simbank.bank import Bank
    from simbank.duty import Command

__all__ = ["CASES", "ENERGY", "FEW_SAMPLES", "FILE", "FULL", "HOURS", "NO_CHARGER", "ShortedCell", "own_devices", "shorted_cells"]

HOURS = 24.0
SAMPLES = 5760  # that may be told of a run: 15 s apart in a day. Made are those of the table's rows, and where the feed ends
FEW_SAMPLES = 12  # of a run in a search, of which only energy and what opened are asked
ROWS = 600  # of a table that is kept
OVER_C = 0.005  # a feed below this C-rate is over
NEAR_S = 30.0  # what opened within this time of the end of the feed has ended it
TOLERANCE = 3e-8  # of the fast integrator
FULL, ENERGY, FILE = CASES = "every pack full", "most energy", "as in the file"
NO_CHARGER = "none"
STUCK = BMS(stuck="both")
OPENINGS = (Event.DEVICE_OPENS, Event.DEVICE_INSTANT, *MONITOR_EVENTS.values())
_sound, _latest = Kept(32), Kept(4)  # packs at the starts of a search, and devices, which all of its runs share


@dataclass(frozen=True, eq=False)
class ShortedCell:
    """What flows into a pack with shorted cells.

    Attributes
    ----------
    pack : str
    cells : int
        How many of its cells in series are shorted.
    table : DataFrame
        Index ``time_s``; ``feed_a`` (into the pack), ``terminal_v``, ``energy_wh`` (fed in so far: voltage over charge,
        summed from samples), ``soc`` (of its good cells; above 1 is overcharge), and the current of each neighbour [A].
    opens_s : float or None
        When one of its own devices opens.
    stopped_by : str or None
        What ended the feed where it did not end by itself: a device, or a neighbour's BMS and why it opened.
    stopped_where : str or None
        The device or neighbour alone.
    device : Device or None
        The first of its own.
    case, charger : str
        Start, one of ``CASES`` or ``EMPTY``; what charges meanwhile, or "none".
    soc_start, neighbours_soc_start : float
        State of charge of its good cells, and mean of its neighbours, at the start.
    peak_a : float
        Largest feed [A].
    energy_wh, short_wh : float
        What neighbours and charger put into the pack at its terminals; the part of it burnt in the shorted cells [Wh].
    hours : float
        When the feed was over: below 0.005 C for good; else how long it was followed.
    good_cell_volt_max, good_cell_soc_end : float
        Highest voltage [V] and last state of charge of the cells that are not shorted.
    overcharge_ah, overcharge_wh : float
        What of it went in while they stood beyond 100 %.
    ended_by : str
        "levelled at 3.79 V a cell", a device or BMS that opened, "neighbours empty", or "nothing in 24 h".
    ended_by_own : bool
        Whether that is the pack's own device.
    opened : tuple of str
        All that opened on the way, devices and (where they count) neighbours' BMS, whether that ended the feed or only lessened it.
    energy_if_bms_open_wh : float or None
        What is fed in from the same start if every neighbour's BMS opens as the file says; None where that was not followed.
    most_energy_if_bms_open_wh, soc_start_if_bms_open, neighbours_soc_start_if_bms_open : float or None
        The most that is fed in from any start if every neighbour's BMS opens so, and that start: limits that open within seconds from
        one start leave less current to flow for longer from a milder one.
    ending_sampled : bool
        Whether ``stopped_by`` rests on when the samples say that the feed was over; else on what opened alone.
    """

    pack: str
    cells: int
    table: pd.DataFrame
    opens_s: float | None
    stopped_by: str | None
    device: Device | None
    charger: str
    soc_start: float
    neighbours_soc_start: float
    peak_a: float
    energy_wh: float
    short_wh: float
    hours: float
    good_cell_volt_max: float
    good_cell_soc_end: float
    overcharge_ah: float
    overcharge_wh: float
    ended_by: str
    ended_by_own: bool = False
    stopped_where: str | None = None
    opened: tuple[str, ...] = ()
    case: str = ""
    energy_if_bms_open_wh: float | None = None
    most_energy_if_bms_open_wh: float | None = None
    soc_start_if_bms_open: float | None = None
    neighbours_soc_start_if_bms_open: float | None = None
    ending_sampled: bool = False

    @property
    def feed_a(self) -> float:
        """Feed just after the short [A]."""
        return float(self.table["feed_a"].iloc[0])

    @property
    def record(self) -> dict:
        """Its figures as plain data, for JSON and tables."""
        keys = (
            "pack", "case", "charger", "soc_start", "neighbours_soc_start", "peak_a", "energy_wh", "short_wh", "hours",
            "good_cell_volt_max", "good_cell_soc_end", "overcharge_ah", "overcharge_wh", "ended_by",
            "energy_if_bms_open_wh", "most_energy_if_bms_open_wh", "soc_start_if_bms_open", "neighbours_soc_start_if_bms_open",
        )  # fmt: skip
        return {key: getattr(self, key) for key in keys}


def shorted_cells(
    bank: Bank, pack_name: str, cells: int = 1, short_ohm: float = 1e-3, *, hours: float = HOURS, soc: float | None = 1.0,
    own_soc: float | None = None, charging: dict[str, Command] | None = None, charger: str = NO_CHARGER,
    neighbours_bms: bool = False, **options,
) -> ShortedCell:  # fmt: skip
    """Follow the feed into a pack whose cells have shorted.

    The pack keeps its other cells: electromotive force of Ns − k cells, resistance of those plus k times ``short_ohm``. The
    switches of all BMS are stuck closed, its own and its neighbours': no BMS states what direct current it breaks, and thousands of
    amperes can flow here. Cells go on beyond 100 and 0 % along the straight line of :mod:`simbank.cells.chemistry`, where real ones
    gas, heat and vent. Devices open at the latest that their band allows.

    Parameters
    ----------
    bank : Bank
        With sound packs.
    pack_name : str
        The pack whose cells are shorted.
    cells : int
        How many of its cells in series are shorted, fewer than it has.
    short_ohm : float
        Resistance of one shorted cell, internal [ohm].
    hours : float
        How long it is followed [h].
    soc : float, optional
        State of charge of every pack at the start, straight after charge; None takes each pack as it stands in the file.
    own_soc : float, optional
        That of the pack itself, straight after discharge, where it is another.
    charging : dict of str to Command, optional
        What the ports push meanwhile [A] and the voltage they hold, as a charger without a tail; by default they rest.
    charger : str
        What to call that.
    neighbours_bms : bool
        Neighbours' BMS open as the file says, whatever current they have to break.
    options
        For :func:`simbank.simulate`. Energy, short, overcharge and what opened do not depend on ``output_step_s``; the rest of the
        figures is read from the samples.

    Returns
    -------
    ShortedCell

    Raises
    ------
    SimulationError
        Where the run cannot go on.
    """
    k = next(k for k, pack in enumerate(bank.packs) if pack.name == pack_name)
    sound = _sound.of((bank.packs,), (soc, neighbours_bms), lambda: _neighbours(bank.packs, soc, neighbours_bms))
    packs = (*sound[:k], _shorted(bank.packs[k], cells, short_ohm, soc, own_soc), *sound[k + 1 :])
    devices = _latest.of((bank.devices,), (), lambda: tuple(line_of(device, "latest") for device in bank.devices))
    held = {
        port: (None, Charger(current_limit_a=-command.value, absorb_volt=command.volt_limit))
        for port, command in (charging or {}).items()
    }  # no tail: the voltage is held for good
    run = Case(
        f"{pack_name} with {cells} shorted",
        replace(bank, packs=packs, devices=devices, port_equipment=held, switching=()),
        Duty((Step(hours * 3600.0, charging or {}),)),
    )
    own = packs[k]
    result = _simulated(run, k, own, hours, {"integrator": "fast", "tolerance": TOLERANCE, **options})
    mine, neighbours = own_devices(run.bank, pack_name), [pack.soc for pack in packs if pack is not own]
    feed = -result.pack_samples.current_a[:, k]
    row = result.summary["packs"][k]
    return ShortedCell(
        pack=pack_name, cells=cells, table=_table(result, packs, own), device=mine[0] if mine else None, charger=charger, soc_start=own.soc,
        neighbours_soc_start=float(np.mean(neighbours)) if neighbours else float("nan"),
        peak_a=max(float(feed.max()), row["charge_peak_a"] or 0.0, 0.0),
        energy_wh=row["net_energy_in_wh"], short_wh=row["i2t_a2s"] * cells * short_ohm / 3600.0, good_cell_volt_max=row["cell_volt_max"],
        good_cell_soc_end=row["soc_end"], overcharge_ah=row["overcharge_ah"], overcharge_wh=row["overcharge_wh"],
        **_ending(result, packs, own, mine, hours),
    )  # fmt: skip


def _neighbours(packs, soc, own_bms):
    """All packs at a state of charge, with their own BMS or with switches stuck closed."""
    charged = tuple(_charged(pack, soc) for pack in packs)
    return charged if own_bms else tuple(replace(pack, bms=STUCK) for pack in charged)


def _charged(pack, soc):
    """A pack at a state of charge, straight after charge; as it stands if that is None."""
    return pack if soc is None else replace(pack, soc=soc, hysteresis=1.0)


def _shorted(pack, cells, short_ohm, soc, own_soc):
    """A pack with some of its cells shorted and its switches stuck, at ``soc`` or straight after discharge at ``own_soc``."""
    pack = _charged(pack, soc)
    if own_soc is not None:
        pack = replace(pack, soc=own_soc, hysteresis=-1.0)
    left = pack.cells_in_series - cells
    keep = {key: getattr(pack, key) and getattr(pack, key)[:left] for key in ("cell_capacities", "cells_below_full")}
    ohm = pack.internal_wiring_ohm + cells * short_ohm
    return replace(pack, cells_in_series=left, internal_wiring_ohm=ohm, bms=STUCK, **keep)


def _simulated(run, k, own, hours, options):
    """The run, sampled where a table has its rows, and where the feed into pack ``k`` ends; or as ``options`` say."""
    if "output_step_s" in options:
        return simulate(run, **options)
    times = np.linspace(0.0, hours * 3600.0, SAMPLES + 1)
    told = times[_rows_told(times)]
    result = simulate(run, **options, output_step_s=told)
    between = _samples_at_end(result, k, own, times)
    if not len(between):
        return result
    return simulate(run, **options, output_step_s=np.union1d(told, between))  # samples change nothing but what is read of them


def _rows_told(times):
    """Which of evenly spaced times are rows of a table: spread over the logarithm of time, no finer than they are."""
    return np.unique(np.searchsorted(times, np.append(0.0, np.geomspace(times[1], times[-1], ROWS))).clip(0, len(times) - 1))


def _samples_at_end(result, k, own, times):
    """Of evenly spaced times those between the last sample at which pack ``k`` is fed, and the first at which it is not; none if it stays so."""
    made = result.pack_samples
    flows = np.flatnonzero(np.abs(made.current_a[:, k]) >= OVER_C * own.capacity_ah)
    if not len(flows) or flows[-1] + 1 >= len(made.time_s):
        return []
    begin, end = made.time_s[flows[-1]], made.time_s[flows[-1] + 1]
    return times[(times > begin) & (times < end)]


def _table(result, packs, own):
    """Feed, voltage, energy and state of charge of the pack and currents of its neighbours, at rows spread over the logarithm of time."""
    made, k = result.pack_samples, packs.index(own)
    time, feed, volt = made.time_s, -made.current_a[:, k], made.terminal_v[:, k]
    charge_ah = made.soc[:, k] * own.capacity_ah  # has in it what passed between samples
    energy = cumulative_trapezoid(volt, charge_ah, initial=0.0)
    keep = _rows_told(time)
    values = np.column_stack([feed, volt, energy, made.soc[:, k], np.delete(made.current_a, k, axis=1)])[keep]
    columns = ["feed_a", "terminal_v", "energy_wh", "soc", *(f"{pack.name}_a" for pack in packs if pack is not own)]
    return pd.DataFrame(values, columns=columns, index=pd.Index(time[keep], name="time_s"))


def _ending(result, packs, own, mine, hours):
    """When the feed was over and what ended it, as fields of :class:`ShortedCell`; ``mine`` are the pack's own devices."""
    made, k = result.pack_samples, packs.index(own)
    time, feed, volt = made.time_s, -made.current_a[:, k], made.terminal_v[:, k]
    flows = np.flatnonzero(np.abs(feed) >= OVER_C * own.capacity_ah)
    over = bool(len(feed)) and (not len(flows) or flows[-1] < len(feed) - 1)
    end_s = time[min(flows[-1] + 1, len(time) - 1)] if len(flows) else 0.0
    opened = [row for row in result.event_rows if row.event in OPENINGS]
    own_openings = [row for row in opened if row.where in [device.name for device in mine]]
    stopped = _stopped_by(opened, own_openings, end_s) if over else None
    where = None if stopped is None else str(stopped.where)
    if stopped is None:
        ended = f"levelled at {volt[-1] / own.cells_in_series:.2f} V a cell" if over else f"nothing in {hours:g} h"
    else:
        end_s = [row.time_s for row in opened if row.where == where][-1]
        ended = "neighbours empty" if stopped.event == Event.DISCHARGE_BLOCKED else _in_words(stopped)
    return {
        "opens_s": float(own_openings[0].time_s) if own_openings else None,
        "stopped_by": None if stopped is None else _in_words(stopped), "stopped_where": where, "ended_by": ended,
        "ended_by_own": where in [device.name for device in mine if device.owner == own.name],
        "hours": float(end_s if over else time[-1]) / 3600.0, "opened": tuple(dict.fromkeys(row.where for row in opened)),
        "ending_sampled": over and bool(opened) and not own_openings,
    }  # fmt: skip


def own_devices(bank: Bank, pack_name: str) -> list[Device]:
    """Devices through which all that flows into a pack must pass: its own, and those of a string that has no other pack."""
    owners = {pack_name, *(string for string, packs in bank.strings.items() if tuple(packs) == (pack_name,))}
    return [device for device in bank.devices if device.owner in owners]


def _stopped_by(opened, own, end_s):
    """The opening of the pack's own device; or of what else opened just when the feed ended; or None."""
    if own:
        return own[0]
    near = [row for row in opened if abs(row.time_s - end_s) <= NEAR_S]
    return near[-1] if near else None


def _in_words(opening):
    """The device that opened, or the neighbour and why it did."""
    is_device = opening.event in (Event.DEVICE_OPENS, Event.DEVICE_INSTANT)
    return str(opening.where) if is_device else f"{opening.where} ({opening.event.words})"

"""A pack with shorted cells whose BMS switch is stuck on, fed by its neighbours."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from simbank.bank.equipment import BMS
from simbank.duty import Duty, Step
from simbank.simulation import modes, simulate
from simbank.studies.case import Case
from simbank.studies.protection.faults import line_of

__all__ = ["ShortedCell", "shorted_cells"]

HOURS = 4.0
SOC = 0.95


@dataclass(frozen=True, eq=False)
class ShortedCell:
    """What flows into a pack with shorted cells.

    Attributes
    ----------
    pack : str
    cells : int
        How many of its cells in series are shorted.
    table : DataFrame
        Index ``time_s``; ``feed_a`` (into the pack), ``terminal_v``, ``energy_wh`` (fed in so far), ``soc`` (of its good cells;
        above 1 is overcharge), and the current of each neighbour [A].
    opens_s : float or None
        When one of its own devices opens.
    stopped_by : str or None
        What ended the feed: a device, or a neighbour's BMS.
    """

    pack: str
    cells: int
    table: pd.DataFrame
    opens_s: float | None
    stopped_by: str | None
    device: object

    @property
    def feed_a(self):
        """Feed just after the short [A]."""
        return float(self.table["feed_a"].iloc[0])

    @property
    def energy_wh(self):
        """Energy the neighbours put into the pack [Wh]."""
        return float(self.table["energy_wh"].iloc[-1])


def shorted_cells(bank, pack_name, cells=1, short_ohm=1e-3, hours=HOURS, soc=SOC, line="latest", **options):
    """Follow the feed into a pack whose cells have shorted; ports are off.

    The pack keeps its other cells: electromotive force of Ns − k cells, resistance of those plus k times ``short_ohm``. Its BMS
    blocks nothing; its good cells go on beyond 100 % along the end of their curve, where real ones gas, heat and vent. All packs
    start at ``soc``. Devices open at the latest that their band allows.

    Parameters
    ----------
    bank : Bank
    pack_name : str
    cells : int
    short_ohm : float
        Resistance of one shorted cell, internal [ohm].
    hours : float
        How long it is followed.

    Returns
    -------
    ShortedCell
    """
    packs = []
    for pack in bank.packs:
        pack = replace(pack, soc=soc, hysteresis=0.0)
        if pack.name == pack_name:
            left = pack.cells_in_series - cells
            keep = {key: getattr(pack, key) and getattr(pack, key)[:left] for key in ("cell_capacities", "cells_below_full")}
            pack = replace(
                pack,
                cells_in_series=left,
                internal_wiring_ohm=pack.internal_wiring_ohm + cells * short_ohm,
                bms=BMS(stuck="both"),
                **keep,
            )
        packs.append(pack)
    devices = tuple(line_of(device, line) for device in bank.devices)
    case = Case(
        f"{pack_name} with {cells} shorted",
        replace(bank, packs=tuple(packs), devices=devices, behaviours={}, switching=()),
        Duty((Step(hours * 3600.0),)),
    )
    result = simulate(case, tolerance=1e-7, output_step_s=5.0, **options)
    feed = -result.packs["current_a"][pack_name]
    volt = result.packs["terminal_v"][pack_name]
    time = result.packs.index.to_numpy()
    power = (feed * volt).to_numpy()
    energy = np.concatenate([[0.0], np.cumsum(0.5 * (power[1:] + power[:-1]) * np.diff(time))]) / 3600.0
    table = pd.DataFrame({"feed_a": feed, "terminal_v": volt, "energy_wh": energy, "soc": result.packs["soc"][pack_name]})
    for name in result.packs["current_a"]:
        if name != pack_name:
            table[f"{name}_a"] = result.packs["current_a"][name]
    own = [d for d in devices if d.owner == pack_name]
    opened = result.events[result.events["what"].isin([modes.DEVICE_OPENS, modes.DEVICE_INSTANT])]
    mine = opened[opened["where"].isin([d.name for d in own])]
    stopped = None
    if len(mine):
        stopped = mine["where"].iloc[0]
    elif abs(feed.iloc[-1]) < 0.5 and len(result.events):
        stopped = f"{result.events['where'].iloc[-1]} ({result.events['what'].iloc[-1]})"
    return ShortedCell(
        pack_name, cells, table, float(mine["time_s"].iloc[0]) if len(mine) else None, stopped, own[0] if own else None
    )

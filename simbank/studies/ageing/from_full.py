"""The full bank discharged at a constant current until its port is cut off: what is told as usable energy of a year."""

from __future__ import annotations

from dataclasses import dataclass, replace

from simbank.bank import Bank
from simbank.duty import Command, Duty, Step
from simbank.simulation import simulate
from simbank.simulation.event_codes import Event
from simbank.studies.case import Case

__all__ = ["CUT_SHORT", "USABLE_C", "Discharge", "Opened", "discharge_from_full"]

CUT_SHORT = "usable-cut-short"  # code of the warning
USABLE_C = 0.2  # rate at which usable energy is told, of the capacity as new, so that every year is asked for the same current
EMPTY_SOC = 0.05  # up to which a pack whose BMS opens counts as empty. Chosen here: below it the voltage of LFP falls steeply
BY_DEVICE = (Event.DEVICE_OPENS, Event.DEVICE_INSTANT)
OVER_CURRENT = (Event.DISCHARGE_OVER_CURRENT_1, Event.DISCHARGE_OVER_CURRENT_2, Event.SHORT_CIRCUIT)
BY_BMS = (*OVER_CURRENT, Event.DISCHARGE_TEMPERATURE)
AT_LOW_VOLTAGE = (Event.CELL_UNDER_VOLTAGE, Event.DISCHARGE_BLOCKED)


@dataclass(frozen=True)
class Opened:
    """A device or BMS that opened in a discharge from full before what it stands in was empty.

    Attributes
    ----------
    name : str
        As people read it: "device inverter", "the BMS of A".
    where : str
        As in the events of a run: name of the device or pack.
    time_s : float
        Since the start of the discharge [s].
    because : str
        What opened it.
    by_current : bool
        Whether that was its current, rather than temperature or voltage.
    """

    name: str
    where: str
    time_s: float
    because: str
    by_current: bool


@dataclass(frozen=True)
class Discharge:
    """A discharge from full.

    Attributes
    ----------
    energy_wh : float
        What the bank gave [Wh].
    current_a : float
        What was asked of its first port [A].
    present_a : float
        The same rate of the capacity that packs have by then [A], which :func:`simbank.studies.usable.usable` asks.
    left : float
        Charge that was left in the packs at the end, as a part of their capacity, 0 to 1.
    opened : tuple of Opened
        In order of time; empty where nothing but the cut-off, or packs that were empty, ended it.
    """

    energy_wh: float
    current_a: float = 0.0
    present_a: float = 0.0
    left: float = 0.0
    opened: tuple[Opened, ...] = ()


def discharge_from_full(bank: Bank) -> Discharge:
    """Discharge the full bank at ``USABLE_C`` of its capacity as new until its first port is cut off, or a device or BMS ends it.

    Its devices and BMSs act as in any run; inverters and the schedule do not.
    """
    cutoff = max(pack.chemistry.cutoff_volt * pack.cells_in_series for pack in bank.packs)
    port = next(iter(bank.graph.ports))
    full = tuple(replace(pack, soc=1.0, hysteresis=1.0) for pack in bank.packs)
    current = USABLE_C * sum(pack.rated_capacity_ah for pack in bank.packs)
    duty = Duty((Step(1.5 / USABLE_C * 3600.0, {port: Command("current", current, cutoff_volt=cutoff)}),))
    case = Case("full to cut-off", replace(bank, packs=full, port_equipment={}, switching=()), duty)
    summary = simulate(case, integrator="fast", output_step_s=3600.0).summary
    soc = {row["name"]: row["soc_end"] for row in summary["packs"]}
    left = sum(soc[pack.name] * pack.capacity_ah for pack in bank.packs) / bank.capacity_ah
    opened = {}
    for row in summary["events"]:
        code, where = row["code"], row["where"]
        by_bms = code in BY_BMS or (code in AT_LOW_VOLTAGE and soc[where] > EMPTY_SOC)
        if by_bms or code in BY_DEVICE:
            name = f"the BMS of {where}" if by_bms else where
            why = row["because"].partition(";")[0] or row["what"]
            by_current = code in BY_DEVICE or code in OVER_CURRENT
            opened.setdefault(name, Opened(name, where, row["time_s"], why, by_current))
    return Discharge(float(summary["bank"]["energy_out_wh"]), current, USABLE_C * bank.capacity_ah, left, tuple(opened.values()))

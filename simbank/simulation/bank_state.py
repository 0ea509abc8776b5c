"""The state of a bank while it runs: packs, devices and ports as arrays, and the network for the switches as they stand."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simbank.bank.bank import Bank
from simbank.bank.equipment import Charger, Inverter
from simbank.network import network_of
from simbank.simulation import arrays as ar
from simbank.simulation import events, port_states
from simbank.simulation.bank_solver import solve_bank, working_arrays
from simbank.simulation.bank_warnings import Joining
from simbank.simulation.event_codes import Event, EventRow
from simbank.simulation.run_warnings import Opening
from simbank.simulation.setup import block_array, device_array, monitor_array, pack_arrays, start_state
from simbank.warning import BankWarning

__all__ = ["BankState", "Devices", "Packs", "Ports"]


@dataclass(eq=False)
class Packs:
    """The n packs of a bank and the monitors of their BMS.

    Attributes
    ----------
    names : list of str
    cells, curves_of, curves : ndarray
        What each pack is; see :func:`simbank.simulation.setup.pack_arrays`.
    monitors : ndarray, shape (n, N_MONITORS, N_MONITOR_COLUMNS)
        Limits and delays.
    blocks : ndarray of int, shape (n, N_MONITORS)
        What each monitor can block: 1 charge, 2 discharge, 3 both, 0 nothing.
    state : ndarray of int, shape (n,)
        Whether a pack is closed, open, or conducts in one direction.
    mark : ndarray, shape (n, 2)
        State of charge at which a pack was last blocked as full and as empty.
    stays_open : ndarray of bool, shape (n,)
        It is blocked in one direction and, were it connected, would carry current in just that direction.
    monitor_state : ndarray of int, shape (n, N_MONITORS)
    monitor_timer : ndarray, shape (n, N_MONITORS)
        When the delay or the hold of a monitor is over [s], infinite where none runs.
    precharge_timer : ndarray, shape (n,)
        When a pack's precharge is over [s], infinite where none runs.
    trips : dict of (int, int) to list of float
        Pack and monitor → times at which it has tripped [s].
    """

    names: list[str]
    cells: np.ndarray
    curves_of: np.ndarray
    curves: np.ndarray
    monitors: np.ndarray
    blocks: np.ndarray
    state: np.ndarray
    mark: np.ndarray
    stays_open: np.ndarray
    monitor_state: np.ndarray
    monitor_timer: np.ndarray
    precharge_timer: np.ndarray
    trips: dict[tuple[int, int], list[float]]

    @classmethod
    def of(cls, bank):
        """The packs of a bank at the start: closed, nothing tripped."""
        packs, n = bank.packs, len(bank.packs)
        cells, curves_of, curves = pack_arrays(packs, bank.ambient_k, [device.curve for device in bank.devices])
        return cls(
            names=[pack.name for pack in packs],
            cells=cells,
            curves_of=curves_of,
            curves=curves,
            monitors=monitor_array(packs),
            blocks=block_array(packs),
            state=np.zeros(n, np.int64),
            mark=np.zeros((n, 2)),
            stays_open=np.zeros(n, bool),
            monitor_state=np.zeros((n, ar.N_MONITORS), np.int64),
            monitor_timer=np.full((n, ar.N_MONITORS), np.inf),
            precharge_timer=np.full(n, np.inf),
            trips={},
        )


@dataclass(eq=False)
class Devices:
    """The d fuses and breakers in line.

    Attributes
    ----------
    table : ndarray, shape (d, N_DEVICE_COLUMNS)
        What each device is; see :func:`simbank.simulation.setup.device_array`.
    branch : ndarray of int, shape (d,)
        In which branch of the graph each stands.
    state : ndarray of int, shape (d,)
    timer : ndarray, shape (d,)
        When its release acts or it closes again [s], infinite where nothing is due.
    flows : ndarray, shape (d, n + p)
        Current through each device by the currents of packs and ports, for the switches as they stand.
    """

    table: np.ndarray
    branch: np.ndarray
    state: np.ndarray
    timer: np.ndarray
    flows: np.ndarray

    @classmethod
    def of(cls, bank):
        """The devices of a bank at the start: closed and cold."""
        d, n, p = len(bank.devices), len(bank.packs), len(bank.graph.ports)
        branch_names = [branch.name for branch in bank.graph.branches]
        return cls(
            table=device_array(bank.devices),
            branch=np.array([branch_names.index(device.branch) for device in bank.devices], int),
            state=np.zeros(d, np.int64),
            timer=np.full(d, np.inf),
            flows=np.zeros((d, n + p)),
        )


@dataclass(eq=False)
class Ports:
    """The p ports, where loads and sources are connected.

    Attributes
    ----------
    names : list of str
    equipment : list of (Inverter or None, Charger or None)
    table : ndarray, shape (p, N_PORT_COLUMNS)
        What each port imposes.
    phase : ndarray of int, shape (p,)
        What each port does.
    equip : ndarray, shape (p, N_EQUIP)
        Its inverter and charger; see :func:`simbank.simulation.port_states.equipment_array`.
    timer : ndarray, shape (p, N_TIMER)
    reported : ndarray of int, shape (p,)
        Bits of what has been reported since bulk charge began.
    log, count : ndarray
        What compiled code has noted; see :mod:`simbank.simulation.port_states`.
    """

    names: list[str]
    equipment: list[tuple[Inverter | None, Charger | None]]
    table: np.ndarray
    phase: np.ndarray
    equip: np.ndarray
    timer: np.ndarray
    reported: np.ndarray
    log: np.ndarray
    count: np.ndarray

    @classmethod
    def of(cls, bank):
        """The ports of a bank at the start: nothing is asked."""
        names = list(bank.graph.ports)
        p = len(names)
        equipment = [bank.port_equipment.get(name, (None, None)) for name in names]
        table = np.zeros((p, ar.N_PORT_COLUMNS))
        table[:, ar.CURRENT_MAX], table[:, ar.RECOVERY_VOLT] = 1e9, np.inf
        equip = port_states.equipment_array(equipment, [pack.name for pack in bank.packs])
        return cls(
            names=names,
            equipment=equipment,
            table=table,
            phase=np.full(p, ar.PHASE_DONE, np.int64),
            equip=equip,
            timer=port_states.timer_array(equip),
            reported=np.zeros(p, np.int64),
            log=np.zeros((port_states.LOG_ROWS, 4)),
            count=np.zeros(1, np.int64),
        )

    @property
    def persistent(self):
        """Whether each port keeps its phase from step to step of the duty, shape (p,)."""
        return self.equip[:, ar.PERSISTENT] > 0

    @property
    def heeds_bms(self):
        """Whether any charger hears what the BMS of the packs report."""
        follows = self.equip[:, ar.FOLLOWS_BMS] > 0
        return bool((follows | (self.equip[:, ar.CHARGER_STOP_REPORT] != ar.STOP_NONE)).any())

    @property
    def arrays(self):
        """What the compiled functions of :mod:`simbank.simulation.port_states` take of the ports."""
        return ar.PortArrays(self.phase, self.table, self.timer, self.reported, self.equip, self.log, self.count)


class BankState:
    """A bank in the course of a run.

    Parameters
    ----------
    bank : Bank

    Attributes
    ----------
    n, p, d : int
        Number of packs, ports and devices.
    packs : Packs
    devices : Devices
    ports : Ports
    t, step_start : float
        Time of the run, and that at which the present step of the duty began [s].
    y : ndarray, shape (N_STATES n + d,)
        State of packs and damage of devices; rows in :mod:`simbank.simulation.arrays`.
    branch_closed : ndarray of bool, shape (b,)
    reduced : Reduced
        The network for the switches as they stand; see :meth:`rewire`.
    neighbours : ndarray, shape (n, n) or (0, 0)
        Heat that packs give one another [W/K].
    events : list of EventRow
    warnings : list of BankWarning
        Of packs and devices that the schedule has closed.
    openings : list of Opening
        Openings on over-current.
    last_cause : str
        What switched last, for the reasons of what follows.
    """

    def __init__(self, bank: Bank):
        self.bank = bank
        self.packs, self.devices, self.ports = Packs.of(bank), Devices.of(bank), Ports.of(bank)
        self.n, self.p, self.d = len(bank.packs), len(self.ports.names), len(bank.devices)
        self.network = network_of(bank.graph, self.packs.cells[ar.R_REF])
        self.t, self.step_start = 0.0, 0.0
        self.y = np.concatenate([start_state(bank.packs, bank.ambient_k), np.zeros(self.d)])
        coupled = bank.neighbours_w_k
        self.neighbours = np.zeros((0, 0)) if coupled is None else np.ascontiguousarray(coupled, float)
        self.branch_closed = np.ones(len(bank.graph.branches), bool)
        self.events: list[EventRow] = []
        self.openings: list[Opening] = []
        self.warnings: list[BankWarning] = []
        self.last_cause = "duty"
        self._watch = None  # as the switches stand, once it was asked for

    @property
    def t_step(self):
        """Time since the present step of the duty began [s]."""
        return self.t - self.step_start

    def pack_closed(self):
        """Whether each pack passes current, shape (n,)."""
        return ar.CONDUCTS[self.packs.state]

    def rewire(self):
        """Reduce the network for the switches as they now stand, and tell ports and chargers."""
        self.reduced = self.network.reduce(self.pack_closed(), self.branch_closed)
        self.devices.flows = np.ascontiguousarray(self.reduced.flows[self.devices.branch])
        self._watch = None
        ports = self.ports
        ports.table[:, ar.LIVE] = self.reduced.port_live
        port_states.update_timers(self.t, ports.arrays)
        self.cap_chargers()

    def cap_chargers(self):
        """Set the greatest current of every charger."""
        port_states.limit_chargers(self.y, self.arrays(), self.state_arrays(), self.ports.arrays)

    def arrays(self, reduced=None):
        """What compiled functions take of the bank as the network stands, or as ``reduced``."""
        packs, r = self.packs, reduced or self.reduced
        return ar.BankArrays(
            packs.cells, packs.curves_of, packs.curves, r.hybrid, r.terminal, r.pack_live, self.neighbours, self.devices.table,
            self.devices.flows,
        )  # fmt: skip

    def state_arrays(self):
        """What compiled functions take of the discrete states of packs and devices."""
        packs = self.packs
        return ar.StateArrays(packs.state, packs.mark, packs.monitors, packs.monitor_state, self.devices.state)

    def watch(self, t_step, y):
        """How far each change is past due; see :func:`simbank.simulation.events.watch`."""
        if self._watch is None:
            self._watch = self.watch_of()
        return self._watch(t_step, y)

    def watch_of(self):
        """:meth:`watch` as a function of time and state, as long as nothing switches."""
        return events.watch_of(self.y, self.arrays(), self.state_arrays(), self.ports.phase, self.ports.table)

    def solve(self, t_step=None):
        """The bank, by default at this instant: what packs and ports do, and the hybrid matrix at present resistances."""
        work = working_arrays(self.n, self.p)
        solve_bank(self.t_step if t_step is None else t_step, self.y, self.arrays(), self.ports.table, work)
        return work

    def pack_current(self, k):
        """Current of pack ``k`` at this instant [A]."""
        return float(self.solve().pack[ar.PACK_CURRENT, k])

    def joining(self, packs=None):
        """What flows now while no port asks for anything; among some packs alone (bool, shape (n,)), if they are given."""
        reduced, table = self.reduced, self.ports.table.copy()
        table[:, ar.MODE] = ar.MODE_OFF
        if packs is not None:
            reduced = self.network.reduce(self.pack_closed() & packs, self.branch_closed)
            table[:, ar.LIVE] = reduced.port_live
        work = working_arrays(self.n, self.p)
        solve_bank(0.0, self.y, self.arrays(reduced), table, work)
        flows = reduced.flows @ np.concatenate([work.pack[ar.PACK_CURRENT], work.port[ar.PORT_CURRENT]])
        return Joining(work.pack[ar.EMF], work.pack[ar.PACK_CURRENT], flows, self.joining)

    def note_event(self, where, event, because=""):
        """A row of the table of events."""
        self.events.append(EventRow(self.t, where, event, because))

    def note_opening(self, name, current_a, limit_a, port, unloaded_a):
        """Keep an opening on over-current.

        Parameters
        ----------
        name : str
            The pack or device that opens.
        current_a, unloaded_a : float
            Its current, and what it would be with no port current [A], in one sense.
        limit_a : float
            Its limit [A].
        port : ndarray
            The ports as solved at this instant.
        """
        along = unloaded_a if current_a >= 0 else -unloaded_a
        total_a = float(port[ar.PORT_CURRENT].sum())
        self.openings.append(Opening(self.t, name, abs(current_a), limit_a, total_a, along))

    def read_port_log(self):
        """Turn what compiled code has noted of the ports into events."""
        ports = self.ports
        for t, a, what, value in ports.log[: ports.count[0]].tolist():
            name, event, charger = ports.names[int(a)], port_states.LOG_EVENTS[int(what)], ports.equipment[int(a)][1]
            if charger is not None and charger.float_volt is None:
                event = event.without_float
            self.events.append(EventRow(t, name, event, port_states.because(int(what), value, charger)))
            if event in (Event.CUT_OFF, Event.TOO_MUCH_POWER):
                self.last_cause = f"{name} {event.words}"
        ports.count[0] = 0

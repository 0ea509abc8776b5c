"""What happens at an event: packs, devices and ports change state, one change at a time, and timers run out."""

from __future__ import annotations

import bisect
from dataclasses import replace

import numpy as np

from simbank.duty import Step
from simbank.errors import SimulationError
from simbank.simulation import arrays as ar
from simbank.simulation import events, port_states
from simbank.simulation.bank_state import BankState
from simbank.simulation.bank_warnings import closing_warnings
from simbank.simulation.devices import device_current
from simbank.simulation.event_codes import MONITOR_EVENTS, Event
from simbank.simulation.pack_model import KELVIN
from simbank.simulation.port_solver import commanded
from simbank.simulation.run_warnings import unloaded_packs
from simbank.simulation.setup import command_row

__all__ = ["EventHandler"]

OVER_CURRENTS = (
    ar.CHARGE_OVER_CURRENT, ar.DISCHARGE_OVER_CURRENT_1, ar.DISCHARGE_OVER_CURRENT_2, ar.SHORT_CIRCUIT,
)  # fmt: skip
CHATTER_AN_HOUR = 60  # a monitor that blocks more often than this within an hour is held for an hour
STUCK_EVENTS = 400  # so many changes in a row without progress, and some more for a large bank, is a bank that does not settle
PROGRESS_S = 1e-3


class EventHandler:
    """Changes the state of a bank at events and when timers run out.

    Parameters
    ----------
    state : BankState
    """

    def __init__(self, state: BankState):
        self.state, self.bank = state, state.bank
        self.packs, self.devices, self.ports = state.packs, state.devices, state.ports
        # where in what events.watch returns the packs end, and the ports
        self.packs_end = ar.PACK_SLOTS * state.n
        self.ports_end = self.packs_end + ar.PORT_SLOTS * state.p
        self.schedule = sorted(self.bank.switching, key=lambda order: order.time_s)
        self._heeded, self._persistent = self.ports.heeds_bms, self.ports.persistent
        self._stuck = (0, -1.0)
        self.changes = 0  # made so far

    # ---- packs ----

    def _change_pack(self, k, slot):
        if slot == 0:
            self._change_conduction(k)
            return
        r = slot - 1
        doing = self.packs.monitor_state[k, r]
        if doing == ar.QUIET and self.packs.monitors[k, r, ar.MONITOR_DELAY_S] > 0:
            self.packs.monitor_state[k, r] = ar.RUNNING
            self.packs.monitor_timer[k, r] = self.state.t + self.packs.monitors[k, r, ar.MONITOR_DELAY_S]
        elif doing == ar.QUIET:
            self._trip(k, r)
        elif doing == ar.RUNNING:
            self.packs.monitor_state[k, r], self.packs.monitor_timer[k, r] = ar.QUIET, np.inf
        else:
            self._release(k, r)

    def _change_conduction(self, k):
        """A pack blocked in one direction begins to conduct the other, or stops."""
        state = self.packs.state[k]
        new, what = {
            ar.CHARGE_BLOCKED_OPEN: (ar.CHARGE_BLOCKED_CONDUCTING, Event.CONDUCTS_DISCHARGE),
            ar.DISCHARGE_BLOCKED_OPEN: (ar.DISCHARGE_BLOCKED_CONDUCTING, Event.CONDUCTS_CHARGE),
            ar.CHARGE_BLOCKED_CONDUCTING: (ar.CHARGE_BLOCKED_OPEN, Event.OPENS_AGAIN),
            ar.DISCHARGE_BLOCKED_CONDUCTING: (ar.DISCHARGE_BLOCKED_OPEN, Event.OPENS_AGAIN),
        }[state]
        self.packs.state[k] = new
        self.state.note_event(self.packs.names[k], what, self.state.last_cause)
        self.state.rewire()

    def _trip(self, k, r):
        """A monitor's condition has lasted: block."""
        if not ar.BLOCKS[r]:
            self.packs.monitor_state[k, r] = ar.BLOCKING
            return
        work = self.state.solve()
        current = float(work.pack[ar.PACK_CURRENT, k])
        because = self._reason(k, r, current)
        self.packs.monitor_state[k, r] = ar.WAITING
        hold = self.packs.monitors[k, r, ar.MONITOR_HOLD_S]
        times = self.packs.trips.setdefault((k, r), [])
        times.append(self.state.t)
        acts = self.packs.blocks[k, r] != 0  # otherwise its switch is stuck: it orders, which is said once
        if self.packs.blocks[k, r] != ar.BLOCKS[r] and (acts or len(times) == 1):
            self.state.note_event(self.packs.names[k], Event.STUCK, f"{MONITOR_EVENTS[r].words}: {because}")
        if not acts and not self._heeded:  # nobody hears the order: nothing changes
            self.packs.monitor_timer[k, r] = np.inf
            return
        if acts:
            self.state.note_event(self.packs.names[k], MONITOR_EVENTS[r], because)
        recent = len(times) - bisect.bisect_left(times, self.state.t - 3600.0)
        locked = ""
        if r in OVER_CURRENTS:
            if acts:
                limit = float(self.packs.monitors[k, r, ar.MONITOR_LIMIT])
                unloaded = float(unloaded_packs(work)[k])
                self.state.note_opening(self.packs.names[k], current, limit, work.port, unloaded)
            if r == ar.SHORT_CIRCUIT or recent > self.bank.packs[k].bms.retries:
                hold = np.inf
                locked = f"{recent} in an hour" if recent > 1 else "short-circuit current"
        elif recent > CHATTER_AN_HOUR:
            hold = 3600.0
            locked = f"{recent} in an hour; held for an hour"
        if locked and acts:
            self.state.note_event(self.packs.names[k], Event.LOCKED, locked)
        self.packs.monitor_timer[k, r] = self.state.t + hold
        if hold <= 0:
            self.packs.monitor_state[k, r], self.packs.monitor_timer[k, r] = ar.BLOCKING, np.inf
        if r == ar.FULL:
            self.packs.mark[k, 0] = self.state.y[k]
        elif r == ar.EMPTY:
            self.packs.mark[k, 1] = self.state.y[k]
        if acts:
            self.state.last_cause = f"{self.packs.names[k]} {MONITOR_EVENTS[r].words}"
        self._update_pack_state(k, current)

    def _reason(self, k, r, current):
        if r in OVER_CURRENTS:
            limit = self.packs.monitors[k, r, ar.MONITOR_LIMIT]
            return f"{abs(current):.0f} A over {limit:.0f} A; after {self.state.last_cause}"
        if r in (ar.CHARGE_TEMPERATURE, ar.DISCHARGE_TEMPERATURE):
            return f"{self.state.y[4 * self.state.n + k] - KELVIN:.1f} degC"
        return f"SOC {self.state.y[k] * 100:z.1f} %, {current:z.1f} A"

    def _release(self, k, r):
        self.packs.monitor_state[k, r], self.packs.monitor_timer[k, r] = ar.QUIET, np.inf
        if not ar.BLOCKS[r]:
            return
        if self.packs.blocks[k, r]:
            what = Event.SWITCHED_ON if r == ar.SWITCHED_OFF else Event.RELEASED
            self.state.note_event(self.packs.names[k], what, MONITOR_EVENTS[r].words)
        self._update_pack_state(k, 0.0)

    def _update_pack_state(self, k, current):
        """State of a pack from what its monitors block, and from the current it carried."""
        blocks = int(np.bitwise_or.reduce(self.packs.blocks[k, self.packs.monitor_state[k] >= ar.WAITING], initial=0))
        old = self.packs.state[k]
        was_open = old in (ar.CHARGE_BLOCKED_OPEN, ar.DISCHARGE_BLOCKED_OPEN, ar.OPEN)
        if blocks == 3:
            new = ar.OPEN
        elif blocks == 1:
            new = ar.CHARGE_BLOCKED_CONDUCTING if not was_open and current > 0 else ar.CHARGE_BLOCKED_OPEN
        elif blocks == 2:
            new = ar.DISCHARGE_BLOCKED_CONDUCTING if not was_open and current < 0 else ar.DISCHARGE_BLOCKED_OPEN
        else:
            new = ar.CLOSED
        self.packs.state[k] = new
        self.state.rewire()
        if was_open and new == ar.CLOSED:
            self._reconnect(k)

    def _reconnect(self, k):
        """Report the inrush of a pack that has just closed, through its precharge resistor if it has one."""
        pack = self.bank.packs[k]
        if pack.bms is not None and pack.bms.precharge_ohm > 0:
            if self.packs.precharge_timer[k] == np.inf:
                self.packs.cells[ar.R_WIRING, k] += pack.bms.precharge_ohm
            self.packs.precharge_timer[k] = self.state.t + pack.bms.precharge_s
            what = Event.PRECHARGES
        else:
            what = Event.RECONNECTS
        self.state.note_event(self.packs.names[k], what, f"inrush {self.state.pack_current(k):.1f} A")

    def _end_precharge(self, k):
        self.packs.cells[ar.R_WIRING, k] -= self.bank.packs[k].bms.precharge_ohm
        self.packs.precharge_timer[k] = np.inf
        self.state.note_event(self.packs.names[k], Event.PRECHARGED, f"current now {self.state.pack_current(k):.1f} A")

    def _connect_blocked_pack(self, t_step):
        """Let one open pack conduct in its free direction where the wiring around it has no voltage of its own.

        Which way its current would then flow is found by solving the bank with the pack in it: what the ports ask does not tell,
        since a lead, a held voltage or the end of their power may turn it round. A pack that would carry current in its blocked
        direction stays open until something else changes.
        """
        self.packs.stays_open[:] = False
        blocked = (self.packs.state == ar.CHARGE_BLOCKED_OPEN) | (self.packs.state == ar.DISCHARGE_BLOCKED_OPEN)
        for k in np.flatnonzero(blocked).tolist():
            if not events.may_conduct(
                k,
                t_step,
                self.packs.state,
                self.state.reduced.pack_live,
                self.ports.phase,
                self.ports.table,
                self.packs.stays_open,
            ):
                continue
            state = self.packs.state[k]
            full = state == ar.CHARGE_BLOCKED_OPEN
            self.packs.state[k] = ar.CHARGE_BLOCKED_CONDUCTING if full else ar.DISCHARGE_BLOCKED_CONDUCTING
            self.state.rewire()
            current = self.state.pack_current(k)
            self.packs.state[k] = state
            self.state.rewire()
            if (current if full else -current) * 3600.0 / self.packs.cells[ar.CAPACITY_AS, k] >= -events.CURRENT_BAND_C:
                self._change_conduction(k)
                return True
            self.packs.stays_open[k] = True
        return False

    # ---- ports ----

    def apply_commands(self, step: Step):
        """Set the ports to a step's commands."""
        port_states.apply_commands(self.state.t, command_row(step, self.ports.names), self.ports.arrays)
        self.state.read_port_log()
        self.ports.table[:, ar.LIVE] = self.state.reduced.port_live
        self.state.cap_chargers()

    def _change_port(self, a, slot, t_step):
        work, itself = self.state.solve(t_step), self.state.n + a
        volt = float(work.port[ar.PORT_VOLTAGE, a])
        volt_alone = volt - float(work.hybrid[itself, itself] * work.port[ar.PORT_CURRENT, a])
        port_states.change(a, slot, self.state.t, t_step, self.ports.arrays, volt, volt_alone)
        self.state.read_port_log()

    # ---- devices ----

    def _change_device(self, d, slot):
        if slot == 0:
            self._open_device(d, Event.DEVICE_OPENS)
        elif self.devices.state[d] == ar.QUIET:
            self.devices.state[d] = ar.RUNNING
            self.devices.timer[d] = self.state.t + self.devices.table[d, ar.PICKUP_DELAY_S]
        else:
            self.devices.state[d], self.devices.timer[d] = ar.QUIET, np.inf

    def _open_device(self, d, what):
        work = self.state.solve()
        signed = float(device_current(d, self.devices.flows, work))
        current, cause, device = abs(signed), f"after {self.state.last_cause}", self.bank.devices[d]
        other = self._other_pole_just_opened(device) if what != Event.DEVICE_SWITCHED else None
        if other is not None:  # which carried the same current until now
            current, cause = other.current_a, f"as {other.name} in the other pole, at the same instant"
            self.state.openings.append(replace(other, name=device.name))
        elif what != Event.DEVICE_SWITCHED:
            unloaded = float(self.devices.flows[d, : self.state.n] @ unloaded_packs(work))
            self.state.note_opening(device.name, signed, device.rating_a, work.port, unloaded)
        self.state.note_event(device.name, what, f"{current:.0f} A, {current / device.rating_a:.2f} times its rating; {cause}")
        self.state.last_cause = f"{device.name} {what.words}"
        self.devices.state[d] = ar.BLOCKING
        self.devices.timer[d] = self.state.t + device.reset_s if what != Event.DEVICE_SWITCHED else np.inf
        self.state.branch_closed[self.devices.branch[d]] = False
        self.state.rewire()

    def _other_pole_just_opened(self, device):
        """The opening at this same instant of the same device in the other pole, or None."""
        names = {other.name for other in self.bank.devices if other.owner == device.owner and other.pole != device.pole}
        return next((o for o in reversed(self.state.openings) if o.time_s == self.state.t and o.name in names), None)

    def _close_device(self, d):
        self.devices.state[d], self.devices.timer[d] = ar.QUIET, np.inf
        self.state.y[ar.N_STATES * self.state.n + d] = 0.0
        self.state.branch_closed[self.devices.branch[d]] = True
        self.state.rewire()
        work = self.state.solve()
        current = device_current(d, self.devices.flows, work)
        self.state.note_event(self.bank.devices[d].name, Event.DEVICE_CLOSES, f"inrush {abs(current):.1f} A")

    # ---- timers ----

    def next_timer_s(self, ports: bool = True) -> float:
        """When the next timer runs out, or the schedule switches something [s]; infinite if none does."""
        timers = [self.packs.monitor_timer, self.devices.timer, self.packs.precharge_timer]
        if ports:
            timers.append(self.ports.timer[:, ar.NEXT_AT])
        known = min(float(timer.min(initial=np.inf)) for timer in timers)
        return min(known, self.schedule[0].time_s) if self.schedule else known

    def process_timers(self):
        """Do everything whose instant has come."""
        due_by = self.state.t + 1e-9
        if self.next_timer_s() > due_by:
            return
        for k, r in np.argwhere(self.packs.monitor_timer <= due_by):
            if self.packs.monitor_state[k, r] == ar.RUNNING:
                self.packs.monitor_timer[k, r] = np.inf
                self._trip(k, r)
            else:
                self.packs.monitor_state[k, r], self.packs.monitor_timer[k, r] = ar.BLOCKING, np.inf
        for d in np.flatnonzero(self.devices.timer <= due_by):
            if self.devices.state[d] == ar.RUNNING:
                self._open_device(d, Event.DEVICE_INSTANT)
            else:
                self._close_device(d)
        for a in np.flatnonzero(self.ports.timer[:, ar.NEXT_AT] <= due_by):
            port_states.process_timer(a, self.state.t, self.ports.arrays, float(self.state.solve().port[ar.PORT_VOLTAGE, a]))
            self.state.read_port_log()
        for k in np.flatnonzero(self.packs.precharge_timer <= due_by):
            self._end_precharge(k)
        while self.schedule and self.schedule[0].time_s <= due_by:
            order = self.schedule.pop(0)
            before = self.state.pack_closed().copy(), self.state.branch_closed.copy()
            self._switch(order)
            if order.close and not all(map(np.array_equal, before, (self.state.pack_closed(), self.state.branch_closed))):
                self.state.warnings += closing_warnings(self.bank, self.state.joining(), order.what, self.state.t)

    def _switch(self, order):
        names = [device.name for device in self.bank.devices]
        if order.what in names:
            d = names.index(order.what)
            if order.close and self.devices.state[d] == ar.BLOCKING:
                self._close_device(d)
            elif not order.close and self.devices.state[d] != ar.BLOCKING:
                self._open_device(d, Event.DEVICE_SWITCHED)
            return
        k = self.packs.names.index(order.what)
        if not order.close and self.packs.monitor_state[k, ar.SWITCHED_OFF] == ar.QUIET:
            self.packs.monitor_state[k, ar.SWITCHED_OFF] = ar.WAITING
            self.state.note_event(order.what, Event.SWITCHED_OFF, "schedule")
            self.state.last_cause = f"{order.what} switched off"
            self._update_pack_state(k, 0.0)
        elif order.close:
            for r in np.flatnonzero(self.packs.monitor_state[k] >= ar.WAITING):  # a hand also resets a locked BMS
                if r == ar.SWITCHED_OFF or (
                    self.packs.monitor_timer[k, r] == np.inf and ar.BLOCKS[r] and r not in (ar.FULL, ar.EMPTY)
                ):
                    self._release(k, r)

    # ---- events ----

    def process_due_events(self, t_step: float):
        """Apply every change that is due at this instant, one at a time, until none is.

        In this order: which packs conduct (lowest first: Murty's rule for the complementarity problem that packs conducting in
        one direction pose, which ends); ports that overrun a limit of their own, since what they would push for no time at all
        must trip nothing; monitors of packs; devices; ports that have nothing left to do.
        """
        while True:
            due = np.flatnonzero(self.state.watch(t_step, self.state.y)[:-1] > 0)
            packs = due[due < self.packs_end]
            conducting = packs[packs % ar.PACK_SLOTS == 0]
            if conducting.size:
                self.apply_change(conducting[0], t_step)
                continue
            if self._connect_blocked_pack(t_step):
                self._check_progress()
                continue
            ports = due[(due >= self.packs_end) & (due < self.ports_end)]
            pushing = [
                slot
                for slot in ports
                if port_states.meets_own_limit(
                    *divmod(int(slot) - self.packs_end, ar.PORT_SLOTS), t_step, self.ports.phase, self.ports.table
                )
            ]
            devices = due[due >= self.ports_end]
            order = [*pushing, *packs, *devices]
            if order:
                self.apply_change(order[0], t_step)
                continue
            dead = [a for a in range(self.state.p) if self.ports.phase[a] != ar.PHASE_DONE and not self.ports.table[a, ar.LIVE]]
            if any(not self._persistent[a] for a in dead):
                a = next(a for a in dead if not self._persistent[a])
                self.ports.phase[a], self.ports.table[a, ar.MODE] = ar.PHASE_DONE, ar.MODE_OFF
                self.state.note_event(self.ports.names[a], Event.NO_PACK, self.state.last_cause)
                self._check_progress()
                continue
            for a in dead:
                if commanded(t_step, self.ports.table, a) != 0 and not self.ports.reported[a] & port_states.NO_PACK_REPORTED:
                    self.ports.reported[a] |= port_states.NO_PACK_REPORTED
                    self.state.note_event(self.ports.names[a], Event.NO_PACK, self.state.last_cause)
            if not ports.size:
                return
            self.apply_change(ports[0], t_step)

    def apply_change(self, slot: int, t_step: float):
        """Make one change.

        Parameters
        ----------
        slot : int
            Its place in what :func:`simbank.simulation.events.watch` returns.
        t_step : float
            Time since the step of the duty began [s].
        """
        if slot < self.packs_end:
            self._change_pack(*divmod(int(slot), ar.PACK_SLOTS))
        elif slot < self.ports_end:
            self._change_port(*divmod(int(slot) - self.packs_end, ar.PORT_SLOTS), t_step)
        else:
            self._change_device(*divmod(int(slot) - self.ports_end, ar.DEVICE_SLOTS))
        self._check_progress()

    def read_port_log(self):
        """Turn the changes of ports that compiled code has made by itself into events; too many without progress stop the run."""
        if not self.ports.count[0]:
            return
        times, most = self.ports.log[: self.ports.count[0], 0], self._most_changes()
        stuck = np.flatnonzero(times[most:] - times[:-most] < PROGRESS_S)
        if stuck.size:
            self.ports.count[0] = stuck[0] + most
        self.state.read_port_log()
        if stuck.size:
            self._stop_as_stuck()

    def _most_changes(self):
        """How many changes in a row without progress are too many."""
        return STUCK_EVENTS + 40 * (self.state.n + self.state.p + self.state.d)

    def _check_progress(self):
        """Count changes that follow one another without progress, and stop the run where they are too many."""
        count, since = self._stuck
        self.changes += 1
        self._stuck = (count + 1, since) if self.state.t - since < PROGRESS_S else (0, self.state.t)
        if self._stuck[0] > self._most_changes():
            self._stop_as_stuck()

    def _stop_as_stuck(self):
        last = self.state.events[-1] if self.state.events else None
        where, what = (last.where, last.event.words) if last else ("?", "?")
        raise SimulationError(f"at {self.state.t:.3f} s the bank does not settle: {where} keeps changing ({what})")

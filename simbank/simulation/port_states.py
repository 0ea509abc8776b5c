"""How a port takes a command and changes its phase, written once for every integrator.

``state`` is a :class:`~simbank.simulation.arrays.PortArrays`, ``a`` the number of a port, ``t`` the time of the run and ``t_step`` that
since the step of the duty began [s], ``volt`` the port's voltage [V], ``what`` the number of what is logged.

A charger, by what it does (phase, and whether it is at float: column REBULK_VOLT above zero)::

    it is in     imposes              until                                             then it is in
    bulk         FOLLOW  its command  the current would pass its limit                  bulk at its limit
                                      the port reaches the absorption voltage           absorption
    bulk         LIMITED its limit    the command asks for less than the limit          bulk on its command
                                      the port reaches the absorption voltage           absorption
    absorption   HOLD    absorption   what is offered, or the limit, no longer          bulk; the clock of absorption rests
                         voltage      holds the voltage, or a load takes over
                                      the current has stayed below the tail for         float
                                      ``tail_time``
                                      the voltage was held for ``absorb_max`` in all    float
                                      the bank stands higher than its voltage           absorption, giving nothing
    absorption   IDLE    nothing      the port falls to the absorption voltage          absorption, holding it
                                      it has given nothing for ``tail_time``            float; not told as charged
                                      ``absorb_max``, a load, as in HOLD
    any of these                      the packs it heeds report full (``stop``)         float
    float        HOLD    float        what is offered no longer holds the voltage       float, following what is offered
                         voltage      the bank stands higher than its voltage           float, giving nothing
    float        IDLE    nothing      the port falls to the float voltage               float, holding it
    float        FOLLOW, LIMITED      the port reaches the float voltage                float, holding it
    any float                         the port falls to the rebulk voltage, a minute    bulk
                                      after float began at the earliest, and the packs
                                      it heeds no longer report full: below 98 %
                                      power is offered again after ``new_bulk_after``   bulk
                                      or longer without

Float without a float voltage is: it is off. A port without a charger that holds its charge voltage gives nothing (IDLE) while the
bank stands higher, and holds it again when the bank has come down; with a tail its charge ends there.

An inverter is cut off (CUT) when a discharge comes down to its cut-off voltage, and comes on again once its recovery delay is over
and the port has reached the recovery voltage, be it at rest or while it charges (column IS_CUT_OFF).

The clock of absorption counts while the port stands at the absorption voltage or above it, whoever holds it there, and rests
otherwise: it is not set back by a cloud or a load, only when a new bulk begins (common practice varies: some chargers start it
anew each time). A charger knows its own current only: where another one holds the bank above its absorption voltage, or that
voltage lies below the bank's own, it gives nothing, which is below any tail, and it goes to float as chargers do that do not talk
to one another (common practice, no source). That says nothing of how full the bank is, so it has an event of its own and does not
count as charged. A low current for want of sun is no tail current, since the voltage is then not held. Whether power is offered
is asked at the beginning of each row of the duty.
"""

from __future__ import annotations

import numpy as np

from simbank.cells.curves import curve_value
from simbank.errors import InputError
from simbank.jit import jit_entry, jit_inline, jit_internal
from simbank.simulation import arrays as ar
from simbank.simulation import events
from simbank.simulation.event_codes import Event
from simbank.simulation.pack_model import KELVIN
from simbank.simulation.port_solver import commanded

__all__ = [
    "all_done",
    "apply_commands",
    "because",
    "change",
    "equipment_array",
    "finish",
    "limit_chargers",
    "process_timer",
    "timer_array",
    "update_timers",
]

REBULK_DELAY_S = 60.0  # least time at float before bulk charge begins again; common practice, no source
LOG_ROWS = 4096

# What is logged, in the order of these numbers, and the event that each is.
(
    HOLDS, AT_LIMIT, ENDED, FLOATS, BULK, CUT_OFF, RECOVERED, TOO_MUCH, LONGEST, STOPPED, WAKES, TOO_LITTLE, NOTHING_IN, HIGHER,
) = range(14)  # fmt: skip
LOG_EVENTS = (
    Event.HOLDS_VOLTAGE, Event.CURRENT_AGAIN, Event.CHARGE_ENDED, Event.FLOATS, Event.REBULK, Event.CUT_OFF, Event.RECOVERED,
    Event.TOO_MUCH_POWER, Event.FLOATS, Event.STOPPED, Event.REBULK, Event.TOO_LITTLE,
    Event.NOTHING_IN, Event.HELD_HIGHER,
)  # fmt: skip
NO_PACK_REPORTED = 1 << 20


def because(what, value, charger):
    """Why, for the events table, from what was logged and its value: a voltage, or hours without anything offered."""
    if what in (BULK, CUT_OFF, RECOVERED, TOO_MUCH, NOTHING_IN):
        return f"{value:.2f} V"
    if what == WAKES:
        return f"power offered after {value / 3600.0:.1f} h without"
    if what == FLOATS:
        return f"below {charger.tail_a:.1f} A for {charger.tail_time_s:.0f} s at {charger.absorb_volt:.2f} V"
    if what == HIGHER:
        return f"{value:.2f} V over {charger.absorb_volt:.2f} V, no current for {charger.tail_time_s:.0f} s"
    if what == LONGEST:
        return f"{charger.absorb_volt:.2f} V held for {charger.absorb_max_s / 60.0:.0f} min in all"
    return charger.stop if what == STOPPED else ""


def equipment_array(port_equipment, pack_names):
    """Parameters of each port's inverter and charger, from pairs (Inverter or None, Charger or None)."""
    out = np.zeros((len(port_equipment), ar.N_EQUIP))
    for a, (inverter, charger) in enumerate(port_equipment):
        out[a, [ar.HAS_INVERTER, ar.HAS_CHARGER, ar.PERSISTENT]] = (
            inverter is not None,
            charger is not None,
            inverter is not None or charger is not None,
        )
        if inverter is not None:
            out[a, [ar.INVERTER_RECOVERY_VOLT, ar.RECOVERY_DELAY_S]] = inverter.recovery_volt, inverter.recovery_delay_s
        if charger is not None:
            out[a, [ar.ABSORB_VOLT, ar.CHARGER_REBULK_VOLT, ar.CHARGER_TAIL_A, ar.ABSORB_MAX_S]] = (
                charger.absorb_volt, charger.rebulk_volt, charger.tail_a, charger.absorb_max_s,
            )  # fmt: skip
            out[a, ar.FLOAT_VOLT] = -np.inf if charger.float_volt is None else charger.float_volt
            out[a, [ar.CHARGER_POWER_MAX_W, ar.CHARGER_CURRENT_MAX, ar.FOLLOWS_BMS]] = (
                charger.power_limit_w,
                charger.current_limit_a,
                charger.follows_bms,
            )
            out[a, [ar.TAIL_TIME_S, ar.NEW_BULK_AFTER_S]] = charger.tail_time_s, charger.new_bulk_after_s
            general = {None: ar.STOP_NONE, "first full": ar.STOP_FIRST_FULL, "all full": ar.STOP_ALL_FULL}
            stops = {f"{name} full": k + 1 for k, name in enumerate(pack_names)} | general
            if charger.stop not in stops:
                raise InputError(f"use one of {', '.join(s for s in stops if s)}", key="charger.stop", value=charger.stop)
            out[a, ar.CHARGER_STOP_REPORT] = stops[charger.stop]
    return out


def timer_array(equip):
    """The clocks of every port at the start: nothing due, and the whole of the longest absorption left."""
    out = np.full((len(equip), ar.N_TIMER), np.inf)
    out[:, ar.ABSORB_LEFT_S] = equip[:, ar.ABSORB_MAX_S]
    return out


@jit_internal
def log_event(state, t, a, what, value):
    """One line of the log."""
    row = state.log[state.count[0]]
    row[0], row[1], row[2], row[3] = t, a, what, value
    state.count[0] += 1


@jit_internal
def set_phase(a, new, mode, what, t, state, volt):
    """Change a port's phase to ``new`` and what it imposes to ``mode``; log ``what`` unless it is negative.

    A port whose phase goes on from step to step reports each kind of change once until it is in bulk.
    """
    state.phase[a] = new
    state.table[a, ar.MODE] = mode
    if what >= 0 and not (state.equip[a, ar.PERSISTENT] > 0.0 and state.reported[a] & (1 << what)):
        state.reported[a] |= 1 << what
        log_event(state, t, a, what, volt)


@jit_inline
def _update_timer(a, t, state):
    """Let the timers of port ``a`` run or rest by what it does now, and find the next instant at which one is due."""
    phase, ports, equip = state.phase, state.table, state.equip
    clock = state.timer[a]
    absorbs = equip[a, ar.HAS_CHARGER] > 0.0 and ports[a, ar.REBULK_VOLT] == 0.0 and ports[a, ar.LIVE] > 0.0
    absorbs = absorbs and (phase[a] == ar.PHASE_HOLD or phase[a] == ar.PHASE_IDLE)
    if absorbs and clock[ar.ABSORB_AT] == np.inf:
        clock[ar.ABSORB_AT] = t + clock[ar.ABSORB_LEFT_S]
    elif not absorbs and clock[ar.ABSORB_AT] < np.inf:
        clock[ar.ABSORB_LEFT_S], clock[ar.ABSORB_AT] = max(0.0, clock[ar.ABSORB_AT] - t), np.inf
    if absorbs and phase[a] == ar.PHASE_IDLE and ports[a, ar.TAIL_A] > 0.0 and ports[a, ar.TAIL_RUNS] == 0.0:
        ports[a, ar.TAIL_RUNS] = 1.0  # no current at all is below any tail
        clock[ar.TAIL_AT] = t + equip[a, ar.TAIL_TIME_S]
    elif not absorbs:
        ports[a, ar.TAIL_RUNS], clock[ar.TAIL_AT] = 0.0, np.inf
    if ports[a, ar.IS_CUT_OFF] == 0.0:
        clock[ar.RECOVER_AT] = np.inf
    clock[ar.NEXT_AT] = min(min(clock[ar.RECOVER_AT], clock[ar.REBULK_AT]), min(clock[ar.ABSORB_AT], clock[ar.TAIL_AT]))


@jit_entry
def update_timers(t, state):
    """As :func:`_update_timer` for every port, after something else has changed: a port without packs holds no voltage."""
    for a in range(state.phase.size):
        _update_timer(a, t, state)


@jit_internal
def _begins_anew(a, value, phase):
    """Whether a port whose phase goes on starts to follow: at its first step, and when its command, ``value``, changes direction."""
    if phase[a] == ar.PHASE_DONE:
        return True
    if value == 0.0:
        return phase[a] == ar.PHASE_LIMITED or phase[a] == ar.PHASE_HOLD
    if value > 0.0:
        return phase[a] == ar.PHASE_LIMITED or phase[a] == ar.PHASE_HOLD or phase[a] == ar.PHASE_IDLE
    return phase[a] == ar.PHASE_CUT


@jit_inline
def _begin_bulk(a, state):
    """A new charge: bulk, then absorption with the whole of its time."""
    ports, timer, equip = state.table, state.timer, state.equip
    ports[a, ar.REBULK_VOLT], ports[a, ar.TAIL_RUNS] = 0.0, 0.0
    ports[a, ar.VOLT_LIMIT], ports[a, ar.TAIL_A] = equip[a, ar.ABSORB_VOLT], equip[a, ar.CHARGER_TAIL_A]
    timer[a, ar.REBULK_AT] = timer[a, ar.ABSORB_AT] = timer[a, ar.TAIL_AT] = np.inf
    timer[a, ar.ABSORB_LEFT_S] = equip[a, ar.ABSORB_MAX_S]
    state.reported[a] = 0


@jit_entry
def apply_commands(t, commands, state):
    """Set the ports to a row of commands, shape (p, N_COMMAND), at time ``t`` [s].

    Ports with an inverter or charger keep their phase; the others begin anew.
    """
    phase, timer, equip = state.phase, state.timer, state.equip
    for a in range(phase.size):
        row, command = state.table[a], commands[a]
        present, persistent, charger = (
            command[ar.COMMAND_PRESENT] > 0.0,
            equip[a, ar.PERSISTENT] > 0.0,
            equip[a, ar.HAS_CHARGER] > 0.0,
        )
        if not persistent:
            row[ar.MODE] = row[ar.KIND] = ar.MODE_OFF
            row[ar.COMMANDED] = row[ar.COMMANDED_SLOPE] = row[ar.AC_RATIO] = row[ar.AC_ASKED_W] = 0.0
            phase[a] = ar.PHASE_DONE
            if not present:
                continue
        kind = command[ar.COMMAND_KIND] if present else ar.MODE_POWER
        value = command[ar.COMMAND_VALUE]
        if charger and kind == ar.MODE_POWER:
            value = max(value, -equip[a, ar.CHARGER_POWER_MAX_W])
        row[ar.KIND], row[ar.COMMANDED], row[ar.COMMANDED_SLOPE] = kind, value, command[ar.COMMAND_SLOPE]
        row[ar.AC_RATIO], row[ar.AC_ASKED_W] = command[ar.COMMAND_AC_RATIO], command[ar.COMMAND_AC_ASKED_W]
        if present:
            row[ar.CUTOFF_VOLT] = command[ar.COMMAND_CUTOFF_VOLT]
            if not charger:
                row[ar.VOLT_LIMIT], row[ar.TAIL_A] = command[ar.COMMAND_VOLT_LIMIT], command[ar.COMMAND_TAIL_A]
        if not persistent or _begins_anew(a, value, phase):
            phase[a] = ar.PHASE_FOLLOW
        if charger:
            row[ar.STOP_REPORT] = equip[a, ar.CHARGER_STOP_REPORT]
            dark = t - timer[a, ar.DARK_SINCE]
            if value < 0.0:
                timer[a, ar.DARK_SINCE] = np.inf
                if dark >= equip[a, ar.NEW_BULK_AFTER_S]:
                    if row[ar.REBULK_VOLT] > 0.0:
                        log_event(state, t, a, WAKES, dark)
                        phase[a] = ar.PHASE_FOLLOW
                    _begin_bulk(a, state)
            elif timer[a, ar.DARK_SINCE] == np.inf:
                timer[a, ar.DARK_SINCE] = t
            if row[ar.REBULK_VOLT] == 0.0:
                row[ar.VOLT_LIMIT], row[ar.TAIL_A] = equip[a, ar.ABSORB_VOLT], equip[a, ar.CHARGER_TAIL_A]
                if phase[a] == ar.PHASE_IDLE and value >= 0.0:
                    phase[a] = ar.PHASE_FOLLOW
        elif phase[a] == ar.PHASE_IDLE and value >= 0.0:
            phase[a] = ar.PHASE_FOLLOW
        if (
            row[ar.IS_CUT_OFF] > 0.0 and value > 0.0 and phase[a] == ar.PHASE_FOLLOW
        ):  # a charge between did not bring the voltage back
            phase[a], row[ar.MODE] = ar.PHASE_CUT, ar.MODE_OFF
        if phase[a] == ar.PHASE_FOLLOW:
            row[ar.MODE] = kind
        _update_timer(a, t, state)


@jit_inline
def _orders_no_charge(k, monitor_state):
    """Whether a monitor of pack ``k`` orders charge to be blocked."""
    ordered = False
    for r in range(ar.N_MONITORS):
        ordered = ordered or (monitor_state[k, r] >= ar.WAITING and ar.BLOCKS[r] & 1 == 1)
    return ordered


@jit_entry
def limit_chargers(y, bank, states, state):
    """Current limit of each charger: its own and, where they talk, the sum of what each pack allows at its temperature.

    A pack whose BMS orders charge to be blocked allows none, also where its switch is stuck and charge still flows: what a charger
    is told is the order, not what the switch does (common practice, no source). So a charger that follows the BMS gives a lone pack
    with a stuck switch nothing more, and one that does not goes on. This trusts the electronics of a pack whose switch has failed;
    the studies of protection do not.
    """
    ports, equip = state.table, state.equip
    n = bank.cells.shape[1]
    allowed = -1.0
    for a in range(ports.shape[0]):
        if equip[a, ar.HAS_CHARGER] == 0.0:
            continue
        most = equip[a, ar.CHARGER_CURRENT_MAX]
        if equip[a, ar.FOLLOWS_BMS] > 0.0:
            if allowed < 0.0:
                allowed = 0.0
                for k in range(n):
                    if not _orders_no_charge(k, states.monitor_state):
                        celsius = y[ar.TEMPERATURE * n + k] - KELVIN
                        rate, _, _ = curve_value(bank.curves, bank.curves_of[ar.CHARGE_RATE_CURVE, k], celsius)
                        own = rate * bank.cells[ar.CAPACITY_AS, k] / 3600.0
                        allowed += min(own, 0.95 * states.monitors[k, ar.CHARGE_OVER_CURRENT, ar.MONITOR_LIMIT])
            most = min(most, allowed)
        ports[a, ar.CURRENT_MAX] = max(most, 1e-6)


@jit_internal
def finish(a, what, t, state, volt):
    """A charge has come to its end; at float, the bank stands higher than the float voltage."""
    phase, ports, timer, equip = state.phase, state.table, state.timer, state.equip
    ports[a, ar.MODE] = ar.MODE_OFF
    if equip[a, ar.HAS_CHARGER] == 0.0:
        phase[a] = ar.PHASE_DONE
        log_event(state, t, a, ENDED, volt)
        return
    if ports[a, ar.REBULK_VOLT] == 0.0:
        log_event(state, t, a, what, volt)
        ports[a, ar.REBULK_VOLT] = 1e-6  # at float; bulk again not before a while is over
        timer[a, ar.REBULK_AT] = t + REBULK_DELAY_S
        timer[a, ar.ABSORB_AT] = np.inf
        ports[a, ar.VOLT_LIMIT] = equip[a, ar.FLOAT_VOLT]
        ports[a, ar.TAIL_A] = 0.0
    phase[a] = ar.PHASE_IDLE


@jit_internal
def _cut(a, what, t, state, volt):
    """A discharge has come to its end: the port is done, or cut off until its voltage recovers if it has an inverter."""
    phase, ports, timer, equip = state.phase, state.table, state.timer, state.equip
    log_event(state, t, a, what, volt)
    phase[a] = ar.PHASE_DONE if equip[a, ar.HAS_INVERTER] == 0.0 else ar.PHASE_CUT
    ports[a, ar.MODE] = ar.MODE_OFF
    if equip[a, ar.HAS_INVERTER] > 0.0:
        ports[a, ar.IS_CUT_OFF], ports[a, ar.RECOVERY_VOLT] = 1.0, np.inf
        timer[a, ar.RECOVER_AT] = t + equip[a, ar.RECOVERY_DELAY_S]


@jit_entry
def change(a, slot, t, t_step, state, volt, volt_alone):
    """The change of port ``a`` that :func:`simbank.simulation.events.watch` found due in its ``slot``.

    ``volt_alone`` is what its voltage would be if this port carried no current [V].
    """
    _change(a, slot, t, t_step, state, volt, volt_alone)
    _update_timer(a, t, state)


@jit_internal
def _change(a, slot, t, t_step, state, volt, volt_alone):
    phase, ports, equip = state.phase, state.table, state.equip
    doing = phase[a]
    if slot == ar.SLOT_FULL:
        finish(a, STOPPED, t, state, volt)
        return
    if slot == ar.SLOT_RECOVERS:
        ports[a, ar.IS_CUT_OFF] = 0.0
        log_event(state, t, a, RECOVERED, volt)
        return
    setpoint = commanded(t_step, ports, a)
    charging = setpoint < 0.0
    at_float = ports[a, ar.REBULK_VOLT] > 0.0
    if (doing == ar.PHASE_HOLD and slot == ar.SLOT_REACHES) or (doing == ar.PHASE_FOLLOW and charging):
        asked = -setpoint / max(volt, 1.0) if ports[a, ar.KIND] == ar.MODE_POWER else -setpoint
        if asked > ports[a, ar.CURRENT_MAX]:  # its current limit comes before any voltage
            set_phase(a, ar.PHASE_LIMITED, ar.MODE_LIMIT, AT_LIMIT, t, state, volt)
            return
    if slot == ar.SLOT_TURNS and at_float:
        _begin_bulk(a, state)
        set_phase(a, ar.PHASE_FOLLOW, ports[a, ar.KIND], -1, t, state, volt)
        log_event(state, t, a, BULK, volt)
    elif slot == ar.SLOT_REACHES and ((doing == ar.PHASE_FOLLOW and charging) or doing == ar.PHASE_LIMITED):
        if equip[a, ar.HAS_CHARGER] == 0.0 and volt_alone > ports[a, ar.VOLT_LIMIT] + events.HIGHER_VOLT:
            new = ar.PHASE_DONE if ports[a, ar.TAIL_A] > 0.0 else ar.PHASE_IDLE  # no current is below any tail
            set_phase(a, new, ar.MODE_OFF, NOTHING_IN, t, state, volt_alone)
            return
        set_phase(a, ar.PHASE_HOLD, ar.MODE_VOLTAGE, HOLDS, t, state, volt)
    elif doing == ar.PHASE_FOLLOW and charging:
        set_phase(a, ar.PHASE_LIMITED, ar.MODE_LIMIT, AT_LIMIT, t, state, volt)
    elif doing == ar.PHASE_FOLLOW:
        _cut(a, CUT_OFF if slot == ar.SLOT_REACHES else TOO_MUCH, t, state, volt)
    elif doing == ar.PHASE_LIMITED or (doing == ar.PHASE_HOLD and slot == ar.SLOT_REACHES):
        what = AT_LIMIT if equip[a, ar.HAS_CHARGER] == 0.0 else TOO_LITTLE if doing == ar.PHASE_HOLD else -1
        set_phase(a, ar.PHASE_FOLLOW, ports[a, ar.KIND], what, t, state, volt)
    elif doing == ar.PHASE_HOLD:
        _tail(a, slot, t, state, volt)
    elif doing == ar.PHASE_IDLE:
        set_phase(a, ar.PHASE_HOLD, ar.MODE_VOLTAGE, -1, t, state, volt)
    elif doing == ar.PHASE_CUT:
        ports[a, ar.IS_CUT_OFF] = 0.0
        set_phase(a, ar.PHASE_FOLLOW, ports[a, ar.KIND], -1, t, state, volt)
        log_event(state, t, a, RECOVERED, volt)


@jit_internal
def _tail(a, slot, t, state, volt):
    """The current of a port that holds its voltage has come below the tail, has risen above it again, or would turn round.

    It turns round in SLOT_TURNS, and in SLOT_CURRENT where there is no tail.
    """
    ports, timer, equip = state.table, state.timer, state.equip
    plain_port = equip[a, ar.HAS_CHARGER] == 0.0
    if (
        plain_port and ports[a, ar.TAIL_A] == 0.0
    ):  # held to the end of the step: it gives again when the bank falls to the voltage
        set_phase(a, ar.PHASE_IDLE, ar.MODE_OFF, -1, t, state, volt)
    elif plain_port or ports[a, ar.REBULK_VOLT] > 0.0:
        finish(a, FLOATS, t, state, volt)
    elif slot == ar.SLOT_TURNS or ports[a, ar.TAIL_A] == 0.0:
        set_phase(a, ar.PHASE_IDLE, ar.MODE_OFF, -1, t, state, volt)
    elif ports[a, ar.TAIL_RUNS] > 0.0:
        ports[a, ar.TAIL_RUNS], timer[a, ar.TAIL_AT] = 0.0, np.inf
    elif equip[a, ar.TAIL_TIME_S] == 0.0:
        finish(a, FLOATS, t, state, volt)
    else:
        ports[a, ar.TAIL_RUNS], timer[a, ar.TAIL_AT] = 1.0, t + equip[a, ar.TAIL_TIME_S]


@jit_entry
def process_timer(a, t, state, volt):
    """What port ``a``, which stands at ``volt``, has waited for has come."""
    phase, ports, timer, equip = state.phase, state.table, state.timer, state.equip
    clock, due = timer[a], t + 1e-9
    if clock[ar.RECOVER_AT] <= due:
        clock[ar.RECOVER_AT] = np.inf
        ports[a, ar.RECOVERY_VOLT] = equip[a, ar.INVERTER_RECOVERY_VOLT]
    if clock[ar.REBULK_AT] <= due:
        clock[ar.REBULK_AT] = np.inf
        ports[a, ar.REBULK_VOLT] = max(equip[a, ar.CHARGER_REBULK_VOLT], 1e-6)
    if clock[ar.TAIL_AT] <= due:
        higher = phase[a] == ar.PHASE_IDLE and volt > ports[a, ar.VOLT_LIMIT] + events.HIGHER_VOLT
        finish(a, HIGHER if higher else FLOATS, t, state, volt)
    elif clock[ar.ABSORB_AT] <= due:
        finish(a, LONGEST, t, state, volt)
    _update_timer(a, t, state)


@jit_entry
def all_done(state):
    """Whether no port has anything left to do in a step that ends early.

    Plain ports are done; of an inverter or a charger nothing is asked, or its discharge was cut off, or its charge has come to float.
    """
    phase, ports, equip = state.phase, state.table, state.equip
    for a in range(phase.size):
        if phase[a] == ar.PHASE_DONE:
            continue
        if equip[a, ar.PERSISTENT] == 0.0:
            return False
        asked, idles = ports[a, ar.COMMANDED] != 0.0 or ports[a, ar.COMMANDED_SLOPE] != 0.0, False
        if equip[a, ar.HAS_INVERTER] > 0.0 and ports[a, ar.KIND] == ar.MODE_POWER:
            idles = ports[a, ar.COMMANDED] >= 0.0 and ports[a, ar.AC_ASKED_W] == 0.0
        charged = ports[a, ar.COMMANDED] < 0.0 and ports[a, ar.REBULK_VOLT] > 0.0
        if asked and not idles and not charged and phase[a] != ar.PHASE_CUT:
            return False
    return True


@jit_entry
def meets_own_limit(a, slot, t_step, phase, ports):
    """Whether a due change of a port is one to a limit of its own, not an end."""
    if phase[a] == ar.PHASE_FOLLOW:
        return commanded(t_step, ports, a) < 0.0
    return phase[a] == ar.PHASE_LIMITED or (phase[a] == ar.PHASE_HOLD and slot == ar.SLOT_REACHES)

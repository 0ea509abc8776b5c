"""How a port takes a command and changes its phase, written once for every integrator.

State of the ports: ``phase`` (see :mod:`simbank.simulation.modes`), ``ports`` (what each imposes), ``timer`` (instant of the
next appointment of each [s]), ``told`` (bits of what has been reported since bulk charge began). What happens is noted in
``log``, rows of (time [s], port, what, volt), ``count[0]`` of them filled.
"""

from __future__ import annotations

import numpy as np

from simbank.cells.curves import curve_value
from simbank.compiled import kernel, plain
from simbank.simulation import equations as eq
from simbank.simulation import modes

__all__ = ["appointment", "cap_chargers", "change", "equipment_array", "finish", "take"]

REBULK_DELAY_S = 60.0  # least time at float before bulk charge begins again; common practice, no source
LOG_ROWS = 4096

# Columns of ``equip``, shape (p, N_EQUIP).
(
    INVERTER, CHARGER, STAYS, ABSORB, FLOAT, REBULK_V, CHARGER_TAIL, ABSORB_MAX, POWER_MAX, CURRENT_LIMIT, FOLLOWS, RECOVERY_V,
    RECOVERY_DELAY,
) = range(13)  # fmt: skip
N_EQUIP = 13
# Columns of a row of commands for one port.
C_PRESENT, C_KIND, C_VALUE, C_SLOPE, C_AC, C_AC_ASKED, C_CUTOFF, C_VOLT, C_TAIL = range(9)
N_COMMAND = 9

# What is noted, in the order of these numbers.
HOLDS, AT_LIMIT, ENDED, FLOATS, BULK, CUT_OFF, RECOVERED, TOO_MUCH = range(8)
WHATS = (
    modes.HOLDS_VOLTAGE, modes.CURRENT_AGAIN, modes.CHARGE_ENDED, modes.FLOATS, modes.REBULK, modes.CUTOFF, modes.RECOVERED,
    modes.TOO_MUCH_POWER,
)  # fmt: skip
WITH_VOLT = (BULK, CUT_OFF, RECOVERED, TOO_MUCH)
NO_PACK_BIT = 1 << 20


def equipment_array(behaviours):
    """Parameters of each port's inverter and charger, from pairs (Inverter or None, Charger or None)."""
    out = np.zeros((len(behaviours), N_EQUIP))
    for a, (inverter, charger) in enumerate(behaviours):
        out[a, [INVERTER, CHARGER, STAYS]] = (
            inverter is not None,
            charger is not None,
            inverter is not None or charger is not None,
        )
        if inverter is not None:
            out[a, [RECOVERY_V, RECOVERY_DELAY]] = inverter.recovery_volt, inverter.recovery_delay_s
        if charger is not None:
            out[a, [ABSORB, REBULK_V, CHARGER_TAIL, ABSORB_MAX]] = (
                charger.absorb_volt, charger.rebulk_volt, charger.tail_a, charger.absorb_max_s,
            )  # fmt: skip
            out[a, FLOAT] = -np.inf if charger.float_volt is None else charger.float_volt
            out[a, [POWER_MAX, CURRENT_LIMIT, FOLLOWS]] = charger.power_limit_w, charger.current_limit_a, charger.follows_bms
    return out


@kernel
def note(log, count, t, a, what, volt):
    """One line of the log."""
    row = log[count[0]]
    row[0], row[1], row[2], row[3] = t, a, what, volt
    count[0] += 1


@kernel
def set_phase(a, new, mode, what, t, phase, ports, told, equip, log, count, volt):
    """Change a port's phase; a port that lives on from step to step tells of each kind of change once until it is in bulk."""
    phase[a] = new
    ports[a, eq.MODE] = mode
    if what >= 0 and not (equip[a, STAYS] > 0.0 and told[a] & (1 << what)):
        told[a] |= 1 << what
        note(log, count, t, a, what, volt)


@kernel
def _turns(a, value, phase):
    """A port that lives on starts to follow: at its first step, and when its command changes direction."""
    if phase[a] == modes.DONE:
        return True
    if value == 0.0:
        return phase[a] == modes.LIMITED or phase[a] == modes.HOLD
    if value > 0.0:
        return phase[a] == modes.LIMITED or phase[a] == modes.HOLD or phase[a] == modes.IDLE
    return phase[a] == modes.CUT


@plain
def take(commands, phase, ports, equip):
    """Set the ports to a row of commands, shape (p, N_COMMAND). Ports with an inverter or charger keep their phase; the others
    begin anew."""
    for a in range(ports.shape[0]):
        row, command = ports[a], commands[a]
        present, stays, charger = command[C_PRESENT] > 0.0, equip[a, STAYS] > 0.0, equip[a, CHARGER] > 0.0
        if not stays:
            row[eq.MODE] = row[eq.KIND] = eq.OFF
            row[eq.SET] = row[eq.SLOPE] = row[eq.AC] = row[eq.AC_ASKED] = 0.0
            phase[a] = modes.DONE
            if not present:
                continue
        kind = command[C_KIND] if present else eq.POWER
        value = command[C_VALUE]
        if charger and kind == eq.POWER:
            value = max(value, -equip[a, POWER_MAX])
        row[eq.KIND], row[eq.SET], row[eq.SLOPE] = kind, value, command[C_SLOPE]
        row[eq.AC], row[eq.AC_ASKED] = command[C_AC], command[C_AC_ASKED]
        if present:
            row[eq.CUTOFF] = command[C_CUTOFF]
            if not charger:
                row[eq.VOLT_LIMIT], row[eq.TAIL] = command[C_VOLT], command[C_TAIL]
        if not stays or _turns(a, value, phase):
            phase[a] = modes.FOLLOW
        if phase[a] == modes.FOLLOW:
            row[eq.MODE] = kind
        if charger and row[eq.REBULK] == 0.0:
            row[eq.VOLT_LIMIT], row[eq.TAIL] = equip[a, ABSORB], equip[a, CHARGER_TAIL]


@plain
def cap_chargers(y, cells, curves_of, curves, pack_state, monitors, ports, equip):
    """Current limit of each charger: its own and, where they talk, the sum of what each pack allows at its temperature."""
    n = cells.shape[1]
    allowed = -1.0
    for a in range(ports.shape[0]):
        if equip[a, CHARGER] == 0.0:
            continue
        most = equip[a, CURRENT_LIMIT]
        if equip[a, FOLLOWS] > 0.0:
            if allowed < 0.0:
                allowed = 0.0
                for k in range(n):
                    state = pack_state[k]
                    if state == modes.CLOSED or state == modes.EMPTY_OPEN or state == modes.EMPTY_CONDUCTING:
                        rate, _, _ = curve_value(curves, curves_of[eq.COLD, k], y[4 * n + k] - eq.KELVIN)
                        own = rate * cells[eq.Q, k] / 3600.0
                        allowed += min(own, 0.95 * monitors[k, modes.OVER_CHARGE, modes.LIMIT])
            most = min(most, allowed)
        ports[a, eq.CURRENT_MAX] = max(most, 1e-6)


@kernel
def finish(a, t, phase, ports, timer, told, equip, log, count, volt):
    """A held charge has come down to its tail, or lasted as long as it may."""
    timer[a] = np.inf
    ports[a, eq.MODE] = eq.OFF
    if equip[a, CHARGER] == 0.0:
        phase[a] = modes.DONE
        note(log, count, t, a, ENDED, volt)
        return
    if ports[a, eq.REBULK] == 0.0:
        note(log, count, t, a, FLOATS, volt)
        ports[a, eq.REBULK] = 1e-6  # at float; bulk again not before a while is over
        timer[a] = t + REBULK_DELAY_S
        ports[a, eq.VOLT_LIMIT] = equip[a, FLOAT]
        ports[a, eq.TAIL] = 0.0
    phase[a] = modes.IDLE


@kernel
def _cut(a, what, t, phase, ports, timer, equip, log, count, volt):
    note(log, count, t, a, what, volt)
    phase[a] = modes.DONE if equip[a, INVERTER] == 0.0 else modes.CUT
    ports[a, eq.MODE] = eq.OFF
    if equip[a, INVERTER] > 0.0:
        ports[a, eq.RECOVERY] = np.inf
        timer[a] = t + equip[a, RECOVERY_DELAY]


@plain
def change(a, slot, t, now, phase, ports, timer, told, equip, log, count, volt):
    """The change of port ``a`` that :func:`simbank.simulation.modes.watch` found due in its ``slot``.

    ``t`` is the run's time, ``now`` that of the step; ``volt`` the port's voltage at this instant.
    """
    doing = phase[a]
    wish = eq.commanded(now, ports, a)
    charging = wish < 0.0
    if (doing == modes.HOLD and slot == 0) or (doing == modes.FOLLOW and charging):
        asked = -wish / max(volt, 1.0) if ports[a, eq.KIND] == eq.POWER else -wish
        if asked > ports[a, eq.CURRENT_MAX]:  # its current limit comes before any voltage
            set_phase(a, modes.LIMITED, eq.LIMIT, AT_LIMIT, t, phase, ports, told, equip, log, count, volt)
            return
    if slot == 2:
        ports[a, eq.REBULK] = 0.0
        ports[a, eq.VOLT_LIMIT], ports[a, eq.TAIL] = equip[a, ABSORB], equip[a, CHARGER_TAIL]
        told[a] = 0
        set_phase(a, modes.FOLLOW, ports[a, eq.KIND], -1, t, phase, ports, told, equip, log, count, volt)
        note(log, count, t, a, BULK, volt)
    elif slot == 0 and ((doing == modes.FOLLOW and charging) or doing == modes.LIMITED):
        set_phase(a, modes.HOLD, eq.VOLTAGE, HOLDS, t, phase, ports, told, equip, log, count, volt)
        if equip[a, CHARGER] > 0.0 and ports[a, eq.REBULK] == 0.0 and timer[a] == np.inf:
            timer[a] = t + equip[a, ABSORB_MAX]
    elif doing == modes.FOLLOW and charging:
        set_phase(a, modes.LIMITED, eq.LIMIT, AT_LIMIT, t, phase, ports, told, equip, log, count, volt)
    elif doing == modes.FOLLOW:
        _cut(a, CUT_OFF if slot == 0 else TOO_MUCH, t, phase, ports, timer, equip, log, count, volt)
    elif doing == modes.LIMITED or (doing == modes.HOLD and slot == 0):
        set_phase(a, modes.FOLLOW, ports[a, eq.KIND], AT_LIMIT, t, phase, ports, told, equip, log, count, volt)
    elif doing == modes.HOLD:
        finish(a, t, phase, ports, timer, told, equip, log, count, volt)
    elif doing == modes.IDLE:
        set_phase(a, modes.HOLD, eq.VOLTAGE, -1, t, phase, ports, told, equip, log, count, volt)
    elif doing == modes.CUT:
        set_phase(a, modes.FOLLOW, ports[a, eq.KIND], -1, t, phase, ports, told, equip, log, count, volt)
        note(log, count, t, a, RECOVERED, volt)


@plain
def appointment(a, t, phase, ports, timer, told, equip, log, count, volt):
    """What port ``a`` has waited for has come."""
    timer[a] = np.inf
    if phase[a] == modes.CUT:
        ports[a, eq.RECOVERY] = equip[a, RECOVERY_V]
    elif equip[a, CHARGER] > 0.0 and ports[a, eq.REBULK] > 0.0:
        ports[a, eq.REBULK] = max(equip[a, REBULK_V], 1e-6)
    elif equip[a, CHARGER] > 0.0:
        finish(a, t, phase, ports, timer, told, equip, log, count, volt)


@plain
def overruns(a, slot, now, phase, ports):
    """Whether a due change of a port is one to a limit of its own, not an end."""
    if phase[a] == modes.FOLLOW:
        return eq.commanded(now, ports, a) < 0.0
    return phase[a] == modes.LIMITED or (phase[a] == modes.HOLD and slot == 0)

"""What stands where in the arrays of a run: rows, columns and the numbers of discrete states, each with its meaning and unit.

Compiled code takes a bank as a few arrays of numbers. This page is their only description: n packs, p ports (where loads and
sources are connected), d devices in line (fuses, breakers). Currents are positive out of a pack and out of the bank. The last name
of each group is how many there are.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

# Rows of ``cells``, shape (N_CELL_ROWS, n): what each pack is, seen at its terminals.
(
    CAPACITY_AS,  # capacity [As]
    N_SERIES,  # cells in series
    R_CELL,  # ohmic resistance of its cells at the reference temperature, before its factor over state of charge [ohm]
    R_WIRING,  # resistance of what stands in series with them inside, and of a precharge resistor [ohm]
    R_REF,  # ohmic resistance at which the network was reduced [ohm]
    R1,  # resistance of the first relaxation pair, before its factor over state of charge [ohm]
    R2,  # of the second [ohm]
    TAU1,  # time constant of the first relaxation pair at the reference temperature [s]
    TAU2,  # of the second [s]
    GAMMA,  # decay of hysteresis per unit of state of charge moved (0 to 1 is one unit)
    HEAT_CAPACITY,  # [J/K]; 0 for a pack that does not warm
    HEAT_LOSS,  # to its surroundings [W/K]
    AMBIENT_K,  # temperature of its surroundings [K]
    T_REF_K,  # reference temperature of its parameters [K]
    ARRHENIUS_K,  # activation energy of the ohmic resistance over the gas constant [K]
    ARRHENIUS_RC_K,  # likewise of the relaxation pairs [K]
    OWN_DRAW_A,  # current that its BMS and self-discharge take from its cells, inside [A]
    LAGS,  # above zero if the second relaxation pair is a lag of charge: RC_VOLT_2 and R2 are then of charge [1, 1/A]
    N_CELL_ROWS,
) = range(19)

# Rows of ``curves_of``, shape (N_CURVES, n): the place of a pack's curve in the stack ``curves``; over state of charge unless it
# says otherwise.
(
    OCV_CURVE,  # open-circuit voltage of a cell, mean of the pack's cells [V]
    HALF_WIDTH_CURVE,  # half the width of the hysteresis loop of a cell at the reference temperature [V]
    ENTROPY_CURVE,  # entropic coefficient dU/dT of a cell [V/K]
    R_FACTOR_CURVE,  # factor of the ohmic resistance
    RC_FACTOR_CURVE,  # factor of the resistances of the relaxation pairs
    HIGHEST_CELL_CURVE,  # open-circuit voltage of the fullest cell, over the pack's state of charge [V]
    LOWEST_CELL_CURVE,  # of the emptiest [V]
    CHARGE_RATE_CURVE,  # greatest charge rate over temperature in degrees Celsius [1/h]
    # -1 where a pack has none:
    WIDTH_FACTORS,  # the first of a family of curves, by degrees Celsius: HALF_WIDTH_CURVE times them is the half-width
    R_T_CURVE,  # logarithm of the ohmic resistance over that at the reference temperature, over degrees Celsius; else Arrhenius
    RC_T_CURVE,  # likewise of the relaxation pairs
    N_CURVES,
) = range(12)

# Blocks of n in the state vector ``y``, shape (N_STATES n + d,): element BLOCK * n + k is pack k's. The damage of each device comes
# after them: 1 when it opens.
(
    SOC,  # state of charge
    HYSTERESIS,  # hysteresis state, -1 to 1
    RC_VOLT_1,  # voltage of the first relaxation pair [V]
    RC_VOLT_2,  # of the second [V], or by how much charge at the surface of the particles lags, where LAGS says so
    TEMPERATURE,  # [K]
    N_STATES,
) = range(6)

# Columns of ``ports``, shape (p, N_PORT_COLUMNS): what each port imposes.
(
    MODE,  # what it imposes now, one of MODE_...
    KIND,  # what its command is: MODE_OFF, MODE_CURRENT, MODE_POWER or MODE_RESISTANCE
    COMMANDED,  # commanded value at the start of the step of the duty [A, W or ohm]
    COMMANDED_SLOPE,  # its rate of change [A/s or W/s]
    VOLT_LIMIT,  # charge voltage [V]
    TAIL_A,  # current at which its charge ends [A], 0 for none
    CUTOFF_VOLT,  # voltage at which its discharge ends [V]
    LIVE,  # above zero if something that conducts joins its two ends
    CURRENT_MAX,  # greatest charge current [A]
    RECOVERY_VOLT,  # voltage at which an inverter that is cut off comes on again [V], infinite until its delay is over
    REBULK_VOLT,  # above zero while a charger is at float: the voltage at which bulk charge begins again [V]
    AC_RATIO,  # alternating-current power that goes with one watt at the port
    AC_ASKED_W,  # alternating-current power that is asked for [W]
    STOP_REPORT,  # whose report of being full ends its charge, one of STOP_..., or the number of a pack, from 1
    TAIL_RUNS,  # above zero while the current stays below the tail and the time for that runs
    IS_CUT_OFF,  # above zero from an inverter's cut-off until the voltage has recovered
    N_PORT_COLUMNS,
) = range(17)
# What a port may impose: nothing; its command, a current, a power or a resistance; VOLT_LIMIT; -CURRENT_MAX.
MODE_OFF, MODE_CURRENT, MODE_VOLTAGE, MODE_POWER, MODE_RESISTANCE, MODE_LIMIT = 0.0, 1.0, 2.0, 3.0, 4.0, 5.0

# Columns of ``devices``, shape (d, N_DEVICE_COLUMNS): fuses and breakers in line.
(
    RATING_A,  # rated current [A]
    TRIP_CURVE,  # place of its inverse-time curve in the stack: log of the time [s] over log of the multiple of its rating
    MIN_TRIP_MULTIPLE,  # multiple of its rating from which it opens at all
    THERMAL_TIME_CONSTANT_S,  # with which it cools below that [s]
    PICKUP_MULTIPLE,  # multiple of its rating at which its instantaneous release acts
    PICKUP_DELAY_S,  # delay of that release [s]
    N_DEVICE_COLUMNS,
) = range(7)

# Rows of ``acc``, shape (N_ACC, n): time integrals and extremes of each pack.
(
    ACC_OUT_AS,  # charge that has come out, counted while its current is positive [As]
    ACC_IN_AS,  # charge that has gone in [As]
    ACC_DISCHARGE_AS,  # charge out, less charge in, while the bank as a whole discharges [As]
    ACC_CHARGE_AS,  # charge in, less charge out, while the bank as a whole charges [As]
    ACC_OHMIC_J,  # heat made: ohmic [J]
    ACC_RELAXATION_J,  # of relaxation [J]
    ACC_HYSTERESIS_J,  # of hysteresis [J]
    ACC_REVERSIBLE_J,  # reversible [J]
    ACC_OWN_DRAW_AS,  # charge that its BMS and self-discharge have taken [As]
    ACC_OWN_DRAW_J,  # and the energy of it, all of which warms the pack [J]
    # Heat that has left it, to its surroundings and to its neighbours [J]: what one gives another cancels in the sum, and what a
    # pack without heat capacity is given goes on to its surroundings.
    ACC_HEAT_OUT_J,
    ACC_OVER_CHARGE_RATE_S,  # time for which it was charged faster than its cells allow at their temperature [s]
    ACC_PEAK_OUT_A,  # greatest current out [A]
    ACC_PEAK_IN_A,  # greatest current in [A]
    ACC_MIN_K,  # lowest temperature [K]
    ACC_MAX_K,  # highest temperature [K]
    ACC_BEYOND_FULL_AS,  # charge that has gone in beyond 100 % [As]
    ACC_BEYOND_FULL_J,  # energy [J]
    ACC_BEYOND_EMPTY_AS,  # charge that has come out beyond 0 % [As]
    ACC_BEYOND_EMPTY_J,  # energy [J]
    ACC_CELL_MAX_V,  # highest voltage of a cell [V]
    ACC_CELL_MIN_V,  # lowest voltage of a cell [V]
    ACC_LAST_SOC,  # state of charge at the last instant that was added
    ACC_LAST_V,  # terminal voltage at that instant [V]
    N_ACC,
) = range(25)
# Rows of ``displays``, shape (N_DISPLAY_ROWS, n), or (N_DISPLAY_ROWS, 0) of a bank none of whose packs has a display: the charge counter
# of each pack's BMS.
(
    COUNTER_GAIN,  # measured over true current, before its offset
    COUNTER_OFFSET_A,  # added to that [A]
    COUNTER_DEAD_BAND_A,  # below which a measured current is not counted [A]
    COUNTER_CAPACITY_AS,  # what it divides by [As]; 0 of a pack without a display
    FULL_VOLT,  # voltage of the pack from which it may be full [V], infinite where nothing sets it to 100 %
    FULL_TAIL_A,  # greatest current with which it may be [A]; infinite if it heeds none
    FULL_HOLD_S,  # for how long [s]
    EMPTY_VOLT,  # voltage of the pack at which it is empty [V], minus infinite where nothing sets it to 0 %
    # What comes of it.
    SHOWN,  # what it shows, 0 to 1; not a number for a pack without a display
    SHOWN_BEFORE,  # at the beginning of the last step
    FULL_FOR_S,  # for how long it has been full by voltage and current [s]
    COUNTED_AS,  # charge counted as out, less that as in [As]
    IGNORED_AS,  # likewise measured, and not counted, within the dead band [As]
    TIMES_SET_FULL,  # how often it was set to 100 %
    JUMP_AT_S,  # when it was last set to 100 or 0 % within the last step, since that began [s]; below zero if it was not
    JUMP_FROM,  # what it showed just before, 0 to 1
    JUMP_TO,  # and after
    N_DISPLAY_ROWS,
) = range(18)
# Rows of ``port_acc``, shape (N_PORT_ACC, p): time integrals and extremes of each port.
(
    PORT_OUT_J,  # energy drawn from the bank [J]
    PORT_IN_J,  # energy pushed into it [J]
    PORT_OUT_AS,  # charge drawn [As]
    PORT_IN_AS,  # charge pushed in [As]
    PORT_MIN_V,  # lowest voltage while anything is connected to it [V]
    PORT_MAX_V,  # highest voltage [V]
    PORT_ASKED_OUT_J,  # energy that the commands asked to draw [J]
    PORT_ASKED_IN_J,  # energy that they asked, or offered, to push in [J]
    PORT_AC_ASKED_J,  # alternating-current energy asked for [J]
    PORT_AC_SERVED_J,  # of it served by the bank [J]
    PORT_CONDUCTS_S,  # time for which it carried current [s]
    N_PORT_ACC,
) = range(12)

# Rows of ``pack``, shape (N_WORK, n): each pack at one instant at which the bank is solved.
(
    EMF,  # electromotive force behind the ohmic resistance [V]
    EMF_LINEAR,  # what the reduced network takes for it, behind R_REF [V]
    PACK_CURRENT,  # [A]
    R_OHMIC,  # ohmic resistance at this state [ohm]
    R_ABOVE_REF,  # by how much it is more than R_REF [ohm]
    EMF_BY_SOC,  # derivative of the electromotive force by state of charge [V]
    EMF_BY_HYSTERESIS,  # by hysteresis state [V]: half the width of the loop, times the cells in series
    EMF_BY_T,  # by temperature [V/K]
    ENTROPY,  # of it, what is reversible: entropic coefficient, times the cells in series [V/K]
    ENTROPY_BY_SOC,  # derivative of that by state of charge [V/K]
    R_BY_SOC,  # derivative of the ohmic resistance by state of charge [ohm]
    R_BY_T,  # by temperature [ohm/K]
    HALF_WIDTH_SLOPE,  # derivative of EMF_BY_HYSTERESIS by state of charge [V]
    HALF_WIDTH_BY_T,  # by temperature [V/K]
    EXCESS_WIDTH,  # by how much EMF_BY_HYSTERESIS is more than at the reference temperature [V]
    EXCESS_SLOPE,  # derivative of that by state of charge [V]
    RC_FACTOR,  # factor of the resistances of the relaxation pairs at this state of charge
    RC_FACTOR_SLOPE,  # its derivative by state of charge
    RC_T_FACTOR,  # factor of the relaxation pairs at this temperature
    RC_T_FACTOR_SLOPE,  # its derivative by temperature [1/K]
    OHMIC_HEAT,  # heat made: ohmic [W]
    RELAXATION_HEAT,  # of relaxation [W]
    HYSTERESIS_HEAT,  # of hysteresis [W]
    REVERSIBLE_HEAT,  # reversible [W]
    OWN_DRAW,  # current that its BMS and self-discharge take at this state of charge [A]
    EMF_SETTLED,  # electromotive force without the relaxation voltages, at which that is taken [V]; only of a pack that takes any
    RC_2_SLOPE,  # by how much the electromotive force falls with RC_VOLT_2: 1, or volts per unit of charge that lags [V]
    RC_2_SECANT,  # 1, or volts between the inside and the surface of the particles over the lag, referred likewise [V]
    N_WORK,
) = range(29)
# Rows of ``port``, shape (N_PORT_WORK + p, p): each port at that instant, then what Newton's method works in.
(
    PORT_CURRENT,  # [A]
    PORT_VOLTAGE,  # [V]
    PORT_OPEN_VOLTAGE,  # voltage with every port at rest [V]
    RESIDUAL,  # by how much what the port imposes is missed [V or W]
    PREVIOUS_CURRENT,  # current before [A]
    JACOBIAN,  # row JACOBIAN + a: derivatives of the residual of port a by the current of each port
) = range(6)
N_PORT_WORK = JACOBIAN

# Values of ``pack_state``, shape (n,). A pack that its BMS blocks in one direction is open, or conducts in the other.
(
    CLOSED,
    CHARGE_BLOCKED_OPEN,
    CHARGE_BLOCKED_CONDUCTING,  # discharges
    DISCHARGE_BLOCKED_OPEN,
    DISCHARGE_BLOCKED_CONDUCTING,  # is charged
    OPEN,  # blocked in both directions
) = range(6)
# By state: whether it passes current, and whether charge and discharge are blocked.
CONDUCTS = np.array([True, False, True, False, True, False])
NO_CHARGE = np.array([False, True, True, False, False, True])
NO_DISCHARGE = np.array([False, False, False, True, True, True])

# Monitors of a BMS: each watches one condition and blocks what BLOCKS says when it has held for the monitor's delay.
(
    FULL,  # a cell at its highest voltage, while charged
    EMPTY,  # a cell at its lowest voltage, while discharged
    CELL_OVER_VOLTAGE,
    CELL_UNDER_VOLTAGE,
    CHARGE_OVER_CURRENT,
    DISCHARGE_OVER_CURRENT_1,  # first stage: lower limit, long delay
    DISCHARGE_OVER_CURRENT_2,  # second stage: higher limit, short delay
    SHORT_CIRCUIT,  # instantaneous, and stays open
    CHARGE_TEMPERATURE,
    DISCHARGE_TEMPERATURE,
    SWITCHED_OFF,  # by the schedule of the scenario
    # No BMS's, and block nothing: they end a step where the open-circuit voltage of a pack that goes on beyond full or empty bends.
    PAST_FULL,
    PAST_EMPTY,
    N_MONITORS,
) = range(14)
BLOCKS = np.array([1, 2, 1, 2, 1, 2, 2, 3, 1, 2, 3, 0, 0])  # by monitor: 1 charge, 2 discharge, 3 both
# Columns of ``monitors``, shape (n, N_MONITORS, N_MONITOR_COLUMNS).
(
    MONITOR_LIMIT,  # of what it watches [V, A or degrees Celsius], infinite where it does not watch
    MONITOR_DELAY_S,  # for which its condition must hold [s]
    MONITOR_RELEASE,  # where it releases [V, or K from the limits]; of FULL and EMPTY: state of charge at which they block anyway
    MONITOR_HOLD_S,  # least time before it releases [s]
    MONITOR_LOWER_LIMIT,  # of a temperature [degrees Celsius]
    N_MONITOR_COLUMNS,
) = range(6)
# Columns of ``pack_mark``, shape (n, 2): state of charge at which a pack was last blocked as full, and as empty.
MARK_FULL, MARK_EMPTY = range(2)
# Values of ``monitor_state``, shape (n, N_MONITORS), and of ``device_state``, shape (d,).
(
    QUIET,
    RUNNING,  # its condition holds and its delay runs
    WAITING,  # blocks, and may not release yet
    BLOCKING,  # blocks, and may release; of a device: open
) = range(4)
# What ``watch`` returns has PACK_SLOTS numbers for each pack: the change of conduction, then one for each monitor.
PACK_SLOTS = 1 + N_MONITORS

# Values of ``phase``, shape (p,): what a port does.
(
    PHASE_FOLLOW,  # follows its command
    PHASE_LIMITED,  # charges at its greatest current
    PHASE_HOLD,  # holds its charge voltage
    PHASE_IDLE,  # gives nothing: the bank stands higher than that voltage
    PHASE_CUT,  # cut off, until the voltage recovers
    PHASE_DONE,  # nothing until the next step of the duty
) = range(6)
# Whose report of being full ends a charge: nobody's, the first pack's, every pack's; above zero the number of a pack, from 1.
STOP_NONE, STOP_FIRST_FULL, STOP_ALL_FULL = 0, -1, -2
# What ``watch`` returns has PORT_SLOTS numbers for each port; what makes each fall due depends on its phase:
(
    SLOT_REACHES,  # follows, limited: charge voltage or cut-off; holds: its command or limit; idle, cut off: the voltage to go on at
    SLOT_CURRENT,  # follows: current limit, or a power beyond the bank's; limited: its command; holds: tail current
    SLOT_TURNS,  # holds: its current would turn round; at float: the voltage at which bulk charge begins again
    SLOT_FULL,  # charges: the packs it heeds report that they are full
    SLOT_RECOVERS,  # cut off, but charges or is asked nothing: the voltage has recovered
    PORT_SLOTS,
) = range(6)
# and DEVICE_SLOTS for each device: its damage has come to one; its instantaneous release acts.
SLOT_DAMAGE, SLOT_PICKUP, DEVICE_SLOTS = range(3)

# Columns of ``equip``, shape (p, N_EQUIP): the inverter and the charger of each port.
(
    HAS_INVERTER,
    HAS_CHARGER,
    PERSISTENT,  # above zero if its phase goes on from one step of the duty to the next, as with an inverter or a charger
    ABSORB_VOLT,  # absorption voltage [V]
    FLOAT_VOLT,  # [V]
    CHARGER_REBULK_VOLT,  # at which bulk charge begins again [V]
    CHARGER_TAIL_A,  # tail current [A]
    ABSORB_MAX_S,  # longest absorption [s]
    CHARGER_POWER_MAX_W,  # [W]
    CHARGER_CURRENT_MAX,  # [A]
    FOLLOWS_BMS,  # above zero if it keeps to what the packs allow
    INVERTER_RECOVERY_VOLT,  # at which it comes on again after a cut-off [V]
    RECOVERY_DELAY_S,  # not before this time is over [s]
    TAIL_TIME_S,  # for which the current must stay below the tail [s]
    CHARGER_STOP_REPORT,  # whose report of being full ends its charge, one of STOP_..., or the number of a pack, from 1
    NEW_BULK_AFTER_S,  # so long without power begins a new bulk charge [s]
    N_EQUIP,
) = range(17)
# Columns of ``timer``, shape (p, N_TIMER): instants in the time of the run [s], infinite where nothing is due.
(
    NEXT_AT,  # the first of the next four
    RECOVER_AT,  # an inverter that is cut off may come on again
    REBULK_AT,  # float may end
    ABSORB_AT,  # absorption ends for its length
    TAIL_AT,  # absorption ends for its tail current
    ABSORB_LEFT_S,  # what is left of the longest absorption while its clock rests [s]
    DARK_SINCE,  # since when nothing is offered, infinite while something is
    N_TIMER,
) = range(8)
# Columns of a row of commands, shape (p, N_COMMAND).
(
    COMMAND_PRESENT,  # above zero if the step commands this port
    COMMAND_KIND,  # one of MODE_...
    COMMAND_VALUE,  # [A, W or ohm]
    COMMAND_SLOPE,  # [A/s or W/s]
    COMMAND_AC_RATIO,  # alternating-current power that goes with one watt at the port
    COMMAND_AC_ASKED_W,  # [W]
    COMMAND_CUTOFF_VOLT,  # [V]
    COMMAND_VOLT_LIMIT,  # [V]
    COMMAND_TAIL_A,  # [A]
    N_COMMAND,
) = range(10)


class BankArrays(NamedTuple):
    """A bank as long as nothing switches."""

    cells: np.ndarray  # shape (N_CELL_ROWS, n)
    curves_of: np.ndarray  # of int, shape (N_CURVES, n)
    curves: np.ndarray  # stacked curves, see :func:`simbank.cells.curves.stack_curves`
    hybrid: np.ndarray  # shape (n + p, n + p): [I; V] = hybrid · [e; J], the network reduced at R_REF [S, 1, ohm]
    terminal: np.ndarray  # shape (n, n + p): terminal voltages of the packs = terminal · [e; J]
    pack_live: np.ndarray  # of bool, shape (n,): whether the network puts a voltage across an open pack
    neighbours: np.ndarray  # shape (n, n): heat that passes between two packs [W/K]; (0, 0) where none does
    devices: np.ndarray  # shape (d, N_DEVICE_COLUMNS)
    device_flows: np.ndarray  # shape (d, n + p): currents of the devices = device_flows · [I; J]


class Work(NamedTuple):
    """What one solution of a bank at one instant is written to."""

    pack: np.ndarray  # shape (N_WORK, n)
    port: np.ndarray  # shape (N_PORT_WORK + p, p)
    hybrid: np.ndarray  # shape (n + p + 1, n + p): the reduced network at the packs' present resistances; its last row is scratch
    # Of :func:`simbank.simulation.many_packs.iterates`; where currents are iterated, only that of ``hybrid`` is known which
    # :func:`simbank.simulation.many_packs.currents_by_iteration` says.
    iterates: np.ndarray


class StateArrays(NamedTuple):
    """Discrete states of packs and devices."""

    pack_state: np.ndarray  # of int, shape (n,)
    pack_mark: np.ndarray  # shape (n, 2)
    monitors: np.ndarray  # shape (n, N_MONITORS, N_MONITOR_COLUMNS)
    monitor_state: np.ndarray  # of int, shape (n, N_MONITORS)
    device_state: np.ndarray  # of int, shape (d,)


class PortArrays(NamedTuple):
    """What the ports do and what they wait for."""

    phase: np.ndarray  # of int, shape (p,)
    table: np.ndarray  # shape (p, N_PORT_COLUMNS)
    timer: np.ndarray  # shape (p, N_TIMER)
    reported: np.ndarray  # of int, shape (p,): bits of what has been reported since bulk charge began
    equip: np.ndarray  # shape (p, N_EQUIP)
    log: np.ndarray  # shape (LOG_ROWS, 4): time [s], port, what, value of each thing to report
    count: np.ndarray  # of int, shape (1,): rows of the log that are filled


class SumArrays(NamedTuple):
    """Time integrals."""

    pack: np.ndarray  # shape (N_ACC, n)
    port: np.ndarray  # shape (N_PORT_ACC, p)
    moment: np.ndarray  # shape (n + p, n + p): ∫ x x' dt with x = [I; J] [A²s]
    displays: np.ndarray  # shape (N_DISPLAY_ROWS, n or 0)


class Extremes(NamedTuple):
    """Extremes that are looked for within steps."""

    soc: np.ndarray  # shape (2, n): lowest and highest state of charge of each pack
    spread: np.ndarray  # shape (1,): greatest difference of states of charge in the bank
    first: (
        np.ndarray
    )  # shape (2, n): when each pack was first full and first empty, in the time of the run [s], infinite if never
    between_ports: np.ndarray  # shape (p, p): greatest voltage between two ports [V], below the diagonal
    branch: np.ndarray  # shape (b,): greatest current of each branch of the network, without sign [A]


class Samples(NamedTuple):
    """What is reported at given instants, m of them."""

    state: np.ndarray  # shape (m, 5 n)
    pack: np.ndarray  # shape (2, m, n): current [A] and terminal voltage [V]
    port: np.ndarray  # shape (2, m, p): current [A] and voltage [V]
    shown: np.ndarray  # shape (m, n or 0): what the packs' displays show, 0 to 1

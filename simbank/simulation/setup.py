"""A bank and its duty as the arrays that the compiled equations want."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence

import numpy as np

from simbank.bank.bank import Pack
from simbank.bank.equipment import Device
from simbank.cells.curves import Curve, CurveFamily, stack_curves
from simbank.duty import Command, Duty, SampledDuty, Step
from simbank.kept import Kept
from simbank.simulation import arrays as ar

__all__ = [
    "KINDS",
    "block_array",
    "command_row",
    "device_array",
    "display_array",
    "duty_windows",
    "monitor_array",
    "pack_arrays",
    "start_state",
]

KINDS = {"current": ar.MODE_CURRENT, "power": ar.MODE_POWER, "resistance": ar.MODE_RESISTANCE}
WINDOW_ROWS = 20_000  # rows of a duty that are numbers at one time
MAX_RECENT = 4  # banks of which the arrays are kept, since a draw is run and then asked for what meters would show
_recent: list[tuple] = []
_stacks = Kept(4)  # of curves: the packs of a sweep mostly have the same
_limits = Kept(4)  # arrays of monitors, likewise


def pack_arrays(
    packs: Sequence[Pack], ambient_k: float, more_curves: Sequence[Curve] = ()
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Parameters of the packs as the compiled equations want them.

    Parameters
    ----------
    packs : sequence of Pack
        n packs.
    ambient_k : float
        Temperature around them [K].
    more_curves : sequence of Curve
        Curves that come first in the stack: the inverse-time curves of devices.

    Returns
    -------
    cells : ndarray, shape (N_CELL_ROWS, n)
        Rows with their units in :mod:`simbank.simulation.arrays`.
    curves_of : ndarray of int, shape (N_CURVES, n)
        Where in the stack each pack's curves are.
    curves : ndarray
        The stack, for :func:`simbank.cells.curves.curve_value`; nobody writes to it, since packs that are asked for again share it.
    """
    asked = (packs, ambient_k, tuple(more_curves))
    made = next((made for (same, *rest), made in _recent if same is packs and tuple(rest) == asked[1:]), None)
    if made is None or not isinstance(packs, tuple):  # a list may have changed
        made = _pack_arrays(*asked)
        _recent.insert(0, (asked, made))
        del _recent[MAX_RECENT:]
    cells, curves_of, curves = made
    return cells.copy(), curves_of.copy(), curves


def _pack_arrays(packs, ambient_k, more_curves):
    """What :func:`pack_arrays` returns, made anew."""
    pool, places = list(more_curves), {}

    def place(curve):
        """Where a curve stands, or the first of a family; -1 for none."""
        if curve is None:
            return -1
        if id(curve) not in places:
            places[id(curve)] = len(pool)
            pool.extend(curve.stacked if isinstance(curve, CurveFamily) else [curve])
        return places[id(curve)]

    cells = np.zeros((ar.N_CELL_ROWS, len(packs)))
    curves_of = np.zeros((ar.N_CURVES, len(packs)), np.int64)
    for k, pack in enumerate(packs):
        (r1, tau1), (r2, tau2) = pack.pack_rc_pairs
        chemistry = pack.chemistry
        if pack.lag_s > 0.0:  # of charge, for each ampere
            r2 = pack.lag_s / (pack.capacity_ah * 3600.0)
        cells[:, k] = [
            pack.capacity_ah * 3600.0, pack.cells_in_series, pack.cell_path_ohm, pack.internal_wiring_ohm, pack.ohmic_ohm,
            r1, r2, tau1, tau2, chemistry.decay_per_soc, pack.heat_capacity_j_k,
            pack.heat_loss_w_k, ambient_k, chemistry.reference_k, chemistry.arrhenius_k, chemistry.arrhenius_rc_k,
            pack.own_draw_a, pack.lag_s > 0.0,
        ]  # fmt: skip
        mean, highest, lowest = pack.ocv_curves
        curves_of[:, k] = [
            place(curve)
            for curve in (
                mean, chemistry.half_width, chemistry.entropy, chemistry.r_factor, chemistry.rc_factor, highest, lowest,
                chemistry.charge_rate, chemistry.width_factors, chemistry.r_by_celsius, chemistry.rc_by_celsius,
            )
        ]  # fmt: skip
        if not pack.heat_capacity_j_k and np.ptp(chemistry.r_factor.value) == 0:  # constant: reduce the network at its true value
            cells[ar.R_REF, k] += pack.cell_path_ohm * (chemistry.resistance_scale(0.5, start_k(pack, ambient_k)) - 1.0)
    return cells, curves_of, _stacks.of(tuple(pool), (), lambda: stack_curves(pool))


def display_array(packs: Sequence[Pack]) -> np.ndarray:
    """The packs' displays at the start, shape (N_DISPLAY_ROWS, n); (N_DISPLAY_ROWS, 0) where no pack has one."""
    if all(pack.display is None for pack in packs):
        return np.zeros((ar.N_DISPLAY_ROWS, 0))
    out = np.zeros((ar.N_DISPLAY_ROWS, len(packs)))
    out[ar.SHOWN] = np.nan
    for k, pack in enumerate(packs):
        display = pack.display
        if display is not None:
            out[: ar.SHOWN, k] = [
                1.0 + display.gain_error, display.offset_a, display.dead_band_a, display.capacity_ah * 3600.0, display.full_volt,
                display.full_tail_a, display.full_hold_s, display.empty_volt,
            ]  # fmt: skip
            out[ar.SHOWN, k] = min(1.0, max(0.0, pack.soc if display.start is None else display.start))
    out[ar.SHOWN_BEFORE] = out[ar.SHOWN]
    return out


def monitor_array(packs: Sequence[Pack]) -> np.ndarray:
    """Limits and delays of every pack's monitors, shape (n, N_MONITORS, N_MONITOR_COLUMNS) [V, A, °C, s]."""
    return _watched(packs)[0].copy()


def block_array(packs: Sequence[Pack]) -> np.ndarray:
    """What each monitor of each pack can block, shape (n, N_MONITORS): 1 charge, 2 discharge, 3 both, 0 where its switch is stuck.

    Switching off by hand is not the BMS's and works in any case.
    """
    return _watched(packs)[1].copy()


def _watched(packs):
    """Both arrays, which rest on the packs' BMSs and chemistries and on nothing else."""
    of = (*(pack.bms for pack in packs), *(pack.chemistry for pack in packs))
    return _limits.of(of, (), lambda: (_monitor_array(packs), _block_array(packs)))


def _monitor_array(packs):
    """What :func:`monitor_array` returns, made anew."""
    out = np.zeros((len(packs), ar.N_MONITORS, ar.N_MONITOR_COLUMNS))
    out[:, :, ar.MONITOR_LIMIT] = np.inf
    for k, pack in enumerate(packs):
        bms = pack.bms
        # An assumed BMS opens at once at the chemistry's limits; one of the pack's own only at 0 and 100 % in any case; without a
        # switch nothing is watched.
        out[k, ar.FULL, ar.MONITOR_LIMIT] = pack.chemistry.volt_max if pack.has_assumed_bms else np.inf
        out[k, ar.EMPTY, ar.MONITOR_LIMIT] = pack.chemistry.volt_min if pack.has_assumed_bms else -np.inf
        out[k, (ar.FULL, ar.EMPTY), ar.MONITOR_RELEASE] = (1.0, 0.0) if pack.has_switch else (np.inf, -np.inf)
        if pack.goes_beyond:
            out[k, (ar.PAST_FULL, ar.PAST_EMPTY), ar.MONITOR_LIMIT] = 1.0, 0.0
        if bms is None:
            continue
        for r, limit in (
            (ar.CELL_OVER_VOLTAGE, bms.over_voltage), (ar.CELL_UNDER_VOLTAGE, bms.under_voltage), (ar.CHARGE_OVER_CURRENT, bms.charge_current),
            (ar.DISCHARGE_OVER_CURRENT_1, bms.discharge_current), (ar.DISCHARGE_OVER_CURRENT_2, bms.discharge_current_high),
            (ar.SHORT_CIRCUIT, bms.short_circuit), (ar.CHARGE_TEMPERATURE, bms.charge_temperature),
            (ar.DISCHARGE_TEMPERATURE, bms.discharge_temperature),
        ):  # fmt: skip
            out[k, r] = limit.level, limit.delay_s, limit.release, limit.hold_s, limit.lower
    return out


def _block_array(packs):
    """What :func:`block_array` returns, made anew."""
    out = np.tile(ar.BLOCKS, (len(packs), 1))
    for k, pack in enumerate(packs):
        charge, discharge = pack.stuck
        out[k] &= ~(1 * charge + 2 * discharge)
    out[:, ar.SWITCHED_OFF] = ar.BLOCKS[ar.SWITCHED_OFF]
    return out


def device_array(devices: Sequence[Device]) -> np.ndarray:
    """Parameters of the devices, shape (d, N_DEVICE_COLUMNS) [A, s]; their curves are the first in the stack."""
    rows = [
        [d.rating_a, k, d.least_multiple, d.thermal_time_constant_s, d.instant_multiple, d.instant_s]
        for k, d in enumerate(devices)
    ]
    return np.array(rows, float).reshape(-1, ar.N_DEVICE_COLUMNS)


def command_row(step: Step, port_names: Sequence[str]) -> np.ndarray:
    """A step's commands as numbers, shape (p, N_COMMAND); a port without one has a row of zeros."""
    out = np.zeros((len(port_names), ar.N_COMMAND))
    for a, name in enumerate(port_names):
        command = step.commands.get(name)
        if command is not None:
            out[a] = command_numbers(command)
    return out


def command_numbers(command: Command) -> list[float]:
    """One command as numbers, in the order of ``COMMAND_...`` in :mod:`simbank.simulation.arrays`."""
    return [
        1.0, KINDS[command.kind], command.value, command.slope, command.ac_ratio, command.ac_asked_w, command.cutoff_volt,
        command.volt_limit, command.tail_a,
    ]  # fmt: skip


def duty_windows(duty: Duty | SampledDuty, port_names: list[str]) -> Iterator[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """A duty as arrays, some thousand rows at a time.

    Parameters
    ----------
    duty : Duty or SampledDuty
        What each port asks for over time.
    port_names : list of str
        The p ports, in the order of the arrays.

    Yields
    ------
    durations : ndarray, shape (rows,)
        Of every row [s].
    commands : ndarray, shape (rows, p, N_COMMAND)
    ends_early : ndarray of bool, shape (rows,)
        Whether a row ends as soon as no port has anything left to do.
    """
    if isinstance(duty, SampledDuty):
        for window in duty.windows():
            edges, holds = window.changes()
            for begin in range(0, len(edges) - 1, WINDOW_ROWS):
                rows = slice(begin, min(begin + WINDOW_ROWS, len(edges) - 1))
                commands = np.zeros((rows.stop - begin, len(port_names), ar.N_COMMAND))
                for port, which in holds.items():
                    samples, a = window.samples[port], port_names.index(port)
                    commands[:, a] = command_numbers(samples.command(0))
                    for column, values in (
                        (ar.COMMAND_VALUE, samples.value_w), (ar.COMMAND_AC_RATIO, samples.ac_ratio),
                        (ar.COMMAND_AC_ASKED_W, samples.ac_asked_w),
                    ):  # fmt: skip
                        commands[:, a, column] = values[which[rows]]
                durations = np.diff(edges[begin : rows.stop + 1]) * duty.step_s
                yield durations, commands, np.zeros(len(durations), bool)
        return
    steps = iter(duty)
    while rows := list(itertools.islice(steps, WINDOW_ROWS)):
        yield (
            np.array([step.duration_s for step in rows]),
            np.array([command_row(step, port_names) for step in rows]),
            np.array([step.ends_early for step in rows], bool),
        )


def start_k(pack: Pack, ambient_k: float) -> float:
    """Temperature of a pack at the start [K]."""
    return ambient_k if pack.temperature_k is None else pack.temperature_k


def start_state(packs: Sequence[Pack], ambient_k: float) -> np.ndarray:
    """State of the packs at the start, without any relaxation, shape (N_STATES n,); ``ambient_k`` is the temperature around them [K]."""
    n = len(packs)
    y = np.zeros(ar.N_STATES * n)
    y[:n] = [pack.soc for pack in packs]
    y[n : 2 * n] = [pack.hysteresis for pack in packs]
    y[4 * n :] = [start_k(pack, ambient_k) for pack in packs]
    return y

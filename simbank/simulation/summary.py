"""The figures of a run: energy, charge, shares, losses, balances, of bank, packs and ports."""

from __future__ import annotations

import math

import numpy as np

from simbank.bank.bank import Pack
from simbank.columns import Table
from simbank.simulation import arrays as ar
from simbank.simulation.event_codes import Event
from simbank.simulation.pack_model import KELVIN
from simbank.simulation.recording import RunRecord

__all__ = ["SUMMARY_TABLES", "charge_closure", "energy_closure", "first_reach", "share_ratio", "summary", "switch_of"]

WH = 1.0 / 3600.0  # Wh in a joule, Ah in a coulomb
DAY_S = 86400.0
LEAST_SHARE = 1e-3  # of its capacity, or of what a bank holds: what moved less is judged against that, not against nothing
# By these a port counts as having charged the bank.
CHARGED = (Event.CHARGE_ENDED, Event.FLOATS, Event.FLOATS_OFF, Event.STOPPED, Event.STOPPED_OFF)


# ---- what each figure is, as pure functions ----


def share_ratio(charge_as: np.ndarray, capacity_ah: np.ndarray) -> np.ndarray | None:
    """Each pack's part of the charge, over its part of the capacity: 1 is in proportion to capacity.

    Parameters
    ----------
    charge_as : ndarray, shape (n,)
        Charge through each pack, out while the bank as a whole discharges, or in while it charges [As].
    capacity_ah : ndarray, shape (n,)
        Capacities [Ah].

    Returns
    -------
    ndarray, shape (n,), or None
        None where no charge moved.

    Examples
    --------
    Of 30 As one pack gave 20 As, the other, which is twice as large, 10 As:

    >>> share_ratio(np.array([20.0, 10.0]), np.array([100.0, 200.0])).tolist()
    [2.0, 0.5]
    """
    total = charge_as.sum()
    return charge_as / total / (capacity_ah / capacity_ah.sum()) if abs(total) > 1e-6 else None


def charge_closure(net_in_as: np.ndarray, soc_change: np.ndarray, through_as: np.ndarray, capacity_as: np.ndarray) -> float:
    """By how much charge does not balance, of the pack in which it is worst.

    Parameters
    ----------
    net_in_as : ndarray, shape (n,)
        ∫ −I dt of each pack, its own draw counted as current out [As].
    soc_change : ndarray, shape (n,)
        By how much its state of charge has risen.
    through_as : ndarray, shape (n,)
        ∫ |I| dt, likewise [As].
    capacity_as : ndarray, shape (n,)
        Capacities [As].

    Returns
    -------
    float
        Relative to the larger of what went through a pack and a thousandth of its capacity.

    Examples
    --------
    36 As are missing where 3600 As went in:

    >>> charge_closure(np.array([3600.0]), np.array([0.0099]), np.array([3600.0]), np.array([360000.0])).round(12).item()
    0.01
    """
    error = np.abs(net_in_as - soc_change * capacity_as) / np.maximum(through_as, LEAST_SHARE * capacity_as)
    return error.max()


def energy_closure(
    in_j: float, out_j: float, stored_change_j: np.ndarray, heat_out_j: np.ndarray, conductor_j: float, moved_j: float
) -> float:
    """By how much energy does not balance: in − out − stored − heat that has left the packs − heat of conductors.

    Parameters
    ----------
    in_j, out_j : float
        Energy through all ports [J].
    stored_change_j, heat_out_j : ndarray, shape (n,)
        By how much the energy stored in each pack has risen, and the heat that has left it [J].
    conductor_j : float
        Heat of cables, joints and devices [J].
    moved_j : float
        What it is relative to [J].

    Returns
    -------
    float

    Examples
    --------
    >>> float(energy_closure(100.0, 0.0, np.array([90.0]), np.array([7.0]), 2.0, 100.0))
    0.01
    """
    return abs(in_j - out_j - stored_change_j.sum() - heat_out_j.sum() - conductor_j) / moved_j


def first_reach(reached_s: float | None, blocked_s: float | None) -> float | None:
    """When a pack was first full, or first empty: the sooner of reaching that state of charge and of being blocked for it.

    Parameters
    ----------
    reached_s, blocked_s : float or None
        Either time [s]; infinite or None where it never happened.

    Returns
    -------
    float or None
        [h]

    Examples
    --------
    >>> first_reach(7200.0, 3600.0)
    1.0
    >>> first_reach(float("inf"), None) is None
    True
    """
    hours = [float(t / 3600.0) for t in (reached_s, blocked_s) if t is not None and math.isfinite(t)]
    return min(hours, default=None)


# ---- the summary ----

SCALARS = "one value"
BANK = Table.of(
    "summary.json: bank", SCALARS,
    [
        ("capacity_ah", "Ah", "capacities of all packs together"),
        ("duration_h", "h", "how long the run lasted"),
        ("energy_out_wh", "Wh", "energy drawn at all ports"),
        ("energy_in_wh", "Wh", "energy pushed in at all ports"),
        ("charge_out_ah", "Ah", "charge drawn at all ports"),
        ("charge_in_ah", "Ah", "charge pushed in at all ports"),
        ("conductor_loss_wh", "Wh", "heat of cables, joints and devices"),
        ("pack_loss_wh", "Wh", "heat lost in packs: ohmic, relaxation and hysteresis"),
        ("spread_end_points", "points", "largest less smallest state of charge at the end"),
        ("spread_max_points", "points", "the same, the largest of the run"),
        ("port_voltage_min_v", "V", "lowest voltage at any port"),
        ("port_voltage_max_v", "V", "highest voltage at any port"),
    ],
)  # fmt: skip
PACKS = Table.of(
    "summary.json: packs", "a pack",
    [
        ("name", "", "its name"),
        ("capacity_ah", "Ah", "its capacity now"),
        ("rated_capacity_ah", "Ah", "its capacity when new"),
        ("cell_capacity_ah", "Ah", "capacity of one of its cells when new"),
        ("cells_in_series", "", "number of cells in series"),
        ("cells_in_parallel", "", "number of cells in parallel"),
        ("soc_start", "", "state of charge at the start, 0 to 1; beyond in a pack that nothing stops"),
        ("soc_end", "", "at the end"),
        ("soc_min", "", "lowest"),
        ("soc_max", "", "highest"),
        ("current_peak_a", "A", "largest current, either way"),
        ("c_rate_peak", "1/h", "that over its capacity"),
        ("discharge_peak_a", "A", "largest current out"),
        ("charge_peak_a", "A", "largest current in"),
        ("share_ratio_discharge", "", "its part of the charge given while the bank discharges, over its part of the capacity"),
        ("share_ratio_charge", "", "its part of the charge taken while the bank charges, over its part of the capacity"),
        ("throughput_ah", "Ah", "charge in and out"),
        ("full_cycles", "", "throughput over twice the capacity"),
        ("loss_wh", "Wh", "heat lost: ohmic, relaxation and hysteresis"),
        ("own_draw_ah", "Ah", "charge that its BMS and self-discharge took"),
        ("own_draw_wh", "Wh", "energy of that charge"),
        ("reversible_heat_wh", "Wh", "heat of reaction, negative where it cools"),
        ("temperature_min_c", "°C", "lowest temperature"),
        ("temperature_max_c", "°C", "highest temperature"),
        ("charge_blocked_h", "h", "time for which charge was blocked"),
        ("discharge_blocked_h", "h", "time for which discharge was blocked"),
        ("charge_too_cold_h", "h", "time for which it was charged faster than its cells allow at their temperature"),
        ("switch", "", "what of its own can disconnect it: own, assumed, none, or stuck charge, stuck discharge, stuck both"),
        ("cell_volt_max", "V", "highest voltage of a cell"),
        ("cell_volt_min", "V", "lowest voltage of a cell"),
        ("net_energy_in_wh", "Wh", "energy that went in at its terminals, less what came out"),
        ("i2t_a2s", "A²s", "∫ I² dt"),
        ("overcharge_ah", "Ah", "charge that went in beyond 100 %"),
        ("overcharge_wh", "Wh", "energy of that charge"),
        ("overdischarge_ah", "Ah", "charge that came out beyond 0 %"),
        ("overdischarge_wh", "Wh", "energy of that charge"),
        ("first_full_h", "h", "when it was first at 99 %, or its charge was blocked at a cell limit; empty if never"),
        ("first_empty_h", "h", "when it was first at 1 %, or its discharge was blocked at a cell limit; empty if never"),
    ],
)  # fmt: skip
PORTS = Table.of(
    "summary.json: ports", "a port",
    [
        ("name", "", "its name"),
        ("energy_out_wh", "Wh", "energy drawn from the bank"),
        ("energy_in_wh", "Wh", "energy pushed into the bank"),
        ("asked_wh", "Wh", "energy that commands asked to draw"),
        ("unmet_wh", "Wh", "of that not given"),
        ("offered_wh", "Wh", "energy that commands offered to push in"),
        ("curtailed_wh", "Wh", "of that not taken"),
        ("ac_asked_wh", "Wh", "alternating-current energy asked of its inverter"),
        ("ac_served_wh", "Wh", "of that given"),
        ("ac_unmet_wh", "Wh", "of that not given"),
        ("inverter_loss_wh", "Wh", "lost in its inverter, idle power included"),
        ("conducts_h", "h", "time for which it carried current"),
        ("voltage_min_v", "V", "lowest voltage"),
        ("voltage_max_v", "V", "highest voltage"),
        ("first_cutoff_h", "h", "when it was first cut off or could not give the power asked; empty if never"),
        ("first_charged_h", "h", "when a charge first came to its end there; empty if never"),
    ],
)  # fmt: skip
PAIRS = Table.of(
    "summary.json: pairs", "two ports",
    [
        ("ports", "", "names of the two"),
        ("voltage_apart_max_v", "V", "largest difference of their voltages"),
        ("between_cutoffs_s", "s", "from the first cut-off of the first to that of the second; empty if either had none"),
        ("between_ends_of_charge_s", "s", "likewise between the ends of their first charges"),
    ],
)  # fmt: skip
LOSSES = Table.of(
    "summary.json: losses_wh", SCALARS,
    [
        ("pack_ohmic", "Wh", "ohmic heat of packs"),
        ("pack_relaxation", "Wh", "heat of their relaxation"),
        ("pack_hysteresis", "Wh", "heat of their hysteresis"),
        ("pack_own_draw", "Wh", "taken by their BMS and by self-discharge"),
        ("cable_joints_devices", "Wh", "heat of conductors and what is in line with them"),
        ("inverter", "Wh", "losses of inverters"),
    ],
)  # fmt: skip
CLOSURE = Table.of(
    "summary.json: closure", SCALARS,
    [
        ("charge_relative", "", "error of the charge balance of the worst pack, of what went through it"),
        ("energy_relative", "", "error of the energy balance of the bank, of what moved in it"),
    ],
)  # fmt: skip
DISPLAY_FIGURES = Table.of(
    "", "",
    [
        ("displayed_soc_end", "", "what its display shows at the end, 0 to 1; these six only where packs have displays"),
        ("display_error_end_points", "points", "that less the true state of charge"),
        ("display_drift_points_per_day", "points", "by how much its counting alone drifts from the truth in a day of this run, by arithmetic"),
        ("display_ignored_ah", "Ah", "charge out less charge in that it measured within its dead band and did not count"),
        ("display_set_full", "", "how often it was set to 100 %"),
        ("display_counted_ah", "Ah", "charge out less charge in that it counted"),
    ],
).columns  # fmt: skip
SUMMARY_TABLES = (BANK, PACKS, PORTS, PAIRS, LOSSES, CLOSURE)


def summary(record: RunRecord) -> dict:
    """The figures that ``simbank run --json`` prints; what each is, with its unit, stands in ``SUMMARY_TABLES``.

    Parameters
    ----------
    record : RunRecord
        What the run left behind.

    Returns
    -------
    dict
        ``scenario``, ``bank``, ``integrator``, ``packs``, ``ports``, ``pairs``, ``losses_wh``, ``events``, ``closure``.
    """
    packs, ports = _pack_rows(record), _port_rows(record)
    return {
        "scenario": record.scenario.name,
        "bank": _bank(record),
        "integrator": {
            "name": record.choice.name,
            "tolerance": float(record.tolerance),
            "handed_over": record.handed_over,
        }
        | ({"because": record.choice.because} if record.choice.because else {}),
        "packs": packs,
        "ports": ports,
        "pairs": _pairs(ports, record.sums.extremes[3]),
        "losses_wh": _losses(record, ports),
        "events": [row.record for row in record.events],
        "closure": _closure(record),
    }


def _loss_j(record):
    """Heat lost in each pack [J], shape (n,)."""
    acc = record.sums.packs
    return acc[ar.ACC_OHMIC_J] + acc[ar.ACC_RELAXATION_J] + acc[ar.ACC_HYSTERESIS_J]


def _bank(record):
    """Figures of the bank as a whole."""
    state, ports, n = record.state, record.sums.ports, record.state.n
    capacity = np.array([pack.capacity_ah for pack in state.bank.packs])
    return {
        "capacity_ah": float(capacity.sum()),
        "duration_h": float(state.t / 3600.0),
        "energy_out_wh": float(ports[ar.PORT_OUT_J].sum() * WH),
        "energy_in_wh": float(ports[ar.PORT_IN_J].sum() * WH),
        "charge_out_ah": float(ports[ar.PORT_OUT_AS].sum() * WH),
        "charge_in_ah": float(ports[ar.PORT_IN_AS].sum() * WH),
        "conductor_loss_wh": float(record.sums.branch_j.sum() * WH),
        "pack_loss_wh": float(_loss_j(record).sum() * WH),
        "spread_end_points": float(np.ptp(state.y[:n]) * 100.0),
        "spread_max_points": float(record.sums.extremes[1][0] * 100.0),
        "port_voltage_min_v": _plain(ports[ar.PORT_MIN_V].min()),
        "port_voltage_max_v": _plain(ports[ar.PORT_MAX_V].max()),
    }


def _pack_rows(record):
    """Figures of every pack."""
    state, acc, n = record.state, record.sums.packs, record.state.n
    bank, y, y_start, cells = state.bank, state.y, record.y_start, state.packs.cells
    capacity = np.array([pack.capacity_ah for pack in bank.packs])
    loss_j = _loss_j(record)
    # what went in at each pack's terminals: what it has stored, its own warmth apart, and the heat made in it
    warmth_j = cells[ar.HEAT_CAPACITY] * (y[4 * n : 5 * n] - y_start[4 * n : 5 * n])
    taken_j = record.stored_change_j - warmth_j + loss_j + acc[ar.ACC_REVERSIBLE_J] + acc[ar.ACC_OWN_DRAW_J]
    through_as = acc[ar.ACC_IN_AS] + acc[ar.ACC_OUT_AS]
    peak_a = np.maximum(acc[ar.ACC_PEAK_OUT_A], acc[ar.ACC_PEAK_IN_A])
    shares = [share_ratio(acc[row], capacity) for row in (ar.ACC_DISCHARGE_AS, ar.ACC_CHARGE_AS)]
    discharge, charge = ([None] * n if share is None else share for share in shares)
    full_s, empty_s = (
        {row.where: row.time_s for row in reversed(record.events) if row.event is event}
        for event in (Event.CHARGE_BLOCKED, Event.DISCHARGE_BLOCKED)
    )
    sums = record.sums  # numbers of Python from here on, which are quicker to take one by one
    acc, soc_range, reached_s, blocked_s, i2t, y, y_start, capacity, peak_a, through_as, loss_j, taken_j = (
        values.tolist()
        for values in (
            acc, sums.extremes[0], sums.extremes[2], sums.blocked_s, sums.pack_i2t, y, y_start, capacity, peak_a, through_as, loss_j,
            taken_j,
        )
    )  # fmt: skip
    return [
        {
            "name": pack.name,
            "capacity_ah": pack.capacity_ah,
            "rated_capacity_ah": pack.rated_capacity_ah,
            "cell_capacity_ah": pack.cell_capacity_ah,
            "cells_in_series": pack.cells_in_series,
            "cells_in_parallel": pack.cells_in_parallel,
            "soc_start": float(y_start[k]),
            "soc_end": float(y[k]),
            "soc_min": float(soc_range[0][k]),
            "soc_max": float(soc_range[1][k]),
            "current_peak_a": float(peak_a[k]),
            "c_rate_peak": float(peak_a[k] / capacity[k]),
            "discharge_peak_a": float(acc[ar.ACC_PEAK_OUT_A][k]),
            "charge_peak_a": float(acc[ar.ACC_PEAK_IN_A][k]),
            "share_ratio_discharge": _plain(discharge[k]),
            "share_ratio_charge": _plain(charge[k]),
            "throughput_ah": float(through_as[k] * WH),
            "full_cycles": float(through_as[k] * WH / (2.0 * capacity[k])),
            "loss_wh": float(loss_j[k] * WH),
            "own_draw_ah": float(acc[ar.ACC_OWN_DRAW_AS][k] * WH),
            "own_draw_wh": float(acc[ar.ACC_OWN_DRAW_J][k] * WH),
            "reversible_heat_wh": float(acc[ar.ACC_REVERSIBLE_J][k] * WH),
            "temperature_min_c": _plain(acc[ar.ACC_MIN_K][k] - KELVIN),
            "temperature_max_c": _plain(acc[ar.ACC_MAX_K][k] - KELVIN),
            "charge_blocked_h": float(blocked_s[0][k] / 3600.0),
            "discharge_blocked_h": float(blocked_s[1][k] / 3600.0),
            "charge_too_cold_h": float(acc[ar.ACC_OVER_CHARGE_RATE_S][k] / 3600.0),
            "switch": switch_of(pack),
            "cell_volt_max": _plain(acc[ar.ACC_CELL_MAX_V][k]),
            "cell_volt_min": _plain(acc[ar.ACC_CELL_MIN_V][k]),
            "net_energy_in_wh": float(taken_j[k] * WH),
            "i2t_a2s": float(i2t[k]),
            "overcharge_ah": float(acc[ar.ACC_BEYOND_FULL_AS][k] * WH),
            "overcharge_wh": float(acc[ar.ACC_BEYOND_FULL_J][k] * WH),
            "overdischarge_ah": float(acc[ar.ACC_BEYOND_EMPTY_AS][k] * WH),
            "overdischarge_wh": float(acc[ar.ACC_BEYOND_EMPTY_J][k] * WH),
            "first_full_h": first_reach(reached_s[0][k], full_s.get(pack.name)),
            "first_empty_h": first_reach(reached_s[1][k], empty_s.get(pack.name)),
            **_display_row(record, k),
        }
        for k, pack in enumerate(bank.packs)
    ]


def _display_row(record, k):
    """Figures of the display of pack ``k``; None of a pack without one, nothing in a bank without any."""
    displays, state = record.sums.displays, record.state
    if not displays.shape[1]:
        return {}
    shown, soc = displays[ar.SHOWN, k], state.y[k]
    capacity_as = displays[ar.COUNTER_CAPACITY_AS, k]
    drift = counter_drift(displays[ar.COUNTED_AS, k], capacity_as, soc - record.y_start[k], state.t) if capacity_as else None
    has = np.isfinite(shown)
    return {
        "displayed_soc_end": _plain(shown),
        "display_error_end_points": _plain(100.0 * (shown - soc)),
        "display_drift_points_per_day": _plain(drift),
        "display_ignored_ah": float(displays[ar.IGNORED_AS, k] * WH) if has else None,
        "display_set_full": int(displays[ar.TIMES_SET_FULL, k]) if has else None,
        "display_counted_ah": float(displays[ar.COUNTED_AS, k] * WH) if has else None,
    }


def counter_drift(counted_as: float, capacity_as: float, soc_change: float, seconds: float) -> float | None:
    """By how much a charge counter, left to count, drifts from the truth in a day [points]; None of a run of no length.

    Parameters
    ----------
    counted_as : float
        Charge out less charge in that it has counted [As].
    capacity_as : float
        What it divides by [As].
    soc_change : float
        By how much the true state of charge has risen.
    seconds : float
        In this time [s].

    Examples
    --------
    An offset of 50 mA counted as discharge for a day at rest, of 100 Ah: 1.2 Ah.

    >>> round(counter_drift(0.05 * 86400, 100 * 3600.0, 0.0, 86400.0), 6)
    -1.2
    """
    return 100.0 * (-counted_as / capacity_as - soc_change) * DAY_S / seconds if seconds > 0 else None


def _losses(record, port_rows):
    """Where energy was lost [Wh]."""
    acc = record.sums.packs
    return {
        "pack_ohmic": float(acc[ar.ACC_OHMIC_J].sum() * WH),
        "pack_relaxation": float(acc[ar.ACC_RELAXATION_J].sum() * WH),
        "pack_hysteresis": float(acc[ar.ACC_HYSTERESIS_J].sum() * WH),
        "pack_own_draw": float(acc[ar.ACC_OWN_DRAW_J].sum() * WH),
        "cable_joints_devices": float(record.sums.branch_j.sum() * WH),
        "inverter": float(sum(port["inverter_loss_wh"] for port in port_rows)),
    }


def _closure(record):
    """How well charge and energy balance."""
    state, acc, ports, n = record.state, record.sums.packs, record.sums.ports, record.state.n
    packs = state.bank.packs
    out_j, in_j = ports[ar.PORT_OUT_J].sum(), ports[ar.PORT_IN_J].sum()
    half_v = {id(c): float(c.ocv(0.5)) for c in {id(pack.chemistry): pack.chemistry for pack in packs}.values()}
    content_j = sum(pack.capacity_ah * 3600.0 * pack.cells_in_series * half_v[id(pack.chemistry)] for pack in packs)
    moved_j = max(out_j + in_j, abs(record.stored_change_j).sum() + _loss_j(record).sum(), LEAST_SHARE * content_j)
    charge = charge_closure(
        acc[ar.ACC_IN_AS] - acc[ar.ACC_OUT_AS] - acc[ar.ACC_OWN_DRAW_AS], state.y[:n] - record.y_start[:n],
        acc[ar.ACC_IN_AS] + acc[ar.ACC_OUT_AS] + acc[ar.ACC_OWN_DRAW_AS],
        state.packs.cells[ar.CAPACITY_AS],
    )  # fmt: skip
    energy = energy_closure(in_j, out_j, record.stored_change_j, acc[ar.ACC_HEAT_OUT_J], record.sums.branch_j.sum(), moved_j)
    return {"charge_relative": float(charge), "energy_relative": float(energy)}


def switch_of(pack: Pack) -> str:
    """What of a pack's own can disconnect it: "own", "assumed", "none", or "stuck charge", "stuck discharge", "stuck both"."""
    if pack.bms is not None and pack.bms.stuck is not None:
        return f"stuck {pack.bms.stuck}"
    return "none" if not pack.has_switch else "own" if pack.bms is not None else "assumed"


def _port_rows(record):
    """Energy asked, served, unmet and curtailed at each port, and when it was first cut off and first charged."""
    acc, rows = record.sums.ports, []
    for a, name in enumerate(record.state.ports.names):
        out_j, in_j = acc[ar.PORT_OUT_J, a], acc[ar.PORT_IN_J, a]
        asked_out, asked_in = acc[ar.PORT_ASKED_OUT_J, a], acc[ar.PORT_ASKED_IN_J, a]
        ac_asked, ac_served = acc[ar.PORT_AC_ASKED_J, a], acc[ar.PORT_AC_SERVED_J, a]
        inverter = record.state.ports.equipment[a][0]

        def first(*kinds, name=name):
            return next((row.time_s / 3600.0 for row in record.events if row.where == name and row.event in kinds), None)

        rows.append(
            {
                "name": name,
                "energy_out_wh": out_j * WH,
                "energy_in_wh": in_j * WH,
                "asked_wh": asked_out * WH,
                "unmet_wh": (asked_out - out_j) * WH,
                "offered_wh": asked_in * WH,
                "curtailed_wh": (asked_in - in_j) * WH,
                "ac_asked_wh": ac_asked * WH,
                "ac_served_wh": ac_served * WH,
                "ac_unmet_wh": (ac_asked - ac_served) * WH,
                "inverter_loss_wh": (out_j - ac_served) * WH if inverter is not None else 0.0,
                "conducts_h": acc[ar.PORT_CONDUCTS_S, a] / 3600.0,
                "voltage_min_v": _plain(acc[ar.PORT_MIN_V, a]),
                "voltage_max_v": _plain(acc[ar.PORT_MAX_V, a]),
                "first_cutoff_h": first(Event.CUT_OFF, Event.TOO_MUCH_POWER),
                "first_charged_h": first(*CHARGED),
            }
        )
    return [{key: value if isinstance(value, str | None) else float(value) for key, value in row.items()} for row in rows]


def _pairs(rows, apart):
    """For every two ports: largest difference of voltage, and time between their cut-offs and between their ends of charge.

    ``rows`` is what :func:`_port_rows` gives, ``apart`` the largest difference of voltage between ports, lower half, shape (p, p).
    """
    out = []
    for a in range(len(rows)):
        for b in range(a):
            gap = {}
            for key in ("first_cutoff_h", "first_charged_h"):
                one, other = rows[b][key], rows[a][key]
                gap[key] = None if one is None or other is None else (other - one) * 3600.0
            out.append(
                {
                    "ports": [rows[b]["name"], rows[a]["name"]],
                    "voltage_apart_max_v": float(apart[a, b]),
                    "between_cutoffs_s": gap["first_cutoff_h"],
                    "between_ends_of_charge_s": gap["first_charged_h"],
                }
            )
    return out


def _plain(number):
    return None if number is None or not math.isfinite(number) else float(number)

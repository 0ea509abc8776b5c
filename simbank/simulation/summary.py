"""The figures of a run: energy, charge, shares, losses, balances, of bank, packs and ports."""

from __future__ import annotations

import numpy as np

from simbank.simulation import arrays as ar
from simbank.simulation.event_codes import Event
from simbank.simulation.pack_model import KELVIN

__all__ = ["summary", "switch_of"]

WH = 1.0 / 3600.0
# By these a port counts as having charged the bank.
CHARGED = (Event.CHARGE_ENDED, Event.FLOATS, Event.FLOATS_OFF, Event.STOPPED, Event.STOPPED_OFF)


def summary(record):
    port_rows = _ports(record)
    state, bank, acc, port_acc = record.state, record.state.bank, record.sums.packs, record.sums.ports
    y, y_start, cells, n = state.y, record.y_start, state.packs.cells, state.n
    capacity = np.array([pack.capacity_ah for pack in bank.packs])
    loss_j = acc[ar.ACC_OHMIC_J] + acc[ar.ACC_RELAXATION_J] + acc[ar.ACC_HYSTERESIS_J]
    out_j, in_j = port_acc[ar.PORT_OUT_J].sum(), port_acc[ar.PORT_IN_J].sum()
    conductor_j = record.sums.branch_j.sum()
    to_ambient_j = acc[ar.ACC_HEAT_OUT_J]
    # A bank that moved next to nothing is judged against a thousandth of what it can hold, not against nothing.
    content_j = sum(
        c * 3600.0 * p.cells_in_series * float(p.chemistry.ocv(0.5)) for c, p in zip(capacity, bank.packs, strict=True)
    )
    moved_j = max(out_j + in_j, abs(record.stored_change_j).sum() + loss_j.sum(), 1e-3 * content_j)
    dz = y[:n] - y_start[:n]
    net_as = acc[ar.ACC_IN_AS] - acc[ar.ACC_OUT_AS]
    # what went in at each pack's terminals: what it has stored, its own warmth apart, and the heat made in it
    warmth_j = cells[ar.HEAT_CAPACITY] * (y[4 * n : 5 * n] - y_start[4 * n : 5 * n])
    taken_j = record.stored_change_j - warmth_j + loss_j + acc[ar.ACC_REVERSIBLE_J]
    through_as = acc[ar.ACC_IN_AS] + acc[ar.ACC_OUT_AS]
    volt_min, volt_max = port_acc[ar.PORT_MIN_V].min(), port_acc[ar.PORT_MAX_V].max()

    def share(row):
        total = acc[row].sum()
        return acc[row] / total / (capacity / capacity.sum()) if abs(total) > 1e-6 else [None] * n

    discharge, charge = share(ar.ACC_DISCHARGE_AS), share(ar.ACC_CHARGE_AS)
    blocked = {
        event: {row.where: row.time_s / 3600.0 for row in reversed(record.events) if row.event is event}
        for event in (Event.CHARGE_BLOCKED, Event.DISCHARGE_BLOCKED)
    }

    soc_range, spread_max, first_at, apart, _ = record.sums.extremes

    def first(k, rising):
        reached_s = first_at[0 if rising else 1, k]
        at = [float(reached_s / 3600.0) if np.isfinite(reached_s) else None]
        at.append(blocked[Event.CHARGE_BLOCKED if rising else Event.DISCHARGE_BLOCKED].get(bank.packs[k].name))
        return min((t for t in at if t is not None), default=None)

    packs = [
        {
            "name": pack.name,
            "capacity_ah": pack.capacity_ah,
            "rated_capacity_ah": pack.rated_capacity_ah,
            "cell_capacity_ah": pack.cell_capacity_ah,
            "cells_in_series": pack.cells_in_series,
            "cells_in_parallel": pack.cells_in_parallel,
            "soc_start": float(y_start[k]),
            "soc_end": float(y[k]),
            "soc_min": float(soc_range[0, k]),
            "soc_max": float(soc_range[1, k]),
            "current_peak_a": float(max(acc[ar.ACC_PEAK_OUT_A, k], acc[ar.ACC_PEAK_IN_A, k])),
            "c_rate_peak": float(max(acc[ar.ACC_PEAK_OUT_A, k], acc[ar.ACC_PEAK_IN_A, k]) / capacity[k]),
            "share_ratio_discharge": _plain(discharge[k]),
            "share_ratio_charge": _plain(charge[k]),
            "throughput_ah": float(through_as[k] * WH),
            "full_cycles": float(through_as[k] * WH / (2.0 * capacity[k])),
            "loss_wh": float(loss_j[k] * WH),
            "reversible_heat_wh": float(acc[ar.ACC_REVERSIBLE_J, k] * WH),
            "temperature_min_c": _plain(acc[ar.ACC_MIN_K, k] - KELVIN),
            "temperature_max_c": _plain(acc[ar.ACC_MAX_K, k] - KELVIN),
            "charge_blocked_h": float(record.sums.blocked_s[0, k] / 3600.0),
            "discharge_blocked_h": float(record.sums.blocked_s[1, k] / 3600.0),
            "charge_too_cold_h": float(acc[ar.ACC_OVER_CHARGE_RATE_S, k] / 3600.0),
            "switch": switch_of(pack),
            "cell_volt_max": _plain(acc[ar.ACC_CELL_MAX_V, k]),
            "cell_volt_min": _plain(acc[ar.ACC_CELL_MIN_V, k]),
            "net_energy_in_wh": float(taken_j[k] * WH),
            "i2t_a2s": float(record.sums.pack_i2t[k]),
            "overcharge_ah": float(acc[ar.ACC_BEYOND_FULL_AS, k] * WH),
            "overcharge_wh": float(acc[ar.ACC_BEYOND_FULL_J, k] * WH),
            "overdischarge_ah": float(acc[ar.ACC_BEYOND_EMPTY_AS, k] * WH),
            "overdischarge_wh": float(acc[ar.ACC_BEYOND_EMPTY_J, k] * WH),
            "first_full_h": first(k, True),
            "first_empty_h": first(k, False),
        }
        for k, pack in enumerate(bank.packs)
    ]
    # A pack that moved next to nothing is judged against a thousandth of its capacity, not against nothing.
    charge_error = np.abs(net_as - dz * cells[ar.CAPACITY_AS]) / np.maximum(through_as, 1e-3 * cells[ar.CAPACITY_AS])
    closure = {
        "charge_relative": float(charge_error.max()),
        "energy_relative": float(abs(in_j - out_j - record.stored_change_j.sum() - to_ambient_j.sum() - conductor_j) / moved_j),
    }
    return {
        "scenario": record.scenario.name,
        "bank": {
            "capacity_ah": float(capacity.sum()),
            "duration_h": float(record.state.t / 3600.0),
            "energy_out_wh": float(out_j * WH),
            "energy_in_wh": float(in_j * WH),
            "charge_out_ah": float(port_acc[ar.PORT_OUT_AS].sum() * WH),
            "charge_in_ah": float(port_acc[ar.PORT_IN_AS].sum() * WH),
            "conductor_loss_wh": float(conductor_j * WH),
            "pack_loss_wh": float(loss_j.sum() * WH),
            "spread_end_points": float(np.ptp(y[:n]) * 100.0),
            "spread_max_points": float(spread_max[0] * 100.0),
            "port_voltage_min_v": _plain(volt_min),
            "port_voltage_max_v": _plain(volt_max),
        },
        "integrator": {
            "name": record.integrator,
            "tolerance": float(record.tolerance),
            "handed_over": record.handed_over,
        },
        "packs": packs,
        "ports": port_rows,
        "pairs": _pairs(port_rows, apart),
        "losses_wh": {
            "pack_ohmic": float(acc[ar.ACC_OHMIC_J].sum() * WH),
            "pack_relaxation": float(acc[ar.ACC_RELAXATION_J].sum() * WH),
            "pack_hysteresis": float(acc[ar.ACC_HYSTERESIS_J].sum() * WH),
            "cable_joints_devices": float(conductor_j * WH),
            "inverter": float(sum(port["inverter_loss_wh"] for port in port_rows)),
        },
        "events": [row.record for row in record.events],
        "closure": closure,
    }


def switch_of(pack):
    """What of a pack's own can disconnect it: "own", "assumed", "none", or "stuck charge", "stuck discharge", "stuck both"."""
    if pack.bms is not None and pack.bms.stuck is not None:
        return f"stuck {pack.bms.stuck}"
    return "none" if not pack.has_switch else "own" if pack.bms is not None else "assumed"


def _ports(record):
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

    ``rows`` is what :func:`_ports` gives, ``apart`` the largest difference of voltage between ports, lower half, shape (p, p).
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
    return None if number is None or not np.isfinite(number) else float(number)

"""What a run computed, as pandas objects with units in the names; pandas is loaded when the first of them is asked for."""

from __future__ import annotations

from functools import cached_property
from pathlib import Path

import numpy as np

from simbank import provenance
from simbank.simulation import arrays as ar
from simbank.simulation import equations as eq
from simbank.simulation import events
from simbank.simulation.bank_warnings import FREEZING
from simbank.simulation.run_warnings import cascades, too_cold
from simbank.warning import BankWarning, as_records

__all__ = ["Result", "Trace"]

WH = 1.0 / 3600.0
REFERENCE_TOLERANCE, FAST_TOLERANCE = 3e-10, 3e-8  # of the integrators, by default
CHARGE_LIMIT, FAST_CHARGE_LIMIT, ENERGY_LIMIT = 1e-8, 1e-4, 1e-5  # greatest relative errors of the balances at those
WORTH_SAYING = 1e-4  # of its capacity that went beyond full or empty


class Trace:
    """Samples of a run, in pieces between changes of the network."""

    def __init__(self, bank):
        self.bank = bank
        self.pieces = []

    def add(self, times, states, packs, ports, flows):
        self.pieces.append((times, states, packs, ports, flows))

    def frozen(self):
        """What there is so far, for a result that is looked at while the run goes on."""
        out = Trace(self.bank)
        out.pieces = list(self.pieces)
        return out

    def joined(self):
        """Times (m,), states (m, 5, n), packs (2, m, n), ports (2, m, p)."""
        n, p = len(self.bank.packs), len(self.bank.graph.ports)
        if not self.pieces:
            return np.empty(0), np.empty((0, ar.N_STATES, n)), np.empty((2, 0, n)), np.empty((2, 0, p))
        times, states, packs, ports, _ = zip(*self.pieces, strict=True)
        return (
            np.concatenate(times),
            np.concatenate(states).reshape(-1, ar.N_STATES, n),
            np.concatenate(packs, axis=1),
            np.concatenate(ports, axis=1),
        )

    def branch_currents(self):
        """Current of every branch at every sample, shape (m, b)."""
        rows = [np.hstack([packs[0], ports[0]]) @ flows.T for _, _, packs, ports, flows in self.pieces]
        return np.vstack(rows) if rows else np.empty((0, len(self.bank.graph.branches)))


class Result:
    """A finished (or broken-off) run. Its tables are made when they are first asked for.

    Attributes
    ----------
    summary : dict
        The figures that ``simbank run --json`` prints.
    complete : bool
        False if the run stopped before the end of its duty.
    scenario : Scenario
    warnings : list of BankWarning
        What must be known before any of the figures; ``summary["warnings"]`` has them as plain data.
    """

    def __init__(self, run, stored_change_j, complete):
        self.scenario, self.complete = run.scenario, complete
        self._bank, self._port_names, self._method = run.bank, run.port_names, run.method
        self._trace, self._samples = run.trace.frozen(), run.trace.joined()
        self._branch_ws, self._events = run.branch_ws.copy(), list(run.events)
        self._branch_peak_a = run.extremes[4].copy()
        self.summary = _summary(run, stored_change_j)
        self.warnings = self._told(run, complete)
        self.summary["warnings"] = as_records(self.warnings)

    def _told(self, run, complete):
        """Warnings of the bank and of the run; of a run that is complete, what happened in the cold instead of what was feared."""
        before = [warning for warning in run.warnings if not complete or warning.code != FREEZING]
        packs, rows = self._bank.packs, self.summary["packs"]
        happened = [
            *beyond_warnings(packs, rows),
            *cascades(run.openings, self._events, self.summary["ports"]),
            *too_cold(packs, rows),
            *assumed_bms_warnings(packs, self._events),
            *balance_warnings(self.summary["closure"], self.summary["integrator"]),
        ]
        return list(dict.fromkeys([*happened, *before]))

    @cached_property
    def packs(self):
        """DataFrame with index ``time_s`` and columns (quantity, pack): ``soc``, ``current_a`` (positive: discharge),
        ``terminal_v``, ``hysteresis``, ``temperature_c``. ``result.packs["soc"]`` is a table of time by pack."""
        times, states, packs, _ = self._samples
        quantities = {
            "soc": states[:, 0],
            "current_a": packs[0],
            "terminal_v": packs[1],
            "hysteresis": states[:, 1],
            "temperature_c": states[:, 4] - eq.KELVIN,
        }
        return _frame(times, [pack.name for pack in self._bank.packs], quantities, "pack")

    @cached_property
    def ports(self):
        """DataFrame with index ``time_s`` and columns (quantity, port): ``current_a``, ``voltage_v``, ``power_w``."""
        times, _, _, ports = self._samples
        quantities = {"current_a": ports[0], "voltage_v": ports[1], "power_w": ports[0] * ports[1]}
        return _frame(times, self._port_names, quantities, "port")

    @cached_property
    def branches(self):
        """DataFrame with one row per conductor: where it runs, gauge, length, resistance, peak current, peak drop, energy lost."""
        return _branch_frame(self._bank, self._branch_peak_a, self._branch_ws)

    @cached_property
    def events(self):
        """DataFrame with ``time_s``, ``where``, ``what``, ``because``, in order."""
        import pandas as pd

        return pd.DataFrame(self._events, columns=["time_s", "where", "what", "because"])

    @cached_property
    def made_by(self):
        """What made it: versions, scenario and hashes of its contents and of the files it read, settings, time."""
        return provenance.made_by(
            self.scenario, "simbank.simulate", integrator=self.summary["integrator"]["name"],
            tolerance=self.summary["integrator"]["tolerance"], method=self._method,
        )  # fmt: skip

    @cached_property
    def branch_current_a(self):
        """Current of every conductor over time [A], positive from its ``from`` to its ``to``."""
        import pandas as pd

        return pd.DataFrame(self._trace.branch_currents(), index=self.packs.index, columns=self.branches.index)

    @property
    def spread_points(self):
        """Largest minus smallest state of charge over time [points]."""
        soc = self.packs["soc"]
        return (soc.max(axis=1) - soc.min(axis=1)) * 100.0

    def tidy(self, which="packs"):
        """``packs`` or ``ports`` with one row per time and name, for files and other tools."""
        frame = getattr(self, which)
        return frame.stack(level=1, future_stack=True).reset_index()

    def write(self, folder):
        """Write everything into ``folder``: tidy tables as Parquet and CSV, summary and scenario as JSON.

        Each file is written aside and then put in place of the old one, so that what is there is always whole. What made them
        stands in each Parquet file and in ``summary.json``, and for all of them in ``made_by.json``.
        """
        folder = Path(folder)
        folder.mkdir(parents=True, exist_ok=True)
        tables = {
            "packs": self.tidy("packs"),
            "ports": self.tidy("ports"),
            "branches": self.branches.reset_index(),
            "events": self.events,
        }
        for name, table in tables.items():
            for ending in ("parquet", "csv"):
                provenance.write_table(folder / f"{name}.{ending}", table, self.made_by)
        record = self.summary | {
            "complete": self.complete,
            "scenario_file": getattr(self.scenario, "source", None),
            "scenario_data": getattr(self.scenario, "data", None),
        }
        provenance.write_json(folder / "summary.json", record, self.made_by)
        return folder

    def _plot(self, name, **options):
        from simbank.plotting import plots

        return getattr(plots, name)(self, **options)

    def plot_soc(self, **options):
        """State of charge of each pack over time; returns the matplotlib figure."""
        return self._plot("plot_soc", **options)

    def plot_spread(self, **options):
        """Spread of state of charge over time."""
        return self._plot("plot_spread", **options)

    def plot_current(self, **options):
        """Current of each pack over time against its proportional share."""
        return self._plot("plot_current", **options)

    def plot_throughput(self, **options):
        """Throughput of each pack as bars against its capacity."""
        return self._plot("plot_throughput", **options)


def _frame(times, names, quantities, level):
    import pandas as pd

    index = pd.Index(times, name="time_s")
    columns = pd.MultiIndex.from_product([quantities, names], names=["quantity", level])
    return pd.DataFrame(np.hstack(list(quantities.values())), index=index, columns=columns)


def _branch_frame(bank, peak, branch_ws):
    import pandas as pd

    rows = []
    for k, branch in enumerate(bank.graph.branches):
        part = branch.conductor
        rows.append(
            {
                "branch": branch.name,
                "kind": branch.kind,
                "from": branch.from_node,
                "to": branch.to_node,
                "gauge": part.gauge.label if part is not None and part.gauge is not None else None,
                "material": part.material if part is not None and part.gauge is not None else None,
                "length_m": part.length_m if part is not None and part.gauge is not None else np.nan,
                "resistance_ohm": branch.resistance_ohm,
                "current_peak_a": peak[k],
                "drop_peak_v": peak[k] * branch.resistance_ohm,
                "loss_wh": branch_ws[k] * WH,
            }
        )
    return pd.DataFrame(rows).set_index("branch") if rows else pd.DataFrame()


def _summary(run, stored_change_j):
    port_rows = _ports(run)
    bank, acc, port_acc = run.bank, run.acc, run.port_acc
    capacity = np.array([pack.capacity_ah for pack in bank.packs])
    loss_j = acc[ar.ACC_OHMIC_J] + acc[ar.ACC_RELAXATION_J] + acc[ar.ACC_HYSTERESIS_J]
    out_j, in_j = port_acc[ar.PORT_OUT_J].sum(), port_acc[ar.PORT_IN_J].sum()
    conductor_j = run.branch_ws.sum()
    to_ambient_j = acc[ar.ACC_HEAT_OUT_J]
    # A bank that moved next to nothing is judged against a thousandth of what it can hold, not against nothing.
    content_j = sum(
        c * 3600.0 * p.cells_in_series * float(p.chemistry.ocv(0.5)) for c, p in zip(capacity, bank.packs, strict=True)
    )
    moved_j = max(out_j + in_j, abs(stored_change_j).sum() + loss_j.sum(), 1e-3 * content_j)
    dz = run.y[: run.n] - run.y_start[: run.n]
    net_as = acc[ar.ACC_IN_AS] - acc[ar.ACC_OUT_AS]
    # what went in at each pack's terminals: what it has stored, its own warmth apart, and the heat made in it
    warmth_j = run.cells[ar.HEAT_CAPACITY] * (run.y[4 * run.n : 5 * run.n] - run.y_start[4 * run.n : 5 * run.n])
    taken_j = stored_change_j - warmth_j + loss_j + acc[ar.ACC_REVERSIBLE_J]
    through_as = acc[ar.ACC_IN_AS] + acc[ar.ACC_OUT_AS]
    volt_min, volt_max = port_acc[ar.PORT_MIN_V].min(), port_acc[ar.PORT_MAX_V].max()

    def share(row):
        total = acc[row].sum()
        return acc[row] / total / (capacity / capacity.sum()) if abs(total) > 1e-6 else [None] * run.n

    discharge, charge = share(ar.ACC_DISCHARGE_AS), share(ar.ACC_CHARGE_AS)
    blocked = {
        what: {e_where: t / 3600.0 for t, e_where, e_what, _ in reversed(run.events) if e_what == what}
        for what in (events.CHARGE_BLOCKED, events.DISCHARGE_BLOCKED)
    }

    soc_range, spread_max, first_at, apart, _ = run.extremes

    def first(k, rising):
        reached_s = first_at[0 if rising else 1, k]
        at = [float(reached_s / 3600.0) if np.isfinite(reached_s) else None]
        at.append(blocked[events.CHARGE_BLOCKED if rising else events.DISCHARGE_BLOCKED].get(bank.packs[k].name))
        return min((t for t in at if t is not None), default=None)

    packs = [
        {
            "name": pack.name,
            "capacity_ah": pack.capacity_ah,
            "rated_capacity_ah": pack.rated_capacity_ah,
            "cell_capacity_ah": pack.cell_capacity_ah,
            "cells_in_series": pack.cells_in_series,
            "cells_in_parallel": pack.cells_in_parallel,
            "soc_start": float(run.y_start[k]),
            "soc_end": float(run.y[k]),
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
            "temperature_min_c": _plain(acc[ar.ACC_MIN_K, k] - eq.KELVIN),
            "temperature_max_c": _plain(acc[ar.ACC_MAX_K, k] - eq.KELVIN),
            "charge_blocked_h": float(run.blocked_s[0, k] / 3600.0),
            "discharge_blocked_h": float(run.blocked_s[1, k] / 3600.0),
            "charge_too_cold_h": float(acc[ar.ACC_OVER_CHARGE_RATE_S, k] / 3600.0),
            "switch": switch_of(pack),
            "cell_volt_max": _plain(acc[ar.ACC_CELL_MAX_V, k]),
            "cell_volt_min": _plain(acc[ar.ACC_CELL_MIN_V, k]),
            "net_energy_in_wh": float(taken_j[k] * WH),
            "i2t_a2s": float(run.pack_i2t[k]),
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
    charge_error = np.abs(net_as - dz * run.cells[ar.CAPACITY_AS]) / np.maximum(through_as, 1e-3 * run.cells[ar.CAPACITY_AS])
    closure = {
        "charge_relative": float(charge_error.max()),
        "energy_relative": float(abs(in_j - out_j - stored_change_j.sum() - to_ambient_j.sum() - conductor_j) / moved_j),
    }
    is_fast, tolerance = run.fast_tolerance is not None, run.fast_tolerance or run.tolerance
    return {
        "scenario": run.scenario.name,
        "bank": {
            "capacity_ah": float(capacity.sum()),
            "duration_h": float(run.t / 3600.0),
            "energy_out_wh": float(out_j * WH),
            "energy_in_wh": float(in_j * WH),
            "charge_out_ah": float(port_acc[ar.PORT_OUT_AS].sum() * WH),
            "charge_in_ah": float(port_acc[ar.PORT_IN_AS].sum() * WH),
            "conductor_loss_wh": float(conductor_j * WH),
            "pack_loss_wh": float(loss_j.sum() * WH),
            "spread_end_points": float(np.ptp(run.y[: run.n]) * 100.0),
            "spread_max_points": float(spread_max[0] * 100.0),
            "port_voltage_min_v": _plain(volt_min),
            "port_voltage_max_v": _plain(volt_max),
        },
        "integrator": {
            "name": "fast" if is_fast else "reference",
            "tolerance": float(tolerance),
            "handed_over": run.handed_over,
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
        "events": [{"time_s": float(t), "where": where, "what": what, "because": why} for t, where, what, why in run.events],
        "closure": closure,
    }


def balance_warnings(closure, integrator):
    """Charge and energy that do not close as they should: what a figure from this run is worth is then not known.

    Charge is compared with what went through a pack or a thousandth of its capacity, energy with what moved in the bank or a
    thousandth of what it holds, whichever is larger. A looser tolerance than the default loosens the limits in proportion.
    """
    is_fast = integrator["name"] == "fast"
    looser = max(1.0, integrator["tolerance"] / (FAST_TOLERANCE if is_fast else REFERENCE_TOLERANCE))
    out = []
    for what, limit in (("charge", FAST_CHARGE_LIMIT if is_fast else CHARGE_LIMIT), ("energy", ENERGY_LIMIT)):
        missed = closure[f"{what}_relative"]
        if not missed <= limit * looser:
            text = (
                f"balance missed: {what} closes to {missed:.1e} of what moved, not to {limit * looser:.0e}; "
                "do not rely on the figures of this run"
            )
            out.append(BankWarning("balance-missed", what, text))
    return out


def switch_of(pack):
    """What of a pack's own can disconnect it: "own", "assumed", "none", or "stuck charge", "stuck discharge", "stuck both"."""
    if pack.bms is not None and pack.bms.stuck is not None:
        return f"stuck {pack.bms.stuck}"
    return "none" if not pack.has_switch else "own" if pack.bms is not None else "assumed"


def beyond_warnings(packs, rows):
    """Packs that were charged beyond full or discharged beyond empty; ``rows`` are those of the summary."""
    found = []
    for pack, row in zip(packs, rows, strict=True):
        over, under = row["overcharge_ah"], row["overdischarge_ah"]
        worth_saying = WORTH_SAYING * pack.capacity_ah
        said = []
        if over > worth_saying:
            fate = "gas, lose water and heat" if pack.chemistry.family == "lead-acid" else "swell, vent and burn"
            said.append(
                f"{over:.3g} Ah ({over / pack.capacity_ah * 100:.1f} % of its capacity, {row['overcharge_wh']:.0f} Wh) went in beyond "
                f"100 %, cells up to {row['cell_volt_max']:.2f} V: this is how cells {fate}"
            )
        if under > worth_saying:
            said.append(
                f"{under:.3g} Ah were taken beyond 0 %, cells down to {row['cell_volt_min']:.2f} V: this is how cells are ruined, "
                "and may short when charged again"
            )
        if said:
            text = (
                f"{'; '.join(said)}. The model no longer knows what the cells do: it goes on along a straight line, without gas, "
                "damage or fire"
            )
            found.append(BankWarning("beyond-cell-model", pack.name, text))
    return found


def assumed_bms_warnings(packs, happened):
    """Packs that opened at a cell limit by a BMS that the file does not give."""
    opened = {where for _, where, what, _ in happened if what in (events.CHARGE_BLOCKED, events.DISCHARGE_BLOCKED)}
    names = [pack.name for pack in packs if pack.has_assumed_bms and pack.name in opened]
    if not names:
        return []
    text = (
        "opened at a cell limit by a BMS that the file does not give: a lithium-ion pack without a bms is taken to have one that "
        "opens at once at the chemistry's limits. Give the limits of yours, or bms = { stuck = ... } for a switch that does not open"
    )
    return [BankWarning("assumed-bms", ", ".join(names), text)]


def _ports(run):
    """Energy asked, served, unmet and curtailed at each port, and when it was first cut off and first charged."""
    acc, rows = run.port_acc, []
    for a, name in enumerate(run.port_names):
        out_j, in_j = acc[ar.PORT_OUT_J, a], acc[ar.PORT_IN_J, a]
        asked_out, asked_in = acc[ar.PORT_ASKED_OUT_J, a], acc[ar.PORT_ASKED_IN_J, a]
        ac_asked, ac_served = acc[ar.PORT_AC_ASKED_J, a], acc[ar.PORT_AC_SERVED_J, a]
        inverter = run.behaviours[a][0]

        def first(*whats, name=name):
            return next((t / 3600.0 for t, where, what, _ in run.events if where == name and what in whats), None)

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
                "first_cutoff_h": first(events.CUTOFF, events.TOO_MUCH_POWER),
                "first_charged_h": first(events.CHARGE_ENDED, events.FLOATS, events.STOPPED, *events.OFF_FOR.values()),
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

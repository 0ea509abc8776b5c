"""What a run computed, as pandas objects with units in the names; pandas is loaded when the first of them is asked for."""

from __future__ import annotations

from functools import cached_property
from pathlib import Path

import numpy as np

from simbank import provenance
from simbank.simulation.bank_warnings import FREEZING
from simbank.simulation.pack_model import KELVIN
from simbank.simulation.recording import RunRecord
from simbank.simulation.run_warnings import assumed_bms_warnings, balance_warnings, beyond_warnings, cascades, too_cold
from simbank.simulation.summary import WH, summary
from simbank.warning import as_records

__all__ = ["Result"]


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

    def __init__(self, record: RunRecord, complete: bool):
        self.scenario, self.complete = record.scenario, complete
        self._bank, self._port_names, self._method = record.state.bank, record.state.ports.names, record.method
        self._trace, self._samples = record.trace.frozen(), record.trace.joined()
        self._branch_j, self._events = record.sums.branch_j.copy(), list(record.events)
        self._branch_peak_a = record.sums.extremes[4].copy()
        self.summary = summary(record)
        self.warnings = self._told(record)
        self.summary["warnings"] = as_records(self.warnings)

    def _told(self, record):
        """Warnings of the bank and of the run; of a run that is complete, what happened in the cold instead of what was feared."""
        before = [warning for warning in record.warnings if not self.complete or warning.code != FREEZING]
        packs, rows = self._bank.packs, self.summary["packs"]
        happened = [
            *beyond_warnings(packs, rows),
            *cascades(record.openings, self._events, self.summary["ports"]),
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
            "temperature_c": states[:, 4] - KELVIN,
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
        return _branch_frame(self._bank, self._branch_peak_a, self._branch_j)

    @cached_property
    def events(self):
        """DataFrame with ``time_s``, ``where``, ``what``, ``because`` and ``code``, in order; the codes are those of
        :class:`~simbank.simulation.event_codes.Event`."""
        import pandas as pd

        columns = ["time_s", "where", "what", "because", "code"]
        return pd.DataFrame([row.record for row in self._events], columns=columns)

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


def _branch_frame(bank, peak, branch_j):
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
                "loss_wh": branch_j[k] * WH,
            }
        )
    return pd.DataFrame(rows).set_index("branch") if rows else pd.DataFrame()

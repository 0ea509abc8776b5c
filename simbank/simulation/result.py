"""What a run computed, as pandas objects with units in the names; pandas is loaded when the first of them is asked for."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, NamedTuple

import numpy as np

from simbank import provenance
from simbank.columns import Column, Table
from simbank.errors import InputError
from simbank.filemodel import nearest
from simbank.network import Network
from simbank.notebook import as_html
from simbank.results import Picture, Study, StudyResult
from simbank.simulation.bank_warnings import FREEZING
from simbank.simulation.pack_model import KELVIN
from simbank.simulation.recording import RunRecord
from simbank.simulation.rest import near_to_far, rest_instants, rests
from simbank.simulation.run_warnings import (
    ac_load_warnings,
    assumed_bms_warnings,
    balance_warnings,
    beyond_warnings,
    cascades,
    too_cold,
)
from simbank.simulation.standing import DisplaysApart, displays_apart
from simbank.simulation.summary import DISPLAY_FIGURES, SUMMARY_TABLES, WH, summary
from simbank.simulation.summary import PACKS as PACK_FIGURES
from simbank.warning import as_records

if TYPE_CHECKING:
    import pandas as pd
    import xarray
    from matplotlib.figure import Figure

    from simbank.simulation.event_codes import EventRow

__all__ = ["AtRest", "PackSamples", "PortSamples", "Result", "columns"]

PACKS = Table.of(
    "packs.csv, packs.parquet", "a pack at one time",
    [
        ("time_s", "s", "time since the start"),
        ("pack", "", "its name"),
        ("soc", "", "state of charge, 0 to 1; beyond in a pack that nothing stops"),
        ("current_a", "A", "current, positive while it discharges"),
        ("terminal_v", "V", "voltage across its poles"),
        ("hysteresis", "", "hysteresis state: 1 after a long charge, -1 after a long discharge"),
        ("temperature_c", "°C", "temperature"),
    ],
)  # fmt: skip
PORTS = Table.of(
    "ports.csv, ports.parquet", "a port at one time",
    [
        ("time_s", "s", "time since the start"),
        ("port", "", "its name"),
        ("current_a", "A", "current, positive out of the bank"),
        ("voltage_v", "V", "voltage"),
        ("power_w", "W", "power, positive out of the bank"),
    ],
)  # fmt: skip
BRANCHES = Table.of(
    "branches.csv, branches.parquet", "a conductor: a cable with its joints, a bar, a device, a place where two meet",
    [
        ("branch", "", "its name"),
        ("kind", "", "what it is"),
        ("from", "", "place where it begins"),
        ("to", "", "place where it ends"),
        ("gauge", "", "size of the cable; empty where it has none"),
        ("material", "", "copper or aluminium; empty where it has none"),
        ("length_m", "m", "length; empty where it has none"),
        ("resistance_ohm", "Ω", "resistance, joints included"),
        ("current_peak_a", "A", "largest current, either way"),
        ("drop_peak_v", "V", "voltage along it at that current"),
        ("loss_wh", "Wh", "energy lost in it"),
    ],
)  # fmt: skip
EVENTS = Table.of(
    "events.csv, events.parquet, summary.json: events", "an event",
    [
        ("time_s", "s", "time since the start"),
        ("where", "", "name of the pack, port or device"),
        ("what", "", "what happened, in words"),
        ("because", "", "why, with its numbers"),
        ("code", "", "what happened, as a code that does not change"),
    ],
)  # fmt: skip

SOC_AT_REST = Table.of(
    "soc_at_rest.csv, soc_at_rest.parquet", "a pack at an instant that tells how the bank shares (Result.soc_at_rest)",
    [
        ("time_s", "s", "time since the start"),
        ("instant", "", "what it is: before charge, after so many hours at rest, end of run"),
        ("position", "", "place of the pack in the wiring, 1 nearest to the take-off"),
        ("pack", "", "its name"),
        ("wiring_ohm", "Ω", "resistance of the wiring from the take-off to the pack and back"),
        ("soc", "", "state of charge, 0 to 1"),
    ],
)  # fmt: skip
DISPLAYED = Column(
    "displayed_soc", "", "what its display shows, 0 to 1; only where packs have displays, empty for a pack without one"
)
COARSE_S = 900.0  # samples that stand further apart than this are said to be coarse beside the instants of a night


def columns(displays: bool = False) -> tuple[Table, ...]:
    """Every table that :meth:`Result.write` writes, with the unit and the meaning of each column.

    Parameters
    ----------
    displays : bool
        With what a bank whose packs have displays has more.

    Examples
    --------
    >>> for table in columns()[:2]:
    ...     print(table.name, table.columns[2])
    packs.csv, packs.parquet Column(name='soc', unit='', meaning='state of charge, 0 to 1; beyond in a pack that nothing stops')
    ports.csv, ports.parquet Column(name='current_a', unit='A', meaning='current, positive out of the bank')
    """
    tables = PACKS, PORTS, BRANCHES, EVENTS, SOC_AT_REST, *SUMMARY_TABLES
    if not displays:
        return tables
    more = {PACKS: (DISPLAYED,), SOC_AT_REST: (DISPLAYED,), PACK_FIGURES: DISPLAY_FIGURES}
    return tuple(table._replace(columns=table.columns + more.get(table, ())) for table in tables)


class PackSamples(NamedTuple):
    """Samples of a run: times (m,) [s], and for each pack, shape (m, n), what :attr:`Result.packs` has."""

    time_s: np.ndarray
    soc: np.ndarray
    current_a: np.ndarray
    terminal_v: np.ndarray
    hysteresis: np.ndarray
    temperature_c: np.ndarray
    displayed_soc: np.ndarray | None = None  # where packs have displays


class PortSamples(NamedTuple):
    """Samples of a run: times (m,) [s], and for each port, shape (m, p), current out of the bank [A] and voltage [V]."""

    time_s: np.ndarray
    current_a: np.ndarray
    voltage_v: np.ndarray


class AtRest(NamedTuple):
    """What :meth:`Result.soc_at_rest` has, as plain arrays: k instants, n packs from near to far.

    Attributes
    ----------
    time_s : ndarray, shape (k,)
    words : list of str
        What each instant is.
    packs : list of str
        Their names.
    soc : ndarray, shape (k, n)
    displayed_soc : ndarray, shape (k, n), or None
        Where packs have displays.
    note : str
        Empty, or that samples are far apart.
    """

    time_s: np.ndarray
    words: list[str]
    packs: list[str]
    soc: np.ndarray
    displayed_soc: np.ndarray | None
    note: str


class Result(StudyResult):
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
    bands : Bands or None
        Of a run that was read from a folder with bands beside it, these.
    """

    INDEXED: ClassVar = False
    TABLES: ClassVar = columns(displays=True)
    bands: Any = None

    def __init__(self, record: RunRecord, complete: bool):
        self.scenario, self.complete = record.scenario, complete
        self._bank, self._port_names, self._method = record.state.bank, record.state.ports.names, record.method
        self._trace, self._samples = record.trace.frozen(), record.trace.joined()
        self._branch_j, self._events = record.sums.branch_j.copy(), list(record.events)
        self._branch_peak_a = record.sums.extremes.branch.copy()
        self._summary = summary(record)
        self.warnings = self._all_warnings(record)
        self._summary["warnings"] = as_records(self.warnings)

    def __repr__(self) -> str:
        bank, n = self.summary["bank"], len(self.summary["packs"])
        told = f"{n} {'pack' if n == 1 else 'packs'}, {bank['duration_h']:.4g} h"
        if not self.complete:
            told += ", stopped before its end"
        if n > 1:
            told += f", spread {bank['spread_max_points']:.1f} points at most, {bank['spread_end_points']:.1f} at the end"
        many = len(self.warnings)
        return f"<Result {self.title!r}: {told}{f', {many} warning' + 's' * (many > 1) if many else ''}>"

    def _repr_html_(self) -> str:
        """What a notebook shows."""
        import pandas as pd

        shown = {
            "capacity_ah": "capacity [Ah]", "soc_end": "SOC at the end [%]", "current_peak_a": "peak current [A]",
            "share_ratio_discharge": "share ratio, discharge", "share_ratio_charge": "share ratio, charge",
            "throughput_ah": "throughput [Ah]",
        }  # fmt: skip
        rows = pd.DataFrame(self.summary["packs"]).set_index("name").assign(soc_end=lambda rows: rows["soc_end"] * 100.0)
        words = [repr(self)[1:-1].partition(": ")[2] + "."]
        table = rows[list(shown)].rename(columns=shown)
        return as_html(self.title, warnings=self.warnings, words=words, table=table, picture=self.plot(), caution=self.CAUTION)

    def to_xarray(self) -> xarray.Dataset:
        """The run as an xarray Dataset, with units and meanings as attributes.

        Returns
        -------
        xarray.Dataset
            ``soc``, ``current_a``, ``terminal_v``, ``hysteresis``, ``temperature_c`` over (``time_s``, ``pack``); ``port_current_a``,
            ``port_voltage_v``, ``port_power_w`` over (``time_s``, ``port``). Each has ``units`` ("1" for a share) and ``long_name``,
            the whole ``title`` and ``made_by`` (as JSON).

        Raises
        ------
        InputError
            If xarray is not installed: ``pip install 'simbank[xarray]'``.
        """
        try:
            import xarray
        except ImportError:
            raise InputError("needs the extra: pip install 'simbank[xarray]'") from None
        variables = {}
        for frame, dimension, table, prefix in ((self.packs, "pack", PACKS, ""), (self.ports, "port", PORTS, "port_")):
            for column in table.columns[2:] + ((DISPLAYED,) if DISPLAYED.name in frame else ()):
                told = {"units": column.unit.replace("°C", "degC") or "1", "long_name": column.meaning}
                variables[prefix + column.name] = (("time_s", dimension), frame[column.name].to_numpy(), told)
        labels = {
            "time_s": ("time_s", self.packs.index.to_numpy(), {"units": "s", "long_name": "time since the start"}),
            "pack": list(self.packs["soc"]),
            "port": list(self.ports["current_a"]),
        }
        return xarray.Dataset(variables, labels, {"title": self.title, "made_by": json.dumps(self.made_by, default=str)})

    def _all_warnings(self, record):
        """Warnings of the bank and of the run; of a run that is complete, what happened in the cold instead of what was feared."""
        before = [warning for warning in record.warnings if not self.complete or warning.code != FREEZING]
        packs, rows = self._bank.packs, self.summary["packs"]
        happened = [
            *beyond_warnings(packs, rows),
            *cascades(record.openings, self._events, self.summary["ports"]),
            *too_cold(packs, rows),
            *ac_load_warnings(self.summary["ports"]),
            *assumed_bms_warnings(packs, self._events),
            *balance_warnings(self.summary["closure"], self.summary["integrator"]),
        ]
        return list(dict.fromkeys([*happened, *before]))

    @property
    def pack_samples(self) -> PackSamples:
        """What :attr:`packs` has, as plain arrays of time by pack: quicker where many runs are looked at."""
        times, states, packs, _, shown = self._samples
        shown = shown if shown.shape[1] else None
        return PackSamples(times, states[:, 0], packs[0], packs[1], states[:, 1], states[:, 4] - KELVIN, shown)

    @property
    def port_samples(self) -> PortSamples:
        """What :attr:`ports` has, as plain arrays of time by port."""
        times, _, _, ports, _ = self._samples
        return PortSamples(times, ports[0], ports[1])

    @property
    def branch_extremes(self) -> tuple[np.ndarray, np.ndarray]:
        """Of every conductor of the graph, devices among them, largest current [A] and energy lost [J], as plain arrays (b,)."""
        return self._branch_peak_a, self._branch_j

    @cached_property
    def branch_samples(self) -> np.ndarray:
        """What :attr:`branch_current_a` has, as a plain array of time by conductor [A]."""
        return self._trace.branch_currents()

    @property
    def event_rows(self) -> list[EventRow]:
        """What :attr:`events` has, as :class:`~simbank.simulation.event_codes.EventRow` objects."""
        return self._events

    @cached_property
    def packs(self) -> pd.DataFrame:
        """DataFrame with index ``time_s`` and columns (quantity, pack); ``result.packs["soc"]`` is a table of time by pack.

        Quantities: ``soc``, ``current_a`` (positive: discharge), ``terminal_v``, ``hysteresis``, ``temperature_c``; where packs have
        displays also ``displayed_soc``, not a number for a pack without one.
        """
        quantities = {key: values for key, values in self.pack_samples._asdict().items() if values is not None}
        times = quantities.pop("time_s")
        return _frame(times, [pack.name for pack in self._bank.packs], quantities, "pack")

    @cached_property
    def ports(self) -> pd.DataFrame:
        """DataFrame with index ``time_s`` and columns (quantity, port): ``current_a``, ``voltage_v``, ``power_w``."""
        times, current_a, voltage_v = self.port_samples
        quantities = {"current_a": current_a, "voltage_v": voltage_v, "power_w": current_a * voltage_v}
        return _frame(times, self._port_names, quantities, "port")

    @cached_property
    def branches(self) -> pd.DataFrame:
        """DataFrame with one row per conductor: where it runs, gauge, length, resistance, peak current, peak drop, energy lost."""
        return _branch_frame(self._bank, self._branch_peak_a, self._branch_j)

    @cached_property
    def events(self) -> pd.DataFrame:
        """DataFrame with ``time_s``, ``where``, ``what``, ``because`` and ``code``, in order of time.

        The codes are those of :class:`~simbank.simulation.event_codes.Event`.
        """
        import pandas as pd

        return pd.DataFrame([row.record for row in self._events], columns=EVENTS.names)

    @cached_property
    def made_by(self) -> dict[str, Any]:
        """What made it: versions, scenario and hashes of its contents and of the files it read, settings, time."""
        return provenance.made_by(
            self.scenario, "simbank.simulate", integrator=self.summary["integrator"]["name"],
            tolerance=self.summary["integrator"]["tolerance"], method=self._method,
        )  # fmt: skip

    @cached_property
    def branch_current_a(self) -> pd.DataFrame:
        """Current of every conductor over time [A], positive from its ``from`` to its ``to``."""
        import pandas as pd

        return pd.DataFrame(self._trace.branch_currents(), index=self.packs.index, columns=self.branches.index)

    @property
    def spread_points(self) -> pd.Series:
        """Largest minus smallest state of charge over time [points]."""
        soc = self.packs["soc"]
        return (soc.max(axis=1) - soc.min(axis=1)) * 100.0

    @property
    def take_off(self) -> str:
        """The port from which near and far are counted: the one that moved the most energy, of equal ones the first."""
        ports = self.summary["ports"]
        return max(ports, key=lambda port: port["energy_out_wh"] + port["energy_in_wh"])["name"]

    def wiring_ohm(self, port: str | None = None) -> pd.Series:
        """Resistance of the wiring from a port to each pack and back [ohm], packs from near to far.

        Links, leads, bars, joints and devices of both polarities count, all of them closed; packs count as open. Packs at equal
        distance stay in their order, as all do under opposite corners, where every pack is equally far.

        Parameters
        ----------
        port : str, optional
            By default :attr:`take_off`.

        Raises
        ------
        InputError
            If there is no such port.
        """
        import pandas as pd

        ohm, order = self._near_to_far(port)
        names = [pack.name for pack in self._bank.packs]
        return pd.Series(ohm[order], index=pd.Index([names[k] for k in order], name="pack"), name="wiring_ohm")

    def _near_to_far(self, port):
        """Resistance of the wiring from a port to each pack and back [ohm], and the places of the packs from near to far."""
        port = port or self.take_off
        if port not in self._port_names:
            raise InputError(f"no such port; {nearest(port, self._port_names)}", key="port", value=port)
        graph = self._bank.graph
        ohm = Network(graph, np.zeros(len(graph.packs))).loop_ohm(list(graph.ports).index(port))
        return ohm, near_to_far(ohm)

    @property
    def bank_soc(self) -> pd.Series:
        """Charge left in the bank over its capacity, over time."""
        import pandas as pd

        return pd.Series(self._bank_soc(), index=self.packs.index)

    def _bank_soc(self):
        capacity = np.array([pack.capacity_ah for pack in self._bank.packs])
        return self.pack_samples.soc @ capacity / capacity.sum()

    @property
    def rest_periods_s(self) -> list[tuple[float, float]]:
        """Beginning and end [s] of each rest of the bank of an hour or more (:mod:`simbank.simulation.rest`)."""
        times = self.pack_samples.time_s
        return [(float(times[a]), float(times[b])) for a, b in rests(times, self._bank_soc())]

    def soc_at_rest(self, port: str | None = None) -> pd.DataFrame:
        """State of charge of each pack, near to far, at the instants that tell how the bank shares.

        These are the last sample before each charge begins, the end of each rest of an hour or more that no charge follows at once,
        and the end of the run (:func:`~simbank.simulation.rest.rest_instants` says what counts as charge and as rest). Before a
        charge that follows a discharge at once the bank is not at rest.

        Parameters
        ----------
        port : str, optional
            From which near and far are counted; by default :attr:`take_off`.

        Returns
        -------
        DataFrame
            One row an instant, index ``time_s`` [s] and ``instant`` (in words); one column a pack, in the order of
            :meth:`wiring_ohm`. ``attrs["note"]`` says so where samples are further apart than a quarter of an hour, so that an
            instant may lie that much before what it is named after, and is empty otherwise.
        """
        rest = self.at_rest(port)
        frame = _at_rest_frame(rest, rest.soc)
        frame.attrs["note"] = rest.note
        return frame

    def at_rest(self, port: str | None = None) -> AtRest:
        """What :meth:`soc_at_rest` and :meth:`displayed_at_rest` have, as plain arrays."""
        samples = self.pack_samples
        found = rest_instants(samples.time_s, self._bank_soc())
        at, words = [k for k, _ in found], [word for _, word in found]
        if found and not self.complete:
            words[-1] = words[-1].replace("end of run", "where the run stopped")
        _, order = self._near_to_far(port)
        widest, note = float(np.diff(samples.time_s).max()) if len(samples.time_s) > 1 else 0.0, ""
        if widest > COARSE_S:
            note = (
                f"samples are up to {widest / 60.0:.0f} min apart: each instant may lie that much before what it is named after"
            )
        shown = samples.displayed_soc
        return AtRest(
            samples.time_s[at], words, [self._bank.packs[k].name for k in order], samples.soc[at][:, order],
            None if shown is None else shown[at][:, order], note,
        )  # fmt: skip

    @property
    def has_displays(self) -> bool:
        """Whether any pack has a display."""
        return self.pack_samples.displayed_soc is not None

    def displayed_at_rest(self, port: str | None = None) -> pd.DataFrame:
        """What each pack's display shows, near to far, at the instants of :meth:`soc_at_rest`, and in its shape.

        Raises
        ------
        InputError
            If no pack has a display.
        """
        if not self.has_displays:
            raise InputError("no pack has a display", key="display")
        rest = self.at_rest(port)
        return _at_rest_frame(rest, rest.displayed_soc)

    @property
    def displays_apart(self) -> DisplaysApart | None:
        """Which displays disagree most at the end, and what hysteresis can hold apart there; None with fewer than two displays."""
        if not self.has_displays or not len(self.pack_samples.time_s):
            return None
        return displays_apart(self.scenario.bank.packs, self.packs["displayed_soc"].iloc[-1], self.packs["soc"].iloc[-1])

    def tidy(self, which: str = "packs") -> pd.DataFrame:
        """``packs``, ``ports`` or ``soc_at_rest`` with one row per time and name, for files and other tools."""
        if which == "soc_at_rest":
            return self._tidy_soc_at_rest()
        frame = getattr(self, which)
        return frame.stack(level=1, future_stack=True).reset_index()

    def _tidy_soc_at_rest(self):
        ohm = self.wiring_ohm()
        rows = self.soc_at_rest().stack(future_stack=True).rename("soc").reset_index()
        position = {name: k + 1 for k, name in enumerate(ohm.index)}
        rows = rows.assign(position=rows["pack"].map(position), wiring_ohm=rows["pack"].map(ohm))
        if not self.has_displays:
            return rows[SOC_AT_REST.names]
        rows = rows.assign(displayed_soc=self.displayed_at_rest().stack(future_stack=True).to_numpy())
        return rows[[*SOC_AT_REST.names, DISPLAYED.name]]

    @property
    def title(self) -> str:
        """Name of the scenario."""
        return self.summary["scenario"]

    @property
    def summary(self) -> dict[str, Any]:
        """The figures of the run as plain data: what ``simbank run --json`` prints."""
        return self._summary

    @property
    def table(self) -> pd.DataFrame:
        """Packs over time, one row per time and pack."""
        return self.tidy("packs")

    def write(self, folder: str | Path, *, figures: bool = False) -> Path:
        """Write everything into ``folder``: tidy tables as Parquet and CSV, summary and scenario as JSON.

        Each file is written aside and then put in place of the old one, so that what is there is always whole. What made them
        stands in each Parquet file and in ``summary.json``, and for all of them in ``made_by.json``.

        Parameters
        ----------
        folder : path-like
            Made if it is not there.
        figures : bool
            Whether to write the figures too, as PNG.

        Returns
        -------
        pathlib.Path
            The folder.
        """
        folder = Path(folder)
        folder.mkdir(parents=True, exist_ok=True)
        self.write_tables(folder)
        for picture in self.pictures() if figures else []:
            provenance.write_figure(folder / picture.file, picture.figure, self.made_by, picture.title)
        return folder

    def write_tables(self, folder: Path) -> None:
        """Write tables and summary into a folder that is there."""
        tables = {
            "packs": self.tidy("packs"),
            "ports": self.tidy("ports"),
            "branches": self.branches.reset_index(),
            "events": self.events,
            "soc_at_rest": self.tidy("soc_at_rest"),
        }
        for name, table in tables.items():
            for ending in ("parquet", "csv"):
                provenance.write_table(folder / f"{name}.{ending}", table, self.made_by)
        record = (
            self.summary
            | {
                "complete": self.complete,
            }
            | self._scenario_record()
        )
        provenance.write_json(folder / "summary.json", record, self.made_by)

    def _scenario_record(self):
        """The scenario as plain data, from which it can be built again."""
        return {
            "scenario_file": getattr(self.scenario, "source", None),
            "scenario_data": provenance.described(getattr(self.scenario, "data", None)),
        }

    def plot(self) -> Figure:
        """State of charge of each pack over time."""
        return self.plot_soc()

    def pictures(self) -> list[Picture]:
        """State of charge over time and at rest, share, spread, current and throughput; of a single pack those that it can have."""
        drawn = [("soc", self.plot_soc(), "State of charge of each pack over time.")]
        if len(self._bank.packs) > 1 and len(self.packs):
            drawn += [
                (
                    "soc_at_rest",
                    self.plot_soc_at_rest(),
                    "State of charge of each pack at rest, near to far: a line for each instant.",
                ),
                ("share", self.plot_share(), "Share of the current over share of the capacity, near to far; 1 is in proportion."),
            ]
        drawn += [
            ("spread", self.plot_spread(), "Spread: largest minus smallest state of charge."),
            (
                "current",
                self.plot_current(),
                "Current of each pack to one scale; positive is discharge. Below, what flows at rest.",
            ),
            ("throughput", self.plot_throughput(), "Charge through each pack against its capacity."),
        ]
        titles = {"soc_at_rest": "state of charge at rest"}
        return [
            Picture(f"{name}.png", figure, f"{self.title}: {titles.get(name, name)}", caption) for name, figure, caption in drawn
        ]

    def section(self) -> Study:
        """Sharing over time as a section of a report; a report of the whole run is ``write_report(scenario, path, result=...)``."""
        return replace(super().section(), title=f"Sharing over time: {self.title}", table=None)

    def _plot(self, name, **options):
        from simbank.plotting import plots

        return getattr(plots, name)(self, **options)

    def plot_soc_at_rest(self) -> Figure:
        """State of charge of each pack at rest, near to far, a line for each instant of :meth:`soc_at_rest`."""
        from simbank.plotting.position_plots import plot_soc_at_rest

        return plot_soc_at_rest(self)

    def plot_share(self) -> Figure:
        """Share ratio of each pack on discharge and on charge, near to far."""
        from simbank.plotting.position_plots import plot_share

        return plot_share(self)

    def plot_soc(self, **options: Any) -> Figure:
        """State of charge of each pack over time; returns the matplotlib figure."""
        return self._plot("plot_soc", **options)

    def plot_spread(self, **options: Any) -> Figure:
        """Spread of state of charge over time."""
        return self._plot("plot_spread", **options)

    def plot_current(self, **options: Any) -> Figure:
        """Current of each pack over time against its proportional share."""
        return self._plot("plot_current", **options)

    def plot_throughput(self, **options: Any) -> Figure:
        """Throughput of each pack as bars against its capacity."""
        return self._plot("plot_throughput", **options)


def _frame(times, names, quantities, level):
    import pandas as pd

    index = pd.Index(times, name="time_s")
    columns = pd.MultiIndex.from_product([quantities, names], names=["quantity", level])
    return pd.DataFrame(np.hstack(list(quantities.values())), index=index, columns=columns)


def _at_rest_frame(rest, shares):
    """Shares of 1 of every pack at the instants of ``rest``, as a DataFrame."""
    import pandas as pd

    index = pd.MultiIndex.from_arrays([rest.time_s, rest.words], names=["time_s", "instant"])
    return pd.DataFrame(shares, index=index, columns=pd.Index(rest.packs, name="pack"))


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
    return pd.DataFrame(rows, columns=BRANCHES.names).set_index("branch") if rows else pd.DataFrame()

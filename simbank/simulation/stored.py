"""A run read back from the folder that :meth:`simbank.Result.write` made."""

from __future__ import annotations

import json
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from simbank.errors import InputError
from simbank.network import Network
from simbank.provenance import content_hash
from simbank.scenario import Scenario, from_dict
from simbank.simulation.result import PackSamples, PortSamples, Result
from simbank.simulation.summary import WH
from simbank.warning import from_records

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["StoredResult", "read_run"]

ADDED = ("complete", "scenario_file", "scenario_data", "made_by")  # keys of the file that are none of the summary


class StoredResult(Result):
    """A :class:`Result` whose tables come from files; equal to the one that was written, to the last digit.

    The scenario is built again from what the file says of it when it is first
    asked for, as the drawing and the order near to far do.
    """

    def __init__(self, folder: Path):
        self._folder = folder
        record = _summary(folder)
        try:
            self._file = {key: record.pop(key) for key in ADDED}
            self._summary, self.complete = record, self._file["complete"]
            self.warnings = from_records(record["warnings"])
            self._port_names = [port["name"] for port in record["ports"]]
            self.made_by = dict(self._file["made_by"])
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise InputError(
                f"not a summary of this version of simbank: it lacks {error}", file=folder / "summary.json"
            ) from None

    def _table(self, name):
        import pandas as pd

        path = self._folder / f"{name}.parquet"
        try:
            frame = pd.read_parquet(path)
        except FileNotFoundError:
            raise InputError("no such file", file=path) from None
        except (OSError, ValueError) as error:
            raise InputError(f"not a Parquet table: {(str(error).splitlines() or [''])[0]}", file=path) from None
        frame.attrs = {}
        return frame

    def _by_time(self, name, level):
        """A tidy table as one of time by (quantity, name)."""
        import pandas as pd

        tidy = self._table(name)
        names = list(dict.fromkeys(tidy[level]))
        quantities = [column for column in tidy if column not in ("time_s", level)]
        columns = pd.MultiIndex.from_product([quantities, names], names=["quantity", level])
        shape = (-1, len(names))
        values = {q: tidy[q].to_numpy().reshape(shape) for q in quantities}
        frame = pd.DataFrame({(q, n): values[q][:, k] for q in quantities for k, n in enumerate(names)}, columns=columns)
        frame.index = pd.Index(tidy["time_s"].to_numpy()[:: len(names)], name="time_s")
        return frame

    @cached_property
    def packs(self) -> pd.DataFrame:
        return self._by_time("packs", "pack")

    @cached_property
    def ports(self) -> pd.DataFrame:
        return self._by_time("ports", "port")

    @cached_property
    def branches(self) -> pd.DataFrame:
        frame = self._table("branches")
        return frame.set_index("branch") if "branch" in frame else frame.drop(columns="index", errors="ignore")

    @cached_property
    def events(self) -> pd.DataFrame:
        return self._table("events")

    @cached_property
    def pack_samples(self) -> PackSamples:
        """What :attr:`packs` has, as plain arrays."""
        frame = self.packs
        shown = frame["displayed_soc"].to_numpy() if "displayed_soc" in frame else None
        values = (frame[name].to_numpy() for name in PackSamples._fields[1:-1])
        return PackSamples(frame.index.to_numpy(), *values, shown)

    @cached_property
    def port_samples(self) -> PortSamples:
        """What :attr:`ports` has, as plain arrays."""
        frame = self.ports
        return PortSamples(frame.index.to_numpy(), frame["current_a"].to_numpy(), frame["voltage_v"].to_numpy())

    @cached_property
    def branch_extremes(self) -> tuple[np.ndarray, np.ndarray]:
        """Of every conductor largest current [A] and energy lost [J], as plain arrays."""
        frame = self.branches
        if not len(frame):
            return np.empty(0), np.empty(0)
        return frame["current_peak_a"].to_numpy(), frame["loss_wh"].to_numpy() / WH

    @property
    def branch_samples(self) -> np.ndarray:
        """What :attr:`branch_current_a` has, as a plain array."""
        return self.branch_current_a.to_numpy()

    @cached_property
    def branch_current_a(self) -> pd.DataFrame:
        """Current of every conductor over time [A], positive from its ``from`` to its ``to``.

        It is not in the files: of a run in which no device opened or closed it follows from the currents of packs and ports, which
        are; of another this is an InputError.
        """
        import pandas as pd

        bank = self._bank
        if bank.switching or self.events["where"].isin([device.name for device in bank.devices]).any():
            raise InputError(
                "currents of conductors over time are not written, and a device opened or closed; simulate the scenario again",
                file=self._folder,
            )
        flows = Network(bank.graph, np.ones(len(bank.packs))).reduce().flows
        currents = np.hstack([self.packs["current_a"].to_numpy(), self.ports["current_a"].to_numpy()]) @ flows.T
        return pd.DataFrame(currents, index=self.packs.index, columns=self.branches.index)

    @cached_property
    def scenario(self) -> Scenario:
        """The scenario, built again; an InputError if it cannot be, or a file that it read has changed since."""
        data = self._file["scenario_data"]
        if data is None or (self.made_by.get("scenario_sha256") != content_hash(data)):
            raise InputError("the run was made of objects that no file holds", file=self._folder / "summary.json")
        scenario = from_dict(data, source=self._file["scenario_file"])
        now, then = scenario.files, self.made_by.get("files_read", {})
        changed = [told["file"] for key, told in now.items() if told != then.get(key)]
        before = self.made_by.get("own_layouts_sha256", {})
        changed += [f"layout {name}" for name, told in scenario.own_layouts.items() if told != before.get(name)]
        if changed:
            raise InputError(f"changed since the run was made: {', '.join(changed)}", file=self._folder / "summary.json")
        return scenario

    def _scenario_record(self):
        return {key: self._file[key] for key in ("scenario_file", "scenario_data")}

    @property
    def _bank(self):
        return self.scenario.bank


def _summary(folder: Path) -> dict[str, Any]:
    path = folder / "summary.json"
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise InputError("no such file; give a folder that a run was written into", file=path) from None
    except (OSError, ValueError) as error:
        raise InputError(f"cannot be read: {error}", file=path) from None
    if not isinstance(record, dict):
        raise InputError("not a summary of a run: it holds no table of keys", file=path)
    return record


def read_run(folder: str | Path) -> StoredResult:
    """The run that was written into a folder.

    Parameters
    ----------
    folder : path-like
        As :meth:`simbank.Result.write`, or ``simbank run --out``, left it.

    Raises
    ------
    InputError
        If no run is there, or it is of another version of simbank.
    """
    return StoredResult(Path(folder))

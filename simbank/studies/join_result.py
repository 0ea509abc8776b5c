"""What the study of an addition found: tables, words, plain data, files and pictures."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import pandas as pd

from simbank import provenance
from simbank.caution import BEFORE_WORK, WORK_CAUTION
from simbank.columns import Table
from simbank.results import Picture, Shown, Study, StudyResult
from simbank.results import records as plain_records
from simbank.scenario import Scenario
from simbank.scenario.addition import Addition, Place
from simbank.simulation import Result
from simbank.studies.join_words import NOT_COMPUTED, join_tables, join_words
from simbank.studies.joining import Moment, Window
from simbank.studies.protection import Protection
from simbank.studies.protection.checks import FAIL, NOT_CHECKABLE, PASS
from simbank.warning import BankWarning, as_records, listed

__all__ = ["Join"]

TABLES = (
    Table.of(
        "joining.csv", "a pack, at the moment of joining",
        [
            ("pack", "", "name of the pack"),
            ("new", "", "whether it is added"),
            ("soc", "", "state of charge as the files have it"),
            ("open_v", "V", "its voltage at rest"),
            ("bank_v", "V", "what the bank without the new packs holds at its poles"),
            ("before_a", "A", "its current without the new packs, positive out of it"),
            ("current_a", "A", "its current as they are joined, before any relaxation, positive out of it"),
            ("c_rate", "1/h", "that current ÷ its capacity"),
            ("limit_a", "A", "its nearest limit in that direction"),
            ("limit", "", "what limits it"),
            ("over_ratio", "", "current ÷ limit"),
            ("limit_assumed", "", "whether the files leave out what its maker allows out of it or into it, and that is assumed"),
            ("above_limit_s", "s", "how long its current is above the limit, as if nothing opened; infinite: after two days still"),
        ],
    ),
    Table.of(
        "joining_branches.csv", "a device or a conductor of known ampacity, at the moment of joining",
        [
            ("where", "", "device or conductor"),
            ("current_a", "A", "current as the packs are joined"),
            ("limit_a", "A", "rating, or ampacity"),
            ("limit", "", "which, and what it rests on"),
            ("over_ratio", "", "current ÷ limit"),
            ("above_limit_s", "s", "how long the current is above it"),
        ],
    ),
    Table.of(
        "joining_over_time.csv", "an instant after joining, while no port asks for anything",
        [("time_s", "s", "since joining"), ("<pack>", "A", "current of the pack, positive out of it, as if nothing opened")],
    ),
    Table.of(
        "windows.csv", "a limit that no current at joining shall exceed",
        [
            ("rule", "", "of which limit"),
            ("low_v", "V", "lowest voltage at rest of the new packs; empty if none does"),
            ("high_v", "V", "highest voltage at rest of the new packs"),
            ("soc_low", "", "least state of charge that a new pack may then have, after a charge"),
            ("soc_high", "", "greatest state of charge that a new pack may then have, after a discharge"),
            ("best_v", "V", "voltage at which the largest current ÷ its limit is smallest"),
            ("least_share", "", "largest current ÷ its limit there"),
        ],
    ),
    Table.of(
        "positions.csv", "a place for the new packs, brought to the bank's mean state of charge; the first row is the bank as it is",
        [
            ("position", "", "place in the row, from the take-off"),
            ("number", "", "place that the first new pack takes"),
            ("share_ratio_max", "", "largest share ratio of any pack, on discharge and on charge"),
            ("hardest_pack", "", "which pack that is"),
            ("share_ratio_new", "", "largest share ratio of a new pack"),
            ("spread_max_points", "points", "largest spread of state of charge"),
            ("spread_end_points", "points", "spread at the end"),
            ("c_rate_max", "1/h", "largest current of any pack ÷ its capacity"),
            ("first_full_h", "h", "when the first pack is full"),
            ("first_full_pack", "", "which pack that is"),
            ("energy_out_wh", "Wh", "energy out of the ports"),
            ("conductor_loss_wh", "Wh", "energy lost in cables, joints and devices"),
        ],
    ),
    Table.of(
        "sharing.csv", "a pack before and after, at the place taken",
        [
            ("pack", "", "name of the pack"),
            ("new", "", "whether it is added"),
            *(
                (f"{key}_{when}{ending}", unit, f"{what}, {words}")
                for key, ending, unit, what in (
                    ("share_ratio_discharge", "", "", "share ratio on discharge"),
                    ("share_ratio_charge", "", "", "share ratio on charge"),
                    ("c_rate_peak", "", "1/h", "largest current ÷ capacity"),
                    ("first_full", "_h", "h", "when it is first full"),
                    ("soc_min", "", "", "lowest state of charge"),
                    ("soc_max", "", "", "highest state of charge"),
                )
                for when, words in (("before", "without the new packs"), ("after", "with them"))
            ),
        ],
    ),
    Table.of(
        "check_changes.csv", "a check of protection that is worse after, or fails at a place that is new",
        [
            ("rule", "", "which check"),
            ("where", "", "device, conductor, pack or place"),
            ("before", "", "how it was: pass, fail, not checkable, note, or new"),
            ("after", "", "how it is"),
            ("text", "", "the check after, in words"),
            ("source", "", "where its rule is from"),
        ],
    ),
    Table.of(
        "fault_currents.csv", "a place or a device, and the greatest current of a bolted fault before and after",
        [
            ("what", "", "place: current of a fault there; device: the greatest through it"),
            ("where", "", "its name"),
            ("before_a", "A", "without the new packs, at once"),
            ("after_a", "A", "with them"),
            ("breaks_a", "A", "of a device, what it breaks, where that is given"),
        ],
    ),
)  # fmt: skip


@dataclass(eq=False, repr=False)
class Join(StudyResult):
    """What :func:`join` found.

    Attributes
    ----------
    scenario, after : Scenario
        The bank as it is, and with the new packs at the place taken, as the files have them.
    addition : Addition
    place, best : Place
        Where the new packs are, and of all places tried that which does least harm.
    places_alike : bool
        Whether other places are as good, by what can be measured; ``best`` is then the end of the row if that is among them.
    c_rate : float
        That no pack should exceed at the moment of joining [1/h].
    moment : Moment
        What flows then.
    current_a : DataFrame or None
        Time [s] × pack, the currents after joining as if nothing opened.
    windows : list of Window
        Voltages at rest to which the new packs are brought first; none of packs that never belong together.
    positions, sharing : DataFrame
        Figures of the duty by place; each pack before and after.
    runs : list of (Place or None, Result)
        The runs that they are from; the first is without the new packs.
    protection : (Protection, Protection) or None
        Before and after.
    """

    CAUTION: ClassVar = WORK_CAUTION
    TABLES: ClassVar = TABLES

    scenario: Scenario
    addition: Addition
    after: Scenario
    place: Place
    c_rate: float
    warnings: list[BankWarning] = field(default_factory=list)
    moment: Moment | None = None
    current_a: pd.DataFrame | None = None
    pack_s: pd.Series | None = None
    branch_s: pd.Series | None = None
    windows: list[Window] = field(default_factory=list)
    positions: pd.DataFrame | None = None
    sharing: pd.DataFrame | None = None
    best: Place | None = None
    places_alike: bool = False
    runs: list[tuple[Place | None, Result]] = field(default_factory=list)
    protection: tuple[Protection, Protection] | None = None
    made_by: dict[str, Any] = field(default_factory=dict)

    @property
    def title(self) -> str:
        return f"{self.scenario.name}: joining {listed(self.addition.names)}"

    @property
    def table(self) -> pd.DataFrame:
        """What flows at the moment of joining, a row a pack."""
        return self.moment.packs.assign(above_limit_s=np.nan if self.pack_s is None else self.pack_s)

    @property
    def branches(self) -> pd.DataFrame:
        """Likewise a row a device or conductor."""
        return self.moment.branches.assign(above_limit_s=np.nan if self.branch_s is None else self.branch_s)

    @property
    def over(self) -> pd.DataFrame:
        """Packs, devices and conductors whose current at joining is over a limit, worst first: index their names, as :attr:`branches`."""
        columns = ["current_a", "limit_a", "limit", "over_ratio", "above_limit_s"]
        both = pd.concat([self.table[columns], self.branches[columns].astype(self.table[columns].dtypes)])
        return both[both["over_ratio"] > 1.0].sort_values("over_ratio", ascending=False)

    @property
    def hidden(self) -> tuple[float, float, float] | None:
        """Of the window of the C-rate: mean state of charge of the bank, and the least and greatest that a new pack may have; None without."""
        if not self.windows or np.isnan(self.windows[0].low_v):
            return None
        old = self.moment.packs[~self.moment.packs["new"]]
        capacity = [pack.capacity_ah for pack in self.after.bank.packs if pack.name in old.index]
        return float(np.average(old["soc"], weights=capacity)), self.windows[0].soc_low, self.windows[0].soc_high

    @property
    def changes(self) -> pd.DataFrame:
        """Checks of protection that are worse with the new packs, or fail at a place that only they bring."""
        columns = TABLES[6].names
        if self.protection is None:
            return pd.DataFrame(columns=columns)
        before, after = (found.checks for found in self.protection)
        was = {(row["rule"], row["where"]): row["status"] for _, row in before.iterrows()}
        rank = {PASS: 0, NOT_CHECKABLE: 1, FAIL: 2}
        rows = []
        for _, row in after.iterrows():
            status = was.get((row["rule"], row["where"]))
            worse = row["status"] == FAIL if status is None else rank.get(row["status"], 0) > rank.get(status, 0)
            if worse:
                rows.append((row["rule"], row["where"], status or "new", row["status"], row["text"], row["source"]))
        return pd.DataFrame(rows, columns=columns)

    @property
    def fault_currents(self) -> pd.DataFrame:
        """Greatest current of a bolted fault at each place and through each device, before and after."""
        columns = TABLES[7].names
        if self.protection is None:
            return pd.DataFrame(columns=columns)
        rows, maps = [], []
        for found in self.protection:
            at_once = found.faults["initial_a"]
            maps.append({place.name: float(at_once[whole.name]) for place, whole in found.greatest.named.items()})
        rows += [("place", name, maps[0].get(name, np.nan), amperes, np.nan) for name, amperes in maps[1].items()]
        through = []
        for found in self.protection:
            checks = found.checks[found.checks["rule"] == "interrupting rating"]
            through.append({row["where"]: _greatest(row) for _, row in checks.iterrows()})
        breaks = {device.name: device.interrupting_a for device in self.after.bank.devices}
        rows += [("device", name, through[0].get(name, np.nan), a, breaks.get(name) or np.nan) for name, a in through[1].items()]
        return pd.DataFrame(rows, columns=columns)

    @property
    def words(self) -> list[str]:
        """What it comes to, in sentences."""
        return join_words(self)

    @property
    def answer(self) -> list[str]:
        """Of :attr:`words` those that stand before the tables: all but the last two."""
        return self.words[:-2]

    @property
    def notes(self) -> list[str]:
        """Of :attr:`words` those below the tables: what was looked at, and what was not computed."""
        return self.words[-2:]

    @property
    def shown(self) -> list[Shown]:
        """Its tables as people read them."""
        return join_tables(self)

    @property
    def summary(self) -> dict[str, Any]:
        """Everything as plain data."""
        told = {
            "scenario": self.scenario.name, "new_packs": list(self.addition.names), "warnings": as_records(self.warnings),
            "at": self.place.words, "best": None if self.best is None else self.best.words, "c_rate": self.c_rate,
            "joining": plain_records(_without_inf(self.table).reset_index()),
            "joining_branches": plain_records(_without_inf(self.branches).reset_index()),
            "ampacity_unknown": list(self.moment.unknown),
            "windows": plain_records(self.windows_table),
        }  # fmt: skip
        for name, frame in (("positions", self.positions), ("sharing", self.sharing)):
            told[name] = [] if frame is None else plain_records(frame.reset_index())
        told["check_changes"] = plain_records(self.changes)
        told["fault_currents"] = plain_records(self.fault_currents)
        return told | {"words": self.words, "not_computed": list(NOT_COMPUTED)}

    @property
    def windows_table(self) -> pd.DataFrame:
        """The windows as a table."""
        return pd.DataFrame([vars(window) for window in self.windows], columns=TABLES[3].names)

    def plot(self):
        """Currents over the first minutes after joining, and spread and largest share by place."""
        from simbank.plotting import join_plots

        return join_plots.plot_join(self)

    def pictures(self) -> list[Picture]:
        caption = "Currents of the packs after joining as they stand, as if nothing opened"
        caption += "; largest spread and share ratio over the duty by place." if self.positions is not None else "."
        return [Picture("joining.png", self.plot(), self.title, caption)] if self.current_a is not None else []

    def section(self) -> Study:
        words = self.words
        text = (*words, BEFORE_WORK)
        return replace(
            super().section(), title="Joining packs", text=text, table=None, tables=self.shown, answer=tuple(words[:1])
        )

    def write_tables(self, folder: Path) -> None:
        """Every table of :data:`TABLES` into a folder."""
        super().write_tables(folder)
        empty = [pd.DataFrame(columns=table.names) for table in TABLES]
        over_time = empty[2] if self.current_a is None else self.current_a.rename_axis("time_s").reset_index()
        frames = (
            self.branches.reset_index(), over_time, self.windows_table,
            empty[4] if self.positions is None else self.positions.reset_index(),
            empty[5] if self.sharing is None else self.sharing.reset_index(), self.changes, self.fault_currents,
        )  # fmt: skip
        for table, frame in zip(TABLES[1:], frames, strict=True):
            provenance.write_table(folder / table.name, frame, self.made_by)


def _greatest(check):
    """Current that a check of the interrupting rating holds against it [A]."""
    value = check["value"]
    return float(check["numbers"].get("current_a", np.nan)) if value is None or pd.isna(value) else float(value)


def _without_inf(frame):
    return frame.replace([np.inf, -np.inf], np.nan)

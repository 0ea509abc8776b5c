"""What explains the bands of a run, and which reading would narrow them most."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from simbank.bank import Bank
from simbank.columns import Table
from simbank.results import records
from simbank.studies.band_figures import BANK_FIGURES, SEEN, WORDS
from simbank.studies.drivers import FEWEST, Drivers, drivers
from simbank.studies.measuring import LEAST_DRAWS, MeasureFirst, measure_first
from simbank.studies.meters import Shown
from simbank.studies.possible_readings import readings_of

__all__ = ["EXPLAINED", "Explained", "explained"]

# Of these figures of a bank what explains them is looked for, and of the first ones what to measure.
EXPLAINED = (
    "spread_max_points", "share_ratio_max", "first_full_h", "first_empty_h", "spread_end_points", "c_rate_max", "first_cutoff_h",
    "unmet_wh", "ac_unmet_wh",
)  # fmt: skip
MEASURED = 4
_UNITS = {name: unit for name, unit, _ in BANK_FIGURES}

DRIVERS = Table.of(
    "drivers.csv", "a figure and an uncertain value",
    [
        ("key", "", "dotted key of the uncertain value"),
        ("figure", "", "name of the figure"),
        ("share", "", "share of the variance of the figure's ranks that it explains"),
        ("low", "", "lower end of the 95 % interval of the share"),
        ("high", "", "its upper end"),
        ("sign", "", "1 where the figure grows with it, -1 where it falls, 0 where neither can be told"),
        ("told", "", "whether it can be told from a value without bearing"),
    ],
)  # fmt: skip
GROUPS = Table.of(
    "drivers_groups.csv", "a figure and a group of uncertain values",
    [
        ("group", "", "name of the group"),
        ("figure", "", "name of the figure"),
        ("share", "", "share of the variance of the figure's ranks that they explain together"),
        ("low", "", "lower end of the 95 % interval of the share"),
        ("high", "", "its upper end"),
        ("told", "", "whether the group can be told from one without bearing"),
    ],
)  # fmt: skip
SHARES = Table.of(
    "drivers_r2.csv", "a figure",
    [
        ("figure", "", "its name"),
        ("r2", "", "share of the variance of its ranks that straight lines in the ranks of all values explain; empty if it never changes"),
        ("r2_adjusted", "", "the same, adjusted for the number of values"),
        ("r2_left_out", "", "the same, each draw predicted from the others"),
        ("happens", "", "share of the draws in which it has a value"),
        ("ranked", "", "whether enough is explained for an order of importance"),
    ],
)  # fmt: skip
_NARROWED = [
    ("to_low", "", "5 % of the draws are below it after a reading that comes out in its middle; empty: never"),
    ("to_high", "", "95 % likewise"),
    ("width_expected", "", "width of the band, mean over what the reading may be; empty where the figure may never happen"),
]
FIRST = Table.of(
    "measure_first.csv", "a figure and a reading, largest gain first",
    [
        ("what", "", "what is read"),
        ("where", "", "of what"),
        ("figure", "", "name of the figure whose band it narrows"),
        ("from_low", "", "5 % of the draws are below it before the reading, in the unit of the figure; empty: never"),
        ("from_high", "", "95 % likewise"),
        *_NARROWED,
        ("gain", "", "part of the width that goes, mean over what the reading may be"),
        ("gain_low", "", "lower end of the 95 % interval of the gain"),
        ("gain_high", "", "its upper end"),
        ("told", "", "whether the gain is more than chance"),
        ("tied", "", "whether the draws cannot tell the reading from the first"),
        ("informs", "", "keys that the reading goes with, closest first, with commas"),
        ("how", "", "what to do"),
        ("accuracy", "", "limits within which meter and method stay"),
        ("source", "", "source of the accuracy"),
        ("words", "", "what it narrows, in words"),
        ("numbers", "", "how many numbers are read"),
        ("lines", "", "how it goes into the scenario file, … for what is read; with semicolons"),
    ],
)  # fmt: skip
SECOND = Table.of(
    "measure_second.csv", "a figure",
    [
        ("figure", "", "its name"),
        ("first_what", "", "what is read first"),
        ("first_where", "", "of what"),
        ("what", "", "the reading that adds most to it"),
        ("where", "", "of what"),
        *_NARROWED,
        ("gain", "", "part of the width that both take away"),
        ("told", "", "whether the second adds more than chance"),
        ("words", "", "what both narrow, in words"),
        ("how", "", "what to do for the second"),
        ("accuracy", "", "limits within which meter and method of the second stay"),
        ("lines", "", "how the second goes into the scenario file, as above"),
    ],
)  # fmt: skip
TABLES = (DRIVERS, GROUPS, SHARES, FIRST, SECOND)


@dataclass(eq=False, repr=False)
class Explained:
    """What explains bands and what to measure, as far as there are draws enough.

    Attributes
    ----------
    drivers : Drivers or None
        For figures of ``EXPLAINED`` that change from draw to draw by more than a table shows.
    measure_first : MeasureFirst or None
        For the first ``MEASURED`` of these.
    """

    drivers: Drivers | None = None
    measure_first: MeasureFirst | None = None
    called: Mapping[str, str] = field(default_factory=dict)  # key → what a person calls it

    @property
    def told(self) -> dict[str, Any]:
        """As plain data: ``drivers`` of values that can be told from nothing, ``measure_first`` of readings that gain more than chance."""
        rows = [] if self.drivers is None else records(self.drivers.table[self.drivers.table["told"]], digits=12)
        shares = {} if self.drivers is None else self.drivers.explained["r2_adjusted"].dropna().to_dict()
        return {
            "drivers": [{key: row[key] for key in ("key", "figure", "share", "low", "high", "sign")} | {"words": self.called.get(row["key"], "")}
                        for row in rows],
            "drivers_r2": {figure: float(share) for figure, share in shares.items()},
            "drivers_ranked": {} if self.drivers is None else {figure: bool(yes) for figure, yes in self.drivers.explained["ranked"].items()},
            "measure_first": [] if self.measure_first is None else self.measure_first.records,
        }  # fmt: skip

    @property
    def frames(self) -> dict[str, pd.DataFrame]:
        """Tables by the names of their files."""
        out = {}
        if self.drivers is not None:
            found = self.drivers
            out |= {
                "drivers.csv": found.table,
                "drivers_groups.csv": found.groups,
                "drivers_r2.csv": found.explained.reset_index(),
            }
        if self.measure_first is not None:
            first = self.measure_first.table
            out |= {
                "measure_first.csv": _in_text(first).assign(informs=[", ".join(keys) for keys in first["informs"]]),
                "measure_second.csv": _in_text(self.measure_first.seconds),
            }
        return out

    @classmethod
    def read(cls, tables: Mapping[str, pd.DataFrame], draws: int, called: Mapping[str, str]) -> Explained:
        """From the tables that were written, by the names of their files without ending."""
        found, first = None, None
        if "drivers" in tables:
            found = Drivers(tables["drivers"], tables["drivers_groups"], tables["drivers_r2"].set_index("figure"), draws)
        if "measure_first" in tables:
            table = tables["measure_first"]
            informs = [tuple(keys.split(", ")) if isinstance(keys, str) and keys else () for keys in table["informs"]]
            first = MeasureFirst(_from_text(table).assign(informs=informs), _from_text(tables["measure_second"]), draws)
        return cls(found, first, called)


def _in_text(table):
    """Lines for the file as one text."""
    return table.assign(lines=["; ".join(lines) for lines in table["lines"]])


def _from_text(table):
    return table.assign(lines=[tuple(text.split("; ")) if isinstance(text, str) and text else () for text in table["lines"]])


def explained(
    values: pd.DataFrame,
    figures: pd.DataFrame,
    shown: Sequence[Shown],
    uncertain: pd.DataFrame,
    seed: int,
    bank: Bank,
    port_a: Mapping[str, float],
    copies: int = 0,
) -> Explained:
    """What explains the bands of a run, and what to measure first.

    Parameters
    ----------
    values : DataFrame, draw × key
        What was drawn.
    figures : DataFrame, draw × figure
        What came out.
    shown : sequence of Shown
        What meters would show of the bank of each draw.
    uncertain : DataFrame
        Index ``key``: ``words`` and ``group`` of what was drawn.
    seed : int
        Of what is resampled.
    bank : Bank
        By the file's own values.
    port_a : mapping of str to float
        Port → current [A] at which packs are read.
    copies : int
        Of this process that may share the work.

    Returns
    -------
    Explained
        Without drivers below 20 draws, without readings below 40.
    """
    called = uncertain["words"].to_dict()
    moving = [name for name in EXPLAINED if name in figures and _moves(figures[name].to_numpy(), SEEN[_UNITS[name]])]
    if len(values) < FEWEST or not moving:
        return Explained(called=called)
    found = drivers(values, figures[moving], uncertain["group"].to_dict(), seed=seed)
    measured = [name for name in EXPLAINED[:MEASURED] if name in moving]
    if len(values) < LEAST_DRAWS or not measured:
        return Explained(found, called=called)
    names = {name: WORDS[name].partition(" [")[0] for name in measured}
    first = measure_first(values, figures[measured], readings_of(bank, shown, port_a), called=names, seed=seed, copies=copies)
    return Explained(found, first, called)


def _moves(values, seen):
    """Whether values differ by more than that, or some happen (are no NaN) and others do not."""
    happens = ~np.isnan(values)
    return bool(happens.any() and (not happens.all() or np.ptp(values) > seen))

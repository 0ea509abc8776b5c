"""What :func:`simbank.fit_log` found, as tables, sentences, plain data, a figure, and a scenario of the fitted values."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
import pandas as pd

from simbank import provenance
from simbank.columns import Table
from simbank.digits import duration
from simbank.results import Picture, StudyResult, records
from simbank.scenario import Scenario
from simbank.scenario.changes import changed
from simbank.scenario.scenario import from_dict
from simbank.studies.logs.drifting import Change, drifting_packs, forecast_days, known_causes
from simbank.studies.logs.fitting import Fit
from simbank.studies.logs.intervals import END
from simbank.studies.logs.log_model import LogModel
from simbank.studies.logs.log_table import LogTable
from simbank.warning import BankWarning, as_records, listed

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["KNOWN", "MATTERS_PERCENT", "FittedLog"]

KNOWN = 0.8  # of the width before: an estimate that the log has not narrowed to this is called unknown; chosen here
SURPRISING = 3.0  # standard deviations from what the file believed, from where on it is told
NOT_NOISE = 2.0  # times the scatter from row to row, from where on residuals are said not to be noise; chosen here
NOT_NOISE_SHARE = 0.02  # of the current, below which they do not matter; chosen here: as a clamp meter is good for
MATTERS_PERCENT = 10.0  # by which a pack's share may be off before it matters; chosen here


class FittedLog(StudyResult):
    """What a log says of a bank.

    Attributes
    ----------
    scenario : Scenario
        As it was given.
    log : LogTable
    model : LogModel
    fit : Fit
    change : Change or None
        The change of one resistance within the log, if there is one.
    shares : DataFrame
        A row for each day and pack.
    """

    INDEXED: ClassVar = False
    TABLES: ClassVar = (
        Table.of(
            "log.csv", "a value that was fitted",
            [
                ("key", "", "dotted key of the file; of joints that the log does not part all of them, with semicolons; of a meter its name"),
                ("words", "", "what it is"), ("unit", "", "unit of its values; empty of a bare number"),
                ("value", "", "most probable value"), ("low", "", "lower end of its 95 % interval"), ("high", "", "upper end of it"),
                ("known", "", "whether the log narrowed it to less than 80 % of its width before, and is explained; if not, all as before"),
                ("before_low", "", "lower end of the 95 % interval before the log"), ("before_high", "", "upper end of that"),
                ("width_ratio", "", "width after the log over that before it; 1 of hysteresis states, and of resistances where one has changed"),
            ],
        ),
        Table.of(
            "log_shares.csv", "a day and a pack",
            [
                ("number", "", "number of the day, from 1"), ("day", "", "its date, or its number"), ("pack", "", "name of the pack"),
                ("share_ratio", "", "its part of the charge moved, over its part of the fitted capacity"),
                ("expected_ratio", "", "what the fitted bank would have shown, before any change"),
                ("off_percent", "%", "the one against the other"), ("deviation_percent", "%", "standard deviation of that by the noise"),
                ("ewma_percent", "%", "exponentially weighted moving average, λ = 0.2"), ("limit_percent", "%", "its control limit, 3 σ, either way"),
                ("outside", "", "whether the average is outside its limit"),
            ],
        ),
        Table.of(
            "log_drifts.csv", "a pack whose share has changed",
            [
                ("pack", "", "name of the pack"), ("since", "", "first day of the change"), ("change_percent", "%", "change of its share"),
                ("explains", "", "what would explain it"), ("matters", "", "when it will matter if it goes on, or that this cannot be said"),
            ],
        ),
        Table.of(
            "log_residuals.csv", "a thing that was measured",
            [
                ("what", "", "current or voltage, and of which pack"), ("unit", "", "unit of the two values"),
                ("noise", "", "standard deviation of measured less fitted"), ("row_to_row", "", "that of its scatter from block to block"),
                ("lasts_s", "s", "for how long it stays what it is"), ("worst_day", "", "day on which it is largest"),
                ("worst", "", "standard deviation on that day"), ("is_noise", "", "whether it looks like noise"),
            ],
        ),
    )  # fmt: skip

    def __init__(
        self, scenario: Scenario, log: LogTable, model: LogModel, fit: Fit, change: Change | None, shares: pd.DataFrame,
        warnings: Sequence[BankWarning], made: dict[str, Any],
    ) -> None:  # fmt: skip
        self.scenario, self.log, self.model, self.fit = scenario, log, model, fit
        self.change, self.shares, self.warnings, self.made_by = change, shares, list(warnings), made

    @property
    def title(self) -> str:
        return f"{self.scenario.name}: what a log of {duration(self.log.duration_s)} says"

    @cached_property
    def table(self) -> pd.DataFrame:
        """A row for every value that was fitted."""
        rows = []
        explained = bool(self.residuals["is_noise"].all())  # of a log that the model does not show nothing is called known
        for unknown, score, ends, width in zip(self.model.unknowns, self.fit.scores, self.fit.ends, self.fit.width, strict=True):
            width = float(width) if self._can_be_known(unknown) else 1.0
            known = explained and width < KNOWN
            before = unknown.number(-END), unknown.number(END)
            value, low, high = (unknown.number(score), *map(unknown.number, ends)) if known else (unknown.number(0.0), *before)
            rows.append((unknown.key, unknown.words, unknown.unit, value, low, high, known, *before, width))
        return pd.DataFrame(rows, columns=self.TABLES[0].names)

    def _can_be_known(self, unknown):
        """Whether it is more than a help: not a hysteresis state at the start, nor a resistance where one has changed within the log."""
        is_ohmic = unknown.group == "joints" or unknown.key.endswith((".resistance_growth", "cell_resistance", "internal_wiring"))
        return not unknown.key.endswith(".hysteresis") and not (is_ohmic and self.change is not None)

    @cached_property
    def drifts(self) -> pd.DataFrame:
        """A row for every pack whose share has changed within the log."""
        rows = []
        if self.change is not None:
            told = known_causes(self.change)
            for pack, percent in drifting_packs(self.shares, self.change):
                rows.append((pack, self.log.day_name(self.change.day), percent, told, self._matters(pack)))
        return pd.DataFrame(rows, columns=self.TABLES[2].names)

    def _matters(self, pack):
        """When a drift will matter, in words."""
        now = self.shares[(self.shares["pack"] == pack) & (self.shares["number"] >= self.change.day)]["off_percent"].abs()
        if len(now) and now.mean() >= MATTERS_PERCENT:
            return f"now: its share is off by more than {MATTERS_PERCENT:g} %"
        found = forecast_days(self.shares, pack, self.change.day, MATTERS_PERCENT)
        if found is None:
            return f"cannot be said when it will be off by {MATTERS_PERCENT:g} %: it does not clearly grow"
        days, low, high = found
        until = "never" if not math.isfinite(high) else f"{high:.0f}"
        return f"off by {MATTERS_PERCENT:g} % in some {days:.0f} days ({low:.0f} to {until}), if it goes on as since the change"

    @cached_property
    def residuals(self) -> pd.DataFrame:
        """A row for everything that was measured: how far it is from the fitted bank, and whether that is noise."""
        fit, rows = self.fit, []
        left = fit.residual if self.change is None else self.change.left
        for k, name in enumerate(fit.observed.names):
            use, values = fit.observed.use[:, k], left[:, k]
            if not use.any():
                continue
            own = values[use]
            steps = float(np.sqrt(np.mean(np.diff(own) ** 2) / 2.0)) if len(own) > 2 else float("nan")
            size = float(np.sqrt(np.mean(own**2)))
            days = {
                day: float(np.sqrt(np.mean(values[use & (self.model.log.day == day)] ** 2)))
                for day in np.unique(self.model.log.day[use])
            }
            worst = max(days, key=lambda day: days[day])
            scale = float(np.sqrt(np.mean(fit.observed.value[use, k] ** 2))) if name.startswith("current") else 52.0 * 0.1
            noise = bool(size < NOT_NOISE * steps or size < NOT_NOISE_SHARE * scale)
            noise = noise and days[worst] < 2.0 * NOT_NOISE * max(
                float(np.median(list(days.values()))), 0.25 * NOT_NOISE_SHARE * scale
            )
            rows.append(
                (name, "A" if name.startswith("current") else "V", size, steps, float(fit.lasts_rows[k]) * self.model.log.step_s,
                 self.log.day_name(worst), days[worst], noise)
            )  # fmt: skip
        return pd.DataFrame(rows, columns=self.TABLES[3].names)

    @property
    def surprises(self) -> pd.DataFrame:
        """Known values that lie far from what the file believed."""
        far = [abs(score) > SURPRISING for score in self.fit.scores]
        return self.table[np.array(far) & self.table["known"].to_numpy()]

    @property
    def answer(self) -> list[str]:
        """What the log says, in sentences: capacities, shares that have changed, what contradicts the file, what it cannot tell."""
        bad = self.residuals[~self.residuals["is_noise"]]
        if len(bad):
            said = [
                f"The {row.what} differs from the fitted bank by more than noise: {row.noise:.2g} {row.unit} on the whole, "
                f"{row.worst:.2g} {row.unit} on {row.worst_day}. The model misses something there, so no value is called known."
                for row in bad.itertuples()
            ]
        else:
            said = [self._capacities()]
        said.append(self._drift_words())
        own = self.table[self.table["key"].str.startswith(("packs.", "wiring."))]
        for row in self.surprises.itertuples():
            if row.key in set(own["key"]):
                said.append(
                    f"Not as the file believed: {row.words} is {_three(row.value)} {row.unit}".rstrip()
                    + f" ({_three(row.low)} to {_three(row.high)}), where {_three(row.before_low)} to {_three(row.before_high)} was believed."
                )  # fmt: skip
        unknown = own[~own["known"] & ~own["key"].str.endswith(".hysteresis")]
        if len(unknown):
            said.append(f"The log cannot tell these, which stay as they were believed: {listed(list(unknown['words']), 6)}.")
        return said

    def _capacities(self):
        """What each pack holds, as far as the log tells."""
        rows, told = self.table.set_index("key"), []
        for pack in self.model.base.bank.packs:
            row = rows.loc[f"packs.{pack.name}.capacity_left"]
            if row["known"]:
                now, low, high = (row[key] * pack.rated_capacity_ah for key in ("value", "low", "high"))
                told.append(f"{pack.name} {now:.0f} Ah ({low:.0f} to {high:.0f})")
        if not told:
            return "The log does not tell what any pack still holds."
        return f"Capacity now, with 95 % intervals: {listed(told, len(told))}."

    def _drift_words(self):
        """Which shares have changed, since when, and why."""
        if not len(self.drifts):
            return "No share has changed within the log beyond what noise and the fitted bank explain."
        first = self.drifts.iloc[0]
        moved = listed([f"{row.pack} {row.change_percent:+.1f} %" for row in self.drifts.itertuples()], 6)
        return (
            f"Shares have changed since {first['since']}: {moved}. It would be explained by {first['explains']}. The share of "
            f"{first['pack']}: {first['matters']}."
        )

    @property
    def words(self) -> list[str]:
        """The answer, how the log was understood, and what was not looked at."""
        return [
            *self.answer,
            *self.log.understood,
            "Not looked at: packs that a BMS or a fuse took off in between, heating, cells within a pack. Intervals hold as far as the model "
            "of the bank does: two relaxation pairs, one-state hysteresis, resistances that stay as they are.",
        ]

    @property
    def summary(self) -> dict[str, Any]:
        """Everything as plain data."""
        return {
            "scenario": self.made_by["scenario"], "warnings": as_records(self.warnings), "estimates": records(self.table),
            "shares": records(self.shares.drop(columns="number")), "drifts": records(self.drifts), "residuals": records(self.residuals),
            "understood": list(self.log.understood), "words": self.words,
        }  # fmt: skip

    @cached_property
    def fitted_scenario(self) -> Scenario:
        """The scenario with the fitted values and how well each is known."""
        return from_dict(self._fitted_data(), None, self.scenario.source, duty=None)

    def _fitted_data(self):
        data = self.model.base.data
        changes: dict[str, Any] = {}
        for unknown, score, ends in zip(self.model.unknowns, self.fit.scores, self.fit.ends, strict=True):
            if unknown.group in ("offset", "gain", "gap"):
                continue
            low, high = map(unknown.number, ends)
            changes |= unknown.given(unknown.number(score), 0.5 * (high - low))
        return changed(data, changes)

    def toml(self, now: dt.datetime | None = None) -> str:
        """The fitted scenario as a file, with a comment at its head from which log and when it is, and what the log left unknown."""
        import tomli_w

        when = (now or dt.datetime.now()).strftime("%Y-%m-%d %H:%M")
        unknown = [
            row.key
            for row in self.table.itertuples()
            if not row.known and row.key.startswith(("packs.", "wiring.", "pack_types."))
        ]
        lines = [
            f"Fitted to a log of {duration(self.log.duration_s)}{f', {self.log.source}' if self.log.source else ''}, on {when}.",
            "Values with ± or within are the most probable ones and their 95 % intervals; soc and hysteresis are those at the start of the log.",
            "Values that hang together (the resistance of a pack and of its joints) are here as if they did not: bands of this file are rather",
            "too wide. The log did not tell these, which are about as believed before:",
            *(f"  {key}" for key in unknown),
        ]
        return "".join(f"# {line}\n" for line in lines) + "\n" + tomli_w.dumps(self._fitted_data())

    def plot(self) -> Figure:
        """Shares day by day with control limits, and what is left between log and fitted bank."""
        from simbank.plotting.log_plots import plot_log

        return plot_log(self.shares, self.title, None if self.change is None else self.change.day)

    def pictures(self) -> list[Picture]:
        if not len(self.shares):
            return []
        caption = (
            "How far each pack's share of a day's charge is from what the fitted bank would show: dots by day, the line their moving average, "
            "shaded its control limits (3 σ); a dashed line where a change was found."
        )
        return [Picture("log.png", self.plot(), self.title, caption)]

    def write_tables(self, folder: Path) -> None:
        frames = (self.table, self.shares, self.drifts, self.residuals)
        for table, frame in zip(self.TABLES, frames, strict=True):
            provenance.write_table(folder / table.files[0], frame, self.made_by)


def _three(value):
    return f"{value:.3g}"

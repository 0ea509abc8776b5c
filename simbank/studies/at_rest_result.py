"""What the question backwards from a picture at rest found: ranges, words, plain data, files and a figure."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, ClassVar

import pandas as pd

from simbank import provenance
from simbank.columns import Table
from simbank.results import Picture, Study, StudyResult
from simbank.results import records as plain_records
from simbank.scenario import Scenario
from simbank.warning import BankWarning, as_records, listed

__all__ = ["AtRest"]

OFF = 2.0  # standard deviations by which a reading stands out. Chosen here: one in twenty does by chance
TOLD_NARROWER = 0.2  # by which a value's range must be narrower to be told of. Chosen here
TABLES = (
    Table.of(
        "picture.csv", "a reading, packs from near to far",
        [
            ("pack", "", "name of the pack"),
            ("place", "", "its place by resistance of the wiring from the first port, 1 the nearest"),
            ("kind", "", "display: state of charge, 0 to 1; voltage: of the pack by itself [V]"),
            ("rested_h", "h", "time since the bank came to rest"),
            ("read", "", "what was read"),
            ("within", "", "how well that is known, at about 95 %"),
            ("low", "", "5 % of what the banks that fit would show"),
            ("mid", "", "50 % of it"),
            ("high", "", "95 % of it"),
            ("best", "", "what the most probable bank would show"),
            ("off_sigma", "", "read less that, in standard deviations of the reading"),
        ],
    ),
    Table.of(
        "joints.csv", "joints of a conductor, or of both sides of a link",
        [
            ("where", "", "link or lead; all: every one alike; all together: their sum"),
            ("side", "", "+ or -, or both together"),
            *((f"{when}{what}_mohm", "mΩ", f"{words} of what its joints add{of}")
              for when, of in (("", ", by the picture"), ("before_", ", before it"))
              for what, words in (("low", "5 %"), ("mid", "50 %"), ("high", "95 %"))),
        ],
    ),
    Table.of(
        "values.csv", "another value that is not known exactly",
        [
            ("key", "", "dotted key of the scenario"),
            ("words", "", "what it is"),
            ("unit", "", "of the six that follow"),
            *((f"{when}{what}", "", f"{words}{of}")
              for when, of in (("", ", by the picture"), ("before_", ", before it"))
              for what, words in (("low", "5 %"), ("mid", "50 %"), ("high", "95 %"))),
            ("narrower", "", "share by which its range is narrower than before"),
        ],
    ),
)  # fmt: skip


@dataclass(eq=False, repr=False)
class AtRest(StudyResult):
    """What :func:`at_rest` found.

    Attributes
    ----------
    scenario : Scenario
    table : DataFrame
        A row a reading, near to far.
    joints, values : DataFrame
        Ranges of what joints add, and of every other value that is not known exactly, before and after the picture.
    probability : float
        Of a picture that fits as badly or worse, if the bank is of this kind.
    misfit : float
        Of the most probable bank: Σ (off_sigma)² and the squares of how far its values lie off, in standard deviations.
    effective : float
        How many equal draws the weighted ones count as.
    runs : int
        How many banks were run.
    alike : bool
        Whether all joints were taken as the same.
    bound_points : float
        Greatest difference of charge that hysteresis can hold at the voltage at which the bank rests [points].
    sound_ohm : float
        What the two joints of a conductor add at most while they pass as sound [ohm].
    probable : float
        Below this :attr:`probability` no bank of this kind leaves the picture.
    """

    INDEXED: ClassVar = False
    TABLES: ClassVar = TABLES

    scenario: Scenario
    table: pd.DataFrame
    joints: pd.DataFrame
    values: pd.DataFrame
    probability: float
    misfit: float
    effective: float
    runs: int
    alike: bool
    told: tuple[str, ...]
    bound_points: float
    sound_ohm: float
    probable: float
    made_by: dict[str, Any] = field(default_factory=dict)
    warnings: list[BankWarning] = field(default_factory=list)

    @property
    def title(self) -> str:
        return f"{self.scenario.name}: which bank would leave this picture at rest"

    @property
    def fits(self) -> bool:
        """Whether a bank of this kind leaves the picture."""
        return self.probability >= self.probable

    @property
    def shown_points(self) -> float:
        """Greatest difference between displays [points]; 0 without displays."""
        shown = self.table.loc[self.table["kind"] == "display", "read"]
        return 100.0 * float(shown.max() - shown.min()) if len(shown) else 0.0

    @property
    def beyond_hysteresis(self) -> bool:
        """Whether displays differ by more than hysteresis can hold, and two displays can err."""
        shown = self.table[self.table["kind"] == "display"]
        return len(shown) > 0 and self.shown_points > self.bound_points + 100.0 * 2.0**0.5 * float(shown["within"].max())

    @property
    def off(self) -> list[str]:
        """Packs whose reading stands out from the most probable bank, worst first."""
        table = self.table.assign(far=self.table["off_sigma"].abs()).sort_values("far", ascending=False)
        return list(dict.fromkeys(table.loc[table["far"] > OFF, "pack"]))

    @property
    def bad(self) -> pd.DataFrame:
        """Conductors, and links with both sides together, whose joints add more than sound ones even at the low end, worst first."""
        limit = 1e3 * self.sound_ohm * (1.0 + (self.joints["side"] == "both"))
        found = self.joints[(self.joints["low_mohm"] > limit) & (self.joints["where"] != "all together")]
        return found.sort_values("low_mohm", ascending=False)

    @property
    def words(self) -> list[str]:
        """What it comes to, in sentences."""
        said = list(self.told)
        if not self.fits:
            said += self._misfit_words()
        else:
            said.append(
                f"Banks of this kind leave this picture: of pictures of such a bank {100 * self.probability:.0f} % fit as badly or worse. The "
                "ranges below say which."
            )
            if self.beyond_hysteresis:
                said.append(
                    f"Displays differ by {self.shown_points:.0f} points, more than the {self.bound_points:.0f} that hysteresis can hold at rest "
                    "at this voltage: that goes on levelling, or the displays err."
                )
            for _, row in self.bad.head(3).iterrows():
                where = "every link" if row["where"] == "all" else row["where"]
                said.append(
                    f"The joints of {where}{', both sides together,' if row['side'] == 'both' else ''} add {row['low_mohm']:.2g} to "
                    f"{row['high_mohm']:.2g} milliohm (5 to 95 %), more than sound ones: measure the drop along "
                    "it, retorque or clean."
                )
            told = self.values[self.values["narrower"] > TOLD_NARROWER]
            said += [
                f"Narrowed by the picture: {row['words']}, {row['low']:.3g} to {row['high']:.3g}{' ' * bool(row['unit'])}{row['unit']} (before "
                f"{row['before_low']:.3g} to {row['before_high']:.3g})."
                for _, row in told.head(3).iterrows()
            ]
        said.append(
            f"{self.runs} banks were run; the weighted draws count as {self.effective:.0f} equal ones"
            + (": too few for the ends of ranges, ask for more draws." if self.effective < 50 else ".")
        )
        return said

    def _misfit_words(self):
        said = [
            f"No bank of this kind leaves this picture: even the most probable fits so badly that it happens once in {_once(self.probability)} "
            f"cases. What stands out most: {listed(self.off[:3]) if self.off else 'no single pack, but values far off their ranges'}."
        ]
        if self.beyond_hysteresis:
            said.append(
                f"Displays differ by {self.shown_points:.0f} points; hysteresis can hold {self.bound_points:.0f} at rest at this voltage. Hold the "
                "displays to be wrong before the bank: charge it to full until each display has been reset, then look again."
            )
        else:
            said.append(
                "Displays count, and err until they are reset at full; or the bank was not charged as the file says, or a pack is not of the "
                "type that it says. Charge to full until each display has been reset, then look again."
            )
        return said

    @property
    def summary(self) -> dict[str, Any]:
        """Everything as plain data."""
        return {
            "scenario": self.scenario.name, "warnings": as_records(self.warnings), "fits": self.fits, "probability": self.probability,
            "misfit": self.misfit, "effective": self.effective, "runs": self.runs, "shown_points": self.shown_points,
            "bound_points": self.bound_points, "stands_out": self.off, "picture": plain_records(self.table),
            "joints": plain_records(self.joints), "values": plain_records(self.values), "words": self.words,
        }  # fmt: skip

    def plot(self):
        """The picture by position, and what the banks that fit would show."""
        from simbank.plotting import rest_plots

        return rest_plots.plot_at_rest(self)

    def pictures(self) -> list[Picture]:
        caption = "What was read at rest, packs from near to far, and what the banks that fit would show (5 to 95 %)."
        return [Picture("at_rest.png", self.plot(), self.title, caption)]

    def section(self) -> Study:
        return replace(super().section(), title="A picture at rest, backwards", table=self.joints, answer=tuple(self.words[1:2]))

    def write_tables(self, folder: Path) -> None:
        """The three tables of :data:`TABLES` into a folder."""
        super().write_tables(folder)
        for table, frame in zip(TABLES[1:], (self.joints, self.values), strict=True):
            provenance.write_table(folder / table.name, frame, self.made_by)


def _once(probability):
    """In how many cases something of a probability happens, in words."""
    return "more than a million" if probability < 1e-6 else f"{1.0 / probability:,.0f}"

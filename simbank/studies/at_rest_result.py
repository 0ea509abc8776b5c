"""What the question backwards from a picture at rest found: ranges, words, plain data, files and a figure."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, ClassVar

import pandas as pd

from simbank import provenance
from simbank.caution import BEFORE_WORK, WORK_CAUTION
from simbank.columns import Table
from simbank.results import Picture, Shown, Study, StudyResult
from simbank.results import records as plain_records
from simbank.scenario import Scenario
from simbank.studies.at_rest_words import answer, at_rest_tables
from simbank.warning import BankWarning, as_records

__all__ = ["AtRest"]

OFF = 2.0  # standard deviations by which a reading stands out. Chosen here: one in twenty does by chance
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
            ("group", "", "hysteresis, relaxation, resistance, capacity, start, ocv, asked (of the duty) or other"),
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
    told : tuple of str
        How the readings were taken, as sentences.
    rule : str
        What the duty asked for before the rest, in words.
    bound_points : float
        Greatest difference of charge that hysteresis can hold at the voltage at which the bank rests [points].
    sound_ohm : float
        What the two joints of a conductor add at most while they pass as sound [ohm].
    probable : float
        Below this :attr:`probability` no bank of this kind leaves the picture.
    strained : tuple of str
        Values of the most probable bank that lie far off the middle of what they may be, farthest first, in words.
    """

    CAUTION: ClassVar = WORK_CAUTION
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
    rule: str
    bound_points: float
    sound_ohm: float
    probable: float
    strained: tuple[str, ...] = ()
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
        """What it comes to, in sentences, the answer first."""
        return answer(self)

    @property
    def shown(self) -> list[Shown]:
        """Its tables as people read them: where no bank fits, the picture only."""
        return at_rest_tables(self)

    @property
    def summary(self) -> dict[str, Any]:
        """Everything as plain data."""
        return {
            "scenario": self.scenario.name, "warnings": as_records(self.warnings), "fits": self.fits, "probability": self.probability,
            "misfit": self.misfit, "effective": self.effective, "runs": self.runs, "shown_points": self.shown_points,
            "bound_points": self.bound_points, "stands_out": self.off, "strained": list(self.strained), "picture": plain_records(self.table),
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
        words = self.words
        text = (*words, BEFORE_WORK)
        return replace(
            super().section(),
            title="A picture at rest, backwards",
            text=text,
            table=None,
            tables=self.shown,
            answer=tuple(words[:2]),
        )

    def write_tables(self, folder: Path) -> None:
        """The three tables of :data:`TABLES` into a folder."""
        super().write_tables(folder)
        for table, frame in zip(TABLES[1:], (self.joints, self.values), strict=True):
            provenance.write_table(folder / table.name, frame, self.made_by)

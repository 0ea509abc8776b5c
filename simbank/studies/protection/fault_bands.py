"""Bands of fault currents over drawn banks, and what checks say then: in how many draws each fails, and which value decides that."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from simbank import provenance
from simbank.errors import InputError
from simbank.studies.band_figures import QUANTILES
from simbank.studies.drivers import FEWEST, drivers
from simbank.studies.protection.checks import FAIL, NOT_CHECKABLE, PASS
from simbank.studies.protection.drawn_faults import FIGURES, DrawnFaults
from simbank.studies.protection.judged_draws import failing_draws

if TYPE_CHECKING:
    from collections.abc import Callable

    from simbank.scenario import Scenario
    from simbank.scenario.uncertain import UncertainValue
    from simbank.studies.protection.assumptions import Assumptions
    from simbank.studies.protection.checks import Check

__all__ = ["BANDS_NOT_COVERED", "FaultBands", "fault_bands"]

BANDS_NOT_COVERED = (
    "what the bands leave out: state of charge and temperature of the packs (each draw has those of the greatest and the least case), the rise of "
    "the current, times of opening and their order (devices act by the early and late lines of their curves, which are no draws), and all "
    "that the other checks rest on (load that lasts, voltage drop, overload, one out, a shorted cell: by the file)"
)


@dataclass(frozen=True, eq=False)
class FaultBands:
    """Fault currents of drawn banks.

    Attributes
    ----------
    table : DataFrame
        Index ``place`` and ``figure`` (the columns of ``Protection.faults`` in A but ``peak_a``): ``low``, ``mid``, ``high`` (5, 50 and
        95 % of the draws) and ``file`` (by the file) [A].
    currents : dict of str to ndarray
        Of each figure, shape (draws, places) [A].
    values : DataFrame, draw × key
        What was drawn, as bare numbers in the unit of the value's distribution.
    uncertain : list of UncertainValue
        The keys in words, with source.
    through : ndarray, shape (draws, devices)
        Greatest current through each device at once [A].
    decides : str
        What a person calls the value that moves the greatest current of all most; empty if none can be told.
    checks : DataFrame
        Index ``rule`` and ``where``: ``fails_in`` (share of the draws), ``decided_by`` (a key, empty if none can be told), and
        ``passes_by_file``: whether it passes by the file's middle values.
    draws, asked, seed : int
        How many draws gave a bank, how many were asked for, and of which seed.
    failures : list of str
        Why the others gave none.
    """

    table: pd.DataFrame
    currents: dict[str, np.ndarray]
    values: pd.DataFrame
    uncertain: list[UncertainValue]
    through: np.ndarray
    decides: str
    checks: pd.DataFrame
    draws: int
    asked: int
    seed: int
    failures: list[str]

    @property
    def records(self) -> dict[str, dict[str, dict[str, float | None]]]:
        """Place → figure → its low, mid and high [A], None where nothing flows."""
        out: dict[str, dict[str, dict[str, float | None]]] = {}
        for (place, figure), row in self.table[list(QUANTILES)].iterrows():
            out.setdefault(place, {})[figure] = {end: None if value != value else float(value) for end, value in row.items()}
        return out

    @property
    def about(self) -> dict[str, Any]:
        """What was drawn, as plain data."""
        return {
            "draws": self.draws, "asked": self.asked, "seed": self.seed, "failures": self.failures,
            "values": [{key: getattr(value, key) for key in ("key", "words", "group", "source")} for value in self.uncertain],
        }  # fmt: skip

    @property
    def words(self) -> list[str]:
        """What the bands are of, and what they are worth, as sentences."""
        if not self.uncertain:
            return ["Nothing in the file is uncertain: every band is the current itself."]
        most = self.table.xs("initial_a", level="figure")["high"].idxmax()
        row = self.table.loc[most, "initial_a"]
        deciding = f" What moves it most: {self.decides}." if self.decides else ""
        lost = f" {len(self.failures)} of {self.asked} draws gave no bank: {self.failures[0]}." if self.failures else ""
        return [
            f"Of {self.draws} draws of the {len(self.uncertain)} values that are not known exactly, seed {self.seed}: between 5 % and 95 % lie "
            f"nine in ten. The greatest, at {most}: {row['low'] / 1e3:.2f} to {row['high'] / 1e3:.2f} kA, {row['file'] / 1e3:.2f} kA by the file "
            f"(its values and, where it says nothing, middle ones; what it leaves out of joints and pack wiring is zero).{deciding}{lost}",
            "Packs stand at the charge and temperature of the two cases in every draw. Checks of interrupting rating, device present, clearing "
            "in time and withstand are judged in the draws too; one that passes by the file and not in every draw is not checkable, "
            "and says in how many it does not pass.",
        ]

    def spans(self) -> pd.DataFrame:
        """A row for each place, each figure from 5 to 95 % as text with its unit in the column's name."""
        from simbank.digits import numbers

        rows = {}
        for figure in FIGURES:
            ends = self.table.xs(figure, level="figure")
            low, high = ([text.strip() for text in numbers(list(ends[end]), "A")] for end in ("low", "high"))
            rows[figure] = [one if one == other else f"{one} to {other}" for one, other in zip(low, high, strict=True)]
        places = self.table.index.get_level_values("place").unique()
        return pd.DataFrame(rows, index=places).reset_index()

    def write_tables(self, folder: Path, made: dict[str, Any]) -> None:
        """Bands and draws as CSV into a folder that is there."""
        provenance.write_table(folder / "fault_bands.csv", self.table.reset_index(), made)
        draws = self.values.rename_axis("draw").reset_index()
        provenance.write_table(folder / "fault_draws.csv", draws, made)


def fault_bands(
    scenario: Scenario,
    assumptions: Assumptions,
    faults: pd.DataFrame,
    checks: list[Check],
    draws: int,
    seed: int = 0,
    tell: Callable[[float], None] = lambda done: None,
) -> tuple[FaultBands, list[Check]]:
    """Bands of the fault currents, and the checks with what the draws say of them.

    Parameters
    ----------
    scenario : Scenario
        The bank.
    assumptions : Assumptions
        What the two cases rest on.
    faults : DataFrame
        As in :class:`~simbank.studies.protection.Protection`, by the file's middle values.
    checks : list of Check
        Likewise.
    draws, seed : int
        How many banks are drawn (20 or more), and of which seed.
    tell : callable
        Called with the fraction done.

    Returns
    -------
    FaultBands
    list of Check
        Those of ``checks`` in their order. One that passes by the middle values and not in every draw is not checkable.

    Raises
    ------
    InputError
        If fewer than 20 draws are asked for, or none gives a bank.
    """
    if isinstance(draws, bool) or not isinstance(draws, int) or draws < FEWEST:
        raise InputError(
            f"must be a whole number, {FEWEST} or more: of fewer, the ends of a band say nothing", key="bands", value=draws
        )
    drawn = DrawnFaults.of(scenario, assumptions, draws, seed, lambda done: tell(0.6 * done))
    failing = failing_draws(checks, scenario.bank, assumptions, drawn, lambda done: tell(0.6 + 0.4 * done))
    some = {key: one for key, one in failing.items() if 0.0 < one.share < 1.0}
    greatest = drawn.currents["initial_a"].max(axis=1)
    deciding = _deciding(drawn.values, {"": greatest} | {"|".join(key): one.current_a for key, one in some.items()})
    words = {value.key: value.words for value in drawn.uncertain}
    status = {(check.rule, check.where): check.status for check in checks}
    table = pd.DataFrame(
        [(*key, one.share, deciding.get("|".join(key), ""), status[key] == PASS) for key, one in failing.items()],
        columns=["rule", "where", "fails_in", "decided_by", "passes_by_file"],
    ).set_index(["rule", "where"])
    bands = FaultBands(
        _quantiles(drawn, faults), drawn.currents, drawn.values, drawn.uncertain, drawn.through,
        words.get(deciding.get("", ""), ""), table, len(drawn), draws, seed, drawn.failures,
    )  # fmt: skip
    return bands, [_told(check, table, words, len(drawn)) for check in checks]


def _quantiles(drawn, faults):
    """The table of :class:`FaultBands`."""
    places = [place.name for place in drawn.greatest[0].places]
    rows = []
    for figure in FIGURES:
        currents = drawn.currents[figure]
        ends = np.quantile(currents, list(QUANTILES.values()), axis=0)  # NaN, where nothing flows, stays NaN
        rows.append(pd.DataFrame(ends.T, columns=list(QUANTILES)).assign(place=places, figure=figure))
    table = pd.concat(rows).set_index(["place", "figure"])
    table["file"] = [float(faults.loc[place, figure]) for place, figure in table.index]
    return table.loc[[(place, figure) for place in places for figure in FIGURES]]


def _deciding(values, currents):
    """Name of a current → the key whose ranks explain most of the current's, where one can be told from nothing."""
    if not values.shape[1]:
        return {}
    table = drivers(values, pd.DataFrame(currents)).table
    first = table[table["told"]].drop_duplicates("figure")
    return dict(zip(first["figure"], first["key"], strict=True))


def _told(check, table, words, draws):
    """A check with its share of draws, and not checkable where it passes in some only."""
    if (check.rule, check.where) not in table.index:
        return check
    share, key = table.loc[(check.rule, check.where), ["fails_in", "decided_by"]]
    check = replace(check, fails_in=float(share), decided_by=key)
    if share == 0.0 or (share == 1.0 and check.status == FAIL):
        return check
    deciding = f"; what decides most: {words[key]}" if key else ""
    if check.status == PASS:
        wants = (words[key],) if key else ()
        text = f"{check.text}. But in {_percent(share)} of {draws} draws of what is not known exactly it does not pass{deciding}"
        return replace(check, status=NOT_CHECKABLE, text=text, wants=wants)
    return replace(
        check, text=f"{check.text}; it fails in {_percent(share)} of {draws} draws of what is not known exactly{deciding}"
    )


def _percent(share):
    return f"{share * 100:.3g} %"

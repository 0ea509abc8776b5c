"""What the study of protection found: its tables, in words for people, as plain data, as files and pictures."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any, ClassVar

import pandas as pd

from simbank import provenance
from simbank.caution import PROTECTION_CAUTION
from simbank.errors import InputError
from simbank.files import file_name
from simbank.notebook import as_html
from simbank.results import Picture, Study, StudyResult
from simbank.results import records as plain_records
from simbank.simulation.run import linear_algebra_threads
from simbank.studies.protection.assumptions import Assumptions
from simbank.studies.protection.breaking import Breaking
from simbank.studies.protection.checks import FAIL, NOT_CHECKABLE, NOTE, PASS, Check
from simbank.studies.protection.clearing import IF_FAILED, end_text
from simbank.studies.protection.fault_bands import BANDS_NOT_COVERED, FaultBands, fault_bands
from simbank.studies.protection.faults import Faults, Sequence
from simbank.studies.protection.shorted_cell import ShortedCell
from simbank.studies.protection.shorted_checks import CAUTION as SHORT_CAUTION
from simbank.studies.protection.shorted_checks import shorted_table, told_together
from simbank.studies.protection.tables import TABLES
from simbank.studies.protection.words import named
from simbank.warning import as_records

__all__ = ["NOT_CHECKED", "Protection", "checks_table"]

NOT_CHECKED = (
    "arc flash and arcing faults (the currents here are of bolted faults), and faults of less current than the least given, by "
    "resistance in the fault",
    "a fault within a conductor near its fed end, which drives more through its first stretch than one at its far end (leads just "
    "behind a device of a port or string are checked)",
    "every combination of packs that may be switched off (see what the least current and withstand count with)",
    "creepage, clearance and insulation of bars and terminals",
    "thermal runaway, gassing and fire of cells",
    "enclosure, ventilation, mechanical forces of short-circuit current",
    "earthing, earth faults and polarity of DC breakers",
    "what inverters and chargers feed into a fault (capacitors, rectifiers)",
    "let-through of current-limiting devices below their curve, and breakers' back-up by fuses",
    "whether a BMS breaks a fault (its switches are taken as stuck on)",
    "ageing, heat and torque of joints and devices beyond what is given",
    "whether terminals stand the temperature at which a conductor carries its ampacity (NFPA 70 110.14(C): often 60 °C up to "
    "100 A, 75 °C above, whatever the insulation)",
    "local code, the pack maker's manual, permits and inspection",
)


def checks_table(checks: list[Check]) -> pd.DataFrame:
    """Checks as a table, a row each."""
    return pd.DataFrame([check.record for check in checks])


@dataclass(eq=False, repr=False)
class Protection(StudyResult):
    """What :func:`protect` found.

    Attributes
    ----------
    faults : DataFrame
        One row per place: ``initial_a`` (no inductance, before relaxation: an upper bound), ``peak_a``, ``after_10ms_a``, ``after_100ms_a``,
        ``after_1s_a``, ``rise_ms`` (to 63 % of the peak), ``least_a`` (least case, initial, every pack
        connected), ``least_one_pack_a`` (the same with one pack alone connected, ``least_one_pack``, that which feeds least; a fault
        inside a pack is fed by that pack as well).
    shares : DataFrame
        Place by pack and branch: current at once in the greatest case [A], signed as everywhere.
    checks : DataFrame
        ``rule``, ``where``, ``status``, ``text``, ``value``, ``limit``, ``unit``, ``source``.
    order : DataFrame
        Place by device: ``soonest_s``, ``middle_s``, ``latest_s`` if no other opened, ``current_a``.
    clearing : DataFrame
        One row per place: the device whose opening alone clears it, whether it is first, order of opening, time to clear;
        ``failed_closed`` names the devices in its way that cannot break what may flow through them and so never open here,
        ``may_fail_closed`` those whose ratings are not given, and the columns with ``_if_failed`` say how it goes if these fail closed.
    overload : DataFrame
        Multiple of full load by device: when it opens [s] if no other does, ``in_turn_s`` when it does after others have opened,
        ``then`` the whole cascade in words.
    outages : DataFrame
        One row per part dropped and pack left: current, C-rate, margin of its device; ``then`` is the cascade.
    shorted : dict of str to ShortedCell
        For every pack the case in which most energy is fed into it.
    short_cases : dict of str to list of ShortedCell
        For every pack all of its cases; ``short_note`` says what charges in them and how many were run.
    warnings : list of BankWarning
        What must be known of the bank before any of the figures.
    followed : dict of str to Sequence
        By place the greatest fault, followed by the latest of every device's band.
    string_ratings : list of StringRating
        For each string's device the largest standard rating that surely opens before every device behind it.
    bands : FaultBands or None
        Fault currents of drawn banks; ``checks`` then has ``fails_in`` (share of the draws) and ``decided_by`` (the key that decides).
    judged : list of Check
        The checks by the file's middle values, before they were held against draws or against what the file leaves out.
    """

    INDEXED: ClassVar = False
    TABLES: ClassVar = TABLES
    CAUTION: ClassVar = PROTECTION_CAUTION

    scenario: Any
    assumptions: Assumptions
    faults: pd.DataFrame
    shares: pd.DataFrame
    checks: pd.DataFrame
    order: pd.DataFrame
    clearing: pd.DataFrame
    overload: pd.DataFrame
    outages: pd.DataFrame
    shorted: dict[str, ShortedCell]
    greatest: Faults = field(repr=False)
    least: Faults = field(repr=False)
    load_note: str = ""
    warnings: list = field(default_factory=list)
    string_ratings: list = field(default_factory=list)
    breaks: Breaking = field(repr=False, default=None)
    short_cases: dict[str, list[ShortedCell]] = field(default_factory=dict)
    short_note: str = ""
    followed: dict[str, Sequence] = field(default_factory=dict, repr=False)
    bands: FaultBands | None = None
    judged: list[Check] = field(default_factory=list, repr=False)

    def in_draws(self, draws: int, seed: int = 0, progress: Callable[[float], None] | None = None) -> Protection:
        """The same with bands of that many drawn banks; what is found by the file's middle values is not computed again.

        See ``bands``, ``seed`` and ``progress`` of :func:`protect`.
        """
        tell = progress or (lambda done: None)
        with linear_algebra_threads().limit(limits=1):
            bands, told = fault_bands(self.scenario, self.assumptions, self.faults, self.judged, draws, seed, tell)
        return replace(self, checks=checks_table(told), bands=bands)

    @property
    def title(self) -> str:
        return f"{self.scenario.name}: fault currents and protection"

    @property
    def table(self) -> pd.DataFrame:
        """The checks."""
        return self.checks

    @cached_property
    def made_by(self) -> dict[str, Any]:
        """What made it."""
        drawn = {} if self.bands is None else {"bands": self.bands.asked, "seed": self.bands.seed}
        return provenance.made_by(self.scenario, "simbank.protect", assumptions=asdict(self.assumptions), **drawn)

    def _repr_html_(self) -> str:
        """What a notebook shows: how many checks failed, and those that failed or could not be made."""
        bad = self.told(self.checks[self.checks["status"].isin([FAIL, NOT_CHECKABLE])]).set_index("status")
        return as_html(
            self.title, warnings=self.warnings, words=[self.headline], table=bad, picture=self.own_figure(), caution=self.CAUTION
        )

    @property
    def counts(self) -> dict[str, int]:
        """How many checks passed, failed, could not be made, and notes."""
        return {status: int((self.checks["status"] == status).sum()) for status in (PASS, FAIL, NOT_CHECKABLE, NOTE)}

    @property
    def headline(self) -> str:
        """How many checks failed, could not be made and passed."""
        c = self.counts
        checks = "check" if c[FAIL] == 1 else "checks"
        told = f"{c[FAIL]} {checks} failed, {c[NOT_CHECKABLE]} could not be made for want of data, {c[PASS]} passed, {c[NOTE]} notes."
        hanging = len(self.hanging)
        if not hanging:
            return told
        one = "One" if hanging == 1 else hanging
        return (
            f"{told} {one} of those that could not be made {'passes' if hanging == 1 else 'pass'} by the file, not in every draw."
        )

    @property
    def hanging(self) -> pd.DataFrame:
        """Checks that pass by the file's middle values and not in every drawn bank; without bands none."""
        if self.bands is None:
            return self.checks.iloc[:0]
        drawn = self.bands.checks
        keys = drawn.index[drawn["passes_by_file"] & (drawn["fails_in"] > 0)]
        return self.checks[pd.MultiIndex.from_frame(self.checks[["rule", "where"]]).isin(keys)]

    @property
    def not_checked(self) -> tuple[str, ...]:
        """What was not checked; with bands also what they do not cover."""
        return NOT_CHECKED if self.bands is None else (*NOT_CHECKED, BANDS_NOT_COVERED)

    def told(self, checks: pd.DataFrame) -> pd.DataFrame:
        """Rows of ``checks`` grouped: the same said of many places is said once, and ``where`` names them all."""
        keys = ["status", "rule", "text", "source"]
        together = checks.groupby(keys, sort=False)["where"].agg(", ".join).reset_index()
        return together[["status", "rule", "where", "text", "source"]]

    @property
    def told_shorted(self) -> pd.DataFrame | None:
        """Cases of the shorted cell for a reader: packs with the same figures in one row; None if there are none."""
        return told_together(self.short_cases, self.breaks) if self.short_cases else None

    @property
    def short_words(self) -> str:
        """What was run, and what it does not say."""
        return f"{self.short_note[:1].upper()}{self.short_note[1:]}. {SHORT_CAUTION}."

    @property
    def basis(self) -> list[str]:
        """What the figures rest on, as sentences."""
        a, left = self.assumptions, self.scenario.bank.left_out_words
        judged = (
            "in every draw with what was drawn of them"
            if self.bands
            else "also with them at the upper end of what is seen in practice"
        )
        zero = [
            f"{left[:1].upper()}{left[1:]} are not given: currents, loads and drops of the tables count them as zero. Clearing in time and "
            f"withstand are judged {judged}; what passes with zero only is not checkable."
        ]
        return [
            *(zero if left else []),
            f"Greatest fault current: packs as new, full, at {a.warm_k - 273.15:.0f} °C, conductors as in the file. Least: packs as old "
            f"as they are, {a.low_soc * 100:.0f} % charged, at {a.cold_k - 273.15:.0f} °C, conductors at {a.hot_conductor_k - 273.15:.0f} "
            "°C or hotter where the file has them so; one given by its resistance counts as measured at its temperature in the file and "
            "warms too; joints, devices and added resistance as given.",
            "The least current counts with every pack connected and with one pack alone, that which feeds least; with other packs "
            "switched off it lies between. Clearing in time is judged for both.",
            "Withstand is judged over the currents between greatest and least: both ends, the least with one pack alone, and between "
            "them, with all packs and with half of them, a quarter and so on (those that feed least), what lies just below each "
            "instantaneous setting and at each point of the devices' curves, each by the latest edge of their bands; the row says which "
            "decides. A current that a conductor carries for good does not count.",
            "Withstand is judged by the area of a conductor's metal; of metric cable by the area that its resistance stands for, where that "
            "is less than the nominal size.",
        ]

    @property
    def reliance(self) -> list[str]:
        """Which devices are not relied on, and why, as sentences."""
        lines = []
        if self.breaks.failed:
            lines.append(
                "Counted as failed closed throughout, since they cannot break what may flow through them: "
                f"{', '.join(sorted(self.breaks.failed))}. Whether they still open on a small current is not known: overload and one "
                "out say what happens in either case."
            )
        many = len(self.breaks.doubtful) > 1
        if self.breaks.doubtful:
            how = "both cases are judged, that it opens and that it fails closed"
            if many:
                how = "every combination of their opening and failing closed is judged"
                if not self.breaks.every_combination:
                    how = "two cases are judged, that all of them open and that all of them fail closed"
            lines.append(
                f"The DC ratings of {', '.join(sorted(self.breaks.doubtful))} are not given: {how}, and what passes in one only is not "
                "checkable."
            )
        if not self.breaks.every_combination:
            alone = " or a curve beyond its end" if self.breaks.beyond else ""
            lines.append(
                f"NOT judged: combinations in which some of these devices open and others fail closed{alone}. One that opens leaves "
                "its current to one that does not, so a mixture can be worse than either: give the ratings."
            )
        if many:
            lines.append(
                "Order of opening, selectivity and the cascades of overload and one out are told for all of them opening and for all "
                "of them failing closed only."
            )
        if self.breaks.doubtful and self.short_cases:
            lines.append("The feed into a shorted cell is followed with these devices able to open.")
        return lines

    @property
    def clearing_told(self) -> pd.DataFrame:
        """``clearing`` for people: the place, the one device that clears a fault there, whether it is selective, what happens."""
        rows = []
        for place, row in self.clearing.iterrows():
            inside = self.faults.loc[place, "kind"] == "inside"
            parts = [end_text(row["opens"], row["cleared_s"], row["cleared_latest_s"], inside)]
            parts += [f"{name} {self.breaks.opens_only(name)}" for name in row["opened"] if self.breaks.opens_only(name)]
            if row["failed_closed"]:
                parts.append(f"counted as failed closed: {named(row['failed_closed'])}")
            if row["may_fail_closed"]:
                parts.append(f"if {named(row['may_fail_closed'])} should fail closed: {end_text(*row[list(IF_FAILED)], inside)}")
            stops = self.breaks.with_condition(row["stopped_by"]) if isinstance(row["stopped_by"], str) else "none"
            rows.append((place, stops, row["selective"], "; ".join(parts)))
        return pd.DataFrame(rows, columns=["fault at", "one device clears it", "selective", "opens (middle of its band)"])

    @property
    def overload_told(self) -> pd.DataFrame:
        """What each overload ends in: multiple of full load and the whole cascade in words."""
        told = self.overload.drop_duplicates("times_full_load")[["times_full_load", "then"]]
        return told.assign(then=told["then"].replace("", "nothing opens")).reset_index(drop=True)

    @property
    def worst_outages(self) -> pd.DataFrame:
        """Of every part dropped at every full load, the pack with the greatest C-rate."""
        worst = self.outages.loc[self.outages.groupby(["dropped", "load"])["c_rate"].idxmax()]
        return worst.assign(then=worst["then"].replace("", "the rest carries on"))

    @property
    def summary(self) -> dict:
        """Everything as plain data, for ``--json``."""

        def records(frame):
            return plain_records(frame, digits=12)

        drawn = {} if self.bands is None else {"bands": self.bands.records, "bands_of": self.bands.about}
        return drawn | {
            "scenario": self.scenario.name,
            "counts": self.counts,
            "faults": records(self.faults.reset_index()),
            "shares_a": {
                place: {edge: float(a) for edge, a in row.items()} for place, row in self.shares.iterrows()
            },
            "checks": records(self.checks),
            "order": records(self.order),
            "clearing": records(self.clearing.reset_index()),
            "overload": records(self.overload),
            "string_ratings": [rating.record for rating in self.string_ratings],
            "failed_closed": sorted(self.breaks.failed), "may_fail_closed": sorted(self.breaks.doubtful),
            "reliance": self.reliance,
            "outages": records(self.outages),
            "shorted_cell": [
                {
                    "pack": s.pack, "cells": s.cells, "feed_a": s.feed_a, "energy_wh": s.energy_wh, "opens_s": s.opens_s,
                    "stopped_by": s.stopped_by, "hours": float(s.table.index[-1] / 3600.0),
                }
                for s in self.shorted.values()
            ],
            "shorted_cells": records(shorted_table(self.short_cases)) if self.short_cases else [],
            "shorted_cells_note": self.short_note,
            "shorted_cells_caution": SHORT_CAUTION,
            "load": self.load_note,
            "assumptions": {key: getattr(self.assumptions, key) for key in self.assumptions.__dataclass_fields__},
            "not_checked": list(self.not_checked),
            "warnings": as_records(self.warnings),
        }  # fmt: skip

    def plot(self):
        """Time over current for every kind of device: band, withstand of what it protects, fault currents through it."""
        from simbank.plotting import protection_plots

        if self.order.empty:
            raise InputError("no device of this bank can open: there is nothing to draw")
        return protection_plots.plot_time_current(self)

    def plot_shorted(self):
        """Feed and energy into each pack with a shorted cell, over time."""
        from simbank.plotting import protection_plots

        return protection_plots.plot_shorted(self)

    def drawing(self) -> str:
        """The bank as SVG text, with prospective currents at the places."""
        from simbank.plotting.drawing import draw_bank

        at_once = self.faults["initial_a"]
        notes = {place.name: f"{at_once[whole.name] / 1e3:.1f} kA" for place, whole in self.greatest.named.items()}
        warm = f"packs as new, full, at {self.assumptions.warm_k - 273.15:.0f} °C"
        return draw_bank(
            self.scenario.bank,
            title=f"{self.scenario.name}: prospective fault currents",
            place_notes=notes,
            places=list(self.greatest.named),
            legend=[f"kA: the greatest current of a bolted fault at each place, at once ({warm})"],
        )

    def pictures(self) -> list[Picture]:
        """When each device opens, and the feed into a shorted cell; those of them that there are."""
        found = []
        if len(self.order):
            caption = "When each device opens: its band, what the smallest conductor beside it withstands."
            found.append(Picture("time_current.png", self.plot(), f"{self.scenario.name}: time over current", caption))
        if self.shorted:
            caption = "A pack with a shorted cell and the switch of its BMS stuck, fed by its neighbours: of its cases the one of most energy."
            found.append(Picture("shorted_cell.png", self.plot_shorted(), f"{self.scenario.name}: a shorted cell", caption))
        return found

    def section(self) -> Study:
        """Checks that did not pass as a section; a report of all of it is ``write_report(scenario, path, protection=...)``."""
        bad = self.told(self.checks[self.checks["status"] != PASS])
        text = (f"{self.load_note[:1].upper()}{self.load_note[1:]}.", *self.basis, *self.reliance)
        return replace(super().section(), text=text, table=bad, answer=(self.headline,))

    def write_tables(self, folder: Path) -> None:
        """Tables as CSV, the whole as JSON, and the drawing, into ``folder``."""
        made = self.made_by
        tables = {
            "faults": self.faults.reset_index(), "fault_shares": self.shares.reset_index(), "checks": _lists_as_text(self.checks),
            "order": self.order, "clearing": _lists_as_text(self.clearing.reset_index()),
            "overload": _lists_as_text(self.overload), "outages": _lists_as_text(self.outages),
            "shorted_cells": shorted_table(self.short_cases),
        }  # fmt: skip
        if self.string_ratings:
            tables["string_ratings"] = _lists_as_text(pd.DataFrame([rating.record for rating in self.string_ratings]))
        for name, table in tables.items():
            provenance.write_table(folder / f"{name}.csv", table, made)
        if self.bands is not None:
            self.bands.write_tables(folder, made)
        for name, shorted in self.shorted.items():
            provenance.write_table(folder / f"shorted_cell_{file_name(name)}.csv", shorted.table, made, index=True)
        provenance.write_json(folder / "protection.json", self.summary, made)
        provenance.write_svg(folder / "bank.svg", self.drawing(), made)


def _lists_as_text(frame):
    """A table for CSV: lists of names, and figures by their names, as text."""

    def told(value):
        if isinstance(value, dict):
            return ", ".join(
                f"{key} = {number:.6g}" if isinstance(number, float) else f"{key} = {number}" for key, number in value.items()
            )
        return ", ".join(value) if isinstance(value, (list, tuple)) else value

    return frame.map(told)

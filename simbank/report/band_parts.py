"""What a report says of bands: headline figures with their reach, tables and pictures, what to measure first."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import pandas as pd

from simbank.digits import cells, number, percent
from simbank.report.parts import Figures, Sources, lines, table, text
from simbank.scenario.uncertain import UncertainValue, described
from simbank.studies.band_figures import USUAL, WORDS
from simbank.studies.band_tables import DRAWS
from simbank.studies.bands_result import Bands
from simbank.studies.paired import LayoutBands
from simbank.warning import counted

__all__ = [
    "beside",
    "figures_read",
    "first_readings",
    "headlines",
    "layouts_read",
    "packs_read",
    "reach",
    "readings_read",
    "varied",
]

OF_LAYOUTS = ("spread_max_points", "share_ratio_max", "c_rate_max", "conductor_loss_wh")

AT_HEAD = ("spread_max_points", "share_ratio_max", "first_full_h", "first_empty_h", "unmet_wh", "ac_unmet_wh")
MOST_READINGS = 6
MOST_LINES = 3  # for the file, of one reading
SOME_WH = 0.5  # less is the tail of one step
IF_MORE = {"unmet_wh": SOME_WH, "ac_unmet_wh": SOME_WH, "curtailed_wh": SOME_WH, "unfilled_percent": 1.0, "left_percent": 1.0}


def headlines(found: Bands) -> list[str]:
    """The main figures by the file, each with its band, in one sentence; none where nothing is uncertain."""
    told = [figure_with_band(name, found.table.loc[name]) for name in AT_HEAD if _worth(name, found)]
    return (
        [f"With what is not known of the bank: {'; '.join(told)}. In brackets: nine in ten of what the bank may be."]
        if told
        else []
    )


def _worth(name, found):
    """Whether a figure is told at the head: it has a value in most draws, or load goes unmet in some."""
    if not len(found.uncertain) or name not in found.table.index:
        return False
    row = found.table.loc[name]
    return row["high"] > SOME_WH if name.endswith("_wh") else row["happens"] >= 0.05


def figure_with_band(name: str, row: pd.Series) -> str:
    """A figure in words: its value by the file, in brackets its band.

    >>> figure_with_band("spread_max_points", pd.Series({"low": 7.06, "high": 17.71, "file": 11.27}))
    'largest spread 11.3 (7.1 to 17.7) points'
    >>> figure_with_band("first_full_h", pd.Series({"low": 1.0, "high": math.inf, "file": 2.0}))
    'first pack full at 2:00:00 (1:00:00 to never)'
    """
    file, low, high = (part.strip() for part in cells(name, [row["file"], row["low"], row["high"]]))
    words, _, unit = WORDS[name].partition(" [")
    words = words.removesuffix(" at") if file == "never" else words
    return f"{words} {file} ({low} to {high}){f' {unit.rstrip(chr(93))}' if unit else ''}"


WHAT_WAS_RUN = {"usable": "Every discharge", "size": "The run of the size found"}  # by the study that bands belong to
NOT_VARIED = (
    "Not varied, unless the list names it: what is asked of the bank (in amperes or watts), sizes and lengths of cable, devices, settings of BMS, "
    "chargers and inverters, temperature; and the equations themselves."
)


def reach(found: Bands, known: Sequence[UncertainValue], figures: Figures, sources: Sources) -> list[dict[str, Any]]:
    """Parts of the section that says how far figures reach.

    Parameters
    ----------
    found : Bands
        Of a run, of one layout or of a study.
    known : sequence of UncertainValue
        What was drawn.
    figures, sources : Figures, Sources
        Of the page.
    """
    if not len(found.uncertain):
        return [text(found.words[0])]
    what = WHAT_WAS_RUN.get(found.made_by.get("of"), "The run")
    few = "" if found.asked >= DRAWS else f" {found.asked} draws were made rather than {DRAWS}, since a run takes long."
    said = (
        f"{counted(len(found.uncertain), 'value')} of this bank are not known exactly. {what} was repeated {found.done} times, each time with "
        f"other values drawn for all of them at once. A figure lies between the columns 5 % and 95 % in nine repeats of ten, and below the middle in "
        f"half.{few}"
    )
    parts = [text(said), text(f"{BY_THE_FILE} {NOT_VARIED}"), table("Figures of the bank", figures_read(found))]
    packs = packs_read(found)
    if len(packs.columns) > 1:
        parts.append(table("Figures of packs, 5 to 95 %", packs))
    pictures = {picture.file: picture for picture in found.pictures()}
    shown = [pictures[name] for name in ("bands_soc.png", "bands_spread.png") if name in pictures]
    shown += [picture for name, picture in pictures.items() if name.startswith(("drivers", "measure_first"))]
    parts += [figures.figure(picture.figure, picture.caption) for picture in shown]
    readings = readings_read(found)
    if len(readings):
        parts.append(table("Measure first: what narrows these figures most", readings))
    return [*parts, varied(known, sources)]


BY_THE_FILE = (
    "By the file: one run with the values in that column of the list of what was varied: what the file states; of what it leaves out, nothing for "
    "joints and wiring within packs, else the usual value of simbank's data. Such a run may lie outside its band."
)


SIGNS = {"milliohm": "mΩ", "ohm": "Ω", "degC": "°C"}  # of units


def varied(known: Sequence[UncertainValue], sources: Sources) -> dict[str, Any]:
    """The table of what was varied: values that are alike but for their place in one row."""
    rows: dict[tuple[str, ...], dict[str, Any]] = {}
    for own, value in zip(known, described(known), strict=True):
        unit = SIGNS.get(value["unit"], value["unit"])
        ends = {title: f"{number(value[key])} {unit}".strip() for title, key in _VARIED.items()}
        if choices := own.draw.choices:
            ends = {"by the file": choices[round(value["value"])], "5 %": "any of", "95 %": " or ".join(map(str, choices))}
        kind = "" if value["group"] == "joints" else value["key"].rpartition(".")[2]
        row = rows.setdefault(
            (value["group"], kind, *ends.values()), {"what": value["words"], "count": 0, **ends, "source": value["source"]}
        )
        row["count"] += 1
    for row in rows.values():
        more = row.pop("count") - 1
        both = " (both ends together)" if row["what"].startswith("joints of ") else ""
        row["what"] += (f", and {more} more" if more else "") + both
    return table("What was varied", pd.DataFrame(rows.values()), sources=sources)


_VARIED = {"by the file": "value", "5 %": "low", "95 %": "high"}


def beside(found: LayoutBands, figures: Figures) -> list[dict[str, Any]]:
    """Parts that say how layouts compare over draws: their figures from 5 to 95 %, each two in the same draws."""
    first = next(iter(found.layouts.values()))
    if not len(first.uncertain):
        return []
    few = "" if first.asked >= DRAWS else f" {first.asked} draws were made rather than {DRAWS}, since a run takes long."
    said = (
        f"Each layout was run {first.done} times; what is not known was drawn alike for all of them, so that they differ by their wiring only."
        f"{few}"
    )
    return [
        text(said), table("The same, 5 to 95 %", layouts_read(found, OF_LAYOUTS)), *(figures.figure(p.figure, p.caption) for p in found.pictures()),
        lines(found.words),
    ]  # fmt: skip


def layouts_read(found: LayoutBands, figures: Sequence[str]) -> pd.DataFrame:
    """These figures of each layout from 5 to 95 %, as texts."""
    return pd.DataFrame(
        [
            {"layout": name}
            | {WORDS[figure]: _from_to(figure, one.table.loc[figure]) for figure in figures if figure in one.table.index}
            for name, one in found.layouts.items()
        ]
    )


def figures_read(found: Bands) -> pd.DataFrame:
    """The bank's figures with their bands, as texts: those that a person looks at first."""
    of_a_run = "spread_max_points" in found.table.index
    names = [name for name in found.table.index if not of_a_run or _shown(name, found.table.loc[name])]
    rows = []
    for name in names:
        row = found.table.loc[name]
        low, mid, high, file = (part.strip() for part in cells(name, [row[key] for key in ("low", "mid", "high", "file")]))
        share = percent(row["happens"])
        rows.append(
            {"figure": WORDS[name], "5 %": low, "middle": mid, "95 %": high, "by the file": file, "in so many draws": share}
        )
    frame = pd.DataFrame(rows)
    return frame.drop(columns="in so many draws") if (frame["in so many draws"] == "100 %").all() else frame


def _shown(name, row):
    """Whether a figure is in the table: those that a person looks at first, and what was not met, taken or filled where that is much."""
    return row["happens"] > 0 if name in USUAL else row["high"] > IF_MORE.get(name, math.inf)


def packs_read(found: Bands) -> pd.DataFrame:
    """Figures of packs from 5 to 95 %, as texts; without rows for a study that has none."""
    headings = {
        "soc_end": "SOC at end [%]", "share_ratio_discharge": "share ratio, discharge", "share_ratio_charge": "share ratio, charge",
        "c_rate_peak": "peak C-rate", "first_full_h": "first full", "first_empty_h": "first empty",
        "charge_ah": "charge on its own [Ah]", "energy_wh": "energy on its own [Wh]",
    }  # fmt: skip
    rows = []
    for pack, of_pack in found.packs.groupby(level="pack", sort=False):
        told = of_pack.droplevel("pack")
        rows.append(
            {"pack": pack} | {title: _from_to(name, told.loc[name]) for name, title in headings.items() if name in told.index}
        )
    if not rows:
        return pd.DataFrame(columns=["pack"])
    frame = pd.DataFrame(rows)
    return frame[[column for column in frame if column == "pack" or not frame[column].isin(["never", "–", ""]).all()]]


def _from_to(name, row):
    low, high = (part.strip() for part in cells(name, [row["low"], row["high"]]))
    return low if low == high else f"{low} to {high}"


def readings_read(found: Bands) -> pd.DataFrame:
    """What to measure first, as texts, for the figures in their order; without rows where nothing narrows them."""
    if found.measure_first is None:
        return pd.DataFrame()
    told = found.measure_first.table[found.measure_first.table["told"]]
    rows = []
    for figure in dict.fromkeys(told["figure"]):
        for row in told[told["figure"] == figure].head(MOST_READINGS).to_dict("records"):
            ends = {key: "never" if math.isnan(row[key]) else cells(figure, [row[key]])[0].strip() for key in _ENDS}
            rows.append(
                {
                    "figure": WORDS[figure], "read": f"{row['what']} {row['where']}", "now": f"{ends['from_low']} to {ends['from_high']}",
                    "then about": f"{ends['to_low']} to {ends['to_high']}", "meter good for": row["accuracy"], "how": row["how"],
                    "write it as": _lines(row["lines"]),
                }
            )  # fmt: skip
    return pd.DataFrame(rows)


def _lines(lines):
    """Lines for the file, the first of many."""
    more = f"; and {len(lines) - MOST_LINES} more" if len(lines) > MOST_LINES else ""
    return "; ".join(lines[:MOST_LINES]) + more


_ENDS = ("from_low", "from_high", "to_low", "to_high")


def first_readings(found: Bands) -> list[str]:
    """The reading that narrows the first figure most, in a sentence; none where none does."""
    if found.measure_first is None:
        return []
    told = found.measure_first.table[found.measure_first.table["told"]]
    if not len(told):
        return []
    return [f"Take first, since it narrows most: {told.iloc[0]['words']}"]

"""What a report says of bands: headline figures with their reach, tables and pictures, what to measure first."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from simbank.digits import cells
from simbank.report.parts import Figures, table, text
from simbank.studies.band_figures import USUAL, WORDS
from simbank.studies.bands_result import Bands

__all__ = ["first_readings", "headlines", "reach"]

AT_HEAD = ("spread_max_points", "share_ratio_max", "first_full_h", "first_empty_h", "unmet_wh", "ac_unmet_wh")
MOST_READINGS = 6
MOST_LINES = 3  # for the file, of one reading
SOME_WH = 0.5  # less is the tail of one step
IF_MORE = {"unmet_wh": SOME_WH, "ac_unmet_wh": SOME_WH, "curtailed_wh": SOME_WH, "unfilled_percent": 1.0, "left_percent": 1.0}


def headlines(found: Bands) -> list[str]:
    """The main figures by the file's own values, each with its band, in one sentence; none where nothing is uncertain."""
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


def reach(found: Bands, figures: Figures) -> list[dict[str, Any]]:
    """Parts of the section that says how far a run's figures reach."""
    if not len(found.uncertain):
        return [text(found.words[0])]
    said = (
        f"{len(found.uncertain)} values of this bank are not known exactly. The run was made {found.done} times, each time with other values "
        "drawn for all of them together. Of these runs 5 % lie below the column 5 %, half below the middle, and 5 % above the column 95 %: nine "
        "in ten lie between. By the file: with the values that stand in it."
    )
    few = "" if found.asked >= 200 else f" {found.asked} draws were made rather than 200, since a run takes long."
    parts = [text(said + few), table("Figures of the bank", _figures(found)), table("Figures of packs, 5 to 95 %", _packs(found))]
    pictures = {picture.file: picture for picture in found.pictures()}
    shown = [pictures[name] for name in ("bands_soc.png", "bands_spread.png") if name in pictures]
    shown += [picture for name, picture in pictures.items() if name.startswith(("drivers", "measure_first"))]
    parts += [figures.figure(picture.figure, picture.caption) for picture in shown]
    readings = _readings(found)
    if len(readings):
        parts.append(table("Measure first: what narrows these figures most", readings))
    return parts


def _figures(found):
    names = [name for name in found.table.index if _shown(name, found.table.loc[name])]
    rows = []
    for name in names:
        row = found.table.loc[name]
        low, mid, high, file = (part.strip() for part in cells(name, [row[key] for key in ("low", "mid", "high", "file")]))
        share = f"{100 * row['happens']:.0f} %"
        rows.append(
            {"figure": WORDS[name], "5 %": low, "middle": mid, "95 %": high, "by the file": file, "in so many draws": share}
        )
    frame = pd.DataFrame(rows)
    return frame.drop(columns="in so many draws") if (frame["in so many draws"] == "100 %").all() else frame


def _shown(name, row):
    """Whether a figure is in the table: those that a person looks at first, and what was not met, taken or filled where that is much."""
    return row["happens"] > 0 if name in USUAL else row["high"] > IF_MORE.get(name, math.inf)


def _packs(found):
    headings = {
        "soc_end": "SOC at end [%]", "share_ratio_discharge": "share ratio, discharge", "share_ratio_charge": "share ratio, charge",
        "c_rate_peak": "peak C-rate", "first_full_h": "first full", "first_empty_h": "first empty",
    }  # fmt: skip
    rows = []
    for pack in dict.fromkeys(found.packs.index.get_level_values("pack")):
        of_pack = found.packs.loc[pack]
        rows.append({"pack": pack} | {title: _from_to(name, of_pack.loc[name]) for name, title in headings.items()})
    frame = pd.DataFrame(rows)
    return frame[[column for column in frame if column == "pack" or not frame[column].isin(["never", "–", ""]).all()]]


def _from_to(name, row):
    low, high = (part.strip() for part in cells(name, [row["low"], row["high"]]))
    return low if low == high else f"{low} to {high}"


def _readings(found):
    """What to measure first, for the figures in their order."""
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

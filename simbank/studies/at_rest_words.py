"""What the question backwards from a picture at rest comes to in sentences, and its tables as people read them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from simbank.digits import number
from simbank.results import Shown
from simbank.warning import listed

if TYPE_CHECKING:
    from simbank.studies.at_rest_result import AtRest

__all__ = ["answer", "at_rest_tables", "charge_rule", "hysteresis", "joint_name", "joints_in_all", "told_most"]

TOLD_NARROWER = 0.2  # by which a value's range must be narrower to be told of. Chosen here
ENOUGH = 50  # equal draws below which the ends of a range are not to be relied on. Chosen here: 5 % of them is two and a half
UNITS = {"display": (100.0, "%"), "voltage": (1.0, "V")}
SIDES = {"+": ", positive side", "-": ", negative side", "both": ", both sides together", "": ""}


def answer(found: AtRest) -> list[str]:
    """What it comes to, the answer first; how it was read and how many banks were run last."""
    said = _which(found) if found.fits else _none(found)
    few = ": too few for the ends of ranges, ask for more draws." if found.effective < ENOUGH else "."
    return [*said, *found.told, f"{found.runs} banks were run; the weighted draws count as {found.effective:.0f} equal ones{few}"]


def _which(found):
    """Which joints, hysteresis and charge rule leave the picture."""
    said = [
        f"Banks of this kind leave this picture: of pictures of such a bank {100 * found.probability:.0f} % fit as badly or worse."
    ]
    if found.beyond_hysteresis:
        said.append(
            f"Displays differ by {found.shown_points:.0f} points, more than the {found.bound_points:.0f} that hysteresis can hold at rest "
            "at this voltage: that goes on levelling, or the displays err."
        )
    for _, row in found.bad.head(3).iterrows():
        said.append(
            f"The joints of {joint_name(row)} add {row['low_mohm']:.2g} to {row['high_mohm']:.2g} milliohm (5 to 95 %), more than "
            f"the {1e3 * found.sound_ohm:.2g} of sound ones: measure the drop along it; if it is "
            "too high, isolate every pack, then retorque or clean it."
        )
    if not len(found.bad):
        most = told_most(found)
        alike = most["where"] == "all"
        said.append(
            f"Joints: no single one stands out from sound ones; {'all alike they' if alike else 'those of ' + joint_name(most)} add "
            f"{_joint_range(most)} milliohm (5 to 95 %; before the picture {_joint_range(most, 'before_')})."
        )
    if not found.alike:
        row = found.joints.iloc[-1]
        said.append(
            f"Joints of all conductors together add {_joint_range(row)} milliohm (before {_joint_range(row, 'before_')})."
        )
    for _, row in hysteresis(found).iterrows():
        said.append(f"Hysteresis: {_narrowed(row)}.")
    said.append(f"Charge rule: {charge_rule(found)}.")
    others = found.values[~found.values["group"].isin(["hysteresis", "asked"]) & (found.values["narrower"] > TOLD_NARROWER)]
    said += [f"Narrowed besides: {_narrowed(row)}." for _, row in others.head(3).iterrows()]
    return said


def _none(found):
    """That no bank leaves the picture: how far the nearest is, what was tried, what to do."""
    said = ["No bank of this kind leaves this picture."]
    table = found.table.assign(far=found.table["off_sigma"].abs()).sort_values("far", ascending=False)
    rows = table[table["pack"].isin(found.off[:3])].drop_duplicates("pack") if found.off else table.head(1)
    said.append(
        f"The nearest that was found shows {listed([_beside(row) for _, row in rows.iterrows()])}; a picture that fits as badly "
        f"comes of such a bank once in {_once(found.probability)} cases."
    )
    if found.strained:
        said.append(
            f"And to be so near it has values at or beyond the ends of what they may be: {'; '.join(found.strained[:3])}."
        )
    joints = found.joints.iloc[0]
    where = joint_name(joints) if found.alike else "every link and lead, each by itself"
    tried = [f"joints of {where} that add {_joint_range(joints, 'before_')} milliohm"]
    tried += [f"{row['words']}, {_range(row, 'before_')}" for _, row in hysteresis(found).iterrows()]
    rest = int((found.values["group"] != "hysteresis").sum()) - len(_asked(found))
    tried.append(f"{rest} other values that are not known exactly, over their ranges")
    said.append(f"Tried, from 5 to 95 % of each: {'; '.join(tried)}. Charge rule: {charge_rule(found)}.")
    if found.beyond_hysteresis:
        said.append(
            f"Displays differ by {found.shown_points:.0f} points; hysteresis can hold {found.bound_points:.0f} at rest at this voltage. Hold the "
            "displays to be wrong before the bank: charge it to full until each display has been reset, then look again."
        )
    else:
        said.append(
            "Displays count, and err until they are reset at full; or the bank was not charged as the file says, or a pack is not of the "
            "type that it says. Charge to full until each display has been reset, then look again."
        )
    return said


def _beside(row):
    scale, unit = UNITS[row["kind"]]
    return (
        f"{number(scale * row['best'], unit)} {unit} at {row['pack']} where {number(scale * row['read'], unit)} {unit} was read"
    )


def _once(probability):
    """In how many cases something of a probability happens, in words."""
    return "more than a million" if probability < 1e-6 else f"{1.0 / probability:,.0f}"


def joint_name(row: pd.Series) -> str:
    """The conductor, or both of a link, that a row of :attr:`AtRest.joints` is of.

    >>> joint_name(pd.Series({"where": "link A-B +", "side": "+"})), joint_name(pd.Series({"where": "all", "side": ""}))
    ('link A-B, positive side', 'every link and lead alike')
    """
    if row["where"] == "all":
        return "every link and lead alike"
    return row["where"].removesuffix(f" {row['side']}") + SIDES[row["side"]]


def told_most(found: AtRest) -> pd.Series:
    """Of the links, both sides together, or of the conductors where none has two, the one whose joints add most."""
    rows = found.joints[found.joints["where"] != "all together"]
    both = rows[rows["side"] == "both"]
    rows = both if len(both) else rows
    return rows.loc[rows["mid_mohm"].idxmax()]


def joints_in_all(found: AtRest) -> str:
    """What joints add in all, and which add most, in a few words."""
    row, most = found.joints.iloc[-1], told_most(found)
    return f"joints add {_joint_range(row)} milliohm {'each' if found.alike else 'in all'}" + (
        "" if found.alike else f", most those of {joint_name(most)} ({_joint_range(most)})"
    )


def hysteresis(found: AtRest) -> pd.DataFrame:
    """Half-widths of the hysteresis among the values, before and after the picture."""
    rows = found.values
    return rows[(rows["group"] == "hysteresis") & rows["key"].str.contains(r"hysteresis\.(?:scale|half_width)$")]


def _asked(found):
    """Values of the duty that the file states with ±."""
    return found.values[found.values["key"].str.startswith("duty.")]


def charge_rule(found: AtRest) -> str:
    """What the duty asked for before the rest: its ranges where the file states ±, else as the file has it."""
    rows = _asked(found)
    if not len(rows):
        return f"as the file has it, {found.rule}; it was not varied, since the file states no ± there"
    return f"{found.rule}; {'; '.join(_narrowed(row) for _, row in rows.iterrows())}"


def _narrowed(row):
    return f"{row['words']}, {_range(row)} (before the picture {_range(row, 'before_')})"


def _range(row, when=""):
    unit = f" {row['unit']}" if row["unit"] else ""
    return f"{row[f'{when}low']:.3g} to {row[f'{when}high']:.3g}{unit}"


def _joint_range(row, when=""):
    return f"{row[f'{when}low_mohm']:.2g} to {row[f'{when}high_mohm']:.2g}"


# ---- tables ----


def at_rest_tables(found: AtRest) -> list[Shown]:
    """The picture beside what fits; and where banks fit, what their joints add and their other values."""
    fits = "banks that fit show" if found.fits else "the nearest banks show"
    columns = {"pack": "pack", "kind": "kind", "read": "read", "range": fits, "off": "off [std. dev.]"}
    rows = found.table.copy()
    told = [UNITS[kind] for kind in rows["kind"]]
    rows["read"] = [f"{number(scale * v, unit)} {unit}" for v, (scale, unit) in zip(rows["read"], told, strict=True)]
    rows["range"] = [
        f"{number(scale * low, unit)} to {number(scale * high, unit)} {unit}"
        for low, high, (scale, unit) in zip(rows["low"], rows["high"], told, strict=True)
    ]
    rows["off"] = [f"{v:+.1f}" for v in rows["off_sigma"]]
    tables = [Shown(f"{found.title}: packs from near to far", rows, columns, {"place": "place", "rested_h": "rested"})]
    if not found.fits:
        return tables
    rows = found.joints.assign(**_ranges(found.joints, _joint_range), mid=[f"{v:.2g}" for v in found.joints["mid_mohm"]])
    columns = {"where": "joints of", "side": "side", "range": "add [mΩ], 5 to 95 %", "mid": "half below", "before": "before"}
    tables.append(Shown("What joints add, by the picture", rows, columns))
    rows = found.values.assign(**_ranges(found.values, lambda row, when="": _range({**row, "unit": ""}, when)))
    rows["narrower"] = [f"{100.0 * max(v, 0.0):.0f} %" for v in rows["narrower"]]
    columns = {"words": "what", "unit": "unit", "range": "5 to 95 %", "before": "before", "narrower": "narrower by"}
    return [*tables, Shown("Other values, the most narrowed first", rows, columns, {"key": "key"})]


def _ranges(frame: pd.DataFrame, words: Any) -> dict[str, list[str]]:
    rows = [row for _, row in frame.iterrows()]
    return {"range": [words(row) for row in rows], "before": [words(row, "before_") for row in rows]}

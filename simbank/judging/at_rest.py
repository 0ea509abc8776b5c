"""The verdicts of a picture at rest: whether a bank of this kind leaves it, and which joints it speaks of."""

from __future__ import annotations

from collections.abc import Iterator

from simbank.judging.rules import verdict
from simbank.judging.warned import warning_verdicts
from simbank.judging.words import others, short
from simbank.studies.at_rest_result import AtRest
from simbank.studies.at_rest_words import hysteresis, joint_name, joints_in_all
from simbank.verdict import Verdict

__all__ = ["at_rest_verdicts"]


def at_rest_verdicts(found: AtRest) -> Iterator[Verdict]:
    """Verdicts on a picture at rest."""
    yield from warning_verdicts(found.warnings)
    numbers = {"probability": found.probability, "shown_points": found.shown_points, "bound_points": found.bound_points}
    if not found.fits:
        off = f"; what stands out most: {short(found.off)}" if found.off else ""
        held = (
            f"Displays differ by {found.shown_points:.0f} points, hysteresis can hold {found.bound_points:.0f} there: hold the displays to be wrong. "
            if found.beyond_hysteresis
            else "The displays, or what the file says of packs and charge, are wrong. "
        )
        text = f"No bank of this kind leaves this picture at rest{off}. {held}Charge to full until each display has been reset, then look again."
        yield verdict("picture-fits-no-bank", ", ".join(found.off) or "bank", text, **numbers)
        return
    bad = found.bad
    if len(bad):
        row = bad.iloc[0]
        text = (
            f"By the picture the joints of {joint_name(row)} add {row['low_mohm']:.2g} to {row['high_mohm']:.2g} milliohm"
            f"{others(bad['where'][1:])}, more than sound ones ({1e3 * found.sound_ohm:.2g}). Measure the drop along it at a known current; "
            "then, every pack isolated, retorque or clean it."
        )
        yield verdict(
            "joint-by-picture", ", ".join(dict.fromkeys(bad["where"])), text, low_mohm=row["low_mohm"], high_mohm=row["high_mohm"]
        )
    asked = found.values["key"].str.startswith("duty.").any()
    text = (
        f"Banks of this kind leave this picture ({100 * found.probability:.0f} % of such pictures fit as badly or worse): "
        f"{joints_in_all(found)}; hysteresis {_widths(found)}; charge rule {'within its ±' if asked else 'as in the file'}. "
        f"Displays differ by {found.shown_points:.0f} points; hysteresis can hold {found.bound_points:.0f}."
    )
    yield verdict("picture-fits", "bank", text, **numbers)


def _widths(found):
    """Half-widths of the hysteresis by the picture, over those of the file."""
    rows = hysteresis(found)
    if not len(rows):
        return "as in the file"
    told = [
        f"{row['low']:.2g} to {row['high']:.2g}{' ' * bool(row['unit'])}{row['unit'] or ' times its file'}"
        for _, row in rows.iterrows()
    ]
    return short(told)

"""The verdicts of a picture at rest: whether a bank of this kind leaves it, and which joints it speaks of."""

from __future__ import annotations

from collections.abc import Iterator

from simbank.judging.rules import verdict
from simbank.judging.warned import warning_verdicts
from simbank.judging.words import others, short
from simbank.studies.at_rest_result import AtRest
from simbank.verdict import Verdict

__all__ = ["at_rest_verdicts"]


def at_rest_verdicts(found: AtRest) -> Iterator[Verdict]:
    """Verdicts on a picture at rest."""
    yield from warning_verdicts(found.warnings)
    numbers = {"probability": found.probability, "shown_points": found.shown_points, "bound_points": found.bound_points}
    if not found.fits:
        off = f", least {short(found.off)}" if found.off else ""
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
        where = "every link" if row["where"] == "all" else row["where"]
        both = " (both sides together)" if row["side"] == "both" else ""
        text = (
            f"By the picture the joints of {where}{both} add {row['low_mohm']:.2g} to {row['high_mohm']:.2g} milliohm"
            f"{others(bad['where'][1:])}, more than sound ones. Measure the drop along it at a known current; retorque or clean."
        )
        yield verdict(
            "joint-by-picture", ", ".join(dict.fromkeys(bad["where"])), text, low_mohm=row["low_mohm"], high_mohm=row["high_mohm"]
        )
    text = (
        f"Banks of this kind leave this picture: {100 * found.probability:.0f} % of such pictures fit as badly or worse. Displays differ by "
        f"{found.shown_points:.0f} points; hysteresis can hold {found.bound_points:.0f} there."
    )
    yield verdict("picture-fits", "bank", text, **numbers)

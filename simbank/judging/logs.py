"""The verdicts of a fitted log: shares that drift, values far from what the file believed, a model that misses something."""

from __future__ import annotations

from collections.abc import Iterator

from simbank.judging.rules import verdict
from simbank.judging.warned import warning_verdicts
from simbank.judging.words import short
from simbank.studies.logs import FittedLog
from simbank.verdict import Verdict

__all__ = ["log_verdicts"]


def log_verdicts(found: FittedLog) -> Iterator[Verdict]:
    """Verdicts on a log. No bank is called free of faults: what currents can show is all that is told of."""
    yield from warning_verdicts(found.warnings)
    drifts = found.drifts
    if len(drifts):
        first = drifts.iloc[0]
        text = (
            f"Since {first['since']} {first['pack']} carries {abs(first['change_percent']):.1f} % "
            f"{'more' if first['change_percent'] > 0 else 'less'} of the current than before. Explained by {first['explains']}. "
            "Look there first, bank off."
        )
        yield verdict("share-drifts", ", ".join(drifts["pack"]), text, change_percent=float(first["change_percent"]))
    surprises = found.surprises
    surprises = surprises[surprises["key"].str.startswith(("packs.", "wiring."))]
    if len(surprises):
        told = short(list(surprises["words"]))
        yield verdict(
            "log-against-file",
            "bank",
            f"The log contradicts the file on {told}: look which of the two is wrong.",
            many=len(surprises),
        )
    bad = found.residuals[~found.residuals["is_noise"]]
    if len(bad):
        text = (
            f"The fitted bank does not show what was measured: {short(list(bad['what']))} is off by more than noise, most on "
            f"{bad.iloc[0]['worst_day']}. No value of it is called known: look what happened then."
        )
        yield verdict("log-not-explained", "bank", text, many=len(bad))
    own = found.table[found.table["key"].str.startswith(("packs.", "wiring."))]
    if not own["known"].all():
        many = int((~own["known"]).sum())
        text = f"{many} of {len(own)} values of packs and joints this log cannot tell; the fitted file holds them about as they were believed."
        yield verdict("log-leaves-unknown", "bank", text, many=many)

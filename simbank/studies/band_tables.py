"""Bands made of runs that were drawn: quantiles, tables, what draws warn of."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from simbank.errors import SimulationError
from simbank.scenario.uncertain import UncertainValue
from simbank.studies.band_figures import BANK_FIGURES, NAMING, NEVER_IS_LATER, PACK_FIGURES, QUANTILES, Figures
from simbank.studies.bands_result import Bands, limits_table
from simbank.studies.draw_runs import DrawnRun, Found
from simbank.studies.rule_figures import RULE_FIGURES
from simbank.warning import BankWarning, counted

__all__ = ["DRAWS", "bands_of", "quantiles"]

DRAWS = 200  # where no number is given
FEWEST = 20  # draws below which the ends of a band are its least and greatest draw


def quantiles(values: Any, never_is_later: bool = False) -> list[float]:
    """5, 50 and 95 % of values, between the two nearest in proportion.

    Parameters
    ----------
    values : array-like, shape (n,)
        NaN where a draw has none.
    never_is_later : bool
        Whether a draw that has none counts as later than all (the quantile is then infinite if it falls among these); by default it
        does not count.

    Returns
    -------
    list of float
        NaN where no draw counts.

    Examples
    --------
    >>> quantiles([1.0, 2.0, 3.0]), quantiles([1.0, 2.0, float("nan")], never_is_later=True)
    ([1.1, 2.0, 2.9], [1.1, 2.0, inf])
    """
    values = np.asarray(values, float)
    values = np.where(np.isnan(values), np.inf, values) if never_is_later else values[~np.isnan(values)]
    values = np.sort(values)
    out = []
    for share in QUANTILES.values():
        place = share * (len(values) - 1)
        below = math.floor(place)
        part = place - below
        if not len(values):
            out.append(math.nan)
        elif part < 1e-9 or math.isinf(values[below]) or values[below] == values[below + 1]:
            out.append(float(values[below]))
        else:
            out.append(float(values[below] + part * (values[below + 1] - values[below])))
    return out


def bands_of(
    done: Sequence[DrawnRun],
    own: Found,
    known: Sequence[UncertainValue],
    numbers: pd.DataFrame,
    made: dict[str, Any],
    asked: int,
    times: np.ndarray | None = None,
    told: Figures = BANK_FIGURES,
    told_of_packs: Figures = PACK_FIGURES,
) -> Bands:
    """Bands of runs that were made.

    Parameters
    ----------
    done : sequence of DrawnRun
        Failed ones among them.
    own : Found
        What comes of the file's own values.
    known : sequence of UncertainValue
        What was drawn.
    numbers : DataFrame
        Drawn values as bare numbers, draw × key.
    made : dict
        What made it.
    asked : int
        How many draws were asked for.
    times : ndarray, optional
        Of the state of charge [s].
    told, told_of_packs : sequence of (str, str, str)
        Name, unit and meaning of each figure of the bank and of a pack.

    Raises
    ------
    SimulationError
        If every run failed.
    """
    ran = [one for one in done if one.found is not None]
    if done and not ran:
        raise SimulationError(f"all {counted(len(done), 'draw')} failed; the first: {done[0].failure}")
    draws = _draws_table(done, numbers, own)
    good = draws[draws["failure"].isna()]
    table = pd.DataFrame(
        [_band(good, name, name, unit, own.figures[name]) for name, unit, _ in told],
        index=pd.Index([name for name, _, _ in told], name="figure"),
    )
    units = {name: unit for name, unit, _ in told_of_packs}
    rows = [_band(good, f"{pack}.{name}", name, units[name], value) for (pack, name), value in own.packs.items()]
    index = pd.MultiIndex.from_tuples(list(own.packs), names=["pack", "figure"])
    units |= {name: unit for name, unit, _ in RULE_FIGURES}
    limits = [_band(good, f"{where}.{name}", name, units[name], value) for (where, name), value in own.limits.items()]
    soc, spread = _over_time(
        [one.found.soc for one in ran] or [own.soc], times, list(dict.fromkeys(pack for pack, _ in own.packs))
    )
    return Bands(
        table, pd.DataFrame(rows, index=index), _names(good), draws, _uncertain_table(known), _warnings(done, own), made, asked,
        soc, spread, limits=limits_table(list(own.limits), limits),
    )  # fmt: skip


def _draws_table(done, numbers, own):
    """A row for each draw."""
    rows = []
    for one in done:
        row = {"failure": one.failure, "warnings": "", "events": ""} | dict(numbers.loc[one.task.draw])
        if one.found is not None:
            row["warnings"] = ", ".join(dict.fromkeys(warning.code for warning in one.found.warnings))
            row["events"] = ", ".join(one.found.events)
            named = one.found.packs | one.found.limits
            row |= one.found.figures | {f"{where}.{name}": value for (where, name), value in named.items()}
        rows.append(row)
    names = ["failure", "warnings", "events", *numbers, *own.figures]
    names += [f"{where}.{name}" for where, name in (*own.packs, *own.limits)]
    frame = pd.DataFrame(rows, columns=names, index=pd.Index([one.task.draw for one in done], name="draw", dtype=int))
    numeric = [name for name in names if name not in ("failure", "warnings", "events", *NAMING)]
    kinds = dict.fromkeys(numeric, float) | {name: object for name in names if name not in numeric}
    return frame.astype(kinds).copy()  # in one piece


def _band(good, column, figure, unit, own):
    """One row of a table of bands."""
    later = figure in NEVER_IS_LATER
    value = math.nan if own is None else float(own)
    values = good[column].to_numpy(float) if len(good) else np.array([value])
    low, mid, high = quantiles(values, later)
    happens = float(np.mean(~np.isnan(values)))
    return {
        "unit": unit, "low": low, "mid": mid, "high": high, "file": math.inf if later and value != value else value, "happens": happens,
    }  # fmt: skip


def _names(good):
    """Share of the draws in which a pack is the one that a figure names."""
    rows = {}
    for figure in NAMING:
        if figure in good:
            rows |= {(figure, pack): many / len(good) for pack, many in good[figure].value_counts().items()}
    index = (
        pd.MultiIndex.from_tuples(list(rows), names=["figure", "pack"])
        if rows
        else pd.MultiIndex.from_arrays([[], []], names=["figure", "pack"])
    )
    return pd.DataFrame({"share": list(rows.values())}, index=index, dtype=float)


def _over_time(socs, times, packs):
    """Quantiles of state of charge and of its spread over time; None where it was not kept."""
    if times is None or socs[0] is None:
        return None, None
    soc = np.stack([_as_long(one, len(times)) for one in socs])  # draw × time × pack
    index = pd.Index(times, name="time_s")
    shares = list(QUANTILES.values())
    bands = np.quantile(soc, shares, axis=0).astype(float)
    columns = pd.MultiIndex.from_product([packs, QUANTILES], names=["pack", "quantile"])
    spread = np.quantile(np.ptp(soc, axis=2), shares, axis=0).T * 100.0
    return (
        pd.DataFrame(bands.transpose(1, 2, 0).reshape(len(times), -1), index=index, columns=columns),
        pd.DataFrame(spread.astype(float), index=index, columns=list(QUANTILES)),
    )


def _as_long(soc, many):
    """State of charge at so many instants: a draw whose duty ends sooner stays as it ended, one that ends later is cut."""
    return np.concatenate([soc[:many], np.repeat(soc[-1:], max(0, many - len(soc)), axis=0)])


def _uncertain_table(known):
    """What is uncertain, as a table."""
    rows = [
        {
            "words": value.words, "group": value.group, "unit": getattr(value.draw, "unit", ""),
            **{name: float(value.draw.number(share)) for name, share in QUANTILES.items()}, "source": value.source,
        }
        for value in known
    ]  # fmt: skip
    columns = ["words", "group", "unit", *QUANTILES, "source"]
    return pd.DataFrame(rows, columns=columns, index=pd.Index([value.key for value in known], name="key", dtype=object))


def _warnings(done, own):
    """Draws that failed or are few, and what draws warn of that the file's own values do not."""
    out, failed = [], [one for one in done if one.found is None]
    if failed:
        first = failed[0]
        text = f"{len(failed)} of {counted(len(done), 'draw')} failed and gave no figures; the bands are of the others. The first: {first.failure}"
        out.append(BankWarning("draws-failed", f"draw {first.task.draw}", text))
    ran = [one for one in done if one.found is not None]
    if ran and len(ran) < FEWEST:
        text = f"Of {counted(len(ran), 'draw')} 5 and 95 % are little more than the least and the greatest; {DRAWS} tell more."
        out.append(BankWarning("few-draws", "bands", text))
    return out + _told_by_draws(ran, own)


def _told_by_draws(ran, own):
    """What draws warn of that the file's own values do not: each code once, with all its places, and in how many draws."""
    told = {(warning.code, warning.where) for warning in own.warnings}
    by_code: dict[str, list[tuple[int, BankWarning]]] = {}
    for one in ran:
        for warning in one.found.warnings:
            if (warning.code, warning.where) not in told:
                by_code.setdefault(warning.code, []).append((one.task.draw, warning))
    out = []
    for code, said in by_code.items():
        draw, first = said[0]
        places = ", ".join(dict.fromkeys(place for _, warning in said for place in warning.where.split(", ")))
        many = len({draw for draw, _ in said})
        text = f"In {many} of {counted(len(ran), 'draw')}, not by the file's own values. In draw {draw}: {first.text}"
        out.append(BankWarning(code, places, text))
    return out

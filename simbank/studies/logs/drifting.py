"""Shares of the packs day by day with control limits, since when they drift, what would explain it, and when it will matter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from simbank.studies.logs.fitting import Fit
from simbank.studies.logs.log_model import LogModel
from simbank.studies.logs.unknowns import Unknown

__all__ = ["Cause", "Change", "change_of", "charted", "daily_shares", "forecast_days"]

LAMBDA, LIMIT = 0.2, 3.0  # EWMA control chart: NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.4, from memory
CLEAR_GAIN = 30.0  # by which a change must lower the misfit (chi-square of one number) to be told of; chosen here: over 5
# deviations, since it is the best of some hundred places and days, and no model is exact
CLOSE_GAIN = 9.0  # causes whose gain is within that of the best are told with it
LEAST_PERCENT = 0.5  # of its share, by which a pack must have changed to be told of; chosen here: as a mean over days tells
MOST_DAYS = 20  # on which a change is tried
GROWTH, EXTRA = 0.2, 0.2  # by which a resistance is changed to see what that does: of its own, and in the unit of joints
FEWEST_DAYS = 3  # after a change, for a forecast


@dataclass(frozen=True, eq=False)
class Cause:
    """One change that would explain a drift: a resistance that is another from a day on.

    Attributes
    ----------
    unknown : Unknown
        The resistance.
    day : int
        First day of the change.
    size, error : float
        By how much it changed, and the standard deviation of that, in its own unit.
    gain : float
        By how much it lowers the misfit (chi-square).
    column : ndarray
        Change of the residuals for one unit.
    """

    unknown: Unknown
    day: int
    size: float
    error: float
    gain: float
    column: np.ndarray


@dataclass(frozen=True, eq=False)
class Change:
    """A change of the bank within a log.

    Attributes
    ----------
    day : int
    causes : tuple of Cause
        The best first; others that explain it nearly as well.
    residual : ndarray, shape (m, c)
        What was measured less what the bank of before the change would show.
    left : ndarray, shape (m, c)
        The same less what the change explains.
    """

    day: int
    causes: tuple[Cause, ...]
    residual: np.ndarray
    left: np.ndarray


def change_of(model: LogModel, fit: Fit) -> Change | None:
    """The change of one resistance that explains most of the residuals; None if none does.

    For each day and each resistance, the bank is run on from that day with the resistance changed; how much of the residuals this
    explains, with every other value of the fit left free, is a generalized least-squares problem of one number.
    """
    day = model.log.day
    days = np.unique(day)[1:]
    if len(days) == 0:
        return None
    days = days[np.unique(np.linspace(0, len(days) - 1, min(MOST_DAYS, len(days))).astype(int))]
    changed = [unknown for unknown in model.unknowns if unknown.group == "joints" or unknown.key.endswith(".resistance_growth")]
    weight = fit.weight
    p = fit.jacobian.shape[2]
    matrix = (fit.jacobian * weight[None, :, None]).reshape(-1, p)
    left = np.linalg.cholesky(fit.covariance)
    narrowed = matrix @ left  # so that the projection is v - narrowed (narrowedᵀ v)
    y = (fit.residual * weight).ravel()
    y_left = y - narrowed @ (narrowed.T @ y)
    causes = []
    model.drive_by_rows(blocks=True)
    for first_day in days:
        row = int(np.flatnonzero(day == first_day)[0])
        since = (row, fit.shown.soc[row], fit.shown.hysteresis[row])
        base = _compared(model, fit, model.shown(fit.scores, None, since), row)
        for unknown in changed:
            more, amount = _more(model, fit, unknown)
            other = _compared(model, fit, model.shown(fit.scores, more, since), row)
            column = np.zeros_like(fit.residual)
            column[row:] = np.where(fit.observed.use[row:], (other - base) / amount, 0.0)
            c = (column * weight).ravel()
            c_left = c - narrowed @ (narrowed.T @ c)
            size = float(c @ c_left)
            if size > 1e-12:
                found = float(c @ y_left) / size
                causes.append(Cause(unknown, int(first_day), found, size**-0.5, found**2 * size, column))
    model.drive_by_rows()
    causes.sort(key=lambda cause: -cause.gain)
    if not causes or causes[0].gain < CLEAR_GAIN:
        return None
    best = causes[0]
    c = (best.column * weight).ravel()
    moved = narrowed @ (narrowed.T @ (y - c * best.size))
    residual = np.where(fit.observed.use, (y - moved).reshape(fit.residual.shape) / weight, 0.0)
    near = [cause for cause in causes[1:] if cause.gain > best.gain - CLOSE_GAIN and cause.unknown is not best.unknown]
    others = {cause.unknown.key: cause for cause in reversed(near)}
    return Change(best.day, (best, *others.values()), residual, residual - best.size * best.column)


def _more(model, fit, unknown):
    """What sets one resistance higher, and by how much, in its unit."""
    number = unknown.number(fit.scores[model.place[unknown.key]])
    if unknown.parts:
        return {key: f"{(number + EXTRA) * share - counted:.12g} {unknown.unit}" for key, share, counted in unknown.parts}, EXTRA
    return {unknown.key: number * (1.0 + GROWTH)}, number * GROWTH


def _compared(model, fit, shown, row):
    parts = [shown.current_a]
    parts += [shown.voltage_v] if shown.voltage_v is not None else []
    parts += [shown.bank_v[:, None]] if shown.bank_v is not None else []
    return np.column_stack(parts)


def daily_shares(model: LogModel, fit: Fit, change: Change | None) -> pd.DataFrame:
    """A row for each day and pack: its share ratio, what the fitted bank would have shown, and the control chart of their difference.

    Where a change was found, the bank before it is what shares are compared with.
    """
    log, n = model.log, len(model.names)
    residual = (fit.residual if change is None else change.residual)[:, :n]
    use = fit.observed.use[:, :n].all(axis=1)
    total = log.current_a.sum(axis=1)
    way = np.sign(total) * use
    made = model.base.bank
    capacity = np.array([pack.rated_capacity_ah for pack in made.packs]) * np.array(
        [model.unknowns[k].number(fit.scores[k]) for k in (model.place[f"packs.{name}.capacity_left"] for name in model.names)]
    )
    part = capacity / capacity.sum()
    rows = []
    for day in np.unique(log.day):
        at = log.day == day
        moved = float(np.abs(total[at] * use[at]).sum())
        if moved <= 0 or use[at].sum() < 0.25 * max(np.bincount(log.day)):
            continue
        share = (way[at, None] * log.current_a[at]).sum(axis=0) / moved
        off = (way[at, None] * residual[at]).sum(axis=0) / moved
        error = fit.noise[:n] * np.sqrt(fit.lasts_rows[:n] * use[at].sum()) / moved
        expected = share - off
        for k, name in enumerate(model.names):
            rows.append(
                (int(day), log.day_name(day), name, share[k] / part[k], expected[k] / part[k], off[k] / expected[k] * 100.0,
                 abs(error[k] / expected[k]) * 100.0)
            )  # fmt: skip
    frame = pd.DataFrame(
        rows, columns=["number", "day", "pack", "share_ratio", "expected_ratio", "off_percent", "deviation_percent"]
    )
    return charted(frame)


def charted(frame: pd.DataFrame) -> pd.DataFrame:
    """The table with an exponentially weighted moving average of each pack and its control limits.

    A day's deviation is that of the noise, or what days differ by where that is more.

    Parameters
    ----------
    frame : DataFrame
        ``pack``, ``off_percent``, ``deviation_percent``; the days of a pack in order.

    Returns
    -------
    DataFrame
        With ``ewma_percent``, ``limit_percent`` and ``outside`` besides.
    """
    frame = frame.assign(ewma_percent=np.nan, limit_percent=np.nan, outside=False)
    for _, rows in frame.groupby("pack", sort=False):
        x, error = rows["off_percent"].to_numpy(), rows["deviation_percent"].to_numpy()
        between = np.median(np.abs(np.diff(x))) / 0.954 if len(x) > 2 else 0.0  # of a moving range of two: its median is 0.954 σ
        mean, variance, means, limits = 0.0, 0.0, [], []
        for value, own in zip(x, error, strict=True):
            mean = LAMBDA * value + (1 - LAMBDA) * mean
            variance = LAMBDA**2 * max(own, between) ** 2 + (1 - LAMBDA) ** 2 * variance
            means.append(mean)
            limits.append(LIMIT * variance**0.5)
        frame.loc[rows.index, "ewma_percent"] = means
        frame.loc[rows.index, "limit_percent"] = limits
        frame.loc[rows.index, "outside"] = np.abs(means) > np.array(limits)
    return frame


def drifting_packs(shares: pd.DataFrame, change: Change) -> list[tuple[str, float]]:
    """(pack, change of its share [%]) of the packs whose share moved with the change, the one that moved most first."""
    found = []
    for pack, rows in shares.groupby("pack", sort=False):
        after = rows[rows["number"] >= change.day]
        if not len(after):
            continue
        mean = float(after["off_percent"].mean())
        error = float(np.sqrt((after["deviation_percent"] ** 2).sum()) / len(after))
        if abs(mean) >= max(LEAST_PERCENT, LIMIT * error):
            found.append((str(pack), mean))
    return sorted(found, key=lambda item: -abs(item[1]))


def forecast_days(shares: pd.DataFrame, pack: str, since: int, limit_percent: float) -> tuple[float, float, float] | None:
    """(days, low, high) from the end of the log until a pack's share is off by a limit, if it goes on as since the change.

    By a straight line through the days since the change; low and high by its slope's 95 % interval, high infinite where a slope of
    nothing is within it. None where it cannot be said: fewer than three days, or a slope that may be of either sign.
    """
    from scipy.stats import t as student

    rows = shares[(shares["pack"] == pack) & (shares["number"] >= since)]
    if len(rows) < FEWEST_DAYS:
        return None
    x, y = rows["number"].to_numpy(float), np.abs(rows["off_percent"].to_numpy())
    slope, at_mean = np.polyfit(x - x.mean(), y, 1)
    left = y - at_mean - slope * (x - x.mean())
    own = float(np.mean(rows["deviation_percent"] ** 2))
    variance = max(float(left @ left) / max(len(x) - 2, 1), own)
    error = (variance / float(((x - x.mean()) ** 2).sum())) ** 0.5 * float(student.ppf(0.975, max(len(x) - 2, 1)))
    now = at_mean + slope * (x[-1] - x.mean())
    if slope - error <= 0 or now >= limit_percent:
        return None
    away = limit_percent - now
    return away / slope, away / (slope + error), away / (slope - error)


def known_causes(change: Change) -> str:
    """What would explain a change, as a sentence."""
    best = change.causes[0]
    told = _cause_words(best)
    others = [cause.unknown.words for cause in change.causes[1:3]]
    return told + (f"; or, nearly as well, {' or '.join(others)}" if others else "")


def _cause_words(cause):
    low, high = cause.size - 1.96 * cause.error, cause.size + 1.96 * cause.error
    if cause.unknown.parts:
        return f"{cause.unknown.words}: {cause.size:+.2g} {_short(cause.unknown.unit)} ({low:+.2g} to {high:+.2g})"
    return f"{cause.unknown.words}: {cause.size * 100:+.0f} points ({low * 100:+.0f} to {high * 100:+.0f})"


def _short(unit):
    return {"milliohm": "mΩ", "ohm": "Ω"}.get(unit, unit)

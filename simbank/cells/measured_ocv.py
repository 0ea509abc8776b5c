"""Open-circuit curve and hysteresis of a cell from measured branches: mean, half-width, and how fast one goes over into the other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from simbank.cells.chemistry import Chemistry
from simbank.cells.curves import Curve
from simbank.cells.measured_table import MeasuredTable, check_cell_volts
from simbank.errors import InputError

__all__ = ["MeasuredOCV", "measured_ocv", "state_along"]

LEAST_SPAN = 0.6  # of state of charge that branches must cover; beyond them the base's shape goes on
MOST_DIP_V = 0.020  # by which a branch may fall where it should rise; more is no noise. These thresholds are choices of ours
LEAST_RISE = 1e-3  # of the mean curve [V per unit of state of charge]
MOST_POINTS = 120
GAP_V = 0.010  # that a curve may be off between its points before it is told
DENSE = np.unique(
    np.concatenate(
        [[0, 0.005, 0.01, 0.02, 0.03, 0.05, 0.075], np.linspace(0.1, 0.9, 33), [0.925, 0.95, 0.97, 0.98, 0.99, 0.995, 1]]
    )
)
LEAST_SCAN = 0.02  # of state of charge after a reversal from which the decay can be told
SURE = 0.3  # relative standard error of the decay up to which the data count as telling it


@dataclass
class MeasuredOCV:
    """What branches tell of a cell.

    Attributes
    ----------
    soc, volt : ndarray, shape (m,)
        Mean of the branches, rising from 0 to 1 [V].
    half_width_v : ndarray, shape (m,) or None
        Half of their gap [V]; None where only one curve was measured.
    decay_per_soc, decay_error : float or None
        Where a reversal half way tells it, with its standard error.
    capacity_ah : float or None
        Of the whole span, where charge was measured in ampere-hours.
    branches : dict of str to (ndarray, ndarray)
        State of charge and voltage [V] of each as measured.
    residual_v : dict of str to ndarray
        Measured less fitted, at each measured point [V].
    span : (float, float)
        State of charge from and to which was measured.
    told : list of str
        What was taken for what.
    """

    soc: np.ndarray
    volt: np.ndarray
    half_width_v: np.ndarray | None
    branches: dict[str, tuple[np.ndarray, np.ndarray]]
    span: tuple[float, float]
    decay_per_soc: float | None = None
    decay_error: float | None = None
    capacity_ah: float | None = None
    residual_v: dict[str, np.ndarray] = field(default_factory=dict)
    told: list[str] = field(default_factory=list)


def measured_ocv(
    tables: Sequence[MeasuredTable], base: Chemistry, capacity_ah: float | None = None, cells_in_series: int = 1
) -> MeasuredOCV:
    """Mean curve, half-width and decay from tables of rest voltages.

    Each table holds the state of charge, or the charge moved, and voltages: of both branches side by side, of both one below the
    other with a column that says which, of one of them (by its heading or the file's name), or in the order of measuring, in which
    charge and discharge are told apart by the way the charge goes. Mean U = (Uc + Ud)/2 and half-width H = (Uc − Ud)/2 of branches
    Uc and Ud; a sequence with reversals is fitted by V = U + H h, dh/dz = γ (±1 − h) (Plett, J. Power Sources 134 (2004) 262),
    h from the other branch at its start.

    Parameters
    ----------
    tables : sequence of MeasuredTable
        With ``soc`` or ``moved``, and ``voltage``, ``charge`` or ``discharge``.
    base : Chemistry
        Whose shape goes on where nothing was measured, and whose half-width stands in for a branch that is missing.
    capacity_ah : float, optional
        Of the cell [Ah]; by default what a table in ampere-hours spans.
    cells_in_series : int
        Behind the voltages.

    Raises
    ------
    InputError
        If the tables do not tell the curve: what is missing or contradicts itself.
    """
    branches, sequences, told, spans = {}, [], [], []
    for table in tables:
        soc, span = _state_of_charge(table, capacity_ah, told)
        spans += [span] if span else []
        for key, z, volt in _parts(table, soc, told):
            if not len(volt):
                continue
            volt = volt / cells_in_series
            check_cell_volts(table, volt, cells_in_series)
            if key == "sequence":
                sequences.append((z, volt))
            elif key in branches:
                raise InputError(f"a second {key} branch; give one of each", file=table.path)
            else:
                branches[key] = _sorted(z, volt)
    if len(sequences) > 1 or (sequences and branches):
        raise InputError("a sequence of charge and discharge beside other curves; give one or the other", file=tables[0].path)
    found = _from_sequence(*sequences[0], base, told) if sequences else _from_branches(branches, base, told)
    found.capacity_ah = max(spans) if spans else None
    return found


# ---- what a table holds ----


def _state_of_charge(table, capacity_ah, told):
    """State of charge at each row, and the charge that the table spans [Ah] if it is in ampere-hours."""
    if "soc" in table:
        soc = table["soc"]
        if soc.min() < -0.02 or soc.max() > 1.02:
            raise InputError(
                "state of charge must lie between 0 and 100 %", file=table.path, value=f"{soc.min():.3g} to {soc.max():.3g}"
            )
        return np.clip(soc, 0.0, 1.0), None
    soc, span = np.empty(len(table["moved"])), 0.0
    for side in sorted(set(table["branch"])) if "branch" in table else [None]:
        own = np.ones(len(soc), bool) if side is None else table["branch"] == side
        soc[own], part = _from_charge(table, own, capacity_ah, told)
        span = max(span, part)
    return soc, span if capacity_ah is None else None


def _from_charge(table, own, capacity_ah, told):
    """State of charge of rows that count charge moved, in or out as the voltage tells; and what they span [Ah]."""
    moved = table["moved"][own]
    span = float(np.ptp(moved))
    whole = capacity_ah or span
    if not whole > 0 or span > 1.02 * whole:
        raise InputError(f"spans {span:.4g} Ah, which does not go with this capacity", file=table.path, value=f"{whole:.4g} Ah")
    volt = table[next(key for key in ("voltage", "charge", "discharge") if key in table)][own]
    good = np.isfinite(volt)
    if not good.any():
        raise InputError("holds charge without a voltage beside it", file=table.path)
    rises = float((moved[good] - moved[good].mean()) @ (volt[good] - volt[good].mean())) > 0
    if capacity_ah is None:
        way = "charged, from empty to full" if rises else "drawn, from full to empty"
        told.append(f"{table.path.name}: its {span:.4g} Ah are taken for the whole capacity {way}")
    part = (moved - moved.min()) / whole
    return np.clip(part if rises else 1.0 - part, 0.0, 1.0), span


def _parts(table, soc, told):
    """(branch or "sequence" or "mean", state of charge, voltage) of what a table holds."""
    sides = [side for side in ("charge", "discharge") if side in table]
    if sides:
        for side in sides:
            good = np.isfinite(table[side])
            yield side, soc[good], table[side][good]
        return
    volt = table["voltage"]
    if "branch" in table:
        for side in ("charge", "discharge"):
            own = table["branch"] == side
            if own.any():
                yield side, soc[own], volt[own]
        return
    if table.side:
        told.append(f"{table.path.name} is taken for the {table.side} branch, by its name")
        yield table.side, soc, volt
    elif len(_runs(soc)) > 1:
        yield "sequence", soc, volt
    else:
        told.append(f"{table.path.name} does not say on which branch it lies and is taken for the mean of both")
        yield "mean", soc, volt


def _sorted(soc, volt):
    order = np.argsort(soc, kind="stable")
    return soc[order], volt[order]


# ---- from points to a curve ----


def _from_branches(branches, base, told):
    if not branches:
        raise InputError("no rows of numbers to make an open-circuit curve of")
    low, high = max(z[0] for z, _ in branches.values()), min(z[-1] for z, _ in branches.values())
    if high - low < LEAST_SPAN:
        raise InputError(
            f"its branches have only {low * 100:.0f} to {high * 100:.0f} % of charge in common; needs {LEAST_SPAN * 100:.0f} points at least"
        )
    grid = _grid(branches.values(), low, high)
    on = {
        key: _rising(_at(grid, z, volt), grid, f"the {key} branch" if key != "mean" else "the curve", told)
        for key, (z, volt) in branches.items()
    }
    if "charge" in on and "discharge" in on:
        mean, half = (on["charge"] + on["discharge"]) / 2, (on["charge"] - on["discharge"]) / 2
        if half.mean() < 0:
            raise InputError(
                f"the charge branch lies {-2e3 * half.mean():.1f} mV below the discharge branch on average; are the two exchanged?"
            )
        if half.min() < 0:
            told.append(f"the branches cross by up to {-2e3 * half.min():.1f} mV; the half-width there is taken for 0")
        half = np.maximum(half, 0.0)
    else:
        (side, mean), half = next(iter(on.items())), None
        kept = base.half_width(grid)
        mean = mean + {"charge": -1, "discharge": 1, "mean": 0}[side] * kept
        if side != "mean":
            told.append(
                f"only the {side} branch was measured: the mean lies the half-width of {base.name} away from it, which is assumed"
            )
    return _completed(grid, mean, half, branches, base, told)


def _completed(grid, mean, half, branches, base, told):
    """What was measured, from 0 to 1, with what is left over at each measured point."""
    low, high = float(grid[0]), float(grid[-1])
    mean = _monotone(grid, mean)
    ends = [z for z in base.ocv.soc if z < low - 1e-9], [z for z in base.ocv.soc if z > high + 1e-9]
    before = mean[0] + base.ocv(np.array(ends[0])) - base.ocv(low)
    after = mean[-1] + base.ocv(np.array(ends[1])) - base.ocv(high)
    soc, volt = np.concatenate([ends[0], grid, ends[1]]), np.concatenate([before, mean, after])
    if ends[0] or ends[1]:
        told.append(
            f"measured from {low * 100:.3g} to {high * 100:.3g} % of charge; beyond, the shape of {base.name} goes on, which is assumed"
        )
    wide = None if half is None else np.interp(soc, grid, half)
    _tell_gaps(grid, base, told)
    found = MeasuredOCV(soc, volt, wide, branches, (low, high), told=told)
    signs = {"charge": 1.0, "discharge": -1.0, "mean": 0.0}
    curve = Curve(soc, volt)
    for key, (z, measured) in branches.items():
        width = base.half_width(z) if wide is None else np.interp(z, soc, wide)
        found.residual_v[key] = measured - curve(z) - signs[key] * width
    return found


def _tell_gaps(grid, base, told):
    """Tell where points lie so far apart that the base's own curve, read only there, would be off between them."""
    z = np.linspace(grid[0], grid[-1], 1001)
    off = np.abs(Curve(grid, base.ocv(grid))(z) - base.ocv(z))
    wide = np.flatnonzero(off > GAP_V)
    for place in np.unique(np.searchsorted(grid, z[wide])):
        inside = (z >= grid[place - 1]) & (z <= grid[place])
        told.append(
            f"no point between {grid[place - 1] * 100:.3g} and {grid[place] * 100:.3g} % of charge, where the curve of {base.name} bends: "
            f"read only there it would be off by {off[inside].max() * 1e3:.0f} mV; measure in between"
        )


def _grid(branches, low, high):
    """States of charge of the curve: the measured ones if they are few, else a usual set."""
    points = np.unique(np.round(np.concatenate([z for z, _ in branches]), 4))
    points = points[(points >= low) & (points <= high)]
    if len(points) > MOST_POINTS:
        points = DENSE
    inner = points[(points > low + 1e-3) & (points < high - 1e-3)]
    return np.concatenate([[low], inner, [high]])


def _at(grid, z, volt):
    """Voltages at the points of a grid: between few points straight lines, of many the parabola or straight line fitted to those near by."""
    if len(z) <= 2 * len(grid):
        single, inverse = np.unique(z, return_inverse=True)
        return np.interp(grid, single, np.bincount(inverse, volt) / np.bincount(inverse))
    edges = np.concatenate([[grid[0]], (grid[1:] + grid[:-1]) / 2, [grid[-1]]])
    out = np.empty(len(grid))
    for k, at in enumerate(grid):
        near = (z >= edges[k] - 1e-9) & (z <= edges[k + 1] + 1e-9)
        enough = near.sum() >= 4 and np.ptp(z[near]) > 0
        out[k] = np.polyfit(z[near] - at, volt[near], 2 if near.sum() >= 8 else 1)[-1] if enough else np.interp(at, z, volt)
    return out


def _rising(volt, grid, what, told):
    """A branch made level where it falls a little; where it falls much, an error."""
    highest = np.maximum.accumulate(volt)
    dip = float((highest - volt).max())
    if dip <= 1e-6:
        return volt
    at = int(np.argmax(highest - volt))
    if dip > MOST_DIP_V:
        raise InputError(
            f"{what} falls by {dip * 1e3:.1f} mV at {grid[at] * 100:.0f} % of charge, where it should rise; was it at rest there?"
        )
    told.append(
        f"{what} falls by up to {dip * 1e3:.1f} mV (at {grid[at] * 100:.0f} %) where it should rise; it was made level there"
    )
    return _monotone(grid, volt)


def _monotone(grid, volt):
    """The nearest curve, by least squares, that rises by ``LEAST_RISE`` at least (pool adjacent violators)."""
    from scipy.optimize import isotonic_regression

    line = LEAST_RISE * grid
    return isotonic_regression(volt - line).x + line


# ---- a sequence with reversals ----


def _runs(soc):
    """(begin, end) of the stretches in which state of charge goes one way, each from one turning point to the next."""
    turn, runs, way, begin, far = 0.005, [], 0, 0, 0
    for k in range(1, len(soc)):
        if way == 0 and abs(soc[k] - soc[begin]) > turn:
            way = 1 if soc[k] > soc[begin] else -1
            far = k
        elif way and (soc[k] - soc[far]) * way >= 0:
            far = k
        elif way and (soc[far] - soc[k]) * way > turn:
            runs.append((begin, far))
            begin, way, far = far, -way, k
    return [*runs, (begin, len(soc) - 1)]


def _from_sequence(soc, volt, base, told):
    runs = _runs(soc)
    whole = {}
    for begin, end in runs:
        side = "charge" if soc[end] > soc[begin] else "discharge"
        if abs(soc[end] - soc[begin]) >= LEAST_SPAN:
            whole.setdefault(side, (begin, end))
    if len(whole) < 2:
        raise InputError(
            f"goes up and down, but not over {LEAST_SPAN * 100:.0f} points of charge in both directions; needs one charge and one discharge "
            "at least, or a column that says the branch"
        )
    turned = [run for run in runs if run not in whole.values() and abs(soc[run[1]] - soc[run[0]]) >= LEAST_SCAN]
    branches = {side: _sorted(soc[a : b + 1], volt[a : b + 1]) for side, (a, b) in whole.items()}
    low, high = max(z[0] for z, _ in branches.values()), min(z[-1] for z, _ in branches.values())
    grid = _grid(branches.values(), low, high)
    on = {side: _rising(_at(grid, *branch), grid, f"the {side} branch", told) for side, branch in branches.items()}

    def curves(decay):
        """State along the sequence, mean curve and half-width for a decay."""
        h = state_along(soc, decay)
        hc, hd = (np.interp(grid, *_sorted(soc[a : b + 1], h[a : b + 1])) for a, b in (whole["charge"], whole["discharge"]))
        apart = (
            hc - hd > 1.0
        )  # near the turning points the branches run together, and nothing can be told of the half-width there
        if not apart.any():  # a decay so slow that the branches never part
            return h, (on["charge"] + on["discharge"]) / 2, np.zeros(len(grid))
        half = np.interp(grid, grid[apart], ((on["charge"] - on["discharge"]) / np.where(hc - hd > 0, hc - hd, 1.0))[apart])
        mean = (on["charge"] - half * hc + on["discharge"] - half * hd) / 2
        return h, mean, half

    decay, error = _decay(soc, volt, grid, curves, turned, told)
    _, mean, half = curves(decay or base.decay_per_soc)
    if half.mean() < 0:
        raise InputError(
            "voltages are lower while it is charged than while it is discharged; does the state of charge count the wrong way?"
        )
    found = _completed(grid, mean, np.maximum(half, 0.0), branches, base, told)
    h = state_along(soc, decay or base.decay_per_soc)
    left = volt - Curve(found.soc, found.volt)(soc) - h * np.interp(soc, found.soc, found.half_width_v)
    found.residual_v = {"sequence": left}
    found.branches = {"sequence": (soc, volt)}
    found.decay_per_soc, found.decay_error = decay, error
    return found


def state_along(soc, decay):
    """Hysteresis state along a sequence that begins on the branch opposite to its first way: h⁺ = s − (s − h) exp(−γ |Δz|).

    Parameters
    ----------
    soc : ndarray, shape (m,)
        State of charge in the order of time.
    decay : float
        γ [1 per unit of state of charge].

    >>> [round(float(h), 3) for h in state_along(np.array([0.0, 0.0, 1.0, 0.975]), 40.0)]
    [-1.0, -1.0, 1.0, -0.264]
    """
    steps = np.diff(soc)
    h = np.empty(len(soc))
    h[0] = -np.sign(next((step for step in steps if abs(step) > 1e-9), 1.0))
    for k, step in enumerate(steps):
        way = np.sign(step)
        h[k + 1] = way - (way - h[k]) * np.exp(-decay * abs(step))
    return h


def _decay(soc, volt, grid, curves, turned, told):
    """(decay, standard error) from what follows a reversal half way, (None, None) where nothing tells it."""
    rows = np.unique(np.concatenate([np.arange(a, b + 1) for a, b in turned])) if turned else np.array([], int)
    if len(rows) < 6:
        told.append("no reversal half way with six points or more: nothing tells how fast one branch goes over into the other")
        return None, None
    from scipy.optimize import least_squares

    def residual(log_decay):
        h, mean, half = curves(float(np.exp(log_decay[0])))
        return (Curve(grid, mean)(soc[rows]) + h[rows] * np.interp(soc[rows], grid, half) - volt[rows]) * 1e3

    best = min(
        (least_squares(residual, [np.log(start)], bounds=(np.log(0.5), np.log(5e3))) for start in (10.0, 40.0, 150.0)),
        key=lambda f: f.cost,
    )
    slope = float(best.jac[:, 0] @ best.jac[:, 0])
    sure = np.sqrt(2 * best.cost / max(1, len(rows) - 1) / slope) if slope > 0 else np.inf
    decay = float(np.exp(best.x[0]))
    if not sure < SURE:
        told.append("what follows the reversals does not tell how fast one branch goes over into the other")
        return None, None
    return decay, float(sure * decay)

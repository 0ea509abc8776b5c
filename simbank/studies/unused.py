"""Keys of a sweep that change nothing: found by comparing rows that differ in one key only, or what a run is given."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from simbank.distributions import Draw
from simbank.errors import InputError
from simbank.scenario import Scenario, with_changes
from simbank.studies.ageing.swept import of_ageing, of_file
from simbank.warning import BankWarning, counted

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["unused_keys"]

CODE = "key-changes-nothing"
MOST_BASES = 8  # points of a grid at which a drawn key is tried
MOST_KEYS = 24  # of a grid or list; with more no two rows differ in one key only, but in a design that looks at that itself
NOT_FIGURES = ("integrator", "handed_over", "warnings", "failure")


def unused_keys(
    scenario: Scenario,
    table: pd.DataFrame,
    fixed: Sequence[Mapping[str, Any]],
    fixed_keys: Sequence[str],
    vary: Mapping[str, str] | None,
    draws: Mapping[str, Draw],
    of_years: bool = False,
) -> list[BankWarning]:
    """Warnings of the keys whose values made no difference.

    Parameters
    ----------
    scenario : Scenario
        What was varied.
    table : DataFrame
        Rows of the sweep.
    fixed : list of dict
        Points of the grid or list.
    fixed_keys : list of str
        Keys of that.
    vary : dict of str to str or None
        Distributions as asked for, with their stars.
    draws : dict of str to Draw
        The same, a key for each.
    of_years : bool
        Whether a run is of years, which look at seasons and changes of packs, too.

    Returns
    -------
    list of BankWarning
        With code ``key-changes-nothing``. A key of a grid or list is judged by the figures of the runs; a drawn one, of which no two
        runs differ alone, by whether the bank and duty that a run is given are the same.
    """
    judged = fixed_keys if len(fixed_keys) <= MOST_KEYS else []
    found = [_of_rows(table, key, [*fixed_keys, *draws]) for key in judged]
    found += [_of_draws(scenario, fixed, key, draws, of_years) for key in vary or () if not of_ageing({key: None})]
    return [warning for warning in found if warning is not None]


def _of_rows(table, key, keys):
    rows = table[table["failure"].isna()]
    others = [other for other in keys if other != key and other in rows]
    figures = [column for column in rows if column not in keys and column not in NOT_FIGURES]
    if key not in rows or not len(rows) or not figures:
        return None
    groups = [group for _, group in rows.groupby(others, dropna=False, sort=False)] if others else [rows]
    groups = [group for group in groups if len(group[key].unique()) > 1]
    still = [len(group[figures].drop_duplicates()) == 1 for group in groups]
    if not any(still):
        return None
    copies = sum(len(group) for group, same in zip(groups, still, strict=True) if same)
    because = "nothing there uses it, or no run comes to where it would count"
    if all(still):
        text = f"no figure of any of {counted(copies, 'run')} changed with it: {because}"
        return BankWarning(CODE, key, text)
    for other in others:
        values = [group[other].iloc[0] for group in groups]
        where = {value for value, same in zip(values, still, strict=True) if same}
        if where.isdisjoint(value for value, same in zip(values, still, strict=True) if not same):
            named = ", ".join(str(value) for value in dict.fromkeys(values) if value in where)
            return BankWarning(
                CODE, key, f"no figure changed with it where {other} is {named} ({counted(copies, 'run')}): {because}"
            )
    return None


def _of_draws(scenario, fixed, key, draws, of_years):
    begin, star, end = key.partition("*")
    own = [name for name in draws if name == key or (star and name.startswith(begin) and name.endswith(end))]
    if not own:
        return None
    draw = draws[own[0]]
    middle = {name: other.value(0.5) for name, other in draws.items() if name not in own}
    still = []
    for base in fixed[:MOST_BASES]:
        try:
            tried = [of_file(base | middle | {key: draw.value(share)}) for share in (0.1, 0.5, 0.9)]
            cases = [_given(with_changes(scenario, point), of_years) for point in tried]
        except InputError:
            return None  # a draw that does not fit is said in its row
        still.append(len(set(cases)) == 1)
    if not any(still):
        return None
    where = ""
    if not all(still):
        points = [", ".join(f"{k} = {v}" for k, v in base.items()) for base, same in zip(fixed, still, strict=False) if same]
        where = f" where {'; '.join(points)}"
    return BankWarning(
        CODE, key, f"the bank and duty that a run is given are the same for any value of it{where}: nothing uses it"
    )


def _given(scenario, of_years):
    """A hash of all that a run computes from: packs, network, equipment, duty (of a sampled one its first window)."""
    from simbank.simulation.setup import monitor_array, pack_arrays

    bank, duty = scenario.bank, scenario.duty
    parts = [*pack_arrays(bank.packs, bank.ambient_k), monitor_array(bank.packs)]
    parts += [repr([(pack.soc, pack.hysteresis, pack.temperature_k) for pack in bank.packs])]
    parts += [repr([(b.from_node, b.to_node, b.resistance_ohm) for b in bank.graph.branches])]
    parts += [repr((bank.devices, bank.port_equipment, bank.switching))]
    if of_years:
        parts += [repr((scenario.file.seasons, scenario.file.changes))]
        parts += [repr([(pack.rated_capacity_ah, pack.capacity_left, pack.resistance_growth) for pack in bank.packs])]
    parts += [bank.neighbours_w_k] if bank.neighbours_w_k is not None else []
    if hasattr(duty, "windows"):
        window = next(iter(duty.windows()))
        for port, samples in window.samples.items():
            parts += [port, samples.starts, samples.value_w, samples.ac_asked_w, repr(samples.limits)]
        parts.append(repr((duty.step_s, duty.length)))
    else:
        parts.append(repr((duty.steps, duty.repeat)))
    total = hashlib.sha256()
    for part in parts:
        total.update(part.encode() if isinstance(part, str) else part.tobytes())
    return total.hexdigest()

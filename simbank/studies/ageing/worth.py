"""What a person can change is worth over years: a bus bar, a lower float, a cooler place, another order, a new pack for the first to go."""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterator

import numpy as np
import pandas as pd

from simbank.errors import InputError, RunStopped, SimulationError
from simbank.interrupts import heard_by
from simbank.scenario import Scenario, from_dict
from simbank.scenario.addition import singly
from simbank.simulation.bank_warnings import FREEZING
from simbank.studies.ageing.aged import Ageing
from simbank.studies.ageing.columns import NO_DANGER, WORTH
from simbank.studies.ageing.years import age
from simbank.warning import listed

__all__ = ["changes_of", "worth"]

DANGERS = (FREEZING,)  # warnings that a change of the bank brings on, and that no year gained is worth

COOLER_K, FLOAT_LOWER_V = 5.0, 0.1  # how much cooler; how much lower for each cell in series
SAME_YEARS = 0.1  # to 80 %, within which packs are taken for worn at once: what a table of years shows
ALIKE_LEFT = (
    1e-3  # of the capacity as new, by which what is left must differ: what a table shows, twice what the steps may err by
)


def worth(found: Ageing, progress: Callable[[float], None] | None = None) -> pd.DataFrame:
    """The same years with one thing changed at a time.

    Parameters
    ----------
    found : Ageing
        The bank as it is.
    progress : callable, optional
        Called with the fraction done.

    Returns
    -------
    DataFrame
        A row for the bank as it is and for each change that its file has what it takes for; the columns are described in
        :data:`~simbank.studies.ageing.columns.WORTH`. ``attrs["left_out"]`` says which changes could not be tried, and why.

    Raises
    ------
    RunStopped
        By Ctrl-C; ``partial`` is the table of those that were done.
    """
    settings = {
        key: found.made_by[key]
        for key in ("years", "law", "others", "windows", "window_days", "tolerance_points")
        if key in found.made_by
    }
    rows, left_out = [_figures("as it is", found)], []
    tried = list(changes_of(found))
    interrupted = []
    try:
        with heard_by(lambda: interrupted.append(True) or True):
            for k, (what, make) in enumerate(tried):
                if progress:
                    progress(k / len(tried))
                try:
                    rows.append(_figures(what, age(make(), **settings)))
                except RunStopped:
                    raise
                except (InputError, LookupError, SimulationError) as error:
                    left_out.append(f"{what}: {getattr(error, 'problem', error)}")
                if interrupted:
                    raise KeyboardInterrupt
    except (RunStopped, KeyboardInterrupt):
        done = len(rows) - 1 + len(left_out)
        raise RunStopped(f"stopped with {done} of {len(tried)} changes tried", _gained(rows, left_out)) from None
    return _gained(rows, left_out)


def _gained(rows, left_out):
    """The table, with what each change gains against the first row."""
    frame = pd.DataFrame(rows)
    base = frame.iloc[0]
    frame["years_gained"] = frame["years_to_80"] - base["years_to_80"]
    frame["usable_gained_wh"] = frame["usable_wh"] - base["usable_wh"]
    frame["unmet_saved_wh"] = base["unmet_wh"] - frame["unmet_wh"]
    frame["unmet_share"] = (frame["unmet_wh"] / frame["asked_wh"].where(frame["asked_wh"] > 0.0)).astype(float)
    by_law = [_by_law(row, rows[0]) for row in rows]
    frame = pd.concat([frame, pd.DataFrame(by_law)], axis=1)[WORTH.names]
    frame.attrs["left_out"] = left_out
    return frame


def _by_law(row, base):
    """Least and most that a change gains by any of the laws, each against itself, and what all of them say."""
    years = np.array([row["by_law"][law][0] - own[0] for law, own in base["by_law"].items()])
    left, energy = ([row["by_law"][law][k] - own[k] for law, own in base["by_law"].items()] for k in (1, 2))
    low, high = min(left), max(left)
    said = "longer" if low > ALIKE_LEFT else "shorter" if high < -ALIKE_LEFT else "not settled"
    if max(-low, high) <= ALIKE_LEFT:
        said = "alike"
    if row["dangers"] != NO_DANGER:
        said += ", but dangerous"
    return {
        "years_gained_low": years.min(), "years_gained_high": years.max(), "by_all_laws": said,
        "usable_gained_low_wh": min(energy), "usable_gained_high_wh": max(energy),
    }  # fmt: skip


def _figures(what, found):
    """A row of the table, but for what is gained."""
    dangers = ", ".join(dict.fromkeys(warning.code for warning in found.warnings if warning.code in DANGERS)) or NO_DANGER
    hours = max(float(stress.figures["frozen_charge_h"].max()) for segment in found.segments for _, stress in segment.stresses)
    own = {"asked_wh": found.sum_of_years("asked_wh"), "dangers": dangers, "frozen_charge_h": hours, "by_law": _of_laws(found)}
    return {"change": what} | found.compared | own


def _of_laws(found):
    """By law: years until the first of the packs that begin above 80 % comes to it, the least of them left at the end, usable energy."""
    out, laws = {}, found.by_law[found.by_law["pack"].isin(found.begins_above)]
    for number, (name, own) in enumerate(laws.groupby("law", sort=False)):
        out[name] = own["years_to_80"].min(), own["capacity_left"].min(), found.usable_wh_by(number)
    return out


def changes_of(found: Ageing) -> Iterator[tuple[str, Callable[[], Scenario]]]:
    """Name of each change that the file has what it takes for, and what makes the scenario with it."""
    yield from _changes(found.scenario)
    yield from _new_for_first(found)


def _changed(scenario, change):
    """What makes a scenario with its data changed."""

    def make():
        data = copy.deepcopy(scenario.data)
        change(data)
        return from_dict(data, source=scenario.source)

    return make


def _changes(scenario: Scenario) -> Iterator[tuple[str, Callable[[], Scenario]]]:
    """Changes of the bank at its start."""
    if scenario.layout != "busbar" and not scenario.bank.strings:
        yield "on a bus bar", _changed(scenario, lambda data: data["wiring"].update(layout="busbar"))
    series = max(pack.cells_in_series for pack in scenario.bank.packs)
    if any(port.charger is not None and port.charger.float_ is not None for port in scenario.file.ports):
        yield (
            f"float {FLOAT_LOWER_V:g} V a cell lower",
            _changed(scenario, lambda data: _lower_float(data, scenario, series * FLOAT_LOWER_V)),
        )
    yield f"{COOLER_K:g} K cooler", _changed(scenario, lambda data: _cooler(data, scenario))
    if len(scenario.bank.packs) > 1 and scenario.layout != "graph" and not scenario.bank.strings:
        yield (
            "packs in the reverse order",
            _changed(scenario, lambda data: data.update(packs=singly(data["packs"], scenario)[::-1])),
        )


def _new_for_first(found):
    """New packs for all that are first to go: when the first comes to 80 %, if it does half a year before the end or sooner."""
    at = found.table.set_index("pack")["years_to_80"][found.first]
    if not 0.0 < at < found.asked_years - 0.5:
        return
    old = dict(found.scenario.file.each_pack())
    times = found.table.set_index("pack").loc[found.begins_above, "years_to_80"]
    first = list(dict.fromkeys([*found.tied, *times.index[times < at + SAME_YEARS]]))
    if any(name not in old for name in first):
        return
    packs = []
    for name in first:
        pack = {"name": name, "type": old[name].type, "soc": 0.5}
        if old[name].temperature is not None:  # it stands where the old one stood
            pack["temperature"] = f"{old[name].temperature:.6g} K"
        packs.append(pack)
    new = {"at": f"{at:.4g} years", "replace": packs}
    yield (
        f"{listed(first)} replaced after {at:.1f} years",
        _changed(found.scenario, lambda data: data.setdefault("changes", []).append(new)),
    )


def _lower_float(data, scenario, volt):
    """Every charger's float, and where it begins anew, so much lower."""
    for table, port in zip(data["ports"], scenario.file.ports, strict=True):
        if port.charger is not None and port.charger.float_ is not None:
            table["charger"]["float"] = f"{port.charger.float_ - volt:.6g} V"
            if port.charger.rebulk is not None:
                table["charger"]["rebulk"] = f"{port.charger.rebulk - volt:.6g} V"


def _cooler(data, scenario):
    """The air cooler, all year; packs that have a temperature of their own, too."""
    seasons = scenario.file.seasons
    if seasons is not None:
        key = "seasons" if "seasons" in data else "ambient"
        cooler = {"shift": seasons.shift - COOLER_K} if seasons.file is not None else {"mean": seasons.mean - COOLER_K}
        data[key] = data[key] | {name: f"{value:.6g} K" for name, value in cooler.items()}
    else:
        data["ambient"] = f"{scenario.file.ambient - COOLER_K:.6g} K"
    for table, pack in zip(data["packs"], scenario.file.packs, strict=True):
        if pack.temperature is not None:
            table["temperature"] = f"{pack.temperature - COOLER_K:.6g} K"

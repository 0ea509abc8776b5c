"""The command on fault currents and protection."""

from __future__ import annotations

import math
import re
from typing import Annotated

import typer

from simbank.caution import PROTECTION_CAUTION
from simbank.cli.options import Bands, File, Json, Out, ReportFile, Seed, Set, Wide, number_option
from simbank.cli.output import Command, say, show_table
from simbank.cli.report_bands import fault_draws, report_bands
from simbank.digits import duration, number, numbers
from simbank.errors import InputError

__all__ = ["protect"]


_LEAST_K, _MOST_K = 213.15, 393.15  # of packs in the cases of faults
_FAULT_COLUMNS = {
    "place": "fault at", "initial_a": "at once [A]", "after_1s_a": "after 1 s [A]", "least_a": "least [A]",
    "least_one_pack_a": "least, one pack [A]",
}  # fmt: skip
_BAND_COLUMNS = {
    key: heading for key, heading in _FAULT_COLUMNS.items() if key in ("place", "initial_a", "least_a", "least_one_pack_a")
}
_MORE_OF_BANDS = {"after_10ms_a": "after 10 ms [A]", "after_100ms_a": "after 100 ms [A]", "after_1s_a": "after 1 s [A]"}
_MORE_OF_FAULTS = {"after_10ms_a": "after 10 ms [A]", "after_100ms_a": "after 100 ms [A]", "rise_ms": "63 % after"}
_OVERLOAD_COLUMNS = {
    "times_full_load": "times full load", "device": "device", "current": "current [A]", "soonest_s": "alone, soonest",
    "latest_s": "alone, latest", "in_turn_s": "in turn",
}  # fmt: skip
_MORE_OF_OVERLOAD = {"breaks": "counts as", "middle_s": "alone, middle"}
_OUTAGE_COLUMNS = {"dropped": "without", "load": "full", "pack": "hardest pack", "current_a": "current [A]", "then": "then"}
_MORE_OF_OUTAGES = {"c_rate": "C-rate", "device_margin": "rating ÷ current"}
_SHORT_COLUMNS = (
    "short in",
    "start",
    "charger",
    "largest feed [A]",
    "fed in [Wh]",
    "over after",
    "good cells up to [V]",
    "ended by",
)
_UNITS_S = {"µs": 1e-6, "ms": 1e-3, "s": 1.0, "min": 60.0, "h": 3600.0, "days": 86400.0, "years": 365.25 * 86400.0}
_TIME = re.compile(rf"(\d[\d.]*) ({'|'.join(_UNITS_S)})\b")


def protect(
    file: File,
    set_: Set = [],  # noqa: B006
    out: Out = None,
    json_: Json = False,
    report: ReportFile = None,
    warm: Annotated[str, typer.Option(help="Pack temperature for the greatest fault currents.")] = "45 degC",
    cold: Annotated[str, typer.Option(help="Pack temperature for the least fault currents.")] = "0 degC",
    within: Annotated[str, typer.Option(help="Time within which every fault should clear.")] = "5 s",
    drop: Annotated[float, number_option(help="Greatest voltage drop from pack to port [%].", min=0.01, max=50)] = 3.0,
    margin: Annotated[float, number_option(help="Rating of a device ÷ load that lasts.", min=1.0, max=10)] = 1.25,
    pack_inductance: Annotated[str, typer.Option(help="Inductance of each pack, for the rise of fault current.")] = "0 uH",
    shorted_cells: Annotated[int, typer.Option(help="Cells shorted in the case of a shorted pack.", min=1, max=100)] = 1,
    wide: Wide = False,
    all_: Annotated[bool, typer.Option("--all", help="Show the checks that passed too.")] = False,
    bands: Bands = None,
    seed: Seed = 0,
):
    """Fault currents at every place, checks of devices and conductors, what opens first, what the rest then carries."""
    from simbank.quantities import parse
    from simbank.studies import Assumptions
    from simbank.studies import protect as study

    def read(option, text, unit):
        try:
            return parse(text, unit)
        except InputError as error:
            raise InputError(error.problem, key=option, value=text) from None

    kelvin = {"--warm": read("--warm", warm, "kelvin"), "--cold": read("--cold", cold, "kelvin")}
    for (option, value), text in zip(kelvin.items(), (warm, cold), strict=True):
        if not _LEAST_K <= value <= _MOST_K:
            raise InputError("give a temperature of packs, from -60 to 120 degC", key=option, value=text)
    if kelvin["--cold"] >= kelvin["--warm"]:
        problem = f"must be below --warm ({warm}), the temperature of the greatest currents"
        raise InputError(problem, key="--cold", value=cold)
    wanted_s = read("--within", within, "second")
    if not wanted_s > 0:
        raise InputError("give a time above zero", key="--within", value=within)
    henry = read("--pack-inductance", pack_inductance, "henry")
    if not 0 <= henry < math.inf:
        raise InputError("must not be below zero", key="--pack-inductance", value=pack_inductance)
    command = Command(file, set_, out, json_, report, wide)
    for pack in command.scenario.bank.packs:
        if shorted_cells >= pack.cells_in_series:
            problem = (
                f"pack {pack.name} has {pack.cells_in_series} cells in series: at most {pack.cells_in_series - 1} can be followed"
            )
            raise InputError(problem, key="--shorted-cells", value=shorted_cells)
    case = Assumptions(
        warm_k=kelvin["--warm"], cold_k=kelvin["--cold"], wanted_s=wanted_s,
        drop_share=drop / 100.0, margin=margin, pack_h=henry,
        cells_shorted=shorted_cells,
    )  # fmt: skip
    with command.progress("Protection of") as progress:
        found = study(command.scenario, case, progress=progress, bands=bands or None, seed=seed)

    def parts():
        told, why = found, ""
        if bands is None:
            told, why = report_bands(
                command.scenario.name, bands, json_, lambda: fault_draws(command.scenario, bands, seed, case),
                lambda draws, progress: found.in_draws(draws, seed, progress),
            )  # fmt: skip
        return {"protection": told or found, "without_bands": why}

    command.finish(found, lambda found, wide: _show_protection(found, all_, wide), parts, PROTECTION_CAUTION)


def _show_protection(found, everything, wide):
    title = f"{found.scenario.name}: prospective fault currents, bolted"
    show_table(title, found.faults.reset_index(), _FAULT_COLUMNS, _MORE_OF_FAULTS, wide)
    if found.bands is not None and found.bands.uncertain:
        show_table("The same from 5 to 95 % of the draws", found.bands.spans(), _BAND_COLUMNS, _MORE_OF_BANDS, wide)
    drawn = () if found.bands is None else found.bands.words
    for k, line in enumerate((*drawn, *found.basis, *found.reliance)):
        say(line, gap=k == 0)
    _show_clearing(found.clearing_told, wide)
    if len(found.overload):
        _show_overload(found, wide)
    if len(found.outages):
        show_table("One out at full load", found.worst_outages, _OUTAGE_COLUMNS, _MORE_OF_OUTAGES, wide, keys=2)
    if found.string_ratings:
        say("Devices of strings before those behind them", "bold", gap=True)
        for rating in found.string_ratings:
            say(f"{rating.string}, {rating.device}: {rating.text}", hang=2)
    if found.told_shorted is not None:
        _show_shorted(found, wide)
    _show_checks(found, everything)
    say(f"{found.headline} {found.load_note[0].upper()}{found.load_note[1:]}.", gap=True)
    say("Not checked: " + "; ".join(found.not_checked) + ".", style="italic")


def _show_clearing(told, wide):
    """A block for each place: what opens there and whether that ends the fault, first where it does not.

    Places at which the same devices open in the same order are told together, with the times from the first to the last of them;
    ``wide``: each by itself.
    """
    groups = {}
    for place, stops, selective, opens in told.itertuples(index=False):
        skeleton = place if wide else _TIME.sub("", opens)
        groups.setdefault((skeleton, stops, selective), []).append((place, opens))
    say("What opens in the greatest case, and when by the middle of its band", "bold", gap=True)
    uncleared = "NOT CLEARED"
    for (_, stops, selective), rows in sorted(groups.items(), key=lambda group: uncleared not in group[1][0][1]):
        alone = "" if stops == "none" else f" {stops[:1].upper()}{stops[1:]} alone would clear it."
        opens = _spans([opens for _, opens in rows])
        say(f"Fault at {', '.join(place for place, _ in rows)}", "bold" if uncleared in opens else None, hang=2)
        say(f"Opens: {opens}.{alone} Selective: {selective}.", hang=2, indent=2)


def _spans(texts):
    """One text for several that differ in their times only: each time as the span from the least to the greatest."""
    times = zip(*(_TIME.findall(text) for text in texts), strict=True)

    def span(found):
        ordered = sorted(set(found), key=lambda part: float(part[0]) * _UNITS_S[part[1]])
        (low, low_unit), (high, high_unit) = ordered[0], ordered[-1]
        if len(ordered) == 1:
            return f"{low} {low_unit}"
        return f"{low} to {high} {high_unit}" if low_unit == high_unit else f"{low} {low_unit} to {high} {high_unit}"

    spans = iter([span(found) for found in times])
    return _TIME.sub(lambda _: next(spans), texts[0])


def _show_overload(found, wide):
    """When each device opens; devices that open alike at the same overload in one row, unless ``wide``."""
    import pandas as pd

    overload = found.overload
    if not wide:  # what counts as failed closed says so by its name
        named = overload["device"] + " (" + overload["breaks"] + ")"
        overload = overload.assign(device=overload["device"].where(overload["breaks"] == "opens", named))
    rows = []
    times = ["soonest_s", "middle_s", "latest_s", "in_turn_s"]
    for _, row in overload.iterrows():
        told = (row["times_full_load"], row["breaks"], *(duration(row[key]) for key in times))
        if not wide and rows and rows[-1][0] == told:
            rows[-1][1].append(row)
        else:
            rows.append((told, [row]))
    table = pd.DataFrame([_together(same) for _, same in rows])
    title = "Overload at the ports: when each device opens if no other does, and in turn"
    show_table(title, table, _OVERLOAD_COLUMNS, _MORE_OF_OVERLOAD, wide, keys=2)
    say("Overload at the ports, followed to its end", "bold", gap=True)
    for times, then in found.overload_told.itertuples(index=False):
        say(f"{number(times)} times: {then}", hang=2)


def _together(rows):
    """Rows that say the same of several devices as one."""
    currents = [row["current_a"] for row in rows]
    ends = dict.fromkeys(number(current, "A") for current in (min(currents), max(currents)))
    return {**rows[0], "device": ", ".join(row["device"] for row in rows), "current": " to ".join(ends)}


def _show_shorted(found, wide):
    """Of every pack the cases of the largest feed and of the most energy; ``wide``: every case."""
    import pandas as pd

    told = found.told_shorted.reset_index(drop=True)
    told["over after"] = [duration(hours * 3600.0) for hours in told.pop("over after [h]")]
    told["good cells up to [V]"] = numbers(told["good cells up to [V]"], "V")
    kept = pd.Series(wide, told.index)
    of_pack = (
        told.sort_values("fed in [Wh]", ascending=False)
        .assign(pack=told["short in"].str.split(", "))
        .explode("pack")
        .groupby("pack")
    )
    for column in ("largest feed [A]", "fed in [Wh]"):
        kept[of_pack[column].idxmax()] = True
    columns = {key: key for key in _SHORT_COLUMNS}
    more = {key: key for key in told if key not in columns}
    title = "A cell shorts and every BMS switch is stuck closed: what neighbours and charger feed into it"
    show_table(title, told[kept].astype(object), columns, more, wide, keys=3)
    left = (~kept).sum()
    if left:
        say(f"{left} more cases, with no more current and no more energy into the same pack: --wide shows them.", gap=True)
    say(found.short_words, gap=not left)


def _show_checks(found, everything):
    """What did not pass, the gravest rule first, each rule with its source once; with ``everything`` what passed too."""
    from simbank.report.failures import URGENCY
    from simbank.studies.protection.checks import FAIL, NOT_CHECKABLE, NOTE, PASS

    told = found.told(found.checks if everything else found.checks[found.checks["status"] != PASS])
    status, rule = (FAIL, NOT_CHECKABLE, NOTE, PASS), dict.fromkeys([*URGENCY, *told["rule"]])
    order = {pair: k for k, pair in enumerate((s, r) for s in status for r in rule)}
    groups = sorted(told.groupby(["status", "rule"], sort=False), key=lambda group: order[group[0]])
    if not groups:
        return
    say("Checks" if everything else "Checks that did not pass", "bold", gap=True)
    for (status, rule), rows in groups:
        say(f"{status.upper()} {rule} ({rows['source'].iloc[0]})", "bold" if status == FAIL else None, hang=2)
        for row in rows.itertuples():
            say(f"{row.where}: {row.text}", hang=2, indent=2)

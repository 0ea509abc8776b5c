"""Commands that run many scenarios and put them side by side."""

from __future__ import annotations

import contextlib
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from simbank.caution import CAUTION, PROTECTION_CAUTION
from simbank.cli.bands import show_bands, show_paired
from simbank.cli.options import (
    LAYOUT_NAMES,
    Bands,
    Cluster,
    File,
    Integrator,
    Jobs,
    Json,
    Law,
    Method,
    OneIntegrator,
    Out,
    ReportFile,
    Seed,
    Set,
    Tolerance,
    Vary,
    Wide,
    Years,
    draws,
    grid,
    number_option,
    read_points,
    years_settings,
)
from simbank.cli.output import Command, integrator_words, say, show_table, show_tables
from simbank.cli.report_bands import study_bands
from simbank.digits import MISSING, percent
from simbank.errors import InputError, RunStopped, SimulationError

__all__ = ["bill", "compare", "drift", "sensitivity", "size", "sweep", "usable"]

_YEARS_COLUMNS = {
    "first": "first", "to_80": "years to 80 %", "left": "least left [%]", "apart": "capacity spread [points]", "usable_wh": "usable at the end [Wh]",
}  # fmt: skip
_MORE_OF_YEARS = {
    "unmet_wh": "unmet [Wh]", "first_term": "most by", "apart_start": "capacity spread when they came together [points]",
    "resistance_spread": "resistance spread", "asked_wh": "asked [Wh]", "years_covered": "years", "error_points": "error of the steps [points]",
}  # fmt: skip
MOST_RUNS, MOST_TIED = 40, 3
SENSITIVITY_TOLERANCE = 1e-6
FAST = {"integrator": "fast", "tolerance": 1e-5}  # with which draws are run, and timed


def compare(
    file: File,
    layout: Annotated[
        list[str], typer.Option("--layout", help=f"A layout to include: {LAYOUT_NAMES}; repeatable. Default: all that fit.")
    ] = [],  # noqa: B006
    set_: Set = [],  # noqa: B006
    out: Out = None,
    json_: Json = False,
    report: ReportFile = None,
    bands: Bands = None,
    seed: Seed = 0,
    wide: Wide = False,
    integrator: Integrator = "auto",
    method: Method = "LSODA",
    tolerance: Tolerance = None,
):
    """Run the same packs and duty under several wiring layouts, side by side."""
    from simbank.studies import compare as study
    from simbank.studies.compare import Comparison

    command = Command(file, set_, out, json_, report, wide)

    def finish(found):
        command.finish(found, _show_layouts, lambda: parts(found))

    def parts(found):
        from simbank.studies.paired import layout_bands

        own, why, layouts = found.results.get(command.scenario.layout), "", list(found.results)
        if found.bands is None:
            drawn, why = study_bands(
                command, bands, lambda: study(command.scenario, layouts, **FAST),
                lambda draws, progress: layout_bands(command.scenario, layouts, draws, seed, progress=progress),
            )  # fmt: skip
            found = replace(found, bands=drawn)
        return {"result": own, "comparison": found, "without_bands": why}

    with _keeping(finish, Comparison), command.progress("Comparing layouts of") as progress:
        found = study(
            command.scenario, layout or None, bands=bands or None, seed=seed, progress=progress, integrator=integrator, method=method,
            tolerance=tolerance,
        )  # fmt: skip
    finish(found)


@contextlib.contextmanager
def _keeping(finish, kind):
    """Within, what Ctrl-C leaves of a study, if it is of this kind, is given out by ``finish`` before the command ends."""
    try:
        yield
    except RunStopped as stopped:
        if isinstance(stopped.partial, kind):
            finish(stopped.partial)
        raise


def _show_layouts(found, wide):
    show_tables(found.shown, wide)
    if found.not_counted:
        say(found.not_counted, gap=True)
    say(integrator_words(next(iter(found.results.values())).summary), gap=True)
    if found.bands is not None:
        show_paired(found.bands, wide)


def sweep(
    file: File,
    over: Annotated[
        list[str], typer.Option("--over", metavar="KEY=V1,V2,...", help="Values of a dotted key; repeat for a grid.")
    ] = [],  # noqa: B006
    vary: Vary = [],  # noqa: B006
    points: Annotated[
        Path | None,
        typer.Option(
            metavar="CSV", help="A list of points: a column for each dotted key, a row for each run; empty: as in the file."
        ),
    ] = None,
    runs: Annotated[int, typer.Option(help="Draws for --vary.", min=1)] = 100,
    sampler: Annotated[str, typer.Option(help="lhs (Latin hypercube) or sobol.")] = "lhs",
    seed: Annotated[int, typer.Option(help="Seed of the draws.", min=0)] = 0,
    x: Annotated[str | None, typer.Option("--x", metavar="KEY", help="Key along the axis of the picture.")] = None,
    by: Annotated[str | None, typer.Option("--by", metavar="KEY", help="Key whose values are lines of their own.")] = None,
    figure: Annotated[
        str | None, typer.Option("--figure", metavar="COLUMN", help="Column of the table that the picture shows.")
    ] = None,
    years: Years = None,
    law: Law = None,
    jobs: Jobs = -1,
    cluster: Cluster = None,
    set_: Set = [],  # noqa: B006
    out: Out = None,
    json_: Json = False,
    report: ReportFile = None,
    wide: Wide = False,
    integrator: OneIntegrator = "fast",
    method: Method = "LSODA",
    tolerance: Tolerance = None,
):
    """Many runs: a grid (--over duty.c_rate=0.1,0.5), a list (--points), random draws (--vary). With --out it can be resumed."""
    from simbank.studies import Sweep
    from simbank.studies import sweep as study

    for option, value in (("--x", x), ("--by", by), ("--figure", figure)):
        if value is not None and out is None and report is None:
            raise InputError("chooses what a picture shows: give --out or --report too", key=option, value=value)
    command = Command(file, set_, out, json_, report, wide)
    with command.progress("Sweeping") as progress:
        table = study(
            command.scenario, grid(over) or None, points=None if points is None else read_points(points),
            vary=draws(vary) or None, runs=runs, sampler=sampler, seed=seed, jobs=jobs, cluster=cluster, keep=out,
            progress=progress, integrator=integrator, method=method if years is None or method != "LSODA" else None,
            tolerance=tolerance, **years_settings(years, law),
        )  # fmt: skip
    found = Sweep(table, x, by, figure)
    command.finish(found, _show_runs)
    if found.failure:
        raise SimulationError(found.failure)


def _show_runs(found, wide):
    table = found.table.reset_index(drop=True)
    keys = [*found.table.attrs["fixed_keys"], *found.table.attrs["drawn_keys"]]
    columns = {key: key.removeprefix("wiring.").removeprefix("duty.") for key in (keys if wide else keys[:6])}
    of_years = found.made_by.get("years") is not None
    if of_years and "first_pack" in table:
        table = _years_in_words(table, found.made_by["years"])
    for_people, further = (_YEARS_COLUMNS, _MORE_OF_YEARS) if of_years else _columns_of_runs()
    columns |= {key: heading for key, heading in for_people.items() if key in table}
    if of_years and "first_pack" in table:
        columns |= _what_speaks_against(table)
    more = {key: heading for key, heading in further.items() if key in table}
    failed = table["failure"].notna()
    if failed.any():
        columns |= {"failure": "failure"}
    shown = table[(table.index < MOST_RUNS) | failed]
    numbered = shown.assign(**{"run": shown.index + 1})
    show_table(found.title, numbered, {"run": "run"} | columns, more, wide)
    if len(shown) < len(table):
        say(f"{len(table) - len(shown)} more runs, none of which failed, are in --out and --json.")
    say(f"Integrator: {found.made_by['integrator']}.", gap=True)


def _columns_of_runs():
    """Columns of a table of runs with their headings: at once, and with ``--wide``."""
    from simbank.studies.figures import COLUMNS, MORE

    later = {"conductor_loss_wh", "port_voltage_min_v"}
    more = {**MORE, "conductor_loss_wh": COLUMNS["conductor_loss_wh"], "charge_out_ah": "charge out [Ah]"}
    return {key: heading for key, heading in COLUMNS.items() if key not in later}, more


def _years_in_words(table, years):
    """A table of runs of years with the columns that people read; a run that failed has none of them."""
    far = [2.0 * end for end in table.get("ageing.years", [years] * len(table))]
    ran = table["failure"].isna()

    def text(of, *columns):
        rows = zip(ran, *columns, strict=True)
        return [of(*values) if there else MISSING for there, *values in rows]

    def who(first, tied):
        names = [first, *(tied.split(", ") if isinstance(tied, str) else ())]
        return ", ".join(names) if len(names) <= MOST_TIED else f"{first} and {len(names) - 1} more"

    return table.assign(
        first=text(who, table["first_pack"], table["first_tied"]),
        to_80=text(
            lambda value, end: f"{value:.1f}" if value == value else f"> {end:g}", table["years_to_80"].astype(float), far
        ),
        left=text(lambda value: f"{100 * value:.1f}", table["capacity_left_min"]),
        apart=text(lambda value: f"{100 * value:.1f}", table["capacity_spread"]),
        apart_start=text(lambda value: f"{100 * value:.1f}", table["capacity_spread_start"]),
    )


def _what_speaks_against(table):
    """Columns of runs of years for what is not given and for dangers, each where there is some; the table has them."""
    from simbank.simulation.bank_warnings import FREEZING

    table["not_given"] = [
        percent(unmet / asked) if asked and asked == asked and unmet == unmet else MISSING
        for unmet, asked in zip(table["unmet_wh"].astype(float), table["asked_wh"].astype(float), strict=True)
    ]
    table["danger"] = [FREEZING if FREEZING in (codes or "").split(", ") else "" for codes in table["warnings"]]
    columns = {}
    if (table["unmet_wh"].astype(float) > 1e-5 * table["asked_wh"].astype(float)).any():
        columns["not_given"] = "not given of what is asked"
    if (table["danger"] != "").any():
        columns["danger"] = "DANGER"
    return columns


def sensitivity(
    file: File,
    vary: Vary,
    figure: Annotated[
        str | None,
        typer.Option(
            help="Column of the sweep's table that is looked at.  [default: spread_max_points; with --years years_to_80]",
            show_default=False,
        ),
    ] = None,
    runs: Annotated[int, typer.Option(help="Base sample, a power of two; runs × (keys + 2) runs are made.", min=4)] = 128,
    seed: Annotated[int, typer.Option(min=0)] = 0,
    years: Years = None,
    law: Law = None,
    jobs: Jobs = -1,
    cluster: Cluster = None,
    set_: Set = [],  # noqa: B006
    out: Out = None,
    json_: Json = False,
    report: ReportFile = None,
    wide: Wide = False,
    integrator: OneIntegrator = "fast",
    tolerance: Annotated[
        float | None,
        number_option(
            help="Relative tolerance of the solver; of the fast integrator, SOC error in a step.  [default: 1e-06]",
            show_default=False,
            min=1e-13,
            max=1e-3,
        ),
    ] = None,
):
    """Which uncertain value moves a figure most: Sobol indices."""
    from simbank.studies import sensitivity as study

    command = Command(file, set_, out, json_, report, wide)
    with command.progress("Sensitivity of"):
        found = study(
            command.scenario, draws(vary), figure, runs=runs, seed=seed, jobs=jobs, cluster=cluster, keep=out,
            integrator=integrator, tolerance=SENSITIVITY_TOLERANCE if years is None and tolerance is None else tolerance,
            **years_settings(years, law),
        )  # fmt: skip
    command.finish(found, _show_indices)


def _show_indices(found, wide):
    shown = found.table.copy()
    for column in ("first", "total", "first_low", "first_high", "total_low", "total_high"):
        shown[column] = [f"{value:.3f}" for value in shown[column]]
    numbers = found.table[["first", "total", "first_low", "first_high", "total_low", "total_high"]].to_numpy(float)
    shown["first_range"] = shown["first_low"] + " to " + shown["first_high"]
    shown["total_range"] = shown["total_low"] + " to " + shown["total_high"]
    places = zip(shown["place_low"], shown["place_high"], strict=True)
    shown["place"] = [f"{low}" if low == high else f"{low} to {high}" for low, high in places]
    columns = {"key": "key", "place": "place (95 %)", "total": "with others", "total_range": "95 %", "first": "by itself",
               "first_range": "95 %"}  # fmt: skip
    show_table(found.title, shown, columns, wide=wide)
    for k, text in enumerate(found.words):
        say(text, gap=k == 0)
    if ((numbers < 0.0) | (numbers > 1.0)).any():
        say(
            "Indices are shares of the variance: what lies below 0 or above 1 is the noise of few runs; more --runs make it less.",
            gap=True,
        )
    say(f"Integrator: {found.made_by['integrator']}.", gap=True)


def size(
    file: File,
    share: Annotated[float | None, number_option(help="Largest share ratio of a pack.", min=1.0)] = None,
    spread: Annotated[float | None, number_option(help="Largest spread of SOC [points].", min=0.0)] = None,
    drop: Annotated[float | None, number_option(help="Largest voltage drop from pack to port [%].", min=0.0)] = None,
    usable_: Annotated[float | None, number_option("--usable", help="Least usable energy [% of the packs' own].")] = None,
    gauges: Annotated[str, typer.Option(help="awg, mm2, or gauges with commas from small to large.")] = "awg",
    layout: Annotated[
        list[str], typer.Option("--layout", help=f"A layout to try: {LAYOUT_NAMES}; repeatable. Default: all.")
    ] = [],  # noqa: B006
    price_per_kg: Annotated[float | None, number_option(help="Price of conductor per kilogram of copper.", min=0)] = None,
    sharing_only: Annotated[bool, typer.Option("--sharing-only", help="Leave out ampacity and protection.")] = False,
    everything: Annotated[bool, typer.Option("--all", help="Show every layout and gauge, not only those that matter.")] = False,
    set_: Set = [],  # noqa: B006
    out: Out = None,
    json_: Json = False,
    report: ReportFile = None,
    bands: Bands = None,
    seed: Seed = 0,
    wide: Wide = False,
    integrator: OneIntegrator = "fast",
    tolerance: Tolerance = None,
):
    """The smallest standard gauge and simplest layout that carry the bank's current and keep within the limits given, if any; why
    smaller ones do not."""  # noqa: D205 one sentence, as --help shows it
    from simbank.studies import Limits
    from simbank.studies import size as study
    from simbank.studies.size import Sizing, run_sized, size_found, sized_bands

    command = Command(file, set_, out, json_, report, wide)
    series = gauges if gauges in ("awg", "mm2") else [part.strip() for part in gauges.split(",")]

    def finish(found):
        command.finish(
            found, lambda found, wide: _show_sizes(found, everything, wide), lambda: parts(found),
            CAUTION if found.sharing_only else PROTECTION_CAUTION,
        )  # fmt: skip

    def parts(found):
        why = ""
        if found.bands is None and found.best is not None:
            drawn, why = study_bands(
                command, bands, lambda: run_sized(size_found(command.scenario, found), usable_at=found.usable_at, **FAST),
                lambda draws, progress: sized_bands(command.scenario, found, draws, seed, progress),
            )  # fmt: skip
            found = replace(found, bands=drawn)
        return {"studies": [found.section(everything)], "without_bands": why}

    with _keeping(finish, Sizing), command.progress("Sizing") as progress:
        found = study(
            command.scenario, Limits(share, spread, drop, usable_), gauges=series, layouts=layout or None,
            price_per_kg=price_per_kg, sharing_only=sharing_only, integrator=integrator, progress=progress, tolerance=tolerance,
            bands=bands or None, seed=seed,
        )  # fmt: skip
    finish(found)


def _show_sizes(found, everything, wide):
    shown = found.shown(everything)
    show_tables([shown], wide)
    left = len(found.table) - len(shown.frame)
    if left:
        say(f"{left} more were tried: --all shows them.", gap=True)
    for text in found.against(everything):
        say(text, hang=2)
    say(f"{found.found_words} {found.by_layout_words}".strip())
    say(found.tried)
    say(f"Integrator: {found.made_by['integrator']}. {found.looked_at}", style="bold" if found.sharing_only else None)
    if found.bands is not None:
        show_bands(found.bands, wide)
        for text in found.kept_words:
            say(text)


def drift(
    file: File,
    chemistry: Annotated[
        list[str],
        typer.Option(
            "--chemistry",
            help="A chemistry of the library or of the file, or the path of one; repeatable.  "
            "[default: lfp, lfp_power, nmc, lead_flooded]",
        ),
    ] = [],  # noqa: B006
    set_: Set = [],  # noqa: B006
    out: Out = None,
    json_: Json = False,
    report: ReportFile = None,
    wide: Wide = False,
):
    """Same packs, wiring and current with other chemistries: how far packs drift apart, and whether they come back."""
    from simbank.studies import drift as study
    from simbank.studies.drift import DEFAULT

    command = Command(file, set_, out, json_, report, wide)
    with command.progress("Drift in") as progress:
        found = study(command.scenario, chemistry or DEFAULT, progress=progress)
    command.finish(found, _show_drift)


def _show_drift(found, wide):
    from simbank.studies.drift import MIDDLE_WORDS, REST_WORDS

    shown = found.table.reset_index()
    shown["half_width"] = [f"±{value:.1f}" for value in shown["half_width_mv"]]
    shown["dead_band"] = [f"±{value:.1f}" for value in shown["dead_band_points"]]
    columns = {
        "chemistry": "chemistry", "dead_band": "dead band [points]", "spread_max_points": "largest spread [points]",
        "spread_end_of_discharge_points": "spread at end of discharge [points]",
        "spread_after_rest_points": f"after {REST_WORDS} of rest [points]",
        "spread_after_rest_no_hysteresis_points": f"after {REST_WORDS} of rest without hysteresis",
    }  # fmt: skip
    more = {
        "cells_in_series": "cells in series", "slope_v_per_soc": f"slope of a pack, {MIDDLE_WORDS} [V/unit SOC]",
        "half_width": "hysteresis of a cell [mV]",
        "spread_end_of_discharge_no_hysteresis_points": "end of discharge without hysteresis [points]",
    }  # fmt: skip
    show_table(found.title, shown, columns, more, wide)
    for k, text in enumerate(found.words):
        say(text, gap=k == 0)
    say(integrator_words(next(iter(found.results.values())).summary))


def usable(
    file: File,
    c_rate: Annotated[float, number_option(help="Discharge rate of the bank.", min=0.001, max=10)] = 0.2,
    set_: Set = [],  # noqa: B006
    out: Out = None,
    json_: Json = False,
    report: ReportFile = None,
    bands: Bands = None,
    seed: Seed = 0,
    wide: Wide = False,
):
    """What the bank delivers from full to cut-off, against what its packs would deliver each on its own."""
    from pandas import DataFrame

    from simbank.studies import Usable
    from simbank.studies import usable as study
    from simbank.studies.usable import discharges, run_usable, usable_bands

    command = Command(file, set_, out, json_, report, wide)

    def finish(table):
        command.finish(Usable(table), _show_usable, lambda: parts(Usable(table)))

    def parts(found):
        why = ""
        if found.bands is None:
            asked = discharges(command.scenario.bank, c_rate)
            found.bands, why = study_bands(
                command, bands, lambda: run_usable(command.scenario, **asked, **FAST),
                lambda draws, progress: usable_bands(command.scenario, asked, draws, seed, progress),
            )  # fmt: skip
        return {"studies": [found.section()], "without_bands": why}

    with _keeping(finish, DataFrame), command.progress("Bands of" if bands else "Discharging") as progress:
        table = study(command.scenario, c_rate, bands=bands or None, seed=seed, progress=progress)
    finish(table)


def _show_usable(found, wide):
    columns = {"what": "what", "charge_ah": "charge [Ah]", "energy_wh": "energy [Wh]"}
    show_table(found.title, found.table.reset_index(), columns, wide=wide)
    for k, text in enumerate(found.words):
        say(text, gap=k == 0)
    say(f"Integrator: {found.made_by['integrator']}, tolerance {found.made_by['tolerance']:.0e}.")
    if found.bands is not None:
        show_bands(found.bands, wide)


def bill(
    file: File,
    set_: Set = [],  # noqa: B006
    out: Out = None,
    json_: Json = False,
    report: ReportFile = None,
    wide: Wide = False,
):
    """What has to be bought: cable and bars with length and mass, cable ends, fuses and breakers."""
    from simbank.studies import bill as study

    command = Command(file, set_, out, json_, report, wide)
    command.finish(study(command.scenario), _show_bill)


def _show_bill(found, wide):
    columns = {
        "what": "what", "count": "count", "kind": "kind", "length_m": "each [m]", "total_m": "in all [m]", "mass_kg": "mass [kg]",
    }  # fmt: skip
    show_table(found.title, found.table.astype(object), columns, wide=wide)
    for k, text in enumerate(found.words):
        say(text, gap=k == 0)

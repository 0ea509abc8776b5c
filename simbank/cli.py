"""Command line: reads arguments, calls the library, prints. No physics."""

from __future__ import annotations

import datetime as dt
import json
import math
import os
import sys
import textwrap
import tomllib
import warnings
from contextlib import contextmanager, suppress
from dataclasses import asdict, replace
from pathlib import Path
from typing import Annotated

import typer

from simbank import interrupts, streams
from simbank.errors import InputError, RunStopped, SimbankError, SimulationError
from simbank.files import file_name, write_whole
from simbank.provenance import file_hash, made_by, set_command, write_figure, write_table
from simbank.warning import as_records, from_records, listed

__all__ = ["main"]

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="How mismatched battery packs wired in parallel share current, over time, through real cable.",
)

CAUTION = (
    "Computed from the data given. Not checked here: fault currents, whether a device can break them, cable heating (for these: "
    "simbank protect). Not a substitute "
    "for the pack maker's manual, local codes and a licensed person; DC faults on a battery bank can burn and kill."
)

PROTECTION_CAUTION = (
    "Computed from the data given, for the cases stated. A check that passes says that its rule holds for these numbers, no "
    "more. Not a substitute for the pack maker's manual, local codes and a licensed person; DC faults on a battery bank can burn "
    "and kill."
)


def _number(*names, **how):
    """An option that takes a finite number; comparisons with limits let "nan" pass."""

    def finite(value: float | None):
        if value is not None and not math.isfinite(value):
            raise typer.BadParameter("must be a finite number")
        return value

    return typer.Option(*names, callback=finite, **how)


File = Annotated[Path, typer.Argument(help="Scenario file (TOML).", show_default=False)]
Set = Annotated[list[str], typer.Option("--set", metavar="KEY=VALUE", help="Change one dotted key of the file; repeatable.")]
Out = Annotated[Path | None, typer.Option("--out", metavar="DIR", help="Write tables and plots into this folder.")]
Json = Annotated[bool, typer.Option("--json", help="Print the machine-readable summary on standard output and nothing else.")]
ReportFile = Annotated[
    Path | None, typer.Option("--report", metavar="HTML", help="Write one self-contained HTML file to hand on.")
]
Method = Annotated[str, typer.Option(help="Solver of the reference integrator: LSODA, BDF or Radau.")]
Integrator = Annotated[str, typer.Option(help="reference (scipy, tight) or fast (compiled).")]
Tolerance = Annotated[
    float | None,
    _number(help="Relative tolerance of the solver; of the fast integrator, SOC error in a step.", min=1e-13, max=1e-3),
]
Jobs = Annotated[int, typer.Option(help="Processes on this machine; -1 for all cores.")]
Cluster = Annotated[str | None, typer.Option(metavar="ADDRESS", help="Dask scheduler whose workers do the runs.")]
Vary = Annotated[
    list[str],
    typer.Option(
        "--vary",
        metavar="KEY=DRAW",
        help="A distribution, such as 'packs.*.soc=uniform 0.5 0.7'; also normal, lognormal, choice. Repeatable.",
    ),
]


@app.command()
def run(
    file: File,
    set_: Set = [],  # noqa: B006
    out: Out = None,
    json_: Json = False,
    report: ReportFile = None,
    integrator: Integrator = "reference",
    method: Method = "LSODA",
    tolerance: Tolerance = None,
):
    """Run a scenario and show how its packs share current."""
    from simbank.scenario import load
    from simbank.simulation import simulate

    scenario = load(file, _changes(set_))
    out = _folder(out)
    keep = None if out is None else lambda partial: partial.write(out)
    try:
        with _progress(f"Running {scenario.name}", json_) as progress:
            result = simulate(
                scenario, integrator=integrator, method=method, tolerance=tolerance, progress=progress, checkpoint=keep
            )
    except SimulationError as error:
        if error.partial is not None:
            if out is not None:
                error.partial.write(out)
            _show_run(error.partial, json_)
        raise
    if out is not None:
        from simbank.report import plots

        result.write(out)
        plots.save_all(result, out)
    _show_run(result, json_)
    if report is not None:
        _report_run(report, scenario, result, json_)
    _written(out, json_)
    missed = [warning["text"] for warning in result.summary["warnings"] if warning["code"] == "balance-missed"]
    if missed:
        raise SimulationError("; ".join(missed))


@app.command()
def compare(
    file: File,
    layout: Annotated[list[str], typer.Option("--layout", help="A layout to include; repeatable. Default: all that fit.")] = [],  # noqa: B006
    set_: Set = [],  # noqa: B006
    out: Out = None,
    json_: Json = False,
    report: ReportFile = None,
    integrator: Integrator = "reference",
    method: Method = "LSODA",
    tolerance: Tolerance = None,
):
    """Run the same packs and duty under several wiring layouts, side by side."""
    from simbank.scenario import load
    from simbank.studies import compare as study

    scenario = load(file, _changes(set_))
    out = _folder(out)
    with _progress(f"Comparing layouts of {scenario.name}", json_) as progress:
        found = study(scenario, layout or None, progress=progress, integrator=integrator, method=method, tolerance=tolerance)
    if out is not None:
        made = _made_by(scenario, "compare", integrator=integrator, method=method, tolerance=tolerance)
        write_table(out / "layouts.csv", found.table, made, index=True)
        write_figure(out / "layouts.png", found.plot(), made, f"{scenario.name}: layouts side by side")
        for name, result in found.results.items():
            result.write(out / name)
    if json_:
        rows = [{"layout": name} | r.summary for name, r in found.results.items()]
        _print_json({"scenario": scenario.name, "warnings": as_records(found.warnings), "rows": rows})
    else:
        _warnings(as_records(found.warnings))
        _table(f"{scenario.name}: layouts side by side", found.table.reset_index(), _COMPARE_COLUMNS)
        _shares(found.results)
        _console().print(_integrator(next(iter(found.results.values())).summary))
        _caution()
    own = found.results.get(scenario.layout)
    _report(report, scenario, json_, result=own, comparison=found)
    _written(out, json_)


@app.command()
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
    jobs: Jobs = -1,
    cluster: Cluster = None,
    set_: Set = [],  # noqa: B006
    out: Out = None,
    json_: Json = False,
    report: ReportFile = None,
    integrator: Integrator = "fast",
    method: Method = "LSODA",
    tolerance: Tolerance = None,
):
    """Many runs: a grid (--over duty.c_rate=0.1,0.5), a list (--points), random draws (--vary). With --out it can be resumed."""
    from simbank.scenario import load
    from simbank.studies import sweep as study

    for option, value in (("--x", x), ("--by", by), ("--figure", figure)):
        if value is not None and out is None and report is None:
            raise InputError("chooses what a picture shows: give --out or --report too", key=option, value=value)
    scenario = load(file, _changes(set_))
    out = _folder(out)
    grid = {}
    for item in over:
        key, values = _split(item, "--over")
        if key in grid:
            raise InputError(f"stands twice; give its values in one list: --over {key}=V1,V2", key="--over", value=item)
        grid[key] = [_value(part) for part in _comma(values)]
    listed = None if points is None else _read_points(points)
    with _progress(f"Sweeping {scenario.name}", json_) as progress:
        table = study(
            scenario, grid or None, points=listed, vary=_draws(vary) or None, runs=runs,
            sampler=sampler, seed=seed, jobs=jobs, cluster=cluster, keep=out, progress=progress, integrator=integrator,
            method=method, tolerance=tolerance,
        )  # fmt: skip
    figures = []
    if out is not None:
        write_table(out / "sweep.csv", table, table.attrs["made_by"])
        mixed = {c: str for c in table if table[c].dtype == object and table[c].map(type).nunique() > 1}
        write_table(out / "sweep.parquet", table.astype(mixed), table.attrs["made_by"])
    if out is not None or report is not None:
        figures = _sweep_figures(table, x, by, figure)
    if out is not None:
        for name, drawn, _ in figures:
            write_figure(out / name, drawn, table.attrs["made_by"], f"{scenario.name}: {len(table)} runs")
    if json_:
        rows = json.loads(table.to_json(orient="records", double_precision=15))
        _print_json({"scenario": scenario.name, "warnings": table.attrs["warnings"], "rows": rows})
    else:
        _warnings(table.attrs["warnings"])
        keys = [*table.attrs["fixed_keys"], *table.attrs["drawn_keys"]]
        columns = {key: key.removeprefix("wiring.").removeprefix("duty.") for key in keys[:6]}
        columns |= {key: heading for key, heading in _SWEEP_COLUMNS.items() if key in table}
        if table["failure"].notna().any():
            columns |= {"failure": "failure"}
        _table(f"{scenario.name}: {len(table)} runs", table.head(40), columns)
        if len(table) > 40:
            _console().print(f"... and {len(table) - 40} more (all of them in --out and --json)")
        _console().print(f"Integrator: {integrator}.")
        _caution()
    if report is not None:
        _report(report, scenario, json_, studies=[_sweep_section(table, figures, integrator)])
    _written(out, json_)
    if table["failure"].notna().all():
        raise SimulationError(next(w["text"] for w in table.attrs["warnings"] if w["code"] == "runs-failed"))


def _read_points(path):
    import pandas as pd

    from simbank.filemodel import read_csv

    frame = read_csv(path)
    return [
        {key: _value(str(value)) for key, value in row.items() if not pd.isna(value)}  # an empty cell: as in the file
        for row in frame.to_dict(orient="records")
    ]


def _sweep_figures(table, x, by, figure):
    """(name of the file, figure, caption) of every picture of a sweep; none if no run gave a figure."""
    from simbank.report import study_plots

    fixed, drawn = study_plots.swept_keys(table)
    if "spread_max_points" not in table or not table["spread_max_points"].notna().any() or not (fixed or drawn):
        return []
    name = "c_rate.png" if x is None and by is None and figure is None and "duty.c_rate" in fixed else "sweep.png"
    x = "duty.c_rate" if name == "c_rate.png" else x
    caption = "A line for each value of a key, a row of panels for each combination of the others."
    made = [(name, study_plots.plot_sweep(table, x, by, figure), caption)]
    if drawn:
        made.append(("bands.png", study_plots.plot_bands(table), "How figures scatter over the draws."))
    return made


@app.command()
def sensitivity(
    file: File,
    vary: Vary,
    figure: Annotated[str, typer.Option(help="Column of the sweep's table that is looked at.")] = "spread_max_points",
    runs: Annotated[int, typer.Option(help="Base sample, a power of two; runs × (keys + 2) runs are made.", min=4)] = 128,
    seed: Annotated[int, typer.Option(min=0)] = 0,
    jobs: Jobs = -1,
    cluster: Cluster = None,
    set_: Set = [],  # noqa: B006
    out: Out = None,
    json_: Json = False,
    report: ReportFile = None,
    integrator: Integrator = "fast",
    tolerance: Tolerance = 1e-6,
):
    """Which uncertain value moves a figure most: Sobol indices."""
    from simbank.scenario import load
    from simbank.studies import sensitivity as study

    scenario = load(file, _changes(set_))
    out = _folder(out)
    with _progress(f"Sensitivity of {scenario.name}", json_):
        found = study(
            scenario, _draws(vary), figure, runs=runs, seed=seed, jobs=jobs, cluster=cluster,
            keep=out, integrator=integrator, tolerance=tolerance,
        )  # fmt: skip
    if out is not None:
        write_table(out / "sensitivity.csv", found.table, found.made_by)
        write_figure(out / "sensitivity.png", found.plot(), found.made_by, f"{scenario.name}: what moves {figure}")
    if json_:
        rows = json.loads(found.table.to_json(orient="records"))
        told = {"warnings": as_records(found.warnings), "words": found.words}
        _print_json({"scenario": scenario.name, "figure": figure, **told, "rows": rows})
    else:
        _warnings(as_records(found.warnings))
        shown = found.table.copy()
        for column in ("first", "total", "first_low", "first_high", "total_low", "total_high"):
            shown[column] = [f"{value:.3f}" for value in shown[column]]
        shown["first_range"] = shown["first_low"] + " to " + shown["first_high"]
        shown["total_range"] = shown["total_low"] + " to " + shown["total_high"]
        shown["place"] = [
            f"{low}" if low == high else f"{low} to {high}"
            for low, high in zip(shown["place_low"], shown["place_high"], strict=True)
        ]
        columns = {"place": "place\n(95 %)", "key": "key", "total": "with\nothers", "total_range": "95 %", "first": "by\nitself",
                   "first_range": "95 %"}  # fmt: skip
        _table(f"{scenario.name}: share of the variance of {figure}, {len(found.runs)} runs", shown, columns)
        for text in found.words:
            _console().print(text)
        _console().print(f"Integrator: {integrator}.")
        _caution()
    if report is not None:
        text = f"Sobol indices of {figure}: share of its variance that each key explains, {len(found.runs)} runs, {integrator}. "
        text += " ".join(found.words)
        _report(
            report, scenario, json_, studies=[_section("Sensitivity", text, found.table, [(found.plot(), text)], found.warnings)]
        )
    _written(out, json_)


@app.command()
def size(
    file: File,
    share: Annotated[float | None, _number(help="Largest share ratio of a pack.", min=1.0)] = None,
    spread: Annotated[float | None, _number(help="Largest spread of SOC [points].", min=0.0)] = None,
    drop: Annotated[float | None, _number(help="Largest voltage drop from pack to port [%].", min=0.0)] = None,
    usable_: Annotated[float | None, _number("--usable", help="Least usable energy [% of the packs' own].")] = None,
    gauges: Annotated[str, typer.Option(help="awg, mm2, or gauges with commas from small to large.")] = "awg",
    layout: Annotated[list[str], typer.Option("--layout", help="A layout to try; repeatable. Default: all.")] = [],  # noqa: B006
    price_per_kg: Annotated[float | None, _number(help="Price of conductor per kilogram of copper.", min=0)] = None,
    sharing_only: Annotated[bool, typer.Option("--sharing-only", help="Leave out ampacity and protection.")] = False,
    everything: Annotated[bool, typer.Option("--all", help="Show every layout and gauge, not only those that matter.")] = False,
    set_: Set = [],  # noqa: B006
    out: Out = None,
    json_: Json = False,
    report: ReportFile = None,
    integrator: Integrator = "fast",
    tolerance: Tolerance = None,
):
    """The smallest standard gauge and simplest layout that carry the bank's current and keep within the limits given, if any; why
    smaller ones do not."""
    from simbank.scenario import load
    from simbank.studies import Limits
    from simbank.studies import size as study

    scenario = load(file, _changes(set_))
    out = _folder(out)
    series = gauges if gauges in ("awg", "mm2") else [part.strip() for part in gauges.split(",")]
    with _progress(f"Sizing {scenario.name}", json_) as progress:
        found = study(
            scenario, Limits(share, spread, drop, usable_), gauges=series, layouts=layout or None, price_per_kg=price_per_kg,
            sharing_only=sharing_only, integrator=integrator, progress=progress, tolerance=tolerance,
        )  # fmt: skip
    if out is not None:
        made = _made_by(scenario, "size", integrator=integrator, tolerance=tolerance, limits=asdict(found.limits))
        write_table(out / "sizes.csv", found.table, made)
        write_figure(out / "sizes.png", found.plot(), made, f"{scenario.name}: copper against sharing")
    if json_:
        rows = json.loads(found.table.to_json(orient="records"))
        best = None if found.best is None else {key: found.best[key] for key in ("layout", "gauge", "copper_kg")}
        warned = as_records(found.warnings)
        record = {"scenario": scenario.name, "warnings": warned, "looked_at": found.looked_at, "sharing_only": sharing_only}
        few = found.frontier[["layout", "gauge"]].to_dict(orient="records")
        _print_json(record | {"best": best, "by_layout": found.by_layout, "frontier": few, "rows": rows})
    else:
        _show_sizes(found, scenario, integrator, everything)
    if report is not None:
        text = f"Layouts and gauges at the duty; of {len(found.table)}, those that matter. {found.looked_at}"
        best = found.best
        words = (
            f"No layout {found.does}."
            if best is None
            else f"Simplest that {found.does}: {best['layout']} in {best['gauge']}{found.unprotected(best)}."
        )
        if everything:
            text = f"Every layout and gauge at the duty. {found.looked_at}"
        table, columns = _sizes_in_words(found, everything)
        against = table[table["fits"] == "no"]
        whys = [f"{row['layout']} in {row['gauge']} does not do: {row['why_not']}." for _, row in against.iterrows()]
        shown = table[list(columns)].rename(columns={key: heading.replace("\n", " ") for key, heading in columns.items()})
        figures = [(found.plot(), "Copper against sharing.")]
        section = _section("Sizing", text, shown, figures, found.warnings, words)
        _report(report, scenario, json_, studies=[replace(section, text=(text, *whys))])
    _written(out, json_)


def _sizes_in_words(found, everything):
    """Rows of a sizing with every cell as text, and headings of the columns to show."""
    table = (found.table if everything else found.frontier).copy()
    open_ = [bool(found.unprotected(row)) for _, row in table.iterrows()]
    for column, form in (
        ("copper_kg", "{:.2f}"), ("share_ratio", "{:.3f}"), ("spread_points", "{:.1f}"), ("drop_percent", "{:.2f}"),
        ("usable_percent", "{:.1f}"), ("price", "{:.0f}"), ("current_a", "{:.0f}"), ("ampacity_a", "{:.0f}"),
        ("device_a", "{:.0f}"),
    ):  # fmt: skip
        if column in table:
            table[column] = ["–" if v is None or v != v else form.format(v) for v in table[column]]
    table["fits"] = [
        "no" if not fits else "yes, unprotected" if bare else "yes" for fits, bare in zip(table["fits"], open_, strict=True)
    ]
    table["pareto"] = ["yes" if p else "" for p in table["pareto"]]
    columns = {
        "layout": "layout", "gauge": "gauge", "copper_kg": "copper\n[kg]", "price": "price",
        "share_ratio": "largest\nshare ratio",
        "spread_points": "spread\n[points]", "drop_percent": "drop\n[%]", "usable_percent": "usable\n[%]", "fits": "fits",
        "current_a": "greatest\ncurrent [A]", "ampacity_a": "may\ncarry [A]", "device_a": "devices let\npass [A]",
        "pareto": "none lighter\nand more even",
    }  # fmt: skip
    if found.table["price"].isna().all():
        del columns["price"]
    return table, {key: heading for key, heading in columns.items() if key in table}


def _show_sizes(found, scenario, integrator, everything):
    _warnings(as_records(found.warnings))
    table, columns = _sizes_in_words(found, everything)
    what = "every layout and gauge" if everything else "layouts and gauges that matter,"
    _table(f"{scenario.name}: {what} at its duty", table, columns)
    left = len(found.table) - len(table)
    if left:
        _console().print(f"{left} more were tried: --all shows them.")
    against = table[table["fits"] == "no"]
    if len(against):
        _console().print("Why not:")
        for _, row in against.iterrows():
            _console().print(f"  {row['layout']}, {row['gauge']}: {row['why_not']}", soft_wrap=True)
    if found.best is None:
        _console().print(f"No layout {found.does} in any gauge of the series.")
    else:
        others = ", ".join(f"{layout}: {gauge}" for layout, gauge in found.by_layout.items())
        _console().print(
            f"Simplest that {found.does}: {found.best['layout']} in {found.best['gauge']} "
            f"({found.best['copper_kg']:.2f} kg of copper){found.unprotected(found.best)}. Smallest by layout: {others}."
        )
    _console().print(f"Integrator: {integrator}. {found.looked_at}", style="bold" if found.sharing_only else None, soft_wrap=True)
    _console().print(CAUTION if found.sharing_only else PROTECTION_CAUTION, style="italic")


@app.command()
def drift(
    file: File,
    chemistry: Annotated[
        list[str], typer.Option("--chemistry", help="A chemistry; repeatable.  [default: lfp, lfp_power, nmc, lead_flooded]")
    ] = [],  # noqa: B006
    set_: Set = [],  # noqa: B006
    out: Out = None,
    json_: Json = False,
    report: ReportFile = None,
):
    """Same packs, wiring and current with other chemistries: how far packs drift apart, and whether they come back."""
    from simbank.scenario import load
    from simbank.studies.drift import DEFAULT
    from simbank.studies.drift import drift as study

    scenario = load(file, _changes(set_))
    out = _folder(out)
    with _progress(f"Drift in {scenario.name}", json_) as progress:
        found = study(scenario, chemistry or DEFAULT, progress=progress, tolerance=1e-8)
    if out is not None:
        made = _made_by(scenario, "drift", integrator="reference", tolerance=1e-8)
        write_table(out / "drift.csv", found.table, made, index=True)
        write_figure(out / "drift.png", found.plot(), made, f"{scenario.name}: drift by chemistry")
    if json_:
        rows = json.loads(found.table.reset_index().to_json(orient="records"))
        told = {"warnings": as_records(found.warnings), "words": found.words}
        _print_json({"scenario": scenario.name, **told, "rows": rows})
    else:
        _warnings(as_records(found.warnings))
        title = f"{scenario.name}: discharged at 0.2 C from 70 to 30 %, then 12 h of rest"
        shown = found.table.reset_index()
        shown["half_width"] = [f"±{value:.1f}" for value in shown["half_width_mv"]]
        shown["dead_band"] = [f"±{value:.1f}" for value in shown["dead_band_points"]]
        _table(title, shown, _DRIFT_COLUMNS)
        for text in found.words:
            _console().print(text)
        _console().print(_integrator(next(iter(found.results.values())).summary))
        _caution()
    if report is not None:
        text = "Discharged at 0.2 C from 70 to 30 %, then 12 h of rest, with other chemistries in the same packs and wiring. "
        text += " ".join(found.words)
        shown = found.table.reset_index()
        section = _section("Drift by chemistry", text, shown, [(found.plot(), text)], found.warnings)
        _report(report, scenario, json_, studies=[section])
    _written(out, json_)


@app.command()
def usable(
    file: File,
    c_rate: Annotated[float, _number(help="Discharge rate of the bank.", min=0.001, max=10)] = 0.2,
    set_: Set = [],  # noqa: B006
    out: Out = None,
    json_: Json = False,
    report: ReportFile = None,
):
    """What the bank delivers from full to cut-off, against what its packs would deliver each on its own."""
    from simbank.scenario import load
    from simbank.studies import usable as study

    scenario = load(file, _changes(set_))
    out = _folder(out)
    table = study(scenario, c_rate, tolerance=1e-8)
    share = table.loc["bank", "energy_wh"] / table.loc["sum of packs", "energy_wh"]
    words = f"The bank delivers {share * 100:.1f} % of what its packs would deliver each on its own."
    if out is not None:
        made = _made_by(scenario, "usable", integrator="reference", tolerance=1e-8, c_rate=c_rate)
        write_table(out / "usable.csv", table, made, index=True)
    if json_:
        rows = json.loads(table.reset_index().to_json(orient="records"))
        _print_json({"scenario": scenario.name, "c_rate": c_rate, "warnings": table.attrs["warnings"], "rows": rows})
    else:
        _warnings(table.attrs["warnings"])
        columns = {"what": "what", "charge_ah": "charge\n[Ah]", "energy_wh": "energy\n[Wh]"}
        _table(f"{scenario.name}: from full to cut-off at {c_rate:g} C", table.reset_index(), columns)
        _console().print(words)
        _console().print("Integrator: reference, tolerance 1e-08.")
        _caution()
    if report is not None:
        text = f"From full to cut-off at {c_rate:g} C."
        warned = from_records(table.attrs["warnings"])
        _report(report, scenario, json_, studies=[_section("Usable energy", text, table.reset_index(), [], warned, words)])
    _written(out, json_)


@app.command()
def protect(
    file: File,
    set_: Set = [],  # noqa: B006
    out: Out = None,
    json_: Json = False,
    report: ReportFile = None,
    warm: Annotated[str, typer.Option(help="Pack temperature for the greatest fault currents.")] = "45 degC",
    cold: Annotated[str, typer.Option(help="Pack temperature for the least fault currents.")] = "0 degC",
    within: Annotated[str, typer.Option(help="Time within which every fault should clear.")] = "5 s",
    drop: Annotated[float, _number(help="Greatest voltage drop from pack to port [%].", min=0.01, max=50)] = 3.0,
    margin: Annotated[float, _number(help="Rating of a device ÷ load that lasts.", min=1.0, max=10)] = 1.25,
    pack_inductance: Annotated[str, typer.Option(help="Inductance of each pack, for the rise of fault current.")] = "0 uH",
    shorted_cells: Annotated[int, typer.Option(help="Cells shorted in the case of a shorted pack.", min=1, max=100)] = 1,
    all_: Annotated[bool, typer.Option("--all", help="Show the checks that passed too.")] = False,
):
    """Fault currents at every place, checks of devices and conductors, what opens first, what the rest then carries."""
    from simbank.quantities import parse
    from simbank.scenario import load
    from simbank.studies import Assumptions
    from simbank.studies import protect as study

    def read(option, text, unit):
        try:
            return parse(text, unit)
        except InputError as error:
            raise InputError(error.problem, key=option, value=text) from None

    scenario = load(file, _changes(set_))
    out = _folder(out)
    case = Assumptions(
        warm_k=read("--warm", warm, "kelvin"), cold_k=read("--cold", cold, "kelvin"), wanted_s=read("--within", within, "second"),
        drop_share=drop / 100.0, margin=margin, pack_h=read("--pack-inductance", pack_inductance, "henry"),
        cells_shorted=shorted_cells,
    )  # fmt: skip
    with _progress(f"Protection of {scenario.name}", json_) as progress:
        found = study(scenario, case, progress=progress)
    if out is not None:
        found.write(out)
    if json_:
        _print_json(found.summary)
    else:
        _show_protection(found, all_)
    _report(report, scenario, json_, protection=found)
    _written(out, json_)


device_app = typer.Typer(no_args_is_help=True, help="Devices: the library of generic classes of fuse and breaker.")
app.add_typer(device_app, name="device")


@device_app.command("list")
def device_list():
    """Name the classes of device that ship with simbank."""
    import pandas as pd

    from simbank.bank.device_classes import class_library, load_class

    rows = [{"name": n, "title": load_class(n).title, "standard": load_class(n).standard} for n in class_library()]
    _table("Classes of device", pd.DataFrame(rows), {"name": "class", "title": "what it is", "standard": "standard"})


@device_app.command("show")
def device_show(
    name: Annotated[str, typer.Argument(help="Class of the library.")],
    rating: Annotated[str, typer.Option(help="Rating for the table of times.")] = "100 A",
):
    """Print a class's ratings, when a device of a rating opens, and where that is from."""
    import pandas as pd

    from simbank.bank.device_classes import load_class
    from simbank.quantities import parse

    kind = load_class(name)
    amperes = parse(rating, "ampere")
    soonest, _, latest = kind.trips(amperes)
    rows = []
    for multiple in sorted({*soonest.multiples, *latest.multiples}):
        cells = {"multiple": f"{multiple:g}", "current": f"{multiple * amperes:g}"}
        for key, trip in (("soonest", soonest), ("latest", latest)):
            cells[key] = f"{trip.seconds[trip.multiples.index(multiple)]:.3g}" if multiple in trip.multiples else ""
        rows.append(cells)
    columns = {"multiple": "times its\nrating", "current": "current\n[A]", "soonest": "soonest\n[s]", "latest": "latest\n[s]"}
    _table(f"{kind.title}, {amperes:g} A", pd.DataFrame(rows), columns)
    say = _console().print
    say(f"Carries {kind.hold:g} times its rating for good. Standard: {kind.standard}.")
    if kind.instant_band:
        low, high = (a * amperes for a in kind.instant_band)
        say(f"Magnetic release, if its setting is not given: between {low:g} and {high:g} A.")
    say(f"Ratings: {', '.join(f'{a:g}' for a in kind.ratings_a)} A ({kind.ratings_source}).")
    say(f"Usual on DC: {kind.typical_voltage_dc}; breaks {kind.typical_interrupting_dc}. A device's own sheet decides.")
    say(kind.source)


cell_app = typer.Typer(no_args_is_help=True, help="Cells: the library, and parameters from physics and from measurements.")
app.add_typer(cell_app, name="cell")


@cell_app.command("list")
def cell_list():
    """Name the chemistries that ship with simbank."""
    import pandas as pd

    from simbank.cells import library, load_chemistry

    rows = [
        {
            "name": name,
            "title": load_chemistry(name).title,
            "slope": f"{(load_chemistry(name).ocv(0.7) - load_chemistry(name).ocv(0.3)) / 0.4:.3f}",
            "half": f"{load_chemistry(name).half_width(0.5) * 1e3:.0f}",
        }
        for name in library()
    ]
    columns = {"name": "name", "title": "cell", "slope": "slope, 30 to 70 %\n[V per unit SOC]", "half": "hysteresis\n[±mV]"}
    _table("Chemistries", pd.DataFrame(rows), columns)


@cell_app.command("show")
def cell_show(
    name: Annotated[str, typer.Argument(help="Name in the library, or path of a chemistry file.")],
    out: Out = None,
    json_: Json = False,
):
    """Print the card of a chemistry; with --out, plot it."""
    import pandas as pd

    from simbank.cells import load_chemistry

    chemistry = load_chemistry(name)
    out = _folder(out)
    soc = [0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0]
    rows = [
        {
            "soc": z,
            "charge_v": float(chemistry.ocv(z) + chemistry.half_width(z)),
            "mid_v": float(chemistry.ocv(z)),
            "discharge_v": float(chemistry.ocv(z) - chemistry.half_width(z)),
            "slope_v_per_soc": float(chemistry.ocv.slope(z)),
            "resistance_0c_milliohm": float(chemistry.resistance_scale(z, 273.15) * chemistry.typical["resistance_ohm"] * 1e3),
            "resistance_25c_milliohm": float(chemistry.resistance_scale(z, 298.15) * chemistry.typical["resistance_ohm"] * 1e3),
        }
        for z in soc
    ]
    if out is not None:
        from simbank.report import plots

        made = made_by(function="simbank cell show", chemistry=name, chemistry_source=chemistry.source)
        write_figure(
            out / f"{file_name(chemistry.name)}.png", plots.plot_cell(chemistry), made, chemistry.title or chemistry.name
        )
    if json_:
        card = {"name": chemistry.name, "title": chemistry.title, "source": chemistry.source, "licence": chemistry.licence}
        _print_json(card | {"rows": rows, "notes": chemistry.notes, "warnings": []})
        return
    shown = pd.DataFrame(
        [{key: f"{value * 100:.0f}" if key == "soc" else f"{value:.4g}" for key, value in row.items()} for row in rows]
    )
    _table(f"{chemistry.title}: one cell of {chemistry.typical['capacity_ah']:g} Ah", shown, _CARD_COLUMNS)
    say = _console().print
    pairs = ", ".join(f"{p.resistance_ratio:.2f} R0 at {p.time_constant_s:g} s" for p in chemistry.rc)
    say(f"Relaxation: {pairs}. Charge to {chemistry.charge_volt:g} V, cut off at {chemistry.cutoff_volt:g} V, pack opens at "
        f"{chemistry.volt_max:g} and {chemistry.volt_min:g} V.")  # fmt: skip
    say(f"Source: {chemistry.source}")
    say(f"Licence: {chemistry.licence}")
    for section, note in chemistry.notes.items():
        say(f"{section}: {note}")
    _written(out, json_)


@cell_app.command("physics")
def cell_physics(
    parameters: Annotated[str, typer.Argument(help="Name of a PyBaMM parameter set, such as Prada2013.")],
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="Chemistry file to write (.toml).")],
    base: Annotated[str, typer.Option(help="Chemistry for what the set does not hold.")] = "lfp",
    json_: Json = False,
):
    """Fit a circuit to a physics-based cell by virtual pulse tests, check it on another profile, write a chemistry file."""
    from simbank.cells import load_chemistry, physics

    load_chemistry(base)  # what is wrong with it is said before minutes of fitting
    with _progress(f"Fitting {parameters}", json_):
        cell = physics.fit_cell(parameters)
        checks = [physics.validate(cell, seed) for seed in range(3)]
    physics.write_chemistry(cell, out, out.stem, base)
    record = {
        "parameters": parameters,
        "capacity_ah": cell.capacity_ah,
        "r0_ohm": cell.r0_ohm,
        "rc": [{"resistance_ohm": r, "time_constant_s": tau} for r, tau in cell.rc],
        "rms_fit_v": cell.rms_fit_v,
        "rms_check_v": [check["rms_v"] for check in checks],
        "worst_check_v": [check["worst_v"] for check in checks],
        "file": str(out),
        "warnings": [],
    }
    if json_:
        _print_json(record)
        return
    say = _console().print
    say(f"{parameters}: {cell.capacity_ah:.3f} Ah, R0 {cell.r0_ohm * 1e3:.2f} mΩ at half charge.")
    say(f"Fit to virtual pulses: RMS {cell.rms_fit_v * 1e3:.1f} mV per cell.")
    errors = ", ".join(f"{check['rms_v'] * 1e3:.1f}" for check in checks)
    say(f"On three profiles it was not fitted to (88 to 12 % SOC, up to 0.3 C): RMS {errors} mV per cell.")
    _written(out, json_)


@cell_app.command("fit")
def cell_fit(
    file: Annotated[
        Path, typer.Argument(help="CSV with columns time_s, current_a (positive: discharge), voltage_v.", show_default=False)
    ],
    cells_in_series: Annotated[int, typer.Option(help="Cells in series behind the voltage.", min=1)] = 1,
    out: Out = None,
    json_: Json = False,
):
    """Fit R0 and two relaxation pairs to a measured pulse test that starts at rest."""
    import pandas as pd

    from simbank.cells import fit

    time_s, current_a, voltage_v = fit.read_pulse_csv(file)
    try:
        found = fit.fit_pulse(time_s, current_a, voltage_v / cells_in_series)
    except InputError as error:
        raise InputError(error.problem, file=file) from None
    out = _folder(out)
    if out is not None:
        from simbank.report import plots

        figure = plots.plot_pulse_fit(time_s, voltage_v / cells_in_series, found.fitted_v)
        made = made_by(
            function="simbank cell fit", measured={"file": str(file), "sha256": file_hash(file)}, cells_in_series=cells_in_series
        )
        write_figure(out / "pulse_fit.png", figure, made, f"Pulse test of {file.name}")
    if json_:
        _print_json({"values": found.values, "standard_errors": found.standard_errors, "rms_v": found.rms_v, "warnings": []})
        return
    rows = [{"what": k, "value": f"{v:.6g}", "error": f"{found.standard_errors[k]:.2g}"} for k, v in found.values.items()]
    _table(f"{file.name}: one cell", pd.DataFrame(rows), {"what": "parameter", "value": "value", "error": "standard error"})
    _console().print(f"Left over: RMS {found.rms_v * 1e3:.2f} mV. Errors hold if noise is independent from sample to sample.")
    _written(out, json_)


@cell_app.command("ohm")
def cell_ohm(
    volt: Annotated[str, typer.Option(help="Two voltages [V], before and after a change of load: 53.2,52.7")],
    amp: Annotated[str, typer.Option(help="The two currents [A], positive for discharge: 10,60")],
    volt_error: Annotated[float, _number(help="Standard uncertainty of a voltage reading [V].", min=0)] = 0.01,
    amp_error: Annotated[float, _number(help="Standard uncertainty of a current reading [A].", min=0)] = 0.5,
    json_: Json = False,
):
    """Resistance of a pack, cable or joint from two readings of voltmeter and clamp meter: ΔV/ΔI."""
    from simbank.cells.fit import resistance_from_two_readings

    pairs = []
    for key, text in (("--volt", volt), ("--amp", amp)):
        try:
            first, second = (float(part) for part in text.split(","))
            if not (math.isfinite(first) and math.isfinite(second)):
                raise ValueError
        except ValueError:
            raise InputError("write two numbers, such as 53.2,52.7", key=key, value=text) from None
        pairs.append((first, second))
    found = resistance_from_two_readings(*pairs, volt_error, amp_error)
    if json_:
        _print_json({"resistance_ohm": found.resistance_ohm, "uncertainty_ohm": found.uncertainty_ohm, "warnings": []})
        return
    _console().print(f"{found.resistance_ohm * 1e3:.3g} mΩ ± {found.uncertainty_ohm * 1e3:.2g} mΩ (one standard uncertainty)")
    _console().print(
        "Read both within seconds of the change: later, the slower relaxation of the cells counts too. Measuring on a live bank "
        "is work for a competent person with insulated tools and fused leads."
    )


@app.command()
def schema(
    markdown: Annotated[bool, typer.Option("--markdown", help="Print the format reference as README has it, instead.")] = False,
):
    """Print the JSON Schema of the scenario file, for editors."""
    if markdown:
        from simbank.reference import format_reference

        print(format_reference())
        return
    from simbank.scenario import json_schema

    _print_json(json_schema())


@app.command()
def new(
    file: Annotated[Path, typer.Argument(help="Scenario file to write (TOML).", show_default=False)],
    name: Annotated[str | None, typer.Option(help="Name of the bank.")] = None,
    packs: Annotated[str | None, typer.Option(metavar="AH,AH,...", help="Rated capacity of each pack [Ah]: 280,280,100")] = None,
    layout: Annotated[str | None, typer.Option(help="chain, chain-opposite, chain-middle or busbar.")] = None,
    gauge: Annotated[str | None, typer.Option(help='Size of links and leads, such as "2 AWG" or "35 mm2".')] = None,
    chemistry: Annotated[str | None, typer.Option(help="Name in the library (simbank cell list).")] = None,
    c_rate: Annotated[float | None, _number(help="Discharge and charge of the bank.")] = None,
):
    """Write a commented starter scenario; what is not given as an option is asked on a terminal, else a usual value."""
    from simbank.scenario import load
    from simbank.starter import starter_scenario

    if file.exists():
        raise InputError("is there already; name a new file", key="file", value=str(file))

    def ask(given, question, usual):
        if given is not None:
            return given
        return typer.prompt(question, default=usual) if sys.stdin.isatty() else usual

    name = ask(name, "Name of the bank", "My bank")
    text = ask(packs, "Rated capacity of each pack [Ah], with commas", "280,280,100")
    try:
        capacities = [float(part) for part in str(text).split(",")]
        if not all(map(math.isfinite, capacities)):
            raise ValueError
    except ValueError:
        raise InputError("write capacities in ampere-hours with commas, such as 280,280,100", key="--packs", value=text) from None
    layout = ask(layout, "Wiring: chain, chain-opposite, chain-middle or busbar", "chain")
    gauge = ask(gauge, "Size of links and leads", "2 AWG")
    chemistry = ask(chemistry, "Chemistry (simbank cell list)", "lfp")
    rate = ask(c_rate, "C-rate of discharge and charge", 0.2)
    from simbank.bank import parse_gauge

    try:
        label = parse_gauge(gauge).label
    except InputError as error:
        raise InputError(error.problem, key="--gauge", value=gauge) from None
    made = made_by(function="simbank new")
    written = starter_scenario(name, capacities, layout, label, chemistry, float(rate))
    written += f"\n# Written by simbank {made['simbank']}, {made['time_utc']}.\n"
    _folder(file.parent)

    def write(aside):
        aside.write_text(written, encoding="utf-8")
        try:
            load(aside)
        except InputError as error:  # nothing is put in place that could not be read again
            raise InputError(
                f"with these answers the file would not read: {error.problem}", key=error.key, value=error.value
            ) from None

    write_whole(file, write)
    say = _console().print
    say(f"Written to {file}. Replace what is marked MEASURE with your own numbers, then:", soft_wrap=True)
    for line in (
        f"simbank run {file} --report {file.with_suffix('.html')}",
        f"simbank compare {file}",
        f"simbank protect {file}",
    ):
        say(f"  {line}", soft_wrap=True)


# ---- reports ----


def _report(path, scenario, quiet, **parts):
    """Write a report if one is asked for."""
    if path is None:
        return
    from simbank.report import write_report

    _folder(path.parent)
    write_report(scenario, path, **parts)
    if not quiet:
        _console().print(f"Report: {path}", soft_wrap=True)


def _report_run(path, scenario, result, quiet):
    """Report of a run, with layouts side by side where the file gives their parts, and protection."""
    from simbank.studies import compare, protect

    comparison = None
    with _progress("Layouts and protection for the report", quiet):
        if scenario.layout != "graph":
            comparison = compare(scenario, integrator="fast")
        protection = protect(scenario)
    _report(path, scenario, quiet, result=result, comparison=comparison, protection=protection)


def _section(title, text, table, figures, warned, answer=None):
    from simbank.report.html import Study

    return Study(title, (text,), table, tuple(figures), (answer,) if answer else (), tuple(warned))


def _sweep_section(table, figures, integrator):
    text = f"{len(table)} runs, {integrator} integrator" + ("; the first 200 are shown." if len(table) > 200 else ".")
    shown = [(figure, caption) for _, figure, caption in figures]
    return _section("Runs", text, table.head(200), shown, from_records(table.attrs["warnings"]))


# ---- arguments ----


def _split(item, option):
    key, sign, value = item.partition("=")
    if not sign or not key.strip() or not value.strip():
        raise InputError("write KEY=VALUE, such as wiring.layout=busbar", key=option, value=item)
    return key.strip(), value.strip()


def _comma(text):
    """Split at commas that are not inside braces, brackets or quotes."""
    parts, depth, quote = [""], 0, None
    for letter in text:
        if quote is not None:
            quote = None if letter == quote else quote
        elif letter in "\"'":
            quote = letter
        else:
            depth += (letter in "{[") - (letter in "}]")
        if letter == "," and depth == 0 and quote is None:
            parts.append("")
        else:
            parts[-1] += letter
    return [part.strip() for part in parts if part.strip()]


def _value(text):
    """A TOML value if the text is one, else the text itself; a date stays text."""
    try:
        table = tomllib.loads(f"x = {text}")
    except (ValueError, RecursionError):
        return text
    return text if len(table) > 1 or isinstance(table["x"], (dt.date, dt.time)) else table["x"]


def _once(items, option):
    """{key: text} of a repeatable option; a key that stands twice is an error."""
    given = {}
    for item in items:
        key, text = _split(item, option)
        if key in given:
            raise InputError("stands twice; give each key once", key=option, value=item)
        given[key] = text
    return given


def _draws(items):
    return _once(items, "--vary")


def _changes(items):
    return {key: _value(text) for key, text in _once(items, "--set").items()}


def _made_by(scenario, study, **settings):
    """What makes the tables and plots of a study; a tolerance that was not given is the usual one."""
    from simbank.simulation.run import FAST_TOLERANCE, REFERENCE_TOLERANCE

    if "tolerance" in settings and settings["tolerance"] is None:
        settings["tolerance"] = FAST_TOLERANCE if settings["integrator"] == "fast" else REFERENCE_TOLERANCE
    return made_by(scenario, f"simbank.{study}", **settings)


def _folder(out):
    """Make the output folder before the work, so that a wrong one does not cost a run."""
    if out is not None:
        try:
            out.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(
                f"cannot be made: {error.strerror}; name a folder that can be written", key="--out", value=str(out)
            ) from None
    return out


# ---- output ----


@contextmanager
def _progress(label, quiet):
    """A callable for the fraction done, shown as a bar on a terminal and not at all in a pipe."""
    if quiet or not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    interrupts.at_exit(lambda: os.write(2, b"\r\x1b[2K\x1b[?25h"))  # the bar goes, the cursor comes back
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(label, total=1.0)
        yield lambda done: bar.update(task, completed=done)


def _console():
    from rich.console import Console

    console = Console(highlight=False)
    return console if console.is_terminal else Console(highlight=False, width=200)


def _print_json(record):
    print(json.dumps(record, indent=2, allow_nan=False))


_PACK_COLUMNS = {
    "name": "pack", "capacity_ah": "capacity\n[Ah]", "soc_start": "SOC at\nstart [%]", "soc_end": "SOC at\nend [%]",
    "current_peak_a": "peak\ncurrent [A]", "c_rate_peak": "peak\nC-rate", "share_ratio_discharge": "share ratio\ndischarge",
    "share_ratio_charge": "share ratio\ncharge", "throughput_ah": "throughput\n[Ah]", "loss_wh": "loss\n[Wh]",
    "first_full_h": "first full\n[h]", "first_empty_h": "first empty\n[h]",
    "temperature_max_c": "warmest\n[°C]",
}  # fmt: skip
_COMPARE_COLUMNS = {
    "layout": "layout", "spread_max_points": "largest spread\n[points]", "spread_end_points": "spread at end\n[points]",
    "share_ratio_max": "largest\nshare ratio", "hardest_pack": "of\npack", "share_ratio_min": "smallest\nshare ratio",
    "c_rate_max": "peak C-rate\nof a pack", "energy_out_wh": "energy out\n[Wh]", "conductor_loss_wh": "lost in cable\n[Wh]",
    "port_voltage_min_v": "lowest port\nvoltage [V]",
}  # fmt: skip
_SWEEP_COLUMNS = {k: v for k, v in _COMPARE_COLUMNS.items() if k not in ("layout", "port_voltage_min_v")} | {
    "charge_out_ah": "charge out\n[Ah]"
}
_PORT_COLUMNS = {
    "name": "port", "asked_wh": "asked\n[Wh]", "energy_out_wh": "given\n[Wh]", "unmet_wh": "unmet\n[Wh]",
    "offered_wh": "offered\n[Wh]", "energy_in_wh": "taken\n[Wh]", "curtailed_wh": "curtailed\n[Wh]",
    "ac_asked_wh": "AC asked\n[Wh]", "ac_served_wh": "AC served\n[Wh]", "voltage_min_v": "lowest\n[V]",
    "voltage_max_v": "highest\n[V]", "first_cutoff_h": "first cut\noff [h]", "first_charged_h": "first\ncharged [h]",
}  # fmt: skip
_DRIFT_COLUMNS = {
    "chemistry": "chemistry", "cells_in_series": "cells in\nseries",
    "slope_v_per_soc": "slope of a pack, 30\nto 70 % [V/unit SOC]", "half_width": "hysteresis of\na cell [mV]",
    "dead_band": "dead band\n[points]",
    "spread_max_points": "largest spread\n[points]", "spread_end_of_discharge_points": "at end of\ndischarge [points]",
    "spread_after_rest_points": "after 12 h of\nrest [points]",
    "spread_end_of_discharge_no_hysteresis_points": "without hysteresis:\nend of discharge",
    "spread_after_rest_no_hysteresis_points": "\nafter 12 h of rest",
}  # fmt: skip
_CARD_COLUMNS = {
    "soc": "SOC\n[%]", "charge_v": "after\ncharge [V]", "mid_v": "mid\n[V]", "discharge_v": "after\ndischarge [V]",
    "slope_v_per_soc": "slope\n[V/unit SOC]", "resistance_0c_milliohm": "R0 at\n0 °C [mΩ]",
    "resistance_25c_milliohm": "R0 at\n25 °C [mΩ]",
}  # fmt: skip
_PERCENT = {"soc_start", "soc_end"}


def _cell(column, value):
    import math

    if value is None or (isinstance(value, float) and math.isnan(value)):
        return "–"
    if isinstance(value, str):
        return value
    if column in _PERCENT:
        return f"{value * 100:.1f}"
    if column.endswith(("_ratio_discharge", "_ratio_charge", "_ratio_max", "_ratio_min")) or column.startswith("c_rate"):
        return f"{value:.3f}"
    if column.endswith("_wh"):
        return f"{value:,.0f}"
    if column.endswith(("_v", "_v_per_soc")):
        return f"{value:.2f}"
    return f"{value:.1f}" if column.endswith(("_a", "_ah", "_h", "_c", "_points")) else f"{value:g}"


def _table(title, frame, columns, wrap=False):
    """A table as wide as it needs to be; with ``wrap`` texts in it go over several lines rather than be cut off."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    table = Table(title=Text(streams.shown(title)), box=box.SIMPLE_HEAD, title_justify="left", title_style="bold", pad_edge=False)
    for key, heading in columns.items():
        text = frame[key].map(lambda v: isinstance(v, str)).all()
        fold = wrap and text
        overflow = "fold" if fold else "ellipsis"
        table.add_column(Text(streams.shown(heading)), justify="left" if text else "right", no_wrap=not fold, overflow=overflow)
    for _, row in frame.iterrows():
        table.add_row(*(Text(streams.shown(_cell(key, row[key]))) for key in columns))
    _console().print(table)


def _told(title, frame, columns):
    """A table whose last column is a text that wraps; nothing of it is cut off."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    table = Table(title=Text(title), box=box.SIMPLE_HEAD, title_justify="left", title_style="bold", pad_edge=False)
    *short, last = columns
    for key in short:
        text = frame[key].map(lambda v: isinstance(v, str)).all()
        table.add_column(Text(columns[key]), no_wrap=True, justify="left" if text else "right")
    table.add_column(Text(columns[last]), overflow="fold")
    for _, row in frame.iterrows():
        table.add_row(*(Text(_cell(key, row[key])) for key in columns))
    _console().print(table)


def _shares(results):
    """Share ratio of every pack on discharge, layouts as columns."""
    import pandas as pd

    first = next(iter(results.values())).summary["packs"]
    frame = pd.DataFrame({"pack": [p["name"] for p in first]})
    for name, result in results.items():
        frame[f"{name}_share_ratio_discharge"] = [p["share_ratio_discharge"] for p in result.summary["packs"]]
    columns = {"pack": "pack"} | {f"{name}_share_ratio_discharge": name for name in results}
    _table("Share of discharge ÷ share of capacity (1.000 is proportional)", frame, columns)


def _show_run(result, as_json):
    summary = result.summary
    if as_json:
        _print_json(summary)
        return
    import pandas as pd

    _warnings(summary["warnings"])
    bank, closure = summary["bank"], summary["closure"]
    _table(f"{summary['scenario']}: packs", pd.DataFrame(summary["packs"]).astype(object), _PACK_COLUMNS)
    say = _console().print
    for words, names in _parallel_cells(summary["packs"]).items():
        say(f"{', '.join(names)}: {words}.")
    volts = [bank["port_voltage_min_v"], bank["port_voltage_max_v"]]
    say(
        f"Bank: {bank['capacity_ah']:.0f} Ah over {bank['duration_h']:.1f} h. Out {bank['energy_out_wh']:,.0f} Wh, "
        f"in {bank['energy_in_wh']:,.0f} Wh, lost in cable {bank['conductor_loss_wh']:,.0f} Wh, "
        f"in packs {bank['pack_loss_wh']:,.0f} Wh."
    )
    ports = [port for port in summary["ports"] if port["asked_wh"] or port["offered_wh"]]
    if ports and any(port["unmet_wh"] > 0.5 or port["curtailed_wh"] > 0.5 or port["ac_asked_wh"] for port in ports):
        _table("Ports", pd.DataFrame(ports), _PORT_COLUMNS)
    for pair in summary["pairs"]:
        apart = [
            f"{what} {abs(pair[key]):.0f} s apart"
            for key, what in (("between_cutoffs_s", "cut off"), ("between_ends_of_charge_s", "charged"))
            if pair[key] is not None
        ]
        if pair["voltage_apart_max_v"]:
            names, millivolts = " and ".join(pair["ports"]), pair["voltage_apart_max_v"] * 1e3
            say(", ".join([f"{names}: voltages up to {millivolts:.0f} mV apart", *apart]) + ".")
    if None not in volts:
        say(
            f"Spread of SOC: {bank['spread_max_points']:.1f} points at most, {bank['spread_end_points']:.1f} at the end. "
            f"Port voltage {volts[0]:.2f} to {volts[1]:.2f} V."
        )
    say(
        f"Balance closes to {closure['charge_relative']:.0e} in charge and {closure['energy_relative']:.0e} in energy. "
        f"{_integrator(summary)}"
    )
    for pack in summary["packs"]:
        if pack["charge_too_cold_h"] > 0.01:
            say(
                f"Pack {pack['name']} was charged faster than its cells allow at their temperature "
                f"for {pack['charge_too_cold_h']:.1f} h "
                f"(coldest {pack['temperature_min_c']:.0f} °C)."
            )
    if summary["events"]:
        events = pd.DataFrame(summary["events"])
        events["time_h"] = events["time_s"] / 3600.0
        shown = events.head(20)
        _table("Events", shown, {"time_h": "time\n[h]", "where": "where", "what": "what", "because": "because"})
        if len(events) > len(shown):
            say(f"... and {len(events) - len(shown)} more (all of them in --out and --json)")
    _caution()


def _parallel_cells(packs):
    """Capacity of packs with several cells in parallel, by pack and by cell, in words → names."""
    said = {}
    for pack in packs:
        if pack["cells_in_parallel"] > 1:
            words = f"{pack['rated_capacity_ah']:g} Ah rated, {pack['cells_in_parallel']} cells of {pack['cell_capacity_ah']:g} Ah in parallel"
            said.setdefault(words, []).append(pack["name"])
    return said


_HEADING_WIDTH = 11  # of the table of shorted cells, whose many columns have long headings
_FAULT_COLUMNS = {
    "place": "fault at", "initial_a": "at once\n[A]", "after_10ms_a": "10 ms\n[A]", "after_100ms_a": "100 ms\n[A]",
    "after_1s_a": "1 s\n[A]", "rise_ms": "63 % after\n[ms]", "least_a": "least\n[A]",
}  # fmt: skip


def _show_protection(found, everything):
    import pandas as pd
    from rich import box
    from rich.table import Table
    from rich.text import Text

    from simbank.studies.protection import NOT_CHECKED

    _warnings(as_records(found.warnings))
    say = _console().print
    faults = found.faults.reset_index()
    for key in list(_FAULT_COLUMNS)[1:]:
        faults[key] = [f"{value:.3g}" if key == "rise_ms" else f"{value:,.0f}" for value in faults[key]]
    _table(f"{found.scenario.name}: prospective fault currents, bolted", faults, _FAULT_COLUMNS)
    for line in (*found.basis, *found.reliance):
        say(line)
    table = Table(title="What opens, in the greatest case", box=box.SIMPLE_HEAD, title_justify="left", title_style="bold")
    clearing = found.clearing_told
    for heading in clearing:
        table.add_column(heading)
    for row in clearing.itertuples(index=False):
        table.add_row(*(Text(streams.shown(x)) for x in row))
    say(table)
    shown = found.checks if everything else found.checks[found.checks["status"] != "pass"]
    table = Table(title="Checks" if everything else "Checks that did not pass", box=box.SIMPLE_HEAD, title_justify="left")
    for heading in ("status", "rule", "where", "what was found", "rule from"):
        table.add_column(heading, overflow="fold")
    for _, row in found.told(shown).iterrows():
        table.add_row(*(Text(streams.shown(row[key])) for key in ("status", "rule", "where", "text", "source")))
    if len(shown):
        say(table)
    if len(found.overload):
        overload = found.overload.copy()
        for key in ("soonest_s", "middle_s", "latest_s", "in_turn_s"):
            overload[key] = ["–" if t != t else "never" if t == float("inf") else f"{t:,.3g}" for t in overload[key]]
        columns = {
            "times_full_load": "times\nfull load", "device": "device", "current_a": "current\n[A]",
            "breaks": "counts\nas", "soonest_s": "alone, soonest\n[s]", "middle_s": "middle\n[s]", "latest_s": "latest\n[s]",
            "in_turn_s": "in turn, middle\n[s]",
        }  # fmt: skip
        _table("Overload at the ports: when each device opens if no other does, and in turn", overload, columns)
        columns = {"times_full_load": "times\nfull load", "then": "what opens, to the end"}
        _told("Overload at the ports, followed to its end", found.overload_told, columns)
    if len(found.outages):
        columns = {
            "dropped": "without", "load": "full", "pack": "hardest\npack", "current_a": "current\n[A]", "c_rate": "C-rate",
            "device_margin": "rating ÷\ncurrent", "then": "then",
        }  # fmt: skip
        _told("One out at full load", found.worst_outages.reset_index(drop=True), columns)
    if found.string_ratings:
        rows = pd.DataFrame([(r.string, r.device, r.text) for r in found.string_ratings], columns=["string", "device", "text"])
        columns = {"string": "string", "device": "device", "text": "which rating surely opens first"}
        _told("Devices of strings before those behind them", rows, columns)
    if found.told_shorted is not None:
        title = "A cell shorts and every BMS switch is stuck closed: what neighbours and charger feed into it"
        _table(
            title,
            found.told_shorted.reset_index(drop=True).astype(object),
            {key: textwrap.fill(key, _HEADING_WIDTH, break_long_words=False) for key in found.told_shorted},
            wrap=True,
        )
        say(found.short_words)
    say(f"{found.headline} {found.load_note[0].upper()}{found.load_note[1:]}.")
    say("Not checked: " + "; ".join(NOT_CHECKED) + ".", style="italic")
    say(PROTECTION_CAUTION, style="italic")


def _integrator(summary):
    used = summary["integrator"]
    over = f"; the reference took over {used['handed_over']} times" if used["handed_over"] else ""
    return f"Integrator: {used['name']}, tolerance {used['tolerance']:.0e}{over}."


def _warnings(records):
    """Warnings, before the tables."""
    for record in records:
        where = listed(record["where"].split(", "))
        _console().print(f"WARNING {record['code']} ({where}): {record['text']}", style="bold", soft_wrap=True)


def _caution():
    _console().print(CAUTION, style="italic")


def _written(out, as_json):
    if out is not None and not as_json:
        _console().print(f"Written to {out}", soft_wrap=True)


# ---- the way out ----

TRACE = "SIMBANK_TRACE"


def main():
    """Entry point: runs a command and turns whatever goes wrong into one line and an exit status."""
    interrupts.listen()
    streams.prepare()
    if not sys.warnoptions:
        warnings.simplefilter("ignore")  # of libraries, to developers
    set_command(["simbank", *sys.argv[1:]])
    try:
        status = app(standalone_mode=False)
        streams.flush()
    except Exception as error:
        if os.environ.get(TRACE):
            raise
        _explain(error)
    except KeyboardInterrupt:
        _fail("stopped", interrupts.STOPPED, mark="")
    sys.exit(status if isinstance(status, int) else 0)


def _explain(error):
    """Say in one line what went wrong, and end."""
    if isinstance(error, RunStopped):
        interrupts.end_children()
        _fail(error, interrupts.STOPPED, mark="")
    if isinstance(error, InputError):
        _fail(error, 2)
    if isinstance(error, SimbankError):
        _fail(error, 1)
    if isinstance(error, BrokenPipeError):  # whoever read has enough
        streams.drop()
        sys.exit(1)
    if isinstance(error, OSError):
        reason = error.strerror or " ".join(str(error).split()) or type(error).__name__
        _fail(f"{error.filename or 'output'}: {reason}", 1)
    if isinstance(error, MemoryError):
        _fail("not enough memory for this", 1)
    if isinstance(error, typer.Abort):
        _fail("no answer; give it as an option", 2)
    if hasattr(error, "format_message"):  # click's own errors, whose module depends on typer's version
        _usage(error)
    _fail(f"internal error: {type(error).__name__}: {error}. Please report it with what {TRACE}=1 in the environment shows", 1)


def _usage(error):
    """What is wrong with a command's arguments; help if there are none."""
    context = getattr(error, "ctx", None)
    if type(error).__name__ == "NoArgsIsHelpError":
        error.show()
        sys.exit(2)
    problem = " ".join(error.format_message().split()).rstrip(".")
    problem = problem if len(problem) <= 400 else f"{problem[:400]} ..."
    _fail(f"{problem[:1].lower()}{problem[1:]}; see {context.command_path if context else 'simbank'} --help", 2)


def _fail(error, status, mark="error: "):
    streams.drop()
    with suppress(OSError):
        print(f"{mark}{' '.join(str(error).split())}", file=sys.stderr, flush=True)
    sys.exit(status)

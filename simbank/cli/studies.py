"""Commands that run many scenarios and put them side by side."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from pathlib import Path
from typing import Annotated

import typer

from simbank.cli.options import (
    Cluster,
    File,
    Integrator,
    Jobs,
    Json,
    Method,
    Out,
    ReportFile,
    Set,
    Tolerance,
    Vary,
    changes,
    comma_parts,
    draws,
    make_folder,
    number_option,
    read_points,
    split_pair,
    toml_value,
)
from simbank.cli.output import (
    CAUTION,
    PROTECTION_CAUTION,
    console,
    integrator_words,
    print_json,
    progress_bar,
    report_file,
    section,
    show_caution,
    show_table,
    show_warnings,
    show_written,
    study_made_by,
)
from simbank.errors import InputError, SimulationError
from simbank.provenance import write_figure, write_table
from simbank.warning import as_records, from_records

__all__ = ["compare", "drift", "sensitivity", "size", "sweep", "usable"]


_COMPARE_COLUMNS = {
    "layout": "layout", "spread_max_points": "largest spread\n[points]", "spread_end_points": "spread at end\n[points]",
    "share_ratio_max": "largest\nshare ratio", "hardest_pack": "of\npack", "share_ratio_min": "smallest\nshare ratio",
    "c_rate_max": "peak C-rate\nof a pack", "energy_out_wh": "energy out\n[Wh]", "conductor_loss_wh": "lost in cable\n[Wh]",
    "port_voltage_min_v": "lowest port\nvoltage [V]",
}  # fmt: skip

_SWEEP_COLUMNS = {k: v for k, v in _COMPARE_COLUMNS.items() if k not in ("layout", "port_voltage_min_v")} | {
    "charge_out_ah": "charge out\n[Ah]"
}

_DRIFT_COLUMNS = {
    "chemistry": "chemistry", "cells_in_series": "cells in\nseries",
    "slope_v_per_soc": "slope of a pack, 30\nto 70 % [V/unit SOC]", "half_width": "hysteresis of\na cell [mV]",
    "dead_band": "dead band\n[points]",
    "spread_max_points": "largest spread\n[points]", "spread_end_of_discharge_points": "at end of\ndischarge [points]",
    "spread_after_rest_points": "after 12 h of\nrest [points]",
    "spread_end_of_discharge_no_hysteresis_points": "without hysteresis:\nend of discharge",
    "spread_after_rest_no_hysteresis_points": "\nafter 12 h of rest",
}  # fmt: skip


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

    scenario = load(file, changes(set_))
    out = make_folder(out)
    with progress_bar(f"Comparing layouts of {scenario.name}", json_) as progress:
        found = study(scenario, layout or None, progress=progress, integrator=integrator, method=method, tolerance=tolerance)
    if out is not None:
        made = study_made_by(scenario, "compare", integrator=integrator, method=method, tolerance=tolerance)
        write_table(out / "layouts.csv", found.table, made, index=True)
        write_figure(out / "layouts.png", found.plot(), made, f"{scenario.name}: layouts side by side")
        for name, result in found.results.items():
            result.write(out / name)
    if json_:
        rows = [{"layout": name} | r.summary for name, r in found.results.items()]
        print_json({"scenario": scenario.name, "warnings": as_records(found.warnings), "rows": rows})
    else:
        show_warnings(as_records(found.warnings))
        show_table(f"{scenario.name}: layouts side by side", found.table.reset_index(), _COMPARE_COLUMNS)
        _shares(found.results)
        console().print(integrator_words(next(iter(found.results.values())).summary))
        show_caution()
    own = found.results.get(scenario.layout)
    report_file(report, scenario, json_, result=own, comparison=found)
    show_written(out, json_)


def _shares(results):
    """Share ratio of every pack on discharge, layouts as columns."""
    import pandas as pd

    first = next(iter(results.values())).summary["packs"]
    frame = pd.DataFrame({"pack": [p["name"] for p in first]})
    for name, result in results.items():
        frame[f"{name}_share_ratio_discharge"] = [p["share_ratio_discharge"] for p in result.summary["packs"]]
    columns = {"pack": "pack"} | {f"{name}_share_ratio_discharge": name for name in results}
    show_table("Share of discharge ÷ share of capacity (1.000 is proportional)", frame, columns)


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
    scenario = load(file, changes(set_))
    out = make_folder(out)
    grid = {}
    for item in over:
        key, values = split_pair(item, "--over")
        if key in grid:
            raise InputError(f"stands twice; give its values in one list: --over {key}=V1,V2", key="--over", value=item)
        grid[key] = [toml_value(part) for part in comma_parts(values)]
    listed = None if points is None else read_points(points)
    with progress_bar(f"Sweeping {scenario.name}", json_) as progress:
        table = study(
            scenario, grid or None, points=listed, vary=draws(vary) or None, runs=runs,
            sampler=sampler, seed=seed, jobs=jobs, cluster=cluster, keep=out, progress=progress, integrator=integrator,
            method=method, tolerance=tolerance,
        )  # fmt: skip
    figures = []
    if out is not None:
        write_table(out / "sweep.csv", table, table.attrs["made_by"])
        mixed = {c: str for c in table if table[c].dtype == object and len(set(table[c].map(type))) > 1}
        write_table(out / "sweep.parquet", table.astype(mixed), table.attrs["made_by"])
    if out is not None or report is not None:
        figures = _sweep_figures(table, x, by, figure)
    if out is not None:
        for name, drawn, _ in figures:
            write_figure(out / name, drawn, table.attrs["made_by"], f"{scenario.name}: {len(table)} runs")
    if json_:
        rows = json.loads(table.to_json(orient="records", double_precision=15))
        print_json({"scenario": scenario.name, "warnings": table.attrs["warnings"], "rows": rows})
    else:
        show_warnings(table.attrs["warnings"])
        keys = [*table.attrs["fixed_keys"], *table.attrs["drawn_keys"]]
        columns = {key: key.removeprefix("wiring.").removeprefix("duty.") for key in keys[:6]}
        columns |= {key: heading for key, heading in _SWEEP_COLUMNS.items() if key in table}
        if table["failure"].notna().any():
            columns |= {"failure": "failure"}
        show_table(f"{scenario.name}: {len(table)} runs", table.head(40), columns)
        if len(table) > 40:
            console().print(f"... and {len(table) - 40} more (all of them in --out and --json)")
        console().print(f"Integrator: {integrator}.")
        show_caution()
    if report is not None:
        report_file(report, scenario, json_, studies=[_sweep_section(table, figures, integrator)])
    show_written(out, json_)
    if table["failure"].notna().all():
        raise SimulationError(next(w["text"] for w in table.attrs["warnings"] if w["code"] == "runs-failed"))


def _sweep_figures(table, x, by, figure):
    """(name of the file, figure, caption) of every picture of a sweep; none if no run gave a figure."""
    from simbank.plotting import study_plots

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


def _sweep_section(table, figures, integrator):
    text = f"{len(table)} runs, {integrator} integrator" + ("; the first 200 are shown." if len(table) > 200 else ".")
    shown = [(figure, caption) for _, figure, caption in figures]
    return section("Runs", text, table.head(200), shown, from_records(table.attrs["warnings"]))


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

    scenario = load(file, changes(set_))
    out = make_folder(out)
    with progress_bar(f"Sensitivity of {scenario.name}", json_):
        found = study(
            scenario, draws(vary), figure, runs=runs, seed=seed, jobs=jobs, cluster=cluster,
            keep=out, integrator=integrator, tolerance=tolerance,
        )  # fmt: skip
    if out is not None:
        write_table(out / "sensitivity.csv", found.table, found.made_by)
        write_figure(out / "sensitivity.png", found.plot(), found.made_by, f"{scenario.name}: what moves {figure}")
    if json_:
        rows = json.loads(found.table.to_json(orient="records"))
        told = {"warnings": as_records(found.warnings), "words": found.words}
        print_json({"scenario": scenario.name, "figure": figure, **told, "rows": rows})
    else:
        show_warnings(as_records(found.warnings))
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
        show_table(f"{scenario.name}: share of the variance of {figure}, {len(found.runs)} runs", shown, columns)
        for text in found.words:
            console().print(text)
        console().print(f"Integrator: {integrator}.")
        show_caution()
    if report is not None:
        text = f"Sobol indices of {figure}: share of its variance that each key explains, {len(found.runs)} runs, {integrator}. "
        text += " ".join(found.words)
        report_file(
            report, scenario, json_, studies=[section("Sensitivity", text, found.table, [(found.plot(), text)], found.warnings)]
        )
    show_written(out, json_)


def size(
    file: File,
    share: Annotated[float | None, number_option(help="Largest share ratio of a pack.", min=1.0)] = None,
    spread: Annotated[float | None, number_option(help="Largest spread of SOC [points].", min=0.0)] = None,
    drop: Annotated[float | None, number_option(help="Largest voltage drop from pack to port [%].", min=0.0)] = None,
    usable_: Annotated[float | None, number_option("--usable", help="Least usable energy [% of the packs' own].")] = None,
    gauges: Annotated[str, typer.Option(help="awg, mm2, or gauges with commas from small to large.")] = "awg",
    layout: Annotated[list[str], typer.Option("--layout", help="A layout to try; repeatable. Default: all.")] = [],  # noqa: B006
    price_per_kg: Annotated[float | None, number_option(help="Price of conductor per kilogram of copper.", min=0)] = None,
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

    scenario = load(file, changes(set_))
    out = make_folder(out)
    series = gauges if gauges in ("awg", "mm2") else [part.strip() for part in gauges.split(",")]
    with progress_bar(f"Sizing {scenario.name}", json_) as progress:
        found = study(
            scenario, Limits(share, spread, drop, usable_), gauges=series, layouts=layout or None, price_per_kg=price_per_kg,
            sharing_only=sharing_only, integrator=integrator, progress=progress, tolerance=tolerance,
        )  # fmt: skip
    if out is not None:
        made = study_made_by(scenario, "size", integrator=integrator, tolerance=tolerance, limits=asdict(found.limits))
        write_table(out / "sizes.csv", found.table, made)
        write_figure(out / "sizes.png", found.plot(), made, f"{scenario.name}: copper against sharing")
    if json_:
        rows = json.loads(found.table.to_json(orient="records"))
        best = None if found.best is None else {key: found.best[key] for key in ("layout", "gauge", "copper_kg")}
        warned = as_records(found.warnings)
        record = {"scenario": scenario.name, "warnings": warned, "looked_at": found.looked_at, "sharing_only": sharing_only}
        few = found.frontier[["layout", "gauge"]].to_dict(orient="records")
        print_json(record | {"best": best, "by_layout": found.by_layout, "frontier": few, "rows": rows})
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
        told = section("Sizing", text, shown, figures, found.warnings, words)
        report_file(report, scenario, json_, studies=[replace(told, text=(text, *whys))])
    show_written(out, json_)


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
    show_warnings(as_records(found.warnings))
    table, columns = _sizes_in_words(found, everything)
    what = "every layout and gauge" if everything else "layouts and gauges that matter,"
    show_table(f"{scenario.name}: {what} at its duty", table, columns)
    left = len(found.table) - len(table)
    if left:
        console().print(f"{left} more were tried: --all shows them.")
    against = table[table["fits"] == "no"]
    if len(against):
        console().print("Why not:")
        for _, row in against.iterrows():
            console().print(f"  {row['layout']}, {row['gauge']}: {row['why_not']}", soft_wrap=True)
    if found.best is None:
        console().print(f"No layout {found.does} in any gauge of the series.")
    else:
        others = ", ".join(f"{layout}: {gauge}" for layout, gauge in found.by_layout.items())
        console().print(
            f"Simplest that {found.does}: {found.best['layout']} in {found.best['gauge']} "
            f"({found.best['copper_kg']:.2f} kg of copper){found.unprotected(found.best)}. Smallest by layout: {others}."
        )
    console().print(f"Integrator: {integrator}. {found.looked_at}", style="bold" if found.sharing_only else None, soft_wrap=True)
    console().print(CAUTION if found.sharing_only else PROTECTION_CAUTION, style="italic")


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

    scenario = load(file, changes(set_))
    out = make_folder(out)
    with progress_bar(f"Drift in {scenario.name}", json_) as progress:
        found = study(scenario, chemistry or DEFAULT, progress=progress, tolerance=1e-8)
    if out is not None:
        made = study_made_by(scenario, "drift", integrator="reference", tolerance=1e-8)
        write_table(out / "drift.csv", found.table, made, index=True)
        write_figure(out / "drift.png", found.plot(), made, f"{scenario.name}: drift by chemistry")
    if json_:
        rows = json.loads(found.table.reset_index().to_json(orient="records"))
        told = {"warnings": as_records(found.warnings), "words": found.words}
        print_json({"scenario": scenario.name, **told, "rows": rows})
    else:
        show_warnings(as_records(found.warnings))
        title = f"{scenario.name}: discharged at 0.2 C from 70 to 30 %, then 12 h of rest"
        shown = found.table.reset_index()
        shown["half_width"] = [f"±{value:.1f}" for value in shown["half_width_mv"]]
        shown["dead_band"] = [f"±{value:.1f}" for value in shown["dead_band_points"]]
        show_table(title, shown, _DRIFT_COLUMNS)
        for text in found.words:
            console().print(text)
        console().print(integrator_words(next(iter(found.results.values())).summary))
        show_caution()
    if report is not None:
        text = "Discharged at 0.2 C from 70 to 30 %, then 12 h of rest, with other chemistries in the same packs and wiring. "
        text += " ".join(found.words)
        shown = found.table.reset_index()
        told = section("Drift by chemistry", text, shown, [(found.plot(), text)], found.warnings)
        report_file(report, scenario, json_, studies=[told])
    show_written(out, json_)


def usable(
    file: File,
    c_rate: Annotated[float, number_option(help="Discharge rate of the bank.", min=0.001, max=10)] = 0.2,
    set_: Set = [],  # noqa: B006
    out: Out = None,
    json_: Json = False,
    report: ReportFile = None,
):
    """What the bank delivers from full to cut-off, against what its packs would deliver each on its own."""
    from simbank.scenario import load
    from simbank.studies import usable as study

    scenario = load(file, changes(set_))
    out = make_folder(out)
    table = study(scenario, c_rate, tolerance=1e-8)
    share = table.loc["bank", "energy_wh"] / table.loc["sum of packs", "energy_wh"]
    words = f"The bank delivers {share * 100:.1f} % of what its packs would deliver each on its own."
    if out is not None:
        made = study_made_by(scenario, "usable", integrator="reference", tolerance=1e-8, c_rate=c_rate)
        write_table(out / "usable.csv", table, made, index=True)
    if json_:
        rows = json.loads(table.reset_index().to_json(orient="records"))
        print_json({"scenario": scenario.name, "c_rate": c_rate, "warnings": table.attrs["warnings"], "rows": rows})
    else:
        show_warnings(table.attrs["warnings"])
        columns = {"what": "what", "charge_ah": "charge\n[Ah]", "energy_wh": "energy\n[Wh]"}
        show_table(f"{scenario.name}: from full to cut-off at {c_rate:g} C", table.reset_index(), columns)
        console().print(words)
        console().print("Integrator: reference, tolerance 1e-08.")
        show_caution()
    if report is not None:
        text = f"From full to cut-off at {c_rate:g} C."
        warned = from_records(table.attrs["warnings"])
        report_file(report, scenario, json_, studies=[section("Usable energy", text, table.reset_index(), [], warned, words)])
    show_written(out, json_)

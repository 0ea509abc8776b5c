"""The command that runs a scenario."""

from __future__ import annotations

import math

from simbank.cli.bands import show_bands
from simbank.cli.options import (
    Bands,
    File,
    Integrator,
    Json,
    Method,
    Out,
    ReportFile,
    Seed,
    Set,
    Tolerance,
    Wide,
    changes,
    make_folder,
)
from simbank.cli.output import (
    integrator_words,
    judged,
    print_json,
    report_file,
    say,
    show_bars,
    show_caution,
    show_left_over,
    show_table,
    show_verdicts,
    show_warnings,
    show_written,
)
from simbank.cli.progress import progress_bar
from simbank.cli.report_bands import fault_draws, report_bands
from simbank.digits import clock, duration, number
from simbank.errors import RunStopped, SimulationError
from simbank.warning import as_records

__all__ = ["run"]

_PACK_COLUMNS = {
    "name": "pack", "capacity_ah": "capacity [Ah]", "soc_end": "SOC at end [%]", "current_peak_a": "peak [A]",
    "c_rate_peak": "peak C-rate", "share_ratio_discharge": "share ratio discharge", "share_ratio_charge": "share ratio charge",
    "first_full_h": "first full", "first_empty_h": "first empty",
}  # fmt: skip
_DISPLAY_COLUMNS = {"displayed_soc_end": "display at end [%]", "display_error_end_points": "display error [points]"}
_WARMEST = {"temperature_max_c": "warmest [°C]"}
_MORE_OF_PACKS = {"soc_start": "SOC at start [%]", "throughput_ah": "throughput [Ah]", "loss_wh": "loss [Wh]", **_WARMEST}
WARM_C = 45.0  # from which the warmest is shown unasked: many makers let cells charge up to it; common practice, no source

_PORT_COLUMNS = {"name": "port", "asked_wh": "asked [Wh]", "unmet_wh": "unmet [Wh]"}
_AC_COLUMNS = {"ac_asked_wh": "AC asked [Wh]", "ac_unmet_wh": "AC unmet [Wh]"}
_PORT_COLUMNS_AFTER = {
    "offered_wh": "offered [Wh]", "energy_in_wh": "taken [Wh]", "voltage_min_v": "lowest [V]", "voltage_max_v": "highest [V]",
    "first_cutoff_h": "first cut off",
}  # fmt: skip
_MORE_OF_PORTS = {
    "energy_out_wh": "given [Wh]", "curtailed_wh": "curtailed [Wh]", "first_charged_h": "first charged",
    **_AC_COLUMNS, "ac_served_wh": "AC served [Wh]",
}  # fmt: skip
MOST_EVENTS, MOST_BARS = 20, 24
REPORT_S = 60.0  # that bands of a report may take


def run(
    file: File,
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
    """Run a scenario and show how its packs share current."""
    from simbank.scenario import load

    scenario = load(file, changes(set_))
    out = make_folder(out)
    from simbank.simulation import simulate  # whose file has a mistake does not wait for it

    keep = None if out is None else lambda partial: partial.write(out)
    try:
        with progress_bar(f"Running {scenario.name}", json_) as progress:
            result = simulate(
                scenario, integrator=integrator, method=method, tolerance=tolerance, progress=progress, checkpoint=keep
            )
    except SimulationError as error:
        if error.partial is not None:
            if out is not None:
                error.partial.write(out)
            _show_run(error.partial, json_, out, wide)
        raise
    if out is not None:
        with progress_bar(f"Writing files of {scenario.name}", json_):
            result.write(out, figures=True)
    try:
        found = _bands(scenario, bands, seed, json_) if bands else None
    except RunStopped as stopped:
        if stopped.partial is not None:
            _show_run(result, json_, out, wide, stopped.partial)
        raise
    _show_run(result, json_, out, wide, found)
    if report is not None:
        _report_run(report, scenario, result, found, bands, seed, json_)
    show_written(out, json_)
    show_left_over(out, json_)
    missed = [warning["text"] for warning in result.summary["warnings"] if warning["code"] == "balance-missed"]
    if missed:
        raise SimulationError("; ".join(missed))


EXPLAINING = "what explains them"  # said once all draws are run


def _bands(scenario, draws, seed, quiet):
    from simbank.studies import bands as study

    with progress_bar(f"Bands of {scenario.name}", quiet, EXPLAINING) as progress:
        return study(scenario, draws, seed, progress=progress)


def _show_run(result, as_json, out, wide, bands=None):
    summary, told = result.summary, judged(result, out, wide or as_json, bands)
    if bands is not None:
        summary = summary | {"warnings": [*summary["warnings"], *as_records(bands.warnings)]}
        if out is not None:
            from simbank.studies.bands_result import BANDS_FOLDER

            bands.write(out / BANDS_FOLDER)
    if as_json:
        print_json(summary | {"verdicts": told} | ({} if bands is None else bands.told))
        return
    show_warnings(summary["warnings"], told)
    _show_packs(summary, wide)
    _show_rest(result, wide)
    _show_bank(summary)
    _show_ports(summary, wide)
    _show_balance(summary)
    _show_events(summary["events"], wide)
    if bands is not None:
        show_bands(bands, wide)
    show_verdicts(told)
    show_caution()


def _show_packs(summary, wide):
    import pandas as pd

    packs = summary["packs"]
    warm = any(pack["temperature_max_c"] >= WARM_C for pack in packs)
    shown = _DISPLAY_COLUMNS if "displayed_soc_end" in packs[0] else {}
    columns = _PACK_COLUMNS | shown | (_WARMEST if warm else {})
    show_table(f"{summary['scenario']}: packs", pd.DataFrame(packs).astype(object), columns, _MORE_OF_PACKS, wide)
    for words, names in _parallel_cells(packs).items():
        say(f"{', '.join(names)}: {words}.")


def _show_rest(result, wide):
    """State of charge of each pack, near to far, at the instant of rest at which packs are furthest apart; ``wide``: at each.

    Where packs have displays, what they show stands beside it, and the instant is that at which displays are furthest apart.
    """
    soc = result.soc_at_rest()
    if not len(soc):
        return
    shown_soc = result.displayed_at_rest() if result.has_displays else soc
    apart = soc.max(axis=1) - soc.min(axis=1)
    shown_apart = shown_soc.max(axis=1) - shown_soc.min(axis=1)
    at, what = shown_apart.idxmax()
    spread = apart.loc[(at, what)]
    names = list(soc.columns)
    shown = names if len(names) <= MOST_BARS else [*names[: MOST_BARS // 2], *names[-(MOST_BARS // 2) :]]
    title = f"State of charge, near to far, {what}, at {clock(at)}: spread {number(spread * 100.0, 'points')} points"
    bars = [(name, soc.loc[(at, what), name]) for name in shown]
    if result.has_displays:
        title += f", of displays {number(shown_apart.max() * 100.0, 'points')}"
        displays = [(f"{name} display", shown_soc.loc[(at, what), name]) for name in shown]
        bars = [bar for pair in zip(bars, displays, strict=True) for bar in pair if math.isfinite(bar[1])]
    show_bars(title, bars)
    if len(shown) < len(names):
        say(f"Between the nearest {MOST_BARS // 2} and the farthest stand {len(names) - len(shown)} more.")
    if len(soc) > 1 and not wide:
        say(f"The widest of {len(soc)} instants that tell how the bank shares; --wide shows all.")
    if soc.attrs["note"]:
        say(f"Note: {soc.attrs['note']}.")
    if wide:
        percent = (soc * 100.0).rename(columns="{}_percent".format)
        columns = {"time_s": "time", "instant": "instant"} | {f"{name}_percent": f"{name} [%]" for name in names}
        show_table("State of charge at rest, near to far", percent.reset_index(), columns, wide=True)
        if result.has_displays:
            percent = (shown_soc * 100.0).rename(columns="{}_percent".format)
            show_table("What displays show at rest, near to far", percent.reset_index(), columns, wide=True)


def _show_bank(summary):
    bank = summary["bank"]
    energy = {key: number(bank[key], "Wh") for key in ("energy_out_wh", "energy_in_wh", "conductor_loss_wh", "pack_loss_wh")}
    say(
        f"Bank: {number(bank['capacity_ah'], 'Ah')} Ah over {duration(bank['duration_h'] * 3600.0)}. Out {energy['energy_out_wh']} Wh, "
        f"in {energy['energy_in_wh']} Wh, lost in cable {energy['conductor_loss_wh']} Wh, in packs {energy['pack_loss_wh']} Wh.",
        gap=True,
    )


def _show_ports(summary, wide):
    import pandas as pd

    ports = [port for port in summary["ports"] if port["asked_wh"] or port["offered_wh"]]
    served = any(port["ac_asked_wh"] for port in ports)
    if served or wide or any(port["unmet_wh"] > 0.5 or port["curtailed_wh"] > 0.5 for port in ports):
        columns = _PORT_COLUMNS | (_AC_COLUMNS if served else {}) | _PORT_COLUMNS_AFTER
        show_table("Ports", pd.DataFrame(ports or summary["ports"]), columns, _MORE_OF_PORTS, wide)
    for pair in summary["pairs"]:
        apart = [
            f"{what} {duration(abs(pair[key]))} apart"
            for key, what in (("between_cutoffs_s", "cut off"), ("between_ends_of_charge_s", "charged"))
            if pair[key] is not None
        ]
        volts = pair["voltage_apart_max_v"]
        if volts:
            up_to = f"{number(volts, 'V')} V" if volts >= 1.0 else f"{number(volts * 1e3, 'mV')} mV"
            say(", ".join([f"{' and '.join(pair['ports'])}: voltages up to {up_to} apart", *apart]) + ".")


def _show_balance(summary):
    bank, closure = summary["bank"], summary["closure"]
    volts = [bank["port_voltage_min_v"], bank["port_voltage_max_v"]]
    if None not in volts:
        most, end = (number(bank[key], "points") for key in ("spread_max_points", "spread_end_points"))
        say(f"Spread of SOC: {most} points at most, {end} at the end. Port voltage {volts[0]:.2f} to {volts[1]:.2f} V.", gap=True)
    say(
        f"Balance closes to {closure['charge_relative']:.0e} in charge and {closure['energy_relative']:.0e} in energy. "
        f"{integrator_words(summary)}"
    )
    for pack in summary["packs"]:
        if pack["charge_too_cold_h"] > 0.01:
            say(
                f"Pack {pack['name']} was charged faster than its cells allow at their temperature "
                f"for {duration(pack['charge_too_cold_h'] * 3600.0)} (coldest {number(pack['temperature_min_c'], '°C')} °C)."
            )


def _show_events(records, wide):
    """The first events, and each kind at each place at least once; ``wide``: all of them."""
    import pandas as pd

    if not records:
        return
    events = pd.DataFrame(records)
    kept = ~events.duplicated(["code", "where"]) | (events.index < MOST_EVENTS) | wide
    show_table("Events", events[kept], {"time_s": "time", "where": "where", "what": "what", "because": "because"}, wide=wide)
    if not kept.all():
        say(f"{(~kept).sum()} more, of the same kinds at the same places, are in --wide, --out and --json.")


def _parallel_cells(packs):
    """Capacity of packs with several cells in parallel, by pack and by cell, in words → names."""
    said = {}
    for pack in packs:
        if pack["cells_in_parallel"] > 1:
            words = f"{pack['rated_capacity_ah']:g} Ah rated, {pack['cells_in_parallel']} cells of {pack['cell_capacity_ah']:g} Ah in parallel"
            said.setdefault(words, []).append(pack["name"])
    return said


def _report_run(path, scenario, result, bands, given, seed, quiet):
    """Report of a run, with layouts side by side where the file gives their parts, and with protection; bands unless ``given`` is 0."""
    from simbank.studies import compare, protect
    from simbank.studies.bands import affordable_draws
    from simbank.studies.bands import bands as study

    why, comparison = "", None
    if bands is None:
        bands, why = report_bands(
            scenario.name, given, quiet, lambda: affordable_draws(scenario, REPORT_S),
            lambda draws, progress: study(scenario, draws, seed, progress=progress), REPORT_S,
        )  # fmt: skip
    with progress_bar(f"Layouts and protection of {scenario.name} for the report", quiet) as progress:
        half = progress and (lambda done: progress(done / 2.0))
        if scenario.layout != "graph":
            comparison = compare(scenario, integrator="fast", progress=half)
        rest = progress and (lambda done: progress(0.5 + done / 2.0))
        protection = protect(scenario, progress=rest, bands=fault_draws(scenario, given, seed), seed=seed)
    report_file(
        path, scenario, quiet, result=result, comparison=comparison, protection=protection, bands=bands, without_bands=why
    )

"""The command that runs a scenario."""

from __future__ import annotations

import math

import numpy as np

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
from simbank.digits import by_column, clock, duration, number
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
    packs = summary["packs"]
    warm = any(pack["temperature_max_c"] >= WARM_C for pack in packs)
    shown = _DISPLAY_COLUMNS if "displayed_soc_end" in packs[0] else {}
    columns = _PACK_COLUMNS | shown | (_WARMEST if warm else {})
    show_table(f"{summary['scenario']}: packs", by_column(packs), columns, _MORE_OF_PACKS, wide)
    for words, names in _parallel_cells(packs).items():
        say(f"{', '.join(names)}: {words}.")


def _show_rest(result, wide):
    """State of charge of each pack, near to far, at the instant of rest at which packs are furthest apart; ``wide``: at each.

    Where packs have displays, what they show stands beside it, and the instant is that at which displays are furthest apart.
    """
    rest = result.at_rest()
    count, soc, displays = len(rest.time_s), rest.soc, rest.displayed_soc
    if not count:
        return
    decides = soc if displays is None else displays
    apart = np.nanmax(decides, axis=1) - np.nanmin(decides, axis=1)
    k = int(apart.argmax())
    spread = soc[k].max() - soc[k].min()
    places = [*range(len(rest.packs))]
    shown = places if len(places) <= MOST_BARS else [*places[: MOST_BARS // 2], *places[-(MOST_BARS // 2) :]]
    title = f"State of charge, near to far, {rest.words[k]}, at {clock(rest.time_s[k])}: spread {number(spread * 100.0, 'points')} points"
    bars = [(rest.packs[place], soc[k, place]) for place in shown]
    if displays is not None:
        title += f", of displays {number(apart[k] * 100.0, 'points')}"
        more = [(f"{rest.packs[place]} display", displays[k, place]) for place in shown]
        bars = [bar for pair in zip(bars, more, strict=True) for bar in pair if math.isfinite(bar[1])]
    show_bars(title, bars)
    if len(shown) < len(places):
        say(f"Between the nearest {MOST_BARS // 2} and the farthest stand {len(places) - len(shown)} more.")
    if count > 1 and not wide:
        say(f"The widest of {count} instants that tell how the bank shares; --wide shows all.")
    if rest.note:
        say(f"Note: {rest.note}.")
    if wide:
        _show_all_rests("State of charge at rest, near to far", rest, soc)
        if displays is not None:
            _show_all_rests("What displays show at rest, near to far", rest, displays)


def _show_all_rests(title, rest, shares):
    """Shares of 1 of every pack at every instant of ``rest``, in percent."""
    headings = {"time_s": "time", "instant": "instant"} | {f"{name}_percent": f"{name} [%]" for name in rest.packs}
    columns = {"time_s": rest.time_s, "instant": rest.words}
    columns |= {f"{name}_percent": share * 100.0 for name, share in zip(rest.packs, shares.T, strict=True)}
    show_table(title, columns, headings, wide=True)


def _show_bank(summary):
    bank = summary["bank"]
    energy = {key: number(bank[key], "Wh") for key in ("energy_out_wh", "energy_in_wh", "conductor_loss_wh", "pack_loss_wh")}
    say(
        f"Bank: {number(bank['capacity_ah'], 'Ah')} Ah over {duration(bank['duration_h'] * 3600.0)}. Out {energy['energy_out_wh']} Wh, "
        f"in {energy['energy_in_wh']} Wh, lost in cable {energy['conductor_loss_wh']} Wh, in packs {energy['pack_loss_wh']} Wh.",
        gap=True,
    )


def _show_ports(summary, wide):
    ports = [port for port in summary["ports"] if port["asked_wh"] or port["offered_wh"]]
    served = any(port["ac_asked_wh"] for port in ports)
    if served or wide or any(port["unmet_wh"] > 0.5 or port["curtailed_wh"] > 0.5 for port in ports):
        columns = _PORT_COLUMNS | (_AC_COLUMNS if served else {}) | _PORT_COLUMNS_AFTER
        show_table("Ports", by_column(ports or summary["ports"]), columns, _MORE_OF_PORTS, wide)
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
    if not records:
        return
    kept, seen = [], set()
    for k, record in enumerate(records):
        if wide or k < MOST_EVENTS or (record["code"], record["where"]) not in seen:
            kept.append(record)
        seen.add((record["code"], record["where"]))
    show_table("Events", by_column(kept), {"time_s": "time", "where": "where", "what": "what", "because": "because"}, wide=wide)
    if len(kept) < len(records):
        say(f"{len(records) - len(kept)} more, of the same kinds at the same places, are in --wide, --out and --json.")


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
    from simbank.report.of_run import write_run_report

    make_folder(path.parent)

    def stage(label):
        return progress_bar(label, quiet)

    tell = (lambda text: None) if quiet else say
    write_run_report(scenario, path, result, bands, given, seed, stage, tell)
    tell(f"Report: {path}")

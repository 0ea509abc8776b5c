"""The command that runs a scenario."""

from __future__ import annotations

from simbank.cli.options import File, Integrator, Json, Method, Out, ReportFile, Set, Tolerance, changes, make_folder
from simbank.cli.output import (
    console,
    integrator_words,
    judged,
    print_json,
    progress_bar,
    report_file,
    show_caution,
    show_table,
    show_verdicts,
    show_warnings,
    show_written,
)
from simbank.errors import SimulationError

__all__ = ["run"]


_PACK_COLUMNS = {
    "name": "pack", "capacity_ah": "capacity\n[Ah]", "soc_start": "SOC at\nstart [%]", "soc_end": "SOC at\nend [%]",
    "current_peak_a": "peak\ncurrent [A]", "c_rate_peak": "peak\nC-rate", "share_ratio_discharge": "share ratio\ndischarge",
    "share_ratio_charge": "share ratio\ncharge", "throughput_ah": "throughput\n[Ah]", "loss_wh": "loss\n[Wh]",
    "first_full_h": "first full\n[h]", "first_empty_h": "first empty\n[h]",
    "temperature_max_c": "warmest\n[°C]",
}  # fmt: skip

_PORT_COLUMNS = {
    "name": "port", "asked_wh": "asked\n[Wh]", "energy_out_wh": "given\n[Wh]", "unmet_wh": "unmet\n[Wh]",
    "offered_wh": "offered\n[Wh]", "energy_in_wh": "taken\n[Wh]", "curtailed_wh": "curtailed\n[Wh]",
    "ac_asked_wh": "AC asked\n[Wh]", "ac_served_wh": "AC served\n[Wh]", "ac_unmet_wh": "AC unmet\n[Wh]",
    "voltage_min_v": "lowest\n[V]",
    "voltage_max_v": "highest\n[V]", "first_cutoff_h": "first cut\noff [h]", "first_charged_h": "first\ncharged [h]",
}  # fmt: skip


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

    scenario = load(file, changes(set_))
    out = make_folder(out)
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
            _show_run(error.partial, json_, out)
        raise
    if out is not None:
        result.write(out, figures=True)
    _show_run(result, json_, out)
    if report is not None:
        _report_run(report, scenario, result, json_)
    show_written(out, json_)
    missed = [warning["text"] for warning in result.summary["warnings"] if warning["code"] == "balance-missed"]
    if missed:
        raise SimulationError("; ".join(missed))


def _show_run(result, as_json, out):
    summary, told = result.summary, judged(result, out)
    if as_json:
        print_json(summary | {"verdicts": told})
        return
    import pandas as pd

    show_warnings(summary["warnings"])
    bank, closure = summary["bank"], summary["closure"]
    show_table(f"{summary['scenario']}: packs", pd.DataFrame(summary["packs"]).astype(object), _PACK_COLUMNS)
    say = console().print
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
        show_table("Ports", pd.DataFrame(ports), _PORT_COLUMNS)
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
        f"{integrator_words(summary)}"
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
        show_table("Events", shown, {"time_h": "time\n[h]", "where": "where", "what": "what", "because": "because"})
        if len(events) > len(shown):
            say(f"... and {len(events) - len(shown)} more (all of them in --out and --json)")
    show_verdicts(told)
    show_caution()


def _parallel_cells(packs):
    """Capacity of packs with several cells in parallel, by pack and by cell, in words → names."""
    said = {}
    for pack in packs:
        if pack["cells_in_parallel"] > 1:
            words = f"{pack['rated_capacity_ah']:g} Ah rated, {pack['cells_in_parallel']} cells of {pack['cell_capacity_ah']:g} Ah in parallel"
            said.setdefault(words, []).append(pack["name"])
    return said


def _report_run(path, scenario, result, quiet):
    """Report of a run, with layouts side by side where the file gives their parts, and protection."""
    from simbank.studies import compare, protect

    comparison = None
    with progress_bar("Layouts and protection for the report", quiet):
        if scenario.layout != "graph":
            comparison = compare(scenario, integrator="fast")
        protection = protect(scenario)
    report_file(path, scenario, quiet, result=result, comparison=comparison, protection=protection)

"""The command on fault currents and protection."""

from __future__ import annotations

from typing import Annotated

import typer

from simbank.caution import PROTECTION_CAUTION
from simbank.cli.options import Bands, File, Json, Out, ReportFile, Seed, Set, Wide, number_option
from simbank.cli.output import Command, say, show_tables
from simbank.cli.report_bands import report_bands
from simbank.digits import number

__all__ = ["protect"]


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
    from simbank.studies import protect as study
    from simbank.studies.protection.asked import assumptions_asked, refuse_shorted_cells

    case = assumptions_asked(warm, cold, within, drop, margin, pack_inductance, shorted_cells)
    command = Command(file, set_, out, json_, report, wide)
    refuse_shorted_cells(command.scenario, shorted_cells)
    with command.progress("Protection of") as progress:
        found = study(command.scenario, case, progress=progress, bands=bands or None, seed=seed)

    def parts():
        from simbank.report.of_run import fault_draws

        told, why = found, ""
        if bands is None:
            told, why = report_bands(
                command.scenario.name, bands, json_, lambda: fault_draws(command.scenario, bands, seed, case),
                lambda draws, progress: found.in_draws(draws, seed, progress),
            )  # fmt: skip
        return {"protection": told or found, "without_bands": why}

    command.finish(found, lambda found, wide: _show_protection(found, all_, wide), parts, PROTECTION_CAUTION)


def _show_protection(found, everything, wide):
    from simbank.report import told_protection as told

    show_tables(told.fault_tables(found), wide)
    drawn = () if found.bands is None else found.bands.words
    for k, line in enumerate((*drawn, *found.basis, *found.reliance)):
        say(line, gap=k == 0)
    _show_clearing(found.clearing_told, wide)
    if len(found.overload):
        show_tables([told.overload_table(found, wide)], wide)
        say("Overload at the ports, followed to its end", "bold", gap=True)
        for times, then in found.overload_told.itertuples(index=False):
            say(f"{number(times)} times: {then}", hang=2)
    if len(found.outages):
        show_tables([told.outage_table(found)], wide)
    if found.string_ratings:
        say("Devices of strings before those behind them", "bold", gap=True)
        for rating in found.string_ratings:
            say(f"{rating.string}, {rating.device}: {rating.text}", hang=2)
    if found.told_shorted is not None:
        table, left = told.shorted_table(found, wide)
        show_tables([table], wide)
        if left:
            say(f"{left} more cases, with no more current and no more energy into the same pack: --wide shows them.", gap=True)
        say(found.short_words, gap=not left)
    _show_checks(told.check_groups(found, everything), everything)
    say(f"{found.headline} {found.load_note[0].upper()}{found.load_note[1:]}.", gap=True)
    say("Not checked: " + "; ".join(found.not_checked) + ".", style="italic")


def _show_clearing(clearing, wide):
    from simbank.report.told_protection import openings

    say("What opens in the greatest case, and when by the middle of its band", "bold", gap=True)
    for one in openings(clearing, wide):
        say(f"Fault at {', '.join(one.places)}", None if one.cleared else "bold", hang=2)
        alone = f" {one.alone}" if one.alone else ""
        say(f"Opens: {one.opens}.{alone} Selective: {one.selective}.", hang=2, indent=2)


def _show_checks(groups, everything):
    if groups:
        say("Checks" if everything else "Checks that did not pass", "bold", gap=True)
    for group in groups:
        say(f"{group.status.upper()} {group.rule} ({group.source})", "bold" if group.status == "fail" else None, hang=2)
        for where, text in group.found:
            say(f"{where}: {text}", hang=2, indent=2)

"""The command on years of a bank."""

from __future__ import annotations

from typing import Annotated

import typer

from simbank.cli.options import Bands, File, Json, Out, ReportFile, Seed, Set, Wide, number_option
from simbank.cli.output import Command, say, show_tables
from simbank.errors import RunStopped, SimulationError

__all__ = ["age"]


def age(
    file: File,
    years: Annotated[float, number_option(help="How far to go.", min=0.1, max=50)] = 10.0,
    law: Annotated[str, typer.Option(help="Ageing law: schimpe, naumann, wang, or joined, naumann+wang.")] = "schimpe",
    until: Annotated[
        float | None, number_option(help="End when the first pack has so much of its capacity as new left.", min=0.2, max=0.99)
    ] = None,
    windows: Annotated[
        int | None, typer.Option(help="Steps between changes of the bank.  [default: as the error asks]", min=1, max=32)
    ] = None,
    window_days: Annotated[int, typer.Option(help="Length of each stretch of real days.", min=1, max=90)] = 7,
    full: Annotated[bool, typer.Option("--full", help="Go through every day instead of windows; slow.")] = False,
    worth: Annotated[
        bool, typer.Option("--worth", help="Also what a bus bar, a lower float, a cooler place and the reverse order are worth.")
    ] = False,
    set_: Set = [],  # noqa: B006
    out: Out = None,
    json_: Json = False,
    report: ReportFile = None,
    bands: Bands = None,
    seed: Seed = 0,
    wide: Wide = False,
):
    """Years of the bank: capacity and resistance of each pack, who ages first and why, whether packs grow together or apart."""
    from simbank.studies import age as study
    from simbank.studies.ageing.window_runs import BALANCE_MISSED

    command = Command(file, set_, out, json_, report, wide)
    try:
        with command.progress("Bands of years of" if bands else "Years of") as progress:
            found = study(
                command.scenario, years, law=law, until=until, windows=windows, window_days=window_days, full=full,
                bands=bands or None, seed=seed, progress=progress,
            )  # fmt: skip
    except SimulationError as error:
        if error.partial is not None:
            command.report = None
            command.finish(error.partial, _show_age)
        raise
    if worth:
        _add_worth(command, found)
    command.finish(found, _show_age)
    if found.closure.get("windows_missed"):
        raise SimulationError(next(warning.text for warning in found.warnings if warning.code == BALANCE_MISSED))


def _add_worth(command, found):
    """What changes are worth; by Ctrl-C those that were tried are shown with the rest before it ends."""
    from simbank.studies.ageing import worth as changes_worth

    try:
        with command.progress("Changes of") as progress:
            found.worth = changes_worth(found, progress)
    except RunStopped as stopped:
        found.worth, command.report = stopped.partial, None
        command.finish(found, _show_age)
        raise


def _show_age(found, wide):
    from simbank.studies.ageing.told import laws_shown

    show_tables(found.shown, wide)
    for text in () if found.worth is None else found.worth.attrs.get("left_out", ()):
        say(f"Not tried: {text}")
    if wide:
        show_tables([laws_shown(found)], wide)
    for k, text in enumerate(found.words):
        say(text, gap=k == 0)

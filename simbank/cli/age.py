"""The command on years of a bank."""

from __future__ import annotations

import copy
import time
from typing import Annotated

import typer

from simbank.cli.options import Bands, File, Json, Out, ReportFile, Seed, Set, Wide, number_option
from simbank.cli.output import Command, say, show_tables
from simbank.cli.report_bands import study_bands
from simbank.digits import duration
from simbank.errors import InputError, RunStopped, SimulationError

__all__ = ["age"]

BANDS_S, WORTH_S = (
    60.0,
    10.0,
)  # of a processor's time, that bands (as of a run) and what changes are worth may take in a report unasked
WINDOW_DAYS = 7


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
    window_days: Annotated[
        int | None, typer.Option(help="Length of each stretch of real days.  [default: 7]", min=1, max=90)
    ] = None,
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
    from simbank.studies.ageing.seasons import is_dated
    from simbank.studies.ageing.window_runs import BALANCE_MISSED

    command = Command(file, set_, out, json_, report, wide)
    if window_days is not None and not is_dated(command.scenario):
        raise InputError("does nothing where the duty has no dates (duty.days)", key="--window-days", value=window_days)
    begin = time.process_time()
    try:
        with command.progress("Bands of years of" if bands else "Years of") as progress:
            found = study(
                command.scenario, years, law=law, until=until, windows=windows, window_days=window_days or WINDOW_DAYS, full=full,
                bands=bands or None, seed=seed, progress=progress,
            )  # fmt: skip
    except SimulationError as error:
        if error.partial is not None:
            command.report = None
            command.finish(error.partial, _show_age)
        raise
    took_s = time.process_time() - begin
    if worth:
        _add_worth(command, found)
    command.finish(found, _show_age, lambda: _parts(command, found, bands, seed, took_s))
    if found.closure.get("windows_missed"):
        raise SimulationError(next(warning.text for warning in found.warnings if warning.code == BALANCE_MISSED))


def _add_worth(command, found):
    """What changes are worth; by Ctrl-C those that were tried are shown with the rest before it ends."""
    from simbank.studies.ageing import among_alike
    from simbank.studies.ageing import worth as changes_worth

    try:
        with command.progress("Changes of") as progress:
            found.worth = changes_worth(found, progress)
            found.among_alike = among_alike(found)
    except RunStopped as stopped:
        found.worth, command.report = found.worth if found.worth is not None else stopped.partial, None
        command.finish(found, _show_age)
        raise


def _parts(command, found, bands, seed, took_s):
    """What the report has: bands and what changes are worth unasked, where they take no longer than a report may."""
    from simbank.studies.ageing import among_alike
    from simbank.studies.ageing import worth as changes_worth
    from simbank.studies.ageing.bands import ageing_bands, draw_of
    from simbank.studies.ageing.worth import changes_of

    found, why = copy.copy(found), []
    many = 0 if found.full or found.worth is not None else len(list(changes_of(found)))
    if many and found.bands is None and took_s * many <= WORTH_S:
        with command.progress("Changes of") as progress:
            found.worth, found.among_alike = changes_worth(found, progress), among_alike(found)
    elif many:
        why.append(
            f"What changes are worth is not in this report, as it may take more than {duration(WORTH_S)}; --worth adds it."
        )
    if found.bands is None and not found.full:
        found.bands, missing = study_bands(
            command, bands, lambda: draw_of(found), lambda draws, progress: ageing_bands(found, draws, seed, progress=progress), BANDS_S
        )  # fmt: skip
        why.append(missing)
    return {"studies": [found.section()], "without_bands": " ".join(filter(None, why))}


def _show_age(found, wide):
    from simbank.studies.ageing.told import laws_shown

    show_tables(found.shown, wide)
    for text in () if found.worth is None else found.worth.attrs.get("left_out", ()):
        say(f"Not tried: {text}")
    if wide:
        show_tables([laws_shown(found)], wide)
    for k, text in enumerate(found.words):
        say(text, gap=k == 0)

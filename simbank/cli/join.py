"""The command on packs that are added to a bank."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from simbank.cli.options import File, Json, Out, ReportFile, Set, Wide, number_option
from simbank.cli.output import Command, integrator_words, say, show_tables

__all__ = ["join"]


def join(
    file: File,
    add: Annotated[Path, typer.Option(help="File of the new packs: [pack_types.NAME], [[packs]], [wiring.leads].")],
    at: Annotated[
        str, typer.Option(help='Place in the row, 1 at the take-off; "end", "after NAME", "before NAME"; "all" tries every one.')
    ] = "all",
    c_rate: Annotated[float, number_option(help="That no pack should exceed at the moment of joining.", min=0.001, max=10)] = 0.1,
    no_protection: Annotated[
        bool, typer.Option("--no-protection", help="Leave out the checks of protect before and after.")
    ] = False,
    set_: Set = [],  # noqa: B006
    out: Out = None,
    json_: Json = False,
    report: ReportFile = None,
    wide: Wide = False,
):
    """Add packs to a bank on paper: currents at joining, to which voltage to charge first, the best place, what no longer does."""
    from simbank.studies import join as study

    command = Command(file, set_, out, json_, report, wide)
    with command.progress("Joining packs to") as progress:
        found = study(command.scenario, add, at, c_rate=c_rate, protection=not no_protection, progress=progress)
    command.finish(found, _show_join, caution=found.CAUTION)


def _show_join(found, wide):
    for k, text in enumerate(found.answer):
        say(text, gap=k == 0)
    show_tables(found.shown, wide)
    for k, text in enumerate(found.notes):
        say(text, gap=k == 0)
    if found.runs:
        say(integrator_words(found.runs[0][1].summary))

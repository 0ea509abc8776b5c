"""The command on a picture of a bank at rest."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from simbank.cli.options import File, Json, Out, ReportFile, Set, Wide, number_option
from simbank.cli.output import Command, say, show_tables
from simbank.errors import InputError

__all__ = ["atrest"]

VALUES = 5  # that are shown without --wide


def atrest(
    file: File,
    readings: Annotated[
        Path,
        typer.Argument(
            help="Picture at rest (CSV): pack, rested_h, and displayed_soc or rest_voltage_v or both.", show_default=False
        ),
    ],
    after: Annotated[
        int | None, typer.Option(help="Step of the duty after which the bank rested.  [default: the last that is no rest]")
    ] = None,
    alike: Annotated[bool, typer.Option("--alike", help="Take all joints as adding the same.")] = False,
    display_accuracy: Annotated[
        float, number_option(help="Points within which a display tells the charge, at about 95 %.", min=0.01, max=100)
    ] = 3.0,
    voltage_accuracy: Annotated[str, typer.Option(help="Likewise of a voltage at rest.")] = "20 mV",
    draws: Annotated[int, typer.Option(help="Banks drawn in each round.", min=50, max=100000)] = 400,
    seed: Annotated[int, typer.Option(help="The same seed draws the same.", min=0)] = 0,
    set_: Set = [],  # noqa: B006
    out: Out = None,
    json_: Json = False,
    report: ReportFile = None,
    wide: Wide = False,
):
    """From displays at rest backwards: which joints, hysteresis and charge rule leave this picture, or that no such bank does."""
    from simbank.quantities import parse
    from simbank.studies import at_rest as study

    try:
        volt = parse(voltage_accuracy, "volt")
    except InputError as error:
        raise InputError(error.problem, key="--voltage-accuracy", value=voltage_accuracy) from None
    command = Command(file, set_, out, json_, report, wide)
    with command.progress("Banks that would show this, of") as progress:
        found = study(
            command.scenario, readings, after=after, alike=alike, display_points=display_accuracy, voltage_v=volt, draws=draws, seed=seed,
            progress=progress,
        )  # fmt: skip
    command.finish(found, _show, caution=found.CAUTION)


def _show(found, wide):
    for k, text in enumerate(found.words):
        say(text, gap=k == 0)
    show_tables([_shortened(table, wide) for table in found.shown], wide)


def _shortened(table, wide):
    """A table of values: only the most narrowed, without ``--wide``."""
    return table if wide or "words" not in table.columns else replace(table, frame=table.frame.head(VALUES))

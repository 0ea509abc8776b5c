"""The command on readings that were taken at a bank."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from simbank.cli.options import File, Json, Out, ReportFile, Set, Wide
from simbank.cli.output import Command, say, show_table

__all__ = ["diagnose"]

_MORE_OF_NEXT = {"expect": "should read", "tells_bits": "tells [bits]", "now_percent": "now [%]"}
_VALUES = ("read", "due", "suspect")


def diagnose(
    file: File,
    readings: Annotated[
        Path,
        typer.Argument(
            help="Readings (CSV): rows pack, current_a, time_since_change_s, pack_voltage_v, displayed_soc, or link, drop_mv; what is not "
            "known stays empty.",
            show_default=False,
        ),
    ],
    accuracy: Annotated[str | None, typer.Option(help="Of the clamp meter.  [default: 2 % + 0.1 A]")] = None,
    voltage_accuracy: Annotated[str | None, typer.Option(help="Of voltages.  [default: 0.5 % + 0.02 V]")] = None,
    drop_accuracy: Annotated[str | None, typer.Option(help="Of drops along conductors.  [default: 2 % + 0.5 mV]")] = None,
    port: Annotated[str | None, typer.Option(help="The port that carries the bank's current.  [default: the first]")] = None,
    doing: Annotated[
        str | None, typer.Option(help="What the bank was doing: discharge or charge.  [default: positive currents discharge]")
    ] = None,
    before: Annotated[
        str | None,
        typer.Option(
            help='What the bank did right up to the last change of current: "discharge 200 A for 2 h", "charge 60 A for 3 h", or rest.'
        ),
    ] = None,
    set_: Set = [],  # noqa: B006
    out: Out = None,
    json_: Json = False,
    report: ReportFile = None,
    wide: Wide = False,
):
    """What clamp-meter readings, drops and displays say: is the bank sound, which joint, pack or switch is suspect, what to measure next."""
    from simbank.studies import diagnose as study

    command = Command(file, set_, out, json_, report, wide)
    with command.progress("Readings of"):
        found = study(
            command.scenario, readings, port=port, doing=doing, accuracy=accuracy, voltage_accuracy=voltage_accuracy,
            drop_accuracy=drop_accuracy, before=before,
        )  # fmt: skip
    command.finish(found, _show_diagnosis)


def _show_diagnosis(found, wide):
    from simbank.studies.diagnosis.diagnosis import MOST_NEXT, NEXT_HEADINGS, OTHER_HEADINGS, PACK_HEADINGS
    from simbank.studies.diagnosis.found import LEAST_BITS
    from simbank.studies.diagnosis.words import percent

    for k, text in enumerate(found.answer):
        say(text, gap=k == 0)
    instants = {"instant": "instant"} if len(found.readings.instants) > 1 else {}
    if len(found.table):
        packs = _short(found.table, ("off_deviations",))
        for column in ("share_ratio", "sound_share_ratio"):
            packs[column] = [f"{ratio:.2f}" if ratio == ratio else None for ratio in packs[column]]
        show_table(found.title, packs, PACK_HEADINGS | instants, wide=wide)
    if len(found.other_readings):
        show_table("What else was read", _short(found.other_readings, _VALUES, 3), OTHER_HEADINGS | instants, wide=wide)
    suspects = found.shown_suspects
    headings = {name: heading for name, heading in suspects.columns.items() if suspects.frame[name].notna().any()}
    show_table(suspects.title, suspects.frame, headings, wide=wide)
    following = found.next_table
    asked = (following["tells_bits"] > LEAST_BITS) | following["where"].isin(found.carry_nothing)
    following = following if wide else following[asked].head(MOST_NEXT)
    if len(following):
        following = _short(following, ("tells_bits",))
        for column in ("now_percent", "then_percent"):
            following[column] = [percent(share / 100.0).removesuffix(" %") for share in following[column]]
        show_table("What to measure next", following, NEXT_HEADINGS, _MORE_OF_NEXT, wide)
    for k, text in enumerate(found.notes):
        say(text, gap=k == 0)


def _short(frame, names, digits=2):
    """A table with these of its columns to a few significant digits."""
    shown = frame.astype(dict.fromkeys(names, object))
    for name in names:
        shown[name] = [None if value != value else f"{float(f'{value:.{digits}g}'):.12g}" for value in frame[name]]
    return shown

"""The command on a picture of a bank at rest."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from simbank.cli.options import File, Json, Out, ReportFile, Set, Wide, number_option
from simbank.cli.output import Command, say, show_table
from simbank.digits import number
from simbank.errors import InputError

__all__ = ["atrest"]


_PICTURE = {"pack": "pack", "kind": "kind", "read": "read", "range": "banks that fit show", "off_sigma": "off [std. dev.]"}
_JOINTS = {"where": "joints of", "side": "side", "range": "add [mohm], 5 to 95 %", "mid_mohm": "half below", "before": "before"}
_VALUES = {"words": "what", "unit": "unit", "range": "5 to 95 %", "before": "before", "narrower": "narrower by"}


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
    command.finish(found, _show)


def _show(found, wide):
    rows = found.table.copy()
    unit = {"display": (100.0, "%"), "voltage": (1.0, "V")}
    told = [unit[kind] for kind in rows["kind"]]
    rows["read"] = [f"{number(scale * v, u)} {u}" for v, (scale, u) in zip(rows["read"], told, strict=True)]
    rows["range"] = [
        f"{number(scale * a, u)} to {number(scale * b, u)} {u}"
        for a, b, (scale, u) in zip(rows["low"], rows["high"], told, strict=True)
    ]
    rows["off_sigma"] = [f"{v:+.1f}" for v in rows["off_sigma"]]
    more = {"place": "place", "rested_h": "rested"}
    show_table(f"{found.title}: packs from near to far", rows, _PICTURE, more, wide)
    rows = found.joints.assign(
        range=_ranges(found.joints, "low_mohm", "high_mohm"), before=_ranges(found.joints, "before_low_mohm", "before_high_mohm"),
        mid_mohm=[f"{v:.2g}" for v in found.joints["mid_mohm"]],
    )  # fmt: skip
    show_table("What joints add, by the picture", rows, _JOINTS, wide=wide)
    rows = found.values if wide else found.values.head(5)
    rows = rows.assign(
        range=_ranges(rows, "low", "high"), before=_ranges(rows, "before_low", "before_high"),
        narrower=[f"{100.0 * max(v, 0.0):.0f} %" for v in rows["narrower"]],
    )  # fmt: skip
    show_table("Other values, the most narrowed first", rows, _VALUES, {"key": "key"}, wide)
    for k, text in enumerate(found.words):
        say(text, gap=k == 0)


def _ranges(rows, low, high):
    return [f"{a:.3g} to {b:.3g}" for a, b in zip(rows[low], rows[high], strict=True)]

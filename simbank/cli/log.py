"""The command on a log of currents that was kept at a bank."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from simbank.cli.options import File, Json, Out, ReportFile, Set, Wide, make_folder
from simbank.cli.output import Command, say, show_table

__all__ = ["log"]

_COLUMNS = {"words": "what", "shown": "value", "low_shown": "from", "high_shown": "to", "unit": "unit"}
_MORE = {"before_low": "before: from", "before_high": "to ", "width_ratio": "width left", "key": "key"}
_SHARES = {"day": "day", "pack": "pack", "share_ratio": "share ratio", "expected_ratio": "expected", "off_percent": "off [%]"}
_MORE_OF_SHARES = {"ewma_percent": "moving average [%]", "limit_percent": "limit [%]", "outside": "outside"}
_DRIFTS = {"pack": "pack", "since": "since", "change_percent": "share changed by [%]"}
BANK = ("packs.", "wiring.")


def log(
    file: File,
    log_: Annotated[
        Path,
        typer.Argument(
            metavar="LOG",
            help="Log (CSV): time_s or time, the current of each pack under its name (P1_current_a), where there P1_voltage_v, "
            "P1_displayed_soc, bank_voltage_v.",
            show_default=False,
        ),
    ],
    write: Annotated[Path | None, typer.Option(metavar="TOML", help="Write the scenario with the fitted values.")] = None,
    port: Annotated[str | None, typer.Option(help="The port that carries the bank's current.  [default: the first]")] = None,
    positive: Annotated[
        str | None,
        typer.Option(help="What a positive current does: discharge or charge.  [default: as voltages or displays say]"),
    ] = None,
    accuracy: Annotated[
        str, typer.Option(help="Of the current meters: gain and offset, one standard deviation.")
    ] = "1 % + 0.1 A",
    voltage_accuracy: Annotated[str, typer.Option(help="Of voltages, likewise.")] = "0.5 % + 0.02 V",
    set_: Set = [],  # noqa: B006
    out: Out = None,
    json_: Json = False,
    report: ReportFile = None,
    wide: Wide = False,
):
    """What a log of the packs' currents says: capacity, resistance, joints and charge with intervals, and since when shares drift."""
    from simbank.files import write_text
    from simbank.studies import fit_log

    command = Command(file, set_, out, json_, report, wide)
    if write is not None:
        make_folder(write.parent)
    with command.progress("Log of") as progress:
        found = fit_log(
            command.scenario,
            log_,
            port=port,
            positive=positive,
            accuracy=accuracy,
            voltage_accuracy=voltage_accuracy,
            progress=progress,
        )
    if write is not None:
        write_text(write, found.toml())
    command.finish(found, _show_log)
    if write is not None and not json_:
        say(f"Fitted scenario: {write}")


def _show_log(found, wide):
    for text in found.answer:
        say(text)
    table = found.table.copy()
    for column, shown in (("value", "shown"), ("low", "low_shown"), ("high", "high_shown")):
        table[shown] = [
            f"{value:.3g}" if known else "unknown" * (column == "value")
            for value, known in zip(table[column], table["known"], strict=True)
        ]
    if not wide:
        table = table[table["key"].str.startswith(BANK) & ~table["key"].str.endswith(".hysteresis")]
    show_table(f"{found.title}, with 95 % intervals", table, _COLUMNS, _MORE, wide)
    shares = found.shares
    last = shares[shares["number"] == shares["number"].max()] if len(shares) and not wide else shares
    show_table("Shares day by day" if wide else "Shares on the last day", last, _SHARES, _MORE_OF_SHARES, wide, keys=2)
    if len(found.drifts):
        show_table("Shares that have changed", found.drifts, _DRIFTS, {}, wide)
    for k, text in enumerate(found.words[len(found.answer) :]):
        say(text, gap=k == 0)

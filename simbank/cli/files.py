"""Commands on the scenario file itself: its schema, what of it is not known exactly, and a new one to begin with."""

from __future__ import annotations

import math
import os
import sys
from pathlib import Path
from typing import Annotated

import typer

from simbank.cli.options import LAYOUT_NAMES, File, Json, Set, Wide, changes, number_option
from simbank.cli.output import print_json, say, show_table, show_warnings
from simbank.errors import InputError
from simbank.files import write_whole
from simbank.provenance import made_by

__all__ = ["new", "schema", "values"]


def schema(
    markdown: Annotated[
        bool, typer.Option("--markdown", help="Print the tables of keys in scenarios/README.md, instead.")
    ] = False,
    columns: Annotated[
        bool,
        typer.Option("--columns", help="Print the columns of every table that commands write, with unit and meaning, instead."),
    ] = False,
    json_: Annotated[bool, typer.Option("--json", help="Print the columns as JSON.")] = False,
):
    """Print the JSON Schema of the scenario file, for editors."""
    if columns:
        _print_columns(json_)
        return
    if markdown:
        from simbank.scenario.schema_markdown import format_reference

        print(format_reference())
        return
    from simbank.scenario import json_schema

    print_json(json_schema())


def _print_columns(as_json):
    """Columns of the tables that each command writes into its folder, and what the codes of events mean."""
    from simbank.simulation.event_codes import Event
    from simbank.studies import RESULTS

    codes = [{"code": event.code, "where": event.where, "what": event.words, "meaning": event.meaning} for event in Event]
    if as_json:
        tables = {
            command: [
                {"table": table.name, "row": table.row, "columns": [column._asdict() for column in table.columns]}
                for table in kind.TABLES
            ]
            for command, kind in RESULTS.items()
        }
        print_json(tables | {"codes of events": codes})
        return
    import pandas as pd

    headings = {"name": "column", "unit": "unit", "meaning": "meaning"}
    for command, kind in RESULTS.items():
        say(f"simbank {command}", "bold", gap=True)
        for table in kind.TABLES:
            rows = [column._replace(unit=f"[{column.unit}]" if column.unit else "") for column in table.columns]
            show_table(f"{table.name} (a row: {table.row})", pd.DataFrame(rows), headings)
    headings = {"code": "code", "where": "where", "meaning": "meaning"}
    show_table("Codes of events", pd.DataFrame(codes), headings)


def values(
    file: File,
    set_: Set = [],  # noqa: B006
    json_: Json = False,
    wide: Wide = False,
):
    """What of a bank is not known exactly: by its file, and by what the file leaves to assumed data; with the range of each."""
    from simbank.scenario import load, uncertain_values
    from simbank.scenario.uncertain import described, doubtful_values
    from simbank.warning import as_records

    scenario = load(file, changes(set_))
    rows, warnings = described(uncertain_values(scenario)), doubtful_values(scenario)
    if json_:
        print_json({"scenario": scenario.name, "values": rows, "warnings": as_records(warnings)})
        return
    show_warnings(as_records(warnings))
    _show_values(scenario.name, rows, wide)


def _show_values(name, rows, wide):
    """A table for each source; rows that are alike but for their place are told together unless ``wide``."""
    import pandas as pd

    from simbank.scenario.uncertain import GIVEN

    headings = {"words": "what", "value": "a plain run takes", "low": "5 %", "high": "95 %"}
    by_source: dict[str, list[dict]] = {}
    for row in sorted(rows, key=lambda row: row["source"] != GIVEN):
        by_source.setdefault(row["source"], []).append(row)
    if not rows:
        say(f"{name}: every value that a run rests on is stated as exact.")
        return
    say(f"{name}: {len(rows)} values are not known exactly. Nine of ten lie between the last two columns.", gap=True)
    for source, of_source in by_source.items():
        shown: dict[tuple, dict] = {}
        for row in of_source:
            numbers = {key: f"{row[key]:.3g} {row['unit']}".strip() for key in ("value", "low", "high")}
            alike = (
                (row["key"],)
                if wide
                else (row["group"], row["key"].rpartition(".")[2] if row["group"] != "joints" else "", *numbers.values())
            )
            entry = shown.setdefault(alike, {"words": row["words"], "key": row["key"], "more": 0, **numbers})
            entry["more"] += entry["key"] != row["key"]
        table = pd.DataFrame(shown.values())
        table["words"] = [
            f"{words}, and {more} more" if more else words for words, more in zip(table["words"], table["more"], strict=True)
        ]
        show_table(source[:1].upper() + source[1:], table.astype(object), headings, {"key": "key"}, wide=wide)
    say(
        "The key of each, as --set takes it: --wide. Of a joint the key takes what it adds to its branch over what the file states; both "
        "ends together.", gap=True,
    )  # fmt: skip


def new(
    file: Annotated[Path, typer.Argument(help="Scenario file to write (TOML).", show_default=False)],
    name: Annotated[str | None, typer.Option(help="Name of the bank.")] = None,
    packs: Annotated[str | None, typer.Option(metavar="AH,AH,...", help="Rated capacity of each pack [Ah]: 280,280,100")] = None,
    layout: Annotated[str | None, typer.Option(help=f"{LAYOUT_NAMES}.")] = None,
    gauge: Annotated[str | None, typer.Option(help='Size of links and leads, such as "2 AWG" or "35 mm2".')] = None,
    chemistry: Annotated[
        str | None, typer.Option(help="Name in the library (simbank cell list), or path of your own file.")
    ] = None,
    c_rate: Annotated[float | None, number_option(help="Discharge and charge of the bank.")] = None,
):
    """Write a commented starter scenario; what is not given as an option is asked on a terminal, else a usual value."""
    from simbank.scenario import load
    from simbank.scenario.starter import starter_scenario

    if file.exists():
        raise InputError("is there already; name a new file", key="file", value=str(file))
    if not file.parent.is_dir():
        raise InputError(f"there is no folder {file.parent}; make it, or name another", key="file", value=str(file))

    def ask(given, question, usual):
        if given is not None:
            return given
        return typer.prompt(question, default=usual) if sys.stdin.isatty() else usual

    name = ask(name, "Name of the bank", "My bank")
    text = ask(packs, "Rated capacity of each pack [Ah], with commas", "280,280,100")
    try:
        capacities = [float(part) for part in str(text).split(",")]
        if not all(map(math.isfinite, capacities)):
            raise ValueError
    except ValueError:
        raise InputError("write capacities in ampere-hours with commas, such as 280,280,100", key="--packs", value=text) from None
    layout = ask(layout, f"Wiring: {LAYOUT_NAMES}", "chain")
    gauge = ask(gauge, "Size of links and leads", "2 AWG")
    chemistry = ask(chemistry, "Chemistry (simbank cell list)", "lfp")
    rate = ask(c_rate, "C-rate of discharge and charge", 0.2)
    from simbank.bank import parse_gauge

    try:
        label = parse_gauge(gauge).label
    except InputError as error:
        raise InputError(error.problem, key="--gauge", value=gauge) from None
    made = made_by(function="simbank new")
    if chemistry.endswith(".toml"):  # named to a command it counts from the working folder, in the file from that
        chemistry = Path(os.path.relpath(chemistry, file.parent)).as_posix()
    written = starter_scenario(name, capacities, layout, label, chemistry, float(rate), file.parent)
    written += f"\n# Written by simbank {made['simbank']}, {made['time_utc']}.\n"

    def write(aside):
        aside.write_text(written, encoding="utf-8")
        try:
            load(aside)
        except InputError as error:  # nothing is put in place that could not be read again
            raise InputError(
                f"with these answers the file would not read: {error.problem}", key=error.key, value=error.value
            ) from None

    write_whole(file, write)
    say(f"Written to {file}. Replace what is marked MEASURE with your own numbers, then:")
    for line in (
        f"simbank run {file} --report {file.with_suffix('.html')}",
        f"simbank compare {file}",
        f"simbank protect {file}",
    ):
        say(line, hang=2, indent=2)

"""The command on fault currents and protection."""

from __future__ import annotations

import textwrap
from typing import Annotated

import typer

from simbank import streams
from simbank.caution import PROTECTION_CAUTION
from simbank.cli.options import File, Json, Out, ReportFile, Set, number_option
from simbank.cli.output import (
    Command,
    console,
    show_table,
    show_wrapped,
)
from simbank.errors import InputError

__all__ = ["protect"]


_LEAST_K, _MOST_K = 213.15, 393.15  # of packs in the cases of faults
_HEADING_WIDTH = 11  # of the table of shorted cells, whose many columns have long headings
_FAULT_COLUMNS = {
    "place": "fault at", "initial_a": "at once\n[A]", "after_10ms_a": "10 ms\n[A]", "after_100ms_a": "100 ms\n[A]",
    "after_1s_a": "1 s\n[A]", "rise_ms": "63 % after\n[ms]", "least_a": "least\n[A]",
    "least_one_pack_a": "least, one\npack [A]",
}  # fmt: skip


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
    all_: Annotated[bool, typer.Option("--all", help="Show the checks that passed too.")] = False,
):
    """Fault currents at every place, checks of devices and conductors, what opens first, what the rest then carries."""
    from simbank.quantities import parse
    from simbank.studies import Assumptions
    from simbank.studies import protect as study

    def read(option, text, unit):
        try:
            return parse(text, unit)
        except InputError as error:
            raise InputError(error.problem, key=option, value=text) from None

    kelvin = {"--warm": read("--warm", warm, "kelvin"), "--cold": read("--cold", cold, "kelvin")}
    for (option, value), text in zip(kelvin.items(), (warm, cold), strict=True):
        if not _LEAST_K <= value <= _MOST_K:
            raise InputError("give a temperature of packs, from -60 to 120 degC", key=option, value=text)
    if kelvin["--cold"] >= kelvin["--warm"]:
        problem = f"must be below --warm ({warm}), the temperature of the greatest currents"
        raise InputError(problem, key="--cold", value=cold)
    wanted_s = read("--within", within, "second")
    if not wanted_s > 0:
        raise InputError("give a time above zero", key="--within", value=within)
    command = Command(file, set_, out, json_, report)
    for pack in command.scenario.bank.packs:
        if shorted_cells >= pack.cells_in_series:
            problem = (
                f"pack {pack.name} has {pack.cells_in_series} cells in series: at most {pack.cells_in_series - 1} can be followed"
            )
            raise InputError(problem, key="--shorted-cells", value=shorted_cells)
    case = Assumptions(
        warm_k=kelvin["--warm"], cold_k=kelvin["--cold"], wanted_s=wanted_s,
        drop_share=drop / 100.0, margin=margin, pack_h=read("--pack-inductance", pack_inductance, "henry"),
        cells_shorted=shorted_cells,
    )  # fmt: skip
    with command.progress("Protection of") as progress:
        found = study(command.scenario, case, progress=progress)
    command.finish(found, lambda found: _show_protection(found, all_), lambda: {"protection": found}, PROTECTION_CAUTION)


def _show_protection(found, everything):
    import pandas as pd
    from rich import box
    from rich.table import Table
    from rich.text import Text

    from simbank.studies.protection import NOT_CHECKED

    say = console().print
    faults = found.faults.reset_index()
    for key in list(_FAULT_COLUMNS)[1:]:
        digits = ".3g" if key == "rise_ms" else ",.0f"
        faults[key] = ["–" if value != value else format(value, digits) for value in faults[key]]
    show_table(f"{found.scenario.name}: prospective fault currents, bolted", faults, _FAULT_COLUMNS)
    for line in (*found.basis, *found.reliance):
        say(line)
    table = Table(title="What opens, in the greatest case", box=box.SIMPLE_HEAD, title_justify="left", title_style="bold")
    clearing = found.clearing_told
    for heading in clearing:
        table.add_column(heading)
    for row in clearing.itertuples(index=False):
        table.add_row(*(Text(streams.shown(x)) for x in row))
    say(table)
    shown = found.checks if everything else found.checks[found.checks["status"] != "pass"]
    table = Table(title="Checks" if everything else "Checks that did not pass", box=box.SIMPLE_HEAD, title_justify="left")
    for heading in ("status", "rule", "where", "what was found", "rule from"):
        table.add_column(heading, overflow="fold")
    for _, row in found.told(shown).iterrows():
        table.add_row(*(Text(streams.shown(row[key])) for key in ("status", "rule", "where", "text", "source")))
    if len(shown):
        say(table)
    if len(found.overload):
        overload = found.overload.copy()
        for key in ("soonest_s", "middle_s", "latest_s", "in_turn_s"):
            overload[key] = ["–" if t != t else "never" if t == float("inf") else f"{t:,.3g}" for t in overload[key]]
        columns = {
            "times_full_load": "times\nfull load", "device": "device", "current_a": "current\n[A]",
            "breaks": "counts\nas", "soonest_s": "alone, soonest\n[s]", "middle_s": "middle\n[s]", "latest_s": "latest\n[s]",
            "in_turn_s": "in turn, middle\n[s]",
        }  # fmt: skip
        show_table("Overload at the ports: when each device opens if no other does, and in turn", overload, columns)
        columns = {"times_full_load": "times\nfull load", "then": "what opens, to the end"}
        show_wrapped("Overload at the ports, followed to its end", found.overload_told, columns)
    if len(found.outages):
        columns = {
            "dropped": "without", "load": "full", "pack": "hardest\npack", "current_a": "current\n[A]", "c_rate": "C-rate",
            "device_margin": "rating ÷\ncurrent", "then": "then",
        }  # fmt: skip
        show_wrapped("One out at full load", found.worst_outages.reset_index(drop=True), columns)
    if found.string_ratings:
        rows = pd.DataFrame([(r.string, r.device, r.text) for r in found.string_ratings], columns=["string", "device", "text"])
        columns = {"string": "string", "device": "device", "text": "which rating surely opens first"}
        show_wrapped("Devices of strings before those behind them", rows, columns)
    if found.told_shorted is not None:
        title = "A cell shorts and every BMS switch is stuck closed: what neighbours and charger feed into it"
        show_table(
            title,
            found.told_shorted.reset_index(drop=True).astype(object),
            {key: textwrap.fill(key, _HEADING_WIDTH, break_long_words=False) for key in found.told_shorted},
            wrap=True,
        )
        say(found.short_words)
    say(f"{found.headline} {found.load_note[0].upper()}{found.load_note[1:]}.")
    say("Not checked: " + "; ".join(NOT_CHECKED) + ".", style="italic")

"""What commands print: tables, numbers, warnings, cautions, progress; and how a command gives out what it found."""

from __future__ import annotations

import json
import os
import sys
from contextlib import contextmanager

from simbank import interrupts, streams
from simbank.caution import CAUTION
from simbank.cli.options import changes, make_folder
from simbank.verdict import as_records as verdict_records
from simbank.warning import as_records, listed

__all__ = [
    "Command",
    "console",
    "integrator_words",
    "judged",
    "print_json",
    "progress_bar",
    "report_file",
    "show_caution",
    "show_table",
    "show_verdicts",
    "show_warnings",
    "show_wrapped",
    "show_written",
]


_PERCENT = {"soc_start", "soc_end"}


@contextmanager
def progress_bar(label, quiet):
    """A callable for the fraction done, shown as a bar on a terminal and not at all in a pipe."""
    if quiet or not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    interrupts.at_exit(lambda: os.write(2, b"\r\x1b[2K\x1b[?25h"))  # the bar goes, the cursor comes back
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(label, total=1.0)
        yield lambda done: bar.update(task, completed=done)


def console():
    from rich.console import Console

    console = Console(highlight=False)
    return console if console.is_terminal else Console(highlight=False, width=200)


def print_json(record):
    print(json.dumps(record, indent=2, allow_nan=False))


def _cell(column, value):
    import math

    if value is None or (isinstance(value, float) and math.isnan(value)):
        return "–"
    if isinstance(value, str):
        return value
    if column in _PERCENT:
        return f"{value * 100:.1f}"
    if column.endswith(("_ratio_discharge", "_ratio_charge", "_ratio_max", "_ratio_min")) or column.startswith("c_rate"):
        return f"{value:.3f}"
    if column.endswith("_wh"):
        return f"{value:z,.0f}"
    if column.endswith(("_v", "_v_per_soc")):
        return f"{value:.2f}"
    return f"{value:.1f}" if column.endswith(("_a", "_ah", "_h", "_c", "_points")) else f"{value:g}"


def show_table(title, frame, columns, wrap=False):
    """A table as wide as it needs to be; with ``wrap`` texts in it go over several lines rather than be cut off."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    table = Table(title=Text(streams.shown(title)), box=box.SIMPLE_HEAD, title_justify="left", title_style="bold", pad_edge=False)
    for key, heading in columns.items():
        text = frame[key].map(lambda v: isinstance(v, str)).all()
        fold = wrap and text
        overflow = "fold" if fold else "ellipsis"
        table.add_column(Text(streams.shown(heading)), justify="left" if text else "right", no_wrap=not fold, overflow=overflow)
    for _, row in frame.iterrows():
        table.add_row(*(Text(streams.shown(_cell(key, row[key]))) for key in columns))
    console().print(table)


def show_wrapped(title, frame, columns):
    """A table whose last column is a text that wraps; nothing of it is cut off."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    table = Table(title=Text(title), box=box.SIMPLE_HEAD, title_justify="left", title_style="bold", pad_edge=False)
    *short, last = columns
    for key in short:
        text = frame[key].map(lambda v: isinstance(v, str)).all()
        table.add_column(Text(columns[key]), no_wrap=True, justify="left" if text else "right")
    table.add_column(Text(columns[last]), overflow="fold")
    for _, row in frame.iterrows():
        table.add_row(*(Text(_cell(key, row[key])) for key in columns))
    console().print(table)


def integrator_words(summary):
    """Which integrator made a run, from its summary."""
    used = summary["integrator"]
    over = f"; the reference took over {used['handed_over']} times" if used["handed_over"] else ""
    return f"Integrator: {used['name']}, tolerance {used['tolerance']:.0e}{over}."


def show_warnings(records):
    """Warnings, before the tables."""
    for record in records:
        where = listed(record["where"].split(", "))
        console().print(f"WARNING {record['code']} ({where}): {record['text']}", style="bold", soft_wrap=True)


def show_verdicts(records):
    """What a result comes to, worst first, after everything else."""
    console().print("What this comes to, worst first", style="bold")
    for record in records:
        where = listed(record["where"].split(", "))
        console().print(f"{record['severity'].upper()} {record['code']} ({where}): {record['text']}", soft_wrap=True)


def judged(found, out=None):
    """Verdicts of a result as JSON has them; written into the folder ``out`` if there is one."""
    from simbank.judging import verdicts
    from simbank.provenance import write_json

    records = verdict_records(verdicts(found))
    if out is not None:
        write_json(out / "verdicts.json", {"verdicts": records}, found.made_by)
    return records


def show_caution(text=CAUTION):
    console().print(text, style="italic")


def show_written(out, as_json):
    if out is not None and not as_json:
        console().print(f"Written to {out}", soft_wrap=True)


def report_file(path, scenario, quiet, **parts):
    """Write a report if one is asked for."""
    if path is None:
        return
    from simbank.report import write_report

    make_folder(path.parent)
    write_report(scenario, path, **parts)
    if not quiet:
        console().print(f"Report: {path}", soft_wrap=True)


class Command:
    """A command at work on a scenario file: reads it, shows progress, gives out what was found as its options ask.

    The folder for results is made first, so that a wrong one does not cost a run.
    """

    def __init__(self, file, set_, out, json_, report):
        from simbank.scenario import load

        self.scenario = load(file, changes(set_))
        self.out, self.json, self.report = make_folder(out), json_, report

    def progress(self, doing):
        """A bar for what is being done to the scenario."""
        return progress_bar(f"{doing} {self.scenario.name}", self.json)

    def finish(self, found, show, parts=None, caution=CAUTION):
        """Write, print and report a result.

        Parameters
        ----------
        found : StudyResult
            What the library computed.
        show : callable
            Prints it for people.
        parts : callable, optional
            Gives what :func:`simbank.write_report` takes; by default the result as a section.
        caution : str
            What stands below it.
        """
        if self.out is not None:
            found.write(self.out)
        told = judged(found, self.out)
        if self.json:
            print_json(found.summary | {"verdicts": told})
        else:
            show_warnings(as_records(found.warnings))
            show(found)
            show_verdicts(told)
            show_caution(caution)
        if self.report is not None:
            report_file(self.report, self.scenario, self.json, **({"studies": [found.section()]} if parts is None else parts()))
        show_written(self.out, self.json)

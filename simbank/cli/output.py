"""What commands print: tables, sentences, warnings, verdicts, cautions; and how a command gives out what it found."""

from __future__ import annotations

import json
import os
import re
import sys

from simbank import streams
from simbank.caution import CAUTION
from simbank.cli import tables
from simbank.cli.options import changes, make_folder
from simbank.cli.progress import progress_bar
from simbank.digits import as_read
from simbank.verdict import DANGER, SEVERITIES
from simbank.verdict import as_records as verdict_records
from simbank.warning import as_records, listed

__all__ = [
    "Command",
    "integrator_words",
    "judged",
    "page_width",
    "print_json",
    "report_file",
    "say",
    "show_bars",
    "show_caution",
    "show_left_over",
    "show_table",
    "show_tables",
    "show_verdicts",
    "show_warnings",
    "show_written",
]

USUAL_WIDTH, LEAST_WIDTH = 80, 40
MOST_VERDICTS = 7  # on the terminal unasked
CONTROLS = dict.fromkeys((7, 8, 11, 12, 13))  # bell, backspace and the like are not written


def page_width():
    """Letters to a line: what ``COLUMNS`` says, else the terminal, else 80; 40 at least."""
    given = os.environ.get("COLUMNS", "")
    if given.isdigit() and int(given) > 0:
        return max(int(given), LEAST_WIDTH)
    try:
        width = os.get_terminal_size(sys.stdout.fileno()).columns if sys.stdout.isatty() else USUAL_WIDTH
    except (OSError, ValueError):
        width = USUAL_WIDTH
    return max(width or USUAL_WIDTH, LEAST_WIDTH)


def _print(lines, style=None):
    if not _may_be_styled():  # as rich writes it there, without the time that it takes to load
        sys.stdout.write("".join(f"{line.translate(CONTROLS).expandtabs()}\n" for line in lines))
        sys.stdout.flush()
        return
    from rich.console import Console
    from rich.text import Text

    console = Console(highlight=False, width=page_width())
    for line in lines:
        console.print(Text(line, style=style or ""), soft_wrap=True)


def _may_be_styled():
    """Whether standard output is a terminal, or is to be taken for one, by the variables that rich heeds."""
    return sys.stdout.isatty() or bool(os.environ.keys() & {"FORCE_COLOR", "TTY_COMPATIBLE", "TTY_INTERACTIVE"})


def say(text, style=None, hang=0, indent=0, gap=False):
    """A paragraph, broken between words: all of its lines indented, those after its first by ``hang`` more; ``gap``: below a blank line.

    A word longer than the line stays whole if it may be a path, so that it can be copied.
    """
    if gap:
        _print([""])
    lines = tables.wrapped(streams.shown(text), page_width() - indent, hang, tables.may_be_path)
    _print((" " * indent + line for line in lines), style)


def print_json(record):
    print(json.dumps(record, indent=2, allow_nan=False))


def show_table(title, frame, columns, more=(), wide=False, keys=1):
    """A table no wider than the page; without ``wide``, columns in which no row has anything are left out.

    Parameters
    ----------
    title : str
        What stands above it.
    frame : DataFrame or mapping of str to sequence
        Numbers are written by the unit in their column's name (:func:`simbank.digits.cells`), texts as they are.
    columns : dict of str to str
        Columns to show, under which headings.
    more : dict of str to str
        Further ones, with ``wide``.
    wide : bool
        Whether to show all of them.
    keys : int
        How many of the columns, from the first, say what a row is.
    """
    read = as_read(frame, {**columns, **(dict(more) if wide else {})}, keys, empty=wide)
    shown = [tables.Column(*column) for column in read]
    say(title, "bold", gap=True)
    for line in tables.table(shown, page_width(), keys):
        _print([line.text], "bold" if line.head else None)


def show_tables(shown, wide=False):
    """The tables of a result as people read them (:class:`simbank.results.Shown`)."""
    for one in shown:
        show_table(one.title, one.frame, one.columns, one.more, wide, one.keys)


def show_bars(title, shares):
    """A bar for each name and its share of 1, below a title."""
    say(title, "bold", gap=True)
    _print(tables.bars(shares, page_width()))


def integrator_words(summary):
    """Which integrator made a run, and why that one if none was named, from its summary."""
    used = summary["integrator"]
    over = f"; the reference took over {used['handed_over']} times" if used["handed_over"] else ""
    because = f": {used['because']}" if "because" in used else ""
    return f"Integrator: {used['name']}, tolerance {used['tolerance']:.0e}{over}{because}."


def show_warnings(records, told=()):
    """Warnings, before the tables, worst first; of what a verdict (``told``) says again at the end only the first sentence."""
    from simbank.judging import RULES

    severities, places = list(SEVERITIES), list(RULES)
    again = {}
    for verdict in told:
        again.setdefault(verdict["code"], verdict)

    def rank(record):
        rule = (
            again[record["code"]]["severity"] if record["code"] in again else RULES.get(record["code"], RULES["warned"]).severity
        )
        return severities.index(rule), places.index(record["code"]) if record["code"] in RULES else len(places)

    for record in sorted(records, key=rank):
        names = record["where"].split(", ")
        text = record["text"]
        if record["code"] in again and set(names) <= set(again[record["code"]]["where"].split(", ")):
            text = re.split(r"(?<=[.!?]) (?=[A-Z])", text)[0]
        say(f"WARNING {record['code']} ({listed(names)}): {text}", "bold", hang=2)


def show_verdicts(records):
    """What a result comes to, worst first, after everything else."""
    if records:
        say("What this comes to, worst first", "bold", gap=True)
    for record in records:
        where = listed(record["where"].split(", "))
        style = "bold" if record["severity"] == DANGER else None
        say(f"{record['severity'].upper()} {record['code']} ({where}): {record['text']}", style, hang=2)


def judged(found, out=None, whole=False, bands=None):
    """Verdicts of a result as JSON has them: seven, or with ``whole`` all; all are written into the folder ``out`` if there is one.

    With bands of it they say in which share of the draws they hold.
    """
    from simbank.judging import RULES, verdicts
    from simbank.judging.judge import shortened
    from simbank.provenance import write_json

    every = verdicts(*(r for r in (found, bands) if r is not None), most=len(RULES))
    if out is not None:
        write_json(out / "verdicts.json", {"verdicts": verdict_records(every)}, found.made_by)
    return verdict_records(every if whole else shortened(every, MOST_VERDICTS))


def show_caution(text=CAUTION):
    say(text, "italic", gap=True)


def show_written(out, as_json):
    if out is not None and not as_json:
        say(f"Written to {out}")


def show_left_over(out, as_json):
    """Which files of an earlier result lie in a folder beside those that this command wrote."""
    from simbank.provenance import left_over

    old = [] if out is None else left_over(out)
    if not old:
        return
    text = f"WARNING: files of an earlier result lie there too, and are no part of this one: {listed(old)}. Give each result a folder of its own."
    if as_json:
        print(streams.shown(text), file=sys.stderr)
    else:
        say(text, "bold", hang=2)


def report_file(path, scenario, quiet, **parts):
    """Write a report if one is asked for."""
    if path is None:
        return
    from simbank.report import write_report

    make_folder(path.parent)
    with progress_bar(f"Report of {scenario.name}", quiet):
        write_report(scenario, path, **parts)
    if not quiet:
        say(f"Report: {path}")


class Command:
    """A command at work on a scenario file: reads it, shows progress, gives out what was found as its options ask.

    The folder for results is made first, so that a wrong one does not cost a run.
    """

    def __init__(self, file, set_, out, json_, report, wide):
        from simbank.scenario import load

        self.scenario = load(file, changes(set_))
        self.out, self.json, self.report, self.wide = make_folder(out), json_, report, wide

    def progress(self, doing):
        """Shows how far the command is with what it does to the scenario."""
        return progress_bar(f"{doing} {self.scenario.name}", self.json)

    def finish(self, found, show, parts=None, caution=CAUTION):
        """Write, print and report a result.

        Parameters
        ----------
        found : StudyResult
            What the library computed.
        show : callable
            Prints it for people; takes the result and whether all columns are asked for.
        parts : callable, optional
            Gives what :func:`simbank.write_report` takes; by default the result as a section.
        caution : str
            What stands below it.
        """
        if self.out is not None:
            with self.progress("Writing files of"):
                found.write(self.out)
        told = judged(found, self.out, self.wide or self.json)
        if self.json:
            print_json(found.summary | {"verdicts": told})
        else:
            show_warnings(as_records(found.warnings), told)
            show(found, self.wide)
            show_verdicts(told)
            show_caution(caution)
        if self.report is not None:
            report_file(self.report, self.scenario, self.json, **({"studies": [found.section()]} if parts is None else parts()))
        show_written(self.out, self.json)
        show_left_over(self.out, self.json)

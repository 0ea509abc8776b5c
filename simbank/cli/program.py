"""The program: its commands, and the way out of them, one line and an exit status."""

from __future__ import annotations

import functools
import inspect
import os
import sys
import warnings
from contextlib import suppress

import typer

from simbank import cli, interrupts, streams
from simbank.cli.options import OptionalNumber
from simbank.cli.output import page_width
from simbank.cli.tables import wrapped
from simbank.errors import InputError, RunStopped, SimbankError
from simbank.provenance import set_command

__all__ = ["main"]


TRACE = "SIMBANK_TRACE"
CLICK_LEAST = 52  # letters to a line of a terminal below which click's help is wider than it


def __getattr__(name):
    """``app``: the program with all of its commands, put together when it is asked for."""
    if name == "app":
        return _program()
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


@functools.cache
def _program(only=None):
    """The program, with all of its commands or with ``only`` one of them, or one group."""
    app = typer.Typer(
        add_completion=False,
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,  # plain text, which wraps and is never cut off
        help="How mismatched battery packs wired in parallel share current, over time, through real cable.",
    )
    app.callback()(lambda: None)  # so that one command alone, too, is called by its name
    groups = [app]
    for name in cli.COMMANDS:
        if only in (None, name):
            app.command(cls=OptionalNumber)(getattr(cli, name))
    for name, held in cli.GROUPS.items():
        if only in (None, name):
            groups.append(getattr(cli, held))
            app.add_typer(groups[-1], name=name, short_help=groups[-1].info.help)
    for group in groups:
        for registered in group.registered_commands:  # the list of commands tells each whole, not its first words
            registered.short_help = inspect.cleandoc(registered.callback.__doc__)
    return app


def _asked_for():
    """The program with the command that the arguments begin with, or with all of them where that is none."""
    first = next(iter(sys.argv[1:]), None)
    return _program(first if first in cli.COMMANDS or first in cli.GROUPS else None)


def main():
    """Entry point: runs a command and turns whatever goes wrong into one line and an exit status."""
    interrupts.listen()
    streams.prepare()
    if not sys.warnoptions:
        warnings.simplefilter("ignore")  # of libraries, to developers
    set_command(["simbank", *sys.argv[1:]])
    try:
        status = _asked_for()(standalone_mode=False, **_narrow())
        streams.flush()
    except Exception as error:
        if os.environ.get(TRACE):
            raise
        _explain(error)
    except KeyboardInterrupt:
        _fail("stopped", interrupts.STOPPED, mark="")
    sys.exit(status if isinstance(status, int) else 0)


def _narrow():
    """For a terminal narrower than click's least page: its width, to which help keeps."""
    width = page_width()
    return {"terminal_width": width} if width < CLICK_LEAST else {}


def _explain(error):
    """Say in one line what went wrong, and end."""
    if isinstance(error, RunStopped):
        interrupts.end_children()
        _fail(error, interrupts.STOPPED, mark="")
    if isinstance(error, InputError):
        _fail(error, 2)
    if isinstance(error, SimbankError):
        _fail(error, 1)
    if isinstance(error, BrokenPipeError):  # whoever read has enough
        streams.drop()
        sys.exit(1)
    if isinstance(error, OSError):
        reason = error.strerror or " ".join(str(error).split()) or type(error).__name__
        _fail(f"{error.filename or 'output'}: {reason}", 1)
    if isinstance(error, MemoryError):
        _fail("not enough memory for this", 1)
    if isinstance(error, typer.Abort):
        _fail("no answer; give it as an option", 2)
    if hasattr(error, "format_message"):  # click's own errors, whose module depends on typer's version
        _usage(error)
    _fail(f"internal error: {type(error).__name__}: {error}. Please report it with what {TRACE}=1 in the environment shows", 1)


def _usage(error):
    """What is wrong with a command's arguments; help if there are none."""
    context = getattr(error, "ctx", None)
    if type(error).__name__ == "NoArgsIsHelpError":
        error.show()
        sys.exit(2)
    problem = " ".join(error.format_message().split()).rstrip(".")
    problem = problem if len(problem) <= 400 else f"{problem[:400]} ..."
    _fail(f"{problem[:1].lower()}{problem[1:]}; see {context.command_path if context else 'simbank'} --help", 2)


def _fail(error, status, mark="error: "):
    streams.drop()
    text = f"{mark}{' '.join(str(error).split())}"
    with suppress(OSError, ValueError):
        if sys.stderr.isatty():  # one line for programs; a person's is broken between words
            text = "\n".join(wrapped(text, os.get_terminal_size(sys.stderr.fileno()).columns or len(text), len(mark)))
    with suppress(OSError):
        print(text, file=sys.stderr, flush=True)
    sys.exit(status)

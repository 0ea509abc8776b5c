"""The command that opens the desk."""

from __future__ import annotations

import importlib.util
from functools import partial
from pathlib import Path
from typing import Annotated

import typer

from simbank.cli.output import say
from simbank.errors import InputError

__all__ = ["desk"]

NEEDED = ("nicegui", "tomlkit")


def desk(
    file: Annotated[Path | None, typer.Argument(help="Scenario file (TOML) to begin with.", show_default=False)] = None,
    port: Annotated[int, typer.Option(help="Port on this machine; 0 for one that is free.", min=0, max=65535)] = 0,
    no_open: Annotated[bool, typer.Option("--no-open", help="Print the address and leave the browser alone.")] = False,
    stay: Annotated[bool, typer.Option("--stay", help="Go on when the last tab has been closed.")] = False,
    grace: Annotated[float, typer.Option(help="Seconds from the last tab closed to the end.", min=0.5, max=3600)] = 20.0,
):
    """Open a live page on this machine, in which a bank is built and changed."""
    missing = [name for name in NEEDED if importlib.util.find_spec(name) is None]
    if missing:
        raise InputError(
            f"needs {' and '.join(missing)}, which {'is' if len(missing) == 1 else 'are'} not installed: pip install 'simbank[desk]'",
            key="simbank desk",
        )
    if file is not None and not file.is_file():
        raise InputError("no such file", file=file)
    from simbank.desk.server import serve

    folder = Path.cwd() if file is None else file.resolve().parent
    name = None if file is None else file.resolve().name
    serve(folder, name, port=port, open_browser=not no_open, stay=stay, grace_s=grace, say=partial(_tell, stay))


def _tell(stay, address):
    print(address, flush=True)  # whole, so that it can be copied
    ends = "It ends with Ctrl-C." if stay else "It ends with Ctrl-C, or when its last tab is closed."
    say(f"The desk is at this address, on this machine only. {ends}")

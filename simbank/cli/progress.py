"""How far a command has come: a bar on a terminal, a line of words now and then where standard error is none."""

from __future__ import annotations

import os
import sys
import threading
import time
from contextlib import contextmanager

from simbank import interrupts
from simbank.jit import told_of_compiling

__all__ = ["progress_bar"]

FIRST_S, EVERY_S = 5.0, 10.0  # what is done sooner says nothing; then a line at most so often
COMPILING = "compiling the equations, once"


@contextmanager
def progress_bar(label, quiet, after="finishing"):
    """A callable for the fraction done: a bar on a terminal, words in a pipe or a file, None if ``quiet``.

    Words come on standard error after five seconds and then every ten: what is being done, how far, for how long. ``after`` says what is
    done once all of it is there.
    """
    if quiet:
        yield None
    elif sys.stderr.isatty():
        with _bar(label, after) as update:
            yield update
    else:
        with _words(label, after) as update:
            yield update


@contextmanager
def _bar(label, after):
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(bar_width=20), TaskProgressColumn(), TimeRemainingColumn())
    interrupts.at_exit(lambda: os.write(2, b"\r\x1b[2K\x1b[?25h"))  # the bar goes, the cursor comes back
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(label, total=1.0)
        with told_of_compiling(lambda busy: bar.update(task, description="Compiling the equations, once" if busy else label)):
            yield lambda done: bar.update(task, completed=done, description=label if done < 1.0 else f"{label}: {after}")


@contextmanager
def _words(label, after):
    state, over, stream = {"done": 0.0, "compiling": False, "told": False}, threading.Event(), sys.stderr
    start = time.monotonic()

    def say():
        far = after if state["done"] >= 1.0 else f"{state['done'] * 100:.0f} %"
        parts = [COMPILING] if state["compiling"] else [far] if state["done"] else []
        line = f"{label}: {', '.join([*parts, f'{time.monotonic() - start:.0f} s'])}\n"
        try:
            stream.write(line)
            stream.flush()
        except (OSError, ValueError):  # nobody reads it any more
            over.set()

    def tell():
        wait = FIRST_S
        while not over.wait(wait):
            wait = EVERY_S
            say()

    def compiles(busy):
        state["compiling"] = busy
        if busy and not state["told"]:  # at once, since it takes half a minute
            state["told"] = True
            say()

    teller = threading.Thread(target=tell, daemon=True)
    teller.start()
    try:
        with told_of_compiling(compiles):
            yield lambda done: state.update(done=done)
    finally:
        over.set()
        teller.join()

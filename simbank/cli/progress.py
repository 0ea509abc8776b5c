"""How far a command has come: a bar on a terminal, a line of words now and then where standard error is none."""

from __future__ import annotations

import os
import sys
import threading
import time
from contextlib import contextmanager

from simbank import interrupts
from simbank.jit import told_of_compiling, what_compiles

__all__ = ["progress_bar"]

FIRST_S, EVERY_S = 5.0, 10.0  # what is done sooner says nothing; then a line at most so often


@contextmanager
def progress_bar(label, quiet, after="finishing"):
    """A callable for the fraction done: a bar on a terminal, words in a pipe or a file, None if ``quiet``.

    Words come on standard error after five seconds and then every ten: what is being done, how far, for how long. ``after`` says what is
    done once all of it is there. That something is compiled is said at once, and the time left does not count it.
    """
    if quiet:
        yield None
    elif sys.stderr.isatty():
        with _bar(label, after) as update:
            yield update
    else:
        with _words(label, after) as update:
            yield update


def compiling_words():
    """What is told while the compiler is at work."""
    return f"first use: compiling {what_compiles()}; later runs skip this"


class _Compiling:
    """Whether the compiler is at work, and how much time it has taken, to be told of it as :func:`told_of_compiling` does."""

    def __init__(self):
        self.words, self._since, self._taken = "", 0.0, 0.0  # no words while nothing is compiled

    def __call__(self, busy):
        now = time.monotonic()
        if self.words:
            self._taken += now - self._since
        self.words, self._since = compiling_words() if busy else "", now

    def taken_s(self):
        """Time that the compiler has taken so far [s]."""
        return self._taken + (time.monotonic() - self._since if self.words else 0.0)


@contextmanager
def _bar(label, after):
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn
    from rich.text import Text

    compiling, start = _Compiling(), time.monotonic()

    class Bar(Progress):
        """A bar, in whose place words stand while something is compiled."""

        def get_renderables(self):
            if compiling.words:
                yield Text(f"{compiling.words[0].upper()}{compiling.words[1:]} ({time.monotonic() - start:.0f} s)")
            else:
                yield from super().get_renderables()

    columns = (TextColumn("{task.description}"), BarColumn(bar_width=20), TaskProgressColumn(), TimeRemainingColumn())
    interrupts.at_exit(lambda: os.write(2, b"\r\x1b[2K\x1b[?25h"))  # the bar goes, the cursor comes back
    console = Console(stderr=True)
    with Bar(*columns, console=console, transient=True, get_time=lambda: time.monotonic() - compiling.taken_s()) as bar:
        task = bar.add_task(label, total=1.0)
        with told_of_compiling(compiling):
            yield lambda done: bar.update(task, completed=done, description=label if done < 1.0 else f"{label}: {after}")


@contextmanager
def _words(label, after):
    state, over, stream = {"done": 0.0, "told": set()}, threading.Event(), sys.stderr
    compiling, start = _Compiling(), time.monotonic()

    def say():
        far = after if state["done"] >= 1.0 else f"{state['done'] * 100:.0f} %"
        parts = [compiling.words] if compiling.words else [far] if state["done"] else []
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

    def tell_compiling(busy):
        compiling(busy)
        if busy and compiling.words not in state["told"]:  # at once, since it takes a while
            state["told"].add(compiling.words)
            say()

    teller = threading.Thread(target=tell, daemon=True)
    teller.start()
    try:
        with told_of_compiling(tell_compiling):
            yield lambda done: state.update(done=done)
    finally:
        over.set()
        teller.join()

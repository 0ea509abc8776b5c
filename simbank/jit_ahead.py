"""What is going to be called is compiled before it is, in two processes at once.

The compiler works in one thread of Python's. Where a process finds that several functions which it will call are not kept, it starts
another one, which takes them from the end of the list while this one takes them from its head. What that one makes is kept in the
usual file and loaded from there; where it fails, this process compiles the rest by itself.
"""

from __future__ import annotations

import collections
import contextlib
import os
import pickle
import subprocess
import sys
import threading
from collections.abc import Iterable

import numpy as np

from simbank.interrupts import deaf_children
from simbank.jit import COLUMNS, ROWS, WRITEABLE, Compiled, kind_of, told_busy

__all__ = ["compile_ahead"]

WORTH = 2  # functions that are missing, from which a second process pays: it takes a second or two to start
HELPER = "import sys; sys.path[:] = {path!r}; from simbank.jit_ahead import help_compiling; help_compiling()"
MADE, NOT_MADE = b"1", b"0"  # what the second process answers


def compile_ahead(calls: Iterable[tuple[Compiled, tuple]]):
    """Have all functions ready for what they will be called with: loaded where they are kept, else compiled.

    Parameters
    ----------
    calls : iterable of (Compiled, tuple)
        Each function with arguments like those it will have; small ones first, since the second process begins at the end.
    """
    missing = collections.deque((entry, args) for entry, args in calls if not entry.is_loaded(kind_of(args)))
    if not missing:
        return
    if len(missing) < WORTH or not _may_start():
        for entry, args in missing:
            entry.ready(args)
        return
    with _Helper(missing) as helper:
        while missing:
            with contextlib.suppress(IndexError):  # the second process has just taken the last one
                entry, args = missing.popleft()
                entry.ready(args)
        with told_busy():
            helper.wait()
    for entry, args in (*helper.taken, *missing):
        entry.ready(args)


def _may_start():
    """Whether a second process can be started and has a core; not from a process that is one of several itself."""
    several = sys.modules.get("multiprocessing")
    if several is not None and several.parent_process() is not None:
        return False
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    return (cores or 1) > 1 and os.path.basename(sys.executable or "").startswith("python")


class _Helper:
    """The second process, and a thread that hands it the last of what is missing as long as there is any.

    ``taken`` are those it was handed.
    """

    def __init__(self, missing):
        self.missing, self.taken = missing, []
        self._thread = threading.Thread(target=self._hand_out, daemon=True)

    def __enter__(self):
        code = HELPER.format(path=sys.path)
        try:
            with deaf_children():
                self._process = subprocess.Popen(
                    [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
                )
        except OSError:
            self._process = None
        else:
            self._thread.start()
        return self

    def __exit__(self, *_):
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._thread.join()
            for pipe in (self._process.stdin, self._process.stdout):
                with contextlib.suppress(OSError):
                    pipe.close()

    def wait(self):
        """Until it has done what it was handed."""
        if self._process is not None:
            self._thread.join()

    def _hand_out(self):
        with contextlib.suppress(OSError, ValueError):
            # it says first that it is there, so that nothing waits for one that cannot start
            while self._process.stdout.read(1) == MADE and self.missing:
                with contextlib.suppress(IndexError):
                    entry, args = self.missing.pop()
                    self.taken.append((entry, args))
                    pickle.dump((entry, kind_of(args)), self._process.stdin)
                    self._process.stdin.flush()


# ---- in the second process ----


def help_compiling():
    """Compile what comes through standard input until that ends, which it does at the latest when the first process does."""
    tasks, there = collections.deque(), threading.Semaphore(0)

    def listen():
        with contextlib.suppress(Exception):
            while True:
                tasks.append(pickle.load(sys.stdin.buffer))
                there.release()
        os._exit(0)

    threading.Thread(target=listen, daemon=True).start()
    answer = MADE
    while True:
        os.write(1, answer)
        there.acquire()
        entry, kind = tasks.popleft()
        args = arguments_of(kind)
        answer = NOT_MADE
        if kind_of(args) == kind:
            entry.ready(args)
            answer = MADE


def arguments_of(kind: tuple) -> tuple:
    """Arguments of a kind, as :func:`simbank.jit.kind_of` gives it, of no particular value.

    >>> kind = kind_of((1.5, (np.zeros((3, 4)).T, np.zeros(8)[::2])))
    >>> kind_of(arguments_of(kind)) == kind
    True
    """
    left, made = iter(kind), []
    for thing in left:
        made.append(_argument(thing, left))
    return tuple(made)


def _argument(first, left):
    """One argument, whose kind begins with ``first`` and goes on with what is ``left``."""
    if isinstance(first, int):
        return _array(first, next(left), next(left))
    if issubclass(first, tuple):
        within = [_argument(next(left), left) for _ in range(next(left))]
        return tuple(within) if first is tuple else first(*within)
    return first(0)


def _array(flags, dimensions, dtype):
    """An array with these of numpy's flags, as far as its type in compiled code depends on them."""
    wide = np.zeros((4,) * dimensions, dtype)
    by_rows, by_columns = wide.flags.num & ROWS == flags & ROWS, flags & COLUMNS
    array = wide if by_rows else wide.T if by_columns else wide[(slice(None, None, 2),) * dimensions]
    array.flags.writeable = bool(flags & WRITEABLE)
    return array

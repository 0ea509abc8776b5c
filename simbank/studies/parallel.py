"""Work spread over processes of this machine, or over copies of this one; they neither hear Ctrl-C nor outlive who started them."""

from __future__ import annotations

import contextlib
import multiprocessing
import multiprocessing.connection
import os
import sys
import threading
import time
import warnings
from collections.abc import Callable, Iterator, Sequence
from typing import Any

from simbank.interrupts import deaf_children, heard_by

__all__ = ["can_copy", "copies_worth", "in_copies", "in_order", "in_processes"]

WATCH_S = 1.0  # between two looks of a worker at whether its parent is there
COPY_PAYS_S = 0.2  # of work for each copy of this process, which takes some hundredths of a second to make


def in_processes(function: Callable[..., Any], work: Sequence[tuple], jobs: int) -> Iterator[Any]:
    """What a function gives for each piece of work, in the order in which they are done.

    Parameters
    ----------
    function : callable
        Of a module, so that a process finds it by its name.
    work : sequence of tuple
        The arguments of each call.
    jobs : int
        Processes on this machine (joblib); −1 for all cores.
    """
    from joblib import Parallel, delayed, effective_n_jobs

    with heard_by():
        _start_trackers()
        with deaf_children():  # processes start at the call
            run = Parallel(
                n_jobs=min(effective_n_jobs(jobs), len(work)), return_as="generator_unordered", batch_size=1, backend="loky",
                initializer=_watch, initargs=(os.getpid(),),
            )  # fmt: skip
            found = run(delayed(function)(*arguments) for arguments in work)
        yield from found


def can_copy() -> bool:
    """Whether :func:`in_copies` works here: on Linux, in a process that is none of several of a program already."""
    return sys.platform == "linux" and multiprocessing.parent_process() is None


def copies_worth(left_s: float) -> int:
    """How many copies of this process would help with so much work [s]: one for each core but its own; 0 where it cannot be copied."""
    if not can_copy():
        return 0
    return max(0, min(len(os.sched_getaffinity(0)) - 1, int(left_s / COPY_PAYS_S) - 1))


def in_copies(function: Callable[..., Any], work: Sequence[tuple], copies: int, here: bool = True) -> Iterator[tuple[int, Any]]:
    """(number, what a function gives) for each piece of work, done here and in copies (forks) of this process, as they are done.

    A copy has what this process has loaded and compiled, so that nothing is waited for. Where one ends before its work is done, that
    is done here.

    Parameters
    ----------
    function : callable
        Anything; what it gives is pickled.
    work : sequence of tuple
        The arguments of each call.
    copies : int
        So many besides this process.
    here : bool
        Whether this process works, too; else it only collects, and hands out at once what has come.
    """
    fork, pipes, children = multiprocessing.get_context("fork"), [], []
    done, all_of_us = set(), copies + here
    try:
        with deaf_children(), warnings.catch_warnings():
            warnings.simplefilter("ignore")  # that threads, such as those of linear algebra, are not copied: none is waited for
            for k in range(copies):
                ours, theirs = fork.Pipe(duplex=False)
                children.append(fork.Process(target=_copy, args=(function, work, k + here, all_of_us, theirs), daemon=True))
                children[-1].start()
                theirs.close()
                pipes.append(ours)
        for number in range(0, len(work), all_of_us) if here else ():
            done.add(number)
            yield number, function(*work[number])
            for pipe in pipes:  # so that no copy waits for room in its pipe
                yield from _arrived(pipe, done)
        while open_pipes := [pipe for pipe in pipes if not pipe.closed]:
            for pipe in multiprocessing.connection.wait(open_pipes):
                yield from _arrived(pipe, done)
    finally:
        for child in children:
            child.kill()
            child.join()
    for number in range(len(work)):
        if number not in done:
            yield number, function(*work[number])


def in_order(
    function: Callable[..., Any],
    work: Sequence[tuple],
    each_s: float | None = None,
    tell: Callable[[float], None] = lambda done: None,
) -> list[Any]:
    """What a function gives for each piece of work, in their order; done in copies of this process too where that pays.

    Parameters
    ----------
    function, work
        As for :func:`in_copies`.
    each_s : float, optional
        What a piece is thought to take [s]; by default the first is timed.
    tell : callable
        Called with the fraction done.
    """
    found, begin = {}, time.monotonic()
    if each_s is None and work:
        found[0] = function(*work[0])
        each_s = time.monotonic() - begin
    begun = len(found)
    left = work[begun:]
    copies = copies_worth(each_s * len(left)) if len(left) > 1 else 0
    come = in_copies(function, left, copies) if copies else ((number, function(*one)) for number, one in enumerate(left))
    for number, one in come:
        found[begun + number] = one
        tell(len(found) / len(work))
    return [found[number] for number in range(len(work))]


def _copy(function, work, first, step, pipe):
    """What a copy of this process does."""
    _watch(os.getppid())
    with contextlib.suppress(OSError):  # who started it has gone
        for number in range(first, len(work), step):
            pipe.send((number, function(*work[number])))
        pipe.send(None)


def _arrived(pipe, done):
    """What a copy has sent and is there; the pipe is closed if that is all that will come."""
    try:
        while not pipe.closed and pipe.poll():
            found = pipe.recv()
            if found is None:
                pipe.close()
                return
            done.add(found[0])
            yield found
    except (EOFError, OSError):  # it ended
        pipe.close()


def _start_trackers():
    """Start Python's and joblib's trackers of resources now: the start of either makes processes that come later hear Ctrl-C again."""
    from multiprocessing import resource_tracker

    if os.name == "posix":
        resource_tracker.ensure_running()
    with contextlib.suppress(ImportError):
        from joblib.externals.loky.backend.resource_tracker import ensure_running

        ensure_running()


def _watch(parent):
    """End this process soon after process ``parent`` has gone, whatever it is doing then: killed, it could not say so."""

    def look():
        while os.getppid() == parent:
            time.sleep(WATCH_S)
        os._exit(1)

    threading.Thread(target=look, daemon=True, name="watch of the parent").start()

"""Work spread over processes of this machine, which neither hear Ctrl-C nor outlive the process that started them."""

from __future__ import annotations

import contextlib
import os
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from typing import Any

from simbank.interrupts import deaf_children, heard_by

__all__ = ["in_processes"]

WATCH_S = 1.0  # between two looks of a worker at whether its parent is there


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

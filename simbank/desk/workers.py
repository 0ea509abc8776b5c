"""Processes that compute for the desk, from its side: started when needed, kept warm, ended with all that they started."""

from __future__ import annotations

import asyncio
import contextlib
import os
import pickle
import signal
import sys
from collections.abc import Callable
from typing import Any

from simbank.desk.worker import HEAD
from simbank.errors import SimbankError
from simbank.interrupts import at_exit

__all__ = ["Stopped", "Worker", "end_all"]

_running: set[int] = set()  # process groups


class Stopped(SimbankError):
    """A call was ended before it was done."""


def end_all():
    """End every process that the desk has started, and theirs."""
    for group in list(_running):
        _end(group)


at_exit(end_all)


def _end(group):
    _running.discard(group)
    with contextlib.suppress(OSError):
        (os.killpg if hasattr(os, "killpg") else os.kill)(group, getattr(signal, "SIGKILL", signal.SIGTERM))


class Worker:
    """A process that does calls one after the other.

    Parameters
    ----------
    on_compiling : callable, optional
        Called with True when the compiler begins in it, with False when it is done.
    """

    def __init__(self, on_compiling: Callable[[bool], None] | None = None):
        self._process: asyncio.subprocess.Process | None = None
        self._lock = asyncio.Lock()
        self._number = self._stops = 0
        self.compiling = False
        self._on_compiling = on_compiling or (lambda busy: None)

    @property
    def busy(self) -> bool:
        """Whether a call is being done."""
        return self._lock.locked()

    @property
    def is_alive(self) -> bool:
        """Whether its process runs, so that the next call needs no new one."""
        return self._process is not None and self._process.returncode is None

    async def call(self, function: Callable[..., Any], *arguments: Any, progress: Callable[[float], None] | None = None) -> Any:
        """What ``function(*arguments)`` gives; ``progress``, if given, is handed on to it and called here.

        Parameters
        ----------
        function : callable
            Of a module; what it takes and gives is pickled.
        *arguments : object
            Handed on.
        progress : callable, optional
            Called with the fraction done.

        Raises
        ------
        SimbankError
            As the function raised it (InputError too); Stopped if the process was ended meanwhile.
        """
        async with self._lock:
            if not self.is_alive:
                stops = self._stops
                await self._start()
                if self._stops != stops:  # ended before it had begun
                    self.stop()
                    raise Stopped("stopped")
            process = self._process
            self._number += 1
            body = pickle.dumps((self._number, function, arguments, progress is not None))
            try:
                process.stdin.write(HEAD.pack(len(body)) + body)
                await process.stdin.drain()
                while True:
                    size = HEAD.unpack(await process.stdout.readexactly(HEAD.size))[0]
                    kind, *said = pickle.loads(await process.stdout.readexactly(size))
                    if kind == "compiling":
                        self.compiling = said[0]
                        self._on_compiling(said[0])
                    elif kind == "progress":
                        if progress is not None:
                            progress(said[0])
                    elif said[0] == self._number:
                        if kind == "failed":
                            raise said[1]
                        return said[1]
            except (asyncio.IncompleteReadError, ConnectionError):
                self.stop()
                raise Stopped("stopped") from None
            except asyncio.CancelledError:
                self.stop()
                raise

    async def _start(self):
        self._process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "simbank.desk.worker", stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE,
            start_new_session=True,
        )  # fmt: skip
        _running.add(self._process.pid)

    def stop(self):
        """End the process, and with it what it does; the next call starts another."""
        self._stops += 1
        self.compiling = False
        if self._process is not None:
            if self._process.returncode is None:
                _end(self._process.pid)
            _running.discard(self._process.pid)
            self._process = None

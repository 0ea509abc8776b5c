"""Processes for the runs of all tabs: one that stays warm, more while it is busy; a run that nobody waits for is ended."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from typing import Any

from simbank.desk.workers import Stopped, Worker

__all__ = ["Pool", "Run"]

PATIENCE_S = 5.0  # after which a run that is out of date is ended, or one of another tab that would make this one wait
SOON_S = 1.0  # for which a run waits for a busy process before another one is started
MOST_AT_ONCE = 2
LOOK_S = 0.05


class Run:
    """A run that is waiting or under way; ``first``: a run that others wait for, as they would only do the same beside it."""

    def __init__(self, first: bool = False):
        self.first, self.worker, self.since, self.why = first, None, time.monotonic(), ""
        self._over = False

    @property
    def is_over(self) -> bool:
        """Whether it has ended, or is to end."""
        return self._over

    def end(self, why: str = "stopped"):
        """End it now, and the process that does it; nothing if it is done."""
        if self._over:
            return
        self._over, self.why = True, why
        if self.worker is not None:
            self.worker.stop()

    def outdate(self):
        """End it if it is not done soon: nobody wants it any more, but what comes of it soon is still shown."""
        if self._over:
            return
        if self.worker is None:
            self.end()
            return
        left_s = self.since + PATIENCE_S - time.monotonic()
        if left_s <= 0 and not self.worker.compiling:
            self.end()
        else:
            asyncio.get_running_loop().call_later(max(left_s, 1.0), self.outdate)

    def done(self):
        """Note that it is done, so that nothing ends its process any more."""
        self._over = True


class Pool:
    """Processes that do runs.

    Parameters
    ----------
    on_compiling : callable
        Called when the compiler begins or ends in one of them.
    """

    def __init__(self, on_compiling: Callable[[], Any]):
        self._on_compiling = on_compiling
        self._runs: list[Run] = []
        self._warm: Worker | None = None

    @property
    def compiling(self) -> bool:
        """Whether the compiler is at work in one of them."""
        return any(run.worker.compiling for run in self._runs)

    async def call(self, run: Run, function: Callable[..., Any], *arguments: Any) -> Any:
        """What ``function(*arguments)`` gives, as :meth:`simbank.desk.workers.Worker.call`; Stopped, with why, if ``run`` was ended."""
        await self._begin(run)
        try:
            return await run.worker.call(function, *arguments)
        except Stopped:
            raise Stopped(run.why or "stopped") from None
        finally:
            run.done()
            self._runs.remove(run)
            if self._warm is None and run.worker.is_alive:
                self._warm = run.worker
            else:
                run.worker.stop()

    async def _begin(self, run):
        """Give a run a process: the warm one, else soon another, else that of the longest run, which is ended."""
        while not run.is_over and self._warm is None and self._runs:
            now = time.monotonic()
            longest = min(self._runs, key=lambda other: other.since)
            if not any(other.first or other.worker.compiling for other in self._runs):
                if len(self._runs) < MOST_AT_ONCE and all(now - other.since > SOON_S for other in self._runs):
                    break
                if len(self._runs) >= MOST_AT_ONCE and now - longest.since > PATIENCE_S:
                    longest.end(
                        f"it was ended after {now - longest.since:.0f} s, as another tab waited; a shorter duty runs sooner"
                    )
            await asyncio.sleep(LOOK_S)
        if run.is_over:
            raise Stopped(run.why)
        run.worker, self._warm = self._warm or Worker(lambda busy: self._on_compiling()), None
        run.since = time.monotonic()
        self._runs.append(run)

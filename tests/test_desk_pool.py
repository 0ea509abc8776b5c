"""The runs of several tabs: one that is long, out of date, or of a tab that was closed keeps no other waiting."""

import asyncio
import os
import time

import pytest

from simbank.desk import pool as module
from simbank.desk.folder import Folder
from simbank.desk.pool import Pool, Run
from simbank.desk.session import Session, Shared
from simbank.desk.workers import Stopped, end_all

LONG_S = 600


@pytest.fixture(autouse=True)
def nothing_runs_on():
    yield
    end_all()


async def begun(run):
    while run.worker is None or not run.worker.is_alive:
        await asyncio.sleep(0.02)
    return run.worker._process.pid


async def at_rest(pool):
    if pool._warm is not None:
        pool._warm.stop()
    await asyncio.sleep(0.3)  # in which the loop hears of it


def gone(pid):
    try:
        os.kill(pid, 0)
    except OSError:
        return True
    return False


def test_another_tabs_run_begins_while_a_long_one_goes_on_and_a_third_ends_the_longest(monkeypatch):
    monkeypatch.setattr(module, "PATIENCE_S", 1.5)

    async def tabs():
        pool, long, other = Pool(lambda: None), Run(), Run()
        first = asyncio.ensure_future(pool.call(long, time.sleep, LONG_S))
        await begun(long)
        began = time.monotonic()
        second = asyncio.ensure_future(pool.call(other, time.sleep, LONG_S))
        await begun(other)
        assert not first.done()
        third = await asyncio.wait_for(pool.call(Run(), abs, -3), 120)
        assert third == 3
        with pytest.raises(Stopped, match="as another tab waited"):
            await first
        other.end()
        with pytest.raises(Stopped):
            await second
        assert time.monotonic() - began < 120  # of LONG_S
        await at_rest(pool)

    asyncio.run(tabs())


def test_a_run_that_is_out_of_date_is_ended_and_one_that_is_done_ends_no_other(monkeypatch):
    monkeypatch.setattr(module, "PATIENCE_S", 0.5)

    async def tab():
        pool, old = Pool(lambda: None), Run()
        first = asyncio.ensure_future(pool.call(old, time.sleep, LONG_S))
        await begun(old)
        old.outdate()
        with pytest.raises(Stopped):
            await asyncio.wait_for(first, 60)
        short = Run()
        assert await pool.call(short, abs, -1) == 1
        pid = pool._warm._process.pid
        short.outdate()
        short.end()
        assert await pool.call(Run(), os.getpid) == pid  # still warm
        await at_rest(pool)

    asyncio.run(tab())


def test_a_tab_that_is_closed_ends_its_run(tmp_path):
    async def tab():
        session = Session(Shared(Folder(tmp_path)))
        session.begin()
        while session._run_now is None:
            await asyncio.sleep(0)
        pid = await begun(session._run_now)
        session.changed()  # waits for its turn
        session.close()
        until = time.monotonic() + 30
        while session.shared.pool._runs and time.monotonic() < until:
            await asyncio.sleep(0.05)
        await asyncio.sleep(0.2)
        assert (session.shared.pool._runs, session._run_now, gone(pid)) == ([], None, True)

    asyncio.run(tab())

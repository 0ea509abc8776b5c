"""How time and memory grow with packs, days and runs, drawn as a plot; and what a run in a sweep costs on a Dask cluster.

Run with: pytest -m bench -s tests/bench/test_bench_growth.py --speed-table
The environment variable SIMBANK_BENCH_SMALL=1 takes the small sizes only, to see that it works.
"""

import contextlib
import os
import socket
import subprocess
import sys
import time

import growth
import pytest

import simbank

SMALL = os.environ.get("SIMBANK_BENCH_SMALL") == "1"
TEN_MILLION, CORES = 1e7, 1000


@pytest.mark.bench
def test_growth(speed, tmp_path, request):
    """Energy closes in every run of packs and days; of a sweep no run fails, and the first is what it is by itself."""
    found = {}
    for kind, sizes in growth.SIZES.items():
        rows = found[kind] = [growth.measure(kind, size) for size in (sizes[:2] if SMALL else sizes)]
        assert all(row["checked"] for row in rows)
        first, last = rows[0], rows[-1]
        speed(
            f"{growth.TOLD[kind]}: {first['size']} to {last['size']}",
            ", ".join(f"{row['size']}: {row['seconds']:.3g} s, {row['peak_mb']:.0f} MB" for row in rows),
            f"{last['size'] / first['size']:.0f} × as many take {last['seconds'] / first['seconds']:.0f} × as long",
        )
    kept = request.config.getoption("--speed-table") and not SMALL
    growth.draw(found, growth.PICTURE if kept else tmp_path / "growth.svg")
    if kept:
        growth.link_picture()


def test_the_plot_of_growth(tmp_path):
    """Of made-up measurements: every kind has its panel of time and of memory."""
    found = {kind: [{"size": n, "seconds": n / 10, "peak_mb": 100 + n} for n in (1, 10, 100)] for kind in growth.SIZES}
    growth.draw(found, tmp_path / "growth.svg")
    growth.draw(found, tmp_path / "again.svg")
    text = (tmp_path / "growth.svg").read_text(encoding="utf-8")
    assert text.count('id="axes_') == 2 * len(growth.SIZES)
    assert text == (tmp_path / "again.svg").read_text(encoding="utf-8")


@contextlib.contextmanager
def cluster(workers):
    """Address of a scheduler on this machine with so many workers of one thread."""
    from distributed import Client

    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    address, quiet = f"tcp://127.0.0.1:{port}", {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    scheduler = ["-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard"]
    worker = ["-m", "distributed.cli.dask_worker", address, "--nthreads", "1", "--no-dashboard", "--no-nanny"]
    started = [subprocess.Popen([sys.executable, *words], **quiet) for words in (scheduler, *[worker] * workers)]
    try:
        with Client(address, timeout="60s") as client:
            client.wait_for_workers(workers, timeout=60)
        yield address
    finally:
        for process in started:
            process.kill()
            process.wait()


@pytest.mark.bench
def test_a_cluster_of_one_and_two_workers(speed):
    """The same draws on this process and on Dask's workers make the same figures; overhead is what a run takes more than here."""
    pytest.importorskip("distributed")
    case = simbank.load(growth.SCENARIOS / "hilltop_clinic.toml", {"duty.repeat": 7})
    vary, count = {"packs.*.soc": "uniform 0.7 0.9", "packs.*.resistance_growth": "lognormal 1.2 1.2"}, 100 if SMALL else 2000
    options = {"vary": vary, "seed": 1, "tolerance": growth.TOLERANCE}
    simbank.sweep(case, runs=16, **options)

    def seconds(**where):
        begin = time.perf_counter()
        table = simbank.sweep(case, runs=count, **options, **where)
        return (time.perf_counter() - begin) / count, table

    here, table = seconds()
    for workers in (1, 2):
        with cluster(workers) as address:
            simbank.sweep(case, runs=200, cluster=address, **options)  # workers load and compile
            took, other = seconds(cluster=address)
        assert table["spread_max_points"].tolist() == other["spread_max_points"].tolist()
        each = took * workers
        speed(
            f"a week on five packs, Dask, {workers} {'worker' if workers == 1 else 'workers'} of this machine",
            f"{took * 1e3:.2f} ms a run, {each * 1e3:.2f} ms of each worker, {(each - here) * 1e3:.2f} ms more than here, from {count}",
            f"{each / here:.2f} × a run in one process without Dask ({here * 1e3:.2f} ms); ten million: {TEN_MILLION * each / 3600:.0f} "
            f"core-hours, {TEN_MILLION * each / CORES / 60:.1f} min on {CORES} such cores",
        )

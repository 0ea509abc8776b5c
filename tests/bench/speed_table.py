"""Medians of wall time, and the table of speed that the benches write into README.md beside this file."""

import os
import platform
import resource
import statistics
import time
from datetime import date
from importlib.metadata import version
from pathlib import Path

README = Path(__file__).parent / "README.md"
BEGIN, END = "<!-- speed: written by the bench -->", "<!-- end of speed -->"
HEAD = "| what | took | against a reference of the same run |\n| --- | --- | --- |"
ROWS = []


def wall(work, repeats=5):
    """Median wall time [s] of some runs after one that is not counted."""
    work()
    times = []
    for _ in range(repeats):
        begin = time.perf_counter()
        work()
        times.append(time.perf_counter() - begin)
    return statistics.median(times)


def own_peak_mb():
    """Peak memory of this process [MB].

    Linux keeps it since the program began (VmHWM); ``getrusage`` would give no less than what the process that started this one had.
    """
    status = Path("/proc/self/status")
    if status.exists():
        line = next(line for line in status.read_text().splitlines() if line.startswith("VmHWM"))
        return int(line.split()[1]) / 1e3
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3


def machine():
    """Where and with what the table was measured."""
    libraries = ", ".join(f"{name} {version(name)}" for name in ("numpy", "scipy", "numba", "pandas"))
    busy = f", {os.getloadavg()[0]:.1f} processes waiting or running as it ended" if hasattr(os, "getloadavg") else ""
    return (
        f"Measured on {date.today().isoformat()}, {platform.system()} on {platform.machine()} with {os.cpu_count()} cores{busy}; "
        f"Python {platform.python_version()}, {libraries}."
    )


def table_with(text, rows, where):
    """README's text with ``rows`` in its table: in place of those that name the same thing, else at the end."""
    head, rest = text.split(BEGIN)
    old, tail = rest.split(END)
    lines = [line for line in old.splitlines() if line.startswith("| ")][2:]
    kept = {line.split(" | ")[0].removeprefix("| "): line for line in lines}
    kept |= {what: f"| {what} | {took} | {against} |" for what, took, against in rows}
    return "\n".join([head + BEGIN, where, "", HEAD, *kept.values(), END]) + tail

"""One measurement of how time and memory grow, in a process of its own so that its peak memory is its own; and the plot of all of them.

As a script: ``python growth.py packs|days|runs SIZE`` prints ``{"size", "seconds", "peak_mb", "checked"}`` as JSON.
"""

import json
import resource
import subprocess
import sys
import time
from pathlib import Path

from speed_table import BEGIN, README, own_peak_mb

SCENARIOS = Path(__file__).parent.parent.parent / "scenarios"
PICTURE = Path(__file__).parent / "growth.svg"
TOLERANCE, PACKS_TOLERANCE = 1e-5, 1e-6
SIZES = {
    "packs": (4, 8, 16, 32, 64, 128, 256),
    "days": (1, 7, 30, 365, 3650),
    "runs": (10, 100, 1000, 10_000),
}
TOLD = {
    "packs": "packs on a bus bar, a week of cycles",
    "days": "days at one minute, five packs",
    "runs": "runs of a week on five packs, two processes",
}


def many_packs(count):
    """A week of the classroom's cycles with packs on a bus bar; energy closes."""
    import simbank

    case = simbank.example(
        "classroom_chain", {"packs.P.count": count, "wiring.layout": "busbar", "duty.repeat": 7, "wiring.lead.gauge": "2 AWG"}
    )
    short = simbank.with_changes(case, {"duty.repeat": 1})
    simbank.simulate(short, integrator="fast", tolerance=PACKS_TOLERANCE)  # loads and compiles
    begin = time.perf_counter()
    result = simbank.simulate(case, integrator="fast", tolerance=PACKS_TOLERANCE, output_step_s=3600.0)
    return time.perf_counter() - begin, result.summary["closure"]["energy_relative"] < 1e-5


def many_days(count):
    """Real days of sun and load; energy closes."""
    import simbank

    path = SCENARIOS / "hilltop_clinic_days.toml"
    simbank.simulate(simbank.load(path, {"duty.days": 2}), integrator="fast", tolerance=TOLERANCE)
    case = simbank.load(path, {"duty.days": count})
    begin = time.perf_counter()
    result = simbank.simulate(case, integrator="fast", tolerance=TOLERANCE, output_step_s=max(60.0, 3600.0 * count / 365))
    return time.perf_counter() - begin, result.summary["closure"]["energy_relative"] < 1e-5


def many_runs(count):
    """Random draws of a week; none fails, and the first is what it is by itself."""
    import simbank

    case = simbank.load(SCENARIOS / "hilltop_clinic.toml", {"duty.repeat": 7})
    vary = {"packs.*.soc": "uniform 0.7 0.9", "packs.*.resistance_growth": "lognormal 1.2 1.2"}
    simbank.sweep(case, vary=vary, runs=4, tolerance=TOLERANCE)
    begin = time.perf_counter()
    table = simbank.sweep(case, vary=vary, runs=count, seed=1, jobs=2, tolerance=TOLERANCE)
    took = time.perf_counter() - begin
    first = {key: table[key].iloc[0] for key in table.attrs["drawn_keys"]}
    alone = simbank.sweep(case, points=[first], tolerance=TOLERANCE)
    alike = alone["spread_max_points"].iloc[0] == table["spread_max_points"].iloc[0]
    return took, bool(table["failure"].isna().all() and alike)


KINDS = {"packs": many_packs, "days": many_days, "runs": many_runs}


def measure(kind, size):
    """What a process of its own finds."""
    words = [sys.executable, "-W", "ignore", __file__, kind, str(size)]
    return json.loads(subprocess.run(words, capture_output=True, text=True, check=True).stdout)


def draw(found, path):
    """Time above, peak memory below, one column for each kind; ``found`` maps a kind to its measurements."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context({"svg.hashsalt": "simbank", "font.size": 8}):
        figure = Figure(figsize=(9.0, 4.6), layout="constrained")
        axes = figure.subplots(2, len(found), sharex="col", squeeze=False)
        for (above, below), (kind, rows) in zip(axes.T, found.items(), strict=True):
            sizes = [row["size"] for row in rows]
            for panel, key, what in ((above, "seconds", "time [s]"), (below, "peak_mb", "peak memory [MB]")):
                panel.plot(sizes, [row[key] for row in rows], "o-", color="black", markersize=3, linewidth=1)
                panel.set_ylabel(what)
                panel.grid(alpha=0.3)
            above.loglog()
            below.set_xscale("log")
            below.set_ylim(bottom=0)
            straight = [rows[-1]["seconds"] * size / sizes[-1] for size in sizes]
            above.plot(sizes, straight, ":", color="grey", linewidth=1, label="in proportion")
            above.legend(frameon=False)
            below.set_xlabel(TOLD[kind])
        figure.savefig(path, metadata={"Date": None})


def link_picture():
    """Have README beside this file show the plot, before its table."""
    text = README.read_text(encoding="utf-8")
    if f"({PICTURE.name})" not in text:
        shown = f"![Time and peak memory with packs, days and runs]({PICTURE.name})\n\n"
        README.write_text(text.replace(BEGIN, shown + BEGIN, 1), encoding="utf-8")


def main(kind, size):
    took, checked = KINDS[kind](int(size))
    largest_child_mb = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1e3
    peak_mb = max(own_peak_mb(), largest_child_mb)
    print(json.dumps({"size": int(size), "seconds": took, "peak_mb": peak_mb, "checked": checked}))


if __name__ == "__main__":
    main(*sys.argv[1:])

"""What is on disk after ctrl-C, a full disk, or a killed process: whole files with what was computed."""

import contextlib
import json
import signal
import subprocess
import sys
import time

import pandas as pd
import pytest
from banks import without_progress
from conftest import ROOT

import simbank
from simbank.simulation.bank_state import BankState

DAYS = str(ROOT / "scenarios" / "hilltop_clinic_days.toml")
PROGRAM = "import simbank.simulation.run as r; r.CHECKPOINT_S = 0.2; from simbank.cli import main; main()"


def start(out, *more, preexec=None):
    arguments = ["run", DAYS, "--set", "duty.days=60", "--tolerance", "1e-7", "--out", str(out), *more]
    return subprocess.Popen(
        [sys.executable, "-c", PROGRAM, *arguments], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, preexec_fn=preexec
    )


def wait_for(path, seconds=120):
    end = time.monotonic() + seconds
    while not path.exists():
        assert time.monotonic() < end, f"{path} did not appear"
        time.sleep(0.05)


def readable(out):
    """Everything in the folder reads; returns the summary."""
    record = json.loads((out / "summary.json").read_text())
    assert not record["complete"]
    frame = pd.read_parquet(out / "packs.parquet")
    assert len(frame) > 10
    assert frame["soc"].between(-1e-6, 1 + 1e-6).all()
    assert pd.read_csv(out / "packs.csv")["soc"].notna().all()
    return record


def test_ctrl_c_leaves_what_was_computed(tmp_path):
    process = start(tmp_path / "out")
    wait_for(tmp_path / "out" / "summary.json")
    time.sleep(1.0)
    process.send_signal(signal.SIGINT)
    _, stderr = process.communicate(timeout=120)
    assert process.returncode == 130  # as a shell has it for a command that Ctrl-C ended
    assert "Traceback" not in stderr
    assert len(without_progress(stderr).strip().splitlines()) == 1
    assert readable(tmp_path / "out")["bank"]["duration_h"] > 0


@pytest.mark.parametrize("integrator", ["reference", "fast"])
def test_an_interrupt_that_is_lost_still_stops_the_run(root, monkeypatch, integrator):
    """Ctrl-C while a callback of the compiler runs is swallowed there; here in a function of the run."""
    real = BankState.cap_chargers

    def swallow(self):
        with contextlib.suppress(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
        real(self)

    monkeypatch.setattr(BankState, "cap_chargers", swallow)
    before = signal.getsignal(signal.SIGINT)
    with pytest.raises(simbank.SimulationError, match="stopped at 0 s") as caught:
        simbank.simulate(simbank.load(root / "scenarios" / "valley_workshop.toml"), integrator=integrator)
    assert not caught.value.partial.complete
    assert signal.getsignal(signal.SIGINT) is before


def test_a_killed_process_leaves_what_was_computed(tmp_path):
    process = start(tmp_path / "out")
    wait_for(tmp_path / "out" / "summary.json")
    time.sleep(1.0)
    process.kill()
    process.communicate(timeout=60)
    readable(tmp_path / "out")


def test_a_full_disk_is_one_line_and_leaves_whole_files(tmp_path):
    """Files may grow to 300 kB and no further, as on a disk that fills up."""
    import resource

    def limit():
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, 300_000))

    process = start(tmp_path / "out", preexec=limit)
    _, stderr = process.communicate(timeout=300)
    assert process.returncode == 1
    assert "Traceback" not in stderr
    assert len(without_progress(stderr).strip().splitlines()) == 1
    assert "File too large" in stderr or "No space" in stderr
    left = list((tmp_path / "out").iterdir())
    assert not [path for path in left if path.name.endswith(".part")]
    for path in left:
        if path.suffix == ".parquet":
            pd.read_parquet(path)


def test_a_sweep_that_is_killed_keeps_its_rows(tmp_path):
    program = "from simbank.cli import main; main()"
    arguments = ["sweep", DAYS, "--set", "duty.step=10 min", "--over", "packs.A.soc=0.4,0.5,0.6,0.7,0.8", "--out", str(tmp_path)]
    process = subprocess.Popen([sys.executable, "-c", program, *arguments], stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    wait_for(tmp_path / "sweep.csv")
    time.sleep(0.3)
    process.kill()
    process.communicate(timeout=60)
    rows = pd.read_csv(tmp_path / "sweep.csv")
    assert 1 <= len(rows) <= 5
    assert rows["spread_max_points"].notna().all()


@pytest.mark.parametrize("shot", ["--json"])
def test_json_of_a_broken_off_run_is_still_json(tmp_path, shot):
    process = start(tmp_path / "out", shot)
    wait_for(tmp_path / "out" / "summary.json")
    time.sleep(0.5)
    process.send_signal(signal.SIGINT)
    stdout, _ = process.communicate(timeout=120)
    assert process.returncode == 130  # as a shell has it for a command that Ctrl-C ended
    assert json.loads(stdout)["bank"]["duration_h"] > 0


WORKERS = """
import importlib, signal
from joblib import Parallel, delayed
from simbank.interrupts import deaf_children
parallel = importlib.import_module("simbank.studies.parallel")
def blocked(_):
    return signal.SIGINT in signal.pthread_sigmask(signal.SIG_BLOCK, [])
parallel._start_trackers()
with deaf_children():
    print(Parallel(n_jobs=2)(delayed(blocked)(k) for k in range(4)))
"""


@pytest.mark.skipif(not hasattr(signal, "pthread_sigmask"), reason="a system without masks of signals")
def test_workers_of_a_sweep_are_deaf_to_ctrl_c_from_their_first_instant():
    """Python's own tracker of resources made the workers that came after it hear Ctrl-C while they still imported."""
    done = subprocess.run([sys.executable, "-c", WORKERS], capture_output=True, text=True, check=True, timeout=120)
    assert done.stdout.strip() == str([True] * 4)


def test_a_stopped_sweep_names_no_file_of_rows_that_is_not_there(tmp_path):
    import importlib

    sweeps = importlib.import_module("simbank.studies.sweep")
    kept = sweeps._Kept(tmp_path, simbank.example("classroom_chain"), {}, {})
    assert kept.kept() == ""
    kept.add({}, {"failure": None}, {})
    assert "rows.jsonl" in kept.kept()

"""The command line as a user runs it: exit statuses, one-line errors, nothing but JSON with --json."""

import contextlib
import io
import json
import re
import signal
import subprocess
import sys
import warnings
from importlib.metadata import version

import pytest
import typer
from conftest import ROOT
from typer.testing import CliRunner

from simbank import cli
from simbank.cli import program
from simbank.errors import InputError

CLINIC = str(ROOT / "scenarios" / "hilltop_clinic.toml")
SHORT = ["--set", "duty.repeat=1"]


def process(*arguments):
    """A command in a process of its own, as a shell starts it."""
    return subprocess.run(
        [sys.executable, "-c", "from simbank.cli import main; main()", *arguments], capture_output=True, text=True
    )


def simbank(*arguments):
    """The same in this process: what it prints, and its exit status."""
    stdout, stderr = io.StringIO(), io.StringIO()
    heard, argv, status = signal.getsignal(signal.SIGINT), sys.argv, 0
    sys.argv = ["simbank", *arguments]
    try:
        with contextlib.redirect_stdout(stdout), contextlib.redirect_stderr(stderr), warnings.catch_warnings():
            cli.main()
    except SystemExit as done:
        status = done.code
    finally:
        sys.argv = argv
        signal.signal(signal.SIGINT, heard)
    return subprocess.CompletedProcess(arguments, status, stdout.getvalue(), stderr.getvalue())


@pytest.mark.parametrize("words", [["cell", "list"], ["run", "absent.toml"], ["device", "show", "class_t"]])
def test_a_process_prints_and_ends_as_the_command_does_here(words):
    apart, here = process(*words), simbank(*words)
    assert (apart.returncode, apart.stdout, apart.stderr) == (here.returncode, here.stdout, here.stderr)


LOADED = """
import sys
from simbank.__main__ import main
try:
    main()
finally:
    later = [name for name, module in sys.modules.items() if type(module).__name__ == "_LazyModule"]
    print(*sorted(sys.modules.keys() - set(later)), file=sys.stderr)
"""


# What older releases load in any case: seen with typer 0.15.4, numpy 1.26 and scipy 1.15, not with typer 0.29, numpy 2.4 and scipy 1.17.
LOADS_MORE = (("typer", (0, 29), "rich.console"), ("numpy", (2, 0), "numpy.ma"), ("scipy", (1, 17), "scipy.sparse"))


@pytest.mark.parametrize("integrator", ["reference", "fast"])
def test_a_plain_run_loads_only_what_it_needs(integrator, root):
    """Tables, plots, other commands and the compiler are not waited for, nor what numpy and scipy load with themselves."""
    command = [sys.executable, "-c", LOADED, "run", str(root / "scenarios" / "classroom_chain.toml"), "--integrator", integrator]
    for _ in range(2):  # the first may compile
        done = subprocess.run(command, capture_output=True, text=True)
        assert done.returncode == 0, done.stderr
    loaded = set(done.stderr.splitlines()[-1].split())
    assert {"numpy", "scipy.linalg", "simbank.cli.run"} <= loaded
    never = {
        "pandas", "pyarrow", "matplotlib", "numba", "pvlib", "pint", "joblib", "jinja2", "rich.console", "simbank.cli.studies", "simbank.cli.cell",
        "simbank.cli.protect", "simbank.studies.protection", "simbank.days", "numpy.f2py", "numpy.testing", "numpy.ma", "scipy.spatial",
        "scipy.stats", "scipy.interpolate",
    }  # fmt: skip
    if integrator == "fast":
        never |= {"scipy.integrate", "scipy.optimize", "scipy.special", "scipy.sparse"}
    for library, least, module in LOADS_MORE:
        if tuple(map(int, version(library).split(".")[:2])) < least:
            never.discard(module)
    assert loaded & never == set()


@pytest.mark.parametrize("words", [[], ["--help"], ["run", "--help"], ["cell", "--help"], ["cell", "show", "--help"]])
def test_a_command_alone_tells_of_itself_as_among_all(words, monkeypatch):
    """Put together with the others or without them, its help is the same."""
    alone = simbank(*words)
    monkeypatch.setattr(program, "_asked_for", program._program)
    among = simbank(*words)
    assert (among.stdout, among.stderr, among.returncode) == (alone.stdout, alone.stderr, alone.returncode)
    assert "Usage: " in alone.stdout + alone.stderr


def test_run_json_is_one_object_with_the_promised_keys():
    done = process("run", CLINIC, "--json", *SHORT)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    record = json.loads(done.stdout)
    assert set(record) >= {"scenario", "bank", "packs", "events", "closure"}
    assert set(record["bank"]) >= {
        "capacity_ah", "duration_h", "energy_out_wh", "energy_in_wh", "conductor_loss_wh", "pack_loss_wh", "spread_end_points",
        "spread_max_points", "port_voltage_min_v", "port_voltage_max_v",
    }  # fmt: skip
    assert set(record["packs"][0]) >= {
        "name", "capacity_ah", "soc_start", "soc_end", "current_peak_a", "share_ratio_discharge", "share_ratio_charge",
        "throughput_ah", "loss_wh", "first_full_h", "first_empty_h",
    }  # fmt: skip
    assert set(record["events"][0]) == {"time_s", "where", "what", "because", "code"}
    assert set(record["closure"]) == {"charge_relative", "energy_relative"}


def test_run_writes_tables_and_plots(tmp_path):
    import pandas as pd

    done = simbank("run", CLINIC, *SHORT, "--out", str(tmp_path / "out"))
    assert done.returncode == 0, done.stderr
    assert "DC faults on a battery bank can burn and kill" in " ".join(done.stdout.split())
    assert "safe" not in done.stdout.lower().split()
    names = {p.name for p in (tmp_path / "out").iterdir()}
    assert {"packs.parquet", "packs.csv", "ports.csv", "branches.csv", "events.csv", "summary.json"} <= names
    assert {"soc.png", "spread.png", "current.png", "throughput.png"} <= names
    frame, text = pd.read_parquet(tmp_path / "out" / "packs.parquet"), pd.read_csv(tmp_path / "out" / "packs.csv")
    assert list(frame.columns) == ["time_s", "pack", "soc", "current_a", "terminal_v", "hysteresis", "temperature_c"]
    assert text["soc"].to_numpy() == pytest.approx(frame["soc"].to_numpy())
    record = json.loads((tmp_path / "out" / "summary.json").read_text())
    assert record["complete"]
    assert record["made_by"]["simbank"]


def test_compare_json():
    done = simbank("compare", CLINIC, "--json", *SHORT, "--layout", "chain", "--layout", "busbar")
    assert done.returncode == 0, done.stderr
    rows = json.loads(done.stdout)["rows"]
    assert [row["layout"] for row in rows] == ["chain", "busbar"]
    assert set(rows[0]) >= {"bank", "packs", "events", "closure"}


def test_compare_shows_every_layout_by_default(tmp_path):
    done = simbank("compare", CLINIC, *SHORT, "--out", str(tmp_path))
    assert done.returncode == 0, done.stderr
    for layout in ("chain", "chain-opposite", "chain-middle", "busbar"):
        assert layout in done.stdout
        assert (tmp_path / layout / "packs.csv").exists()
    assert (tmp_path / "layouts.png").exists()


def test_sweep_over_rate_layout_and_gauge(tmp_path):
    done = simbank(
        "sweep", CLINIC, *SHORT, "--over", "duty.c_rate=0.1,0.3", "--over", "wiring.layout=chain,busbar",
        "--over", "wiring.link.gauge=6 AWG,2/0 AWG", "--json", "--out", str(tmp_path),
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    rows = json.loads(done.stdout)["rows"]
    assert len(rows) == 8
    assert all(row["failure"] is None for row in rows)
    spread = {(r["duty.c_rate"], r["wiring.layout"], r["wiring.link.gauge"]): r["spread_max_points"] for r in rows}
    assert spread[0.3, "chain", "6 AWG"] > spread[0.3, "chain", "2/0 AWG"]
    assert spread[0.3, "busbar", "6 AWG"] == pytest.approx(spread[0.3, "busbar", "2/0 AWG"], rel=1e-6)  # a bar has no links
    assert (tmp_path / "sweep.csv").exists()


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["run", "absent.toml"], "absent.toml: no such file"),
        (["run", CLINIC, "--set", "packs.A.soc=2"], "packs.A.soc: 2: must be at least 0 and at most 1"),
        (["run", CLINIC, "--set", "packs.A"], "write KEY=VALUE"),
        (["run", CLINIC, "--method", "Euler"], "unknown method"),
        (["compare", CLINIC, "--layout", "no-such-layout"], "unknown layout"),
        (["sweep", CLINIC, "--over", "wiring.layout=star"], "wiring.layout: 'star'"),
        (["sweep", CLINIC, "--over", "duty.c_rat=1"], 'did you mean "c_rate"'),
        (["run", CLINIC, "--out", "/proc/nowhere"], "--out"),
    ],
)
def test_bad_input_is_one_line_and_exit_2(arguments, says):
    done = simbank(*arguments)
    assert done.returncode == 2
    assert done.stdout == ""
    assert says in done.stderr
    assert done.stderr.startswith("error: ")
    assert len(done.stderr.strip().splitlines()) == 1


def test_schema_prints_json_schema():
    assert json.loads(simbank("schema").stdout)["title"] == "ScenarioFile"


def command_words(command, words=()):
    """Every command and group of commands below ``command``, as the words one types."""
    for name, below in getattr(command, "commands", {}).items():
        yield (*words, name)
        yield from command_words(below, (*words, name))


def test_help_names_every_command():
    commands = list(command_words(typer.main.get_command(cli.app)))
    assert len(commands) >= 17
    for *group, name in commands:
        done = simbank(*group, "--help")
        assert done.returncode == 0
        assert re.search(rf"^\W*{name}\b", done.stdout, re.M)
        assert simbank(*group, name, "--help").returncode == 0


def test_cell_cards(tmp_path):
    assert "lead_flooded" in simbank("cell", "list").stdout
    shown = simbank("cell", "show", "lfp", "--out", str(tmp_path))
    assert shown.returncode == 0, shown.stderr
    assert "assumed" in shown.stdout
    assert "Licence" in shown.stdout
    assert (tmp_path / "lfp.png").exists()
    card = json.loads(simbank("cell", "show", "nmc", "--json").stdout)
    assert card["rows"][6]["soc"] == 0.5
    wrong = simbank("cell", "show", "lpf")
    assert wrong.returncode == 2
    assert 'did you mean "lfp"' in wrong.stderr


def test_cell_fit_and_ohm(tmp_path):
    import numpy as np
    from banks import TRUE, made_up

    path = tmp_path / "pulse.csv"
    np.savetxt(path, np.column_stack(made_up(1e-4, 1)), delimiter=",", header="time_s,current_a,voltage_v", comments="")
    done = simbank("cell", "fit", str(path), "--json", "--out", str(tmp_path))
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["values"]["r0_ohm"] == pytest.approx(TRUE["r0_ohm"], rel=0.02)
    assert (tmp_path / "pulse_fit.png").exists()
    told = simbank("cell", "ohm", "--volt", "53.2,52.7", "--amp", "10,60", "--volt-error", "0.01", "--amp-error", "0.5").stdout
    assert "10.00 mΩ ± 0.63 mΩ" in told  # twice √2 √(0.01² + (0.01 · 0.5)²) / 50
    told = simbank("cell", "ohm", "--volt", "53.2,52.7", "--amp", "10,60").stdout
    assert "10.00 mΩ ± 0.81 mΩ" in told  # 2/√3 times 3 % and 20 mV over 50 A
    assert 'resistance_at_posts = "10.00 ± 0.81 milliohm"' in told
    nothing = simbank("cell", "ohm", "--volt", "53.2,53.19", "--amp", "10,60").stdout
    assert "may be off by as much as itself" in nothing
    assert "resistance_at_posts" not in nothing
    assert simbank("cell", "ohm", "--volt", "53.2", "--amp", "10,60").returncode == 2
    drop = simbank("cell", "ohm", "--volt", "-0.1,-0.6", "--amp", "10,60", "--json")
    assert json.loads(drop.stdout)["resistance_ohm"] == pytest.approx(0.01)
    assert json.loads(drop.stdout)["expanded_uncertainty_ohm"] == pytest.approx(2.0 * 0.7e-3 / 3.0**0.5)
    assert json.loads(drop.stdout)["line"] == 'resistance_at_posts = "10.00 ± 0.81 milliohm"'
    for volt, problem in (("53.2,53.9", "voltage must fall as current rises"), ("1e308,-1e308", "readings must be below")):
        refused = simbank("cell", "ohm", "--volt", volt, "--amp", "10,60")
        assert refused.returncode == 2
        assert problem in " ".join(refused.stderr.split())


def test_drift(tmp_path):
    done = simbank("drift", str(ROOT / "scenarios" / "classroom_chain.toml"), "--json", "--out", str(tmp_path))
    assert done.returncode == 0, done.stderr
    assert [row["chemistry"] for row in json.loads(done.stdout)["rows"]] == ["lfp", "lfp_power", "nmc", "lead_flooded"]
    assert (tmp_path / "drift.png").exists()


def test_cold_charge_is_said():
    done = simbank("run", CLINIC, *SHORT, "--set", "ambient=-5 degC")
    assert "charged faster than its cells allow at their temperature" in " ".join(done.stdout.split())


def test_new_makes_no_folder(tmp_path):
    """A folder that is not there is told in one line, and not made."""
    done = process("new", str(tmp_path / "nosuch" / "n.toml"))
    assert done.returncode == 2
    assert "there is no folder" in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert not (tmp_path / "nosuch").exists()


@pytest.mark.parametrize(
    ("words", "option"),
    [
        (["run", "--report"], "--report"),
        (["age", "--report"], "--report"),
        (["page", "--over", "duty.c_rate=0.1,0.2", "--out"], "--out"),
    ],
)
def test_a_page_never_replaces_a_file_that_is_none(words, option, root, tmp_path):
    """The scenario itself, named by mistake, was overwritten."""
    own = tmp_path / "own.toml"
    own.write_text((root / "scenarios" / "classroom_chain.toml").read_text())
    told = CliRunner().invoke(cli.app, [words[0], str(own), *words[1:], str(own)])
    assert isinstance(told.exception, InputError)
    assert str(told.exception).startswith(f"{option}: '{own}': is a file already")
    assert own.read_text() == (root / "scenarios" / "classroom_chain.toml").read_text()

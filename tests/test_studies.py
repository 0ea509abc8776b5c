"""Sweeps (grid, list, random; resumed, parallel, on a cluster), sensitivity, sizing."""

import json
import os
import signal
import socket
import subprocess
import sys
import time

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from typer.testing import CliRunner

import simbank
from simbank import cli
from simbank.distributions import Draw, parse_draw
from simbank.studies.draws import draw_points, expand_keys

SHORT = {"duty.steps": [{"discharge": "0.3 C", "hours": 1}]}


@pytest.fixture
def chain(root):
    return simbank.load(root / "scenarios" / "classroom_chain.toml", SHORT | {"packs.P.soc": 0.8})


# ---- draws ----


@pytest.mark.parametrize(
    ("text", "share", "value"),
    [
        ("uniform 2 4", 0.25, 2.5),
        ("normal 100 3 Ah", 0.5, "100 Ah"),
        ("choice a b c", 0.7, "c"),
        ("lognormal 0.1 2 milliohm", 0.5, "0.1 milliohm"),
    ],
)
def test_draws(text, share, value):
    assert parse_draw(text).value(share) == value


def test_draws_follow_their_distribution():
    """Against scipy: 5000 draws of each pass a Kolmogorov-Smirnov test."""
    draws = {"u": parse_draw("uniform 2 4"), "n": parse_draw("normal 10 2"), "l": parse_draw("lognormal 0.1 1.5")}
    for sampler in ("lhs", "sobol"):
        points = pd.DataFrame(draw_points(draws, 5000, sampler, seed=3))
        assert stats.kstest(points["u"], stats.uniform(2, 2).cdf).pvalue > 0.05
        assert stats.kstest(points["n"], stats.norm(10, 2).cdf).pvalue > 0.05
        assert stats.kstest(np.log(points["l"]), stats.norm(np.log(0.1), np.log(1.5)).cdf).pvalue > 0.05


@pytest.mark.parametrize("text", ["uniform 4 2", "uniform a b", "normal 1 -2", "lognormal 1 0.5", "triangle 1 2", "choice"])
def test_bad_draw_says_what_would_be_right(text):
    with pytest.raises(simbank.InputError, match=r"uniform 0\.02 0\.2 milliohm"):
        parse_draw(text, "packs.A.soc")


def test_star_stands_for_every_name(chain):
    keys = expand_keys(
        chain, {"wiring.added.*": "uniform 0 1 milliohm", "pack_types.*.cell_resistance": "uniform 0.5 0.7 milliohm"}
    )
    assert len(keys) == 9
    assert "wiring.added.link P1-P2 +" in keys
    assert isinstance(keys["pack_types.equal.cell_resistance"], Draw)
    with pytest.raises(simbank.InputError, match="stands for every name"):
        expand_keys(chain, {"duty.*": "uniform 0 1"})


def test_added_resistance_is_in_the_branch(chain):
    bad = simbank.scenario.with_changes(chain, {"wiring.added": {"link P2-P3 -": "0.5 milliohm"}})
    ohm = {b.name: b.resistance_ohm for b in bad.bank.graph.branches}
    assert ohm["link P2-P3 -"] - ohm["link P2-P3 +"] == pytest.approx(0.5e-3)
    with pytest.raises(simbank.InputError, match="no such branch"):
        simbank.scenario.with_changes(chain, {"wiring.added": {"link P2-P4 -": "0.5 milliohm"}})


# ---- sweeps ----


def test_grid_list_and_draws_make_one_tidy_table(chain):
    grid = simbank.sweep(chain, {"duty.c_rate": [0.1, 0.3], "wiring.layout": ["chain", "busbar"]})
    assert list(grid["duty.c_rate"]) == [0.1, 0.1, 0.3, 0.3]
    listed = simbank.sweep(chain, points=[{"duty.c_rate": 0.3, "wiring.layout": "busbar"}])
    assert listed["spread_max_points"].iloc[0] == grid["spread_max_points"].iloc[3]
    drawn = simbank.sweep(chain, vary={"packs.*.soc": "uniform 0.7 0.9"}, runs=6, seed=4)
    again = simbank.sweep(chain, vary={"packs.*.soc": "uniform 0.7 0.9"}, runs=6, seed=4, jobs=2)
    pd.testing.assert_frame_equal(drawn, again)
    assert all(drawn[f"packs.P{k}.soc"].between(0.7, 0.9).all() for k in range(1, 6))  # each pack of the count for itself
    both = simbank.sweep(chain, {"wiring.layout": ["chain", "busbar"]}, vary={"packs.P.soc": "uniform 0.7 0.9"}, runs=3)
    assert len(both) == 6


def test_fast_and_reference_sweeps_agree_and_say_what_they_are(chain):
    quick = simbank.sweep(chain, {"duty.c_rate": [0.1, 0.3]})
    tight = simbank.sweep(chain, {"duty.c_rate": [0.1, 0.3]}, integrator="reference")
    assert set(quick["integrator"]) == {"fast"}
    assert set(tight["integrator"]) == {"reference"}
    assert quick["spread_max_points"].to_numpy() == pytest.approx(tight["spread_max_points"].to_numpy(), abs=0.01)


def test_a_draw_that_does_not_fit_is_a_row(chain):
    table = simbank.sweep(chain, vary={"packs.P.soc": "normal 0.99 0.05"}, runs=20, seed=1)
    assert len(table) == 20
    assert table["failure"].notna().any()
    assert table["failure"].isna().any()
    assert "packs" in table["failure"].dropna().iloc[0]


def test_killed_and_started_again_computes_only_what_is_missing(chain, tmp_path):
    grid = {"duty.c_rate": [0.05 * k for k in range(1, 13)]}
    whole = simbank.sweep(chain, grid)

    class Stop(Exception):
        pass

    seen = []

    def stop(row):
        seen.append(row)
        if len(seen) == 8:
            raise Stop

    with pytest.raises(Stop):
        simbank.sweep(chain, grid, keep=tmp_path, on_row=stop)
    with (tmp_path / "rows.jsonl").open("a") as file:
        file.write('{"of": "half a li')  # as a killed process may leave it
    computed = []
    table = simbank.sweep(chain, grid, keep=tmp_path, on_row=computed.append)
    assert len(computed) == 4
    assert table["spread_max_points"].to_numpy() == pytest.approx(whole["spread_max_points"].to_numpy(), rel=1e-12)
    other = []
    simbank.sweep(simbank.scenario.with_changes(chain, {"packs.P.soc": 0.7}), grid, keep=tmp_path, on_row=other.append)
    assert len(other) == 12  # another scenario: nothing of it is known


def test_command_line_sweep_killed_and_resumed(root, tmp_path):
    words = [
        sys.executable, "-c", "from simbank.cli import main; main()", "sweep", str(root / "scenarios" / "hilltop_clinic.toml"),
        "--vary", "packs.*.soc=uniform 0.7 0.9", "--runs", "400", "--jobs", "1", "--out", str(tmp_path), "--json",
    ]  # fmt: skip
    run = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    rows = tmp_path / "rows.jsonl"
    begin = time.monotonic()
    while not (rows.exists() and len(rows.read_text().splitlines()) >= 16) and time.monotonic() - begin < 120:
        time.sleep(0.1)
    run.send_signal(signal.SIGKILL)
    run.wait()
    kept = len(rows.read_text().splitlines())
    assert 16 <= kept < 400
    words[words.index("400")] = "32"  # another number of runs is another set of draws: nothing may be mixed up
    out = subprocess.run(words, capture_output=True, text=True, check=True, timeout=300).stdout
    assert len(json.loads(out)["rows"]) == 32


def test_cluster_over_tcp_with_a_worker_killed(chain):
    """A real scheduler and two real workers over TCP; one worker is killed while runs are under way, and no row is lost."""
    pytest.importorskip("distributed")
    here = {**os.environ, "DASK_DISTRIBUTED__COMM__TIMEOUTS__CONNECT": "20s"}
    with socket.socket() as probe:  # a free port, so that tests that run at the same time do not share a scheduler
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    scheduler = subprocess.Popen(
        [sys.executable, "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard"],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=here,
    )  # fmt: skip
    address = f"tcp://127.0.0.1:{port}"
    command = [sys.executable, "-m", "distributed.cli.dask_worker", address, "--nthreads", "1", "--no-dashboard", "--no-nanny"]
    workers = [subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=here) for _ in range(2)]
    try:
        from distributed import Client

        with Client(address, timeout="60s") as client:
            client.wait_for_workers(2, timeout=60)
        grid = {"duty.c_rate": [round(0.02 * k, 3) for k in range(1, 41)]}
        killed = []

        def kill_one(row):
            if not killed:
                time.sleep(3)  # meanwhile both have finished rows that nobody has fetched
                killed.append(workers[0].pid)
                workers[0].kill()

        table = simbank.sweep(chain, grid, cluster=address, on_row=kill_one)
        assert killed
        assert len(table) == 40
        assert table["failure"].isna().all()
        own = simbank.sweep(chain, {"duty.c_rate": grid["duty.c_rate"][:3]})
        assert table["spread_max_points"].head(3).to_numpy() == pytest.approx(own["spread_max_points"].to_numpy(), rel=1e-12)
    finally:
        for process in (*workers, scheduler):
            process.kill()
            process.wait()


def test_no_cluster_there_is_one_line(chain):
    pytest.importorskip("distributed")
    with pytest.raises(simbank.InputError, match="tcp://HOST:PORT"):
        simbank.sweep(chain, {"duty.c_rate": [0.1]}, cluster="nonsense")


# ---- sensitivity ----


def test_sobol_indices_of_a_bank_by_hand(chain):
    """Total pack resistance decides the loss in packs; an independent, far smaller key decides next to nothing."""
    found = simbank.sensitivity(
        chain,
        {"pack_types.equal.internal_wiring": "uniform 4 12 milliohm", "wiring.lead.joint": "uniform 0.01 0.02 milliohm"},
        "pack_loss_wh", runs=16, tolerance=1e-6,
    )  # fmt: skip
    table = found.table.set_index("key")
    assert found.table["key"].iloc[0] == "pack_types.equal.internal_wiring"
    assert table.loc["pack_types.equal.internal_wiring", "total"] == pytest.approx(1.0, abs=0.15)
    assert abs(table.loc["wiring.lead.joint", "total"]) < 0.01
    assert len(found.runs) == 16 * 4
    assert found.plot().axes


def test_the_link_next_to_the_take_off_matters_most(chain):
    """On a one-ended chain the first link carries all the others: its joint moves the spread more than the last one's."""
    keys = {f"wiring.added.link P{k}-P{k + 1} +": "uniform 0 1 milliohm" for k in (1, 4)}
    found = simbank.sensitivity(chain, keys, "share_ratio_max", runs=16, tolerance=1e-6)
    assert found.table["key"].iloc[0] == "wiring.added.link P1-P2 +"


def test_sensitivity_of_what_is_not_there(chain):
    with pytest.raises(simbank.InputError, match="no such figure"):
        simbank.sensitivity(
            chain, {"packs.P.soc": "uniform 0.6 0.7", "wiring.link.joint": "uniform 0 1 milliohm"}, "beauty", runs=4
        )
    with pytest.raises(simbank.InputError, match="two keys"):
        simbank.sensitivity(chain, {"packs.P.soc": "uniform 0.6 0.7"}, runs=4)
    with pytest.raises(simbank.InputError, match="power of two"):
        simbank.sensitivity(chain, {"packs.*.soc": "uniform 0.6 0.7", "wiring.link.joint": "uniform 0 1 milliohm"}, runs=12)


# ---- sizing ----


def test_sizing_is_minimal(clinic):
    """The gauge chosen keeps every limit; one size smaller breaks one, checked here by running both with the reference."""
    limits = simbank.Limits(spread_points=12.0, drop_percent=3.0)
    gauges = ["8 AWG", "6 AWG", "4 AWG", "2 AWG", "1/0 AWG"]
    found = simbank.size(clinic, limits, gauges=gauges, layouts=["chain", "chain-opposite"], price_per_kg=10.0, sharing_only=True)
    best = found.best
    assert best["layout"] == "chain"
    smaller = gauges[gauges.index(best["gauge"]) - 1]

    def spread(gauge):
        case = simbank.scenario.with_changes(clinic, {"wiring.layout": "chain", "wiring.link.gauge": gauge})
        return simbank.simulate(case, tolerance=1e-8).summary["bank"]["spread_max_points"]

    assert spread(best["gauge"]) <= 12.0 < spread(smaller)
    why = found.table.set_index(["layout", "gauge"]).loc[("chain", smaller), "why_not"]
    assert "spread" in why
    assert found.table["price"].to_numpy() == pytest.approx(10.0 * found.table["copper_kg"].to_numpy())
    assert found.plot().axes


def test_copper_by_hand(clinic):
    """Eight links of 40 cm of 2 AWG: 8 × 0.4 m × 33.63 mm² × 8890 kg/m³."""
    found = simbank.size(clinic, simbank.Limits(share_ratio=2.0), gauges=["2 AWG"], layouts=["chain"])
    assert found.table["copper_kg"].iloc[0] == pytest.approx(8 * 0.4 * 33.631e-6 * 8890, rel=1e-4)


def test_pareto_rows_are_not_beaten(clinic):
    found = simbank.size(clinic, simbank.Limits(share_ratio=1.3), gauges=["8 AWG", "2 AWG"], sharing_only=True)
    best = found.table[found.table["pareto"]]
    for _, row in best.iterrows():
        beaten = (found.table["copper_kg"] < row["copper_kg"]) & (found.table["share_ratio"] < row["share_ratio"])
        assert not beaten.any()


def test_sizing_does_not_count_on_a_device_that_cannot_break(root):
    names = "ABCD"
    weak = {f"packs.{name}.device.interrupting_rating": "1 A" for name in names}
    unread = {f"packs.{name}.device.interrupting_rating": None for name in names}
    found = {}
    for case, changes in (("as it is", {}), ("weak", weak), ("unread", unread)):
        scenario = simbank.load(root / "scenarios/valley_workshop.toml", changes)
        sizing = simbank.size(scenario, simbank.Limits(spread_points=40), gauges=["2 AWG"])
        row = sizing.table.iloc[0]
        found[case] = row["device_a"], {w.code: w.where for w in sizing.warnings}
    assert found["as it is"][0] == 125.0
    assert not {"device-cannot-break", "device-ratings-unknown"}.intersection(found["as it is"][1])
    assert pd.isna(found["weak"][0]) or found["weak"][0] > 125.0
    assert all(f"device {name}" in found["weak"][1]["device-cannot-break"] for name in names)
    assert all(f"device {name}" in found["unread"][1]["device-ratings-unknown"] for name in names)


def test_usable_energy_and_impossible_limits(clinic):
    found = simbank.size(clinic, simbank.Limits(usable_percent=101.0), gauges=["2 AWG"], layouts=["chain"])
    assert found.best is None
    assert list(found.frontier["gauge"]) == ["2 AWG"]
    assert "usable energy" in found.table["why_not"].iloc[0]
    with pytest.raises(simbank.InputError, match="at least one limit"):
        simbank.size(clinic, simbank.Limits(), sharing_only=True)


def test_size_without_limits_is_by_ampacity_and_protection_alone(root):
    """What is chosen carries its current and is protected; the next smaller does not; sharing rules none out."""
    gauges = ["8 AWG", "6 AWG", "2 AWG", "2/0 AWG"]
    path = root / "scenarios" / "classroom_chain.toml"
    classroom = simbank.load(path)
    found = simbank.size(classroom, gauges=gauges, layouts=["chain"])
    table = found.table.set_index("gauge")
    sound = table["carries"].eq(True) & table["protected"].ne(False)
    assert list(table["fits"]) == list(sound)
    assert 0 < sound.sum() < len(gauges)
    assert found.best["gauge"] == sound[sound].index[0]
    held = simbank.size(classroom, simbank.Limits(share_ratio=3.0), gauges=gauges, layouts=["chain"]).table
    assert list(held["why"]) == list(found.table["why"])
    assert "No limit was set on share ratio" in found.looked_at
    shown = CliRunner().invoke(cli.app, ["size", str(path), "--layout", "chain", "--gauges", ",".join(gauges)])
    assert shown.exit_code == 0, shown.output
    told = " ".join(shown.stdout.split())
    assert f"Simplest that carries its current: chain in {found.best['gauge']}" in told
    assert "NOT PROTECTED: no device in the file limits the current in link P1-P2 +" in told
    assert "Gauges tried: the 4 asked for." in told
    refused = CliRunner().invoke(cli.app, ["size", str(path), "--sharing-only"])
    assert refused.exit_code != 0


def test_a_size_is_protected_only_if_a_device_limits_every_conductor_of_it(root):
    """A bus bar of five packs: a device at each pack limits both its leads; one at C alone limits those of C, and others feed the rest."""
    path = root / "scenarios" / "classroom_chain.toml"
    device = {
        "class": "class_t",
        "rating": "60 A",
        "interrupting_rating": "20 kA",
        "voltage_rating": "125 V",
        "resistance": "0.3 milliohm",
    }
    names = [f"P{k}" for k in range(1, 6)]

    def row_of(packs):
        lead = {"gauge": "2 AWG", "length": "1 m"}
        scenario = simbank.load(path, {"wiring.lead": lead} | {f"packs.{name}.device": device for name in packs})
        found = simbank.size(scenario, gauges=["2 AWG"], layouts=["busbar"])
        return found, set(found.table["unlimited"].iloc[0].split(", ")) - {""}

    found, bare = row_of(["P3"])
    assert {f"lead {name} +" for name in names if name != "P3"} <= bare
    assert "lead P3 +" not in bare
    assert found.in_words()[0]["fits"].tolist() == ["yes, unprotected"]
    assert "NOT PROTECTED" in found.answer
    assert "no-device-limits" in {warning.code for warning in found.warnings}
    assert "in busbar the bars themselves count without resistance and copper" in found.tried
    found, bare = row_of(names)
    assert not bare
    assert found.in_words()[0]["fits"].tolist() == ["yes"]
    assert "NOT PROTECTED" not in found.answer
    assert "no-device-limits" not in {warning.code for warning in found.warnings}


def test_gauges_tried_include_the_one_of_the_file(root):
    """3 AWG is not in the series; a file that has it has it tried, between its neighbours by ASTM B258: 4 AWG and 2 AWG."""
    scenario = simbank.load(
        root / "scenarios" / "classroom_chain.toml",
        {"wiring.link.gauge": "3 AWG", "duty": {"kind": "constant", "discharge": "0.2 C", "hours": 0.1}},
    )
    found = simbank.size(scenario, layouts=["chain"])
    tried = list(found.table["gauge"])
    at = tried.index("3 AWG")
    assert (tried[at - 1], tried[at + 1]) == ("4 AWG", "2 AWG")
    assert {"1 AWG"} <= set(tried)
    assert f"Gauges tried: {', '.join(tried)}." in found.answer + found.tried
    assert "busbar" not in found.tried


def test_a_layout_without_a_conductor_of_the_gauge_is_no_size():
    """One pack on a chain has no link: no gauge may be called the smallest that will do."""
    part = {"gauge": "2 AWG", "length": "30 cm"}
    data = {
        "name": "one", "pack_types": {"own": {"capacity": "100 Ah", "cell_resistance": "1 milliohm"}},
        "packs": [{"name": "A", "type": "own"}], "wiring": {"layout": "chain", "link": part, "lead": part},
        "ports": [{"name": "port"}], "duty": {"kind": "constant", "discharge": "0.5 C", "hours": 0.1},
    }  # fmt: skip
    found = simbank.size(simbank.from_dict(data), gauges=["10 AWG", "2 AWG"], layouts=["chain", "busbar"])
    assert found.by_layout == {"busbar": "2 AWG"}
    assert "nothing to size" in found.table["why_not"].iloc[0]


def test_commands(root, tmp_path):
    path = str(root / "scenarios" / "classroom_chain.toml")
    shown = CliRunner().invoke(
        cli.app,
        ["size", path, "--spread", "25", "--gauges", "8 AWG,6 AWG,2 AWG,2/0 AWG", "--layout", "chain", "--out", str(tmp_path)],
    )
    assert shown.exit_code == 0, shown.exception
    assert "8 AWG" not in shown.stdout  # of the four it is neither the smallest that fits nor the next smaller
    assert "2 more were tried: --all" in shown.stdout
    assert "Simplest that keeps the limits" in " ".join(shown.stdout.split())
    assert "licensed person" in " ".join(shown.stdout.split())
    assert (tmp_path / "sizes.png").stat().st_size > 0
    shown = CliRunner().invoke(
        cli.app,
        ["sweep", path, "--over", "duty.c_rate=0.1,0.3", "--over", "wiring.layout=chain,busbar", "--jobs", "1",
         "--out", str(tmp_path / "s")],
    )  # fmt: skip
    assert shown.exit_code == 0, shown.exception
    assert (tmp_path / "s" / "c_rate.png").stat().st_size > 0
    points = tmp_path / "points.csv"
    points.write_text("duty.c_rate,wiring.layout\n0.1,chain\n0.2,busbar\n")
    shown = CliRunner().invoke(cli.app, ["sweep", path, "--points", str(points), "--json", "--jobs", "1"])
    assert [row["wiring.layout"] for row in json.loads(shown.stdout)["rows"]] == ["chain", "busbar"]


def test_drift_and_usable_take_from_python_the_tolerance_of_the_command_line(root):
    """1e-8, where a run alone takes 3e-10."""
    scenario = simbank.load(root / "scenarios" / "rate_bench.toml")
    assert simbank.usable(scenario, 1.0).attrs["made_by"]["tolerance"] == 1e-8
    assert simbank.drift(scenario, ("nmc",)).made_by["tolerance"] == 1e-8

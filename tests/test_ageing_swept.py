"""Sweeps and sensitivities over years of a bank: rows are those of :func:`simbank.age`, resumed, in processes, refused where they cannot be."""

import importlib
import json
import os
import signal
import subprocess
import sys
import time

import numpy as np
import pandas as pd
import pytest
import tomli_w
from typer.testing import CliRunner

import simbank as sb
from simbank import cli
from simbank.errors import InputError, RunStopped
from simbank.judging import verdicts
from simbank.studies.ageing.swept import SWEPT


def bank(duty=None, names="A", **changes):
    """Packs of 100 Ah on ideal bus bars; dotted keys of ``changes`` use __ for the dot."""
    data = {
        "name": "years",
        "ambient": "25 degC",
        "pack_types": {"own": {"capacity": "100 Ah", "cell_resistance": "0.6 milliohm", "internal_wiring": "0 ohm"}},
        "packs": [{"name": name, "type": "own", "soc": 0.5} for name in names],
        "wiring": {"layout": "busbar", "lead": {"resistance": "0.01 milliohm", "joint": "0 ohm"}},
        "ports": [{"name": "port"}],
        "duty": duty or {"kind": "cycles", "steps": [{"rest": True, "hours": 24}]},
    }
    return sb.from_dict(data, {key.replace("__", "."): value for key, value in changes.items()})


def written(case, tmp_path):
    path = tmp_path / "years.toml"
    path.write_text(tomli_w.dumps(case.data))
    return path


def command(*words):
    return CliRunner().invoke(cli.app, [str(word) for word in words])


def test_a_row_is_what_age_has(root):
    """To the last digit, of a bank with packs of several ages on a chain and a duty."""
    case = sb.load(root / "scenarios" / "classroom_chain.toml", {"packs.P2.capacity_left": 0.9})
    table = sb.sweep(case, {"ambient": ["15 degC", "35 degC"], "ageing.law": ["schimpe", "naumann+wang"]}, years=3)
    assert list(table.columns) == [
        "ambient", "ageing.law", *(name for name, _, _ in SWEPT), "integrator", "handed_over", "warnings", "failure",
    ]  # fmt: skip
    assert table["failure"].isna().all()
    for _, row in table.iterrows():
        found = sb.age(sb.with_changes(case, {"ambient": row["ambient"]}), 3, law=row["ageing.law"])
        packs = found.table.set_index("pack")
        assert row["first_pack"] == found.first
        assert row["first_tied"] == (", ".join(found.tied[1:]) or None)
        assert row["years_to_80"] == pytest.approx(packs.loc[found.first, "years_to_80"], rel=1e-12, nan_ok=True)
        assert row["capacity_left_min"] == packs["capacity_left"].min()
        assert row["capacity_spread"] == found.converges["capacity_spread_end"] == np.ptp(packs["capacity_left"])
        assert row["resistance_spread"] == np.ptp(packs["resistance_growth"])
        assert row["usable_wh"] == found.by_year["usable_wh"].iloc[-1]
        assert row["error_points"] == found.error_points
    assert sb.Sweep(table).title.endswith("4 runs of 3 years")


def test_storage_by_the_root_of_time_at_several_years_and_speeds():
    """Storage by Naumann 2018: 4.252 % in a year at 25 °C and half charge, growing with the root of time (as tests/test_ageing_laws.py)."""
    grid = {"ageing.years": [1, 4, 9], "ageing.faster.own": [0.5, 1.0, 2.0]}
    table = sb.sweep(bank(), grid, years=10, law="naumann")
    a_year = 0.04252 * (365.25 / 365) ** 0.5
    expected = a_year * np.sqrt(table["ageing.years"].astype(float)) * table["ageing.faster.own"]
    assert (1.0 - table["capacity_left_min"]).to_numpy() == pytest.approx(expected.to_numpy(), rel=1e-3)
    assert list(table["years_covered"]) == [1, 1, 1, 4, 4, 4, 9, 9, 9]
    # 80 % when the loss is 0.2; told up to twice the years
    to_80 = np.array([(0.2 / a_year / faster) ** 2 for faster in table["ageing.faster.own"]])
    told = to_80 <= 2 * table["ageing.years"].to_numpy()
    assert table["years_to_80"].notna().to_numpy().tolist() == told.tolist()
    assert told.any()
    assert table["years_to_80"].to_numpy()[told] == pytest.approx(to_80[told], rel=0.03)


def test_growth_of_resistance_is_drawn():
    table = sb.sweep(bank(names="AB", packs__B__capacity_left=0.9), {"ageing.growth": [1.5, 6.0]}, years=5, law="naumann")
    assert table["resistance_spread"][1] > table["resistance_spread"][0]


def test_in_processes_and_resumed(tmp_path):
    grid = {"ambient": ["15 degC", "25 degC", "35 degC"]}
    here = sb.sweep(bank(), grid, years=5)
    pd.testing.assert_frame_equal(sb.sweep(bank(), grid, years=5, jobs=2, keep=tmp_path), here, check_exact=True)
    rows = []
    pd.testing.assert_frame_equal(sb.sweep(bank(), grid, years=5, keep=tmp_path, on_row=rows.append), here, check_exact=True)
    assert rows == []
    for other in ({"years": 6}, {"years": 5, "law": "naumann"}, {"years": 5, "windows": 2}, {}):
        sb.sweep(bank(), grid, keep=tmp_path, on_row=rows.append, **other)
    assert len(rows) == 12  # by other settings, or of the duty once: nothing of it is known


def test_ctrl_c_keeps_the_rows(tmp_path):
    seen = []

    def stop(row):
        seen.append(row)
        if len(seen) == 2:
            os.kill(os.getpid(), signal.SIGINT)

    grid = {"ageing.years": [1, 2, 3, 4, 5, 6]}
    with pytest.raises((RunStopped, KeyboardInterrupt)):
        sb.sweep(bank(), grid, years=5, keep=tmp_path, on_row=stop)
    again = []
    table = sb.sweep(bank(), grid, years=5, keep=tmp_path, on_row=again.append)
    assert len(again) == 4
    assert table["failure"].isna().all()


def test_ctrl_c_of_the_command(root, tmp_path):
    path, air = root / "scenarios" / "hilltop_clinic.toml", ",".join(f"{celsius} degC" for celsius in range(5, 35))
    words = [sys.executable, "-m", "simbank", "sweep", str(path), "--years", "10", "--over", f"ambient={air}"]
    run = subprocess.Popen(
        [*words, "--jobs", "2", "--out", str(tmp_path / "out")], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    rows, begin = tmp_path / "out" / "rows.jsonl", time.monotonic()
    while not (rows.exists() and len(rows.read_text().splitlines()) >= 4) and time.monotonic() - begin < 300:
        time.sleep(0.1)
    run.send_signal(signal.SIGINT)
    _, told = run.communicate(timeout=60)
    assert run.returncode == 130, told
    assert "the same command goes on from there" in told
    assert 4 <= len(rows.read_text().splitlines()) < 31


@pytest.mark.parametrize(
    ("changes", "point", "key", "problem"),
    [
        ({"integrator": "reference"}, {}, "integrator", "fast integrator"),
        ({"tolerance": 1e-6}, {}, "tolerance", "leave it out"),
        ({"years": 100}, {}, "years", "0.1 to 50"),
        ({"law": "nobody"}, {}, "law", "unknown ageing law"),
        ({"window_day": 7}, {}, "window_day", "window_days"),
        ({"window_days": 0}, {}, "window_days", "1 to 90"),
        ({}, {"ageing.law": "nobody"}, "law", "unknown ageing law"),
        ({}, {"ageing.years": "five"}, "years", "0.1 to 50"),
        ({}, {"ageing.growth": -1}, "ageing.growth", "above 0"),
        ({}, {"ageing.faster.owm": 1.0}, "ageing.faster.owm", "ageing.faster.own"),
        ({"years": None}, {"ageing.law": "wang"}, "ageing.law", "only over years"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_before_the_first_run(changes, point, key, problem, monkeypatch):
    module = importlib.import_module("simbank.studies.sweep")  # the package has a function of that name
    monkeypatch.setattr(module, "_run_points", lambda *a: pytest.fail("something was run"))
    with pytest.raises(sb.InputError, match=problem) as caught:
        sb.sweep(bank(), points=[{"ambient": "20 degC"} | point], **{"years": 5} | changes)
    assert caught.value.key == key


def test_a_law_that_says_nothing_of_these_cells_fails_every_row(tmp_path):
    path = written(bank(pack_types__own__chemistry="lead_flooded"), tmp_path)
    done = command("sweep", path, "--years", "5", "--over", "ambient=20 degC,30 degC", "--jobs", "1")
    assert done.exit_code == 1
    assert "says nothing of" in " ".join(done.output.split())


def test_a_key_that_only_years_look_at_is_no_warning():
    """The swing of the air changes nothing of the duty once, and much over years."""
    case = bank(ambient={"mean": "20 degC", "swing": "0 K", "coldest": "01-20"})
    draws = {"ambient.swing": "uniform 5 15 K"}
    codes = [w["code"] for w in sb.sweep(case, vary=draws, runs=2).attrs["warnings"]]
    assert "key-changes-nothing" in codes
    table = sb.sweep(case, vary=draws, runs=2, years=5)
    assert "key-changes-nothing" not in [w["code"] for w in table.attrs["warnings"]]
    assert table["capacity_left_min"].nunique() == 2


def test_the_command_tells_and_writes_years(tmp_path):
    path = written(bank(names="AB", packs__B__capacity_left=0.9), tmp_path)
    out = tmp_path / "out"
    words = ["sweep", path, "--years", "10", "--law", "naumann", "--over", "ambient=20 degC,40 degC", "--jobs", "1"]
    done = command(*words, "--out", out)
    assert done.exit_code == 0, done.output
    text = " ".join(done.output.split())
    assert "2 runs of 10 years" in text
    assert "Of 2 runs" in text
    assert (out / "sweep.png").exists()
    assert max(map(len, done.output.splitlines())) <= 80
    rows = json.loads(command(*words, "--json").stdout)["rows"]
    assert [row["first_pack"] for row in rows] == ["B", "B"]  # it has lost a tenth already
    back = sb.read(out).table
    assert back["years_to_80"].dropna().tolist() == [row["years_to_80"] for row in rows if row["years_to_80"] is not None]
    (told,) = [v for v in verdicts(sb.read(out)) if v.code == "over-the-runs"]
    assert told.numbers["runs"] == 2
    refused = command("sweep", path, "--law", "wang", "--over", "ambient=20 degC")
    assert isinstance(refused.exception, sb.InputError)
    assert "write --years 10 with it" in str(refused.exception)


def test_a_run_that_is_charged_below_freezing_is_not_best(tmp_path):
    """Air of 8 ± 7 °C never freezes, of 3 ± 7 °C it does in the coldest quarter, with 2 h of charge a day; packs last longer there by the law."""
    duty = [{"charge": "0.1 C", "hours": 2}, {"discharge": "0.1 C", "hours": 2}, {"rest": True, "hours": 20}]
    case = bank(ambient={"mean": "8 degC", "swing": "7 K", "coldest": "01-20"}, duty__steps=duty)
    path = written(case, tmp_path)
    done = command("sweep", path, "--years", "10", "--over", "ambient.mean=3 degC,8 degC", "--jobs", "1", "--json")
    told = json.loads(done.stdout)
    cold, mild = told["rows"]
    assert "charge-below-freezing" in cold["warnings"]
    assert "charge-below-freezing" not in mild["warnings"]
    assert cold["capacity_left_min"] > mild["capacity_left_min"]
    (said,) = [v["text"] for v in told["verdicts"] if v["code"] == "over-the-runs"]
    assert "at best, at ambient.mean = 8 degC" in said
    assert "DANGER: in 1 of them packs are charged below freezing" in said
    shown = " ".join(
        command("sweep", path, "--years", "10", "--over", "ambient.mean=3 degC,8 degC", "--jobs", "1").output.split()
    )
    assert "DANGER" in shown.partition("What this comes to")[0]


# ---- sensitivity ----


def test_sensitivity_of_years_against_its_closed_form():
    """Storage by a law q = c f √t loses 20 % after (0.2 / c f)²: years depend on the factor f alone, not on the growth of resistance."""
    keys = {"ageing.faster.own": "uniform 1.4 1.7", "ageing.growth": "uniform 1.5 7.5"}
    found = sb.sensitivity(bank(), keys, years=10, law="naumann", runs=4)
    assert found.figure == "years_to_80"
    table = found.table.set_index("key")
    assert found.table["key"].iloc[0] == "ageing.faster.own"
    assert table.loc["ageing.growth", "total"] == 0.0
    assert (0.2 / found.runs["years_to_80"] ** 0.5 / found.runs["ageing.faster.own"]).std() < 1e-4


def test_sensitivity_of_a_figure_without_a_number():
    keys = {"ageing.faster.own": "uniform 0.5 0.6", "ageing.growth": "uniform 1.5 7.5"}
    with pytest.raises(sb.InputError, match="has no number in 4 of 4 runs; ask for more years, or take capacity_left_min"):
        sb.sensitivity(bank(), keys, years=1, runs=4)
    with pytest.raises(sb.InputError, match="has no number"):
        sb.sensitivity(bank(), keys, "first_pack", years=1, runs=4)
    with pytest.raises(sb.InputError, match="no such figure"):
        sb.sensitivity(bank(), keys, "spread_max_points", years=1, runs=4)


def test_the_command_tells_what_moves_years_most(tmp_path):
    path = written(bank(), tmp_path)
    words = ["--vary", "ageing.faster.own=uniform 0.7 1.5", "--vary", "ambient=uniform 20 25 degC", "--runs", "4", "--jobs", "1"]
    done = command("sensitivity", path, "--years", "10", "--figure", "capacity_left_min", *words, "--json")
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert told["figure"] == "capacity_left_min"
    assert {row["key"] for row in told["rows"]} == {"ageing.faster.own", "ambient"}


def test_stretches_of_a_duty_without_dates_are_refused(root):
    told = CliRunner().invoke(cli.app, ["age", str(root / "scenarios" / "classroom_chain.toml"), "--window-days", "9"])
    assert isinstance(told.exception, InputError)
    assert str(told.exception) == "--window-days: 9: does nothing where the duty has no dates (duty.days)"

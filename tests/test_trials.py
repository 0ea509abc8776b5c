"""What trials of the tool showed, each with the test that would have caught it.

S: wrong on the unsafe side, or silent where it hurts. M: misleading results. B: breaks where one line is due. The files in
``tests/trials`` reproduce them; every bank there is invented.
"""

import json
import subprocess
import sys

import pytest
from conftest import ROOT

from simbank.errors import InputError

TRIALS = ROOT / "tests" / "trials"


# ---- protection: S1, S2, S3, S8, S11, S15 ----


# ---- shorted cells, stuck switches, overcharge: S4, S5 ----


# ---- banks that should not be: S6, S10, S12, S14 ----


# ---- sizes, chargers, inverters: S7, S9, S13 ----


# ---- results that can be trusted later: M1, M2, M4 to M10 ----


# ---- the integrators: M3, M11 to M14, B5, B10 ----


# ---- one line, never a traceback: B1 to B4, B6 to B9, B11, B12 ----


def command(*arguments, **options):
    """A command as a user types it."""
    code = "from simbank.cli import main; main()"
    return subprocess.run([sys.executable, "-c", code, *map(str, arguments)], capture_output=True, text=True, **options)


def one_line(done, *says, status=2):
    """That a command ended with one line on standard error which says what is wrong, and nothing on standard output."""
    assert done.returncode == status, done.stderr
    assert done.stdout == ""
    assert len(done.stderr.splitlines()) == 1, done.stderr
    assert done.stderr.startswith("error: ")
    for text in says:
        assert text in done.stderr


def test_b1_days_begin_at_any_minute_in_any_zone():
    done = command("run", TRIALS / "days_start_0600.toml", "--json")
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["ports"][0]["asked_wh"] == pytest.approx(10_000.0)
    assert command("run", TRIALS / "tz_offset_sun.toml", "--json").returncode == 0
    for start in ("NaT", "", "9999-01-01", "2025-06-21T00:00+02:00"):
        one_line(command("run", TRIALS / "days_start_0600.toml", "--set", f'duty.start="{start}"'), "duty.start")


def test_b2_a_quantity_holds_no_arithmetic():
    for name in ("power_hang", "bigint_unit"):
        one_line(command("run", TRIALS / f"{name}.toml", timeout=60), "capacity", "not a quantity", "280 Ah")


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("kind_table", "duty.kind: {}: use one of"),
        ("huge_hours", "duty.hours"),
        ("huge_cells", "cells_in_series"),
        ("deep_nesting", "20 deep at most"),
        ("deep_keys", "20 deep at most"),
    ],
)
def test_b4_files_no_bank_needs(name, says):
    one_line(command("run", TRIALS / f"{name}.toml"), f"{name}.toml", says)


def test_b4_a_table_that_never_ends(tmp_path):
    for time in ("1e308", "1e300", "1e-300"):
        (tmp_path / "long.csv").write_text(f"time_h,power_w\n0,100\n{time},0\n")
        changes = ("--set", 'duty={kind="table",file="long.csv"}')
        bank = tmp_path / "bank.toml"
        bank.write_text((TRIALS / "huge_cells.toml").read_text().replace("100000000000000000000000", "16"))
        one_line(command("run", bank, *changes), "long.csv", "time_h")


def test_b4_readings_that_are_no_numbers():
    one_line(command("cell", "ohm", "--volt", "nan,52.7", "--amp", "10,60"), "--volt", "two numbers")
    one_line(command("cell", "ohm", "--volt", "53.2,52.7", "--amp", "10,inf"), "--amp", "two numbers")


@pytest.mark.parametrize(
    ("option", "value"),
    [
        ("--packs", "280,nan"),
        ("--packs", "inf"),
        ("--packs", "1e300"),
        ("--packs", "-5"),
        ("--name", "two\nlines"),
        ("--name", "\x1b[2J"),
        ("--name", " "),
        ("--layout", "star"),
        ("--gauge", "9" * 400 + " AWG"),
        ("--gauge", "1e400 mm2"),
        ("--chemistry", "gold"),
    ],
)
def test_b9_new_refuses_what_it_cannot_write(tmp_path, option, value):
    one_line(command("new", tmp_path / "bank.toml", option, value))
    assert list(tmp_path.iterdir()) == []


def test_b9_new_writes_what_it_can_read(tmp_path):
    import simbank

    for number, (name, packs) in enumerate(
        [('A "bank" \\ of # = [mine]', "280"), ("Ωmega °", "280.00000001,280.00000002,0.001,1000000")]
    ):
        file = tmp_path / f"{number}.toml"
        done = command("new", file, "--name", name, "--packs", packs)
        assert done.returncode == 0, done.stderr
        scenario = simbank.load(file)
        assert scenario.name == name
        assert [pack.capacity_ah for pack in scenario.bank.packs] == [float(part) for part in packs.split(",")]


def test_b9_a_byte_order_mark_is_no_fault():
    assert (TRIALS / "bom.toml").read_bytes().startswith(b"\xef\xbb\xbf")
    assert command("run", TRIALS / "bom.toml", "--json").returncode == 0


def test_b9_error_lines_are_short():
    for key in ("name", "x" * 5000, "packs.A.soc"):
        done = command("run", TRIALS / "bom.toml", "--set", f"{key}=[{'1,' * 5000}]")
        one_line(done)
        assert len(done.stderr) < 700


def test_b9_no_cell_of_a_table_is_a_formula(tmp_path):
    import pandas as pd

    from simbank.files import write_csv

    text = ["=HYPERLINK(0)", "+1+1", "-2+3", "@SUM(A1)", "\t=1", "-5 degC", "-40", "+3e4 W", "A", None]
    frame = pd.DataFrame({"=name": text, "volt": [-1.5] * len(text), "n": [-1] * len(text)})
    write_csv(tmp_path / "table.csv", frame)
    back = pd.read_csv(tmp_path / "table.csv")
    assert list(back.columns) == ["'=name", "volt", "n"]
    assert list(back["'=name"].fillna("")) == ["'=HYPERLINK(0)", "'+1+1", "'-2+3", "'@SUM(A1)", "'\t=1", "-5 degC", "-40",
                                               "+3e4 W", "A", ""]  # fmt: skip
    assert (back["volt"] == -1.5).all()
    assert (back["n"] == -1).all()
    done = command("run", TRIALS / "bom.toml", "--set", 'packs.A.name="=HYPERLINK(0)"', "--out", tmp_path / "out")
    assert done.returncode == 0, done.stderr
    for file in (tmp_path / "out").glob("*.csv"):
        for line in file.read_text().splitlines():
            assert not any(cell.lstrip('"').startswith(("=", "+", "@")) for cell in line.split(",")), file


def test_b11_a_chemistry_is_one_file(tmp_path, monkeypatch):
    from simbank import starter
    from simbank.cells import chemistry

    text = (chemistry.LIBRARY / "nmc.toml").read_text(encoding="utf-8").replace('name = "nmc"', 'name = "mine"', 1)
    (tmp_path / "mine.toml").write_text(text.replace("cells_in_series_48v = 14", "cells_in_series_48v = 13"), encoding="utf-8")
    (tmp_path / "silent.toml").write_text(text.replace("cells_in_series_48v = 14", ""), encoding="utf-8")
    monkeypatch.setattr(chemistry, "LIBRARY", tmp_path)
    chemistry.load_chemistry.cache_clear()
    try:
        assert chemistry.library() == ["mine", "silent"]
        assert "cells_in_series = 13" in starter.starter_scenario(chemistry="mine")
        with pytest.raises(InputError, match="cells_in_series_48v"):
            starter.starter_scenario(chemistry="silent")
    finally:
        chemistry.load_chemistry.cache_clear()


def test_b11_every_chemistry_of_the_library_says_what_makes_48_v():
    """Within 45 and 60 V at half charge: what goes by 48 V in practice (common practice, no source)."""
    from simbank.cells import library, load_chemistry

    for name in library():
        chemistry = load_chemistry(name)
        assert 45.0 < chemistry.series_48v() * float(chemistry.ocv(0.5)) < 60.0

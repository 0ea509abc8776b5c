"""What trials of the tool showed, each with the test that would have caught it.

S: wrong on the unsafe side, or silent where it hurts. M: misleading results. B: breaks where one line is due. The files in
``tests/trials`` reproduce them; every bank there is invented.
"""

import json
import subprocess
import sys

import pytest
from conftest import ROOT

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

"""Fixtures shared by all tests."""

import os
import signal
import sys
from pathlib import Path

import matplotlib
import pytest

matplotlib.use("Agg")
# A shell that starts the tests in the background has them ignore Ctrl-C, and so would every command that they start.
signal.signal(signal.SIGINT, signal.default_int_handler)
os.environ.setdefault("NO_COLOR", "1")
ROOT = Path(__file__).parent.parent


@pytest.fixture
def root():
    return ROOT


@pytest.fixture(scope="module")
def browser():
    """A headless Chromium for pages that a test works by mouse and keyboard (:func:`browser.visit`); skipped where there is none."""
    from browser import CHROMIUM, started

    if CHROMIUM is None:
        pytest.skip("chromium is not installed (Debian package chromium)")
    with started() as chromium:
        yield chromium


@pytest.fixture(params=["reference", "fast"])
def integrator(request):
    """Each integrator in turn: what a hand calculation says holds for both."""
    return request.param


def pytest_addoption(parser):
    parser.addoption("--speed-table", action="store_true", help="write what the benches measured into tests/bench/README.md")


@pytest.fixture
def speed():
    """Call with what was measured, what it took, and how that stands to a reference measured in the same run: prints a line and
    keeps it for the table."""
    import speed_table

    def note(what, took, against):
        speed_table.ROWS.append((what, took, against))
        print(f"\n  {what}: {took}; {against}", end="")

    return note


def pytest_sessionfinish(session):
    speed_table = sys.modules.get("speed_table")  # there if a bench ran
    if speed_table and speed_table.ROWS and session.config.getoption("--speed-table"):
        table, readme = speed_table.ROWS, speed_table.README
        text = speed_table.table_with(readme.read_text(encoding="utf-8"), table, speed_table.machine())
        readme.write_text(text, encoding="utf-8")
        print(f"\nwrote {len(table)} rows of {readme}")


@pytest.fixture
def clinic(root):
    import simbank

    return simbank.load(root / "scenarios" / "hilltop_clinic.toml")

"""The fixture by which a bench says what it measured, and the option that has it written down."""

import pytest
from speed_table import README, ROWS, machine, table_with


def pytest_addoption(parser):
    parser.addoption("--speed-table", action="store_true", help="write what the benches measured into tests/bench/README.md")


@pytest.fixture
def speed():
    """Call with what was measured, what it took, and how that stands to a reference measured in the same run: prints a line and
    keeps it for the table."""

    def note(what, took, against):
        ROWS.append((what, took, against))
        print(f"\n  {what}: {took}; {against}", end="")

    return note


def pytest_sessionfinish(session):
    if ROWS and session.config.getoption("--speed-table"):
        README.write_text(table_with(README.read_text(encoding="utf-8"), ROWS, machine()), encoding="utf-8")
        print(f"\nwrote {len(ROWS)} rows of {README}")

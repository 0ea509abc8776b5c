"""Fixtures shared by all tests."""

import os
import signal
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


@pytest.fixture(params=["reference", "fast"])
def integrator(request):
    """Each integrator in turn: what a hand calculation says holds for both."""
    return request.param


@pytest.fixture
def clinic(root):
    import simbank

    return simbank.load(root / "scenarios" / "hilltop_clinic.toml")

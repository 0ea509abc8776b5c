"""Fixtures shared by all tests."""

import os
from pathlib import Path

import matplotlib
import pytest

matplotlib.use("Agg")
os.environ.setdefault("NO_COLOR", "1")
ROOT = Path(__file__).parent.parent


@pytest.fixture
def root():
    return ROOT


@pytest.fixture
def clinic(root):
    import simbank

    return simbank.load(root / "scenarios" / "hilltop_clinic.toml")

"""Ranks and Latin hypercubes that are made here, so that no command waits for scipy.stats, against scipy.stats."""

import subprocess
import sys

import numpy as np
import pytest
from scipy import stats

from simbank.studies.draws import draw_shares
from simbank.studies.ranks import average_ranks


@pytest.mark.parametrize("shape", [(1, 1), (5, 3), (200, 30), (1000, 7)])
def test_ranks_are_those_of_scipy(shape):
    """With equal values and infinite ones."""
    random = np.random.default_rng(0)
    values = random.integers(0, shape[0] // 3 + 2, shape).astype(float)
    values[random.random(shape) < 0.1] = np.inf
    np.testing.assert_array_equal(average_ranks(values), stats.rankdata(values, axis=0))
    np.testing.assert_array_equal(average_ranks(values[:, 0]), stats.rankdata(values[:, 0]))


@pytest.mark.parametrize(("many", "runs", "seed"), [(1, 1, 0), (7, 200, 0), (3, 50, 9)])
def test_latin_hypercube_is_that_of_scipy(many, runs, seed):
    theirs = stats.qmc.LatinHypercube(many, rng=np.random.default_rng(seed)).random(runs)
    np.testing.assert_array_equal(draw_shares(many, runs, seed=seed), np.clip(theirs, 1e-9, 1 - 1e-9))
    parts = np.sort(np.floor(draw_shares(many, runs, seed=seed) * runs), axis=0)
    np.testing.assert_array_equal(parts, np.tile(np.arange(runs)[:, None], many))


def test_no_command_waits_for_it():
    """Loading it takes a third of a second of a processor."""
    code = "import sys, simbank.cli, simbank.studies, simbank.judging.drawn; print('scipy.stats' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"

"""Cached machine code never outlives its sources."""

import re
import sys

import numpy as np
import pytest

from simbank.cells.curves import Curve, curve_value, stack_curves
from simbank.compiled import SOURCES, drop_stale
from simbank.simulation import equations as eq


def test_cache_goes_when_any_source_changes(tmp_path):
    for source in SOURCES:
        (tmp_path / source).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / source).write_text("one")
    cached = tmp_path / "simulation" / "__pycache__" / "events.watch.nbi"
    cached.parent.mkdir()
    assert drop_stale(tmp_path)  # no stamp yet
    cached.write_text("code")
    assert not drop_stale(tmp_path)
    assert cached.exists()
    (tmp_path / "simulation" / "equations.py").write_text("two")
    assert drop_stale(tmp_path)
    assert not cached.exists()


def test_every_compiled_module_is_watched(root):
    """Each file that compiles is in the list."""
    compiles = re.compile(r"^@(maker|plain|kernel|inlined)\b", re.M)
    compiled = {str(p.relative_to(root / "simbank")) for p in (root / "simbank").rglob("*.py") if compiles.search(p.read_text())}
    assert compiled | {"compiled.py"} == set(SOURCES)


def test_compiled_code_keeps_no_references():
    """Compiled without reference counting: arrays that went in belong to nobody else afterwards."""
    table = stack_curves([Curve([0.0, 0.5, 1.0], [3.0, 3.3, 3.4])])
    cells, y, work = np.ones((eq.N_CELL_ROWS, 1)), np.array([0.5, 0.0, 0.0, 0.0, 298.15]), np.empty((eq.N_WORK, 1))
    before = [sys.getrefcount(array) for array in (table, cells, y, work)]
    for _ in range(100):
        eq.cell_state(y, cells, np.zeros((eq.N_CURVES, 1), np.int64), table, work)
    assert [sys.getrefcount(array) for array in (table, cells, y, work)] == before
    assert work[eq.E, 0] == 3.3 + (298.15 - 1.0) * 3.3  # U + (T − T0) s for one cell, both from the same curve


def test_a_guided_curve_is_the_curve():
    """Compiled look-up by guide against the curve itself, at, beside and outside its points; one point, many, crowded ones."""
    random = np.random.default_rng(4)
    curves = [
        Curve(0.3, 2.0), Curve([0.0, 1.0], [1.0, 2.0]), Curve(np.sort(random.uniform(-5, 90, 40)), random.normal(size=40)),
        Curve([0.0, 1e-6, 2e-6, 0.5, 1.0], [0.0, 1.0, 1.5, 1.6, 9.0]), Curve([0.0, 0.4, 1.0], [3.0, 3.2, 3.3], "linear"),
    ]  # fmt: skip
    table = stack_curves(curves)
    for k, curve in enumerate(curves):
        at = np.concatenate(
            [curve.soc, curve.soc - 1e-12, curve.soc + 1e-12, random.uniform(-7, 95, 300), random.uniform(-0.2, 1.2, 300)]
        )
        for z in at:
            value, slope, _ = curve_value.py_func(table, k, z)
            assert value == pytest.approx(curve(z), rel=1e-9, abs=1e-9)
            assert slope == pytest.approx(curve.slope(z), rel=1e-6, abs=1e-6)
    assert np.isnan(curve_value.py_func(table, 2, np.nan)[0])

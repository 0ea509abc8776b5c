"""Cached machine code never outlives its sources."""

import ast
import os
import pickle
import re
import subprocess
import sys

import numpy as np
import pytest

from simbank import simulate
from simbank.cells.curves import Curve, curve_value, stack_curves
from simbank.jit import Compiled, compiled_from, drop_stale, kind_of
from simbank.jit_ahead import arguments_of
from simbank.scenario import example
from simbank.simulation import ahead
from simbank.simulation import arrays as ar
from simbank.simulation.pack_model import cell_state


def package(root, **files):
    """A package below ``root``: text by name, ``__`` for a folder."""
    for name, text in ({"jit": ""} | files).items():
        path = root.joinpath(*name.split("__")).with_suffix(".py")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(f'"""A module."""\n{text}\n')
    return root


def test_cache_goes_when_any_source_changes(tmp_path):
    """What compiles, what it imports and what that imports in turn are watched, in whatever folder; nothing else is."""
    package(
        tmp_path,
        cells__curves="from simbank.jit import jit_internal",
        simulation__steps__fast="from simbank.jit import (\n    jit_internal,\n    jit_entry,\n)\nfrom simbank.simulation import rows as r, other",
        simulation__rows="from simbank.units import KELVIN  # and no more",
        units="KELVIN = 273.15",
        report="from simbank.units import KELVIN",
    )
    near, deep = (tmp_path / folder / "__pycache__" / "watch.nbi" for folder in ("cells", "simulation/steps"))
    for path in (near, deep):
        path.parent.mkdir()
    assert drop_stale(tmp_path)  # no stamp yet
    for changed in ("cells/curves", "simulation/steps/fast", "simulation/rows", "units", "jit"):
        near.write_text("code")
        deep.write_text("code")
        assert not drop_stale(tmp_path)
        assert near.exists()
        assert deep.exists()
        path = tmp_path / f"{changed}.py"
        path.write_text(path.read_text() + "ONE = 2\n")
        assert drop_stale(tmp_path), changed
        assert not near.exists()
        assert not deep.exists()
    (tmp_path / "report.py").write_text("changed")
    assert not drop_stale(tmp_path)
    (tmp_path / "units.py").rename(tmp_path / "simulation" / "units.py")  # the same text, but no longer what rows.py imports
    assert drop_stale(tmp_path)


def test_every_compiled_module_is_watched(root):
    """Each file that compiles, and each file of the package that one of them imports, however deep, by Python's own parser."""
    package = root / "simbank"
    compiles = re.compile(r"^@jit_\w+$", re.M)
    left = [path for path in package.rglob("*.py") if compiles.search(path.read_text())]
    assert len(left) > 5
    needed = set(left)
    while left:
        for node in ast.parse(left.pop().read_text()).body:
            assert not getattr(node, "level", 0), "relative imports are not followed"
            if isinstance(node, ast.Import):
                assert not any(alias.name.startswith("simbank") for alias in node.names), "nor is an import of a whole module"
            if isinstance(node, ast.ImportFrom) and node.module.startswith("simbank"):
                home = root.joinpath(*node.module.split("."))
                for places in ([home / alias.name, home] for alias in node.names):
                    files = [file for place in places for file in (place.with_suffix(".py"), place / "__init__.py")]
                    path = next(file for file in files if file.exists())
                    left += [path] if path not in needed else []
                    needed.add(path)
    watched = {package / path for path in compiled_from(package)}
    assert needed <= watched
    assert package / "cli.py" not in watched


def test_compiled_code_keeps_no_references():
    """Compiled without reference counting: arrays that went in belong to nobody else afterwards."""
    table = stack_curves([Curve([0.0, 0.5, 1.0], [3.0, 3.3, 3.4])])
    cells, y, work = np.ones((ar.N_CELL_ROWS, 1)), np.array([0.5, 0.0, 0.0, 0.0, 298.15]), np.empty((ar.N_WORK, 1))
    curves_of = np.zeros((ar.N_CURVES, 1), np.int64)
    curves_of[[ar.R_T_CURVE, ar.RC_T_CURVE, ar.WIDTH_FACTORS]] = -1  # no tables over temperature
    before = [sys.getrefcount(array) for array in (table, cells, y, work)]
    for _ in range(100):
        cell_state(y, cells, curves_of, table, work)
    assert [sys.getrefcount(array) for array in (table, cells, y, work)] == before
    assert work[ar.EMF, 0] == 3.3 + (298.15 - 1.0) * 3.3  # U + (T − T0) s for one cell, both from the same curve


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


RELAX = """
import sys, numpy as np
from simbank import jit
from simbank.cells.cell_response import _relax, relaxation
time = np.arange(4.0)
given = [time, np.ones(4), 2.0]
if sys.argv[1] == "whole":
    given[1] = np.ones(4, np.int64)
if sys.argv[1] == "strided":
    given[1] = np.ones(8)[::2]
print("numba" in sys.modules, relaxation(*given)[-1], "numba" in sys.modules)
"""


def printed(code, case, folder):
    """The words that a process of its own prints, which keeps its machine code in a folder."""
    keeping = os.environ | {"NUMBA_CACHE_DIR": str(folder)}
    run = subprocess.run([sys.executable, "-c", code, case], capture_output=True, text=True, check=True, env=keeping)
    return run.stdout.split()


def relaxed(folder, case="plain"):
    """What a process of its own says that asks for compiled code: whether the compiler was there before, the value, and after."""
    before, value, after = printed(RELAX, case, folder)
    return before == "True", float(value), after == "True"


def test_kept_code_is_loaded_without_the_compiler(tmp_path):
    """The second process does not import it. A constant drive u on a pair at rest: u (1 − exp(−t/τ)) less what came before it (closed form)."""
    exact = 1.0 - np.exp(-3.0 / 2.0)
    for compiles in (True, False):
        before, value, after = relaxed(tmp_path)
        assert not before
        assert after == compiles
        assert value == pytest.approx(exact, rel=1e-12)
    (file,) = tmp_path.glob("*.code")
    file.write_bytes(file.read_bytes()[:-200])
    assert relaxed(tmp_path) == (False, value, True)  # half a file is no file
    assert relaxed(tmp_path) == (False, value, False)
    code, symbol, environment, needs = pickle.loads(file.read_bytes())
    file.write_bytes(pickle.dumps((code, symbol, environment, [*needs, "nobody_has_this"])))
    assert relaxed(tmp_path) == (False, value, True)  # nor is one that needs what is not there


def test_kept_code_is_of_one_kind_of_arguments(tmp_path):
    """Whole numbers and strided arrays are not read by code for contiguous floating-point numbers."""
    _, value, _ = relaxed(tmp_path)
    for count, case in enumerate(("whole", "strided"), start=2):
        assert relaxed(tmp_path, case) == (False, value, True)
        assert relaxed(tmp_path, case) == (False, value, False)
        assert len(list(tmp_path.glob("*.code"))) == count
    array = np.zeros((2, 3))
    others = (np.zeros((2, 3), np.int64), np.zeros((3, 2)).T, np.zeros(6), np.zeros((2, 6))[:, ::2], 1.0, (array,))
    fixed = np.zeros((2, 3))
    fixed.flags.writeable = False
    kinds = [kind_of((thing,)) for thing in (array, *others, fixed)]
    assert len(set(kinds)) == len(kinds)
    for kind in kinds:
        assert kind_of(arguments_of(kind)) == kind
    assert kind_of((np.float64(1.0), np.int64(1), np.bool_(True))) == kind_of((1.0, 1, True))


AHEAD = """
import sys, numpy as np
from simbank import jit, jit_ahead
from simbank.cells.cell_response import _relax
from simbank.simulation.port_solver import commanded
here, compiles = [], jit.Compiled._compile
jit.Compiled._compile = lambda entry, kind, args: here.append(entry.__name__) or compiles(entry, kind, args)
if sys.argv[1] == "fails":
    jit_ahead.HELPER = "raise SystemExit(1)"
calls = [(_relax, (np.arange(float(n)), np.ones(n)[::step], 2.0, np.empty(n))) for n, step in ((4, 1), (4, 2))]
calls += [(commanded, (2.0, table, 0)) for table in (np.ones((1, 40)), np.ones((40, 1)).T[:, ::2])]
jit_ahead.compile_ahead(calls)
ready = [jit.kind_of(args) in entry._native for entry, args in calls]
print(len(here), sum(ready), calls[-1][0](*calls[-1][1]))
"""


def test_what_will_be_called_is_compiled_in_two_processes(tmp_path):
    """All is there and kept, whichever process made it; where the second one fails, the first makes all."""
    found = {}
    for case in ("works", "fails", "kept"):
        folder = tmp_path / ("works" if case == "kept" else case)
        here, ready, value = printed(AHEAD, case, folder)
        assert (ready, len(list(folder.glob("*.code")))) == ("4", 4)
        found[case] = int(here), value
    assert found["works"][1] == found["fails"][1] == found["kept"][1]
    assert (found["fails"][0], found["kept"][0]) == (4, 0)


@pytest.mark.parametrize("integrator", ["reference", "fast"])
@pytest.mark.parametrize("name", ["classroom_chain", "hilltop_clinic_days"])
def test_a_run_calls_what_was_got_ready(monkeypatch, name, integrator):
    """Nothing is compiled that a run does not use, and nothing that it uses is missing, kinds of arguments included."""
    got, called, call, ready = set(), set(), Compiled.__call__, Compiled.ready
    monkeypatch.setattr(ahead, "_ready", set())  # as in a process that has run nothing yet
    monkeypatch.setattr(ahead, "compile_ahead", lambda calls: got.update((entry, kind_of(args)) for entry, args in calls))
    monkeypatch.setattr(Compiled, "__call__", lambda entry, *args: called.add((entry, kind_of(args))) or call(entry, *args))
    monkeypatch.setattr(Compiled, "ready", lambda entry, args: called.add((entry, kind_of(args))) or ready(entry, args))
    simulate(example(name, {"duty.days": 1} if name.endswith("days") else {}), integrator=integrator)
    assert called <= got
    assert {entry.__name__ for entry, _ in got - called} <= {"may_conduct"}


def test_a_run_needs_no_compiler_the_second_time(root):
    """Both integrators, as processes: what they call is kept."""
    code = (
        "import sys, simbank; simbank.simulate(simbank.load(sys.argv[1]), integrator=sys.argv[2]); print('numba' in sys.modules)"
    )
    for integrator in ("fast", "reference"):
        command = [sys.executable, "-c", code, str(root / "scenarios" / "rate_bench.toml"), integrator]
        found = [subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip() for _ in range(2)]
        assert found[1] == "False"

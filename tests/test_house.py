"""How the house is built: which room may use which, and that no function outgrows a page."""

import ast

import pytest
from conftest import ROOT

# From the ground up: a room uses those before it, not those after it.
ROOMS = [
    "errors", "interrupts", "streams", "quantities", "distributions", "warning", "verdict", "caution", "digits", "columns", "files", "provenance",
    "notebook", "results", "filemodel", "kept", "later", "jit", "jit_ahead", "cells", "bank", "network", "duty", "days", "plotting", "scenario",
    "simulation", "studies", "judging", "report", "page", "desk", "cli", "__main__",
]  # fmt: skip
# The same within simulation/, where every module has a place of its own: what a name means, equations, their derivative, sums over
# time, states that switch, integrators, what comes out, the loop.
SIMULATION = [
    "arrays", "event_codes", "setup",
    "pack_model", "port_solver", "many_packs", "bank_solver", "devices", "operating_point",
    "ode",
    "extremes", "displays", "integrals",
    "bank_warnings", "run_warnings", "choice", "events", "port_states", "bank_state", "switching",
    "recording", "reference", "fast_step", "rows_off_step", "fast_rows", "fast", "ahead",
    "summary", "rest", "standing", "result", "stored",
    "run",
]  # fmt: skip
SOURCES = sorted((ROOT / "simbank").rglob("*.py"))


def module_of(path):
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {module_of(path): path for path in SOURCES}


def called_by_name(node):
    """The module that a call imports by a written-out name, ``importlib.import_module("a.b")`` or ``__import__("a.b")``, or None."""
    if not isinstance(node, ast.Call) or not node.args:
        return None
    called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
    if called not in ("import_module", "__import__") or not isinstance(node.args[0], ast.Constant):
        return None
    return str(node.args[0].value)


def imports(text, package=""):
    """(line, module) of everything of simbank that a source imports, wherever in it: inside functions too, and by a call."""
    found = []
    for node in ast.walk(ast.parse(text)):
        called = called_by_name(node)
        if called:
            dots = len(called) - len(called.lstrip("."))
            above = package.split(".")[: len(package.split(".")) - dots + 1] if dots else []
            found.append((node.lineno, ".".join([*above, called.lstrip(".")])))
        elif isinstance(node, ast.Import):
            found += [(node.lineno, alias.name) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                above = package.split(".")[: len(package.split(".")) - node.level + 1]
                base = ".".join([*above, *([node.module] if node.module else [])])
            for alias in node.names:
                inner = f"{base}.{alias.name}"
                found.append((node.lineno, inner if inner in MODULES else base))
    return sorted((line, module) for line, module in found if module.partition(".")[0] == "simbank")


def room(module):
    return module.split(".")[1] if "." in module else ""


def runs_up(module, imported):
    """Whether ``module`` must not import it; the package's own door, ``simbank``, hands on names of any room."""
    return imported == "simbank" or ROOMS.index(room(imported)) > ROOMS.index(room(module))


def runs_up_within(module, imported):
    """Whether a module of simulation/ must not import another of it; the room's own door hands on what stands highest."""
    mine, theirs = (name.removeprefix("simbank.simulation").lstrip(".") for name in (module, imported))
    return theirs not in SIMULATION or SIMULATION.index(theirs) >= SIMULATION.index(mine)


def test_every_module_has_its_room():
    assert {room(module) for module in MODULES} - {""} <= set(ROOMS)
    within = [module.rpartition(".")[2] for module in MODULES if module.startswith("simbank.simulation.")]
    assert sorted(within) == sorted(SIMULATION)


def test_an_import_that_runs_up_is_seen():
    text = (
        "def late():\n    from simbank.studies import sweep\n\n\nfrom . import curves\nfrom ..report.html import write_report\n"
    )
    assert imports(text, "simbank.cells") == [
        (2, "simbank.studies.sweep"),
        (5, "simbank.cells.curves"),
        (6, "simbank.report.html"),
    ]
    assert [runs_up("simbank.cells.fit", m) for _, m in imports(text, "simbank.cells")] == [True, False, True]


def test_an_import_by_a_call_is_seen():
    text = (
        'import importlib\n\n\ndef late():\n    importlib.import_module("simbank.report.html")\n    __import__("simbank.cli")\n'
        '    return import_module("..studies.sweep", __package__), import_module(name), other("simbank.cli")\n'
    )
    assert imports(text, "simbank.cells") == [(5, "simbank.report.html"), (6, "simbank.cli"), (7, "simbank.studies.sweep")]


def test_an_import_that_runs_up_within_simulation_is_seen():
    assert runs_up_within("simbank.simulation.ode", "simbank.simulation.events")
    assert runs_up_within("simbank.simulation.ode", "simbank.simulation.ode")
    assert runs_up_within("simbank.simulation.events", "simbank.simulation")
    assert not runs_up_within("simbank.simulation.events", "simbank.simulation.ode")


@pytest.mark.parametrize("module", [m for m in MODULES if m != "simbank"])
def test_no_import_runs_up(module):
    path = MODULES[module]
    package = module if path.name == "__init__.py" else module.rpartition(".")[0]
    text = path.read_text(encoding="utf-8")
    assert not [f"{path.name}:{line} {imported}" for line, imported in imports(text, package) if runs_up(module, imported)]
    if path.name != "__init__.py":
        assert "import_module" not in text  # which would hide one
        assert "__import__" not in text


@pytest.mark.parametrize("module", [f"simbank.simulation.{name}" for name in SIMULATION])
def test_no_import_runs_up_within_simulation(module):
    found = imports(MODULES[module].read_text(encoding="utf-8"), "simbank.simulation")
    within = [(line, other) for line, other in found if room(other) == "simulation"]
    assert not [f"{line} {other}" for line, other in within if runs_up_within(module, other)]


# Longer than a page, and why. Measured once each, on a busy machine: all compiled code of a fast run takes 44.7 s of one core to compile,
# 12.7 of them `advance` and 5.4 `make_step`; 48.1 s with `make_step`, `correct_end`, `add_damage` and `reach_flows` written out in their
# caller (`jit_inline`). Estimated, not measured: a call with a bank passes some 120 words through memory, some 100 cycles, so that one
# more in every step costs about 1 % of a run.
LONG = {
    "simbank/simulation/fast.py:advance": "the compiled loop: a call more in every step costs time, and written out 8 % of compiling",
    "simbank/simulation/fast_step.py:make_step": "one step of it, likewise",
}
MOST_LINES = 80  # docstring not counted


def functions_longer_than(lines, text):
    """Names of functions of a source with more lines than that, their docstrings not counted."""
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            first = node.body[0]
            told = isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant) and isinstance(first.value.value, str)
            length = node.end_lineno - node.lineno + 1 - (first.end_lineno - first.lineno + 1 if told else 0)
            if length > lines:
                yield node.name


def test_no_function_is_longer_than_a_page():
    text = 'def short():\n    """One\n\n    two\n    """\n    return 1\n\n\ndef long():\n    a = 1\n    return a\n'
    assert list(functions_longer_than(2, text)) == ["long"]
    found = {
        f"{path.relative_to(ROOT).as_posix()}:{name}"
        for path in SOURCES
        for name in functions_longer_than(MOST_LINES, path.read_text(encoding="utf-8"))
    }
    assert found == set(LONG)

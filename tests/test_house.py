"""How the house is built: which room may use which, and that no function outgrows a page."""

import ast

import pytest
from conftest import ROOT

# From the ground up: a room uses those before it, not those after it.
ROOMS = [
    "errors", "interrupts", "streams", "quantities", "warning", "verdict", "caution", "digits", "columns", "files", "provenance",
    "notebook", "results", "filemodel", "jit", "cells", "bank", "network", "duty", "days", "plotting", "scenario", "simulation",
    "studies", "judging", "report", "cli", "__main__",
]  # fmt: skip
SOURCES = sorted((ROOT / "simbank").rglob("*.py"))


def module_of(path):
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {module_of(path): path for path in SOURCES}


def imports(text, package=""):
    """(line, module) of everything of simbank that a source imports, wherever in it: inside functions too."""
    found = []
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
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


def test_every_module_has_its_room():
    assert {room(module) for module in MODULES} - {""} <= set(ROOMS)


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


@pytest.mark.parametrize("module", [m for m in MODULES if m != "simbank"])
def test_no_import_runs_up(module):
    path = MODULES[module]
    package = module if path.name == "__init__.py" else module.rpartition(".")[0]
    text = path.read_text(encoding="utf-8")
    assert not [f"{path.name}:{line} {imported}" for line, imported in imports(text, package) if runs_up(module, imported)]
    if path.name != "__init__.py":
        assert "import_module" not in text  # which would hide one


# longer than a page, and why
LONG = {
    "simbank/simulation/fast.py:advance": "the compiled loop: each call that it would be cut into costs seconds of compiling",
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

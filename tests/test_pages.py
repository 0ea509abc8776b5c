"""The pages of the repository: what they name exists, README is short, and its commands run."""

import ast
import re
import shlex

import pytest
from conftest import ROOT
from typer.testing import CliRunner

from simbank import cli

TESTS = ROOT / "tests"
PAGES = sorted(p for p in ROOT.rglob("*.md") if not {".venv", ".git", "out", "node_modules"} & set(p.relative_to(ROOT).parts))
NAMED = re.compile(r"`((?:bench/)?test_\w+\.py)::(test_\w+)`")


def functions(path):
    return {node.name for node in ast.parse(path.read_text(encoding="utf-8")).body if isinstance(node, ast.FunctionDef)}


@pytest.mark.parametrize("page", ["README.md", "bench/README.md"])
def test_every_test_that_the_page_names_exists(page):
    text = (TESTS / page).read_text(encoding="utf-8")
    named = NAMED.findall(text)
    assert len(named) >= 8
    for file, test in named:
        path = (TESTS / page).parent / file
        assert path.exists(), file
        assert test in functions(path), f"{file}::{test}"
    assert text.count("::test_") == len(named)  # none is written another way


def headings(page):
    """Anchors of a page's headings, as hosts of Markdown make them: lower case, blanks as hyphens, other signs left out."""
    prose = re.sub(r"```.*?```", "", page.read_text(encoding="utf-8"), flags=re.DOTALL)
    titles = re.findall(r"^#+ (.+)$", prose, re.MULTILINE)
    return {re.sub(r"[^\w -]", "", title.lower()).strip().replace(" ", "-") for title in titles}


@pytest.mark.parametrize("page", PAGES, ids=lambda p: str(p.relative_to(ROOT)))
def test_links_and_pictures_of_a_page_lead_somewhere(page):
    text = page.read_text(encoding="utf-8")
    prose = re.sub(r"```.*?```|`[^`\n]*`", "", text, flags=re.DOTALL)
    targets = re.findall(r"\]\(([^)\s]+)(?: \"[^\"]*\")?\)", text) + re.findall(r"^\[[^\]]+\]:\s*(\S+)", prose, re.MULTILINE)
    for target in targets:
        if target.startswith(("http://", "https://")):
            continue
        path, _, anchor = target.partition("#")
        where = page.parent / path if path else page
        assert where.exists(), target
        assert not anchor or anchor in headings(where), target
    labels = set(re.findall(r"^\[([^\]]+)\]:", prose, re.MULTILINE))
    assert set(re.findall(r"\]\[([^\]]+)\]", prose)) <= labels


def blocks(page, kind):
    return re.findall(rf"```{kind}\n(.*?)```", page.read_text(encoding="utf-8"), re.DOTALL)


def test_readme_is_short():
    assert len((ROOT / "README.md").read_bytes()) <= 8192


def simbank_commands(page):
    """What a page tells to type after its installation, word by word; ``.ci/run`` runs the two lines that install."""
    lines = [line for block in blocks(page, "sh") for line in block.splitlines()]
    return [shlex.split(line)[1:] for line in lines if line.startswith(".venv/bin/simbank ")]


def test_two_lines_of_readme_install_and_test():
    """The two that ``.ci/run`` looks for."""
    lines = [line for block in blocks(ROOT / "README.md", "sh") for line in block.splitlines()]
    assert len([line for line in lines if line.startswith("python3 -m venv ")]) == 2


@pytest.fixture
def clone(tmp_path, monkeypatch):
    """A folder in which the scenarios lie as in a clone."""
    (tmp_path / "scenarios").symlink_to(ROOT / "scenarios")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize("page", ["README.md", "simbank/cli/README.md"])
def test_commands_of_a_page_run(page, clone):
    commands = simbank_commands(ROOT / page)
    assert commands
    for words in commands:
        done = CliRunner().invoke(cli.app, words, standalone_mode=False)
        assert not done.exception, (words, done.exception)
        assert done.return_value in (0, None)
        for option in ("--out", "--report"):
            if option in words:
                assert (clone / words[words.index(option) + 1]).exists()


def test_python_of_readme_runs(clone):
    for code in blocks(ROOT / "README.md", "python"):
        exec(compile(code, "README.md", "exec"), {})
    assert (clone / "soc.png").stat().st_size > 1000
    assert "not checked" in (clone / "clinic.html").read_text(encoding="utf-8").lower()


def names_in(path):
    """Functions, classes and constants that a module defines or hands on."""
    found = set()
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            found.add(node.name)
        elif isinstance(node, ast.Assign):
            found |= {name.id for target in node.targets for name in ast.walk(target) if isinstance(name, ast.Name)}
    return found


def test_files_and_names_of_the_developers_page_exist():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = re.findall(r"`((?:[\w.]+/)*[\w.]+(?:\.\w+|/))(?:::(\w+))?`", text)
    written = ("made_by.json",)  # by simbank, not in the repository
    suffixes = {path.suffix for path in ROOT.glob("simbank/**/*.*")} - {""}
    wanted = {
        (path, name)
        for path, name in named
        if path not in written and (path.endswith("/") or f".{path.rsplit('.')[-1]}" in suffixes)
    }
    wanted |= {(path, "") for path in re.findall(r"(?<![\w/])\.ci/\w+", text)}
    assert len(wanted) > 80
    for path, name in sorted(wanted):
        if path in (".py", ".toml"):
            continue
        where = next((root / path for root in (ROOT / "simbank", ROOT) if (root / path).exists()), None)
        assert where is not None, path
        assert not name or name in names_in(where), f"{path}::{name}"
    bare = re.findall(r"`::(\w+)`", text)
    assert bare
    assert set(bare) <= names_in(ROOT / "simbank" / "simulation" / "pack_model.py")

"""The pages of the repository: what they name exists, README is short, and its commands run."""

import ast
import re

import pytest
from conftest import ROOT

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


@pytest.mark.parametrize("page", PAGES, ids=lambda p: str(p.relative_to(ROOT)))
def test_links_and_pictures_of_a_page_lead_somewhere(page):
    text = page.read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#\s]+)(?:#[^)]*)?\)", text):
        assert target.startswith(("http://", "https://")) or (page.parent / target).exists(), target

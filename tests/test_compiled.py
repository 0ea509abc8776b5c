"""Cached machine code never outlives its sources."""

import re

from simbank.compiled import SOURCES, drop_stale


def test_cache_goes_when_any_source_changes(tmp_path):
    for source in SOURCES:
        (tmp_path / source).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / source).write_text("one")
    cached = tmp_path / "simulation" / "__pycache__" / "modes.watch.nbi"
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

"""How functions are compiled, and cached machine code thrown away that is older than any of the sources it was made from.

The compiler keys its cache by the file of each function alone, but a compiled function contains the functions it calls and the
constants it names, from other files too. So after an upgrade, or an edit, a stale caller could go on running the old physics. A
stamp of all these files, kept beside them, tells.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import re
from glob import glob
from pathlib import Path

from numba import njit

__all__ = ["compiled_from", "drop_stale", "jit_allocating", "jit_entry", "jit_inline", "jit_internal"]

# Kinds of compiled functions. Only ``jit_allocating`` may make arrays. The others make none, so that they need not count references
# to them, which takes longer than most of their work. ``jit_entry`` can be called from Python; ``jit_internal`` only from compiled
# code: without a wrapper it compiles faster; so ``jit_inline``, a few lines that are cheaper written out than called. Division by
# zero gives infinity, as in numpy; whoever steps in time looks for that.
jit_allocating = njit(cache=True, error_model="numpy", no_cfunc_wrapper=True)
jit_entry = njit(cache=True, error_model="numpy", no_cfunc_wrapper=True, _nrt=False)
jit_internal = njit(cache=True, error_model="numpy", no_cfunc_wrapper=True, _nrt=False, no_cpython_wrapper=True)
jit_inline = njit(cache=True, error_model="numpy", no_cfunc_wrapper=True, _nrt=False, no_cpython_wrapper=True, forceinline=True)

# A line that imports from the package, and the names in it, without what they are called here.
IMPORT = re.compile(rb"\nfrom (simbank[\w.]*) import (\([^)]*\)|[^#\n]*)")
NAME = re.compile(rb"(\w+)(?: as \w+)?")


def compiled_from(root):
    """The files below ``root`` (the package) on which compiled code depends, as {path: content}.

    They are those that import this module and all that they import from the package, however deep, this one among them: what a
    compiled function takes from a file of constants is in its machine code.
    """
    contents = {path: (root / path).read_bytes() for path in sorted(glob("**/*.py", root_dir=root, recursive=True))}
    modules = {"simbank/" + path.removesuffix(".py").removesuffix("/__init__"): path for path in contents}

    @functools.cache
    def imported(path):
        found = set()
        for home, names in IMPORT.findall(contents[path]):
            home = home.decode().replace(".", "/")
            # each name is a module, or something in the module that it is imported from
            found |= {modules.get(f"{home}/{name.decode()}", modules.get(home)) for name in NAME.findall(names)}
        return found - {None}

    left = [path for path in contents if Path(__file__).name in imported(path)]
    found = set(left)
    while left:
        new = imported(left.pop()) - found
        found |= new
        left += new
    return {path: content for path, content in contents.items() if path in found}


def drop_stale(root=None):
    """Delete cached code under ``root`` (the package) if its sources are not those of the stamp; True if it did.

    Where the folder cannot be written, nothing is done: the compiler then keeps its cache elsewhere.
    """
    root = Path(root or Path(__file__).parent)
    digest = hashlib.sha256()
    for path, content in compiled_from(root).items():
        digest.update(f"{path} {len(content)}\n".encode() + content)
    stamp = root / "__pycache__" / "compiled_from.sha256"
    with contextlib.suppress(OSError):
        if stamp.exists() and stamp.read_text() == digest.hexdigest():
            return False
        for pattern in ("*.nbi", "*.nbc"):
            for path in root.rglob(f"__pycache__/{pattern}"):
                path.unlink(missing_ok=True)
        stamp.parent.mkdir(exist_ok=True)
        stamp.write_text(digest.hexdigest())
        return True
    return False

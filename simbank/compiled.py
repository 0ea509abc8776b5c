"""How functions are compiled, and cached machine code thrown away that is older than any of the sources it was made from.

The compiler keys its cache by the file of each function alone, but a compiled function contains the functions it calls, from
other files too. So after an upgrade, or an edit, a stale caller could go on running the old physics. A stamp of all compiled
sources, kept beside them, tells.
"""

from __future__ import annotations

import contextlib
import hashlib
from pathlib import Path

from numba import njit

__all__ = ["drop_stale", "inlined", "kernel", "maker", "plain"]

# Kinds of compiled functions. ``maker`` makes arrays. The others make none, so that they need not count references to them, which
# takes longer than most of their work. ``plain`` can be called from Python; ``kernel`` only from compiled code: without a wrapper
# it compiles faster; so ``inlined``, a few lines that are cheaper written out than called. Division by zero gives infinity, as in
# numpy; whoever steps in time looks for that.
maker = njit(cache=True, error_model="numpy", no_cfunc_wrapper=True)
plain = njit(cache=True, error_model="numpy", no_cfunc_wrapper=True, _nrt=False)
kernel = njit(cache=True, error_model="numpy", no_cfunc_wrapper=True, _nrt=False, no_cpython_wrapper=True)
inlined = njit(cache=True, error_model="numpy", no_cfunc_wrapper=True, _nrt=False, no_cpython_wrapper=True, forceinline=True)

SOURCES = (
    "compiled.py",
    "cells/curves.py",
    "cells/circuit.py",
    "simulation/equations.py",
    "simulation/fast.py",
    "simulation/events.py",
    "simulation/ports.py",
    "simulation/quadrature.py",
    "simulation/transient.py",
)


def drop_stale(root=None):
    """Delete cached code under ``root`` (the package) if its sources are not those of the stamp; True if it did.

    Where the folder cannot be written, nothing is done: the compiler then keeps its cache elsewhere.
    """
    root = Path(root or Path(__file__).parent)
    digest = hashlib.sha256(b"".join((root / source).read_bytes() for source in SOURCES if (root / source).exists())).hexdigest()
    stamp = root / "__pycache__" / "compiled_sources.sha256"
    with contextlib.suppress(OSError):
        if stamp.exists() and stamp.read_text() == digest:
            return False
        for pattern in ("*.nbi", "*.nbc"):
            for path in root.glob(f"*/__pycache__/{pattern}"):
                path.unlink(missing_ok=True)
        stamp.parent.mkdir(exist_ok=True)
        stamp.write_text(digest)
        return True
    return False

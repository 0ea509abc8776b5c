"""Modules that libraries load with themselves and hardly a command needs: loaded when something of theirs is asked for.

``from numpy import *``, which scipy does, loads numpy's compiler of Fortran, its tools for tests and its masked arrays; scipy.optimize
loads scipy.spatial. Together they are a third of what scipy.integrate takes to load. Python's own way of putting a module off is
:class:`importlib.util.LazyLoader`; it is for a command, since a program decides itself what its process loads.
"""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Sequence

__all__ = ["SELDOM", "put_off"]

SELDOM = ("numpy.f2py", "numpy.testing", "numpy.ma", "scipy.spatial")


def put_off(names: Sequence[str] = SELDOM) -> None:
    """Load these modules of packages only when something of them is asked for; nothing is done about those that are there already."""
    for name in names:
        package, _, last = name.rpartition(".")
        spec = importlib.util.find_spec(name)  # loads the package
        if name in sys.modules or spec is None or spec.loader is None:
            continue
        spec.loader = importlib.util.LazyLoader(spec.loader)
        module = sys.modules[name] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        setattr(sys.modules[package], last, module)  # as importing it does

"""Studies: each a function from scenarios to a table."""

import sys
from importlib import import_module
from types import ModuleType


def hand_on(package, homes):
    """Let a package have what its modules define, imported on first use: no study should wait for the others.

    Several functions are called as the module that defines them. Python makes a module an attribute of its package once it is imported,
    so each name is a property, which comes before that and cannot be set.

    Parameters
    ----------
    package : str
        Its name.
    homes : dict of str to str
        Name of each thing → that of the module below the package which defines it.
    """

    def property_of(name, home):
        return property(lambda _: getattr(import_module(f"{package}.{home}"), name), lambda *_: None, lambda _: None)

    names = {name: property_of(name, home) for name, home in homes.items()}
    sys.modules[package].__class__ = type("HandingOn", (ModuleType,), names)


_HOMES = {
    "Ageing": "ageing",
    "age": "ageing",
    "at_rest": "at_rest",
    "AtRest": "at_rest_result",
    "bands": "bands",
    "Bands": "bands_result",
    "Bill": "bill",
    "bill": "bill",
    "Comparison": "compare",
    "compare": "compare",
    "bank_warnings": "described",
    "Diagnosis": "diagnosis",
    "diagnose": "diagnosis",
    "Drift": "drift",
    "drift": "drift",
    "join": "join",
    "Join": "join_result",
    "FittedLog": "logs",
    "fit_log": "logs",
    "Assumptions": "protection",
    "Protection": "protection",
    "protect": "protection",
    "StoredStudy": "read",
    "read": "read",
    "readings": "readings",
    "Sensitivity": "sensitivity",
    "sensitivity": "sensitivity",
    "Limits": "size",
    "Sizing": "size",
    "size": "size",
    "Sweep": "sweep",
    "sweep": "sweep",
    "Usable": "usable",
    "usable": "usable",
}
hand_on(__name__, _HOMES)

__all__ = [*_HOMES, "RESULTS"]


_RESULTS = {
    "compare": "Comparison", "sweep": "Sweep", "sensitivity": "Sensitivity", "size": "Sizing", "drift": "Drift", "usable": "Usable",
    "protect": "Protection", "bill": "Bill", "diagnose": "Diagnosis", "log": "FittedLog", "join": "Join", "atrest": "AtRest", "age": "Ageing",
    "run --bands": "Bands",
}  # fmt: skip


def __getattr__(name):
    """``RESULTS``: the kind of result of each command, for whoever reads them all."""
    if name != "RESULTS":
        raise AttributeError(f"module 'simbank.studies' has no attribute {name!r}")
    here = sys.modules[__name__]
    return {"run": import_module("simbank.simulation.result").Result} | {
        command: getattr(here, kind) for command, kind in _RESULTS.items()
    }

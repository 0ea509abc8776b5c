"""Mismatched battery packs in parallel: how they share current, over time, through real wiring."""

from importlib import import_module

_HOMES = {
    "Scenario": "scenario",
    "load": "scenario",
    "from_dict": "scenario",
    "with_changes": "scenario",
    "json_schema": "scenario",
    "simulate": "simulation.run",
    "Result": "simulation.result",
    "bank_warnings": "studies",
    "bill": "studies",
    "compare": "studies",
    "Sweep": "studies",
    "sweep": "studies",
    "drift": "studies",
    "Usable": "studies",
    "usable": "studies",
    "protect": "studies",
    "size": "studies",
    "Limits": "studies",
    "sensitivity": "studies",
    "Assumptions": "studies",
    "load_chemistry": "cells",
    "derived_chemistry": "cells",
    "chemistry_library": "cells",
    "Verdict": "verdict",
    "verdicts": "judging",
    "write_report": "report.html",
    "draw_bank": "plotting.drawing",
    "plot_sweep": "plotting.study_plots",
    "InputError": "errors",
    "SimbankError": "errors",
    "SimulationError": "errors",
}
__all__ = sorted(_HOMES)


def __getattr__(name):  # imported on first use, so that ``simbank --help`` does not wait for the compiler
    if name in _HOMES:
        return getattr(import_module(f"simbank.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'simbank' has no attribute {name!r}")


def __dir__():
    return __all__

"""Mismatched battery packs in parallel: how they share current, over time, through real wiring."""

from importlib import import_module

_HOMES = {
    "Scenario": "scenario",
    "load": "scenario",
    "from_dict": "scenario",
    "with_changes": "scenario",
    "example": "scenario",
    "examples": "scenario",
    "json_schema": "scenario",
    "UncertainValue": "scenario",
    "uncertain_values": "scenario",
    "drawn": "scenario",
    "Draw": "distributions",
    "parse_draw": "distributions",
    "Command": "duty",
    "Step": "duty",
    "Duty": "duty",
    "Branch": "bank",
    "layout": "bank",
    "simulate": "simulation.run",
    "Result": "simulation.result",
    "operating_point": "simulation.operating_point",
    "OperatingPoint": "simulation.operating_point",
    "Bands": "studies",
    "bands": "studies",
    "bank_warnings": "studies",
    "bill": "studies",
    "compare": "studies",
    "Sweep": "studies",
    "sweep": "studies",
    "diagnose": "studies",
    "fit_log": "studies",
    "drift": "studies",
    "Usable": "studies",
    "usable": "studies",
    "age": "studies",
    "at_rest": "studies",
    "join": "studies",
    "protect": "studies",
    "readings": "studies",
    "size": "studies",
    "Limits": "studies",
    "sensitivity": "studies",
    "read": "studies",
    "Assumptions": "studies",
    "Chemistry": "cells",
    "Curve": "cells",
    "load_chemistry": "cells",
    "derived_chemistry": "cells",
    "import_cell": "cells.cell_import",
    "chemistry_library": "cells",
    "Verdict": "verdict",
    "verdicts": "judging",
    "write_report": "report.html",
    "write_page": "page.html",
    "write_lesson": "page.lesson_page",
    "draw_bank": "plotting.drawing",
    "plot_sweep": "plotting.study_plots",
    "InputError": "errors",
    "SimbankError": "errors",
    "SimulationError": "errors",
}
__all__ = sorted([*_HOMES, "__version__"])


def __getattr__(name):  # imported on first use, so that ``simbank --help`` does not wait for the compiler
    if name in _HOMES:
        return getattr(import_module(f"simbank.{_HOMES[name]}"), name)
    if name == "__version__":
        return import_module("simbank.provenance").package_version("simbank")
    raise AttributeError(f"module 'simbank' has no attribute {name!r}")


def __dir__():
    return __all__

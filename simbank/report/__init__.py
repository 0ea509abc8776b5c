"""What people look at: plots, the drawing of a bank, the HTML report."""

from importlib import import_module

_HOMES = {"write_report": "html", "Study": "html", "draw_bank": "drawing"}
__all__ = sorted(_HOMES)


def __getattr__(name):  # imported on first use: plots of one kind should not wait for the others
    if name in _HOMES:
        return getattr(import_module(f"simbank.report.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'simbank.report' has no attribute {name!r}")

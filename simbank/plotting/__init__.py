"""Figures and drawings of what is handed in: tables, results, banks. It knows nothing of how they were computed."""

from importlib import import_module

_HOMES = {"draw_bank": "drawing", "plot_bands": "study_plots", "plot_pulse_fit": "plots", "plot_sweep": "study_plots"}
__all__ = sorted(_HOMES)


def __getattr__(name):  # imported on first use: figures of one kind should not wait for the others
    if name in _HOMES:
        return getattr(import_module(f"simbank.plotting.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'simbank.plotting' has no attribute {name!r}")

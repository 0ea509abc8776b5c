"""What is bolted together: packs, conductors, layouts, the graph."""

from importlib import import_module

_HOMES = {
    "LAYOUTS": "layouts",
    "Bank": "bank",
    "Bar": "layouts",
    "Branch": "graph",
    "Conductor": "conductors",
    "Gauge": "conductors",
    "Graph": "graph",
    "Pack": "bank",
    "Parts": "layouts",
    "join": "layouts",
    "layout": "layouts",
    "own_layouts": "layouts",
    "parse_gauge": "conductors",
    "resistance_per_metre": "conductors",
}
__all__ = sorted(_HOMES)


def __getattr__(name):  # imported on first use, so that help can name the layouts without what simulates them
    if name in _HOMES:
        return getattr(import_module(f"simbank.bank.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'simbank.bank' has no attribute {name!r}")

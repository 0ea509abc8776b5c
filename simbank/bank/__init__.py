"""What is bolted together: packs, conductors, layouts, the graph."""

from simbank.bank.bank import Bank, Pack
from simbank.bank.conductors import Conductor, Gauge, parse_gauge, resistance_per_metre
from simbank.bank.graph import Branch, Graph
from simbank.bank.layouts import LAYOUTS, Bar, Parts, join

__all__ = [
    "LAYOUTS",
    "Bank",
    "Bar",
    "Branch",
    "Conductor",
    "Gauge",
    "Graph",
    "Pack",
    "Parts",
    "join",
    "parse_gauge",
    "resistance_per_metre",
]

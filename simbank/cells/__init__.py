"""Cells: curves over state of charge and the chemistries made of them."""

from simbank.cells.chemistry import Chemistry, RCPair, library, load_chemistry
from simbank.cells.curves import Curve

__all__ = ["Chemistry", "Curve", "RCPair", "library", "load_chemistry"]

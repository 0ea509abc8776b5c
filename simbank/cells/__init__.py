"""Cells: curves over state of charge and the chemistries made of them."""

from simbank.cells.chemistry import Chemistry, RCPair, library, load_chemistry
from simbank.cells.chemistry import library as chemistry_library
from simbank.cells.curves import Curve

__all__ = ["Chemistry", "Curve", "RCPair", "chemistry_library", "library", "load_chemistry"]

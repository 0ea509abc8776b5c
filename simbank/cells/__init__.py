"""Cells: curves over state of charge and the chemistries made of them."""

from simbank.cells.chemistry import Chemistry, RCPair, library, load_chemistry
from simbank.cells.chemistry import library as chemistry_library
from simbank.cells.curves import Curve
from simbank.cells.derived import ChemistryTable, derived_chemistry

__all__ = [
    "Chemistry", "ChemistryTable", "Curve", "RCPair", "chemistry_library", "derived_chemistry", "library", "load_chemistry",
]  # fmt: skip

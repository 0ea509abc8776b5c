"""Time-domain simulation of a bank."""

from simbank.simulation.result import Result, columns
from simbank.simulation.run import METHODS, simulate

__all__ = ["METHODS", "Result", "columns", "simulate"]

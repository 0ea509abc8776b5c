"""Time-domain simulation of a bank."""

from simbank.simulation.result import Result
from simbank.simulation.run import METHODS, simulate

__all__ = ["METHODS", "Result", "simulate"]

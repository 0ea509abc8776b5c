"""What results come to: rules that make verdicts of numbers, with their thresholds and sources."""

from simbank.judging.judge import verdicts
from simbank.judging.rules import RULES

__all__ = ["RULES", "verdicts"]

"""The page to hand on: what was asked, what was found, and on what it rests."""

from simbank.plotting.drawing import draw_bank
from simbank.report.html import write_report
from simbank.results import Study

__all__ = ["Study", "draw_bank", "write_report"]

"""Pages that move: the view of a run, and the page to hand out that has many runs in it."""

from simbank.page.shown import bank_shown, clock_step, run_shown, view_sources

__all__ = ["bank_shown", "clock_step", "run_shown", "view_sources"]

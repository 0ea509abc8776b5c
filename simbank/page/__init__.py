"""Pages that move: the view of a run, and the page to hand out that has many runs in it."""

from simbank.page.html import make_page, write_page
from simbank.page.lesson import Lesson
from simbank.page.shown import bank_shown, clock_step, run_shown, shown_times, view_sources

__all__ = ["Lesson", "bank_shown", "clock_step", "make_page", "run_shown", "shown_times", "view_sources", "write_page"]

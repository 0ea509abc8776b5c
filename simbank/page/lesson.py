"""What a page for a class says besides its runs."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Lesson"]


@dataclass(frozen=True)
class Lesson:
    """Parts that :func:`simbank.write_page` puts around the view.

    Attributes
    ----------
    title : str
        Stands above the page instead of the scenario's name; empty for that.
    before, after : str
        HTML, not checked, between the introduction and the controls, and between the runs and what made the page.
    script : str
        JavaScript of its own, run after the page's; the document gets an event ``runshown`` at every change of the run.
    """

    title: str = ""
    before: str = ""
    after: str = ""
    script: str = ""

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
        JavaScript of its own, run after the page's. The document gets an event ``runshown`` at every change of the run, with its number,
        its point and the view, and takes ``showpoint`` with the point to go to.
    begin : int, optional
        Number of the run that is shown first; by default that of the file as it stands.
    """

    title: str = ""
    before: str = ""
    after: str = ""
    script: str = ""
    begin: int | None = None

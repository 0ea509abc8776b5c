"""What a view of the desk is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from simbank.desk.session import Session

__all__ = ["View"]


@dataclass(frozen=True)
class View:
    """A tab beside the forms.

    Attributes
    ----------
    name : str
        One word, for addresses and tests.
    title : str
        On its tab.
    build : callable
        Called with the tab's :class:`~simbank.desk.session.Session` when the view is first opened, within the element that it fills.
        Gives what is called whenever the document or its run has changed, or None.
    """

    name: str
    title: str
    build: Callable[[Session], Callable[[], None] | None]

"""What was made lately of objects that nobody changes, by the identity of these, so that it is not made again."""

from __future__ import annotations

import operator
from collections.abc import Callable
from typing import Any

__all__ = ["Kept"]


class Kept:
    """The last few things that were made of objects.

    The objects are held, so that their identity stays their own; they and what is made of them must not be changed.

    Parameters
    ----------
    most : int
        How many are kept.

    Examples
    --------
    >>> kept, curve = Kept(4), object()
    >>> first = kept.of((curve,), (25.0,), list)
    >>> kept.of((curve,), (25.0,), list) is first, kept.of((curve,), (30.0,), list) is first, kept.of((object(),), (25.0,), list) is first
    (True, False, False)
    """

    def __init__(self, most: int) -> None:
        self._most, self._made = most, []

    def of(self, objects: tuple, values: tuple, make: Callable[[], Any]) -> Any:
        """What ``make()`` gave for the same objects and equal values, or gives now."""
        for known, equal, made in tuple(self._made):
            if len(known) == len(objects) and equal == values and all(map(operator.is_, known, objects)):
                return made
        made = make()
        self._made.insert(0, (objects, values, made))
        del self._made[self._most :]
        return made

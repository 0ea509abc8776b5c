"""Names and times as a person says them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simbank.digits import duration

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["duration_text", "named"]


def duration_text(seconds: float) -> str:
    """A time [s] as a person says it.

    >>> duration_text(0.0123), duration_text(5400.0)
    ('12.3 ms', '90 min')
    """
    return duration(seconds) if seconds == seconds else "never"


def named(names: Iterable[str], most: int = 4) -> str:
    """Names in words, in their order in the alphabet; of many the first few.

    >>> named(["B", "A"]), named("FEDCBA")
    ('A, B', 'A, B, C, D and 2 more')
    """
    names = sorted(names)
    return ", ".join(names) if len(names) <= most + 1 else f"{', '.join(names[:most])} and {len(names) - most} more"

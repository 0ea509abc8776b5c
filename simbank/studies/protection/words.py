"""Names and times as a person says them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["duration_text", "named"]


def duration_text(seconds: float) -> str:
    """A time [s] as a person says it.

    >>> duration_text(0.0123), duration_text(5400.0)
    ('12.3 ms', '90 min')
    """
    if not np.isfinite(seconds):
        return "never"
    if seconds < 1.0:
        return f"{seconds * 1e3:.3g} ms"
    return f"{seconds:.3g} s" if seconds < 120 else f"{seconds / 60:.3g} min" if seconds < 7200 else f"{seconds / 3600:.3g} h"


def named(names: Iterable[str], most: int = 4) -> str:
    """Names in words, in their order in the alphabet; of many the first few.

    >>> named(["B", "A"]), named("FEDCBA")
    ('A, B', 'A, B, C, D and 2 more')
    """
    names = sorted(names)
    return ", ".join(names) if len(names) <= most + 1 else f"{', '.join(names[:most])} and {len(names) - most} more"

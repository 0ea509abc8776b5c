"""Names and times as a person says them."""

from __future__ import annotations

import numpy as np

__all__ = ["duration_text", "named"]


def duration_text(seconds):
    """A time as a person says it."""
    if not np.isfinite(seconds):
        return "never"
    if seconds < 1.0:
        return f"{seconds * 1e3:.3g} ms"
    return f"{seconds:.3g} s" if seconds < 120 else f"{seconds / 60:.3g} min" if seconds < 7200 else f"{seconds / 3600:.3g} h"


def named(names, most=4):
    """Names in words, in their order in the alphabet; of many the first few."""
    names = sorted(names)
    return ", ".join(names) if len(names) <= most + 1 else f"{', '.join(names[:most])} and {len(names) - most} more"

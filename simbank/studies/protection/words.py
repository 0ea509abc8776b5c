"""Names and times as a person says them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simbank.digits import duration, number

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["current_text", "duration_text", "energy_text", "i2t_text", "named"]


def duration_text(seconds: float) -> str:
    """A time [s] as a person says it.

    >>> duration_text(0.0123), duration_text(5400.0)
    ('12.3 ms', '90 min')
    """
    return duration(seconds) if seconds == seconds else "never"


def current_text(amperes: float) -> str:
    """A current [A] as a person says it.

    >>> current_text(46209.0), current_text(82.4)
    ('46.21 kA', '82 A')
    """
    return f"{amperes / 1e3:.2f} kA" if abs(amperes) >= 1000.0 else f"{amperes:.0f} A"


def energy_text(wh: float) -> str:
    """An energy [Wh] as a person says it.

    >>> energy_text(14620.3)
    '14,620 Wh'
    """
    return f"{number(wh, 'Wh')} Wh"


def i2t_text(a2s: float) -> str:
    """∫ i² dt [A²s] to three figures, from a million on in millions.

    >>> i2t_text(2.7196e11), i2t_text(1.234e6), i2t_text(83210.0), i2t_text(12.34)
    ('272,000 million A²s', '1.23 million A²s', '83,200 A²s', '12.3 A²s')
    """
    amount, unit = (a2s / 1e6, "million A²s") if a2s >= 1e6 else (a2s, "A²s")
    return f"{number(float(f'{amount:.3g}'))} {unit}"


def named(names: Iterable[str], most: int = 4) -> str:
    """Names in words, in their order in the alphabet; of many the first few.

    >>> named(["B", "A"]), named("FEDCBA")
    ('A, B', 'A, B, C, D and 2 more')
    """
    names = sorted(names)
    return ", ".join(names) if len(names) <= most + 1 else f"{', '.join(names[:most])} and {len(names) - most} more"

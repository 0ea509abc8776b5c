"""Times, energies and names as a verdict says them."""

from __future__ import annotations

import datetime as dt

__all__ = ["Clock", "energy", "first_clauses", "hours", "others", "short"]


class Clock:
    """Tells times of a run as its duty lets: by date and hour where it has real days, else by hours since the start.

    Parameters
    ----------
    scenario : Scenario
        Or whatever has a duty; only a scenario knows when its days begin.
    """

    def __init__(self, scenario):
        duty = (getattr(scenario, "data", None) or {}).get("duty", {})
        self.begin = None
        if isinstance(duty, dict) and duty.get("kind") == "days":
            from simbank.days import read_start, read_zone  # which loads pandas
            from simbank.scenario.duty_schema import DaysDuty

            start, zone = (str(duty.get(key, DaysDuty.model_fields[key].default)) for key in ("start", "timezone"))
            self.begin = read_start(start).replace(tzinfo=read_zone(zone))

    def local(self, time_s: float) -> dt.datetime | None:
        """Local date and time [time_s: s since the start]; None if the duty has no date."""
        if self.begin is None:
            return None
        return (self.begin.astimezone(dt.UTC) + dt.timedelta(seconds=float(time_s))).astimezone(self.begin.tzinfo)

    def told(self, time_s: float) -> str:
        """The time in words.

        >>> Clock(None).told(4500.0), Clock(None).told(180000.0)
        ('after 1.2 h', 'after 50 h')
        """
        local = self.local(60.0 * round(time_s / 60.0))  # to the minute, as the table of events has it
        if local is None:
            return f"after {hours(time_s / 3600.0)}"
        day = (local.date() - self.begin.date()).days + 1
        return f"on {local.day} {local:%B} at {local:%H:%M} (day {day})"


def hours(number: float) -> str:
    """A time in hours as a person says it.

    >>> hours(0.004), hours(0.2), hours(5.34), hours(182.9)
    ('14 s', '12 min', '5.3 h', '183 h')
    """
    seconds = number * 3600.0
    if seconds < 120.0:
        return f"{seconds:.0f} s"
    return f"{seconds / 60.0:.0f} min" if seconds < 3600.0 else f"{number:.1f} h" if number < 48.0 else f"{number:.0f} h"


def energy(wh: float) -> str:
    """An energy in words.

    >>> energy(640.2), energy(9047.9), energy(123456.0)
    ('640 Wh', '9.0 kWh', '123 kWh')
    """
    return f"{wh:.0f} Wh" if abs(wh) < 1000.0 else f"{wh / 1e3:.1f} kWh" if abs(wh) < 1e5 else f"{wh / 1e3:.0f} kWh"


def others(names, most: int = 3) -> str:
    """Further names in words, with a comma before them; nothing if there are none.

    >>> others(["B", "C"]), others("ABCDE"), others([])
    (', likewise B and C', ', likewise A, B and 3 more', '')
    """
    names = list(names)
    if not names:
        return ""
    return f", likewise {short(names, most)}"


def short(names, most: int = 3) -> str:
    """Names with commas and "and"; of many the first few.

    >>> short(["A"]), short("ABC"), short("ABCDE")
    ('A', 'A, B and C', 'A, B and 3 more')
    """
    names = list(names)
    if len(names) > most:
        names = [*names[: most - 1], f"{len(names) - most + 1} more"]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def first_clauses(text: str, most: int) -> str:
    """A text, or as many of its clauses as have no more letters than that; never cut within brackets.

    >>> first_clauses("breaks 10 kA; 12 kA can flow (fault at A, near), so it counts as shut", 60)
    'breaks 10 kA; 12 kA can flow (fault at A, near)'
    """
    if len(text) <= most:
        return text
    ends = [k for k, letter in enumerate(text[: most + 1]) if letter in ",;:" and text[:k].count("(") == text[:k].count(")")]
    return text[: ends[-1]] if ends else text[:most].rpartition(" ")[0]

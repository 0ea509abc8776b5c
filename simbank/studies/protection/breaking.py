"""Which devices can break what may flow through them, and the cases that this and their curves leave open."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from simbank.studies.protection.checks import CURVE, RATINGS, OpenCase
from simbank.studies.protection.words import current_text, named

if TYPE_CHECKING:
    from simbank.bank import Bank
    from simbank.bank.equipment import Device
    from simbank.studies.protection.faults import Faults

__all__ = ["FAILED_CLOSED", "NOT_KNOWN", "OPENS", "Breaking", "breaking"]

MOST_CASES = 8  # combinations of what is not known that are all followed


OPENS, FAILED_CLOSED, NOT_KNOWN = "opens", "failed closed", "not known"  # what a device does that is asked to break a fault


@dataclass(frozen=True)
class Breaking:
    """What is known of every device's opening.

    Attributes
    ----------
    worst : dict of str to (float, str)
        Greatest prospective current through each device [A], and the place of the fault.
    volt : float
        Highest voltage of the bank [V].
    state : dict of str to str
        What :func:`breaking` says of each device.
    failed, doubtful : frozenset of str
        Devices that count as failed closed, and those whose ratings are not given.
    beyond : tuple of str
        Devices through which more can flow than their own curve (``trip``) reaches.
    no_curve : frozenset of str
        Devices whose class and curve are not given, so that a generic curve counts.
    not_given : dict of str to str
        Of each of ``doubtful`` which rating is not given, in words.
    """

    worst: dict[str, tuple[float, str]]
    volt: float
    state: dict[str, str]
    failed: frozenset[str]
    doubtful: frozenset[str]
    beyond: tuple[str, ...]
    no_curve: frozenset[str] = frozenset()
    not_given: dict[str, str] = field(default_factory=dict)

    @classmethod
    def of(cls, greatest: Faults) -> Breaking:
        """From the :class:`~simbank.studies.protection.faults.Faults` of the greatest case."""
        bank = greatest.bank
        worst = {}
        at_once = greatest.circuit.prospective_each([(place.positive, place.negative) for place in greatest.places])
        for device, edge in zip(bank.devices, greatest.device_edge, strict=True):
            currents = {place.name: abs(float(row[edge])) for place, row in zip(greatest.places, at_once, strict=True)}
            place = max(currents, key=currents.get)
            worst[device.name] = currents[place], place
        return cls.of_currents(bank, worst)

    @classmethod
    def of_currents(cls, bank: Bank, worst: dict[str, tuple[float, str]]) -> Breaking:
        """From the greatest prospective current [A] through each device, and the place of that fault."""
        volt = max(pack.chemistry.volt_max * pack.cells_in_series for pack in bank.packs)
        state = {device.name: breaking(device, worst[device.name][0], volt) for device in bank.devices}
        return cls(
            worst, volt, state,
            frozenset(name for name, what in state.items() if what == FAILED_CLOSED),
            frozenset(name for name, what in state.items() if what == NOT_KNOWN),
            tuple(
                d.name for d in bank.devices
                if d.band is not None and np.isfinite(d.stated_to) and worst[d.name][0] > d.stated_to * d.rating_a
            ),
            frozenset(device.name for device in bank.devices if device.band is None),
            {device.name: _not_given(device) for device in bank.devices if state[device.name] == NOT_KNOWN},
        )  # fmt: skip

    def opens_only(self, name: str, current: str = "") -> str:
        """What the opening of a device rests on: a generic curve, ratings that are not given; empty if neither.

        Parameters
        ----------
        name : str
            Of the device.
        current : str, optional
            What it has to break, in words; by default the greatest current through it.

        Returns
        -------
        str
            Such as "by a generic curve, if it can break 16.3 kA: its DC interrupting rating is not given".
        """
        words = ["by a generic curve"] if name in self.no_curve else []
        if name in self.not_given:
            words.append(f"if it can break {current or current_text(self.worst[name][0])}: its {self.not_given[name]} not given")
        return ", ".join(words)

    def with_condition(self, name: str, current: str = "") -> str:
        """The name of a device, with what :meth:`opens_only` says of it in brackets behind it."""
        words = self.opens_only(name, current)
        return f"{name} ({words})" if words else name

    def with_gaps(self, name: str) -> str:
        """The name of a device, with what is not known of its opening in few words: "B (generic curve, DC ratings not given)"."""
        words = ["generic curve"] if name in self.no_curve else []
        if name in self.not_given:
            words.append(f"{self.not_given[name].rpartition(' ')[0]} not given")
        return f"{name} ({', '.join(words)})" if words else name

    @property
    def every_combination(self) -> bool:
        """Whether :attr:`open_cases` holds every combination of what is not known."""
        return 2 ** len(self.doubtful) * (2 if self.beyond else 1) <= MOST_CASES

    @property
    def open_cases(self) -> list[OpenCase]:
        """The latest opening as the data says it, and what else the data leaves open; what passes has to pass in all of them.

        Devices whose ratings are not given may open or fail closed, each for itself; curves that are given up to less current than
        can flow may stay level beyond their end. Up to ``MOST_CASES`` combinations all are cases, second of them that in which all
        of these devices fail closed; of more only the ends: all open, all fail closed, and all open with level curves.
        """
        doubtful = sorted(self.doubtful)
        some = [frozenset(part) for size in range(len(doubtful) - 1, 0, -1) for part in combinations(doubtful, size)]
        shut = [frozenset(), *([self.doubtful] if doubtful else []), *(some if self.every_combination else [])]
        found = [self._open_case(part, "latest") for part in shut]
        if self.beyond:
            found += [self._open_case(part, "level") for part in (shut if self.every_combination else shut[:1])]
        return found

    def _open_case(self, shut, line):
        """A case in words."""
        words = [f"{named(shut)} should fail closed (ratings not given)"] if shut else []
        if shut and shut != self.doubtful:
            words[0] += f" and {named(self.doubtful - shut)} open"
        if line == "level":
            words.append(f"{named(self.beyond)} should open no sooner at more current than at the last point given of its curve")
        wants = (*([RATINGS] if shut else []), *([CURVE] if line == "level" else []))
        return OpenCase(f"if {' and '.join(words)}" if words else "", self.failed | shut, line, wants)


def _not_given(device):
    """Which rating of a device is not given, with its verb."""
    if device.interrupting_a is None and device.voltage_v is None:
        return "DC ratings are"
    return f"DC {'interrupting' if device.interrupting_a is None else 'voltage'} rating is"


def breaking(device: Device, greatest_a: float, volt: float) -> str:
    """What a device does that is asked to break the greatest current through it [A] at the bank's highest voltage [V].

    ``OPENS`` if its interrupting rating and its DC voltage rating both do, ``FAILED_CLOSED`` if one does not, ``NOT_KNOWN`` if one
    is not given. A device that tries to break more than it can may weld, burn on as an arc or burst: that it opens cannot be
    relied on, so it counts as failed closed wherever its opening would help.

    >>> from simbank.bank.equipment import Device
    >>> fuse = Device("F", "lead", 100.0, (1.5, 10.0), (100.0, 0.01), interrupting_a=10e3, voltage_v=80.0)
    >>> breaking(fuse, 5e3, 58.4), breaking(fuse, 20e3, 58.4)
    ('opens', 'failed closed')
    """
    given = ((device.interrupting_a, greatest_a), (device.voltage_v, volt))
    if any(rating is not None and rating < asked for rating, asked in given):
        return FAILED_CLOSED
    return NOT_KNOWN if any(rating is None for rating, _ in given) else OPENS

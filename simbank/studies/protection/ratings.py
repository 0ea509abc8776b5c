"""For each string's device: the largest standard rating that surely opens before every device behind it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from simbank.bank.device_classes import load_class
from simbank.studies.protection.faults import TIMES, device_rows, opening_times, steady_time
from simbank.studies.protection.words import current_text, duration_text

if TYPE_CHECKING:
    from simbank.studies.protection.faults import Faults
    from simbank.studies.protection.outage import Loads

__all__ = ["StringRating", "string_ratings"]

STEADY = 160  # steady currents at which two devices are compared


@dataclass(frozen=True)
class StringRating:
    """Ratings of one string's device against the devices behind it, those of the string's packs.

    Attributes
    ----------
    string, device : str
    rating_a : float
        As in the file [A].
    series : str
        Where the standard ratings are from.
    behind : tuple of str
        Devices of the string's packs.
    largest_first_a : float or None
        Largest standard rating of its class whose latest opening comes before the soonest of every device behind it, for every
        fault and overload that the string feeds out through it [A]; None if there is none or it cannot be told.
    carries_load : bool or None
        Whether that rating is at least ``margin`` times the string's lasting load.
    load_a : float
        The string's lasting load [A].
    smallest_after_a : float or None
        The other order: smallest standard rating whose soonest opening comes after the latest of the pack's own device, for every
        fault inside a pack of the string [A].
    text : str
        All of it in words.
    """

    string: str
    device: str
    rating_a: float
    series: str
    behind: tuple[str, ...]
    largest_first_a: float | None
    carries_load: bool | None
    load_a: float
    smallest_after_a: float | None
    text: str

    @property
    def record(self) -> dict:
        """As plain data."""
        return {
            key: list(value) if isinstance(value := getattr(self, key), tuple) else value for key in self.__dataclass_fields__
        }


def string_ratings(greatest: Faults, least: Faults, loads: Loads, lasting: dict[str, float], margin: float) -> list[StringRating]:
    """One :class:`StringRating` for each device of a string.

    Parameters
    ----------
    greatest, least : Faults
        The greatest and the least case.
    loads : Loads
        The bank under its full loads.
    lasting : dict of str to float
        Branch → load that lasts [A].
    margin : float
        Rating ÷ load that lasts.
    """
    bank = greatest.bank
    return [
        _Rating(greatest, least, loads, device, bank.strings[device.owner]).found(lasting[device.branch], margin)
        for device in bank.devices
        if device.owner in bank.strings
    ]


class _Rating:
    """One string's device and those behind it, with the currents through each in every fault."""

    def __init__(self, greatest, least, loads, device, packs):
        self.device, self.packs = device, packs
        bank = greatest.bank
        self.behind = [d for d in bank.devices if d.owner in packs]
        # (place, currents through the device (m,), through those behind (m, b)) with the fault beyond the device, and inside a pack
        self.outside, self.inside, self.shares, self.back, self.most = [], [], np.zeros(len(self.behind)), 1.0, 0.0
        own = bank.devices.index(device)
        others = [bank.devices.index(d) for d in self.behind]
        members = [greatest.pack_names.index(name) for name in packs]
        for faults in (greatest, least) if others else ():
            for place in faults.places:
                response = faults.response(place)
                first = response.initial_a
                through = abs(first[faults.device_edge[own]])
                if through < 1e-3 * abs(first[-1]):
                    continue
                behind = np.abs(first[faults.device_edge[others]])
                currents = response.at(TIMES)[:, faults.device_edge]
                row = place, currents[:, own], currents[:, others]
                if abs(through - abs(first[members].sum())) < 1e-6 * through:  # it carries what its packs give, and nothing else
                    self.outside.append(row)
                    self.shares = np.maximum(self.shares, behind / through)
                    self.most = max(self.most, through)
                elif place.kind == "inside" and place.owner in packs:
                    self.inside.append(row)
        for load in loads.loads:
            now = np.abs(loads.operating_point(load).branch_a)
            through = now[loads.branch_of[device.name]]
            if through > 1e-6:
                self.shares = np.maximum(self.shares, now[[loads.branch_of[d.name] for d in self.behind]] / through)

    def of_rating(self, rating_a):
        """The device with another rating of its class, its magnetic setting kept as a multiple."""
        kind = load_class(self.device.class_name)
        set_to = self.device.band[0].instant_multiple
        usual = kind.trips(self.device.rating_a)[0].instant_multiple
        soonest, middle, latest = kind.trips(rating_a, None if set_to == usual else set_to / kind.instant_factors[0])
        return replace(
            self.device, rating_a=rating_a, multiples=middle.multiples, seconds=middle.seconds, least_multiple=middle.least_multiple,
            instant_multiple=middle.instant_multiple, instant_s=middle.instant_s, band=(soonest, latest),
        )  # fmt: skip

    def not_first(self, rating_a):
        """Why a device of this rating does not surely open before all behind it; None if it does."""
        mine, theirs = device_rows([self.of_rating(rating_a)], "latest"), device_rows(self.behind, "soonest")
        for place, through, behind in self.outside:
            latest = opening_times(through[:, None], *mine)[0][0]
            soonest = opening_times(behind, *theirs)[0]
            soonest[[np.abs(behind[:, k]).max() > d.stated_to * d.rating_a for k, d in enumerate(self.behind)]] = 0.0
            k = int(np.argmin(soonest))
            if np.isfinite(soonest[k]) and not latest < soonest[k]:
                return self._why(f"fault at {place.name}", k, soonest[k], latest)
        begin = min(
            d.band[0].least_multiple * d.rating_a / max(share, 1e-9) for d, share in zip(self.behind, self.shares, strict=True)
        )
        for current in np.geomspace(begin * 1.0001, max(self.most, 1.001 * begin), STEADY):
            latest = steady_time(0, current, *mine)
            soonest = [steady_time(k, current * share, *theirs) for k, share in enumerate(self.shares)]
            k = int(np.argmin(soonest))
            if np.isfinite(soonest[k]) and not latest < soonest[k]:
                return self._why(f"the string gives {current_text(current)}", k, soonest[k], latest)
        return None

    def not_after(self, rating_a):
        """Why a device of this rating may open before a pack's own for a fault inside it; None if it surely opens after."""
        mine, theirs = device_rows([self.of_rating(rating_a)], "soonest"), device_rows(self.behind, "latest")
        for place, through, behind in self.inside:
            soonest = opening_times(through[:, None], *mine)[0][0]
            latest = opening_times(behind, *theirs)[0]
            own = [k for k, d in enumerate(self.behind) if d.owner == place.owner]
            if np.isfinite(soonest) and not min(latest[k] for k in own) < soonest:
                return f"for a fault {place.name}"
        return None

    def _why(self, when, k, soonest, latest):
        need = "it need not open at all" if not np.isfinite(latest) else f"it may take {duration_text(latest)}"
        return f"{self.behind[k].name} may open after {duration_text(soonest)}, while {need} ({when})"

    def found(self, load_a, margin):
        device, behind = self.device, tuple(d.name for d in self.behind)

        def told(text, first=None, after=None, series=""):
            carries = None if first is None else bool(first >= margin * load_a)
            return StringRating(device.owner, device.name, device.rating_a, series, behind, first, carries, load_a, after, text)

        if not behind:
            return told("no device stands behind it: its packs have none of their own")
        if device.class_name is None:
            return told("its class is not given, so there is no series of standard ratings to choose from")
        blind = [d.name for d in self.behind if d.band is None]
        if blind:
            return told(f"when {', '.join(blind)} opens is not known: give class or trip")
        kind = load_class(device.class_name)
        ratings, series = sorted(kind.ratings_a), kind.ratings_source
        reasons = {rating: self.not_first(rating) for rating in ratings}
        first = max((rating for rating, why in reasons.items() if why is None), default=None)
        after = min((rating for rating in ratings if self.inside and self.not_after(rating) is None), default=None)
        if first is None:
            text = (
                f"no rating of its class ({ratings[0]:g} to {ratings[-1]:g} A, {series}) surely opens before every device behind it: "
                f"even with {ratings[0]:g} A, {reasons[ratings[0]]}"
            )
        else:
            whole = "which that rating carries with the bank whole (with a pack or string out it carries more: see one out)"
            enough = whole if first >= margin * load_a else "which that rating does NOT carry"
            text = (
                f"{first:g} A is the largest rating of its class ({series}) that surely opens before every device behind it; the "
                f"string's load that lasts is {load_a:.1f} A, × {margin:g} = {margin * load_a:.1f} A, {enough}"
            )
        if device.rating_a != first:
            why = reasons[device.rating_a] if device.rating_a in reasons else self.not_first(device.rating_a)
            how = "surely opens first" if why is None else f"does not surely open first: {why}"
            text += f". Its {device.rating_a:g} A in the file {how}"
        if self.inside:
            least = f"from {after:g} A on it" if after is not None else "no rating of its class"
            text += (
                f". The other order, a fault inside a pack: {least} surely opens after the pack's own device, as is wanted there"
            )
        return told(text, first, after, series)

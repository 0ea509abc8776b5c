"""Places of a fault that are one another's mirror image, as on a bus bar seen from its other end: what was followed at one, told at the other."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from simbank.studies.protection.following import SAME_TIME, Opening, Sequence

if TYPE_CHECKING:
    from collections.abc import Collection

    from simbank.bank.bank import Place
    from simbank.studies.protection.faults import Faults

__all__ = ["Mirror", "mirrors"]

KINDS = ("pack", "bar")  # of places: a fault inside a pack is over with its first opening, sooner than an image of it is found
FEWEST = 6  # packs, below which following twice takes less time
CLOSE = 1e-9  # share by which currents of images may differ, and 1e-12 what they are made of


@dataclass(frozen=True, eq=False)
class Mirror:
    """A place that is the image of another: what is true there of a row of currents, a device, a pack is true here of its image.

    Attributes
    ----------
    image : Place
        The other.
    edge, sign : ndarray, shape (e,)
        Of every edge here the edge there that carries the same current, and whether in the same direction; 0 where nothing flows.
    device, pack : dict of str to str
        Names there → here.
    """

    image: Place
    edge: np.ndarray
    sign: np.ndarray
    device: dict[str, str]
    pack: dict[str, str]

    def told(self, there: Sequence, failed: Collection[str]) -> Sequence | None:
        """What is followed here if ``there`` is at the image and the devices ``failed`` never open.

        None if that cannot be told: of devices that open at the same instant the order of the file decides, which is another here, and
        those that never open must be images of one another.
        """
        times = [opening.time_s for opening in there.openings]
        alike = any(b <= a * (1.0 + 10.0 * SAME_TIME) for a, b in pairwise(times))
        if alike or {self.device[name] for name in failed if name in self.device} != set(failed):
            return None
        flows = self.sign != 0
        devices, packs = list(self.device), list(self.pack)  # in the order of the file
        return Sequence(
            tuple(Opening(self.device[one.device], one.time_s, one.current_a) for one in there.openings),
            there.cleared_s,
            there.i2t[self.edge] * flows,
            tuple(sorted((self.device[name] for name in there.still_carrying), key=devices.index)),
            tuple(sorted((self.pack[name] for name in there.fed_by), key=packs.index)),
            there.end_a[self.edge] * self.sign,
            there.most_a[self.edge] * flows,
            there.most_in_turn_a[self.edge] * flows,
        )


def mirrors(faults: Faults) -> dict[str, Mirror]:
    """Name of a place → its :class:`Mirror`, for those whose image comes before them.

    Tried is the order of the packs turned round. Two circuits are images if each pack, each row of edges in series and the fault has its
    image, of the same resistance and inductance, and if the loops of the one are those of the other: then all equations are the same.
    """
    circuit, found = faults.circuit, {}
    sources = (circuit.emf, circuit.pack_ohm, circuit.henry[: circuit.n], circuit.rc_ohm, circuit.rc_tau)
    if circuit.n < FEWEST or not all(np.allclose(one, one[::-1], rtol=1e-12, atol=0.0) for one in sources):
        return found
    for kind in KINDS:
        places = [place for place in faults.places if place.kind == kind]
        for first, second in zip(places[: len(places) // 2], places[::-1], strict=False):
            mirror = _mirror(faults, first, second)
            if mirror is not None:
                found[second.name] = mirror
    return found


def _mirror(faults, there, here):
    """:class:`Mirror` of place ``here`` with its image ``there``; None if it is none."""
    one, other, n = faults.chains(there), faults.chains(here), faults.circuit.n
    if one.loops.shape != other.loops.shape:
        return None
    answers = [chains.answers() for chains in (one, other)]
    back = answers[1][:, ::-1]  # the packs in the order of their images
    weight = np.sqrt(np.arange(2.0, n + 2.0))
    key, same = answers[0] ** 2 @ weight, back**2 @ weight
    rows = np.empty(len(key), int)  # of a row here the row there
    rows[np.argsort(same, kind="stable")] = np.argsort(key, kind="stable")
    rows[:n] = np.arange(n)[::-1]
    if len(set(rows)) < len(rows):
        return None
    sign = np.where(np.einsum("ij,ij->i", answers[0][rows], back) < 0.0, -1.0, 1.0)
    scale = np.abs(answers[0]).max()
    if (
        not np.allclose(answers[0][rows] * sign[:, None], back, rtol=0.0, atol=CLOSE * scale)
        or not np.allclose(one.ohm[rows], other.ohm, rtol=1e-12, atol=0.0)
        or not np.allclose(one.henry[rows], other.henry, rtol=1e-12, atol=0.0)
        or rows[other.row[-1]] != one.row[-1]
        or sign[other.row[-1]] * other.sign[-1] != one.sign[-1]
    ):
        return None
    loops = one.loops[rows] * sign[:, None]
    shares = np.linalg.lstsq(loops, other.loops, rcond=None)[0]
    if np.abs(loops @ shares - other.loops).max() > CLOSE:
        return None
    device = _devices(faults, one, other, rows)
    if device is None:
        return None
    edge = one.edge[rows[other.row]]
    same_way = sign[other.row] * other.sign * one.sign[edge]
    return Mirror(there, edge, same_way, device, dict(zip(faults.pack_names, faults.pack_names[::-1], strict=True)))


def _devices(faults, one, other, rows):
    """Name of every device there → that of its image here, in the order of the file; None if some has none that is equal to it."""
    bare = [replace(device, name="", branch="", owner="", in_series=()) for device in faults.bank.devices]
    there = {}
    for d, edge in enumerate(faults.device_edge):
        there.setdefault(one.row[edge] if one.sign[edge] else None, []).append(d)
    found = {}
    for d, edge in enumerate(faults.device_edge):
        alike = [d] if not other.sign[edge] else there.get(rows[other.row[edge]], [])
        if len(alike) != 1 or bare[alike[0]] != bare[d] or (not other.sign[edge] and one.sign[edge]):
            return None
        found[alike[0]] = d
    if len(found) < len(bare):
        return None
    names = [device.name for device in faults.bank.devices]
    return {names[d]: names[found[d]] for d in sorted(found)}

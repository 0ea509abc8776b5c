"""Fault currents of banks drawn from what is not known exactly of one: the greatest and the least case of every draw."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from simbank.errors import InputError
from simbank.scenario.uncertain import UncertainValue, drawn, uncertain_values
from simbank.studies.draws import draw_shares
from simbank.studies.parallel import in_order
from simbank.studies.protection.faults import MOMENTS, Faults, greatest_faults, least_faults
from simbank.studies.protection.following import CLEARED_SHARE

if TYPE_CHECKING:
    from collections.abc import Callable

    from simbank.scenario import Scenario
    from simbank.studies.protection.assumptions import Assumptions

__all__ = ["FIGURES", "DrawnFaults"]

FIGURES = ("initial_a", *MOMENTS, "least_a", "least_one_pack_a")  # of ``Protection.faults``


@dataclass(frozen=True, eq=False)
class DrawnFaults:
    """What may flow in d drawn banks; the order of places and devices is that of ``greatest[0]``.

    Attributes
    ----------
    uncertain : list of UncertainValue
        What was drawn.
    values : DataFrame, draw × key
        The drawn values as bare numbers.
    greatest, least : list of Faults
        Both cases of every draw.
    currents : dict of str to ndarray
        Each of :data:`FIGURES`, shape (d, places) [A].
    through : ndarray, shape (d, devices)
        Greatest current through each device at once [A], of faults at all places.
    at_place : ndarray of int, shape (d, devices)
        The place of that fault.
    failures : list of str
        Why draws gave no bank; they are left out.
    """

    uncertain: list[UncertainValue]
    values: pd.DataFrame
    greatest: list[Faults]
    least: list[Faults]
    currents: dict[str, np.ndarray]
    through: np.ndarray
    at_place: np.ndarray
    failures: list[str]

    def __len__(self) -> int:
        return len(self.greatest)

    @classmethod
    def of(
        cls, scenario: Scenario, assumptions: Assumptions, draws: int, seed: int, tell: Callable[[float], None]
    ) -> DrawnFaults:
        """Draw ``draws`` banks by Latin hypercube and find what may flow in each.

        The state of charge and the temperature of the packs are those of the two cases in every draw, so that no draw hides what a
        warm, full bank can do; resistances, joints, growth and the chemistry's curves are drawn.
        """
        uncertain = uncertain_values(scenario, every_temperature=True)
        shares = draw_shares(len(uncertain), draws, seed=seed) if uncertain else np.zeros((1, 0))

        def one(row):
            try:
                bank = drawn(
                    scenario, {value.key: value.draw.value(share) for value, share in zip(uncertain, row, strict=True)}
                ).bank
            except InputError as error:
                return str(error)
            most, fewest = greatest_faults(bank, assumptions), least_faults(bank, assumptions)
            return most, fewest, _currents(most, fewest)

        kept, numbers, failures, greatest, least = [], [], [], [], []
        for row, found in zip(shares, in_order(one, [(row,) for row in shares], tell=tell), strict=True):
            if isinstance(found, str):
                failures.append(found)
                continue
            for one_of, cases in zip(found, (greatest, least, kept), strict=True):
                cases.append(one_of)
            numbers.append([value.draw.number(share) for value, share in zip(uncertain, row, strict=True)])
        if not kept:
            raise InputError(f"no draw gives a bank: {failures[0]}", key="bands", value=draws)
        figures, through = [found[0] for found in kept], np.array([found[1] for found in kept])
        currents = {key: np.array([found[key] for found in figures]) for key in FIGURES}
        most = through.argmax(axis=1)
        return cls(
            uncertain, pd.DataFrame(numbers, columns=[value.key for value in uncertain]), greatest, least, currents,
            through.max(axis=1), most, failures,
        )  # fmt: skip


def _currents(greatest, least):
    """Each of :data:`FIGURES` by place [A], and the current at once through each device in the greatest fault at each place."""
    places = [(place.positive, place.negative) for place in greatest.places]
    at_once = np.abs(greatest.circuit.prospective_each(places))
    later = np.abs(greatest.circuit.later_each(places, list(MOMENTS.values())))
    weak = np.abs(least.circuit.prospective_each(places)[:, -1])
    found = {"initial_a": at_once[:, -1], **dict(zip(MOMENTS, later, strict=True)), "least_a": weak}
    return found | {"least_one_pack_a": _one_pack(least, places, weak)}, at_once[:, greatest.device_edge]


def _one_pack(least, places, whole):
    """As :meth:`Faults.weakest` has it: the fault's current with that pack alone connected that feeds least, NaN if none feeds it.

    In a bolted fault inside a pack that pack and the rest see a short circuit each: what the one drives is its E ÷ R, whatever the
    other does.
    """
    circuit, names = least.circuit, least.pack_names
    own = np.array([names.index(place.owner) if place.kind == "inside" else -1 for place in least.places])
    inside = np.where(own >= 0, np.abs(circuit.emf / circuit.pack_ohm)[own], 0.0)
    feeds = np.full((len(names), len(places)), np.inf)
    for k in range(len(names)):
        closed = np.ones(circuit.n + circuit.b, bool)
        closed[: circuit.n] = np.arange(circuit.n) == k
        feed = np.abs(circuit.prospective_each(places, closed)[:, -1])
        feeds[k] = np.where((feed > CLEARED_SHARE * np.maximum(whole - inside, 0.0)) & (own != k), feed, np.inf)
    feed = feeds.min(axis=0)
    return np.where(np.isfinite(feed), feed + inside, np.nan)

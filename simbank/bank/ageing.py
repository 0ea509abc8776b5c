"""What grade and state of health say of a pack: capacity left, resistance growth, scatter among its cells."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Annotated

import numpy as np
from pydantic import Field, model_validator

from simbank.errors import InputError
from simbank.filemodel import FileModel, check, nearest, read_toml

__all__ = ["grades_source", "growth_from_health", "load_grade", "scattered_cells"]

_FILE = Path(__file__).parent / "grades.toml"
_Range = Annotated[list[float], Field(min_length=3, max_length=3)]

# Resistance as new times this much more by the time capacity is down to 80 %. Common practice, no source: end of first life is
# spoken of as 80 % of capacity or twice the resistance; 1.3 to 2.5 times is seen.
GROWTH_AT_80_PERCENT = 1.0


class Grade(FileModel):
    """One grade: low, typical and high value of each figure."""

    title: str
    capacity: _Range
    resistance: _Range
    cell_scatter: _Range
    below_full: _Range

    @model_validator(mode="after")
    def _ordered(self):
        for key in ("capacity", "resistance", "cell_scatter", "below_full"):
            low, typical, high = getattr(self, key)
            if not 0 <= low <= typical <= high:
                raise InputError("must be low, typical, high in that order, none below zero", key=key)
        return self


class _GradesFile(FileModel):
    source: str
    grades: dict[str, Grade]


@cache
def _grades():
    return check(_GradesFile, read_toml(_FILE), file=_FILE)


def grades_source() -> str:
    """Where the values of the grades come from."""
    return _grades().source


def load_grade(name: str) -> Grade:
    """The grade of that name in ``grades.toml``.

    Parameters
    ----------
    name : str
        "A", "B" or "used".

    Raises
    ------
    InputError
        If there is none.
    """
    grades = _grades().grades
    if name not in grades:
        raise InputError(f"unknown grade; {nearest(name, grades)}", value=name)
    return grades[name]


def growth_from_health(state_of_health: float) -> float:
    """Resistance growth that goes with a state of health (capacity left): 1 + (1 − SOH)/0.2, at least a tenth.

    >>> growth_from_health(0.8)
    2.0
    """
    return round(max(0.1, 1.0 + GROWTH_AT_80_PERCENT * (1.0 - state_of_health) / 0.2), 12)


def scattered_cells(
    count: int, capacity_scatter: float, below_full_scatter: float, seed: int | list[int]
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Relative capacities (mean 1) and state-of-charge imbalance (least 0) of the cells of one pack, from normal distributions.

    Parameters
    ----------
    count : int
        Cells in series.
    capacity_scatter, below_full_scatter : float
        Standard deviations, fractions.
    seed : int or sequence of int
        The same seed gives the same cells.

    Returns
    -------
    capacities, below_full : tuple of float, length ``count``
        Capacity ÷ that of the pack by its label, and how far the cell is from full when the first is, both as fractions.
    """
    random = np.random.default_rng(seed)
    capacity = np.clip(1.0 + capacity_scatter * random.standard_normal(count), 0.2, None)
    below = np.clip(np.abs(below_full_scatter * random.standard_normal(count)), 0.0, 0.5)
    return tuple(float(c) for c in capacity / capacity.mean()), tuple(float(b) for b in below - below.min())

"""Assumptions of the study of protection from what a person types: texts with units, checked by the names of the command's options."""

from __future__ import annotations

import math

from simbank.errors import InputError
from simbank.quantities import parse
from simbank.scenario import Scenario
from simbank.studies.protection.assumptions import Assumptions

__all__ = ["ASKED", "assumptions_asked", "refuse_shorted_cells"]

_LEAST_K, _MOST_K = 213.15, 393.15  # of packs in the cases of faults
ASKED = {
    "warm": "45 degC", "cold": "0 degC", "within": "5 s", "drop": 3.0, "margin": 1.25, "pack_inductance": "0 uH", "shorted_cells": 1,
}  # fmt: skip


def assumptions_asked(
    warm: str = ASKED["warm"], cold: str = ASKED["cold"], within: str = ASKED["within"], drop: float = ASKED["drop"],
    margin: float = ASKED["margin"], pack_inductance: str = ASKED["pack_inductance"], shorted_cells: int = ASKED["shorted_cells"],
) -> Assumptions:  # fmt: skip
    """Assumptions as ``simbank protect`` takes them.

    Parameters
    ----------
    warm, cold : str
        Pack temperature for the greatest and for the least fault currents.
    within : str
        Time within which every fault should clear.
    drop : float
        Greatest voltage drop from pack to port [%].
    margin : float
        Rating of a device ÷ load that lasts.
    pack_inductance : str
        Of each pack.
    shorted_cells : int
        Cells shorted in the case of a shorted pack.

    Raises
    ------
    InputError
        Whose ``key`` is the option's name.

    Examples
    --------
    >>> assumptions_asked(within="400 ms").wanted_s
    0.4
    """
    kelvin = {"--warm": _read("--warm", warm, "kelvin"), "--cold": _read("--cold", cold, "kelvin")}
    for (option, value), text in zip(kelvin.items(), (warm, cold), strict=True):
        if not _LEAST_K <= value <= _MOST_K:
            raise InputError("give a temperature of packs, from -60 to 120 degC", key=option, value=text)
    if kelvin["--cold"] >= kelvin["--warm"]:
        problem = f"must be below --warm ({warm}), the temperature of the greatest currents"
        raise InputError(problem, key="--cold", value=cold)
    wanted_s = _read("--within", within, "second")
    if not wanted_s > 0:
        raise InputError("give a time above zero", key="--within", value=within)
    henry = _read("--pack-inductance", pack_inductance, "henry")
    if not 0 <= henry < math.inf:
        raise InputError("must not be below zero", key="--pack-inductance", value=pack_inductance)
    return Assumptions(
        warm_k=kelvin["--warm"], cold_k=kelvin["--cold"], wanted_s=wanted_s, drop_share=drop / 100.0, margin=margin, pack_h=henry,
        cells_shorted=shorted_cells,
    )  # fmt: skip


def refuse_shorted_cells(scenario: Scenario, shorted_cells: int) -> None:
    """An InputError where a pack has too few cells for so many of them to be shorted."""
    for pack in scenario.bank.packs:
        if shorted_cells >= pack.cells_in_series:
            problem = (
                f"pack {pack.name} has {pack.cells_in_series} cells in series: at most {pack.cells_in_series - 1} can be followed"
            )
            raise InputError(problem, key="--shorted-cells", value=shorted_cells)


def _read(option, text, unit):
    try:
        return parse(text, unit)
    except InputError as error:
        raise InputError(error.problem, key=option, value=text) from None

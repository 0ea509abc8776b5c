"""Chemistries as a scenario names them: of its own, of the library, or by the path of a file."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from simbank.cells import Chemistry, ChemistryTable, Curve, RCPair, library, load_chemistry
from simbank.cells.chemistry import unknown_chemistry
from simbank.cells.chemistry_schema import wrong_lag
from simbank.cells.derived import refuse_rest_beyond_limits
from simbank.errors import InputError
from simbank.scenario.schema import ScenarioFile

__all__ = ["chemistries_of_types", "chemistry_by_name"]

CURVES = ("ocv", "half_width", "entropy", "r_factor", "rc_factor", "charge_rate")
NUMBERS = (
    "decay_per_soc", "volt_max", "volt_min", "charge_volt", "cutoff_volt", "arrhenius_k", "arrhenius_rc_k", "reference_k",
    "specific_heat_j_kg_k",
)  # fmt: skip


def chemistry_by_name(file: ScenarioFile, name: str, folder: Path) -> Chemistry:
    """The chemistry that a name stands for.

    Parameters
    ----------
    file : ScenarioFile
        Whose own chemistries come first.
    name : str
        One of ``[chemistries]``, a name of the library, or the path of a chemistry file.
    folder : Path
        From which paths count.

    Raises
    ------
    InputError
        If there is no such chemistry, or it is not sound.
    """
    if name in file.chemistries:
        own = file.chemistries[name]
        if isinstance(own, Chemistry):
            return _sound(replace(own, name=name))
        if own.base in file.chemistries and own.base not in library():
            raise InputError(
                "a chemistry of this file cannot be the base of another; name one of the library, or the path of a file",
                key=f"chemistries.{name}.base", value=own.base,
            )  # fmt: skip
        try:
            return own.chemistry(name, folder, next(iter(file.paths_of(name)), None))
        except InputError as error:
            raise InputError(error.problem, file=error.file, key=f"chemistries.{name}.{error.key}", value=error.value) from None
    if not name.endswith(".toml") and name not in library():
        raise unknown_chemistry(name, [*file.chemistries, *library()], folder)
    return load_chemistry(name, folder)


def _sound(own: Chemistry) -> Chemistry:
    """A chemistry that a program made, with what a run rests on looked at; a file's is checked where it is read."""
    key = f"chemistries.{own.name}"
    for label in CURVES:
        curve = getattr(own, label)
        if not isinstance(curve, Curve):
            raise InputError("must be a Curve", key=f"{key}.{label}", value=curve)
        if not np.isfinite(curve.rows).all():
            raise InputError("needs finite points and slopes", key=f"{key}.{label}")
    families = [(f"width_factors.{k}", curve) for k, curve in enumerate(own.width_factors.curves)] if own.width_factors else []
    for label, curve in [*families, ("r_by_celsius", own.r_by_celsius), ("rc_by_celsius", own.rc_by_celsius)]:
        if curve is not None and not np.isfinite(curve.rows).all():
            raise InputError("needs finite points and slopes", key=f"{key}.{label}")
    if any((curve.value < 0).any() for _, curve in families):
        raise InputError("must not be below zero", key=f"{key}.width_factors")
    for label in NUMBERS:
        number = getattr(own, label)
        if isinstance(number, bool) or not isinstance(number, (int, float, np.number)) or not np.isfinite(number):
            raise InputError("must be a finite number", key=f"{key}.{label}", value=number)
    volt = own.ocv.value
    if own.ocv.soc[0] > 0 or own.ocv.soc[-1] < 1 or not (np.diff(volt) >= 0).all() or not (volt > 0).all():
        raise InputError("must cover states of charge from 0 to 1, above 0 V and nowhere falling", key=f"{key}.ocv")
    if (own.half_width.value < 0).any():
        raise InputError("must not be below zero", key=f"{key}.half_width")
    if not 0 < own.volt_min <= own.cutoff_volt < own.charge_volt <= own.volt_max:
        limits = "volt_min, cutoff_volt, charge_volt, volt_max"
        raise InputError(f"{limits} must rise from above 0 V; cutoff_volt may be volt_min, charge_volt volt_max", key=key)
    _check_others(own, key)
    refuse_rest_beyond_limits(own, f"{key}.ocv")
    return own


def _check_others(own: Chemistry, key: str) -> None:
    """An InputError if what a run rests on besides voltages cannot be that of a cell."""
    for label, least in (("decay_per_soc", 0.0), ("reference_k", 0.0)):
        if not getattr(own, label) > least:
            raise InputError("must be above zero", key=f"{key}.{label}", value=getattr(own, label))
    for label in ("arrhenius_k", "arrhenius_rc_k", "specific_heat_j_kg_k"):
        if getattr(own, label) < 0:
            raise InputError("must not be below zero", key=f"{key}.{label}", value=getattr(own, label))
    for label in ("r_factor", "rc_factor"):
        if not (getattr(own, label).value > 0).all():
            raise InputError("must be above zero", key=f"{key}.{label}")
    if (own.charge_rate.value < 0).any():
        raise InputError("must not be below zero", key=f"{key}.charge_rate")
    if len(own.rc) != 2 or not all(isinstance(pair, RCPair) for pair in own.rc):
        raise InputError("needs two RCPairs", key=f"{key}.rc", value=own.rc)
    for number, pair in enumerate(own.rc):
        if not (0 <= pair.resistance_ratio < np.inf and 0 < pair.time_constant_s < np.inf):
            raise InputError("needs a resistance of zero or more and a time above zero", key=f"{key}.rc.{number}", value=pair)
        if not 0 <= pair.lag_s < np.inf:
            raise InputError("needs a lag of zero or more", key=f"{key}.rc.{number}", value=pair)
    if problem := wrong_lag(own.rc[0].lag_s, own.rc[1].lag_s, own.rc[1].resistance_ratio, own.rc_factor.value):
        raise InputError(problem, key=f"{key}.rc", value=own.rc)


def chemistries_of_types(file: ScenarioFile, folder: Path) -> tuple[dict[str, Chemistry], tuple[str, ...]]:
    """Chemistry of each pack type, and the names of the file's own chemistries that no pack type names; all of them must be sound."""
    own = {name: chemistry_by_name(file, name, folder) for name in file.chemistries}
    changed = {path: name for name, table in file.chemistries.items() if _changes_in_place(table) for path in file.paths_of(name)}
    found = {}
    for label, kind in file.pack_types.items():
        name = changed.get(kind.chemistry, kind.chemistry)
        try:
            found[label] = own.get(name) or chemistry_by_name(file, name, folder)
        except InputError as error:
            if error.file is None and error.key is None:
                raise InputError(error.problem, key=f"pack_types.{label}.chemistry", value=error.value) from None
            raise
    named = {changed.get(kind.chemistry, kind.chemistry) for kind in file.pack_types.values()}
    return found, tuple(name for name in own if name not in named)


def _changes_in_place(own: Chemistry | ChemistryTable) -> bool:
    """Whether a table of ``[chemistries]`` changes the chemistry whose name it has, rather than making another."""
    return not isinstance(own, Chemistry) and own.base is None

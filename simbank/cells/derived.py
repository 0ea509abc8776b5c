"""A chemistry made of another one by changing some of its numbers: scales, offsets and single values, section by section.

What comes out is a plain :class:`~simbank.cells.chemistry.Chemistry`, so every equation and both integrators take it as it is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from os import PathLike
from typing import Any

from pydantic import Field

from simbank.cells.chemistry import GAS_CONSTANT, Chemistry, RCPair, load_chemistry, ocv_curve
from simbank.cells.curves import Curve
from simbank.errors import InputError
from simbank.filemodel import FileModel, check, fraction, quantity

__all__ = ["ChemistryTable", "derived_chemistry"]


class OCVChange(FileModel):
    """Changes of the open-circuit curve."""

    scale: fraction(0.01, 100.0) = Field(
        1.0,
        description="how far the curve lies from its voltage at half charge, over that of the base: 2 is twice as steep everywhere",
    )
    offset: quantity("volt", least=-0.5, most=0.5) = Field(0.0, description="added to the open-circuit voltage of every cell")


class HysteresisChange(FileModel):
    """Changes of the hysteresis."""

    scale: fraction(0.0, 100.0) = Field(1.0, description="half-width over that of the base; 0 is a cell without hysteresis")
    half_width: quantity("volt", not_negative=True, most=1.0) | None = Field(
        None,
        description="half of the gap between charge and discharge branch at the base's reference temperature, the same at every "
        "charge; over temperature it changes as the base's does; `scale` multiplies it, too",
    )
    decay_per_soc: fraction(0.0, 1e4, above=True) | None = Field(
        None, description="how fast the state follows a change of state of charge [1 per unit SOC]; by default the base's"
    )


class EntropyChange(FileModel):
    """Changes of the entropic coefficient."""

    scale: fraction(-100.0, 100.0) = Field(1.0, description="dU/dT over that of the base")


class ResistanceChange(FileModel):
    """Changes of the ohmic resistance R0."""

    scale: fraction(0.0, 100.0, above=True) = Field(
        1.0, description="R0 over the pack type's `cell_resistance`, at every charge; the relaxation has a scale of its own"
    )
    activation_energy: quantity("joule/mole", not_negative=True) | None = Field(
        None, description="Arrhenius, also in place of factors over temperature that the base has; by default the base's"
    )


class RelaxationChange(FileModel):
    """Changes of the two relaxation pairs; a pack type's own `relaxation` stays as it stands."""

    scale: fraction(0.0, 100.0) = Field(1.0, description="resistance of both pairs over that of the base")
    time_scale: fraction(1e-3, 1e3) = Field(1.0, description="both time constants over those of the base")
    activation_energy: quantity("joule/mole", not_negative=True) | None = Field(
        None, description="Arrhenius, also in place of factors over temperature that the base has; by default the base's"
    )


class LimitsChange(FileModel):
    """Other limits, per cell; by default the base's."""

    volt_max: quantity("volt", above_zero=True) | None = Field(None, description="at which the pack opens on charge")
    volt_min: quantity("volt", above_zero=True) | None = Field(None, description="at which the pack opens on discharge")
    charge_volt: quantity("volt", above_zero=True) | None = Field(
        None, description="to which a charger is set unless the duty says so"
    )
    cutoff_volt: quantity("volt", above_zero=True) | None = Field(
        None, description="at which an inverter stops unless the duty or the inverter says so"
    )


class ChargeRateChange(FileModel):
    """Changes of the largest charge rate."""

    scale: fraction(0.0, 100.0) = Field(1.0, description="largest charge rate over that of the base, at every temperature")


class TypicalChange(FileModel):
    """Other typical values."""

    specific_heat: quantity("joule/kilogram/kelvin", above_zero=True) | None = Field(
        None, description="of a whole pack whose type gives none"
    )


class ChemistryTable(FileModel):
    """A chemistry of the file's own: another one with some of its numbers changed.

    It goes by NAME wherever a pack type names a chemistry. Its keys are dotted keys like all others, so that `--set`, `--over`,
    `--vary` and `sensitivity` reach them: `chemistries.NAME.hysteresis.scale`. Without a `base` it changes, for this file, the shipped
    chemistry NAME or that of the file NAME.toml which a pack type names. Measured curves belong into a chemistry file
    (`simbank cell new`, `simbank cell import`), which can be the `base`.
    """

    base: str | None = Field(
        None,
        description="name in the library, or path of a chemistry file, counted from this file; left out where NAME is the one that is changed",
    )
    ocv: OCVChange = Field(OCVChange(), description="open-circuit voltage")
    hysteresis: HysteresisChange = Field(HysteresisChange(), description="hysteresis")
    entropy: EntropyChange = Field(EntropyChange(), description="entropic coefficient")
    resistance: ResistanceChange = Field(ResistanceChange(), description="ohmic resistance")
    relaxation: RelaxationChange = Field(RelaxationChange(), description="relaxation pairs")
    limits: LimitsChange = Field(LimitsChange(), description="limits")
    charge_rate: ChargeRateChange = Field(ChargeRateChange(), description="largest charge rate")
    typical: TypicalChange = Field(TypicalChange(), description="typical values")

    def chemistry(self, name: str, folder: str | PathLike | None = None, path: str | None = None) -> Chemistry:
        """The chemistry that it describes.

        Parameters
        ----------
        name : str
            By which it goes.
        folder : path-like, optional
            From which the path of its base counts; by default the working folder.
        path : str, optional
            What it changes where it has no base; by default the chemistry ``name`` of the library.

        Raises
        ------
        InputError
            If there is no such base, or with these changes the cell's limits and its curve contradict each other.
        """
        try:
            base = load_chemistry(self.base or path or name, folder)
        except InputError as error:
            raise InputError(error.problem, file=error.file, key=error.key or "base", value=error.value) from None
        return _changed(base, name, self)


def derived_chemistry(
    base: str, changes: Mapping[str, Any], name: str | None = None, folder: str | PathLike | None = None
) -> Chemistry:
    """A chemistry with some of its numbers changed.

    Parameters
    ----------
    base : str
        Name in the library, or path of a chemistry file.
    changes : mapping of str to value
        Dotted keys of the table ``[chemistries.NAME]`` of a scenario file, such as ``{"hysteresis.scale": 1.5, "ocv.offset": "5 mV"}``.
    name : str, optional
        By which it goes; by default the base with what was changed.
    folder : path-like, optional
        From which the path of the base counts; by default the working folder.

    Returns
    -------
    Chemistry

    Raises
    ------
    InputError
        For an unknown key, a value that does not fit, or a base that there is not.

    >>> base, wide = load_chemistry("lfp"), derived_chemistry("lfp", {"hysteresis.scale": 1.5, "ocv.offset": "5 mV"})
    >>> round(float(wide.half_width(0.5) / base.half_width(0.5)), 9), round(float(wide.ocv(0.5) - base.ocv(0.5)), 9)
    (1.5, 0.005)
    """
    data: dict[str, Any] = {"base": str(base)}
    for dotted, value in changes.items():
        section, dot, key = dotted.partition(".")
        if not dot:
            raise InputError("write section and key, such as hysteresis.scale", key=dotted, value=value)
        data.setdefault(section, {})[key] = value
    table = check(ChemistryTable, data)
    return table.chemistry(name or f"{base} with {_words(table)}", folder)


def _words(table: ChemistryTable, section: str | None = None) -> str:
    """What a table changes, of all sections or of one, in words."""
    said = []
    for part in type(table).model_fields if section is None else (section,):
        changes = getattr(table, part)
        if isinstance(changes, FileModel):
            own = {key: getattr(changes, key) for key in type(changes).model_fields}
            said += [
                f"{part}.{k} = {v:g}" for k, v in own.items() if v is not None and v != type(changes).model_fields[k].default
            ]
    return ", ".join(said) or "nothing changed"


def _changed(base: Chemistry, name: str, table: ChemistryTable) -> Chemistry:
    """``base`` with the changes of a table."""
    limits = {key: getattr(table.limits, key) or getattr(base, key) for key in type(table.limits).model_fields}
    half = base.half_width
    if table.hysteresis.half_width is not None:
        half = Curve([0.5], [table.hysteresis.half_width])
    made = replace(
        base,
        **limits,
        name=name,
        title=f"{name}: {base.title or base.name}, with {_words(table)}",
        source=f"{base.name} with {_words(table)}. {base.source}",
        notes={
            section: note
            if (words := _words(table, section)) == "nothing changed"
            else f"changed from {base.name}: {words}. {note}"
            for section, note in base.notes.items()
        },
        ocv=_ocv(base, table.ocv, limits),
        half_width=_scaled(half, table.hysteresis.scale),
        decay_per_soc=table.hysteresis.decay_per_soc or base.decay_per_soc,
        entropy=_scaled(base.entropy, table.entropy.scale),
        r_factor=_scaled(base.r_factor, table.resistance.scale),
        rc=tuple(
            RCPair(
                pair.resistance_ratio * table.relaxation.scale,
                pair.time_constant_s * table.relaxation.time_scale,
                pair.lag_s * table.relaxation.scale,
            )
            for pair in base.rc
        ),
        arrhenius_k=_kelvin(table.resistance.activation_energy, base.arrhenius_k),
        arrhenius_rc_k=_kelvin(table.relaxation.activation_energy, base.arrhenius_rc_k),
        r_by_celsius=base.r_by_celsius if table.resistance.activation_energy is None else None,
        rc_by_celsius=base.rc_by_celsius if table.relaxation.activation_energy is None else None,
        charge_rate=_scaled(base.charge_rate, table.charge_rate.scale),
        specific_heat_j_kg_k=table.typical.specific_heat or base.specific_heat_j_kg_k,
        ranges={key: draw for key, draw in base.ranges.items() if key not in _stated(table)},
    )
    _check_limits(base, made)
    return made


def _stated(table: ChemistryTable) -> set[str]:
    """Dotted keys of what a table states itself; a half-width of its own leaves nothing to scale."""
    parts = {part: getattr(table, part) for part in type(table).model_fields}
    said = {
        f"{part}.{key}" for part, changes in parts.items() if isinstance(changes, FileModel) for key in changes.model_fields_set
    }
    return said | ({"hysteresis.scale"} if "hysteresis.half_width" in said else set())


def _kelvin(activation_j_mol, base_k):
    return base_k if activation_j_mol is None else activation_j_mol / GAS_CONSTANT


def _scaled(curve: Curve, factor: float) -> Curve:
    """A curve times a number, inside and outside its points."""
    if factor == 1.0:
        return curve
    outside = (curve.rows[0, 2] * factor, curve.rows[-1, 2] * factor)
    return Curve(curve.soc, curve.value * factor, curve.interpolation, outside)


def _ocv(base: Chemistry, change: OCVChange, limits: Mapping[str, float]) -> Curve:
    """The open-circuit curve U(½) + scale (U(z) − U(½)) + offset, beyond 0 and 100 % as of any chemistry."""
    if change.scale == 1.0 and change.offset == 0.0 and all(limits[key] == getattr(base, key) for key in limits):
        return base.ocv
    middle = float(base.ocv(0.5))
    volt = base.ocv.value if change.scale == 1.0 else middle + change.scale * (base.ocv.value - middle)
    return ocv_curve(base.ocv.soc, volt + change.offset, limits["volt_min"], limits["volt_max"])


def _check_limits(base: Chemistry, made: Chemistry) -> None:
    """An InputError if limits are out of order, or the cell rests beyond them when full or empty although the base does not."""
    if not 0 < made.volt_min <= made.cutoff_volt < made.charge_volt <= made.volt_max:
        given = f"{made.volt_min:g}, {made.cutoff_volt:g}, {made.charge_volt:g}, {made.volt_max:g} V"
        raise InputError("must satisfy 0 < volt_min <= cutoff_volt < charge_volt <= volt_max", key="limits", value=given)
    refuse_rest_beyond_limits(made, "ocv", base)


def refuse_rest_beyond_limits(made: Chemistry, key: str, base: Chemistry | None = None) -> None:
    """An InputError at ``key`` if a cell rests beyond its limits when full or empty, although its ``base``, if any, does not."""
    empty, full = float(made.ocv(0.0)), float(made.ocv(1.0))
    if full > made.volt_max and not (base and float(base.ocv(1.0)) > base.volt_max):
        raise InputError(
            f"a full cell would rest at {full:.4g} V, above the {made.volt_max:g} V at which a pack opens; change the curve less, or "
            "limits.volt_max as well",
            key=key,
        )
    if empty < made.volt_min and not (base and float(base.ocv(0.0)) < base.volt_min):
        raise InputError(
            f"an empty cell would rest at {empty:.4g} V, below the {made.volt_min:g} V at which a pack opens; change the curve less, or "
            "limits.volt_min as well",
            key=key,
        )

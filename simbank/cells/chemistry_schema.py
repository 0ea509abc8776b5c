"""The chemistry file: what its sections and keys are, and what of them is checked."""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal

import numpy as np
from pydantic import Field, model_validator

from simbank.cells.curves import Curve
from simbank.distributions import Draw
from simbank.errors import InputError
from simbank.filemodel import FileModel, Takes, fraction, nearest, quantity, range_draw, refuse_all

__all__ = ["SECTIONS", "ChemistryFile", "Sourced"]

KELVIN = 273.15
SECTIONS = ("ocv", "hysteresis", "entropy", "resistance", "relaxation", "limits", "charge_rate", "typical")


def _key(description: str, unit: str = "", span: str = "", measure: str = "", **more):
    """A key of the file: what it means, its unit, which values it takes, and how one measures it where that is worth it."""
    extra = {"x-unit": unit, "x-range": span, "x-measure": measure}
    return Field(description=description, json_schema_extra={key: text for key, text in extra.items() if text}, **more)


def _soc_points(**more):
    return _key("states of charge of the values below", "fraction", "two or more, rising from 0 (empty) to 1 (full)", **more)


EXACT = "a chemistry file has no ± and no within; the range of its section says how well a value is known"
SCALE = Takes(None, 0.0, 100.0)


class Sourced(FileModel):
    """A section of a chemistry file: where its values come from; if assumed, which range is seen in practice.

    ``RANGES`` has for each change of ``[chemistries.NAME]`` whose range the section may state: what it takes, and its typical value or
    the key of the section that holds it.
    """

    ALL_EXACT: ClassVar[str] = EXACT
    RANGES: ClassVar[dict[str, tuple[Takes, float | str]]] = {}

    source: str = _key("where the values of the section come from")
    assumed: bool = _key("whether they are assumed rather than measured or read somewhere", default=False)
    seen_in_practice: str | None = _key("range seen in practice; required of what is assumed", default=None)
    range: dict[str, Any] | None = _key(
        "low and high end, 5 and 95 % of what is seen in practice, of changes that [chemistries.NAME] makes to the section, such as "
        "{ scale = [0.5, 2] }; what bands of a run draw from",
        default=None,
    )

    @model_validator(mode="after")
    def _ranges(self):
        self.draws()
        return self

    def draws(self) -> dict[str, Draw]:
        """Distribution of each change whose range the section states."""
        found = {}
        for key, ends in (self.range or {}).items():
            if key not in self.RANGES:
                raise InputError(f'unknown key "{key}"; {nearest(key, self.RANGES)}', key="range")
            takes, typical = self.RANGES[key]
            try:
                found[key] = range_draw(ends, getattr(self, typical) if isinstance(typical, str) else typical, takes)
            except InputError as error:
                raise InputError(error.problem, key=f"range.{key}", value=error.value) from None
        return found

    @model_validator(mode="after")
    def _said(self):
        if not self.source.strip():
            raise InputError("must say where the values come from", key="source")
        if self.assumed and not (self.seen_in_practice or "").strip():
            raise InputError("an assumed value needs the range seen in practice", key="seen_in_practice")
        return self

    def note(self) -> str:
        """Source, whether it is assumed, and the range seen, in one line."""
        marks = "assumed; " if self.assumed else ""
        seen = f" Seen in practice: {self.seen_in_practice}" if self.seen_in_practice else ""
        return " ".join(f"{marks}{self.source}{seen}".split())


class _OCV(Sourced):
    """Open-circuit voltage of one cell at the reference temperature, half way between its charge and its discharge branch."""

    RANGES: ClassVar = {"scale": (Takes(None, 0.01, 100.0), 1.0), "offset": (Takes("volt", -0.5, 0.5), 0.0)}

    soc: list[float] = _soc_points()
    volt: list[float] = _key(
        "open-circuit voltage", "V", "rising from point to point, mostly 1.7 to 4.3",
        "voltage at rest, hours after the current, at each state of charge, once come to by charge and once by discharge; the mean of "
        "the two. simbank cell import does it",
    )  # fmt: skip


def _celsius():
    return _key("temperatures of temperature_factor", "degC", "two or more, rising; none without it", default_factory=list)


class _Hysteresis(Sourced):
    """Half of the gap between charge and discharge branch at rest, and how fast the cell goes from one to the other."""

    RANGES: ClassVar = {
        "scale": (SCALE, 1.0), "half_width": (Takes("volt", 0.0, 1.0), 0.0), "decay_per_soc": (Takes(None, 0.0, 1e4), "decay_per_soc"),
    }  # fmt: skip

    soc: list[float] = _soc_points()
    half_width_volt: list[float] = _key(
        "half of the gap", "V", "0 or more; LFP 0.003 to 0.015, lead-acid and NMC mostly 0",
        "voltage at rest after charge less that after discharge, at the same state of charge, halved",
    )  # fmt: skip
    decay_per_soc: fraction(0.0, 1e4, above=True) = _key(
        "share of the way to the other branch that is left after a change of state of charge is exp(-decay × change)",
        "1 per unit of soc", "above 0 to 10000; 10 to 150 in practice",
        "turn round half way and note rest voltages every point of charge until they lie on the other branch",
    )  # fmt: skip
    celsius: list[float] = _celsius()
    temperature_factor: list[list[float]] = _key(
        "half of the gap over that at the reference temperature: a row for each of celsius, a number for each of soc; straight in between, "
        "level beyond; without it the gap is the same at every temperature", "ratio", "0 or more; 1 at the reference temperature",
        "both branches at each temperature", default_factory=list,
    )  # fmt: skip


class _Entropy(Sourced):
    """Entropic coefficient: how the open-circuit voltage changes with temperature, and the reversible heat that goes with it."""

    RANGES: ClassVar = {"scale": (Takes(None, -100.0, 100.0), 1.0)}

    soc: list[float] = _soc_points()
    volt_per_kelvin: list[float] = _key("dU/dT", "V/K", "-0.001 to 0.001")


class _RC(FileModel):
    """A relaxation pair."""

    ALL_EXACT: ClassVar[str] = EXACT
    ratio: fraction(0.0, 100.0) = _key("its resistance over R0 at half charge", "ratio", "0 to 100")
    time_constant: quantity("second", above_zero=True) = _key("its time constant", "a time with its unit", "above 0")
    lag: quantity("second", not_negative=True) = _key(
        "of the second pair, with a ratio of 0: not a voltage but a lag of charge, as slow diffusion makes it; in a steady current the surface "
        "of the particles, whose charge sets the open-circuit voltage, is behind the mean by what flows in this time",
        "a time with its unit", "0 or more", default=0.0,
    )  # fmt: skip


class _Resistance(Sourced):
    """R0, the ohmic resistance of one cell, over state of charge and temperature. The pack's file says how large it is."""

    RANGES: ClassVar = {"scale": (SCALE, 1.0), "activation_energy": (Takes("joule/mole", 0.0), "activation_energy")}

    soc: list[float] = _soc_points(default_factory=lambda: [0.0, 1.0])
    factor: list[float] = _key(
        "R0 over its value at half charge", "ratio", "above 0; 1 at soc 0.5",
        "a pulse of current at each state of charge: the jump of voltage over the jump of current",
        default_factory=lambda: [1.0, 1.0],
    )  # fmt: skip
    activation_energy: quantity("joule/mole", not_negative=True) = _key(
        "how it grows in the cold: Arrhenius, exp(E/R (1/T - 1/T0))", "an energy per mole with its unit", "0 or more; 10 to 40 kJ/mol in practice",
        default=0.0,
    )  # fmt: skip
    celsius: list[float] = _celsius()
    temperature_factor: list[float] = _key(
        "measured instead of activation_energy: resistance over that at the reference temperature, one for each of celsius; in between and "
        "beyond its logarithm is smooth", "ratio", "above 0; 1 at the reference temperature", "the same pulses at each temperature",
        default_factory=list,
    )  # fmt: skip

    def by_celsius(self) -> Curve | None:
        """Logarithm of ``temperature_factor`` over degrees Celsius, if the file has one."""
        return None if not self.temperature_factor else Curve(self.celsius, np.log(self.temperature_factor))


class _Relaxation(_Resistance):
    """What follows the jump of voltage: two pairs of resistance and capacitance."""

    RANGES: ClassVar = _Resistance.RANGES | {"time_scale": (Takes(None, 1e-3, 1e3), 1.0)}

    factor: list[float] = _key(
        "resistance of both pairs over its value at half charge",
        "ratio",
        "above 0; 1 at soc 0.5",
        default_factory=lambda: [1.0, 1.0],
    )
    rc: list[_RC] = _key(
        "the two pairs: resistance over R0 at half charge, and time constant", "ratio, and a time with its unit", "exactly two",
        "voltage through a pulse and through the hour of rest after it. simbank cell import does it",
    )  # fmt: skip


class _Limits(Sourced):
    """Limits of one cell, from its maker's sheet: 0 < volt_min <= cutoff_volt < charge_volt <= volt_max."""

    volt_max: float = _key("the pack opens on charge", "V", "at least charge_volt", "read the maker's sheet")
    volt_min: float = _key("the pack opens on discharge", "V", "above 0, at most cutoff_volt", "read the maker's sheet")
    charge_volt: float = _key(
        "what a charger is set to, unless the duty says otherwise", "V", "above cutoff_volt, at most volt_max"
    )
    cutoff_volt: float = _key("what an inverter stops at, unless it or the duty says otherwise", "V", "at least volt_min")


class _ChargeRate(Sourced):
    """Largest charge current of a cell, over its temperature; the cell maker's sheet decides."""

    RANGES: ClassVar = {"scale": (SCALE, 1.0)}

    celsius: list[float] = _key("temperatures of the rates below", "degC", "two or more, rising")
    c_rate: list[float] = _key("largest charge rate", "C (1/h)", "0 or more", "read the maker's sheet")


class _Typical(Sourced):
    """A typical cell, for the card and for the starting values of a scenario; a bank takes its packs' own numbers."""

    RANGES: ClassVar = {
        "capacity": (Takes("ampere_hour", 0.0), "capacity"), "resistance": (Takes("ohm", 0.0), "resistance"),
        "specific_heat": (Takes("joule/kilogram/kelvin", 0.0), "specific_heat"),
    }  # fmt: skip

    capacity: quantity("ampere_hour", above_zero=True) = _key(
        "its capacity", "a capacity with its unit", "above 0", "discharge from full to empty"
    )
    resistance: quantity("ohm", above_zero=True) = _key(
        "its R0 at half charge and the reference temperature", "a resistance with its unit", "above 0",
        "two readings of voltmeter and clamp meter: simbank cell ohm",
    )  # fmt: skip
    specific_heat: quantity("joule/kilogram/kelvin", above_zero=True) = _key(
        "of a whole pack whose type gives none", "a specific heat with its unit", "above 0; 900 to 1150 J/kg/K in practice"
    )
    cells_in_series_48v: Annotated[int, Field(ge=1, le=1000, strict=True)] | None = _key(
        "cells in series of a bank that goes by 48 V; simbank drift and new ask for it", "", default=None
    )


class ChemistryFile(FileModel):
    """A chemistry: what one cell of a kind does. A scenario names this file as the `chemistry` of a pack type."""

    ALL_EXACT: ClassVar[str] = EXACT
    name: str = _key("by which it goes in tables and reports")
    title: str = _key("what it is, in one line")
    source: str = _key("where the values come from")
    licence: str = _key("under which terms they may be handed on; of your own measurements you decide")
    reference_temperature: quantity("kelvin", above_zero=True) = _key(
        "of all that follows", "a temperature with its unit", "mostly 20 to 25 degC"
    )
    family: Literal["lithium-ion", "lead-acid"] = _key(
        "lithium-ion cells are sold behind a BMS that can disconnect them, lead-acid ones without any switch",
        default="lithium-ion",
    )
    ocv: _OCV = _key("open-circuit voltage")
    hysteresis: _Hysteresis = _key("hysteresis")
    entropy: _Entropy = _key("entropic coefficient")
    resistance: _Resistance = _key("ohmic resistance")
    relaxation: _Relaxation = _key("relaxation pairs")
    limits: _Limits = _key("limits")
    charge_rate: _ChargeRate = _key("largest charge rate")
    typical: _Typical = _key("a typical cell")

    @model_validator(mode="after")
    def _sound(self):
        refuse_all(type(self).__name__, [*self._faulty_curves(), *self._faulty_numbers()])
        return self

    def _faulty_curves(self):
        points = {
            "ocv.volt": (self.ocv.soc, self.ocv.volt),
            "hysteresis.half_width_volt": (self.hysteresis.soc, self.hysteresis.half_width_volt),
            "entropy.volt_per_kelvin": (self.entropy.soc, self.entropy.volt_per_kelvin),
            "resistance.factor": (self.resistance.soc, self.resistance.factor),
            "relaxation.factor": (self.relaxation.soc, self.relaxation.factor),
        }
        for key, (soc, values) in points.items():
            problem = _wrong_points(soc, values)
            if problem is None and key == "ocv.volt" and np.any(np.diff(values) <= 0):
                problem = "must rise with soc from point to point"
            if problem is None and key == "hysteresis.half_width_volt" and min(values) < 0:
                problem = "must not be below zero"
            if problem is None and key.endswith(".factor"):
                if min(values) <= 0:
                    problem = "must be above zero"
                elif abs(float(Curve(soc, values)(0.5)) - 1.0) > 1e-6:
                    problem = "must be 1 at soc 0.5, where the resistance itself is stated"
            if problem:
                yield InputError(problem, key=key)
        for label in ("hysteresis", "resistance", "relaxation"):
            problem = _wrong_temperatures(getattr(self, label), self.reference_temperature - KELVIN)
            if problem:
                yield InputError(problem, key=f"{label}.temperature_factor")

    def _faulty_numbers(self):
        if len(self.relaxation.rc) != 2:
            yield InputError("needs exactly two pairs", key="relaxation.rc")
        elif problem := wrong_lag(
            self.relaxation.rc[0].lag, self.relaxation.rc[1].lag, self.relaxation.rc[1].ratio, self.relaxation.factor
        ):
            yield InputError(problem, key="relaxation.rc")
        low, cutoff, charge, high = (getattr(self.limits, k) for k in ("volt_min", "cutoff_volt", "charge_volt", "volt_max"))
        if not 0 < low <= cutoff < charge <= high:
            yield InputError("must satisfy 0 < volt_min <= cutoff_volt < charge_volt <= volt_max", key="limits")
        rate = self.charge_rate
        if len(rate.celsius) != len(rate.c_rate) or len(rate.celsius) < 2 or np.any(np.diff(rate.celsius) <= 0):
            yield InputError("needs as many rates as temperatures, two or more, temperatures rising", key="charge_rate")
        elif min(rate.c_rate) < 0:
            yield InputError("must not be below zero", key="charge_rate.c_rate")
        for key in ("source", "licence"):
            if not getattr(self, key).strip():
                yield InputError("must say where the values come from and under which terms", key=key)


def _wrong_temperatures(section, reference_celsius):
    """What is wrong with factors over temperature, None if nothing is."""
    celsius, factor = section.celsius, section.temperature_factor
    if not celsius and not factor:
        return None
    if len(celsius) != len(factor) or len(celsius) < 2 or np.any(np.diff(celsius) <= 0):
        return "needs as many values as temperatures in celsius, two or more, temperatures rising"
    wide = isinstance(section, _Hysteresis)
    if wide and any(len(row) != len(section.soc) for row in factor):
        return "needs a number for each of soc in every row"
    if not np.all(np.isfinite(factor)) or np.min(factor) < 0 or (not wide and np.min(factor) == 0):
        return "must be finite, and not below zero" if wide else "must be finite, and above zero"
    if not wide and section.activation_energy:
        return "cannot go with an activation_energy; give one of the two"
    at = [np.interp(reference_celsius, celsius, np.asarray(factor)[:, k]) for k in range(len(section.soc))] if wide else None
    if np.abs((np.array(at) if wide else np.exp(section.by_celsius()(reference_celsius))) - 1.0).max() > 1e-6:
        return f"must be 1 at the reference temperature, {reference_celsius:g} degC"
    return None


def wrong_lag(first, second, ratio, factor):
    """What is wrong with lags of charge [s] of both pairs, None if nothing is."""
    if first:
        return "only the second pair can be a lag"
    if second and (ratio or np.any(np.asarray(factor) != 1.0)):
        return "a pair with a lag needs the ratio 0, and the section the factor 1 at every charge"
    return None


def _wrong_points(soc, values):
    """What is wrong with points over state of charge, None if nothing is."""
    if len(soc) != len(values) or len(soc) < 2:
        return "needs as many values as soc points, two or more"
    if soc[0] != 0 or soc[-1] != 1 or np.any(np.diff(soc) <= 0):
        return "soc points must rise strictly from 0 to 1"
    return None if np.all(np.isfinite(values)) else "values must be finite"

"""A chemistry: what one cell of a kind does, read from a data file of one schema."""

from __future__ import annotations

import os
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cache, lru_cache
from os import PathLike
from pathlib import Path

import numpy as np

from simbank.cells.chemistry_schema import KELVIN, SECTIONS, ChemistryFile
from simbank.cells.curves import Curve, CurveFamily
from simbank.distributions import Draw
from simbank.errors import InputError
from simbank.filemodel import check, nearest, read_toml

__all__ = ["GAS_CONSTANT", "Chemistry", "RCPair", "library", "load_chemistry"]

LIBRARY = Path(__file__).parent / "library"
GAS_CONSTANT = 8.314462618  # J/(mol K), CODATA 2018 (exact)
REFERENCE_K = 298.15
MIDDLE_SOC = (0.3, 0.7)  # where the slope of a curve decides how packs in parallel share; a choice of ours
CARD_SOC = (0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0)
BEYOND_SOC = 0.02  # beyond full or empty a cell comes to its limit within this share of its capacity; assumed, no source


@dataclass(frozen=True)
class RCPair:
    """A relaxation: resistance as a fraction of R0, and time constant [s].

    The second may be a lag of charge instead, ``lag_s`` [s]: at a steady current the surface of the particles, which sets the voltage, is
    behind the mean by the charge that flows in this time.
    """

    resistance_ratio: float
    time_constant_s: float
    lag_s: float = 0.0


@dataclass(frozen=True, eq=False)
class Chemistry:
    """What all cells of a kind have in common.

    Attributes
    ----------
    name : str
    ocv : Curve
        Open-circuit voltage half way between the branches at the reference temperature [V] over state of charge.
    half_width : Curve
        Half of the gap between charge and discharge branch at the reference temperature [V] over state of charge.
    decay_per_soc : float
        Rate γ at which the hysteresis state follows a change of state of charge [1 per unit SOC].
    rc : tuple of RCPair
        Two pairs.
    volt_max, volt_min : float
        Cell limits at which a pack opens [V].
    charge_volt, cutoff_volt : float
        What a charger and an inverter are set to, unless the duty says otherwise [V per cell].
    entropy : Curve
        Entropic coefficient dU/dT [V/K] over state of charge.
    r_factor, rc_factor : Curve
        R0, and the resistance of both pairs, over their values at half charge.
    arrhenius_k, arrhenius_rc_k : float
        Activation energy ÷ gas constant of R0 and of the pairs [K].
    width_factors : CurveFamily or None
        Half-width over that at the reference temperature, over state of charge and degrees Celsius; None: 1 at every temperature.
    r_by_celsius, rc_by_celsius : Curve or None
        Logarithm of R0, and of the resistance and time constant of the pairs, over their values at the reference temperature, over
        degrees Celsius; it goes before the activation energies. None: Arrhenius.
    reference_k : float
        Temperature for which the above hold [K].
    charge_rate : Curve
        Largest charge rate [C] over cell temperature [degC].
    specific_heat_j_kg_k : float
        Of a whole pack; 0 if the file does not say.
    typical : dict
        ``capacity_ah`` and ``resistance_ohm`` of a typical cell, for the card.
    cells_in_series_48v : int or None
        Cells in series of a bank that goes by 48 V, if the file says.
    family : {"lithium-ion", "lead-acid"}
        Lithium-ion cells are sold behind a BMS that can disconnect them, lead-acid ones without any switch.
    notes : dict of str to str
        Source of each section of the file, with the range seen in practice where a value is assumed.
    ranges : dict of str to Draw
        Distribution of each change, by its dotted key in ``[chemistries.NAME]`` ("hysteresis.scale"), whose range the file states.
    """

    name: str
    ocv: Curve
    half_width: Curve
    decay_per_soc: float
    rc: tuple[RCPair, RCPair]
    volt_max: float
    volt_min: float
    charge_volt: float
    cutoff_volt: float
    entropy: Curve = field(default_factory=lambda: Curve([0.0], [0.0]))
    r_factor: Curve = field(default_factory=lambda: Curve([0.0], [1.0]))
    rc_factor: Curve = field(default_factory=lambda: Curve([0.0], [1.0]))
    arrhenius_k: float = 0.0
    arrhenius_rc_k: float = 0.0
    width_factors: CurveFamily | None = None
    r_by_celsius: Curve | None = None
    rc_by_celsius: Curve | None = None
    reference_k: float = REFERENCE_K
    charge_rate: Curve = field(default_factory=lambda: Curve([0.0], [1e9]))
    specific_heat_j_kg_k: float = 0.0
    typical: dict[str, float] = field(default_factory=dict)
    cells_in_series_48v: int | None = None
    notes: dict[str, str] = field(default_factory=dict)
    title: str = ""
    source: str = ""
    licence: str = ""
    family: str = "lithium-ion"
    ranges: dict[str, Draw] = field(default_factory=dict)

    def series_48v(self) -> int:
        """Cells in series of a bank that goes by 48 V.

        Raises
        ------
        InputError
            If the chemistry's file does not say.
        """
        if self.cells_in_series_48v is None:
            raise InputError(
                'its file does not say how many cells in series make 48 V; add "cells_in_series_48v" to its [typical]',
                key="chemistry", value=self.name,
            )  # fmt: skip
        return self.cells_in_series_48v

    def resistance_scale(self, soc: float | np.ndarray, temperature_k: float | np.ndarray) -> np.ndarray:
        """R0 over its reference value: f(z) · exp(E/R (1/T − 1/T0)), Arrhenius, or f(z) times what the file has over temperature.

        Parameters
        ----------
        soc : float or ndarray
            State of charge z.
        temperature_k : float or ndarray
            T [K]; shapes broadcast.
        """
        return self.r_factor(soc) * self._over_temperature(temperature_k, self.r_by_celsius, self.arrhenius_k)

    def relaxation_scale(self, soc: float | np.ndarray, temperature_k: float | np.ndarray) -> np.ndarray:
        """Resistance of both relaxation pairs over its reference value, as :meth:`resistance_scale` has R0."""
        return self.rc_factor(soc) * self._over_temperature(temperature_k, self.rc_by_celsius, self.arrhenius_rc_k)

    def _over_temperature(self, temperature_k, by_celsius, arrhenius_k):
        if by_celsius is not None:
            return np.exp(by_celsius(np.asarray(temperature_k) - KELVIN))
        return np.exp(arrhenius_k * (1 / np.asarray(temperature_k) - 1 / self.reference_k))

    def half_width_at(self, soc: float | np.ndarray, temperature_k: float | np.ndarray | None = None) -> np.ndarray:
        """Half of the gap between charge and discharge branch [V]; parameters as above, without a temperature at the reference one.

        >>> cell = load_chemistry("lfp_26650")
        >>> [round(1e3 * float(cell.half_width_at(0.5, celsius + 273.15))) for celsius in (5, 25, 45)]
        [20, 15, 11]
        """
        if self.width_factors is None or temperature_k is None:
            return self.half_width(soc)
        return self.half_width(soc) * self.width_factors(soc, np.asarray(temperature_k) - KELVIN)

    def typical_resistance_ohm(self, soc, temperature_k):
        """R0 of the typical cell of the card [Ω] at a state of charge and a temperature [K].

        Raises
        ------
        InputError
            If the chemistry has no typical cell.
        """
        if "resistance_ohm" not in self.typical:
            raise InputError("has no typical cell, whose resistance could be shown", key="chemistry", value=self.name)
        return self.resistance_scale(soc, temperature_k) * self.typical["resistance_ohm"]

    @property
    def middle_slope_v_per_soc(self) -> float:
        """Mean slope dU/dz of one cell's open-circuit curve over ``MIDDLE_SOC`` [V per unit of state of charge].

        >>> round(load_chemistry("nmc").middle_slope_v_per_soc, 2)
        0.92
        """
        low, high = MIDDLE_SOC
        return float(self.ocv(high) - self.ocv(low)) / round(high - low, 9)

    @property
    def middle_half_width_v(self) -> float:
        """Mean half-width of one cell's hysteresis over ``MIDDLE_SOC`` at the reference temperature [V]."""
        return self.middle_half_width_at(None)

    def middle_half_width_at(self, temperature_k: float | None) -> float:
        """Mean half-width of one cell's hysteresis over ``MIDDLE_SOC`` at a temperature [V]."""
        return float(np.mean(self.half_width_at(np.linspace(*MIDDLE_SOC, 201), temperature_k)))

    def card(self):
        """The cell as a table for readers, one row for each state of charge.

        Returns
        -------
        list of dict
            ``soc``; open-circuit voltage after charge, in the middle and after discharge (``charge_v``, ``mid_v``, ``discharge_v``
            [V]); ``slope_v_per_soc`` of the middle [V per unit of state of charge]; R0 of the typical cell at 0 and at 25 °C
            (``resistance_0c_milliohm``, ``resistance_25c_milliohm`` [mΩ]).
        """
        return [
            {
                "soc": z,
                "charge_v": float(self.ocv(z) + self.half_width(z)),
                "mid_v": float(self.ocv(z)),
                "discharge_v": float(self.ocv(z) - self.half_width(z)),
                "slope_v_per_soc": float(self.ocv.slope(z)),
                "resistance_0c_milliohm": float(self.typical_resistance_ohm(z, 273.15) * 1e3),
                "resistance_25c_milliohm": float(self.typical_resistance_ohm(z, 298.15) * 1e3),
            }
            for z in CARD_SOC
        ]


def library() -> list[str]:
    """Names of the chemistries in ``cells/library``: a file put there is one of them."""
    return list(_library(LIBRARY.stat().st_mtime_ns))


@lru_cache(maxsize=1)
def _library(changed):
    """Names of the library as it stood when its folder was last ``changed``: a scenario asks for them several times."""
    return sorted(path.stem for path in LIBRARY.glob("*.toml"))


def ocv_curve(soc: Sequence[float], volt: Sequence[float], volt_min: float, volt_max: float) -> Curve:
    """Open-circuit voltage over state of charge, with what the model takes for it beyond 0 and 100 %.

    There it goes on as a straight line: with the slope at its end, or so steep that it comes to the cell's limit within
    ``BEYOND_SOC`` of its capacity, whichever is steeper. The end slope alone would let a full lead-acid cell store on charge as
    much again as it can hold. No cell is known to follow such a line: a real one beyond full takes part of the current for gas
    and heat, and its voltage may stand still while it does.

    Parameters
    ----------
    soc, volt : sequence of float
        Points, state of charge from 0 to 1 [V].
    volt_min, volt_max : float
        Limits of the cell [V].
    """
    curve = Curve(soc, volt)
    below = max(float(curve.slope(0.0)), (volt[0] - volt_min) / BEYOND_SOC)
    above = max(float(curve.slope(1.0)), (volt_max - volt[-1]) / BEYOND_SOC)
    return Curve(soc, volt, outside=(below, above))


def load_chemistry(name: str | PathLike, folder: str | PathLike | None = None) -> Chemistry:
    """Chemistry by library name ("lfp") or by path of a file of the same form.

    Parameters
    ----------
    name : str or path-like
        A name of :func:`library`, or a path that ends in ".toml".
    folder : path-like, optional
        From which a path counts: the folder of the file that names it. By default the working folder.

    Raises
    ------
    InputError
        If there is no such chemistry or its file is not sound.

    >>> load_chemistry("lfp").series_48v()
    16
    """
    path, content = chemistry_path(name, folder), None
    if str(name).endswith(".toml"):
        with suppress(OSError, ValueError):
            content = path.read_bytes()
    return _read_chemistry(path, content)


def chemistry_path(name: str | PathLike, folder: str | PathLike | None = None) -> Path:
    """The file of a chemistry; parameters and errors of :func:`load_chemistry`."""
    if str(name).endswith(".toml"):
        path = Path(folder or "") / name
        if not path.exists():
            raise InputError(_not_found(name, folder or ""), value=str(name))
        return path
    if str(name) not in library():
        raise unknown_chemistry(name, library(), folder)
    return _in_library(str(name))


@cache
def _in_library(name):
    """Path of a shipped chemistry: one object, whose hash is reckoned once."""
    return LIBRARY / f"{name}.toml"


def unknown_chemistry(name: str | PathLike, known: Sequence[str], folder: str | PathLike | None = None) -> InputError:
    """The error of a name that is none of ``known`` and does not end in ".toml", to be raised."""
    with suppress(OSError):  # a name too long for a file
        if (Path(folder or "") / name).is_file():
            return InputError('a file, but not a chemistry file, which is TOML and whose name ends in ".toml"', value=str(name))
    return InputError(f"unknown chemistry; {nearest(name, known)}, or give the path of a .toml file", value=str(name))


def _not_found(name, folder):
    """What is said of a path where no file stands; one that stands there from the working folder is told with what would be right."""
    told = f"no such file: {Path(folder) / name}"
    if not Path(name).is_file() or os.path.abspath(folder) == os.getcwd():
        return told
    right = Path(os.path.relpath(name, folder)).as_posix()
    return f'{told}. Paths count from the file that names them, not from the working folder; write "{right}"'


@cache
def _read_chemistry(path, content=None):
    """Chemistry from a file; ``content`` tells whether one of the user's is still the same."""
    return chemistry_of(check(ChemistryFile, read_toml(path), file=path))


def chemistry_of(data: ChemistryFile) -> Chemistry:
    """The chemistry that the contents of a file describe."""
    return Chemistry(
        name=data.name,
        title=data.title,
        source=" ".join(data.source.split()),
        licence=data.licence,
        family=data.family,
        ocv=ocv_curve(data.ocv.soc, data.ocv.volt, data.limits.volt_min, data.limits.volt_max),
        half_width=Curve(data.hysteresis.soc, data.hysteresis.half_width_volt, outside="level"),
        decay_per_soc=data.hysteresis.decay_per_soc,
        width_factors=_width_factors(data.hysteresis),
        r_by_celsius=data.resistance.by_celsius(),
        rc_by_celsius=data.relaxation.by_celsius(),
        entropy=Curve(data.entropy.soc, data.entropy.volt_per_kelvin, outside="level"),
        rc=tuple(RCPair(pair.ratio, pair.time_constant, pair.lag) for pair in data.relaxation.rc),
        r_factor=Curve(data.resistance.soc, data.resistance.factor, outside="level"),
        rc_factor=Curve(data.relaxation.soc, data.relaxation.factor, outside="level"),
        arrhenius_k=data.resistance.activation_energy / GAS_CONSTANT,
        arrhenius_rc_k=data.relaxation.activation_energy / GAS_CONSTANT,
        reference_k=data.reference_temperature,
        volt_max=data.limits.volt_max,
        volt_min=data.limits.volt_min,
        charge_volt=data.limits.charge_volt,
        cutoff_volt=data.limits.cutoff_volt,
        charge_rate=Curve(data.charge_rate.celsius, data.charge_rate.c_rate, "linear", outside="level"),
        specific_heat_j_kg_k=data.typical.specific_heat,
        typical={"capacity_ah": data.typical.capacity, "resistance_ohm": data.typical.resistance},
        cells_in_series_48v=data.typical.cells_in_series_48v,
        notes={section: getattr(data, section).note() for section in SECTIONS},
        ranges={f"{section}.{key}": draw for section in SECTIONS for key, draw in getattr(data, section).draws().items()},
    )


def _width_factors(hysteresis):
    """How the half-width changes with temperature, None if the file does not say."""
    if not hysteresis.temperature_factor:
        return None
    rows = [Curve(hysteresis.soc, row, outside="level") for row in hysteresis.temperature_factor]
    return CurveFamily(hysteresis.celsius, rows)

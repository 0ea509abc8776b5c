"""Resistance of what carries the current: cable by gauge, bus bar by cross-section, joints."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace

from simbank.distributions import Draw
from simbank.errors import InputError

__all__ = ["MATERIALS", "Conductor", "Gauge", "awg_area_m2", "awg_diameter_m", "parse_gauge", "resistance_per_metre"]


@dataclass(frozen=True)
class Material:
    """Resistivity at 20 °C [ohm·m], its temperature coefficient at 20 °C [1/K] and density [kg/m³]."""

    resistivity_20_ohm_m: float
    temperature_coefficient_per_k: float
    density_kg_m3: float


MATERIALS = {
    # IACS annealed copper, IEC 60028 (1925) and NBS Handbook 100 (1966); secondary source.
    "copper": Material(1.7241e-8, 0.00393, 8890.0),
    # Electrical aluminium, IEC 60889 hard-drawn wire; from memory.
    "aluminium": Material(2.8264e-8, 0.00403, 2703.0),
}

# IEC 60228, maximum resistance of plain conductors at 20 °C [ohm/km]; secondary source (copper), from memory (aluminium).
# The nominal size is a name: the resistance, not the printed area, is what the standard fixes.
IEC_60228_OHM_PER_KM = {
    ("copper", "stranded"): {
        4: 4.61, 6: 3.08, 10: 1.83, 16: 1.15, 25: 0.727, 35: 0.524, 50: 0.387, 70: 0.268, 95: 0.193, 120: 0.153,
        150: 0.124, 185: 0.0991, 240: 0.0754,
    },
    ("copper", "flexible"): {
        4: 4.95, 6: 3.30, 10: 1.91, 16: 1.21, 25: 0.780, 35: 0.554, 50: 0.386, 70: 0.272, 95: 0.206, 120: 0.161,
        150: 0.129, 185: 0.106, 240: 0.0801,
    },
    ("aluminium", "stranded"): {
        10: 3.08, 16: 1.91, 25: 1.20, 35: 0.868, 50: 0.641, 70: 0.443, 95: 0.320, 120: 0.253, 150: 0.206, 185: 0.164,
        240: 0.125,
    },
}  # fmt: skip

# Stranded conductors are longer than the cable: 2 % more resistance than solid. Ratio of NFPA 70 chapter 9 table 8 to the
# solid wire of NBS Handbook 100 at 75 °C is 1.018 to 1.022; secondary source.
STRANDING_FACTOR = 1.02
KCMIL_M2 = 5.067075e-10 * 1e3  # thousand circular mils, by definition of the circular mil (π/4 · (25.4 µm)²)

_AWG = re.compile(r"^\s*(?:(?P<aught>[1-4])\s*/\s*0|(?P<number>-?\d+(?:\.\d+)?))\s*AWG\s*$", re.IGNORECASE)
_KCMIL = re.compile(r"^\s*(?P<size>\d+(?:\.\d+)?)\s*kcmil\s*$", re.IGNORECASE)
_MM2 = re.compile(r"^\s*(?P<size>\d+(?:\.\d+)?)\s*mm(?:2|²|\^2|\*\*2)\s*$", re.IGNORECASE)
_FLAT = re.compile(r"^\s*(?P<w>\d+(?:\.\d+)?)\s*(?:mm)?\s*[x×]\s*(?P<t>\d+(?:\.\d+)?)\s*mm\s*$", re.IGNORECASE)


def awg_diameter_m(number: int) -> float:
    """Diameter of a solid wire of the American wire gauge [m]; 1/0 is 0, 4/0 is −3.

    d = 0.127 mm · 92^((36 − n)/39), ASTM B258 (secondary source: NBS Handbook 100).

    >>> round(awg_diameter_m(10) * 1e3, 4)
    2.5882
    """
    return 0.127e-3 * 92.0 ** ((36 - number) / 39.0)


def awg_area_m2(number: int) -> float:
    """Metal area of an American wire gauge [m²], π d²/4; numbers as for :func:`awg_diameter_m`.

    >>> round(awg_area_m2(2) * 1e6, 2)
    33.63
    """
    return math.pi / 4.0 * awg_diameter_m(number) ** 2


@dataclass(frozen=True)
class Gauge:
    """A conductor size.

    Attributes
    ----------
    label : str
        As a person writes it: "2 AWG", "35 mm2", "20 x 5 mm".
    area_m2 : float
        Metal area (nominal for metric cable) [m²].
    system : str
        "awg", "kcmil", "mm2" (IEC 60228 nominal size) or "flat" (a bar: the area is the metal).
    """

    label: str
    area_m2: float
    system: str

    @property
    def nominal_mm2(self) -> float:
        """Its area in square millimetres, by which metric cable goes."""
        return round(self.area_m2 * 1e6, 6)


def parse_gauge(text: str) -> Gauge:
    """Gauge from "2 AWG", "4/0 AWG", "250 kcmil", "35 mm2" or, for a bar, "20 x 5 mm".

    Parameters
    ----------
    text : str
        As a person writes it.

    Returns
    -------
    Gauge

    Raises
    ------
    InputError
        If the text is none of these or the size is not made.
    """
    right = 'write a gauge such as "2 AWG", "4/0 AWG", "250 kcmil", "35 mm2" or, for a bar, "20 x 5 mm"'
    if not isinstance(text, str) or len(text) > 40:
        raise InputError(right)
    if match := _AWG.match(text):
        number = 1 - int(match["aught"]) if match["aught"] else float(match["number"])
        if not -3 <= number <= 40 or number != int(number):
            raise InputError("this gauge does not exist; AWG runs in whole numbers from 4/0 to 40")
        number = int(number)
        label = f"{1 - number}/0 AWG" if number <= 0 else f"{number} AWG"
        return Gauge(label, awg_area_m2(number), "awg")
    if match := _KCMIL.match(text):
        size = float(match["size"])
        if not 250 <= size <= 2000:
            raise InputError("this gauge does not exist; kcmil sizes run from 250 to 2000, below that use AWG")
        return Gauge(f"{size:g} kcmil", size * KCMIL_M2, "kcmil")
    if match := _MM2.match(text):
        size = float(match["size"])
        sizes = sorted({s for table in IEC_60228_OHM_PER_KM.values() for s in table})
        if size not in sizes:
            raise InputError(f"this gauge does not exist; IEC 60228 sizes are {', '.join(map(str, sizes))} mm2")
        return Gauge(f"{size:g} mm2", size * 1e-6, "mm2")
    if match := _FLAT.match(text):
        width, thickness = float(match["w"]), float(match["t"])
        if width * thickness <= 0:
            raise InputError("a bar needs a width and a thickness above zero")
        return Gauge(f"{width:g} x {thickness:g} mm", width * thickness * 1e-6, "flat")
    raise InputError(right)


def resistance_per_metre(
    gauge: Gauge, material: str = "copper", construction: str | None = None, temperature_k: float = 293.15
) -> float:
    """Direct-current resistance of one metre of conductor [ohm/m] at the conductor's temperature [K].

    R(T) = R₂₀ · (1 + α₂₀ (T − 20 °C)). R₂₀ is ρ₂₀/A for solid wire and bars, 1.02 ρ₂₀/A for stranded AWG and kcmil, and the
    maximum of IEC 60228 for metric cable, whose nominal area is not its metal area.

    Parameters
    ----------
    gauge : Gauge
        Size of the conductor.
    material : {"copper", "aluminium"}
        Metal, with its resistivity and temperature coefficient.
    construction : {"solid", "stranded", "flexible"}, optional
        Stranded is IEC class 2, flexible class 5. By default bars are solid, AWG stranded, metric copper flexible and metric
        aluminium stranded.
    temperature_k : float
        Conductor temperature [K].

    Raises
    ------
    InputError
        If the material is unknown or does not come in that construction or size.

    Examples
    --------
    >>> round(resistance_per_metre(parse_gauge("2 AWG"), construction="solid") * 1e3, 5)
    0.51265
    """
    if material not in MATERIALS:
        raise InputError(f"unknown material; use one of {', '.join(MATERIALS)}", value=material)
    metal = MATERIALS[material]
    if construction is None:
        metric = "flexible" if material == "copper" else "stranded"
        construction = {"flat": "solid", "awg": "stranded", "kcmil": "stranded", "mm2": metric}[gauge.system]
    warm = 1.0 + metal.temperature_coefficient_per_k * (temperature_k - 293.15)
    solid = metal.resistivity_20_ohm_m / gauge.area_m2
    if construction == "solid":
        return solid * warm
    if gauge.system == "mm2":
        table = IEC_60228_OHM_PER_KM.get((material, construction), {})
        if gauge.nominal_mm2 not in table:
            raise InputError(f"no IEC 60228 value for {material}, {construction}, {gauge.label}", value=gauge.label)
        return table[gauge.nominal_mm2] * 1e-3 * warm
    if construction == "stranded" and gauge.system in ("awg", "kcmil"):
        return solid * STRANDING_FACTOR * warm
    raise InputError(
        f"{gauge.label} does not come {construction} here; AWG and kcmil are solid or stranded, bars are solid",
        value=construction,
    )


@dataclass(frozen=True)
class Conductor:
    """One length of cable or bar with a joint at each end, for one polarity.

    Attributes
    ----------
    gauge : Gauge or None
        None if ``fixed_resistance_ohm`` states the whole of the conductor.
    length_m : float
    material, construction : str
        See :func:`resistance_per_metre`.
    joint_ohm : float
        Resistance of each of its joints (bolted lug with crimp) [ohm].
    joints : int
        Number of joints, 2 for a cable.
    temperature_k : float
        Conductor temperature [K].
    fixed_resistance_ohm : float or None
        Measured or given resistance without joints [ohm], instead of gauge and length.
    insulation : str or None
        Key of :data:`simbank.bank.ampacity.INSULATIONS`.
    loaded : int
        Loaded conductors that run together with it, itself included.
    ampacity_a : float or None
        Ampacity by its maker's sheet [A], instead of a table's.
    joint_draw : Draw or None
        How well the resistance of a joint is known, where that is not exactly.
    """

    gauge: Gauge | None = None
    length_m: float = 0.0
    material: str = "copper"
    construction: str | None = None
    joint_ohm: float = 0.0
    joints: int = 2
    temperature_k: float = 298.15
    fixed_resistance_ohm: float | None = None
    insulation: str | None = None
    loaded: int = 2
    ampacity_a: float | None = None
    joint_draw: Draw | None = None

    @property
    def metal_ohm(self) -> float:
        """Resistance of the metal alone [ohm]."""
        if self.fixed_resistance_ohm is not None:
            return self.fixed_resistance_ohm
        per_metre = resistance_per_metre(self.gauge, self.material, self.construction, self.temperature_k)
        return per_metre * self.length_m

    @property
    def resistance_ohm(self) -> float:
        """Resistance from end to end, metal and joints [ohm]."""
        return self.metal_ohm + self.joints * self.joint_ohm

    def warmed(self, temperature_k: float) -> Conductor:
        """The same conductor at a temperature [K], or as hot as it is where that is more.

        A given resistance counts as measured at the conductor's present temperature and rises by the coefficient of its material;
        joints stay as they are.
        """
        if temperature_k <= self.temperature_k:
            return self
        given = self.fixed_resistance_ohm
        if given is not None:
            rise = MATERIALS[self.material].temperature_coefficient_per_k
            given *= (1.0 + rise * (temperature_k - 293.15)) / (1.0 + rise * (self.temperature_k - 293.15))
        return replace(self, temperature_k=temperature_k, fixed_resistance_ohm=given)

    def inductance_h(self, spacing_m: float) -> float:
        """Its half of the inductance of a pair of round conductors [H], 0 without a gauge and length.

        L' = μ0/π (ln(D/r) + 1/4) for the loop of out and back at the spacing D of their axes, current evenly over the section
        (handbook formula, from memory); a bar counts as the round conductor of its area, and D is at least touching.
        """
        if self.gauge is None:
            return 0.0
        radius = math.sqrt(self.gauge.area_m2 / math.pi)
        return 2e-7 * self.length_m * (math.log(max(spacing_m, 2.0 * radius) / radius) + 0.25)

    @property
    def mass_kg(self) -> float:
        """Mass of the metal [kg]; zero if only a resistance was given."""
        if self.gauge is None:
            return 0.0
        return self.gauge.area_m2 * self.length_m * MATERIALS[self.material].density_kg_m3

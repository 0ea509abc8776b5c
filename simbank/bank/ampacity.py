"""What a conductor may carry: continuously (ampacity, with its corrections), and for the moment of a fault (adiabatic withstand)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

from simbank.bank.conductors import MATERIALS, Gauge, parse_gauge, resistance_per_metre
from simbank.errors import InputError

__all__ = [
    "AMPACITY_60_75_90",
    "INSULATIONS",
    "SMALL_CONDUCTORS_A",
    "TABLE_AMBIENT_C",
    "Insulation",
    "adiabatic_k",
    "ambient_factor",
    "ampacity_a",
    "below_table",
    "bundling_factor",
    "conductor_ampacity",
    "conductor_withstand",
    "credited_ambient_c",
    "credited_ampacity_a",
    "fusing_current_a",
    "insulation_k",
    "lowest_insulation",
    "metal_area_mm2",
    "withstand_i2t",
]


@dataclass(frozen=True)
class Insulation:
    """Greatest continuous temperature of the conductor, and that at the end of a short circuit up to, and above, 300 mm² [°C]."""

    continuous_c: float
    short_circuit_c: float
    title: str
    short_circuit_large_c: float | None = None

    def end_c(self, area_mm2: float) -> float:
        """Greatest temperature at the end of a short circuit [°C] for an area [mm²]."""
        if self.short_circuit_large_c is not None and area_mm2 > LARGE_MM2:
            return self.short_circuit_large_c
        return self.short_circuit_c


LARGE_MM2 = 300.0  # above it PVC may end less hot, IEC 60364-4-43 table 43A; secondary source


# Limits: IEC 60364-4-43 table 43A and IEC 60364-5-52; secondary source. 60 and 75 °C thermoplastic: NFPA 70 and
# ICEA P-32-382 (150 °C at the end of a short circuit, at every size); secondary source. Being PVC too, they end at the 140 °C of
# IEC above 300 mm² here, which is on the safe side.
INSULATIONS = {
    "thermoplastic60": Insulation(60.0, 150.0, "thermoplastic, 60 °C", 140.0),
    "thermoplastic75": Insulation(75.0, 150.0, "thermoplastic, 75 °C", 140.0),
    "pvc70": Insulation(70.0, 160.0, "PVC, 70 °C", 140.0),
    "pvc90": Insulation(90.0, 160.0, "PVC, 90 °C", 140.0),
    "rubber60": Insulation(60.0, 200.0, "rubber, 60 °C"),
    "rubber85": Insulation(85.0, 220.0, "rubber, 85 °C"),
    "xlpe90": Insulation(90.0, 250.0, "XLPE or EPR, 90 °C"),
}

# NFPA 70 table 310.16: copper in raceway or cable, at most three loaded conductors, 30 °C around; columns 60, 75, 90 °C.
# Secondary source for the even sizes from 10 to 4/0 AWG, from memory for the others.
AMPACITY_60_75_90 = {
    "14 AWG": (15, 20, 25), "12 AWG": (20, 25, 30), "10 AWG": (30, 35, 40), "8 AWG": (40, 50, 55), "6 AWG": (55, 65, 75),
    "4 AWG": (70, 85, 95), "3 AWG": (85, 100, 115), "2 AWG": (95, 115, 130), "1 AWG": (110, 130, 145),
    "1/0 AWG": (125, 150, 170), "2/0 AWG": (145, 175, 195), "3/0 AWG": (165, 200, 225), "4/0 AWG": (195, 230, 260),
    "250 kcmil": (215, 255, 290), "300 kcmil": (240, 285, 320), "350 kcmil": (260, 310, 350), "400 kcmil": (280, 335, 380),
    "500 kcmil": (320, 380, 430),
}  # fmt: skip
# IEC 60364-5-52 tables B.52.2 and B.52.3, copper, two loaded conductors, method C (on a wall), 30 °C: PVC 70 °C, XLPE 90 °C;
# from memory.
AMPACITY_IEC_70_90 = {
    4: (36, 45), 6: (46, 58), 10: (63, 80), 16: (85, 107), 25: (112, 138), 35: (138, 171), 50: (168, 209), 70: (213, 269),
    95: (258, 328), 120: (299, 382), 150: (344, 441), 185: (392, 506), 240: (461, 599),
}  # fmt: skip
# NFPA 70 table 310.15(C)(1), more than three loaded conductors together; secondary source.
BUNDLING = ((3, 1.0), (6, 0.80), (9, 0.70), (20, 0.50), (30, 0.45), (40, 0.40))


TABLE_AMBIENT_C = 30.0  # of both tables
LEAST_AMBIENT_C = 10.0


def lowest_insulation(gauge: Gauge) -> str:
    """Insulation of the lowest-temperature column of the table for a gauge: what to reckon with where it is not known."""
    return "pvc70" if gauge.system == "mm2" else "thermoplastic60"


def ambient_factor(conductor_c: float, ambient_c: float, reference_c: float = TABLE_AMBIENT_C) -> float:
    """Factor on the ampacity for another ambient temperature: sqrt((Tc − Ta)/(Tc − Tref)), NFPA 70 310.15(B).

    Below 10 °C it is that of 10 °C: there the tables end (NFPA 70 310.15(B)(1), IEC 60364-5-52 B.52.14; from memory). The checks
    never come there: they reckon with :func:`credited_ambient_c`.

    Parameters
    ----------
    conductor_c : float
        Greatest temperature of the conductor, Tc [°C]; the column of the table.
    ambient_c : float
        Of the air around it, Ta [°C].
    reference_c : float
        Of the air for which the table holds, Tref [°C].

    >>> round(ambient_factor(75.0, 40.0), 2)
    0.88
    """
    return math.sqrt(max(0.0, conductor_c - max(ambient_c, LEAST_AMBIENT_C)) / (conductor_c - reference_c))


def bundling_factor(loaded: int) -> float:
    """Factor on the ampacity for the number of loaded conductors together, NFPA 70 table 310.15(C)(1).

    >>> bundling_factor(4)
    0.8
    """
    return next((factor for most, factor in BUNDLING if loaded <= most), 0.35)


def ampacity_a(
    gauge: Gauge, insulation: str, ambient_c: float = TABLE_AMBIENT_C, loaded: int = 2, material: str = "copper"
) -> tuple[float, str]:
    """Ampacity of a cable, corrected for ambient temperature and bundling, and where it is from.

    AWG and kcmil by NFPA 70 table 310.16, in the column at or below the insulation's temperature; metric sizes by IEC 60364-5-52,
    70 °C (PVC) or 90 °C (XLPE). The correction uses the column's own temperature. A size between two of the table counts as the
    smaller; one below the table with the ampacity of its smallest size in proportion to area, which is on the safe side.

    Parameters
    ----------
    gauge : Gauge
        Size of the cable.
    insulation : str
        Key of :data:`INSULATIONS`.
    ambient_c : float
        Of the air around it [°C].
    loaded : int
        Loaded conductors that run together, this one included.
    material : {"copper", "aluminium"}
        Metal; the tables here are of copper.

    Returns
    -------
    ampacity : float
        Continuous current that it may carry [A].
    source : str
        Table, column and factor, in words.

    Raises
    ------
    InputError
        If there is no table for it (bars, aluminium, a size above the tables, an insulation outside them).

    Examples
    --------
    >>> from simbank.bank.conductors import parse_gauge
    >>> ampacity_a(parse_gauge("2 AWG"), "thermoplastic75")
    (115.0, 'NFPA 70 table 310.16, 75 °C column, 115 A × 1.00')
    """
    kind = INSULATIONS[insulation]
    if material != "copper" or gauge.system == "flat":
        what = "bars" if gauge.system == "flat" else material
        raise InputError(f"no ampacity table for {what} here; state its ampacity from its maker's sheet")
    if gauge.system == "mm2":
        if kind.continuous_c < 70.0:
            raise InputError("no ampacity table for metric cable below 70 °C insulation here; state its ampacity")
        limit, column = (90.0, 1) if insulation == "xlpe90" else (70.0, 0)
        source = "IEC 60364-5-52, method C"
    else:
        column = 2 if kind.continuous_c >= 90.0 else 1 if kind.continuous_c >= 75.0 else 0
        limit = (60.0, 75.0, 90.0)[column]
        source = "NFPA 70 table 310.16"
    row, part = _row(gauge)
    base = row.amperes[column]
    factor = part * ambient_factor(limit, ambient_c) * bundling_factor(loaded)
    instead = "" if row.label == gauge.label else f" of {row.label}, the next smaller size in it,"
    if part < 1.0:
        instead = f" of {row.label}, with which it begins, in proportion to area"
    return base * factor, f"{source}, {limit:.0f} °C column, {base} A{instead} × {factor:.2f}"


@dataclass(frozen=True)
class _Row:
    """A row of a table of ampacities: size, metal area [m²], ampacity in each column [A]."""

    label: str
    area_m2: float
    amperes: tuple[int, ...]


@cache
def _rows(system):
    """Rows of the table for sizes of a system, smallest first."""
    if system == "mm2":
        return tuple(_Row(f"{size} mm2", size * 1e-6, amperes) for size, amperes in AMPACITY_IEC_70_90.items())
    return tuple(_Row(label, parse_gauge(label).area_m2, amperes) for label, amperes in AMPACITY_60_75_90.items())


def _row(gauge):
    """Row to reckon with for a size, and which part of its ampacity.

    A size between two rows counts as the smaller. One below the table counts with the first row's ampacity in proportion to area:
    its surface falls less than its metal, so that it may carry rather more, and this is on the safe side.
    """
    rows, same = _rows(gauge.system), 1.0 + 1e-6
    if gauge.area_m2 > rows[-1].area_m2 * same:
        raise InputError(f"the table of ampacities ends at {rows[-1].label}, below {gauge.label}; state its ampacity")
    below = [row for row in rows if row.area_m2 <= gauge.area_m2 * same]
    return (below[-1], 1.0) if below else (rows[0], gauge.area_m2 / rows[0].area_m2)


def below_table(gauge: Gauge) -> str | None:
    """The smallest size of the table of ampacities if a size is smaller, else None.

    >>> from simbank.bank.conductors import parse_gauge
    >>> below_table(parse_gauge("18 AWG")), below_table(parse_gauge("2 AWG"))
    ('14 AWG', None)
    """
    if gauge.system == "flat":
        return None
    first = _rows(gauge.system)[0]
    return first.label if gauge.area_m2 < first.area_m2 * (1.0 - 1e-6) else None


# What may protect a small copper conductor at most [A]; NFPA 70 240.4(D), from memory.
SMALL_CONDUCTORS_A = {"14 AWG": 15.0, "12 AWG": 20.0, "10 AWG": 30.0}


def credited_ambient_c(ambient_c):
    """Ambient temperature by which a check corrects an ampacity [°C]: no lower than that of the tables.

    >>> credited_ambient_c(-8.0)
    30.0
    """
    return max(ambient_c, TABLE_AMBIENT_C)


def credited_ampacity_a(
    gauge: Gauge, insulation: str, ambient_c: float, loaded: int = 2, material: str = "copper"
) -> tuple[float, str]:
    """Ampacity that a check may count on, and where it is from: :func:`ampacity_a` without what would help by chance.

    An ambient below that of the tables gives nothing more: it is the air of one duty, and the hottest day is not known. Small
    conductors count with no more than :data:`SMALL_CONDUCTORS_A`, those below the table in proportion to area.

    Parameters
    ----------
    gauge, insulation, ambient_c, loaded, material
        As for :func:`ampacity_a`.

    Returns
    -------
    ampacity : float
        [A].
    source : str
        Table, column and factor, in words.

    Raises
    ------
    InputError
        As :func:`ampacity_a`.

    >>> from simbank.bank.conductors import parse_gauge
    >>> credited_ampacity_a(parse_gauge("2 AWG"), "xlpe90", -8.0)[0]
    130.0
    >>> credited_ampacity_a(parse_gauge("10 AWG"), "xlpe90", 30.0)[0]
    30.0
    """
    at = credited_ambient_c(ambient_c)
    ampacity, words = ampacity_a(gauge, insulation, at, loaded, material)
    if at > ambient_c:
        words += f", at {at:.0f} °C: nothing is added for the {ambient_c:.0f} °C of the file"
    row, part = _row(gauge)
    most = SMALL_CONDUCTORS_A[row.label] * part if row.label in SMALL_CONDUCTORS_A else ampacity
    if ampacity > most:
        return most, f"{words}; no more than {most:.2g} A for so small a conductor (NFPA 70 240.4(D))"
    return ampacity, words


# Volumetric heat capacity [J/K/mm³], temperature of zero resistance [−°C], resistivity at 20 °C [ohm·mm]; IEC 60949, secondary
# source (copper), from memory (aluminium).
_METAL = {"copper": (3.45e-3, 234.5, 17.241e-6), "aluminium": (2.5e-3, 228.0, 28.264e-6)}


def adiabatic_k(start_c: float, end_c: float, material: str = "copper") -> float:
    """k of I² t = k² S² [A·s^0.5/mm²]: sqrt(Qc (β + 20)/ρ20 · ln((β + Tf)/(β + Ti))), IEC 60949 and IEC 60364-4-43.

    Parameters
    ----------
    start_c, end_c : float
        Temperature of the conductor before and after, Ti and Tf [°C].
    material : {"copper", "aluminium"}
        Metal, with its Qc, β and ρ20.

    >>> round(adiabatic_k(90.0, 250.0))
    143
    """
    heat, beta, rho = _METAL[material]
    return math.sqrt(heat * (beta + 20.0) / rho * math.log((beta + end_c) / (beta + start_c)))


def insulation_k(insulation: str, area_mm2: float, material: str = "copper") -> float:
    """k of :func:`adiabatic_k` [A·s^0.5/mm²] from the insulation's continuous temperature to its greatest at that area [mm²].

    >>> round(insulation_k("pvc70", 300.0)), round(insulation_k("pvc70", 400.0))
    (115, 103)
    """
    kind = INSULATIONS[insulation]
    return adiabatic_k(kind.continuous_c, kind.end_c(area_mm2), material)


def withstand_i2t(area_mm2: float, insulation: str, material: str = "copper") -> float:
    """Greatest ∫ i² dt [A²s] that a conductor at its continuous temperature takes without harm to its insulation, up to 5 s.

    k² S², k by insulation and area (IEC 60364-4-43 table 43A).

    Parameters
    ----------
    area_mm2 : float
        Of the metal, S [mm²].
    insulation : str
        Key of :data:`INSULATIONS`.
    material : {"copper", "aluminium"}
        Metal of the conductor.

    >>> round(withstand_i2t(35.0, "pvc70") / 1e6, 1)
    16.2
    """
    return (insulation_k(insulation, area_mm2, material) * area_mm2) ** 2


def metal_area_mm2(gauge: Gauge, material: str = "copper", construction: str | None = None) -> tuple[float, str]:
    """Area of metal that a fault heats [mm²], and in words which it is.

    AWG and kcmil sizes and bars are their metal by definition. A metric size (IEC 60228) is a name: what the standard fixes is the
    greatest resistance at 20 °C, so the metal that it answers for is ρ₂₀/R₂₀, and the smaller of that and the nominal size counts.

    >>> from simbank.bank import parse_gauge
    >>> round(metal_area_mm2(parse_gauge("35 mm2"), construction="flexible")[0], 1)
    31.1
    """
    nominal = gauge.area_m2 * 1e6
    if gauge.system != "mm2":
        return nominal, f"{nominal:.1f} mm² of metal"
    per_metre = resistance_per_metre(gauge, material, construction)
    metal = MATERIALS[material].resistivity_20_ohm_m / per_metre * 1e6
    if metal < nominal:
        return metal, f"{metal:.1f} mm² of metal by its resistance, not its nominal {nominal:g} mm²"
    return nominal, f"its nominal {nominal:g} mm²; by its resistance it has {metal:.1f} mm² of metal"


def fusing_current_a(area_m2: float, seconds: float, ambient_c: float = 25.0) -> float:
    """Current that melts a copper wire in a time [A]: Onderdonk, from memory. This is melting, not withstand.

    33 (I/A)² t = log10(1 + (1083 − Ta)/(234 + Ta)), A in circular mils.

    >>> from simbank.bank import parse_gauge
    >>> round(fusing_current_a(parse_gauge("16 AWG").area_m2, 5.0))
    169
    """
    circular_mils = area_m2 / 5.067075e-10
    return circular_mils * math.sqrt(math.log10(1.0 + (1083.0 - ambient_c) / (234.0 + ambient_c)) / (33.0 * seconds))


def conductor_ampacity(conductor, ambient_k):
    """(ampacity [A] or None, words): as stated for the conductor, else :func:`credited_ampacity_a` at ``ambient_k`` [K]; or what to look up."""
    if conductor is None or (conductor.gauge is None and conductor.ampacity_a is None):
        return None, "only its resistance is given: state gauge, length and insulation, or its ampacity"
    if conductor.ampacity_a is not None:
        return conductor.ampacity_a, "as given"
    if conductor.insulation is None:
        return None, "its insulation is not given: read it from the jacket"
    try:
        return credited_ampacity_a(
            conductor.gauge, conductor.insulation, ambient_k - 273.15, conductor.loaded, conductor.material
        )
    except InputError as error:
        return None, error.problem


def conductor_withstand(conductor):
    """(k² S² [A²s] or None, words), S the area that :func:`metal_area_mm2` gives."""
    if conductor is None or conductor.gauge is None:
        return None, "only its resistance is given: state gauge, length and insulation"
    if conductor.insulation is None:
        return None, "its insulation is not given: read it from the jacket (of a bar: what holds and covers it)"
    area, words = metal_area_mm2(conductor.gauge, conductor.material, conductor.construction)
    kind = INSULATIONS[conductor.insulation]
    words = f"{words}; {kind.title}, up to {kind.end_c(area):g} °C at its end"
    return withstand_i2t(area, conductor.insulation, conductor.material), words

"""A chemistry file from measurements: open-circuit branches and pulse logs, the rest kept from another chemistry and said to be assumed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from os import PathLike
from pathlib import Path
from typing import Any

import numpy as np

from simbank.cells.chemistry import Chemistry, chemistry_of, chemistry_path, load_chemistry
from simbank.cells.chemistry_schema import KELVIN, SECTIONS, ChemistryFile
from simbank.cells.chemistry_text import chemistry_text
from simbank.cells.curves import Curve
from simbank.cells.measured_ocv import MeasuredOCV, measured_ocv
from simbank.cells.measured_pulses import MeasuredPulses, PulseLog, measured_pulses, pulse_log
from simbank.cells.measured_table import MeasuredTable, read_measured_table
from simbank.errors import InputError
from simbank.filemodel import check, read_toml
from simbank.files import write_text
from simbank.quantities import parse

__all__ = ["ImportedCell", "import_cell"]

COLUMNS = (
    "needs either time, current and voltage (a pulse log), or state of charge or charge in Ah, and voltage (an open-circuit curve): "
    'headings such as time_s, "Current [mA]", voltage_v, "SOC [%]", charge_v, discharge_v'
)
NINE_OF_TEN = 1.645  # standard errors either way, within which nine of ten lie by the normal distribution
KEPT = "Kept from simbank's chemistry {}, not measured on this cell. {}"


@dataclass
class ImportedCell:
    """What measurements made of a cell.

    Attributes
    ----------
    data : dict
        Of the form of a chemistry file.
    ocv : MeasuredOCV or None
    pulses : MeasuredPulses or None
    measured : tuple of str
        Dotted keys of the file whose values were measured; all others are those of the base.
    told : list of str
        What was taken for what, left out or assumed.
    """

    data: dict[str, Any]
    ocv: MeasuredOCV | None
    pulses: MeasuredPulses | None
    measured: tuple[str, ...]
    told: list[str] = field(default_factory=list)

    def text(self) -> str:
        """TOML text of the chemistry file."""
        kept = [section for section in SECTIONS if not any(key.startswith(f"{section}.") for key in self.measured)]
        head = (
            f"{self.data['name']}: written by simbank cell import. Measured or given: {', '.join(self.measured)}. Kept from another chemistry, "
            f"and so assumed: {', '.join(kept)}. The licence is yours to state.",
            *(f"Told by the import: {text}." for text in self.told),
        )
        return chemistry_text(self.data, head, self.measured)

    def write(self, path: str | PathLike) -> None:
        """Write the chemistry file; what stood there goes."""
        write_text(Path(path), self.text())

    @property
    def chemistry(self) -> Chemistry:
        """The chemistry, as it would be read from the file."""
        return chemistry_of(check(ChemistryFile, self.data))

    @property
    def summary(self) -> dict[str, Any]:
        """The figures as plain data."""
        found: dict[str, Any] = {"measured": list(self.measured), "told": self.told}
        if self.ocv is not None:
            left = np.concatenate(list(self.ocv.residual_v.values()))
            found["ocv"] = {
                "soc_from": self.ocv.span[0], "soc_to": self.ocv.span[1], "rms_v": float(np.sqrt(np.mean(left**2))),
                "worst_v": float(np.abs(left).max()),
                "half_width_mean_v": None if self.ocv.half_width_v is None else float(np.mean(self.ocv.half_width_v)),
                "decay_per_soc": self.ocv.decay_per_soc, "decay_per_soc_error": self.ocv.decay_error,
            }  # fmt: skip
        if self.pulses is not None:
            rows = zip(
                self.pulses.soc,
                self.pulses.r0_ohm,
                self.pulses.r0_error_ohm,
                self.pulses.r0_fit_error_ohm,
                self.pulses.pairs_ohm,
                self.pulses.rms_v,
                strict=True,
            )
            keys = ("soc", "r0_ohm", "r0_error_ohm", "r0_fit_error_ohm", "pairs_ohm", "rms_v")
            found["pulses"] = {
                "r0_half_ohm": self.pulses.r0_half_ohm,
                "rc": [{"ratio": float(ratio), "time_constant_s": float(tau)} for ratio, tau in self.pulses.rc],
                "rows": [dict(zip(keys, map(float, row), strict=True)) for row in rows],
            }
        return found


def import_cell(
    files: Sequence[str | PathLike], name: str, base: str = "lfp", *, capacity_ah: float | None = None, start_soc: float | None = None,
    cells_in_series: int = 1, celsius: float = 25.0,
) -> ImportedCell:  # fmt: skip
    """A chemistry from CSV files of measurements.

    Parameters
    ----------
    files : sequence of path-like
        Tables of rest voltages (:func:`~simbank.cells.measured_ocv.measured_ocv`) and at most one log of pulses
        (:func:`~simbank.cells.measured_pulses.measured_pulses`), told apart by their columns.
    name : str
        By which the chemistry is to go.
    base : str
        Library name or path of the chemistry that gives what was not measured.
    capacity_ah : float, optional
        Of the cell [Ah]; by default what an open-circuit table in ampere-hours spans.
    start_soc : float, optional
        State of charge at which the pulse log begins, if it has no column of it.
    cells_in_series : int
        Behind the voltages.
    celsius : float
        Temperature of the measurements [°C].

    Returns
    -------
    ImportedCell

    Raises
    ------
    InputError
        One that names everything that is missing or wrong.
    """
    path = chemistry_path(base)
    chemistry, data = load_chemistry(base), read_toml(path)
    ohm = float(chemistry.typical_resistance_ohm(0.5, celsius + 273.15))
    data["typical"]["resistance"] = f"{ohm * 1e3:.6g} milliohm"  # at the temperature of the measurements, the new reference
    chemistry = _referred(data, chemistry, celsius)
    faults: list[InputError] = []
    tables = [table for file in files if (table := _tried(faults, read_measured_table, file)) is not None]
    logs, curves = _sorted_out(tables, faults)
    ocv = _tried(faults, measured_ocv, curves, chemistry, capacity_ah, cells_in_series, tables=curves) if curves else None
    capacity = capacity_ah or (ocv.capacity_ah if ocv else None)
    log = _tried(faults, pulse_log, logs[0], cells_in_series) if logs else None
    if log is not None:
        faults += _missing_for_pulses(log, logs[0], capacity, start_soc)
    if not files:
        faults.append(InputError("no file of measurements; name one or more"))
    pulses = None
    if log is not None and not faults:
        pulses = _tried(faults, _pulses, log, chemistry, capacity, start_soc, ocv, tables=logs)
    _refuse(faults)
    told = [
        *(f"{table.path.name}: {text}" for table in tables for text in table.told),
        *(ocv.told if ocv else ()),
        *(pulses.told if pulses else ()),
    ]
    cell = _composed(data, name, curves, logs, celsius, capacity, ocv, pulses, told)
    _check_base(cell, chemistry)
    check(ChemistryFile, cell.data)
    return cell


def _referred(data, chemistry, celsius) -> Chemistry:
    """The base with what its file has over temperature referred to a new reference temperature; changes ``data`` too."""
    if chemistry.width_factors is None and chemistry.r_by_celsius is None and chemistry.rc_by_celsius is None:
        return chemistry
    kelvin, width = celsius + KELVIN, data["hysteresis"]
    if chemistry.width_factors is not None:
        soc = np.array(width["soc"])
        here = chemistry.width_factors(soc, celsius)
        width["half_width_volt"] = (chemistry.half_width(soc) * here).tolist()
        rows = np.array(width["temperature_factor"], float)
        width["temperature_factor"] = np.divide(rows, here, out=np.ones_like(rows), where=here > 0).tolist()
    for section, scale, factor in (
        ("resistance", chemistry.resistance_scale, chemistry.r_factor), ("relaxation", chemistry.relaxation_scale, chemistry.rc_factor),
    ):  # fmt: skip
        if data[section].get("temperature_factor"):
            here = float(scale(0.5, kelvin) / factor(0.5))
            data[section]["temperature_factor"] = (np.array(data[section]["temperature_factor"], float) / here).tolist()
    data["reference_temperature"] = f"{celsius:g} degC"
    return chemistry_of(check(ChemistryFile, data))


def _tried(faults, call, *arguments, tables=()):
    """What a call gives; None if it refuses, with its error kept, which names the files of its tables if it names none."""
    try:
        return call(*arguments)
    except InputError as error:
        named = error.file or ", ".join(str(table.path) for table in tables) or None
        faults.append(InputError(error.problem, file=named, key=error.key, value=error.value))
        return None


def _refuse(faults):
    """Raise one error that names all."""
    if len(faults) == 1:
        raise faults[0]
    if faults:
        short = [InputError(f.problem, file=Path(f.file).name if f.file else None, key=f.key, value=f.value) for f in faults]
        said = "; ".join(f"({number}) {fault}" for number, fault in enumerate(short, 1))
        raise InputError(f"{len(faults)} things are missing or wrong: {said}")


def _sorted_out(tables, faults):
    """(pulse logs, open-circuit tables), by their columns."""
    logs, curves = [], []
    for table in tables:
        volt = any(key in table for key in ("voltage", "charge", "discharge"))
        rows = len(next(iter(table.columns.values()), ()))
        if "current" in table and ("time" in table or "voltage" in table):
            logs.append(table)
        elif volt and ("soc" in table or "moved" in table) and rows:
            curves.append(table)
        else:
            found = ", ".join(table.columns) or "nothing that it knows"
            problem = COLUMNS if rows or not table.columns else "holds no row of numbers"
            faults.append(InputError(f"found {found}; {problem}", file=table.path, key="columns"))
    faults += [InputError("a second pulse log; give one", file=table.path) for table in logs[1:]]
    return logs, curves


def _missing_for_pulses(log: PulseLog, table: MeasuredTable, capacity_ah, start_soc):
    """What must be given besides a pulse log."""
    found = []
    if log.soc is None and capacity_ah is None:
        found.append(
            InputError('the pulse log needs --capacity "100 Ah" of the cell, to count its state of charge', file=table.path)
        )
    if log.soc is None and start_soc is None:
        found.append(
            InputError(
                "the pulse log needs --start-soc 0.95, the state of charge at which it begins (0 to 1), or a column soc",
                file=table.path,
            )
        )
    return found


def _pulses(log, chemistry, capacity_ah, start_soc, ocv):
    """Fitted pulses; what was measured of the open-circuit curve is taken off the voltage first."""
    from simbank.cells.cell_response import moved_ah
    from simbank.cells.measured_ocv import state_along

    soc = log.soc if log.soc is not None else start_soc - moved_ah(log.time_s, log.current_a) / capacity_ah
    if soc.min() < -0.02 or soc.max() > 1.02:
        raise InputError(
            f"with this capacity and start the pulse log goes from {soc.max() * 100:.0f} to {soc.min() * 100:.0f} % of charge; check "
            "--capacity and --start-soc"
        )
    open_volt = None
    if ocv is not None:
        h = state_along(soc, ocv.decay_per_soc or chemistry.decay_per_soc)
        half = chemistry.half_width(soc) if ocv.half_width_v is None else np.interp(soc, ocv.soc, ocv.half_width_v)
        open_volt = Curve(ocv.soc, ocv.volt)(soc) + h * half
    return measured_pulses(log, soc, chemistry, open_volt)


def _origin(tables):
    return f"Measured: {', '.join(table.path.name for table in tables)}, imported by simbank cell import"


def _composed(data, name, curves, logs, celsius, capacity_ah, ocv, pulses, told) -> ImportedCell:
    """The base's file with what was measured in its place."""
    label, measured = data["name"], []
    typical_ah = parse(data["typical"]["capacity"], "ampere_hour")
    _without(data, "typical", "capacity", "resistance")  # of cells of the base's size
    for section in SECTIONS:
        kept = KEPT.format(label, data[section]["source"])
        seen = data[section].get("seen_in_practice") or f"unknown for this cell; these are the values of {label}"
        data[section] = data[section] | {"source": kept, "assumed": True, "seen_in_practice": seen}
    if ocv is not None:
        measured += _put_ocv(data, ocv, _origin(curves), label)
    if pulses is not None:
        measured += _put_pulses(data, pulses, _origin(logs), label)
    elif capacity_ah is not None:  # a cell of the same make and another size: resistance times capacity is the same
        ohm = parse(data["typical"]["resistance"], "ohm") * typical_ah / capacity_ah
        data["typical"]["resistance"] = f"{ohm * 1e3:.4g} milliohm"
        told.append(f"R0 was not measured: {ohm * 1e3:.3g} mΩ is that of {label}, over capacity, which is assumed")
    if capacity_ah is not None:
        data["typical"]["capacity"] = f"{capacity_ah:.6g} Ah"
        measured.append("typical.capacity")
    own = " and ".join(key.split(".")[1] for key in measured if key.startswith("typical."))
    if own:
        data["typical"]["source"] = f"{own.capitalize()}: {_origin([*curves, *logs])}. The rest: {data['typical']['source']}"
    head = {
        "name": name, "title": f"{name}, measured", "family": data.get("family", "lithium-ion"),
        "source": f"{_origin([*curves, *logs])}, at {celsius:g} degC. What was not measured is kept from simbank's chemistry {label} and "
        "said to be assumed.",
        "licence": "not stated yet: the measurements are yours, and so are the terms",
        "reference_temperature": f"{celsius:g} degC",
    }  # fmt: skip
    return ImportedCell(data | head, ocv, pulses, tuple(measured), told)


def _put_ocv(data, ocv: MeasuredOCV, origin, label):
    """Curve and hysteresis from branches; the keys that were measured."""
    left = np.sqrt(np.mean(np.concatenate(list(ocv.residual_v.values())) ** 2)) * 1e3
    span = f"from {ocv.span[0] * 100:.3g} to {ocv.span[1] * 100:.3g} % of charge; {left:.2f} mV left over (root mean square)"
    data["ocv"] = {"soc": _list(ocv.soc), "volt": _list(ocv.volt), "source": f"{origin}; {span}.", "assumed": False}
    if ocv.half_width_v is None:
        return ["ocv.volt"]
    decay, kept = ocv.decay_per_soc, data["hysteresis"]["decay_per_soc"]
    if data["hysteresis"].get("temperature_factor"):  # as the base's gap changes with temperature, at the new states of charge
        rows = [Curve(data["hysteresis"]["soc"], row, outside="level") for row in data["hysteresis"]["temperature_factor"]]
        data["hysteresis"]["temperature_factor"] = [_list(row(np.array(ocv.soc))) for row in rows]
    said = (
        f"Decay: fitted to what follows reversals, {decay:.3g} ± {ocv.decay_error:.2g} (standard error)" if decay
        else f"Decay: kept from simbank's chemistry {label}, not measured on this cell"
    )  # fmt: skip
    data["hysteresis"] |= {
        "soc": _list(ocv.soc), "half_width_volt": _list(ocv.half_width_v), "decay_per_soc": round(decay, 3) if decay else kept,
        "source": f"{said}. Half-width: {origin}; {span}.", "assumed": not decay,
    }  # fmt: skip
    _without(data, "hysteresis", "scale", "half_width", *(["decay_per_soc"] if decay else []))
    if decay and 0 < NINE_OF_TEN * ocv.decay_error < decay:
        ends = [round(decay + side * NINE_OF_TEN * ocv.decay_error, 3) for side in (-1, 1)]
        data["hysteresis"]["range"] = data["hysteresis"].get("range", {}) | {"decay_per_soc": ends}
    return ["ocv.volt", "hysteresis.half_width_volt", *(["hysteresis.decay_per_soc"] if decay else [])]


def _put_pulses(data, pulses: MeasuredPulses, origin, label):
    """Resistance, relaxation and the typical R0 from pulses; the keys that were measured."""
    left = float(np.sqrt(np.mean(pulses.rms_v**2))) * 1e3
    said = f"Activation energy: kept from simbank's chemistry {label}, not measured on this cell. The rest: {origin}; {len(pulses.soc)} pulses, "
    said += f"{left:.2f} mV left over (root mean square)."
    for section, (soc, factor) in (("resistance", pulses.r_factor), ("relaxation", pulses.rc_factor)):
        data[section] |= {"soc": _list(soc), "factor": _list(factor), "source": said, "assumed": True}
    _without(data, "resistance", "scale")
    _without(data, "relaxation", "scale", "time_scale")
    data["relaxation"]["rc"] = [{"ratio": round(float(ratio), 6), "time_constant": f"{tau:.5g} s"} for ratio, tau in pulses.rc]
    data["typical"]["resistance"] = f"{pulses.r0_half_ohm * 1e3:.6g} milliohm"
    return ["resistance.factor", "relaxation.factor", "relaxation.rc", "typical.resistance"]


def _without(data, section, *changes):
    """Take ranges from a section that the base assumed and measurements have replaced."""
    left = {key: ends for key, ends in data[section].pop("range", {}).items() if key not in changes}
    if left:
        data[section]["range"] = left


def _list(values):
    return [round(float(value), 8) for value in values]


def _check_base(cell, chemistry):
    """Refuse a base whose limits do not go with the measured curve."""
    volt, limits = cell.data["ocv"]["volt"], cell.data["limits"]
    if volt[-1] > limits["volt_max"] + 0.02 or volt[0] < limits["volt_min"] - 0.2:
        raise InputError(
            f"the measured curve goes from {volt[0]:.3g} to {volt[-1]:.3g} V, which is no {chemistry.name} ({limits['volt_min']:g} to "
            f"{limits['volt_max']:g} V); name another --base, such as nmc, or write one with simbank cell new",
            key="base", value=chemistry.name,
        )  # fmt: skip

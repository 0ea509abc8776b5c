"""A log fitted: what it says of capacity, resistance, joints and starting charge, and since when shares drift."""

from __future__ import annotations

from collections.abc import Callable
from os import PathLike
from typing import TYPE_CHECKING

import numpy as np
from threadpoolctl import threadpool_limits

from simbank.distributions import measured
from simbank.errors import InputError
from simbank.filemodel import nearest
from simbank.provenance import made_by
from simbank.scenario import Scenario
from simbank.simulation.bank_warnings import LEFT_OUT
from simbank.studies.described import bank_warnings
from simbank.studies.diagnosis.meter_readings import Accuracy
from simbank.studies.logs.drifting import change_of, daily_shares
from simbank.studies.logs.fitted import FittedLog
from simbank.studies.logs.fitting import fit
from simbank.studies.logs.log_model import LogModel
from simbank.studies.logs.log_table import LogTable, read_log
from simbank.studies.logs.unknowns import Unknown, fit_base, unknowns_of

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["ACCURACY", "VOLTAGE_ACCURACY", "fit_log"]

ACCURACY = "1 % + 0.1 A"  # of the current meter of a BMS; common practice, no source
VOLTAGE_ACCURACY = "0.5 % + 0.02 V"  # of a pocket multimeter; common practice, no source
BLOCK_S, FEWEST_BLOCKS, MOST_BLOCKS = 600.0, 150, 2500  # rows are compared by the mean of ten minutes; chosen here: shorter ones
# tell little more, and within a row it is not known when a load came on


def fit_log(
    scenario: Scenario,
    log: str | PathLike | pd.DataFrame,
    *,
    port: str | None = None,
    positive: str | None = None,
    accuracy: str = ACCURACY,
    voltage_accuracy: str = VOLTAGE_ACCURACY,
    progress: Callable[[float], None] | None = None,
) -> FittedLog:
    """What a log of the packs' currents says of a bank.

    The sum of the measured currents drives the bank at its port. What is not known is fitted with what was believed before as prior
    (:func:`simbank.uncertain_values`): capacity left, resistance and starting charge of each pack, its hysteresis state, the joints of
    each link or lead, what its chemistry leaves open, offset and gain of each meter. The estimate is the most probable value; its
    interval, of packs and joints, is by profile likelihood (Wilks), else by Laplace's approximation, with a noise that is estimated from
    the residuals and counted for as many independent samples as their autocorrelation leaves, one an hour at most. The mean of logged
    temperatures is the ambient; displayed states of charge are a hint of the start only.

    Parameters
    ----------
    scenario : Scenario
        The bank as far as it is known; its duty is not used, and its starting charge is only a guess of that of the log.
    log : path-like or DataFrame
        Time and the current of each pack (:func:`simbank.studies.logs.log_table.read_log`).
    port : str, optional
        That carries the bank's current; by default the first.
    positive : {"discharge", "charge"}, optional
        What a positive current does; by default as voltages or displays say, else "discharge".
    accuracy, voltage_accuracy : str
        Of each current meter and of each voltage, as a gain and an offset that last: one standard deviation.
    progress : callable, optional
        Called with the fraction done.

    Returns
    -------
    FittedLog

    Raises
    ------
    InputError
        For a log that cannot be used, with file, row and column.
    """
    bank = scenario.bank
    if len(bank.packs) < 2:
        raise InputError("needs two packs or more, which share a current", key="packs")
    ports = list(bank.graph.ports)
    if port is not None and port not in ports:
        raise InputError(f"no such port; {nearest(port, ports)}", key="port", value=port)
    meter = Accuracy.of(accuracy, "ampere", "accuracy")
    volts = Accuracy.of(voltage_accuracy, "volt", "voltage_accuracy")
    table = read_log(log, bank, positive)
    with threadpool_limits(1):
        model = _model(scenario, table, port or ports[0], meter, volts)
        found = fit(model, progress)
        change = change_of(model, found)
        shares = daily_shares(model, found, change)
    warnings = [warning for warning in bank_warnings(scenario) if warning.code != LEFT_OUT]  # these are fitted
    made = made_by(scenario, "simbank.fit_log", log=table.source, port=model.port, accuracy=accuracy)
    return FittedLog(scenario, table, model, found, change, shares, warnings, made)


def _model(scenario: Scenario, table: LogTable, port: str, meter: Accuracy, volts: Accuracy) -> LogModel:
    """The bank, the log and everything that is not known of either."""
    base = fit_base(scenario, table.celsius)
    first = None if table.shown is None else _first_shown(table.shown)
    place = list(scenario.bank.graph.ports).index(port)
    unknowns = unknowns_of(base, first, meter.share, meter.floor, place)
    total = table.current_a.sum(axis=1)
    spread = float(np.sqrt(np.mean(total**2)))
    for k in range(len(table.gaps)):
        unknowns.append(
            Unknown(
                f"gap {k}", f"mean current in gap {k + 1} of the log", "gap", "A", measured(float(total.mean()), 2 * spread, "A")
            )
        )
    level = bank_volt(scenario)
    for name, there in _voltages(scenario, table):
        if there:
            words = f"offset of the voltage of {name}"
            draw = measured(0.0, 2 * volts.deviation(level), "V")
            unknowns.append(Unknown(f"volts {name}", words, "offset", "V", draw))
    return LogModel(base, table, _many(table), unknowns, port)


def bank_volt(scenario: Scenario) -> float:
    """Voltage of the first pack at half charge [V]."""
    return scenario.bank.packs[0].rest_volt(0.5)


def _voltages(scenario, table):
    """(name, whether it is there) of every voltage that a log may have."""
    for k, pack in enumerate(scenario.bank.packs):
        yield pack.name, table.voltage_v is not None and bool(np.isfinite(table.voltage_v[:, k]).any())
    yield "bank", table.bank_v is not None


def _first_shown(shown):
    """What each display shows first."""
    out = np.full(shown.shape[1], np.nan)
    for k, column in enumerate(shown.T):
        good = np.flatnonzero(np.isfinite(column))
        if good.size:
            out[k] = column[good[0]]
    return out


def _many(table):
    """How many rows make a block."""
    length = min(max(BLOCK_S, table.duration_s / MOST_BLOCKS), max(table.step_s, table.duration_s / FEWEST_BLOCKS))
    return max(1, round(length / table.step_s))

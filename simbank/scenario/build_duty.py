"""From a checked file to the duty it describes: what each port asks of the bank over time."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np

from simbank.bank import Bank
from simbank.duty import SHORTEST_ROW_S, Command, Duty, SampledDuty, Samples, Step, Window, table_steps
from simbank.errors import InputError
from simbank.filemodel import nearest
from simbank.scenario.build_bank import voltages_that_suit
from simbank.scenario.duty_schema import ConstantDuty, DaysDuty, LoadTable, StepTable, SunTable, TableDuty
from simbank.scenario.schema import ScenarioFile

__all__ = ["build_duty", "taken_of_bank"]


def taken_of_bank(bank: Bank) -> tuple:
    """All that :func:`build_duty` takes of a bank: of banks that are alike in it, the same file asks the same."""
    return bank.capacity_ah, voltages_that_suit(bank.packs), bank.port_equipment, tuple(bank.graph.ports)


def build_duty(file: ScenarioFile, bank: Bank, folder: Path) -> Duty | SampledDuty:
    """The duty that a file describes.

    Parameters
    ----------
    file : ScenarioFile
        A file's contents, checked key by key.
    bank : Bank
        Of the same file: C-rates count its capacity, its inverters turn AC power into what it must give.
    folder : Path
        From which the paths of tables start.

    Returns
    -------
    Duty or SampledDuty
        Steps, or for real days windows of samples that are made when they are asked for.

    Raises
    ------
    InputError
        For a port that the file has not, a cut-off above the charge voltage, or a table that cannot be used.
    """
    duty = file.duty
    if isinstance(duty, Duty):
        return _own_duty(duty, bank)
    if isinstance(duty, DaysDuty):
        return _days(duty, bank, folder)
    if isinstance(duty, TableDuty):
        return _table(duty, bank, folder)
    if isinstance(duty, ConstantDuty):
        return Duty((_step(duty, "duty", bank, duty.c_rate),))
    return Duty(tuple(_step(step, f"duty.steps.{k}", bank, duty.c_rate) for k, step in enumerate(duty.steps)), duty.repeat)


def _own_duty(duty: Duty, bank: Bank) -> Duty:
    """A duty that a program made, as it is, with what a run rests on looked at."""
    ports = list(bank.graph.ports)
    if not duty.steps or not isinstance(duty.repeat, int) or duty.repeat < 1:
        raise InputError("needs a step or more, repeated once or more", key="duty")
    for k, step in enumerate(duty.steps):
        if not (_is_finite(step.duration_s) and step.duration_s >= SHORTEST_ROW_S):
            raise InputError("must be a millisecond or more", key=f"duty.steps.{k}.duration_s", value=step.duration_s)
        if not isinstance(step.commands, Mapping):
            raise InputError("must be a dict of ports", key=f"duty.steps.{k}.commands", value=step.commands)
        for port, command in step.commands.items():
            key = f"duty.steps.{k}.commands.{port}"
            if port not in ports:
                raise InputError(f"no such port; {nearest(port, ports)}", key=key)
            if not isinstance(command, Command):
                raise InputError("must be a Command", key=key, value=command)
            if command.kind not in ("current", "power", "resistance"):
                raise InputError("use one of current, power, resistance", key=f"{key}.kind", value=command.kind)
            if not (_is_finite(command.value) and _is_finite(command.slope)) or (
                command.kind == "resistance" and command.value <= 0
            ):
                raise InputError("must be finite, a resistance above zero", key=f"{key}.value", value=command.value)
            for label in ("tail_a", "cutoff_volt", "ac_asked_w", "ac_ratio"):
                number = getattr(command, label)
                if not _is_finite(number) or (number < 0 and label in ("tail_a", "cutoff_volt")):
                    raise InputError("must be a finite number, none below zero", key=f"{key}.{label}", value=number)
            limit = command.volt_limit
            if not (limit == np.inf or (_is_finite(limit) and limit > 0)):
                raise InputError("must be above zero", key=f"{key}.volt_limit", value=limit)
    return duty


def _is_finite(number):
    """Whether this is a finite number, and no text or None."""
    return isinstance(number, (int, float, np.number)) and -np.inf < number < np.inf


def _named_port(asked: str | None, key: str, bank: Bank) -> str:
    """The port that a table names, by default the first."""
    names = list(bank.graph.ports)
    port = asked or names[0]
    if port not in names:
        raise InputError(f"no such port; {nearest(port, names)}", key=f"{key}.port", value=port)
    return port


def _amperes_or_watts(rate: tuple[str, float], bank: Bank, c_rate: float | None = None) -> tuple[str, float]:
    """(kind, value) of a rate [A or W]; ``c_rate`` stands in for one stated in C."""
    kind, value = rate
    if kind == "c":
        return "current", (c_rate or value) * bank.capacity_ah
    return ("current" if kind == "a" else "power"), value


def _limits(table, bank: Bank) -> dict[str, float]:
    """Charge voltage, tail and cut-off of a step or of a whole duty, as :class:`Command` takes them."""
    charge_volt, cutoff_volt = voltages_that_suit(bank.packs)
    voltage = getattr(table, "voltage", None) or charge_volt
    cutoff = getattr(table, "cutoff", None) or cutoff_volt
    if cutoff >= voltage:
        raise InputError(f"must be below the charge voltage of {voltage:g} V", key="duty.cutoff", value=f"{cutoff:g} V")
    tail = getattr(table, "tail", None)
    return {"volt_limit": voltage, "tail_a": _amperes_or_watts(tail, bank)[1] if tail else 0.0, "cutoff_volt": cutoff}


# ---- inverters ----


def _inverter_limits(inverter, limits: dict[str, float]) -> dict[str, float]:
    """Limits of a command at a port with this inverter, or none: its own cut-off comes before that of the duty."""
    if inverter is None or inverter.cutoff_volt is None:
        return limits
    return limits | {"cutoff_volt": inverter.cutoff_volt}


def _command(bank: Bank, port: str, kind: str, value: float, limits: dict[str, float]) -> Command:
    """A command at a port; power at a port with an inverter is AC power and becomes what the bank must give."""
    inverter = bank.inverter_of(port)
    limits = _inverter_limits(inverter, limits)
    if inverter is None or kind != "power" or value < 0:
        return Command(kind, value, **limits)
    drawn = float(inverter.dc_power(value))
    served = min(value, inverter.rated_w)
    return Command("power", drawn, **limits, ac_asked_w=value, ac_ratio=served / drawn if drawn > 0 else 0.0)


def _samples(bank: Bank, port: str, power_w: np.ndarray, limits: dict[str, float]) -> Samples:
    """Powers at equal steps; at a port with an inverter those above zero are AC powers, as in :func:`_command`."""
    starts = np.flatnonzero(np.diff(power_w, prepend=np.nan) != 0)
    value = np.asarray(power_w, float)[starts]
    asked, ratio = np.zeros(len(value)), np.zeros(len(value))
    inverter = bank.inverter_of(port)
    if inverter is not None:
        drawn = np.where(value >= 0, inverter.dc_power(np.maximum(value, 0.0)), value)
        asked = np.maximum(value, 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.where(drawn > 0, np.minimum(asked, inverter.rated_w) / drawn, 0.0)
        value = drawn
    return Samples(starts, value, asked, ratio, _inverter_limits(inverter, limits))


def _idle_ports(bank: Bank) -> list[str]:
    """Ports whose inverter draws something when nothing is asked of it."""
    inverters = {port: bank.inverter_of(port) for port in bank.port_equipment}
    return [port for port, inverter in inverters.items() if inverter is not None and inverter.idle_w > 0]


def _with_idle(step: Step, bank: Bank, limits: dict[str, float]) -> Step:
    """The step with 0 W asked of every inverter of which it says nothing.

    One that is on draws its idle power, whatever the form of the duty, also while the bank rests or another port works.
    """
    idle = {port: _command(bank, port, "power", 0.0, limits) for port in _idle_ports(bank) if port not in step.commands}
    return replace(step, commands=step.commands | idle) if idle else step


# ---- steps and tables ----


def _step(step: StepTable, key: str, bank: Bank, c_rate: float | None) -> Step:
    """A step of a cycle, or the only one of a constant duty."""
    seconds, limits = step.hours * 3600.0, _limits(step, bank)
    if step.rest:
        return _with_idle(Step(seconds), bank, limits)
    port = _named_port(step.port, key, bank)
    if step.resistance is not None:
        command = _command(bank, port, "resistance", step.resistance, limits)
    else:
        kind, value = _amperes_or_watts(step.discharge or step.charge, bank, c_rate)
        command = _command(bank, port, kind, value if step.discharge else -value, limits)
    return _with_idle(Step(seconds, {port: command}, step.then == "next"), bank, limits)


def _table(duty: TableDuty, bank: Bank, folder: Path) -> Duty:
    """Steps of a CSV table."""
    path, limits = folder / duty.file, _limits(duty, bank)
    steps = table_steps(path, list(bank.graph.ports), duty.interpolation, limits, _idle_ports(bank))
    steps = (_through_inverters(step, bank, path, limits) for step in steps)
    return Duty(tuple(_with_idle(step, bank, limits) for step in steps), duty.repeat)


def _through_inverters(step: Step, bank: Bank, path: Path, limits: dict[str, float]) -> Step:
    """A step of a table with AC powers turned into what the bank must give.

    A row of 0 W draws the inverter's idle power, one of 0 A is a current of none.
    """
    commands = {}
    for port, command in step.commands.items():
        if bank.inverter_of(port) is not None and command.kind == "power":
            if command.slope:
                problem = 'power at a port with an inverter needs interpolation = "hold"'
                raise InputError(problem, file=path, key="duty.interpolation")
            command = _command(bank, port, "power", command.value, limits)
        commands[port] = command
    return Step(step.duration_s, commands, step.ends_early)


# ---- real days ----


def _days(duty: DaysDuty, bank: Bank, folder: Path) -> SampledDuty:
    """Sun and load at equal steps; several at one port add up, sun as charge and load as discharge."""
    from simbank import days  # which loads pandas

    begin, end, length = days.time_span(duty.start, duty.days, duty.step, duty.timezone)
    limits = _limits(duty, bank)
    asked = []
    for key, sign in (("sun", -1.0), ("load", 1.0)):
        for k, table in enumerate(getattr(duty, key)):
            where = f"duty.{key}.{k}"
            port = _named_port(table.port, where, bank)
            try:
                if table.file is not None:
                    power = _power_of_table(table.file, duty, begin, end, folder)
                else:
                    power = _power_of_sun(table, duty) if key == "sun" else _power_of_load(table, duty)
            except InputError as error:
                key_in_file = error.key if error.file else f"{where}.{error.key}"
                raise InputError(error.problem, file=error.file, key=key_in_file, value=error.value) from None
            asked.append((port, sign, power))
    if not asked:
        raise InputError('needs "sun", "load" or both', key="duty")
    active = dict.fromkeys([*(port for port, _, _ in asked), *_idle_ports(bank)])

    def make():
        powers = [(port, sign, power()) for port, sign, power in asked]
        for first_day, index in days.windows(duty.start, duty.days, duty.step, duty.timezone):
            total = {port: np.zeros(len(index)) for port in active}
            for port, sign, power in powers:
                total[port] += sign * power(index, first_day)
            yield Window({port: _samples(bank, port, power, limits) for port, power in total.items()}, len(index))

    return SampledDuty(duty.step, length, make)


# Each of these returns a function that begins a series of powers anew; what that returns maps (index, first_day) to power [W].


def _power_of_table(file: str, duty: DaysDuty, begin, end, folder: Path) -> Callable:
    """Power of a table with time stamps, read now, so that what is wrong with it is said when the scenario is loaded."""
    from simbank import days

    read = days.TimedTable(folder / file, begin, end, duty.step, duty.timezone)
    return lambda: lambda index, _first_day: read(index)  # its rows have dates of their own


def _power_of_load(table: LoadTable, duty: DaysDuty) -> Callable:
    """Power of a daily load."""
    from simbank import days

    count = days.local_days(duty.start, duty.days)
    shape = table.shape or days.HOUSEHOLD_SHAPE
    return lambda: days.DailyLoad(table.energy_per_day, shape, table.seed, table.spread, count)


def _power_of_sun(table: SunTable, duty: DaysDuty) -> Callable:
    """Power of an array under a clear sky, or under seeded weather."""
    from simbank import days

    count = days.local_days(duty.start, duty.days)
    place = days.Array(
        table.latitude, table.longitude, table.tilt, table.azimuth, table.peak_power, table.losses, table.altitude_m
    )

    def sun():
        clouds = None
        if table.weather_seed is not None:
            clouds = days.Weather(table.weather_seed, table.weather_mean, count, duty.step)

        def power(index, first_day):
            clear = days.clear_sky_power(place, index)
            return clear if clouds is None else clear * clouds(index, first_day)

        return power

    return sun

"""A scenario file and the bank and duty it describes: reading, and changing single keys."""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property
from itertools import pairwise
from pathlib import Path

import numpy as np

from simbank.bank import Bank, Bar, Branch, Graph, Pack, Parts, join
from simbank.bank.bank import Place
from simbank.bank.equipment import Switching
from simbank.cells import load_chemistry
from simbank.duty import Command, Duty, SampledDuty, Samples, Step, Window, table_steps
from simbank.errors import InputError
from simbank.filemodel import check, nearest, read_toml
from simbank.provenance import files_read
from simbank.scenario.changes import changed, joint_branches
from simbank.scenario.duty_schema import ConstantDuty, DaysDuty, TableDuty
from simbank.scenario.equipment_schema import REBULK_SOC
from simbank.scenario.schema import DistributionTable, ScenarioFile

__all__ = ["Scenario", "from_dict", "load", "with_changes"]


def _own_bms(kind, table):
    """BMS of a pack: the keys of its own table over those of its type's; None if neither has one."""
    limits = table.bms if kind.bms is None else kind.bms.with_own(table.bms)
    try:
        return None if limits is None else limits.bms(kind.pack_capacity_ah)
    except InputError as error:  # limits of the two tables that contradict each other
        raise InputError(error.problem, key=f"packs.{table.name}.bms.{error.key}", value=error.value) from None


class Scenario:
    """A bank and what is asked of it, as read from a file.

    Attributes
    ----------
    name : str
    data : dict
        The file's contents, with changes applied.
    source : str or None
        Path of the file.
    files : dict
        Other files that it read, with hashes of their contents (see :func:`simbank.provenance.files_read`).
    """

    def __init__(self, data, source=None):
        self.data, self.source = data, source
        self.files = files_read(data, source)
        try:
            self._file = check(ScenarioFile, data, unions=("duty",))
            self.name = self._file.name
            self.bank = self._build_bank()
            self.duty = self._build_duty()
        except InputError as error:
            raise InputError(error.problem, file=error.file or source, key=error.key, value=error.value) from None

    def __repr__(self):
        return f"<Scenario {self.name!r}: {len(self.bank.packs)} packs, {self.bank.capacity_ah:g} Ah, {self._file.wiring.layout}>"

    @cached_property
    def layout(self):
        """Name of the layout by which the packs are joined."""
        return self._file.wiring.layout

    def _build_bank(self):
        file = self._file
        self._devices, self._places = [], []
        packs = []
        for number, (name, table) in enumerate(file.each_pack()):
            kind = file.pack_types[table.type]
            chemistry = load_chemistry(kind.chemistry)
            capacities, below = table.cells(kind.cells_in_series, number)
            pairs = tuple((p.resistance, p.time_constant) for p in kind.relaxation) if kind.relaxation else None
            packs.append(
                Pack(
                    name=name,
                    chemistry=chemistry,
                    rated_capacity_ah=kind.pack_capacity_ah,
                    cell_resistance_ohm=kind.cell_resistance,
                    cells_in_series=kind.cells_in_series,
                    cells_in_parallel=kind.cells_in_parallel,
                    internal_wiring_ohm=kind.internal_wiring,
                    soc=table.soc,
                    hysteresis=table.hysteresis,
                    capacity_left=table.present_capacity,
                    resistance_growth=table.present_growth,
                    rc_pairs=pairs,
                    cell_capacities=capacities,
                    cells_below_full=below,
                    temperature_k=table.temperature,
                    heat_capacity_j_k=(kind.mass or 0.0) * (kind.specific_heat or chemistry.specific_heat_j_kg_k),
                    heat_loss_w_k=kind.heat_loss or 0.0,
                    bms=_own_bms(kind, table),
                )
            )
        branches, terminals = [], {}
        for name, table in file.each_pack():
            outer = terminals[name] = (f"{name}+", f"{name}-")
            self._place(f"terminals of {name}", "pack", name, outer)
            if table.device is not None:
                terminals[name] = self._device(
                    name, table.device, (f"{name} inner+", f"{name} inner-"), outer, branches, "pack", facing=False
                )
                if table.device.rating is not None:
                    self._place(f"inside {name}", "inside", name, terminals[name])
        wired, take_off = self._wire([pack.name for pack in packs])
        branches += wired
        ports = {}
        for k, port in enumerate(file.ports):
            ends = (port.positive or take_off[0], port.negative or take_off[1])
            if None in ends:
                raise InputError('needs "positive" and "negative" (an explicit graph has no take-off)', key=f"ports.{k}")
            ports[port.name] = self._port(port, ends, branches)
        graph = Graph.build(self._with_added(branches), terminals, ports)
        neighbours = self._neighbours(list(terminals))
        self._check_masses(packs, neighbours)
        behaviours = {port.name: self._behaviour(port, packs) for port in file.ports if port.inverter or port.charger}
        known = [*terminals, *(device.name for device in self._devices)]
        for k, order in enumerate(file.switching):
            if order.what not in known:
                raise InputError(
                    f"no such pack or device; {nearest(order.what, known)}", key=f"switching.{k}.what", value=order.what
                )
        switching = tuple(Switching(order.at, order.what, order.close) for order in file.switching)
        return Bank(
            file.name, tuple(packs), graph, file.ambient, neighbours, tuple(self._devices), behaviours, switching,
            tuple(self._places), file.wiring.spacing,
            {string.name: tuple(string.packs) for string in file.wiring.strings},
        )  # fmt: skip

    def _place(self, name, kind, owner, ends):
        self._places.append(Place(name, kind, owner, *ends))

    def _device(self, owner, table, inner, outer, branches, role, facing=True, in_series=()):
        """Add a device in line with one pole, or one with each; one with a rating can open and goes by the name of its branch.

        ``inner`` and ``outer`` are pairs of nodes. Returns the pair that now stands for the side that the device was put at:
        the outer one if ``facing`` (a string, a port), the inner one of a pack.
        """
        ends = list(inner if facing else outer)
        for pole, sign in ((0, ""), (1, " -")):
            if table.pole not in (("positive", "both"), ("negative", "both"))[pole]:
                continue
            name = f"device {owner}{sign}"
            branches.append(Branch(name, "device", inner[pole], outer[pole], table.resistance, None, owner, role, "+-"[pole]))
            ends[pole] = outer[pole] if facing else inner[pole]
            if table.rating is not None:
                series = tuple(branch for branch in in_series if branch.endswith("+" if pole else "-"))
                self._devices.append(table.device(name, owner, ("positive", "negative")[pole], series))
        return tuple(ends)

    def _with_added(self, branches):
        """Branches with the extra resistance that ``wiring.added`` gives some of them, such as a bad joint."""
        added, names = self._file.wiring.added, [branch.name for branch in branches]
        for name in added:
            if name not in names:
                raise InputError(f"no such branch; {nearest(name, names)}", key="wiring.added", value=name)
        return [replace(b, resistance_ohm=b.resistance_ohm + added[b.name]) if b.name in added else b for b in branches]

    def _behaviour(self, port, packs):
        """(Inverter or None, Charger or None) of a port."""
        charge_volt, cutoff_volt = _pack_volts(packs)
        inverter = charger = None
        if port.inverter is not None:
            inverter = port.inverter.inverter(cutoff_volt)
        if port.charger is not None:
            try:
                rest_volt = min(
                    pack.cells_in_series * float(pack.chemistry.ocv(REBULK_SOC) - pack.chemistry.half_width(REBULK_SOC))
                    for pack in packs
                )
                charger = port.charger.charger(
                    sum(pack.capacity_ah for pack in packs), charge_volt, [pack.name for pack in packs], rest_volt
                )
            except InputError as error:
                raise InputError(error.problem, key=f"ports.{port.name}.charger.{error.key}", value=error.value) from None
        return inverter, charger

    def _check_masses(self, packs, neighbours):
        """Refuse a pack so light that its temperature could not be followed."""
        for k, ((_, table), pack) in enumerate(zip(self._file.each_pack(), packs, strict=True)):
            kind = self._file.pack_types[table.type]
            if kind.mass is None:
                continue
            least = pack.least_heat_capacity_j_k(0.0 if neighbours is None else float(neighbours[k].sum()))
            if pack.heat_capacity_j_k < least:
                kg = least / pack.heat_capacity_j_k * kind.mass
                raise InputError(
                    f"too light for its energy, heat_loss and neighbours: at least {kg * (1 + 1e-3):.4g} kg, or neither mass nor "
                    "heat_loss for a pack that stays at the temperature around it",
                    key=f"pack_types.{table.type}.mass", value=f"{kind.mass:g} kg",
                )  # fmt: skip

    def _neighbours(self, names):
        """Heat conductance between packs that stand side by side [W/K], shape (n, n), or None."""
        rack = self._file.rack
        if rack is None or rack.coupling == 0:
            return None
        matrix = np.zeros((len(names), len(names)))
        order = names if rack.order is None else rack.order
        for name in order:
            if name not in names:
                raise InputError(f"no such pack; {nearest(name, names)}", key="rack.order", value=name)
            if order.count(name) > 1:
                raise InputError("stands in two places", key="rack.order", value=name)
        for a, b in pairwise(names.index(name) for name in order):
            matrix[a, b] = matrix[b, a] = rack.coupling
        return matrix

    def _port(self, port, ends, branches):
        """Add a port's leads and device; return the nodes at its own end."""
        leads = (f"lead {port.name} +", f"lead {port.name} -")
        self._place(f"take-off of {port.name}", "take-off", port.name, ends)
        if port.device is not None:
            fused = (f"{port.name} fused+", f"{port.name} fused-")
            ends = self._device(port.name, port.device, ends, fused, branches, "port", in_series=leads)
        positive, negative = ends
        self._place(f"port {port.name}", "port", port.name, (f"{port.name}+", f"{port.name}-") if port.lead else ends)
        if port.lead is not None:
            lead = port.lead.conductor(self._conductor_k)
            for sign, node in (("+", positive), ("-", negative)):
                end = f"{port.name}{sign}"
                branches.append(
                    Branch(f"lead {port.name} {sign}", "lead", node, end, lead.resistance_ohm, lead, port.name, "port", sign)
                )
            return f"{port.name}+", f"{port.name}-"
        return positive, negative

    @property
    def _conductor_k(self):
        return self._file.wiring.conductor_temperature or self._file.ambient

    def _parts(self, link, lead, bar, leads=(), prefix=""):
        k = self._conductor_k
        return Parts(
            link=link and link.conductor(k),
            lead=lead and lead.conductor(k),
            leads={name: own.conductor(k) for name, own in dict(leads).items()},
            bar=bar.bar(k) if bar else Bar(),
            prefix=prefix,
        )

    def _wire(self, names):
        """Branches and take-off of the whole wiring."""
        wiring = self._file.wiring
        for key in wiring.leads:
            if key not in names:
                raise InputError(f"no such pack; {nearest(key, names)}", key="wiring.leads", value=key)
        if wiring.layout == "graph":
            return self._wire_graph()
        if wiring.conductors:
            raise InputError('own conductors need layout = "graph"', key="wiring.conductors")
        units = {name: (name, f"{name}+", f"{name}-") for name in names}
        if not wiring.strings:
            if wiring.distribution is not None:
                raise InputError("a distribution joins strings; there are none in wiring.strings", key="wiring.distribution")
            self._bar_places("", wiring.layout, names, wiring.bar)
            return join(wiring.layout, list(units.values()), self._parts(wiring.link, wiring.lead, wiring.bar, wiring.leads))
        branches, string_units, used = [], [], []
        spread = wiring.distribution or DistributionTable()
        for k, string in enumerate(wiring.strings):
            for name in string.packs:
                if name not in units:
                    raise InputError(f"no such pack; {nearest(name, names)}", key=f"wiring.strings.{k}.packs", value=name)
                used.append(name)
            parts = self._parts(string.link or wiring.link, wiring.lead, wiring.bar, wiring.leads, f"{string.name} ")
            inner, (positive, negative) = join(string.layout or wiring.layout, [units[name] for name in string.packs], parts)
            branches += inner
            self._bar_places(f"{string.name} ", string.layout or wiring.layout, string.packs, wiring.bar)
            self._place(f"string {string.name}", "string", string.name, (positive, negative))
            ends = (positive, negative)
            if string.device is not None:
                fused = (f"{string.name} fused+", f"{string.name} fused-")
                leads = (f"lead {string.name} +", f"lead {string.name} -")
                ends = self._device(string.name, string.device, ends, fused, branches, "string", in_series=leads)
            string_units.append((string.name, *ends))
        for name in names:
            if used.count(name) != 1:
                problem = "isolated: it is in no string" if name not in used else "is in two strings"
                raise InputError(problem, key="wiring.strings", value=name)
        own = {string.name: string.lead for string in wiring.strings if string.lead is not None}
        self._bar_places("main ", spread.layout, [unit[0] for unit in string_units], spread.bar)
        outer, take_off = join(spread.layout, string_units, self._parts(spread.link, spread.lead, spread.bar, own, "main "))
        return branches + outer, take_off

    def _bar_places(self, prefix, layout, units, bar):
        """Name the taps of a bus bar; a bar without resistance is one place."""
        if layout != "busbar":
            return
        for k, unit in enumerate(units, 1):
            number = k if bar is not None else ""
            name = f"{prefix}bus bar" + (f" at {unit}" if bar is not None else "")
            self._place(name, "bar", unit, (f"{prefix}bus+{number}", f"{prefix}bus-{number}"))
            if bar is None:
                return

    def _wire_graph(self):
        wiring = self._file.wiring
        if wiring.strings or wiring.distribution:
            raise InputError('layout "graph" takes only conductors', key="wiring.strings")
        if not wiring.conductors and len(list(self._file.each_pack())) > 1:
            raise InputError(
                'layout "graph" needs conductors, such as { from = "A+", to = "B+", gauge = "2 AWG", length = "30 cm" }',
                key="wiring.conductors",
            )
        branches = []
        for k, table in enumerate(wiring.conductors):
            conductor = table.conductor(self._conductor_k)
            name = table.name or f"conductor {k + 1} {table.from_} to {table.to}"
            branches.append(Branch(name, "conductor", table.from_, table.to, conductor.resistance_ohm, conductor))
        return branches, (None, None)

    # ---- duty ----

    def _amperes(self, rate, c_rate=None):
        """(kind, value) of a rate, in A or W."""
        kind, value = rate
        if kind == "c":
            return "current", (c_rate or value) * self.bank.capacity_ah
        return ("current" if kind == "a" else "power"), value

    def _limits(self, table):
        default = _pack_volts(self.bank.packs)
        voltage = getattr(table, "voltage", None) or default[0]
        cutoff = getattr(table, "cutoff", None) or default[1]
        if cutoff >= voltage:
            raise InputError(f"must be below the charge voltage of {voltage:g} V", key="duty.cutoff", value=f"{cutoff:g} V")
        tail = self._amperes(table.tail)[1] if getattr(table, "tail", None) else 0.0
        return {"volt_limit": voltage, "tail_a": tail, "cutoff_volt": cutoff}

    def _build_duty(self):
        duty, names = self._file.duty, [port.name for port in self._file.ports]
        if isinstance(duty, TableDuty):
            path = Path(self.source).parent / duty.file if self.source else Path(duty.file)
            limits = self._limits(duty)
            steps = table_steps(path, names, duty.interpolation, limits, self._idle_ports())
            steps = (self._through_inverters(step, path, limits) for step in steps)
            return Duty(tuple(self._with_idle(step, limits) for step in steps), duty.repeat)
        if isinstance(duty, DaysDuty):
            return self._days(duty, names)
        if isinstance(duty, ConstantDuty):
            return Duty((self._step(duty, "duty", names, duty.c_rate),))
        steps = tuple(self._step(step, f"duty.steps.{k}", names, duty.c_rate) for k, step in enumerate(duty.steps))
        return Duty(steps, duty.repeat)

    def _command(self, port, kind, value, limits):
        """A command at a port; power at a port with an inverter is AC power and becomes what the bank must give."""
        inverter = self.bank.behaviours.get(port, (None, None))[0]
        if inverter is not None and inverter.cutoff_volt is not None:
            limits = limits | {"cutoff_volt": inverter.cutoff_volt}
        if inverter is None or kind != "power" or value < 0:
            return Command(kind, value, **limits)
        drawn = float(inverter.dc_power(value))
        served = min(value, inverter.rated_w)
        return Command("power", drawn, **limits, ac_asked_w=value, ac_ratio=served / drawn if drawn > 0 else 0.0)

    def _through_inverters(self, step, path, limits):
        """A step of a table with AC powers turned into what the bank must give; a row of 0 W draws the inverter's idle power, one of
        0 A is a current of none."""
        commands = {}
        for port, command in step.commands.items():
            if self.bank.behaviours.get(port, (None, None))[0] is not None and command.kind == "power":
                if command.slope:
                    raise InputError(
                        'power at a port with an inverter needs interpolation = "hold"', file=path, key="duty.interpolation"
                    )
                command = self._command(port, "power", command.value, limits)
            commands[port] = command
        return Step(step.duration_s, commands, step.ends_early)

    def _idle_ports(self):
        """Ports whose inverter draws something when nothing is asked of it."""
        return [port for port, (inverter, _) in self.bank.behaviours.items() if inverter is not None and inverter.idle_w > 0]

    def _with_idle(self, step, limits):
        """The step with 0 W asked of every inverter of which it says nothing: one that is on draws its idle power, whatever the form
        of the duty, also while the bank rests or another port works."""
        idle = {port: self._command(port, "power", 0.0, limits) for port in self._idle_ports() if port not in step.commands}
        return replace(step, commands=step.commands | idle) if idle else step

    def _days(self, duty, names):
        """Sun and load at equal steps; several at one port add up, sun as charge and load as discharge."""
        from simbank import days  # which loads pandas

        begin, end, length = days.time_span(duty.start, duty.days, duty.step, duty.timezone)
        limits = self._limits(duty)
        folder = Path(self.source).parent if self.source else Path()
        asked = []
        for key, sign in (("sun", -1.0), ("load", 1.0)):
            for k, table in enumerate(getattr(duty, key)):
                where = f"duty.{key}.{k}"
                port = table.port or names[0]
                if port not in names:
                    raise InputError(f"no such port; {nearest(port, names)}", key=f"{where}.port", value=port)
                try:
                    power = self._day_power(key, table, duty, begin, end, folder)
                except InputError as error:
                    key_in_file = error.key if error.file else f"{where}.{error.key}"
                    raise InputError(error.problem, file=error.file, key=key_in_file, value=error.value) from None
                asked.append((port, sign, power))
        if not asked:
            raise InputError('needs "sun", "load" or both', key="duty")
        active = dict.fromkeys([*(port for port, _, _ in asked), *self._idle_ports()])

        def make():
            powers = [(port, sign, power()) for port, sign, power in asked]
            for first_day, index in days.windows(duty.start, duty.days, duty.step, duty.timezone):
                total = {port: np.zeros(len(index)) for port in active}
                for port, sign, power in powers:
                    total[port] += sign * power(index, first_day)
                yield Window({port: self._samples(port, power, limits) for port, power in total.items()}, len(index))

        return SampledDuty(duty.step, length, make)

    def _samples(self, port, power, limits):
        """Powers at equal steps; at a port with an inverter those above zero are AC powers, as in :meth:`_command`."""
        starts = np.flatnonzero(np.diff(power, prepend=np.nan) != 0)
        value = np.asarray(power, float)[starts]
        asked, ratio = np.zeros(len(value)), np.zeros(len(value))
        inverter = self.bank.behaviours.get(port, (None, None))[0]
        if inverter is not None:
            if inverter.cutoff_volt is not None:
                limits = limits | {"cutoff_volt": inverter.cutoff_volt}
            drawn = np.where(value >= 0, inverter.dc_power(np.maximum(value, 0.0)), value)
            asked = np.maximum(value, 0.0)
            with np.errstate(divide="ignore", invalid="ignore"):
                ratio = np.where(drawn > 0, np.minimum(asked, inverter.rated_w) / drawn, 0.0)
            value = drawn
        return Samples(starts, value, asked, ratio, limits)

    def _day_power(self, key, table, duty, begin, end, folder):
        """A function that begins a series of powers anew: it returns one from (index, first_day) to power [W]. A table is read now,
        so that what is wrong with it is said when the file is loaded."""
        from simbank import days

        if table.file is not None:
            read = days.TimedTable(folder / table.file, begin, end, duty.step, duty.timezone)
            return lambda: read
        count = days.local_days(duty.start, duty.days)
        if key == "load":
            shape = table.shape or days.HOUSEHOLD_SHAPE
            return lambda: days.DailyLoad(table.energy_per_day, shape, table.seed, table.spread, count)
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

    def _step(self, step, key, names, c_rate):
        seconds, limits = step.hours * 3600.0, self._limits(step)
        if step.rest:
            return self._with_idle(Step(seconds), limits)
        port = step.port or names[0]
        if port not in names:
            raise InputError(f"no such port; {nearest(port, names)}", key=f"{key}.port", value=port)
        if step.resistance is not None:
            command = self._command(port, "resistance", step.resistance, limits)
        else:
            kind, value = self._amperes(step.discharge or step.charge, c_rate)
            command = self._command(port, kind, value if step.discharge else -value, limits)
        return self._with_idle(Step(seconds, {port: command}, step.then == "next"), limits)


def _pack_volts(packs):
    """Charge voltage and cut-off voltage that suit all packs [V]."""
    charge = min(p.chemistry.charge_volt * p.cells_in_series for p in packs)
    return charge, max(p.chemistry.cutoff_volt * p.cells_in_series for p in packs)


def load(path, changes=None):
    """Scenario from a TOML file, with dotted keys changed.

    Parameters
    ----------
    path : path-like
    changes : dict, optional
        Dotted key → value, as in :func:`with_changes`.

    Raises
    ------
    InputError
        One line that names the file, the key, the value and what would be right.
    """
    data = read_toml(path)
    return from_dict(data, changes, source=str(path))


_ADDED = "wiring.added.*"


def from_dict(data, changes=None, source=None):
    """Scenario from a dict of the file's form; see :func:`load`."""
    changes = changes or {}
    try:
        if _ADDED in changes:  # the names of branches are known once the rest is built
            rest = {key: value for key, value in changes.items() if key != _ADDED}
            data = changed(data, rest)
            every = dict.fromkeys(joint_branches(Scenario(data, source).bank), changes[_ADDED])
            data["wiring"]["added"] = data["wiring"].get("added", {}) | every
            changes = {key: value for key, value in rest.items() if key.startswith("wiring.added")}
        data = changed(data, changes)
    except InputError as error:
        raise InputError(error.problem, file=error.file or source, key=error.key, value=error.value) from None
    return Scenario(data, source)


def with_changes(scenario, changes):
    """The same scenario with dotted keys changed, such as ``{"wiring.link.gauge": "2/0 AWG", "packs.A.soc": 0.3}``.

    A list's entries go by their ``name`` or by number from 0. A pack of an entry with ``count`` goes by its own name
    (``packs.P3.soc``), all of them by the entry's (``packs.P.soc``). ``*`` stands for every name: ``packs.*.soc``,
    ``pack_types.*.capacity``, ``wiring.added.*``.
    """
    return from_dict(scenario.data, changes, scenario.source)

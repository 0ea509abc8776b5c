"""Warnings of a bank as it is described: what a person must hear before any figure, and before the packs are joined."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from simbank.bank.ampacity import credited_ampacity_a, lowest_insulation
from simbank.bank.bank import Bank, Pack
from simbank.duty import Duty, SampledDuty
from simbank.errors import InputError
from simbank.kept import Kept
from simbank.warning import BankWarning, listed

__all__ = ["FREEZING", "LEFT_OUT", "PARALLEL", "Joining", "closing_warnings", "relaxation_warnings", "warnings_of_bank"]

FREEZING, PARALLEL, LEFT_OUT = "charge-below-freezing", "unequal-parallel-cells", "zero-by-default"
UNUSED_CHEMISTRY, STUCK, ABOVE_LIMIT = "chemistry-unused", "switch-stuck", "charge-above-limit"
# Rules of this module; all are common practice, no source.
ALIKE = 0.02  # cells count as one kind if their voltages at half charge and at the end of charge agree within this share
JOINING_C = 0.05  # a pack that more than this C-rate runs into or out of when the packs are joined is told of
NOTHING_C = 0.01  # less than this is told of in no case
ABOVE = 1.0 + 1e-6  # round-off
FAR = 1.6  # factor by which resistance × capacity of a cell differs between makes of a chemistry
CELSIUS = 273.15
MOST_RELAXATION = 20.0  # relaxation ÷ ohmic resistance up to which the fast integrator is accurate; measured


@dataclass(frozen=True, eq=False)
class Joining:
    """What flows at the moment at which the packs are joined as they stand, while no port asks for anything.

    ``open_v``, ``pack_a``: open-circuit voltage [V] and current [A] of each pack, shape (n,); ``branch_a``: current of each
    branch [A], shape (b,). Positive is out of a pack. ``among`` is a function of a mask of packs (bool, shape (n,)): the Joining of
    these alone, with the others open.
    """

    open_v: np.ndarray
    pack_a: np.ndarray
    branch_a: np.ndarray
    among: Callable[[np.ndarray], Joining]


def warnings_of_bank(bank: Bank, duty: Duty | SampledDuty, joining: Joining) -> list[BankWarning]:
    """What is wrong with a bank as it is described.

    Parameters
    ----------
    bank : Bank
        As the file describes it.
    duty : Duty or SampledDuty
        Says whether and to which voltage the bank is charged.
    joining : Joining
        What flows when its packs are joined.

    Returns
    -------
    list of BankWarning
    """
    return [
        *_kinds(bank, duty, joining), *_parallel_cells(bank), *_no_own_device(bank), *_below_freezing(bank, duty),
        *_stuck(bank), *_above_limit(bank, duty), *_unused_chemistries(bank), *_left_out(bank),
    ]  # fmt: skip


# ---- packs that do not belong together, or not yet ----


def _kinds(bank, duty, joining):
    """Packs of several chemistries, packs of one with unequal numbers of cells, and packs alike in both at unequal charge."""
    found, chemistries = [], _grouped(bank.packs, lambda one, other: _alike(one.chemistry, other.chemistry))
    kinds = [_grouped(packs, lambda one, other: one.cells_in_series == other.cells_in_series) for packs in chemistries]
    if len(chemistries) > 1:
        found.append(_mixed(kinds, bank, duty, joining))
    found += [_unequal_count(group, bank, duty, joining if len(chemistries) == 1 else None) for group in kinds if len(group) > 1]
    for packs in [packs for group in kinds for packs in group]:
        if len(packs) == len(bank.packs):
            found += _unequal_charge(bank, joining)
        elif len(packs) > 1:
            names = {pack.name for pack in packs}
            found += _unequal_charge(bank, joining.among(np.array([pack.name in names for pack in bank.packs])), packs)
    return found


def _grouped(packs, alike):
    """Packs in groups, each alike its group's first."""
    groups = []
    for pack in packs:
        group = next((group for group in groups if alike(group[0], pack)), None)
        if group is None:
            groups.append([pack])
        else:
            group.append(pack)
    return groups


def _alike(one, other):
    if one is other:
        return True
    pairs = (float(one.ocv(0.5)), float(other.ocv(0.5))), (one.charge_volt, other.charge_volt)
    return all(abs(a - b) <= ALIKE * max(a, b) for a, b in pairs)


def _mixed(kinds, bank, duty, joining):
    """Packs of several chemistries; ``kinds`` are groups by number of cells, in a list for each chemistry."""
    volt = charge_volt(bank, duty)
    names, cells = [], []
    for group in kinds:
        for packs in group:
            count = f" of {packs[0].cells_in_series} cells" if len(group) > 1 else ""
            names.append(f"{_chemistry(packs)}{count} ({listed([pack.name for pack in packs])})")
            cells.append(_cells_at(packs, volt))
    others = "other" if len(names) == 2 else "others"
    text = (
        f"{', '.join(names[:-1])} and {names[-1]} lie in parallel at one voltage: at the charge voltage of {volt:g} V, "
        f"{'; '.join(cells)}. One kind fills and empties before the {others}. {_at_once(bank, joining)} Do not join them: give each "
        f"of these {len(names)} kinds a charger and an inverter of its own, or a converter between them."
    )
    return BankWarning("mixed-chemistry", ", ".join(p.name for group in kinds[1:] for packs in group for p in packs), text)


def _unequal_count(kinds, bank, duty, joining):
    """Packs of one chemistry, in groups by number of cells; ``joining`` is None where another warning says what flows."""
    volt = charge_volt(bank, duty)
    kinds = sorted(kinds, key=lambda packs: packs[0].cells_in_series)
    cells = "; ".join(_cells_at(packs, volt) for packs in kinds)
    usual = max(kinds, key=lambda packs: (len(packs), packs[0].cells_in_series))
    flows = f"{_at_once(bank, joining)} " if joining else ""
    text = (
        f"Packs of {' and '.join(str(packs[0].cells_in_series) for packs in kinds)} cells in series lie in parallel: at the charge "
        f"voltage of {volt:g} V, {cells}. {flows}Never join them: packs in parallel need the same number of cells in series."
    )
    few = {pack.name for packs in kinds if packs is not usual for pack in packs}
    return BankWarning("unequal-cell-count", ", ".join(pack.name for pack in bank.packs if pack.name in few), text)


def _chemistry(packs):
    return "/".join(dict.fromkeys(pack.chemistry.name for pack in packs))


def _unused_chemistries(bank):
    """Chemistries of the file that no pack type names: their keys change nothing."""
    text = 'no pack type names this chemistry, so its keys change nothing; write chemistry = "{}" in the pack type that is meant'
    return [BankWarning(UNUSED_CHEMISTRY, name, text.format(name)) for name in bank.unused_chemistries]


def _cells_at(packs, volt):
    """What the cells of packs of one kind meet when they stand at a voltage."""
    count, kind = packs[0].cells_in_series, min((pack.chemistry for pack in packs), key=lambda chemistry: chemistry.volt_max)
    cell, whose = volt / count, f"{count} {_chemistry(packs)} cells"
    if cell > kind.volt_max:
        return f"{whose} stand at {cell:.2f} V each, OVER their limit of {kind.volt_max:g} V"
    return f"{whose} stand at {cell:.2f} V each (are charged at {kind.charge_volt:g} V, limit {kind.volt_max:g} V)"


def closing_warnings(bank: Bank, joining: Joining, what: str, time_s: float) -> list[BankWarning]:
    """What is wrong with a pack or device that the schedule closes; as at the start, by the charge that packs have then.

    Parameters
    ----------
    bank : Bank
        Whose packs are joined.
    joining : Joining
        What flows just after, while no port asks for anything.
    what : str
        Name of the pack or device.
    time_s : float
        When it is closed, since the start [s].

    Returns
    -------
    list of BankWarning
    """
    lead = f"When {what} is closed {time_s / 3600.0:.3g} h after the start: "
    return [replace(warning, text=lead + warning.text) for warning in _unequal_charge(bank, joining)]


def _unequal_charge(bank, joining, alone=None):
    """Packs of one kind at unequal charge; ``alone`` are those that ``joining`` joins, where the bank has others beside."""
    rates = np.abs(joining.pack_a) / [pack.capacity_ah for pack in bank.packs]
    greatest = float(np.max(rates, initial=0.0))
    if not greatest > NOTHING_C or (greatest <= JOINING_C and not _overrun(bank, joining)):
        return []
    where = [pack for pack, rate in zip(bank.packs, rates, strict=True) if rate > min(JOINING_C, 0.5 * greatest)]
    frozen = [pack for pack in where if not float(pack.chemistry.charge_rate(start_celsius(bank, pack))) > 0.0]
    level = "Warm the packs until their cells take charge, then level them" if frozen else "Level them first,"
    text = (
        f"{_at_once(bank, joining, alone)} {level} one at a time: charge each to full with a charger that limits its "
        "current, or join it through a precharge resistor."
    )
    return [BankWarning("unequal-charge", ", ".join(pack.name for pack in where), text)]


def _at_once(bank, joining, alone=None):
    """The current at the moment of joining, and which limits it is over."""
    out, into = int(np.argmax(joining.pack_a)), int(np.argmin(joining.pack_a))
    give, take = bank.packs[out], bank.packs[into]
    if not np.any(np.abs(joining.pack_a) > [NOTHING_C * pack.capacity_ah for pack in bank.packs]):
        return "As they stand, next to no current flows when they are joined."
    lead = "Joined as they stand"
    if alone:
        lead = f"{listed([pack.name for pack in alone])} are of one kind, but at unequal charge. Joined as they stand, without the others"
    text = (
        f"{lead}, {_amperes(joining.pack_a[out], give)} flow at once out of {give.name} ({joining.open_v[out]:.2f} V open circuit) "
        f"and {_amperes(-joining.pack_a[into], take)} into {take.name} ({joining.open_v[into]:.2f} V)."
    )
    over = _overrun(bank, joining)
    return f"{text} That is over {'these limits' if len(over) > 1 else 'this limit'}: {'; '.join(over)}." if over else text


def _amperes(current, pack):
    return f"{current:.3g} A ({current / pack.capacity_ah:.2g} C)"


def _overrun(bank, joining):
    """Limits that the current at the moment of joining is over: of BMSs, of what cells take, of devices, of conductors."""
    packs = {}  # limit in words, its level [A] → (name of a pack, its current [A])
    for pack, current in zip(bank.packs, joining.pack_a, strict=True):
        if not abs(current) > NOTHING_C * pack.capacity_ah:
            continue
        bms, limits = pack.bms, []
        if bms is not None and current < 0:
            limits = [(bms.charge_current.level, "charge")]
        elif bms is not None:
            high = (bms.discharge_current_high.level, "high discharge"), (bms.short_circuit.level, "short-circuit")
            limits = [(bms.discharge_current.level, "discharge"), *high]
        for level, what in [(level, what) for level, what in limits if abs(current) > level][-1:]:
            packs.setdefault((f"the {what} limit of the BMS of {{}}", level), []).append((pack.name, abs(current)))
        celsius = start_celsius(bank, pack)
        takes = float(pack.chemistry.charge_rate(celsius)) * pack.capacity_ah
        if -current > takes:
            packs.setdefault((f"what the cells of {{}} take at {celsius:.0f} °C", takes), []).append((pack.name, -current))
    found = []
    for (words, level), over in packs.items():
        names, greatest = [name for name, _ in over], max(current for _, current in over)
        flow = f"{'up to ' if len(over) > 1 else ''}{greatest:.3g} A flow"
        found.append(f"{words.format(listed(names))} ({level:.3g} A; {flow})")
    branches, flows = bank.graph.branches, np.abs(joining.branch_a)
    if bank.devices:
        by_name = {branch.name: a for branch, a in zip(branches, flows, strict=True)}
        found += _worst("the rating of", [(d.name, by_name[d.branch], d.rating_a) for d in bank.devices])
    ambient_c = bank.ambient_k - CELSIUS
    carried = _carried.of((bank.graph,), (ambient_c,), lambda: np.array([_carries_a(b.conductor, ambient_c) for b in branches]))
    over = np.flatnonzero(flows > carried)
    return found + _worst("the ampacity of", [(branches[k].name, flows[k], float(carried[k])) for k in over])


_carried = Kept(4)  # ampacities of the branches of a graph


def _worst(what, rows):
    """Of (name, current, limit) the one that is overrun most, in words."""
    over = [
        (current / limit if limit > 0.0 else np.inf, name, current, limit) for name, current, limit in rows if current > limit
    ]
    if not over:
        return []
    _, name, current, limit = max(over, key=lambda row: row[0])
    others = f"; {len(over) - 1} more likewise" if len(over) > 1 else ""
    return [f"{what} {name} ({limit:.3g} A; {current:.3g} A flow{others})"]


def _carries_a(conductor, ambient_c):
    """Ampacity of a conductor [A] that may be counted on; infinite where there is no table.

    By the coolest column where its insulation is not given.
    """
    if conductor is None or (conductor.gauge is None and conductor.ampacity_a is None):
        return np.inf
    if conductor.ampacity_a is not None:
        return conductor.ampacity_a
    insulation = conductor.insulation or lowest_insulation(conductor.gauge)
    try:
        return credited_ampacity_a(conductor.gauge, insulation, ambient_c, conductor.loaded, conductor.material)[0]
    except InputError:
        return np.inf


# ---- cells in parallel ----


def _parallel_cells(bank):
    """Packs of parallel cells whose resistance × capacity fits their chemistry only if one of the two was meant otherwise.

    A cell's ohmic resistance goes with the inverse of its capacity, so that their product is about the same for all sizes of a
    make. Capacity of a cell taken for the pack's, or resistance of a row for the cell's, makes it wrong by the number in parallel.
    """
    said = {}
    for pack in bank.packs:
        typical, count = pack.chemistry.typical, pack.cells_in_parallel
        if count == 1 or not typical:
            continue
        usual = typical["capacity_ah"] * typical["resistance_ohm"]
        have = pack.cell_capacity_ah * pack.cell_resistance_ohm
        other = have * count if have < usual else have / count
        if not 1 / FAR <= have / usual <= FAR and 1 / FAR <= other / usual <= FAR:
            cell_ah, ohm = f"{pack.cell_capacity_ah:g} Ah", f"{pack.cell_resistance_ohm * 1e3:g} mΩ"
            meant = f"{cell_ah} were the whole pack's capacity"
            if have < usual:
                meant = f"{pack.rated_capacity_ah:g} Ah were one cell's capacity, or {ohm} the resistance of {count} cells in parallel"
            text = (
                f"{count} cells of {cell_ah} and {ohm} each in parallel make a pack of {pack.rated_capacity_ah:g} Ah; resistance × "
                f"capacity of a cell is then {have:.2g} ΩAh, where {usual:.2g} is usual for {pack.chemistry.name}. It would be "
                f"{other:.2g} if {meant}: capacity is the whole pack's, cell_capacity and cell_resistance are one cell's."
            )
            said.setdefault(text, []).append(pack.name)
    return [BankWarning(PARALLEL, ", ".join(names), text) for text, names in said.items()]


# ---- what the file leaves out ----


def _left_out(bank):
    """Joints and wiring inside packs of which the file says nothing, so that they count as zero."""
    left = bank.left_out_words
    if not left:
        return []
    keys = (bank.joints_left_out, "joint"), (bank.wiring_left_out, "internal_wiring")
    text = (
        f"{left[0].upper()}{left[1:]} are not given and count as zero: fault currents come out too high, and so does what is left for a fuse "
        f"to open on; how the packs share is uncertain too. Give them ({', '.join(key for names, key in keys if names)}; measured, with ±), or "
        "let --bands draw them from what is seen in practice."
    )
    own = _own_by_resistance(bank)
    if own:
        text += (
            f" The lead of {', '.join(own)} is given by its own resistance, to which the joints of the common lead are not added: if that was "
            'measured from end to end, joints included, say joint = "0 ohm" there, else give its joint.'
        )
    return [BankWarning(LEFT_OUT, ", ".join(key for names, key in keys if names), text)]


def _own_by_resistance(bank):
    """Packs with a lead of their own that is given by its resistance without a joint, where the other leads have joints."""
    leads = [branch for branch in bank.graph.branches if branch.kind == "lead" and branch.role == "unit"]
    if not any(branch.conductor.joint_ohm for branch in leads if branch.conductor is not None):
        return []
    own = [b for b in leads if b.name in bank.joints_left_out and b.conductor.fixed_resistance_ohm is not None]
    return list(dict.fromkeys(branch.owner for branch in own))


# ---- devices ----


def _no_own_device(bank):
    """Packs and strings in parallel without a fuse or breaker of their own (common practice, no source: each needs one)."""
    owners = {device.owner for device in bank.devices}
    strings = [place for place in bank.places if place.kind == "string"]
    alone = [s for s in strings if s.owner in owners and len(bank.strings[s.owner]) == 1]  # a string's device is its only pack's
    poles = {(string.positive, string.negative) for string in alone}
    covered = {place.owner for place in bank.places if place.kind == "pack" and (place.positive, place.negative) in poles}
    packs = [pack.name for pack in bank.packs if pack.name not in owners | covered]
    rows = [f"string {string.owner}" for string in strings if string.owner not in owners] if len(strings) > 1 else []
    if len(bank.packs) < 2 or not packs + rows:
        return []
    said = []
    if packs:
        every, one = len(packs) == len(bank.packs), len(packs) == 1
        own = "has no fuse or breaker of its own" if one else "have no fuse or breaker of their own"
        said.append(
            "none of the packs has a fuse or breaker of its own" if every else f"pack{'s' * (not one)} {listed(packs)} {own}"
        )
    if rows:
        said.append(
            f"{listed(rows)} {'has' if len(rows) == 1 else 'have'} none before {'its' if len(rows) == 1 else 'their'} take-off"
        )
    who = ", and ".join(said)
    text = (
        f"{who[0].upper()}{who[1:]}: if one fails inside, the others push all they have into it. Put one at each, close to its "
        "terminal; simbank protect says what it must be able to break."
    )
    return [BankWarning("no-own-device", ", ".join(packs + rows), text)]


# ---- what should stop a charge and does not ----


def _stuck(bank):
    """Packs whose switch has failed closed by the file, whether or not a run needs it."""
    names = [pack.name for pack in bank.packs if any(pack.stuck)]
    if not names:
        return []
    ways = {pack.bms.stuck for pack in bank.packs if any(pack.stuck)}
    what = "charge" if ways == {"charge"} else "discharge" if ways == {"discharge"} else "charge or discharge"
    text = (
        f"The switch of the BMS of {listed(names)} is stuck closed by the file: nothing of the pack's own stops {what} at any limit. Take it out of "
        "the bank; until then only its fuse stands between it and the others."
    )
    return [BankWarning(STUCK, ", ".join(names), text)]


def _above_limit(bank, duty):
    """Charge voltages, and over-voltage limits of BMSs, above the highest that cells stand."""
    volt = max(_set_volts(bank, duty), default=0.0)
    over = [pack for pack in bank.packs if volt > pack.chemistry.volt_max * pack.cells_in_series * ABOVE]
    kinds = _grouped(
        bank.packs, lambda one, other: _alike(one.chemistry, other.chemistry) and one.cells_in_series == other.cells_in_series
    )
    if len(kinds) > 1 and volt <= charge_volt(bank, duty):
        over = []  # what the cells of each kind stand at is said with their mixture
    late = [pack for pack in bank.packs if _opens_late(pack)]
    found = []
    if over:
        worst = max(over, key=lambda pack: volt / pack.cells_in_series / pack.chemistry.volt_max)
        most = worst.chemistry.volt_max
        text = (
            f"Charge is set to {volt:g} V, {volt / worst.cells_in_series:.2f} V for each of the {worst.cells_in_series} {worst.chemistry.name} "
            f"cells of {listed([pack.name for pack in over])}, which stand {most:g} V ({most * worst.cells_in_series:g} V in all). Only a BMS that "
            f"works then ends the charge. Set no more than {worst.chemistry.charge_volt * worst.cells_in_series:.4g} V"
        )
        found.append((over, text))
    if late:
        worst = max(late, key=lambda pack: pack.bms.over_voltage.level / pack.chemistry.volt_max)
        text = (
            f"The BMS of {listed([pack.name for pack in late])} opens at {worst.bms.over_voltage.level:g} V a cell, but {worst.chemistry.name} cells "
            f"stand {worst.chemistry.volt_max:g} V: it does not guard them. Set its limit to no more than that"
        )
        found.append((late, text))
    return [BankWarning(ABOVE_LIMIT, ", ".join(pack.name for pack in packs), text) for packs, text in found]


def _opens_late(pack):
    return pack.bms is not None and pack.chemistry.volt_max * ABOVE < pack.bms.over_voltage.level < np.inf


def _set_volts(bank, duty):
    """Every voltage to which the duty or a charger charges the bank [V]."""
    for _, charger in bank.port_equipment.values():
        if charger is not None:
            yield from (volt for volt in (charger.absorb_volt, charger.float_volt) if volt)
    yield from (command.volt_limit for command in _charges(duty) if np.isfinite(command.volt_limit))


# ---- cold ----


def _below_freezing(bank, duty):
    """Packs that start below 0 °C, whose cells take no charge there, whose BMS does not stop it, in a duty that charges."""
    cold = [pack for pack in bank.packs if start_celsius(bank, pack) < 0.0 and _charges_cold(pack, start_celsius(bank, pack))]
    if not cold or next(_charges(duty), None) is None:
        return []
    coldest = min(start_celsius(bank, pack) for pack in cold)
    kinds = listed(list(dict.fromkeys(pack.chemistry.name for pack in cold)))
    text = (
        f"Packs stand at {coldest:.0f} °C at the start, the duty charges them, and no BMS stops it: {kinds} cells take no charge "
        "below 0 °C (lithium plates, which harms them for good and can short them). Warm them first, or give the BMS a lowest "
        "charge temperature."
    )
    return [BankWarning(FREEZING, ", ".join(pack.name for pack in cold), text)]


def _charges_cold(pack, celsius):
    stopped = pack.bms is not None and not pack.stuck[0] and pack.bms.charge_temperature.lower > celsius
    return float(pack.chemistry.charge_rate(celsius)) <= 0.0 and not stopped


def start_celsius(bank, pack):
    """Temperature of a pack at the start [°C]."""
    return (bank.ambient_k if pack.temperature_k is None else pack.temperature_k) - CELSIUS


# ---- the duty ----


def charge_volt(bank, duty):
    """Greatest voltage at which the bank is charged [V]: of its chargers, of its duty, or what suits all its packs."""
    volts = [charger.absorb_volt for _, charger in bank.port_equipment.values() if charger is not None and charger.absorb_volt]
    if not volts:
        volts = [command.volt_limit for command in _charges(duty) if np.isfinite(command.volt_limit)]
    return max(volts, default=min(pack.chemistry.charge_volt * pack.cells_in_series for pack in bank.packs))


def _charges(duty):
    """The commands of a duty that charge; of a sampled one, the greatest at each port in its first four weeks."""
    if isinstance(duty, SampledDuty):
        for window in duty.windows():
            for samples in window.samples.values():
                greatest = samples.command(int(np.argmin(samples.value_w)))
                if greatest.value < 0:
                    yield greatest
            return
    for step in duty.steps:
        for command in step.commands.values():
            if command.kind != "resistance" and min(command.value, command.value + command.slope * step.duration_s) < 0:
                yield command


# ---- what the fast integrator cannot follow ----


def relaxation_warnings(packs: Sequence[Pack]) -> list[BankWarning]:
    """A warning of packs that the fast integrator cannot follow.

    Their relaxation resistances are many times the ohmic one, so that a current is taken over by the relaxation long before its time
    constant has passed.
    """
    names, factors = [], {}  # by chemistry: greatest of the relaxation, least of the ohmic resistance
    for pack in packs:
        chemistry = pack.chemistry
        if id(chemistry) not in factors:
            factors[id(chemistry)] = float(np.max(chemistry.rc_factor.value)), float(np.min(chemistry.r_factor.value))
        most, least = factors[id(chemistry)]
        relaxing = sum(ohm for ohm, _ in pack.pack_rc_pairs) * most
        if relaxing > MOST_RELAXATION * (pack.cell_path_ohm * least + pack.internal_wiring_ohm):
            names.append(pack.name)
    if not names:
        return []
    text = (
        f"relaxation resistances more than {MOST_RELAXATION:g} times the ohmic one, which the fast integrator cannot follow: the "
        "reference integrator ran instead. Check them"
    )
    return [BankWarning("reference-instead", ", ".join(names), text)]

"""What readings taken at a bank say is wrong with it, how sure that is, and what to measure next."""

from __future__ import annotations

import re
from dataclasses import replace
from os import PathLike
from typing import TYPE_CHECKING

import numpy as np
from threadpoolctl import threadpool_limits

from simbank.errors import InputError
from simbank.filemodel import nearest
from simbank.provenance import made_by
from simbank.quantities import parse
from simbank.scenario import Scenario
from simbank.simulation import arrays as ar
from simbank.studies.described import bank_warnings
from simbank.studies.diagnosis.bank_at import At
from simbank.studies.diagnosis.contradictions import instants_apart, refuse_no_current, refuse_volts, sums_apart, turned
from simbank.studies.diagnosis.diagnosis import Diagnosis
from simbank.studies.diagnosis.evidence import Evidence, weigh
from simbank.studies.diagnosis.found import Found
from simbank.studies.diagnosis.hypotheses import NO_FAULT, Faults, pairs_of, single_faults
from simbank.studies.diagnosis.knowledge import UNKNOWN_TIME_S, Knowledge
from simbank.studies.diagnosis.meter_readings import Instant, MeterReadings, accuracies, read_readings
from simbank.studies.diagnosis.observation import Expected
from simbank.studies.diagnosis.response import HeldBank
from simbank.studies.diagnosis.suspects import alike, seen
from simbank.warning import listed

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["DIRECTIONS", "diagnose"]

DIRECTIONS = {"discharge": 1, "charge": -1}
_WORK = re.compile(r"(?i)(?P<way>discharge|charge)\s+(?P<current>.+?)(?:\s*,\s*|\s+for\s+)(?P<time>.+)")
# Chance of a misfit as large as that of the best single cause, below which two causes at once are looked at. Chosen here.
DOUBTED = 0.1
MOST_FIRST = 6  # of the single causes, each paired with every other
REPEATS = 3  # to find the current of a bank of which not every pack was read


def diagnose(
    scenario: Scenario,
    readings: str | PathLike | pd.DataFrame,
    *,
    port: str | None = None,
    doing: str | None = None,
    accuracy: str | None = None,
    voltage_accuracy: str | None = None,
    drop_accuracy: str | None = None,
    before: str | None = None,
) -> Diagnosis:
    """What readings say of a bank: is it sound, which joint, pack or switch is suspect, how large is it, what to measure next.

    Parameters
    ----------
    scenario : Scenario
        The bank as it should be; its packs' state of charge and hysteresis are those when the current was last changed. Its duty is not
        used.
    readings : path-like or DataFrame
        Rows ``pack, current_a``, where known with ``time_since_change_s``, ``pack_voltage_v``, ``displayed_soc``; or ``link, drop_mv``;
        ``instant`` tells several currents apart (:func:`simbank.studies.diagnosis.read_readings`).
    port : str, optional
        The port that carries the bank's current, where there are several; by default the first, or those that were read.
    doing : {"discharge", "charge"}, optional
        What the bank was doing; by default positive currents discharge it.
    accuracy, voltage_accuracy, drop_accuracy : str, optional
        Of the clamp meter, of voltages and of drops, such as "2 % + 0.1 A": one standard deviation.
    before : str, optional
        What the bank did right up to the last change of current: "discharge 200 A for 2 h", "charge 60 A for 3 h", or "rest" if its packs
        stood level. Where it is not told, packs may still differ by such work.

    Returns
    -------
    Diagnosis

    Raises
    ------
    InputError
        For readings that cannot be used, with file, row and column.

    Examples
    --------
    Two equal packs of 8 mΩ on a chain, 50 A out of them. By hand: 26.9 A through the first and 23.1 A through the second leave 30.4 mV
    between them, which both poles of the link drop at 23.1 A: 1.3 mΩ, where 0.2 mΩ a pole would be sound. A third reading, along the
    positive pole, says where it is:

    >>> import pandas as pd, simbank
    >>> bank = simbank.from_dict({
    ...     "name": "two", "pack_types": {"box": {"capacity": "100 Ah", "cell_resistance": "0.5 milliohm"}},
    ...     "packs": [{"name": name, "type": "box"} for name in "AB"], "ports": [{"name": "load"}],
    ...     "wiring": {"layout": "chain", "link": {"gauge": "2 AWG", "length": "30 cm", "joint": "0.02 milliohm"}},
    ...     "duty": {"kind": "constant", "discharge": "10 A", "hours": 1}})
    >>> read = pd.DataFrame({"pack": ["A", "B", None], "current_a": [26.9, 23.1, None], "link": [None, None, "A-B +"],
    ...     "drop_mv": [None, None, 28.0], "time_since_change_s": [2, 2, 2]})
    >>> found = simbank.diagnose(bank, read)
    >>> found.suspects[0].where, round(found.suspects[0].members[0].size * 1e3, 1)
    ('link A-B +', 1.0)
    """
    with threadpool_limits(1):  # threads cost more than they save on matrices so small
        return _diagnosed(scenario, readings, port, doing, accuracies(accuracy, voltage_accuracy, drop_accuracy), _work(before))


def _work(text: str | None) -> tuple[float, float] | None:
    """Current out of the bank [A] and time [s] before the last change, from text; None where nothing is told.

    >>> _work("discharge 200 A for 2 h"), _work("charge 60 A, 30 min"), _work("rest"), _work(None)
    ((200.0, 7200.0), (-60.0, 1800.0), (0.0, 0.0), None)
    """
    if text is None:
        return None
    if text.strip().lower() in ("rest", "rested"):
        return 0.0, 0.0
    right = 'write "rest", or such as "discharge 200 A for 2 h"'
    if not (found := _WORK.fullmatch(text.strip())):
        raise InputError(right, key="before", value=text)
    try:
        amperes, time_s = parse(found["current"], "ampere"), parse(found["time"], "second")
    except ValueError:
        raise InputError(right, key="before", value=text) from None
    if not (0 < amperes < np.inf and 0 < time_s < np.inf):
        raise InputError("must be above zero", key="before", value=text)
    return DIRECTIONS[found["way"].lower()] * amperes, time_s


def _diagnosed(scenario, readings, port, doing, accuracy, before):
    bank = scenario.bank
    meter = read_readings(readings, bank, accuracy)
    if port is not None and port not in bank.graph.ports:
        raise InputError(f"no such port; {nearest(port, bank.graph.ports)}", key="port", value=port)
    if doing is not None and doing not in DIRECTIONS:
        raise InputError('must be "discharge" or "charge"', key="doing", value=doing)
    if len(bank.packs) < 2:
        raise InputError("needs two packs or more, which share a current", key="packs")
    refuse_no_current(meter)
    told = list(meter.understood)
    sign = _sign(meter, doing, told)
    chosen = _found(scenario, meter, port, sign, told, before)
    if doing is None and any(instant.of("voltage") for instant in meter.instants):
        other = _found(scenario, meter, port, -sign, [], before)
        if other.log_density > chosen.log_density + 3.0:  # twenty times as likely
            told.append(
                "Voltages say that the currents count the other way: negative ones discharge the bank."
                if sign > 0 else "Voltages say that the currents count the other way: positive ones charge the bank."
            )  # fmt: skip
            chosen = other
    refuse_volts(meter, chosen, bank)

    def again(other):
        return _found(scenario, other, port, chosen.sign, [], before)

    contradictions = (*sums_apart(meter, bank), *turned(meter, chosen, again))
    contradictions = contradictions or tuple(instants_apart(meter, chosen, again))
    settings = {key: value.text for key, value in meter.accuracy.items()}
    made = made_by(scenario, "simbank.diagnose", readings=meter.source, port=chosen.port, accuracy=settings, before=before)
    return Diagnosis(scenario, meter, chosen, tuple(told), bank_warnings(scenario), made, contradictions)


def _sign(meter, doing, told):
    """By what readings are multiplied so that they are positive out of the packs; a sentence on it into ``told``."""
    if doing is not None:
        sign = DIRECTIONS[doing] * (meter.sign or 1)
        if sign < 0:
            told.append(f"The bank {doing}s, as told: currents of the other sign are those out of it.")
        return sign
    way = "discharge" if meter.sign >= 0 else "charge"
    count = "positive" if meter.sign >= 0 else "negative"
    told.append(
        f"Currents are mostly {count}: the bank is taken to {way} (positive counts out of a pack). If not so, say what it was doing."
    )
    return 1


def _found(
    scenario: Scenario, meter: MeterReadings, port: str | None, sign: int, told: list[str], before: tuple[float, float] | None
) -> Found:
    """Every hypothesis weighed, for one meaning of the signs."""
    bank = scenario.bank
    names = list(bank.graph.ports)
    read_ports = [r.name for instant in meter.instants for r in instant.of("port")]
    name = port or (read_ports[0] if read_ports else names[0])
    if port is None and not read_ports and len(names) > 1:
        told.append(f"The bank's current is taken to flow at port {name}; name another if it does not.")
    read = {r.name for instant in meter.instants for r in instant.of("current")}
    unread = [pack.name for pack in bank.packs if pack.name not in read]
    if unread and not read_ports:
        told.append(f"Not read: {listed(unread)}. The bank's current is worked out from the packs that were.")
    held = HeldBank(bank, _charges(bank, meter, sign, told))
    if before is not None and before[1]:
        held = _worked(held, names.index(name), *before)
    parts = []
    for instant in meter.instants:
        parts.append(_at(bank, held, instant, names.index(name), sign))
    knowledge = Knowledge(scenario, meter.accuracy["voltage"].share, before is not None)
    knowledge.share(held, [(at, instant.time_s, read) for (at, read), instant in zip(parts, meter.instants, strict=True)])
    expected = Expected(bank, parts, knowledge)
    faults = single_faults(bank)
    every = weigh(expected, faults)
    shown = np.flatnonzero(seen(expected, every))
    hidden = tuple(
        dict.fromkeys(f.name for k, (f,) in enumerate(faults.each) if k not in shown and f.name not in bank.graph.packs)
    )
    if all(faults.each[k][0].kind == NO_FAULT for k in shown):
        raise InputError(
            "would show no fault of this bank: read the currents of two packs at least, at a current that the meter reads well",
            file=meter.source, key="current_a",
        )  # fmt: skip
    singles = _kept(every, shown)
    found = [singles]
    freedom = expected.count - sum(bool(read) and at.port_a[at.port] != 0 for at, read in parts)
    if _chance(singles, freedom) < DOUBTED:
        groups = alike(expected, singles)
        firsts = [group[0] for group in groups if singles.faults.each[group[0]][0].kind != NO_FAULT]
        pairs = pairs_of(singles.faults, firsts[:MOST_FIRST], firsts)
        if pairs.each:
            found.append(weigh(expected, pairs))
    weight = np.concatenate([evidence.log_weight for evidence in found])
    total = float(np.logaddexp.reduce(weight))
    split = np.split(np.exp(weight - total), np.cumsum([len(e.faults.each) for e in found])[:-1])
    return Found(
        name, sign, held, tuple(parts), knowledge, expected, tuple(zip(found, split, strict=True)), total, _best_chance(found, split, freedom),
        hidden, tuple(_carried(bank, held, at, read) for at, read in parts),
    )  # fmt: skip


def _carried(bank, held, at, read):
    """Current of each element by what was read of packs; packs that were not read share the rest as in a sound bank."""
    read_a = {r.name: r.value for r in read if r.kind == "current"}
    sound = at.response.current_a[: held.n]
    was_read = np.array([pack.name in read_a for pack in bank.packs])
    pack_a = np.array([read_a.get(pack.name, sound[k]) for k, pack in enumerate(bank.packs)])
    left, rest = at.port_a.sum() - pack_a[was_read].sum(), sound[~was_read].sum()
    if rest and left / rest > 0:
        pack_a[~was_read] *= left / rest
    port_a = at.port_a.copy()
    port_a[at.port] += pack_a.sum() - port_a.sum()
    return np.concatenate([pack_a, held.carried(pack_a, port_a)])


def _worked(held, port, amperes, time_s):
    """The bank after work that is told; an InputError where it has not the charge for it."""
    moved, capacity = abs(amperes) * time_s / 3600.0, held.cells[ar.CAPACITY_AS].sum() / 3600.0
    if moved > capacity:
        raise InputError(f"would move {moved:.3g} Ah through a bank of {capacity:.3g} Ah", key="before", value=f"{amperes:.3g} A")
    port_a = np.zeros(len(held.ports))
    port_a[port] = amperes
    return held.after(port_a, time_s)


def _kept(evidence, places):
    """The evidence of some of its hypotheses."""
    faults = Faults(tuple(evidence.faults.each[k] for k in places), evidence.faults.prior[places])
    parts = (evidence.log_density, evidence.share, evidence.weight, evidence.best, evidence.misfit)
    return Evidence(faults, evidence.settings, *(part[:, places] for part in parts))


def _charges(bank, meter, sign, told):
    """State of charge of each pack at the change: the file's, moved alike so that their mean is then that of the displays, if there are any."""
    soc = np.array([pack.soc for pack in bank.packs])
    shown = {r.name: r.value for instant in meter.instants for r in instant.of("display")}
    if not shown:
        return None
    move = float(np.mean([value - soc[k] for k, pack in enumerate(bank.packs) if (value := shown.get(pack.name)) is not None]))
    if abs(move) > 0.02:
        told.append(
            f"Displays are {abs(move) * 100:.0f} points {'above' if move > 0 else 'below'} the file on the mean: all packs are moved by that."
        )
    capacity = sum(pack.capacity_ah for pack in bank.packs)
    moved = [  # since the change, which the displays have counted
        sign * sum(r.value for r in instant.of("current")) * instant.time_s / 3600.0 / capacity
        for instant in meter.instants
        if instant.of("display") and instant.time_s is not None
    ]
    return np.clip(soc + move + (moved[0] if moved else 0.0), 0.0, 1.0)


def _at(bank, held, instant: Instant, port, sign):
    """The bank at an instant, and its readings with currents positive out of the packs."""
    read = [replace(r, value=r.value * sign) if r.kind in ("current", "port") else r for r in instant.readings]
    time_s = UNKNOWN_TIME_S[1] if instant.time_s is None else instant.time_s
    port_a = np.zeros(len(bank.graph.ports))
    ports = {r.name: r.value for r in read if r.kind == "port"}
    for k, name in enumerate(bank.graph.ports):
        port_a[k] = ports.get(name, 0.0)
    packs = {pack.name: k for k, pack in enumerate(bank.packs)}
    currents = [(packs[r.name], r.value) for r in read if r.kind == "current"]
    if currents and list(bank.graph.ports)[port] not in ports:
        places, values = [k for k, _ in currents], np.array([value for _, value in currents])
        capacity = np.array([pack.capacity_ah for pack in bank.packs])
        total = values.sum() * capacity.sum() / capacity[places].sum()
        for _ in range(REPEATS if len(places) < len(packs) else 1):
            port_a[port] = total - (port_a.sum() - port_a[port])
            if len(places) == len(packs):
                break
            share = held.response(port_a, time_s).current_a[places].sum() / total if total else 0.0
            total = values.sum() / share if share > 0 else total
    return At.of(held, port, port_a, time_s), tuple(read)


def _chance(evidence, freedom):
    """Chance of a misfit as large as that of the most probable hypothesis, 1 where there are too few readings to tell."""
    k = int(np.argmax(evidence.log_weight))
    return _chance_of(evidence, k, freedom)


def _chance_of(evidence, k, freedom):
    from scipy.stats import chi2

    left = freedom - (0 if evidence.faults.each[k][0].kind == NO_FAULT else len(evidence.faults.each[k]))
    s = int(np.argmax(evidence.log_joint[:, k]))
    return float(chi2.sf(evidence.misfit[s, k], left)) if left > 0 else 1.0


def _best_chance(found, probability, freedom):
    """That chance for the most probable of all hypotheses; None where there are too few readings."""
    best = max(range(len(found)), key=lambda j: float(np.max(probability[j])))
    k = int(np.argmax(probability[best]))
    left = freedom - (0 if found[best].faults.each[k][0].kind == NO_FAULT else len(found[best].faults.each[k]))
    return _chance_of(found[best], k, freedom) if left > 0 else None

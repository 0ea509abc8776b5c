"""Readings that cannot all be right, whatever the bank: a sign turned, packs that do not add up to their port, volts as millivolts, no current."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

from simbank.bank import Bank
from simbank.errors import InputError
from simbank.studies.diagnosis.found import Found
from simbank.studies.diagnosis.meter_readings import Instant, MeterReadings
from simbank.warning import listed

__all__ = ["instants_apart", "refuse_no_current", "refuse_volts", "sums_apart", "turned"]

NOTHING = 2.0  # of the meter's deviations: a current below it is none
AS_LIKELY = (
    3.0  # in the logarithm of the density: twenty times. A sign turned that fits so much better is asked about; chosen here
)
LEAST_FIT = 0.01  # chance of a misfit as large, from which on a turned sign fits; as that below which nothing fits
THOUSANDTH = 0.2e-3, 5e-3  # of the drop that is due: what lies between was written in volts. Chosen here
LEAST_DUE_V = 2e-3  # a smaller drop is not judged
TIMES_MORE = 20.0  # than the meter's error: a total that tells something. Chosen here


def refuse_no_current(meter: MeterReadings) -> None:
    """An InputError if no current was read that exceeds the meter's error: nothing then shows a fault."""
    read = [r for instant in meter.instants for r in (*instant.of("current"), *instant.of("port"))]
    if any(abs(r.value) > NOTHING * r.deviation for r in read):
        return
    first = meter.instants[0]
    currents = first.of("current") or first.of("port") or read
    total, error = abs(sum(r.value for r in currents)), sum(r.deviation for r in currents)
    raise InputError(
        f"would show no fault of this bank: the total of {total:.3g} A is within the meter's error of {error:.2g} A. Read again while the bank "
        f"carries {TIMES_MORE * error:.2g} A or more",
        file=meter.source, key="current_a",
    )  # fmt: skip


def refuse_volts(meter: MeterReadings, found: Found, bank: Bank) -> None:
    """An InputError for a drop that is a thousandth of what is due: it was written in volts."""
    place = {branch.name: len(bank.packs) + k for k, branch in enumerate(bank.graph.branches)}
    for (at, read), carried in zip(found.parts, found.carried_a, strict=True):
        for r in read:
            if r.kind != "drop":
                continue
            k = place[r.name]
            due = abs(float(carried[k])) * float(at.response.ohm[k])
            if due > LEAST_DUE_V and THOUSANDTH[0] * due < r.value < THOUSANDTH[1] * due:
                raise InputError(
                    f"millivolts along {r.name}, where a sound one drops {due * 1e3:.2g} mV at this current: volts? Then write "
                    f"{r.value * 1e3:.3g} V, with its unit",
                    file=meter.source, key=f"row {r.row}, drop_mv", value=f"{r.value * 1e3:.3g}",
                )  # fmt: skip


def sums_apart(meter: MeterReadings, bank: Bank) -> Iterator[str]:
    """A sentence for every instant at which all packs and all ports were read and do not add up, beyond twice what the meter allows."""
    for instant in meter.instants:
        packs, ports = instant.of("current"), instant.of("port")
        if len(packs) < len(bank.packs) or len(ports) < len(bank.graph.ports):
            continue
        out, through = sum(r.value for r in packs), sum(r.value for r in ports)
        allowed = 2.0 * sum(r.deviation for r in (*packs, *ports))
        if abs(out - through) > allowed:
            names = listed([r.name for r in ports])
            reads = "reads" if len(ports) == 1 else "read"
            yield (
                f"Packs add up to {out:.3g} A, and {names} {reads} {through:.3g} A{_of(instant)}; the meter allows {allowed:.2g} A between them. "
                "One of the readings is wrong, or a load or charger hangs on the bank that the file does not have. Read them again, at one "
                "time, with the clamp one way round."
            )


def turned(meter: MeterReadings, found: Found, again: Callable[[MeterReadings], Found]) -> Iterator[str]:
    """A sentence on packs whose current fits with its sign turned, and hardly otherwise.

    Parameters
    ----------
    meter : MeterReadings
        What was read.
    found : Found
        By what was read.
    again : callable
        Weighs the hypotheses anew for other readings.
    """
    for place, instant in enumerate(meter.instants):
        odd = _against_the_rest(instant)
        trials = [odd] if len(odd) < 2 else [odd, *([name] for name in odd)]
        for names in trials:
            if not names:
                continue
            other = again(_with_turned(meter, place, names))
            fits = other.fit_chance is None or other.fit_chance >= LEAST_FIT
            if fits and other.log_density > found.log_density + AS_LIKELY:
                one = len(names) == 1
                yield (
                    f"{listed(names)} {'fits' if one else 'fit'} with {'its sign' if one else 'their signs'} turned{_of(instant)}: was the clamp "
                    f"the other way round? Read {'it' if one else 'them'} again."
                )
                break


def instants_apart(meter: MeterReadings, found: Found, again: Callable[[MeterReadings], Found]) -> Iterator[str]:
    """A sentence where readings of each instant fit a cause, but those of all instants together fit none.

    Parameters
    ----------
    meter : MeterReadings
        What was read.
    found : Found
        By what was read.
    again : callable
        Weighs the hypotheses anew for other readings.
    """
    if len(meter.instants) < 2 or found.fit_chance is None or found.fit_chance >= LEAST_FIT:
        return
    for instant in meter.instants:
        try:
            alone = again(replace(meter, instants=(instant,)))
        except InputError:  # too little of a current to weigh anything by itself
            continue
        if alone.fit_chance is not None and alone.fit_chance < LEAST_FIT:
            return
    names = " and ".join(instant.name or "the one without a name" for instant in meter.instants)
    yield (
        f"The instants disagree: {names} each fit a cause, together they fit none, single or in pairs. Between them a joint was "
        "moved, packs were charged or used, or a name or sign slipped. Read both again within minutes, or give each a file of its own."
    )


def _against_the_rest(instant: Instant) -> list[str]:
    """Packs whose current runs against that of all others together, and is the smaller."""
    currents = instant.of("current")
    total = sum(r.value for r in currents)
    odd = []
    for r in currents:
        rest = total - r.value
        if r.value * rest < 0 and NOTHING * r.deviation < abs(r.value) < abs(rest):
            odd.append(r.name)
    return odd


def _with_turned(meter, place, names):
    """The readings with some signs of one instant turned."""
    instants = list(meter.instants)
    instants[place] = replace(
        instants[place],
        readings=tuple(
            replace(r, value=-r.value) if r.kind == "current" and r.name in names else r for r in instants[place].readings
        ),
    )
    return replace(meter, instants=tuple(instants))


def _of(instant):
    return f" ({instant.name})" if instant.name else ""

"""Warnings of what happened in a run: what a person must hear before any of its figures."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

from simbank.bank.bank import Pack
from simbank.simulation import arrays as ar
from simbank.simulation.bank_warnings import FREEZING
from simbank.simulation.event_codes import Event, EventRow
from simbank.warning import BankWarning

__all__ = [
    "FAST_TOLERANCE",
    "REFERENCE_TOLERANCE",
    "TRIPPED",
    "Opening",
    "ac_load_warnings",
    "assumed_bms_warnings",
    "balance_warnings",
    "beyond_warnings",
    "cascades",
    "too_cold",
    "unloaded_packs",
]

TRIPPED = "tripped-at-once"

# Rules of this module; common practice, no source.
SOON_S = 60.0  # a port that stops within this time of an over-current opening stopped because of it
LINKED_S = 600.0  # openings that follow one another within this time are one cascade
UNEVEN = 0.05  # of its limit; what flows through it at no load is told from here on
REFERENCE_TOLERANCE, FAST_TOLERANCE = 3e-10, 1e-8  # of the integrators, by default
FAST_BALANCE_TOLERANCE = 3e-8  # up to this one the fast integrator's balances have to close as they do at the default
CHARGE_LIMIT, FAST_CHARGE_LIMIT, ENERGY_LIMIT = 1e-8, 1e-4, 1e-5  # greatest relative errors of the balances at those
AC_WORTH_SAYING = 1e-3  # of the alternating-current energy asked
WORTH_SAYING = 1e-4  # of its capacity that went beyond full or empty
STOPS = (Event.NO_PACK, Event.CUT_OFF, Event.TOO_MUCH_POWER)


@dataclass(frozen=True)
class Opening:
    """A pack or device that opened on over-current.

    Attributes
    ----------
    time_s : float
    name : str
    current_a, limit_a : float
        Its current just before, and its limit [A].
    ports_a : float
        Current of all ports together [A], positive discharge.
    unloaded_a : float
        What would flow through it at this instant if no port carried current [A]; positive in the sense of ``current_a``.
    """

    time_s: float
    name: str
    current_a: float
    limit_a: float
    ports_a: float
    unloaded_a: float

    @property
    def bearable(self):
        """The part of the ports' currents, shared among them as they were, at which it reaches its limit; 0.0 if none, nan if never.

        At one instant its current is ``unloaded_a`` and a part in proportion to the ports' (superposition).
        """
        if self.unloaded_a >= self.limit_a:
            return 0.0
        loaded = self.current_a - self.unloaded_a
        return (self.limit_a - self.unloaded_a) / loaded if loaded > 0 else float("nan")


def unloaded_packs(work):
    """Currents of packs [A], shape (n,), with no port current, from a bank that is solved at one instant."""
    n = work.pack.shape[1]
    return work.pack[ar.PACK_CURRENT] - work.hybrid[:n, n:] @ work.port[ar.PORT_CURRENT]


def cascades(openings: Sequence[Opening], events: Sequence[EventRow], ports: Sequence[dict]) -> list[BankWarning]:
    """Ports that stopped because packs or devices opened on over-current one after the other.

    Parameters
    ----------
    openings : sequence of Opening
        In order of time.
    events : sequence of EventRow
        In order of time.
    ports : sequence of dict
        ``name``, ``asked_wh`` and ``energy_out_wh`` of every port.

    Returns
    -------
    list of BankWarning
        One for each port, of the first time.
    """
    out, times = [], [opening.time_s for opening in openings]
    for port in ports:
        stops = [row.time_s for row in events if row.where == port["name"] and row.event in STOPS]
        chains = [chain for chain in (_chain(openings, times, stop) for stop in stops) if chain]
        if chains:
            out.append(BankWarning(TRIPPED, ", ".join(dict.fromkeys(o.name for o in chains[0])), _told(chains, port)))
    return out


def _chain(openings, times, stop_s):
    """The openings that led to a stop, in order."""
    end = bisect_right(times, stop_s + 1e-6)
    if not end or stop_s - times[end - 1] > SOON_S:
        return []
    first = end - 1
    while first > 0 and times[first] - times[first - 1] <= LINKED_S:
        first -= 1
    return openings[first:end]


def _told(chains, port):
    first, *rest = chains[0]
    text = (
        f"{_time(first.time_s)} after the start {first.name} opened: {first.current_a:.0f} A over its limit of "
        f"{first.limit_a:.0f} A, with {abs(first.ports_a):.0f} A {'drawn from' if first.ports_a > 0 else 'pushed into'} the bank"
    )
    if rest:
        followed = ", ".join(f"{o.name} ({o.current_a:.0f} A over {o.limit_a:.0f} A)" for o in rest[:4])
        more = f" and {len(rest) - 4} more" if len(rest) > 4 else ""
        text += f"; what it had carried fell on the others, and {followed}{more} followed within {_time(rest[-1].time_s - first.time_s)}"
    text += f", so that port {port['name']} stopped"
    if len(chains) > 1:
        text += f" (this happened {len(chains)} times in the run)"
    if port["asked_wh"] > 0:
        text += f": of {port['asked_wh']:,.0f} Wh asked there {port['energy_out_wh']:,.0f} Wh were given"
    evenly = ", or share the current more evenly" if rest else ""
    load = "load" if first.ports_a > 0 else "charge"
    if first.bearable == 0.0:
        text += (
            f". {first.name} is over its limit at any {load}: packs at unequal charge alone drive {first.unloaded_a:.0f} A through it. "
            "Bring them to equal charge before they are joined"
        )
    elif first.bearable > 0.0:
        bears = abs(first.ports_a) * first.bearable
        amount = (
            f"{bears:.0f} A of all ports together" if bears >= 0.5 else f"{first.bearable * 100:.0f} % of what the ports carried"
        )
        text += f". {first.name} reaches its limit at about {amount}"
        if first.unloaded_a > UNEVEN * first.limit_a:
            text += f" (packs at unequal charge alone drive {first.unloaded_a:.0f} A through it)"
        text += f": ask for less{evenly}"
    else:
        text += f". Ask for less{evenly}"
    return f"{text}; raise a limit only as far as its maker's sheet lets you."


def _time(seconds):
    if seconds < 120.0:
        return f"{seconds:.0f} s"
    return f"{seconds / 60.0:.0f} min" if seconds < 7200.0 else f"{seconds / 3600.0:.1f} h"


def too_cold(packs: Sequence[Pack], rows: Sequence[dict]) -> list[BankWarning]:
    """Packs that were charged below 0 °C although their cells take no charge there.

    Parameters
    ----------
    packs : sequence of Pack
        In the order of ``rows``.
    rows : sequence of dict
        ``name``, ``charge_too_cold_h`` and ``temperature_min_c`` of every pack.
    """
    cold = [
        row
        for pack, row in zip(packs, rows, strict=True)
        if row["charge_too_cold_h"] > 0.01
        and row["temperature_min_c"] < 0.0
        and pack.chemistry.charge_rate(row["temperature_min_c"]) <= 0
    ]
    if not cold:
        return []
    worst = max(cold, key=lambda p: p["charge_too_cold_h"])
    text = (
        f"{'Packs were' if len(cold) > 1 else 'It was'} charged faster than cells allow at their temperature, {worst['name']} for "
        f"{worst['charge_too_cold_h']:.1f} h (coldest {min(p['temperature_min_c'] for p in cold):.0f} °C): lithium plates, which "
        "harms cells for good and can short them. Warm them first, or give the BMS a lowest charge temperature."
    )
    return [BankWarning(FREEZING, ", ".join(p["name"] for p in cold), text)]


def beyond_warnings(packs: Sequence[Pack], rows: Sequence[dict]) -> list[BankWarning]:
    """Packs that were charged beyond full or discharged beyond empty; ``rows`` are those of the summary."""
    found = []
    for pack, row in zip(packs, rows, strict=True):
        over, under = row["overcharge_ah"], row["overdischarge_ah"]
        worth_saying = WORTH_SAYING * pack.capacity_ah
        said = []
        if over > worth_saying:
            fate = "gas, lose water and heat" if pack.chemistry.family == "lead-acid" else "swell, vent and burn"
            said.append(
                f"{over:.3g} Ah ({over / pack.capacity_ah * 100:.1f} % of its capacity, {row['overcharge_wh']:.0f} Wh) went in beyond "
                f"100 %, cells up to {row['cell_volt_max']:.2f} V: this is how cells {fate}"
            )
        if under > worth_saying:
            said.append(
                f"{under:.3g} Ah were taken beyond 0 %, cells down to {row['cell_volt_min']:.2f} V: this is how cells are ruined, "
                "and may short when charged again"
            )
        if said:
            text = (
                f"{'; '.join(said)}. The model no longer knows what the cells do: it goes on along a straight line, without gas, "
                "damage or fire"
            )
            found.append(BankWarning("beyond-cell-model", pack.name, text))
    return found


def ac_load_warnings(ports: Sequence[dict]) -> list[BankWarning]:
    """Inverters that did not serve the alternating-current load that was asked of them."""
    out = []
    for port in ports:
        asked, unmet = port["ac_asked_wh"], port["ac_unmet_wh"]
        if unmet > max(0.5, AC_WORTH_SAYING * asked):
            text = (
                f"of {asked:,.0f} Wh of alternating current asked of the inverter {port['ac_served_wh']:,.0f} Wh were served: "
                f"{unmet:,.0f} Wh unmet. More than its rating is not served; nor is anything while it is cut off"
            )
            out.append(BankWarning("ac-load-unmet", port["name"], text))
    return out


def assumed_bms_warnings(packs: Sequence[Pack], happened: Sequence[EventRow]) -> list[BankWarning]:
    """Packs that opened at a cell limit by a BMS that the file does not give, or whose own would not have opened there."""
    opened = {row.where for row in happened if row.event in (Event.CHARGE_BLOCKED, Event.DISCHARGE_BLOCKED)}
    names = [pack.name for pack in packs if pack.has_assumed_bms and pack.name in opened]
    late = [pack.name for pack in packs if pack.name in opened - set(names) and _own_is_late(pack, happened)]
    found = []
    if late:
        text = (
            "opened at 0 or 100 % since the model lets no pack go beyond, although the voltage limit of its own BMS in the file lies beyond "
            "what its cells stand, or is not given: that BMS would not have opened there. Give the limits of yours"
        )
        found.append(BankWarning("assumed-bms", ", ".join(late), text))
    if not names:
        return found
    text = (
        "opened at a cell limit by a BMS that the file does not give: a lithium-ion pack without a bms is taken to have one that "
        "opens at once at the chemistry's limits. Give the limits of yours, or bms = { stuck = ... } for a switch that does not open"
    )
    return [BankWarning("assumed-bms", ", ".join(names), text), *found]


def _own_is_late(pack, happened):
    """Whether a pack was opened at 0 or 100 % where its own BMS has no limit, or one beyond what its cells stand."""
    if pack.bms is None or pack.has_assumed_bms:
        return False
    own = {row.event for row in happened if row.where == pack.name}
    full = Event.CHARGE_BLOCKED in own and pack.bms.over_voltage.level > pack.chemistry.volt_max * (1.0 + 1e-6)
    empty = Event.DISCHARGE_BLOCKED in own and pack.bms.under_voltage.level < pack.chemistry.volt_min * (1.0 - 1e-6)
    return full or empty


def balance_warnings(closure: dict, integrator: dict) -> list[BankWarning]:
    """Charge and energy that do not close as they should: what a figure from this run is worth is then not known.

    Charge is compared with what went through a pack or a thousandth of its capacity, energy with what moved in the bank or a
    thousandth of what it holds, whichever is larger. A looser tolerance than the default (fast: than 3e-8)
    loosens the limits in proportion.
    """
    is_fast = integrator["name"] == "fast"
    looser = max(1.0, integrator["tolerance"] / (FAST_BALANCE_TOLERANCE if is_fast else REFERENCE_TOLERANCE))
    out = []
    for what, limit in (("charge", FAST_CHARGE_LIMIT if is_fast else CHARGE_LIMIT), ("energy", ENERGY_LIMIT)):
        missed = closure[f"{what}_relative"]
        if not missed <= limit * looser:
            text = (
                f"balance missed: {what} closes to {missed:.1e} of what moved, not to {limit * looser:.0e}; "
                "do not rely on the figures of this run"
            )
            out.append(BankWarning("balance-missed", what, text))
    return out

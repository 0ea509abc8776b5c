"""Inverters, chargers and loads: shares, cut-off and recovery, absorption and float, against hand calculation and ngspice."""

import math
from dataclasses import replace

import numpy as np
import pytest
from banks import SMALL, Case, affine_chemistry, one_pack, pack, wired
from scipy.integrate import quad
from spice import needs_ngspice, run_deck

import simbank
from simbank.bank import Bank, Branch, Graph
from simbank.bank.equipment import BMS, Charger, Inverter, Limit
from simbank.cells import Curve
from simbank.duty import Command, Duty, Step
from simbank.simulation import arrays as ar
from simbank.simulation.event_codes import MONITOR_EVENTS, Event

CHEMISTRY = affine_chemistry(slope=0.2, at_half=3.3)
E0, BETA, R = 16 * 3.2, 16 * 0.2, 10e-3
TAU = R * 360000 / BETA  # with which a held charge of 100 Ah dies away [s]


def two_inverters(lead_a, lead_b):
    """One pack, two ports behind leads of their own (both polarities together)."""
    one = pack("P", CHEMISTRY, 200, R, 0.6, cells=16)
    branches = []
    for port, ohm in (("one", lead_a), ("two", lead_b)):
        branches += [Branch(f"lead {port} {s}", "lead", f"bus{s}", f"{port}{s}", ohm / 2) for s in "+-"]
    return Bank("two", (one,), Graph.build(branches, {"P": ("bus+", "bus-")}, {p: (f"{p}+", f"{p}-") for p in ("one", "two")}))


def test_mirror_equal_inverters_share_equally(integrator):
    both = {port: Command("power", 2500.0) for port in ("one", "two")}
    result = simbank.simulate(Case(two_inverters(2e-3, 2e-3), Duty((Step(3600.0, both),))), integrator=integrator)
    current = result.ports["current_a"]
    assert np.abs(current["one"] - current["two"]).max() <= 1e-9 * current["one"].max()


def test_unequal_leads_divide_a_held_voltage_by_ohms_law(integrator):
    """Two chargers that both hold 54 V behind 2 and 6 mΩ: their currents stand as 3 to 1."""
    both = {port: Command("current", -300.0, volt_limit=54.0) for port in ("one", "two")}
    result = simbank.simulate(Case(two_inverters(2e-3, 6e-3), Duty((Step(600.0, both),))), integrator=integrator)
    current = result.ports["current_a"].iloc[5]
    assert current["one"] / current["two"] == pytest.approx(3.0, rel=1e-9)
    e = E0 + BETA * result.packs["soc"]["P"].iloc[5]
    total = (54.0 - e) / (R + 1 / (1 / 2e-3 + 1 / 6e-3))
    assert current.sum() == pytest.approx(-total, rel=1e-6)


def test_the_longer_lead_sees_less_and_cuts_off_first(integrator):
    both = {port: Command("current", 60.0, cutoff_volt=51.2) for port in ("one", "two")}
    result = simbank.simulate(Case(two_inverters(2e-3, 8e-3), Duty((Step(4 * 3600.0, both),))), integrator=integrator)
    pair = result.summary["pairs"][0]
    assert pair["ports"] == ["one", "two"]
    assert pair["voltage_apart_max_v"] == pytest.approx(60 * 6e-3, rel=1e-6)
    assert pair["between_cutoffs_s"] < 0  # the second, on the longer lead, goes first
    z2 = (51.2 + 120 * R + 60 * 8e-3 - E0) / BETA  # by hand: E0 + βz − 120 R − 60 · lead = 51.2
    first = result.summary["ports"][1]["first_cutoff_h"] * 3600
    assert first == pytest.approx((0.6 - z2) * 200 * 3600 / 120, abs=0.01)


@needs_ngspice
def test_constant_power_loads_against_ngspice(integrator):
    """Two constant-power loads on unequal leads behind two packs: operating point by ngspice."""
    packs = [pack("A", CHEMISTRY, 200, 8e-3, 0.6, cells=16), pack("B", CHEMISTRY, 200, 14e-3, 0.5, cells=16)]
    branches = [Branch(f"link{s}", "link", f"A{s}", f"B{s}", 1e-3) for s in "+-"]
    branches += [Branch(f"lead1{s}", "lead", f"A{s}", f"q{s}", 2e-3) for s in "+-"]
    branches += [Branch(f"lead2{s}", "lead", f"B{s}", f"r{s}", 3e-3) for s in "+-"]
    graph = Graph.build(branches, {p: (f"{p}+", f"{p}-") for p in "AB"}, {"q": ("q+", "q-"), "r": ("r+", "r-")})
    both = {"q": Command("power", 6000.0), "r": Command("power", 9000.0)}
    result = simbank.simulate(Case(Bank("x", tuple(packs), graph), Duty((Step(60.0, both),))), integrator=integrator)
    deck = ["power", f"VA ea an {E0 + BETA * 0.6}", f"VB eb bn {E0 + BETA * 0.5}", "RA ea ap 8e-3", "RB eb bp 14e-3"]
    deck += ["Rlp ap bp 1e-3", "Rln an bn 1e-3", "R1p ap qp 2e-3", "R1n an qn 2e-3", "R2p bp rp 3e-3", "R2n bn rn 3e-3"]
    deck += ["BQ qp qn I=6000/(v(qp)-v(qn))", "BR rp rn I=9000/(v(rp)-v(rn))", "Vg an 0 0", ".nodeset v(qp)=52 v(rp)=52"]
    deck += [
        ".options reltol=1e-9",
        ".control",
        "set numdgt=12",
        "op",
        "print v(qp)-v(qn)",
        "print v(rp)-v(rn)",
        "print i(va)",
        "quit",
        ".endc",
        ".end",
    ]
    values = [float(line.split("=")[1]) for line in run_deck("\n".join(deck)).splitlines() if " = " in line and line[:1] in "vi"]
    first = result.ports["voltage_v"].iloc[0]
    assert first["q"] == pytest.approx(values[0], rel=1e-6)
    assert first["r"] == pytest.approx(values[1], rel=1e-6)
    assert result.packs["current_a"]["A"].iloc[0] == pytest.approx(-values[2], rel=1e-6)


def test_resistive_load(integrator):
    """I = E/(R + load), Ohm."""
    result = simbank.simulate(
        Case(one_pack(pack("P", CHEMISTRY, 200, R, 0.6, cells=16)), Duty((Step(60.0, {"port": Command("resistance", 0.5)}),))),
        integrator=integrator,
    )
    assert result.ports["current_a"]["port"].iloc[0] == pytest.approx((E0 + BETA * 0.6) / (0.5 + R), rel=1e-9)
    port = result.summary["ports"][0]
    assert port["unmet_wh"] == pytest.approx(0.0, abs=1e-6)


def behaving(**port_equipment):
    bank = wired([pack("P", CHEMISTRY, 100, R, 0.5, cells=16)], ports=tuple(port_equipment))
    return Bank("b", bank.packs, bank.graph, port_equipment=port_equipment)


def inverter(**more):
    return Inverter(3000.0, Curve([0.1, 0.5, 1.0], [0.88, 0.94, 0.92], "linear", outside="level"), 25.0, **more)


def test_inverter_losses():
    """P_dc = idle + P_ac/η, with η by straight line between its points and P_ac at most the rating (by hand)."""
    unit = inverter()
    assert float(unit.dc_power(1500.0)) == pytest.approx(25 + 1500 / 0.94)
    assert float(unit.dc_power(900.0)) == pytest.approx(25 + 900 / 0.91)
    assert float(unit.dc_power(0.0)) == 25.0
    assert float(unit.dc_power(9000.0)) == pytest.approx(25 + 3000 / 0.92)


def test_cut_off_and_recovery(integrator):
    """3000 W until E − R I = 51.5 V, after ∫ Q/I dz seconds with I = (E − √(E² − 4RP))/2R; at rest the pack stands at 52.08 V at once,
    above 52 V, so a minute later the load is on again, finds 51.5 V and is cut off, each minute to the end (by hand)."""
    power, cutoff = 3000.0, 51.5
    bank = behaving(port=(inverter(recovery_volt=52.0, recovery_delay_s=60.0), None))
    steps = (Step(7200.0, {"port": Command("power", power, cutoff_volt=cutoff)}),)
    result = simbank.simulate(Case(bank, Duty(steps)), integrator=integrator)

    def amperes(z):
        e = E0 + BETA * z
        return (e - math.sqrt(e * e - 4 * R * power)) / (2 * R)

    z_cut = (cutoff + R * power / cutoff - E0) / BETA
    first = quad(lambda z: 360000 / amperes(z), z_cut, 0.5)[0]
    cuts = first + 60.0 * np.arange(math.ceil((7200 - first) / 60))
    assert times_of(result, Event.CUT_OFF) == pytest.approx(cuts, abs=1e-3)
    assert times_of(result, Event.RECOVERED) == pytest.approx(cuts[1:], abs=1e-3)
    port = result.summary["ports"][0]
    assert port["asked_wh"] == pytest.approx(6000.0, rel=1e-9)
    assert port["energy_out_wh"] == pytest.approx(power * first / 3600, rel=1e-6)
    assert port["unmet_wh"] == pytest.approx(port["asked_wh"] - port["energy_out_wh"], abs=1e-9)


def test_a_cut_off_inverter_stays_off_through_a_charge_that_does_not_bring_its_voltage_back(integrator):
    """Cut off at 51.5 V; a charge of 5 A that does not reach 53.5 V changes nothing; one that does lets it on again (Ohm's law)."""
    unit = inverter(recovery_volt=53.5, recovery_delay_s=60.0)
    bank = behaving(port=(unit, Charger(current_limit_a=50.0, absorb_volt=56.0)))
    ask, weak, strong = (
        {"port": Command("power", 3000.0, cutoff_volt=51.5)}, {"port": Command("power", -265.0)}, {"port": Command("power", -1e5)},
    )  # fmt: skip
    steps = (Step(2 * 3600.0, ask), Step(1800.0, weak), Step(1800.0, ask), Step(1.5 * 3600.0, strong), Step(600.0, ask))
    result = simbank.simulate(Case(bank, Duty(steps)), integrator=integrator)
    assert len(times_of(result, Event.CUT_OFF)) == 1
    again = 3 * 3600.0  # the strong charge begins; it lifts the port above 53.5 V at once or later, but within its time
    (on,) = times_of(result, Event.RECOVERED)
    assert again <= on < again + 1.5 * 3600.0
    current = result.ports["current_a"]["port"]
    assert current.loc[2.5 * 3600 + 60 : 3 * 3600 - 60].abs().max() == 0.0
    assert current.loc[4.5 * 3600 + 60] > 50.0
    e = E0 + BETA * np.interp(on, result.packs.index, result.packs["soc"]["P"])
    assert e + 50 * R >= 53.5 - 1e-3


def test_a_step_goes_on_to_the_next_when_an_inverter_is_cut_off_or_a_charger_at_float(integrator):
    """then = "next": from 50 % down to 51.5 V under 3000 W, up to 54.4 V and a tail of 5 A, each with the next step at once; the other
    inverter only idles."""
    charger = Charger(current_limit_a=50.0, absorb_volt=54.4, float_volt=53.2, tail_a=5.0, tail_time_s=0.0)
    bank = behaving(port=(inverter(recovery_volt=52.0), charger), other=(inverter(), None))
    idle = {"other": Command("power", 25.0, cutoff_volt=40.0)}
    ask = {"port": Command("power", 3000.0, cutoff_volt=51.5, ac_asked_w=2700.0, ac_ratio=0.9)}
    steps = (Step(9 * 3600.0, ask | idle, True), Step(9 * 3600.0, idle | {"port": Command("power", -1e5)}, True), Step(600.0))
    result = simbank.simulate(Case(bank, Duty(steps)), integrator=integrator)
    (cut,), (floats,) = times_of(result, Event.CUT_OFF), times_of(result, Event.FLOATS)
    assert 0 < cut < floats < 9 * 3600.0
    assert result.summary["bank"]["duration_h"] * 3600 == pytest.approx(floats + 600.0, abs=0.01)


def test_bulk_absorption_and_float(integrator):
    """50 A to 54.4 V, absorption with tau = RQ/β to a tail of 5 A and a minute below it, then idle until the bank is down to the
    float voltage."""
    charger = Charger(current_limit_a=50.0, absorb_volt=54.4, float_volt=53.2, rebulk_volt=52.0, tail_a=5.0)
    bank = behaving(port=(None, charger))
    result = simbank.simulate(Case(bank, Duty((Step(4 * 3600.0, {"port": Command("power", -1e5)}),))), integrator=integrator)
    z_hold = (54.4 - E0 - R * 50) / BETA
    t_hold = (z_hold - 0.5) * 7200
    t_float = t_hold + TAU * math.log(50 / 5) + 60.0
    times = {e["code"]: e["time_s"] for e in result.summary["events"]}
    assert times[Event.HOLDS_VOLTAGE] == pytest.approx(t_hold, abs=1e-2)
    assert times[Event.FLOATS] == pytest.approx(t_float, abs=1e-2)
    assert result.ports["current_a"]["port"].iloc[-1] == 0
    assert result.summary["ports"][0]["first_charged_h"] == pytest.approx(t_float / 3600, abs=1e-5)


def test_longest_absorption(integrator):
    charger = Charger(current_limit_a=50.0, absorb_volt=54.4, float_volt=53.2, rebulk_volt=52.0, absorb_max_s=600.0)
    result = simbank.simulate(
        Case(behaving(port=(None, charger)), Duty((Step(3 * 3600.0, {"port": Command("power", -1e5)}),))), integrator=integrator
    )
    times = {e["code"]: e["time_s"] for e in result.summary["events"]}
    assert times[Event.FLOATS] - times[Event.HOLDS_VOLTAGE] == pytest.approx(600.0, abs=1e-3)


def times_of(result, what):
    return [e["time_s"] for e in result.summary["events"] if e["code"] == what]


def test_the_clock_of_absorption_rests_while_the_voltage_is_not_held(integrator):
    """Held for 500 s of 1200, a load of 50 A for 600 s, bulk again to the same voltage, held for the other 700 s (by hand)."""
    charger = Charger(current_limit_a=50.0, absorb_volt=54.4, float_volt=53.2, rebulk_volt=50.0, absorb_max_s=1200.0)
    t_hold = ((54.4 - E0 - R * 50) / BETA - 0.5) * 7200
    sun, load = {"sun": Command("power", -1e5)}, {"load": Command("current", 50.0)}
    steps = (Step(t_hold + 500.0, sun), Step(600.0, load), Step(2 * 3600.0, sun))
    result = simbank.simulate(Case(behaving(load=(None, None), sun=(None, charger)), Duty(steps)), integrator=integrator)
    gained = 50 * TAU * (1 - math.exp(-500 / TAU)) / 360000  # in the first 500 s of absorption, of which the load takes back
    bulk = (50 * 600 / 360000 - gained) * 7200
    assert times_of(result, Event.FLOATS) == pytest.approx([t_hold + 500 + 600 + bulk + 700], abs=0.05)
    assert result.summary["events"][-1]["because"] == "54.40 V held for 20 min in all"


def test_a_weak_sun_is_no_tail_current(integrator):
    """2 A where the tail is 5 A, at 52 to 53 V: the absorption voltage is never reached, so absorption neither begins nor ends."""
    charger = Charger(current_limit_a=50.0, absorb_volt=54.4, float_volt=53.2, rebulk_volt=50.0, tail_a=5.0, absorb_max_s=600.0)
    bank = behaving(port=(None, charger))
    result = simbank.simulate(Case(bank, Duty((Step(5 * 3600.0, {"port": Command("power", -105.0)}),))), integrator=integrator)
    assert result.summary["events"] == []
    assert result.summary["ports"][0]["first_charged_h"] is None


def test_a_cloud_in_the_minute_below_the_tail_begins_the_minute_anew(integrator):
    charger = Charger(current_limit_a=50.0, absorb_volt=54.4, float_volt=53.2, rebulk_volt=50.0, tail_a=5.0)
    t_tail = ((54.4 - E0 - R * 50) / BETA - 0.5) * 7200 + TAU * math.log(50 / 5)
    steps = (
        Step(t_tail + 30.0, {"port": Command("power", -1e5)}),
        Step(600.0, {"port": Command("power", -50.0)}),
        Step(3600.0, {"port": Command("power", -1e5)}),
    )
    result = simbank.simulate(Case(behaving(port=(None, charger)), Duty(steps)), integrator=integrator)
    (floats,) = times_of(result, Event.FLOATS)
    assert floats >= t_tail + 30 + 600 + 60 - 1e-6


def test_a_new_bulk_after_a_night(integrator):
    """Three days of sun with a small load by night, which does not bring the bank down to the rebulk voltage: one bulk each day if
    asked, else none."""
    sun, night = Step(8 * 3600.0, {"sun": Command("power", -1e5)}), Step(16 * 3600.0, {"load": Command("current", 0.5)})
    for after, days in ((math.inf, 1), (6 * 3600.0, 3), (20 * 3600.0, 1)):
        charger = Charger(
            current_limit_a=50.0, absorb_volt=54.2, float_volt=53.0, rebulk_volt=50.0, tail_a=5.0, new_bulk_after_s=after
        )
        bank = behaving(load=(None, None), sun=(None, charger))
        result = simbank.simulate(Case(bank, Duty((sun, night), 3)), integrator=integrator)
        assert len(times_of(result, Event.FLOATS)) == days
        again = [e for e in result.summary["events"] if e["code"] == Event.REBULK]
        assert [e["time_s"] for e in again] == pytest.approx([day * 86400.0 for day in range(1, days)])
        assert all(e["because"] == "power offered after 16.0 h without" for e in again)


def two_packs(stop, bms=None):
    packs = [pack("A", CHEMISTRY, 100, R, 0.70, cells=16), pack("B", CHEMISTRY, 100, 30e-3, 0.60, cells=16)]
    bank = wired([replace(p, bms=bms) for p in packs], layout="chain", link=5e-3, ports=("port",))
    charger = Charger(current_limit_a=60.0, absorb_volt=60.0, float_volt=52.0, rebulk_volt=51.0, stop=stop)
    return Bank("two", bank.packs, bank.graph, port_equipment={"port": (None, charger)})


@pytest.mark.parametrize(("stop", "by"), [("first full", min), ("all full", max), ("A full", "A"), ("B full", "B")])
def test_a_charge_stops_when_packs_report_full(integrator, stop, by):
    """A pack reports full from 99 % on."""
    case = Case(two_packs(stop), Duty((Step(4 * 3600.0, {"port": Command("power", -1e5)}),)))
    result = simbank.simulate(case, integrator=integrator, output_step_s=1.0)
    (stopped,) = times_of(result, Event.STOPPED)
    soc = {name: np.interp(stopped, result.packs.index, values) for name, values in result.packs["soc"].items()}
    reached = soc[by] if isinstance(by, str) else soc["A" if by is min else "B"]  # A, at the take-off, is first
    assert soc["A"] > soc["B"]
    assert reached == pytest.approx(0.99, abs=3e-4)
    assert result.summary["ports"][0]["first_charged_h"] == pytest.approx(stopped / 3600)
    assert result.ports["current_a"]["port"].loc[stopped + 5 :].abs().max() == 0.0
    assert not times_of(result, Event.FLOATS)


def test_over_voltage_of_a_bms_is_a_report_of_full(integrator):
    bms = BMS(over_voltage=Limit(3.40, 2.0, 3.37, 5.0))
    case = Case(two_packs("first full", bms), Duty((Step(4 * 3600.0, {"port": Command("power", -1e5)}),)))
    result = simbank.simulate(case, integrator=integrator)
    assert times_of(result, Event.STOPPED)[0] == pytest.approx(
        times_of(result, MONITOR_EVENTS[ar.CELL_OVER_VOLTAGE])[0], abs=1e-3
    )
    assert result.packs["soc"].to_numpy().max() < 0.99


def test_a_charger_below_a_stronger_one_floats_and_is_not_told_as_charged(integrator):
    """60 A of the one put the bank at 52.8 V + 0.6 V, above the 53 V of the other, which gives nothing from the start and floats after
    its minute, as a charger that measures its own current alone does; the clock of its longest absorption counts all the same."""
    for more, float_volt, at, what in (
        ({"tail_a": 5.0}, 52.0, 60.0, Event.HELD_HIGHER),
        ({"tail_a": 5.0}, None, 60.0, Event.HELD_HIGHER_OFF),
        ({"absorb_max_s": 600.0}, 52.0, 600.0, Event.FLOATS),
    ):
        low = Charger(current_limit_a=50.0, absorb_volt=53.0, float_volt=float_volt, rebulk_volt=50.0, **more)
        high = Charger(current_limit_a=60.0, absorb_volt=55.0)
        bank = behaving(high=(None, high), low=(None, low))
        sun = {"high": Command("power", -1e5), "low": Command("power", -1e5)}
        result = simbank.simulate(Case(bank, Duty((Step(1800.0, sun),))), integrator=integrator)
        assert times_of(result, what) == pytest.approx([at], abs=1e-3)
        assert result.ports["current_a"]["low"].abs().max() == 0.0
        assert (result.summary["ports"][1]["first_charged_h"] is None) == (what != Event.FLOATS)


def test_a_charger_that_follows_the_bms_hears_an_order_that_a_stuck_switch_does_not_obey(integrator):
    """Two equal packs that each allow 0.95 × 50 A. A cell of A meets its 3.40 V at 3.2 V + 0.2 V z + 47.5 A × 10 mΩ / 16: from then on
    the charger gives what B alone allows, and of that half goes on into A. A load brings A below its release level: 95 A again."""
    amperes = {"charge_current": Limit(50.0, 1e6)}
    held = BMS(over_voltage=Limit(3.40, 2.0, 3.35, 5.0), stuck="charge", **amperes)
    packs = [pack(name, CHEMISTRY, 100, R, 0.5, cells=16) for name in "AB"]
    bank = wired([replace(p, bms=bms) for p, bms in zip(packs, (held, BMS(**amperes)), strict=True)], "busbar", lead=1e-6)
    sun, load = Step(3600.0, {"port": Command("power", -1e5)}), Step(3600.0, {"port": Command("current", 100.0)})
    t_order = ((3.40 - 3.2 - 47.5 * R / 16) / 0.2 - 0.5) * 360000 / 47.5 + 2.0
    for follows in (True, False):
        charger = Charger(current_limit_a=95.0, absorb_volt=60.0, follows_bms=follows)
        case = Case(Bank("two", bank.packs, bank.graph, port_equipment={"port": (None, charger)}), Duty((sun, load, sun)))
        result = simbank.simulate(case, integrator=integrator)
        (ordered,) = times_of(result, Event.STUCK)
        assert ordered == pytest.approx(t_order, abs=0.05)
        current = result.ports["current_a"]["port"]
        after = -47.5 if follows else -95.0
        assert current.loc[120.0] == pytest.approx(-95.0, rel=1e-6)
        assert current.loc[ordered + 60 : 3500.0].to_numpy() == pytest.approx(after, rel=1e-6)
        assert result.packs["current_a"]["A"].loc[ordered + 60 : 3500.0].max() < 0.4 * after
        assert current.loc[7320.0] == pytest.approx(-95.0, rel=1e-6)


def test_bulk_again_after_a_load(integrator):
    charger = Charger(current_limit_a=50.0, absorb_volt=54.4, float_volt=53.2, rebulk_volt=52.6, tail_a=5.0)
    bank = behaving(load=(None, None), sun=(None, charger))
    steps = [
        Step(3 * 3600.0, {"sun": Command("power", -1e5)}),
        Step(3600.0, {"load": Command("current", 50.0)}),
        Step(3 * 3600.0, {"sun": Command("power", -1e5)}),
    ]
    what = [e["code"] for e in simbank.simulate(Case(bank, Duty(tuple(steps))), integrator=integrator).summary["events"]]
    assert what.index(Event.FLOATS) < what.index(Event.REBULK)
    assert what.count(Event.FLOATS) == 2


def test_float_carries_a_load(integrator):
    """At float the charger gives what a load takes and the bank rests, once the bank has come down to the float voltage."""
    charger = Charger(current_limit_a=80.0, absorb_volt=54.2, float_volt=53.9, rebulk_volt=51.0, tail_a=5.0)
    bank = behaving(load=(None, None), sun=(None, charger))
    steps = [
        Step(4 * 3600.0, {"sun": Command("power", -1e5)}),
        Step(6 * 3600.0, {"sun": Command("power", -1e5), "load": Command("current", 30.0)}),
    ]
    result = simbank.simulate(Case(bank, Duty(tuple(steps))), integrator=integrator)
    assert result.ports["current_a"]["sun"].iloc[-1] == pytest.approx(-30.0, abs=0.01)
    assert result.ports["voltage_v"]["sun"].iloc[-1] == pytest.approx(53.9, abs=1e-9)


def test_a_charger_that_talks_to_the_packs_keeps_to_what_they_allow(integrator):
    lfp = simbank.load_chemistry("lfp")
    cold = replace(pack("P", lfp, 100, 16e-3, 0.5, cells=16), temperature_k=278.15)
    bank = wired([cold], ports=("port",))
    for talks, amperes in ((True, 12.0), (False, 80.0)):  # 0.12 C at 5 °C
        charger = Charger(current_limit_a=80.0, absorb_volt=56.8, follows_bms=talks)
        cool = Bank("b", bank.packs, bank.graph, 278.15, port_equipment={"port": (None, charger)})
        result = simbank.simulate(Case(cool, Duty((Step(600.0, {"port": Command("power", -1e5)}),))), integrator=integrator)
        assert result.ports["current_a"]["port"].iloc[3] == pytest.approx(-amperes, rel=1e-6)
        assert (result.summary["packs"][0]["charge_too_cold_h"] > 0) != talks


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"ports.inverter.inverter": {"rated_power": "3 kW", "cutoff": "50 V", "recovery": "49 V"}}, "above the cut-off"),
        ({"ports.inverter.inverter": {"rated_power": "3 V"}}, "wrong dimension"),
        ({"ports.inverter.charger": {"absorb": "54 V", "float": "56 V"}}, "below the absorption voltage"),
        ({"ports.inverter.charger": {"tail": "2 kW"}}, "C-rate or a current"),
        (
            {"ports.inverter.charger": {"stop": "C full"}},
            'charger.stop: .C full.: use "first full", "all full" or a pack',
        ),
        ({"ports.inverter.device": {"resistance": "0 ohm", "rating": "100 A"}}, "resistance above zero"),
        ({"ports.inverter.device": {"resistance": "1 milliohm", "instant": 5}}, 'needs a "rating"'),
        (
            {"ports.inverter.device": {"resistance": "1 milliohm", "rating": "9 A", "trip": [[2, "9 s"], [1.5, "99 s"]]}},
            "multiples rising",
        ),
        ({"pack_types.slab.bms": {"over_voltage": {"limit": "3.6 V"}}}, 'needs a "release"'),
        ({"pack_types.slab.bms": {"over_voltage": {"limit": "3.6 V", "release": "3.7 V"}}}, "below the limit"),
        ({"pack_types.slab.bms": {"discharge_current": {"limit": "3 V"}}}, "must be a current above zero, such as"),
        ({"switching": [{"what": "Z", "at": "1 h"}]}, "no such pack or device"),
    ],
)
def test_faults(changes, says):
    import tomllib

    with pytest.raises(simbank.InputError, match=says):
        simbank.from_dict(tomllib.loads(SMALL), changes)


def test_usable_energy_of_the_bank_against_its_packs(root):
    table = simbank.usable(simbank.load(root / "scenarios" / "hilltop_clinic.toml"), 0.3, tolerance=1e-7)
    packs = table.drop(index=["sum of packs", "bank"])
    assert table.loc["sum of packs", "energy_wh"] == pytest.approx(packs["energy_wh"].sum())
    assert 0.85 < table.loc["bank", "energy_wh"] / table.loc["sum of packs", "energy_wh"] < 1.0

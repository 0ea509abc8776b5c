"""Readings at a bank: what they say by Ohm's and Kirchhoff's laws by hand, how they are read, what cannot be told apart."""

import json
import time

import numpy as np
import pandas as pd
import pytest
from conftest import ROOT
from scipy.integrate import quad
from scipy.stats import norm
from typer.testing import CliRunner

import simbank as sb
from simbank.cli import app
from simbank.duty import Command, Duty, Step
from simbank.studies.case import Case
from simbank.studies.diagnosis.meter_readings import read_readings
from simbank.studies.diagnosis.next_reading import _told
from simbank.studies.diagnosis.response import HeldBank
from simbank.studies.diagnosis.watching import watched

PART = {"resistance": "0.2 milliohm", "joint": "0.1 milliohm"}  # 0.4 mΩ from end to end
PACK_OHM = 16 * 0.5e-3 + 4e-3


def bank(names="ABCD", layout="chain", **changes):
    """Equal packs of 12 mΩ, links and leads of 0.4 mΩ."""
    data = {
        "name": "bench",
        "pack_types": {"box": {"capacity": "200 Ah", "cell_resistance": "0.5 milliohm", "internal_wiring": "4 milliohm"}},
        "packs": [{"name": name, "type": "box"} for name in names], "ports": [{"name": "load"}],
        "wiring": {"layout": layout, "link": PART, "lead": PART}, "duty": {"kind": "constant", "discharge": "10 A", "hours": 1},
    }  # fmt: skip
    return sb.from_dict(data, {key.replace("__", "."): value for key, value in changes.items()})


def rows(currents, drops=(), time_s=0.0, **more):
    """A table of readings: pack → current [A], and (link, millivolts)."""
    table = [{"pack": pack, "current_a": amperes, "time_since_change_s": time_s} for pack, amperes in currents.items()]
    frame = pd.DataFrame([*table, *({"link": link, "drop_mv": volt} for link, volt in drops)])
    return frame.assign(**more)


def with_added(scenario, added, port_a=120.0):
    """Currents of the packs with extra resistance, and millivolts along every conductor."""
    changed = sb.with_changes(scenario, {"wiring.added": {name: f"{ohm * 1e3} milliohm" for name, ohm in added.items()}})
    point = sb.operating_point(changed, {"load": port_a})
    return point.packs["current_a"].to_dict(), (point.branches["drop_v"].abs() * 1e3).to_dict()


# ---- by hand ----


def test_a_joint_between_two_packs_by_ohms_law():
    """Two packs of 12 mΩ, EMFs alike; both poles of the link in series with the second, which has 1.5 mΩ too much: I1 12 = I2 (12 + 0.8 + 1.5)."""
    total, extra = 100.0, 1.5e-3
    second = total * PACK_OHM / (2 * PACK_OHM + 0.8e-3 + extra)
    drop_mv = second * (0.4e-3 + extra) * 1e3
    found = sb.diagnose(bank("AB"), rows({"A": total - second, "B": second}, [("link A-B -", drop_mv)]))
    member = found.suspects[0].members[0]
    assert member.where == "link A-B -"
    assert member.low < extra < member.high
    assert member.size == pytest.approx(extra, rel=0.03)
    sound = total * PACK_OHM / (2 * PACK_OHM + 0.8e-3)
    assert found.table["sound_a"].tolist() == pytest.approx([total - sound, sound], rel=1e-6)
    assert found.other_readings["sound"].tolist() == pytest.approx([sound * 0.4], rel=1e-6)
    assert found.sound_probability < 0.01
    assert f"yours reads {drop_mv:.3g} mV" in found.suspects[0].text


def test_what_a_sound_link_should_read_is_one_figure_by_ohms_law():
    """A link of 0.4 mΩ with 8 mΩ too much carries 36.6 A of 100, by the current divider: a sound one drops 14.6 mV at that, and not the
    19.4 mV of the 48.4 A that it would carry if the bank were sound. Text, verdict, table and what to read next say so."""
    total, extra = 100.0, 8e-3
    second = total * PACK_OHM / (2 * PACK_OHM + 0.8e-3 + extra)
    assert second == pytest.approx(36.6, abs=0.05)
    pair = rows({"A": total - second, "B": second})
    clamp = sb.diagnose(bank("AB"), pair)
    drop_mv = second * (0.4e-3 + extra) * 1e3
    read = sb.diagnose(bank("AB"), pd.concat([pair, pd.DataFrame([{"link": "A-B -", "drop_mv": drop_mv}])]))
    assert "at 36.6 A it should read 15 mV from end to end" in read.suspects[0].text
    assert "at 37 A it should read 15 mV" in next(v.text for v in sb.verdicts(read) if v.code == "joint-suspected")
    assert read.other_readings["due"].tolist() == pytest.approx([second * 0.4])
    assert "along link A-B - reads 307 mV, where 14.6 mV is due" in read.stands_out
    one = next(c for c in clamp.measure_next if c.poles == ("link A-B +",))
    assert one.sound == pytest.approx(second * 0.4)
    size = next(m.size for s in clamp.suspects for m in s.members if m.where == "link A-B +")
    assert one.suspect == pytest.approx(second * (0.4 + size * 1e3))


def test_both_poles_are_asked_for_in_one_breath():
    currents, _ = with_added(bank(), {"link B-C -": 2e-3})
    found = sb.diagnose(bank(), rows(currents))
    both = found.asked_next[0]
    assert both.poles == ("link B-C +", "link B-C -")
    alone = {c.where: c.then for c in found.measure_next}
    assert both.then > max(alone["link B-C +"], alone["link B-C -"])
    amperes = currents["C"] + currents["D"]
    text = found.suspects[0].text
    assert (
        f"at {amperes:.3g} A the pole that reads about {both.suspect:.0f} mV instead of {amperes * 0.4:.0f} mV is the bad one"
        in text
    )
    assert any(
        f"(link B-C): {amperes * 0.4:.0f} mV if sound, about {both.suspect:.0f} mV if it is the bad one" in t for t in found.words
    )
    bus = bank(layout="chain-opposite")  # where the clamp tells the poles apart, one is asked for
    assert all(len(c.poles) < 2 for c in sb.diagnose(bus, rows(with_added(bus, {"link B-C -": 2e-3})[0])).asked_next)


@pytest.mark.parametrize("layout", ["chain", "chain-opposite", "chain-middle", "busbar"])
def test_currents_of_conductors_follow_from_those_of_packs(layout):
    """By Kirchhoff's current law, a bad joint or not: against the whole network."""
    scenario = bank("ABCDE", layout)
    name = scenario.bank.graph.branches[1].name
    point = sb.operating_point(sb.with_changes(scenario, {"wiring.added": {name: "5 milliohm"}}), {"load": 120.0})
    carried = HeldBank(scenario.bank).carried(point.packs["current_a"].to_numpy(), np.array([120.0]))
    assert carried == pytest.approx(point.branches["current_a"].to_numpy(), abs=1e-6)


def test_an_open_pack_leaves_the_others_by_thevenin():
    """Three equal packs on ideal bars with equal leads: one out, the others carry a half each, through 12 + 0.8 mΩ."""
    found = sb.diagnose(bank("ABC", "busbar"), rows({"A": 0.0, "B": 60.0, "C": 60.0}))
    assert found.suspects[0].kind == "off"
    assert found.suspects[0].where == "A"
    assert found.table["suspect_a"].tolist() == pytest.approx([0.0, 60.0, 60.0], abs=1e-6)
    assert found.table["sound_a"].tolist() == pytest.approx([40.0] * 3, rel=1e-9)


def test_a_pack_low_in_charge_by_the_slope_of_its_curve():
    """On a bus bar a pack whose EMF is ΔV lower carries ΔV/R (1 − 1/n) less; ΔV is that of 16 cells of the curve, at rest."""
    scenario = bank("ABC", "busbar", packs__A__soc=0.6, packs__B__soc=0.6, packs__C__soc=0.6)
    cell = sb.load_chemistry("lfp").ocv
    volt = 16 * float(cell(0.6) - cell(0.45))
    ohm = 16 * 0.5e-3 * float(sb.load_chemistry("lfp").r_factor(0.6)) + 4e-3 + 0.8e-3
    less = volt / ohm * (1 - 1 / 3)
    currents = {"A": 20.0 - less, "B": 20.0 + less / 2, "C": 20.0 + less / 2}
    table = rows(currents)
    table["pack_voltage_v"] = np.nan
    rested = [
        {"pack": name, "pack_voltage_v": 16 * float(cell(z)), "instant": "rest"}
        for name, z in (("A", 0.45), ("B", 0.6), ("C", 0.6))
    ]
    found = sb.diagnose(scenario, pd.concat([table.assign(instant="load"), pd.DataFrame(rested)]))
    member = found.suspects[0].members[0]
    assert (member.where, member.kind) == ("A", "charge-low")
    assert member.size == pytest.approx(-15, abs=2)


@pytest.mark.parametrize(("time_s", "within"), [(0.0, 1e-5), (60.0, 0.003), (600.0, 0.006), (3600.0, 0.006)])
def test_constant_currents_stand_for_a_run(time_s, within):
    """That every pack has carried its present current since the change, against a run, which follows how they share: self-consistent."""
    scenario = sb.example("one_bad_joint")
    duty = Duty((Step(max(time_s, 1e-3), {"inverter": Command("current", 40.0)}),))
    run = sb.simulate(Case("run", scenario.bank, duty), integrator="fast", tolerance=1e-7)
    held = HeldBank(scenario.bank).response(np.array([40.0]), time_s)
    assert held.current_a[:4] == pytest.approx(run.packs["current_a"].iloc[-1].to_numpy(), rel=within)


def test_faults_are_solved_as_a_bank_that_has_them():
    """A joint by Woodbury's identity against the network with the joint in it."""
    sound, bad = (
        HeldBank(sb.example("one_bad_joint", {"wiring.added": added}).bank) for added in ({}, {"link P1-P2 +": "1.2 milliohm"})
    )
    port_a = np.array([80.0])
    place = 4 + [b.name for b in sound.bank.graph.branches].index("link P1-P2 +")
    before, after = sound.response(port_a, 0.0), bad.response(port_a, 0.0)
    assert before.with_faults(np.array([place]), np.array([1.2e-3]), np.zeros(1)) == pytest.approx(after.current_a, abs=1e-9)
    from_emf, from_port = before.changed(np.array([place]), np.array([1.2e-3]), np.array([0, place]))
    assert from_emf == pytest.approx(after.from_emf[[0, place]], abs=1e-9)
    assert from_port == pytest.approx(after.from_port[[0, place]], abs=1e-12)


def test_what_a_reading_tells_of_two_causes_by_integration():
    """Two causes as likely, readings normal about 0 and 2 with deviation 1: information by numerical integration of the densities."""

    def both(y):
        return 0.5 * norm.pdf(y) + 0.5 * norm.pdf(y, 2.0)

    def entropy(y):
        p = 0.5 * norm.pdf(y) / both(y)
        return -(p * np.log2(p) + (1 - p) * np.log2(1 - p)) * both(y)

    bits = 1.0 - quad(entropy, -6, 8)[0]
    right = quad(lambda y: 0.25 * (norm.pdf(y) ** 2 + norm.pdf(y, 2.0) ** 2) / both(y), -6, 8)[0]
    told = _told(np.array([[0.0], [2.0]]), np.ones((2, 1, 1)), np.array([0.5, 0.5]), np.array([0, 1]))
    assert told == pytest.approx((bits, 0.5, right), abs=0.03)


# ---- what cannot be told apart ----


def test_poles_of_a_link_of_a_one_ended_chain_are_one_suspect():
    currents, drops = with_added(bank(), {"link B-C -": 2e-3})
    found = sb.diagnose(bank(), rows(currents))
    first = found.suspects[0]
    assert {member.where for member in first.members[:2]} == {"link B-C +", "link B-C -"}
    assert first.members[0].probability == pytest.approx(first.members[1].probability, rel=1e-6)
    assert "do not tell it from" in first.text
    assert found.measure_next[0].where in ("link B-C +", "link B-C -")
    parted = sb.diagnose(bank(), rows(currents, [(name, drops[name]) for name in ("link B-C +", "link B-C -")]))
    assert parted.suspects[0].where == "link B-C -"
    assert parted.suspects[0].probability > 0.99


def test_poles_of_a_link_between_opposite_corners_are_two_suspects():
    scenario = bank(layout="chain-opposite")
    currents, _ = with_added(scenario, {"link B-C -": 2e-3})
    found = sb.diagnose(scenario, rows(currents))
    where = [suspect.where for suspect in found.suspects]
    assert where[0] == "link B-C -"
    assert "link B-C +" in where


def test_a_lead_and_its_pack_on_a_bus_bar_are_one_suspect():
    scenario = bank(layout="busbar")
    currents, drops = with_added(scenario, {"lead C +": 4e-3})
    found = sb.diagnose(scenario, rows(currents))
    kinds = {(member.where, member.kind) for member in found.suspects[0].members}
    assert {("lead C +", "joint"), ("lead C -", "joint"), ("C", "pack-resistance")} <= kinds
    parted = sb.diagnose(scenario, rows(currents, [("lead C +", drops["lead C +"])]))
    assert {(member.where, member.kind) for member in parted.suspects[0].members} == {("lead C +", "joint")}


def test_joints_that_no_reading_shows_are_told():
    found = sb.diagnose(bank(ports__load__lead=PART), rows(with_added(bank(), {})[0]))
    assert set(found.found.hidden) == {"lead load +", "lead load -"}
    assert any("show nothing of" in text for text in found.words)
    assert all("lead load" not in suspect.where for suspect in found.suspects)


def test_two_joints_at_once():
    scenario = bank("ABCDEF", "chain-opposite")
    currents, drops = with_added(scenario, {"link A-B +": 6e-3, "link D-E -": 6e-3})
    found = sb.diagnose(scenario, rows(currents, [(name, drops[name]) for name in ("link A-B +", "link D-E -")]))
    first = found.suspects[0].members[0]
    assert {fault.name for fault in first.faults} == {"link A-B +", "link D-E -"}
    assert any("two of these at once" in text for text in found.words)


# ---- how readings are read ----


@pytest.mark.parametrize(
    "text",
    ["link A-B -", "A-B -", "a–b negative", "B-A minus", "link A to B, negative side", "link between A and B (-)",
        "A - B neg", "Link A-B minus pole"],
)  # fmt: skip
def test_names_of_links_as_people_write_them(text):
    found = sb.diagnose(bank(), rows(with_added(bank(), {})[0], [(text, 24.0)]))
    assert found.found.parts[0][1][-1].name == "link A-B -"
    if text != "link A-B -":
        assert f"“{text}” is taken as link A-B -." in found.words


BAD = {
    "pack,current_a\nA,1\nX,2\n": ("row 3, pack", "no such pack or port"),
    "pack,current_a\nA,one\nB,2\n": ("row 2, current_a", "must be a number"),
    "pack,current_a\nA,1\nA,2\n": ("row 3, pack", "was read before"),
    "pack,current_a\nA,nan\nB,inf\n": ("row 2, current_a", "nothing was read"),
    "pack,current_a\nA,1\nB,inf\n": ("row 3, current_a", "must be a finite number"),
    "pack,current_a,time_since_change_s\nA,1,-5\n": ("row 2, time_since_change_s", "must not be below zero"),
    "pack,current_a,displayed_soc\nA,1,130\n": ("row 2, displayed_soc", "must be from 0 to 1"),
    "pack,current_a,pack_voltage_v\nA,1,-53\n": ("row 2, pack_voltage_v", "must be above zero"),
    "pack,current_a,link,drop_mv\nA,1,,\n,,A-B,5\n": ("row 3, link", "say which, with its pole"),
    "pack,current_a,link,drop_mv\nA,1,,\n,,A-C +,5\n": ("row 3, link", "no such conductor"),
    "pack,current_a,link,drop_mv\nA,1,,\n,,A-B +,\n": ("row 3, drop_mv", "is required with a link"),
    "link,drop_mv\nA-B +,5\n": ("current_a", "needs the current of one pack or port"),
    "pack,amps\nA,1\n": ("columns", "unknown column"),
    "current_a\n1\n": ("columns", 'needs a column "pack" or "link"'),
    "pack,current_a\n": ("", "holds no reading"),
    "pack,current_a\nA,1\n,2\n": ("row 3, pack", "is required"),
}


@pytest.mark.parametrize("text", BAD)
def test_a_bad_reading_is_one_error_with_row_and_key(text, tmp_path):
    path = tmp_path / "readings.csv"
    path.write_text(text)
    with pytest.raises(sb.InputError) as error:
        sb.diagnose(bank(), path)
    key, problem = BAD[text]
    assert (error.value.key or "") == key
    assert problem in error.value.problem
    assert str(path) in str(error.value)


def test_readings_that_would_show_nothing_are_an_input_error():
    with pytest.raises(sb.InputError, match="would show no fault"):
        sb.diagnose(bank(), rows({"A": 30.0}), accuracy="2 % + 1000 A")


@pytest.mark.parametrize(
    ("option", "value"), [
        ("accuracy", "2"), ("accuracy", "-1 %"), ("drop_accuracy", "2 % + 1 A"), ("port", "lod"), ("doing", "idle"), ("accuracy", "0 %")]
)  # fmt: skip
def test_a_bad_option_is_an_input_error(option, value):
    with pytest.raises(sb.InputError):
        sb.diagnose(bank(), rows({"A": 30.0, "B": 29.0}), **{option: value})


def test_signs():
    charge = {name: -amperes for name, amperes in with_added(bank(), {})[0].items()}
    found = sb.diagnose(bank(), rows(charge))
    assert found.chosen.current_a == pytest.approx(-120.0)
    assert any("taken to charge" in text for text in found.words)
    positive = {name: -amperes for name, amperes in charge.items()}
    told = sb.diagnose(bank(), rows(positive), doing="charge")
    assert told.chosen.current_a == pytest.approx(-120.0)
    assert told.sound_probability == pytest.approx(found.sound_probability)


def test_voltages_tell_which_way_the_current_goes():
    """Positive currents at 54.6 V across packs whose curve rests at 52.8 V: they charge."""
    currents, _ = with_added(bank(), {})
    volt = 16 * float(sb.load_chemistry("lfp").ocv(0.5)) + 30.0 * PACK_OHM + 0.9
    found = sb.diagnose(bank(), rows(currents, pack_voltage_v=volt, time_s=2.0))
    assert found.chosen.current_a == pytest.approx(-120.0)
    assert any("Voltages say" in text for text in found.words)


def test_packs_that_were_not_read_and_ports_that_were():
    currents, _ = with_added(bank(), {})
    some = {name: currents[name] for name in "AD"}
    found = sb.diagnose(bank(), rows(some))
    assert found.chosen.current_a == pytest.approx(120.0, rel=0.02)
    assert "Not read: B, C. The bank's current is worked out from the packs that were." in found.words
    with_port = sb.diagnose(bank(), rows(some | {"load": 120.0}))
    assert with_port.chosen.current_a == pytest.approx(120.0)
    assert with_port.other_readings["what"].tolist() == ["current of port load"]


def test_displays_move_all_packs_and_show_the_one_that_stands_apart():
    scenario = bank(packs__C__soc=0.5)
    currents = sb.operating_point(bank(packs__C__soc=0.35), {"load": 60.0}).packs["current_a"].to_dict()
    table = rows(currents).assign(displayed_soc=[50, 50, 35, 50])
    found = sb.diagnose(scenario, table)
    assert (found.suspects[0].members[0].where, found.suspects[0].members[0].kind) == ("C", "charge-low")
    assert "Displayed states of charge are taken as per cent." in found.words
    later = sb.diagnose(scenario, rows(dict.fromkeys("ABCD", 40.0), time_s=1800.0).assign(displayed_soc=0.7))
    at = later.found.parts[0][0]  # half an hour at a fifth of the capacity has gone by when the displays are read
    assert at.response.soc.mean() == pytest.approx(0.7, abs=0.005)
    assert later.found.held.start[:4].mean() == pytest.approx(0.7 + 0.1, abs=0.005)


def test_a_second_current_tells_charge_from_resistance():
    """What goes with the current is a resistance, what does not is charge: readings at two currents part them."""
    scenario = bank(layout="busbar")
    parts = []
    for name, amperes in (("small", 40.0), ("large", 160.0)):
        currents = with_added(scenario, {"lead C +": 4e-3}, amperes)[0]
        parts.append(rows(currents).assign(instant=name))
    one = sb.diagnose(scenario, parts[1])
    both = sb.diagnose(scenario, pd.concat(parts))

    def of_charge(found):
        every = (member for suspect in found.suspects for member in suspect.members)
        return sum(member.probability for member in every if "charge" in member.kind)

    assert len(both.found.parts) == 2
    assert of_charge(both) < 0.5 * of_charge(one)


def test_what_a_file_says_of_its_accuracy_counts():
    """A pack whose resistance is measured within 1 % is no scatter: the same readings are then the joint's."""
    currents, _ = with_added(bank(), {"link A-B +": 1e-3})
    known = {f"packs__{name}__resistance_growth": {"value": 1.0, "within": 0.01} for name in "ABCD"}
    assert sb.diagnose(bank(**known), rows(currents)).sound_probability < sb.diagnose(bank(), rows(currents)).sound_probability


# ---- what the bank did before ----

WORKED = {f"packs__{name}__soc": 0.8 for name in "ABCD"}


def after_heavy_work(added=None, since_s=60.0, small_a=20.0):
    """Currents after two hours at 150 A out of a chain of 0.8 mΩ a link, then a smaller one, by a run; and the sound bank as it is known then."""
    steps = [{"discharge": "150 A", "hours": 2}, {"discharge": f"{small_a} A", "hours": 1}]
    changes = WORKED | {"duty": {"kind": "cycles", "steps": steps}, "wiring__added": added or {}}
    run = sb.simulate(bank(**changes), integrator="fast", output_step_s=60)
    soc = float(run.packs["soc"].loc[7200.0].mean())
    read = run.packs["current_a"].loc[7200.0 + since_s]
    return bank(**{key: soc for key in WORKED}), rows(read.round(1).to_dict(), time_s=since_s), read.to_numpy()


@pytest.mark.parametrize(("since_s", "within"), [(60.0, 0.02), (600.0, 0.02), (3600.0, 0.02)])
def test_a_bank_after_work_stands_for_a_run(since_s, within):
    """Held currents through the work, then the smaller one: against a run, which follows them: self-consistent."""
    scenario, _, read = after_heavy_work(since_s=since_s)
    held = HeldBank(scenario.bank).after(np.array([150.0]), 7200.0).response(np.array([20.0]), since_s)
    assert held.current_a[:4] == pytest.approx(read, abs=within * 20.0)
    rested = HeldBank(scenario.bank).response(np.array([20.0]), since_s)
    assert np.max(np.abs(rested.current_a[:4] - read)) > 0.05 * 20.0  # and work does move them


def test_relaxation_decays_after_a_change_as_its_pairs_do():
    """One pack's voltage after a current ends: each pair's R I (1 − exp(−T/τ)) exp(−t/τ) is left, by hand."""
    held = HeldBank(bank("AB", "busbar").bank)
    current = np.array([20.0, 20.0])
    held.start, _ = held.pack_state(current, 300.0)
    after = [held.pack_voltage(np.zeros(2), t)[0] for t in (0.0, 100.0)]
    chemistry = sb.load_chemistry("lfp")
    pairs = [(16 * 0.5e-3 * pair.resistance_ratio, pair.time_constant_s) for pair in chemistry.rc]
    soc = 0.5 - 20.0 * 300.0 / (200.0 * 3600.0)
    factor = float(chemistry.rc_factor(soc))
    left = [sum(r * factor * 20.0 * (1 - np.exp(-300.0 / tau)) * np.exp(-t / tau) for r, tau in pairs) for t in (0.0, 100.0)]
    assert after[1] - after[0] == pytest.approx(left[0] - left[1], rel=1e-3)


def test_a_sound_bank_is_not_accused_after_heavy_work():
    scenario, read, _ = after_heavy_work()
    as_if_rested = sb.diagnose(scenario, read, before="rest")
    assert as_if_rested.is_suspect  # what work left looks like a fault
    found = sb.diagnose(scenario, read)
    assert not found.is_suspect
    assert found.worked_probability > 0.5
    assert found.work.share > 5 * found.chosen.meter_share
    assert any("After heavy work a suspicion is weak. So it looks here" in text for text in found.words)
    told = sb.diagnose(scenario, read, before="discharge 150 A for 2 h")
    assert told.is_sound
    assert told.sound_probability > found.sound_probability
    assert not any("After heavy work" in text for text in told.words)


def test_a_bad_joint_is_found_after_heavy_work_that_is_told():
    scenario, read, _ = after_heavy_work({"link B-C +": "3 milliohm"}, small_a=120.0)
    found = sb.diagnose(scenario, read, before="discharge 150 A for 2 h")
    assert "link B-C +" in found.suspects[0].where.split(", ")


def test_equal_packs_on_equal_leads_do_not_differ_by_work():
    scenario = bank(layout="busbar")
    found = sb.diagnose(scenario, rows(with_added(scenario, {})[0]))
    assert found.work.share == pytest.approx(0.0, abs=1e-6)
    assert not any("not told" in text for text in found.words)


@pytest.mark.parametrize(
    "text",
    ["150 A for 2 h", "discharge 150 A", "discharge 150 V for 2 h", "discharge -5 A for 2 h", "charge 5000 A for 2 h", "nap"],
)
def test_work_that_cannot_be_read_is_an_input_error(text):
    with pytest.raises(sb.InputError) as error:
        sb.diagnose(bank(), rows({"A": 30.0, "B": 29.0}), before=text)
    assert error.value.key == "before"


# ---- shares, and a pack watched from day to day ----


def test_shares_by_size_by_hand():
    """Two packs of 50 and 150 Ah left carry 30 and 50 A: by size 20 and 60, so that their share ratios are 1.5 and 0.83."""
    scenario = bank("AB", packs__A__capacity_left=0.25, packs__B__capacity_left=0.75)
    table = sb.diagnose(scenario, rows({"A": 30.0, "B": 50.0})).table
    assert table["by_size_a"].tolist() == pytest.approx([20.0, 60.0])
    assert table["share_ratio"].tolist() == pytest.approx([1.5, 5.0 / 6.0])
    sound = sb.operating_point(scenario, {"load": 80.0}).packs["current_a"]
    assert table["sound_share_ratio"].tolist() == pytest.approx((sound / [20.0, 60.0]).tolist(), rel=1e-6)


def test_what_moves_a_pack_that_is_watched_by_ohms_law():
    """Two packs of 12 mΩ; 1 mΩ more on the way of B, of 12.8 mΩ: its part of the current falls from 12 / 24.8 to 12 / 25.8."""
    found = sb.diagnose(bank("AB"), rows({"A": 52.0, "B": 48.0}))
    cell, second = sb.load_chemistry("lfp"), 100.0 * 12 / 24.8
    volt = 16 * float(cell.ocv(0.5) - cell.ocv(0.48)) + 16 * 0.5e-3 * float(cell.r_factor(0.48) - cell.r_factor(0.5)) * second
    place = [each[0] for each in found.found.hypotheses[0][0].faults.each]
    one = watched(found.found.held, found.found.parts[0][0], 1, place)
    assert one.joint in ("link A-B +", "link A-B -")
    assert one.by_joint == pytest.approx(24.8 / 25.8 - 1.0, rel=1e-3)
    assert one.by_charge == pytest.approx(-volt / 24.8e-3 / second, rel=5e-3)
    assert one.sound_ratio == pytest.approx(2 * 12 / 24.8, rel=1e-6)
    assert any(text.startswith("To watch ") for text in found.words)


# ---- displays and instants that disagree ----


def test_displays_apart_by_tens_of_points_do_not_spoil_currents():
    currents, _ = with_added(bank(), {"link B-C +": 4e-3})
    clamp = sb.diagnose(bank(), rows(currents))
    found = sb.diagnose(bank(), rows(currents).assign(displayed_soc=[85, 45, 60, 62]))
    assert found.fits
    assert found.suspects[0].where == clamp.suspects[0].where
    assert "Displays lie 40 points apart: each is taken to be off by 13 points (one standard deviation)." in found.words


def test_instants_that_disagree_are_told():
    one, other = (with_added(bank(), {name: 4e-3})[0] for name in ("link B-C +", "link A-B +"))
    both = pd.concat([rows(one).assign(instant="morning"), rows(other).assign(instant="noon")])
    found = sb.diagnose(bank(), both, before="rest")
    assert found.headline.startswith("The instants disagree: morning and noon each fit a cause, together they fit none")
    assert found.told_suspects == []
    same = pd.concat([rows(one).assign(instant="morning"), rows(one).assign(instant="noon")])
    assert not sb.diagnose(bank(), same, before="rest").contradictions


# ---- how it is told ----


def test_the_answer_stands_before_the_tables():
    files = [str(ROOT / "scenarios" / name) for name in ("mill_store.toml", "mill_store_readings.csv")]
    done = CliRunner().invoke(app, ["diagnose", *files])
    assert done.exit_code == 0, done.output
    places = [
        done.output.index(text)
        for text in ("that all is sound", "Live DC work", "share ratio", "To watch M", "What this comes to")
    ]
    assert places == sorted(places)
    assert max(len(line) for line in done.output.splitlines()) <= 80


def test_json_of_the_command(tmp_path):
    path = ROOT / "scenarios" / "mill_store.toml"
    words = ["diagnose", str(path), str(ROOT / "scenarios" / "mill_store_readings.csv"), "--json", "--out", str(tmp_path)]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0, done.output
    record = json.loads(done.stdout)
    assert 0 < record["sound_probability"] < 1
    assert {"where", "kind", "extra_ohm", "low", "high", "probability", "text"} <= set(record["suspects"][0])
    assert {"what", "where", "expect", "tells"} <= set(record["measure_next"][0])
    total = record["sound_probability"] + sum(suspect["probability"] for suspect in record["suspects"])
    assert total <= 1 + 1e-9
    assert record["suspects"][0]["low"] < record["suspects"][0]["extra_ohm"] < record["suspects"][0]["high"]
    svg = (tmp_path / "diagnose.svg").read_text()
    assert "mark" in svg
    stored = sb.read(tmp_path)
    assert stored.words[0] == record["words"][0]
    assert stored.tables["suspects"]["where"].iloc[0] == record["suspects"][0]["where"]


def test_a_bad_file_is_one_line_and_exit_2(tmp_path):
    path = tmp_path / "readings.csv"
    path.write_text("pack,current_a\nM1,2\nM9,3\n")
    done = CliRunner().invoke(app, ["diagnose", str(ROOT / "scenarios" / "mill_store.toml"), str(path)])
    assert isinstance(done.exception, sb.InputError)
    assert "row 3, pack" in str(done.exception)


def test_the_report_has_its_section_and_its_drawing(tmp_path):
    scenario = sb.load(ROOT / "scenarios" / "mill_store.toml")
    found = sb.diagnose(scenario, ROOT / "scenarios" / "mill_store_readings.csv")
    path = sb.write_report(scenario, tmp_path / "mill.html", studies=[found.section()])
    html = path.read_text(encoding="utf-8")
    assert "Mill store: what the readings say" in html
    assert "Live DC work" in html
    assert all(title in html for title in ("What was read of each pack", "share ratio if sound", "What to measure next"))
    assert html.count('class="mark"') >= 2


def test_eight_packs_take_less_than_two_seconds():
    scenario = bank("ABCDEFGH")
    table = rows(with_added(scenario, {"link C-D +": 1.5e-3})[0])
    sb.diagnose(scenario, table)
    begin = time.process_time()
    found = sb.diagnose(scenario, table)
    assert found.words
    assert found.measure_next
    assert time.process_time() - begin < 2.0


def test_equally_probable_suspects_come_in_the_order_of_the_file():
    """The poles of a link of a one-ended chain take the same currents, so that only the last bits of a probability order them."""
    found = sb.diagnose(sb.load(ROOT / "scenarios" / "mill_store.toml"), ROOT / "scenarios" / "mill_store_readings.csv")
    poles = [member.where for suspect in found.suspects for member in suspect.members if member.where.startswith("link")]
    assert len(poles) == 10
    assert [name[-1] for name in poles] == ["+", "-"] * 5
    drops = [candidate.where for candidate in found.measure_next if candidate.unit == "mV"]
    assert [name[-1] for name in drops] == ["+", "-"] * 5


# ---- what cannot be told, and readings that cannot be right ----


def test_no_current_and_packs_not_read_tell_of_no_sound_bank():
    with pytest.raises(sb.InputError, match="within the meter's error"):
        sb.diagnose(bank(), rows(dict.fromkeys("ABCD", 0.0)))
    currents, _ = with_added(bank(), {})
    one = sb.diagnose(bank(), rows({"A": currents["A"]}))
    assert one.cannot_show
    assert "B, C, D" in one.headline
    assert not one.tells_sound


def test_millivolts_along_every_link_tell_of_a_sound_bank():
    currents, drops = with_added(bank(), {})
    found = sb.diagnose(bank(), rows(currents, [(name, volt) for name, volt in drops.items() if name.startswith("link")]))
    assert found.tells_sound
    assert max(found.shown.least_ohm.values()) < 1e-3
    assert sb.diagnose(bank(), rows(currents)).cannot_show


def test_a_turned_sign_is_asked_about_before_anything_else():
    currents, _ = with_added(bank(), {})
    found = sb.diagnose(bank(), rows(currents | {"C": -currents["C"]}))
    assert found.words[0].startswith("C fits with its sign turned")
    assert found.told_suspects == found.measure_next == []
    assert not sb.diagnose(bank(), rows(currents)).contradictions


def test_packs_that_only_feed_one_another_are_read_all_the_same():
    found = sb.diagnose(bank("AB"), rows({"A": 6.0, "B": -6.0}))
    assert found.work.share == 0.0
    assert found.words
    assert found.summary["readings"][0]["share_ratio"] is None


def test_packs_that_do_not_add_up_to_the_port():
    currents, _ = with_added(bank(), {})
    assert "Packs add up to 120 A" in sb.diagnose(bank(), rows(currents | {"load": 80.0})).headline
    assert not sb.diagnose(bank(), rows(currents | {"load": 119.0})).contradictions


SLIPS = {
    "pack,current_a\nA,29400\nB,29\n": "mA",
    "pack,current_a,pack_voltage_v\nA,30,5.24\n": "cannot be that of this pack",
    "pack,current_a,displayed_soc\nA,30,0.55\nB,29,62\n": "per cent",
    "pack,current_a,link,drop_mv\nA,33,,\nB,31,,\nC,29,,\nD,28,,\n,,A-B +,0.035\n": "volts",
}


@pytest.mark.parametrize("text", SLIPS)
def test_slips_of_units_are_one_question_with_row_and_value(text, tmp_path):
    path = tmp_path / "readings.csv"
    path.write_text(text)
    with pytest.raises(sb.InputError, match=SLIPS[text]) as error:
        sb.diagnose(bank(), path)
    assert error.value.key.startswith("row ")


@pytest.mark.parametrize(("heading", "factor"), [("Current (A)", 1.0), ("current [mA]", 1000.0), ("CURRENT_A", 1.0)])
def test_headings_as_people_write_them(heading, factor):
    table = rows(with_added(bank(), {})[0])
    other = table.assign(current_a=table["current_a"] * factor).rename(
        columns={"current_a": heading, "time_since_change_s": "time since change [s]"}
    )
    assert sb.diagnose(bank(), other).sound_probability == pytest.approx(sb.diagnose(bank(), table).sound_probability)


def test_headings_in_another_unit():
    currents, _ = with_added(bank(), {})
    table = rows(currents)
    milli = table.assign(current_ma=table["current_a"] * 1000.0).drop(columns="current_a")
    assert sb.diagnose(bank(), milli).sound_probability == pytest.approx(sb.diagnose(bank(), table).sound_probability)


def test_readings_with_semicolons_decimal_commas_and_none_at_all(tmp_path):
    """Semicolons with decimal commas read as commas with points; an empty file is called so; a bad cell has its row."""
    store = sb.load(ROOT / "scenarios" / "mill_store.toml")
    path = tmp_path / "readings.csv"
    text = (ROOT / "scenarios" / "mill_store_readings.csv").read_text(encoding="utf-8")
    by_points = read_readings(ROOT / "scenarios" / "mill_store_readings.csv", store.bank)
    rows = [line for line in text.splitlines() if not line.startswith("#")]
    path.write_text("\n".join(line.replace(",", ";").replace(".", ",") for line in rows))
    assert read_readings(path, store.bank).instants == by_points.instants
    path.write_text("pack;current_a\nM1;25,5\nM2;23.3\n")
    with pytest.raises(sb.InputError, match="can be meant in two ways"):
        read_readings(path, store.bank)
    path.write_text("")
    with pytest.raises(sb.InputError, match="the file is empty"):
        read_readings(path, store.bank)
    path.write_text("pack,current_a\nM1,25.5\nM2,many\n")
    with pytest.raises(sb.InputError, match=r"row 3, current_a.*the heading is row 1"):
        read_readings(path, store.bank)


# ---- what a keeper may do, and in which order ----


def test_a_pack_that_carries_nothing_is_looked_at_before_any_new_current():
    """Three packs of 12 mΩ on a chain carry 120 A; C reads 0.05 A, within the 0.1 A that the meter is off by at nothing."""
    currents, _ = with_added(bank(), {})
    for read_a, nothing in ((0.05, ["C"]), (0.0, ["C"]), (5.0, [])):
        found = sb.diagnose(bank(), rows(currents | {"C": read_a}))
        assert found.carry_nothing == nothing
        assert found.words[0].startswith("C carries nothing") == bool(nothing)
        if nothing:
            assert "look at its BMS, fuse, switch and lead first" in found.words[0]
            assert "charge each pack to full by itself" in found.words[0]
            first = found.measure_next[0]
            assert (first.where, first.is_look, first.poles) == ("C", True, ())
            assert "before any new current" in first.what
            assert "voltage" in first.what
    off = sum(
        s.probability for s in sb.diagnose(bank(), rows(currents | {"C": 0.0})).suspects if s.where == "C" and s.kind == "off"
    )
    by_hand = -off * np.log2(off) - (1 - off) * np.log2(1 - off) if 0 < off < 1 else 0.0  # entropy of a thing that is so or not
    assert sb.diagnose(bank(), rows(currents | {"C": 0.0})).measure_next[0].bits == pytest.approx(by_hand, abs=0.02)
    small = sb.diagnose(bank(), rows({"A": 0.4, "B": 0.3, "C": 0.0, "D": 0.3}))  # no clear current is due
    assert small.carry_nothing == []


def test_charge_is_set_right_by_a_full_charge_and_not_by_voltage():
    """Hysteresis lets LFP packs at one voltage stand tens of points apart (test_verdicts, displays-apart)."""
    currents = sb.operating_point(bank(packs__C__soc=0.2), {"load": 30.0}).packs["current_a"].to_dict()
    found = sb.diagnose(bank(), rows(currents), before="rest")
    text = next(suspect.text for suspect in found.suspects if suspect.members[0].kind.startswith("charge"))
    assert "charge each pack to full by itself, as its maker says" in text
    assert "resting voltage" not in " ".join(found.words)
    assert "equal voltage need not stand at equal charge" in text


def test_nothing_is_taken_apart_below_ninety_percent():
    for ohm in (1e-3, 6e-3):
        currents, drops = with_added(bank(), {"link B-C +": ohm})
        open_still = sb.diagnose(bank(), rows(currents))
        read = sb.diagnose(bank(), rows(currents, [(name, drops[name]) for name in ("link B-C +", "link B-C -")]))
        for found in (open_still, read):
            for suspect in found.told_suspects:
                sure = suspect.probability >= 0.9
                assert ("retorque" in suspect.text) <= sure
                if suspect.members[0].kind == "joint":
                    assert ("very pack isolated" in suspect.text) == sure
                    assert ("o not take anything apart yet" in suspect.text) != sure
            verdict = next((v.text for v in sb.verdicts(found) if v.code == "joint-suspected"), "")
            assert ("retorque" in verdict) <= (found.suspects[0].probability >= 0.9)
    assert read.suspects[0].probability >= 0.9
    assert "very pack isolated, retorque or clean" in read.suspects[0].text
    assert read.answer[1].startswith("Live DC work")


def test_that_a_suspicion_is_weak_stands_after_the_headline_with_one_time_to_read():
    scenario, read, _ = after_heavy_work()
    found = sb.diagnose(scenario, read)
    assert found.answer[0] == found.headline
    told = [text for text in found.words if "After heavy work a suspicion is weak" in text]
    assert len(told) == 1
    if not found.is_sound:
        assert found.answer[1] == told[0]
    assert "Read again after a rest of" in told[0]
    assert told[0].count("rest of") == 1
    joined = " ".join(found.words)
    assert "first minutes" not in joined
    assert "hold still" not in joined
    assert joined.count("put a steady current on") == 1


def test_what_hides_a_joint_is_what_is_not_known():
    """Packs that are measured to ±5 % hide less than those that are guessed; links that can be judged at 1 mΩ are named."""
    currents, _ = with_added(bank(), {})
    guessed = sb.diagnose(bank(), rows(currents))
    assert "which the file does not give as measured" in guessed.headline
    assert "At no link" in guessed.headline
    measured = sb.diagnose(
        bank(**{f"packs__{name}__resistance_at_posts": "12 ± 0.6 milliohm" for name in "ABCD"}), rows(currents)
    )
    assert "guess" not in measured.headline
    assert "which the file gives within ±5 %" in measured.headline
    assert "would have stood out at: link A-B, link B-C; not at: link C-D." in measured.headline
    for found in (guessed, measured):
        for name, parts in found.shown.hides.items():
            assert sum(parts.values()) == pytest.approx(1.0)
            assert found.shown.meter_ohm[name] <= found.shown.least_ohm[name]
    assert measured.shown.hides["link C-D +"]["packs"] < guessed.shown.hides["link C-D +"]["packs"]
    assert f"{measured.shown.meter_ohm['link C-D +'] * 1e3:.2g} mΩ there" in measured.headline


def test_further_readings_come_by_what_they_tell_for_each_minute():
    """Millivolts along a suspect link take minutes, a voltage after an hour of rest takes an hour; currents are whole fives of ampere."""
    found = sb.diagnose(bank(), rows(with_added(bank(), {"link B-C -": 2e-3}, 94.0)[0]))
    assert found.asked_next[0].unit == "mV"
    clamp = next(c.what for c in found.measure_next if c.unit == "A")
    assert "at about 45 A out of" in clamp
    rested = next(c for c in found.asked_next if c.unit == "V")
    assert found.asked_next.index(rested) > 0
    text = next(text for text in found.words if text.startswith("To measure next"))
    assert "On average the right cause is given" in text
    assert "lifts" not in text


def test_suspects_are_named_in_words_and_to_two_digits():
    currents, _ = with_added(bank(), {})
    frame = sb.diagnose(bank(), rows(currents | {"C": 0.0})).shown_suspects.frame
    assert not frame[["where", "kind"]].duplicated().any()
    assert frame["kind"].iloc[0] == "off"
    found = sb.diagnose(bank(layout="busbar"), rows(with_added(bank(layout="busbar"), {"lead C +": 4e-3})[0]))
    shown = found.shown_suspects.frame
    assert shown["where"].iloc[0] == "lead C, either pole; C"
    assert "more resistance" in shown["kind"].iloc[0]
    assert not shown["kind"].str.contains("charge-low|pack-resistance").any()
    assert all(len(text.replace(".", "").lstrip("0")) <= 2 for text in shown["extra_mohm"].dropna())


def test_the_report_of_readings_begins_with_the_answer_and_lists_nothing_to_buy(tmp_path):
    scenario = bank()
    found = sb.diagnose(scenario, rows(with_added(scenario, {"link B-C +": 2e-3})[0]))
    html = sb.write_report(scenario, tmp_path / "bench.html", studies=[found.section()]).read_text(encoding="utf-8")
    places = [
        html.index(text)
        for text in ("What do these readings at the bank say", "all is sound", 'class="verdicts"', ">The bank</h2>")
    ]
    assert places == sorted(places)
    assert "How do these packs share" not in html
    assert "What has to be bought" not in html
    assert "What has to be bought" in sb.write_report(scenario, tmp_path / "plain.html").read_text(encoding="utf-8")

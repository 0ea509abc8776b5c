"""Bands of fault currents: closed forms, Kirchhoff's laws by numpy alone, and checks that hang on what is not known, on both sides."""

import json
from statistics import NormalDist

import numpy as np
import pandas as pd
import pytest
from conftest import ROOT
from scipy.optimize import brentq
from typer.testing import CliRunner

import simbank as sb
from simbank import cli
from simbank.distributions import parse_draw
from simbank.scenario.uncertain import UncertainValue
from simbank.studies.protection import drawn_faults
from simbank.studies.protection.assumptions import Assumptions
from simbank.studies.protection.breaking import Breaking
from simbank.studies.protection.clearing import clearing_checks, one_pack_alone
from simbank.studies.protection.device_checks import device_data, devices_present
from simbank.studies.protection.fault_circuit import FaultCircuit
from simbank.studies.protection.faults import greatest_faults, least_faults
from simbank.studies.protection.withstand import Withstand

WORKSHOP = ROOT / "scenarios" / "valley_workshop.toml"


def by_numpy(circuit, positive, negative, closed=None):
    """Current of a bolted fault, every branch and the fault an unknown: Kirchhoff's two laws, by least squares."""
    closed = np.ones(circuit.n + circuit.b, bool) if closed is None else closed
    nodes, edges = len(circuit.index), np.flatnonzero(closed)
    ends = [*circuit.ends[edges].tolist(), [circuit.index[circuit.graph.node(name)] for name in (positive, negative)]]
    ohm, emf = [*circuit.ohm[edges], 0.0], [*(circuit.emf[k] if k < circuit.n else 0.0 for k in edges), 0.0]
    m = len(ends)
    matrix, right = np.zeros((nodes + m, m + nodes)), np.zeros(nodes + m)
    for k, (a, b) in enumerate(ends):
        matrix[a, k], matrix[b, k] = 1.0, -1.0  # what leaves a node
        matrix[nodes + k, k], right[nodes + k] = ohm[k], emf[k]
        matrix[nodes + k, m + a], matrix[nodes + k, m + b] = -1.0, 1.0  # r i = u_a − u_b + E
    return np.linalg.lstsq(matrix, right, rcond=None)[0][m - 1]


@pytest.mark.parametrize("name", ["valley_workshop", "two_barn_strings", "classroom_chain"])
def test_all_places_from_one_solution(name):
    """Currents of all places at once are Kirchhoff's by numpy, with every pack and with one alone."""
    faults = greatest_faults(sb.load(ROOT / "scenarios" / f"{name}.toml").bank, Assumptions())
    circuit, places = faults.circuit, [(place.positive, place.negative) for place in faults.places]
    alone = np.ones(circuit.n + circuit.b, bool)
    alone[1 : circuit.n] = False
    for closed in (None, alone):
        found = circuit.prospective_each(places, closed)[:, -1]
        assert found == pytest.approx([by_numpy(circuit, *place, closed) for place in places], rel=1e-9)


@pytest.mark.parametrize("name", ["valley_workshop", "two_barn_strings", "classroom_chain"])
@pytest.mark.parametrize("pack_h", [0.0, 20e-6])
def test_later_currents_are_those_of_the_eigenvalues(name, pack_h):
    faults = greatest_faults(sb.load(ROOT / "scenarios" / f"{name}.toml").bank, Assumptions(pack_h=pack_h))
    times = [1e-3, 0.01, 0.1, 1.0, 30.0]
    found = faults.circuit.later_each([(place.positive, place.negative) for place in faults.places], times)
    wanted = np.array([faults.response(place).at(times)[:, -1] for place in faults.places]).T
    assert found == pytest.approx(wanted, rel=1e-4)


def test_one_pack_later_in_closed_form():
    """E behind R with one pair R1, τ and an inductance: after its rise, E/(R + R1) + (E/R − E/(R + R1)) exp(−t/τ'), τ' = τ R/(R + R1)."""
    from banks import affine_chemistry, one_pack, pack

    emf, ohm, r1, tau = 52.8, 8e-3, 4e-3, 0.5
    bank = one_pack(pack("A", affine_chemistry(0.0, emf / 16), 100.0, ohm, rc=((r1, tau), (0.0, 1.0)), cells=16))
    circuit = FaultCircuit(bank.graph, (np.array([emf]), np.array([ohm]), np.array([[r1, 0.0]]), np.array([[tau, 1.0]])))
    times = np.array([0.05, 0.3, 2.0])
    settled = emf / (ohm + r1)
    wanted = settled + (emf / ohm - settled) * np.exp(-times * (ohm + r1) / (tau * ohm))
    assert circuit.later_each([("+", "-")], times)[:, 0] == pytest.approx(wanted, rel=1e-3)


# ---- bands ----

BOX = {"capacity": "100 Ah", "cell_resistance": "0.6 milliohm", "internal_wiring": "6 milliohm"}
CLASS_T = {
    "class": "class_t", "rating": "125 A", "resistance": "0.3 milliohm", "interrupting_rating": "20 kA", "voltage_rating": "125 V",
}  # fmt: skip
LEAD = {"gauge": "1/0 AWG", "length": "90 cm", "joint": "0.05 milliohm", "insulation": "xlpe90"}


def bank(packs="AB", **changes):
    """Equal packs on a bus bar with devices; dotted keys of ``changes`` use __ for the dot."""
    data = {
        "name": "drawn",
        "pack_types": {"box": dict(BOX)},
        "packs": [{"name": name, "type": "box", "soc": 0.6, "device": dict(CLASS_T)} for name in packs],
        "wiring": {"layout": "busbar", "lead": dict(LEAD), "link": dict(LEAD)},
        "ports": [{"name": "port", "lead": dict(LEAD), "device": dict(CLASS_T)}],
        "duty": {"kind": "constant", "discharge": "0.2 C", "hours": 1},
    }
    return sb.from_dict(data, {key.replace("__", "."): value for key, value in changes.items()})


@pytest.fixture
def only(monkeypatch):
    """Makes the values given the only ones that are not known exactly, so that assumed data move nothing."""

    def known(**draws):
        values = [
            UncertainValue(key.replace("__", "."), parse_draw(text), f"value {k}", "this test", "resistance")
            for k, (key, text) in enumerate(draws.items())
        ]
        monkeypatch.setattr(drawn_faults, "uncertain_values", lambda scenario, every_temperature: values)

    return known


def protected(scenario, draws=60, **more):
    return sb.protect(scenario, run=False, bands=draws, **more)


def test_one_pack_in_closed_form(only):
    """I = E ÷ (a + b r) falls with r, so that its quantiles are the currents at the quantiles of r, here 0.6 ± 0.12 mΩ (k = 2)."""
    only(pack_types__box__cell_resistance="normal 0.6 0.06 milliohm")
    scenario = bank("A")
    found = protected(scenario, 400)
    for cases, figure in ((greatest_faults, "initial_a"), (least_faults, "least_a")):
        one, other = (
            cases(sb.with_changes(scenario, {"pack_types.box.cell_resistance": f"{r} milliohm"}).bank, Assumptions())
            for r in (0.5, 0.7)
        )
        emf, ohm = one.circuit.emf[0], (one.circuit.pack_ohm[0], other.circuit.pack_ohm[0])
        rest = 6e-3  # wiring within the pack
        assert (ohm[1] - rest) / (ohm[0] - rest) == pytest.approx(0.7 / 0.5, rel=1e-9)  # cells alone follow r
        per_milliohm = (ohm[0] - rest) / 0.5
        for end, share in (("low", 0.95), ("mid", 0.5), ("high", 0.05)):
            r = 0.6 + 0.06 * NormalDist().inv_cdf(share)
            wanted = emf / (rest + per_milliohm * r)
            assert found.bands.table.loc[("inside A", figure), end] == pytest.approx(wanted, rel=2e-3)
    assert found.bands.decides == "value 0"
    assert found.bands.table.loc[("inside A", "initial_a"), "file"] == found.faults.loc["inside A", "initial_a"]


def test_packs_by_an_independent_loop(only):
    """Every figure of every draw by numpy's own linear algebra and by the eigenvalues, one draw after the other."""
    only(
        pack_types__box__cell_resistance="lognormal 0.6 1.2 milliohm", pack_types__box__internal_wiring="uniform 4 8 milliohm",
        packs__B__resistance_growth="uniform 0.9 1.3", chemistries__lfp__resistance__activation_energy="normal 18.8 3 kJ/mol",
        **{"wiring__added__lead A +": "uniform 0 0.5 milliohm"},
    )  # fmt: skip
    scenario = bank("ABC")
    bands = protected(scenario, 20).bands
    units = dict.fromkeys(bands.values, " milliohm") | {
        "packs.B.resistance_growth": "", "chemistries.lfp.resistance.activation_energy": " kJ/mol",
    }  # fmt: skip
    figures = {key: [] for key in bands.currents}
    for _, row in bands.values.iterrows():
        values = {key: f"{number:.9g}{units[key]}" if units[key] else float(f"{number:.9g}") for key, number in row.items()}
        drawn = sb.with_changes(scenario, values).bank
        greatest, least = greatest_faults(drawn, Assumptions()), least_faults(drawn, Assumptions())
        found = {key: [] for key in figures}
        for place in greatest.places:
            ends = place.positive, place.negative
            found["initial_a"].append(abs(by_numpy(greatest.circuit, *ends)))
            found["least_a"].append(abs(by_numpy(least.circuit, *ends)))
            later = np.abs(greatest.response(place).at([0.01, 0.1, 1.0])[:, -1])
            for key, current in zip(("after_10ms_a", "after_100ms_a", "after_1s_a"), later, strict=True):
                found[key].append(current)
            inside = place.kind == "inside"
            alone = [
                abs(by_numpy(least.circuit, *ends, least.only(place, [name])))
                for name in "ABC"
                if not (inside and name == place.owner)
            ]
            found["least_one_pack_a"].append(min(alone))
        for key, currents in found.items():
            figures[key].append(currents)
    for key, currents in figures.items():
        assert bands.currents[key] == pytest.approx(np.array(currents), rel=1e-4 if key.startswith("after") else 1e-8), key
        wanted = np.quantile(np.array(currents), [0.05, 0.5, 0.95], axis=0)
        told = bands.table.xs(key, level="figure")[["low", "mid", "high"]].to_numpy().T
        assert told == pytest.approx(wanted, rel=1e-4)


def test_interrupting_rating_between_the_middle_and_the_upper_end(only):
    """The share of draws that a device cannot break is that of r below the r at which its rating flows: E ÷ (a + b r) again."""
    only(pack_types__box__cell_resistance="normal 0.6 0.06 milliohm")
    scenario = bank()
    plain = protected(scenario, 200)
    most, place = plain.breaks.worst["device port"]
    k = [device.name for device in scenario.bank.devices].index("device port")
    through = plain.bands.through[:, k]
    for rating, passes in ((most * 1.03, False), (through.max() * 1.001, True)):
        found = protected(sb.with_changes(scenario, {"ports.port.device.interrupting_rating": f"{rating} A"}), 200)
        row = found.checks[(found.checks["rule"] == "interrupting rating") & (found.checks["where"] == "device port")].iloc[0]
        if passes:
            assert (row["status"], row["fails_in"]) == ("pass", 0.0)
            continue
        at_rating = brentq(
            lambda r, rating=rating: greatest_current(scenario, f"{r} milliohm", place) - rating, 0.3, 0.7
        )  # where the rating flows
        assert row["fails_in"] == pytest.approx(NormalDist(0.6, 0.06).cdf(at_rating), abs=0.006)
        assert 0.05 < row["fails_in"] < 0.5
        assert (row["status"], row["decided_by"]) == ("not checkable", "pack_types.box.cell_resistance")
        assert "value 0" in row["text"]
        said = next(v for v in sb.verdicts(found, most=99) if v.code == "device-may-not-break")
        assert (said.severity, said.where) == ("act", "device port")
        assert found.counts["pass"] == plain.counts["pass"] - 2  # the rating, and that the port has a device that opens
        assert "2 of those that could not be made pass by the file, not in every draw" in found.headline


def greatest_current(scenario, cell_resistance, place):
    faults = greatest_faults(sb.with_changes(scenario, {"pack_types.box.cell_resistance": cell_resistance}).bank, Assumptions())
    at = next(p for p in faults.places if p.name == place)
    k = [device.name for device in faults.bank.devices].index("device port")
    return abs(faults.circuit.prospective(at.positive, at.negative)[faults.device_edge[k]])


def one_bank(scenario, assumptions):
    """(rule, where) → status of the checks that hang on fault currents, of one bank by itself."""
    made = scenario.bank
    greatest, least = greatest_faults(made, assumptions), least_faults(made, assumptions)
    breaks = Breaking.of(greatest)
    strong, weak = (
        [(c.words, {p.name: faults.follow(p, c.line, c.failed) for p in faults.places}) for c in breaks.open_cases]
        for faults in (greatest, least)
    )
    alone = [one_pack_alone(least, c) for c in breaks.open_cases]
    withstand = Withstand.of(greatest, least, breaks.open_cases, strong, weak, alone)
    checks = [
        *devices_present(made, breaks.state),
        *(check for device in made.devices for check in device_data(device, *breaks.worst[device.name], breaks.volt)),
        *clearing_checks(made, least, breaks, weak, alone, assumptions),
        *(withstand.check(branch) for branch in made.graph.branches if branch.kind != "device"),
    ]
    return {(check.rule, check.where): check.status for check in checks}


def breaker(instant):
    """A curve of the file's own with an instantaneous release."""
    return {
        "trip": [[1.35, "1 h"], [2.0, "100 s"], [10.0, "1 s"], [100.0, "0.5 s"]], "trip_band": 1.5, "instant": instant, "rating": "100 A",
        "resistance": "0.3 milliohm", "interrupting_rating": "20 kA", "voltage_rating": "125 V",
    }  # fmt: skip


def thin(gauge, metres):
    return {"gauge": gauge, "length": f"{metres} m", "insulation": "xlpe90"}


@pytest.mark.parametrize(
    "changes",
    [
        # long thin leads: when the least current clears hangs on the packs' resistance, and so does what the leads take until then
        {"ports.port.lead": thin("10 AWG", 7)},
        {"ports.port.lead": thin("6 AWG", 10), "ports.port.device.rating": "300 A"},
        # ratings in the middle of what flows: in some draws devices fail closed
        {"packs.A.device.interrupting_rating": "8.6 kA", "ports.port.device.interrupting_rating": "9.9 kA"},
        # leads that are hottest just below an instantaneous setting, or at what it lets pass
        {"ports.port.lead": thin("8 AWG", 9), "ports.port.device": breaker(8)},
        {"ports.port.lead": thin("8 AWG", 3), "ports.port.device": breaker(20)},
    ],
)
def test_shares_are_those_of_judging_every_draw_by_itself(only, changes):
    only(
        pack_types__box__cell_resistance="lognormal 0.6 1.4 milliohm", pack_types__box__internal_wiring="uniform 3 12 milliohm",
        **{"wiring__added__lead port +": "uniform 0 3 milliohm"},
    )  # fmt: skip
    scenario = sb.with_changes(bank(), changes)
    case, draws = Assumptions(), 20
    found = protected(scenario, draws)
    base = one_bank(scenario, case)
    every = [
        one_bank(sb.with_changes(scenario, {key: f"{number:.9g} milliohm" for key, number in row.items()}), case)
        for _, row in found.bands.values.iterrows()
    ]
    rank = {"fail": 0, "not checkable": 1, "pass": 2}
    partly = 0
    for (rule, where), row in found.bands.checks.iterrows():
        was = base[rule, where]
        failing = [one[rule, where] == "fail" or rank[one[rule, where]] < rank[was] for one in every]
        assert row["fails_in"] == pytest.approx(np.mean(failing), abs=1.01 / draws), (rule, where)
        partly += 0 < np.mean(failing) < 1
    assert partly >= 2  # the case is one that hangs on what is drawn


def test_greatest_stays_what_it_is_by_its_method(only):
    """What the tables told without bands they tell with them, to the last digit; only checks that hang on draws say so."""
    only(pack_types__box__cell_resistance="normal 0.6 0.06 milliohm")
    plain, drawn = sb.protect(bank(), run=False), protected(bank(), 20)
    for table in ("faults", "shares", "order", "clearing", "overload", "outages"):
        pd.testing.assert_frame_equal(getattr(plain, table), getattr(drawn, table))
    same = drawn.checks[list(plain.checks)]
    untouched = drawn.checks["fails_in"].isna() | (drawn.checks["fails_in"] == 0)
    pd.testing.assert_frame_equal(same[untouched], plain.checks[untouched])
    assert "fails_in" not in plain.checks
    assert plain.bands is None
    assert "bands" not in plain.summary


def test_a_bank_of_which_all_is_known(only):
    only()
    found = protected(bank(), 20)
    ends = found.bands.table[["low", "mid", "high"]]
    assert (ends.max(axis=1) - ends.min(axis=1)).max() == 0
    initial = found.bands.table.xs("initial_a", level="figure")
    assert initial["mid"].to_numpy() == pytest.approx(found.faults["initial_a"].to_numpy(float), rel=1e-12)
    assert found.bands.words == ["Nothing in the file is uncertain: every band is the current itself."]
    assert not len(found.hanging)


def test_too_few_draws():
    for draws in (19, 0, True, 2.5):
        with pytest.raises(sb.InputError, match="20 or more"):
            protected(bank(), draws)


def test_files_and_json(only, tmp_path):
    only(pack_types__box__cell_resistance="normal 0.6 0.06 milliohm")
    found = protected(bank(ports__port__device__interrupting_rating="9 kA"), 20)
    found.write(tmp_path)
    read = sb.read(tmp_path)
    told = read.tables["fault_bands"].set_index(["place", "figure"])
    for end in ("low", "mid", "high", "file"):
        assert told[end].to_numpy() == pytest.approx(found.bands.table[end].to_numpy(), rel=1e-9, nan_ok=True)
    assert len(read.tables["fault_draws"]) == 20
    assert read.table["fails_in"].notna().any()
    plain = json.loads(json.dumps(found.summary, allow_nan=False))
    assert plain["bands"]["inside A"]["initial_a"]["high"] == found.bands.table.loc[("inside A", "initial_a"), "high"]
    assert plain["bands_of"]["draws"] == 20
    assert any(check.get("fails_in") for check in plain["checks"])
    assert plain["not_checked"][-1].startswith("what the bands leave out")


def test_command(tmp_path, monkeypatch):
    """On the shipped workshop with what it leaves to assumed data: 80 columns, the band in it, the page with it."""
    monkeypatch.setenv("COLUMNS", "80")
    page = tmp_path / "page.html"
    done = CliRunner().invoke(cli.app, ["protect", str(WORKSHOP), "--bands", "20", "--report", str(page)])
    assert done.exit_code == 0, done.output
    assert max(len(line) for line in done.stdout.splitlines() if "/" not in line) <= 80
    words = " ".join(done.stdout.split())
    assert "The same from 5 to 95 % of the draws" in words
    assert "NOTE fault-current-band" in words or "fault-current-band" in words
    assert "The same from 5 to 95 % of 20 draws" in page.read_text(encoding="utf-8")

"""Bands of fault currents: closed forms, Kirchhoff's laws by numpy alone, and checks that hang on what is not known, on both sides."""

import numpy as np
import pytest
from conftest import ROOT

import simbank as sb
from simbank.studies.protection.fault_circuit import FaultCircuit
from simbank.studies.protection.faults import greatest_faults
from simbank.studies.protection.protection import Assumptions

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

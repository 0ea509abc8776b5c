"""The course of a fault by modes, against the matrix exponential and against loops found anew."""

import numpy as np
import pytest
from scipy.linalg import expm
from test_protection import circuit, mesh

import simbank
from simbank.studies.protection.fault_course import loops_without


def incidence(found, plus, minus):
    """Nodes by edges of a circuit with a fault: −1 where an edge begins, +1 where it ends."""
    ends = np.vstack([found.ends, [found.index[plus], found.index[minus]]])
    table = np.zeros((len(found.index), len(ends)))
    table[ends[:, 0], np.arange(len(ends))] -= 1.0
    table[ends[:, 1], np.arange(len(ends))] += 1.0
    return table


def exponential(found, loops, times):
    """Currents of every edge from rest, by scipy's matrix exponential of the equations of loops and relaxation pairs."""
    n, m = found.n, loops.shape[1]
    ohm, henry = np.append(found.ohm, 0.0), np.append(found.henry, 1e-9)
    packs, mass = loops[:n], loops.T @ (henry[:, None] * loops)
    size = m + 2 * n
    matrix = np.zeros((size + 1, size + 1))
    matrix[:m, :m] = -np.linalg.solve(mass, loops.T @ (ohm[:, None] * loops))
    matrix[:m, size] = np.linalg.solve(mass, packs.T @ found.emf)
    for pair in range(2):
        rows = slice(m + pair * n, m + (pair + 1) * n)
        matrix[:m, rows] = -np.linalg.solve(mass, packs.T)
        matrix[rows, :m] = packs * (found.rc_ohm[:, pair] / found.rc_tau[:, pair])[:, None]
        matrix[rows, rows] = -np.diag(1.0 / found.rc_tau[:, pair])
    return np.array([loops @ expm(matrix * t)[:m, size] for t in times])


@pytest.mark.parametrize("seed", range(8))
def test_modes_are_the_matrix_exponential(seed):
    found = circuit(mesh(seed), pack_h=1e-7)
    ours = found.respond("P0+", "P2-")
    times = [1e-6, 1e-4, 1e-2, 1.0, 50.0]
    theirs = exponential(found, ours.loops, times)
    assert ours.at(times) == pytest.approx(theirs, rel=1e-8, abs=1e-8 * np.abs(theirs).max())


@pytest.mark.parametrize("seed", range(8))
def test_where_no_rate_lies_between_the_modes_are_the_same(seed):
    """Relaxation as fast as the inductances: whichever way the modes are found, they are the matrix exponential."""
    found = circuit(mesh(seed), pack_h=1e-5)
    found.rc_tau = found.rc_tau * np.geomspace(1e-5, 1e-3, found.n)[:, None]
    ours = found.respond("P0+", "P2-")
    times = [1e-6, 1e-5, 1e-4, 1e-3]
    theirs = exponential(found, ours.loops, times)
    assert ours.at(times) == pytest.approx(theirs, rel=1e-7, abs=1e-7 * np.abs(theirs).max())


@pytest.mark.parametrize("seed", range(3))
def test_packs_that_do_not_relax_have_the_modes_of_inductances_alone(seed):
    """Beginning at once, at 0 s, too."""
    found = circuit(mesh(seed), pack_h=1e-7)
    found.rc_ohm = np.zeros_like(found.rc_ohm)
    ours = found.respond("P0+", "P2-")
    assert ours.at([0.0]) == pytest.approx(0.0, abs=1e-9)
    times = [0.0, 1e-6, 1e-4, 1e-2]
    theirs = exponential(found, ours.loops, times)
    assert ours.at(times) == pytest.approx(theirs, rel=1e-8, abs=1e-8 * np.abs(theirs).max())
    assert not ours.relaxed(0.0).any()


@pytest.mark.parametrize("seed", range(12))
def test_loops_left_are_all_that_there_are(seed):
    """Kirchhoff's first law holds round each, and there are as many as edges less the rank of the incidence."""
    found, chance = circuit(mesh(seed)), np.random.default_rng(seed)
    table, loops = incidence(found, "P0+", "P1-"), found.respond("P0+", "P1-").loops
    conducts = np.ones(len(loops), bool)
    for edge in chance.permutation(len(loops)):
        loops, conducts[edge] = loops_without(loops, edge), False
        assert not loops[~conducts].any()
        assert not (table @ loops).any()
        count = int(conducts.sum()) - (np.linalg.matrix_rank(table[:, conducts]) if conducts.any() else 0)
        assert loops.shape[1] == count
        assert not count or np.linalg.matrix_rank(loops) == count
        assert set(np.unique(loops)) <= {-1.0, 0.0, 1.0}


@pytest.mark.parametrize("seed", range(6))
def test_a_stage_is_the_same_by_loops_found_anew(seed):
    found = circuit(mesh(seed), pack_h=1e-7)
    response = found.respond("P0+", "P2-")
    closed = np.ones(found.n + found.b, bool)
    for edge in (1, found.n + 1):
        before, relaxed = response.at([2e-3])[0], response.relaxed(2e-3)
        closed[edge] = False
        anew = found.respond("P0+", "P2-", closed, before=before, relaxed=relaxed)
        response = found.respond("P0+", "P2-", closed, 0.0, before, relaxed, loops_without(response.loops, edge))
        scale = np.abs(anew.initial_a).max()
        assert response.initial_a == pytest.approx(anew.initial_a, rel=1e-9, abs=1e-9 * scale)
        times = [0.0, 1e-5, 1e-3, 1.0, 100.0]
        assert response.at(times) == pytest.approx(anew.at(times), rel=1e-8, abs=1e-9 * scale)
        assert response.relaxed(3.0) == pytest.approx(anew.relaxed(3.0), rel=1e-8, abs=1e-12)


def test_devices_alike_open_in_the_order_of_the_file():
    """On the workshop's bar D is A seen from the other end, and C is B."""
    found = simbank.protect(simbank.example("valley_workshop"), run=False)
    opened = found.clearing.loc["take-off of inverter, take-off of pump", "opened"]
    assert [name for name in opened if name in ("device A", "device D")] == ["device A", "device D"]
    assert [name for name in opened if name in ("device B", "device C")] == ["device B", "device C"]

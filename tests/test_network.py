"""Kirchhoff: ladder closed forms, symmetry, conservation, and any graph against ngspice's own solution of it."""

import numpy as np
import pytest
from banks import affine_chemistry, ohms, pack, wired
from hypothesis import given, settings
from hypothesis import strategies as st

from simbank.bank import Bar, Branch, Graph, Parts, join
from simbank.network import Network

CHEMISTRY = affine_chemistry()


def split(n, layout, pack_ohm, link_ohm=None, lead_ohm=None, bar=None):
    """Fraction of one ampere that each of n equal packs carries at the first instant."""
    bank = wired([pack(f"P{k}", CHEMISTRY, 100, pack_ohm) for k in range(n)], layout, link_ohm, lead_ohm, bar=bar)
    return Network(bank.graph, [pack_ohm] * n).reduce().hybrid[:n, n]


def ladder(n, pack_ohm, link_ohm, one_end):
    """Equal packs on a ladder with ``link_ohm`` in each polarity: 2 cosh g = 2 + 2 r/R (closed form, derived and verified)."""
    g = np.arccosh(1 + link_ohm / pack_ohm)
    k = np.arange(1, n + 1)
    shape = np.cosh(g * (n + 0.5 - k)) if one_end else np.cosh(g * (k - (n + 1) / 2))
    return shape / shape.sum()


@pytest.mark.parametrize("n", [2, 3, 4, 8, 16, 33, 64])
@pytest.mark.parametrize(("pack_ohm", "link_ohm"), [(4e-3, 0.1e-3), (20e-3, 1.5e-3), (8e-3, 1e-6), (1e-3, 5e-3)])
def test_ladder_closed_form(n, pack_ohm, link_ohm):
    if np.arccosh(1 + link_ohm / pack_ohm) * n > 300:
        pytest.skip("cosh would overflow in the closed form")
    assert split(n, "chain", pack_ohm, link_ohm) == pytest.approx(ladder(n, pack_ohm, link_ohm, True), abs=1e-10)
    assert split(n, "chain-opposite", pack_ohm, link_ohm) == pytest.approx(ladder(n, pack_ohm, link_ohm, False), abs=1e-10)


@pytest.mark.parametrize(
    ("layout", "n", "pack_ohm", "link_ohm", "shares"),
    [
        ("chain", 2, 4e-3, 0.1e-3, [0.512195, 0.487805]),
        ("chain", 4, 4e-3, 0.1e-3, [0.290717, 0.255253, 0.232552, 0.221478]),
        ("chain-opposite", 4, 4e-3, 0.1e-3, [0.256098, 0.243902, 0.243902, 0.256098]),
        ("chain", 4, 20e-3, 1.5e-3, [0.357528, 0.261157, 0.203959, 0.177356]),
        ("chain-opposite", 8, 8e-3, 0.2e-3, [0.145359, 0.127627, 0.116276, 0.110739, 0.110739, 0.116276, 0.127627, 0.145359]),
    ],
)
def test_ladder_worked_numbers(layout, n, pack_ohm, link_ohm, shares):
    """Worked splits, computed from the closed form by hand outside simbank."""
    assert split(n, layout, pack_ohm, link_ohm) == pytest.approx(shares, abs=6e-7)


def test_opposite_corners_are_mirror_equal_but_not_flat():
    shares = split(7, "chain-opposite", 10e-3, 1e-3)
    assert shares == pytest.approx(shares[::-1], abs=1e-14)
    assert shares[0] > shares[3] * 1.05  # with three packs or more opposite corners are not equality


@pytest.mark.parametrize("n", [4, 5])
def test_middle_take_off_is_mirror_equal(n):
    shares = split(n, "chain-middle", 10e-3, 1e-3)
    assert shares == pytest.approx(shares[::-1], abs=1e-14)
    assert max(shares) < max(split(n, "chain", 10e-3, 1e-3))


def test_equal_leads_on_an_ideal_bar_share_equally():
    assert split(6, "busbar", 10e-3, lead_ohm=1e-3) == pytest.approx(np.full(6, 1 / 6), abs=1e-14)


def test_a_bar_with_resistance_is_a_ladder_behind_leads():
    """Bar with one take-off end: the ladder's closed form with the lead counted into the pack."""
    bar = Bar(ohms(0.2e-3), (0.0, 0.0))
    shares = split(5, "busbar", 10e-3, lead_ohm=1e-3, bar=bar)
    assert shares == pytest.approx(ladder(5, 12e-3, 0.2e-3, True), abs=1e-12)
    middle = split(5, "busbar", 10e-3, lead_ohm=1e-3, bar=Bar(ohms(0.2e-3), (0.5, 0.5)))
    assert middle == pytest.approx(middle[::-1], abs=1e-14)
    between = split(4, "busbar", 10e-3, lead_ohm=1e-3, bar=Bar(ohms(0.2e-3), (0.5, 0.5)))  # take-off between two taps
    assert between == pytest.approx(between[::-1], abs=1e-14)
    assert between.sum() == pytest.approx(1.0, abs=1e-14)


def test_unequal_leads_split_by_conductance():
    """Two packs behind leads of their own on an ideal bar: current divides inversely to total resistance (Ohm)."""
    chemistry = CHEMISTRY
    packs = [pack("A", chemistry, 100, 10e-3), pack("B", chemistry, 100, 10e-3)]
    branches, take_off = join(
        "busbar", [(p.name, f"{p.name}+", f"{p.name}-") for p in packs], Parts(lead=ohms(1e-3), leads={"B": ohms(4e-3)})
    )
    graph = Graph.build(branches, {p.name: (f"{p.name}+", f"{p.name}-") for p in packs}, {"port": take_off})
    shares = Network(graph, [10e-3, 10e-3]).reduce().hybrid[:2, 2]
    assert shares == pytest.approx([18 / 30, 12 / 30], abs=1e-14)


def test_switch_patterns_are_reduced_once():
    bank = wired([pack(f"P{k}", CHEMISTRY, 100, 10e-3) for k in range(4)], link=1e-3)
    network = Network(bank.graph, [10e-3] * 4)
    first = network.reduce([True, True, False, True])
    assert network.reduce([True, True, False, True]) is first
    assert np.all(first.hybrid[2] == 0)
    assert first.hybrid[:, 4].sum() - first.hybrid[4, 4] == pytest.approx(1.0)  # the other three carry the port


@st.composite
def random_graphs(draw):
    """A connected network: packs between a positive and a negative side, random conductors on each side, one to three ports."""
    n = draw(st.integers(2, 7))
    ohm = st.floats(1e-5, 1e-1)
    branches, names = [], []
    for sign in "+-":
        nodes = [f"{k}{sign}" for k in range(n)] + [f"x{k}{sign}" for k in range(draw(st.integers(0, 3)))]
        for k in range(1, len(nodes)):
            branches.append((nodes[draw(st.integers(0, k - 1))], nodes[k], draw(ohm)))
        for _ in range(draw(st.integers(0, 4))):
            a, b = draw(st.integers(0, len(nodes) - 1)), draw(st.integers(0, len(nodes) - 1))
            if a != b:
                branches.append((nodes[a], nodes[b], draw(ohm)))
        names.append(nodes)
    ports = {f"q{j}": (draw(st.sampled_from(names[0])), draw(st.sampled_from(names[1]))) for j in range(draw(st.integers(1, 3)))}
    graph = Graph.build(
        [Branch(f"b{k}", "conductor", a, b, r) for k, (a, b, r) in enumerate(branches)],
        {f"P{k}": (f"{k}+", f"{k}-") for k in range(n)},
        ports,
    )
    return graph, np.array(draw(st.lists(ohm, min_size=n, max_size=n)))


@given(random_graphs(), st.randoms(use_true_random=False))
@settings(max_examples=80, deadline=None)
def test_kirchhoff_on_random_graphs(drawn, random):
    """Currents balance at every node, and every branch obeys Ohm's law, to round-off."""
    graph, pack_ohm = drawn
    n, p = len(graph.packs), len(graph.ports)
    network = Network(graph, pack_ohm)
    reduced = network.reduce()
    e = np.array([50 + 6 * random.random() for _ in range(n)])
    j = np.array([400 * (random.random() - 0.5) for _ in range(p)])
    out = reduced.hybrid @ np.concatenate([e, j])
    currents, port_volts = out[:n], out[n:]
    flows = reduced.flows @ np.concatenate([currents, j])
    balance = np.zeros(network.n_nodes)
    np.add.at(balance, network.branch_ends[:, 0], -flows)
    np.add.at(balance, network.branch_ends[:, 1], flows)
    np.add.at(balance, network.pack_ends[:, 0], currents)
    np.add.at(balance, network.pack_ends[:, 1], -currents)
    np.add.at(balance, network.port_ends[:, 0], -j)
    np.add.at(balance, network.port_ends[:, 1], j)
    scale = max(np.abs(currents).max(), np.abs(flows).max(), 1.0)
    # Round-off of the product itself: half a unit in the last place of every term that is added up.
    round_off = np.finfo(float).eps * (np.abs(reduced.hybrid[:n]) @ np.abs(np.concatenate([e, j]))).sum()
    assert np.abs(balance).max() <= 8 * round_off  # Kirchhoff's current law
    # Kirchhoff's voltage law round the loops "pack a, conductors, pack b, conductors" and through each port.
    terminal = reduced.terminal @ np.concatenate([e, j])
    assert terminal == pytest.approx(e - pack_ohm * currents, abs=1e-9 * scale)
    power_in = (e * currents).sum()
    power_out = (pack_ohm * currents**2).sum() + (network.branch_ohm * flows**2).sum() + (port_volts * j).sum()
    assert power_in == pytest.approx(power_out, rel=1e-9, abs=1e-6 * scale)  # Tellegen
    assert reduced.hybrid[:n, :n] == pytest.approx(reduced.hybrid[:n, :n].T, abs=1e-9 / pack_ohm.min())  # reciprocity
    assert reduced.hybrid[:n, n:] == pytest.approx(reduced.hybrid[n:, :n].T, abs=1e-9)


@pytest.mark.parametrize("seed", range(3))
def test_a_mesh_against_ngspice(seed):
    """A meshed network's operating point, solved by ngspice from its own netlist."""
    from spice import needs_ngspice, run_deck

    if needs_ngspice.args[0]:
        pytest.skip(needs_ngspice.kwargs["reason"])
    random = np.random.default_rng(seed)
    n = 5
    nodes = {s: [f"{k}{s}" for k in range(n)] + [f"x{s}"] for s in "pm"}
    branches = []
    for side in nodes.values():
        for a in range(len(side)):
            for b in range(a):
                if b == a - 1 or random.random() < 0.5:
                    branches.append(Branch(f"{side[a]}{side[b]}", "conductor", side[a], side[b], 10 ** random.uniform(-4, -2)))
    graph = Graph.build(branches, {f"P{k}": (f"{k}p", f"{k}m") for k in range(n)}, {"port": ("xp", "xm")})
    pack_ohm, e, load = 10 ** random.uniform(-2.5, -1.5, n), random.uniform(51, 54, n), 150.0
    lines = ["mesh"]
    for k in range(n):
        lines += [f"V{k} e{k} {k}m {e[k]:.15g}", f"Rp{k} e{k} {k}p {pack_ohm[k]:.15g}"]
    lines += [f"Rb{k} {b.from_node} {b.to_node} {b.resistance_ohm:.15g}" for k, b in enumerate(branches)]
    lines += [f"Il xp xm {load}", "Vg xm 0 0", ".control", "set numdgt=12", "op"]
    lines += [f"print i(v{k})" for k in range(n)] + ["print v(xp)", "quit", ".endc", ".end"]
    values = [
        float(line.split("=")[1])
        for line in run_deck("\n".join(lines)).splitlines()
        if line[:4] in ("i(v0", "i(v1", "i(v2", "i(v3", "i(v4", "v(xp")
    ]
    out = Network(graph, pack_ohm).reduce().hybrid @ np.append(e, load)
    assert -np.array(values[:n]) == pytest.approx(out[:n], rel=1e-6, abs=1e-6)
    assert values[n] == pytest.approx(out[n], rel=1e-9)


def test_resistance_added_to_packs_is_the_network_reduced_anew():
    """Rank-one updates of the reduced network (compiled) against a reduction with the resistances in place; a lone pack that feeds
    two ports has no answer to its own voltage, yet its resistance counts."""
    from simbank.simulation.bank_solver import add_series_resistance

    bank = wired([pack(f"P{k}", CHEMISTRY, 100, 20e-3) for k in range(4)], "chain", 1e-3, ports=("one", "other"))
    ohm, more = np.array([0.02, 0.03, 0.01, 0.02]), np.array([0.004, -0.002, 0.0, 0.03])
    for closed in ([True] * 4, [True, False, True, True], [False, True, False, False]):
        before = Network(bank.graph, ohm).reduce(closed).hybrid
        after = Network(bank.graph, ohm + more).reduce(closed).hybrid
        now = np.empty((len(before) + 1, len(before)))
        add_series_resistance.py_func(before, more, now)
        assert now[:-1] == pytest.approx(after, rel=1e-12, abs=1e-12)


@pytest.mark.parametrize(
    ("layout", "link", "lead"), [("chain", 2e-3, None), ("busbar", None, 1e-3), ("chain-opposite", 1e-6, None)]
)
def test_currents_of_many_packs_by_iteration_are_those_of_the_network_reduced_anew(layout, link, lead):
    """Conjugate gradients against the network reduced with the packs' present resistances in place: unequal packs, some open, two ports,
    one at constant power, on wiring good and poor; first from nothing, then from the solution before."""
    from simbank.simulation import arrays as ar
    from simbank.simulation.bank_solver import solve_bank, working_arrays
    from simbank.simulation.bank_state import BankState
    from simbank.simulation.many_packs import DIRECT_PACKS, forget, iterates

    draw, n = np.random.default_rng(18), DIRECT_PACKS + 13
    packs = [pack(f"P{k}", CHEMISTRY, 100, draw.uniform(5e-3, 40e-3), draw.uniform(0.3, 0.7)) for k in range(n)]
    state = BankState(wired(packs, layout, link, lead, ports=("one", "other")))
    closed = draw.uniform(size=n) > 0.1
    assert 0 < closed.sum() < n
    table, cells = state.ports.table, state.packs.cells
    table[:, ar.LIVE], table[:, ar.MODE] = 1.0, [ar.MODE_POWER, ar.MODE_CURRENT]
    table[:, ar.COMMANDED], table[:, ar.COMMANDED_SLOPE] = [150.0, -30.0], 0.0
    work = working_arrays(n, 2, iterates(n, 2))
    assert work.iterates.ndim == 2
    for trial in range(4):
        cells[ar.R_WIRING] = draw.uniform(-0.4, 1.5, n) * cells[ar.R_CELL] if trial else 0.0  # in series inside, hot or cold
        state.y[:n] = draw.uniform(0.2, 0.8, n)
        if trial == 3:  # another pattern of switches
            closed = ~closed | (draw.uniform(size=n) > 0.5)
            forget.py_func(work.iterates)
        solve_bank(0.0, state.y, state.arrays(state.network.reduce(closed)), table, work)
        exact = Network(state.bank.graph, work.pack[ar.R_OHMIC]).reduce(closed).hybrid
        found = np.concatenate([work.pack[ar.PACK_CURRENT], work.port[ar.PORT_VOLTAGE]])
        told = exact @ np.concatenate([work.pack[ar.EMF], work.port[ar.PORT_CURRENT]])
        assert found == pytest.approx(told, rel=1e-10, abs=1e-9)
        assert work.port[ar.PORT_VOLTAGE, 0] * work.port[ar.PORT_CURRENT, 0] == pytest.approx(150.0, rel=1e-11)
        assert work.hybrid[n : n + 2, n:] == pytest.approx(exact[n:, n:], rel=1e-10)
        assert np.ptp(work.pack[ar.R_ABOVE_REF]) > 0.0 or not trial

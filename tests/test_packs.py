"""Packs of unequal cells, grades, state of health."""

from dataclasses import replace

import numpy as np
import pytest
from banks import SMALL, Case, affine_chemistry, constant, one_pack, pack

import simbank
from simbank.bank.ageing import growth_from_health, load_grade, scattered_cells
from simbank.duty import Duty
from simbank.errors import InputError
from simbank.simulation.event_codes import Event

CHEMISTRY = affine_chemistry(slope=0.2, at_half=3.3)  # 3.2 + 0.2 z


def unequal(capacities, below=None, **more):
    base = pack("P", CHEMISTRY, 100, 1e-6 * len(capacities), 1.0, cells=len(capacities))
    return replace(base, cell_capacities=tuple(capacities), cells_below_full=below, **more)


def test_the_weakest_cell_limits_the_pack(integrator):
    """Top-balanced cells of 90, 100 and 110 Ah deliver 90 Ah; at that point the others hold 10 and 20 Ah (by hand)."""
    weak = unequal([0.9, 1.0, 1.1])
    assert weak.capacity_ah == pytest.approx(90.0)
    assert weak.cell_soc(0.0) == pytest.approx([0.0, 0.1, 20 / 110])
    assert weak.cell_soc(1.0) == pytest.approx([1, 1, 1])
    result = simbank.simulate(Case(one_pack(weak), Duty((constant(2, 100.0),))), integrator=integrator)
    assert result.summary["bank"]["charge_out_ah"] == pytest.approx(90.0, abs=1e-3)
    assert Event.DISCHARGE_BLOCKED in [e["code"] for e in result.summary["events"]]


def test_imbalance_costs_capacity_at_both_ends():
    """Equal cells, one of them 8 % below full when the others are full: 92 Ah from end to end (by hand)."""
    skewed = unequal([1.0, 1.0, 1.0], (0.0, 0.08, 0.0))
    assert skewed.capacity_ah == pytest.approx(92.0)
    assert skewed.cell_soc(0.0) == pytest.approx([0.08, 0.0, 0.08])


def test_terminal_voltage_is_the_sum_of_the_cells():
    skewed = unequal([0.9, 1.0, 1.1], (0.0, 0.05, 0.02))
    soc = np.linspace(0, 1, 11)
    by_hand = CHEMISTRY.ocv(skewed.cell_soc(soc)).mean(axis=1)
    assert skewed.ocv_curves[0](soc) == pytest.approx(by_hand, abs=1e-9)
    assert skewed.ocv_curves[1](soc) == pytest.approx(CHEMISTRY.ocv(skewed.cell_soc(soc)).max(axis=1), abs=1e-6)


def test_charge_ends_when_the_first_cell_reaches_its_limit(integrator):
    """Limit 3.38 V = 90 % of the fullest cell; the mean cell is lower by then (by hand)."""
    limited = replace(CHEMISTRY, volt_max=3.38)
    skewed = replace(unequal([1.0, 1.0], (0.0, 0.1)), chemistry=limited, soc=0.5)
    result = simbank.simulate(Case(one_pack(skewed), Duty((constant(2, -30.0, volt_limit=99.0),))), integrator=integrator)
    blocked = next(e["time_s"] for e in result.summary["events"] if e["code"] == Event.CHARGE_BLOCKED)
    # fullest cell: z1 = 1 − (1 − z) · 0.9, reaches 0.9 less the ohmic rise of 30 A · 1 µΩ.
    z = 1 - (1 - (0.9 - 30e-6 / 0.2)) / 0.9
    assert blocked == pytest.approx((z - 0.5) * 90 * 3600 / 30, rel=1e-6)
    assert skewed.ocv_curves[0](z) < 3.38 - 0.005


def test_alike_cells_change_nothing():
    plain = pack("P", CHEMISTRY, 100, 1e-3, 0.5, cells=4)
    listed = replace(plain, cell_capacities=(1.0,) * 4, cells_below_full=(0.03,) * 4)
    assert listed.capacity_ah == plain.capacity_ah
    assert listed.ocv_curves[0] is CHEMISTRY.ocv


def test_scatter_is_seeded_and_has_the_spread_asked_for():
    capacity, below = scattered_cells(4000, 0.03, 0.01, 7)
    assert scattered_cells(4000, 0.03, 0.01, 7) == (capacity, below)
    assert np.std(capacity) == pytest.approx(0.03, rel=0.05)
    assert np.mean(capacity) == pytest.approx(1.0)
    assert min(below) == 0


def test_state_of_health_and_grade():
    assert growth_from_health(1.0) == 1.0
    assert growth_from_health(0.8) == pytest.approx(2.0)  # common practice, no source
    for name in ("A", "B", "used"):
        grade = load_grade(name)
        assert grade.capacity[0] <= grade.capacity[1] <= grade.capacity[2]
    with pytest.raises(InputError, match='did you mean "used"'):
        load_grade("use")


@pytest.fixture
def data():
    import tomllib

    return tomllib.loads(SMALL)


def test_health_and_grade_in_the_file(data):
    packs = simbank.from_dict(data, {"packs.A.state_of_health": 0.9, "packs.B.grade": "B"}).bank.packs
    assert packs[0].capacity_ah == pytest.approx(252)
    assert packs[0].resistance_growth == pytest.approx(1.5)
    assert packs[1].resistance_growth == pytest.approx(1.15)
    assert packs[1].capacity_ah < 280 * 0.97  # the weakest cell counts
    own = simbank.from_dict(data, {"packs.A.grade": "used", "packs.A.resistance_growth": 1.1}).bank.packs[0]
    assert own.resistance_growth == 1.1


def test_equal_packs_by_count_have_cells_of_their_own(data):
    packs = simbank.from_dict(data, {"packs.A.count": 3, "packs.A.cell_capacity_scatter": 0.03}).bank.packs
    assert len({p.capacity_ah for p in packs[:3]}) == 3


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"packs.A.grade": "C"}, "unknown grade"),
        ({"packs.A.state_of_health": 0.9, "packs.A.capacity_left": 0.9}, "each states the capacity"),
        ({"packs.A.cell_capacities": [1.0, 0.9]}, "one value for each of the 16 cells"),
        ({"packs.A.cell_capacities": [1.0] * 16, "packs.A.cell_capacity_scatter": 0.1}, "not both"),
        ({"pack_types.slab.mass": "40 kg"}, "belong together"),
        ({"rack": {"coupling": "1 W/K", "order": ["A", "Z"]}}, "no such pack"),
        ({"rack": {"coupling": "1 W"}}, "wrong dimension"),
        ({"packs.A.temperature": "25 V"}, "wrong dimension"),
    ],
)
def test_faults(data, changes, says):
    with pytest.raises(InputError, match=says):
        simbank.from_dict(data, changes)

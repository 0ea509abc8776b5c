"""Why a spread stands: the same chain with and without hysteresis."""

from dataclasses import replace

import pytest
from banks import (
    REFERENCE_OCV,
    REFERENCE_SOC,
    Case,
    charge_and_rest,
    constant,
    one_pack,
    pack,
    table_chemistry,
    without_hysteresis,
)

import simbank
from simbank.cells import Curve, load_chemistry
from simbank.duty import Duty


@pytest.mark.parametrize("link", [0.75e-3, 1.5e-3], ids=["1.5 mΩ both polarities", "1.5 mΩ each polarity"])
def test_spread_stands_with_hysteresis_and_levels_without(link):
    lfp = load_chemistry("lfp")
    charged, rested, current = charge_and_rest(lfp, link)
    assert charged.max() - charged.min() > 10
    assert rested.max() - rested.min() > 0.5 * (charged.max() - charged.min())
    assert current < 0.1
    charged, rested, _ = charge_and_rest(without_hysteresis(lfp), link)
    assert charged.max() - charged.min() > 10
    assert rested.max() - rested.min() < 1.0


def test_what_stands_hangs_on_half_width_and_decay():
    """More half-width or faster decay keeps more of the spread (both named in the chemistry file as assumed ranges)."""
    lfp = load_chemistry("lfp")

    def left(half_width, decay):
        charged, rested, _ = charge_and_rest(replace(lfp, half_width=Curve([0], [half_width]), decay_per_soc=decay))
        return (rested.max() - rested.min()) / (charged.max() - charged.min())

    by_width = [left(width, 40.0) for width in (0.0, 0.004, 0.010, 0.020)]
    assert by_width == sorted(by_width)
    by_decay = [left(0.010, decay) for decay in (10.0, 40.0, 150.0)]
    assert by_decay == sorted(by_decay)
    assert by_width[2] > 0.5
    assert by_decay[0] > 0.5  # at the slow end of the assumed range too


# Computed by other hands with a table OCV and one-state hysteresis of decay 40; SOC [%] at the end of charge and after rest.
# (The links of these figures are 1.5 mΩ in each polarity.)
@pytest.mark.parametrize(
    ("half_width", "rested"),
    [
        (0.000, [90.0, 90.0, 90.0, 90.0, 90.0]),
        (0.004, [92.1, 91.9, 90.2, 88.0, 87.7]),
        (0.008, [93.9, 93.4, 90.2, 86.6, 85.9]),
        (0.012, [95.0, 94.2, 90.2, 85.9, 84.6]),
        (0.020, [95.5, 95.1, 90.2, 85.5, 83.7]),
    ],
)
def test_against_figures_of_other_hands(half_width, rested):
    charged_ours, rested_ours, current = charge_and_rest(table_chemistry(REFERENCE_SOC, REFERENCE_OCV, half_width), 1.5e-3)
    assert charged_ours == pytest.approx([98.3, 96.8, 89.5, 84.0, 81.5], abs=0.11)
    assert rested_ours == pytest.approx(rested, abs=0.11)
    assert current < 0.01


def test_other_figures_of_other_hands():
    plain = table_chemistry(REFERENCE_SOC, REFERENCE_OCV)
    assert charge_and_rest(plain, 3e-3)[0] == pytest.approx([99.1, 98.6, 93.1, 82.1, 77.2], abs=0.11)
    assert charge_and_rest(plain, 1.5e-3, "chain-opposite")[0] == pytest.approx([92.9, 88.6, 87.1, 88.6, 92.9], abs=0.11)


def test_hysteresis_state_follows_its_closed_form(integrator):
    """At constant current from h = 0: h = 1 − exp(−γ Δz) on charge, the solution of dh/dz = γ (1 − h)."""
    import numpy as np

    chemistry = replace(load_chemistry("lfp"), volt_max=10.0)
    case = Case(one_pack(pack("P", chemistry, 100, 10e-3, 0.3, cells=16)), Duty((constant(2, -20.0, volt_limit=99.0),)))
    result = simbank.simulate(case, integrator=integrator)
    dz = result.packs["soc"]["P"].to_numpy() - 0.3
    assert result.packs["hysteresis"]["P"].to_numpy() == pytest.approx(
        1 - np.exp(-40.0 * dz), abs=1e-8 if integrator == "reference" else 1e-5
    )

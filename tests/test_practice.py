"""What practitioners see on real banks. Common practice, no source, unless said otherwise."""

import pytest

import simbank


def bank_of_five(root, **changes):
    base = {"duty.steps": [{"discharge": "0.2 C", "hours": 2}], "packs.P.soc": 0.9}
    return simbank.load(root / "scenarios" / "classroom_chain.toml", base | changes)


def test_nearest_leads_and_farthest_lags(root):
    """On a one-ended chain the pack at the take-off charges and empties first; SOC falls with distance after a charge."""
    scenario = simbank.load(root / "scenarios" / "classroom_chain.toml")
    result = simbank.simulate(scenario, tolerance=1e-8)
    after_charge = result.packs["soc"].loc[3 * 3600].to_list()
    assert after_charge == sorted(after_charge, reverse=True)
    morning = result.packs["soc"].loc[15 * 3600].to_list()
    assert morning == sorted(morning, reverse=True)
    assert result.packs["current_a"].loc[14.9 * 3600].abs().max() < 0.1  # and next to no current flows between them
    shares = [p["share_ratio_discharge"] for p in result.summary["packs"]]
    assert shares == sorted(shares, reverse=True)


def test_thicker_link_opposite_corner_and_bus_bar_each_improve_sharing(root):
    """Equal packs: one-ended > thicker links, opposite corners, bus bar; the bar with equal leads is even."""
    spread = {}
    for label, changes in {
        "thin": {},
        "thick": {"wiring.link.gauge": "2/0 AWG"},
        "opposite": {"wiring.layout": "chain-opposite"},
        "opposite thick": {"wiring.layout": "chain-opposite", "wiring.link.gauge": "2/0 AWG"},
        "bar": {"wiring.layout": "busbar"},
    }.items():
        spread[label] = simbank.simulate(bank_of_five(root, **changes), tolerance=1e-8).summary["bank"]["spread_max_points"]
    assert spread["thick"] < 0.7 * spread["thin"]
    assert spread["opposite"] < 0.5 * spread["thin"]
    assert spread["opposite thick"] < spread["opposite"]
    assert spread["bar"] < 1e-6


@pytest.mark.parametrize(("c_rate", "least", "most"), [(0.1, 0.98, 1.001), (1.0, 0.9, 0.98)])
def test_low_rate_forgives_and_high_rate_does_not(root, c_rate, least, most):
    """At 0.1 C of each pack a one-ended chain delivers nearly what the bus bar does before the port's cut-off voltage; at 1 C
    visibly less, and on the way packs run far beyond 1 C each."""
    delivered = {}
    for layout in ("chain", "busbar"):
        scenario = bank_of_five(
            root,
            **{
                "wiring.layout": layout,
                "duty.steps": [{"discharge": f"{c_rate} C", "hours": 14 / c_rate / 10}],
                "packs.P.soc": 1.0,
            },
        )
        result = simbank.simulate(scenario, tolerance=1e-8)
        delivered[layout] = result.summary["bank"]["charge_out_ah"]
        hardest = max(pack["c_rate_peak"] for pack in result.summary["packs"]) / c_rate
        assert hardest == pytest.approx(1.0, abs=1e-4) if layout == "busbar" else hardest > 1.3, (layout, hardest)
    assert least <= delivered["chain"] / delivered["busbar"] <= most, delivered


def test_flat_curve_drifts_and_stays_adrift(root):
    """Same packs, wiring and current: the flatter the curve, the farther packs drift; only hysteresis keeps them there."""
    found = simbank.drift(simbank.load(root / "scenarios" / "classroom_chain.toml"), tolerance=1e-8).table
    assert (
        found.loc["lfp", "slope_v_per_soc"] < found.loc["lead_flooded", "slope_v_per_soc"] < found.loc["nmc", "slope_v_per_soc"]
    )
    peak = found["spread_max_points"]
    assert peak["lfp"] > peak["lead_flooded"] > peak["nmc"]
    rest = found["spread_after_rest_points"]
    assert rest["lfp"] > 0.4 * peak["lfp"]
    assert rest["nmc"] < 0.1
    assert rest["lead_flooded"] < 0.1
    assert (found["spread_after_rest_no_hysteresis_points"] < 0.1).all()

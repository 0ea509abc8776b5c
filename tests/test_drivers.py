"""What moves a figure: uncertainty budgets and Sobol indices that are known, and what chance must not explain."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from simbank.distributions import parse_draw
from simbank.errors import InputError
from simbank.studies.draws import draw_points
from simbank.studies.drivers import drivers


def uniform(draws, keys, seed=0):
    """Latin hypercube of numbers from 0 to 1, draw × key."""
    points = draw_points({key: parse_draw("uniform 0 1") for key in keys}, draws, seed=seed)
    return pd.DataFrame(points)


def end_gauge(draws, seed=0):
    """Draws of the end gauge of JCGM 100:2008, H.1 (from memory), from texts with ±: inputs, and the length less 50 mm [nm].

    l = l_S + d − l_S (δα θ + α_S δθ); every ± is twice the standard uncertainty that H.1 gives.
    """
    texts = {
        "l_S": "50000623 ± 50", "d": "215 ± 19.4", "alpha_S": "11.5e-6 ± 2.4e-6", "theta": "-0.1 ± 0.82", "delta_alpha": "0 ± 1.16e-6",
        "delta_theta": "0 ± 0.058",
    }  # fmt: skip
    values = pd.DataFrame(draw_points({key: parse_draw(text) for key, text in texts.items()}, draws, seed=seed))
    v = values.astype(float)
    length = v["l_S"] + v["d"] - v["l_S"] * (v["delta_alpha"] * v["theta"] + v["alpha_S"] * v["delta_theta"])
    return values, length - 50e6


# u_i(y) of its budget [nm]: length of the standard, difference, expansion (δα at θ = −0.1), difference in temperature
BUDGET = {"l_S": 25.0, "d": 9.7, "delta_alpha": 2.9, "delta_theta": 16.6}
SECOND_ORDER = (11.7, 1.7)  # l_S u(δα) u(θ) and l_S u(α_S) u(δθ), with which H.1.7 gets 34 nm in place of 32


def test_expanded_uncertainty_of_the_end_gauge():
    """JCGM 100:2008, H.1 (from memory): l = 50.000838 mm, u_c = 32 nm, with terms of second order 34 nm; U = k u_c with k = 2 (6.2)."""
    combined = np.hypot(np.linalg.norm(list(BUDGET.values())), np.linalg.norm(SECOND_ORDER))
    assert combined == pytest.approx(34.0, abs=0.5)
    _, length = end_gauge(4000)
    low, high = np.quantile(length, [0.025, 0.975])
    assert length.mean() == pytest.approx(838.0, abs=1.5)
    assert length.std() == pytest.approx(34.0, rel=0.03)
    assert (high - low) / 2 == pytest.approx(1.96 * 34.0, rel=0.04)
    assert stats.norm.cdf(2.0) * 2 - 1 == pytest.approx(0.9545, abs=1e-4)  # what k = 2 covers


def test_shares_of_the_end_gauge_are_its_budget():
    """u_i(y)² ÷ u_c² of the budget: shares within 0.06 of 400 draws; terms of second order are not straight lines and stay out of R²."""
    values, length = end_gauge(400)
    found = drivers(values, pd.DataFrame({"length": length}))
    share = found.table.set_index("key")["share"]
    total = 34.0**2
    for key, u in BUDGET.items():
        assert share[key] == pytest.approx(u**2 / total, abs=0.06)
    assert list(found.table["key"][:3]) == ["l_S", "delta_theta", "d"]
    assert found.table.set_index("key")["told"][["l_S", "delta_theta", "d", "alpha_S", "theta"]].tolist() == [
        True,
        True,
        True,
        False,
        False,
    ]
    assert found.table.set_index("key")["sign"][["l_S", "delta_theta", "d"]].tolist() == [1, -1, 1]
    assert found.explained["r2_adjusted"].iloc[0] == pytest.approx(1.0 - (11.7**2 + 1.7**2) / total, abs=0.06)


def ishigami(x):
    """sin x1 + 7 sin² x2 + 0.1 x3⁴ sin x1 over −π to π, x of shape (3, …)."""
    return np.sin(x[0]) + 7.0 * np.sin(x[1]) ** 2 + 0.1 * x[2] ** 4 * np.sin(x[0])


def test_ishigami_has_no_order_and_says_so():
    """Ishigami and Homma 1990, a = 7, b = 0.1: S = 0.3139, 0.4424, 0 (closed form; scipy.stats.sobol_indices finds them too).

    Ranks cannot see x2, the largest: so there must be no order, in words, and neither x2 nor x3 may be told.
    """
    known = stats.sobol_indices(func=ishigami, n=4096, dists=[stats.uniform(-np.pi, 2 * np.pi)] * 3, rng=np.random.default_rng(0))
    assert known.first_order == pytest.approx([0.3139, 0.4424, 0.0], abs=0.02)
    for seed in range(10):
        x = uniform(200, ["x1", "x2", "x3"], seed)
        y = pd.DataFrame({"y": ishigami((2.0 * x.to_numpy().T - 1.0) * np.pi)})
        found = drivers(x, y)
        row = found.explained.loc["y"]
        assert not row["ranked"]
        assert row["r2_adjusted"] < 0.4
        table = found.table.set_index("key")
        assert table["told"].to_dict() == {"x1": True, "x2": False, "x3": False}
        said = " ".join(found.words("y"))
        assert "too little for an order of importance" in said
        assert "may matter more" in said


def test_shares_of_a_monotone_function_are_its_sobol_indices():
    """Σ c_j exp(x_j): S_j = c_j² ÷ Σ c²; scipy's indices and ours agree with that."""
    c = np.array([4.0, -2.0, 1.0, 0.0])
    exact = c**2 / (c @ c)
    known = stats.sobol_indices(
        func=lambda x: np.tensordot(c, np.exp(x), 1), n=2048, dists=[stats.uniform()] * 4, rng=np.random.default_rng(0)
    )
    assert known.first_order == pytest.approx(exact, abs=0.02)
    x = uniform(200, list("abcd"))
    found = drivers(x, pd.DataFrame({"y": np.exp(x.to_numpy()) @ c}))
    table = found.table.set_index("key").loc[list("abcd")]
    assert table["share"].to_numpy() == pytest.approx(exact, abs=0.04)
    assert table["sign"].tolist() == [1, -1, 1, 0]
    assert list(found.table["key"]) == ["a", "b", "c", "d"]
    assert found.explained["ranked"].all()


def linear(seed, coefficients, noise):
    """200 draws of normal values, and y = Σ a x + noise."""
    random = np.random.default_rng(seed)
    values = pd.DataFrame(stats.norm.ppf(uniform(200, [f"k{j}" for j in range(len(coefficients))], seed)))
    values.columns = [f"k{j}" for j in range(len(coefficients))]
    return values, pd.DataFrame({"y": values.to_numpy() @ coefficients + noise * random.standard_normal(200)})


def test_many_keys_do_not_look_explained_by_chance():
    """60 keys without bearing on 200 draws: plain R² is near p/(n − 1) = 0.3, the adjusted one near 0, and a list errs in about 5 %."""
    adjusted, plain, lists = [], [], 0
    for seed in range(40):
        values, figures = linear(seed, np.zeros(60), 1.0)
        found = drivers(values, figures, dict.fromkeys(values, "all"), seed=seed)
        plain.append(found.explained["r2"].iloc[0])
        adjusted.append(found.explained["r2_adjusted"].iloc[0])
        lists += found.table["told"].any()
        assert found.explained["r2_left_out"].iloc[0] < 0.15
        assert "no single value can be told from nothing" in found.words("y")[0] or found.table["told"].any()
    assert np.mean(plain) == pytest.approx(60 / 199, abs=0.03)
    assert np.mean(adjusted) == pytest.approx(0.0, abs=0.05)
    assert lists <= 6


@pytest.mark.parametrize("keys", [45, 150])  # all at once, and more than a third of the draws
def test_intervals_and_shares_of_groups_cover_what_is_known(keys):
    """y linear in three keys and in twenty small ones: shares by hand, in ranks of normal values (6/π arcsin(r/2) for r)."""
    a = np.zeros(keys)
    a[:3], a[3:23] = (3.0, 2.0, 1.5), 0.5
    variance = a @ a + 4.0
    share = (6.0 / np.pi * np.arcsin(a / np.sqrt(variance) / 2.0)) ** 2  # Spearman's for Pearson's correlation of normal values
    covered, group, summed = [], 0, []
    for seed in range(30):
        values, figures = linear(seed, a, 2.0)
        groups = {f"k{j}": "large" if j < 3 else "small" if j < 23 else "none" for j in range(keys)}
        found = drivers(values, figures, groups, seed=seed)
        table = found.table.set_index("key").loc[list(values)]
        covered.append(((table["low"] - 1e-12 <= share) & (share <= table["high"] + 1e-12)).to_numpy())
        of = found.groups.set_index("group")
        summed.append(of.loc[["large", "small", "none"], "share"])
        group += of.loc["small", "low"] <= share[3:23].sum() <= of.loc["small", "high"]
        assert table["told"].iloc[:2].all()
    assert np.mean(covered) > 0.93
    assert group >= 25
    assert np.mean(summed, axis=0)[:2] == pytest.approx([share[:3].sum(), share[3:23].sum()], abs=0.05)


def test_never_counts_as_later_than_all():
    """A time that comes the later the larger the key, and never beyond: the order is the same as without an end."""
    x = uniform(200, ["a", "b"])
    y = x["a"] + 0.2 * x["b"]
    found = drivers(x, pd.DataFrame({"y": y, "first_full_h": y.where(y < 0.7)}))
    assert found.explained.loc["first_full_h", "happens"] == pytest.approx((y < 0.7).mean())
    first = found.table[found.table["figure"] == "first_full_h"].iloc[0]
    assert (first["key"], first["sign"], first["told"]) == ("a", 1, True)
    assert found.explained.loc["first_full_h", "ranked"]


def test_text_stands_by_its_number_and_what_does_not_move_is_said():
    x = uniform(100, ["a", "b"])
    x["c"] = np.where(x.pop("b") < 0.5, "rack", "slab")
    x["still"] = 1.0
    found = drivers(x, pd.DataFrame({"y": x["a"] - 3.0 * (x["c"] == "slab"), "same": 1.0}))
    table = found.table[found.table["figure"] == "y"].set_index("key")
    assert (table.index[0], table["sign"]["c"], table["told"]["still"], table["share"]["still"]) == ("c", -1, False, 0.0)
    assert "the same in all 100 draws" in found.words("same")[0]


def test_the_same_seed_gives_the_same_and_bad_tables_are_refused():
    x = uniform(60, ["a", "b"])
    y = pd.DataFrame({"y": x["a"] + 0.3 * x["b"]})
    pd.testing.assert_frame_equal(drivers(x, y, seed=3).table, drivers(x, y, seed=3).table)
    with pytest.raises(InputError, match="20 draws or more"):
        drivers(x[:10], y[:10])
    with pytest.raises(InputError, match="as many draws"):
        drivers(x[:30], y)

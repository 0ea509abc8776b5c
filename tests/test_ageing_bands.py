"""Years of a bank at draws: bands against a direct calculation where only the scatter of a law is not known, and what a command tells of them."""

import importlib
import json

import numpy as np
import pytest
import tomli_w
from typer.testing import CliRunner

import simbank as sb
from simbank import cli
from simbank.errors import InputError

LOSS = 0.1345  # Naumann 2018: 10 years at 25 °C and half charge, as tests/test_ageing.py has it
GROWTH = (0.3 / 0.2, 1.0 / 0.2, 1.5 / 0.2)  # 1.3, 2 and 2.5 times by the time 80 % is left


def at_rest(*kinds, **changes):
    """Packs at rest of which nothing is uncertain that bears on their ageing, one of each type."""
    exact = {"capacity": "100 Ah", "cell_resistance": "0.6 milliohm", "internal_wiring": "0 ohm"}
    data = {
        "name": "years",
        "ambient": "25 degC",
        "pack_types": {kind: dict(exact) for kind in dict.fromkeys(kinds)},
        "packs": [
            {"name": f"P{k}", "type": kind, "soc": 0.5, "capacity_left": 1.0, "resistance_growth": 1.0}
            for k, kind in enumerate(kinds)
        ],
        "wiring": {"layout": "busbar", "lead": {"resistance": "0.01 milliohm", "joint": "0 ohm"}},
        "ports": [{"name": "port"}],
        "duty": {"kind": "cycles", "steps": [{"rest": True, "hours": 24}]},
    }
    return sb.from_dict(data, changes)


def test_a_band_of_nothing_but_the_scatter():
    """Loss = factor × Naumann's, resistance = 1 + growth × loss, draw by draw; ends of the band by the quantiles of the factor."""
    found = sb.age(at_rest("own"), 10.0, law="naumann", others=(), bands=60)
    draws = found.bands.draws
    factor, growth = draws["ageing.faster.own"].astype(float), draws["ageing.growth"].astype(float)
    assert "ageing.law" not in draws
    np.testing.assert_allclose(draws["P0.loss_points"], 100.0 * LOSS * factor, rtol=2e-3)
    np.testing.assert_allclose(draws["P0.resistance_growth"], 1.0 + growth * factor * LOSS, rtol=2e-3)
    band = found.bands.table.loc[("P0", "capacity_left")]
    assert [band["low"], band["high"]] == pytest.approx([1.0 - 1.7 * LOSS, 1.0 - 0.6 * LOSS], abs=0.01)
    assert band["mid"] == pytest.approx(1.0 - LOSS, abs=0.003)
    assert growth.quantile([0.05, 0.5, 0.95]).to_list() == pytest.approx(GROWTH, rel=0.12)  # 60 draws tell ends no better
    # a loss as the root of time comes to 20 % after 10 years × (0.2 / loss)²
    years = 10.0 * (0.2 / (factor * LOSS)) ** 2
    within = years < 19.5
    np.testing.assert_allclose(draws["P0.years_to_80"][within], years[within], rtol=5e-3)
    assert draws["P0.years_to_80"][years > 20.5].isna().all()
    assert found.bands.table.loc[("P0", "years_to_80"), "high"] == np.inf


def test_packs_of_one_type_share_a_factor_and_of_two_do_not():
    found = sb.age(at_rest("own", "own", "other"), 10.0, law="naumann", others=(), bands=30, seed=3)
    draws = found.bands.draws
    np.testing.assert_allclose(draws["P0.loss_points"], draws["P1.loss_points"], rtol=1e-6)
    ratio = draws["ageing.faster.other"].astype(float) / draws["ageing.faster.own"].astype(float)
    np.testing.assert_allclose(draws["P2.loss_points"] / draws["P0.loss_points"], ratio, rtol=1e-3)
    slower = float(np.mean(ratio < 1.0))
    assert found.bands.shares["ages_first"].get("P2", 0.0) == pytest.approx(1.0 - slower)
    assert 0.2 < slower < 0.8


def test_laws_have_equal_weights_and_each_draw_is_of_one():
    found = sb.age(at_rest("own"), 10.0, law="naumann", others=("schimpe",), bands=20)
    draws = found.bands.draws
    assert draws["ageing.law"].value_counts().to_dict() == {"naumann": 10, "schimpe": 10}
    by_law = {row["law"]: 100.0 * (1.0 - row["capacity_left"]) for _, row in found.by_law.iterrows()}
    factor = draws["ageing.faster.own"].astype(float)
    np.testing.assert_allclose(draws["P0.loss_points"], factor * draws["ageing.law"].map(by_law), rtol=1e-3)


def test_the_command_tells_bands(tmp_path):
    """A few draws of the clinic: JSON, tables and pictures; the plain figures stay."""
    told = {}
    for name, options in (
        ("plain", []),
        ("bands", ["--bands", "4", "--out", str(tmp_path / "out"), "--report", str(tmp_path / "r.html")]),
    ):
        done = CliRunner().invoke(cli.app, ["age", "scenarios/hilltop_clinic.toml", "--json", *options])
        assert done.exit_code == 0, done.output
        told[name] = json.loads(done.stdout)
    found = told["bands"]
    assert found["packs"] == told["plain"]["packs"]
    assert found["years"] == told["plain"]["years"]
    assert found["draws"] == {"asked": 4, "done": 4, "failed": 0, "seed": 0}
    assert sum(found["bands_names"]["ages_first"].values()) == pytest.approx(1.0)
    assert sum(found["bands_names"]["capacities"].values()) == pytest.approx(1.0)
    for pack in found["packs"]:
        band = found["bands_of_packs"][pack["name"]]["capacity_left"]
        assert band["low"] < band["mid"] < band["high"]
        assert band["file"] == pytest.approx(pack["capacity_left"])
    for row in found["bands_by_year"]:
        assert row["usable_wh_low"] <= row["usable_wh_mid"] <= row["usable_wh_high"]
    assert any(warning["code"] == "few-draws" for warning in found["warnings"])
    names = {path.name for path in (tmp_path / "out").iterdir()}
    assert {
        "ageing_bands.csv",
        "ageing_bands_years.csv",
        "ageing_bands_packs.csv",
        "ageing_draws.csv",
        "ageing_bands.png",
    } <= names
    assert "5 % to 95 % of the draws" in (tmp_path / "r.html").read_text()


def test_verdict_and_table_of_packs_speak_by_the_draws():
    """One pack at 82 ± 4 % (within): in some draws it begins below 80 %, which counts as no years, and is said."""
    health = {"value": 0.82, "within": 0.04}
    case = at_rest("own")
    del case.data["packs"][0]["capacity_left"]
    case.data["packs"][0]["state_of_health"] = health
    found = sb.age(sb.from_dict(case.data), 10.0, law="naumann", bands=24)
    drawn = found.bands.table
    share = float((found.bands.draws["P0.years_to_80"].astype(float) <= 0.0).mean())
    assert found.bands.begins_below == pytest.approx(share)
    assert 0.0 < share < 1.0
    (first,) = [v.text for v in sb.verdicts(found, most=99) if v.code == "ages-first"]
    row = drawn.loc[("bank", "first_to_80")]
    assert f"({row['low']:.1f} to {row['high']:.1f} in nine draws of ten" in first
    assert "begins at 80 % or less, which counts as 0 years" in first
    assert "at their worst" not in first
    left = drawn.loc[("P0", "capacity_left")]
    assert found.shown[0].frame["band"][0] == f"{100 * left['low']:.0f} to {100 * left['high']:.0f}"
    assert found.shown[0].columns["band"] == "5 to 95 % of draws"
    assert any("count as 0" in words for words in found.words)


def test_the_verdict_has_the_band_of_the_pack_that_it_names():
    """Beside a pack at 70 %, for which the bank counts 0 years, the band of the other pack is that which its table shows."""
    case = at_rest("own", "other")
    case.data["packs"][1]["capacity_left"] = 0.7
    found = sb.age(sb.from_dict(case.data), 12.0, law="naumann", others=(), bands=24)
    table = found.bands.table
    assert found.first == "P0"
    assert table.loc[("bank", "first_to_80"), "high"] == 0.0
    assert found.bands.begins_below_of("P0") == (0.0, 1.0)
    assert found.bands.begins_below_of("P1") == (1.0, 0.0)
    row = table.loc[("P0", "years_to_80")]
    assert 0.0 < row["low"] < found.table["years_to_80"][0]
    ends = [f"{row[end]:.1f}" if np.isfinite(row[end]) else "more than 24" for end in ("low", "high")]
    (first,) = [v.text for v in sb.verdicts(found, most=99) if v.code == "ages-first"]
    assert f"({ends[0]} to {ends[1]} in nine draws of ten" in first
    assert "in 100 % of them another pack begins at 80 % or less, which does not count here)" in first
    assert "0.0" not in first


def test_draws_whose_usable_energy_is_cut_short_are_counted():
    """20 A of a pack of 100 Ah through 15 A in every draw; its bands are told as what is let through."""
    case = at_rest("own", **{"ports.port.device": {"rating": "15 A", "resistance": "0.2 milliohm"}})
    found = sb.age(case, 1.0, law="naumann", others=(), bands=4)
    told = [w.text for w in found.warnings if w.code == "usable-cut-short"]
    assert len(told) == 2
    assert "In 100 % of the draws device port opens before the packs are empty" in told[1]
    assert not [
        w for w in sb.age(at_rest("own"), 1.0, law="naumann", others=(), bands=4).warnings if w.code == "usable-cut-short"
    ]


@pytest.fixture
def aged_report(tmp_path):
    """The page that ``age`` writes of a bank at rest, and what it says on the terminal."""
    path = tmp_path / "rest.toml"
    path.write_text(tomli_w.dumps(at_rest("own", "own").data))

    def written(*options):
        done = CliRunner().invoke(cli.app, ["age", str(path), "--years", "2", "--report", str(tmp_path / "r.html"), *options])
        assert done.exit_code == 0, done.output
        return (tmp_path / "r.html").read_text(encoding="utf-8"), " ".join(done.output.split())

    return written


def test_a_report_has_bands_and_worth_unasked(aged_report):
    """With a seed of its own, what was varied, by name where it is a choice, and the words of the draws."""
    page, _ = aged_report("--seed", "5")
    for words in (
        "seed 5",
        "5 % to 95 % of the draws",
        "What was varied",
        "schimpe or naumann+wang",
        "What a change would be worth",
    ):
        assert words in page, words
    assert "nine draws of ten" in page
    assert "1e+09" not in page
    assert "left out" not in page
    plain, _ = aged_report("--bands", "0")
    assert "of the draws" not in plain
    assert "left out" not in plain


def test_a_report_says_what_would_take_too_long(aged_report, monkeypatch):
    module = importlib.import_module("simbank.cli.age")  # the package has the command under that name
    monkeypatch.setattr(module, "BANDS_S", 0.0)
    monkeypatch.setattr(module, "WORTH_S", 0.0)
    page, shown = aged_report()
    assert "What changes are worth is not in this report, as it may take more than" in page
    assert "--worth adds it" in page
    assert "Bands are left out of the report: draws of what is not known would take more than" in page
    assert "--bands 50 makes them all the same" in shown
    assert "What a change would be worth" not in page
    assert "--bands 50 makes them all the same" in page
    assert "Which of these packs ages first" in page
    assert "How do these packs share their current" not in page
    assert "What the packs went through" in page


def test_json_and_wide_tell_every_verdict_and_seven_the_answer():
    """Whether packs grow together is not hidden behind milder notes."""
    from simbank.judging import RULES

    notes = [rule.code for rule in RULES.values() if rule.severity == "note"]
    assert notes[:2] == ["packs-grow-together", "worth-most"]
    arguments = ["age", "scenarios/ridge_hut_years.toml", "--years", "5"]
    told = json.loads(CliRunner().invoke(cli.app, [*arguments, "--json"]).stdout)["verdicts"]
    codes = [record["code"] for record in told]
    assert "more-verdicts" not in codes
    assert {"ages-first", "packs-grow-together", "protection-not-looked-at"} <= set(codes)
    shown = CliRunner().invoke(cli.app, arguments).stdout
    above = shown.partition("What this comes to")[0]
    assert "Capacities of old, new1, new2 from year 4 on come together" in " ".join(above.split())


def test_bands_of_every_day_are_refused():
    with pytest.raises(InputError, match="bands are made of windows"):
        sb.age(at_rest("own"), 1.0, full=True, bands=4)


# ---- what changes are worth by every law, and used packs beside new ones ----


def test_worth_by_every_law_is_each_law_against_itself():
    """5 K cooler, at rest: by Naumann k ~ exp(-Ea/RT) with Ea = 17.126 kJ/mol at constant charge, loss as √t: years by exp(2 Ea/R (1/T - 1/T0))."""
    from simbank.studies.ageing import worth

    found = sb.age(at_rest("own"), 10.0, law="naumann", others=("schimpe",))
    rows = worth(found).set_index("change")
    cooler, base = rows.loc["5 K cooler"], rows.loc["as it is"]
    own = {}
    for law in ("naumann", "schimpe"):
        alone = sb.age(at_rest("own"), 10.0, law=law, others=())
        cold = sb.age(at_rest("own", ambient="20 degC"), 10.0, law=law, others=())
        own[law] = [one.table["years_to_80"][0] for one in (cold, alone)]
    gains = [cold - warm for cold, warm in own.values()]
    told = [cooler["years_gained_low"], cooler["years_gained_high"]]
    expected = [min(gains), max(gains)] if np.isfinite(gains).all() else [np.nan, np.nan]
    assert told == pytest.approx(expected, abs=0.05, nan_ok=True)
    assert cooler["by_all_laws"] == "longer"
    assert base["by_all_laws"] == "alike"
    assert cooler["usable_gained_low_wh"] <= cooler["usable_gained_wh"] <= cooler["usable_gained_high_wh"]


def test_among_alike_is_the_new_packs_alone_with_their_share():
    """Against the two new packs alone under their share of the duty by capacity, in a bank without wiring that differs."""
    from simbank.studies.ageing import among_alike

    steps = [
        {"discharge": "{} A", "hours": 3},
        {"charge": "{} A", "voltage": "56.8 V", "tail": "2 A", "hours": 4},
        {"rest": True, "hours": 17},
    ]

    def bank(names, ampere):
        case = at_rest(*["own"] * len(names)).data
        for table, name in zip(case["packs"], names, strict=True):
            table |= {
                "name": name,
                "capacity_left": 0.8 if name == "old" else 1.0,
                "resistance_growth": 1.6 if name == "old" else 1.0,
            }
        case["duty"]["steps"] = [{k: v.format(ampere) if isinstance(v, str) else v for k, v in step.items()} for step in steps]
        return sb.from_dict(case)

    found = sb.age(bank(["old", "new1", "new2"], 28.0), 8.0, law="schimpe", windows=4)
    rows = among_alike(found).set_index("pack")
    alone = sb.age(bank(["new1", "new2"], 20.0), 8.0, law="schimpe", windows=4).table.set_index("pack")
    assert list(rows.index) == ["new1", "new2"]
    assert rows.attrs["used"] == ["old"]
    for name, row in rows.iterrows():
        assert row["capacity_left"] == found.table.set_index("pack").loc[name, "capacity_left"]
        assert row["capacity_left_alike"] == pytest.approx(alone.loc[name, "capacity_left"], abs=1e-4)
    found.among_alike = rows.reset_index()
    found.among_alike.attrs = rows.attrs
    assert any("old" in line and "drag" in line and "carries its share" in line for line in found.words)
    assert found.summary["among_alike"][0]["pack"] == "new1"
    assert among_alike(sb.age(at_rest("own", "own"), 1.0)) is None

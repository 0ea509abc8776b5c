"""What has to be bought, counted by hand and weighed by handbook tables."""

import json

import pytest
from typer.testing import CliRunner

import simbank
from simbank import cli

# Mass of bare solid copper wire, NBS Handbook 100 (1966) [lb per 1000 ft], from memory.
LB_PER_1000_FT = {"8 AWG": 49.98, "6 AWG": 79.46, "2 AWG": 200.9, "1/0 AWG": 319.5, "2/0 AWG": 402.8, "4/0 AWG": 640.5}
KG_PER_M = {gauge: pounds * 0.45359237 / 304.8 for gauge, pounds in LB_PER_1000_FT.items()}


def rows_of(found, kind):
    return {row.what: row for row in found.table[found.table["kind"] == kind].itertuples()}


def test_a_shipped_bank_counted_by_hand(root):
    """Valley workshop: four packs on a pair of bars, 40 x 6 mm, three steps of 10 cm each; from the file, line by line."""
    found = simbank.bill(simbank.load(root / "scenarios" / "valley_workshop.toml"))
    leads = rows_of(found, "lead")
    by_hand = {"1/0 AWG": (8, 0.9), "4/0 AWG": (2, 1.8), "8 AWG": (2, 15.0)}  # count, length of each
    assert {what.split(" copper")[0] for what in leads} == set(by_hand)
    for what, row in leads.items():
        count, length = by_hand[what.split(" copper")[0]]
        assert (row.count, row.length_m, row.total_m) == (count, length, pytest.approx(count * length))
        assert row.mass_kg == pytest.approx(count * length * KG_PER_M[what.split(" copper")[0]], rel=2e-3)
    (bar,) = rows_of(found, "bus bar").values()
    assert (bar.count, bar.length_m) == (2, pytest.approx(0.3))
    assert bar.mass_kg == pytest.approx(2 * 0.3 * 0.24 * 8.9, rel=2e-3)  # 2.4 cm² is 0.24 kg/m for each kg/dm³; 8.9 of copper
    assert {what: row.count for what, row in rows_of(found, "cable end").items()} == {
        f"for {size} copper, xlpe90": 2 * count for size, (count, _) in by_hand.items()
    }
    assert sorted((what.split(",")[0], row.count) for what, row in rows_of(found, "fuse").items()) == [
        ("125 A", 4), ("250 A", 1), ("30 A", 1),
    ]  # fmt: skip
    assert found.mass_kg == pytest.approx(
        7.2 * KG_PER_M["1/0 AWG"] + 3.6 * KG_PER_M["4/0 AWG"] + 30 * KG_PER_M["8 AWG"] + 1.28, rel=3e-3
    )
    assert not any("leads of" in line or "No fuse" in line for line in found.left_out)


def test_what_the_file_does_not_give_is_named(root):
    found = simbank.bill(simbank.load(root / "scenarios" / "classroom_chain.toml"))
    assert rows_of(found, "link")["6 AWG copper"].mass_kg == pytest.approx(3.2 * KG_PER_M["6 AWG"], rel=2e-3)
    assert any("the leads of charger" in line for line in found.left_out)
    assert any("No fuse or breaker is given for P1" in line for line in found.left_out)
    assert "no-own-device" in {told.code for told in simbank.verdicts(found)}
    bare = {"wiring": {"layout": "busbar", "lead": {"gauge": "35 mm2", "length": "40 cm"}}}
    found = simbank.bill(simbank.load(root / "scenarios" / "classroom_chain.toml", bare))
    assert any("a bus bar whose section" in line for line in found.left_out)
    given = {"wiring.link": {"resistance": "0.2 milliohm"}}
    found = simbank.bill(simbank.load(root / "scenarios" / "classroom_chain.toml", given))
    row = rows_of(found, "link")["size not given"]
    assert row.count == 8
    assert row.mass_kg != row.mass_kg  # not known, and not zero


def test_bars_are_whole_pieces_wherever_their_take_off_is(root):
    """A take-off between two taps splits a segment of the model, not the bar."""
    for take_off in (0.0, 0.4, 1.0):
        found = simbank.bill(simbank.load(root / "scenarios" / "valley_workshop.toml", {"wiring.bar.take_off": take_off}))
        (bar,) = rows_of(found, "bus bar").values()
        assert (bar.count, bar.length_m) == (2, pytest.approx(0.3)), take_off


def test_strings_and_their_devices_are_counted(root):
    """Three strings, nine packs, two inverters: 12 links, 6 string leads, 4 port leads of two lengths, 12 devices."""
    found = simbank.bill(simbank.load(root / "tests" / "trials" / "three_strings.toml"))
    assert found.table.groupby("kind")["count"].sum().drop("cable end").to_dict() == {
        "link": 12, "lead": 10, "bus bar": 2, "breaker": 10, "fuse": 2,
    }  # fmt: skip
    assert found.table.loc[found.table["kind"] == "cable end", "count"].sum() == 2 * 22


def test_command_gives_table_and_json(root, tmp_path):
    path = str(root / "scenarios" / "valley_workshop.toml")
    shown = CliRunner().invoke(cli.app, ["bill", path, "--out", str(tmp_path), "--json"])
    assert shown.exit_code == 0, shown.exception
    record = json.loads(shown.stdout)
    assert record["rows"][0]["count"] == 8
    assert {told["code"] for told in record["verdicts"]} == {"nothing-found", "protection-not-looked-at"}
    assert (tmp_path / "bill.csv").read_text(encoding="utf-8").startswith("kind,what,count,length_m,total_m,mass_kg,where\n")

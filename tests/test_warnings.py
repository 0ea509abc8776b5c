"""Warnings: what makes each, where they are shown, and that a sound bank carries none."""

import json

import pytest
import tomli_w
from typer.testing import CliRunner

import simbank as sb
from simbank.cli import app
from simbank.studies.described import bank_warnings
from simbank.warning import BankWarning, as_records, from_records, gathered

FUSED = {"resistance": "0.2 milliohm", "rating": "125 A"}


def two_packs(**changes):
    """Two equal packs, each with a fuse, on one chain; dotted keys of ``changes`` use __ for the dot."""
    data = {
        "name": "two",
        "pack_types": {"own": {"capacity": "100 Ah", "cell_resistance": "1 milliohm", "internal_wiring": "4 milliohm"}},
        "packs": [{"name": name, "type": "own", "device": dict(FUSED)} for name in "AB"],
        "wiring": {
            "layout": "chain", "link": {"resistance": "0.5 milliohm"}, "lead": {"resistance": "1 milliohm"},
        },
        "ports": [{"name": "port"}],
        "duty": {"kind": "constant", "discharge": "0.1 C", "hours": 0.5},
    }  # fmt: skip
    return sb.from_dict(data, {key.replace("__", "."): value for key, value in changes.items()})


def codes(warnings):
    return [warning.code for warning in warnings]


def shown(*arguments):
    done = CliRunner().invoke(app, [str(a) for a in arguments], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.stdout


# ---- where they are shown ----


@pytest.fixture(scope="module")
def bare(tmp_path_factory):
    """A file of two packs of which one has no device."""
    file = tmp_path_factory.mktemp("bare") / "two.toml"
    link = {"gauge": "2 AWG", "length": "30 cm"}
    file.write_text(tomli_w.dumps(two_packs(packs__B__device={"resistance": "0.2 milliohm"}, wiring__link=link).data))
    return file


@pytest.mark.parametrize(
    "arguments",
    [
        ["run"],
        ["compare", "--layout", "chain"],
        ["sweep", "--over", "packs.A.soc=0.4,0.6", "--jobs", "1"],
        ["sensitivity", "--vary", "packs.A.soc=uniform 0.4 0.5", "--vary", "packs.B.soc=uniform 0.4 0.5", "--runs",
         "4", "--jobs", "1"],
        ["size", "--share", "1.5", "--gauges", "2 AWG", "--layout", "chain"],
        ["drift", "--chemistry", "lfp"],
        ["usable", "--c-rate", "1"],
        ["protect"],
    ],
    ids=lambda arguments: arguments[0],
)  # fmt: skip
def test_every_command_carries_warnings_in_json_and_before_its_tables(arguments, bare):
    arguments = [arguments[0], bare, *arguments[1:]]
    record = json.loads(shown(*arguments, "--json"))
    told = [warning for warning in record["warnings"] if warning["code"] == "no-own-device"]
    assert len(told) == 1
    assert set(told[0]) == {"code", "where", "text"}
    lines = shown(*arguments).splitlines()
    assert any("no-own-device" in line for line in lines)
    assert lines[0].startswith("WARNING ")


def test_report_says_them_at_its_head(tmp_path, bare):
    shown("run", bare, "--report", tmp_path / "report.html")
    page = (tmp_path / "report.html").read_text()
    assert page.index("no-own-device") < page.index('class="answer"')
    assert page.count("Warning: no-own-device") == 1  # from the run, the layouts and protection together


def test_results_carry_them_in_python():
    scenario = two_packs()
    bare = two_packs(packs__A__device={"resistance": "0.2 milliohm"})
    for study in (sb.simulate, sb.compare, lambda case: sb.protect(case, run=False), bank_warnings):
        found, sound = (x if isinstance(x, list) else x.warnings for x in (study(bare), study(scenario)))
        assert "no-own-device" in codes(found)
        assert sound == []
    table = sb.sweep(bare, {"duty.hours": [0.1, 0.2]})
    assert [w["code"] for w in table.attrs["warnings"]] == ["no-own-device"]
    assert list(table["warnings"]) == ["no-own-device"] * 2
    assert [w["code"] for w in sb.usable(bare).attrs["warnings"]] == ["no-own-device"]


def test_a_bank_without_warnings_prints_none_and_nothing_is_called_safe(tmp_path):
    file = tmp_path / "two.toml"
    file.write_text(tomli_w.dumps(two_packs().data))
    assert json.loads(shown("run", file, "--json"))["warnings"] == []
    text = shown("run", file)
    assert "warning" not in text.lower()
    assert "safe" not in text.lower()


def test_gathered_says_each_once_and_of_which_runs():
    one, other = BankWarning("a", "A", "first"), BankWarning("a", "A", "second")
    assert gathered([("x", [one, one]), ("y", [one])]) == [one]
    assert gathered([("x", [one]), ("y", [other])])[0].text == "first (In all 2 runs; the numbers are those of x.)"
    assert gathered([("x", []), ("y", [other])])[0].text == "second (In 1 of 2 runs: y; the numbers are those of y.)"
    assert from_records(as_records([one, one, other])) == [one, other]


# ---- no device of its own ----


def test_no_own_device_names_the_packs_and_a_single_pack_needs_none():
    assert bank_warnings(two_packs()) == []
    (warning,) = bank_warnings(two_packs(packs__B__device={"resistance": "0.2 milliohm"}))
    assert (warning.code, warning.where) == ("no-own-device", "B")
    alone = two_packs(packs=[{"name": "A", "type": "own"}])
    assert bank_warnings(alone) == []

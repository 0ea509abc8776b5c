"""Every column of every table that a command writes is described, with its unit where its name has one."""

import re

import pandas as pd
import pytest
from conftest import ROOT
from typer.testing import CliRunner

import simbank
from simbank import cli
from simbank.simulation.event_codes import Event
from simbank.studies import RESULTS
from simbank.studies.ageing.bands import FASTER, GROWTH, LAW
from simbank.studies.ageing.bands_result import FIGURES, NAMED
from simbank.studies.band_figures import BANK_FIGURES, NAMING, PACK_FIGURES
from simbank.studies.rule_figures import BANK, RULE_FIGURES

QUICK = ["--set", "duty={kind='constant',discharge='10 A',hours=0.5}"]
COMMANDS = {
    "run": ["classroom_chain", *QUICK, "--integrator", "fast"],
    "compare": ["classroom_chain", *QUICK, "--integrator", "fast", "--layout", "chain"],
    "sweep": [
        "classroom_chain", *QUICK, "--over", "wiring.layout=chain,chain-opposite", "--vary", "packs.P1.soc=uniform 0.8 0.9", "--runs", "2",
        "--jobs", "1",
    ],
    "sensitivity": [
        "classroom_chain", *QUICK, "--vary", "packs.P1.soc=uniform 0.8 0.9", "--vary", "packs.P2.soc=uniform 0.8 0.9", "--runs", "4",
        "--jobs", "1",
    ],
    "size": ["classroom_chain", *QUICK, "--gauges", "2 AWG", "--layout", "chain", "--usable", "90", "--price-per-kg", "20"],
    "drift": ["classroom_chain", "--chemistry", "lfp"],
    "usable": ["classroom_chain", "--c-rate", "1"],
    "protect": ["../tests/trials/three_strings", "--bands", "20"],
    "bill": ["../tests/trials/three_strings"],
    "diagnose": ["mill_store", str(ROOT / "scenarios" / "mill_store_readings.csv")],
    "log": ["hill_barn", str(ROOT / "scenarios" / "hill_barn_log.csv")],
    "join": ["valley_workshop", "--add", str(ROOT / "scenarios" / "additions" / "valley_fifth_pack.toml"), "--no-protection"],
    "atrest": [
        "classroom_chain", str(ROOT / "scenarios" / "classroom_chain_at_rest.csv"), "--after", "1", "--alike", "--draws", "50",
    ],
    "age": ["hilltop_clinic", "--years", "2", "--windows", "1", "--worth", "--bands", "2"],
    "run --bands": ["classroom_chain", *QUICK, "--integrator", "fast", "--bands", "40"],
}  # fmt: skip
# ending of a name → the unit that it stands for
UNITS = {
    "_a": "A", "_v": "V", "_w": "W", "_wh": "Wh", "_ah": "Ah", "_s": "s", "_h": "h", "_ms": "ms", "_mv": "mV", "_ohm": "Ω", "_kg": "kg",
    "_m": "m", "_mm2": "mm²", "_c": "°C", "_percent": "%", "_points": "points", "_v_per_soc": "V", "hours": "h",
}  # fmt: skip


def described(table, names):
    """A pattern of the columns that a table describes; what stands in angle brackets is one of ``names``."""
    any_name = "|".join(re.escape(name) for name in names) or "(?!)"
    return "|".join(
        "".join(f"(?:{any_name})" if part[:1] == "<" else re.escape(part) for part in re.split("(<.*?>)", name))
        for name in table.names
    )


@pytest.mark.parametrize("command", RESULTS)
def test_every_column_written_is_described(root, tmp_path, command):
    scenario, *rest = COMMANDS[command]
    path = root / "scenarios" / f"{scenario}.toml"
    done = CliRunner().invoke(cli.app, [command.split()[0], str(path), *rest, "--out", str(tmp_path)])
    assert done.exit_code == 0, done.output
    scenario = simbank.load(path)
    bank = scenario.bank
    names = [pack.name for pack in bank.packs]
    if command == "run --bands":
        tmp_path /= "bands"
        names += [value.key for value in simbank.uncertain_values(scenario)]
        names += [*NAMING, *(figure for figure, _, _ in (*BANK_FIGURES, *PACK_FIGURES, *RULE_FIGURES))]
        names += [BANK, *bank.graph.ports, *(branch.name for branch in bank.graph.branches)]
    if command == "protect":
        names += [value.key for value in simbank.uncertain_values(scenario, every_temperature=True)]
        names += [branch.name + half for branch in bank.graph.branches for half in ("", " (bank half)", " (port half)")]
    if command == "age":
        names += [value.key for value in simbank.uncertain_values(scenario)]
        names += [LAW, GROWTH, *(f"{FASTER}.{kind}" for kind in scenario.file.pack_types), *FIGURES, *NAMED]
        names += ["capacity_left", "resistance_growth", "loss_points", "years_to_80"]
    if command == "join":
        names += ["E"]
    if command == "sweep":
        names = ["wiring.layout", "packs.P1.soc"]
    tables = {name: table for table in RESULTS[command].TABLES for name in table.files}
    written = [file for file in tmp_path.iterdir() if file.suffix in (".csv", ".parquet")]
    seen = set()
    for file in written:
        pattern = next(name for name in tables if re.fullmatch(re.sub("<.*?>", ".+", re.escape(name)), file.name))
        frame = pd.read_csv(file) if file.suffix == ".csv" else pd.read_parquet(file)
        unknown = [column for column in frame if not re.fullmatch(described(tables[pattern], names), column)]
        assert not unknown, f"{file.name}: {unknown}"
        seen.add(pattern)
    assert seen == set(tables)  # and no table is described that is not written
    assert len(written) >= len(tables)


@pytest.mark.parametrize("command", RESULTS)
def test_units_are_those_of_the_names(command):
    for table in RESULTS[command].TABLES:
        assert len(table.names) == len(set(table.names))
        for name, unit, meaning in table.columns:
            ending = max((end for end in UNITS if name.endswith(end)), key=len, default=None)
            assert unit == UNITS.get(ending, unit), (table.name, name)
            assert len(meaning) > 5 or name == "pack", (table.name, name)


def test_schema_tells_the_columns():
    text = CliRunner().invoke(cli.app, ["schema", "--columns"], env={"COLUMNS": "400"}).output
    assert re.search(r"^current_peak_a +\[A\] ", text, re.M)
    for command, kind in RESULTS.items():
        assert f"simbank {command}\n" in text
        assert all(table.name in text for table in kind.TABLES)
    for event in Event:
        assert re.search(rf"^{event.code} +{event.where} +{re.escape(event.meaning)}$", text, re.M)

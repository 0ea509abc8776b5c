"""Bands in a report: headline figures with their reach, the section, what to measure first, and that it says where they are left out."""

import re
import sys
import time

import pytest
from browser import ask, needs_chromium
from conftest import ROOT
from test_page import LOOK
from typer.testing import CliRunner

import simbank as sb
from simbank.cli import app
from simbank.report.band_parts import headlines
from simbank.scenario import example
from simbank.studies.bands import LEAST_DRAWS, affordable_draws


@pytest.fixture(scope="module")
def chain():
    return example("classroom_chain")


@pytest.fixture(scope="module")
def found(chain):
    return sb.bands(chain, 100, jobs=1)


@pytest.fixture(scope="module")
def page(chain, found, tmp_path_factory):
    result = sb.simulate(chain, integrator="fast")
    return sb.write_report(chain, tmp_path_factory.mktemp("page") / "chain.html", result=result, bands=found)


def test_headlines_have_their_bands(found, page):
    row = found.table.loc["spread_max_points"]
    told = f"largest spread {row['file']:.1f} ({row['low']:.1f} to {row['high']:.1f}) points"
    assert told in headlines(found)[0]
    assert told in page.read_text(encoding="utf-8")


def test_the_section_has_tables_pictures_and_readings(found, page):
    text = page.read_text(encoding="utf-8")
    section = text[text.index('<h2 id="reach">') : text.index('<h2 id="energy">')]
    assert "100 times" in section
    assert "100 draws were made rather than 200" in section
    assert "SOC at end" in section
    assert section.count("<figure>") >= 3
    row = found.table.loc["share_ratio_max"]
    assert f"{row['low']:.3f}" in section
    if found.measure_first is not None and found.measure_first.table["told"].any():
        assert "Measure first" in section
        readings = text[text.index('<h2 id="readings">') :]
        assert "narrows most" in readings


def test_verdicts_of_the_page_say_in_which_share_they_hold(page):
    assert re.search(r"True in \d+ % of what the bank may be", page.read_text(encoding="utf-8"))


def test_without_bands_the_page_says_nothing_or_why(chain, tmp_path):
    plain = sb.write_report(chain, tmp_path / "plain.html").read_text(encoding="utf-8")
    assert 'id="reach"' not in plain
    why = sb.write_report(chain, tmp_path / "why.html", without_bands="It takes too long.").read_text(encoding="utf-8")
    assert "It takes too long." in why[why.index('<h2 id="reach">') :]


def test_draws_are_as_many_as_the_time_allows(chain):
    assert affordable_draws(chain, 1e6, 200) == 200
    assert affordable_draws(chain, 1e-9, 200) == 0
    some = affordable_draws(chain, 5.0, 10**6)
    assert some == 0 or LEAST_DRAWS <= some < 10**6


@needs_chromium
@pytest.mark.parametrize("width", [360, 800, 1400])
def test_nothing_of_it_is_cut(page, tmp_path, width):
    seen, messages = ask(tmp_path, page.read_text(encoding="utf-8"), LOOK, width)
    assert not messages
    assert seen["wide"] <= width
    assert not seen["out"]
    assert seen["silent"] == 0


def test_the_command_says_that_bands_are_left_out_or_fewer(tmp_path, monkeypatch):
    from simbank.report import of_run

    def told(*options):
        path = tmp_path / "page.html"
        done = CliRunner().invoke(app, ["run", str(ROOT / "scenarios" / "classroom_chain.toml"), "--report", str(path), *options])
        assert done.exit_code == 0, done.output
        return " ".join(done.output.split()), path.read_text(encoding="utf-8")

    monkeypatch.setattr(of_run, "REPORT_S", 1e-9)
    said, page = told("--integrator", "fast")
    assert "Bands are left out of the report" in said
    assert "Bands are left out of the report" in page[page.index('<h2 id="reach">') :]
    said, page = told("--integrator", "fast", "--bands", "0")
    assert "Bands" not in said
    assert 'id="reach"' not in page
    monkeypatch.setattr(sys.modules["simbank.studies.bands"], "affordable_draws", lambda scenario, most_s: 40)
    said, page = told("--integrator", "fast")
    assert "Bands of 40 rather than 200 draws" in said
    assert "40 draws were made rather than 200" in page


@pytest.mark.parametrize(
    ("command", "options", "words"),
    [
        ("compare", [], ["The same, 5 to 95 %", "what is not known was drawn alike for all of them"]),
        ("usable", [], ["Every discharge was repeated 40 times", "energy of the packs each on its own"]),
        ("size", ["--spread", "30", "--sharing-only", "--layout", "chain"], ["The run of the size found", "keep the limit on spread"]),
        ("protect", [], ["The same from 5 to 95 % of 40 draws"]),
    ],
)  # fmt: skip
def test_reports_of_studies_have_bands_unasked(command, options, words, tmp_path, monkeypatch):
    monkeypatch.setattr(sys.modules["simbank.studies.bands"], "draws_that_fit", lambda one, most_s: 40)
    file = str(ROOT / "scenarios" / "classroom_chain.toml")

    def told(*more):
        path = tmp_path / "page.html"
        done = CliRunner().invoke(app, [command, file, "--report", str(path), *options, *more])
        assert done.exit_code == 0, done.output
        return done.output, path.read_text(encoding="utf-8")

    said, page = told()
    assert " 5 %" not in said  # the terminal's tables are as without a report
    for part in [*words, "What was varied", "by the file"]:
        assert part in page
    assert "joints of the link P1-P2, positive side, and 7 more (both ends together)" in page
    said, page = told("--bands", "0")
    assert "What was varied" not in page
    assert "Bands" not in said


def test_a_report_without_bands_for_want_of_time_says_so(tmp_path, monkeypatch):
    monkeypatch.setattr(sys.modules["simbank.studies.bands"], "draws_that_fit", lambda one, most_s: 0)
    path = tmp_path / "page.html"
    done = CliRunner().invoke(app, ["usable", str(ROOT / "scenarios" / "classroom_chain.toml"), "--report", str(path)])
    assert "Bands are left out of the report" in " ".join(done.output.split())
    assert "draws of what is not known would take more than 6" in path.read_text(encoding="utf-8")


def test_half_as_many_draws_until_they_fit():
    from simbank.studies.bands import draws_that_fit

    def busy():
        until = time.process_time() + 0.02
        while time.process_time() < until:
            pass

    assert draws_that_fit(busy, 5.0) == 200  # 4 s
    assert draws_that_fit(busy, 2.6) == 100
    assert draws_that_fit(busy, 1.3) == 50
    assert draws_that_fit(busy, 0.5) == 0  # 25 are too few


def test_judging_counts_in_the_time_of_bands(monkeypatch):
    """Where judging alone takes longer than bands may, none are drawn; a number that was asked for is made all the same."""
    from simbank.report import of_run
    from simbank.studies.protection import Assumptions, judged_draws

    scenario = example("valley_workshop")
    told = judged_draws.judging_seconds(scenario.bank, Assumptions(), 1e9)
    assert judged_draws.judging_seconds(scenario.bank, Assumptions(), 0.0) > 0.0
    assert told > 0.0
    assert of_run.fault_draws(scenario, 40, 0) == 40
    assert of_run.fault_draws(scenario, 5, 0) is None
    monkeypatch.setattr(judged_draws, "judging_seconds", lambda bank, assumptions, most_s: most_s + 0.1)
    assert of_run.fault_draws(scenario, None, 0) is None
    monkeypatch.setattr(judged_draws, "judging_seconds", lambda bank, assumptions, most_s: 0.0)
    monkeypatch.setattr(sys.modules["simbank.studies.bands"], "draws_that_fit", lambda one, most_s: 100 if most_s > 5.9 else 0)
    assert of_run.fault_draws(scenario, None, 0) == 100

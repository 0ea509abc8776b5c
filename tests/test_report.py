"""The report: one file, opened in a real browser; what it must say; starter scenario; format reference."""

import re
import tomllib

import pytest
from browser import ask, needs_chromium, run
from typer.testing import CliRunner

import simbank
from simbank import cli
from simbank.report import write_report
from simbank.scenario import schema_markdown

LOOK = """
  var root = doc.documentElement;
  return {
    wide: root.scrollWidth, view: win.innerWidth, figures: doc.querySelectorAll("figure svg").length,
    empty: Array.prototype.filter.call(doc.querySelectorAll("figure svg"), function (s) {
      var b = s.getBoundingClientRect(); return b.width < 50 || b.height < 50; }).length,
    unlabelled: Array.prototype.filter.call(doc.querySelectorAll("svg"), function (s) { return !s.getAttribute("aria-label"); }).length,
    headings: Array.prototype.map.call(doc.querySelectorAll("h1,h2,h3"), function (h) { return h.tagName + h.textContent; }),
    ids: (function () { var n = {}; Array.prototype.forEach.call(doc.querySelectorAll("[id]"), function (e) { n[e.id] = (n[e.id] || 0) + 1; });
      return Object.keys(n).filter(function (k) { return n[k] > 1; }); })(),
    uncaptioned: Array.prototype.filter.call(doc.querySelectorAll("table"), function (t) { return !t.caption; }).length
  };
"""


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    from conftest import ROOT

    scenario = simbank.load(ROOT / "scenarios" / "valley_workshop_mistakes.toml")
    path = tmp_path_factory.mktemp("report") / "report.html"
    write_report(
        scenario, path, result=simbank.simulate(scenario, integrator="fast"), comparison=simbank.compare(scenario, integrator="fast"),
        protection=simbank.protect(scenario),
    )  # fmt: skip
    return path


def test_it_says_what_it_must(page):
    text = page.read_text(encoding="utf-8")
    for words in (
        "Question and answer", "can you find them before", "Inventory of packs", "Every conductor, joint and device in line",
        "Fuses and breakers", "The same packs and duty, wired each way", "Prospective fault currents", "Energy", "Cell curves",
        "arc flash", "licensed person", "burn and kill", "[[packs]]", "invented", "NFPA 70", "ampacity",
    ):  # fmt: skip
        assert words.lower() in text.lower(), words
    assert "nan" not in re.sub(r"<svg.*?</svg>", "", text, flags=re.DOTALL).lower().split()
    assert not re.search(r"\bsafe\b", re.sub(r"<[^>]*>", "", text), re.IGNORECASE)


def test_nothing_comes_from_outside(page):
    text = page.read_text(encoding="utf-8")
    links = re.findall(r'(?:src|href|data|action)="([^"]+)"', text) + re.findall(r"url\(([^)]+)\)", text)
    assert all(link.startswith("#") for link in links), [link for link in links if not link.startswith("#")][:5]
    assert "@import" not in text
    assert "<link" not in text


@needs_chromium
@pytest.mark.parametrize("width", [390, 1280])
def test_in_a_browser(page, tmp_path, width):
    found, messages = ask(tmp_path, page.read_text(encoding="utf-8"), LOOK, width)
    assert not messages
    assert found["view"] == width
    assert found["wide"] <= width
    assert found["figures"] >= 8
    assert found["empty"] == found["unlabelled"] == found["uncaptioned"] == 0
    assert not found["ids"]
    assert found["headings"][0].startswith("H1")
    assert sum(h.startswith("H1") for h in found["headings"]) == 1


@needs_chromium
def test_tables_sort_by_number_and_back(page, tmp_path):
    script = """
      var table = Array.prototype.find.call(doc.querySelectorAll("table"), function (t) { return /Prospective/.test(t.caption.textContent); });
      var read = function () { return Array.prototype.map.call(table.tBodies[0].rows, function (r) { return parseFloat(r.cells[1].dataset.n); }); };
      var button = table.tHead.rows[0].cells[1].querySelector("button"), out = [read()];
      button.click(); out.push(read()); button.click(); out.push(read());
      return out;
    """
    (before, up, down), _ = ask(tmp_path, page.read_text(encoding="utf-8"), script)
    assert up == sorted(before)
    assert down == sorted(before, reverse=True)


@needs_chromium
@pytest.mark.parametrize("size", [(210, 297), (216, 279)])
def test_prints(page, tmp_path, size):
    """A4 and Letter: no page wider than the paper, the text readable from the PDF."""
    text = page.read_text(encoding="utf-8").replace("@page {", f"@page {{ size: {size[0]}mm {size[1]}mm; ")
    (tmp_path / "page.html").write_text(text, encoding="utf-8")
    run(tmp_path, f"--print-to-pdf={tmp_path / 'page.pdf'}", "--no-pdf-header-footer", (tmp_path / "page.html").as_uri())
    pdf = (tmp_path / "page.pdf").read_bytes()
    assert pdf.startswith(b"%PDF")
    pages = len(re.findall(rb"/Type\s*/Page\b", pdf))
    assert 5 <= pages <= 60
    boxes = re.findall(rb"/MediaBox\s*\[\s*0 0 ([0-9.]+) ([0-9.]+)", pdf)
    assert {(round(float(w) / 72 * 25.4), round(float(h) / 72 * 25.4)) for w, h in boxes} == {size}


@pytest.mark.parametrize(
    "words",
    [
        ["compare", "classroom_chain"], ["drift", "classroom_chain"], ["usable", "classroom_chain"], ["protect", "valley_workshop"],
        ["bill", "valley_workshop"],
        ["sweep", "classroom_chain", "--over", "duty.c_rate=0.1,0.3", "--jobs", "1"],
        ["size", "classroom_chain", "--spread", "30", "--gauges", "2 AWG", "--layout", "chain"],
        ["sensitivity", "classroom_chain", "--runs", "4", "--vary", "packs.P.soc=uniform 0.3 0.4", "--vary",
         "wiring.link.joint=uniform 0.1 0.2 milliohm", "--jobs", "1"],
    ],
)  # fmt: skip
def test_every_command_can_report(root, tmp_path, words):
    path = tmp_path / "of" / "report.html"
    fast = ["--integrator", "fast"] if words[0] == "compare" else []
    command, name, *rest = words
    shown = CliRunner().invoke(cli.app, [command, str(root / "scenarios" / f"{name}.toml"), *rest, *fast, "--report", str(path)])
    assert shown.exit_code == 0, shown.exception
    text = path.read_text(encoding="utf-8")
    assert "<h1>" in text
    assert "burn and kill" in text


def test_run_reports_layouts_and_protection(root, tmp_path):
    path = tmp_path / "r.html"
    shown = CliRunner().invoke(
        cli.app, ["run", str(root / "scenarios" / "valley_workshop.toml"), "--integrator", "fast", "--report", str(path)]
    )
    assert shown.exit_code == 0, shown.exception
    for words in ("Layouts side by side", "Checks that passed", "Sharing over time"):
        assert words in path.read_text(encoding="utf-8")


# ---- starter ----


@pytest.mark.parametrize("layout", ["chain", "chain-opposite", "chain-middle", "busbar"])
def test_starter_runs_as_it_stands(tmp_path, layout):
    path = tmp_path / "mine.toml"
    words = ["new", str(path), "--packs", "280,230,100", "--layout", layout, "--gauge", "35mm2", "--name", 'My "own" bank']
    shown = CliRunner().invoke(cli.app, words)
    assert shown.exit_code == 0, shown.exception
    scenario = simbank.load(path)
    assert scenario.name == 'My "own" bank'
    assert [p.rated_capacity_ah for p in scenario.bank.packs] == [280, 230, 100]
    assert simbank.simulate(scenario, integrator="fast").complete
    again = CliRunner().invoke(cli.app, words)
    assert isinstance(again.exception, simbank.InputError)


@pytest.mark.parametrize("c_rate", [0.01, 0.05, 0.2, 1.0, 10.0])
def test_the_duty_of_a_starter_is_three_days(c_rate):
    duty = simbank.from_dict(tomllib.loads(simbank.scenario.starter.starter_scenario(c_rate=c_rate))).duty
    assert duty.duration_s == pytest.approx(3 * 86400.0, abs=1.0)
    assert all(step.duration_s > 0 for step in duty.steps)


@pytest.mark.parametrize("chemistry", ["lfp", "nmc", "lead_agm"])
def test_starter_of_other_chemistries(tmp_path, chemistry):
    path = tmp_path / "mine.toml"
    assert CliRunner().invoke(cli.app, ["new", str(path), "--chemistry", chemistry]).exit_code == 0
    assert simbank.simulate(simbank.load(path), integrator="fast").complete


@pytest.mark.parametrize(
    "words",
    [
        ["--packs", "a,b"],
        ["--layout", "no-such-layout"],
        ["--gauge", "5 AWGs"],
        ["--chemistry", "lfpp"],
        ["--packs", "0,1"],
        ["--c-rate", "99"],
    ],
)
def test_starter_of_nonsense_is_one_line(tmp_path, words):
    shown = CliRunner().invoke(cli.app, ["new", str(tmp_path / "mine.toml"), *words])
    assert isinstance(shown.exception, simbank.InputError)
    assert not (tmp_path / "mine.toml").exists()


# ---- reference ----


def test_keys_in_the_page_of_scenarios_are_those_of_the_schema(root):
    page = (root / "scenarios" / "README.md").read_text(encoding="utf-8")
    assert schema_markdown.in_page(page) == page, (
        "put what simbank schema --markdown prints between the marks of scenarios/README.md"
    )


def test_every_key_says_what_it_means():
    from simbank.scenario import json_schema

    schema = json_schema()
    silent = [
        f"{name}.{key}"
        for name, model in {"ScenarioFile": schema, **schema["$defs"]}.items()
        for key, field in model["properties"].items()
        if not field.get("description") and key != "kind"
    ]
    assert silent == []


def test_the_smallest_file_of_the_page_runs_and_every_bank_has_its_question(root, tmp_path):
    page = (root / "scenarios" / "README.md").read_text(encoding="utf-8")
    small = tmp_path / "small.toml"
    small.write_text(re.search(r"```toml\n(.*?)```", page, re.DOTALL)[1], encoding="utf-8")
    assert simbank.simulate(simbank.load(small), integrator="fast").summary["bank"]["charge_out_ah"] > 0
    files = {path.name for path in (root / "scenarios").glob("*.toml")}
    assert set(re.findall(r"`([a-z_]+\.toml)`", page)) == files


def test_the_question_of_a_new_bank_ends_with_it_and_a_curve_unknown_is_no_source(tmp_path):
    from simbank.report.parts import Sources
    from simbank.scenario.starter import starter_scenario

    path = tmp_path / "bank.toml"
    path.write_text(starter_scenario(), encoding="utf-8")
    html = simbank.write_report(simbank.load(path), tmp_path / "bank.html").read_text(encoding="utf-8")
    assert "<p>How do these packs share their current, wired this way?</p>" in html
    sources = html.partition('<ol class="sources">')[2].partition("</ol>")[0]
    assert "its insulation is not given" not in sources
    assert "Where no ampacity stands: its insulation is not given: read it from the jacket." in html
    both = Sources()
    assert both.number("common practice, no source (3 %)") == both.number("common practice, no source")


def test_python_and_shell_of_readme_name_what_exists(root):
    readme = (root / "README.md").read_text(encoding="utf-8")
    for path in re.findall(r"scenarios/[a-z_]+\.toml", readme):
        assert (root / path).exists(), path
    known = {c.name or c.callback.__name__ for c in cli.app.registered_commands} | {g.name for g in cli.app.registered_groups}
    told = set(re.findall(r"`simbank (\w+)", readme))
    assert told <= known
    assert known - {"device"} <= told | {"device"}

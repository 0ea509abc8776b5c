"""Pages for a class: what a lesson's file may say, that answers are what runs show, and the two pages that ship, worked in a browser."""

import json
import re
import subprocess
import sys
import tomllib

import class_pages
import numpy as np
import pytest
from browser import assert_accessible, sticks_out, visit
from conftest import ROOT

import simbank as sb
from simbank.judging import verdicts
from simbank.page.controls import controls
from simbank.page.lesson_file import names_in, read_lesson
from simbank.page.lesson_page import lesson_page
from simbank.page.lesson_runs import LessonRuns, formatted

DRIFT, STAR = (class_pages.PAGES / f"{name}.toml" for name in ("why_flat_curves_drift", "star_against_chain"))
both = pytest.mark.parametrize("path", [DRIFT, STAR], ids=lambda path: path.stem)

SMALL = """
title = "Small"
scenario = "classroom_chain"
intro = "By {evening} points."
[set]
"duty.steps" = [{ charge = "0.2 C", voltage = "57.6 V", hours = 1 }]
[over]
"duty.c_rate" = [0.1, 0.2]
"wiring.layout" = ["chain", "busbar"]
[words."wiring.layout"]
busbar = "bus bar"
[along]
"duty.c_rate" = ["packs.*.soc"]
[start]
"duty.c_rate" = 0.2
"wiring.layout" = "chain"
[points]
chain = {}
bar = { "wiring.layout" = "busbar" }
[figures]
evening = { of = "spread_end_points", at = "chain" }
bar_end = { of = "spread_end_points", at = "bar" }
less = { difference = ["evening", "bar_end"] }
[[predictions]]
at = "chain"
question = "Who?"
answer = { most = "soc", hour = 1 }
choices = [{ text = "P1", pack = "P1" }, { text = "P5", pack = "P5", reply = "Farther away." }]
why = "Nearer, by {less}."
[[predictions]]
at = "bar"
question = "How far?"
answer = { figure = "bar_end" }
choices = [{ text = "not at all", below = 0.1 }, { text = "far", least = 0.1 }]
why = "Equal leads: {bar_end}."
[[questions]]
question = "Why?"
answer = "Cable."
[teacher]
minutes = 5
level = "any"
before = "nothing"
mistakes = [{ people_say = "a", but = "b" }]
left_out = "much"
follow_up = "more"
"""


def written(folder, text=SMALL):
    path = folder / "small.toml"
    path.write_text(text, encoding="utf-8")
    return path


# ---- the file ----


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('title = "Small"', 'titel = "Small"', 'unknown key "titel"'),
        ('"classroom_chain"', '"classrom_chain"', 'scenario: \'classrom_chain\': is no shipped scenario.*did you mean "classroom_chain"'),
        ('"classroom_chain"', '"none.toml"', "none.toml: no such file"),
        ("{evening} points", "{evning} points", 'intro: \'evning\': names a figure that there is not; did you mean "evening"'),
        ("{bar_end}.", "{end_bar}.", "predictions.2.why: 'end_bar'"),
        ('bar = { "wiring.layout" = "busbar" }', 'bar = { "wiring.layout" = "star" }', "points.bar.wiring.layout: 'star': is not among"),
        ('bar = { "wiring.layout" = "busbar" }', 'bar = { "packs.P1.soc" = 0.5 }', "predictions.2.at: 'bar': the page has no such run"),
        ('bar = { "wiring.layout" = "busbar" }', "bar = {}", "two predictions are of the same run"),
        ('"duty.c_rate" = 0.2\n', "", "start.duty.c_rate: is required"),
        ('"duty.c_rate" = ["packs.*.soc"]', '"duty.rate" = ["x"]', "along.duty.rate: is no control"),
        ('"duty.c_rate" = ["packs.*.soc"]', '"duty.c_rate" = ["wiring.layout"]', "is set elsewhere already"),
        ('busbar = "bus bar"', 'bsbar = "bus bar"', 'is no value of the control; did you mean "busbar"'),
        ('of = "spread_end_points", at = "chain"', 'of = "spread_end", at = "chain"', "figures.evening.of: 'spread_end': no figure of a run"),
        ('of = "spread_end_points", at = "chain"', 'of = "soc_end", pack = "P9", at = "chain"', "figures.evening.pack: 'P9': no such pack"),
        ('of = "spread_end_points", at = "chain"', 'of = "soc", pack = "P1", hour = 9, at = "chain"', "the run lasts 1 h only"),
        ('of = "spread_end_points", at = "chain"', 'at = "chain"', 'figures.evening: needs one of "of", "ratio" and "difference"'),
        ('["evening", "bar_end"]', '["evening", "bar"]', "figures.less.difference: 'bar': is no figure that stands before"),
        ('{ most = "soc", hour = 1 }', '{ fewest = "soc", most = "soc" }', "predictions.1.answer:.*needs one of"),
        ('{ most = "soc", hour = 1 }', '{ most = "charge", hour = 1 }', "predictions.1.answer: 'charge': no figure of a pack over time"),
        ('pack = "P5", reply', "least = 1, reply", "predictions.1.choices.2: needs \"pack\""),
        ('"P1", pack = "P1"', '"P4", pack = "P4"', "predictions.1.choices: the runs give P1, which no choice says"),
        ('"far", least = 0.1', '"far", least = -1', "predictions.2.choices: the runs give 0.0, which more than one choice says"),
        ("minutes = 5", "minutes = 1", "teacher.minutes: 1: "),
        ("[[questions]]\nquestion = \"Why?\"\nanswer = \"Cable.\"", "", "questions: is required"),
    ],
)  # fmt: skip
def test_a_wrong_file_is_one_clear_line(tmp_path, old, new, says):
    assert SMALL.count(old) == 1 or old.startswith('"duty.c_rate" = 0.2') or "spread_end_points" in old
    path = written(tmp_path, SMALL.replace(old, new, 1))
    with pytest.raises(sb.InputError, match=says) as caught:
        lesson_page(path, jobs=1)
    assert "\n" not in str(caught.value)


def test_shipped_lessons_go_by_their_name(tmp_path):
    assert read_lesson("star_against_chain")[0] == read_lesson(STAR)[0]
    with pytest.raises(sb.InputError, match='is no shipped lesson, and no such file; did you mean "star_against_chain"'):
        read_lesson("star_against_chains")


def test_a_small_lesson_makes_a_page_whose_commands_have_all_keys(tmp_path):
    """The key that goes along with another one stands in the command of every run, and so does what is set for all."""
    page = lesson_page(written(tmp_path), jobs=1)
    index = class_pages.index_of(page.html)
    assert [control["texts"] for control in index["controls"]] == [["0.1 C", "0.2 C"], ["chain", "bus bar"]]
    commands = [run["command"] for run in index["runs"]]
    for command, rate in zip(commands, (0.1, 0.1, 0.2, 0.2), strict=True):
        assert f"--set 'packs.*.soc={rate}'" in command
        assert "duty.steps=" in command
    assert index["begin"] == 2  # chain at 0.2 C, of which the first prediction speaks
    assert lesson_page(written(tmp_path), jobs=1).html == page.html


def test_names_cannot_bring_markup_into_the_page(tmp_path):
    bad = "<img src=x onerror=alert(1)>"
    html = lesson_page(
        written(tmp_path, SMALL.replace('"Small"', f'"{bad}"').replace("Who?", bad).replace("Cable.", bad)), jobs=1
    ).html
    assert "<img" not in html


# ---- the two that ship ----


@both
def test_the_stored_page_shows_what_fresh_runs_do(path):
    page = lesson_page(path)
    stored = path.with_suffix(".html").read_text(encoding="utf-8")
    assert class_pages.differences(stored, page.html) == []
    assert len(stored.encode()) < 1e6
    assert page.summary["failed"] == 0


def test_the_comparison_sees_what_has_changed():
    stored = DRIFT.with_suffix(".html").read_text(encoding="utf-8")
    index = class_pages.index_of(stored)
    index["runs"][5]["figures"][0] = "99.9"
    import base64
    import zlib

    other = base64.b64encode(zlib.compress(json.dumps(index).encode(), 9)).decode()
    assert class_pages.differences(stored, stored.replace(class_pages.inside(stored, "index"), other)) == [
        "other settings, verdicts or figures"
    ]
    lines = class_pages.inside(stored, "series").split("\n")
    lines[0], lines[27] = lines[27], lines[0]
    swapped = class_pages.differences(stored, stored.replace(class_pages.inside(stored, "series"), "\n".join(lines)))
    assert any(line.startswith("run 0: ") for line in swapped)
    assert class_pages.differences(stored, stored.replace("joints do not get thicker", "joints get thicker")) == ["other words"]
    assert class_pages.differences(stored, re.sub(r"made on \d{4}", "made on 1999", stored)) == []


def command(path, point):
    """What to type for a point of a lesson, besides the file."""
    lesson, scenario = read_lesson(path)
    words = [scenario.source]
    for key, value in LessonRuns(lesson, scenario).changes(point).items():
        text = value if isinstance(value, str) else toml(value)
        words += ["--set", f"{key}={text}"]
    return words


def toml(value):
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key} = {toml(inner)}" for key, inner in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    return json.dumps(value)


@both
def test_figures_of_texts_are_those_that_the_command_prints(path, capsys):
    """Every figure that a text names, of each point: of the whole run from `simbank run --json`."""
    from simbank.cli.program import app

    lesson, scenario = read_lesson(path)
    runs, checked = LessonRuns(lesson, scenario), 0
    for point in lesson.points:
        wanted = {name: one for name, one in lesson.figures.items() if one.at == point and one.hour is None}
        if not wanted:
            continue
        with pytest.raises(SystemExit) as ended:
            app(["run", *command(path, point), "--integrator", "fast", "--json"])
        assert not ended.value.code
        summary = json.loads(capsys.readouterr().out)
        for name, one in wanted.items():
            source = summary["bank"] if one.pack is None else next(p for p in summary["packs"] if p["name"] == one.pack)
            assert runs.figure(name) == pytest.approx(source[one.of] * one.times, rel=1e-9, abs=1e-9), name
            checked += 1
    assert checked >= 10


@both
def test_the_other_integrator_gives_the_same_figures_and_answers(path):
    lesson, scenario = read_lesson(path)
    fast, reference = (LessonRuns(lesson, scenario, integrator) for integrator in ("fast", "reference"))
    for name, figure in lesson.figures.items():
        within = 0.51 * 10.0**-figure.digits
        assert fast.figure(name) == pytest.approx(reference.figure(name), rel=2e-4, abs=within), name
    for number, prediction in enumerate(lesson.predictions, 1):
        assert fast.answer(number, prediction) == reference.answer(number, prediction)


@both
def test_every_figure_is_named_or_used_and_no_answer_is_typed_in(path):
    """A figure that nobody reads is left over; a choice is right by its range or its pack."""
    text = path.read_text(encoding="utf-8")
    lesson, _ = read_lesson(path)
    used = set(names_in(text)) | {one for figure in lesson.figures.values() for one in (figure.ratio or figure.difference or [])}
    used |= {prediction.answer.figure for prediction in lesson.predictions}
    assert set(lesson.figures) <= used
    assert len(lesson.questions) == 5
    data = tomllib.loads(text)
    assert all("right" not in choice for prediction in data["predictions"] for choice in prediction["choices"])
    for prediction in lesson.predictions:  # whoever is wrong is told what speaks for it
        assert sum(not choice.reply for choice in prediction.choices) == 1


# ---- what the lessons say, against calculations of another kind ----


def ladder(packs, link, count):
    """Currents of equal packs on a one-ended chain as parts of the mean, by nodal analysis: both polarities' links in one."""
    conductance = np.eye(count) / packs
    for k in range(count - 1):
        conductance[k : k + 2, k : k + 2] += np.array([[1.0, -1.0], [-1.0, 1.0]]) / (2 * link)
    # each pack: its own resistance to the common EMF; the load draws `count` at the first
    voltage = np.linalg.solve(conductance, [-count, *[0.0] * (count - 1)])
    return -voltage / packs


# Flexible copper at 20 degC [ohm/km]: IEC 60228 class 5, highest values (secondary source).
CLASS_5 = {16: 1.21, 35: 0.554, 70: 0.272}


def cable(metre, mm2):
    """One conductor at 25 degC without its joints [ohm]; copper's temperature coefficient at 20 degC (IEC 60028)."""
    return CLASS_5[mm2] * 1e-3 * (1 + 0.00393 * 5) * metre


def figures(path):
    lesson, scenario = read_lesson(path)
    return LessonRuns(lesson, scenario)


def test_first_currents_by_nodal_analysis():
    """Six packs of 16 × 0.6 × 1.03 + 8 milliohm, links of 35 cm in 16 mm² with two joints of 0.08 milliohm; five of the other page."""
    star = figures(STAR)
    parts = ladder(16 * 0.6e-3 * 1.03 + 8e-3, cable(0.35, 16) + 2 * 0.08e-3, 6)
    assert star.figure("first_p1") == pytest.approx(20 * parts[0], rel=2e-3)
    assert star.figure("first_p6") == pytest.approx(20 * parts[5], rel=2e-3)
    drift = figures(DRIFT)
    soc30 = 1.02 + (1.08 - 1.02) / 2  # R0 at 30 % over that at half charge, the table's straight line between 20 and 40 %
    parts = ladder(16 * 0.6e-3 * soc30 + 8e-3, cable(0.4, 16) + 2 * 0.1e-3, 5)
    assert drift.figure("first_p1") == pytest.approx(20 * parts[0], rel=4e-3)
    assert drift.figure("first_p5") == pytest.approx(20 * parts[4], rel=4e-3)


def test_first_currents_of_the_star_by_a_current_divider():
    """Equal EMFs behind pack and lead; the old pack has twice the cell resistance at a state of health of 0.8."""
    star = figures(STAR)
    lead = 2 * (cable(0.7, 35) + 2 * 0.08e-3)
    cell = 16 * 0.6e-3 * 1.03
    ohm = np.array([2 * cell + 8e-3, *[cell + 8e-3] * 5]) + lead
    amps = 0.5 * (80 + 500) / (1 / ohm).sum() / ohm
    assert star.figure("first_old") == pytest.approx(amps[0], rel=3e-3)
    assert star.figure("first_new") == pytest.approx(amps[1], rel=3e-3)
    thin = np.array([cell + 8e-3] * 6) + 2 * (cable(0.7, 16) + 2 * 0.08e-3)
    thin[5] += 2 * cable(2.8, 16)
    amps = 120 / (1 / thin).sum() / thin
    assert star.figure("long_first_p6") == pytest.approx(amps[5], rel=3e-3)


def test_half_width_holds_what_the_curve_drives():
    """Question 3 of the page on drift, by hand: straight lines between the table's values, 10 mV between middle and edge of the loop."""
    drift = figures(DRIFT)
    soc, volt = [80, 90, 95, 97], [3.3315, 3.3355, 3.340, 3.346]
    low, high = (np.interp(drift.figure(name), soc, volt) for name in ("end_p5", "end_p1"))
    assert round(1e3 * (high - low)) == 11
    held = 10.0 * (drift.figure("loop_p5") - drift.figure("loop_p1"))
    assert 1e3 * (high - low) == pytest.approx(held, abs=1.0)
    table = sb.example("classroom_chain").bank.packs[0].chemistry.ocv
    assert table(np.array(soc) / 100) == pytest.approx(volt, abs=1e-6)
    assert pytest.approx(0.18) == 16 * (3.325 - 3.280) / 0.4 * 0.1  # volt for ten points between 30 and 70 %, question 1


def test_claims_of_the_page_on_drift():
    drift = figures(DRIFT)
    value = drift.figure
    assert value("morning") / value("evening") > 0.7  # most of it is left
    assert value("morning_without") < value("morning") < value("morning_wide") < value("evening_wide")
    assert value("evening_gentle_long") < 0.5 * value("evening")  # "still less than half"
    assert abs(value("amps_p1")) < 0.005  # "no current flows"
    assert abs(value("volt_p1") - value("volt_p5")) < 1e-3
    assert value("nmc_evening") < 0.35 * value("evening")
    first = drift.result("usual").packs["current_a"]["P1"].loc[3 * 3600 + 60 : 3600 * 6]
    assert first.max() > 1.0  # P1 gives a little charge in the first hours of rest
    held = drift.result("held")
    assert held.packs["current_a"]["P5"].idxmin() > 3 * 3600  # P5 takes most towards the end


def test_claims_of_the_page_on_star_and_chain():
    star = figures(STAR)
    value, chain = star.figure, star.result("chain")
    end = next(event for event in chain.summary["events"] if "cut-off" in event["what"])["time_s"]
    amps = chain.packs["current_a"]
    assert amps.idxmax(axis=1).loc[0.95 * end : end - 1].eq("P6").any()
    assert 0.9 * end < amps["P6"].idxmax() <= end  # "shortly before the end"
    after = amps.loc[end + 60 : end + 300]
    soc = chain.packs["soc"].loc[end + 60 :].iloc[0]
    assert (after["P1"] < -0.5).all()  # currents still flow, into the emptier ones
    assert soc.idxmin() in after.columns[after.iloc[0] < 0]
    assert (value("part_corners_hard") - value("part_hard")) / (100 - value("part_hard")) < 0.5  # a good half is not sharing
    assert value("spread_chain_old_far") > 2 * value("spread_star_old_far")
    old = star.result("star_old").packs["current_a"]["P1"]
    assert old.idxmax() > 0.8 * old.index[-1] - 3600  # the old pack's peak is near the end, not at the start
    assert old.max() > 1.9 * old.iloc[0]
    assert "shares-alike" in {told.code for told in verdicts(chain, most=99)}  # which the first prediction explains
    emptied, steady = ([p["throughput_ah"] for p in star.result(at).summary["packs"]] for at in ("chain", "daily"))
    assert max(emptied) / min(emptied) < 1.03
    assert max(steady) / min(steady) > 1.03
    steady = star.result("daily").summary["packs"]
    assert max(steady, key=lambda pack: pack["throughput_ah"])["name"] == "P1"


# ---- in a browser ----


def shown(page):
    """What the view and its cover are."""
    return page.evaluate(
        """() => ({covered: document.getElementById("view").classList.contains("covered"), cover: !document.getElementById("cover").hidden,
                   seen: document.querySelector("#view .clock") !== null && document.querySelector("#view .clock").offsetHeight > 0})"""
    )


def settings(page):
    """Where every control stands, in words."""
    return page.evaluate(
        """() => Array.from(document.querySelectorAll(".control"), (c) => {
             const range = c.querySelector("input[type=range]");
             return range ? range.getAttribute("aria-valuetext") : c.querySelector("input:checked + span").textContent;
           })"""
    )


@both
@pytest.mark.parametrize("width", [360, 1400])
def test_predict_then_reveal_by_mouse(browser, path, width):
    """Each card in turn: covered, a wrong guess, revealed with the answer of the runs, at the run that it speaks of."""
    runs = figures(path)
    lesson, keys = runs.lesson, controls(runs.lesson.over, runs.lesson.labels, runs.lesson.words)
    with visit(browser, path.with_suffix(".html").as_uri(), width=width, height=800) as seen:
        page = seen.page
        page.wait_for_selector("#cover:not([hidden])")
        assert_accessible(page)
        for number, prediction in enumerate(lesson.predictions, 1):
            card = page.locator(f"#card{number}")
            assert card.is_visible()
            assert page.locator(".card:visible").count() == 1
            right = runs.answer(number, prediction)
            wrong = (right + 1) % len(prediction.choices)
            card.locator(".reveal").click()
            assert "Choose first" in card.locator(".hint").inner_text()
            guess = right if number == 1 else wrong
            card.locator("label").nth(guess).click()
            card.locator(".reveal").click()
            told = page.locator("#told")
            told.wait_for()
            page.wait_for_function("() => document.querySelector('#view .play').textContent.includes('Pause')")
            words = told.inner_text()
            assert runs.filled(prediction.choices[right].text) in words
            assert ("that is what the run shows" in words) == (guess == right)
            if guess != right:
                assert runs.filled(prediction.choices[wrong].reply) in words
            place = lesson.start | lesson.points[prediction.at]
            assert settings(page) == [key.texts[key.values.index(place[key.key])] for key in keys]
            assert shown(page) == {"covered": False, "cover": False, "seen": True}
            assert not sticks_out(page)
            top = told.bounding_box()
            assert 0 <= top["y"] < 400  # it is in sight
            if number < len(lesson.predictions):
                told.locator("button.first").click()
        assert page.locator('section[aria-labelledby="all-runs"]').is_visible()
        assert page.locator(".questions").is_visible()
        assert_accessible(page)
        assert seen.asked == []
        assert seen.said == []


@both
def test_predict_then_reveal_by_keyboard(browser, path):
    """With Tab, arrows, Space and Enter alone; without motion the view stands at the time asked about."""
    runs = figures(path)
    with visit(browser, path.with_suffix(".html").as_uri(), width=1000, height=800, reduced_motion="reduce") as seen:
        page = seen.page
        page.wait_for_selector("#cover:not([hidden])")
        focused = "() => document.activeElement.closest('#card1') !== null && document.activeElement.type === 'radio'"
        for _ in range(10):
            page.keyboard.press("Tab")
            if page.evaluate(focused):
                break
        assert page.evaluate(focused)
        page.keyboard.press("Space")
        page.keyboard.press("ArrowDown")
        assert page.evaluate("() => document.querySelector('#card1 input:checked').value") == "1"
        page.keyboard.press("Tab")
        assert page.evaluate("() => document.activeElement.className") == "reveal"
        page.keyboard.press("Enter")
        page.wait_for_selector("#told:not([hidden])")
        assert page.evaluate("() => document.activeElement.id") == "told"
        assert page.get_attribute("#told", "aria-live") == "polite"
        assert runs.filled(
            runs.lesson.predictions[0].choices[runs.answer(1, runs.lesson.predictions[0])].text
        ) in page.inner_text("#told")
        until = runs.lesson.predictions[0].until_hour or 0.0
        step = class_pages.index_of(page.content())["step_s"]
        page.wait_for_function(
            "([step, until]) => Math.abs(Number(document.querySelector('#view input[type=range]').value) * step - until) < step",
            arg=[step, 3600 * until],
        )
        page.keyboard.press("Tab")  # why
        page.keyboard.press("Tab")  # the next prediction
        assert page.evaluate("() => document.activeElement.className") == "first"
        page.keyboard.press("Enter")
        assert page.locator("#card2").is_visible()
        assert page.evaluate("() => document.activeElement.name") == "predict2"
        page.keyboard.press("Tab")
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")  # shown without a guess
        page.wait_for_function("() => document.getElementById('told').innerText.includes('Prediction 2')")
        assert page.inner_text("#told .result").startswith("The run shows: ")
        assert seen.said == []


@both
def test_a_run_that_is_asked_about_stays_covered_and_others_do_not(browser, path):
    lesson, _ = read_lesson(path)
    keys = controls(lesson.over, lesson.labels, lesson.words)
    with visit(browser, path.with_suffix(".html").as_uri(), width=1400, height=900) as seen:
        page = seen.page
        page.wait_for_selector("#cover:not([hidden])")
        assert shown(page) == {"covered": True, "cover": True, "seen": False}
        asked = [lesson.start | lesson.points[one.at] for one in lesson.predictions]
        here = dict(asked[0])
        for k, key in enumerate(keys):  # every control is moved to its last value and back
            for value in (*key.values[::-1], here[key.key]):
                here[key.key] = value
                n = key.values.index(value)
                if key.numbers is None:
                    page.locator(f'input[name="set{k}"]').nth(n).check(force=True)
                else:
                    page.locator(f"#set{k}").evaluate(
                        "(e, n) => { e.value = n; e.dispatchEvent(new Event('input', {bubbles: true})); }", n
                    )
                covered = here in asked
                page.wait_for_function(f"() => document.getElementById('cover').hidden === {str(not covered).lower()}")
                assert shown(page)["seen"] != covered
                assert settings(page)[k] == key.texts[n]
            here[key.key] = asked[0][key.key]
            page.evaluate(
                "(p) => document.dispatchEvent(new CustomEvent('showpoint', {detail: {point: p}}))",
                [one.values.index(here[one.key]) for one in keys],
            )
        page.wait_for_selector("#cover:not([hidden])")
        assert page.locator('section[aria-labelledby="all-runs"]').is_hidden()
        page.locator("#cover button").click()
        assert page.evaluate("() => document.activeElement.name") == "predict1"
        page.locator(".teacher summary").click()
        page.locator("#uncover").click()
        assert shown(page)["seen"]
        assert page.locator('section[aria-labelledby="all-runs"]').is_visible()
        assert seen.asked == []


@both
def test_note_and_answers_are_folded_and_can_be_printed(browser, path):
    lesson, _ = read_lesson(path)
    runs = figures(path)
    with visit(browser, path.with_suffix(".html").as_uri(), width=800, height=900) as seen:
        page = seen.page
        page.wait_for_selector("#cover:not([hidden])")
        assert page.locator(".lesson details[open]").count() == 0
        page.locator("#teacher summary").click()
        note = page.inner_text("#teacher")
        for mistake in lesson.teacher.mistakes:
            assert runs.filled(mistake.but) in note
        assert f"{lesson.teacher.minutes} minutes" in note
        page.evaluate("() => document.body.classList.add('note-only')")  # as the button below prints it
        page.emulate_media(media="print")
        assert page.locator(".caution").is_visible()
        assert page.locator(".questions li").first.is_visible()
        assert not page.locator("#command").is_visible()
        page.evaluate("() => document.body.classList.remove('note-only')")
        page.emulate_media(media="screen")
        assert not page.locator(".questions").is_visible()  # they would give away what predictions ask
        page.locator("#uncover").click()
        items = page.locator(".questions li")
        assert items.count() == 5
        for k, question in enumerate(lesson.questions):
            items.nth(k).locator("summary").click()
            assert runs.filled(question.answer).split("\n")[0].strip()[:60] in items.nth(k).inner_text()
        page.evaluate(
            """() => { window.print = () => {
                 const open = [...document.querySelectorAll(".lesson details")].every((part) => part.open);
                 window.printed = open && document.body.classList.contains("note-only"); }; }"""
        )
        page.locator("#print-note").click()
        assert page.evaluate("() => window.printed")
        page.emulate_media(media="print")
        assert page.locator(".card:visible").count() == len(lesson.predictions)  # on paper all stand one below the other
        assert not page.locator(".cover").is_visible()


def test_figures_as_texts_have_them():
    assert formatted(-0.04, 1) == "0.0"
    assert formatted(12345.6, 0) == "12,346"


def test_the_command_makes_the_same_page(tmp_path):
    out = tmp_path / "page.html"
    done = subprocess.run(
        [sys.executable, "-m", "simbank", "page", "--lesson", str(written(tmp_path)), "--out", str(out), "--json"],
        capture_output=True,
        text=True,
        cwd=ROOT,
    )
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["runs"] == 4
    assert out.read_text(encoding="utf-8") == lesson_page(written(tmp_path), jobs=1).html
    again = sb.write_lesson(written(tmp_path), tmp_path / "again.html", jobs=1)
    assert again.read_bytes() == out.read_bytes()
    both = [
        sys.executable,
        "-m",
        "simbank",
        "page",
        str(ROOT / "scenarios/classroom_chain.toml"),
        "--lesson",
        str(written(tmp_path)),
        "--out",
        str(out),
    ]
    refused = subprocess.run(both, capture_output=True, text=True, cwd=ROOT)
    assert refused.returncode == 2
    assert "leave FILE, --over and --set away" in refused.stderr

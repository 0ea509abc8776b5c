"""Bands in the views of studies: their figures are those of the commands with the same draws and seed, and they can be ended."""

import json
import math
import time
from pathlib import Path

import pytest
from browser import assert_accessible, visit
from desks import PATIENCE_S, alive, opened, settled
from typer.testing import CliRunner

from simbank.digits import cells as as_read
from simbank.digits import numbers

pytest.importorskip("nicegui")
SCENARIO = Path(__file__).parents[1] / "scenarios" / "mill_store.toml"
DRAWS, SEED = 24, 3


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bands")
    (folder / "store.toml").write_text(SCENARIO.read_text())
    with opened(folder, "store.toml", "--stay") as desk:
        yield desk


@pytest.fixture(scope="module")
def page(desk, browser):
    with visit(browser, desk.address, 1400, 1000, allowed=(desk.origin, desk.origin.replace("http", "ws"))) as seen:
        seen.page.set_default_timeout(PATIENCE_S * 1000)
        settled(seen.page)
        yield seen.page
        assert seen.asked == []
        assert [line for line in seen.said if "favicon" not in line] == []


def told(*words):
    """What a command says of the bank with the bands that the tests ask for, with ``--json``."""
    from simbank.cli import app

    done = CliRunner().invoke(app, [words[0], str(SCENARIO), *words[1:], "--bands", str(DRAWS), "--seed", str(SEED), "--json"])
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


def drawn(page, name, said):
    """The view, with bands of the draws and seed that the tests ask for: what it says of them is there."""
    page.click(f"#tab-{name}")
    view = page.locator(f"#view-{name}")
    view.get_by_label("bands: how far").check()
    view.get_by_label("Seed of the draws").fill(str(SEED))
    view.get_by_label("Draws", exact=True).fill(str(DRAWS))
    view.get_by_text(said).first.wait_for()
    view.locator(".work [role=status]", has_text="of the values as they stand.").wait_for()
    return view


def rows(view, title):
    """Rows of the table of that title: the first cell → heading → text."""
    table = view.locator("table", has=view.page.locator("caption", has_text=title)).first
    table.wait_for()
    heads = table.locator("thead th").all_text_contents()
    found = [dict(zip(heads, row.locator("th, td").all_text_contents(), strict=True)) for row in table.locator("tbody tr").all()]
    return {row[heads[0]]: row for row in found}


def span(figure, ends):
    """From low to high as a table says it; JSON has None for what never happens."""
    values = [math.inf if ends[end] is None else ends[end] for end in ("low", "high")]
    low, high = (text.strip() for text in as_read(figure, values))
    return low if low == high else f"{low} to {high}"


def test_bands_of_layouts_are_those_of_the_command(page):
    found = told("compare")
    view = drawn(page, "compare", f"The same {DRAWS} draws under every layout, seed {SEED}.")
    shown = rows(view, f"of {DRAWS} draws")
    assert list(shown) == list(found["bands"]) == [row["layout"] for row in found["rows"]]
    for name, bands in found["bands"].items():
        assert shown[name]["largest spread [points]"] == span("spread_max_points", bands["spread_max_points"])
        assert shown[name]["largest share ratio"] == span("share_ratio_max", bands["share_ratio_max"])
    view.get_by_label("every row and column").check()
    view.get_by_text("load not met").or_(view.locator("th", has_text="lowest port voltage")).first.wait_for()
    assert_accessible(page)
    view.get_by_label("bands: how far").uncheck()
    view.get_by_text(f"of {DRAWS} draws").first.wait_for(state="detached")


def test_bands_of_a_size_are_those_of_the_command(page):
    page.click("#tab-size")
    page.get_by_label("Largest spread of SOC [points]").fill("10")
    found = told("size", "--spread", "10")
    view = drawn(page, "size", f"{DRAWS} draws, seed {SEED}:")
    shown = rows(view, "How far the bank's figures reach")
    for heading, key in {"largest spread": "spread_points", "largest share ratio": "share_ratio"}.items():
        row = next(row for name, row in shown.items() if name.startswith(heading))
        own = found["bands"][key]
        read = [text.strip() for text in as_read(key, [own[end] for end in ("low", "mid", "high")])]
        assert [row[head] for head in ("5 %", "middle", "95 %")] == read
    kept = f"Of {DRAWS} draws, {100 * found['limits_kept']['spread_points']:.0f} % keep the limit on"
    view.get_by_text(kept).wait_for()


def test_bands_of_fault_currents_are_those_of_the_command(page):
    found = told("protect")
    view = drawn(page, "protect", f"Of {DRAWS} draws of the")
    assert f"seed {SEED}" in view.get_by_text(f"Of {DRAWS} draws of the").first.inner_text()
    shown = rows(view, "The same from 5 to 95 % of the draws")
    assert list(shown) == list(found["bands"])
    for place, bands in found["bands"].items():
        for heading, key in {"at once [A]": "initial_a", "least [A]": "least_a"}.items():
            low, high = (text.strip() for text in numbers([bands[key]["low"], bands[key]["high"]], "A"))
            assert shown[place][heading] in (f"{low} to {high}", low), place
    text = view.inner_text()
    for verdict in found["verdicts"][:3]:  # with the share of the draws in which they hold, where that is told
        assert verdict["text"] in text


def test_bands_of_years_are_those_of_the_command(page):
    page.click("#tab-age")
    page.locator("#view-age").get_by_label("Years", exact=True).fill("2")
    found = told("age", "--years", "2")
    view = drawn(page, "age", f"The bank in {DRAWS} draws")
    shown = rows(view, "Packs: from 5 % to 95 % of the draws, at the end")
    assert list(shown) == list(found["bands_of_packs"])
    heading = next(head for head in next(iter(shown.values())) if "capacity" in head.lower())
    for name, bands in found["bands_of_packs"].items():
        low, high = (float(text) for text in shown[name][heading].split(" to "))
        own = next(one for figure, one in bands.items() if "capacity" in figure)
        assert [low, high] == pytest.approx([100 * own["low"], 100 * own["high"]], abs=0.051)


def test_a_number_of_draws_that_is_none_is_told_beside_its_field(page):
    for name, least in {"compare": 2, "size": 2, "protect": 20, "age": 2}.items():
        page.click(f"#tab-{name}")
        view = page.locator(f"#view-{name}")
        view.get_by_label("bands: how far").check()
        field = view.locator(".field", has=page.get_by_label("Draws", exact=True))
        page.locator(f"#view-{name}").get_by_label("Draws", exact=True).fill("1")
        field.locator(".wrong", has_text=f"1: give a whole number from {least} to 10000").wait_for()
        view.get_by_label("Draws", exact=True).fill(str(least))
        field.locator(".wrong").wait_for(state="hidden")
        view.get_by_label("Seed of the draws").fill("-1")
        view.locator(".field .wrong", has_text="-1: give a whole number of 0 or more").wait_for()
        view.get_by_label("Seed of the draws").fill("0")
        view.get_by_label("bands: how far").uncheck()
        view.get_by_label("Draws", exact=True).wait_for(state="hidden")


def test_long_bands_are_cancelled_and_nothing_of_them_runs_on(desk, page):
    page.click("#tab-compare")
    view = page.locator("#view-compare")
    view.locator(".work [role=status]", has_text="of the values as they stand.").wait_for()
    before = set(desk.processes())
    view.get_by_label("bands: how far").check()
    view.get_by_label("Draws", exact=True).fill("10000")
    page.wait_for_function("document.querySelector('#view-compare progress')?.value > 0.2")  # the runs are done
    started = set(desk.processes()) - before
    assert started
    cancel = view.get_by_role("button", name="Cancel computing the comparison")
    cancel.focus()
    page.keyboard.press("Enter")
    view.get_by_text("Cancelled. What is shown is of the values before.").wait_for()
    until = time.monotonic() + 60
    while alive(started):
        assert time.monotonic() < until
        time.sleep(0.2)
    view.get_by_label("bands: how far").uncheck()
    view.locator(".work [role=status]", has_text="of the values as they stand.").wait_for()


def test_bands_of_an_added_make_are_the_same_before_the_bank_is_saved(tmp_path):
    """Draws go by the order of keys; a make that is added at the desk stands in the saved file where it stood before."""
    from simbank.cli import app
    from simbank.desk.banding import run_bands
    from simbank.desk.document import Document
    from simbank.scenario.starter import starter_scenario

    document = Document(starter_scenario())
    made = {"capacity": "200 Ah", "cell_resistance": {"value": "0.4 milliohm", "range": ["0.2 milliohm", "0.8 milliohm"]}}
    document.put(("pack_types", "added"), made, "add")
    document.put(("packs", 2, "type"), "added", "type")
    before = run_bands(document.data, None, DRAWS, SEED)["bands"]
    file = tmp_path / "bank.toml"
    file.write_text(document.text, encoding="utf-8")
    done = CliRunner().invoke(app, ["run", str(file), "--bands", str(DRAWS), "--seed", str(SEED), "--json"])
    assert done.exit_code == 0, done.output
    assert before == json.loads(done.stdout)["bands"]
    assert len(before) > 3

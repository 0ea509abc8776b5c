"""Views of the desk for readings, years and bands: what is typed in gives what the commands tell, mistakes stand beside their rows."""

import csv
import json
from pathlib import Path

import pytest
from browser import assert_accessible, visit
from desks import PATIENCE_S, answered, opened, settled
from typer.testing import CliRunner

import simbank

pytest.importorskip("nicegui")
SCENARIOS = Path(__file__).parents[1] / "scenarios"
READ = SCENARIOS / "mill_store_readings.csv"


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    folder = tmp_path_factory.mktemp("readings")
    (folder / "store.toml").write_text((SCENARIOS / "mill_store.toml").read_text())
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
    from simbank.cli import app

    done = CliRunner().invoke(app, [*map(str, words), "--json"])
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


def rows_read():
    with READ.open() as lines:
        return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def body(page, name):
    return page.locator(f"#view-{name}")


def computed(page, name, what):
    answered(page)
    body(page, name).get_by_text(f"Up to date: {what}, of the values as they stand.").wait_for()


def cells(page, name, caption):
    """A table's rows as texts."""
    table = body(page, name).locator("table").filter(has=page.locator("caption", has_text=caption)).first
    return [[cell.strip() for cell in row.locator("th, td").all_inner_texts()] for row in table.locator("tbody tr").all()]


def type_reading(page, pack, column, text):
    body(page, "diagnose").get_by_label(f"{column}, {pack}", exact=True).fill(text)


def test_readings_typed_in_give_the_suspects_of_the_command(page):
    page.click("#tab-diagnose")
    body(page, "diagnose").get_by_text("nothing is typed in yet").wait_for()
    for row in rows_read():
        type_reading(page, row["pack"], "current [A]", row["current_a"])
        type_reading(page, row["pack"], "since the current changed [s]", row["time_since_change_s"])
    computed(page, "diagnose", "what the readings say")
    by_command = simbank.diagnose(simbank.load(SCENARIOS / "mill_store.toml"), READ).shown_suspects
    shown = cells(page, "diagnose", "due to")
    places = list(by_command.columns).index("where")
    assert [row[places] for row in shown] == list(by_command.frame["where"])
    assert len(shown) > 1
    assert body(page, "diagnose").locator(".caution").is_visible()


@pytest.mark.parametrize("width", [360, 1400])
def test_readings_are_open_to_everybody(page, width):
    page.set_viewport_size({"width": width, "height": 1000})
    assert_accessible(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.set_viewport_size({"width": 1400, "height": 1000})


def test_a_mistake_stands_beside_its_row_and_goes_with_it(page):
    type_reading(page, "M3", "current [A]", "21,4 amps")
    wrong = body(page, "diagnose").locator("tr", has=page.get_by_label("current [A], M3", exact=True)).locator("th .wrong")
    wrong.get_by_text("current_a").wait_for()
    answered(page)
    assert "M3" not in body(page, "diagnose").locator("tr .wrong:visible").all_inner_texts()[1:]
    type_reading(page, "M3", "current [A]", "21.4")
    computed(page, "diagnose", "what the readings say")
    assert not wrong.is_visible()


def test_the_table_as_csv_is_what_the_command_reads(page, tmp_path):
    before = cells(page, "diagnose", "due to")
    body(page, "diagnose").get_by_role("button", name="Put this table into the CSV text").click()
    text = body(page, "diagnose").get_by_label("Readings as CSV")
    text.wait_for()
    computed(page, "diagnose", "what the readings say")
    assert cells(page, "diagnose", "due to") == before
    path = tmp_path / "typed.csv"
    path.write_text(text.input_value())
    assert (
        told("diagnose", SCENARIOS / "mill_store.toml", path)["suspects"]
        == (told("diagnose", SCENARIOS / "mill_store.toml", READ)["suspects"])
    )


def test_bands_are_those_of_the_command(page):
    page.click("#tab-run")
    body(page, "run").get_by_label("bands: how far").check()
    body(page, "run").get_by_label("Draws", exact=True).fill("24")
    body(page, "run").get_by_label("Seed of the draws").fill("3")
    computed(page, "run", "bands")
    by_command = told("run", SCENARIOS / "mill_store.toml", "--integrator", "fast", "--bands", "24", "--seed", "3")["bands"]
    row = next(row for row in cells(page, "run", "How far the bank's figures reach") if row[0].startswith("largest spread"))
    own = by_command["spread_max_points"]
    assert [float(text) for text in row[1:4]] == pytest.approx([own[key] for key in ("low", "mid", "high")], rel=0.01)
    body(page, "run").get_by_label("Draws", exact=True).fill("1")
    body(page, "run").get_by_text("give a whole number from 2").wait_for()
    body(page, "run").get_by_label("bands: how far").uncheck()
    answered(page)
    assert not body(page, "run").get_by_label("Draws", exact=True).is_visible()


def test_years_are_those_of_the_command(page):
    page.click("#tab-age")
    body(page, "age").get_by_label("Years", exact=True).fill("2")
    computed(page, "age", "years")
    by_command = told("age", SCENARIOS / "mill_store.toml", "--years", "2")["packs"]
    shown = {row[0]: row for row in cells(page, "age", "years by schimpe")}
    assert {name: float(row[1]) for name, row in shown.items()} == pytest.approx(
        {pack["name"]: 100 * pack["capacity_left"] for pack in by_command}, abs=0.051
    )
    assert_accessible(page)
    body(page, "age").get_by_label("Years", exact=True).fill("80")
    body(page, "age").get_by_text("give a number from 0.1 to 50").wait_for()

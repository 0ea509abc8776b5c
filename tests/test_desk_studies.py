"""Views of the desk that compute studies: their figures are those of the commands for the saved file, and what happens meanwhile."""

import json
import re
from pathlib import Path

import pytest
from browser import assert_accessible, visit
from desks import PATIENCE_S, answered, ended, field_at, opened, settled, type_in
from typer.testing import CliRunner

pytest.importorskip("nicegui")
SCENARIOS = Path(__file__).parents[1] / "scenarios"
HOSTILE = '<img src=x onerror="window.hit=1"></text><script>window.hit=1</script>'


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    """A desk on a small bank of two packs, one of which has a name that is markup."""
    folder = tmp_path_factory.mktemp("desk")
    (folder / "bank.toml").write_text(
        f"""name = "Two packs"
packs = [
  {{ name = "near", type = "big", soc = 0.8, device = {{ class = "class_t", rating = "200 A", resistance = "0.2 milliohm" }} }},
  {{ name = {HOSTILE!r}, type = "small", soc = 0.8 }},
]

[pack_types.big]
cells_in_series = 16
capacity = "280 Ah"
cell_resistance = "0.25 milliohm"

[pack_types.small]
cells_in_series = 16
capacity = "100 Ah"
cell_resistance = "0.7 milliohm"

[wiring]
layout = "chain"
link = {{ gauge = "2 AWG", length = "40 cm", joint = "0.05 milliohm", insulation = "xlpe90" }}
lead = {{ gauge = "2 AWG", length = "60 cm", joint = "0.05 milliohm", insulation = "xlpe90" }}

[[ports]]
name = "out"

[duty]
kind = "constant"
discharge = "0.2 C"
hours = 1
"""
    )
    with opened(folder, "bank.toml", "--stay") as desk:
        yield desk


@pytest.fixture(scope="module")
def page(desk, browser):
    """One tab for all tests of this module; it asks for nothing from elsewhere, and markup in a name does nothing."""
    with visit(browser, desk.address, 1400, 1000, allowed=(desk.origin, desk.origin.replace("http", "ws"))) as seen:
        seen.page.set_default_timeout(PATIENCE_S * 1000)
        settled(seen.page)
        yield seen.page
        assert not seen.page.evaluate("window.hit")
        assert seen.asked == []
        assert [line for line in seen.said if "favicon" not in line] == []


def told(desk, *words):
    """What a command says of the file with ``--json``."""
    from simbank.cli import app

    done = CliRunner().invoke(app, [words[0], str(desk.folder / "bank.toml"), *words[1:], "--json"])
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


def view(page, name):
    """The view, open and computed of the values as they stand."""
    page.click(f"#tab-{name}")
    stands(page, name)
    return page.locator(f"#view-{name}")


def stands(page, name):
    """Wait until the view shows what was computed of the values as they stand."""
    answered(page)
    page.wait_for_function(STANDS, arg=name)


STANDS = "(name) => document.querySelector(`#view-${name} .work [role=status]`)?.textContent.endsWith('values as they stand.')"


def rows(view, title):
    """Rows of the table of that title, by heading."""
    table = view.locator("table", has=view.page.locator("caption", has_text=title))
    heads = table.locator("thead th").all_text_contents()
    return [dict(zip(heads, row.locator("th, td").all_text_contents(), strict=True)) for row in table.locator("tbody tr").all()]


def same(text, value):
    """Whether a cell is a value to the last digit that it shows."""
    if value is None:
        return text in ("–", "")
    shown = text.replace(",", "")
    places = len(shown.partition(".")[2])
    return abs(float(shown) - value) <= 0.5000001 * 10.0**-places


def everything(shown, on=True):
    shown.get_by_label("every row and column").set_checked(on)


def test_protection_is_that_of_the_command(desk, page):
    found = told(desk, "protect")
    shown = view(page, "protect")
    text = shown.inner_text()
    assert re.search(r"\d+ checks? failed", text)
    for check in found["checks"]:
        if check["status"] == "fail":
            assert check["text"] in text
    assert text.count("DC faults on a battery bank can burn and kill") == 2  # at its head and at its end
    assert "arc flash and arcing faults" in text  # what was not checked
    assert text.index("WARNING no-own-device") < text.index("What this comes to") < text.index("prospective fault currents")
    everything(shown)
    answered(page)
    faults = rows(shown, "prospective fault currents")
    assert [row["fault at"] for row in faults] == [row["place"] for row in found["faults"]]
    heads = {
        "at once [A]": "initial_a",
        "after 10 ms [A]": "after_10ms_a",
        "least [A]": "least_a",
        "least, one pack [A]": "least_one_pack_a",
    }
    for row, fault in zip(faults, found["faults"], strict=True):
        for head, key in heads.items():
            assert same(row[head], fault[key]), (head, row)
    text = shown.inner_text()
    for verdict in found["verdicts"]:  # each with its degree as a word
        assert f"{verdict['severity'].upper()} {verdict['code']} ({verdict['where']})" in text
    everything(shown, False)
    answered(page)
    look_at_pictures(shown)
    assert_accessible(page)


def look_at_pictures(shown):
    pictures = shown.locator("figure img").all()
    assert pictures
    for picture in pictures:
        assert len(picture.get_attribute("alt")) > 20
        assert picture.evaluate("async (img) => { await img.decode(); return img.naturalWidth > 100; }")


def test_layouts_are_those_of_the_command(desk, page):
    found = told(desk, "compare")
    shown = view(page, "compare")
    table, shares = rows(shown, "layouts side by side"), rows(shown, "Share of discharge ÷ share of capacity")
    assert [row["layout"] for row in table] == [row["layout"] for row in found["rows"]]
    for row, run in zip(table, found["rows"], strict=True):
        assert same(row["largest spread [points]"], run["bank"]["spread_max_points"])
        assert same(row["lost in cable [Wh]"], run["bank"]["conductor_loss_wh"])
        assert same(row["lowest port voltage [V]"], run["bank"]["port_voltage_min_v"])
        assert [share["pack"] for share in shares] == [pack["name"] for pack in run["packs"]]
        for share, pack in zip(shares, run["packs"], strict=True):
            assert same(share[run["layout"]], pack["share_ratio_discharge"])
    look_at_pictures(shown)
    assert len(shown.locator("figure img.as-drawn").all()) == len(found["rows"])  # a drawing of each
    shown.get_by_role("checkbox", name="busbar", exact=True).check()
    shown.get_by_role("checkbox", name="chain", exact=True).check()
    page.wait_for_function("document.querySelectorAll('#view-compare figure img.as-drawn').length === 2")
    stands(page, "compare")
    assert [row["layout"] for row in rows(shown, "layouts side by side")] == ["chain", "busbar"]
    assert_accessible(page)


def test_sizes_are_those_of_the_command(desk, page):
    page.click("#tab-size")  # what is typed in at once ends the study of all gauges
    shown = page.locator("#view-size")
    shown.get_by_label("Largest spread of SOC [points]").fill("none")
    shown.get_by_text("none: give a number of 0 or more").wait_for()
    answered(page)
    assert shown.get_by_label("Largest spread of SOC [points]").get_attribute("aria-invalid") == "true"
    shown.get_by_label("Largest spread of SOC [points]").fill("4")
    shown.get_by_label("Gauges to try").fill("10 AWG, no gauge")
    shown.get_by_text("no gauge: write a gauge such as").wait_for()
    shown.get_by_label("Gauges to try").fill("10 AWG, 2 AWG, 4/0 AWG")
    stands(page, "size")
    found = told(desk, "size", "--spread", "4", "--gauges", "10 AWG, 2 AWG, 4/0 AWG")
    text = shown.inner_text()
    assert found["best"] is not None
    assert f"{found['best']['layout']} in {found['best']['gauge']}" in text
    assert f"What has to be bought for {found['best']['layout']} in {found['best']['gauge']}" in text
    everything(shown)
    answered(page)
    table = rows(shown, "every layout and gauge")
    assert [(row["layout"], row["gauge"]) for row in table] == [(row["layout"], row["gauge"]) for row in found["rows"]]
    for row, size in zip(table, found["rows"], strict=True):
        assert same(row["copper [kg]"], size["copper_kg"])
        assert same(row["largest share ratio"], size["share_ratio"])
        assert same(row["spread [points]"], size["spread_points"])
        assert row["fits"].startswith("yes" if size["fits"] else "no")
    everything(shown, False)
    answered(page)
    look_at_pictures(shown)
    assert_accessible(page)


def test_options_of_protection_are_refused_in_the_words_of_the_command(desk, page):
    shown = view(page, "protect")
    before = rows(shown, "prospective fault currents")
    shown.get_by_text("Cases and limits").click()
    shown.get_by_label("Packs in the least case, at").fill("50 degC")
    warm = '"Packs in the greatest case, at"'  # the field, not the option of the command
    shown.get_by_text(f"50 degC: must be below {warm} (45 degC), the temperature of the greatest currents").wait_for()
    answered(page)
    assert shown.locator(".stale").count() == 1  # what is shown is of the values before, and says so
    assert "What is shown is of the values before." in shown.locator(".work [role=status]").inner_text()
    assert rows(shown, "prospective fault currents") == before
    shown.get_by_label("Packs in the least case, at").fill("0 degC")
    stands(page, "protect")
    assert shown.locator(".stale").count() == 0
    shown.get_by_label("Cells shorted").fill("16")
    beside = shown.locator(".field", has=page.get_by_label("Cells shorted")).locator(".wrong")
    beside.get_by_text("16: pack near has 16 cells in series: at most 15 can be followed").wait_for()
    shown.get_by_label("Cells shorted").fill("1")
    answered(page)


def test_a_study_is_cancelled_by_keyboard_and_begins_again_when_asked(desk, page):
    shown = view(page, "protect")
    type_in(page, "0.7", "packs", 0, "soc")
    cancel = shown.get_by_role("button", name="Cancel computing protection")
    cancel.wait_for()
    cancel.focus()
    page.keyboard.press("Enter")
    shown.get_by_text("Cancelled. What is shown is of the values before.").wait_for()
    answered(page)
    assert shown.locator(".stale").count() == 1
    again = shown.get_by_role("button", name="Compute protection")
    again.focus()
    page.keyboard.press("Enter")
    stands(page, "protect")
    type_in(page, "0.8", "packs", 0, "soc")


def without_time(html):
    """A report without when it was made."""
    return re.sub(r"time_utc&#34;: &#34;[^&]*", "", html)


def test_the_report_is_that_of_the_command(desk, page, tmp_path):
    from simbank.cli import app

    page.click("#tab-report")
    shown = page.locator("#view-report")
    draws, make = shown.get_by_label("Draws for the bands"), shown.get_by_role("button", name="Make the report")
    draws.fill("1")
    shown.get_by_text("1: give a whole number from 2 to 100000").wait_for()
    draws.fill("20000")  # takes long
    make.click()
    page.wait_for_function("document.querySelector('#view-report progress')?.value > 0")
    shown.get_by_role("button", name="Cancel computing the report").click()
    shown.get_by_text("Cancelled.").wait_for()
    answered(page)
    assert not shown.get_by_role("button", name="Download it").is_visible()
    for bands in ("20", "0"):
        if bands == "0":
            shown.get_by_label("with bands").uncheck()
        else:
            draws.fill(bands)
        answered(page)
        assert shown.locator(".work [role=status]", has_text="Up to date").count() == 0
        make.focus()
        page.keyboard.press("Enter")
        shown.get_by_text("Up to date: the report, of the values as they stand.").wait_for()
        with page.expect_download() as download:
            shown.get_by_role("button", name="Download it").click()
        assert download.value.suggested_filename == "bank.html"
        html, wanted = Path(download.value.path()).read_text(encoding="utf-8"), tmp_path / f"{bands}.html"
        words = [
            "run",
            str(desk.folder / "bank.toml"),
            "--integrator",
            "fast",
            "--report",
            str(wanted),
            "--bands",
            bands,
            "--json",
        ]
        assert CliRunner().invoke(app, words).exit_code == 0
        assert without_time(html) == without_time(wanted.read_text(encoding="utf-8"))
    assert_accessible(page)
    name, write = shown.get_by_label("Name in the folder"), shown.get_by_role("button", name="Write it into the folder")
    for wrong, why in {
        "../out.html": "leads out of the folder of this desk",
        "bank.toml": 'a report ends in ".html"',
    }.items():
        name.fill(wrong)
        write.click()
        answered(page)
        shown.get_by_text(why).wait_for()
    assert not (desk.folder.parent / "out.html").exists()
    (desk.folder / "mine.html").write_text("another")
    name.fill("mine.html")
    write.click()
    shown.get_by_text("mine.html: is there already").wait_for()
    assert (desk.folder / "mine.html").read_text() == "another"
    shown.get_by_label("Overwrite a file of that name").check()
    write.click()
    shown.get_by_text("Written: mine.html").wait_for()
    assert (desk.folder / "mine.html").read_text(encoding="utf-8") == html


def test_tabs_with_studies_do_not_mix_and_a_closed_one_leaves_nothing_running(desk, page, browser):
    with visit(browser, desk.address, 360, 800) as seen:
        other = seen.page
        other.set_default_timeout(PATIENCE_S * 1000)
        settled(other)
        before = desk.processes()
        type_in(other, "0.6", "packs", 0, "soc")
        settled(other)
        other.click("#tab-report")
        other.get_by_label("Draws for the bands").fill("20000")
        other.get_by_role("button", name="Make the report").click()
        other.wait_for_function("document.querySelector('#view-report progress')?.value > 0")
        started = set(desk.processes()) - set(before)
        assert started
        assert field_at(page, "packs", 0, "soc").input_value() == "0.8"
        view(page, "compare")
        assert rows(page.locator("#view-compare"), "layouts side by side")
        assert other.locator("#view-compare table").count() == 0
        assert other.evaluate("document.documentElement.scrollWidth") <= 360
    assert ended(started)
    assert desk.process.poll() is None

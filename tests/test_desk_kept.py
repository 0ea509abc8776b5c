"""What a tab worked on is there again when it comes back: loaded anew, or without its connection for longer than its page is kept."""

import asyncio
import re
import time
from types import SimpleNamespace

import pytest
from browser import needs_chromium, visit
from desks import PATIENCE_S, alive, field_at, opened, settled, type_in

pytest.importorskip("nicegui")
from playwright.sync_api import expect

from simbank.desk.document import Document
from simbank.desk.kept import KEPT_H, MOST, MOST_LETTERS, Kept

BACK_S = 1.0
CUT = "window.socket.io.engine.close()"


def test_documents_are_kept_for_hours_each_for_its_tab():
    now = [0.0]
    kept = Kept(lambda: now[0])
    one, other = Document('name = "one"\n'), Document('name = "other"\n')
    kept.put("a", one)
    kept.put("b", other)
    assert kept.take("none") is None
    assert kept.take("a") is one
    assert kept.take("a") is None  # once
    now[0] = KEPT_H * 3600.0 - 1.0
    kept.put("a", one)
    now[0] += 2.0
    assert kept.take("b") is None  # for too long
    assert kept.take("a") is one


def test_no_more_documents_are_kept_than_memory_is_for():
    kept = Kept()
    for k in range(MOST + 3):
        kept.put(str(k), Document(f'name = "{k}"\n'))
    assert len(kept) == MOST
    assert kept.take("2") is None
    assert kept.take("3").data == {"name": "3"}
    large = Document('name = ""\n')
    large.text = "#" * MOST_LETTERS
    kept.put("large", large)
    assert kept.take("4") is None
    assert kept.take("large") is large  # the last one stays


def test_tabs_that_changed_nothing_do_not_push_out_unsaved_work():
    kept, work = Kept(), Document('name = "one"\n')
    work.put(("name",), "mine", "name")
    assert work.has_to_lose
    kept.put("work", work)
    for k in range(MOST + 3):
        kept.put(str(k), Document('name = "untouched"\n'))
    assert len(kept) == MOST
    assert kept.take("work") is work


def test_time_in_which_the_machine_slept_is_not_counted_as_without_tabs(monkeypatch):
    """A look every second; the tab is there, the machine sleeps for an hour, the tab comes back after a while, and is closed."""
    from simbank.desk import server

    took_s = [1.0, 3600.0, *[1.0] * 10, 1.0, *[1.0] * 100]
    there = [True, False, *[False] * 10, True, *[False] * 100]
    looks, tab = [0.0], SimpleNamespace(has_socket_connection=False)

    async def sleep(_):
        k = len(looks) - 1
        looks.append(looks[-1] + took_s[k])
        tab.has_socket_connection = there[k]

    monkeypatch.setattr("nicegui.Client", SimpleNamespace(instances={"tab": tab}))
    monkeypatch.setattr(server, "asyncio", SimpleNamespace(sleep=sleep))
    monkeypatch.setattr(server, "time", SimpleNamespace(monotonic=lambda: looks[-1]))
    ended = SimpleNamespace(should_exit=False)
    asyncio.run(server._watch(ended, False, 20.0))
    assert ended.should_exit
    assert len(looks) - 1 == 13 + 21  # 20 s after it was closed, and not before it came back


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    with opened(tmp_path_factory.mktemp("kept"), "--stay", back_s=BACK_S) as desk:
        yield desk


@pytest.fixture
def page(desk, browser):
    with visit(browser, desk.address, 1400, 1000, allowed=(desk.origin, desk.origin.replace("http", "ws"))) as seen:
        seen.page.set_default_timeout(PATIENCE_S * 1000)
        settled(seen.page)
        yield seen.page


def soc(page):
    return field_at(page, "packs", 0, "soc")


def changed(page, text):
    """Another state of charge of the first pack, known to the desk."""
    type_in(page, text, "packs", 0, "soc")
    page.get_by_role("button", name="Undo: soc of pack A").wait_for()
    settled(page)


def undone(page):
    page.get_by_role("button", name="Undo: soc of pack A").click()
    expect(soc(page)).to_have_value("0.8", timeout=PATIENCE_S * 1000)


@needs_chromium
def test_a_tab_that_is_loaded_anew_has_its_bank_and_its_undo(page):
    changed(page, "0.61")
    page.reload()
    expect(soc(page)).to_have_value("0.61", timeout=PATIENCE_S * 1000)
    settled(page)
    undone(page)
    page.get_by_role("button", name="Redo: soc of pack A").click()
    expect(soc(page)).to_have_value("0.61", timeout=PATIENCE_S * 1000)


@needs_chromium
def test_a_tab_without_its_connection_for_long_finds_its_bank_and_nothing_runs_on_meanwhile(desk, page):
    changed(page, "0.62")
    before = set(desk.processes())
    page.click("#tab-report")
    page.get_by_label("Draws for the bands").fill("20000")
    page.get_by_role("button", name="Make the report").click()
    page.wait_for_function("document.querySelector('#view-report progress')?.value > 0")
    started = set(desk.processes()) - before
    assert started
    page.evaluate("window.before = true")
    asked = []
    page.on("dialog", lambda dialog: (asked.append(dialog.type), dialog.accept()))
    page.context.set_offline(True)
    page.evaluate(CUT)
    until = time.monotonic() + 60
    while alive(started):
        assert time.monotonic() < until
        time.sleep(0.2)
    time.sleep(2 * BACK_S)
    page.context.set_offline(False)
    page.wait_for_function("!window.before")  # loaded anew, without being asked whether it may
    expect(soc(page)).to_have_value("0.62", timeout=PATIENCE_S * 1000)
    assert asked == []
    settled(page)
    undone(page)


@needs_chromium
def test_tabs_that_come_back_do_not_mix_nor_does_a_copy_of_one(desk, page, browser):
    with visit(browser, desk.address, 1000, 800, allowed=(desk.origin, desk.origin.replace("http", "ws"))) as seen:
        other = seen.page
        other.set_default_timeout(PATIENCE_S * 1000)
        settled(other)
        changed(page, "0.63")
        changed(other, "0.64")
        for one, text in ((page, "0.63"), (other, "0.64")):
            one.reload()
            expect(soc(one)).to_have_value(text, timeout=PATIENCE_S * 1000)
            settled(one)
        with page.context.expect_page() as opening:
            page.evaluate("() => { window.open('/'); }")  # has what the tab before keeps of its session
        copy = opening.value
        settled(copy)
        expect(soc(copy)).to_have_value("0.8", timeout=PATIENCE_S * 1000)
        expect(copy.locator("#desk-undo")).to_be_disabled()
        type_in(copy, "0.65", "packs", 0, "soc")
        settled(copy)
        copy.reload()
        expect(soc(copy)).to_have_value("0.65", timeout=PATIENCE_S * 1000)
        for one, text in ((page, "0.63"), (other, "0.64")):
            expect(soc(one)).to_have_value(text)
            undone(one)


@needs_chromium
def test_without_its_desk_the_page_says_so_and_takes_nothing(page):
    changed(page, "0.63")
    off, main = page.locator("#desk-off"), page.locator("main.desk")
    expect(off).to_be_hidden()
    page.evaluate("window.socket.disconnect()")
    expect(off).to_be_visible()
    expect(off).to_contain_text("nothing is computed or saved")
    expect(page.locator("#desk-views")).to_have_class(re.compile("stale"))
    assert main.evaluate("(e) => e.inert")
    page.evaluate("window.socket.connect()")
    expect(off).to_be_hidden(timeout=PATIENCE_S * 1000)
    expect(soc(page)).to_have_value("0.63", timeout=PATIENCE_S * 1000)
    settled(page)
    assert not page.locator("main.desk").evaluate("(e) => e.inert")
    undone(page)

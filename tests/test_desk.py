"""The desk in a browser: who is let in, a bank built from nothing, errors beside fields, undo, two tabs, and that nothing runs on."""

import contextlib
import importlib
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from browser import assert_accessible, needs_chromium, sticks_out, visit
from desks import PATIENCE_S, answered, ended, field_at, opened, settled, type_in

pytest.importorskip("nicegui")
POSIX = pytest.mark.skipif(os.name != "posix", reason="processes are listed by ps")
SOCKET = "/_nicegui_ws/socket.io/?EIO=4&transport=websocket"
UPGRADE = {
    "Connection": "Upgrade", "Upgrade": "websocket", "Sec_WebSocket_Version": "13", "Sec_WebSocket_Key": "dGhlIHNhbXBsZSBub25jZQ==",
}  # fmt: skip


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    folder = tmp_path_factory.mktemp("desk")
    for name in ("classroom_chain", "hilltop_clinic"):
        (folder / f"{name}.toml").write_bytes((Path(__file__).parents[1] / "scenarios" / f"{name}.toml").read_bytes())
    (folder / "malformed.toml").write_text('name = "Half\npacks = [\n')
    with opened(folder, "--stay") as desk:
        yield desk


@pytest.fixture
def page(desk, browser):
    with visit(browser, desk.address, 1400, 1000, allowed=(desk.origin, desk.origin.replace("http", "ws"))) as seen:
        seen.page.set_default_timeout(PATIENCE_S * 1000)
        settled(seen.page)
        yield seen.page
        assert seen.asked == []  # nothing but of this desk
        assert [line for line in seen.said if "favicon" not in line] == []


# ---- who is let in ----


@pytest.mark.parametrize("path", ["/", "/view.js", "/_nicegui_ws/socket.io/?EIO=4&transport=polling", "/none"])
def test_without_the_token_nothing_is_given(desk, path):
    assert desk.ask(path, cookie=False)[0] == 403
    wrong = "x" * len(desk.token)
    assert desk.ask(path, cookie=False, Cookie=f"simbank_desk_{desk.port}={wrong}")[0] == 403
    join = "&" if "?" in path else "?"
    assert desk.ask(f"{path}{join}token={wrong}", cookie=False)[0] == 403
    assert desk.ask(f"{path}{join}token=", cookie=False)[0] == 403


def test_the_token_is_exchanged_for_a_cookie_and_leaves_the_address(desk):
    status, headers, _ = desk.ask(f"/?token={desk.token}", cookie=False)
    assert status == 303
    assert headers["location"] == "/"
    assert "HttpOnly" in headers["set-cookie"]
    assert "SameSite=Strict" in headers["set-cookie"]


def test_pages_may_load_nothing_from_elsewhere(desk):
    status, headers, body = desk.ask("/")
    assert status == 200
    assert "default-src 'none'" in headers["content-security-policy"]
    assert headers["referrer-policy"] == "no-referrer"
    for address in ("https://", "//cdn", "googleapis"):
        assert address not in body.replace("https://www.w3.org", "").replace("http://www.w3.org", ""), address


@pytest.mark.parametrize(
    "host", ["example.org", "example.org:PORT", "127.0.0.1", "127.0.0.1:1", "localhost.example.org:PORT", "[::1]:PORT"]
)
def test_another_host_is_refused(desk, host):
    assert desk.ask("/", Host=host.replace("PORT", str(desk.port)))[0] == 403
    assert desk.ask("/", Host=f"localhost:{desk.port}")[0] == 200


@pytest.mark.parametrize(
    "origin", ["http://example.org", "null", "http://127.0.0.1:1", "https://127.0.0.1:PORT", "http://localhost"]
)
def test_another_origin_is_refused_on_http_and_web_socket(desk, origin):
    origin = origin.replace("PORT", str(desk.port))
    assert desk.ask("/", Origin=origin)[0] == 403
    assert desk.ask("/", Sec_Fetch_Site="cross-site")[0] == 403
    assert desk.ask(SOCKET, Origin=origin, **UPGRADE)[0] == 403


def test_a_web_socket_needs_the_token(desk):
    assert desk.ask(SOCKET, cookie=False, Origin=desk.origin, **UPGRADE)[0] == 403


@pytest.mark.skipif(sys.platform != "linux", reason="reads the system's list of sockets")
def test_it_listens_on_this_machine_alone(desk):
    found = set()
    for table in ("tcp", "tcp6"):
        lines = [line.split() for line in Path(f"/proc/net/{table}").read_text().splitlines()[1:]]
        found |= {line[1] for line in lines if line[1].endswith(f":{desk.port:04X}") and line[3] == "0A"}  # those that listen
    assert found == {f"0100007F:{desk.port:04X}"}  # 127.0.0.1


def command(folder, *words):
    return subprocess.run([sys.executable, "-m", "simbank", *words], cwd=folder, capture_output=True, text=True, timeout=120)


def test_wrong_files_and_ports_end_with_one_line(tmp_path, desk):
    done = command(tmp_path, "desk", "none.toml", "--no-open")
    assert (done.returncode, done.stderr) == (2, "error: none.toml: no such file\n")
    (tmp_path / "half.toml").write_text("name = \n")
    done = command(tmp_path, "desk", "half.toml", "--no-open")
    assert done.returncode == 2
    assert "not TOML" in done.stderr
    done = command(tmp_path, "desk", "--no-open", "--port", str(desk.port))
    assert done.returncode == 2
    assert done.stderr.startswith(f"error: --port: {desk.port}: cannot be listened on")


@pytest.mark.parametrize(("words", "ends"), [((), True), (("--stay",), False)])
def test_what_ends_it_is_said_as_it_is(monkeypatch, words, ends):
    from typer.testing import CliRunner

    from simbank.cli import app

    monkeypatch.setattr("simbank.desk.server.serve", lambda *_, say, **__: say("http://127.0.0.1:1/"))
    done = CliRunner().invoke(app, ["desk", *words])
    assert "It ends with Ctrl-C" in " ".join(done.output.split())
    assert ("when its last tab is closed" in " ".join(done.output.split())) == ends


def test_without_the_extra_it_says_what_to_install(monkeypatch):
    from simbank.errors import InputError

    module = importlib.import_module("simbank.cli.desk")  # the package has the command under that name
    monkeypatch.setattr(module, "NEEDED", ("no_such_framework", "tomlkit"))
    with pytest.raises(InputError, match=r"needs no_such_framework, which is not installed: pip install 'simbank\[desk\]'"):
        module.desk()


def test_a_framework_that_cannot_be_loaded_is_told_in_one_line(tmp_path):
    (tmp_path / "nicegui").mkdir()
    (tmp_path / "nicegui" / "__init__.py").write_text("raise OSError('a library of the system is missing')\n")
    done = command(tmp_path, "desk", "--no-open")  # python -m: what lies in the folder comes before what is installed
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "OSError: a library of the system is missing" in done.stderr
    assert "pip install" in done.stderr


# ---- the page ----


def open_file(page, name):
    page.get_by_role("button", name="Open", exact=True).click()
    page.get_by_label("A file of this folder").select_option(name)
    page.get_by_role("button", name="Open this file").click()
    answered(page)


def figures(page):
    """The table of packs as shown: pack → heading → text."""
    table = page.get_by_role("table", name="Packs", exact=True)
    head = table.locator("thead th").all_inner_texts()
    rows = [line.locator("th, td").all_inner_texts() for line in table.locator("tbody tr").all()]
    return {row[0]: dict(zip(head, row, strict=True)) for row in rows}


@needs_chromium
def test_a_bank_built_from_nothing_is_what_the_commands_run(page, desk):
    page.get_by_role("button", name="Open", exact=True).click()
    page.get_by_role("button", name="An empty bank").press("Enter")
    errors = page.locator("#desk-errors")
    errors.get_by_text("pack_types: is required").wait_for()
    page.get_by_role("button", name="Add a pack").press("Enter")  # by keyboard: the focus goes to the new row
    page.wait_for_function("document.activeElement.id === 'at.packs.0.name'")
    page.get_by_role("button", name="Copy A").click()
    page.wait_for_function("document.activeElement.id === 'at.packs.1.name'")
    type_in(page, "0.6", "packs", 1, "soc")
    type_in(page, "120 Ah", "pack_types", "make_1", "capacity")
    type_in(page, "0.7 milliohm", "pack_types", "make_1", "cell_resistance")
    type_in(page, "5 milliohm", "pack_types", "make_1", "internal_wiring")
    page.get_by_role("button", name="Add link").click()
    type_in(page, "35 mm2", "wiring", "link", "gauge")
    page.get_by_role("button", name="Add port").press("Space")
    page.wait_for_function("document.activeElement.id === 'at.ports.0.name'")
    page.keyboard.press("Control+A")
    page.keyboard.type("inverter")
    page.keyboard.press("Enter")
    field_at(page, "duty", "kind").select_option("constant")
    type_in(page, "0.3 C", "duty", "discharge")
    type_in(page, "2", "duty", "hours")
    settled(page)
    assert errors.inner_text() == ""
    page.keyboard.press("Control+s")
    page.get_by_label("Name of the file").fill("built.toml")
    page.get_by_role("button", name="Save this file").press("Enter")
    page.get_by_text("Saved as built.toml.").wait_for()
    assert '"35 mm2"' in (desk.folder / "built.toml").read_text()  # the unit as typed
    done = command(desk.folder, "run", "built.toml", "--integrator", "fast", "--json")
    assert done.returncode == 0, done.stderr
    summary = json.loads(done.stdout)
    shown = figures(page)
    assert list(shown) == [pack["name"] for pack in summary["packs"]] == ["A", "B"]
    for pack in summary["packs"]:
        assert shown[pack["name"]]["SOC at end [%]"] == f"{100 * pack['soc_end']:.1f}"
        assert float(shown[pack["name"]]["capacity [Ah]"]) == pack["capacity_ah"] == 120
        assert float(shown[pack["name"]]["peak [A]"]) == pytest.approx(pack["current_peak_a"], abs=0.06)
        assert float(shown[pack["name"]]["throughput [Ah]"]) == pytest.approx(pack["throughput_ah"], rel=0.01)
    text = page.locator("#view-run").inner_text()
    for verdict in summary["verdicts"]:
        assert verdict["text"].split(":")[0][:60] in text
    page.reload()
    settled(page)
    open_file(page, "built.toml")
    page.wait_for_function("document.getElementById('at.wiring.link.gauge')?.value === '35 mm2'")


@needs_chromium
def test_errors_stand_beside_their_fields_in_the_words_of_the_commands_and_undo_takes_them_back(page, desk):
    field = field_at(page, "packs", 0, "soc")
    field.fill("1.5")
    wrong = page.locator('[id="at.packs.0.soc.wrong"]')
    wrong.wait_for()
    page.get_by_role("button", name="Save as").click()
    page.get_by_label("Name of the file").fill("wrong.toml")
    page.get_by_role("button", name="Save this file").click()
    page.get_by_text("Saved as wrong.toml.").wait_for()
    said = command(desk.folder, "run", "wrong.toml").stderr.removeprefix("error: wrong.toml: ").strip()
    answered(page)
    assert wrong.inner_text().endswith(said)
    assert field.get_attribute("aria-invalid") == "true"
    assert "at.packs.0.soc.wrong" in field.get_attribute("aria-describedby")
    assert "of the values before" in page.locator("#desk-state").inner_text()
    assert page.locator("#view-run .stale .bank-view").count() == 1
    page.locator("#desk-errors a").click()
    page.wait_for_function("document.activeElement.id === 'at.packs.0.soc'")
    page.keyboard.press("Control+z")
    settled(page)
    assert field.input_value() == "0.8"
    assert wrong.count() == 0
    assert page.locator("#view-run .stale .bank-view").count() == 0
    page.keyboard.press("Control+Shift+Z")
    wrong.wait_for()
    page.get_by_role("button", name="Undo: soc of pack A").click()
    settled(page)


@needs_chromium
def test_malformed_files_are_told_in_the_words_of_the_commands(page, desk):
    said = command(desk.folder, "run", "malformed.toml").stderr.removeprefix("error: malformed.toml: ").strip()
    assert said.startswith("not TOML")
    open_file(page, "malformed.toml")
    page.locator(".message").get_by_text(said).wait_for()
    page.get_by_label("or a file from elsewhere").set_input_files(
        files=[{"name": "x.toml", "mimeType": "text/plain", "buffer": b"name = <script>document.title = 1</script>\n"}]
    )
    page.locator(".message").get_by_text("line 1").wait_for()
    assert page.title() == "simbank desk"


@needs_chromium
def test_files_too_large_or_empty_leave_the_bank_and_undo_brings_back_another(page):
    page.get_by_role("button", name="Open", exact=True).click()
    upload = page.get_by_label("or a file from elsewhere")
    for name, held, said in (
        ("big.toml", b"#" * 900_000, "big.toml: too large (900 kB; at most 800 kB)"),
        ("none.toml", b"", "none.toml: has nothing"),
    ):
        upload.set_input_files(files=[{"name": name, "mimeType": "text/plain", "buffer": held}])
        page.locator(".message").get_by_text(said).wait_for()
        answered(page)
        assert field_at(page, "name").input_value() == "My bank"
    page.set_viewport_size({"width": 320, "height": 900})
    type_in(page, "n" * 300, "name")
    type_in(page, "p" * 300, "packs", 0, "name")
    settled(page)
    assert sticks_out(page) == []
    page.get_by_role("button", name="New", exact=True).click()
    page.get_by_text("Undo brings it back").wait_for()
    page.locator("#desk-undo").click()
    page.wait_for_function("document.getElementById('at.name')?.value.length === 300")
    page.get_by_text("Undo brings it back").wait_for(state="detached")


@needs_chromium
def test_names_that_look_like_markup_stay_names(page):
    page.get_by_label("name of pack").count()
    field = field_at(page, "packs", 0, "name")
    field.fill("<img src=x onerror=document.title=1>")
    field.press("Enter")
    settled(page)
    field_at(page, "packs", 0, "soc").fill("7")
    page.locator("#desk-errors a").click()
    answered(page)
    assert page.title() == "simbank desk"
    assert page.locator("img[src=x]").count() == 0


@needs_chromium
def test_two_tabs_do_not_mix(page, desk, browser):
    with visit(browser, desk.address, 1000, 800, allowed=(desk.origin, desk.origin.replace("http", "ws"))) as other:
        open_file(page, "classroom_chain.toml")
        settled(other.page)
        type_in(other.page, "0.31", "packs", 0, "soc")
        settled(other.page)
        settled(page)
        assert field_at(other.page, "name").input_value() == "My bank"
        assert field_at(page, "name").input_value() == "Classroom chain"
        assert field_at(page, "packs", 0, "soc").input_value() != "0.31"
        assert page.locator("#desk-undo").is_disabled()
        assert not other.page.locator("#desk-undo").is_disabled()


@needs_chromium
@pytest.mark.parametrize("width", [360, 1400])
def test_it_keeps_nobody_out_and_fits(desk, browser, width):
    with visit(browser, desk.address, width, 900, allowed=(desk.origin, desk.origin.replace("http", "ws"))) as seen:
        settled(seen.page)
        open_file(seen.page, "hilltop_clinic.toml")
        settled(seen.page)
        field_at(seen.page, "wiring", "link", "gauge").fill("35")
        seen.page.locator("#desk-errors a").wait_for()
        answered(seen.page)
        for summary in seen.page.locator("details > summary").all()[:3]:
            summary.click()
        assert sticks_out(seen.page) == []
        assert_accessible(seen.page)


@needs_chromium
@POSIX
def test_after_the_last_tab_nothing_runs_on(tmp_path, browser):
    with opened(tmp_path, "--grace", "1") as desk:
        with visit(browser, desk.address, allowed=(desk.origin, desk.origin.replace("http", "ws"))) as seen:
            settled(seen.page)
            pids = desk.processes()
            assert len(pids) > 1  # the one that computes, too
            time.sleep(2.5)
            assert desk.process.poll() is None  # a tab is open
        assert desk.process.wait(60) == 0
        assert ended(pids)


@POSIX
def test_after_ctrl_c_nothing_runs_on(tmp_path):
    with opened(tmp_path) as desk:
        until = time.monotonic() + PATIENCE_S
        while len(desk.processes()) < 2 and time.monotonic() < until:
            time.sleep(0.1)
        pids = desk.processes()
        assert len(pids) > 1
        desk.process.send_signal(signal.SIGINT)
        assert desk.process.wait(30) == 130
        assert ended(pids)


# ---- what one types while the desk answers late ----


@contextlib.contextmanager
def held(pids):
    """Processes held still, as on a machine that has other things to do, and let go at the end."""
    for pid in pids:
        os.kill(pid, signal.SIGSTOP)
    try:
        yield
    finally:
        for pid in pids:
            os.kill(pid, signal.SIGCONT)


def typed(page, text, *place):
    """Go to a field and type, as a person does, without leaving it."""
    field = field_at(page, *place)
    field.click()
    field.press("Control+A")
    field.press_sequentially(text, delay=90)


def focus_is_at(page, *place):
    return page.evaluate("document.activeElement.id") == ".".join(("at", *map(str, place)))


@needs_chromium
@POSIX
def test_focus_is_moved_once_and_what_is_typed_stays_in_its_field(page, desk):
    name = "my make"
    page.get_by_label("name of a new make of pack").fill(name)
    with held(desk.processes()[1:]):  # its run comes late
        page.get_by_role("button", name="Add make of pack").click()
        page.wait_for_function("document.activeElement.id === 'at.pack_types.my_make.chemistry'")
        typed(page, "30 Ah", "pack_types", "my_make", "capacity")
    answered(page)
    time.sleep(1.5)  # its run may move the focus no more
    page.keyboard.type("0", delay=90)
    page.keyboard.press("End")
    assert focus_is_at(page, "pack_types", "my_make", "capacity")
    assert field_at(page, "pack_types", "my_make", "capacity").input_value() == "30 Ah0"
    typed(page, "0.6", "packs", 0, "soc")
    page.get_by_role("button", name="Undo: soc of pack A").click()
    answered(page)
    time.sleep(1.5)
    assert page.evaluate("document.activeElement.id") == "desk-undo"


@needs_chromium
@POSIX
def test_who_has_gone_to_another_field_meanwhile_stays_there(page, desk):
    page.get_by_label("name of a new make of pack").fill("late")
    with held(desk.processes()):
        page.get_by_role("button", name="Add make of pack").click()
        typed(page, "21 degC", "ambient")
        typed(page, "Another bank", "name")
        field_at(page, "packs", 0, "grade").select_option("used")
        typed(page, "0.6", "packs", 0, "soc")
        assert field_at(page, "ambient").input_value() == "21 degC"  # though nobody has answered
        assert field_at(page, "packs", 0, "grade").input_value() == "used"
    field_at(page, "pack_types", "late", "chemistry").wait_for()
    page.keyboard.type("5", delay=90)
    answered(page)
    time.sleep(0.5)
    assert focus_is_at(page, "packs", 0, "soc")
    assert field_at(page, "packs", 0, "soc").input_value() == "0.65"
    assert field_at(page, "ambient").input_value() == "21 degC"
    assert field_at(page, "name").input_value() == "Another bank"
    assert field_at(page, "packs", 0, "grade").input_value() == "used"
    page.locator(".title").get_by_text("Another bank").wait_for()


@needs_chromium
@POSIX
def test_undo_that_is_answered_late_takes_nothing_from_what_is_typed_then(page, desk):
    typed(page, "0.6", "packs", 0, "soc")
    page.get_by_role("button", name="Undo: soc of pack A").wait_for()
    with held(desk.processes()):
        page.locator("#desk-undo").click()
        typed(page, "21", "ambient")
    page.wait_for_function("document.getElementById('at.packs.0.soc')?.value === '0.8'")
    page.keyboard.type(" degC", delay=90)
    answered(page)
    time.sleep(0.5)
    assert field_at(page, "ambient").input_value() == "21 degC"


@needs_chromium
@pytest.mark.parametrize("width", [360, 1400])
def test_every_button_of_a_pack_is_in_reach(desk, browser, width):
    with visit(browser, desk.address, width, 900, allowed=(desk.origin, desk.origin.replace("http", "ws"))) as seen:
        more = seen.page.get_by_role("button", name="More keys of A", exact=True)
        more.wait_for(timeout=PATIENCE_S * 1000)
        box, sheet = more.bounding_box(), seen.page.locator(".sheet").bounding_box()
        assert box["x"] >= sheet["x"]
        assert box["x"] + box["width"] <= sheet["x"] + sheet["width"]
        assert sticks_out(seen.page) == []


@needs_chromium
def test_enter_in_the_name_of_the_file_saves(page, desk):
    type_in(page, "Hut, north side", "name")
    settled(page)
    page.get_by_role("button", name="Save as").click()
    page.wait_for_function("document.querySelector('.dialog input')?.value === 'hut_north_side.toml'")
    page.get_by_label("Name of the file").fill("by_enter.toml")
    page.get_by_label("Name of the file").press("Enter")
    page.get_by_text("Saved as by_enter.toml.").wait_for()
    assert (desk.folder / "by_enter.toml").is_file()

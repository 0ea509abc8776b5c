"""Pages in headless Chromium: what a script in the page finds, what the console says, print to PDF; pages worked by mouse and keyboard.

Tests that work a page take the fixture ``browser`` (in conftest.py) and open it by :func:`visit`.
"""

import contextlib
import json
import re
import shutil
import subprocess
from dataclasses import dataclass, field
from importlib import resources

import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
needs_chromium = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed (Debian package chromium)")
FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update",
    "--disable-sync", "--no-first-run", "--hide-scrollbars", "--virtual-time-budget=8000",
]  # fmt: skip


def run(folder, *words):
    return subprocess.run(
        [CHROMIUM, *FLAGS, f"--user-data-dir={folder / 'profile'}", *map(str, words)], capture_output=True, text=True, timeout=120
    )


def ask(folder, html, script, width=1280):
    """What ``script`` (a function body that returns plain data) finds in a page ``width`` pixels wide, and console messages.

    The page stands in a frame of that width under a policy that refuses every request; a refusal is a console message.
    """
    policy = (
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; "
        "script-src 'unsafe-inline'; img-src data:\">"
    )
    html = html.replace("<head>", f"<head>{policy}", 1)
    inner = json.dumps(html).replace("</", "<\\/")
    page = folder / "wrapper.html"
    page.write_text(
        f"""<!DOCTYPE html><html><head><meta charset="utf-8"></head><body><iframe id="f" style="width:{width}px;height:900px;border:0"></iframe>
<pre id="found"></pre><script>
var f = document.getElementById("f");
f.onload = function () {{
  var found = (function (doc, win) {{ {script} }})(f.contentDocument, f.contentWindow);
  document.getElementById("found").textContent = "FOUND" + JSON.stringify(found) + "END";
}};
f.srcdoc = {inner};
</script></body></html>""",
        encoding="utf-8",
    )
    done = run(folder, "--enable-logging=stderr", f"--window-size={max(width, 800)},1000", "--dump-dom", page.as_uri())
    match = re.search(r"FOUND(.*?)END</pre>", done.stdout, re.DOTALL)
    assert match, done.stderr[-2000:]
    text = match[1].replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&")
    return json.loads(text), [line for line in done.stderr.splitlines() if "CONSOLE" in line]


OVERLAPS = """
  var boxes = Array.prototype.map.call(doc.querySelectorAll("text.label"), function (t) {
    var b = t.getBoundingClientRect(); return [t.textContent, b.left, b.top, b.right, b.bottom];
  });
  var out = [];
  for (var i = 0; i < boxes.length; i++) for (var j = i + 1; j < boxes.length; j++) {
    var a = boxes[i], b = boxes[j];
    if (a[1] + 0.5 < b[3] && b[1] + 0.5 < a[3] && a[2] + 1 < b[4] && b[2] + 1 < a[4]) out.push([a[0], b[0]]);
  }
  return {overlaps: out, labels: boxes.length};
"""


# ---- a page that is worked by mouse and keyboard ----

PATIENCE_MS = 120_000  # of a busy machine; what a test waits for comes within a second on one that has nothing else to do


@contextlib.contextmanager
def started():
    """Debian's Chromium, driven by Playwright; the library comes with its driver, and no browser is downloaded.

    Ended with each module of tests: while it runs, nothing else in this thread may run an event loop.
    """
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        try:
            yield chromium
        finally:
            chromium.close()


@dataclass
class Visit:
    """A page that is open, what it asked for besides itself (addresses), and what the console said (errors, warnings)."""

    page: object
    asked: list = field(default_factory=list)
    said: list = field(default_factory=list)


@contextlib.contextmanager
def visit(browser, address, width=1280, height=900, *, allowed=(), **how):
    """A page open in a window of its own, closed at the end.

    ``allowed``: beginnings of addresses that it may ask for besides its own, such as those of the server that it comes from. What is
    in the page itself (``data:``, ``blob:``) counts as no request. A page of runs notes in ``window.pointShown`` which run it shows.
    ``how``: options of Playwright's ``new_context``, such as ``color_scheme="dark"``, ``reduced_motion="reduce"``, ``has_touch=True``.
    """
    context = browser.new_context(viewport={"width": width, "height": height}, **how)
    context.set_default_timeout(PATIENCE_MS)
    context.add_init_script("document.addEventListener('runshown', (e) => { window.pointShown = e.detail.point; })")
    try:
        page = context.new_page()
        seen = Visit(page)
        own = (address, "data:", "blob:", *allowed)

        def asked(request):
            if not request.url.startswith(own):
                seen.asked.append(request.url)

        page.on("request", asked)
        page.on("websocket", lambda socket: None if socket.url.startswith(own) else seen.asked.append(socket.url))
        page.on("console", lambda message: seen.said.append(message.text) if message.type in ("error", "warning") else None)
        page.on("pageerror", lambda error: seen.said.append(str(error)))
        page.goto(address)
        yield seen
    finally:
        context.close()


def barriers(page, least=("serious", "critical")):
    """What axe-core finds in a page that keeps people out, of these degrees: rule, what is wrong, and where."""
    page.evaluate((resources.files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8"))
    found = page.evaluate("() => axe.run(document, {resultTypes: ['violations']})")
    assert found["passes"] or found["violations"]  # it looked
    return [
        f"{one['impact']}: {one['id']}: {one['help']}: {node['html'][:200]} {node.get('failureSummary', '')}"
        for one in found["violations"]
        if one["impact"] in least
        for node in one["nodes"]
    ]


def assert_accessible(page):
    """axe-core finds nothing serious or critical."""
    found = barriers(page)
    assert not found, "\n".join(found)


def sticks_out(page):
    """What reaches beyond the right or left edge of the window and would make the whole page scroll sideways."""
    return page.evaluate(
        """() => {
          const wide = document.documentElement.scrollWidth, view = window.innerWidth;
          if (wide <= view) return [];
          return Array.from(document.body.querySelectorAll("*"))
            .filter((e) => { const b = e.getBoundingClientRect(); return b.width && (b.right > view + 1 || b.left < -1); })
            .map((e) => `${e.tagName} ${e.className} ${e.textContent.slice(0, 40)}`)
            .concat(`page ${wide} in ${view}`);
        }"""
    )

"""Pages in headless Chromium: what a script in the page finds, what the console says, print to PDF."""

import json
import re
import shutil
import subprocess

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

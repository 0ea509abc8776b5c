"""The harness that works pages in a browser: what it must see, it sees."""

import pytest
from browser import assert_accessible, barriers, sticks_out, visit

GOOD = """<!DOCTYPE html><html lang="en"><head><title>t</title><meta charset="utf-8"></head><body><main><h1>One</h1>
<label for="a">How much</label> <input id="a" type="range" min="0" max="3" value="0"> <output id="b" for="a">0</output>
<script>a.oninput = () => { b.textContent = a.value; };</script></main></body></html>"""


def written(folder, text):
    path = folder / "page.html"
    path.write_text(text, encoding="utf-8")
    return path.as_uri()


def test_a_page_is_worked_by_keyboard(browser, tmp_path):
    with visit(browser, written(tmp_path, GOOD), 360) as seen:
        seen.page.keyboard.press("Tab")
        seen.page.keyboard.press("ArrowRight")
        assert seen.page.text_content("#b") == "1"
        assert_accessible(seen.page)
        assert not sticks_out(seen.page)
        assert (seen.asked, seen.said) == ([], [])


@pytest.mark.parametrize(
    ("old", "new", "rule"),
    [('<label for="a">How much</label>', "How much", "label"), ("<h1>", '<h1 style="color:#bbb">', "color-contrast")],
)
def test_a_barrier_is_found(browser, tmp_path, old, new, rule):
    with visit(browser, written(tmp_path, GOOD.replace(old, new))) as seen:
        assert rule in " ".join(barriers(seen.page))
        with pytest.raises(AssertionError, match=rule):
            assert_accessible(seen.page)


def test_a_request_an_error_and_a_wide_page_are_seen(browser, tmp_path):
    more = '<img src="http://127.0.0.1:9/x.png" alt="x"><p style="width:2000px">wide</p><script>nothing.there()</script></main>'
    with visit(browser, written(tmp_path, GOOD.replace("</main>", more))) as seen:
        assert seen.asked == ["http://127.0.0.1:9/x.png"]
        assert any("nothing is not defined" in line for line in seen.said)
        assert any(line.startswith("P ") for line in sticks_out(seen.page))

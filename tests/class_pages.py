"""Pages for a class as they are stored: making them anew, and holding one against another.

``python tests/class_pages.py`` makes every lesson of notebooks/pages anew; ``python tests/class_pages.py compare FOLDER`` holds the
stored pages against those made in FOLDER.
"""

import base64
import json
import re
import sys
import zlib
from pathlib import Path

import numpy as np

PAGES = Path(__file__).parent.parent / "notebooks" / "pages"
LESSONS = sorted(PAGES.glob("*.toml"))
NUMBER = re.compile(r"[-−]?\d[\d,]*(?:\.\d+)?(?:e[-+]?\d+)?")
RELATIVE, ABSOLUTE = 5e-3, 0.11  # of numbers in words, which pages round: another machine or library may round the other way
STEPS = 2  # by which a sample may differ, of those that a page tells apart
CHANGES = (  # what differs from day to day and from version to version
    (r"simbank \d[^ ,]*, (fast|reference) integrator", r"simbank, \1 integrator"),
    (r"made on \d{4}-\d\d-\d\d", "made on a day"),
)


def inside(page, block):
    """The text of one of a page's two blocks."""
    return re.search(rf'<script type="application/octet-stream" id="{block}">(.*?)</script>', page, re.DOTALL)[1]


def index_of(page):
    """What a page says of its runs."""
    return json.loads(zlib.decompress(base64.b64decode(inside(page, "index"))))


def series_of(page):
    """The series of each run of a page, by kind."""
    from simbank.page.packed import unpacked

    index, lines = index_of(page), inside(page, "series").split("\n")
    return [
        unpacked(lines[run["line"]], run["samples"], index["rows"][run["rows"]], index["steps"])
        for run in index["runs"]
        if "line" in run
    ]


def words_of(page):
    """All that a page says but its runs, without what differs from day to day."""
    for block in ("index", "series"):
        page = page.replace(inside(page, block), "")
    page = re.sub(r"'sha256-[^']*'", "", page)
    for pattern, instead in CHANGES:
        page = re.sub(pattern, instead, page)
    return page


def same_words(one, other):
    """Whether two texts agree, numbers within rounding."""
    words = [NUMBER.sub("#", text) for text in (one, other)]
    numbers = [[float(x.replace("−", "-").replace(",", "")) for x in NUMBER.findall(text)] for text in (one, other)]
    return words[0] == words[1] and np.allclose(*numbers, rtol=RELATIVE, atol=ABSOLUTE)


def told(index):
    """What an index says of its runs, in words."""
    bare = [{key: value for key, value in run.items() if key not in ("line", "samples", "rows")} for run in index["runs"]]
    names = ("controls", "begin", "as_in_file", "figures", "pack_head", "banks", "calendars", "verdicts", "step_s")
    return json.dumps([bare, *(index[name] for name in names)], ensure_ascii=False)


def differences(stored, fresh):
    """What one page shows otherwise than another one, a line each."""
    if words_of(stored) != words_of(fresh) and not same_words(words_of(stored), words_of(fresh)):
        return ["other words"]
    one, other = index_of(stored), index_of(fresh)
    found = [] if same_words(told(one), told(other)) else ["other settings, verdicts or figures"]
    series = series_of(stored), series_of(fresh)
    if len(series[0]) != len(series[1]):
        return [*found, "another number of runs"]
    for number, (a, b) in enumerate(zip(*series, strict=True)):
        for kind in a:
            step = one["steps"]["soc" if kind == "soc" else kind[-1]]
            if a[kind].shape != b[kind].shape or np.quantile(np.abs(a[kind] - b[kind]), 0.98) > STEPS * step * 1.001:
                found.append(f"run {number}: {kind} over time")
    return found


def main(words):
    if words[:1] != ["compare"]:
        from simbank.page.lesson_page import write_lesson

        for path in LESSONS:
            print(write_lesson(path, path.with_suffix(".html")), flush=True)
        return 0
    pairs = [(path.with_suffix(".html"), Path(words[1]) / path.with_suffix(".html").name) for path in LESSONS]
    found = [f"{a.name}: {line}" for a, b in pairs for line in differences(a.read_text("utf-8"), b.read_text("utf-8"))]
    if found:
        print(*found, "Stored pages are stale: python tests/class_pages.py makes them anew; look at them.", sep="\n")
    return bool(found)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

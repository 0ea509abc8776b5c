"""Lessons as they are stored: with their pictures, made by the code that stands there, with everything that a lesson has."""

import ast
import re
from copy import deepcopy

import lessons
import pytest
from browser import needs_chromium, run

import simbank

PATHS = sorted(lessons.LESSONS.glob("*.ipynb"))
SHEET = lessons.LESSONS / "clamp_meter_sheet.html"
LARGEST = 400_000  # bytes
every_lesson = pytest.mark.parametrize("path", PATHS, ids=lambda p: p.stem[:2])


def text_of(notebook, kind):
    return "\n\n".join(lessons.source(cell) for cell in notebook["cells"] if cell["cell_type"] == kind)


def test_nine_lessons():
    assert [path.name[:2] for path in PATHS] == ["01", "02", "03", "04", "05", "06", "07", "08", "09"]


@every_lesson
def test_outputs_are_those_of_the_code(path):
    """Code that was changed without being executed has another hash. That the code still gives these outputs, ``.ci/run`` checks."""
    notebook = lessons.read(path)
    assert notebook["metadata"]["outputs_of_code"] == lessons.code_hash(notebook)
    counts = [cell["execution_count"] for cell in notebook["cells"] if cell["cell_type"] == "code"]
    assert counts == list(range(1, len(counts) + 1))  # run once, from top to bottom


@every_lesson
def test_pictures_are_stored(path):
    notebook = lessons.read(path)
    found = list(lessons.pictures(notebook))
    assert len(found) >= 2
    for _, kind, data in found:
        if kind == "svg":
            assert data.lstrip().startswith("<svg")
            assert data.count("<path") + data.count("<line") > 5
        else:
            light = lessons.pixels(data)
            assert 300 <= light.shape[1] <= 1600
            assert 200 <= light.shape[0] <= 1200
            assert 0.01 < (light < 0.8).mean() < 0.6  # there is something on it
    with_picture = {k for k, _, _ in found}
    told = {k for k, output in lessons.outputs(notebook) if re.search(r"<Figure|<Axes|SVG object", str(output.get("data", "")))}
    assert told <= with_picture  # a figure is shown, not named


@every_lesson
def test_outputs_are_clean_and_the_same_each_time(path):
    notebook = lessons.read(path)
    assert path.stat().st_size < LARGEST
    for k, output in lessons.outputs(notebook):
        assert output["output_type"] != "error", k
        assert output.get("name") != "stderr", k
        data = output.get("data", {})
        shown = "".join(output.get("text", "")) + "".join(str(part) for kind, part in data.items() if kind != "image/png")
        told = re.search(
            r"(?<![\w.<])/(?:work|home|root|tmp|usr|opt)/|[A-Z]:\\|\b20\d\d-\d\d-\d\d|\b\d\d:\d\d:\d\d\b|0x[0-9a-f]{6}", shown
        )
        assert told is None, (k, told)
    assert not any(re.search(r"/work|/home|Path\.cwd|__file__", lessons.source(cell)) for cell in notebook["cells"])


@every_lesson
def test_a_lesson_has_all_its_parts(path):
    notebook = lessons.read(path)
    prose = text_of(notebook, "markdown")
    for words in (
        "**Caution.**", "<summary><b>For the teacher</b></summary>", "What people get wrong", "**The question.**",
        "**Predict first.**", "**By hand", "**Three questions.**", "**What to measure on a real bank.**",
    ):  # fmt: skip
        assert words in prose, words
    assert prose.count("<details>") == prose.count("</details>") == prose.count("<summary>")
    assert len(re.findall(r"<summary>Answer</summary>\n\n\S", prose)) == 4  # a blank line, or it would not be set as text
    kinds = [cell["cell_type"] for cell in notebook["cells"]]
    predict = next(k for k, cell in enumerate(notebook["cells"]) if "**Predict first.**" in lessons.source(cell))
    assert predict < kinds.index("code")
    three = next(lessons.source(cell) for cell in notebook["cells"] if "**Three questions.**" in lessons.source(cell))
    asked = re.findall(r"^\*\*(\d)\.\*\* .+\n\n<details><summary>Answer</summary>\n\n.+\n</details>$", three, re.MULTILINE)
    assert asked == ["1", "2", "3"]  # not as a list, out of which an answer would fall, unfolded


@every_lesson
def test_what_the_text_says_is_held_by_assertions_at_the_number_as_shipped(path):
    """Sentences with numbers hold for the number as printed; a guard that is false there would let them rot."""
    code = text_of(lessons.read(path), "code").replace("%matplotlib inline", "")
    tree = ast.parse(code)
    assert sum(isinstance(node, ast.Assert) for node in ast.walk(tree)) >= 6
    change = re.search(r"^(\w+) = (.+?)  # .*CHANGE TH", code, re.MULTILINE)
    guard = re.search(r"^AS_PRINTED = (\w+) == (.+?)(?:  #|$)", code, re.MULTILINE)
    assert change[1] == guard[1]
    assert ast.literal_eval(change[2]) == ast.literal_eval(guard[2])
    guarded = [node for node in ast.walk(tree) if isinstance(node, ast.If) and ast.unparse(node.test) == "AS_PRINTED"]
    assert sum(isinstance(node, ast.Assert) for branch in guarded for node in ast.walk(branch)) >= 3


def test_the_page_of_the_lessons_lists_them_with_their_minutes():
    page = (lessons.LESSONS / "README.md").read_text(encoding="utf-8")
    for path in PATHS:
        row = next(line for line in page.splitlines() if f"({path.name})" in line)
        minutes = re.search(r"\*\*Time and level:\*\* (\d+) minutes", text_of(lessons.read(path), "markdown"))[1]
        assert f"| {minutes} |" in row


def cells_of(html):
    rows = re.findall(r"<tr>(.*?)</tr>", html, re.DOTALL)
    return [re.findall(r"<td[^>]*>(.*?)</td>", row) for row in rows if "<td" in row]


def test_the_sheet_expects_what_the_ladder_gives():
    """Closed form of the ladder, cosh(g (N + 1/2 − k)), as in lesson 1: 17.6 milliohm a pack, 0.6 a link, 100 A."""
    import numpy as np

    g = np.arccosh(1 + 0.6 / 17.6)
    share = np.cosh(g * (5.5 - np.arange(1, 6)))
    pack_a = 100 * share / share.sum()
    link_a = 100 - np.cumsum(pack_a)[:4]
    rows = cells_of(SHEET.read_text(encoding="utf-8"))
    for pole in "+-":
        links = {row[1]: row for row in rows if row[1].startswith("link") and row[1].endswith(pole)}
        assert list(links) == [f"link P{k}-P{k + 1} {pole}" for k in (4, 3, 2, 1)]  # far ones first
        assert [float(row[2]) for row in links.values()] == pytest.approx(link_a[::-1], abs=0.06)
        for row in links.values():
            assert float(row[4]) == pytest.approx(0.6 * float(row[3]), abs=0.09)  # mV = A × mΩ
            assert row[5:] == ["", "", ""]  # room to write
    packs = [row for row in rows if re.fullmatch(r"P\d", row[0])]
    assert [float(row[2]) for row in packs] == pytest.approx(pack_a, abs=0.06)


def test_the_sheet_warns():
    text = SHEET.read_text(encoding="utf-8").lower()
    for words in (
        "caution",
        "live",
        "competent person",
        "licensed",
        "local code",
        "pack maker's manual",
        "never open a connection",
    ):
        assert words in text
    assert "safe" not in re.sub(r"<[^>]*>", "", text)


@needs_chromium
def test_the_sheet_prints_on_one_page(tmp_path):
    run(tmp_path, f"--print-to-pdf={tmp_path / 'sheet.pdf'}", "--no-pdf-header-footer", SHEET.as_uri())
    assert len(re.findall(rb"/Type\s*/Page\b", (tmp_path / "sheet.pdf").read_bytes())) == 1


def picture_of(heights):
    import io

    from matplotlib.figure import Figure

    figure, file = Figure(figsize=(6, 3)), io.BytesIO()
    figure.subplots().plot(heights)
    figure.savefig(file, format="png", dpi=100)
    return file.getvalue()


def test_a_picture_that_shows_something_else_is_found():
    same, moved = picture_of([1, 2, 3, 2, 5]), picture_of([1, 2, 3, 2.6, 5])
    assert lessons.same_picture(same, picture_of([1, 2, 3, 2, 5]))
    assert not lessons.same_picture(same, moved)


def test_a_number_that_has_changed_is_found():
    assert lessons.same_text("P1   27.13 A", "P1 27.14 A")
    assert not lessons.same_text("P1 27.13 A", "P1 27.53 A")
    assert not lessons.same_text("fuse opens", "fuse stays")


def test_stale_outputs_are_found():
    stored = lessons.read(PATHS[0])
    assert lessons.differences(stored, stored) == []
    other = deepcopy(stored)
    table = next(
        output for _, output in lessons.outputs(other) if "27.13" in "".join(output.get("data", {}).get("text/plain", ""))
    )
    table["data"]["text/plain"] = "".join(table["data"]["text/plain"]).replace("27.13", "28.13")
    assert lessons.differences(stored, other)
    other = deepcopy(stored)
    del other["cells"][-1]["outputs"][:]
    assert lessons.differences(stored, other)


def test_lessons_take_their_banks_from_the_package():
    """So they run wherever simbank is installed; those of lessons 6 and 7 are made up on the spot."""
    for path in PATHS[:5]:
        named = re.findall(r'sb\.example\("(\w+)"', text_of(lessons.read(path), "code"))
        assert named
        for name in named:
            assert simbank.example(name).bank.packs

"""The report as a page: what stands first, numbers on the drawing, alike rows, sources, readings to fill in; in a browser and on paper."""

import base64
import html
import io
import re
import time
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from browser import OVERLAPS, ask, needs_chromium, run
from conftest import ROOT

import simbank
from simbank.report import write_report
from simbank.report.failures import failures
from simbank.report.parts import Figures, grouped, table
from simbank.studies import readings

# What sticks out of the screen and is not in an area that scrolls, labels of a drawing that overlap, areas that scroll without
# saying so, and texts that are cut off.
LOOK = """
  var root = doc.documentElement, out = [], view = win.innerWidth;
  Array.prototype.forEach.call(doc.body.querySelectorAll("*"), function (e) {
    if (e.closest(".wide") || e.closest("pre") || e.closest(".parts")) return;
    var b = e.getBoundingClientRect();
    if (b.width && (b.right > view + 1 || b.left < -1)) out.push(e.tagName + " " + e.className + " " + e.textContent.slice(0, 40));
    var s = win.getComputedStyle(e);
    if (s.overflow !== "visible" && e.scrollWidth > e.clientWidth + 1) out.push("cut: " + e.tagName + " " + e.className);
  });
  var areas = doc.querySelectorAll(".wide");
  var silent = Array.prototype.filter.call(areas, function (a) {
    var hint = a.parentNode.querySelector(".hint"), scrolls = a.scrollWidth > a.clientWidth + 1;
    var shown = hint !== null && hint.getBoundingClientRect().height > 0;
    return scrolls !== shown;
  }).length;
  var overlaps = Array.prototype.map.call(doc.querySelectorAll("figure.drawing > .wide > svg"), function (part) { PART });
  return {wide: root.scrollWidth, view: view, out: out, silent: silent, areas: areas.length, overlaps: overlaps};
""".replace("PART", OVERLAPS.replace('doc.querySelectorAll("text.label")', 'part.querySelectorAll("text.label")'))


@pytest.fixture(scope="module")
def strings():
    """Three strings, nine packs, two inverters; little is as it should be."""
    return simbank.load(ROOT / "tests" / "trials" / "three_strings.toml")


@pytest.fixture(scope="module")
def protection(strings):
    return simbank.protect(strings, run=False)


@pytest.fixture(scope="module")
def page(tmp_path_factory, strings, protection):
    path = tmp_path_factory.mktemp("page") / "page.html"
    return write_report(strings, path, protection=protection, site="Shed 3", author="A. Nobody")


def section(text, name, until):
    return text[text.index(f'id="{name}"') : text.index(f'id="{until}"')]


def tables(text):
    """Tables of a page by caption, cells as texts."""

    def cells(row):
        return [html.unescape(re.sub(r"<[^>]*>", "", cell)) for cell in re.findall(r"<t[hd][ >].*?</t[hd]>|<td>.*?</td>", row)]

    found = {}
    for part in re.findall(r"<table>.*?</table>", text, re.DOTALL):
        head, *rows = [cells(row) for row in re.findall(r"<tr.*?</tr>", part, re.DOTALL)]
        found[html.unescape(re.search(r"<caption>(.*?)</caption>", part)[1])] = pd.DataFrame(rows, columns=head)
    return found


def numbers(column):
    return column.str.replace(",", "").replace("–", "nan").astype(float)


# ---- what it says ----


def test_verdicts_stand_first_then_the_caution(page, protection):
    text = page.read_text(encoding="utf-8")
    told = [html.unescape(found) for found in re.findall(r'<li class="(?:danger|act|unknown|note)">.*?</li>', text)]
    verdicts = simbank.verdicts(protection, most=100)
    assert len(told) == len(verdicts) > 7
    assert all(verdict.text in line for verdict, line in zip(verdicts, told, strict=True))
    order = [text.index(words) for words in ('class="verdicts"', 'class="caution"', 'id="put-right"', 'id="bank"', 'id="packs"')]
    assert order == sorted(order)
    assert text[: order[1]].count("<li class=") == 7  # the others come after the caution
    assert '<a href="#not-checked">' in text[order[1] : order[2]]
    for words in ("Site<b>Shed 3</b>", "Author<b>A. Nobody</b>", "<div>Date</div>", "<div>Signature</div>"):
        assert words in text


def test_numbers_of_the_list_stand_on_the_drawing(page, protection):
    """Every rule that failed, the gravest first; each number of the list is on the drawing and no other."""
    found = failures(protection)
    failed = protection.checks[protection.checks["status"] == "fail"]
    assert {f.rule for f in found if f.status == "fail"} == set(failed["rule"])
    assert sum(len(f.places) for f in found if f.status == "fail") == len(failed.drop_duplicates(["rule", "where"]))
    assert found[0].rule == "interrupting rating"
    part = section(page.read_text(encoding="utf-8"), "put-right", "bank")
    listed = [int(n) for n in re.findall(r'<span class="n">(\d+)</span>', part)]
    assert listed == [f.number for f in found]
    drawn = set()
    for mark in re.findall(r'<g class="mark">.*?<text[^>]*>([^<]*)</text>', part, re.DOTALL):
        for piece in mark.split():
            first, _, last = piece.partition("–")
            drawn |= set(range(int(first), int(last or first) + 1))
    assert drawn == set(listed)


def test_the_worst_place_is_told(protection):
    """Of devices that cannot break what may flow, that which lacks most: G, a breaker of 2.5 kA."""
    first = failures(protection)[0]
    ratio = protection.checks[protection.checks["rule"] == "interrupting rating"].assign(r=lambda t: t["value"] / t["limit"])
    assert first.places[0] == ratio.loc[ratio["r"].idxmax(), "where"] == "device G"
    assert first.worst == ratio.loc[ratio["r"].idxmax(), "text"]


def test_alike_rows_are_one_with_count_and_names(page, strings):
    found = tables(page.read_text(encoding="utf-8"))
    wiring = found["Every conductor, joint and device in line"]
    assert numbers(wiring["count"]).sum() == len(strings.bank.graph.branches)
    assert sorted(", ".join(wiring["names"]).split(", ")) == sorted(b.name for b in strings.bank.graph.branches)
    assert len(wiring) < 0.4 * len(strings.bank.graph.branches)
    assert not wiring.drop(columns=["names", "count"]).duplicated().any()
    assert numbers(found["Inventory of packs"]["count"]).sum() == 9
    assert numbers(found["Fuses and breakers"]["count"]).sum() == len(strings.bank.devices)
    assert "A1, A2" in list(found["Inventory of packs"]["packs"])


def test_sources_stand_once_at_the_end(page):
    text = page.read_text(encoding="utf-8")
    sources = dict(re.findall(r'<li id="source-(\d+)">(.*?)</li>', text))
    assert set(re.findall(r'href="#source-(\d+)"', text)) == set(sources)
    assert len(set(sources.values())) == len(sources) > 5
    assert text.count("IEC 60364-4-43 434.5.2") == 1
    assert text.index('id="source-1"') > text.index('id="protection"')


def test_alternating_current_that_was_not_served_is_in_the_table_of_ports(root, tmp_path):
    small = {"duty.days": 1, "ports.inverter.inverter.rated_power": "1 kW"}
    scenario = simbank.load(root / "scenarios" / "hilltop_clinic_days.toml", small)
    result = simbank.simulate(scenario, integrator="fast")
    unmet = next(port for port in result.summary["ports"] if port["name"] == "inverter")["ac_unmet_wh"]
    assert unmet > 100
    ports = tables(write_report(scenario, tmp_path / "page.html", result=result).read_text(encoding="utf-8"))["Ports"]
    row = numbers(ports.set_index("port").loc["inverter"])
    assert row["AC unmet [Wh]"] == pytest.approx(unmet, rel=5e-3)
    assert row["AC asked [Wh]"] == pytest.approx(row["AC served [Wh]"] + row["AC unmet [Wh]"], rel=5e-3)


def test_names_are_text_and_nothing_else(root, tmp_path):
    """A name, a site, an author cannot bring markup into the page, its drawings or what is read aloud."""
    bad, pack, port = "<img src=x onerror=alert(1)>", 'G"><s>', "i<b>&amp;"
    data = simbank.load(root / "scenarios" / "valley_workshop.toml").data
    own = {
        "name": f'"{bad}', "packs": [{**data["packs"][0], "name": pack}, *data["packs"][1:]],
        "ports": [{**data["ports"][0], "name": port}], "duty": {"kind": "constant", "discharge": "50 A", "hours": 0.1},
    }  # fmt: skip
    scenario = simbank.from_dict({**data, **own})
    result, protection = simbank.simulate(scenario, integrator="fast"), simbank.protect(scenario, run=False)
    path = write_report(scenario, tmp_path / "page.html", result=result, protection=protection, site=bad, author="<u>")
    text = path.read_text(encoding="utf-8")
    for markup in ("<img", "<s>", "<u>", "i<b>"):
        assert markup not in text
    for words in (bad, pack, "<u>", port):
        assert html.escape(words, quote=False) in text.replace("&#34;", '"')
    assert set(re.findall(r"\bon\w+=", re.sub(r"&lt;.*?&gt;", "", text))) == set()


# ---- numbers ----


def test_numbers_of_a_column_share_their_digits_and_none_is_minus_zero():
    """By the unit in brackets, as on the terminal; what is missing is a dash, what is whole stays whole."""
    frame = pd.DataFrame(
        {"peak [A]": [67.72, -1e-9, None], "energy [Wh]": [-0.3, 12_345.6, 2.0], "count": [1, 20, 3000], "what": ["a", "", None]}
    )
    shown = [[cell["text"] for cell in row["cells"]] for row in table("of all kinds", frame)["rows"]]
    assert shown == [["67.7", "0", "1", "a"], ["0.0", "12,346", "20", "–"], ["–", "2", "3,000", "–"]]


def test_numbers_that_are_shown_alike_count_as_alike():
    frame = pd.DataFrame({"name": ["a", "b", "c"], "x": [1.0, 1.0 + 1e-9, 2.0], "y": ["p", "p", "p"]})
    rows, names = grouped(frame, "name", "names")
    assert names == [["a", "b"], ["c"]]
    assert rows["count"].tolist() == [2, 1]
    assert rows["names"].tolist() == ["a, b", "c"]


# ---- readings ----


def two_packs(root, **changes):
    return simbank.load(
        root / "scenarios" / "one_bad_joint.toml", {"packs.P.count": 2, "wiring.added": {}, "wiring.layout": "chain", **changes}
    )


def test_expected_readings_of_two_equal_packs_by_hand(root):
    """Two equal packs on a one-ended chain: the far one sees a link on each polarity more, so I1 : I2 = (R + 2 r) : R."""
    scenario = two_packs(root)
    found = readings(scenario, {"inverter": 50.0})
    rows = found.table.set_index("name")
    pack, link = (
        scenario.bank.packs[0].ohmic_ohm,
        next(b for b in scenario.bank.graph.branches if b.kind == "link").resistance_ohm,
    )
    far = 50.0 * pack / (2 * pack + 2 * link)
    assert rows.loc["P2", "current_a"] == pytest.approx(far, rel=1e-6)
    assert rows.loc["P1", "current_a"] == pytest.approx(50.0 - far, rel=1e-6)
    for sign in "+-":
        assert rows.loc[f"link P1-P2 {sign}", "current_a"] == pytest.approx(far, rel=1e-6)
        assert rows.loc[f"link P1-P2 {sign}", "drop_mv"] == pytest.approx(far * link * 1e3, rel=1e-6)
        assert rows.loc[f"lead inverter {sign}", "current_a"] == pytest.approx(50.0, rel=1e-9)
    assert (rows.loc["link P1-P2 +", "from"], rows.loc["link P1-P2 +", "to"]) == (
        "P2+",
        "P1+",
    )  # a discharge comes from the far pack
    assert (rows.loc["link P1-P2 -", "from"], rows.loc["link P1-P2 -", "to"]) == ("P1-", "P2-")
    assert found.at_rest_a < 1e-9
    later = rows.loc[["P1", "P2"], "later_a"]
    assert later.sum() == pytest.approx(50.0, rel=1e-6)
    assert abs(later["P1"] / later["P2"] - 1) < abs(rows.loc["P1", "current_a"] / far - 1)  # relaxation evens them out


def test_expected_readings_go_with_the_port_current(root):
    one, two = (readings(two_packs(root), {"inverter": a}).table for a in (20.0, -40.0))
    assert two["current_a"].to_numpy() == pytest.approx(2 * one["current_a"].to_numpy(), rel=1e-6)
    assert list(two["from"]) == list(one["to"])
    with pytest.raises(simbank.InputError, match="no such port"):
        readings(two_packs(root), {"invertr": 20.0})


def test_current_of_the_readings_is_small_and_round(root):
    """At most a fifth of the bank's capacity, with two digits, in the proportion of full load."""
    scenario = simbank.load(root / "tests" / "trials" / "three_strings.toml")
    found = readings(scenario)
    assert sum(found.port_a.values()) <= 0.2 * scenario.bank.capacity_ah
    assert all(float(f"{a:.1e}") == a for a in found.port_a.values())
    assert any("do not rest alike" in line for line in found.words)  # a used pack beside new ones


def test_readings_ask_no_more_than_every_conductor_carries(root):
    """The link of two equal packs carries I R/(2 R + 2 r) ≤ 10 A, at the start and ten minutes on, when relaxation has moved it."""
    scenario = two_packs(root, **{"wiring.link.ampacity": "10 A"})
    found = readings(scenario)
    pack, link = (
        scenario.bank.packs[0].ohmic_ohm,
        next(b for b in scenario.bank.graph.branches if b.kind == "link").resistance_ohm,
    )
    assert 18.0 <= found.port_a["inverter"] <= 10.0 * (2 * pack + 2 * link) / pack
    assert found.table["later_a"].notna().all()
    links = found.table[found.table["name"].str.startswith("link")]
    assert (links[["current_a", "later_a"]] <= 10.0).all(axis=None)
    said = next(line for line in found.words if "made smaller" in line)
    assert "link P1-P2" in said
    assert "10 A" in said
    assert readings(two_packs(root, **{"wiring.link.ampacity": "100 A"})).port_a["inverter"] > found.port_a["inverter"]
    more = readings(scenario, {"inverter": 50.0})  # asked for: kept, and said
    assert more.port_a == {"inverter": 50.0}
    assert any("more than it may carry" in line and "link P1-P2" in line for line in more.words)
    blind = readings(two_packs(root, **{"wiring.link": {"resistance": "0.2 milliohm"}}))
    assert any("not looked at" in line and "link P1-P2 +, link P1-P2 -" in line for line in blind.words)


def test_readings_have_columns_to_fill_in(page, strings):
    frame = tables(page.read_text(encoding="utf-8"))["To fill in: what each conductor, device and pack should show"]
    assert len(frame) == len(strings.bank.graph.branches) + len(strings.bank.packs)
    assert (frame[["measured [A]", "measured [mV]"]] == "").all(axis=None)
    expected = readings(strings).table
    assert numbers(frame["at once [A]"]).to_numpy() == pytest.approx(expected["current_a"].to_numpy(), rel=6e-3, abs=1e-9)


# ---- figures ----


def test_a_line_of_many_points_is_an_image_that_keeps_its_extremes():
    from matplotlib.figure import Figure

    values = np.zeros(60_000)
    values[31_234] = 1.0  # one sample among sixty thousand
    figure = Figure(figsize=(8.6, 4.4))
    axis = figure.subplots()
    axis.plot(values, color="#000000", linewidth=1.0)
    axis.set_ylim(-0.1, 1.05)
    part = Figures().figure(figure, "a spike")
    assert len(part["svg"]) < 120_000
    (encoded,) = re.findall(r'base64,([^"]*)"', part["svg"])
    from PIL import Image

    alpha = np.asarray(Image.open(io.BytesIO(base64.b64decode(encoded))).convert("RGBA"))[..., 3]
    rows, columns = np.nonzero(alpha > 60)
    place = np.median(columns[rows < 0.3 * alpha.shape[0]])
    left, right = columns.min(), columns.max()
    assert rows.min() < 0.08 * alpha.shape[0]  # the image ends at what is drawn: the spike reaches its top
    assert (place - left) / (right - left) == pytest.approx(31_234 / 60_000, abs=0.01)


def test_a_report_of_a_month_weighs_less_than_a_megabyte(root, tmp_path):
    scenario = simbank.load(root / "scenarios" / "hilltop_clinic_days.toml", {"duty.days": 31})
    result = simbank.simulate(scenario, integrator="fast")
    assert len(result.packs) > 14_000  # a sample in three minutes
    path = write_report(scenario, tmp_path / "page.html", result=result)
    assert path.stat().st_size < 0.75e6  # layouts and protection take the rest


def test_protection_of_ten_packs_with_its_report_takes_seconds(root, tmp_path):
    """Ten packs, compiled code at hand: the study and its page take less than ten seconds of processor time."""
    data = simbank.load(root / "scenarios" / "valley_workshop.toml").data
    packs = [{**data["packs"][0], "name": f"P{k}", "capacity_left": 1.0 - 0.02 * k} for k in range(10)]
    scenario = simbank.from_dict({**data, "packs": packs})
    simbank.protect(simbank.load(root / "scenarios" / "valley_workshop.toml"))
    begun = time.process_time()
    write_report(scenario, tmp_path / "page.html", protection=simbank.protect(scenario))
    assert time.process_time() - begun < 10.0


# ---- in a browser, on paper ----


@needs_chromium
@pytest.mark.parametrize("width", [360, 800, 1400])
def test_nothing_is_cut_and_nothing_overlaps(page, tmp_path, width):
    found, messages = ask(tmp_path, page.read_text(encoding="utf-8"), LOOK, width)
    assert not messages
    assert found["view"] == width
    assert found["wide"] <= width
    assert not found["out"]
    assert found["silent"] == 0
    assert found["areas"] > 10
    assert len(found["overlaps"]) == 3
    assert not [one["overlaps"] for one in found["overlaps"] if one["overlaps"]]


def printed(folder, path):
    """Pages of a page's print as (width, height) in millimetres."""
    run(folder, f"--print-to-pdf={folder / 'page.pdf'}", "--no-pdf-header-footer", path.as_uri())
    boxes = re.findall(rb"/MediaBox\s*\[\s*0 0 ([0-9.]+) ([0-9.]+)", (folder / "page.pdf").read_bytes())
    return [(round(float(w) / 72 * 25.4), round(float(h) / 72 * 25.4)) for w, h in boxes]


@needs_chromium
def test_a_wide_drawing_has_a_page_of_its_own_across(page, tmp_path):
    pages = printed(tmp_path, page)
    assert sum(w > h for w, h in pages) == 3
    assert all({w, h} == {216, 279} for w, h in pages)


@needs_chromium
def test_a_very_wide_drawing_is_printed_whole_and_in_parts(root, tmp_path):
    data = simbank.load(root / "scenarios" / "valley_workshop.toml").data
    many = simbank.from_dict({**data, "packs": [{**data["packs"][0], "name": "P", "count": 32}]})
    path = write_report(many, tmp_path / "page.html")
    text = path.read_text(encoding="utf-8")
    boxes = [list(map(float, box.split())) for box in re.findall(r'<svg role="img" aria-label="part[^>]*viewBox="([^"]*)"', text)]
    (whole,) = [list(map(float, box.split())) for box in re.findall(r'<svg xmlns[^>]*viewBox="([^"]*)"', text)]
    assert len(boxes) >= 2
    assert boxes[0][0] == pytest.approx(whole[0], abs=1)
    assert boxes[-1][0] + boxes[-1][2] == pytest.approx(whole[0] + whole[2], abs=2)
    assert all(b[0] < a[0] + a[2] - 60 for a, b in pairwise(boxes))  # they overlap: no label is lost at a seam
    pages = printed(tmp_path, path)
    assert sum(w > h for w, h in pages) == 1 + len(boxes)

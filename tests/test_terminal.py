"""What is printed: no line wider than the terminal, for every command and shipped scenario; numbers and times as a person reads them."""

import math
import os
import re
import subprocess
import sys
import time

import pandas as pd
import pytest
from conftest import ROOT
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len
from test_cli import simbank

from simbank import digits
from simbank.cli import output, tables
from simbank.cli.progress import progress_bar

SCENARIOS = sorted(path.stem for path in (ROOT / "scenarios").glob("*.toml"))
# Shorter duties and fewer sizes, so that all of them take little: the tables have the same columns and texts.
SHORT = {"hilltop_clinic_days": ["--set", "duty.days=1"]}
STUDIES = {
    "compare": ["--integrator", "fast"],
    "sweep": ["--over", "packs.*.soc=0.5,0.6", "--jobs", "1"],
    "size": ["--gauges", "2 AWG,4/0 AWG", "--all"],
    "usable": [],
    "bill": [],
    "protect": [],
}
ONCE = [
    ["drift", "scenarios/classroom_chain.toml"],
    ["join", "scenarios/valley_workshop.toml", "--add", "scenarios/additions/valley_fifth_pack.toml"],
    ["atrest", "scenarios/classroom_chain.toml", "scenarios/classroom_chain_at_rest.csv", "--after", "1", "--alike", "--draws", "50"],
    ["sensitivity", "scenarios/classroom_chain.toml", "--vary", "packs.*.soc=uniform 0.5 0.7", "--runs", "4", "--jobs", "1"],
    ["age", "scenarios/classroom_chain.toml", "--windows", "1"],
    ["cell", "list"], ["cell", "show", "lfp"], ["cell", "show", "lead_agm"], ["device", "list"], ["device", "show", "mccb"],
    ["cell", "ohm", "--volt", "53.2,52.7", "--amp", "10,60"], ["schema", "--columns"],
]  # fmt: skip


def no_wider(text, width):
    wide = [line for line in text.splitlines() if cell_len(line) > width]
    assert not wide, wide[:3]
    assert not re.search(r"(?<![\w.])-0(?:\.0*)?(?![\w.])", text), "a negative zero"
    assert not [line for line in text.splitlines() if line != line.rstrip()]


def words_of(text):
    return re.sub(r"[\s─]+", " ", text)


@pytest.fixture
def at_home(monkeypatch):
    """In the folder of the repository, in a terminal of 80 letters."""
    monkeypatch.chdir(ROOT)
    monkeypatch.setenv("COLUMNS", "80")
    return monkeypatch


@pytest.fixture
def shown(at_home):
    """What commands hand to be shown, so that it can be shown again at other widths."""
    kept, finish = [], output.Command.finish

    def keep(self, found, show, *arguments, **options):
        kept.append((found, show))
        return finish(self, found, show, *arguments, **options)

    at_home.setattr(output.Command, "finish", keep)
    return kept


@pytest.mark.parametrize("scenario", SCENARIOS)
def test_no_line_of_a_run_is_wider_than_the_terminal(scenario, at_home):
    words = ["run", f"scenarios/{scenario}.toml", "--integrator", "fast", *SHORT.get(scenario, [])]
    for width in (80, 60, 200):
        at_home.setenv("COLUMNS", str(width))
        for more in ([], ["--wide"]):
            done = simbank(*words, *more)
            assert done.returncode == 0, done.stderr
            no_wider(done.stdout, width)


@pytest.mark.parametrize("scenario", SCENARIOS)
@pytest.mark.parametrize("study", STUDIES)
def test_no_line_of_a_study_is_wider_than_the_terminal(study, scenario, shown, at_home, capsys):
    done = simbank(study, f"scenarios/{scenario}.toml", *STUDIES[study], *SHORT.get(scenario, []))
    assert done.returncode == 0, done.stderr
    no_wider(done.stdout, 80)
    ((found, show),) = shown
    for width in (80, 60, 200):
        at_home.setenv("COLUMNS", str(width))
        for wide in (False, True):
            show(found, wide)
            text = capsys.readouterr().out
            no_wider(text, width)
            if study == "protect":
                no_failed_check_is_left_out(found.checks, words_of(text), scenario)


def no_failed_check_is_left_out(checks, text, scenario):
    failed = checks[checks["status"].isin(["fail", "not checkable"])]
    assert len(failed) or scenario == "valley_workshop"  # the one that is built as it should be
    for row in failed.itertuples():
        assert row.text in text
        assert row.where in text


@pytest.mark.parametrize("words", ONCE, ids=" ".join)
def test_no_line_of_other_commands_is_wider_than_the_terminal(words, at_home):
    for width in (80, 60):
        at_home.setenv("COLUMNS", str(width))
        for more in ([], ["--wide"]) if words[0] in ("cell", "device") and words[1] != "ohm" else ([],):
            done = simbank(*words, *more)
            assert done.returncode == 0, done.stderr
            no_wider(done.stdout, width)


def commands():
    from typer.main import get_command

    from simbank.cli import app

    for name, command in get_command(app).commands.items():
        below = getattr(command, "commands", None)
        yield from ([name, inner] for inner in below) if below else [[name]]


@pytest.mark.parametrize("words", [[], *commands()], ids=" ".join)
def test_help_fits_and_nothing_of_it_is_cut_off(words, at_home):
    for width in (80, 60, 45):
        at_home.setenv("COLUMNS", str(width))
        done = simbank(*words, "--help")
        assert done.returncode == 0
        assert max(map(cell_len, done.stdout.splitlines())) <= width
        assert "…" not in done.stdout
        assert not re.search(r"\w\.\.\.$", done.stdout, re.M)


def test_the_width_is_what_columns_says_and_80_in_a_pipe(monkeypatch):
    monkeypatch.setenv("COLUMNS", "132")
    assert output.page_width() == 132
    monkeypatch.setenv("COLUMNS", "5")  # nothing can be read in that
    assert output.page_width() == 40
    for nothing in ("", "0", "wide"):
        monkeypatch.setenv("COLUMNS", nothing)
        assert output.page_width() == 80
    monkeypatch.delenv("COLUMNS")
    assert output.page_width() == 80


def test_wide_shows_every_column_and_no_more_is_lost_in_a_narrow_terminal(at_home):
    from simbank.cli.run import _MORE_OF_PACKS, _PACK_COLUMNS

    words = ["run", "scenarios/classroom_chain.toml", "--integrator", "fast"]
    at_home.setenv("COLUMNS", "400")
    plain, wide = simbank(*words).stdout, simbank(*words, "--wide").stdout
    for heading in (_PACK_COLUMNS | _MORE_OF_PACKS).values():
        assert set(heading.split()) <= set(wide.split()), heading
    assert "throughput" in wide
    assert "throughput" not in plain
    at_home.setenv("COLUMNS", "50")
    narrow = words_of(simbank(*words, "--wide").stdout)
    for number in re.findall(r"\d[\d.,]+", wide.partition("State of charge")[0]):
        assert number in narrow


def test_bars_stand_near_to_far_as_the_result_says(at_home):
    import simbank as sb

    scenario = sb.load("scenarios/classroom_chain.toml")
    soc = sb.simulate(scenario, integrator="fast").soc_at_rest()
    text = simbank("run", "scenarios/classroom_chain.toml", "--integrator", "fast").stdout
    rows = re.findall(r"^(\w+) +[█▏▎▍▌▋▊▉·]+ +([\d.]+) %$", text, re.M)
    assert [name for name, _ in rows] == list(soc.columns)
    widest = soc.loc[(soc.max(axis=1) - soc.min(axis=1)).idxmax()]
    assert [float(percent) for _, percent in rows] == pytest.approx([100.0 * share for share in widest], abs=0.051)


def test_of_sixty_packs_bars_show_the_nearest_and_the_farthest(at_home, tmp_path):
    from simbank.cli.run import MOST_BARS

    path, text = tmp_path / "sixty.toml", (ROOT / "scenarios" / "classroom_chain.toml").read_text(encoding="utf-8")
    path.write_text(text.replace("count = 5 ", "count = 60 "), encoding="utf-8")
    done = simbank("run", str(path), "--set", "duty.repeat=1", "--integrator", "fast")
    assert done.returncode == 0, done.stderr
    names = re.findall(r"^(\S+) +[█▏▎▍▌▋▊▉·]+ +[\d.]+ %$", done.stdout, re.M)
    half = MOST_BARS // 2
    assert names == [f"P{k}" for k in (*range(1, half + 1), *range(61 - half, 61))]
    assert f"Between the nearest {half} and the farthest stand {60 - MOST_BARS} more." in words_of(done.stdout)


def test_each_kind_of_event_at_each_place_is_shown(capsys, at_home):
    from simbank.cli.run import MOST_EVENTS, _show_events

    calm = [{"time_s": 3600.0 * k, "where": "out", "what": "charge ended", "because": "", "code": "charged"} for k in range(50)]
    trip = {"time_s": 200_000.5, "where": "fuse", "what": "opened", "because": "300 A", "code": "device-opened"}
    _show_events([*calm, trip, trip | {"time_s": 200_000.7, "where": "other"}], False)
    text = capsys.readouterr().out
    assert len(re.findall("charge ended", text)) == MOST_EVENTS
    assert "2 d 7:33:20.500  fuse" in text
    assert "2 d 7:33:20.700  other" in text
    assert "30 more, of the same kinds at the same places" in text
    _show_events([*calm, trip], True)
    assert len(re.findall("charge ended", capsys.readouterr().out)) == 50


def test_places_where_the_same_opens_are_told_together_with_the_span_of_times(capsys, at_home):
    from simbank.cli.protect import _show_clearing

    cleared = "device Z 900 ms; cleared after 900 ms"
    told = pd.DataFrame(
        [("far", "device Z", "yes", cleared), ("A", "none", "no", "device B 2.5 ms, device A 20 ms; NOT CLEARED"),
         ("B", "none", "no", "device B 1.37 ms, device A 20 ms; NOT CLEARED"),
         ("near", "device Z", "yes", "device Z 1.2 s; cleared after 1.2 s")]
    )  # fmt: skip
    _show_clearing(told, False)
    text = words_of(capsys.readouterr().out)
    assert "Fault at A, B Opens: device B 1.37 to 2.5 ms, device A 20 ms; NOT CLEARED." in text
    assert "Fault at far, near Opens: device Z 900 ms to 1.2 s; cleared after 900 ms to 1.2 s." in text
    assert text.index("NOT CLEARED") < text.index("Fault at far")  # what does not end stands first
    _show_clearing(told, True)
    assert len(re.findall("Fault at", capsys.readouterr().out)) == 4


# one formatter

NUMBERS = st.floats(-1e9, 1e9, allow_nan=False)


@given(st.lists(st.one_of(st.none(), NUMBERS), min_size=1, max_size=8), st.sampled_from([*digits.DIGITS, ""]))
@settings(max_examples=300, deadline=None)
def test_numbers_are_near_what_they_say_and_zero_has_no_sign(values, unit):
    said = digits.numbers(values, unit)
    seen = [(v, text) for v, text in zip(values, said, strict=True) if v is not None]
    assert [text for v, text in zip(values, said, strict=True) if v is None] == ["–"] * (len(values) - len(seen))
    largest = max((abs(v) for v, _ in seen), default=0.0)
    for value, text in seen:
        assert not re.fullmatch(r"-[0.]+", text)
        if unit:
            assert re.fullmatch(r"-?[\d,]+(\.\d+)?", text)
        # within half of the last digit of four significant ones of the largest, or of the finest of the unit
        good = max(
            5.1 * 10 ** (math.floor(math.log10(largest)) - 4) if largest else 0.0,
            0.51 * 10.0 ** -(digits.DIGITS[unit].usual if unit else 9),
        )
        assert abs(float(text.replace(",", "")) - value) <= good


@given(st.lists(st.integers(0, 40 * 86400 * 10**6), min_size=1, max_size=8))
@settings(max_examples=300, deadline=None)
def test_times_keep_their_order_and_different_ones_read_differently(microseconds):
    times = sorted(t / 1e6 for t in microseconds)
    said = digits.clocks(times)
    back = []
    for text in said:
        days, hours, minutes, seconds, part = re.fullmatch(r"(?:(\d+) d )?(\d+):(\d\d)(?::(\d\d)(?:\.(\d+))?)?", text).groups()
        assert int(hours) < 24
        assert int(minutes) < 60
        whole = int(days or 0) * 86400 + int(hours) * 3600 + int(minutes) * 60 + int(seconds or 0)
        back.append(whole + (float(f"0.{part}") if part else 0.0))
    assert len(set(said)) == len(set(times))
    for t, read, text in zip(times, back, said, strict=True):
        assert abs(read - t) <= (0.5000001 if text.count(":") == 2 else 30.0)
    assert back == sorted(back)


@given(st.floats(1e-7, 3e9))
@settings(max_examples=300, deadline=None)
def test_a_duration_reads_back_and_has_no_exponent(seconds):
    units = {"µs": 1e-6, "ms": 1e-3, "s": 1.0, "min": 60.0, "h": 3600.0, "days": 86400.0, "years": 365.25 * 86400.0}
    number, unit = digits.duration(seconds).split(" ")
    assert float(number) < 1000
    assert "e" not in number
    assert float(number) * units[unit] == pytest.approx(seconds, rel=0.0051)


WORD = st.text("abcdefgh-.ÄΩ中", min_size=1, max_size=30)
TEXT = st.lists(WORD, min_size=1, max_size=8).map(" ".join)


@given(TEXT, st.integers(10, 60), st.integers(0, 4))
@settings(max_examples=200, deadline=None)
def test_wrapped_text_keeps_its_words_and_its_width(text, width, hang):
    lines = tables.wrapped(text, width, hang)
    assert " ".join(lines).split() == text.split()
    for line in lines:
        assert cell_len(line) <= width or len(line.split()) == 1
    lines = tables.wrapped(text, width, hang, whole=tables.may_be_path)
    assert "".join("".join(lines).split()) == "".join(text.split())
    for line in lines:  # of what is wider, a path alone
        assert cell_len(line) <= width or ("." in line and len(line.split()) == 1)
    lines = tables.wrapped(text, width, hang, whole=False)
    assert "".join("".join(lines).split()) == "".join(text.split())
    assert max(map(cell_len, lines)) <= width


@given(st.lists(st.tuples(TEXT, st.booleans()), min_size=1, max_size=9), st.integers(1, 4), st.integers(40, 120), st.data())
@settings(max_examples=150, deadline=None)
def test_a_table_fits_and_loses_nothing(headings, rows, width, data):
    cells = {True: st.floats(-1e6, 1e6).map(lambda v: f"{v:,.1f}"), False: TEXT}
    columns = [tables.Column("row", [f"r{k}" for k in range(rows)], False)]
    for heading, number in headings:
        columns.append(tables.Column(heading, data.draw(st.lists(cells[number], min_size=rows, max_size=rows)), number))
    lines = [line.text for line in tables.table(columns, width)]
    assert max(map(cell_len, lines)) <= width
    together = "".join("".join(lines).split())
    for column in columns:
        if column.number:
            for text in column.cells:
                assert any(text in line for line in lines)  # whole
        assert all(letter in together for text in column.cells for letter in text.replace(" ", ""))


def test_bars_in_plain_letters(monkeypatch):
    import io
    import sys

    from simbank import streams

    streams.prepare()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(io.BytesIO(), "ascii", errors="simbank"))
    assert tables.bars([("A", 0.5), ("B", 0.0), ("C", 1.0)], 32) == [
        "A  ##########..........   50.0 %", "B  ....................    0.0 %", "C  ####################  100.0 %",
    ]  # fmt: skip


# progress


def test_progress_says_what_is_done_once_all_is_run(monkeypatch, capsys):
    from simbank.cli import progress

    monkeypatch.setattr(progress, "FIRST_S", 0.05)
    monkeypatch.setattr(progress, "EVERY_S", 0.1)
    with progress_bar("Bands of X", False, "what explains them") as tell:
        tell(1.0)
        time.sleep(0.3)
    said = capsys.readouterr().err
    assert "Bands of X: what explains them, " in said
    assert "100 %" not in said


def test_progress_in_words_where_there_is_no_terminal(monkeypatch, capsys):
    from simbank.cli import progress

    monkeypatch.setattr(progress, "FIRST_S", 0.05)
    monkeypatch.setattr(progress, "EVERY_S", 0.1)
    with progress_bar("Running X", False) as tell:
        tell(0.4)
        time.sleep(0.6)
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) >= 2
    assert all(re.fullmatch(r"Running X: (40 %, )?\d+ s", line) for line in lines)
    assert "40 %" in lines[-1]


def test_nothing_is_told_of_what_is_short_or_quiet(monkeypatch, capsys):
    from simbank.cli import progress

    with progress_bar("Running X", False) as tell:
        tell(0.4)
    monkeypatch.setattr(progress, "FIRST_S", 0.01)
    with progress_bar("Running X", True) as tell:
        assert tell is None
        time.sleep(0.1)
    assert capsys.readouterr().err == ""


def test_compiling_is_said(monkeypatch, capsys):
    from numba import njit

    from simbank.cli import progress

    monkeypatch.setattr(progress, "FIRST_S", 0.01)
    monkeypatch.setattr(progress, "EVERY_S", 0.01)

    def power(x, n):
        for _ in range(n):
            x = x * x + 1.0
        return x

    with progress_bar("Running X", False):
        assert njit(power)(0.5, 2) > 0
        told = time.monotonic()
        while time.monotonic() < told + 0.2:
            time.sleep(0.01)
    lines = capsys.readouterr().err.splitlines()
    words = "first use: compiling the equations; later runs skip this"
    assert progress.compiling_words() == words
    assert any(line.startswith(f"Running X: {words}, ") for line in lines)
    assert re.fullmatch(r"Running X: \d+ s", lines[-1])
    assert "minute" not in words
    assert "once" not in words  # each of several sets is compiled when it is first used


SETS = """
import sys, simbank
from simbank.cli import progress
progress.EVERY_S = 1.0
for integrator in ("reference", "fast", "fast"):
    with progress.progress_bar("Running X", False) as tell:
        simbank.simulate(simbank.load(sys.argv[1]), integrator=integrator, progress=tell)
"""


def test_each_set_that_is_compiled_is_told_by_its_name(tmp_path, root):
    """Once at its beginning, and what takes long again; what is ready says nothing."""
    small = tmp_path / "small.toml"
    small.write_text((root / "scenarios" / "rate_bench.toml").read_text())
    told = subprocess.run(
        [sys.executable, "-c", SETS, str(small)], capture_output=True, text=True, check=True, timeout=600,
        env=os.environ | {"NUMBA_CACHE_DIR": str(tmp_path)},
    ).stderr.splitlines()  # fmt: skip
    names = [
        re.search(r"first use: compiling the equations of the (\w+) integrator; later runs skip this, \d+ s$", line)
        for line in told
    ]
    named = [name.group(1) for name in names if name]
    assert named.count("reference") >= 2
    assert named.count("fast") >= 2
    assert named == sorted(named, reverse=True)


def test_time_left_does_not_count_compiling(monkeypatch):
    """Half of the work in as long as the other half will take, and ten times as long for the compiler in between."""
    import io

    from rich.console import Console
    from rich.progress import Progress

    from simbank import jit
    from simbank.cli import progress

    now, shown, bars = [100.0], io.StringIO(), []
    monkeypatch.setattr(progress.time, "monotonic", lambda: now[0])
    monkeypatch.setattr(progress.sys, "stderr", shown)
    monkeypatch.setattr(shown, "isatty", lambda: True, raising=False)
    start = Progress.start
    monkeypatch.setattr(Progress, "start", lambda bar: bars.append(bar) or start(bar))

    def words(bar):
        console = Console(file=io.StringIO(), width=100)
        console.print(*bar.get_renderables())
        return console.file.getvalue().strip()

    with progress.progress_bar("Running X", False) as tell:
        (bar,) = bars
        tell(0.1)
        now[0] += 10.0
        tell(0.3)
        with jit.compiling_set("the equations of faults"), jit.told_busy():
            now[0] += 200.0
            assert words(bar) == "First use: compiling the equations of faults; later runs skip this (210 s)"
        assert "Running X" in words(bar)
        now[0] += 10.0
        tell(0.5)
        (task,) = bar.tasks
        assert task.time_remaining == pytest.approx(25.0, abs=1.0)


def test_what_comes_from_the_cache_is_not_called_compiling(tmp_path):
    """A function whose machine code is there already is loaded, and nothing is said of compiling."""
    (tmp_path / "half.py").write_text(
        "import sys, time\nfrom numba import njit\nfrom simbank.cli import progress\n"
        "progress.FIRST_S = progress.EVERY_S = 0.01\n"
        "@njit(cache=True)\ndef half(x):\n    return x / 2\n"
        "with progress.progress_bar('Running X', False):\n    half(1.0)\n    time.sleep(0.3)\n"
    )
    told = [
        subprocess.run([sys.executable, "half.py"], cwd=tmp_path, capture_output=True, text=True, check=True, timeout=120).stderr
        for _ in range(2)
    ]
    assert "first use: compiling the equations;" in told[0]
    assert "Running X" in told[1]
    assert "compiling" not in told[1]

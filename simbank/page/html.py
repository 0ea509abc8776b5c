"""One self-contained HTML file with many runs in it, to be moved through by sliders and switches, without a network."""

from __future__ import annotations

import base64
import datetime
import hashlib
import json
import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

from simbank.caution import CAUTION
from simbank.errors import InputError, RunStopped
from simbank.page.alike import changes_nothing, same_runs
from simbank.page.controls import Control, controls
from simbank.page.grid import NOT_RUN, Grid, command_of, grid_points, run_grid
from simbank.page.lesson import Lesson
from simbank.page.packed import Packed, packed, steps_for
from simbank.page.shown import FIGURES, PACK_COLUMNS, PARTS, view_sources
from simbank.provenance import content_hash, package_version
from simbank.scenario import Scenario
from simbank.studies.settings import refuse_auto

__all__ = ["Page", "make_page", "write_page"]

MOST_BYTES = 3_000_000  # of a page: what a phone takes in a message
ROOM = 60_000  # of it for all that is neither series nor words
COARSER = (1, 2, 3, 4, 6, 10, 12, 20, 30, 60)  # times the finest clock
FEWER_PARTS = 1000
LEAST_SAMPLES = 25


@dataclass(frozen=True)
class Page:
    """A page, ready to be written.

    Attributes
    ----------
    html : str
        All of it.
    summary : dict
        What is in it, as ``simbank page --json`` prints it.
    stopped : bool
        Whether Ctrl-C came before all runs were done; those that were not say so on the page.
    """

    html: str
    summary: dict[str, Any]
    stopped: bool

    def write(self, path: str | Path) -> Path:
        """Write it whole, and make its folder if that is not there; OSError if it cannot be written."""
        from simbank.files import write_text

        path = Path(path)
        path.parent.mkdir(parents=True, exist_ok=True)
        write_text(path, self.html)
        return path


def write_page(
    scenario: Scenario,
    over: Mapping[str, Sequence[Any]],
    path: str | Path,
    *,
    changes: Mapping[str, Any] | None = None,
    labels: Mapping[str, str] | None = None,
    lesson: Lesson | None = None,
    integrator: str = "fast",
    jobs: int = -1,
    progress: Callable[[float], None] | None = None,
) -> Path:
    """Run a scenario at every combination of some values and write one HTML file that shows these runs, moved by sliders and switches.

    The page needs no network and computes nothing: it shows samples of runs that were made here, each value with the error that the page
    states, and between two of them the nearest.

    Parameters
    ----------
    scenario : Scenario
        What is run.
    over : dict of str to list
        Dotted key → values, two or more: a control each; one to four keys, 512 runs at most.
    path : path-like
        The HTML file to write; 3 MB at most, for which the clock is made coarser where there is much to show.
    changes : dict, optional
        Dotted key → value, set in every run; the commands that repeat a run name them.
    labels : dict of str to str, optional
        What keys are called on the page, instead of our own words.
    lesson : Lesson, optional
        What the page says for a class besides.
    integrator : {"fast", "reference"}
        Which makes the runs.
    jobs : int
        Processes on this machine; −1 for all cores.
    progress : callable, optional
        Called with the fraction of runs done.

    Returns
    -------
    pathlib.Path
        The file written.

    Raises
    ------
    InputError
        If a key or value does not fit, there are too many or too few, or a page of 3 MB cannot hold the runs.
    SimulationError
        If no run could be made. A run that fails beside others stands on the page with its error.
    RunStopped
        If Ctrl-C came before all runs were done; the page has those that were, if any was.
    OSError
        If it cannot be written.

    Examples
    --------
    >>> import simbank as sb, tempfile
    >>> over = {"duty.c_rate": [0.1, 0.2], "wiring.layout": ["chain", "chain-opposite"]}
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = sb.write_page(sb.example("classroom_chain"), over, f"{folder}/page.html", jobs=1)
    ...     path.stat().st_size < 150_000
    True
    """
    page = make_page(
        scenario, over, changes=changes, labels=labels, lesson=lesson, integrator=integrator, jobs=jobs, progress=progress
    )
    path = page.write(path)
    if page.stopped:
        raise RunStopped(stopped_words(page, path))
    return path


def stopped_words(page: Page, path: Path) -> str:
    """What is left of a page that Ctrl-C cut short."""
    runs = page.summary["runs"]
    return f"stopped with {runs - page.summary['not_run']} of {runs} runs done; {path} shows these and says which are missing"


def make_page(
    scenario: Scenario,
    over: Mapping[str, Sequence[Any]],
    *,
    changes: Mapping[str, Any] | None = None,
    labels: Mapping[str, str] | None = None,
    along: Mapping[str, Sequence[str]] | None = None,
    words: Mapping[str, Mapping[str, str]] | None = None,
    lesson: Lesson | None = None,
    integrator: str = "fast",
    jobs: int = -1,
    progress: Callable[[float], None] | None = None,
) -> Page:
    """The page of :func:`write_page`, not yet written; parameters and errors as there.

    ``along`` names for a key others that take its value, too, such as the gauge of leads for that of links; ``words`` what its values
    are called, where that is not the value itself.
    """
    refuse_auto(integrator)
    keys = controls(over, labels, words)
    changes = dict(changes or {})
    if both := [key for key in changes if key in over]:
        raise InputError("is varied; do not set it for all runs, too", key="changes", value=both[0])
    base = scenario.with_changes(changes) if changes else scenario
    points = [point | _led(point, along or {}) for point in grid_points(base, keys)]
    grid = run_grid(base, points, integrator=integrator, jobs=jobs, progress=progress)
    index = _Index(keys, grid, lesson.begin if lesson else None)
    same = same_runs(grid.runs)
    for run, point, one in zip(grid.runs, points, same, strict=True):
        index.add(run, command_of(scenario, changes | point, integrator), one)
    told = _deflated(json.dumps(index.data, ensure_ascii=False, separators=(",", ":")))
    clock = _fitted(grid, MOST_BYTES - ROOM - len(told))
    index.enter(clock)
    told = _deflated(json.dumps(index.data, ensure_ascii=False, separators=(",", ":")))
    made = {
        "simbank": package_version("simbank"), "scenario": base.name, "file": Path(base.source).name if base.source else None,
        "scenario_sha256": content_hash(base.data), "integrator": integrator, "date": datetime.date.today().isoformat(),
    }  # fmt: skip
    html = _rendered(base, keys, clock, told, made, lesson)
    summary = {
        "runs": len(grid.runs), "failed": sum(run.failure not in (None, NOT_RUN) for run in grid.runs),
        "not_run": sum(run.failure == NOT_RUN for run in grid.runs), "bytes": len(html.encode()),
        "keys": {key.key: list(key.values) for key in keys}, "clock_step_s": clock.step_s, "clock_step_least_s": clock.least_s,
        "largest_error": {"soc": clock.steps["soc"] / 2, "current_a": clock.steps["a"] / 2, "power_w": clock.steps["w"] / 2},
        "changes_nothing": changes_nothing(keys, same), "made_by": made,
    }  # fmt: skip
    return Page(html, summary, grid.stopped)


def _led(point, along):
    """Keys that take the value of another one at a point."""
    return {other: point[key] for key, others in along.items() for other in others}


# ---- series, so fine that the page is not too large ----


@dataclass(frozen=True)
class _Clock:
    """Packed series of all runs (None of one that failed), steps of their clocks [s] and of their values, the largest current [A]."""

    packed: list[Packed | None]
    each_s: list[float]
    steps: dict[str, float]
    most_a: float

    @property
    def step_s(self) -> float:
        """The longest step of a clock [s]."""
        return max(step for step, one in zip(self.each_s, self.packed, strict=True) if one is not None)

    @property
    def least_s(self) -> float:
        """The shortest."""
        return min(step for step, one in zip(self.each_s, self.packed, strict=True) if one is not None)


def _fitted(grid: Grid, room: int) -> _Clock:
    """Series as fine as there is room for (bytes): first values are made coarser, then the clock, by whole multiples."""
    series = [run.series for run in grid.runs if run.series is not None]
    longest = max(len(one) for one in series)
    most = max(float(abs(v).max(initial=0.0)) for one in series for v in (one.pack_a, one.port_a, one.branch_a))
    for every in COARSER:
        if every > 1 and longest / every < LEAST_SAMPLES:
            break
        for parts in (PARTS, FEWER_PARTS):
            fewer = [None if run.series is None else run.series.every(every) for run in grid.runs]
            steps = steps_for([one for one in fewer if one is not None], parts)
            found = [None if one is None else packed(one, steps) for one in fewer]
            if sum(len(one.text) + 1 for one in found if one is not None) <= room:
                return _Clock(found, [run.step_s * every for run in grid.runs], steps, most)
    raise InputError(
        f"{len(series)} runs of this bank and length make a page of more than {MOST_BYTES / 1e6:g} MB: give fewer values, or a shorter duty",
        key="over",
    )


# ---- what stands in the page ----


class _Index:
    """All of the page but the series: what runs have in common stands once, and runs name it by its number."""

    def __init__(self, keys: Sequence[Control], grid: Grid, begin: int | None = None):
        self._known: dict[str, dict[str, int]] = {}
        first = next(k for k, run in enumerate(grid.runs) if run.failure is None)
        if begin is None:
            begin = grid.as_in_file if grid.as_in_file is not None and grid.runs[grid.as_in_file].failure is None else first
        self.data: dict[str, Any] = {
            "controls": [
                {"key": c.key, "label": c.label, "texts": c.texts, "numbers": c.numbers, "unit": c.unit} for c in keys
            ],
            "begin": begin, "as_in_file": grid.as_in_file, "figures": list(FIGURES.items()), "pack_head": list(PACK_COLUMNS.values()),
            "banks": [], "calendars": [], "verdicts": [], "rows": [], "runs": [],
        }  # fmt: skip

    def add(self, run, command, same):
        if run.failure is not None:
            self.data["runs"].append({"failure": run.failure, "command": command})
            return
        words = run.words
        dates = {key: words[key] for key in ("start", "shifts", "nights") if key in words}
        self.data["runs"].append(
            {
                "bank": self._number("banks", run.bank), "calendar": self._number("calendars", dates),
                "verdicts": [self._number("verdicts", verdict) for verdict in words["verdicts"]],
                "figures": [text for _, _, text in words["figures"]], "packs": words["packs"]["rows"], "command": command,
                "same": same,
            }
        )  # fmt: skip

    def enter(self, clock):
        """Enter what it takes to read the series."""
        self.data |= {"step_s": clock.step_s, "steps": clock.steps, "most_a": clock.most_a}
        line = 0
        for run, one, step_s in zip(self.data["runs"], clock.packed, clock.each_s, strict=True):
            if one is not None:
                run |= {"line": line, "samples": one.samples, "rows": self._number("rows", one.rows)}
                run |= {} if step_s == clock.step_s else {"step_s": step_s}
                line += 1

    def _number(self, of, value):
        known = self._known.setdefault(of, {})
        text = json.dumps(value, sort_keys=True)
        if text not in known:
            known[text] = len(known)
            self.data[of].append(value)
        return known[text]


def _deflated(text):
    return base64.b64encode(zlib.compress(text.encode(), 9)).decode("ascii")


def _rendered(scenario, keys, clock, told, made, lesson):
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    environment = Environment(
        loader=PackageLoader("simbank.page"), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    folder = resources.files("simbank.page")
    view_js, view_css = view_sources()
    scripts = [view_js, (folder / "page.js").read_text(encoding="utf-8"), *([lesson.script] if lesson and lesson.script else [])]
    digests = [hashlib.sha256(("\n" + text).encode()).digest() for text in scripts]  # as they stand in the template
    allowed = " ".join(f"'sha256-{base64.b64encode(digest).decode('ascii')}'" for digest in digests)
    return environment.get_template("page.html.j2").render(
        title=(lesson and lesson.title) or scenario.name,
        scenario=scenario,
        keys=keys,
        runs=len(clock.packed),
        policy=f"default-src 'none'; script-src {allowed}; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'",
        styles=[Markup(view_css), Markup((folder / "page.css").read_text(encoding="utf-8"))],
        scripts=[Markup(text) for text in scripts],
        index=told,
        series="\n".join(one.text for one in clock.packed if one is not None),
        made=made,
        step=clock.step_s,
        least=clock.least_s,
        steps=clock.steps,
        caution=CAUTION,
        other_weather="duty.days" in [key.key for key in keys] and scenario.file.duty.kind == "days",
        before=Markup(lesson.before if lesson else ""),
        after=Markup(lesson.after if lesson else ""),
    )

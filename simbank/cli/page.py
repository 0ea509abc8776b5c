"""The command that makes a page to hand out."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from simbank.caution import CAUTION
from simbank.cli.options import Jobs, Json, OneIntegrator, Set, changes, grid, html_file, make_folder
from simbank.cli.output import print_json, say, show_caution
from simbank.cli.progress import progress_bar
from simbank.digits import duration
from simbank.errors import InputError, RunStopped

__all__ = ["page"]


def page(
    file: Annotated[Path | None, typer.Argument(help="Scenario file (TOML); not with --lesson.", show_default=False)] = None,
    over: Annotated[
        list[str],
        typer.Option("--over", metavar="KEY=V1,V2,...", help="Values of a dotted key, a control of the page; one to four keys."),
    ] = [],  # noqa: B006
    out: Annotated[
        Path, typer.Option("--out", metavar="HTML", help="The file to write.", show_default=False, callback=html_file("--out"))
    ] = ...,
    set_: Set = [],  # noqa: B006
    lesson: Annotated[
        Path | None,
        typer.Option("--lesson", metavar="LESSON", help="A page for a class: a lesson's file, or one that ships by its name."),
    ] = None,
    jobs: Jobs = -1,
    json_: Json = False,
    integrator: OneIntegrator = "fast",
):
    """One HTML file to hand out: every run of a grid, moved by sliders and switches, without a network."""
    from simbank.page.html import make_page, stopped_words
    from simbank.page.lesson_page import lesson_page
    from simbank.scenario import load

    if out.is_dir() or not out.suffix:
        raise InputError("name the HTML file to write, such as page.html", key="--out", value=str(out))
    how = {"integrator": integrator, "jobs": jobs}
    if lesson is not None:
        if file is not None or over or set_:
            raise InputError(
                "names the scenario and all values itself: leave FILE, --over and --set away", key="--lesson", value=str(lesson)
            )
        make_folder(out.parent)
        with progress_bar(f"Runs of {lesson.name}", json_, "packing the page") as progress:
            made = lesson_page(lesson, progress=progress, **how)
    elif file is None:
        raise InputError("give a scenario file with --over KEY=V1,V2, or a lesson's file with --lesson", key="FILE")
    else:
        given, over = changes(set_), grid(over)
        scenario = load(file)
        make_folder(out.parent)
        with progress_bar(f"Runs of {scenario.name}", json_, "packing the page") as progress:
            made = make_page(scenario, over, changes=given, progress=progress, **how)
    path = made.write(out)
    summary = {"page": str(path), **made.summary}
    if json_:
        print_json(summary)
    else:
        _show(summary)
    if made.stopped:
        raise RunStopped(stopped_words(made, path))


def _show(summary):
    runs, failed = summary["runs"], summary["failed"]
    told = "" if not failed else f", {failed} of which failed: the page says why in their place"
    say(f"{summary['page']}: {runs} runs{told}; {summary['bytes'] / 1e6:.2f} MB.", gap=True)
    for one in summary["changes_nothing"]:
        where = " and ".join(f"{key} {value}" for key, value in one["where"].items())
        say(f"Note: {one['key']} changes nothing {f'with {where}' if where else 'in any run'}: these runs are the same.")
    error, least_s, most_s = (summary[key] for key in ("largest_error", "clock_step_least_s", "clock_step_s"))
    every = duration(most_s) if least_s == most_s else f"{duration(least_s)} to {duration(most_s)}, by the length of the run"
    say(
        f"A sample every {every}; state of charge to ±{100 * error['soc']:g} points, currents to "
        f"±{error['current_a']:g} A, powers to ±{error['power_w']:g} W. Open it in any browser; it asks for nothing else."
    )
    show_caution(CAUTION)

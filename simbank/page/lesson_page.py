"""A page for a class, made of a lesson's file: predictions before the runs, questions and a note for the teacher around them."""

from __future__ import annotations

import re
from collections.abc import Callable
from importlib import resources
from os import PathLike
from pathlib import Path
from typing import Any

from simbank.errors import InputError, RunStopped
from simbank.page.controls import Control, controls
from simbank.page.html import Page, make_page, stopped_words
from simbank.page.lesson import Lesson
from simbank.page.lesson_file import LessonFile, Prediction, TeachersNote, read_lesson
from simbank.page.lesson_runs import LessonRuns

__all__ = ["lesson_page", "write_lesson"]


def write_lesson(path: str | PathLike, out: str | PathLike, *, integrator: str = "fast", jobs: int = -1) -> Path:
    """Make a page for a class of a lesson's file, and write it.

    Parameters
    ----------
    path : path-like
        The lesson, a TOML file: scenario, grid, predictions, questions, a note for the teacher; or the name of one that ships.
    out : path-like
        The HTML file to write; 3 MB at most.
    integrator : {"fast", "reference"}
        Which makes the runs.
    jobs : int
        Processes on this machine; −1 for all cores.

    Returns
    -------
    pathlib.Path
        The file written.

    Raises
    ------
    InputError
        If the lesson does not fit its scenario, or the runs give an answer that a prediction does not have.
    SimulationError
        If a run of which the lesson speaks could not be made.
    RunStopped
        If Ctrl-C came before all runs were done.
    OSError
        If the page cannot be written.
    """
    page = lesson_page(path, integrator=integrator, jobs=jobs)
    written = page.write(out)
    if page.stopped:
        raise RunStopped(stopped_words(page, written))
    return written


def lesson_page(
    path: str | PathLike, *, integrator: str = "fast", jobs: int = -1, progress: Callable[[float], None] | None = None
) -> Page:
    """The page of :func:`write_lesson`, not yet written; parameters and errors as there."""
    lesson, scenario = read_lesson(path)
    keys = controls(lesson.over, lesson.labels, lesson.words)
    runs = LessonRuns(lesson, scenario, integrator)
    try:
        told = _told(lesson, runs, keys)
    except InputError as error:
        raise InputError(error.problem, file=path, key=error.key, value=error.value) from None
    return make_page(
        scenario, lesson.over, changes=lesson.set, labels=lesson.labels, along=lesson.along, words=lesson.words, lesson=told, integrator=integrator,
        jobs=jobs, progress=progress,
    )  # fmt: skip


def _told(lesson: LessonFile, runs: LessonRuns, keys: list[Control]) -> Lesson:
    """What stands around the runs."""
    cards = [_card(runs, number, prediction, keys) for number, prediction in enumerate(lesson.predictions, 1)]
    folder = resources.files("simbank.page")
    questions = [
        {"question": runs.filled(one.question), "answer": _paragraphs(runs.filled(one.answer))} for one in lesson.questions
    ]
    before = {
        "style": (folder / "lesson.css").read_text(encoding="utf-8"), "intro": _paragraphs(runs.filled(lesson.intro)), "cards": cards,
        "teacher": _note(runs, lesson.teacher),
    }  # fmt: skip
    return Lesson(
        title=lesson.title,
        before=_rendered("lesson_before.html.j2", **before),
        after=_rendered("lesson_after.html.j2", questions=questions),
        script=(folder / "lesson.js").read_text(encoding="utf-8"),
        begin=cards[0]["run"],
    )


def _card(runs: LessonRuns, number: int, prediction: Prediction, keys: list[Control]) -> dict[str, Any]:
    lesson = runs.lesson
    place = lesson.start | lesson.points[prediction.at]
    point = [key.values.index(place[key.key]) for key in keys]
    run = 0
    for at, key in zip(point, keys, strict=True):  # runs stand in the order of their controls, the last changing fastest
        run = run * len(key.values) + at
    return {
        "run": run, "point": point, "right": runs.answer(number, prediction), "question": runs.filled(prediction.question),
        "choices": [{"text": runs.filled(choice.text), "reply": runs.filled(choice.reply)} for choice in prediction.choices],
        "settings": [(key.label, key.texts[at]) for at, key in zip(point, keys, strict=True)],
        "why": _paragraphs(runs.filled(prediction.why)), "from_s": prediction.from_hour * 3600.0,
        "until_s": None if prediction.until_hour is None else prediction.until_hour * 3600.0,
    }  # fmt: skip


def _note(runs: LessonRuns, teacher: TeachersNote) -> dict[str, Any]:
    return {
        "minutes": teacher.minutes,
        "sources": teacher.sources,
        **{word: runs.filled(getattr(teacher, word)) for word in ("level", "before", "left_out", "follow_up")},
        "plan": [runs.filled(step) for step in teacher.plan],
        "mistakes": [{"people_say": runs.filled(one.people_say), "but": runs.filled(one.but)} for one in teacher.mistakes],
    }


def _paragraphs(text: str) -> list[str]:
    return [re.sub(r"[ \t\n]+", " ", part) for part in re.split(r"\n[ \t]*\n", text.strip())]  # other blanks are meant


def _rendered(template: str, **parts: Any) -> str:
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    environment = Environment(
        loader=PackageLoader("simbank.page"), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    if "style" in parts:
        parts["style"] = Markup(parts["style"])
    return environment.get_template(template).render(**parts)

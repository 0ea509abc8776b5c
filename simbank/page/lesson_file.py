"""The file of a lesson: what a page for a class asks, tells and shows, with every figure named so that runs fill it in."""

from __future__ import annotations

import re
from collections.abc import Iterator
from os import PathLike
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field

from simbank.errors import InputError
from simbank.filemodel import FileModel, as_path, check, nearest, read_toml
from simbank.page.controls import Control, controls
from simbank.scenario import Scenario, example, examples, load

__all__ = [
    "Answer",
    "Choice",
    "Figure",
    "LessonFile",
    "Prediction",
    "Question",
    "TeachersNote",
    "lessons",
    "names_in",
    "read_lesson",
]

# A wheel has the lessons inside the package (pyproject.toml puts them there); a clone, and what is installed from it with -e, beside it.
PACKAGE = Path(__file__).parent.parent
FOLDERS = PACKAGE / "example_lessons", PACKAGE.parent / "notebooks" / "pages"

Text = Annotated[str, Field(min_length=1)]
Name = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$")]
_IN_TEXT = re.compile(r"\{([^{}]*)\}")


class Figure(FileModel):
    """A number that runs give, for texts to name as ``{NAME}``."""

    of: str | None = Field(
        None,
        description="a figure as `simbank run --json` has it, of `bank`, `ports` (added up), `packs` or `simbank sweep`; with `hour` "
        '"spread_points", "soc", "current_a" or "terminal_v" at that time',
    )
    at: str | None = Field(None, description="NAME of one of `points`")
    pack: str | None = Field(None, description="whose figure it is; without it that of the bank")
    hour: Annotated[float, Field(ge=0)] | None = Field(None, description="time after the start; at an event what holds after it")
    ratio: list[Name] | None = Field(None, min_length=2, max_length=2, description="instead of `of`: one figure over another")
    difference: list[Name] | None = Field(
        None, min_length=2, max_length=2, description="instead of `of`: one figure less another"
    )
    times: float = Field(1.0, description="what it is multiplied by, such as 100 for per cent")
    digits: Annotated[int, Field(ge=0, le=6)] = Field(1, description="after the point")


class Choice(FileModel):
    """One of the answers that a pupil may pick. What makes it right is a rule, never a mark."""

    text: Text = Field(description="as the pupil reads it")
    least: float | None = Field(None, description="right if the figure is this or more")
    below: float | None = Field(None, description="right if the figure is less than this")
    pack: str | None = Field(None, description="right if it is this pack")
    even: bool = Field(False, description="right if all packs are alike, within `even_within` of the answer")
    reply: str = Field(
        "", description="what is said to who picked it, if it is not right: what speaks for it, and where that ends"
    )


class Answer(FileModel):
    """How runs decide which choice is right: by a figure that falls into the range of one choice, or by the pack that has most or least."""

    figure: Name | None = Field(None, description="NAME of one of `figures`")
    most: str | None = Field(None, description="instead: the pack with the most of this, as `of` of a figure")
    fewest: str | None = Field(None, description="instead: the pack with the least of this")
    hour: Annotated[float, Field(ge=0)] | None = Field(None, description="with `most` or `fewest`: at this time")
    even_within: Annotated[float, Field(ge=0)] = Field(0.0, description="packs that differ by no more are alike")


class Prediction(FileModel):
    """What a pupil predicts before a run is shown."""

    at: str = Field(
        description="NAME of one of `points`, all of whose values are those of controls: the run that is covered until then"
    )
    question: Text = Field(description="what is asked")
    choices: list[Choice] = Field(min_length=2, max_length=5, description="what may be picked")
    answer: Answer = Field(description="which is right")
    why: Text = Field(description="told once it is revealed")
    from_hour: Annotated[float, Field(ge=0)] = Field(0.0, description="where the view begins to play")
    until_hour: Annotated[float, Field(gt=0)] | None = Field(None, description="where it stops; by default at the end")


class Question(FileModel):
    """A question for the class."""

    question: Text = Field(description="what is asked")
    answer: Text = Field(description="a model answer, folded away")


class Mistake(FileModel):
    """What people get wrong."""

    people_say: Text = Field(description="in their words")
    but: Text = Field(description="kindly: what speaks for it and what the runs show")


class TeachersNote(FileModel):
    """A note for the teacher."""

    minutes: Annotated[int, Field(ge=5, le=600)] = Field(description="how long it takes")
    level: Text = Field(description="of whom")
    before: Text = Field(description="what pupils should know, and what should be at hand")
    plan: list[Text] = Field(default_factory=list, description="what to do, in order")
    mistakes: list[Mistake] = Field(min_length=1, description="what people get wrong")
    left_out: Text = Field(description="what the model does not have")
    follow_up: Text = Field(description="what to do next")
    sources: list[Text] = Field(default_factory=list, description="of what is stated beyond the runs")


class LessonFile(FileModel):
    """A page for a class: runs of one scenario over a grid, predictions, questions, a note for the teacher."""

    title: Text = Field(description="of the page")
    scenario: Text = Field(description="NAME of a shipped one, or path of a file, counted from this one")
    intro: Text = Field(description="paragraphs, with an empty line between them")
    set: dict[str, Any] = Field(default_factory=dict, description="dotted keys that all runs have")
    over: dict[str, list[Any]] = Field(description="one to four dotted keys, each with the values of its control")
    labels: dict[str, str] = Field(default_factory=dict, description="what the controls are called")
    words: dict[str, dict[str, str]] = Field(
        default_factory=dict, description="what values of a control are called that are no numbers"
    )
    along: dict[str, list[str]] = Field(
        default_factory=dict, description="other dotted keys that take the value of a control, too"
    )
    start: dict[str, Any] = Field(description="where every control stands at a point that does not say otherwise")
    points: dict[Name, dict[str, Any]] = Field(
        description="runs that texts speak of: what differs from `start`. A key that is no control makes a run beside those of the page"
    )
    figures: dict[Name, Figure] = Field(default_factory=dict, description="numbers for the texts")
    predictions: list[Prediction] = Field(min_length=1, description="in order")
    questions: list[Question] = Field(min_length=1, description="for the class")
    teacher: TeachersNote = Field(description="for the teacher")


def lessons() -> dict[str, Path]:
    """The lessons that come with simbank: name and file.

    >>> list(lessons())
    ['star_against_chain', 'why_flat_curves_drift']
    """
    folder = next((folder for folder in FOLDERS if folder.is_dir()), None)
    return {} if folder is None else {path.stem: path for path in sorted(folder.glob("*.toml"))}


def read_lesson(path: str | PathLike) -> tuple[LessonFile, Scenario]:
    """A lesson's file, or the shipped lesson of that name, and the scenario that it is about, without its changes.

    Raises
    ------
    InputError
        One line that names the file, the key, the value and what would be right.
    """
    path = as_path(path, "lesson")
    shipped = lessons()
    if not path.suffix and not path.exists():
        if str(path) not in shipped:
            raise InputError(
                f"is no shipped lesson, and no such file; {nearest(str(path), shipped)}", key="lesson", value=str(path)
            )
        path = shipped[str(path)]
    lesson = check(LessonFile, read_toml(path), file=path)
    try:
        _check(lesson)
        return lesson, _scenario(lesson.scenario, path.parent)
    except InputError as error:
        raise error if error.file else InputError(error.problem, file=path, key=error.key, value=error.value) from None


def names_in(text: str) -> list[str]:
    """The figures that a text names.

    >>> names_in("from {evening} to {morning} points")
    ['evening', 'morning']
    """
    return _IN_TEXT.findall(text)


def _scenario(named, folder):
    if named in examples():
        return example(named)
    if not named.endswith(".toml"):
        raise InputError(
            f"is no shipped scenario, and no path of a .toml file; {nearest(named, examples())}", key="scenario", value=named
        )
    return load(folder / named)


# ---- what the parts of a file say of each other ----


def _check(lesson: LessonFile) -> None:
    keys = {control.key: control for control in controls(lesson.over, lesson.labels, lesson.words)}
    _check_points(lesson, keys)
    for name, figure in lesson.figures.items():
        _check_figure(lesson, name, figure)
    for k, prediction in enumerate(lesson.predictions, 1):
        _check_prediction(lesson, f"predictions.{k}", prediction, keys)
    for key, text in _texts(lesson):
        for name in names_in(text):
            if name not in lesson.figures:
                raise InputError(f"names a figure that there is not; {nearest(name, lesson.figures)}", key=key, value=name)


def _check_points(lesson: LessonFile, keys: dict[str, Control]) -> None:
    for key, words in lesson.words.items():
        for value in words:
            if value not in keys[key].values:
                raise InputError(
                    f"is no value of the control; {nearest(value, keys[key].values)}", key=f"words.{key}", value=value
                )
    for key in lesson.set:
        if key in keys:
            raise InputError("is a control; it cannot be set for all runs, too", key=f"set.{key}")
    for key, others in lesson.along.items():
        if key not in keys:
            raise InputError(f"is no control; {nearest(key, keys)}", key=f"along.{key}")
        for other in others:
            if other in keys or other in lesson.set:
                raise InputError("is set elsewhere already", key=f"along.{key}", value=other)
    for key in keys:
        if key not in lesson.start:
            raise InputError("is required: where the control stands", key=f"start.{key}")
    for place, point in [("start", lesson.start), *((f"points.{name}", point) for name, point in lesson.points.items())]:
        for key, value in point.items():
            if place == "start" and key not in keys:
                raise InputError(f"is no control; {nearest(key, keys)}", key=f"{place}.{key}")
            if key in keys and value not in keys[key].values:
                known = ", ".join(map(str, keys[key].values))
                raise InputError(f"is not among the values of the control: {known}", key=f"{place}.{key}", value=value)


def _check_figure(lesson: LessonFile, name: str, figure: Figure) -> None:
    key = f"figures.{name}"
    made = [word for word in ("of", "ratio", "difference") if getattr(figure, word) is not None]
    if len(made) != 1:
        raise InputError('needs one of "of", "ratio" and "difference"', key=key, value=made or None)
    if figure.of is None:
        if figure.at or figure.pack or figure.hour is not None:
            raise InputError(f'"{made[0]}" is of two other figures, which say where and when', key=key)
        before = list(lesson.figures)[: list(lesson.figures).index(name)]
        for other in figure.ratio or figure.difference:
            if other not in before:
                raise InputError(
                    f"is no figure that stands before this one; {nearest(other, before)}", key=f"{key}.{made[0]}", value=other
                )
    elif figure.at not in lesson.points:
        raise InputError(f"must be one of the points; {nearest(figure.at, lesson.points)}", key=f"{key}.at", value=figure.at)


def _check_prediction(lesson: LessonFile, key: str, prediction: Prediction, keys: dict[str, Control]) -> None:
    if prediction.at not in lesson.points:
        raise InputError(
            f"must be one of the points; {nearest(prediction.at, lesson.points)}", key=f"{key}.at", value=prediction.at
        )
    for other in lesson.points[prediction.at]:
        if other not in keys:
            raise InputError(f"the page has no such run, since {other} is no control", key=f"{key}.at", value=prediction.at)
    places = [lesson.start | lesson.points[one.at] for one in lesson.predictions if one.at in lesson.points]
    if places.count(lesson.start | lesson.points[prediction.at]) > 1:
        raise InputError(
            "two predictions are of the same run, of which the first would show what the second asks", key=f"{key}.at"
        )
    answer = prediction.answer
    rules = [word for word in ("figure", "most", "fewest") if getattr(answer, word) is not None]
    if len(rules) != 1:
        raise InputError('needs one of "figure", "most" and "fewest"', key=f"{key}.answer", value=rules or None)
    if answer.figure is not None and answer.figure not in lesson.figures:
        raise InputError(
            f"is no figure; {nearest(answer.figure, lesson.figures)}", key=f"{key}.answer.figure", value=answer.figure
        )
    for n, choice in enumerate(prediction.choices, 1):
        by_figure = choice.least is not None or choice.below is not None
        by_pack = (choice.pack is not None) + choice.even
        if (by_figure, by_pack) != ((True, 0) if answer.figure is not None else (False, 1)):
            what = '"least" or "below", or both' if answer.figure is not None else '"pack", or "even = true"'
            raise InputError(f"needs {what}, since that is how the answer is found", key=f"{key}.choices.{n}")
    if prediction.until_hour is not None and prediction.until_hour <= prediction.from_hour:
        raise InputError("must come after from_hour", key=f"{key}.until_hour", value=prediction.until_hour)


def _texts(lesson: LessonFile) -> Iterator[tuple[str, str]]:
    """Every text that may name figures, with its key."""
    yield "intro", lesson.intro
    for k, prediction in enumerate(lesson.predictions, 1):
        yield f"predictions.{k}.question", prediction.question
        yield f"predictions.{k}.why", prediction.why
        for n, choice in enumerate(prediction.choices, 1):
            yield f"predictions.{k}.choices.{n}.text", choice.text
            yield f"predictions.{k}.choices.{n}.reply", choice.reply
    for k, question in enumerate(lesson.questions, 1):
        yield f"questions.{k}.question", question.question
        yield f"questions.{k}.answer", question.answer
    teacher = lesson.teacher
    yield from ((f"teacher.{word}", getattr(teacher, word)) for word in ("level", "before", "left_out", "follow_up"))
    yield from ((f"teacher.plan.{k}", text) for k, text in enumerate(teacher.plan, 1))
    for k, mistake in enumerate(teacher.mistakes, 1):
        yield f"teacher.mistakes.{k}.people_say", mistake.people_say
        yield f"teacher.mistakes.{k}.but", mistake.but

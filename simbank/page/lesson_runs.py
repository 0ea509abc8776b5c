"""Runs that a lesson speaks of: their figures, its texts with these filled in, and which choice of a prediction is right by them."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

from simbank.errors import InputError
from simbank.filemodel import nearest
from simbank.page.lesson_file import Choice, Figure, LessonFile, Prediction
from simbank.scenario import Scenario
from simbank.simulation import Result, simulate
from simbank.studies.figures import headline

__all__ = ["LessonRuns", "formatted"]

_UNIT = re.compile(r"(?<=\d) (?=(?:%|[kM]?[AVW]h?|C|mV|mΩ|mm²|cm|m|h|points?)(?!\w))")
OVER_TIME = ("spread_points", "soc", "current_a", "terminal_v", "hysteresis")


class LessonRuns:
    """Runs at the points of a lesson, each made when something is first asked of it.

    Parameters
    ----------
    lesson : LessonFile
    scenario : Scenario
        As its file has it.
    integrator : {"fast", "reference"}
    """

    def __init__(self, lesson: LessonFile, scenario: Scenario, integrator: str = "fast"):
        self.lesson, self.scenario, self.integrator = lesson, scenario, integrator
        self._results: dict[str, Result] = {}
        self._figures: dict[str, float] = {}

    def changes(self, point: str) -> dict[str, Any]:
        """Every key that is changed at a point, and its value."""
        lesson = self.lesson
        own = lesson.start | lesson.points[point]
        led = {other: own[key] for key, others in lesson.along.items() for other in others}
        return lesson.set | led | own

    def result(self, point: str) -> Result:
        """The run at a point."""
        changes = self.changes(point)
        key = json.dumps(changes, sort_keys=True)
        if key not in self._results:
            try:
                own = self.scenario.with_changes(changes)
            except InputError as error:
                raise InputError(str(error), key=f"points.{point}") from None
            self._results[key] = simulate(own, integrator=self.integrator)
        return self._results[key]

    def figure(self, name: str) -> float:
        """A named figure, unrounded.

        Raises
        ------
        InputError
            If the run has no such figure.
        """
        if name not in self._figures:
            asked = self.lesson.figures[name]
            try:
                self._figures[name] = self._found(asked) * asked.times
            except InputError as error:
                raise InputError(error.problem, key=f"figures.{name}.{error.key}", value=error.value) from None
            except ZeroDivisionError:
                raise InputError(
                    "is a ratio to nothing: that figure is zero", key=f"figures.{name}.ratio", value=asked.ratio[1]
                ) from None
        return self._figures[name]

    def _found(self, asked: Figure) -> float:
        if asked.ratio or asked.difference:
            one, other = (self.figure(name) for name in asked.ratio or asked.difference)
            return one / other if asked.ratio else one - other
        result = self.result(asked.at)
        if asked.pack is not None:
            return self._of_packs(result, asked.of, asked.hour, asked.pack)[asked.pack]
        if asked.hour is not None:
            return _bank_at(result, asked.of, asked.hour)
        summary = result.summary
        ports = {
            key: sum(port[key] for port in summary["ports"]) for key, value in summary["ports"][0].items() if _is_number(value)
        }
        return _one_of(ports | summary["bank"] | headline(summary), asked.of)

    def _of_packs(self, result: Result, of: str, hour: float | None, pack: str | None = None) -> dict[str, float]:
        """A figure of every pack."""
        packs = result.summary["packs"]
        names = [one["name"] for one in packs]
        if pack is not None and pack not in names:
            raise InputError(f"no such pack; {nearest(pack, names)}", key="pack", value=pack)
        if hour is None:
            return {one["name"]: _one_of(one, of) for one in packs}
        if of == "spread_points" or of not in OVER_TIME:
            raise InputError(f"no figure of a pack over time; {nearest(of, OVER_TIME[1:])}", key="of", value=of)
        return {name: float(value) for name, value in _row(result.packs[of], hour).items()}

    def answer(self, number: int, prediction: Prediction) -> int:
        """Which of a prediction's choices is right by the runs, from 0.

        Raises
        ------
        InputError
            If none or several are.
        """
        key, rule = f"predictions.{number}", prediction.answer
        if rule.figure is not None:
            value = self.figure(rule.figure)
            right = [k for k, choice in enumerate(prediction.choices) if _holds(choice, value)]
            found = formatted(value, self.lesson.figures[rule.figure].digits)
        else:
            try:
                values = self._of_packs(self.result(prediction.at), rule.most or rule.fewest, rule.hour)
            except InputError as error:
                raise InputError(error.problem, key=f"{key}.answer", value=error.value) from None
            order = sorted(values, key=values.get, reverse=rule.most is not None)
            alike = abs(values[order[0]] - values[order[1]]) <= rule.even_within
            if alike and abs(values[order[0]] - values[order[-1]]) > rule.even_within:
                raise InputError(
                    f"{order[0]} and {order[1]} are alike in this, and others are not: no choice can say that",
                    key=f"{key}.answer",
                )
            found = "all alike" if alike else order[0]
            right = [k for k, choice in enumerate(prediction.choices) if (choice.even if alike else choice.pack == order[0])]
        if len(right) != 1:
            raise InputError(
                f"the runs give {found}, which {'no choice says' if not right else 'more than one choice says'}",
                key=f"{key}.choices",
            )
        return right[0]

    def filled(self, text: str) -> str:
        """A text with its figures; numbers stay on one line with their units."""
        text = re.sub(r"\{([^{}]*)\}", lambda match: formatted(self.figure(match[1]), self.lesson.figures[match[1]].digits), text)
        return _UNIT.sub("\u00a0", text)


def formatted(value: float, digits: int) -> str:
    """A figure as texts have it.

    >>> formatted(-0.04, 1), formatted(12345.6, 0), formatted(-3.25, 1)
    ('0.0', '12,346', '−3.2')
    """
    text = f"{value:,.{digits}f}"
    return text.lstrip("-") if float(text.replace(",", "")) == 0 else text.replace("-", "−")


def _holds(choice: Choice, value: float) -> bool:
    return (choice.least is None or value >= choice.least) and (choice.below is None or value < choice.below)


def _is_number(value):
    return isinstance(value, int | float) and not isinstance(value, bool)


def _one_of(figures: Mapping[str, Any], of: str) -> float:
    if of not in figures:
        raise InputError(
            f"no figure of a run; {nearest(of, [key for key, value in figures.items() if _is_number(value)])}", key="of", value=of
        )
    if not _is_number(figures[of]):
        raise InputError("is no number in this run", key="of", value=of)
    return float(figures[of])


def _bank_at(result: Result, of: str, hour: float) -> float:
    if of == "spread_points":
        return float(_row(result.spread_points, hour))
    if of == "current_a":
        return float(_row(result.packs[of], hour).sum())
    raise InputError(
        'no figure of a bank over time; it has "spread_points" and "current_a", the sum over all packs', key="of", value=of
    )


def _row(table, hour):
    """The last sample up to a time: at an event what holds after it."""
    seconds = hour * 3600.0
    if seconds > table.index[-1] + 1e-6:
        raise InputError(f"the run lasts {table.index[-1] / 3600:g} h only", key="hour", value=hour)
    return table.iloc[table.index.searchsorted(seconds + 1e-6, side="right") - 1]

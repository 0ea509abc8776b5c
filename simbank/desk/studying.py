"""What the desk's processes compute for its views beyond a run: studies as plain data, whole and as a terminal shows them unasked."""

from __future__ import annotations

import contextlib
import json
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd

from simbank.desk.banding import bands_told, layout_bands_told
from simbank.desk.folder import NOT_SAVED, file_stem
from simbank.desk.running import scenario_of
from simbank.desk.telling import drawn, plotted, shown_table, table, verdicts_told
from simbank.digits import number
from simbank.scenario import Scenario
from simbank.studies.protection import Assumptions
from simbank.studies.size import Limits
from simbank.warning import as_records

__all__ = ["layouts", "protection", "report", "sizes"]

Progress = Callable[[float], None] | None
SIZES_PART = 0.3  # of the time, by estimate, that a size takes itself where bands follow


def protection(
    data: dict[str, Any], source: str | None, case: Assumptions, draws: int | None, seed: int, progress: Progress = None
) -> dict[str, Any]:  # fmt: skip
    """Fault currents, checks and what opens, as ``simbank protect`` shows them; with ``draws``, as with ``--bands`` and ``--seed``.

    Returns
    -------
    dict
        What :mod:`simbank.desk.views.protect` shows; ``usual`` and ``whole`` have what differs with ``--wide --all``.
    """
    from simbank.studies import protect
    from simbank.studies.protection.asked import refuse_shorted_cells

    scenario = scenario_of(data, source)
    refuse_shorted_cells(scenario, case.cells_shorted)
    found = protect(scenario, case, progress=progress, bands=draws, seed=seed)
    return {
        "warnings": as_records(found.warnings),
        "headline": f"{found.headline} {found.load_note[:1].upper()}{found.load_note[1:]}.",
        "put_right": _put_right(found),
        "drawing": drawn(found.drawing(), "Bolted fault currents at once, in the greatest case."),
        "drawn": [] if found.bands is None else found.bands.words,
        "reliance": list(found.reliance),
        "basis": list(found.basis),
        "overload_told": [
            {"title": f"{number(times)} times full load", "items": [then]}
            for times, then in found.overload_told.itertuples(index=False)
        ],
        "strings": [{"title": f"{one.string}, {one.device}", "items": [one.text]} for one in found.string_ratings],
        "plots": [plotted(picture.figure, picture.caption) for picture in found.pictures()],
        "not_checked": list(found.not_checked),
        "usual": _protection_told(found, False),
        "whole": _protection_told(found, True),
    }


def _protection_told(found, whole):
    """What differs with how much is shown."""
    from simbank.report import told_protection as told

    shorted: list[dict[str, Any]] = []
    if found.told_shorted is not None:
        cases, left = told.shorted_table(found, whole)
        more = (
            [f"{left} more cases, with no more current and no more energy into the same pack, are under every row."]
            if left
            else []
        )
        shorted = [shown_table(cases, whole), *({"kind": "say", "text": text} for text in (*more, found.short_words))]
    return {
        "verdicts": verdicts_told(found, whole=whole),
        "faults": [shown_table(one, whole) for one in told.fault_tables(found)],
        "openings": [
            {
                "title": f"Fault at {', '.join(one.places)}",
                "items": [f"Opens: {one.opens}.", *([one.alone] if one.alone else []), f"Selective: {one.selective}."],
                "mark": not one.cleared,
            }
            for one in told.openings(found.clearing_told, whole)
        ],
        "overload": [shown_table(told.overload_table(found, whole), whole)] if len(found.overload) else [],
        "outages": [shown_table(told.outage_table(found), whole)] if len(found.outages) else [],
        "shorted": shorted,
        "checks": [
            {
                "title": f"{group.status.upper()} {group.rule} ({group.source})",
                "items": [f"{where}: {text}" for where, text in group.found],
                "mark": group.status == "fail",
            }
            for group in told.check_groups(found, whole)
        ],
    }  # fmt: skip


def sizes(
    data: dict[str, Any], source: str | None, limits: Limits, asked: tuple[tuple[str, Any], ...], draws: int | None, seed: int,
    progress: Progress = None,
) -> dict[str, Any]:  # fmt: skip
    """Layouts and gauges that keep within limits, as ``simbank size`` shows them, and what the one found has to be bought.

    ``asked`` has further arguments of :func:`simbank.size`, by name; with ``draws``, of that ``seed``, the size found has bands.

    Returns
    -------
    dict
        What :mod:`simbank.desk.views.size` shows.
    """
    from simbank.studies import bill, size
    from simbank.studies.size import size_found, sized_bands

    scenario = scenario_of(data, source)
    tell = progress or (lambda done: None)
    found = size(scenario, limits, progress=lambda done: tell(done * (SIZES_PART if draws else 1.0)), **dict(asked))
    if draws and found.best is not None:
        found.bands = sized_bands(scenario, found, draws, seed, lambda done: tell(SIZES_PART + (1.0 - SIZES_PART) * done))
    bought: list[dict[str, Any]] = []
    if found.best is not None:
        case = size_found(scenario, found)
        parts = bill(case)
        columns = {
            "what": "what", "count": "count", "kind": "kind", "length_m": "each [m]", "total_m": "in all [m]", "mass_kg": "mass [kg]",
        }  # fmt: skip
        title = f"What has to be bought for {found.best['layout']} in {found.best['gauge']}"
        bought = [
            table(title, parts.table.astype(object), columns),
            *({"kind": "say", "text": text} for text in parts.words),
            full_load(case),
        ]
    left = len(found.table) - len(found.shown().frame)
    return {
        "warnings": as_records([*found.warnings, *([] if found.bands is None else found.bands.warnings)]),
        "found": f"{found.found_words} {found.by_layout_words}".strip(),
        "best": None if found.best is None else [found.best["layout"], found.best["gauge"]],
        "bands": None if found.bands is None else bands_told(found.bands),
        "kept": found.kept_words,
        "bought": bought,
        "left": f"{left} more were tried, which every row shows." if left else "",
        "basis": [found.tried, f"Integrator: {found.made_by['integrator']}."],
        "looked_at": found.looked_at,
        "sharing_only": found.sharing_only,
        "plots": [plotted(picture.figure, picture.caption) for picture in found.pictures()],
        "usual": _sizes_told(found, False),
        "whole": _sizes_told(found, True),
    }


def _sizes_told(found, whole):
    return {
        "verdicts": verdicts_told(found, whole=whole),
        "table": shown_table(found.shown(whole), whole),
        "against": found.against(whole),
    }


def layouts(
    data: dict[str, Any], source: str | None, chosen: tuple[str, ...] | None, draws: int | None, seed: int, progress: Progress = None
) -> dict[str, Any]:  # fmt: skip
    """The same packs and duty under several layouts, as ``simbank compare`` shows them, and a drawing of each with its currents.

    With ``draws``, of that ``seed``, every layout has bands, by the same draws.

    Returns
    -------
    dict
        What :mod:`simbank.desk.views.compare` shows.
    """
    from simbank.scenario import with_changes
    from simbank.studies import compare

    scenario = scenario_of(data, source)
    found = compare(scenario, list(chosen) if chosen else None, progress=progress, bands=draws, seed=seed)
    drawn = {"usual": [], "whole": [], "words": [], "plots": []} if found.bands is None else layout_bands_told(found.bands)
    used = next(iter(found.results.values())).summary["integrator"]
    return {
        "warnings": as_records(found.warnings),
        "names": list(found.results),
        "drawn": drawn["words"],
        "not_counted": found.not_counted,
        "other_parts": _other_parts(data, tuple(found.results)),
        "integrator": f"Integrator: {used['name']}, tolerance {used['tolerance']:.0e}{': ' + used['because'] if 'because' in used else ''}.",
        "plots": [*(plotted(picture.figure, picture.caption) for picture in found.pictures()), *drawn["plots"]],
        "drawings": [full_load(with_changes(scenario, {"wiring.layout": name}), f"{name}: ") for name in found.results],
        "usual": _layouts_told(found, drawn["usual"], False),
        "whole": _layouts_told(found, drawn["whole"], True),
    }


def _other_parts(data, names):
    """With what those layouts were wired that take another part (link, lead) than the layout of the file, in sentences."""
    from simbank.bank.layouts import LAYOUTS

    wiring = data.get("wiring", {})
    own = LAYOUTS[wiring.get("layout", "chain")].part
    said = []
    for part in ("link", "lead"):
        others = [name for name in names if LAYOUTS[name].part == part != own]
        given = wiring.get(part)
        if others and isinstance(given, dict):
            values = [given[key] for key in ("gauge", "length", "resistance") if key in given]
            words = ", ".join(str(value.get("value", value) if isinstance(value, dict) else value) for value in values)
            apart = list(wiring.get("leads", {})) if part == "lead" else []
            but = f" (of {', '.join(apart)} their own)" if apart else ""
            said.append(
                f"{part.capitalize()}s of {' and '.join(others)}: {words} each{but}, as the file has them beside those of its own layout "
                "(in the forms under More: other layouts). Check that they are what you would fit."
            )
    return said


def _layouts_told(found, drawn, whole):
    return {"verdicts": verdicts_told(found, whole=whole), "tables": [*(shown_table(one, whole) for one in found.shown), *drawn]}


def full_load(scenario: Scenario, before: str = "") -> dict[str, Any]:
    """The bank as drawn in a report: currents just after full load is switched on, lines as wide as their current."""
    from simbank.report.bank_drawing import full_load_drawing

    svg, caption = full_load_drawing(scenario)
    return drawn(svg, f"{before}{caption}")


def report(data: dict[str, Any], source: str | None, draws: int | None, progress: Progress = None) -> dict[str, Any]:
    """The report that ``simbank run FILE --integrator fast --report`` writes, with as many draws as ``--bands`` says there.

    Returns
    -------
    dict
        ``html``, its ``name``, its ``size`` in words, and what was ``said`` while it was made.
    """
    from markupsafe import escape

    from simbank.report.of_run import write_run_report
    from simbank.simulation import simulate
    from simbank.studies import bands

    scenario = scenario_of(data, source)
    tell = progress or (lambda done: None)
    ends = iter((0.5, 0.95, 1.0) if draws is None else (0.95, 1.0))
    state = {"from": 0.1 if draws in (0, None) else 0.5}

    @contextlib.contextmanager
    def stage(_):
        start, end = state["from"], next(ends)
        yield lambda done: tell(start + (end - start) * done)
        state["from"] = end

    result = simulate(scenario, integrator="fast", progress=lambda done: tell(0.1 * done))
    tell(0.1)
    drawn_bands = bands(scenario, draws, progress=lambda done: tell(0.1 + 0.4 * done)) if draws else None
    said: list[str] = []
    with tempfile.TemporaryDirectory() as folder:
        path = write_run_report(scenario, Path(folder) / "report.html", result, drawn_bands, draws, 0, stage, said.append)
        html = path.read_text(encoding="utf-8")
    stem = Path(source).stem if source else "report"
    if source and Path(source).name == NOT_SAVED:  # no path that is none
        html, stem = html.replace(str(escape(json.dumps(source))), str(escape(json.dumps(NOT_SAVED)))), file_stem(scenario.name)
    return {"html": html, "name": f"{stem}.html", "size": f"{len(html.encode()) / 1e6:.1f} MB", "said": said}


def _put_right(found):
    """Rules that are not kept, the gravest first, with their numbers on a drawing, as a report has them."""
    from simbank.report import draw_bank
    from simbank.report.failures import failures, marks

    broken = failures(found)
    if not broken:
        return []
    rows = pd.DataFrame(
        [
            {
                "number": str(one.number), "status": one.status, "rule": one.title, "places": f"{len(one.places)}",
                "worst": f"{one.places[0]}: {one.worst}",
            }
            for one in broken
        ]
    )  # fmt: skip
    columns = {"number": "no.", "status": "status", "rule": "rule", "places": "places", "worst": "farthest from its limit"}
    svg = draw_bank(found.scenario.bank, marks=marks(found, broken), places=list(found.greatest.named))
    alt = "Drawing of the bank with numbers at the places where rules are not kept: " + "; ".join(
        f"{one.number} at {', '.join(one.places)}" for one in broken
    )
    return [
        table("What to put right, in order of urgency", rows, columns),
        drawn(svg, "Numbers are those of the list: where each rule is not kept, or could not be checked.", alt),
    ]

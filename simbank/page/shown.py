"""A bank and a run as plain data for ``view.js``, which draws them: names, drawing, clock, series, figures and verdicts in words."""

from __future__ import annotations

import math
import re
from importlib import resources
from typing import Any

import numpy as np

from simbank.digits import cells
from simbank.judging import RULES, verdicts
from simbank.page.nights import calendar
from simbank.page.packed import Packed, packed, series_of, steps_for
from simbank.plotting.drawing import draw_bank
from simbank.plotting.plots import PALETTE
from simbank.scenario import Scenario
from simbank.simulation import Result
from simbank.simulation.recording import sample_times
from simbank.studies.figures import headline
from simbank.verdict import as_records

__all__ = ["FIGURES", "bank_shown", "clock_step", "figures_shown", "packs_shown", "run_shown", "shown_times", "view_sources"]

# Steps of a page's clock [s]: of those that suit a run the finest with no more than so many samples is taken.
CLOCK_STEPS_S = (1.0, 2.0, 5.0, 10.0, 15.0, 30.0, *(60.0 * m for m in (1, 2, 5, 10, 15, 20, 30, 60, 120, 180, 360, 720, 1440)))
MOST_SAMPLES, LEAST_CLOCK_S = 900, 0.01
ALIKE = 1.0005  # a share ratio up to which no pack stands out, as for the one on discharge
PARTS = 10_000  # of the largest current or power that are told apart at best

# Key figures of a run: name, as `simbank run --json` or `simbank sweep` has it, and what it is called.
FIGURES = {
    "spread_max_points": "largest spread of state of charge [points]", "spread_end_points": "spread at the end [points]",
    "share_ratio_max": "largest share ratio on discharge", "share_ratio_charge_max": "largest share ratio on charge",
    "c_rate_max": "peak C-rate of a pack", "first_full_h": "first full",
    "first_empty_h": "first empty", "conductor_loss_wh": "lost in cable [Wh]", "pack_loss_wh": "lost in packs [Wh]",
    "energy_out_wh": "energy out [Wh]", "energy_in_wh": "energy in [Wh]", "unmet_wh": "asked and not given [Wh]",
}  # fmt: skip
PACK_COLUMNS = {
    "name": "pack", "capacity_ah": "capacity [Ah]", "soc_end": "SOC at end [%]", "current_peak_a": "peak [A]",
    "c_rate_peak": "peak C-rate", "share_ratio_discharge": "share ratio, discharge", "share_ratio_charge": "share ratio, charge",
    "first_full_h": "first full", "first_empty_h": "first empty", "throughput_ah": "throughput [Ah]",
}  # fmt: skip
_NOT_XML = re.compile("[^\t\n\r -\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")  # letters that no XML document may have


def view_sources() -> tuple[str, str]:
    """The text of ``view.js`` and of ``view.css``: the view of one run, which a page has in it."""
    folder = resources.files("simbank.page")
    return tuple((folder / f"view.{kind}").read_text(encoding="utf-8") for kind in ("js", "css"))


def bank_shown(scenario: Scenario) -> dict[str, Any]:
    """A bank for the view: ``packs``, ``capacity`` (in words), ``ports``, ``branches`` (name, from, to), ``drawing`` (SVG), ``colours``."""
    bank = scenario.bank
    return {
        "packs": [pack.name for pack in bank.packs],
        "capacity": [f"{text} Ah" for text in cells("capacity_ah", [pack.capacity_ah for pack in bank.packs])],
        "ports": list(bank.graph.ports),
        "branches": [[branch.name, branch.from_node, branch.to_node] for branch in bank.graph.branches],
        "drawing": _NOT_XML.sub("�", draw_bank(bank, named=True)),
        "colours": PALETTE,
    }


def clock_step(duration_s: float) -> float:
    """The finest step of the clock [s] at which a run has no more than :data:`MOST_SAMPLES` samples.

    >>> clock_step(3 * 86400.0), clock_step(86400.0), clock_step(5.0), clock_step(3e8)
    (300.0, 120.0, 0.01, 345600.0)
    """
    if duration_s < MOST_SAMPLES * CLOCK_STEPS_S[0] / 10.0:
        return max(LEAST_CLOCK_S, float(f"{duration_s / MOST_SAMPLES:.0e}"))
    step = next((step for step in CLOCK_STEPS_S if duration_s / step < MOST_SAMPLES), None)
    days = 86400.0
    return days * -(-duration_s // (days * MOST_SAMPLES)) if step is None else step


def shown_times(duration_s: float, step_s: float) -> np.ndarray:
    """Times at which a run for the view is sampled [s]: those of ``simbank run``, by which verdicts are judged, and the clock's between them.

    >>> shown_times(150.0, 100.0)
    array([  0.,  60., 100., 120., 150.])
    """
    usual, clock = sample_times(duration_s), step_s * np.arange(math.floor(duration_s / step_s + 1e-9) + 1)
    at = np.searchsorted(usual, clock - 1e-6 * step_s)
    between = np.abs(usual[np.minimum(at, len(usual) - 1)] - clock) > 1e-6 * step_s
    return np.sort(np.concatenate([usual, clock[between]]))


def figures_shown(summary: dict[str, Any]) -> list[str]:
    """Key figures of a run in the order of :data:`FIGURES`, as people read them; where they are of one pack, with its name."""
    found, packs = headline(summary), summary["packs"]
    found["unmet_wh"] = sum(port["unmet_wh"] for port in summary["ports"])
    found["share_ratio_charge_max"], most = _most_charged(packs)
    of = {"share_ratio_max": found["hardest_pack"], "share_ratio_charge_max": most}
    for key in ("first_full_h", "first_empty_h"):
        found[key] = min((pack[key] for pack in packs if pack[key] is not None), default=None)
        names = [pack["name"] for pack in packs if found[key] is not None and pack[key] == found[key]]
        of[key] = "all" if len(names) == len(packs) > 1 else ", ".join(names[:2]) + (", …" if names[2:] else "") or None
    texts = {
        key: "from the start" if key.startswith("first_") and found[key] == 0 else cells(key, [found[key]])[0] for key in FIGURES
    }
    return [text if of.get(key) is None else f"{of[key]}: {text}" for key, text in texts.items()]


def _most_charged(packs):
    """The largest share ratio on charge and its pack; None for the pack where all are alike, for both where nothing is charged."""
    shares = {
        pack["name"]: ratio for pack in packs if (ratio := pack["share_ratio_charge"]) is not None and not math.isnan(ratio)
    }
    most = max(shares, key=shares.get, default=None)
    return shares.get(most), most if most is not None and shares[most] > ALIKE else None


def packs_shown(summary: dict[str, Any]) -> list[list[str]]:
    """What each pack did, as rows of texts below :data:`PACK_COLUMNS`."""
    rows = summary["packs"]
    return [list(row) for row in zip(*(cells(key, [row[key] for row in rows]) for key in PACK_COLUMNS), strict=True)]


def series_shown(series: Packed, step_s: float, steps: dict[str, float]) -> dict[str, Any]:
    """Packed series with what it takes to read them."""
    return {"series": series.text, "samples": series.samples, "rows": series.rows, "step_s": step_s, "steps": steps}


def run_shown(result: Result, step_s: float | None = None) -> dict[str, Any]:
    """A run for the view, as plain data for JSON.

    Parameters
    ----------
    result : Result
        With samples at every multiple of ``step_s``: of :func:`simbank.simulate` with :func:`shown_times` as ``output_step_s``.
    step_s : float, optional
        Of the view's clock [s]; by default what :func:`clock_step` says of the run's length.

    Returns
    -------
    dict
        ``series``, ``samples``, ``rows``, ``step_s``, ``steps`` (:mod:`simbank.page.packed`); ``most_a``, the largest current [A];
        ``start``, ``shifts``, ``nights`` (:func:`simbank.page.nights.calendar`); ``verdicts``; ``figures`` (name, what it is called, text);
        ``packs`` (``head`` and ``rows``).
    """
    step_s = clock_step(result.summary["bank"]["duration_h"] * 3600.0) if step_s is None else step_s
    series = series_of(result, step_s)
    steps = steps_for([series], PARTS)
    most = max(abs(values).max(initial=0.0) for values in (series.pack_a, series.port_a, series.branch_a))
    return (
        series_shown(packed(series, steps), step_s, steps)
        | {"most_a": float(most)}
        | calendar(result.scenario)
        | words_shown(result)
    )


def words_shown(result: Result) -> dict[str, Any]:
    """Of a run its verdicts, all of them, worst first, as ``simbank run --json`` has them, its key figures and what its packs did."""
    texts = figures_shown(result.summary)
    return {
        "verdicts": [
            {key: record[key] for key in ("severity", "where", "text", "code")}
            for record in as_records(verdicts(result, most=len(RULES)))
        ],
        "figures": [[key, words, text] for (key, words), text in zip(FIGURES.items(), texts, strict=True)],
        "packs": {"head": list(PACK_COLUMNS.values()), "rows": packs_shown(result.summary)},
    }

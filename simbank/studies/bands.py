"""How far an answer reaches: a run, or another study, at draws of all that is not known of its bank."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from simbank.errors import InputError, RunStopped
from simbank.interrupts import heard_by
from simbank.scenario import Scenario
from simbank.scenario.uncertain import UncertainValue, doubtful_values, uncertain_values
from simbank.simulation import simulate
from simbank.studies.band_figures import BANK_FIGURES, PACK_FIGURES, Figures, bank_figures, figures_over_time, pack_figures
from simbank.studies.band_tables import DRAWS, bands_of
from simbank.studies.bands_result import Bands
from simbank.studies.draw_runs import Found, Task, run_tasks
from simbank.studies.draws import draw_shares
from simbank.studies.explained import explained
from simbank.studies.meters import current_read_at, shown_by
from simbank.studies.parallel import copies_worth
from simbank.studies.rule_figures import near_ampacity, rule_figures
from simbank.studies.settings import refuse_auto, study_made_by
from simbank.warning import counted

__all__ = ["BANDS_TOLERANCE", "DRAWS", "affordable_draws", "bands", "bands_by", "draws_that_fit"]

MOST_DRAWS = 100_000
BANDS_TOLERANCE = 1e-5
LEAST_DRAWS = 40  # below which nothing is said of what to measure
EXPLAINING_S = 1.0  # some time that it takes to find what explains the bands
MOST_INSTANTS = 300  # of state of charge over time
DENSE_S = 60.0  # between samples of a run by itself, unless it is long
MOST_SAMPLES = 20_000_000  # of all draws, packs and instants together: 80 MB


def run_for_bands(
    scenario: Scenario, *, output_step_s: float, dense: bool = False, read_at: Mapping[str, float] | None = None, **options: Any
) -> Found:  # fmt: skip
    """One run of a scenario, and of it what bands are made of.

    Parameters
    ----------
    scenario : Scenario
        Bank and duty.
    output_step_s : float
        Time between two of the states of charge that are kept [s].
    dense : bool
        Whether to sample it as a run by itself: where conductors are near what they may carry that is asked of most draws, which are else
        run twice.
    read_at : mapping of str to float, optional
        Port → current [A] at which what meters would show of its bank is asked for, too.
    **options
        As in :func:`simbank.simulate`.
    """
    dense = dense and output_step_s > DENSE_S
    result = simulate(scenario, output_step_s=None if dense else output_step_s, **options)
    samples, times = result.pack_samples, instants(scenario.duty.duration_s, output_step_s)
    soc = samples.soc
    if not np.array_equal(samples.time_s, times):
        soc = np.stack([np.interp(times, samples.time_s, column) for column in soc.T], axis=1)
    figures = bank_figures(result.summary) | figures_over_time(times, soc, result.summary)
    events = list(dict.fromkeys(row.event.code for row in result.event_rows))
    limits = rule_figures(result, None if dense or output_step_s <= DENSE_S else options)
    shown = None if read_at is None else shown_by(scenario.bank, read_at)
    return Found(figures, pack_figures(result.summary), soc.astype(np.float32), result.warnings, limits, events, shown)


def affordable_draws(scenario: Scenario, most_s: float, draws: int = DRAWS) -> int:
    """How many draws of a run fit into a time; the rest as in :func:`draws_that_fit`."""
    step_s = sampling_step_s(scenario.duty.duration_s, len(scenario.bank.packs), draws)
    return draws_that_fit(
        lambda: run_for_bands(scenario, integrator="fast", tolerance=BANDS_TOLERANCE, output_step_s=step_s), most_s, draws
    )


def draws_that_fit(one: Callable[[], Any], most_s: float, draws: int = DRAWS) -> int:
    """How many draws fit into a time: as many as are wanted, a half of them, a quarter and so on, or 0 where too few would be left.

    Parameters
    ----------
    one : callable
        Does what one draw takes; it is done once or twice.
    most_s : float
        Time of one processor that all may take [s].
    draws : int
        As many as are wanted.
    """
    for _ in range(2):  # the first may have to wait for the compiler
        start = time.process_time()  # whatever else the machine does
        one()
        took_s = time.process_time() - start
        if took_s * draws <= most_s:
            return draws
    while draws >= LEAST_DRAWS and took_s * draws > most_s:
        draws //= 2
    return draws if draws >= LEAST_DRAWS else 0


def instants(duration_s: float, step_s: float) -> np.ndarray:
    """Times at which a run is sampled [s]."""
    return np.append(np.arange(0.0, duration_s - 1e-9 * step_s, step_s), duration_s)


def sampling_step_s(duration_s: float, packs: int, draws: int) -> float:
    """Time between two samples [s]: whole minutes where the run lasts long enough."""
    most = max(30, min(MOST_INSTANTS, MOST_SAMPLES // max(packs * draws, 1)))
    step = duration_s / (most - 1)
    return math.ceil(step / 60.0) * 60.0 if step > 30.0 else step


def bands(
    scenario: Scenario,
    draws: int = DRAWS,
    seed: int = 0,
    *,
    integrator: str = "fast",
    tolerance: float | None = None,
    explain: bool = True,
    jobs: int | None = None,
    progress: Callable[[float], None] | None = None,
) -> Bands:
    """Figures of a run as 5, 50 and 95 % over draws of all that is not known of its bank.

    Every value that the file gives with ± or ``within``, and every one that it leaves to data with a range
    (:func:`simbank.scenario.uncertain.uncertain_values`), is drawn by Latin hypercube; each draw is run from beginning to end.
    Whatever the draw, what is asked stays as it is by the file's own values: a duty of 0.2 C keeps its amperes.

    Parameters
    ----------
    scenario : Scenario
        Bank and duty.
    draws : int
        How many, 2 or more.
    seed : int
        The same draws for the same seed.
    integrator : {"fast", "reference"}
        As in :func:`simbank.simulate`.
    tolerance : float, optional
        Of the integrator; 1e-5 of the fast one if none is given. Against 1e-8 that moves no figure of a shipped scenario by more than
        0.8 % of the width of its band, wherever the band is wide enough to be seen in a table; 1e-4 moves one by 6 %.
    explain : bool
        Whether to look for what explains the bands and what to measure first, which takes about as long as the draws.
    jobs : int, optional
        Processes on this machine, −1 for all cores; by default all where that is quicker, else none beside this one.
    progress : callable, optional
        Called with the fraction of draws done.

    Returns
    -------
    Bands

    Raises
    ------
    InputError
        If the number of draws or jobs is none, or a setting does not fit.
    SimulationError
        If every draw fails; RunStopped by Ctrl-C, with the bands of the draws so far as its ``partial``, None if there are none.
    """
    if not isinstance(scenario, Scenario):
        raise InputError("must be a scenario; sb.load(path) reads one", key="scenario", value=scenario)
    settings = checked_settings(draws, seed, integrator, tolerance)
    step_s = sampling_step_s(scenario.duty.duration_s, len(scenario.bank.packs), draws)
    settings |= {"output_step_s": step_s}
    settings["dense"] = near_ampacity(run_for_bands(scenario, **settings).limits)
    settings["read_at"] = current_read_at(scenario.bank) if explain and draws >= LEAST_DRAWS else None
    return bands_by(run_for_bands, scenario, settings, draws, seed, "bands", explain=explain, jobs=jobs, progress=progress)


def bands_by(
    run: Callable[..., Found],
    scenario: Scenario,
    settings: Mapping[str, Any],
    draws: int,
    seed: int,
    study: str,
    *,
    told: tuple[Figures, Figures] = (BANK_FIGURES, PACK_FIGURES),
    explain: bool = False,
    jobs: int | None = None,
    progress: Callable[[float], None] | None = None,
) -> Bands:
    """Bands of what a function finds of a scenario.

    Parameters
    ----------
    run : callable
        Function of a module that takes a scenario and the settings, and gives what bands are made of.
    scenario : Scenario
        By the file's own values.
    settings : dict
        ``integrator``, ``tolerance``, and what else ``run`` takes; with ``output_step_s`` it gives states of charge that often.
    draws, seed, jobs, progress
        As in :func:`bands`.
    study : str
        Name of the function that the bands belong to.
    told : tuple
        Name, unit and meaning of each figure, of the bank and of a pack.
    explain : bool
        Whether to look for what explains the bands and what to measure first.

    Raises
    ------
    RunStopped
        By Ctrl-C, with the bands of the draws so far as its ``partial``, None if there are none.
    """
    own, known = run(scenario, **settings), uncertain_values(scenario)
    points, numbers = drawn_points(known, draws, seed)
    tasks = [Task(k, "", point) for k, point in enumerate(points)]
    done, stopped = run_tasks(run, {"": scenario}, tasks, settings, jobs, progress)
    if stopped and not any(one.found for one in done):
        raise RunStopped("stopped with no draw done")
    made = bands_made_by(scenario, study, settings, draws, seed)
    step_s = settings.get("output_step_s")
    times = None if step_s is None else instants(scenario.duty.duration_s, step_s)
    found = bands_of(done, own, known, numbers, made, draws, times, *told)
    found.warnings += doubtful_values(scenario)
    if explain and not stopped:
        stopped = _stopped_while(lambda: _add_explanation(found, scenario.bank, done, seed, settings.get("read_at"), jobs))
    if stopped:
        raise RunStopped(f"stopped with {counted(found.done, 'draw')} done; the bands are of these", found)
    return found


def _add_explanation(found, bank, done, seed, read_at, jobs):
    shown = [one.found.shown for one in done if one.found is not None]
    copies = copies_worth(EXPLAINING_S) if jobs is None else 0
    found.explained = explained(found.values, found.figures, shown, found.uncertain, seed, bank, read_at, copies)


def _stopped_while(work):
    """Whether Ctrl-C came while something was done, which is then left."""
    interrupted = []
    try:
        with heard_by(lambda: interrupted.append(True) or True):
            work()
    except (RunStopped, KeyboardInterrupt):
        return True
    return bool(interrupted)


def checked_settings(draws: int, seed: int, integrator: str, tolerance: float | None) -> dict[str, Any]:
    """Integrator and tolerance of every draw; an InputError where the number of draws or the seed is none."""
    if not isinstance(draws, int) or isinstance(draws, bool) or draws < 2:
        raise InputError("needs two draws or more", key="draws", value=str(draws))
    if draws > MOST_DRAWS:
        raise InputError(f"at most {MOST_DRAWS} draws: all of them are kept in memory", key="draws", value=draws)
    if not isinstance(seed, int) or isinstance(seed, bool) or seed < 0:
        raise InputError("must be a whole number, 0 or more", key="seed", value=seed)
    if tolerance is not None and (isinstance(tolerance, bool) or not isinstance(tolerance, (int, float))):
        raise InputError("must be a number", key="tolerance", value=tolerance)
    refuse_auto(integrator)
    if tolerance is None and integrator == "fast":
        tolerance = BANDS_TOLERANCE
    return {"integrator": integrator, "tolerance": tolerance}


def bands_made_by(scenario: Scenario, study: str, settings: Mapping[str, Any], draws: int, seed: int) -> dict[str, Any]:
    """What makes bands, as plain data; ``of`` is the study that they belong to, if it is another."""
    told = {key: settings[key] for key in ("integrator", "tolerance")}
    return study_made_by(scenario, "bands", **told, of=None if study == "bands" else study, draws=draws, seed=seed, sampler="lhs")


def drawn_points(known: Sequence[UncertainValue], draws: int, seed: int) -> tuple[list[dict[str, Any]], pd.DataFrame]:
    """Points to run, each key → value; and the same as bare numbers, draw × key. No point where nothing is uncertain."""
    keys = [value.key for value in known]
    if not known:
        return [], pd.DataFrame(index=pd.RangeIndex(0, name="draw"))
    shares = draw_shares(len(known), draws, seed=seed)
    points = [{value.key: value.draw.value(share) for value, share in zip(known, row, strict=True)} for row in shares]
    numbers = [[value.draw.number(share) for value, share in zip(known, row, strict=True)] for row in shares]
    return points, pd.DataFrame(numbers, columns=keys, index=pd.RangeIndex(draws, name="draw"))

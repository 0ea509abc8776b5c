"""The question backwards: which joints, hysteresis and charge rule would leave the picture that a bank shows at rest."""

from __future__ import annotations

import copy
import math
from collections.abc import Callable
from os import PathLike
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtr

from simbank.bank.assumed import assumed
from simbank.bank.graph import Branch
from simbank.distributions import COVERAGE_FACTOR, Draw
from simbank.duty import Duty, Step
from simbank.errors import InputError, SimulationError
from simbank.provenance import content_hash
from simbank.quantities import parse
from simbank.scenario import Scenario, drawn, from_dict, uncertain_values
from simbank.scenario.uncertain import UncertainValue
from simbank.simulation import simulate
from simbank.simulation.rest import near_to_far
from simbank.studies.at_rest_result import AtRest
from simbank.studies.narrowing import narrowed, weighted_quantiles
from simbank.studies.packs_at_rest import PacksAtRest
from simbank.studies.rest_picture import RestPicture, read_picture
from simbank.studies.settings import study_made_by

__all__ = ["at_rest"]

JOINTS_OHM = (
    0.02e-3,
    3e-3,
)  # 5 and 95 % of what the joints of a link add, before the picture: clean and tight to burnt. Chosen here
JOINTS_SOURCE = "chosen here: from clean and tight joints to ten times what passes as hand-tight or dull"
TOLERANCE = 1e-5  # of the fast integrator, SOC in a step: a thousandth of what a display shows
LEAST_STEP_S = 60.0
STRAINED = (
    2.0  # standard deviations from which a value of the most probable bank is told of. Chosen here: one in twenty lies there
)
PROBABLE = 0.01  # of a picture that fits as badly or worse, below which no bank of this kind does
Z95 = 1.6448536269514722  # 95 % point of a normal distribution


def at_rest(
    scenario: Scenario,
    readings: str | PathLike | pd.DataFrame | RestPicture,
    *,
    after: int | None = None,
    alike: bool = False,
    display_points: float = 3.0,
    voltage_v: float = 0.02,
    draws: int = 400,
    seed: int = 0,
    progress: Callable[[float], None] | None = None,
) -> AtRest:
    """Which banks of this kind would leave what displays, or voltages, show at rest.

    Joints of every link and lead are taken as unknown, whatever the file says of them: what they add to a conductor lies from 0.02 to 3
    milliohm (5 and 95 %), log-normal. So is all that :func:`simbank.uncertain_values` lists: hysteresis, relaxation, capacities, and
    what the file states with ± of its duty, such as the charge voltage. The duty is simulated to the rest for draws of these, and they
    are weighted by how well they leave what was read (:func:`simbank.studies.narrowing.narrowed`).

    Parameters
    ----------
    scenario : Scenario
        Its packs stand at the start as its file has them; its duty says how it was charged or discharged.
    readings : path-like, DataFrame or RestPicture
        See :func:`simbank.studies.rest_picture.read_picture`.
    after : int, optional
        Number of the duty's step after which the bank rested, from 1; by default the last that is no rest.
    alike : bool
        Whether all joints add the same.
    display_points : float
        Within how many points a display tells the charge, at about 95 %.
    voltage_v : float
        Likewise of a voltage at rest [V].
    draws : int
        Of each round.
    seed : int
        The same seed gives the same.
    progress : callable, optional
        Called with the fraction done.

    Returns
    -------
    AtRest

    Raises
    ------
    InputError
        For readings or options that cannot be, a duty without such a step, or a bank without joints.
    """
    for key, value, most in (("display_points", display_points, 100.0), ("voltage_v", voltage_v, 10.0)):
        if not (isinstance(value, (int, float)) and 0.0 < value <= most):
            raise InputError(f"must be above 0 and at most {most:g}", key=key, value=value)
    if not isinstance(draws, int) or isinstance(draws, bool) or not 50 <= draws <= 100_000:
        raise InputError("must be a whole number from 50 to 100000", key="draws", value=draws)
    picture = readings if isinstance(readings, RestPicture) else read_picture(readings, scenario.bank)
    case, words, rule = _until_rest(scenario, picture, after)
    model = _Model(case, picture, alike)
    accuracy = {"display": display_points / 100.0 / COVERAGE_FACTOR, "voltage": voltage_v / COVERAGE_FACTOR}
    observed = np.array([reading.value for reading in picture.readings])
    sigma = np.array([accuracy[reading.kind] for reading in picture.readings])
    found = narrowed(model, len(model.values), observed, sigma, draws=draws, seed=seed, progress=progress)
    made = study_made_by(
        scenario, "at_rest", integrator="fast", tolerance=TOLERANCE, readings=content_hash(picture.readings), after=after, alike=alike,
        display_points=display_points, voltage_v=voltage_v, draws=draws, seed=seed,
    )  # fmt: skip
    return AtRest(
        scenario=scenario, table=_picture_table(case, picture, sigma, found), joints=_joint_table(model, found),
        values=_value_table(model, found), probability=found.probability, misfit=found.misfit, effective=found.effective, runs=found.runs,
        alike=alike, told=(words, *picture.understood), rule=rule, bound_points=_bound_points(model), strained=_strained(model, found), made_by=made,
        sound_ohm=parse(assumed().joint.draw.value(0.95), "ohm") * 2.0, probable=PROBABLE,
    )  # fmt: skip


# ---- the bank until it rests ----


def _until_rest(scenario: Scenario, picture: RestPicture, after: int | None) -> tuple[Scenario, str, str]:
    """The scenario with its duty up to a step and then a rest as long as the readings say, its joints taken off; that in words; the step."""
    data = copy.deepcopy(scenario.data)
    _take_off_joints(data["wiring"])
    data["wiring"]["added"] = {}
    hours = max(max(reading.rested_h for reading in picture.readings), 1e-3)
    table = data["duty"]
    cycles = isinstance(table, dict) and table.get("kind") == "cycles" and isinstance(scenario.duty, Duty)
    if not isinstance(scenario.duty, Duty):
        raise InputError(
            'a duty of real days has no steps after which a bank rests: give kind = "cycles" with the last charge', file=scenario.source,
            key="duty.kind", value="days",
        )  # fmt: skip
    active = [k + 1 for k, step in enumerate(scenario.duty.steps) if step.commands]
    if not active:
        raise InputError("the duty asks for nothing before the rest", file=scenario.source, key="duty")
    number = active[-1] if after is None else after
    if not isinstance(number, int) or isinstance(number, bool) or not 1 <= number <= len(scenario.duty.steps):
        raise InputError(f"must be the number of a step, 1 to {len(scenario.duty.steps)}", key="after", value=after)
    if cycles and scenario.duty.repeat == 1:
        table["steps"] = [*table["steps"][:number], {"rest": True, "hours": hours}]
    elif isinstance(table, dict) and table.get("kind") == "constant":
        step = {key: value for key, value in table.items() if key not in ("kind", "c_rate")}
        rate = {"c_rate": table["c_rate"]} if "c_rate" in table else {}
        data["duty"] = {"kind": "cycles", "steps": [step, {"rest": True, "hours": hours}], **rate}
    else:
        steps = scenario.duty.steps * (scenario.duty.repeat - 1) + scenario.duty.steps[:number]
        data["duty"] = Duty((*steps, Step(hours * 3600.0)))
    which = f"step {number} of the duty"
    if scenario.duty.repeat > 1:
        which += f" in its last of {scenario.duty.repeat} rounds"
    rule = f"{which} ({_step_words(scenario.duty.steps[number - 1])})"
    return from_dict(data, source=scenario.source), f"The picture is taken as of {hours:g} h after {which}.", rule


def _step_words(step: Step) -> str:
    """What a step asks for.

    >>> from simbank.duty import Command
    >>> _step_words(Step(10800.0, {"charger": Command("current", -100.0, volt_limit=57.6, tail_a=5.0)}))
    'charge at 100 A to 57.6 V until 5 A, 3 h at most'
    """
    told = []
    for command in step.commands.values():
        unit = {"current": "A", "power": "W", "resistance": "ohm"}[command.kind]
        words = f"{'charge' if command.value < 0 else 'discharge'} at {abs(command.value):.4g} {unit}"
        words += f" to {command.volt_limit:.4g} V" if math.isfinite(command.volt_limit) else ""
        words += f" until {command.tail_a:.3g} A" if command.tail_a > 0 else ""
        told.append(words + (f" down to {command.cutoff_volt:.4g} V" if command.cutoff_volt > 0 and command.value > 0 else ""))
    return f"{' and '.join(told) or 'rest'}, {step.duration_s / 3600.0:.3g} h at most"


def _take_off_joints(table: Any) -> None:
    """Let every conductor of the wiring have joints without resistance, since they are what is asked for."""
    if isinstance(table, list):
        for entry in table:
            _take_off_joints(entry)
    elif isinstance(table, dict):
        if {"gauge", "resistance", "length"} & set(table) or "joint" in table:
            table["joint"] = "0 ohm"
        for entry in table.values():
            _take_off_joints(entry)


# ---- the model ----


class _Model:
    """From standard normal numbers to what displays and voltages would show.

    Attributes
    ----------
    values : list of UncertainValue
        In the order of the numbers; joints first, of each branch, or a single one for all.
    branches : list of Branch
        Whose joints are asked for.
    """

    def __init__(self, case: Scenario, picture: RestPicture, alike: bool):
        self.case, self.picture, self.alike = case, picture, alike
        self.branches = [b for b in case.bank.graph.branches if _has_joints(b)]
        if not self.branches:
            raise InputError("the bank has no link or lead whose joints could be asked for", file=case.source, key="wiring")
        low, high = (1e3 * ohm for ohm in JOINTS_OHM)
        draw = Draw("lognormal", math.sqrt(low * high), math.exp(math.log(high / low) / (2.0 * Z95)), "milliohm")
        asked = [self.branches[0]] if alike else self.branches
        joints = [
            UncertainValue(f"wiring.added.{b.name}", draw, "joints of every link" if alike else f"joints of {b.name}", JOINTS_SOURCE, "joints")
            for b in asked
        ]  # fmt: skip
        known = {value.key for value in joints}
        rest = [value for value in uncertain_values(case) if value.group != "joints" and value.key not in known]
        self.values = [*joints, *rest]
        self.names = [pack.name for pack in case.bank.packs]

    def scenario_of(self, u: np.ndarray) -> Scenario:
        """The bank that numbers stand for."""
        return drawn(self.case, self._keys(u))

    def _keys(self, u):
        keys: dict[str, Any] = {
            value.key: value.draw.value(float(share)) for value, share in zip(self.values, ndtr(u), strict=True)
        }
        if self.alike:
            first = keys[self.values[0].key]
            keys |= {f"wiring.added.{b.name}": first for b in self.branches}
        return keys

    def __call__(self, u: np.ndarray) -> np.ndarray | None:
        """What would be read, shape (readings,); None where such a bank cannot be, or cannot be run."""
        try:
            case = self.scenario_of(u)
            return self.read(case)
        except (InputError, SimulationError):
            return None

    def read(self, case: Scenario) -> np.ndarray:
        """What would be read of a bank."""
        rested = [reading.rested_h for reading in self.picture.readings]
        longest = max(rested)
        step = max(LEAST_STEP_S, 3600.0 * longest / 50.0) if min(rested) < longest else max(LEAST_STEP_S, case.duty.duration_s)
        samples = simulate(case, integrator="fast", tolerance=TOLERANCE, output_step_s=step).pack_samples
        begin = case.duty.duration_s - 3600.0 * max(longest, 1e-3)
        shows = samples.soc if samples.displayed_soc is None else samples.displayed_soc
        out, at_rest = np.empty(len(rested)), None
        for k, reading in enumerate(self.picture.readings):
            row, pack = int(np.argmin(np.abs(samples.time_s - begin - 3600.0 * reading.rested_h))), self.names.index(reading.pack)
            if reading.kind == "display":
                out[k] = samples.soc[row, pack] if math.isnan(shows[row, pack]) else shows[row, pack]
            else:
                at_rest = at_rest or PacksAtRest(case.bank)
                out[k] = at_rest.open_v(samples.soc[row], samples.hysteresis[row])[pack]
        return out


def _has_joints(branch: Branch) -> bool:
    """Whether a branch is a link or a lead within the bank: what lies before a port carries the whole current and divides none."""
    return branch.kind in ("link", "lead", "conductor") and branch.role != "port"


# ---- what is left ----

SHARES = (0.05, 0.5, 0.95)


def _joint_table(model, found) -> pd.DataFrame:
    """Of each branch, of both sides of each link, and of all together, what joints add [mΩ], before and after the picture."""
    count = 1 if model.alike else len(model.branches)
    low, high = (1e3 * ohm for ohm in JOINTS_OHM)
    draw, rows = model.values[0].draw, []
    mohm = draw.low * draw.high ** found.u[:, :count]
    if model.alike:
        rows.append(("all", "", *weighted_quantiles(mohm[:, 0], found.weights, SHARES), low, math.sqrt(low * high), high))
    else:
        sides: dict[str, list[int]] = {}
        for k, branch in enumerate(model.branches):
            name = branch.name.removesuffix(f" {branch.pole}") if branch.pole else branch.name
            sides.setdefault(name, []).append(k)
            values = weighted_quantiles(mohm[:, k], found.weights, SHARES)
            rows.append((branch.name, branch.pole or "", *values, low, math.sqrt(low * high), high))
        rows += [
            (name, "both", *weighted_quantiles(mohm[:, places].sum(axis=1), found.weights, SHARES), *_sum_before(draw, 2))
            for name, places in sides.items() if len(places) == 2
        ]  # fmt: skip
        rows.append(("all together", "", *weighted_quantiles(mohm.sum(axis=1), found.weights, SHARES), *_sum_before(draw, count)))
    columns = ["where", "side", "low_mohm", "mid_mohm", "high_mohm", "before_low_mohm", "before_mid_mohm", "before_high_mohm"]
    return pd.DataFrame(rows, columns=columns)


def _sum_before(draw: Draw, count: int) -> np.ndarray:
    """5, 50 and 95 % of the sum of so many independent values of a log-normal distribution, by draws."""
    z = np.random.default_rng(0).normal(size=(20_000, count))
    return np.quantile(np.sum(draw.low * draw.high**z, axis=1), SHARES)


def _value_table(model, found) -> pd.DataFrame:
    """Of every other value, its 5, 50 and 95 % before and after, and how much narrower it is."""
    rows = []
    for k, value in enumerate(model.values):
        if value.group == "joints":
            continue
        u = weighted_quantiles(found.u[:, k], found.weights, SHARES)
        after = [value.draw.number(float(share)) for share in ndtr(u)]
        before = [value.draw.number(share) for share in SHARES]
        rows.append((value.key, value.words, value.draw.unit, *after, *before, 1.0 - (u[2] - u[0]) / (2.0 * Z95), value.group))
    columns = ["key", "words", "unit", "low", "mid", "high", "before_low", "before_mid", "before_high", "narrower", "group"]
    return pd.DataFrame(rows, columns=columns).sort_values("narrower", ascending=False, kind="stable").reset_index(drop=True)


def _strained(model, found) -> tuple[str, ...]:
    """Values of the most probable bank that lie far off the middle of what they may be, farthest first, in words."""
    told = []
    for k in np.argsort(-np.abs(found.best_u)):
        if abs(found.best_u[k]) < STRAINED:
            break
        value = model.values[k]
        number, low, high = (value.draw.number(float(share)) for share in (ndtr(found.best_u[k]), SHARES[0], SHARES[-1]))
        told.append(
            f"{value.words} {number:.3g}{' ' * bool(value.draw.unit)}{value.draw.unit} (5 to 95 %: {low:.3g} to {high:.3g})"
        )
    return tuple(told)


def _picture_table(case, picture, sigma, found) -> pd.DataFrame:
    """A row a reading, near to far: what was read, what the banks that fit would show, and what the most probable one does."""
    names = [pack.name for pack in case.bank.packs]
    far = {names[k]: place for place, k in enumerate(near_to_far(_loop_ohm(case)))}
    rows = []
    for k, reading in enumerate(picture.readings):
        low, mid, high = weighted_quantiles(found.predicted[:, k], found.weights, SHARES)
        z = (reading.value - found.best[k]) / sigma[k]
        rows.append((reading.pack, far[reading.pack] + 1, reading.kind, reading.rested_h, reading.value, COVERAGE_FACTOR * sigma[k],
                     low, mid, high, found.best[k], z))  # fmt: skip
    columns = ["pack", "place", "kind", "rested_h", "read", "within", "low", "mid", "high", "best", "off_sigma"]
    return pd.DataFrame(rows, columns=columns).sort_values(["kind", "place"], kind="stable").reset_index(drop=True)


def _loop_ohm(case):
    """Resistance of the wiring there and back, of every pack from the first port [ohm]."""
    from simbank.network import Network

    ohm = np.array([pack.ohmic_ohm for pack in case.bank.packs])
    return Network(case.bank.graph, ohm).loop_ohm(0)


def _bound_points(model) -> float:
    """Greatest difference of charge that hysteresis can hold between packs at rest that show one voltage [points].

    With hysteresis at the high end of what is not known of it, all else in the middle, at the voltage at which that bank rests: one pack
    after a charge, another after a discharge.
    """
    u = np.array([Z95 if value.group == "hysteresis" else 0.0 for value in model.values])
    case = model.scenario_of(u)
    result = simulate(case, integrator="fast", tolerance=TOLERANCE, output_step_s=max(LEAST_STEP_S, case.duty.duration_s))
    volts, packs = result.pack_samples.terminal_v[-1], PacksAtRest(case.bank)
    read = [model.names.index(name) for name in dict.fromkeys(reading.pack for reading in model.picture.readings)]
    high = max(packs.soc_at(k, float(volts[k]), -1.0) for k in read)
    return 100.0 * (high - min(packs.soc_at(k, float(volts[k]), 1.0) for k in read))

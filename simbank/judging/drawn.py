"""Verdicts over drawn banks: in what share of the draws each holds, which of them hang on a value that is not known, what happens in some only.

A rule is applied to what was kept of each draw (figures, what :mod:`simbank.studies.rule_figures` has, codes of warnings and events),
with the thresholds that it has for a run. Which have no share, and why, is said in simbank/cli/README.md.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from simbank.digits import percent
from simbank.judging import rules
from simbank.judging.layouts import drawn_better
from simbank.judging.rules import RULES, verdict
from simbank.judging.run_load import OVER_CURRENT, set_alike
from simbank.judging.warned import warning_verdicts
from simbank.judging.words import Clock
from simbank.simulation import Result
from simbank.simulation.event_codes import Event
from simbank.simulation.run_warnings import TRIPPED
from simbank.studies.bands_result import Bands
from simbank.studies.compare import Comparison
from simbank.studies.ranks import average_ranks
from simbank.verdict import ACT, DANGER, NOTE, SEVERITIES, UNKNOWN, Verdict

__all__ = ["bands_verdicts", "over_draws"]

ROOM = 235  # letters of what hangs, or may happen, before what decides it
SHARES = ("share_ratio_discharge", "share_ratio_charge")


@dataclass(frozen=True)
class _Draws:
    """Figures of draws, a row each; and the run by the file's own values, where it is there."""

    figures: pd.DataFrame
    packs: pd.DataFrame
    run: Result | None = None
    clock: Clock | None = field(default=None, repr=False)
    limits: pd.DataFrame | None = None
    warned: list[set[str]] = field(default_factory=list)
    events: list[set[str]] = field(default_factory=list)
    margin: float | None = None  # by which the largest current of a conductor counts; None: what lasts counts, without

    def of_packs(self, *names: str) -> pd.DataFrame:
        """The largest of some figures of each pack: draw × pack."""
        found = [self.packs.xs(name, axis=1, level="figure") for name in names]
        return pd.DataFrame(np.fmax.reduce([frame.to_numpy() for frame in found]), self.packs.index, found[0].columns)

    def limit(self, name: str) -> pd.DataFrame:
        """What was kept besides, by a figure: draw × where; without a column where it is of none."""
        if self.limits is None or name not in self.limits.columns.get_level_values("figure"):
            return pd.DataFrame(index=self.figures.index)
        return self.limits.xs(name, axis=1, level="figure")

    def of_ampacity(self) -> pd.DataFrame:
        """What each conductor has to carry over what it may: draw × conductor."""
        return self.limit("lasting_of_ampacity") if self.margin is None else self.limit("peak_of_ampacity") * self.margin

    @classmethod
    def of(cls, bands: Bands, run: Result | None, margin: float | None = None) -> _Draws:
        """Of the draws that ran."""
        ran = bands.draws[bands.draws["failure"].isna()]
        codes = [[set(text.split(", ")) for text in ran[name]] if name in ran else [] for name in ("warnings", "events")]
        clock = None if run is None else Clock(run.scenario)
        return cls(bands.figures, bands.pack_figures, run, clock, bands.limit_figures, *codes, margin)

    def judge(self, code: str) -> bool:
        """Whether a rule can be judged by what is there."""
        return (self.run is not None or code not in NEEDS_RUN) and (bool(self.limits.shape[1]) or code not in NEEDS_LIMITS)

    def own(self, bands: Bands) -> _Draws:
        """What comes of the file's own values as a single draw."""
        rows = [_file_row(table["file"]) for table in (bands.table, bands.packs, bands.limits)]
        summary = {"warnings": (), "events": ()} if self.run is None else self.run.summary
        codes = [[{row["code"] for row in summary[name]}] for name in ("warnings", "events")]
        return _Draws(rows[0], rows[1], self.run, self.clock, rows[2], *codes, self.margin)


# Of each draw whether a rule speaks, at a place if one is given; None where nothing of that place was kept.
Holds = Callable[[_Draws, str | None], np.ndarray | None]


def _hardest(draws: _Draws, where: str | None) -> np.ndarray:
    shares = draws.of_packs(*SHARES).fillna(0.0)
    speaks = shares.max(axis=1) >= rules.SHARE_TOLD
    return (speaks if where not in shares else speaks & (shares.idxmax(axis=1) == where)).to_numpy()


def _alike(draws: _Draws, where: str | None) -> np.ndarray:
    near = (draws.limit("of_limit") >= rules.NEAR_LIMIT).any(axis=1)
    return ((draws.of_packs(*SHARES).max(axis=1) < rules.SHARE_TOLD) & ~near).to_numpy()


def _apart(figure: str) -> Holds:
    return lambda draws, where: (draws.figures[figure] >= rules.SPREAD_TOLD_POINTS).to_numpy()


def _full_first(draws: _Draws, where: str | None) -> np.ndarray:
    most = draws.of_packs("soc_max")
    speaks = (draws.figures["unfilled_percent"] >= 100.0 * rules.LEFT_SHARE) & (most.max(axis=1) >= rules.FULL_SOC)
    charged, fullest = draws.limit("charged_percent"), draws.limit("fullest_percent")
    if charged.shape[1]:
        speaks &= (charged > 100.0 * rules.LEFT_SHARE).any(axis=1) & (fullest >= 100.0 * rules.FULL_SOC).any(axis=1)
    return (speaks if where not in most else speaks & (most.idxmax(axis=1) == where)).to_numpy()


def _empty_first(draws: _Draws, where: str | None) -> np.ndarray:
    least = draws.of_packs("soc_min")
    speaks = (draws.figures["left_percent"] >= 100.0 * rules.LEFT_SHARE) & (least.min(axis=1) <= rules.EMPTY_SOC)
    return (speaks if where not in least else speaks & (least.idxmin(axis=1) == where)).to_numpy()


def _unmet(draws: _Draws) -> np.ndarray:
    """Whether load was not met after a cut-off."""
    unmet = draws.figures[["unmet_wh", "ac_unmet_wh"]].max(axis=1) > rules.UNMET_WH
    return (unmet & draws.figures["first_cutoff_h"].notna()).to_numpy()


def _early(draws: _Draws, where: str | None) -> np.ndarray:
    return _unmet(draws) & (draws.figures["cutoff_soc_percent"] > 100.0 * rules.EMPTY_SOC).to_numpy()


def _dark(draws: _Draws) -> np.ndarray:
    """Whether the first cut-off was at night; never where the duty has no date."""
    begin, end = rules.NIGHT_H
    local = [None if draws.clock is None or h != h else draws.clock.local(3600.0 * h) for h in draws.figures["first_cutoff_h"]]
    return np.array([t is not None and not end <= t.hour + t.minute / 60.0 < begin for t in local], bool)


def _before_dawn(draws: _Draws, where: str | None) -> np.ndarray:
    return _unmet(draws) & ~_early(draws, where) & _dark(draws)


def _load_unmet(draws: _Draws, where: str | None) -> np.ndarray:
    return _unmet(draws) & ~_early(draws, where) & ~_dark(draws)


def _curtailed(draws: _Draws, where: str | None) -> np.ndarray:
    offered = sum(port["offered_wh"] for port in draws.run.summary["ports"])
    return (
        (draws.figures["curtailed_wh"] > rules.CURTAILED_SHARE * offered).to_numpy()
        if offered
        else np.zeros(len(draws.figures), bool)
    )


def _cable_loss(draws: _Draws, where: str | None) -> np.ndarray:
    moved = draws.figures["energy_out_wh"] + draws.figures["energy_in_wh"]
    return (draws.figures["conductor_loss_wh"] > rules.CABLE_LOSS_SHARE * moved).to_numpy()


def _hot(draws: _Draws, where: str | None) -> np.ndarray:
    return (draws.of_packs("temperature_max_c").max(axis=1) >= rules.WARM_C).to_numpy()


def _near_limit(draws: _Draws, where: str | None) -> np.ndarray:
    """Any pack; what its cells take of a charge does not count where ``charge-too-fast`` tells of it."""
    told = np.fmax(draws.limit("charge_freezing_h"), draws.limit("charge_too_fast_h")) > rules.TOO_FAST_H
    near = draws.limit("of_limit_but_cells").where(told, draws.limit("of_limit"))
    return (near >= rules.NEAR_LIMIT).any(axis=1).to_numpy()


def _above(name: str, level: float) -> Holds:
    """Whether a figure that was kept besides is above a level, at the place given, or anywhere if none is."""
    return lambda draws, where: _there(draws.limit(name) > level, where)


def _there(speaks, where):
    """Of each draw whether something speaks at a place, or anywhere if none is given; None where that place is in no draw."""
    if where is None:
        return speaks.any(axis=1).to_numpy(bool)
    return speaks[where].to_numpy(bool) if where in speaks else None


def _overloaded(draws: _Draws, where: str | None) -> np.ndarray | None:
    return _there(draws.of_ampacity() > 1.0, where)


def _ended_low(draws: _Draws, where: str | None) -> np.ndarray:
    return (draws.limit("charge_end_soc_percent") < 100.0 * rules.LOW_AT_END_SOC).any(axis=1).to_numpy()


def _ports_apart(draws: _Draws, where: str | None) -> np.ndarray:
    volt, seconds = draws.limit("ports_apart_v"), draws.limit("ports_apart_s")
    alike = [name for name in volt if set_alike(draws.run.scenario, *name.split(", "))]
    return (volt[alike] >= rules.APART_V).any(axis=1).to_numpy() | (seconds >= rules.APART_S).any(axis=1).to_numpy()


def _too_small(draws: _Draws, where: str | None) -> np.ndarray | None:
    """By each port's unmet load against what the duty asks there by the file's own values."""
    unmet, day = draws.limit("unmet_uncut_wh"), min(1.0, 24.0 / max(draws.run.summary["bank"]["duration_h"], 1e-9))
    asked = {p["name"]: p["ac_asked_wh"] if p["ac_asked_wh"] > 0 else p["asked_wh"] for p in draws.run.summary["ports"]}
    least = {name: max(rules.UNMET_WH, rules.UNMET_SHARE * asked[name] * day) for name in unmet}
    return _there(unmet > pd.Series(least, dtype=float), where)


def _display_wrong(draws: _Draws, where: str | None) -> np.ndarray | None:
    return _there(draws.limit("display_error_points") >= rules.DISPLAY_WRONG_POINTS, where)


def _warned(code: str) -> Holds:
    return lambda draws, where: np.array([code in codes for codes in draws.warned], bool)


def _over_current(draws: _Draws, where: str | None) -> np.ndarray:
    """BMS and devices that opened while the ports went on."""
    opened = np.array([bool(codes & set(OVER_CURRENT)) for codes in draws.events], bool)
    return opened & ~_warned(TRIPPED)(draws, where)


def _by_temperature(draws: _Draws, where: str | None) -> np.ndarray:
    blocks = {Event.CHARGE_TEMPERATURE, Event.DISCHARGE_TEMPERATURE}
    return np.array([bool(codes & blocks) for codes in draws.events], bool)


# Rules that the figures of draws decide: how, and what happens then, in words.
HOLDS: dict[str, tuple[Holds, str]] = {
    "charge-below-freezing": (_above("charge_freezing_h", rules.TOO_COLD_H), "a pack is charged below freezing"),
    "beyond-cell-model": (_warned("beyond-cell-model"), "a pack goes beyond full or empty"),
    "conductor-overloaded": (_overloaded, "a conductor carries more than it may"),
    "pack-hot": (_hot, f"a pack comes to {rules.WARM_C:g} °C"),
    "unequal-charge": (_warned("unequal-charge"), "packs are joined at unequal charge"),
    "balance-missed": (_warned("balance-missed"), "charge or energy does not close"),
    TRIPPED: (_warned(TRIPPED), "a port stops since packs or devices open on over-current"),
    "empty-before-dawn": (_before_dawn, "load is not met at night, the bank empty"),
    "load-unmet": (_load_unmet, "load is not met, the bank empty"),
    "cut-off-early": (_early, "a port is cut off with charge left in the bank"),
    "inverter-too-small": (_too_small, "load goes beyond the inverter's rating"),
    "opened-on-over-current": (_over_current, "a BMS or a device opens on over-current"),
    "pack-near-limit": (_near_limit, f"a pack comes to {100 * rules.NEAR_LIMIT:.0f} % of a limit of its own"),
    "empties-first": (_empty_first, "one pack is empty while charge is left in others"),
    "fills-first": (_full_first, "one pack is full while others are not"),
    "charge-ended-low": (_ended_low, f"a charge ends by itself below {100 * rules.LOW_AT_END_SOC:.0f} %"),
    "blocked-by-temperature": (_by_temperature, "a BMS blocks for temperature"),
    "charge-too-fast": (_above("charge_too_fast_h", rules.TOO_FAST_H), "a pack is charged faster than its cells take"),
    "ports-apart": (_ports_apart, "two ports see unequal voltages"),
    "display-wrong": (_display_wrong, f"a display is {rules.DISPLAY_WRONG_POINTS:g} points wrong"),
    "cable-loss": (_cable_loss, f"cables lose more than {100 * rules.CABLE_LOSS_SHARE:.0f} %"),
    "shares-alike": (_alike, "every pack carries its share"),
    "hardest-pack": (_hardest, f"a pack carries more than {rules.SHARE_TOLD:g} times its share"),
    "spread-stands": (_apart("spread_end_points"), f"packs end more than {rules.SPREAD_TOLD_POINTS:g} points apart"),
    "spread": (_apart("spread_max_points"), f"packs come to lie more than {rules.SPREAD_TOLD_POINTS:g} points apart"),
    "curtailed": (_curtailed, f"more than {100 * rules.CURTAILED_SHARE:.0f} % of what is offered is not taken"),
}
# Of these the run by the file's own values must be there, for what it asks, warns of, or tells as events.
NEEDS_RUN = (
    "curtailed", "ports-apart", "inverter-too-small", "opened-on-over-current", "blocked-by-temperature", "beyond-cell-model",
    "unequal-charge", "balance-missed", TRIPPED,
)  # fmt: skip
NEEDS_LIMITS = (
    "charge-below-freezing", "conductor-overloaded", "inverter-too-small", "pack-near-limit", "charge-ended-low", "charge-too-fast",
    "ports-apart", "display-wrong",
)  # fmt: skip
# By which figure a reading that would settle a rule is chosen.
FIGURES = {
    "hardest-pack": "share_ratio_max", "shares-alike": "share_ratio_max", "pack-near-limit": "share_ratio_max", "fills-first": "first_full_h",
    "empties-first": "first_empty_h", "empty-before-dawn": "first_cutoff_h", "load-unmet": "first_cutoff_h", "cut-off-early": "first_cutoff_h",
}  # fmt: skip
MEASURED_BY_HAND = ("joints", "resistance", "capacity", "start")  # groups of values that a meter at the bank reads
SPREAD = "spread_max_points"
SAME = ("spread", "spread-stands"), ("empty-before-dawn", "load-unmet", "cut-off-early")  # one told is enough


def over_draws(found: Mapping[str, Verdict], said: Iterable[tuple[Any, Sequence[Verdict]]]) -> dict[str, Verdict]:
    """Verdicts with the share of the draws in which they hold, and what hangs on values that are not known.

    Parameters
    ----------
    found : dict of str to Verdict
        By code.
    said : iterable of (result, verdicts)
        What they were found in, each with all that it says: bands (of a run that is among them, or of the layouts of a comparison)
        say what the draws gave.

    Returns
    -------
    dict of str to Verdict
        The same ones, of which those that the draws decide have ``holds_in`` among their numbers, ``hangs-on-unknown`` and
        ``may-happen``. What draws of the file's own layout cannot decide has no share: of another layout, or of another study.
    """
    said, out, margin = list(said), dict(found), None
    results = [result for result, _ in said]
    run = next((result for result in results if isinstance(result, Result)), None)
    bands = next((result for result in results if isinstance(result, Bands) and _of_a_run(result)), None)
    for result in results:
        if isinstance(result, Comparison) and result.bands is not None and len(result.bands.layouts) > 0:
            out = _of_layouts(out, result)
            own = result.own if result.own in result.results else next(iter(result.results))
            if bands is None:
                bands, run, margin = result.bands.layouts.get(own), result.results[own], rules.LOAD_MARGIN
    if bands is None or not len(bands.uncertain) or not bands.done:
        return out
    draws = _Draws.of(bands, run, margin)
    layout, ran = _told_of_a_run(run, said)
    elsewhere = {code for code, told in out.items() if told.numbers.get("layout", layout) != layout}
    hangs = {}
    for code, (holds, _) in HOLDS.items():
        if code not in out or "holds_in" in out[code].numbers:
            continue
        if code in elsewhere:
            none = " Of this layout no draws were made"
            out[code] = replace(out[code], text=_ended(out[code].text, f"{none}: how far this reaches is not known.", f"{none}."))
        elif (code, out[code].where, out[code].text) in ran and draws.judge(code):
            of = replace(draws, margin=out[code].numbers.get("margin"))
            speaks = holds(of, out[code].where.split(", ")[0])
            if speaks is None:
                continue
            out[code] = _with_share(out[code], float(speaks.mean()), bands.done)
            if speaks.mean() < 1.0 - rules.HANGS_ACT:
                hangs[code] = speaks
    may = _may_happen(out.keys() - elsewhere, bands, draws)
    if hangs and "hangs-on-unknown" not in out:
        out["hangs-on-unknown"] = _hanging(out, hangs, bands)
    if may:
        out["may-happen"] = _told_may(may, bands, draws)
    return out


def _told_of_a_run(run, said):
    """The layout that draws of a run are of, and (code, where, text) of all that is told of runs of it."""
    layout = None if run is None else run.scenario.layout
    rows = set()
    for result, verdicts in said:
        if isinstance(result, Comparison) and result.results:
            own = result.own if result.own in result.results else next(iter(result.results))
            layout = own if layout is None else layout
            mine = own == layout
        else:
            mine = isinstance(result, Result)
        rows |= {(told.code, told.where, told.text) for told in verdicts if mine and told.numbers.get("layout", layout) == layout}
    return layout, rows


def bands_verdicts(found: Bands) -> Iterator[Verdict]:
    """Verdicts on bands by themselves: draws that failed. What draws warn of is told with its share, by :func:`over_draws`."""
    yield from warning_verdicts([warning for warning in found.warnings if warning.code == "draws-failed"])


def _of_a_run(bands):
    """Whether bands are of a run, rather than of a study of its own figures."""
    return SPREAD in bands.table.index and len(bands.packs) > 0


def _with_share(told, share, draws):
    """A verdict that says in which share of the draws it holds."""
    shorter = f" In {percent(share)} of draws."
    text = _ended(told.text, f" True in {percent(share)} of what the bank may be.", shorter)
    kept = told.text.rpartition(". ")[0]
    if len(text) >= rules.MOST_LETTERS and told.severity == NOTE and kept:  # whose last sentence is no more than an advice
        text = f"{kept}.{shorter}"
    return replace(told, text=text, numbers={**told.numbers, "holds_in": share, "draws": draws})


def _ended(text, *ends):
    """A text with the first of some ends with which it is no longer than a verdict may be, the shortest where none fits."""
    return text + next((end for end in ends if len(text) + len(end) < rules.MOST_LETTERS), ends[-1])


def _may_happen(found, bands, draws):
    """(severity, code, of each draw whether) of rules of danger or act that the run by the file does not give, worst first."""
    least, rows = rules.HANGS_ACT, []
    own = draws.own(bands)
    for code, (holds, _) in HOLDS.items():
        grave = RULES[code].severity in (DANGER, ACT)
        if not grave or not draws.judge(code) or any(other in found for other in _same(code)):
            continue
        speaks = holds(draws, None)
        if speaks.mean() >= least and not holds(own, None).any():
            rows.append((code, speaks))
    for code in dict.fromkeys(warning.code for warning in bands.warnings):  # which the run by the file's own values does not tell
        if code in RULES and RULES[code].severity in (DANGER, ACT) and code not in found and code not in dict(rows):
            speaks = _warned(code)(draws, None)
            if speaks.mean() >= least:
                rows.append((code, speaks))
    rank, place = list(SEVERITIES), list(RULES)
    graded = [(_grave(code, float(speaks.mean())), code, speaks) for code, speaks in rows]
    return sorted(graded, key=lambda row: (rank.index(row[0]), place.index(row[1])))


def _same(code):
    """Codes of which one told is enough."""
    return next((group for group in SAME if code in group), (code,))


def _file_row(values):
    """A row of what comes of the file's own values; a time that is never is no number, as in a draw."""
    return values.replace(np.inf, np.nan).to_frame().T.astype(float)


def _grave(code, share):
    """How grave it is that a rule speaks in a share of the draws: as the rule if it is no better than a coin, else one less."""
    if share >= rules.HANGS_DANGER:
        return RULES[code].severity
    return ACT if RULES[code].severity == DANGER else UNKNOWN


def _told_may(rows, bands, draws):
    said = []
    for _, code, speaks in rows:
        what = HOLDS[code][1] if code in HOLDS else RULES[code].meaning.partition(";")[0].partition(":")[0]
        if code == "conductor-overloaded":
            over = draws.of_ampacity() > 1.0
            what = f"{over.mean().idxmax()} carries more than it may" + (
                f", likewise {over.any().sum() - 1} more" if over.any().sum() > 1 else ""
            )
        said.append(f"{what} ({code}) in {percent(float(speaks.mean()))}")
    severity, code, speaks = rows[0]
    text = _ended(f"Not by the file, but in part of what the bank may be: {_fit(said)}.", *_settles(code, speaks, bands))
    return verdict("may-happen", "bank", text, severity, **{f"in_{c.replace('-', '_')}": float(s.mean()) for _, c, s in rows})


def _hanging(found, hangs, bands):
    """The verdict on verdicts that a value which is not known may turn, the gravest first."""
    rank, place = list(SEVERITIES), list(RULES)
    order = sorted(hangs, key=lambda code: (rank.index(found[code].severity), place.index(code)))
    said = [
        f"{HOLDS[code][1]} ({found[code].where.split(', ')[0]}, {code}) in {percent(float(hangs[code].mean()))}" for code in order
    ]
    code = next((code for code in order if _decides(bands.values, hangs[code]) is not None), order[0])
    text = _ended(f"True in part of what the bank may be only: {_fit(said)}.", *_settles(code, hangs[code], bands))
    where = ", ".join(dict.fromkeys(found[code].where.split(", ")[0] for code in order))
    return verdict("hangs-on-unknown", where, text, **{f"{c.replace('-', '_')}_holds_in": float(hangs[c].mean()) for c in order})


def _fit(said):
    """As many of some parts as there is room for, and how many more there are."""
    kept = said[:1]
    while len(kept) < len(said) and len("; ".join([*kept, said[len(kept)]])) < ROOM / 2:
        kept.append(said[len(kept)])
    return "; ".join(kept) + (f"; {len(said) - len(kept)} more" if len(kept) < len(said) else "")


def _settles(code, speaks, bands):
    """Which value decides whether a rule speaks, and which reading would settle it, in words; shorter ones after it, empty the last."""
    key = _decides(bands.values, speaks)
    decides = "" if key is None else f" It hangs most on: {bands.uncertain.loc[key, 'words']}."
    rows = pd.DataFrame() if bands.measure_first is None else bands.measure_first.table
    for figure in (FIGURES.get(code, SPREAD), SPREAD) if len(rows) else ():
        of_figure = rows[(rows["figure"] == figure) & rows["told"]]
        if key is not None:
            of_figure = of_figure[[key in keys for keys in of_figure["informs"]]]
        if len(of_figure):
            measure = f" Measure: {of_figure.iloc[0]['what']} {of_figure.iloc[0]['where']}."
            return decides + measure, measure, decides, ""
    measure = " Measure it." if decides and bands.uncertain.loc[key, "group"] in MEASURED_BY_HAND else ""
    return decides + measure, decides, ""


def _decides(values, speaks):
    """The key whose rank goes closest with whether a rule speaks; None if none goes closer than by chance."""
    if speaks.all() or not speaks.any():
        return None
    best, most = None, 4.0 / np.sqrt(len(speaks))  # four standard errors of a correlation that is none
    for key in values:
        ranks = average_ranks(values[key].to_numpy(float))
        if np.ptp(ranks) > 0 and (close := abs(np.corrcoef(ranks, speaks)[0, 1])) > most:
            best, most = key, close
    return best


# ---- layouts ----


def _of_layouts(found, comparison):
    """Verdicts on layouts with the share of the draws in which they hold, and what hangs."""
    told = next((found[code] for code in ("best-layout", "no-difference-that-matters") if code in found), None)
    layouts = comparison.bands.layouts
    if told is None or len(layouts) < 2 or not any(len(found.uncertain) for found in layouts.values()):
        return found
    holds, name = drawn_better(comparison)
    draws = len(holds)
    if not draws:
        return found
    share = float(holds.mean())
    says = f"{name} stays unbeaten" if name else "None carries it"
    text = _ended(
        told.text, f" {says} in {percent(share)} of what the bank may be.", f" {says} in {percent(share)} of draws.", ""
    )
    out = {**found, told.code: replace(told, text=text, numbers={**told.numbers, "holds_in": share, "draws": draws})}
    hot = found.get("conductor-overloaded")
    if hot is not None and hot.numbers.get("layout") in layouts:  # by the margin of a load that lasts, rather than of the run
        of = _Draws.of(layouts[hot.numbers["layout"]], None, hot.numbers["margin"])
        over = _overloaded(of, hot.where.split(", ")[0])
        out[hot.code] = hot if over is None else _with_share(hot, float(over.mean()), len(of.figures))
    if share < 1.0 - rules.HANGS_ACT:
        settles = _settles("best-layout", holds, layouts[name or next(iter(layouts))])
        text = (
            f"Which layout is best is not settled: {says if name else says.lower()} in {percent(share)} of what the bank may be."
        )
        text = _ended(text, *settles)
        out["hangs-on-unknown"] = verdict("hangs-on-unknown", told.where, text, best_layout_holds_in=share)
    return out

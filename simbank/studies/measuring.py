"""What to measure first: how far each reading that a person can take would narrow the band of a figure.

A reading of draw i would be r_i + e_i, with r_i the value in that draw and e_i the meter's error, drawn once for each. Draw by draw this
gives pairs of a reading and a figure, and what the figure is known to be after a reading is its distribution among draws of that
reading (estimates from given draws: Strong and Oakley, Med. Decis. Making 33 (2013) 755; local-linear adjustment: Beaumont, Zhang and
Balding, Genetics 162 (2002) 2025; both from memory). Figures and readings count by their normal scores z, the quantile of the normal
distribution at their share in the order of the draws. About a reading of score s, with weights w_i = exp(−(z_i − s)²/2b²),

    m(s) = local-linear fit of the figure's scores;   band(s) = m(s) + weighted 5 and 95 % quantiles of f_i − m₋ᵢ(z_i),

with m₋ᵢ fitted without draw i (by its leverage), so that a reading without bearing gains nothing. Several numbers in one reading (the
currents of all packs) are first made one by regression of the figure on them, on a plane or on a surface that bends, whichever predicts
draws better that were left out. The expected width is the mean over the readings
that the draws say may come; gain = 1 − expected width ÷ width before, both in scores, which a long tail of the figure does not decide.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri
from threadpoolctl import threadpool_limits

from simbank.digits import cells, unit_of
from simbank.errors import InputError
from simbank.studies.parallel import in_copies
from simbank.studies.possible_readings import EFFORT, Reading
from simbank.studies.ranks import average_ranks

__all__ = ["MeasureFirst", "measure_first"]

ENDS = (0.05, 0.95)
BANDWIDTH = 0.5  # b: of 200 draws some hundred count in the middle, some forty at the ends
OUTCOMES = 25  # readings over which the width is averaged, evenly spaced in share
NODES = 41  # between which the fitted lines are interpolated
HALVES = 16  # halves of the draws from which the error of a gain is estimated
CHANCE = 0.05  # that a list in which nothing has bearing names a reading
CHANCE_SKEW = (
    0.4  # of gains by chance, measured: 0.26 to 0.39 over 1500 to 3000 shuffles of 100 to 500 draws, up to 8 numbers a reading
)
SHUFFLES = 200  # gains by chance from which their mean and spread are taken
HILLS = 60  # of a surface over several numbers
WIDE = 2.0  # width of a hill, in standard deviations of a number
PENALTIES = np.array([0.03, 0.1, 0.3, 1.0, 3.0])
MOST_NUMBERS = 0.2  # numbers in one reading ÷ draws
LEAST_DRAWS = 40
LITTLE = 0.1  # a gain that a single reading is not worth its while for
MOST_COMPARED = 12  # readings of a figure whose order is looked at


@dataclass(frozen=True, eq=False)
class MeasureFirst:
    """What :func:`measure_first` found.

    Attributes
    ----------
    table : DataFrame
        A row for each figure and reading, figures in their order, largest gain first: ``what``, ``where``, ``figure``; the band before,
        ``from_low`` to ``from_high`` (5 and 95 %), and ``to_low`` to ``to_high`` if the reading comes out in its middle (NaN: never
        happens); ``width_expected`` over all readings that may come; ``gain``, with ``gain_low`` and ``gain_high``, its 95 %
        interval (NaN where ``told`` is False); ``told``: whether it is more than chance; ``tied``: whether the draws
        cannot tell it from the first (never a reading and a part of it, which gains no more);
        ``informs``: keys that the reading goes with; ``how``, ``accuracy``, ``source``, ``words``; ``numbers``: how many are read;
        ``lines``: how it goes into the scenario file, … for what is read, a line for each key.
    seconds : DataFrame
        For each figure with a first reading the second that adds most to it: ``figure``, ``first_what``, ``first_where``, ``what``,
        ``where``, ``to_low``, ``to_high``, ``width_expected``, ``gain`` of both, ``told`` (whether it adds more than chance), ``words``;
        ``how``, ``accuracy`` and ``lines`` of the second.
    draws : int
    """

    table: pd.DataFrame
    seconds: pd.DataFrame
    draws: int

    def words(self, figure: str, most: int = 3) -> list[str]:
        """What to measure first for one figure, in sentences.

        Parameters
        ----------
        figure : str
            One that was handed in.
        most : int
            So many readings at most.
        """
        rows = self.table[self.table["figure"] == figure]
        told = rows[rows["told"]]
        if told.empty:
            return [f"No single reading narrows it: none of {len(rows)} gains more than chance would with {self.draws} draws."]
        said = list(told["words"][:most])
        alone = told.loc[told["numbers"] == 1, "gain"].max()
        if told.iloc[0]["numbers"] > 1 and not alone > LITTLE:
            best = told.iloc[0]
            said.append(f"No single reading narrows it much; these together do: {best['what']} {best['where']}.")
        alike = [f"{row.what} {row.where}" for row in told[told["tied"]].itertuples()]
        if len(alike) > 1:
            easiest = min(told[told["tied"]].itertuples(), key=lambda row: EFFORT.get(row.what, len(EFFORT)))
            said.append(
                f"With {self.draws} draws these cannot be told apart: {'; '.join(alike)}. The easiest of them is "
                f"{easiest.what} {easiest.where}."
            )
        second = self.seconds[(self.seconds["figure"] == figure) & self.seconds["told"]]
        return said + list(second["words"])

    @property
    def records(self) -> list[dict]:
        """Readings that gain more than chance, as plain data: what, where, how, accuracy, write, narrows {figure, from, to}, words."""
        return [
            {
                "what": row.what, "where": row.where, "how": row.how, "accuracy": row.accuracy, "write": list(row.lines),
                "narrows": {
                    "figure": row.figure, "from": _plain((row.from_low, row.from_high)), "to": _plain((row.to_low, row.to_high)),
                    "width_expected": _plain([row.width_expected])[0],
                },
                "words": row.words,
            }
            for row in self.table[self.table["told"]].itertuples()
        ]  # fmt: skip


def _plain(values):
    return [None if np.isnan(value) else float(value) for value in values]


def measure_first(
    values: pd.DataFrame,
    figures: pd.DataFrame,
    readings: Sequence[Reading],
    *,
    called: Mapping[str, str] | None = None,
    seed: int = 0,
    copies: int = 0,
) -> MeasureFirst:
    """Expected bands of every figure after each reading of its stated accuracy, best first.

    Parameters
    ----------
    values : DataFrame, draw × key
        What was drawn, to tell which keys a reading goes with.
    figures : DataFrame, draw × figure
        What came out; NaN never happened and counts as later than all others.
    readings : sequence of Reading
        With the value that each would give in every draw; see :func:`simbank.studies.possible_readings.possible_readings`.
    called : mapping of str to str, optional
        Figure → what a person calls it ("spread").
    seed : int
        Of the meters' errors, of the shuffled draws that show what chance gains, and of the halves.
    copies : int
        Of this process, which share the figures with it; see :func:`simbank.studies.parallel.in_copies`. They change no number.

    Returns
    -------
    MeasureFirst

    Raises
    ------
    InputError
        For fewer than 40 draws, or readings or values of other draws.

    Examples
    --------
    A figure is the sum of two numbers of variance 4 and 1, the first read with an error of standard deviation 1; what remains has the
    variance 4·1/(4 + 1) + 1 = 1.8 in place of 5, a band of 0.6 of the width:

    >>> random = np.random.default_rng(3)
    >>> a, b = 2 * random.standard_normal(1000), random.standard_normal(1000)
    >>> reading = Reading("volts", "of A", "", "± 1.73 V", "", "V", a[:, None], np.ones((1000, 1)))
    >>> found = measure_first(pd.DataFrame({"a": a, "b": b}), pd.DataFrame({"y": a + b}), [reading])
    >>> bool(abs(found.table["gain"][0] - 0.4) < 0.04), found.table["informs"][0]
    (True, ('a',))
    """
    n = len(figures)
    if n < LEAST_DRAWS:
        raise InputError(f"{LEAST_DRAWS} draws or more are needed to say what a reading would tell", key="draws", value=n)
    if len(values) != n or any(len(reading.values) != n for reading in readings):
        raise InputError("values, figures and readings must be of the same draws", key="readings")
    with threadpool_limits(1):
        return _MeasuringOf(values, figures, readings, dict(called or {}), seed).found(copies)


class _Scale:
    """Figures by their normal scores, and back."""

    def __init__(self, figures):
        raw = np.where(np.isnan(a := figures.to_numpy(float)), np.inf, a)
        self.sorted = np.sort(raw, axis=0)
        self.scores = _scores(raw)
        self.moves = self.sorted[0] < self.sorted[-1]

    def value(self, scores, k):
        """Figure ``k`` at a score, by numpy's linear quantile; infinite where it never happens."""
        place = ndtr(scores) * (len(self.sorted) - 1)
        below = np.floor(place).astype(int)
        above, part = np.minimum(below + 1, len(self.sorted) - 1), place - below
        low, high = self.sorted[below, k], self.sorted[above, k]
        with np.errstate(invalid="ignore"):
            return np.where(part < 1e-9, low, np.where(np.isinf(high), high, low + part * (high - low)))


def _scores(columns):
    """Normal scores of every column, standardised; of a column that does not move zeros."""
    z = ndtri((average_ranks(columns) - 0.5) / len(columns))
    z = z - z.mean(axis=0)
    scale = z.std(axis=0)
    return z / np.where(scale > 1e-9, scale, 1.0)


def _bands(z, f, at, extra=1.0):
    """Bands of the scores ``f`` (n, m) after a reading of scores ``z`` (n,), at the scores ``at`` (K,); shape (2, K, m).

    Residuals are made larger by the factor ``extra`` for what else was fitted.
    """
    nodes = np.linspace(z.min(), z.max(), NODES)
    fitted, leverage = _local_line(z, nodes, f)[:2]
    place = (z - z.min()) / max(nodes[1] - nodes[0], 1e-12)
    below = np.minimum(place.astype(int), NODES - 2)
    part = place - below
    own = (1.0 - part) * leverage[below] + part * leverage[below + 1]
    residual = f - ((1.0 - part)[:, None] * fitted[below] + part[:, None] * fitted[below + 1])
    residual = residual * extra / (1.0 - np.minimum(own, 0.9))[:, None]
    middle, _, weight = _local_line(z, at, f)
    out, rows = np.empty((2, len(at), f.shape[1])), np.arange(len(at))
    for k in range(f.shape[1]):
        order = np.argsort(residual[:, k])
        ordered, ranked = residual[order, k], weight[:, order]
        share = np.cumsum(ranked, axis=1)
        total = share[:, -1:].copy()
        share = (share - 0.5 * ranked) / total
        for end, quantile in enumerate(ENDS):
            above = np.clip((share < quantile).sum(axis=1), 1, len(f) - 1)
            low, high = share[rows, above - 1], share[rows, above]
            part = np.clip((quantile - low) / (high - low), 0.0, 1.0)
            out[end, :, k] = middle[:, k] + ordered[above - 1] + part * (ordered[above] - ordered[above - 1])
    return out


def _local_line(z, at, f):
    """Weighted straight lines through f (n, m) over z (n,), at the scores ``at`` (K,).

    Returns their values (K, m), the leverage of a draw that stands just there (K,), and the weights (K, n).
    """
    away = z[None, :] - at[:, None]
    weight = np.exp(-0.5 * (away / BANDWIDTH) ** 2)
    s0, s1, s2 = weight.sum(axis=1), (weight * away).sum(axis=1), (weight * away**2).sum(axis=1) + 1e-9
    below = s0 * s2 - s1**2
    return (s2[:, None] * (weight @ f) - s1[:, None] * ((weight * away) @ f)) / below[:, None], s2 / below, weight


def _hurdle(chance, readings):
    """What the largest of so many gains by chance passes in 5 % of lists, from a sample of them (Cornish and Fisher's quantile)."""
    z = -ndtri(CHANCE / max(readings, 1))
    return np.mean(chance, axis=0) + (z + CHANCE_SKEW * (z * z - 1.0) / 6.0) * np.std(chance, axis=0, ddof=1)


class _MeasuringOf:
    """One search: what is common to all readings, and the steps of :func:`measure_first`."""

    def __init__(self, values, figures, readings, called, seed):
        self.values, self.figures, self.called = values, figures, called
        self.readings = [r for r in readings if r.values.shape[1] <= max(1, int(MOST_NUMBERS * len(figures)))]
        self.scale = _Scale(figures)
        self.names = list(figures.columns)
        self.random = np.random.default_rng([seed, 16])
        self.read = [_scores(r.values + r.error * self.random.standard_normal(r.values.shape)) for r in self.readings]
        self.at = ndtri((np.arange(OUTCOMES) + 0.5) / OUTCOMES)
        self.before = np.array([self.scale.value(np.full(1, ndtri(end)), k)[0] for k in range(len(self.names)) for end in ENDS])
        self.before = self.before.reshape(-1, 2)

    def bands(self, read, rows=None, figures=None):
        """Bands of figures by one reading of scores (n, m), in scores, shape (2, OUTCOMES, figures)."""
        f = self.scale.scores if figures is None else self.scale.scores[:, figures]
        return self.bands_of(read if rows is None else read[rows], f if rows is None else f[rows])

    def bands_of(self, read, f, surfaces=None):
        if read.shape[1] == 1:
            return _bands(read[:, 0], f, self.at)
        ones = (surfaces or _Surfaces(read)).as_one(f)
        return np.concatenate([_bands(z, f[:, [k]], self.at, extra) for k, (z, extra) in enumerate(ones)], axis=2)

    @staticmethod
    def gains(bands):
        """1 − width in scores, mean over what the reading may be, ÷ width before, for each figure."""
        return 1.0 - (bands[1] - bands[0]).mean(axis=0) / (ndtri(ENDS[1]) - ndtri(ENDS[0]))

    def found(self, copies):
        moving = [k for k in range(len(self.names)) if self.scale.moves[k] and self.before[k, 0] < self.before[k, 1]]
        bands = [self.bands(read, figures=moving) for read in self.read]
        gains = np.array([self.gains(b) for b in bands]).reshape(len(self.read), len(moving))
        hurdle = self.hurdles(moving)
        told = gains > hurdle
        informs = [self.informed(read) for read in self.read]

        def of_figure(i, k, order, halves, shuffles):
            errors, tied = self.errors(order[told[order, i]][:MOST_COMPARED], k, halves)
            rows = []
            for r in order:
                ends = self.ends(bands[r][:, OUTCOMES // 2, i], k)
                low_high = (gains[r, i] + 1.96 * errors[r] * np.array([-1, 1])) if r in errors else (np.nan, np.nan)
                rows.append(
                    self.row(r, k, ends, bands[r][:, :, i : i + 1], gains[r, i], low_high, told[r, i], r in tied, informs[r])
                )
            return rows, self.second(order[0], k, shuffles) if shuffles else None

        work = []  # with its random order of draws, so that no number hangs on where it is done
        for i, k in enumerate(moving):
            order = np.argsort(-gains[:, i], kind="stable")
            halves = self.permutations(HALVES if told[:, i].any() else 0)
            work.append((i, k, order, halves, self.permutations(SHUFFLES // 2 if len(order) > 1 and told[order[0], i] else 0)))
        found = dict(in_copies(of_figure, work, min(copies, max(len(work) - 1, 0))))
        rows = [row for number in range(len(work)) for row in found[number][0]]
        seconds = [found[number][1] for number in range(len(work)) if found[number][1] is not None]
        return MeasureFirst(pd.DataFrame(rows, columns=COLUMNS), pd.DataFrame(seconds, columns=SECOND_COLUMNS), len(self.figures))

    def permutations(self, count):
        """So many random orders of the draws."""
        return [self.random.permutation(len(self.figures)) for _ in range(count)]

    def hurdles(self, figures):
        """Gains that chance passes in 5 % of lists, by readings with shuffled figures; shape (readings, figures)."""
        alone = np.array([read.shape[1] == 1 for read in self.read], bool)
        out = np.full((len(self.read), len(figures)), np.inf)
        for kind in (alone, ~alone):
            which = np.flatnonzero(kind)
            if not len(which):
                continue
            chance, surfaces = [], {r: None if kind is alone else _Surfaces(self.read[r]) for r in which}
            for _ in range(math.ceil(SHUFFLES / len(which)) if kind is alone else math.ceil(SHUFFLES / 2 / len(which))):
                f = self.scale.scores[:, figures][self.random.permutation(len(self.figures))]
                chance += [self.gains(self.bands_of(self.read[r], f, surfaces[r])) for r in which]
            out[which] = np.maximum(_hurdle(chance, len(self.read)), 0.0)
        return out

    def errors(self, which, k, halves):
        """Standard errors of the gains of some readings (a dict), and which of them cannot be told from the first.

        From halves of the draws without putting back: of these the variance is that of the whole (delete-half jackknife; Shao and Wu 1989,
        from memory).
        """
        if not len(which):
            return {}, set()
        again = []
        for permutation in halves:
            rows = np.sort(permutation[: len(permutation) // 2])
            again.append([self.gains(self.bands(self.read[r], rows, [k]))[0] for r in which])
        again = np.array(again)
        errors = dict(zip(which.tolist(), again.std(axis=0, ddof=1).tolist(), strict=True))
        now = np.array([self.gains(self.bands(self.read[r], figures=[k]))[0] for r in which])
        apart = 1.96 * (again - again[:, :1]).std(axis=0, ddof=1)
        kept: list[int] = []
        for r, less, far in zip(which.tolist(), now[0] - now, apart, strict=True):
            if less <= far and not any(_overlap(self.readings[r], self.readings[k]) for k in kept):
                kept.append(r)
        return errors, set(kept)

    def second(self, first, k, shuffles):
        """The row of the reading that adds most to the first."""

        def together(other):
            bands = self.bands(np.column_stack([self.read[first], other]), figures=[k])
            return bands, self.gains(bands)[0]

        others = [r for r in range(len(self.read)) if r != first]
        found = [together(self.read[r]) for r in others]
        best = int(np.argmax([gain for _, gain in found]))
        shuffled = (self.read[others[i % len(others)]][permutation] for i, permutation in enumerate(shuffles))
        told = found[best][1] > _hurdle([together(read)[1] for read in shuffled], len(others))
        (bands, gain), a, b = found[best], self.readings[first], self.readings[others[best]]
        ends = self.ends(bands[:, OUTCOMES // 2, 0], k)
        words = f"After {a.what} {a.where}, {b.what} {b.where} adds most: both narrow {self.narrowed(k, ends)}."
        return (
            self.names[k],
            a.what,
            a.where,
            b.what,
            b.where,
            *ends,
            self.width(bands, k),
            gain,
            bool(told),
            words,
            b.how,
            b.accuracy,
            b.lines,
        )

    def ends(self, scores, k):
        """Both ends of a band in the figure's unit, NaN where it never happens."""
        ends = self.scale.value(scores, k)
        return tuple(np.where(np.isfinite(ends), ends, np.nan))

    def width(self, bands, k):
        """Width in the figure's unit, mean over what the reading may be; NaN where it may never happen."""
        low, high = (self.scale.value(end[:, 0], k) for end in bands)
        return float(np.mean(high - low)) if np.isfinite(high).all() and np.isfinite(low).all() else np.nan

    def narrowed(self, k, ends):
        """ "the spread from 6–19 to 9–12 points"."""
        name = self.names[k]
        before, after = ((a if np.isfinite(a) else None for a in pair) for pair in (self.before[k], ends))
        texts = [text if text != "–" else "never" for text in cells(name, [*before, *after])]
        unit = unit_of(name)
        unit = "%" if unit == "soc" else "" if unit in ("clock", "duration", "ratio", "margin") else unit
        called = self.called.get(name, name.replace("_", " "))
        return f"{called} from {texts[0]}–{texts[1]} to {texts[2]}–{texts[3]}{' ' + unit if unit else ''}"

    def row(self, r, k, ends, bands, gain, low_high, told, tied, informs):
        reading = self.readings[r]
        words = f"{reading.what} {reading.where}: "
        words += (
            f"narrows {self.narrowed(k, ends)}" if told else f"tells nothing of {self.called.get(self.names[k], self.names[k])}"
        )
        before = np.where(np.isfinite(self.before[k]), self.before[k], np.nan)
        return (
            reading.what, reading.where, self.names[k], *before, *ends, self.width(bands, k), gain, *low_high, bool(told), tied, informs,
            reading.how, reading.accuracy, reading.source, words, reading.values.shape[1], reading.lines,
        )  # fmt: skip

    def informed(self, read):
        """Keys that a reading goes with more than chance, closest first: rank correlation of its scores with each."""
        numeric = [key for key in self.values if pd.api.types.is_numeric_dtype(self.values[key])]
        if not numeric:
            return ()
        z, n = _scores(self.values[numeric].to_numpy(float)), len(self.figures)
        strength = np.max(np.abs(read.T @ z), axis=0) / n
        hurdle = -ndtri(CHANCE / 2 / (len(numeric) * read.shape[1])) / math.sqrt(n)
        order = np.argsort(-strength, kind="stable")
        return tuple(numeric[j] for j in order if strength[j] > hurdle)


def _overlap(a, b):
    """Whether every number of the one reading is also in the other."""
    few, many = sorted((a, b), key=lambda r: r.values.shape[1])
    return a.what == b.what and all((many.values == column[:, None]).all(axis=0).any() for column in few.values.T)


COLUMNS = [
    "what", "where", "figure", "from_low", "from_high", "to_low", "to_high", "width_expected", "gain", "gain_low", "gain_high",
    "told", "tied", "informs", "how", "accuracy", "source", "words", "numbers", "lines",
]  # fmt: skip
SECOND_COLUMNS = [
    "figure", "first_what", "first_where", "what", "where", "to_low", "to_high", "width_expected", "gain", "told", "words", "how",
    "accuracy", "lines",
]  # fmt: skip


class _Surfaces:
    """Surfaces over several numbers (n, m), of which one is taken that makes one number of them for a figure.

    A plane, and kernel ridge regressions with the kernel exp(−distance² ÷ WIDE² m) about ``HILLS`` of the draws (Rasmussen and Williams,
    Gaussian Processes for Machine Learning, 2006, section 8.3, from memory).
    """

    def __init__(self, read):
        n = len(read)
        centres = read[np.linspace(0, n - 1, min(HILLS, n // 2)).astype(int)]
        size, axes = np.linalg.eigh(_hills(centres, centres))
        kept = size > 1e-8 * size[-1]
        hills = _hills(read, centres) @ (axes[:, kept] / np.sqrt(size[kept]))
        fits = [_Ridge(read, np.zeros(1)), _Ridge(hills - hills.mean(axis=0), PENALTIES)]
        self.parts = [(fit.u, shrunk) for fit in fits for shrunk in fit.shrunk]
        self.left = [1.0 - np.minimum(u**2 @ shrunk + 1.0 / n, 0.99) for u, shrunk in self.parts]
        self.extra = [math.sqrt((n - 1) / (n - 1 - min(shrunk.sum(), 0.8 * (n - 1)))) for _, shrunk in self.parts]

    def as_one(self, f):
        """For each figure of scores f (n, figures) its number, as scores, and the factor for what the fit took away.

        Of the surface that misses draws by least when each is left out.
        """
        fitted = np.array([u @ (shrunk[:, None] * (u.T @ f)) for u, shrunk in self.parts])
        missed = [(((f - one) / left[:, None]) ** 2).sum(axis=0) for one, left in zip(fitted, self.left, strict=True)]
        best = np.argmin(missed, axis=0)
        scores = _scores(fitted[best, :, np.arange(f.shape[1])].T)
        return [(scores[:, k], self.extra[b]) for k, b in enumerate(best)]


def _hills(x, centres):
    """exp(−distance² ÷ WIDE² m) of points (n, m) from centres (c, m), shape (n, c)."""
    away = (x**2).sum(axis=1)[:, None] + (centres**2).sum(axis=1) - 2.0 * x @ centres.T
    return np.exp(-np.maximum(away, 0.0) / (WIDE**2 * x.shape[1]))


class _Ridge:
    """Ridge regressions on columns (n, p) of mean 0: orthonormal ``u`` (n, r), and how far each penalty shrinks along it, (K, r)."""

    def __init__(self, x, penalties):
        squares, axes = np.linalg.eigh(x.T @ x)
        kept = squares > 1e-9 * squares[-1]
        squares = squares[kept]
        self.u = x @ (axes[:, kept] / np.sqrt(squares))
        self.shrunk = squares / (squares + penalties[:, None])

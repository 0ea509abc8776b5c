"""Numbers and times as a person reads them: as many digits as they are good for, by unit; times of a run; how long something takes."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from numbers import Real
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "MISSING",
    "as_read",
    "by_column",
    "cells",
    "clock",
    "clocks",
    "duration",
    "energy",
    "number",
    "numbers",
    "percent",
    "unit_of",
    "value_with_error",
]

MISSING = "–"
LEAST_KWH = 1e4  # Wh, from which on an energy is told in kWh
_READS_AS_NUMBER = re.compile(r"[±+−-]?[\d][\d,.:]*( [\w%°µ/ ]{1,8})?|(> )?[\d.,]+( to (> )?[\d.,]+)?|never|∞|–|")


class Digits(NamedTuple):
    """Digits after the point: as a rule, and where all values of a column are too small to be seen with those."""

    usual: int
    finest: int


# By unit. What is smaller than the finest digit is round-off or below what any meter of a bank shows, and reads 0. Our own choice.
DIGITS = {
    "A": Digits(1, 3), "Ah": Digits(1, 2), "V": Digits(2, 3), "V/unit SOC": Digits(2, 3), "Wh": Digits(0, 0), "°C": Digits(1, 1),
    "points": Digits(1, 1), "%": Digits(1, 1), "mV": Digits(1, 2), "mm²": Digits(1, 2), "kg": Digits(2, 3), "m": Digits(2, 3), "ratio": Digits(3, 3),
    "C": Digits(3, 4), "margin": Digits(2, 2),
}  # fmt: skip
MOST_PLACES = 8  # after the point of a measured value; beyond, nobody counts the noughts
SIGNIFICANT = 4  # of the largest value in a column; the whole part always stands
# By the end of a column's name. A share from 0 to 1 reads as per cent; "clock" is a time since the start, "duration" how long.
ENDS = {
    "_ratio_discharge": "ratio", "_ratio_charge": "ratio", "_ratio_max": "ratio", "_ratio_min": "ratio", "share_ratio": "ratio",
    "_margin": "margin", "_v_per_soc": "V/unit SOC", "_a": "A", "_ah": "Ah", "_v": "V", "_wh": "Wh", "_c": "°C", "_points": "points",
    "_percent": "%", "_mv": "mV", "_mm2": "mm²", "_kg": "kg", "_m": "m", "_s": "duration", "_ms": "duration", "_h": "duration",
}  # fmt: skip
SECONDS = {"_s": 1.0, "_ms": 1e-3, "_h": 3600.0}
DAY_S, YEAR_S = 86400.0, 365.25 * 86400.0
AGES_S = 100.0 * YEAR_S  # nothing in a bank lasts so long


def unit_of(column: str) -> str:
    """The unit in which a column of a result is read, by its name; empty if its name has none.

    >>> unit_of("current_peak_a"), unit_of("c_rate_peak"), unit_of("soc_end"), unit_of("first_full_h"), unit_of("layout")
    ('A', 'C', 'soc', 'clock', '')
    """
    if column in ("soc", "soc_start", "soc_end", "displayed_soc_end"):
        return "soc"
    if column.startswith("c_rate"):
        return "C"
    ends = [end for end in ENDS if column.endswith(end)]
    if not ends:
        return ""
    unit = ENDS[max(ends, key=len)]
    return "clock" if unit == "duration" and column.startswith(("first_", "time_")) else unit


def percent(share: float) -> str:
    """A share in percent; short of all, and more than none, however close.

    >>> percent(0.9999), percent(0.001), percent(1.0)
    ('99 %', '1 %', '100 %')
    """
    share = round(share, 9)
    whole = round(100.0 * share)
    return f"{99 if whole == 100 and share < 1 else 1 if whole == 0 and share > 0 else whole} %"


def _is_missing(value):
    return value is None or value != value


def _places(values, unit):
    """Digits after the point for finite values of one unit: the same for all of them."""
    largest = max((abs(value) for value in values), default=0.0)
    usual, finest = DIGITS[unit]
    if unit != "ratio" and largest < 0.5 * 10.0**-finest:
        return 0
    magnitude = math.floor(math.log10(largest)) if largest else 0
    places = min(usual, max(0, SIGNIFICANT - 1 - magnitude))
    if magnitude <= -usual:  # less than two digits would be seen
        places = min(finest, 1 - magnitude)
    return 0 if all(value == round(value) for value in values) and unit != "ratio" else places


def numbers(values: Iterable[float | None], unit: str) -> list[str]:
    """Values of one column, with the same digits after the point for all of them; never a negative zero.

    Parameters
    ----------
    values : iterable of float or None
        In ``unit``; None or NaN is missing.
    unit : str
        A key of ``DIGITS``, or "" where it is not known: then four significant digits, more only where different values would read
        the same.

    Returns
    -------
    list of str

    Examples
    --------
    >>> numbers([280.0, 252.0], "Ah"), numbers([67.72, 161.51], "A"), numbers([15061.2, 1456.0], "A")
    (['280', '252'], ['67.7', '161.5'], ['15,061', '1,456'])
    >>> numbers([-0.2, None, 0.25], "Wh"), numbers([0.0312, -0.0004], "A")
    (['0', '–', '0'], ['0.031', '0.000'])
    >>> numbers([0.5738291], ""), numbers([0.12345, 0.12346], "")
    (['0.5738'], ['0.12345', '0.12346'])
    """
    values = list(values)
    finite = [float(value) for value in values if not _is_missing(value) and math.isfinite(value)]
    places = _places(finite, unit) if unit else None
    significant = SIGNIFICANT
    while unit == "" and significant < 12 and len({_plain(v, significant) for v in finite}) < len(set(finite)):
        significant += 1

    def text(value):
        if _is_missing(value):
            return MISSING
        if math.isinf(value):
            return "∞" if value > 0 else "−∞"
        return _plain(float(value), significant) if places is None else f"{value:z,.{places}f}"

    return [text(value) for value in values]


def _plain(value, significant):
    """So many significant digits, without an exponent where a person can do without."""
    if value == 0.0:
        return "0"
    magnitude = math.floor(math.log10(abs(value)))
    if not -6 < magnitude < 12:
        return f"{value:.{significant}g}"
    places = max(0, significant - 1 - magnitude)
    text = f"{value:z,.{places}f}"
    return text.rstrip("0").rstrip(".") if places else text


def number(value: float | None, unit: str = "") -> str:
    """One value as :func:`numbers` writes it.

    >>> number(5.56865, "margin"), number(-0.0, "Wh"), number(53.2), number(123456.7), number(0.00031)
    ('5.57', '0', '53.2', '123,457', '0.00031')
    """
    return numbers([value], unit)[0]


def energy(watt_hours: float | None) -> str:
    """An energy with its unit: in kWh from 10 kWh on.

    >>> energy(169.4), energy(-9999.0), energy(12860.0), energy(2219737.0), energy(None)
    ('169 Wh', '-9,999 Wh', '12.9 kWh', '2,220 kWh', '–')
    """
    if _is_missing(watt_hours):
        return MISSING
    if abs(watt_hours) < LEAST_KWH:
        return f"{number(watt_hours, 'Wh')} Wh"
    places = 1 if abs(watt_hours) < 1e6 else 0
    return f"{watt_hours / 1e3:,.{places}f} kWh"


def value_with_error(value: float, error: float) -> tuple[str, str]:
    """A measured value and its standard error, both to the second digit of the error.

    >>> value_with_error(0.000251234, 0.0000031), value_with_error(1234.5, 20.0), value_with_error(2.5, float("nan"))
    (('0.0002512', '0.0000031'), ('1,234', '20'), ('2.5', '–'))
    >>> value_with_error(-6.77e-10, 1.2e-9)
    ('-6.77e-10', '1.2e-09')
    """
    if not (math.isfinite(error) and error > 0):
        return number(value), MISSING if error != error else number(error)
    places = max(0, 1 - math.floor(math.log10(error)))
    if places > MOST_PLACES:
        return f"{value:.2e}", f"{error:.1e}"
    return f"{value:z,.{places}f}", f"{error:z,.{places}f}"


def duration(seconds: float) -> str:
    """How long something takes, in the unit that a person would use, to three digits.

    >>> duration(0.0123), duration(5400.0), duration(4.09e7), duration(2.6e5), duration(0.0000123), duration(float("inf"))
    ('12.3 ms', '90 min', '1.3 years', '3.01 days', '12.3 µs', 'never')
    """
    if not math.isfinite(seconds):
        return "never" if seconds == seconds else MISSING
    if seconds >= AGES_S:
        return "over 100 years"
    for most, unit, text in (
        (1e-4, 1e-6, "µs"), (1.0, 1e-3, "ms"), (120.0, 1.0, "s"), (7200.0, 60.0, "min"), (2 * DAY_S, 3600.0, "h"),
        (YEAR_S, DAY_S, "days"), (AGES_S, YEAR_S, "years"),
    ):  # fmt: skip
        if text == "µs" and seconds == 0.0:
            continue
        if seconds < most and float(f"{seconds / unit:.3g}") < 1000:
            return f"{seconds / unit:.3g} {text}"
    raise AssertionError(seconds)


_STEPS = (60.0, 1.0, 1e-3, 1e-6)  # to which times are rounded [s]


def clocks(seconds: Iterable[float | None]) -> list[str]:
    """Times since the start of a run as h:mm:ss, from a day on as d h:mm; finer where the next one is nearer than that.

    Parameters
    ----------
    seconds : iterable of float or None
        Times [s], zero or more; None or NaN is missing.

    Returns
    -------
    list of str
        Times that are a microsecond apart or more read differently.

    Examples
    --------
    >>> clocks([27720.4, 111780.0])
    ['7:42:00', '1 d 7:03']
    >>> clocks([5.0, 5.0123, 5.0123, 60.0])
    ['0:00:05.000', '0:00:05.012', '0:00:05.012', '0:01:00']
    """
    seconds = list(seconds)
    times = sorted({float(t) for t in seconds if not _is_missing(t) and math.isfinite(t)})
    texts = {}
    for before, t, after in zip([-math.inf, *times], times, [*times[1:], math.inf], strict=False):
        apart = min(t - before, after - t)
        steps = _STEPS[1:] if t < DAY_S else _STEPS
        texts[t] = _clock(t, next((step for step in steps if step <= apart), _STEPS[-1]))
    return [MISSING if _is_missing(t) else texts[float(t)] if math.isfinite(t) else "never" for t in seconds]


def _clock(seconds, step):
    """One time, rounded to a step."""
    decimals = {1e-3: 3, 1e-6: 6}.get(step, 0)
    counts = round(seconds / step)
    per_second = round(1.0 / step) if step <= 1.0 else 1
    whole, rest = divmod(counts, per_second) if step <= 1.0 else (counts * round(step), 0)
    minutes, second = divmod(whole, 60)
    hours, minute = divmod(minutes, 60)
    days, hour = divmod(hours, 24)
    text = f"{days} d {hour}:{minute:02}" if days else f"{hour}:{minute:02}"
    if step < 60.0:
        text += f":{second:02}"
    return f"{text}.{rest:0{decimals}}" if decimals else text


def clock(seconds: float | None) -> str:
    """One time as :func:`clocks` writes it.

    >>> clock(59.9996), clock(86399.9), clock(259200.0)
    ('0:01:00', '1 d 0:00:00', '3 d 0:00')
    """
    return clocks([seconds])[0]


def cells(column: str, values: Sequence[Any]) -> list[str]:
    """Every cell of a column of a result as text, by the unit in the column's name; only of times (``time_s``) all are told apart.

    >>> cells("soc_end", [0.997, 1.0]), cells("first_full_h", [7.7, None]), cells("rise_ms", [0.215, 1500.0]), cells("fits", [True])
    (['99.7', '100.0'], ['7:42:00', '–'], ['0.215 ms', '1.5 s'], ['yes'])
    """
    values = list(values)
    unit = unit_of(column)
    numeric = [v if _is_number(v) else None for v in values]
    if unit in ("clock", "duration"):
        scale = SECONDS[next(end for end in ("_ms", "_s", "_h") if column.endswith(end))]
        scaled = [None if _is_missing(v) else v * scale for v in numeric]
        if column.startswith("time_"):
            texts = _points_in_line(clocks(scaled))
        else:
            texts = [MISSING if v is None else clock(v) if unit == "clock" else duration(v) for v in scaled]
    elif unit == "soc":
        texts = numbers([None if _is_missing(v) else v * 100.0 for v in numeric], "%")
    else:
        texts = numbers(numeric, unit)
    return [text if _is_number(v) else _words(v) for v, text in zip(values, texts, strict=True)]


def by_column(rows: Sequence[Mapping[str, Any]]) -> dict[str, list[Any]]:
    """Rows of a table, all with the keys of the first, as its columns: what :func:`as_read` takes, without pandas.

    >>> by_column([{"pack": "A", "peak_a": 67.7}, {"pack": "B", "peak_a": None}])
    {'pack': ['A', 'B'], 'peak_a': [67.7, None]}
    """
    return {key: [row[key] for row in rows] for key in rows[0]}


def as_read(
    frame: pd.DataFrame | Mapping[str, Sequence[Any]], columns: Mapping[str, str], keys: int = 1, *, empty: bool = False
) -> list[tuple[str, list[str], bool]]:
    """Columns of a table as people read them, on a terminal and on a page.

    Parameters
    ----------
    frame : DataFrame or mapping of str to sequence
        Numbers are written by the unit in their column's name (:func:`cells`), texts as they are.
    columns : mapping of str to str
        Its columns to read, and their headings.
    keys : int
        How many of them, from the first, say what a row is.
    empty : bool
        Whether to keep columns in which no row has anything.

    Returns
    -------
    list of (str, list of str, bool)
        Heading, cells, and whether they are numbers, which stand to the right.

    Examples
    --------
    >>> import pandas as pd
    >>> as_read(pd.DataFrame({"pack": ["A"], "peak_a": [67.72], "note": [""]}), {"pack": "pack", "peak_a": "peak [A]", "note": "note"})
    [('pack', ['A'], False), ('peak [A]', ['67.7'], True)]
    """
    names, read = list(columns)[:keys], []
    for key, heading in columns.items():
        values = list(frame[key])
        texts = cells(key, values)
        if not empty and key not in names and all(text.strip() in (MISSING, "") for text in texts):
            continue
        numeric = all(not isinstance(v, str) or (key != names[0] and _READS_AS_NUMBER.fullmatch(v)) for v in values)
        read.append((" ".join(heading.split()), texts, numeric))
    return read


def _points_in_line(texts):
    """Times with blanks for the decimals that they lack, so that they stand below each other."""
    most = max((len(text.partition(".")[2]) for text in texts), default=0)
    return [text + " " * (most + 1 - len(text.partition(".")[2]) - ("." in text)) if most else text for text in texts]


def _is_number(value):
    return isinstance(value, Real) and type(value).__name__ not in ("bool", "bool_")


def _words(value):
    if isinstance(value, str):
        return value
    if type(value).__name__ in ("bool", "bool_"):
        return "yes" if value else "no"
    return MISSING if value is None or not isinstance(value, list | tuple) else ", ".join(map(str, value))

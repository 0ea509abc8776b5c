"""What commands take: types of their options, and texts of arguments as values."""

from __future__ import annotations

import datetime as dt
import math
import re
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer
from typer.core import TyperCommand

from simbank.bank.layouts import LAYOUTS
from simbank.errors import InputError

__all__ = [
    "LAYOUT_NAMES",
    "Bands",
    "Cluster",
    "File",
    "Integrator",
    "Jobs",
    "Json",
    "Law",
    "Method",
    "OneIntegrator",
    "OptionalNumber",
    "Out",
    "ReportFile",
    "Seed",
    "Set",
    "Tolerance",
    "Vary",
    "Wide",
    "Years",
    "changes",
    "comma_parts",
    "draws",
    "grid",
    "html_file",
    "make_folder",
    "number_option",
    "read_points",
    "split_pair",
    "toml_value",
    "years_settings",
]

*_OTHERS, _LAST = LAYOUTS
LAYOUT_NAMES = f"{', '.join(_OTHERS)} or {_LAST}"


def number_option(*names, **how):
    """An option that takes a finite number; comparisons with limits let "nan" pass."""

    def finite(value: float | None):
        if value is not None and not math.isfinite(value):
            raise typer.BadParameter("must be a finite number")
        return value

    return typer.Option(*names, callback=finite, **how)


File = Annotated[Path, typer.Argument(help="Scenario file (TOML).", show_default=False)]

Set = Annotated[list[str], typer.Option("--set", metavar="KEY=VALUE", help="Change one dotted key of the file; repeatable.")]

Out = Annotated[Path | None, typer.Option("--out", metavar="DIR", help="Write tables and plots into this folder.")]

Json = Annotated[bool, typer.Option("--json", help="Print the machine-readable summary on standard output and nothing else.")]

Wide = Annotated[
    bool, typer.Option("--wide", help="Print every column of the tables, what does not fit in a block below, and every verdict.")
]


def html_file(name: str) -> Callable[[Path | None], Path | None]:
    """A check of an option that names an HTML file to write: it never replaces a file that is something else, such as the scenario."""

    def check(path):
        if path is not None and path.suffix.lower() not in (".html", ".htm") and path.is_file():
            raise InputError(
                "is a file already, and not HTML by its name; give a name that ends in .html", key=name, value=str(path)
            )
        return path

    return check


ReportFile = Annotated[
    Path | None,
    typer.Option(
        "--report", metavar="HTML", help="Write one self-contained HTML file to hand on.", callback=html_file("--report")
    ),
]

Method = Annotated[str, typer.Option(help="Solver of the reference integrator: LSODA, BDF or Radau.")]

Integrator = Annotated[
    str,
    typer.Option(
        help="reference (scipy, tight), fast (compiled), or auto: the reference where by estimate it takes a second at most."
    ),
]

OneIntegrator = Annotated[str, typer.Option("--integrator", help="reference (scipy, tight) or fast (compiled).")]

Tolerance = Annotated[
    float | None,
    number_option(help="Relative tolerance of the solver; of the fast integrator, SOC error in a step.", min=1e-13, max=1e-3),
]

Jobs = Annotated[int, typer.Option(help="Processes on this machine; -1 for all cores.")]

Cluster = Annotated[str | None, typer.Option(metavar="ADDRESS", help="Dask scheduler whose workers do the runs.")]

Years = Annotated[
    float | None,
    number_option(
        "--years",
        help="Go through so many years of each bank, as simbank age does, instead of its duty once; figures are then those of years.",
        min=0.1, max=50,
    ),
]  # fmt: skip

Law = Annotated[str | None, typer.Option("--law", help="Ageing law, with --years.  [default: schimpe]", show_default=False)]

Vary = Annotated[
    list[str],
    typer.Option(
        "--vary",
        metavar="KEY=DRAW",
        help="A distribution, such as 'packs.*.soc=uniform 0.5 0.7'; also normal, lognormal, choice, '0.25 ± 0.03 milliohm'. Repeatable.",
    ),
]


BANDS, BANDS_DRAWS = "--bands", 200

Bands = Annotated[
    int | None,
    typer.Option(
        BANDS, metavar="[N]", min=0, show_default=False,
        help=f"Every figure as 5, 50 and 95 % of N draws of all that is not known exactly; {BANDS_DRAWS} without a number, 0 for none.",
    ),
]  # fmt: skip

Seed = Annotated[int, typer.Option(help="Seed of the draws.", min=0)]


class OptionalNumber(TyperCommand):
    """A command whose option ``--bands`` may stand without its number."""

    def parse_args(self, ctx, args):
        """As the parser has it, with the usual number where none follows."""
        given, until = list(args), args.index("--") if "--" in args else len(args)
        for k in range(until):
            follows = args[k + 1] if k + 1 < until else ""
            if given[k] == BANDS:
                _refuse_number(follows)
            if given[k] == BANDS and not follows.isdigit():
                given[k] = f"{BANDS}={BANDS_DRAWS}"
            elif given[k].startswith(f"{BANDS}="):
                _refuse_number(given[k].partition("=")[2], alone=True)
        named = [word.partition("=")[0] for word in args[:until]]
        takes_bands = any(BANDS in option.opts for option in self.params)
        if takes_bands and "--seed" in named and not {BANDS, "--report"} & set(named):
            raise InputError(f"does nothing without draws; write {BANDS} (or --report) with it", key="--seed")
        return super().parse_args(ctx, given)


def _refuse_number(text, alone=False):
    """An InputError for what follows ``--bands`` and is neither a whole number nor, unless ``alone``, an option or a file."""
    if text.isdigit() and int(text) == 1:
        raise InputError(f"needs two draws or more, such as {BANDS} {BANDS_DRAWS}", key=BANDS, value=text)
    if text.isdigit():
        return
    if alone or _SIGNED.fullmatch(text) or (text and not text.startswith("-") and "." not in text and not Path(text).exists()):
        raise InputError(f"takes a whole number of draws, such as {BANDS} {BANDS_DRAWS}, or none", key=BANDS, value=text)


_SIGNED = re.compile(r"[-+]?[0-9.]+(?:[eE][-+]?[0-9]+)?")


def split_pair(item, option):
    key, sign, value = item.partition("=")
    if not sign or not key.strip() or not value.strip():
        raise InputError("write KEY=VALUE, such as wiring.layout=busbar", key=option, value=item)
    return key.strip(), value.strip()


def comma_parts(text):
    """Split at commas that are not inside braces, brackets or quotes."""
    parts, depth, quote = [""], 0, None
    for letter in text:
        if quote is not None:
            quote = None if letter == quote else quote
        elif letter in "\"'":
            quote = letter
        else:
            depth += (letter in "{[") - (letter in "}]")
        if letter == "," and depth == 0 and quote is None:
            parts.append("")
        else:
            parts[-1] += letter
    return [part.strip() for part in parts if part.strip()]


def toml_value(text):
    """A TOML value if the text is one, else the text itself; a date stays text."""
    try:
        table = tomllib.loads(f"x = {text}")
    except (ValueError, RecursionError):
        return text
    return text if len(table) > 1 or isinstance(table["x"], (dt.date, dt.time)) else table["x"]


def pairs(items, option):
    """{key: text} of a repeatable option; a key that stands twice is an error."""
    given = {}
    for item in items:
        key, text = split_pair(item, option)
        if key in given:
            raise InputError("stands twice; give each key once", key=option, value=item)
        given[key] = text
    return given


def draws(items):
    return pairs(items, "--vary")


def years_settings(years, law):
    """Arguments of a study for ``--years`` and ``--law``; none without years."""
    if years is None and law is not None:
        raise InputError("does nothing without years; write --years 10 with it", key="--law", value=law)
    return {} if years is None else {"years": years} | ({} if law is None else {"law": law})


def changes(items):
    return {key: toml_value(text) for key, text in pairs(items, "--set").items()}


def grid(items):
    """{key: values} of the option ``--over``."""
    out = {}
    for item in items:
        key, values = split_pair(item, "--over")
        if key in out:
            raise InputError(f"stands twice; give its values in one list: --over {key}=V1,V2", key="--over", value=item)
        out[key] = [toml_value(part) for part in comma_parts(values)]
    return out


_NO_VALUES = {"nan", "na", "n/a", "null", "none", "-nan", "#n/a"}


def read_points(path):
    """Points of a sweep from a CSV file: a column for each dotted key, a row for each run."""
    import pandas as pd

    from simbank.filemodel import read_csv

    frame = read_csv(path, only_empty_is_missing=True)
    for key in frame.columns:
        for row, value in enumerate(frame[key]):
            if isinstance(value, str) and value.strip().lower() in _NO_VALUES:
                raise InputError(
                    f"row {row + 1} is no value; leave a cell empty for what stands in the file",
                    key=f"--points {key}",
                    value=value.strip(),
                )
    return [
        {key: toml_value(str(value)) for key, value in row.items() if not pd.isna(value)}  # an empty cell: as in the file
        for row in frame.to_dict(orient="records")
    ]


def make_folder(out):
    """Make the output folder before the work, so that a wrong one does not cost a run."""
    if out is not None:
        try:
            out.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(
                f"cannot be made: {error.strerror}; name a folder that can be written", key="--out", value=str(out)
            ) from None
    return out

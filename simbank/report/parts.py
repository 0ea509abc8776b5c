"""Parts that a page is made of: text, tables, figures with ids of their own, drawings for screen and paper, numbered sources."""

from __future__ import annotations

import base64
import io
import math
import re
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from simbank.digits import DIGITS, MISSING, as_read, number, numbers
from simbank.results import Shown

__all__ = ["Figures", "Sources", "grouped", "lines", "powers", "shown_table", "table", "text"]

MOST_POINTS = 1200  # a line of more is drawn as an image: the eye sees no difference, the file is a tenth
IMAGE_DPI = 180
PRACTICE = "common practice, no source"
LONG_TEXT = 30  # letters: a column with such texts is not made narrow
COLOURS = 64
WITHOUT_UNIT = {"share ratio": "ratio", "C-rate": "C", "rating ÷ current": "margin"}  # words in a heading, and what it counts as
WIDE_PX = 900  # a wider drawing stands on a page of its own, across: on an upright A4 page its letters would be under 6 points
LARGEST_PX = 1500  # one wider still is printed whole, and then in parts of at most so much: on A4 its letters would be too small
OVERLAP_PX = 70


class Sources:
    """Where values and rules are from, each with a number in the order in which they are first named."""

    def __init__(self) -> None:
        self.numbers: dict[str, int] = {}

    def number(self, source: str) -> int:
        """Number of a source; a new one if it has none. What has no source but common practice is one of them, whatever its limit."""
        source = PRACTICE if source.startswith(PRACTICE) else source
        return self.numbers.setdefault(source, len(self.numbers) + 1)

    @property
    def texts(self) -> list[str]:
        """All of them, in order."""
        return list(self.numbers)


def text(words: str, fine: bool = False) -> dict[str, Any]:
    """A paragraph; ``fine`` in small print."""
    return {"kind": "text", "text": words, "fine": fine}


def lines(words: Sequence[str]) -> dict[str, Any]:
    """A list."""
    return {"kind": "list", "lines": list(words)}


def _texts(column: str, values: Sequence[Any]) -> list[str]:
    """Numbers of a column as text, by the unit that its heading has in brackets; whole numbers as they are.

    >>> _texts("peak [A]", [67.72, -1e-9]), _texts("count", [12])
    (['67.7', '0.0'], ['12'])
    >>> _texts("largest share ratio", [1.0, 1.10787])
    ['1.000', '1.108']
    """
    unit = re.search(r"\[([^\]]+)\]$", column)
    if unit and unit[1] in DIGITS:
        return numbers(values, unit[1])
    for words, of in WITHOUT_UNIT.items():
        if words in column:
            return numbers(values, of)
    return [number(value) for value in values]


def grouped(frame: pd.DataFrame, name: str, plural: str) -> tuple[pd.DataFrame, list[list[str]]]:
    """Rows that are alike but for their name as one.

    Parameters
    ----------
    frame : DataFrame
        What to group.
    name : str
        Its column of names; numbers in others count as alike if they are shown alike.
    plural : str
        Column that names them all instead; a column ``count`` says how many they are.

    Returns
    -------
    rows : DataFrame
    names : list of list of str
        Of each row.
    """
    rest = [column for column in frame if column != name]
    rows: dict[tuple[str, ...], list[int]] = {}
    for k, key in enumerate(zip(*(_shown(column, frame[column]) for column in rest), strict=True)):
        rows.setdefault(key, []).append(k)
    out = frame.iloc[[places[0] for places in rows.values()]][rest].reset_index(drop=True)
    names = [[str(frame[name].iloc[k]) for k in places] for places in rows.values()]
    out.insert(0, plural, [", ".join(found) for found in names])
    out.insert(1, "count", [len(found) for found in names])
    return out, names


def table(
    caption: str, frame: pd.DataFrame, *, sources: Sources | None = None, source: str = "source", blank: Sequence[str] = ()
) -> dict[str, Any]:
    """A table as the template wants it: numbers with sensible digits, and as they are for sorting.

    Parameters
    ----------
    caption : str
        Stands above it.
    frame : DataFrame
        Its columns are headed by their names.
    sources : Sources, optional
        Where the texts of the column ``source`` are kept; the cell then shows their number.
    source : str
        Name of that column.
    blank : sequence of str
        Columns to be filled in by hand.
    """
    numeric = {c: _is_numeric(frame[c]) for c in frame}
    rows = []
    for values in zip(
        *(_cells(c, frame[c], numeric[c], sources if c == source else None, c in blank) for c in frame), strict=True
    ):
        rows.append({"cells": values, "mark": "fail" if values[0]["text"] == "fail" else ""})
    columns = [{"title": str(c), "number": numeric[c], "blank": c in blank} for c in frame]
    return {"kind": "table", "caption": caption, "columns": columns, "rows": rows}


def shown_table(shown: Shown) -> dict[str, Any]:
    """A table of a result as the terminal has it, with what a page has room for."""
    read = as_read(shown.frame, {**shown.columns, **{key: shown.more[key] for key in shown.on_page}})
    columns = [{"title": heading, "number": numeric, "blank": False} for heading, _, numeric in read]
    rows = []
    for texts in zip(*(texts for _, texts, _ in read), strict=True):
        kinds = ["n" if c["number"] else "long" if len(t) > LONG_TEXT else "" for c, t in zip(columns, texts, strict=True)]
        told = zip(texts, kinds, strict=True)
        rows.append(
            {"cells": [{"text": powers(t), "number": _plain_number(t), "source": None, "kind": k} for t, k in told], "mark": ""}
        )
    return {"kind": "table", "caption": shown.title, "columns": columns, "rows": rows}


def _plain_number(words):
    """The number that a text is, for sorting; None if it is none, or has a unit."""
    try:
        return float(words.replace(",", ""))
    except ValueError:
        return None


def _cells(name, column, numeric, sources, blank):
    """Cells of a column: text, number for sorting, number of its source, class."""
    cells = []
    for value, words in zip(column, _shown(name, column), strict=True):
        cell = {"text": words, "number": None, "source": None, "kind": "n" if numeric else ""}
        if blank:
            cell |= {"text": "", "kind": "blank"}
        elif words == MISSING:
            pass
        elif sources is not None:
            k = sources.number(words)
            cell |= {"text": f"[{k}]", "source": k}
        elif numeric:
            cell["number"] = float(value)
        elif len(words) > LONG_TEXT:
            cell["kind"] = "long"
        cells.append(cell)
    return cells


def _shown(name: str, column: pd.Series) -> list[str]:
    """Values of a column as text."""
    if _is_numeric(column):
        return _texts(str(name), [None if _missing(value) else value for value in column])
    return [MISSING if _missing(value) or value == "" else powers(str(value)) for value in column]


def powers(words: str) -> str:
    """A text with its numbers in powers of ten as they are written by hand.

    >>> powers("withstands 9.86e+10 A²s (k 143), or 3e-05 A²s")
    'withstands 9.86 × 10¹⁰ A²s (k 143), or 3 × 10⁻⁵ A²s'
    """
    raised = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
    return re.sub(
        r"(?<![\w.])(\d(?:\.\d+)?)e([+-]\d+)(?= A²s)", lambda m: f"{m[1]} × 10{str(int(m[2])).translate(raised)}", words
    )


def _missing(value: Any) -> bool:
    return value is None or (isinstance(value, float) and math.isnan(value))


def _is_numeric(column: pd.Series) -> bool:
    return not pd.api.types.is_bool_dtype(column) and (pd.api.types.is_numeric_dtype(column) or _all_numbers(column))


def _all_numbers(column: Iterable[Any]) -> bool:
    values = [v for v in column if v is not None]
    return bool(values) and all(isinstance(v, (int, float)) and not isinstance(v, bool) for v in values)


class Figures:
    """Figures and drawings of one page: each SVG gets ids of its own, so that several can stand side by side."""

    def __init__(self) -> None:
        self.count = 0

    def figure(self, figure: Figure, caption: str) -> dict[str, Any]:
        """A matplotlib figure; lines of very many points become images in it, at their place."""
        import matplotlib

        _images_for_long_lines(figure)
        with matplotlib.rc_context({"svg.fonttype": "path", "svg.hashsalt": "simbank", "path.simplify_threshold": 0.2}):
            out = io.StringIO()
            figure.savefig(out, format="svg", dpi=IMAGE_DPI, metadata={"Date": None, "Creator": None})
        svg = _lighter(out.getvalue())
        return {"kind": "figure", "svg": self._own_ids(_labelled(svg[svg.index("<svg") :], caption)), "caption": caption}

    def drawing(self, svg: str, caption: str) -> dict[str, Any]:
        """A drawing of the bank, which scrolls on a narrow screen; if it is wide it has a page of its own on paper, across.

        One that would be too small there is printed in parts, too.
        """
        left, top, width, height = (float(v) for v in re.search(r'viewBox="([^"]+)"', svg)[1].split())
        start = svg.index(">") + 1
        svg = svg[:start] + '<g id="all">' + svg[start:].replace("</svg>", "</g></svg>")
        whole = self._own_ids(svg)
        parts = []
        if width > LARGEST_PX:
            count = math.ceil(width / (LARGEST_PX - OVERLAP_PX))
            step = (width - OVERLAP_PX) / count
            style = re.search(r'style="([^"]*)"', svg)
            parts = [
                f'<svg role="img" aria-label="part {k + 1} of {count}" style="{style[1] if style else ""}" '
                f'viewBox="{left + k * step:.0f} {top:.0f} {step + OVERLAP_PX:.0f} {height:.0f}"><use href="#f{self.count}-all"/></svg>'
                for k in range(count)
            ]
        return {"kind": "drawing", "svg": whole, "caption": caption, "wide": width > WIDE_PX, "parts": parts}

    def _own_ids(self, svg):
        self.count += 1
        mark = f"f{self.count}-"
        svg = re.sub(r'\bid="', f'id="{mark}', svg)
        svg = re.sub(r"url\(#", f"url(#{mark}", svg)
        return re.sub(r'href="#', f'href="#{mark}', svg)


def _labelled(svg, label):
    """An SVG with words for those who do not see it."""
    label = label.replace("&", "&amp;").replace('"', "&quot;").replace("<", "&lt;")
    return svg.replace("<svg ", f'<svg role="img" aria-label="{label}" ', 1)


def _lighter(svg):
    """The same SVG with coordinates to a hundredth of a point, without indents, its images with a palette of 64 colours."""
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    svg = re.sub(r'( d="|translate\()([^")]*)', lambda m: m[1] + re.sub(r"(\.\d\d)\d+", r"\1", m[2]), svg)
    svg = re.sub(r"(base64,)([^\"]*)", lambda m: m[1] + _palette(m[2]), svg)
    return re.sub(r"\n\s*", "\n", svg)


def _palette(encoded):
    """A PNG in base64 with few colours, in as many bytes or fewer."""
    from PIL import Image

    raw = base64.b64decode(encoded)
    out = io.BytesIO()
    Image.open(io.BytesIO(raw)).quantize(COLOURS, method=Image.Quantize.FASTOCTREE).save(out, "PNG", optimize=True)
    return base64.b64encode(min(raw, out.getvalue(), key=len)).decode()


def _images_for_long_lines(figure):
    for axis in figure.axes:
        for line in axis.lines:
            if np.size(line.get_xdata(orig=False)) > MOST_POINTS:
                line.set_rasterized(True)
        for area in axis.collections:
            if sum(len(path.vertices) for path in area.get_paths()) > MOST_POINTS:
                area.set_rasterized(True)

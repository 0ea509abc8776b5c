"""Text for a terminal of any width: paragraphs, tables whose headings and texts wrap, and bars. Lines are plain text."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import NamedTuple

from rich.cells import cell_len

from simbank import streams

__all__ = ["Column", "Line", "bars", "may_be_path", "table", "wrapped"]

GAP = "  "
LEAST_TEXT, LEAST_LAST = 12, 16  # a column of text is not made narrower than that for others; the last one is the longest
UNITS = "V|mV|A|mA|kA|Ah|W|kW|Wh|kWh|C|h|min|s|ms|days|years|d|%|points|°C|K|mΩ|Ω|mm²|kg|A²s"
_VALUE = re.compile(rf"(?<=\d) (?=(?:{UNITS})(?:[^\w/]|$))")  # between a number and its unit no line ends
EIGHTHS = " ▏▎▍▌▋▊▉"


class Column(NamedTuple):
    """A column of a table as text: its heading, its cells, and whether they are numbers, which stand to the right."""

    heading: str
    cells: Sequence[str]
    number: bool


class Line(NamedTuple):
    """A line of a table, and whether it belongs to its head."""

    text: str
    head: bool = False


def wrapped(text: str, width: int, hang: int = 0, whole: bool | Callable[[str], bool] = True) -> list[str]:
    """Lines of a text, broken between words.

    Parameters
    ----------
    text : str
        Any blanks in it separate words.
    width : int
        Letters to a line.
    hang : int
        Blanks before every line but the first.
    whole : bool or callable
        Whether a word longer than a line stays whole, so that it can be copied, or a function that says so of a word. Otherwise it is
        broken, after a hyphen, comma, stop or stroke if there is one.

    Returns
    -------
    list of str

    Examples
    --------
    >>> wrapped("one two three", 9, hang=2)
    ['one two', '  three']
    >>> wrapped("chain-opposite", 8, whole=False)
    ['chain-', 'opposite']
    >>> wrapped("pack-with-a-long-name in /srv/a_long_folder", 12, whole=may_be_path)
    ['pack-with-a-', 'long-name in', '/srv/a_long_folder']
    """
    lines, line = [], ""
    for word in _VALUE.sub("\u00a0", " ".join(text.split())).split(" "):
        room = width - (hang if lines else 0)
        if line and cell_len(line) + 1 + cell_len(word) <= room:
            line += f" {word}"
            continue
        if line:
            lines.append(line)
        if cell_len(word) > width - hang and not (whole(word) if callable(whole) else whole):
            *broken, word = _pieces(word, width - hang)
            lines += broken
        line = word
    lines.append(line)
    return [line.replace("\u00a0", " ") for line in (lines[0], *(" " * hang + line for line in lines[1:]))]


def may_be_path(word: str) -> bool:
    """Whether a word may be a path, an address or the name of a file, which one copies as a whole."""
    return any(sign in word.rstrip(".,:;") for sign in "/\\.") and not any(sign in word for sign in "<>")


def _pieces(word, width):
    """A word in pieces no wider than that."""
    pieces, piece = [], ""
    for part in re.findall(r"[^-/.,_=;:]*[-/.,_=;:]|[^-/.,_=;:]+", word):
        if piece and cell_len(piece + part) > width:
            pieces.append(piece)
            piece = ""
        for letter in part:
            if piece and cell_len(piece + letter) > width:
                pieces.append(piece)
                piece = ""
            piece += letter
    return [*pieces, piece]


def _longest_word(text):
    return max((cell_len(word) for word in text.split()), default=0)


def _least(column, last):
    """The least width in which a column can be read, and the width it would like."""
    widest = max((cell_len(text) for text in column.cells), default=0)
    heading = _longest_word(column.heading)
    if column.number:
        least = max(widest, heading)
        return least, next(w for w in range(least, cell_len(column.heading) + least + 1) if len(wrapped(column.heading, w)) <= 2)
    words = max((_longest_word(text) for text in column.cells), default=0)
    shortest = min(max(words, heading), LEAST_TEXT)
    return min(max(shortest, LEAST_LAST if last else 0), max(widest, heading)), max(widest, heading)


def table(columns: Sequence[Column], width: int, keys: int = 1) -> list[Line]:
    """Lines of a table that is no wider than that.

    Numbers are never broken; headings and texts wrap at words. Columns that do not fit beside each other go into further blocks
    below, each of which begins with the key columns again.

    Parameters
    ----------
    columns : sequence of Column
        The key columns first.
    width : int
        Letters to a line.
    keys : int
        How many columns say what a row is.

    Returns
    -------
    list of Line

    Examples
    --------
    >>> for line in table([Column("pack", ["A", "B"], False), Column("peak current [A]", ["67.7", "161.5"], True)], 40):
    ...     print(line.text)
                 peak
    pack  current [A]
    ─────────────────
    A            67.7
    B           161.5
    """
    columns = [Column(streams.shown(c.heading), [streams.shown(text) for text in c.cells], c.number) for c in columns]
    lines, block = [], []
    for column in columns[keys:]:
        if block and _block_width([*columns[:keys], *block, column]) > width:
            lines += [*_block([*columns[:keys], *block], width), Line("")]
            block = []
        block.append(column)
    return lines + _block([*columns[:keys], *block], width)


def _block_width(columns):
    least = [_least(column, column is columns[-1])[0] for column in columns]
    return sum(least) + len(GAP) * (len(columns) - 1)


def _block(columns, width):
    """A block whose columns fit beside each other; what room is left goes to the narrowest first."""
    sizes = [_least(column, column is columns[-1]) for column in columns]
    widths = [least for least, _ in sizes]
    left = width - _block_width(columns)
    while left > 0:
        wanting = [k for k, (_, most) in enumerate(sizes) if widths[k] < most]
        if not wanting:
            break
        widths[min(wanting, key=lambda k: widths[k])] += 1
        left -= 1
    while left < 0:  # one column alone that is wider than the page
        widths[widths.index(max(widths))] -= 1
        left += 1
    headings = [wrapped(column.heading, size, whole=False) for column, size in zip(columns, widths, strict=True)]
    deepest = max(len(heading) for heading in headings)
    headings = [[""] * (deepest - len(heading)) + heading for heading in headings]
    right = [column.number for column in columns]
    lines = [Line(_row(parts, widths, right), True) for parts in zip(*headings, strict=True)]
    lines.append(Line(streams.shown("─") * (sum(widths) + len(GAP) * (len(widths) - 1)), True))
    for row in zip(*(column.cells for column in columns), strict=True):
        parts = [
            [text] if cell_len(text) <= size else wrapped(text, size, whole=False) for text, size in zip(row, widths, strict=True)
        ]
        deepest = max(len(part) for part in parts)
        lines += [
            Line(_row(line, widths, right)) for line in zip(*(part + [""] * (deepest - len(part)) for part in parts), strict=True)
        ]
    return lines


def _row(texts, widths, right):
    cells = []
    for text, size, number in zip(texts, widths, right, strict=True):
        blanks = " " * max(0, size - cell_len(text))
        cells.append(blanks + text if number else text + blanks)
    return GAP.join(cells).rstrip()


def bars(shares: Sequence[tuple[str, float]], width: int) -> list[str]:
    """A bar from 0 to 100 % for each name, and its percentage.

    Parameters
    ----------
    shares : sequence of (str, float)
        Names, and shares from 0 to 1; what is beyond is drawn as far as the scale goes.
    width : int
        Letters to a line.

    Returns
    -------
    list of str

    Examples
    --------
    >>> for line in bars([("A", 0.5), ("B", 0.25)], 30):
    ...     print(line)
    A  █████████▌·········  50.0 %
    B  ████▊··············  25.0 %
    """
    most = max(cell_len(name) for name, _ in shares)
    names = min(most, width // 3)
    percents = [f"{share * 100.0:z.1f} %" for _, share in shares]
    room = max(10, width - names - 2 * len(GAP) - max(map(len, percents)))
    blocks = streams.shown("█") == "█"
    lines = []
    for (name, share), percent in zip(shares, percents, strict=True):
        eighths = round(8 * room * min(max(share, 0.0), 1.0))
        whole, part = divmod(eighths, 8)
        if blocks:
            bar = "█" * whole + EIGHTHS[part].strip()
            bar += "·" * (room - len(bar))
        else:
            whole = round(eighths / 8)
            bar = "#" * whole + "." * (room - whole)
        name = _pieces(streams.shown(name), names)[0]
        lines.append(f"{name}{' ' * (names - cell_len(name))}{GAP}{bar}{GAP}{percent:>{max(map(len, percents))}}")
    return lines

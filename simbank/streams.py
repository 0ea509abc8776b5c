"""Standard output and error: what they cannot show is written in ASCII, and what nobody reads any more is dropped."""

from __future__ import annotations

import codecs
import contextlib
import os
import sys

__all__ = ["drop", "flush", "prepare", "shown"]

ASCII = {
    "°": "deg", "Ω": "ohm", "\u2126": "ohm", "µ": "u", "μ": "u", "±": "+/-", "×": "x", "·": "*", "÷": "/", "−": "-", "–": "-", "—": "-",
    "≥": ">=", "≤": "<=", "≈": "~", "≠": "!=", "∞": "inf", "²": "2", "³": "3", "½": "1/2", "∫": "integral of ", "√": "root of ",
    "→": "->", "←": "<-", "…": "...", "‘": "'", "’": "'", "“": '"', "”": '"', "«": '"', "»": '"', "•": "*", "\u00a0": " ",
    "Δ": "delta ", "α": "alpha", "γ": "gamma", "ρ": "rho", "η": "eta", "φ": "phi", "λ": "lambda", "τ": "tau", "σ": "sigma",
}  # fmt: skip


def _ascii(error):
    """Handler of what an encoding has no letter for: the nearest in ASCII, lines of tables as lines, "?" for the rest."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join(_letter(letter) for letter in error.object[error.start : error.end]), error.end


def _letter(letter):
    if letter in ASCII:
        return ASCII[letter]
    if "\u2500" <= letter <= "\u257f":  # box drawing
        return "|" if letter in "│┃║" else "-" if letter in "─━═╌╴╶" else "+"
    return "#" if "\u2580" <= letter <= "\u259f" else "?"


def prepare():
    """Let standard output and error take any text, whatever their encoding."""
    codecs.register_error("simbank", _ascii)
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:  # closed by whoever started us
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115
        elif hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="simbank")


def shown(text):
    """Text as standard output can show it, so that columns keep their width."""
    encoding = getattr(sys.stdout, "encoding", None) or "utf-8"
    try:
        text.encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return text.encode(encoding, "simbank").decode(encoding)
    return text


def flush():
    """Write out what was printed; an error here is one of the command, not of Python's end."""
    for stream in (sys.stdout, sys.stderr):
        stream.flush()


def drop():
    """Forget what could not be printed, so that it does not fail again at Python's end."""
    try:
        sys.stdout.flush()
    except (OSError, ValueError):
        with contextlib.suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())

"""What a person must be told before any figure of a bank: a stable code for programs, a sentence for people."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass

__all__ = ["BankWarning", "as_records", "counted", "from_records", "gathered", "listed"]


@dataclass(frozen=True)
class BankWarning:
    """One warning.

    Attributes
    ----------
    code : str
        Stable, such as ``mixed-chemistry``; programs and tests find it by this.
    where : str
        The pack, port, device or key that it concerns; several with commas.
    text : str
        One sentence or two: what is wrong, with its numbers, and what to do.
    """

    code: str
    where: str
    text: str


def as_records(warnings: Iterable[BankWarning]) -> list[dict[str, str]]:
    """Warnings as JSON has them: a list of ``{code, where, text}``, each once, in order."""
    return [asdict(warning) for warning in dict.fromkeys(warnings)]


def from_records(records: Iterable[dict[str, str]]) -> list[BankWarning]:
    """The reverse of :func:`as_records`."""
    return [BankWarning(**record) for record in records]


def counted(number: int, what: str) -> str:
    """So many of something, in words.

    >>> counted(1, "run"), counted(3, "run")
    ('1 run', '3 runs')
    """
    return f"{number} {what}{'' if number == 1 else 's'}"


def gathered(runs: Sequence[tuple[str, Iterable[BankWarning]]]) -> list[BankWarning]:
    """Warnings of several runs, each code and place once; where runs differ, the first one's text and of which runs it holds.

    Parameters
    ----------
    runs : list of (str, sequence of BankWarning)
        Name of each run and what it warns of.

    Returns
    -------
    list of BankWarning
    """
    found = {}
    for name, warnings in runs:
        for warning in dict.fromkeys(warnings):
            found.setdefault((warning.code, warning.where), []).append((name, warning.text))
    out = []
    for (code, where), said in found.items():
        name, text = said[0]
        names = list(dict.fromkeys(name for name, _ in said))
        if len(names) < len(runs):
            listed = ", ".join(names[:3]) + (", ..." if len(names) > 3 else "")
            text += f" (In {len(names)} of {len(runs)} runs: {listed}; the numbers are those of {name}.)"
        elif len({text for _, text in said}) > 1:
            text += f" (In all {len(runs)} runs; the numbers are those of {name}.)"
        out.append(BankWarning(code, where, text))
    return out


def listed(names: Sequence[str], most: int = 6) -> str:
    """Names with commas, the middle of a long list left out."""
    if len(names) <= most:
        return ", ".join(names)
    return f"{', '.join(names[: most - 2])} and {len(names) - most + 2} more"

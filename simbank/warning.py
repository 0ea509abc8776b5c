"""What a person must be told before any figure of a bank: a stable code for programs, a sentence for people."""

from __future__ import annotations

from dataclasses import asdict, dataclass

__all__ = ["BankWarning", "as_records"]


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


def as_records(warnings):
    """Warnings as JSON has them: a list of ``{code, where, text}``, each once, in order."""
    return [asdict(warning) for warning in dict.fromkeys(warnings)]

"""What a result comes to, for the person who has to act: a stable code, how grave it is, where, a sentence, its numbers."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

__all__ = ["ACT", "DANGER", "NOTE", "SEVERITIES", "UNKNOWN", "Verdict", "as_records"]

DANGER, ACT, UNKNOWN, NOTE = "danger", "act", "unknown", "note"
SEVERITIES = {  # from the gravest
    DANGER: "may burn, burst or kill: act before the bank is used",
    ACT: "wrong: costs energy, a pack or a night",
    UNKNOWN: "could not be checked, and for want of what",
    NOTE: "what decides, or what was looked at",
}


@dataclass(frozen=True)
class Verdict:
    """One sentence that holds on its own.

    Attributes
    ----------
    code : str
        Stable, such as ``empty-before-dawn``; programs and tests find it by this. The same code as a warning's or a check's where it
        says the same.
    severity : str
        One of :data:`SEVERITIES`.
    where : str
        The pack, port, device, conductor or layout that it concerns; several with commas.
    text : str
        What is wrong, with its numbers, and what to do or to measure.
    numbers : dict
        The numbers of the text, bare, their units in their names.
    """

    code: str
    severity: str
    where: str
    text: str
    numbers: Mapping[str, Any] = field(default_factory=dict, hash=False)

    def __post_init__(self) -> None:
        if self.severity not in SEVERITIES:
            raise ValueError(f"severity must be one of {', '.join(SEVERITIES)}, not {self.severity!r}")


def as_records(verdicts: Iterable[Verdict]) -> list[dict[str, Any]]:
    """Verdicts as JSON has them: a list of ``{code, severity, where, text, numbers}``, in order."""
    return [asdict(verdict) for verdict in verdicts]

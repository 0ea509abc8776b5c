"""The scenarios that come with simbank, by name, from a clone or an installed package alike."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from simbank.errors import InputError
from simbank.filemodel import nearest
from simbank.scenario.scenario import Scenario, load

__all__ = ["example", "examples"]

# A wheel has them inside the package (pyproject.toml puts them there); a clone, and what is installed from it with -e, beside it.
PACKAGE = Path(__file__).parent.parent
FOLDERS = PACKAGE / "example_scenarios", PACKAGE.parent / "scenarios"


def _folder():
    for folder in FOLDERS:
        if (folder / "classroom_chain.toml").is_file():
            return folder
    raise InputError("the scenarios that come with simbank are not installed", file=FOLDERS[0])


def examples() -> dict[str, str]:
    """Names of the shipped scenarios, each with whose question it answers; every bank and number in them is invented.

    Examples
    --------
    >>> print(examples()["classroom_chain"][:96])
    An educator's. Five equal packs on a one-ended daisy chain with thin links: after one charge, wh
    """
    return {path.stem: _question(path.read_text(encoding="utf-8")) for path in sorted(_folder().glob("*.toml"))}


def _question(text):
    """The first sentences of a file's own comment, up to its answer."""
    lines = []
    for line in text.splitlines():
        if not line.startswith("#") or line.startswith(("# Answer", "# Try")):
            break
        lines.append(line.lstrip("# "))
    told = " ".join(lines).removeprefix("Whose question: ")
    return told[:1].upper() + told[1:]


def example(name: str, changes: dict[str, Any] | None = None) -> Scenario:
    """A scenario that comes with simbank.

    Parameters
    ----------
    name : str
        One of :func:`examples`, such as "classroom_chain".
    changes : dict, optional
        Dotted key → value, as in :func:`simbank.load`.

    Returns
    -------
    Scenario

    Raises
    ------
    InputError
        If there is none of this name, or a change does not fit.

    Examples
    --------
    >>> example("classroom_chain", {"packs.*.soc": 0.5})
    <Scenario 'Classroom chain': 5 packs, 500 Ah, chain, duty of 24 h>
    """
    path = _folder() / f"{name}.toml"
    if not isinstance(name, str):
        raise InputError(f"must be a name; known here: {', '.join(examples())}", key="name", value=name)
    if Path(name).name != name or not path.is_file():
        raise InputError(f"no such example; {nearest(name, examples())}", value=name)
    return load(path, changes)

"""Chemistries as a scenario names them: of its own, of the library, or by the path of a file."""

from __future__ import annotations

from pathlib import Path

from simbank.cells import Chemistry, library, load_chemistry
from simbank.errors import InputError
from simbank.filemodel import nearest
from simbank.scenario.schema import ScenarioFile

__all__ = ["chemistries_of_types", "chemistry_by_name"]


def chemistry_by_name(file: ScenarioFile, name: str, folder: Path) -> Chemistry:
    """The chemistry that a name stands for.

    Parameters
    ----------
    file : ScenarioFile
        Whose own chemistries come first.
    name : str
        One of ``[chemistries]``, a name of the library, or the path of a chemistry file.
    folder : Path
        From which paths count.

    Raises
    ------
    InputError
        If there is no such chemistry, or it is not sound.
    """
    if name in file.chemistries:
        try:
            return file.chemistries[name].chemistry(name, folder)
        except InputError as error:
            raise InputError(error.problem, file=error.file, key=f"chemistries.{name}.{error.key}", value=error.value) from None
    if not name.endswith(".toml") and name not in library():
        known = nearest(name, [*file.chemistries, *library()])
        raise InputError(f"unknown chemistry; {known}, or give the path of a .toml file", value=name)
    return load_chemistry(name, folder)


def chemistries_of_types(file: ScenarioFile, folder: Path) -> tuple[dict[str, Chemistry], tuple[str, ...]]:
    """Chemistry of each pack type, and the names of the file's own chemistries that no pack type names; all of them must be sound."""
    own = {name: chemistry_by_name(file, name, folder) for name in file.chemistries}
    found = {}
    for label, kind in file.pack_types.items():
        try:
            found[label] = own.get(kind.chemistry) or chemistry_by_name(file, kind.chemistry, folder)
        except InputError as error:
            if error.file is None and error.key is None:
                raise InputError(error.problem, key=f"pack_types.{label}.chemistry", value=error.value) from None
            raise
    named = {kind.chemistry for kind in file.pack_types.values()}
    return found, tuple(name for name in own if name not in named)

"""The folder whose files the desk loads and saves, and no others."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from simbank.errors import InputError
from simbank.files import write_whole

__all__ = ["NOT_SAVED", "Folder", "file_stem"]

NOT_SAVED = "not saved"  # stands for the file of a bank that has none yet; its folder is that from which paths in it start

MOST_LISTED = 200
LARGEST = 4_000_000  # bytes of a scenario file


def file_stem(name: Any) -> str:
    """What a file of a bank of that name may be called, without its ending.

    >>> file_stem("Hut, north side"), file_stem("../:")
    ('hut_north_side', 'my_bank')
    """
    return re.sub(r"\W+", "_", str(name).lower())[:50].strip("_") or "my_bank"


class Folder:
    """Files of one folder and those below it; paths that lead out of it are refused, by ``..``, as absolute ones and by links.

    Parameters
    ----------
    path : path-like
        The folder.
    """

    def __init__(self, path):
        self.path = Path(path).resolve()

    def names(self) -> list[str]:
        """Scenario files in it, as :meth:`load` takes them: its own and those one folder below."""
        found = [*sorted(self.path.glob("*.toml")), *sorted(self.path.glob("*/*.toml"))]
        return [file.relative_to(self.path).as_posix() for file in found if file.is_file() and self._is_inside(file.resolve())][
            :MOST_LISTED
        ]

    def load(self, name: str) -> tuple[str, Path]:
        """The text of a file, and its path.

        Raises
        ------
        InputError
            If it is not in the folder, is none, or is no text.
        """
        path = self.inside(name)
        try:
            if path.stat().st_size > LARGEST:
                raise InputError(f"has more than {LARGEST // 1_000_000} MB; no scenario has", file=name)
            return path.read_text(encoding="utf-8-sig"), path
        except FileNotFoundError:
            raise InputError("no such file", file=name) from None
        except UnicodeDecodeError:
            raise InputError("not TOML: not a text file in UTF-8", file=name) from None
        except OSError as error:
            raise InputError(f"cannot be read: {error.strerror}", file=name) from None

    def save(self, name: str, text: str, ending: str = ".toml") -> Path:
        """Write a file whole; where it stands.

        Raises
        ------
        InputError
            If it would not be in the folder, has not the ending of its kind, or cannot be written.
        """
        path = self.place_for(name, ending)
        try:
            write_whole(path, lambda aside: aside.write_bytes(text.encode("utf-8")))
        except OSError as error:
            raise InputError(f"cannot be written: {error.strerror}", file=name) from None
        return path

    def place_for(self, name: str, ending: str = ".toml") -> Path:
        """Where a file of that name would be written; an InputError as of :meth:`save`."""
        path = self.inside(name)
        if path.suffix != ending:
            what = {".toml": "a scenario file", ".html": "a report"}[ending]
            raise InputError(f'{what} ends in "{ending}"', key="name", value=name)
        return path

    def inside(self, name: str) -> Path:
        """The path of a name in the folder, links followed; an InputError if it leads out of it."""
        if not name.strip() or any(ord(letter) < 32 for letter in name):
            raise InputError("needs a name", key="name", value=name)
        try:
            path = (self.path / name).resolve()
            path.is_file()  # an error if the name is longer than the system takes
        except OSError as error:
            raise InputError(f"cannot be a path: {error.strerror}", key="name", value=name) from None
        except (ValueError, RuntimeError):
            raise InputError("cannot be a path", key="name", value=name) from None
        if not self._is_inside(path):
            raise InputError(f"leads out of the folder of this desk, {self.path}", key="name", value=name)
        return path

    def _is_inside(self, path):
        return path.is_relative_to(self.path) and path != self.path

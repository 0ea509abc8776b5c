"""Files are written whole: aside first, then put in their place."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

__all__ = ["write_whole"]


def write_whole(path, write):
    """Write a file aside, then put it in its place; on failure the old one stays and the half-written one goes.

    Parameters
    ----------
    path : path-like
    write : callable
        Called with the path of the file aside, which no other process uses.
    """
    path = Path(path)
    handle, name = tempfile.mkstemp(prefix=f".{path.stem}-", suffix=f".part{path.suffix}", dir=path.parent)
    os.close(handle)
    aside = Path(name)
    try:
        write(aside)
        aside.chmod(0o666 & ~_umask())
        os.replace(aside, path)
    finally:
        aside.unlink(missing_ok=True)


def _umask():
    """The process's file mode mask, which can only be read by setting it."""
    mask = os.umask(0)
    os.umask(mask)
    return mask

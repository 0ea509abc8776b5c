"""Files are written whole: aside first, then put in their place."""

from __future__ import annotations

import errno
import hashlib
import os
import re
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from simbank.interrupts import at_exit
from simbank.quantities import is_quantity

if TYPE_CHECKING:
    import pandas as pd

try:
    import fcntl
except ImportError:  # Windows
    fcntl = None

__all__ = ["file_name", "harmless", "locked", "was_harmless", "write_text", "write_whole"]

FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r")  # a spreadsheet takes a cell that begins with one of these for a formula


_asides = set()  # files that are there only while another is written


def _drop_asides():
    for aside in _asides:
        aside.unlink(missing_ok=True)


at_exit(_drop_asides)


def file_name(name: str) -> str:
    """A name of a pack or chemistry as part of a file's name: letters that a path could take amiss become underscores."""
    plain = re.sub(r"[^\w.+() -]", "_", name)[:80]
    return plain if plain == name else f"{plain}-{hashlib.sha256(name.encode()).hexdigest()[:8]}"


def write_whole(path: str | Path, write: Callable[[Path], object]) -> None:
    """Write a file aside, then put it in its place; on failure the old one stays and the half-written one goes.

    Parameters
    ----------
    path : path-like
        File to write.
    write : callable
        Called with the path of the file aside, which no other process uses.

    Raises
    ------
    OSError
        If it cannot be written; its ``filename`` is ``path``.
    """
    given, path, aside = str(path), Path(path), None
    try:
        if path.exists() and not path.is_file():
            if path.is_dir():
                raise IsADirectoryError(errno.EISDIR, "is a folder; name a file")
            write(path)  # a device or a pipe, such as /dev/stdout
            return
        path = path.resolve()  # what a link points at is written, and the link stays
        handle, name = tempfile.mkstemp(prefix=f".{path.stem[:50]}-", suffix=f".part{path.suffix}", dir=path.parent)
        os.close(handle)
        aside = Path(name)
        _asides.add(aside)
        write(aside)
        aside.chmod(0o666 & ~_umask())
        os.replace(aside, path)
    except OSError as error:
        reason = error.strerror or (os.strerror(error.errno) if error.errno else " ".join(str(error).split()))
        raise OSError(error.errno or 0, reason, given) from error
    finally:
        if aside is not None:
            aside.unlink(missing_ok=True)
            _asides.discard(aside)


def write_text(path: str | Path, text: str) -> None:
    """Write text whole, in UTF-8."""
    write_whole(path, lambda aside: aside.write_text(text, encoding="utf-8"))


def harmless(frame: pd.DataFrame, index: bool = False) -> pd.DataFrame:
    """A table to be written as CSV: text that a spreadsheet would take for a formula is led by an apostrophe.

    Numbers and quantities ("-5 degC") stay as they are.

    Parameters
    ----------
    frame : DataFrame
        Stays as it is.
    index : bool
        Whether the index becomes the first columns; otherwise it is left out.

    Returns
    -------
    DataFrame
    """
    from pandas.api.types import is_bool_dtype, is_datetime64_any_dtype, is_numeric_dtype

    if index:
        frame = frame.reset_index(names=[name or "" for name in frame.index.names])
    tame = frame.rename(columns=_harmless)
    for number, kind in enumerate(tame.dtypes):
        if not (is_numeric_dtype(kind) or is_bool_dtype(kind) or is_datetime64_any_dtype(kind)):
            tame.isetitem(number, tame.iloc[:, number].map(_harmless, na_action="ignore"))
    return tame


def was_harmless(frame: pd.DataFrame) -> pd.DataFrame:
    """The reverse of :func:`harmless`: text without the apostrophe that led it.

    >>> import pandas as pd
    >>> was_harmless(pd.DataFrame({"pack": ["'=A1", "'tis"]}))["pack"].tolist()
    ['=A1', "'tis"]
    """
    from pandas.api.types import is_numeric_dtype

    plain = frame.rename(columns=_was_harmless)
    for number, kind in enumerate(plain.dtypes):
        if not is_numeric_dtype(kind):
            plain.isetitem(number, plain.iloc[:, number].map(_was_harmless, na_action="ignore"))
    return plain


@contextmanager
def locked(path: str | Path, wait: bool = True) -> Iterator[None]:
    """Keep every other process and thread that asks for it out of ``path`` until the end of the block.

    The lock is of a file beside it, ``.NAME.lock``, which goes at the end; the system gives up the lock of a process that was killed.
    Where the system or the file system knows no locks of files, nothing is kept out.

    Parameters
    ----------
    path : path-like
        A file that is read and written again; it need not be there yet.
    wait : bool
        Whether to wait until nobody else has the lock.

    Raises
    ------
    BlockingIOError
        If another has the lock, without ``wait``.
    """
    path = Path(path)
    beside = path.with_name(f".{path.name}.lock")
    handle = _locked_handle(beside, wait)
    if handle is None:
        yield
        return
    _asides.add(beside)
    try:
        yield
    finally:
        beside.unlink(missing_ok=True)
        _asides.discard(beside)
        os.close(handle)


def _locked_handle(path, wait):
    """An open, locked file at ``path``, None where there are no locks; one that another has taken away meanwhile is not it."""
    if fcntl is None:
        return None
    while True:
        handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX if wait else fcntl.LOCK_EX | fcntl.LOCK_NB)
            if os.path.samestat(os.fstat(handle), os.stat(path)):
                return handle
        except FileNotFoundError:
            pass
        except BlockingIOError:  # another has it
            os.close(handle)
            raise
        except OSError:  # a file system without locks
            os.close(handle)
            path.unlink(missing_ok=True)
            return None
        os.close(handle)


def _harmless(value):
    formula = isinstance(value, str) and value.startswith(FORMULA_SIGNS) and not is_quantity(value)
    return f"'{value}" if formula else value


def _was_harmless(value):
    return value[1:] if isinstance(value, str) and value[:1] == "'" and value[1:].startswith(FORMULA_SIGNS) else value


def _umask():
    """The process's file mode mask, which can only be read by setting it."""
    mask = os.umask(0)
    os.umask(mask)
    return mask

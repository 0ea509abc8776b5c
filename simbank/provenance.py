"""What made a result: hashes of all that it was computed from, versions, settings and time; and files that carry these.

Tables stay the same from run to run: the time stands beside them (in a file's own metadata and in ``made_by.json``), never in a row.
"""

from __future__ import annotations

import datetime
import functools
import hashlib
import json
from collections.abc import Iterable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simbank import files

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

__all__ = [
    "MADE_BY_FILE", "as_plain", "code_hash", "content_hash", "described", "file_hash", "files_read", "left_over", "made_by", "note",
    "package_version", "set_command", "versions", "write_figure", "write_json", "write_svg", "write_table",
]  # fmt: skip

MADE_BY_FILE = "made_by.json"
LIBRARIES = ("numpy", "scipy", "numba", "pandas", "pvlib")
_command = []
_noted = set()  # (folder, name) of the files that this process wrote


def set_command(words: Sequence[str]) -> None:
    """The command line that this process works for; files that it writes name it."""
    import shlex

    _command[:] = [shlex.join(words)]


@functools.cache
def package_version(name: str) -> str:
    """Version of an installed package."""
    from importlib.metadata import PackageNotFoundError, version  # which takes longer to load than all else here

    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed"


def versions() -> dict[str, str]:
    """Versions of simbank, of Python and of the libraries whose numbers enter a result."""
    import platform

    return {"simbank": package_version("simbank"), "python": platform.python_version()} | {
        name: package_version(name) for name in LIBRARIES
    }


@functools.cache
def code_hash() -> str:
    """SHA-256 over every Python source and data file of the package, read once in a process; shipped scenarios are not of them."""
    root, total = Path(__file__).parent, hashlib.sha256()
    shipped = {"example_scenarios", "example_lessons"}  # which stand elsewhere in a clone
    sources = [path for kind in ("*.py", "*.toml") for path in root.rglob(kind) if not shipped.intersection(path.parts)]
    for path in sorted(sources):
        content = path.read_bytes()
        total.update(f"{path.relative_to(root).as_posix()} {len(content)}\n".encode() + content)
    return total.hexdigest()


def file_hash(path: str | Path) -> str | None:
    """SHA-256 of a file's contents, None if it cannot be read."""
    with suppress(OSError, ValueError):
        return hashlib.sha256(Path(path).read_bytes()).hexdigest()
    return None


def content_hash(data: Any) -> str:
    """SHA-256 of data, whatever the order of its keys: plain data, and objects of Python in it by what they hold."""
    return hashlib.sha256(json.dumps(data, sort_keys=True, default=as_plain).encode()).hexdigest()


def as_plain(value: Any) -> Any:
    """What an object of Python holds, as plain data for JSON: its class and its attributes, an array's numbers, a function's source."""
    if hasattr(value, "tolist"):  # arrays and their numbers
        return value.tolist()
    if callable(value) and hasattr(value, "__code__"):
        import inspect

        try:
            return inspect.getsource(value)
        except OSError:  # typed into a console
            return [
                value.__qualname__,
                value.__code__.co_code.hex(),
                repr(value.__code__.co_consts),
                list(value.__code__.co_names),
            ]
    if isinstance(value, datetime.date | datetime.time) or not hasattr(value, "__dict__"):
        return str(value)
    return {"python": type(value).__qualname__, "holds": vars(value)}


def described(data: Any) -> Any:
    """Data with objects of Python in it replaced by their class and a hash of what they hold; plain data stays as it is.

    >>> described({"hours": 2.0, "curve": object()})["curve"]["python"]
    'object'
    """
    if isinstance(data, dict):
        return {key: described(value) for key, value in data.items()}
    if isinstance(data, list | tuple):
        return [described(value) for value in data]
    if data is None or isinstance(data, str | bool | int | float | datetime.date | datetime.time):
        return data
    return {"python": type(data).__qualname__, "sha256": content_hash(data)}


def files_read(
    data: dict[str, Any], source: str | None = None, known: dict[Path, str | None] | None = None
) -> dict[str, dict[str, str | None]]:
    """The files that a scenario's data refers to: tables of its duty and its air, and chemistries given by path.

    Parameters
    ----------
    data : dict
        A scenario file's contents, changes applied.
    source : str, optional
        Path of the scenario file, beside which they are looked for; by default in the working folder.
    known : dict, optional
        Hashes by path, filled as files are read, for a caller that asks for many scenarios at once.

    Returns
    -------
    dict
        Dotted key → ``{"file": its path as given, "sha256": hash of its contents, None if it cannot be read}``.
    """
    folder, found = Path(source).parent if source else Path(), {}
    known = {} if known is None else known

    def add(key, table, entry):
        name = table.get(entry) if isinstance(table, dict) else None
        if isinstance(name, str):
            path = folder / name
            if path not in known:
                known[path] = file_hash(path)
            found[f"{key}.{entry}"] = {"file": name, "sha256": known[path]}

    for place in ("seasons", "ambient"):
        add(place, data.get(place), "file")
    duty = data.get("duty")
    if isinstance(duty, dict):
        add("duty", duty, "file")
        for kind in ("sun", "load"):
            tables = duty.get(kind)
            for k, table in enumerate(tables if isinstance(tables, list) else [tables]):
                add(f"duty.{kind}.{k}", table, "file")
    for place, entry in (("pack_types", "chemistry"), ("chemistries", "base")):
        tables = data.get(place)
        for name, table in tables.items() if isinstance(tables, dict) else ():
            if isinstance(table, dict) and str(table.get(entry, "")).endswith(".toml"):
                add(f"{place}.{name}", table, entry)
    return found


def made_by(scenario: Any = None, function: str | None = None, **settings: Any) -> dict[str, Any]:
    """What makes a result, as plain data.

    Parameters
    ----------
    scenario : Scenario, optional
        Anything with ``name``; of one from a file also its source, and hashes of its data and of the files that it read.
    function : str, optional
        What computed it, such as "simbank.sweep".
    **settings
        Seed, sampler, tolerance, integrator and whatever else decides the numbers; what is None is left out.
    """
    record = versions() | {"code_sha256": code_hash()}
    if function:
        record["function"] = function
    if _command:
        record["command"] = _command[0]
    if scenario is not None:
        record["scenario"] = scenario.name
        data = getattr(scenario, "data", None)
        if data is not None:
            record |= {"scenario_file": scenario.source, "scenario_sha256": content_hash(data), "files_read": scenario.files}
            if getattr(scenario, "own_layouts", None):
                record["own_layouts_sha256"] = scenario.own_layouts
    record |= {key: value for key, value in settings.items() if value is not None}
    return record | {"time_utc": datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")}


# ---- files that say what made them ----


def write_table(path: Path, frame: pd.DataFrame, made: dict[str, Any], index: bool = False) -> None:
    """Write a table as CSV or Parquet, by the ending of ``path``.

    A Parquet file carries ``made`` in its own metadata (``pandas.read_parquet(path).attrs["made_by"]``), a CSV in the
    ``made_by.json`` of its folder.
    """
    if path.suffix == ".parquet":
        frame = frame.copy(deep=False)
        frame.attrs = frame.attrs | {"made_by": made}
        files.write_whole(path, lambda aside: frame.to_parquet(aside, index=index))
    else:
        tame = files.harmless(frame, index)
        files.write_whole(path, lambda aside: tame.to_csv(aside, index=False, encoding="utf-8"))
    note(path.parent, [path.name], made)


def write_json(path: Path, record: dict[str, Any], made: dict[str, Any]) -> None:
    """Write plain data as JSON, with ``made_by`` beside what it holds."""
    text = json.dumps(record | {"made_by": made}, indent=2, default=str) + "\n"
    files.write_text(path, text)
    note(path.parent, [path.name], made)


def write_figure(path: Path, figure: Figure, made: dict[str, Any], title: str) -> None:
    """Write a matplotlib figure as PNG with the text entries of the PNG standard.

    These are Title, Software, Creation Time, and Description (``made`` as JSON).
    """
    entries = {
        "Title": title, "Software": f"simbank {made['simbank']}", "Creation Time": made["time_utc"],
        "Description": json.dumps(made, default=str),
    }  # fmt: skip
    files.write_whole(path, lambda aside: figure.savefig(aside, format=path.suffix[1:], metadata=entries))
    note(path.parent, [path.name], made)


def write_svg(path: Path, text: str, made: dict[str, Any]) -> None:
    """Write an SVG drawing with ``made`` as JSON in its ``metadata`` element."""
    told = json.dumps(made, default=str).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    begin = text.index("<svg")
    head = text.index(">", begin) + 1
    text = f"{text[:head]}<metadata>{told}</metadata>{text[head:]}"
    files.write_text(path, text)
    note(path.parent, [path.name], made)


def note(folder: str | Path, names: Iterable[str], made: dict[str, Any]) -> None:
    """Enter files of a folder into its ``made_by.json``: a list of records, each with the ``files`` that it made and their hashes.

    What the list said of these files before is dropped.
    """
    path = Path(folder) / MADE_BY_FILE
    hashes = {name: file_hash(path.parent / name) for name in names}
    _noted.update((path.parent.resolve(), name) for name in hashes)
    made = json.loads(json.dumps(made, default=str))
    with files.locked(path):  # others may write into this folder at the same time
        files.write_text(path, json.dumps(_entered(_records(path), hashes, made), indent=1) + "\n")


def left_over(folder: str | Path) -> list[str]:
    """Names of files that an earlier process wrote into a folder, which are still there and which this one did not write anew."""
    folder = Path(folder)
    names = [name for record in _records(folder / MADE_BY_FILE) for name in dict(record.get("files") or {})]
    return sorted(name for name in names if (folder.resolve(), name) not in _noted and (folder / name).exists())


def _records(path):
    """Records of a ``made_by.json``; none if it is not there or is none."""
    with suppress(OSError, ValueError):
        return [record for record in json.loads(path.read_text(encoding="utf-8")) if isinstance(record, dict)]
    return []


def _entered(records, hashes, made):
    """The records with files (name → hash) entered under what made them, taken out of any other."""
    for record in records:
        record["files"] = {n: h for n, h in dict(record.get("files") or {}).items() if n not in hashes}
    same = next((r for r in records if {k: v for k, v in r.items() if k != "files"} == made), None)
    if same is None:
        same = made | {"files": {}}
        records.append(same)
    same["files"] |= hashes
    return [record for record in records if record["files"]]

"""What stands in the columns of the tables that simbank writes: each told beside the code that writes it."""

from __future__ import annotations

from typing import NamedTuple

__all__ = ["Column", "Table"]


class Column(NamedTuple):
    """One column: its name, its unit (empty where it has none) and its meaning."""

    name: str
    unit: str
    meaning: str


class Table(NamedTuple):
    """A table, or a part of a JSON file: what it is called there, what a row of it is, and its columns in order."""

    name: str
    row: str
    columns: tuple[Column, ...]

    @classmethod
    def of(cls, name, row, columns):
        """From tuples of name, unit and meaning."""
        return cls(name, row, tuple(Column(*column) for column in columns))

    @property
    def files(self) -> list[str]:
        """Names of the files that hold it, each of its own."""
        return [name for name in self.name.split(", ") if ":" not in name]

    @property
    def names(self) -> list[str]:
        """Names of the columns, in order."""
        return [column.name for column in self.columns]

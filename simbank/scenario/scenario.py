"""A scenario: a bank and what is asked of it, from a file or a dict, with single keys changed."""

from __future__ import annotations

from os import PathLike
from pathlib import Path
from typing import Any

from simbank.bank import Bank, own_layouts
from simbank.cells import Chemistry
from simbank.duty import Duty, SampledDuty
from simbank.errors import InputError
from simbank.filemodel import Checked, check, read_toml
from simbank.notebook import as_html
from simbank.plotting.drawing import draw_bank
from simbank.provenance import content_hash, files_read
from simbank.scenario.build_bank import build_bank
from simbank.scenario.build_duty import build_duty, taken_of_bank
from simbank.scenario.changes import Places, changed, changed_where, checked_keys, copied, joint_branches
from simbank.scenario.chemistries import chemistry_by_name
from simbank.scenario.schema import ScenarioFile

__all__ = ["Scenario", "from_dict", "load", "with_changes"]


class Scenario:
    """A bank and what is asked of it, as read from a file.

    Parameters
    ----------
    data : dict
        A file's contents, with changes applied.
    source : str, optional
        Path of the file; the paths of tables and chemistries start from its folder.
    duty : Duty or SampledDuty, optional
        What is asked, in place of what ``data`` asks.

    Attributes
    ----------
    name, layout : str
        Its name, and the name of the layout by which its packs are joined.
    bank : Bank
    duty : Duty or SampledDuty
    data : dict
    source : str or None
    file : ScenarioFile
        ``data`` checked key by key: numbers in SI units, middle values where it says how well a value is known.
    files : dict
        Other files that it read, with hashes of their contents (see :func:`simbank.provenance.files_read`).
    own_layouts : dict of str to str
        Layouts that it names and a program registered (:func:`simbank.layout`), with a hash of each.

    Raises
    ------
    InputError
        One line that names the file, the key, the value and what would be right.
    """

    name: str
    layout: str
    bank: Bank
    duty: Duty | SampledDuty

    def __init__(self, data: dict[str, Any], source: str | None = None, duty: Duty | SampledDuty | None = None):
        self._build(copied(data), source, duty, None)

    def _build(self, data, source, duty, before):
        """Build it from ``data``, whose tables nobody changes from now on; what is as in the scenario ``before`` is taken from it."""
        self._data, self._handed_out, self._places, self.source = data, None, None, source
        self.files = files_read(data, source)
        self.own_layouts = {
            name: content_hash(kind) for name, kind in own_layouts().items() if name in _texts(data.get("wiring"))
        }
        try:
            self._checked = Checked(before and before._checked)
            self.file = file = _with_air(check(ScenarioFile, data, unions=("duty",), checked=self._checked), self._folder)
            self._checked.close()
            self.name, self.layout = file.name, file.wiring.layout
            built = before._built if before is not None and before._reads == self._reads else None
            self.bank = build_bank(file, self._folder, built and built[:2])
            if duty is None:
                asked = taken_of_bank(self.bank)
                same = built is not None and built[2] is not None and file.duty is built[0].duty and asked == built[3]
                duty = built[2] if same else build_duty(file, self.bank, self._folder)
                self._built = file, self.bank, duty, asked
            else:
                self._built = file, self.bank, None, None
            self.duty = duty
        except InputError as error:
            raise InputError(error.problem, file=error.file or source, key=error.key, value=error.value) from None

    def _places_of(self, keys):
        """Where these keys lead in its data; None where they have to be looked for."""
        if self._places is None or self._places[0] != keys:  # those of a sweep are the same in every run
            self._places = keys, Places.of(self._data, keys)
        return self._places[1]

    @property
    def _reads(self):
        """What a bank and a duty rest on besides the file."""
        return self.files, self.own_layouts

    @property
    def data(self) -> dict[str, Any]:
        """The file's contents, with changes applied: a copy, which a program may change to make another scenario of it."""
        if self._handed_out is None:
            self._handed_out = copied(self._data)
        return self._handed_out

    def with_changes(self, changes: dict[str, Any], duty: Duty | SampledDuty | None = None) -> Scenario:
        """As :func:`with_changes`, with ``duty`` in place of what it asks: built anew where something changes, and nowhere else."""
        if self._checked is None or (self._handed_out is not None and self._handed_out != self._data):
            return from_dict(self.data, changes, self.source, duty)
        return _changed(self._data, changes, self.source, duty, self)

    def __getstate__(self):
        """For a copy or another process: tables that were checked are known by identity, which is lost there."""
        return self.__dict__ | {"_checked": None}

    @property
    def _folder(self):
        return Path(self.source).parent if self.source else Path()

    def chemistry(self, name: str) -> Chemistry:
        """A chemistry by the name that a pack type of this scenario would give it.

        Parameters
        ----------
        name : str
            One of the scenario's own ``[chemistries]``, a name of the library, or the path of a chemistry file, counted from the
            scenario's file.

        Raises
        ------
        InputError
            If there is no such chemistry, or it is not sound.
        """
        return chemistry_by_name(self.file, name, self._folder)

    def __repr__(self) -> str:
        n, hours = len(self.bank.packs), self.duty.duration_s / 3600.0
        return (
            f"<Scenario {self.name!r}: {n} {'pack' if n == 1 else 'packs'}, {self.bank.capacity_ah:g} Ah, {self.layout}, "
            f"duty of {hours:.4g} h>"
        )

    def _repr_html_(self) -> str:
        """What a notebook shows: packs, and the drawing of the bank."""
        import pandas as pd

        packs = self.bank.packs
        table = pd.DataFrame(
            {
                "capacity [Ah]": [pack.capacity_ah for pack in packs],
                "state of charge [%]": [pack.soc * 100.0 for pack in packs],
                "chemistry": [pack.chemistry.name for pack in packs],
                "cells in series": [pack.cells_in_series for pack in packs],
            },
            index=[pack.name for pack in packs],
        )
        words = [f"{repr(self)[1:-1].partition(': ')[2]}; ports: {', '.join(self.bank.graph.ports)}."]
        return as_html(self.name, words=words, table=table, picture=draw_bank(self.bank))


def _with_air(file, folder):
    """A file whose air is a table of days: that table read, and its mean the ambient of whatever has no dates."""
    if file.seasons is None or file.seasons.file is None:
        return file
    seasons = file.seasons.with_days(folder)
    return file.model_copy(update={"seasons": seasons, "ambient": seasons.mean})


def _texts(data):
    """Every text in a table."""
    parts = data.values() if isinstance(data, dict) else data if isinstance(data, list) else ()
    return {part for part in parts if isinstance(part, str)}.union(*(_texts(part) for part in parts))


def load(path: str | PathLike, changes: dict[str, Any] | None = None) -> Scenario:
    """Scenario from a TOML file, with dotted keys changed.

    Parameters
    ----------
    path : path-like
        TOML file.
    changes : dict, optional
        Dotted key → value, as in :func:`with_changes`.

    Returns
    -------
    Scenario

    Raises
    ------
    InputError
        One line that names the file, the key, the value and what would be right.
    """
    data = read_toml(path)
    return from_dict(data, changes, source=str(path))


_ADDED = "wiring.added.*"


def from_dict(
    data: dict[str, Any], changes: dict[str, Any] | None = None, source: str | None = None, duty: Duty | SampledDuty | None = None
) -> Scenario:  # fmt: skip
    """Scenario from a dict of the file's form; see :func:`load`.

    Parameters
    ----------
    data : dict
        As ``tomllib`` reads it from a scenario file.
    changes : dict, optional
        Dotted key → value, as in :func:`with_changes`.
    source : str, optional
        Path of the file that it is from; the paths of tables start from its folder.
    duty : Duty or SampledDuty, optional
        What is asked, in place of what ``data`` asks.

    Raises
    ------
    InputError
        As :func:`load`.
    """
    if not isinstance(data, dict):
        raise InputError("must be a dict of a scenario file's form", file=source, key="data", value=data)
    return _changed(copied(data), changes, source, duty, None)


def _changed(data, changes, source, duty, before):
    """The scenario of ``data`` with keys changed; what is as in the scenario ``before``, whose data it is, is taken from it."""
    try:
        changes = checked_keys(changes)
        if _ADDED in changes:  # the names of branches are known once the rest is built
            rest = {key: value for key, value in changes.items() if key != _ADDED}
            data = changed(data, rest)
            every = dict.fromkeys(joint_branches(Scenario(data, source).bank), changes[_ADDED])
            data["wiring"]["added"] = data["wiring"].get("added", {}) | every
            changes = {key: value for key, value in rest.items() if key.startswith("wiring.added")}
        places = before and before._places_of(tuple(changes))
        data = (places and places.changed(data, changes)) or changed_where(data, changes, checked=before is not None)
    except InputError as error:
        raise InputError(error.problem, file=error.file or source, key=error.key, value=error.value) from None
    made = Scenario.__new__(Scenario)
    made._build(data, source, duty, before)
    return made


def with_changes(scenario: Scenario, changes: dict[str, Any]) -> Scenario:
    """The same scenario with dotted keys changed, such as ``{"wiring.link.gauge": "2/0 AWG", "packs.A.soc": 0.3}``.

    A list's entries go by their ``name`` or by number from 0. A pack of an entry with ``count`` goes by its own name
    (``packs.P3.soc``), all of them by the entry's (``packs.P.soc``). ``*`` stands for every name: ``packs.*.soc``,
    ``pack_types.*.capacity``, ``wiring.added.*``.

    A program may put objects of its own in place of two tables: a :class:`~simbank.duty.Duty` as ``duty``, a
    :class:`~simbank.cells.Chemistry` as ``chemistries.NAME``. Every study takes the scenario that comes of it, and a sweep takes them
    as values. What made a result has a hash of what they hold; :func:`simbank.read` gives the figures back, but not the objects.

    Parameters
    ----------
    scenario : Scenario
        Stays as it is.
    changes : dict
        Dotted key → value.

    Raises
    ------
    InputError
        If a key leads nowhere, or the changed scenario cannot be.

    Examples
    --------
    Packs of the shipped LFP chemistry with an open-circuit curve of one's own, and a duty of one's own:

    >>> from dataclasses import replace
    >>> import simbank as sb
    >>> curve = sb.Curve([0.0, 0.1, 0.5, 0.9, 1.0], [2.6, 3.20, 3.29, 3.33, 3.45])
    >>> mine = replace(sb.load_chemistry("lfp"), name="mine", ocv=curve)
    >>> rest, load = sb.Step(1800.0), sb.Step(3600.0, {"charger": sb.Command("current", 50.0, cutoff_volt=44.8)})
    >>> changes = {"chemistries.mine": mine, "pack_types.equal.chemistry": "mine", "duty": sb.Duty((rest, load))}
    >>> scenario = with_changes(sb.example("classroom_chain"), changes)
    >>> scenario
    <Scenario 'Classroom chain': 5 packs, 500 Ah, chain, duty of 1.5 h>
    >>> round(scenario.bank.packs[0].chemistry.ocv(0.5).item(), 3)
    3.29
    """
    return scenario.with_changes(changes)
